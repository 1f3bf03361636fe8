from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_flow

from netaudit.capacity.patching import UPLINK, Fit, Patching, patch, place
from tests.capacity.wired_plan import plan

problems = st.integers(1, 5).flatmap(
    lambda places: st.tuples(
        st.lists(st.integers(0, 6), min_size=places, max_size=places),
        st.lists(
            st.tuples(st.integers(0, 8), st.lists(st.integers(0, places - 1), max_size=places, unique=True)),
            min_size=1,
            max_size=6,
        ),
    )
)


def most_by_flow(demands: list[int], room: list[int], allowed: list[list[int]]) -> int:
    """Ask scipy how many can be placed: the maximum flow from demands through places."""
    kinds, places = len(demands), len(room)
    graph = np.zeros((kinds + places + 2, kinds + places + 2), dtype=np.int32)
    sink = kinds + places + 1
    for kind, count in enumerate(demands):
        graph[0, 1 + kind] = count
        for where in allowed[kind]:
            graph[1 + kind, 1 + kinds + where] = count
    for where, free in enumerate(room):
        graph[1 + kinds + where, sink] = free
    return int(maximum_flow(csr_matrix(graph), 0, sink).flow_value)


# scipy.sparse.csgraph.maximum_flow is the independent count.
@given(problems)
def test_as_many_are_placed_as_any_arrangement_can(problem: tuple[list[int], list[tuple[int, list[int]]]]) -> None:
    """The number placed is the maximum flow, no place is overfull, and nothing stands where it may not."""
    room, kinds = problem
    demands, allowed = [count for count, _ in kinds], [choices for _, choices in kinds]
    taken = place(demands, room, [[choices] for choices in allowed])
    used: Counter[int] = Counter()
    for kind, where in enumerate(taken):
        assert set(where) <= set(allowed[kind])
        assert sum(where.values()) <= demands[kind]
        used.update(where)
    assert all(used[index] <= free for index, free in enumerate(room))
    assert sum(used.values()) == most_by_flow(demands, room, allowed)


@given(problems)
def test_the_important_are_never_left_out_for_the_rest(problem: tuple[list[int], list[tuple[int, list[int]]]]) -> None:
    """Each kind is placed as fully as if those behind it in importance weren't there."""
    room, kinds = problem
    demands, ranked = [count for count, _ in kinds], [[choices] for _, choices in kinds]
    together = place(demands, room, ranked)
    for first in range(1, len(kinds)):
        alone = place(demands[:first], room, ranked[:first])
        assert sum(sum(where.values()) for where in alone) == sum(sum(where.values()) for where in together[:first])


def by_ref(patching: Patching) -> dict[str, list[tuple[str, int, int, Fit]]]:
    """Group the schedule by what is plugged in: switch, first port, count, fit."""
    found: defaultdict[str, list[tuple[str, int, int, Fit]]] = defaultdict(list)
    for one in patching.patches:
        found[one.plug.ref].append((one.switch, one.first_port, one.count, one.fit))
    return found


MIXED = [{"count": 4}, {"count": 4, "power": "type 1"}, {"count": 2, "power": "type 2"}]


def test_what_takes_power_lands_on_ports_that_give_it() -> None:
    """Cameras go to type 1 ports, the access point to type 2, computers and links to ports without power."""
    site = plan(
        switch={"hall": {"closet": "hall", "ports": MIXED, "supply": "90 W"}},
        access_point={"attic": {"at": "kitchen"}},
        device={
            "desk": {"kind": "desktop", "count": 2, "at": "kitchen"},
            "eye": {"kind": "camera", "count": 4, "at": "kitchen"},
        },
    )
    found = by_ref(patch(site))
    assert found["access_point:attic"] == [("hall", 9, 1, Fit.GOOD)]
    assert found["device:eye"] == [("hall", 5, 4, Fit.GOOD)]
    assert found["device:desk"] == [("hall", 2, 2, Fit.GOOD)]
    assert found[UPLINK] == [("hall", 1, 1, Fit.GOOD)]
    assert found["switch:hall"] == [("router", 1, 1, Fit.GOOD)]


