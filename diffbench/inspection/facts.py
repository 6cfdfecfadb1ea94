"""What the values of a column say of themselves: how many, how far, how fine; and how a clock runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.readers.protocol import LARGEST, RawColumn

_GAP = 3.0  # usual steps that make a stretch without samples
_FEW = 12  # different words of a column that are shown


@dataclass(frozen=True)
class ColumnFacts:
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
class ClockFacts:
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


def column_facts(column: RawColumn, unit: str | None) -> ColumnFacts:
    """Return what a column's values say.

    Parameters
    ----------
    column : RawColumn
        The column.
    unit : str or None
        Its unit, wherever the file says it.

    Returns
    -------
    The facts.

    Examples
    --------
    >>> facts = column_facts(RawColumn("M", "Nm", np.array([1.5, np.nan, 2.0, 4.0])), "Nm")
    >>> facts.missing, facts.low, facts.high, facts.resolution
    (1, 1.5, 4.0, 0.5)
    """
    if column.is_text:
        texts = np.array([str(value) for value in column.values], dtype=object)
        different, counts = np.unique(texts.astype(str), return_counts=True)
        often = [str(different[i]) for i in np.argsort(-counts, kind="stable")[:_FEW] if different[i].strip()]
        empty = int(sum(not text.strip() for text in texts))
        return ColumnFacts(column.name, unit, "words", len(texts), empty, words=tuple(often))
    values = column.values.astype(np.float64)
    there = values[np.abs(values) < LARGEST]  # NaN is not below it either
    different = np.unique(there)
    steps = np.diff(different)
    first_odd = None if not column.odd else column.odd[min(column.odd)]
    return ColumnFacts(
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


def facts_of_parts(parts: Sequence[ColumnFacts]) -> ColumnFacts:
    """Return the facts of a column whose parts were looked at one by one.

    Parameters
    ----------
    parts : sequence of ColumnFacts
        Of each part, at least one.

    Returns
    -------
    The facts of the whole; the smallest step is that within a part, and words are the first part's first.
    """
    first = parts[0]
    if len(parts) == 1:
        return first
    steps = [part.resolution for part in parts if part.resolution is not None]
    return ColumnFacts(
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


def clock_of_parts(parts: Sequence[ClockFacts]) -> ClockFacts:
    """Return the facts of a clock whose parts were looked at one by one, each with the row before it.

    Parameters
    ----------
    parts : sequence of ClockFacts
        Of each part, at least one.

    Returns
    -------
    The facts of the whole; the usual step is the first part's.
    """
    if len(parts) == 1:
        return parts[0]
    longest = max(parts, key=lambda part: part.longest_gap or 0.0)
    return ClockFacts(
        column=parts[0].column,
        duration=sum(part.duration for part in parts),
        rate=parts[0].rate,
        jitter=float(np.sqrt(np.mean([part.jitter**2 for part in parts]))),
        gaps=sum(part.gaps for part in parts),
        longest_gap=longest.longest_gap,
        gap_line=longest.gap_line,
        not_rising=sum(part.not_rising for part in parts),
    )


def clock_facts(name: str, time: NDArray[np.float64], rows: NDArray[np.int64]) -> ClockFacts | None:
    """Return how a clock runs.

    Parameters
    ----------
    name : str
        Of its column.
    time : array, shape (n,)
        [s].
    rows : array of int, shape (n,)
        Lines in the file.

    Returns
    -------
    The facts; None for fewer than two samples, or a clock that stands still.

    Examples
    --------
    >>> facts = clock_facts("t", np.array([0.0, 0.1, 0.2, 0.3, 1.0]), np.arange(2, 7))
    >>> round(facts.rate, 6), facts.gaps, facts.gap_line
    (10.0, 1, 6)
    """
    steps = np.diff(time)
    rising = steps[steps > 0.0]
    if not len(rising):
        return None
    usual = float(np.median(rising))
    near = rising[rising <= _GAP * usual]
    gaps = np.flatnonzero(steps > _GAP * usual)
    longest = int(gaps[np.argmax(steps[gaps])]) if len(gaps) else None
    return ClockFacts(
        column=name,
        duration=float(time[-1] - time[0]),
        rate=1.0 / usual,
        jitter=float(np.std(near) / usual),
        gaps=len(gaps),
        longest_gap=None if longest is None else float(steps[longest]),
        gap_line=None if longest is None else int(rows[longest + 1]),
        not_rising=int(np.sum(~(steps > 0.0))),
    )
