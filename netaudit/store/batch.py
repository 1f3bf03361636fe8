"""One transaction's worth of observations, turned into rows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Table, bindparam, delete, update

from netaudit.observe.observation import Health, Naming, Notice, Observation, Sample, Sighting
from netaudit.store import schema
from netaudit.store.key import DAY_S, MAX_SERIES, SERIES_BITS, index_of
from netaudit.store.mark import note_late
from netaudit.store.memory import Line, Memory, Seen, State, words_of
from netaudit.store.stay import Stay, Tolerance
from netaudit.store.unit import quantum_of
from netaudit.store.upsert import next_rev, put_samples, upsert

if TYPE_CHECKING:
    from collections.abc import Collection

# Ends of intervals, latest attempts and repeated notices are written together and seldom: such a write touches a few
# pages however many rows it changes, and the seven minutes of them (these, and two for the commit) that a crash may
# lose change no judgement.
SAVE_EVERY_S: Final = 300
USES_EVERY_S: Final = 3600
# Everything heard is hostile: who sends frames from a million invented MACs must not fill the disk. Four times the
# 4,093 hosts of a /20; and what one device may say of itself (a phone takes some ten IPv6 addresses a week).
MAX_DEVICES: Final = 16_384
MAX_OF_ONE: Final = 256
MAX_NOTICES: Final = 10_000
MAX_SOURCES: Final = 1_000
# A DNS name has at most 255 octets (RFC 1035, 2.3.4); a notice quotes a few fields of one frame of at most 1,500; places
# and reasons are ours and short.
MAX_WORD: Final = 255
MAX_DETAIL: Final = 4_096
# Further ahead of the box's own clock than this is a wrong clock; keeping it would stop the roll-ups at that moment.
AHEAD_S: Final = 3600
# A sample that waited longer than this for its commit came late: the jobs that went past its moment go back to it.
LATE_S: Final = 180
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(slots=True)
class Tally:
    """What became of the observations of one batch."""

    written: int = 0
    refused: int = 0
    too_old: int = 0


class Batch:
    """
    The rows of one transaction. `memory` is changed as it goes: throw it away if the transaction is.

    Args:      oldest_s: samples from before this moment are refused, their hour was rolled up and pruned.
    """

    def __init__(
        self, connection: Connection, memory: Memory, *, site: int, now_s: int, tolerance: Tolerance, oldest_s: int
    ) -> None:
        self._connection = connection
        self._memory = memory
        self._site = site
        self._now_s = now_s
        self._tolerance = tolerance
        self._oldest_s = oldest_s
        self._rev = 0
        self.tally = Tally()

    def take(self, observations: Collection[Observation]) -> None:
        """Write the observations, each kind in its tables; what is out of bounds is counted and passed over."""
        self._samples([one for one in observations if type(one) is Sample])
        others: list[tuple[int, Observation]] = []
        for one in observations:
            if type(one) is Sample:
                continue
            if one.at.tzinfo is None or (at := int(one.at.timestamp())) > self._now_s + AHEAD_S or at < 0:
                self.tally.refused += 1
            else:
                others.append((at, one))
        others.sort(key=lambda pair: pair[0])
        ended: list[Stay] = []
        for at, one in others:
            match one:
                case Sighting():
                    kept = self._sighting(one, at, ended)
                case Naming():
                    kept = self._naming(one, at)
                case Notice():
                    kept = self._notice(one, at)
                case Health():
                    kept = self._health(one, at)
                case _:
                    kept = False
            self.tally.written += kept
            self.tally.refused += not kept
        self._keep_ended(ended)

    def save(self, *, last: bool = False) -> None:
        """Write what is only written every few minutes, if they have passed or if this is the last batch."""
        memory = self._memory
        if last or not 0 <= self._now_s - memory.saved_at < SAVE_EVERY_S:
            memory.saved_at = self._now_s
            self._save_stays()
            self._save_health()
        if last or not 0 <= self._now_s - memory.uses_saved_at < USES_EVERY_S:
            memory.uses_saved_at = self._now_s
            self._save_uses()

    # -- samples

    def _samples(self, samples: list[Sample]) -> None:
        """Turn samples into rows. The one loop that runs for every sample: what it does is done once, and in place."""
        kept: dict[int, float | None] = {}
        series, oldest, newest = self._memory.series, self._oldest_s, self._now_s + AHEAD_S
        refused = too_old = 0
        for sample in samples:
            moment, value = sample.at, sample.value
            if moment.tzinfo is None or (value is not None and not isfinite(value)):
                refused += 1
                continue
            # What int(timestamp()) gives, in less than half its time.
            since = moment - _EPOCH
            at = since.days * DAY_S + since.seconds
            if not oldest <= at <= newest:
                too_old += at < oldest
                refused += at > newest
                continue
            line = series.get((sample.place, sample.kind)) or self._new_series(sample)
            if line is None:
                refused += 1
                continue
            number, quantum = line
            if value is not None and quantum:
                value = round(value / quantum)
            kept[at << SERIES_BITS | number] = value
        self.tally.refused += refused
        self.tally.too_old += too_old
        self.tally.written += len(samples) - refused - too_old
        if not kept:
            return
        put_samples(self._connection, self._site, kept)
        earliest = index_of(min(kept))
        if earliest < self._now_s - LATE_S:
            note_late(self._connection, self._site, "samples", earliest)

    def _new_series(self, sample: Sample) -> Line | None:
        memory = self._memory
        too_long = len(sample.place) > MAX_WORD or len(sample.kind) > MAX_WORD
        if memory.next_series > MAX_SERIES or too_long:
            return None
        line = Line(memory.next_series, quantum_of(sample.kind))
        self._put(
            schema.series,
            (),
            [{"id": line.number, "place": _clean(sample.place), "kind": _clean(sample.kind), "quantum": line.quantum}],
        )
        memory.next_series += 1
        memory.series[sample.place, sample.kind] = line
        return line

    # -- devices, their addresses, names and presence

    def _device(self, mac: str, at: int) -> int | None:
        memory = self._memory
        number = memory.devices.get(mac)
        if number is None:
            if len(memory.devices) >= MAX_DEVICES or len(mac) > MAX_WORD:
                return None
            number = memory.next_device
            self._put(schema.devices, (), [{"id": number, "mac": _clean(mac), "first_at": at}])
            memory.next_device += 1
            memory.devices[mac] = number
        return number

    def _sighting(self, one: Sighting, at: int, ended: list[Stay]) -> bool:
        device = self._device(one.mac, at)
        if device is None or len(one.segment) > MAX_WORD:
            return False
        over, began = self._memory.stays.sight(one.mac, one.segment, at, self._tolerance(one.mac))
        if over is not None:
            ended.append(over)
        if began:
            self._put(
                schema.present,
                ("since", "until", "rev"),
                [{"device": device, "segment": one.segment, "since": at, "until": at}],
            )
            self._memory.stays.put(Stay(one.mac, one.segment, at, at, at))
        if one.address is None:
            return True
        known = self._memory.addresses.get((device, one.segment, one.address))
        if known is not None:
            if at > known.last_at:
                self._memory.addresses[device, one.segment, one.address] = replace(known, last_at=at)
            return True
        count = self._memory.addresses_of.get(device, 0)
        if count >= MAX_OF_ONE or len(one.address) > MAX_WORD:
            return False
        row = {"device": device, "segment": one.segment, "address": one.address, "how": str(one.how)}
        self._put(schema.addresses, (), [{**row, "first_at": at, "last_at": at}])
        self._memory.addresses[device, one.segment, one.address] = Seen(0, at, at, 1, at)
        self._memory.addresses_of[device] = count + 1
        return True

    def _naming(self, one: Naming, at: int) -> bool:
        name = _clean(one.name)
        if not name or len(name) > MAX_WORD:
            return False
        device = self._device(one.mac, at)
        if device is None:
            return False
        key = (device, name, str(one.origin))
        known = self._memory.names.get(key)
        if known is not None:
            if at > known.last_at:
                self._memory.names[key] = replace(known, last_at=at)
            return True
        count = self._memory.names_of.get(device, 0)
        if count >= MAX_OF_ONE:
            return False
        row = {"device": device, "name": name, "origin": str(one.origin), "first_at": at, "last_at": at}
        self._put(schema.names, (), [row])
        self._memory.names[key] = Seen(0, at, at, 1, at)
        self._memory.names_of[device] = count + 1
        return True

    def _keep_ended(self, ended: list[Stay]) -> None:
        rows = [
            {"site": self._site, "until": stay.until, "device": device, "segment": stay.segment, "since": stay.since}
            for stay in ended
            if (device := self._memory.devices.get(stay.mac)) is not None
        ]
        if rows:
            statement = upsert(self._connection.dialect.name, schema.presence, ())
            self._connection.execute(statement, rows)
            note_late(self._connection, self._site, "presence", min(stay.until for stay in ended))

    def _save_stays(self) -> None:
        memory = self._memory
        over = memory.stays.end(self._now_s, self._tolerance)
        self._keep_ended(over)
        here = schema.present.c
        for stay in over:
            self._connection.execute(
                delete(schema.present).where(
                    here.site == self._site, here.device == memory.devices[stay.mac], here.segment == stay.segment
                )
            )
        gone = [{"id": memory.devices[stay.mac], "last_at": stay.until} for stay in over]
        self._change(schema.devices, ("id",), ("last_at",), gone)
        unsaved = memory.stays.unsaved()
        rows = [
            {"device": memory.devices[stay.mac], "segment": stay.segment, "since": stay.since, "until": stay.until}
            for stay in unsaved
        ]
        self._put(schema.present, ("since", "until", "rev"), rows)
        for stay in unsaved:
            memory.stays.put(replace(stay, saved_until=stay.until))

    # -- notices and health

    def _notice(self, one: Notice, at: int) -> bool:
        memory = self._memory
        detail = _clean(words_of(one.detail))
        if len(detail) > MAX_DETAIL or len(one.place) > MAX_WORD or len(one.kind) > MAX_WORD:
            return False
        key = (one.kind, one.place, detail)
        known = memory.notices.get(key)
        if known is not None:
            memory.notices[key] = replace(known, last_at=max(at, known.last_at), times=known.times + 1)
            return True
        if len(memory.notices) >= MAX_NOTICES:
            return False
        row = {"id": memory.next_notice, "place": _clean(one.place), "kind": _clean(one.kind), "detail": detail}
        self._put(schema.notices, (), [{**row, "first_at": at, "last_at": at, "times": 1}])
        memory.notices[key] = Seen(memory.next_notice, at, at, 1, at)
        memory.next_notice += 1
        return True

    def _health(self, one: Health, at: int) -> bool:
        memory = self._memory
        source, reason = _clean(one.source), _clean(one.reason)[:MAX_WORD]
        known = memory.health.get(source)
        if known is not None and at < known.until:
            return True
        if known is not None and known.good == one.good:
            memory.health[source] = replace(known, until=at, reason=reason)
            return True
        if len(source) > MAX_WORD or (known is None and len(memory.health) >= MAX_SOURCES):
            return False
        changed = [] if known is None else [(source, known)]
        memory.health[source] = State(one.good, reason, at, at, at)
        self._put_health([*changed, (source, memory.health[source])])
        return True

    def _save_health(self) -> None:
        unsaved = [(source, state) for source, state in self._memory.health.items() if state.until != state.saved_until]
        self._put_health(unsaved)
        for source, state in unsaved:
            self._memory.health[source] = replace(state, saved_until=state.until)

    def _put_health(self, states: list[tuple[str, State]]) -> None:
        rows = [
            {"source": source, "since": state.since, "until": state.until, "good": state.good, "reason": state.reason}
            for source, state in states
        ]
        self._put(schema.health, ("until", "good", "reason", "rev"), rows)

    def _save_uses(self) -> None:
        memory = self._memory
        self._save_last_uses(schema.addresses, ("device", "segment", "address"), memory.addresses)
        self._save_last_uses(schema.names, ("device", "name", "origin"), memory.names)
        told_again = [(key, seen) for key, seen in memory.notices.items() if seen.last_at != seen.saved_at]
        rows = [{"id": seen.id, "last_at": seen.last_at, "times": seen.times} for _, seen in told_again]
        self._change(schema.notices, ("id",), ("last_at", "times"), rows)
        for key, seen in told_again:
            memory.notices[key] = replace(seen, saved_at=seen.last_at)

    def _save_last_uses(self, table: Table, words: tuple[str, ...], uses: dict[tuple[int, str, str], Seen]) -> None:
        unsaved = [(key, seen) for key, seen in uses.items() if seen.last_at != seen.saved_at]
        rows = [{**dict(zip(words, key, strict=True)), "last_at": seen.last_at} for key, seen in unsaved]
        self._change(table, words, ("last_at",), rows)
        for key, seen in unsaved:
            uses[key] = replace(seen, saved_at=seen.last_at)

    # -- rows

    def _put(self, table: Table, changes: tuple[str, ...], rows: list[dict[str, Any]]) -> None:
        if rows:
            common = {"site": self._site, "rev": self._revision()}
            statement = upsert(self._connection.dialect.name, table, changes)
            self._connection.execute(statement, [{**row, **common} for row in rows])

    def _change(self, table: Table, keys: tuple[str, ...], values: tuple[str, ...], rows: list[dict[str, Any]]) -> None:
        if not rows:
            return
        statement = update(table).where(table.c.site == self._site)
        for key in keys:
            statement = statement.where(table.c[key] == bindparam(f"key_{key}"))
        statement = statement.values({value: bindparam(f"to_{value}") for value in values} | {"rev": self._revision()})
        self._connection.execute(
            statement,
            [
                {f"key_{key}": row[key] for key in keys} | {f"to_{value}": row[value] for value in values}
                for row in rows
            ],
        )

    def _revision(self) -> int:
        if not self._rev:
            self._rev = next_rev(self._connection, self._site)
        return self._rev


def _clean(word: str) -> str:
    # PostgreSQL keeps no NUL, and no database keeps half a surrogate pair; both come off the wire.
    return word.replace("\0", "").encode("utf-8", "replace").decode("utf-8")
