"""Signs and sides: what a differential cannot do, and the cure that each mistake of wiring gets."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning.pipeline import condition
from diffbench.documents import Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]
SPEEDS = ("left_speed", "right_speed")


@pytest.fixture
def sweep(ideal: Callable[..., tuple[Array, dict[str, Array]]]) -> tuple[Array, dict[str, Array]]:
    time, channels = ideal(noise=1.0)
    return time, {**channels, "input_torque": channels["left_torque"] + channels["right_torque"]}


@pytest.fixture
def one_output(rig_of: Callable[..., Rig]) -> Callable[[str], Rig]:
    """Return a function that makes a rig with the input and one output."""

    def make(side: str) -> Rig:
        return rig_of(
            "input-and-one-output", **{name: {} for name in ("input_torque", f"{side}_torque", *SPEEDS)}
        )

    return make


def attempt(rig: Rig, recording_of: Callable[..., Recording], time: Array, channels: dict[str, Array]) -> str:
    """Condition a recording with the channels that the rig has; the mend of the error."""
    recorded = {name: channels[name] for name in rig.channel}
    with pytest.raises(RecordingError) as caught:
        condition(rig, [("bias-sweep", recording_of(time, **recorded))], rig_key="R", visit_key="V")
    (fault,) = caught.value.faults
    assert fault.place.file == "sweep.csv"
    assert "drives instead of holding back" in fault.what
    return fault.mend


def test_a_right_recording_passes(
    sweep: tuple[Array, dict[str, Array]],
    both_outputs: Rig,
    one_output: Callable[[str], Rig],
    recording_of: Callable[..., Recording],
) -> None:
    time, channels = sweep
    for rig in (both_outputs, one_output("left"), one_output("right")):
        recorded = {name: channels[name] for name in rig.channel if name in channels}
        run = condition(
            rig, [("bias-sweep", recording_of(time, **recorded))], rig_key="R", visit_key="V"
        ).runs[0]
        assert (run.locking > 0).all()


@pytest.mark.parametrize("names", [("left_torque", "right_torque"), SPEEDS])
def test_both_outputs_with_left_and_right_swapped(
    names: tuple[str, str],
    sweep: tuple[Array, dict[str, Array]],
    rig_of: Callable[..., Rig],
    recording_of: Callable[..., Recording],
) -> None:
    """Torques or speeds: the data can't say which, so the mend names both pairs."""
    time, channels = sweep
    one, other = names
    channels[one], channels[other] = channels[other], channels[one]
    rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={})
    mend = attempt(rig, recording_of, time, channels)
    assert "left and right are swapped" in mend
    assert "left_torque and right_torque" in mend
    assert "left_speed and right_speed" in mend


@pytest.mark.parametrize("name", ["left_torque", "right_torque"])
def test_both_outputs_with_one_sign_reversed(
    name: str,
    sweep: tuple[Array, dict[str, Array]],
    rig_of: Callable[..., Rig],
    recording_of: Callable[..., Recording],
) -> None:
    """The channel is named with the key to set; the other one is not accused."""
    time, channels = sweep
    channels[name] = -channels[name]
    rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={})
    mend = attempt(rig, recording_of, time, channels)
    assert f"the sign of {name} is reversed (set sign = -1 in [channel.{name}])" in mend
    other = {"left_torque": "right_torque", "right_torque": "left_torque"}[name]
    assert f"the sign of {other} is reversed" not in mend


def test_a_sign_that_the_rig_reverses_wrongly_is_set_back(
    sweep: tuple[Array, dict[str, Array]],
    rig_of: Callable[..., Rig],
    recording_of: Callable[..., Recording],
) -> None:
    """The mend names the sign that the rig should have, not the one it has."""
    time, channels = sweep
    rig = rig_of(left_torque={"sign": -1}, right_torque={}, left_speed={}, right_speed={})
    assert "set sign = 1 in [channel.left_torque]" in attempt(rig, recording_of, time, channels)


