"""`netaudit audit SITE`: the ledger beside what was kept last, and what to do about it, the gravest first."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import argparse
    from datetime import datetime
    from pathlib import Path

    from netaudit.audit.forecast import Forecast
    from netaudit.audit.judge import Judgement
    from netaudit.capacity.line import Kind
    from netaudit.site.model import Site
    from netaudit.store.findings import Finding

    Outlook = dict[tuple[Kind, str], Forecast]

# A finding is one sentence; what is longer was made so by somebody on the network.
_LONGEST = 600


class Said(NamedTuple):
    """What one call found out."""

    site: Site
    judgement: Judgement
    findings: list[Finding]
    ahead: Outlook
    now: datetime


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "audit",
        description="Compare the plan with what was observed: open findings, what is over, every line's headroom.",
        epilog="example: netaudit audit site.toml",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan, a TOML file")
    parser.add_argument("--store", metavar="PATH", help="what the watch has kept; beside the plan when left out")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.set_defaults(func=run)


def store_path(site: str, given: str | None) -> Path:
    """Give the path of the store: as given, else beside the plan with its name and `.db`."""
    from pathlib import Path

    return Path(given) if given else Path(site).with_suffix(".db")


def run(args: argparse.Namespace) -> int:
    """Read, judge once and print; nothing is written. Status 1 when something is over or a finding is open."""
    from datetime import UTC, datetime

    from netaudit.audit.history import outlook
    from netaudit.audit.judge import judge
    from netaudit.audit.seen import see
    from netaudit.capacity.ledger import gather
    from netaudit.capacity.line import State
    from netaudit.cli.output import print_json
    from netaudit.errors import StoreError
    from netaudit.site.load import load_site
    from netaudit.store.store import Store

    site = load_site(args.site)
    path = store_path(args.site, args.store)
    if not path.is_file():
        raise StoreError(
            f"{path}: there is no store yet: run `netaudit run {args.site}` first, or name one with --store"
        )
    now = datetime.now(UTC)
    with Store.open(path, site=site.site.name, clock=lambda: datetime.now(UTC)) as store:
        findings = store.open_findings()
        judgement = judge(site, gather(site), see(store, site, now), findings, now)
        ahead = outlook(store, judgement.standings, now)
    said = Said(site, judgement, findings, ahead, now)
    if args.json:
        print_json(_document(said))
    else:
        _print(args.site, said)
    over = any(standing.state is State.OVER for standing in judgement.standings)
    return 1 if over or findings else 0


def _document(said: Said) -> dict[str, object]:
    from netaudit.audit.judge import gravity

    known = {finding.key for finding in said.findings}
    return {
        "site": said.site.site.name,
        "at": said.now,
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

    from rich.table import Table

    from netaudit.audit.judge import gravity
    from netaudit.audit.life import is_quiet
    from netaudit.capacity.line import State
    from netaudit.cli.output import console
    from netaudit.publish.text import harmless

    zone = ZoneInfo(said.site.site.time_zone)
    out = console()
    known = {finding.key for finding in said.findings}
    for finding in sorted(said.findings, key=lambda finding: gravity(finding.rule)):
        quiet = " (acknowledged or muted)" if is_quiet(finding, said.now) else ""
        out.print(f"since {finding.opened_at.astimezone(zone):%Y-%m-%d %H:%M}{quiet}", markup=False)
        out.print(f"  {harmless(finding.text, _LONGEST)}", markup=False)
        out.print(f"  do: {harmless(str(finding.evidence.get('cure', '')), _LONGEST)}", markup=False)
    if not said.findings:
        out.print(f"{plan}: no open findings.", markup=False)
    fresh = [concern for concern in said.judgement.concerns if concern.key not in known]
    if fresh:
        out.print("Seen now, no finding yet:", markup=False)
    for concern in fresh:
        out.print(f"  {harmless(concern.text, _LONGEST)}", markup=False)
        out.print(f"  do: {harmless(concern.cure, _LONGEST)}", markup=False)
    table = Table(box=None, pad_edge=False)
    for heading in ("state", "kind", "place"):
        table.add_column(heading)
    for heading in ("planned", "observed", "p95", "usable", "unit"):
        table.add_column(heading, justify="left" if heading == "unit" else "right")
    order = (State.OVER, State.TIGHT, State.WITHIN, State.UNMEASURED)
    for standing in sorted(said.judgement.standings, key=lambda one: order.index(one.state)):
        line, observed = standing.line, standing.observed
        p95 = observed.p95 if observed else None
        table.add_row(
            standing.state,
            line.kind,
            line.place,
            f"{line.planned:.4g}",
            f"{observed.latest:.4g}" if observed else "-",
            "-" if p95 is None else f"{p95:.4g}",
            f"{line.usable:.4g}",
            line.unit,
        )
    out.print()
    out.print(table)
    growing = [(place, one) for (_, place), one in said.ahead.items() if one.earliest is not None]
    if growing:
        out.print()
    for place, one in growing:
        out.print(f"{place} {one.words} (from {one.days} days)", markup=False)
