"""A site built as planned passes; each of twelve faults is caught by its own check and by no other."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from netaudit.audit import vocabulary
from netaudit.audit.acceptance import words
from netaudit.audit.acceptance.certificate import (
    Waiver,
    certify,
    read_certificate,
    verify,
    write_certificate,
)
from netaudit.audit.acceptance.check import Check, Item, Outcome, Trial
from netaudit.audit.acceptance.checks.table import CHECKS
from netaudit.audit.acceptance.evidence import freeze, read_evidence, write_evidence
from netaudit.audit.sealed import digest
from netaudit.errors import CaptureError, OutOfRange
from netaudit.observe.observation import Health, How, Notice, Sample, Sighting
from netaudit.site.load import fingerprint, parse_site
from tests.audit.acceptance.house import (
    BEGAN,
    BOX,
    DESK,
    ENDED,
    GATE,
    KILN,
    PLAN,
    ROUTER,
    STRANGER,
    VAULT,
    as_planned,
    at,
    echoes,
    edit,
    house,
    judged,
    notice,
    port_of,
    swap,
    without,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from netaudit.observe.observation import Observation

    Fault = Callable[[list[Observation]], list[Observation]]


def _swapped_patch(seen: list[Observation]) -> list[Observation]:
    """Two patch cables are exchanged: each is learnt on the other's port."""
    one, other = port_of("device:desk"), port_of("device:kiln")
    place = {(one, DESK): other, (other, KILN): one}

    def change(said: Observation) -> Observation:
        if isinstance(said, Notice) and said.kind == vocabulary.FORWARDING:
            return replace(said, place=place.get((said.place, dict(said.detail)["mac"]), said.place))
        return said

    return swap(seen, change)


def _router_patch(seen: list[Observation]) -> list[Observation]:
    """The cable of the switch is in another port of the router."""
    called = (("chassis", ROUTER), ("name", "edge"), ("port", "lan 3"))
    return edit(seen, Notice, lambda one: one.kind == vocabulary.LLDP_NEIGHBOUR, detail=called)


def _missing(seen: list[Observation]) -> list[Observation]:
    """A camera is off."""
    return without(seen, GATE)


def _duplicate(seen: list[Observation]) -> list[Observation]:
    """A stranger answers for the desk's address too, and takes half of its echoes."""
    dice = random.Random(6)
    return [
        *edit(
            seen,
            Sample,
            lambda one: one.place == f"device:{DESK}" and one.kind == vocabulary.RTT_S and dice.random() < 0.5,
            value=None,
        ),
        Sighting(at(10), "home", STRANGER, "192.0.2.21", How.ARP),
        notice("segment:home", vocabulary.ADDRESS_CONFLICT, address="192.0.2.21", macs=f"{DESK} {STRANGER}"),
    ]


def _second_server(seen: list[Observation]) -> list[Observation]:
    """A second server offers addresses of another network."""
    return [
        *seen,
        Sighting(at(10), "home", STRANGER, "192.0.2.77", How.ARP),
        notice("segment:home", vocabulary.DHCP_SERVER, server="192.0.2.77", mac=STRANGER, address="10.9.9.9"),
    ]


def _leak(seen: list[Observation]) -> list[Observation]:
    """Things reach the home."""
    said = notice(
        "segment:things", vocabulary.ISOLATION_BREACH, segment="home", target="device:desk", by="echo tcp/443"
    )
    return [*seen, said]


def _lossy(seen: list[Observation]) -> list[Observation]:
    """Of the echoes on things, 2 % are lost, where 1 % is promised."""
    dice = random.Random(3)
    places = (f"device:{GATE}", f"device:{KILN}", "segment:things/gateway")
    longer = [one for place in places for one in echoes(place, dice, count=2000)]
    return edit(
        [*seen, *longer],
        Sample,
        lambda one: one.place in places and one.kind == vocabulary.RTT_S and dice.random() < 0.02,
        value=None,
    )


def _slow_link(seen: list[Observation]) -> list[Observation]:
    """One pair of the server's cable is broken."""
    port = port_of("device:box")
    return edit(seen, Sample, lambda one: one.place == port and one.kind == vocabulary.SPEED_BPS, value=1e8)


