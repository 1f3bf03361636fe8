"""Imports point one way: nothing on the left of the house imports anything on its right."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "netaudit"

# room -> the rooms it may import; itself is always allowed. `daemon` and `demo` wire, `cli` is the door.
MAY_IMPORT = {
    "errors": set(),
    "site": {"errors"},
    "capacity": {"errors", "site"},
    "wire": {"errors"},
    "observe": {"errors", "wire", "site"},
    "store": {"errors", "observe"},
    "audit": {"errors", "site", "capacity", "observe", "store"},
    "notify": {"errors", "store"},
    "publish": {"errors", "site", "capacity", "observe", "store", "audit"},
    "daemon": {"errors", "site", "capacity", "wire", "observe", "store", "audit", "notify", "publish"},
    "demo": {"errors", "site", "capacity", "wire", "observe", "store", "audit", "notify", "publish"},
    "cli": {"errors", "site", "capacity", "wire", "observe", "store", "audit", "notify", "publish", "daemon", "demo"},
}

# room -> what from outside it must never know.
NEVER = {
    "site": {"socket", "sqlalchemy", "scapy", "asyncio", "time"},
    "capacity": {"socket", "sqlalchemy", "scapy", "asyncio", "time", "random", "os", "prometheus_client", "starlette"},
    "wire": {"sqlalchemy", "pydantic", "starlette", "prometheus_client"},
    "observe": {"sqlalchemy", "starlette", "jinja2"},
    "store": {"scapy", "starlette", "prometheus_client", "jinja2"},
    "audit": {"socket", "jinja2", "starlette", "sqlalchemy", "asyncio"},
    "publish": {"socket", "sqlalchemy", "scapy"},
    "cli": {"sqlalchemy", "socket"},
}

MODULES = sorted(PACKAGE.rglob("*.py"))


def _room(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def _imported(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_module_imports_only_what_its_room_may_know(path: Path) -> None:
    """Every import of our own leads to a room on the left; imports from outside keep to the room's subject."""
    room = _room(path)
    if room in ("__init__", "__main__"):
        return
    for name in _imported(path):
        parts = name.split(".")
        if parts[0] == "netaudit" and parts[1] not in (room, "__version__"):
            assert parts[1] in MAY_IMPORT[room], f"{path.name} imports {name}"
        assert parts[0] not in NEVER.get(room, set()), f"{path.name} imports {name}"


def test_every_room_is_in_the_table() -> None:
    """A new room must say what it may know."""
    assert {_room(path) for path in MODULES} - {"__init__", "__main__"} == set(MAY_IMPORT)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_nobody_imports_all_of_scapy(path: Path) -> None:
    """`scapy.all` costs 60 MB of memory; single layers serve."""
    assert not any(name.startswith("scapy.all") for name in _imported(path))
