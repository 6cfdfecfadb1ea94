"""Short averages ("cells") of a recording, the history of its input torque, and the heat that flowed.

A search over the model's few nonlinear parameters then costs the same for a minute at 50 Hz as for an hour at
1 kHz.

A cell is consecutive kept samples of one stretch between turning points, of one slip direction, at most a
second. Averages rule out a robust loss on samples, so spikes and missing stretches are found and counted
before. A cell that holds a corner of the hysteresis would be off by an eighth of its width times the change
of slope: it is computed with its input torque at three places. Near zero the mean magnitude of a noisy torque
is not zero: the sweep's smooth course replaces the averages wherever it leaves no more than their noise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.motion import LEAST_SLIP
from diffbench.conditioning.samples import KEPT, Samples
from diffbench.conditioning.smoothing import local_mean, white_noise
from diffbench.conditioning.turning import TurningPoint, turning_points

Array = NDArray[np.float64]
Index = NDArray[np.int64]

CELLS_PER_STRETCH = 50
STRETCHES_A_CYCLE = 2  # up and down
LONGEST_CELL = 1.0  # s
# The friction over a cell in which the speed runs up is above that at its mean speed, as the curve is hollow.
# Over a quarter of a speed the Stribeck curve is straight to a thousandth of the friction.
SPEED_SHARE = 0.25


@dataclass(frozen=True)
class Cells:
    """Averages over consecutive kept samples of one stretch and one slip direction.

    All (c,): ``time`` [s], ``count``, ``direction`` (±1), ``speed_difference`` [rad/s] signed, ``oil`` and
    ``plate`` [°C], ``readings`` and ``rates`` by torque channel [N·m, N·m/s], ``speeds`` and
    ``accelerations`` by shaft, ``stretch`` and ``segment`` numbers, ``width`` [s].
    """

    time: Array
    count: Array
    width: Array
    direction: Array
    speed_difference: Array
    oil: Array | None
    plate: Array | None
    readings: Mapping[str, Array]
    rates: Mapping[str, Array]
    speeds: Mapping[str, Array]
    accelerations: Mapping[str, Array]
    stretch: Index
    segment: Index

    @property
    def ahead(self) -> NDArray[np.bool_]:
        """Whether the left output runs ahead of the right one (c,)."""
        return np.asarray(self.direction > 0)

    @property
    def unbroken(self) -> NDArray[np.bool_]:
        """Whether a cell and the next are of one stretch of one history (c − 1,)."""
        return np.asarray((np.diff(self.stretch) == 0) & (np.diff(self.segment) == 0))


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


@dataclass(frozen=True)
class Heat:
    """Friction heat ½·T_lock·|Δω| [W] and rate of the oil temperature [K/s] over the whole run, bridged where
    unknown.

    Plates lag behind an oil that warms: their excess over it grows by the heat and falls by the oil's own
    rise.
    """

    time: Array
    power: Array
    oil_rate: Array


def sweep(samples: Samples, input_torque: Array, *, scale: float) -> Sweep:
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
    return course_of(
        bin_time,
        bin_torque,
        turns=turns,
        total=float(total),
        threshold=threshold,
        step=per_bin * samples.step,
    )


def course_of(
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


def heat(samples: Samples, locking: Array) -> Heat:
    """Friction heat from the measured locking torque (n,) [N·m] (NaN = unknown: bridged; holding: no
    heat)."""
    dw = samples.motion.speed_difference
    good = np.isfinite(locking)
    bridged = locking if good.all() else np.zeros(locking.size)
    if good.any() and not good.all():
        bridged[good] = locking[good]
        bridged[~good] = np.interp(samples.time[~good], samples.time[good], locking[good])
    speed = np.abs(np.where(np.isfinite(dw), dw, 0.0)) * samples.motion.slips
    power = 0.5 * np.clip(bridged, 0.0, None) * speed
    # plates take ten seconds and more to warm: half-second steps lose nothing
    per_bin = max(1, round(0.5 / samples.step))
    time, mean_power = _bin_means(samples.time, power, per_bin)
    if time.size > 2 and samples.time.size % per_bin:
        time, mean_power = time[:-1], mean_power[:-1]  # even steps: a half-filled last bin would break them
    if samples.oil is None or time.size < 3:
        return Heat(time, mean_power, np.zeros_like(time))
    # the slope over some ten seconds: plates answer no faster, and the reading's noise is gone
    oil = local_mean(
        np.interp(time, samples.time, samples.oil), max(1, round(10.0 / (per_bin * samples.step)))
    )
    return Heat(time, mean_power, np.gradient(oil, time))


def cells_of(samples: Samples, course: Sweep) -> Cells:
    """Average the kept samples: never over a turn, a change of slip direction or of the flank, at each of
    which the locking torque's course has a corner."""
    kept = samples.reason == KEPT
    time = samples.time[kept]
    turn_times = np.array([p.time for p in course.turns])
    direction = samples.motion.direction[kept]
    duration = min(course.stretch_duration, _speed_stretch(samples))
    length = float(np.clip(duration / CELLS_PER_STRETCH, samples.step, LONGEST_CELL))
    key_bin = time / length
    np.floor(key_bin, out=key_bin)
    change = key_bin[1:] != key_bin[:-1]
    change |= direction[1:] != direction[:-1]
    # these are few: the samples that follow them are looked up, not each sample's turn
    breaks = course.time[np.flatnonzero(np.diff(course.segment))]
    after = np.searchsorted(time, np.concatenate([turn_times, breaks, crossings(course)]), side="right")
    change[after[(after > 0) & (after < time.size)] - 1] = True
    starts = np.concatenate([[0], np.flatnonzero(change) + 1])
    starts = _cut_by_speed(starts, np.abs(samples.motion.speed_difference[kept]))
    counts = np.diff(np.append(starts, time.size)).astype(np.float64)
    at = np.searchsorted(course.time, time[starts])
    segment = course.segment[np.clip(at, 0, course.segment.size - 1)]
    stretch = np.searchsorted(turn_times, time[starts]) + segment

    def averaged(values: Array) -> Array:
        return np.asarray(np.add.reduceat(values, starts) / counts)

    def mean(values: Array) -> Array:
        return averaged(values[kept])

    readings: dict[str, Array] = {}
    for name, value in samples.torques.items():
        own = value[kept]
        if np.isfinite(own).all():
            readings[name] = averaged(own)
    return Cells(
        time=averaged(time),
        count=counts,
        width=counts * samples.step,
        direction=direction[starts].astype(np.float64),
        speed_difference=mean(samples.motion.speed_difference),
        oil=None if samples.oil is None else mean(samples.oil),
        plate=None if samples.plate is None else mean(samples.plate),
        readings=readings,
        rates={name: mean(value) for name, value in samples.rates.items() if name in readings},
        speeds={name: mean(value) for name, value in samples.speeds.items()},
        accelerations={name: mean(value) for name, value in samples.accelerations.items()},
        stretch=stretch.astype(np.int64),
        segment=segment.astype(np.int64),
    )


