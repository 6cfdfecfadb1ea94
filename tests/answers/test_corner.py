"""Corner entry with maps: closed forms, ladders, what takes over under drive, limits, words."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from benchsim.unit import Unit
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.answers import UNITS, CornerEntry, Interval, corner_entry, preload_ladder, with_units
from diffbench.answers import corner as room
from diffbench.documents import Car, Phase
from diffbench.errors import DocumentError
from diffbench.results import Characterisation, LockingMap, make_map

reproducible = settings(derandomize=True, deadline=None, max_examples=25)
FlatMap = Callable[..., LockingMap]
Measure = Callable[..., Characterisation]

LADDER = [0.0, 30.0, 60.0, 90.0, 120.0]


@pytest.fixture(scope="module")
def ladders(true_unit: Unit, greater_of_unit: Unit, measure: Measure) -> dict[str, list[LockingMap]]:
    """A ladder of preloads under both laws."""
    return {
        law: preload_ladder(measure(unit), LADDER, beside=make_map(measure(unit)))
        for law, unit in (("additive", true_unit), ("greater-of", greater_of_unit))
    }


def entered(car: Car, maps: list[LockingMap], phase: Phase) -> CornerEntry:
    return corner_entry(car, [(str(i), each) for i, each in enumerate(maps)], phases=[phase])


@pytest.mark.parametrize("torque", [0.0, 90.0, 2000.0])
def test_a_flat_map_gives_the_closed_forms(car: Car, flat_map: FlatMap, torque: float) -> None:
    """Section by section as tyres and kinematics have it (common practice, no source), to 1e-12."""
    (rung,) = corner_entry(car, [("flat", flat_map(torque))]).rungs
    t, r, c, v = 1.5, 0.31, 60e3, 20.0
    for phase, radius, across in zip(rung.phases, (100.0, 50.0, 50.0), (-120.0, -40.0, 400.0), strict=True):
        free = v * t / (radius * r)
        kept = max(free - v * torque / (r**2 * c), 0.0)
        carried = min(torque, t * r * c / radius)
        assert phase.free_difference == pytest.approx(free, rel=1e-12)
        assert phase.speed_difference.value == pytest.approx(kept, abs=1e-12)
        assert phase.yaw_moment.value == pytest.approx(carried * t / (2.0 * r), rel=1e-12)
        assert phase.inner_force.value == pytest.approx((across + carried) / (2.0 * r), rel=1e-12)
        assert phase.outer_force.value == pytest.approx((across - carried) / (2.0 * r), rel=1e-12)
        assert phase.state == ("locked" if torque == 2000.0 else "slipping")
        assert phase.input_torque == across


def test_a_real_map_is_in_balance_with_the_unit(true_unit: Unit, measure: Measure, car: Car) -> None:
    """The simulator's own locking torque at the difference found is what the tyres hold; 0.2 % of the map."""
    (rung,) = corner_entry(car, [("unit", make_map(measure(true_unit)))], branch="loading").rungs
    for phase in rung.phases:
        assert phase.speed_difference.value is not None
        true = true_unit.locking_torque(phase.input_torque, phase.speed_difference.value, 60.0, "loading")
        lost = phase.free_difference - phase.speed_difference.value
        assert lost * 0.31**2 * 60e3 / 20.0 == pytest.approx(float(true), rel=0.004)


@pytest.mark.parametrize("law", ["additive", "greater-of"])
@given(
    speed=st.floats(3.0, 60.0),
    radius=st.floats(8.0, 400.0),
    across=st.floats(-280.0, 680.0),
    heat=st.floats(50.0, 75.0),
)
@reproducible
def test_more_preload_never_keeps_more_difference(
    ladders: dict[str, list[LockingMap]],
    car: Car,
    law: str,
    speed: float,
    radius: float,
    across: float,
    heat: float,
) -> None:
    """And never turns less against the turn; nor ever with it."""
    key = "engine_braking" if across < 0.0 else "drive_torque"
    point = {"name": "p", "speed": speed, "radius": radius, key: abs(across), "temperature": heat}
    found = [rung.phases[0] for rung in entered(car, ladders[law], Phase.model_validate(point)).rungs]
    kept = np.array([phase.share_kept.value for phase in found])
    couple = np.array([phase.yaw_moment.value for phase in found])
    assert (np.diff(kept) <= 1e-12).all()
    assert (np.diff(couple) >= -1e-9).all()
    assert (couple >= 0.0).all()
    for phase in found:
        assert phase.inner_force.value >= phase.outer_force.value


