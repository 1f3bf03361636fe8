from __future__ import annotations

import ipaddress
import random
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity import addresses
from netaudit.capacity.line import Kind, State
from netaudit.errors import OutOfRange
from tests.capacity.wired_plan import kinds, line, plan, step

if TYPE_CHECKING:
    from collections.abc import Callable


# Python's ipaddress lists hosts on its own.
@pytest.mark.parametrize("length", range(20, 33))
def test_usable_hosts_are_those_that_the_library_lists(length: int) -> None:
    """As many as ipaddress lists, for every prefix from /20 on."""
    assert addresses.usable_hosts(length) == len(list(ipaddress.IPv4Network(f"10.0.0.0/{length}").hosts()))


@given(st.integers(1, 100_000))
def test_the_smallest_prefix_is_the_smallest(wanted: int) -> None:
    """The network holds what is wanted and the next smaller one doesn't (no smaller than a /30)."""
    length = addresses.smallest_prefix(wanted)
    assert addresses.usable_hosts(length) >= wanted
    assert length == 30 or addresses.usable_hosts(length + 1) < wanted


def test_leases_are_what_a_simulation_holds() -> None:
    """Little's law against a simulated year of guests: the mean of leases held agrees to 3 %."""
    random_ = random.Random(20)
    stay_s, lease_s, a_day = 7200.0, 14400.0, 40.0
    horizon_s = 365 * 86400.0
    now, held_s = 0.0, 0.0
    while (now := now + random_.expovariate(a_day / 86400.0)) < horizon_s:
        held_s += random_.expovariate(1.0 / stay_s) + lease_s
    assert addresses.leases_held(a_day, stay_s=stay_s, lease_s=lease_s) == pytest.approx(held_s / horizon_s, rel=0.03)


@given(st.floats(0, 1000), st.floats(0, 1e5), st.floats(0, 1e6), st.floats(1, 20), st.floats(0, 10))
def test_shorter_leases_and_steady_names_make_room(
    arrivals: float, stay_s: float, lease_s: float, identities: float, more: float
) -> None:
    """A longer lease, a longer stay or more identities never hold fewer leases."""
    here = addresses.leases_held(arrivals, stay_s=stay_s, lease_s=lease_s, identities=identities)
    for other in (
        addresses.leases_held(arrivals, stay_s=stay_s, lease_s=lease_s + more, identities=identities),
        addresses.leases_held(arrivals, stay_s=stay_s + more, lease_s=lease_s, identities=identities),
        addresses.leases_held(arrivals, stay_s=stay_s, lease_s=lease_s, identities=identities + more),
    ):
        assert other >= here - 1e-9


def small(**segment: Any) -> Any:
    """Build a plan with a /26 of 62 hosts."""
    return {"main": {"network": "10.20.0.0/26", **segment}}


def test_the_pool_holds_devices_and_the_leases_of_guests() -> None:
    """12 devices with a lease, and 24 guests a day of 2 h with leases of 22 h hold 24 more: 36 of 31."""
    guests = {"arrivals_per_day": 24, "stay": "2 h"}
    site = plan(
        segment=small(lease="22 h", guests=guests),
        device={"phones": {"kind": "phone", "count": 12}, "fixed": {"kind": "desktop", "address": "10.20.0.9"}},
        access_point={"attic": {"at": "kitchen", "address": "10.20.0.2"}},
    )
    verdict = addresses.judge(site)
    found = line(verdict, Kind.ADDRESSES, "segment:main")
    assert found.planned == pytest.approx(36.0)
    # The upper half of a /26: .32 to .62.
    assert found.supply == 31
    assert found.state is State.OVER
    assert step(found, "fixed addresses") == 3
    count = line(verdict, Kind.DEVICE_COUNT, "segment:main")
    # Present at a time: 12 and the fixed one and the access point, and 24 guests a day for 2 h are two.
    assert count.planned == pytest.approx(16.0)


def test_a_network_without_dhcp_has_no_pool_to_run_out() -> None:
    """All are fixed: no line of a pool, nothing lies in one, as many devices as before, and the size of the network counts."""
    device = {
        "doors": {"kind": "desktop", "count": 12},
        "desk": {"kind": "desktop", "address": "10.20.0.40"},
        "bench": {"kind": "controller", "count": 60},
    }
    leased, fixed = (addresses.judge(plan(segment=small(dhcp=dhcp), device=device)) for dhcp in (True, False))
    assert [one.kind for one in fixed.lines] == [Kind.DEVICE_COUNT]
    counted = [line(verdict, Kind.DEVICE_COUNT, "segment:main") for verdict in (leased, fixed)]
    assert counted[0].planned == counted[1].planned == 73
    assert [step(one, "with a fixed address") for one in counted] == [1, 73]
    assert kinds(leased) == ["fixed_in_pool device:desk", "network_too_small segment:main"]
    assert kinds(fixed) == ["network_too_small segment:main"]


