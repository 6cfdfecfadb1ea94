"""Texts from files, as they may leave the program: nothing in them steers a terminal or a spreadsheet."""

from __future__ import annotations

import math
import unicodedata
from typing import Any

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def escaped(text: str) -> str:
    """Text whose steering characters are written out; line ends and tabs become blanks.

    Parameters
    ----------
    text : str
        Any text, for example a name in a file.

    Returns
    -------
    The text in one line. Beside controls, what turns the direction of writing and half a surrogate pair are
    written out: a terminal obeys the one, and no encoding has the other.

    Examples
    --------
    >>> escaped("D07\\x1b]0;title\\x07"), escaped("a\\u202eb"), escaped("two\\nlines")
    ('D07\\\\x1b]0;title\\\\x07', 'a\\\\u202eb', 'two lines')
    """
    return text if text.isprintable() else "".join(_plain(character) for character in text)


def _plain(character: str) -> str:
    if character in "\t\n\r":
        return " "
    if unicodedata.category(character)[0] != "C" and character not in "\u2028\u2029":
        return character
    return character.encode("unicode_escape").decode("ascii")


def whole_texts(content: Any) -> Any:
    r"""Plain values whose texts any encoding has: halves of surrogate pairs are written out.

    Parameters
    ----------
    content : text, or dicts, lists and tuples of texts
        Other values are left as they are; so are lists of anything else.

    Returns
    -------
    The content; a new one only where it had to be changed.

    Examples
    --------
    >>> whole_texts({"inputs": {"sweep-\udcff.csv": "ab"}})
    {'inputs': {'sweep-\\udcff.csv': 'ab'}}
    """
    if isinstance(content, str):
        if content.isascii():
            return content
        return content.encode("utf-8", "backslashreplace").decode("utf-8")
    if isinstance(content, dict):
        return {whole_texts(name): whole_texts(part) for name, part in content.items()}
    if isinstance(content, list | tuple) and content and isinstance(content[0], str | dict):
        return type(content)(whole_texts(part) for part in content)
    return content


def spreadsheet_text(text: str) -> str:
    """Text as a cell of a table that a spreadsheet may open: it never begins like a formula.

    Parameters
    ----------
    text : str
        A text; numbers are written as they are, and not given here.

    Returns
    -------
    The text, with ``'`` before it where a spreadsheet would compute it.

    Examples
    --------
    >>> spreadsheet_text("=HYPERLINK(1)"), spreadsheet_text("D07-2026")
    ("'=HYPERLINK(1)", 'D07-2026')

    Source: OWASP, "CSV Injection" (characters and remedy from memory).
    """
    return f"'{text}" if text.startswith(_FORMULA) else text


def leading(value: float, digits: int = 2, *, sign: bool = False) -> str:
    """A number by its leading digits, never with an exponent.

    Parameters
    ----------
    value : float
        The number.
    digits : int
        Leading digits; all before the point, where there are more.
    sign : bool
        Whether a plus is written.

    Returns
    -------
    The number as a text.

    Examples
    --------
    >>> leading(5.12), leading(10.0, 1), leading(126.4, sign=True), leading(2e-5), leading(99.7)
    ('5.1', '10', '+126', '0.00002', '100')
    """
    text = f"{value:{'+' if sign else ''}.{digits}g}"
    if "e" not in text:
        return text
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:{'+' if sign else ''}.{places}f}"
    return text.rstrip("0") if places else text


def per_cent(share: float, digits: int = 2, *, sign: bool = False) -> str:
    """A share in per cent, without the unit, as `leading` writes it.

    Examples
    --------
    >>> per_cent(0.0512), per_cent(0.1, 1)
    ('5.1', '10')
    """
    return leading(100.0 * share, digits, sign=sign)
