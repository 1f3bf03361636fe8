"""Where the commands of a move get their evidence from: looking, the store, captures."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping, Sequence

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.site.model import Site


class Found(NamedTuple):
    """Evidence, where it is from, what MACs seem to be, the network names heard, and how late it may know of a clash."""

    evidence: Evidence
    source: str
    kinds: Mapping[str, str]
    ssids: Sequence[str]
    late: timedelta = timedelta(0)


def add_span(parser: argparse.ArgumentParser, usual: str) -> None:
    """Offer the choice of source."""
    parser.add_argument("--for", dest="span", default=usual, metavar="TIME", help=f"how long; {usual} when left out")
    parser.add_argument("--store", metavar="PATH", help="take what a watch has kept there, instead of looking")


def seconds_of(written: str) -> float:
    """
    Read a time such as 30m, 30 min or 24h.

    Raises:    OutOfRange: it is none.
    """
    from netaudit.errors import OutOfRange
    from netaudit.site.quantity import parse

    # "30m" would be thirty metres to the plan; here it can only be minutes.
    short = written.strip()
    if short.endswith("m") and short[:-1].strip().replace(".", "", 1).isdigit():
        short = f"{short[:-1]} min"
    try:
        return parse(short, "time [s]")
    except ValueError as error:
        raise OutOfRange(f'--for "{written}" is no time; write one such as 30m, 24h or "2 d"') from error


def from_store(site: Site, path: str, seconds: float) -> Found:
    """
    Take the last stretch of what was kept: up to now, or to when the watch saw somebody last if it ended before that.

    Raises:    StoreError: it is not there or can't be read.
    """
    from datetime import UTC, datetime
    from pathlib import Path

    from netaudit.audit.kept import evidence_from, late_by
    from netaudit.errors import StoreError
    from netaudit.store.store import Store

    if "://" not in path and not Path(path).exists():
        raise StoreError(f'{path}: is not there; let "netaudit run" make it, or leave --store out to look now')
    now = datetime.now(UTC)
    stretch = timedelta(seconds=seconds)
    with Store.open(path, site=site.site.name, clock=lambda: now) as store:
        last = max((one.last_at for one in store.devices(now) if one.last_at is not None), default=now)
        # Moments are kept to the second, and the end of a stretch is no part of it.
        until = last + timedelta(seconds=1) if last < now - stretch else now
        evidence = evidence_from(store, until - stretch, until)
        return Found(evidence, "what a watch has kept", {}, (), late_by(store))


def from_captures(site: Site, files: Sequence[str]) -> Found:
    """
    Take capture files.

    Raises:    CaptureError: one can't be read, or nothing was heard.
    """
    from netaudit.audit.moving.heard import heard_in
    from netaudit.observe.census_document import describe
    from netaudit.observe.census_file import take_census
    from netaudit.observe.census_site import expected

    heard = heard_in(describe(take_census(files), (), expected(site)))
    return Found(heard.evidence, "captures", heard.kinds, heard.ssids)


def by_looking(site: Site, seconds: float) -> Found:
    """
    Look now, until the time is over or Ctrl-C is pressed.

    Raises:    LookError: no segment can be looked at, or without the right to, or nobody was seen.
    """
    import asyncio
    import os

    from netaudit.daemon.collect import collect
    from netaudit.errors import LookError

    look = collect(
        site,
        seconds,
        environ=os.environ,
        until_stopped=True,
        begun=lambda: tell_span(seconds, "Ctrl-C ends it sooner and keeps what was seen by then"),
    )
    evidence = asyncio.run(look)
    if not evidence.sightings:
        raise LookError("nobody was seen: look at this box's cable and at the interfaces and networks of the plan")
    return Found(evidence, "looking", {}, ())


def tell_span(seconds: float, more: str = "") -> None:
    """Say on standard error how long it will look: nobody waits without a word."""
    import sys

    size, unit = (1, "s") if seconds < 120 else (60, "min") if seconds < 7200 else (3600, "h")
    sys.stderr.write(f"looking for {seconds / size:.4g} {unit}{'; ' if more else ''}{more}\n")
    sys.stderr.flush()


def read_text(path: str) -> str:
    """
    Read a document of ours.

    Raises:    CaptureError: it is not there or no text.
    """
    from pathlib import Path

    from netaudit.errors import CaptureError

    try:
        return Path(path).read_text("utf-8")
    except UnicodeDecodeError as error:
        raise CaptureError(f"{path}: is no text, so it is no document of ours") from error
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror or error}") from error
