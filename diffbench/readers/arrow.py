"""Readers of Parquet and Feather: tables of named, typed columns."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import ReadingError
from diffbench.readers.foreign import damaged, guarded_each, library, most_in_parts, refuse_too_many
from diffbench.readers.marked import MarkedReader
from diffbench.readers.protocol import RawColumn, RawTable
from diffbench.readers.raw_values import as_column
from diffbench.readers.whole_or_parts import ReadsInParts, even_parts

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_BUFFER = 1 << 20  # bytes read at once
_BATCH = 1 << 16  # rows decoded at once, where the file is read in parts
_UNITS = (b"unit", b"units")  # keys of a column's own metadata


class ParquetReader(MarkedReader, ReadsInParts):
    """Parquet. See `diffbench.readers.protocol.Reader`."""

    name = "Parquet"
    marks = (b"PAR1",)

    def read_tables(
        self,
        path: Path,
        settings: FileSettings,  # noqa: ARG002  nothing to be stated
        *,
        rows: int | None = None,
    ) -> Iterator[RawTable]:
        """Read all columns.

        Parameters
        ----------
        path : Path
            The file.
        settings : FileSettings
            What the rig states; this format leaves nothing open.
        rows : int, optional
            Rows of a part. Without, all is one.

        Returns
        -------
        Columns of numbers, texts and moments; a unit is read from a column's metadata (``unit``).

        Raises
        ------
        ReadingError : when the file is damaged or too large.
        """
        arrow = library("pyarrow", extra="parquet", path=path)
        parquet = library("pyarrow.parquet", extra="parquet", path=path)

        def read() -> Iterator[RawTable]:
            with path.open("rb") as source:
                # pages come through a buffer: a file may hold all its rows in one group
                file = parquet.ParquetFile(source, buffer_size=_BUFFER, pre_buffer=False)
                count, width = file.metadata.num_rows, file.metadata.num_columns
                parts = even_parts(count, rows)
                most = None if len(parts) == 1 else most_in_parts(path)
                refuse_too_many(
                    count * width, path, "write the part of the recording that is needed", most=most
                )
                if len(parts) == 1:
                    yield _as_raw(arrow, _one_by_one(file), parts[0], path, {})
                else:
                    batches = file.iter_batches(batch_size=_BATCH, use_threads=False)
                    yield from _in_parts(arrow, batches, parts, path)

        return guarded_each(path, self.name, read(), arrow.ArrowException)


class FeatherReader(MarkedReader, ReadsInParts):
    """Feather, which is the file format of Arrow. See `diffbench.readers.protocol.Reader`."""

    name = "Feather"
    marks = (b"ARROW1", b"FEA1")

    def read_tables(
        self,
        path: Path,
        settings: FileSettings,  # noqa: ARG002  nothing to be stated
        *,
        rows: int | None = None,
    ) -> Iterator[RawTable]:
        """Read all columns.

        Parameters
        ----------
        path : Path
            The file.
        settings : FileSettings
            What the rig states; this format leaves nothing open.
        rows : int, optional
            Rows of a part. Without, all is one.

        Returns
        -------
        Columns of numbers, texts and moments; a unit is read from a column's metadata (``unit``).

        Raises
        ------
        ReadingError : when the file is damaged, too large, or of Feather's first version.
        """
        arrow = library("pyarrow", extra="parquet", path=path)
        return guarded_each(path, self.name, _feather_tables(arrow, path, rows), arrow.ArrowException)


def _feather_tables(arrow: Any, path: Path, rows: int | None) -> Iterator[RawTable]:
    with path.open("rb") as source:
        if source.read(4) == b"FEA1":
            raise ReadingError.single(
                "the file is of Feather's first version, which libraries have given up",
                file=str(path),
                mend="write it as Parquet, or as Feather version 2",
            )
        source.seek(0)
        file = arrow.ipc.open_file(source)
        count, width, mend = 0, len(file.schema), "write the part of the recording that is needed"
        for index in range(file.num_record_batches):
            count += file.get_batch(index).num_rows
            refuse_too_many(count * width, path, mend, most=None if rows is None else most_in_parts(path))
        parts = even_parts(count, rows)
        if len(parts) == 1:
            refuse_too_many(count * width, path, mend)
        batches = (file.get_batch(index) for index in range(file.num_record_batches))
        if len(parts) == 1:
            yield _as_raw(arrow, [arrow.Table.from_batches(list(batches), file.schema)], parts[0], path, {})
        else:
            yield from _in_parts(arrow, batches, parts, path)


def _in_parts(
    arrow: Any, batches: Iterable[Any], parts: Sequence[tuple[int, int]], path: Path
) -> Iterator[RawTable]:
    """Yield the rows of Arrow's batches in parts."""
    waiting: list[Any] = []
    origins: dict[str, np.datetime64] = {}
    held = place = 0
    for batch in batches:
        waiting.append(batch)
        held += batch.num_rows
        while place < len(parts) and held >= (count := parts[place][1] - parts[place][0]):
            table = arrow.Table.from_batches(waiting)
            waiting, held = table.slice(count).to_batches(), held - count
            made = _as_raw(arrow, [table.slice(0, count)], parts[place], path, origins)
            del table
            place += 1
            yield replace(made, more=place < len(parts))
    if place < len(parts):
        raise damaged(path, "Parquet", f"it says {parts[-1][1]} rows and holds fewer")


