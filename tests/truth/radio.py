"""
Radio rates, durations, contention, levels and path loss against published and independently computed values.

Each table under tests/reference/wifi keeps its rows' sources. A row that no model answers must be named in NOT_MODELLED with
its reason, so nothing is skipped in silence.
"""

from __future__ import annotations

import csv
import math
import re
from functools import partial
from typing import TYPE_CHECKING

from netaudit.capacity import airtime, propagation
from netaudit.capacity.airtime import Category, access, answer_mode, ppdu_us, preamble_us, spacing
from netaudit.capacity.busy import BEACON_PERIOD_S
from netaudit.capacity.contention import Backoff, Sender, attempt_rate, fixed_point, saturate
from netaudit.capacity.propagation import Environment
from netaudit.capacity.rates import (
    Band,
    Mode,
    Phy,
    data_bits,
    dsss,
    ht,
    ofdm,
    rate_bps,
    refused,
    symbol_ns,
)
from netaudit.capacity.sensitivity import minimum_dbm
from tests.truth.check import Check, Result

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

Row = dict[str, str]
G2, G5 = Band.GHZ_2_4, Band.GHZ_5


def rows(folder: Path, table: str) -> list[Row]:
    """Read a table of tests/reference/wifi."""
    with (folder / "wifi" / f"{table}.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def mode_of(row: Row) -> Mode:
    """Build the mode that a rate row names; raises OutOfRange where the program refuses it."""
    mcs = float(row["mcs"])
    if "DSSS" in row["phy"]:
        return dsss(mcs)
    return Mode(Phy(row["phy"]), mcs, int(row["nss"]), int(row["bw_mhz"]), int(row["gi_ns"] or 0))


def rates(folder: Path) -> Result:
    """Every valid rate to the printed digit; every hole refused."""
    errors = []
    for row in rows(folder, "rates"):
        names = Phy(row["phy"]), float(row["mcs"]), int(row["nss"]), int(row["bw_mhz"]), int(row["gi_ns"] or 0)
        if row["valid"] != "yes":
            errors.append(0.0 if refused(*names) else math.inf)
            continue
        mode = Mode(*names)
        errors.append(abs(rate_bps(mode) / 1e6 - float(row["rate_mbps"])))
        errors.append(abs(math.floor(rate_bps(mode) / 1e5 + 0.5) / 10 - float(row["rate_1dp"])))
        if row["n_dbps"]:
            errors.append(abs(float(data_bits(mode)) - float(row["n_dbps"])))
    return Result(len(errors), max(errors), "Mb/s or bits", 1e-6)


def published_rates(folder: Path) -> Result:
    """Rates as public tables print them, in units of half their last digit."""
    errors = []
    for row in rows(folder, "published_rates"):
        if row["published_mbps"] == "n/a":  # a hole, printed as one
            names = Phy(row["phy"]), float(row["mcs"]), int(row["nss"]), int(row["bw_mhz"]), int(row["gi_ns"])
            errors.append(0.0 if refused(*names) else math.inf)
            continue
        error = abs(rate_bps(mode_of(row)) / 1e6 - float(row["published_mbps"]))
        # Whole rates are printed without a decimal and must agree exactly; a micro-Mb/s is the float's own rounding.
        errors.append(max(0.0, error - 1e-6) / (float(row["tolerance_mbps"]) or 1e-9))
    return Result(len(errors), max(errors), "half of the last digit", 1.0)


def duration(row: Row) -> float:
    """Answer a duration row."""
    name = row["mode"].split()
    band = Band(row["band_ghz"])
    phy = row["phy"].removeprefix("ERP-")
    size = int(row["psdu_bytes"])
    if "DSSS" in phy:
        mode, short = dsss(float(name[0])), row["preamble"] == "short"
        whole_us = ppdu_us(mode, size, band, short_preamble=short)
        return whole_us - preamble_us(mode, short_preamble=short) if row["preamble"].startswith("none") else whole_us
    if phy == "OFDM":
        return ppdu_us(ofdm(int(name[0])), size, band)
    mcs, streams = int(name[1]), int(row["nss"])
    return ppdu_us(Mode(Phy(phy), mcs, streams, int(row["bw_mhz"]), int(row["gi_ns"])), size, band)


def durations(folder: Path) -> Result:
    """PPDU durations by the standard's equations."""
    errors = [abs(duration(row) - float(row["standard_us"])) for row in rows(folder, "durations")]
    return Result(len(errors), max(errors), "us", 1e-9)


def sensitivities(folder: Path) -> Result:
    """Minimum sensitivity by modulation and width."""
    errors = []
    for row in rows(folder, "sensitivity"):
        number = float(re.sub(r"[^\d.]", "", row["mcs_or_rate"]))
        width = int(row["bw_mhz"])
        if "DSSS" in row["phy"]:
            mode = dsss(number)
        elif row["phy"] == "OFDM":
            mode = ofdm(int(number))
        else:
            mode = Mode(Phy(row["phy"]), number, 1, width, 800)
        errors.append(abs(minimum_dbm(mode) - float(row["min_sensitivity_dbm"])))
    return Result(len(errors), max(errors), "dB", 0.0)


# ------------------------------------------------------------------------------------------------------------- timing

_CATEGORIES = {
    "AC_BK": Category.BACKGROUND,
    "AC_BE": Category.BEST_EFFORT,
    "AC_VI": Category.VIDEO,
    "AC_VO": Category.VOICE,
}
_BYTES = {
    "ACK": airtime.ACK_BYTES,
    "CTS": airtime.CTS_BYTES,
    "RTS": airtime.RTS_BYTES,
    "BlockAck, compressed, 64-bit bitmap": airtime.BLOCK_ACK_BYTES[64],
    "BlockAck, compressed, 256-bit bitmap": airtime.BLOCK_ACK_BYTES[256],
    "data MAC header, 3 addresses": airtime.DATA_HEADER_BYTES,
    "QoS Control": airtime.QOS_BYTES,
    "FCS": airtime.FCS_BYTES,
    "LLC/SNAP": airtime.LLC_BYTES,
    "CCMP-128 overhead (header 8 + MIC 8)": airtime.CIPHER_BYTES,
}
_SPACES = {
    ("slot time", "DSSS, HR-DSSS"): spacing(G2, long_slot=True).slot_us,
    ("slot time", "OFDM 20 MHz (5 GHz), HT, VHT, HE in 5/6 GHz"): spacing(G5).slot_us,
    ("slot time", "ERP / HT / HE in 2.4 GHz, short slot"): spacing(G2).slot_us,
    ("slot time", "ERP / HT / HE in 2.4 GHz, long slot (a non-short-slot STA present)"): spacing(
        G2, long_slot=True
    ).slot_us,
    ("SIFS", "2.4 GHz (DSSS, HR-DSSS, ERP, HT, HE)"): spacing(G2).sifs_us,
    ("SIFS", "5 GHz and 6 GHz (OFDM, HT, VHT, HE)"): spacing(Band.GHZ_6).sifs_us,
    ("signal extension", "2.4 GHz ERP-OFDM, HT, HE PPDUs"): ppdu_us(ofdm(54), 100, G2) - ppdu_us(ofdm(54), 100, G5),
    ("DIFS = SIFS + 2 slot", "802.11b or long-slot 2.4 GHz"): spacing(G2, long_slot=True).aifs_us(2),
    ("DIFS = SIFS + 2 slot", "2.4 GHz short slot"): spacing(G2).aifs_us(2),
    ("DIFS = SIFS + 2 slot", "5 GHz"): spacing(G5).aifs_us(2),
}
_ANSWERS = {
    ("ACK duration", "DSSS 1 Mb/s, long preamble"): ppdu_us(dsss(1), airtime.ACK_BYTES, G2),
    ("ACK duration", "DSSS 2 Mb/s, long preamble"): ppdu_us(dsss(2), airtime.ACK_BYTES, G2),
    ("ACK duration", "HR-DSSS 2 Mb/s, short preamble"): ppdu_us(dsss(2), airtime.ACK_BYTES, G2, short_preamble=True),
    ("ACK duration", "OFDM 6 Mb/s"): ppdu_us(ofdm(6), airtime.ACK_BYTES, G5),
    ("ACK duration", "OFDM 12 Mb/s"): ppdu_us(ofdm(12), airtime.ACK_BYTES, G5),
    ("ACK duration", "OFDM 24 Mb/s"): ppdu_us(ofdm(24), airtime.ACK_BYTES, G5),
    ("compressed BlockAck duration", "OFDM 24 Mb/s (32 octets)"): ppdu_us(ofdm(24), 32, G5),
    ("compressed BlockAck duration", "OFDM 6 Mb/s (32 octets)"): ppdu_us(ofdm(6), 32, G5),
}
# item, or (item, scope) -> why no function answers it.
NOT_MODELLED = {
    "ACK timeout": "a formula in words; contention uses it",
    "PIFS = SIFS + slot": "access points take it before beacons of theirs that nobody contends for; no load here does",
    "EIFS = SIFS + ACK at lowest mandatory rate + DIFS": "the model of collisions is the paper's, which waits DIFS",
    "AP-side set: AC_BE CWmax": "the program contends with the stations' own set",
    "AP-side set: AC_VI, AC_VO AIFSN": "the program contends with the stations' own set",
    "short retry limit (frames below RTS threshold)": "contention takes frames as tried until they arrive",
    "long retry limit": "contention takes frames as tried until they arrive",
    "HT-greenfield = 8 + 8 + HT-SIG 8 + 4 x (N_LTF - 1)": "almost unused; HT-mixed is planned with",
    "HE packet extension": "the receiver's own; planned without",
    ("HE-LTF each (1x LTF 3.2 + GI)", "GI 800 ns"): "an option of the sender; the usual pairs are planned with",
    ("HE-LTF each (4x LTF 12.8 + GI)", "GI 800 ns"): "an option of the sender; the usual pairs are planned with",
    "short-GI PPDU length": "a formula in words; the durations check it",
    "SERVICE field": "inside the durations",
    "tail bits": "inside the durations",
    "PS-Poll": "not part of any exchange that is planned",
    "CF-End": "not part of any exchange that is planned",
    "BlockAckReq, compressed": "not part of any exchange that is planned",
    "BlockAck, basic": "not used since compressed ones exist",
    "data MAC header, 4 addresses": "between access points only",
    "management header": "inside the beacon's size",
    "HT Control": "not part of any exchange that is planned",
    "TKIP overhead (IV 8 + MIC 8 + ICV 4)": "withdrawn; the plan uses CCMP",
    "GCMP-256 overhead (header 8 + MIC 16)": "the plan uses CCMP",
    "A-MSDU subframe header": "A-MSDU is not planned with",
    "A-MSDU maximum, HT": "A-MSDU is not planned with",
    "MPDU maximum, VHT": "A-MSDU is not planned with",
    "maximum MSDU": "a constant of `busy` less LLC/SNAP",
    ("maximum PPDU duration", "HT-greenfield"): "almost unused",
    "control response rate": "a rule in words; `answer_mode` and its test",
    "beacon rate": "a rule in words; `Channel.lowest` and its test",
    ("maximum PSDU", "VHT"): "follows from the longest PPDU, which binds first",
    "time unit TU": "inside the beacon interval",
}


def _number(text: str, pattern: str) -> int:
    found = re.search(pattern, text)
    if found is None:
        raise LookupError(f"{pattern!r} is not in {text!r}")
    return int(found.group(1))


def _edca(item: str, scope: str) -> float | None:
    category = next((known for name, known in _CATEGORIES.items() if scope.startswith(name)), None)
    if category is None:
        return None
    rules = access(category, dsss_only="aCWmin=31" in scope or "DSSS" in scope)
    if item.startswith("AIFS ="):
        return spacing(G5 if "5 GHz" in scope else G2).aifs_us(rules.aifs_slots)
    return {"AIFSN": rules.aifs_slots, "CWmin": rules.cw_min, "CWmax": rules.cw_max, "TXOP limit": rules.txop_us}[item]


def _preamble(item: str, scope: str) -> float:
    if item == "long preamble + header":
        return preamble_us(dsss(1))
    if item == "short preamble + header":
        return preamble_us(dsss(11), short_preamble=True)
    if item.startswith("L-STF"):
        return preamble_us(ofdm(6))
    if item.startswith("HT-mixed"):
        return preamble_us(ht(0, streams=_number(scope, r"NSS (\d)")))
    if item.startswith("VHT SU"):
        return preamble_us(Mode(Phy.VHT, 0, _number(scope, r"NSS (\d)"), 80, 800))
    if item.startswith("HE SU fixed"):
        return preamble_us(Mode(Phy.HE, 0)) - 7.2
    guard = _number(scope, r"GI (\d+)")
    if item.startswith("HE SU total"):
        return preamble_us(Mode(Phy.HE, 0, _number(scope, r"NSS (\d)"), 20, guard))
    return preamble_us(Mode(Phy.HE, 0, 2, 20, guard)) - preamble_us(Mode(Phy.HE, 0, 1, 20, guard))


def _aggregation(item: str, scope: str) -> float:
    if item == "MPDU delimiter":
        return airtime.DELIMITER_BYTES
    if item == "maximum A-MPDU length":
        return airtime.AMPDU_MAX_BYTES[Phy(scope)]
    if item.startswith("BlockAck window"):
        return airtime.BLOCK_ACK_WINDOW[Phy(scope.split(",", maxsplit=1)[0])]
    if item.startswith("maximum PPDU"):
        return airtime.PPDU_MAX_US
    return airtime.PSDU_MAX_BYTES


def timing(row: Row) -> float | None:
    """Answer a row of the timing table; None where it is NOT_MODELLED."""
    group, item, scope = row["group"], row["item"], row["scope"]
    if item in NOT_MODELLED or (item, scope) in NOT_MODELLED:
        return None
    if group == "ifs":
        return _SPACES[item, scope]
    if group == "contention":
        dsss_only = scope.startswith("DSSS")
        rules = access(Category.DCF, dsss_only=dsss_only)
        return rules.cw_min if item == "aCWmin" else rules.cw_max
    if group == "edca":
        return _edca(item, scope)
    if group == "preamble":
        return _preamble(item, scope)
    if group == "symbol":
        mode = ofdm(6) if scope.startswith("OFDM") else Mode(Phy.EHT, 0)
        return symbol_ns(mode) / 1000 - mode.guard_ns / 1000
    if group == "frame size":
        return _BYTES[item]
    if group == "aggregation":
        return _aggregation(item, scope)
    if group == "response":
        return _ANSWERS[item, scope]
    return BEACON_PERIOD_S * 1e6 / 1024


def timings(folder: Path) -> Result:
    """Interframe spaces, contention parameters, preambles, frame sizes and limits."""
    errors = []
    for row in rows(folder, "timing"):
        answer = timing(row)
        if answer is not None:
            errors.append(abs(answer - float(row["value"])))
    return Result(len(errors), max(errors), "of the row's unit", 1e-9)


# --------------------------------------------------------------------------------------------------------- contention

# Bianchi 2000 Table II: 1 Mb/s, so a bit is a microsecond.
_PAYLOAD, _HEADERS, _ACK, _RTS, _CTS = 8184.0, 272.0 + 128.0, 112.0 + 128.0, 160.0 + 128.0, 112.0 + 128.0
_SIFS, _DIFS, _DELAY, _SLOT = 28.0, 128.0, 1.0, 50.0
_BASIC = (_HEADERS + _PAYLOAD + _SIFS + _DELAY + _ACK + _DIFS + _DELAY, _HEADERS + _PAYLOAD + _DIFS + _DELAY)
_HANDSHAKE = (
    _RTS + _SIFS + _DELAY + _CTS + _SIFS + _DELAY + _HEADERS + _PAYLOAD + _SIFS + _DELAY + _ACK + _DIFS + _DELAY,
    _RTS + _DIFS + _DELAY,
)


def throughput(window: int, stages: int, stations: int, access_name: str) -> float:
    """Bianchi's normalised saturation throughput with the parameters of his Table II."""
    success_us, collision_us = _HANDSHAKE if access_name == "rts" else _BASIC
    one = Sender(stations, Backoff(window, stages), success_us, collision_us, _PAYLOAD)
    return sum(saturate([one], _SLOT).goodput_bps) / 1e6


def solved(folder: Path) -> Result:
    """Attempt rate, collision chance and throughput against an independent solution of the same equations."""
    errors = []
    for row in rows(folder, "bianchi_solved"):
        if not row["W"]:
            continue  # the maximum over tau is a property of the paper's formula, not of a station
        window, stages, stations = int(row["W"]), int(row["m"]), int(row["n"])
        tau, p = fixed_point(stations, Backoff(window, stages))
        errors += [abs(tau - float(row["tau"])), abs(p - float(row["p"]))]
        errors.append(abs(throughput(window, stages, stations, row["access"]) - float(row["S"])))
    return Result(len(errors), max(errors), "", 1e-6)


def printed(folder: Path) -> Result:
    """The throughputs that Bianchi prints in his Table III, to the printed digits."""
    errors = []
    for row in rows(folder, "bianchi_printed"):
        if row["group"] == "Table III":
            found = re.search(r"W=(\d+) m=(\d+) n=(\d+)", row["item"])
            if found is None:
                raise LookupError(row["item"])
            window, stages, stations = map(int, found.groups())
            errors.append(abs(throughput(window, stages, stations, "basic") - float(row["value"])))
    return Result(len(errors), max(errors), "", 0.00005)


def _simulated_mode(name: str) -> tuple[Mode, Band]:
    if name.startswith("Dsss"):
        return dsss(float(name.removeprefix("DsssRate").removesuffix("Mbps"))), G2
    if "Ofdm" in name:
        return ofdm(_number(name, r"Rate(\d+)")), G2 if name.startswith("Erp") else G5
    return Mode(Phy.HE, _number(name, r"Mcs(\d+)"), 1, _number(name, r"_(\d+)MHz")), G5


def simulator_table(row: Row) -> float:
    """
    Saturation throughput with the conventions of the tables that the simulator ships [Mb/s].

    They count 1500 octets of payload in a frame of 1536 (1538 with QoS), 8 us a HE-LTF, and for stations without QoS a won
    turn as 1 / (1 - 1 / W) exchanges and one more slot; with QoS an AIFS of 3 slots follows a success, a DIFS a collision.
    "EIFS": SIFS, ACK and DIFS after a collision.
    """
    mode, band = _simulated_mode(row["phy_mode"])
    he, slow = mode.phy is Phy.HE, mode.is_dsss
    gaps = spacing(band, long_slot=slow)
    # These tables have no signal extension in 2.4 GHz, which is what 5 GHz durations are.
    plain = band if slow else G5
    data_us = ppdu_us(mode, 1538 if he else 1536, plain) + (0.8 if he else 0.0)
    ack_us = ppdu_us(answer_mode(mode), airtime.ACK_BYTES, plain)
    if row["phy_mode"].startswith("Erp"):
        data_us, ack_us = data_us + 6, ack_us + 6
    success_us = data_us + gaps.sifs_us + ack_us + gaps.aifs_us(3 if he else 2)
    after_us = gaps.aifs_us(2) + (gaps.sifs_us + ack_us if row["collision_ends_with"] == "EIFS" else 0.0)
    rule = Backoff(32, 5) if slow else Backoff(16, 6)
    bits, collision_us = 12_000.0, data_us + after_us
    if not he:
        again = rule.window / (rule.window - 1)
        bits, success_us = bits * again, success_us * again + gaps.slot_us
    one = Sender(int(row["n"]), rule, success_us, collision_us, bits)
    return sum(saturate([one], gaps.slot_us).goodput_bps) / 1e6


def simulator_tables(folder: Path) -> Result:
    """Saturation throughput against the analytic tables that the simulator ships."""
    errors = []
    for row in rows(folder, "bianchi_simulator"):
        published = float(row["published_mbps"])
        errors.append(100 * abs(simulator_table(row) / published - 1))
    return Result(len(errors), max(errors), "%", 0.15)


# -------------------------------------------------------------------------------------------------------- propagation

_KINDS = {
    "residential": Environment.HOUSE,
    "residential house": Environment.HOUSE,
    "residential apartment": Environment.APARTMENT,
    "office": Environment.OFFICE,
    "commercial": Environment.COMMERCIAL,
}


def _between(kind: Environment, mhz: float, floors: int) -> float:
    return propagation.indoor_loss_db(mhz, 1.0, floors, kind) - propagation.indoor_loss_db(mhz, 1.0, 0, kind)


def _coefficient(row: Row) -> list[float]:
    """Compare one P.1238 coefficient: read back from the losses that the function gives."""
    kind, mhz = _KINDS[row["environment"]], float(row["freq_ghz"]) * 1000
    if row["item"] == "N":
        near, far = (propagation.indoor_loss_db(mhz, d, 0, kind) for d in (1.0, 10.0))
        return [abs(far - near - float(row["value"]))]
    value = row["value"]
    wanted = {
        "4 n": ((1, 4.0), (3, 12.0)),
        "15 + 4 (n-1)": ((1, 15.0), (3, 23.0)),
        "6 + 3 (n-1)": ((1, 6.0), (3, 12.0)),
        "22 (1 floor), 28 (2 floors)": ((1, 22.0), (2, 28.0)),
    }.get(value) or ((1, float(value)),)
    return [abs(_between(kind, mhz, floors) - loss) for floors, loss in wanted]


def _example(row: Row) -> float:
    item = row["item"]
    f = float(_number(item, r"f=(\d+)"))
    d = float(_number(item, r"d=(\d+)"))
    floors = 0 if "same floor" in item else 1
    return propagation.indoor_loss_db(f, d, floors, _KINDS[row["environment"]])


def path_losses(folder: Path) -> Result:
    """P.1238 coefficients and its examples, to the printed digit; the table's other models are not ours."""
    errors: list[float] = []
    for row in rows(folder, "path_loss"):
        if row["model"] != "P.1238 legacy":
            continue
        if row["kind"] == "example":
            errors.append(abs(_example(row) - float(row["value"])))
        elif row["kind"] == "coefficient" and row["item"] in ("N", "Lf(n)"):
            errors += _coefficient(row)
    return Result(len(errors), max(errors), "dB", 0.0006)


def _wall(row: Row) -> float | None:
    if row["model"].startswith("P.2040"):
        material, thickness_mm = re.fullmatch(r"(\D+) ([\d.]+) mm", row["environment"]).groups()  # type: ignore[union-attr]
        return propagation.slab_loss_db(material, float(thickness_mm) / 1000, float(row["freq_ghz"]) * 1000)
    if row["environment"] == "infrared-reflective (coated) glass" and row["item"] == "loss":
        band = next(one for one, mhz in propagation.BAND_MHZ.items() if mhz == float(row["freq_ghz"]) * 1000)
        return propagation.wall_loss_db("coated glass", band)
    return None


def walls(folder: Path) -> Result:
    """Slabs by P.2040 and coated glass by TR 38.901, to the printed digit."""
    errors = []
    for row in rows(folder, "path_loss"):
        answer = _wall(row) if row["kind"] == "wall" else None
        if answer is not None:
            errors.append(abs(answer - float(row["value"])))
    return Result(len(errors), max(errors), "dB", 0.0051)


def _closed_form(folder: Path, *, rule: Backoff) -> Result:
    """Compare the attempt rate with the paper's closed form, away from its singular point."""
    del folder
    errors = []
    for p in (0.0, 0.1, 0.25, 0.4, 0.49, 0.51, 0.6, 0.8):
        ratio = 1 - 2 * p
        closed = 2 * ratio / (ratio * (rule.window + 1) + p * rule.window * (1 - (2 * p) ** rule.stages))
        errors.append(abs(attempt_rate(p, rule) - closed))
    return Result(len(errors), max(errors), "", 1e-12)


_STANDARD = "IEEE 802.11-2020, 802.11ax-2021, 802.11be-2024"
_RUNS: tuple[tuple[str, str, Callable[[Path], Result]], ...] = (
    ("radio: rates", f"rate formula of {_STANDARD}", rates),
    ("radio: printed rates", "rate tables of the standards as public tables print them", published_rates),
    ("radio: PPDU durations", f"TXTIME equations of {_STANDARD}", durations),
    ("radio: spaces, preambles, sizes, limits", _STANDARD, timings),
    ("radio: minimum sensitivity", _STANDARD, sensitivities),
    ("contention: tau, p and S", "Bianchi 2000, equations solved apart", solved),
    ("contention: printed throughput", "Bianchi 2000, Table III", printed),
    ("contention: closed form", "Bianchi 2000, eq. (7)", partial(_closed_form, rule=Backoff(32, 5))),
    ("contention: simulator's tables", "ns-3 analytic saturation tables, 11a/b/g/ax", simulator_tables),
    ("path loss indoors", "ITU-R P.1238", path_losses),
    ("walls", "ITU-R P.2040-3, 3GPP TR 38.901", walls),
)
CHECKS = tuple(Check(subject, source, run) for subject, source, run in _RUNS)
