"""Reader of NumPy array files, and the recipe for the next format.

A bench that is driven from Python may save its samples as one structured array, one named field a channel,
with ``numpy.save``. That is a small format with everything a reader has to deal with, so this module is the
one to copy:

1. a class with a `name`, as messages and provenance shall call the format;
2. `marks`, one of which its files begin with, or a `recognises` of its own, by the bytes;
3. `read_tables`, some rows at a time, or one table where a format is read whole or not at all: every column
   as a `RawColumn`, its name and unit as written, floats with NaN for missing values or an object array of
   texts; `rows` count records from 1 where the format has no lines. Wrong files raise `ReadingError` with
   file, place and mend. A library that only this format needs is got by `libraries.library`;
4. add an instance to `READERS` in `diffbench.readers.registry`, before the text reader;
5. add a writer, by the format's own means, to `FORMATS` in ``tests/readers/writers.py``: the compliance
   suite does the rest.

Nothing about rigs, channels or unit conversion belongs into a reader: `diffbench.readers.mapping` does that.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import ReadingError
from diffbench.readers.libraries import guarded
from diffbench.readers.on_demand import even_parts
from diffbench.readers.protocol import RawColumn, RawTable, Reader

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_TEXT_KINDS = "US"
_NUMBER_KINDS = "fiub"


class ArrayFileReader(Reader):
    """A structured array in a ``.npy`` file. See `diffbench.readers.protocol.Reader`."""

    name = "NumPy array file"
    marks = (b"\x93NUMPY",)

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Refuse an array without named fields or of more than one dimension, and Python objects."""
        path.open("rb").close()
        # Objects are never unpickled: that would run whatever code the file brings.
        whole = rows is None
        array = guarded(
            path, self.name, lambda: np.load(path, mmap_mode=None if whole else "r", allow_pickle=False)
        )
        if array.dtype.names is None or array.ndim != 1:
            raise ReadingError.single(
                f"the array is of shape {array.shape} without named fields",
                file=str(path),
                mend="save a one-dimensional structured array, one named field a channel",
            )
        details = {"array": str(array.dtype)}
        for first, last in even_parts(len(array), rows):
            # opened anew for each part: what is mapped counts as memory until it is closed
            part = array if whole else np.load(path, mmap_mode="r", allow_pickle=False)[first:last]
            columns = tuple(self._column(path, name, part[name]) for name in array.dtype.names)
            lines = np.arange(first + 1, last + 1, dtype=np.int64)
            yield RawTable(columns, lines, details, more=last < len(array))
            del part, columns

    def _column(self, path: Path, name: str, values: NDArray[np.generic]) -> RawColumn:
        if values.ndim == 1 and values.dtype.kind in _NUMBER_KINDS:
            return RawColumn(name, None, values.astype(np.float64))
        if values.ndim == 1 and values.dtype.kind in _TEXT_KINDS:
            return RawColumn(name, None, values.astype(np.str_).astype(np.object_))
        raise ReadingError.single(
            f"the field is of type {values.dtype}, shape {values.shape}",
            file=str(path),
            column=name,
            mend="save one number or one text for each sample",
        )
