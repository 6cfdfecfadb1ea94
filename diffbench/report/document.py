"""What a report is made of: sections of sentences, tables and figures. A result or an answer is turned into
them once; terminal, page and notebook are faces that set them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from diffbench.report.rounding import typeset

if TYPE_CHECKING:
    from matplotlib.axes import Axes


#: Sizes of figures [inch]. A page scales them, to 358 px on a telephone: wider ones would have small text.
WIDE = (4.5, 3.3)
HALF = (4.5, 3.4)
THIRD = (4.5, 3.5)

#: What a sentence is set off as: the name of all, or one of the outcomes.
Tone = Literal["", "title", "within", "outside", "not proven"]


@dataclass(frozen=True)
class Sentence:
    """A sentence, or several in a row. ``first`` stands before its first line, ``rest`` before every other
    (spaces as wide as ``first`` unless given); ``mark`` makes it an entry of a list; ``aside`` stands at the
    other end of its line; ``tone`` sets off ``first``, or all of it where there is none."""

    text: str
    first: str = ""
    rest: str | None = None
    mark: str = ""
    aside: str = ""
    tone: Tone = ""


@dataclass(frozen=True)
class Table:
    """A table: what it shows, headings, rows whose first cell names the row.

    ``numbers``: which columns a page sets as numbers; a terminal sets ``flush`` flush right, and ``point`` by
    decimal points. ``literal``: the rows bear names of files, which stay as they are. ``named``:
    columns whose cells bear their heading where there is no room for a row of headings. ``firsts``: whether a
    first cell that comes again is set in each row, once, or above its rows. ``below``: what a narrow face
    sets below instead of the last column.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()
    literal: bool = False
    flush: tuple[int, ...] = ()
    point: tuple[int, ...] = ()
    named: tuple[int, ...] = ()
    firsts: Literal["each", "once", "above"] = "each"
    below: tuple[Sentence, ...] = ()


@dataclass(frozen=True)
class Figure:
    """A figure, one thing: its name, its own within a page; its title; what draws it into an Axes, and how
    large [inch]; what it shows, for those who do not see it; the numbers behind it, and a caption."""

    name: str
    title: str
    paint: Callable[[Axes], object]
    size: tuple[float, float]
    shows: str
    table: Table | None = None
    caption: str = ""


@dataclass(frozen=True)
class Literally:
    """Lines to be copied as they stand, into a file."""

    text: str


Block = Sentence | Table | Figure | Literally


@dataclass(frozen=True)
class Section:
    """Blocks under a heading; without blocks, nothing, the heading included."""

    heading: str = ""
    blocks: tuple[Block, ...] = ()


@dataclass(frozen=True)
class Document:
    """Sections under a title, which a terminal leaves out: its first sentence says it."""

    title: str
    sections: tuple[Section, ...]


def item(text: str, *, mark: str = "-") -> Sentence:
    """An entry of a list."""
    return Sentence(text, mark=mark)


def items(heading: str, texts: Iterable[str]) -> Section:
    """A list under a heading."""
    return Section(heading, tuple(item(text) for text in texts))


def bare(rows: Sequence[Sequence[str]], *, head: Sequence[str] = (), flush: tuple[int, ...] = ()) -> Table:
    """A table where the text around it says what it shows."""
    return Table("", tuple(head), tuple(tuple(row) for row in rows), flush=flush)


def numbers(
    caption: str, head: tuple[str, ...], rows: Sequence[tuple[str, ...]], texts: tuple[int, ...] = ()
) -> Table:
    """The table behind a figure: all columns are numbers but ``texts``."""
    numbers = tuple(i for i in range(len(head)) if i not in texts)
    return Table(caption, head, tuple(tuple(typeset(cell) for cell in row) for row in rows), numbers)