def test_randomised_names_hold_more_leases() -> None:
    """Three identities in a visit hold three leases."""
    one = plan(segment=small(lease="24 h", guests={"arrivals_per_day": 2, "stay": "0.001 s"}))
    three = plan(
        segment=small(lease="24 h", guests={"arrivals_per_day": 2, "stay": "0.001 s", "identities_per_visit": 3})
    )
    held = [line(addresses.judge(site), Kind.ADDRESSES, "segment:main").planned for site in (one, three)]
    assert held == pytest.approx([2.0, 6.0])


def test_a_fixed_address_in_the_pool_is_a_flaw() -> None:
    """A fixed address, or the router's own, inside what is leased will be given to another one day."""
    site = plan(
        segment=small(pool=["10.20.0.1", "10.20.0.62"]),
        device={"desk": {"kind": "desktop", "address": "10.20.0.9"}},
    )
    assert kinds(addresses.judge(site)) == ["fixed_in_pool segment:main", "fixed_in_pool device:desk"]


def test_the_routers_address_is_not_for_others() -> None:
    """A group of fixed addresses that covers the gateway is a flaw."""
    site = plan(
        segment=small(gateway="10.20.0.5"),
        device={"desk": {"kind": "desktop", "count": 4, "address": "10.20.0.3"}},
    )
    assert kinds(addresses.judge(site)) == ["gateway_taken device:desk"]


def test_a_network_that_is_too_small_is_named_with_the_one_that_fits() -> None:
    """60 devices with 25 % growth and the router need 76 addresses: a /25, not a /26."""
    verdict = addresses.judge(
        plan(
            segment=small(),
            device={"phones": {"kind": "sensor", "count": 60}},
            access_point={"a": {"at": "kitchen", "address": "10.20.0.2"}},
        )
    )
    (found,) = verdict.flaws
    assert found.kind == "network_too_small"
    assert "/25" in found.cure


@given(st.lists(st.integers(1, 20), min_size=1, max_size=5))
def test_splitting_a_group_changes_nothing(counts: list[int]) -> None:
    """Groups and single devices need the same addresses; one more device needs one more."""

    def judged(listed: list[int]) -> list[float]:
        device = {f"d{i}": {"kind": "desktop", "count": n} for i, n in enumerate(listed)}
        return [one.planned for one in addresses.judge(plan(device=device)).lines]

    assert judged(counts) == judged([1] * sum(counts))
    assert judged([*counts, 1]) == [value + 1 for value in judged(counts)]


def test_what_is_no_address_or_network_is_refused() -> None:
    """Prefixes beyond 32, negative counts and fewer than one identity raise OutOfRange."""
    refused: list[Callable[[], object]] = [
        lambda: addresses.usable_hosts(33),
        lambda: addresses.smallest_prefix(0),
        lambda: addresses.smallest_prefix(2**33),
        lambda: addresses.addresses_needed(-1, growth=0.0, fixed=0),
        lambda: addresses.leases_held(-1.0, stay_s=1.0, lease_s=1.0),
        lambda: addresses.leases_held(1.0, stay_s=1.0, lease_s=1.0, identities=0.5),
    ]
    for call in refused:
        with pytest.raises(OutOfRange):
            call()


def test_a_switch_has_one_of_the_fixed_addresses() -> None:
    """Its own, or that under snmp; one in the pool is a flaw; a switch without an address takes none."""
    agent = {"address": "10.20.0.40", "community_env": "WORD"}
    none, own, asked = (
        addresses.judge(plan(segment=small(), switch={"shelf": {"ports": 8, **more}}))
        for more in ({}, {"address": "10.20.0.4"}, {"snmp": agent})
    )
    fixed = [step(line(verdict, Kind.ADDRESSES, "segment:main"), "fixed addresses") for verdict in (none, own, asked)]
    assert [one - fixed[0] for one in fixed] == [0, 1, 1]
    assert kinds(own) == []
    assert kinds(asked) == ["fixed_in_pool switch:shelf"]
