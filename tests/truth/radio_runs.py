"""
Goodput and busy share against runs of a discrete-event simulator (ns-3), row by row.

The simulator shares no code and no formula with the program. Its frames last what the standard says, but for VHT (it leaves
out SIG-B, 4 us) and HE (8 us for every training symbol); both stay inside what is allowed, so nothing is adapted to it. A run
is three seeds; no row is held closer than three standard errors of its mean.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from functools import partial
from math import sqrt
from typing import TYPE_CHECKING

from netaudit.capacity.airtime import (
    ACK_BYTES,
    Category,
    Channel,
    Exchange,
    Protection,
    access,
    exchange,
    frames_per_turn,
    mpdu_bytes,
    ppdu_us,
)
from netaudit.capacity.busy import repeated_share
from netaudit.capacity.contention import Sender, backoff, saturate, sender
from netaudit.capacity.rates import Band, Mode, Phy, dsss, ht, ofdm
from tests.truth.check import Check, Result

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

UDP_IP_BYTES = 28


@dataclass(frozen=True, slots=True)
class Group:
    """Stations of a run that are alike, as the program sees them."""

    count: int
    mode: Mode
    payload_bits: float
    one: Exchange
    offered_bps: float
    sender: Sender


@dataclass(frozen=True, slots=True)
class Run:
    """One row: what was simulated, and what came out."""

    row: dict[str, str]
    groups: tuple[Group, ...]
    slot_us: float
    beacons: float

    @property
    def kind(self) -> str:
        """Which tolerance holds."""
        row, notes = self.row, self.row["notes"]
        if "unsaturated" in notes:
            return "below half" if float(row["busy_fraction"]) < 0.5 else "above half"
        if "+" in row["mcs"]:
            with_dsss = "DSSS" in row["mcs"]
            return "mixed, DSSS" if with_dsss else "mixed, A-MPDU" if row["aggregation"] != "none" else "mixed, OFDM"
        if row["n_stations"] == "1" or row["direction"] == "downlink":
            return "one sender"
        if row["aggregation"] != "none":
            return "A-MPDU, direct" if "UseExplicitBarAfterMissedBlockAck=false" in notes else "A-MPDU, asked"
        return "200 B" if row["payload_bytes"] == "200" else "several"

    @property
    def goodput_bps(self) -> tuple[float, ...]:
        """Goodput of each group by the program's model; beacons take their share first."""
        solved = saturate([group.sender for group in self.groups], self.slot_us)
        return tuple(rate * (1 - self.beacons) for rate in solved.goodput_bps)

    @property
    def busy(self) -> float:
        """Share of the time with frames on the air, as the simulator counts it: without the gaps in an exchange."""
        if "unsaturated" in self.row["notes"]:
            turns = [group.count * group.offered_bps / group.payload_bits for group in self.groups]
            share = sum(rate * group.one.on_air_us for rate, group in zip(turns, self.groups, strict=True)) / 1e6
            wait_us = self.groups[0].sender.success_us - self.groups[0].one.busy_us
            stations = sum(group.count for group in self.groups)
            load = share + self.beacons
            return load + repeated_share(load, sum(turns), wait_us, stations, self.groups[0].sender.rule)
        solved = saturate([group.sender for group in self.groups], self.slot_us)
        rates = zip(solved.successes_per_s, solved.collisions_per_s, self.groups, strict=True)
        on_air_us = sum(won * group.one.on_air_us + lost * group.one.collision_us for won, lost, group in rates)
        return self.beacons + (1 - self.beacons) * on_air_us / 1e6


def _mode(name: str, row: dict[str, str]) -> Mode:
    if name.startswith("DSSS"):
        return dsss(float(name.removeprefix("DSSS")))
    index = int(re.sub(r"\D", "", name))
    if "OFDM" in name:
        return ofdm(index)
    streams, width, guard = int(row["nss"]), int(row["width_mhz"]), int(row["gi_ns"])
    if name.startswith("HT"):
        return ht(index, streams=streams, width_mhz=width, guard_ns=guard)
    return Mode(Phy.VHT if name.startswith("VHT") else Phy.HE, index, streams, width, guard)


