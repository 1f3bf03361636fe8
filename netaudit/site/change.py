"""What-if: the plan's data with a few devices more or one thing less, without touching the file."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

from netaudit.errors import PlanError
from netaudit.site.load import with_profiles

if TYPE_CHECKING:
    from collections.abc import Iterable

_ADDED: Final = re.compile(r"(?:(?P<count>\d+):)?(?P<kind>[^:@\s]+)(?:@(?P<place>[^:@\s]+))?")
# Tables whose rows a plan can do without; order is that in which a bare name is looked for.
_REMOVABLE: Final = ("device", "access_point", "switch", "drop", "injector", "recorder", "backup")


def add_devices(raw: dict[str, Any], wish: str) -> dict[str, Any]:
    """
    Add devices as `COUNT:KIND@PLACE` says; count is 1 when left out, place is a room, closet or access point.

    Raises:    PlanError: not of that form, no such kind, no such place.
    """
    match = _ADDED.fullmatch(wish)
    if match is None:
        raise PlanError(f'--add "{wish}" can\'t be read; write COUNT:KIND@PLACE, such as 6:camera@yard')
    kind, place = match["kind"], match["place"]
    profiles = with_profiles(raw)["profile"]
    if kind not in profiles:
        raise PlanError(f'--add: "{kind}" is no kind of device; write one of {", ".join(sorted(profiles))}')
    device: dict[str, Any] = {"kind": kind, "count": int(match["count"] or 1)}
    if len(raw.get("segment", {})) > 1:
        device["segment"] = _segment_of_kind(raw, kind)
    if place is not None:
        wireless = profiles[kind].get("link") == "wifi"
        if place in raw.get("room", {}) or place in raw.get("closet", {}):
            device["at"] = place
        elif wireless and place in raw.get("access_point", {}):
            device["access_points"] = [place]
        elif not wireless and place in raw.get("switch", {}):
            device["switch"] = place
        else:
            raise PlanError(
                f'--add: "{place}" is no room, closet or {"access point" if wireless else "switch"} of the plan'
            )
    devices = raw.get("device", {})
    name = next(name for number in range(1, len(devices) + 2) if (name := f"added-{number}") not in devices)
    return {**raw, "device": {**devices, name: device}}


def _segment_of_kind(raw: dict[str, Any], kind: str) -> str:
    """Put a new device where its kind already lives, else on the first segment."""
    first: str = next(iter(raw["segment"]))
    for device in raw.get("device", {}).values():
        if device.get("kind") == kind:
            return str(device.get("segment", first))
    return first


def remove(raw: dict[str, Any], name: str) -> dict[str, Any]:
    """
    Leave out one thing, named bare or with its table (`switch:barn`), and the drops and injectors that feed only it.

    Raises:    PlanError: nothing has that name.
    """
    table, _, bare = name.rpartition(":")
    tables = (table,) if table else _REMOVABLE
    for one in tables:
        if one in _REMOVABLE and bare in raw.get(one, {}):
            return _without(raw, one, bare)
    raise PlanError(f'--without: "{name}" is not in the plan; write the name of a {", ".join(_REMOVABLE)}')


def _without(raw: dict[str, Any], table: str, name: str) -> dict[str, Any]:
    ref = f"{table}:{name}"
    changed = {**raw, table: _less(raw[table], (name,))}
    if "injector" in changed:
        changed["injector"] = {key: row for key, row in changed["injector"].items() if row.get("feeds") != ref}
    # The cable stays in the wall: it becomes a spare.
    users = [("drop", "feeds", ref)]
    # What named it falls back to the plan's defaults.
    users += [(owner, table, name) for owner in ("device", "access_point", "recorder")]
    users += [("switch", "uplink", ref), ("switch", "uplink_drop", name)] if table in ("switch", "drop") else []
    for owner, field, used in users:
        if owner in changed:
            changed[owner] = {
                key: _less(row, (field,)) if row.get(field) == used else row for key, row in changed[owner].items()
            }
    if table == "access_point" and "device" in changed:
        changed["device"] = {key: _unlisted(row, "access_points", name) for key, row in changed["device"].items()}
    if "backup" in changed:
        carried = {key: _unlisted(row, "feeds", ref) for key, row in changed["backup"].items()}
        changed["backup"] = {key: row for key, row in carried.items() if row.get("feeds") != []}
    return changed


def _unlisted(row: dict[str, Any], field: str, name: str) -> dict[str, Any]:
    return {**row, field: [one for one in row[field] if one != name]} if name in row.get(field, ()) else row


def _less(row: dict[str, Any], keys: Iterable[str]) -> dict[str, Any]:
    return {key: value for key, value in row.items() if key not in keys}
