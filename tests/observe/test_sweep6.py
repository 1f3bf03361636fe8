"""The IPv6 sweep: all that answer or speak are seen at their MAC, and nobody else."""

from __future__ import annotations

from ipaddress import IPv4Network, IPv6Address, IPv6Network
from typing import TYPE_CHECKING

import pytest
from scapy.layers.inet6 import ICMPv6EchoReply, IPv6
from scapy.layers.l2 import Ether

from netaudit.errors import LookError
from netaudit.observe.observation import How
from netaudit.observe.sweep6 import Sweep6Result, likely_addresses, sweep6
from tests.lab.host import Host, crowd

if TYPE_CHECKING:
    from tests.lab.lan import Lab

NET = IPv4Network("192.0.2.0/24")
NET6 = IPv6Network("2001:db8::/64")
OWN = ["2001:db8::1/64", "fe80::1/64"]


def _found(result: Sweep6Result) -> set[tuple[str | None, str, How]]:
    return {(sighting.address, sighting.mac, sighting.how) for sighting in result.sightings}


def test_all_nodes_that_answer_are_seen(lab: Lab) -> None:
    """A ping to all nodes finds each host that answers it."""
    hosts = crowd(NET, 40, network6=NET6)
    segment = lab.segment(hosts, own=OWN)
    result = lab.call(sweep6, segment.interface, segment="hall", networks=[NET6], retries=0, timeout_s=0.4)
    assert _found(result) == {(host.address6, host.mac, How.ECHO) for host in hosts}
    assert (result.frames_sent, result.unsent, result.drops, result.forgotten) == (1, 0, 0, 0)


@pytest.mark.parametrize("loss", [0.0, 0.2])
def test_candidates_are_found_by_solicitation_where_ping_is_not_answered(lab: Lab, loss: float) -> None:
    """Hosts that drop ping answer for their address; only the silent are asked again."""
    # With 6 retries a host is missed with 0.2 ** 7 = 1.3e-5; the seed fixes the dice.
    hosts = [host.but(silent=("echo6",), loss=loss) for host in crowd(NET, 20, network6=NET6)]
    segment = lab.segment(hosts, own=OWN, log=True)
    absent = NET6[200]
    candidates = [IPv6Address(host.address6 or "") for host in hosts] + [absent]
    result = lab.call(
        sweep6, segment.interface, segment="hall", networks=[NET6], candidates=candidates, retries=6, timeout_s=0.1
    )
    assert _found(result) == {(host.address6, host.mac, How.ND) for host in hosts}
    asked = [question.address for question in segment.log() if question.kind == "nd"]
    assert asked.count(str(absent)) == 7
    if loss == 0:
        assert len(asked) == 20 + 7


def test_who_speaks_meanwhile_is_seen(lab: Lab) -> None:
    """An unsolicited advertisement is a sighting; an address of a foreign network is not."""
    shy = Host(mac="02:00:00:00:00:97", address6="2001:db8::97", silent=("echo6", "nd"))
    stranger = Host(mac="02:00:00:00:00:96", address6="2001:db8:1::96")
    segment = lab.segment([shy, stranger], own=OWN)

    def speak() -> None:
        segment.say(shy, "nd")
        segment.say(stranger, "nd")

    with lab.later(0.2, speak):
        result = lab.call(sweep6, segment.interface, segment="hall", networks=[NET6], retries=0, timeout_s=0.8)
    assert _found(result) == {("2001:db8::97", shy.mac, How.ND)}


def test_likely_addresses_are_those_of_the_standard_and_of_the_kernel(lab: Lab) -> None:
    """RFC 2464, 4: 34-56-78-9A-BC-DE makes 36-56-78-FF-FE-9A-BC-DE; and a real kernel in the lab is found by its MAC."""
    made = likely_addresses([bytes.fromhex("3456789abcde")], [NET6, IPv6Network("2001:db8:2::/48")])
    assert made == [IPv6Address("fe80::3656:78ff:fe9a:bcde"), IPv6Address("2001:db8::3656:78ff:fe9a:bcde")]
    segment = lab.segment([], own=OWN, bridged=True)
    guest = segment.guest("02:00:00:00:01:50")
    lab.ip("link set eth0 addrgenmode eui64", "link set eth0 down", "link set eth0 up", pid=guest.pid)
    candidates = likely_addresses([bytes.fromhex("020000000150")], [])
    # The kernel checks its new address for duplicates for a second before it answers (RFC 4862, 5.4).
    result = lab.call(sweep6, segment.interface, segment="hall", candidates=candidates, retries=8, timeout_s=0.4)
    assert {(sighting.address, sighting.mac) for sighting in result.sightings} == {
        ("fe80::ff:fe00:150", "02:00:00:00:01:50")
    }


def test_hostile_messages_do_no_harm(lab: Lab) -> None:
    """Advertisements from afar (hop limit not 255), cut ones, group MACs and answers to others don't count; good ones after them are."""
    good = Host(mac="02:00:00:00:00:95", address6="2001:db8::95")
    segment = lab.segment([good], own=OWN)
    head = bytes.fromhex("333300000001 020000000055 86dd 60000000".replace(" ", ""))
    source = IPv6Address("2001:db8::55").packed + IPv6Address("ff02::1").packed
    body = bytes.fromhex("8800000020000000") + IPv6Address("2001:db8::55").packed
    # Somebody's answer to another's ping; that our random identifier is the same happens once in 65,536 runs.
    foreign = bytes(
        Ether(src="02:00:00:00:00:56", dst=segment.mac)
        / IPv6(src="2001:db8::56", dst="fe80::1")
        / ICMPv6EchoReply(id=0x1D1D)
    )

    def attack() -> None:
        far = head + (32).to_bytes(2, "big") + b"\x3a\x40" + source + body + bytes.fromhex("0201020000000055")
        group = head + (32).to_bytes(2, "big") + b"\x3a\xff" + source + body + bytes.fromhex("0201013300000055")
        for cut in range(14, len(group) - 8):
            segment.send(group[:cut].ljust(60, b"\0") if cut < 60 else group[:cut])
        segment.send(far)
        segment.send(foreign)
        segment.send(group)
        segment.say(good, "nd")

    with lab.later(0.2, attack):
        result = lab.call(sweep6, segment.interface, segment="hall", networks=[NET6], retries=0, timeout_s=0.8)
    assert {(sighting.address, sighting.mac) for sighting in result.sightings} == {("2001:db8::95", good.mac)}


async def test_public_networks_and_foreign_candidates_are_refused() -> None:
    """As for IPv4: private and documentation ranges of the plan only."""
    with pytest.raises(LookError, match="not a private network"):
        await sweep6("lo", segment="hall", networks=[IPv6Network("2600::/64")])
    with pytest.raises(LookError, match="outside of the networks"):
        await sweep6("lo", segment="hall", networks=[NET6], candidates=[IPv6Address("2001:db8:9::1")])


def test_no_link_local_address_is_said(lab: Lab) -> None:
    """Without IPv6 on the interface the error says what to do."""
    with pytest.raises(LookError, match="no link-local IPv6 address"):
        lab.call(sweep6, lab.segment([], own=["192.0.2.1/24"]).interface, segment="hall")
