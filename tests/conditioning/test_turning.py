"""Turning points of sweeps: triangles, sines, noise, holds."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from diffbench.conditioning.course import (
    Sweep,
    TurningPoint,
    bin_means,
    crossings,
    history_of,
    joined_sweep,
    speed_stretch,
    sweep_of,
    turning_points,
)

Array = NDArray[np.float64]
ArrayOf = Callable[..., Array]


def test_a_triangle_turns_at_its_corners(triangle_of: ArrayOf) -> None:
    """Corners between two averages are found between them: straight flanks meet there, to rounding."""
    time = np.arange(0.0, 40.0, 0.1) + 0.03
    turns = turning_points(time, triangle_of(time, -300.0, 600.0, 10.0), threshold=20.0)
    np.testing.assert_allclose([p.time for p in turns], [5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0], atol=1e-6)
    np.testing.assert_allclose([p.value for p in turns], [600.0, -300.0] * 3 + [600.0], atol=1e-4)


def test_a_sine_turns_at_its_peaks() -> None:
    """A parabola over a sixth of each flank misses a sine's peak by less than 0.1 % of its amplitude: it
    takes up most of the cosine's next term, (π/6)⁴/24 = 0.3 %."""
    time = np.arange(0.0, 30.0, 0.1)
    turns = turning_points(time, 400.0 * np.sin(2 * np.pi * time / 10.0), threshold=20.0)
    np.testing.assert_allclose([p.time for p in turns], np.arange(2.5, 30.0, 5.0), atol=0.15)
    np.testing.assert_allclose([p.value for p in turns], [400.0, -400.0] * 3, atol=0.4)


@pytest.mark.parametrize("seed", range(5))
def test_noise_makes_no_turns_and_hardly_moves_them(seed: int, triangle_of: ArrayOf) -> None:
    """Noise of a quarter of the threshold; a turn's value is good to about one standard deviation of it."""
    time = np.arange(0.0, 60.0, 0.1)
    values = triangle_of(time, -300.0, 600.0, 20.0)
    noisy = values + np.random.default_rng(seed).normal(0.0, 5.0, time.size)
    turns = turning_points(time, noisy, threshold=20.0)
    np.testing.assert_allclose([p.time for p in turns], [10.0, 20.0, 30.0, 40.0, 50.0], atol=0.3)
    # parabolas over 12 of 100 averages leave some two thirds of the noise at their end: three of these, and
    # a misplaced turn costs up to 0.3 s times half the 90 N·m/s of a flank
    np.testing.assert_allclose([p.value for p in turns], [600.0, -300.0, 600.0, -300.0, 600.0], atol=20.0)


def test_a_hold_at_the_peak_is_one_turn() -> None:
    """Up, held for 5 s, down: one turn, at the value of the hold, somewhere in it."""
    time = np.arange(0.0, 25.0, 0.1)
    turns = turning_points(time, np.interp(time, [0, 10, 15, 25], [0, 500, 500, 0]), threshold=10.0)
    assert len(turns) == 1
    assert turns[0].value == pytest.approx(500.0, abs=5.0)
    assert 9.8 <= turns[0].time <= 15.2


def test_a_hold_on_the_way_is_no_turn() -> None:
    time = np.arange(0.0, 25.0, 0.1)
    rising = np.interp(time, [0, 10, 15, 25], [0, 250, 250, 500])
    noisy = rising + np.random.default_rng(3).normal(0.0, 2.0, time.size)
    assert turning_points(time, noisy, threshold=16.0) == ()


def test_a_sweep_that_only_rises_has_none() -> None:
    time = np.arange(0.0, 10.0, 0.1)
    assert turning_points(time, 30.0 * time, threshold=5.0) == ()
    assert turning_points(time, -30.0 * time, threshold=5.0) == ()


def test_a_wobble_at_the_start_is_no_turn() -> None:
    """What stays within the threshold of the first value has turned nothing round."""
    time = np.arange(0.0, 20.0, 0.1)
    values = np.interp(time, [0, 1, 2, 20], [0, 8, 0, 500])
    assert turning_points(time, values, threshold=10.0) == ()


