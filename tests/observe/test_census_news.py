"""What is said of a running census, and how often."""

from __future__ import annotations

from ipaddress import IPv4Address

from netaudit.observe.census import Census, Limits
from netaudit.observe.census_news import MOST_NEW, NEW_PER_S, CensusNews
from netaudit.observe.census_sort import FrameSorter
from netaudit.observe.observation import How, Naming, Notice, Observation, Sample, Sighting
from netaudit.wire.arp import encode_arp_request
from netaudit.wire.capture import Interface
from netaudit.wire.dhcp4 import encode_dhcp4_request
from netaudit.wire.dns import PTR, A, DnsRecord, encode_dns_response
from netaudit.wire.ethernet import encode_ethernet
from netaudit.wire.ipv4 import encode_ipv4
from netaudit.wire.udp import encode_udp

ON = Interface(1)
SECOND = 1_000_000_000
NET = IPv4Address("10.0.0.0")
BROADCAST = IPv4Address("255.255.255.255")
GROUP = IPv4Address("224.0.0.251")


class Running:
    """A census with its news, and a clock turned by hand [s]."""

    def __init__(self, *, devices: int = 8192, repeat_s: float = 300.0) -> None:
        self.census = Census(Limits(devices=devices, pairs=4 * devices, names=4 * devices, others=50))
        self.sorter = FrameSorter(self.census, "hall")
        self.news = CensusNews(self.census, "hall", {}, repeat_s)

    def hear(self, at_s: float, *frames: bytes) -> None:
        """Take in frames that all come at one moment."""
        self.sorter.take([(int(at_s * SECOND), len(frame), frame, ON) for frame in frames])

    def said(self, at_s: float) -> list[Observation]:
        """Give what is due."""
        self.sorter.settle()
        return self.news.gather(int(at_s * SECOND))


def mac(number: int) -> bytes:
    """Give an invented MAC."""
    return b"\x02\0" + number.to_bytes(4, "big")


def claim(number: int, address: int | None = None) -> bytes:
    """Give an announcement of a device's address."""
    own = NET + (number if address is None else address)
    return encode_arp_request(mac(number), own, own)


def naming(number: int, name: str) -> bytes:
    """Give an mDNS announcement of a device's name."""
    own = NET + number
    data = encode_dns_response([DnsRecord(name, A, 120, address=own)])
    packet = encode_ipv4(own, GROUP, 17, encode_udp(own, GROUP, 5353, 5353, data))
    return encode_ethernet(b"\x01\0\x5e\0\0\xfb", mac(number), 0x0800, packet)


def sightings(news: list[Observation]) -> list[tuple[str, str | None]]:
    """Give MAC and address of each sighting."""
    return [(one.mac, one.address) for one in news if isinstance(one, Sighting)]


def test_once_and_again_after_the_repeat_time() -> None:
    """A device that speaks every second for twenty minutes is a row at 0, 300, 600, 900 and 1200 s."""
    running = Running()
    times = []
    for second in range(1201):
        running.hear(second, claim(1))
        times += [second for _ in sightings(running.said(second))]
    assert times == [0, 300, 600, 900, 1200]


def test_who_fell_silent_is_not_said_again() -> None:
    """No frame, no row: the time of a sighting is when it was heard."""
    running = Running()
    running.hear(0, claim(1))
    assert sightings(running.said(5)) == [("02:00:00:00:00:01", "10.0.0.1")]
    assert all(sightings(running.said(second)) == [] for second in range(10, 4000, 100))


def test_a_device_without_address_is_a_sighting_without_address() -> None:
    """Who only sends frames that tell nothing is there all the same; with an address it is told by that alone."""
    running = Running()
    running.hear(0, encode_ethernet(mac(2), mac(1), 0x1234, b"?"), claim(3))
    assert sorted(sightings(running.said(1))) == [("02:00:00:00:00:01", None), ("02:00:00:00:00:03", "10.0.0.3")]


def test_a_group_address_as_sender_is_no_device() -> None:
    """Nobody can have it; nor can anybody have all zeros."""
    running = Running()
    for sender in (b"\x01\0\x5e\0\0\1", bytes(6)):
        running.hear(0, encode_ethernet(mac(2), sender, 0x1234, b"?"))
    assert sightings(running.said(1)) == []


