"""
Recording: what cameras write, how long the disks keep it, and what the days wanted need.

A disk sold as 4 TB holds 4e12 octets, which software that counts in powers of two shows as 3.64 TiB; both are printed. Links
and writing are sized for all cameras at once, disks for the share of the time that is recorded.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from netaudit.capacity.line import USER, Flaw, Kind, Line, Step, Verdict
from netaudit.capacity.links import recorder_of, stream_packets_per_s
from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.site.model import Device, Profile, Site

Redundancy = Literal["none", "mirror", "single parity", "double parity"]

DAY_S = 86400.0
TB = 1e12  # IEC 80000-13, as disks are sold
TIB = 2.0**40  # IEC 80000-13, as some software shows them
GB = 1e9
# Fewest disks that make each arrangement, and disks whose space it takes; a mirror keeps everything twice.
_LEAST_DISKS: dict[str, int] = {"none": 1, "mirror": 2, "single parity": 3, "double parity": 4}
_PARITY_DISKS: dict[str, int] = {"none": 0, "single parity": 1, "double parity": 2}
DISK_REASON = "what is left after the reserve may be filled: the oldest is overwritten"
WRITE_REASON = "the recorder's own figure says what it can record"
ARITHMETIC = "arithmetic: rate * share of the time / 8"


def bytes_per_day(rate_bps: float, *, share: float = 1.0) -> float:
    """
    Octets written in a day.

    Args:      rate_bps of the stream while it is recorded; share of the time that it is, 0..1.
    Raises:    OutOfRange: a negative rate, a share outside 0..1.
    Source:    arithmetic: 10.8 GB a day for each Mb/s.
    """
    if rate_bps < 0.0 or not 0.0 <= share <= 1.0:
        raise OutOfRange(
            f"{rate_bps:g} bit/s for {share:g} of the time: write a rate of 0 or more and a share from 0 to 1"
        )
    return rate_bps * share * DAY_S / 8.0


def usable_share(redundancy: Redundancy, disks: int) -> float:
    """
    Share of the raw space that an arrangement of disks leaves, 0..1.

    Args:      redundancy; disks in it, all alike.
    Raises:    OutOfRange: too few disks for it.
    Source:    arithmetic: 1, 1/2, (n - 1) / n, (n - 2) / n.
    """
    if disks < _LEAST_DISKS[redundancy]:
        raise OutOfRange(f"{redundancy} over {disks} disk(s): it takes {_LEAST_DISKS[redundancy]} or more")
    if redundancy == "mirror":
        return 0.5
    return (disks - _PARITY_DISKS[redundancy]) / disks


def space_bytes(raw_bytes: float, *, usable: float = 1.0, reserve: float = 0.0) -> float:
    """
    Space for recordings [B].

    Args:      raw_bytes of all disks; usable share that redundancy leaves, 0..1; reserve share not used, 0 to below 1.
    Raises:    OutOfRange: a share outside its range.
    Source:    arithmetic.
    """
    if not 0.0 <= reserve < 1.0 or not 0.0 <= usable <= 1.0:
        raise OutOfRange(f"reserve {reserve:g}, usable {usable:g}: write 0 to below 1, and 0 to 1")
    return raw_bytes * usable * (1.0 - reserve)


def days_kept(space: float, daily_bytes: float) -> float:
    """
    Days until the oldest recording is overwritten; infinite when nothing is recorded.

    Args:      space for recordings [B]; daily_bytes written in a day [B].
    Source:    arithmetic.
    """
    return space / daily_bytes if daily_bytes > 0.0 else float("inf")


def disk_needed_bytes(daily_bytes: float, days: float, *, reserve: float = 0.0, usable: float = 1.0) -> float:
    """
    Raw disk space to buy [B].

    Args:      daily_bytes written in a day; days to keep; reserve share not used; usable share that redundancy leaves.
    Raises:    OutOfRange: a reserve outside 0 to below 1, a usable share outside above 0 to 1.
    Source:    arithmetic.
    """
    if not 0.0 <= reserve < 1.0 or not 0.0 < usable <= 1.0:
        raise OutOfRange(f"reserve {reserve:g}, usable {usable:g}: write 0 to below 1, and above 0 to 1")
    return daily_bytes * days / (1.0 - reserve) / usable


def stream_bps(device: Device, profile: Profile) -> float:
    """Rate of a camera's stream, network headers included [bit/s]."""
    return stream_packets_per_s(device, profile) * profile.up.frame_bytes * 8.0