def test_under_drive_the_ramps_take_over(ladders: dict[str, list[LockingMap]], car: Car) -> None:
    """Once the ramps have lifted a clamped stack, its preload plays no part; where both add, it counts ever
    less: 120 N·m of preload are more than all of the rest at rest, and a third of it at 600 N·m."""
    rolling = Phase.model_validate(
        {"name": "p", "speed": 20.0, "radius": 30.0, "drive_torque": 0.0, "temperature": 60.0}
    )
    driving = rolling.model_copy(update={"drive_torque": 600.0})
    for law, maps in ladders.items():
        couples = {
            name: np.array([rung.phases[0].yaw_moment.value for rung in entered(car, maps, phase).rungs])
            for name, phase in (("rolling", rolling), ("driving", driving))
        }
        assert couples["rolling"][-1] > 5.0 * couples["rolling"][0]
        if law == "greater-of":
            assert couples["driving"] == pytest.approx(couples["driving"][0], rel=1e-9)
        else:
            assert couples["driving"][-1] < 1.5 * couples["driving"][0]


def test_limits_are_those_of_the_map(car: Car, flat_map: FlatMap) -> None:
    """At its lower limit a unit keeps more and turns less; between them the verdict may stay open.

    At 100 m the tyres hold 279 N·m: 250 to 300 N·m proves nothing, 285 to 300 N·m a locked axle.
    """
    pair = [("doubtful", flat_map(270.0, 250.0, 300.0)), ("sure", flat_map(290.0, 285.0, 300.0))]
    doubtful, sure = (rung.phases[0] for rung in corner_entry(car, pair).rungs)
    assert doubtful.state == "not proven"
    assert doubtful.share_kept == Interval(
        pytest.approx(1.0 - 270.0 / 279.0, abs=1e-12), 0.0, pytest.approx(1.0 - 250.0 / 279.0, abs=1e-12)
    )
    assert doubtful.yaw_moment.low == pytest.approx(250.0 * 1.5 / 0.62, rel=1e-12)
    assert doubtful.yaw_moment.high == pytest.approx(279.0 * 1.5 / 0.62, rel=1e-12)
    assert doubtful.outer_force.low < doubtful.outer_force.value < doubtful.outer_force.high
    assert sure.state == "locked"
    assert sure.share_kept == Interval(0.0, 0.0, 0.0)


def test_the_mean_over_the_entry_by_hand(car: Car, flat_map: FlatMap) -> None:
    """93 N·m of 279 at 100 m for 1 s, of 558 at 50 m for 0.5 s; drive does not count.

    Free 0.9677 and 1.9355 rad/s, kept two thirds and five sixths: (0.6452 + 0.8065)/(0.9677 + 0.9677) = 3/4,
    and 0.9677 rad/s on average over 1.5 s.
    """
    (rung,) = corner_entry(car, [("flat", flat_map(93.0, 93.0, 93.0))]).rungs
    assert rung.mean_share_kept.value == pytest.approx(0.75, rel=1e-12)
    assert rung.mean_difference_kept.value == pytest.approx(30.0 / 31.0, rel=1e-12)
    alike = [phase.model_copy(update={"duration": None}) for phase in car.phase]
    untimed = corner_entry(car, [("flat", flat_map(93.0))], phases=alike)
    assert not untimed.timed
    assert untimed.rungs[0].mean_share_kept.value == pytest.approx((2.0 / 3.0 + 5.0 / 3.0) / 3.0, rel=1e-12)
    drive = corner_entry(car, [("flat", flat_map(93.0))], phases=car.phase[2:])
    assert drive.rungs[0].mean_share_kept == Interval(None, None, None)


def test_by_side_only_where_the_turn_is_stated(car: Car, flat_map: FlatMap) -> None:
    """In a left turn the right wheel is the outer one, and the couple is to the right (ISO 8855)."""
    (rung,) = corner_entry(car, [("flat", flat_map(90.0))]).rungs
    assert rung.phases[0].left_force is None
    driven = rung.phases[2]
    assert (driven.left_force, driven.right_force) == (driven.inner_force.value, driven.outer_force.value)
    assert driven.yaw_moment_to_the_left == -driven.yaw_moment.value
    right = [car.phase[2].model_copy(update={"turn": "right"})]
    other = corner_entry(car, [("flat", flat_map(90.0))], phases=right).rungs[0].phases[0]
    assert (other.left_force, other.right_force) == (driven.right_force, driven.left_force)
    assert other.yaw_moment_to_the_left == driven.yaw_moment.value