def test_a_flood_gives_a_bounded_number_of_rows_and_a_notice() -> None:
    """4,000 invented devices in one moment: the budget's worth of rows, and one notice that says how many more."""
    running = Running()
    running.hear(0, *(claim(number) for number in range(1, 4001)))
    news = running.said(1)
    assert len(sightings(news)) == MOST_NEW
    floods = [dict(one.detail) for one in news if isinstance(one, Notice) and one.kind == "flood"]
    assert floods == [{"table": "devices", "entries": str(4000 - MOST_NEW)}]
    # Ten minutes later the budget has refilled by ten minutes' worth; those that go on being heard get it.
    running.hear(600, *(claim(number) for number in range(1, 4001)))
    again = {mac_text for mac_text, _ in sightings(running.said(601))}
    assert len(again) == MOST_NEW + int(600 * NEW_PER_S)


def test_a_flood_of_names_is_bounded_too() -> None:
    """One device that invents 3,000 names gives the budget's worth of namings, and a notice."""
    running = Running()
    running.hear(0, *(naming(1, f"name-{number}.local") for number in range(3000)))
    news = running.said(1)
    assert sum(isinstance(one, Naming) for one in news) == MOST_NEW
    assert {dict(one.detail)["table"] for one in news if isinstance(one, Notice)} == {"names"}


def test_a_name_is_said_once_an_hour_at_most() -> None:
    """With a repeat time of 300 s, a name announced every minute for two hours is said three times."""
    running = Running()
    count = 0
    for minute in range(121):
        running.hear(minute * 60, naming(1, "lamp.local"))
        count += sum(isinstance(one, Naming) for one in running.said(minute * 60))
    assert count == 3


def test_services_and_identifiers_are_told_apart_from_names() -> None:
    """Each with its origin, once; a flood of services takes no room from the names."""
    run = Running()
    own = NET + 7
    identified = encode_dhcp4_request(mac(9), 1, own)  # holds type 1 and the MAC of another
    asked = identified[:28] + mac(7) + identified[34:]
    dhcp = encode_ipv4(NET, BROADCAST, 17, encode_udp(NET, BROADCAST, 68, 67, asked))
    run.hear(0, claim(7), encode_ethernet(b"\xff" * 6, mac(7), 0x0800, dhcp))
    assert [(one.name, one.origin) for one in run.said(0) if isinstance(one, Naming)] == [
        ("01" + mac(9).hex(), How.CLIENT_ID)
    ]
    for number in range(MOST_NEW + 10):
        records = [DnsRecord("x", PTR, 120, target=f"x._s{number}._tcp.local")]
        data = encode_udp(own, GROUP, 5353, 5353, encode_dns_response(records))
        run.hear(1, encode_ethernet(b"\x01\0\x5e\0\0\xfb", mac(7), 0x0800, encode_ipv4(own, GROUP, 17, data)))
    run.hear(1, naming(7, "lamp.local"))
    told = [one for one in run.said(1) if isinstance(one, Naming)]
    assert [one.name for one in told if one.origin is How.MDNS] == ["lamp.local"]
    assert sum(one.origin is How.SERVICE for one in told) == MOST_NEW
    assert not [one for one in run.said(2) if isinstance(one, Naming) and one.origin is How.CLIENT_ID]


def test_a_conflict_ends_when_one_of_the_two_is_gone() -> None:
    """Both claim in turns: a notice each repeat time. One goes away for longer than that: no more."""
    running = Running()
    for second in range(0, 600, 10):
        running.hear(second, claim(1, 9), claim(2, 9))
        running.said(second)
    for second in range(600, 1800, 10):
        running.hear(second, claim(1, 9))
        news = running.said(second)
        if second >= 600 + 300:
            assert [one for one in news if isinstance(one, Notice)] == []


def test_rates_are_of_the_time_since_they_were_last_said() -> None:
    """Two broadcasts a second for ten minutes are two a second, both times."""
    running = Running()
    rates = []
    for second in range(601):
        running.hear(second, claim(1), claim(2))
        rates += [
            one.value for one in running.said(second) if isinstance(one, Sample) and one.kind == "broadcast_per_s"
        ]
    assert rates == [2.0, 2.0]
