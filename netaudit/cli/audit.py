"""`netaudit audit SITE`: the ledger beside what was kept last, and what to do about it, the gravest first."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import argparse
    from datetime import datetime

    from netaudit.audit.forecast import Forecast
    from netaudit.audit.judge import Judgement
    from netaudit.capacity.line import Kind
    from netaudit.site.model import Site
    from netaudit.store.findings import Finding
    from netaudit.store.store import Store

    Outlook = dict[tuple[Kind, str], Forecast]

_WORDS = ("state", "what", "where")
# Columns by the width of the terminal from which each is shown, so that none is cut.
_FROM_WIDTH = {"usable": 52, "planned": 64, "p95": 78}
# A finding is one sentence; what is longer was made so by somebody on the network.
_LONGEST = 600


class Said(NamedTuple):
    """What one call found out."""

    site: Site
    judgement: Judgement
    findings: list[Finding]
    ahead: Outlook
    last_seen: datetime | None
    now: datetime


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "audit",
        description="Compare the plan with what was observed: open findings, what is over, every line's headroom.",
        epilog="example: netaudit audit demo-output/site.toml",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan, a TOML file")
    parser.add_argument("--store", metavar="PATH", help="what the watch has kept; beside the plan when left out")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.add_argument("--acknowledge", metavar="FINDING", help="note that a person has seen it, with --reason")
    parser.add_argument("--mute", metavar="FINDING", help="tell nothing of it up to the end of --until, with --reason")
    parser.add_argument("--until", metavar="DAY", help="last day of a mute, such as 2026-03-31")
    parser.add_argument("--reason", metavar="TEXT", default="", help="why")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Read, judge once and print; only a person's own word is written. Status 1: something is over, or a finding open."""
    from datetime import UTC, datetime

    from netaudit.audit.history import outlook
    from netaudit.audit.judge import judge
    from netaudit.audit.seen import see, tolerance_of
    from netaudit.capacity.ledger import gather
    from netaudit.capacity.line import State
    from netaudit.cli.output import print_json, store_of
    from netaudit.site.load import load_site
    from netaudit.store.store import Store

    site = load_site(args.site)
    kept_at = store_of(args, must_exist=True)
    now = datetime.now(UTC)
    name, tolerance = site.site.name, tolerance_of(site)
    with Store.open(kept_at, site=name, clock=lambda: datetime.now(UTC), tolerance=tolerance) as store:
        _take_word(store, site, args, now)
        findings = store.open_findings()
        judgement = judge(site, gather(site), see(store, site, now), findings, now)
        ahead = outlook(store, judgement.standings, now)
        last_seen = max((one.last_at for one in store.devices(now) if one.last_at is not None), default=None)
    said = Said(site, judgement, findings, ahead, last_seen, now)
    if args.json:
        print_json(_document(said))
    else:
        _print(args.site, said)
    over = any(standing.state is State.OVER for standing in judgement.standings)
    return 1 if over or findings else 0


def _take_word(store: Store, site: Site, args: argparse.Namespace, now: datetime) -> None:
    """Write down what a person says of a finding."""
    from datetime import date, datetime, time, timedelta
    from zoneinfo import ZoneInfo

    from netaudit.errors import OutOfRange

    if args.acknowledge is None and args.mute is None:
        return
    if not args.reason.strip():
        raise OutOfRange('a finding is acknowledged or muted with a reason: add --reason "..."')
    if args.acknowledge is not None:
        store.acknowledge_finding(args.acknowledge, now, args.reason)
    if args.mute is not None:
        try:
            last = date.fromisoformat(args.until or "")
        except ValueError:
            raise OutOfRange(f"--until {args.until}: write the last day of the mute, such as 2026-03-31") from None
        end = datetime.combine(last + timedelta(days=1), time(), ZoneInfo(site.site.time_zone))
        if end <= now:
            raise OutOfRange(f"--until {last}: is over; write a day to come")
        store.mute_finding(args.mute, end, args.reason)


