"""Small plans for the tests of the wired subjects: one house, one closet, one segment, and what a test adds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from netaudit.site.load import build_site

if TYPE_CHECKING:
    from netaudit.capacity.line import Kind, Line, Verdict
    from netaudit.site.model import Site


def plan(**tables: Any) -> Site:
    """Build a plan: a hall with one 8-port switch, a second closet in a barn, and the tables given."""
    base: dict[str, Any] = {
        "site": {"name": "Test house"},
        "building": {"house": {}, "barn": {}},
        "closet": {"hall": {"building": "house"}, "loft": {"building": "barn"}},
        "room": {
            "kitchen": {"building": "house", "closet": "hall"},
            "yard": {"building": "barn", "closet": "loft", "outdoor": True},
        },
        "segment": {"main": {"network": "10.20.0.0/24"}},
        "router": {"closet": "hall"},
        "switch": {"hall": {"closet": "hall", "ports": [{"count": 8}]}},
    }
    return build_site({**base, **tables})


def line(verdict: Verdict, kind: Kind, place: str) -> Line:
    """Find the one line of a kind and place."""
    (found,) = [line for line in verdict.lines if line.kind is kind and line.place == place]
    return found


def step(found: Line, text: str) -> float:
    """Find the value of the one step whose text begins so."""
    (value,) = [step.value for step in found.steps if step.text.startswith(text)]
    return value


def kinds(verdict: Verdict) -> list[str]:
    """Name the hazards and flaws of a verdict, with their places."""
    hazards = [f"{one.kind} {one.place}" for one in verdict.hazards]
    return hazards + [f"{one.kind} {one.place}" for one in verdict.flaws]
