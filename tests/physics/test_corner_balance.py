"""A driven axle in a corner with a real unit: closed forms, an independent simulation, order, limits."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from diffbench.physics.corner_balance import (
    axle_balance,
    free_speed_difference,
    mean_share_kept,
    yaw_moment_to_the_left,
)
from diffbench.physics.corner_course import difference_left

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

CAR: Any = {"track": 1.5, "rolling_radius": 0.31, "slip_stiffness": 60e3}
T, R_W, C = CAR["track"], CAR["rolling_radius"], CAR["slip_stiffness"]

speeds = st.floats(1.0, 60.0)
radii = st.floats(10.0, 500.0)
torques = st.floats(0.0, 3000.0)


def constant(torque: float) -> Callable[[float], float]:
    """A unit whose locking torque does not depend on sliding."""
    return lambda difference: torque


@given(speed=speeds, radius=radii, torque=torques, across=st.floats(-400.0, 400.0))
@reproducible
def test_constant_locking_torque_has_closed_forms(
    speed: float, radius: float, torque: float, across: float
) -> None:
    """Open, part-locked and locked, written out here anew (common practice, no source); rounding alone."""
    found = axle_balance(
        constant(torque), speed=speed, corner_radius=radius, input_torque=across, corners=(0.5, 1.0), **CAR
    )
    free = speed * T / (radius * R_W)
    limit = T * R_W * C / radius
    carried = min(torque, limit)
    kept = max(free - speed * torque / (R_W**2 * C), 0.0)
    assert found.free_difference == pytest.approx(free, rel=1e-12)
    assert found.speed_difference == pytest.approx(kept, abs=1e-12 * free)
    assert found.share_kept == pytest.approx(kept / free, abs=1e-12)
    assert found.yaw_moment == pytest.approx(carried * T / (2.0 * R_W), rel=1e-12)
    assert found.outer_force == pytest.approx((across - carried) / (2.0 * R_W), abs=1e-12 * (1e4 + carried))
    assert found.inner_force == pytest.approx((across + carried) / (2.0 * R_W), abs=1e-12 * (1e4 + carried))
    assert found.locked == (torque >= limit)
    if found.locked:
        assert found.speed_difference == 0.0
        assert found.yaw_moment == pytest.approx(C * T**2 / (2.0 * radius), rel=1e-12)


@given(radius=radii)
@reproducible
def test_free_wheels_follow_their_own_radii(radius: float) -> None:
    """Analytic: V (R + t/2)/(R r) − V (R − t/2)/(R r)."""
    outer, inner = 20.0 * (radius + T / 2.0) / (radius * R_W), 20.0 * (radius - T / 2.0) / (radius * R_W)
    assert free_speed_difference(20.0, radius, T, R_W) == pytest.approx(outer - inner, abs=1e-12)


@given(speed=speeds, radius=radii, torque=torques)
@reproducible
def test_wheels_and_tyres_are_in_balance(speed: float, radius: float, torque: float) -> None:
    """The definition: each tyre's slip times its stiffness is T_lock/(2 r) while the unit slips."""
    found = axle_balance(constant(torque), speed=speed, corner_radius=radius, **CAR)
    # Each wheel is off its free speed by half of what the difference has lost, its slip is that over V/r.
    slip = 0.5 * (found.free_difference - found.speed_difference) / (speed / R_W)
    assert C * slip == pytest.approx(found.carried_torque / (2.0 * R_W), abs=1e-9 * C)


def test_a_straight_road_locks_at_once() -> None:
    """As the corner opens up the limit goes to zero: on the straight any unit is locked."""
    found = axle_balance(constant(90.0), speed=20.0, corner_radius=1e9, **CAR)
    assert found.locked
    assert found.carried_torque < 1e-3


