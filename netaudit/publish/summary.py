"""The first thing a householder reads: is everything well, and what is there to do, in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.audit.rules.outgrown import BUSY_AIR, OUTGROWN
from netaudit.capacity.advice import CURES, repeats_a_radio
from netaudit.capacity.line import Kind, State
from netaudit.publish.text import capital, kind_name, place_name, quantity, told, without_macs
from netaudit.publish.views import headroom
from netaudit.site.counted import counted

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from netaudit.audit.standing import Standing
    from netaudit.capacity.line import Flaw, Hazard, Line
    from netaudit.publish.views import FindingView
    from netaudit.site.model import Site

# A list of things to do that is longer than this is not read; the ledger and the findings have all of them.
MOST_TO_DO: Final = 12
_KIND_ORDER: Final = {kind: index for index, kind in enumerate(Kind)}


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One ruled row: a standing with its words and figures ready for a template."""

    line: Line
    kind_order: int
    place: str
    state: State
    observed: float | None
    headroom: float


@dataclass(frozen=True, slots=True)
class ToDo:
    """One thing to do: what is wrong, and the cure."""

    text: str
    cure: str


@dataclass(frozen=True, slots=True)
class Summary:
    """State of everything, one sentence for it, what to do in order of weight, and how many more there are."""

    state: State
    sentence: str
    to_do: tuple[ToDo, ...]
    more: int


def ledger_rows(standings: Iterable[Standing], site: Site) -> tuple[LedgerRow, ...]:
    """Make the ledger's rows, kind by kind, in the plan's order."""
    rows = [
        LedgerRow(
            line=one.line,
            kind_order=_KIND_ORDER[one.line.kind],
            place=place_name(one.line.place, site),
            state=one.state,
            observed=None if one.observed is None else one.observed.latest,
            headroom=headroom(one),
        )
        for one in standings
    ]
    return tuple(sorted(rows, key=lambda row: row.kind_order))


def summarise(
    site: Site,
    standings: Sequence[Standing],
    hazards: Sequence[Hazard],
    flaws: Sequence[Flaw],
    findings: Sequence[FindingView],
) -> Summary:
    """Judge the whole in one sentence. Hazards come first, then what is open, then what is over, then what is tight."""
    is_open = [finding for finding in findings if finding.closed_at is None and not finding.quiet]
    known = [finding for finding in findings if finding.closed_at is None and finding.quiet]
    found = {(finding.rule, finding.place) for finding in (*is_open, *known)}
    over = [
        one
        for one in standings
        if one.state is State.OVER
        and not repeats_a_radio(one.line)
        and (one.line.state is State.OVER or (_rule_of(one), one.line.place) not in found)
    ]
    tight = [one for one in standings if one.state is State.TIGHT and not repeats_a_radio(one.line)]
    to_do = [
        *(_caution("Hazard, ", found.place, found.text, found.cure, site) for found in hazards),
        # A finding's own sentence says where.
        *(_finding(found, site) for found in is_open),
        *(_over(one, site) for one in over),
        *(_caution("", found.place, found.text, found.cure, site) for found in flaws),
    ]
    if hazards:
        state = State.OVER
        sentence = "Something can break equipment or hurt someone. See to it first."
    elif is_open or over or flaws:
        state = State.OVER
        sentence = f"{counted(len(is_open) + len(over) + len(flaws), 'thing needs', 'things need')} doing."
    elif tight:
        state = State.TIGHT
        sentence = f"All works; {counted(len(tight), 'line has', 'lines have')} little left to grow."
    elif not standings:
        state = State.UNMEASURED
        sentence = "The ledger has not been judged yet."
    elif all(one.observed is None for one in standings):
        state = State.WITHIN
        sentence = "The plan is sound. Nothing has been measured yet."
    else:
        state = State.WITHIN
        sentence = "All is well, but for what is acknowledged or muted." if known else "All is well."
    return Summary(state, sentence, tuple(to_do[:MOST_TO_DO]), max(0, len(to_do) - MOST_TO_DO))


def _caution(lead: str, place: str, text: str, cure: str, site: Site) -> ToDo:
    locale = site.site.locale
    said = f"{lead}{place_name(place, site)}: {told(text, locale, site=site).rstrip('.')}."
    return ToDo(capital(said), told(cure, locale, site=site))


def _finding(found: FindingView, site: Site) -> ToDo:
    locale = site.site.locale
    said = without_macs(told(found.text, locale, site=site).rstrip("."))
    return ToDo(f"{capital(said)}.", told(found.cure, locale, site=site))


def _rule_of(one: Standing) -> str:
    """Name the rule that finds more in use than planned: what it found is told once, and no more when it is acknowledged."""
    return BUSY_AIR.key if one.line.kind is Kind.AIRTIME else OUTGROWN.key


def _over(one: Standing, site: Site) -> ToDo:
    line, locale = one.line, site.site.locale
    asked = max(line.planned, one.observed.latest if one.observed is not None else line.planned)
    return ToDo(
        f"{kind_name(line.kind)}, {place_name(line.place, site)}: needs {quantity(asked, line.unit, locale)}, "
        f"has {quantity(line.supply, line.unit, locale)}.",
        f"What helps: {CURES[line.kind]}.",
    )
