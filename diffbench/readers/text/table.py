"""The table of a text recording, in blocks: fast while every line is regular, exact where one is not.

Blocks that look regular are parsed some at once. The parser of pandas pads short rows in silence and names no
line for a bad cell, so what it returns is held against the count of lines and cells; blocks that fail are
parsed one by one, and only one that fails alone is searched by line.

A logger that is switched off, or a copy that is broken off, leaves a line without an end; a number that is
cut short reads as another number. Where all other lines have an end and the last one has none, its last cell
is held against those above it.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, Literal, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import Fault, Place
from diffbench.readers.protocol import ODD_LIMIT, RawColumn
from diffbench.readers.text.blocks import Block
from diffbench.readers.text.cells import (
    MISSING_SPELLINGS,
    THOUSANDS_MARKS,
    Marks,
    grouped_pattern,
    is_missing,
    number_pattern,
    split_cells,
    ungrouped,
)
from diffbench.readers.text.layout import Layout, cleanly_quoted, has_comment, is_comment
from diffbench.recording import LastLine

Values: TypeAlias = NDArray[np.float64] | NDArray[np.object_]

_MORE = 1.25  # by how much a column grows beyond what was expected


class GrowingColumn:
    """Values of one column, added piece by piece, and its odd cells by their place.

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
        self._room: NDArray[np.float64] = np.array([])
        self._filled = 0
        self._texts: list[NDArray[np.object_]] = []
        self.odd: dict[int, str] = {}
        self.odd_count = 0

    def add(self, values: Values, *, expected: int) -> None:
        """Add floats or texts at the end, one kind in all pieces; ``expected`` is how many there may be in
        all.
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
        """Return the first values, and keep the others."""
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
        """All values, shape (n,); floats may be a view of a longer array."""
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
        """Add line numbers, later ones than those before."""
        last = self._runs[-1] if self._runs else None
        if isinstance(last, range) and isinstance(rows, range) and rows.start == last.stop:
            self._runs[-1] = range(last.start, rows.stop)
        else:
            self._runs.append(rows)
        self._count += len(rows)

    def split(self, count: int) -> NDArray[np.int64]:
        """Return the first line numbers, and keep the others."""
        rows = self.values()
        self._runs, self._count = [rows[count:]], len(rows) - count
        return rows[:count]

    def values(self) -> NDArray[np.int64]:
        """Return all line numbers, shape (n,)."""
        parts = [np.arange(r.start, r.stop) if isinstance(r, range) else r for r in self._runs]
        return np.concatenate([np.empty(0, dtype=np.int64), *parts]) if len(parts) != 1 else parts[0]


AT_ONCE = 1 << 23  # bytes: to open the parser costs a millisecond or two each time


def parse(pieces: Sequence[bytes], layout: Layout, *, padded: bool = True) -> list[Values]:
    """The columns of lines that all have the right count of cells; NaN, or an empty text, for a missing cell.

    ``pieces`` follow each other, in UTF-8, without thousands marks in numbers. ``padded``: blanks may stand
    before words for missing cells, which is a little slower. Raises ``ValueError`` when a cell in a column of
    numbers is none, or cells follow the last column; it names no line: `parse_by_cell` finds the cell.
    """
    numeric = [*layout.numeric, False][: layout.cells]
    columns = _read(pieces, layout, numeric, padded=padded)
    if len(columns) > len(layout.numeric) and (columns.pop() != "").any():
        msg = "cells follow the last column"
        raise ValueError(msg)
    return columns


def parse_numbers(pieces: Sequence[bytes], layout: Layout) -> list[Values] | None:
    """The columns of lines that hold nothing but numbers, in the least time; None where any cell is missing
    or no number, or a line has cells too many or too few.
    """
    try:
        return _read(pieces, layout, [True] * layout.cells, padded=False, all_there=True)
    except ValueError:
        return None


def parse_by_cell(data: bytes, layout: Layout) -> list[tuple[Values, dict[int, str]]]:
    """The columns of lines of which some cells in columns of numbers are no numbers: for each its values, and
    the odd cells by index.
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
    """The number in a cell without thousands marks, perhaps infinite; None for words and missing cells.

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
    """The thousands mark of lines in which none has come before, and some cells are no numbers; None without.

    Only where the decimal mark is known beyond doubt: else the new mark might be just that.
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

    def read(self, size: int) -> bytes:
        """At most so many bytes; none at the end."""
        while self._at == len(self._piece):
            following = next(self._left, None)
            if following is None:
                return b""
            self._piece, self._at = following, 0
        end = min(self._at + size, len(self._piece))
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


