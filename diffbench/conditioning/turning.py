"""Where a sweep turns: the turning points between which a signal only rises or only falls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TurningPoint:
    """A turn of the sweep: its time [s] and the signal's value there, both found between samples."""

    time: float
    value: float


def turning_points(time: Array, values: Array, *, threshold: float) -> tuple[TurningPoint, ...]:
    """Turning points of a noisy sweep, each confirmed once the signal has come back by more than
    ``threshold``.

    Parameters: ``time`` (n,) [s] rising; ``values`` (n,), finite, already averaged enough that noise stays
    below half the threshold; ``threshold`` in the unit of the values, above zero. Between two turning points
    the signal rises or falls except for noise. A turn's value is read off parabolas through the points on
    either side, since the largest average falls short of a sharp peak.

    >>> t = np.arange(0, 40, 0.25)
    >>> turns = turning_points(t, 100 - np.abs(t % 20 - 10) * 10, threshold=5)
    >>> [(round(p.time, 1), round(p.value, 1) + 0.0) for p in turns]
    [(10.0, 100.0), (20.0, 0.0), (30.0, 100.0)]
    """
    found: list[int] = []
    high = low = 0
    direction = 0
    series = values.tolist()
    for index, value in enumerate(series):
        if value > series[high]:
            high = index
        if value < series[low]:
            low = index
        if direction >= 0 and series[high] - value > threshold:
            if direction > 0 or high > 0:
                found.append(high)
            direction, low = -1, index
            high = index
        elif direction <= 0 and value - series[low] > threshold:
            if direction < 0 or low > 0:
                found.append(low)
            direction, high = 1, index
            low = index
    # what came before the first threshold was passed is no turn unless it stands off the start as well
    if found and abs(series[found[0]] - series[0]) <= threshold:
        found = found[1:]
    bounds = [0, *found, len(series) - 1]
    return tuple(
        _refined(time, values, at, before, after)
        for before, at, after in zip(bounds[:-2], bounds[1:-1], bounds[2:], strict=True)
    )


def _refined(time: Array, values: Array, at: int, before: int, after: int) -> TurningPoint:
    """Where the trends from both sides meet, at most one and a half steps off the extreme average.

    Parabolas over up to a sixth of each stretch: long enough to bring the noise of a single average down,
    and curved, so that a rounded (sinusoidal) peak is not overshot as it would be by straight flanks.
    """
    left = slice(max(before, at - min(max((at - before) // 6, 6), 40)), at)
    right = slice(at + 1, at + 1 + min(max((after - at) // 6, 6), 40, after - at))
    plain = TurningPoint(float(time[at]), float(values[at]))
    if left.stop - left.start < 5 or right.stop - right.start < 5:
        return plain
    origin = time[at]
    rise, fall = (np.polyfit(time[side] - origin, values[side], 2) for side in (left, right))
    step = float(np.median(np.diff(time[left.start : right.stop])))
    closing = rise[1] - fall[1]
    meet = (
        0.0
        if abs(closing) < 1e-12
        else float(np.clip((fall[2] - rise[2]) / closing, -1.5 * step, 1.5 * step))
    )
    value = 0.5 * (float(np.polyval(rise, meet)) + float(np.polyval(fall, meet)))
    # never further off the extreme average than a sharp peak between two averages can be
    sharp = abs(value - plain.value) <= 1.5 * max(abs(rise[1]), abs(fall[1])) * step
    return TurningPoint(float(origin + meet), value) if sharp else plain
