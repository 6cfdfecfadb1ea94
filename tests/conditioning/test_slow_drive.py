"""A slow drive that turns one output while its torque is recorded: what each arrangement reads (common
practice, no source; the equilibrium of the three shafts)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import ConditionedRun, condition, is_slow_drive
from diffbench.documents import Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]
RecordingOf = Callable[..., Recording]
RunOf = Callable[..., ConditionedRun]
FREE, HELD = "output-turned-case-free", "output-turned-case-held"
PRELOAD, DRIVE_BIAS, COAST_BIAS, DRAG = 80.0, 0.5, 0.3, 0.4
TIME = np.arange(3000) / 50.0
# forward for half a minute, backward for the other half
SPEED = np.where(TIME < 30.0, 1.0, -1.0)


def reading(arrangement: str) -> Array:
    """What the flange reads: half of the preload torque with the case free; with the case held, W = P + K W
    on the coast flank forward and on the drive flank backward; drag of its own bearing on top."""
    if arrangement == FREE:
        return np.asarray(np.sign(SPEED) * (PRELOAD / 2.0 + DRAG))
    bias = np.where(SPEED > 0, COAST_BIAS, DRIVE_BIAS)
    return np.asarray(np.sign(SPEED) * (PRELOAD / (1.0 - bias) + DRAG))


@pytest.fixture
def rig(rig_of: Callable[..., Rig]) -> Callable[[str], Rig]:
    def make(arrangement: str) -> Rig:
        torque = {"drag": {"value": f"{DRAG} N.m", "u": "0.1 N.m"}, "u_gain": 0.002, "u_zero": "0.2 N.m"}
        return rig_of(arrangement, turning_torque=torque, speed_difference={})

    return make


@pytest.fixture
def conditioned(rig: Callable[[str], Rig], recording_of: RecordingOf) -> RunOf:
    def run(arrangement: str, torque: Array | None = None) -> ConditionedRun:
        values = reading(arrangement) if torque is None else torque
        recording = recording_of(TIME, turning_torque=values, speed_difference=SPEED)
        visit = condition(rig(arrangement), [("turning-torque", recording)], rig_key="R", visit_key="V")
        (made,) = visit.runs
        return made

    return run


def test_case_free_gives_twice_the_torque_at_no_input_torque(conditioned: RunOf) -> None:
    run = conditioned(FREE)
    np.testing.assert_allclose(run.locking, PRELOAD, rtol=1e-9)
    np.testing.assert_allclose(run.input_torque, 0.0, atol=1e-9)
    # the speed is known: friction goes by it, and not by a word
    assert not run.friction_state.any()
    # the cell at the reversal averages over a tenth of a second of it
    assert np.median(np.abs(run.cells.speed_difference)) == pytest.approx(1.0, rel=1e-9)


def test_case_held_gives_the_torque_itself_at_as_much_input_torque(conditioned: RunOf) -> None:
    run = conditioned(HELD)
    forward = run.cells.direction > 0
    np.testing.assert_allclose(run.locking[forward], PRELOAD / (1.0 - COAST_BIAS), rtol=1e-9)
    np.testing.assert_allclose(run.input_torque[forward], -PRELOAD / (1.0 - COAST_BIAS), rtol=1e-9)
    np.testing.assert_allclose(run.locking[~forward], PRELOAD / (1.0 - DRIVE_BIAS), rtol=1e-9)
    np.testing.assert_allclose(run.input_torque[~forward], PRELOAD / (1.0 - DRIVE_BIAS), rtol=1e-9)


@pytest.mark.parametrize(("arrangement", "gives"), [(FREE, 2.0), (HELD, 1.0)])
def test_doubtful_constants_go_through_the_arrangement(
    arrangement: str, gives: float, conditioned: RunOf
) -> None:
    """0.2 N·m of zero and 0.1 N·m of drag change the difference by as much, twice with the case free; the
    drag goes with the direction, the zero does not."""
    run = conditioned(arrangement)
    effects = {key.rpartition(":")[2]: effect.difference for key, effect in run.effects.items()}
    np.testing.assert_allclose(effects["turning_torque.zero"], -0.2 * gives, rtol=1e-9)
    np.testing.assert_allclose(effects["turning_torque.drag"], 0.1 * gives * run.cells.direction, rtol=1e-9)
    gain = 0.002 * (run.locking / gives + DRAG) * gives
    np.testing.assert_allclose(np.abs(effects["turning_torque.gain"]), gain, rtol=1e-9)


def test_a_drive_that_reads_the_other_way_is_refused(conditioned: RunOf) -> None:
    with pytest.raises(RecordingError, match="sign of turning_torque is reversed"):
        conditioned(FREE, -reading(FREE))


@pytest.mark.parametrize(
    ("channels", "labels", "slow"),
    [
        (("turning_torque", "speed_difference"), {}, True),
        (("turning_torque",), {}, False),
        (("turning_torque", "speed_difference"), {"reading": ("running",) * TIME.size}, False),
    ],
)
def test_readings_with_words_are_no_recording(
    channels: tuple[str, ...],
    labels: dict[str, Any],
    slow: bool,
    rig: Callable[[str], Rig],
    recording_of: RecordingOf,
) -> None:
    recording = recording_of(TIME, labels=labels, **dict.fromkeys(channels, SPEED))
    assert is_slow_drive(rig(FREE), recording) is slow
