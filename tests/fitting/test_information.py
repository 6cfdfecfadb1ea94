"""Information adds up run by run, and the variances that follow are those of least squares."""

from __future__ import annotations

import numpy as np
import pytest

from diffbench.fitting import Information
from diffbench.fitting.unknowns import Unknown


def of(rows: np.ndarray, precision: list[float], considered: list[float] | None = None) -> Information:
    given = np.zeros(rows.shape[1]) if considered is None else np.array(considered)
    return Information(rows.T @ rows, np.array(precision), given)


def test_a_mean_of_n_readings() -> None:
    """u = σ/√n (GUM 4.2.3), whether the readings come at once or in two runs."""
    one = of(np.ones((10, 1)), [0.0])
    both = one.plus(np.ones((30, 1)), np.array([0]))
    assert one.variances(np.array([[1.0]]))[0] == pytest.approx(1 / 10)
    assert both.variances(np.array([[1.0]]))[0] == pytest.approx(1 / 40)


def test_variances_are_those_of_ordinary_least_squares() -> None:
    """(XᵀX)⁻¹ of a design of full rank, for any gradient."""
    rng = np.random.default_rng(0)
    design, gradients = rng.normal(size=(50, 4)), rng.normal(size=(3, 4))
    found = of(design, [0.0] * 4).variances(gradients)
    expected = np.diag(gradients @ np.linalg.inv(design.T @ design) @ gradients.T)
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_a_considered_error_is_passed_on_however_many_readings_there_are() -> None:
    """Gain known to 1 %: a mean of a million readings of 100 is no better than 1."""
    rows = np.tile([1.0, 100.0], (1_000_000, 1))
    known = of(rows, [0.0, 0.0], [0.0, 0.01])
    assert known.variances(np.array([[1.0, 0.0]]))[0] == pytest.approx(1.0**2 + 1e-6)


def test_a_new_unknown_of_a_further_run_takes_from_what_it_tells() -> None:
    """A second run with a zero of its own, known to 1: it tells the mean to no better than that zero."""
    first = of(np.ones((10, 1)), [0.0])
    zero = Unknown("zero", 0.0, knowledge="stated", prior_u=1.0)
    both = first.widened([zero]).plus(np.ones((1_000_000, 2)), np.array([0, 1]))
    # two independent answers, of variance 1/10 and 1
    assert both.variances(np.array([[1.0, 0.0]]))[0] == pytest.approx(1 / (10 + 1), rel=1e-4)


def test_knowing_more_beforehand() -> None:
    """Four times the precision of all there is: half the uncertainty."""
    known = of(np.zeros((1, 1)), [1.0])
    assert known.knowing({0: 4.0}).variances(np.array([[1.0]]))[0] == pytest.approx(0.25)
