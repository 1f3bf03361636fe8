"""
The baseline: what is there before a move, frozen under a name and kept in a file that can be read back.

It is made of evidence, wherever that is from: looking, the store, or captures.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime  # noqa: TC003 - pydantic resolves the fields' types
from typing import TYPE_CHECKING, Final

from pydantic import TypeAdapter

from netaudit.audit import vocabulary
from netaudit.audit.moving.known import Known, known_in
from netaudit.audit.sealed import seal, unseal
from netaudit.observe.delay import loss_at_most, nearest_rank

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.site.model import Site

# What a service is called that answers who asks for an address.
LEASES: Final = "leases addresses (DHCP)"


@dataclass(frozen=True, slots=True)
class Delays:
    """The echoes on one segment; percentiles are nearest rank, None when nothing answered; `loss_at_most` its 95 % bound."""

    segment: str
    sent: int
    lost: int
    loss_at_most: float
    rtt_p50_s: float | None
    rtt_p95_s: float | None


@dataclass(frozen=True, slots=True)
class Service:
    """Somebody who serves others on a segment: who leases addresses, who leads a name to an address."""

    segment: str
    what: str
    address: str
    mac: str


@dataclass(frozen=True, slots=True)
class Baseline:
    """What was there from `since` to `until`; `source` says how that is known, `ssids` which network names were on the air."""

    name: str
    site: str
    since: datetime
    until: datetime
    source: str
    devices: tuple[Known, ...]
    delays: tuple[Delays, ...] = ()
    services: tuple[Service, ...] = ()
    ssids: tuple[str, ...] = ()

    @property
    def leased(self) -> bool:
        """Somebody leased addresses."""
        return any(service.what == LEASES for service in self.services)


_FORM: Final = TypeAdapter(Baseline)


def freeze_baseline(
    name: str,
    site: Site,
    evidence: Evidence,
    *,
    source: str,
    kinds: Mapping[str, str] | None = None,
    ssids: Iterable[str] = (),
) -> Baseline:
    """
    Make a baseline of evidence. Pure.

    Args:      ssids: network names that captures held; those that an ear of the plan told of are taken from the evidence.
    """
    devices = known_in(evidence, site, kinds)
    return Baseline(
        name=name,
        site=site.site.name,
        since=evidence.since,
        until=evidence.until,
        source=source,
        devices=devices,
        delays=_delays(site, evidence, {one.mac: one.segment for one in devices}),
        services=_services(evidence),
        ssids=tuple(sorted({*ssids, *_names_on_air(evidence)})),
    )


def write_baseline(baseline: Baseline) -> str:
    """Write a baseline as sealed JSON."""
    return seal("baseline", _FORM, baseline)


def read_baseline(text: str, file: str = "baseline") -> Baseline:
    """
    Read a baseline back.

    Raises:    CaptureError: it is none of ours, of another version, damaged or changed.
    """
    return unseal("baseline", _FORM, text, file)


def _names_on_air(evidence: Evidence) -> set[str]:
    """Give the names of networks that are not the plan's own: before a move the old one is among them."""
    heard = (one for one in evidence.notices if one.kind == vocabulary.NEIGHBOUR_NETWORK)
    return {name for one in heard if (name := dict(one.detail).get("name", ""))}


def _delays(site: Site, evidence: Evidence, segment_of: Mapping[str, str]) -> tuple[Delays, ...]:
    values: defaultdict[str, list[float | None]] = defaultdict(list)
    for sample in evidence.samples:
        if sample.kind != vocabulary.RTT_S:
            continue
        if sample.place.startswith("device:"):
            segment = segment_of.get(sample.place.removeprefix("device:"), "")
        else:
            segment = sample.place.removeprefix("segment:").partition("/")[0]
        values[segment].append(sample.value)
    found = []
    # Last, what was heard on none of the plan's segments.
    for name in (*site.segment, ""):
        if not values[name]:
            continue
        answered = [value for value in values[name] if value is not None]
        lost = len(values[name]) - len(answered)
        found.append(
            Delays(
                segment=name,
                sent=len(values[name]),
                lost=lost,
                loss_at_most=loss_at_most(lost, len(values[name])),
                rtt_p50_s=nearest_rank(answered, 50) if answered else None,
                rtt_p95_s=nearest_rank(answered, 95) if answered else None,
            )
        )
    return tuple(found)


def _services(evidence: Evidence) -> tuple[Service, ...]:
    found: set[tuple[str, str, str, str]] = set()
    for notice in evidence.notices:
        if notice.kind == vocabulary.DHCP_SERVER:
            detail = dict(notice.detail)
            segment = notice.place.removeprefix("segment:")
            found.add((segment, LEASES, detail.get("server", ""), detail.get("mac", "")))
    return tuple(Service(*one) for one in sorted(found))
