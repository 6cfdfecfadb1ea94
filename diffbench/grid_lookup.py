"""Linear lookup in tables over three axes: one bracket of a place serves every table of a grid."""

from __future__ import annotations

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


class Grid:
    """Three rising axes, and what is between their nodes.

    Along each axis a value is a + x (b − a) between the neighbouring nodes a and b, 0 ≤ x < 1, first along
    the third axis, then the second, then the first. In floating point, too, that is exact at every node,
    rises where the nodes rise, and is never negative where no node is. Outside the axes the value at their
    end is held.

    Parameters
    ----------
    axes : sequence of three arrays
        Rising, at least one node each.

    Examples
    --------
    >>> grid = Grid([np.array([0.0, 10.0]), np.array([1.0]), np.array([20.0, 60.0])])
    >>> table = grid.table(np.array([[[1.0, 3.0]], [[5.0, 7.0]]]))
    >>> grid.one((table,), 5.0, 1.0, 40.0)
    (4.0,)
    >>> grid.many((table,), np.array([-5.0, 5.0]), np.array([1.0, 9.0]), np.array([20.0, 60.0]))[0].tolist()
    [1.0, 5.0]

    Source: trilinear interpolation, common practice.
    """

    def __init__(self, axes: Sequence[Array]) -> None:
        self._axes = tuple(axes)
        # beyond the last node the gap is infinite: the share of the next node is nil there
        self._gaps = tuple(np.append(np.diff(axis), np.inf) for axis in self._axes)
        self._last = tuple(len(axis) - 1 for axis in self._axes)
        self._lists = tuple(
            (axis.tolist(), gaps.tolist(), len(axis) - 1)
            for axis, gaps in zip(self._axes, self._gaps, strict=True)
        )
        _, n_second, n_third = (len(axis) + 1 for axis in self._axes)
        self._strides = (n_second * n_third, n_third)

    def table(self, values: NDArray[np.float64] | NDArray[np.bool_]) -> Table:
        """Lay out the values (torque, speed, temperature) of one quantity; truth becomes 1 and 0."""
        padded = np.pad(np.asarray(values, dtype=np.float64), ((0, 1),) * 3, mode="edge").ravel()
        padded.flags.writeable = False
        return Table(padded, tuple(padded.tolist()))

    def one(self, tables: Sequence[Table], first: float, second: float, third: float) -> tuple[float, ...]:
        """Each table at one place; what is no number in the place gives none."""
        # Written out: a loop over the axes would double the cost of a single place.
        total = first + second + third
        if total != total and (first != first or second != second or third != third):  # noqa: PLR0124
            return (float("nan"),) * len(tables)
        (axis, gaps, last), (axis_b, gaps_b, last_b), (axis_c, gaps_c, last_c) = self._lists
        i = bisect_right(axis, first) - 1
        x = 0.0 if i < 0 or i >= last else (first - axis[i]) / gaps[i]
        j = bisect_right(axis_b, second) - 1
        y = 0.0 if j < 0 or j >= last_b else (second - axis_b[j]) / gaps_b[j]
        k = bisect_right(axis_c, third) - 1
        z = 0.0 if k < 0 or k >= last_c else (third - axis_c[k]) / gaps_c[k]
        along, across = self._strides
        at = (i if i > 0 else 0) * along + (j if j > 0 else 0) * across + (k if k > 0 else 0)
        answers = []
        for table in tables:
            v = table.numbers
            a = v[at]
            a += z * (v[at + 1] - a)
            b = v[at + across]
            b += z * (v[at + across + 1] - b)
            a += y * (b - a)
            c = v[at + along]
            c += z * (v[at + along + 1] - c)
            b = v[at + along + across]
            b += z * (v[at + along + across + 1] - b)
            c += y * (b - c)
            answers.append(a + x * (c - a))
        return tuple(answers)

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
        for value, axis, gaps, stride in zip(place, self._axes, self._gaps, (*self._strides, 1), strict=True):
            # no number stays none: it is sorted behind the last node, and its share is none either
            held = np.minimum(np.maximum(value, axis[0]), axis[-1])
            index = axis.searchsorted(held, side="right")
            index -= 1
            held -= axis.take(index)
            held /= gaps.take(index)
            shares.append(held)
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
