"""
DHCP for IPv4, and BOOTP below it: who asks for an address, under what name, and who answers.

Sources: RFC 951 and RFC 2131 (header), RFC 2132 (options), RFC 3396 (long options), RFC 4702 (client FQDN), RFC 3046
(relay), RFC 3203, 4388, 6926, 7724 (message types above 8).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address

from netaudit.errors import OutOfRange
from netaudit.wire.text import field_text

DISCOVER, OFFER, REQUEST, ACK = 1, 2, 3, 5

# Source: IANA registry "BOOTP/DHCP parameters", message type 53 values; 14 to 18 from memory.
MESSAGE_NAMES = {
    1: "DISCOVER",
    2: "OFFER",
    3: "REQUEST",
    4: "DECLINE",
    5: "ACK",
    6: "NAK",
    7: "RELEASE",
    8: "INFORM",
    9: "FORCERENEW",
    10: "LEASEQUERY",
    11: "LEASEUNASSIGNED",
    12: "LEASEUNKNOWN",
    13: "LEASEACTIVE",
    14: "BULKLEASEQUERY",
    15: "LEASEQUERYDONE",
    16: "ACTIVELEASEQUERY",
    17: "LEASEQUERYSTATUS",
    18: "TLS",
}

BOOTREQUEST, BOOTREPLY = 1, 2
# op, htype, hlen, hops, xid, secs, flags, ciaddr, yiaddr, siaddr, giaddr, chaddr, sname, file (RFC 2131 figure 1)
_HEADER = struct.Struct("!BBBBIHHIIII16s64s128s")
_COOKIE = b"\x63\x82\x53\x63"  # RFC 2132 section 2
_ETHERNET = 1

_PAD, _END = 0, 255
_HOST_NAME, _REQUESTED_IP, _LEASE, _OVERLOAD, _TYPE, _SERVER_ID = 12, 50, 51, 52, 53, 54
_PARAMETERS, _VENDOR_CLASS, _CLIENT_ID, _CLIENT_FQDN, _RELAY = 55, 60, 61, 81, 82
_SUBNET_MASK, _ROUTER = 1, 3
_FQDN_ENCODED = 0x04  # the E bit: the name is in DNS wire format (RFC 4702 section 2.1)
_INFINITE_S = 0xFFFFFFFF  # RFC 2131 section 3.3


@dataclass(frozen=True, slots=True)
class Dhcp4:
    """
    One DHCPv4 or BOOTP message.

    `message_type` is None where option 53 is missing. `client_mac` is None where the hardware isn't Ethernet or no
    address was given, as in a lease query by IP address. An address of 0.0.0.0 is None. `lease_s` is None where no
    lease time was said and 0xffffffff for ever. `client_fqdn` is spelt as sent, so its trailing dot says whether it
    was fully qualified. `relay_circuit` and `relay_remote` are sub-options 1 and 2 of option 82.
    """

    operation: int
    message_type: int | None
    xid: int
    client_mac: str | None
    ciaddr: IPv4Address | None
    yiaddr: IPv4Address | None
    siaddr: IPv4Address | None
    giaddr: IPv4Address | None
    hostname: str | None
    client_fqdn: str | None
    requested_ip: IPv4Address | None
    lease_s: int | None
    server_id: IPv4Address | None
    parameters: tuple[int, ...]
    vendor_class: str | None
    client_id: bytes | None
    relay_circuit: bytes | None
    relay_remote: bytes | None


def decode_dhcp4(payload: bytes) -> Dhcp4 | None:
    """
    Read the UDP payload of a DHCPv4 or BOOTP message; None when it is neither. Never raises.

    Options after the first one that runs over the end are lost, those before it are kept.
    """
    if len(payload) < _HEADER.size:
        return None
    fields = _HEADER.unpack_from(payload)
    operation, hardware, mac_len, _hops, xid, _secs, _flags, ciaddr, yiaddr, siaddr, giaddr, chaddr, sname, file = (
        fields
    )
    if operation not in (BOOTREQUEST, BOOTREPLY):
        return None
    options: dict[int, bytes] = {}
    if payload[_HEADER.size : _HEADER.size + 4] == _COOKIE:
        _collect(payload, _HEADER.size + 4, options)
        overload = options.get(_OVERLOAD)
        if overload:
            # RFC 2131 section 4.1: the file field is read before sname; RFC 3396 section 5 joins in the same order.
            if overload[0] & 1:
                _collect(file, 0, options)
            if overload[0] & 2:
                _collect(sname, 0, options)
    get = options.get
    message_type = get(_TYPE)
    host_name = get(_HOST_NAME)
    fqdn = get(_CLIENT_FQDN)
    vendor_class = get(_VENDOR_CLASS)
    lease = get(_LEASE, b"")
    relay = get(_RELAY)
    circuit, remote = _relay(relay) if relay else (None, None)
    has_mac = hardware == _ETHERNET and mac_len == 6 and any(chaddr[:6])
    return Dhcp4(
        operation=operation,
        message_type=message_type[0] if message_type else None,
        xid=xid,
        client_mac=chaddr[:6].hex(":") if has_mac else None,
        ciaddr=IPv4Address(ciaddr) if ciaddr else None,
        yiaddr=IPv4Address(yiaddr) if yiaddr else None,
        siaddr=IPv4Address(siaddr) if siaddr else None,
        giaddr=IPv4Address(giaddr) if giaddr else None,
        hostname=field_text(host_name) if host_name else None,
        client_fqdn=_fqdn(fqdn) if fqdn else None,
        requested_ip=_address(get(_REQUESTED_IP)),
        lease_s=int.from_bytes(lease[:4], "big") if len(lease) >= 4 else None,
        server_id=_address(get(_SERVER_ID)),
        parameters=tuple(get(_PARAMETERS, b"")),
        vendor_class=field_text(vendor_class) if vendor_class else None,
        client_id=get(_CLIENT_ID),
        relay_circuit=circuit,
        relay_remote=remote,
    )


def _collect(data: bytes, at: int, options: dict[int, bytes]) -> None:
    """Gather options; one that comes again is joined to what is there (RFC 3396 section 7)."""
    end = len(data)
    pieces: dict[
        int, list[bytes]
    ] = {}  # joined once at the end: joining as they come is quadratic for a hostile sender
    while at < end:
        code = data[at]
        if code == _PAD:
            at += 1
            continue
        if code == _END or at + 1 >= end:
            break
        after = at + 2 + data[at + 1]
        if after > end:
            break
        value = data[at + 2 : after]
        at = after
        if code in pieces:
            pieces[code].append(value)
        elif code in options:
            pieces[code] = [options[code], value]
        else:
            options[code] = value
    for code, parts in pieces.items():
        options[code] = b"".join(parts)


def _address(value: bytes | None) -> IPv4Address | None:
    """Read an address option; None where it is missing, short or 0.0.0.0."""
    if value is None or len(value) < 4 or not any(value[:4]):
        return None
    return IPv4Address(value[:4])


def _fqdn(value: bytes) -> str | None:
    """Read option 81: flags, two obsolete result codes, the name (RFC 4702 section 2)."""
    name = value[3:]
    if not value[0] & _FQDN_ENCODED:
        return field_text(name)
    labels: list[bytes] = []
    at = 0
    while at < len(name):
        length = name[at]
        if length > 63:  # compression isn't allowed here (RFC 4702 section 2.3.1)
            break
        labels.append(name[at + 1 : at + 1 + length])
        if not length:
            break
        at += 1 + length
    return field_text(b".".join(labels))


def _relay(value: bytes) -> tuple[bytes | None, bytes | None]:
    """Read sub-options 1 (circuit) and 2 (remote) of the relay's option 82 (RFC 3046 section 2.0)."""
    found: dict[int, bytes] = {}
    at = 0
    while at + 2 <= len(value):
        after = at + 2 + value[at + 1]
        if after > len(value):
            break
        found.setdefault(value[at], value[at + 2 : after])
        at = after
    return found.get(1), found.get(2)


