"""An unknown file, read and described.

How many values its columns hold, how far, how fine; how a clock runs; and all of it as a person reads it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.documents import Channel, FileSettings
from diffbench.errors import Fault, Place, QuantityError
from diffbench.inspection.channel_guesses import Guess, guesses, unit_of
from diffbench.inspection.run_kind import run_kind
from diffbench.plain_text import per_cent
from diffbench.quantities import conversion
from diffbench.readers.clock import time_from_texts, unrolled
from diffbench.readers.columns import find_column
from diffbench.readers.protocol import LARGEST, RawColumn, RawTable
from diffbench.readers.registry import ROWS, raw_tables
from diffbench.recording import Source, even_step

if TYPE_CHECKING:
    from diffbench.documents import Rig

_GAP = 3.0  # usual steps that make a stretch without samples
_FEW = 12  # different words of a column that are shown


@dataclass(frozen=True)
class ColumnSummary:
    """One column, without any judgement.

    Parameters
    ----------
    name, unit : as the file has them; the unit None where neither the name nor anything else says it.
    kind : ``"numbers"`` or ``"words"``.
    samples, missing : how many, and how many of them are no number (odd cells among them).
    odd : how many cells are neither number nor missing; `odd_example` is the first one.
    low, high : the range; None for words and where there is no number.
    resolution : smallest step between two different values; None where there are not two.
    words : different texts, the most frequent ones; empty for numbers.
    """

    name: str
    unit: str | None
    kind: str
    samples: int
    missing: int
    odd: int = 0
    odd_example: str | None = None
    low: float | None = None
    high: float | None = None
    resolution: float | None = None
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class ClockSummary:
    """How the samples follow each other.

    Parameters
    ----------
    column : name of the clock's column.
    duration : from the first sample to the last [s].
    rate : one over the usual step [Hz].
    jitter : standard deviation of the steps, gaps aside, over the usual step [1].
    gaps : stretches of more than three usual steps without a sample.
    longest_gap, gap_line : the longest one [s], and the line behind it; None without.
    not_rising : samples whose time is not later than that of the one before.
    """

    column: str
    duration: float
    rate: float
    jitter: float
    gaps: int
    longest_gap: float | None
    gap_line: int | None
    not_rising: int


def column_summary(column: RawColumn, unit: str | None) -> ColumnSummary:
    """What a column's values say; ``unit`` wherever the file says it.

    >>> summary = column_summary(RawColumn("M", "Nm", np.array([1.5, np.nan, 2.0, 4.0])), "Nm")
    >>> summary.missing, summary.low, summary.high, summary.resolution
    (1, 1.5, 4.0, 0.5)
    """
    if column.is_text:
        texts = np.array([str(value) for value in column.values], dtype=object)
        different, counts = np.unique(texts.astype(str), return_counts=True)
        often = [str(different[i]) for i in np.argsort(-counts, kind="stable") if different[i].strip()]
        empty = int(sum(not text.strip() for text in texts))
        return ColumnSummary(column.name, unit, "words", len(texts), empty, words=tuple(often[:_FEW]))
    values = column.values.astype(np.float64)
    there = values[np.abs(values) < LARGEST]  # NaN is not below it either
    different = np.unique(there)
    steps = np.diff(different)
    first_odd = None if not column.odd else column.odd[min(column.odd)]
    return ColumnSummary(
        name=column.name,
        unit=unit,
        kind="numbers",
        samples=len(values),
        missing=len(values) - len(there),
        odd=column.odd_count,
        odd_example=first_odd,
        low=float(there.min()) if len(there) else None,
        high=float(there.max()) if len(there) else None,
        # Steps of rounding only are none: two doubles of one decimal number.
        resolution=_smallest(steps, different),
    )


def _smallest(steps: NDArray[np.float64], values: NDArray[np.float64]) -> float | None:
    if not len(steps):
        return None
    clear = steps[steps > 1e-12 * np.abs(values).max()]
    return float(f"{clear.min():.6g}") if len(clear) else None


def column_of_parts(parts: Sequence[ColumnSummary]) -> ColumnSummary:
    """Summary of a column whose parts were looked at one by one; the smallest step is that within a part, and
    words are the first part's first."""
    first = parts[0]
    steps = [part.resolution for part in parts if part.resolution is not None]
    return ColumnSummary(
        name=first.name,
        unit=first.unit,
        kind=first.kind,
        samples=sum(part.samples for part in parts),
        missing=sum(part.missing for part in parts),
        odd=sum(part.odd for part in parts),
        odd_example=next((part.odd_example for part in parts if part.odd_example is not None), None),
        low=min((part.low for part in parts if part.low is not None), default=None),
        high=max((part.high for part in parts if part.high is not None), default=None),
        resolution=min(steps, default=None),
        words=tuple(dict.fromkeys(word for part in parts for word in part.words))[:_FEW],
    )


