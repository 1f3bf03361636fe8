"""
Values as people read them: units that fit, names of places, dates of the site's zone and locale, hostile text made harmless.

Inside everything is SI and UTC; this is the edge where it stops being so.
"""

from __future__ import annotations

import math
import re
import unicodedata
from functools import lru_cache
from typing import TYPE_CHECKING, Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_time
from babel.numbers import format_currency, format_decimal, get_decimal_symbol, get_group_symbol
from markupsafe import Markup, escape

from netaudit.capacity.advice import ONE
from netaudit.capacity.line import Kind

if TYPE_CHECKING:
    from datetime import datetime
    from ipaddress import IPv4Address

    from netaudit.site.model import Header, Site

# Names come from the wire and from plans; a table cell that holds more than this is no longer read by anybody.
LONGEST_TEXT: Final = 120
# Two marks serve every living script (a vowel and a tone); more only serve to scribble over the lines above.
MOST_MARKS: Final = 2
# Joiners are needed to write Persian and Indic words; all other format characters hide or turn text.
_KEPT_FORMAT: Final = "\u200c\u200d"
NO_VALUE: Final = "\u2013"

_SCALES: Final[dict[str, tuple[tuple[float, str], ...]]] = {
    "bit/s": ((1e9, "Gb/s"), (1e6, "Mb/s"), (1e3, "kb/s"), (1.0, "b/s")),
    "B": ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB"), (1.0, "B")),
    "B/s": ((1e9, "GB/s"), (1e6, "MB/s"), (1e3, "kB/s"), (1.0, "B/s")),
    "s": ((86400.0, "days"), (3600.0, "h"), (60.0, "min"), (1.0, "s"), (1e-3, "ms"), (1e-6, "\u00b5s")),
    "W": ((1e3, "kW"), (1.0, "W"), (1e-3, "mW")),
    "Wh": ((1e3, "kWh"), (1.0, "Wh")),
    "m": ((1.0, "m"),),
}
_SHARES: Final = ("share", "1", "%")

KIND_NAMES: Final[dict[Kind, str]] = {
    Kind.PORTS: "Ports",
    Kind.POWERED_PORTS: "Powered ports",
    Kind.POWER: "Power",
    Kind.PORT_POWER: "Power of one port",
    Kind.AIRTIME: "Airtime",
    Kind.STATIONS: "Wireless devices",
    Kind.ADDRESSES: "Addresses",
    Kind.LINK_UP: "Load upwards",
    Kind.LINK_DOWN: "Load downwards",
    Kind.ROUTED: "Routed traffic",
    Kind.HOPS: "Switches in a row",
    Kind.CABLE: "Cable",
    Kind.DEVICE_COUNT: "Devices",
    Kind.RECORDING: "Recording space",
    Kind.WRITE: "Recording rate",
    Kind.BACKUP: "Battery supply",
    Kind.MONEY: "Money",
}


# What a householder would have to ask: a plain sentence or two below the heading of the lines that use the words.
KIND_WORDS: Final[dict[Kind, str]] = {
    Kind.AIRTIME: (
        "On one channel only one can speak at a time, as in a room full of people. Airtime is the share of the time "
        "in which somebody does."
    ),
    Kind.ADDRESSES: (
        "The router lends each device an address for a time, which is a lease; the pool is all that it has to lend."
    ),
    Kind.HOPS: "Each switch on the way from the router is a hop: one more box that can fail, and one more short wait.",
}

_MAC: Final = re.compile(r"[0-9a-f]{2}(?::[0-9a-f]{2}){5}", re.IGNORECASE)


def without_macs(text: str) -> str:
    """Take the MACs out of a sentence that stands in a summary: a householder can't do anything with them."""
    listed = rf"{_MAC.pattern}(?:(?: and| ) ?{_MAC.pattern})*"
    for pattern, left_over in (
        (rf": {_MAC.pattern}, no address", ""),
        (rf": {_MAC.pattern}, ", ": "),
        (rf":? {listed}(?=;|\.|$)", ""),
        (rf" ?\(?{listed}\)?", ""),
    ):
        text = re.sub(pattern, left_over, text, flags=re.IGNORECASE)
    return text


