"""How noisy cells are, and how much of that repeats."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.fitting.data import FitData
from diffbench.fitting.noise import MODEL_FLOOR, first_guess, from_residual

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
