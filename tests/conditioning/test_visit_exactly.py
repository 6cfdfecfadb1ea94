"""What a visit says of its temperature, of recordings of no use, and whatever order they come in: by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import ConditionedVisit, condition
from diffbench.documents import Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]
RigOf = Callable[..., Rig]
RecordingOf = Callable[..., Recording]
Ideal = Callable[..., tuple[Array, dict[str, Array]]]
OUTPUTS: dict[str, dict[str, Any]] = {
    name: {} for name in ("left_torque", "right_torque", "left_speed", "right_speed")
}


def conditioned(rig: Rig, *runs: tuple[Any, Recording], held: int | None = None) -> ConditionedVisit:
    return condition(rig, runs, rig_key="R", visit_key="V", held=held)


def named(recording: Recording, name: str) -> Recording:
    return replace(recording, source=replace(recording.source, path=Path(name)))


@pytest.mark.parametrize(
    ("channels", "u"),
    [
        # 2 % of 40 K above the hall's 20 °C
        ({"oil_temperature": {}}, 0.8),
        ({"oil_temperature": {"u_zero": "0.3 K"}}, 0.3),
        ({"plate_temperature": {"u_zero": "0.4 K"}, "oil_temperature": {"u_zero": "0.3 K"}}, 0.4),
        ({"plate_temperature": {}, "oil_temperature": {}}, None),
        ({}, None),
        # 0.1 K/s for 3 s of a lag that is not known better, beside 2 % of 40 K
        ({"oil_temperature": {"lag": {"value": "8 s", "u": "3 s"}}}, float(np.hypot(0.8, 0.3))),
        (
            {"oil_temperature": {"lag": {"value": "8 s", "u": "3 s"}, "u_zero": "0.4 K"}},
            float(np.hypot(0.4, 0.3)),
        ),
        ({"plate_temperature": {}, "oil_temperature": {"lag": {"value": "8 s", "u": "3 s"}}}, None),
    ],
)
def test_the_temperature_is_as_sure_as_its_sensor(
    channels: dict[str, Any], u: float | None, rig_of: RigOf, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """By its stated zero, or by its place; and by what its lag leaves while the oil warms by 0.1 K/s."""
    time, made = ideal(noise=1.0)
    warms = "lag" in channels.get("oil_temperature", {})
    made["oil_temperature"] = 60.0 + (0.1 * (time - time.mean()) if warms else np.zeros(time.size))
    made["plate_temperature"] = made["oil_temperature"] + 5.0
    kept = {name: values for name, values in made.items() if name in OUTPUTS or name in channels}
    found = conditioned(rig_of(**OUTPUTS, **channels), ("bias-sweep", recording_of(time, **kept)))
    assert found.temperature_u == (None if u is None else pytest.approx(u, rel=0.03))


def test_an_allowance_of_nothing_is_none(rig_of: RigOf, recording_of: RecordingOf, ideal: Ideal) -> None:
    time, made = ideal(noise=1.0)
    rig = rig_of(**OUTPUTS, oil_temperature={})
    free = rig.model_copy(update={"allowance": rig.allowance.model_copy(update={"oil_sensor": 0.0})})
    found = conditioned(free, ("bias-sweep", recording_of(time, **made)))
    assert found.temperature_u is None
    # oil as warm as the hall misses nothing
    made["oil_temperature"] = np.full(time.size, 20.0)
    assert conditioned(rig, ("bias-sweep", recording_of(time, **made))).temperature_u is None
    made["oil_temperature"] = np.full(time.size, 5.0)
    cold = conditioned(rig, ("bias-sweep", recording_of(time, **made)))
    assert cold.temperature_u == pytest.approx(0.02 * 15.0)


@pytest.mark.parametrize("left", [0, 19])
def test_twenty_samples_are_the_least(
    left: int, both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """What became of the others is told, reason by reason."""
    time, made = ideal(noise=1.0)
    made["left_torque"][100 + left :] = np.nan
    made["left_torque"][:100] = np.nan
    with pytest.raises(RecordingError) as caught:
        conditioned(both_outputs, ("bias-sweep", recording_of(time, **made)))
    made["left_torque"][100:120] = ideal(noise=1.0)[1]["left_torque"][100:120]
    (run,) = conditioned(both_outputs, ("bias-sweep", recording_of(time, **made))).runs
    assert run.cells.count.sum() == 20
    (fault,) = caught.value.faults
    assert fault.what == f"only {left} of 2000 samples can be used ({2000 - left} missing reading)"
    assert fault.place.file == "sweep.csv"
    assert fault.mend == (
        "record with the outputs slipping against each other, both ways round, at two speeds or more"
    )


@pytest.mark.parametrize(
    ("held", "said"),
    [
        (
            1000,
            "only 0 of 2000 samples can be used (1000 missing reading, 1000 outputs hold still (a bound, not",
        ),
        (1500, "the outputs hold still in 1500 of 2000 samples: that only bounds the locking torque"),
    ],
)
def test_outputs_that_hold_still_most_of_the_time_are_named_as_the_reason(
    held: int, said: str, both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """In more than half of the samples."""
    time, made = ideal(noise=1.0)
    rng = np.random.default_rng(3)
    for name in ("left_speed", "right_speed"):
        made[name] = 60.0 + rng.normal(0.0, 0.05, time.size)
    made["left_torque"][held:] = np.nan
    with pytest.raises(RecordingError) as caught:
        conditioned(both_outputs, ("bias-sweep", recording_of(time, **made)))
    assert caught.value.faults[0].what.startswith(said)


def test_faults_of_all_recordings_are_told_at_once(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """A good one beside them makes them no better; each in its file."""
    time, made = ideal(noise=1.0)
    good = recording_of(time, **made)
    rng = np.random.default_rng(5)
    locked = {name: values + 1e-3 * rng.normal(size=time.size) for name, values in made.items()}
    for name in ("left_speed", "right_speed"):
        locked[name] = 60.0 + rng.normal(0.0, 0.05, time.size)
    first = named(recording_of(time, **locked), "locked.csv")
    empty = {name: values + 1e-3 * rng.normal(size=time.size) for name, values in made.items()}
    empty["right_torque"][:] = np.nan
    second = named(recording_of(time, **empty), "empty.csv")
    with pytest.raises(RecordingError) as caught:
        conditioned(both_outputs, ("bias-sweep", first), ("bias-sweep", good), ("bias-sweep", second))
    told = {fault.place.file: fault.what for fault in caught.value.faults}
    assert told["locked.csv"] == (
        "the outputs hold still in 2000 of 2000 samples: that only bounds the locking torque"
    )
    assert told["empty.csv"] == "only 0 of 2000 samples can be used (2000 missing reading)"
    assert "sweep.csv" not in told


@pytest.mark.parametrize("held", [None, 1])
def test_sweeps_of_torque_are_read_first_whatever_stands_first(
    held: int | None, both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal,
    channels_of: Callable[..., dict[str, Array]],
) -> None:  # fmt: skip
    """They tell how large the torque gets: a wobble of 5 N·m beside 600 N·m is no turn, even where recordings
    cannot wait for each other; the runs keep the order of the sheet."""
    time, made = ideal(noise=1.0)
    slow = np.arange(3000) / 50.0
    wobble = 5.0 * np.sin(2 * np.pi * slow / 9.0)
    speed = 8.0 * np.sin(2 * np.pi * slow / 30.0) + 1e-6
    other = channels_of(slow, input_torque=wobble, speed_difference=speed)
    runs = [
        ("speed-sweep", named(recording_of(slow, **other), "slow.csv")),
        ("bias-sweep", recording_of(time, **made)),
    ]
    found = conditioned(both_outputs, *runs, held=held)
    assert [(run.kind, run.name) for run in found.runs] == [
        ("speed-sweep", "slow.csv"), ("bias-sweep", "sweep.csv"),
    ]  # fmt: skip
    assert found.runs[0].history.torque.size == 1
    assert [run.samples for run in found.runs] == [3000, 2000]


def test_a_tare_counts_wherever_it_stands(both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal) -> None:
    """After the sweep as before it."""
    time, made = ideal(noise=1.0)
    rng = np.random.default_rng(8)
    still = {name: np.full(1000, 60.0) for name in ("left_speed", "right_speed", "oil_temperature")}
    torques = {"left_torque": 4.0 + rng.normal(size=1000), "right_torque": -3.0 + rng.normal(size=1000)}
    tare = named(recording_of(np.arange(1000) / 50.0, **torques, **still), "tare.csv")
    sweep = recording_of(time, **made)
    before = conditioned(both_outputs, ("tare", tare), ("bias-sweep", sweep))
    after = conditioned(both_outputs, ("bias-sweep", sweep), ("tare", tare))
    np.testing.assert_array_equal(before.runs[0].difference, after.runs[0].difference)
    plain = conditioned(both_outputs, ("bias-sweep", sweep))
    # 4 less −3 N·m come off the difference of left and right
    off = plain.runs[0].difference - after.runs[0].difference
    assert off == pytest.approx(np.full(off.size, 7.0), abs=0.2)
    assert {note.subject for note in after.notes if "u_zero" in note.text} == set()
    assert {note.subject for note in plain.notes if "u_zero" in note.text} == {"left_torque", "right_torque"}


def test_a_channel_that_moves_in_a_part_is_not_dead_in_another(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
) -> None:
    """A logger that slows down makes two pieces; of one that is still in the second alone the signs
    are told, of one that never moved that it is dead."""
    time, made = ideal(cycles=8, rate=100.0, noise=0.5)
    n = time.size
    rows = np.concatenate([np.arange(n // 2), np.arange(n // 2, n, 10)])
    rng = np.random.default_rng(2)
    still = 40.0 + 0.05 * rng.normal(size=n)
    half = {name: values[rows] for name, values in made.items()}
    half["left_torque"] = np.where(rows < n // 2, half["left_torque"], still[rows])
    with pytest.raises(RecordingError, match="drives instead of holding back"):
        conditioned(both_outputs, ("bias-sweep", recording_of(time[rows], **half)))
    half["left_torque"] = still[rows]
    with pytest.raises(RecordingError, match="dead channel") as caught:
        conditioned(both_outputs, ("bias-sweep", recording_of(time[rows], **half)))
    told = [fault for fault in caught.value.faults if fault.what.startswith("dead channel")]
    assert {fault.place.file for fault in told} == {"sweep.csv"}
