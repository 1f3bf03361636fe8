"""
A first plan: from a few answers, or from what was seen on the network. Every guess says in a comment that it is one.

A draft is a beginning to be edited. It passes the plan's checks; that it is right only its owner can say.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv4Network
from typing import TYPE_CHECKING, Any, Final

from netaudit.errors import PlanError
from netaudit.site.load import own_profiles
from netaudit.site.ranges import is_plannable

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

GUESS: Final = "guess: "
# What a census calls a device (its word) -> our kind of device. What has no kind here is noted as something else.
_KINDS: Final = {
    "telephone": "desk_phone",
    "printer": "printer",
    "scanner": "printer",
    "camera": "camera",
    "media player": "speaker",
    "storage": "server",
    "computer": "desktop",
    "DHCP server": "server",
}
# Words in what a device calls itself -> our kind of device. Only what a name says outright; the census's word goes first.
_NAME_KINDS: Final = {
    "camera": "camera",
    "cam": "camera",
    "printer": "printer",
    "scanner": "printer",
    "phone": "phone",
    "tablet": "tablet",
    "laptop": "laptop",
    "notebook": "laptop",
    "desktop": "desktop",
    "workstation": "desktop",
    "server": "server",
    "nas": "server",
    "television": "television",
    "tv": "television",
    "speaker": "speaker",
    "doorbell": "doorbell",
    "thermostat": "thermostat",
    "sensor": "sensor",
    "plug": "plug",
    "lamp": "light",
    "light": "light",
    "hub": "hub",
}
_LETTERS: Final = re.compile(r"[a-z]+")
# Switch sizes as they are sold (common practice, no source); the plan's ceiling leaves one port in ten free.
_SIZES: Final = (8, 16, 24, 48)
_FILLED: Final = 0.7
# Devices at one access point before a draft adds a second one: common practice, no source.
_STATIONS_EACH: Final = 30
# A person's own words keep their letters, whatever the alphabet; a name from the wire keeps ASCII alone.
_UNFIT: Final = re.compile(r"[^\w-]+")
_UNFIT_HEARD: Final = re.compile(r"[^A-Za-z0-9_-]+")
_LONGEST_NAME: Final = 48
# A capture is read whole, and anybody may have written frames into it: a draft beyond this is not one that a person edits.
MOST_DEVICES: Final = 2000


@dataclass(frozen=True, slots=True)
class Answers:
    """What its owner says of a site: name, network, rooms, and how many devices of which kind."""

    name: str
    network: IPv4Network
    rooms: tuple[str, ...] = ("room",)
    have: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Seen:
    """
    A device that was seen: MAC, its IPv4 addresses, names, the census's word for it and why, VLAN it was heard on.

    vendor   to whom the public registry gave its address, if to anybody
    """

    mac: str
    addresses: tuple[IPv4Address, ...] = ()
    names: tuple[str, ...] = ()
    word: str | None = None
    evidence: str = ""
    made_up: bool = False
    vlan: int | None = None
    vendor: str | None = None


@dataclass(frozen=True, slots=True)
class Draft:
    """A plan's data, and comments by table or key."""

    raw: dict[str, Any]
    comments: dict[str, str]


def draft_from_answers(answers: Answers) -> Draft:
    """
    Make a first plan from answers.

    Raises:    PlanError: the network isn't one that a plan may have, a kind of device isn't known, or there are too many.
    """
    _check(answers.network)
    profiles = own_profiles()
    raw = _frame(answers.name)
    said = {"site": f"{GUESS}the time zone and the currency; write yours"}
    rooms = [_fit(room, "room", _UNFIT) for room in answers.rooms] or ["room"]
    raw["room"] = {room: {} for room in dict.fromkeys(rooms)}
    raw["segment"] = {"home": {"network": str(answers.network), "ssid": "home"}}
    said["segment.home"] = (
        f"{GUESS}one network for all; a second one for gadgets and a third for guests are worth having"
    )
    devices: dict[str, dict[str, Any]] = {}
    for kind, count in answers.have.items():
        if kind not in profiles:
            raise PlanError(f'"{kind}" is no kind of device; write one of {", ".join(sorted(profiles))}')
        if not 0 <= count <= MOST_DEVICES:
            raise PlanError(f"{count} of {kind}: write a number from 0 to {MOST_DEVICES}")
        if count:
            name = f"{kind.replace('_', '-')}s"
            devices[name] = {"kind": kind, "count": count}
            if profiles[kind]["link"] == "wifi":
                said[f"device.{name}"] = (
                    f"{GUESS}shared by all access points; split the group and say at which room each is"
                )
            else:
                devices[name]["at"] = next(iter(raw["room"]))
                said[f"device.{name}"] = f"{GUESS}all in the first room; split the group and say where"
    raw["device"] = devices
    _equip(raw, said, list(raw["room"]))
    return Draft(_tidied(raw), said)


