"""A small invented site and a way to say in few words what was seen there."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING

from netaudit.audit.rules.rule import Case, Mark
from netaudit.audit.seen import compose
from netaudit.site.load import parse_site
from netaudit.store.records import Address, Condition, Device, Heard, Interval, Reading

if TYPE_CHECKING:
    from collections.abc import Iterable

    from netaudit.audit.rules.rule import Rule, Verdict
    from netaudit.audit.seen import Seen
    from netaudit.audit.standing import Standing
    from netaudit.site.model import Site

NOW = datetime(2026, 3, 2, 20, 0, tzinfo=UTC)
LONG_AGO = NOW - timedelta(days=20)

PLAN = """
[site]
name = "Weir Cottage"
[closet.loft]
[room.hall]
[segment.home]
network = "192.0.2.0/24"
gateway = "192.0.2.1"
ssid = "weir"
[segment.things]
network = "198.51.100.0/24"
gateway = "198.51.100.1"
ssid = "weir-things"
[segment.guests]
network = "203.0.113.0/24"
gateway = "203.0.113.1"
ssid = "weir-guests"
guests = { arrivals_per_day = 5, stay = "2 h" }
[switch.loft]
ports = [{ count = 16, power = "type 2" }]
supply = "60 W"
[switch.shed]
ports = 8
uplink = "switch:loft"
[access_point.hall]
at = "hall"
switch = "loft"
segment = "home"
mac = "00:00:5e:00:53:a1"
address = "192.0.2.11"
[[access_point.hall.radio]]
band = "2.4"
association_limit = 20
[[access_point.hall.radio]]
band = "5"
[device.desk]
kind = "desktop"
segment = "home"
switch = "shed"
mac = ["00:00:5e:00:53:01"]
address = "192.0.2.21"
hostname = "desk.home.arpa"
[device.box]
kind = "server"
segment = "home"
switch = "shed"
mac = ["00:00:5e:00:53:02"]
[device.saw]
kind = "controller"
segment = "home"
switch = "shed"
mac = ["00:00:5e:00:53:03"]
[device.kiln]
kind = "controller"
segment = "home"
switch = "shed"
mac = ["00:00:5e:00:53:04"]
[device.clock]
kind = "controller"
segment = "home"
switch = "loft"
address = "192.0.2.30"
[device.phone]
kind = "phone"
segment = "home"
mac = ["00:00:5e:00:53:05"]
may_be_absent = true
[device.plugs]
kind = "plug"
count = 10
segment = "things"
[device.sensors]
kind = "sensor"
count = 2
segment = "things"
"""

DESK, BOX, SAW, KILN, PHONE, POINT = (f"00:00:5e:00:53:{last}" for last in ("01", "02", "03", "04", "05", "a1"))
CLOCK = "02:00:5e:00:00:30"


@cache
def small_site() -> Site:
    """Give the small site."""
    return parse_site(PLAN)


def stranger(number: int) -> str:
    """Give a made-up MAC."""
    return f"02:00:5e:99:{number >> 8:02x}:{number & 255:02x}"


@dataclass
class Scene:
    """What was seen at the small site; each method adds to it."""

    site: Site = field(default_factory=small_site)
    now: datetime = NOW
    devices: list[Device] = field(default_factory=list)
    stays: list[Interval] = field(default_factory=list)
    readings: dict[tuple[str, str], list[Reading]] = field(default_factory=dict)
    notices: list[Heard] = field(default_factory=list)
    sources: list[Condition] = field(default_factory=list)

    def here(
        self,
        mac: str,
        segment: str = "home",
        address: str | None = None,
        *,
        ago_s: float = 30.0,
        since: datetime = LONG_AGO,
    ) -> Scene:
        """Somebody was heard, last so long ago."""
        last = self.now - timedelta(seconds=ago_s)
        owned = (Address(address, segment, "arp", since, last),) if address else ()
        self.devices.append(Device(mac, since, last, owned, ()))
        self.stays.append(Interval(mac, segment, since, last))
        return self

    def everybody(self, *but: str, ago_s: float = 30.0) -> Scene:
        """All of the plan are there, except those."""
        known = [
            (DESK, "home", "192.0.2.21"),
            (BOX, "home", "192.0.2.130"),
            (SAW, "home", "192.0.2.131"),
            (KILN, "home", "192.0.2.132"),
            (PHONE, "home", "192.0.2.133"),
            (CLOCK, "home", "192.0.2.30"),
            (POINT, "home", "192.0.2.11"),
            ("02:00:5e:00:00:01", "home", "192.0.2.1"),
            ("02:00:5e:00:00:02", "things", "198.51.100.1"),
            ("02:00:5e:00:00:03", "guests", "203.0.113.1"),
            *((stranger(number), "things", f"198.51.100.{130 + number}") for number in range(12)),
        ]
        for mac, segment, address in known:
            if mac not in but:
                self.here(mac, segment, address, ago_s=ago_s)
        return self

    def tell(self, place: str, kind: str, values: Iterable[float | None], *, every_s: float = 60.0) -> Scene:
        """A series ends now."""
        listed = list(values)
        first = self.now - timedelta(seconds=every_s * (len(listed) - 1))
        self.readings[place, kind] = [
            Reading(first + timedelta(seconds=every_s * index), value) for index, value in enumerate(listed)
        ]
        return self

    def notice(self, place: str, kind: str, *, first_s: float = 60.0, ago_s: float = 30.0, **detail: str) -> Scene:
        """A notice was first given and last repeated so long ago."""
        first, last = self.now - timedelta(seconds=max(first_s, ago_s)), self.now - timedelta(seconds=ago_s)
        self.notices.append(Heard(place, kind, tuple(sorted(detail.items())), first, last, 2))
        return self

    def source(
        self, name: str, *, good: bool = True, reason: str = "", since_s: float = 1e6, ago_s: float = 30.0
    ) -> Scene:
        """A source has done so since then, last tried so long ago."""
        since, until = self.now - timedelta(seconds=since_s), self.now - timedelta(seconds=ago_s)
        self.sources.append(Condition(name, good, reason, since, until))
        return self

    def seen(self) -> Seen:
        """Put it in words of the plan."""
        return compose(
            self.site,
            self.now,
            devices=self.devices,
            stays=self.stays,
            readings=self.readings,
            notices=sorted(self.notices, key=lambda one: one.last_at, reverse=True),
            sources=self.sources,
        )

    def case(self, standings: tuple[Standing, ...] = (), *, is_open: Iterable[tuple[str, str]] = ()) -> Case:
        """Make what a rule looks at."""
        return Case(self.site, standings, self.seen(), self.now, frozenset(is_open))

    def ask(self, rule: Rule, *, is_open: Iterable[tuple[str, str]] = ()) -> list[Verdict]:
        """Ask one rule."""
        return list(rule.judge(self.case(is_open=is_open)))

    def holds(self, rule: Rule, *, is_open: Iterable[tuple[str, str]] = ()) -> dict[str, str]:
        """Ask one rule; give the places where it holds, with the words it chose."""
        return {one.place: one.words for one in self.ask(rule, is_open=is_open) if one.mark is Mark.HOLDS}
