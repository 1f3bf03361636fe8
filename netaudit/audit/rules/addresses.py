"""Addresses: two devices with one, a second server that leases them, one outside its plan, a name that leads elsewhere."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime, timedelta
from ipaddress import IPv4Address
from typing import TYPE_CHECKING, Final

from netaudit.audit import vocabulary
from netaudit.audit.roster import gateway_of
from netaudit.audit.rules.rule import Mark, Rule, Verdict, Weight, Words, named

if TYPE_CHECKING:
    from collections.abc import Iterator

    from netaudit.audit.rules.rule import Case

# A conflict shows at each sweep that both answer; three sweeps at the default of 300 s without it and it is over.
CONFLICT_LASTS: Final = timedelta(minutes=15)
# Servers are heard when somebody asks for an address: with leases of a day, that may be hours apart.
SERVER_LASTS: Final = timedelta(hours=12)
# So many names without a way back are the router's habit and told together. common practice, no source
FEWEST_FOR_CAUSE: Final = 3
RESOLVER: Final = "service:resolver"
# Names are asked for once an hour at most; two rounds.
NAME_LASTS: Final = timedelta(hours=2)


def judge_twice(case: Case) -> Iterator[Verdict]:
    """Say which address two devices claim."""
    for said in case.seen.told(vocabulary.ADDRESS_CONFLICT, CONFLICT_LASTS):
        detail = dict(said.detail)
        address = detail.get("address", "?")
        macs = " and ".join(detail.get("macs", "").split()) or "unknown devices"
        evidence = (("address", address), ("macs", macs), ("segment", said.place))
        yield Verdict(f"address:{address}", Mark.HOLDS, "twice", said.first_at, evidence)


def judge_servers(case: Case) -> Iterator[Verdict]:
    """
    Say who leases addresses besides the router, or at all where nobody should.

    A single server that is not the router is somebody's choice, unless the plan has none on the segment.
    """
    servers: defaultdict[str, dict[str, tuple[datetime, str]]] = defaultdict(dict)
    for said in case.seen.told(vocabulary.DHCP_SERVER, SERVER_LASTS):
        detail = dict(said.detail)
        server = detail.get("server", "")
        # Sorted by their first word, so that the same one stays the second when both go on talking.
        if server and (server not in servers[said.place] or said.first_at < servers[said.place][server][0]):
            servers[said.place][server] = (said.first_at, detail.get("mac", ""))
    for place, heard in servers.items():
        name = place.removeprefix("segment:")
        segment = case.site.segment.get(name)
        none_planned = segment is not None and not segment.dhcp
        if len(heard) < 2 and not none_planned:
            continue
        evidence: tuple[tuple[str, str], ...] = (("segment", name),)
        others = set(heard)
        if not none_planned:
            own = str(gateway_of(segment)) if segment else ""
            first = own if own in heard else min(heard, key=lambda server: (heard[server][0], server))
            others.remove(first)
            evidence += (("first", first),)
        listed = ", ".join(f"{server} {heard[server][1]}".strip() for server in sorted(others))
        since = min(heard[server][0] for server in others)
        words = "unplanned" if none_planned else "second"
        yield Verdict(place, Mark.HOLDS, words, since, (*evidence, ("others", listed)))


def judge_place(case: Case) -> Iterator[Verdict]:
    """Say who has another address than the plan gave it, or one that is not of its segment."""
    for one in case.seen.present:
        segment = case.site.segment.get(one.segment)
        if one.address is None or segment is None:
            continue
        thing = one.thing
        planned = thing.address if thing else None
        holder = case.seen.roster.by_address.get(one.address)
        words = ""
        if not any(IPv4Address(address) in segment.network for address in one.addresses):
            words, planned = "outside", str(segment.network)
        elif planned is not None and thing is not None and thing.segment == one.segment:
            words = "" if planned in one.addresses else "other"
        elif thing is None and holder is not None and holder.mac != one.mac:
            words, planned = "taken", named(holder.ref)
        if words:
            evidence = (
                ("named", named(one.place)),
                ("mac", one.mac),
                ("address", one.address),
                ("planned", planned or ""),
                ("segment", one.segment),
            )
            yield Verdict(one.place, Mark.HOLDS, words, one.since, evidence)


def judge_names(case: Case) -> Iterator[Verdict]:
    """Say which planned name leads to another address than the device that has it."""
    latest: set[str] = set()
    for said in case.seen.told(vocabulary.RESOLVED, NAME_LASTS):
        thing = case.seen.roster.by_ref.get(said.place)
        if said.place in latest or thing is None or thing.hostname is None:
            continue
        # Only the latest answer counts, and they come latest first.
        latest.add(said.place)
        answer = dict(said.detail).get("address", "")
        right = {thing.address} if thing.address else {one.address for one in case.seen.present if one.thing is thing}
        right.discard(None)
        if not right:
            yield Verdict(thing.ref, Mark.BLIND)
        elif answer not in right:
            evidence = (
                ("name", thing.hostname),
                ("answer", answer or "nothing"),
                ("right", ", ".join(sorted(one for one in right if one))),
            )
            yield Verdict(thing.ref, Mark.HOLDS, "wrong", said.first_at, evidence)


def judge_back(case: Case) -> Iterator[Verdict]:
    """Say which fixed address doesn't lead back to the name of the device that has it; several without any together."""
    latest: set[str] = set()
    none: list[Verdict] = []
    for said in case.seen.told(vocabulary.RESOLVED_BACK, NAME_LASTS):
        thing = case.seen.roster.by_ref.get(said.place)
        if said.place in latest or thing is None or thing.hostname is None:
            continue
        # Only the latest answer counts, and they come latest first.
        latest.add(said.place)
        detail = dict(said.detail)
        back = detail.get("name", "")
        # An answer about an address that it no longer has in the plan says nothing.
        if detail.get("address") != thing.address or back == thing.hostname.removesuffix(".").lower():
            continue
        evidence = (("address", detail["address"]), ("answer", back or "nothing"), ("right", thing.hostname))
        verdict = Verdict(thing.ref, Mark.HOLDS, "other" if back else "none", said.first_at, evidence)
        if back:
            yield verdict
        else:
            none.append(verdict)
    if len(none) >= FEWEST_FOR_CAUSE or (none and case.is_open("name_back", RESOLVER)):
        listed = ", ".join(sorted(dict(one.evidence)["right"] for one in none))
        began = min(one.since for one in none if one.since is not None)
        yield Verdict(RESOLVER, Mark.HOLDS, "many", began, (("count", str(len(none))), ("names", listed)))
        yield from (Verdict(one.place, Mark.FOLDED) for one in none)
    else:
        yield from none


