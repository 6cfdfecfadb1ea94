"""Temperatures that were not read: sensors that are open or shorted, and empty cells; what stands in their
place, and its doubt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.checks.temperature import UNITS
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.run import ConditionedRun
from diffbench.conditioning.samples import READABLE, TEMPERATURES, readable
from diffbench.documents import Rig
from diffbench.recording import Recording

Array = NDArray[np.float64]
Stretch = tuple[float, float]

# Oil has no fast changes: a line over less bridges it as well as a reading (common practice, no source).
BRIDGED = 10.0  # s
# What oil does in a sweep that nobody reads: some ten kelvins, beside what the visit's readings range over
# (common practice, no source).
UNREAD = 10.0  # K


@dataclass(frozen=True)
class Seen:
    """What one temperature channel of a recording, or of a part of one, holds: how many ``readings``, how
    many of them ``beyond`` what a temperature can be and from where to where [°C]; the ``empty`` stretches
    [s] that last or stand at an end, and the ``whole`` stretch."""

    readings: int
    beyond: int
    span: tuple[float, float]
    empty: tuple[Stretch, ...]
    whole: Stretch


def seen(recording: Recording, rig: Rig) -> dict[str, Seen]:
    """What the temperature channels of a recording hold, by channel."""
    found: dict[str, Seen] = {}
    for name in TEMPERATURES:
        if name in recording.channels:
            values = rig.channel[name].corrected(recording.channels[name])
            found[name] = seen_in(recording.time, values)
    return found


def seen_in(time: Array, values: Array) -> Seen:
    """What readings (n,) [°C] at some times (n,) [s] hold.

    >>> seen_in(np.arange(4.0), np.array([60.0, 1372.0, 60.0, 60.0])).beyond
    1
    """
    there = np.isfinite(values)
    odd = values[there & ((values < READABLE[0]) | (values > READABLE[1]))]
    missing = np.concatenate([[False], ~np.isfinite(readable(values)), [False]])
    edges = np.flatnonzero(missing[1:] != missing[:-1])
    last = time.size - 1
    empty = [
        (float(time[a]), float(time[b - 1]))
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
        if a == 0 or b > last or time[b - 1] - time[a] > BRIDGED
    ]
    span = (float(odd.min()), float(odd.max())) if odd.size else (np.nan, np.nan)
    return Seen(int(there.sum()), int(odd.size), span, tuple(empty), (float(time[0]), float(time[-1])))


def joined(parts: Sequence[Seen]) -> Seen:
    """One of its parts, in the order of time."""
    empty: list[Stretch] = []
    for before, part in zip([None, *parts[:-1]], parts, strict=True):
        mine = list(part.empty)
        if before and empty and mine and empty[-1][1] == before.whole[1] and mine[0][0] == part.whole[0]:
            mine[0] = (empty.pop()[0], mine[0][1])
        empty += mine
    spans = np.array([part.span for part in parts if part.beyond] or [(np.nan, np.nan)])
    return Seen(
        sum(part.readings for part in parts),
        sum(part.beyond for part in parts),
        (float(spans[:, 0].min()), float(spans[:, 1].max())),
        tuple(stretch for stretch in empty if stretch[1] - stretch[0] > BRIDGED),
        (parts[0].whole[0], parts[-1].whole[1]),
    )


def impossible(one: Seen, *, name: str, file: str) -> list[Finding]:
    """Readings that no oil and no plate has; where most are such, nothing is to be made of the channel.

    >>> gone = seen_in(np.arange(100.0), np.where(np.arange(100) < 90, 60.0, 1372.0))
    >>> [(f.name, f.severity) for f in impossible(gone, name="oil_temperature", file="a.csv")]
    [('open or shorted sensor', 'caveat')]
    """
    if not one.beyond:
        return []
    most = 2 * one.beyond > one.readings
    low, high = one.span
    middle = 0.5 * (low + high)
    unit = next((unit for unit, read in UNITS.items() if 0.0 < read(middle) < 150.0), None) if most else None
    guess = "" if unit is None else f" Were they {unit}, they would be about {UNITS[unit](middle):.3g} °C."
    return [
        Finding(
            "open or shorted sensor",
            "stop" if most else "caveat",
            f"{name}, {file}",
            f"{name}: {one.beyond} of {one.readings} samples read {low:.4g} to {high:.4g} °C, which no oil "
            f"or plate has (below {READABLE[0]:g} or above {READABLE[1]:g} °C): open or shorted sensor?"
            + guess,
            "Most of the channel says nothing." if most else "They are left out.",
            "Check the sensor, its plug, and the unit of the column in the rig; or leave the channel out of "
            "the rig.",
        )
    ]


def unread(one: Seen, *, name: str, file: str, instead: str, doubt: float | None) -> list[Finding]:
    """Stretches without any reading of a temperature; ``instead`` is what a whole recording without one
    counts as, ``doubt`` [K] the standard uncertainty of what stands in their place; None where another
    channel serves."""
    if not one.empty:
        return []
    told = [_told(one, stretch, name, instead, elsewhere=doubt is None) for stretch in one.empty]
    open_ended = bool(ends(one))
    counted = (
        f", which there may be off by {doubt:.2g} K (standard uncertainty)" if open_ended and doubt else ""
    )
    return [
        Finding(
            "temperature not recorded",
            "caveat" if open_ended else "note",
            f"{name}, {file}",
            " ".join(told[:4]) + (f" So in {len(told) - 4} places more." if len(told) > 4 else ""),
            f"Friction over temperature and the tested temperatures rest on that{counted}.",
            "Look for a plug or a logger that stopped, and record the run again.",
        )
    ]


def _told(one: Seen, stretch: Stretch, name: str, instead: str, *, elsewhere: bool) -> str:
    (begin, end), (first, last) = one.whole, stretch
    if stretch == one.whole:
        return f"{name} has no reading all through, from {begin:.4g} to {end:.4g} s: {instead}."
    if first > begin and last < end:
        place = "a straight line from the reading before to the one after stands there"
    elif elsewhere:
        place = instead
    else:
        place = f"the {'first' if first == begin else 'last'} reading stands there"
    return f"{name} has no reading from {first:.4g} to {last:.4g} s: {place}."


def ends(one: Seen) -> tuple[Stretch, ...]:
    """The empty stretches that no reading bounds on one side or on both."""
    begin, end = one.whole
    return tuple(stretch for stretch in one.empty if stretch[0] == begin or stretch[1] == end)


NAMES = {"oil_temperature": "oil", "plate_temperature": "plate"}


def stood_in(
    runs: Sequence[ConditionedRun], channels: Sequence[Mapping[str, Seen]]
) -> tuple[list[ConditionedRun], float, list[Finding]]:
    """Runs with something in place of what nobody read, the standard uncertainty that it adds to the visit's
    temperatures [K], and what is told of it. ``channels`` of each run: what its temperature channels hold.

    A run without any reading is as warm as the middle of the others. Where the plates were not read but the
    oil was, the heat balance has them. Of a visit without any reading, the fit tells.
    """
    main = next((n for n in NAMES if any(n in found and found[n].readings for found in channels)), "")
    gone = [
        {name: _within(run.cells.time, ends(one)) for name, one in found.items()}
        for run, found in zip(runs, channels, strict=True)
    ]
    read = [
        values[~lost[main]]
        for run, lost in zip(runs, gone, strict=True)
        if main in lost and (values := getattr(run.cells, NAMES[main])) is not None
    ]
    known = np.concatenate(read) if read else np.zeros(0)
    known = known[np.isfinite(known)]
    if not known.size:
        return list(runs), 0.0, []
    doubt = float(np.hypot(np.ptp(known) / np.sqrt(12.0), UNREAD))
    low, high = float(known.min()), float(known.max())
    middle = 0.5 * (low + high)
    instead = (
        f"it counts as {middle:.3g} °C, the middle of the visit's other readings ({low:.3g} to {high:.3g})"
    )
    other = "the heat balance has it, from the oil" if main == "oil_temperature" else "the plates are read"
    made, told, nothing, total = [], [], 0.0, 0.0
    for run, found, lost in zip(runs, channels, gone, strict=True):
        cells = run.cells
        if main in found:
            filled = _filled(cells.time, getattr(cells, NAMES[main]), middle)
            if main == "oil_temperature":
                cells = replace(cells, oil=filled, oil_unread=lost[main] if lost[main].any() else None)
            else:
                cells = replace(cells, plate=filled)
        if main == "oil_temperature" and len(found) > 1 and cells.plate is not None:
            by_oil = lost["plate_temperature"] & ~lost["oil_temperature"]
            cells = replace(cells, plate=np.where(by_oil, np.nan, cells.plate))
        made.append(replace(run, cells=cells))
        total += float(cells.count.sum())
        nothing += float(cells.count[np.all(list(lost.values()), axis=0)].sum()) if lost else 0.0
        for name, one in found.items():
            beside = name != main
            told += unread(
                one,
                name=name,
                file=run.name,
                instead=other if beside else instead,
                doubt=None if beside else doubt,
            )
    return made, doubt * float(np.sqrt(nothing / total)), told


def _within(time: Array, stretches: Sequence[Stretch]) -> NDArray[np.bool_]:
    """Which times (c,) [s] lie in any of some stretches."""
    inside = np.zeros(time.size, dtype=bool)
    for first, last in stretches:
        inside |= (time >= first) & (time <= last)
    return inside


def _filled(time: Array, values: Array | None, middle: float) -> Array:
    """Temperatures (c,) [°C] at some times, nothing missing: by the neighbours, or as ``middle`` is."""
    there = np.zeros(time.size, dtype=bool) if values is None else np.isfinite(values)
    if values is None or not there.any():
        return np.full(time.size, middle)
    return values if there.all() else np.interp(time, time[there], values[there])