def harmless(text: str, longest: int = LONGEST_TEXT) -> str:
    """
    Make text from the wire or a plan fit to print: one line, no control or direction-turning characters, bounded.

    What can't be printed becomes U+FFFD, so that it is seen that something was there. Escaping for HTML is not done here:
    templates and the drawing do it themselves.
    """
    kept: list[str] = []
    marks = 0
    for char in text:
        if len(kept) > longest:
            break
        category = unicodedata.category(char)
        if category in ("Mn", "Me"):
            marks += 1
            if marks > MOST_MARKS:
                continue
        else:
            marks = 0
        if category in ("Cc", "Zl", "Zp") and char in "\t\n\r\x0b\x0c\x85\u2028\u2029":
            kept.append(" ")
        elif (category[0] == "C" and char not in _KEPT_FORMAT) or category in ("Zl", "Zp"):
            kept.append("\ufffd")
        else:
            kept.append(char)
    cut = "".join(kept)
    return cut if len(cut) <= longest else cut[: longest - 1].rstrip() + "\u2026"


# A figure as the program's own sentences write it: 58.5 Mb/s, 51.2 of 64, 1,200 addresses. Not what only looks like one:
# clauses, versions, addresses, and the bands, for "2.4 GHz" is a name.
_UNIT: Final = (
    r"(?:%|[kMGT]?b/s|[kMGT]?B|k?Wh?|V|A|dBm?|c?m|[mn\u00b5]?s|min|h|days?|weeks?|years?|times|of \d)(?![a-z/])"
)
_FIGURE: Final = re.compile(
    rf"(?<![\w.,:/-])(?:(\d{{1,3}}(?:,\d{{3}})+)(?:\.(\d+))?(?=[ \u00a0](?:{_UNIT}|[a-z]{{3}}))"
    rf"|(\d+)\.(\d+)(?=[ \u00a0]{_UNIT}))"
)


def told(text: str, locale: str = "en", longest: int = 400, site: Site | None = None) -> str:
    """Make a sentence of the program's own fit to print: places by their names, figures as the site writes those beside it."""
    decimal, group = get_decimal_symbol(locale_of(locale)), get_group_symbol(locale_of(locale))

    def write(found: re.Match[str]) -> str:
        whole, part = (found[1], found[2]) if found[1] else (found[3], found[4])
        return whole.replace(",", group) + (f"{decimal}{part}" if part else "")

    said = harmless(in_words(text, site), longest)
    return said if (decimal, group) == (".", ",") else _FIGURE.sub(write, said)


_TICKED: Final = re.compile("`([^`]+)`")


def coded(text: str) -> Markup:
    """Write what a sentence has between backticks, a command or a key, as code on a page; everything is escaped."""
    # Our own tags around what is escaped already.
    return Markup(_TICKED.sub(r"<code>\1</code>", str(escape(text))))  # noqa: S704


def unticked(text: str) -> str:
    """Take the backticks from a sentence that stands where there is no face for code: in a letter, on a terminal."""
    return _TICKED.sub(r"\1", text)


def capital(text: str) -> str:
    """Begin a sentence with a capital letter, and leave the rest of it as it is."""
    return text[:1].upper() + text[1:]


def identity(ref: str) -> str:
    """Make a reference (`switch:barn`) a usable id: the same text, with what XML forbids written as %XX."""
    return "".join(
        f"%{ord(char):02X}" if char == "%" or char.isspace() or unicodedata.category(char)[0] == "C" else char
        for char in ref
    )


@lru_cache(maxsize=8)  # a process serves one site, a test a handful
def locale_of(name: str) -> Locale:
    """Give the locale that a plan names; English when there is no such one, for a report must not fail over a comma."""
    try:
        return Locale.parse(name.replace("-", "_"))
    except (UnknownLocaleError, ValueError):
        return Locale("en")


def number(value: float, locale: str = "en") -> str:
    """Write a number to three significant digits, whole numbers whole; a dash when there is none."""
    if math.isnan(value):
        return NO_VALUE
    if math.isinf(value):
        return "no limit" if value > 0 else "less than none"
    if value == int(value) and abs(value) < 1e6:
        digits = 0
    else:
        digits = max(0, 2 - math.floor(math.log10(abs(value)))) if value else 0
    rounded = round(value, digits) if value == int(value) or abs(value) < 1e3 else float(f"{value:.3g}")
    pattern = "#,##0" + ("." + "#" * min(digits, 6) if digits else "")
    written = format_decimal(rounded or 0.0, format=pattern, locale=locale_of(locale))
    return written.replace("-", "\u2212") if rounded < 0 else written


