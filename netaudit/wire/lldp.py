"""
LLDP: what a switch, or anything on a cable, says about itself and the power on the port.

Sources: IEEE 802.1AB-2016 clause 8 (the basic TLVs), IEEE 802.1Q annex D (port VLAN), IEEE 802.3 clause 79 (power via
MDI, frame size), ANSI/TIA-1057 (extended power). The organisational subtypes and their layouts are as two public
packet decoders read them; the numbers of clauses are from memory.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

from netaudit.errors import OutOfRange
from netaudit.wire.text import field_text

CHASSIS_MAC, CHASSIS_NETWORK_ADDRESS = 4, 5
PORT_MAC, PORT_NETWORK_ADDRESS, PORT_INTERFACE_NAME = 3, 4, 5

_END, _CHASSIS, _PORT, _TTL, _PORT_DESCRIPTION, _NAME, _DESCRIPTION, _CAPABILITIES, _MANAGEMENT = range(9)
_ORGANISATION = 127
_OUI_8021, _OUI_8023, _OUI_MED = b"\x00\x80\xc2", b"\x00\x12\x0f", b"\x00\x12\xbb"
_PORT_VLAN = (_OUI_8021, 1)
_POWER = (_OUI_8023, 2)
_FRAME_SIZE = (_OUI_8023, 4)
_MED_POWER = (_OUI_MED, 4)

# Address family numbers (IANA) in front of a network address.
_FAMILY_IPV4, _FAMILY_IPV6, _FAMILY_MAC = 1, 2, 6
# 802.1AB allows several management addresses; a device has a handful, and a hostile one can't make us keep more.
_MOST_ADDRESSES = 16


@dataclass(frozen=True, slots=True)
class LldpPower:
    """
    Power via MDI (IEEE 802.3 clause 79).

    `mdi_support` is the octet of flags: bit 0 the sender is the source of power, 1 it can, 2 it does, 3 it may choose
    the pairs. `class_field` counts from one, as the MIB of RFC 3621 does: `power_class` is 0 to 4, or None. The watts
    are None in the short form, which says no more than the class. `priority` 1 is critical, 2 high, 3 low, 0 unknown.
    """

    mdi_support: int
    pairs: int
    class_field: int
    requested_w: float | None = None
    allocated_w: float | None = None
    priority: int | None = None

    @property
    def is_source(self) -> bool:
        """The sender feeds power, or could; otherwise it takes power."""
        return bool(self.mdi_support & 1)

    @property
    def power_class(self) -> int | None:
        """The class 0 to 4 on the label; None for a field that names none."""
        return self.class_field - 1 if 1 <= self.class_field <= 5 else None


@dataclass(frozen=True, slots=True)
class LldpMedPower:
    """
    Extended power of a media endpoint (ANSI/TIA-1057).

    `device` 0 feeds, 1 takes power; `source` and `priority` as numbered there; `power_w` what it wants or can give.
    """

    device: int
    source: int
    priority: int
    power_w: float


@dataclass(frozen=True, slots=True)
class Lldp:
    """
    One LLDPDU; `ttl_s` 0 withdraws the neighbour.

    An identifier is spelt by its subtype: a MAC with colons, an address of the network, else the text. Capabilities
    are the bits of 802.1AB table 8-4 that the sender has and has switched on. `malformed` counts what could not be
    read: an organisational TLV of somebody else is none of that, it is passed over.
    """

    chassis_id: str
    chassis_subtype: int
    port_id: str
    port_subtype: int
    ttl_s: int
    port_description: str | None = None
    system_name: str | None = None
    system_description: str | None = None
    capabilities: int = 0
    enabled_capabilities: int = 0
    management_addresses: tuple[str, ...] = ()
    port_vlan: int | None = None
    frame_size_octets: int | None = None
    power: LldpPower | None = None
    med_power: LldpMedPower | None = None
    malformed: int = 0


def decode_lldp(payload: bytes) -> Lldp | None:
    """
    Read what follows EtherType 0x88cc; None unless chassis, port and time to live open it as they must. Never raises.

    Source:    IEEE 802.1AB-2016 clause 9.2.8.7.1: an LLDPDU without these three, in this order, is thrown away.
    """
    head: list[bytes] = []
    at = 0
    for expected in (_CHASSIS, _PORT, _TTL):
        tlv = _tlv(payload, at)
        if tlv is None or tlv[0] != expected or len(tlv[1]) < 2:
            return None
        _, value, at = tlv
        head.append(value)
    chassis, port, ttl = head
    chassis_id = _identifier(chassis, CHASSIS_MAC, CHASSIS_NETWORK_ADDRESS)
    port_id = _identifier(port, PORT_MAC, PORT_NETWORK_ADDRESS)
    if chassis_id is None or port_id is None:
        return None
    texts: dict[int, str | None] = {}
    capabilities = enabled = malformed = 0
    addresses: list[str] = []
    organisational: dict[tuple[bytes, int], bytes] = {}
    end = len(payload)
    while at < end:
        tlv = _tlv(payload, at)
        if tlv is None:
            malformed += 1
            break
        kind, value, at = tlv
        if kind == _END:
            break
        if kind in (_PORT_DESCRIPTION, _NAME, _DESCRIPTION):
            texts.setdefault(kind, field_text(value))
        elif kind == _CAPABILITIES:
            if len(value) >= 4:
                capabilities, enabled = struct.unpack_from("!HH", value)
            else:
                malformed += 1
        elif kind == _MANAGEMENT:
            address = _network_address(value[1 : 1 + value[0]]) if value else None
            if address is None:
                malformed += 1
            elif len(addresses) < _MOST_ADDRESSES and address not in addresses:
                addresses.append(address)
        elif kind == _ORGANISATION:
            if len(value) < 4:
                malformed += 1
            else:
                organisational.setdefault((value[:3], value[3]), value[4:])
    port_vlan, bad_vlan = _number(organisational.get(_PORT_VLAN))
    frame_size, bad_size = _number(organisational.get(_FRAME_SIZE))
    power = _power(organisational.get(_POWER))
    med_power = _med_power(organisational.get(_MED_POWER))
    malformed += bad_vlan + bad_size
    malformed += (power is None and _POWER in organisational) + (med_power is None and _MED_POWER in organisational)
    return Lldp(
        chassis_id=chassis_id,
        chassis_subtype=chassis[0],
        port_id=port_id,
        port_subtype=port[0],
        ttl_s=ttl[0] << 8 | ttl[1],
        port_description=texts.get(_PORT_DESCRIPTION),
        system_name=texts.get(_NAME),
        system_description=texts.get(_DESCRIPTION),
        capabilities=capabilities,
        enabled_capabilities=enabled,
        management_addresses=tuple(addresses),
        port_vlan=port_vlan or None,  # 0 says that the port has none (IEEE 802.1Q clause D.2.1)
        frame_size_octets=frame_size,
        power=power,
        med_power=med_power,
        malformed=malformed,
    )


def _tlv(payload: bytes, at: int) -> tuple[int, bytes, int] | None:
    """Read one TLV, 7 bits of type and 9 of length: type, value, where the next one starts; None when it is cut."""
    if at + 2 > len(payload):
        return None
    after = at + 2 + ((payload[at] & 1) << 8 | payload[at + 1])
    if after > len(payload):
        return None
    return payload[at] >> 1, payload[at + 2 : after], after


def _identifier(value: bytes, mac_subtype: int, address_subtype: int) -> str | None:
    """Spell a chassis or port identifier by its subtype."""
    subtype, octets = value[0], value[1:]
    if subtype == mac_subtype and len(octets) == 6:
        return octets.hex(":")
    if subtype == address_subtype:
        return _network_address(octets)
    return field_text(octets)


def _network_address(value: bytes) -> str | None:
    """Spell an address behind its family number; None for a family or a length that we don't know."""
    family, octets = value[:1], value[1:]
    if family == bytes([_FAMILY_IPV4]) and len(octets) == 4:
        return str(IPv4Address(octets))
    if family == bytes([_FAMILY_IPV6]) and len(octets) == 16:
        return str(IPv6Address(octets))
    if family == bytes([_FAMILY_MAC]) and len(octets) == 6:
        return octets.hex(":")
    return None


