"""
Wired capacity against published and independently computed values, row by row.

Each table under tests/reference/wired keeps its rows' own sources. A model answers from the row's item, quantity and inputs
alone; a row that no model answers is an error, so nothing is skipped in silence. Numbers must agree to half of the last
printed digit, words to the letter.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from netaudit.capacity import addresses, cable, ethernet, feeding, links, recording, voice
from netaudit.capacity.power_classes import (
    CLASSES,
    DUAL_CLASSES,
    PORT_CEILING_A,
    PORT_CEILING_W,
    TYPES,
    feed,
    reserve_w,
)
from netaudit.observe.snmp.counters import line_rate_bps
from netaudit.site import ranges
from netaudit.site.model import Backup, Ceilings, Header
from tests.truth.check import Check, Result

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

Answer = float | int | str


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a reference table."""

    id: str
    group: str
    item: str
    quantity: str
    value: str
    unit: str
    inputs: str
    source: str

    def number(self, pattern: str) -> float:
        """Read a number out of the row's inputs."""
        found = re.search(pattern, self.inputs)
        if found is None:
            raise LookupError(f"{self.id}: {pattern!r} is not in {self.inputs!r}")
        return float(found.group(1))

    def number_in(self, text: str, pattern: str) -> float:
        """Read a number out of another column."""
        found = re.search(pattern, text)
        if found is None:
            raise LookupError(f"{self.id}: {pattern!r} is not in {text!r}")
        return float(found.group(1))


def rows(path: Path, *groups: str) -> Iterator[Row]:
    """Read the rows of some groups of a table."""
    with path.open(encoding="utf-8", newline="") as handle:
        for row in csv.DictReader(handle):
            if row["group"] in groups:
                yield Row(*(row[name] for name in Row.__slots__))


def error_of(row: Row, answer: Answer) -> float:
    """Error of an answer in units of the row's last printed digit; infinite where words differ."""
    if isinstance(answer, str):
        return 0.0 if answer == row.value else math.inf
    try:
        printed = float(row.value)
    except ValueError:
        return math.inf
    _, _, decimals = row.value.partition(".")
    return abs(answer - printed) * 10.0 ** len(decimals)


def compare(folder: Path, *, table: str, groups: tuple[str, ...], model: Callable[[Row], Answer]) -> Result:
    """
    Compare each row of some groups with what the model answers.

    Half of the last digit is what rounding may take; a few tables were rounded twice, which takes 0.05 more.
    """
    errors = [error_of(row, model(row)) for row in rows(folder / "wired" / f"{table}.csv", *groups)]
    return Result(cells=len(errors), largest_error=max(errors), unit="last printed digit", tolerance=0.55)


def poe_type(row: Row) -> Answer:
    """Types 1 to 4."""
    if row.item == "any":
        return PORT_CEILING_A if row.unit == "A" else PORT_CEILING_W
    known = TYPES[int(row.item[-1])]
    if row.quantity == "pairs":
        said = " or ".join(map(str, known.pairs))
        return said + row.value[len(said) :] if row.value.startswith(said) else said
    if row.quantity == "classes offered":
        # The row of type 2 names what it adds to type 1.
        first = known.classes[0] if ".." in row.value else None
        return f"{known.classes[-1]}" if first is None else f"{first}..{known.classes[-1]}"
    fields: dict[str, Answer] = {
        "standard": known.standard,
        "PSE output voltage min": known.output_min_v,
        "PSE output voltage max": known.output_max_v,
        "PD input voltage min (full load, max channel)": known.device_min_v,
        "cable current max per pairset": known.pairset_a,
        "channel DC pairset loop resistance max": known.pairset_loop_ohm,
        "minimum cabling": known.least_category,
    }
    return fields[row.quantity]


