"""The store of one site: what everyone else uses. Each method is one call into the module that knows the subject."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Self

from sqlalchemy import Connection, Engine, insert, select

from netaudit.errors import StoreError
from netaudit.store import documents, findings, outbox, read, schema, spans
from netaudit.store.engine import address_of, connect, shown, writing
from netaudit.store.forget import forget, mac_of
from netaudit.store.migrate import migrate
from netaudit.store.moment import moment, seconds
from netaudit.store.retain import Keep, prune
from netaudit.store.rollup import roll_up
from netaudit.store.stay import Tolerance, usual_tolerance
from netaudit.store.trouble import told
from netaudit.store.write import Counters, Writer

if TYPE_CHECKING:
    from pathlib import Path
    from types import TracebackType

    from netaudit.observe.observation import Observation
    from netaudit.store.findings import Evidence, Finding
    from netaudit.store.outbox import Letter, Waiting
    from netaudit.store.records import Condition, Device, Document, Heard, Interval, Reading, Rollup, Summary

Clock = Callable[[], datetime]


class Store:
    """
    Everything kept of one site, in one SQLite file or in a PostgreSQL that holds many sites.

    Open it with `Store.open`. It may be used from several threads; one process at a time should write. Readers see what
    was flushed, and before that what only goes on with it: later times and attempts, and in `series_all` the samples.
    Every method raises StoreError, with a line that says what to do, when the database fails.
    """

    def __init__(self, engine: Engine, site: int, *, name: str, clock: Clock, keep: Keep, writer: Writer) -> None:
        self._engine = engine
        self._site = site
        self._clock = clock
        self._writer = writer
        self._took_in = False
        self.site = name
        self.keep = keep

    @classmethod
    def open(
        cls,
        url_or_path: str | Path,
        *,
        site: str,
        clock: Clock,
        tolerance: Tolerance = usual_tolerance,
        keep: Keep | None = None,
    ) -> Self:
        """
        Open a store, making it or bringing it to this program's schema first.

        Args:      url_or_path: a file, or `postgresql://user@host/database`; site: the site's name in the plan;
                   clock: gives the aware present; tolerance: the gap in sightings [s] that a device's presence survives,
                   by MAC; keep: how long what is kept.
        Raises:    StoreError: it can't be opened, is of another program or site, or was written by a newer netaudit.
        """
        keep = keep or Keep()
        url = address_of(url_or_path)
        with told(shown(url)):
            engine = connect(url)
            try:
                migrate(engine)
                number = _site_number(engine, site)
            except BaseException:
                engine.dispose()
                raise
        # A day before the end of what is kept raw: so the day of every sample that is let in is still there whole.
        writer = Writer(engine, site=number, tolerance=tolerance, keep_raw=timedelta(days=keep.raw - 1))
        return cls(engine, number, name=site, clock=clock, keep=keep, writer=writer)

    def close(self) -> None:
        """
        Keep what waits, with exact ends of all intervals, and let go of the database.

        Who only read writes nothing: the intervals are another process's, that of the daemon beside us.
        """
        try:
            if self._took_in:
                self._writer.flush(self._clock(), last=True)
        finally:
            self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def now(self) -> datetime:
        """Give the present, by the clock that the store was opened with."""
        return self._clock()

    # -- writing

    @property
    def counters(self) -> Counters:
        """What became of the observations since the store was opened."""
        return self._writer.counters

    def write(self, observations: Iterable[Observation]) -> None:
        """Take observations in; the next flush keeps them. Touches no disk."""
        self._took_in = True
        self._writer.write(observations)

    def waiting(self) -> int:
        """Give the number of observations that no flush has kept yet."""
        return self._writer.waiting()

    def due(self, now: datetime) -> bool:
        """Say whether it is time to flush. Asking this before each flush keeps commits a minute or two apart."""
        return self._writer.due(now)

    def has_news(self) -> bool:
        """Say whether something waits that only a flush shows to readers: a device, an address, a name, a word, a change."""
        return self._writer.has_news()

    def flush(self, now: datetime) -> int:
        """Keep what waits, now, in one transaction; gives their number. On StoreError they go on waiting."""
        return self._writer.flush(now)

    def rollup(self, now: datetime) -> int:
        """Roll up the hours and days that are over; gives the number of roll-ups written."""
        return roll_up(self._engine, self._site, seconds(now))

    def prune(self, now: datetime) -> dict[str, int]:
        """Let go of what is older than `keep` says; gives the rows removed by table."""
        return prune(self._engine, self._site, seconds(now), self.keep)

    def forget(self, mac: str) -> dict[str, int]:
        """Remove a device, its MAC in any spelling, from everywhere; gives the rows removed or changed by table."""
        return forget(self._engine, self._site, mac_of(mac), seconds(self._clock()))

    def ship(self, centre: str, now: datetime) -> dict[str, int]:
        """Send what is new to the PostgreSQL that holds many sites; gives the rows sent by table."""
        from netaudit.store.ship import ship  # noqa: PLC0415 - a box that ships nothing needs none of it

        return ship(self._engine, centre, site=self._site, name=self.site, now_s=seconds(now))

    # -- devices

    def devices(self, now: datetime) -> list[Device]:
        """List all devices first seen by `now`, with their addresses and names, ordered by MAC."""
        with self._reading() as connection:
            known = read.devices(connection, self._site)
        ends: dict[str, datetime] = {}
        for stay in self._writer.stays():
            ends[stay.mac] = max(moment(stay.until), ends.get(stay.mac, moment(stay.until)))
        return [read.with_end(device, ends.get(device.mac)) for device in known if device.first_at <= now]

    def present(self, now: datetime, within: timedelta) -> list[Interval]:
        """List the intervals of the devices that were seen between `now - within` and `now`, ordered by MAC."""
        return [
            stay
            for stay in sorted(self.presence(now - within, now + timedelta(seconds=1)), key=lambda stay: stay.mac)
            if stay.until >= now - within
        ]

    def presence(self, since: datetime, until: datetime, mac: str | None = None) -> list[Interval]:
        """Give the intervals of presence that touch [since, until), of all devices or of one, by beginning."""
        with self._reading() as connection:
            return read.intervals(
                connection, self._site, since=since, until=until, mac=mac, growing=self._writer.stays()
            )

    def last_stays(self, since: datetime) -> list[Interval]:
        """Give of each device and segment the last interval, if it reaches beyond `since`; ordered by MAC."""
        with self._reading() as connection:
            return spans.last_stays(connection, self._site, since, self._writer.stays())

    # -- numbers

    def latest(self, place: str, kind: str) -> Reading | None:
        """Give the latest sample of a series, if it has one of the last day."""
        with self._reading() as connection:
            return read.latest(connection, self._site, place=place, kind=kind, now=self._clock())

    def latest_all(self, now: datetime, within: timedelta) -> dict[tuple[str, str], Reading]:
        """Give the latest sample of each series that has one within this time, by (place, kind)."""
        with self._reading() as connection:
            return read.latest_all(connection, self._site, now, within)

    def series_all(self, since: datetime, until: datetime) -> dict[tuple[str, str], list[Reading]]:
        """Give the raw samples of all series in [since, until), oldest first, by (place, kind): an hour or so, and what waits."""
        waits = self._writer.readings(since, until)
        with self._reading() as connection:
            return spans.series_all(connection, self._site, since, until, waits)

    def series(self, place: str, kind: str, since: datetime, until: datetime) -> list[Reading]:
        """Give the raw samples of a series in [since, until), oldest first."""
        with self._reading() as connection:
            return read.series(connection, self._site, place=place, kind=kind, since=since, until=until)

    def places(self, kind: str) -> list[str]:
        """List the places that have samples of this kind."""
        with self._reading() as connection:
            return read.places(connection, self._site, kind)

    def hours(self, place: str, kind: str, since: datetime, until: datetime) -> list[Rollup]:
        """Give the hours of a series that begin in [since, until), oldest first."""
        with self._reading() as connection:
            return read.rollups(connection, self._site, step="hourly", since=since, until=until, place=place, kind=kind)

    def days(self, place: str, kind: str, since: datetime, until: datetime) -> list[Rollup]:
        """Give the UTC days of a series that begin in [since, until), oldest first."""
        with self._reading() as connection:
            return read.rollups(connection, self._site, step="daily", since=since, until=until, place=place, kind=kind)

    def summaries(self, kind: str, since: datetime, until: datetime, step: str = "hourly") -> list[Summary]:
        """Take [since, until) together for each series of this kind, from its hours or days, ordered by place."""
        with self._reading() as connection:
            return read.summaries(connection, self._site, step=step, since=since, until=until, kind=kind)

    def weeks(self, kind: str, since: datetime, until: datetime) -> dict[datetime, list[Summary]]:
        """Take each seven days from `since` on together for each series of this kind: a year's trend."""
        with self._reading() as connection:
            return read.weeks(connection, self._site, since, until, kind)

    # -- words

    def notices(self, since: datetime, until: datetime, kind: str | None = None) -> list[Heard]:
        """Give what collectors said in the span that is no number, latest first."""
        with self._reading() as connection:
            return read.notices(connection, self._site, since, until, kind, repeated=self._writer.repeated(connection))

    def knows_repeats(self) -> bool:
        """Say whether this store writes the site, and so knows up to now when a notice was told last; the tables know it late."""
        with self._reading() as connection:
            return self._writer.knows_repeats(connection)

    def health(self) -> list[Condition]:
        """Give for each source how it does since its last change, ordered by name."""
        # First: what is then committed is kept, and later than this; the other way round, it would be neither.
        newer = self._writer.latest_attempts()
        with self._reading() as connection:
            kept = read.conditions(connection, self._site)
        return [read.with_attempt(one, newer.get(one.source)) for one in kept]

    # -- findings

    def open_findings(self) -> list[Finding]:
        """List the open findings, oldest first."""
        with self._reading() as connection:
            return findings.open_ones(connection, self._site)

    def closed_findings(self, since: datetime, until: datetime) -> list[Finding]:
        """List the findings that were closed in [since, until), oldest first."""
        with self._reading() as connection:
            return findings.closed_ones(connection, self._site, since, until)

    def save_finding(
        self, *, key: str, rule: str, place: str, text: str, evidence: Evidence, at: datetime
    ) -> tuple[Finding, bool]:
        """Open a finding or update the open one with this key; gives it and whether it was opened just now."""
        with self._writing() as connection:
            return findings.save(
                connection, self._site, key=key, rule=rule, place=place, text=text, evidence=evidence, at=at
            )

    def close_finding(self, key: str, at: datetime) -> Finding | None:
        """Close the open finding with this key; None if there is none."""
        with self._writing() as connection:
            return findings.close(connection, self._site, key, at)

    def acknowledge_finding(self, key: str, at: datetime, reason: str) -> Finding:
        """Note that a person has seen the open finding with this key, and what that person wrote."""
        with self._writing() as connection:
            return findings.acknowledge(connection, self._site, key, at, reason)

    def mute_finding(self, key: str, until: datetime, reason: str) -> Finding:
        """Tell nothing of the open finding with this key until then; the reason must be given."""
        with self._writing() as connection:
            return findings.mute(connection, self._site, key, until, reason)

    # -- documents

    def save_baseline(self, name: str, document: str, at: datetime) -> None:
        """Keep a baseline under its name, in the place of an older one."""
        with self._writing() as connection:
            documents.save_named(connection, self._site, schema.baselines, name=name, document=document, at=at)

    def baselines(self) -> list[Document]:
        """Give all baselines, oldest first."""
        return self._documents("baselines")

    def baseline(self, name: str) -> Document | None:
        """Give the baseline of this name; None if there is none."""
        with self._reading() as connection:
            return documents.named(connection, self._site, schema.baselines, name)

    def baseline_names(self) -> list[tuple[str, datetime]]:
        """List the baselines' names and when each was kept, oldest first, without reading them."""
        with self._reading() as connection:
            return documents.names(connection, self._site, schema.baselines)

    def save_certificate(self, document: str, at: datetime) -> str:
        """Keep a certificate; gives the SHA-256 of its text, which is its key."""
        with self._writing() as connection:
            return documents.save_hashed(connection, self._site, schema.certificates, document, at)

    def certificates(self) -> list[Document]:
        """Give all certificates, oldest first."""
        return self._documents("certificates")

    def save_plan(self, document: str, at: datetime) -> str:
        """Keep the site plan that holds from now on; nothing changes while it holds already. Gives its SHA-256."""
        with self._writing() as connection:
            return documents.save_version(connection, self._site, schema.plans, document, at)

    def plan(self) -> Document | None:
        """Give the site plan that holds; None before there was one."""
        with self._reading() as connection:
            return documents.latest(connection, self._site, schema.plans)

    def plans(self) -> list[Document]:
        """Give all versions of the site plan, oldest first."""
        return self._documents("plans")

    # -- outbox

    def put_letter(self, *, key: str, channel: str, body: str, at: datetime, enclosure: str = "") -> bool:
        """Put something to tell in the outbox, with the path of a file to go along; False if it was there already."""
        with self._writing() as connection:
            return outbox.put(connection, self._site, key=key, channel=channel, body=body, enclosure=enclosure, at=at)

    def queued_letters(self, channel: str) -> list[Letter]:
        """List a channel's letters that were neither sent nor given up, oldest first, fifty at most."""
        with self._reading() as connection:
            return outbox.queue(connection, self._site, channel)

    def give_up_letters_except(self, channels: Collection[str], at: datetime) -> int:
        """Give up what waits for other channels than these; gives the number of letters."""
        with self._writing() as connection:
            return outbox.give_up_others(connection, self._site, channels, at)

    def letter_keys(self, channel: str) -> frozenset[str]:
        """Give the keys of all letters that are kept of a channel, sent or not."""
        with self._reading() as connection:
            return outbox.keys(connection, self._site, channel)

    def letters_waiting(self) -> list[Waiting]:
        """List the channels for which letters wait: how many, since when, and what the last attempt said."""
        with self._reading() as connection:
            return outbox.waiting(connection, self._site)

    def letter_sent(self, number: int, at: datetime) -> None:
        """Note that a letter was delivered."""
        with self._writing() as connection:
            outbox.sent(connection, self._site, number, at)

    def letter_failed(self, number: int, trouble: str, again_at: datetime | None, at: datetime) -> None:
        """Note that an attempt failed, and when to try again; None gives the letter up."""
        with self._writing() as connection:
            outbox.failed(connection, self._site, number, trouble=trouble, again_at=again_at, at=at)

    # -- inside

    def _documents(self, table: str) -> list[Document]:
        with self._reading() as connection:
            return documents.documents(connection, self._site, schema.metadata.tables[table])

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with told(shown(self._engine.url)), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with told(shown(self._engine.url)), writing(self._engine) as connection:
            # The same row that the writer takes: two writers of one site wait for each other at the centre too.
            connection.execute(select(schema.sites.c.id).where(schema.sites.c.id == self._site).with_for_update())
            yield connection


def _site_number(engine: Engine, name: str) -> int:
    """Find the site's number, or give it one. One SQLite file is one site's."""
    one = schema.sites.c
    with engine.connect() as connection:
        known = {row.name: row.id for row in connection.execute(select(one.id, one.name))}
    if name in known:
        return int(known[name])
    if known and engine.dialect.name == "sqlite":
        raise StoreError(
            f"{shown(engine.url)}: is the store of the site {next(iter(known))}, not of {name}: name its own"
        )
    number = {"id": schema.ONLY_SITE} if engine.dialect.name == "sqlite" else {}
    with writing(engine) as connection:
        return int(connection.scalar(insert(schema.sites).values(name=name, **number).returning(one.id)) or 0)
