"""Reader of HDF5 files: one dataset a channel in groups, or one table of named fields."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import ReadingError
from diffbench.readers.child import Folder, groups_by_child
from diffbench.readers.clock import clock_among, tables_on_one_clock
from diffbench.readers.libraries import as_column, guarded, library, most_in_parts, refuse_too_many, require
from diffbench.readers.on_demand import LateColumn, LateGroup, OnDemand
from diffbench.readers.protocol import RawColumn, RawTable, Reader

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_MAGIC = b"\x89HDF\r\n\x1a\n"
_USER_BLOCKS = (0, 512, 1024, 2048, 4096, 8192, 16384, 32768)  # where the mark may stand (HDF5 spec., II.A)
_UNITS = ("units", "unit", "Unit", "Units")
_FILL = ("_FillValue", "missing_value")  # Climate and Forecast conventions 1.11, section 2.5.1
_MOST_DATASETS = 10_000


class Hdf5Reader(Reader):
    """HDF5, netCDF 4 among it, with the units that attributes state."""

    name = "HDF5"

    def recognises(self, head: bytes) -> bool:
        """Tell whether the format's own mark stands at the beginning, or behind a user's block."""
        return any(head.startswith(_MAGIC, at) for at in _USER_BLOCKS)

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Read all datasets of one number or text a sample, put onto one clock: that of the rig's `group`, a
        path as ``"runs/sweep"``, else of the group with most samples. Links that lead out of the file are
        not followed.
        """
        require("h5py", extra="hdf5", path=path)
        path.open("rb").close()
        with groups_by_child(path, self.name, __name__, self.asked) as (groups, notes, left_out):
            for table in tables_on_one_clock(groups, path, stated=settings.group, rows=rows):
                yield replace(table, notes=(*notes, *table.notes), left_out=left_out)


def read_groups(path: Path, folder: Folder) -> tuple[list[LateGroup], list[str]]:
    """The groups of an HDF5 file and notes on what was left out, in this process; ``folder`` takes the
    numbers of each dataset while the file is open. Raises `ReadingError`: damaged, too large, or its numbers
    are in other files.
    """
    h5py = library("h5py", extra="hdf5", path=path)
    notes: list[str] = []

    def read() -> list[LateGroup]:
        with h5py.File(path, "r") as file:
            return _groups(h5py, file, path, notes, folder)

    return guarded(path, Hdf5Reader.name, read), notes


def _groups(h5py: Any, file: Any, path: Path, notes: list[str], folder: Folder) -> list[LateGroup]:
    """Return the datasets, those of one parent and one length together."""
    datasets = list(islice(_datasets(h5py, file), _MOST_DATASETS + 1))
    if len(datasets) > _MOST_DATASETS:
        raise ReadingError.single(
            f"the file holds more than {_MOST_DATASETS} datasets",
            file=str(path),
            mend="export the recording alone",
        )
    of = sum(len(node.dtype.names or (name,)) for name, node in datasets)
    units = {name: _units(node) for name, node in datasets}
    taken = {
        (name, own): node
        for name, node in datasets
        for own in node.dtype.names or (name.rpartition("/")[2],)
        if folder.chosen.takes(own, of=of, unit=units[name].get(own))
    }
    refuse_too_many(
        sum(int(node.size or 0) for node in taken.values()),
        path,
        "export the part of the recording that is needed",
        most=most_in_parts(path),
    )
    found: dict[tuple[str, int], list[RawColumn | LateColumn]] = {}
    for (name, own), node in taken.items():
        if node.external or node.is_virtual:
            raise ReadingError.single(
                f"the dataset '{name}' keeps its numbers in other files, which are not opened",
                file=str(path),
                mend="copy it into one file of its own",
            )
        if node.ndim != 1:
            notes.append(f"Dataset '{name}' is left out: it has {node.ndim} dimensions, a channel has one.")
            continue
        parent = name.rpartition("/")[0]
        if node.dtype.names:
            column = _column(own, units[name].get(own), node.fields(own), node.dtype[own], folder)
            if column is not None:
                found.setdefault((name, len(node)), []).append(column)
            continue
        column = _column(own, units[name].get(own), node, node.dtype, folder, attributes=node.attrs)
        if column is None:
            notes.append(f"Dataset '{name}' is left out: it holds no single numbers or texts.")
        elif len(column.values):
            found.setdefault((parent or "/", len(node)), []).append(column)
    groups: list[LateGroup] = []
    for (parent, _), columns in found.items():
        own_clock, time = clock_among(columns)
        groups.append(LateGroup(parent, tuple(columns), time, own_clock))
    return groups


def _column(
    name: str,
    unit: object,
    node: Any,
    kind: Any,
    folder: Folder,
    *,
    attributes: Mapping[str, Any] | None = None,
) -> RawColumn | LateColumn | None:
    """Return one column: numbers as they were put aside, words as they are."""
    if kind.kind not in "fiub" or kind.shape:
        return as_column(name, unit, np.asarray(node[:]))
    named = as_column(name, unit, np.empty(0))
    assert named is not None

    def read(first: int, last: int) -> NDArray[np.float64]:
        return _unpacked(np.asarray(node[first:last]), attributes or {})

    return LateColumn(named.name, named.unit, folder.keep(OnDemand(len(node), read)))


def _datasets(h5py: Any, file: Any) -> Iterator[tuple[str, Any]]:
    """Yield path and dataset of everything in a file, in the file's order where it keeps one."""
    seen: set[int] = set()
    waiting: list[tuple[str, Any]] = [("", file)]
    while waiting:
        path, node = waiting.pop()
        place = h5py.h5o.get_info(node.id).addr
        if place in seen:
            continue  # a group may hold itself
        seen.add(place)
        if isinstance(node, h5py.Dataset):
            yield path, node
        elif isinstance(node, h5py.Group):
            # Hard links alone are followed: the others could lead out of the file.
            inside = [name for name in node if isinstance(node.get(name, getlink=True), h5py.HardLink)]
            waiting += [(f"{path}/{name}".lstrip("/"), node[name]) for name in reversed(inside)]


def _units(node: Any) -> dict[str, object]:
    """Return the unit of a dataset by its name, and those of a table's fields: an attribute that has one text
    a field."""
    if not node.dtype.names:
        own = node.name.rpartition("/")[2]
        return {own: next((node.attrs[key] for key in _UNITS if key in node.attrs), None)}
    for key in _UNITS:
        if key in node.attrs and np.shape(node.attrs[key]) == (len(node.dtype.names),):
            return dict(zip(node.dtype.names, node.attrs[key], strict=True))
    return {}


def _unpacked(values: NDArray[Any], attributes: Mapping[str, Any]) -> NDArray[np.float64]:
    """Return values of a dataset, with fill values missing and a packing undone."""
    numbers = values.astype(np.float64)
    if values.dtype.kind not in "fiu":
        return numbers
    for key in _FILL:
        if key in attributes:
            numbers = np.where(np.isin(values, attributes[key]), np.nan, numbers)
    # value = packed * scale_factor + add_offset (Climate and Forecast conventions 1.11, section 8.1)
    for key, apply in (("scale_factor", np.multiply), ("add_offset", np.add)):
        if key in attributes:
            numbers = apply(numbers, float(np.ravel(attributes[key])[0]))
    return numbers
