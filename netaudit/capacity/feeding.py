"""What one thing asks of the port that feeds it: by its class, as it is stated to draw through its cable, by rule of thumb."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from netaudit.capacity import cable
from netaudit.capacity.patching import class_of_need, type_of
from netaudit.capacity.power_classes import CLASSES, TYPES, Fed, arriving_w, device_w, feed, reserve_w
from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from netaudit.site.model import PortPower, PowerNeed, Site

CAMERA_RULE_W = 6.0  # common practice, no source: a fixed camera without heater
# Common practice, no source: an older access point with one radio; sheets often say 13 to 25 W.
ACCESS_POINT_RULE_W = 5.0
# A passive port gives what the device draws; no class tells it what to set aside, so the draw stands for both.
PASSIVE = "passive 24 V"


@dataclass(frozen=True, slots=True)
class Reckoning:
    """One thing's power, each way [W]: set aside by class, drawn at the device, lost in the cable, by rule of thumb."""

    reserved_w: float
    draw_w: float
    loss_w: float
    thumb_w: float

    def times(self, count: int) -> Reckoning:
        """The same for `count` alike things."""
        return Reckoning(self.reserved_w * count, self.draw_w * count, self.loss_w * count, self.thumb_w * count)


def need_of(site: Site, ref: str) -> PowerNeed | None:
    """Give how a device or an access point is fed; None for anything else."""
    kind, _, name = ref.partition(":")
    if kind == "access_point":
        return site.access_point[name].power
    if kind == "device":
        device = site.device[name]
        return device.power or site.profile[device.kind].power
    return None


def taken_w(need: PowerNeed) -> float:
    """Power that a device takes: its stated draw, else the most of its class [W]."""
    if need.draw_w is not None:
        return need.draw_w
    return device_w(need.power_class if need.power_class is not None else 0, need.second_class)


def rule_of_thumb_w(site: Site, ref: str, need: PowerNeed) -> float:
    """Power by the rule of thumb: 6 W a camera, 5 W an access point; anything else as it takes [W]."""
    kind, _, name = ref.partition(":")
    if kind == "access_point":
        return ACCESS_POINT_RULE_W
    if kind == "device" and site.profile[site.device[name].kind].recorded:
        return CAMERA_RULE_W
    return taken_w(need)


def granted_class(power: PortPower, power_class: int) -> int:
    """Class that a port of a type grants: the one asked for, or its own highest."""
    number = type_of(power)
    return min(power_class, max(TYPES[number].classes)) if number is not None else 0


def loop_ohm(site: Site, drop: str | None, *, number: int, pairs: int) -> float:
    """
    Loop that power sees on the way to a device [ohm].

    The real cable where the plan knows it, else the longest that the standard reckons with for the port's type.
    """
    if drop is None:
        return TYPES[number].pairset_loop_ohm * 2.0 / pairs
    row = site.drop[drop]
    if row.category == "fibre":
        return 0.0
    gauge = cable.gauge_of(row.category, row.gauge_awg)
    return cable.power_loop_ohm(gauge, row.length_m, pairs=pairs, temperature_c=row.temperature_c)


def feed_device(site: Site, need: PowerNeed, power: PortPower, drop: str | None) -> tuple[Fed | None, float]:
    """
    Feed a device from an IEEE 802.3 port through its cable.

    Returns:   what happens on the cable (None if it can't pass), and the most that could arrive [W].
    Source:    IEEE 802.3 33.2.6, 145.2.8, at the lowest voltage that the port's type may give.
    """
    number = type_of(power)
    asked = class_of_need(need)
    if number is None or asked is None:
        return None, 0.0
    granted = granted_class(power, asked)
    ohm = loop_ohm(site, drop, number=number, pairs=CLASSES[granted].pairs)
    return _feed_class(taken_w(need), number, granted, ohm)


# Devices of a group hang on cables of the same few lengths; each case is some 200 octets.
@lru_cache(maxsize=4096)
def _feed_class(wanted_w: float, number: int, granted: int, ohm: float) -> tuple[Fed | None, float]:
    supply_v = TYPES[number].output_min_v
    most_w = arriving_w(CLASSES[granted].reserve_w, supply_v=supply_v, loop_ohm=ohm)
    if ohm <= TYPES[number].pairset_loop_ohm * 2.0 / CLASSES[granted].pairs:
        # On such a cable the class's own power is promised; the printed supply figures are rounded.
        most_w = max(most_w, CLASSES[granted].device_w)
    try:
        return feed(wanted_w, supply_v=supply_v, loop_ohm=ohm), most_w
    except OutOfRange:
        return None, most_w


def _reserved_w(need: PowerNeed, asked: int, granted: int) -> float:
    """Power set aside: of two signatures both, if the port can; else what the class it grants asks for [W]."""
    if need.power_class is not None and need.second_class is not None and granted == asked:
        return reserve_w(need.power_class, need.second_class)
    return CLASSES[granted].reserve_w


def reckon(site: Site, ref: str, need: PowerNeed, power: PortPower, drop: str | None) -> Reckoning:
    """Reckon what one thing asks of its supply, each way."""
    thumb_w = rule_of_thumb_w(site, ref, need)
    asked = class_of_need(need)
    if asked is None:
        draw_w = need.draw_w or 0.0
        return Reckoning(draw_w, draw_w, 0.0, thumb_w)
    fed, most_w = feed_device(site, need, power, drop)
    reserved_w = _reserved_w(need, asked, granted_class(power, asked))
    if fed is None:
        return Reckoning(reserved_w, most_w, reserved_w - most_w, thumb_w)
    return Reckoning(reserved_w, fed.device_w, fed.loss_w, thumb_w)
