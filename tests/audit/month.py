"""
A month at the demo site, told straight to the judgement: habits and noise from a seed, and events at known times.

Nothing here was measured anywhere: it is a script against which the audit is held. A step is a quarter of an hour. Presence goes
through the store's own intervals, all else is handed over as the store would.
"""

from __future__ import annotations

import math
import random
from collections import deque
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from importlib import resources
from typing import TYPE_CHECKING

from netaudit.audit.judge import judge
from netaudit.audit.seen import compose, tolerance_of
from netaudit.capacity.ledger import gather
from netaudit.demo.cast import make_cast
from netaudit.site.load import parse_site
from netaudit.store.moment import moment, seconds
from netaudit.store.records import Address, Condition, Device, Heard, Interval, Reading
from netaudit.store.stay import Stays

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from netaudit.audit.life import Memory
    from netaudit.audit.seen import Seen
    from netaudit.site.model import Site
    from netaudit.store.findings import Finding

BEGINS = datetime(2026, 4, 6, tzinfo=UTC)
STEP = timedelta(minutes=15)


def demo_site() -> Site:
    """Give the demo's plan."""
    return parse_site(resources.files("netaudit.demo").joinpath("site.toml").read_text("utf-8"))


@dataclass(frozen=True)
class Body:
    """One device: where it is, how often a sweep hears it, how fast it answers (None: nobody asks), when it is at home."""

    mac: str
    segment: str
    address: str
    heard: float = 1.0
    rtt_s: float | None = 0.0005
    home: Callable[[datetime], bool] = lambda _at: True


@dataclass
class Turn:
    """What events change in one step."""

    at: datetime
    silent: set[str] = field(default_factory=set)
    joined: list[Body] = field(default_factory=list)
    moved: dict[str, tuple[str, str]] = field(default_factory=dict)
    tells: dict[tuple[str, str], float] = field(default_factory=dict)
    loss: dict[str, float] = field(default_factory=dict)
    failing: dict[str, str] = field(default_factory=dict)
    notices: list[tuple[str, str, dict[str, str]]] = field(default_factory=list)
    firmware: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Event:
    """Something that goes on from `begins` to `ends`, both (day, hour)."""

    begins: tuple[int, float]
    ends: tuple[int, float]
    do: Callable[[Turn], None]


def when(day_and_hour: tuple[int, float]) -> datetime:
    """Give a moment of the month."""
    return BEGINS + timedelta(days=day_and_hour[0], hours=day_and_hour[1])


def make_bodies(site: Site) -> list[Body]:
    """Give every planned device, access point, recorder and gateway a body."""
    bodies = [
        Body(
            actor.mac,
            actor.segment,
            str(actor.address),
            heard=0.03 if actor.profile.sleeps else 0.9995 if actor.access_point else 1.0,
            # A handful of the wireless ones are asked for echoes: enough noise, and the month stays quick.
            rtt_s=0.0005 if not actor.access_point else 0.0045 if number % 8 == 0 else None,
            home=_habit(number, actor.segment) if actor.may_be_absent else lambda _at: True,
        )
        for number, actor in enumerate(make_cast(site))
    ]
    bodies += [Body(point.mac or "", point.segment or "", str(point.address)) for point in site.access_point.values()]
    bodies += [Body(one.mac or "", one.segment or "", str(one.address)) for one in site.recorder.values()]
    gateways = [(name, str(segment.network[1])) for name, segment in site.segment.items()]
    bodies += [
        Body(f"02:00:5e:10:01:{number:02x}", name, address, rtt_s=None)
        for number, (name, address) in enumerate(gateways)
    ]
    return bodies


def _habit(rhythm: int, segment: str) -> Callable[[datetime], bool]:
    def home(at: datetime) -> bool:
        if segment == "visitors":
            return 10 + rhythm % 4 <= at.hour < 19 and (at.day + rhythm) % 3 != 0
        return at.weekday() >= 5 or not 7 + rhythm % 3 <= at.hour < 15 + rhythm % 5

    return home


def _bustle(at: datetime) -> float:
    return 0.15 + 0.85 * math.exp(-(((at.hour + at.minute / 60 - 20.5) / 3.2) ** 2))


