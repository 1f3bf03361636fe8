"""What must hold for whatever the plan lets be asked: it lies in the plan's networks, has its keys, and no secret in the plan."""

from __future__ import annotations

from ipaddress import IPv4Address
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from netaudit.site.ranges import is_loopback

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.site.document import Fault
    from netaudit.site.model import Site, Snmp

_KEYS: Final = {"2c": ("community_env",), "3": ("user", "auth_env", "privacy_env")}


def _may_be_asked(site: Site, address: IPv4Address) -> bool:
    """Say whether an address is ours to ask: a host's address in a segment, or on this machine's own loopback."""
    hosts = (segment.network for segment in site.segment.values() if address in segment.network)
    ends = ((network.network_address, network.broadcast_address) for network in hosts)
    return is_loopback(str(address)) or any(address not in end for end in ends)


def check_addresses(site: Site) -> Iterator[Fault]:
    """Whatever is asked lies in a segment of the plan; an endpoint is named by its address, which no DNS can change."""
    asked: list[tuple[tuple[str | int, ...], IPv4Address]] = [
        (("switch", name, "snmp", "address"), switch.snmp.address)
        for name, switch in site.switch.items()
        if switch.snmp is not None
    ]
    asked += [
        (("services", key), address)
        for key in ("resolver", "time_server")
        if (address := getattr(site.services, key)) is not None
    ]
    for name, source in site.source.items():
        host = urlsplit(source.url).hostname or ""
        try:
            asked.append((("source", name, "url"), IPv4Address(host)))
        except ValueError:
            yield ("source", name, "url"), f'"{host}" is no IPv4 address; write the address in place of the name'
    for where, address in asked:
        if not _may_be_asked(site, address):
            yield where, f"{address} is in no segment of the plan; add its segment, or correct it"


def check_keys(site: Site) -> Iterator[Fault]:
    """An agent has the keys of its version and no others."""
    for name, switch in site.switch.items():
        if switch.snmp is not None:
            yield from _keys(("switch", name, "snmp"), switch.snmp)


def _keys(path: tuple[str, ...], snmp: Snmp) -> Iterator[Fault]:
    needs = _KEYS[snmp.version]
    other = "3" if snmp.version == "2c" else "2c"
    for key in (key for keys in _KEYS.values() for key in keys):
        given = getattr(snmp, key) is not None
        if given and key not in needs:
            yield (*path, key), f'is not for version {snmp.version}; write version = "{other}", or leave it out'
        elif not given and key in needs:
            what = "the user's name" if key == "user" else "the name of the environment variable that holds it"
            yield path, f"needs {key} for version {snmp.version}; write {what}"
    if snmp.version == "3" and (snmp.authentication, snmp.privacy) == ("sha-1", "aes-256"):
        # RFC 3826 makes keys for AES-128 only; a 20-octet key of SHA-1 has to be stretched for 256 bits, each maker its way.
        yield (*path, "privacy"), "aes-256 has no standard way to make its key by sha-1; write sha-256, or aes-128"


def check_own_programs(site: Site) -> Iterator[Fault]:
    """An ear has one thing to listen to, a command is named by its whole path, a host outside has a port."""
    for name, ear in site.ear.items():
        if (ear.interface is None) == (ear.file is None):
            yield ("ear", name), "needs either an interface in monitor mode or a capture file; write one of the two"
    for name, command in site.command.items():
        if not command.run[0].startswith("/"):
            yield ("command", name, "run", 0), f'"{command.run[0]}" is no whole path; write one that begins with /'
    for index, door in enumerate(site.outside.hosts):
        if int(door.rpartition(":")[2]) > 65535:
            yield ("outside", "hosts", index), f'"{door}" has no TCP port; write one such as host.example:443'


def check_isolation(site: Site) -> Iterator[Fault]:
    """Isolation is tried at addresses that the plan gives."""
    for index, ref in enumerate(site.isolation.hosts):
        kind, _, name = ref.partition(":")
        where = ("isolation", "hosts", index)
        if kind not in ("device", "recorder", "access_point"):
            yield where, f'"{ref}" can\'t stand here; write device:NAME, recorder:NAME or access_point:NAME'
        elif name not in getattr(site, kind):
            yield where, f'"{ref}" is not in the plan; write the name of one of its {kind} tables'
        elif getattr(site, kind)[name].address is None:
            yield where, f'"{ref}" has no fixed address in the plan; write its address, or leave it out here'


ASKED: Final = (check_addresses, check_keys, check_own_programs, check_isolation)
