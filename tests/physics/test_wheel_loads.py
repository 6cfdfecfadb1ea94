"""Wheel loads in a corner and slip stiffness over load, against printed examples."""

from __future__ import annotations

import pytest

from diffbench.physics.corner_balance import axle_balance, free_speed_difference
from diffbench.physics.corner_course import asked_of_axle, yaw_rate_of_steering
from diffbench.physics.wheel_loads import GRAVITY, axle_load, lateral_transfer, stiffness_under_load

LBF, FT, INCH = 4.4482216152605, 0.3048, 0.0254


def test_lateral_transfer_of_one_axle() -> None:
    """247 kg, as an engineering calculator's worked example prints it for 750 kg at 1 g."""
    assert lateral_transfer(750.0, GRAVITY, 0.520, 1.580) / GRAVITY == pytest.approx(247.0, rel=1e-3)


def test_lateral_transfer_as_the_sum_over_all_paths() -> None:
    """Automotive Chassis Engineering (Springer 2018), ch. 3, worked example on p. 174: 1909 N (the sum of its
    own addends; it prints 1919) and 1649 N. Its roll centres, unsprung masses and roll arm as one height."""
    lateral, track = 5.886, 1.46
    roll = 28650.0 * 0.0194 * lateral / track  # what its roll stiffness and roll gradient carry
    rest = 1280 * (0.54 * 0.07 + 0.46 * 0.32) + 140 * 0.28 + 180 * 0.3
    assert lateral_transfer(1.0, lateral, rest, track) + roll == pytest.approx(1909 + 1649, rel=0.01)
    geometric = lateral_transfer(1280 * 0.46, lateral, 0.32, track)
    assert geometric == pytest.approx(760, rel=4e-3)
    assert lateral_transfer(180.0, lateral, 0.30, track) == pytest.approx(218, rel=4e-3)
    assert lateral_transfer(140.0, lateral, 0.28, track) == pytest.approx(158, rel=4e-3)


def test_longitudinal_transfer_with_spinning_rear_wheels() -> None:
    """R. C. Hibbeler and A. Gupta, Engineering Mechanics: Dynamics, example 17.5: 6.88 and 12.74 kN. Its
    gravity is 9.81."""
    case = {"height": 0.3, "wheelbase": 2.0, "longitudinal": 1.5925}
    front = axle_load(2000.0, 0.75 / 2.0, rear=False, **case)
    rear = axle_load(2000.0, 1.25 / 2.0, **case)
    assert (front / 1e3, rear / 1e3) == (pytest.approx(6.88, rel=1e-3), pytest.approx(12.74, rel=1e-3))


def test_axle_loads_of_a_truck_on_a_grade() -> None:
    """J. L. Meriam and L. G. Kraige, Engineering Mechanics: Dynamics, sample problem 6/1 (output from
    memory): 1441 and 1763 lb. The grade's share of the weight acts as an acceleration does."""
    slope = 1.0 / (1.0 + 0.1**2) ** 0.5
    mass = 3220.0 * LBF / GRAVITY
    along = 44.0**2 / (2.0 * 200.0) * FT + GRAVITY * 0.1 * slope
    case = {"height": 24 * INCH, "wheelbase": 120 * INCH, "longitudinal": along}
    level = 3220.0 * LBF * 0.5 * (1.0 - slope)  # what the grade takes off each axle
    front, rear = (axle_load(mass, 0.5, rear=rear, **case) - level for rear in (False, True))
    assert (front / LBF, rear / LBF) == (pytest.approx(1441, rel=1e-3), pytest.approx(1763, rel=1e-3))


def test_four_wheel_loads_in_a_turn() -> None:
    """Khurmi and Gupta, Theory of Machines, example 14.12, corrected: the companion halves twice. Outer less
    inner, without the wheels' gyroscopic couple of 37.0 N·m, which diffbench leaves out."""
    speed = 60.0 / 3.6
    across = 2.0 * lateral_transfer(2000.0, speed**2 / 60.0, 0.5, 1.5)
    gyroscopic = 2.0 * (4 * 0.8 * (speed / 0.4) * (speed / 60.0)) / 1.5
    assert across + gyroscopic == pytest.approx(7434.6 - 4323.5 + 5486.5 - 2375.4, rel=1e-3)


