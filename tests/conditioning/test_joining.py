"""Parts of a long recording, put together again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning import ConditionedVisit, condition
from diffbench.documents import Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

RecordingOf = Callable[..., Recording]

RATE = 100.0
CYCLE = 20.0


@pytest.fixture
def recording(recording_of: RecordingOf) -> Recording:
    """Sixteen cycles of an invented additive unit, slipping at ±4 rad/s in turn."""
    time = np.arange(int(16 * CYCLE * RATE)) / RATE
    phase = (time / CYCLE) % 1.0
    torque = -200.0 + 700.0 * np.where(phase < 0.5, 2.0 * phase, 2.0 - 2.0 * phase)
    slip = np.where(np.floor(time / CYCLE) % 2 == 0, 4.0, -4.0)
    locking = np.sign(slip) * (80.0 + 0.4 * np.abs(torque))
    rng = np.random.default_rng(5)
    return recording_of(
        time,
        left_torque=0.5 * (torque - locking) + rng.normal(0.0, 1.0, time.size),
        right_torque=0.5 * (torque + locking) + rng.normal(0.0, 1.0, time.size),
        left_speed=60.0 + 0.5 * slip + rng.normal(0.0, 0.02, time.size),
        right_speed=60.0 - 0.5 * slip + rng.normal(0.0, 0.02, time.size),
        oil_temperature=60.0 + rng.normal(0.0, 0.1, time.size),
    )


def part_of(recording: Recording, first: int, last: int) -> Recording:
    here = slice(first, last)
    return replace(
        recording,
        time=recording.time[here],
        channels={name: values[here] for name, values in recording.channels.items()},
        rows=recording.rows[here],
    )


def parts_of(recording: Recording, size: int) -> Iterator[Recording]:
    for first in range(0, len(recording), size):
        yield part_of(recording, first, first + size)


def conditioned(rig: Rig, parts: Any, **options: int) -> ConditionedVisit:
    return condition(rig, [("bias-sweep", parts)], rig_key="R", visit_key="V", **options)


@pytest.mark.parametrize("held", [1, 10_000, 10**9])
def test_parts_make_the_run_that_the_whole_makes(held: int, both_outputs: Rig, recording: Recording) -> None:
    """Cut in the midst of a cycle, and whether samples wait for each other or not: the same samples, the
    same torques, turns at the same places; only where slip has to settle anew some are lost."""
    (whole,) = conditioned(both_outputs, recording, held=held).runs
    size = 9_100
    (run,) = conditioned(both_outputs, parts_of(recording, size)).runs
    assert run.samples == whole.samples == len(recording)
    lost = sum(run.dropped.values()) - sum(whole.dropped.values())
    assert 0 <= lost <= 3 * 20  # three further starts, each 0.3 rad of settling at 4 rad/s
    assert run.cells.count.sum() + sum(run.dropped.values()) == len(recording)
    assert (np.diff(run.cells.time) > 0.0).all()
    assert (np.diff(run.cells.stretch) >= 0).all()
    assert np.unique(run.cells.segment).tolist() == [0]
    stretches = np.interp(run.cells.time, whole.cells.time, whole.cells.stretch)
    assert float(np.mean(np.abs(run.cells.stretch - stretches) < 0.5)) > 0.99
    expected = np.interp(run.cells.time, whole.cells.time, whole.locking)
    inside = np.abs((run.cells.time / CYCLE) % 0.5 - 0.25) < 0.2  # away from turns, where a line misses
    assert float(np.sqrt(np.mean((run.locking - expected)[inside] ** 2))) < 1.0
    assert run.noise == pytest.approx(whole.noise, rel=0.02)


@pytest.mark.parametrize("size", [9_100, 9_000, 8_995, 9_005])
def test_the_history_goes_on_over_the_edges(size: int, both_outputs: Rig, recording: Recording) -> None:
    """One start and the turns of the whole, wherever the cut is: within a stretch, at a turn, beside one."""
    (whole,) = conditioned(both_outputs, recording).runs
    (run,) = conditioned(both_outputs, parts_of(recording, size)).runs
    assert int(run.history.begins.sum()) == 1
    assert run.history.torque.size == whole.history.torque.size
    np.testing.assert_allclose(run.history.torque, whole.history.torque, atol=4.0)
    near, there = run.cells.time[run.history.near], whole.cells.time[whole.history.near]
    np.testing.assert_allclose(near, there, atol=1.0)
    assert (np.diff(run.history.before) >= 0).all()


def test_a_gap_between_parts_begins_a_history(both_outputs: Rig, recording: Recording) -> None:
    """Some ten seconds missing, a turn among them: what follows is followed by itself."""
    parts = [part_of(recording, 0, 9_100), part_of(recording, 10_400, len(recording))]
    (run,) = conditioned(both_outputs, parts).runs
    assert int(run.history.begins.sum()) == 2
    assert np.unique(run.cells.segment).tolist() == [0, 1]


def test_heat_goes_on_over_the_edges_on_one_even_clock(both_outputs: Rig, recording: Recording) -> None:
    (whole,) = conditioned(both_outputs, recording).runs
    (run,) = conditioned(both_outputs, parts_of(recording, 9_100)).runs
    steps = np.diff(run.heat.time)
    assert float(np.ptp(steps)) < 1e-9
    assert np.trapezoid(run.heat.power, run.heat.time) == pytest.approx(
        np.trapezoid(whole.heat.power, whole.heat.time), rel=0.01
    )


def test_a_part_without_slip_is_left_out_and_counted(
    both_outputs: Rig, recording: Recording, recording_of: RecordingOf
) -> None:
    """A bench that stood for a part of the recording: those samples are dropped for a reason, and all
    together are refused as a whole recording is."""
    still = {**recording.channels, "right_speed": recording.channels["left_speed"].copy()}
    stood = part_of(replace(recording, channels=still), 0, 9_100)
    (run,) = conditioned(both_outputs, [stood, part_of(recording, 9_100, len(recording))]).runs
    assert run.dropped["outputs hold still (a bound, not a sample)"] >= 9_000
    assert run.samples == len(recording)
    with pytest.raises(RecordingError, match="the outputs hold still"):
        conditioned(both_outputs, [stood, replace(stood, time=stood.time + 91.0)])


def test_a_single_part_is_the_whole(both_outputs: Rig, recording: Recording) -> None:
    """Bit for bit: what is not cut is not touched."""
    (whole,), (one,) = (conditioned(both_outputs, made).runs for made in (recording, [recording]))
    np.testing.assert_array_equal(one.difference, whole.difference)


def test_findings_of_several_parts_are_told_once_at_their_gravest(
    both_outputs: Rig, recording: Recording
) -> None:
    """Three spikes in the first part, a hundred and fifty in the second, none in the others."""
    left = recording.channels["left_torque"].copy()
    left[[500, 1500, 2500]] += 300.0
    left[9_150:18_150:60] += 300.0
    spiked = replace(recording, channels={**recording.channels, "left_torque": left})
    found = {finding.name: finding for finding in conditioned(both_outputs, parts_of(spiked, 9_100)).findings}
    assert found["spikes"].severity == "caveat"
    assert found["spikes"].evidence == (
        "150 samples stand apart from their neighbours on both sides. (The recording was looked at in 4 "
        "parts; that is of one of the 2 that show it.)"
    )