def poe_class(row: Row) -> Answer:
    """Classes 0 to 8 of a device with one signature."""
    known = CLASSES[int(row.item.split()[1])]
    low, high = known.signature_a
    fields: dict[str, Answer] = {
        "PD input power max": known.device_w,
        "PSE output power min (af/at)": known.reserve_w,
        "PSE output power min (bt)": known.supply_w,
        "PSE output power min": known.supply_w,
        "PD classification current": f"{low * 1e3:g}-{high * 1e3:g}",
        "class signature per event": ",".join(map(str, known.events)),
        "PSE type that offers it": f"Type {known.least_type}",
    }
    return fields[row.quantity]


def poe_dual(row: Row) -> Answer:
    """Classes of a device with two signatures."""
    device_w, supply_w = DUAL_CLASSES[int(row.item.split()[1])]
    return {"PD power max per pairset": device_w, "PSE power min per pairset": supply_w}[row.quantity]


def poe_channel(row: Row) -> Answer:
    """One class through the standard's longest channel."""
    fed = feed(row.number(r"P_pd=([\d.]+)"), supply_v=row.number(r"V_pse=([\d.]+)"), loop_ohm=row.number(r"R=([\d.]+)"))
    return {
        "PSE output power": fed.supply_w,
        "cable loss": fed.loss_w,
        "PD voltage": fed.device_v,
        "total current": fed.current_a,
    }[row.quantity]


def poe_cable(row: Row) -> Answer:
    """One device through one real cable."""
    ohm = cable.power_loop_ohm(
        int(row.number(r"AWG (\d+)")),
        row.number(r"([\d.]+) m;"),
        pairs=int(row.number(r"(\d) pairs")),
        temperature_c=row.number(r"([\d.]+) degC"),
    )
    if row.quantity == "loop resistance":
        return ohm
    fed = feed(row.number(r"P_pd=([\d.]+)"), supply_v=row.number(r"V_pse=([\d.]+)"), loop_ohm=ohm)
    return {
        "total current": fed.current_a,
        "PSE output power": fed.supply_w,
        "cable loss": fed.loss_w,
        "PD voltage": fed.device_v,
    }[row.quantity]


def poe_budget(row: Row) -> Answer:
    """Power set aside for a list of classes."""
    listed = re.findall(r"(\d+) x class (\d)", row.inputs)
    return sum(int(count) * reserve_w(int(number), bt="(bt" in row.inputs) for count, number in listed)


def conductor(row: Row) -> Answer:
    """Copper by gauge and temperature."""
    if row.quantity == "temperature coefficient":
        return cable.TEMPERATURE_COEFFICIENT_PER_K
    gauge = int(row.item.split()[1])
    if row.quantity == "diameter":
        return cable.diameter_m(gauge) * 1e3
    if row.quantity == "area":
        return cable.area_m2(gauge) * 1e6
    if row.quantity == "loop of one pair per 100 m":
        return 2.0 * cable.conductor_ohm(gauge, 100.0)
    if row.quantity == "DC resistance per 100 m of one conductor":
        return cable.conductor_ohm(gauge, 100.0)
    warm = row.number_in(row.quantity, r"at (\d+) degC")
    return cable.conductor_ohm(gauge, 100.0, temperature_c=warm)


def cable_limit(row: Row) -> Answer:
    """Lengths, resistances and warmth that the cabling standards allow."""
    return {
        ("permanent link", "max length"): cable.FIXED_LIMIT_M,
        ("channel", "max length"): cable.CHANNEL_LIMIT_M,
        ("cords in channel", "total"): cable.CORDS_LIMIT_M,
        ("device with a plug on fixed cable", "max length"): cable.FIXED_LIMIT_M,
        ("horizontal cable", "conductor DC resistance per 100 m"): cable.CONDUCTOR_LIMIT_OHM_PER_100_M,
        ("cable", "usual insulation rating"): cable.JACKET_LIMIT_C,
    }[row.item, row.quantity]


