"""
One packet socket on one interface: whole frames out, whole frames in, each with the kernel's stamp of its arrival.

The stamp is what makes a round trip exact: it is taken when the frame arrives, however busy this process is then.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import errno
import fcntl
import socket
import struct
from ipaddress import IPv4Address, IPv6Address
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, Self

from netaudit.errors import LookError
from netaudit.observe.pace import SLOT_S
from netaudit.observe.rights import need_raw
from netaudit.wire import bpf
from netaudit.wire.icmp import ECHO_REPLY
from netaudit.wire.ipv4 import ICMP, UDP
from netaudit.wire.ipv6 import ICMPV6
from netaudit.wire.packet import STAMP_SPACE, drops_of, open_packet_socket, stamp_of

if TYPE_CHECKING:
    from collections.abc import Iterator

_SIOCGIFCONF = 0x8912  # include/uapi/linux/sockios.h
_IFREQ_SIZE = 40 if struct.calcsize("P") == 8 else 32
_ETHERNET = 14
_FRAGMENT_OFFSET = 0x1FFF
# The kernel doubles this and counts 832 bytes for a short frame (measured over veth; a card's driver may take some times
# that): 2,500 frames, a second of answers at the quickest pace of a plan. Where sysctl net.core.rmem_max allows less (212,992 is usual,
# from memory) it is still 500, a quarter of a second; frames without room are counted.
_BUFFER_BYTES = 1 << 20
# So the longest that answers are left there before somebody reads them, since their stamps are the kernel's anyway.
HEAR_S = 0.1
# No frame that is read here is longer than an Ethernet frame with tags.
_FRAME_BYTES = 2048
# One visit takes at most this many frames, so that a flood can't keep the loop from everything else.
_MOST_AT_ONCE = 256


def echo_reply_filter(identifier: int) -> bytes:
    """Let through IPv4 echo replies with this identifier that are no later fragments; for sockets of EtherType 0x0800."""
    code = _first_fragment_of(ICMP)
    code.emit(bpf.LOAD_HALF_AT_X, _ETHERNET)
    code.jump(bpf.JUMP_EQUAL, ECHO_REPLY << 8, None, "drop")  # type and code; an echo's code is 0 (RFC 792)
    code.emit(bpf.LOAD_HALF_AT_X, _ETHERNET + 4)
    code.jump(bpf.JUMP_EQUAL, identifier, None, "drop")
    return _closed(code)


def udp_to_port_filter(port: int) -> bytes:
    """Let through IPv4 UDP datagrams to this port that are no later fragments; for sockets of EtherType 0x0800."""
    code = _first_fragment_of(UDP)
    code.emit(bpf.LOAD_HALF_AT_X, _ETHERNET + 2)
    code.jump(bpf.JUMP_EQUAL, port, None, "drop")
    return _closed(code)


def icmpv6_filter() -> bytes:
    """Let through ICMPv6 right behind the IPv6 header, as neighbour messages and echo are; for EtherType 0x86dd."""
    code = bpf.Assembler()
    code.emit(bpf.LOAD_BYTE, _ETHERNET + 6)
    code.jump(bpf.JUMP_EQUAL, ICMPV6, None, "drop")
    return _closed(code)


def _first_fragment_of(protocol: int) -> bpf.Assembler:
    """Begin a program: this protocol, no later fragment, and X points behind the IPv4 header."""
    code = bpf.Assembler()
    code.emit(bpf.LOAD_BYTE, _ETHERNET + 9)
    code.jump(bpf.JUMP_EQUAL, protocol, None, "drop")
    code.emit(bpf.LOAD_HALF, _ETHERNET + 6)
    code.jump(bpf.JUMP_MASK, _FRAGMENT_OFFSET, "drop")
    code.emit(bpf.HEADER_TO_X, _ETHERNET)
    return code


def _closed(code: bpf.Assembler) -> bytes:
    """End a program: what comes here passes whole, what jumped to `drop` doesn't."""
    code.emit(bpf.RETURN, 0xFFFF)
    code.label("drop")
    code.emit(bpf.RETURN, 0)
    return code.assemble()


class SupportsFileno(Protocol):
    """Anything that the event loop can watch."""

    def fileno(self) -> int:
        """Give the descriptor."""
        ...


