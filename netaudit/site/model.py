"""
The site plan as frozen values: what stands where, what is asked of it, and what it costs.

One field, one row: its name in the file (the alias, where the name inside carries the unit), type, range, default and
description. Loading, error messages and the manual are made from these rows. References between tables are names;
`check.py` proves that they lead somewhere.
"""

from __future__ import annotations

import re
from datetime import time
from ipaddress import IPv4Address, IPv4Network, IPv6Network
from typing import Annotated, Final, Literal, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from netaudit.site.quantity import Energy, Length, Level, Power, Rate, Share, Storage, Temperature, Time, Width

Band = Literal["2.4", "5", "6"]
Phy = Literal["dsss", "ofdm", "ht", "vht", "he", "eht"]
Category = Literal["cat5", "cat5e", "cat6", "cat6a", "cat7", "cat8", "fibre"]
PortPower = Literal["none", "type 1", "type 2", "type 3", "type 4", "passive 24 V"]
Supply = Literal["802.3", "passive 24 V", "mains", "battery"]
Distance = Literal["near", "mid", "far"]
Material = Literal["plasterboard", "wood", "glass", "coated glass", "brick", "concrete", "metal"]
Name = Annotated[str, StringConstraints(pattern=r"^[^\s/:@,=\"']{1,48}$")]
# Two references to one thing must read the same: the kind, a colon, the name; the router is only one and has no name.
Ref = Annotated[str, StringConstraints(pattern=r"^(router|[a-z_]+:[^\s/:@,=\"']{1,48})$")]

# A place of the ledger (`link:wan`, `radio:hall/2.4`) and a kind of sample (`up_bps`), as collectors write them.
Place = Annotated[str, StringConstraints(pattern=r"^(router|[a-z_]+:[^\s,=\"']{1,96})$")]
Word = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,47}$")]
# A host outside and its TCP port: a name or an IPv4 address.
Door = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,250}[A-Za-z0-9])?:[1-9][0-9]{0,4}$")]


def _mac(written: object) -> object:
    return written.lower().replace("-", ":") if isinstance(written, str) else written


Mac = Annotated[str, BeforeValidator(_mac), StringConstraints(pattern=r"^[0-9a-f]{2}(:[0-9a-f]{2}){5}$")]

# What is said to somebody who wrote another form: the pattern -> the words after "must be".
FORMS: Final = {
    r"^[^\s/:@,=\"']{1,48}$": "a name of 1 to 48 characters without spaces, quotes and / : @ , =",
    r"^(router|[a-z_]+:[^\s/:@,=\"']{1,48})$": "the router or a kind and a name, such as switch:attic",
    r"^(router|[a-z_]+:[^\s,=\"']{1,96})$": "a place of the ledger, such as link:wan or radio:hall/2.4",
    r"^[a-z][a-z0-9_]{0,47}$": "a word of small letters, digits and _, such as up_bps",
    r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,250}[A-Za-z0-9])?:[1-9][0-9]{0,4}$": "a host and its port, such as mail.example:443",
    r"^[0-9a-f]{2}(:[0-9a-f]{2}){5}$": "a MAC, such as 00:00:5e:00:53:01",
    r"^[A-Z]{3}$": "a currency by its three capital letters (ISO 4217), such as EUR",
    r"^[^\s/]{1,15}$": "an interface as `ip link` names it, such as eth0",
    r"^https?://[^\s/@]+(/\S*)?$": "an address that begins with http:// or https://, without a user",
    r"^[a-zA-Z_:][a-zA-Z0-9_:]*$": "the name of a series: letters, digits, _ and :",
}


def _variable(written: object) -> object:
    """Refuse what is no variable's name without repeating it: it may be the secret itself."""
    if isinstance(written, str) and re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", written) is None:
        raise ValueError('must be the name of an environment variable, such as "ALERT_URL"; the secret stands in that')
    return written


def _path(written: object) -> object:
    """Refuse an address where a file is meant, without repeating it."""
    if isinstance(written, str) and "://" in written:
        raise ValueError("must name a file of mode 0600 that holds the address; the address stands in no plan")
    return written


def _time_of_day(written: object) -> object:
    if isinstance(written, str):
        if re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", written) is None:
            raise ValueError(f'must be a time of day from "00:00" to "23:59", not {written[:20]!r}')
        return time.fromisoformat(written)
    if isinstance(written, time):
        return written
    raise ValueError('must be a time of day in quotes, such as "22:00"')


VariableName = Annotated[str, BeforeValidator(_variable)]
SecretPath = Annotated[str, BeforeValidator(_path)]
TimeOfDay = Annotated[time, BeforeValidator(_time_of_day)]


