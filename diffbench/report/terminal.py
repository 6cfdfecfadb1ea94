"""A document in a terminal: lines of a given width, wrapped with a hanging indent, and tables whose last
column wraps."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from itertools import groupby

from diffbench.report.document import Block, Document, Literally, Sentence, Table

GAP = 2
INDENT = 2
#: A last column narrower than that is none; nor one that can stand below as well.
NARROWEST_COLUMN = 14
NARROWEST_BESIDE = 24
_WIDE = {"W", "F"}
# str.split takes it for a letter: a character that no text to be printed carries
_GLUE = "\ue000"
_AFTER_NUMBER = re.compile(r"(?<=\d) (?=[^\W\d_]|[°%±])|(?<=±) (?=\d)")
# Select Graphic Rendition of ECMA-48: blue, magenta and yellow are told apart by all colour-blind
# readers, and the words say it too.
_STYLES = {"within": "1;34", "outside": "1;35", "not proven": "1;33"}


def text_of(document: Document, width: int, *, colour: bool = False) -> str:
    """A document as text.

    Parameters
    ----------
    document : Document
        What to set. A figure is left to faces that can draw.
    width : int
        Columns of a line.
    colour : bool
        Whether headings and outcomes are set off by styles (SGR, ECMA-48); the words are the same without.

    Returns
    -------
    The text, without a line end at its end; sections are set apart by a blank line.

    Examples
    --------
    >>> from diffbench.report.document import Section, items
    >>> sections = (items("Found", ["a gap"]), Section("None"), Section(blocks=(Sentence("B"),)))
    >>> print(text_of(Document("Example", sections), 40))
    Found
      - a gap
    <BLANKLINE>
    B
    """
    made = []
    for section in document.sections:
        lines = [line for block in section.blocks for line in lines_of(block, width, colour=colour)]
        if lines:
            heading = wrapped(section.heading, width) if section.heading else []
            made.append("\n".join([*(_styled(line, "1", colour) for line in heading), *lines]))
    return "\n\n".join(made)


def lines_of(block: Block, width: int, *, colour: bool = False) -> list[str]:
    """A block as lines."""
    if isinstance(block, Sentence):
        return _sentence(block, width, colour)
    if isinstance(block, Table):
        return _set(block, width)
    return block.text.rstrip("\n").split("\n") if isinstance(block, Literally) else []


def _styled(text: str, style: str, colour: bool) -> str:
    return f"\x1b[{style}m{text}\x1b[0m" if colour else text


def _sentence(block: Sentence, width: int, colour: bool) -> list[str]:
    first = f"  {block.mark} " if block.mark else block.first
    top, *others = wrapped(block.text, width, first=first, rest=block.rest)
    if block.aside:
        room = width - columns_of(block.text) - columns_of(block.aside)
        if room >= GAP:
            top += " " * room + block.aside
        else:
            others.append(block.aside)
    if block.tone:
        word = first.rstrip() or top
        top = _styled(word, _STYLES.get(block.tone, "1"), colour) + top[len(word) :]
    return [top, *others]


def columns_of(text: str) -> int:
    """Columns that a text takes in a terminal: two for wide characters, none for combining marks.

    >>> columns_of("N·m"), columns_of("差動")
    (3, 4)
    """
    return len(text) if text.isascii() else sum(_columns(character) for character in text)


def wrapped(text: str, width: int, *, first: str = "", rest: str | None = None) -> list[str]:
    """A text wrapped into lines of at most ``width`` columns, at least one line; a word longer than a line is
    broken. ``first`` begins the first line, ``rest`` every other one (spaces as wide unless given).

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
    """Rows in aligned columns, ``right`` ones flush right; what does not fit wraps within the last column.
    What ends its row does not make its column wider, but in the first one. Where the last column would have
    no room, each row goes below its first cell instead.

    >>> rows = [("preload torque", "81.7", "noise"), ("ramp bias", "0.518", "gear friction")]
    >>> for line in table(rows, 40, right=[1]):
    ...     print(line)
      preload torque   81.7  noise
      ramp bias       0.518  gear friction
    """
    if not rows:
        return []
    sizes = _sizes(rows)
    lines: list[str] = []
    if _room(sizes, width, indent) < min(sizes[-1], NARROWEST_COLUMN):
        for row in rows:
            lines += _stacked(row, width, indent=indent)
        return lines
    for row in rows:
        line = " " * indent
        for i, cell in enumerate(row[:-1]):
            padding = " " * (sizes[i] - columns_of(cell))
            line += (padding + cell if i in right else cell + padding) + " " * GAP
        lines += wrapped(row[-1], width, first=line)
    return lines


