"""Captures of every kind: what is whole is read, what is not is said."""

from __future__ import annotations

import gzip
import io
import struct
import tracemalloc
from typing import IO, TYPE_CHECKING

import dpkt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.utils import PcapNgReader, PcapReader, RawPcapReader

from netaudit.errors import CaptureError
from netaudit.wire.capture import Interface, PcapWriter, Record, open_capture
from tests.wire.abuse import noise, repeatable, spoilt

if TYPE_CHECKING:
    from pathlib import Path

frames = st.lists(st.tuples(st.integers(0, 2**32 - 1), st.integers(0, 999_999_999), st.binary(max_size=80)), max_size=6)


def read(data: bytes | IO[bytes]) -> tuple[list[Record], str | None]:
    """Give all records of a capture, and what was wrong with its end."""
    reader = open_capture(io.BytesIO(data) if isinstance(data, bytes) else data)
    return list(reader), reader.cut


def classic(
    records: list[tuple[int, int, bytes]], *, order: str = "<", magic: int = 0xA1B2C3D4, network: int = 1
) -> bytes:
    """Write a classic capture by hand, draft-ietf-opsawg-pcap, 4 and 5: (seconds, fraction, frame)."""
    data = struct.pack(f"{order}IHHiIII", magic, 2, 4, 0, 0, 65535, network)
    for seconds, fraction, frame in records:
        data += struct.pack(f"{order}IIII", seconds, fraction, len(frame), len(frame)) + frame
    return data


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    """Write a block, draft-ietf-opsawg-pcapng, 3.1."""
    body += bytes(-len(body) % 4)
    size = 12 + len(body)
    return struct.pack(f"{order}II", kind, size) + body + struct.pack(f"{order}I", size)


