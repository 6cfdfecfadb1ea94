"""Linear lookup in tables over three axes: one bracket of a place serves every table of a grid.

Tables carry their last layer twice, so that the last node is met as any other; nodes are found by buckets
with one node at most in each; blocks stay in a core's cache. The order of operations, a + x (b − a) along
temperature, speed, torque, is that of the exports in C and Python: they agree to the last bit.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Grid", "Table"]

Array = NDArray[np.float64]

#: Places that are looked up together. What they need then stays in a core's own cache, and the memory of a
#: lookup does not grow with the number of places.
BLOCK = 16384
#: Longest table that stands for the search in an axis; it must stay in the cache beside the map.
MOST_BUCKETS = 4096


@dataclass(frozen=True)
class Table:
    """One quantity at the nodes of a grid, laid out for lookup.

    Its last layer along each axis stands there twice: at the last node and beyond, a place is bracketed by
    two equal layers, so that no index needs a check and the last node is met as exactly as any other.

    Attributes
    ----------
    flat : ndarray
        Values in a row, read-only.
    numbers : tuple of float
        The same as plain numbers, for single places.
    """

    flat: Array
    numbers: tuple[float, ...]


@dataclass(frozen=True)
class _Buckets:
    """An axis cut into equal buckets with at most one node in each: a node is found without a search."""

    scale: float
    before: NDArray[np.intp]  # the last node before a bucket
    node: Array  # the node in it, or infinity

    @classmethod
    def of(cls, axis: Array) -> _Buckets | None:
        """None for an axis of one node, and for one whose nodes stand too unevenly for a short table."""
        if axis.size < 2:
            return None
        span = float(axis[-1] - axis[0])
        count = 2.0 * span / float(np.diff(axis).min())
        if not count < MOST_BUCKETS:
            return None
        scale = int(count + 1.0) / span
        of_nodes = ((axis - axis[0]) * scale).astype(np.intp)
        node = np.full(int(of_nodes[-1]) + 1, np.inf)
        node[of_nodes] = axis
        before = np.searchsorted(of_nodes, np.arange(node.size)) - 1
        return cls(scale, before, node)


def _lower_nodes(axis: Array, buckets: _Buckets | None, held: Array) -> NDArray[np.intp]:
    """The last node at or before each place, all within the axis; what is no number has any node."""
    if buckets is None or np.isnan(held.sum()):
        # no number is sorted behind the last node
        return np.asarray(axis.searchsorted(held, side="right") - 1)
    # the same rounding for nodes and places, which never falls: a place before a node is in no later bucket
    bucket = ((held - axis[0]) * buckets.scale).astype(np.intp)
    index: NDArray[np.intp] = buckets.before.take(bucket)
    index += held >= buckets.node.take(bucket)
    return index


class Grid:
    """Three rising axes, and what is between their nodes.

    Along each axis a value is a + x (b − a) between the neighbouring nodes a and b, 0 ≤ x < 1, first along
    the third axis, then the second, then the first. In floating point, too, that is exact at every node,
    rises where the nodes rise, and is never negative where no node is. Outside the axes the value at their
    end is held: what a map says there stands in `diffbench.results.beyond_axes`.

    Parameters
    ----------
    axes : sequence of three arrays
        Rising, at least one node each.

    Examples
    --------
    >>> grid = Grid([np.array([0.0, 10.0]), np.array([1.0]), np.array([20.0, 60.0])])
    >>> table = grid.table(np.array([[[1.0, 3.0]], [[5.0, 7.0]]]))
    >>> grid.one(table, 5.0, 1.0, 40.0)
    4.0
    >>> grid.many((table,), np.array([-5.0, 5.0]), np.array([1.0, 9.0]), np.array([20.0, 60.0]))[0].tolist()
    [1.0, 5.0]

    Source: trilinear interpolation, common practice.
    """

    def __init__(self, axes: Sequence[Array]) -> None:
        self._axes = tuple(axes)
        # beyond the last node the gap is infinite: the share of the next node is nil there
        self._gaps = tuple(np.append(np.diff(axis), np.inf) for axis in self._axes)
        self._lists = tuple(
            (axis.tolist(), gaps.tolist()) for axis, gaps in zip(self._axes, self._gaps, strict=True)
        )
        self._buckets = tuple(_Buckets.of(axis) for axis in self._axes)
        _, n_second, n_third = (len(axis) + 1 for axis in self._axes)
        self._strides = (n_second * n_third, n_third)

    def table(self, values: NDArray[np.float64] | NDArray[np.bool_]) -> Table:
        """Lay out the values (torque, speed, temperature) of one quantity; truth becomes 1 and 0."""
        padded = np.pad(np.asarray(values, dtype=np.float64), ((0, 1),) * 3, mode="edge").ravel()
        padded.flags.writeable = False
        return Table(padded, tuple(padded.tolist()))

    def one(self, table: Table, first: float, second: float, third: float) -> float:
        """A table at one place; what is no finite number in the place gives none."""
        # Written out: a loop over the axes would double the cost of a single place. The difference is nil
        # but for what is infinite or no number.
        if (first - first) + (second - second) + (third - third) != 0.0:
            return math.nan
        (axis, gaps), (axis_b, gaps_b), (axis_c, gaps_c) = self._lists
        i = bisect_right(axis, first) - 1
        if i < 0:
            i, x = 0, 0.0
        else:
            x = (first - axis[i]) / gaps[i]
        j = bisect_right(axis_b, second) - 1
        if j < 0:
            j, y = 0, 0.0
        else:
            y = (second - axis_b[j]) / gaps_b[j]
        k = bisect_right(axis_c, third) - 1
        if k < 0:
            k, z = 0, 0.0
        else:
            z = (third - axis_c[k]) / gaps_c[k]
        along, across = self._strides
        v = table.numbers
        at = i * along + j * across + k
        a = v[at]
        a += z * (v[at + 1] - a)
        up = at + across
        b = v[up]
        b += z * (v[up + 1] - b)
        a += y * (b - a)
        at += along
        c = v[at]
        c += z * (v[at + 1] - c)
        up += along
        b = v[up]
        b += z * (v[up + 1] - b)
        c += y * (b - c)
        return a + x * (c - a)

    def many(self, tables: Sequence[Table], first: Array, second: Array, third: Array) -> list[Array]:
        """Each table at many places: three arrays of one shape, answers of the same."""
        shape = first.shape
        columns = [np.ravel(column) for column in (first, second, third)]
        size = columns[0].size
        answers = [np.empty(size) for _ in tables]
        for start in range(0, size, BLOCK):
            part = slice(start, start + BLOCK)
            at, x, y, z = self._bracket([column[part] for column in columns])
            for table, answer in zip(tables, answers, strict=True):
                answer[part] = self._blend(table.flat, at, x, y, z)
        return [answer.reshape(shape) for answer in answers]

    def _bracket(self, place: Sequence[Array]) -> tuple[NDArray[np.intp], Array, Array, Array]:
        """Where in a table the lower corner of each place stands, and the shares of the upper ones."""
        at: NDArray[np.intp] | None = None
        shares = []
        for value, axis, gaps, buckets, stride in zip(
            place, self._axes, self._gaps, self._buckets, (*self._strides, 1), strict=True
        ):
            held = np.minimum(np.maximum(value, axis[0]), axis[-1])
            infinite = np.isinf(value)
            if infinite.any():  # no place at all
                held[infinite] = np.nan
            index = _lower_nodes(axis, buckets, held)
            shares.append((held - axis.take(index)) / gaps.take(index))
            index *= stride
            at = index if at is None else at + index
        assert at is not None
        return at, shares[0], shares[1], shares[2]

    def _blend(self, flat: Array, at: NDArray[np.intp], x: Array, y: Array, z: Array) -> Array:
        along, across = self._strides

        def edge(offset: int) -> Array:
            low = flat[offset:].take(at, mode="clip")
            high = flat[offset + 1 :].take(at, mode="clip")
            high -= low
            high *= z
            low += high
            return low

        def side(offset: int) -> Array:
            low, high = edge(offset), edge(offset + across)
            high -= low
            high *= y
            low += high
            return low

        low, high = side(0), side(along)
        high -= low
        high *= x
        low += high
        return low
