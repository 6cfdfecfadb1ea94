"""Propagation of distributions against the examples of JCGM 101:2008, where first-order propagation fails
most.

Inputs retrieved (from the documentation of a public library that repeats them), printed results from memory
unless said otherwise; each is checked against what is exact as well.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.fitting.monte_carlo import Propagated, interval_of, propagate, tolerance

Array = NDArray[np.float64]
Rng = np.random.Generator
SQRT3 = np.sqrt(3.0)


def alone(function: Callable[[Rng, int], Array]) -> Callable[[Rng, int], Array]:
    """One quantity, as a column of draws."""
    return lambda rng, count: function(rng, count)[:, None]


@pytest.mark.parametrize(
    ("u", "digits", "expected"),
    [
        (0.00035, 2, 0.000005),  # 7.9.2, example 1: 35 × 10⁻⁵
        (2.0, 1, 0.5),  # 7.9.2, example 2: a u of 2 K known to one digit
        (0.0996, 2, 0.005),  # derived: two digits of it are 0.10
        (0.0, 2, 0.0),
    ],
)
def test_numerical_tolerance(u: float, digits: int, expected: float) -> None:
    """JCGM 101, 7.9.2 (memory): δ = ½ · 10^l with u = c · 10^l."""
    assert tolerance(np.array([u]), digits)[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("draw", "u", "end", "half", "normal"),
    [
        # 9.2.2: four normal inputs, as first-order propagation has it; exact: 1.959964 u
        (lambda rng, n: rng.normal(size=(n, 4)).sum(axis=1), 2.0, 3.9199, 5e-5, 3.92),
        # 9.2.3: four rectangular ones, printed 3.88; exact (Irwin-Hall): 2 sqrt(3) (2 - 0.6^(1/4))
        (lambda rng, n: rng.uniform(-SQRT3, SQRT3, (n, 4)).sum(axis=1), 2.0, 3.8794, 5e-5, 3.92),
        # 9.2.4: one rectangular input ten times the others; first order gives 19.9
        (
            lambda rng, n: rng.uniform(-SQRT3, SQRT3, (n, 4)) @ np.array([1.0, 1.0, 1.0, 10.0]),
            np.sqrt(103.0),
            17.0,
            0.05,
            19.9,
        ),
    ],
)
def test_additive_models(
    draw: Callable[[Rng, int], Array], u: float, end: float, half: float, normal: float
) -> None:
    """JCGM 101, 9.2: half a unit of the last digit, and three times what the draws leave open. Where the
    distribution is no normal one, the half-width, by eight seeds, tells it from that."""
    found = propagate(alone(draw), seed=9201, most=300_000)
    open_to = 3.0 * 2.7 * u / np.sqrt(found.draws)
    assert found.u[0] == pytest.approx(u, abs=open_to)
    assert -found.low[0] == pytest.approx(end, abs=half + open_to)
    assert found.high[0] == pytest.approx(end, abs=half + open_to)
    several = [propagate(alone(draw), seed=9201 + i, most=300_000) for i in range(8)]
    both = float(np.mean([0.5 * (one.high[0] - one.low[0]) for one in several]))
    close = half + open_to / 4.0  # sixteen ends
    assert both == pytest.approx(end, abs=close)
    first_order = 1.96 * u
    assert first_order == pytest.approx(normal, abs=0.05)
    if end < normal - 0.01:
        assert both < first_order - close  # a normal one would not pass


# 9.3: nominal mass, correction [mg]; densities of air, of the weight and of the reference weight [kg/m³]
def calibrated_mass(rng: Rng, count: int) -> Array:
    reference = rng.normal(100_000.0, 0.050, count)
    added = rng.normal(1.234, 0.020, count)
    air = rng.uniform(1.10, 1.30, count)
    weight = rng.uniform(7000.0, 9000.0, count)
    other = rng.uniform(7950.0, 8050.0, count)
    return (reference + added) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / other)) - 100_000.0


@pytest.fixture(scope="module")
def mass() -> Propagated:
    return propagate(alone(calibrated_mass), seed=9301)


def test_mass_calibration(mass: Propagated) -> None:
    """JCGM 101, 9.3.4, table 6: 1.2341 mg, u = 0.0754 mg, shortest interval from 1.0834 to 1.3825 mg.

    u to the half of its last digit; the value to δ = 0.0005 mg. The shortest interval is loose: shifted by
    0.002 mg it is as short to the last digit, so its ends are held to that, and its length to δ on each side.
    """
    assert mass.settled
    assert mass.mean[0] == pytest.approx(1.2341, abs=5e-4)
    assert mass.u[0] == pytest.approx(0.0754, abs=1e-4)
    assert mass.low[0] == pytest.approx(1.0834, abs=2e-3)
    assert mass.high[0] == pytest.approx(1.3825, abs=2e-3)
    assert mass.high[0] - mass.low[0] == pytest.approx(1.3825 - 1.0834, abs=1e-3)


def test_first_order_propagation_misses_a_mass_calibration(mass: Propagated) -> None:
    """JCGM 101, table 6: first order gives 0.0539 mg, as the sensitivity to both densities is zero at the
    estimate; 29 % too little."""
    at = np.array([100_000.0, 1.234, 1.2, 8000.0, 8000.0])
    u = np.array([0.050, 0.020, 0.1 / SQRT3, 1000.0 / SQRT3, 50.0 / SQRT3])

    def model(x: Array) -> float:
        return float((x[0] + x[1]) * (1.0 + (x[2] - 1.2) * (1.0 / x[3] - 1.0 / x[4])) - 100_000.0)

    steps = np.diag(1e-3 * u)
    slopes = np.array([(model(at + h) - model(at - h)) / (2.0 * h.sum()) for h in steps])
    first_order = float(np.linalg.norm(slopes * u))
    assert first_order == pytest.approx(0.0539, abs=5e-5)
    assert first_order / mass.u[0] == pytest.approx(0.71, abs=0.01)


@pytest.mark.parametrize(
    ("x1", "mean", "u"),
    [
        (0.000, 50e-6, 50e-6),
        # 150e-6 and 112e-6 as printed; 111.803e-6 exactly
        (0.010, 150e-6, 112e-6),
        # printed 2551e-6 and 502e-6; 2550e-6 and 502.494e-6 exactly (the print is of one run)
        (0.050, 2551e-6, 502e-6),
    ],
)
def test_comparison_loss(x1: float, mean: float, u: float) -> None:
    """JCGM 101, 9.4.2: δY = X1² + X2², u(x) = 0.005, no correlation; exact by the moments of a normal
    distribution."""
    found = propagate(
        alone(lambda rng, n: rng.normal(x1, 0.005, n) ** 2 + rng.normal(0.0, 0.005, n) ** 2), seed=9402
    )
    exact_mean, exact_u = x1**2 + 2 * 0.005**2, np.sqrt(4 * x1**2 * 0.005**2 + 4 * 0.005**4)
    assert exact_mean == pytest.approx(mean, abs=1.01e-6)
    assert exact_u == pytest.approx(u, abs=0.5e-6)
    # four standard errors of the mean and of u
    assert found.mean[0] == pytest.approx(exact_mean, abs=4 * exact_u / np.sqrt(found.draws))
    assert found.u[0] == pytest.approx(exact_u, rel=4 * 1.5 / np.sqrt(found.draws))


def test_shortest_interval_at_a_bound() -> None:
    """JCGM 101, 9.4.2.2: at x1 = 0 the loss is 0 to 150e-6; −2 u²·ln(0.05) exactly (chi-squared, two
    degrees of freedom), where first order says that there is no doubt at all."""
    draws = propagate(
        alone(lambda rng, n: rng.normal(0.0, 0.005, n) ** 2 + rng.normal(0.0, 0.005, n) ** 2),
        seed=9403,
        shortest=True,
    )
    exact = -2.0 * 0.005**2 * np.log(0.05)
    assert exact == pytest.approx(150e-6, abs=0.5e-6)
    assert draws.low[0] == pytest.approx(0.0, abs=0.5e-6)
    assert draws.high[0] == pytest.approx(exact, rel=0.01)


def test_interval_of_a_small_sample() -> None:
    """JCGM 101, 7.7.2 (memory): with M = 10 000 and 95 %, q = 9500 values lie within, r = (M − q)/2 = 250 is
    the lower end; the upper one is q further."""
    low, high = interval_of(np.arange(1.0, 10_001.0)[:, None], 0.95)
    assert (low[0], high[0]) == (250.0, 9750.0)


def test_draws_stop_when_the_result_stands() -> None:
    """A wide tolerance needs the two batches that are the least; a hundredth of it needs many more."""

    def draw(rng: Rng, count: int) -> Array:
        return rng.normal(0.0, 9.9, (count, 1))

    rough, fine = propagate(draw, seed=1, digits=1), propagate(draw, seed=1, digits=2)
    assert rough.draws <= 100_000
    assert fine.draws > 3 * rough.draws
    limited = propagate(draw, seed=1, digits=4, most=50_000)
    assert limited.draws == 50_000
    assert not limited.settled
