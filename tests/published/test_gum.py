"""Lines and their uncertainties through the solver, budgets and degrees of freedom, against the Guide and
ISO/TS 28037.

GUM is JCGM 100:2008. Its examples ask for nothing that a fit of a bench doesn't: values, standard
uncertainties, correlation, a prediction from them, effective degrees of freedom.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.fitting import Estimate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.parameters import Combined, combine_forms, correlation, interval
from diffbench.fitting.solver import Problem, Solution, polish, search
from diffbench.fitting.unknowns import Names, Unknown

Array = NDArray[np.float64]

# GUM H.3, table H.6: readings of a thermometer and its observed corrections [°C] (retrieved, from the public
# documentation of a measurement-uncertainty library that repeats the table)
TEMPERATURE = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511]
)
CORRECTION = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) * 1e-3


def line(x: Array, y: Array, u: Array | float = 1.0) -> Solution:
    """Intercept and slope with the uncertainties of the y known: both are linear, nothing is left to
    search."""
    names = Names((Unknown("intercept", 0.0, linear=True), Unknown("slope", 0.0, linear=True)))
    design = np.stack([np.ones_like(x), x], axis=1) / np.broadcast_to(u, x.shape)[:, None]
    problem = Problem(names, lambda b: y / u - design @ b, lambda _: (y / u, design))
    found, _, _ = search(problem, names.start)
    return polish(problem, found, steps=np.full(2, 1e-3))


def covariance_of(solution: Solution) -> Array:
    return np.asarray(np.linalg.inv(solution.jacobian.T @ solution.jacobian))


def estimate(value: float, gradient: Array) -> Estimate:
    return Estimate(value, gradient, "1", "", "", 1.0, positive=False)


@pytest.fixture(scope="module")
def thermometer() -> tuple[Array, Array]:
    """Coefficients and covariance of GUM H.3, with the residual variance on 9 degrees of freedom (H.3.2)."""
    solution = line(TEMPERATURE - 20.0, CORRECTION)
    return solution.x, covariance_of(solution) * 2.0 * solution.cost / 9


def test_calibration_line_of_a_thermometer(thermometer: tuple[Array, Array]) -> None:
    """GUM H.3.3: y1 = −0.1712(29) °C, y2 = 0.002 18(67), r = −0.930, s = 0.0035 °C; half the last digit
    each."""
    b, covariance = thermometer
    assert b[0] == pytest.approx(-0.1712, abs=5e-5)
    assert b[1] == pytest.approx(0.00218, abs=5e-6)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(0.0029, abs=5e-5)
    assert np.sqrt(covariance[1, 1]) == pytest.approx(0.00067, abs=5e-6)
    assert covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(-0.930, abs=5e-4)
    residual = CORRECTION - b[0] - b[1] * (TEMPERATURE - 20.0)
    assert np.sqrt(residual @ residual / 9) == pytest.approx(0.0035, abs=5e-5)


def test_correction_predicted_from_the_line(thermometer: tuple[Array, Array]) -> None:
    """GUM H.3.4: b(30 °C) = −0.1494(41) °C, the correlation counted, through the budget of a quantity."""
    b, noise = thermometer
    gradient = np.array([1.0, 10.0])
    found = combine_forms(
        [estimate(float(gradient @ b), gradient)], [1.0], [Covariance(noise, noise, {}, "")], dof=9
    )
    assert found is not None
    assert found.value == pytest.approx(-0.1494, abs=5e-5)
    assert found.u == pytest.approx(0.0041, abs=5e-5)
    assert found.effective == pytest.approx(9.0)  # noise alone keeps its own degrees of freedom


def test_degrees_of_freedom_with_a_systematic_part(thermometer: tuple[Array, Array]) -> None:
    """GUM H.3.5 with u = 0.005 °C common to all corrections: the intercept's doubt grows, the slope's
    doesn't.

    u(y1) = 0.005 768 93 °C on 145.38 degrees of freedom (retrieved, documentation of a public library that
    adds this to H.3), by the Welch-Satterthwaite formula, GUM G.4.1.
    """
    b, noise = thermometer
    common = np.array([[0.005], [0.0]])
    joint = Covariance(noise + common @ common.T, noise, {"reference thermometer": common}, "")
    intercept, slope = (
        combine_forms([estimate(b[i], np.eye(2)[i])], [1.0], [joint], dof=9) for i in range(2)
    )
    assert intercept is not None
    assert slope is not None
    assert intercept.u == pytest.approx(0.00576893, abs=5e-9)
    assert intercept.effective == pytest.approx(145.38, abs=5e-3)
    assert list(intercept.budget) == ["reference thermometer", "noise"]  # the largest part first
    assert intercept.budget["reference thermometer"] == pytest.approx(0.005)
    assert slope.u == pytest.approx(np.sqrt(noise[1, 1]))
    assert slope.effective == pytest.approx(9.0)


@pytest.mark.parametrize(
    ("freedom", "factor"), [(5, 2.57), (9, 2.26), (16, 2.12), (50, 2.01), (np.inf, 1.960)]
)
def test_coverage_factor_by_degrees_of_freedom(freedom: float, factor: float) -> None:
    """GUM table G.2, 95 % (memory): half the last digit printed."""
    low, high = interval(Combined(10.0, 0.1, {"noise": 0.1}, freedom, estimate(10.0, np.ones(1))))
    assert (high - low) / 0.2 == pytest.approx(factor, abs=5e-3)
    assert (high + low) / 2 == pytest.approx(10.0)


def test_correlation_of_quantities_from_common_readings() -> None:
    """GUM H.2, tables H.2 to H.4: resistance, reactance and impedance from the same voltage, current and
    phase.

    u in ohm and correlations as printed (retrieved); half of the last digit and a rounding of the Guide's
    own, which carries u(X) = 0.295 where its data give 0.2956.
    """
    readings = np.array(
        [
            [5.007, 0.019663, 1.0456],
            [4.994, 0.019639, 1.0438],
            [5.005, 0.019640, 1.0468],
            [4.990, 0.019685, 1.0428],
            [4.999, 0.019678, 1.0433],
        ]
    )
    noise = np.cov(readings.T) / 5
    voltage, current, phase = readings.mean(axis=0)
    impedance = voltage / current
    cosine, sine = np.cos(phase), np.sin(phase)
    gradients = {
        "R": np.array([cosine / current, -impedance * cosine / current, -impedance * sine]),
        "X": np.array([sine / current, -impedance * sine / current, impedance * cosine]),
        "Z": np.array([1 / current, -impedance / current, 0.0]),
    }
    values = {"R": impedance * cosine, "X": impedance * sine, "Z": impedance}
    joint = Covariance(noise, noise, {}, "")
    combined: dict[str, Combined] = {}
    for name, gradient in gradients.items():
        found = combine_forms([estimate(float(values[name]), gradient)], [1.0], [joint], dof=4)
        assert found is not None
        combined[name] = found
    assert combined["R"].value == pytest.approx(127.732, abs=5e-4)
    assert combined["X"].value == pytest.approx(219.847, abs=5e-4)
    assert combined["Z"].value == pytest.approx(254.260, abs=5e-4)
    assert combined["R"].u == pytest.approx(0.071, abs=5e-4)
    assert combined["X"].u == pytest.approx(0.295, abs=1e-3)
    assert combined["Z"].u == pytest.approx(0.236, abs=5e-4)
    matrix = np.array(correlation(combined, joint).matrix)
    assert matrix[0, 1] == pytest.approx(-0.588, abs=5e-4)
    assert matrix[0, 2] == pytest.approx(-0.485, abs=5e-4)
    assert matrix[1, 2] == pytest.approx(0.993, abs=5e-4)


# ISO/TS 28037:2010, clause 6, equal and unequal weights (retrieved, from a public library's tests that
# quote its pages 13 and 14): y, u(y); intercept, its u, slope, its u, covariance, chi-squared
WEIGHTED_LINES = [
    ([3.3, 5.6, 7.1, 9.3, 10.7, 12.1], [0.5] * 6, (1.867, 0.465, 1.757, 0.120, -0.050, 1.665)),
    ([3.2, 4.3, 7.6, 8.6, 11.7, 12.8], [0.5] * 3 + [1.0] * 3, (0.885, 0.530, 2.057, 0.178, -0.082, 4.131)),
]


@pytest.mark.parametrize(("y", "u", "printed"), WEIGHTED_LINES)
def test_line_with_known_uncertainties(y: list[float], u: list[float], printed: tuple[float, ...]) -> None:
    """ISO/TS 28037: three decimals, half a unit of the last."""
    solution = line(np.arange(1.0, 7.0), np.array(y), np.array(u))
    covariance = covariance_of(solution)
    found = (
        solution.x[0],
        np.sqrt(covariance[0, 0]),
        solution.x[1],
        np.sqrt(covariance[1, 1]),
        covariance[0, 1],
        2.0 * solution.cost,
    )
    np.testing.assert_allclose(found, printed, atol=5.5e-4, rtol=0)


def line_through_both(x: Array, u_x: Array, y: Array, u_y: Array) -> tuple[Solution, Array]:
    """Line with errors in both variables: the true abscissas are unknowns that are known beforehand, as a
    bench's errors are. The solution and the covariance of intercept and slope by Gauss-Newton, priors
    included."""
    points = tuple(
        Unknown(f"x{i}", value, knowledge="stated", prior=value, prior_u=doubt)
        for i, (value, doubt) in enumerate(zip(x, u_x, strict=True))
    )
    names = Names((Unknown("intercept", 0.0), Unknown("slope", 1.0), *points))
    problem = Problem(names, lambda b: (y - b[0] - b[1] * b[2:]) / u_y)
    begin = names.start.copy()
    begin[1], begin[0] = np.polyfit(x, y, 1)
    solution = polish(problem, begin, steps=np.full(len(names), 1e-6))
    normal = solution.jacobian.T @ solution.jacobian + np.diag(names.precision)
    return solution, np.linalg.inv(normal)[:2, :2]


def test_line_with_errors_in_both_variables() -> None:
    """ISO/TS 28037:2010, clause 7 example (page 21; retrieved as above), four decimals."""
    solution, covariance = line_through_both(
        np.array([1.2, 1.9, 2.9, 4.0, 4.7, 5.9]),
        np.full(6, 0.2),
        np.array([3.4, 4.4, 7.2, 8.5, 10.8, 13.5]),
        np.array([0.2, 0.2, 0.2, 0.4, 0.4, 0.4]),
    )
    assert solution.converged
    found = (
        solution.x[0],
        np.sqrt(covariance[0, 0]),
        solution.x[1],
        np.sqrt(covariance[1, 1]),
        covariance[0, 1],
    )
    np.testing.assert_allclose(found, (0.5788, 0.4764, 2.1597, 0.1355, -0.0577), atol=5.5e-5, rtol=0)
    assert 2.0 * solution.cost == pytest.approx(2.743, abs=5e-4)


def test_pearsons_data_with_yorks_weights() -> None:
    """Weights over three decades on both axes, the touchstone of errors in both variables.

    Pearson, Phil. Mag. 2 (1901), weights of York, Can. J. Phys. 44 (1966); coefficients by Neri et al., J.
    Phys. E 22 (1989); standard uncertainties by York et al., Am. J. Phys. 72 (2004) (all retrieved from a
    public library's tests). Another published pair of uncertainties, 0.29193 and 0.057617, takes the
    observed points in place of the adjusted ones.
    """
    solution, covariance = line_through_both(
        np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]),
        np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1]) ** -0.5,
        np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]),
        np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5,
    )
    assert solution.converged
    # a cost that changes by less than 1e-9 of itself: 1e-4 standard uncertainties
    assert solution.x[0] == pytest.approx(5.47991022, abs=1e-4 * 0.295)
    assert solution.x[1] == pytest.approx(-0.480533407, abs=1e-4 * 0.058)
    assert 2.0 * solution.cost / 8 == pytest.approx(1.4833, abs=5e-5)
    # flat at the optimum, but the slope enters every weight: three digits of the seven printed
    assert np.sqrt(covariance[0, 0]) == pytest.approx(0.2949707, rel=1e-3)
    assert np.sqrt(covariance[1, 1]) == pytest.approx(0.057985, rel=1e-3)
