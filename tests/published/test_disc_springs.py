"""Disc springs of EN 16983 (DIN 2093): load from deflection and back, stack friction, one sizing.

The tables give the load at three quarters of the cone height, for E = 206 GPa and a Poisson's ratio of 0.3:
the small discs at that deflection as printed, rounded to 0.01 mm, the larger ones at exactly 0.75 h0. Loads
are printed to three digits, so that half a unit of the third digit is the tolerance. One load
is off by up to a whole unit and says so. 'retrieved': read in a copy of the table; 'memory': from memory;
'derived': from a relation alone.
"""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from diffbench.physics.disc_spring import (
    DiscSpring,
    DiscStack,
    deflection,
    load,
    stack_deflection,
    stack_load,
)


@dataclass(frozen=True)
class Row:
    """One row of the table, in mm and N."""

    series: str
    outer: float
    inner: float
    thickness: float
    cone_height: float
    deflection: float
    load: float
    status: str = "retrieved"
    units: float = 0.5

    @property
    def spring(self) -> DiscSpring:
        return DiscSpring(self.outer / 1e3, self.inner / 1e3, self.thickness / 1e3, self.cone_height / 1e3)

    @property
    def tolerance(self) -> float:
        return self.units * 10.0 ** (math.floor(math.log10(self.load)) - 2)


# fmt: off
ROWS = [
    # Table rows with a rounded deflection.
    Row("A", 8.0, 4.2, 0.4, 0.2, 0.15, 210.0),
    Row("A", 10.0, 5.2, 0.5, 0.25, 0.19, 329.0),
    Row("A", 12.5, 6.2, 0.7, 0.3, 0.23, 673.0),
    Row("A", 14.0, 7.2, 0.8, 0.3, 0.23, 813.0),
    Row("A", 16.0, 8.2, 0.9, 0.35, 0.26, 1000.0),
    Row("A", 18.0, 9.2, 1.0, 0.4, 0.3, 1250.0),
    Row("A", 20.0, 10.2, 1.1, 0.45, 0.34, 1530.0),
    Row("A", 22.5, 11.2, 1.25, 0.5, 0.38, 1950.0),
    Row("A", 25.0, 12.2, 1.5, 0.55, 0.41, 2910.0),
    Row("A", 28.0, 14.2, 1.5, 0.65, 0.49, 2850.0),
    Row("A", 31.5, 16.3, 1.75, 0.7, 0.53, 3900.0),
    # Table rows at exactly 0.75 h0.
    Row("A", 31.5, 16.3, 1.75, 0.7, 0.525, 3870.0),
    Row("A", 40.0, 20.4, 2.25, 0.9, 0.675, 6500.0),
    Row("A", 45.0, 22.4, 2.5, 1.0, 0.75, 7720.0),
    Row("A", 50.0, 25.4, 3.0, 1.1, 0.825, 12000.0),
    Row("A", 56.0, 28.5, 3.0, 1.3, 0.975, 11400.0),
    Row("A", 63.0, 31.0, 3.5, 1.4, 1.05, 15000.0),
    Row("A", 71.0, 36.0, 4.0, 1.6, 1.2, 20500.0),
    Row("A", 80.0, 41.0, 5.0, 1.7, 1.275, 33600.0),
    Row("A", 90.0, 46.0, 5.0, 2.0, 1.5, 31400.0),
    Row("A", 100.0, 51.0, 6.0, 2.2, 1.65, 48000.0),
    Row("B", 31.5, 16.3, 1.25, 0.9, 0.675, 1910.0),
    Row("B", 40.0, 20.4, 1.5, 1.15, 0.8625, 2620.0),
    Row("B", 45.0, 22.4, 1.75, 1.3, 0.975, 3650.0),
    Row("B", 50.0, 25.4, 2.0, 1.4, 1.05, 4760.0),
    Row("B", 56.0, 28.5, 2.0, 1.6, 1.2, 4440.0),
    Row("B", 63.0, 31.0, 2.5, 1.75, 1.3125, 7190.0),
    Row("B", 71.0, 36.0, 2.5, 2.0, 1.5, 6720.0, units=1.0),  # 6725.3: printed rounded down
    Row("B", 80.0, 41.0, 3.0, 2.3, 1.725, 10500.0),
    Row("B", 90.0, 46.0, 3.5, 2.5, 1.875, 14200.0),
    Row("B", 100.0, 51.0, 3.5, 2.8, 2.1, 13100.0),
    Row("C", 50.0, 25.4, 1.25, 1.6, 1.2, 1550.0, "memory"),
    Row("C", 40.0, 20.4, 1.0, 1.3, 0.975, 1020.0, "memory"),
    Row("C", 20.0, 10.2, 0.5, 0.65, 0.4875, 254.0, "memory"),
]
# fmt: on

