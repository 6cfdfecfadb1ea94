"""The model at the cells: hysteresis by turns alone, plates that lag, bench errors, elimination that fits
the model."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from diffbench.conditioning.bench import ErrorSource
from diffbench.documents import Build
from diffbench.fitting import FitData, Form, LockingModel, Setup
from diffbench.physics.friction import Stribeck
from diffbench.physics.plate_heat import Times
from diffbench.physics.preload import Additive, GreaterOf

Array = NDArray[np.float64]
PER_STRETCH = 40


def path(corners: list[float], per_stretch: int = PER_STRETCH) -> tuple[Array, NDArray[np.int64]]:
    """Torque along straight stretches between corners, and the number of each sample's stretch."""
    share = (np.arange(per_stretch) + 0.5) / per_stretch
    torque = np.concatenate([a + (b - a) * share for a, b in pairwise(corners)])
    return torque, np.repeat(np.arange(len(corners) - 1), per_stretch)


def play(torque: Array, ratio: float, start: float) -> Array:
    """The play operator, sample by sample: the definition."""
    value, found = start, []
    for t in np.maximum(torque, 0.0):
        value = max(t, min(value, ratio * t))
        found.append(value)
    return np.array(found)


def set_up(builds: list[Build], data: FitData) -> Setup:
    """At 60 °C, 4 rad/s and 46 mm, by which the numbers here are worked out."""
    made = Setup.of(builds, data)
    reference = {"temperature": 60.0, "speed_difference": 4.0, "effective_radius": 0.046}
    return replace(made, reference=replace(made.reference, **reference))


def model_of(data: FitData, build: Build, *, greater_of: bool = False, exponent: float = 1.0) -> LockingModel:
    form = Form(GreaterOf() if greater_of else Additive(), Stribeck(exponent))
    return set_up([build], data).model(form)


def with_values(model: LockingModel, **values: float) -> Array:
    """The starting vector with some unknowns changed, in their own unit."""
    x = model.names.start.copy()
    for name, value in values.items():
        at = model.names.position[name]
        x[at] = math.log(value) if model.names.unknowns[at].logarithm else value
    return x


@given(
    st.lists(st.floats(-600.0, 800.0), min_size=3, max_size=8),
    st.floats(1.0, 2.0),
    st.floats(1.0, 2.0),
    st.floats(0.0, 1.0),
)
@settings(max_examples=60, deadline=None)
def test_thrust_over_turns_is_the_play_operator_over_samples(
    data_of: Callable[..., FitData],
    demo_build: Build,
    corners: list[float],
    drive: float,
    coast: float,
    share: float,
) -> None:
    """Cells see the same thrust as a loop over a fine history through all corners, on both flanks."""
    torque, stretch = path(corners)
    data = data_of(
        cells=torque.size,
        input_torque=torque,
        turn_torque=np.array(corners[:-1]),
        turn_begins=np.arange(len(corners) - 1) == 0,
        turn_near=np.arange(len(corners) - 1) * PER_STRETCH,
        turn_before=stretch,
        segment_torque=np.array([1e6]),  # a start that is not known has its share among the unknowns
    )
    model = model_of(data, demo_build)
    x = with_values(model, unloading_ratio_drive=drive, unloading_ratio_coast=coast)
    x[model.names.position["ramp_start[0]"]] = share
    found = model.thrust(x)
    whole = np.concatenate([[corners[0]], *([*path([a, b])[0], b] for a, b in pairwise(corners))])
    at_cells = np.concatenate(
        [1 + i * (PER_STRETCH + 1) + np.arange(PER_STRETCH) for i in range(len(corners) - 1)]
    )
    for side, ratio, thrust in ((1.0, drive, found.drive), (-1.0, coast, found.coast)):
        begin = max(side * corners[0], 0.0)
        expected = play(side * whole, ratio, begin * (1 + share * (ratio - 1)))[at_cells]
        np.testing.assert_allclose(thrust[1], expected, atol=1e-9)


def test_plates_lag_behind_an_oil_that_warms(data_of: Callable[..., FitData], demo_build: Build) -> None:
    """No friction heat, oil rising by r: Θ − Θ_oil = −(C r/h)(1 − exp(−h t/C)), in closed form."""
    capacity, conductance, rate = 900.0, 60.0, 0.3
    time = np.arange(0.0, 120.0, 0.5)
    data = data_of(
        cells=time.size,
        time=time,
        oil=40.0 + rate * time,
        heat_time=time,
        heat_power=np.zeros(time.size),
        oil_rate=np.full(time.size, rate),
        heat_run=np.zeros(time.size, dtype=np.int64),
        cell_heat=np.arange(time.size, dtype=np.float64),
    )
    model = model_of(data, demo_build)
    x = with_values(model, heat_capacity=capacity, heat_conductance=conductance)
    lag = capacity * rate / conductance * (1 - np.exp(-conductance * time / capacity))
    np.testing.assert_allclose(model.plate_temperature(x), 40.0 + rate * time - lag, atol=1e-9)


