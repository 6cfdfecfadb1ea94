"""Which column of a file is which channel of the rig, and which unit it is in."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from diffbench.errors import Fault, Place, QuantityError
from diffbench.quantities import Conversion, conversion, spellings
from diffbench.readers.names import folded, is_unit, split_joined_unit, split_unit
from diffbench.readers.protocol import RawColumn, RawTable

if TYPE_CHECKING:
    from diffbench.documents import Channel

_LISTED = 30  # columns of a file that a message names


def find_column(channel: Channel, table: RawTable, file: str) -> RawColumn | Fault:
    """Return the column that the rig names for a channel.

    The name as written goes first; then case, blanks and look-alike characters are set aside; then the unit
    that either name carries.

    Parameters
    ----------
    channel : Channel
        The rig's description.
    table : RawTable
        The file.
    file : str
        Name for messages.

    Returns
    -------
    The column; or the fault, when there is none, or more than one at the same rank.
    """
    ways: tuple[Callable[[str], set[str]], ...] = (
        lambda name: {name},
        lambda name: {folded(name)},
        lambda name: _bare_names(name, channel.dimension),
    )
    for way in ways:
        wanted = way(channel.column)
        found = [column for column in table.columns if way(column.name) & wanted]
        if len(found) == 1:
            return found[0]
        if found:
            names = " and ".join(f"'{column.name}'" for column in found)
            return Fault(
                f"{names} can all be the {channel.name} that the rig calls '{channel.column}'",
                Place(file, line=table.header_line, column=channel.column),
                "give every column its own name, and write it in the rig as it stands in the file",
            )
    return _missing(channel, table, file)


def _bare_names(name: str, dimension: str | None) -> set[str]:
    bare = {folded(split_unit(name)[0])}
    if dimension is not None:
        bare.add(folded(split_joined_unit(name, dimension)[0]))
    return bare - {""}


def _missing(channel: Channel, table: RawTable, file: str) -> Fault:
    by_bare = {folded(split_unit(column.name)[0]): column.name for column in table.columns}
    near = difflib.get_close_matches(folded(split_unit(channel.column)[0]), by_bare, n=3, cutoff=0.5)
    nearest = ", ".join(f"'{by_bare[name]}'" for name in near)
    return Fault(
        f"there is no column '{channel.column}', which the rig names for {channel.name}",
        Place(file, line=table.header_line),
        f"write the column's name into the rig as it stands in the file{nearest and ', perhaps '}{nearest}",
    )


def listed(table: RawTable) -> str:
    """Return the names of a file's columns for a message.

    Parameters
    ----------
    table : RawTable
        The file.

    Returns
    -------
    The names in quotes; a long list is cut.
    """
    if table.unnamed:
        return f"{len(table.columns)} columns and no header, so they are called 'column 1', 'column 2', ..."
    names = ", ".join(f"'{column.name}'" for column in table.columns[:_LISTED])
    more = len(table.columns) - _LISTED
    return names + (f" and {more} more" if more > 0 else "")


def find_unit(channel: Channel, column: RawColumn, dimension: str, place: Place) -> Conversion | Fault | None:
    """Return the unit of a column.

    Everything that names a unit must agree: the channel's `unit` in the rig, the column's name in the rig,
    the row of units and the column's name in the file. One of two that differ is wrong, and only the bench
    knows which.

    Parameters
    ----------
    channel : Channel
        The rig's description.
    column : RawColumn
        The column of the file.
    dimension : str
        What the channel's numbers are.
    place : Place
        For messages.

    Returns
    -------
    The conversion; a fault when two units differ or belong to another dimension; None when no unit is given.
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
                mend = (
                    f"name the right column for {channel.name}, or correct the unit; {error.faults[0].mend}"
                )
                return Fault(f"{where} has a unit that cannot be: {what}", place, mend)
            doubtful.append(error)  # words in brackets, perhaps: "Torque (left)"
    if not found:
        return None if not doubtful else doubtful[0].faults[0].located(file=place.file, column=place.column)
    return _agreed(found, place)


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


def no_unit(channel: Channel, dimension: str, place: Place) -> Fault:
    """Return the fault of a column without a unit.

    Parameters
    ----------
    channel : Channel
        The rig's description.
    dimension : str
        What the channel's numbers are.
    place : Place
        Where.

    Returns
    -------
    The fault; its mend is the line to write into the rig.
    """
    example = "rpm" if dimension == "angular_speed" else spellings(dimension)[0]
    return Fault(
        f"nothing says the unit of {channel.name}, neither the rig nor the file",
        place,
        f'state it in the rig: unit = "{example}" under [channel.{channel.name}], or whatever it is in',
    )
