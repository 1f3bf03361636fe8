"""
The certificate as a value: every check with its items, waivers, and the names (SHA-256) of the plan and the evidence.

Its written form can be verified: the evidence is judged again, and must give the same result.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime  # noqa: TC003 - pydantic resolves the fields' types
from typing import TYPE_CHECKING, Final

from pydantic import TypeAdapter

from netaudit.audit.acceptance.check import ORDER, Item, Outcome, prepare
from netaudit.audit.acceptance.checks.table import CHECKS
from netaudit.audit.acceptance.evidence import read_evidence
from netaudit.audit.sealed import digest, seal, unseal
from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from netaudit.audit.acceptance.check import Check, Trial
    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.site.model import Site


@dataclass(frozen=True, slots=True)
class Waiver:
    """Somebody's word that a check, or one place of it (`speed/switch:loft/port:3`), need not pass."""

    check: str
    reason: str
    name: str


@dataclass(frozen=True, slots=True)
class Result:
    """One check and what came of it at each place."""

    key: str
    question: str
    standard: str
    items: tuple[Item, ...]

    @property
    def outcome(self) -> Outcome:
        """The gravest outcome of any item."""
        return min((item.outcome for item in self.items), key=ORDER.index)

    def count(self, outcome: Outcome) -> int:
        """Count the items with this outcome."""
        return sum(item.outcome is outcome for item in self.items)


@dataclass(frozen=True, slots=True)
class Certificate:
    """What an acceptance test found, from `since` to `until`."""

    site: str
    since: datetime
    until: datetime
    plan_sha256: str
    evidence_sha256: str
    results: tuple[Result, ...]

    def count(self, outcome: Outcome) -> int:
        """Count the checks with this outcome."""
        return sum(result.outcome is outcome for result in self.results)

    @property
    def accepted(self) -> bool:
        """Something passed and nothing failed: a test that saw nothing accepts nothing."""
        return not self.count(Outcome.FAILED) and next(self.items(Outcome.PASSED), None) is not None

    def items(self, outcome: Outcome) -> Iterator[tuple[Result, Item]]:
        """Give the items with this outcome, check by check."""
        for result in self.results:
            for item in result.items:
                if item.outcome is outcome:
                    yield result, item


_FORM: Final = TypeAdapter(Certificate)


def certify(
    site: Site,
    evidence: Evidence,
    *,
    plan_sha256: str,
    evidence_sha256: str,
    waivers: Sequence[Waiver] = (),
    checks: Sequence[Check] = CHECKS,
) -> Certificate:
    """
    Put the evidence to every check. Pure: the same plan, evidence and waivers give the same certificate.

    Raises:    OutOfRange: a waiver without a name or a reason, or for a check or place that there is none of.
    """
    need_sound(waivers, checks)
    trial = prepare(site, evidence)
    results = [
        Result(check.key, check.question, check.standard, items) for check in checks if (items := _ask(check, trial))
    ]
    for waiver in waivers:
        results = _waive(results, waiver)
    return Certificate(
        site=site.site.name,
        since=evidence.since,
        until=evidence.until,
        plan_sha256=plan_sha256,
        evidence_sha256=evidence_sha256,
        results=tuple(results),
    )


def _ask(check: Check, trial: Trial) -> tuple[Item, ...]:
    """Ask one check; one that breaks is told on the certificate, the others still judge."""
    try:
        return tuple(check.judge(trial))
    except Exception as error:  # noqa: BLE001 - whatever it is, it must not take the certificate with it
        text = f"the check itself failed: {type(error).__name__}: {error}"
        return (Item("site", Outcome.NOT_TESTED, text, "This is a fault of the program: report it with this line."),)


def need_sound(waivers: Sequence[Waiver], checks: Sequence[Check] = CHECKS) -> None:
    """
    Refuse what can be no waiver whatever the evidence says.

    Raises:    OutOfRange: a waiver without a name or a reason, or for a check that is none of the table's.
    """
    known = [check.key for check in checks]
    for waiver in waivers:
        if not waiver.reason.strip() or not waiver.name.strip():
            raise OutOfRange(f'waiver of {waiver.check}: write why, and who says so, as "{waiver.check}=reason, name"')
        if waiver.check.partition("/")[0] not in known:
            raise _no_such(waiver, known)