def clock_of_parts(parts: Sequence[ClockSummary]) -> ClockSummary:
    """Summary of a clock whose parts were looked at one by one, each with the row before it; the usual step
    is the first part's."""
    longest = max(parts, key=lambda part: part.longest_gap or 0.0)
    return ClockSummary(
        column=parts[0].column,
        duration=sum(part.duration for part in parts),
        rate=parts[0].rate,
        jitter=float(np.sqrt(np.mean([part.jitter**2 for part in parts]))),
        gaps=sum(part.gaps for part in parts),
        longest_gap=longest.longest_gap,
        gap_line=longest.gap_line,
        not_rising=sum(part.not_rising for part in parts),
    )


def clock_summary(name: str, time: NDArray[np.float64], rows: NDArray[np.int64]) -> ClockSummary | None:
    """How a clock runs: ``time`` (n,) [s] of a column, ``rows`` (n,) its lines in the file. None for fewer
    than two samples, or a clock that stands still.

    >>> summary = clock_summary("t", np.array([0.0, 0.1, 0.2, 0.3, 1.0]), np.arange(2, 7))
    >>> round(summary.rate, 6), summary.gaps, summary.gap_line
    (10.0, 1, 6)
    >>> coarse = clock_summary("t", np.round(np.arange(600) / 60.0, 2), np.arange(600))  # in hundredths
    >>> round(coarse.rate, 1)
    60.0
    """
    steps = np.diff(time)
    rising = steps[steps > 0.0]
    if not len(rising):
        return None
    usual = float(np.median(rising))
    near = rising[rising <= _GAP * usual]
    usual = even_step(usual, near)
    gaps = np.flatnonzero(steps > _GAP * usual)
    longest = int(gaps[np.argmax(steps[gaps])]) if len(gaps) else None
    return ClockSummary(
        column=name,
        duration=float(time[-1] - time[0]),
        rate=1.0 / usual,
        jitter=float(np.std(near) / usual),
        gaps=len(gaps),
        longest_gap=None if longest is None else float(steps[longest]),
        gap_line=None if longest is None else int(rows[longest + 1]),
        not_rising=int(np.sum(~(steps > 0.0))),
    )


@dataclass(frozen=True)
class Inspection:
    """What is in a file.

    Parameters
    ----------
    source : which bytes, in which format, and what was found out about their layout.
    samples : rows of the table.
    columns : summary of each column.
    guesses : what each might be; where a rig is given, what the rig takes it for.
    clock : how the clock runs; None where no column looks like one.
    notes : what the reader noted.
    settings : what was stated of the file.
    kind : of the run, as its torques tell; empty where they do not.
    """

    source: Source
    samples: int
    columns: tuple[ColumnSummary, ...]
    guesses: tuple[Guess, ...]
    clock: ClockSummary | None
    notes: tuple[str, ...]
    settings: FileSettings
    kind: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain data for JSON, the file's path as a text."""
        return {
            "file": str(self.source.path),
            "format": self.source.format,
            "sha256": self.source.sha256,
            "size": self.source.size,
            "layout": dict(self.source.details),
            "samples": self.samples,
            "kind": self.kind,
            "clock": None if self.clock is None else asdict(self.clock),
            "columns": [
                {**asdict(summary), "guess": asdict(guess)}
                for summary, guess in zip(self.columns, self.guesses, strict=True)
            ],
            "notes": list(self.notes),
        }


