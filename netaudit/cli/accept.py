"""`netaudit accept SITE`: the acceptance test and its certificate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.cli.output import print_json

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from netaudit.audit.acceptance.certificate import Certificate, Waiver
    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.observe.observation import Notice
    from netaudit.site.model import Site

CERTIFICATE, EVIDENCE, PAGE, PRINT = "certificate.json", "evidence.json", "certificate.html", "certificate.pdf"


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    from netaudit.cli.evidence_input import add_span

    parser = subparsers.add_parser(
        "accept",
        description="Prove the network against its plan, and write a certificate with the evidence.",
        epilog="example: netaudit accept site.toml --for 30m --waive 'restart=not tonight, R. Marsh'",
    )
    parser.add_argument("site", metavar="SITE", help="the site plan, a TOML file")
    add_span(parser, "30m")
    parser.add_argument("--evidence", metavar="FILE", help="judge evidence that was kept, instead of looking")
    parser.add_argument(
        "--waive",
        action="append",
        default=[],
        metavar="WHAT",
        help='"CHECK=reason, name" or "CHECK/PLACE=reason, name"',
    )
    parser.add_argument(
        "--waivers", metavar="FILE", help="a TOML file of tables [waiver.NAME] with check, reason, name"
    )
    parser.add_argument("--restart", metavar="WHAT", help="at half time, say that this is to be switched off and on")
    parser.add_argument(
        "--alert-seen", action="append", default=[], metavar="CHANNEL=NAME", help="NAME saw the test message there"
    )
    parser.add_argument(
        "--send-alert",
        action="store_true",
        help="first send a test message through each channel, and ask on a terminal who saw it",
    )
    parser.add_argument(
        "--out", metavar="FOLDER", default=".", help="where to write it, overwriting none; here when left out"
    )
    parser.add_argument("--pdf", action="store_true", help="print it as PDF too")
    parser.add_argument("--verify", metavar="FILE", help="check a certificate against this plan and its evidence")
    parser.add_argument("--json", action="store_true", help="print the certificate as JSON")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Test, write, print. Status 1: something failed, nothing passed, or a certificate doesn't hold."""
    import json
    from pathlib import Path

    from netaudit.audit.acceptance.certificate import certify, need_sound, write_certificate
    from netaudit.audit.acceptance.evidence import write_evidence
    from netaudit.audit.sealed import digest
    from netaudit.cli.output import need_folder, write_whole
    from netaudit.errors import OutOfRange
    from netaudit.publish.certificate import render_certificate
    from netaudit.site.load import fingerprint, parse_site, read_plan

    plan = read_plan(args.site)
    site = parse_site(plan, args.site)
    if args.verify:
        return _verify(args, site, fingerprint(plan))
    waivers = [*_waivers_in(args.waivers), *map(_waiver, args.waive)]
    need_sound(waivers)
    folder = Path(args.out)
    need_folder(folder)
    _need_free(folder, args.evidence)
    evidence = _evidence(args, site)
    text = write_evidence(evidence)
    # Kept before it is judged: whatever goes wrong from here on, half an hour of looking can be judged again (--evidence).
    write_whole(folder / EVIDENCE, text)
    try:
        certificate = certify(
            site, evidence, plan_sha256=fingerprint(plan), evidence_sha256=digest(text), waivers=waivers
        )
    except OutOfRange as error:
        raise OutOfRange(f"{error}; what was seen is kept: --evidence {folder / EVIDENCE} judges it") from error
    page = render_certificate(certificate, site)
    write_whole(folder / CERTIFICATE, write_certificate(certificate))
    write_whole(folder / PAGE, page)
    files = [EVIDENCE, CERTIFICATE, PAGE]
    if args.pdf:
        from netaudit.publish.pdf import to_pdf

        write_whole(folder / PRINT, to_pdf(page))
        files.append(PRINT)
    if args.store:
        _keep(site.site.name, args.store, write_certificate(certificate))
    if args.json:
        print_json(json.loads(write_certificate(certificate)))
    else:
        _print(certificate, site, [str(folder / name) for name in files])
    return 0 if certificate.accepted else 1


