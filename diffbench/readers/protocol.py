"""What a reader of one file format promises, and the raw table that it hands to the mapping."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Collection, Iterator, Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from diffbench.recording import LastLine

if TYPE_CHECKING:
    from diffbench.documents import FileSettings
    from diffbench.readers.asked import Asked

LARGEST = 1e30  # beyond any bench quantity in any unit: a number above it is a logger's mark for overload
ODD_LIMIT = 10_000  # odd cells kept for each column: enough for any report, and a bound on memory


@dataclass(frozen=True, eq=False)
class RawColumn:
    """One column as the file has it: no unit converted, nothing renamed.

    Parameters
    ----------
    name : the column's name as written, unit part included.
    unit : the unit text that the file gives by its own means (a units row, an attribute), or None. A unit
        inside the name is left there: the mapping looks for it.
    values : shape (n,); floats with NaN for missing cells, or texts (an object array of str) when the column
        holds words or clock times.
    odd : for a column of floats, the cells that are neither number nor missing, by index into `values`
        (where NaN stands). At most `ODD_LIMIT` are kept.
    odd_count : how many odd cells there are.
    """

    name: str
    unit: str | None
    values: NDArray[np.float64] | NDArray[np.object_]
    odd: Mapping[int, str] = field(default_factory=dict)
    odd_count: int = 0

    @property
    def is_text(self) -> bool:
        """Whether the column holds texts rather than floats."""
        return self.values.dtype == np.object_

    def part(self, first: int, last: int) -> RawColumn:
        """Return some of the rows of a column without odd cells."""
        return RawColumn(self.name, self.unit, self.values[first:last])


@dataclass(frozen=True, eq=False)
class RawTable:
    """All columns of one file.

    Parameters
    ----------
    columns : in the file's order; each with n values.
    rows : shape (n,), the line of each row in the file, counted from 1 (record number where a format has no
        lines).
    details : what was found out about the layout, for the record.
    notes : what a user should know about the reading, each one sentence.
    header_line : the line that the names stand on, where there is one.
    unnamed : whether the file names no columns, so that the reader has called them by their place.
    more : whether these are not all rows, and further ones follow in another table.
    last_line : the last line of a text, where it may not have been written to its end.
    left_out : names of columns that nobody asked for, and that were not read.
    clocks_apart : where groups have little of their times in common, one sentence for each.
    """

    columns: tuple[RawColumn, ...]
    rows: NDArray[np.int64]
    details: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    header_line: int | None = None
    unnamed: bool = False
    more: bool = False
    last_line: LastLine | None = None
    left_out: tuple[str, ...] = ()
    clocks_apart: tuple[str, ...] = ()

    def behind(self, row: RawTable) -> RawTable:
        """Return the same rows with one before them, as `last_row` gives it."""
        columns = tuple(
            replace(
                column,
                values=np.concatenate([before.values, column.values]),
                odd={i + 1: text for i, text in column.odd.items()},
            )
            for before, column in zip(row.columns, self.columns, strict=True)
        )
        return replace(self, columns=columns, rows=np.concatenate([row.rows, self.rows]))

    def only(self, names: Collection[str]) -> RawTable:
        """Return some of the columns alone."""
        return replace(self, columns=tuple(column for column in self.columns if column.name in names))

    def last_row(self) -> RawTable:
        """Return the last row alone, in memory of its own."""
        columns = tuple(RawColumn(c.name, c.unit, c.values[-1:].copy()) for c in self.columns)
        return RawTable(columns, self.rows[-1:].copy())


class Reader(ABC):
    """One file format. Readers are listed in `diffbench.readers.registry`, and know nothing of rigs."""

    name: ClassVar[str]  # what messages and provenance call the format, for example "delimited text"
    marks: ClassVar[tuple[bytes, ...]] = ()  # any of which its files begin with
    asked: Asked | None = None  # which columns are wanted, of a file of very many; None for all

    def recognises(self, head: bytes) -> bool:
        """Tell whether a file is of this format, by its first bytes and never by its name.

        Parameters
        ----------
        head : bytes
            Up to `diffbench.readers.registry.HEAD_SIZE` of them.

        Returns
        -------
        True when it begins with one of the `marks`.

        Examples
        --------
        >>> class Shouting(Reader):
        ...     marks = (b"HEY ",)
        ...     read_tables = None
        >>> Shouting().recognises(b"HEY 1.0")
        True
        """
        return head.startswith(self.marks)

    def asking(self, asked: Asked) -> Reader:
        """Return a reader that may leave out columns whose names are not asked for.

        Parameters
        ----------
        asked : Asked
            Tells of a column's name as it stands in the file whether it is wanted.

        Returns
        -------
        A reader of the same kind; where leaving columns out saves nothing, it reads all.
        """
        chosen = copy(self)
        chosen.asked = asked
        return chosen

    @abstractmethod
    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Read the file in parts, of which one is in memory at a time.

        Parameters
        ----------
        path : Path
            The file.
        settings : FileSettings
            What the rig states about its files; it goes before what the reader finds out.
        rows : int, optional
            Rows of a part, about; none has fewer than a quarter of that, unless it is the only one. Without,
            and of a format that is read whole, all is one part.

        Returns
        -------
        Tables of the same columns, one after the other, whose rows are numbered on; notes may stand in any.

        Raises
        ------
        ReadingError : naming file, line and mend, with every fault that was found, perhaps after some of the
            parts.
        """
