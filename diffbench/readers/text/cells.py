"""What a cell of a text recording can be (a number, a time, missing, or words), and the marks it is written
with: the delimiter, decimal mark and thousands mark that turn most cells of a text into numbers.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from diffbench.errors import ReadingError

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_MISSING_WORDS = ("", "NaN", "-", "--", "---", "N/A", "NA", "#N/A", "n.a.", "NULL", "None", "nil")
# The parser compares spellings exactly, so the usual capitalisations are listed.
MISSING_SPELLINGS: tuple[str, ...] = tuple(
    dict.fromkeys(
        spelling
        for word in _MISSING_WORDS
        for spelling in (word, word.lower(), word.upper(), word.capitalize())
    )
)
_MISSING_FOLDED = frozenset(word.casefold() for word in _MISSING_WORDS)
THOUSANDS_MARKS: tuple[str, ...] = (",", ".", "'", "’", "_", " ", "\u00a0", "\u2009", "\u202f")

# 60 is a leap second; twelve hours with AM or PM
_CLOCK = (
    r"(?P<hour>\d{1,2}):(?P<minute>[0-5]\d)(?::(?P<second>(?:[0-5]\d|60)(?:[.,]\d+)?))?"
    r"(?: ?(?P<half>[AaPp])\.?[Mm]\.?)?"
)
CLOCK = re.compile(_CLOCK, re.ASCII)
# year first as in ISO 8601, or last: day.month.year, and day/month/year or month/day/year
_DAY = (
    r"(?P<year>\d{4})[-/.](?P<month>[01]?\d)[-/.](?P<day>[0-3]?\d)"
    r"|(?P<first>[0-3]?\d)(?P<mark>[./-])(?P<second_part>[0-3]?\d)(?P=mark)(?P<last_year>\d{4})"
)
DATE_TIME = re.compile(rf"(?:{_DAY})(?:T|,? ){_CLOCK}(?P<zone> ?Z| ?[+-]\d{{2}}(?::?\d{{2}})?)?", re.ASCII)
DATE = re.compile(r"\d{4}-[01]\d-[0-3]\d")


@cache
def number_pattern(decimal: str) -> re.Pattern[str]:
    """The pattern, for ``fullmatch``, of a number with this decimal mark and without thousands marks.

    ``5.`` is a number, ``5,`` is not: nobody writes it, and taking it for one hides a delimiter.

    >>> bool(number_pattern(",").fullmatch("-1,5e3")), bool(number_pattern(",").fullmatch("1.5"))
    (True, False)
    """
    mark = re.escape(decimal)
    fraction = r"\d*" if decimal == "." else r"\d+"
    return re.compile(rf"[+-]?(?:\d+(?:{mark}{fraction})?|{mark}\d+)(?:[eE][+-]?\d+)?", re.ASCII)


@cache
def grouped_pattern(thousands: str, decimal: str) -> re.Pattern[str]:
    """The pattern, for ``fullmatch``, of a number that has thousands marks in the right places.

    >>> pattern = grouped_pattern(".", ",")
    >>> [bool(pattern.fullmatch(cell)) for cell in ("1.234,5", "12.345.678", "1234,5", "0.123", "1.5")]
    [True, True, False, False, False]
    """
    group, mark = re.escape(thousands), re.escape(decimal)
    return re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:{group}\d{{3}})+(?:{mark}\d*)?", re.ASCII)


def is_missing(cell: str) -> bool:
    """Whether a cell says that there is no value: empty, NaN, n/a, NULL, a dash, ...

    >>> [is_missing(cell) for cell in ("", " nan ", "-", "NULL", "0", "error")]
    [True, True, True, True, False, False]
    """
    return cell.strip().casefold() in _MISSING_FOLDED


def is_time(cell: str) -> bool:
    """Whether a cell is a clock time, a date or an ISO 8601 date and time.

    >>> [is_time(cell) for cell in ("23:59:59,5", "2026-04-14 13:05:07Z", "13.05")]
    [True, True, False]
    """
    text = cell.strip()
    if ":" not in text:
        return DATE.fullmatch(text) is not None
    return any(pattern.fullmatch(text) for pattern in (CLOCK, DATE_TIME))


def split_cells(line: str, delimiter: str) -> list[str]:
    """The cells of one line, without quotes and surrounding blanks; the delimiter ``" "`` stands for runs of
    blanks and tabs. Only a quote at the start of a cell opens a quoted cell; doubled quotes inside stand for
    one.

    >>> split_cells('"case held, output free",forward, 159.5', ",")
    ['case held, output free', 'forward', '159.5']
    >>> split_cells('0.01   "Torque LH"  -28.1 ', " ")
    ['0.01', 'Torque LH', '-28.1']
    """
    if delimiter == " ":
        return [_unquoted(cell) for cell in re.findall(r'"(?:[^"]|"")*"(?=[ \t]|$)|[^ \t]+', line)]
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    mark, blank = re.escape(delimiter), " " if delimiter == "\t" else "[ \t]"
    # Each match takes one cell and the delimiter after it; the added one closes the last cell.
    cell = rf'{blank}*("(?:[^"]|"")*"(?={blank}*{mark})|[^{mark}]*){blank}*{mark}'
    return [_unquoted(found.strip()) for found in re.findall(cell, line + delimiter)]


def _unquoted(cell: str) -> str:
    if len(cell) > 1 and cell[0] == cell[-1] == '"':
        return cell[1:-1].replace('""', '"')
    return cell


DELIMITERS: tuple[str, ...] = (";", "\t", "|", ",", " ")  # in order of preference when all else is equal
_SPACES = frozenset("'’_ \u00a0\u2009\u202f")  # thousands marks that cannot be a decimal mark


@dataclass(frozen=True)
class Marks:
    """How a text writes its cells.

    Parameters
    ----------
    delimiter : one character; ``" "`` stands for runs of blanks and tabs.
    decimal : ``"."`` or ``","``.
    decimal_seen : whether a number or the rig has told the decimal mark.
    thousands : the mark between groups of three digits, or None.
    cells : cells in a line of the table.
    """

    delimiter: str
    decimal: str
    decimal_seen: bool
    thousands: str | None
    cells: int


@dataclass(frozen=True)
class _Split:
    """The text split in one way, and how well that worked."""

    delimiter: str
    decimal: str
    rows: tuple[tuple[int, list[str]], ...]  # line number and cells of the lines with the usual count
    cells: int
    share: float
    numbers: float
    header_fits: bool


def is_number(cell: str, decimal: str, thousands: Iterable[str]) -> bool:
    """Whether a cell is a number, perhaps with one of these marks between groups of three digits.

    >>> is_number("-1.234,5", ",", "."), is_number("1.5", ",", ".")
    (True, False)
    """
    text = cell.strip()
    if number_pattern(decimal).fullmatch(text):
        return True
    for mark in thousands:
        # most cells hold none of the marks: to look for one is quicker than a pattern
        if mark in text and mark != decimal and grouped_pattern(mark, decimal).fullmatch(text):
            return True
    return False


def find_marks(lines: Sequence[tuple[int, str]], settings: FileSettings, file: str) -> Marks | None:
    """How a text writes its cells, by the rule on runs of numbers; None when no line holds a number.

    Every split by delimiter and decimal mark is judged by the share of its cells that are numbers or times,
    among the lines with the usual count of cells; then by whether a line of words fits that count; then by
    how many numbers there are. What the rig states is taken as it is. The lines, with their numbers, say
    something and are from well inside the table where the file is long. Raises `ReadingError` when a mark
    could be a decimal or a thousands mark, and nothing in the text tells which.
    """
    best: _Split | None = None
    whole = False
    for delimiter in (settings.delimiter,) if settings.delimiter else DELIMITERS:
        if delimiter != " " and not any(delimiter in text for _, text in lines):
            if whole:
                continue  # lines that no delimiter splits were judged
            whole = True
        rows = [(number, split_cells(text, delimiter)) for number, text in lines]
        for decimal in _decimals(settings):
            split = _judged(delimiter, decimal, rows, settings)
            if split is not None and (best is None or _rank(split) > _rank(best)):
                best = split
    if best is None:
        return None
    decimal_seen, thousands = _told(best, settings, file)
    return Marks(best.delimiter, best.decimal, decimal_seen, thousands, best.cells)


def _decimals(settings: FileSettings) -> tuple[str, ...]:
    if settings.decimal is not None:
        return (settings.decimal,)
    return tuple(mark for mark in (".", ",") if mark != settings.thousands)


def _rank(split: _Split) -> tuple[float, bool, float]:
    return (round(split.share, 1), split.header_fits, split.numbers)


def _judged(
    delimiter: str, decimal: str, rows: list[tuple[int, list[str]]], settings: FileSettings
) -> _Split | None:
    """Return how well one split works; None when it yields no number."""
    thousands = settings.thousands or "".join(THOUSANDS_MARKS)
    usual: Counter[int] = Counter()
    kinds: list[tuple[int, int]] = []  # numbers and times, words
    for _, cells in rows:
        told = sum(is_number(cell, decimal, thousands) or is_time(cell) for cell in cells)
        kinds.append((told, len(cells) - told - sum(map(is_missing, cells))))
        usual[len(cells)] += told
    if not usual or not max(usual.values()):
        return None
    count = max(usual, key=lambda cells: (usual[cells], cells))
    table = [(row, kind) for row, kind in zip(rows, kinds, strict=True) if len(row[1]) == count]
    numeric = [kind for _, kind in table if kind[0]]
    told = sum(kind[0] for kind in numeric)
    headed = any(any(map(str.isalpha, "".join(row[1]))) for row, kind in table if not kind[0])
    return _Split(
        delimiter,
        decimal,
        tuple(row for row, kind in table if kind[0]),
        count,
        share=told / sum(sum(kind) for kind in numeric),
        numbers=told / len(rows),
        header_fits=headed,
    )


def _told(split: _Split, settings: FileSettings, file: str) -> tuple[bool, str | None]:
    """Return whether the decimal mark is beyond doubt, and the thousands mark."""
    decimal = split.decimal
    other = "," if decimal == "." else "."
    numbers = [
        (line, column, cell.strip())
        for line, cells in split.rows
        for column, cell in enumerate(cells)
        if not is_time(cell) and is_number(cell, decimal, THOUSANDS_MARKS)
    ]
    as_group = grouped_pattern(decimal, other)
    seen = settings.decimal is not None or any(
        decimal in cell and not as_group.fullmatch(cell) for _, _, cell in numbers
    )
    # Numbers with a point between commas: no bench groups its digits there and writes no fraction anywhere.
    seen = seen or (split.delimiter == "," and decimal == ".")
    if not seen:
        for line, _, cell in numbers:
            if decimal in cell:
                raise _ambiguous(cell, line, decimal, file)
    if settings.thousands is not None:
        return seen, settings.thousands
    plain = number_pattern(decimal)
    for line, column, cell in numbers:
        if plain.fullmatch(cell):
            continue
        mark = next(
            m for m in THOUSANDS_MARKS if m != decimal and grouped_pattern(m, decimal).fullmatch(cell)
        )
        if mark in _SPACES or cell.count(mark) > 1 or decimal in cell:
            return seen, mark
        # "1.234" beside "0,5": only a column that also has numbers without the mark groups its digits.
        if not any(plain.fullmatch(text) for _, where, text in numbers if where == column):
            raise _ambiguous(cell, line, mark, file)
        return seen, mark
    return seen, None


def _ambiguous(cell: str, line: int, mark: str, file: str) -> ReadingError:
    return ReadingError.single(
        f"'{mark}' in '{cell}' can be a decimal mark or stand between thousands, and nothing tells which",
        file=file,
        line=line,
        mend=f'state it in the rig\'s [file]: decimal = "{mark}" or thousands = "{mark}"',
    )


def ungrouped(data: bytes, marks: Marks) -> bytes:
    """Lines with the thousands marks taken out of their numbers; text that only resembles one is left as it
    is.

    >>> ungrouped(b"1.234,5;12.34;1.234.567", Marks(";", ",", True, ".", 3))
    b'1234,5;12.34;1234567'
    """
    if marks.thousands is None:
        return data
    thousands = marks.thousands.encode()
    group, decimal = re.escape(thousands), re.escape(marks.decimal.encode())
    number = rb"([+-]?[1-9]\d{0,2}(?:" + group + rb"\d{3})+)(?=(?:" + decimal + rb"\d*)?"
    if marks.thousands == marks.delimiter:
        pattern = rb'(?<=")' + number + rb'")'  # only quotes tell it from two cells
    else:
        edge = re.escape(marks.delimiter.encode())
        pattern = rb'(?<![^\s"' + edge + rb"])" + number + rb'(?:[\s"' + edge + rb"]|\Z))"
    return re.sub(pattern, lambda found: found[1].replace(thousands, b""), data)
