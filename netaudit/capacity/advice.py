"""What to do about a line that is tight or over: one sentence a kind, with the amount that is missing."""

from __future__ import annotations

import math
from typing import Final

from netaudit.capacity.line import Kind, Line, State

# The sentence after "<place> lacks <amount>: ". Which remedy fits is common practice, no source.
CURES: Final = {
    Kind.PORTS: "a switch with more ports, or a second one in the same closet",
    Kind.POWERED_PORTS: "more powered ports of the type that is asked for, or an injector where only one device lacks",
    Kind.POWER: "a larger supply, some devices on injectors, or a second powered switch",
    Kind.PORT_POWER: "a port of a higher type, or an injector for this device",
    Kind.AIRTIME: "move what can to 5 GHz or to a cable, take the oldest rates out, or add an access point on a free channel",
    Kind.STATIONS: "another access point here, or one that serves more stations",
    Kind.ADDRESSES: "a longer pool, a shorter lease, or a larger network",
    Kind.LINK_UP: "a faster link, or the devices nearer to the recorder or router",
    Kind.LINK_DOWN: "a faster link, or the devices nearer to the recorder or router",
    Kind.ROUTED: "a router that forwards more, or heavy talkers on one segment",
    Kind.HOPS: "patch this switch nearer to the router",
    Kind.CABLE: "a shorter way, a switch half-way, or fibre",
    Kind.DEVICE_COUNT: "split the segment by use",
    Kind.RECORDING: "a larger disk, fewer days, or less motion recorded",
    Kind.WRITE: "a recorder that writes faster, or a second one",
    Kind.BACKUP: "a larger battery, or fewer things on it",
    Kind.MONEY: "a cheaper set (see the options), or a larger budget",
}


def advise(line: Line) -> str | None:
    """Say what to do about a line, and how much it lacks now and with growth; None when it is within its ceiling even grown."""
    if line.grown_state is State.WITHIN:
        return None
    grown = _amount(line.grown - line.usable, line.unit)
    if line.state is State.WITHIN:
        return f"lacks {grown} with growth: {CURES[line.kind]}"
    now = _amount(line.planned - line.usable, line.unit)
    both = now if now == grown else f"{now} now, {grown} with growth"
    return f"lacks {both}: {CURES[line.kind]}"


def repeats_a_radio(line: Line) -> bool:
    """Say whether a line repeats another: a channel is as busy as its busiest radio, whose own line says what to do."""
    return line.kind is Kind.AIRTIME and line.place.startswith("channel:")


def _amount(missing: float, unit: str) -> str:
    """Write what is missing as people write it; of what is counted only whole ones help."""
    if unit in ONE:
        count = math.ceil(missing)
        return f"{count:,} {ONE[unit] if count == 1 else unit}"
    sizes = _SIZES.get(unit, ((1.0, unit),))
    size, name = next((one for one in sizes if missing >= one[0]), sizes[-1])
    return f"{missing / size:,.4g} {name}"


# What is counted, when there is one of it.
ONE: Final = {"ports": "port", "stations": "station", "addresses": "address", "devices": "device", "hops": "hop"}
_SIZES: Final = {
    "bit/s": ((1e9, "Gb/s"), (1e6, "Mb/s"), (1e3, "kb/s"), (1.0, "b/s")),
    "B": ((1e12, "TB"), (1e9, "GB"), (1e6, "MB")),
    "share of the time": ((0.01, "% of the time"),),
}
