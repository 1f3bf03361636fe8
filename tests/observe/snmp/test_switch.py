"""One switch looked at again and again: the words that judging understands, and never a rate that wasn't."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from netaudit.audit import vocabulary
from netaudit.errors import LookError
from netaudit.observe.observation import Health, Notice, Sample
from netaudit.observe.snmp.links import Hangs
from netaudit.observe.snmp.opening import open_agent
from netaudit.observe.snmp.switch import SwitchLook
from tests.observe.snmp import recording
from tests.observe.snmp.agent import NETWORKS, agent
from tests.observe.snmp.recorded import RecordedClient
from tests.observe.snmp.recording import DESK_PORT, IF, IFX, OFFSET, POINT_PORT, UPLINK, UPTIME

if TYPE_CHECKING:
    from pathlib import Path

    from netaudit.observe.observation import Observation

AT = datetime(2026, 3, 1, 12, tzinfo=UTC)
HANGS = Hangs(
    "link:switch/shelf",
    above=frozenset({recording.ROUTER_MAC}),
    below={"link:access_point/hall": frozenset({recording.POINT_MAC})},
)
IN_64, IN_FRAMES, OUT_64, OUT_FRAMES = 6, 7, 10, 11
Library = Literal["gufo", "pysnmp"]


class Bench:
    """A look at recorded rows, with a clock that the test turns."""

    def __init__(self, rows: recording.Rows, **more: float) -> None:
        self.clock_s = 1000.0
        self.client = RecordedClient(recording.values(rows))
        self.look = SwitchLook(
            "shelf",
            self.client,
            hangs=lambda: HANGS,
            now=lambda: AT,
            steady=lambda: self.clock_s,
            **{"planned_w": 65.0, **more},
        )

    def visit(
        self, rows: recording.Rows | Exception | None = None, *, after_s: float = 60.0
    ) -> tuple[Observation, ...]:
        """Look once, some time later, at what the switch says by then."""
        self.clock_s += after_s
        if rows is not None:
            self.client.rows = rows if isinstance(rows, Exception) else recording.values(rows)
        return asyncio.run(self.look.look())


def samples(told: tuple[Observation, ...], kind: str) -> dict[str, float | None]:
    """Give the samples of a kind by place."""
    return {one.place: one.value for one in told if isinstance(one, Sample) and one.kind == kind}


def notices(told: tuple[Observation, ...], kind: str) -> list[Notice]:
    """Give the notices of a kind."""
    return [one for one in told if isinstance(one, Notice) and one.kind == kind]


def health(told: tuple[Observation, ...]) -> Health:
    """Give how the visit went: the last word, and the only one of its kind."""
    found = [one for one in told if isinstance(one, Health)]
    assert len(found) == 1
    assert told[-1] is found[0]
    return found[0]


def moved(
    rows: recording.Rows, port: int, *, ticks: int, octets_in: int, octets_out: int, frames: int
) -> recording.Rows:
    """Let a port carry something, and the switch's time go on."""
    counters = {IN_64: octets_in, OUT_64: octets_out, IN_FRAMES: frames, OUT_FRAMES: frames}
    changed: recording.Rows = {
        (*IFX, column, port + OFFSET): ("counter64", str(int(rows[*IFX, column, port + OFFSET][1]) + more))
        for column, more in counters.items()
    }
    return {**rows, **changed, UPTIME: ("timeticks", str(int(rows[UPTIME][1]) + ticks))}


def check_first_visit(told: tuple[Observation, ...]) -> None:
    """Assert what the invented switch says at a first visit."""
    assert health(told) == Health(health(told).at, "snmp:shelf", good=True, reason="")
    assert samples(told, vocabulary.PORTS_UP) == {"switch:shelf": 3}
    assert samples(told, vocabulary.UPTIME_S) == {"switch:shelf": 3600}
    assert samples(told, vocabulary.POWER_W) == {"switch:shelf": 11}
    speeds = samples(told, vocabulary.SPEED_BPS)
    assert speeds["link:switch/shelf"] == speeds[f"switch:shelf/port:{UPLINK}"] == 1e9
    assert speeds["link:access_point/hall"] == 1e9
    assert speeds["switch:shelf/port:1"] == 0
    learnt = {(one.place, dict(one.detail)["mac"]) for one in notices(told, vocabulary.FORWARDING)}
    assert learnt == {
        (f"switch:shelf/port:{UPLINK}", recording.ROUTER_MAC),
        (f"switch:shelf/port:{DESK_PORT}", recording.DESK_MAC),
        *((f"switch:shelf/port:{POINT_PORT}", mac) for mac in (recording.POINT_MAC, *recording.STATION_MACS)),
    }
    (neighbour,) = notices(told, vocabulary.LLDP_NEIGHBOUR)
    assert neighbour.place == f"switch:shelf/port:{UPLINK}"
    assert dict(neighbour.detail) == {"chassis": recording.ROUTER_MAC, "name": "gate", "port": "lan1"}
    (firmware,) = notices(told, vocabulary.FIRMWARE)
    assert (firmware.place, firmware.detail) == ("switch:shelf", (("text", "Invented OS 4.2"),))
    # One reading makes no rate and counts no error.
    assert not samples(told, vocabulary.UP_BPS)
    assert not samples(told, vocabulary.ERRORS)


