"""Regular lines of a text to columns: by the parser of pandas, or cell by cell where some are no numbers."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np

from diffbench.readers.cells import (
    MISSING_SPELLINGS,
    THOUSANDS_MARKS,
    grouped_pattern,
    is_missing,
    number_pattern,
)
from diffbench.readers.growing import Values
from diffbench.readers.text_layout import Layout
from diffbench.readers.text_marks import Marks

AT_ONCE = 1 << 23  # bytes: to open the parser costs a millisecond or two each time


def parse(pieces: Sequence[bytes], layout: Layout, *, padded: bool = True) -> list[Values]:
    """Return the columns of lines that all have the right count of cells.

    Parameters
    ----------
    pieces : sequence of bytes
        Lines in UTF-8 that follow each other, without thousands marks in numbers.
    layout : Layout
        Which columns hold numbers, and the marks.
    padded : bool
        Whether blanks may stand before words for missing cells: a little slower.

    Returns
    -------
    One array a column; NaN, or an empty text, for a missing cell.

    Raises
    ------
    ValueError : when a cell in a column of numbers is none, or cells follow the last column. It names no
        line: `parse_by_cell` finds the cell.
    """
    numeric = list(layout.numeric) + [False] * (layout.cells - len(layout.numeric))
    columns = _read(pieces, layout, numeric, padded=padded)
    if len(columns) > len(layout.numeric) and (columns.pop() != "").any():
        msg = "cells follow the last column"
        raise ValueError(msg)
    return columns


def parse_numbers(pieces: Sequence[bytes], layout: Layout) -> list[Values] | None:
    """Return the columns of lines that hold nothing but numbers, in the least time.

    Parameters
    ----------
    pieces : sequence of bytes
        Lines in UTF-8 that follow each other.
    layout : Layout
        With numbers in all columns.

    Returns
    -------
    One array a column; None where any cell is missing or no number, or a line has cells too many or too few.
    """
    try:
        return _read(pieces, layout, [True] * layout.cells, padded=False, all_there=True)
    except ValueError:
        return None


def parse_by_cell(data: bytes, layout: Layout) -> list[tuple[Values, dict[int, str]]]:
    """Return the columns of lines of which some cells in columns of numbers are no numbers.

    Parameters
    ----------
    data : bytes
        Lines in UTF-8, all with the right count of cells.
    layout : Layout
        Which columns hold numbers, and the marks.

    Returns
    -------
    For each column its values, and the odd cells by index.
    """
    columns: list[tuple[Values, dict[int, str]]] = []
    for i, is_numeric in enumerate(layout.numeric):
        if not is_numeric:
            columns.append((_texts(data, layout, i), {}))
        else:
            numbers = _numbers(data, layout, i)
            columns.append(
                _by_cell(_texts(data, layout, i), layout.marks) if numbers is None else (numbers, {})
            )
    return columns


def number_in(cell: str, marks: Marks) -> float | None:
    """Return the number in a cell.

    Parameters
    ----------
    cell : str
        As written, without thousands marks.
    marks : Marks
        With the decimal mark.

    Returns
    -------
    The number, perhaps infinite; None for words and missing cells.

    Examples
    --------
    >>> marks = Marks(";", ",", True, None, 2)
    >>> number_in(" -1,5e3 ", marks), number_in("1.5", marks)
    (-1500.0, None)
    """
    text = cell.strip()
    if text.lstrip("+-").casefold() in ("inf", "infinity"):
        return float(text)
    # "5," ends in a decimal comma; pandas takes it for 5 too.
    text = text.removesuffix(",") if marks.decimal == "," else text
    if number_pattern(marks.decimal).fullmatch(text):
        return float(text.replace(",", "."))
    return None


def new_thousands_mark(data: bytes, layout: Layout) -> str | None:
    """Return the thousands mark of a text in which none has come before.

    Only where the decimal mark is known beyond doubt: else the new mark might be just that.

    Parameters
    ----------
    data : bytes
        Lines in UTF-8, all with the right count of cells, in which some cells are no numbers.
    layout : Layout
        The layout so far.

    Returns
    -------
    The mark, or None.
    """
    marks = layout.marks
    if marks.thousands is not None or not marks.decimal_seen:
        return None
    taken = {marks.decimal, " " if marks.delimiter == " " else ""}
    for i, is_numeric in enumerate(layout.numeric):
        if not is_numeric or _numbers(data, layout, i) is not None:
            continue
        for cell in _texts(data, layout, i):
            for mark in THOUSANDS_MARKS:
                if mark not in taken and grouped_pattern(mark, marks.decimal).fullmatch(cell.strip()):
                    return mark
    return None


def _numbers(data: bytes, layout: Layout, column: int) -> Values | None:
    try:
        return _read([data], layout, [True] * layout.cells, only=column)[0]
    except ValueError:
        return None


def _texts(data: bytes, layout: Layout, column: int) -> Values:
    return _read([data], layout, [False] * layout.cells, only=column)[0]


def _by_cell(texts: Values, marks: Marks) -> tuple[Values, dict[int, str]]:
    values = np.full(len(texts), np.nan)
    odd: dict[int, str] = {}
    for i, text in enumerate(texts):
        number = number_in(text, marks)
        if number is not None:
            values[i] = number
        elif not is_missing(text):
            odd[i] = text
    return values, odd


def _read(
    pieces: Sequence[bytes],
    layout: Layout,
    numeric: list[bool],
    *,
    only: int | None = None,
    padded: bool = True,
    all_there: bool = False,
) -> list[Values]:
    """The columns that the parser makes; with ``all_there`` a missing cell is an error."""
    import pandas as pd

    all_numbers = all(numeric)
    missing = list(MISSING_SPELLINGS)
    # Spelled out for each column only where texts are among them: an empty text shall stay one.
    dtype: Any = np.float64 if all_numbers else {i: np.float64 if n else str for i, n in enumerate(numeric)}
    na_values: Any = missing if all_numbers else {i: missing for i, n in enumerate(numeric) if n}
    names: Any = list(range(layout.cells))
    source: Any = _Pieces(pieces)
    with _strict():
        frame: Any = pd.read_csv(
            source,
            sep=r"\s+" if layout.marks.delimiter == " " else layout.marks.delimiter,
            decimal=layout.marks.decimal,
            header=None,
            names=names,
            usecols=None if only is None else [only],
            index_col=False,
            dtype=dtype,
            na_values=None if all_there else na_values,
            na_filter=not all_there,
            keep_default_na=False,
            skipinitialspace=padded,
            engine="c",
            low_memory=True,  # in slices that stay in the cache: half the time
        )
    return [
        frame[i].to_numpy() if numeric[i] else frame[i].fillna("").to_numpy(dtype=object)
        for i in (range(layout.cells) if only is None else (only,))
    ]


class _Pieces:
    """Pieces of bytes as the parser takes them from a file. A file of bytes would be decoded and encoded
    again on the way, which takes a tenth of the time."""

    def __init__(self, pieces: Sequence[bytes]) -> None:
        self._left = iter(pieces)
        self._piece, self._at = b"", 0

    def read(self, size: int = -1) -> bytes:
        """At most so many bytes; none at the end."""
        while self._at == len(self._piece):
            following = next(self._left, None)
            if following is None:
                return b""
            self._piece, self._at = following, 0
        end = len(self._piece) if size < 0 else min(self._at + size, len(self._piece))
        data, self._at = self._piece[self._at : end], end
        return data

    def __iter__(self) -> Iterator[bytes]:
        """As the parser asks of a file; it only reads."""
        return iter(self._left)


@contextmanager
def _strict() -> Iterator[None]:
    """What the parser only warns of becomes a ``ValueError``: it cuts where the first line of a slice has too
    many cells."""
    import pandas as pd

    with warnings.catch_warnings():
        warnings.simplefilter("error", pd.errors.ParserWarning)
        try:
            yield
        except pd.errors.ParserWarning as warning:
            raise ValueError(str(warning)) from None
