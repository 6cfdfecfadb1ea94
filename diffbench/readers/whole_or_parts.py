"""Reading a file whole, or in parts of which one is in memory at a time: what readers of a kind share."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from diffbench.readers.protocol import RawTable

if TYPE_CHECKING:
    from diffbench.documents import FileSettings


class ReadsWhole(ABC):
    """A reader whose format, or library, gives a file whole or not at all; a subclass has `read_table`."""

    @abstractmethod
    def read_table(self, path: Path, settings: FileSettings) -> RawTable:
        """Read the whole file. See `diffbench.readers.protocol.Reader`."""

    def read_tables(
        self,
        path: Path,
        settings: FileSettings,
        *,
        rows: int | None = None,  # noqa: ARG002  there is but one part
    ) -> Iterator[RawTable]:
        """Read the whole file as its only part. See `diffbench.readers.protocol.Reader`."""
        yield self.read_table(path, settings)


class ReadsInParts(ABC):
    """A reader that reads some rows at a time; a subclass has `read_tables`."""

    @abstractmethod
    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Read the file in parts. See `diffbench.readers.protocol.Reader`."""

    def read_table(self, path: Path, settings: FileSettings) -> RawTable:
        """Read the whole file. See `diffbench.readers.protocol.Reader`."""
        (table,) = self.read_tables(path, settings)
        return table


def even_parts(total: int, rows: int | None) -> list[tuple[int, int]]:
    """Return where the parts of a table begin and end: all alike, and none of a few rows.

    Parameters
    ----------
    total : int
        Rows of the table.
    rows : int or None
        Rows of a part, about; None for a single part.

    Returns
    -------
    First row and the one after the last, of every part; a single part up to five quarters of `rows`.

    Examples
    --------
    >>> even_parts(10, 4), even_parts(10, 8), even_parts(10, None)
    ([(0, 3), (3, 7), (7, 10)], [(0, 10)], [(0, 10)])
    """
    count = 1 if rows is None or total <= rows + rows // 4 else -(-total // rows)
    ends = [round(i * total / count) for i in range(count + 1)]
    return list(pairwise(ends))