def encode_dhcp4_discover(
    client_mac: bytes, xid: int, *, hostname: str | None = None, parameters: tuple[int, ...] = (1, 3, 6, 15)
) -> bytes:
    """
    Write a DISCOVER that asks for a broadcast answer, 300 octets or more (RFC 1542 section 2.1).

    Raises:    OutOfRange: a MAC that isn't six octets, a host name over 255, an xid over 32 bits.
    """
    options = [(_TYPE, bytes([DISCOVER])), (_CLIENT_ID, bytes([_ETHERNET]) + client_mac)]
    if hostname is not None:
        options.append((_HOST_NAME, hostname.encode()))
    options.append((_PARAMETERS, bytes(parameters)))
    return _encode(BOOTREQUEST, client_mac, xid, None, options)


def encode_dhcp4_request(
    client_mac: bytes,
    xid: int,
    requested_ip: IPv4Address,
    *,
    server_id: IPv4Address | None = None,
    hostname: str | None = None,
) -> bytes:
    """
    Write a REQUEST: with `server_id` of a client that takes an offer, without of one that asks for its old address.

    Source:    RFC 2131 section 4.3.2, SELECTING and INIT-REBOOT.
    Raises:    OutOfRange: as for the DISCOVER.
    """
    options = [
        (_TYPE, bytes([REQUEST])),
        (_CLIENT_ID, bytes([_ETHERNET]) + client_mac),
        (_REQUESTED_IP, requested_ip.packed),
    ]
    if server_id is not None:
        options.append((_SERVER_ID, server_id.packed))
    if hostname is not None:
        options.append((_HOST_NAME, hostname.encode()))
    return _encode(BOOTREQUEST, client_mac, xid, None, options)


