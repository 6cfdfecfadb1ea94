"""Cells: nothing lost, nothing counted twice, nothing averaged across a turn."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import ConditionedRun, condition
from diffbench.conditioning.course import Sweep, crossings
from diffbench.conditioning.samples import LEAST_SLIP
from diffbench.documents import Rig
from diffbench.recording import Recording

Array = NDArray[np.float64]
Ideal = Callable[..., tuple[Array, dict[str, Array]]]
RunOf = Callable[..., ConditionedRun]
PRELOAD, DRIVE_BIAS, COAST_BIAS = 80.0, 0.5, 0.3  # of the ideal unit in conftest.py


@pytest.fixture(scope="module")
def conditioned(both_outputs: Rig, recording_of: Callable[..., Recording]) -> RunOf:
    def make(time: Array, channels: dict[str, Array], rig: Rig = both_outputs) -> ConditionedRun:
        return condition(
            rig, [("bias-sweep", recording_of(time, **channels))], rig_key="R", visit_key="V"
        ).runs[0]

    return make


@pytest.fixture
def faulty(ideal: Ideal) -> tuple[Array, dict[str, Array]]:
    """A sweep with spikes, gaps, a hold and lost rows, at 50 Hz."""
    time, channels = ideal(cycles=6, noise=1.0)
    rng = np.random.default_rng(2)
    for name in ("left_torque", "right_torque"):
        channels[name][rng.choice(time.size, 8, replace=False)] += 300.0
        first = int(rng.integers(100, time.size - 100))
        channels[name][first : first + 40] = np.nan
    for name in ("left_speed", "right_speed"):
        channels[name][1620:1720] = 60.0
    kept = np.ones(time.size, dtype=bool)
    kept[2200:2260] = False
    return time[kept], {name: values[kept] for name, values in channels.items()}


def test_every_sample_is_in_a_cell_or_dropped_for_a_reason(
    faulty: tuple[Array, dict[str, Array]], conditioned: RunOf
) -> None:
    run = conditioned(*faulty)
    assert run.samples == faulty[0].size
    assert int(run.cells.count.sum()) + sum(run.dropped.values()) == run.samples
    assert {"missing reading", "spike", "outputs hold still (a bound, not a sample)"} <= set(run.dropped)
    assert all(count > 0 for count in run.dropped.values())


def test_no_cell_spans_a_turn_or_a_reversal(
    faulty: tuple[Array, dict[str, Array]], conditioned: RunOf
) -> None:
    """Corners of the torque at every 5 s, reversals at every 10 s: no cell's samples lie on both sides."""
    run = conditioned(*faulty)
    begin, end = run.cells.time - 0.5 * run.cells.width, run.cells.time + 0.5 * run.cells.width
    # a turn's time is known to half an average of 0.1 s
    for corner in np.arange(5.0, 60.0, 5.0):
        assert not ((begin < corner - 0.06) & (end > corner + 0.06)).any()
    speed = np.where(np.floor(run.cells.time / 10.0) % 2 == 0, 1.0, -1.0)
    np.testing.assert_array_equal(run.cells.direction, speed)


def test_cells_are_the_unit_as_it_is(ideal: Ideal, conditioned: RunOf) -> None:
    """Locking torque P + K |T_in| in every cell, to four standard deviations of its mean; ten samples a
    cell."""
    run = conditioned(*ideal(noise=1.0))
    bias = np.where(run.input_torque >= 0, DRIVE_BIAS, COAST_BIAS)
    apart = run.locking - (PRELOAD + bias * np.abs(run.input_torque))
    sigma = np.sqrt(2.0 / run.cells.count)
    # within a cell of 0.1 s the torque runs over 18 N·m: at the corner of |T_in| the mean lies off by up to
    # an eighth of that times the sum of the slopes
    corner = np.abs(run.input_torque) < 18.0
    # a polynomial replaces the input torque: that is off by less than the noise
    assert np.max(np.abs(apart[~corner]) / (sigma[~corner] * np.sqrt(1.25))) < 5.0
    assert np.max(np.abs(apart[corner])) < 18.0 / 8.0 * (DRIVE_BIAS + COAST_BIAS) + 5.0 * sigma.max()
    steady = np.abs(run.cells.time % 10.0 - 5.0) < 4.7  # between the reversals
    np.testing.assert_allclose(np.abs(run.cells.speed_difference)[steady], 4.0, atol=0.15)
    np.testing.assert_allclose(run.cells.oil, 60.0)