class PacketSocket:
    """
    Frames of one EtherType on one interface; a context manager.

    Args:      interface: its name; ethertype: what is received; accept: a kernel filter, None for all of that EtherType;
               all_multicast: also hear groups that this machine didn't join.
    Raises:    LookError: no CAP_NET_RAW, or no such interface, or it is down.
    """

    def __init__(
        self,
        interface: str,
        ethertype: int,
        *,
        accept: bytes | None = None,
        all_multicast: bool = False,
    ) -> None:
        need_raw()
        self.interface = interface
        self._socket = open_packet_socket(
            interface, ethertype, buffer_bytes=_BUFFER_BYTES, accept=accept, all_multicast=all_multicast
        )
        self.mac: bytes = self._socket.getsockname()[4]

    def __enter__(self) -> Self:
        """Give the socket itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        self.close()

    def fileno(self) -> int:
        """Give the descriptor, for the event loop."""
        return self._socket.fileno()

    def send(self, frame: bytes | bytearray) -> bool:
        """
        Send one frame; False if the kernel has no room for it just now.

        Raises:    LookError: the interface went down or away.
        """
        try:
            self._socket.send(frame)
        except (BlockingIOError, InterruptedError):
            return False
        except OSError as error:
            if error.errno == errno.ENOBUFS:
                return False
            raise LookError(f"interface {self.interface}: {error.strerror}") from error
        return True

    def receive(self) -> Iterator[tuple[bytes, int]]:
        """
        Give what has arrived, as (frame, arrival [ns since the epoch]); at most some hundred frames a visit.

        What belongs to a VLAN on this wire is left out: it is another segment, and has an interface of its own.
        """
        for _ in range(_MOST_AT_ONCE):
            try:
                frame, ancillary, _, sender = self._socket.recvmsg(_FRAME_BYTES, STAMP_SPACE)
            except OSError:
                # Nothing more, or the interface went down; the second shows at the next send.
                return
            stamp_ns = stamp_of(ancillary)
            # The kernel takes the tag of a VLAN that it has no interface for off the frame, and calls it another host's.
            if stamp_ns is not None and sender[2] != socket.PACKET_OTHERHOST:
                yield frame, stamp_ns

    def drops(self) -> int:
        """Give how many frames the kernel had no room for since the last call."""
        return drops_of(self._socket)

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()


async def until_heard(sock: SupportsFileno, timeout_s: float) -> None:
    """Wait until something can be read, and a slot longer, since more comes in company; `timeout_s` at most."""
    loop, come = asyncio.get_running_loop(), asyncio.Event()
    until_s = loop.time() + timeout_s
    loop.add_reader(sock.fileno(), come.set)
    try:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                await come.wait()
    finally:
        loop.remove_reader(sock.fileno())
    await asyncio.sleep(min(SLOT_S, max(0.0, until_s - loop.time())))


def own_addresses(interface: str) -> list[IPv4Address]:
    """Give the interface's IPv4 addresses, the primary one first; empty if it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        # A machine with more than 1,000 addresses is not the small box that this is for.
        buffer = ctypes.create_string_buffer(1000 * _IFREQ_SIZE)
        filled = fcntl.ioctl(sock.fileno(), _SIOCGIFCONF, struct.pack("iP", len(buffer), ctypes.addressof(buffer)))
        size: int = struct.unpack("iP", filled)[0]
    entries = [buffer.raw[at : at + _IFREQ_SIZE] for at in range(0, size, _IFREQ_SIZE)]
    # The name may carry an alias label (eth0:1); sockaddr_in: family, port, address.
    return [
        IPv4Address(entry[20:24])
        for entry in entries
        if entry[:16].split(b"\0")[0].split(b":")[0].decode() == interface
    ]


def own_addresses6(interface: str, *, table: Path = Path("/proc/net/if_inet6")) -> list[IPv6Address]:
    """Give the interface's IPv6 addresses from the kernel's table; empty without IPv6."""
    try:
        rows = [line.split() for line in table.read_text("ascii").splitlines()]
    except OSError:
        return []
    return [IPv6Address(bytes.fromhex(row[0])) for row in rows if len(row) == 6 and row[5] == interface]
