"""What the transducers read with the unit out, and how sure that is."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from diffbench.conditioning.bench import joined_tare, tare_of, tare_run
from diffbench.conditioning.samples import Samples, take
from diffbench.documents import Rig
from diffbench.recording import Recording

SamplesOf = Callable[..., Samples]

CHANNELS = ("left_torque", "right_torque")


@pytest.fixture
def samples_of(both_outputs: Rig, recording_of: Callable[..., Recording]) -> SamplesOf:
    """Return a function that makes a tare run: 20 s at 100 Hz, constant readings with noise."""

    def make(left: float, right: float, *, noise: float = 1.0, seed: int = 1) -> Samples:
        time = np.arange(2000) / 100.0
        rng = np.random.default_rng(seed)
        recording = recording_of(
            time,
            left_torque=left + noise * rng.normal(size=time.size),
            right_torque=right + noise * rng.normal(size=time.size),
            left_speed=np.full(time.size, 60.0),
            right_speed=np.full(time.size, 60.0),
        )
        return take(recording, both_outputs, torque_channels=CHANNELS)

    return make


def test_no_tare_run_is_no_tare() -> None:
    assert tare_of([], CHANNELS) is None


def test_one_run_gives_mean_and_noise(samples_of: SamplesOf) -> None:
    """White noise of 1 N·m in 1800 samples: 0.024 N·m; its own estimate from ten parts scatters by a
    quarter."""
    found = tare_of([tare_run(samples_of(1.8, -0.6), CHANNELS)], CHANNELS)
    assert found is not None
    assert found.runs == 1
    for name, true in zip(CHANNELS, (1.8, -0.6), strict=True):
        assert found.mean[name] == pytest.approx(true, abs=4 / np.sqrt(1800))
        assert found.u[name] == pytest.approx(1 / np.sqrt(1800), rel=0.75)


def test_slow_ripple_counts(samples_of: SamplesOf) -> None:
    """A wander of 0.5 N·m over some seconds doesn't average out like white noise, and the parts show it."""
    samples = samples_of(0.0, 0.0, noise=0.1)
    wander = 0.5 * np.sin(2 * np.pi * samples.time / 7.3)
    moved = dict(samples.torques)
    moved["left_torque"] = moved["left_torque"] + wander
    found = tare_of([tare_run(Samples(**{**vars(samples), "torques": moved}), CHANNELS)], CHANNELS)
    assert found is not None
    assert found.u["left_torque"] > 20 * 0.1 / np.sqrt(1800)


def test_drift_between_two_runs_is_rectangular(samples_of: SamplesOf) -> None:
    """GUM 4.3.7: only the ends known, half-range over √3, here 1/√3 N·m, and the mean of both."""
    found = tare_of(
        [tare_run(samples_of(left, 0.5, seed=seed), CHANNELS) for left, seed in ((1.0, 1), (3.0, 2))],
        CHANNELS,
    )
    assert found is not None
    assert found.runs == 2
    assert found.mean["left_torque"] == pytest.approx(2.0, abs=0.07)
    assert found.u["left_torque"] == pytest.approx(1 / np.sqrt(3), abs=0.05)
    assert found.u["right_torque"] < 0.1  # that one did not drift


def test_a_bench_that_is_still_starting_does_not_count(samples_of: SamplesOf) -> None:
    """The first and last twentieth are left out: here they are 50 N·m off."""
    samples = samples_of(1.8, -0.6)
    moved = {name: value.copy() for name, value in samples.torques.items()}
    moved["left_torque"][:100] += 50.0
    moved["left_torque"][-100:] += 50.0
    found = tare_of([tare_run(Samples(**{**vars(samples), "torques": moved}), CHANNELS)], CHANNELS)
    assert found is not None
    assert found.mean["left_torque"] == pytest.approx(1.8, abs=4 / np.sqrt(1800))


def test_a_channel_without_readings_has_no_tare(samples_of: SamplesOf) -> None:
    samples = samples_of(1.8, -0.6)
    missing = {**samples.torques, "left_torque": np.full(samples.time.size, np.nan)}
    found = tare_of([tare_run(Samples(**{**vars(samples), "torques": missing}), CHANNELS)], CHANNELS)
    assert found is not None
    assert "left_torque" not in found.mean
    assert "right_torque" in found.mean


def test_parts_of_a_long_tare_run_are_one_run(samples_of: SamplesOf) -> None:
    """Read in two parts, it is one run of twice the means, not two runs with a drift between."""
    parts = [tare_run(samples_of(left, 0.5, seed=seed), CHANNELS) for left, seed in ((1.0, 1), (3.0, 2))]
    found = tare_of([joined_tare(parts)], CHANNELS)
    assert found is not None
    assert found.runs == 1
    assert found.mean["left_torque"] == pytest.approx(2.0, abs=0.07)
    assert found.u["left_torque"] == pytest.approx(1 / np.sqrt(19), rel=0.1)  # 20 means, ten at each level
