"""What a report is made of: sections of sentences, tables and figures. A result is turned into them once;
terminal, page and notebook are faces that set them."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["HALF", "THIRD", "WIDE", "Figure", "Sentence", "Table", "bare", "item", "numbers", "typeset"]

#: Sizes of figures [inch]; a page scales them.
WIDE = (5.5, 4.1)
HALF = (4.5, 3.4)
THIRD = (4.5, 3.5)
_MINUS = re.compile(r"(?<![\w.,\])])-(?=[\d∞])")


@dataclass(frozen=True)
class Sentence:
    """A sentence, or several in a row. ``first`` stands before its first line, ``rest`` before every other
    (spaces as wide as ``first`` unless given)."""

    text: str
    first: str = ""
    rest: str | None = None


@dataclass(frozen=True)
class Table:
    """A table: what it shows, headings, rows whose first cell names the row.

    ``numbers``: which columns a page sets as numbers; ``flush``: which a terminal sets flush right.
    ``literal``: the rows bear names of files, which stay as they are. ``named``: columns whose cells bear
    their heading where a terminal has no room for a row of headings.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()
    literal: bool = False
    flush: tuple[int, ...] = ()
    named: tuple[int, ...] = ()


def typeset(text: str) -> str:
    """A number as it is printed: with a minus sign in place of a hyphen.

    Examples
    --------
    >>> typeset("-301 to 704"), typeset("1.2e-7"), typeset("Q17-2026")
    ('\u2212301 to 704', '1.2e-7', 'Q17-2026')
    """
    return _MINUS.sub("\u2212", text)


@dataclass(frozen=True)
class Figure:
    """A figure, one thing: its name, its own within a page; its title; what draws it into an Axes, and how
    large [inch]; what it shows, for those who do not see it; the numbers behind it, and a caption."""

    name: str
    title: str
    paint: Callable[[Axes], object]
    size: tuple[float, float]
    shows: str
    table: Table
    caption: str = ""


def item(text: str, *, mark: str = "-") -> Sentence:
    """An entry of a list."""
    return Sentence(text, first=f"  {mark} ")


def bare(rows: Sequence[Sequence[str]], *, head: Sequence[str] = (), flush: tuple[int, ...] = ()) -> Table:
    """A table for a terminal, where the text around it says what it shows."""
    return Table("", tuple(head), tuple(tuple(row) for row in rows), flush=flush)


def numbers(
    caption: str, head: tuple[str, ...], rows: Sequence[tuple[str, ...]], texts: tuple[int, ...] = ()
) -> Table:
    """The table behind a figure: all columns are numbers but ``texts``."""
    numbers = tuple(i for i in range(len(head)) if i not in texts)
    return Table(caption, head, tuple(tuple(typeset(cell) for cell in row) for row in rows), numbers)
