"""
Cells: what each radio of the plan serves, and what that takes of its channel.

One pass over the device groups; each kind of load is computed once and multiplied, so the work grows with groups, not with
devices.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

from netaudit.capacity.airtime import Category, Channel, Protection, access
from netaudit.capacity.busy import (
    BEACON_PERIOD_S,
    GROUP_PACKET_BYTES,
    NO_LOAD,
    Load,
    beacon_share,
    group_share,
    request_share,
    response_share,
    unicast,
)
from netaudit.capacity.links import stream_packets_per_s
from netaudit.capacity.mimo import Receiver, link_streams
from netaudit.capacity.places import WORD_DBM
from netaudit.capacity.rates import DSSS_RATES_MBPS, OFDM_LADDER, Band, Mode, Phy, rate_bps
from netaudit.capacity.sensitivity import FRAMES_LOST, carried, common_phy, slowest
from netaudit.capacity.visitors import visitors

if TYPE_CHECKING:
    from netaudit.capacity.places import Levels
    from netaudit.site.model import AccessPoint, Device, Profile, Radio, Site
    from netaudit.site.topology import Stations, Topology

# The plan writes PHYs by their short names; 802.11b clients have all four DSSS rates.
_PHYS = {
    "dsss": Phy.HR_DSSS,
    "ofdm": Phy.OFDM,
    "ht": Phy.HT,
    "vht": Phy.VHT,
    "he": Phy.HE,
    "eht": Phy.EHT,
}
_ALL_DSSS_MBPS = tuple(rate for rates in DSSS_RATES_MBPS.values() for rate in rates)
_TXOP_US = access(Category.BEST_EFFORT).txop_us


@dataclass(frozen=True, slots=True)
class Link:
    """How stations that are alike are connected: mode, whether the level is enough for it, load of one, up and down."""

    mode: Mode
    reached: bool
    up: Load
    down: Load


@dataclass(slots=True)
class Cell:
    """
    One radio with what it serves. Filled in one pass, then only read.

    visitors        those of its stations that come and go, on average
    up, down        busy share and turns a second of all its stations' frames
    total, squares  sums of the stations' and the access point's loads and their squares, for counting contenders
    group_frames    broadcasts and multicasts a second in the segments that it announces, whoever sends them
    own_groups      those of them that its own stations send
    unreached       groups whose level is below what any rate needs; they count as sending at the slowest rate
    slowest         group with the slowest mode, and that mode
    """

    name: str
    access_point: str
    radio: Radio
    band: Band
    channel: Channel
    names: int
    group_frames: float
    own_groups: float = 0.0
    stations: float = 0.0
    visitors: float = 0.0
    up: Load = NO_LOAD
    down: Load = NO_LOAD
    total: float = 0.0
    squares: float = 0.0
    receivers: list[Receiver] = field(default_factory=list)
    unreached: list[str] = field(default_factory=list)
    slowest: tuple[str, Mode] | None = None

    @property
    def phy(self) -> Phy:
        """Newest PHY of the radio."""
        return phy_of(self.radio.phy)

    @property
    def width_mhz(self) -> int:
        """Channel width [MHz]."""
        return int(self.radio.width_mhz)

    @property
    def beacons(self) -> float:
        """Busy share of its beacons."""
        return beacon_share(self.names, self.channel)

    @property
    def groups(self) -> float:
        """Busy share of the broadcasts and multicasts that it repeats."""
        return group_share(self.group_frames, self.channel) if self.names else 0.0

    @property
    def sends(self) -> Load:
        """What the access point itself sends: to its stations, beacons, broadcasts."""
        turns_per_s = self.down.turns_per_s
        if self.names:
            turns_per_s += self.names / BEACON_PERIOD_S + self.group_frames
        return Load(self.down.share + self.beacons + self.groups, turns_per_s)

    def responses(self, stations: float) -> float:
        """Busy share of its answers to so many stations that look around."""
        return response_share(stations, self.names, self.channel)

    def requests(self, stations: float) -> float:
        """Busy share of so many stations' probe requests on its channel."""
        return request_share(stations, self.channel)


def phy_of(written: str) -> Phy:
    """Turn the plan's short name into the PHY."""
    return _PHYS[written]


def basic_rates_mbps(band: Band, lowest_bps: float | None) -> tuple[float, ...]:
    """
    Give the basic rates of a radio, lowest first: its lowest basic rate and the mandatory ones above it [Mb/s].

    A lowest rate that the band doesn't have counts as the next one that it has below.
    """
    rates = [*(_ALL_DSSS_MBPS if band is Band.GHZ_2_4 else ()), *map(float, OFDM_LADDER)]
    wanted = (lowest_bps or 0.0) / 1e6
    lowest = max((rate for rate in rates if rate <= wanted), default=min(rates))
    mandatory = (1.0, 2.0, 6.0, 12.0, 24.0) if band is Band.GHZ_2_4 else (6.0, 12.0, 24.0)
    return (lowest, *(rate for rate in mandatory if rate > lowest))


@lru_cache(maxsize=256)  # bands, a handful of lowest rates, with and without an 802.11b client
def _channel(band: Band, lowest_bps: float | None, *, with_dsss: bool) -> Channel:
    protection = Protection.CTS_TO_SELF if with_dsss else Protection.NONE
    return Channel(band, with_dsss, basic_rates_mbps(band, lowest_bps), protection)


