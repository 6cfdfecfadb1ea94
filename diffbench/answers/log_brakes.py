"""What a log says of the brakes of the driven axle: that they differ, or nothing.

Brakes act outside the unit and count as alike. One that bites harder slows its wheel as a unit would slow it
in turns to one side, and as an open one would in turns to the other.
"""

from __future__ import annotations

import numpy as np

from diffbench.answers.log_corners import Entries

BITES = 0.2  # of the highest mean pressure: below, gauges are not compared
APART = 0.03  # of the mean: what gauges of one circuit may differ by; common practice, no source
FEWEST = 3  # entries with brakes on


def brakes_apart(entries: Entries) -> str | None:
    """A finding where the pressures of both brakes differ over the entries by more than their gauges and
    their scatter from entry to entry; None where they do not, or are not logged."""
    pressures = entries.samples.brake_pressures
    if pressures is None:
        return None
    mean = pressures.mean(axis=1)
    shares = []
    for corner in entries.corners:
        on = mean[corner.bins] > BITES * mean.max()
        if mean.max() > 0.0 and on.any():
            left, right = pressures[corner.bins][on].sum(axis=0)
            shares.append(2.0 * float(right - left) / float(right + left))
    if len(shares) < FEWEST:
        return None
    apart, u = float(np.mean(shares)), float(np.std(shares, ddof=1)) / len(shares) ** 0.5
    if abs(apart) < APART or abs(apart) < 2.0 * u:
        return None
    more, less = ("right", "left") if apart > 0.0 else ("left", "right")
    return (
        f"the {more} brake has {100.0 * abs(apart):.0f} % more pressure than the {less} one over the "
        f"entries: {more} turns look like less locking, {less} turns like more"
    )