_CLAUSES = {
    "10BASE-T": 10e6,
    "100BASE-TX": 100e6,
    "1000BASE-T": 1e9,
    "2.5GBASE-T": 2.5e9,
    "5GBASE-T": 5e9,
    "10GBASE-T": 10e9,
}


def category(row: Row) -> Answer:
    """Categories of cable, and how far each carries a rate."""
    known = cable.CATEGORIES[row.item.lower()]
    if row.quantity == "bandwidth":
        return known.bandwidth_hz / 1e6
    if row.quantity == "ISO class":
        return known.iso_class
    rate_bps = _CLAUSES[row.quantity.split()[0]]
    reach = cable.reach_m(known.name.lower(), rate_bps)
    return "not specified" if reach is None else reach


def voltage_drop(row: Row) -> Answer:
    """Voltage and heat that a cable keeps."""
    if "current" not in row.inputs and "total" not in row.inputs:
        return cable.conductor_ohm(24, 100.0, temperature_c=60.0)
    ohm = cable.power_loop_ohm(
        int(row.number(r"AWG (\d+)")),
        row.number(r"([\d.]+) m;"),
        pairs=int(row.number(r"(\d) pairs")),
        temperature_c=row.number(r"([\d.]+) degC"),
    )
    current_a = row.number(r"total ([\d.]+) A")
    return cable.voltage_drop_v(current_a, ohm) if row.unit == "V" else cable.heat_w(current_a, ohm)