def test_what_was_tested(car: Car, flat_map: FlatMap) -> None:
    """A locked axle does not slide: what counts is whether that torque was covered at any sliding."""
    locked = corner_entry(car, [("flat", flat_map(2000.0))]).rungs[0].phases[0]
    assert (locked.state, locked.tested) == ("locked", True)
    creeping = corner_entry(car, [("flat", flat_map(200.0))]).rungs[0].phases[0]
    assert creeping.speed_difference.value < 0.5
    assert not creeping.tested
    hot = [car.phase[0].model_copy(update={"temperature": 120.0})]
    assert not corner_entry(car, [("flat", flat_map(50.0))], phases=hot).rungs[0].phases[0].tested


def test_a_phase_may_name_its_branch(true_unit: Unit, measure: Measure, car: Car) -> None:
    made = make_map(measure(true_unit))
    phases = [car.phase[2], car.phase[2].model_copy(update={"name": "lifting", "branch": "unloading"})]
    loading, unloading = corner_entry(car, [("u", made)], phases=phases, branch="loading").rungs[0].phases
    assert (loading.branch, unloading.branch) == ("loading", "unloading")
    assert unloading.yaw_moment.value > loading.yaw_moment.value


def test_what_is_refused(car: Car, flat_map: FlatMap) -> None:
    """No phase; a tyre that slides whatever the unit does: file and phase are named."""
    with pytest.raises(DocumentError, match=r"car.toml: phase: no phase is described.*\[\[phase\]\]"):
        corner_entry(car, [("flat", flat_map(90.0))], phases=[], file="car.toml")
    weak = [car.phase[0].model_copy(update={"outer_tyre_limit": 100.0})]
    with pytest.raises(DocumentError, match="phase 'turn-in': the outer tyre is beyond its limit of 100 N"):
        corner_entry(car, [("flat", flat_map(90.0))], phases=weak, file="car.toml")


def test_plain_data_say_the_unit_of_every_number(car: Car, flat_map: FlatMap) -> None:
    """Every number of a result stands in the table of units, and its key ends in its unit."""
    result = corner_entry(car, [("flat", flat_map(90.0))])
    for part in (result.rungs[0], result.rungs[0].phases[0]):
        for field in dataclasses.fields(part):
            if isinstance(getattr(part, field.name), float | Interval):
                assert field.name in UNITS
    first = with_units(result)["rungs"][0]["phases"][0]
    assert first["input_torque_Nm"] == -120.0
    assert list(first["share_kept"]) == ["value", "low", "high"]
    assert first["yaw_moment_Nm"]["value"] == result.rungs[0].phases[0].yaw_moment.value


BODY = {"mass": 1100.0, "wheelbase": 2.5, "weight_share": 0.55, "roll_share": 0.45}


def remade(car: Car, **tables: dict[str, object]) -> Car:
    """The car with some keys of its tables otherwise."""
    content = {
        "format": car.format,
        "name": car.name,
        "axle": {"track": 1.5, "rolling_radius": "310 mm"} | tables.get("axle", {}),
        "tyre": {"slip_stiffness": 60e3} | tables.get("tyre", {}),
        "phase": [phase.model_dump(exclude_none=True) for phase in car.phase],
    }
    if "body" in tables:
        content["body"] = BODY | tables["body"]
    return Car.model_validate(content)


def numbers(entry: CornerEntry) -> list[float]:
    return [
        getattr(getattr(phase, name), limit)
        for phase in entry.rungs[0].phases
        for name in ("speed_difference", "share_kept", "yaw_moment", "outer_force", "inner_force")
        for limit in ("value", "low", "high")
    ]


def test_no_load_transfer_is_the_car_of_before(car: Car, flat_map: FlatMap) -> None:
    """A centre of gravity on the ground moves no load: both tyres as stated, to 1e-12."""
    on_ground = remade(car, tyre={"load_exponent": 0.8}, body={"height": 0.0})
    unit = [("flat", flat_map(90.0, 80.0, 100.0))]
    assert numbers(corner_entry(on_ground, unit)) == pytest.approx(
        numbers(corner_entry(car, unit)), rel=1e-12, abs=1e-12
    )
    lifted = remade(car, tyre={"load_exponent": 0.8}, body={"height": 1e-9})
    assert numbers(corner_entry(lifted, unit)) == pytest.approx(numbers(corner_entry(car, unit)), rel=1e-7)


