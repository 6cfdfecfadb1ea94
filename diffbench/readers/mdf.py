"""Reader of ASAM MDF 4 measurement files: groups of channels, each with its own clock."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import ReadingError
from diffbench.readers.apart import Folder, groups_apart
from diffbench.readers.foreign import guarded, library, most_in_parts, refuse_too_many, require
from diffbench.readers.marked import MarkedReader
from diffbench.readers.mdf_blocks import check_chains
from diffbench.readers.on_demand import LateColumn, OnDemand
from diffbench.readers.protocol import RawColumn, RawTable
from diffbench.readers.raw_values import as_column
from diffbench.readers.time_bases import LateGroup, tables_on_one_clock
from diffbench.readers.whole_or_parts import ReadsInParts

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_MAGIC = b"MDF     "
_UNFINISHED = b"UnFinMF "
_MASTERS = (2, 3)  # types of a channel that is its group's clock, stored or counted (ASAM MDF 4.1, CN block)
_TIME = 1  # kind of a master: time, not angle or distance


class MdfReader(MarkedReader, ReadsInParts):
    """ASAM MDF of version 4. See `diffbench.readers.protocol.Reader`."""

    name = "MDF"
    marks = (_MAGIC, _UNFINISHED)

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Read all channels of a file, put onto one clock.

        Parameters
        ----------
        path : Path
            The file.
        settings : FileSettings
            `group`, by its name or as ``"group 2"``, gives the clock; else the one with most samples does.
        rows : int, optional
            Rows of a part. Without, all is one.

        Returns
        -------
        The channels with their units; see `diffbench.readers.time_bases.on_one_clock`.

        Raises
        ------
        ReadingError : when the file is damaged, not finished, older than version 4, or too large.
        """
        with path.open("rb") as file:
            head = file.read(16)
        if head.startswith(_UNFINISHED):
            raise ReadingError.single(
                "the recording was never finished: its logger did not close the file",
                file=str(path),
                mend="let the logger's own program finish it, or record again",
            )
        version = head[8:16].decode("ascii", "replace").strip(" \0")
        if not version.startswith("4"):
            raise ReadingError.single(
                f"the file is MDF of version {version or 'unknown'}, and version 4 is read here",
                file=str(path),
                mend="save it as MDF 4, or export it as text",
            )
        require("asammdf", extra="mdf", path=path)
        check_chains(path)
        with groups_apart(path, self.name, __name__) as (groups, notes):
            for table in tables_on_one_clock(groups, path, stated=settings.group, rows=rows):
                details = {"version": version, **table.details}
                yield replace(table, details=details, notes=(*notes, *table.notes))


def read_groups(path: Path, folder: Folder) -> tuple[list[LateGroup], list[str]]:
    """Return the groups of a file, in this process.

    Parameters
    ----------
    path : Path
        An MDF 4 file.
    folder : Folder
        Takes the numbers of each channel as it is read, and gives them back as they were put aside.

    Returns
    -------
    The groups, and notes on what was left out.

    Raises
    ------
    ReadingError : when the file is damaged or too large.
    """
    asammdf = library("asammdf", extra="mdf", path=path)

    def read() -> tuple[list[LateGroup], list[str]]:
        # By an open file: of a path the library would judge the ending, and might open the file for writing.
        with path.open("rb") as source:
            measurement = asammdf.MDF(source, process_bus_logging=False, use_display_names=False)
            return _groups(measurement, path, folder)

    return guarded(path, MdfReader.name, read, asammdf.blocks.utils.MdfException, SystemError)


def _groups(measurement: Any, path: Path, folder: Folder) -> tuple[list[LateGroup], list[str]]:
    values = sum(g.channel_group.cycles_nr * len(g.channels) for g in measurement.groups)
    refuse_too_many(values, path, "export the part of the recording that is needed", most=most_in_parts(path))
    groups: list[LateGroup] = []
    notes: list[str] = []
    for index, group in enumerate(measurement.groups):
        if not group.channel_group.cycles_nr:
            continue
        clock: str | None = None
        columns: list[RawColumn | LateColumn] = []
        for place, channel in enumerate(group.channels):
            if channel.channel_type in _MASTERS:
                if channel.sync_type == _TIME:
                    clock = channel.name
                continue
            column = _column(measurement, index, place, channel.name, group.channel_group.cycles_nr, folder)
            if column is None:
                notes.append(f"Channel '{channel.name}' is left out: it holds no single numbers or texts.")
            else:
                columns.append(column)
        time = None
        if clock is not None:
            time = folder.keep(_clock(measurement, index, group.channel_group.cycles_nr))
        name = group.channel_group.acq_name or f"group {index + 1}"
        groups.append(LateGroup(str(name), tuple(columns), time, clock))
    return groups, notes


def _column(
    measurement: Any, group: int, place: int, name: str, count: int, folder: Folder
) -> RawColumn | LateColumn | None:
    """Return one channel: numbers as they were put aside, words as they are."""

    def signal(first: int, last: int) -> Any:
        return measurement.get(group=group, index=place, record_offset=first, record_count=last - first)

    some = signal(0, 1)
    first = as_column(name, some.unit, _with_holes(some))
    if first is None or first.is_text or some.samples.dtype.kind not in "fiub":
        whole = measurement.get(group=group, index=place)
        return as_column(name, whole.unit, _with_holes(whole))

    def read(begin: int, end: int) -> NDArray[np.float64]:
        return np.asarray(_with_holes(signal(begin, end)), dtype=np.float64)

    return LateColumn(first.name, first.unit, folder.keep(OnDemand(count, read)))


def _clock(measurement: Any, group: int, count: int) -> OnDemand:
    def read(begin: int, end: int) -> NDArray[np.float64]:
        times = measurement.get_master(group, record_offset=begin, record_count=end - begin)
        return np.asarray(times, dtype=np.float64)

    return OnDemand(count, read)


def _with_holes(signal: Any) -> NDArray[Any]:
    """Return the samples of a channel, those that the logger marked invalid missing."""
    samples: NDArray[Any] = signal.samples
    invalid = signal.invalidation_bits
    if invalid is None or samples.ndim != 1 or samples.dtype.kind not in "fiub":
        return samples
    return np.where(np.asarray(invalid, dtype=bool), np.nan, samples.astype(np.float64))
