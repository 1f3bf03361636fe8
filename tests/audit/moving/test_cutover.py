"""The night of the move: who is back, missing, elsewhere, new; what clashes; what remains."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from scipy import stats

from netaudit.audit.acceptance.evidence import freeze
from netaudit.audit.moving.baseline import freeze_baseline, read_baseline, write_baseline
from netaudit.audit.moving.cutover import Progress, Stage, progress
from netaudit.audit.moving.migration import plan_move
from netaudit.errors import CaptureError
from netaudit.observe.observation import How, Naming, Notice, Observation
from netaudit.publish.moving import render_inventory
from netaudit.site.load import parse_site
from tests.audit.acceptance.house import BOX, DESK, GATE, HOME, KILN, PLAN, THINGS, house
from tests.audit.moving.old import NIGHT, OLD_ROUTER, PLUG, TABLET, THEN, WATCH, before, evidence_of, seen_at

# The desk's address, claimed by the box too.
CLAIM = Notice(NIGHT, "segment:home", "address_conflict", (("address", "192.0.2.21"), ("macs", f"{DESK} {BOX}")))


def _now(*more: Observation, without: tuple[str, ...] = ()) -> Progress:
    seen = [
        one
        for segment, hosts in (("home", HOME), ("things", THINGS))
        for mac, address in hosts.items()
        if mac not in without
        for one in seen_at(NIGHT, mac, address, segment=segment)
    ]
    return progress(before(), house(), evidence_of(NIGHT, [*seen, *more]))


def _at(found: Progress, stage: Stage) -> dict[str, str]:
    return {row.title: row.note for row in found.rows if row.stage is stage}


def test_when_all_are_where_they_belong_nothing_remains() -> None:
    """The plug and the tablet come back too, the old router may stay away: the move is over."""
    back = [
        *seen_at(NIGHT, PLUG, "198.51.100.120", segment="things"),
        *seen_at(NIGHT, WATCH, "192.0.2.140", "tablet", "home"),
    ]
    found = _now(*back)
    assert found.is_over
    assert not _now(*back, CLAIM).is_over
    assert found.done_share == 1.0
    assert _at(found, Stage.AWAY) == {OLD_ROUTER: "it served the old network"}


def test_a_device_that_made_its_mac_anew_is_back_by_its_identifier() -> None:
    """Under another name and another MAC, with the identifier of before: it is the tablet, and is called so."""
    frozen = before(Naming(THEN, TABLET, "ff0102", How.CLIENT_ID))
    seen = [*seen_at(NIGHT, WATCH, "192.0.2.140", "other", "home"), Naming(NIGHT, WATCH, "ff0102", How.CLIENT_ID)]
    found = progress(read_baseline(write_baseline(frozen)), house(), evidence_of(NIGHT, seen))
    row = next(row for row in found.rows if row.mac == WATCH)
    assert (row.title, row.stage, row.by) == ("tablet", Stage.BACK, "client identifier")


def test_a_service_that_is_not_heard_again_is_told_until_it_is() -> None:
    """A baseline holds it; who is back without it is back, with a word on it; one that fell silent before counts as gone."""
    frozen = before(*(Naming(THEN, DESK, one, How.SERVICE) for one in ("_ipp._tcp", "_http._tcp")))
    assert next(one for one in frozen.devices if one.mac == DESK).offers == {"_ipp._tcp", "_http._tcp"}
    here = seen_at(NIGHT, DESK, HOME[DESK], segment="home")
    old = Naming(THEN, DESK, "_ipp._tcp", How.SERVICE)
    again = Naming(NIGHT, DESK, "_http._tcp", How.SERVICE)
    notes = [
        next(row.note for row in progress(frozen, house(), evidence_of(NIGHT, [*here, *more])).rows if row.mac == DESK)
        for more in ([old], [again], [again, replace(old, at=NIGHT)])
    ]
    assert notes == [
        "offered _http._tcp, _ipp._tcp before, not yet again",
        "offered _ipp._tcp before, not yet again",
        "",
    ]


def test_an_identifier_is_never_shown_as_a_name() -> None:
    """Nameless it goes by its MAC; the list to tick has its services, and no identifier."""
    frozen = before(
        *seen_at(THEN, WATCH, "10.0.0.60"),
        Naming(THEN, WATCH, "00aabbccdd", How.CLIENT_ID),
        Naming(THEN, WATCH, "_ipp._tcp", How.SERVICE),
    )
    assert next(one for one in frozen.devices if one.mac == WATCH).title == WATCH
    page = render_inventory(frozen, house())
    assert "00aabbccdd" not in page
    assert "offers _ipp._tcp" in page


def test_who_is_missing_says_what_it_needs() -> None:
    """The camera's button stands in the plan; the tablet is missing until one of its name is there."""
    found = _now(without=(GATE,))
    missing = _at(found, Stage.MISSING)
    assert missing["gate"] == "press its button for ten seconds; fixed address 198.51.100.21"
    assert "tablet" in missing
    assert not found.is_over
    assert found.done_share == pytest.approx(3 / 6)