def test_plates_warm_by_friction_heat_and_cool_from_where_they_were(
    data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Oil at 60 °C, 1200 W, plates 5 K warmer at the start: towards q/h with C/h."""
    capacity, conductance = 900.0, 60.0
    time = np.arange(0.0, 60.0, 0.5)
    halfway = time[:-1] + 0.25  # cells between the points of the grid
    data = data_of(
        cells=halfway.size,
        time=halfway,
        heat_time=time,
        heat_power=np.full(time.size, 1200.0),
        oil_rate=np.zeros(time.size),
        heat_run=np.zeros(time.size, dtype=np.int64),
        cell_heat=np.arange(halfway.size) + 0.5,
    )
    model = model_of(data, demo_build)
    x = with_values(model, heat_capacity=capacity, heat_conductance=conductance)
    x[model.names.position["plate_excess[0]"]] = 5.0
    decay = np.exp(-conductance * halfway / capacity)
    # between the points it is a straight line: an eighth of (0.5 s)² times the curvature
    curvature = 20.0 * (conductance / capacity) ** 2
    expected = 60.0 + 20.0 + (5.0 - 20.0) * decay
    np.testing.assert_allclose(model.plate_temperature(x), expected, atol=0.25 / 8 * curvature)


def test_the_plates_of_a_run_are_made_when_they_move(
    data_of: Callable[..., FitData], demo_build: Build, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Forty readings by hand are as many runs: the beginning of one says nothing of the others."""
    made: list[int] = []
    excess = Times.excess

    def counted(self: Times, *given: Any) -> Array:
        made.append(1)
        return excess(self, *given)

    monkeypatch.setattr(Times, "excess", counted)
    model = model_of(data_of(cells=6, run=np.repeat(np.arange(3), 2)), demo_build)
    x = with_values(model, heat_capacity=500.0, heat_conductance=15.0)
    before = model.plate_temperature(x)
    assert len(made) == 3
    x[model.names.position["plate_excess[1]"]] = 5.0
    after = model.plate_temperature(x)
    assert len(made) == 4
    np.testing.assert_allclose(after - before, [0.0, 0.0, 5.0, 5.0, 0.0, 0.0], atol=1e-12)


def test_a_measured_plate_temperature_needs_no_heat(
    data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Where it is missing, the model's takes over."""
    plate = np.array([70.0, 75.0, np.nan, 80.0])
    data = data_of(cells=4, plate=plate)
    found = model_of(data, demo_build).plate_temperature(with_values(model_of(data, demo_build)))
    np.testing.assert_allclose(found[[0, 1, 3]], plate[[0, 1, 3]])
    assert found[2] == pytest.approx(60.0, abs=1.0)


def test_a_reading_of_the_temperature_that_is_off_moves_all_plates(
    data_of: Callable[..., FitData], demo_build: Build
) -> None:
    model = model_of(data_of(cells=4, temperature_u=0.5), demo_build)
    x = with_values(model)
    cold = model.plate_temperature(x)
    x[model.names.position["error:temperature"]] = 2.0
    np.testing.assert_allclose(model.plate_temperature(x) - cold, 1.0)


@pytest.mark.parametrize(("state", "turned"), [(1, 0.3), (2, 0.0)])
def test_hand_readings_lie_on_one_curve_over_speed(
    state: int, turned: float, data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Running: at the speed that the hand turned with; breakaway: at rest. Both relative to the reference
    condition, by the Stribeck law as physics has it."""
    data = data_of(cells=3, friction_state=np.full(3, state), speed_difference=np.full(3, 0.3))
    model = model_of(data, demo_build)
    x = with_values(model, static_excess=0.2, stribeck_speed=0.05, temperature_coefficient=0.0)
    radius = 0.046
    factor = 1.0 + 0.2 * math.exp(-0.5 * turned * radius / 0.05)
    at_reference = 1.0 + 0.2 * math.exp(-0.5 * 4.0 * radius / 0.05)
    np.testing.assert_allclose(model.friction_factor(x), factor / at_reference, rtol=1e-9)


def test_the_whole_locking_torque_by_hand(data_of: Callable[..., FitData], demo_build: Build) -> None:
    """One cell: m·(P + K·T) + k_gear·T + c·|Δω|, with m by speed and temperature."""
    data = data_of(
        cells=1, input_torque=np.array([400.0]), turn_torque=np.zeros(1), speed_difference=np.array([8.0])
    )
    model = model_of(data, demo_build)
    x = with_values(
        model,
        preload_torque=80.0,
        ramp_bias_drive_loading=0.5,
        gear_friction=0.02,
        viscous=0.3,
        static_excess=0.2,
        stribeck_speed=0.05,
        temperature_coefficient=-0.001,
        viscous_exponent=0.03,
    )
    data.oil[:] = 70.0
    model = model_of(data, demo_build)
    by_speed = (1 + 0.2 * math.exp(-4.0 * 0.046 / 0.05)) / (1 + 0.2 * math.exp(-2.0 * 0.046 / 0.05))
    expected = by_speed * 0.99 * (80.0 + 0.5 * 400.0) + 0.02 * 400.0 + 0.3 * math.exp(-0.3) * 8.0
    assert model.locking(x)[0] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("bias", "fraction"), [(0.5, None), (0.5, 0.1), (0.2, 0.1)])
def test_a_held_reading_beside_a_sweep_shows_its_noise_whole(
    bias: float, fraction: float | None, data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """A wrench that is 2 N·m high has loaded the ramps by 2 N·m as well: the residual is 2 N·m, not what is
    left of them, or the fit would see its scatter smaller the larger it takes the bias. Where the contact is
    closed the ramps answer by Φ K."""
    share = bias if fraction is None else fraction * bias
    ideal = 80.0 / (1.0 - share - 0.02)
    reading = np.array([ideal + 2.0, 180.0])
    data = data_of(
        cells=2,
        input_torque=np.array([ideal + 2.0, 0.0]),
        turn_torque=np.zeros(1),
        difference=-reading,
        direction=np.ones(2),
        friction_state=np.full(2, 2),
    )
    model = model_of(data, demo_build, greater_of=fraction is not None)
    values = {} if fraction is None else {"joint_fraction": fraction}
    x = with_values(
        model,
        preload_torque=80.0,
        ramp_bias_drive_loading=bias,
        gear_friction=0.02,
        viscous=0.0,
        static_excess=0.0,
        temperature_coefficient=0.0,
        **values,
    )
    np.testing.assert_allclose(np.abs(model.residual(x)), [2.0, 100.0], rtol=1e-6)


@pytest.mark.parametrize(
    ("torque", "load"),
    [(0.0, 80.0), (100.0, 80.0 + 0.1 * 50.0), (177.0, 88.85), (200.0, 100.0), (500.0, 250.0)],
)
def test_greater_of_opens_its_contact(
    torque: float, load: float, data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """P + Φ K T until K T reaches P/(1 − Φ) = 88.9, K T from there on; K = 0.5, Φ = 0.1."""
    model = model_of(data_of(cells=1, input_torque=np.array([torque])), demo_build, greater_of=True)
    x = with_values(
        model,
        preload_torque=80.0,
        ramp_bias_drive_loading=0.5,
        joint_fraction=0.1,
        gear_friction=0.0,
        viscous=0.0,
        static_excess=0.0,
        temperature_coefficient=0.0,
    )
    assert model.locking(x)[0] == pytest.approx(load, rel=1e-9)


@pytest.mark.parametrize("greater_of", [False, True])
def test_what_elimination_solves_is_the_model(
    greater_of: bool, data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Observations less columns times the linear unknowns is the residual, at no bench error: in which
    residuals are divided by the size that gains give to their noise."""
    rng = np.random.default_rng(1)
    corners = [0.0, 500.0, -300.0, 400.0]
    torque, stretch = path(corners)
    n = torque.size
    data = data_of(
        cells=n,
        input_torque=torque,
        difference=rng.normal(0.0, 100.0, n),
        direction=rng.choice([-1.0, 1.0], n),
        speed_difference=rng.uniform(1.0, 10.0, n),
        oil=rng.uniform(40.0, 80.0, n),
        turn_torque=np.array(corners[:-1]),
        turn_begins=np.array([True, False, False]),
        turn_near=np.array([0, 40, 80]),
        turn_before=stretch,
        locking_slope=rng.normal(0.0, 50.0, n),
        sources=(ErrorSource("z", "zero of left_torque", "transducer zero", 0.5),),
        effect_input=np.zeros((1, n)),
        effect_difference=np.full((1, n), 0.5),
        noise_share=np.zeros((1, n)),
    )
    model = model_of(data, demo_build, greater_of=greater_of)
    x = with_values(model)
    linear = [i for i, u in enumerate(model.names.unknowns) if u.linear]
    x[linear] = rng.uniform(0.05, 0.5, len(linear))
    observed, design = model.columns(x)
    np.testing.assert_allclose(observed - design @ x[linear], model.residual(x), atol=1e-9)


def test_an_error_of_the_bench_is_taken_off_both_torques(
    data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Two standard uncertainties of a source: twice its effect on input torque and difference."""
    data = data_of(
        cells=3,
        input_torque=np.array([100.0, 200.0, 300.0]),
        sources=(ErrorSource("g", "gain of left_torque", "transducer gain", 0.002),),
        effect_input=np.array([[0.1, 0.2, 0.3]]),
        effect_difference=np.array([[0.05, 0.15, 0.25]]),
        noise_share=np.array([[0.001] * 3]),
    )
    model = model_of(data, demo_build)
    x = with_values(model)
    x[model.names.position["error:g"]] = 2.0
    np.testing.assert_allclose(model.thrust(x).input_torque, [100.2, 200.4, 300.6])
    np.testing.assert_allclose(model.difference(x), [100.1, 100.3, 100.5])
    apart = model.difference(x) + data.direction * model.locking(x)
    np.testing.assert_allclose(model.residual(x), apart / 1.002)


def test_the_other_slip_direction_gives_the_opposite_difference(
    data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Locking torque doesn't know left from right."""
    one = data_of(cells=5, input_torque=np.linspace(0.0, 400.0, 5), difference=120.0)
    other = data_of(cells=5, input_torque=np.linspace(0.0, 400.0, 5), difference=-120.0, direction=np.ones(5))
    models = [model_of(data, demo_build) for data in (one, other)]
    x = with_values(models[0])
    np.testing.assert_allclose(models[0].locking(x), models[1].locking(x))
    np.testing.assert_allclose(models[0].residual(x), -models[1].residual(x))


@pytest.mark.parametrize("greater_of", [False, True])
def test_a_refit_moves_its_own_visit_alone(
    greater_of: bool, data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Two visits of one build, cells under drive, coast and no torque: +2 standard deviations of 1.5 % on the
    second one's preload, −1 of 1 % on its drive bias; what elimination solves is the same model."""
    torque = np.tile([300.0, -200.0, 0.0], 2)
    data = data_of(
        cells=6,
        input_torque=torque,
        visit=np.repeat([0, 1], 3),
        run=np.repeat([0, 1], 3),
        run_names=("first", "second"),
        run_kinds=("bias-sweep", "bias-sweep"),
        refit_spread=np.array([[0.015, 0.01], [0.015, 0.01]]),
        turn_torque=np.tile([0.0, 300.0, -200.0], 2),
        turn_begins=np.tile([True, False, False], 2),
        turn_near=np.tile([2, 0, 1], 2) + np.repeat([0, 3], 3),
        turn_before=np.array([0, 1, 2, 3, 4, 5]),
    )
    form = Form(GreaterOf() if greater_of else Additive(), Stribeck(1.0))
    model = set_up([demo_build, demo_build], data).model(form)
    names = model.names
    assert not names.unknowns[names.position["refit:preload[1]"]].considered
    plain = with_values(model)
    moved = with_values(model, **{"refit:preload[1]": 2.0, "refit:drive[1]": -1.0})
    change = model.locking(moved) - model.locking(plain)
    preload, bias = plain[names.position["preload_torque"]], plain[names.position["ramp_bias_drive_loading"]]
    thrust = model.thrust(plain).drive.mean(axis=0)
    by_hand = model.friction_factor(plain) * (0.03 * preload - 0.01 * bias * thrust)
    assert not change[:3].any()
    if greater_of:  # at 300 N·m the ramps have taken over: preload counts no more there
        assert change[3] == pytest.approx(-0.01 * bias * thrust[3] * model.friction_factor(plain)[3])
    else:
        np.testing.assert_allclose(change[3:], by_hand[3:], rtol=1e-9)
        observed, design = model.columns(plain)
        linear = [i for i, u in enumerate(names.unknowns) if u.linear]
        np.testing.assert_allclose(observed - design @ moved[linear], model.residual(moved), atol=1e-9)


def test_the_refit_of_a_single_visit_is_passed_on_as_stated(
    data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Nothing tells it from the unit itself."""
    data = data_of(cells=3, refit_spread=np.array([[0.015, 0.0]]))
    names = model_of(data, demo_build).names
    refits = [u for u in names.unknowns if u.name.startswith("refit:")]
    assert [(u.name, u.considered, u.prior_u) for u in refits] == [("refit:preload[0]", True, 1.0)]