@pytest.mark.parametrize("library", ["gufo", "pysnmp"])
@pytest.mark.parametrize("version", ["2c", "3"])
async def test_a_real_agent_is_told_in_the_words_of_the_ledger(tmp_path: Path, library: Library, version: str) -> None:
    """Net-snmp's agent serving the invented switch, by both clients and both versions: ports, power, MACs, neighbours."""
    with agent(tmp_path, recording.a_switch()) as running:
        key = running.community() if version == "2c" else running.user()
        look = SwitchLook(
            "shelf", open_agent(key, networks=NETWORKS, prefer=library), hangs=lambda: HANGS, planned_w=65.0
        )
        check_first_visit(await look.look())


def test_rows_in_memory_are_told_like_an_agents() -> None:
    """The shipped double gives what the real agent gives."""
    check_first_visit(Bench(recording.a_switch()).visit())


def test_rates_are_those_on_the_line_and_point_the_right_way() -> None:
    """At the uplink what is sent goes up; at an access point's port what is received does. 20 octets a frame come on top."""
    rows = recording.a_switch()
    bench = Bench(rows)
    bench.visit()
    rows = moved(rows, UPLINK, ticks=6000, octets_in=60_000_000, octets_out=6_000_000, frames=60_000)
    rows = moved(rows, POINT_PORT, ticks=0, octets_in=3_000_000, octets_out=30_000_000, frames=30_000)
    told = bench.visit(rows)
    up, down = samples(told, vocabulary.UP_BPS), samples(told, vocabulary.DOWN_BPS)
    assert up["link:switch/shelf"] == pytest.approx((6_000_000 + 20 * 60_000) * 8 / 60)
    assert down["link:switch/shelf"] == pytest.approx((60_000_000 + 20 * 60_000) * 8 / 60)
    assert up["link:access_point/hall"] == pytest.approx((3_000_000 + 20 * 30_000) * 8 / 60)
    assert down["link:access_point/hall"] == pytest.approx((30_000_000 + 20 * 30_000) * 8 / 60)
    assert samples(told, vocabulary.ERRORS)[f"switch:shelf/port:{UPLINK}"] == 0
    assert samples(told, "rx_bps")[f"switch:shelf/port:{DESK_PORT}"] == 0


@pytest.mark.parametrize("what", ["restart", "reset", "gap"])
def test_a_break_makes_no_rate(what: str) -> None:
    """After a restart, a reset counter or a clock that stood still the next rates wait for a second reading."""
    rows = recording.a_switch()
    bench = Bench(rows)
    bench.visit()
    after = moved(rows, UPLINK, ticks=6000, octets_in=1000, octets_out=1000, frames=10)
    if what == "restart":
        after[UPTIME] = ("timeticks", "500")
    elif what == "reset":
        after[*IFX, 19, UPLINK + OFFSET] = ("timeticks", "361000")
    else:
        # The clock says ten minutes, the switch one: one of the two stood still.
        bench.clock_s += 540
    told = bench.visit(after)
    assert "link:switch/shelf" not in samples(told, vocabulary.UP_BPS)
    assert health(told).good
    if what == "restart":
        assert samples(told, vocabulary.UPTIME_S) == {"switch:shelf": 5}
    again = moved(after, UPLINK, ticks=6000, octets_in=750_000, octets_out=0, frames=0)
    assert samples(bench.visit(again), vocabulary.DOWN_BPS)["link:switch/shelf"] == pytest.approx(100_000)


def test_counters_that_change_their_size_are_not_compared() -> None:
    """An agent that loses its 64-bit counters is read by the 32-bit ones from the next visit on."""
    rows = recording.a_switch()
    bench = Bench(rows)
    bench.visit()
    narrow = {**rows, UPTIME: ("timeticks", "361500")}
    del narrow[*IFX, IN_64, UPLINK + OFFSET]
    assert "link:switch/shelf" not in samples(bench.visit(narrow, after_s=15), vocabulary.DOWN_BPS)
    again = {**narrow, UPTIME: ("timeticks", "363000"), (*IF, 10, UPLINK + OFFSET): ("counter", "751000")}
    told = bench.visit(again, after_s=15)
    assert samples(told, vocabulary.DOWN_BPS)["link:switch/shelf"] == pytest.approx(400_000)