def _one_by_one(file: Any) -> Iterator[Any]:
    """Yield a Parquet file column by column, so that little more than the result is held in memory; whole
    where names do not tell columns apart."""
    names = file.schema_arrow.names
    if len(set(names)) == len(names) == file.metadata.num_columns:
        for name in names:
            yield file.read(columns=[name], use_threads=False)
    else:
        yield file.read(use_threads=False)


def _as_raw(
    arrow: Any,
    tables: Iterable[Any],
    part: tuple[int, int],
    path: Path,
    origins: dict[str, np.datetime64],
) -> RawTable:
    """Return the columns of Arrow tables that hold a part of the rows as raw ones; ``origins`` are the
    moments from which columns of moments count, filled on the way."""
    notes: list[str] = []
    columns: list[RawColumn] = []
    first, last = part
    for table in tables:
        if table.num_rows != last - first:
            raise damaged(
                path, "Parquet", f"it says {last - first} rows and holds {table.num_rows} of a column"
            )
        columns += _columns(arrow, table, notes, origins)
    if not columns:
        raise ReadingError.single(
            "the file holds no columns of numbers or texts",
            file=str(path),
            mend="write one column a channel, one row a sample",
        )
    lines = np.arange(first + 1, last + 1, dtype=np.int64)
    return RawTable(tuple(columns), lines, {}, notes=tuple(notes))


def _columns(arrow: Any, table: Any, notes: list[str], origins: dict[str, np.datetime64]) -> list[RawColumn]:
    """Return the columns of an Arrow table."""
    # A damaged file can hold offsets that point anywhere: nothing is touched before they are checked.
    table.validate(full=True)
    columns: list[RawColumn] = []
    for field, data in zip(table.schema, table.columns, strict=True):
        values = _values(arrow, field.type, data)
        metadata: Mapping[bytes, bytes] = field.metadata or {}
        unit = next((metadata[key] for key in _UNITS if key in metadata), None)
        if values is not None and values.dtype.kind == "M" and field.name not in origins:
            there = values[~np.isnat(values)]
            origins |= {field.name: there[0]} if len(there) else {}
        own = data.num_chunks > 1
        column = (
            None
            if values is None
            else as_column(field.name, unit, values, own=own, since=origins.get(field.name))
        )
        if column is None:
            notes.append(f"Column '{field.name}' is left out: it is of type {field.type}.")
        else:
            columns.append(column)
    return columns


def _values(arrow: Any, kind: Any, data: Any) -> NDArray[Any] | None:
    """Return the values of one column; None for a type that no channel has. Those of several chunks are put
    together in new memory, those of a single one are the library's."""
    types = arrow.types

    def numbers() -> NDArray[Any]:
        # Not `to_numpy` of the column itself: that makes objects of truth values and decimals.
        return np.asarray(data.cast(arrow.float64(), safe=False).to_numpy(), dtype=np.float64)

    def moments() -> NDArray[Any]:
        return np.asarray(data.to_numpy())

    def days() -> NDArray[Any]:
        return np.asarray(data.cast(arrow.timestamp("ms")).to_numpy())

    def clock_times() -> NDArray[Any]:
        wide = data.cast(arrow.time64("ns")).cast(arrow.int64())
        return np.asarray(wide.to_numpy(), dtype=np.float64).astype("timedelta64[ns]")

    def texts() -> NDArray[Any]:
        return np.array([value or "" for value in data.to_pylist()], dtype=np.object_)

    if types.is_dictionary(kind):
        return _values(arrow, kind.value_type, data.cast(kind.value_type))
    ways: tuple[tuple[str, Callable[[], NDArray[Any]]], ...] = (
        ("boolean", numbers),
        ("integer", numbers),
        ("floating", numbers),
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
