"""An unknown file, read and described."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.documents import FileSettings
from diffbench.errors import Fault, Place, QuantityError
from diffbench.inspection.facts import (
    ClockFacts,
    ColumnFacts,
    clock_facts,
    clock_of_parts,
    column_facts,
    facts_of_parts,
)
from diffbench.inspection.guesses import Guess, guesses, unit_of
from diffbench.quantities import conversion
from diffbench.readers.clock import time_from_texts
from diffbench.readers.columns import find_column
from diffbench.readers.protocol import RawColumn, RawTable
from diffbench.readers.registry import raw_tables
from diffbench.recording import Source

if TYPE_CHECKING:
    from diffbench.documents import Rig


@dataclass(frozen=True)
class Inspection:
    """What is in a file.

    Parameters
    ----------
    source : which bytes, in which format, and what was found out about their layout.
    samples : rows of the table.
    columns : facts of each column.
    guesses : what each might be; where a rig is given, what the rig takes it for.
    clock : how the clock runs; None where no column looks like one.
    notes : what the reader noted.
    settings : what was stated of the file.
    """

    source: Source
    samples: int
    columns: tuple[ColumnFacts, ...]
    guesses: tuple[Guess, ...]
    clock: ClockFacts | None
    notes: tuple[str, ...]
    settings: FileSettings

    def as_json(self) -> dict[str, Any]:
        """Plain data for JSON, the file's path as a text."""
        return {
            "file": str(self.source.path),
            "format": self.source.format,
            "sha256": self.source.sha256,
            "size": self.source.size,
            "layout": dict(self.source.details),
            "samples": self.samples,
            "clock": None if self.clock is None else asdict(self.clock),
            "columns": [
                {**asdict(facts), "guess": asdict(guess)}
                for facts, guess in zip(self.columns, self.guesses, strict=True)
            ],
            "notes": list(self.notes),
        }


def inspect_file(
    path: str | Path, *, settings: FileSettings | None = None, rig: Rig | None = None
) -> Inspection:
    """Return what is in a file.

    Parameters
    ----------
    path : str or Path
        The file, of any format that is read.
    settings : FileSettings, optional
        What is stated of it; the rig's own where a rig is given.
    rig : Rig, optional
        A rig: its channels take the place of guesses.

    Returns
    -------
    Layout, columns, guesses and clock.

    Raises
    ------
    ReadingError : when the file cannot be read.
    """
    stated = settings or (rig.file if rig is not None else FileSettings())
    found: tuple[Guess, ...] = ()
    facts: list[tuple[ColumnFacts, ...]] = []
    clocks: list[ClockFacts] = []
    notes: dict[str, None] = {}
    samples, before = 0, None
    for table, source in raw_tables(Path(path), stated):
        if not facts:
            found = guesses(table.columns) if rig is None else _of_rig(rig, table, str(source.path))
        names = {c.name for c, guess in zip(table.columns, found, strict=True) if guess.channel == "time"}
        facts.append(tuple(column_facts(column, unit_of(column)) for column in table.columns))
        clock = table.only(names)
        clock = clock if before is None else clock.behind(before)
        of_clock = tuple(g for c, g in zip(table.columns, found, strict=True) if c.name in names)
        told = _clock(clock, of_clock, stated)
        clocks += [] if told is None else [told]
        samples += len(table.rows)
        notes |= dict.fromkeys(table.notes)
        before = table.only(names).last_row() if table.more else None
        of_file = source
        del table, clock
    columns = tuple(facts_of_parts(parts) for parts in zip(*facts, strict=True))
    whole = clock_of_parts(clocks) if clocks else None
    return Inspection(of_file, samples, columns, found, whole, tuple(notes), stated)


def _of_rig(rig: Rig, table: RawTable, file: str) -> tuple[Guess, ...]:
    """Return what a rig takes each column for."""
    taken: dict[int, Guess] = {}
    for name, channel in rig.channel.items():
        column = find_column(channel, table, file)
        if not isinstance(column, Fault):
            reason = f"the rig names it for {name}"
            taken[id(column)] = Guess(name, channel.dimension, True, (reason,))
    unused = Guess(None, None, False, ("the rig names it for nothing",))
    return tuple(taken.get(id(column), unused) for column in table.columns)


def _clock(table: RawTable, found: tuple[Guess, ...], settings: FileSettings) -> ClockFacts | None:
    if len(table.rows) < 2:
        return None
    if settings.sample_rate is not None:
        time = np.arange(len(table.rows)) / settings.sample_rate
        return clock_facts("the stated sample rate", time, table.rows)
    clocks = [
        (not guess.sure, column)
        for guess, column in zip(found, table.columns, strict=True)
        if guess.channel == "time"
    ]
    for _, column in sorted(clocks, key=lambda clock: clock[0]):
        seconds = _seconds(column, table)
        if seconds is None:
            continue
        if (facts := clock_facts(column.name, seconds, table.rows)) is not None:
            return facts
    return None


def _seconds(column: RawColumn, table: RawTable) -> NDArray[np.float64] | None:
    """Return the time of a column [s]; without a unit as if it were in seconds."""
    if column.is_text:
        time, faults = time_from_texts(column, table.rows, Place(None, column=column.name))
        return None if faults else time
    scale = 1.0
    unit = unit_of(column)
    if unit is not None:
        try:
            scale = conversion(unit, "time").scale
        except QuantityError:
            return None
    values = column.values.astype(np.float64)
    return values * scale if bool((np.abs(values) < 1e15).all()) else None
