"""Reader of TDMS files: groups of channels, with a clock in their properties or among themselves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.readers.asked import Chosen
from diffbench.readers.clock import clock_among, tables_on_one_clock
from diffbench.readers.libraries import (
    as_column,
    damaged,
    guarded_each,
    library,
    most_in_parts,
    refuse_too_many,
)
from diffbench.readers.on_demand import LateColumn, LateGroup, OnDemand
from diffbench.readers.protocol import RawColumn, RawTable, Reader

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_UNITS = ("unit_string", "unit", "units")  # properties that hold a channel's unit
_LEAD, _BIG_ENDIAN, _OPEN = 28, 1 << 6, (1 << 64) - 1  # a segment's lead-in; a mark in it; length if open
_CLOCK = "time"  # name of the column that waveform properties make


class TdmsReader(Reader):
    """TDMS, some rows at a time while the file is open."""

    name = "TDMS"
    marks = (b"TDSm",)

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Read all channels, put onto one clock: that of the rig's `group`, else of that with most samples.
        Where channels have the properties of a waveform (start and increment), a column ``time`` is made.
        """
        nptdms = library("nptdms", extra="tdms", path=path)
        check_whole(path)

        def read() -> Iterator[RawTable]:
            with nptdms.TdmsFile.open(path) as file:
                chosen = Chosen(self.asked)
                most = None if rows is None else most_in_parts(path)
                groups, notes = _read(file, path, chosen, most=most)
                for table in tables_on_one_clock(groups, path, stated=settings.group, rows=rows):
                    left_out = tuple(chosen.left_out)
                    yield replace(table, notes=(*notes, *table.notes), left_out=left_out)

        return guarded_each(path, self.name, read())


def check_whole(path: Path) -> None:
    """Refuse a file that ends within a segment: the library reads what is there as if it were all.

    Source: National Instruments, "TDMS File Format Internal Structure" (the lead-in), from memory.
    """
    size, begun = path.stat().st_size, 0
    with path.open("rb") as file:
        while begun < size:
            file.seek(begun)
            lead = file.read(_LEAD)
            if len(lead) < _LEAD or not lead.startswith(b"TDSm"):
                raise damaged(path, TdmsReader.name, f"no segment begins at byte {begun}, where one should")
            order: Literal["big", "little"] = "big" if lead[4] & _BIG_ENDIAN else "little"
            length = int.from_bytes(lead[12:20], order)
            begun += _LEAD + length
            if begun > size:
                what = "its last segment was never closed" if length == _OPEN else "it ends within a segment"
                raise damaged(path, TdmsReader.name, what)


def _read(file: Any, path: Path, chosen: Chosen, *, most: int | None) -> tuple[list[LateGroup], list[str]]:
    """Return the groups of a file, and notes on what was left out."""
    notes: list[str] = []
    groups: list[LateGroup] = []
    channels = [channel for group in file.groups() for channel in group.channels()]
    start, of = _first_start(channels), len(channels)
    taken = [[c for c in g.channels() if chosen.takes(c.name, of=of)] for g in file.groups()]
    refuse_too_many(
        sum(len(channel) for own in taken for channel in own),
        path,
        "export the part of the recording that is needed",
        most=most,
    )
    for group, own in zip(file.groups(), taken, strict=True):
        groups += _groups(group.name, own, start, notes)
    return groups, notes


def _groups(name: str, channels: list[Any], start: np.datetime64 | None, notes: list[str]) -> list[LateGroup]:
    """Return the channels of one group, those of one length and one clock together."""
    clocks: dict[tuple[int, float, float], list[RawColumn | LateColumn]] = {}
    for channel in channels:
        if not len(channel):
            continue
        unit = next((channel.properties[key] for key in _UNITS if channel.properties.get(key)), None)
        column = _column(channel, unit)
        if column is None:
            notes.append(f"Channel '{channel.name}' is left out: it holds no single numbers or texts.")
            continue
        clocks.setdefault((len(channel), *_waveform(channel, start)), []).append(column)
    # Words and marks beside waveforms have no properties of their own, and the same count of samples.
    for key in [key for key in clocks if not key[1]]:
        beside = [other for other in clocks if other[1] and other[0] == key[0]]
        if len(beside) == 1:
            clocks[beside[0]] += clocks.pop(key)
    found: list[LateGroup] = []
    for (length, increment, offset), columns in clocks.items():
        if increment:
            time = _even_clock(length, increment, offset)
            found.append(LateGroup(name, tuple(columns), time, _CLOCK))
        else:
            own, time_of_own = clock_among(columns)
            found.append(LateGroup(name, tuple(columns), time_of_own, own))
    return found


def _column(channel: Any, unit: object) -> RawColumn | LateColumn | None:
    """Return a channel: numbers stay in the file, words and moments are read."""
    if channel.dtype.kind not in "fiub":
        return as_column(channel.name, unit, np.asarray(channel[:]))
    named = as_column(channel.name, unit, np.empty(0))
    assert named is not None

    def read(first: int, last: int) -> NDArray[np.float64]:
        return np.asarray(channel[first:last], dtype=np.float64)

    return LateColumn(named.name, named.unit, OnDemand(len(channel), read))


def _even_clock(length: int, increment: float, offset: float) -> OnDemand:
    def read(first: int, last: int) -> NDArray[np.float64]:
        return offset + increment * np.arange(first, last, dtype=np.float64)

    return OnDemand(length, read)


def _waveform(channel: Any, start: np.datetime64 | None) -> tuple[float, float]:
    """Return increment and first time [s] of a waveform; zeros without."""
    increment = channel.properties.get("wf_increment")
    if not isinstance(increment, int | float | np.number) or not float(increment) > 0.0:
        return 0.0, 0.0
    offset = float(channel.properties.get("wf_start_offset", 0.0))
    begun = channel.properties.get("wf_start_time")
    if start is not None and isinstance(begun, np.datetime64):
        offset += float((begun - start) / np.timedelta64(1, "s"))
    return float(increment), offset


def _first_start(channels: list[Any]) -> np.datetime64 | None:
    """Return the earliest start of all waveforms, from which their times are counted."""
    starts = [channel.properties.get("wf_start_time") for channel in channels]
    known = [begun for begun in starts if isinstance(begun, np.datetime64)]
    waveforms = sum("wf_increment" in channel.properties for channel in channels)
    return min(known) if known and len(known) == waveforms else None
