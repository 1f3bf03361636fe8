"""What captures held, as evidence for a baseline: who was heard, under which names, and what it seems to be."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from netaudit.audit.acceptance.evidence import freeze
from netaudit.errors import CaptureError
from netaudit.observe.observation import How, Naming, Notice, Sighting

if TYPE_CHECKING:
    from collections.abc import Mapping

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.observe.observation import Observation


@dataclass(frozen=True, slots=True)
class Heard:
    """Evidence, what each MAC seems to be, and the network names on the air."""

    evidence: Evidence
    kinds: Mapping[str, str]
    ssids: tuple[str, ...]


def heard_in(document: Mapping[str, Any]) -> Heard:
    """
    Take a census's document (`observe/census_document.py`) as evidence.

    Raises:    CaptureError: nothing was heard in it.
    """
    if document["first"] is None or document["last"] is None:
        raise CaptureError("the captures hold no frame, or none with a time: there is nothing to freeze")
    since, until = _moment(document["first"]), _moment(document["last"])
    seen: list[Observation] = []
    kinds: dict[str, str] = {}
    for device in document["devices"]:
        # Who captured is no part of what was there; and no device has the address of a group.
        if device["impossible"] or device["capturing"] or device["last"] is None:
            continue
        segment, last = device["segment"] or "", _moment(device["last"])
        seen.append(Sighting(last, segment, device["mac"], None, How.HEARD))
        seen += [
            Sighting(_moment(one["last"]), segment, device["mac"], one["address"], How(one["how"]))
            for one in device["addresses"]
            if one["last"] is not None
        ]
        seen += [Naming(last, device["mac"], one["name"], How(one["origin"])) for one in device["names"]]
        seen += [Naming(last, device["mac"], one, How.CLIENT_ID) for one in device["client_ids"]]
        seen += [Naming(last, device["mac"], one, How.SERVICE) for one in device["offers"]]
        if device["kind"] is not None:
            kinds[device["mac"]] = device["kind"]["word"]
    for server in document["dhcp"]["servers"]:
        detail = (("mac", server["mac"] or ""), ("server", server["address"]))
        seen.append(Notice(until, f"segment:{server['segment']}", "dhcp_server", detail))
    ssids = {radio["ssid"] for radio in document["radios"] if radio["ssid"]}
    return Heard(freeze(seen, since, until), kinds, tuple(sorted(ssids)))


def _moment(iso: str) -> datetime:
    return datetime.fromisoformat(iso).astimezone(UTC)
