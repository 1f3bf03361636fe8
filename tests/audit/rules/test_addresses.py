from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from netaudit.audit.rules.addresses import NAMES, NAMES_BACK, PLACE, SECOND_SERVER, TWICE
from netaudit.site.load import parse_site
from netaudit.store.records import Address, Device
from tests.audit.scene import BOX, CLOCK, DESK, LONG_AGO, NOW, PLAN, Scene, stranger

if TYPE_CHECKING:
    from netaudit.audit.rules.rule import Rule, Verdict


def test_two_claims_to_one_address_are_found_until_they_end() -> None:
    """A conflict repeated half a minute ago holds; one that was last seen twenty minutes ago is over."""
    scene = Scene().notice("segment:home", "address_conflict", address="192.0.2.21", macs=f"{DESK} {BOX}")
    assert scene.holds(TWICE) == {"address:192.0.2.21": "twice"}
    assert Scene().notice("segment:home", "address_conflict", ago_s=1200, address="192.0.2.21").holds(TWICE) == {}


def test_one_server_is_fine_even_if_it_is_not_the_router() -> None:
    """A single server, whoever it is, is the owner's choice."""
    assert Scene().notice("segment:home", "dhcp_server", server="192.0.2.9", mac=stranger(9)).holds(SECOND_SERVER) == {}


def test_a_second_server_is_found_and_named_besides_the_router() -> None:
    """With the router and another one heard, the other one is the second, whichever spoke first."""
    scene = Scene().notice("segment:home", "dhcp_server", server="192.0.2.1", mac=stranger(1))
    scene.notice("segment:home", "dhcp_server", first_s=9999, server="192.0.2.9", mac=stranger(9))
    (verdict,) = scene.ask(SECOND_SERVER)
    assert dict(verdict.evidence) == {"segment": "home", "first": "192.0.2.1", "others": f"192.0.2.9 {stranger(9)}"}


def test_the_same_server_twice_is_one() -> None:
    """Two notices of one server, from the sweep and from listening, make no second server."""
    scene = Scene().notice("segment:home", "dhcp_server", server="192.0.2.1", mac=stranger(1))
    assert scene.notice("segment:home", "dhcp_server", server="192.0.2.1", mac="").holds(SECOND_SERVER) == {}


@pytest.mark.parametrize("server", ["192.0.2.1", "192.0.2.9"])
def test_where_the_plan_has_no_dhcp_one_server_is_one_too_many(server: str) -> None:
    """The router or another: on a segment with dhcp = false it is found and named; silence there is fine."""
    site = parse_site(PLAN.replace("[segment.home]\n", "[segment.home]\ndhcp = false\n"))
    assert Scene(site=site).ask(SECOND_SERVER) == []
    (verdict,) = (
        Scene(site=site).notice("segment:home", "dhcp_server", server=server, mac=stranger(9)).ask(SECOND_SERVER)
    )
    assert said(SECOND_SERVER, verdict) == (
        f"A device leases addresses on network home, where the plan has no DHCP: {server} {stranger(9)}"
    )


@pytest.mark.parametrize(
    ("mac", "address", "words"),
    [
        (DESK, "192.0.2.21", None),
        (DESK, "192.0.2.22", "other"),
        (DESK, "10.0.0.7", "outside"),
        (CLOCK, "192.0.2.30", None),
        ("00:00:5e:00:53:ee", "192.0.2.21", "taken"),
        ("00:00:5e:00:53:ee", "192.0.2.200", None),
        (BOX, "192.0.2.77", None),
    ],
)
def test_an_address_is_measured_by_the_plan(mac: str, address: str, words: str | None) -> None:
    """Outside the segment, other than planned, or somebody else's: each is told from what the plan allows."""
    found = Scene().here(mac, "home", address).holds(PLACE)
    assert list(found.values()) == ([words] if words else [])


def said(rule: Rule, verdict: Verdict) -> str:
    """Give the sentence of a verdict."""
    return rule.words[verdict.words].text.format(**dict(verdict.evidence))


