"""Signs and sides: what a differential cannot do, and the cure that each mistake of wiring gets."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import WiringError, condition
from diffbench.documents import Build, Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]
Ideal = Callable[..., tuple[Array, dict[str, Array]]]
Sweep = tuple[Array, dict[str, Array]]
RecordingOf = Callable[..., Recording]
RigOf = Callable[..., Rig]
SPEEDS = ("left_speed", "right_speed")


@pytest.fixture
def sweep(ideal: Ideal) -> Sweep:
    time, channels = ideal(noise=1.0)
    return time, {**channels, "input_torque": channels["left_torque"] + channels["right_torque"]}


@pytest.fixture
def one_output(rig_of: RigOf) -> Callable[[str], Rig]:
    """Return a function that makes a rig with the input and one output."""

    def make(side: str) -> Rig:
        return rig_of(
            "input-and-one-output", **{name: {} for name in ("input_torque", f"{side}_torque", *SPEEDS)}
        )

    return make


def attempt(rig: Rig, recording_of: RecordingOf, time: Array, channels: dict[str, Array]) -> str:
    """Condition a recording with the channels that the rig has; the mend of the error."""
    recorded = {name: channels[name] for name in rig.channel}
    with pytest.raises(RecordingError) as caught:
        condition(rig, [("bias-sweep", recording_of(time, **recorded))], rig_key="R", visit_key="V")
    (fault,) = caught.value.faults
    assert fault.place.file == "sweep.csv"
    assert "drives instead of holding back" in fault.what
    return fault.mend


def test_a_right_recording_passes(
    sweep: Sweep, both_outputs: Rig, one_output: Callable[[str], Rig], recording_of: RecordingOf
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
    names: tuple[str, str], sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf
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
    name: str, sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf
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
    sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf
) -> None:
    """The mend names the sign that the rig should have, not the one it has."""
    time, channels = sweep
    rig = rig_of(left_torque={"sign": -1}, right_torque={}, left_speed={}, right_speed={})
    assert "set sign = 1 in [channel.left_torque]" in attempt(rig, recording_of, time, channels)


@pytest.mark.parametrize("side", ["left", "right"])
def test_one_output_with_speeds_swapped(
    side: str, sweep: Sweep, one_output: Callable[[str], Rig], recording_of: RecordingOf
) -> None:
    time, channels = sweep
    channels["left_speed"], channels["right_speed"] = channels["right_speed"], channels["left_speed"]
    mend = attempt(one_output(side), recording_of, time, channels)
    assert "left and right are swapped" in mend
    assert "name the measured output the other side" in mend


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("which", ["input", "output"])
def test_one_output_with_one_sign_reversed(
    which: str, side: str, sweep: Sweep, one_output: Callable[[str], Rig], recording_of: RecordingOf
) -> None:
    time, channels = sweep
    name = "input_torque" if which == "input" else f"{side}_torque"
    channels[name] = -channels[name]
    mend = attempt(one_output(side), recording_of, time, channels)
    assert f"the sign of {name} is reversed (set sign = -1 in [channel.{name}])" in mend


def test_a_speed_difference_of_the_wrong_sign(sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf) -> None:
    time, channels = sweep
    channels["speed_difference"] = channels["right_speed"] - channels["left_speed"]
    rig = rig_of(left_torque={}, right_torque={}, speed_difference={})
    assert "the sign of speed_difference" in attempt(rig, recording_of, time, channels)


def test_speeds_by_a_clock_that_is_seconds_off_are_no_reversed_sign(
    ideal: Ideal, rig_of: RigOf, recording_of: RecordingOf
) -> None:
    """Torques of one logger, speeds of another: by 3 s the run is refused and the clock named first; by 0.6 s
    it is told; in step, nothing is."""
    time, channels = ideal(noise=1.0)
    rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={})

    def behind(seconds: float) -> dict[str, Array]:
        late = {name: np.roll(channels[name], -round(50 * seconds)) for name in SPEEDS}
        return {name: values[:-150] for name, values in (channels | late).items() if name in rig.channel}

    assert "the clock of the speeds is some 3 s behind" in attempt(
        rig, recording_of, time[:-150], behind(3.0)
    )
    for seconds, told in ((0.6, ["clocks apart"]), (0.0, [])):
        recording = recording_of(time[:-150], **behind(seconds))
        visit = condition(rig, [("bias-sweep", recording)], rig_key="R", visit_key="V")
        found = [one for one in visit.findings if one.name == "clocks apart"]
        assert [one.name for one in found] == told
        assert all("0.6 s behind" in one.evidence and "parts" not in one.evidence for one in found)


def test_columns_that_are_no_torques_are_not_explained_away(
    sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf
) -> None:
    """Noise in place of a torque: no swap or sign fits, and the mend says so."""
    time, channels = sweep
    wave = 400.0 * np.sin(2 * np.pi * time / 3.7)
    channels["left_torque"], channels["right_torque"] = wave, np.roll(wave, 77)
    rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={})
    assert "no swap or sign explains it" in attempt(rig, recording_of, time, channels)


def test_an_open_differential_is_not_accused(
    both_outputs: Rig, recording_of: RecordingOf, ideal: Ideal
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
    side: str, sign: float, ideal: Ideal, one_output: Callable[[str], Rig], recording_of: RecordingOf
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


LEFT_RIGHT = {
    name: {"column": f"{name} logged"} for name in ("left_torque", "right_torque", *SPEEDS, "input_torque")
}


def error_of(
    rig: Rig, recording_of: RecordingOf, time: Array, channels: dict[str, Array], kind: str
) -> WiringError:
    recorded = {name: channels[name] for name in rig.channel}
    with pytest.raises(WiringError) as caught:
        condition(rig, [(kind, recording_of(time, **recorded))], rig_key="R", visit_key="V")
    return caught.value


def reactions(channels: dict[str, Array]) -> dict[str, Array]:
    """Both output torques logged as reactions."""
    return {**channels, "left_torque": -channels["left_torque"], "right_torque": -channels["right_torque"]}


class TestEveryWiringIsNamed:
    """Both torques reversed, and sides swapped, look alike but for drive and coast: all are named."""

    def test_both_torques_as_reactions(self, sweep: Sweep, rig_of: RigOf, recording_of: Any) -> None:
        time, channels = sweep
        names = ("left_torque", "right_torque", *SPEEDS)
        rig = rig_of(**{name: LEFT_RIGHT[name] for name in names})
        mend = error_of(rig, recording_of, time, reactions(channels), "bias-sweep").faults[0].mend
        first, second, third = mend.index("(1)"), mend.index("(2)"), mend.index("(3)")
        assert "sign = -1 in [channel.left_torque] and sign = -1 in [channel.right_torque]" in mend[:second]
        assert "further in drive" in mend[first:second]
        assert 'column = "right_speed logged" in [channel.left_speed]' in mend[second:third]
        assert 'column = "right_torque logged" in [channel.left_torque]' in mend[third:]
        assert "Drive and coast hang on which it is" in mend
        assert "record input_torque" in mend

    @pytest.mark.parametrize("mistake", ["reactions", "swap"])
    def test_a_recorded_input_torque_ranks_them(
        self, mistake: str, sweep: Sweep, rig_of: RigOf, recording_of: Any
    ) -> None:
        """And settles drive and coast, so that only the pair that is swapped stays open."""
        time, channels = sweep
        # as far in coast as in drive, so that the reach tells nothing
        kept = np.abs(channels["input_torque"]) < 290.0
        time, channels = time[kept], {name: values[kept] for name, values in channels.items()}
        left, right = channels["left_torque"], channels["right_torque"]
        wrong = (
            reactions(channels)
            if mistake == "reactions"
            else {**channels, "left_torque": right, "right_torque": left}
        )
        rig = rig_of(**LEFT_RIGHT)
        mend = error_of(rig, recording_of, time, wrong, "bias-sweep").faults[0].mend
        first = mend[: mend.index("(2)")]
        assert ("all torques count the other way" in first) is (mistake == "reactions")
        assert "the recorded input torque agrees" in first
        assert "the recorded input torque speaks against it" in mend
        assert "Drive and coast hang" not in mend

    def test_the_ramps_of_the_sheet_rank_them(self, sweep: Sweep, rig_of: RigOf, recording_of: Any) -> None:
        """The ideal bench locks by 0.5 in drive and 0.3 in coast: ramps of 42° and 57°, or of 57° and 42°."""
        time, channels = sweep
        rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={})
        error = error_of(rig, recording_of, time, reactions(channels), "bias-sweep")
        for angles, likely in (((42.0, 57.0), "all torques count"), ((57.0, 42.0), "left and right are")):
            drive, coast = (f"{angle} deg" for angle in angles)
            build = Build.model_validate(
                {
                    "format": "diffbench-build/1",
                    "unit": "A",
                    "build": "A-1",
                    "packs": {"faces": 4, "inner_radius": "38 mm", "outer_radius": "54 mm"},
                    "ramps": {"angle_from": "plane", "drive_angle": drive, "coast_angle": coast},
                }
            )
            mend = error.with_sheet(build).faults[0].mend
            assert likely in mend[: mend.index("(2)")]
            assert "the ramps of the build sheet agree" in mend[: mend.index("(2)")]
            assert "the ramps of the build sheet speak against it" in mend[mend.index("(2)") :]

    def test_input_and_output_exchanged(
        self, sweep: Sweep, one_output: Callable[[str], Rig], recording_of: RecordingOf
    ) -> None:
        time, channels = sweep
        channels["input_torque"], channels["left_torque"] = channels["left_torque"], channels["input_torque"]
        error = error_of(one_output("left"), recording_of, time, channels, "bias-sweep")
        assert "both torques are swapped" in error.faults[0].mend


def test_a_one_way_speed_sweep_at_no_input_torque_is_not_refused(
    both_outputs: Rig, channels_of: Callable[..., dict[str, Array]], recording_of: RecordingOf
) -> None:
    """What friction does over speed is no climb over an input torque that is not swept: here it falls by
    15 N·m while bearings move the input torque by two."""
    time = np.arange(3000) / 50.0
    slip = 1.0 + 9.0 * time / time[-1]
    channels = channels_of(time, input_torque=2.0 * slip / 10.0, speed_difference=slip)
    rng = np.random.default_rng(5)
    for name, side in (("left_torque", 1.0), ("right_torque", -1.0)):
        channels[name] = channels[name] + side * 0.75 * slip + rng.normal(0.0, 0.3, time.size)
    visit = condition(
        both_outputs, [("speed-sweep", recording_of(time, **channels))], rig_key="R", visit_key="V"
    )
    assert (visit.runs[0].locking > 50.0).all()


def test_speeds_that_both_count_backwards_are_told_from_swapped_ones(
    sweep: Sweep, rig_of: RigOf, recording_of: Any
) -> None:
    """Their sum is negative; exchanged ones would turn forward."""
    time, channels = sweep
    rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={})
    wrong = {**channels, **{name: -channels[name] for name in SPEEDS}}
    mend = error_of(rig, recording_of, time, wrong, "bias-sweep").faults[0].mend
    assert (
        "sign = -1 in [channel.left_speed] and sign = -1 in [channel.right_speed]"
        in mend[: mend.index("(2)")]
    )
    assert "exchange the columns of left_speed and right_speed" in mend
