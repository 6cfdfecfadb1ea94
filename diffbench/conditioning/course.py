"""The course of a sweep: averages over short bins, the turns between which its torque only rises or only
falls, and what the ramps went through.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.samples import Samples
from diffbench.conditioning.smoothing import white_noise

Array = NDArray[np.float64]
Index = NDArray[np.int64]


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


@dataclass(frozen=True)
class Sweep:
    """The course of the input torque: averages over short bins with their turning points between [s, N·m].

    ``segment`` numbers rise where so much is missing that a turn could have been missed. ``threshold``
    [N·m] a turn is confirmed by, ``step`` [s] of the bins.
    """

    time: Array
    torque: Array
    segment: Index
    turns: tuple[TurningPoint, ...]
    stretch_duration: float
    threshold: float
    step: float

    def numbers(self, time: Array) -> tuple[Index, Index]:
        """Stretch and segment at some times (c,) [s]."""
        at = np.clip(np.searchsorted(self.time, time), 0, self.segment.size - 1)
        turned = np.searchsorted(np.array([turn.time for turn in self.turns]), time)
        return (turned + self.segment[at]).astype(np.int64), self.segment[at]


def sweep_of(samples: Samples, input_torque: Array, *, scale: float) -> Sweep:
    """Course of the input torque, from its nominal value at each sample (n,) [N·m], NaN = missing.

    ``scale`` [N·m] is the largest input torque of the whole visit: a wobble below 2 % of it is no sweep.
    """
    good = np.isfinite(input_torque)
    time, torque = _where(good, samples.time, input_torque)
    noise = white_noise(torque)
    # bins of 0.1 s, or as many samples as bring the noise down to a quarter of the threshold below
    per_bin = max(1, round(0.1 / samples.step))
    threshold = max(0.02 * scale, 8.0 * noise / np.sqrt(per_bin), 1e-9)
    total = time[-1] - time[0]
    bin_time, bin_torque = _unbroken_means(time, torque, per_bin, samples.step)
    turns = turning_points(bin_time, bin_torque, threshold=threshold)
    if len(turns) > 4 and total / len(turns) < 30 * 0.1:
        # a quick sweep: fewer samples a bin, so that its shape survives
        per_bin = max(1, round(total / len(turns) / 40 / samples.step))
        bin_time, bin_torque = _unbroken_means(time, torque, per_bin, samples.step)
        threshold = max(threshold, 8.0 * noise / np.sqrt(per_bin))
        turns = turning_points(bin_time, bin_torque, threshold=threshold)
    return _sweep_through(
        bin_time,
        bin_torque,
        turns=turns,
        total=float(total),
        threshold=threshold,
        step=per_bin * samples.step,
    )


def _sweep_through(
    time: Array,
    torque: Array,
    *,
    turns: tuple[TurningPoint, ...],
    total: float,
    threshold: float,
    step: float,
) -> Sweep:
    """Course of the input torque from its averages (b,) and their turns, taken anew where there are gaps.

    ``total`` [s] is how long the sweep is; ``threshold`` and ``step`` as `Sweep` has them.
    """
    duration = float(np.median(np.diff([p.time for p in turns]))) if len(turns) > 1 else total
    gap = np.diff(time) > max(0.1 * duration, 3.0 * step)
    segment = np.concatenate([[0], np.cumsum(gap)]).astype(np.int64)
    if segment[-1] > 0:
        # what turned within a gap was not seen: each side is followed by itself
        turns = tuple(
            turn
            for number in range(int(segment[-1]) + 1)
            for turn in turning_points(
                time[segment == number], torque[segment == number], threshold=threshold
            )
        )
    return Sweep(time, torque, segment, turns, duration, threshold, step)


def crossings(course: Sweep) -> Array:
    """Times at which the input torque passes from one flank to the other [s], by the line between the
    averages on either side that stand clear of zero; what only wobbles about zero passes nowhere."""
    clear = np.flatnonzero(np.abs(course.torque) > course.threshold)
    time, torque, segment = course.time[clear], course.torque[clear], course.segment[clear]
    passes = (torque[1:] * torque[:-1] < 0.0) & (segment[1:] == segment[:-1])
    before, after = torque[:-1][passes], torque[1:][passes]
    share = before / (before - after)
    return np.asarray(time[:-1][passes] + share * (time[1:] - time[:-1])[passes])


def _unbroken_means(time: Array, values: Array, per_bin: int, step: float) -> tuple[Array, Array]:
    """Means over ``per_bin`` samples, none of which reaches over a gap; what is left at the end of a piece
    and is less than half a bin goes with the one before."""
    breaks = np.flatnonzero(np.diff(time) > (per_bin + 2) * step) + 1
    starts: list[int] = []
    for first, last in pairwise([0, *breaks.tolist(), time.size]):
        own = list(range(first, last, per_bin))
        if len(own) > 1 and 2 * (last - own[-1]) < per_bin:
            own.pop()
        starts += own
    counts = np.diff([*starts, time.size])
    return np.add.reduceat(time, starts) / counts, np.add.reduceat(values, starts) / counts


def joined_sweep(parts: Sequence[Sweep]) -> Sweep:
    """The course of the input torque over all parts; a single part is returned as it is."""
    if len(parts) == 1:
        return parts[0]
    time, torque = (np.concatenate([getattr(part, name) for part in parts]) for name in ("time", "torque"))
    threshold, step = max(part.threshold for part in parts), max(part.step for part in parts)
    return _sweep_through(
        time,
        torque,
        turns=turning_points(time, torque, threshold=threshold),
        total=float(time[-1] - time[0]),
        threshold=threshold,
        step=step,
    )


@dataclass(frozen=True)
class History:
    """What drives the ramps' hysteresis: the input torque where a history starts and where it turns, in time
    order.

    ``torque`` (h,) [N·m]; ``begins`` (h,) True at a start; ``near`` (h,) the nearest cell; ``before`` (c,)
    for each cell the last start or turn before it. Between two of them the torque only rises or only falls,
    whatever its noise.
    """

    torque: Array
    begins: NDArray[np.bool_]
    near: NDArray[np.int64]
    before: NDArray[np.int64]


def history_of(cells_at: Array, course: Sweep) -> History:
    """Starts and turns of the input torque, and the one that each cell comes after, by their times (c,)
    [s]."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(course.segment)) + 1])
    time = np.array([course.time[i] for i in starts] + [p.time for p in course.turns])
    torque = np.array([_start_value(course, int(i)) for i in starts] + [p.value for p in course.turns])
    begins = np.concatenate([np.ones(starts.size, dtype=bool), np.zeros(len(course.turns), dtype=bool)])
    order = np.argsort(time, kind="stable")
    time, torque, begins = time[order], torque[order], begins[order]
    near = np.clip(np.searchsorted(cells_at, time), 0, cells_at.size - 1)
    before = np.clip(np.searchsorted(time, cells_at, side="right") - 1, 0, time.size - 1)
    return History(torque, begins, near.astype(np.int64), before.astype(np.int64))


