"""A map on fewer nodes, for controllers with little memory: those that tell most are kept."""

from __future__ import annotations

import operator
from collections.abc import Sequence
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import OutputError
from diffbench.plain_text import per_cent
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
PLACES = 20_000
"""Drawn, to say how much of the tested region is shown."""


def on_fewer_nodes(locking_map: LockingMap, counts: Sequence[int]) -> LockingMap:
    """The map on some of its own nodes.

    Along each axis both ends stay, zero torque, and the ends of the box of most nodes that was tested on
    both branches; where there is room, those of the loading branch. Of the others that one is added again and
    again at which a straight line between the nodes so far is worst off in locking torque.

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    counts : three int
        Of nodes over input torque, speed difference and temperature: enough for those that must stay.

    Returns
    -------
    The map, exact at its nodes, with a note of how far it is off at the most between them, and how much of
    what was tested it shows. The rule beyond the axes is the whole map's.

    Raises
    ------
    OutputError
        A count is no whole number, or too small: no place at all would count as tested.
    """
    counts = _whole_numbers(counts)
    box, wider = (_tested_box(locking_map.tested[branch]) for branch in ("either", "loading"))
    must = [
        _ends(axis, which == 0) | ends
        for which, (axis, ends) in enumerate(zip(locking_map.axes, box, strict=True))
    ]
    if len(counts) != len(must) or any(n < len(few) for n, few in zip(counts, must, strict=False)):
        raise OutputError.single(
            f"{'x'.join(map(str, counts))} are too few nodes to show what was tested",
            mend=f"{'x'.join(str(len(few)) for few in must)} at least",
        )
    kept = [
        _most_telling(locking_map, which, count, few | more if len(few | more) <= count else few)
        for which, (count, few, more) in enumerate(zip(counts, must, wider, strict=True))
    ]
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
    cut_map = LockingMap(document)
    off, shown = _worst(locking_map, cut_map), _shown(locking_map, cut_map)
    size = "x".join(str(len(rows)) for rows in kept)
    note = (
        f"the table is on {size} nodes of the map {locking_map.digest[:12]}: off by {per_cent(off)} % at "
        f"most between them; shows {100.0 * shown:.0f} % of what counts as tested there"
    )
    return LockingMap(document.model_copy(update={"notes": (*document.notes, note)}))


def _whole_numbers(counts: Sequence[int]) -> tuple[int, ...]:
    try:
        # of a text each letter is refused
        return tuple(operator.index(count) for count in counts)
    except TypeError:
        raise OutputError.single(
            f"nodes is {counts!r}, and no three whole numbers",
            mend="give those of input torque, speed difference and temperature: nodes=(9, 7, 4)",
        ) from None


def _ends(axis: Array, torque: bool) -> set[int]:
    """Both ends, and zero torque."""
    crosses = torque and axis[0] < 0.0 < axis[-1]
    return {0, axis.size - 1} | ({int(np.argmin(np.abs(axis)))} if crosses else set())


def _tested_box(tested: NDArray[np.bool_]) -> list[set[int]]:
    """Ends along each axis of the box of most nodes whose corners were tested; none where nothing was."""
    heats = np.flatnonzero(tested.any(axis=(0, 1)))
    if not heats.size:
        return [set(), set(), set()]
    both = tested[:, :, heats[0]] & tested[:, :, heats[-1]]
    best, found = 0, [set[int](), set[int](), {int(heats[0]), int(heats[-1])}]
    for low, high in combinations_with_replacement(np.flatnonzero(both.any(axis=1)).tolist(), 2):
        speeds = np.flatnonzero(both[low] & both[high])
        if speeds.size and (nodes := (high - low + 1) * (speeds[-1] - speeds[0] + 1)) > best:
            best, found[:2] = nodes, [{low, high}, {int(speeds[0]), int(speeds[-1])}]
    return found


def _law(locking_map: LockingMap, branch: Branch) -> NDArray[np.float64] | None:
    """The law's own table of a map that shows what was measured."""
    held = locking_map.document.branches.get(branch)
    return None if held is None or held.by_the_law_Nm is None else np.array(held.by_the_law_Nm)


def _most_telling(locking_map: LockingMap, which: int, count: int, kept: set[int]) -> list[int]:
    axis = locking_map.axes[which]
    tables = np.stack([np.moveaxis(locking_map.values[branch], which, 0) for branch in BRANCHES[:2]], axis=1)
    columns = tables.reshape(axis.size, -1)
    scale = np.maximum(np.abs(columns), 0.05 * np.abs(columns).max() + 1e-300)
    while len(kept) < min(count, axis.size):
        rows = sorted(kept)
        lines = np.stack([np.interp(axis, axis[rows], column[rows]) for column in columns.T], axis=1)
        off = np.max(np.abs(lines - columns) / scale, axis=1)
        off[rows] = -1.0
        kept = kept | {int(np.argmax(off))}
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


def _shown(whole: LockingMap, cut: LockingMap) -> float:
    """Share of what counts as tested in the whole map that does in the cut one; all where nothing does."""
    ends = [(axis[0], axis[-1]) for axis in whole.axes]
    tested = [np.flatnonzero(whole.tested["either"].any(axis=tuple({0, 1, 2} - {i}))) for i in range(3)]
    if all(rows.size for rows in tested):
        ends = [(axis[rows[0]], axis[rows[-1]]) for axis, rows in zip(whole.axes, tested, strict=True)]
    rng = np.random.default_rng(20260416)
    place = [rng.uniform(low, high, PLACES) for low, high in ends]
    before = np.count_nonzero(whole.is_tested(place[0], place[1], place[2]))
    return float(np.count_nonzero(cut.is_tested(place[0], place[1], place[2])) / before) if before else 1.0
