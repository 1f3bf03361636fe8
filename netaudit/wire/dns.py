"""
DNS messages, and multicast DNS which is the same bytes on another port: names and the addresses behind them.

Names are lower case without the trailing dot; a label may hold spaces, brackets and dots, as the instance names of
RFC 6763 section 4.1.1 do. Sources: RFC 1035 section 4 (format, compression), RFC 2782 (SRV), RFC 4034 section 4.1
(NSEC), RFC 6762 sections 5.4, 10.2 and 17 (unicast-response bit, cache-flush bit, size).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING

from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Sequence

A, NS, CNAME, PTR, TXT, AAAA, SRV, OPT, NSEC = 1, 2, 5, 12, 16, 28, 33, 41, 47

_HEADER = struct.Struct("!HHHHHH")  # id, flags, counts of questions, answers, authority, additional
_QUESTION = struct.Struct("!HH")  # type, class
_RECORD = struct.Struct("!HHIH")  # type, class, ttl, length of the data
_SRV = struct.Struct("!HHH")  # priority, weight, port
_INTERNET = 1
_TOP_BIT = 0x8000  # of a class: unicast response wanted in a question, cache flush in a record (RFC 6762 18.12, 18.13)
_RESPONSE, _AUTHORITATIVE, _TRUNCATED = 0x8000, 0x0400, 0x0200

# A name is 255 octets at most, its length octets and the root label included (RFC 1035 section 2.3.4), so it has at most
# 127 labels, and in an honest message each pointer has a label before it.
_LONGEST_NAME = 255
_MOST_POINTERS = 127
# A multicast DNS message has 9,000 octets at most (RFC 6762 section 17) and its shortest entry, a question with a
# compressed name, takes 6: no honest message has more entries, and a lying one can't cost more than this.
_MOST_ENTRIES = 1500


@dataclass(frozen=True, slots=True)
class DnsQuestion:
    """One question; `unicast_response` is the top bit of its class, which only multicast DNS uses."""

    name: str
    type: int
    unicast_response: bool


@dataclass(frozen=True, slots=True)
class DnsRecord:
    """
    One resource record of any section.

    `address` is set for A and AAAA, `target` for PTR, CNAME, NS, SRV and NSEC (the next name), `port` for SRV, `texts`
    for TXT, `types` for NSEC. `cache_flush` is the top bit of the class, which only multicast DNS uses.
    """

    name: str
    type: int
    ttl_s: int
    cache_flush: bool = False
    address: IPv4Address | IPv6Address | None = None
    target: str | None = None
    port: int | None = None
    texts: tuple[bytes, ...] = ()
    types: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class DnsMessage:
    """
    One DNS message; `names` are the distinct names of its questions and of the owners of its records, in order.

    `whole` is False when the message is cut, lies about its counts or holds something unreadable; what could be read
    is there all the same.
    """

    id: int
    is_response: bool
    authoritative: bool
    truncated: bool
    response_code: int
    questions: tuple[DnsQuestion, ...]
    records: tuple[DnsRecord, ...]
    names: tuple[str, ...]
    whole: bool


def decode_dns(payload: bytes) -> DnsMessage | None:
    """
    Read a UDP payload as a DNS message; None when even the header is cut. Never raises.

    An unreadable record is left out and the next one is read from where the bad one says that it ends. After an entry
    of which the end is unknown nothing more is read.
    """
    if len(payload) < _HEADER.size:
        return None
    identity, flags, question_count, *record_counts = _HEADER.unpack_from(payload)
    record_count = sum(record_counts)
    whole = question_count + record_count <= _MOST_ENTRIES
    budget = _MOST_ENTRIES
    names = _Names(payload)
    seen: dict[str, None] = {}
    questions: list[DnsQuestion] = []
    records: list[DnsRecord] = []
    end = len(payload)
    at: int | None = _HEADER.size

    for _ in range(min(question_count, budget)):
        name, at = names.read(at)
        if at is None or at + 4 > end:
            at = None
            break
        kind, dns_class = _QUESTION.unpack_from(payload, at)
        at += 4
        if name is None:
            whole = False
            continue
        questions.append(DnsQuestion(name, kind, dns_class >= _TOP_BIT))
        seen[name] = None

    budget -= min(question_count, budget)
    for _ in range(min(record_count, budget) if at is not None else 0):
        name, at = names.read(at)
        if at is None or at + 10 > end:
            at = None
            break
        kind, dns_class, ttl_s, length = _RECORD.unpack_from(payload, at)
        start = at + 10
        at = start + length
        if at > end:
            at = None
            break
        data = None if name is None else _data(names, payload, kind, start, at)
        if name is None or data is None:
            whole = False
            continue
        flush = dns_class >= _TOP_BIT and kind != OPT  # the class of OPT is a size (RFC 6891 section 6.1.2)
        records.append(DnsRecord(name, kind, ttl_s, flush, *data))
        seen[name] = None

    seen.pop("", None)
    return DnsMessage(
        id=identity,
        is_response=bool(flags & _RESPONSE),
        authoritative=bool(flags & _AUTHORITATIVE),
        truncated=bool(flags & _TRUNCATED),
        response_code=flags & 0x0F,
        questions=tuple(questions),
        records=tuple(records),
        names=tuple(seen),
        whole=whole and at is not None,
    )


class _Names:
    """The names of one message, each read once however often it is pointed to."""

    __slots__ = ("_payload", "_wires")

    def __init__(self, payload: bytes) -> None:
        self._payload = payload
        self._wires: dict[int, bytes | None] = {}  # offset -> labels joined with dots, None when unreadable

    def read(self, at: int | None) -> tuple[str | None, int | None]:
        """Read the name at an offset: the name, None when unreadable; where it ends, None when that can't be told."""
        if at is None:
            return None, None
        wire, after = self._read(at)
        return (None if wire is None else wire.decode("utf-8", "replace").lower()), after

    def _read(self, start: int) -> tuple[bytes | None, int | None]:
        payload, known = self._payload, self._wires
        end = len(payload)
        at = start
        labels: list[bytes] = []
        size = pointers = 0
        after: int | None = None  # set at the first pointer: that is where the name ends in the message
        before = start  # a pointer must lead to a prior place (RFC 1035 section 4.1.4): so it always ends
        tail: bytes | None = b""
        while True:
            if at >= end:
                return None, after
            length = payload[at]
            if length == 0:
                if after is None:
                    after = at + 1
                break
            if length < 64:
                size += 1 + length
                if size >= _LONGEST_NAME:
                    return None, after
                labels.append(payload[at + 1 : at + 1 + length])
                at += 1 + length
                continue
            if length < 192 or at + 1 >= end:  # 01 and 10 are reserved
                return None, after
            target = (length & 0x3F) << 8 | payload[at + 1]
            if after is None:
                after = at + 2
            pointers += 1
            if target >= before or pointers > _MOST_POINTERS:
                return None, after
            if target in known:
                tail = known[target]
                break
            at = before = target
        wire = None
        if tail is not None:
            if tail:
                labels.append(tail)
            wire = b".".join(labels)
            if len(wire) > _LONGEST_NAME - 2:  # the first length octet and the root label aren't in the text
                wire = None
        known[start] = wire
        return wire, after


