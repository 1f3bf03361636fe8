"""
What is new in a running census, as observations: each fact once, and again only while it keeps being heard.

A device that talks all day gives a row every few minutes, not one a frame; and somebody who makes up devices gives a
notice, not a row for each.
"""

from __future__ import annotations

from datetime import UTC, datetime
from ipaddress import ip_address
from typing import TYPE_CHECKING

from netaudit.observe.observation import How, Naming, Notice, Sample, Sighting
from netaudit.wire.ethernet import mac_text
from netaudit.wire.oui import is_group

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Mapping

    from netaudit.observe.bounded import Span
    from netaudit.observe.census import Census
    from netaudit.observe.observation import Observation

# A site that is switched on at once shows all its devices within a minute: twice the addresses of a /23 may appear at
# once, and as many again in an hour. More are made up, and each would be a row in the store.
MOST_NEW = 1024
NEW_PER_S = MOST_NEW / 3600
# Names hardly change; one row an hour keeps "last heard" honest.
NAMES_EVERY = 12
_NS = 1_000_000_000


class _Budget:
    """How many facts may still be told for the first time: a store that fills again slowly."""

    def __init__(self) -> None:
        self._left = float(MOST_NEW)
        self._at_ns: int | None = None
        self.refused = 0

    def refill(self, now_ns: int) -> None:
        if self._at_ns is not None:
            self._left = min(MOST_NEW, self._left + max(0, now_ns - self._at_ns) / _NS * NEW_PER_S)
        self._at_ns = now_ns
        self.refused = 0

    def take(self) -> bool:
        if self._left < 1:
            self.refused += 1
            return False
        self._left -= 1
        return True


