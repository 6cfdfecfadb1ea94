"""Lines of a given width: wrapped with a hanging indent, and tables whose last column wraps."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

__all__ = ["GAP", "INDENT", "columns_of", "headed", "item", "stacked", "table", "wrapped"]

GAP = 2
INDENT = 2
#: A last column narrower than that is none.
NARROWEST_COLUMN = 14
_WIDE = {"W", "F"}
# str.split takes it for a letter: a character that no text to be printed carries
_GLUE = "\ue000"
_AFTER_NUMBER = re.compile(r"(?<=\d) (?=[^\W\d_]|[°%±])|(?<=±) (?=\d)")


def columns_of(text: str) -> int:
    """Columns that a text takes in a terminal: two for wide characters, none for combining marks.

    Examples
    --------
    >>> columns_of("N·m"), columns_of("差動")
    (3, 4)
    """
    return len(text) if text.isascii() else sum(_columns(character) for character in text)


def wrapped(text: str, width: int, *, first: str = "", rest: str | None = None) -> list[str]:
    """Wrap a text into lines of at most ``width`` columns.

    Parameters
    ----------
    text : str
        One paragraph.
    width : int
        Columns.
    first, rest : str
        What the first line begins with, and every other one (spaces as wide as ``first`` unless given).

    Returns
    -------
    The lines, at least one. A word longer than a line is broken.

    Examples
    --------
    >>> wrapped("measure the spring force", 16, first="- ")
    ['- measure the', '  spring force']
    """
    rest = " " * columns_of(first) if rest is None else rest
    lines: list[str] = []
    line, empty = first, True
    for glued in _glued(text).split():
        word = glued.replace(_GLUE, " ")
        while word:
            room = width - columns_of(line) - (0 if empty else 1)
            if columns_of(word) <= room:
                line += word if empty else f" {word}"
                word, empty = "", False
            elif not empty:
                lines.append(line)
                line, empty = rest, True
            else:
                head = _head(word, max(room, 1))
                lines.append(line + head)
                line, word = rest, word[len(head) :]
    if not empty or not lines:
        lines.append(line)
    return [entry.rstrip() for entry in lines]


def item(text: str, width: int, *, mark: str = "-") -> list[str]:
    """An entry of a list: indented by two, with a hanging indent."""
    return wrapped(text, width, first=" " * INDENT + f"{mark} ")


def table(
    rows: Sequence[Sequence[str]], width: int, *, right: Sequence[int] = (), indent: int = INDENT
) -> list[str]:
    """Rows in aligned columns; what does not fit wraps within the last column.

    Parameters
    ----------
    rows : sequence of sequences of str
        Cells; every row has as many.
    width : int
        Columns of a line.
    right : sequence of int
        Numbers of the columns that are set flush right.
    indent : int
        Spaces before the first column.

    Returns
    -------
    The lines. Where the last column would have no room, each row goes below its first cell instead.

    Examples
    --------
    >>> rows = [("preload torque", "81.7", "noise"), ("ramp bias", "0.518", "gear friction")]
    >>> for line in table(rows, 40, right=[1]):
    ...     print(line)
      preload torque   81.7  noise
      ramp bias       0.518  gear friction
    """
    if not rows:
        return []
    count = len(rows[0])
    sizes = [max(columns_of(row[i]) for row in rows) for i in range(count)]
    lines: list[str] = []
    if width - indent - sum(sizes[:-1]) - GAP * (count - 1) < min(sizes[-1], NARROWEST_COLUMN):
        for row in rows:
            lines += stacked(row, width, indent=indent)
        return lines
    for row in rows:
        line = " " * indent
        for i, cell in enumerate(row[:-1]):
            padding = " " * (sizes[i] - columns_of(cell))
            line += (padding + cell if i in right else cell + padding) + " " * GAP
        lines += wrapped(row[-1], width, first=line)
    return lines


def headed(
    head: Sequence[str], rows: Sequence[Sequence[str]], width: int, *, right: Sequence[int] = ()
) -> list[str]:
    """A `table` below a row of headings, which are left out where there is no room for columns.

    Examples
    --------
    >>> for line in headed(("", "N·m"), [("preload torque", "81.7")], 40):
    ...     print(line)
                      N·m
      preload torque  81.7
    """
    lines = table([head, *rows], width, right=right)
    room = sum(max(columns_of(row[i]) for row in [head, *rows]) for i in range(len(head) - 1))
    fits = width - INDENT - room - GAP * (len(head) - 1) >= min(
        max(columns_of(row[-1]) for row in [head, *rows]), NARROWEST_COLUMN
    )
    return lines if fits else table(rows, width, right=right)


def stacked(row: Sequence[str], width: int, *, indent: int = INDENT) -> list[str]:
    """A row of a table for which there is no room: the first cell, and the others below it.

    Examples
    --------
    >>> stacked(("preload torque", " 81.7 N·m", "79.3 to 84.1"), 30)
    ['  preload torque', '    81.7 N·m; 79.3 to 84.1']
    """
    rest = "; ".join(cell.strip() for cell in row[1:] if cell.strip())
    lines = wrapped(row[0], width, first=" " * indent)
    return lines + (wrapped(rest, width, first=" " * 2 * indent) if rest else [])


def _glued(text: str) -> str:
    """A number and what follows it stay on one line."""
    return _AFTER_NUMBER.sub(_GLUE, text)


def _columns(character: str) -> int:
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in _WIDE else 1


def _head(word: str, room: int) -> str:
    """The longest start of a word that fits, at least one character."""
    size = 0
    for i, character in enumerate(word):
        size += _columns(character)
        if size > room:
            return word[: max(i, 1)]
    return word
