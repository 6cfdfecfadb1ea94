"""A document in a terminal: lines of a given width, wrapped with a hanging indent, and tables whose last
column wraps."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from diffbench.report.document import Sentence, Table

__all__ = [
    "GAP",
    "INDENT",
    "Block",
    "Section",
    "columns_of",
    "lines_of",
    "stacked",
    "table",
    "text_of",
    "wrapped",
]

GAP = 2
INDENT = 2
#: A last column narrower than that is none.
NARROWEST_COLUMN = 14
_WIDE = {"W", "F"}
# str.split takes it for a letter: a character that no text to be printed carries
_GLUE = "\ue000"
_AFTER_NUMBER = re.compile(r"(?<=\d) (?=[^\W\d_]|[°%±])|(?<=±) (?=\d)")


#: What stands in a section; where no sentence or table serves, lines made for a width.
Block = Sentence | Table | Callable[[int], list[str]]
Paint = Callable[[str], str]


@dataclass(frozen=True)
class Section:
    """Blocks under a heading, set apart by a blank line; without blocks, nothing, the heading included."""

    heading: str = ""
    blocks: tuple[Block, ...] = ()


def text_of(sections: Iterable[Section], width: int, *, paint: Paint = str) -> str:
    """Sections as text.

    Parameters
    ----------
    sections : iterable of Section
        What to set.
    width : int
        Columns of a line.
    paint : callable
        Sets a line of a heading off.

    Examples
    --------
    >>> from diffbench.report.document import item
    >>> found = Section("Found", (item("a gap"),))
    >>> print(text_of([found, Section("None"), Section(blocks=(Sentence("B"),))], 40))
    Found
      - a gap
    <BLANKLINE>
    B
    """
    made = []
    for section in sections:
        lines = [line for block in section.blocks for line in lines_of(block, width)]
        if lines:
            heading = wrapped(section.heading, width) if section.heading else []
            made.append("\n".join([*(paint(line) for line in heading), *lines]))
    return "\n\n".join(made)


def lines_of(block: Block, width: int) -> list[str]:
    """A block as lines."""
    if isinstance(block, Sentence):
        return wrapped(block.text, width, first=block.first, rest=block.rest)
    return _set(block, width) if isinstance(block, Table) else block(width)


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


def _set(item: Table, width: int) -> list[str]:
    """A table of a document: below its row of headings, which is left out where there is no room for it."""
    if not item.head or not item.rows:
        return table(item.rows, width, right=item.flush)
    every = [item.head, *item.rows]
    sizes = [max(columns_of(row[i]) for row in every) for i in range(len(item.head))]
    room = width - INDENT - sum(sizes[:-1]) - GAP * (len(sizes) - 1)
    if room >= min(sizes[-1], NARROWEST_COLUMN):
        return table(every, width, right=item.flush)
    if not item.named:
        return table(item.rows, width, right=item.flush)
    words = [f"{word} " if i in item.named else "" for i, word in enumerate(item.head)]
    named = [
        [f"{word}{cell}" if cell else "" for word, cell in zip(words, row, strict=True)] for row in item.rows
    ]
    return [line for row in named for line in stacked(row, width)]


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
