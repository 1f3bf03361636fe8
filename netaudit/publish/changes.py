"""What changed in a stretch of time: who is new, missing or back, which findings opened and were settled; and that in sentences."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.publish.report_data import DeviceChange
from netaudit.publish.text import harmless, place_name
from netaudit.site.counted import counted

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from netaudit.audit.roster import Roster
    from netaudit.publish.views import FindingView
    from netaudit.site.model import Site
    from netaudit.store.records import Device

# A device that first shows within this time of the store's own beginning is not new, it was there before us.
SETTLING: Final = timedelta(days=1)
_CHANGE_WORDS: Final = {"new": "new", "missing": "missing", "back": "back again"}
# More names than this in one sentence are not read; the tables have them all.
_MOST_NAMES: Final = 5


def changes_of(
    site: Site,
    roster: Roster,
    devices: Sequence[Device],
    findings: Sequence[FindingView],
    during: tuple[datetime, datetime],
) -> tuple[DeviceChange, ...]:
    """
    List who came, went missing or came back in the time from the first moment up to the second, in order.

    Args:      devices all that are known; findings those that are open or were closed in that time.
    """
    since, until = during
    began = begun(devices) or until
    changes = [
        DeviceChange("new", device.first_at, name_of(device, roster, site), device.mac, _segment(device))
        for device in devices
        if since <= device.first_at < until and device.first_at - began > SETTLING
    ]
    for finding in findings:
        if finding.rule != "missing":
            continue
        thing = roster.by_ref.get(finding.place)
        name, segment = place_name(finding.place, site), thing.segment if thing else ""
        if since <= finding.opened_at < until:
            changes.append(DeviceChange("missing", finding.opened_at, name, "", segment, finding.text))
        if finding.closed_at is not None and not finding.merged and since <= finding.closed_at < until:
            changes.append(DeviceChange("back", finding.closed_at, name, "", segment))
    return tuple(sorted(changes, key=lambda change: change.at))


def change_words(
    site: Site, changes: Sequence[DeviceChange], findings: Sequence[FindingView], during: tuple[datetime, datetime]
) -> list[str]:
    """Say such changes, and the findings that were opened and settled, in a few sentences; none when there are none."""
    since, until = during
    said: list[str] = []
    for change, words in _CHANGE_WORDS.items():
        found = [one for one in changes if one.change == change]
        if found:
            said.append(f"{counted(len(found), 'device is', 'devices are')} {words}{_which(found, site)}.")
    opened = sum(since <= finding.opened_at < until for finding in findings)
    settled = sum(finding.closed_at is not None and not finding.merged for finding in findings)
    if opened:
        said.append(f"{counted(opened, 'finding was', 'findings were')} opened.")
    if settled:
        said.append(f"{counted(settled, 'finding was', 'findings were')} settled.")
    return said


def begun(devices: Iterable[Device]) -> datetime | None:
    """Give when the first of these devices was seen for the first time: so long ago the watch began."""
    return min((device.first_at for device in devices), default=None)


def name_of(device: Device, roster: Roster, site: Site) -> str:
    """Give the best name of a device: the plan's, else the latest that it gave itself, else none."""
    thing = roster.recognise(device.mac, (one.address for one in device.addresses))
    if thing is not None:
        return place_name(thing.ref, site)
    names = device.spoken_names
    return names[0].name if names else ""


def _which(changes: list[DeviceChange], site: Site) -> str:
    """Name a few devices that have names; of many or nameless ones say where most of them are."""
    names = [harmless(one.name, 48) for one in changes if one.name]
    if len(names) == len(changes) <= _MOST_NAMES:
        return f": {', '.join(names)}"
    segments = Counter(one.segment for one in changes if one.segment)
    if not segments:
        return ""
    segment, count = segments.most_common(1)[0]
    where = place_name(f"segment:{segment}", site)
    if count == len(changes):
        return f", on {where}" if count == 1 else f", all on {where}"
    return f", most on {where}" if count * 2 > len(changes) else f", on {len(segments)} networks"


def _segment(device: Device) -> str:
    return device.addresses[0].segment if device.addresses else ""