_Address = IPv4Address | IPv6Address
_Data = tuple[_Address | None, str | None, int | None, tuple[bytes, ...], tuple[int, ...]]
_NO_DATA: _Data = (None, None, None, (), ())


def _data(names: _Names, payload: bytes, kind: int, start: int, end: int) -> _Data | None:
    """Read the data of one record: address, target, port, texts, types; None when it isn't what its type promises."""
    if kind == A:
        return (IPv4Address(payload[start:end]), None, None, (), ()) if end - start == 4 else None
    if kind == AAAA:
        return (IPv6Address(payload[start:end]), None, None, (), ()) if end - start == 16 else None
    if kind in (PTR, CNAME, NS):
        target, after = names.read(start)
        return (None, target, None, (), ()) if target is not None and after == end else None
    if kind == SRV:
        if end - start < _SRV.size:
            return None
        target, after = names.read(start + _SRV.size)
        port = _SRV.unpack_from(payload, start)[2]
        return (None, target, port, (), ()) if target is not None and after == end else None
    if kind == TXT:
        texts = _texts(payload[start:end])
        return None if texts is None else (None, None, None, texts, ())
    if kind == NSEC:
        target, after = names.read(start)
        if target is None or after is None or after > end:
            return None
        types = _types(payload[after:end])
        return None if types is None else (None, target, None, (), types)
    return _NO_DATA


