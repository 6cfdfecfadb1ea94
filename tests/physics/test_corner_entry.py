"""Corner entry at a constant locking torque: from open to locked."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.corner_entry import (
    free_speed_difference,
    locking_limit,
    speed_difference,
    yaw_couple,
)

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

CAR: Any = {"track": 1.5, "rolling_radius": 0.31, "slip_stiffness": 60e3}

speeds = st.floats(1.0, 60.0)
radii = st.floats(10.0, 500.0)
torques = st.floats(0.0, 3000.0)


def limit(radius: float) -> float:
    return float(locking_limit(radius, **CAR))


@given(speed=speeds, radius=radii)
@reproducible
def test_an_open_differential_leaves_the_wheels_free(speed: float, radius: float) -> None:
    free = free_speed_difference(speed, radius, 1.5, 0.31)
    assert speed_difference(0.0, speed=speed, corner_radius=radius, **CAR) == free
    assert yaw_couple(0.0, corner_radius=radius, **CAR) == 0.0


@given(radius=radii)
@reproducible
def test_free_wheels_follow_their_own_radii(radius: float) -> None:
    """Analytic: V (R + t/2)/(R r) − V (R − t/2)/(R r)."""
    v, t, r = 20.0, 1.5, 0.31
    outer, inner = v * (radius + t / 2.0) / (radius * r), v * (radius - t / 2.0) / (radius * r)
    assert free_speed_difference(v, radius, t, r) == pytest.approx(outer - inner, abs=1e-12)


@given(speed=speeds, radius=radii, torque=torques)
@reproducible
def test_wheels_and_tyres_are_in_balance(speed: float, radius: float, torque: float) -> None:
    """The definition: each tyre's slip times its stiffness is T_lock/(2 r) while the unit slips."""
    r, c = CAR["rolling_radius"], CAR["slip_stiffness"]
    carried = min(torque, limit(radius))
    kept = speed_difference(torque, speed=speed, corner_radius=radius, **CAR)
    # Each wheel is off its free speed by half of what the difference has lost, its slip is that over V/r.
    slip = 0.5 * (free_speed_difference(speed, radius, CAR["track"], r) - kept) / (speed / r)
    assert c * slip == pytest.approx(carried / (2.0 * r), abs=1e-9 * c)


@given(speed=speeds, radius=radii, torque=torques, more=st.floats(0.0, 500.0))
@reproducible
def test_more_locking_leaves_less_difference_and_never_less_couple(
    speed: float, radius: float, torque: float, more: float
) -> None:
    here = speed_difference(torque, speed=speed, corner_radius=radius, **CAR)
    assert 0.0 <= speed_difference(torque + more, speed=speed, corner_radius=radius, **CAR) <= here
    assert yaw_couple(torque + more, corner_radius=radius, **CAR) >= yaw_couple(
        torque, corner_radius=radius, **CAR
    )


@given(speed=speeds, radius=radii, beyond=st.floats(1.0, 5.0))
@reproducible
def test_from_the_limit_on_both_wheels_turn_alike(speed: float, radius: float, beyond: float) -> None:
    """The couple stays at C t²/(2 R); rounding of t r C/R."""
    torque = beyond * limit(radius)
    free = free_speed_difference(speed, radius, 1.5, 0.31)
    kept = speed_difference(torque, speed=speed, corner_radius=radius, **CAR)
    assert kept == pytest.approx(0.0, abs=1e-15 * float(free))
    assert yaw_couple(torque, corner_radius=radius, **CAR) == pytest.approx(
        60e3 * 1.5**2 / (2.0 * radius), rel=1e-14
    )


@given(radius=radii, share=st.floats(0.0, 1.0))
@reproducible
def test_below_the_limit_both_go_in_proportion(radius: float, share: float) -> None:
    torque = share * limit(radius)
    free = free_speed_difference(20.0, radius, 1.5, 0.31)
    kept = speed_difference(torque, speed=20.0, corner_radius=radius, **CAR)
    assert kept / free == pytest.approx(1.0 - share, abs=1e-14)
    assert yaw_couple(torque, corner_radius=radius, **CAR) == pytest.approx(
        torque * 1.5 / (2.0 * 0.31), rel=1e-14
    )


def test_a_straight_road_locks_at_once() -> None:
    """As the corner opens up the limit goes to zero: on the straight any unit is locked."""
    assert limit(1e9) < 1e-3
    assert yaw_couple(90.0, corner_radius=1e9, **CAR) < 1e-3


def test_a_ladder_of_preloads_comes_as_an_array() -> None:
    ladder = np.array([0.0, 50.0, 100.0, 150.0])
    assert speed_difference(ladder, speed=20.0, corner_radius=50.0, **CAR).shape == (4,)
    assert yaw_couple(ladder, corner_radius=50.0, **CAR).shape == (4,)


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="corner radius must be positive"):
        free_speed_difference(20.0, 0.0, 1.5, 0.31)
    with pytest.raises(ValueError, match="slip stiffness must be positive"):
        locking_limit(50.0, 1.5, 0.31, 0.0)
    with pytest.raises(ValueError, match="locking torque must not be negative"):
        yaw_couple(-1.0, corner_radius=50.0, **CAR)
    with pytest.raises(ValueError, match="speed must not be negative"):
        speed_difference(10.0, speed=-1.0, corner_radius=50.0, **CAR)
