"""
Frames as they arrive: a packet socket of the kernel with its filter in place before the first frame can be.

Needs CAP_NET_RAW and nothing else. Linux only.
"""

from __future__ import annotations

import errno
import fcntl
import socket
import struct
from typing import TYPE_CHECKING, Self

from netaudit.errors import LookError
from netaudit.wire.link import ETHERNET
from netaudit.wire.packet import SOL_PACKET, STAMP_SPACE, drops_of, no_interface, open_packet_socket, stamp_of
from netaudit.wire.record import Interface, Record

if TYPE_CHECKING:
    from collections.abc import Sequence

# Numbers of the Linux headers that Python's socket module doesn't have: if_packet.h.
_PACKET_AUXDATA = 8
_PACKET_IGNORE_OUTGOING = 23
_ETH_P_ALL = 3
_SIOCGIFFLAGS = 0x8913
_IFF_UP = 0x1
_IFF_RUNNING = 0x40

# struct tpacket_auxdata: status, length on the wire, length captured, two offsets, VLAN tag, its EtherType.
_AUXDATA = struct.Struct("@IIIHHHH")
_VLAN_VALID = 0x10
_VLAN_TPID_VALID = 0x40
_TAG = 0x8100
_ANCILLARY = STAMP_SPACE + socket.CMSG_SPACE(_AUXDATA.size)

# The longest Ethernet frame with two tags has 1,522 octets before its check sequence; longer ones are jumbo frames,
# whose ends tell nothing that we read.
LONGEST_FRAME = 2048
# The kernel counts some 768 bytes for a short frame (measured in the laboratory): 4 MiB hold about 5,000, which is a
# second of a broadcast storm while this process is busy. Without CAP_NET_ADMIN net.core.rmem_max may allow less.
_BUFFER_BYTES = 4 << 20
# One visit takes at most this many frames, so that a storm can't keep the event loop from everything else.
MOST_AT_ONCE = 512


class LiveSocket:
    """
    The frames of one interface that pass a kernel filter; a context manager. Nothing is ever sent.

    `drops` are frames that the kernel had no room for, since the socket was opened. All groups are heard, also those
    that this machine didn't join, but no conversation of others: the interface is not made promiscuous.

    Args:      interface its name; program a filter as `bpf` assembles it.
    Raises:    LookError: no CAP_NET_RAW, or there is no such interface.
    """

    def __init__(self, interface: str, program: bytes) -> None:
        self.interface = Interface(ETHERNET, interface)
        self.drops = 0
        try:
            # Asked before the socket is bound: if another takes the name in between, `trouble` says that ours is gone.
            self.index = socket.if_nametoindex(interface)
        except OSError as error:
            raise no_interface(interface, error) from error
        try:
            self._socket = open_packet_socket(
                interface,
                _ETH_P_ALL,
                buffer_bytes=_BUFFER_BYTES,
                accept=program,
                all_multicast=True,
                options=((_PACKET_AUXDATA, 1), (_PACKET_IGNORE_OUTGOING, 1)),
            )
        except PermissionError as error:
            raise LookError(
                f"listening on {interface} needs CAP_NET_RAW: start netaudit by its service unit, or as root"
            ) from error

    def __enter__(self) -> Self:
        """Give the socket itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        self.close()

    def fileno(self) -> int:
        """Give the descriptor, for the event loop."""
        return self._socket.fileno()

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()

    def receive(self) -> list[Record]:
        """
        Give the frames that have arrived, some hundred at most, with the kernel's stamp of their arrival.

        A VLAN tag that the kernel took off is put back, so that a live frame reads like one of a file.

        Raises:    LookError: the interface went down, once for each time; it is heard again when it is back up.
        """
        records: list[Record] = []
        for _ in range(MOST_AT_ONCE):
            try:
                frame, ancillary, _, _ = self._socket.recvmsg(LONGEST_FRAME, _ANCILLARY)
            except (BlockingIOError, InterruptedError):
                break
            except OSError as error:
                if records and error.errno == errno.ENETDOWN:
                    break  # it is told again by the state of the interface; what was heard before counts first
                raise LookError(f"interface {self.interface.name}: {error.strerror or error}") from error
            record = _record(frame, ancillary, self.interface)
            if record is not None:
                records.append(record)
        return records

    def trouble(self) -> str:
        """
        Say in some words why nothing can be heard now; empty when all is well.

        After `is gone` the socket is worth nothing any more, whatever comes back under the old name: open a new one.
        After anything else it hears again by itself.
        """
        try:
            index = socket.if_nametoindex(self.interface.name)
        except OSError:
            return "is gone"
        if index != self.index:
            return "is gone"
        request = struct.pack("@16sH22x", self.interface.name.encode(), 0)
        try:
            answer = fcntl.ioctl(self._socket, _SIOCGIFFLAGS, request)
        except OSError as error:
            return f"can't be asked: {error.strerror or error}"
        _, flags = struct.unpack_from("@16sH", answer)
        if not flags & _IFF_UP:
            return "is down"
        return "" if flags & _IFF_RUNNING else "has no link"

    def count_drops(self) -> int:
        """Add up what the kernel dropped since the last call, and give the sum since the socket was opened."""
        self.drops += drops_of(self._socket)
        return self.drops


def _record(frame: bytes, ancillary: Sequence[tuple[int, int, bytes]], interface: Interface) -> Record | None:
    """Join a frame with what the kernel says of it; None without a stamp, which the kernel gives every frame."""
    at_ns = stamp_of(ancillary)
    length = len(frame)
    for level, kind, data in ancillary:
        if level == SOL_PACKET and kind == _PACKET_AUXDATA and len(data) >= _AUXDATA.size:
            status, wire_length, _, _, _, control, tag = _AUXDATA.unpack_from(data)
            length = max(length, wire_length)
            if status & _VLAN_VALID:
                kind_of_tag = tag if status & _VLAN_TPID_VALID else _TAG
                frame = frame[:12] + struct.pack("!HH", kind_of_tag, control) + frame[12:]
                length += 4
    return None if at_ns is None else (at_ns, length, frame, interface)