def _texts(data: bytes) -> tuple[bytes, ...] | None:
    """Read the character strings of a TXT record (RFC 1035 section 3.3.14); None when one runs over the end."""
    texts: list[bytes] = []
    at = 0
    while at < len(data):
        after = at + 1 + data[at]
        if after > len(data):
            return None
        texts.append(data[at + 1 : after])
        at = after
    return tuple(texts)


def _types(data: bytes) -> tuple[int, ...] | None:
    """Read the type bit maps of an NSEC record (RFC 4034 section 4.1.2); None when they are malformed."""
    types: list[int] = []
    at, last = 0, -1
    while at < len(data):
        if at + 2 > len(data):
            return None
        window, length = data[at], data[at + 1]
        bits = data[at + 2 : at + 2 + length]
        # Windows must rise, so that there are at most 256 of them, and a map has 1 to 32 octets.
        if window <= last or not 1 <= length <= 32 or len(bits) < length:
            return None
        types += [
            window << 8 | index << 3 | bit
            for index, octet in enumerate(bits)
            for bit in range(8)
            if octet << bit & 0x80
        ]
        at, last = at + 2 + length, window
    return tuple(types)


def encode_dns_query(name: str, kind: int, *, identity: int = 0, unicast_response: bool = False) -> bytes:
    """
    Write a message with one question; identity 0 is what multicast DNS wants (RFC 6762 section 18.1).

    Raises:    OutOfRange: a name that DNS can't carry.
    """
    dns_class = _INTERNET | (_TOP_BIT if unicast_response else 0)
    return _HEADER.pack(identity, 0, 1, 0, 0, 0) + _encode_name(name) + _QUESTION.pack(kind, dns_class)


def encode_dns_response(records: Sequence[DnsRecord], *, identity: int = 0) -> bytes:
    """
    Write an authoritative answer of A, AAAA and PTR records, without compression.

    Raises:    OutOfRange: a record of another type or without its data, a name that DNS can't carry.
    """
    parts = [_HEADER.pack(identity, _RESPONSE | _AUTHORITATIVE, 0, len(records), 0, 0)]
    for record in records:
        if record.type in (A, AAAA) and record.address is not None:
            data = record.address.packed
        elif record.type == PTR and record.target is not None:
            data = _encode_name(record.target)
        else:
            raise OutOfRange(f"only A, AAAA and PTR records with their data are written, not type {record.type}")
        dns_class = _INTERNET | (_TOP_BIT if record.cache_flush else 0)
        parts += [_encode_name(record.name), _RECORD.pack(record.type, dns_class, record.ttl_s, len(data)), data]
    return b"".join(parts)


def _encode_name(name: str) -> bytes:
    """Write a name as labels; each dot separates two of them."""
    wire = bytearray()
    for label in name.removesuffix(".").split(".") if name not in ("", ".") else ():
        octets = label.encode()
        if not 1 <= len(octets) <= 63:
            raise OutOfRange(f"a DNS label has 1 to 63 octets, {label!r} of {name!r} has {len(octets)}")
        wire += bytes([len(octets)]) + octets
    wire.append(0)
    if len(wire) > _LONGEST_NAME:
        raise OutOfRange(f"a DNS name has at most {_LONGEST_NAME} octets, {name!r} has {len(wire)}")
    return bytes(wire)