@given(st.lists(st.floats(30.0, 500.0), min_size=2, max_size=8), st.floats(-1e3, 1e3), st.booleans())
def test_zigzags_of_any_heights_turn_where_they_should(
    heights: list[float], begin: float, falls: bool
) -> None:
    """As many turns as corners, alternating, each at its corner; upside down the same with the other sign."""
    signs = (-1.0) ** (np.arange(len(heights)) + falls)
    corners = begin + np.concatenate([[0.0], np.cumsum(signs * heights)])
    knots = np.arange(corners.size) * 5.0
    time = np.arange(0.0, knots[-1] + 0.05, 0.1)
    values = np.interp(time, knots, corners)
    turns = turning_points(time, values, threshold=20.0)
    np.testing.assert_allclose([p.time for p in turns], knots[1:-1], atol=0.06)
    # half an average's step on the steeper flank, 100 N·m/s
    np.testing.assert_allclose([p.value for p in turns], corners[1:-1], atol=5.0)
    mirrored = turning_points(time, -values, threshold=20.0)
    assert [p.time for p in mirrored] == pytest.approx([p.time for p in turns])
    assert [-p.value for p in mirrored] == pytest.approx([p.value for p in turns])


def test_a_time_knows_its_stretch_and_its_segment() -> None:
    """By hand: a stretch is one further on after each turn, and after each gap that may hide one; what lies
    off the averages at either end belongs to the nearest."""
    time = np.array([0.5, 1.5, 2.5, 5.5, 6.5, 20.5])
    turns = tuple(TurningPoint(at, 3.0) for at in (2.1, 6.2))
    gaps = np.array([0, 0, 0, 1, 1, 2])
    sweep = Sweep(time, 40.0 * time, gaps, turns, stretch_duration=4.1, threshold=0.7, step=1.3)
    stretch, segment = sweep.numbers(np.array([0.2, 2.3, 6.0, 6.4, 30.0]))
    assert segment.tolist() == [0, 0, 1, 1, 2]
    assert stretch.tolist() == [0, 1, 2, 3, 4]


def samples_of(time: Array, difference: Array | None = None) -> Any:
    """What a course needs of samples: times, their step, and the speed difference."""
    motion = SimpleNamespace(speed_difference=np.full(time.size, 4.0) if difference is None else difference)
    return SimpleNamespace(time=time, step=float(np.median(np.diff(time))), motion=motion)


def test_a_sweep_is_averaged_over_a_tenth_of_a_second(triangle_of: ArrayOf) -> None:
    """Of 100 Hz ten samples: a threshold of a fiftieth of the visit's torque, 18 of 900 N·m; stretches of
    five seconds from turn to turn."""
    time = np.arange(4000) / 100.0
    course = sweep_of(samples_of(time), triangle_of(time, -300.0, 600.0, 10.0), scale=900.0)
    assert course.time[:2] == pytest.approx([0.045, 0.145])
    # 180 N·m/s from −300 N·m on
    assert course.torque[:2] == pytest.approx([-300.0 + 180.0 * 0.045, -300.0 + 180.0 * 0.145])
    assert course.time.size == 400
    assert (course.threshold, course.step) == (pytest.approx(18.0), pytest.approx(0.1))
    assert course.stretch_duration == pytest.approx(5.0, abs=1e-3)
    assert [turn.time for turn in course.turns] == pytest.approx(
        [5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0], abs=0.01
    )
    assert not course.segment.any()


def test_a_slow_logger_is_not_averaged_at_all(triangle_of: ArrayOf) -> None:
    """Of 5 Hz a tenth of a second is half a sample: each counts by itself; so it does where 300 turns
    follow each other at 20 Hz, forty a stretch being less than a sample."""
    time = np.arange(200) / 5.0
    course = sweep_of(samples_of(time), triangle_of(time, -300.0, 600.0, 10.0), scale=900.0)
    assert course.time == pytest.approx(time)
    assert course.torque == pytest.approx(triangle_of(time, -300.0, 600.0, 10.0))
    assert course.step == pytest.approx(0.2)
    time = np.arange(4000) / 20.0
    quick = sweep_of(samples_of(time), triangle_of(time, -300.0, 600.0, 2.0), scale=900.0)
    assert quick.step == pytest.approx(0.05)
    assert quick.time == pytest.approx(time)


def test_noise_raises_what_confirms_a_turn(triangle_of: ArrayOf) -> None:
    """Eight of the noise of a mean: of ±30 N·m in turn 1.4826 · 120/√6 = 72.63 N·m, over √10, times 8."""
    time = np.arange(4000) / 100.0
    torque = triangle_of(time, -300.0, 600.0, 10.0) + 30.0 * (-1.0) ** np.arange(4000)
    assert sweep_of(samples_of(time), torque, scale=900.0).threshold == pytest.approx(183.7, rel=0.01)


