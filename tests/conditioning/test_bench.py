"""Arrangements, chains and doubtful constants of a rig."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import ConditionedRun, condition
from diffbench.conditioning.bench import (
    Tare,
    TorqueChain,
    at_cells,
    at_samples,
    chains_of,
    loop,
    needed_torques,
    refit_spread,
    sources,
)
from diffbench.conditioning.samples import take
from diffbench.documents import Rig
from diffbench.recording import Recording

Array = NDArray[np.float64]
Ideal = Callable[..., tuple[Array, dict[str, Array]]]
RecordingOf = Callable[..., Recording]
RigOf = Callable[..., Rig]
RunOf = Callable[..., ConditionedRun]

SPEEDS = ("left_speed", "right_speed")


@pytest.fixture
def doubtful_rig(rig_of: RigOf) -> Rig:
    """Pinion and right output, everything stated with a doubt."""
    return rig_of(
        "input-and-one-output",
        input_torque={
            "at": "pinion",
            "ratio": 3.5,
            "u_ratio": 0.001,
            "efficiency": {"value": 0.96, "u": 0.01},
            "u_gain": 0.002,
            "u_zero": "0.4 N.m",
            "lag": "10 ms",
            "u_lag": "2 ms",
        },
        right_torque={
            "u_gain": 0.001,
            "u_zero": "1 N.m",
            "drag": {"value": "1.5 N.m", "u": "0.2 N.m"},
            "inertia": {"value": "0.05 kg.m^2", "u": "0.004 kg.m^2"},
        },
        left_speed={},
        right_speed={},
    )


@pytest.fixture
def run_of(ideal: Ideal, recording_of: RecordingOf) -> RunOf:
    """Return a function that conditions an ideal sweep, as a rig reads it."""

    def make(rig: Rig, **more: Array) -> ConditionedRun:
        time, channels = ideal(noise=0.5)
        recorded = {name: values for name, values in {**channels, **more}.items() if name in rig.channel}
        runs = [("bias-sweep", recording_of(time, **recorded))]
        return condition(rig, runs, rig_key="R", visit_key="V").runs[0]

    return make


def test_both_outputs_add_up_to_the_input(both_outputs: Rig, run_of: RunOf) -> None:
    """T_in = T_L + T_R and the difference is T_L − T_R."""
    found = run_of(both_outputs).cells
    torque, difference = at_cells(both_outputs, chains_of(both_outputs, None), found)
    np.testing.assert_allclose(torque, found.readings["left_torque"] + found.readings["right_torque"])
    np.testing.assert_allclose(difference, found.readings["left_torque"] - found.readings["right_torque"])


@pytest.mark.parametrize("one", ["left_torque", "right_torque"])
def test_one_output_and_the_input_give_the_other(
    one: str, rig_of: RigOf, both_outputs: Rig, ideal: Ideal, recording_of: RecordingOf
) -> None:
    """The same unit in both arrangements reads the same input torque and torque difference."""
    time, channels = ideal(noise=0.5)
    rig = rig_of("input-and-one-output", **{name: {} for name in ("input_torque", one, *SPEEDS)})
    with_input = {
        "input_torque": channels["left_torque"] + channels["right_torque"],
        one: channels[one],
        **{name: channels[name] for name in SPEEDS},
    }
    found = []
    for each, have in ((both_outputs, channels), (rig, with_input)):
        samples = take(recording_of(time, **have), each, torque_channels=needed_torques(each))
        found.append(at_samples(each, chains_of(each, None), samples))
    good = np.isfinite(found[0][0]) & np.isfinite(found[1][0])
    assert good.sum() > 1990
    for first, second in zip(found[0], found[1], strict=True):
        np.testing.assert_allclose(first[good], second[good], atol=1e-9)


def test_a_tare_run_stands_for_zero_and_drag(rig_of: RigOf) -> None:
    """It replaces the stated drag, and the stated doubt of the zero by its own; a gain keeps its doubt."""
    stated = {"drag": {"value": "1.5 N.m", "u": "0.2 N.m"}, "u_zero": "0.8 N.m", "u_gain": 0.001}
    rig = rig_of(left_torque=stated, right_torque=stated, left_speed={}, right_speed={})
    tared = Tare({"left_torque": 2.25}, {"left_torque": 0.03}, 1)
    made = chains_of(rig, tared)
    assert (made["left_torque"].tare, made["left_torque"].drag) == (2.25, 0.0)
    assert (made["right_torque"].tare, made["right_torque"].drag) == (0.0, 1.5)
    found = sources(rig, tared, rig_key="R", visit_key="V")
    assert found["left_torque", "tare"].u == 0.03
    assert ("left_torque", "zero") not in found
    assert ("left_torque", "drag") not in found
    assert found["right_torque", "zero"].u == 0.8
    assert found["right_torque", "drag"].u == 0.2
    assert found["left_torque", "gain"].u == 0.001


def test_what_belongs_to_the_rig_is_one_error_over_all_visits(doubtful_rig: Rig) -> None:
    """A gain is the flange's own; a zero is set anew at every visit."""
    one, two = (sources(doubtful_rig, None, rig_key="R", visit_key=v) for v in ("V1", "V2"))
    assert one["right_torque", "gain"].key == two["right_torque", "gain"].key
    assert one["input_torque", "efficiency"].key == two["input_torque", "efficiency"].key
    assert one["right_torque", "zero"].key != two["right_torque", "zero"].key