class Table(BaseModel):
    """A table of the plan: frozen, and a key that we don't know is an error, not a silent wish."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Header(Table):
    """`[site]`: what holds for the whole site."""

    name: str = Field(min_length=1, max_length=120, description="What people call the place")
    time_zone: str = Field("UTC", description="IANA name of the zone in which dates and times are shown")
    locale: str = Field("en", description="Language and country for numbers and dates, such as en_GB")
    currency: str = Field("EUR", pattern=r"^[A-Z]{3}$", description="ISO 4217 code of all prices")
    growth: Share = Field(
        0.25, ge=0, le=5, description="Margin that every line must still carry (common practice, no source: 25 %)"
    )
    growth_per_year: Share = Field(
        0.08, ge=0, le=2, description="Yearly growth used for the year a line is outgrown (assumption of the plan)"
    )
    floor_height_m: Length = Field(2.7, gt=0, alias="floor_height", description="Height from floor to floor")


class Budget(Table):
    """`[budget]`: money that may be spent."""

    equipment: float | None = Field(None, ge=0, description="Most that equipment and cable may cost, in the currency")


class Ceilings(Table):
    """`[ceilings]`: how far we plan to go; each default is common practice, no source."""

    ports: Share = Field(0.9, gt=0, le=1, description="Of the switch ports: 10 % spare")
    power: Share = Field(0.8, gt=0, le=1, description="Of a power supply's stated watts")
    airtime: Share = Field(0.5, gt=0, le=1, description="Of a radio channel's time")
    stations: Share = Field(0.8, gt=0, le=1, description="Of the stations that a radio can serve")
    addresses: Share = Field(0.8, gt=0, le=1, description="Of an address pool")
    links: Share = Field(0.7, gt=0, le=1, description="Of a link's line rate")
    recorder_link: Share = Field(0.5, gt=0, le=1, description="Of a recorder's link: cameras are a constant load")
    hops: int = Field(3, ge=1, le=20, description="Switches in a row on the way to the router")
    devices_per_segment: int = Field(250, ge=1, le=100_000, description="Devices in one broadcast domain")
    recording: Share = Field(1.0, gt=0, le=1, description="Of the disk space left after its reserve")
    backup_power: Share = Field(0.7, gt=0, le=1, description="Of a backup supply's rated watts")


class Building(Table):
    """`[building.NAME]`: copper between two of them is a hazard."""

    label: str = Field("", description="Name for people")
    floors: int = Field(1, ge=1, le=200, description="Storeys")


class Closet(Table):
    """`[closet.NAME]`: a place where cables end and switches stand."""

    building: Name | None = Field(None, description="Building it stands in; may be left out when there is one")
    floor: int = Field(0, description="Storey, 0 is the ground floor")
    x_m: Length | None = Field(None, alias="x", description="Position on the site's drawing, from its left edge")
    y_m: Length | None = Field(None, alias="y", description="Position on the site's drawing, from its lower edge")
    outdoor: bool = Field(default=False, description="Exposed to weather")
    max_switches: int = Field(3, ge=1, le=100, description="Most switches that fit")
    label: str = Field("", description="Name for people")


class Room(Table):
    """`[room.NAME]`: a place where devices are; a yard is a room that is outdoor."""

    building: Name | None = Field(None, description="Building it is in or beside; may be left out when there is one")
    floor: int = Field(0, description="Storey, 0 is the ground floor")
    closet: Name | None = Field(None, description="Closet to which its cables run")
    x_m: Length | None = Field(
        None, alias="x", description="Left edge on the site's drawing; one origin for all buildings"
    )
    y_m: Length | None = Field(None, alias="y", description="Lower edge on the site's drawing")
    width_m: Length | None = Field(None, gt=0, alias="width", description="Extent to the right")
    depth_m: Length | None = Field(None, gt=0, alias="depth", description="Extent upwards on the drawing")
    outdoor: bool = Field(default=False, description="Exposed to weather")
    label: str = Field("", description="Name for people")


class Wall(Table):
    """`[[wall]]`: a wall that radio must cross, drawn as a line on a floor."""

    building: Name | None = Field(None, description="Building; may be left out when there is one")
    floor: int = Field(0, description="Storey")
    x1_m: Length = Field(alias="x1", description="One end, from the drawing's left edge")
    y1_m: Length = Field(alias="y1", description="One end, from the drawing's lower edge")
    x2_m: Length = Field(alias="x2", description="Other end, from the left edge")
    y2_m: Length = Field(alias="y2", description="Other end, from the lower edge")
    material: Material = Field(
        "plasterboard", description="What it is made of; coated glass keeps the warmth in, and the network out"
    )


class Guests(Table):
    """`[segment.NAME.guests]`: people who come and go."""

    arrivals_per_day: float = Field(ge=0, description="Devices that arrive in a day")
    stay_s: Time = Field(7200.0, gt=0, alias="stay", description="How long one stays")
    identities_per_visit: float = Field(
        1.0, ge=1, description="Addresses that one device takes in a visit; above 1 where MACs are randomised anew"
    )


class Targets(Table):
    """`[segment.NAME.targets]`: what is promised; a LAN's limits are practice, no standard sets them."""

    rtt_p95_s: Time = Field(0.02, gt=0, alias="rtt_p95", description="95th percentile of the echo's round trip")
    jitter_s: Time = Field(0.01, gt=0, alias="jitter", description="RFC 3550 interarrival jitter")
    loss: Share = Field(0.01, ge=0, le=1, description="Share of echoes that may stay unanswered")