def test_a_quick_sweep_has_forty_averages_a_stretch(triangle_of: ArrayOf) -> None:
    """Of 1 s from turn to turn, at 1 kHz: 40 s by 39 turns by 40 are 26 samples; of 4 s a tenth of a second
    as ever. Three seconds are the border."""
    time = np.arange(40_000) / 1000.0
    quick = sweep_of(samples_of(time), triangle_of(time, -300.0, 600.0, 2.0), scale=900.0)
    assert len(quick.turns) == 39
    assert quick.step == pytest.approx(0.026)
    slow = sweep_of(samples_of(time), triangle_of(time, -300.0, 600.0, 8.0), scale=900.0)
    assert (len(slow.turns), slow.step) == (9, pytest.approx(0.1))
    # four turns are too few to go by, however quick
    few = sweep_of(samples_of(time[:5000]), triangle_of(time[:5000], -300.0, 600.0, 2.0), scale=900.0)
    assert (len(few.turns), few.step) == (4, pytest.approx(0.1))
    for period, step in ((5.4, 0.071), (6.8, 0.1)):
        one = sweep_of(samples_of(time), triangle_of(time, -300.0, 600.0, period), scale=900.0)
        assert one.step == pytest.approx(step, abs=0.003), period


def test_a_gap_that_may_hide_a_turn_parts_the_sweep(triangle_of: ArrayOf) -> None:
    """A tenth of a stretch of 5 s: 0.6 s part it, 0.3 s do not, and no average reaches over either."""
    time = np.arange(4000) / 100.0
    for lost, parts in ((0.3, 1), (0.6, 2)):
        kept = (time < 12.0) | (time >= 12.0 + lost)
        course = sweep_of(samples_of(time[kept]), triangle_of(time[kept], -300.0, 600.0, 10.0), scale=900.0)
        assert course.segment[-1] + 1 == parts
        before = course.time < 12.0 + 0.5 * lost
        assert course.time[before].max() == pytest.approx(11.945)
        assert course.time[~before].min() == pytest.approx(12.0 + lost + 0.045)
        if parts == 2:
            np.testing.assert_array_equal(course.segment, (~before).astype(int))
    # each part is followed by itself: what turned within the gap was not seen
    kept = (time < 9.0) | (time >= 11.5)
    course = sweep_of(samples_of(time[kept]), triangle_of(time[kept], -300.0, 600.0, 10.0), scale=900.0)
    assert [round(turn.time, 1) for turn in course.turns] == [5.0, 15.0, 20.0, 25.0, 30.0, 35.0]


def test_what_is_left_of_a_piece_goes_with_the_average_before() -> None:
    """Of 104 samples the last four, of 106 six are an average of their own."""
    for count, sizes in ((104, 10), (106, 11)):
        time = np.arange(count) / 100.0
        course = sweep_of(samples_of(time), 30.0 * time, scale=900.0)
        assert course.time.size == sizes
    last = course.time[-1]
    assert last == pytest.approx(np.mean(time[100:]))


def test_missing_torques_are_left_out() -> None:
    time = np.arange(1000) / 100.0
    torque = np.where((time > 3.0) & (time < 3.05), np.nan, 90.0 * time)
    course = sweep_of(samples_of(time), torque, scale=900.0)
    np.testing.assert_allclose(course.torque, 90.0 * course.time)


def sweep(torque: Array, *, segment: Array | None = None, turns: tuple[TurningPoint, ...] = ()) -> Sweep:
    """A course of averages a second apart, from half a second on."""
    time = 0.5 + np.arange(torque.size)
    gaps = np.zeros(torque.size, dtype=np.int64) if segment is None else segment
    return Sweep(time, torque, gaps, turns, stretch_duration=5.0, threshold=10.0, step=1.0)


def test_the_torque_passes_zero_between_averages_that_stand_clear_of_it() -> None:
    """−30 at 1.5 s, +60 at 4.5 s with wobbles between: a third of the way, 2.5 s. Within the threshold, or
    over a gap, nothing passes."""
    torque = np.array([-60.0, -30.0, 9.0, -9.0, 60.0, 90.0, -90.0])
    assert crossings(sweep(torque)).tolist() == pytest.approx([2.5, 6.0])
    parted = np.array([0, 0, 0, 0, 0, 0, 1])
    assert crossings(sweep(torque, segment=parted)).tolist() == pytest.approx([2.5])
    assert crossings(sweep(np.array([-10.0, 10.0, -10.0]))).size == 0
    assert crossings(sweep(np.array([-10.1, 10.1]))).tolist() == pytest.approx([1.0])