def silent_about_hysteresis(rig: Rig) -> Rig:
    """The rig with its allowance for hysteresis switched off."""
    return rig.model_copy(update={"allowance": rig.allowance.model_copy(update={"hysteresis": 0.0})})


def test_what_is_not_stated_is_no_source(both_outputs: Rig) -> None:
    """But for what any rig's allowance says: flanges that stay behind by 0.05 % and read 0.1 % of each other;
    0 switches that off."""
    assert [s.u for s in sources(both_outputs, None, rig_key="R", visit_key="V").values()] == [
        *(0.0005, 0.0005),
        0.001,
    ]
    silent = silent_about_hysteresis(both_outputs).model_copy(update={"cross_talk": 0.0})
    assert sources(silent, None, rig_key="R", visit_key="V") == {}


def test_flanges_that_read_each_other_shrink_what_they_differ_by(both_outputs: Rig, run_of: RunOf) -> None:
    """``R_L = T_L + s T_R``, ``R_R = T_R + s T_L``: by hand the difference is (1 − s) of the true one and the
    sum (1 + s), on both flanks and with slip both ways alike. So no sweep shows it, and it is not searched:
    taken off, the difference grows and the sum shrinks."""
    rig = silent_about_hysteresis(both_outputs).model_copy(update={"cross_talk": 0.002})
    (source,) = sources(rig, None, rig_key="R", visit_key="V").values()
    assert source.considered
    assert source.group == "cross-talk of the flanges"
    run = run_of(rig)
    (effect,) = run.effects.values()
    np.testing.assert_allclose(effect.difference, 0.002 * run.difference, atol=1e-9)
    # the course of a cell's input torque is smoothed along the sweep, by less than a hundredth of the effect
    np.testing.assert_allclose(effect.input_torque, -0.002 * run.input_torque, atol=0.004)


def test_every_effect_is_what_the_wrong_constant_does(
    doubtful_rig: Rig, run_of: RunOf, triangle_of: Callable[..., Array]
) -> None:
    """By hand, for each constant at the pinion and at the output. T_in = r η T_p in drive, r T_p/η in
    coast; the difference with the right output measured is T_in − 2 T_R."""
    whole = triangle_of(np.arange(2000) / 50.0, -300.0, 600.0, 10.0)
    pinion = whole / 3.5 * np.where(whole >= 0, 1.0 / 0.96, 0.96)
    run = run_of(doubtful_rig, input_torque=pinion)
    found = run.cells
    doubtful = sources(doubtful_rig, None, rig_key="R", visit_key="V")
    effects = {key: run.effects[source.key] for key, source in doubtful.items()}
    reading, rate = found.readings["input_torque"], found.rates["input_torque"]
    corrected = reading + 0.01 * rate
    drive = corrected >= 0
    through = np.where(drive, 3.5 * 0.96, 3.5 / 0.96)
    # a cell at the change of power flow may change sides by the error: it is left to itself
    clear = np.abs(corrected) > 2.0

    def same(key: tuple[str, str], torque: Array, difference: Array) -> None:
        np.testing.assert_allclose(effects[key].input_torque[clear], torque[clear], atol=1e-6, rtol=2e-4)
        np.testing.assert_allclose(effects[key].difference[clear], difference[clear], atol=1e-6, rtol=2e-4)

    zero = np.zeros_like(reading)
    for key, torque in {
        ("input_torque", "gain"): 0.002 * reading * through,
        ("input_torque", "zero"): 0.4 * through,
        ("input_torque", "lag"): 0.002 * rate * through,
        ("input_torque", "ratio"): 0.001 * corrected * through / 3.5,
        ("input_torque", "efficiency"): 0.01 * corrected * np.where(drive, 3.5, -3.5 / 0.96**2),
    }.items():
        same(key, torque, torque)
    for key, torque in {
        ("right_torque", "gain"): 0.001 * found.readings["right_torque"],
        ("right_torque", "zero"): 1.0 + zero,
        ("right_torque", "drag"): 0.2 + zero,
        ("right_torque", "inertia"): 0.004 * found.accelerations["right"],
    }.items():
        same(key, zero, -2.0 * torque)


