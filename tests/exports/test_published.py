"""The unit's stick and slip, in examples of others: published trajectories, closed forms, limits of
coupling."""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from benchsim.axle import Axle, hosted
from benchsim.c_law import Law
from scipy.integrate import solve_ivp

from diffbench.exports import Differential, export_map
from diffbench.results import AXES, LockingMap, MapDocument

DATA = Path(__file__).parents[1] / "published" / "data" / "modelica-rotational"


def two_levels(preload: float, excess: float) -> LockingMap:
    """A differential of static and sliding friction alone: no ramps, gears, film or heat."""
    law = {
        "preload_torque": preload,
        "static_excess": excess,
        "stribeck_speed": 1e-5,
        **dict.fromkeys(("unloading_ratio_drive", "unloading_ratio_coast"), 1.0),
        **dict.fromkeys(
            (
                *(
                    "ramp_bias_drive_loading",
                    "ramp_bias_coast_loading",
                    "gear_friction",
                    "viscous_coefficient",
                ),
                *("viscous_temperature_coefficient", "friction_temperature_coefficient"),
            ),
            0.0,
        ),
    }
    nodes = {key: [[[preload]]] for key in ("locking_torque_Nm", "low_Nm", "high_Nm")}
    return LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1",
                "unit": "example",
                "build": "example",
                "law": "additive",
                "confidence": 0.95,
                "axes": {name: [1.0] for name in AXES},
                "branches": {b: {**nodes, "tested": [[[True]]]} for b in ("loading", "unloading", "mean")},
                "notes": [],
                "provenance": {},
                "fitted_law": {
                    "preload_law": "additive",
                    "friction_law": "stribeck-1",
                    "names": list(law),
                    "units": ["1"] * len(law),
                    "values": list(law.values()),
                    "covariance": np.zeros((len(law), len(law))).tolist(),
                    "effective_radius_m": 1.0,
                    "reference_temperature_degC": 60.0,
                    "reference_speed_difference_rad_s": 100.0,
                    "weight": 1.0,
                },
            }
        )
    )


