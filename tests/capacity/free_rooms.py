"""The demo as a plan that gives rooms and hangs nothing: for tests and for the benchmark of choosing."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import Any


def demo_unhung() -> tuple[dict[str, Any], dict[str, Any]]:
    """Give the demo's plan with nothing hung, and its sheets."""
    folder = resources.files("netaudit.demo")
    raw, sheets = (tomllib.loads(folder.joinpath(name).read_text("utf-8")) for name in ("site.toml", "equipment.toml"))
    hung = {row["drop"] for row in raw.pop("access_point").values()}
    raw["drop"] = {name: row for name, row in raw["drop"].items() if name not in hung}
    for row in raw["device"].values():
        row.pop("access_points", None)
    return raw, sheets


def demo_in_rooms() -> tuple[dict[str, Any], dict[str, Any]]:
    """Give the same with a room of the dwelling for each device that has none."""
    raw, sheets = demo_unhung()
    indoors = [
        name for name, row in raw["room"].items() if row["building"] == "dwelling" and not row.get("outdoor", False)
    ]
    for number, row in enumerate(row for row in raw["device"].values() if "at" not in row):
        row["at"] = indoors[number % len(indoors)]
    return raw, sheets
