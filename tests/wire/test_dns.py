from __future__ import annotations

import tracemalloc
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.dns import DNS, DNSQR, DNSRR, DNSRRNSEC, DNSRRSRV, dnstypes

from netaudit.errors import OutOfRange
from netaudit.wire import dns
from netaudit.wire.dns import DnsRecord, decode_dns, encode_dns_query, encode_dns_response
from tests.wire.abuse import noise, repeatable, spoilt
from tests.wire.heard import datagrams, truth

if TYPE_CHECKING:
    from pathlib import Path

labels = st.text(
    st.characters(codec="ascii", categories=["Ll", "Nd"], include_characters="-_"), min_size=1, max_size=20
).map(str.lower)
names = st.lists(labels, min_size=1, max_size=5).map(".".join)


def under_local(mark: str) -> st.SearchStrategy[str]:
    """
    Give names that share no more than their last label with those of another mark.

    scapy compresses by looking for octets wherever they stand, and errs where one name begins another.
    """
    return (
        st.lists(labels.map(lambda label: f"{mark}-{label}"), min_size=1, max_size=4)
        .map(".".join)
        .map("{}.local".format)
    )


def header(questions: int = 0, answers: int = 0, *, flags: int = 0x8400) -> bytes:
    """Write a header, RFC 1035 section 4.1.1."""
    return b"\0\0" + flags.to_bytes(2, "big") + questions.to_bytes(2, "big") + answers.to_bytes(2, "big") + bytes(4)


def record(name: bytes, kind: int, data: bytes, *, dns_class: int = 1, length: int | None = None) -> bytes:
    """Write a record with a time to live of 120 s, RFC 1035 section 4.1.3."""
    size = len(data) if length is None else length
    return b"".join(
        [
            name,
            kind.to_bytes(2, "big"),
            dns_class.to_bytes(2, "big"),
            (120).to_bytes(4, "big"),
            size.to_bytes(2, "big"),
            data,
        ]
    )


def real(captures: Path) -> list[bytes]:
    """Give each different message of DNS, multicast DNS and LLMNR in the shared captures once."""
    seen: dict[bytes, None] = {}
    for name in truth(captures):
        for datagram in datagrams(captures / name):
            if datagram.on(53, 5353, 5355):
                seen[datagram.payload] = None
    return list(seen)


def test_multicast_names_are_those_other_programs_read(captures: Path) -> None:
    """In each shared capture the number of multicast DNS messages and their names are those of the ground truth."""
    differing = {}
    read = 0
    for name, expected in truth(captures).items():
        heard = [decode_dns(datagram.payload) for datagram in datagrams(captures / name) if datagram.on(5353)]
        messages = [message for message in heard if message is not None]
        got = {
            "frames": len(messages),
            "names_count": len({one for message in messages for one in message.names}),
            "names": sorted({one for message in messages for one in message.names}),
        }
        read += len(messages)
        if got != {**expected["mdns"], "names": sorted(expected["mdns"]["names"])}:
            differing[name] = (got, expected["mdns"])
    assert not differing
    assert read >= 28


def test_every_real_message_is_whole(captures: Path) -> None:
    """Of all real messages that were not cut, none has a record that we can't read."""
    assert [payload for payload in real(captures) if not (message := decode_dns(payload)) or not message.whole] == []


def test_every_real_message_says_what_scapy_reads(captures: Path) -> None:
    """Owner names, types, times to live and addresses of real messages are those that scapy reads."""
    compared = 0
    for payload in real(captures):
        heard, other = decode_dns(payload), DNS(payload)
        assert heard is not None
        sections = [*(other.an or []), *(other.ns or []), *(other.ar or [])]
        ours = [
            (one.name, one.type, one.ttl_s, None if one.address is None else str(one.address)) for one in heard.records
        ]
        theirs = [
            (plain(one.rrname), one.type, ttl_s(one), one.rdata if one.type in (dns.A, dns.AAAA) else None)
            for one in sections
        ]
        assert ours == theirs
        assert [one.name for one in heard.questions] == [plain(one.qname) for one in other.qd or []]
        compared += len(ours)
    assert compared > 400


