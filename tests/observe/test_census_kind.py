from __future__ import annotations

import pytest

from netaudit.observe.census_kind import KINDS, by_capabilities, by_service, by_upnp, likely, service_of


# IEEE 802.1AB-2016, table 8-4: bit 2 bridge, bit 3 WLAN access point, bit 4 router, bit 5 telephone (counted from 0).
@pytest.mark.parametrize(
    ("enabled", "kinds"),
    [
        (0x04, ["switch"]),
        (0x08, ["access point"]),
        (0x14, ["router", "switch"]),
        (0x24, ["switch", "telephone"]),
        (0x80, []),
    ],
)
def test_capabilities(enabled: int, kinds: list[str]) -> None:
    """Each capability bit is a kind with its word; station and others say nothing."""
    assert [kind for kind, _ in by_capabilities(enabled)] == kinds


# IANA service name registry: ipp, pdl-datastream, sip; the instance may hold dots and anything else.
@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("office._ipp._tcp.local", "printer"),
        ("third floor. left._pdl-datastream._tcp.local", "printer"),
        ("desk._sip._udp.local", "telephone"),
        ("_ipp._tcp.local", "printer"),
        ("office._http._tcp.local", None),
        ("local", None),
        ("", None),
    ],
)
def test_services(name: str, kind: str | None) -> None:
    """The service type before the domain decides; a page server says nothing."""
    found = by_service(name)
    assert (None if found is None else found[0]) == kind


# UPnP Device Architecture 2.0, 1.1.2: urn:schemas-upnp-org:device:deviceType:ver.
@pytest.mark.parametrize(
    ("target", "kind"),
    [
        ("urn:schemas-upnp-org:device:InternetGatewayDevice:2", "router"),
        ("urn:schemas-upnp-org:device:MediaRenderer:1", "media player"),
        ("urn:schemas-upnp-org:service:Printer:1", None),
        ("upnp:rootdevice", None),
        ("uuid:00000000-0000-0000-0000-000000000000", None),
    ],
)
def test_announced_types(target: str, kind: str | None) -> None:
    """A device type is a kind; services, root devices and numbers are none."""
    found = by_upnp(target)
    assert (None if found is None else found[0]) == kind


def test_the_strongest_kind_wins_with_all_its_evidence() -> None:
    """A router with a printer queue is a router; both pieces of evidence for it are given, the other isn't."""
    marks = {"offers _ipp._tcp": "printer", "LLDP capability router": "router", "answers as router": "router"}
    assert likely(marks) == ("router", ["LLDP capability router", "answers as router"])
    assert likely({}) is None


def test_every_kind_that_evidence_can_give_is_ranked() -> None:
    """No table yields a kind that could not win."""
    from netaudit.observe import census_kind  # noqa: PLC0415 - its tables, only here

    given = {*census_kind._SERVICES.values(), *census_kind._UPNP_TYPES.values()}
    assert given | {kind for _, kind in census_kind._CAPABILITIES} <= set(KINDS)


# RFC 6763, 4.1 and 7.1 (instances, subtypes); RFC 6335, 5.1: 15 characters at the most, no hyphen at either end.
@pytest.mark.parametrize(
    ("name", "service"),
    [
        ("office._ipp._tcp.local", "_ipp._tcp"),
        ("A. B._HTTP._TCP.local.", "_http._tcp"),
        ("_printer._sub._http._tcp.local", "_http._tcp"),
        ("_sip._udp.local", "_sip._udp"),
        ("x._abcdefghijklmno._tcp.local", "_abcdefghijklmno._tcp"),
        ("x._abcdefghijklmnop._tcp.local", None),
        ("x._-a._tcp.local", None),
        ("x._ipp._tcp.example", None),
        ("lamp.local", None),
        ("", None),
    ],
)
def test_types_of_services(name: str, service: str | None) -> None:
    """The two labels before the local domain, if they are a service's type."""
    assert service_of(name) == service
