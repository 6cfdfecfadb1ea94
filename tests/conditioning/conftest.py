"""A differential in closed form on an ideal bench: preload plus ramps without hysteresis, nothing in
between."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.documents import Rig
from diffbench.recording import Recording, Source

Array = NDArray[np.float64]

PRELOAD, DRIVE_BIAS, COAST_BIAS = 80.0, 0.5, 0.3

RigOf = Callable[..., Rig]
RecordingOf = Callable[..., Recording]


def make_rig(arrangement: str = "both-outputs", **channels: Mapping[str, Any]) -> Rig:
    """A rig with the named channels; each is a table of its keys, its column being its own name."""
    return Rig.model_validate(
        {
            "format": "diffbench-rig/1",
            "name": "Ideal cell",
            "arrangement": arrangement,
            "channel": {
                name: {"column": name, "unit": _unit(name), **keys} for name, keys in channels.items()
            },
        }
    )


def _unit(name: str) -> str:
    if name.endswith("torque"):
        return "N.m"
    return {"time": "s", "oil_temperature": "degC", "plate_temperature": "degC"}.get(name, "rad/s")


def make_recording(
    time: Array, labels: Mapping[str, tuple[str, ...]] | None = None, **channels: Array
) -> Recording:
    """A recording as a reader hands it on."""
    return Recording(
        time=time,
        channels=channels,
        labels=labels or {},
        source=Source(Path("sweep.csv"), "0" * 64, 1, "test"),
        notes=(),
        rows=np.arange(time.size) + 2,
    )


def triangle(time: Array, low: float, high: float, period: float) -> Array:
    """From ``low`` up to ``high`` and back, once a period."""
    phase = time / period % 1.0
    return low + (high - low) * (1.0 - np.abs(2.0 * phase - 1.0))


def ideal_channels(
    time: Array, *, input_torque: Array, speed_difference: Array, case_speed: float = 60.0
) -> dict[str, Array]:
    """What perfect transducers read: output torques, their speeds, the oil."""
    bias = np.where(input_torque >= 0, DRIVE_BIAS, COAST_BIAS)
    locking = PRELOAD + bias * np.abs(input_torque)
    difference = -np.sign(speed_difference) * locking
    return {
        "left_torque": 0.5 * (input_torque + difference),
        "right_torque": 0.5 * (input_torque - difference),
        "left_speed": case_speed + 0.5 * speed_difference,
        "right_speed": case_speed - 0.5 * speed_difference,
        "oil_temperature": np.full(time.size, 60.0),
    }


def ideal_sweep(
    *, cycles: int = 4, period: float = 10.0, rate: float = 50.0, noise: float = 0.0, seed: int = 1
) -> tuple[Array, dict[str, Array]]:
    """Cycles of input torque from −300 to 600 N·m, the speed difference +4 and −4 rad/s in turn.

    It reverses within 0.4 s, in the middle of which a cycle of torque ends.
    """
    time = np.arange(round(cycles * period * rate)) / rate
    torque = triangle(time, -300.0, 600.0, period)
    level = 4.0 * (-1.0) ** np.arange(cycles)
    starts = np.arange(cycles) * period
    knots = np.stack([starts + 0.2, starts + period - 0.2], axis=1).ravel()
    speed = np.interp(time, knots, np.repeat(level, 2))
    channels = ideal_channels(time, input_torque=torque, speed_difference=speed)
    rng = np.random.default_rng(seed)
    for name in ("left_torque", "right_torque"):
        channels[name] = channels[name] + noise * rng.normal(size=time.size)
    for name in ("left_speed", "right_speed"):
        channels[name] = channels[name] + 0.02 * noise * rng.normal(size=time.size)
    return time, channels


@pytest.fixture(scope="session")
def rig_of() -> RigOf:
    return make_rig


@pytest.fixture(scope="session")
def recording_of() -> RecordingOf:
    return make_recording


@pytest.fixture(scope="session")
def both_outputs() -> Rig:
    """A rig with both outputs and nothing to correct."""
    names = ("time", "left_torque", "right_torque", "left_speed", "right_speed", "oil_temperature")
    return make_rig(**{name: {} for name in names})


@pytest.fixture(scope="session")
def ideal() -> Callable[..., tuple[Array, dict[str, Array]]]:
    return ideal_sweep


@pytest.fixture(scope="session")
def channels_of() -> Callable[..., dict[str, Array]]:
    return ideal_channels


@pytest.fixture(scope="session")
def triangle_of() -> Callable[..., Array]:
    return triangle