def draft_from_sight(name: str, seen: Iterable[Seen], networks: Iterable[IPv4Network] = ()) -> Draft:
    """
    Make a first plan from devices that were seen.

    Args:      networks that are known; addresses outside of them are put into guessed ones of 256 addresses.
    Raises:    PlanError: nobody was seen with an address that a plan may have, or more than a draft takes.
    """
    found = list(seen)
    known = [network for network in networks if is_plannable(network)]
    homes = {one.mac: home for one in found if (home := _home(one, known)) is not None}
    if not homes and not known:
        raise PlanError("nobody was seen with an address of a private network; give --network, or listen longer")
    if len(found) > MOST_DEVICES:
        raise PlanError(
            f"{len(found)} devices were seen; a draft takes at most {MOST_DEVICES}: narrow it with --network"
        )
    raw = _frame(name)
    raw["room"] = {"room": {}}
    said = {
        "site": f"{GUESS}the time zone and the currency; write yours",
        "room.room": f"{GUESS}one room for all; write the site's rooms and say at which each device is",
    }
    names = _segments(raw, said, found, homes, known)
    taken: set[str] = set()
    used: set[IPv4Address] = set()
    points: dict[str, dict[str, Any]] = {}
    raw["device"] = {}
    for one in found:
        if one.word in ("router", "switch"):
            continue  # the draft has its own router and switch; their figures are not seen from outside
        home = homes.get(one.mac)
        if home is None and one.word != "access point":
            continue
        key = _name(one, taken)
        row: dict[str, Any] = {}
        if home is not None:
            row["segment"] = names[home]
        if one.word == "access point":
            points[key] = {**row, "at": "room", "mac": one.mac}
            said[f"access_point.{key}"] = (
                f"{GUESS}an access point: {one.evidence or 'it looks like one'}; its radios are our defaults"
            )
            continue
        kind, why = _kind(one)
        row = {"kind": kind, **row, "at": "room", "mac": [one.mac]}
        address = next((a for a in one.addresses if home is not None and a in home and a not in used), None)
        said[f"device.{key}"] = GUESS + why
        if address is not None:
            used.add(address)
            said[f"device.{key}"] += f"; seen at {address}, taken as leased"
        if one.made_up:
            row["may_be_absent"] = True
        raw["device"][key] = row
    raw["access_point"] = points
    _equip(raw, said, ["room"])
    return Draft(_tidied(raw), said)


def _check(network: IPv4Network) -> None:
    if not is_plannable(network) or network.prefixlen > 30:
        raise PlanError(f"{network} can't be planned: write a private network with room, such as 192.168.20.0/24")


def _frame(name: str) -> dict[str, Any]:
    return {"site": {"name": name[:120] or "site", "time_zone": "UTC", "currency": "EUR"}, "closet": {"closet": {}}}


def _fit(text: str, other: str, unfit: re.Pattern[str] = _UNFIT_HEARD) -> str:
    """Make a name that a plan can have of any text; what is unfit becomes a dash."""
    return unfit.sub("-", text).strip("-").lower()[: _LONGEST_NAME - 6] or other


def _name(one: Seen, taken: set[str]) -> str:
    first = _fit(one.names[0].split(".")[0], "") if one.names else ""
    base = first or f"{_fit(one.word or 'device', 'device')}-{one.mac[-8:].replace(':', '')}"
    name, number = base, 2
    while name in taken:
        name, number = f"{base}-{number}", number + 1
    taken.add(name)
    return name


def _home(one: Seen, known: list[IPv4Network]) -> IPv4Network | None:
    for address in one.addresses:
        for network in known:
            if address in network and address not in (network.network_address, network.broadcast_address):
                return network
        guessed = IPv4Network((int(address) & ~0xFF, 24))
        ends = (guessed.network_address, guessed.broadcast_address)
        if address not in ends and is_plannable(guessed) and not any(guessed.overlaps(one) for one in known):
            return guessed
    return None


