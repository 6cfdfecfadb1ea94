"""An arrangement that the readings contradict: what one rig read, put through the papers of another."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import condition
from diffbench.documents import Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]
Sweep = tuple[Array, dict[str, Array]]
RecordingOf = Callable[..., Recording]
RigOf = Callable[..., Rig]
SPEEDS = ("left_speed", "right_speed")


def told(rig: Rig, recording_of: RecordingOf, time: Array, channels: dict[str, Array]) -> str:
    """What is said of it: the error, or the findings that make it doubtful."""
    recorded = {name: channels[name] for name in rig.channel if name in channels}
    try:
        visit = condition(rig, [("bias-sweep", recording_of(time, **recorded))], rig_key="R", visit_key="V")
    except RecordingError as error:
        return str(error)
    return " ".join(f"{f.severity}: {f.name}: {f.evidence} {f.mend}" for f in visit.findings)


@pytest.fixture
def sweep(ideal: Callable[..., Sweep]) -> Sweep:
    return ideal(noise=1.0)


@pytest.mark.parametrize("side", ["left", "right"])
def test_an_input_torque_read_as_an_output(
    side: str, sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf
) -> None:
    """One of "both outputs" is the case's torque."""
    time, channels = sweep
    whole = channels["left_torque"] + channels["right_torque"]
    rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={})
    said = told(rig, recording_of, time, {**channels, f"{side}_torque": whole})
    assert f"the column of {side}_torque holds the input torque" in said
    assert 'arrangement = "input-and-one-output"' in said


@pytest.mark.parametrize("side", ["left", "right"])
def test_an_output_read_as_the_input(
    side: str, sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf
) -> None:
    """Friction would not drive in it, and yet it can't be: locking torque turns with the slip."""
    time, channels = sweep
    other = {"left": "right", "right": "left"}[side]
    rig = rig_of("input-and-one-output", **{name: {} for name in ("input_torque", f"{side}_torque", *SPEEDS)})
    said = told(rig, recording_of, time, {**channels, "input_torque": channels[f"{other}_torque"]})
    assert "whatever way the outputs slip" in said
    assert f"name it {other}_torque" in said
    assert 'arrangement = "both-outputs"' in said


@pytest.mark.parametrize("gain", [0.97, 1.03])
def test_gains_that_are_off_are_no_wrong_arrangement(
    gain: float, sweep: Sweep, both_outputs: Rig, recording_of: RecordingOf
) -> None:
    time, channels = sweep
    said = told(both_outputs, recording_of, time, {**channels, "left_torque": gain * channels["left_torque"]})
    assert "arrangement" not in said
