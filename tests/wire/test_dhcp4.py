from __future__ import annotations

import tracemalloc
from collections import Counter
from ipaddress import IPv4Address
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.dhcp import BOOTP, DHCP, DHCPTypes

from netaudit.errors import OutOfRange
from netaudit.wire.dhcp4 import (
    ACK,
    DISCOVER,
    MESSAGE_NAMES,
    OFFER,
    REQUEST,
    decode_dhcp4,
    encode_dhcp4_discover,
    encode_dhcp4_reply,
    encode_dhcp4_request,
)
from tests.wire.abuse import noise, repeatable, spoilt
from tests.wire.heard import datagrams, truth

if TYPE_CHECKING:
    from pathlib import Path

MAC = bytes.fromhex("00005e005301")
COOKIE = b"\x63\x82\x53\x63"

addresses = st.integers(1, 0xFFFFFFFF).map(IPv4Address)
words = st.text(st.characters(codec="ascii", exclude_categories=["Cc"]), min_size=1, max_size=60)


def message(
    *options: tuple[int, bytes], sname: bytes = b"", file: bytes = b"", hardware: int = 1, size: int = 6
) -> bytes:
    """Write a reply by hand, RFC 2131 figure 1."""
    head = bytes([2, hardware, size, 0]) + bytes(4) + bytes(4) + bytes(16) + MAC.ljust(16, b"\0")
    tail = b"".join(bytes([code, len(value)]) + value for code, value in options)
    return head + sname.ljust(64, b"\0") + file.ljust(128, b"\0") + COOKIE + tail + b"\xff"


def real(captures: Path) -> list[bytes]:
    """Give each different DHCP message of the shared captures once."""
    seen: dict[bytes, None] = {}
    for name in truth(captures):
        for datagram in datagrams(captures / name):
            if datagram.on(67, 68):
                seen[datagram.payload] = None
    return list(seen)


def test_messages_names_and_hostnames_are_those_other_programs_read(captures: Path) -> None:
    """In each shared capture the messages by type, the host names and the client FQDNs are those of the ground truth."""
    differing = {}
    read = 0
    for name, expected in truth(captures).items():
        types: Counter[str] = Counter()
        hostnames, fqdns = set(), set()
        for datagram in datagrams(captures / name):
            heard = decode_dhcp4(datagram.payload) if datagram.on(67, 68) else None
            if heard is None:
                continue
            types["BOOTP" if heard.message_type is None else MESSAGE_NAMES[heard.message_type]] += 1
            hostnames |= {heard.hostname} - {None}
            fqdns |= {heard.client_fqdn} - {None}
        got = {
            "messages": dict(sorted(types.items())),
            "hostnames": sorted(map(str, hostnames)),
            "client_fqdn": [*fqdns],
        }
        read += sum(types.values())
        if got != expected["dhcpv4"]:
            differing[name] = (got, expected["dhcpv4"])
    assert not differing
    assert read > 80


def test_message_names_agree_with_another_program() -> None:
    """The types 1 to 13 have the names that scapy gives them, spelt alike."""
    # scapy 2.8.0, DHCPTypes
    assert {number: name.replace("_", "").upper() for number, name in DHCPTypes.items()} == {
        number: name for number, name in MESSAGE_NAMES.items() if number <= 13
    }
    assert sorted(MESSAGE_NAMES) == list(range(1, 19))
    assert [MESSAGE_NAMES[number] for number in (DISCOVER, OFFER, REQUEST, ACK)] == [
        "DISCOVER",
        "OFFER",
        "REQUEST",
        "ACK",
    ]


