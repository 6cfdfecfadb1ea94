"""A map on fewer nodes, for controllers with little memory: those that tell most are kept."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import OutputError
from diffbench.results.locking_map import (
    AXES,
    BRANCHES,
    Branch,
    LockingMap,
    MapAxes,
    MapBranch,
)

__all__ = ["on_fewer_nodes"]

Array = NDArray[np.float64]


def on_fewer_nodes(locking_map: LockingMap, counts: Sequence[int]) -> LockingMap:
    """The map on some of its own nodes.

    Along each axis both ends stay, and zero torque; of the others that one is added again and again at which
    a straight line between the nodes so far is worst off in locking torque.

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    counts : three int
        Of nodes over input torque, speed difference and temperature; at least 2, 3 over torque, or as many as
        there are.

    Returns
    -------
    The map, exact at its nodes, with a note of how far it is off at the most between them. The rule beyond
    the axes is the whole map's.

    Raises
    ------
    OutputError
        A count is too small.
    """
    least = [min(axis.size, n) for axis, n in zip(locking_map.axes, (3, 2, 2), strict=True)]
    if len(counts) != len(least) or any(n < few for n, few in zip(counts, least, strict=False)):
        raise OutputError.single(
            f"{'x'.join(map(str, counts))} are too few nodes", mend=f"{'x'.join(map(str, least))} at least"
        )
    kept = [_most_telling(locking_map, which, count) for which, count in enumerate(counts)]
    cut = np.ix_(*kept)
    axes = [axis[rows].tolist() for axis, rows in zip(locking_map.axes, kept, strict=True)]
    document = locking_map.document.model_copy(
        update={
            "axes": MapAxes(**{name: tuple(axis) for name, axis in zip(AXES, axes, strict=True)}),
            "branches": {
                branch: MapBranch(
                    locking_torque_Nm=locking_map.values[branch][cut].tolist(),
                    low_Nm=locking_map.low[branch][cut].tolist(),
                    high_Nm=locking_map.high[branch][cut].tolist(),
                    tested=locking_map.tested[branch][cut].tolist(),
                    by_the_law_Nm=None if (law := _law(locking_map, branch)) is None else law[cut].tolist(),
                )
                for branch in BRANCHES
            },
            "interpolation": None,
            "beyond": locking_map.beyond,
        }
    )
    off = _worst(locking_map, LockingMap(document))
    size = "x".join(str(len(rows)) for rows in kept)
    share = f"{100.0 * off:.2g} %"
    note = f"on {size} nodes of the map {locking_map.digest[:12]}: off by {share} at most between them"
    return LockingMap(document.model_copy(update={"notes": (*document.notes, note)}))


def _law(locking_map: LockingMap, branch: Branch) -> NDArray[np.float64] | None:
    """The law's own table of a map that shows what was measured."""
    held = locking_map.document.branches.get(branch)
    return None if held is None or held.by_the_law_Nm is None else np.array(held.by_the_law_Nm)


def _most_telling(locking_map: LockingMap, which: int, count: int) -> list[int]:
    axis = locking_map.axes[which]
    tables = np.stack([np.moveaxis(locking_map.values[branch], which, 0) for branch in BRANCHES[:2]], axis=1)
    columns = tables.reshape(axis.size, -1)
    scale = np.maximum(np.abs(columns), 0.05 * np.abs(columns).max() + 1e-300)
    kept = {0, axis.size - 1}
    if which == 0 and axis[0] < 0.0 < axis[-1]:
        kept.add(int(np.argmin(np.abs(axis))))
    while len(kept) < min(count, axis.size):
        rows = sorted(kept)
        lines = np.stack([np.interp(axis, axis[rows], column[rows]) for column in columns.T], axis=1)
        off = np.max(np.abs(lines - columns) / scale, axis=1)
        off[rows] = -1.0
        kept.add(int(np.argmax(off)))
    return sorted(kept)


def _worst(whole: LockingMap, cut: LockingMap) -> float:
    """Share of the locking torque that the cut map is off by at the nodes of the whole one, at the most."""
    place = np.meshgrid(*whole.axes, indexing="ij")
    return max(
        float(
            np.max(
                np.abs(cut.locking_torque(*place, branch=b) - whole.values[b])
                / np.maximum(whole.values[b], 1.0)
            )
        )
        for b in BRANCHES
    )
