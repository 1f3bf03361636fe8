"""Every ledger line beside what was observed of it, or beside nothing when nobody looked. Pure."""

from __future__ import annotations

from ipaddress import IPv4Address
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.predict import predict_airtime
from netaudit.audit.standing import Observed, Standing
from netaudit.audit.stations import SHARE
from netaudit.capacity.addresses import pool_of
from netaudit.capacity.line import Kind

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from netaudit.audit.seen import Seen
    from netaudit.capacity.ledger import Ledger
    from netaudit.capacity.line import Line
    from netaudit.site.model import Site

    Look = Callable[[Line, Seen], Observed | None]

# A measured value older than this says nothing of now: three rounds of the slowest regular look (300 s).
FRESH_S: Final = 900.0


def stand(site: Site, ledger: Ledger, seen: Seen) -> tuple[Standing, ...]:
    """Put every line of the ledger beside what was observed, in the ledger's order."""
    air = _air(site, ledger, seen)
    return tuple(
        Standing(line, air[line.place] if line.kind is Kind.AIRTIME else _observe(site, line, seen))
        for line in ledger.lines
    )


def _air(site: Site, ledger: Ledger, seen: Seen) -> dict[str, Observed | None]:
    """Take what the radios announce; what they don't, predict from the devices (the dearest step, so only when needed)."""
    lines = [line for line in ledger.lines if line.kind is Kind.AIRTIME]
    air = {line.place: _announced(site, line, seen) for line in lines}
    if seen.present and None in air.values():
        predicted = predict_airtime(site, seen)
        air.update({place: _airtime(place, seen, predicted) for place, found in air.items() if found is None})
    return air


def _observe(site: Site, line: Line, seen: Seen) -> Observed | None:
    if line.kind is Kind.RECORDING:
        return _kept(site, line, seen)
    if line.kind is Kind.ADDRESSES:
        return _leased(site, line, seen)
    look = LOOKS.get(line.kind)
    return look(line, seen) if look else None


def _measured(line: Line, seen: Seen, kind: str, evidence: str, place: str = "") -> Observed | None:
    """Take a series in the line's own unit, at the line's own place if no other is named."""
    series = seen.series.get((place or line.place, kind))
    latest = series.latest if series is not None else None
    if series is None or latest is None or latest.value is None:
        return None
    if (seen.at - latest.at).total_seconds() > FRESH_S:
        return None
    return Observed(latest.value, series.p95, latest.at, evidence)


def _stations(line: Line, seen: Seen) -> Observed | None:
    for (point, band), count in seen.stations.items():
        if line.place == f"radio:{point}/{band}":
            # A share of nobody, because nobody looked, is no count.
            if count.evidence == SHARE and not seen.looked:
                return None
            announced = seen.series.get((line.place, vocabulary.STATIONS))
            return Observed(count.count, announced.p95 if announced else None, count.at, count.evidence)
    return None


def _segment(line: Line) -> str:
    return line.place.removeprefix("segment:")


def _device_count(line: Line, seen: Seen) -> Observed | None:
    segment = _segment(line)
    if segment not in seen.looked:
        return None
    return Observed(len(seen.counted_on(segment)), None, seen.looked[segment].until, "devices heard on the segment")


def _leased(site: Site, line: Line, seen: Seen) -> Observed | None:
    segment = _segment(line)
    if segment not in seen.looked:
        return None
    first, last = pool_of(site.segment[segment])
    used = sum(first <= IPv4Address(address) <= last for address in seen.addresses[segment])
    return Observed(used, None, seen.looked[segment].until, "addresses of the pool heard within the lease time")


def _kept(site: Site, line: Line, seen: Seen) -> Observed | None:
    """
    Turn how far back a recorder's full disks reach into the space that the wanted time would take.

    Time kept is a supply and the line asks for a demand: space x (time wanted / time kept).
    """
    recorder = site.recorder.get(line.place.removeprefix("recorder:"))
    kept = _measured(line, seen, vocabulary.KEPT_S, "how far back its full disks reach")
    if recorder is None or kept is None or kept.latest <= 0:
        return None
    return Observed(line.supply * recorder.retention_s / kept.latest, None, kept.at, kept.evidence)


def _announced(site: Site, line: Line, seen: Seen) -> Observed | None:
    """Take the busy share that the radio announces; of a channel, that of the radio that hears the most of it."""
    told = "busy share announced by the radio (BSS Load)"
    if line.place.startswith("radio:"):
        return _measured(line, seen, vocabulary.BUSY_SHARE, told)
    heard = [
        one
        for name, point in site.access_point.items()
        for radio in point.radio
        if line.place == f"channel:{radio.band}/{radio.channel}"
        and (one := _measured(line, seen, vocabulary.BUSY_SHARE, told, f"radio:{name}/{radio.band}")) is not None
    ]
    return max(heard, key=lambda one: one.latest, default=None)


def _airtime(place: str, seen: Seen, predicted: Mapping[str, float]) -> Observed | None:
    share = predicted.get(place)
    return None if share is None else Observed(share, None, seen.at, "predicted from the devices heard")


LOOKS: Final[Mapping[Kind, Look]] = {
    Kind.STATIONS: _stations,
    Kind.DEVICE_COUNT: _device_count,
    Kind.LINK_UP: lambda line, seen: _measured(line, seen, vocabulary.UP_BPS, "counters of the port"),
    Kind.LINK_DOWN: lambda line, seen: _measured(line, seen, vocabulary.DOWN_BPS, "counters of the port"),
    Kind.ROUTED: lambda line, seen: _measured(line, seen, vocabulary.ROUTED_BPS, "counters of the router"),
    Kind.POWER: lambda line, seen: _measured(line, seen, vocabulary.POWER_W, "measured by the switch"),
    Kind.PORTS: lambda line, seen: _measured(line, seen, vocabulary.PORTS_UP, "ports with a link"),
    Kind.WRITE: lambda line, seen: _measured(line, seen, vocabulary.WRITE_BPS, "told by the recorder"),
}
