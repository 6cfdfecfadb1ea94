"""The layout of a text recording: where its table stands, and what its columns are called.

The table is the run of numbers that reaches up from inside the file to the last line of words; the words
directly above it are its header, perhaps with a row of units between. What the rig states goes before what is
found.

Delimiter and marks are those that turn most cells into numbers: a text is read by its own shape.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diffbench.errors import ReadingError
from diffbench.readers.columns import looks_like_units
from diffbench.readers.text.cells import (
    THOUSANDS_MARKS,
    Marks,
    find_marks,
    is_missing,
    is_number,
    is_time,
    split_cells,
)

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

COMMENT_MARKS: tuple[str, ...] = ("#", "%", "//", "!")
_OPEN_QUOTE = re.compile(r'(?:^|.*[;,\t|])[ ]*"[^"]*')
_WRAPPED = 4  # a quoted heading may go on over this many lines


@dataclass(frozen=True)
class HeadLine:
    """A line at the top of the file; a quoted heading with a line end inside makes one of several."""

    number: int
    text: str
    end: int  # number of its last line in the file


def is_comment(text: str) -> bool:
    """Whether a line begins with one of `COMMENT_MARKS`.

    >>> is_comment("# warmed up for ten minutes"), is_comment("0.01;-28.1")
    (True, False)
    """
    return text.lstrip().startswith(COMMENT_MARKS)


def head_lines(text: str) -> list[HeadLine]:
    """The lines of a file's top with their numbers, headings that are quoted over several lines put together.

    >>> [(line.number, line.end) for line in head_lines('t;"Torque\\n[Nm]"\\n0;1')]
    [(1, 2), (3, 3)]
    """
    physical = [line.removesuffix("\r") for line in text.split("\n")]
    lines: list[HeadLine] = []
    index = 0
    while index < len(physical):
        taken = 1
        if _OPEN_QUOTE.fullmatch(physical[index]) and physical[index].count('"') % 2:
            for more in range(2, _WRAPPED + 2):
                if "\n".join(physical[index : index + more]).count('"') % 2 == 0:
                    taken = more
                    break
        joined = " ".join(physical[index : index + taken])
        lines.append(HeadLine(index + 1, joined, index + taken))
        index += taken
    return lines


def has_comment(data: bytes) -> bool:
    """Whether a line of a block begins with one of `COMMENT_MARKS`.

    >>> has_comment(b"# pause"), has_comment(b"0;1")
    (True, False)
    """
    for mark in COMMENT_MARKS:
        text = mark.encode()
        # One byte is searched ten times faster than two, and clean recordings hold none.
        if text[:1] in data and (data.startswith(text) or b"\n" + text in data):
            return True
    return False


def cleanly_quoted(data: bytes, delimiter: str) -> bool:
    """Whether every quote opens or closes a whole cell, so that no two parsers can differ about it.

    >>> cleanly_quoted(b'"a,b",1', ","), cleanly_quoted(b'3" bolt,1', ",")
    (True, False)
    """
    characters = np.frombuffer(data + b"\n", dtype=np.uint8)
    quotes = np.flatnonzero(characters == ord('"'))
    if len(quotes) % 2:
        return False
    edges = np.frombuffer(delimiter.encode() + b"\r\n", dtype=np.uint8)
    before, after = characters[quotes[::2] - 1], characters[quotes[1::2] + 1]  # -1 is the added line end
    return bool(np.isin(before, edges).all() and np.isin(after, edges).all())


_SAMPLE_HEAD, _SAMPLE_TAIL = 60, 140  # lines that vote on the marks: some with the header, most with numbers
_RULED = re.compile(r"[\s\-=_+|;,*]*")  # a line drawn under the header


@dataclass(frozen=True)
class Layout:
    """The layout of one text recording.

    Parameters
    ----------
    marks : delimiter, decimal mark and thousands mark.
    names, units : of each column; a unit is None where no row of units gives it.
    numeric : for each column, whether it holds numbers (else words or times).
    header_line, units_line : line numbers, where there are such lines.
    first_line : line number of the first row of numbers.
    cells : cells in each line, one more than columns when every line ends in a delimiter.
    of : cells in each line of the file, where columns that nobody asked for are left out; else None.
    """

    marks: Marks
    names: tuple[str, ...]
    units: tuple[str | None, ...]
    numeric: tuple[bool, ...]
    header_line: int | None
    units_line: int | None
    first_line: int
    cells: int
    of: int | None = None


def find_layout(lines: Sequence[HeadLine], settings: FileSettings, file: str) -> Layout | None:
    """The layout of a text recording, from its top, whose last line must be whole; None when it holds no row
    of numbers.

    Raises `ReadingError` when header and rows have different counts of cells, words stand among the numbers,
    or a decimal mark cannot be told from a thousands mark.
    """
    said = [line for line in lines if line.number > (settings.skip_rows or 0) and line.text.strip()]
    told = [line for line in said if not is_comment(line.text)]
    sample = told[:_SAMPLE_HEAD] + told[_SAMPLE_HEAD:][-_SAMPLE_TAIL:]
    marks = find_marks([(line.number, line.text) for line in sample], settings, file)
    return None if marks is None else _Finder(said, marks, settings, file).layout()


class _Finder:
    """Looks for table and header among the lines that say something, the marks being known."""

    def __init__(self, lines: Sequence[HeadLine], marks: Marks, settings: FileSettings, file: str) -> None:
        self.lines = lines
        self.marks = marks
        self.settings = settings
        self.file = file
        self.cells = [split_cells(line.text, marks.delimiter) for line in lines]
        self.comment = [is_comment(line.text) for line in lines]
        self.told = [[self._kind(cell) for cell in cells] for cells in self.cells]
        self.kinds = self._kinds()
        self.numbers = [self._numbers(i) for i in range(len(lines))]
        self.rows = [self._is_row(i) for i in range(len(lines))]

    def layout(self) -> Layout | None:
        first = self._first_row()
        if first is None:
            return None
        width = self.marks.cells
        zone = [i for i in range(first) if not _RULED.fullmatch(self.lines[i].text)]
        zone = self._words_above(zone)
        header, units = self._header(zone)
        names = self._names(header) if header is not None else None
        if names is None:
            self._refuse_misfit([i for i in zone if i != units], first)
            names = [f"column {i + 1}" for i in range(width)]
        elif len(names) == width + 1 and not names[-1]:
            names = names[:-1]
        unit_texts: list[str | None] = [None] * len(names)
        if units is not None:
            row = (self._fitted(units) or [])[: len(names)]
            unit_texts = [_unit_text(cell) for cell in row] + [None] * (len(names) - len(row))
        return Layout(
            marks=self.marks,
            names=tuple(names),
            units=tuple(unit_texts),
            numeric=tuple(self.kinds[i] == "number" for i in range(len(names))),
            header_line=None if header is None else self.lines[header].number,
            units_line=None if units is None else self.lines[units].number,
            first_line=self.lines[first].number,
            cells=width,
        )

    def _kinds(self) -> list[str]:
        """Return for each column what most of its cells are: number, time or words."""
        counts = [{"number": 0, "time": 0, "words": 0} for _ in range(self.marks.cells)]
        for i, kinds in enumerate(self.told):
            if self.comment[i] or len(kinds) != self.marks.cells:
                continue
            if "number" in kinds or "time" in kinds:
                for count, kind in zip(counts, kinds, strict=True):
                    if kind is not None:
                        count[kind] += 1
        # An empty column counts as numbers, all missing.
        return [max(count, key=lambda kind: count[kind]) for count in counts]

    def _kind(self, cell: str) -> str | None:
        if is_number(cell, self.marks.decimal, self._thousands()):
            return "number"
        if is_time(cell):
            return "time"
        return None if is_missing(cell) else "words"

    def _thousands(self) -> Sequence[str]:
        return (self.marks.thousands,) if self.marks.thousands else THOUSANDS_MARKS

    def _numbers(self, i: int) -> int:
        """Return how many cells of a line are what their column holds, words aside."""
        pairs = zip(self.told[i], self.kinds, strict=False)
        return sum(kind != "words" and own == kind for own, kind in pairs)

    def _is_row(self, i: int) -> bool:
        """Tell whether a line belongs to a table: it has numbers, and is no row of units."""
        if self.comment[i] or not self.numbers[i]:
            return False
        odd = any(own == "words" != kind for own, kind in zip(self.told[i], self.kinds, strict=False))
        if not odd:
            return True
        told = [c for c, kind in zip(self.cells[i], self.kinds, strict=False) if kind != "words"]
        return not looks_like_units(told)

    def _is_whole_row(self, i: int) -> bool:
        """Tell whether a line holds what the table's rows hold, cell by cell."""
        if not self.rows[i] or 2 * self.numbers[i] < len(self.kinds) - self.kinds.count("words"):
            return False
        pairs = zip(self.told[i], self.kinds, strict=False)
        return all(kind == "words" or own in (kind, None) for own, kind in pairs)

    def _first_row(self) -> int | None:
        """Return the index of the first row of the table."""
        if self.settings.skip_rows is not None:
            # The rig's word: a header, perhaps a row of units, then the table.
            return next((i for i in range(len(self.lines)) if self.rows[i]), None)
        first: int | None = None
        for i in reversed(range(len(self.lines))):
            if self.rows[i]:
                first = i
            elif first is not None and not self.comment[i] and not self._says_nothing(i):
                break
        if first is not None:
            self._refuse_words_between(first)
        return first

    def _says_nothing(self, i: int) -> bool:
        return all(is_missing(cell) for cell in self.cells[i])

    def _refuse_words_between(self, first: int) -> None:
        """Refuse a file whose table goes on above the last line of words: rows would be lost in silence."""
        width = self.marks.cells
        above = [i for i in range(first) if len(self.cells[i]) == width and self._is_whole_row(i)]
        if not above:
            return
        headed = any(
            self._fitted(i) is not None
            and not self.rows[i]
            and not self.comment[i]
            and not self._says_nothing(i)
            for i in range(above[0])
        )
        if headed:
            words = next(i for i in range(above[0], first) if not self.rows[i] and not self.comment[i])
            raise self._error(
                f"words stand among the rows of numbers: '{_short(self.lines[words].text)}'",
                self.lines[words].number,
                "remove the line, or state with skip_rows in the rig's [file] how many lines stand above the "
                "header",
            )

    def _words_above(self, zone: list[int]) -> list[int]:
        """Return the lines of words directly above the table."""
        above: list[int] = []
        for i in reversed(zone):
            if self.rows[i]:
                break
            above.append(i)
        return above[::-1]

    def _header(self, zone: list[int]) -> tuple[int | None, int | None]:
        """Return the indices of the header and of the row of units."""
        fitting = [i for i in zone if not self.comment[i] and self._fitted(i) is not None]
        if not fitting:
            fitting = [i for i in zone if self.comment[i] and self._fitted(i) is not None]
        if self.settings.skip_rows is not None:
            fitting = fitting[:2]
        if not fitting:
            return None, None
        lowest = fitting[-1]
        has_units = self.settings.units_row
        if has_units is None:
            has_units = len(fitting) > 1 and looks_like_units(self._fitted(lowest) or [])
        if self.settings.skip_rows is not None:
            return fitting[0], fitting[1] if has_units and len(fitting) > 1 else None
        if has_units:
            return (fitting[-2] if len(fitting) > 1 else None), lowest
        return lowest, None

    def _names(self, header: int) -> list[str]:
        return [" ".join(cell.split()) for cell in self._fitted(header) or []]

    def _fitted(self, i: int) -> list[str] | None:
        """Return the cells of a header or units line if they fit the table."""
        width = self.marks.cells
        text = self.lines[i].text
        if self.comment[i]:
            bare = text.lstrip()
            mark = next(mark for mark in COMMENT_MARKS if bare.startswith(mark))
            text = bare[len(mark) :].lstrip(mark[0]).strip()
        cells = split_cells(text, self.marks.delimiter)
        if self.marks.delimiter == " " and len(cells) != width:
            numeric = [kind == "number" for kind in self.kinds]
            if len(cells) == sum(numeric) and looks_like_units(cells):
                # Blanks cannot show that a clock has no unit.
                units = iter(cells)
                cells = [next(units) if is_numeric else "" for is_numeric in numeric]
            else:
                cells = _aligned(text, width)
        trailing = len(cells) == width - 1 and self._ends_empty()
        surplus = len(cells) == width + 1 and not cells[-1]
        fits = len(cells) == width or trailing or surplus
        return cells if fits and any(cells) else None

    def _ends_empty(self) -> bool:
        """Tell whether every row ends in a delimiter with nothing behind it."""
        width = self.marks.cells
        rows = [c for i, c in enumerate(self.cells) if len(c) == width and self.rows[i]]
        return bool(rows) and not any(cells[-1] for cells in rows)

    def _refuse_misfit(self, zone: list[int], first: int) -> None:
        """Refuse a header that has another count of cells than the table."""
        width = self.marks.cells
        for i in reversed(zone):
            count = len(self.cells[i])
            if not self.comment[i] and count > 1 and 2 * abs(count - width) <= width:
                raise self._error(
                    f"the header has {count} names, but line {self.lines[first].number} has {width} cells",
                    self.lines[i].number,
                    "give every column one name, quoted where it holds a delimiter, or state delimiter and "
                    "skip_rows in the rig's [file]",
                )

    def _error(self, what: str, line: int, mend: str) -> ReadingError:
        return ReadingError.single(what, file=self.file, line=line, mend=mend)


def _aligned(text: str, width: int) -> list[str]:
    """Return the cells of a header whose names hold blanks, in a table parted by blanks."""
    wide = re.split(r"\t+| {2,}", text.strip())
    if len(wide) == width:
        return wide
    # "Time [s] Torque LH [Nm]": a name ends with its unit.
    return re.findall(r"[^\[\](){}]+(?:\[[^\]]*\]|\([^)]*\)|\{[^}]*\})", text) if text else []


def _unit_text(cell: str) -> str | None:
    text = cell.strip()
    if text[:1] + text[-1:] in ("[]", "()", "{}", "<>"):
        text = text[1:-1].strip()
    return None if text in ("", "-") else text


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."
