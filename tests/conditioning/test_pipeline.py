"""A visit as a whole: heat, what makes a run unusable, and what is said aloud."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import condition
from diffbench.conditioning.checks.twice import marks
from diffbench.documents import Rig
from diffbench.doubts import Source
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]
RecordingOf = Callable[..., Recording]
Ideal = Callable[..., tuple[Array, dict[str, Array]]]


def test_all_samples_locked_is_refused_with_the_mend(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """Outputs that hold still bound the locking torque and sample it nowhere."""
    time, channels = ideal(noise=1.0)
    rng = np.random.default_rng(3)
    for name in ("left_speed", "right_speed"):
        channels[name] = 60.0 + rng.normal(0.0, 0.05, time.size)
    with pytest.raises(RecordingError, match="the outputs hold still in 2000 of 2000 samples") as caught:
        condition(both_outputs, [("bias-sweep", recording_of(time, **channels))], rig_key="R", visit_key="V")
    (fault,) = caught.value.faults
    assert fault.place.file == "sweep.csv"
    assert "outputs slipping against each other" in fault.mend


def test_a_run_without_readings_says_what_became_of_its_samples(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    time, channels = ideal(noise=1.0)
    channels["left_torque"][10:] = np.nan
    with pytest.raises(RecordingError, match="1990 missing reading") as caught:
        condition(both_outputs, [("bias-sweep", recording_of(time, **channels))], rig_key="R", visit_key="V")
    assert caught.value.exit_status == 2


def test_heat_is_half_the_locking_torque_times_the_slip(
    both_outputs: Rig, recording_of: RecordingOf, channels_of: Callable[..., dict[str, Array]]
) -> None:
    """½ T_lock |Δω| in both packs together: 330 N·m at 6 rad/s is 990 W; while the outputs hold, none."""
    time = np.arange(3000) / 50.0
    speed = np.where(time < 40.0, 6.0, 0.0)
    torque = np.full(time.size, 500.0)
    channels = channels_of(time, input_torque=torque, speed_difference=np.where(speed > 0, speed, 1e-3))
    rng = np.random.default_rng(4)
    for name in ("left_torque", "right_torque"):
        channels[name] += rng.normal(0.0, 1.0, time.size)
    visit = condition(
        both_outputs, [("bias-sweep", recording_of(time, **channels))], rig_key="R", visit_key="V"
    )
    heat = visit.runs[0].heat
    np.testing.assert_allclose(np.diff(heat.time), 0.5)
    slipping = heat.time < 39.5
    # 25 samples of √2 N·m, times ½·6 rad/s, five standard deviations
    np.testing.assert_allclose(heat.power[slipping], 990.0, atol=5 * 3 * np.sqrt(2 / 25))
    assert (heat.power[heat.time > 40.5] == 0.0).all()


def test_heat_flows_on_where_torques_are_missing(
    both_outputs: Rig, recording_of: RecordingOf, channels_of: Callable[..., dict[str, Array]]
) -> None:
    """Plates warm whether or not the logger looks: bridged from both sides, for heat only."""
    time = np.arange(3000) / 50.0
    channels = channels_of(time, input_torque=np.full(3000, 500.0), speed_difference=np.full(3000, 6.0))
    rng = np.random.default_rng(5)
    for name in ("left_torque", "right_torque"):
        channels[name] += rng.normal(0.0, 1.0, time.size)
        channels[name][1000:1400] = np.nan
    run = condition(
        both_outputs, [("bias-sweep", recording_of(time, **channels))], rig_key="R", visit_key="V"
    ).runs[0]
    assert run.dropped["missing reading"] == 400
    inside = (run.heat.time > 20.5) & (run.heat.time < 27.5)
    # the last and first sample beside the gap carry it: √2 N·m each, times 3 rad/s, four standard deviations
    np.testing.assert_allclose(run.heat.power[inside], 990.0, atol=4 * 3 * np.sqrt(2))


def test_the_rate_of_a_warming_oil_is_found(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """0.2 K/s through 0.3 K of noise, over some ten seconds."""
    time, channels = ideal(noise=1.0, cycles=8)
    channels["oil_temperature"] = 40.0 + 0.2 * time + np.random.default_rng(6).normal(0.0, 0.3, time.size)
    visit = condition(
        both_outputs, [("bias-sweep", recording_of(time, **channels))], rig_key="R", visit_key="V"
    )
    heat = visit.runs[0].heat
    inner = (heat.time > 12.0) & (heat.time < 68.0)
    np.testing.assert_allclose(heat.oil_rate[inner], 0.2, atol=0.03)


def test_a_visit_shares_one_scale_of_torque(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal, channels_of: Callable[..., dict[str, Array]]
) -> None:
    """A wobble of 1 % of the sweeps' torque in a speed sweep is no turn of the ramps."""
    time, channels = ideal(noise=1.0)
    slow = np.arange(3000) / 50.0
    wobble = 5.0 * np.sin(2 * np.pi * slow / 9.0)
    speed = 8.0 * np.sin(2 * np.pi * slow / 30.0) + 1e-6
    other = channels_of(slow, input_torque=wobble, speed_difference=speed)
    runs = [("bias-sweep", recording_of(time, **channels)), ("speed-sweep", recording_of(slow, **other))]
    visit = condition(both_outputs, runs, rig_key="R", visit_key="V")
    assert [run.kind for run in visit.runs] == ["bias-sweep", "speed-sweep"]
    assert visit.runs[1].history.torque.size == 1  # its start alone