def _need_free(folder: Path, judged: str | None) -> None:
    """
    See that no earlier test's files stand in a folder: a certificate is evidence, with what it was judged by beside it.

    Args:      judged: kept evidence that is to be judged; where it stands, without a certificate, the test is ended.
    Raises:    NetauditError: something is there.
    """
    from pathlib import Path

    from netaudit.errors import NetauditError

    there = [folder / name for name in (CERTIFICATE, PAGE, PRINT, EVIDENCE) if (folder / name).exists()]
    kept = folder / EVIDENCE
    if there == [kept] and judged is not None and Path(judged).exists() and kept.samefile(judged):
        return
    if there == [kept]:
        raise NetauditError(
            f"{kept}: was seen in an earlier test; --evidence {kept} judges it, --out names another folder"
        )
    if there:
        raise NetauditError(
            f"{there[0]}: is of an earlier test, and none is overwritten; name another folder with --out"
        )


def _evidence(args: argparse.Namespace, site: Site) -> Evidence:
    """Take the evidence from where the call says, with what a person saw."""
    from dataclasses import replace

    from netaudit.audit.acceptance.evidence import read_evidence
    from netaudit.audit.acceptance.words import ALERT
    from netaudit.cli.evidence_input import from_store, read_text, seconds_of
    from netaudit.errors import OutOfRange
    from netaudit.observe.observation import Notice

    if args.evidence and args.store:
        raise OutOfRange("--evidence and --store are two sources: name one")
    if args.restart and (args.evidence or args.store):
        raise OutOfRange("--restart is for looking now: leave --evidence and --store out")
    seconds = seconds_of(args.span)
    seen = tuple(_seen_alert(one, site) for one in args.alert_seen)
    # Before the look: whoever started it is still there to be asked.
    tried = _try_channels(args.site, site, {channel for channel, _ in seen}) if args.send_alert else ()
    if args.evidence:
        evidence = read_evidence(read_text(args.evidence), args.evidence)
    elif args.store:
        evidence = from_store(site, args.store, seconds).evidence
    else:
        evidence = _look(site, seconds, args.restart)
    said = (*((channel, {"arrived": "yes", "by": name}) for channel, name in seen), *tried)
    told = tuple(
        Notice(evidence.until, f"alert:{channel}", ALERT, tuple(sorted(detail.items()))) for channel, detail in said
    )
    return replace(evidence, notices=(*evidence.notices, *told))


def _look(site: Site, seconds: float, restart: str | None) -> Evidence:
    """Look now; say on standard error how long it takes, once nothing is refused any more."""
    import asyncio
    import os
    import sys
    from dataclasses import replace

    from netaudit.audit.acceptance.words import RESTART
    from netaudit.audit.rules.rule import lasting
    from netaudit.cli.evidence_input import tell_span
    from netaudit.daemon.collect import collect
    from netaudit.observe.observation import Notice

    told: list[Notice] = []

    def tell(evidence: Evidence) -> None:
        if restart and not told:
            told.append(Notice(evidence.until, "site", RESTART, (("what", restart),)))
            # Who is seen in the last quarter of the test has come back.
            sys.stderr.write(f"now switch off and on again, within {lasting(seconds / 4)}: {restart}\n")

    evidence = asyncio.run(
        collect(
            site,
            seconds,
            environ=os.environ,
            every_s=seconds / 2 if restart else None,
            tell=tell,
            begun=lambda: tell_span(seconds),
        )
    )
    return replace(evidence, notices=(*evidence.notices, *told))


def _seen_alert(written: str, site: Site) -> tuple[str, str]:
    """Read "mail=R. Marsh"."""
    from netaudit.errors import OutOfRange

    channel, _, name = (part.strip() for part in written.partition("="))
    if channel not in site.alert or not name:
        known = ", ".join(site.alert) or "none"
        raise OutOfRange(f'--alert-seen "{written}": write CHANNEL=NAME; the channels of the plan are: {known}')
    return channel, name


def _try_channels(path: str, site: Site, seen: set[str]) -> list[tuple[str, dict[str, str]]]:
    """
    Send a test message through each channel of the plan, and ask who saw it; not for those that somebody vouches for.

    Returns:   a word for each channel; one that could not send has failed, whoever vouches for it.
    Raises:    AlertError: the plan has no channel.
    """
    import asyncio
    import os
    from pathlib import Path

    from netaudit.cli.alert import send_trial
    from netaudit.daemon.channels import channels_of
    from netaudit.errors import AlertError

    channels = channels_of(site, Path(path).parent, os.environ)
    if not channels:
        raise AlertError(f'{path}: has no channel: write [alert.NAME] with url_env = "VARIABLE"')
    told: list[tuple[str, dict[str, str]]] = []
    for channel in channels:
        trouble = asyncio.run(send_trial(site, channel))
        if trouble:
            told.append((channel.name, {"arrived": "no", "trouble": trouble}))
        elif channel.name not in seen:
            told.append((channel.name, _ask(channel.name)))
    return told


