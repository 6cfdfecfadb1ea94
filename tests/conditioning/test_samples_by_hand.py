"""Spikes, rates and smoothed temperatures at their sizes: signals without chance, worked out by hand."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning.samples import Reason, readable, take
from diffbench.conditioning.smoothing import rate_of_change, spikes, usual_step, white_noise
from diffbench.documents import Rig
from diffbench.recording import Recording

Array = NDArray[np.float64]
Ideal = Callable[..., tuple[Array, dict[str, Array]]]
#: ±1 in turn: each second difference is 4, a noise of 1.4826 · 4/√6.
FLICKER = (-1.0) ** np.arange(2000)
NOISE = 1.4826 * 4.0 / np.sqrt(6.0)


def spiked(values: Array, at: int, by: float, **more: float) -> list[int]:
    out = values.copy()
    out[at] = by
    return np.flatnonzero(spikes(out, **more)).tolist()  # type: ignore[arg-type]


def test_a_spike_stands_out_by_eight_of_the_noise_and_its_neighbours_spread() -> None:
    """Four neighbours at −1 and four at 1: their middle 0, three quarters of them within 1. 8 · 2.4211 + 3
    are 22.369."""
    border = 8.0 * NOISE + 3.0
    for at in (1000, 1001, 16, 31, 1999 - 4):
        for sign in (1.0, -1.0):
            assert spiked(FLICKER, at, sign * (border - 0.05)) == [], at
            assert spiked(FLICKER, at, sign * (border + 0.05)) == [at], at
    # twice as sure, or a noise that a coarse logger hides
    assert spiked(FLICKER, 1000, 16.0 * NOISE + 3.05, threshold=16.0) == [1000]
    assert spiked(FLICKER, 1000, 16.0 * NOISE + 2.95, threshold=16.0) == []
    assert spiked(FLICKER, 1000, 80.0 + 3.05, resolution=10.0) == [1000]
    assert spiked(FLICKER, 1000, 80.0 + 2.95, resolution=10.0) == []
    # a channel without noise: its smallest step stands in for it
    steps = np.zeros(400)
    steps[200:] = 0.5
    assert spiked(steps, 100, 0.5 * 8.0 + 0.01) == [100]
    assert spiked(steps, 100, 0.5 * 8.0 - 0.01) == []
    assert spiked(FLICKER[:9], 4, 100.0) == [4]
    assert spiked(FLICKER[:8], 4, 100.0) == []


def test_rates_are_of_means_and_one_sided_at_the_ends() -> None:
    """Of single samples: to the next, over both sides, from the last; of three, of their means."""
    time = np.array([0.0, 1.0, 2.0, 4.0])
    values = np.array([3.0, 5.0, 11.0, 12.0])
    assert rate_of_change(time, values, 1).tolist() == [2.0, 4.0, 7.0 / 3.0, 0.5]
    means, at = [3.0, 19.0 / 3.0, 28.0 / 3.0, 12.0], [0.0, 1.0, 7.0 / 3.0, 4.0]
    expected = [
        10.0 / 3.0, (means[2] - means[0]) / (at[2] - at[0]), (means[3] - means[1]) / (at[3] - at[1]),
        (means[3] - means[2]) / (at[3] - at[2]),
    ]  # fmt: skip
    assert rate_of_change(time, values, 3) == pytest.approx(expected)
    values[1] = np.nan
    assert rate_of_change(time, values, 1) == pytest.approx([4.0, 4.0, 5.0 / 3.0, 0.5])
    assert rate_of_change(time[:1], values[:1], 1).tolist() == [0.0]
    assert rate_of_change(time[:2], np.array([1.0, 4.0]), 1).tolist() == [3.0, 3.0]


def test_a_part_of_a_long_recording_tells_its_noise() -> None:
    """Of 2¹⁷ samples every second place."""
    count = 1 << 17
    # second differences are 0 at the feet and the tops, 2 between them
    pattern = np.tile([0.0, 1.0, 2.0, 1.0], count // 4)
    assert white_noise(pattern) == 0.0
    for other in (np.roll(pattern, 1), pattern[1:]):
        assert white_noise(other) == pytest.approx(1.4826 * 2.0 / np.sqrt(6.0))
    time = np.cumsum(np.tile([0.1, 0.3], count // 2))
    assert usual_step(time) == pytest.approx(0.3)
    assert usual_step(time[: count - 1]) == pytest.approx(0.2, abs=0.11)


def test_what_no_oil_is_as_warm_as_is_left_out_with_two_samples_beside() -> None:
    """From −60 to 350 °C."""
    for value, gone in ((350.0, 0), (350.1, 5), (-60.0, 0), (-60.1, 5)):
        values = np.full(20, 60.0)
        values[10] = value
        lost = np.flatnonzero(np.isnan(readable(values))).tolist()
        assert lost == list(range(8, 13))[: gone or 0]
    assert np.isnan(readable(np.array([60.0, 400.0, 60.0]))).tolist() == [False, True, False]
    assert np.isnan(readable(np.array([60.0] * 4 + [400.0]))).tolist() == [False, False, True, True, True]


@pytest.fixture
def sampled(
    both_outputs: Rig, rig_of: Callable[..., Rig], recording_of: Callable[..., Recording]
) -> Callable[..., Any]:
    """Samples of both outputs that slip at 4 rad/s for 40 s, with channels of one's own."""

    def made(rate: float = 50.0, keys: dict[str, dict[str, Any]] | None = None, **channels: Array) -> Any:
        time = np.arange(round(40.0 * rate)) / rate
        usual = {
            "left_torque": np.full(time.size, 100.0), "right_torque": np.full(time.size, 200.0),
            "left_speed": np.full(time.size, 62.0), "right_speed": np.full(time.size, 58.0),
        }  # fmt: skip
        every = {**usual, **channels}
        rig = rig_of(**{"time": {}, **{name: (keys or {}).get(name, {}) for name in every}})
        return take(recording_of(time, **every), rig, torque_channels=("left_torque", "right_torque"))

    return made