def _no_such(waiver: Waiver, known: Sequence[str]) -> OutOfRange:
    listed = ", ".join(known)
    return OutOfRange(f"waiver of {waiver.check}: there is no such check here; write one of {listed}, or CHECK/PLACE")


def _waive(results: list[Result], waiver: Waiver) -> list[Result]:
    key, _, place = waiver.check.partition("/")
    hit = False
    changed: list[Result] = []
    for result in results:
        items = []
        for item in result.items:
            # What passed needs no waiver; it stays as it is.
            meant = result.key == key and place in ("", item.place)
            hit = hit or meant
            waivable = meant and item.outcome in (Outcome.FAILED, Outcome.NOT_TESTED)
            by = f"{waiver.name}: {waiver.reason}"
            items.append(replace(item, outcome=Outcome.WAIVED, waived_by=by) if waivable else item)
        changed.append(replace(result, items=tuple(items)))
    if not hit:
        places = next((result.items for result in results if result.key == key), ())
        if not places:
            raise _no_such(waiver, [result.key for result in results])
        wanting = [item.place for item in places if item.outcome is not Outcome.PASSED] or [one.place for one in places]
        listed = ", ".join(wanting[:6]) + (", ..." if len(wanting) > 6 else "")
        raise OutOfRange(f"waiver of {waiver.check}: {key} has no such place; write one of {listed}")
    return changed


def write_certificate(certificate: Certificate) -> str:
    """Write a certificate as JSON, with the SHA-256 of its own content."""
    return seal("certificate", _FORM, certificate)


def read_certificate(text: str, file: str = "certificate") -> Certificate:
    """
    Read a certificate back.

    Raises:    CaptureError: it is none of ours, or was changed after it was written.
    """
    return unseal("certificate", _FORM, text, file)


def verify(certificate: Certificate, site: Site | None, plan_sha256: str | None, evidence_text: str) -> tuple[str, ...]:
    """
    Say in which ways a certificate doesn't follow from its plan and its evidence; nothing when it does.

    It proves that the three belong together, not who wrote them.

    Args:      site and plan_sha256 of the plan at hand, None leaves the plan out and with it the second judgement.
    Raises:    CaptureError: the evidence can't be read.
    """
    wrong: list[str] = []
    if digest(evidence_text) != certificate.evidence_sha256:
        wrong.append("the evidence is not that of the certificate: its SHA-256 differs")
    if plan_sha256 is not None and plan_sha256 != certificate.plan_sha256:
        wrong.append("the plan is not that of the certificate: its SHA-256 differs")
    if site is None or wrong:
        return tuple(wrong)
    again = certify(
        site,
        read_evidence(evidence_text),
        plan_sha256=certificate.plan_sha256,
        evidence_sha256=certificate.evidence_sha256,
    )
    if not _follows(certificate.results, again.results):
        wrong.append("judging the evidence again gives another result: the certificate, or the program, has changed")
    return tuple(wrong)


def _follows(stated: tuple[Result, ...], again: tuple[Result, ...]) -> bool:
    """Say whether what is stated is what was judged again, but for waivers, which no evidence knows."""
    return len(stated) == len(again) and all(
        replace(one, items=()) == replace(other, items=())
        and len(one.items) == len(other.items)
        and all(_unwaived(item, judged) == judged for item, judged in zip(one.items, other.items, strict=True))
        for one, other in zip(stated, again, strict=True)
    )


def _unwaived(item: Item, judged: Item) -> Item:
    """Take a waiver off, from what could be waived."""
    waived = (
        item.outcome is Outcome.WAIVED and item.waived_by and judged.outcome in (Outcome.FAILED, Outcome.NOT_TESTED)
    )
    return replace(item, outcome=judged.outcome, waived_by="") if waived else item