PLUGS = 'kind = "plug"\ncount = 3\n'
ON_AIR = PLAN.replace("[segment.things]\n", '[segment.things]\nssid = "osier-things"\n')


@pytest.mark.parametrize(
    ("plan", "mac", "heard", "needs"),
    [
        (ON_AIR, "02:00:5e:00:53:00", "old name", "join it to osier-things"),
        (ON_AIR, "02:00:5e:00:53:00", "osier-things", "network name osier-things, as before"),
        (ON_AIR.replace(PLUGS, f'{PLUGS}needs = "a press"\n'), "02:00:5e:00:53:00", "old name", "a press"),
        (ON_AIR.replace(PLUGS, PLUGS.replace("3", "4")), "02:00:5e:00:53:77", "old name", "join it to osier-things"),
        (ON_AIR, KILN, "old name", ""),
    ],
    ids=["new name", "name that stays", "the plan's word", "one that is only counted", "on a cable"],
)
def test_who_is_missing_from_the_air_says_which_network_name_it_needs(
    plan: str, mac: str, heard: str, needs: str
) -> None:
    """The plan's own word goes before; who comes by cable needs no name."""
    site = parse_site(plan)
    seen = evidence_of(THEN, seen_at(THEN, mac, "198.51.100.120", segment="things"))
    old = freeze_baseline("old", site, seen, source="looking", ssids=[heard])
    rows = {row.mac: row for row in progress(old, site, evidence_of(NIGHT, ())).rows}
    assert (rows[mac].stage, rows[mac].note) == (Stage.MISSING, needs)


def test_the_names_on_the_air_before_are_known_by_an_ear_too() -> None:
    """Told by an ear that hears the old network's name, which the plan keeps, and a neighbour's; one that hides its name has none."""
    site = parse_site(ON_AIR)
    heard = [
        Notice(THEN, "channel:2.4/6", "neighbour_network", (("bssid", f"02:00:5e:00:99:0{n}"), ("name", name)))
        for n, name in enumerate(("osier-things", "next door", ""))
    ]
    old = freeze_baseline("old", site, evidence_of(THEN, heard), source="looking")
    move = plan_move(old, site)
    assert (move.air_known, move.kept, move.dropped) == (True, ("osier-things",), ("next door",))
    # Two radios of one name at once would share the stations out: the old ones go first.
    (radios,) = [step for step in move.steps if step.title == "Switch the radios over"]
    assert radios.do.startswith("Names that stay: osier-things; switch the old radios off first.")


def test_a_guest_of_before_is_not_waited_for() -> None:
    """Where guests come and go nobody is missing, unless the plan names it."""
    site = parse_site(PLAN.replace("[segment.home]\n", "[segment.home]\nguests = { arrivals_per_day = 5 }\n"))
    seen = [
        *seen_at(THEN, TABLET, "192.0.2.140", segment="home"),
        *seen_at(THEN, DESK, "192.0.2.21", segment="home"),
    ]
    old = freeze_baseline("old", site, evidence_of(THEN, seen), source="looking")
    stages = {row.mac: row.stage for row in progress(old, site, evidence_of(NIGHT, ())).rows}
    assert (stages[TABLET], stages[DESK]) == (Stage.AWAY, Stage.MISSING)


