"""What is fuzzed: every decoder, both capture readers, and the whole way from a frame to the census's document."""

from __future__ import annotations

import io
import json
from typing import TYPE_CHECKING

from netaudit.errors import CaptureError
from netaudit.observe.census import Census
from netaudit.observe.census_document import describe
from netaudit.observe.census_file import read_capture
from netaudit.observe.census_sort import FrameSorter
from netaudit.wire.arp import decode_arp
from netaudit.wire.capture import Interface
from netaudit.wire.cooked import decode_cooked, decode_cooked2
from netaudit.wire.dhcp4 import decode_dhcp4
from netaudit.wire.dhcp6 import decode_dhcp6
from netaudit.wire.dns import decode_dns
from netaudit.wire.dot11 import decode_dot11
from netaudit.wire.elements import decode_elements
from netaudit.wire.ethernet import decode_ethernet
from netaudit.wire.icmp import decode_icmp
from netaudit.wire.icmpv6 import decode_icmpv6, decode_neighbour
from netaudit.wire.ipv4 import decode_ipv4
from netaudit.wire.ipv6 import decode_ipv6
from netaudit.wire.link import decode_bare_ip, decode_family
from netaudit.wire.lldp import decode_lldp
from netaudit.wire.ppi import decode_ppi
from netaudit.wire.radiotap import decode_radiotap
from netaudit.wire.ssdp import decode_ssdp
from netaudit.wire.udp import decode_udp

if TYPE_CHECKING:
    from collections.abc import Callable


def _census_of(linktype: int) -> Callable[[bytes], object]:
    on = Interface(linktype)

    def take(data: bytes) -> object:
        """Take one frame in twice, the second time cut, and describe the census."""
        census = Census()
        sorter = FrameSorter(census)
        sorter.take([(1, len(data), data, on), (2, len(data), data, on), (3, len(data), data[: len(data) // 2], on)])
        sorter.settle()
        return json.dumps(describe(census))

    return take


def _capture(data: bytes) -> object:
    """Read a file as the command does; a refusal is an answer."""
    census = Census()
    sorter = FrameSorter(census)
    try:
        read_capture(sorter, io.BytesIO(data), "fuzzed")
    except CaptureError:
        return None
    sorter.settle()
    return json.dumps(describe(census))


# A new decoder is a new row at the end: the corpus names its targets by their numbers.
TARGETS: tuple[Callable[[bytes], object], ...] = (
    decode_ethernet,
    decode_arp,
    decode_ipv4,
    decode_ipv6,
    decode_udp,
    decode_icmp,
    decode_icmpv6,
    decode_neighbour,
    decode_cooked,
    decode_cooked2,
    decode_bare_ip,
    decode_family,
    decode_dhcp4,
    decode_dhcp6,
    decode_dns,
    decode_ssdp,
    decode_lldp,
    decode_radiotap,
    lambda data: decode_dot11(data, None),
    decode_elements,
    _capture,
    _census_of(1),
    _census_of(113),
    _census_of(127),
    _census_of(101),
    decode_ppi,
)


def run_one(data: bytes) -> None:
    """Give an input to the target that its first byte names."""
    if data:
        TARGETS[data[0] % len(TARGETS)](data[1:])