@repeatable
@given(
    operation=st.sampled_from([1, 2]),
    kind=st.integers(1, 18),
    xid=st.integers(0, 0xFFFFFFFF),
    ip=st.tuples(addresses, addresses, addresses, addresses, addresses, addresses),
    lease_s=st.integers(0, 0xFFFFFFFF),
    hostname=words,
    vendor_class=words,
    client_id=st.binary(min_size=2, max_size=40),
    parameters=st.lists(st.integers(1, 254), min_size=1, max_size=40),
)
def test_every_field_is_what_scapy_wrote(
    *,
    operation: int,
    kind: int,
    xid: int,
    ip: tuple[IPv4Address, ...],
    lease_s: int,
    hostname: str,
    vendor_class: str,
    client_id: bytes,
    parameters: list[int],
) -> None:
    """A message that scapy encodes is read back field by field."""
    options: list[Any] = [
        ("message-type", kind),
        ("hostname", hostname.encode()),
        ("requested_addr", str(ip[4])),
        ("server_id", str(ip[5])),
        ("lease_time", lease_s),
        ("param_req_list", parameters),
        ("vendor_class_id", vendor_class.encode()),
        ("client_id", client_id),
        "end",
    ]
    fixed = {"ciaddr": str(ip[0]), "yiaddr": str(ip[1]), "siaddr": str(ip[2]), "giaddr": str(ip[3])}
    payload = bytes(BOOTP(op=operation, xid=xid, chaddr=MAC, **fixed) / DHCP(options=options))
    heard = decode_dhcp4(payload)
    assert heard is not None
    assert (heard.operation, heard.message_type, heard.xid, heard.client_mac) == (operation, kind, xid, MAC.hex(":"))
    assert (heard.ciaddr, heard.yiaddr, heard.siaddr, heard.giaddr, heard.requested_ip, heard.server_id) == ip
    assert (heard.hostname, heard.vendor_class, heard.client_id) == (hostname, vendor_class, client_id)
    assert (heard.lease_s, heard.parameters) == (lease_s, tuple(parameters))


def test_a_message_without_option_53_is_bootp() -> None:
    """Without option 53, or without any options, the message is read and has no type."""
    heard = decode_dhcp4(message((12, b"old")))
    assert heard is not None
    assert (heard.message_type, heard.hostname) == (None, "old")
    bare = decode_dhcp4(message()[:236])
    assert bare is not None
    assert (bare.message_type, bare.client_mac) == (None, "00:00:5e:00:53:01")


@pytest.mark.parametrize(("hardware", "size"), [(6, 6), (1, 0), (1, 16)])
def test_only_an_ethernet_address_is_a_mac(hardware: int, size: int) -> None:
    """Another hardware type or size gives no MAC: a lease query by address has none (RFC 4388 section 6.1)."""
    heard = decode_dhcp4(message(hardware=hardware, size=size))
    assert heard is not None
    assert heard.client_mac is None


# RFC 2132 section 2: receivers delete trailing NULs.
@pytest.mark.parametrize(
    ("octets", "name"), [(b"lamp\0", "lamp"), (b"lamp\0\0\0", "lamp"), (b"Lamp", "Lamp"), (b"\0", None), (b"", None)]
)
def test_a_hostname_loses_its_trailing_nuls_and_keeps_its_case(octets: bytes, name: str | None) -> None:
    """NULs at the end are no part of a host name; its case is as sent; nothing left is no name."""
    heard = decode_dhcp4(message((53, b"\x03"), (12, octets)))
    assert heard is not None
    assert heard.hostname == name


def test_options_overflow_into_file_and_then_sname() -> None:
    """Option 52 of 3 makes file and sname hold options, joined in the order options, file, sname (RFC 3396 section 5)."""
    overflow = message(
        (53, b"\x05"),
        (12, b"one-"),
        (52, b"\x03"),
        file=b"\x0c\x04two-\xff",
        sname=b"\x0c\x05three\x33\x04\0\0\x0e\x10\xff",
    )
    heard = decode_dhcp4(overflow)
    assert heard is not None
    assert (heard.hostname, heard.lease_s) == ("one-two-three", 3600)


@pytest.mark.parametrize(("overload", "name"), [(b"\x01", "file"), (b"\x02", "sname")])
def test_only_the_fields_that_option_52_names_hold_options(overload: bytes, name: str) -> None:
    """Option 52 of 1 means file only, 2 sname only (RFC 2132 section 9.3)."""
    heard = decode_dhcp4(message((52, overload), file=b"\x0c\x04file\xff", sname=b"\x0c\x05sname\xff"))
    assert heard is not None
    assert heard.hostname == name


def test_without_option_52_file_and_sname_are_not_options() -> None:
    """What stands in file and sname is text unless option 52 says otherwise."""
    heard = decode_dhcp4(message((53, b"\x05"), file=b"\x0c\x04file\xff", sname=b"\x0c\x05sname\xff"))
    assert heard is not None
    assert heard.hostname is None


