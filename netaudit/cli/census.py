"""`netaudit census FILE...`: who is on the network, from what a capture heard."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

    from rich.table import Table

    from netaudit.observe.census_file import FileRead
    from netaudit.observe.census_sort import FrameSorter


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "census",
        description="Say who is on the network, from capture files: devices, addresses, names, servers, neighbours,\n"
        "radios, and what is wrong. Nothing is sent. Status 1: something is wrong; 2: a file can't be read.",
        epilog="example: netaudit census pcaps/wired.pcap --site netaudit/demo/site.toml",
    )
    parser.add_argument("files", metavar="FILE", nargs="+", help="pcap or pcapng, plain or gzip; - is standard input")
    parser.add_argument("--site", metavar="SITE", help="the site plan: name what is planned, list missing and unknown")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Read the files, take the census, print it."""
    import json
    from dataclasses import asdict

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
    files = [asdict(_read(sorter, name)) for name in args.files]
    sorter.settle()
    document = describe(census, files, plan)
    if args.json:
        # ASCII, so that no character of a stranger's text reaches the terminal as itself.
        print(json.dumps(document, indent=1))
    else:
        _print(document)
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
    from rich.progress import Progress

    from netaudit.cli.harmless import harmless

    @contextmanager
    def shown() -> Iterator[Callable[[], None]]:
        console = Console(stderr=True)
        size = stream.seek(0, 2) if stream.seekable() else None
        if stream.seekable():
            stream.seek(0)
        with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
            task = progress.add_task(harmless(name), total=size)
            yield lambda: progress.update(task, completed=stream.tell() if size is not None else 0)

    return shown()


def _print(document: dict[str, Any]) -> None:
    """Print the census as tables for people."""
    from netaudit.cli.output import console

    out = console()
    out.print(f"{document['frames']} frames, {_moment(document['first'])} to {_moment(document['last'])} (UTC)")
    for table in _tables(document):
        if table.row_count:
            out.print()
            out.print(table)
    wrong = list(_wrongs(document))
    out.print()
    out.print("Wrong:" if wrong else "Nothing wrong was heard.")
    for line in wrong:
        out.print(f"- {line}", markup=False)


def _moment(iso: str | None) -> str:
    return "?" if iso is None else iso[:19].replace("T", " ")


def _table(title: str, *columns: str) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for column in columns:
        number = column in ("frames", "channel", "stations", "busy", "broadcast/s", "multicast/s", "answers")
        table.add_column(column, justify="right" if number else "left", overflow="fold")
    return table


def _row(table: Table, *cells: object) -> None:
    """Add a row; each cell is a stranger's text until proven otherwise."""
    from rich.text import Text

    from netaudit.cli.harmless import harmless

    table.add_row(*(Text("" if cell is None else harmless(str(cell), 120)) for cell in cells))


def _tables(document: dict[str, Any]) -> Iterator[Table]:
    from netaudit.cli.harmless import harmless

    devices = _table("Devices", "MAC", "addresses", "names", "planned", "maker", "probably", "frames")
    for device in document["devices"]:
        addresses = list(dict.fromkeys(one["address"] for one in device["addresses"]))
        names = list(dict.fromkeys(harmless(one["name"], 32) for one in device["names"]))
        maker = "made-up address" if device["randomised"] else device["vendor"]
        _row(
            devices,
            device["mac"],
            _few(addresses),
            _few(names),
            " ".join(part for part in (device["planned"], device["segment"] and f"({device['segment']})") if part),
            "no device's address" if device["impossible"] else maker,
            device["kind"] and device["kind"]["word"],
            device["frames"],
        )
    yield devices
    servers = _table("DHCP servers", "address", "MAC", "heard on", "answers")
    for server in document["dhcp"]["servers"]:
        _row(servers, server["address"], server["mac"], server["segment"], server["count"])
    yield servers
    neighbours = _table("Neighbours (LLDP)", "name", "chassis", "port", "heard from", "state")
    for link in document["neighbours"]:
        state = "withdrawn" if link["withdrawn"] else f"for {link['ttl_s']} s"
        port = link["port_description"] or link["port_id"]
        _row(neighbours, link["system_name"], link["chassis_id"], port, link["mac"], state)
    yield neighbours
    radios = _table("Radios", "BSSID", "network", "planned", "channel", "stations", "busy")
    for radio in document["radios"]:
        busy = None if radio["busy_share"] is None else f"{radio['busy_share']:.0%}"
        name = radio["ssid"] or "(hidden)"
        _row(radios, radio["bssid"], name, radio["planned"], radio["channel"], radio["stations"], busy)
    yield radios
    traffic = _table("To everybody", "segment", "frames", "broadcast/s", "multicast/s")
    for segment, tally in document["broadcast"]["segments"].items():
        frames = sum(tally["frames"].values())
        _row(traffic, segment, frames, _rate(tally["broadcast_per_s"]), _rate(tally["multicast_per_s"]))
    yield traffic


def _few(texts: list[str], most: int = 3) -> str:
    more = f" and {len(texts) - most} more" if len(texts) > most else ""
    return ", ".join(texts[:most]) + more


def _rate(per_s: float | None) -> str:
    return "" if per_s is None else f"{per_s:.2f}"


def _wrongs(document: dict[str, Any]) -> Iterator[str]:
    """Say each fault in one line."""
    from netaudit.cli.harmless import harmless

    faults = document["faults"]
    for cut in faults["cut"]:
        yield f"{harmless(cut['file'])}: {cut['why']}; what is whole was read"
    for duplicate in faults["duplicates"]:
        yield f"{duplicate['address']} is claimed by several devices at once: {_few(duplicate['macs'])}"
    for moved in faults["moved"]:
        yield f"{moved['address']} went from one device to another: {_few(moved['macs'])} (no fault if leased anew)"
    for servers in faults["dhcp_servers"]:
        yield f"more than one DHCP server answers on {servers['segment']}: {_few(servers['addresses'])}"
    for table, dropped in faults["flood"].items():
        yield f"more {table} than fit were heard, {dropped} were forgotten: somebody floods the network"
    for missing in faults["missing"]:
        yield f"{missing['planned']} ({missing['mac']}) was not heard"
    for mac in faults["unknown"]:
        yield f"{mac} is not in the plan"
    for bssid in faults["unknown_radios"]:
        yield f"radio {bssid} is not in the plan"
    if faults["snapped"]:
        yield f"{faults['snapped']} frames were captured only in part; names and options at their ends may be missing"
    for what, count in faults["unreadable"].items():
        yield f"{count} x {what}: could not be read"
