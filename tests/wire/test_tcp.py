"""TCP's header: read and written like an independent library does it."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address

from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet import IP, TCP
from scapy.layers.inet6 import IPv6

from netaudit.wire.tcp import ACK, SYN, decode_tcp, encode_syn

PORTS = st.integers(0, 65535)


@given(PORTS, PORTS, st.integers(0, 2**32 - 1))
def test_our_syn_is_what_scapy_reads_and_sums(source_port: int, target_port: int, sequence: int) -> None:
    """Ports, number and flag as scapy reads them, and the checksum that it would write, over IPv4 and IPv6."""
    for source, target, layer in (
        (IPv4Address("192.0.2.1"), IPv4Address("198.51.100.9"), IP),
        (IPv6Address("2001:db8::1"), IPv6Address("2001:db8:1::9"), IPv6),
    ):
        ours = encode_syn(source, target, source_port, target_port, sequence=sequence)
        read = TCP(ours)
        assert (read.sport, read.dport, read.seq, int(read.flags)) == (source_port, target_port, sequence, SYN)
        said = read.chksum
        del read.chksum
        whole = layer(bytes(layer(src=str(source), dst=str(target)) / read))
        assert whole[TCP].chksum == said


@given(PORTS, PORTS, st.integers(0, 2**32 - 1), st.integers(0, 255), st.integers(0, 2**32 - 1))
def test_what_scapy_writes_we_read(
    source_port: int, target_port: int, sequence: int, flags: int, answered: int
) -> None:
    """Every header of scapy's, options and all."""
    written = TCP(
        sport=source_port, dport=target_port, seq=sequence, ack=answered, flags=flags, options=[("MSS", 1460)]
    )
    found = decode_tcp(bytes(written))
    assert found is not None
    assert (found.source_port, found.target_port) == (source_port, target_port)
    assert (found.sequence, found.acknowledgement, found.flags) == (sequence, answered, flags)


@given(st.binary(max_size=60))
def test_noise_and_cuts_are_no_fault(data: bytes) -> None:
    """Nothing is raised; less than a header is none, and so is one that says it is shorter than 20 octets."""
    found = decode_tcp(data)
    assert (found is None) == (len(data) < 20 or data[12] >> 4 < 5)


def test_a_good_segment_after_a_bad_one_is_read() -> None:
    """The answer to a SYN: both flags."""
    assert decode_tcp(b"\0" * 20) is None
    answer = decode_tcp(bytes(TCP(flags="SA")))
    assert answer is not None
    assert answer.flags == SYN | ACK