def test_slopes_are_those_of_the_sweep(ideal: Ideal, conditioned: RunOf) -> None:
    """180 N·m/s up and down, in every cell of a stretch, none across a turn; locking torque accordingly."""
    run = conditioned(*ideal(noise=0.0, cycles=4))
    rising = np.floor(run.cells.time / 5.0) % 2 == 0
    # the last cell before a turn may hold what the turn's time leaves in doubt
    inner = np.abs((run.cells.time + 2.5) % 5.0 - 2.5) > 0.2
    np.testing.assert_allclose(run.input_slope[inner], np.where(rising, 180.0, -180.0)[inner], rtol=0.01)
    away = inner & (np.abs(run.input_torque) > 40.0)
    slope = np.where(run.input_torque > 0, DRIVE_BIAS, -COAST_BIAS) * np.where(rising, 180.0, -180.0)
    np.testing.assert_allclose(run.locking_slope[away], slope[away], rtol=0.02)


def test_history_holds_start_and_turns(ideal: Ideal, conditioned: RunOf) -> None:
    run = conditioned(*ideal(noise=0.5, cycles=4))
    assert run.history.begins.tolist() == [True] + [False] * 7
    # 0.1 s averages of 1.0 N·m noise
    np.testing.assert_allclose(run.history.torque, [-300.0] + [600.0, -300.0] * 3 + [600.0], atol=6.0)
    expected = np.minimum(np.floor(run.cells.time / 5.0), 7)
    inner = np.abs((run.cells.time + 2.5) % 5.0 - 2.5) > 0.1
    np.testing.assert_array_equal(run.history.before[inner], expected[inner])


def test_a_gap_as_long_as_a_turn_starts_a_new_history(ideal: Ideal, conditioned: RunOf) -> None:
    """3 s are lost, in which the sweep turned: what the ramps carried before is not known after."""
    time, channels = ideal(noise=0.5, cycles=4)
    kept = (time < 13.5) | (time > 16.5)
    run = conditioned(time[kept], {name: values[kept] for name, values in channels.items()})
    assert int(run.history.begins.sum()) == 2
    second = run.history.torque[run.history.begins][1]
    # at 16.5 s the input torque falls from 600 by 180 N·m/s for 1.5 s
    assert second == pytest.approx(600.0 - 1.5 * 180.0, abs=6.0)


def test_rises_alone_make_histories_without_turns(ideal: Ideal, conditioned: RunOf) -> None:
    """Each rise from 24 N·m on its own, what lies between lost: no average mixes two of them, no turn is
    made up between, and each history starts where its first sample stands."""
    time, channels = ideal(noise=0.5, cycles=4)
    torque = channels["left_torque"] + channels["right_torque"]
    kept = (time % 10.0 < 4.9) & (torque > 24.0)
    run = conditioned(time[kept], {name: values[kept] for name, values in channels.items()})
    assert run.history.begins.tolist() == [True] * 4
    # samples at 50 Hz are 3.6 N·m apart; √2·0.5 N·m of noise is averaged over twelve averages of five
    np.testing.assert_allclose(run.history.torque, 24.0, atol=5.0)
    assert np.unique(run.cells.stretch).size == 4
    assert np.unique(run.cells.segment).size == 4


def test_a_short_gap_keeps_the_history(ideal: Ideal, conditioned: RunOf) -> None:
    time, channels = ideal(noise=0.5, cycles=4)
    kept = (time < 13.5) | (time > 13.8)
    run = conditioned(time[kept], {name: values[kept] for name, values in channels.items()})
    assert int(run.history.begins.sum()) == 1


def test_noise_near_zero_input_torque_makes_no_ramp_torque(ideal: Ideal, conditioned: RunOf) -> None:
    """The course of a sweep is smooth: its cells scatter less than their own averages would."""
    time, channels = ideal(noise=5.0, cycles=4)
    run = conditioned(time, channels)
    clean = conditioned(*ideal(noise=0.0, cycles=4))
    course = np.interp(run.cells.time, clean.cells.time, clean.input_torque)
    inner = np.abs((run.cells.time + 2.5) % 5.0 - 2.5) > 0.2
    # ten samples a cell of √2·5 N·m; a polynomial of six coefficients over 50 cells leaves a third of it
    assert np.std((run.input_torque - course)[inner]) < 0.6 * np.sqrt(2) * 5.0 / np.sqrt(5.0)