@pytest.mark.parametrize("side", ["left", "right"])
def test_one_output_with_speeds_swapped(
    side: str,
    sweep: tuple[Array, dict[str, Array]],
    one_output: Callable[[str], Rig],
    recording_of: Callable[..., Recording],
) -> None:
    time, channels = sweep
    channels["left_speed"], channels["right_speed"] = channels["right_speed"], channels["left_speed"]
    mend = attempt(one_output(side), recording_of, time, channels)
    assert "left and right are swapped" in mend
    assert "name the measured output the other side" in mend


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("which", ["input", "output"])
def test_one_output_with_one_sign_reversed(
    which: str,
    side: str,
    sweep: tuple[Array, dict[str, Array]],
    one_output: Callable[[str], Rig],
    recording_of: Callable[..., Recording],
) -> None:
    time, channels = sweep
    name = "input_torque" if which == "input" else f"{side}_torque"
    channels[name] = -channels[name]
    mend = attempt(one_output(side), recording_of, time, channels)
    assert f"the sign of {name} is reversed (set sign = -1 in [channel.{name}])" in mend


def test_a_speed_difference_of_the_wrong_sign(
    sweep: tuple[Array, dict[str, Array]],
    rig_of: Callable[..., Rig],
    recording_of: Callable[..., Recording],
) -> None:
    time, channels = sweep
    channels["speed_difference"] = channels["right_speed"] - channels["left_speed"]
    rig = rig_of(left_torque={}, right_torque={}, speed_difference={})
    assert "the sign of speed_difference" in attempt(rig, recording_of, time, channels)


def test_columns_that_are_no_torques_are_not_explained_away(
    sweep: tuple[Array, dict[str, Array]],
    rig_of: Callable[..., Rig],
    recording_of: Callable[..., Recording],
) -> None:
    """Noise in place of a torque: no swap or sign fits, and the mend says so."""
    time, channels = sweep
    wave = 400.0 * np.sin(2 * np.pi * time / 3.7)
    channels["left_torque"], channels["right_torque"] = wave, np.roll(wave, 77)
    rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={})
    assert "no swap or sign explains it" in attempt(rig, recording_of, time, channels)


def test_an_open_differential_is_not_accused(
    both_outputs: Rig,
    recording_of: Callable[..., Recording],
    ideal: Callable[..., tuple[Array, dict[str, Array]]],
) -> None:
    """No locking torque, noise alone: half of the cells lie below zero, none beyond three standard
    deviations."""
    time, channels = ideal(noise=1.0)
    half = 0.5 * (channels["left_torque"] + channels["right_torque"])
    rng = np.random.default_rng(4)
    channels["left_torque"] = half + rng.normal(size=time.size)
    channels["right_torque"] = half + rng.normal(size=time.size)
    visit = condition(
        both_outputs, [("bias-sweep", recording_of(time, **channels))], rig_key="R", visit_key="V"
    )
    assert abs(float(np.mean(visit.runs[0].locking))) < 0.2


def one_way(time: Array, channels: dict[str, Array], sign: float) -> dict[str, Array]:
    """What a bench that cannot reverse its slip would have read of the same sweep."""
    ahead = np.sign(channels["left_speed"] - channels["right_speed"]) == sign
    names = ("left_torque", "right_torque")
    crossed = {name: np.where(ahead, channels[name], channels[names[1 - i]]) for i, name in enumerate(names)}
    slip = 2.0 * sign
    return {
        **channels,
        **crossed,
        "left_speed": np.full(time.size, 60.0 + slip),
        "right_speed": np.full(time.size, 60.0 - slip),
        "input_torque": crossed["left_torque"] + crossed["right_torque"],
    }


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("side", ["left", "right"])
def test_an_input_torque_that_is_reversed_never_passes_where_slip_is_one_way(
    side: str,
    sign: float,
    ideal: Callable[..., tuple[Array, dict[str, Array]]],
    one_output: Callable[[str], Rig],
    recording_of: Callable[..., Recording],
) -> None:
    """Drive and coast on one side: friction seems to drive in little of it only, and yet it climbs by more
    than twice the input torque."""
    time, channels = ideal(noise=1.0)
    channels = one_way(time, channels, sign)
    rig = one_output(side)
    recorded = {name: channels[name] for name in rig.channel}
    run = [("bias-sweep", recording_of(time, **recorded))]
    condition(rig, run, rig_key="R", visit_key="V")
    wrong = [("bias-sweep", recording_of(time, **{**recorded, "input_torque": -recorded["input_torque"]}))]
    with pytest.raises(RecordingError) as caught:
        condition(rig, wrong, rig_key="R", visit_key="V")
    assert "the sign of input_torque is reversed" in caught.value.faults[0].mend