def simulated(torque: float, turn: float, *, across: float, brake: float) -> dict[str, float]:
    """Two wheels on linear tyres, left and right, with dry friction between them, until nothing moves.

    Knows nothing of outer and inner: ``turn`` is the curvature, positive to the left.
    """
    speed, inertia, creep = 20.0, 1.2, 1e-4
    ground = np.array([speed * (1.0 - turn * T / 2.0), speed * (1.0 + turn * T / 2.0)])  # left, right

    def tyres(wheels: np.ndarray) -> np.ndarray:
        return np.asarray(C * (wheels * R_W - ground) / speed)

    def slope(_time: float, wheels: np.ndarray) -> np.ndarray:
        shift = torque * math.tanh((wheels[0] - wheels[1]) / creep)
        driven = np.array([across - shift, across + shift]) / 2.0
        return np.asarray((driven - brake - tyres(wheels) * R_W) / inertia)

    end = solve_ivp(slope, (0.0, 0.5), ground / R_W, method="Radau", rtol=1e-8, atol=1e-9).y[:, -1]
    left, right = tyres(end)
    return {
        "difference": abs(end[0] - end[1]),
        "left": left,
        "right": right,
        "yaw": (right - left) * T / 2.0,  # positive to the left
    }


@pytest.mark.parametrize("turn", ["left", "right"])
@pytest.mark.parametrize("torque", [0.0, 90.0, 700.0])
@pytest.mark.parametrize(("across", "brake"), [(-160.0, 200.0), (260.0, 0.0)])
def test_a_simulation_of_two_wheels_comes_to_the_same(
    turn: Any, torque: float, across: float, brake: float
) -> None:
    """Independent: states in time, left and right. Both ways round the couple is against the turn.

    Tolerances: the friction of the simulation needs some creep of 1e-4 rad/s to hold, and Radau is asked
    for 1e-8.
    """
    radius = 50.0
    sign = 1.0 if turn == "left" else -1.0
    true = simulated(torque, sign / radius, across=across, brake=brake)
    found = axle_balance(
        constant(torque), speed=20.0, corner_radius=radius, input_torque=across, brake_torque=brake, **CAR
    )
    left, right = found.inner_force, found.outer_force
    if turn == "right":
        left, right = right, left
    assert found.speed_difference == pytest.approx(true["difference"], abs=5e-4)
    assert left == pytest.approx(true["left"], abs=0.5)
    assert right == pytest.approx(true["right"], abs=0.5)
    assert yaw_moment_to_the_left(found.yaw_moment, turn) == pytest.approx(true["yaw"], abs=0.5)
    if torque > 0.0:
        assert true["yaw"] * sign < 0.0
        assert found.yaw_moment > 0.0