def cells(site: Site, topology: Topology, levels: Levels) -> dict[str, Cell]:
    """Build the cell of every radio of a checked plan, by name (`radio:AP/2.4`)."""
    coming = visitors(site)
    group_frames = _group_frames(site, topology)
    for groups in coming.values():
        for group in groups:
            segment = group.device.segment or ""
            sent = group.count * group.profile.group_frames_per_s
            group_frames[segment] = group_frames.get(segment, 0.0) + sent
    announced = tuple(name for name, segment in site.segment.items() if segment.ssid is not None)
    known: dict[tuple[object, ...], Link] = {}
    found: dict[str, Cell] = {}
    for name, point in site.access_point.items():
        segments = announced if point.ssids is None else point.ssids
        frames = sum(group_frames.get(segment, 0.0) for segment in segments)
        for radio in point.radio:
            band = Band(radio.band)
            visiting = coming.get((name, radio.band), ())
            groups = topology.stations[name, radio.band] + visiting
            with_dsss = band is Band.GHZ_2_4 and any(group.profile.phy == "dsss" for group in groups)
            channel = _channel(band, radio.lowest_rate_bps, with_dsss=with_dsss)
            cell = Cell(f"radio:{name}/{radio.band}", name, radio, band, channel, len(segments), frames)
            for group in groups:
                _add(cell, group, _level(levels, point, cell, group.device), known)
            cell.visitors = sum(group.count for group in visiting)
            cell.total += cell.sends.share
            cell.squares += cell.sends.share**2
            found[cell.name] = cell
    return found


def _group_frames(site: Site, topology: Topology) -> dict[str, float]:
    """Broadcast and multicast frames a second of each segment, wired senders included."""
    frames: dict[str, float] = {}
    for name, device in site.device.items():
        segment = topology.segment_of[name]
        frames[segment] = frames.get(segment, 0.0) + device.count * site.profile[device.kind].group_frames_per_s
    return frames


def _level(levels: Levels, point: AccessPoint, cell: Cell, device: Device) -> float:
    """Best knowledge of a device's level: measured, in words, by position, same room, else middling [dBm]."""
    if device.signal_dbm is not None:
        return device.signal_dbm
    if device.distance is not None:
        return WORD_DBM[device.distance]
    placed = levels.at_place(device.at, cell.access_point, cell.band, cell.radio.eirp_dbm)
    if placed is not None:
        return placed
    return WORD_DBM["near" if device.at is not None and device.at == point.at else "mid"]


def _add(cell: Cell, group: Stations, level_dbm: float, known: dict[tuple[object, ...], Link]) -> None:
    device, profile, count = group.device, group.profile, group.count
    whole_dbm = int(level_dbm // 1)  # rates step by decibels; whole ones keep the number of different links small
    key = (
        device.kind,
        device.rate_bps,
        whole_dbm,
        cell.radio.phy,
        cell.radio.streams,
        cell.radio.width_mhz,
        cell.channel,
    )
    if key not in known:
        known[key] = link(cell, device, profile, whole_dbm)
    joined = known[key]
    if not joined.reached:
        cell.unreached.append(group.name)
    cell.stations += count
    cell.own_groups += count * profile.group_frames_per_s
    cell.up = _more(cell.up, joined.up, count)
    cell.down = _more(cell.down, joined.down, count)
    cell.total += count * joined.up.share
    cell.squares += count * joined.up.share**2
    streams = joined.mode.streams
    cell.receivers.append(Receiver(count, joined.down.share, streams, profile.multi_user))
    if cell.slowest is None or rate_bps(joined.mode) < rate_bps(cell.slowest[1]):
        cell.slowest = group.name, joined.mode


def _more(so_far: Load, one: Load, count: float) -> Load:
    return Load(so_far.share + count * one.share, so_far.turns_per_s + count * one.turns_per_s)


def link(cell: Cell, device: Device, profile: Profile, level_dbm: float) -> Link:
    """
    Connect one device: newest common PHY, lesser streams, narrower width.

    Each frame goes in whichever of the modes that the level carries takes least time: for short ones that need not be the
    fastest, because more streams cost a longer preamble. `mode` is the fastest.
    """
    phy = common_phy(cell.phy, phy_of(profile.phy), cell.band)
    streams = link_streams(cell.radio.streams, profile.streams)
    modes = carried(level_dbm, phy, streams, int(min(cell.radio.width_mhz, profile.width_mhz)))
    reached = bool(modes)
    modes = modes or (slowest(phy),)

    def load(frames_per_s: float, packet_bytes: float) -> Load:
        return min(
            unicast(frames_per_s, packet_bytes, mode, cell.channel, txop_us=_TXOP_US, frames_lost=FRAMES_LOST)
            for mode in modes
        )

    frames_up = profile.up.frames_per_s
    if profile.recorded:  # the recorder gets the whole stream; whoever watches from outside gets it once more
        frames_up = stream_packets_per_s(device, profile) * (1 + profile.outside)
    said = load(frames_up, profile.up.frame_bytes)
    # Its broadcasts first go to the access point like any other frame.
    asked = load(profile.group_frames_per_s, GROUP_PACKET_BYTES)
    up = Load(said.share + asked.share, said.turns_per_s + asked.turns_per_s)
    down = load(profile.down.frames_per_s, profile.down.frame_bytes)
    return Link(max(modes, key=rate_bps), reached, up, down)
