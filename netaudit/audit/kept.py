"""What the store kept, as evidence: so that a baseline, a cutover or an acceptance test can rest on a watch that went on anyway."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.audit.acceptance.evidence import freeze
from netaudit.observe.observation import Health, How, Naming, Notice, Sample, Sighting

if TYPE_CHECKING:
    from datetime import datetime

    from netaudit.audit.acceptance.evidence import Evidence
    from netaudit.observe.observation import Observation
    from netaudit.store.store import Store

_HOWS = frozenset(how.value for how in How)


def _how(word: str) -> How:
    """Read the way in which something was noticed; what an older program wrote under another word was heard somehow."""
    return How(word) if word in _HOWS else How.HEARD


def evidence_from(store: Store, since: datetime, until: datetime, *, numbers: bool = True) -> Evidence:
    """
    Read from the store what was seen in [since, until): an hour or so of samples, or a day of a small site.

    Args:      numbers: the samples too; who only asks who is there is spared nearly all of the reading without them.
    Raises:    StoreError: the store can't be read.
    """
    seen: list[Observation] = []
    here: set[str] = set()
    for stay in store.presence(since, until):
        here.add(stay.mac)
        seen.append(Sighting(min(stay.until, until), stay.segment, stay.mac, None, How.HEARD))
    for device in store.devices(until):
        if device.mac not in here:
            continue
        seen += [
            Sighting(min(one.last_at, until), one.segment, device.mac, one.address, _how(one.how))
            for one in device.addresses
            if one.last_at >= since
        ]
        seen += [Naming(min(name.last_at, until), device.mac, name.name, _how(name.origin)) for name in device.names]
    for (place, kind), readings in (store.series_all(since, until) if numbers else {}).items():
        seen += [Sample(one.at, place, kind, one.value) for one in readings]
    for heard in store.notices(since, until):
        at = min(max(heard.last_at, since), until)
        seen.append(Notice(at, heard.place, heard.kind, heard.detail))
    for condition in store.health():
        if condition.until >= since:
            seen.append(Health(min(condition.until, until), condition.source, condition.good, condition.reason))
    return freeze(seen, since, until)