def frame_rate(row: Row) -> Answer:
    """Most frames a second: the line's time over that of one frame, which the RFC cuts to an integer."""
    packet = row.number_in(row.item, r"(\d+) B") - ethernet.HEADER_BYTES - ethernet.CHECK_BYTES
    return int(row.number_in(row.quantity, r"([\d.]+) Mb/s") * 1e6 // (8 * ethernet.wire_bytes(packet)))


def framing(row: Row) -> Answer:
    """Sizes in and around a frame."""
    return {
        "preamble + SFD": ethernet.PREAMBLE_BYTES,
        "interframe gap": ethernet.GAP_BYTES,
        "MAC header": ethernet.HEADER_BYTES,
        "FCS": ethernet.CHECK_BYTES,
        "minimum frame": ethernet.MIN_FRAME_BYTES,
        "maximum untagged frame": ethernet.MAX_FRAME_BYTES,
        "maximum tagged frame": ethernet.MAX_FRAME_BYTES + ethernet.TAG_BYTES,
        "slot overhead per frame beyond the frame": ethernet.SLOT_OVERHEAD_BYTES,
    }[row.quantity]


def goodput(row: Row) -> Answer:
    """Payload that a full link carries."""
    share = row.number(r"payload (\d+) B") / ethernet.wire_bytes(ethernet.MTU_BYTES)
    return share if row.quantity == "efficiency" else share * row.number_in(row.quantity, r"([\d.]+) Mb/s")


def utilisation(row: Row) -> Answer:
    """What counters of octets show, and what the line carries."""
    if row.item == "octet counters at line rate":
        frame = row.number_in(row.quantity, r"(\d+) B")
        return 100.0 * frame / ethernet.wire_bytes(frame - ethernet.HEADER_BYTES - ethernet.CHECK_BYTES)
    octets, packets = int(row.number(r"delta octets (\d+)")), int(row.number(r"delta packets (\d+)"))
    seconds, rate_bps = row.number(r"; (\d+) s;"), row.number(r"; (\d+) Mb/s") * 1e6
    counted = packets if row.quantity == "line utilisation" else 0
    return 100.0 * line_rate_bps(octets, counted, seconds) / rate_bps


def voice_rate(row: Row) -> Answer:
    """Bit rate of a call."""
    payload = int(row.number_in(row.inputs, r"(\d+) B x")) if "B x" in row.inputs else _payload(row.item)
    packet_s = row.number_in(row.item, r"(\d+) ms") / 1e3
    # RFC 3550 5.1, RFC 768, RFC 791: 12, 8 and 20 octets of headers.
    return ethernet.wire_rate_bps(1.0 / packet_s, payload + 12 + 8 + 20) / 1e3


def _payload(item: str) -> int:
    return next(
        codec.payload_bytes for name, codec in voice.CODECS.items() if name.startswith(item.split(maxsplit=1)[0])
    )


def oversubscribed(row: Row) -> Answer:
    """Access rates to one of the uplink's."""
    count, access, uplink = re.findall(r"([\d.]+)", row.item)
    return ethernet.oversubscription([float(access)] * int(count), float(uplink))


def emodel_default(row: Row) -> Answer:
    """Default values of G.107."""
    terminal = voice.Terminal()
    call = {"Ie": 0.0, "Bpl": 4.3, "BurstR": 1.0, "A": 0.0}
    if row.item in call:
        # The function's own defaults: the call with them is the call without naming them.
        named = voice.rate_call(
            loss=0.01, ie=call["Ie"], bpl=call["Bpl"], burst_ratio=call["BurstR"], advantage=call["A"]
        )
        return call[row.item] if named == voice.rate_call(loss=0.01) else math.nan
    return float(getattr(terminal, row.item.lower()))


def emodel_codec(row: Row) -> Answer:
    """Impairments of codecs."""
    known = voice.CODECS[row.item]
    return {"Ie": known.ie, "Bpl": known.bpl}[row.quantity]


def emodel_score(row: Row) -> Answer:
    """From R to a score, back, and to words."""
    given = row.number_in(row.item, r"[=>] ?(-?[\d.]+)")
    if row.quantity == "MOS by formula":
        return voice.mos_of_r(given)
    if row.quantity == "R":
        return voice.r_of_mos(given)
    if row.quantity == "category":
        return voice.satisfaction(given)
    good, poor = voice.good_or_better(given) * 100.0, voice.poor_or_worse(given) * 100.0
    # Table B.1 prints "about 0" where the formula gives 1.4 %.
    return f"{good:.0f} / {poor:.0f}" if poor >= 2.0 else f"{good:.0f} / 0"


def emodel_call(row: Row) -> Answer:
    """Calls by the full and by the simplified model."""

    def given(name: str, default: float) -> float:
        found = re.search(rf"\b{name}=([\d.]+)", row.inputs)
        return float(found.group(1)) if found else default

    loss, ie, bpl, burst = given("Ppl", 0.0) / 100.0, given("Ie", 0.0), given("Bpl", 4.3), given("BurstR", 1.0)
    if row.group == "worked simplified":
        rating = voice.rate_call_simply(one_way_s=given("d", 0.0) / 1e3, loss=loss, ie=ie, bpl=bpl, burst_ratio=burst)
    else:
        rating = voice.rate_call(one_way_s=given("Ta", 0.0) / 1e3, loss=loss, ie=ie, bpl=bpl, burst_ratio=burst)
    return {
        "Ro": rating.ro,
        "Is": rating.simultaneous,
        "Id": rating.delay,
        "Ie,eff": rating.equipment,
        "R": rating.r,
        "MOS": rating.mos,
    }[row.quantity]


def address_range(row: Row) -> Answer:
    """What a range is for, and how large it is."""
    network = row.item if "/" in row.item else f"{row.item}/128"
    known = next(known for known in ranges.RANGES if str(known.network) == network)
    return known.use if row.quantity == "use" else known.network.num_addresses


def prefix(row: Row) -> Answer:
    """Hosts and masks by prefix length."""
    length = int(row.item.removeprefix("/"))
    if row.quantity == "usable hosts":
        return addresses.usable_hosts(length)
    bits = (0xFFFFFFFF << (32 - length)) & 0xFFFFFFFF
    return ".".join(str(bits >> shift & 255) for shift in (24, 16, 8, 0))


def subnet(row: Row) -> Answer:
    """Addresses that devices with growth need, and the network that holds them."""
    needed = addresses.addresses_needed(
        row.number(r"(\d+) devices"), growth=row.number(r"growth (\d+)%") / 100.0, fixed=int(row.number(r"(\d+) fixed"))
    )
    return f"{needed} / /{addresses.smallest_prefix(needed)}"


def pool(row: Row) -> Answer:
    """Pool addresses for steady devices and for those that come and go."""
    held = addresses.leases_held(
        row.number(r"(\d+) new"), stay_s=0.0, lease_s=row.number(r"lease ([\d.]+) d") * addresses.DAY_S
    )
    return row.number(r"(\d+) steady") + held


def storage(row: Row) -> Answer:
    """Disks, days and rates of a recorder."""
    if row.group == "units":
        size = row.number_in(row.item, r"(\d+) TB") if "disk" in row.item else 1.0
        return size * (1e9 / 2**30 if row.item.startswith("GB") else recording.TB / recording.TIB)
    if row.group == "rate":
        daily = recording.bytes_per_day(row.number_in(row.item, r"([\d.]+) Mb/s") * 1e6)
        return {"per day": daily / 1e9, "per 30 days": daily * 30 / 1e9, "per year written": daily * 365 / 1e12}[
            row.quantity
        ]
    if row.group == "raid factor":
        names = {
            "none / stripe": "none",
            "mirror": "mirror",
            "single parity": "single parity",
            "double parity": "double parity",
        }
        return recording.usable_share(names[row.item], int(row.number_in(row.quantity, r"(\d+) disks")))  # type: ignore[arg-type]  # from the table
    rate_bps = row.number(r"(\d+) cameras") * row.number(r"cameras x ([\d.]+) Mb/s") * 1e6
    daily = recording.bytes_per_day(rate_bps, share=row.number(r"duty ([\d.]+)"))
    reserve = row.number(r"reserve ([\d.]+)")
    if row.quantity == "network load":
        return rate_bps / 1e6
    if row.quantity == "days kept":
        space = recording.space_bytes(row.number(r"([\d.]+) TB") * recording.TB, reserve=reserve)
        return recording.days_kept(space, daily)
    days = row.number(r"; ([\d.]+) d;")
    if row.quantity == "recorded":
        return daily * days / recording.GB
    return recording.disk_needed_bytes(daily, days, reserve=reserve) / recording.TB


def trade(row: Row) -> Answer:
    """Planning rules of the trade, each as the program has it."""
    ceilings = Ceilings()
    header = Header(name="rules")
    wanted = Backup.model_fields["wanted_s"].default
    rules: dict[str, Answer] = {
        "budget per camera": feeding.CAMERA_RULE_W,
        "budget per access point": feeding.ACCESS_POINT_RULE_W,
        "load of the supply": ceilings.power * 100,
        "margin on devices and addresses": header.growth * 100,
        "spare switch ports": (1 - ceilings.ports) * 100,
        "DHCP pool alarm": ceilings.addresses * 100,
        "devices per broadcast domain": ceilings.devices_per_segment,
        "uplink oversubscription at the access layer": links.OVERSUBSCRIPTION_LIMIT,
        "link utilisation alarm, 5-minute p95": ceilings.links * 100,
        "recorder uplink headroom": ceilings.recorder_link * 100,
        "switch hops from router": ceilings.hops,
        "UPS run time for network core": wanted / 60,
        "UPS load": ceilings.backup_power * 100,
    }
    if row.group != "worked":
        return rules[row.item]
    thumb_w = 12 * feeding.CAMERA_RULE_W + 5 * feeding.ACCESS_POINT_RULE_W
    worked: dict[str, Answer] = {
        "12 cameras + 5 access points at the rules above": thumb_w,
        "the same with 25 % growth": thumb_w * (1 + header.growth),
    }
    return worked[row.quantity]


def _check(subject: str, source: str, table: str, groups: tuple[str, ...], model: Callable[[Row], Answer]) -> Check:
    return Check(subject, source, partial(compare, table=table, groups=groups, model=model))


CHECKS: tuple[Check, ...] = (
    _check("PoE types", "IEEE 802.3 Tables 33-1, 33-11, 145-1, 145-16", "poe_classes", ("type",), poe_type),
    _check("PoE classes", "IEEE 802.3 Tables 33-7, 33-17, 33-18, 145-11, 145-26", "poe_classes", ("class",), poe_class),
    _check(
        "PoE classes of two signatures",
        "IEEE 802.3 Tables 145-12, 145-26",
        "poe_classes",
        ("dual-signature",),
        poe_dual,
    ),
    _check(
        "PoE through the longest channel",
        "IEEE 802.3 33.2.6, 145.2.8",
        "poe_classes",
        ("worked max channel",),
        poe_channel,
    ),
    _check("PoE through real cables", "IEEE 802.3 33.2.6; ASTM B258", "poe_classes", ("worked real cable",), poe_cable),
    _check("PoE power set aside", "IEEE 802.3 Tables 33-7, 145-11", "poe_classes", ("worked budget",), poe_budget),
    _check("Copper conductors", "ASTM B258; IEC 60028", "cable", ("conductor",), conductor),
    _check(
        "Cable limits", "ANSI/TIA-568.2-D; ISO/IEC 11801-1", "cable", ("length", "DC limit", "PoE bundle"), cable_limit
    ),
    _check("Category against rate", cable.CATEGORY_BASIS, "cable", ("category", "rate x category"), category),
    _check("Voltage drop and heat", "Ohm's and Joule's laws", "cable", ("worked voltage drop",), voltage_drop),
    _check("Ethernet frame rates", "RFC 5180 Appendix A.1", "ethernet", ("max frame rate",), frame_rate),
    _check("Ethernet framing", "IEEE 802.3 clauses 3, 4", "ethernet", ("overhead",), framing),
    _check("Goodput ceilings", "IEEE 802.3; RFC 791, 8200, 9293, 768", "ethernet", ("goodput ceiling",), goodput),
    _check("Octet and line utilisation", "RFC 3635 3.2", "ethernet", ("utilisation",), utilisation),
    _check("Bit rate of a call", "RFC 3550; IEEE 802.3", "ethernet", ("voice bit rate",), voice_rate),
    _check("Oversubscription", "arithmetic", "ethernet", ("oversubscription",), oversubscribed),
    _check("E-model defaults", "ITU-T G.107 Table 3", "emodel", ("default",), emodel_default),
    _check("E-model codecs", "ITU-T G.113 Appendix I", "emodel", ("codec",), emodel_codec),
    _check(
        "E-model scores",
        "ITU-T G.107 Annex B, Appendix I; G.109",
        "emodel",
        ("R to MOS", "MOS to R", "user category"),
        emodel_score,
    ),
    _check("E-model calls, full", "ITU-T G.107 7.1 to 7.5", "emodel", ("worked full G.107",), emodel_call),
    _check("E-model calls, simplified", "Cole and Rosenbluth 2001", "emodel", ("worked simplified",), emodel_call),
    _check("Address ranges", "RFC 1918, 6598, 3927, 5737, 4193, 4291 ...", "addressing", ("range",), address_range),
    _check("Hosts and masks", "RFC 950, 1878, 3021", "addressing", ("hosts per prefix",), prefix),
    _check("Networks for so many devices", "common practice; RFC 950", "addressing", ("worked subnet",), subnet),
    _check("Pools", "Little 1961", "addressing", ("worked pool",), pool),
    _check(
        "Recording",
        "arithmetic; IEC 80000-13",
        "storage",
        ("units", "rate", "worked need", "worked days", "raid factor"),
        storage,
    ),
    _check(
        "Rules of the trade",
        "common practice, no source",
        "trade_rules",
        ("PoE", "growth", "addresses", "links", "power", "worked"),
        trade,
    ),
)
