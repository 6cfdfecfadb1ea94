"""Where a map counts as tested: inside what the bench swept, and by so much beside it as settings wobble."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.results.characterisation import Tested

__all__ = [
    "SPEED_TOLERANCE",
    "TORQUE_TOLERANCE",
    "is_inside",
    "speed_tested",
    "temperature_tested",
    "torque_tested",
]

Array = NDArray[np.float64]

# How far outside the outline still counts as tested: speeds and torques as set wobble by that much, and an
# oil that swept 50 to 75 °C reads a little less at both ends.
TORQUE_TOLERANCE = 0.012
SPEED_TOLERANCE = 0.03
TEMPERATURE_TOLERANCE = 1.0  # K


def is_inside(tested: Tested, torque: Array, speed: Array, heat: Array, branch: str) -> NDArray[np.bool_]:
    """Whether nodes lie in the tested region of a branch."""
    if len(tested.outline) < 1:
        return np.zeros(torque.shape, dtype=bool)
    outline = np.array(tested.outline)
    span = max(float(np.ptp(outline[:, 0])), 1.0)
    allowed = np.stack(
        [np.full(torque.shape, TORQUE_TOLERANCE * span), np.maximum(SPEED_TOLERANCE * np.abs(speed), 0.02)]
    )
    inside = _in_outline(outline, torque, np.abs(speed), allowed)
    low, high = tested.temperature_degC
    inside &= (heat >= low - TEMPERATURE_TOLERANCE) & (heat <= high + TEMPERATURE_TOLERANCE)
    if branch == "loading":
        return inside
    slack = TORQUE_TOLERANCE * span
    return (
        inside
        & (torque <= tested.drive_unloading_Nm + slack)
        & (torque >= -tested.coast_unloading_Nm - slack)
    )


def _in_outline(outline: Array, torque: Array, speed: Array, allowed: Array) -> NDArray[np.bool_]:
    """Whether points lie in a convex outline, or within ``allowed`` (torque, speed) of it: each is moved by
    its own allowance towards the outline's middle first."""
    middle = outline.mean(axis=0)
    t = torque + np.clip(middle[0] - torque, -allowed[0], allowed[0])
    s = speed + np.clip(middle[1] - speed, -allowed[1], allowed[1])
    inside = np.ones(torque.shape, dtype=bool)
    if len(outline) < 3:
        lows, highs = outline.min(axis=0), outline.max(axis=0)
        return np.asarray(
            (torque >= lows[0] - allowed[0])
            & (torque <= highs[0] + allowed[0])
            & (speed >= lows[1] - allowed[1])
            & (speed <= highs[1] + allowed[1])
        )
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        inside &= (b[0] - a[0]) * (s - a[1]) - (b[1] - a[1]) * (t - a[0]) >= -1e-9
    return inside


def torque_tested(tested: Tested, branch: str) -> tuple[float, float]:
    """Between which input torques a branch was tested, to the nodes at which the map shows it [N·m]."""
    outline = np.array(tested.outline) if tested.outline else np.zeros((1, 2))
    low, high = float(outline[:, 0].min()), float(outline[:, 0].max())
    # the ends stand a little outside what was read, by less than counts as tested: a sweep set to 300 N·m
    # reads 299.8
    slack = 0.4 * TORQUE_TOLERANCE * (high - low)
    low, high = min(np.floor(low - slack), 0.0), max(np.ceil(high + slack), 0.0)
    if branch == "loading":
        return low, high
    # where the unloading branch stops to count as tested
    drive, coast = np.floor(tested.drive_unloading_Nm + slack), np.ceil(-tested.coast_unloading_Nm - slack)
    return min(max(float(coast), low), 0.0), max(min(float(drive), high), 0.0)


def speed_tested(tested: Tested) -> tuple[float, float]:
    """Between which speed differences the unit was tested, a little outside [rad/s]."""
    speeds = [speed for _, speed in tested.outline] or [0.0]
    low, high = min(speeds), max(speeds)
    if high > low:
        low, high = low * (1.0 - 0.7 * SPEED_TOLERANCE), high * (1.0 + 0.7 * SPEED_TOLERANCE)
    return low, high


def temperature_tested(tested: Tested) -> tuple[float, float]:
    """Between which temperatures the unit was tested, a little outside, at round numbers [°C]."""
    low, high = tested.temperature_degC
    return float(np.floor(2.0 * low) / 2.0 - 0.5), float(np.ceil(2.0 * high) / 2.0 + 0.5)
