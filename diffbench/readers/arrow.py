"""Readers of Parquet and Feather: tables of named, typed columns.

Their library is no Python, and ends the program over some damaged files: it works in a process apart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import ReadingError
from diffbench.readers.child import Folder, groups_by_child
from diffbench.readers.libraries import as_column, guarded, library, most_in_parts, refuse_too_many, require
from diffbench.readers.on_demand import AT_ONCE, LateColumn, LateGroup, even_parts
from diffbench.readers.protocol import RawTable, Reader

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

BARRED = ("pandas",)  # the library loads it where it can, for nothing that is needed here: 0.2 s
_BUFFER = 1 << 20  # bytes read at once
_UNITS = (b"unit", b"units")  # keys of a column's own metadata
_MEND = "write the part of the recording that is needed"
_PARQUET, _FEATHER = b"PAR1", b"ARROW1"


class ParquetReader(Reader):
    """Parquet: columns of numbers, texts and moments; a unit is read from a column's metadata (``unit``)."""

    name = "Parquet"
    marks = (_PARQUET,)

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Read all columns; the rig states nothing of this format."""
        yield from _tables(path, self, rows)


class FeatherReader(Reader):
    """Feather, which is the file format of Arrow: as Parquet."""

    name = "Feather"
    marks = (_FEATHER, b"FEA1")

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Refuse what is of the first version, which the library has given up."""
        with path.open("rb") as file:
            if file.read(4) == b"FEA1":
                raise ReadingError.single(
                    "the file is of Feather's first version, which libraries have given up",
                    file=str(path),
                    mend="write it as Parquet, or as Feather version 2",
                )
        yield from _tables(path, self, rows)


def _tables(path: Path, reader: Reader, rows: int | None) -> Iterator[RawTable]:
    require("pyarrow", extra="parquet", path=path)
    with groups_by_child(path, reader.name, __name__, reader.asked) as (groups, notes, left_out):
        if not groups:
            raise ReadingError.single(
                "the file holds no columns of numbers or texts",
                file=str(path),
                mend="write one column a channel, one row a sample",
            )
        (group,) = groups
        parts = even_parts(len(group), rows)
        if len(parts) == 1:
            refuse_too_many(len(group) * len(group.columns), path, _MEND)
        for first, last in parts:
            lines = np.arange(first + 1, last + 1, dtype=np.int64)
            columns = group.part(first, last).columns
            more = last < len(group)
            yield RawTable(columns, lines, notes=tuple(notes), more=more, left_out=left_out)
            del columns


@dataclass(frozen=True)
class _Open:
    """An open file: its rows, its columns, and the pieces of each column in turn."""

    rows: int
    schema: Any
    pieces: Callable[[int], Iterator[Any]]


def read_groups(path: Path, folder: Folder) -> tuple[list[LateGroup], list[str]]:
    """All columns of a Parquet or Feather file as one group, without a clock, in this process; none where
    there is no column. Each goes to `folder` as it is read. Raises `ReadingError`: damaged, or too large.
    """
    arrow = library("pyarrow", extra="parquet", path=path)
    with path.open("rb") as source:
        is_parquet = source.read(4) == _PARQUET
        source.seek(0)

        def read() -> tuple[list[LateGroup], list[str]]:
            opened = _parquet(path, source) if is_parquet else _feather(arrow, source)
            of = len(opened.schema)
            places = [i for i, one in enumerate(opened.schema) if folder.chosen.takes(one.name, of=of)]
            refuse_too_many(opened.rows * max(1, len(places)), path, _MEND, most=most_in_parts(path))
            return _groups(arrow, opened, places, folder)

        name = ParquetReader.name if is_parquet else FeatherReader.name
        return guarded(path, name, read, arrow.ArrowException)


def _parquet(path: Path, source: Any) -> _Open:
    parquet = library("pyarrow.parquet", extra="parquet", path=path)
    # pages come through a buffer: a file may hold all its rows in one group
    file = parquet.ParquetFile(source, buffer_size=_BUFFER, pre_buffer=False)
    names = file.schema_arrow.names
    apart = len(set(names)) == len(names)

    def pieces(place: int) -> Iterator[Any]:
        # column by column, so that little is held in memory; all where names do not tell them apart
        chosen = [names[place]] if apart else None
        for batch in file.iter_batches(batch_size=AT_ONCE, columns=chosen, use_threads=False):
            yield batch.column(0 if apart else place)

    return _Open(file.metadata.num_rows, file.schema_arrow, pieces)


