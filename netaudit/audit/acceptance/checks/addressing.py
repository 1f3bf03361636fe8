"""Addresses: each used once, leased by one server from its pool, fixed ones where the plan has them; names lead to them."""

from __future__ import annotations

from collections import defaultdict
from ipaddress import IPv4Address
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.acceptance import words
from netaudit.audit.acceptance.check import Check, failed, passed, untested
from netaudit.audit.acceptance.checks.presence import known_as
from netaudit.audit.roster import gateway_of
from netaudit.site.topology import ROUTER

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from netaudit.audit.acceptance.check import Item, Trial


def judge_duplicates(trial: Trial) -> Iterator[Item]:
    """Ask whether two devices claimed one address; a sweep asks for every address, so it would have seen them."""
    clashing: defaultdict[str, list[str]] = defaultdict(list)
    for notice in trial.told(vocabulary.ADDRESS_CONFLICT):
        address = dict(notice.detail).get("address", "?")
        if address not in clashing[notice.place]:
            clashing[notice.place].append(address)
    for name in trial.site.segment:
        place = f"segment:{name}"
        for address in clashing.get(place, ()):
            yield failed(
                f"address:{address}",
                f"claimed on network {name} by {' and '.join(sorted(trial.rivals[address]))}",
                "Find both; give one another address, or let the router lease it one.",
            )
        if place in clashing:
            continue
        if name in trial.looked:
            yield passed(place, f"each address of {trial.site.segment[name].network} was asked; none answered twice")
        else:
            yield untested(place, "nobody looked")


def _servers(trial: Trial, segment: str) -> dict[str, list[Mapping[str, str]]]:
    found: defaultdict[str, list[Mapping[str, str]]] = defaultdict(list)
    for notice in trial.told(vocabulary.DHCP_SERVER):
        detail = dict(notice.detail)
        if notice.place == f"segment:{segment}" and detail.get("server"):
            found[detail["server"]].append(detail)
    return dict(found)


def _own(trial: Trial, segment: str) -> str | None:
    """Name the server that belongs here: the router if it leases, else the only one that does; none where none is planned."""
    if not trial.site.segment[segment].dhcp:
        return None
    found = _servers(trial, segment)
    router = str(gateway_of(trial.site.segment[segment]))
    return router if router in found else next(iter(found)) if len(found) == 1 else None


def judge_servers(trial: Trial) -> Iterator[Item]:
    """Ask whether exactly one DHCP server answered on each segment, and none where the plan has none."""
    asked = {one.source for one in trial.evidence.health if one.good}
    for name, segment in trial.site.segment.items():
        place, found = f"segment:{name}", _servers(trial, name)
        listed = ", ".join(f"{server} ({offers[0].get('mac', '?')})" for server, offers in sorted(found.items()))
        if found and not segment.dhcp:
            yield failed(
                place,
                f"a DHCP server answers where none is planned: {listed}",
                "Find it and switch its server off; if it is meant to lease, take `dhcp = false` out of the plan.",
            )
        elif len(found) > 1:
            yield failed(
                place,
                f"{len(found)} DHCP servers answer: {listed}",
                "Find the one that doesn't belong, often a router plugged in the wrong way round; switch its server off.",
            )
        elif found:
            yield passed(place, f"{next(iter(found))} answers, and no other")
        elif f"dhcp:{name}" in asked and not segment.dhcp:
            yield passed(place, "no DHCP server answers, and none is planned")
        elif f"dhcp:{name}" in asked:
            yield failed(
                place,
                "no DHCP server answers",
                "Switch on the router's DHCP server for it; where all addresses are fixed on purpose, write `dhcp = false`.",
            )
        else:
            yield untested(place, "nobody asked for an address")


def judge_pools(trial: Trial) -> Iterator[Item]:
    """Ask whether what is offered and leased lies in the pool, where the plan states one."""
    for name, segment in trial.site.segment.items():
        if segment.pool is None:
            continue
        first, last = segment.pool
        place, own = f"segment:{name}", _own(trial, name)
        offered = sorted({one["address"] for one in _servers(trial, name).get(own or "", ()) if "address" in one})
        leased = [
            (thing, address)
            for mac, thing in sorted(trial.things.items(), key=lambda pair: pair[1].ref)
            # The router gives itself its addresses.
            if thing.address is None and thing.group != ROUTER and thing.ref not in trial.displaced
            for address in trial.addresses.get((mac, name), ())[:1]
            if address not in trial.rivals and IPv4Address(address) in segment.network
        ]
        wrong = [one for one in offered if not first <= IPv4Address(one) <= last]
        for address in wrong:
            yield failed(
                place,
                f"{own} offers {address}, outside of {first} to {last}",
                "Set the server's pool as the plan has it.",
            )
        outside = [(thing, one) for thing, one in leased if not first <= IPv4Address(one) <= last]
        for thing, stray in outside:
            yield failed(
                thing.ref,
                f"has {stray}, outside of the pool and not fixed in the plan",
                "Let it take a lease, or write its fixed address into the plan.",
            )
        if not wrong and not outside:
            if offered or leased:
                yield passed(place, f"offered {len(offered)}, leased {len(leased)}: all in {first} to {last}")
            else:
                yield untested(place, "no offer and no leased address was seen")