@st.composite
def curves(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    """A locking torque in straight pieces over sliding speed, rising or falling as it likes."""
    values = draw(st.lists(st.floats(0.0, 1500.0), min_size=4, max_size=8))
    return np.linspace(0.2, 6.0, len(values)).tolist(), values


@given(curve=curves(), more=st.floats(0.0, 400.0), speed=speeds, radius=radii)
@reproducible
def test_more_locking_torque_never_keeps_more_difference(
    curve: tuple[list[float], list[float]], more: float, speed: float, radius: float
) -> None:
    """Whatever the course over speed: the smallest balance comes earlier."""
    nodes, values = curve
    found = [
        axle_balance(
            lambda w, extra=extra: float(np.interp(w, nodes, values)) + extra,
            speed=speed,
            corner_radius=radius,
            corners=nodes,
            **CAR,
        )
        for extra in (0.0, more)
    ]
    assert found[1].share_kept <= found[0].share_kept + 1e-12
    assert found[1].yaw_moment >= found[0].yaw_moment * (1.0 - 1e-12)
    for each in found:
        assert 0.0 <= each.share_kept <= 1.0
        # in balance, in the terms of the tyres: half of the difference that is lost is the slip of each
        slip = 0.5 * (each.free_difference - each.speed_difference) * R_W / speed
        assert each.yaw_moment == pytest.approx(C * slip * T, rel=1e-9, abs=1e-9)
        if not each.locked:
            assert each.carried_torque == pytest.approx(each.locking_torque, rel=1e-9, abs=1e-9)


def test_of_several_balances_the_one_is_taken_at_which_a_car_arrives() -> None:
    """Friction that falls steeply allows three; a car that comes off the straight stops at the first.

    By hand: at 20 m/s and 50 m the tyres hold 558 N·m (1 − w/1.9355); 560 N·m at rest keeps both locked
    though they could slide at 100 N·m too; 400 N·m at rest, falling to 100 N·m by 0.5 rad/s, slips.
    """
    car: Any = {"speed": 20.0, "corner_radius": 50.0, **CAR}

    def falling(rest: float) -> Callable[[float], float]:
        return lambda w: float(np.interp(w, [0.0, 0.5], [rest, 100.0]))

    assert axle_balance(falling(560.0), corners=(0.5,), **car).locked
    slips = axle_balance(falling(400.0), corners=(0.5,), **car)
    assert not slips.locked
    assert slips.speed_difference == pytest.approx(1.935483871 - 20.0 * 100.0 / (0.31**2 * 60e3), abs=1e-9)


def test_wheels_that_differ_in_size_and_tyre_with_slip_of_their_own_ground_speed() -> None:
    """By hand, 1 ± t/(2 R) on each slip: a newton metre more closes the difference by V g, and at the torque
    that locks, what the corner asks for is used up."""
    outer, inner, stiff, soft, lead = 0.33, 0.29, 70e3, 45e3, 0.5 * 1.4 / 40.0
    case: Any = {"speed": 17.0, "corner_radius": 40.0, "track": 1.4, "slip_of": "wheel"}
    case |= {"rolling_radius": (outer, inner), "slip_stiffness": (stiff, soft), "input_torque": 130.0}
    one, other = (axle_balance(constant(torque), **case) for torque in (20.0, 31.0))
    give = (1.0 + lead) / (2.0 * outer**2 * stiff) + (1.0 - lead) / (2.0 * inner**2 * soft)
    asked = lead * (1.0 / outer + 1.0 / inner) + 1.0 / outer - 1.0 / inner
    asked += (1.0 + lead) * 65.0 / (outer**2 * stiff) - (1.0 - lead) * 65.0 / (inner**2 * soft)
    assert one.open_difference == pytest.approx(17.0 * asked, rel=1e-12)
    assert one.speed_difference - other.speed_difference == pytest.approx(
        math.copysign(17.0 * give * 11.0, asked), rel=1e-9
    )
    locked = axle_balance(constant(1e4), **case)
    assert locked.carried_torque == pytest.approx(abs(asked) / give, rel=1e-12)


def test_standstill_is_the_limit_of_a_creeping_car() -> None:
    """No difference is asked for at rest, and the share is that of any slow speed; a straight road locks."""
    rest = axle_balance(constant(90.0), speed=0.0, corner_radius=50.0, **CAR)
    slow = axle_balance(constant(90.0), speed=1e-6, corner_radius=50.0, **CAR)
    assert rest.speed_difference == rest.free_difference == 0.0
    assert rest.share_kept == pytest.approx(slow.share_kept, abs=1e-12)
    assert rest.yaw_moment == pytest.approx(slow.yaw_moment, rel=1e-12)
    straight = axle_balance(constant(90.0), speed=20.0, corner_radius=math.inf, **CAR)
    assert straight.locked
    assert straight.yaw_moment == 0.0


def test_a_tyre_at_its_limit_locks_the_axle() -> None:
    """By hand: 160 N·m engine braking and 62 N·m of each brake are 458.06 N on each tyre; the outer one of
    700 N has 241.94 N left, 150 N·m across. Below that nothing changes; above, it slides and both wheels turn
    alike, and the couple stays at 241.94 N times the track."""
    case: Any = {"speed": 20.0, "corner_radius": 50.0, "input_torque": -160.0, "brake_torque": 62.0, **CAR}
    room = 2.0 * 0.31 * 700.0 - (160.0 + 2.0 * 62.0)
    below = axle_balance(constant(room - 1.0), outer_limit=700.0, **case)
    assert below == axle_balance(constant(room - 1.0), **case)
    above = axle_balance(constant(room + 1.0), outer_limit=700.0, **case)
    assert above.locked
    assert above.sliding == "outer"
    assert above.outer_force == pytest.approx(-700.0, rel=1e-12)
    assert above.yaw_moment == pytest.approx(241.9354839 * 1.5, abs=1e-4)
    # the inner tyre is the one that gives in under power
    driven = {**case, "input_torque": 160.0, "brake_torque": 0.0}
    assert axle_balance(constant(500.0), inner_limit=400.0, **driven).sliding == "inner"


def test_a_torque_that_rises_with_sliding_may_rest_at_the_limit_of_a_tyre() -> None:
    """Viscous units: where the torque passes what the tyre has left, the wheels slide at just that torque."""
    found = axle_balance(
        lambda w: 100.0 + 200.0 * w, speed=20.0, corner_radius=50.0, outer_limit=300.0, **CAR
    )
    assert not found.locked
    assert found.sliding == "outer"
    assert found.carried_torque == pytest.approx(2.0 * 0.31 * 300.0, rel=1e-12)
    assert found.speed_difference == pytest.approx((186.0 - 100.0) / 200.0, rel=1e-12)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"track": 0.0}, "track must be positive"),
        ({"rolling_radius": 0.0}, "rolling radius must be positive"),
        ({"slip_stiffness": -1.0}, "slip stiffness must be positive"),
        ({"corner_radius": 0.0}, "corner radius must be positive"),
        ({"speed": -1.0}, "speed must not be negative"),
        ({"speed": math.nan}, "speed must not be negative"),
        ({"input_torque": math.nan}, "input torque must be a finite number"),
        ({"brake_torque": -1.0}, "brake torque must not be negative"),
        ({"outer_limit": 0.0}, "outer limit must be positive"),
        ({"input_torque": -300.0, "outer_limit": 400.0}, "the outer tyre is beyond its limit"),
        ({"input_torque": 300.0, "inner_limit": 400.0}, "the inner tyre is beyond its limit"),
    ],
)
def test_what_is_refused(changed: dict[str, float], said: str) -> None:
    case: Any = {"speed": 20.0, "corner_radius": 50.0, **CAR, **changed}
    with pytest.raises(ValueError, match=said):
        axle_balance(constant(90.0), **case)