class Segment(Table):
    """`[segment.NAME]`: one broadcast domain with its network."""

    network: IPv4Network = Field(description="IPv4 network, such as 10.20.0.0/24")
    vlan: int | None = Field(None, ge=1, le=4094, description="802.1Q VLAN identifier")
    gateway: IPv4Address | None = Field(None, description="Router's address; the network's first when left out")
    pool: tuple[IPv4Address, IPv4Address] | None = Field(
        None, description="First and last address that is leased; the upper half of the network when left out"
    )
    lease_s: Time = Field(86400.0, gt=0, alias="lease", description="Lease time")
    dhcp: bool = Field(
        default=True,
        description="A DHCP server leases addresses here; with `false` all are fixed on purpose, and a server that answers is a stranger",
    )
    ssid: str | None = Field(None, min_length=1, max_length=32, description="Network name on the air, if it has one")
    interface: str | None = Field(
        None, pattern=r"^[^\s/]{1,15}$", description="This box's interface on the segment, needed to look at it"
    )
    may_reach: tuple[Name, ...] = Field((), description="Segments that devices here may open connections to")
    guests: Guests | None = Field(None, description="People who come and go")
    targets: Targets = Field(default_factory=Targets, description="What is promised here")
    network6: IPv6Network | None = Field(
        None, description="IPv6 network of its own, such as fd00:20::/64; with it each sweep asks over IPv6, too"
    )
    label: str = Field("", description="Name for people")


class PortGroup(Table):
    """`[[switch.NAME.ports]]`: ports that are alike."""

    count: int = Field(ge=1, le=1000, description="How many")
    rate_bps: Rate = Field(1e9, gt=0, alias="rate", description="Fastest rate")
    power: PortPower = Field("none", description="What it can feed: IEEE 802.3 type 1 to 4, or an always-on supply")
    medium: Literal["copper", "fibre"] = Field("copper", description="Socket")


def _ports(written: object) -> object:
    if isinstance(written, int) and not isinstance(written, bool):
        return [{"count": written}]
    return written


Ports = Annotated[tuple[PortGroup, ...], BeforeValidator(_ports)]


class Router(Table):
    """`[router]`: the way out, and between segments."""

    closet: Name | None = Field(None, description="Closet; may be left out when there is one")
    ports: Ports = Field((PortGroup(count=4),), min_length=1, description="LAN ports, a number or groups")
    routed_bps: Rate = Field(1e9, gt=0, alias="routed", description="What it forwards between networks, as measured")
    wan_down_bps: Rate = Field(1e8, gt=0, alias="wan_down", description="Way in, as contracted")
    wan_up_bps: Rate = Field(2e7, gt=0, alias="wan_up", description="Way out, as contracted")
    draw_w: Power = Field(12.0, ge=0, alias="draw", description="Own consumption (common practice, no source)")
    mac: tuple[Mac, ...] = Field((), description="Addresses of its LAN side, by which switches know where it is")
    port_names: tuple[str, ...] = Field(
        (),
        description="What it calls its LAN ports when it speaks LLDP, in their order: by that a switch that is asked tells its port",
    )
    price: float = Field(0.0, ge=0, description="Price")
    keep: bool = Field(default=False, description="Already there: is not replaced nor bought")
    label: str = Field("", description="Name for people")