@pytest.mark.parametrize(("load", "stiffness"), [(2000.0, 44606.0), (4000.0, 89212.0), (6000.0, 133818.0)])
def test_slip_stiffness_over_load(load: float, stiffness: float) -> None:
    """H. B. Pacejka, Tire and Vehicle Dynamics, eq. 4.E15, with pKx1 = 22.303 of the parameter set in M.
    Althoff and G. Würsching, CommonRoad: Vehicle Models: in proportion to the load."""
    assert stiffness_under_load(22.303 * 3000.0, load, 3000.0, 1.0) == pytest.approx(stiffness, rel=1e-9)
    # by another power, by hand: none at all, and the root
    assert stiffness_under_load(66909.0, load, 3000.0, 0.0) == 66909.0
    assert stiffness_under_load(66909.0, load, 3000.0, 0.5) == pytest.approx(66909.0 * (load / 3000.0) ** 0.5)


def test_free_differences_of_printed_turns() -> None:
    """1.32 rad/s on a lap of 20.2 s (a physics textbook's exercise on a car's differential); 175.07 and
    245.10 rpm at 10 mph in a turn of 30 ft (a worked problem, its rpm recomputed); 0.9637 and 1.0364 of the
    carrier's speed (a mechanism exercise, derived)."""
    lap = 20.2
    round_ = 80.0
    speed = 2.0 * 3.141592653589793 * round_ / lap
    assert free_speed_difference(speed, round_, 1.7, 0.4) == pytest.approx(1.32, rel=3e-3)
    turned = free_speed_difference(10 * 0.44704, 30 * FT, 10 * FT, 8 * INCH)
    rpm = 3.141592653589793 / 30.0
    assert turned == pytest.approx((245.0986 - 175.0704) * rpm, rel=2e-3)
    middle = 20.0 + 1.5 / 2.0
    carrier = 1.0 / 0.3
    share = 0.5 * free_speed_difference(1.0, middle, 1.5, 0.3) / carrier
    assert (1.0 - share, 1.0 + share) == (
        pytest.approx(0.963855, rel=1e-6),
        pytest.approx(1.036145, rel=1e-6),
    )


def test_free_difference_of_a_kinematic_single_track_car() -> None:
    """Yaw rate and wheel difference of vehicle 2 in M. Althoff and G. Würsching, CommonRoad: Vehicle Models
    (package 3.0.2, test_ks), with its rear track and wheel radius."""
    speed = 16.354695786088357
    yaw_rate = float(yaw_rate_of_steering(speed, 0.0378491427211811, 1.1561957064 + 1.4227170936))
    assert yaw_rate == pytest.approx(0.2401426578627629, rel=1e-14)
    found = free_speed_difference(speed, speed / yaw_rate, 1.36398, 0.344)
    assert found == pytest.approx(0.9521796002082887, rel=1e-10)


def test_axle_loads_of_a_dynamic_single_track_car() -> None:
    """Yaw acceleration and rate of sideslip of vehicle 2 in M. Althoff and G. Würsching, CommonRoad: Vehicle
    Models (package 3.0.2, test_st): lateral forces by its linear law on these axle loads, with the package's
    parameters. Its gravity is 9.81; the acceleration of 6.18 m/s² is cut to its drive limit."""
    front_arm, rear_arm, inertia, mass = 1.1561957064, 1.4227170936, 1791.5995300122856, 1093.2952334674046
    steer, speed, yaw_rate, slip = (
        0.0197545248559617,
        15.721623633429012,
        0.0529001056654038,
        0.0033012170610298,
    )
    base, gravity = front_arm + rear_arm, 9.81 / GRAVITY
    case = {"height": 0.61373004 / gravity, "wheelbase": base, "longitudinal": 5.3536773276413925}
    friction, stiffness = 1.0489, 21.92 / 1.0489
    front = friction * stiffness * axle_load(mass * gravity, rear_arm / base, rear=False, **case)
    rear = friction * stiffness * axle_load(mass * gravity, front_arm / base, **case)
    by_front = front * (steer - slip - front_arm * yaw_rate / speed)
    by_rear = rear * (-slip + rear_arm * yaw_rate / speed)
    assert (front_arm * by_front - rear_arm * by_rear) / inertia == pytest.approx(
        0.6435589397748606, rel=1e-12
    )
    assert (by_front + by_rear) / (mass * speed) - yaw_rate == pytest.approx(0.0313297971641291, rel=1e-12)


