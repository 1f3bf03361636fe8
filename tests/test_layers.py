"""Imports point one way: nothing on the left of the house imports anything on its right."""

from __future__ import annotations

import ast
from graphlib import CycleError, TopologicalSorter
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


def _name(path: Path) -> str:
    parts = (PACKAGE.name, *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


NAMES = frozenset(map(_name, MODULES))


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


def _modules(imported: set[str]) -> set[str]:
    """Turn names as imported into modules of ours: what is none itself is a definition in one."""
    return {name if name in NAMES else name.rpartition(".")[0] for name in imported} & NAMES


def _circle(graph: dict[str, set[str]]) -> list[str]:
    """Give one circle of imports, empty when there is none."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def test_no_imports_go_round_in_a_circle() -> None:
    """No module imports itself by way of others, be it only for types or only when it is asked."""
    assert _circle({_name(path): _modules(_imported(path)) for path in MODULES}) == []


def test_a_circle_is_found_wherever_its_import_stands(tmp_path: Path) -> None:
    """An import inside a function, or for types alone, closes a circle like one at the top."""
    for_types = tmp_path / "seen.py"
    for_types.write_text("if TYPE_CHECKING:\n    from netaudit.audit.stations import Count\n", "utf-8")
    when_asked = tmp_path / "stations.py"
    when_asked.write_text("def look():\n    from netaudit.audit import seen\n", "utf-8")
    graph = {
        "netaudit.audit.seen": _modules(_imported(for_types)),
        "netaudit.audit.stations": _modules(_imported(when_asked)),
    }
    assert set(_circle(graph)) == {"netaudit.audit.seen", "netaudit.audit.stations"}


def test_every_room_is_in_the_table() -> None:
    """A new room must say what it may know."""
    assert {_room(path) for path in MODULES} - {"__init__", "__main__"} == set(MAY_IMPORT)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_nobody_imports_all_of_scapy(path: Path) -> None:
    """`scapy.all` costs 60 MB of memory; single layers serve."""
    assert not any(name.startswith("scapy.all") for name in _imported(path))