class Snmp(Table):
    """`[switch.NAME.snmp]`: how it is asked. Secrets stay out of the plan: it names the environment variables that hold them."""

    address: IPv4Address = Field(description="Its address, inside a segment of the plan")
    port: int = Field(161, ge=1, le=65535, description="UDP port")
    version: Literal["2c", "3"] = Field("2c", description="SNMP version; 3 with authentication and privacy")
    community_env: VariableName | None = Field(
        None, description="2c: the environment variable that holds the community"
    )
    user: str | None = Field(None, min_length=1, max_length=32, description="3: the user's name")
    auth_env: VariableName | None = Field(
        None, description="3: the environment variable that holds the authentication secret"
    )
    privacy_env: VariableName | None = Field(
        None, description="3: the environment variable that holds the privacy secret"
    )
    authentication: Literal["sha-1", "sha-256", "sha-512"] = Field("sha-256", description="3: method of authentication")
    privacy: Literal["aes-128", "aes-256"] = Field("aes-128", description="3: method of privacy")
    every_s: Time = Field(
        60.0,
        ge=10,
        le=3600,
        alias="every",
        description="How often its counters are read; 30 s or less if it has only 32-bit ones: at 1 Gb/s they go round in 34 s",
    )
    uplink_port: int | None = Field(
        None, ge=1, le=100_000, description="Port that leads to the router; found by the router's MAC when left out"
    )


class Switch(Table):
    """`[switch.NAME]`."""

    closet: Name | None = Field(None, description="Closet; may be left out when there is one")
    ports: Ports = Field((PortGroup(count=8),), min_length=1, description="Ports, a number or groups; uplink included")
    supply_w: Power = Field(0.0, ge=0, alias="supply", description="Watts for all powered ports together")
    uplink: Ref = Field("router", description='Where it is patched to: "router" or "switch:NAME"')
    uplink_rate_bps: Rate = Field(1e9, gt=0, alias="uplink_rate", description="Rate of that link")
    uplink_medium: Literal["copper", "fibre"] = Field("copper", description="Cable of that link")
    uplink_drop: Name | None = Field(None, description="Drop that carries that link, if it is one of the plan's")
    draw_w: Power = Field(10.0, ge=0, alias="draw", description="Own consumption (common practice, no source)")
    snmp: Snmp | None = Field(None, description="How it is asked for its counters; not asked when left out")
    mac: Mac | None = Field(
        None, description="Its own address, by which its neighbours know it (LLDP, forwarding tables)"
    )
    address: IPv4Address | None = Field(None, description="Fixed address; that under snmp when left out")
    segment: Name | None = Field(None, description="Segment of its own address; the one that holds it when left out")
    price: float = Field(0.0, ge=0, description="Price")
    keep: bool = Field(default=False, description="Already there: is not replaced nor bought")
    label: str = Field("", description="Name for people")

    @property
    def own_address(self) -> IPv4Address | None:
        """Where it can be found on the network; None of one that has no address or tells it nowhere."""
        if self.address is None and self.snmp is not None and not self.snmp.address.is_loopback:
            return self.snmp.address
        return self.address


class PowerNeed(Table):
    """How something is fed."""

    supply: Supply = Field("mains", description="802.3 asks before it takes; passive takes what is there")
    power_class: int | None = Field(None, ge=0, le=8, alias="class", description="IEEE 802.3 class")
    second_class: int | None = Field(
        None,
        ge=1,
        le=5,
        description="Class of the second pairset, for a device with two signatures (then class is 1 to 5)",
    )
    draw_w: Power | None = Field(None, ge=0, alias="draw", description="Stated draw at the device")


class Radio(Table):
    """`[[access_point.NAME.radio]]`: one per band."""

    band: Band = Field(description="2.4, 5 or 6 GHz")
    phy: Phy = Field("he", description="Newest 802.11 PHY that it speaks: ht is 11n, vht 11ac, he 11ax, eht 11be")
    streams: int = Field(2, ge=1, le=8, description="Spatial streams")
    width_mhz: Width = Field(20.0, alias="width", description="Channel width: 20, 40, 80, 160 or 320 MHz")
    channel: int | None = Field(None, ge=1, le=233, description="Primary channel; chosen by the plan when left out")
    association_limit: int = Field(
        64, ge=1, le=2007, description="Stations that the equipment admits (common practice, no source: 64)"
    )
    eirp_dbm: Level = Field(20.0, alias="eirp", description="Radiated power; national rules set the most")
    lowest_rate_bps: Rate | None = Field(
        None, gt=0, alias="lowest_rate", description="Lowest basic rate: beacons and broadcasts use it"
    )


DEFAULT_RADIOS = (Radio(band="2.4"), Radio.model_validate({"band": "5", "width": "80 MHz"}))


