"""Numbers of a column that stay in their file until some of them are asked for.

TDMS stays open and gives rows when asked; HDF5 and MDF are written out by their child, a column and half a
million rows at a time, since a mapped file counts as memory. What a small file may claim is bounded by its
bytes, since a dataset that was never filled would be written out whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
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
    """The floats of a file that `store` wrote; it stays where it is for as long as they are asked for."""

    def __init__(self, path: Path) -> None:
        self.path = path

        def read(first: int, last: int) -> Array:
            return np.fromfile(path, dtype="<f8", count=last - first, offset=8 * first)

        super().__init__(path.stat().st_size // 8, read)


class StoredTexts:
    """The texts of a file that `store_texts` wrote: all in UTF-8, and beside it where each ends.

    Parameters
    ----------
    path : the file; it stays where it is for as long as texts are asked for.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._length = len(np.load(path.with_suffix(".npy"), mmap_mode="r"))

    def __len__(self) -> int:
        return self._length

    def __getitem__(self, place: slice) -> NDArray[np.object_]:
        first, last, _ = place.indices(self._length)
        last = max(first, last)
        ends = np.load(self.path.with_suffix(".npy"), mmap_mode="r")[max(first - 1, 0) : last].tolist()
        starts = [0, *ends] if first == 0 else ends
        with self.path.open("rb") as file:
            file.seek(starts[0] if starts else 0)
            data = file.read(starts[-1] - starts[0]) if starts else b""
        found = np.empty(last - first, dtype=np.object_)
        for i, (begin, end) in enumerate(pairwise(starts)):
            found[i] = data[begin - starts[0] : end - starts[0]].decode()
        return found


@dataclass(frozen=True, eq=False)
class LateColumn:
    """One column that is in the file still; see `diffbench.readers.protocol.RawColumn`."""

    name: str
    unit: str | None
    values: OnDemand | StoredTexts

    @property
    def is_text(self) -> bool:
        """Whether the column holds texts rather than floats."""
        return isinstance(self.values, StoredTexts)

    def part(self, first: int, last: int) -> RawColumn:
        """Return some of the rows, in memory."""
        return RawColumn(self.name, self.unit, self.values[first:last])


@dataclass(frozen=True, eq=False)
class Group:
    """Channels of one clock.

    Parameters
    ----------
    name : as the file has it; a user names it by that.
    columns : the channels, all of one length; the clock among them where it is a channel of the file.
    time : shape (n,) [s] from an origin that all groups share; None without a clock.
    clock : the channel that is the clock; or, where it is none of the file's, the name that it shall have.
    """

    name: str
    columns: tuple[RawColumn, ...]
    time: NDArray[np.float64] | None
    clock: RawColumn | str | None = None

    def __len__(self) -> int:
        return len(self.columns[0].values)

    @property
    def table(self) -> tuple[RawColumn, ...]:
        """The channels, the clock among them."""
        if self.time is None or not isinstance(self.clock, str):
            return self.columns
        return (RawColumn(self.clock, "s", self.time), *self.columns)

    @property
    def channels(self) -> tuple[RawColumn, ...]:
        """The channels without the clock."""
        return tuple(column for column in self.columns if column is not self.clock)


@dataclass(frozen=True, eq=False)
class LateGroup:
    """A group as a file has it, its numbers in the file still; see `Group`."""

    name: str
    columns: tuple[RawColumn | LateColumn, ...]
    time: NDArray[np.float64] | OnDemand | None
    clock: RawColumn | LateColumn | str | None = None

    def __len__(self) -> int:
        return len(self.columns[0].values)

    def part(self, first: int, last: int) -> Group:
        """Return some of its rows, in memory."""
        columns = [column.part(first, last) for column in self.columns]
        at = next((i for i, column in enumerate(self.columns) if column is self.clock), None)
        named = self.clock if isinstance(self.clock, str) else None
        time = None if self.time is None else self.time[first:last]
        return Group(self.name, tuple(columns), time, named if at is None else columns[at])


def in_pieces(values: Array | OnDemand) -> Iterator[Array]:
    """Numbers in order, `AT_ONCE` at a time."""
    return (values[first : first + AT_ONCE] for first in range(0, len(values), AT_ONCE))


def store(pieces: Iterable[Array], path: Path) -> Stored:
    """Write floats to a file, eight bytes each and nothing else."""
    with path.open("wb") as file:
        for piece in pieces:
            file.write(np.ascontiguousarray(piece, dtype="<f8").data)
    return Stored(path)


def store_texts(pieces: Iterable[NDArray[np.object_]], path: Path) -> StoredTexts:
    """Write texts to a file without an ending, and where each ends to a ``.npy`` file beside it."""
    lengths: list[NDArray[np.int64]] = [np.empty(0, dtype=np.int64)]
    with path.open("wb") as file:
        for piece in pieces:
            texts = [text.encode("utf-8", "replace") for text in piece.tolist()]
            lengths.append(np.fromiter(map(len, texts), dtype=np.int64, count=len(texts)))
            file.write(b"".join(texts))
    np.save(path.with_suffix(".npy"), np.cumsum(np.concatenate(lengths)))
    return StoredTexts(path)


def rises(values: Array | OnDemand) -> bool:
    """Whether all numbers are finite, and each is larger than the one before.

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
    """Whether two columns hold the same numbers."""
    return len(one) == len(other) and all(
        np.array_equal(one[first : first + AT_ONCE], other[first : first + AT_ONCE])
        for first in range(0, len(one), AT_ONCE)
    )


def even_parts(total: int, rows: int | None) -> list[tuple[int, int]]:
    """Where the parts of a table begin and end: about ``rows`` each, all alike, none of a few rows; a single
    part up to five quarters of that.

    >>> even_parts(10, 4), even_parts(10, 8), even_parts(10, None)
    ([(0, 3), (3, 7), (7, 10)], [(0, 10)], [(0, 10)])
    """
    count = 1 if rows is None or total <= rows + rows // 4 else -(-total // rows)
    ends = [round(i * total / count) for i in range(count + 1)]
    return list(pairwise(ends))
