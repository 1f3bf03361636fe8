"""`netaudit census FILE...`: who is on the network, from what a capture heard."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

    from rich.console import Console
    from rich.text import Text

    from netaudit.observe.census_file import FileRead
    from netaudit.observe.census_sort import FrameSorter


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "census",
        description="Say who is on the network, from capture files: devices, addresses, names, servers, neighbours,\n"
        "radios, and what is wrong. Nothing is sent. Status 1: something is wrong; 2: a file can't be read.",
        epilog="example: netaudit census demo-output/captures/wired.pcap --site demo-output/site.toml",
    )
    parser.add_argument("files", metavar="FILE", nargs="+", help="pcap or pcapng, plain or gzip; - is standard input")
    parser.add_argument("--site", metavar="SITE", help="the site plan: name what is planned, list missing and unknown")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Read the files, take the census, print it."""
    import json
    import sys
    from dataclasses import asdict

    from netaudit.errors import CaptureError
    from netaudit.observe.census import Census
    from netaudit.observe.census_document import describe, has_findings
    from netaudit.observe.census_sort import FrameSorter

    plan = None
    if args.site is not None:
        from netaudit.observe.census_site import expected
        from netaudit.site.load import load_site

        plan = expected(load_site(args.site))
    census = Census()
    sorter = FrameSorter(census)
    files: list[dict[str, Any]] = []
    refused: list[str] = []
    for name in args.files:
        try:
            files.append(asdict(_read(sorter, name)))
        except CaptureError as error:
            # One bad file among many must not cost the others; it is told at once and in the end by the status.
            refused.append(str(error))
            sys.stderr.write(f"netaudit census: {error}\n")
    sorter.settle()
    document = describe(census, files, plan)
    document["faults"]["refused"] = refused
    if args.json:
        # ASCII, so that no character of a stranger's text reaches the terminal as itself.
        print(json.dumps(document, indent=1))
    elif files:
        _print(document)
    if refused:
        return 2
    return 1 if has_findings(document) else 0


def _read(sorter: FrameSorter, name: str) -> FileRead:
    import sys
    from pathlib import Path

    from netaudit.errors import CaptureError
    from netaudit.observe.census_file import read_capture

    if name == "-":
        return read_capture(sorter, sys.stdin.buffer, "standard input")
    try:
        with Path(name).open("rb") as stream, _progress(stream, name) as on_chunk:
            return read_capture(sorter, stream, name, on_chunk)
    except OSError as error:
        raise CaptureError(f"{name}: {error.strerror or error}") from error


def _progress(stream: IO[bytes], name: str) -> AbstractContextManager[Callable[[], None]]:
    """Show on a terminal's standard error how much of a file is read; elsewhere nothing."""
    from contextlib import contextmanager

    from rich.console import Console
    from rich.markup import escape
    from rich.progress import Progress

    from netaudit.publish.text import harmless

    @contextmanager
    def shown() -> Iterator[Callable[[], None]]:
        console = Console(stderr=True)
        size = stream.seek(0, 2) if stream.seekable() else None
        if stream.seekable():
            stream.seek(0)
        with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
            task = progress.add_task(escape(harmless(name)), total=size)
            yield lambda: progress.update(task, completed=stream.tell() if size is not None else 0)

    return shown()


def _print(document: dict[str, Any]) -> None:
    """Print the census as tables for people."""
    from netaudit.cli.output import console
    from netaudit.site.counted import counted

    out = console()
    frames = counted(document["frames"], "frame")
    out.print(f"{frames}, {_moment(document['first'])} to {_moment(document['last'])} (UTC)")
    _print_table(out, "Devices", _devices(document))
    if any(device["randomised"] for device in document["devices"]):
        out.print("* a made-up address (randomised, virtual or set by hand): it has no maker", markup=False)
    _print_table(out, "DHCP servers", _servers(document))
    _print_table(out, "IPv6 routers", _routers(document))
    _print_table(out, "Neighbours (LLDP)", _neighbours(document))
    _print_table(out, "Radios", _radios(document))
    _print_table(out, "To everybody", _traffic(document))
    wrong = list(_wrongs(document))
    out.print()
    out.print("Wrong:" if wrong else "Nothing wrong was heard." if document["frames"] else "Nothing was heard at all.")
    for line in wrong:
        out.print(f"- {line}", markup=False)


def _moment(iso: str | None) -> str:
    return "?" if iso is None else iso[:19].replace("T", " ")


def _print_table(out: Console, title: str, rows: list[dict[str, object]]) -> None:
    """Print rows as a table, without the columns in which nobody has anything."""
    from rich import box
    from rich.table import Table

    if not rows:
        return
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    columns = [column for column in rows[0] if any(row[column] not in (None, "", []) for row in rows)]
    for column in columns:
        is_number = all(isinstance(row[column], int | float | None) for row in rows)
        table.add_column(
            column, justify="right" if is_number else "left", overflow="fold", no_wrap=column in ("MAC", "BSSID")
        )
    for row in rows:
        # As text, not markup: each cell is a stranger's until proven otherwise.
        table.add_row(*(_cell(row[column]) for column in columns))
    out.print()
    out.print(table)


def _cell(value: object) -> Text:
    """Make a cell: a stranger's text is no markup, and has no lines but those that we put between its parts."""
    from rich.text import Text

    from netaudit.publish.text import harmless

    parts = value if isinstance(value, list) else [value]
    return Text("\n".join(harmless(str(part)) for part in parts if part is not None))