def test_tyres_apart_by_hand() -> None:
    """300 N·m of engine braking on tyres of 70 and 40 kN at 20 m/s: each has -483.87 N, the inner one slips
    1.2097 %, the outer one 0.6912 %: 0.3344 rad/s more than free, 90 N·m of the unit take 0.3679 off."""
    car = {"track": 1.5, "rolling_radius": 0.31, "speed": 20.0, "corner_radius": 50.0}
    found = axle_balance(lambda difference: 90.0, slip_stiffness=(70e3, 40e3), input_torque=-300.0, **car)
    free = 20.0 * 1.5 / (50.0 * 0.31)
    slip = 150.0 / 0.31 * (1.0 / 40e3 - 1.0 / 70e3)
    assert found.open_difference == pytest.approx(free + 20.0 / 0.31 * slip, rel=1e-12)
    give = 20.0 / (2.0 * 0.31**2) * (1.0 / 70e3 + 1.0 / 40e3)
    assert found.speed_difference == pytest.approx(found.open_difference - give * 90.0, rel=1e-12)
    assert found.yaw_moment == pytest.approx(90.0 * 1.5 / 0.62, rel=1e-12)
    asked = asked_of_axle(
        speed=20.0,
        yaw_rate=0.4,
        track=1.5,
        outer_radius=0.31,
        inner_radius=0.31,
        outer_stiffness=70e3,
        inner_stiffness=40e3,
        wheel_torque=-150.0,
    )
    assert (asked.free, asked.opened) == pytest.approx((free, free + 20.0 / 0.31 * slip), rel=1e-12)
    assert asked.give == pytest.approx(give, rel=1e-12)


def test_an_unloaded_inner_tyre_under_drive_turns_the_car_in() -> None:
    """The inner wheel spins ahead, and the unit sends its torque to the outer one."""
    car = {"track": 1.5, "rolling_radius": 0.31, "speed": 20.0, "corner_radius": 100.0}
    found = axle_balance(lambda difference: 50.0, slip_stiffness=(80e3, 20e3), input_torque=900.0, **car)
    assert found.open_difference < found.speed_difference < 0.0
    assert found.yaw_moment == pytest.approx(-50.0 * 1.5 / 0.62, rel=1e-12)
    assert found.outer_force > found.inner_force


def test_radii_apart_and_slip_of_each_wheel() -> None:
    """Outer wheel 2 mm larger: it turns slower for one way. Slip of its own ground speed: 1 ± t/(2 R)."""
    car = {"track": 1.5, "speed": 20.0, "corner_radius": 50.0}
    found = axle_balance(
        lambda difference: 0.0,
        rolling_radius=(0.311, 0.309),
        slip_stiffness=60e3,
        slip_of="wheel",
        input_torque=-200.0,
        **car,
    )
    outer = 20.0 * 1.015 / 0.311 * (1.0 - 100.0 / 0.311 / 60e3)
    inner = 20.0 * 0.985 / 0.309 * (1.0 - 100.0 / 0.309 / 60e3)
    assert found.speed_difference == pytest.approx(outer - inner, rel=1e-12)
    free = 20.0 * 1.5 / (50.0 * 0.31)  # on the mean of both radii
    assert found.free_difference == pytest.approx(free, rel=1e-12)
    assert found.share_kept == pytest.approx((outer - inner) / free, rel=1e-12)