def quantity(value: float, unit: str, locale: str = "en") -> str:
    """
    Write a value in the unit that fits: 2.5e9 bit/s as 2.5 Gb/s, 0.004 s as 4 ms, 0.34 share as 34 %.

    Args:      unit as the ledger has it: SI, a share of one, a counted thing ("ports"), or an ISO 4217 currency.
    """
    if not math.isfinite(value):
        return number(value, locale)
    if unit in _SHARES or unit.startswith("share "):
        return f"{number(value if unit == '%' else value * 100, locale)}\u00a0%"
    if unit in _SCALES:
        scales = _SCALES[unit]
        factor, named = next(((f, n) for f, n in scales if abs(value) >= f), scales[-1])
        if value == 0:
            factor, named = 1.0, unit if unit != "bit/s" else "b/s"
        return f"{number(value / factor, locale)}\u00a0{named}"
    if _is_currency(unit):
        written = format_currency(value, unit, locale=locale_of(locale)).replace("-", "\u2212")
        return _apart(written, locale)
    named = ONE.get(unit, unit) if value == 1 else unit
    return f"{number(value, locale)}\u00a0{harmless(named, 24)}" if unit else number(value, locale)


def figure(value: float, unit: str, locale: str = "en") -> str:
    """Write a value for a column whose heading says what is counted: units of measure stay, counted things do not."""
    return number(value, locale) if _is_counted(unit) else quantity(value, unit, locale)


# Shares of a supply differ from their mathematical value in the last digits: 70 % of 90 less 63 is not one less than none.
_ROUNDING: Final = 1e-6


def left(value: float, unit: str, locale: str = "en") -> str:
    """Write how much is left as `figure` does, of what is counted only whole ones: nobody can use 0.4 of a port."""
    whole = _is_counted(unit) and math.isfinite(value)
    return figure(math.floor(value + _ROUNDING) if whole else value, unit, locale)


def _is_counted(unit: str) -> bool:
    return unit not in _SCALES and unit not in _SHARES and not unit.startswith("share ") and not _is_currency(unit)


def _is_currency(unit: str) -> bool:
    return len(unit) == 3 and unit.isupper() and unit.isalpha()


def place_name(place: str, site: Site | None = None) -> str:
    """
    Say where something is: `switch:barn` by its label or as "switch barn", `radio:attic/2.4` as "attic, 2.4 GHz radio".

    A place that the program does not know is written as it stands.
    """
    kind, _, rest = place.partition(":")
    if kind == "site":
        return "the whole site"
    if not rest:
        return "the router" if kind == "router" else harmless(place)
    if kind == "router/port":
        return f"the router, port {harmless(rest)}"
    if place == "link:wan":
        return "the line to the outside"
    if kind == "radio" and "/" in rest:
        point, _, band = rest.rpartition("/")
        return f"{_named(site, 'access_point', point, bare=True)}, {harmless(band)} GHz radio"
    if kind == "channel" and "/" in rest:
        band, _, channel = rest.rpartition("/")
        return f"channel {harmless(channel)} at {harmless(band)} GHz"
    if kind == "link" and "/" in rest:
        table, _, name = rest.partition("/")
        return f"link to {_named(site, table, name)}"
    if kind == "segment" and rest.endswith("/gateway"):
        return f"gateway of {_named(site, 'segment', rest.removesuffix('/gateway'))}"
    if kind == "device" and "/" in rest:
        group, _, index = rest.partition("/")
        return f"{_named(site, 'device', group)} {harmless(index)}"
    if kind == "device" and _MAC.fullmatch(rest):
        return f"a device without a name ({rest})"
    if kind == "switch" and "/port:" in rest:
        name, _, port = rest.partition("/port:")
        return f"{_named(site, 'switch', name)}, port {harmless(port)}"
    return _named(site, kind, rest)


def in_words(text: str, site: Site | None = None) -> str:
    """Write the plan's references in a sentence of the program's own as people name the places: `device:desk` is device desk."""
    return _REFERENCE.sub(lambda found: place_name(found[0], site), text)


