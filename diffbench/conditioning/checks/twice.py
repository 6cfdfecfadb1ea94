"""The same samples in two recordings of a visit: exported twice, on another clock or overlapping. They would
be counted twice, and no byte of both files need be the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding

Array = NDArray[np.float64]

ROWS = 12  # samples in a row that are compared
ONE_OF = 32  # places, chosen by what stands there, so that they are the same in both
LEAST = 5  # places that agree, below which nothing is told
OWN = 0.05  # of its places that a recording may hold twice itself, beyond which alike means nothing
GRAVE = 0.5  # of the shorter recording

_ODD = np.uint64(0x9E3779B97F4A7C15)  # 2^64 over the golden ratio: multiplication scatters the bits (Knuth)


def marks(channels: Mapping[str, Array]) -> list[int]:
    """What a recording, or a part of one, can be known by again whatever its clock says: ``ROWS`` readings of
    all channels, at places chosen by the first channel's own digits.

    Parameters: ``channels`` arrays (n,). Readings that stand still mark nothing.

    >>> noise = np.random.default_rng(1).normal(size=(2, 4000))
    >>> whole = marks({"a": noise[0], "b": noise[1]})
    >>> later = marks({"a": noise[0, 1500:], "b": noise[1, 1500:]})
    >>> set(later) <= set(whole), len(whole) > 100
    (True, True)
    """
    if not channels or len(next(iter(channels.values()))) <= ROWS:
        return []
    table = np.ascontiguousarray(np.stack([channels[name] for name in sorted(channels)], axis=1))
    digits = np.add.reduce(table.view(np.uint64) * _ODD, axis=1, dtype=np.uint64) * _ODD
    places = np.flatnonzero(digits[: 1 - ROWS] >> np.uint64(32) < np.uint64(2**32 // ONE_OF))
    found = []
    for place in places.tolist():
        rows = table[place : place + ROWS]
        if np.unique(rows, axis=0).shape[0] > ROWS // 2:
            found.append(hash(rows.tobytes()))
    return found


def same_samples(recordings: Sequence[tuple[str, Sequence[int]]]) -> list[Finding]:
    """Recordings (file and `marks`) that share samples.

    A recording whose cycles are exactly alike, as a simulator's, tells nothing.
    """
    own = [(file, set(marked)) for file, marked in recordings if len(set(marked)) >= (1 - OWN) * len(marked)]
    found = []
    for (one, first), (other, second) in combinations(own, 2):
        both = len(first & second)
        share = both / max(min(len(first), len(second)), 1)
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
