"""Numbers rounded by their uncertainty."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diffbench.report.rounding import (
    chance_text,
    interval_text,
    number_text,
    place_of,
    typeset,
    with_uncertainty,
    with_unit,
)

FINITE = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12)
UNCERTAINTY = st.floats(min_value=1e-9, max_value=1e9)


def read(text: str) -> Decimal:
    """A number as text back to a number."""
    return Decimal(text)


@pytest.mark.parametrize(
    ("value", "u", "unit", "expected"),
    [
        # JCGM 100:2008, 7.2.6, its own example: 10,057 62 ohm with 27 mohm becomes 10,058 ohm (from memory)
        (10.05762, 0.027, "Ω", "10.058 ± 0.027 Ω"),
        # JCGM 100:2008, 7.2.6, its own example: 28,05 kHz is rounded down to 28 kHz (from memory)
        (1234.5, 28.05, "kHz", "1234 ± 28 kHz"),
        # JCGM 100:2008, 7.2.2, its own example: 100,021 47 g with 0,35 mg (from memory)
        (100.02147, 0.00035, "g", "100.02147 ± 0.00035 g"),
    ],
)
def test_examples_of_the_guide(value: float, u: float, unit: str, expected: str) -> None:
    """The Guide's own numbers come out as it prints them."""
    assert with_uncertainty(value, u, unit) == expected


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    [
        (83.2137, 1.2964, "83.2 ± 1.3"),
        (0.45012, 0.0061, "0.4501 ± 0.0061"),
        (-0.0012378, 0.0000354, "-0.001238 ± 0.000035"),
        (1950.0, 60.0, "1950 ± 60"),
        (1234.5, 1234.5, "1200 ± 1200"),
        # the uncertainty itself gains a digit by rounding
        (5.0, 0.0996, "5.00 ± 0.10"),
        (5.0, 0.996, "5.0 ± 1.0"),
        (123.0, 99.6, "120 ± 100"),
        # nothing of the value is left, and no minus stands before a zero
        (0.3, 1234.0, "0 ± 1200"),
        (-0.04, 1.2, "0.0 ± 1.2"),
        (0.0, 1.3, "0.0 ± 1.3"),
        # far from one: a power of ten
        (2.5e-7, 1.2e-8, "(2.50 ± 0.12)e-7"),
        (1.23456e9, 2.1e6, "(1.2346 ± 0.0021)e9"),
        (1.7e308, 1e308, "(1.7 ± 1.0)e308"),
        (0.0, 1e-300, "(0.0 ± 1.0)e-300"),
        # an uncertainty beyond the digits of a double says nothing about them
        (5.0, 5e-324, "5 ± 5.0e-324"),
        # no uncertainty
        (83.2137, None, "83.21"),
        (83.2137, 0.0, "83.21"),
        (83.2137, float("nan"), "83.21"),
        (83.2137, float("inf"), "83.21"),
        (83.2137, -1.0, "83.21"),
        # no value
        (None, 1.0, "not determined"),
        (float("nan"), 1.0, "not determined"),
        (float("inf"), 1.0, "infinite"),
        (float("-inf"), None, "-infinite"),
    ],
)
def test_value_and_uncertainty(value: float | None, u: float | None, expected: str) -> None:
    """Two digits of the uncertainty, the value to the same place; analytic."""
    assert with_uncertainty(value, u) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.0, "0"), (-0.0, "0"), (42.00000000001, "42"), (57.00000000000001, "57"), (1950.0, "1950"),
        (123456.7, "123457"), (999999.4, "999999"), (1234567.8, "1.235e6"), (1e22, "1e22"),
        (0.00012345, "0.0001234"), (0.000099994, "9.999e-5"), (0.113288, "0.1133"), (5e-324, "4.94e-324"),
    ],
)  # fmt: skip
def test_numbers_without_uncertainty(value: float, expected: str) -> None:
    """Four significant digits, no digit lost before the point, no trailing zeros; analytic."""
    if value == 5e-324:
        expected = "5e-324"  # Python's shortest text of the smallest double has one digit
    assert number_text(value) == expected


@given(value=FINITE, u=UNCERTAINTY)
def test_rounding_is_off_by_half_a_place_at_most(value: float, u: float) -> None:
    """The printed value is within half a unit of its last place, which the uncertainty sets (12 digits at
    most)."""
    place = place_of(u)
    assert place is not None
    finest = Decimal(repr(value)).adjusted() - 11 if value else place
    half = Decimal(5).scaleb(max(place, finest) - 1)
    # a value of which nothing is left is printed as zero
    assert abs(read(number_text(value, u)) - Decimal(repr(value))) <= half


@given(u=UNCERTAINTY)
def test_uncertainty_keeps_two_digits(u: float) -> None:
    """What is printed of an uncertainty is within 5 % of it: half a unit of the second digit of 10."""
    printed = with_uncertainty(0.0, u).partition(" ± ")[2]
    number, bracket, power = printed.partition(")e")
    value = float(number) * (10.0 ** int(power) if bracket else 1.0)
    assert math.isclose(value, u, rel_tol=0.05)


@given(value=FINITE)
def test_plain_numbers_keep_four_digits(value: float) -> None:
    """Half a unit of the fourth digit: 0.05 % at worst; everything before the decimal point below a
    million."""
    printed = float(number_text(value))
    assert math.isclose(printed, value, rel_tol=5.001e-4, abs_tol=0.0)
    if 1e3 <= abs(value) < 1e6:
        assert abs(printed - value) <= 0.5


def test_intervals() -> None:
    """Both ends stand to the place of the value; an end that is missing leaves nothing."""
    assert interval_text(79.2554, 84.0871, 1.2326) == "79.3 to 84.1"
    assert interval_text(70.0, 90.0) == "70 to 90"
    assert interval_text(None, 1.0, 0.1) == ""
    assert interval_text(float("nan"), 1.0, 0.1) == ""


@pytest.mark.parametrize("digits", [1.0, 9.4, 9.6, 9.95, 9.996, 1.2345678, 5.5, 4.4999])
def test_every_power_of_ten_is_written_within_half_of_its_last_place(digits: float) -> None:
    """Values and doubts from far below one to far above, each alone and with the other: nothing that is
    written is off by more than half of its last place."""
    for power in range(-12, 13):
        value = digits * 10.0**power
        assert math.isclose(float(number_text(value)), value, rel_tol=5.1e-4)
        assert number_text(-value) == f"-{number_text(value)}"
        for share in (1e-5, 0.0096, 0.0994, 0.0996, 0.3, 1.0, 40.0):
            text = with_uncertainty(value, share * value, "N·m")
            assert text.endswith("N·m")
            low, _, high = interval_text(
                value * (1.0 - share), value * (1.0 + share), share * value
            ).partition(" to ")
            assert float(high) - float(low) <= 2.2 * share * value + 1e-12 * value
            assert place_of(share * value) is not None


def test_chances_and_units_are_written() -> None:
    """A hundredth is the least that is told, and none is certain."""
    low = [0.0, 1e-4, 0.0049, 0.005, 0.0051, 0.0099, 0.01, 0.0101, 0.0149, 0.015, 0.0151, 0.37]
    texts = [chance_text(chance) for each in low for chance in (each, 1.0 - each)]
    assert len(set(texts)) > 5
    for unit in ("N·m", "1", "%", "", "°C", "deg", "µm"):
        assert with_unit("3.4", unit).startswith("3.4")
        assert typeset(f"-3.4 {unit} 1.0e-5 to -2")