def _wrong_resolver(seen: list[Observation]) -> list[Observation]:
    """The resolver that is handed out doesn't know the site's names."""
    nothing = (("address", ""), ("name", "desk.osier.home.arpa"))
    return edit(seen, Notice, lambda one: one.kind == vocabulary.RESOLVED, detail=nothing)


def _overdrawn(seen: list[Observation]) -> list[Observation]:
    """The supply of 60 W delivers 55, where 48 may be used."""
    return edit(seen, Sample, lambda one: one.kind == vocabulary.POWER_W, value=55.0)


def _wrong_vlan(seen: list[Observation]) -> list[Observation]:
    """The kiln's port is in the VLAN of the home, where it takes a lease."""
    return edit(seen, Sighting, lambda one: one.mac == KILN, segment="home", address="192.0.2.120")


def _crowded(seen: list[Observation]) -> list[Observation]:
    """Nineteen stations on a radio that admits twenty."""
    return edit(seen, Sample, lambda one: one.kind == vocabulary.STATIONS, value=19.0)


def _static_clash(seen: list[Observation]) -> list[Observation]:
    """The camera gave way to a stranger that was set to its address by hand."""
    left = edit(seen, Sighting, lambda one: one.mac == GATE, address="198.51.100.160")
    return [*left, Sighting(at(10), "things", STRANGER, "198.51.100.21", How.ARP)]


def _offered(seen: list[Observation]) -> list[Observation]:
    """The server's pool holds the desk's fixed address."""
    said = notice("segment:home", vocabulary.DHCP_SERVER, server="192.0.2.1", mac="", address="192.0.2.21")
    return [one for one in seen if not (isinstance(one, Notice) and one.kind == "dhcp_server")] + [said]


def _busy(seen: list[Observation]) -> list[Observation]:
    """The channel is busy for three quarters of the time."""
    return edit(seen, Sample, lambda one: one.kind == vocabulary.BUSY_SHARE, value=0.75)


FAULTS: list[tuple[str, Fault, str]] = [
    ("two patch cables exchanged", _swapped_patch, "patching"),
    ("a cable in another port of the router", _router_patch, "uplinks"),
    ("a device missing", _missing, "presence"),
    ("an address used twice", _duplicate, "duplicates"),
    ("a second DHCP server", _second_server, "dhcp"),
    ("a segment that leaks", _leak, "isolation"),
    ("2 % loss", _lossy, "loss"),
    ("a link at 100 Mb/s", _slow_link, "speed"),
    ("a wrong resolver", _wrong_resolver, "names"),
    ("a supply over its ceiling", _overdrawn, "power"),
    ("a port in the wrong VLAN", _wrong_vlan, "segments"),
    ("a radio with too many stations", _crowded, "stations"),
    ("a fixed address taken", _static_clash, "fixed"),
    ("a channel too busy", _busy, "airtime"),
]


def test_a_site_built_as_planned_passes_every_check() -> None:
    """Nothing fails, nothing is left untested, and each check of the table was asked."""
    certificate = judged(as_planned())
    assert {result.key: result.outcome for result in certificate.results} == {
        check.key: Outcome.PASSED for check in CHECKS
    }
    assert certificate.accepted


@pytest.mark.parametrize(
    ("fault", "check"), [(fault, check) for _, fault, check in FAULTS], ids=[n for n, _, _ in FAULTS]
)
def test_each_fault_is_caught_by_its_own_check_alone(fault: Fault, check: str) -> None:
    """One check fails, the right one; every item of it that failed has a cure."""
    certificate = judged(fault(as_planned()))
    assert [result.key for result in certificate.results if result.outcome is Outcome.FAILED] == [check]
    assert not certificate.accepted
    assert all(item.cure for _, item in certificate.items(Outcome.FAILED))


def _samples(kind: str, value: float | None, place: str | None = None) -> Fault:
    """Every sample of a kind, at one place or at all, has this value."""
    return lambda seen: edit(seen, Sample, lambda one: one.kind == kind and place in (None, one.place), value=value)


def _at(mac: str, address: str) -> Fault:
    """A device has another address."""
    return lambda seen: edit(seen, Sighting, lambda one: one.mac == mac, address=address)


def _offers(address: str) -> Fault:
    """The home's server offers this address."""
    detail = (("address", address), ("mac", ROUTER), ("server", "192.0.2.1"))
    return lambda seen: edit(
        seen, Notice, lambda one: one.kind == "dhcp_server" and one.place == "segment:home", detail=detail
    )


