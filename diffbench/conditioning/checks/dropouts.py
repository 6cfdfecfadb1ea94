"""Speeds of shafts that leave their course for a moment: an encoder that drops out, or counts double."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.smoothing import running_median

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# A shaft with flanges and brakes on it does not lose half of its speed and regain it within half a second.
SHARE = 0.5
LONGEST = 0.5  # s
BLOCK = 0.1  # s, whose medians make the course
# Slower than this a shaft may well stop and turn back.
TURNING = 5.0  # rad/s
GRAVE = 0.01


def dropouts(values: Array, step: float, *, name: str, file: str) -> tuple[Flags, list[Finding]]:
    """Samples that are apart from the course of a turning shaft by half of its speed, for half a second at
    most, and what is told of them.

    Parameters: ``values`` (n,) [rad/s], NaN = missing; ``step`` [s] between samples.

    >>> speed = np.full(1000, 60.0)
    >>> speed[300:307] = 0.0
    >>> apart, found = dropouts(speed, 0.02, name="left_speed", file="a.csv")
    >>> int(apart.sum()), [finding.name for finding in found]
    (7, ['speed drops out'])
    """
    size = max(1, round(BLOCK / step))
    whole = values.size // size
    low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    least, most = sorted((abs(low), abs(high)))
    # a dozen of blocks tell a course; speeds of one sign and nearly one size need none
    if whole < 12 or (low * high > 0.0 and most < (1.0 + SHARE) * least):
        return np.zeros(values.size, dtype=bool), []
    blocks = values[: whole * size].reshape(whole, size)
    # the middle one of each block, missing ones last; without any, the course is that of its neighbours
    middle = np.partition(blocks, (size - 1) // 2, axis=1)[:, (size - 1) // 2]
    reach = max(1, round(LONGEST / (size * step)))
    course = running_median(middle, 2 * reach + 1)
    course = np.repeat(course, size)
    course = np.concatenate([course, np.full(values.size - course.size, course[-1])])
    with np.errstate(over="ignore"):
        apart = (np.abs(values - course) > SHARE * np.abs(course)) & (np.abs(course) > TURNING)
    apart[: reach * size] = apart[-reach * size :] = False  # what comes before or after is not known
    count = int(apart.sum())
    if count == 0:
        return apart, []
    places = int(np.count_nonzero(np.diff(apart.astype(np.int8), prepend=0) == 1))
    return apart, [
        Finding(
            "speed drops out",
            "caveat" if count > GRAVE * values.size else "note",
            f"{name}, {file}",
            f"{count} samples in {places} places are apart from the shaft's speed by more than half of it, "
            "and it is back within half a second.",
            "They are left out: slip would have another size and direction there.",
            "Look at the encoder's plug and gap, and at the limits of its counter.",
        )
    ]