def test_no_shaft_speed_counts_as_turning_forward_steadily(rig_of: RigOf, run_of: RunOf) -> None:
    """A bench that logs the speed difference alone: drag still acts, inertia has nothing to act on."""
    heavy = {"drag": "1.5 N.m", "inertia": "0.05 kg.m^2"}
    rig = rig_of(left_torque=heavy, right_torque=heavy, speed_difference={})
    time = np.arange(2000) / 50.0
    difference = np.where(np.floor(time / 10.0) % 2 == 0, 4.0, -4.0)
    found = run_of(rig, speed_difference=difference).cells
    torque, apart = at_cells(rig, chains_of(rig, None), found)
    left, right = found.readings["left_torque"], found.readings["right_torque"]
    np.testing.assert_allclose(torque, left + right + 3.0)
    np.testing.assert_allclose(apart, left - right)


def test_a_stated_hysteresis_is_a_source_of_its_own(rig_of: RigOf, run_of: RunOf) -> None:
    """What stays behind by u in the middle of the widest cycle, nothing at its turns; of one output it is in
    the sum and in the difference alike. No sweep tells it from the ramps' own, so it is not searched."""
    rig = rig_of(left_torque={"hysteresis": "0.4 N.m"}, right_torque={}, left_speed={}, right_speed={})
    rig = silent_about_hysteresis(rig).model_copy(update={"cross_talk": 0.0})
    (source,) = sources(rig, None, rig_key="R", visit_key="V").values()
    assert (source.group, source.u, source.considered) == ("hysteresis of the transducers", 0.4, True)
    run = run_of(rig)
    (effect,) = run.effects.values()
    np.testing.assert_allclose(effect.difference, effect.input_torque)
    settled = run.cells.time > 20.0
    assert np.abs(effect.difference[settled]).max() == pytest.approx(0.4, rel=0.1)
    reading = run.cells.readings["left_torque"]
    at_the_top = settled & (reading > 0.98 * reading.max())
    assert np.abs(effect.difference[at_the_top]).max() < 0.1


def test_a_hysteresis_that_nobody_stated_counts_by_the_largest_reading(
    both_outputs: Rig, run_of: RunOf
) -> None:
    """0.05 % of it, each flange by itself; a channel that states its own counts by that alone."""
    rig = both_outputs.model_copy(update={"cross_talk": 0.0})
    one, other = sources(rig, None, rig_key="R", visit_key="V").values()
    assert {one.group, other.group} == {"hysteresis of the transducers, allowed for"}
    run = run_of(rig)
    settled = run.cells.time > 20.0
    for source, name in ((one, "left_torque"), (other, "right_torque")):
        largest = np.abs(run.cells.readings[name]).max()
        found = np.abs(run.effects[source.key].difference[settled]).max()
        assert found == pytest.approx(0.0005 * largest, rel=0.1)


def test_what_is_allowed_for_is_told_from_what_is_stated(both_outputs: Rig) -> None:
    quiet = silent_about_hysteresis(both_outputs)
    (allowed,) = sources(quiet, None, rig_key="R", visit_key="V").values()
    stated = quiet.model_copy(update={"cross_talk": 0.001})
    (said,) = sources(stated, None, rig_key="R", visit_key="V").values()
    assert (allowed.group, said.group) == (
        "cross-talk of the flanges, allowed for",
        "cross-talk of the flanges",
    )
    assert allowed.u == said.u