def _number(value: bytes | None) -> tuple[int | None, bool]:
    """Read an organisational TLV of two octets: the number, and whether it was there and too short."""
    if value is None or len(value) < 2:
        return None, value is not None
    return value[0] << 8 | value[1], False


def _power(value: bytes | None) -> LldpPower | None:
    """Read power via MDI: three octets, or eight with priority and two values in 0.1 W, or more."""
    if value is None or len(value) < 3:
        return None
    if len(value) < 8:
        return LldpPower(value[0], value[1], value[2])
    extension, requested, allocated = struct.unpack_from("!BHH", value, 3)
    return LldpPower(
        value[0],
        value[1],
        value[2],
        requested_w=requested / 10,
        allocated_w=allocated / 10,
        priority=extension & 0x03,
    )


def _med_power(value: bytes | None) -> LldpMedPower | None:
    """Read extended power: two bits of kind, two of source, four of priority, then a value in 0.1 W."""
    if value is None or len(value) < 3:
        return None
    return LldpMedPower(value[0] >> 6, value[0] >> 4 & 3, value[0] & 0x0F, (value[1] << 8 | value[2]) / 10)


def encode_lldp(
    chassis_mac: bytes,
    port_name: str,
    ttl_s: int,
    *,
    port_description: str | None = None,
    system_name: str | None = None,
    system_description: str | None = None,
    capabilities: int = 0,
    management_address: IPv4Address | None = None,
    power: LldpPower | None = None,
) -> bytes:
    """
    Write an LLDPDU with a MAC for the chassis and an interface name for the port; `capabilities` are all switched on.

    Raises:    OutOfRange: a MAC that isn't six octets, a text of more than 255, a time to live or capabilities over
               16 bits, a power that doesn't fit its 0.1 W steps in 16 bits.
    """
    if len(chassis_mac) != 6:
        raise OutOfRange(f"an Ethernet address has 6 octets, not {len(chassis_mac)}")
    if not 0 <= ttl_s <= 0xFFFF:
        raise OutOfRange(f"a time to live is 0 to 65535 s, not {ttl_s}")
    if not 0 <= capabilities <= 0xFFFF:
        raise OutOfRange(f"capabilities are 16 bits, not {capabilities:#x}")
    parts = [
        _write(_CHASSIS, bytes([CHASSIS_MAC]) + chassis_mac),
        _write(_PORT, bytes([PORT_INTERFACE_NAME]) + port_name.encode()),
        _write(_TTL, ttl_s.to_bytes(2, "big")),
    ]
    for kind, text in (
        (_PORT_DESCRIPTION, port_description),
        (_NAME, system_name),
        (_DESCRIPTION, system_description),
    ):
        if text is not None:
            parts.append(_write(kind, text.encode()))
    if capabilities:
        parts.append(_write(_CAPABILITIES, struct.pack("!HH", capabilities, capabilities)))
    if management_address is not None:
        address = bytes([_FAMILY_IPV4]) + management_address.packed
        # Interface numbering unknown (1), number 0, no object identifier (802.1AB-2016 clause 8.5.9).
        parts.append(_write(_MANAGEMENT, bytes([len(address)]) + address + b"\x01" + bytes(4) + b"\x00"))
    if power is not None:
        parts.append(_write(_ORGANISATION, _OUI_8023 + bytes([_POWER[1]]) + _write_power(power)))
    return b"".join(parts) + bytes(2)


def _write(kind: int, value: bytes) -> bytes:
    """Write one TLV."""
    if len(value) > 256:  # a subtype and 255 octets
        raise OutOfRange(f"LLDP TLV {kind} holds at most 256 octets, not {len(value)}")
    return (kind << 9 | len(value)).to_bytes(2, "big") + value


def _write_power(power: LldpPower) -> bytes:
    """Write the short form where no watts are known, else the long one."""
    short = bytes([power.mdi_support, power.pairs, power.class_field])
    if power.requested_w is None or power.allocated_w is None:
        return short
    tenths = [round(watts * 10) for watts in (power.requested_w, power.allocated_w)]
    if not all(0 <= value <= 0xFFFF for value in tenths):
        raise OutOfRange(f"power is 0 to 6553.5 W, not {power.requested_w} and {power.allocated_w}")
    # Type 2 source or device in bits 7 and 6 (IEEE 802.3 table 79-4): 0 a source, 1 a device.
    kind = 0 if power.is_source else 0x40
    return short + struct.pack("!BHH", kind | (power.priority or 0), *tenths)
