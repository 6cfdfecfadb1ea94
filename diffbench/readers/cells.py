"""What one cell of a text recording can be: a number, a time, missing, or words."""

from __future__ import annotations

import re
from functools import cache

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

_CLOCK = r"\d{1,2}:[0-5]\d(?::[0-5]\d(?:[.,]\d+)?)?"
CLOCK = re.compile(_CLOCK)
DATE_TIME = re.compile(
    r"\d{4}-[01]\d-[0-3]\d[T ][0-2]\d:[0-5]\d(?::[0-5]\d(?:[.,]\d+)?)?(?: ?Z| ?[+-]\d{2}(?::?\d{2})?)?"
)
DATE = re.compile(r"\d{4}-[01]\d-[0-3]\d")


@cache
def number_pattern(decimal: str) -> re.Pattern[str]:
    """Return the pattern of a number with this decimal mark and without thousands marks.

    Parameters
    ----------
    decimal : str
        ``"."`` or ``","``.

    Returns
    -------
    A pattern for ``fullmatch``. ``5.`` is a number, ``5,`` is not: nobody writes it, and taking it for one
    hides a delimiter.

    Examples
    --------
    >>> bool(number_pattern(",").fullmatch("-1,5e3")), bool(number_pattern(",").fullmatch("1.5"))
    (True, False)
    """
    mark = re.escape(decimal)
    fraction = r"\d*" if decimal == "." else r"\d+"
    return re.compile(rf"[+-]?(?:\d+(?:{mark}{fraction})?|{mark}\d+)(?:[eE][+-]?\d+)?", re.ASCII)


@cache
def grouped_pattern(thousands: str, decimal: str) -> re.Pattern[str]:
    """Return the pattern of a number that has thousands marks in the right places.

    Parameters
    ----------
    thousands : str
        The mark between groups of three digits.
    decimal : str
        The decimal mark.

    Returns
    -------
    A pattern for ``fullmatch``.

    Examples
    --------
    >>> pattern = grouped_pattern(".", ",")
    >>> [bool(pattern.fullmatch(cell)) for cell in ("1.234,5", "12.345.678", "1234,5", "0.123", "1.5")]
    [True, True, False, False, False]
    """
    group, mark = re.escape(thousands), re.escape(decimal)
    return re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:{group}\d{{3}})+(?:{mark}\d*)?", re.ASCII)


def is_missing(cell: str) -> bool:
    """Tell whether a cell says that there is no value.

    Parameters
    ----------
    cell : str
        As written.

    Returns
    -------
    True for an empty cell and for the common words: NaN, n/a, NULL, a dash, ...

    Examples
    --------
    >>> [is_missing(cell) for cell in ("", " nan ", "-", "NULL", "0", "error")]
    [True, True, True, True, False, False]
    """
    return cell.strip().casefold() in _MISSING_FOLDED


def is_time(cell: str) -> bool:
    """Tell whether a cell is a clock time, a date or an ISO 8601 date and time.

    Parameters
    ----------
    cell : str
        As written.

    Returns
    -------
    True for ``13:05:07.25``, ``2026-04-14`` and ``2026-04-14T13:05:07+02:00``.

    Examples
    --------
    >>> [is_time(cell) for cell in ("23:59:59,5", "2026-04-14 13:05:07Z", "13.05")]
    [True, True, False]
    """
    text = cell.strip()
    return any(pattern.fullmatch(text) for pattern in (CLOCK, DATE_TIME, DATE))


def split_cells(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line, without quotes and surrounding blanks.

    Parameters
    ----------
    line : str
        Without its line end.
    delimiter : str
        One character, or ``" "`` for runs of blanks and tabs.

    Returns
    -------
    The cells. Only a quote at the start of a cell opens a quoted cell; doubled quotes inside stand for one.

    Examples
    --------
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
