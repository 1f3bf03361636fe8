"""
Frames as they arrive: a packet socket of the kernel with its filter in place before the first frame can be.

Needs CAP_NET_RAW and nothing else. Linux only.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import socket
import struct
from typing import TYPE_CHECKING, Self

from netaudit.errors import LookError
from netaudit.wire.link import ETHERNET
from netaudit.wire.record import Interface, Record

if TYPE_CHECKING:
    from collections.abc import Sequence

# Numbers of the Linux headers that Python's socket module doesn't have: if_packet.h and asm-generic/socket.h.
_SOL_PACKET = 263
_PACKET_ADD_MEMBERSHIP = 1
_PACKET_STATISTICS = 6
_PACKET_AUXDATA = 8
_PACKET_IGNORE_OUTGOING = 23
_PACKET_MR_ALLMULTI = 2
_SO_ATTACH_FILTER = 26
_SO_RCVBUFFORCE = 33
_SO_TIMESTAMPNS = 35
_ETH_P_ALL = 3
_SIOCGIFFLAGS = 0x8913
_IFF_UP = 0x1
_IFF_RUNNING = 0x40
_INSTRUCTION_SIZE = 8

_STAMP = struct.Struct("@ll")
# struct tpacket_auxdata: status, length on the wire, length captured, two offsets, VLAN tag, its EtherType.
_AUXDATA = struct.Struct("@IIIHHHH")
_VLAN_VALID = 0x10
_VLAN_TPID_VALID = 0x40
_TAG = 0x8100
_ANCILLARY = socket.CMSG_SPACE(_STAMP.size) + socket.CMSG_SPACE(_AUXDATA.size)

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
            # Protocol 0 receives nothing yet: the filter is attached before the socket is bound.
            self._socket = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
        except PermissionError as error:
            raise LookError(
                f"listening on {interface} needs CAP_NET_RAW: start netaudit by its service unit, or as root"
            ) from error
        try:
            self._prepare(interface, program)
        except OSError as error:
            self._socket.close()
            raise LookError(
                f"interface {interface}: {error.strerror or error}; `ip link` lists what there is"
            ) from error

    def _prepare(self, interface: str, program: bytes) -> None:
        sock = self._socket
        sock.settimeout(0)
        try:
            sock.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, _BUFFER_BYTES)
        except PermissionError:  # that needs CAP_NET_ADMIN; without it the system's limit holds
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
        sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        sock.setsockopt(_SOL_PACKET, _PACKET_AUXDATA, 1)
        sock.setsockopt(_SOL_PACKET, _PACKET_IGNORE_OUTGOING, 1)
        code = ctypes.create_string_buffer(program, len(program))
        head = struct.pack("@HP", len(program) // _INSTRUCTION_SIZE, ctypes.addressof(code))
        sock.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, head)
        self.index = socket.if_nametoindex(interface)
        sock.bind((interface, _ETH_P_ALL))
        group = struct.pack("@iHH8s", self.index, _PACKET_MR_ALLMULTI, 0, bytes(8))
        sock.setsockopt(_SOL_PACKET, _PACKET_ADD_MEMBERSHIP, group)

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
        _, dropped = struct.unpack("@II", self._socket.getsockopt(_SOL_PACKET, _PACKET_STATISTICS, 8))
        self.drops += dropped
        return self.drops


def _record(frame: bytes, ancillary: Sequence[tuple[int, int, bytes]], interface: Interface) -> Record | None:
    """Join a frame with what the kernel says of it; None without a stamp, which the kernel gives every frame."""
    at_ns: int | None = None
    length = len(frame)
    for level, kind, data in ancillary:
        if level == socket.SOL_SOCKET and kind == _SO_TIMESTAMPNS and len(data) >= _STAMP.size:
            seconds, nanoseconds = _STAMP.unpack_from(data)
            at_ns = seconds * 1_000_000_000 + nanoseconds
        elif level == _SOL_PACKET and kind == _PACKET_AUXDATA and len(data) >= _AUXDATA.size:
            status, wire_length, _, _, _, control, tag = _AUXDATA.unpack_from(data)
            length = max(length, wire_length)
            if status & _VLAN_VALID:
                kind_of_tag = tag if status & _VLAN_TPID_VALID else _TAG
                frame = frame[:12] + struct.pack("!HH", kind_of_tag, control) + frame[12:]
                length += 4
    return None if at_ns is None else (at_ns, length, frame, interface)