@pytest.mark.parametrize(("flicker", "width"), [(0.041, 151), (0.0416, 501)])
def test_oil_is_averaged_over_three_seconds_or_ten(
    flicker: float, width: int, sampled: Callable[..., Any]
) -> None:
    """From a noise of 0.1 K on, which is a flicker of 0.0413 K, over ten; at 50 Hz 151 and 501 samples."""
    oil = np.where(np.arange(2000) < 1000, 60.0, 70.0) + flicker * FLICKER
    found = sampled(oil_temperature=oil)
    expected = np.convolve(oil, np.full(width, 1.0 / width), "valid")
    half = width // 2
    assert found.oil[half:-half] == pytest.approx(expected)
    assert found.plate is None


def test_rates_are_over_a_twentieth_of_a_second_or_twice_the_lag(sampled: Callable[..., Any]) -> None:
    """A step of 40 N·m at 1 kHz is a slope over 51 samples, with a lag of 50 ms one over 101."""
    step = np.where(np.arange(40_000) < 20_000, 100.0, 140.0)
    for keys, width in (({}, 51), ({"lag": "20 ms"}, 51), ({"lag": "50 ms"}, 101)):
        found = sampled(1000.0, {"left_torque": keys}, left_torque=step)
        rate = found.rates["left_torque"]
        slope = 40.0 / width * 1000.0
        assert rate[20_000] == pytest.approx(slope)
        assert np.count_nonzero(np.abs(rate) > 0.75 * slope) == width - 1
        assert float(rate.sum()) / 1000.0 == pytest.approx(40.0)
        assert not found.rates["right_torque"].any()
        # speeds are not asked for their rates where no inertia is stated
        assert found.accelerations == {}


def test_shafts_with_an_inertia_have_their_accelerations(sampled: Callable[..., Any]) -> None:
    """5 rad/s² of both, and of the case between them; speeds are means over a tenth of a second."""
    time = np.arange(2000) / 50.0
    speeds = {"left_speed": 62.0 + 5.0 * time, "right_speed": 58.0 + 5.0 * time}
    for inertia in ({"value": "0.05 kg.m^2"}, {"value": "0 kg.m^2", "u": "0.01 kg.m^2"}):
        found = sampled(keys={"left_torque": {"inertia": inertia}}, **speeds)
        assert set(found.accelerations) == {"left", "right", "case"}
        for name, begin in (("left", 62.0), ("right", 58.0), ("case", 60.0)):
            assert found.accelerations[name] == pytest.approx(np.full(2000, 5.0))
            assert found.speeds[name] == pytest.approx(begin + 5.0 * time)


def test_readings_are_left_out_with_the_reason_that_comes_first(sampled: Callable[..., Any]) -> None:
    """Missing before out of range before a spike; a spike of a channel that is not needed drops nothing."""
    left = 100.0 + 0.1 * FLICKER
    left[[300, 301]] = np.nan
    left[500:503] = 900.0
    left[700] = 160.0
    found = sampled(keys={"left_torque": {"range": ["-500 N.m", "500 N.m"]}}, left_torque=left)
    kinds = (Reason.MISSING, Reason.OUT_OF_RANGE, Reason.SPIKE)
    assert [found.count(kind) for kind in kinds] == [2, 3, 1]
    assert found.spike_counts == {"left_torque": 1, "right_torque": 0, "left_speed": 0, "right_speed": 0}
    assert np.flatnonzero(found.reason == Reason.SPIKE).tolist() == [700]
    assert np.isnan(found.torques["left_torque"][[300, 301, 500, 501, 502, 700]]).all()
    assert not found.kept[[300, 500, 700]].any()
    assert found.kept[[299, 499, 699]].all()
