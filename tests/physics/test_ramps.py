"""Ramps: the wedge, its limits, and the angles found back from biases."""

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from diffbench.physics.pack import locking_torque_of_packs
from diffbench.physics.ramps import effective_angle, log_slope, ramp_bias, thrust_per_torque, unloading_ratio

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

PACKS: Any = {"faces": 5, "effective_radius": 0.0447, "pin_radius": 0.0385}

angles = st.floats(20.0, 80.0)
frictions = st.floats(0.02, 0.2)
friction_angles = st.floats(0.5, 9.0)


@given(angle=angles, friction=frictions, input_torque=st.floats(0.0, 2000.0))
@reproducible
def test_bias_is_the_locking_torque_of_the_thrust(angle: float, friction: float, input_torque: float) -> None:
    """K |T_in| and both packs under the ramp thrust are one number by two ways; rounding only."""
    beta, phi = np.radians(angle), np.radians(4.5)
    bias = ramp_bias(friction, 5, 0.0447, 0.0385, beta, phi)
    thrust = thrust_per_torque(beta, phi, 0.0385) * input_torque
    assert locking_torque_of_packs(friction, 5, 0.0447, thrust) == pytest.approx(
        bias * input_torque, rel=1e-14
    )


def test_a_ramp_of_45_degrees_without_friction_gives_the_tangential_force() -> None:
    """Analytic: cot 45° = 1, so that the thrust is |T|/(2 r_p)."""
    assert thrust_per_torque(np.pi / 4.0, 0.0, 0.5) == pytest.approx(1.0, rel=1e-15)


@given(angle=angles, phi=st.floats(0.0, 9.0), friction=frictions, smaller=st.floats(0.0, 15.0))
@reproducible
def test_a_smaller_angle_never_locks_less(angle: float, phi: float, friction: float, smaller: float) -> None:
    for unloading in (False, True):
        wide = ramp_bias(friction, 5, 0.0447, 0.0385, np.radians(angle), np.radians(phi), unloading=unloading)
        narrow = ramp_bias(
            friction, 5, 0.0447, 0.0385, np.radians(angle - smaller), np.radians(phi), unloading=unloading
        )
        assert narrow >= wide


@given(angle=angles, phi=st.floats(0.0, 89.0), friction=frictions)
@reproducible
def test_loading_never_locks_more_than_unloading(angle: float, phi: float, friction: float) -> None:
    arguments = (friction, 5, 0.0447, 0.0385, np.radians(angle), np.radians(phi))
    assert ramp_bias(*arguments) <= ramp_bias(*arguments, unloading=True)
    assert unloading_ratio(np.radians(angle), np.radians(phi)) >= 1.0


@given(angle=angles, phi=friction_angles)
@reproducible
def test_ratio_is_that_of_the_two_thrusts(angle: float, phi: float) -> None:
    beta, friction_angle = np.radians(angle), np.radians(phi)
    direct = thrust_per_torque(beta, friction_angle, 1.0, unloading=True) / thrust_per_torque(
        beta, friction_angle, 1.0
    )
    # Near its limits the quotient amplifies rounding by the ratio itself.
    assert unloading_ratio(beta, friction_angle) == pytest.approx(
        direct, rel=1e-14 * (1.0 + float(direct) ** 2)
    )


@given(angle=angles, phi=friction_angles, friction=frictions)
@reproducible
def test_angles_come_back_from_the_two_biases(angle: float, phi: float, friction: float) -> None:
    assume(angle + phi < 89.0)
    beta, friction_angle = np.radians(angle), np.radians(phi)
    loading = ramp_bias(friction, 5, 0.0447, 0.0385, beta, friction_angle)
    unloading = ramp_bias(friction, 5, 0.0447, 0.0385, beta, friction_angle, unloading=True)
    wide, narrow = (effective_angle(bias, friction, **PACKS) for bias in (loading, unloading))
    assert (wide + narrow) / 2.0 == pytest.approx(beta, rel=1e-12)
    assert (wide - narrow) / 2.0 == pytest.approx(friction_angle, rel=1e-10)


