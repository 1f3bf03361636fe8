"""
Radios by ear: what access points say in beacons and probe responses, the plan's own and the neighbours'.

Listening only. The radio must be in monitor mode already and hears the channel that it was put on; a capture file may come from
one that changes channels. An access point's stations and busy share are what it announces itself (BSS Load): many don't.
"""

from __future__ import annotations

import asyncio
import fcntl
import socket
import struct
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final, Literal

from netaudit.errors import CaptureError, LookError
from netaudit.observe.observation import Health, Notice, Sample
from netaudit.wire import bpf, link
from netaudit.wire.capture import open_capture
from netaudit.wire.dot11 import Dot11, decode_dot11
from netaudit.wire.live import LiveSocket
from netaudit.wire.ppi import decode_ppi
from netaudit.wire.radiotap import decode_radiotap
from netaudit.wire.record import Interface

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from netaudit.observe.observation import Observation

Band = Literal["2.4", "5", "6"]

# In a block of flats some hundred networks are heard at once; more are being made up.
MOST_NETWORKS: Final = 512
# Each is told by name at most this often over all channels; the counts per channel hold all.
MOST_TOLD: Final = 128
# What a file may bring at one look: ten minutes of a busy channel (some 2,000 frames a second).
MOST_RECORDS: Final = 1_200_000
# linux/if_arp.h and linux/sockios.h: a radio in monitor mode, bare or with radiotap, and the question for it.
_ARPHRD_DOT11, _ARPHRD_RADIOTAP, _SIOCGIFHWADDR = 801, 803, 0x8927


@dataclass(slots=True)
class _Network:
    """One BSSID as last heard."""

    at_ns: int
    band: Band
    channel: int
    name: str
    signal_dbm: int | None = None
    load: tuple[int, float] | None = None
    load_at_ns: int = 0


@dataclass(slots=True)
class Air:
    """What was heard of beacons and probe responses; `frames` counts them, `crowded` those of networks without room."""

    networks: dict[str, _Network] = field(default_factory=dict)
    frames: int = 0
    crowded: int = 0

    def hear(self, data: bytes, length: int, at_ns: int, interface: Interface) -> None:
        """Take in one captured frame; whatever is no sound beacon or probe response is passed over. Never raises."""
        heard = _decode(data, length, interface)
        if heard is None:
            return
        frame, signal_dbm, channel_mhz = heard
        channel = frame.channel
        # A damaged frame may say anything.
        if frame.damaged or frame.bssid is None or channel is None:
            return
        self.frames += 1
        known = self.networks.get(frame.bssid)
        if known is None and len(self.networks) >= MOST_NETWORKS:
            self.crowded += 1
            return
        band = band_of(channel, channel_mhz)
        if known is None:
            known = self.networks[frame.bssid] = _Network(at_ns, band, channel, "")
        known.at_ns, known.band, known.channel = at_ns, band, channel
        known.name = frame.ssid or known.name
        known.signal_dbm = signal_dbm if signal_dbm is not None else known.signal_dbm
        if frame.bss_load is not None:
            known.load, known.load_at_ns = (frame.bss_load.stations, frame.bss_load.busy_share), at_ns


def _decode(data: bytes, length: int, interface: Interface) -> tuple[Dot11, int | None, int | None] | None:
    """Read a frame behind its header: it, the level [dBm] and the frequency [MHz] of its reception."""
    start, fcs, signal_dbm, channel_mhz = 0, interface.fcs, None, None
    if interface.linktype == link.RADIOTAP:
        header = decode_radiotap(data)
        if header is None or header.bad_fcs:
            return None
        start, fcs = header.length, header.fcs_at_end
        signal_dbm, channel_mhz = header.signal_dbm, header.channel_mhz
    elif interface.linktype == link.PPI:
        info = decode_ppi(data)
        if info is None or info.linktype != link.BARE_DOT11 or info.bad_fcs:
            return None
        start, fcs = info.length, info.fcs_at_end
    elif interface.linktype != link.BARE_DOT11:
        return None
    # Of a busy channel's frames few are these two: management (0), subtypes beacon (8) and probe response (5).
    if len(data) <= start or data[start] not in (0x80, 0x50):
        return None
    frame = decode_dot11(data[start:], False if len(data) < length else fcs)
    return None if frame is None else (frame, signal_dbm, channel_mhz)


def band_of(channel: int, channel_mhz: int | None) -> Band:
    """
    Give the band by the frequency of reception; by the channel's number where that isn't known, which can't tell 6 GHz.

    Source:    IEEE 802.11-2020, Annex E (channels 1 to 14 start at 2,407 MHz) and 802.11ax-2021 (5,950 MHz), from memory.
    """
    if channel_mhz is not None:
        return "2.4" if channel_mhz < 3000 else "5" if channel_mhz < 5930 else "6"
    return "2.4" if channel <= 14 else "5"