Ending = Literal["whole", "doubtful", "broken"]

_LEAST_ABOVE = 8  # cells, from which on what all of them have is no chance
_EXPONENT = re.compile(r"[eEdD]")


def ending(last: str, above: Sequence[str], decimal: str, *, numeric: bool) -> Ending:
    """Tell whether the last cell of a line without an end is whole, by those of the lines above in its
    column.

    ``"whole"`` where all above are written with as many digits, and so is this; ``"broken"`` where there are
    enough of them and it has fewer than any; else ``"doubtful"``: nothing tells.

    >>> ending("566.25", ["565.75", "1200.00"], ".", numeric=True)
    'whole'
    >>> ending("566.2", ["565.75", "1200.00"] * 4, ".", numeric=True)
    'broken'
    >>> above = ["565", "1200"] * 4
    >>> ending("56", above, ".", numeric=True), ending("120", above, ".", numeric=True)
    ('broken', 'doubtful')
    >>> ending("56", ["565"], ".", numeric=True)
    'doubtful'
    """
    if not numeric:
        return "whole" if last in above else "doubtful"
    if is_missing(last):
        return "whole" if any(is_missing(cell) for cell in above) else "broken"
    own = _shape(last, decimal)
    shapes = {_shape(cell, decimal) for cell in above if not is_missing(cell)}
    if not shapes or shapes == {own}:
        return "whole"
    least = [min(shape[i] for shape in shapes) for i in range(3)]
    fewer = any(mine < least[i] for i, mine in enumerate(own))
    return "broken" if fewer and len(above) >= _LEAST_ABOVE else "doubtful"


def _shape(cell: str, decimal: str) -> tuple[int, int, int]:
    """Return how many digits of the exponent and decimals a number is written with, and how long it is where
    it has neither."""
    mantissa, *exponent = _EXPONENT.split(cell.strip().strip('"'), maxsplit=1)
    powers = sum(len(power.lstrip("+-")) for power in exponent)
    _, mark, decimals = mantissa.rpartition(decimal)
    return powers, len(decimals) if mark else -1, 0 if exponent or mark else len(mantissa)


_BETWEEN_BLANKS = re.compile(rb"[^ \t]+")
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_NEAR = 1 << 14  # bytes above the last line that it is held against
_SHOWN = 5  # faulty lines that are named; more are counted


