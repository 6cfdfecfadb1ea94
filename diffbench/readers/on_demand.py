"""Numbers of a column that stay in their file until some of them are asked for.

TDMS stays open and gives rows when asked; HDF5 and MDF are written out by their child, a column and half a
million rows at a time, since a mapped file counts as memory. What a small file may claim is bounded by its
bytes, since a dataset that was never filled would be written out whole.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diffbench.readers.protocol import RawColumn

Array = NDArray[np.float64]
AT_ONCE = 1 << 19  # values looked at together


class OnDemand:
    """Floats that are read some at a time.

    Parameters
    ----------
    length : how many there are.
    read : gives those from one place up to another.

    Examples
    --------
    >>> numbers = OnDemand(5, lambda first, last: np.arange(first, last) / 2.0)
    >>> len(numbers), numbers[1:3].tolist()
    (5, [0.5, 1.0])
    """

    def __init__(self, length: int, read: Callable[[int, int], Array]) -> None:
        self._length = length
        self._read = read

    def __len__(self) -> int:
        return self._length

    def __getitem__(self, place: slice) -> Array:
        first, last, _ = place.indices(self._length)
        return self._read(first, max(first, last))

    def times(self, factor: float) -> OnDemand:
        """Return the same numbers, all multiplied."""
        return OnDemand(self._length, lambda first, last: self._read(first, last) * factor)


class Stored(OnDemand):
    """The floats of a ``.npy`` file of one dimension.

    Parameters
    ----------
    path : the file; it stays where it is for as long as numbers are asked for.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

        def read(first: int, last: int) -> Array:
            # mapped anew each time: what is mapped counts as memory until it is closed
            return np.array(np.load(path, mmap_mode="r")[first:last], dtype=np.float64)

        super().__init__(len(np.load(path, mmap_mode="r")), read)


@dataclass(frozen=True, eq=False)
class LateColumn:
    """One column of numbers that are in the file still; see `diffbench.readers.protocol.RawColumn`."""

    name: str
    unit: str | None
    values: OnDemand

    is_text = False

    def part(self, first: int, last: int) -> RawColumn:
        """Return some of the rows, in memory."""
        return RawColumn(self.name, self.unit, self.values[first:last])


def store(values: Array | OnDemand, path: Path) -> Stored:
    """Write floats to a ``.npy`` file, some at a time.

    Parameters
    ----------
    values : array or OnDemand
        The numbers.
    path : Path
        The file.

    Returns
    -------
    The numbers, as they are in the file.
    """
    header = {"descr": "<f8", "fortran_order": False, "shape": (len(values),)}
    with path.open("wb") as file:
        np.lib.format.write_array_header_1_0(file, header)
        for first in range(0, len(values), AT_ONCE):
            file.write(np.ascontiguousarray(values[first : first + AT_ONCE], dtype="<f8").tobytes())
    return Stored(path)


def rises(values: Array | OnDemand) -> bool:
    """Tell whether all numbers are finite, and each is larger than the one before.

    Parameters
    ----------
    values : array or OnDemand
        The numbers.

    Returns
    -------
    True where they are.

    Examples
    --------
    >>> rises(np.array([0.0, 1.0, 1.5])), rises(np.array([0.0, 1.0, 1.0])), rises(np.array([0.0, np.nan]))
    (True, False, False)
    """
    # with the last one before: a step from block to block counts as well
    return all(
        bool(np.isfinite(some := values[max(first - 1, 0) : first + AT_ONCE]).all())
        and bool((np.diff(some) > 0.0).all())
        for first in range(0, len(values), AT_ONCE)
    )


def alike(one: Array | OnDemand, other: Array | OnDemand) -> bool:
    """Tell whether two columns hold the same numbers.

    Parameters
    ----------
    one, other : array or OnDemand
        The numbers.

    Returns
    -------
    True where they do.
    """
    return len(one) == len(other) and all(
        np.array_equal(one[first : first + AT_ONCE], other[first : first + AT_ONCE])
        for first in range(0, len(one), AT_ONCE)
    )