def test_a_long_option_comes_in_pieces() -> None:
    """An option that comes again continues the one before, wherever it stands (RFC 3396 section 7)."""
    heard = decode_dhcp4(message((61, b"a" * 255), (12, b"ap"), (61, b"b" * 10), (12, b"attic")))
    assert heard is not None
    assert (heard.client_id, heard.hostname) == (b"a" * 255 + b"b" * 10, "apattic")


# RFC 4702 section 2.3.1: the E bit, and the example of a name in wire format.
@pytest.mark.parametrize(
    ("option", "name"),
    [
        (b"\x00\0\0printer.example.", "printer.example."),
        (b"\x01\0\0printer", "printer"),
        (b"\x04\0\0\x06myhost\x07example\x03com\0", "myhost.example.com."),
        (b"\x04\0\0\x06myhost", "myhost"),
        (b"\x04\0\0\xc0\x0c", None),
        (b"\x04", None),
    ],
)
def test_the_client_fqdn_comes_as_text_or_as_labels(option: bytes, name: str | None) -> None:
    """Both encodings of option 81 give the name as sent; compression is refused."""
    heard = decode_dhcp4(message((81, option)))
    assert heard is not None
    assert heard.client_fqdn == name


def test_the_relay_says_where_the_client_hangs() -> None:
    """Option 82 gives circuit and remote id (RFC 3046 section 2.0); a cut sub-option is left out."""
    heard = decode_dhcp4(message((82, b"\x01\x04ge-7\x02\x02\x00\x01")))
    assert heard is not None
    assert (heard.relay_circuit, heard.relay_remote) == (b"ge-7", b"\x00\x01")
    cut = decode_dhcp4(message((82, b"\x01\x04ge-7\x02\x09\x00")))
    assert cut is not None
    assert (cut.relay_circuit, cut.relay_remote) == (b"ge-7", None)


def test_the_last_option_may_end_the_message() -> None:
    """Without the end option the last option counts all the same."""
    heard = decode_dhcp4(message((53, b"\x01"), (12, b"lamp"))[:-1])
    assert heard is not None
    assert heard.hostname == "lamp"


def test_an_option_that_lies_about_its_length_leaves_those_before_it() -> None:
    """Options before the first that runs over the end are kept."""
    heard = decode_dhcp4(message((53, b"\x01"), (12, b"lamp"))[:-1] + b"\x32\xc8\x0a\x00")
    assert heard is not None
    assert (heard.message_type, heard.hostname, heard.requested_ip) == (1, "lamp", None)


@pytest.mark.parametrize("option", [(50, b"\x0a\0\0"), (51, b"\0\0\x0e"), (54, b""), (53, b"")])
def test_an_option_that_is_too_short_is_none(option: tuple[int, bytes]) -> None:
    """An address or a time of too few octets is no address and no time."""
    heard = decode_dhcp4(message(option))
    assert heard is not None
    assert (heard.requested_ip, heard.lease_s, heard.server_id, heard.message_type) == (None, None, None, None)


def test_what_is_no_dhcp_is_none() -> None:
    """A payload shorter than the header, or that is neither request nor reply, is none."""
    assert decode_dhcp4(message()[:235]) is None
    assert decode_dhcp4(b"\x03" + message()[1:]) is None


def test_no_cut_flip_or_noise_raises(captures: Path) -> None:
    """Every cut and every flipped bit of real and built messages gives a message or None, and noise too."""
    built = [
        message(
            (53, b"\x05"), (52, b"\x03"), (81, b"\x04\0\0\x04lamp\0"), (82, b"\x01\x02ab"), file=b"\x0c\x04two-\xff"
        ),
        encode_dhcp4_discover(MAC, 7, hostname="lamp"),
    ]
    for payload in spoilt(built + real(captures)):
        decode_dhcp4(payload)
    head = message((52, b"\x03"))[:-1]
    for payload in noise(20_000, head):
        decode_dhcp4(payload)
    for payload in noise(20_000):
        decode_dhcp4(payload)


def test_an_option_bomb_costs_little_memory() -> None:
    """64 kB of pieces of one option take less than four megabytes and give a name of at most 255 characters."""
    bomb = message(*[(12, b"a")] * 21_000, (52, b"\x03"))
    tracemalloc.start()
    heard = decode_dhcp4(bomb)
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert heard is not None
    assert heard.hostname == "a" * 255
    assert peak < 4_000_000


