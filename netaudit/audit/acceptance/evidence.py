"""
What an acceptance test rests on: everything that was seen, frozen, and written so that it can be read back and judged again.

The SHA-256 of the written form names it on the certificate: who changes a figure later changes the name.
"""

from __future__ import annotations

from collections.abc import Iterable  # noqa: TC003 - pydantic resolves what stands beside it
from dataclasses import dataclass
from datetime import datetime  # noqa: TC003 - pydantic resolves the fields' types
from typing import Final

from pydantic import TypeAdapter

from netaudit.audit.sealed import seal, unseal
from netaudit.observe.observation import Health, Naming, Notice, Observation, Sample, Sighting


@dataclass(frozen=True, slots=True)
class Evidence:
    """
    What was seen from `since` to `until`, by kind, each in the order of time.

    From a store, notices of what may have gone on into the span are known of from shortly before `since`.
    """

    since: datetime
    until: datetime
    sightings: tuple[Sighting, ...] = ()
    namings: tuple[Naming, ...] = ()
    samples: tuple[Sample, ...] = ()
    notices: tuple[Notice, ...] = ()
    health: tuple[Health, ...] = ()


_FORM: Final = TypeAdapter(Evidence)


def freeze(observations: Iterable[Observation], since: datetime, until: datetime) -> Evidence:
    """Sort what collectors said into evidence."""
    listed = sorted(observations, key=lambda one: one.at)
    return Evidence(
        since=since,
        until=until,
        sightings=tuple(one for one in listed if isinstance(one, Sighting)),
        namings=tuple(one for one in listed if isinstance(one, Naming)),
        samples=tuple(one for one in listed if isinstance(one, Sample)),
        notices=tuple(one for one in listed if isinstance(one, Notice)),
        health=tuple(one for one in listed if isinstance(one, Health)),
    )


def write_evidence(evidence: Evidence) -> str:
    """Write evidence as JSON; the same evidence gives the same text."""
    return seal("evidence", _FORM, evidence)


def read_evidence(text: str, file: str = "evidence") -> Evidence:
    """
    Read evidence back.

    Raises:    CaptureError: too large, not ours, of another version, damaged or changed.
    """
    return unseal("evidence", _FORM, text, file)