def _document(said: Said) -> dict[str, object]:
    from netaudit.audit.judge import gravity

    known = {finding.key for finding in said.findings}
    return {
        "site": said.site.site.name,
        "at": said.now,
        "last_seen": said.last_seen,
        "findings": sorted(said.findings, key=lambda finding: gravity(finding.rule)),
        "concerns": [
            {
                "rule": concern.rule,
                "place": concern.place,
                "text": concern.text,
                "cure": concern.cure,
                "since": concern.since,
                "evidence": dict(concern.evidence),
            }
            for concern in said.judgement.concerns
            if concern.key not in known
        ],
        "lines": [
            {
                "kind": standing.line.kind,
                "place": standing.line.place,
                "unit": standing.line.unit,
                "supply": standing.line.supply,
                "usable": standing.line.usable,
                "planned": standing.line.planned,
                "grown": standing.line.grown,
                "observed": standing.observed,
                "planned_state": standing.line.state,
                "observed_state": standing.observed_state,
                "state": standing.state,
                "outlook": said.ahead.get((standing.line.kind, standing.line.place)),
            }
            for standing in said.judgement.standings
        ],
    }


def _print(plan: str, said: Said) -> None:
    from zoneinfo import ZoneInfo

    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    from netaudit.audit.judge import gravity
    from netaudit.audit.life import is_quiet
    from netaudit.capacity.line import WORST_FIRST
    from netaudit.cli.output import console, state_text
    from netaudit.publish.text import figure, harmless, kind_name, place_name, told, unticked

    locale = said.site.site.locale
    zone = ZoneInfo(said.site.site.time_zone)
    out = console()

    def tell(text: str, cure: str) -> None:
        out.print(Padding(Text(unticked(told(text, locale, _LONGEST))), (0, 0, 0, 2), expand=False))
        out.print(Padding(Text(f"do: {unticked(told(cure, locale, _LONGEST))}"), (0, 0, 0, 2), expand=False))

    known = {finding.key for finding in said.findings}
    for finding in sorted(said.findings, key=lambda finding: gravity(finding.rule)):
        quiet = " (acknowledged or muted)" if is_quiet(finding, said.now) else ""
        opened = f"{finding.opened_at.astimezone(zone):%Y-%m-%d %H:%M}"
        out.print(f"{harmless(finding.key)} since {opened}{quiet}", markup=False)
        tell(finding.text, str(finding.evidence.get("cure", "")))
    if not said.findings:
        out.print(f"{plan}: no open findings.", markup=False)
    fresh = [concern for concern in said.judgement.concerns if concern.key not in known]
    if fresh:
        out.print("Seen now, no finding yet:", markup=False)
    for concern in fresh:
        tell(concern.text, concern.cure)
    table = Table(box=None, pad_edge=False)
    titles = ("state", "what", "where", "planned", "observed", "p95", "usable")
    shown = [at for at, title in enumerate(titles) if out.width >= _FROM_WIDTH.get(title, 0)]
    for at in shown:
        table.add_column(
            titles[at], justify="left" if titles[at] in _WORDS else "right", no_wrap=titles[at] not in ("what", "where")
        )
    for standing in sorted(said.judgement.standings, key=lambda one: WORST_FIRST.index(one.state)):
        line, observed = standing.line, standing.observed
        amounts = (
            line.planned,
            observed.latest if observed else math.nan,
            observed.p95 if observed and observed.p95 is not None else math.nan,
            line.usable,
        )
        cells = (
            Text.from_markup(state_text(standing.state)),
            # A name from the plan is text: brackets in it are no style.
            *(Text(word) for word in (kind_name(line.kind), place_name(line.place, said.site))),
            *(Text(figure(amount, line.unit, locale)) for amount in amounts),
        )
        table.add_row(*(cells[at] for at in shown))
    out.print()
    out.print(table)
    if all(standing.observed is None for standing in said.judgement.standings):
        seen = said.last_seen
        latest = (
            "nobody was ever seen" if seen is None else f"the last look is of {seen.astimezone(zone):%Y-%m-%d %H:%M}"
        )
        out.print(f"\nNothing was observed in the last hour ({latest}): is netaudit run at work?", markup=False)
    growing = [(place, one) for (_, place), one in said.ahead.items() if one.earliest is not None]
    if growing:
        out.print()
    for place, one in growing:
        out.print(f"{place_name(place, said.site)} {one.words} (from {one.days} days)", markup=False)
