"""What-if changes the data, not the file, and leaves a plan that still holds together."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from netaudit.errors import PlanError
from netaudit.site.change import add_devices, remove
from netaudit.site.load import build_site
from netaudit.site.topology import follow

RAW: dict[str, Any] = tomllib.loads((Path(__file__).parents[2] / "netaudit" / "demo" / "site.toml").read_text("utf-8"))


def _devices(raw: dict[str, Any]) -> int:
    return sum(device.count for device in build_site(raw).device.values())


def test_added_devices_are_there_and_nothing_else_changed() -> None:
    """Six cameras more are six devices more, on the segment where cameras live; the given data stays as it was."""
    before = _devices(RAW)
    changed = add_devices(RAW, "6:camera@yard")
    assert _devices(changed) == before + 6
    assert changed["device"]["added-1"]["segment"] == "cameras"
    assert _devices(RAW) == before


def test_a_wireless_kind_may_be_put_on_an_access_point() -> None:
    """`4:plug@yard` is a place; `4:plug@hall` a room; both serve it by the access points there."""
    site = build_site(add_devices(RAW, "4:plug@gallery"))
    stations = follow(site).stations["gallery", "2.4"]
    assert sum(share.count for share in stations if share.name == "added-1") == 4


@pytest.mark.parametrize(
    "table_name",
    ["access_point:yard", "switch:bench", "drop:riser", "recorder:vault", "device:lights", "backup:pantry"],
)
def test_a_plan_without_one_thing_still_holds_together(table_name: str) -> None:
    """Whatever named the thing falls back to a default; the checks pass."""
    table, _, name = table_name.partition(":")
    site = build_site(remove(RAW, table_name))
    assert name not in getattr(site, table)


def test_adding_and_removing_again_is_the_plan_itself() -> None:
    """The two changes undo each other."""
    assert build_site(remove(add_devices(RAW, "3:light@hall"), "added-1")) == build_site(RAW)


@pytest.mark.parametrize(
    "wish", ["", "six:camera", "6:cmaera@yard", "6:camera@moon", "0:camera@yard", "6:plug@pantry-switch"]
)
def test_a_wish_that_can_not_be_read_says_what_to_write(wish: str) -> None:
    """One line, naming the part at fault."""
    with pytest.raises(PlanError, match=r"--add|must be at least 1"):
        build_site(add_devices(RAW, wish))


def test_what_is_not_there_can_not_be_left_out() -> None:
    """One line."""
    with pytest.raises(PlanError, match="--without"):
        remove(RAW, "device:nobody")
