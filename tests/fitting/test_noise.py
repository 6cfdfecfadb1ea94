"""How noisy cells are, and how much of that repeats."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import Friction
from diffbench.fitting import FitData
from diffbench.fitting.noise import (
    MODEL_FLOOR,
    CellNoise,
    correlation_inflation,
    first_guess,
    from_residual,
    lack_of_fit,
    yardstick,
)

Array = NDArray[np.float64]


def correlated(rng: np.random.Generator, n: int, r: float) -> Array:
    noise = rng.normal(size=n)
    for i in range(1, n):
        noise[i] = r * noise[i - 1] + np.sqrt(1 - r**2) * noise[i]
    return noise


def test_sample_noise_averages_out_over_a_cell(data_of: Callable[..., FitData]) -> None:
    """2 N·m a sample, 25 samples: 0.4 N·m, and a thousandth of the median difference on top, in squares."""
    data = data_of(cells=100, noise=2.0, count=25.0, difference=200.0)
    np.testing.assert_allclose(first_guess(data).sigma, np.hypot(0.4, 0.2))


def test_white_residuals_are_taken_as_they_are(data_of: Callable[..., FitData]) -> None:
    """1.5 N·m: a median of 2000 magnitudes is good to 2 %, three times that; next to no inflation."""
    data = data_of(cells=2000, noise=3.0, count=4.0, difference=200.0)
    residual = np.random.default_rng(1).normal(0.0, 1.5, 2000)
    found = from_residual(data, residual, unknowns=10)
    np.testing.assert_allclose(found.sigma, 1.5, rtol=0.06)
    assert 1.0 <= found.inflation < 1.3
    assert found.effective == pytest.approx(2000 / found.inflation)


def test_correlated_residuals_count_for_fewer(data_of: Callable[..., FitData]) -> None:
    """(1 + r)/(1 − r) = 9 at r = 0.8; a sum of correlations over 4000 cells is good to some 15 %, twice
    that."""
    data = data_of(cells=4000, noise=3.0, count=4.0, difference=200.0)
    residual = 1.5 * correlated(np.random.default_rng(2), 4000, 0.8)
    assert from_residual(data, residual, unknowns=10).inflation == pytest.approx(9.0, rel=0.3)


def test_small_cells_are_noisier(data_of: Callable[..., FitData]) -> None:
    """Of cells with 4 and 100 samples of white noise, the small ones have 5 times its standard deviation."""
    count = np.tile([4.0, 100.0], 1000)
    data = data_of(cells=2000, noise=4.0, count=count, difference=50.0)
    residual = np.random.default_rng(3).normal(size=2000) * 4.0 / np.sqrt(count)
    sigma = from_residual(data, residual, unknowns=0).sigma
    # what does not average out is never put below a tenth of the variance: the small ones come out at less
    # than 5
    assert 2.0 < sigma[0] / sigma[1] <= 5.0


def test_each_run_has_its_own_noise(data_of: Callable[..., FitData]) -> None:
    run = np.repeat([0, 1], 1000)
    data = data_of(cells=2000, noise=1.0, count=1.0, difference=100.0, run=run)
    residual = np.random.default_rng(4).normal(size=2000) * np.where(run == 0, 1.0, 6.0)
    sigma = from_residual(data, residual, unknowns=5).sigma
    np.testing.assert_allclose(sigma[run == 0], 1.0, rtol=0.15)
    np.testing.assert_allclose(sigma[run == 1], 6.0, rtol=0.15)


def test_outliers_do_not_widen_the_noise(data_of: Callable[..., FitData]) -> None:
    data = data_of(cells=2000, noise=1.0, count=1.0, difference=100.0)
    residual = np.random.default_rng(5).normal(size=2000)
    residual[::50] += 400.0
    np.testing.assert_allclose(from_residual(data, residual, unknowns=5).sigma, 1.0, rtol=0.12)


def test_a_silent_recording_does_not_claim_more_than_a_model_can(data_of: Callable[..., FitData]) -> None:
    """A thousandth of the torque difference at least: no model of plates is better."""
    data = data_of(cells=500, noise=1e-6, count=10.0, difference=300.0)
    residual = np.random.default_rng(6).normal(size=500) * 1e-5
    assert from_residual(data, residual, unknowns=5).sigma.min() == pytest.approx(
        MODEL_FLOOR * 300.0, rel=1e-3
    )


COUNTS = np.array([4.0, 9.0, 16.0, 25.0, 36.0])
FIVE = np.array([-4.0, -1.0, 0.5, 2.0, 5.0])  # off their median by 4.5, 1.5, 0, 1.5, 4.5


@pytest.mark.parametrize(("unknowns", "share"), [(2, 5.0 / 3.0), (4, 5.0), (9, 5.0)])
def test_the_noise_of_five_cells_by_hand(
    unknowns: int, share: float, data_of: Callable[..., FitData]
) -> None:
    """The middle cell, of 16 samples, has the spread of the residual, 1.4826 times 1.5 N·m for as many
    unknowns; the others differ from it by what their samples average out of 0.9 N·m."""
    spread = 1.4826 * 1.5 * np.sqrt(share)
    found = from_residual(data_of(cells=5, noise=0.9, count=COUNTS, difference=50.0), FIVE, unknowns=unknowns)
    np.testing.assert_allclose(found.sigma**2, spread**2 + 0.81 * (1.0 / COUNTS - 1.0 / 16.0))
    assert (found.inflation, found.effective, found.freedom) == (1.0, 5.0, None)


def test_samples_noisier_than_the_residual_leave_a_tenth_to_what_stays(
    data_of: Callable[..., FitData],
) -> None:
    """12 N·m a sample, 3 N·m in the middle cell, where the residual spreads by 2.87: a tenth of its variance
    does not average out, and the middle cell has the spread again."""
    found = from_residual(data_of(cells=5, noise=12.0, count=COUNTS, difference=50.0), FIVE, unknowns=2)
    variance = (1.4826 * 1.5) ** 2 * 5.0 / 3.0
    ratio = (0.1 * variance + 144.0 / COUNTS) / (0.1 * variance + 9.0)
    np.testing.assert_allclose(found.sigma**2, variance * ratio)


def test_a_sweep_and_readings_by_hand_side_by_side(data_of: Callable[..., FitData]) -> None:
    """Readings have the noise that is stated of them, whatever they are off by, and count as independent; a
    slow drive is a sweep; a run of which nothing is left counts for nothing. The sweep's eight cells up and
    eight down count for 1/5.25 each: (16 · 5.25 + 4)/20."""
    up = np.repeat([1.0, -1.0], 8)
    run = np.repeat([0, 2], [16, 4])
    state = np.where(run == 0, int(Friction.SLIDING), int(Friction.KINETIC))
    stated = np.where(run == 0, 1e-3, np.array([0.7]))
    data = data_of(
        cells=20, run=run, noise=stated, friction_state=state, difference=50.0,
        run_names=("a", "gone", "wrench"), run_kinds=("bias-sweep", "bias-sweep", "turning-torque"),
    )  # fmt: skip
    residual = np.concatenate([up, [30.0, -20.0, 50.0, 10.0]])
    found = from_residual(data, residual, unknowns=3)
    np.testing.assert_allclose(found.sigma[:16], 1.4826 * np.sqrt(20.0 / 17.0), rtol=1e-6)
    assert found.sigma[16:].tolist() == [0.7] * 4
    assert found.inflation == pytest.approx(4.4)
    assert found.effective == pytest.approx(20.0 / 4.4)
    slow = data_of(cells=16, noise=1e-3, difference=50.0, run_kinds=("turning-torque",))
    assert from_residual(slow, up, unknowns=0).sigma[0] == pytest.approx(1.4826)


def test_what_correlation_takes_by_hand() -> None:
    """Pairs of lags are summed up to a quarter of the cells, until they are lost. Eight up and eight down:
    13, 10, 7 and 4 sixteenths; four and four: five and two eighths, a quarter of the cells being two. What
    turns its sign with every cell takes nothing."""
    assert correlation_inflation(np.repeat([1.0, -1.0], 8)) == pytest.approx(1.0 + 2.0 * 34.0 / 16.0)
    assert correlation_inflation(np.repeat([3.0, 1.0], 4)) == pytest.approx(1.0 + 2.0 * 7.0 / 8.0)
    assert correlation_inflation(np.tile([1.0, -1.0], 8)) == 1.0
    assert correlation_inflation(np.repeat([1.0, -1.0], [4, 3])) == 1.0
    assert correlation_inflation(np.full(12, 2.5)) == 1.0


def test_what_counts_where_cells_are_averaged() -> None:
    """The variance of the middle cell, as often as correlation counts it."""
    assert yardstick(CellNoise(np.array([4.0, 1.0, 2.0]), 2.5, 1.2)) == 10.0


def test_a_first_guess_is_never_nothing(data_of: Callable[..., FitData]) -> None:
    """Of cells that read nothing without noise."""
    found = first_guess(data_of(cells=3, noise=0.0, difference=0.0))
    assert (found.sigma.tolist(), found.inflation, found.effective) == ([1e-6] * 3, 1.0, 3.0)


# NIST/SEMATECH e-Handbook of Statistical Methods 4.6.1 (load cell calibration; the Pontius data): deflection
# at 150000 to 3000000 lb in steps of 150000, twice.
LOAD = np.tile(np.arange(1.0, 21.0) * 150000.0, 2)
DEFLECTION = np.array([
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.983, 1.0915,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
])  # fmt: skip
# Montgomery & Runger, Applied Statistics and Probability for Engineers, example S11-1.
FEW_X = np.repeat([1.0, 2.0, 3.3, 4.0, 5.0, 5.6, 6.0, 6.5, 6.9], [2, 1, 2, 3, 1, 3, 2, 1, 1])
FEW_Y = np.array([2.3, 1.8, 2.8, 1.8, 3.7, 2.6, 2.6, 2.2, 2.0, 3.5, 2.8, 2.1, 3.4, 3.2, 3.4, 5.0])
# Millard & Neerchal 2001, pp. 566-569 (US EPA cadmium data): five levels, seven each.
CADMIUM_X = np.repeat([0.0, 10.0, 20.0, 50.0, 100.0], 7)
CADMIUM_Y = np.array([
    0.88, 1.57, 0.7, 0.8, 0.54, 1.83, 1.34, 10.17, 11.13, 11.66,
    10.8, 11.11, 11.95, 11.14, 19.97, 20.28, 23.2, 22.12, 18.01, 24.83,
    21.1, 54.78, 49.0, 51.92, 49.0, 54.75, 50.25, 50.03, 97.06, 94.6,
    102.54, 101.09, 99.2, 93.71, 100.43,
])  # fmt: skip


@pytest.mark.parametrize(
    ("x", "y", "degree", "freedom", "ratio", "tolerance"),
    [
        (LOAD, DEFLECTION, 1, (18, 20), 214.7464, 2e-4),  # 4.6.1.5: a line does not do
        (LOAD, DEFLECTION, 2, (17, 20), 0.8107, 2e-4),  # 4.6.1.8: a parabola does (F from memory, recomputed)
        (FEW_X, FEW_Y, 1, (7, 7), 1.42, 3e-3),
        (CADMIUM_X, CADMIUM_Y, 1, (3, 30), 0.982, 1e-3),
    ],
)
def test_lack_of_fit_against_pure_error_as_published(
    x: Array, y: Array, degree: int, freedom: tuple[int, int], ratio: float, tolerance: float
) -> None:
    """The same data, a wrong and a right law: pure error owes nothing to either."""
    fit = np.polynomial.Polynomial.fit(x, y, degree)
    found = lack_of_fit(y - fit(x), x, unknowns=degree + 1)
    assert found.freedom == freedom
    assert found.ratio == pytest.approx(ratio, rel=tolerance)


def test_sums_of_squares_as_published() -> None:
    """Montgomery & Runger S11-1: 3.0366 within, 4.3005 beyond; chance 0.3276, printed for the rounded F."""
    fit = np.polynomial.Polynomial.fit(FEW_X, FEW_Y, 1)
    found = lack_of_fit(FEW_Y - fit(FEW_X), FEW_X, unknowns=2)
    assert (found.pure, found.lack) == pytest.approx((3.0366, 4.3005), rel=1e-4)
    assert found.chance == pytest.approx(0.3276, abs=2e-3)


def test_nothing_repeated_is_refused() -> None:
    with pytest.raises(ValueError, match="nothing repeats"):
        lack_of_fit(np.arange(5.0), np.arange(5), unknowns=2)
