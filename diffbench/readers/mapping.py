"""Raw columns to the rig's channels: found by name, converted to SI once, everything wrong told at once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.documents import LABEL_WORDS
from diffbench.errors import Fault, Place, ReadingError
from diffbench.readers.clock import Counter, time_from_numbers, time_from_texts, unsteady
from diffbench.readers.columns import find_column, find_unit, folded, listed, no_unit
from diffbench.readers.protocol import LARGEST, RawColumn, RawTable
from diffbench.readers.text.cells import is_missing
from diffbench.recording import Recording, Source

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diffbench.documents import Channel, LogChannel, LogSheet, Rig

_WORDS_SHOWN = 5  # unknown words that are named


def labels_of(
    channel: Channel | LogChannel, column: RawColumn, words: Sequence[str], rows: NDArray[np.int64], file: str
) -> tuple[tuple[str, ...], list[Fault]]:
    """The n words of a channel, and a fault for each unknown text, at the first line that has it.

    The channel's `values` say what the file's words mean; without them the file must use the project's
    ``words``. A column of numbers may stand for words; ``rows`` are line numbers, shape (n,).
    """
    known = {**(channel.values or {}), **{word: word for word in words}}
    meaning = {folded(text): word for text, word in known.items()}
    found: list[str] = []
    unknown: dict[str, int] = {}
    for text, line in zip(_texts(column), rows.tolist(), strict=True):
        word = meaning.get(folded(text))
        if word is None:
            unknown.setdefault(text.strip(), line)
        found.append(word or "")
    offered = ", ".join(f"'{text}'" for text in known)
    faults = [
        Fault(
            f"there is no {channel.name}" if is_missing(text) else f"'{text}' is no known {channel.name}",
            Place(file, line=line, column=column.name),
            f"write one of {offered}"
            + (
                ""
                if is_missing(text)
                else f'; or let the rig translate it: values = {{ "{text}" = "?" }} under '
                f"[channel.{channel.name}], with {' or '.join(words)} for the ?"
            ),
        )
        for text, line in list(unknown.items())[:_WORDS_SHOWN]
    ]
    if len(unknown) > _WORDS_SHOWN:
        what = f"{len(unknown) - _WORDS_SHOWN} more texts are no known {channel.name}"
        faults.append(Fault(what, Place(file, column=column.name), f"write one of {offered}"))
    return tuple(found), faults


def _texts(column: RawColumn) -> list[str]:
    if column.is_text:
        return [str(text) for text in column.values]
    return [
        column.odd.get(i, "" if np.isnan(value) else f"{value:g}")
        for i, value in enumerate(column.values.astype(np.float64))
    ]


def _without_empty_rows(table: RawTable) -> RawTable:
    """A table without the rows that are marks alone, as a spreadsheet saves an empty row between groups."""
    kept = np.zeros(len(table.rows), dtype=bool)
    for column in table.columns:
        kept |= [not is_missing(text) for text in _texts(column)]
    to = np.cumsum(kept) - 1
    columns = tuple(
        replace(column, values=column.values[kept], odd={int(to[i]): text for i, text in column.odd.items()})
        for column in table.columns
    )
    return replace(table, columns=columns, rows=table.rows[kept])


HAND_READINGS = "turning-torque"
_HAND_CHANNELS = frozenset({"turning_torque", "turning_speed", *LABEL_WORDS})
_ALWAYS = frozenset({"time", "oil_temperature", "plate_temperature"})
_ESSENTIAL = ("torque", "angular_speed")  # dimensions without whose numbers a recording is useless
_AT_ONCE = 1 << 15  # values
_SHOWN = 3  # odd cells of one column that are named


def to_recording(
    table: RawTable, rig: Rig | LogSheet, source: Source, *, kind: str, in_place: bool = False
) -> Recording:
    """A recording in SI from the raw columns of a file; gain, zero and sign are not applied.

    The unit of each channel is added to the details of the ``source``. Hand readings (``kind``
    "turning-torque") need no clock and none of the channels that only sweeps have; sweeps need none of the
    hand readings'. ``in_place``: the table's own numbers may be converted, since new memory for a long
    recording costs as much time as the arithmetic. Raises `ReadingError` with every fault: missing and
    ambiguous columns, units that are missing or differ, cells that are no numbers, unknown words, a time that
    does not rise, too few rows.
    """
    return _Mapping(table, rig, source, kind, in_place=in_place).recording()


@dataclass(frozen=True)
class Before:
    """What a part of a recording has to know of those before it.

    Parameters
    ----------
    row : the raw row before.
    time : its time [s].
    count : how many rows there were.
    empty : channels without any number so far, by the fault that is if it stays so.
    """

    row: RawTable
    time: float
    count: int
    empty: Mapping[str, Fault]


def to_part(
    table: RawTable,
    rig: Rig | LogSheet,
    source: Source,
    *,
    kind: str,
    before: Before | None,
    last: RawTable | None,
) -> tuple[Recording, Before | None]:
    """A part of a recording in SI, converted in place, whose time goes on where the part before ends; and
    what the next one has to know.

    As `to_recording`; ``last`` is the last row of this part, if others follow. That a channel has no number
    is told with the last part.
    """
    mapping = _Mapping(table, rig, source, kind, in_place=True, before=before, more=last is not None)
    part = mapping.recording()
    if last is None:
        return part, None
    count = len(part) + (0 if before is None else before.count)
    return part, Before(last, float(part.time[-1]), count, mapping.empty)


class _Mapping:
    def __init__(
        self,
        table: RawTable,
        rig: Rig | LogSheet,
        source: Source,
        kind: str,
        *,
        in_place: bool,
        before: Before | None = None,
        more: bool = False,
    ) -> None:
        self.before = before
        self.more = more
        self.empty: dict[str, Fault] = {}
        self.in_place = in_place
        self.by_hand = kind == HAND_READINGS
        self.table = _without_empty_rows(table) if self.by_hand else table
        self.rig = rig
        self.source = source
        self.file = str(source.path)
        self.faults: list[Fault] = []
        self.notes = list(table.notes)
        self.units: dict[str, str] = {}

    def recording(self) -> Recording:
        needed = 1 if self.by_hand or self.before is not None else 2
        if len(self.table.rows) < needed:
            count = len(self.table.rows)
            raise ReadingError.single(
                "there are no rows of numbers" if not count else "one row of numbers is no recording",
                file=self.file,
                line=int(self.table.rows[0]) if count else None,
                mend="check that the recording was saved with all its samples",
            )
        found = self._columns()
        channels: dict[str, NDArray[np.float64]] = {}
        labels: dict[str, tuple[str, ...]] = {}
        for name, column in found.items():
            channel = self.rig.channel[name]
            if name in LABEL_WORDS:
                labels[name], faults = labels_of(
                    channel, column, LABEL_WORDS[name], self.table.rows, self.file
                )
                self.faults += faults
            elif name != "time":
                values = self._numbers(channel, column)
                if values is not None:
                    channels[name] = values
        time = self._time(found.get("time"))
        if self.faults:
            raise ReadingError(self.faults)
        details = {**self.source.details, **{f"unit of {name}": unit for name, unit in self.units.items()}}
        source = Source(self.source.path, self.source.sha256, self.source.size, self.source.format, details)
        rows, last_line, clocks = self.table.rows, self.table.last_line, self.table.clocks_apart
        return Recording(time, channels, labels, source, tuple(self.notes), rows, last_line, clocks)

    def _columns(self) -> dict[str, RawColumn]:
        """Return the column of each channel that this kind of run needs, or that is there."""
        if self.by_hand and "turning_torque" not in self.rig.channel:
            self.faults.append(
                Fault(
                    "the rig describes no turning_torque, and these are hand readings",
                    Place(self.file),
                    "describe it in the rig under [channel.turning_torque], or name a rig for hand readings",
                )
            )
        found: dict[str, RawColumn] = {}
        absent: list[Fault] = []
        taken: dict[int, str] = {}
        for name, channel in self.rig.channel.items():
            column = find_column(channel, self.table, self.file)
            if isinstance(column, Fault):
                if self._is_needed(name):
                    absent.append(column)
                continue
            other = taken.setdefault(id(column), name)
            if other != name:
                self.faults.append(
                    Fault(
                        f"the rig takes it for {other} and for {name}",
                        self._place(column),
                        "name the column of each channel in the rig as it stands in the file",
                    )
                )
                continue
            found[name] = column if not channel.also else self._mean(channel, column, absent)
        if absent:
            # Once is enough to list what there is.
            mend = f"{absent[-1].mend}; the file has {listed(self.table)}"
            if self._half_of_a_run(found):
                mend += (
                    "; what another logger recorded of the same run must stand in the same file, by its time"
                )
            absent[-1] = replace(absent[-1], mend=mend)
            self.faults += absent
        return found

    def _half_of_a_run(self, found: Mapping[str, RawColumn]) -> bool:
        """Whether a sweep has columns of torques and none of speeds, or the other way round."""
        has = {self.rig.channel[name].logged for name in found}
        return not self.by_hand and len(has & set(_ESSENTIAL)) == 1

    def _mean(self, channel: Channel | LogChannel, first: RawColumn, absent: list[Fault]) -> RawColumn:
        """Return the mean of a temperature's columns, of those that read, in the unit of the first."""
        dimension = channel.logged or "dimensionless"
        columns, units = [first], [find_unit(channel, first, dimension, self._place(first))]
        for name in channel.also:
            further = channel.model_copy(update={"column": name})
            column = find_column(further, self.table, self.file)
            if isinstance(column, Fault):
                absent.append(column)
            elif not self._refuse_words(channel, column):
                columns.append(column)
                units.append(find_unit(further, column, dimension, self._place(column)))
        own = units[0]
        if first.is_text or own is None or isinstance(own, Fault) or first.odd_count:
            return first  # told with the channel's own faults
        values = []
        for column, unit in zip(columns, units, strict=True):
            if unit is None or isinstance(unit, Fault):
                self.faults.append(no_unit(channel, dimension, self._place(column)) if unit is None else unit)
                continue
            read = np.where(np.abs(column.values.astype(np.float64)) < LARGEST, column.values, np.nan)
            values.append(own.from_si(unit.to_si(read.astype(np.float64))))
        stacked = np.stack(values)
        there = np.isfinite(stacked)
        count = there.sum(axis=0)
        mean = np.where(count > 0, np.where(there, stacked, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
        all_there = stacked[:, count == len(values)]
        if all_there.size and len(values) > 1:
            apart = own.scale * float(np.median(np.ptp(all_there, axis=0)))
            names = ", ".join(f"'{column.name}'" for column in columns)
            self.notes.append(
                f"{channel.name} is the mean of {names}; they are {apart:.2g} K apart in the median: "
                "its u_zero should cover half of that."
            )
        return RawColumn(first.name, first.unit, mean)

    def _is_needed(self, name: str) -> bool:
        if name in _ALWAYS or self.rig.turns_one_output:
            return True
        return (name in _HAND_CHANNELS) == self.by_hand

    def _numbers(self, channel: Channel | LogChannel, column: RawColumn) -> NDArray[np.float64] | None:
        """Return a channel of numbers in SI."""
        place = self._place(column)
        dimension = channel.logged or "dimensionless"
        if self._refuse_words(channel, column):
            return None
        unit = find_unit(channel, column, dimension, place)
        if unit is None:
            unit = no_unit(channel, dimension, place)
        if isinstance(unit, Fault):
            self.faults.append(unit)
            return None
        values = column.values.astype(np.float64, copy=False)
        highest, lowest = _extremes(values)
        if highest >= LARGEST or lowest <= -LARGEST:
            values = self._without_overload(column, values)
            highest, _ = _extremes(values)
        if np.isnan(highest):
            what = f"{channel.name} has no number in any line"
            fault = Fault(what, place, "check the transducer and the logger, and record again")
            if dimension in _ESSENTIAL and not self._may_be_empty(channel.name, fault):
                self.faults.append(fault)
                return None
            if dimension not in _ESSENTIAL:
                self.notes.append(f"Column '{column.name}' ({channel.name}) has no number in any line.")
        self.units[channel.name] = unit.unit
        # Most columns need one factor or none: a copy of a long recording costs as much as parsing a column.
        if unit.shift != 0.0:
            return unit.to_si(values)
        scale = unit.scale * channel.arm_length
        if scale != 1.0:
            return np.multiply(values, scale, out=values if self._may_be_changed(values) else None)
        return values.copy() if _is_shared(values) else values

    def _may_be_changed(self, values: NDArray[Any]) -> bool:
        return self.in_place and bool(values.flags.writeable) and not _is_shared(values)

    def _may_be_empty(self, name: str, fault: Fault) -> bool:
        """Whether another part may have, or has had, the numbers that a channel has none of here."""
        so_far = self.before is None or name in self.before.empty
        if so_far and self.more:
            self.empty[name] = fault
        return self.more or not so_far

    def _without_overload(self, column: RawColumn, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return values with the loggers' marks for overload missing.

        A sample that is not there is no fault of the file, and is told; taken as a number it would be one.
        """
        beyond = np.abs(values) >= LARGEST
        self.notes.append(
            f"Column '{column.name}': {int(beyond.sum())} values are infinite or beyond 1e30, the first in "
            f"line {int(self.table.rows[beyond][0])}: a logger's mark for overload, taken as missing."
        )
        return np.where(beyond, np.nan, values)

    def _refuse_words(self, channel: Channel | LogChannel, column: RawColumn) -> bool:
        """Note a fault for the first cells that are no numbers, and tell whether there are any."""
        odd = dict(column.odd)
        count = column.odd_count
        if column.is_text:
            odd = {i: str(text) for i, text in enumerate(column.values) if str(text).strip()}
            count = len(odd)
        for i in sorted(odd)[:_SHOWN]:
            self.faults.append(
                Fault(
                    f"'{odd[i]}' is no number, and {channel.name} holds numbers",
                    Place(self.file, line=int(self.table.rows[i]), column=column.name),
                    _mend_of(odd[i]),
                )
            )
        if count > _SHOWN:
            what = f"{count - _SHOWN} more cells are no numbers"
            self.faults.append(Fault(what, self._place(column), "repair them, or name another column"))
        return bool(count)

    def _time(self, column: RawColumn | None) -> NDArray[np.float64]:
        """Return the time of each sample."""
        rows = self.table.rows
        if column is None:
            return self._time_without_column(len(rows))
        channel, place = self.rig.channel["time"], self._place(column)
        if self.before is not None:
            # with the row before, so that a step from part to part is one like the others
            longer = RawTable((column,), rows).behind(self.before.row.only({column.name}))
            (column,), rows = longer.columns, longer.rows
        if column.is_text:
            time, faults, notes = time_from_texts(column, rows, place)
        else:
            unit = None if channel.tick is not None else find_unit(channel, column, "time", place)
            if isinstance(unit, Fault):
                self.faults.append(unit)
                return np.full(len(rows), np.nan)
            counter = Counter(channel.tick, channel.rolls_over)
            own = self._may_be_changed(column.values)
            time, faults, notes = time_from_numbers(column, unit, rows, place, counter=counter, in_place=own)
            self.units["time"] = "s" if unit is None else unit.unit
        self.notes += notes
        self.faults += faults or unsteady(time, rows, place, twins=self.by_hand)
        return time if self.before is None else self.before.time + time[1:]

    def _time_without_column(self, n: int) -> NDArray[np.float64]:
        rate = self.rig.file.sample_rate
        if rate is not None:
            self.notes.append(f"The time is counted from the rig's sample rate of {rate:g} Hz.")
            first = 0 if self.before is None else self.before.count
            return np.arange(first, first + n) / rate
        if self.by_hand:
            self.notes.append("The readings have no clock: their time is their running number.")
        elif "time" not in self.rig.channel:
            self.faults.append(
                Fault(
                    "the rig describes neither a time column nor a sample rate",
                    Place(self.file),
                    'describe [channel.time], or state sample_rate = "100 Hz" in the rig\'s [file]',
                )
            )
        return np.arange(n, dtype=np.float64)

    def _place(self, column: RawColumn) -> Place:
        return Place(self.file, column=column.name)


def _is_shared(values: NDArray[Any]) -> bool:
    """Whether a column is a view that would keep all others of its table in memory, those that nobody needs,
    too."""
    return values.base is not None and values.base.nbytes > 2 * values.nbytes


def _extremes(values: NDArray[np.float64]) -> tuple[float, float]:
    """Highest and lowest number; NaN where there is none. Some at a time, so that both look at them while
    they are in the processor's cache."""
    highs, lows = [], []
    for first in range(0, len(values), _AT_ONCE):
        some = values[first : first + _AT_ONCE]
        high = some.max()
        missing = np.isnan(high)
        highs.append(np.fmax.reduce(some) if missing else high)
        lows.append(np.fmin.reduce(some) if missing else some.min())
    return float(np.fmax.reduce(highs)), float(np.fmin.reduce(lows))


def _mend_of(cell: str) -> str:
    mend = "repair the cell, or leave it empty where there is no value"
    if re.fullmatch(r"[+-]?\d*[.,]\d+(?:[eE][+-]?\d+)?", cell.strip()):
        return f"{mend}; if the whole file has this decimal mark, state decimal in the rig's [file]"
    return mend