def _ask(channel: str) -> dict[str, str]:
    """Ask on a terminal who saw the test message; without one nobody is asked."""
    import sys

    from netaudit.publish.text import harmless

    if not sys.stdin.isatty():
        return {"arrived": "unsaid"}
    sys.stderr.write(
        f'{channel}: a test message is on its way. Who sees it? (a name; "no" if it does not come; nothing: nobody can say) '
    )
    sys.stderr.flush()
    name = harmless(sys.stdin.readline().strip(), 60)
    if not name:
        return {"arrived": "unsaid"}
    return {"arrived": "no"} if name.lower() == "no" else {"arrived": "yes", "by": name}


def _waiver(written: str) -> Waiver:
    """Read "speed=the wall is opened in autumn, R. Marsh"."""
    from netaudit.audit.acceptance.certificate import Waiver
    from netaudit.errors import OutOfRange

    check, equals, rest = written.partition("=")
    reason, comma, name = rest.rpartition(",")
    if not (equals and comma and check.strip() and reason.strip() and name.strip()):
        raise OutOfRange(f'--waive "{written}": write "CHECK=reason, name"')
    return Waiver(check.strip(), reason.strip(), name.strip())


def _waivers_in(path: str | None) -> list[Waiver]:
    """Read the tables [waiver.NAME] of a file."""
    import tomllib

    from netaudit.audit.acceptance.certificate import Waiver
    from netaudit.cli.evidence_input import read_text
    from netaudit.errors import OutOfRange

    if path is None:
        return []
    try:
        tables = tomllib.loads(read_text(path)).get("waiver", {})
    except tomllib.TOMLDecodeError as error:
        raise OutOfRange(f"{path}: {error}") from error
    found = []
    for name, table in tables.items() if isinstance(tables, dict) else ():
        fields = table if isinstance(table, dict) else {}
        if set(fields) != {"check", "reason", "name"} or not all(isinstance(one, str) for one in fields.values()):
            raise OutOfRange(f"{path}: [waiver.{name}] has check, reason and name, all of them texts, and nothing else")
        found.append(Waiver(**fields))
    return found


def _verify(args: argparse.Namespace, site: Site, plan_sha256: str) -> int:
    """Say whether a certificate follows from this plan and the evidence beside it."""
    from pathlib import Path

    from netaudit.audit.acceptance.certificate import read_certificate, verify
    from netaudit.cli.evidence_input import read_text

    certificate = read_certificate(read_text(args.verify), args.verify)
    beside = args.evidence or str(Path(args.verify).with_name(EVIDENCE))
    wrong = verify(certificate, site, plan_sha256, read_text(beside))
    if args.json:
        print_json({"holds": not wrong, "wrong": wrong})
    else:
        for said in wrong:
            print(said)
        if not wrong:
            print(f"the certificate holds: plan, evidence ({beside}) and result belong together")
    return 1 if wrong else 0


def _keep(site: str, path: str, text: str) -> None:
    from datetime import UTC, datetime

    from netaudit.store.store import Store

    now = datetime.now(UTC)
    with Store.open(path, site=site, clock=lambda: now) as store:
        store.save_certificate(text, now)


def _print(certificate: Certificate, site: Site, files: list[str]) -> None:
    """Print each check in a line, what to mend, and where all of it stands."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from netaudit.audit.acceptance.check import ORDER, Outcome
    from netaudit.cli.output import console
    from netaudit.publish.certificate import sentence, where
    from netaudit.publish.text import harmless

    out = console()
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("check")
    table.add_column("result", no_wrap=True)
    table.add_column("places")
    for result in certificate.results:
        counted = ", ".join(f"{count} {one.value}" for one in ORDER if (count := result.count(one)))
        table.add_row(Text(f"{result.key}: {result.question}"), Text(result.outcome.value), Text(counted))
    out.print(table)
    mend = list(certificate.items(Outcome.FAILED))
    if mend:
        out.print("To mend:")
    for number, (result, item) in enumerate(mend, 1):
        line = f"{number}. {where(item.place, site)} ({result.key}): {harmless(item.evidence, 300)}. {item.cure}"
        out.print(line, markup=False)
    out.print(sentence(certificate), markup=False)
    for path in files:
        print(f"wrote {path}")
