from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netaudit.capacity import recording
from netaudit.capacity.line import Kind, State
from netaudit.errors import OutOfRange
from tests.capacity.wired_plan import kinds, line, plan, step

if TYPE_CHECKING:
    from collections.abc import Callable

# 4 Mb/s of packets: 500 a second of 1000 octets.
EYE: dict[str, Any] = {
    "link": "wired",
    "recorded": True,
    "motion": 1.0,
    "up": {"frames_per_s": 500, "frame_bytes": 1000},
}


def watched(recorder: dict[str, Any], *, motion: float = 1.0, count: int = 4) -> Any:
    """Build a plan with cameras of 4 Mb/s and one recorder."""
    return plan(
        profile={"eye": {**EYE, "motion": motion}},
        device={"eye": {"kind": "eye", "count": count, "at": "kitchen"}},
        recorder={"vault": {"closet": "hall", **recorder}},
    )


# Worked: 4 TB, 4 cameras x 4 Mb/s, all the time, 10 % reserve keep 20.8333 days; 10.8 GB a day for each Mb/s.
def test_days_kept_are_the_worked_ones() -> None:
    """The line compares 14 days wanted with the disk, and the steps say the days kept and both kinds of terabytes."""
    found = line(recording.judge(watched({"disk": "4 TB", "retention": "14 d"})), Kind.RECORDING, "recorder:vault")
    assert step(found, "days kept") == pytest.approx(20.8333, abs=5e-5)
    assert step(found, "written in a day") == pytest.approx(16 * 10.8)
    assert found.planned == pytest.approx(14 * 16 * 10.8e9)
    assert step(found, "space for recordings") == pytest.approx(3.6)
    # IEC 80000-13: 1 TB is 0.909495 TiB.
    assert step(found, "the same as some software") == pytest.approx(3.6 * 0.909495, abs=1e-5)
    assert step(found, "raw disk to buy") == pytest.approx(14 * 16 * 10.8e9 / 0.9 / 1e12)
    assert found.state is State.WITHIN


def test_a_disk_in_binary_terabytes_is_larger() -> None:
    """A disk written as 4 TiB holds 1.0995 of one written as 4 TB (IEC 80000-13)."""
    sizes = [
        line(recording.judge(watched({"disk": size})), Kind.RECORDING, "recorder:vault").supply
        for size in ("4 TB", "4 TiB")
    ]
    assert sizes[1] / sizes[0] == pytest.approx(2**40 / 1e12)


def test_links_and_writing_take_the_peak_and_disks_the_mean() -> None:
    """With recording half of the time the days double and the write load stays."""
    always, half = (recording.judge(watched({}, motion=share)) for share in (1.0, 0.5))
    kept = [step(line(verdict, Kind.RECORDING, "recorder:vault"), "days kept") for verdict in (always, half)]
    assert kept[1] == pytest.approx(2 * kept[0])
    writes = [line(verdict, Kind.WRITE, "recorder:vault").planned for verdict in (always, half)]
    assert writes == pytest.approx([16e6, 16e6])


def test_redundancy_takes_its_share_and_is_no_backup() -> None:
    """Four disks in single parity leave three quarters; the line says that it is no backup."""
    found = line(
        recording.judge(watched({"disks": 4, "redundancy": "single parity"})), Kind.RECORDING, "recorder:vault"
    )
    assert found.supply == pytest.approx(4 * 4e12 * 0.75 * 0.9)
    assert "not a backup" in found.note


def test_too_few_disks_are_a_flaw() -> None:
    """A mirror of one disk keeps nothing twice, and the line has no space to offer."""
    verdict = recording.judge(watched({"redundancy": "mirror"}))
    assert kinds(verdict) == ["too_few_disks recorder:vault"]
    assert line(verdict, Kind.RECORDING, "recorder:vault").supply == 0.0


def test_a_camera_without_a_recorder_is_a_flaw() -> None:
    """What is to be recorded needs something that records."""
    site = plan(profile={"eye": EYE}, device={"eye": {"kind": "eye", "at": "kitchen"}})
    assert kinds(recording.judge(site)) == ["stream_without_recorder device:eye"]


def test_each_camera_goes_to_its_own_recorder() -> None:
    """Two recorders keep what is theirs, and together all."""
    site = plan(
        profile={"eye": EYE},
        device={
            "a": {"kind": "eye", "count": 3, "at": "kitchen", "recorder": "one"},
            "b": {"kind": "eye", "count": 2, "at": "kitchen", "recorder": "two", "rate": "8 Mb/s"},
        },
        recorder={"one": {"closet": "hall"}, "two": {"closet": "hall"}},
    )
    verdict = recording.judge(site)
    assert [line(verdict, Kind.WRITE, f"recorder:{name}").planned for name in ("one", "two")] == [12e6, 16e6]


@given(st.floats(1e3, 1e9), st.floats(0.01, 1.0), st.floats(1e9, 1e15), st.floats(0.0, 0.9))
def test_the_disk_needed_for_the_days_kept_is_the_disk(rate: float, share: float, disk: float, reserve: float) -> None:
    """From a disk to days and back is the same disk."""
    daily = recording.bytes_per_day(rate, share=share)
    days = recording.days_kept(recording.space_bytes(disk, reserve=reserve), daily)
    assert recording.disk_needed_bytes(daily, days, reserve=reserve) == pytest.approx(disk)


@given(st.lists(st.integers(1, 6), min_size=1, max_size=4))
def test_splitting_a_group_changes_nothing(counts: list[int]) -> None:
    """Groups and single cameras need the same disk; one more needs more."""

    def judged(listed: list[int]) -> list[float]:
        device = {f"d{i}": {"kind": "eye", "count": n} for i, n in enumerate(listed)}
        site = plan(profile={"eye": EYE}, device=device, recorder={"vault": {}})
        return [one.planned for one in recording.judge(site).lines]

    assert judged(counts) == pytest.approx(judged([1] * sum(counts)))
    assert all(more > before for more, before in zip(judged([*counts, 1]), judged(counts), strict=True))


def test_nothing_recorded_is_kept_for_ever() -> None:
    """Without a camera the days kept are infinite, not a division by nothing."""
    assert recording.days_kept(1e12, 0.0) == float("inf")


def test_impossible_recordings_are_refused() -> None:
    """Negative rates, shares above one, full reserves and too few disks raise OutOfRange."""
    refused: list[Callable[[], object]] = [
        lambda: recording.bytes_per_day(-1.0),
        lambda: recording.bytes_per_day(1.0, share=1.1),
        lambda: recording.usable_share("double parity", 3),
        lambda: recording.space_bytes(1.0, reserve=1.0),
        lambda: recording.disk_needed_bytes(1.0, 1.0, usable=0.0),
    ]
    for call in refused:
        with pytest.raises(OutOfRange):
            call()