def segment_name(name: str, site: Site | None = None) -> str:
    """Name a network where the heading says that it is one: its label, else its bare name."""
    return _named(site, "segment", name, bare=True)


def place_page(place: str, site: Site) -> str:
    """
    Give the path of the page that tells more of a place; empty when there is none.

    A device's page goes by its MAC; one that the plan knows by its address only is searched for by that.
    """
    kind, _, rest = place.partition(":")
    if kind == "device" and _MAC.fullmatch(rest):
        return f"/devices/{rest.lower()}"
    if kind == "segment":
        name = rest.partition("/")[0]
        return f"/networks/{quote(name, safe='')}" if name in site.segment else ""
    mac, address = _known_by(kind, rest, site)
    return f"/devices/{mac}" if mac else f"/devices?search={address}" if address else ""


def _known_by(kind: str, named: str, site: Site) -> tuple[str | None, IPv4Address | None]:
    """Give the MAC and the address that the plan has for one device of a group (`cameras/2`) or a piece of equipment."""
    if kind in ("switch", "access_point", "recorder"):
        row = getattr(site, kind).get(named)
        if row is None:
            return None, None
        return row.mac, row.own_address if kind == "switch" else row.address
    name, _, number = named.partition("/")
    device = site.device.get(name) if kind == "device" else None
    if device is None or not (number or "1").isdecimal():
        return None, None
    at = int(number or 1) - 1
    if not 0 <= at < device.count:
        return None, None
    return device.mac[at] if at < len(device.mac) else None, device.address + at if device.address else None


def _named(site: Site | None, table: str, name: str, *, bare: bool = False) -> str:
    rows = getattr(site, table, None) if site is not None and table in _TABLES else None
    label = getattr(rows.get(name), "label", "") if isinstance(rows, dict) else ""
    if label:
        return harmless(label)
    return harmless(name) if bare else harmless(f"{_TABLE_WORDS.get(table, table.replace('_', ' '))} {name}")


# Words of the plan that a household would not use.
_TABLE_WORDS: Final = {"segment": "network", "backup": "battery supply"}
_TABLES: Final = frozenset(
    {
        "building",
        "closet",
        "room",
        "segment",
        "switch",
        "access_point",
        "injector",
        "drop",
        "device",
        "recorder",
        "backup",
    }
)


_REFERENCE: Final = re.compile(
    rf"\b(?:{'|'.join(sorted((*_TABLES, 'channel', 'link', 'radio')))}):"
    rf"(?:{_MAC.pattern}|\w(?:[\w.-]*\w)?(?:/(?:port:)?\w(?:[\w.-]*\w)?)?)",
    re.IGNORECASE,
)


def kind_name(kind: Kind) -> str:
    """Name what can run out, for people."""
    return KIND_NAMES[kind]


def moment(at: datetime, header: Header) -> str:
    """Write a moment in the site's zone and locale, with the zone's short name, for two sites may read one report."""
    zone = ZoneInfo(header.time_zone)
    locale = locale_of(header.locale)
    date = format_date(at.astimezone(zone).date(), "medium", locale)
    return _apart(f"{date}, {format_time(at, 'short', zone, locale)} {at.astimezone(zone).tzname()}", header.locale)


def day(at: datetime, header: Header, *, year: bool = True) -> str:
    """Write the day of a moment at the site, such as Mon, 2 Mar 2026."""
    zone = ZoneInfo(header.time_zone)
    pattern = "EEE, d MMM y" if year else "EEE, d MMM"
    return _apart(format_date(at.astimezone(zone).date(), pattern, locale_of(header.locale)), header.locale)


def clock(at: datetime, header: Header) -> str:
    """Write the time of day of a moment at the site."""
    return _apart(format_time(at, "short", ZoneInfo(header.time_zone), locale_of(header.locale)), header.locale)


def _apart(text: str, locale: str) -> str:
    """Keep a date of a script that runs from right to left from turning around the English sentence in which it stands."""
    return f"\u2068{text}\u2069" if locale_of(locale).character_order == "right-to-left" else text


def span(seconds: float) -> str:
    """Write how long something lasted, rounded as in the findings' own sentences: "3 days", "36 hours", "1 minute"."""
    for size, many in ((86400.0, "days"), (3600.0, "hours"), (60.0, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {many}"
    return "1 minute" if seconds >= 60.0 else "less than a minute"
