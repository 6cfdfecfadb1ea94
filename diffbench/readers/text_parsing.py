"""Regular lines of a text to columns: by the parser of pandas, or cell by cell where some are no numbers."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from diffbench.readers.cells import (
    MISSING_SPELLINGS,
    THOUSANDS_MARKS,
    grouped_pattern,
    is_missing,
    number_pattern,
)
from diffbench.readers.text_layout import Layout
from diffbench.readers.text_marks import Marks

# Rows of numbers that the parser takes at once: in pieces it needs little memory beside the result, and a
# third more time.
PIECE = 1 << 20
AT_ONCE = 4 * PIECE

Values: TypeAlias = NDArray[np.float64] | NDArray[np.object_]


def parse(data: bytes, layout: Layout) -> list[Values]:
    """Return the columns of lines that all have the right count of cells.

    Parameters
    ----------
    data : bytes
        Lines in UTF-8, without thousands marks in numbers.
    layout : Layout
        Which columns hold numbers, and the marks.

    Returns
    -------
    One array a column; NaN, or an empty text, for a missing cell.

    Raises
    ------
    ValueError : when a cell in a column of numbers is none, or cells follow the last column. It names no
        line: `parse_by_cell` finds the cell.
    """
    return _whole(io.BytesIO(data), layout, padded=True)


def parse_file(path: Path, layout: Layout, rows: int, *, at_once: int = AT_ONCE) -> list[Values]:
    """Return the columns of a whole file, as `parse` does, by one opening of the parser.

    Parameters
    ----------
    path : Path
        A file whose table is ASCII.
    layout : Layout
        Its layout; the lines above the table are skipped.
    rows : int
        Count of lines from the first row on.
    at_once : int
        A file of numbers with more rows is parsed in pieces.

    Returns
    -------
    One array a column; with another length than ``rows`` where the parser takes the lines for other rows.

    Raises
    ------
    ValueError : as in `parse`.
    """
    if rows > at_once and all(layout.numeric) and layout.cells == len(layout.numeric):
        return _in_pieces(path, layout, rows, min(PIECE, at_once))
    return _whole(path, layout, padded=False, skip=layout.first_line - 1)


def _in_pieces(path: Path, layout: Layout, rows: int, size: int) -> list[Values]:
    columns: list[Values] = [np.empty(rows) for _ in range(layout.cells)]
    done = 0
    skip = layout.first_line - 1
    with _strict(), _opened(path, layout, [True] * layout.cells, skip=skip, pieces=size) as pieces:
        for piece in pieces:
            here = slice(done, done + len(piece))
            done = here.stop
            if done > rows:
                msg = "more rows than lines"
                raise ValueError(msg)
            for i, column in enumerate(columns):
                column[here] = piece[i].to_numpy()
    return [column[:done] for column in columns]


def _whole(source: Path | io.BytesIO, layout: Layout, *, padded: bool, skip: int = 0) -> list[Values]:
    numeric = list(layout.numeric) + [False] * (layout.cells - len(layout.numeric))
    columns = _read(source, layout, numeric, padded=padded, skip=skip)
    if len(columns) > len(layout.numeric) and (columns.pop() != "").any():
        msg = "cells follow the last column"
        raise ValueError(msg)
    return columns


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
        return _read(io.BytesIO(data), layout, [True] * layout.cells, only=column)[0]
    except ValueError:
        return None


def _texts(data: bytes, layout: Layout, column: int) -> Values:
    return _read(io.BytesIO(data), layout, [False] * layout.cells, only=column)[0]


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
    source: Path | io.BytesIO,
    layout: Layout,
    numeric: list[bool],
    *,
    only: int | None = None,
    padded: bool = True,
    skip: int = 0,
) -> list[Values]:
    with _strict():
        frame = _opened(source, layout, numeric, only=only, padded=padded, skip=skip)
    return [
        frame[i].to_numpy() if numeric[i] else frame[i].fillna("").to_numpy(dtype=object)
        for i in (range(layout.cells) if only is None else (only,))
    ]


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


def _opened(
    source: Path | io.BytesIO,
    layout: Layout,
    numeric: list[bool],
    *,
    only: int | None = None,
    padded: bool = False,
    skip: int = 0,
    pieces: int | None = None,
) -> Any:
    """The table that the parser makes, or with ``pieces`` an iterator over tables of so many rows."""
    import pandas as pd

    all_numbers = all(numeric)
    missing = list(MISSING_SPELLINGS)
    # Spelled out for each column only where texts are among them: an empty text shall stay one.
    dtype: Any = np.float64 if all_numbers else {i: np.float64 if n else str for i, n in enumerate(numeric)}
    na_values: Any = missing if all_numbers else {i: missing for i, n in enumerate(numeric) if n}
    names: Any = list(range(layout.cells))
    return pd.read_csv(
        source,
        sep=r"\s+" if layout.marks.delimiter == " " else layout.marks.delimiter,
        decimal=layout.marks.decimal,
        header=None,
        names=names,
        usecols=None if only is None else [only],
        index_col=False,
        dtype=dtype,
        na_values=na_values,
        keep_default_na=False,
        skiprows=skip,
        skipinitialspace=padded,
        engine="c",
        low_memory=True,  # in slices that stay in the cache: half the time
        chunksize=pieces,
    )
