"""Quantities are read with their units, or refused with what to write."""

from __future__ import annotations

import pytest

from netaudit.site.quantity import UNITS, parse

# Foot and inch: exact since the international yard and pound agreement of 1959. Binary prefixes: IEC 80000-13:2008.
SAME = [
    ("1 ft", "30.48 cm", "length [m]"),
    ("12 in", "1 ft", "length [m]"),
    ("1 Gb/s", "125 MB/s", "rate [bit/s]"),
    ("1 TiB", "1024 GiB", "storage [B]"),
    ("1 kWh", "1000 Wh", "energy [Wh]"),
    ("1 d", "24 h", "time [s]"),
    ("1 years", "365.25 d", "time [s]"),
    ("0.37 kW", "370 W", "power [W]"),
    ("5 GHz", "5000 MHz", "width [MHz]"),
]


@pytest.mark.parametrize(("one", "other", "dimension"), SAME)
def test_one_quantity_in_two_units_is_one_value(one: str, other: str, dimension: str) -> None:
    """A plan in other units is the same plan."""
    assert parse(one, dimension) == pytest.approx(parse(other, dimension), rel=1e-12)


def test_a_decimal_terabyte_is_not_a_binary_one() -> None:
    """4 TB as sold are 3.638 TiB as shown (IEC 80000-13)."""
    assert parse("4 TB", "storage [B]") / parse("1 TiB", "storage [B]") == pytest.approx(3.638, abs=5e-4)


@pytest.mark.parametrize("written", [30, "30", "m 30", "30 m2", "thirty m", "", None, True, "1e999x m", "12 kg"])
def test_what_has_no_unit_of_the_dimension_is_refused(written: object) -> None:
    """The message gives an example of what to write."""
    with pytest.raises(ValueError, match=r"write one of|such as") as caught:
        parse(written, "length [m]")
    assert "12 m" in str(caught.value)


def test_every_first_unit_is_the_unit_inside() -> None:
    """The example in a message is in the unit that the field's name carries (a share is written in percent)."""
    for dimension, units in UNITS.items():
        if dimension != "share":
            assert next(iter(units.values())) == 1.0
            assert next(iter(units)) in dimension.replace("bit/s", "b/s")


def test_a_share_may_be_a_plain_number() -> None:
    """25 % and 0.25 are the same share."""
    assert parse("25 %", "share") == parse(0.25, "share")
