"""
Path loss indoors: distance, floors, walls.

P.1238 gives the distance and the floors, P.2040 what a slab of wall lets through. Losses in dB, levels in dBm.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from netaudit.capacity.rates import Band
from netaudit.errors import OutOfRange

# Middle of each band, for losses that change slowly with frequency [MHz].
BAND_MHZ = {Band.GHZ_2_4: 2437.0, Band.GHZ_5: 5250.0, Band.GHZ_6: 6175.0}


class Environment(StrEnum):
    """Kinds of building for which P.1238 has coefficients."""

    HOUSE = "house"
    APARTMENT = "apartment"
    OFFICE = "office"
    COMMERCIAL = "commercial"


@dataclass(frozen=True, slots=True)
class _Indoor:
    """P.1238 coefficients: distance power N, loss of the first floor and of each further one [dB]."""

    power: float
    first_floor_db: float
    next_floor_db: float


# ITU-R P.1238 (editions to -9) Tables 2 and 3, by kind and band edge [GHz]. 1.9: as published. 2.4 house and apartment
# and all further floors of 2.4 and 5.2: from memory (linear in floors). 5.8: two floors 28 dB.
_INDOOR = {
    (Environment.HOUSE, 1.9): _Indoor(28, 4, 4),
    (Environment.APARTMENT, 1.9): _Indoor(28, 4, 4),
    (Environment.OFFICE, 1.9): _Indoor(30, 15, 4),
    (Environment.COMMERCIAL, 1.9): _Indoor(22, 6, 3),
    (Environment.HOUSE, 2.4): _Indoor(28, 5, 5),
    (Environment.APARTMENT, 2.4): _Indoor(28, 10, 10),
    (Environment.OFFICE, 2.4): _Indoor(30, 14, 14),
    (Environment.HOUSE, 5.2): _Indoor(28, 7, 7),
    (Environment.APARTMENT, 5.2): _Indoor(30, 13, 13),
    (Environment.OFFICE, 5.2): _Indoor(31, 16, 16),
    (Environment.OFFICE, 5.8): _Indoor(24, 22, 6),
}


def indoor_loss_db(
    frequency_mhz: float, distance_m: float, floors: int = 0, environment: Environment = Environment.HOUSE
) -> float:
    """
    Loss indoors between two points [dB], without single walls.

    Args:      floors between the two points; distances under 1 m count as 1 m, where the model begins.
    Raises:    OutOfRange: no coefficients for this kind of building near this frequency; negative floors.
    Source:    ITU-R P.1238 (editions to -9) eq. (1): 20 log f + N log d + Lf(n) - 28. Coefficients of the nearest
               frequency below; 6 GHz uses those of 5.2 GHz (5.8 in offices).
    """
    rows = [ghz for kind, ghz in _INDOOR if kind is environment and ghz * 1000 <= frequency_mhz]
    if not rows or floors < 0 or frequency_mhz > 7125:
        raise OutOfRange(f"no indoor loss for {environment}, {frequency_mhz:g} MHz, {floors} floors")
    row = _INDOOR[environment, max(rows)]
    floor_db = row.first_floor_db + (floors - 1) * row.next_floor_db if floors else 0.0
    return 20 * math.log10(frequency_mhz) + row.power * math.log10(max(distance_m, 1.0)) + floor_db - 28


# ITU-R P.2040-3 Table 3: relative permittivity a f^b, conductivity c f^d S/m, f in GHz (every b we use is 0).
_MATERIALS = {
    "concrete": (5.24, 0.0462, 0.7822),
    "brick": (3.91, 0.0238, 0.16),
    "plasterboard": (2.73, 0.0085, 0.9395),
    "wood": (1.99, 0.0047, 1.0718),
    "glass": (6.31, 0.0036, 1.3394),
    "ceiling board": (1.48, 0.0011, 1.075),
    "chipboard": (2.58, 0.0217, 0.78),
}
# Thickness of an ordinary wall [m] (common practice, no source).
_THICKNESS_M = {"concrete": 0.2, "brick": 0.2, "plasterboard": 0.025, "wood": 0.04, "glass": 0.006}
# Metal lets nothing through; what arrives comes around it (common practice, no source) [dB].
METAL_DB = 30.0
# A pane that keeps heat by a film of metal, 3GPP TR 38.901 Table 7.4.3-1: a loss [dB], and what each GHz adds [dB].
_COATED_GLASS_DB = (23.0, 0.3)
# Outer wall of a house, with its windows: COST 231, concrete with windows [dB].
OUTER_WALL_DB = 7.0


def slab_loss_db(material: str, thickness_m: float, frequency_mhz: float) -> float:
    """
    Loss through one homogeneous slab at right angles [dB]; studs, bars, coatings and cavities are not in it.

    Raises:    OutOfRange: no such material, or no thickness.
    Source:    ITU-R P.2040-3 eq. (28), (29), Table 3, slab transmission with all inner reflections.
    """
    if material not in _MATERIALS or thickness_m <= 0:
        raise OutOfRange(f"no slab of {material}, {thickness_m} m; materials are {', '.join(_MATERIALS)}")
    permittivity, c, d = _MATERIALS[material]
    ghz = frequency_mhz / 1000
    eta = complex(permittivity, -17.98 * c * ghz**d / ghz)
    root = cmath.sqrt(eta)
    reflection = (1 - root) / (1 + root)
    phase = 2 * math.pi * thickness_m * root * frequency_mhz * 1e6 / 299_792_458
    through = (1 - reflection**2) * cmath.exp(-1j * phase) / (1 - reflection**2 * cmath.exp(-2j * phase))
    return -20 * math.log10(abs(through))


@lru_cache(maxsize=64)  # seven materials, three bands
def wall_loss_db(material: str, band: Band) -> float:
    """Loss of an ordinary wall of the plan [dB]. Raises OutOfRange for a material that is none."""
    if material == "metal":
        return METAL_DB
    if material == "coated glass":
        least_db, per_ghz_db = _COATED_GLASS_DB
        return least_db + per_ghz_db * BAND_MHZ[band] / 1000
    if material not in _THICKNESS_M:
        raise OutOfRange(f"no wall of {material}; materials are {', '.join([*_THICKNESS_M, 'coated glass', 'metal'])}")
    return slab_loss_db(material, _THICKNESS_M[material], BAND_MHZ[band])
