"""The clock of a recording: numbers, clock times, ISO 8601 date-times or a sample rate, to seconds from 0.

Loggers that keep fast and slow channels apart write groups: each with its clock, each of its own length. One
group gives the clock; channels of the others are read at its times, by straight lines between two samples
that follow each other. Beyond a group's ends and across its gaps there is nothing, and words hold until the
next.
"""

from __future__ import annotations

import collections
import datetime as dt
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import Fault, Place, QuantityError, ReadingError
from diffbench.quantities import Conversion, conversion
from diffbench.readers.columns import folded, split_joined_unit, split_unit
from diffbench.readers.libraries import refuse_too_many
from diffbench.readers.on_demand import Group, LateColumn, LateGroup, OnDemand, alike, even_parts, rises
from diffbench.readers.protocol import LARGEST, RawColumn, RawTable
from diffbench.readers.text.cells import CLOCK, DATE_TIME

_DAY = 86400.0  # [s]
_SHOWN = 3  # lines that a message names
# A bench logs torque between twice and a hundred thousand times a second (SAE J3011 asks for 1000 Hz).
_LONGEST_STEP, _SHORTEST_STEP = 0.5, 1e-5  # [s]
_LEAST_STEP, _MOST_STEP = 1e-7, 3600.0  # [s], whatever the unit says: nothing mechanical needs shorter ones
_READABLE = (
    "write seconds, clock times (13:05:07.25, 1:05:07 PM) or dates with them (2026-04-14T13:05:07.25, "
    "14.04.2026 13:05:07)"
)


_GAP = 3.0  # median steps between two samples, from which on nothing is read between them
#: Groups of one recording have nearly all of their times in common; where they do not, it is told.
IN_COMMON = 0.95
_ROLLS_OVER = tuple(
    sorted(
        [*(2.0**n for n in (8, 10, 12, 14, 15, 16, 20, 24, 31, 32)), *(10.0**n for n in range(2, 10)), _DAY]
    )
)


@dataclass(frozen=True)
class Counter:
    """What the rig says of a clock that counts: how long a count is [s], and after how many it begins again;
    None where it says nothing."""

    tick: float | None = None
    rolls_over: float | None = None


def time_from_numbers(
    column: RawColumn,
    unit: Conversion | None,
    rows: NDArray[np.int64],
    place: Place,
    *,
    counter: Counter,
    in_place: bool,
) -> tuple[NDArray[np.float64], list[Fault], list[str]]:
    """Time [s] from 0 of a rising column of numbers, faults and notes; without a unit they are seconds if
    their step is a bench's. A counter may begin again.

    ``rows`` are line numbers, shape (n,). ``in_place``: the column may be written over, since new memory for
    a long one costs as much as to parse it.
    """
    values = np.asarray(column.values, dtype=np.float64)
    if not (values.max() < LARGEST and values.min() > -LARGEST):  # false for NaN, too
        missing = np.flatnonzero(~(np.abs(values) < LARGEST))
        i = int(missing[0])
        line = int(rows[i])
        cell = column.odd.get(i, "" if np.isnan(values[i]) else f"{values[i]:g}")
        said = f"'{cell}' is no time" if cell else "the time is missing"
        what = said + _and_more(len(missing) - 1)
        return values, [_at(place, line, what, f"remove the line, or repair it: {_READABLE}")], []
    values, notes = unrolled(values, counter.rolls_over)
    time = np.subtract(values, values[0], out=values if in_place else None)
    scale = counter.tick if counter.tick is not None else 1.0 if unit is None else unit.scale
    time *= scale
    if unit is not None or counter.tick is not None:
        return time, [], notes
    if len(time) > 1:
        step = float(np.median(np.diff(time)))
        if step > 0.0 and not _SHORTEST_STEP <= step <= _LONGEST_STEP:
            what = f"the time has no unit, and its step of {step:g} would be no bench's if it were seconds"
            mend = 'state the unit in the rig: unit = "ms" under [channel.time]'
            return time, [Fault(what, place, mend)], []
    return time, [], [*notes, "The time has no unit and is taken as seconds."]