def _plus(*more: Observation) -> Fault:
    """Something more was seen."""
    return lambda seen: [*seen, *more]


def _no_server(seen: list[Observation]) -> list[Observation]:
    return [one for one in seen if not (isinstance(one, Notice) and one.kind == "dhcp_server")]


OFFERED_GATE = notice(
    "segment:things", vocabulary.DHCP_SERVER, server="10.0.0.1", mac=STRANGER, address="198.51.100.21"
)


def _served_at_home(seen: list[Observation]) -> list[Observation]:
    """Only the home has a server."""
    return [
        one
        for one in seen
        if not (isinstance(one, Notice) and (one.kind, one.place) == ("dhcp_server", "segment:things"))
    ]


def _unasked(seen: list[Observation]) -> list[Observation]:
    """And nobody asked the things for theirs."""
    return [one for one in _served_at_home(seen) if not (isinstance(one, Health) and one.source == "dhcp:things")]


def _unseen_alert(seen: list[Observation]) -> list[Observation]:
    return edit(seen, Notice, lambda one: one.kind == words.ALERT, detail=(("arrived", "no"),))


def _disputed(seen: list[Observation]) -> list[Observation]:
    """The server was set by hand to an address outside of the pool, which a stranger claims too."""
    claim = notice("segment:home", vocabulary.ADDRESS_CONFLICT, address="192.0.2.50", macs=f"{BOX} {STRANGER}")
    return [*_at(BOX, "192.0.2.50")(seen), Sighting(at(10), "home", STRANGER, "192.0.2.50", How.ARP), claim]


PLUG = "02:00:5e:00:53:00"
# Each side of each limit. The limits are the plan's: 16 of 20 stations, 48 of 60 W, the pool .100 to .199, 20 ms, 10 ms.
EDGES: list[tuple[str, Fault, list[str]]] = [
    ("as many stations as may be", _samples(vocabulary.STATIONS, 16.0), []),
    ("one station more", _samples(vocabulary.STATIONS, 17.0), ["stations"]),
    ("as many watts as may be", _samples(vocabulary.POWER_W, 48.0), []),
    ("a tenth of a watt more", _samples(vocabulary.POWER_W, 48.1), ["power"]),
    ("the pool's first address", _offers("192.0.2.100"), []),
    ("the pool's last address", _offers("192.0.2.199"), []),
    ("the address before the pool", _offers("192.0.2.99"), ["pools"]),
    ("the address after the pool", _offers("192.0.2.200"), ["pools"]),
    ("a lease outside of the pool", _at(BOX, "192.0.2.50"), ["pools"]),
    ("an address outside of the pool that two claim", _disputed, ["duplicates"]),
    ("a fixed address not taken", _at(GATE, "198.51.100.160"), ["fixed"]),
    ("no DHCP server", _no_server, ["dhcp"]),
    ("a stranger", _plus(Sighting(at(3), "home", STRANGER, "192.0.2.150", How.ARP)), ["unknown"]),
    ("a plug that is not back", lambda seen: without(seen, PLUG), ["presence"]),
    ("nothing outside at the end", _plus(Sample(at(30), "link:wan", vocabulary.OUTSIDE_SHARE, 0.0)), ["outside"]),
    ("half of the hosts outside", _samples(vocabulary.OUTSIDE_SHARE, 0.5), []),
    ("an alert that did not arrive", _unseen_alert, ["alerts"]),
    (
        "a frame with an error",
        _plus(Sample(at(25), "link:wan", vocabulary.ERRORS, 1.0), Sample(at(26), "link:wan", vocabulary.ERRORS, 0.0)),
        ["errors"],
    ),
    ("a dark port", _samples(vocabulary.SPEED_BPS, 0.0, port_of("device:desk")), ["ports"]),
    ("a class too high", _samples(words.POWER_CLASS, 4.0, port_of("device:gate")), ["power_class"]),
    ("answers in 19 ms", _samples(vocabulary.RTT_S, 0.019), []),
    ("answers in 21 ms", _samples(vocabulary.RTT_S, 0.021), ["latency"]),
    ("a recorder that answers no echo", _samples(vocabulary.RTT_S, None, f"device:{VAULT}"), ["recorder"]),
    ("a resolver that is silent", _plus(Sample(at(2), words.RESOLVER, words.DNS_S, None)), ["names"]),
]


