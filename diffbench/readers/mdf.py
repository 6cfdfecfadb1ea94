"""Reader of ASAM MDF 4 measurement files: groups of channels, each with its own clock."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import ReadingError
from diffbench.readers.child import Folder, groups_by_child
from diffbench.readers.clock import tables_on_one_clock
from diffbench.readers.libraries import (
    as_column,
    damaged,
    guarded,
    library,
    most_in_parts,
    refuse_too_many,
    require,
)
from diffbench.readers.on_demand import LateColumn, LateGroup, OnDemand
from diffbench.readers.protocol import RawColumn, RawTable, Reader

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_HEADER = struct.Struct("<4sIQQ")  # identifier, reserved, length, count of links (ASAM MDF 4.1, section 5)
_HD_AT = 64
_MOST_BLOCKS = 200_000  # in one chain: a recording has hundreds
# Links of each kind of block: the next of its chain, and the heads of the chains below it.
_CHAINS = {
    b"##HD": (None, (0,)),  # first data group
    b"##DG": (0, (1, 2)),  # first channel group; data, or a list of it
    b"##CG": (0, (1,)),  # first channel
    b"##CN": (0, (1,)),  # composition
    b"##CA": (0, ()),
    b"##DL": (0, ()),
    b"##HL": (None, (0,)),
    b"##LD": (0, ()),
}


def check_chains(path: Path) -> None:
    """Refuse a file whose chains of groups, channels or data lead back to themselves, reach beyond its end,
    or are longer than any recording's.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        seen: set[int] = set()
        heads = [_HD_AT]
        while heads:
            for address in _chain(path, file, size, heads.pop(), heads):
                if address in seen:
                    said = f"the block at byte {address} is linked to twice"
                    raise damaged(path, "MDF", said)
                seen.add(address)
                if len(seen) > _MOST_BLOCKS:
                    raise damaged(path, "MDF", f"it has more than {_MOST_BLOCKS} groups and channels")


def _chain(path: Path, file: BinaryIO, size: int, address: int, heads: list[int]) -> Iterator[int]:
    """Yield the addresses of a chain's blocks, and gather the heads of the chains below."""
    while address:
        yield address
        if address >= 1 << 62:
            return
        file.seek(address)
        head = file.read(_HEADER.size)
        if len(head) < _HEADER.size:
            return  # beyond the end: the library says so
        kind, _, length, count = _HEADER.unpack(head)
        if address + length > size:
            raise damaged(path, "MDF", f"the block at byte {address} reaches beyond the end of the file")
        if kind not in _CHAINS:
            return
        following, below = _CHAINS[kind]
        links = file.read(8 * min(count, 8))
        addresses = struct.unpack(f"<{len(links) // 8}Q", links[: len(links) // 8 * 8])
        heads.extend(addresses[place] for place in below if place < len(addresses) and addresses[place])
        address = addresses[following] if following is not None and following < len(addresses) else 0


_MAGIC = b"MDF     "
_UNFINISHED = b"UnFinMF "
_MASTERS = (2, 3)  # types of a channel that is its group's clock, stored or counted (ASAM MDF 4.1, CN block)
_TIME = 1  # kind of a master: time, not angle or distance


class MdfReader(Reader):
    """ASAM MDF of version 4."""

    name = "MDF"
    marks = (_MAGIC, _UNFINISHED)

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Read all channels, put onto one clock: that of the rig's `group`, by its name or as ``"group 2"``,
        else of the one with most samples. A file that is not finished, or older than version 4, is refused.
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
        with groups_by_child(path, self.name, __name__, self.asked) as (groups, notes, left_out):
            for table in tables_on_one_clock(groups, path, stated=settings.group, rows=rows):
                details = {"version": version, **table.details}
                yield replace(table, details=details, notes=(*notes, *table.notes), left_out=left_out)


def read_groups(path: Path, folder: Folder) -> tuple[list[LateGroup], list[str]]:
    """The groups of an MDF 4 file and notes on what was left out, in this process; ``folder`` takes the
    numbers of each channel as it is read. Raises `ReadingError`: damaged, or too large.
    """
    asammdf = library("asammdf", extra="mdf", path=path)

    def read() -> tuple[list[LateGroup], list[str]]:
        # By an open file: of a path the library would judge the ending, and might open the file for writing.
        with path.open("rb") as source:
            measurement = asammdf.MDF(source, process_bus_logging=False, use_display_names=False)
            return _groups(measurement, path, folder)

    return guarded(path, MdfReader.name, read, asammdf.blocks.utils.MdfException, SystemError)


def _groups(measurement: Any, path: Path, folder: Folder) -> tuple[list[LateGroup], list[str]]:
    of = sum(len(group.channels) for group in measurement.groups)
    taken = [
        [
            channel.channel_type in _MASTERS or folder.chosen.takes(channel.name, of=of)
            for channel in group.channels
        ]
        for group in measurement.groups
    ]
    values = sum(
        group.channel_group.cycles_nr * sum(own) for group, own in zip(measurement.groups, taken, strict=True)
    )
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
            if not taken[index][place]:
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
        # as all samples with their marks: else the library leaves out those that are marked invalid, and all
        # that follow would stand at other times
        return measurement.get(
            group=group,
            index=place,
            record_offset=first,
            record_count=last - first,
            ignore_invalidation_bits=True,
        )

    some = signal(0, 1)
    first = as_column(name, some.unit, _with_holes(some))
    if first is None or first.is_text or some.samples.dtype.kind not in "fiub":
        whole = signal(0, count)
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