def judge_fixed(trial: Trial) -> Iterator[Item]:
    """Ask whether each fixed address is where the plan has it, and is neither taken nor offered elsewhere."""
    offers = {
        detail["address"]: server
        for name in trial.site.segment
        for server, said in _servers(trial, name).items()
        if server == _own(trial, name)
        for detail in said
        if "address" in detail
    }
    holders: defaultdict[str, set[str]] = defaultdict(set)
    for (mac, _), owned in trial.addresses.items():
        for current in owned[:1]:
            holders[current].add(mac)
    for thing in trial.roster.things:
        address = thing.address
        if address is None or thing.ref.endswith("/gateway"):
            continue
        mine = set(trial.found.get(thing.ref, ()))
        thieves = sorted(holders[address] - mine)
        held = [one for mac in sorted(mine) for one in trial.addresses.get((mac, thing.segment), ())]
        if address in trial.rivals or thing.ref in trial.displaced:
            yield untested(thing.ref, f"{address}: explained by another check")
        elif thieves:
            yield failed(
                thing.ref,
                f"{address}, fixed for {known_as(thing)}, is used by {', '.join(thieves)}",
                "Give the other device another address; keep fixed addresses out of the pool.",
            )
        elif address in offers:
            yield failed(
                thing.ref,
                f"{offers[address]} offers {address}, which is fixed for {known_as(thing)}",
                "Reserve the address in the server, or take it out of the pool.",
            )
        elif not mine:
            if thing.watched:
                yield untested(thing.ref, f"{address}: it was not seen")
        elif address in held[:1]:
            yield passed(thing.ref, f"has {address}")
        else:
            yield failed(
                thing.ref,
                f"has {', '.join(held) or 'no address'}, planned {address}",
                "Set its address or reservation as the plan has it.",
            )


def judge_names(trial: Trial) -> Iterator[Item]:
    """Ask whether each planned name leads to its device. The last answer counts."""
    answers = {one.place: dict(one.detail).get("address", "") for one in trial.told(vocabulary.RESOLVED)}
    asked = trial.values(words.RESOLVER, words.DNS_S)
    silent = bool(asked) and all(value is None for value in asked)
    if silent:
        yield failed(
            words.RESOLVER,
            f"{trial.site.services.resolver} gave no answer to {len(asked)} questions",
            "See that the site's resolver runs, and that it is the one that the plan names.",
        )
    for thing in trial.roster.things:
        if thing.hostname is None:
            continue
        macs = trial.found.get(thing.ref, ())
        right = (
            {thing.address}
            if thing.address
            else {one for mac in macs for one in trial.addresses.get((mac, thing.segment), ())}
        )
        if thing.ref not in answers:
            yield untested(thing.ref, f"{'no answer' if silent else 'nobody asked'} for {thing.hostname}")
        elif not right or thing.ref in trial.displaced:
            yield untested(
                thing.ref, f"where {thing.hostname} should lead isn't known, as {known_as(thing)} was not seen"
            )
        elif answers[thing.ref] in right:
            yield passed(thing.ref, f"{thing.hostname} leads to {answers[thing.ref]}")
        else:
            yield failed(
                thing.ref,
                f"{thing.hostname} leads to {answers[thing.ref] or 'nothing'}, not to {', '.join(sorted(right))}",
                "Enter the name in the site's resolver; see that the router hands out that resolver and no other.",
            )


DUPLICATES: Final = Check(
    "duplicates", "Has each device its own address?", "RFC 5227, 2.4: an address belongs to one host", judge_duplicates
)
DHCP: Final = Check(
    "dhcp",
    "Does one server lease addresses, where one should?",
    "RFC 2131: the servers of a network must agree",
    judge_servers,
)
POOLS: Final = Check("pools", "Are leases in their pool?", "the plan's pools", judge_pools)
FIXED: Final = Check("fixed", "Are fixed addresses where the plan has them?", "the plan's addresses", judge_fixed)
NAMES: Final = Check("names", "Do names lead to the right devices?", "the plan's host names; RFC 1035", judge_names)