def test_the_unpowered_make_room() -> None:
    """With two powered ports and two plain ones, two cameras get the powered ones whatever else is there."""
    site = plan(
        switch={"hall": {"closet": "hall", "ports": [{"count": 2, "power": "type 1"}, {"count": 2}]}},
        device={
            "desk": {"kind": "desktop", "at": "kitchen"},
            "eye": {"kind": "camera", "count": 2, "at": "kitchen"},
        },
    )
    assert by_ref(patch(site))["device:eye"] == [("hall", 1, 2, Fit.GOOD)]


def test_a_second_switch_in_the_closet_is_used() -> None:
    """What the first switch has no room for goes to the other one in the closet, and nothing stays out."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": [{"count": 4}]},
            "more": {"closet": "hall", "ports": [{"count": 8}], "uplink": "switch:hall"},
        },
        device={"desk": {"kind": "desktop", "count": 9, "at": "kitchen"}},
    )
    patching = patch(site)
    assert not patching.unplaced
    assert sum(count for _, _, count, _ in by_ref(patching)["device:desk"]) == 9


def test_a_pinned_plug_stays_on_its_switch() -> None:
    """A device whose switch the plan names is not moved to another, even when it is full."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": [{"count": 3}]},
            "more": {"closet": "hall", "ports": [{"count": 8}], "uplink": "switch:hall"},
        },
        device={"desk": {"kind": "desktop", "count": 2, "at": "kitchen", "switch": "hall"}},
    )
    patching = patch(site)
    assert by_ref(patching)["device:desk"] == [("hall", 3, 1, Fit.GOOD)]
    assert [(plug.ref, count, switch) for plug, count, switch in patching.unplaced] == [("device:desk", 1, "hall")]


def test_a_live_port_is_the_last_resort() -> None:
    """A computer goes to an always-on port only when no other is left."""
    ports = [{"count": 2, "power": "passive 24 V"}, {"count": 2}]
    site = plan(
        switch={"hall": {"closet": "hall", "ports": ports}},
        device={"desk": {"kind": "desktop", "count": 2, "at": "kitchen"}},
    )
    assert by_ref(patch(site))["device:desk"] == [("hall", 4, 1, Fit.GOOD), ("hall", 1, 1, Fit.LIVE)]


def test_ports_are_used_once() -> None:
    """No port of any switch has two plugs, and none lies beyond the last."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": MIXED},
            "loft": {"closet": "loft", "ports": MIXED, "uplink": "switch:hall"},
        },
        access_point={"attic": {"at": "kitchen"}, "yard": {"at": "yard", "outdoor": True}},
        device={
            "desk": {"kind": "desktop", "count": 5, "at": "kitchen"},
            "eye": {"kind": "camera", "count": 6, "at": "yard"},
        },
    )
    used: defaultdict[str, list[int]] = defaultdict(list)
    for one in patch(site).patches:
        used[one.switch] += range(one.first_port, one.first_port + one.count)
    for switch, numbers in used.items():
        assert len(numbers) == len(set(numbers))
        assert max(numbers) <= (10 if switch != "router" else 4)


def test_each_drop_carries_one_of_a_group() -> None:
    """Of three cameras with two drops, two start in the closets of their drops and one in the nearest closet."""
    site = plan(
        switch={
            "hall": {"closet": "hall", "ports": MIXED},
            "loft": {"closet": "loft", "ports": MIXED, "uplink": "switch:hall"},
        },
        device={"eye": {"kind": "camera", "count": 3, "at": "yard"}},
        drop={
            "a": {"starts": "hall", "ends": "yard", "feeds": "device:eye", "category": "cat6"},
            "b": {"starts": "hall", "ends": "yard", "feeds": "device:eye", "category": "cat6"},
        },
    )
    closets = Counter(one.switch for one in patch(site).patches if one.plug.ref == "device:eye")
    assert closets == {"hall": 2, "loft": 1}