def unrolled(values: NDArray[np.float64], stated: float | None) -> tuple[NDArray[np.float64], list[str]]:
    """Counts (n,) that go on where a counter begins again, and what is to be noted.

    It begins again after as many counts as are ``stated``; else after a power of two or of ten or a day,
    where every step back then is one forward by a usual step. A count that starts at nothing is left alone
    without a word of the rig: it may be a second recording.

    >>> unrolled(np.array([65534.0, 65535.0, 0.0, 1.0]), None)[0].tolist()
    [65534.0, 65535.0, 65536.0, 65537.0]
    """
    back = np.flatnonzero(np.diff(values) < 0.0)
    if not len(back):
        return values, []
    steps = np.diff(values)
    usual = float(np.median(steps[steps > 0.0])) if (steps > 0.0).any() else 0.0
    if stated is None and (values[0] <= usual or float(values.min()) < 0.0):
        return values, []
    for size in (stated,) if stated is not None else _ROLLS_OVER:
        over = steps[back] + size
        if float(values.max()) < size + 0.5 * usual and bool(
            ((over > 0.0) & (over <= (size if stated is not None else _GAP * usual))).all()
        ):
            again = values.copy()
            again[1:] += size * np.cumsum(steps < 0.0)
            times = "once" if len(back) == 1 else f"{len(back)} times"
            return again, [f"The clock is a counter that begins again after {size:g}, {times}."]
    return values, []


def time_from_texts(
    column: RawColumn, rows: NDArray[np.int64], place: Place
) -> tuple[NDArray[np.float64], list[Fault], list[str]]:
    """Time [s] from 0 of clock times (over midnight too) or dates with them, faults and notes; ``rows`` are
    line numbers, shape (n,).

    A leap second (23:59:60) counts. Where the clock goes back to a whole hour by just that hour, summer time
    has ended, and it goes on. Of 3/4/2026 and the like, day and month are taken as the whole column allows:
    with neither, either gives the same time of one day.
    """
    texts = [str(text).strip() for text in column.values]
    first = next((text for text in texts if text), "")
    dated = not CLOCK.fullmatch(first)
    found = [(DATE_TIME if dated else CLOCK).fullmatch(text) for text in texts]
    month_first = dated and _month_first(found)
    moments = [None if match is None else _moment(match, month_first=month_first) for match in found]
    nothing = np.full(len(texts), np.nan)
    bad = [i for i, moment in enumerate(moments) if moment is None]
    if bad:
        said = f"'{texts[bad[0]]}' is no time" if texts[bad[0]] else "the time is missing"
        what = said + _and_more(len(bad) - 1)
        return nothing, [_at(place, int(rows[bad[0]]), what, _READABLE)], []
    known = [moment for moment in moments if moment is not None]
    zoned = [moment.zoned for moment in known]
    if any(zoned) != all(zoned):
        line = int(rows[zoned.index(not zoned[0])])
        return (
            nothing,
            [_at(place, line, "some times have a zone and some have none", "write all with one")],
            [],
        )
    start = known[0].day
    time = np.array([(moment.day - start) * _DAY + moment.second for moment in known])
    time += np.concatenate([[0.0], np.cumsum(_leaps(known))])
    if not dated:
        # The clock jumps back by a day at midnight; a smaller jump is a fault, told by `unsteady`.
        time += _DAY * np.concatenate([[0.0], np.cumsum(np.diff(time) < -0.5 * _DAY)])
    notes = []
    if not all(zoned):
        hours = _hours_again(time)
        time[1:] += 3600.0 * np.cumsum(hours)
        if hours.any():
            line = int(rows[int(np.flatnonzero(hours)[0]) + 1])
            notes = [f"The clock repeats an hour from line {line} on, as where summer time ends: it goes on."]
    return time - time[0], [], notes


