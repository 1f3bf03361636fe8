"""What `netaudit dimension --air` shows: which channels serve best and what that gains, and what reaches each room."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.cli.output import console, print_json

if TYPE_CHECKING:
    from rich.console import Console

    from netaudit.capacity.coverage import Cover, Heard
    from netaudit.capacity.radio import Choice
    from netaudit.site.model import Site


def print_air(site: Site, *, as_json: bool) -> None:
    """Print the channel plan of each band and, room by room, the best and the second access point."""
    from netaudit.capacity.coverage import coverage
    from netaudit.capacity.radio import choose_channels

    choices, covers = choose_channels(site), coverage(site)
    if as_json:
        print_json({"channels": [{**_plain(one), "gained": one.gained} for one in choices], "rooms": covers})
        return
    out = console()
    for choice in choices:
        _channels(out, site, choice)
    _rooms(out, site, covers)


def _plain(choice: Choice) -> dict[str, object]:
    return {
        "band": choice.band,
        "channels": {name: tuned.channel for name, tuned in choice.tuned.items()},
        "before": choice.before,
        "after": choice.after,
    }


def _channels(out: Console, site: Site, choice: Choice) -> None:
    """Say which channel each radio takes; the plan stays as it is when nothing is gained."""
    from netaudit.publish.text import place_name, quantity

    locale = site.site.locale
    shares = quantity(choice.before, "share", locale), quantity(choice.after, "share", locale)
    if choice.gained > 0:
        out.print(
            f"[bold]Channels at {choice.band.value} GHz[/]: the busiest radio goes from {shares[0]} to {shares[1]}"
        )
    else:
        out.print(f"[bold]Channels at {choice.band.value} GHz[/]: as drawn; the busiest radio has {shares[0]}")
    for name, tuned in choice.tuned.items():
        out.print(f"  {_safe(place_name(name, site))}: channel {tuned.channel}, {tuned.width_mhz} MHz wide")


def _rooms(out: Console, site: Site, covers: tuple[Cover, ...]) -> None:
    from rich import box
    from rich.table import Table

    from netaudit.publish.text import place_name

    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    for title in ("room", "GHz", "best", "second choice"):
        table.add_column(title, overflow="fold")
    for cover in covers:
        table.add_row(
            _safe(place_name(f"room:{cover.room}", site)),
            cover.band.value,
            _heard(site, cover.best),
            _heard(site, cover.second),
        )
    out.print()
    out.print(
        "[bold]What reaches each room[/], for a device with as many streams, by ITU-R P.1238 and the plan's walls"
    )
    out.print(table)


def _heard(site: Site, heard: Heard | None) -> str:
    from netaudit.publish.text import quantity

    if heard is None:
        return "none"
    rate = quantity(heard.rate_bps, "bit/s", site.site.locale) if heard.rate_bps else "too weak"
    return f"{_safe(heard.access_point)}, {heard.level_dbm:.0f} dBm, {rate}"


def _safe(text: str) -> str:
    from rich.markup import escape

    from netaudit.publish.text import harmless

    return escape(harmless(text))
