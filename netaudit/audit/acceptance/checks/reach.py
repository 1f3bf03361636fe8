"""What can be reached: other segments only as planned, the recorder, the world outside."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.acceptance.check import Check, failed, passed, untested
from netaudit.audit.acceptance.confidence import share_claim
from netaudit.audit.rules.rule import named
from netaudit.site.counted import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.acceptance.check import Item, Trial


def judge_isolation(trial: Trial) -> Iterator[Item]:
    """Ask for each pair of segments whether the hosts that the plan names were reached as it says, and only then."""
    through: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
    silent: Counter[tuple[str, str]] = Counter()
    for notice in (*trial.told(vocabulary.ISOLATION_BREACH), *trial.told(vocabulary.REACH_MISSING)):
        detail, source = dict(notice.detail), notice.place.removeprefix("segment:")
        if notice.kind == vocabulary.ISOLATION_BREACH:
            through[source, detail.get("segment", "")].add(
                f"{named(detail.get('target', '?'))} by {detail.get('by', '?')}"
            )
        else:
            silent[source, detail.get("target", "")] += 1
    for name, segment in trial.site.segment.items():
        rounds = len(trial.answered(f"segment:{name}", vocabulary.ISOLATION_BREACHES))
        for other in trial.site.segment:
            if other == name:
                continue
            place, hosts = f"segment:{name}->{other}", _hosts(trial, other)
            asked, tries = counted(len(hosts), "host"), counted(rounds, "round")
            if through[name, other]:
                yield failed(
                    place,
                    f"network {name} reaches {', '.join(sorted(through[name, other])[:3])}, which the plan forbids",
                    "Add the router's rule that keeps them apart; look for a port or network name in the wrong VLAN.",
                )
            elif not rounds or not hosts:
                yield untested(
                    place,
                    "no host that the plan names there was seen" if not hosts else "nobody tried",
                    "Name hosts under [isolation] in the plan, and look from a box that is on both networks.",
                )
            elif other not in segment.may_reach:
                yield passed(place, f"none of {asked} was reached in {tries}; closed as planned")
            elif all(silent[name, host] >= rounds for host in hosts):
                yield failed(
                    place,
                    f"none of {asked} on network {other} was reached in {tries}, which the plan allows",
                    "Add the router's rule that lets them through.",
                )
            else:
                yield passed(place, f"{asked} tried in {tries}; open as planned")


def _hosts(trial: Trial, segment: str) -> list[str]:
    """Give the hosts on a segment that the plan names for trying, and that are there: the silence of others says nothing."""
    things = (trial.roster.by_ref.get(ref) for ref in trial.site.isolation.hosts)
    return [
        thing.ref for thing in things if thing is not None and thing.segment == segment and thing.ref in trial.found
    ]


def judge_recorder(trial: Trial) -> Iterator[Item]:
    """Ask whether each recorder answers echoes."""
    for name in trial.site.recorder:
        place = f"recorder:{name}"
        echoes = [
            value for mac in trial.found.get(place, ()) for value in trial.values(f"device:{mac}", vocabulary.RTT_S)
        ]
        answered = sum(value is not None for value in echoes)
        if place in trial.missing:
            yield untested(place, "it was not seen")
        elif not echoes:
            yield untested(place, "nobody asked it")
        elif answered:
            yield passed(place, f"{answered} of {len(echoes)} echoes answered")
        else:
            yield failed(place, f"none of {len(echoes)} echoes answered", "See that it runs and is allowed to answer.")


def judge_outside(trial: Trial) -> Iterator[Item]:
    """Ask whether any of the hosts that the plan names outside took a connection, at the last try too."""
    tried = trial.answered("link:wan", vocabulary.OUTSIDE_SHARE)
    if not tried:
        yield untested("link:wan", "nobody tried", "Name a host under [outside] in the plan, so that it can be tried.")
        return
    lost = sum(share == 0 for share in tried)
    claim = share_claim(lost, len(tried), 0.5)
    said = f"{len(tried) - lost} of {len(tried)} tries answered; at most {100 * (claim.high or 1):.0f} % fail, with 95 % confidence"
    if tried[-1] > 0:
        yield passed("link:wan", said)
    else:
        yield failed("link:wan", said, "Look at the line and its modem; ask who provides it.")


ISOLATION: Final = Check(
    "isolation", "Does each network reach only what it may?", "the plan's may_reach", judge_isolation
)
RECORDER: Final = Check("recorder", "Does the recorder answer?", "the plan's recorders; RFC 792 echo", judge_recorder)
OUTSIDE: Final = Check("outside", "Does the world outside answer?", "the hosts that the plan names", judge_outside)
