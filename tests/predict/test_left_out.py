"""What measured torque is apart from a law, at one place by hand: no number is one, no two are alike."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diffbench.results.discrepancy import (
    BRANCH_APART,
    NEAR_ZERO,
    ROUNDED,
    DiscrepancyState,
    expected_apart,
    kernel,
    left_out,
    places,
)

SIZE, LENGTHS, LARGEST = 0.031, (0.43, 1.7, 26.0), 640.0
CENTRE = (-0.35, 0.0, math.log(3.1), 57.0)
TORQUE, SPEED, HEAT, VALUE = 210.0, 6.4, 71.0, 183.0
GRADIENT, RESPONSE, DRIFT = (1.9, 240.0), ((22.0, 3.7), (-0.13, 0.29)), (0.41, -0.0023)
MEAN, COVARIANCE = (2.3, 0.7), ((0.8, 0.11), (0.11, 0.33))
ONCE, SINCE = 0.0037, 0.0062


def state(**changes: object) -> DiscrepancyState:
    known = {"largest_Nm": LARGEST, "lengths": LENGTHS, "size": SIZE, "once": ONCE, "since": SINCE}
    known |= {"since_response": list(DRIFT), "centres": [list(CENTRE)], "mean": list(MEAN)}
    known |= {"covariance": [list(row) for row in COVARIANCE], "response": [list(row) for row in RESPONSE]}
    return DiscrepancyState(**(known | {"torque_power": 0.8} | changes))  # type: ignore[arg-type]


def near(side: float, power: float = 0.8) -> float:
    """Size² exp(−d²/2), torques by their power with the sign kept, the branches so far apart."""

    def warped(share: float) -> float:
        return math.copysign((abs(share) + ROUNDED) ** power - ROUNDED**power, share)

    along = (
        (warped(TORQUE / LARGEST) - warped(CENTRE[0])) / LENGTHS[0],
        side * BRANCH_APART,
        (math.log(SPEED) - CENTRE[2]) / LENGTHS[1],
        (HEAT - CENTRE[3]) / LENGTHS[2],
    )
    return SIZE**2 * math.exp(-0.5 * math.fsum(part**2 for part in along))


COVARIANCES = {"loading": near(0.0), "unloading": near(1.0), "mean": 0.5 * (near(0.0) + near(1.0))}
PLACE = (np.array([TORQUE]), np.array([-SPEED]), np.array([HEAT]))


def test_covariance_of_two_places() -> None:
    place = np.array([[TORQUE / LARGEST, 1.0, math.log(SPEED), HEAT]])
    found = kernel(place, np.array([CENTRE]), SIZE, LENGTHS)
    assert found == pytest.approx(near(1.0, NEAR_ZERO), rel=1e-9)
    assert found.shape == (1, 1)


@pytest.mark.parametrize("branch", COVARIANCES)
@pytest.mark.parametrize("corrects", [True, False])
def test_variance_and_expectation(branch: str, corrects: bool) -> None:
    """What the centre does not say of the place, what the fit's doubt makes of it, and, where the map does
    not show it, what the law is expected to miss."""
    k = COVARIANCES[branch]
    taken = [sum(g * RESPONSE[i][j] for i, g in enumerate(GRADIENT)) for j in (0, 1)]
    weights = (VALUE * k - taken[0], -taken[1])
    doubt = sum(weights[i] * COVARIANCE[i][j] * weights[j] for i in (0, 1) for j in (0, 1))
    drifted = VALUE * SINCE - GRADIENT[0] * DRIFT[0] - GRADIENT[1] * DRIFT[1]
    missed = weights[0] * MEAN[0] + weights[1] * MEAN[1] + drifted
    expected = doubt + VALUE**2 * (SIZE**2 - k**2 / SIZE**2 + ONCE**2) + (0.0 if corrects else missed**2)
    found = state(corrects=corrects)
    values, gradients = np.array([VALUE]), np.array([GRADIENT])
    assert left_out(found, values, gradients, PLACE, branch) == pytest.approx(expected, rel=1e-9)
    floored = state(corrects=corrects, floor=2.0 * math.sqrt(expected) / VALUE)
    assert left_out(floored, values, gradients, PLACE, branch) == pytest.approx(4.0 * expected, rel=1e-9)

    apart = expected_apart(found, values, lambda step: np.array([step @ GRADIENT]), PLACE, branch)
    assert apart == pytest.approx(missed if corrects else 0.0, rel=1e-9)


def test_some_unknowns_keep_what_is_theirs() -> None:
    some = state().of_unknowns([1])
    assert (some.response, some.since_response) == ([list(RESPONSE[1])], [DRIFT[1]])
    nothing = expected_apart(
        state(size=0.0, corrects=True), np.array([VALUE]), lambda step: step[:1], PLACE, "mean"
    )
    assert nothing == pytest.approx(VALUE * SINCE - (np.array(RESPONSE) @ MEAN + np.array(DRIFT))[0])


def test_places_of_a_stand_still() -> None:
    """Torque over the largest, the branch, ln of the speed but no slower than a fiftieth of a radian
    a second, the temperature; whichever way it turns."""
    speeds = np.array([0.0, -0.019, 0.021, -3.0])
    found = places(np.full(4, 160.0), 1.0, speeds, np.full(4, 57.0), LARGEST)
    np.testing.assert_allclose(found[:, 2], np.log([0.02, 0.02, 0.021, 3.0]))
    np.testing.assert_allclose(found[:, [0, 1, 3]], [[0.25, 1.0, 57.0]] * 4)