@pytest.mark.parametrize(
    ("change", "checks"), [(change, checks) for _, change, checks in EDGES], ids=[n for n, _, _ in EDGES]
)
def test_each_side_of_each_limit(change: Fault, checks: list[str]) -> None:
    """On the near side nothing fails, on the far side the one check."""
    certificate = judged(change(as_planned()))
    assert [result.key for result in certificate.results if result.outcome is Outcome.FAILED] == checks


@pytest.mark.parametrize(
    ("change", "outcome", "failed"),
    [
        (_served_at_home, Outcome.PASSED, []),
        (lambda seen: seen, Outcome.FAILED, ["dhcp"]),
        # What a stranger offers is fixed for the gate: that is the stranger's trouble too, and told once.
        (lambda seen: [*_served_at_home(seen), OFFERED_GATE], Outcome.FAILED, ["dhcp"]),
        (_unasked, Outcome.NOT_TESTED, []),
    ],
    ids=["nobody leases", "the router leases", "a stranger leases", "nobody asked"],
)
def test_a_network_without_dhcp_on_purpose_needs_no_waiver(change: Fault, outcome: Outcome, failed: list[str]) -> None:
    """With dhcp = false the silence that was asked for passes, whoever leases fails, and the check of one server alone says so."""
    site = parse_site(PLAN.replace('pool = ["198.51.100.100", "198.51.100.199"]', "dhcp = false"))
    results = {result.key: result for result in judged(change(as_planned()), site=site).results}
    (things,) = [item for item in results["dhcp"].items if item.place == "segment:things"]
    assert things.outcome is outcome
    assert [key for key, result in results.items() if result.outcome is Outcome.FAILED] == failed


def test_uneven_answers_are_jitter_alone() -> None:
    """Round trips of 1 and 15 ms by turns keep the 95th percentile of 20 ms and break the mean step of 10 ms."""
    turn = iter(range(10**6))
    seen = [
        replace(one, value=(0.001, 0.015)[next(turn) % 2]) if isinstance(one, Sample) and one.kind == "rtt_s" else one
        for one in sorted(as_planned(), key=lambda one: getattr(one, "place", ""))
    ]
    assert [result.key for result in judged(seen).results if result.outcome is Outcome.FAILED] == ["jitter"]


def test_a_waiver_of_a_whole_check_leaves_what_passed() -> None:
    """Only the one slow port is waived; the ports that passed stay passed."""
    evidence = freeze(_slow_link(as_planned()), BEGAN, ENDED)
    waiver = Waiver("speed", "the wall is opened in autumn", "R. Marsh")
    certificate = certify(house(), evidence, plan_sha256="p", evidence_sha256="e", waivers=[waiver])
    speed = next(result for result in certificate.results if result.key == "speed")
    assert speed.count(Outcome.WAIVED) == 1
    assert speed.count(Outcome.PASSED) == len(speed.items) - 1


def test_the_routers_own_address_is_no_lease() -> None:
    """Known by a MAC of the plan, with an address outside of the pool: routers give themselves their addresses."""
    site = parse_site(PLAN.replace("[router]\n", f'[router]\nmac = ["{STRANGER}"]\n'))
    seen = [*as_planned(), Sighting(at(3), "home", STRANGER, "192.0.2.5", How.ARP)]
    assert judged(seen, site=site).accepted
    assert not judged(seen).accepted


def test_a_device_on_its_own_segment_too_is_not_displaced() -> None:
    """Seen at home and elsewhere, it is where it belongs, and its fixed address is judged."""
    twice = [*as_planned(), Sighting(at(12), "things", DESK, None, How.HEARD)]
    results = {result.key: result for result in judged(twice).results}
    assert results["segments"].outcome is Outcome.PASSED
    assert next(item for item in results["fixed"].items if item.place == "device:desk").outcome is Outcome.PASSED


def test_all_faults_at_once_are_all_caught() -> None:
    """Faults in different places don't hide each other."""
    seen = as_planned()
    faults = (_leak, _slow_link, _wrong_resolver, _overdrawn, _crowded, _missing, _second_server)
    for fault in faults:
        seen = fault(seen)
    failed = {result.key for result in judged(seen).results if result.outcome is Outcome.FAILED}
    assert failed == {"isolation", "speed", "names", "power", "stations", "presence", "dhcp"}