def plain(name: bytes) -> str:
    """Spell a name of scapy our way."""
    return name.decode("utf-8", "replace").lower().rstrip(".")


def ttl_s(one: Any) -> int:
    """Give the time to live; scapy splits that of OPT into three fields (RFC 6891 section 6.1.3)."""
    if one.type == dns.OPT:
        return int(one.extrcode) << 24 | int(one.version) << 16 | int(one.z)
    return int(one.ttl)


@repeatable
@given(
    question=under_local("question"),
    owner=under_local("owner"),
    target=under_local("target"),
    ttl=st.integers(0, 0x7FFFFFFF),
    ip4=st.integers(0, 0xFFFFFFFF).map(IPv4Address),
    ip6=st.integers(0, (1 << 128) - 1).map(IPv6Address),
    texts=st.lists(st.binary(max_size=60), min_size=1, max_size=5),
    port=st.integers(0, 65535),
    flush=st.booleans(),
    unicast=st.booleans(),
)
def test_every_field_is_what_scapy_wrote(
    *,
    question: str,
    owner: str,
    target: str,
    ttl: int,
    ip4: IPv4Address,
    ip6: IPv6Address,
    texts: list[bytes],
    port: int,
    flush: bool,
    unicast: bool,
) -> None:
    """A message that scapy encodes, its names compressed or not, is read back field by field."""
    same: dict[str, Any] = {"rrname": owner, "ttl": ttl, "cacheflush": flush}
    message = DNS(
        id=7,
        qr=1,
        aa=1,
        qd=[DNSQR(qname=question, qtype=255, unicastresponse=unicast)],
        an=[
            DNSRR(type="A", rdata=str(ip4), **same),
            DNSRR(type="AAAA", rdata=str(ip6), **same),
            DNSRR(type="PTR", rdata=target, **same),
            DNSRR(type="TXT", rdata=texts, **same),
            DNSRRSRV(port=port, target=target, **same),
        ],
        ar=[DNSRRNSEC(nextname=owner, typebitmaps=[dns.A, dns.AAAA, dns.SRV], **same)],
    )
    for payload in (bytes(message), bytes(message.compress())):
        heard = decode_dns(payload)
        assert heard is not None
        assert (heard.id, heard.is_response, heard.authoritative, heard.whole) == (7, True, True, True)
        assert heard.questions == (dns.DnsQuestion(question, 255, unicast),)
        assert heard.records == (
            DnsRecord(owner, dns.A, ttl, flush, address=ip4),
            DnsRecord(owner, dns.AAAA, ttl, flush, address=ip6),
            DnsRecord(owner, dns.PTR, ttl, flush, target=target),
            DnsRecord(owner, dns.TXT, ttl, flush, texts=tuple(texts)),
            DnsRecord(owner, dns.SRV, ttl, flush, target=target, port=port),
            DnsRecord(owner, dns.NSEC, ttl, flush, target=owner, types=(dns.A, dns.AAAA, dns.SRV)),
        )
        assert heard.names == tuple(dict.fromkeys([question, owner]))


def test_type_numbers_agree_with_another_program() -> None:
    """Our numbers of record types are scapy's."""
    # scapy 2.8.0, dnstypes
    ours = {"A": dns.A, "NS": dns.NS, "CNAME": dns.CNAME, "PTR": dns.PTR, "TXT": dns.TXT, "AAAA": dns.AAAA}
    ours |= {"SRV": dns.SRV, "OPT": dns.OPT, "NSEC": dns.NSEC}
    assert {dnstypes[number]: number for number in ours.values()} == ours


