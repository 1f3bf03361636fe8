"""The plan with the numbers of devices that are really there, so that what the air must carry now can be reckoned from it."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from netaudit.capacity import radio
from netaudit.capacity.line import Kind

if TYPE_CHECKING:
    from netaudit.audit.seen import Seen
    from netaudit.site.model import Device, Site


def as_seen(site: Site, seen: Seen) -> Site:
    """
    Give the plan with each group of devices as large as it was seen to be; groups that are away are left out.

    Those without a name are shared among the groups of their segment whose devices have none, as large as these are planned.
    """
    counted = Counter(one.thing.group for one in seen.present if one.thing is not None)
    strangers = Counter(one.segment for one in seen.present if one.thing is None)
    unnamed = {name: _unnamed(device) for name, device in site.device.items()}
    segment_of = seen.roster.topology.segment_of
    places: Counter[str] = Counter()
    for name, number in unnamed.items():
        places[segment_of[name]] += number
    devices: dict[str, Device] = {}
    for name, device in site.device.items():
        segment = segment_of[name]
        count: float = counted[f"device:{name}"]
        if unnamed[name]:
            count += strangers[segment] * unnamed[name] / places[segment]
        if count > 0:
            # A share of a device is meant: half a telephone is a telephone that is here half as likely.
            devices[name] = device.model_copy(update={"count": count})
    return site.model_copy(update={"device": devices})


def predict_airtime(site: Site, seen: Seen) -> dict[str, float]:
    """Reckon the busy share of each radio and channel, by place, from the devices that were seen."""
    verdict = radio.judge(as_seen(site, seen))
    return {line.place: line.planned for line in verdict.lines if line.kind is Kind.AIRTIME}


def _unnamed(device: Device) -> int:
    return 0 if device.address is not None else max(device.count - len(device.mac), 0)