@pytest.mark.parametrize("torque", [-1.0, math.nan])
def test_a_locking_torque_that_is_none_is_refused(torque: float) -> None:
    with pytest.raises(ValueError, match="locking torque must not be negative"):
        axle_balance(constant(torque), speed=20.0, corner_radius=50.0, **CAR)


def test_differences_that_are_left_sample_by_sample() -> None:
    """By hand, of a unit that holds 90 N·m up to 8 rad/s: tyres that give take 90 · 0.0035 rad/s off, in
    either sense, rigid ones nothing, and leave open what the unit carries."""
    left, carried = difference_left([1.9, -1.9, 1.9], [0.0035, 0.0035, 0.0], [0.0, 8.0], [[90.0, 90.0]] * 3)
    assert left == pytest.approx([1.585, -1.585, 1.9])
    assert carried == pytest.approx([90.0, -90.0, 0.0], abs=1e-9)


def test_mean_share_weighs_by_the_angle_asked_for() -> None:
    """By hand: (1 · 2 + 0.5 · 1)/(2 · 2 + 1 · 1); the way of a turn does not count; nothing asked, none."""
    assert mean_share_kept([1.0, -0.5], [2.0, 1.0], [2.0, 1.0]) == pytest.approx(0.5, rel=1e-15)
    assert math.isnan(mean_share_kept([0.0], [0.0], [1.0]))
    with pytest.raises(ValueError, match="time must be positive"):
        mean_share_kept([1.0], [2.0], [0.0])


def test_a_turn_has_two_ways() -> None:
    with pytest.raises(ValueError, match="'left' or 'right'"):
        yaw_moment_to_the_left(1.0, "up")  # type: ignore[arg-type]


def counted(law: Callable[[float], float]) -> tuple[Callable[[float], float], list[float]]:
    """A law, and what it was asked."""
    asked: list[float] = []

    def locking(difference: float) -> float:
        asked.append(difference)
        return law(difference)

    return locking, asked


@pytest.mark.parametrize(
    ("law", "corners"),
    [
        (lambda w: 60.0 + 40.0 * w, ()),
        (lambda w: 130.0 - 30.0 * w, ()),
        (lambda w: float(np.interp(w, [0.4, 1.1], [180.0, 60.0])), (0.4, 1.1)),
        (lambda w: 80.0 + 90.0 * math.exp(-2.0 * w), ()),
        (lambda w: 40.0 + 120.0 * math.sqrt(w), ()),
        (lambda w: 300.0 / (1.0 + w) ** 3, ()),
    ],
)
def test_a_balance_is_found_to_the_last_digits_in_sixty_questions(
    law: Callable[[float], float], corners: tuple[float, ...]
) -> None:
    """By a search of scipy, where half of what both tyres slip, V T_lock/(r² C), is what is lost."""
    locking, asked = counted(law)
    found = axle_balance(locking, speed=20.0, corner_radius=50.0, corners=corners, **CAR)
    free = 20.0 * T / (50.0 * R_W)
    wanted = brentq(lambda w: w + 20.0 * law(w) / (R_W**2 * C) - free, 0.0, free, xtol=1e-15, rtol=1e-15)
    assert found.speed_difference == pytest.approx(wanted, rel=1e-13)
    assert len(asked) <= 60
    assert all(0.0 <= w <= free * (1.0 + 1e-12) for w in asked)


