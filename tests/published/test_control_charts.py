"""Control charts and lines against published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from diffbench.answers.line import find_jump, fit_line
from diffbench.trend import cusum, ewma
from diffbench.trend.charts import SLACK, WEIGHT, limits_for


def test_ewma_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4, example (retrieved): lambda 0.3, target
    50."""
    x = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    x += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    printed += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    # Half a unit of the last printed digit, and as much again: the handbook reckons on with rounded values.
    assert ewma(x, target=50.0, weight=0.3) == pytest.approx(printed, abs=0.01)


def test_cusum_of_the_handbook() -> None:
    """The same, 6.3.2.3, example (retrieved): k 0.3175, h 4.1959; the sum signals at group 14."""
    means = [324.93, 324.68, 324.73, 324.35, 325.35, 325.23, 324.13, 324.53, 325.23, 324.60]
    means += [324.63, 325.15, 328.33, 327.25, 327.83, 328.50, 326.68, 327.78, 326.88, 328.35]
    up, _ = cusum(means, target=325.0, slack=0.3175)
    # The printed means are rounded to 0.005; over eight sums of them that adds up to 0.04 at the most.
    assert up[12:] == pytest.approx([3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04], abs=0.04)
    assert int(np.flatnonzero(up > 4.1959)[0]) + 1 == 14


def test_cusum_of_montgomery() -> None:
    """D. C. Montgomery, Introduction to Statistical Quality Control, tables 9.1 and 9.2 (retrieved by way of
    a public test file): target 10, sigma 1, k 0.5, h 5; first signal at 29."""
    x = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4, 10.08]
    x += [9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62, 11.31, 10.52]
    printed = [0, 0, 0, 1.16, 2.82, 2.5, 0.04, 1.0, 0, 0, 0, 0.97, 0.98, 0, 0, 0, 0.12, 0, 0, 0.34, 0.74, 0]
    printed += [1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28]
    up, _ = cusum(x, target=10.0, slack=0.5)
    # Data and sums have two decimals: sums of exact hundredths are exact to rounding of algebra.
    assert up[:29] == pytest.approx(printed, abs=1e-9)
    assert int(np.flatnonzero(up > 5.0)[0]) + 1 == 29


def test_line_of_norris() -> None:
    """NIST StRD, linear regression, data set Norris (certified, retrieved with SciPy's tests): slope,
    intercept, their standard deviations and the residual's, to nine digits of fifteen."""
    x = [0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4]
    x += [0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3]
    x += [0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5]
    y = [0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3]
    y += [0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3]
    y += [0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2]
    line = fit_line(x, y)
    assert line is not None
    found = (float(line.at(0.0)), line.slope, line.u_intercept, line.u_slope, line.sigma)
    certified = (
        -0.262323073774029,
        1.00211681802045,
        0.232818234301152,
        0.000429796848199937,
        0.884796396144373,
    )
    assert found == pytest.approx(certified, rel=1e-9)


def test_break_of_the_nile() -> None:
    """Flow of the Nile 1871 to 1970 (G. W. Cobb, Biometrika 65, 1978): one step of the mean, after the 28th
    year (1898), sup F 75.93 and a residual sum of squares of 1597457, as R's strucchange prints them
    (retrieved)."""
    flow = sm.datasets.nile.load_pandas().data["volume"].to_numpy()
    found = find_jump(np.zeros(flow.size), flow)  # all at one place: no slope beside the step
    assert found is not None
    assert found.at == 28
    assert found.sigma**2 * found.freedom == pytest.approx(1_597_457, abs=1.0)
    u = found.sigma * (1.0 / 28 + 1.0 / 72) ** 0.5
    assert (found.size / u) ** 2 == pytest.approx(75.93, abs=0.005)
    assert (found.before, found.before + found.size) == pytest.approx((1097.75, 849.97), abs=0.005)


@pytest.mark.parametrize(("shift", "length"), [(0.5, 26.6), (1.0, 8.38), (2.0, 3.34), (3.0, 2.19)])
def test_run_lengths_of_lucas_and_crosier(shift: float, length: float) -> None:
    """J. M. Lucas, R. B. Crosier, Technometrics 24 (1982), table 1 (retrieved): two-sided sums of k 0.5 and
    h 4 after a shift; mean of 1,000 drawn runs, within four of its standard errors."""
    rng = np.random.default_rng([1982, int(10 * shift)])
    runs = []
    for _ in range(1_000):
        up, down = cusum(rng.standard_normal(60 if shift >= 1.0 else 300) + shift, target=0.0, slack=0.5)
        signals = np.flatnonzero(np.maximum(up, down) > 4.0)
        assert signals.size, "a run as long as this comes once in millions"
        runs.append(int(signals[0]) + 1)
    error = float(np.std(runs)) / len(runs) ** 0.5
    assert np.mean(runs) == pytest.approx(length, abs=4.0 * error)


def test_the_first_value_counts_from_nothing() -> None:
    """By the definition, S_0 = 0: the first sum is what the first value has beyond target and slack."""
    up, down = cusum([12.3, 7.1], target=10.0, slack=0.5)
    assert up.tolist() == pytest.approx([1.8, 0.0])
    assert down.tolist() == pytest.approx([0.0, 2.4])
    up, down = cusum([7.1], target=10.0, slack=0.5)
    assert [*up, *down] == pytest.approx([0.0, 2.4])


@pytest.mark.parametrize("count", [4, 12])
def test_one_unchanged_series_in_a_hundred_is_called_changed(count: int) -> None:
    """By draws of the test's own, both charts as the handbook has them (6.3.2.3 and 6.3.2.4): 1 %, and three
    and a half standard deviations of the share."""
    width, decision = limits_for(count, 1_000_000, math.inf)
    rng = np.random.default_rng(77)
    series = rng.standard_normal((20_000, count))
    up, down, highest = (np.zeros(len(series)) for _ in range(3))
    for value in series.T:
        up, down = np.maximum(0.0, up + value - SLACK), np.maximum(0.0, down - value - SLACK)
        highest = np.maximum(highest, np.maximum(up, down))
    average, farthest = np.zeros(len(series)), np.zeros(len(series))
    for i, value in enumerate(series.T):
        average = WEIGHT * value + (1.0 - WEIGHT) * average
        deviation = math.sqrt(WEIGHT / (2.0 - WEIGHT) * (1.0 - (1.0 - WEIGHT) ** (2 * (i + 1))))
        farthest = np.maximum(farthest, np.abs(average) / deviation)
    for share in (np.mean(highest > decision), np.mean(farthest > width)):
        assert share == pytest.approx(0.01, abs=3.5 * math.sqrt(0.01 * 0.99 / 20_000))
