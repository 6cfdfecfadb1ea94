"""Every sample is kept, or left out for one counted reason."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import Reason
from diffbench.conditioning.samples import Samples, take
from diffbench.documents import Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]
Sweep = tuple[Array, dict[str, Array]]
RecordingOf = Callable[..., Recording]
RigOf = Callable[..., Rig]
SamplesOf = Callable[..., Samples]
OUTPUTS = ("left_torque", "right_torque")


@pytest.fixture
def sweep(ideal: Callable[..., Sweep]) -> Sweep:
    """40 s at 50 Hz with 1 N·m of noise."""
    return ideal(noise=1.0)


@pytest.fixture
def taken(both_outputs: Rig, recording_of: RecordingOf) -> SamplesOf:
    def take_them(time: Array, channels: dict[str, Array], rig: Rig = both_outputs) -> Samples:
        return take(recording_of(time, **channels), rig, torque_channels=OUTPUTS)

    return take_them


def test_a_clean_sweep_loses_only_what_has_not_settled(sweep: Sweep, taken: SamplesOf) -> None:
    """0.3 rad at 4 rad/s after the start and after each of the three reversals: 75 ms, and the reversal's
    own mean."""
    samples = taken(*sweep)
    codes, counts = np.unique(samples.reason, return_counts=True)
    assert set(codes) <= {Reason.KEPT, Reason.HOLDING, Reason.UNSETTLED}
    assert counts[codes == Reason.KEPT].sum() >= 2000 - 4 * 10


def test_a_missing_reading_of_a_needed_torque_drops_the_sample(sweep: Sweep, taken: SamplesOf) -> None:
    time, channels = sweep
    channels["right_torque"][700:760] = np.nan
    samples = taken(time, channels)
    assert (samples.reason[700:760] == Reason.MISSING).all()
    assert int((samples.reason == Reason.MISSING).sum()) == 60


def test_a_missing_temperature_is_bridged_for_the_heat_and_drops_nothing(
    sweep: Sweep, taken: SamplesOf
) -> None:
    time, channels = sweep
    channels["oil_temperature"] = 50.0 + 0.5 * time
    channels["oil_temperature"][400:900] = np.nan
    samples = taken(time, channels)
    assert not (samples.reason == Reason.MISSING).any()
    assert samples.oil is not None
    # a straight line over the gap; the mean of 3 s at its edges sees one side only, 1.5 s at 0.5 K/s at most
    np.testing.assert_allclose(samples.oil, 50.0 + 0.5 * time, atol=0.8)


def test_a_reading_beyond_its_range_is_told_from_a_missing_one(
    sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf
) -> None:
    time, channels = sweep
    channels["left_torque"][300:330] = 1999.0
    ranged = {"range": ["-1500 N.m", "1500 N.m"]}
    rig = rig_of(left_torque=ranged, right_torque=ranged, left_speed={}, right_speed={}, oil_temperature={})
    samples = take(recording_of(time, **channels), rig, torque_channels=OUTPUTS)
    assert (samples.reason[300:330] == Reason.OUT_OF_RANGE).all()
    assert np.isnan(samples.torques["left_torque"][300:330]).all()
    assert int((samples.reason == Reason.OUT_OF_RANGE).sum()) == 30


def test_a_spike_is_counted_by_channel(sweep: Sweep, taken: SamplesOf) -> None:
    time, channels = sweep
    channels["left_torque"][[250, 1333]] += [300.0, -250.0]
    channels["right_torque"][800] += 90.0
    samples = taken(time, channels)
    assert np.flatnonzero(samples.reason == Reason.SPIKE).tolist() == [250, 800, 1333]
    assert samples.spike_counts["left_torque"] == 2
    assert samples.spike_counts["right_torque"] == 1


def test_a_spike_of_a_speed_drops_no_torque(sweep: Sweep, taken: SamplesOf) -> None:
    """The speed is bridged by its neighbours in the local mean; the torques are as good as ever."""
    time, channels = sweep
    before = taken(time, channels)
    channels["left_speed"][[333, 1210]] += 80.0
    after = taken(time, channels)
    assert after.spike_counts["left_speed"] == before.spike_counts["left_speed"] + 2
    np.testing.assert_array_equal(after.reason, before.reason)


def test_missing_speeds_are_a_reason_of_their_own(sweep: Sweep, taken: SamplesOf) -> None:
    """But for the edges, over which the mean of 0.1 s reaches; then the slip must settle anew."""
    time, channels = sweep
    channels["left_speed"][700:750] = np.nan
    samples = taken(time, channels)
    assert (samples.reason[703:747] == Reason.NO_SPEED).all()
    assert (samples.reason == Reason.NO_SPEED).sum() <= 50


def test_outputs_that_hold_are_a_bound_not_a_sample(sweep: Sweep, taken: SamplesOf) -> None:
    time, channels = sweep
    for name in ("left_speed", "right_speed"):
        channels[name][1000:1250] = 60.0 + 0.02 * np.random.default_rng(5).normal(size=250)
    samples = taken(time, channels)
    assert (samples.reason[1005:1245] == Reason.HOLDING).all()


def test_the_first_reason_that_holds_is_the_one_counted(sweep: Sweep, taken: SamplesOf) -> None:
    """Missing and holding at once: missing. So the counts add up to the samples."""
    time, channels = sweep
    channels["left_torque"][1000:1100] = np.nan
    for name in ("left_speed", "right_speed"):
        channels[name][1000:1250] = 60.0
    samples = taken(time, channels)
    assert (samples.reason[1000:1100] == Reason.MISSING).all()
    assert (samples.reason[1110:1240] == Reason.HOLDING).all()


def test_stated_gain_zero_and_sign_are_applied(
    sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf
) -> None:
    """What is read through the reversed, miscalibrated channel comes out as what was put in."""
    time, channels = sweep
    true = channels["left_torque"].copy()
    channels["left_torque"] = (-true - 3.0) / 1.02
    rig = rig_of(
        left_torque={"sign": -1, "gain": 1.02, "zero": "3 N.m"},
        right_torque={},
        left_speed={},
        right_speed={},
        oil_temperature={},
    )
    samples = take(recording_of(time, **channels), rig, torque_channels=OUTPUTS)
    good = np.isfinite(samples.torques["left_torque"])
    np.testing.assert_allclose(samples.torques["left_torque"][good], true[good], atol=1e-9)


class TestSpeeds:
    """The same speeds by whatever channels the bench has."""

    @pytest.mark.parametrize(
        "names",
        [
            ("left_speed", "right_speed"),
            ("case_speed", "speed_difference"),
            ("case_speed", "left_speed", "speed_difference"),
            ("case_speed", "right_speed", "speed_difference"),
        ],
    )
    def test_all_shafts_follow(
        self, names: tuple[str, ...], sweep: Sweep, rig_of: RigOf, recording_of: RecordingOf
    ) -> None:
        time, channels = sweep
        left, right = channels.pop("left_speed"), channels.pop("right_speed")
        have = {
            "left_speed": left,
            "right_speed": right,
            "case_speed": 0.5 * (left + right),
            "speed_difference": left - right,
        }
        channels.update({name: have[name] for name in names})
        rig = rig_of(**{name: {} for name in channels})
        samples = take(recording_of(time, **channels), rig, torque_channels=OUTPUTS)
        # away from the reversals, which the mean over 0.1 s rounds, what is left is noise of 0.02 rad/s
        inner = (samples.reason == Reason.KEPT) & (np.abs(time % 10.0 - 5.0) < 4.8)
        for shaft, true in (("left", left), ("right", right), ("case", 0.5 * (left + right))):
            assert np.std(samples.speeds[shaft][inner] - true[inner]) < 0.03
        assert np.std(samples.motion.speed_difference[inner] - (left - right)[inner]) < 0.06

    def test_no_speed_difference_is_refused(
        self, sweep: Sweep, both_outputs: Rig, recording_of: RecordingOf
    ) -> None:
        time, channels = sweep
        del channels["right_speed"]
        with pytest.raises(RecordingError, match="speed difference of the outputs is not recorded") as caught:
            take(recording_of(time, **channels), both_outputs, torque_channels=OUTPUTS)
        assert caught.value.faults[0].place.file == "sweep.csv"
        assert "left_speed and right_speed" in caught.value.faults[0].mend

    def test_a_steady_acceleration_is_found(self, rig_of: RigOf, recording_of: RecordingOf) -> None:
        """Speeds that rise by 2 and fall by 1 rad/s², as inertia needs it."""
        time = np.arange(500) / 50.0
        rest: dict[str, dict[str, object]] = {"right_torque": {}, "left_speed": {}, "right_speed": {}}
        recording = recording_of(
            time,
            left_torque=np.zeros(500),
            right_torque=np.zeros(500),
            left_speed=50.0 + 2.0 * time,
            right_speed=70.0 - time,
        )
        assert not take(recording, rig_of(left_torque={}, **rest), torque_channels=OUTPUTS).accelerations
        rig = rig_of(left_torque={"inertia": "0.05 kg.m^2"}, **rest)
        found = take(recording, rig, torque_channels=OUTPUTS).accelerations
        for shaft, rate in (("left", 2.0), ("right", -1.0), ("case", 0.5)):
            np.testing.assert_allclose(found[shaft][1:-1], rate, atol=1e-9)


def test_too_short_a_recording_is_refused(both_outputs: Rig, recording_of: RecordingOf) -> None:
    time = np.arange(30) / 50.0
    channels = {name: np.zeros(30) for name in (*OUTPUTS, "left_speed", "right_speed")}
    with pytest.raises(RecordingError, match="only 30 samples") as caught:
        take(recording_of(time, **channels), both_outputs, torque_channels=OUTPUTS)
    assert "sweep" in caught.value.faults[0].mend


def test_oil_noise_is_smoothed_and_its_course_is_not(sweep: Sweep, taken: SamplesOf) -> None:
    """0.3 K of scatter at 50 Hz over 10 s: 0.3/√500 K, while a warming of 1 K/s stays."""
    time, channels = sweep
    course = 40.0 + time
    channels["oil_temperature"] = course + np.random.default_rng(7).normal(0.0, 0.3, time.size)
    samples = taken(time, channels)
    assert samples.oil is not None
    inner = slice(300, -300)
    assert np.std(samples.oil[inner] - course[inner]) < 0.03