def _found(notes: str, pattern: str) -> list[float]:
    found = re.search(pattern, notes)
    if found is None:
        raise LookupError(f"{pattern!r} is not in {notes!r}")
    return [float(value) for value in found.groups() if value is not None]


def _channel(row: dict[str, str]) -> Channel:
    band, notes = Band(row["band_ghz"]), row["notes"]
    if row["standard"] == "802.11b":  # acknowledged at 2 Mb/s in these runs
        return Channel(band, long_slot=True, basic_mbps=(2.0,))
    if "CTS-to-self" in notes:
        return Channel(band, long_slot=True, protection=Protection.CTS_TO_SELF)
    return Channel(band)


def read(row: dict[str, str]) -> Run:
    """Set up the program's model of a row."""
    notes, channel = row["notes"], _channel(row)
    names = row["mcs"].split("+")
    payloads = [int(size) for size in row["payload_bytes"].split("+")]
    stations = int(row["n_stations"])
    if len(names) > 1:
        counts = [1, 1] if stations == 2 else [int(n) for n in re.findall(r"(\d+) (?:stations )?x ", notes)]
    else:
        counts = [1 if row["direction"] == "downlink" else stations]
    offered = _found(notes, r"offered_mbps_per_station=([\d.]+)(?: \(first group\) ([\d.]+))?")
    saturated = "unsaturated" not in notes
    qos = "EDCA" in notes or row["standard"] in ("802.11n", "802.11ac", "802.11ax")
    groups = []
    for index, name in enumerate(names):
        mode = _mode(name, row)
        with_qos = qos and not mode.is_dsss
        payload = payloads[min(index, len(payloads) - 1)]
        size = mpdu_bytes(payload + UDP_IP_BYTES, qos=with_qos, ciphered=False)
        frames = 1
        if saturated and with_qos and row["aggregation"] != "none":
            frames = frames_per_turn(mode, size, channel.band, max_bytes=int(row["aggregation"].split()[1]))
        one = exchange(mode, size, channel, frames=frames)
        dsss_device = mode.is_dsss and channel.long_slot
        rules = access(Category.BEST_EFFORT if with_qos else Category.DCF, dsss_only=dsss_device)
        rule = backoff(rules, channel.spacing, preamble_us=192 if mode.is_dsss else 20)
        wait_us = channel.spacing.aifs_us(rules.aifs_slots)
        bits = 8.0 * payload * frames
        sends = sender(counts[index], rule, one, wait_us, bits)
        if "then EIFS" in notes:  # receivers that locked on a collision wait longer
            # IEEE 802.11-2020 10.3.7: SIFS, an ACK at the lowest mandatory rate, DIFS.
            eifs_us = channel.spacing.sifs_us + ppdu_us(ofdm(6), ACK_BYTES, channel.band) + channel.spacing.aifs_us(2)
            longer_us = one.collision_us + eifs_us
            sends = Sender(sends.count, rule, sends.success_us, longer_us, bits)
        groups.append(Group(counts[index], mode, bits, one, 1e6 * offered[min(index, len(offered) - 1)], sends))
    (beacons,) = _found(notes, r"beacon_airtime=([\d.]+)")
    return Run(row, tuple(groups), channel.spacing.slot_us, beacons)


def runs(folder: Path) -> list[Run]:
    """Read all rows of tests/reference/ns3/runs.csv."""
    with (folder / "ns3" / "runs.csv").open(encoding="utf-8", newline="") as handle:
        return [read(row) for row in csv.DictReader(handle)]


def _off(run: Run, tolerance: float) -> float:
    """Relative error of the total goodput, less what three standard errors of the run excuse beyond the tolerance."""
    mean, sd = float(run.row["goodput_mbps_mean"]), float(run.row["goodput_mbps_sd"])
    error = abs(sum(run.goodput_bps) / 1e6 / mean - 1)
    return 0.0 if error <= 3 * sd / sqrt(3) / mean and error > tolerance else error


