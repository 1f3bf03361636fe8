"""Without the right to raw sockets the program says so and says what still works."""

from __future__ import annotations

import sys
import textwrap
from typing import TYPE_CHECKING

import pytest

from netaudit.errors import LookError
from netaudit.observe.rights import Rights, need_raw, own_rights

if TYPE_CHECKING:
    from tests.lab.lan import Lab

WITHOUT = ("setpriv", "--bounding-set=-net_raw", "--")
TRY = textwrap.dedent(
    """
    import asyncio, sys
    from ipaddress import IPv4Network
    from netaudit.errors import LookError
    from netaudit.observe.rights import own_rights
    from netaudit.observe.sweep import sweep
    if len(sys.argv) > 1:
        with open("/proc/sys/net/ipv4/ping_group_range", "w") as groups:
            groups.write(sys.argv[1])
    rights = own_rights()
    print(rights.raw, rights.ping)
    try:
        asyncio.run(sweep("seg0", IPv4Network("192.0.2.0/30"), segment="hall", timeout_s=0.05, retries=0))
        print("swept")
    except LookError as error:
        print(error)
    """
)


def test_with_the_right_everything_opens(lab: Lab) -> None:
    """In the lab's namespace we hold CAP_NET_RAW: raw sockets open and nothing is missing."""
    assert lab.call(own_rights).raw is True
    assert lab.call(own_rights).missing == ""


def test_without_the_right_the_sweep_says_what_is_missing_and_what_works(lab: Lab) -> None:
    """A process whose capability was taken away gets one line, not a traceback."""
    lab.segment([], own=["192.0.2.1/24"])
    with_it = lab.run([sys.executable, "-c", TRY]).stdout.splitlines()
    assert with_it[1:] == ["swept"]
    # A new network namespace allows the ping socket to nobody; then to group 0, which is ours in there.
    rights, said = lab.run([*WITHOUT, sys.executable, "-c", TRY]).stdout.splitlines()
    assert rights == "False False"
    assert "net.ipv4.ping_group_range" in said
    rights, said = lab.run([*WITHOUT, sys.executable, "-c", TRY, "0 0"]).stdout.splitlines()
    assert rights == "False True"
    assert "CAP_NET_RAW" in said
    assert "ping socket" in said
    assert "ping_group_range" not in said


def test_missing_rights_are_an_error_with_the_same_words() -> None:
    """What is missing and what is raised are one text."""
    poor = Rights(raw=False, ping=True)
    with pytest.raises(LookError) as caught:
        need_raw(poor)
    assert str(caught.value) == poor.missing
    assert "\n" not in poor.missing
