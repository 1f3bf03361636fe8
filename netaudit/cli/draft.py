"""`netaudit draft`: a first plan, from a few answers, from captures, or from one look around."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol, TypeVar

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator
    from ipaddress import IPv4Network
    from pathlib import Path

    from netaudit.site.draft import Draft, Seen

T = TypeVar("T")
# flag -> kind of device and how it is asked for
_COUNTS = {
    "phones": ("phone", "telephones in pockets"),
    "laptops": ("laptop", "portable computers"),
    "desktops": ("desktop", "computers on a cable"),
    "televisions": ("wired_television", "televisions on a cable"),
    "cameras": ("camera", "cameras on a cable"),
    "gadgets": ("plug", "switched plugs, lights and other small things"),
}


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "draft",
        description="Write a first plan to be edited: from answers (asked on a terminal, else from the flags), from captures,\n"
        "or from one ARP sweep. Every guess is marked as one in a comment.",
        epilog='example: netaudit draft --name "Weir Cottage" --network 192.168.20.0/24 --rooms kitchen,hall --phones 4',
    )
    parser.add_argument(
        "--from", dest="captures", metavar="FILE", nargs="+", help="capture files: who was heard in them"
    )
    parser.add_argument(
        "--sweep", metavar=("INTERFACE", "NETWORK"), nargs=2, help="ask each address once; needs rights"
    )
    parser.add_argument("--name", help="what people call the place")
    parser.add_argument("--network", help="its IPv4 network (192.168.20.0/24)")
    parser.add_argument("--rooms", help="its rooms, with commas between")
    for flag, (_, words) in _COUNTS.items():
        parser.add_argument(f"--{flag}", type=int, metavar="N", help=f"how many {words}")
    parser.add_argument("--write", metavar="FILE", help="where to write the plan; standard output when left out")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Draft, check, write."""
    import sys
    from pathlib import Path

    from netaudit.cli.output import speak_utf8
    from netaudit.errors import PlanError
    from netaudit.site.load import parse_site
    from netaudit.site.write import plan_text

    if args.captures and args.sweep:
        raise PlanError("--from and --sweep are two ways to begin; write one of them")
    if args.write is not None and Path(args.write).exists():
        raise PlanError("is there already and a draft overwrites nothing; name another file", file=args.write)
    draft = _draft(args, sys.stdin.isatty())
    head = "A first plan, to be edited: lines that begin with a guess are just that. Then: netaudit check, netaudit dimension."
    text = plan_text(draft.raw, head=head, comments=draft.comments)
    parse_site(text, args.write or "draft")
    if args.write is None:
        speak_utf8()
        sys.stdout.write(text)
        return 0
    _write(Path(args.write), text)
    print(f"wrote {args.write}; now: netaudit check {args.write}, then netaudit dimension {args.write}")
    return 0


def _write(path: Path, text: str) -> None:
    """Write a plan that is not there yet, whole or not at all."""
    from netaudit.errors import PlanError

    made = False
    try:
        with path.open("x", encoding="utf-8") as file:
            made = True
            file.write(text)
    except OSError as error:
        if made:
            path.unlink(missing_ok=True)
        raise PlanError(f"can't be written: {error.strerror or error}", file=str(path)) from error


def _draft(args: argparse.Namespace, terminal: bool) -> Draft:  # noqa: FBT001 - whether anybody can be asked
    from netaudit.site.draft import Answers, draft_from_answers, draft_from_sight

    network = None if args.network is None else _network(args.network)
    if args.captures:
        return draft_from_sight(args.name or "site", _heard(args.captures), () if network is None else (network,))
    if args.sweep:
        interface, swept = args.sweep
        draft = draft_from_sight(args.name or "site", _swept(interface, _network(swept)), (_network(swept),))
        next(iter(draft.raw["segment"].values()))["interface"] = interface
        return draft
    ask = _asker(terminal)
    name = args.name or ask("What do people call the place?", "site", str)
    network = network or ask("Which network shall it have?", "192.168.20.0/24", _network)
    rooms = args.rooms or ask("Its rooms, with commas between?", "room", str)
    counts = {
        kind: value if value is not None else ask(f"How many {words}?", "0", _counter(words))
        for flag, (kind, words) in _COUNTS.items()
        for value in (getattr(args, flag),)
    }
    return draft_from_answers(Answers(name, network, tuple(room for room in rooms.split(",") if room), counts))


