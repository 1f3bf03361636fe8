"""`netaudit demo`: the whole job on an invented site."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.cli.output import print_json
from netaudit.site.counted import counted

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from rich.progress import Progress


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "demo",
        description="Run the whole job on an invented site: plan, ledger, drawings, captures, a simulated fortnight, "
        "audit, report. Needs no rights, sends nothing, writes only under one folder.",
        epilog="example: netaudit demo --out demo-output",
    )
    parser.add_argument("--out", metavar="FOLDER", default="demo-output", help="where to write (demo-output)")
    parser.add_argument("--json", action="store_true", help="print what was made as one JSON document")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Run the job with a progress bar on a terminal, a line a step elsewhere; end by naming what to open."""
    from pathlib import Path

    from netaudit.demo.job import run_job

    with _progress() as progress:
        outcome = run_job(Path(args.out), _teller(progress))
    if args.json:
        print_json({"files": {what: str(path) for what, path in outcome.files}, "outcome": outcome})
        return 0
    print(f"planned: {outcome.devices_planned} devices, {outcome.lines} ledger lines")
    print(f"heard in its captures: {outcome.devices_heard} devices in {outcome.frames:,} frames")
    print(f"kept of a fortnight: {outcome.samples:,} observations")
    print(f"found: {counted(outcome.opened, 'finding')}, of which {outcome.open_now} still open")
    print("Open:")
    for what, path in outcome.files:
        print(f"  {path}  {what}")
    return 0


def _progress() -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        disable=not Console(stderr=True).is_terminal,
    )


def _teller(progress: Progress) -> Callable[[str, float | None], None]:
    import sys

    tasks: dict[str, int] = {}
    last = ""

    def tell(step: str, share: float | None) -> None:
        nonlocal last
        if progress.disable:
            if step != last:
                sys.stderr.write(f"{step} ...\n")
                last = step
            return
        if step not in tasks:
            for done in tasks.values():
                progress.update(progress.task_ids[done], completed=1.0)
            tasks[step] = len(progress.task_ids)
            progress.add_task(step, total=1.0)
        progress.update(progress.task_ids[tasks[step]], completed=share or 0.0)

    return tell
