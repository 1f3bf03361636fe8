"""Without the right to raw sockets the program says so, how it is given, and what works without."""

from __future__ import annotations

import sys
import textwrap
from typing import TYPE_CHECKING

from netaudit.observe.rights import WITHOUT_RAW, may_look

if TYPE_CHECKING:
    from tests.lab.lan import Lab

WITHOUT = ("setpriv", "--bounding-set=-net_raw", "--")
TRY = textwrap.dedent(
    """
    import asyncio
    from ipaddress import IPv4Network
    from netaudit.errors import LookError
    from netaudit.observe.rights import may_look
    from netaudit.observe.sweep import sweep
    print(may_look())
    try:
        asyncio.run(sweep("seg0", IPv4Network("192.0.2.0/30"), segment="hall", timeout_s=0.05, retries=0))
        print("swept")
    except LookError as error:
        print(error)
    """
)


def test_with_the_right_everything_opens(lab: Lab) -> None:
    """In the lab's namespace we hold CAP_NET_RAW: raw sockets open."""
    assert lab.call(may_look) is True


def test_without_the_right_the_sweep_says_what_is_missing_and_what_works(lab: Lab) -> None:
    """A process whose capability was taken away gets one line, not a traceback."""
    lab.segment([], own=["192.0.2.1/24"])
    assert lab.run([sys.executable, "-c", TRY]).stdout.splitlines() == ["True", "swept"]
    assert lab.run([*WITHOUT, sys.executable, "-c", TRY]).stdout.splitlines() == ["False", WITHOUT_RAW]
    assert "CAP_NET_RAW" in WITHOUT_RAW
    assert "--ambient-caps +net_raw" in WITHOUT_RAW