def test_a_longer_recording_makes_more_cells_not_larger_ones(ideal: Ideal, conditioned: RunOf) -> None:
    """Some fifty cells a stretch, at 50 Hz and at 500 Hz."""
    slow, fast = (conditioned(*ideal(noise=0.5, cycles=2, rate=rate)) for rate in (50.0, 500.0))
    assert slow.cells.time.size == pytest.approx(4 * 50, abs=12)
    assert fast.cells.time.size == pytest.approx(4 * 50, abs=12)
    assert np.median(fast.cells.count) == pytest.approx(10 * np.median(slow.cells.count), rel=0.1)


def test_no_cell_spans_both_flanks(ideal: Ideal, conditioned: RunOf) -> None:
    """The locking torque has a corner at zero input torque: its mean over a cell would not be that at the
    cell's mean torque. To within one sample's step of the ramp."""
    time, channels = ideal(cycles=4, noise=0.0)
    run = conditioned(time, channels)
    torque = channels["left_torque"] + channels["right_torque"]
    step = float(np.max(np.abs(np.diff(torque))))
    for middle, width in zip(run.cells.time, run.cells.width, strict=True):
        own = torque[np.abs(time - middle) < 0.5 * width]
        assert own.min() > -step or own.max() < step, middle


def test_no_cell_spans_a_run_of_the_speed(ideal: Ideal, conditioned: RunOf) -> None:
    """Speeds that run from 1 up to 9 rad/s within half a second: a quarter of a cell's mean and the
    least slip, and a sample's step; while they stay, cells are as long as ever."""
    time, channels = ideal(cycles=4, noise=0.0)
    size = np.interp(time, [0.0, 12.0, 12.5, time[-1]], [1.0, 1.0, 9.0, 9.0])
    difference = np.sign(channels["left_speed"] - channels["right_speed"]) * size
    channels["left_speed"], channels["right_speed"] = 60.0 + 0.5 * difference, 60.0 - 0.5 * difference
    cells = conditioned(time, channels).cells
    for middle, width, mean in zip(cells.time, cells.width, cells.speed_difference, strict=True):
        own = size[np.abs(time - middle) < 0.5 * width]
        assert np.ptp(own) < 0.25 * abs(mean) + LEAST_SLIP + 16.0 * float(time[1] - time[0]) + 0.02
    runs = (cells.time > 12.0) & (cells.time < 12.4)
    assert cells.count[runs].mean() < 0.6 * np.median(cells.count)


def test_a_wobble_about_zero_passes_nowhere() -> None:
    """Nor does a torque that returns before it stands clear of zero on the other side."""
    time = np.arange(0.0, 10.0, 0.1)
    rng = np.random.default_rng(3)
    segment = np.zeros(time.size, dtype=np.int64)

    def course(torque: Array) -> Array:
        return crossings(Sweep(time, torque, segment, (), 10.0, threshold=5.0, step=0.1))

    assert course(rng.normal(0.0, 1.0, time.size)).size == 0
    assert course(40.0 * np.abs(time - 5.0) - 2.0).size == 0
    np.testing.assert_allclose(
        course(40.0 * (time - 5.03) + rng.normal(0.0, 0.1, time.size)), [5.03], atol=0.01
    )


def test_a_turn_before_anything_is_kept_cuts_no_cell(ideal: Ideal, conditioned: RunOf) -> None:
    """A speed that is missing up to 6 s, beyond the first turn at 5 s: the cells at the end are whole."""
    time, channels = ideal(noise=0.0)
    plain = conditioned(time, channels).cells
    channels["left_speed"] = np.where(time < 6.0, np.nan, channels["left_speed"])
    later = conditioned(time, channels).cells
    assert later.time[0] > 6.0
    kept = plain.time > 7.0
    assert later.count[-int(kept.sum()) :].tolist() == plain.count[kept].tolist()