@pytest.fixture(scope="module")
def build(compiled: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """A library of such a law."""

    def built(preload: float, excess: float) -> Path:
        folder = tmp_path_factory.mktemp("law")
        export_map(two_levels(preload, excess), "c-law", folder / "q17")
        return compiled(folder, "law.so", ["q17_law.c"], "-shared", "-fPIC")

    return built


@dataclass
class Chain:
    """Frictions between bodies, each by the unit's rates, solved from event to event.

    State: the bodies', then a twist for each friction. ``slips`` are their speed differences, ``bodies`` the
    rates of the rest by friction torques, ``settle`` sets parameters by time.
    """

    units: list[Law]
    slips: Callable[[np.ndarray], list[float]]
    bodies: Callable[[float, np.ndarray, list[float]], list[float]]
    settle: Callable[[float], None] = lambda t: None
    ways: list[int] = field(default_factory=list)
    events: list[tuple[float, tuple[int, ...]]] = field(default_factory=list)
    courses: list[tuple[np.ndarray, np.ndarray]] = field(default_factory=list)

    def rates(self, t: float, y: np.ndarray) -> list[float]:
        """Of the whole state, all in their ways; the units hold what they give."""
        self.settle(t)
        first = len(y) - len(self.units)
        for unit, way, twist, slip in zip(self.units, self.ways, y[first:], self.slips(y), strict=True):
            unit.state.twist = float(twist)
            unit.rates(way, 0.0, float(slip))
        frictions = [unit.given.friction_torque for unit in self.units]
        return [*self.bodies(t, y, frictions), *(unit.given.twist_rate for unit in self.units)]

    def margin(self, i: int) -> Callable[[float, np.ndarray], float]:
        """What falls through zero where the way of one friction changes."""

        def left(t: float, y: np.ndarray) -> float:
            self.rates(t, y)
            forward, backward = self.units[i].given.margin
            return float(
                min(forward, backward) if self.ways[i] == 0 else -forward if self.ways[i] == 1 else -backward
            )

        left.terminal, left.direction = True, -1  # type: ignore[attr-defined]
        return left

    def decide(self, t: float, y: np.ndarray) -> None:
        """The way of each from the state, after parameters jumped."""
        self.ways = [0] * len(self.units)
        self.rates(t, y)
        self.ways = [
            1 if unit.given.margin[0] < 0.0 else -1 if unit.given.margin[1] < 0.0 else 0
            for unit in self.units
        ]

    def run(self, t: float, end: float, y: np.ndarray) -> np.ndarray:
        """To an end; the state there."""
        self.decide(t, y)
        self.events.append((t, tuple(self.ways)))
        # a twist counts by the torque that it makes
        fine = np.array([1e-10] * (len(y) - len(self.units)) + [1e-16] * len(self.units))
        while t < end - 1e-12:
            done = solve_ivp(
                self.rates, (t, end), y, method="Radau", rtol=1e-8, atol=fine, max_step=0.02,
                events=[self.margin(i) for i in range(len(self.units))],
            )  # fmt: skip
            assert done.success
            self.courses.append((done.t, done.y))
            t, y = float(done.t[-1]), done.y[:, -1]
            hit = next((i for i, at in enumerate(done.t_events) if len(at)), None)
            if hit is not None:
                self.rates(t, y)
                forward, backward = self.units[hit].given.margin
                self.ways[hit] = 0 if self.ways[hit] else 1 if forward < backward else -1
                self.events.append((t, tuple(self.ways)))
            assert len(self.events) < 100
        return y


def test_three_clutches(build: Callable[..., Path]) -> None:
    """Four inertias of 1 kg·m² and three clutches that slip, lock and break loose: nine changes of mode.

    Source: Modelica Standard Library 4.0.0, Mechanics.Rotational.Examples.CoupledClutches, published
    reference result (`DATA`); sliding torque 10 f, breakaway 11 f, here T = 2 · 10 f, as each output gets
    half. Times to 1e-4 s, speeds to 1e-3 rad/s: the reference is good to 1e-4, the stick a spring of 2e9
    N·m/rad.
    """
    library = build(20.0, 0.1)
    units = [Law(library, "q17", branch=1, heat_capacity=0.0, half_shaft_stiffness=1e8) for _ in range(3)]
    stretch = 0.0

    def settle(t: float) -> None:
        pressed = (max(math.cos(2.0 * math.pi * 0.2 * t), 0.0), float(stretch >= 0.4), float(stretch >= 0.9))
        for unit, f in zip(units, pressed, strict=True):
            unit.setup.preload_torque = max(20.0 * f, 1e-6)  # an open clutch drags a little

    def bodies(t: float, y: np.ndarray, frictions: list[float]) -> list[float]:
        one, two, three = (0.5 * friction for friction in frictions)
        return [10.0 * math.sin(2.0 * math.pi * 5.0 * t) - one, one - two, two - three, three]

    chain = Chain(units, lambda y: [y[i] - y[i + 1] for i in range(3)], bodies, settle)
    y = np.array([10.0, *[0.0] * 6])
    for begin, end in itertools.pairwise((0.0, 0.4, 0.9, 1.25, 1.5)):
        stretch = begin
        y = chain.run(begin, end, y)
    with (DATA / "CoupledClutches.csv").open(encoding="utf-8") as file:
        rows = [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]
    time = np.concatenate([t for t, _ in chain.courses])
    speeds = np.concatenate([y[:4] for _, y in chain.courses], axis=1)
    for row in rows:
        found = np.array([np.interp(row["time"], time, speed) for speed in speeds])
        wanted = [row["J1.w"], *(row[f"clutch{i}.w_rel"] for i in (1, 2, 3))]
        np.testing.assert_allclose([found[0], *np.diff(found)], wanted, atol=1e-3)
    modes = [[row[f"clutch{i}.mode"] for i in (1, 2, 3)] for row in rows]
    published = [
        row["time"] for row, mode, before in zip(rows[1:], modes[1:], modes, strict=False) if mode != before
    ]
    assert len(published) == 9
    at = np.array([t for t, _ in chain.events])
    for t in published:
        assert np.abs(at - t).min() < 1e-4


def test_a_gear_that_loses_torque(build: Callable[..., Path]) -> None:
    """A gear of ratio 2 and efficiency 0.5, whose driving side changes: slides, sticks, and breaks loose four
    times.

    Source: Modelica Standard Library 4.0.0, Mechanics.Rotational.Examples.LossyGearDemo1, published reference
    result (`DATA`). Its law: what one side drives arrives times η, or costs 1/η the other way: friction in
    proportion to the torque that passes, on which it acts back; each output gets half. Times to 1e-4 s,
    speeds to 1e-4 rad/s.
    """
    ratio, efficiency, side_a, side_b = 2.0, 0.5, 1.0, 1.5  # inertias, kg·m²
    unit = Law(build(20.0, 0.0), "q17", branch=1, heat_capacity=0.0, half_shaft_stiffness=1e8)

    def torques(t: float) -> tuple[float, float]:
        return 10.0 * math.sin(2.0 * math.pi * t), -10.0 + 2.5 * t

    def lost(t: float, way: int) -> float:
        one, other = torques(t)
        if way == 0:  # which way it would break loose
            way = 1 if ratio * one + other > 0.0 else -1
            return abs(ratio * one) * (1.0 - efficiency if way * one > 0.0 else 1.0 / efficiency - 1.0)
        for share in (efficiency, 1.0 / efficiency):
            passed = one - ratio * side_a * (other + ratio * share * one) / (
                side_b + ratio**2 * share * side_a
            )
            if (way * passed > 0.0) == (share < 1.0):
                return abs(ratio * passed) * abs(1.0 - share)
        raise AssertionError("neither side drives")

    def settle(t: float) -> None:
        unit.setup.preload_torque = max(2.0 * lost(t, chain.ways[0]), 1e-6)

    def bodies(t: float, y: np.ndarray, frictions: list[float]) -> list[float]:
        one, other = torques(t)
        return [(ratio * one + other - 0.5 * frictions[0]) / (side_b + ratio**2 * side_a)]

    chain = Chain([unit], lambda y: [y[0]], bodies, settle)
    chain.run(0.0, 0.5, np.array([0.0, 0.0]))
    with (DATA / "LossyGearDemo1.csv").open(encoding="utf-8") as file:
        rows = [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]
    time, speed = (np.concatenate([c[i] if i == 0 else c[1][0] for c in chain.courses]) for i in (0, 1))
    for row in rows:
        assert np.interp(row["time"], time, speed) == pytest.approx(row["Inertia2.w"], abs=1e-4)
    published = [
        (row["time"], int(row["gear.mode"]))
        for row, before in itertools.pairwise(reversed(rows))
        if row["gear.mode"] != before["gear.mode"] and row["time"] > 1e-6
    ][::-1]
    found = [(t, way) for t, (way,) in chain.events if t > 1e-6]
    assert [way for _, way in found] == [way for _, way in published] == [0, 1, 0, -1]
    np.testing.assert_allclose([t for t, _ in found], [t for t, _ in published], atol=1e-4)


@pytest.mark.parametrize("side_by_side", [False, True], ids=["in turn", "side by side"])
def test_two_masses_coupled_by_the_half_shafts(side_by_side: bool, build: Callable[..., Path]) -> None:
    """Two masses of 1, each on a spring of 4 π², coupled by 16 π²; from (1, 0): (cos 2πt ± cos 6πt)/2, and
    (0.25, 0.559017) at 0.1.

    Source: the oscillator of the preCICE tutorials (Schüller, Rodenberg, Uekermann & Bungartz, WCCM-APCOM
    2022), in closed form. The coupling is the half shafts inside the unit, 32 π² between stuck plates; the
    host holds their torque over a step, each mass exactly between. Of first order at least.
    """
    library = build(1e6, 0.0)
    exact = [
        0.5 * (math.cos(2.0 * math.pi * t) + s * math.cos(6.0 * math.pi * t)) for t in (0.1,) for s in (1, -1)
    ]
    assert exact == pytest.approx([0.25, 0.559016994], abs=1e-9)
    omega, off = 2.0 * math.pi, {}
    for h in (1e-3, 5e-4):
        unit = Law(
            library, "q17", branch=1, heat_capacity=0.0, inner_inertia=1e-3, output_inertia=1.0,
            half_shaft_stiffness=32.0 * math.pi**2, friction_delay=float(side_by_side),
        )  # fmt: skip
        unit.step(h, 0.0, 0.0)
        unit.state.twist = -1.0  # right less left place, as the shafts begin
        place, speed = np.array([1.0, 0.0]), np.zeros(2)
        pending = np.array([-1.0, 1.0]) * 16.0 * math.pi**2
        worst = 0.0
        for n in range(round(1.0 / h)):
            true = [0.5 * (math.cos(omega * n * h) + s * math.cos(3.0 * omega * n * h)) for s in (1, -1)]
            worst = max(worst, float(np.abs(place - true).max()))
            given = np.array([-0.5, 0.5]) * unit.step(h, 0.0, float(speed[0] - speed[1]))
            force, pending = (pending, given) if side_by_side else (given, pending)
            rest = force / omega**2
            place, speed = (
                rest + (place - rest) * math.cos(omega * h) + speed / omega * math.sin(omega * h),
                speed * math.cos(omega * h) - (place - rest) * omega * math.sin(omega * h),
            )
        off[h] = worst
    assert off[1e-3] < (0.06 if side_by_side else 0.03)
    assert math.log2(off[1e-3] / off[5e-4]) > 0.95


def test_mass_on_a_belt(build: Callable[..., Path]) -> None:
    """Stick-slip in closed form: with A = (Fs − Fk)/k and ω = √(k/m), sticks 2 A/v, slips 2/ω (π − atan(ω
    A/v)).

    m = 1, k = 2, v = 0.1, Fs = 1.5, Fk = 1 (SI, read as torques; the belt is the left output): 5.000 s and
    2.611 s. Source: elementary mechanics of two-level dry friction; a page that gives half that stick time
    forgets the swing back. To 1 %: the stick is a spring 1e6 times as stiff as k, friction falls over
    2e-4 of v.
    """
    unit = Law(build(2.0, 0.5), "q17", branch=1, heat_capacity=0.0, half_shaft_stiffness=1e5)
    m, k, v, static, sliding = 1.0, 2.0, 0.1, 1.5, 1.0
    chain = Chain([unit], lambda y: [v - y[0]], lambda t, y, f: [(0.5 * f[0] - k * y[1]) / m, y[0]])
    held = 2.0 * sliding / (20.0 * 1e5)  # the stick as the spring at the start asks it
    chain.run(0.0, 26.0, np.array([v, sliding / k, held]))
    begins = [t for t, (way,) in chain.events if way == 1]
    ends = [t for t, (way,) in chain.events[1:] if way == 0]
    span, omega = (static - sliding) / k, math.sqrt(k / m)
    assert len(ends) >= 3
    assert ends[1] - begins[1] == pytest.approx(
        2.0 / omega * (math.pi - math.atan(omega * span / v)), rel=1e-2
    )
    assert begins[2] - ends[1] == pytest.approx(2.0 * span / v, rel=1e-2)


def test_a_brake_stops(build: Callable[..., Path]) -> None:
    """A mass of 1 kg at 1 m/s, braked by μ F = 0.5 · 2 N from 0.1 s on: stops at 1.1 s after 0.6 m, and
    stays.

    Source: Modelica Standard Library, Mechanics.Translational.Examples.Brake, closed form. Both outputs turn
    against each other: a speed difference of 1 rad/s under T = 1 N·m, J = 1 kg·m². In co-simulation at 1 ms.
    """
    unit = Law(build(1.0, 0.0), "q17", branch=1, heat_capacity=0.0)
    speed, place, t = 1.0, 0.0, 0.0
    stopped = None
    for _ in range(2000):
        friction = unit.step(1e-3, 0.0, speed) if t >= 0.1 - 1e-9 else 0.0
        place += 1e-3 * (speed - 0.5e-3 * friction)
        speed -= 1e-3 * friction
        t += 1e-3
        if stopped is None and abs(speed) < 1e-3:
            stopped = t
    assert stopped == pytest.approx(1.1, abs=2e-3)
    assert place == pytest.approx(0.6, abs=1e-3)
    assert abs(speed) < 1e-9


def free() -> Axle:
    """Two outputs of 1 kg·m² and no road: d(Δω)/dt = −F."""
    return Axle(lambda t: 0.0, slip_stiffness=1e-12)


@pytest.mark.parametrize(
    ("after", "h", "decays"),
    [(False, 0.99, True), (False, 1.01, False), (True, 1.23, True), (True, 1.24, False)],
)
def test_hosts_have_the_limits_of_coupling(after: bool, h: float, decays: bool) -> None:
    """A mass against a spring and damper, force held over the step, m = c = k = 1: stable below H = c/k = 1
    in parallel, below (−c + √(c² + 4 k m))/k = 1.236 in turn. The hosts that the unit is tried in show both.

    Source: set-up of L. T. Kyllingstad, arXiv 2512.13845; limits by algebra.
    """
    twist = 0.0

    def step(h: float, torque: float, difference: float) -> tuple[float, bool]:
        nonlocal twist
        force = twist + difference
        twist += h * difference
        return (twist + difference if after else force), False

    axle = Axle(lambda t: 0.0, slip_stiffness=1e-12, radii=(0.3, 0.31))
    run = hosted(axle, step, 400.0, itertools.repeat(h), side_by_side=False, finest=10.0)
    late, early = np.abs(run.difference[-20:]).max(), np.abs(run.difference[:20]).max()
    assert (late < early) == decays


def test_smoothed_friction_rings_where_the_stick_does_not(build: Callable[..., Path]) -> None:
    """80 N·m · tanh(w/0.1) on a relative inertia of 0.5 kg·m², held over 2 ms: beyond 2 J w0/T0 = 1.25 ms it
    flips for ever at 0.142502957 rad/s (algebra). The unit, in the same host, comes to rest."""

    def smoothed(h: float, torque: float, difference: float) -> tuple[float, bool]:
        return 2.0 * 80.0 * math.tanh(difference / 0.1), False

    # the law acts from the wheels' difference of 2.15 rad/s at the start
    axle = Axle(lambda t: 0.0, slip_stiffness=1e-12, radii=(0.3, 0.31))
    rings = hosted(axle, smoothed, 1.0, itertools.repeat(2e-3), side_by_side=False, finest=1.0)
    assert np.abs(rings.difference[-10:]) == pytest.approx(0.142502957, rel=1e-6)
    unit = Law(build(160.0, 0.0), "q17", branch=1, heat_capacity=0.0)

    def stuck(h: float, torque: float, difference: float) -> tuple[float, bool]:
        return unit.step(h, torque, difference), unit.given.locked == 1

    rests = hosted(axle, stuck, 1.0, itertools.repeat(2e-3), side_by_side=False, finest=1.0)
    assert np.abs(rests.difference[-10:]).max() < 1e-9
    assert rests.stuck[-200:].all()


@pytest.mark.parametrize(
    ("h", "growth"), [(0.001, 1.000009869556), (0.01, 1.000986473875), (0.05, 1.02437689451)]
)
def test_an_input_torque_that_passes_a_unit_feeds_energy(h: float, growth: float) -> None:
    """Why friction is given apart: an undamped mode of 1 Hz whose torque is held over the step grows by √(1 +
    ω² H²/2) each, by algebra. So does one that takes the sum of both outputs' torques; the unit itself adds
    nothing, wheels together.

    By the area that two courses span, which grows by the square of that in each step.
    """
    omega = 2.0 * math.pi
    unit = Differential(two_levels(80.0, 0.0), cars=2)
    place, speed = np.array([1.0, 0.0]), np.array([0.0, 1.0])
    for _ in range(50):
        given = unit.step(h, -(omega**2) * place, 0.0, 60.0)
        torque = given.left_torque + given.right_torque
        assert not given.friction_torque.any()
        place, speed = place + h * speed + 0.5 * h**2 * torque, speed + h * torque
    area = place[0] * speed[1] - place[1] * speed[0]
    assert area ** (1.0 / 100.0) == pytest.approx(growth, rel=1e-10)


@pytest.mark.parametrize(
    ("side_by_side", "polynomial"), [(False, [1.0, -1.32, 0.5]), (True, [1.0, -2.0, 1.68, -0.5])]
)
def test_a_stick_settles_by_its_own_roots(
    side_by_side: bool, polynomial: list[float], build: Callable[..., Path]
) -> None:
    """What is held comes to rest by the largest root of the host's and the unit's difference equation, each
    step: 0.707 in turn, 0.921 side by side (algebra, as the header has it)."""
    unit = Law(build(1e6, 0.0), "q17", branch=1, heat_capacity=0.0)
    axle = Axle(lambda t: 0.0, slip_stiffness=1e-12, radii=(0.3, 0.31))

    def step(h: float, torque: float, difference: float) -> tuple[float, bool]:
        return unit.step(h, torque, difference), unit.given.locked == 1

    run = hosted(axle, step, 0.12, itertools.repeat(1e-3), side_by_side=side_by_side, finest=1.0)
    assert run.stuck.all()
    late = np.abs(run.difference)
    envelope = [late[n : n + 20].max() for n in (20, 60)]
    wanted = np.abs(np.roots(polynomial)).max()
    assert (envelope[1] / envelope[0]) ** (1.0 / 40.0) == pytest.approx(wanted, rel=0.01)
