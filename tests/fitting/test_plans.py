"""Which run would help most, by matrices and courses of a few numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning.bench import ErrorSource
from diffbench.doubts import Source
from diffbench.fitting import next_test as room
from diffbench.fitting.estimates import Estimate
from diffbench.fitting.next_test import Information, PlannedSweep
from diffbench.fitting.parameters import Combined
from diffbench.fitting.unknowns import Names, Unknown

KNOWN = np.array([[9.0, 2.0, 0.5], [2.0, 5.0, 1.0], [0.5, 1.0, 4.0]])


def test_information_adds_up_and_what_is_considered_moves_the_rest() -> None:
    """Two unknowns with what is known of one beforehand, and one that is only considered, to 0.3: variances
    by the inverse, and what the third does to the others (Schmidt's consider states)."""
    known = Information(KNOWN, np.array([0.0, 3.0, 0.0]), np.array([0.0, 0.0, 0.3]))
    gradients = np.array([[1.0, -2.0, 0.0], [0.5, 0.0, 1.5]])

    def by_hand(normal: np.ndarray, coupling: np.ndarray) -> list[float]:
        inverse = np.linalg.inv(normal)
        return [
            float(g[:2] @ inverse @ g[:2] + ((g[2] - g[:2] @ inverse @ coupling) * 0.3) ** 2)
            for g in gradients
        ]

    plain = np.diag([0.0, 3.0])
    assert known.variances(gradients) == pytest.approx(by_hand(KNOWN[:2, :2] + plain, KNOWN[:2, 2]))
    # twice as precise beforehand
    surer = known.knowing({1: 4.0})
    assert surer.variances(gradients) == pytest.approx(by_hand(KNOWN[:2, :2] + 4.0 * plain, KNOWN[:2, 2]))
    assert known.precision.tolist() == [0.0, 3.0, 0.0]
    # a run whose rows belong to the second and the first
    rows = np.array([[1.0, 0.4], [2.0, -1.0]])
    more = KNOWN.copy()
    more[np.ix_([1, 0], [1, 0])] += rows.T @ rows
    found = known.plus(rows, np.array([1, 0])).variances(gradients)
    assert found == pytest.approx(by_hand(more[:2, :2] + plain, more[:2, 2]))
    assert known.information == pytest.approx(KNOWN)
    # an unknown of which nothing tells is left alone, and one behind tells nothing yet
    blind = Information(np.diag([9.0, 0.0, 4.0]), np.zeros(3), np.zeros(3))
    assert blind.variances(np.array([[3.0, 7.0, 2.0]])) == pytest.approx([2.0])
    wide = known.widened(
        [Unknown("plate_excess[3]", 0.0, knowledge="weak", prior_u=2.0), Unknown("free", 0.0)]
    )
    assert wide.precision.tolist() == [0.0, 3.0, 0.0, 0.25, 0.0]
    assert wide.considered.tolist() == [0.0, 0.0, 0.3, 0.0, 0.0]
    assert wide.information[:3, :3] == pytest.approx(KNOWN)
    assert not wide.information[3:].any()
    padded = room._padded(gradients, 2)
    assert wide.variances(padded) == pytest.approx(known.variances(gradients))
    assert wide.variances(np.array([[0.0, 0.0, 0.0, 1.0, 0.0]])) == pytest.approx([4.0])


def test_the_course_of_a_planned_sweep() -> None:
    """From no torque to the lowest, then up and down at each level, in cells of equal steps between."""
    torque, level, stretch, corners = room._course(PlannedSweep((-150.0, 450.0), (4.0, -1.5), 60.0))
    each = torque.size // 5
    assert corners.tolist() == [0.0, -150.0, 450.0, -150.0, 450.0]
    assert stretch.tolist() == sorted(list(range(5)) * each)
    assert level.tolist() == [4.0] * 3 * each + [-1.5] * 2 * each
    share = (np.arange(each) + 0.5) / each
    assert torque[:each] == pytest.approx(-150.0 * share)
    assert torque[each : 2 * each] == pytest.approx(-150.0 + 600.0 * share)
    assert torque[4 * each :] == pytest.approx(450.0 - 600.0 * share)


def test_cells_of_a_planned_sweep() -> None:
    """Steady in speed about a case of 60 rad/s, as warm and wide as planned; rates of the readings by their
    differences."""
    time, level = np.array([0.1, 0.3, 0.5]), np.array([4.0, 4.0, -1.0])
    cells = room._cells(
        {"left_torque": np.array([10.0, 14.0, 30.0])}, time, level, np.array([0, 0, 1]), oil=71.0, width=0.2,
        per_cell=12.0,
    )  # fmt: skip
    assert cells.speeds["left"].tolist() == [62.0, 62.0, 59.5]
    assert cells.speeds["right"].tolist() == [58.0, 58.0, 60.5]
    assert cells.speeds["case"].tolist() == [60.0] * 3
    assert {tuple(each.tolist()) for each in cells.accelerations.values()} == {(0.0, 0.0, 0.0)}
    assert cells.rates["left_torque"] == pytest.approx([20.0, 50.0, 80.0])
    assert (cells.direction.tolist(), cells.speed_difference.tolist()) == ([1.0, 1.0, -1.0], level.tolist())
    assert cells.oil is not None
    assert (set(cells.oil), set(cells.width), set(cells.count)) == ({71.0}, {0.2}, {12.0})
    assert (cells.plate, cells.segment.tolist(), cells.stretch.tolist()) == (None, [0, 0, 0], [0, 0, 1])


def test_what_a_unit_locks_roughly_in_a_plan() -> None:
    """Preload and ramps of that visit's own build, by the flank that bears."""
    names = {"p0": 80.0, "p1": 60.0, "d": 0.5, "c0": 0.25, "c1": 0.3}
    places = (
        SimpleNamespace(preload=0, drive=0, coast=0),
        SimpleNamespace(preload=1, drive=0, coast=1),
    )
    sharing = SimpleNamespace(
        preloads=("p0", "p1"), drive_biases=("d",), coast_biases=("c0", "c1"), places=places
    )
    law = SimpleNamespace(load=lambda preload, ramps, values: preload + ramps + sum(values), unknowns=(1, 2))
    candidate: Any = SimpleNamespace(
        names=SimpleNamespace(value=lambda x, name: names[name]), x=None,
        model=SimpleNamespace(sharing=sharing, form=SimpleNamespace(preload=law)),
    )  # fmt: skip
    torque = np.array([-200.0, 0.0, 300.0])
    assert room._rough_locking(candidate, torque, 0).tolist() == [130.0, 80.0, 230.0]
    assert room._rough_locking(candidate, torque, 1).tolist() == [120.0, 60.0, 210.0]


def item(u: float, **budget: float) -> Combined:
    return Combined(80.0, u, budget, math.inf, Estimate(80.0, np.zeros(1), "N·m", "", "", 1.0))


def test_what_a_run_is_worth() -> None:
    """By the logarithm of what each uncertainty falls to, in full of what is asked for first and three tenths
    of the rest; forms and what the law leaves out stay; above four fifths it is not worth a run."""
    combined = {
        "preload_torque[a]": item(2.0, **{"form of the model": 0.8, "what the law leaves out": 0.6}),
        "viscous_coefficient": item(0.5),
    }
    names = list(combined)
    worth, test = room._offer("run", np.array([0.5, 0.4]), names, combined)
    then = math.sqrt(1.0 + 3.0 * 0.25)
    assert [(gain.quantity, gain.u_now) for gain in test.gains] == [(names[0], 2.0), (names[1], 0.5)]
    assert [gain.u_then for gain in test.gains] == pytest.approx([then, 0.2])
    assert (test.run, test.gains[0].unit) == ("run", "N·m")
    assert worth == pytest.approx(math.log(2.0 / then) + 0.3 * math.log(0.5 / 0.2))
    for ratio, told in ((0.799, 1), (0.801, 0)):
        worth, test = room._offer("run", np.array([1.0, ratio]), names, combined)
        assert len(test.gains) == told
        assert (worth > 0.0) is bool(told)
    # a run never makes worse
    worth, test = room._offer("run", np.array([3.0, 2.0]), names, combined)
    assert (worth, test.gains) == (0.0, [])


def test_a_spring_pressed_to_one_per_cent() -> None:
    """Where the sheet states it less well: its part of each variance falls with it, the others stay."""

    def of(sheet: dict[str, float]) -> Combined:
        estimate = Estimate(0.11, np.zeros(1), "1", "", "", 1.0, sheet=sheet)
        return Combined(0.11, 0.01, {}, math.inf, estimate)

    combined = {
        "friction_coefficient": of({"spring force (build sheet)": 0.006, "radii (build sheet)": 0.002}),
        "preload_torque": of({"radii (build sheet)": 0.002}),
    }

    def pressed(value: float, u: float | None) -> Any:
        force = None if value == 0.0 else SimpleNamespace(value=value, u=u)
        build: Any = SimpleNamespace(preload=SimpleNamespace(spring_force=force))
        return room._pressed(build, list(combined), combined)

    text, parts = pressed(2000.0, 60.0)
    assert text == "measure the spring's force on a press, to 1 %"
    assert parts == pytest.approx([0.002**2 + 0.002**2, 0.002**2])
    assert pressed(2000.0, 20.1) is not None
    for value, u in ((2000.0, 20.0), (2000.0, None), (2000.0, 0.0), (0.0, None)):
        assert pressed(value, u) is None


def bench(unknowns: list[Unknown], **parts: Any) -> Any:
    """A form over three cells of two visits."""
    sources = (
        SimpleNamespace(key="v:left_torque.zero", u=0.4),
        SimpleNamespace(key="r:left_torque.gain", u=0.002),
    )
    data = SimpleNamespace(
        visit=np.array([0, 0, 1]), run=np.array([0, 1, 2]),
        run_kinds=("bias-sweep", "speed-sweep", "bias-sweep"),
        noise=np.array([1.0, 1.2, 0.9]), sources=sources, refit_spread=np.array([[0.015, 0.01], [0.0, 0.0]]),
    )  # fmt: skip
    return SimpleNamespace(
        names=Names(tuple(unknowns)), model=SimpleNamespace(data=data), used=np.array([True, True, True]),
        noise=SimpleNamespace(inflation=4.0), **parts,
    )  # fmt: skip


UNKNOWNS = [
    Unknown("preload", 80.0),
    Unknown("plate_excess[0]", 0.0, knowledge="weak", prior_u=2.0),
    Unknown("error:v:left_torque.zero", 0.0, knowledge="stated", prior_u=1.0),
    Unknown("refit:preload[0]", 0.0, knowledge="stated", prior_u=1.0, considered=True),
    Unknown("error:r:left_torque.gain", 0.0, knowledge="stated", prior_u=1.0),
    Unknown("error:drag", 0.0, knowledge="stated", prior_u=0.5, considered=True),
    Unknown("still", 1.0, 1.0, 1.0),
]
ROWS = np.array(
    [
        [2.0, 0.5, 1.0, 2.0, 0.3, 0.2, 9.0],
        [2.1, 0.4, 1.0, 2.1, -0.3, 0.1, 9.0],
        [1.9, 0.0, 0.0, 0.0, 0.4, 0.3, 9.0],
    ]
)


def test_what_is_known_so_far() -> None:
    """Cells by the noise of an independent one; what a refit did counts as an unknown, what is else only
    considered by its doubt, and what is fixed not at all."""
    candidate = bench(UNKNOWNS, sensitivities=lambda: ROWS)
    known, rows = room._known(candidate)
    told = ROWS / 2.0
    told[:, 6] = 0.0
    assert rows == pytest.approx(told)
    assert known.information == pytest.approx(told.T @ told)
    assert known.precision.tolist() == [0.0, 0.25, 1.0, 1.0, 1.0, 0.0, 0.0]
    assert known.considered.tolist() == [0.0, 0.0, 0.0, 0.0, 0.0, 0.5, 0.0]


def test_the_same_runs_once_more() -> None:
    """Without taking the unit out its plates begin anew, and all else is the same; after a refit that and the
    visit's own zeros, too. Only where the rig says what a refit moves."""
    candidate = bench(UNKNOWNS, sensitivities=lambda: ROWS)
    known, rows = room._known(candidate)
    gradients = np.eye(7)[:1]
    found = room._repeats(known, rows, gradients, candidate, 0)
    texts = [text for text, _ in found]
    assert texts == [
        "the same runs (bias-sweep and speed-sweep) once more, without taking the unit out",
        "take the unit out, fit it to the bench again, and repeat the runs (bias-sweep and speed-sweep)",
    ]
    for (_, variance), new in zip(found, ([1], [1, 2, 3]), strict=True):
        size = 7 + len(new)
        wide = np.zeros((5, size))
        wide[:3, :7] = rows
        for i, row in enumerate(rows[:2]):
            wide[3 + i, [new.index(k) + 7 if k in new else k for k in range(7)]] = row
        precision = np.concatenate([known.precision, known.precision[new]])
        considered = np.concatenate([known.considered, np.zeros(len(new))])
        expected = Information(wide.T @ wide, precision, considered).variances(np.eye(size)[:1])
        assert variance == pytest.approx(expected)
        assert variance < known.variances(gradients)
    (alone,) = room._repeats(known, rows, gradients, candidate, 1)
    assert alone[0] == "the same runs (bias-sweep) once more, without taking the unit out"


def test_what_needs_no_sweep() -> None:
    """A tare run tells a zero to the cells' noise over fifty pieces; a calibration halves the doubt of gains,
    four times their precision."""
    candidate = bench(UNKNOWNS, sensitivities=lambda: ROWS)
    known, _ = room._known(candidate)
    gradients = np.eye(7)[[0, 2, 4]]
    tare, calibrated = room._papers(known, gradients, candidate)
    assert tare[0] == "a tare run before and after, with the unit out"
    factor = (0.4 / (1.0 / math.sqrt(50.0))) ** 2
    assert tare[1] == pytest.approx(known.knowing({2: factor}).variances(gradients))
    assert calibrated[0] == "calibrate the torque transducers to half of the stated uncertainty of gain"
    assert calibrated[1] == pytest.approx(known.knowing({4: 4.0}).variances(gradients))
    # a zero that is known better than that is no worse for it
    candidate.model.data.sources[0].u = 0.01
    assert room._papers(known, gradients, candidate)[0][1] == pytest.approx(known.variances(gradients))
    bare = bench([UNKNOWNS[0]], sensitivities=lambda: ROWS[:, :1])
    known, _ = room._known(bare)
    assert room._papers(known, np.eye(1), bare) == []


def plans(
    torque: tuple[float, float],
    speeds: tuple[float, ...],
    *,
    oil: tuple[float, float] | None = (50.0, 70.0),
    both: bool = True,
    limit: float | None = None,
) -> dict[str, PlannedSweep]:
    """What a bench that swept so far is asked for."""
    n = 40
    level = np.repeat(np.array(speeds), n)
    data = SimpleNamespace(
        visit=np.zeros(level.size, dtype=int), sliding=np.ones(level.size, dtype=bool),
        input_torque=np.tile(np.linspace(*torque, n), len(speeds)), speed_difference=level,
        oil=np.full(level.size, np.nan) if oil is None else np.linspace(*oil, level.size),
        direction=np.where(np.arange(level.size) % 2 == 0, 1.0, -1.0 if both else 1.0),
    )  # fmt: skip
    candidate: Any = SimpleNamespace(
        used=np.ones(level.size, dtype=bool),
        model=SimpleNamespace(data=data, reference=SimpleNamespace(temperature=62.0)),
    )
    ends = None if limit is None else (-limit, limit)
    channels = {
        "left_torque": SimpleNamespace(name="left_torque", range=ends),
        "oil_temperature": SimpleNamespace(name="oil_temperature", range=(0.0, 1.0)),
    }
    visit: Any = SimpleNamespace(rig=SimpleNamespace(channel=channels))
    return dict(room._plans(candidate, visit, 0))


def test_sweeps_go_where_the_runs_did_not() -> None:
    """From 0.2 to 10 rad/s, both ways and both flanks: hotter, colder and higher are left."""
    found = plans((-300.0, 600.0), (0.2, 1.0, 4.0, 10.0))
    levels = (2.5, -2.5, 10.0, -10.0, 0.3, -0.3)
    assert found == {
        "the bias sweep with the oil hotter, at 90 °C, within the maker's limits": PlannedSweep(
            (-300.0, 600.0), levels, 90.0
        ),
        "the bias sweep with the oil colder, at 30 °C, within the maker's limits": PlannedSweep(
            (-300.0, 600.0), levels, 30.0
        ),
        "a bias sweep up to 900 N·m, if the limits of unit and bench allow it": PlannedSweep(
            (-300.0, 900.0), levels, pytest.approx(60.0)
        ),
    }
    # four fifths of that torque must lie within the range of the transducers
    assert len(plans((-300.0, 600.0), (0.2, 1.0, 4.0, 10.0), limit=720.0)) == 2
    assert len(plans((-300.0, 600.0), (0.2, 1.0, 4.0, 10.0), limit=721.0)) == 3
    # oil that would freeze is not asked for
    assert not [run for run in plans((-300.0, 600.0), (0.2, 10.0), oil=(20.0, 40.0)) if "colder" in run]
    assert [run for run in plans((-300.0, 600.0), (0.2, 10.0), oil=(20.1, 40.0)) if "colder" in run]
    # nobody read a temperature: at the reference's
    unread = plans((-300.0, 600.0), (0.2, 10.0), oil=None)
    assert [plan.oil for plan in unread.values()] == [62.0]


@pytest.mark.parametrize(
    ("speeds", "text", "levels"),
    [
        ((4.0,), "0.3 to 6", (0.3, 6.0)),
        ((1.5, 9.0), "0.3 to 14", (0.3, 13.5)),
        ((0.1, 0.4), "0.1 to 0.6", (0.1, 0.6)),
        ((0.1, 0.15), "0.1 to 0.3", (0.1, 0.3)),
        ((0.5, 3.0), "", ()),
    ],
)
def test_a_speed_sweep_is_asked_for_of_one_level_or_of_fast_ones(
    speeds: tuple[float, ...], text: str, levels: tuple[float, ...]
) -> None:
    """Less than a factor of five, or nothing slow: five levels by equal ratios, both ways round, at a
    twentieth to a fifth of the largest torque."""
    found = {run: plan for run, plan in plans((-300.0, 600.0), speeds).items() if "speed sweep" in run}
    if not text:
        assert found == {}
        return
    ((run, plan),) = found.items()
    assert run == f"a speed sweep at low input torque, {text} rad/s, both ways round"
    steps = np.geomspace(*levels, 5)
    assert plan.levels == pytest.approx([sign * step for step in steps for sign in (1.0, -1.0)])
    assert plan.torque == pytest.approx((30.0, 120.0))
    assert plan.oil == pytest.approx(60.0)


def test_flanks_and_directions_that_were_left_out() -> None:
    """Less than a tenth of the other flank is none; of a sweep one way round the other one."""
    slow = (0.2, 10.0)
    for torque, told in (((-59.0, 600.0), True), ((-61.0, 600.0), False)):
        found = [
            plan
            for run, plan in plans(torque, slow).items()
            if run == "a bias sweep under coast torque as well"
        ]
        assert [plan.torque for plan in found] == ([(-240.0, 600.0)] if told else [])
    for torque, told in (((-600.0, 59.0), True), ((-600.0, 61.0), False)):
        found = [
            plan
            for run, plan in plans(torque, slow).items()
            if run == "a bias sweep under drive torque as well"
        ]
        assert [plan.torque for plan in found] == ([(-600.0, 600.0)] if told else [])
    other = "the bias sweep with slip in the other direction"
    assert other not in plans((-300.0, 600.0), slow)
    assert plans((-300.0, 600.0), slow, both=False)[other].torque == (-300.0, 600.0)
    # in coast alone there is no higher drive torque
    assert not [run for run in plans((-600.0, 0.0), slow) if "up to" in run]


def test_steps_of_a_plan_s_unknowns() -> None:
    """A hundredth of what is known beforehand; else a ten-thousandth of the value, a millionth at least."""
    assert room._step(Unknown("a", 0.0, knowledge="stated", prior_u=0.3), 5.0) == pytest.approx(3e-3)
    assert room._step(Unknown("b", 0.0), -5.0) == pytest.approx(5e-4)
    assert room._step(Unknown("c", 0.0), 1e-3) == 1e-6


def test_a_planned_sweep_is_read_by_the_bench_s_own_chains(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of the input torque on either side of what the unit locks, against slip; of the input its ratio
    and efficiency less. Constants in doubt show by channel and name, the cross-talk of both flanges by its
    own, and what belongs to no channel not at all. Half of what locks times the speed difference is heat."""
    chains = {
        "left_torque": SimpleNamespace(ratio=1.0, efficiency=1.0),
        "right_torque": SimpleNamespace(ratio=1.0, efficiency=1.0),
        "input_torque": SimpleNamespace(ratio=3.7, efficiency=0.97),
    }
    told: dict[str, Any] = {}

    def effects(rig: Any, _: Any, cells: Any, doubtful: dict[Any, ErrorSource]) -> dict[str, Any]:
        told.update(rig=rig, cells=cells, doubtful=doubtful)
        return {}

    monkeypatch.setattr(room.bench, "chains_of", lambda rig, tare: chains)
    monkeypatch.setattr(room.bench, "effects", effects)
    monkeypatch.setattr(room, "gather", lambda visits: visits)
    monkeypatch.setattr(room, "_rough_locking", lambda candidate, torque, place: 80.0 + 0.25 * np.abs(torque))
    sources = {
        key: ErrorSource(key, key, group, 0.1)
        for key, group in (
            ("v:left_torque.zero", Source.TRANSDUCER_ZERO),
            ("r:input_torque.gain", Source.TRANSDUCER_GAIN),
            ("r:cross-talk", Source.CROSS_TALK),
            ("r:oil.gain", Source.TRANSDUCER_GAIN),
        )
    }
    rig = SimpleNamespace(name="stand")
    visit: Any = SimpleNamespace(rig=rig, sources=sources, temperature_u=0.7)
    data = SimpleNamespace(count=np.array([8.0, 12.0, 30.0]), noise=np.array([0.2, 0.5, 0.4]))
    candidate: Any = SimpleNamespace(model=SimpleNamespace(data=data))
    plan = PlannedSweep((-100.0, 400.0), (4.0, -2.0), 65.0)
    made: Any = room.planned_data(plan, visit, candidate, 0)
    ((planned,), found) = made[0].runs, made[0]
    assert (found.sources, found.temperature_u, found.rig, told["rig"]) == (sources, 0.7, rig, rig)
    assert {key: source.key for key, source in told["doubtful"].items()} == {
        ("left_torque", "zero"): "v:left_torque.zero",
        ("input_torque", "gain"): "r:input_torque.gain",
        room.bench.CROSS_TALK: "r:cross-talk",
    }
    torque, level, stretch, corners = room._course(plan)
    locks = 80.0 + 0.25 * np.abs(torque)
    readings = told["cells"].readings
    assert planned.difference == pytest.approx(-np.sign(level) * locks)
    assert readings["left_torque"] == pytest.approx(0.5 * (torque - np.sign(level) * locks))
    assert readings["right_torque"] == pytest.approx(0.5 * (torque + np.sign(level) * locks))
    assert readings["input_torque"] == pytest.approx(torque / (3.7 * 0.97))
    # fifty cells in ten seconds
    assert told["cells"].time == pytest.approx(0.2 * (np.arange(torque.size) + 0.5))
    assert set(told["cells"].width) == {0.2}
    assert (set(told["cells"].count), planned.samples, planned.noise) == ({12.0}, 12 * torque.size, 0.4)
    assert planned.input_slope[10] == pytest.approx(-100.0 / 10.0)
    assert planned.locking_slope[55] == pytest.approx(-0.25 * 500.0 / 10.0)
    assert planned.history.begins.tolist() == [True, False, False, False, False]
    assert planned.history.torque.tolist() == corners.tolist()
    assert planned.history.near.tolist() == [0, 50, 100, 150, 200]
    assert planned.history.before.tolist() == stretch.tolist()
    assert planned.heat.time.tolist() == [0.5 * i for i in range(100)]
    assert planned.heat.power == pytest.approx(
        np.interp(planned.heat.time, told["cells"].time, 0.5 * locks * np.abs(level))
    )
    assert planned.heat.oil_rate.tolist() == [0.0] * 100


@dataclass(frozen=True)
class Shared:
    places: tuple[str, ...]


@dataclass(frozen=True)
class Planned:
    sources: tuple[Any, ...]
    temperature_u: float

    def without_sources(self, ends: tuple[str, ...]) -> Planned:
        return Planned(tuple(one for one in self.sources if not one.key.endswith(ends)), self.temperature_u)


def test_a_planned_sweep_has_the_unknowns_of_its_visit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without what belonged to a single run, and without the refits of other visits; the plates begin anew.
    Constants of the bench that the fit has not are none of the plan either."""
    monkeypatch.setattr(room, "LockingModel", lambda *given: given)
    names = Names(
        tuple(
            Unknown(name, 0.0, knowledge="stated", prior_u=1.0)
            for name in (
                "preload", "plate_excess[0]", "refit:preload[0]", "refit:preload[1]", "ramp_start[2]",
                "error:known", "bias[1]",
            )
        )
    )  # fmt: skip
    fit = Planned((SimpleNamespace(key="known"),), 0.8)
    sharing = Shared(("first", "second"))
    candidate: Any = SimpleNamespace(
        names=names, x=np.arange(7.0) + 10.0,
        model=SimpleNamespace(names=names, data=fit, form="form", sharing=sharing, reference="reference"),
    )  # fmt: skip
    planned: Any = Planned((SimpleNamespace(key="known"), SimpleNamespace(key="new")), 0.1)
    model: Any
    model, x, at, more = room._planned_model(candidate, planned, 1)
    data, own, form, shared, reference = model
    assert [one.key for one in data.sources] == ["known"]
    assert data.temperature_u == 0.8
    assert [one.name for one in own.unknowns] == [
        "preload", "refit:preload[0]", "error:known", "bias[1]", "plate_excess[0]",
    ]  # fmt: skip
    assert (form, shared, reference) == ("form", Shared(("second",)), "reference")
    assert x.tolist() == [10.0, 13.0, 15.0, 16.0, 0.0]
    assert at.tolist() == [0, 3, 5, 6, 7]
    assert [(one.name, one.knowledge, one.prior_u) for one in more] == [("plate_excess[0]", "weak", 2.0)]
