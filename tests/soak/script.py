"""What happens in a soak: who is there, which troubles come and go, when something breaks. All of it follows from the seed."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from netaudit.observe.observation import Health, How, Sample, Sighting

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.observe.observation import Observation

BEGINS = datetime(2026, 4, 6, tzinfo=UTC)
STEP = timedelta(minutes=5)
STEPS_A_DAY = 288
# Enough for 250 stations under the ceilings, each known by its MAC: a nameless one would take a stranger's place.
POINTS = 6
# The interface of the segment, a switch and a resolver: each of them dies now and then.
SOURCES = ("sweep:home", "switch:shelf", "names:home")


@dataclass(frozen=True)
class Trouble:
    """Something that must be found once: the rule and place of its finding, and the steps in which it is so."""

    rule: str
    place: str
    begins: int
    ends: int


@dataclass
class Script:
    """
    A soak.

    troubles  must each be found, once
    kills     steps at which the process is killed; after it some steps pass unseen
    reloads   steps at which a changed plan is taken
    full      steps at which nothing can be written
    jumps     steps at which the clock is wrong, and by how much
    flaps     steps at which the interface is down and back before anybody need hear of it
    deaf      steps at which the receiver of alerts takes nothing
    """

    devices: int
    steps: int
    troubles: list[Trouble] = field(default_factory=list)
    kills: set[int] = field(default_factory=set)
    reloads: set[int] = field(default_factory=set)
    full: set[int] = field(default_factory=set)
    jumps: dict[int, timedelta] = field(default_factory=dict)
    flaps: set[int] = field(default_factory=set)
    deaf: set[int] = field(default_factory=set)

    @property
    def calm_from(self) -> int:
        """The first step of the last third: there memory is watched, without a kill or a new plan that would free what is kept."""
        return self.steps * 2 // 3

    @property
    def is_long(self) -> bool:
        """Whether its last third has days enough to tell a slow leak from what each day brings."""
        return self.steps >= 20 * STEPS_A_DAY

    @property
    def settles_every(self) -> int:
        """After so many steps memory is looked at: four times a day, in a short soak twice an hour."""
        return 72 if self.is_long else 6

    def plan(self, number: int) -> str:
        """Write the plan after so many changes."""
        devices = "".join(
            f'[device.d{n}]\nkind = "plug"\nmac = ["{mac_of(n)}"]\naddress = "{address_of(n)}"\n'
            for n in range(self.devices)
        )
        points = "".join(
            f'[access_point.p{n}]\nmac = "{point_of(n)}"\naddress = "10.9.3.{200 + n}"\n' for n in range(POINTS)
        )
        return (
            '[site]\nname = "Soak"\n[ceilings]\ndevices_per_segment = 500\n[looking]\nsweep_every = "5 min"\nopens_after = 2\n[serving]\nport = 0\n'
            '[segment.home]\nnetwork = "10.9.0.0/22"\ninterface = "lo"\nssid = "home"\n'
            f"[switch.shelf]\nports = 48\n{points}"
            '[alert.all]\nurl_env = "SOAK_ALERT"\nfrom_weight = "sometime"\n'
            f"{devices}# change {number}\n"
        )

    def observations(self, step: int, at: datetime) -> Iterator[Observation]:
        """Give what the collectors say at a step; at: by the clock of the box, right or wrong."""
        gone = {one.place for one in self.troubles if one.begins <= step < one.ends}
        if step in self.flaps:
            gone.add("source:sweep:home")
        for source in SOURCES:
            good = f"source:{source}" not in gone
            yield Health(at, source, good=good, reason="" if good else "as the script has it")
        if "source:sweep:home" in gone:
            return
        for n in range(self.devices):
            if f"device:d{n}" not in gone:
                yield Sighting(at, "home", mac_of(n), address_of(n), How.ARP)
                # Every third is asked: enough rows, and a month takes minutes.
                if n % 3 == 0:
                    yield Sample(at, f"device:{mac_of(n)}", "rtt_s", 0.002 + (n * 7 + step * 13) % 100 * 1e-5)
        for n in range(POINTS):
            yield Sighting(at, "home", point_of(n), f"10.9.3.{200 + n}", How.ARP)
        for one in self.troubles:
            if one.rule == "unknown" and one.begins <= step < one.ends:
                mac = one.place.removeprefix("device:")
                yield Sighting(at, "home", mac, f"10.9.3.{int(mac[-2:], 16)}", How.ARP)


def mac_of(number: int) -> str:
    """Give the MAC of a planned device."""
    return f"02:00:00:00:{number >> 8:02x}:{number & 255:02x}"


def point_of(number: int) -> str:
    """Give the MAC of an access point."""
    return f"02:00:00:0a:00:{number:02x}"


def address_of(number: int) -> str:
    """Give its address."""
    return f"10.9.{number // 200}.{10 + number % 200}"


def write_script(*, days: int, devices: int, kills: int, seed: int) -> Script:
    """Let the seed decide what happens when; troubles don't overlap but for the receiver's, so that each finding is its own."""
    chance = random.Random(seed)
    script = Script(devices, days * STEPS_A_DAY)
    step = STEPS_A_DAY // 4
    number = 0
    # Each trouble lasts two to three hours and two quiet ones follow: enough to open and to close, breakage included.
    while step + 80 < script.steps:
        lasts = chance.randint(24, 36)
        kind = number % 5
        if kind == 0:
            rule, place = "missing", f"device:d{number % devices}"
        elif kind == 1:
            rule, place = "unknown", f"device:02:00:00:ee:{number >> 8:02x}:{number & 255:02x}"
        else:
            rule, place = "source_silent", f"source:{SOURCES[kind - 2]}"
        script.troubles.append(Trouble(rule, place, step, step + lasts))
        step += lasts + chance.randint(30, 48)
        number += 1
    script.kills = set(chance.sample(range(20, script.calm_from, 4), kills))
    script.reloads = set(chance.sample(range(30, script.calm_from, 7), max(2, days)))
    for begins in chance.sample(range(40, script.steps - 20, 11), max(1, days // 3)):
        script.full |= set(range(begins, begins + 4))
    for number, begins in enumerate(chance.sample(range(60, script.steps - 20, 13), max(2, days // 5))):
        script.jumps |= dict.fromkeys(range(begins, begins + 3), timedelta(minutes=(-50, 70)[number % 2]))
    script.flaps = set(chance.sample(range(50, script.steps - 20, 5), 2 * days))
    # The receiver goes away just before there is something to tell, for so long that it must be found: eight attempts take the
    # courier 90 minutes when it comes every five, and a full disk or a restart may fall into that time.
    for one in chance.sample(script.troubles[:-1], max(1, days // 3)):
        begins, ends = one.begins - 4, one.begins + 28
        script.deaf |= set(range(begins, ends))
        script.troubles.append(Trouble("channel_failing", "alert:all", begins, ends))
    return script
