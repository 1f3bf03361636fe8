"""All sites at one glance, the one that needs somebody first on top; and one site as it was when its box shipped last."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from netaudit.audit.join import stand
from netaudit.audit.rules.rule import Weight
from netaudit.audit.rules.table import RULES
from netaudit.audit.seen import see
from netaudit.capacity.line import WORST_FIRST, State
from netaudit.errors import PlanError, StoreError
from netaudit.publish.silence import SILENT_AFTER
from netaudit.publish.state import finding_view, segment_views, source_view
from netaudit.publish.summary import summarise
from netaudit.publish.template import render
from netaudit.publish.text import harmless, kind_name, place_name, span
from netaudit.publish.views import PageState, headroom
from netaudit.site.load import parse_site

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from netaudit.audit.standing import Standing
    from netaudit.capacity.ledger import Ledger
    from netaudit.publish.report_data import WeekReport
    from netaudit.site.model import Site
    from netaudit.store.fleet import News
    from netaudit.store.records import Document
    from netaudit.store.store import Store

_WEIGHTS: Final = {rule.key: rule.weight for rule in RULES}
_OTHERS: Final = re.compile(r"[^0-9a-z]+")
# Of a folder's name so much is ours to choose; the key behind it tells two alike apart.
_LONGEST_NAME: Final = 40


@dataclass(frozen=True, slots=True)
class Busiest:
    """The line nearest to the end of what we plan to use of it; `share` is the asked part of that."""

    kind: str
    place: str
    share: float


@dataclass(frozen=True, slots=True)
class Glance:
    """
    One site in the list of all.

    state, word   whether somebody is needed, as a mark and as a word
    silent        for how long its box has not been heard, when that is too long; empty when it is not
    now, soon, sometime, quiet   open findings by weight; quiet: those that somebody acknowledged or muted
    sentence      the site's own summary, where its plan was read; trouble: why it could not be
    report        the file of its report beside this list
    """

    key: str
    name: str
    state: State
    word: str
    heard: str
    silent: str
    now: int
    soon: int
    sometime: int
    quiet: int
    devices: int
    heard_at: datetime | None = None
    trouble: str = ""
    sentence: str = ""
    busiest: Busiest | None = None
    report: str = ""


def glance(news: News, now: datetime, silent_after: timedelta = SILENT_AFTER) -> Glance:
    """Give one site's line of the list, from what is known without its plan."""
    counts = dict.fromkeys(Weight, 0)
    for rule, times in news.open.items():
        # A rule that this program doesn't know, or one that broke: nothing else is sure then.
        counts[_WEIGHTS.get(rule, Weight.NOW)] += times
    silent_s = math.inf if news.heard_at is None else max(0.0, (now - news.heard_at).total_seconds())
    is_silent = silent_s > silent_after.total_seconds()
    if news.trouble:
        state, word = State.OVER, "can't be read"
    elif news.heard_at is None:
        state, word = State.OVER, "never heard"
    elif is_silent:
        state, word = State.OVER, "silent"
    elif counts[Weight.NOW]:
        state, word = State.OVER, "act now"
    elif counts[Weight.SOON] or counts[Weight.SOMETIME]:
        state, word = State.TIGHT, "look at it"
    else:
        state, word = State.WITHIN, "nothing found"
    return Glance(
        key=news.key,
        name=harmless(news.name),
        state=state,
        word=word,
        heard="" if news.heard_at is None else f"{news.heard_at.astimezone(UTC):%Y-%m-%d %H:%M} UTC",
        silent=span(silent_s) if is_silent and news.heard_at is not None else "",
        now=counts[Weight.NOW],
        soon=counts[Weight.SOON],
        sometime=counts[Weight.SOMETIME],
        quiet=news.quiet,
        devices=news.devices,
        heard_at=news.heard_at,
        trouble=harmless(news.trouble, 300),
    )


def worst_first(entries: Iterable[Glance]) -> list[Glance]:
    """Put first what can't be read or is silent, the longest first; then by open findings, the gravest first."""
    oldest = datetime.min.replace(tzinfo=UTC)

    def place(one: Glance) -> tuple[object, ...]:
        quiet = bool(one.trouble) or one.heard_at is None or bool(one.silent)
        since = one.heard_at or oldest
        return (not quiet, since if quiet else oldest, -one.now, -one.soon, -one.sometime, one.name.lower(), one.key)

    return sorted(entries, key=place)


