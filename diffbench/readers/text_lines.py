"""Lines of a text: comments, quotes, and headings that are quoted over several lines."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

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
    """Tell whether a line is a comment.

    Parameters
    ----------
    text : str
        The line.

    Returns
    -------
    True when it begins with one of `COMMENT_MARKS`.

    Examples
    --------
    >>> is_comment("# warmed up for ten minutes"), is_comment("0.01;-28.1")
    (True, False)
    """
    return text.lstrip().startswith(COMMENT_MARKS)


def head_lines(text: str) -> list[HeadLine]:
    """Return the lines of a file's top, headings that are quoted over several lines put together.

    Parameters
    ----------
    text : str
        The top of the file, from its first line.

    Returns
    -------
    Lines with their numbers.

    Examples
    --------
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
    """Tell whether a line of a block is a comment.

    Parameters
    ----------
    data : bytes
        Whole lines.

    Returns
    -------
    True when a line begins with one of `COMMENT_MARKS`.

    Examples
    --------
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
    """Tell whether every quote opens or closes a whole cell, so that no two parsers can differ about it.

    Parameters
    ----------
    data : bytes
        Whole lines.
    delimiter : str
        What parts the cells.

    Returns
    -------
    True without quotes, and for quotes at the edges of cells only.

    Examples
    --------
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