class AccessPoint(Table):
    """`[access_point.NAME]`."""

    at: Name | None = Field(None, description="Room or closet it hangs in")
    switch: Name | None = Field(
        None, description="Switch that it is patched to; that of the nearest closet if left out"
    )
    drop: Name | None = Field(None, description="Drop that feeds it")
    radio: tuple[Radio, ...] = Field(
        DEFAULT_RADIOS, min_length=1, description="Radios; one 2.4 and one 5 GHz if left out"
    )
    power: PowerNeed = Field(
        PowerNeed.model_validate({"supply": "802.3", "class": 4, "draw": "13 W"}), description="How it is fed"
    )
    rate_bps: Rate = Field(1e9, gt=0, alias="rate", description="Rate of its wired port")
    ssids: tuple[Name, ...] | None = Field(None, description="Segments it announces; all that have an ssid if left out")
    outdoor: bool = Field(default=False, description="Built for weather")
    mac: Mac | None = Field(None, description="Address of its wired port")
    address: IPv4Address | None = Field(None, description="Fixed address")
    segment: Name | None = Field(None, description="Segment of its own address")
    x_m: Length | None = Field(None, alias="x", description="Position; the middle of its room when left out")
    y_m: Length | None = Field(None, alias="y", description="Position; the middle of its room when left out")
    bssids: tuple[Mac, ...] = Field((), description="Addresses that its radios announce, to know it by ear")
    price: float = Field(0.0, ge=0, description="Price")
    keep: bool = Field(default=False, description="Already there: is not replaced nor bought")
    label: str = Field("", description="Name for people")


class Injector(Table):
    """`[injector.NAME]`: power for one device, from its own outlet."""

    feeds: Ref = Field(description="What it feeds: access_point:NAME or device:NAME")
    power: PortPower = Field("type 2", description="What it can feed")
    supply_w: Power = Field(30.0, gt=0, alias="supply", description="Most that it delivers")
    price: float = Field(0.0, ge=0, description="Price")
    label: str = Field("", description="Name for people")


class Drop(Table):
    """`[drop.NAME]`: a fixed cable; both of its ends are written down."""

    starts: Name = Field(description="Closet where it starts")
    ends: Name = Field(description="Room or closet where it ends")
    length_m: Length = Field(20.0, gt=0, alias="length", description="Length as pulled")
    category: Category = Field("cat6", description="Cable category, or fibre")
    gauge_awg: int | None = Field(None, ge=18, le=30, alias="gauge", description="Conductor; by category if left out")
    temperature_c: Temperature = Field(20.0, ge=-40, le=90, alias="temperature", description="Warmest along the way")
    feeds: Ref | None = Field(
        None, description="What it feeds (device:, access_point:, switch:, recorder:); spare if left out"
    )
    rate_bps: Rate | None = Field(
        None, gt=0, alias="rate", description="Rate it must carry; that of what it feeds if left out"
    )
    surge_protected: bool = Field(default=False, description="Copper between buildings with protection at both ends")
    cost_per_m: float = Field(0.0, ge=0, description="Price of a metre")
    label: str = Field("", description="What is written on both ends")


class Device(Table):
    """`[device.NAME]`: one device, or `count` that are alike."""

    kind: Name = Field(description="A profile: one of ours, or one of the plan's")
    count: int = Field(1, ge=1, le=100_000, description="How many")
    segment: Name | None = Field(None, description="Segment; may be left out when there is one")
    at: Name | None = Field(None, description="Room or closet where it is")
    switch: Name | None = Field(None, description="Switch it is patched to, when wired; nearest closet's if left out")
    drop: Name | None = Field(None, description="Drop that feeds it")
    access_points: tuple[Name, ...] = Field((), description="Access points that serve it; by place when left out")
    band: Band | None = Field(None, description="Band it uses; by its profile when left out")
    signal_dbm: Level | None = Field(None, alias="signal", description="Received level, when known")
    distance: Distance | None = Field(
        None, description="near, mid or far from its access point, when no level is known"
    )
    power: PowerNeed | None = Field(None, description="How it is fed; by its profile when left out")
    outdoor: bool | None = Field(None, description="Built for weather; by its profile when left out")
    address: IPv4Address | None = Field(None, description="Fixed address, the first of `count`; leased when left out")
    mac: tuple[Mac, ...] = Field((), description="Addresses by which it is known, one each")
    hostname: str | None = Field(None, max_length=253, description="Name that must resolve to it")
    recorder: Name | None = Field(None, description="Recorder, for a camera; the only one when left out")
    rate_bps: Rate | None = Field(
        None, gt=0, alias="rate", description="Stream or port rate; by its profile if left out"
    )
    needs: str = Field("", description="What it needs when it moves: old network name, re-pairing, a person")
    may_be_absent: bool = Field(default=False, description="Comes and goes; its absence is no fault")
    price: float = Field(0.0, ge=0, description="Price each")
    label: str = Field("", description="Name for people")