def test_a_counted_sleeper_that_was_seen_once_is_back() -> None:
    """Among sensors that may be silent for a day, one that the plan only counts is back an hour after it was seen; a stranger among plugs is not."""
    for kind, stage in (("sensor", Stage.BACK), ("plug", Stage.MISSING)):
        site = parse_site(ON_AIR.replace(PLUGS, f'kind = "{kind}"\ncount = 4\n'))
        old = freeze_baseline(
            "old", site, evidence_of(THEN, seen_at(THEN, PLUG, "198.51.100.120", segment="things")), source="looking"
        )
        seen = seen_at(NIGHT, PLUG, "198.51.100.120", segment="things")
        rows = progress(old, site, freeze(seen, NIGHT, NIGHT + timedelta(hours=1))).rows
        assert next(row.stage for row in rows if row.mac == PLUG) is stage


def test_a_router_that_is_not_there_is_called_so() -> None:
    """It has an address on each network; nobody must read the plan's words for that."""
    rows = progress(before(), house(), evidence_of(NIGHT, ())).rows
    assert {row.title for row in rows if row.kind == "router"} == {"the router on home", "the router on things"}


def test_who_came_back_and_left_again_is_missing() -> None:
    """Seen at the beginning of a long night and then no more, for longer than it may be silent: missing; the desk, just seen, is back."""
    seen = [
        *seen_at(NIGHT, GATE, "198.51.100.21", segment="things"),
        *seen_at(NIGHT + timedelta(minutes=50), DESK, "192.0.2.21", segment="home"),
    ]
    found = progress(before(), house(), freeze(seen, NIGHT, NIGHT + timedelta(hours=1)))
    stages = {row.mac: row.stage for row in found.rows}
    assert stages[GATE] is Stage.MISSING
    assert stages[DESK] is Stage.BACK


def test_a_device_on_another_segment_is_elsewhere() -> None:
    """The kiln came up in the home: it is there, and not done."""
    found = _now(*seen_at(NIGHT, KILN, "192.0.2.133", segment="home"), without=(KILN,))
    assert _at(found, Stage.ELSEWHERE) == {"kiln": "belongs on things"}


def test_equipment_that_only_the_plan_knows_is_missing_until_it_is_seen() -> None:
    """The new access point was in no baseline; switched off it is missing, with the room in which it hangs."""
    point = next(mac for mac, address in HOME.items() if address == "192.0.2.11")
    rows = [row for row in _now(without=(point,)).rows if row.title == "hall"]
    assert [(row.stage, row.room, row.note) for row in rows] == [(Stage.MISSING, "hall", "new with this plan")]


def test_clashes_are_told_once() -> None:
    """Two claims to the desk's address are one clash; somebody on the camera's address another."""
    thief = seen_at(NIGHT, "02:00:5e:00:00:77", "198.51.100.21", segment="things")
    found = _now(CLAIM, *thief)
    assert [said.partition(" ")[0].rstrip(",") for said in found.clashes] == ["192.0.2.21", "198.51.100.21"]
    assert not found.is_over


@pytest.mark.parametrize(("minutes", "clashes"), [(15, 1), (16, 0)])
def test_a_clash_that_no_sweep_repeats_is_over(minutes: int, clashes: int) -> None:
    """Three sweeps at the usual five minutes without it: it is mended."""
    found = progress(before(), house(), freeze([CLAIM], NIGHT, NIGHT + timedelta(minutes=minutes)))
    assert len(found.clashes) == clashes


def test_a_baseline_is_kept_and_read_back_and_a_slip_is_noticed() -> None:
    """The written form reads back equal; one changed letter, another format and no JSON are refused in a line."""
    baseline = before()
    text = write_baseline(baseline)
    assert read_baseline(text) == baseline
    assert write_baseline(read_baseline(text)) == text
    for damaged in (text.replace("tablet", "tablot"), text.replace("netaudit baseline", "other"), text[:-9], "[]"):
        with pytest.raises(CaptureError, match=r"^kept: "):
            read_baseline(damaged, "kept")


def test_a_baseline_holds_names_delays_servers_and_rooms() -> None:
    """What the plan knows is put beside what was heard; loss has its bound."""
    baseline = before()
    desk = next(one for one in baseline.devices if one.mac == DESK)
    assert (desk.ref, desk.room, desk.kind, desk.names) == ("device:desk", "study", "desktop", (("desk", "dhcp"),))
    assert [(one.what, one.address) for one in baseline.services] == [("leases addresses (DHCP)", "10.0.0.1")]
    assert baseline.ssids == ("osier",)
    (delays,) = baseline.delays
    # scipy's exact interval, which puts 5 % on each side at 90 %: of three one was lost.
    exact = stats.binomtest(1, 3).proportion_ci(confidence_level=0.90, method="exact")
    assert (delays.sent, delays.lost) == (3, 1)
    assert delays.loss_at_most == pytest.approx(exact.high, abs=1e-9)
    assert {one.mac for one in baseline.devices} >= {PLUG, TABLET}


