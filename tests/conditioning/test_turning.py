"""Turning points of sweeps: triangles, sines, noise, holds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from diffbench.conditioning.course import Sweep, TurningPoint, turning_points

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