def inspect_file(
    path: str | Path,
    *,
    settings: FileSettings | None = None,
    rig: Rig | None = None,
    rows: int | None = ROWS,
) -> Inspection:
    """What is in a file.

    Parameters
    ----------
    path : str or Path
        The file, of any format that is read.
    settings : FileSettings, optional
        What is stated of it; the rig's own where a rig is given.
    rig : Rig, optional
        A rig: its channels take the place of guesses.
    rows : int, optional
        Rows that are read at a time, about; None for all.

    Returns
    -------
    Layout, columns, guesses and clock.

    Raises
    ------
    ReadingError : when the file cannot be read.
    """
    stated = settings or (rig.file if rig is not None else FileSettings())
    found: tuple[Guess, ...] = ()
    summaries: list[tuple[ColumnSummary, ...]] = []
    clocks: list[ClockSummary] = []
    notes: dict[str, None] = {}
    samples, before, kind = 0, None, ""
    for table, source in raw_tables(Path(path), stated, rows=rows):
        if not summaries:
            found = guesses(table.columns) if rig is None else _of_rig(rig, table, str(source.path))
            kind = run_kind(table.columns, found)
        names = {c.name for c, guess in zip(table.columns, found, strict=True) if guess.channel == "time"}
        summaries.append(tuple(column_summary(column, unit_of(column)) for column in table.columns))
        clock = table.only(names)
        clock = clock if before is None else clock.behind(before)
        of_clock = tuple(g for c, g in zip(table.columns, found, strict=True) if c.name in names)
        told = _clock(clock, of_clock, stated, None if rig is None else rig.channel.get("time"))
        clocks += [] if told is None else [told]
        samples += len(table.rows)
        notes |= dict.fromkeys(table.notes)
        before = table.only(names).last_row() if table.more else None
        of_file = source
        del table, clock
    columns = tuple(column_of_parts(parts) for parts in zip(*summaries, strict=True))
    whole = clock_of_parts(clocks) if clocks else None
    return Inspection(of_file, samples, columns, found, whole, tuple(notes), stated, kind)


def _of_rig(rig: Rig, table: RawTable, file: str) -> tuple[Guess, ...]:
    """What a rig takes each column for."""
    taken: dict[int, Guess] = {}
    for name, channel in rig.channel.items():
        column = find_column(channel, table, file)
        if not isinstance(column, Fault):
            reason = f"the rig names it for {name}"
            taken[id(column)] = Guess(name, channel.dimension, True, (reason,))
        beside = (f"the rig names it for {name}, in the mean with others",)
        for other in table.columns:
            if other.name in channel.also:
                taken[id(other)] = Guess(name, channel.dimension, True, beside)
    unused = Guess(None, None, False, ("the rig names it for nothing",))
    return tuple(taken.get(id(column), unused) for column in table.columns)


def _clock(
    table: RawTable, found: tuple[Guess, ...], settings: FileSettings, counter: Channel | None
) -> ClockSummary | None:
    if settings.sample_rate is not None:
        time = np.arange(len(table.rows)) / settings.sample_rate
        return clock_summary("the stated sample rate", time, table.rows)
    clocks = (c for c, guess in zip(table.columns, found, strict=True) if guess.channel == "time")
    for column in clocks:
        seconds = _seconds(column, table, counter)
        summary = None if seconds is None else clock_summary(column.name, seconds, table.rows)
        if summary is not None:
            return summary
    return None


