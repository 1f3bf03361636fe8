"""DHCP servers are found without taking anything from them."""

from __future__ import annotations

from ipaddress import IPv4Address
from typing import TYPE_CHECKING

import pytest
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import Ether

from netaudit.errors import OutOfRange
from netaudit.observe.dhcp_servers import MOST_SERVERS, _offer, dhcp_servers
from tests.lab.host import Host, Pool

if TYPE_CHECKING:
    from tests.lab.lan import Lab


def _server(number: int, first: str, lease_s: int = 3600) -> Host:
    pool = Pool(first=first, count=3, mask="255.255.255.0", lease_s=lease_s)
    return Host(mac=f"02:00:00:00:01:{number:02x}", address=f"192.0.2.{number}", pool=pool)


def test_each_server_is_a_notice_and_none_has_given_a_lease(lab: Lab) -> None:
    """The plan's server and a second one nobody knew of: both are named with what they offer; no lease is taken."""
    first, second = _server(254, "192.0.2.100"), _server(66, "198.51.100.10", lease_s=120)
    segment = lab.segment([first, second.but(delay_s=0.3)], log=True)
    result = lab.call(dhcp_servers, segment.interface, segment="hall", timeout_s=1.0)
    assert [(notice.kind, notice.place) for notice in result.notices] == [("dhcp_server", "segment:hall")] * 2
    assert [dict(notice.detail) for notice in result.notices] == [
        {"address": "192.0.2.100", "lease_s": "3600", "mac": first.mac, "server": "192.0.2.254"},
        {"address": "198.51.100.10", "lease_s": "120", "mac": second.mac, "server": "192.0.2.66"},
    ]
    assert segment.counts().leases == {}
    assert [(question.kind, question.address) for question in segment.log()] == [("dhcp", "discover")] * 2


def test_asking_often_uses_up_no_pool(lab: Lab) -> None:
    """Four rounds with a pool of three: each time the same address is offered, as it is always the same client."""
    segment = lab.segment([_server(254, "192.0.2.100")])
    offers = set()
    for _ in range(4):
        result = lab.call(dhcp_servers, segment.interface, segment="hall", timeout_s=0.2)
        offers |= {dict(notice.detail)["address"] for notice in result.notices}
    assert offers == {"192.0.2.100"}


def test_no_server_is_no_notice(lab: Lab) -> None:
    """A silent segment gives nothing."""
    segment = lab.segment([_server(254, "192.0.2.100").but(silent=("dhcp",))])
    assert lab.call(dhcp_servers, segment.interface, segment="hall", timeout_s=0.3).notices == ()


def _frame(mac: str, *, xid: int = 7, kind: str = "offer") -> bytes:
    """Write a server's message with an independent library."""
    options = DHCP(options=[("message-type", kind), ("server_id", "192.0.2.77"), "end"])
    bootp = BOOTP(op=2, chaddr=bytes.fromhex(mac.replace(":", "")), xid=xid, yiaddr="192.0.2.7")
    head = Ether(src="02:00:00:00:00:77", dst="ff:ff:ff:ff:ff:ff") / IP(src="192.0.2.77", dst="255.255.255.255")
    return bytes(head / UDP(sport=67, dport=68) / bootp / options)


def test_offers_to_other_questions_are_not_ours(lab: Lab) -> None:
    """An offer with another transaction number, and noise, are not answers to us."""
    segment = lab.segment([])

    def speak() -> None:
        segment.send(_frame(segment.mac))
        segment.send(b"\xff" * 300)

    with lab.later(0.1, speak):
        assert lab.call(dhcp_servers, segment.interface, segment="hall", timeout_s=0.6).notices == ()


def test_only_an_offer_to_this_client_and_question_is_read_as_one() -> None:
    """Right in all: read, with the MAC it came from; any of client, number or kind of message differs: not ours."""
    mac = bytes.fromhex("02ff00000001")
    offer = _offer(_frame(mac.hex(":")), 7, mac)
    assert offer is not None
    assert (offer[0].server_id, offer[0].yiaddr) == (IPv4Address("192.0.2.77"), IPv4Address("192.0.2.7"))
    assert offer[1] == bytes.fromhex("020000000077")
    assert _offer(_frame("02:00:00:00:00:12"), 7, mac) is None
    assert _offer(_frame(mac.hex(":"), xid=8), 7, mac) is None
    assert _offer(_frame(mac.hex(":"), kind="ack"), 7, mac) is None
    whole = _frame(mac.hex(":"))
    # Before the option that says OFFER (14 + 20 + 8 + 240 octets of headers, 3 of option) there is none; and no cut raises.
    read = [_offer(whole[:cut], 7, mac) is not None for cut in range(len(whole) + 1)]
    assert not any(read[: 14 + 20 + 8 + 240 + 3])
    assert read[-1]


def test_made_up_servers_are_bounded(lab: Lab) -> None:
    """Thirty servers answer: the first sixteen are kept."""
    segment = lab.segment([_server(number, f"192.0.2.{100 + number}") for number in range(10, 40)])
    result = lab.call(dhcp_servers, segment.interface, segment="hall", timeout_s=0.6)
    assert len(result.notices) == MOST_SERVERS
    assert all(IPv4Address(dict(notice.detail)["server"]) for notice in result.notices)


async def test_nonsense_is_refused() -> None:
    """No time or an hour is not a wait for offers."""
    for timeout_s in (0.0, 3600.0):
        with pytest.raises(OutOfRange):
            await dhcp_servers("lo", segment="hall", timeout_s=timeout_s)