class Recorder(Table):
    """`[recorder.NAME]`: keeps what cameras see."""

    closet: Name | None = Field(None, description="Closet; may be left out when there is one")
    switch: Name | None = Field(None, description="Switch it is patched to")
    segment: Name | None = Field(None, description="Segment")
    address: IPv4Address | None = Field(None, description="Fixed address")
    mac: Mac | None = Field(None, description="Address by which it is known")
    disk_bytes: Storage = Field(
        4e12, gt=0, alias="disk", description="One disk, as sold (decimal TB) or as shown (TiB)"
    )
    disks: int = Field(1, ge=1, le=64, description="Disks")
    redundancy: Literal["none", "mirror", "single parity"] = Field("none", description="Redundancy is not a backup")
    reserve: Share = Field(0.1, ge=0, lt=1, description="Space not used for recording (common practice, no source)")
    retention_s: Time = Field(14 * 86400.0, gt=0, alias="retention", description="How long recordings must be kept")
    write_bps: Rate = Field(3.2e8, gt=0, alias="write", description="Most it can record (common practice, no source)")
    rate_bps: Rate = Field(1e9, gt=0, alias="rate", description="Rate of its port")
    draw_w: Power = Field(30.0, ge=0, alias="draw", description="Own consumption (common practice, no source)")
    price: float = Field(0.0, ge=0, description="Price, disks included")
    keep: bool = Field(default=False, description="Already there: is not replaced nor bought")
    label: str = Field("", description="Name for people")


class Backup(Table):
    """`[backup.NAME]`: a battery supply."""

    feeds: tuple[Ref, ...] = Field(min_length=1, description='What it carries: "router", switch:NAME, recorder:NAME')
    energy_wh: Energy = Field(gt=0, alias="energy", description="Battery energy when new")
    rating_w: Power = Field(gt=0, alias="rating", description="Most that it can deliver")
    efficiency: Share = Field(0.85, gt=0, le=1, description="Of its converter (common practice, no source)")
    age_s: Time = Field(0.0, ge=0, alias="age", description="Age of the battery")
    fade_per_year: Share = Field(0.1, ge=0, lt=1, description="Capacity lost a year (common practice, no source)")
    wanted_s: Time = Field(900.0, gt=0, alias="wanted", description="How long it should last (common practice: 15 min)")
    price: float = Field(0.0, ge=0, description="Price")
    label: str = Field("", description="Name for people")


class Traffic(Table):
    """Frames a second and bytes a frame in the busy hour, one direction; bytes count from the network header up."""

    frames_per_s: float = Field(0.0, ge=0, description="Frames a second, the mean of the busy hour")
    frame_bytes: float = Field(100.0, gt=0, le=65535, description="Bytes of one, network header included")

    @property
    def rate_bps(self) -> float:
        """Mean rate [bit/s]."""
        return self.frames_per_s * self.frame_bytes * 8


class Profile(Table):
    """`[profile.NAME]`: a kind of device; ours are in profiles.toml, a plan may add or replace."""

    label: str = Field("", description="Name for people")
    link: Literal["wired", "wifi"] = Field(description="How it is connected")
    bands: tuple[Band, ...] = Field(("2.4",), description="Bands it can use")
    phy: Phy = Field("ht", description="Newest 802.11 PHY that it speaks")
    streams: int = Field(1, ge=1, le=8, description="Spatial streams")
    width_mhz: Width = Field(20.0, alias="width", description="Widest channel it can use")
    multi_user: bool = Field(default=False, description="Can be one of several receivers at once (MU-MIMO)")
    up: Traffic = Field(default_factory=Traffic, description="From the device")
    down: Traffic = Field(default_factory=Traffic, description="To the device")
    outside: Share = Field(1.0, ge=0, le=1, description="Share of its traffic that passes the router")
    group_frames_per_s: float = Field(0.0, ge=0, description="Broadcast and multicast frames it sends a second")
    port_rate_bps: Rate = Field(1e9, gt=0, alias="port_rate", description="Rate of its wired port")
    power: PowerNeed = Field(default_factory=PowerNeed, description="How it is fed")
    outdoor: bool = Field(default=False, description="Built for weather")
    recorded: bool = Field(default=False, description="Its stream goes to a recorder")
    motion: Share = Field(1.0, gt=0, le=1, description="Share of the time that is recorded")
    sleeps: bool = Field(default=False, description="On a battery, asleep most of the time: silence is normal")
    offline_after_s: Time = Field(600.0, gt=0, alias="offline_after", description="Silence after which it is missing")
    basis: str = Field("the site plan", description="Where these numbers are from")


class Looking(Table):
    """`[looking]`: how often and how politely the daemon looks."""

    sweep_every_s: Time = Field(300.0, ge=1, alias="sweep_every", description="ARP sweep of each segment")
    echo_every_s: Time = Field(60.0, ge=1, alias="echo_every", description="Echo to each device")
    gateway_every_s: Time = Field(10.0, ge=1, alias="gateway_every", description="Echo to each gateway")
    pace_per_s: float = Field(200.0, gt=0, le=2000, alias="pace", description="Most frames a second on a segment")
    retries: int = Field(2, ge=0, le=10, description="More questions to those that stay silent")
    opens_after: int = Field(2, ge=1, le=1000, description="Judgements in a row before a finding opens")
    judge_every_s: Time = Field(60.0, ge=1, alias="judge_every", description="How often the ledger is judged")