class _Asker(Protocol):
    def __call__(self, question: str, usual: str, read: Callable[[str], T]) -> T: ...


def _asker(terminal: bool) -> _Asker:  # noqa: FBT001 - as above
    """Ask on a terminal, again after a slip; elsewhere take the answer that stands in brackets: no script ever waits."""
    import sys

    from netaudit.errors import PlanError

    def ask(question: str, usual: str, read: Callable[[str], T]) -> T:
        while terminal:
            try:
                return read(input(f"{question} [{usual}] ").strip() or usual)
            except EOFError:
                break
            except PlanError as error:
                sys.stderr.write(f"{error}\n")
        return read(usual)

    return ask


def _counter(words: str) -> Callable[[str], int]:
    from netaudit.errors import PlanError

    def count(answer: str) -> int:
        if not answer.isdecimal():
            raise PlanError(f'"{answer}" is no number of {words}; write 0 or more')
        return int(answer)

    return count


def _network(written: str) -> IPv4Network:
    from ipaddress import IPv4Network

    from netaudit.errors import PlanError

    try:
        return IPv4Network(written)
    except ValueError as error:
        raise PlanError(f'"{written}" is no IPv4 network; write one such as 192.168.20.0/24') from error


def _heard(files: list[str]) -> list[Seen]:
    """Take the census of captures."""
    from netaudit.observe.census_document import describe
    from netaudit.observe.census_file import take_census

    return list(_seen(describe(take_census(files))))


def _seen(document: dict[str, Any]) -> Iterator[Seen]:
    from ipaddress import IPv4Address, ip_address

    from netaudit.site.draft import Seen

    for device in document["devices"]:
        if device["impossible"]:
            continue
        addresses = [ip_address(one["address"]) for one in device["addresses"]]
        vlans = [int(one.removeprefix("vlan ")) for one in device["heard_on"] if one.startswith("vlan ")]
        kind = device["kind"] or {"word": None, "evidence": []}
        yield Seen(
            mac=device["mac"],
            addresses=tuple(dict.fromkeys(one for one in addresses if isinstance(one, IPv4Address))),
            names=tuple(dict.fromkeys(one["name"] for one in device["names"])),
            word=kind["word"],
            evidence=", ".join(kind["evidence"]),
            made_up=device["randomised"],
            vlan=vlans[0] if len(vlans) == len(device["heard_on"]) == 1 else None,
            vendor=device["vendor"],
        )


def _swept(interface: str, network: IPv4Network) -> list[Seen]:
    """Look around once, politely; the box's own way out, else the first address of the network, is the router."""
    import asyncio
    import sys
    from ipaddress import IPv4Address
    from pathlib import Path

    from netaudit.observe.permitted import check_network
    from netaudit.observe.rights import need_raw
    from netaudit.observe.route import gateway_of
    from netaudit.observe.sweep import sweep
    from netaudit.site.draft import Seen
    from netaudit.wire.oui import is_randomised, vendor

    need_raw()
    check_network(network)
    sys.stderr.write(f"asking each address of {network} ...\n")
    result = asyncio.run(sweep(interface, network, segment="home"))
    found: dict[str, list[IPv4Address]] = {}
    for sighting in result.sightings:
        if sighting.address is not None:
            found.setdefault(sighting.mac, []).append(IPv4Address(sighting.address))
    routes = Path("/proc/net/route").read_text(encoding="ascii")
    router = gateway_of(interface, routes) or network[1]
    return [
        Seen(
            mac,
            tuple(addresses),
            word="router" if router in addresses else None,
            made_up=is_randomised(octets),
            vendor=vendor(octets),
        )
        for mac, addresses in found.items()
        for octets in (bytes.fromhex(mac.replace(":", "")),)
    ]