def test_the_plan_of_the_move_has_a_way_back_at_every_step() -> None:
    """Each step says what proves it and how to go back; the one overlap is named; the camera needs a hand."""
    move = plan_move(before(), house())
    assert all(step.do and step.proof and step.back for step in move.steps)
    assert move.steps[0].title == "Keep the way back"
    # The router is set up, not moved.
    router = parse_site(PLAN.replace("[router]\n", f'[router]\nmac = ["{OLD_ROUTER}"]\n'))
    assert {task.was for task in move.tasks} - {task.was for task in plan_move(before(), router).tasks} == {"10.0.0.1"}
    assert move.overlaps == ("198.51.100.0/24 of things: addresses in use now: 1",)
    tasks = {task.title: task for task in move.tasks}
    assert tasks["gate"].by_hand
    assert tasks["The desk in the study"].do == f"give it 192.0.2.21, or reserve that for {DESK}"
    assert tasks["kiln"].do == "nothing: it asks again when its cable is moved"
    assert tasks["plug-1"].do.startswith("not in the plan")
    assert (move.kept, move.added, move.dropped) == ((), (), ("osier",))


NO_DHCP = PLAN.replace('pool = ["198.51.100.100", "198.51.100.199"]', "dhcp = false")


def test_where_nobody_leases_each_address_is_set_by_hand() -> None:
    """
    Planned or not: what was perhaps a lease is set too. Where nobody leased before, who had its address keeps it.

    The proof of the change-over says where no server is to answer, and who is missing what it needs.
    """
    site = parse_site(NO_DHCP)
    moved = (
        *seen_at(THEN, KILN, "198.51.100.101"),
        *seen_at(THEN, GATE, "198.51.100.21"),
        *seen_at(THEN, BOX, "10.0.0.9"),
    )
    kept = freeze_baseline("kept", site, evidence_of(THEN, moved), source="looking")
    gate = "press its button for ten seconds"
    wanted = [
        (before(), {"kiln": "set an address of 198.51.100.0/24 in it", "gate": f"{gate}; set 198.51.100.21 in it"}),
        (kept, {"kiln": "nothing: it keeps its address", "gate": gate}),
    ]
    for old, said in wanted:
        move = plan_move(old, site)
        tasks = {task.title: task for task in move.tasks}
        assert {title: tasks[title].do for title in said} == said
        assert (tasks["kiln"].becomes, tasks["kiln"].by_hand) == ("fixed", old is not kept)
        assert tasks["box"].do.startswith("nothing: it asks again")
        (change,) = [step for step in move.steps if step.title == "Change over who leases addresses"]
        assert change.proof.endswith(
            "one server answers on each network; on things, where all addresses are fixed, none."
        )
    rows = {row.title: row.note for row in progress(before(), site, evidence_of(NIGHT, ())).rows}
    assert rows["kiln"] == "set an address of 198.51.100.0/24 in it"


def test_a_device_that_is_only_counted_gets_its_address_by_hand_too() -> None:
    """One of the plugs, known by neither MAC nor address, on a network where nobody leases."""
    site = parse_site(
        NO_DHCP.replace("[segment.things]", '[segment.things]\nssid = "osier-things"').replace(
            PLUGS, PLUGS.replace("3", "4")
        )
    )
    stranger = seen_at(THEN, "02:00:5e:00:53:77", "198.51.100.120", segment="things")
    (task,) = plan_move(freeze_baseline("old", site, evidence_of(THEN, stranger), source="looking"), site).tasks
    assert (task.do, task.becomes, task.by_hand) == ("join it to osier-things", "fixed", True)
    leased = Notice(THEN, "segment:things", "dhcp_server", (("mac", OLD_ROUTER), ("server", "198.51.100.1")))
    old = freeze_baseline("old", site, evidence_of(THEN, [*stranger, leased]), source="looking")
    (task,) = plan_move(old, site).tasks
    assert task.do == "join it to osier-things; set 198.51.100.120 in it"
