"""The clock of a recording: numbers, clock times, ISO 8601 date-times or a sample rate, to seconds from 0."""

from __future__ import annotations

import datetime as dt

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import Fault, Place
from diffbench.quantities import Conversion
from diffbench.readers.cells import CLOCK, DATE_TIME
from diffbench.readers.protocol import LARGEST, RawColumn

_DAY = 86400.0  # [s]
_SHOWN = 3  # lines that a message names
# A bench logs torque between twice and a hundred thousand times a second (SAE J3011 asks for 1000 Hz).
_LONGEST_STEP, _SHORTEST_STEP = 0.5, 1e-5  # [s]
_LEAST_STEP, _MOST_STEP = 1e-7, 3600.0  # [s], whatever the unit says: nothing mechanical needs shorter ones
_READABLE = "write seconds, clock times (13:05:07.25) or ISO 8601 (2026-04-14T13:05:07.25)"


def time_from_numbers(
    column: RawColumn,
    unit: Conversion | None,
    rows: NDArray[np.int64],
    place: Place,
    *,
    in_place: bool = False,
) -> tuple[NDArray[np.float64], list[Fault], list[str]]:
    """Return time from a column of numbers.

    Parameters
    ----------
    column : RawColumn
        Numbers, rising.
    unit : Conversion or None
        Their unit; without one they are seconds if their step is a bench's.
    rows : array of int, shape (n,)
        Line numbers.
    place : Place
        For messages.
    in_place : bool
        Whether the column may be written over: new memory for a long one costs as much as to parse it.

    Returns
    -------
    Time [s] from 0, faults and notes.
    """
    values = column.values.astype(np.float64, copy=False)
    if not (values.max() < LARGEST and values.min() > -LARGEST):  # false for NaN, too
        missing = np.flatnonzero(~(np.abs(values) < LARGEST))
        i = int(missing[0])
        line = int(rows[i])
        cell = column.odd.get(i, "" if np.isnan(values[i]) else f"{values[i]:g}")
        said = f"'{cell}' is no time" if cell else "the time is missing"
        what = said + _and_more(len(missing) - 1)
        return values, [_at(place, line, what, f"remove the line, or repair it: {_READABLE}")], []
    time = np.subtract(values, values[0], out=values if in_place else None)
    if unit is not None and unit.scale != 1.0:
        time *= unit.scale
    if unit is not None:
        return time, [], []
    step = float(np.median(np.diff(time))) if len(time) > 1 else 0.0
    if len(time) > 1 and step > 0.0 and not _SHORTEST_STEP <= step <= _LONGEST_STEP:
        what = f"the time has no unit, and its step of {step:g} would be no bench's if it were seconds"
        return time, [Fault(what, place, 'state the unit in the rig: unit = "ms" under [channel.time]')], []
    return time, [], ["The time has no unit and is taken as seconds."]


def time_from_texts(
    column: RawColumn, rows: NDArray[np.int64], place: Place
) -> tuple[NDArray[np.float64], list[Fault]]:
    """Return time from clock times (over midnight too) or ISO 8601 date-times.

    Parameters
    ----------
    column : RawColumn
        Texts.
    rows : array of int, shape (n,)
        Line numbers.
    place : Place
        For messages.

    Returns
    -------
    Time [s] from 0, and faults.
    """
    texts = [str(text).strip() for text in column.values]
    first = next((text for text in texts if text), "")
    read = _clock_seconds if CLOCK.fullmatch(first) else _date_time
    moments = [read(text) for text in texts]
    bad = [i for i, moment in enumerate(moments) if moment is None]
    if bad:
        said = f"'{texts[bad[0]]}' is no time" if texts[bad[0]] else "the time is missing"
        what = said + _and_more(len(bad) - 1)
        return np.full(len(texts), np.nan), [_at(place, int(rows[bad[0]]), what, _READABLE)]
    known = [moment for moment in moments if moment is not None]
    if read is _clock_seconds:
        time = np.array(known, dtype=np.float64)
        # The clock jumps back by a day at midnight; a smaller jump is a fault, told by `unsteady`.
        days = np.concatenate([[0.0], np.cumsum(np.diff(time) < -0.5 * _DAY)])
        time = time + days * _DAY
        return time - time[0], []
    zoned = [isinstance(moment, dt.datetime) and moment.tzinfo is not None for moment in known]
    if any(zoned) != all(zoned):
        line = int(rows[zoned.index(not zoned[0])])
        return np.full(len(texts), np.nan), [
            _at(place, line, "some times have a zone and some have none", "write all with one")
        ]
    dates = [moment for moment in known if isinstance(moment, dt.datetime)]
    return np.array([(date - dates[0]).total_seconds() for date in dates]), []


def unsteady(time: NDArray[np.float64], rows: NDArray[np.int64], place: Place, *, twins: bool) -> list[Fault]:
    """Return the faults of a time that does not rise from line to line. Gaps are none.

    Parameters
    ----------
    time : array, shape (n,)
        [s].
    rows : array of int, shape (n,)
        Line numbers.
    place : Place
        For messages.
    twins : bool
        Whether two samples may have the same time, as hand readings of one minute do.

    Returns
    -------
    At most one fault for times that go back, and one for times that stand still.
    """
    steps = np.diff(time)
    if len(steps) == 0 or (steps.min() > _LEAST_STEP and time[-1] < _MOST_STEP * len(steps)):
        return []
    faults: list[Fault] = []
    usual = float(np.median(steps))
    if not twins and (0.0 < usual < _LEAST_STEP or usual > _MOST_STEP):
        what = f"the time goes on by {usual:g} s from sample to sample, which is no bench's"
        faults.append(Fault(what, place, "mend the unit of the time in the rig, or the column"))
    back = np.flatnonzero(steps < 0.0)
    if len(back):
        i = int(back[0])
        faults.append(
            _at(
                place,
                int(rows[i + 1]),
                f"the time goes back by {-steps[i]:g} s{_lines(rows[back + 1])}",
                "record again, or cut the file there: it may hold two recordings",
            )
        )
    still = np.flatnonzero(steps == 0.0)
    if len(still) and not twins:
        faults.append(
            _at(
                place,
                int(rows[int(still[0]) + 1]),
                f"the time is that of the line before{_lines(rows[still + 1])}",
                "remove the doubled lines; if the clock is too coarse, leave the time channel out of the rig "
                "and state sample_rate in its [file]",
            )
        )
    return faults


def _clock_seconds(text: str) -> float | dt.datetime | None:
    if not CLOCK.fullmatch(text):
        return None
    parts = text.replace(",", ".").split(":")
    hours, minutes, seconds = float(parts[0]), float(parts[1]), float(parts[2]) if len(parts) > 2 else 0.0
    return hours * 3600.0 + minutes * 60.0 + seconds if hours < 24.0 else None


def _date_time(text: str) -> float | dt.datetime | None:
    if not DATE_TIME.fullmatch(text):
        return None
    try:
        return dt.datetime.fromisoformat(text.replace(" Z", "Z").replace(" +", "+").replace(" -", "-"))
    except ValueError:
        return None


def _lines(rows: NDArray[np.int64]) -> str:
    """Return the further lines of a fault, in brackets."""
    if len(rows) < 2:
        return ""
    more = ", ".join(str(row) for row in rows[1 : 1 + _SHOWN])
    return f" (so too in line {more}{_and_more(len(rows) - 1 - _SHOWN)})"


def _and_more(count: int) -> str:
    return f" and {count} more" if count > 0 else ""


def _at(place: Place, line: int, what: str, mend: str) -> Fault:
    return Fault(what, Place(place.file, line=line, column=place.column), mend)