def folder_of(key: str, name: str) -> str:
    """Name the folder of a site's reports: its key; before one that is only a number, what is plain of the site's name."""
    if not key.isdigit():
        return key
    plain = _OTHERS.sub("-", name.lower()).strip("-")[:_LONGEST_NAME].strip("-")
    return f"{plain}-{key}" if plain else key


def read_site(plan: Document | None, name: str) -> Site:
    """
    Give the plan that the box of the site of this name watches by, as it was kept and shipped.

    Raises:    StoreError: none was kept, this program can't read it, or it is another site's.
    """
    if plan is None:
        raise StoreError("no plan is kept; its box keeps it when `netaudit run` begins, then ship again")
    try:
        site = parse_site(plan.document, "the plan that was kept")
    except PlanError as error:
        raise StoreError(str(error)) from error
    if site.site.name != name:
        # The pages bear the plan's name: a box could show what it likes as another's.
        raise StoreError(f"the plan that was kept is of {site.site.name}, not of {name}")
    return site


def shipped_state(site: Site, ledger: Ledger, store: Store, at: datetime) -> PageState:
    """
    Give a site's state at the moment up to which its box was heard. Findings are the box's; nothing is judged anew.

    Raises:    StoreError: the store can't be read.
    """
    seen = see(store, site, at)
    return PageState(
        site=site,
        at=at,
        standings=stand(site, ledger, seen),
        hazards=ledger.hazards,
        flaws=ledger.flaws,
        findings=tuple(finding_view(finding, at) for finding in store.open_findings()),
        sources=tuple(map(source_view, seen.sources)),
        segments=segment_views(site, ledger, seen),
    )


def busiest(standings: Sequence[Standing], site: Site) -> Busiest | None:
    """Find the line of which the largest part of what we plan to use is asked; None where nothing has an end."""
    ended = [one for one in standings if 0 < one.line.usable < math.inf]
    if not ended:
        return None
    share, one = max(((1 - headroom(one) / one.line.usable, one) for one in ended), key=lambda pair: pair[0])
    return Busiest(kind_name(one.line.kind), place_name(one.line.place, site), share)


def with_report(one: Glance, data: WeekReport, file: str) -> Glance:
    """Add what a site's week says to its line; silence weighs more than any good news of before."""
    summary = summarise(data.site, data.standings, data.hazards, data.flaws, data.findings)
    word = one.word
    if WORST_FIRST.index(summary.state) < WORST_FIRST.index(one.state):
        word = "look at it" if summary.state is State.TIGHT else "act now"
    return replace(
        one,
        state=min(one.state, summary.state, key=WORST_FIRST.index),
        word="all well" if word == "nothing found" else word,
        sentence=f"When it was heard last: {summary.sentence[:1].lower()}{summary.sentence[1:]}"
        if one.silent
        else summary.sentence,
        busiest=busiest(data.standings, data.site),
        report=file,
    )


def render_sites(entries: Sequence[Glance], week: str, made_at: datetime) -> str:
    """Render the page of all sites that stands beside their reports; it loads nothing and runs nothing."""
    values = {"rows": entries, "week": week, "made_at": f"{made_at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"}
    return render("sites.html", {**values, "said": say_all(entries)})


def say_all(entries: Sequence[Glance]) -> tuple[State, str]:
    """Say in one sentence how all sites are."""
    if not entries:
        return State.UNMEASURED, "There are no sites yet."
    lost = sum(bool(one.silent or one.trouble) or one.heard_at is None for one in entries)
    acting = sum(one.word == "act now" for one in entries)
    looking = sum(one.word == "look at it" for one in entries)
    parts = [
        f"{count} {one if count == 1 else many}"
        for count, one, many in (
            (lost, "is silent or can't be read", "are silent or can't be read"),
            (acting, "needs somebody now", "need somebody now"),
            (looking, "has something to look at", "have something to look at"),
        )
        if count
    ]
    state = State.OVER if lost or acting else State.TIGHT if looking else State.WITHIN
    if not parts:
        return state, "Nothing is open on the one site." if len(
            entries
        ) == 1 else f"Nothing is open on {len(entries)} sites."
    return state, f"Of {len(entries)} {'site' if len(entries) == 1 else 'sites'} {', '.join(parts)}."
