"""The list of readers, and the one way to a recording: from a file, whole or in parts, or from columns."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import ReadingError
from diffbench.readers.array_file import ArrayFileReader
from diffbench.readers.arrow import FeatherReader, ParquetReader
from diffbench.readers.compressed import CompressedTextReader
from diffbench.readers.hdf5 import Hdf5Reader
from diffbench.readers.libraries import as_column
from diffbench.readers.mdf import MdfReader
from diffbench.readers.protocol import RawColumn, RawTable, Reader
from diffbench.readers.tdms import TdmsReader
from diffbench.readers.text.reader import TextReader
from diffbench.readers.workbook import WorkbookReader
from diffbench.recording import Columns, Recording, Source

if TYPE_CHECKING:
    from diffbench.documents import FileSettings, LogSheet, Rig
    from diffbench.readers.asked import Asked
    from diffbench.readers.mapping import Before

ROWS = 1_000_000  # samples of a part: 17 minutes at 1 kHz, some 64 MB
HEAD_SIZE = 1 << 16  # bytes that a reader may look at to recognise its format

# Text comes last: it takes whatever is not binary.
READERS: tuple[Reader, ...] = (
    ArrayFileReader(),
    ParquetReader(),
    FeatherReader(),
    MdfReader(),
    TdmsReader(),
    Hdf5Reader(),
    WorkbookReader(),
    CompressedTextReader(),
    TextReader(),
)

_KNOWN_BINARY = (
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "an image"),
    (b"BZh", "bzip2-compressed"),
    (b"7z\xbc\xaf", "a 7-Zip archive"),
    (b"Rar!", "a RAR archive"),
    (b"\x00\x00\x00\x00", "nothing but zeros at its start"),
)


def read_recording(path: Path, rig: Rig | LogSheet, *, kind: str) -> Recording:
    """Read one recording, in whatever listed format it is.

    Parameters
    ----------
    path : Path
        The file.
    rig : Rig
        The bench it was taken on.
    kind : str
        Kind of the run: ``"tare"``, ``"bias-sweep"``, ``"speed-sweep"`` or ``"turning-torque"``.

    Returns
    -------
    The recording in SI; gain, zero and sign of the transducers are not applied.

    Raises
    ------
    ReadingError : when the file cannot be opened, is empty, of no listed format, or does not hold what the
        rig says; with file, line, column and mend, all faults at once.
    """
    from diffbench.readers.asked import Asked
    from diffbench.readers.mapping import to_recording  # late: a child process needs neither it nor papers

    table, source = read_raw(path, rig.file, asked=Asked.by(rig))
    return to_recording(table, rig, source, kind=kind, in_place=True)


def read_parts(path: Path, rig: Rig | LogSheet, *, kind: str, rows: int = ROWS) -> Iterator[Recording]:
    """Read one recording in parts, of which one is in memory at a time, in whatever listed format it is.

    Parameters
    ----------
    path, rig, kind : Path, Rig, str
        As in `read_recording`.
    rows : int
        Samples of a part, about; up to five quarters of that, all is one part.

    Returns
    -------
    The parts, one after the other; their time goes on from part to part.

    Raises
    ------
    ReadingError : as `read_recording`, perhaps after some of the parts.
    """
    from diffbench.readers.asked import Asked
    from diffbench.readers.mapping import to_part, to_recording

    before: Before | None = None
    for table, source in raw_tables(path, rig.file, rows=rows, asked=Asked.by(rig)):
        last = table.last_row() if table.more else None
        if before is None and last is None:
            yield to_recording(table, rig, source, kind=kind, in_place=True)
            continue
        part, before = to_part(table, rig, source, kind=kind, before=before, last=last)
        del table
        yield part
        del part


def recording_from(columns: Columns, rig: Rig | LogSheet, *, kind: str, name: str) -> Recording:
    """Return a recording from columns in memory, read as those of a file would be.

    Parameters
    ----------
    columns : mapping or data frame
        Values, shape (n,), by the column names that the rig gives; in the rig's units, or that of the name.
        Numbers (NaN, None or masked where one is missing), texts, or moments.
    rig : Rig
        The bench it was taken on.
    kind : str
        Kind of the run.
    name : str
        What messages call it.

    Returns
    -------
    The recording in SI; gain, zero and sign of the transducers are not applied. Nothing of what was given is
    changed. Its digest is of names and values, so that no recording is counted twice.

    Raises
    ------
    ReadingError : when the columns are not what the rig says, all faults at once.
    """
    from diffbench.readers.mapping import to_recording  # late: a child process needs neither it nor papers

    raw = tuple(_in_memory(str(label), values, name) for label, values in columns.items())
    lengths = {len(column.values): column.name for column in raw}
    if len(lengths) > 1:
        said = ", ".join(f"'{label}' has {count}" for count, label in lengths.items())
        raise ReadingError.single(
            f"the columns are of different lengths: {said}", file=name, mend="give one value for each sample"
        )
    digest, size = hashlib.sha256(), 0
    for column in raw:
        text = "\n".join(column.values.tolist()).encode() if column.is_text else column.values.tobytes()
        digest.update(f"{column.name}\n{len(text)}\n".encode("utf-8", "replace") + text)
        size += len(text)
    rows = np.arange(1, next(iter(lengths), 0) + 1)
    source = Source(Path(name), digest.hexdigest(), size, "columns in memory")
    return to_recording(RawTable(raw, rows), rig, source, kind=kind)


def read_raw(path: Path, settings: FileSettings, *, asked: Asked | None = None) -> tuple[RawTable, Source]:
    """All columns of one recording as they stand in its file, or of very many those that are ``asked`` for by
    name, and which bytes they were read from; errors as `read_recording`.
    """
    (found,) = raw_tables(path, settings, rows=None, asked=asked)
    return found


def raw_tables(
    path: Path,
    settings: FileSettings,
    *,
    rows: int | None = ROWS,
    asked: Asked | None = None,
) -> Iterator[tuple[RawTable, Source]]:
    """All columns of one recording as they stand in its file, or of very many those that are ``asked`` for by
    name, in parts of about ``rows``, and which bytes they were all read from. Raises as `read_raw`, perhaps
    after some of the parts.
    """
    path = Path(path)
    try:
        before = _stat(path)
        if not stat.S_ISREG(before.st_mode):
            raise ReadingError.single(
                "this is no file that can be read", file=str(path), mend="name the recording itself"
            )
        with path.open("rb") as file:
            head = file.read(HEAD_SIZE)
        reader = reader_for(head, path)
        reader = reader if asked is None else reader.asking(asked)
        # First and not beside the parsing: two threads cost each other more than they save.
        sha256 = _sha256(path)
        for table in reader.read_tables(path, settings, rows=rows):
            yield table, Source(path, sha256, before.st_size, reader.name, table.details)
            del table
        after = path.stat()
    except OSError as error:
        raise ReadingError.single(
            f"the file cannot be read: {error.strerror or error}",
            file=str(path),
            mend="check the path and its permissions",
        ) from None
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        raise ReadingError.single(
            "the file was written to while it was read",
            file=str(path),
            mend="wait until the bench has finished",
        )


def reader_for(head: bytes, path: Path) -> Reader:
    """The first of `READERS` that recognises a file by its first `HEAD_SIZE` bytes. Raises `ReadingError`
    when none does; it says what the bytes look like.

    >>> reader_for(b"t;M\\n0;1\\n", Path("sweep.dat")).name
    'delimited text'
    """
    if not head:
        raise ReadingError.single(
            "the file is empty", file=str(path), mend="record it again, or name another file"
        )
    for reader in READERS:
        if reader.recognises(head):
            return reader
    looks = next((words for magic, words in _KNOWN_BINARY if head.startswith(magic)), "binary")
    formats = ", ".join(reader.name for reader in READERS)
    raise ReadingError.single(
        f"the file is {looks}, which is not read here",
        file=str(path),
        mend=f"export it from the bench as one of: {formats}",
    )


def _stat(path: Path) -> os.stat_result:
    try:
        return path.stat()
    except ValueError as error:  # a zero byte, or half a surrogate pair
        raise ReadingError.single(
            f"no file can have this name ({error})", file=str(path), mend="name the recording itself"
        ) from None


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _in_memory(label: str, values: object, name: str) -> RawColumn:
    array = _array(values)
    column = as_column(label, None, array)
    if column is None:
        raise ReadingError.single(
            f"the values are of type {array.dtype}, shape {array.shape}",
            file=name,
            column=label,
            mend="give one number or one text for each sample",
        )
    return column


def _array(values: Any) -> NDArray[Any]:
    """Return values as an array, what is missing among numbers as NaN."""
    if isinstance(values, np.ma.MaskedArray) and values.dtype.kind in "fiub":
        return np.ma.filled(values.astype(np.float64), np.nan)
    array = np.asarray(values)
    if array.dtype != np.object_:
        return array
    try:  # numbers with some missing ones between
        if hasattr(values, "to_numpy"):
            return np.asarray(values.to_numpy(dtype=np.float64, na_value=np.nan))
        return array.astype(np.float64)
    except (TypeError, ValueError):
        return array