def test_nothing_seen_is_nothing_tested() -> None:
    """Without evidence no check passes and none fails, nothing is accepted, and it says what it would take."""
    certificate = judged([])
    assert not certificate.accepted
    assert {result.outcome for result in certificate.results} <= {Outcome.NOT_TESTED}
    assert all(item.evidence for _, item in certificate.items(Outcome.NOT_TESTED))


def test_too_few_echoes_are_not_tested_and_say_how_many_are_needed() -> None:
    """Fifty answered echoes a segment prove neither loss nor latency; 249 and 9 more would (299 and 59 are the fewest)."""
    few = [one for one in as_planned() if not (isinstance(one, Sample) and one.kind == "rtt_s")]
    few += echoes("segment:home/gateway", random.Random(1), count=50)
    results = {result.key: result for result in judged(few).results}
    assert results["loss"].outcome is results["latency"].outcome is Outcome.NOT_TESTED
    assert "some 249 more" in results["loss"].items[0].evidence
    assert "some 9 more" in results["latency"].items[0].evidence
    assert "it takes 51 more" in results["jitter"].items[0].evidence


def test_a_waiver_needs_a_name_and_a_reason_and_a_check() -> None:
    """A waived failure no longer fails, names who waived it, and leaves what passed as it is."""
    evidence = freeze(_slow_link(as_planned()), BEGAN, ENDED)
    waiver = Waiver(f"speed/{port_of('device:box')}", "the wall is opened in autumn", "R. Marsh")
    certificate = certify(house(), evidence, waivers=[waiver], plan_sha256="p", evidence_sha256="e")
    (result, item), *more = certificate.items(Outcome.WAIVED)
    assert (result.key, item.waived_by, more) == ("speed", "R. Marsh: the wall is opened in autumn", [])
    assert certificate.accepted
    for wrong in (Waiver("speed", "", "R. Marsh"), Waiver("speed", "why", " "), Waiver("spede", "why", "who")):
        with pytest.raises(OutOfRange):
            certify(house(), evidence, waivers=[wrong], plan_sha256="p", evidence_sha256="e")


def test_a_certificate_is_verified_against_plan_and_evidence() -> None:
    """As written it holds; a changed figure, plan or evidence is told."""
    evidence = freeze(as_planned(), BEGAN, ENDED)
    text = write_evidence(evidence)
    assert read_evidence(text) == evidence
    certificate = read_certificate(write_certificate(judged(as_planned())))
    plan = fingerprint(PLAN)
    assert verify(certificate, house(), plan, text) == ()
    assert len(verify(certificate, house(), fingerprint(PLAN + "\n"), text)) == 1
    other = write_evidence(freeze(_missing(as_planned()), BEGAN, ENDED))
    assert len(verify(certificate, house(), plan, other)) == 1
    forged = replace(certificate, evidence_sha256=digest(other))
    assert "another result" in verify(forged, house(), plan, other)[0]


@pytest.mark.parametrize(
    "changes",
    [
        {"outcome": Outcome.NOT_TESTED},
        {"outcome": Outcome.WAIVED},
        {"evidence": "seen as it should be"},
        {"cure": "nothing"},
    ],
    ids=["untested", "waived by nobody", "evidence", "cure"],
)
def test_a_certificate_sealed_anew_over_a_change_does_not_follow(changes: dict[str, Any]) -> None:
    """The seal is no secret, so that the evidence decides: a failure can't be softened but by a waiver with a name."""
    seen = _missing(as_planned())
    text, certificate = write_evidence(freeze(seen, BEGAN, ENDED)), judged(seen)

    def but(**changes: Any) -> tuple[str, ...]:
        results = tuple(
            replace(
                result,
                items=tuple(
                    replace(item, **changes) if item.outcome is Outcome.FAILED else item for item in result.items
                ),
            )
            for result in certificate.results
        )
        return verify(replace(certificate, results=results), house(), fingerprint(PLAN), text)

    assert but() == ()
    assert but(outcome=Outcome.WAIVED, waived_by="R. Marsh: on repair") == ()
    assert "another result" in but(**changes)[0]


