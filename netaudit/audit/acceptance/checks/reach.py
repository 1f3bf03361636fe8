"""What can be reached: other segments only as planned, the recorder, the world outside."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.acceptance import words
from netaudit.audit.acceptance.check import Check, failed, passed, untested
from netaudit.audit.acceptance.confidence import share_claim

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.acceptance.check import Item, Trial


def judge_isolation(trial: Trial) -> Iterator[Item]:
    """Ask for each pair of segments whether what was tried came through as the plan says, and only then."""
    tried: defaultdict[tuple[str, str], dict[str, bool]] = defaultdict(dict)
    for notice in trial.told(words.REACH):
        detail = dict(notice.detail)
        pair = notice.place.removeprefix("segment:"), detail.get("to", "")
        target = detail.get("target", "?")
        tried[pair][target] = tried[pair].get(target, False) or detail.get("reached") == "yes"
    for name, segment in trial.site.segment.items():
        for other in trial.site.segment:
            if other == name:
                continue
            place, open_ = f"segment:{name}->{other}", other in segment.may_reach
            attempts = tried.get((name, other), {})
            through = sorted(target for target, reached in attempts.items() if reached)
            if not attempts:
                yield untested(place, "nobody tried", "Try it from a box on the first segment.")
            elif through and not open_:
                yield failed(
                    place,
                    f"{name} reaches {', '.join(through[:3])} on {other}, which the plan forbids",
                    "Add the router's rule that keeps them apart; look for a port or network name in the wrong VLAN.",
                )
            elif open_ and not through:
                yield failed(
                    place,
                    f"{name} reaches nothing of {len(attempts)} tried on {other}, which the plan allows",
                    "Add the router's rule that lets them through.",
                )
            else:
                yield passed(
                    place,
                    f"{len(through)} of {len(attempts)} tried came through; {'open' if open_ else 'closed'} as planned",
                )


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
    tried = trial.answered("link:wan", words.OUTSIDE_SHARE)
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
    "isolation", "Does each segment reach only what it may?", "the plan's may_reach", judge_isolation
)
RECORDER: Final = Check("recorder", "Does the recorder answer?", "the plan's recorders; RFC 792 echo", judge_recorder)
OUTSIDE: Final = Check("outside", "Does the world outside answer?", "the hosts that the plan names", judge_outside)
