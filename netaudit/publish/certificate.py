"""The certificate as a self-contained page that prints on A4: verdict, what to mend, every check with its evidence, signatures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.audit.acceptance.check import ORDER, Outcome
from netaudit.publish.cautions import cautions_for
from netaudit.publish.outcome import MEANINGS, outcome_mark
from netaudit.publish.template import render
from netaudit.publish.text import harmless, place_name

if TYPE_CHECKING:
    from markupsafe import Markup

    from netaudit.audit.acceptance.certificate import Certificate, Result
    from netaudit.audit.acceptance.check import Item
    from netaudit.site.model import Site

# In the table a check shows so many places, one if it passed; the rest stand in the list behind it.
_SHOWN: Final = 3


@dataclass(frozen=True, slots=True)
class Line:
    """One place of one check."""

    place: str
    item: Item


@dataclass(frozen=True, slots=True)
class Row:
    """One check: its mark, how many places came out how, the gravest places and all of them."""

    mark: Markup
    result: Result
    counted: str
    gravest: tuple[Line, ...]
    lines: tuple[Line, ...]


def render_certificate(certificate: Certificate, site: Site) -> str:
    """Give the certificate as HTML; whatever names are in it are made harmless."""
    rows = tuple(_row(result, site) for result in certificate.results)
    mend = [(result, _line(item, site)) for result, item in certificate.items(Outcome.FAILED)]
    waived = [(result, _line(item, site)) for result, item in certificate.items(Outcome.WAIVED)]
    return render(
        "certificate.html",
        {
            "site": site,
            "header": site.site,
            "locale": site.site.locale,
            "certificate": certificate,
            "sentence": sentence(certificate),
            "counts": [(outcome_mark(one), MEANINGS[one], certificate.count(one)) for one in reversed(ORDER)],
            "rows": rows,
            "mend": mend,
            "waived": waived,
            "open": [row for row in rows if row.result.count(Outcome.NOT_TESTED)],
            "not_tested": Outcome.NOT_TESTED,
            "cautions": cautions_for(site),
        },
    )


def sentence(certificate: Certificate) -> str:
    """Say in one sentence what came out."""
    failed, total = certificate.count(Outcome.FAILED), len(certificate.results)
    if failed:
        return f"Not accepted: {failed} of {total} checks failed"
    if not certificate.accepted:
        return f"Not accepted: none of {total} checks could be tested"
    open_ = certificate.count(Outcome.NOT_TESTED)
    return f"Nothing failed in {total} checks" + (f"; {open_} were not fully tested" if open_ else "")


def where(place: str, site: Site) -> str:
    """Name a place of a check, a pair of segments too."""
    if "->" in place:
        one, _, other = place.removeprefix("segment:").partition("->")
        return f"{place_name(f'segment:{one}', site)} to {place_name(f'segment:{other}', site)}"
    if place.startswith("address:"):
        return harmless(place.removeprefix("address:"))
    return place_name(place, site)


def _line(item: Item, site: Site) -> Line:
    return Line(where(item.place, site), item)


def _row(result: Result, site: Site) -> Row:
    ordered = sorted(result.items, key=lambda item: ORDER.index(item.outcome))
    counted = ", ".join(f"{count} {one.value}" for one in reversed(ORDER) if (count := result.count(one)))
    gravest = [item for item in ordered if item.outcome is result.outcome][
        : 1 if result.outcome is Outcome.PASSED else _SHOWN
    ]
    return Row(
        mark=outcome_mark(result.outcome),
        result=result,
        counted=counted,
        gravest=tuple(_line(item, site) for item in gravest),
        lines=tuple(_line(item, site) for item in ordered),
    )
