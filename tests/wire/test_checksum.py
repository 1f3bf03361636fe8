"""The Internet checksum against RFC 1071 and an independent library."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.utils import checksum

from netaudit.wire.checksum import internet_checksum


def test_the_example_of_the_rfc() -> None:
    """The words 0001 f203 f4f5 f6f7 sum up to ddf2 (RFC 1071, 3)."""
    assert internet_checksum(bytes.fromhex("0001f203f4f5f6f7")) == 0xDDF2 ^ 0xFFFF


@given(st.binary(max_size=1500))
def test_it_is_what_an_independent_library_gives(data: bytes) -> None:
    """For any message, also of an odd length, as scapy computes it."""
    assert internet_checksum(data) == internet_checksum(bytearray(data)) == checksum(data)


# Both zeros of one's complement, where a sum and its negative meet (RFC 1071, 2).
@pytest.mark.parametrize("data", ["", "00", "0000", "ffff", "ff", "00ff", "fffe0001", "ffffffff", "00000000", "feff01"])
def test_both_zeros_are_told_apart(data: str) -> None:
    """Nothing and zeros give 0xffff, what sums up to 0xffff gives 0: as scapy computes it."""
    assert internet_checksum(bytes.fromhex(data)) == checksum(bytes.fromhex(data))