def _devices(document: dict[str, Any]) -> list[dict[str, object]]:
    return [
        {
            "MAC": f"{device['mac']} *" if device["randomised"] else device["mac"],
            "addresses": _addresses(device),
            "names": _few([one["name"].removesuffix(".local") for one in device["names"]], 2),
            "planned as": device["planned"] and _place(device["planned"]),
            "segment": device["segment"],
            "maker": "no device has this address" if device["impossible"] else device["vendor"],
            "probably": device["kind"] and device["kind"]["word"],
            "frames": device["frames"],
        }
        for device in document["devices"]
    ]


def _addresses(device: dict[str, Any]) -> list[str]:
    """Give the addresses that tell devices apart: IPv4 ones, or if there are none those of IPv6."""
    found = list(dict.fromkeys(one["address"] for one in device["addresses"]))
    shown = [one for one in found if ":" not in one] or found
    return shown if len(shown) <= 3 else [*shown[:2], f"and {len(shown) - 2} more"]


def _place(place: str) -> str:
    """Write a place of the plan for people: `desk`, `access point hall`."""
    kind, _, name = place.partition(":")
    return name if kind == "device" else f"{kind.replace('_', ' ')} {name}".rstrip()


def _servers(document: dict[str, Any]) -> list[dict[str, object]]:
    return [
        {"address": one["address"], "MAC": one["mac"], "heard on": one["segment"], "answers": one["count"]}
        for one in document["dhcp"]["servers"]
    ]


def _routers(document: dict[str, Any]) -> list[dict[str, object]]:
    return [
        {
            "address": one["address"],
            "MAC": one["mac"],
            "heard on": one["segment"],
            "prefixes": one["prefixes"],
            "state": f"for {one['lifetime_s']} s" if one["lifetime_s"] else "no default router",
        }
        for one in document["routers"]
    ]


def _neighbours(document: dict[str, Any]) -> list[dict[str, object]]:
    return [
        {
            "name": link["system_name"],
            "chassis": link["chassis_id"],
            "port": link["port_description"] or link["port_id"],
            "heard from": link["mac"],
            "state": "withdrawn" if link["withdrawn"] else f"for {link['ttl_s']} s",
        }
        for link in document["neighbours"]
    ]


def _radios(document: dict[str, Any]) -> list[dict[str, object]]:
    return [
        {
            "BSSID": radio["bssid"],
            "network": radio["ssid"] or "(hidden)",
            "planned as": radio["planned"],
            "channel": radio["channel"],
            "stations": radio["stations"],
            "channel busy": None if radio["busy_share"] is None else f"{radio['busy_share']:.0%}",
        }
        for radio in document["radios"]
    ]


def _traffic(document: dict[str, Any]) -> list[dict[str, object]]:
    return [
        {
            "segment": segment,
            "frames": sum(tally["frames"].values()),
            "broadcasts/s": _rate(tally["broadcast_per_s"]),
            "multicasts/s": _rate(tally["multicast_per_s"]),
        }
        for segment, tally in document["broadcast"]["segments"].items()
    ]


def _few(texts: list[str], most: int = 4) -> str:
    """List some texts, each bounded, and say how many more there are."""
    from netaudit.publish.text import harmless

    distinct = list(dict.fromkeys(harmless(text, 40) for text in texts))
    more = f" and {len(distinct) - most} more" if len(distinct) > most else ""
    return ", ".join(distinct[:most]) + more


def _rate(per_s: float | None) -> str:
    return "" if per_s is None else f"{per_s:.2f}"


def _wrongs(document: dict[str, Any]) -> Iterator[str]:
    """Say each fault in one line."""
    from netaudit.publish.text import harmless
    from netaudit.site.counted import counted

    faults = document["faults"]
    for cut in faults["cut"]:
        yield f"{harmless(cut['file'])}: {cut['why']}; what is whole was read"
    for duplicate in faults["duplicates"]:
        yield f"{duplicate['address']} is claimed by several devices at once: {_few(duplicate['macs'])}"
    for moved in faults["moved"]:
        yield f"{moved['address']} went from one device to another: {_few(moved['macs'])} (no fault if leased anew)"
    for servers in faults["dhcp_servers"]:
        yield f"more than one DHCP server answers on {servers['segment']}: {_few(servers['addresses'])}"
    for servers in faults["dhcp_unplanned"]:
        yield f"a DHCP server answers on {servers['segment']}, where the plan has none: {_few(servers['addresses'])}"
    for table, dropped in faults["flood"].items():
        yield f"more {table} than fit were heard, {dropped} were forgotten: somebody floods the network"
    for missing in faults["missing"]:
        yield f"{_place(missing['planned'])} ({missing['mac']}) was not heard"
    for unknown in faults["unplanned"]:
        where = f"in segment {unknown['segment']}" if unknown["segment"] else "in no segment of the plan"
        room = f", which has room for {unknown['room']}" if unknown["room"] else ""
        devices = counted(len(unknown["macs"]), "device")
        yield f"{devices} unknown to the plan {where}{room}: {_few(unknown['macs'])}"
    if faults["unknown_radios"]:
        yield f"radios that are not in the plan: {_few(faults['unknown_radios'])}"
    if faults["snapped"]:
        frames = counted(faults["snapped"], "frame was", "frames were")
        yield f"{frames} captured only in part; names and options at the end may be missing"
    for what, count in faults["unreadable"].items():
        yield f"{count} x {what}: could not be read"