@dataclass(frozen=True)
class _Moment:
    """A day, by its running number, and the second of it."""

    day: int
    second: float
    leap: bool
    zoned: bool


def _moment(match: re.Match[str], *, month_first: bool) -> _Moment | None:
    """What a clock time or a date with one says; None where there is no such moment."""
    said = match.groupdict()
    hour, minute, second = int(said["hour"]), int(said["minute"]), (said["second"] or "0").replace(",", ".")
    if said["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + 12 * (said["half"] in "pP")
    if hour > 23:
        return None
    day = 0
    if "year" in said:
        parts = [said["year"], said["month"], said["day"]]
        if said["year"] is None:
            in_front, behind = said["first"], said["second_part"]
            swapped = month_first and said["mark"] != "."
            parts = [said["last_year"], *((in_front, behind) if swapped else (behind, in_front))]
        try:
            day = dt.date(*map(int, parts)).toordinal()
        except ValueError:
            return None
    zone = (said.get("zone") or "").strip()
    offset = 0.0
    if zone not in ("", "Z"):
        digits = zone[1:].replace(":", "").ljust(4, "0")
        offset = (1 if zone[0] == "+" else -1) * (int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0)
    leap = float(second) >= 60.0
    return _Moment(day, hour * 3600.0 + minute * 60.0 + float(second) - offset, leap, bool(zone))


def _month_first(found: Sequence[re.Match[str] | None]) -> bool:
    """Whether 3/4/2026 has the month in front: where a number above twelve stands behind, or twelve hours
    with AM and PM, which go with it; never with points."""
    slashed = [m for m in found if m is not None and m["first"] is not None and m["mark"] != "."]
    return not any(int(m["first"]) > 12 for m in slashed) and any(
        int(m["second_part"]) > 12 or m["half"] for m in slashed
    )


def _leaps(moments: Sequence[_Moment]) -> NDArray[np.float64]:
    """One second after each leap second that is over, shape (n - 1,)."""
    return np.array([float(before.leap and not after.leap) for before, after in itertools.pairwise(moments)])


def _hours_again(time: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Where a clock goes back by an hour, to the start of that hour, shape (n - 1,): once in a recording."""
    steps = np.diff(time)
    rising = steps[steps > 0.0]
    usual = float(np.median(rising)) if len(rising) else 0.0
    into = np.mod(time[1:], 3600.0)
    again = (steps < 0.0) & (steps + 3600.0 > 0.0) & (steps + 3600.0 <= 10.0 * usual) & (into <= 10.0 * usual)
    return again if int((steps < 0.0).sum()) == 1 else np.zeros(len(steps), dtype=bool)


def unsteady(time: NDArray[np.float64], rows: NDArray[np.int64], place: Place, *, twins: bool) -> list[Fault]:
    """Faults of a time [s] that does not rise from line to line: at most one for times that go back, and one
    for times that stand still. Gaps are none.

    ``twins``: two samples may have the same time, as hand readings of one minute do.
    """
    steps = np.diff(time)
    if len(steps) == 0 or (steps.min() > _LEAST_STEP and steps.max() < _MOST_STEP):
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
                "record again, or cut the file there: it may hold two recordings; if it is a counter that "
                "begins again, state after how many counts: rolls_over = 65536 under [channel.time]",
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


CLOCK_WORDS = frozenset({"time", "t", "timestamp", "clock", "elapsed", "zeit", "temps"})


def clock_among(
    columns: Sequence[RawColumn | LateColumn],
) -> tuple[RawColumn | LateColumn | None, NDArray[np.float64] | OnDemand | None]:
    """The clock of a group whose clock is one of its channels: the first that is in a unit of time or named
    as one, and rises from sample to sample; and its time [s], numbers without unit counting as seconds. None
    twice without.

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
        elif bare not in CLOCK_WORDS:
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

    Channels that are read at the times of another group need both of them whole; so do groups of several
    lengths. Raises `ReadingError` as `on_one_clock`, and where a file that has to be whole is too large for
    that.
    """
    told = [group for group in groups if group.columns and len(group)]
    parts = even_parts(len(told[0]), rows) if told else []
    if len(parts) < 2 or not _of_one_clock(told, base := _base(told, path, stated)):
        values = sum(len(group) * len(group.columns) for group in told)
        refuse_too_many(values, path, "export the part of the recording that is needed")
        whole = [group.part(0, len(group)) for group in told]
        yield on_one_clock(whole, path, stated=stated)
        return
    for first, last in parts:
        table = on_one_clock([group.part(first, last) for group in told], path, stated=stated)
        yield replace(table, rows=table.rows + first, more=last < len(base))


def _of_one_clock(groups: Sequence[LateGroup], base: LateGroup) -> bool:
    """Whether all groups are of one length, and have one clock where they have any."""
    return all(
        len(group) == len(base) and (group.time is None or _same_clock(group, base)) for group in groups
    )


AnyGroup = TypeVar("AnyGroup", Group, LateGroup)


def on_one_clock(groups: Sequence[Group], path: Path, *, stated: str | None) -> RawTable:
    """One table of all groups, in the file's order; those without channels or samples say nothing.

    The group that the rig has ``stated``, else the one with most samples, gives the clock. A name that
    several groups have is written ``group/name``. Notes tell what was put onto the clock, and what was left
    out because it has none. Raises `ReadingError` when there is no group, none of the stated name, groups of
    several lengths and no clock to bring them together, or a clock that does not rise.
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
    apart = tuple(told_apart for group in taken if (told_apart := _apart(group, base)) is not None)
    return RawTable(
        _named_apart(parts),
        np.arange(1, len(base) + 1, dtype=np.int64),
        details,
        notes=(*notes, *apart),
        clocks_apart=apart,
    )


def _apart(group: Group, base: Group) -> str | None:
    """What is to be told of a group whose own clock misses a part of the base's times; None where it does
    not."""
    if group is base or group.time is None or base.time is None or _same_clock(group, base):
        return None
    (begin, end), (first, last) = ((float(own[0]), float(own[-1])) for own in (group.time, base.time))
    common = (min(end, last) - max(begin, first)) / max(last - first, 1e-9)
    if common >= IN_COMMON:
        return None
    alike = abs((end - begin) - (last - first)) <= (1.0 - IN_COMMON) * (last - first)
    return (
        f"Group '{group.name}' runs from {begin:.6g} s to {end:.6g} s, and group '{base.name}', which gives "
        f"the clock, from {first:.6g} s to {last:.6g} s: they have {100 * max(common, 0.0):.0f} % of that in "
        "common."
        + (
            f" Both last equally long, so one clock may be {abs(begin - first):.6g} s off"
            f"{_whole_hours(abs(begin - first))}."
            if alike
            else ""
        )
    )


def _whole_hours(apart: float) -> str:
    """Zones of time and summer time, where a difference [s] is as good as one.

    >>> _whole_hours(7200.4), _whole_hours(95.0)
    (', whole hours: a time zone, or summer time', '')
    """
    hours = round(apart / 3600.0)
    return ", whole hours: a time zone, or summer time" if hours and abs(apart - 3600.0 * hours) < 5.0 else ""


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
        inside = after < len(own)  # before the first there is nothing in any case
        before = np.clip(after - 1, 0, len(own) - 2)
        across = inside & (steps[before] > _GAP * np.median(steps)) & (own[before] != at)
        values = np.where(across, np.nan, values)
    return RawColumn(column.name, column.unit, values)


def _named_apart(parts: Sequence[tuple[Group, tuple[RawColumn, ...]]]) -> tuple[RawColumn, ...]:
    """Return all columns; names that come more than once get their group before them."""
    count = collections.Counter(column.name for _, columns in parts for column in columns)
    return tuple(
        RawColumn(f"{group.name}/{column.name}" if count[column.name] > 1 else column.name, column.unit,
                  column.values)
        for group, columns in parts
        for column in columns
    )  # fmt: skip