@repeatable
@given(hostname=words, xid=st.integers(0, 0xFFFFFFFF))
def test_scapy_reads_our_discover(hostname: str, xid: int) -> None:
    """A DISCOVER that we write is one to scapy, with our host name, at least 300 octets long (RFC 1542 section 2.1)."""
    payload = encode_dhcp4_discover(MAC, xid, hostname=hostname)
    read = BOOTP(payload)
    options = {option[0]: option[1] for option in read[DHCP].options if isinstance(option, tuple)}
    assert (read.op, read.xid, read.chaddr[:6], int(read.flags)) == (1, xid, MAC, 0x8000)
    assert (options["message-type"], options["hostname"].decode()) == (1, hostname)
    assert (read.htype, read.hlen, read.hops, read.secs, int(IPv4Address(read.ciaddr))) == (1, 6, 0, 0, 0)
    # RFC 2132: mask, router, name servers, domain name
    assert options["param_req_list"] == [1, 3, 6, 15]
    assert options["client_id"] == b"\x01" + MAC
    assert len(payload) >= 300


# RFC 2131 section 4.3.2: SELECTING names the server, INIT-REBOOT must not.
@pytest.mark.parametrize("server", [None, IPv4Address("192.0.2.1")])
def test_scapy_reads_our_request(server: IPv4Address | None) -> None:
    """A REQUEST that we write asks scapy for the address, of a server or of any."""
    payload = encode_dhcp4_request(MAC, 9, IPv4Address("192.0.2.9"), server_id=server, hostname="lamp")
    options = {option[0]: option[1] for option in BOOTP(payload)[DHCP].options if isinstance(option, tuple)}
    assert (options["message-type"], options["requested_addr"], options["hostname"]) == (3, "192.0.2.9", b"lamp")
    assert options.get("server_id") == (None if server is None else str(server))


def test_a_renewing_client_tells_its_address_in_option_50_only() -> None:
    """What an ordinary port hears of a lease is the broadcast request: the address is there, the lease time is not."""
    heard = decode_dhcp4(encode_dhcp4_request(MAC, 9, IPv4Address("192.0.2.9")))
    assert heard is not None
    assert (heard.requested_ip, heard.lease_s, heard.ciaddr, heard.yiaddr) == (
        IPv4Address("192.0.2.9"),
        None,
        None,
        None,
    )


@pytest.mark.parametrize("kind", [OFFER, ACK])
def test_scapy_reads_our_answers(kind: int) -> None:
    """An OFFER or ACK that we write is one to scapy: address, server, lease, mask, router."""
    payload = encode_dhcp4_reply(
        kind,
        MAC,
        5,
        IPv4Address("192.0.2.20"),
        IPv4Address("192.0.2.1"),
        lease_s=7200,
        subnet_mask=IPv4Address("255.255.255.0"),
        router=IPv4Address("192.0.2.1"),
    )
    read = BOOTP(payload)
    options = {option[0]: option[1] for option in read[DHCP].options if isinstance(option, tuple)}
    assert (read.op, read.yiaddr) == (2, "192.0.2.20")
    assert (options["message-type"], options["server_id"], options["lease_time"]) == (kind, "192.0.2.1", 7200)
    assert (options["subnet_mask"], options["router"]) == ("255.255.255.0", "192.0.2.1")


def test_what_no_message_can_carry_is_refused() -> None:
    """A bad MAC, transaction, host name, type or lease time is OutOfRange, not a broken message."""
    address = IPv4Address("192.0.2.1")
    with pytest.raises(OutOfRange, match="6 octets"):
        encode_dhcp4_discover(b"\0", 1)
    with pytest.raises(OutOfRange, match="32 bits"):
        encode_dhcp4_discover(MAC, 1 << 32)
    with pytest.raises(OutOfRange, match="255 octets"):
        encode_dhcp4_discover(MAC, 1, hostname="a" * 256)
    with pytest.raises(OutOfRange, match="message type"):
        encode_dhcp4_reply(1, MAC, 1, address, address, lease_s=1, subnet_mask=address, router=address)
    with pytest.raises(OutOfRange, match="lease time"):
        encode_dhcp4_reply(2, MAC, 1, address, address, lease_s=-1, subnet_mask=address, router=address)