# 31 years: as good as for ever, and still a moment that every calendar and every key of the store has.
_FOR_EVER_S: Final = 11_574 * 86_400.0


class Keeping(Table):
    """`[keeping]`: how long the box keeps what it saw, in whole days."""

    raw_s: Time = Field(8 * 86400.0, ge=2 * 86400, le=_FOR_EVER_S, alias="raw", description="Samples")
    hourly_s: Time = Field(396 * 86400.0, ge=86400, le=_FOR_EVER_S, alias="hourly", description="Roll-ups of hours")
    daily_s: Time | None = Field(
        None, ge=86400, le=_FOR_EVER_S, alias="daily", description="Roll-ups of days; without it for ever"
    )
    presence_s: Time = Field(
        396 * 86400.0, ge=86400, le=_FOR_EVER_S, alias="presence", description="Who was there when"
    )
    names_s: Time = Field(
        396 * 86400.0, ge=86400, le=_FOR_EVER_S, alias="names", description="Names of devices, after their last use"
    )
    addresses_s: Time = Field(
        396 * 86400.0, ge=86400, le=_FOR_EVER_S, alias="addresses", description="Addresses, after their last use"
    )
    notices_s: Time = Field(
        396 * 86400.0,
        ge=86400,
        le=_FOR_EVER_S,
        alias="notices",
        description="Other words from the wire, after their last use",
    )


class Source(Table):
    """`[source.NAME]`: one number of a metric endpoint (Prometheus text or OpenMetrics)."""

    url: str = Field(
        pattern=r"^https?://[^\s/@]+(/\S*)?$",
        max_length=2000,
        description="Where it is read, with an address inside the plan's networks: http://10.20.0.9:9100/metrics",
    )
    metric: str = Field(pattern=r"^[a-zA-Z_:][a-zA-Z0-9_:]*$", description="Name of the series")
    labels: dict[str, str] = Field(default_factory=dict, description="Labels that the series must have")
    place: Place = Field(description="Place of the ledger that it is about")
    kind: Word = Field(description="Kind of sample that it becomes, such as up_bps")
    scale: float = Field(1.0, description="What it is multiplied with, such as 8 from octets to bits")
    per_second: bool = Field(default=False, description="It is a counter: what counts is its growth a second")
    every_s: Time = Field(60.0, ge=5, le=86_400, alias="every", description="How often it is read")


class Command(Table):
    """`[command.NAME]`: a program of yours that prints observations; run without a shell."""

    run: tuple[str, ...] = Field(min_length=1, description="Program and arguments, the program with its whole path")
    environment: tuple[VariableName, ...] = Field(
        (), description="Environment variables that it gets, beside PATH and LANG"
    )
    timeout_s: Time = Field(30.0, gt=0, le=600, alias="timeout", description="Time after which it is ended")
    every_s: Time = Field(300.0, ge=10, le=86_400, alias="every", description="How often it is run")


class Ear(Table):
    """`[ear.NAME]`: a radio in monitor mode, or a capture that another program writes; listening only."""

    interface: str | None = Field(
        None, pattern=r"^[^\s/]{1,15}$", description="Interface that is in monitor mode already"
    )
    file: str | None = Field(None, min_length=1, description="Capture file that is read anew each time")
    listen_s: Time = Field(10.0, gt=0, le=300, alias="listen", description="How long it listens each time")
    every_s: Time = Field(300.0, ge=10, le=86_400, alias="every", description="How often it listens")


class Services(Table):
    """`[services]`: what the site's devices rely on, tried as they would."""

    resolver: IPv4Address | None = Field(None, description="The site's DNS server; not asked when left out")
    names: tuple[str, ...] = Field((), description="Names that must resolve, beside the hostnames of devices")
    time_server: IPv4Address | None = Field(None, description="The site's NTP server; not asked when left out")
    dhcp: bool = Field(default=True, description="Ask each watched segment who leases addresses, taking none")
    every_s: Time = Field(300.0, ge=10, le=86_400, alias="every", description="How often they are tried")


class Outside(Table):
    """`[outside]`: hosts beyond the router to which a TCP connection shows that the way out works. Only these are tried."""

    hosts: tuple[Door, ...] = Field((), max_length=8, description='Hosts with their ports, such as "host.example:443"')
    every_s: Time = Field(60.0, ge=10, le=86_400, alias="every", description="How often each is tried")