class TextBody:
    """Takes the lines of a table block by block, and gives its columns.

    Parameters
    ----------
    layout : what was found out from the file's top.
    file : name for messages.
    size : bytes of the file, from which the count of rows is guessed.
    most : rows that are held at once, where the table is given in parts.
    at_once : bytes of regular lines that are parsed at once.
    """

    def __init__(
        self,
        layout: Layout,
        file: str,
        *,
        size: int,
        most: int | None,
        at_once: int,
    ) -> None:
        self.layout = layout
        self._file = file
        self._size = size
        self._most = most
        self._at_once = at_once
        self._columns = [GrowingColumn() for _ in layout.names]
        self._rows = GrowingRows()
        self._expected = 0
        self._waiting: list[Block] = []
        self._all_there = all(layout.numeric)
        self._comments: list[int] = []
        self._notes: list[str] = []
        self._faults: list[Fault] = []
        self._more_faults = 0
        self._above = b""
        self.last_line: LastLine | None = None

    def add(self, block: Block) -> None:
        """Take one block of whole lines; those before it must have been taken."""
        if not block.data.endswith((b"\n", b"\r")):  # the last one alone has none
            block = self._judged(block)
        self._above = block.data[-_NEAR:]
        if not self._may_be_regular(block):
            self.finish()
            self._add_alone(block)
            return
        self._waiting.append(block)
        if sum(len(waiting.data) for waiting in self._waiting) >= self._at_once:
            self.finish()

    def _judged(self, block: Block) -> Block:
        """Hold the last line of the file, which has no end, against those above; return the block without it
        where it is broken."""
        start = block.data.rfind(b"\n") + 1
        line = block.data[start:]
        near = (self._above + block.data[:start])[-_NEAR:].split(b"\n")[:-1]
        width = len(self.layout.names)
        if not line.strip() or is_comment(line.decode()) or self._width(line) != width:
            return block  # of fewer cells: it is noted where lines are looked at one by one
        above = [self._cells(one) for one in near if not has_comment(one)]  # the first may be half a line
        cells = [one[width - 1] for one in above if len(one) == self.layout.cells]
        if not cells:
            return block
        last, numeric = self._cells(line)[-1], self.layout.numeric[-1]
        found = ending(last, cells, self.layout.marks.decimal, numeric=numeric)
        number = block.first_line + block.line_ends
        if found == "whole":
            return block
        self.last_line = LastLine(number, kept=found == "doubtful")
        self._notes.append(str(self.last_line))
        return block if self.last_line.kept else replace(block, data=block.data[:start])

    def finish(self) -> None:
        """Parse what still waits for more: all at once, or block by block if it turns out not to be
        regular."""
        waiting, self._waiting = self._waiting, []
        if waiting and not self._parse_together(waiting):
            for block in waiting:
                self._add_alone(block)

    def _parse_together(self, blocks: list[Block]) -> bool:
        """Take blocks if all their lines are regular; else nothing is taken."""
        pieces = [block.data for block in blocks]
        lines = sum(block.line_ends for block in blocks) + (not pieces[-1].endswith(b"\n"))
        columns: list[Values] | None = None
        if self._all_there:
            columns = parse_numbers(pieces, self.layout)
            # Cells are missing, or a line is irregular: from here on missing cells are looked for at once.
            self._all_there = columns is not None
        if columns is None:
            columns = self._parsed(pieces, lines, padded=False)
        if columns is None or len(columns[0]) != lines:
            return False
        first = blocks[0].first_line
        self._expect(lines, sum(map(len, pieces)))
        self._take(columns, range(first, first + lines))
        return True

    def _expect(self, lines: int, size: int) -> None:
        """Guess from some lines how many there are in the file."""
        if not self._expected:
            self._expected = lines + int(1.01 * lines * (self._size - size) / size)
            if self._most is not None:
                self._expected = min(self._expected, self._most + lines)

    def _add_alone(self, block: Block) -> None:
        """Parse one block: by its lines, where they are not regular."""
        grouped = ungrouped(block.data, self.layout.marks)
        columns = self._regular(grouped)
        if columns is not None:
            self._take(columns, range(block.first_line, block.first_line + len(columns[0])))
            return
        kept = self._kept_lines(grouped, block.first_line, last=block.last)
        if not kept:
            return
        rows = np.array([number for number, _ in kept], dtype=np.int64)
        lines = b"\n".join(line for _, line in kept) + b"\n"
        try:
            self._take(parse([lines], self.layout), rows)
        except ValueError:
            mark = new_thousands_mark(lines, self.layout)
            if mark is not None:
                self.layout = replace(self.layout, marks=replace(self.layout.marks, thousands=mark))
                lines = ungrouped(lines, self.layout.marks)
            try:
                parsed = parse_by_cell(lines, self.layout)
            except ValueError:
                what = f"the lines from here to {kept[-1][0]} cannot be parted into cells"
                self._refuse(kept[0][0], what, "look for stray control characters and quotes in them")
                return
            for column, (_, odd) in zip(self._columns, parsed, strict=True):
                column.odd_count += len(odd)
                room = ODD_LIMIT - len(column.odd)
                column.odd |= {len(self._rows) + i: odd[i] for i in list(odd)[:room]}
            self._take([values for values, _ in parsed], rows)

    def _may_be_regular(self, block: Block) -> bool:
        """Tell whether nothing in a block speaks against the fast way, at a glance: no quotes, no thousands
        marks, no comment lines, and the first line has the table's count of cells. Where nothing but numbers
        passes, comment lines need not be looked for."""
        data = block.data
        return (
            self.layout.marks.thousands is None
            and b'"' not in data
            and (block.plain or not _has_blank_control(data))
            and (self._all_there or not has_comment(data))
            and self._begins_well(data)
        )

    def __len__(self) -> int:
        """Return how many rows have been taken and parsed."""
        return len(self._rows)

    def split(self, count: int) -> tuple[tuple[RawColumn, ...], NDArray[np.int64]]:
        """Return columns and line numbers of the first rows, and keep the others."""
        columns = []
        for name, unit, column in zip(self.layout.names, self.layout.units, self._columns, strict=True):
            odd = {i: text for i, text in column.odd.items() if i < count}
            # beyond the limit of those that are kept, nobody knows where they stand: all count here
            odd_count = len(odd) if column.odd_count == len(column.odd) else column.odd_count
            values = column.split(count)
            column.odd = {i - count: text for i, text in column.odd.items() if i >= count}
            column.odd_count -= odd_count
            if name or any(_says_something(value) for value in values):
                columns.append(RawColumn(name, unit, values, odd, odd_count))
        return tuple(columns), self._rows.split(count)

    def columns(self) -> tuple[tuple[RawColumn, ...], NDArray[np.int64]]:
        """Columns, and the line number of each row; rows at the end that hold nothing but delimiters are left
        out.
        """
        rows = self._rows.values()
        whole = [column.values() for column in self._columns]
        end = len(rows)
        while end and not any(
            _says_something(values[end - 1]) or end - 1 in column.odd
            for values, column in zip(whole, self._columns, strict=True)
        ):
            end -= 1
        columns = tuple(
            RawColumn(name, unit, values[:end], column.odd, column.odd_count)
            for name, unit, values, column in zip(
                self.layout.names, self.layout.units, whole, self._columns, strict=True
            )
            # A column without name and values comes from a delimiter at the start of every line.
            if name or any(_says_something(value) for value in values[:end])
        )
        return columns, rows[:end]

    def notes(self) -> tuple[str, ...]:
        """What a user should know about the reading, in sentences."""
        notes = list(self._notes)
        if self._comments:
            shown = ", ".join(map(str, self._comments[:_SHOWN])) + ", ..." * (len(self._comments) > _SHOWN)
            notes.append(f"Comment lines among the rows are left out: {shown}.")
        return tuple(notes)

    def faults(self) -> list[Fault]:
        """The faults of the lines: at most a handful; the last tells how many more there are."""
        if not self._more_faults:
            return self._faults
        what = f"{self._more_faults} more lines have a wrong count of cells"
        return [*self._faults, Fault(what, Place(self._file), "mend the lines above, and read again")]

    def _regular(self, data: bytes) -> list[Values] | None:
        """Return the columns of a block whose lines are all alike; None when they may not be."""
        if _has_blank_control(data) or has_comment(data) or not self._begins_well(data):
            return None
        if b'"' in data and not cleanly_quoted(data, self.layout.marks.delimiter):
            return None
        return self._parsed([data], data.count(b"\n") + (not data.endswith(b"\n")), padded=True)

    def _parsed(self, pieces: list[bytes], lines: int, *, padded: bool) -> list[Values] | None:
        """Return the columns of so many lines; None where they are not all alike."""
        try:
            columns = parse(pieces, self.layout, padded=padded)
        except ValueError:
            return None
        # A short row leaves its last cell missing, so only then are the delimiters counted.
        mark = self.layout.marks.delimiter
        if _ends_missing(columns) and (
            mark == " "
            or any(b'"' in data for data in pieces)
            or sum(data.count(mark.encode()) for data in pieces) != lines * (self.layout.cells - 1)
        ):
            return None
        return columns if len(columns[0]) == lines else None

    def _begins_well(self, data: bytes) -> bool:
        """Tell whether the first line has the table's count of cells.

        The parser takes its count from the first line: only a later line with more is an error to it.
        """
        end = data.find(b"\n")
        return self._width(data[: end if end >= 0 else None]) == self.layout.cells

    def _kept_lines(self, data: bytes, first_line: int, *, last: bool) -> list[tuple[int, bytes]]:
        """Return the numbered lines that have the right count of cells; note or fault the others."""
        kept: list[tuple[int, bytes]] = []
        lines = [line.removesuffix(b"\r") for line in data.split(b"\n")]
        end = next((i for i in reversed(range(len(lines))) if lines[i].strip()), None) if last else None
        wanted = len(self.layout.names)
        for i, line in enumerate(lines):
            number = first_line + i
            if not line.strip():
                continue
            if line.lstrip()[:1] in b"#%/!" and is_comment(line.decode()):
                self._comments.append(number)
                continue
            width = self._width(line)
            if i == end and self._is_cut(line, width, ended=data.endswith((b"\n", b"\r"))):
                self.last_line = LastLine(number, kept=False)
                self._notes.append(str(self.last_line))
            elif _CONTROL.search(line):
                self._refuse(number, "the line holds control characters", "remove them, or the line")
            elif width not in (wanted, self.layout.cells) or (width > wanted and self._cells(line)[-1]):
                self._wrong_width(number, line, width)
            elif (
                line[:1].isalpha()
                and tuple(" ".join(c.split()) for c in self._cells(line)) == self.layout.names
            ):
                self._refuse(number, "the header comes again", "split the file: it holds two recordings")
            else:
                kept.append((number, self._requoted(line) if b'"' in line else line))
        return kept

    def _requoted(self, line: bytes) -> bytes:
        """Return a line whose quotes the parser reads as `split_cells` does: each ends with its cell."""
        cells = ('"' + cell.replace('"', '""') + '"' for cell in self._cells(line))
        return self.layout.marks.delimiter.join(cells).encode()

    def _is_cut(self, line: bytes, width: int, *, ended: bool) -> bool:
        """Tell whether the last line of the file breaks off, as a logger's does that was killed."""
        cells = self._cells(line)
        wanted = len(self.layout.names)
        is_odd = [
            numeric and not is_missing(cell) and number_in(cell, self.layout.marks) is None
            for cell, numeric in zip(cells, self.layout.numeric, strict=False)
        ]
        if width < wanted:
            return not ended or not any(is_odd)  # with a line end, words are a footer and not a sample
        return width == wanted and not ended and is_odd[-1]

    def _wrong_width(self, number: int, line: bytes, width: int) -> None:
        text = line.decode()
        shown = text if len(text) <= 60 else text[:57] + "..."
        wanted = self.layout.of or len(self.layout.names)
        what = f"{width} cell{'s' * (width != 1)} where the table has {wanted}: '{shown}'"
        mend = "repair the line, or remove it"
        if width > wanted and self.layout.marks.delimiter == ",":
            mend += "; numbers with decimal commas need quotes, or another delimiter"
        self._refuse(number, what, mend)

    def _refuse(self, number: int, what: str, mend: str) -> None:
        if len(self._faults) < _SHOWN:
            self._faults.append(Fault(what, Place(self._file, line=number), mend))
        else:
            self._more_faults += 1

    def _width(self, line: bytes) -> int:
        """Return the count of cells in a line."""
        mark = self.layout.marks.delimiter
        if b'"' in line:
            return len(self._cells(line))
        return len(_BETWEEN_BLANKS.findall(line)) if mark == " " else line.count(mark.encode()) + 1

    def _cells(self, line: bytes) -> list[str]:
        return split_cells(line.decode().removesuffix("\r"), self.layout.marks.delimiter)

    def _take(self, columns: list[Values], rows: range | NDArray[np.int64]) -> None:
        for column, values in zip(self._columns, columns, strict=True):
            column.add(values, expected=self._expected)
        self._rows.add(rows)


def _ends_missing(columns: list[Values]) -> bool:
    """Tell whether a cell of the last column is missing, as it is in a short row."""
    last = columns[-1]
    return bool((last == "").any() if last.dtype == np.object_ else np.isnan(last.astype(np.float64)).any())


def _says_something(value: object) -> bool:
    return value != "" and value == value  # noqa: PLR0124  NaN is the number that does not equal itself


def _has_blank_control(data: bytes) -> bool:
    """Tell whether a block holds a control character that the parser takes for a blank in numbers."""
    return b"\v" in data or b"\f" in data