def test_an_aggregate_is_one_link_and_several_sockets() -> None:
    """Two sockets joined to one uplink: both are in use, the link has their speed together and the aggregate's own counters."""
    rows = recording.a_switch()
    joined = 900
    # The sockets 9 and 10 are no bridge ports any more; the aggregate is, as port 10.
    del rows[*recording.BASE_PORT, 9]
    rows[*recording.BASE_PORT, UPLINK] = ("integer", str(joined))
    rows[*IF, 8, 9 + OFFSET] = ("integer", "1")
    rows |= {(*IF, 3, joined): ("integer", "161"), (*IF, 8, joined): ("integer", "1")}
    rows |= {(*IFX, 15, joined): ("gauge", "2000"), (*IFX, 17, joined): ("integer", "2")}
    rows |= {(*IFX, column, joined): ("counter64", "5") for column in range(6, 14)}
    bench = Bench(rows)
    told = bench.visit()
    assert samples(told, vocabulary.PORTS_UP) == {"switch:shelf": 4}
    assert samples(told, vocabulary.SPEED_BPS)["link:switch/shelf"] == 2e9
    later = {**rows, UPTIME: ("timeticks", "366000"), (*IFX, IN_64, joined): ("counter64", str(5 + 12_000_000_000))}
    assert samples(bench.visit(later), vocabulary.DOWN_BPS)["link:switch/shelf"] == pytest.approx(1.6e9)


def test_a_switch_without_wide_counters_is_read_by_the_narrow_ones() -> None:
    """32-bit octet counters go round and still give the rate; frames that aren't counted add nothing."""
    rows = {oid: value for oid, value in recording.a_switch().items() if oid[: len(IFX)] != IFX or oid[-2] > 13}
    octets = (*IF, 10, UPLINK + OFFSET)
    rows[octets] = ("counter", str(2**32 - 1000))
    bench = Bench(rows)
    bench.visit()
    later = {**rows, octets: ("counter", "749000"), UPTIME: ("timeticks", "361500")}
    told = bench.visit(later, after_s=15)
    assert samples(told, vocabulary.DOWN_BPS)["link:switch/shelf"] == pytest.approx(750_000 * 8 / 15)


def test_errors_are_those_since_the_visit_before() -> None:
    """Errors of both directions are added, round 2^32 or not; a port without a link that counts none says nothing."""
    rows = recording.a_switch()
    rows[*IF, 14, DESK_PORT + OFFSET] = ("counter", str(2**32 - 3))
    bench = Bench(rows)
    bench.visit()
    later = {**rows, UPTIME: ("timeticks", "366000")}
    later[*IF, 14, DESK_PORT + OFFSET] = ("counter", "4")
    later[*IF, 20, DESK_PORT + OFFSET] = ("counter", "5")
    later[*IF, 13, UPLINK + OFFSET] = ("counter", "9")
    told = bench.visit(later)
    assert samples(told, vocabulary.ERRORS) == {
        f"switch:shelf/port:{DESK_PORT}": 12,
        f"switch:shelf/port:{UPLINK}": 0,
        f"switch:shelf/port:{POINT_PORT}": 0,
    }
    assert samples(told, "discards")[f"switch:shelf/port:{UPLINK}"] == 9


def test_ticks_that_go_round_are_no_restart() -> None:
    """After 497 days the time since the start goes on, and so do the rates."""
    rows = recording.a_switch(ticks=2**32 - 3000)
    bench = Bench(rows)
    first = samples(bench.visit(), vocabulary.UPTIME_S)["switch:shelf"]
    later = moved(rows, UPLINK, ticks=0, octets_in=750_000, octets_out=0, frames=0) | {UPTIME: ("timeticks", "3000")}
    told = bench.visit(later)
    assert samples(told, vocabulary.UPTIME_S)["switch:shelf"] == pytest.approx((first or 0) + 60)
    assert samples(told, vocabulary.DOWN_BPS)["link:switch/shelf"] == pytest.approx(100_000)


def test_tables_are_read_every_few_minutes_only() -> None:
    """Counters each time; MACs, neighbours, power and firmware when five minutes have passed."""
    bench = Bench(recording.a_switch())
    assert notices(bench.visit(), vocabulary.FORWARDING)
    assert not notices(bench.visit(recording.a_switch(ticks=366_000)), vocabulary.FORWARDING)
    changed = recording.a_switch(ticks=390_000, firmware="Invented OS 4.3")
    (firmware,) = notices(bench.visit(changed, after_s=240), vocabulary.FIRMWARE)
    assert firmware.detail == (("text", "Invented OS 4.3"),)