def section(order: str = "<") -> bytes:
    """Write a section header, 4.1."""
    return block(0x0A0D0D0A, struct.pack(f"{order}IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(linktype: int = 1, options: bytes = b"", order: str = "<", snaplen: int = 0) -> bytes:
    """Write an interface description, 4.2."""
    return block(1, struct.pack(f"{order}HHI", linktype, 0, snaplen) + options, order)


def option(code: int, value: bytes, order: str = "<") -> bytes:
    """Write an option, 3.5."""
    return struct.pack(f"{order}HH", code, len(value)) + value + bytes(-len(value) % 4)


def packet(units: int, frame: bytes, number: int = 0, order: str = "<", wire: int | None = None) -> bytes:
    """Write an enhanced packet, 4.3."""
    length = len(frame) if wire is None else wire
    head = struct.pack(f"{order}IIIII", number, units >> 32, units & 0xFFFFFFFF, len(frame), length)
    return block(6, head + frame + bytes(-len(frame) % 4), order)


@repeatable
@given(records=frames, nanoseconds=st.booleans())
def test_what_we_write_others_read(records: list[tuple[int, int, bytes]], nanoseconds: bool) -> None:  # noqa: FBT001
    """Scapy and dpkt find each frame and its time; in microseconds the rest is cut off."""
    stream = io.BytesIO()
    writer = PcapWriter(stream, 1, nanoseconds=nanoseconds)
    for seconds, fraction, frame in records:
        writer.write(seconds * 1_000_000_000 + fraction, frame)
    unit = 1 if nanoseconds else 1000
    by_scapy = [(meta.sec, meta.usec, frame) for frame, meta in RawPcapReader(io.BytesIO(stream.getvalue()))]
    assert by_scapy == [(seconds, fraction // unit, frame) for seconds, fraction, frame in records]
    by_dpkt = [frame for _, frame in dpkt.pcap.Reader(io.BytesIO(stream.getvalue()))]
    assert by_dpkt == [frame for _, _, frame in records]


@repeatable
@given(records=frames, order=st.sampled_from("<>"), nano=st.booleans())
def test_both_byte_orders_and_both_resolutions(
    records: list[tuple[int, int, bytes]],
    order: str,
    nano: bool,  # noqa: FBT001 - drawn by name
) -> None:
    """Each frame with its time in nanoseconds, whatever the writer's machine was."""
    data = classic(records, order=order, magic=0xA1B23C4D if nano else 0xA1B2C3D4)
    unit = 1 if nano else 1000
    found, cut = read(data)
    assert [(at_ns, frame) for at_ns, _, frame, _ in found] == [
        (seconds * 1_000_000_000 + fraction * unit, frame) for seconds, fraction, frame in records
    ]
    assert cut is None


# draft-ietf-opsawg-pcap, 4: the link type has 16 bits; above it bit 26 says that the frame check sequence's length in the
# top four bits is meant (in units of 16 bits).
@pytest.mark.parametrize(
    ("network", "expected"),
    [
        (1, Interface(1)),
        (0x03FF_0001, Interface(1)),
        (0x2400_0001, Interface(1, fcs=True)),
        (0x0400_0069, Interface(105, fcs=False)),
    ],
)
def test_the_upper_bits_are_no_link_type(network: int, expected: Interface) -> None:
    """They are masked off, and say whether a check sequence ends each frame."""
    found, _ = read(classic([(1, 2, b"frame")], network=network))
    assert found[0][3] == expected


def test_a_record_may_be_longer_than_the_snap_length() -> None:
    """The file header's snap length is a wish; the record's own length counts."""
    data = classic([(1, 0, bytes(200))])
    small = data[:16] + struct.pack("<I", 96) + data[20:]
    found, cut = read(small)
    assert (len(found[0][2]), cut) == (200, None)


def test_a_frame_cut_by_the_snap_length_keeps_its_length() -> None:
    """The length on the wire is told beside the bytes that were captured, and the reader counts such frames."""
    stream = io.BytesIO()
    PcapWriter(stream).write(5, b"begin", length=1500)
    reader = open_capture(io.BytesIO(stream.getvalue()))
    assert [(length, frame) for _, length, frame, _ in reader] == [(1500, b"begin")]
    assert (reader.frames, reader.snapped) == (1, 1)


def test_each_cut_of_a_file_gives_the_whole_records_and_says_so() -> None:
    """Wherever a classic capture or one in blocks ends, the records before the end are read and the cut is reported."""
    plain = classic([(1, 0, b"first"), (2, 0, b"second one")])
    ends = {24: 0, 24 + 16 + 5: 1, len(plain): 2}
    for size in range(24, len(plain) + 1):
        found, cut = read(plain[:size])
        assert len(found) == max(count for end, count in ends.items() if end <= size)
        assert (cut is None) == (size in ends)
    pieces = [section(), interface(), packet(1, b"first"), packet(2, b"second one")]
    whole = b"".join(pieces)
    for size in range(len(pieces[0]), len(whole) + 1):
        found, cut = read(whole[:size])
        ended = [sum(len(one) for one in pieces[: count + 1]) for count in range(4)]
        assert len(found) == sum(end <= size for end in ended[2:])
        assert (cut is None) == (size in ended)


def test_a_length_that_nobody_can_mean_ends_the_reading() -> None:
    """A record that claims gigabytes is reported by its number, and what came before it was read."""
    data = classic([(1, 0, b"good")]) + struct.pack("<IIII", 2, 0, 0xFFFF_FFFF, 0xFFFF_FFFF) + bytes(99)
    found, cut = read(data)
    assert len(found) == 1
    assert cut == "record 2 says that it has 4294967295 bytes; reading stopped there"


def test_blocks_of_several_interfaces() -> None:
    """Each packet belongs to its interface, with that one's name, link type, clock and offset."""
    second = option(2, b"uplink") + option(9, b"\x09") + option(14, struct.pack("<q", 100)) + option(0, b"")
    third = option(9, b"\x94")  # 2 ** -20 s
    data = section() + interface(1) + interface(127, second) + interface(1, third)
    data += packet(5_000_000, b"a") + packet(7, b"b", 1) + packet(3 << 19, b"c", 2)
    found, cut = read(data)
    assert [(at_ns, frame) for at_ns, _, frame, _ in found] == [
        (5_000_000_000, b"a"),
        (100_000_000_007, b"b"),
        (1_500_000_000, b"c"),
    ]
    assert [one[3] for one in found] == [Interface(1), Interface(127, "uplink"), Interface(1)]
    assert cut is None


def test_byte_order_and_link_type_may_change_midway() -> None:
    """A second section may be of the other byte order and have other interfaces under the same number."""
    data = section() + interface(1) + packet(1, b"a")
    data += section(">") + interface(113, order=">") + packet(2, b"b", order=">")
    found, cut = read(data)
    assert [(at_ns, frame, on.linktype) for at_ns, _, frame, on in found] == [(1000, b"a", 1), (2000, b"b", 113)]
    assert cut is None


def test_names_of_addresses_are_kept() -> None:
    """A name resolution block gives names for IPv4 and IPv6 addresses; what else is in the file is passed over."""
    v4 = struct.pack("<HH", 1, 9) + bytes([192, 0, 2, 1]) + b"lamp\0" + bytes(3)
    v6 = struct.pack("<HH", 2, 22) + bytes.fromhex("20010db8000000000000000000000001") + b"relay\0" + bytes(2)
    data = section() + interface(1) + block(4, v4 + v6 + struct.pack("<HH", 0, 0))
    data += block(5, bytes(12)) + block(0xBAD, b"custom") + packet(1, b"a")
    reader = open_capture(io.BytesIO(data))
    assert [frame for _, _, frame, _ in reader] == [b"a"]
    assert reader.names == {"192.0.2.1": "lamp", "2001:db8::1": "relay"}


def test_simple_and_obsolete_packets() -> None:
    """A simple packet has no time of its own and ends at the snap length; the old packet block is read like the new one."""
    data = section() + interface(1, snaplen=4)
    data += packet(9, b"ab") + block(3, struct.pack("<I", 6) + b"cdef")
    data += block(2, struct.pack("<HHIIII", 0, 0, 0, 11, 2, 2) + b"gh")
    found, cut = read(data)
    assert [(at_ns, length, frame) for at_ns, length, frame, _ in found] == [
        (9000, 2, b"ab"),
        (9000, 6, b"cdef"),
        (11000, 2, b"gh"),
    ]
    assert cut is None


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (packet(1, b"a", number=3), "wrong interface or length"),
        (struct.pack("<II", 6, 7) + bytes(20), "says that it has 7 bytes"),
        (struct.pack("<II", 6, 1 << 30) + bytes(20), "says that it has 1073741824 bytes"),
        (block(6, struct.pack("<IIIII", 0, 0, 1, 500, 500) + b"abcd"), "wrong interface or length"),
        (block(6, bytes(4)), "shorter than a packet's header"),
        (block(1, bytes(4)), "describes an interface wrongly"),
        (interface(1, struct.pack("<HH", 2, 900)), "describes an interface wrongly"),
        (block(0x0A0D0D0A, bytes(16)), "without a byte-order mark"),
    ],
)
def test_a_damaged_block_ends_the_reading(bad: bytes, said: str) -> None:
    """The good blocks before it are read, and the report says which block is damaged and how."""
    found, cut = read(section() + interface(1) + packet(1, b"good") + bad + packet(2, b"lost"))
    assert [frame for _, _, frame, _ in found] == [b"good"]
    assert cut is not None
    assert said in cut
    assert "block 4" in cut


def test_gzip_is_unpacked_and_several_members_are_joined() -> None:
    """A compressed capture reads like the plain one, also when it was appended to."""
    one, two = classic([(1, 0, b"first")]), classic([(2, 0, b"second")])[24:]
    found, cut = read(gzip.compress(one) + gzip.compress(two))
    assert [frame for _, _, frame, _ in found] == [b"first", b"second"]
    assert cut is None


def test_a_damaged_gzip_gives_what_is_whole() -> None:
    """Cut or damaged, the records that can be unpacked are read, and the report says where it stopped."""
    plain = classic([(number, 0, bytes([number]) * 50) for number in range(200)])
    packed = gzip.compress(plain)
    found, cut = read(packed[: len(packed) // 2])
    assert 0 < len(found) < 200
    assert cut is not None
    assert "gzip stream ends before its end" in cut
    large = gzip.compress(classic([(1, 0, frame) for frame in noise(2_000)]))
    found, cut = read(large[:-8] + b"\0\0\0\0" + large[-4:])
    assert 0 < len(found) < 2_000
    assert cut is not None
    assert "damaged" in cut


class Pipe(io.RawIOBase):
    """A stream that can't be wound back and gives a few bytes at a time, as a pipe may."""

    def __init__(self, data: bytes) -> None:
        self._data = io.BytesIO(data)

    def read(self, size: int = -1) -> bytes:
        """Give seven bytes at most."""
        return self._data.read(min(size, 7) if size > 0 else 7)


@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_a_pipe_that_trickles(pack: type[bytes]) -> None:
    """Seven bytes at a time, plain or compressed, give the same frames."""
    data = classic([(1, 0, b"first"), (2, 0, bytes(100))])
    found, cut = read(Pipe(pack(data)))  # type: ignore[arg-type]
    assert [len(frame) for _, _, frame, _ in found] == [5, 100]
    assert cut is None


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "it is empty"),
        (b"GIF89a", "neither pcap nor pcapng"),
        (b"\x1f\x8bnot gzip at all", "damaged"),
        (classic([])[:20], "ends inside its header"),
        (classic([])[:4] + b"\x07\0" + classic([])[6:], "version 7"),
        (section()[:8] + b"\0\0\0\0" + section()[12:], "byte-order mark"),
        (section()[:4] + b"\xff\xff\xff\x7f" + section()[8:], "section header"),
        (section()[:20], "section header"),
    ],
)
def test_what_is_no_capture_is_refused_in_one_line(data: bytes, said: str) -> None:
    """The refusal says what was found."""
    with pytest.raises(CaptureError, match=said) as refusal:
        open_capture(io.BytesIO(data))
    assert "\n" not in str(refusal.value)


def test_nothing_but_a_refusal_comes_out_of_spoilt_files() -> None:
    """Every cut and flipped bit of a small file of each kind, and noise behind each head: records, or a refusal."""
    second = option(2, b"up") + option(9, b"\x09") + option(0, b"")
    samples = [
        classic([(1, 0, b"first"), (2, 0, b"second")]),
        classic([(1, 0, b"x")], order=">", magic=0xA1B23C4D),
        section() + interface(1, second) + packet(1, b"a") + block(3, struct.pack("<I", 2) + b"cd"),
        gzip.compress(classic([(1, 0, b"first")])),
    ]
    heads = [sample[:24] for sample in samples] + [b""]
    for data in [*spoilt(samples), *(one for head in heads for one in noise(300, head))]:
        try:
            reader = open_capture(io.BytesIO(data))
        except CaptureError:
            continue
        assert sum(len(frame) for _, _, frame, _ in reader) <= 1_100_000


def test_memory_stays_bounded() -> None:
    """A megabyte of gzip that stands for a gigabyte of records is read with some megabytes."""
    record = struct.pack("<IIII", 1, 0, 60_000, 60_000) + bytes(60_000)
    packed = gzip.compress(classic([]) + record * 2_000, 1)
    tracemalloc.start()
    reader = open_capture(io.BytesIO(packed))
    count = sum(1 for _ in reader)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert count == 2_000
    assert peak < 4_000_000


@pytest.mark.parametrize(
    "file",
    [
        "jnetpcap_test-sip-rtp.pcap",
        "pcapplusplus_nanosecs_big_endian.pcap",
        "wireshark_dhcp-nanosecond.pcapng",
        "wireshark_logistics_multicast.pcapng",
        "packetgen_mdns.pcapng",
        "tcpdump_dhcp-option-108.pcapng",
    ],
)
def test_real_captures_read_as_scapy_reads_them(captures: Path, file: str) -> None:
    """Frame for frame the same bytes, and the same time to the microsecond."""
    path = captures / file
    with path.open("rb") as stream:
        ours = [(at_ns, frame) for at_ns, _, frame, _ in open_capture(stream)]
    reader = PcapNgReader if file.endswith("ng") else PcapReader
    with reader(str(path)) as other:
        theirs = [(packet.time, packet.original) for packet in other]
    assert [frame for _, frame in ours] == [frame for _, frame in theirs]
    for (at_ns, _), (time, _) in zip(ours, theirs, strict=True):
        assert at_ns / 1e9 == pytest.approx(float(time), abs=1e-6)