def _cut_by_speed(starts: Index, speed: Array) -> Index:
    """Starts of cells (c,) among samples of a speed difference (n,), and further ones where it runs through
    more than ``SPEED_SHARE`` of itself within a cell; what only swings to and fro is no run."""
    ends = np.append(starts[1:], speed.size)
    first, last = speed[starts], speed[ends - 1]
    room = SPEED_SHARE * 0.5 * (first + last) + LEAST_SLIP
    pieces = np.minimum(np.ceil(np.abs(last - first) / room).astype(np.int64), ends - starts)
    long = np.flatnonzero(pieces > 1).tolist()
    cuts = [starts[i] + (ends[i] - starts[i]) * np.arange(1, pieces[i]) // pieces[i] for i in long]
    return np.sort(np.concatenate([starts, *cuts]))


def _where(good: NDArray[np.bool_], time: Array, values: Array) -> tuple[Array, Array]:
    """The good samples of both columns; the columns themselves where all are."""
    return (time, values) if good.all() else (time[good], values[good])


def _bin_means(time: Array, values: Array, per_bin: int) -> tuple[Array, Array]:
    """Means over ``per_bin`` consecutive samples; the last, shorter bin is kept."""
    starts = np.arange(0, time.size, per_bin)
    counts = np.diff(np.append(starts, time.size))
    return np.add.reduceat(time, starts) / counts, np.add.reduceat(values, starts) / counts


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


def _speed_stretch(samples: Samples) -> float:
    """How long the speed difference takes from turn to turn [s]."""
    dw = samples.motion.speed_difference
    good = np.isfinite(dw)
    time, values = _where(good, samples.time, dw)
    time, values = _bin_means(time, values, max(1, round(0.2 / samples.step)))
    span = float(np.ptp(values))
    turns = turning_points(time, values, threshold=max(0.1 * span, 1e-9))
    if len(turns) < 2:
        return float(time[-1] - time[0])
    return float(np.median(np.diff([p.time for p in turns])))


def along_the_sweep(cells: Cells, torque: Array) -> Array:
    """Input torque of the cells (c,) with its noise taken out where the sweep is smooth.

    The ramps answer to the magnitude of the input torque, and the mean magnitude of a noisy zero is not zero:
    noise would be taken for ramp torque. So within a stretch, a polynomial of the time replaces the averages
    if it leaves no more than their noise, as seen from their second differences; where it leaves more, the
    averages stay.
    """
    out = torque.copy()
    piece = np.cumsum(np.concatenate([[0], ~cells.unbroken]))
    for number in range(int(piece[-1]) + 1):
        at = np.flatnonzero(piece == number)
        if at.size < 12:
            continue
        values, weight = torque[at], np.sqrt(cells.count[at])
        time = cells.time[at]
        course = np.polynomial.Chebyshev.fit(time, values, min(5, at.size // 6), w=weight)(time)
        noise = white_noise(values)
        if noise > 0 and float(np.sqrt(np.median((values - course) ** 2)) / 0.6745) < 1.5 * noise:
            out[at] = course
    return out


def locking_slope(cells: Cells, locking: Array, course: Sweep) -> Array:
    """Slope of the measured locking torque (c,) [N·m/s], never across a turn, a break, a change of slip
    direction or of the flank."""
    same = cells.unbroken & (np.diff(cells.direction) == 0)
    same &= np.diff(np.searchsorted(crossings(course), cells.time)) == 0
    return _slope(cells.time, locking, same)


def along_stretch(cells: Cells, values: Array) -> Array:
    """Slope of cell averages (c,) over time, never across a turn or a break of the history."""
    return _slope(cells.time, values, cells.unbroken)


def _slope(time: Array, values: Array, same: NDArray[np.bool_]) -> Array:
    """Rate of change of a cell average, from those neighbours only that ``same`` (c − 1,) joins it with."""
    rate = np.zeros_like(values)
    if values.size < 2:
        return rate
    step = np.where(same, np.diff(values) / np.diff(time), np.nan)
    before = np.concatenate([[np.nan], step])
    after = np.concatenate([step, [np.nan]])
    both = np.isfinite(before) & np.isfinite(after)
    rate = np.where(
        both,
        0.5 * (np.nan_to_num(before) + np.nan_to_num(after)),
        np.nan_to_num(before) + np.nan_to_num(after),
    )
    return np.asarray(rate)