def test_tyres_at_just_their_limit_are_within_it() -> None:
    """By engine and brakes alone 458.06 N on each; and the tyre with less room comes first, the outer one
    where both have as much."""
    case: Any = {"speed": 20.0, "corner_radius": 50.0, "input_torque": -160.0, "brake_torque": 62.0, **CAR}
    each = (80.0 + 62.0) / R_W
    at_limit = axle_balance(constant(50.0), outer_limit=each, **case)
    assert (at_limit.locked, at_limit.sliding) == (True, "outer")
    assert at_limit.carried_torque == pytest.approx(0.0, abs=1e-9)
    with pytest.raises(ValueError, match=r"the inner tyre is beyond its limit of 458 N with 458.065 N from"):
        axle_balance(constant(50.0), inner_limit=458.0, **case)
    even = axle_balance(
        constant(500.0), speed=20.0, corner_radius=50.0, outer_limit=300.0, inner_limit=300.0, **CAR
    )
    assert (even.sliding, even.carried_torque) == ("outer", pytest.approx(2.0 * R_W * 300.0))


def test_a_unit_turns_the_car_into_the_corner_where_the_inner_wheel_is_the_faster_one() -> None:
    """In drive on a soft inner tyre: it slips more than the corner asks for."""
    case: Any = {"speed": 20.0, "corner_radius": 200.0, "track": T, "rolling_radius": R_W}
    found = axle_balance(constant(60.0), slip_stiffness=(60e3, 20e3), input_torque=400.0, **case)
    # outer 200/0.31 N over 60 kN, inner as much over 20 kN; the corner asks for 1.5/200 of the way
    asked = 1.5 / 200.0 / R_W + 200.0 / R_W**2 * (1.0 / 60e3 - 1.0 / 20e3)
    assert asked < 0.0
    assert found.open_difference == pytest.approx(20.0 * asked, rel=1e-12)
    give = (1.0 / 60e3 + 1.0 / 20e3) / (2.0 * R_W**2)
    assert found.speed_difference == pytest.approx(20.0 * (asked + 60.0 * give), rel=1e-9)
    assert found.yaw_moment == pytest.approx(-60.0 * T / (2.0 * R_W))
    assert found.outer_force == pytest.approx((200.0 + 30.0) / R_W)
    assert found.inner_force == pytest.approx((200.0 - 30.0) / R_W)
    assert found.free_difference == pytest.approx(20.0 * 1.5 / (200.0 * R_W))


def test_a_straight_law_is_met_by_its_line_and_not_by_halving() -> None:
    """Fifty halvings would come to the last digit as well."""
    locking, asked = counted(lambda w: 130.0 - 30.0 * w)
    axle_balance(locking, speed=20.0, corner_radius=50.0, **CAR)
    assert len(asked) <= 25


@pytest.mark.parametrize("speed", [20.0, 1.0])
def test_a_balance_near_standstill_of_the_plates_is_not_passed_over(speed: float) -> None:
    """Friction that rises to 600 N·m by a fortieth of the free difference, and is 100 N·m before and behind:
    by hand the tyres' 558 N·m (1 − x) are met on the way up, at (558 − 100)/(500 · 40 + 558) of it."""
    free = speed * T / (50.0 * R_W)
    nodes = [0.0, free / 40.0, free / 20.0]
    found = axle_balance(
        lambda w: float(np.interp(w, nodes, [100.0, 600.0, 100.0])),
        speed=speed, corner_radius=50.0, corners=nodes[1:], **CAR,
    )  # fmt: skip
    holds = T * R_W * C / 50.0
    assert found.share_kept == pytest.approx((holds - 100.0) / (500.0 * 40.0 + holds), rel=1e-9)
