"""Column names as benches write them: the words, the unit that many carry in the same text, and which column
is which channel of the rig.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Callable, Sequence
from functools import cache
from typing import TYPE_CHECKING

from diffbench.errors import Fault, Place, QuantityError
from diffbench.quantities import DIMENSIONS, Conversion, conversion, knows, spellings
from diffbench.readers.protocol import RawColumn, RawTable

if TYPE_CHECKING:
    from diffbench.documents import Channel, LogChannel, LogSheet, Rig

# Units that loggers write for columns which no channel of this project reads: they only help to see that a
# row is a row of units.
_FOREIGN_UNITS = {
    "v", "mv", "a", "ma", "w", "kw", "bar", "mbar", "pa", "kpa", "mpa", "psi", "l/min", "l/h", "db",
    "hh:mm:ss",
}  # fmt: skip
_BRACKETED = re.compile(r"(.*?)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\)|\{([^{}]*)\}|<([^<>]*)>)\s*", re.DOTALL)


@cache
def is_unit(text: str) -> bool:
    """Whether a text without brackets is a unit of any dimension.

    >>> is_unit("lbf.ft"), is_unit("LH")
    (True, False)
    """
    return any(knows(text, dimension) for dimension in DIMENSIONS)


def split_unit(name: str) -> tuple[str, str | None]:
    """A column name's words, and the text in ``[]``, ``()``, ``{}`` or ``<>`` at its end, which need not be a
    unit.

    >>> split_unit("R/H torque (lbf.ft)"), split_unit("Torque LH, Nm")
    (('R/H torque', 'lbf.ft'), ('Torque LH, Nm', None))
    """
    match = _BRACKETED.fullmatch(name.strip())
    if match is None or not match[1]:
        return name.strip(), None
    unit = next(text for text in match.groups()[1:] if text is not None).strip()
    return match[1].strip(), unit or None


def split_joined_unit(name: str, dimension: str) -> tuple[str, str | None]:
    """A column name's words and the unit that follows a comma, a slash or an underscore; None without.

    A unit without brackets is only one where it suits the dimension: the ``in`` of ``torque_in`` is no inch.

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
    """A name for comparison: case, blanks and look-alike characters set aside.

    >>> folded("  Torque\\u00a0 LH ") == folded("torque lh")
    True
    """
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def looks_like_units(cells: list[str]) -> bool:
    """Whether at least half of the cells of a row that say something are units, and one at least is.

    >>> looks_like_units(["s", "[Nm]", "1/min", "", "bar"]), looks_like_units(["Time", "Torque LH", "Speed"])
    (True, False)
    >>> looks_like_units(["", "-"])
    False
    """
    texts = [cell.strip().strip("[](){}<>").strip() for cell in cells]
    said = [text for text in texts if text not in ("", "-", "1")]
    units = sum(text.casefold() in _FOREIGN_UNITS or is_unit(text) for text in said)
    return units > 0 and 2 * units >= len(said)


_LISTED = 30  # columns of a file that a message names


def find_column(channel: Channel | LogChannel, table: RawTable, file: str) -> RawColumn | Fault:
    """The column that the rig names for a channel; or the fault, when there is none, or more than one at the
    same rank.

    The name as written goes first; then case, blanks and look-alike characters are set aside; then the unit
    that either name carries.
    """
    ways: tuple[Callable[[str], set[str]], ...] = (
        lambda name: {name},
        lambda name: {folded(name)},
        lambda name: _bare_names(name, channel.logged),
    )
    sought = channel.column
    for way in ways:
        wanted = way(sought)
        found = [column for column in table.columns if way(column.name) & wanted]
        if len(found) == 1:
            return found[0]
        if found:
            names = " and ".join(f"'{column.name}'" for column in found)
            return Fault(
                f"{names} can all be the {channel.name} that the rig calls '{sought}'",
                Place(file, line=table.header_line, column=sought),
                "give every column its own name, and write it in the rig as it stands in the file",
            )
    return _missing(channel.name, sought, table, file)


def asked_by(rig: Rig | LogSheet) -> Callable[[str], bool]:
    """Whether a column may be one that a rig names, in any of the ways of `find_column`."""
    wanted: set[str] = set()
    for channel in rig.channel.values():
        for column in channel.columns:
            wanted |= {folded(column), *_bare_names(column, channel.logged)}
    dimensions = {channel.logged for channel in rig.channel.values()}

    def asked(name: str) -> bool:
        return any(({folded(name)} | _bare_names(name, dimension)) & wanted for dimension in dimensions)

    return asked


def _bare_names(name: str, dimension: str | None) -> set[str]:
    bare = {folded(split_unit(name)[0])}
    if dimension is not None:
        bare.add(folded(split_joined_unit(name, dimension)[0]))
    return bare - {""}


