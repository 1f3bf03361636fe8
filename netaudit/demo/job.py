"""
The whole job on the invented site: plan, ledger, drawings, captures, a simulated fortnight, audit, report.

Writes only under the folder it is given, and can be run again: what it made before is replaced.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import resources
from typing import TYPE_CHECKING, Final

from netaudit.audit.judge import judge
from netaudit.audit.keep import keep
from netaudit.audit.seen import see, tolerance_of
from netaudit.capacity.ledger import gather
from netaudit.demo.captures import make_captures
from netaudit.demo.cast import make_cast
from netaudit.demo.fortnight import play
from netaudit.errors import NetauditError
from netaudit.observe.census import Census
from netaudit.observe.census_document import describe
from netaudit.observe.census_file import read_capture
from netaudit.observe.census_site import expected
from netaudit.observe.census_sort import FrameSorter
from netaudit.publish.portfolio import portfolio
from netaudit.publish.report import render_report
from netaudit.publish.week import gather_week, week_of
from netaudit.site.load import parse_site
from netaudit.store.store import Store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from netaudit.audit.life import Memory
    from netaudit.capacity.ledger import Ledger
    from netaudit.site.model import Site

# The fortnight ends on a Monday morning before six, so that the last whole week is the one with the events.
ENDS: Final = datetime(2026, 3, 16, 5, 0, tzinfo=UTC)
JUDGE_EVERY: Final = timedelta(minutes=30)
# By this mark in the folder it is known to be ours, and so may be emptied.
MARK: Final = ".netaudit-demo"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the demo made: files by what they are, and figures for the last lines."""

    files: tuple[tuple[str, Path], ...]
    devices_planned: int
    lines: int
    frames: int
    devices_heard: int
    samples: int
    opened: int
    open_now: int


def run_job(folder: Path, tell: Callable[[str, float | None], None]) -> Outcome:
    """
    Do the whole job.

    Args:      folder is made, or emptied when an earlier demo made it; tell(step, share done or None).
    Raises:    NetauditError: the folder holds something else, or can't be written.
    """
    _prepare(folder)
    text = resources.files("netaudit.demo").joinpath("site.toml").read_text("utf-8")
    plan_path = folder / "site.toml"
    plan_path.write_text(text, encoding="utf-8")
    sheets = folder / "equipment.toml"
    sheets.write_text(resources.files("netaudit.demo").joinpath("equipment.toml").read_text("utf-8"), encoding="utf-8")
    tell("reading the plan", None)
    site = parse_site(text, str(plan_path))
    ledger = gather(site)
    tell("drawing it", None)
    drawings = folder / "drawings"
    drawings.mkdir()
    for name, content in portfolio(site, ledger).files.items():
        (drawings / name).write_bytes(content)
    tell("listening to its captures", None)
    frames, heard = _census(site, folder)
    samples, opened = _fortnight(site, ledger, folder, text, tell)
    tell("writing the weekly report", None)
    report, still_open = _report(site, ledger, folder)
    return Outcome(
        files=(
            ("the weekly report", report),
            ("the site, drawn", drawings / "site.svg"),
            ("the cable and patch schedule", drawings / "schedule.html"),
            ("who the captures heard", folder / "census.json"),
            ("the plan, to change and try again", plan_path),
            ("equipment sheets, to choose from", sheets),
            ("what was kept", folder / "site.db"),
        ),
        devices_planned=sum(device.count for device in site.device.values()),
        lines=len(ledger.lines),
        frames=frames,
        devices_heard=heard,
        samples=samples,
        opened=opened,
        open_now=still_open,
    )


def _prepare(folder: Path) -> None:
    """Make the folder, or empty it if it is ours; never touch anything else."""
    try:
        if folder.exists() and any(folder.iterdir()):
            if not (folder / MARK).is_file():
                raise NetauditError(f"{folder} holds something that is not a demo's; name another folder with --out")
            for old in folder.iterdir():
                shutil.rmtree(old) if old.is_dir() else old.unlink()
        folder.mkdir(parents=True, exist_ok=True)
        (folder / MARK).write_text("made by netaudit demo, which empties this folder when it runs again\n")
    except OSError as error:
        raise NetauditError(f"{folder}: {error.strerror or error}; name another folder with --out") from error


def _census(site: Site, folder: Path) -> tuple[int, int]:
    captures = folder / "captures"
    captures.mkdir()
    census = Census()
    sorter = FrameSorter(census)
    files: list[dict[str, object]] = []
    for name, content in make_captures(site).items():
        path = captures / name
        path.write_bytes(content)
        with path.open("rb") as stream:
            read = read_capture(sorter, stream, name)
        files.append({"file": read.file, "frames": read.frames, "snapped": read.snapped, "cut": read.cut, "names": {}})
    sorter.settle()
    document = describe(census, files, expected(site))
    (folder / "census.json").write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    return int(document["frames"]), len(document["devices"])


def _fortnight(
    site: Site, ledger: Ledger, folder: Path, text: str, tell: Callable[[str, float | None], None]
) -> tuple[int, int]:
    """Keep what the simulated collectors say, judging every half hour as the daemon would."""
    begins = ENDS - timedelta(days=14)
    now = begins
    memory: Memory | None = None
    samples = opened = 0
    judged = begins
    with Store.open(folder / "site.db", site=site.site.name, clock=lambda: now, tolerance=tolerance_of(site)) as store:
        store.save_plan(text, begins)
        for moment in play(site, make_cast(site), ends=ENDS):
            now = moment.at
            store.write(moment.observations)
            samples += len(moment.observations)
            if now - judged < JUDGE_EVERY:
                continue
            judged = now
            store.flush(now)
            seen = see(store, site, now)
            judgement = judge(site, ledger, seen, store.open_findings(), now, memory=memory)
            memory = judgement.memory
            keep(store, judgement, now)
            opened += len(judgement.opened)
            if now.hour == 0 and now.minute == 0:
                store.rollup(now)
                store.prune(now)
            tell("living through a fortnight", (now - begins) / (ENDS - begins))
        store.flush(now)
        store.rollup(now)
    return samples, opened


def _report(site: Site, ledger: Ledger, folder: Path) -> tuple[Path, int]:
    # The week that has just ended by the site's clock.
    week = week_of(ENDS - timedelta(days=1), site.site.time_zone)
    with Store.open(folder / "site.db", site=site.site.name, clock=lambda: ENDS) as store:
        data = gather_week(site, ledger, store, week, ENDS)
        still_open = len(store.open_findings())
    path = folder / "report.html"
    path.write_text(render_report(data), encoding="utf-8")
    return path, still_open