def encode_dhcp4_reply(
    message_type: int,
    client_mac: bytes,
    xid: int,
    yiaddr: IPv4Address,
    server_id: IPv4Address,
    *,
    lease_s: int,
    subnet_mask: IPv4Address,
    router: IPv4Address,
) -> bytes:
    """
    Write an OFFER or an ACK.

    Raises:    OutOfRange: another message type, a MAC that isn't six octets, an xid or lease time over 32 bits.
    """
    if message_type not in (OFFER, ACK):
        raise OutOfRange(f"a DHCP server's answer has message type {OFFER} or {ACK}, not {message_type}")
    if not 0 <= lease_s <= _INFINITE_S:
        raise OutOfRange(f"a lease time is 0 to {_INFINITE_S} s, not {lease_s}")
    options = [
        (_TYPE, bytes([message_type])),
        (_SERVER_ID, server_id.packed),
        (_LEASE, lease_s.to_bytes(4, "big")),
        (_SUBNET_MASK, subnet_mask.packed),
        (_ROUTER, router.packed),
    ]
    return _encode(BOOTREPLY, client_mac, xid, yiaddr, options)


def _encode(
    operation: int, client_mac: bytes, xid: int, yiaddr: IPv4Address | None, options: list[tuple[int, bytes]]
) -> bytes:
    """Write header, cookie and options, filled up to the 300 octets that old relays insist on."""
    if len(client_mac) != 6:
        raise OutOfRange(f"an Ethernet address has 6 octets, not {len(client_mac)}")
    if not 0 <= xid <= 0xFFFFFFFF:
        raise OutOfRange(f"a DHCP transaction id has 32 bits, not {xid}")
    body = bytearray()
    for code, value in options:
        if len(value) > 255:
            raise OutOfRange(f"DHCP option {code} holds at most 255 octets, not {len(value)}")
        body += bytes([code, len(value)]) + value
    broadcast = 0x8000
    header = _HEADER.pack(
        operation, _ETHERNET, 6, 0, xid, 0, broadcast, 0, int(yiaddr or 0), 0, 0, client_mac, b"", b""
    )
    return (header + _COOKIE + bytes(body) + bytes([_END])).ljust(300, b"\0")