def observations(air: Air, own: Mapping[str, str]) -> tuple[Observation, ...]:
    """
    Tell what was heard: each radio of the plan by its own words, and the neighbours by channel. Pure.

    Args:      own: BSSID -> access point of the plan.
    """
    told: list[Observation] = []
    neighbours: dict[str, list[tuple[str, _Network]]] = {}
    # Several BSSIDs of one radio repeat its load: the latest word counts, and none is added to another.
    radios: dict[str, _Network] = {}
    for bssid, one in sorted(air.networks.items()):
        point = own.get(bssid)
        if point is None:
            neighbours.setdefault(f"channel:{one.band}/{one.channel}", []).append((bssid, one))
            continue
        place = f"radio:{point}/{one.band}"
        before = radios.get(place)
        if before is None or (one.load_at_ns, one.at_ns) > (before.load_at_ns, before.at_ns):
            radios[place] = one
    for place, one in radios.items():
        told.append(Sample(_utc(one.at_ns), place, "channel", one.channel))
        if one.signal_dbm is not None:
            told.append(Sample(_utc(one.at_ns), place, "signal_dbm", one.signal_dbm))
        if one.load is not None:
            stations, busy_share = one.load
            told.append(Sample(_utc(one.load_at_ns), place, "stations", stations))
            told.append(Sample(_utc(one.load_at_ns), place, "busy_share", busy_share))
    left = MOST_TOLD
    for place, listed in neighbours.items():
        at_ns = max(one.at_ns for _, one in listed)
        told.append(Sample(_utc(at_ns), place, "neighbour_networks", len(listed)))
        levels = [one.signal_dbm for _, one in listed if one.signal_dbm is not None]
        if levels:
            told.append(Sample(_utc(at_ns), place, "neighbour_signal_dbm", max(levels)))
        for bssid, one in listed[:left]:
            detail = (("bssid", bssid), ("name", one.name))
            told.append(Notice(_utc(one.at_ns), place, "neighbour_network", detail))
        left = max(0, left - len(listed))
    return tuple(told)


class Ear:
    """
    One radio that listens, or one capture file that grows.

    Args:      source: its name for the health; own: BSSID -> access point of the plan; listen_s: how long each time.
    """

    def __init__(
        self,
        source: str,
        own: Mapping[str, str],
        *,
        interface: str | None = None,
        file: Path | None = None,
        listen_s: float = 10.0,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._source = source
        self._own = own
        self._interface = interface
        self._file = file
        self._listen_s = listen_s
        self._now = now
        self._read_to_ns = -1

    async def look(self) -> tuple[Observation, ...]:
        """
        Listen once, or read what the file has got since the last time; the last observation is the health.

        Raises:    LookError: the interface or file can't be listened to.
        """
        reason = ""
        if self._interface is not None:
            air = await self._listen(self._interface)
            if not air.frames:
                reason = (
                    f"{self._interface} heard no beacon in {self._listen_s:g} s: is it on a channel that is in use?"
                )
        elif self._file is not None:
            air = await asyncio.to_thread(self._read, self._file)
        else:
            raise LookError(f"{self._source} has nothing to listen to: write interface or file")
        if air.crowded:
            reason = f"more than {MOST_NETWORKS} networks are heard: somebody makes them up"
        return (*observations(air, self._own), Health(self._now(), self._source, good=not reason, reason=reason))

    async def _listen(self, interface: str) -> Air:
        air = Air()
        hears = Interface(_monitor_linktype(interface), interface)
        everything = bpf.Assembler()
        everything.emit(bpf.RETURN, 0xFFFF)
        loop = asyncio.get_running_loop()
        trouble: list[LookError] = []
        with LiveSocket(interface, everything.assemble()) as sock:

            def hear() -> None:
                try:
                    for at_ns, length, data, _ in sock.receive():
                        air.hear(data, length, at_ns, hears)
                except LookError as error:
                    trouble.append(error)

            loop.add_reader(sock, hear)
            try:
                await asyncio.sleep(self._listen_s)
            finally:
                loop.remove_reader(sock)
        if trouble:
            raise trouble[-1]
        return air

    def _read(self, file: Path) -> Air:
        air = Air()
        newest_ns = self._read_to_ns
        try:
            with file.open("rb") as stream:
                for number, (at_ns, length, data, interface) in enumerate(open_capture(stream)):
                    if number >= MOST_RECORDS:
                        raise LookError(f"{file} has more than {MOST_RECORDS} records: begin a new file now and then")
                    if at_ns > self._read_to_ns:
                        newest_ns = max(newest_ns, at_ns)
                        air.hear(data, length, at_ns, interface)
        except OSError as error:
            if isinstance(error, LookError):
                raise
            raise LookError(f"{file}: {error.strerror or error}") from error
        except CaptureError as error:
            raise LookError(f"{file}: {error}") from error
        self._read_to_ns = newest_ns
        return air


def _monitor_linktype(interface: str) -> int:
    """
    Ask the kernel what an interface hears.

    Raises:    LookError: there is no such interface, or it is not in monitor mode.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            answer = fcntl.ioctl(sock, _SIOCGIFHWADDR, struct.pack("@16s24x", interface.encode()))
        except OSError as error:
            raise LookError(
                f"interface {interface}: {error.strerror or error}; `ip link` lists what there is"
            ) from error
    (kind,) = struct.unpack_from("@16xH", answer)
    if kind == _ARPHRD_RADIOTAP:
        return link.RADIOTAP
    if kind == _ARPHRD_DOT11:
        return link.BARE_DOT11
    raise LookError(f"interface {interface} is not in monitor mode: put it there first, on the channel to listen to")


def _utc(at_ns: int) -> datetime:
    return datetime.fromtimestamp(at_ns / 1e9, UTC)
