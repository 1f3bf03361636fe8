"""
A simulated fortnight at the demo site: what the collectors would have said, with a few events that the audit must find.

Invented data, for the demo only. The same seed gives the same fortnight. Round-trip times, losses and habits are made up to
look plausible; nothing else is computed from them.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from netaudit.observe.observation import How, Naming, Notice, Sample, Sighting

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from netaudit.demo.cast import Actor
    from netaudit.observe.observation import Observation
    from netaudit.site.model import AccessPoint, Recorder, Site

DAYS: Final = 14
STEP: Final = timedelta(minutes=5)

# The events, as (day, hour) from the beginning.
FEAST_BEGINS: Final = (8, 9)
FEAST_ENDS: Final = (12, 18)
FEAST_LANTERNS: Final = 40
SECOND_SERVER: Final = ((5, 20), (5, 22))
CAMERA_FAILS: Final = (11, 3)
STRANGER_COMES: Final = (12, 14)

LANTERN_MAC: Final = "02:00:5e:fe:00:{:02x}"
STRANGER_MAC: Final = "02:00:5e:ee:00:01"


@dataclass(frozen=True, slots=True)
class Moment:
    """All that was observed within one step that ends `at`."""

    at: datetime
    observations: tuple[Observation, ...]


def play(site: Site, cast: Sequence[Actor], *, ends: datetime, seed: int = 7) -> Iterator[Moment]:
    """
    Play the fortnight that ends at this moment, step by step.

    Args:      ends: aware; the last step. seed: of all chance.
    """
    chance = random.Random(seed)
    begins = ends - timedelta(days=DAYS)
    steps = int(timedelta(days=DAYS) / STEP)
    names = tuple(_name(actor, begins) for actor in cast)
    for index in range(1, steps + 1):
        at = begins + index * STEP
        said: list[Observation] = list(names) if index == 1 else []
        for actor in cast:
            _observe(said, chance, actor, at, begins)
        said += [
            Sample(at, f"segment:{name}/gateway", "rtt_s", _delay(chance, at, 0.0004, 0.15)) for name in site.segment
        ]
        _equipment(said, chance, site, at)
        _events(said, chance, at, begins)
        _radios(said, chance, site, at)
        yield Moment(at, tuple(said))


def _moment(begins: datetime, when: tuple[int, int]) -> datetime:
    day, hour = when
    return begins + timedelta(days=day, hours=hour)


def _name(actor: Actor, at: datetime) -> Naming:
    return Naming(at + STEP, actor.mac, actor.label, How.DHCP)


def _home(actor: Actor, at: datetime) -> bool:
    """Say whether a device that comes and goes is there: by the hour of the day, each on its own rhythm."""
    if not actor.may_be_absent:
        return True
    rhythm = hash_of(actor.mac)
    leaves, returns = 7 + rhythm % 3, 15 + rhythm % 5
    weekend = at.weekday() >= 5
    if actor.segment == "visitors":
        return 10 + rhythm % 4 <= at.hour < 19 and (at.day + rhythm) % 3 != 0
    return weekend or not leaves <= at.hour < returns


def hash_of(text: str) -> int:
    """Give a small number that depends on the text and on nothing else (Python's own hash differs between runs)."""
    return sum(ord(char) * (index + 3) for index, char in enumerate(text)) % 97


def _busy(at: datetime) -> float:
    """Share of a day's bustle at this hour: quiet at night, most in the evening."""
    hour = at.hour + at.minute / 60
    return 0.15 + 0.85 * math.exp(-(((hour - 20.5) / 3.2) ** 2)) + 0.25 * math.exp(-(((hour - 8) / 1.5) ** 2))


def _delay(chance: random.Random, at: datetime, median_s: float, spread: float) -> float:
    return median_s * math.exp(chance.gauss(0.0, spread)) * (1 + 0.6 * _busy(at))


def _observe(said: list[Observation], chance: random.Random, actor: Actor, at: datetime, begins: datetime) -> None:
    if actor.name == "camera-gate" and at >= _moment(begins, CAMERA_FAILS):
        said.append(Sample(at, f"device:{actor.mac}", "rtt_s", None))
        return
    if not _home(actor, at):
        return
    if actor.profile.sleeps:
        # Awake for a moment a few times a day: seldom answering is its nature.
        if chance.random() < 0.02:
            said.append(Sighting(at, actor.segment, actor.mac, str(actor.address), How.HEARD))
        return
    wireless = actor.access_point is not None
    lost = chance.random() < (0.004 + 0.01 * _busy(at) if wireless else 0.0001)
    delay = None if lost else _delay(chance, at, 0.0045 if wireless else 0.0005, 0.5 if wireless else 0.2)
    said.append(Sample(at, f"device:{actor.mac}", "rtt_s", delay))
    if not lost:
        said.append(Sighting(at, actor.segment, actor.mac, str(actor.address), How.ARP))


def _equipment(said: list[Observation], chance: random.Random, site: Site, at: datetime) -> None:
    """Access points and recorders answer like anything on a cable."""
    first = next(iter(site.segment))
    equipment: list[AccessPoint | Recorder] = [*site.access_point.values(), *site.recorder.values()]
    for thing in equipment:
        if thing.mac is not None and thing.address is not None:
            said.append(Sighting(at, thing.segment or first, thing.mac, str(thing.address), How.ARP))
            said.append(Sample(at, f"device:{thing.mac}", "rtt_s", _delay(chance, at, 0.0005, 0.2)))


def _events(said: list[Observation], chance: random.Random, at: datetime, begins: datetime) -> None:
    if _moment(begins, FEAST_BEGINS) <= at < _moment(begins, FEAST_ENDS):
        for index in range(FEAST_LANTERNS):
            mac = LANTERN_MAC.format(index)
            said.append(Sighting(at, "gadgets", mac, f"10.71.20.{200 + index}", How.ARP))
            said.append(Sample(at, f"device:{mac}", "rtt_s", _delay(chance, at, 0.009, 0.6)))
    first, last = SECOND_SERVER
    if _moment(begins, first) <= at < _moment(begins, last):
        detail = (("mac", "02:00:5e:ee:00:67"), ("server", "10.71.10.250"))
        said.append(Notice(at, "segment:family", "dhcp_server", detail))
    router = (("mac", "02:00:5e:10:00:01"), ("server", "10.71.10.1"))
    if at.minute == 0:
        said.append(Notice(at, "segment:family", "dhcp_server", router))
    if at >= _moment(begins, STRANGER_COMES):
        said.append(Sighting(at, "family", STRANGER_MAC, "10.71.10.199", How.ARP))


def _radios(said: list[Observation], chance: random.Random, site: Site, at: datetime) -> None:
    """What the access points announce in their BSS Load element: a count and a busy share in steps of 1/255."""
    for name, point in site.access_point.items():
        for radio in point.radio:
            share = (0.18 if radio.band == "2.4" else 0.05) * (0.5 + _busy(at)) + chance.uniform(0, 0.02)
            said.append(Sample(at, f"radio:{name}/{radio.band}", "busy_share", round(min(share, 1.0) * 255) / 255))
