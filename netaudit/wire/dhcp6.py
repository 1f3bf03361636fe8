"""
DHCP for IPv6: which device asks, under what name, and which addresses it was given.

Sources: RFC 8415 (messages, DUIDs, IA_NA, relays), RFC 4704 (client FQDN), RFC 5007, 5460, 7653, 8156 (message
types 14 to 35), RFC 9686 (36 and 37).
"""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv6Address

from netaudit.wire.text import field_text

# Source: IANA registry "Dynamic Host Configuration Protocol for IPv6", message types; 14 to 35 from memory.
MESSAGE_NAMES = {
    1: "SOLICIT",
    2: "ADVERTISE",
    3: "REQUEST",
    4: "CONFIRM",
    5: "RENEW",
    6: "REBIND",
    7: "REPLY",
    8: "RELEASE",
    9: "DECLINE",
    10: "RECONFIGURE",
    11: "INFORMATION-REQUEST",
    12: "RELAY-FORW",
    13: "RELAY-REPL",
    14: "LEASEQUERY",
    15: "LEASEQUERY-REPLY",
    16: "LEASEQUERY-DONE",
    17: "LEASEQUERY-DATA",
    18: "RECONFIGURE-REQUEST",
    19: "RECONFIGURE-REPLY",
    20: "DHCPV4-QUERY",
    21: "DHCPV4-RESPONSE",
    22: "ACTIVELEASEQUERY",
    23: "STARTTLS",
    24: "BNDUPD",
    25: "BNDREPLY",
    26: "POOLREQ",
    27: "POOLRESP",
    28: "UPDREQ",
    29: "UPDREQALL",
    30: "UPDDONE",
    31: "CONNECT",
    32: "CONNECTREPLY",
    33: "DISCONNECT",
    34: "STATE",
    35: "CONTACT",
    36: "ADDR-REG-INFORM",
    37: "ADDR-REG-REPLY",
}

_RELAYED = (12, 13)
_CLIENT_ID, _SERVER_ID, _IA_NA, _IA_TA, _IA_ADDRESS, _RELAY_MESSAGE, _FQDN = 1, 2, 3, 4, 5, 9, 39
_DUID_LLT, _DUID_LL = 1, 3
_ETHERNET = 1  # hardware type of a DUID
_RELAY_HEADER = 34  # type, hop count, link address, peer address (RFC 8415 section 9)
_MOST_HOPS = 8  # HOP_COUNT_LIMIT of RFC 8415 section 7.6
# A client has a handful of addresses; a hostile server can't make us keep more of them.
_MOST_ADDRESSES = 32


@dataclass(frozen=True, slots=True)
class Dhcp6:
    """
    One DHCPv6 message; a relayed one is the message of the client inside, `relay_hops` relays deep.

    `client_duid_mac` and `server_duid_mac` are the MACs inside the DUIDs, None for the kinds that have none: it is the
    MAC of some interface of the device, not always of the one that sent this. `fqdn` has no trailing dot. `addresses`
    are those inside IA_NA and IA_TA options.
    """

    message_type: int
    transaction_id: int | None
    client_duid: bytes | None
    client_duid_mac: str | None
    server_duid_mac: str | None
    fqdn: str | None
    addresses: tuple[IPv6Address, ...]
    relay_hops: int


def decode_dhcp6(payload: bytes) -> Dhcp6 | None:
    """
    Read the UDP payload of a DHCPv6 message; None when it is none, or is relayed more than eight times. Never raises.

    Options after the first one that runs over the end are lost, those before it are kept. A relay whose inner message
    is missing is given as itself, without a transaction.
    """
    for hops in range(_MOST_HOPS + 1):
        if len(payload) < 4 or payload[0] not in MESSAGE_NAMES:
            return None
        if payload[0] not in _RELAYED:
            return _message(payload, hops)
        if len(payload) < _RELAY_HEADER:
            return None
        inner = next((value for code, value in _options(payload, _RELAY_HEADER) if code == _RELAY_MESSAGE), None)
        if inner is None:
            return Dhcp6(payload[0], None, None, None, None, None, (), hops)
        payload = inner
    return None


def _message(payload: bytes, hops: int) -> Dhcp6:
    """Read a message between client and server: type, transaction, options (RFC 8415 section 8)."""
    client: bytes | None = None
    server: bytes | None = None
    fqdn: str | None = None
    addresses: list[IPv6Address] = []
    for code, value in _options(payload, 4):
        if code == _CLIENT_ID:
            client = client or value
        elif code == _SERVER_ID:
            server = server or value
        elif code == _FQDN:
            fqdn = fqdn or _name(value[1:])  # behind one octet of flags (RFC 4704 section 4)
        elif code in (_IA_NA, _IA_TA):
            for inner_code, inner in _options(value, 12 if code == _IA_NA else 4):
                if inner_code == _IA_ADDRESS and len(inner) >= 24 and len(addresses) < _MOST_ADDRESSES:
                    addresses.append(IPv6Address(inner[:16]))
    return Dhcp6(
        message_type=payload[0],
        transaction_id=int.from_bytes(payload[1:4], "big"),
        client_duid=client,
        client_duid_mac=_duid_mac(client),
        server_duid_mac=_duid_mac(server),
        fqdn=fqdn,
        addresses=tuple(addresses),
        relay_hops=hops,
    )


def _options(data: bytes, at: int) -> list[tuple[int, bytes]]:
    """List the options, code and value, up to the first one that runs over the end."""
    found: list[tuple[int, bytes]] = []
    while at + 4 <= len(data):
        after = at + 4 + (data[at + 2] << 8 | data[at + 3])
        if after > len(data):
            break
        found.append((data[at] << 8 | data[at + 1], data[at + 4 : after]))
        at = after
    return found


def _duid_mac(duid: bytes | None) -> str | None:
    """Find the Ethernet address in a DUID of the kinds LLT and LL (RFC 8415 sections 11.2 and 11.4)."""
    if duid is None or len(duid) < 4 or duid[2] << 8 | duid[3] != _ETHERNET:
        return None
    kind = duid[0] << 8 | duid[1]
    if kind == _DUID_LLT and len(duid) == 14:
        return duid[8:].hex(":")
    if kind == _DUID_LL and len(duid) == 10:
        return duid[4:].hex(":")
    return None


def _name(wire: bytes) -> str | None:
    """Read a name of DNS labels, which may lack its root when it is not fully qualified (RFC 4704 section 4.2)."""
    labels: list[bytes] = []
    at = 0
    while at < len(wire) and 1 <= wire[at] <= 63:
        labels.append(wire[at + 1 : at + 1 + wire[at]])
        at += 1 + wire[at]
    return field_text(b".".join(labels))
