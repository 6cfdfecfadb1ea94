"""A recording in pieces of one sampling rate, none of which reaches over a long gap.

Widths of averages are counted in samples, so that what changes its rate is conditioned piece by piece; and
what happened within a gap is no rate of change.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.smoothing import usual_step
from diffbench.recording import Recording

Array = NDArray[np.float64]

# A step of half as much again is a lost row; when most are, the rate is another.
LOST = 1.5
BLOCK = 16  # steps, whose median is one reading of the rate
LASTING = 4  # such readings in a row, from which on a rate counts as another
# What is shorter goes with its neighbour: checks of a piece need a stretch of the sweep to look at.
SHORTEST, FEWEST = 20.0, 200  # s, samples
LONG_GAP = 10.0  # s, over which torques, speeds and heat do not go on


@dataclass(frozen=True)
class Pace:
    """Samples ``first`` to ``last`` (exclusive) of a recording, and the usual step there [s]."""

    first: int
    last: int
    step: float


def paces(time: Array) -> list[Pace]:
    """Stretches of one sampling rate each, in order, of a clock (n,) [s]; one where the rate does not change.

    >>> two = np.concatenate([np.arange(500) / 100.0, 5.0 + np.arange(500) / 10.0])
    >>> [(pace.first, pace.last, round(pace.step, 3)) for pace in paces(two)]
    [(0, 500, 0.01), (500, 1000, 0.1)]
    """
    steps = np.diff(time)
    whole = [Pace(0, time.size, usual_step(time) if time.size > 1 else 1.0)]
    count = steps.size // BLOCK
    if count < 2 * LASTING:
        return whole
    read = np.median(steps[: count * BLOCK].reshape(count, BLOCK), axis=1)
    apart = (read > LOST * whole[0].step) | (LOST * read < whole[0].step)
    if np.count_nonzero(apart) < LASTING:
        return whole
    # the median of a few readings in a row: what does not last is no other rate
    lasting = np.lib.stride_tricks.sliding_window_view(read, LASTING)
    least, most = lasting.min(axis=1), lasting.max(axis=1)
    now, block, starts = float(np.median(lasting[0])), 0, [0]
    while True:
        other = np.flatnonzero((least[block:] > LOST * now) | (LOST * most[block:] < now))
        if not other.size:
            break
        block += int(other[0])
        then = float(np.median(lasting[block]))
        near = slice(max(0, (block - 1) * BLOCK), (block + 1) * BLOCK)
        of_old = np.abs(np.log(steps[near] / now)) < np.abs(np.log(steps[near] / then))
        starts.append(near.start + (int(np.flatnonzero(of_old)[-1]) + 1 if of_old.any() else 0))
        now = then
    bounds = [*starts, time.size]
    return [
        Pace(first, last, usual_step(time[first:last]))
        for first, last in pairwise(bounds)
        if last > first + 1
    ]


def local_steps(time: Array, found: list[Pace]) -> Array:
    """The usual step [s] from each sample (n,) of a clock to the next."""
    local = np.empty(time.size)
    for pace in found:
        local[pace.first : pace.last] = pace.step
    return local


def pieces(recording: Recording) -> list[Recording]:
    """The recording cut where its rate changes and at long gaps; itself where it need not be."""
    time = recording.time
    if time.size < 2 * FEWEST:
        return [recording]
    cuts = [pace.first for pace in paces(time)[1:]]
    cuts += (np.flatnonzero(np.diff(time) > LONG_GAP) + 1).tolist()
    bounds = [0]
    for cut in sorted(set(cuts)):
        if _long(time, bounds[-1], cut) and _long(time, cut, time.size):
            bounds.append(cut)
    if len(bounds) == 1:
        return [recording]
    return [_rows(recording, slice(first, last)) for first, last in pairwise([*bounds, time.size])]


def _long(time: Array, first: int, last: int) -> bool:
    return last - first >= FEWEST and float(time[last - 1] - time[first]) >= SHORTEST


def _rows(recording: Recording, rows: slice) -> Recording:
    return replace(
        recording,
        time=recording.time[rows],
        channels={name: values[rows] for name, values in recording.channels.items()},
        labels={name: texts[rows] for name, texts in recording.labels.items()},
        rows=recording.rows[rows],
    )