def _missing(channel: str, sought: str, table: RawTable, file: str) -> Fault:
    names = [*(column.name for column in table.columns), *table.left_out]
    by_bare = {folded(split_unit(name)[0]): name for name in names}
    near = difflib.get_close_matches(folded(split_unit(sought)[0]), by_bare, n=3, cutoff=0.5)
    nearest = ", ".join(f"'{by_bare[name]}'" for name in near)
    return Fault(
        f"there is no column '{sought}', which the rig names for {channel}",
        Place(file, line=table.header_line),
        f"write the column's name into the rig as it stands in the file{nearest and ', perhaps '}{nearest}",
    )


def listed(table: RawTable) -> str:
    """The names of a file's columns for a message, in quotes; a long list is cut."""
    if table.unnamed:
        count = len(table.columns) + len(table.left_out)
        return f"{count} columns and no header, so they are called 'column 1', 'column 2', ..."
    names = ", ".join(f"'{column.name}'" for column in table.columns[:_LISTED])
    more = len(table.columns) - min(_LISTED, len(table.columns)) + len(table.left_out)
    return names + (f" and {more} more" if more > 0 else "")


def find_unit(
    channel: Channel | LogChannel, column: RawColumn, dimension: str, place: Place
) -> Conversion | Fault | None:
    """The unit of a column; a fault when two differ or belong to another dimension; None when no unit is
    given.

    Everything that names a unit must agree: the channel's `unit` in the rig, the column's name in the rig,
    the row of units and the column's name in the file. One of two that differ is wrong, and only the bench
    knows which.
    """
    said = [
        ("the rig's unit", channel.unit),
        ("the column's name in the rig", _unit_in(channel.column, dimension)),
        ("the row of units", column.unit),
        ("the column's name", _unit_in(column.name, dimension)),
    ]
    found: list[tuple[str, str, Conversion]] = []
    doubtful: list[QuantityError] = []
    for where, text in said:
        if text is None:
            continue
        try:
            found.append((where, text, conversion(text, dimension)))
        except QuantityError as error:
            if is_unit(text):
                what = error.faults[0].what
                mend = f"name the right column for {channel.name}, or correct the unit; {_arm(text, channel)}"
                mend += error.faults[0].mend
                return Fault(f"{where} has a unit that cannot be: {what}", place, mend)
            doubtful.append(error)  # words in brackets, perhaps: "Torque (left)"
    if not found:
        return None if not doubtful else doubtful[0].faults[0].located(file=place.file, column=place.column)
    return _agreed(found, place)


def _arm(unit: str, channel: Channel | LogChannel) -> str:
    """What else a force for a torque, a torque for a force, or a road speed for a wheel's, may mean."""
    rolls = getattr(channel, "rolling_radius", False)  # a bench's channels have none
    if rolls is not False:
        return _radius(unit, channel.name, stated=rolls is not None)
    if channel.dimension != "torque":
        return ""
    if channel.arm is None and knows(unit, "force"):
        return f'a force at a lever arm needs it stated: arm = "0.5 m" under [channel.{channel.name}]; '
    return "leave arm out where the column is a torque already; " if channel.arm is not None else ""


def _radius(unit: str, name: str, *, stated: bool) -> str:
    """What a road speed for a wheel's own, or the other way round, may mean."""
    from diffbench.documents.log import WHEELS

    if name not in WHEELS:
        return ""
    if not stated and knows(unit, "speed"):
        return (
            "a wheel speed written as a road speed needs the radius that the logger reckons with: "
            f'rolling_radius = "305 mm", or whatever it is, under [channel.{name}]; '
        )
    if stated and knows(unit, "angular_speed"):
        return "leave rolling_radius out where the column is the wheel's own speed; "
    return ""


def _unit_in(name: str, dimension: str) -> str | None:
    return split_unit(name)[1] or split_joined_unit(name, dimension)[1]


def _agreed(found: Sequence[tuple[str, str, Conversion]], place: Place) -> Conversion | Fault:
    where, text, unit = found[0]
    for other_where, other_text, other in found[1:]:
        if (other.scale, other.shift) != (unit.scale, unit.shift):
            return Fault(
                f"{where} says '{text}', {other_where} says '{other_text}'",
                place,
                "one of them is wrong: correct the rig's unit, or the file",
            )
    return unit


def no_unit(channel: Channel | LogChannel, dimension: str, place: Place) -> Fault:
    """The fault of a column without a unit; its mend is the line to write into the rig."""
    example = "rpm" if dimension == "angular_speed" else spellings(dimension)[0]
    return Fault(
        f"nothing says the unit of {channel.name}, neither the rig nor the file",
        place,
        f'state it in the rig: unit = "{example}" under [channel.{channel.name}], or whatever it is in',
    )