def test_load_transfer_by_hand(car: Car, flat_map: FlatMap) -> None:
    """20 m/s at 100 m and 0.4 m high: 4 m/s², 0.45 · 1100 · 4 · 0.4/1.5 = 528 N across; wheels at rest with
    2966.5 N, stiffness in proportion to load."""
    high = remade(car, tyre={"load_exponent": 1.0}, body={"height": 0.4})
    phase = corner_entry(high, [("flat", flat_map(90.0))]).rungs[0].phases[0]
    rest = 1100.0 * 9.80665 * 0.55 / 2.0
    outer, inner = (60e3 * (rest + sign * 528.0) / rest for sign in (1.0, -1.0))
    force = -60.0 / 0.31
    free = 20.0 * 1.5 / (100.0 * 0.31)
    opened = free + 20.0 / 0.31 * force * (1.0 / outer - 1.0 / inner)
    kept = opened - 20.0 / (2.0 * 0.31**2) * 90.0 * (1.0 / outer + 1.0 / inner)
    assert phase.speed_difference.value == pytest.approx(kept, rel=1e-12)
    with pytest.raises(DocumentError, match="the inner wheel lifts off the ground"):
        corner_entry(remade(car, tyre={"load_exponent": 1.0}, body={"height": 5.0}), [("f", flat_map(9.0))])


def test_intervals_hold_map_and_car(car: Car, flat_map: FlatMap) -> None:
    """± 20 % of tyre stiffness at 95 %, by hand: 1 - 93/279 · 60/C; both parts in squares, whose is whose."""
    doubtful = remade(car, tyre={"slip_stiffness": {"value": "60 kN", "u": f"{12.0 / 1.959964} kN"}})
    (rung,) = corner_entry(doubtful, [("flat", flat_map(93.0, 83.0, 103.0))]).rungs
    phase = rung.phases[0]
    low, high = (1.0 - 93.0 / 279.0 / factor for factor in (0.8, 1.2))
    assert phase.share_kept_by_car.low == pytest.approx(low, rel=1e-9)
    assert phase.share_kept_by_car.high == pytest.approx(high, rel=1e-9)
    assert phase.share_kept_by_map.low == pytest.approx(1.0 - 103.0 / 279.0, rel=1e-9)
    both = math.hypot(93.0 / 279.0 * (1.0 / 0.8 - 1.0), 10.0 / 279.0)
    assert phase.share_kept.low == pytest.approx(2.0 / 3.0 - both, rel=1e-9)
    assert [doubt.source for doubt in phase.doubts] == ["tyre.slip_stiffness"]
    assert rung.mean_share_kept.low < rung.mean_share_kept_by_map.low < rung.mean_share_kept.value
    (exact,) = corner_entry(car, [("flat", flat_map(93.0, 83.0, 103.0))]).rungs
    assert exact.phases[0].share_kept == exact.phases[0].share_kept_by_map


def test_left_and_right_turns_mirror(car: Car, flat_map: FlatMap) -> None:
    """A left turn with the left wheel larger is a right turn with the right wheel larger."""
    found = []
    for turn, difference in (("left", 0.004), ("right", -0.004)):
        apart = remade(
            car, axle={"radius_difference": difference}, tyre={"load_exponent": 0.8}, body={"height": 0.4}
        )
        phases = [phase.model_copy(update={"turn": turn}) for phase in car.phase]
        found.append(corner_entry(apart, [("flat", flat_map(90.0, 80.0, 100.0))], phases=phases))
    assert numbers(found[0]) == pytest.approx(numbers(found[1]), rel=1e-12)
    left, right = (entry.rungs[0].phases[2] for entry in found)
    assert left.left_force == pytest.approx(right.right_force, rel=1e-12)
    assert left.yaw_moment_to_the_left == pytest.approx(-right.yaw_moment_to_the_left, rel=1e-12)
    assert (
        left.share_kept.value < corner_entry(car, [("f", flat_map(90.0))]).rungs[0].phases[2].share_kept.value
    )


