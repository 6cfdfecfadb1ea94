"""Readers of Parquet and Feather: tables of named, typed columns."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import ReadingError
from diffbench.readers.foreign import damaged, guarded, library, refuse_too_many
from diffbench.readers.marked import MarkedReader
from diffbench.readers.protocol import RawColumn, RawTable
from diffbench.readers.raw_values import as_column

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_UNITS = (b"unit", b"units")  # keys of a column's own metadata


class ParquetReader(MarkedReader):
    """Parquet. See `diffbench.readers.protocol.Reader`."""

    name = "Parquet"
    marks = (b"PAR1",)

    def read_table(self, path: Path, settings: FileSettings) -> RawTable:  # noqa: ARG002  nothing to be stated
        """Read all columns.

        Parameters
        ----------
        path : Path
            The file.
        settings : FileSettings
            What the rig states; this format leaves nothing open.

        Returns
        -------
        Columns of numbers, texts and moments; a unit is read from a column's metadata (``unit``).

        Raises
        ------
        ReadingError : when the file is damaged or too large.
        """
        arrow = library("pyarrow", extra="parquet", path=path)
        parquet = library("pyarrow.parquet", extra="parquet", path=path)

        def read() -> RawTable:
            with path.open("rb") as source:
                file = parquet.ParquetFile(source)
                rows, width = file.metadata.num_rows, file.metadata.num_columns
                refuse_too_many(rows * width, path, "write the part of the recording that is needed")
                return _as_raw(arrow, _one_by_one(file), rows, path)

        return guarded(path, self.name, read, arrow.ArrowException)


class FeatherReader(MarkedReader):
    """Feather, which is the file format of Arrow. See `diffbench.readers.protocol.Reader`."""

    name = "Feather"
    marks = (b"ARROW1", b"FEA1")

    def read_table(self, path: Path, settings: FileSettings) -> RawTable:  # noqa: ARG002  nothing to be stated
        """Read all columns.

        Parameters
        ----------
        path : Path
            The file.
        settings : FileSettings
            What the rig states; this format leaves nothing open.

        Returns
        -------
        Columns of numbers, texts and moments; a unit is read from a column's metadata (``unit``).

        Raises
        ------
        ReadingError : when the file is damaged, too large, or of Feather's first version.
        """
        arrow = library("pyarrow", extra="parquet", path=path)
        return guarded(path, self.name, lambda: _read_feather(arrow, path), arrow.ArrowException)


def _read_feather(arrow: Any, path: Path) -> RawTable:
    with path.open("rb") as source:
        if source.read(4) == b"FEA1":
            raise ReadingError.single(
                "the file is of Feather's first version, which libraries have given up",
                file=str(path),
                mend="write it as Parquet, or as Feather version 2",
            )
        source.seek(0)
        file = arrow.ipc.open_file(source)
        rows, batches = 0, []
        for index in range(file.num_record_batches):
            batch = file.get_batch(index)
            rows += batch.num_rows
            refuse_too_many(rows * batch.num_columns, path, "write the part of the recording that is needed")
            batches.append(batch)
        return _as_raw(arrow, [arrow.Table.from_batches(batches, schema=file.schema)], rows, path)


def _one_by_one(file: Any) -> Iterator[Any]:
    """Yield a Parquet file column by column, so that little more than the result is held in memory; whole
    where names do not tell columns apart."""
    names = file.schema_arrow.names
    if len(set(names)) == len(names) == file.metadata.num_columns:
        for name in names:
            yield file.read(columns=[name], use_threads=False)
    else:
        yield file.read(use_threads=False)


def _as_raw(arrow: Any, tables: Iterable[Any], rows: int, path: Path) -> RawTable:
    """Return the columns of Arrow tables of as many rows as raw ones."""
    notes: list[str] = []
    columns: list[RawColumn] = []
    for table in tables:
        if table.num_rows != rows:
            raise damaged(path, "Parquet", f"it says {rows} rows and holds {table.num_rows} of a column")
        columns += _columns(arrow, table, notes)
    if not columns:
        raise ReadingError.single(
            "the file holds no columns of numbers or texts",
            file=str(path),
            mend="write one column a channel, one row a sample",
        )
    lines = np.arange(1, rows + 1, dtype=np.int64)
    return RawTable(tuple(columns), lines, {}, notes=tuple(notes))


def _columns(arrow: Any, table: Any, notes: list[str]) -> list[RawColumn]:
    """Return the columns of an Arrow table."""
    # A damaged file can hold offsets that point anywhere: nothing is touched before they are checked.
    table.validate(full=True)
    columns: list[RawColumn] = []
    for field, data in zip(table.schema, table.columns, strict=True):
        values = _values(arrow, field.type, data)
        metadata: Mapping[bytes, bytes] = field.metadata or {}
        unit = next((metadata[key] for key in _UNITS if key in metadata), None)
        column = None if values is None else as_column(field.name, unit, values, own=data.num_chunks > 1)
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