def _start_value(course: Sweep, at: int, reach: int = 12) -> float:
    """Input torque where a history begins, by a line through its first averages: noise is no history.

    It begins half an average before the middle of the first one."""
    later = [p.time for p in course.turns if p.time > course.time[at]]
    end = min(later) if later else np.inf
    first = slice(at, at + reach)
    inside = (course.segment[first] == course.segment[at]) & (course.time[first] < end)
    time, torque = course.time[first][inside], course.torque[first][inside]
    if time.size < 3:
        return float(course.torque[at])
    return float(np.polyval(np.polyfit(time - time[0], torque, 1), -0.5 * (time[1] - time[0])))


def _where(good: NDArray[np.bool_], time: Array, values: Array) -> tuple[Array, Array]:
    """The good samples of both columns; the columns themselves where all are."""
    return (time, values) if good.all() else (time[good], values[good])


def bin_means(time: Array, values: Array, per_bin: int) -> tuple[Array, Array]:
    """Means over ``per_bin`` consecutive samples; the last, shorter bin is kept."""
    starts = np.arange(0, time.size, per_bin)
    counts = np.diff(np.append(starts, time.size))
    return np.add.reduceat(time, starts) / counts, np.add.reduceat(values, starts) / counts


def speed_stretch(samples: Samples) -> float:
    """How long the speed difference takes from turn to turn [s]."""
    dw = samples.motion.speed_difference
    good = np.isfinite(dw)
    time, values = _where(good, samples.time, dw)
    time, values = bin_means(time, values, max(1, round(0.2 / samples.step)))
    span = float(np.ptp(values))
    turns = turning_points(time, values, threshold=max(0.1 * span, 1e-9))
    if len(turns) < 2:
        return float(time[-1] - time[0])
    return float(np.median(np.diff([p.time for p in turns])))
