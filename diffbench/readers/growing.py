"""Columns that grow as a file is read, in memory asked for once: what is parsed is copied where it stays."""

from __future__ import annotations

from typing import Any, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

Values: TypeAlias = NDArray[np.float64] | NDArray[np.object_]

_MORE = 1.25  # by how much a column grows beyond what was expected


class GrowingColumn:
    """Values of one column, added piece by piece.

    Memory that no value has been written to costs nothing yet, so an expectation may be generous.

    Examples
    --------
    >>> column = GrowingColumn()
    >>> for piece in ([1.0, 2.0], [3.0]):
    ...     column.add(np.array(piece), expected=2)
    >>> column.values().tolist()
    [1.0, 2.0, 3.0]
    >>> column.split(2).tolist(), column.values().tolist()
    ([1.0, 2.0], [3.0])
    """

    def __init__(self) -> None:
        self._room: NDArray[np.float64] = np.empty(0)
        self._filled = 0
        self._texts: list[NDArray[np.object_]] = []

    def add(self, values: Values, *, expected: int) -> None:
        """Add values at the end.

        Parameters
        ----------
        values : array, shape (n,)
            Floats, or texts; one kind in all pieces.
        expected : int
            How many there may be in all.
        """
        if values.dtype == np.object_:
            self._texts.append(cast("NDArray[np.object_]", values))
            return
        end = self._filled + len(values)
        if end > len(self._room):
            larger = np.empty(max(end, expected, int(_MORE * len(self._room))))
            larger[: self._filled] = self._room[: self._filled]
            self._room = larger
        self._room[self._filled : end] = values
        self._filled = end

    def split(self, count: int) -> Values:
        """Return the first values, and keep the others.

        Parameters
        ----------
        count : int
            How many; no more than there are.

        Returns
        -------
        Shape (count,).
        """
        values = self.values()
        first, rest = values[:count], values[count:]
        if self._texts:
            self._texts = [cast("NDArray[np.object_]", rest)]
        else:
            # new memory, which is not copied before it is needed: what is handed out may be changed in place
            self._room, self._filled = np.empty(len(self._room)), len(rest)
            self._room[: self._filled] = rest
        return first

    def values(self) -> Values:
        """Return all values.

        Returns
        -------
        Shape (n,); floats may be a view of a longer array.
        """
        if self._texts:
            joined: Any = self._texts[0] if len(self._texts) == 1 else np.concatenate(self._texts)
            return cast(Values, joined)
        return self._room[: self._filled]


class GrowingRows:
    """Line numbers, added in runs."""

    def __init__(self) -> None:
        self._runs: list[range | NDArray[np.int64]] = []
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def add(self, rows: range | NDArray[np.int64]) -> None:
        """Add line numbers at the end.

        Parameters
        ----------
        rows : range or array
            Later lines than those before.
        """
        last = self._runs[-1] if self._runs else None
        if isinstance(last, range) and isinstance(rows, range) and rows.start == last.stop:
            self._runs[-1] = range(last.start, rows.stop)
        else:
            self._runs.append(rows)
        self._count += len(rows)

    def split(self, count: int) -> NDArray[np.int64]:
        """Return the first line numbers, and keep the others.

        Parameters
        ----------
        count : int
            How many; no more than there are.

        Returns
        -------
        Shape (count,).
        """
        rows = self.values()
        self._runs, self._count = [rows[count:]], len(rows) - count
        return rows[:count]

    def values(self) -> NDArray[np.int64]:
        """Return all line numbers, shape (n,)."""
        parts = [np.arange(r.start, r.stop) if isinstance(r, range) else r for r in self._runs]
        return np.concatenate([np.empty(0, dtype=np.int64), *parts]) if len(parts) != 1 else parts[0]
