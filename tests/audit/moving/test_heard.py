"""What captures held, as a baseline: the devices of a census, without who captured and without impossible ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from netaudit.audit.moving.baseline import freeze_baseline
from netaudit.audit.moving.heard import heard_in
from netaudit.errors import CaptureError
from netaudit.observe.census import Census
from netaudit.observe.census_document import describe
from netaudit.observe.census_file import read_capture
from netaudit.observe.census_sort import FrameSorter
from tests.audit.acceptance.house import house

if TYPE_CHECKING:
    from pathlib import Path


def _census(*paths: Path) -> dict[str, Any]:
    census = Census()
    sorter = FrameSorter(census)
    for path in paths:
        with path.open("rb") as stream:
            read_capture(sorter, stream, path.name)
    sorter.settle()
    return describe(census)


def test_a_baseline_of_a_real_capture_holds_whom_the_census_heard(captures: Path) -> None:
    """Of every shared capture with a device in it: the same MACs, names and IPv4 addresses, no more and no less."""
    tried = 0
    for path in sorted(captures.glob("*.pcap*")):
        try:
            document = _census(path)
        except CaptureError:
            continue
        if document["first"] is None or not document["devices"]:
            continue
        heard = heard_in(document)
        baseline = freeze_baseline("real", house(), heard.evidence, source="captures", kinds=heard.kinds)
        wanted = {one["mac"]: one for one in document["devices"] if not one["impossible"] and not one["capturing"]}
        assert {one.mac for one in baseline.devices} == set(wanted)
        for one in baseline.devices:
            said = wanted[one.mac]
            assert set(one.spoken_names) == {name["name"] for name in said["names"]}
            assert one.client_ids == set(said["client_ids"])
            assert one.offers == set(said["offers"])
            assert set(one.addresses) == {a["address"] for a in said["addresses"] if ":" not in a["address"]}
            assert one.kind == ("" if said["kind"] is None else said["kind"]["word"])
        tried += 1
        if tried == 6:  # enough kinds of files; each costs a census
            break
    assert tried


@pytest.mark.parametrize("flag", ["capturing", "impossible"])
def test_who_captured_and_what_no_device_can_be_is_left_out(captures: Path, flag: str) -> None:
    """Of a real capture one device is marked so: it is gone from the evidence, and no other is."""
    document = next(one for path in sorted(captures.glob("*.pcap")) if len((one := _quietly(path))["devices"]) > 1)
    before = {one.mac for one in heard_in(document).evidence.sightings}
    marked = next(one for one in document["devices"] if one["mac"] in before)
    marked[flag] = True
    assert {one.mac for one in heard_in(document).evidence.sightings} == before - {marked["mac"]}


def _quietly(path: Path) -> dict[str, Any]:
    try:
        return _census(path)
    except CaptureError:
        return {"devices": ()}


def test_a_capture_without_a_frame_is_no_baseline() -> None:
    """It says so in a line."""
    with pytest.raises(CaptureError, match="nothing to freeze"):
        heard_in(_census())