@given(angle=st.floats(5.0, 85.0))
@reproducible
def test_log_slope_is_the_derivative(angle: float) -> None:
    """Against a central difference of step h: wrong by h²/6 times the third derivative, below 16/sin³ 2x."""
    x, step = np.radians(angle), 1e-4
    up, down = (float(thrust_per_torque(x + side, 0.0, 1.0)) for side in (step, -step))
    expected = np.log(up / down) / (2.0 * step)
    assert log_slope(x) == pytest.approx(expected, abs=3.0 * step**2 / np.sin(2.0 * x) ** 3 + 1e-10)


@given(angle=angles, phi=friction_angles, friction=frictions, wrong=st.floats(0.7, 1.4))
@reproducible
def test_one_bias_alone_fixes_only_the_product(
    angle: float, phi: float, friction: float, wrong: float
) -> None:
    """Plates with another friction and a ramp with the angle to match give the same bias."""
    beta, friction_angle = np.radians(angle), np.radians(phi)
    bias = ramp_bias(friction, 5, 0.0447, 0.0385, beta, friction_angle)
    other = effective_angle(bias, wrong * friction, **PACKS)
    assert ramp_bias(wrong * friction, 5, 0.0447, 0.0385, other, 0.0) == pytest.approx(
        bias, rel=1e-12, abs=1e-15
    )


def test_a_face_along_the_axis_gives_no_thrust() -> None:
    assert thrust_per_torque(np.pi / 2.0, 0.0, 0.0385) == 0.0
    assert ramp_bias(0.1, 5, 0.0447, 0.0385, np.pi / 2.0, 0.0) == 0.0
    assert effective_angle(0.0, 0.1, **PACKS) == np.pi / 2.0
    assert unloading_ratio(np.pi / 2.0, 0.0) == 1.0


def test_too_much_ramp_friction_drives_nothing_apart() -> None:
    assert thrust_per_torque(np.radians(80.0), np.radians(10.5), 0.0385) == 0.0
    assert np.isinf(unloading_ratio(np.radians(80.0), np.radians(10.5)))


@pytest.mark.parametrize("angle", [4.0, 5.0], ids=["below the friction angle", "at the friction angle"])
def test_a_ramp_no_steeper_than_its_friction_angle_holds_itself(angle: float) -> None:
    assert np.isinf(thrust_per_torque(np.radians(angle), np.radians(5.0), 0.0385, unloading=True))
    assert np.isinf(ramp_bias(0.1, 5, 0.0447, 0.0385, np.radians(angle), np.radians(5.0), unloading=True))
    assert np.isinf(unloading_ratio(np.radians(angle), np.radians(5.0)))


def test_plates_without_friction_do_not_lock_even_under_a_ramp_that_holds_itself() -> None:
    assert ramp_bias(0.0, 5, 0.0447, 0.0385, np.radians(4.0), np.radians(5.0), unloading=True) == 0.0
    assert ramp_bias(0.1, 0, 0.0447, 0.0385, np.radians(45.0), np.radians(5.0)) == 0.0


def test_arguments_broadcast() -> None:
    beta = np.radians([[45.0], [60.0]])
    phi = np.radians([0.0, 4.0, 8.0])
    assert ramp_bias(0.1, 5, 0.0447, 0.0385, beta, phi).shape == (2, 3)
    assert unloading_ratio(beta, phi).shape == (2, 3)
    assert thrust_per_torque(beta, phi, 0.0385, unloading=True).shape == (2, 3)


@pytest.mark.parametrize(
    ("angle", "phi", "radius", "message"),
    [
        (0.0, 0.1, 0.04, "ramp angle must be positive"),
        (1.6, 0.1, 0.04, "ramp angle must lie from 0 to 1.5708 rad, got 1.6"),
        (45.0, 0.1, 0.04, "ramp angle must lie"),
        (0.8, -0.1, 0.04, "friction angle must not be negative"),
        (0.8, 1.6, 0.04, "friction angle must be below"),
        (0.8, 0.1, 0.0, "pin radius must be positive"),
        (np.nan, 0.1, 0.04, "ramp angle must be positive, got nan"),
    ],
)
def test_what_a_ramp_refuses(angle: float, phi: float, radius: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        thrust_per_torque(angle, phi, radius)
