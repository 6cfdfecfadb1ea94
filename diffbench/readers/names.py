"""Column names as benches write them: the words, and the unit that many carry in the same text."""

from __future__ import annotations

import re
import unicodedata
from functools import cache

from diffbench.quantities import DIMENSIONS, knows

# Units that loggers write for columns which no channel of this project reads: they only help to see that a
# row is a row of units.
_FOREIGN_UNITS = frozenset(
    (
        "v",
        "mv",
        "a",
        "ma",
        "w",
        "kw",
        "bar",
        "mbar",
        "pa",
        "kpa",
        "mpa",
        "psi",
        "l/min",
        "l/h",
        "db",
        "hh:mm:ss",
    )
)
_BRACKETED = re.compile(r"(.*?)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\)|\{([^{}]*)\}|<([^<>]*)>)\s*", re.DOTALL)


@cache
def is_unit(text: str) -> bool:
    """Tell whether a text is a unit of any dimension.

    Parameters
    ----------
    text : str
        Without brackets.

    Returns
    -------
    True for every spelling that `diffbench.quantities.conversion` knows.

    Examples
    --------
    >>> is_unit("lbf.ft"), is_unit("LH")
    (True, False)
    """
    return any(knows(text, dimension) for dimension in DIMENSIONS)


def split_unit(name: str) -> tuple[str, str | None]:
    """Return a column name's words and the unit that stands in brackets at its end.

    Parameters
    ----------
    name : str
        As written in the file.

    Returns
    -------
    The words, and the text in ``[]``, ``()``, ``{}`` or ``<>``; None without. The text need not be a unit.

    Examples
    --------
    >>> split_unit("R/H torque (lbf.ft)"), split_unit("Torque LH, Nm")
    (('R/H torque', 'lbf.ft'), ('Torque LH, Nm', None))
    """
    match = _BRACKETED.fullmatch(name.strip())
    if match is None or not match[1]:
        return name.strip(), None
    unit = next(text for text in match.groups()[1:] if text is not None).strip()
    return match[1].strip(), unit or None


def split_joined_unit(name: str, dimension: str) -> tuple[str, str | None]:
    """Return a column name's words and the unit that follows a comma, a slash or an underscore.

    A unit without brackets is only one where it suits the dimension: the ``in`` of ``torque_in`` is no inch.

    Parameters
    ----------
    name : str
        As written in the file.
    dimension : str
        One of `diffbench.quantities.DIMENSIONS`: what the column is to hold.

    Returns
    -------
    The words and the unit; the whole name and None where there is no unit.

    Examples
    --------
    >>> split_joined_unit("Torque LH, Nm", "torque"), split_joined_unit("L/H speed / 1/min", "angular_speed")
    (('Torque LH', 'Nm'), ('L/H speed', '1/min'))
    >>> split_joined_unit("speed_difference_rad_s", "angular_speed")
    ('speed_difference', 'rad/s')
    """
    for mark in re.finditer(r"[,/_]|\bin\b", name):
        words, rest = name[: mark.start()].strip(), name[mark.end() :].strip()
        for unit in (rest, rest.replace("_", "/")):
            if words and unit and knows(unit, dimension):
                return words, unit
    return name.strip(), None


def folded(name: str) -> str:
    """Return a name for comparison: case, blanks and look-alike characters set aside.

    Parameters
    ----------
    name : str
        A column name.

    Returns
    -------
    The folded name.

    Examples
    --------
    >>> folded("  Torque\\u00a0 LH ") == folded("torque lh")
    True
    """
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def looks_like_units(cells: list[str]) -> bool:
    """Tell whether a row of words is a row of units.

    Parameters
    ----------
    cells : list of str
        The row.

    Returns
    -------
    True when at least half of the cells that say something are units, and one at least is.

    Examples
    --------
    >>> looks_like_units(["s", "[Nm]", "1/min", "", "bar"]), looks_like_units(["Time", "Torque LH", "Speed"])
    (True, False)
    >>> looks_like_units(["", "-"])
    False
    """
    texts = [cell.strip().strip("[](){}<>").strip() for cell in cells]
    said = [text for text in texts if text not in ("", "-", "1")]
    units = sum(text.casefold() in _FOREIGN_UNITS or is_unit(text) for text in said)
    return units > 0 and 2 * units >= len(said)