class Isolation(Table):
    """`[isolation]`: hosts and ports at which it is tried whether other segments reach them, against `may_reach`."""

    hosts: tuple[Ref, ...] = Field((), max_length=64, description="device:, recorder: or access_point: with an address")
    ports: tuple[Annotated[int, Field(ge=1, le=65535)], ...] = Field(
        (), max_length=8, description="TCP ports that are tried, beside echo"
    )
    every_s: Time = Field(3600.0, ge=60, le=86_400, alias="every", description="How often it is tried")


class Serving(Table):
    """`[serving]`: where page and metrics are offered."""

    host: str = Field("127.0.0.1", description="Address to listen on; loopback by default")
    names: tuple[str, ...] = Field(
        (), description="Names and addresses, beside loopback, under which a browser may call this box"
    )
    port: int = Field(9817, ge=0, le=65535, description="TCP port; 0 takes a free one and says which")
    token_env: VariableName | None = Field(
        None, description="Environment variable that holds the token for logging in; needed beyond loopback"
    )
    certificate: str | None = Field(None, min_length=1, description="TLS certificate, a PEM file, its chain included")
    key: str | None = Field(None, min_length=1, description="The certificate's private key, a PEM file")
    behind_proxy: bool = Field(default=False, description="A proxy on this box stands before it and does the TLS")


class Alert(Table):
    """`[alert.NAME]`: a channel through which findings are told; its address is a secret and stands elsewhere."""

    url_env: VariableName | None = Field(None, min_length=1, description="Environment variable that holds the address")
    url_file: SecretPath | None = Field(
        None, min_length=1, description="File of mode 0600 that holds the address; beside the plan if not absolute"
    )
    from_weight: Literal["now", "soon", "sometime"] = Field(
        "soon", description="Tell findings of this weight and of weightier ones"
    )
    quiet: tuple[TimeOfDay, TimeOfDay] | None = Field(
        None, description="Begin and end, by the site's clock, of the hours in which nothing is sent"
    )
    # Below a minute it would gather nothing; the outbox remembers a month.
    digest_s: Time | None = Field(
        None, ge=60, le=31 * 86400, alias="digest", description="Gather findings of weight sometime for so long"
    )


class Site(Table):
    """The whole plan."""

    site: Header = Field(description="What holds for the whole site")
    budget: Budget = Field(default_factory=Budget, description="Money")
    ceilings: Ceilings = Field(default_factory=Ceilings, description="The share of each supply that we plan to use")
    building: dict[Name, Building] = Field(default_factory=dict, description="Buildings")
    closet: dict[Name, Closet] = Field(default_factory=dict, description="Closets")
    room: dict[Name, Room] = Field(default_factory=dict, description="Rooms and yards")
    wall: tuple[Wall, ...] = Field((), description="Walls that radio must cross")
    segment: dict[Name, Segment] = Field(min_length=1, description="Segments")
    router: Router = Field(default_factory=Router, description="The router")
    switch: dict[Name, Switch] = Field(default_factory=dict, description="Switches")
    access_point: dict[Name, AccessPoint] = Field(default_factory=dict, description="Access points")
    injector: dict[Name, Injector] = Field(default_factory=dict, description="Injectors")
    drop: dict[Name, Drop] = Field(default_factory=dict, description="Fixed cables")
    device: dict[Name, Device] = Field(default_factory=dict, description="Devices, by name or in groups")
    recorder: dict[Name, Recorder] = Field(default_factory=dict, description="Recorders")
    backup: dict[Name, Backup] = Field(default_factory=dict, description="Battery supplies")
    profile: dict[Name, Profile] = Field(default_factory=dict, description="Kinds of devices, ours included")
    looking: Looking = Field(default_factory=Looking, description="How the daemon looks")
    keeping: Keeping = Field(default_factory=Keeping, description="How long what it saw is kept")
    source: dict[Name, Source] = Field(default_factory=dict, description="Numbers of metric endpoints")
    command: dict[Name, Command] = Field(default_factory=dict, description="Programs that print observations")
    ear: dict[Name, Ear] = Field(default_factory=dict, description="Radios that listen")
    services: Services = Field(default_factory=Services, description="What devices rely on")
    outside: Outside = Field(default_factory=Outside, description="Hosts that show whether the way out works")
    isolation: Isolation = Field(default_factory=Isolation, description="Where isolation is tried")
    serving: Serving = Field(default_factory=Serving, description="Where metrics are offered")
    alert: dict[Name, Alert] = Field(
        default_factory=dict, max_length=20, description="Channels through which findings are told"
    )


# Tables that stand once, without a name of their own after the dot.
SINGLE: Final = frozenset(name for name, row in Site.model_fields.items() if get_origin(row.annotation) is not dict)
