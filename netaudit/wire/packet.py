"""What every packet socket of the kernel needs: it is opened with its filter in place, and tells when a frame came."""

from __future__ import annotations

import ctypes
import socket
import struct
from typing import TYPE_CHECKING

from netaudit.errors import LookError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

# Numbers of the Linux headers that Python's socket module doesn't have: if_packet.h and asm-generic/socket.h.
SOL_PACKET = 263
SO_TIMESTAMPNS = 35
_PACKET_ADD_MEMBERSHIP = 1
_PACKET_STATISTICS = 6
_PACKET_MR_ALLMULTI = 2
_SO_ATTACH_FILTER = 26
_SO_RCVBUFFORCE = 33
_INSTRUCTION_BYTES = 8
_STAMP = struct.Struct("@ll")
STAMP_SPACE = socket.CMSG_SPACE(_STAMP.size)


def open_packet_socket(
    interface: str,
    ethertype: int,
    *,
    buffer_bytes: int,
    accept: bytes | None,
    all_multicast: bool,
    options: Iterable[tuple[int, int]] = (),
) -> socket.socket:
    """
    Open a socket that never waits, and whose frames carry the kernel's stamp of their arrival.

    Args:      ethertype: what is received; buffer_bytes: room for frames that wait (without CAP_NET_ADMIN the system's
               limit holds); accept: a filter as `bpf` assembles it, None for all of that EtherType; all_multicast: also
               hear groups that this machine didn't join; options: more of the packet level, as (number, value).
    Raises:    PermissionError: no CAP_NET_RAW. LookError: no such interface, or it is down.
    """
    # Protocol 0 receives nothing: all is in place before the first frame can be.
    sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
    try:
        sock.settimeout(0)
        try:
            sock.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, buffer_bytes)
        except PermissionError:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer_bytes)
        sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        for number, value in options:
            sock.setsockopt(SOL_PACKET, number, value)
        if accept is not None:
            code = ctypes.create_string_buffer(accept, len(accept))
            head = struct.pack("@HP", len(accept) // _INSTRUCTION_BYTES, ctypes.addressof(code))
            sock.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, head)
        sock.bind((interface, ethertype))
        if all_multicast:
            group = struct.pack("@iHH8s", socket.if_nametoindex(interface), _PACKET_MR_ALLMULTI, 0, bytes(8))
            sock.setsockopt(SOL_PACKET, _PACKET_ADD_MEMBERSHIP, group)
    except OSError as error:
        sock.close()
        raise no_interface(interface, error) from error
    return sock


def no_interface(interface: str, error: OSError) -> LookError:
    """Give the words for what the kernel says of an interface that it can't open."""
    return LookError(f"interface {interface}: {error.strerror or error}; `ip link` lists what there is")


def stamp_of(ancillary: Sequence[tuple[int, int, bytes]]) -> int | None:
    """Give the kernel's receive stamp out of the ancillary data [ns since the epoch]; None if there is none."""
    for level, kind, data in ancillary:
        if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS and len(data) >= _STAMP.size:
            seconds, nanoseconds = _STAMP.unpack_from(data)
            return int(seconds) * 1_000_000_000 + int(nanoseconds)
    return None


def drops_of(sock: socket.socket) -> int:
    """Give how many frames the kernel had no room for since the last call."""
    _, dropped = struct.unpack("@II", sock.getsockopt(SOL_PACKET, _PACKET_STATISTICS, 8))
    return int(dropped)