# RFC 3621 says watts; what some agents say instead, and what the plan has. consumption, rating, plan [W] -> watts, rating
POWERS = [
    ("watts", 11, 65, 65, 11, 65),
    ("watts, plan silent", 11, 65, 0, 11, 65),
    ("consumption in milliwatts", 11_200, 65, 65, 11.2, 65),
    ("both in milliwatts, plan knows", 11_200, 65_000, 65, 11.2, 65),
    ("both in milliwatts, plan silent", 11_200, 65_000, 0, 11.2, 65),
    # One port delivers, and a class 4 port gives under 100 W: 300 can't be watts though the supply would have them.
    ("little in milliwatts of a large supply", 300, 370, 370, 0.3, 370),
]


@pytest.mark.parametrize(
    ("used", "rating", "planned_w", "used_w", "rating_w"), [row[1:] for row in POWERS], ids=[row[0] for row in POWERS]
)
def test_power_is_in_watts_whatever_the_switch_counts_in(
    used: int, rating: int, planned_w: float, used_w: float, rating_w: float
) -> None:
    """Milliwatts are found out by what the supply and its ports can give, and it is told."""
    rows = recording.a_switch()
    rows |= {(*recording.POE_SUPPLY, 2, 1): ("gauge", str(rating)), (*recording.POE_SUPPLY, 4, 1): ("gauge", str(used))}
    told = Bench(rows, planned_w=planned_w).visit()
    assert samples(told, vocabulary.POWER_W) == {"switch:shelf": pytest.approx(used_w)}
    assert samples(told, "power_rating_w") == {"switch:shelf": pytest.approx(rating_w)}
    assert bool(notices(told, "power_unit")) == (used != used_w)


def test_power_that_can_be_neither_is_trouble() -> None:
    """More than the supply has even as milliwatts: no number, and the reason."""
    rows = recording.a_switch() | {(*recording.POE_SUPPLY, 4, 1): ("gauge", "4000000000")}
    told = Bench(rows).visit()
    assert not samples(told, vocabulary.POWER_W)
    assert "neither watts nor milliwatts" in health(told).reason


def test_a_port_that_fails_to_feed_is_told() -> None:
    """RFC 3621: status 4 is a fault, 6 another; a class counts only while it delivers."""
    rows = recording.a_switch() | {(*recording.POE_PORT, 6, 1, 7): ("integer", "4")}
    told = Bench(rows).visit()
    assert [one.place for one in notices(told, "power_fault")] == ["switch:shelf/port:7"]
    assert samples(told, "power_class") == {f"switch:shelf/port:{POINT_PORT}": 4}


def test_a_switch_that_is_silent_is_trouble_and_nothing_else() -> None:
    """No answer: one bad health with the reason; and the rate after it waits for two readings that belong together."""
    rows = recording.a_switch()
    bench = Bench(rows)
    bench.visit()
    told = bench.visit(LookError("192.0.2.9 gave no answer"))
    assert [type(one) for one in told] == [Health]
    assert health(told).reason == "192.0.2.9 gave no answer"
    # The counters before the silence are still good: the agent ran through, so the mean over both intervals is true.
    later = moved(rows, UPLINK, ticks=12_000, octets_in=1_500_000, octets_out=0, frames=0)
    assert samples(bench.visit(later), vocabulary.DOWN_BPS)["link:switch/shelf"] == pytest.approx(100_000)


def test_a_switch_that_never_ends_is_left() -> None:
    """A visit has a deadline; what takes longer is trouble with its reason."""

    class Slow(RecordedClient):
        async def get(self, oids: object) -> dict[tuple[int, ...], int | bytes | str]:  # noqa: ARG002 - never gets there
            await asyncio.sleep(60)
            return {}

    look = SwitchLook("shelf", Slow({}), hangs=lambda: HANGS, deadline_s=0.05)
    assert "longer than" in health(asyncio.run(look.look())).reason


JUNK = st.one_of(st.integers(-(2**70), 2**70), st.binary(max_size=300), st.text(max_size=20))
NAMES = sorted(recording.values(recording.a_switch()))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(st.sampled_from(NAMES), JUNK, max_size=40), st.sets(st.sampled_from(NAMES), max_size=40))
def test_nonsense_is_no_crash_and_no_number_out_of_bounds(
    junk: dict[tuple[int, ...], int | bytes | str], gone: set[tuple[int, ...]]
) -> None:
    """Rows that are missing, of another type or absurd: a visit ends with its health, rates fit the ports, shares exist."""
    bench = Bench(recording.a_switch())
    bench.visit()
    rows = {oid: value for oid, value in recording.values(recording.a_switch(ticks=390_000)).items() if oid not in gone}
    bench.client.rows = {**rows, **junk}
    bench.clock_s += 300
    told = asyncio.run(bench.look.look())
    health(told)
    for one in told:
        if isinstance(one, Sample):
            assert one.value is not None
            assert one.value >= 0
            if one.kind in ("rx_bps", "tx_bps", "up_bps", "down_bps"):
                assert one.value <= 2 * 1.1 * 800e9
