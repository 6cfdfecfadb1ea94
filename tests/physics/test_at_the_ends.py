"""What each relation takes and refuses at the very ends of its range, and what it gives there, by hand."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from diffbench.physics.arguments import not_negative, positive, within
from diffbench.physics.disc_spring import DiscSpring, DiscStack, deflection, load
from diffbench.physics.friction import FRICTION_LAWS, shape, slope, temperature_factor
from diffbench.physics.oil import kinematic_viscosity, viscosity_exponent, viscous_factor, walther
from diffbench.physics.pack import effective_radius_uniform_pressure, effective_radius_uniform_wear
from diffbench.physics.preload import PRELOAD_LAWS, Additive, GreaterOf, softened
from diffbench.physics.ramps import at_turns, between_turns, thrust_per_torque
from diffbench.physics.steady import locking_effect_from_locking_torque, ratio_from_locking_effect


def test_checks_of_arguments_take_their_ends_and_name_the_first_that_is_outside() -> None:
    for good in (0.05, np.array([0.05, 3.0]), 5):
        assert np.array_equal(positive("force", good), np.asarray(good, dtype=float))
    for good in (0.0, 0.05, [0.0, 3.0]):
        assert np.array_equal(not_negative("force", good), np.asarray(good, dtype=float))
    for good in (-2.0, 7.0, [-2.0, 0.0, 7.0]):
        assert np.array_equal(within("force", good, -2.0, 7.0), np.asarray(good, dtype=float))
    for check, bad, said in (
        (positive, 0.0, "force must be positive, got 0"),
        (positive, [3.0, -0.25, -9.0], "force must be positive, got -0.25"),
        (not_negative, [0.0, -0.0625, math.nan], "force must not be negative, got -0.0625"),
        (not_negative, math.nan, "force must not be negative, got nan"),
    ):
        with pytest.raises(ValueError, match=f"^{said}$"):
            check("force", bad)
    for bad, got in ((7.5, "7.5"), ([0.0, -2.5, 9.0], "-2.5"), (math.nan, "nan")):
        with pytest.raises(ValueError, match=f"^force must lie from -2 to 7 N, got {got}$"):
            within("force", bad, -2.0, 7.0, unit=" N")


REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: shape(0.1, -1.0, 0.05, 1.0, 0.1), "static excess must be above -1"),
    (lambda: shape(0.1, -1.05, 0.05, 1.0, 0.1), "static excess must be above -1"),
    (lambda: slope(0.1, 0.1, 0.14, 0.05, 0.95), "exponent must be at least 1"),
    (lambda: walther(190e-6, 17.5e-6, temperatures=(60.0, 60.0)), "the two temperatures must rise, got 60"),
    (lambda: walther(190e-6, 190e-6), "an oil gets thinner as it warms"),
    (lambda: walther(21.0, 17.5e-6), "viscosity must lie from 0.21 to 2e[+]07 mm.2/s, got 2.1e[+]07"),
    (lambda: walther(190e-6, 0.2e-6), "viscosity must lie from 0.21"),
    (lambda: walther(190e-6, 17.5e-6, temperatures=(40.0, 1050.0)), "temperature must lie from -200 to 1000"),
    (lambda: walther(190e-6, 17.5e-6, temperatures=(-210.0, 100.0)), "temperature must lie from -200"),
    (lambda: kinematic_viscosity(-273.15, walther(190e-6, 17.5e-6)), "must lie above absolute zero"),
    (lambda: effective_radius_uniform_wear(0.05, 0.05), "the outer radius must be above"),
    (lambda: thrust_per_torque(0.8, math.pi / 2.0, 0.04), "ramp friction angle must be below pi/2"),
    (lambda: ratio_from_locking_effect([0.5, -0.05]), "a locking effect is not negative"),
    (lambda: DiscSpring(0.08, 0.08, 0.002, 0.0012), "inner diameter must be below outer diameter"),
    (
        lambda: DiscSpring(0.1, 0.08, 0.002, 0.0012, poisson_ratio=0.52),
        "poisson ratio must lie from 0 to 0.5",
    ),
    (lambda: DiscStack(DISC, series=0), "at least one disc in parallel and one group in series"),
    (lambda: DiscStack(DISC, parallel=2, surface_friction=1.0), "leave some of the load"),
    (lambda: DiscStack(DISC, edge_friction=1.05), "leave some of the load"),
    (lambda: DiscStack(DISC, surface_friction=-0.01), "surface friction must not be negative"),
    (lambda: DiscStack(DISC, edge_friction=-0.01), "edge friction must not be negative"),
]
DISC = DiscSpring(0.100, 0.080, 0.002, 0.0012)


@pytest.mark.parametrize(("asked", "said"), REFUSED)
def test_what_lies_at_the_end_or_beyond_it_is_refused(asked: Callable[[], object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        asked()


def test_what_lies_just_within_is_taken() -> None:
    assert shape(0.1, -0.95, 0.05, 1.0, 0.1) == 1.0
    assert slope(0.05, 0.1, 0.14, 0.05, 1.05) == pytest.approx(-0.04 * 1.05 / 0.05 * math.exp(-1.0))
    assert slope(0.05, 0.1, 0.14, 0.05, 1.0) == pytest.approx(-0.04 / 0.05 * math.exp(-1.0))
    assert walther(0.5e-6, 0.22e-6).b > 0.0
    thin = walther(1e-6, 0.5e-6, temperatures=(-200.0, 1000.0))
    assert kinematic_viscosity([-200.0, 1000.0], thin) * 1e6 == pytest.approx([1.0, 0.5], rel=2e-3)
    assert DiscStack(DISC, parallel=2, surface_friction=0.5, edge_friction=0.25).gain() == 2.0 / 0.25
    assert DiscStack(DISC, parallel=3, surface_friction=0.05, edge_friction=0.02).gain(unloading=True) == (
        pytest.approx(3.0 / 1.12)
    )
    for poisson in (0.0, 0.5):
        assert load(DiscSpring(0.1, 0.08, 0.002, 0.0012, poisson_ratio=poisson), 0.001) > 0.0
    flat = load(DISC, 0.0012)
    assert deflection(DISC, flat * (1.0 + 1e-13)) == pytest.approx(0.0012, rel=1e-9)
    with pytest.raises(ValueError, match="load must not exceed"):
        deflection(DISC, flat * (1.0 + 1e-9))


def test_an_oil_falls_by_the_chord_of_ten_kelvin_either_way() -> None:
    """What the viscosities at 50 and 70 °C are apart by is e to twenty times it."""
    oil = walther(190e-6, 17.5e-6)
    cold, hot = (float(kinematic_viscosity(t, oil)) for t in (50.0, 70.0))
    found = viscosity_exponent(60.0, oil)
    assert math.exp(20.0 * found) == pytest.approx(cold / hot, rel=1e-12)
    assert viscous_factor(70.0, found, 50.0) == pytest.approx(hot / cold, rel=1e-12)


def test_friction_s_own_slope_is_that_of_its_shape() -> None:
    """Relative change for each metre a second, by a difference of both sides."""
    for law in FRICTION_LAWS.values():
        for excess, scale, speed in ((0.23, 0.034, 0.05), (-0.2, 0.1, 0.02), (0.5, 0.02, 0.09)):
            step = 1e-5 * speed
            here, up, down = (
                float(law.relative(v, (excess, scale), 0.1)) for v in (speed, speed + step, speed - step)
            )
            wanted = (up - down) / (2.0 * step) / here
            assert law.relative_slope(speed, (excess, scale)) == pytest.approx(wanted, rel=1e-7, abs=1e-8)
    assert [law.exponent for law in FRICTION_LAWS.values()] == [1.0, 2.0]
    assert temperature_factor([80.0, 60.0], -0.0012, 60.0).tolist() == [1.0 - 0.0012 * 20.0, 1.0]


def test_a_joint_counts_as_its_nearer_end_beyond_either() -> None:
    """Less than nothing as nothing, more than all as nearly all; a ramp that pulls presses nothing."""
    joint = GreaterOf()
    assert joint.load(80.0, [50.0, -50.0, 200.0], [-0.2]).tolist() == [80.0, 80.0, 200.0]
    assert joint.load(80.0, [50.0, -50.0], [0.25]).tolist() == [92.5, 80.0]
    assert joint.load(80.0, 50.0, [1.5]) == pytest.approx(80.0 + 50.0, rel=1e-3)
    assert joint.closed_share([-0.2]) == 0.0
    assert 0.99 < joint.closed_share([1.5]) < 1.0
    assert joint.opening(75.0, [0.25]) == pytest.approx(100.0)
    opening = joint.opening(75.0, [1.5])
    assert opening is not None
    assert opening > 7_000.0
    assert (Additive().closed_share(), Additive().opening(75.0)) == (1.0, None)
    assert [(law.name, law.linear) for law in PRELOAD_LAWS.values()] == [
        ("additive", True),
        ("greater-of", False),
    ]
    (share,) = joint.unknowns
    assert share.reach is not None
    assert share.reach(0.5) == pytest.approx(math.log(2.0))
    assert share.reach(0.0) == 0.0
    assert share.reach(0.999) == share.reach(1.0) == pytest.approx(math.log(100.0))


def test_a_joint_that_opens_bit_by_bit_locks_more_about_its_opening() -> None:
    """The fourth power of 1/2 is 1/16: roots of square roots; and the same share however small both are."""
    sixteenth = math.sqrt(math.sqrt(17.0 / 16.0)) - 1.0
    assert softened(np.array([100.0, 50.0]), np.array([50.0, 100.0])) == pytest.approx(
        [100.0 * sixteenth] * 2
    )
    assert softened(np.array(100.0), np.array(0.0)) == 0.0
    alike = math.sqrt(math.sqrt(2.0)) - 1.0
    assert softened(np.array(0.005), np.array(0.005)) == pytest.approx(0.005 * alike)


def test_ramps_that_stand_near_their_friction_angle_are_not_held_yet() -> None:
    """A twentieth of a radian over it: cot(0.05)/(2 · 40 mm)."""
    assert thrust_per_torque(0.15, 0.10, 0.04, unloading=True) == pytest.approx(
        1.0 / math.tan(0.05) / 0.08, rel=1e-12
    )
    assert thrust_per_torque(1.52, 0.0, 0.04) == pytest.approx(1.0 / math.tan(1.52) / 0.08, rel=1e-9)


def test_a_history_s_turns_begin_where_they_are_told_to() -> None:
    """At nothing, or at 90 N·m: by hand, no more than the upper and no less than the lower limit."""
    low, high = np.array([20.0, 60.0, 10.0]), np.array([26.0, 78.0, 13.0])
    assert at_turns(low, high).tolist() == [20.0, 60.0, 13.0]
    assert at_turns(low, high, 24.0).tolist() == [24.0, 60.0, 13.0]
    assert at_turns(low, high, 90.0).tolist() == [26.0, 60.0, 13.0]
    found = between_turns(np.array([-5.0, 30.0, 50.0]), np.array(1.3), np.array([9.0, 36.0, 90.0]))
    assert found.tolist() == [0.0, 36.0, 65.0]


def test_a_locking_effect_has_a_ratio_below_one_alone() -> None:
    assert ratio_from_locking_effect([0.0, 0.05, 0.999]) == pytest.approx([1.0, 1.05 / 0.95, 1999.0])
    assert np.isnan(ratio_from_locking_effect([1.0, 1.05])).all()
    found = locking_effect_from_locking_torque([30.0, 30.0, 0.0, 0.0], [-60.0, 0.0, 0.0, 60.0])
    np.testing.assert_array_equal(found, [0.5, np.inf, np.nan, 0.0])


def test_a_thin_ring_has_one_radius_by_either_rule() -> None:
    """Of 60 to 120 mm: two thirds of 14.4, 7.2 and 3.6 thousand mm² over 180 mm."""
    assert effective_radius_uniform_pressure(0.06, 0.12) == pytest.approx(2.0 / 3.0 * 25.2 / 180.0)
    assert effective_radius_uniform_pressure(0.08, 0.08 + 1e-12) == pytest.approx(0.08, rel=1e-9)
    assert effective_radius_uniform_wear(0.06, 0.12) == 0.09
    assert effective_radius_uniform_wear(0.0, 0.12) == 0.06
