"""
What an acceptance test rests on: everything that was seen, frozen, and written so that it can be read back and judged again.

The SHA-256 of the written form names it on the certificate: who changes a figure later changes the name.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable  # noqa: TC003 - pydantic resolves what stands beside it
from dataclasses import dataclass
from datetime import datetime  # noqa: TC003 - pydantic resolves the fields' types
from typing import Final, Literal

from pydantic import ConfigDict, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as checked

from netaudit.errors import CaptureError
from netaudit.observe.observation import Health, Naming, Notice, Observation, Sample, Sighting

# An hour of one echo a second to 250 devices is 900,000 samples of some 110 octets.
LARGEST_BYTES: Final = 256 << 20


@dataclass(frozen=True, slots=True)
class Evidence:
    """What was seen from `since` to `until`, by kind, each in the order of time."""

    since: datetime
    until: datetime
    sightings: tuple[Sighting, ...] = ()
    namings: tuple[Naming, ...] = ()
    samples: tuple[Sample, ...] = ()
    notices: tuple[Notice, ...] = ()
    health: tuple[Health, ...] = ()


@checked(frozen=True, config=ConfigDict(extra="forbid"))
class _File:
    """The written form."""

    format: Literal["netaudit evidence"]
    version: Literal[1]
    evidence: Evidence


_FORM: Final = TypeAdapter(_File)


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
    return _FORM.dump_json(_File("netaudit evidence", 1, evidence)).decode()


def read_evidence(text: str, file: str = "evidence") -> Evidence:
    """
    Read evidence back.

    Raises:    CaptureError: too large, not ours, of a newer version, or damaged.
    """
    if len(text) > LARGEST_BYTES:
        raise CaptureError(f"{file}: {len(text)} characters of evidence; the most that is read is {LARGEST_BYTES}")
    try:
        return _FORM.validate_json(text).evidence
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise CaptureError(
            f"{file}: is no evidence of ours ({where}: {first['msg']}); name a file that netaudit accept wrote"
        ) from error


def digest(text: str) -> str:
    """Give the SHA-256 of a text."""
    return hashlib.sha256(text.encode()).hexdigest()
