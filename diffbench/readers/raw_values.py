"""Arrays as libraries give them, to raw columns: floats, texts, moments as seconds."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from diffbench.readers.protocol import RawColumn


def as_column(
    name: str,
    unit: object,
    values: NDArray[Any],
    *,
    own: bool = False,
    since: np.datetime64 | None = None,
) -> RawColumn | None:
    """Return one column from an array of a library.

    Parameters
    ----------
    name : str
        As the file has it.
    unit : object
        What the file says of the unit: a text, bytes, or nothing. A dash and blanks say nothing.
    values : array
        Numbers, truth values (1 and 0), texts, bytes in UTF-8, or moments: those become seconds from the
        first, in unit s. Anything masked or None is missing.
    own : bool
        Whether the array is nobody else's, and floats may be kept without a copy.
    since : datetime64, optional
        What moments count from, where it is not the first of these.

    Returns
    -------
    The column; None for anything but one number or text a sample.

    Examples
    --------
    >>> as_column("Case", "-", np.array([b"held", b"free"])).values.tolist()
    ['held', 'free']
    >>> moments = np.array(["2026-04-14T13:05:07", "2026-04-14T13:05:07.250"], dtype="datetime64[ms]")
    >>> as_column("When", None, moments).values.tolist(), as_column("When", None, moments).unit
    ([0.0, 0.25], 's')
    """
    text = _text(unit).strip()
    unit_text = text if text not in ("", "-", "--") else None
    if values.ndim != 1:
        return None
    if values.dtype.kind in "fiub":
        return RawColumn(name, unit_text, values.astype(np.float64, copy=not own))
    if values.dtype.kind in "Mm":
        return RawColumn(name, "s", _seconds(values, since))
    if values.dtype.kind in "SUO":
        if any(isinstance(value, list | tuple | dict | np.ndarray | np.void) for value in values[:100]):
            return None
        texts = np.array([_text(value) for value in values] or [""], dtype=np.object_)[: len(values)]
        return RawColumn(name, unit_text, texts)
    return None


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bytes):
        return value.rstrip(b"\0").decode("utf-8", "replace")
    return str(value)


def _seconds(values: NDArray[Any], since: np.datetime64 | None) -> NDArray[np.float64]:
    """Return moments or durations [s]; moments from ``since`` or else from the first that is there, at the
    file's own resolution."""
    if values.dtype.kind == "M":
        there = values[~np.isnat(values)][:1] if since is None else [since]
        values = values - (there[0] if len(there) else values.dtype.type(0, "s"))
    seconds = values / np.timedelta64(1, "s")
    return seconds.astype(np.float64)
