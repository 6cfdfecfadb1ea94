"""The same samples in two recordings of a visit, exported twice, on another clock or overlapping, or twice in
one. They would be counted twice, and no byte of both files need be the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.smoothing import white_noise

Array = NDArray[np.float64]
Marks = NDArray[np.uint64]

ROWS = 12  # samples in a row that are compared
ONE_OF = 32  # places, chosen by what stands there, so that they are the same in both
LEAST = 5  # places that agree, below which nothing is told
OWN = 0.05  # of its places that a recording may hold twice itself, beyond which alike means nothing
GRAVE = 0.5  # of the shorter recording
AGAIN = 48  # samples in a row of one recording, from which on a repeat is told: half a second at 100 Hz
LAGS = 8  # distances of a repeat that are looked into, the commonest first
# Noise against what a channel moves by from sample to sample: a simulator without any repeats its cycles.
NOISY = 0.05

_ODD = np.uint64(0x9E3779B97F4A7C15)  # 2^64 over the golden ratio: multiplication scatters the bits (Knuth)


def marks(channels: Mapping[str, Array]) -> Marks:
    """What a recording, or a part of one, can be known by again whatever its clock says: ``ROWS`` readings of
    all channels, at places chosen by the first channel's own digits.

    Parameters: ``channels`` arrays (n,). Returns marks (m,), some n / `ONE_OF`; readings that stand still are
    none.

    >>> noise = np.random.default_rng(1).normal(size=(2, 4000))
    >>> whole = marks({"a": noise[0], "b": noise[1]})
    >>> later = marks({"a": noise[0, 1500:], "b": noise[1, 1500:]})
    >>> bool(np.isin(later, whole).all()), whole.size > 100
    (True, True)
    """
    if not channels or len(next(iter(channels.values()))) <= ROWS:
        return np.zeros(0, dtype=np.uint64)
    # no minus on a zero: that is the same reading
    digits = _digits({name: values + 0.0 for name, values in channels.items()})
    places = np.flatnonzero(digits[: 1 - ROWS] >> np.uint64(32) < np.uint64(2**32 // ONE_OF))
    rows = sliding_window_view(digits, ROWS)[places]
    different = 1 + np.count_nonzero(np.diff(np.sort(rows, axis=1), axis=1), axis=1)
    moving = rows[different > ROWS // 2]
    return _digits({f"{i:02d}": moving[:, i] for i in range(ROWS)})


def _digits(channels: Mapping[str, NDArray[Any]]) -> NDArray[np.uint64]:
    """A number for each row (n,) of some channels, the same for the same readings."""
    digits = np.zeros(len(next(iter(channels.values()))), dtype=np.uint64)
    for name in sorted(channels):
        digits += np.ascontiguousarray(channels[name]).view(np.uint64)
        digits *= _ODD
        digits ^= digits >> np.uint64(32)  # whole numbers have all of their bits on top
    return digits


def repeats(time: Array, channels: Mapping[str, Array], *, file: str) -> list[Finding]:
    """Samples that a recording holds twice, ``AGAIN`` and more in a row, whatever its clock says.

    Parameters: ``time`` (n,) [s], ``channels`` arrays (n,). Readings that stand still are none, nor are those
    of a recording without noise.

    >>> noise = np.random.default_rng(1).normal(size=(2, 400))
    >>> again = noise[:, np.r_[0:300, 200:400]]
    >>> (told,) = repeats(np.arange(500.0), {"a": again[0], "b": again[1]}, file="a.csv")
    >>> told.evidence
    'The 100 samples from 300 s on are exactly those from 200 s on.'
    """
    if time.size < 2 * AGAIN or not any(_noisy(values) for values in channels.values()):
        return []
    digits = _digits(channels)
    places = np.flatnonzero(digits >> np.uint64(32) < np.uint64(2**32 // (AGAIN // 6)))
    order = places[np.argsort(digits[places], kind="stable")]
    same = digits[order[1:]] == digits[order[:-1]]
    lags, counts = np.unique((order[1:] - order[:-1])[same], return_counts=True)
    found: list[tuple[int, int, int]] = []  # samples, where, and where before
    for lag in lags[np.argsort(-counts, kind="stable")][:LAGS].tolist():
        equal = np.concatenate([[False], digits[lag:] == digits[:-lag], [False]])
        edges = np.flatnonzero(equal[1:] != equal[:-1])
        for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if last - first >= AGAIN and np.unique(digits[first:last]).size > (last - first) // 2:
                found.append((last - first, first + lag, first))
    if not found:
        return []
    count, again, before = max(found)
    more = f" So in {len(found) - 1} places more, {sum(n for n, _, _ in found)} samples in all."
    return [
        Finding(
            "samples repeated",
            "caveat",
            file,
            f"The {count} samples from {time[again]:.4g} s on are exactly those from {time[before]:.4g} s on."
            + (more if len(found) > 1 else ""),
            "They are counted twice: intervals are too narrow, and the sweep has a jump at either end.",
            "Cut the copy out of the file, or export it again from the logger.",
        )
    ]


def _noisy(values: Array) -> bool:
    """Whether a channel has noise of its own beside its course."""
    moves = np.abs(np.diff(values))
    moves = moves[np.isfinite(moves)]
    return bool(moves.size) and white_noise(values) > NOISY * float(np.median(moves)) > 0.0


def same_samples(recordings: Sequence[tuple[str, Sequence[Marks]]]) -> list[Finding]:
    """Recordings (file and `marks` of its parts) that share samples.

    A recording whose cycles are exactly alike, as a simulator's, tells nothing.
    """
    own = []
    for file, parts in recordings:
        marked = np.unique(np.concatenate(parts)) if parts else np.zeros(0, dtype=np.uint64)
        if marked.size >= (1 - OWN) * sum(part.size for part in parts):
            own.append((file, marked))
    found = []
    for (one, first), (other, second) in combinations(own, 2):
        both = np.intersect1d(first, second, assume_unique=True).size
        share = both / max(min(first.size, second.size), 1)
        if both < LEAST:
            continue
        found.append(
            Finding(
                "same samples twice",
                "stop" if share > GRAVE else "caveat",
                other,
                f"{100 * share:.0f} % of the samples are those of {Path(one).name}, whatever the clocks say.",
                "They are counted twice, and intervals are too narrow.",
                "Leave one of both recordings out of the run sheet, or export them so that none overlaps.",
            )
        )
    return found
