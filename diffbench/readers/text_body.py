"""The table of a text recording, in blocks: fast while every line is regular, exact where one is not.

Blocks that look regular are parsed some at once. The parser of pandas pads short rows in silence and names no
line for a bad cell, so what it returns is held against the count of lines and cells; blocks that fail are
parsed one by one, and only one that fails alone is searched by line.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import Fault, Place
from diffbench.readers.cells import is_missing, split_cells
from diffbench.readers.growing import GrowingColumn, GrowingRows, Values
from diffbench.readers.last_line import ending
from diffbench.readers.protocol import ODD_LIMIT, RawColumn
from diffbench.readers.text_blocks import Block
from diffbench.readers.text_layout import Layout
from diffbench.readers.text_lines import cleanly_quoted, has_comment, is_comment
from diffbench.readers.text_marks import ungrouped
from diffbench.readers.text_parsing import (
    AT_ONCE,
    new_thousands_mark,
    number_in,
    parse,
    parse_by_cell,
    parse_numbers,
)
from diffbench.recording import LastLine

_BETWEEN_BLANKS = re.compile(rb"[^ \t]+")
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_NEAR = 1 << 14  # bytes above the last line that it is held against
_SHOWN = 5  # faulty lines that are named; more are counted


@dataclass
class _Column:
    grown: GrowingColumn = field(default_factory=GrowingColumn)
    odd: dict[int, str] = field(default_factory=dict)
    odd_count: int = 0


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
        size: int = 0,
        most: int | None = None,
        at_once: int = AT_ONCE,
    ) -> None:
        self.layout = layout
        self._file = file
        self._size = size
        self._most = most
        self._at_once = at_once
        self._columns = [_Column() for _ in layout.names]
        self._rows = GrowingRows()
        self._expected = 0
        self._waiting: list[Block] = []
        self._all_there = all(layout.numeric) and layout.cells == len(layout.numeric)
        self._comments: list[int] = []
        self._notes: list[str] = []
        self._faults: list[Fault] = []
        self._more_faults = 0
        self._above = b""
        self.last_line: LastLine | None = None

    def add(self, block: Block) -> None:
        """Take one block; those before it must have been taken.

        Parameters
        ----------
        block : Block
            Whole lines.
        """
        if block.last and not block.data.endswith((b"\n", b"\r")):
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
            try:
                columns = parse(pieces, self.layout, padded=False)
            except ValueError:
                return False
            mark = self.layout.marks.delimiter
            # A short row leaves its last cell missing, so only then are the delimiters counted.
            if _ends_missing(columns) and (
                mark == " "
                or sum(data.count(mark.encode()) for data in pieces) != lines * (self.layout.cells - 1)
            ):
                return False
        if len(columns[0]) != lines:
            return False
        first = blocks[0].first_line
        self._expect(lines, sum(map(len, pieces)))
        self._take(columns, range(first, first + lines))
        return True

    def _expect(self, lines: int, size: int) -> None:
        """Guess from some lines how many there are in the file."""
        if not self._expected:
            self._expected = lines + int(1.01 * lines * max(self._size - size, 0) / size)
            if self._most is not None:
                self._expected = min(self._expected, self._most + lines)

    def _add_alone(self, block: Block) -> None:
        """Parse one block: by its lines, where they are not regular."""
        if not block.data:
            return
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
        """Return the first rows, and keep the others.

        Parameters
        ----------
        count : int
            How many; no more than there are.

        Returns
        -------
        Columns and line numbers.
        """
        columns = []
        for name, unit, column in zip(self.layout.names, self.layout.units, self._columns, strict=True):
            odd = {i: text for i, text in column.odd.items() if i < count}
            # beyond the limit of those that are kept, nobody knows where they stand: all count here
            odd_count = len(odd) if column.odd_count == len(column.odd) else column.odd_count
            values = column.grown.split(count)
            column.odd = {i - count: text for i, text in column.odd.items() if i >= count}
            column.odd_count -= odd_count
            if name or any(_says_something(value) for value in values):
                columns.append(RawColumn(name, unit, values, odd, odd_count))
        return tuple(columns), self._rows.split(count)

    def columns(self) -> tuple[tuple[RawColumn, ...], NDArray[np.int64]]:
        """Return the columns, and the line number of each row.

        Returns
        -------
        Columns and line numbers; rows at the end that hold nothing but delimiters are left out.
        """
        rows = self._rows.values()
        whole = [column.grown.values() for column in self._columns]
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
        """Return what a user should know about the reading.

        Returns
        -------
        Sentences.
        """
        notes = list(self._notes)
        if self._comments:
            shown = ", ".join(map(str, self._comments[:_SHOWN])) + ", ..." * (len(self._comments) > _SHOWN)
            notes.append(f"Comment lines among the rows are left out: {shown}.")
        return tuple(notes)

    def faults(self) -> list[Fault]:
        """Return the faults of the lines.

        Returns
        -------
        At most a handful; the last tells how many more there are.
        """
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
        try:
            columns = parse([data], self.layout)
        except ValueError:
            return None
        lines = data.count(b"\n") + (not data.endswith(b"\n"))
        if len(columns[0]) != lines:
            return None
        # A short row leaves its last cell missing, so only then are the delimiters counted.
        mark = self.layout.marks.delimiter
        if _ends_missing(columns) and (
            mark == " " or b'"' in data or data.count(mark.encode()) != lines * (self.layout.cells - 1)
        ):
            return None
        return columns

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
        end = max((i for i, line in enumerate(lines) if line.strip()), default=-1) if last else -1
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
        wanted = len(self.layout.names)
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
            column.grown.add(values, expected=self._expected)
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
