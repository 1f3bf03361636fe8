"""
What a device probably is, from what it says of itself; a guess always comes with its evidence.

Sources: IEEE 802.1AB-2016, table 8-4 (LLDP capabilities); the IANA registry of service names (DNS-SD types); UPnP device
control protocols (device types); RFC 4861 (routers); IEEE 802.11-2020, 9.3.3.2 (who sends beacons).
"""

from __future__ import annotations

import re

# Strongest claim first: a router that also offers a printer queue is a router.
KINDS = (
    "access point",
    "router",
    "switch",
    "telephone",
    "printer",
    "scanner",
    "camera",
    "media player",
    "storage",
    "computer",
    "DHCP server",
)

_CAPABILITIES = ((0x08, "access point"), (0x10, "router"), (0x04, "switch"), (0x20, "telephone"))
_CAPABILITY_WORDS = {0x08: "WLAN access point", 0x10: "router", 0x04: "bridge", 0x20: "telephone"}

_SERVICES = {
    "_ipp._tcp": "printer",
    "_ipps._tcp": "printer",
    "_printer._tcp": "printer",
    "_pdl-datastream._tcp": "printer",
    "_scanner._tcp": "scanner",
    "_uscan._tcp": "scanner",
    "_uscans._tcp": "scanner",
    "_rtsp._tcp": "camera",
    "_sip._udp": "telephone",
    "_sip._tcp": "telephone",
    "_smb._tcp": "storage",
    "_nfs._tcp": "storage",
    "_daap._tcp": "media player",
    "_workstation._tcp": "computer",
    "_rfb._tcp": "computer",
}

_SERVICE_TYPE = re.compile(
    r"(?:^|\.)(_[a-z0-9](?:[a-z0-9-]{0,13}[a-z0-9])?\._(?:tcp|udp))\.local\.?\Z", re.IGNORECASE | re.ASCII
)

_UPNP_TYPES = {
    "InternetGatewayDevice": "router",
    "WLANAccessPointDevice": "access point",
    "WFADevice": "access point",
    "Printer": "printer",
    "Scanner": "scanner",
    "DigitalSecurityCamera": "camera",
    "MediaRenderer": "media player",
    "MediaServer": "storage",
}


def by_capabilities(enabled: int) -> list[tuple[str, str]]:
    """Read LLDP's enabled capabilities as (kind, evidence)."""
    return [(kind, f"LLDP capability {_CAPABILITY_WORDS[bit]}") for bit, kind in _CAPABILITIES if enabled & bit]


def by_service(name: str) -> tuple[str, str] | None:
    """Read a DNS-SD name that a device offers, such as `office._ipp._tcp.local`, as (kind, evidence)."""
    labels = name.rsplit(".", 3)
    service = ".".join(labels[-3:-1])
    kind = _SERVICES.get(service)
    return None if kind is None else (kind, f"offers {service}")


def service_of(name: str) -> str | None:
    """
    Give the type of the service that a DNS-SD name stands for, `_ipp._tcp` of `office._ipp._tcp.local`; None if it is none.

    Source:    RFC 6763, 4.1.2 and 7; RFC 6335, 5.1: at most 15 letters, digits and hyphens.
    """
    found = _SERVICE_TYPE.search(name)
    return None if found is None else found[1].lower()


def by_upnp(target: str) -> tuple[str, str] | None:
    """Read the type that a device announces by SSDP, `urn:...:device:Printer:1`, as (kind, evidence)."""
    parts = target.split(":")
    if len(parts) < 5 or parts[0] != "urn" or parts[2] != "device":
        return None
    kind = _UPNP_TYPES.get(parts[3])
    return None if kind is None else (kind, f"announces {parts[3]}")


def likely(marks: dict[str, str]) -> tuple[str, list[str]] | None:
    """Choose among the marks (evidence -> kind) the strongest kind, with all the evidence for it; None without any."""
    for kind in KINDS:
        evidence = [said for said, meant in marks.items() if meant == kind]
        if evidence:
            return kind, evidence
    return None