@pytest.mark.parametrize("lag", [0.0, 20.0])
def test_the_lag_of_a_temperature_is_taken_off(
    lag: float, rig_of: RigOf, ideal: Ideal, recording_of: RecordingOf
) -> None:
    """Oil that warms by 0.05 K/s, read by a sensor of first order: late by the rate times the lag, 1 K."""
    time, channels = ideal(cycles=12)
    rig = rig_of(
        left_torque={}, right_torque={}, left_speed={}, right_speed={}, time={},
        oil_temperature={"lag": f"{lag} s", "u_lag": "5 s", "u_zero": "0.3 K"},
    )  # fmt: skip
    true = 50.0 + 0.05 * time
    channels["oil_temperature"] = true - 0.05 * lag * -np.expm1(-time / max(lag, 1e-9))
    visit = condition(rig, [("bias-sweep", [recording_of(time, **channels)])], rig_key="R", visit_key="V")
    cells = visit.runs[0].cells
    assert cells.oil is not None
    inner = (cells.time > 15.0) & (cells.time < time[-1] - 15.0)
    np.testing.assert_allclose(cells.oil[inner], 50.0 + 0.05 * cells.time[inner], atol=0.02)
    # the zero's own, and 5 s at 0.05 K/s
    assert visit.temperature_u == pytest.approx(float(np.hypot(0.3, 0.25)), rel=0.05)


def test_a_loop_is_a_lens_over_each_cycle(triangle_of: Callable[..., Array]) -> None:
    """Twenty elements that slip at loads up to half of the span: one in the middle of the widest cycle,
    nothing at its turns; over a cycle of half the span a quarter. A reading that stands has none."""
    time = np.arange(4001) / 100.0
    wide = loop(triangle_of(time, -100.0, 300.0, 20.0))
    # after the first cycle: at a turn, on the way up, at the other turn, on the way down; it stays behind
    assert wide[[2000, 2500, 3000, 3500]] == pytest.approx([0.0, -1.0, 0.0, 1.0], abs=6e-3)
    small = np.concatenate([triangle_of(time, -100.0, 300.0, 20.0), triangle_of(time, -100.0, 100.0, 20.0)])
    up, down = loop(small)[4001 + 2500], loop(small)[4001 + 3500]
    assert 0.5 * (down - up) == pytest.approx(0.25, abs=0.01)
    assert loop(np.full(7, 40.0)).tolist() == [0.0] * 7


def test_losses_of_a_reduction_follow_the_power() -> None:
    """96 % on the way to the wheels, one over it on the way back; a shaft that stands counts as turning
    forward; no torque is none."""
    pinion, still = TorqueChain(side=-1, ratio=3.0, efficiency=0.96), np.zeros(1)

    def at(torque: float, speed: float) -> float:
        return float(pinion.at_unit(np.array([torque]), still, np.array([speed]), still)[0])

    forth, back = 3.0 * 0.96, 3.0 / 0.96
    for speed in (0.0, 1.0, 60.0):
        assert at(100.0, speed) == pytest.approx(100.0 * forth)
        assert at(0.5, speed) == pytest.approx(0.5 * forth)
        assert at(-0.5, speed) == pytest.approx(-0.5 * back)
    assert at(100.0, -60.0) == pytest.approx(100.0 * back)
    assert at(-100.0, -60.0) == pytest.approx(-100.0 * forth)
    assert at(0.0, 60.0) == 0.0


def test_refits_scatter_as_the_rig_states(both_outputs: Rig) -> None:
    """Preload and ramp bias, each nothing where it is not stated."""
    assert refit_spread(both_outputs) == (0.0, 0.0)

    def stated(**known: float) -> tuple[float, float]:
        found = both_outputs.repeatability.model_copy(update=known)
        return refit_spread(both_outputs.model_copy(update={"repeatability": found}))

    assert stated(preload_torque=0.02) == (0.02, 0.0)
    assert stated(ramp_bias=0.01) == (0.0, 0.01)
    assert stated(preload_torque=0.02, ramp_bias=0.01) == (0.02, 0.01)
