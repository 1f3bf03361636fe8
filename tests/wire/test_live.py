"""The live socket on a laboratory segment: stamps, tags, losses, and an interface that comes and goes."""

from __future__ import annotations

import contextlib
import select
import socket
import time
from ipaddress import IPv4Address
from typing import TYPE_CHECKING

import pytest

from netaudit.errors import LookError
from netaudit.observe.census_message import PORTS
from netaudit.wire.arp import encode_arp_request
from netaudit.wire.bpf import listening_filter
from netaudit.wire.live import LiveSocket

if TYPE_CHECKING:
    from tests.lab.lan import Lab

MAC = bytes.fromhex("02000000aa01")
HERE, THERE = IPv4Address("192.0.2.5"), IPv4Address("192.0.2.6")
FRAME = encode_arp_request(MAC, HERE, THERE)
# The kernel takes the smallest buffer that it allows for this (SOCK_MIN_RCVBUF), a few frames.
SMALLEST = 1


def listen(interface: str, seconds: float, *, drain: bool = True) -> tuple[list[tuple[int, int, bytes]], int, int]:
    """Hear frames for some seconds; give them, how many the kernel dropped, and the time it began [ns]."""
    began_ns = time.time_ns()
    heard: list[tuple[int, int, bytes]] = []
    with LiveSocket(interface, listening_filter(PORTS)) as sock:
        if not drain:
            sock._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, SMALLEST)
        ends = time.monotonic() + seconds
        while (left := ends - time.monotonic()) > 0:
            if not drain:
                time.sleep(left)
            elif not select.select([sock], [], [], left)[0]:
                break
            heard += [(at_ns, length, frame) for at_ns, length, frame, _ in sock.receive()]
        heard += [(at_ns, length, frame) for at_ns, length, frame, _ in sock.receive()]
        return heard, sock.count_drops(), began_ns


def test_frames_come_whole_with_the_kernels_time(lab: Lab) -> None:
    """Every byte, the length on the wire, and stamps in order between beginning and end."""
    segment = lab.segment()

    def speak() -> None:
        for _ in range(20):
            segment.send(FRAME)

    with lab.later(0.3, speak):
        heard, drops, began_ns = lab.call(listen, segment.interface, 1.5)
    assert [(length, frame) for _, length, frame in heard] == [(len(FRAME), FRAME)] * 20
    stamps = [at_ns for at_ns, _, _ in heard]
    assert stamps == sorted(stamps)
    assert began_ns <= stamps[0] <= stamps[-1] <= time.time_ns()
    assert drops == 0


def test_a_tag_is_where_it_was(lab: Lab) -> None:
    """The kernel takes the outermost tag off and tells it apart; the frame that we get has it in its place again."""
    segment = lab.segment()
    tagged = [FRAME[:12] + bytes.fromhex(tag) + FRAME[12:] for tag in ("8100a07b", "88a80005", "88a800058100000b")]

    def speak() -> None:
        for frame in tagged:
            segment.send(frame)

    with lab.later(0.3, speak):
        heard, _, _ = lab.call(listen, segment.interface, 1.5)
    assert [frame for _, _, frame in heard] == tagged
    assert [length for _, length, _ in heard] == [len(frame) for frame in tagged]


def test_a_long_frame_is_cut_and_its_length_is_told(lab: Lab) -> None:
    """A jumbo frame comes as far as we read frames, with what it had on the wire."""
    segment = lab.segment()
    lab.ip(f"link set {segment.interface} mtu 9000")
    lab.ip("link set lan mtu 9000", pid=segment._child.pid)
    jumbo = FRAME[:12] + b"\x12\x34" + bytes(5000)
    with lab.later(0.3, lambda: segment.send(jumbo)):
        heard, _, _ = lab.call(listen, segment.interface, 1.5)
    assert [(length, len(frame)) for _, length, frame in heard] == [(len(jumbo), 2048)]


def test_what_is_dropped_is_counted(lab: Lab) -> None:
    """With hardly any buffer and nobody reading: frames heard and frames dropped are together all that were sent."""
    segment = lab.segment()

    def speak() -> None:
        for _ in range(300):
            segment.send(FRAME)

    with lab.later(0.2, speak):
        heard, drops, _ = lab.call(listen, segment.interface, 2.5, drain=False)
    assert len(heard) + drops == 300
    assert drops > 0


def test_what_this_machine_sends_itself_is_not_heard(lab: Lab) -> None:
    """A ping that the monitor's kernel sends asks by ARP first: only the answerless segment's silence is heard."""
    segment = lab.segment(own=["192.0.2.1/24"])
    with lab.later(0.3, lambda: lab.run(["ping", "-c", "1", "-W", "1", "192.0.2.9"], check=False)):
        heard, _, _ = lab.call(listen, segment.interface, 1.8)
    assert heard == []


def troubles(interface: str, seconds: float) -> list[str]:
    """Watch what is said of an interface, each change once."""
    said: list[str] = []
    with LiveSocket(interface, listening_filter(PORTS)) as sock:
        ends = time.monotonic() + seconds
        while time.monotonic() < ends:
            with contextlib.suppress(LookError):
                sock.receive()
            trouble = sock.trouble()
            if not said or said[-1] != trouble:
                said.append(trouble)
            time.sleep(0.02)
    return said


def test_the_state_of_the_interface_is_told(lab: Lab) -> None:
    """Up, without link, up, down, gone: each in words."""
    segment = lab.segment()

    def act() -> None:
        for step in (
            segment.cut,
            segment.mend,
            lambda: lab.ip(f"link set {segment.interface} down"),
            lambda: lab.ip(f"link del {segment.interface}"),
        ):
            step()
            time.sleep(1.3)  # the kernel tells of changed links once a second

    with lab.later(1.3, act):
        said = lab.call(troubles, segment.interface, 7.0)
    # A fresh interface may need a moment for its first link, before that.
    assert said[-5:] == ["", "has no link", "", "is down", "is gone"]


def test_without_the_right_to_listen_it_says_what_is_needed(lab: Lab) -> None:
    """No CAP_NET_RAW: one line that names the capability."""
    segment = lab.segment()
    code = (
        "from netaudit.wire.live import LiveSocket; from netaudit.errors import LookError\n"
        f"try: LiveSocket('{segment.interface}', b'')\nexcept LookError as error: print(error)"
    )
    drop = ["setpriv", "--bounding-set=-net_raw", "--inh-caps=-net_raw", "--"]
    done = lab.run([*drop, "setpriv", "--securebits=+noroot", "--", ".venv/bin/python", "-c", code], check=False)
    if done.returncode != 0:
        pytest.skip(f"capabilities can't be dropped here: {done.stderr.strip()[:200]}")
    assert "CAP_NET_RAW" in done.stdout