def goodput(folder: Path, *, kind: str, tolerance: float) -> Result:
    """Total goodput of the saturated rows of one kind."""
    errors = [_off(run, tolerance) for run in runs(folder) if run.kind == kind]
    return Result(len(errors), 100 * max(errors), "%", 100 * tolerance)


def bound(folder: Path) -> Result:
    """
    Goodput of the A-MPDU rows in which a lost Block ACK is first asked for again.

    The simulator contends once more before it sends again; the model doesn't, so it may only lie above.
    """
    below = []
    for run in runs(folder):
        if run.kind == "A-MPDU, asked":
            mean, sd = float(run.row["goodput_mbps_mean"]), float(run.row["goodput_mbps_sd"])
            below.append(max(0.0, 1 - (sum(run.goodput_bps) / 1e6 + 3 * sd / sqrt(3)) / mean))
    return Result(len(below), 100 * max(below), "% below", 0.0)


def each(folder: Path) -> Result:
    """Goodput of each group of the OFDM rows with a slow and a fast station."""
    errors = []
    for run in runs(folder):
        if run.kind == "mixed, OFDM":
            shares = _found(run.row["notes"], r"goodput_first_group=([\d.]+) goodput_second_group=([\d.]+)")
            errors += [abs(model / 1e6 / seen - 1) for model, seen in zip(run.goodput_bps, shares, strict=True)]
    return Result(len(errors), 100 * max(errors), "%", 7.0)


def order(folder: Path) -> Result:
    """Which group of a DSSS mix gets more: only the order is asked for; 1 where it is wrong by more than 5 %."""
    wrong = []
    for run in runs(folder):
        if run.kind == "mixed, DSSS":
            fast, slow = _found(run.row["notes"], r"goodput_first_group=([\d.]+) goodput_second_group=([\d.]+)")
            model_fast, model_slow = run.goodput_bps
            wrong.append(float((fast > slow) and model_fast < 0.95 * model_slow))
    return Result(len(wrong), max(wrong), "wrong orders", 0.0)


def busy(folder: Path, *, kind: str, tolerance: float) -> Result:
    """Busy share of rows that are not saturated."""
    errors = [abs(run.busy / float(run.row["busy_fraction"]) - 1) for run in runs(folder) if run.kind == kind]
    return Result(len(errors), 100 * max(errors), "%", 100 * tolerance)


def busy_saturated(folder: Path) -> Result:
    """Busy share of the saturated rows but those that ask for a lost Block ACK."""
    skipped = ("below half", "above half", "A-MPDU, asked")
    errors = [abs(run.busy / float(run.row["busy_fraction"]) - 1) for run in runs(folder) if run.kind not in skipped]
    return Result(len(errors), 100 * max(errors), "%", 2.0)


_SOURCE = "ns-3 3.44, 3 seeds a row"
_GOODPUT = {
    "one sender": 0.01,
    "several": 0.03,
    "200 B": 0.05,
    "A-MPDU, direct": 0.03,
    "mixed, OFDM": 0.03,
    "mixed, A-MPDU": 0.06,
    "mixed, DSSS": 0.12,
}
_OTHERS: tuple[tuple[str, Callable[[Path], Result]], ...] = (
    ("simulated goodput: A-MPDU, asked (model may only lie above)", bound),
    ("simulated goodput: mixed, OFDM, each", each),
    ("simulated goodput: mixed, DSSS, order", order),
    ("simulated busy share: below half", partial(busy, kind="below half", tolerance=0.02)),
    ("simulated busy share: above half", partial(busy, kind="above half", tolerance=0.07)),
    ("simulated busy share: saturated", busy_saturated),
)
CHECKS = (
    *(
        Check(f"simulated goodput: {kind}", _SOURCE, partial(goodput, kind=kind, tolerance=tolerance))
        for kind, tolerance in _GOODPUT.items()
    ),
    *(Check(subject, _SOURCE, run) for subject, run in _OTHERS),
)
