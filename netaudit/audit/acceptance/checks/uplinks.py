"""Does each switch hang on the switch, and on the ports, that the plan has? By what its neighbours say, and by whom they have learnt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.audit.acceptance.check import Check, failed, passed, untested
from netaudit.audit.acceptance.last_word import last_wiring
from netaudit.audit.acceptance.sockets import sockets
from netaudit.audit.rules.rule import named
from netaudit.audit.wiring import switch_of
from netaudit.capacity.patching import UPLINK
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.acceptance.check import Item, Trial

PATCH: Final = "Patch it as the schedule has it, or write it into the plan as it is (uplink, snmp.uplink_port)."


@dataclass(frozen=True, slots=True)
class Uplink:
    """
    The link of a switch towards the router, as planned and as found.

    above       what is at its upper end by the plan: "router" or a switch's ref
    own, far    its planned ports on the switch itself and on that above
    own_found   the ports by which the switch reaches it, or at least the router
    far_found   the ports of the switch above behind which it is
    own_direct, far_direct  whether that is the word of the neighbour itself (LLDP), not of a forwarding table
    """

    switch: str
    above: str
    own: frozenset[str]
    far: frozenset[str]
    own_found: frozenset[str]
    far_found: frozenset[str]
    own_direct: bool
    far_direct: bool

    @property
    def own_astray(self) -> bool:
        """Whether the switch reaches what is above it by another port than planned."""
        return bool(self.own_found and self.own) and not self.own_found & self.own

    @property
    def far_astray(self) -> bool:
        """Whether it is behind another port of the switch above than planned."""
        return bool(self.far_found and self.far) and not self.far_found & self.far


def uplinks(trial: Trial) -> dict[str, Uplink]:
    """Give the uplink of each switch of the plan."""
    told = last_wiring(trial)
    planned = sockets(trial)
    found: dict[str, Uplink] = {}
    for name, row in trial.site.switch.items():
        switch, above = f"switch:{name}", row.uplink
        own = frozenset(one.place for one in planned if one.patch.switch == name and one.refs == UPLINK)
        if row.snmp is not None and row.snmp.uplink_port is not None:
            own = frozenset({f"{switch}/port:{row.snmp.uplink_port}"})
        own_found, own_direct = told.places(switch, above)
        if not own_found:
            # Whatever is above, the router is beyond it.
            own_found, own_direct = told.places(switch, ROUTER)[0], False
        far_found, far_direct = told.places(above, switch)
        found[switch] = Uplink(
            switch=switch,
            above=above,
            own=own,
            far=frozenset(one.place for one in planned if switch_of(one.place) == above and one.refs == switch),
            own_found=own_found,
            far_found=far_found,
            own_direct=own_direct,
            far_direct=far_direct,
        )
    return found


def astray(trial: Trial) -> frozenset[str]:
    """Give the planned ports of uplinks that were found on other ports: that these are dark is no second trouble."""
    found = uplinks(trial).values()
    return frozenset(
        place
        for one in found
        for ports, gone in ((one.own, one.own_astray), (one.far, one.far_astray))
        if gone
        for place in ports
    )


def judge_uplinks(trial: Trial) -> Iterator[Item]:
    """Ask of each switch where it hangs."""
    told, links = last_wiring(trial), uplinks(trial)
    above = {switch: one.above for switch, one in links.items()}
    upward = {switch: one.own for switch, one in links.items()}
    for one in links.values():
        place = f"link:{one.switch.replace(':', '/')}"
        wrong = told.astray(one.switch, above, upward)
        if one.switch in trial.missing:
            yield untested(place, f"{named(one.switch)} was not seen")
        elif wrong is not None:
            yield failed(place, f"{named(one.switch)} hangs on {named(wrong)}; the plan has {named(one.above)}", PATCH)
        elif one.far_astray or one.own_astray:
            said = [
                f"{_listed(seen)} leads to {named(whom)}, the schedule has {_listed(wanted)}"
                for gone, seen, wanted, whom in (
                    (one.far_astray, one.far_found, one.far, one.switch),
                    (one.own_astray, one.own_found, one.own, one.above),
                )
                if gone
            ]
            yield failed(place, "; ".join(said), PATCH)
        elif proof := _proof(one):
            yield passed(place, proof)
        else:
            yield untested(place, *_wanting(trial, one))


def _proof(one: Uplink) -> str:
    """
    Say what shows that it hangs as planned; empty when nothing does.

    That a switch has learnt the router on a port shows that the port leads there, not who is next; where the router itself
    is next, nobody else said to be there. That the switch above has learnt it on the port that is its own shows both.
    """
    far = one.far_found & one.far
    own = one.own_found & one.own
    said = []
    if far:
        by = "it says so itself" if one.far_direct else "its address is learnt there"
        said.append(f"{_listed(far)} leads to {named(one.switch)} ({by})")
    if own and (far or one.own_direct or one.above == ROUTER):
        by = "it says so itself" if one.own_direct else "the router is learnt there"
        whom = one.above if one.own_direct else ROUTER
        said.append(f"{_listed(own)} leads to {named(whom)} ({by})")
    return "; ".join(said)


def _wanting(trial: Trial, one: Uplink) -> tuple[str, str]:
    """Say what was not told, and what would make it testable."""
    name = one.switch.removeprefix("switch:")
    if one.own_found & one.own:
        return (
            f"{_listed(one.own_found)} leads to the router; which switch is next nobody told",
            f"Let {named(one.above)} be asked (snmp) or speak LLDP, and give it a mac in the plan.",
        )
    row = trial.site.switch[name]
    parts = []
    if row.snmp is None and not (one.above != ROUTER and trial.site.switch[one.above.removeprefix("switch:")].snmp):
        parts.append(f"ask {named(one.switch)}{'' if one.above == ROUTER else ' or ' + named(one.above)} (snmp)")
    if row.mac is None and one.above != ROUTER:
        parts.append(f"write the mac of {named(one.switch)} into the plan")
    if one.above == ROUTER and not trial.site.router.mac:
        parts.append("write the mac of the router into the plan")
    cure = "; ".join(parts) or "let both switches speak LLDP"
    return "nobody told where it hangs", f"{cure[0].upper()}{cure[1:]}; or look by eye and waive this with your name."


def _listed(places: frozenset[str]) -> str:
    return ", ".join(named(place) for place in sorted(places)[:3])


UPLINKS: Final = Check(
    "uplinks",
    "Does each switch hang where the plan has it?",
    "the plan's uplinks and patch schedule; IEEE 802.1AB neighbours, IEEE 802.1Q forwarding tables",
    judge_uplinks,
)
