"""The ledger as a whole: one answer of all subjects, the same at each asking, linear in the plan's parts."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netaudit.capacity.advice import CURES, advise, repeats_a_radio
from netaudit.capacity.ledger import gather
from netaudit.capacity.line import WORST_FIRST, Kind, Line, State, state_of
from netaudit.site.load import build_site
from tests.capacity.large_plan import KINDS, large_plan


def _amounts(raw: dict[str, object]) -> dict[tuple[str, str], float]:
    return {(line.kind, line.place): line.planned for line in gather(build_site(raw)).lines}


def test_each_line_stands_once() -> None:
    """A kind and a place name one line: metrics, findings and what-if rest on it."""
    lines = gather(build_site(large_plan(200, 12, 6))).lines
    assert len({(line.kind, line.place) for line in lines}) == len(lines)


def test_the_same_plan_is_the_same_ledger() -> None:
    """Pure: no clock, no chance."""
    raw = large_plan(60, 6, 4)
    assert gather(build_site(raw)) == gather(build_site(raw))


@settings(max_examples=15)
@given(kind=st.sampled_from(KINDS), one=st.integers(1, 30), other=st.integers(1, 30))
def test_splitting_a_group_changes_nothing(kind: str, one: int, other: int) -> None:
    """A group of m + n is the same ledger as a group of m beside a group of n."""
    raw = large_plan(16, 4, 2)
    whole = {**raw, "device": {**raw["device"], "g": {"kind": kind, "count": one + other, "segment": "s0", "at": "r0"}}}
    part = {"kind": kind, "segment": "s0", "at": "r0"}
    split = {**raw, "device": {**raw["device"], "g": {**part, "count": one}, "h": {**part, "count": other}}}
    ours, theirs = _amounts(whole), _amounts(split)
    assert ours.keys() == theirs.keys()
    for key, amount in ours.items():
        assert amount == pytest.approx(theirs[key], rel=1e-9, abs=1e-12), key


@pytest.mark.parametrize("kind", KINDS)
def test_one_device_more_never_lowers_a_demand(kind: str) -> None:
    """Whatever the device, no line of a plan with one switch a closet asks for less than before."""
    raw = large_plan(40, 4, 2)
    before = _amounts(raw)
    more = {**raw, "device": {**raw["device"], "new": {"kind": kind, "segment": "s1", "at": "r1"}}}
    for key, amount in _amounts(more).items():
        assert amount >= before.get(key, 0.0) - 1e-9, key


def test_every_kind_has_a_cure() -> None:
    """A line of any kind that is tight or over says what lacks and what to do; one within says nothing."""
    assert set(CURES) == set(Kind)
    for kind in Kind:
        line = Line(kind, "site:x", "W", 10.0, 0.8, "why", planned=9.0, grown=12.0, basis="the site plan")
        said = advise(line)
        assert said is not None
        assert "4 W" in said
    within = Line(Kind.POWER, "site:x", "W", 10.0, 0.8, "why", planned=1.0, grown=2.0, basis="the site plan")
    assert advise(within) is None


@pytest.mark.parametrize(
    ("unit", "planned", "supply", "said"),
    [
        ("bit/s", 81.54e6, 70e6, "lacks 11.54 Mb/s now, "),
        ("B", 5.5e12, 3.6e12, "lacks 1.9 TB now, "),
        ("share of the time", 0.6, 0.48, "lacks 12 % of the time now, "),
        ("W", 180.0, 95.6, "lacks 84.4 W now, "),
    ],
)
def test_what_lacks_is_said_in_the_unit_that_fits(unit: str, planned: float, supply: float, said: str) -> None:
    """Nobody reads 1.154e+07 bit/s: what lacks is written as the figures beside it are."""
    line = Line(
        Kind.MONEY, "site:x", unit, supply, 1.0, "why", planned=planned, grown=2 * planned, basis="the site plan"
    )
    assert (advise(line) or "").startswith(said)


def test_what_lacks_now_is_not_what_lacks_with_growth() -> None:
    """Of one port planned, 1.25 with growth and none there, one lacks now and two later; only whole ports help."""
    line = Line(Kind.POWERED_PORTS, "switch:x", "ports", 0.0, 0.9, "why", 1.0, 1.25, "the site plan")
    assert (advise(line) or "").startswith("lacks 1 port now, 2 ports with growth: ")


def test_what_lacks_is_said_once_where_growth_adds_nothing() -> None:
    """Without growth, and where it takes no further port, there is one amount: nobody reads the same twice."""
    for planned, grown in ((13.0, 13.0), (12.1, 12.9)):
        line = Line(Kind.PORTS, "switch:x", "ports", 10.0, 1.0, "why", planned, grown, "the site plan")
        assert (advise(line) or "").startswith("lacks 3 ports: ")


@pytest.mark.parametrize("growth", [0.0, 0.3])
def test_a_channel_never_says_more_than_its_radios(growth: float) -> None:
    """Whenever a channel's line is tight or over, a radio's of its band is, too: what to do can be told of that alone."""
    spoken = 0
    for devices in (20, 200, 800):
        raw = large_plan(devices, 4, 5)
        raw = {**raw, "site": {**raw["site"], "growth": growth}}
        air = [one for one in gather(build_site(raw)).lines if one.kind is Kind.AIRTIME]
        for line in filter(repeats_a_radio, air):
            band = line.place.removeprefix("channel:").partition("/")[0]
            radios = [one for one in air if one.place.startswith("radio:") and one.place.endswith(f"/{band}")]
            for now, said in (
                (line.state, [one.state for one in radios]),
                (line.grown_state, [one.grown_state for one in radios]),
            ):
                assert WORST_FIRST.index(now) >= min(map(WORST_FIRST.index, said)), line.place
            spoken += line.grown_state is not State.WITHIN
    assert spoken


@pytest.mark.parametrize(
    ("demand", "state"),
    [(0.0, State.WITHIN), (8.0, State.WITHIN), (8.01, State.TIGHT), (10.0, State.TIGHT), (10.01, State.OVER)],
)
def test_states_are_as_the_words_are_defined(demand: float, state: State) -> None:
    """At or under the ceiling is within; over it and not over the supply is tight; more than the supply is over."""
    assert state_of(demand, 10.0, 0.8) is state