def _sizes(rows: Sequence[Sequence[str]]) -> list[int]:
    last = len(rows[0]) - 1
    return [
        max(columns_of(row[i]) for j, row in enumerate(rows) if j == 0 or i in (0, last) or any(row[i + 1 :]))
        for i in range(last + 1)
    ]


def _room(sizes: Sequence[int], width: int, indent: int = INDENT) -> int:
    """Columns that are left for the last cell."""
    return width - indent - sum(sizes[:-1]) - GAP * (len(sizes) - 1)


def _set(item: Table, width: int) -> list[str]:
    """A table of a document: below its headings, in several lines where there is no room for one; where there
    is none for that, each cell bears its own."""
    rows = _by_point([[cell.replace("\u2212", "-") for cell in row] for row in item.rows], item.point)
    if item.firsts == "above":
        return _grouped(rows, width)
    if item.firsts == "once":
        before = ["", *(row[0] for row in rows)]
        rows = [["" if row[0] == one else row[0], *row[1:]] for row, one in zip(rows, before, strict=False)]
    every = [[*item.head], *rows] if item.head and rows else rows
    if not (every and item.head):
        return table(every, width, right=item.flush)
    sizes = _sizes(every)
    room = _room(sizes, width)
    if room >= (NARROWEST_BESIDE if item.below else min(sizes[-1], NARROWEST_COLUMN)):
        return table(every, width, right=item.flush)
    if item.below and room >= 0:
        beside = table([[*row[:-1], ""] for row in every], width, right=item.flush)
        return [*beside, *(line for one in item.below for line in lines_of(one, width))]
    broken = [*_broken(item.head, rows), *rows]
    sizes = _sizes(broken)
    if _room(sizes, width) >= min(sizes[-1], NARROWEST_COLUMN):
        return table(broken, width, right=item.flush)
    return [line for row in rows for line in _stacked(_named(row, item), width)]


def _broken(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[list[str]]:
    """Headings as several rows, no wider than what stands below them or their longest word."""
    cells = []
    for i, text in enumerate(head):
        longest = max((columns_of(word) for word in text.split()), default=0)
        cells.append(wrapped(text, max(longest, *(columns_of(row[i]) for row in rows))))
    most = max(map(len, cells))
    return [[*line] for line in zip(*([""] * (most - len(one)) + one for one in cells), strict=True)]


def _grouped(rows: Sequence[Sequence[str]], width: int) -> list[str]:
    lines = []
    for first, group in groupby(rows, key=lambda row: row[0]):
        lines += wrapped(first, width, first=" " * INDENT)
        lines += table([row[1:] for row in group], width, indent=2 * INDENT)
    return lines


def _named(row: Sequence[str], item: Table) -> list[str]:
    return [
        f"{word} {cell}" if cell and word and i and (i in item.named or not item.named) else cell
        for i, (word, cell) in enumerate(zip(item.head, row, strict=True))
    ]


def _by_point(rows: list[list[str]], columns: Sequence[int]) -> list[list[str]]:
    """Rows whose numbers are moved right in some columns, until their decimal points stand below each
    other."""
    for i in columns:
        before = {
            j: len(row[i].partition(" ")[0].partition(".")[0])
            for j, row in enumerate(rows)
            if row[i] and not row[i][0].isalpha()
        }
        for j, size in before.items():
            rows[j][i] = " " * (max(before.values()) - size) + rows[j][i]
    return rows


def _stacked(row: Sequence[str], width: int, *, indent: int = INDENT) -> list[str]:
    """A row for which there is no room: the first cell, and the others below it."""
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
