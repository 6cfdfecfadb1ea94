"""A writer for each format, by the format's own library: what the readers are held against."""

from __future__ import annotations

import csv
import gzip
import io
import lzma
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import asammdf
import h5py
import nptdms
import numpy as np
import openpyxl
import pyarrow as pa
import zstandard
from pyarrow import feather, parquet

from diffbench.documents import FileSettings
from diffbench.readers import READERS, RawTable, Reader

Columns = Mapping[str, Sequence[float] | Sequence[str]]


def is_words(values: Sequence[float] | Sequence[str]) -> bool:
    """Whether a column holds texts."""
    return isinstance(values[0], str)


def as_text(columns: Columns) -> bytes:
    """Delimited text by the standard library; NaN as an empty cell."""
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(columns)
    for row in zip(*columns.values(), strict=True):
        writer.writerow(["" if isinstance(cell, float) and np.isnan(cell) else cell for cell in row])
    return file.getvalue().encode()


def write_text(path: Path, columns: Columns) -> None:
    """Write delimited text."""
    path.write_bytes(as_text(columns))


def write_gzip(path: Path, columns: Columns) -> None:
    """Write text compressed by gzip."""
    path.write_bytes(gzip.compress(as_text(columns)))


def write_xz(path: Path, columns: Columns) -> None:
    """Write text compressed by xz."""
    path.write_bytes(lzma.compress(as_text(columns)))


def write_zstandard(path: Path, columns: Columns) -> None:
    """Write text compressed by Zstandard."""
    path.write_bytes(zstandard.ZstdCompressor().compress(as_text(columns)))


def write_zip(path: Path, columns: Columns) -> None:
    """Write an archive that holds one text."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("log.csv", as_text(columns))


def write_array(path: Path, columns: Columns) -> None:
    """Write a structured array, one field a column."""
    arrays = {name: np.asarray(values) for name, values in columns.items()}
    dtype = [(name, array.dtype) for name, array in arrays.items()]
    table = np.empty(len(next(iter(arrays.values()))), dtype=dtype)
    for name, array in arrays.items():
        table[name] = array
    with path.open("wb") as file:
        np.save(file, table)


def book(path: Path, **sheets: list[list[object]]) -> Path:
    """A workbook of several sheets, cell by cell."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(row)
    made.save(path)
    return path


def write_workbook(path: Path, columns: Columns) -> None:
    """Write a workbook whose only sheet holds the table."""
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("Sweep")
    sheet.append(list(columns))
    for row in zip(*columns.values(), strict=True):
        sheet.append([None if isinstance(cell, float) and np.isnan(cell) else cell for cell in row])
    with path.open("wb") as file:
        book.save(file)


def as_arrow(columns: Columns) -> pa.Table:
    """An Arrow table; NaN as null."""
    return pa.table(
        {
            name: pa.array(values if is_words(values) else np.asarray(values, float), from_pandas=True)
            for name, values in columns.items()
        }
    )


def write_parquet(path: Path, columns: Columns) -> None:
    """Write Parquet."""
    parquet.write_table(as_arrow(columns), path)


def write_feather(path: Path, columns: Columns) -> None:
    """Write Feather, version 2."""
    feather.write_feather(as_arrow(columns), str(path))


def write_mdf(path: Path, columns: Columns) -> None:
    """Write MDF 4: the first column is the group's clock, as loggers have it."""
    (clock, time), *channels = columns.items()
    signals = [
        asammdf.Signal(
            np.array([text.encode() for text in values]) if is_words(values) else np.asarray(values, float),
            np.asarray(time, float),
            name=name,
            encoding="utf-8" if is_words(values) else None,
        )
        for name, values in channels
    ]
    measurement = asammdf.MDF(version="4.10")
    measurement.append(signals, acq_name="Sweep")
    measurement.groups[0].channels[0].name = clock
    # The library puts an ending of its own behind any other.
    saved = measurement.save(path.with_name(f"{path.name}.mf4"), overwrite=True)
    measurement.close()
    Path(saved).rename(path)


def write_tdms(path: Path, columns: Columns) -> None:
    """Write TDMS, all channels in one group."""
    with nptdms.TdmsWriter(str(path)) as writer:
        writer.write_segment(
            [
                nptdms.ChannelObject("Sweep", name, list(values) if is_words(values) else np.asarray(values))
                for name, values in columns.items()
            ]
        )


def write_hdf5(path: Path, columns: Columns) -> None:
    """Write HDF5, one dataset a channel, in the order of the columns."""
    with h5py.File(path, "w", track_order=True) as file:
        group = file.create_group("Sweep", track_order=True)
        for name, values in columns.items():
            group.create_dataset(without_slash(name), data=list(values))


def without_slash(name: str) -> str:
    """A name as HDF5 can have it: a slash would part a group."""
    return name.replace("/", "\u2215")


@dataclass(frozen=True)
class Format:
    """A format: what its reader calls it, and how a file is written by the format's own means."""

    name: str
    called: str
    write: Callable[[Path, Columns], None]
    named: Callable[[str], str] = str  # how a column is called in the file

    @property
    def reader(self) -> Reader:
        """The reader in the list."""
        return next(reader for reader in READERS if reader.name == self.called)

    def read(self, path: Path) -> RawTable:
        """The whole of a file by that reader, whatever others would make of it."""
        (table,) = self.reader.read_tables(path, FileSettings())
        return table


FORMATS = (
    Format("text", "delimited text", write_text),
    Format("gzip", "compressed text", write_gzip),
    Format("xz", "compressed text", write_xz),
    Format("zstd", "compressed text", write_zstandard),
    Format("zip", "compressed text", write_zip),
    Format("npy", "NumPy array file", write_array),
    Format("xlsx", "workbook", write_workbook),
    Format("parquet", "Parquet", write_parquet),
    Format("feather", "Feather", write_feather),
    Format("mdf", "MDF", write_mdf),
    Format("tdms", "TDMS", write_tdms),
    Format("hdf5", "HDF5", write_hdf5, without_slash),
)