def test_hysteresis_is_followed(true_unit: Unit, measure: Measure, car: Car) -> None:
    """From 250 N·m of engine braking down to 200 the thrust still stands at its peak; at 60 it has come down
    to the unloading branch; up again to 80 it stays; the drive flank begins anew with loading."""
    made = make_map(measure(true_unit))
    torques = [("engine_braking", t) for t in (250.0, 200.0, 60.0, 62.0)] + [("drive_torque", 300.0)]
    phases = [
        Phase.model_validate({"name": str(i), "speed": 20.0, "radius": 30.0, key: t, "temperature": 60.0})
        for i, (key, t) in enumerate(torques)
    ]
    followed = corner_entry(car, [("u", made)], phases=phases, follow=True).rungs[0].phases
    assert {phase.branch for phase in followed} == {"followed"}
    held = [phase.locking_torque.value for phase in followed]
    at = [phase.speed_difference.value for phase in followed]
    assert held[0] == made.locking_torque(-250.0, at[0], 60.0, "loading")
    assert held[1] == pytest.approx(made.locking_torque(-250.0, at[1], 60.0, "loading"), rel=1e-12)
    assert held[2] == made.locking_torque(-60.0, at[2], 60.0, "unloading")
    assert held[3] == pytest.approx(made.locking_torque(-60.0, at[3], 60.0, "unloading"), rel=1e-12)
    assert held[4] == made.locking_torque(300.0, at[4], 60.0, "loading")


def test_what_a_tyre_has_left_beside_its_cornering(car: Car, flat_map: FlatMap) -> None:
    """A friction circle, by hand: of 0.45 at 4 m/s² each tyre has 563 N left of its 2966 N of load, so that
    the outer one, braked by 194 N, holds no more than 370 N of what the unit asks; of 0.40 nothing is."""
    turn_in = car.phase[:1]
    load = 1100.0 * 9.80665 * 0.55 / 2.0
    for friction, slides in ((0.45, True), (0.55, False)):
        tyre = {"load_exponent": 0.0, "friction": friction}
        gripping = remade(car, tyre=tyre, body={"height": 0.0})
        (phase,) = corner_entry(gripping, [("flat", flat_map(2000.0))], phases=turn_in).rungs[0].phases
        left = load * math.sqrt(friction**2 - (20.0**2 / 100.0 / 9.80665) ** 2)
        base = 60.0 / 0.31
        held = min(left - base, 1.5 * 60e3 / 100.0 / 2.0)
        assert phase.outer_force.value == pytest.approx(-base - held)
        assert phase.inner_force.value == pytest.approx(-base + held)
        assert phase.sliding == ("outer" if slides else None)
    sliding = remade(car, tyre={"load_exponent": 0.0, "friction": 0.40}, body={"height": 0.0})
    tall = remade(car, tyre={"load_exponent": 0.0}, body={"height": 2.3})
    for other, said in (
        (sliding, "the tyres slide in this corner at this speed: their friction does not hold the car"),
        (tall, "the inner wheel lifts off the ground, and this model ends there"),
    ):
        with pytest.raises(DocumentError, match=said):
            corner_entry(other, [("flat", flat_map(90.0))], phases=turn_in)


def test_no_limit_says_what_no_part_of_it_says(car: Car, flat_map: FlatMap) -> None:
    """At 100 m the tyres hold 279 N·m: a unit of 250 to 300 N·m, or softer tyres, may lock the axle, and
    both together do no more than that. Summed in squares, to either side for itself."""
    doubtful = remade(car, tyre={"slip_stiffness": {"value": 60e3, "u": 6e3}})
    (phase,) = (
        corner_entry(doubtful, [("flat", flat_map(250.0, 200.0, 300.0))], phases=car.phase[:1])
        .rungs[0]
        .phases
    )

    def kept(torque: float, stiff: float = 60e3) -> float:
        return max(1.0 - torque * 100.0 / (1.5 * 0.31 * stiff), 0.0)

    value = kept(250.0)
    down, up = (kept(250.0, 60e3 + sign * 1.959964 * 6e3) for sign in (-1.0, 1.0))
    assert (down, kept(300.0)) == (0.0, 0.0)
    assert phase.share_kept.value == pytest.approx(value)
    assert phase.share_kept.low == 0.0
    assert phase.share_kept.high == pytest.approx(value + math.hypot(kept(200.0) - value, up - value))
    assert phase.share_kept_by_map is not None
    assert phase.share_kept_by_map.high == pytest.approx(kept(200.0))
    assert phase.share_kept_by_car is not None
    assert phase.share_kept_by_car.high == pytest.approx(up)