TWICE: Final = Rule(
    key="address_twice",
    question="Does each device have its own address?",
    limit_source="RFC 5227: an address belongs to one host",
    weight=Weight.NOW,
    words={
        "twice": Words(
            "Two devices use the address {address}: {macs}; both will work badly",
            "Find both; give one another address, or let the router lease it one.",
        ),
    },
    judge=judge_twice,
)
SECOND_SERVER: Final = Rule(
    key="second_dhcp",
    question="Does only one device lease addresses, and none where none should?",
    limit_source="RFC 2131: a segment's servers must agree; two that don't know each other can't; the plan, where it has no DHCP",
    weight=Weight.NOW,
    words={
        "second": Words(
            "A second device leases addresses on network {segment}: {others}, besides {first}",
            "Find it, often a router plugged in the wrong way round, and switch off its DHCP server.",
        ),
        "unplanned": Words(
            "A device leases addresses on network {segment}, where the plan has no DHCP: {others}",
            "Find it and switch off its DHCP server; if it is meant to lease, take `dhcp = false` out of the plan.",
        ),
    },
    judge=judge_servers,
)
PLACE: Final = Rule(
    key="address_plan",
    question="Has each device the address that the plan gave it?",
    limit_source="the plan's addresses and networks",
    weight=Weight.SOMETIME,
    words={
        "outside": Words(
            "{named} has the address {address}, which is not of network {segment} ({planned})",
            "Look at its settings; it may have a fixed address from an earlier network.",
        ),
        "other": Words(
            "{named} has the address {address}; the plan gave it {planned}",
            "Set its address or reservation again, or write the new one into the plan.",
        ),
        "taken": Words(
            "A device that the plan doesn't know ({mac}) has the address {address} of {planned}",
            "Find out whose it is; if a device was replaced, write its new MAC into the plan.",
        ),
    },
    judge=judge_place,
)
NAMES: Final = Rule(
    key="name_wrong",
    question="Do names lead to the right devices?",
    limit_source="the plan's host names",
    weight=Weight.SOMETIME,
    words={
        "wrong": Words(
            "The name {name} leads to {answer} and should lead to {right}",
            "Correct the name in the router or the name server.",
        ),
    },
    judge=judge_names,
)
NAMES_BACK: Final = Rule(
    key="name_back",
    question="Do addresses lead back to the right names?",
    limit_source="RFC 1912, 2.1: for each address a name that leads back to it",
    weight=Weight.SOMETIME,
    words={
        "other": Words(
            "The address {address} leads back to the name {answer}; its device is {right}",
            "Correct the name in the router or the name server: an old device may still have its entry.",
        ),
        "none": Words(
            "The address {address} leads back to no name; its device is {right}",
            "Give the device its name in the router or the name server as well, so that logs can show it.",
        ),
        "many": Words(
            "{count} fixed addresses lead back to no name: {names}",
            "See whether the router or the name server can answer for addresses; if it can't, acknowledge this.",
        ),
    },
    judge=judge_back,
)