def test_an_instance_name_keeps_its_spaces_and_brackets() -> None:
    """Instance names hold any text (RFC 6763 section 4.1.1); they are given in lower case, without trailing dot."""
    name = b"\x13Lamp [b2:5d] (Attic\x05_http\x04_tcp\x05local\0"
    heard = decode_dns(header(0, 1) + record(name, dns.A, bytes([192, 0, 2, 1])))
    assert heard is not None
    assert heard.names == ("lamp [b2:5d] (attic._http._tcp.local",)


# RFC 1035 section 4.1.1: QR 0x8000, AA 0x0400, TC 0x0200, the response code in the last four bits.
@pytest.mark.parametrize(
    ("flags", "read"),
    [
        (0x8000, (True, False, False, 0)),
        (0x0400, (False, True, False, 0)),
        (0x0200, (False, False, True, 0)),
        (0x000F, (False, False, False, 15)),
        (0x79F0, (False, False, False, 0)),
    ],
)
def test_each_flag_has_its_bit(flags: int, read: tuple[bool, bool, bool, int]) -> None:
    """Response, authoritative, truncated and response code are read each from its own bits."""
    heard = decode_dns(header(flags=flags))
    assert heard is not None
    assert (heard.is_response, heard.authoritative, heard.truncated, heard.response_code) == read


def test_what_we_write_is_of_the_internet_class() -> None:
    """Class 1, with the top bit set or not, in questions and records (RFC 1035 3.2.4, RFC 6762 18.12 and 18.13)."""
    address = IPv4Address("192.0.2.1")
    for top in (False, True):
        assert DNS(encode_dns_query("lamp", dns.A, unicast_response=top)).qd[0].qclass == 1
        one = DNS(encode_dns_response([DnsRecord("lamp", dns.A, 120, cache_flush=top, address=address)])).an[0]
        assert (one.rclass, one.cacheflush) == (1, top)


def test_the_name_of_the_root_is_not_a_name() -> None:
    """The root, as the owner of OPT or in a question, is not among the names."""
    heard = decode_dns(header(1, 1) + b"\0\0\x02\0\x01" + record(b"\0", dns.OPT, b"", dns_class=0x9000))
    assert heard is not None
    assert heard.names == ()
    assert heard.questions[0].name == ""
    assert not heard.records[0].cache_flush


def test_pointers_reach_beyond_the_first_256_octets() -> None:
    """The offset of a pointer has 14 bits (RFC 1035 section 4.1.4)."""
    padding = record(b"\0", dns.TXT, b"\xff" + b"a" * 255) * 2
    place = (0xC000 | 12 + len(padding)).to_bytes(2, "big")
    lamp = record(b"\x04lamp\x05local\0", dns.A, bytes([192, 0, 2, 1]))
    heard = decode_dns(header(0, 4) + padding + lamp + record(place, dns.PTR, b"\x03two" + place))
    assert heard is not None
    assert heard.names == ("lamp.local",)
    assert heard.records[3].target == "two.lamp.local"


def test_nsec_types_come_in_windows() -> None:
    """The example of RFC 4034 section 4.3: A, MX, RRSIG, NSEC and, five windows on, TYPE1234."""
    bitmaps = bytes.fromhex("0006400100000003" + "041b" + "00" * 26 + "20")
    heard = decode_dns(header(0, 1) + record(b"\x05alfa1\0", dns.NSEC, b"\x04host\x07example\x03com\0" + bitmaps))
    assert heard is not None
    assert heard.records[0].types == (1, 15, 46, 47, 1234)
    assert heard.records[0].target == "host.example.com"