class CensusNews:
    """
    Reads a census again and again, and says what is due.

    Args:      segment the plan's name of the untagged segment; vlans the plan's names of tagged ones; repeat_s how long a
               fact that goes on being heard is not said again [s].
    """

    def __init__(self, census: Census, segment: str, vlans: Mapping[int, str], repeat_s: float) -> None:
        self._census = census
        self._segment = segment
        self._segments = {segment: segment, **{f"vlan {number}": name for number, name in vlans.items()}}
        self._repeat_ns = int(repeat_s * _NS)
        self._told: dict[tuple[str, Hashable], int] = {}
        self._oldest_ns = 0
        self._dropped: dict[str, int] = {}
        self._budgets = {name: _Budget() for name in ("devices", "names", "client identifiers", "services")}
        self._tallied: tuple[int, dict[str, tuple[int, int]]] | None = None

    def gather(self, now_ns: int) -> list[Observation]:
        """Give what is due now; `now_ns` is the time [ns since the epoch] by the clock that stamps the frames."""
        self._forget(now_ns)
        for budget in self._budgets.values():
            budget.refill(now_ns)
        found: list[Observation] = [*self._sightings(), *self._namings(), *self._unspoken()]
        found.extend(self._servers())
        found.extend(self._neighbours())
        found.extend(self._conflicts(now_ns))
        found.extend(self._floods(now_ns))
        found.extend(self._rates(now_ns))
        return found

    def _due(self, kind: str, key: Hashable, last_ns: int, times: int = 1, budget: _Budget | None = None) -> bool:
        """Was it never told (and is there room in the budget for more), or heard again long enough after it was?"""
        told = self._told.get((kind, key))
        if last_ns < self._oldest_ns:
            return False  # heard so long ago that even what was told of it is forgotten
        if told is None:
            if budget is not None and not budget.take():
                return False
        elif last_ns - told < self._repeat_ns * times:
            return False
        self._told[kind, key] = last_ns
        return True

    def _forget(self, now_ns: int) -> None:
        """Forget what was told so long ago that it would be told anew anyway: so this can't outgrow the census."""
        self._oldest_ns = now_ns - self._repeat_ns * NAMES_EVERY
        self._told = {key: told for key, told in self._told.items() if told >= self._oldest_ns}

    def _home(self, mac: bytes) -> str | None:
        """Name the segment that a device is on; None for one on a VLAN that the plan doesn't have, or no device."""
        device = self._census.devices.get(mac)
        if device is None or is_group(mac) or not any(mac):
            return None
        return next((self._segments[segment] for segment in device.segments if segment in self._segments), None)

    def _sightings(self) -> Iterator[Observation]:
        budget = self._budgets["devices"]
        seen: set[bytes] = set()
        for (mac, packed, how), span in self._census.addresses.items():
            seen.add(mac)
            segment = self._home(mac)
            if segment is not None and self._due("address", (mac, packed), span.last_ns, budget=budget):
                yield Sighting(_at(span.last_ns), segment, mac_text(mac), str(ip_address(packed)), how)
        for mac, device in self._census.devices.items():
            if mac in seen:
                continue
            segment = self._home(mac)
            if segment is not None and self._due("device", mac, device.last_ns, budget=budget):
                yield Sighting(_at(device.last_ns), segment, mac_text(mac), None, How.HEARD)

    def _namings(self) -> Iterator[Observation]:
        budget = self._budgets["names"]
        for (mac, name, how), span in self._census.names.items():
            if self._home(mac) is None:
                continue
            if self._due("name", (mac, name, how), span.last_ns, NAMES_EVERY, budget):
                yield Naming(_at(span.last_ns), mac_text(mac), name, how)

    def _unspoken(self) -> Iterator[Observation]:
        """Tell client identifiers and services, each from its own budget: a household has several for each name."""
        for table, how, said in (
            ("client identifiers", How.CLIENT_ID, self._census.identifiers),
            ("services", How.SERVICE, self._census.services),
        ):
            budget = self._budgets[table]
            for (mac, word), span in said.items():
                if self._home(mac) is None:
                    continue
                if self._due(table, (mac, word), span.last_ns, NAMES_EVERY, budget):
                    yield Naming(_at(span.last_ns), mac_text(mac), word, how)

    def _servers(self) -> Iterator[Observation]:
        for (heard_on, address), server in self._census.servers.items():
            segment = self._segments.get(heard_on)
            if segment is not None and self._due("dhcp_server", (heard_on, address), server.last_ns):
                mac = "" if server.mac is None else mac_text(server.mac)
                yield Notice(
                    _at(server.last_ns), f"segment:{segment}", "dhcp_server", (("mac", mac), ("server", address))
                )

    def _neighbours(self) -> Iterator[Observation]:
        for key, link in self._census.neighbours.items():
            segment = self._segments.get(link.segment)
            if segment is None or link.lldp is None or not self._due("lldp_neighbour", key, link.last_ns):
                continue
            detail = {
                "chassis": link.lldp.chassis_id,
                "name": link.lldp.system_name or "",
                "port": link.lldp.port_description or link.lldp.port_id,
                "ttl_s": str(link.lldp.ttl_s),
            }
            yield Notice(_at(link.last_ns), f"segment:{segment}", "lldp_neighbour", tuple(sorted(detail.items())))

    def _conflicts(self, now_ns: int) -> Iterator[Observation]:
        """Tell of addresses that several MACs claimed in turns, all of them within the last repeat time."""
        claims: dict[bytes, list[tuple[bytes, Span]]] = {}
        for (packed, mac), span in self._census.arp_pairs.items():
            if any(packed) and now_ns - span.last_ns <= self._repeat_ns:
                claims.setdefault(packed, []).append((mac, span))
        for packed, claimants in claims.items():
            rivals = [(mac, span) for mac, span in claimants if any(span.overlaps(o) for m, o in claimants if m != mac)]
            last_ns = max((span.last_ns for _, span in rivals), default=0)
            if len(rivals) < 2 or not self._due("address_conflict", packed, last_ns):
                continue
            segment = next((home for mac, _ in rivals if (home := self._home(mac)) is not None), self._segment)
            macs = " ".join(sorted(mac_text(mac) for mac, _ in rivals)[:4])
            detail = (("address", str(ip_address(packed))), ("macs", macs))
            yield Notice(_at(last_ns), f"segment:{segment}", "address_conflict", detail)

    def _floods(self, now_ns: int) -> Iterator[Observation]:
        """Tell of tables that had to forget entries since the last time, and of more news than may be told."""
        census = self._census
        for name, dropped in (
            ("devices", census.devices.dropped),
            ("addresses", census.addresses.dropped + census.arp_pairs.dropped + census.nd_pairs.dropped),
            ("names", census.names.dropped + census.mdns_names.dropped + census.hostnames.dropped),
            ("client identifiers", census.identifiers.dropped),
            ("services", census.services.dropped),
            ("DHCP servers", census.servers.dropped),
            ("neighbours", census.neighbours.dropped),
        ):
            budget = self._budgets.get(name)
            entries = dropped - self._dropped.get(name, 0) + (0 if budget is None else budget.refused)
            if entries and self._due("flood", name, now_ns):
                self._dropped[name] = dropped
                yield self._flood(name, entries, now_ns)

    def _flood(self, table: str, entries: int, at_ns: int) -> Notice:
        detail = (("entries", str(entries)), ("table", table))
        return Notice(_at(at_ns), f"segment:{self._segment}", "flood", detail)

    def _rates(self, now_ns: int) -> Iterator[Observation]:
        """Tell how many frames a second went to everybody and to groups since the last repeat time began."""
        totals = {
            self._segments[name]: (tally.frames["broadcast"], tally.frames["multicast"])
            for name, tally in self._census.segments.items()
            if name in self._segments
        }
        if self._tallied is None:
            self._tallied = (now_ns, totals)
            return
        since_ns, before = self._tallied
        if now_ns - since_ns < self._repeat_ns:
            return
        self._tallied = (now_ns, totals)
        elapsed_s = (now_ns - since_ns) / _NS
        for segment, (broadcast, multicast) in totals.items():
            earlier = before.get(segment, (0, 0))
            place = f"segment:{segment}"
            yield Sample(_at(now_ns), place, "broadcast_per_s", (broadcast - earlier[0]) / elapsed_s)
            yield Sample(_at(now_ns), place, "multicast_per_s", (multicast - earlier[1]) / elapsed_s)


def _at(at_ns: int) -> datetime:
    return datetime.fromtimestamp(at_ns / _NS, UTC)