@pytest.mark.parametrize(
    ("value", "by_map", "by_car", "low", "high"),
    [
        # 0.1 and 0.2 by the map; 0.05 and 0.1, and 0.02 to either side, by the car
        (0.5, (0.4, 0.7), [(0.45, 0.6), (0.52, 0.48)], 0.5 - math.hypot(0.1, 0.05, 0.02),
         0.5 + math.hypot(0.2, 0.1, 0.02)),
        (0.5, (0.4, 0.7), [], 0.4, 0.7),
        (0.5, (0.7, 0.4), [], 0.4, 0.7),
        (0.5, (0.6, 0.7), [], 0.5, 0.7),
        # nothing of it is below zero, so that both together are not
        (0.05, (0.0, 0.1), [(0.01, 0.06)], 0.0, 0.05 + math.hypot(0.05, 0.01)),
        (0.05, (-0.001, 0.1), [(0.01, 0.06)], 0.05 - math.hypot(0.051, 0.04), 0.05 + math.hypot(0.05, 0.01)),
        (-0.05, (-0.1, 0.1), [], -0.1, 0.1),
    ],
)  # fmt: skip
def test_map_and_car_in_squares(value: float, by_map: Any, by_car: Any, low: float, high: float) -> None:
    found = room._joined(value, by_map, by_car)
    assert dataclasses.astuple(found) == pytest.approx((value, low, high))


def test_which_wheel_is_the_larger_one() -> None:
    """The left one by 2 % of 310 mm: in a left turn it is inside; where the turn is not stated, outside."""
    car: Any = SimpleNamespace(axle=SimpleNamespace(rolling_radius=0.31, radius_difference=0.02))
    for turn, outer, inner in (("left", 0.3069, 0.3131), ("right", 0.3131, 0.3069), (None, 0.3131, 0.3069)):
        phase: Any = SimpleNamespace(turn=turn)
        assert room._radii(car, phase) == pytest.approx((outer, inner), rel=1e-12)


def test_the_mean_over_the_entry_is_by_time() -> None:
    """0.6 of 2 rad/s for one second and -0.3 of 1 rad/s for three; drive does not belong to it. Limits of
    each by the map's, and by the car's."""

    def balances(*kept: float) -> list[Any]:
        return [
            SimpleNamespace(speed_difference=one, free_difference=free)
            for one, free in zip(kept, (2.0, 1.0, 9.0), strict=True)
        ]

    phases: list[Any] = [
        SimpleNamespace(duration=duration, is_entry=entry)
        for duration, entry in ((1.0, True), (3.0, True), (7.0, False))
    ]
    best, least, most = balances(1.2, -0.3, 9.0), balances(1.5, 0.3, 9.0), balances(0.7, -0.2, 9.0)
    moved = {"tyre.slip_stiffness": [balances(1.0, 0.3, 0.0), balances(1.4, 0.3, 0.0)]}
    share, kept, by_map, by_car = room._means(phases, best, (least, most), moved)
    assert share.value == pytest.approx((1.2 + 0.9) / (2.0 + 3.0))
    assert kept.value == pytest.approx((1.2 + 0.9) / 4.0)
    assert (by_map.low, by_map.high) == pytest.approx(((0.7 + 0.6) / 5.0, (1.5 + 0.9) / 5.0))
    assert (by_car.low, by_car.high) == pytest.approx(((1.0 + 0.9) / 5.0, (1.4 + 0.9) / 5.0))
    assert (share.low, share.high) == pytest.approx(
        (0.42 - math.hypot(0.16, 0.04), 0.42 + math.hypot(0.06, 0.04))
    )
    assert kept.high == pytest.approx((2.1 + math.hypot(0.3, 0.2)) / 4.0)
    alike = [SimpleNamespace(duration=None, is_entry=entry) for entry in (True, True, False)]
    assert room._means(alike, best, (least, most), {})[0].value == pytest.approx(1.5 / 3.0)  # type: ignore[arg-type]
    none = room._means(alike[2:], best[2:], (least[2:], most[2:]), {})  # type: ignore[arg-type]
    assert none == (Interval(None, None, None),) * 4
