from __future__ import annotations

import importlib
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.truth.check import Check

HERE = Path(__file__).resolve().parent
MODULES = [path.stem for path in sorted(HERE.glob("*.py")) if path.stem not in ("check", "table", "test_truth")]
CHECKS: list[Check] = [check for name in MODULES for check in importlib.import_module(f"tests.truth.{name}").CHECKS]


@pytest.mark.parametrize("check", CHECKS, ids=[check.subject for check in CHECKS])
def test_every_subject_agrees_with_its_source(check: Check, reference: Path) -> None:
    """Each check compares something, and its largest error lies within what its source allows."""
    result = check.run(reference)
    assert result.cells > 0
    assert result.largest_error <= result.tolerance, f"{result.largest_error:g} {result.unit}"


def test_subjects_are_unique() -> None:
    """A subject names one check, so that a line of the summary can be found again."""
    subjects = [check.subject for check in CHECKS]
    assert len(subjects) == len(set(subjects))
