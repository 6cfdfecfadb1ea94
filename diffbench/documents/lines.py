"""On which line of a TOML text a key stands: the parser of the standard library does not say."""

from __future__ import annotations

import re

from diffbench.documents.refusals import Location

_HEADING = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""\s*((?:[A-Za-z0-9_\-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_\-]+|"[^"]*"|'[^']*'))*)\s*=(.*)"""
)
_PART = re.compile(r"""[A-Za-z0-9_\-]+|"[^"]*"|'[^']*'""")
_STRINGS_AND_COMMENTS = re.compile(r"""\"(?:\\.|[^"\\])*\"|'[^']*'|\#.*""")


def key_lines(text: str) -> dict[Location, int]:
    """Return the line of every table heading and of every key at the start of a line.

    Parameters
    ----------
    text : str
        A TOML document.

    Returns
    -------
    Location (keys, and positions in arrays of tables) to line number from 1. Keys inside an inline table
    are not listed: they stand on the line of the key that holds the table.

    Examples
    --------
    >>> key_lines('unit = "D07"\\n[packs]\\nfaces = 5\\n')[("packs", "faces")]
    3
    """
    lines: dict[Location, int] = {}
    table: Location = ()
    counts: dict[Location, int] = {}
    depth = 0  # of brackets that an array or an inline table has left open
    quotes = ""  # of a text that runs over several lines
    for number, line in enumerate(text.splitlines(), start=1):
        if quotes:
            quotes = "" if quotes in line else quotes
            continue
        rest = line
        if depth == 0:
            heading = _HEADING.fullmatch(line)
            if heading is not None:
                table = _location(heading.group(2), counts)
                if heading.group(1) == "[[":
                    counts[table] = counts.get(table, -1) + 1
                    table = (*table, counts[table])
                lines.setdefault(table, number)
                continue
            key = _KEY.match(line)
            if key is None:
                continue
            lines.setdefault((*table, *_parts(key.group(1))), number)
            rest = key.group(2)
        for mark in ('"""', "'''"):
            if rest.count(mark) % 2:
                quotes = mark
        bare = _STRINGS_AND_COMMENTS.sub("", rest)
        depth = max(
            0, depth + sum(bare.count(mark) for mark in "[{") - sum(bare.count(mark) for mark in "]}")
        )
    return lines


def line_of(location: Location, lines: dict[Location, int]) -> int | None:
    """Return the line of a key, or of the nearest table around it that has one.

    Parameters
    ----------
    location : Location
        The key.
    lines : dict
        From `key_lines`.

    Returns
    -------
    The line number from 1; None for a key that is missing at the top of the document.
    """
    for length in range(len(location), 0, -1):
        if location[:length] in lines:
            return lines[location[:length]]
        # A table may have no heading of its own: its first key is where a reader finds it.
        inside = [line for at, line in lines.items() if at[:length] == location[:length]]
        if inside:
            return min(inside)
    return None


def _parts(text: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _PART.findall(text))


def _location(text: str, counts: dict[Location, int]) -> Location:
    """Return the location of a heading; inside an array of tables it is in the latest one."""
    location: Location = ()
    for part in _parts(text):
        location = (*location, counts[location], part) if location in counts else (*location, part)
    return location
