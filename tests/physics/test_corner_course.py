"""The axle through a corner sample by sample: against wheels one by one, a search for roots, and a loop."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from diffbench.physics.corner_course import asked_of_axle, difference_left, played, yaw_rate_of_steering

TRACK = 1.5


def wheels(speed: float, yaw_rate: float, shifted: float) -> tuple[float, float]:
    """Speeds of the outer and the inner wheel [rad/s], each on its own tyre, of which the unit shifts a
    torque from one to the other [N·m]: it turns as its way over ground asks, and slips as its force asks."""
    found = []
    for side, radius, stiffness in ((1.0, 0.31, 60e3), (-1.0, 0.30, 50e3)):
        force = (-60.0 - side * shifted / 2.0) / radius
        slip = force / stiffness
        found.append((speed + side * yaw_rate * TRACK / 2.0 + speed * slip) / radius)
    return found[0], found[1]


def test_what_a_corner_asks_is_what_two_wheels_do() -> None:
    speed, yaw_rate = np.array([20.0, 35.0, 20.0]), np.array([0.4, 0.25, -0.1])
    asked = asked_of_axle(
        speed=speed, yaw_rate=yaw_rate, track=TRACK, outer_radius=0.31, inner_radius=0.30,
        outer_stiffness=60e3, inner_stiffness=50e3, wheel_torque=-60.0,
    )  # fmt: skip
    for i in range(3):
        outer, inner = wheels(speed[i], yaw_rate[i], 0.0)
        assert asked.opened[i] == pytest.approx(outer - inner, rel=1e-12)
        outer, inner = wheels(speed[i], yaw_rate[i], 90.0)
        assert asked.opened[i] - 90.0 * asked.give[i] == pytest.approx(outer - inner, rel=1e-12)
        # on a mean radius of 305 mm
        assert asked.free[i] == pytest.approx(yaw_rate[i] * TRACK / 0.305, rel=1e-12)


def test_steering_turns_a_car_as_its_wheels_point_and_less_the_more_it_understeers() -> None:
    """At a crawl on the circle of its wheelbase over the tangent; at 10 m/s with 0.02 rad/g two g-hundredths
    of 100/9.80665 m lengthen the wheelbase."""
    circle = 2.5 / math.tan(0.05)
    assert yaw_rate_of_steering([0.1], [0.05], 2.5, 0.02)[0] == pytest.approx(0.1 / circle, rel=1e-3)
    assert yaw_rate_of_steering(10.0, -0.05, 2.5) == pytest.approx(-10.0 / circle, rel=1e-12)
    longer = 2.5 + 0.02 * 100.0 / 9.80665
    assert yaw_rate_of_steering(10.0, 0.05, 2.5, 0.02) == pytest.approx(
        10.0 * math.tan(0.05) / longer, rel=1e-12
    )


NODES = np.array([0.5, 2.0, 5.0])


def smallest(size: float, give: float, holds: np.ndarray) -> float:
    """The smallest speed difference at which what is asked less what the unit takes off is left."""

    def excess(difference: float) -> float:
        return difference + give * float(np.interp(difference, NODES, holds)) - size

    if excess(0.0) >= 0.0:
        return 0.0
    places = np.unique(np.concatenate([np.linspace(0.0, 5.0, 41), NODES, [size]]))
    above = next(place for place in places if excess(place) >= 0.0)
    below = places[np.searchsorted(places, above) - 1]
    return above if excess(above) == 0.0 else float(brentq(excess, below, above, xtol=1e-14))


def test_a_unit_leaves_the_smallest_difference_that_balances() -> None:
    """Rising and falling with slip, held before the first node and beyond the last; either way round."""
    rng = np.random.default_rng(11)
    opened = rng.uniform(-8.0, 8.0, 300)
    give = rng.uniform(0.0005, 0.02, 300)
    holds = rng.uniform(20.0, 400.0, (300, 3))
    left, carried = difference_left(opened, give, NODES, holds)
    kinds = set()
    for i in range(300):
        wanted = smallest(abs(opened[i]), give[i], holds[i])
        sense = math.copysign(1.0, opened[i])
        assert left[i] == pytest.approx(sense * wanted, abs=1e-11)
        # all of what is lost was taken off by what the unit carries
        assert carried[i] * give[i] == pytest.approx(opened[i] - left[i], abs=1e-11)
        if wanted > 0.0:
            assert abs(carried[i]) == pytest.approx(float(np.interp(wanted, NODES, holds[i])), rel=1e-9)
        kinds.add(int(np.searchsorted(NODES, wanted)) if wanted else -1)
    assert kinds == {-1, 0, 1, 2, 3}


def test_differences_by_hand() -> None:
    """A unit of 90 N·m before 0.5 rad/s, 60 at 2, 120 from 5 on; a hundredth of a radian a second each."""
    holds = [[90.0, 60.0, 120.0]] * 6
    left, carried = difference_left([0.9, 0.8, -1.3, 3.2, 9.2, 0.0], [0.01] * 6, NODES, holds)
    # held at just what it carries, and with something to spare; 0.4 left of 1.3; 2 + x with 20 N·m a radian
    assert left[:2].tolist() == [0.0, 0.0]
    assert carried[:2] == pytest.approx([90.0, 80.0])
    assert (left[2], carried[2]) == pytest.approx((-0.4, -90.0))
    # x + 0.01 (60 + 20 (x - 2)) = 3.2: 1.2 x = 3.0
    assert (left[3], carried[3]) == pytest.approx((2.5, 70.0))
    assert (left[4], carried[4]) == pytest.approx((8.0, 120.0))
    assert (left[5], carried[5]) == (0.0, 0.0)
    rigid, none = difference_left([1.3, -0.2], [0.0, 0.0], NODES, holds[:2])
    assert (rigid.tolist(), none.tolist()) == ([1.3, -0.2], [0.0, 0.0])


def test_ramps_follow_between_both_branches_and_begin_anew_on_the_other_flank() -> None:
    """Sample by sample, in words: what was held, no more than unloading and no less than loading allow."""
    rng = np.random.default_rng(5)
    torque = np.cumsum(rng.normal(0.0, 60.0, 200))
    loading = 20.0 + np.abs(torque)[:, None] * np.array([0.4, 0.55])
    unloading = loading * rng.uniform(0.9, 1.5, (200, 2))  # where below the other branch, that one counts
    found = played(loading, unloading, torque)
    held = loading[0].copy()
    for i in range(200):
        again = i == 0 or (torque[i] < 0.0) != (torque[i - 1] < 0.0)
        for k in range(2):
            if again:
                held[k] = loading[i, k]
            elif held[k] > max(unloading[i, k], loading[i, k]):
                held[k] = max(unloading[i, k], loading[i, k])
            elif held[k] < loading[i, k]:
                held[k] = loading[i, k]
        assert found[i].tolist() == held.tolist()
    assert ((found > loading) & (found < unloading)).any()
    # no torque counts with drive
    still = played([[9.0], [5.0], [4.0]], [[12.0], [7.0], [6.0]], [1.0, 0.0, -1.0])
    assert still.tolist() == [[9.0], [7.0], [4.0]]