def _feather(arrow: Any, source: Any) -> _Open:
    def opened(*places: int) -> Any:
        source.seek(0)
        options = arrow.ipc.IpcReadOptions(use_threads=False, included_fields=list(places))
        return arrow.ipc.open_file(source, options=options)

    def pieces(place: int) -> Iterator[Any]:
        file = opened(place)
        for index in range(file.num_record_batches):
            yield file.get_batch(index).column(0)

    schema = arrow.ipc.open_file(source).schema
    rows = sum(len(piece) for piece in pieces(0)) if len(schema) else 0
    return _Open(rows, schema, pieces)


def _groups(
    arrow: Any, opened: _Open, places: list[int], folder: Folder
) -> tuple[list[LateGroup], list[str]]:
    columns: list[LateColumn] = []
    notes: list[str] = []
    for place in places:
        field = opened.schema.field(place)
        metadata: Mapping[bytes, bytes] = field.metadata or {}
        unit = next((metadata[key] for key in _UNITS if key in metadata), None)
        pieces = _values_of(arrow, field, opened.pieces(place))
        first = next(pieces, None)
        column = None if first is None else as_column(field.name, unit, first[:0])
        if first is None or column is None:
            notes.append(f"Column '{field.name}' is left out: it is of type {field.type}.")
            continue
        made = _as_raw(chain([first], pieces), opened.rows)
        kept = folder.keep_texts(made) if column.is_text else folder.keep_pieces(made)
        columns.append(LateColumn(column.name, column.unit, kept))
    return ([LateGroup("", tuple(columns), None)] if columns else []), notes


def _values_of(arrow: Any, field: Any, pieces: Iterator[Any]) -> Iterator[NDArray[Any]]:
    """Yield the values of a column piece by piece, an empty piece first; nothing for a type that no channel
    has."""
    empty = _values(arrow, field.type, arrow.nulls(0, field.type))
    if empty is None:
        return
    yield empty
    for piece in pieces:
        # A damaged file can hold offsets that point anywhere: nothing is touched before they are checked.
        piece.validate(full=True)
        values = _values(arrow, field.type, piece)
        assert values is not None
        yield values


def _as_raw(pieces: Iterable[NDArray[Any]], rows: int) -> Iterator[Any]:
    """Yield a column's values as floats or texts; moments count from the first of all that is there."""
    since: np.datetime64 | None = None
    count = 0
    for values in pieces:
        if values.dtype.kind == "M" and since is None:
            there = values[~np.isnat(values)]
            since = there[0] if len(there) else None
        column = as_column("", None, values, own=True, since=since)
        if column is None:
            msg = "a column holds more than one value a row"
            raise ValueError(msg)
        count += len(values)
        if count > rows:
            break
        yield column.values
    if count != rows:
        msg = f"it says {rows} rows and holds {count} of a column"
        raise ValueError(msg)


def _values(arrow: Any, kind: Any, data: Any) -> NDArray[Any] | None:
    """Return the values of a piece of a column; None for a type that no channel has."""
    types = arrow.types

    def plain_numbers() -> NDArray[Any]:
        # Without a cast, for which the library loads all that it can compute: as long as to read a sweep.
        return np.asarray(data.to_numpy(zero_copy_only=False), dtype=np.float64)

    def numbers() -> NDArray[Any]:
        # Not `to_numpy` of the column itself: that makes objects of truth values and decimals.
        return np.asarray(
            data.cast(arrow.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64
        )

    def moments() -> NDArray[Any]:
        return np.asarray(data.to_numpy(zero_copy_only=False))

    def days() -> NDArray[Any]:
        return np.asarray(data.cast(arrow.timestamp("ms")).to_numpy(zero_copy_only=False))

    def clock_times() -> NDArray[Any]:
        wide = data.cast(arrow.time64("ns")).cast(arrow.int64())
        return np.asarray(wide.to_numpy(zero_copy_only=False), dtype=np.float64).astype("timedelta64[ns]")

    def texts() -> NDArray[Any]:
        return np.array([value or "" for value in data.to_pylist()], dtype=np.object_)

    if types.is_dictionary(kind):
        return _values(arrow, kind.value_type, data.cast(kind.value_type))
    ways: tuple[tuple[str, Callable[[], NDArray[Any]]], ...] = (
        ("boolean", numbers),
        ("integer", plain_numbers),
        ("floating", plain_numbers),
        ("decimal", numbers),
        ("timestamp", moments),
        ("duration", moments),
        ("date", days),
        ("time", clock_times),
        ("string", texts),
        ("large_string", texts),
        ("null", lambda: np.full(len(data), np.nan)),
    )
    return next((read() for name, read in ways if getattr(types, f"is_{name}")(kind)), None)
