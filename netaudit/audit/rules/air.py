"""What is heard on the air: a radio on another channel, somebody who announces our network's name, too many neighbours."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, named
from netaudit.audit.seen import REPEATS_KEPT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case
    from netaudit.site.model import Band

# A beacon of 300 octets takes 2,592 us at 1 Mb/s and 424 us at 6 Mb/s (IEEE 802.11-2020, 16.2 and 17.3: 192 us and 8 us an octet,
# or 20 us and 101 symbols of 4 us) of each 102.4 ms. That length and these rates: common practice, no source.
BEACON_SHARE: Final[dict[Band, float]] = {"2.4": 2592 / 102_400, "5": 424 / 102_400, "6": 424 / 102_400}
# So much of the ceiling of the air may go on the beacons of others before another channel is worth a try. common practice, no source
OF_THE_CEILING: Final = 0.5
# A finding ends below this part of its limit. common practice, no source
LOWER_MARK: Final = 0.8


def judge_channel(case: Case) -> Iterator[Verdict]:
    """Say which radio announces another channel than the plan gave it. Where the plan leaves the channel out any will do."""
    for name, point in case.site.access_point.items():
        planned: dict[Band, set[int]] = {}
        free: set[Band] = set()
        for radio in point.radio:
            if radio.channel is None:
                free.add(radio.band)
            else:
                planned.setdefault(radio.band, set()).add(radio.channel)
        for band, channels in planned.items():
            place = f"radio:{name}/{band}"
            series = case.seen.series.get((place, vocabulary.CHANNEL))
            latest = series.latest if series is not None else None
            if latest is None or series is None or latest.value is None:
                # Between two times of listening that are far apart nothing changes.
                if case.site.ear and case.is_open("channel_other", place):
                    yield Verdict(place, Mark.BLIND)
            elif band not in free and round(latest.value) not in channels:
                since = next(one.at for one in series.readings if one.value == latest.value)
                wanted = " or ".join(str(channel) for channel in sorted(channels))
                evidence = (("named", named(place)), ("channel", f"{latest.value:.0f}"), ("planned", wanted))
                yield Verdict(place, Mark.HOLDS, "channel", since, evidence)


def judge_name(case: Case) -> Iterator[Verdict]:
    """Say who announces one of our network names and is no access point of the plan."""
    # Where the plan doesn't say what its own radios announce, they can't be told from others.
    if not all(point.bssids for point in case.site.access_point.values()):
        return
    ours = {segment.ssid: name for name, segment in case.site.segment.items() if segment.ssid is not None}
    own = {bssid for point in case.site.access_point.values() for bssid in point.bssids}
    # Gone is who wasn't heard at two times of listening.
    every_s = max((ear.every_s for ear in case.site.ear.values()), default=0.0)
    told: set[str] = set()
    for said in case.seen.told(vocabulary.NEIGHBOUR_NETWORK, REPEATS_KEPT + timedelta(seconds=2 * every_s)):
        detail = dict(said.detail)
        name, bssid = detail.get("name", ""), detail.get("bssid", "")
        if name not in ours or bssid in own or bssid in told:
            continue
        told.add(bssid)
        band, _, channel = said.place.removeprefix("channel:").partition("/")
        evidence = (
            ("bssid", bssid),
            ("name", name),
            ("segment", ours[name]),
            ("channel", f"{channel} ({band} GHz)"),
        )
        yield Verdict(f"device:{bssid}", Mark.HOLDS, "name", said.first_at, evidence)


def judge_neighbours(case: Case) -> Iterator[Verdict]:
    """Say which of our channels is so full of neighbours that their beacons alone fill a good part of it."""
    most = OF_THE_CEILING * case.site.ceilings.airtime
    for (place, kind), series in case.seen.series.items():
        if kind != vocabulary.NEIGHBOUR_NETWORKS or series.latest is None or series.latest.value is None:
            continue
        band, _, channel = place.removeprefix("channel:").partition("/")
        beacon_share = next((share for known, share in BEACON_SHARE.items() if known == band), None)
        radios = _radios_on(case, band, channel)
        if beacon_share is None or not radios:
            continue
        share = series.latest.value * beacon_share
        if share <= LOWER_MARK * most:
            continue
        evidence = (
            ("count", f"{series.latest.value:.0f}"),
            ("channel", f"{channel} ({band} GHz)"),
            ("radios", ", ".join(named(radio) for radio in radios)),
            ("share", f"{share * 100:.0f} %"),
            ("most", f"{most * 100:.0f} %"),
        )
        mark = Mark.HOLDS if share > most else Mark.NEAR
        yield Verdict(place, mark, "neighbours", series.readings[0].at, evidence)


def _radios_on(case: Case, band: str, channel: str) -> list[str]:
    """Give our radios on a channel: as they announce it, or as the plan has it where they weren't heard."""
    found: list[str] = []
    for name, point in case.site.access_point.items():
        for radio in point.radio:
            place = f"radio:{name}/{radio.band}"
            series = case.seen.series.get((place, vocabulary.CHANNEL))
            heard = series.latest.value if series is not None and series.latest is not None else radio.channel
            if radio.band == band and heard is not None and f"{heard:.0f}" == channel and place not in found:
                found.append(place)
    return found


CHANNEL: Final = Rule(
    key="channel_other",
    question="Are the radios on the channels that we planned?",
    limit_source="the plan's channels",
    weight=Weight.SOMETIME,
    words={
        "channel": Words(
            "{named} is on channel {channel}; planned is {planned}",
            "Set it again, or write the new one into the plan: a radio that chooses by itself, or that heard radar, moves.",
        ),
    },
    judge=judge_channel,
)
BORROWED_NAME: Final = Rule(
    key="name_borrowed",
    question="Does anybody else announce our network's name?",
    limit_source="the plan's network names and the bssids of its access points",
    weight=Weight.SOON,
    words={
        "name": Words(
            'A radio that the plan doesn\'t know ({bssid}) announces the name "{name}" of network {segment} on channel {channel}',
            "If it is yours write it into the bssids of its access point; if not, it may be there to catch passwords: find it.",
        ),
    },
    judge=judge_name,
)
NEIGHBOURS: Final = Rule(
    key="neighbours",
    question="Do we share a channel with too many neighbours?",
    limit_source="half of the ceiling of the air, for beacons of 300 octets at the lowest rate: common practice, no source",
    weight=Weight.SOMETIME,
    words={
        "neighbours": Words(
            "{count} networks of others are heard on channel {channel} with {radios}: their beacons may take {share} of its time",
            "Try a channel with fewer of them, or move what can to 5 GHz or to cable; then write the channel into the plan.",
        ),
    },
    judge=judge_neighbours,
)
