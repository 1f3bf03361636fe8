"""Opening a capture, whichever format it has: classic or block-structured, plain or gzip, file or pipe."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING

from netaudit.errors import CaptureError
from netaudit.wire import pcap, pcapng
from netaudit.wire.pcap import PcapReader, PcapWriter
from netaudit.wire.pcapng import PcapngReader
from netaudit.wire.record import Intake, Interface, Record

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["Interface", "PcapReader", "PcapWriter", "PcapngReader", "Record", "open_capture"]


def open_capture(stream: IO[bytes], on_chunk: Callable[[], None] | None = None) -> PcapReader | PcapngReader:
    """
    Find out what `stream` holds and give its reader: iterate over it for the records, then ask `cut` and `names`.

    Memory stays bounded whatever the file's size; `on_chunk` is called after each chunk read. The stream stays
    open: closing is the caller's.

    Raises:    CaptureError: it is empty, is no capture, or its header can't be read.
    """
    intake = Intake(stream, on_chunk)
    head = intake.at_least(b"", 4)
    if head[:4] in pcap.MAGICS:
        return PcapReader(intake, head)
    if head[:4] == pcapng.SECTION:
        return PcapngReader(intake, head)
    if intake.fault is not None:
        raise CaptureError(f"{intake.fault}; give a capture file in pcap or pcapng format")
    if not head:
        raise CaptureError("it is empty; give a capture file in pcap or pcapng format")
    raise CaptureError(f"it starts with {head[:4].hex(' ')}, which is neither pcap nor pcapng, plain or gzip")