@dataclass(slots=True)
class _Kept:
    """What one recorder keeps: its cameras, their rate together [bit/s], what they write in a day [B]."""

    cameras: int = 0
    rate_bps: float = 0.0
    daily_bytes: float = 0.0


def judge(site: Site) -> Verdict:
    """Judge each recorder of a checked plan."""
    kept: defaultdict[str, _Kept] = defaultdict(_Kept)
    flaws: list[Flaw] = []
    for name, device in site.device.items():
        profile = site.profile[device.kind]
        if not profile.recorded:
            continue
        recorder = recorder_of(site, device)
        if recorder is None:
            flaws.append(
                Flaw(
                    "stream_without_recorder",
                    f"device:{name}",
                    "is to be recorded and the plan has no recorder",
                    "add [recorder.NAME], or a profile that is not recorded",
                    USER,
                )
            )
            continue
        rate_bps = stream_bps(device, profile) * device.count
        kept[recorder].cameras += device.count
        kept[recorder].rate_bps += rate_bps
        kept[recorder].daily_bytes += bytes_per_day(rate_bps, share=profile.motion)
    lines: list[Line] = []
    for name, row in site.recorder.items():
        try:
            usable = usable_share(row.redundancy, row.disks)
        except OutOfRange as error:
            flaws.append(
                Flaw("too_few_disks", f"recorder:{name}", str(error), "add disks, or plan another arrangement", USER)
            )
            usable = 0.0
        lines += _lines(site, name, kept[name], usable)
    return Verdict(tuple(lines), flaws=tuple(flaws))


def _lines(site: Site, name: str, kept: _Kept, usable: float) -> Iterator[Line]:
    row = site.recorder[name]
    daily_bytes = kept.daily_bytes
    grow = 1.0 + site.site.growth
    days = row.retention_s / DAY_S
    space = space_bytes(row.disk_bytes * row.disks, usable=usable, reserve=row.reserve)
    wanted = daily_bytes * days
    to_buy = (disk_needed_bytes(daily_bytes, days, reserve=row.reserve, usable=usable),) if usable else ()
    yield Line(
        Kind.RECORDING,
        f"recorder:{name}",
        "B",
        supply=space,
        ceiling=site.ceilings.recording,
        ceiling_reason=DISK_REASON,
        planned=wanted,
        grown=wanted * grow,
        basis=ARITHMETIC,
        steps=(
            Step("cameras", kept.cameras, "cameras", USER),
            Step("written in a day", daily_bytes / GB, "GB/day", ARITHMETIC),
            Step("space for recordings as disks are sold", space / TB, "TB", "IEC 80000-13"),
            Step("the same as some software shows it", space / TIB, "TiB", "IEC 80000-13"),
            Step("days kept", days_kept(space, daily_bytes), "days", ARITHMETIC),
            Step("days wanted", days, "days", USER),
            *(Step("raw disk to buy for the days wanted", disk / TB, "TB", ARITHMETIC) for disk in to_buy),
        ),
        inputs=(("disks", f"{row.disks} of {row.disk_bytes / TB:g} TB, redundancy {row.redundancy}"),),
        note="redundant disks are not a backup" if row.redundancy != "none" else "",
    )
    yield Line(
        Kind.WRITE,
        f"recorder:{name}",
        "bit/s",
        supply=row.write_bps,
        ceiling=site.ceilings.recording,
        ceiling_reason=WRITE_REASON,
        planned=kept.rate_bps,
        grown=kept.rate_bps * grow,
        basis="all cameras at once: links and writing are sized for the peak, disks for the mean",
        steps=(
            Step("all cameras at once", kept.rate_bps, "bit/s", USER),
            Step("written in a year", daily_bytes * 365.0 / TB, "TB/year", ARITHMETIC),
        ),
    )