def test_a_finding_speaks_of_devices_as_people_do() -> None:
    """Whose address was taken is said in words, not by the plan's reference; of two that clash both stand in a sentence."""
    (taken,) = Scene().here("00:00:5e:00:53:ee", "home", "192.0.2.21").ask(PLACE)
    assert said(PLACE, taken).endswith("has the address 192.0.2.21 of device desk")
    told = Scene().notice("segment:home", "address_conflict", address="192.0.2.21", macs=f"{DESK} {CLOCK}")
    (clash,) = told.ask(TWICE)
    assert said(TWICE, clash).startswith(f"Two devices use the address 192.0.2.21: {DESK} and {CLOCK};")


def test_several_addresses_at_once_are_fine_if_the_planned_one_is_among_them() -> None:
    """Beside one that was used half an hour ago the planned one counts; after an hour and a half alone it doesn't."""
    scene = Scene().here(DESK, "home", "192.0.2.21")
    for minutes, found in ((30, {}), (90, {"device:desk": "other"})):
        newer = Address("192.0.2.77", "home", "arp", LONG_AGO, NOW)
        older = Address("192.0.2.21", "home", "arp", LONG_AGO, NOW - timedelta(minutes=minutes))
        scene.devices = [Device(DESK, LONG_AGO, NOW, (newer, older), ())]
        assert scene.holds(PLACE) == found


@pytest.mark.parametrize(("answer", "found"), [("192.0.2.21", False), ("192.0.2.77", True), ("", True)])
def test_a_name_must_lead_to_its_device(answer: str, *, found: bool) -> None:
    """The desk's name leads to the desk's address, or it is a finding; no answer is one too."""
    scene = Scene().everybody().notice("device:desk", "resolved", name="desk.home.arpa", address=answer)
    assert (scene.holds(NAMES) == {"device:desk": "wrong"}) is found


def test_the_latest_answer_counts() -> None:
    """A wrong answer an hour ago and a right one now is no finding."""
    scene = Scene().everybody().notice("device:desk", "resolved", ago_s=3600, name="d", address="192.0.2.77")
    assert scene.notice("device:desk", "resolved", name="d", address="192.0.2.21").holds(NAMES) == {}


@pytest.mark.parametrize(("name", "words"), [("desk.home.arpa", None), ("old.home.arpa", "other"), ("", "none")])
def test_an_address_that_leads_back_to_another_name_is_found(name: str, words: str | None) -> None:
    """The desk's address leads back to the desk, to somebody else, or nowhere; only the latest answer counts."""
    scene = Scene().notice("device:desk", "resolved_back", ago_s=900, address="192.0.2.21", name="odd.home.arpa")
    scene.notice("device:desk", "resolved_back", address="192.0.2.21", name=name)
    assert scene.holds(NAMES_BACK) == ({"device:desk": words} if words else {})


def test_an_answer_about_an_address_of_an_earlier_plan_says_nothing() -> None:
    """The desk had .99 before the plan was changed."""
    scene = Scene().notice("device:desk", "resolved_back", address="192.0.2.99", name="old.home.arpa")
    assert scene.ask(NAMES_BACK) == []


def test_a_resolver_without_any_way_back_is_one_finding() -> None:
    """Three devices with a name and no way back are told together; while that is open the last one is told in it too."""
    names = ("north", "south", "west")
    more = "".join(
        f'[device.{name}]\nkind = "server"\nsegment = "home"\nswitch = "shed"\naddress = "192.0.2.{80 + n}"\n'
        f'hostname = "{name}.home.arpa"\n'
        for n, name in enumerate(names)
    )
    scene = Scene(site=parse_site(PLAN + more))
    for n, name in enumerate(names):
        scene.notice(f"device:{name}", "resolved_back", address=f"192.0.2.{80 + n}", name="")
    assert scene.holds(NAMES_BACK) == {"service:resolver": "many"}
    scene.notices = scene.notices[:1]
    assert scene.holds(NAMES_BACK) == {"device:north": "none"}
    assert scene.holds(NAMES_BACK, is_open=[("name_back", "service:resolver")]) == {"service:resolver": "many"}