every_row = pytest.mark.parametrize(
    "row",
    [
        pytest.param(row, id=f"EN 16983 {row.series} {row.outer:g} at {row.deflection:g} mm ({row.status})")
        for row in ROWS
    ],
)


@every_row
def test_load_at_the_printed_deflection(row: Row) -> None:
    assert load(row.spring, row.deflection / 1e3) == pytest.approx(row.load, abs=row.tolerance)


@every_row
def test_printed_deflection_lies_where_the_rounded_load_puts_it(row: Row) -> None:
    """The lowest and the highest load that are printed alike enclose the table's deflection."""
    low, high = deflection(row.spring, [row.load - row.tolerance, row.load + row.tolerance])
    assert low * 1e3 <= row.deflection <= high * 1e3


@every_row
def test_stack_of_the_printed_disc(row: Row) -> None:
    """Two nested discs carry twice the load, three groups take three times the travel (EN 16984)."""
    stack = DiscStack(row.spring, parallel=2, series=3)
    assert stack_load(stack, 3.0 * row.deflection / 1e3) == pytest.approx(
        2.0 * row.load, abs=2.0 * row.tolerance
    )
    low, high = stack_deflection(stack, [2.0 * (row.load - row.tolerance), 2.0 * (row.load + row.tolerance)])
    assert low * 1e3 <= 3.0 * row.deflection <= high * 1e3


def test_coefficient_k1_at_a_diameter_ratio_of_two() -> None:
    """C00: EN 16984 (DIN 2092), retrieved: K1(2) = 0.6943332, half a unit 5e-8."""
    assert DiscSpring(0.100, 0.050, 0.004, 0.003).k1 == pytest.approx(0.6943332, abs=5e-8)


@pytest.mark.parametrize(("unloading", "gain"), [(False, 2.105), (True, 1.905)])
def test_stack_friction(unloading: bool, gain: float) -> None:
    """C5: EN 16984 (DIN 2092), retrieved: two nested discs, w_M = 0.02, w_R = 0.03; half a unit 0.0005."""
    stack = DiscStack(ROWS[0].spring, parallel=2, surface_friction=0.02, edge_friction=0.03)
    assert stack.gain(unloading=unloading) == pytest.approx(gain, abs=0.0005)
    single = load(ROWS[0].spring, 0.00015)
    assert stack_load(stack, 0.00015, unloading=unloading) / single == pytest.approx(gain, abs=0.0005)
    assert stack_deflection(
        stack, stack_load(stack, 0.00015, unloading=unloading), unloading=unloading
    ) == pytest.approx(0.00015, rel=1e-12)


def older_constant(ratio: float) -> float:
    """M = 6/(pi ln delta) ((delta − 1)/delta)², an older form of K1, which some books print."""
    return 6.0 / (math.pi * math.log(ratio)) * ((ratio - 1.0) / ratio) ** 2


def test_textbook_sizing_with_the_older_constant() -> None:
    """C6: Bhandari, example 10.26, retrieved: 4500 N when flat, with E = 207 GPa.

    The book uses the older constant, so that the standard's load is M/K1 of the
    book's. The thickness has seven digits and enters to the fourth power: 1e-6.
    """
    spring = DiscSpring(0.154818478, 0.088467702, 0.00265298, 0.00397947, 207e9)
    k1, m = spring.k1, older_constant(1.75)
    assert load(spring, spring.cone_height) * k1 / m == pytest.approx(4500.0, rel=1e-6)


def test_the_two_constants_are_not_the_same() -> None:
    """Derived: M(1.75) = 0.6268417 and K1(1.75) = 0.630106, 0.52 % apart; half a unit of the last digit."""
    k1 = DiscSpring(0.175, 0.100, 0.004, 0.003).k1
    assert k1 == pytest.approx(0.630106, abs=5e-7)
    assert older_constant(1.75) == pytest.approx(0.6268417, abs=5e-8)
    ratios = np.array([1.2, 1.5, 1.75, 2.0, 3.0])
    standard = [DiscSpring(0.1 * ratio, 0.1, 0.004, 0.003).k1 for ratio in ratios]
    assert np.all(np.array(standard) > [older_constant(ratio) for ratio in ratios])
