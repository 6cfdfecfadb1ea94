"""Recordings that stand in no file: arrays by column, or a data frame."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import ReadingError
from diffbench.readers.libraries import as_column
from diffbench.readers.protocol import RawColumn, RawTable
from diffbench.recording import Columns, Recording, Source

if TYPE_CHECKING:
    from diffbench.documents import Rig


def recording_from(columns: Columns, rig: Rig, *, kind: str, name: str) -> Recording:
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

    raw = tuple(_column(str(label), values, name) for label, values in columns.items())
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


def _column(label: str, values: object, name: str) -> RawColumn:
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
