"""What wants looking after, whether or not anything is wrong: batteries that age, firmware, proofs that grow old."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from netaudit.publish.text import capital, harmless, moment, place_name, quantity

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from netaudit.site.model import Site
    from netaudit.store.findings import Finding
    from netaudit.store.records import Heard

YEAR_S: Final = 365.25 * 86400
# Sealed lead batteries of small supplies are commonly changed at this age. common practice, no source
BATTERY_S: Final = 4 * YEAR_S
# Makers mend what was found in the field about so often. common practice, no source
FIRMWARE_S: Final = 0.5 * YEAR_S
# After a year of changes nobody knows any more that the cabling and the air are as they were proven.
# common practice, no source
PROOF_S: Final = YEAR_S


def reminders(
    site: Site, firmware: Sequence[Heard], findings: Sequence[Finding], proven_at: datetime | None, until: datetime
) -> tuple[str, ...]:
    """
    Say what wants looking after at a moment, one sentence each.

    Args:      firmware: notices of it, latest first; findings: the open ones; proven_at: of the latest certificate.
    """
    return (
        *_batteries(site),
        *_firmware(site, firmware, until),
        *_proof(proven_at, until),
        *_mutes(site, findings, until),
    )


def _batteries(site: Site) -> Iterator[str]:
    locale = site.site.locale
    for name, backup in site.backup.items():
        if backup.age_s >= BATTERY_S:
            left = (1 - backup.fade_per_year) ** (backup.age_s / YEAR_S)
            yield (
                f"The battery of {place_name(f'backup:{name}', site)} is {quantity(backup.age_s / YEAR_S, '', locale)} "
                f"years old by the plan; about {quantity(left, 'share', locale)} of it is left. Plan a new one."
            )


def _firmware(site: Site, firmware: Sequence[Heard], until: datetime) -> Iterator[str]:
    told: set[str] = set()
    for heard in firmware:
        if heard.place in told:
            continue
        told.add(heard.place)
        if (until - heard.first_at).total_seconds() >= FIRMWARE_S:
            text = harmless(dict(heard.detail).get("text", ""), 80)
            yield (
                f"{capital(place_name(heard.place, site))} has had the firmware text \u201c{text}\u201d since "
                f"{moment(heard.first_at, site.site)}. See whether its maker has a newer one."
            )


def _proof(proven_at: datetime | None, until: datetime) -> Iterator[str]:
    if proven_at is not None and (until - proven_at).total_seconds() >= PROOF_S:
        yield "The latest certificate is more than a year old. Prove the network again."


def _mutes(site: Site, findings: Sequence[Finding], until: datetime) -> Iterator[str]:
    for finding in findings:
        if finding.muted_until is not None and until <= finding.muted_until:
            yield (
                f"A finding at {place_name(finding.place, site)} is muted until "
                f"{moment(finding.muted_until, site.site)}: \u201c{harmless(finding.reason)}\u201d."
            )
