"""Short averages ("cells") of a recording, and the heat that flowed.

A search over the model's few nonlinear parameters then costs the same for a minute at 50 Hz as for an hour at
1 kHz.

A cell is consecutive kept samples of one stretch between turning points, of one slip direction, at most a
second. Averages rule out a robust loss on samples, so spikes and missing stretches are found and counted
before. A cell that holds a corner of the hysteresis would be off by an eighth of its width times the change
of slope: it is computed with its input torque at three places. Near zero the mean magnitude of a noisy torque
is not zero: the sweep's smooth course replaces the averages wherever it leaves no more than their noise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.course import Sweep, bin_means, crossings, speed_stretch
from diffbench.conditioning.pieces import local_steps, paces
from diffbench.conditioning.samples import LEAST_SLIP, Samples
from diffbench.conditioning.smoothing import local_mean, white_noise

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
    ``accelerations`` by shaft, ``stretch`` and ``segment`` numbers, ``width`` [s]; ``oil_unread``: where
    nobody read the oil and something stands in its place, None for nowhere.
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
    oil_unread: NDArray[np.bool_] | None = None

    @property
    def unbroken(self) -> NDArray[np.bool_]:
        """Whether a cell and the next are of one stretch of one history (c − 1,)."""
        return np.asarray((np.diff(self.stretch) == 0) & (np.diff(self.segment) == 0))


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
    time, mean_power = bin_means(samples.time, power, per_bin)
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
    kept = samples.kept
    time = samples.time[kept]
    turn_times = np.array([p.time for p in course.turns])
    direction = samples.motion.direction[kept]
    duration = min(course.stretch_duration, speed_stretch(samples))
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
    stretch, segment = course.numbers(time[starts])

    def averaged(values: Array) -> Array:
        return np.asarray(np.add.reduceat(values, starts) / counts)

    def mean(values: Array) -> Array:
        return averaged(values[kept])

    readings: dict[str, Array] = {}
    for name, value in samples.torques.items():
        own = value[kept]
        if np.isfinite(own).all():
            readings[name] = averaged(own)
    rates = paces(samples.time)
    step = samples.step if len(rates) == 1 else mean(local_steps(samples.time, rates))
    return Cells(
        time=averaged(time),
        count=counts,
        width=counts * step,
        direction=direction[starts].astype(np.float64),
        speed_difference=mean(samples.motion.speed_difference),
        oil=None if samples.oil is None else mean(samples.oil),
        plate=None if samples.plate is None else mean(samples.plate),
        readings=readings,
        rates={name: mean(value) for name, value in samples.rates.items() if name in readings},
        speeds={name: mean(value) for name, value in samples.speeds.items()},
        accelerations={name: mean(value) for name, value in samples.accelerations.items()},
        stretch=stretch,
        segment=segment,
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


def joined_cells(parts: Sequence[Cells], course: Sweep) -> Cells:
    """Cells of the parts of one recording, numbered by their joined course; a channel that a part lacks is
    left out, a temperature is missing there."""
    sizes = [part.time.size for part in parts]
    columns = {
        column.name: _joined([getattr(part, column.name) for part in parts], sizes)
        for column in fields(Cells)
    }
    columns["stretch"], columns["segment"] = course.numbers(columns["time"])
    return Cells(**columns)


def _joined(parts: Sequence[Any], sizes: Sequence[int]) -> Any:
    """One column, or one for each name, of its parts."""
    if isinstance(parts[0], Mapping):
        names = [name for name in parts[0] if all(name in part for part in parts)]
        return {name: np.concatenate([part[name] for part in parts]) for name in names}
    if all(part is None for part in parts):
        return None
    filled = [
        np.full(size, np.nan) if part is None else part for part, size in zip(parts, sizes, strict=True)
    ]
    return np.concatenate(filled)


def joined_heat(parts: Sequence[Heat]) -> Heat:
    """Heat on one even clock: parts end within a step, and uneven steps cost much."""
    time = np.concatenate([part.time for part in parts])
    step = float(np.median(np.diff(time))) if time.size > 1 else 1.0
    even = time[0] + step * np.arange(round((time[-1] - time[0]) / step) + 1)
    power, rate = (np.concatenate([getattr(part, name) for part in parts]) for name in ("power", "oil_rate"))
    return Heat(even, np.interp(even, time, power), np.interp(even, time, rate))