def _seconds(column: RawColumn, table: RawTable, counter: Channel | None) -> NDArray[np.float64] | None:
    """The time of a column [s], by what a rig says of its counter; without a unit as if it were in
    seconds."""
    if column.is_text:
        time, faults, _ = time_from_texts(column, table.rows, Place(None, column=column.name))
        return None if faults else time
    scale = 1.0
    unit = unit_of(column)
    if unit is not None:
        try:
            scale = conversion(unit, "time").scale
        except QuantityError:
            return None
    values = column.values.astype(np.float64)
    if not bool((np.abs(values) < LARGEST).all()):  # NaN is not below it either
        return None
    if counter is not None:
        values = unrolled(values, counter.rolls_over)[0]
        scale = scale if counter.tick is None else counter.tick
    return values * scale


_LONGEST_NAME = 28
_NO_JITTER = 1e-6  # of a step: rounding of a clock's digits


def inspection_text(inspection: Inspection, *, width: int = 100) -> str:
    """An inspection as text.

    Parameters
    ----------
    inspection : Inspection
        What was found.
    width : int
        Columns of the terminal.

    Returns
    -------
    Lines; control characters of the file's own texts are shown as blanks.
    """
    layout = ", ".join(f"{key} {value}" for key, value in inspection.source.details.items())
    size = f"{inspection.samples} rows, {len(inspection.columns)} columns"
    heads = f"{'lowest':>10} {'highest':>10} {'step':>9} {'missing':>8}  what it might be"
    lines = [
        f"{inspection.source.path}: {inspection.source.format}, {size}",
        *([f"layout   {layout}"] if layout else []),
        f"clock    {_clock_text(inspection.clock)}",
        *([f"run      {inspection.kind}, by its torques"] if inspection.kind else []),
        *(f"note     {note}" for note in inspection.notes),
        "",
        f"{'column':{_LONGEST_NAME}} {'unit':9} {heads}",
    ]
    for summary, guess in zip(inspection.columns, inspection.guesses, strict=True):
        lines.append(f"{_numbers(summary)}  {_what(guess)}")
        reasons = "; ".join(guess.reasons)
        if summary.odd:
            cells = (
                "1 cell is no number:" if summary.odd == 1 else f"{summary.odd} cells are no numbers, first"
            )
            reasons += f"; {cells} '{summary.odd_example}'"
        lines += textwrap.wrap(reasons, width, initial_indent="    ", subsequent_indent="    ")
    return "\n".join("".join(c if c.isprintable() else " " for c in line).rstrip() for line in lines)


def _clock_text(clock: ClockSummary | None) -> str:
    if clock is None:
        return "no column looks like one; state sample_rate in the rig's [file] where there is none"
    text = f"'{clock.column}': {clock.rate:.6g} samples a second over {clock.duration:.6g} s, " + (
        "no jitter" if clock.jitter < _NO_JITTER else f"jitter {per_cent(clock.jitter)} % of a step"
    )
    if clock.gaps:
        stretches = "stretch" if clock.gaps == 1 else "stretches"
        text += (
            f"; {clock.gaps} {stretches} without samples, the longest {clock.longest_gap:.4g} s before line "
            f"{clock.gap_line}"
        )
    if clock.not_rising:
        samples = "1 sample is" if clock.not_rising == 1 else f"{clock.not_rising} samples are"
        text += f"; {samples} not later than the one before"
    return text


def _numbers(summary: ColumnSummary) -> str:
    name = summary.name if len(summary.name) <= _LONGEST_NAME else summary.name[: _LONGEST_NAME - 3] + "..."
    unit = "?" if summary.unit is None else summary.unit[:9]
    if summary.kind == "words":
        shown = ", ".join(summary.words[:3])
        return f"{name:{_LONGEST_NAME}} {'words':9} {shown[:31]:31} {summary.missing:8}"
    low, high, step = (
        "-" if value is None else f"{value:.5g}" for value in (summary.low, summary.high, summary.resolution)
    )
    return f"{name:{_LONGEST_NAME}} {unit:9} {low:>10} {high:>10} {step:>9} {summary.missing:8}"


def _what(guess: Guess) -> str:
    if guess.channel is not None:
        return guess.channel + ("" if guess.sure else "?")
    return " or ".join(guess.others) + "?" if guess.others else "-"
