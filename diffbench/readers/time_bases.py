"""Groups of channels that have clocks of their own, put onto one.

Loggers that keep fast and slow channels apart write groups: each with its clock, each of its own length. One
group gives the clock; channels of the others are read at its times, by straight lines between two samples
that follow each other. Beyond a group's ends and across its gaps there is nothing, and words hold until the
next.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import QuantityError, ReadingError
from diffbench.quantities import conversion
from diffbench.readers.foreign import refuse_too_many
from diffbench.readers.names import folded, split_joined_unit, split_unit
from diffbench.readers.on_demand import LateColumn, OnDemand, alike, rises
from diffbench.readers.protocol import RawColumn, RawTable
from diffbench.readers.whole_or_parts import even_parts

_GAP = 3.0  # median steps between two samples of a group, from which on nothing is read between them
_CLOCK_WORDS = frozenset({"time", "t", "timestamp", "clock", "elapsed", "zeit", "temps"})


@dataclass(frozen=True, eq=False)
class Group:
    """Channels of one clock.

    Parameters
    ----------
    name : as the file has it; a user names it by that.
    columns : the channels, all of one length; the clock among them where it is a channel of the file.
    time : shape (n,) [s] from an origin that all groups share; None without a clock.
    clock : the channel that is the clock; or, where it is none of the file's, the name that it shall have.
    """

    name: str
    columns: tuple[RawColumn, ...]
    time: NDArray[np.float64] | None
    clock: RawColumn | str | None = None

    def __len__(self) -> int:
        return len(self.columns[0].values)

    @property
    def table(self) -> tuple[RawColumn, ...]:
        """The channels, the clock among them."""
        if self.time is None or not isinstance(self.clock, str):
            return self.columns
        return (RawColumn(self.clock, "s", self.time), *self.columns)

    @property
    def channels(self) -> tuple[RawColumn, ...]:
        """The channels without the clock."""
        return tuple(column for column in self.columns if column is not self.clock)


@dataclass(frozen=True, eq=False)
class LateGroup:
    """A group as a file has it, its numbers in the file still; see `Group`."""

    name: str
    columns: tuple[RawColumn | LateColumn, ...]
    time: NDArray[np.float64] | OnDemand | None
    clock: RawColumn | LateColumn | str | None = None

    def __len__(self) -> int:
        return len(self.columns[0].values)

    def part(self, first: int, last: int) -> Group:
        """Return some of its rows, in memory."""
        columns = [column.part(first, last) for column in self.columns]
        at = next((i for i, column in enumerate(self.columns) if column is self.clock), None)
        named = self.clock if isinstance(self.clock, str) else None
        time = None if self.time is None else self.time[first:last]
        return Group(self.name, tuple(columns), time, named if at is None else columns[at])


def clock_among(
    columns: Sequence[RawColumn | LateColumn],
) -> tuple[RawColumn | LateColumn | None, NDArray[np.float64] | OnDemand | None]:
    """Return the clock of a group whose clock is one of its channels.

    Parameters
    ----------
    columns : sequence of RawColumn
        The channels.

    Returns
    -------
    The first channel that is in a unit of time or named as one, and rises from sample to sample, and its
    time [s]; numbers without unit count as seconds. None twice where there is no such channel.

    Examples
    --------
    >>> columns = [RawColumn("M", "N.m", np.ones(3)), RawColumn("t", "ms", np.array([0.0, 5.0, 10.0]))]
    >>> clock_among(columns)[1]
    array([0.   , 0.005, 0.01 ])
    """
    for column in columns:
        if column.is_text or len(column.values) < 2:
            continue
        unit = column.unit or split_unit(column.name)[1] or split_joined_unit(column.name, "time")[1]
        bare = folded(split_unit(column.name)[0])
        scale = 1.0
        if unit is not None:
            try:
                scale = conversion(unit, "time").scale
            except QuantityError:
                continue
        elif bare not in _CLOCK_WORDS:
            continue
        late = column.values
        if isinstance(late, OnDemand):
            if rises(late):
                return column, late.times(scale)
            continue
        assert isinstance(column, RawColumn)  # texts were passed over
        values = column.values.astype(np.float64)
        if rises(values):
            return column, values * scale
    return None, None


def tables_on_one_clock(
    groups: Sequence[LateGroup], path: Path, *, stated: str | None, rows: int | None
) -> Iterator[RawTable]:
    """Yield the table of all groups in parts, where they have one clock or none; else whole.

    Parameters
    ----------
    groups : sequence of LateGroup
        In the file's order.
    path, stated : Path, str or None
        As in `on_one_clock`.
    rows : int or None
        Rows of a part, about; None for a single part.

    Returns
    -------
    The tables, one after the other. Channels that are read at the times of another group need both of them
    whole; so do groups of several lengths.

    Raises
    ------
    ReadingError : as `on_one_clock`, and where a file that has to be whole is too large for that.
    """
    told = [group for group in groups if group.columns and len(group)]
    parts = even_parts(len(told[0]), rows) if told else []
    base = _base(told, path, stated) if len(parts) > 1 else None
    if base is None or not all(
        len(group) == len(base) and (group.time is None or _same_clock(group, base)) for group in told
    ):
        values = sum(len(group) * len(group.columns) for group in told)
        refuse_too_many(values, path, "export the part of the recording that is needed")
        whole = [group.part(0, len(group)) for group in told]
        yield on_one_clock(whole, path, stated=stated)
        return
    for first, last in parts:
        table = on_one_clock([group.part(first, last) for group in told], path, stated=stated)
        yield replace(table, rows=table.rows + first, more=last < len(base))


AnyGroup = TypeVar("AnyGroup", Group, LateGroup)


def on_one_clock(groups: Sequence[Group], path: Path, *, stated: str | None) -> RawTable:
    """Return one table of all groups.

    Parameters
    ----------
    groups : sequence of Group
        In the file's order; groups without channels or samples say nothing.
    path : Path
        The file, for messages.
    stated : str or None
        Name of the group that gives the clock, where the rig states it; else it is the one with most samples.

    Returns
    -------
    The table. A name that several groups have is written ``group/name``. Notes tell what was put onto the
    clock, and what was left out because it has none.

    Raises
    ------
    ReadingError : when there is no group, none of the stated name, groups of several lengths and no clock to
        bring them together, or a clock that does not rise.
    """
    told = [group for group in groups if group.columns and len(group)]
    if not told:
        raise ReadingError.single(
            "the file holds no channels with samples",
            file=str(path),
            mend="check that the recording was saved",
        )
    base = _base(told, path, stated)
    taken = [base]
    left_out: list[Group] = []
    for group in told:
        if group is base:
            continue
        both = group.time is not None and base.time is not None
        alike = group.time is None and base.time is None and len(group) == len(base)
        (taken if both or alike else left_out).append(group)
    if left_out and base.time is None and stated is None:
        lengths = ", ".join(f"'{group.name}' ({len(group)})" for group in told)
        raise ReadingError.single(
            f"the groups have no clock to bring them together, and several lengths: {lengths}",
            file=str(path),
            mend=f'state in the rig\'s [file] which one to read: group = "{max(told, key=len).name}"',
        )
    columns = sum(1 + len(group.columns) for group in taken)
    refuse_too_many(
        columns * len(base), path, "state a group with fewer samples in the rig's [file], or export less"
    )
    # Groups in the file's order, whichever gives the clock.
    parts = [
        (group, base.table if group is base else _at_times(group, base, path))
        for group in told
        if group in taken
    ]
    notes = [
        f"Group '{group.name}' has its own clock of {len(group)} samples; its channels are read at the times "
        f"of group '{base.name}', by straight lines."
        for group in taken
        if group is not base and group.time is not None and not _same_clock(group, base)
    ]
    notes += [
        f"Group '{group.name}' is left out: nothing tells its samples' times on the clock of '{base.name}'."
        for group in left_out
    ]
    details = {"group": base.name} if len(told) > 1 else {}
    return RawTable(
        _named_apart(parts), np.arange(1, len(base) + 1, dtype=np.int64), details, notes=tuple(notes)
    )


def _base(groups: Sequence[AnyGroup], path: Path, stated: str | None) -> AnyGroup:
    """Return the group that gives the clock."""
    if stated is None:
        clocked = [group for group in groups if group.time is not None]
        return max(clocked or groups, key=len)  # the first of several: no sample of any other is lost more
    named = [group for group in groups if folded(group.name) == folded(stated)]
    if not named:
        names = ", ".join(f"'{group.name}'" for group in groups)
        raise ReadingError.single(
            f"there is no group '{stated}', which the rig states",
            file=str(path),
            key="file.group",
            mend=f"write one of {names} in the rig's [file]",
        )
    return max(named, key=len)


def _same_clock(group: Group | LateGroup, base: Group | LateGroup) -> bool:
    return group.time is not None and base.time is not None and alike(group.time, base.time)


def _at_times(group: Group, base: Group, path: Path) -> tuple[RawColumn, ...]:
    """Return the channels of a group at the base's times, its own clock left out."""
    if group.time is None or base.time is None or _same_clock(group, base):
        return group.channels
    if not rises(group.time):
        raise ReadingError.single(
            f"the clock of group '{group.name}' does not rise from sample to sample",
            file=str(path),
            mend=f"export the recording without it, or repair it; group '{base.name}' gives the clock",
        )
    return tuple(_read_at(column, group.time, base.time) for column in group.channels)


def _read_at(column: RawColumn, own: NDArray[np.float64], at: NDArray[np.float64]) -> RawColumn:
    after = np.searchsorted(own, at, side="right")  # index of the first sample later than each time
    if column.is_text:
        texts = np.concatenate([np.array([""], dtype=np.object_), column.values])[after]
        return RawColumn(column.name, column.unit, texts)
    values = np.interp(at, own, column.values.astype(np.float64), left=np.nan, right=np.nan)
    if len(own) > 1:
        steps = np.diff(own)
        inside = (after > 0) & (after < len(own))
        before = np.clip(after - 1, 0, len(own) - 2)
        across = inside & (steps[before] > _GAP * np.median(steps)) & (own[before] != at)
        values = np.where(across, np.nan, values)
    return RawColumn(column.name, column.unit, values)


def _named_apart(parts: Sequence[tuple[Group, tuple[RawColumn, ...]]]) -> tuple[RawColumn, ...]:
    """Return all columns; names that come more than once get their group before them."""
    count = Counter(column.name for _, columns in parts for column in columns)
    return tuple(
        RawColumn(f"{group.name}/{column.name}" if count[column.name] > 1 else column.name, column.unit,
                  column.values)
        for group, columns in parts
        for column in columns
    )  # fmt: skip
