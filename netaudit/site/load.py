"""From a file to a checked plan: the document's errors (`document.py`), our kinds of devices, the plan's laws (`check.py`)."""

from __future__ import annotations

import hashlib
import tomllib
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from netaudit.site.check import find_faults
from netaudit.site.document import build, parse_toml, read_text
from netaudit.site.model import SINGLE, Site

if TYPE_CHECKING:
    from pathlib import Path


def load_site(path: str | Path) -> Site:
    """
    Read, check and complete the plan in a file.

    Raises:    PlanError: the first fault, with `more` holding the others; each has file and line.
    """
    return parse_site(read_plan(path), str(path))


def read_plan(path: str | Path) -> str:
    """
    Read a plan's text.

    Raises:    PlanError: not there, not readable, not text, empty, too large.
    """
    return read_text(path, "site plan")


def parse_site(text: str, file: str = "site.toml") -> Site:
    """
    Check and complete a plan's text.

    Raises:    PlanError: as `load_site`.
    """
    return build_site(parse_toml(text, file), file, text)


def build_site(raw: dict[str, Any], file: str = "site.toml", text: str = "") -> Site:
    """
    Make a plan from loaded data; `text`, when given, is where errors find their lines.

    Raises:    PlanError: as `load_site`.
    """
    return build(Site, with_profiles(raw), file=file, text=text, laws=find_faults, single=SINGLE)


@cache
def own_profiles() -> dict[str, Any]:
    """Read the kinds of devices that the program ships."""
    return tomllib.loads(resources.files("netaudit.site").joinpath("profiles.toml").read_text("utf-8"))


def with_profiles(raw: dict[str, Any]) -> dict[str, Any]:
    """Add our profiles under those of the plan; a plan's own profile of the same name replaces ours."""
    own = raw.get("profile", {})
    return {**raw, "profile": {**own_profiles(), **own}} if isinstance(own, dict) else raw


def fingerprint(text: str) -> str:
    """Give the SHA-256 of a plan's text, by which certificates and the store name its version."""
    return hashlib.sha256(text.encode()).hexdigest()


def shape_site(raw: dict[str, Any], file: str = "site.toml", text: str = "") -> Site:
    """
    Make frozen tables of loaded data without the laws between them: a plan that isn't finished yet, to be completed.

    Raises:    PlanError: a field is missing, unknown, of the wrong type or out of its range.
    """
    return build(Site, with_profiles(raw), file=file, text=text, laws=lambda _: [], single=SINGLE)
