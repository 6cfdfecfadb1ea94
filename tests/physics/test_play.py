"""The play operator against the loop that defines it, and the properties of a hysteresis without rate."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from diffbench.physics.plate_heat import affine_recurrence
from diffbench.physics.ramps import at_turns, between_turns

Samples = NDArray[np.float64]

reproducible = settings(derandomize=True, deadline=None, max_examples=50)
thorough = settings(reproducible, max_examples=200)

torques = st.floats(-2000.0, 2000.0, allow_nan=False)
# Levels that repeat bring pauses, returns to the very same torque, and stretches of one sample.
levels = st.sampled_from([-300.0, -150.0, 0.0, 100.0, 140.0, 150.0, 210.0, 300.0])
histories = st.lists(st.one_of(torques, levels), min_size=1, max_size=60).map(np.array)
ratios = st.floats(1.0, 5.0)
starts = st.one_of(st.none(), st.floats(0.0, 3000.0))


def loop(torque: Samples, ratio: float, start: float | None) -> list[float]:
    """The definition, sample by sample."""
    flank = [max(t, 0.0) for t in torque.tolist()]
    w = flank[0] if start is None else start
    result = []
    for t in flank:
        w = max(t, min(w, ratio * t))
        result.append(w)
    return result


def play(torque: ArrayLike, ratio: float, start: float | None = None) -> Samples:
    """The operator over a history as the fit has it: over its turning points, then between them."""
    history = np.asarray(torque, dtype=float)
    loading = np.maximum(history, 0.0)
    first = loading[0] if start is None else np.clip(start, loading[0], ratio * loading[0])
    steps = np.diff(history)
    moving = np.flatnonzero(steps)
    rising = steps[moving] > 0.0
    turns = np.append(moving[np.flatnonzero(rising[1:] != rising[:-1])] + 1, history.size - 1)
    walked = at_turns(loading[turns], ratio * loading[turns], float(first))
    before = np.searchsorted(turns, np.arange(history.size), side="left")
    return between_turns(history, np.array(ratio), np.append(first, walked)[before])


@given(torque=histories, ratio=ratios, start=starts)
@thorough
def test_equal_to_the_loop_over_samples(torque: Samples, ratio: float, start: float | None) -> None:
    assert play(torque, ratio, start).tolist() == loop(torque, ratio, start)
    assert play(-torque, ratio, start).tolist() == loop(-torque, ratio, start)


@given(torque=histories, ratio=ratios, start=st.floats(0.0, 3000.0))
@reproducible
def test_every_sample_may_stand_for_a_turn(torque: Samples, ratio: float, start: float) -> None:
    loading = np.maximum(torque, 0.0)
    assert at_turns(loading, ratio * loading, start).tolist() == loop(torque, ratio, start)


@pytest.mark.parametrize("noise", [0.0, 5.0], ids=["clean", "noisy: a turning point at every second sample"])
def test_equal_to_the_loop_on_a_long_sweep(noise: float) -> None:
    time = np.arange(20_011) / 100.0
    torque = 800.0 * np.sin(0.31 * time) + np.random.default_rng(20260315).normal(0.0, noise, time.size)
    assert play(torque, 1.6).tolist() == loop(torque, 1.6, None)


@given(torque=histories, ratio=ratios, start=starts)
@reproducible
def test_thrust_stays_between_its_two_limits(torque: Samples, ratio: float, start: float | None) -> None:
    flank = np.maximum(torque, 0.0)
    w = play(torque, ratio, start)
    assert np.all(w >= flank)
    assert np.all(w <= ratio * flank)


@given(torque=histories, start=starts)
@reproducible
def test_without_ramp_friction_thrust_follows_the_torque(torque: Samples, start: float | None) -> None:
    assert play(torque, 1.0, start).tolist() == np.maximum(torque, 0.0).tolist()


@given(torque=histories, ratio=ratios, repeats=st.integers(2, 4))
@reproducible
def test_only_the_order_counts_and_not_the_pace(torque: Samples, ratio: float, repeats: int) -> None:
    """Rate independence: the same history played slower, with pauses, ends each sample alike."""
    slower = np.repeat(torque, repeats)
    assert play(slower, ratio)[repeats - 1 :: repeats].tolist() == play(torque, ratio).tolist()


@given(torque=histories, ratio=ratios, low=st.floats(0.0, 3000.0), more=st.floats(0.0, 500.0))
@reproducible
def test_more_thrust_before_never_means_less_after(
    torque: Samples, ratio: float, low: float, more: float
) -> None:
    assert np.all(play(torque, ratio, low) <= play(torque, ratio, low + more))


@given(torque=histories, ratio=ratios, lift=st.floats(0.0, 500.0))
@reproducible
def test_more_torque_throughout_never_means_less_thrust(torque: Samples, ratio: float, lift: float) -> None:
    assert np.all(play(torque, ratio) <= play(torque + lift, ratio))


@given(torque=histories, ratio=ratios, more=st.floats(0.0, 2.0))
@reproducible
def test_more_ramp_friction_never_means_less_thrust_from_loading(
    torque: Samples, ratio: float, more: float
) -> None:
    """From a start on the loading branch, play only ever holds thrust back on the way down."""
    assert np.all(play(torque, ratio) <= play(torque, ratio + more))


@given(past=histories, ratio=ratios, torque=histories)
@reproducible
def test_a_peak_wipes_out_what_was_before(past: Samples, ratio: float, torque: Samples) -> None:
    """Wiping-out: after a torque above all that went before, the past no longer matters."""
    peak = ratio * np.abs(past).max() + 1.0
    after = play(np.concatenate([past, [peak], torque]), ratio)[past.size :]
    assert after.tolist() == play(np.concatenate([[peak], torque]), ratio).tolist()


@given(past=histories, ratio=ratios, torque=histories)
@reproducible
def test_a_change_of_flank_wipes_out_what_was_before(past: Samples, ratio: float, torque: Samples) -> None:
    after = play(np.concatenate([past, [-1.0], torque]), ratio)[past.size :]
    assert after.tolist() == play(np.concatenate([[-1.0], torque]), ratio).tolist()


@given(torque=histories, ratio=ratios)
@reproducible
def test_repeating_a_cycle_changes_nothing_after_its_first_turn(torque: Samples, ratio: float) -> None:
    """Return-point memory: a closed minor cycle ends on the same loop each time."""
    cycles = play(np.tile(torque, 3), ratio).reshape(3, -1)
    assert cycles[1].tolist() == cycles[2].tolist()


@given(torque=histories, ratio=ratios, cut=st.integers(0, 59), start=starts)
@reproducible
def test_a_history_may_be_cut_and_carried_on(
    torque: Samples, ratio: float, cut: int, start: float | None
) -> None:
    """Semigroup: going on from the thrust at the cut is the same as never having stopped."""
    cut = min(cut, torque.size - 1)
    whole = play(torque, ratio, start)
    assert play(torque[cut:], ratio, float(whole[cut])).tolist() == whole[cut:].tolist()


def work_of_step(before: float, after: float, carried: float, ratio: float) -> float:
    """Integral of w over a move of the flank torque, exactly: held, then along a limit."""
    if after >= before:
        bend = min(max(carried, before), after)
        return carried * (bend - before) + (after**2 - bend**2) / 2.0
    bend = min(max(carried / ratio, after), before)
    return carried * (bend - before) + ratio * (after**2 - bend**2) / 2.0


@given(torque=histories, ratio=ratios)
@reproducible
def test_friction_of_the_ramp_only_takes_energy(torque: Samples, ratio: float) -> None:
    """Around a closed cycle thrust is higher on the way down than on the way up: the loop integral of w dT is
    not positive, apart from the rounding of a sum of numbers up to ratio times the torque squared.
    """
    twice = np.tile(torque, 2)
    flank, w = np.maximum(twice, 0.0), play(twice, ratio)
    second = range(torque.size, twice.size)
    loop_integral = sum(work_of_step(flank[i - 1], flank[i], w[i - 1], ratio) for i in second)
    assert loop_integral <= 1e-12 * ratio * torque.size * np.max(flank) ** 2


def test_the_textbook_loop() -> None:
    """Analytic: up to 100 and back at a ratio of 1.5 it lets go at 100/1.5, up again it holds 30 · 1.5."""
    torque = [0.0, 100.0, 70.0, 60.0, 30.0, 40.0, 50.0, 0.0]
    assert play(torque, 1.5).tolist() == [0.0, 100.0, 100.0, 90.0, 45.0, 45.0, 50.0, 0.0]


def test_a_start_outside_the_limits_is_taken_to_the_nearer_one() -> None:
    assert play([100.0], 1.5, 0.0).tolist() == [100.0]
    assert play([100.0], 1.5, 1000.0).tolist() == [150.0]


@given(
    gains=st.lists(st.floats(-1.0, 1.0), min_size=0, max_size=60),
    start=st.floats(-100.0, 100.0),
    offset=st.floats(-10.0, 10.0),
)
@reproducible
def test_affine_recurrence_is_the_loop_over_samples(gains: list[float], start: float, offset: float) -> None:
    gain = np.array(gains, dtype=float)
    offsets = offset * np.cos(np.arange(gain.size))
    x, expected = start, []
    for a, b in zip(gain.tolist(), offsets.tolist(), strict=True):
        x = a * x + b
        expected.append(x)
    # Each step may round by half a unit in the last place of numbers up to 100 + 60 · 10.
    np.testing.assert_allclose(
        affine_recurrence(gain, offsets, start), expected, rtol=0.0, atol=60 * 700 * 2.3e-16
    )


def test_no_turns_leave_nothing() -> None:
    assert at_turns(np.empty(0), np.empty(0), 1.0).shape == (0,)