def test_a_bad_record_leaves_those_before_and_after_it() -> None:
    """A record whose data isn't what its type promises is left out, and reading goes on where it says that it ends."""
    good = record(b"\x04lamp\0", dns.A, bytes([192, 0, 2, 1]))
    bad = [
        record(b"\x04lamp\0", dns.A, b"\0\0"),
        record(b"\x04lamp\0", dns.AAAA, b"\0" * 15),
        record(b"\x04lamp\0", dns.PTR, b"\xff\xff"),
        record(b"\x04lamp\0", dns.PTR, b"\x02ab\0junk"),
        record(b"\x04lamp\0", dns.SRV, b"\0" * 6),
        record(b"\x04lamp\0", dns.TXT, b"\x09short"),
        record(b"\x04lamp\0", dns.NSEC, b"\0\0\x21" + b"\xff" * 33),
        record(b"\x04lamp\0", dns.NSEC, b"\0\x01\x01\x80\x01\x01\x80"),
        record(b"\x04lamp\0", dns.NSEC, b"\x04lam"),
        record(b"\xff\xff", dns.A, bytes([192, 0, 2, 2])),
    ]
    for one in bad:
        heard = decode_dns(header(0, 3) + good + one + good)
        assert heard is not None
        assert [str(read.address) for read in heard.records] == ["192.0.2.1", "192.0.2.1"], one
        assert not heard.whole


def test_a_record_whose_end_is_unknown_leaves_those_before_it() -> None:
    """When a record runs over the end, what came before it stays."""
    good = record(b"\x04lamp\0", dns.A, bytes([192, 0, 2, 1]))
    heard = decode_dns(header(1, 2) + b"\x04lamp\0\0\x01\0\x01" + good + record(b"\0", dns.A, b"", length=900))
    assert heard is not None
    assert (len(heard.questions), len(heard.records), heard.whole) == (1, 1, False)


# RFC 1035 section 4.1.4: a pointer leads to a prior occurrence of a name.
@pytest.mark.parametrize(
    "name",
    [
        b"\xc0\x0c",
        b"\x01a\xc0\x0c",
        b"\xc0\x0e\xc0\x0c",
        b"\xc0\xff",
        b"\xc0",
        b"\x40" + b"a" * 64 + b"\0",
        b"\x80" + b"a" * 128 + b"\0",
        b"\x3fshort",
    ],
    ids=["itself", "its start", "forward", "outside", "cut", "reserved 01", "reserved 10", "label over the end"],
)
def test_a_pointer_that_does_not_lead_back_is_no_name(name: bytes) -> None:
    """Pointers to themselves, forward or outside, and reserved label types, give no name and no loop."""
    heard = decode_dns(header(1) + name + b"\0\x01\0\x01")
    assert heard is not None
    assert (heard.questions, heard.whole) == ((), False)


def test_a_name_has_at_most_255_octets() -> None:
    """A name of 255 octets is read, one of 256 is not, in one piece or put together by a pointer (RFC 1035 2.3.4)."""
    longest = (b"\x3f" + b"a" * 63) * 3 + b"\x3d" + b"a" * 61 + b"\0"
    assert len(longest) == 255
    fits = decode_dns(header(1) + longest + b"\0\x01\0\x01")
    assert fits is not None
    assert len(fits.names[0]) == 253
    over = decode_dns(header(1) + longest.replace(b"\x3d", b"\x3e" + b"a") + b"\0\x01\0\x01")
    assert over is not None
    assert over.names == ()
    joined = decode_dns(header(2) + longest + b"\0\x01\0\x01" + b"\x01b\xc0\x0c\0\x01\0\x01")
    assert joined is not None
    assert joined.names == fits.names


def test_a_message_that_is_cut_in_its_header_is_none() -> None:
    """Eleven octets are no message, twelve are an empty one."""
    assert decode_dns(bytes(11)) is None
    empty = decode_dns(bytes(12))
    assert empty is not None
    assert (empty.names, empty.whole) == ((), True)