def test_a_history_begins_by_a_line_and_goes_from_turn_to_turn() -> None:
    """20 N·m a second from 10 N·m at the first average's begin; after the gap, two averages tell no line.
    Cells know the start or turn before them."""
    torque = np.concatenate([20.0 + 20.0 * np.arange(8.0), [55.0, 45.0]])
    segment = np.array([0] * 8 + [1] * 2)
    course = sweep(torque, segment=segment, turns=(TurningPoint(6.2, 137.0),))
    found = history_of(np.array([0.1, 3.0, 6.2, 7.0, 9.4]), course)
    assert found.torque.tolist() == pytest.approx([10.0, 137.0, 55.0])
    assert found.begins.tolist() == [True, False, True]
    assert found.near.tolist() == [1, 2, 4]
    assert found.before.tolist() == [0, 0, 1, 1, 2]


def test_the_line_of_a_beginning_ends_at_the_first_turn_and_at_a_dozen() -> None:
    """What comes after either has no say: a course that bends there begins where the first averages do."""
    bent = np.concatenate([20.0 + 20.0 * np.arange(12.0), np.full(8, 999.0)])
    found = history_of(np.array([1.0]), sweep(bent))
    assert found.torque[0] == pytest.approx(10.0)
    turned = np.concatenate([20.0 + 20.0 * np.arange(5.0), 100.0 - 50.0 * np.arange(6.0)])
    found = history_of(np.array([1.0]), sweep(turned, turns=(TurningPoint(4.9, 108.0),)))
    assert found.torque[0] == pytest.approx(10.0)
    early = sweep(turned, turns=(TurningPoint(2.2, 55.0), TurningPoint(0.4, 3.0)))
    # two averages before the turn at 2.2 s: the first as it is, after the turn at 0.4 s
    made = history_of(np.array([1.0]), early)
    assert made.torque.tolist() == [3.0, 20.0, 55.0]
    assert made.begins.tolist() == [False, True, False]


def test_parts_of_a_sweep_are_followed_as_one(triangle_of: ArrayOf) -> None:
    """The larger threshold and step of both; turns of the whole; a part by itself stays as it is."""
    time = np.arange(8000) / 100.0
    torque = triangle_of(time, -300.0, 600.0, 20.0)
    parts = [
        sweep_of(samples_of(time[a:b]), torque[a:b], scale=scale)
        for a, b, scale in ((0, 3500, 900.0), (3500, 8000, 700.0))
    ]
    whole = joined_sweep(parts)
    assert (whole.threshold, whole.step) == (pytest.approx(18.0), pytest.approx(0.1))
    assert [turn.time for turn in whole.turns] == pytest.approx(
        [10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0], abs=0.01
    )
    assert whole.stretch_duration == pytest.approx(10.0, abs=1e-3)
    assert not whole.segment.any()
    assert joined_sweep(parts[:1]) is parts[0]
    rising = [
        sweep_of(samples_of(time[a:b]), 3.0 * time[a:b], scale=900.0) for a, b in ((0, 900), (900, 1500))
    ]
    assert joined_sweep(rising).stretch_duration == pytest.approx(15.0, abs=0.11)


def test_averages_keep_what_is_left_of_the_last() -> None:
    """Three, three and two."""
    time, values = bin_means(np.arange(8.0), np.arange(8.0) ** 2, 3)
    assert time.tolist() == [1.0, 4.0, 6.5]
    assert values.tolist() == pytest.approx([5.0 / 3.0, 50.0 / 3.0, 42.5])


def test_speed_takes_so_long_from_turn_to_turn(triangle_of: ArrayOf) -> None:
    """Seven seconds of a triangle of fourteen; all of the run where it turns once at most."""
    time = np.arange(6000) / 100.0
    assert speed_stretch(samples_of(time, triangle_of(time, 1.0, 9.0, 14.0))) == pytest.approx(7.0, abs=0.01)
    # a wobble of less than a tenth of all is no turn
    wobble = 4.0 + 0.05 * time + 0.14 * np.sin(time)
    assert speed_stretch(samples_of(time, wobble)) == pytest.approx(59.8, abs=0.2)
    assert speed_stretch(samples_of(time, wobble + 0.2 * np.sin(time))) < 7.0
    once = triangle_of(time, 1.0, 9.0, 60.0)
    assert speed_stretch(samples_of(time, np.where(time > 59.0, np.nan, once))) == pytest.approx(
        58.8, abs=0.2
    )
