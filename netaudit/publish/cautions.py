"""
The usual cautions, each shown where the plan has what it is about, and to whom to defer.

They are our own wording of common duties, not legal advice; local codes and licensed practice come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.site.topology import building_of, is_outdoor

if TYPE_CHECKING:
    from collections.abc import Callable

    from netaudit.site.model import Site


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: `topic`, to whom to `defer`, what to say, and whether a plan has what it is about."""

    topic: str
    defer: str
    text: str
    applies: Callable[[Site], bool]


def _always(_: Site) -> bool:
    return True


def _fed(site: Site) -> bool:
    return any(group.power != "none" for switch in site.switch.values() for group in switch.ports) or bool(
        site.injector
    )


def _outdoors(site: Site) -> bool:
    return any(room.outdoor for room in site.room.values()) or any(
        is_outdoor(site, point.at) for point in site.access_point.values()
    )


def _between_buildings(site: Site) -> bool:
    return any(building_of(site, drop.starts) != building_of(site, drop.ends) for drop in site.drop.values())


def _cameras(site: Site) -> bool:
    return any(site.profile[device.kind].recorded for device in site.device.values())


def _phones(site: Site) -> bool:
    return any(device.kind == "desk_phone" for device in site.device.values())


def _control(site: Site) -> bool:
    return any(device.kind == "controller" for device in site.device.values())


def _fibre(site: Site) -> bool:
    return any(drop.category == "fibre" for drop in site.drop.values())


def _drops(site: Site) -> bool:
    return bool(site.drop)


CAUTIONS: Final = (
    Caution(
        "estimates",
        "measurement on site",
        "Figures before purchase are estimates; walls, neighbours and device habits differ: measure before sign-off.",
        _always,
    ),
    Caution(
        "mains",
        "licensed electrician",
        "Mains wiring, outlets, breakers and earthing belong to a licensed electrician under local law; "
        "this program only counts watts.",
        _always,
    ),
    Caution(
        "power over the cable",
        "device maker",
        "Passive (non-negotiated) power can destroy equipment; check voltage, pairs and polarity on the sheet before "
        "plugging in.",
        _fed,
    ),
    Caution(
        "heat of powered cables",
        "cable maker; local code",
        "High-power bundles get hot; follow the cable maker and local code on bundle size and temperature.",
        _fed,
    ),
    Caution(
        "outdoor runs",
        "electrician or surge specialist; local code",
        "Copper that leaves the building needs bonding and surge protection to local code; prefer fibre between "
        "buildings.",
        lambda site: _outdoors(site) or _between_buildings(site),
    ),
    Caution(
        "lightning",
        "local code",
        "No plan here makes a mast or roof device safe in a storm; follow the local lightning code.",
        _outdoors,
    ),
    Caution(
        "working at height",
        "local safety rules",
        "Ladders, roofs and lofts: follow local safety rules or hire someone trained.",
        lambda site: bool(site.access_point) or _cameras(site),
    ),
    Caution(
        "fire rating",
        "local fire code; building authority",
        "Use the cable jacket rating (riser, plenum, low smoke or Euroclass) that the local fire code asks for, and "
        "restore fire stops.",
        _drops,
    ),
    Caution("laser", "fibre supplier", "Never look into a fibre or an open optical port.", _fibre),
    Caution(
        "radio",
        "national regulator",
        "Set the right country; channels, power and radar avoidance (DFS) follow the national regulator and change "
        "with it.",
        lambda site: bool(site.access_point),
    ),
    Caution(
        "privacy",
        "data protection law; the people present",
        "Watching devices can reveal people: tell everyone in the home or site, get consent where the law asks, keep "
        "data short.",
        _always,
    ),
    Caution(
        "cameras",
        "data protection law",
        "Cameras must not watch neighbours, public ground or private rooms beyond what local law allows.",
        _cameras,
    ),
    Caution(
        "life safety",
        "fire and alarm standards; certified installer",
        "Fire, medical, gas and intruder alarms must not depend on this network or on these alerts.",
        _always,
    ),
    Caution(
        "emergency calls",
        "telephone provider",
        "Phones over this network fail in a power cut; keep another way to call for help.",
        _phones,
    ),
    Caution(
        "control equipment",
        "device maker",
        "Do not probe medical or control equipment without its maker's agreement; even a ping can upset old devices.",
        _control,
    ),
    Caution("backups", "owner", "A recorder with redundant disks is not a backup.", lambda site: bool(site.recorder)),
    Caution(
        "heat and space",
        "equipment maker",
        "Leave the air gap the maker asks for; a closed cupboard cooks switches.",
        lambda site: bool(site.switch),
    ),
    Caution("ownership", "the network owner", "Scan only networks you own or have written leave to test.", _always),
)


def cautions_for(site: Site) -> tuple[str, ...]:
    """Give the cautions that a plan calls for, each with to whom to defer."""
    return tuple(f"{one.text} (Defer to: {one.defer}.)" for one in CAUTIONS if one.applies(site))