def test_tare_runs_are_taken_off_and_make_no_run_of_their_own(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    time, channels = ideal(noise=1.0)
    off = {"left_torque": 4.0, "right_torque": -3.0}
    rng = np.random.default_rng(8)
    still = {name: np.full(1000, 60.0) for name in ("left_speed", "right_speed", "oil_temperature")}
    empty = recording_of(
        np.arange(1000) / 50.0, **{name: z + rng.normal(size=1000) for name, z in off.items()}, **still
    )
    wrong = {**channels, **{name: channels[name] + z for name, z in off.items()}}
    visit = condition(
        both_outputs,
        [("tare", empty), ("bias-sweep", recording_of(time, **wrong))],
        rig_key="R",
        visit_key="V",
    )
    plain = condition(
        both_outputs, [("bias-sweep", recording_of(time, **channels))], rig_key="R", visit_key="V"
    )
    assert len(visit.runs) == 1
    # the tare's own mean of 900 samples, twice
    apart = visit.runs[0].difference - plain.runs[0].difference
    np.testing.assert_allclose(apart, 0.0, atol=4 * np.sqrt(2 / 900))
    # beside it what flanges of which nobody said so may read of each other, and stay behind by
    allowed = {Source.CROSS_TALK_ALLOWED, Source.HYSTERESIS_ALLOWED}
    assert {s.group for s in visit.sources.values()} == {"tare", *allowed}


def test_doubts_that_are_not_stated_are_said_aloud(
    rig_of: Callable[..., Rig], both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """Taken as exact, and said, channel by channel; what is stated is not complained of."""
    time, channels = ideal(noise=1.0)
    recording = recording_of(time, **channels)
    visit = condition(both_outputs, [("bias-sweep", recording)], rig_key="R", visit_key="V")
    for name in ("left_torque", "right_torque"):
        told = {(note.source, note.subject): note.text for note in visit.notes}
        assert (
            told[Source.TRANSDUCER_GAIN, name] == f"u_gain of {name} is not stated: its gain counts as exact"
        )
        zero = f"u_zero of {name} is not stated and no tare run gives it"
        assert told[Source.TRANSDUCER_ZERO, name].startswith(zero)
    stated = {"u_gain": 0.002, "u_zero": "0.5 N.m"}
    rig = rig_of(
        left_torque=stated,
        right_torque=stated,
        left_speed={},
        right_speed={},
        oil_temperature={"u_zero": "0.5 K"},
    )
    visit = condition(rig, [("bias-sweep", recording)], rig_key="R", visit_key="V")
    assert visit.notes == ()
    assert visit.temperature_u == 0.5


@pytest.mark.parametrize(
    ("rows", "severity"), [(slice(0, 2000), "stop"), (slice(1500, 2000), "stop"), (None, None)]
)
def test_the_same_samples_on_another_clock_are_told(
    rows: slice | None, severity: str | None, both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """A second logger's clock an hour off, or an export that overlaps: no clock tells, the readings do. A
    second sweep alike but for its own noise is none."""
    time, channels = ideal(noise=1.0)
    first = recording_of(time, **channels)
    if rows is None:
        rng = np.random.default_rng(77)
        again = {name: values + rng.normal(0.0, 1e-3, time.size) for name, values in channels.items()}
        second = recording_of(time, **again)
    else:
        second = recording_of(time[rows] * 1.0001, **{name: v[rows] for name, v in channels.items()})
    second = replace(second, source=replace(second.source, path=Path("late.csv")))
    runs = [("bias-sweep", first), ("bias-sweep", second)]
    if severity is None:
        found = condition(both_outputs, runs, rig_key="R", visit_key="V")
        assert "same samples twice" not in [one.name for one in found.findings]
        return
    with pytest.raises(RecordingError, match=r"same samples twice: 100 % .* those of sweep\.csv") as caught:
        condition(both_outputs, runs, rig_key="R", visit_key="V")
    assert caught.value.faults[0].place.file == "late.csv"


def test_readings_that_stand_still_mark_nothing_where_a_channel_is_missing() -> None:
    """A channel without any reading is no movement of its own: no two such stretches are a copy."""
    moving = np.random.default_rng(9).normal(size=8000)
    missing = np.full(moving.size, np.nan)
    assert len(marks({"left_torque": moving, "room_temperature": missing})) > 100
    steps = np.repeat(moving[::50], 50)
    assert marks({"left_torque": steps, "room_temperature": missing}).size == 0


def test_recordings_that_overlap_by_a_little_go_with_a_caveat(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """The last three of ten parts again at the begin of what follows."""
    time, channels = ideal(noise=1.0)
    first = recording_of(time[:1300], **{name: values[:1300] for name, values in channels.items()})
    second = recording_of(time[:1000], **{name: values[1000:] for name, values in channels.items()})
    found = condition(
        both_outputs, [("bias-sweep", first), ("bias-sweep", second)], rig_key="R", visit_key="V"
    )
    (told,) = [one for one in found.findings if one.name == "same samples twice"]
    assert told.severity == "caveat"
    assert 20.0 < float(told.evidence.split()[0]) < 40.0


def test_clocks_that_have_little_in_common_go_with_the_result(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """What the reader saw of a file's groups."""
    time, channels = ideal(noise=1.0)
    for said in ((), ("Group 'B' runs from 3600 s on.",)):
        recording = replace(recording_of(time, **channels), clocks_apart=said)
        found = condition(both_outputs, [("bias-sweep", recording)], rig_key="R", visit_key="V")
        told = [one.evidence for one in found.findings if one.name == "clocks apart"]
        assert told == list(said)


def with_oil(recording: Recording, oil: NDArray[np.float64]) -> Recording:
    """A recording with other temperatures of its oil."""
    return replace(recording, channels={**recording.channels, "oil_temperature": oil})


def test_what_no_oil_is_as_warm_as_is_left_out_and_told(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """A thermocouple that opens, and a sample that the logger's filter mixes with it; where most readings are
    such, nothing is made of them."""
    time, channels = ideal(noise=1.0)
    whole = recording_of(time, **channels)
    n = time.size
    oil = np.full(n, 60.0)
    oil[-n // 4 :], oil[-n // 4 - 1] = 1372.0, 205.0
    found = condition(both_outputs, [("bias-sweep", with_oil(whole, oil))], rig_key="R", visit_key="V")
    (told,) = [one for one in found.findings if one.name == "open or shorted sensor"]
    assert f"oil_temperature: {n // 4} of {n} samples" in told.evidence
    assert "temperature implausible" not in [one.name for one in found.findings]
    cells = found.runs[0].cells.oil
    assert cells is not None
    assert np.ptp(cells) < 1e-6
    runs = [("bias-sweep", with_oil(whole, np.full(n, 1372.0)))]
    with pytest.raises(RecordingError, match="open or shorted sensor: oil_temperature") as caught:
        condition(both_outputs, runs, rig_key="R", visit_key="V")
    assert "leave the channel out" in caught.value.faults[0].mend


@pytest.mark.parametrize(("empty", "stands"), [(0.0, 75.0), (0.5, 70.0)])
def test_oil_that_nobody_read_is_told_with_its_doubt(
    empty: float, stands: float, both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """In one of two runs, from the start on or from the middle: the middle of all that the visit's oil
    ranges over stands in its place, or the last reading."""
    time, channels = ideal(noise=1.0)
    whole = recording_of(time, **channels)
    again = {name: values + 1e-3 * np.cos(np.arange(time.size)) for name, values in channels.items()}
    other = recording_of(time, **again)
    n = time.size
    warming = with_oil(other, 60.0 + 30.0 * np.arange(n) / n)
    gone = with_oil(whole, np.where(np.arange(n) < empty * n, 70.0, np.nan))
    runs = [("bias-sweep", warming), ("bias-sweep", gone)]
    found = condition(both_outputs, runs, rig_key="R", visit_key="V")
    (told,) = [one for one in found.findings if one.name == "temperature not recorded"]
    assert told.severity == "caveat"
    assert f"from {empty * n / 50.0:g} to 39.98 s" in told.evidence
    filled = found.runs[1].cells.oil
    assert filled is not None
    assert filled[-1] == pytest.approx(stands, abs=0.5)
    read = [("bias-sweep", warming), ("bias-sweep", with_oil(whole, np.full(n, 70.0)))]
    usual = condition(both_outputs, read, rig_key="R", visit_key="V")
    # 10 K beside what 30 K evenly spread are, by the root of how much of the visit rests on it
    due = np.hypot(10.0, 30.0 / np.sqrt(12.0)) * np.sqrt(0.5 * (1.0 - empty))
    assert found.temperature_u == pytest.approx(np.hypot(usual.temperature_u or 0.0, due), rel=0.05)


def test_a_logger_that_slows_down_is_told_once_and_says_the_same_of_the_unit(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """From 100 to 10 samples a second in the middle, at which a gap is one of its own rate."""
    time, channels = ideal(cycles=8, rate=100.0, noise=0.5)
    n = time.size
    rows = np.concatenate([np.arange(n // 2), np.arange(n // 2, n, 10)])
    rows = np.delete(rows, [100, rows.size - 100])
    slower = recording_of(time[rows], **{name: values[rows] for name, values in channels.items()})
    found = condition(both_outputs, [("bias-sweep", slower)], rig_key="R", visit_key="V")
    told = {one.name: one.evidence for one in found.findings}
    assert set(told) == {"sampling rate changes", "missing stretches", "short of SAE J3011"}
    assert "from 100 to 10 Hz" in told["sampling rate changes"]
    assert "in 2 places, 0.11 s in all" in told["missing stretches"]
    (run,) = found.runs
    cells = run.cells
    assert cells.width.sum() == pytest.approx(time[-1], rel=0.1)
    late = cells.time > 0.6 * time[-1]
    bias = np.where(run.input_torque >= 0.0, 0.5, 0.3)  # the ideal bench's own
    off = run.locking - 80.0 - bias * np.abs(run.input_torque)
    assert abs(float(off[late].mean())) < 0.5


def test_a_pause_in_which_the_oil_cools_is_no_jump_of_it(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """Of 5 s, over which averages go on, and of 400 s, over which nothing does."""
    time, channels = ideal(cycles=6, noise=1.0)
    for pause, late in ((5.0, time > 0.6 * time[-1]), (400.0, time > 0.5 * time[-1])):
        oil = 80.0 - 0.02 * time - np.where(late, 16.0, 0.0)
        recording = with_oil(recording_of(time + pause * late, **channels), oil)
        found = condition(both_outputs, [("bias-sweep", recording)], rig_key="R", visit_key="V")
        names = [one.name for one in found.findings]
        assert "missing stretches" in names
        assert "temperature implausible" not in names
        assert abs(found.runs[0].heat.oil_rate).max() < (0.06 if pause > 10.0 else 4.0)