def _segments(
    raw: dict[str, Any],
    said: dict[str, str],
    found: list[Seen],
    homes: Mapping[str, IPv4Network],
    known: list[IPv4Network],
) -> dict[IPv4Network, str]:
    """Make a segment of each network; a VLAN where all that was heard of it agrees."""
    networks = sorted({*homes.values(), *known})
    names = {
        network: "home" if len(networks) == 1 else f"network-{number}" for number, network in enumerate(networks, 1)
    }
    vlans: set[int] = set()
    raw["segment"] = {}
    for network, name in names.items():
        row: dict[str, Any] = {"network": str(network)}
        heard = {one.vlan for one in found if homes.get(one.mac) == network}
        vlan = next(iter(heard), None) if len(heard) == 1 else None
        if vlan is not None and 1 <= vlan <= 4094 and vlan not in vlans:
            vlans.add(vlan)
            row["vlan"] = vlan
        routers = [a for one in found if one.word == "router" for a in one.addresses if a in network]
        if routers and routers[0] not in (network.network_address, network.broadcast_address):
            row["gateway"] = str(routers[0])
        raw["segment"][name] = row
        said[f"segment.{name}"] = (
            f"{GUESS}a DHCP server leases addresses; where all are fixed on purpose, write dhcp = false"
        )
        if network not in known:
            said[f"segment.{name}"] += "; and the size of the network: only addresses were seen, no mask"
    next(iter(raw["segment"].values()))["ssid"] = "home"
    said[f"segment.{next(iter(raw['segment']))}.ssid"] = f"{GUESS}the name on the air; write yours"
    return names


def _kind(one: Seen) -> tuple[str, str]:
    """Give the kind of a device and why: by what it offers, else by its name, else by its address."""
    if one.word in _KINDS:
        return _KINDS[one.word], f"a {one.word}: {one.evidence or 'by what it says of itself'}"
    for name in one.names:
        for word in _LETTERS.findall(name.lower().split(".")[0]):
            if word in _NAME_KINDS:
                return _NAME_KINDS[word], f"a {word}, as its name says"
    if one.made_up:
        return "phone", "a telephone or the like: its address is made up anew, as those of pocket devices are"
    by_registry = f"only its address, registered to {one.vendor}, is known" if one.vendor else "nothing told what it is"
    return "desktop", f"a computer on a cable: {by_registry}"


def _equip(raw: dict[str, Any], said: dict[str, str], rooms: list[str]) -> None:
    """Add a router, access points and a switch that is large enough, all guessed."""
    profiles = own_profiles()
    wireless = sum(row.get("count", 1) for row in raw["device"].values() if profiles[row["kind"]]["link"] == "wifi")
    if not raw.get("access_point") and wireless:
        wanted = min(len(rooms), max(1, -(-wireless // _STATIONS_EACH)))
        raw["access_point"] = {f"point-{room}": {"at": room} for room in rooms[:wanted]}
        for room in rooms[:wanted]:
            said[f"access_point.point-{room}"] = f"{GUESS}where it hangs, and its radios: our defaults"
    recorded = [row for row in raw["device"].values() if profiles[row["kind"]].get("recorded")]
    if recorded:
        raw["recorder"] = {"recorder": {key: recorded[0][key] for key in ("segment",) if key in recorded[0]}}
        said["recorder.recorder"] = f"{GUESS}there are cameras, so something records them"
    wired = sum(row.get("count", 1) for row in raw["device"].values() if profiles[row["kind"]]["link"] == "wired")
    things = wired + len(raw.get("access_point", {})) + len(raw.get("recorder", {})) + 1
    raw["router"] = {}
    said["router"] = f"{GUESS}our defaults; write its ports, what it forwards, and the contract's rates"
    sizes = []
    while things > 0:
        size = next((one for one in _SIZES if one * _FILLED >= things), _SIZES[-1])
        sizes.append(size)
        things -= int(size * _FILLED)
    raw["switch"] = {
        f"switch-{number}": {
            "closet": "closet",
            **({"uplink": "switch:switch-1"} if number > 1 else {}),
            "supply": f"{size * 15} W",
            "ports": [{"count": size, "power": "type 2"}],
        }
        for number, size in enumerate(sizes, 1)
    }
    for name in raw["switch"]:
        said[f"switch.{name}"] = (
            f"{GUESS}its size and that it feeds devices; write what is there, or let netaudit choose"
        )


def _tidied(raw: dict[str, Any]) -> dict[str, Any]:
    return {table: content for table, content in raw.items() if content or table == "router"}