def test_no_cut_flip_or_noise_raises(captures: Path) -> None:
    """Every cut and every flipped bit of real and built messages gives a message or None, and noise too."""
    nsec = record(b"\xc0\x0c", dns.NSEC, b"\xc0\x0c\0\x04\x40\0\0\x08")
    srv = record(b"\xc0\x0c", dns.SRV, b"\0\0\0\0\x1f\x90\xc0\x0c", dns_class=0x8001)
    for payload in spoilt([header(1, 2) + b"\x04lamp\0\0\x01\0\x01" + nsec + srv, *real(captures)]):
        decode_dns(payload)
    for payload in noise(20_000, header(3, 40)):
        decode_dns(payload)
    for payload in noise(20_000):
        decode_dns(payload)


def test_compression_bombs_are_bounded() -> None:
    """Long chains of pointers and of labels in 64 kB end after a bounded number of entries and names, in little memory."""
    pointers = b"".join((0xC000 | 12 + 2 * max(index - 1, 0)).to_bytes(2, "big") for index in range(8000))
    chain = header(65535, 65535) + b"\0" + pointers + b"\xff\x3f\0\x01\0\x01" * 6000
    ladder = header(65535, 65535) + b"\x01a" * 120 + b"\0\0\x01\0\x01" + b"\xc0\x0c\0\x01\0\x01" * 10_000
    tracemalloc.start()
    for bomb in (chain, ladder):
        heard = decode_dns(bomb)
        assert heard is not None
        assert not heard.whole
        # RFC 6762 section 17 bounds a message to 9,000 octets; an entry takes 6 at least.
        assert len(heard.questions) <= 1500
        assert len(heard.names) <= 1500
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 8_000_000


@repeatable
@given(name=names, unicast=st.booleans())
def test_scapy_reads_our_query(*, name: str, unicast: bool) -> None:
    """A query that we write asks scapy for the same name and type."""
    read = DNS(encode_dns_query(name, dns.PTR, identity=3, unicast_response=unicast))
    asked = read.qd[0]
    assert (read.id, read.qr, asked.qname.decode(), asked.qtype) == (3, 0, name + ".", dns.PTR)
    assert (read.qdcount, read.ancount, read.nscount, read.arcount) == (1, 0, 0, 0)
    assert asked.unicastresponse == unicast


@repeatable
@given(name=names, target=names, ttl=st.integers(0, 0x7FFFFFFF), ip=st.ip_addresses())
def test_scapy_reads_our_response(*, name: str, target: str, ttl: int, ip: IPv4Address | IPv6Address) -> None:
    """A response that we write gives scapy the same address and pointer, and gives us our records back."""
    address = DnsRecord(name, dns.A if ip.version == 4 else dns.AAAA, ttl, cache_flush=True, address=ip)
    pointer = DnsRecord(name, dns.PTR, ttl, target=target)
    payload = encode_dns_response([address, pointer])
    read = DNS(payload)
    assert (read.qr, read.aa, read.qdcount, read.ancount, read.nscount, read.arcount) == (1, 1, 0, 2, 0, 0)
    assert (read.an[0].rrname.decode(), read.an[0].ttl, ip_address(read.an[0].rdata)) == (name + ".", ttl, ip)
    assert read.an[1].rdata.decode() == target + "."
    heard = decode_dns(payload)
    assert heard is not None
    assert heard.records == (address, pointer)


def test_what_dns_cannot_carry_is_refused() -> None:
    """A label or a name that is too long, an empty label, and a record without its data are OutOfRange."""
    with pytest.raises(OutOfRange, match="63 octets"):
        encode_dns_query("a" * 64, dns.A)
    with pytest.raises(OutOfRange, match="63 octets"):
        encode_dns_query("lamp..local", dns.A)
    with pytest.raises(OutOfRange, match="255 octets"):
        encode_dns_query(".".join(["a" * 60] * 5), dns.A)
    with pytest.raises(OutOfRange, match="A, AAAA and PTR"):
        encode_dns_response([DnsRecord("lamp.local", dns.A, 120)])
    assert encode_dns_query("", dns.NS) == encode_dns_query(".", dns.NS)
