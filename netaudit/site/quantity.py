"""
Quantities as people write them: a number and its unit (`"42 m"`, `"1 Gb/s"`, `"8 TB"`), kept inside as SI floats.

A bare number is refused where a unit is needed: 30 could be metres or feet, and the ledger must not guess.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Final

from pydantic import BeforeValidator, WithJsonSchema

if TYPE_CHECKING:
    from collections.abc import Callable

# dimension -> unit as written -> factor to the SI unit inside. Factors: SI Brochure; foot and inch: exact by the 1959
# yard and pound agreement; IEC 80000-13 for the binary prefixes. B are octets.
UNITS: Final[dict[str, dict[str, float]]] = {
    "length [m]": {"m": 1.0, "cm": 0.01, "mm": 0.001, "km": 1000.0, "ft": 0.3048, "in": 0.0254},
    "power [W]": {"W": 1.0, "mW": 0.001, "kW": 1000.0},
    "energy [Wh]": {"Wh": 1.0, "kWh": 1000.0},
    "voltage [V]": {"V": 1.0},
    "rate [bit/s]": {"b/s": 1.0, "kb/s": 1e3, "Mb/s": 1e6, "Gb/s": 1e9, "kB/s": 8e3, "MB/s": 8e6},
    "width [MHz]": {"MHz": 1.0, "kHz": 0.001, "GHz": 1000.0},
    "level [dBm]": {"dBm": 1.0},
    "time [s]": {
        "s": 1.0,
        "ms": 0.001,
        "us": 1e-6,
        "min": 60.0,
        "h": 3600.0,
        "d": 86400.0,
        "weeks": 604800.0,
        "years": 31557600.0,
    },
    "storage [B]": {
        "B": 1.0,
        "kB": 1e3,
        "MB": 1e6,
        "GB": 1e9,
        "TB": 1e12,
        "KiB": 2.0**10,
        "MiB": 2.0**20,
        "GiB": 2.0**30,
        "TiB": 2.0**40,
    },
    "temperature [degC]": {"degC": 1.0},
    "share": {"%": 0.01},
}

_WRITTEN = re.compile(r"\s*([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*([A-Za-z%/]+)\s*")


def parse(written: object, dimension: str) -> float:
    """
    Read a quantity into the SI unit of its dimension.

    Args:      written the value from the plan, e.g. "42 m"; dimension a key of UNITS.
    Raises:    ValueError: no unit, or one of another dimension; the message says what to write.
    """
    units = UNITS[dimension]
    example = "25 %" if dimension == "share" else f"12 {next(iter(units))}"
    match = _WRITTEN.fullmatch(written) if isinstance(written, str) else None
    if match is None:
        if dimension == "share" and isinstance(written, int | float) and not isinstance(written, bool):
            return float(written)
        found = f'"{written}"' if isinstance(written, str) else f"{written}"
        raise ValueError(f'must be a number with its unit, such as "{example}", not {found}')
    number, unit = match.groups()
    if unit not in units:
        raise ValueError(f'has unit "{unit}"; write one of {", ".join(units)}, such as "{example}"')
    return float(number) * units[unit]


def in_unit_of(written: object, value: float) -> str:
    """Write an SI value (a bound, say) in the unit that somebody wrote another one in: 172800 beside "1 d" is "2 d"."""
    match = _WRITTEN.fullmatch(written) if isinstance(written, str) else None
    unit = match.group(2) if match else ""
    factor = next((units[unit] for units in UNITS.values() if unit in units), None)
    return f"{value:.12g}" if factor is None else f"{value / factor:.6g} {unit}"


def _parser(dimension: str) -> Callable[[object], float]:
    def read(written: object) -> float:
        return parse(written, dimension)

    return read


def _schema(dimension: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "unit": dimension, "units": list(UNITS[dimension])})


Length = Annotated[float, BeforeValidator(_parser("length [m]")), _schema("length [m]")]
Power = Annotated[float, BeforeValidator(_parser("power [W]")), _schema("power [W]")]
Energy = Annotated[float, BeforeValidator(_parser("energy [Wh]")), _schema("energy [Wh]")]
Voltage = Annotated[float, BeforeValidator(_parser("voltage [V]")), _schema("voltage [V]")]
Rate = Annotated[float, BeforeValidator(_parser("rate [bit/s]")), _schema("rate [bit/s]")]
Width = Annotated[float, BeforeValidator(_parser("width [MHz]")), _schema("width [MHz]")]
Level = Annotated[float, BeforeValidator(_parser("level [dBm]")), _schema("level [dBm]")]
Time = Annotated[float, BeforeValidator(_parser("time [s]")), _schema("time [s]")]
Storage = Annotated[float, BeforeValidator(_parser("storage [B]")), _schema("storage [B]")]
Temperature = Annotated[float, BeforeValidator(_parser("temperature [degC]")), _schema("temperature [degC]")]
Share = Annotated[float, BeforeValidator(_parser("share")), _schema("share")]