class Month:
    """The month as collectors and store would have it, step by step."""

    def __init__(self, site: Site, *, seed: int) -> None:
        self.site = site
        self._bodies = make_bodies(site)
        self._dice = random.Random(seed)
        # Dice of their own, so that what is told beside it doesn't change the fate of an echo.
        self._other_dice = random.Random(seed + 1000)
        self._tolerance = tolerance_of(site)
        self._stays = Stays()
        self._devices: dict[str, Device] = {}
        self._series: dict[tuple[str, str], deque[Reading]] = {}
        self._heard: dict[tuple[str, str, tuple[tuple[str, str], ...]], Heard] = {}
        self._sources: dict[str, Condition] = {}

    def step(self, turn: Turn) -> Seen:
        """Live through one step and see."""
        for body in (*self._bodies, *turn.joined):
            at_home = body.mac not in turn.silent and body.home(turn.at)
            # Whoever is asked each minute is heard each time; the others only when a sweep catches them awake.
            if at_home and (body.rtt_s is not None or self._dice.random() < body.heard):
                self._sight(body, *turn.moved.get(body.mac, (body.segment, body.address)), turn.at)
            if at_home and body.rtt_s is not None:
                self._echo(turn, f"device:{body.mac}", body.rtt_s, 0.45 if body.rtt_s > 0.001 else 0.2)
        for name in self.site.segment:
            self._echo(turn, f"segment:{name}/gateway", 0.0004, 0.15)
            self._attempt(turn, f"sweep:{name}")
        self._equipment(turn)
        for place, kind, detail in turn.notices:
            self._notice(turn.at, place, kind, detail)
        return self._see(turn.at + timedelta(seconds=30))

    def _sight(self, body: Body, segment: str, address: str, at: datetime) -> None:
        self._stays.sight(body.mac, segment, seconds(at), self._tolerance(body.mac))
        known = self._devices.get(body.mac)
        before = known.addresses if known else ()
        same = next((one for one in before if (one.segment, one.address) == (segment, address)), None)
        now = replace(same, last_at=at) if same else Address(address, segment, "arp", at, at)
        others = tuple(one for one in before if one is not same)
        self._devices[body.mac] = Device(body.mac, known.first_at if known else at, at, (now, *others), ())

    def _echo(self, turn: Turn, place: str, median_s: float, spread: float) -> None:
        lost, busy = turn.loss.get(place, 0.002), 1 + 0.3 * _bustle(turn.at)
        for minute in range(12, -1, -3):
            delay_s = median_s * math.exp(self._dice.gauss(0, spread)) * busy
            value = None if self._dice.random() < lost else delay_s
            self._put(place, "rtt_s", Reading(turn.at - timedelta(minutes=minute), value))

    def _equipment(self, turn: Turn) -> None:
        at, chance = turn.at, self._dice
        for name, point in self.site.access_point.items():
            for radio in point.radio:
                share = (0.16 if radio.band == "2.4" else 0.05) * (0.5 + _bustle(at)) + chance.uniform(0, 0.02)
                self._tell(turn, f"radio:{name}/{radio.band}", "busy_share", share)
        for name in self.site.switch:
            self._tell(turn, f"switch:{name}", "uptime_s", 1e6 + (at - BEGINS).total_seconds())
            self._tell(turn, f"switch:{name}", "power_w", 40.0 + chance.uniform(-3, 3))
            self._tell(turn, f"link:switch/{name}", "speed_bps", 1e9)
            self._tell(turn, f"link:switch/{name}", "errors", float(chance.random() < 0.02))
            self._tell(turn, f"link:switch/{name}", "up_bps", chance.uniform(1e6, 9e7))
            if at.minute == 0:
                self._notice(at, f"switch:{name}", "firmware", {"text": turn.firmware.get(name, "4.0.2")})
        self._beyond(turn)
        if at.minute == 0:
            router = {"server": "10.71.10.1", "mac": "02:00:5e:10:01:00"}
            self._notice(at, "segment:family", "dhcp_server", router)
            self._notice(at, "device:store", "resolved", {"name": "store.heron.home.arpa", "address": "10.71.10.22"})

    def _beyond(self, turn: Turn) -> None:
        """The way out, clocks, radios by ear, what is tried between segments: with the small troubles of each month."""
        at, chance = turn.at, self._other_dice
        # One of two hosts outside is away now and then.
        self._tell(turn, "link:wan", "outside_share", 0.5 if chance.random() < 0.01 else 1.0)
        self._tell(turn, "service:time", "ntp_s", 0.002)
        self._tell(turn, "service:time", "ntp_offset_s", chance.gauss(0, 0.005))
        for name, point in self.site.access_point.items():
            for radio in point.radio:
                if radio.channel is not None:
                    self._tell(turn, f"radio:{name}/{radio.band}", "channel", float(radio.channel))
        self._tell(turn, "channel:2.4/1", "neighbour_networks", float(chance.randint(0, 5)))
        for name in self.site.switch:
            self._tell(turn, f"switch:{name}/port:1", "tx_bps", chance.uniform(1e6, 9e7))
            self._tell(turn, f"switch:{name}/port:1", "discards", float(chance.randint(0, 40)))
        if at.minute == 0:
            for name in self.site.segment:
                self._tell(turn, f"segment:{name}", "isolation_breaches", 0.0)
            back = {"name": "store.heron.home.arpa", "address": "10.71.10.22"}
            self._notice(at, "device:store", "resolved_back", back)
            self._notice(at, "channel:2.4/1", "neighbour_network", {"bssid": "02:00:5e:aa:00:01", "name": "mill"})

    def _tell(self, turn: Turn, place: str, kind: str, usual: float) -> None:
        self._put(place, kind, Reading(turn.at, turn.tells.get((place, kind), usual)))

    def _put(self, place: str, kind: str, reading: Reading) -> None:
        kept = self._series.setdefault((place, kind), deque())
        kept.append(reading)
        while kept[0].at <= reading.at - timedelta(hours=1):
            kept.popleft()

    def _attempt(self, turn: Turn, source: str) -> None:
        reason = turn.failing.get(source, "")
        known = self._sources.get(source)
        same = known is not None and known.good is not bool(reason)
        self._sources[source] = (
            replace(known, until=turn.at) if known and same else Condition(source, not reason, reason, turn.at, turn.at)
        )

    def _notice(self, at: datetime, place: str, kind: str, detail: dict[str, str]) -> None:
        key = (place, kind, tuple(sorted(detail.items())))
        known = self._heard.get(key)
        self._heard[key] = replace(known, last_at=at, times=known.times + 1) if known else Heard(*key, at, at, 1)

    def _see(self, now: datetime) -> Seen:
        recent = {key: kept for key, kept in self._series.items() if now - kept[-1].at < timedelta(hours=1)}
        return compose(
            self.site,
            now,
            devices=self._devices.values(),
            stays=[
                Interval(stay.mac, stay.segment, moment(stay.since), moment(stay.until)) for stay in self._stays.all()
            ],
            readings=recent,
            notices=sorted(
                (one for one in self._heard.values() if now - one.last_at <= timedelta(days=1)),
                key=lambda one: one.last_at,
                reverse=True,
            ),
            sources=self._sources.values(),
        )


def live(events: tuple[Event, ...], *, seed: int, days: int) -> Iterator[tuple[str, datetime, Finding]]:
    """Live through the month as the watch does; yield "opened" or "closed", when, and the finding."""
    site = demo_site()
    month, ledger = Month(site, seed=seed), gather(site)
    memory: Memory | None = None
    standing: dict[str, Finding] = {}
    for index in range(days * 96):
        turn = Turn(BEGINS + index * STEP)
        for event in events:
            if when(event.begins) <= turn.at < when(event.ends):
                event.do(turn)
        seen = month.step(turn)
        judgement = judge(site, ledger, seen, standing.values(), seen.at, memory=memory)
        memory = judgement.memory
        for finding in judgement.opened:
            standing[finding.key] = finding
            yield "opened", seen.at, finding
        for finding in judgement.closed:
            del standing[finding.key]
            yield "closed", seen.at, finding