def test_a_certificate_changed_by_hand_is_refused() -> None:
    """Turning a failure into a pass in the file breaks its SHA-256."""
    written = write_certificate(judged(_missing(as_planned())))
    with pytest.raises(CaptureError, match="changed after it was written"):
        read_certificate(written.replace('"failed"', '"passed"'))


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", "\0", '{"format": "netaudit evidence", "version": 9, "evidence": {}}']
)
def test_a_file_that_is_no_evidence_is_refused_in_a_line(text: str) -> None:
    """Damage ends in one line that names the file."""
    with pytest.raises(CaptureError, match=r"^here: .*"):
        read_evidence(text, "here")
    with pytest.raises(CaptureError, match=r"^here: .*"):
        read_certificate(text, "here")


def test_a_broken_check_is_told_and_the_others_still_judge() -> None:
    """A check that raises is an item of its own; no other check is lost."""

    def breaks(_: Trial) -> Iterator[Item]:
        raise ZeroDivisionError("of all things")

    broken = Check("broken", "?", "?", breaks)
    evidence = freeze(as_planned(), BEGAN, ENDED)
    certificate = certify(house(), evidence, plan_sha256="p", evidence_sha256="e", checks=(broken, *CHECKS))
    assert "ZeroDivisionError" in certificate.results[0].items[0].evidence
    assert certificate.count(Outcome.PASSED) == len(CHECKS)


def test_the_same_evidence_gives_the_same_bytes() -> None:
    """Certificate and evidence are written the same whatever order the collectors spoke in."""
    seen = as_planned()
    mixed = list(seen)
    random.Random(4).shuffle(mixed)
    one, other = judged(seen), judged(mixed)
    assert [result.outcome for result in one.results] == [result.outcome for result in other.results]
    assert json.loads(write_certificate(one))["content"]["plan_sha256"] == fingerprint(PLAN)


def test_an_address_in_the_pool_that_the_plan_fixed_is_a_clash() -> None:
    """The server offers the desk's own address: the fixed check says so, though both are on the network."""
    results = {result.key: result for result in judged(_offered(as_planned())).results}
    failed = [item for item in results["fixed"].items if item.outcome is Outcome.FAILED]
    assert [item.place for item in failed] == ["device:desk"]


def test_a_way_that_the_plan_opens_and_the_router_closes_fails() -> None:
    """The home may reach the things: when its one host there stays silent in every round, isolation fails; in some, it passes."""
    missing = notice("segment:home", vocabulary.REACH_MISSING, segment="things", target="device:gate", answer="silent")
    failed = [result.key for result in judged([*as_planned(), missing]).results if result.outcome is Outcome.FAILED]
    assert failed == ["isolation"]
    again = Sample(at(25), "segment:home", vocabulary.ISOLATION_BREACHES, 0.0)
    assert judged([*as_planned(), missing, again]).accepted
    # One of two hosts that stays silent has a reason of its own: the way is open.
    two = parse_site(PLAN.replace('"device:gate"]', '"device:gate", "recorder:vault"]'))
    assert judged([*as_planned(), missing], site=two).accepted


def test_who_leaves_during_the_test_fails_alone() -> None:
    """The camera answers until the fifth minute and never again: presence says for how long; its lost echoes are no loss."""
    seen = [
        replace(one, value=None)
        if isinstance(one, Sample) and one.place == f"device:{GATE}" and one.at > at(5)
        else one
        for one in as_planned()
        if not (isinstance(one, Sighting) and one.mac == GATE and one.at > at(5))
        and not (isinstance(one, Notice) and one.kind == words.RESTART)
    ]
    certificate = judged(seen)
    assert [(result.key, item.place) for result, item in certificate.items(Outcome.FAILED)] == [
        ("presence", "device:gate")
    ]
    assert "not seen in the last 30 min" in next(certificate.items(Outcome.FAILED))[1].evidence


def test_a_restart_that_loses_a_device_fails() -> None:
    """Who was seen before the restart and never well after it is named; seen just after the word for it, it was not yet off."""
    seen = swap(
        as_planned(),
        lambda one: None if isinstance(one, Sighting) and one.mac == BOX and one.at > at(15) else one,
    )
    soon = Sighting(at(16), "home", BOX, "192.0.2.100", How.ARP)
    for told in (seen, [*seen, soon]):
        failed = [result.key for result in judged(told).results if result.outcome is Outcome.FAILED]
        assert failed == ["restart"]
    dark = Sample(at(29), port_of("device:box"), vocabulary.SPEED_BPS, 0.0)
    failed = [result.key for result in judged([*seen, dark]).results if result.outcome is Outcome.FAILED]
    assert failed == ["restart"]
