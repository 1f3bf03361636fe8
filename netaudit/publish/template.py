"""The templates of this room: autoescaped, strict about what is missing, with the filters that turn values into words."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from netaudit.publish import look, text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from jinja2 import Environment


def _source(name: str) -> str:
    return resources.files("netaudit.publish").joinpath(name).read_text("utf-8")


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined  # noqa: PLC0415 - 2 MB, from the first page on

    environment = Environment(
        loader=FunctionLoader(_source), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters.update(
        harmless=text.harmless,
        told=text.told,
        coded=text.coded,
        capital=text.capital,
        kind_words=text.KIND_WORDS.get,
        identity=text.identity,
        quantity=text.quantity,
        figure=text.figure,
        left=text.left,
        kind_name=text.kind_name,
        moment=text.moment,
        day=text.day,
        clock=text.clock,
        span=text.span,
        mark=look.mark,
        state_word=look.state_word,
    )
    environment.globals.update(
        place_name=text.place_name,
        segment_name=text.segment_name,
        place_page=text.place_page,
        state_meanings=look.STATE_MEANINGS,
        no_value=text.NO_VALUE,
        # Our own sheet, and no value of anybody's in it: the one thing that goes in unescaped.
        style=Markup(look.page_style()),  # noqa: S704 - our own constants
    )
    return environment


def render(name: str, values: Mapping[str, Any]) -> str:
    """Fill one of our templates; every value is escaped, whoever wrote it."""
    return _environment().get_template(name).render(values)
