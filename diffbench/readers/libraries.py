"""Libraries of single formats: imported when they are needed, their many errors turned into one, and their
arrays into raw columns.
"""

from __future__ import annotations

import importlib
import importlib.util
import logging
import struct
import tokenize
import warnings
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import DiffbenchError, ReadingError
from diffbench.readers.protocol import RawColumn

T = TypeVar("T")

MOST_VALUES = 50_000_000  # numbers in one table: half an hour of 27 channels at 1 kHz, in 400 MB
MOST_IN_PARTS = 1_000_000_000  # numbers in a file that is read in parts: a day and a half of 8 channels
PACKED = 4  # values in a byte of a file, at most: a sweep as Parquet has 0.4 (tests/bench/memory.py)

# What these libraries raise for damaged files, seen in 20,000 of them (tests/readers/fuzz.py).
_DAMAGE = (
    ArithmeticError, AssertionError, AttributeError, EOFError, LookupError, MemoryError, OSError,
    RuntimeError, SyntaxError, TypeError, ValueError, struct.error, tokenize.TokenError, zipfile.BadZipFile,
    zlib.error,
)  # fmt: skip


def library(name: str, *, extra: str, path: Path) -> ModuleType:
    """The library of one format. Raises `ReadingError` when it is not installed, naming the ``extra`` that
    brings it.

    >>> library("json", extra="none", path=Path("sweep.json")).__name__
    'json'
    """
    try:
        return importlib.import_module(name)
    except ImportError:
        raise _not_installed(name, extra, path) from None


def require(name: str, *, extra: str, path: Path) -> None:
    """Refuse a file whose library is not installed, as `library` does, without loading the library."""
    try:
        found = importlib.util.find_spec(name)
    except ValueError:  # barred from being imported
        found = None
    if found is None:
        raise _not_installed(name, extra, path)


def _not_installed(name: str, extra: str, path: Path) -> ReadingError:
    wanted = " ".join(f"'{need}'" for need in requirements(extra))
    return ReadingError.single(
        f"reading it needs {name.partition('.')[0]}, which is not installed",
        file=str(path),
        mend=f"run: pip install {wanted} (the extra [{extra}] of diffbench; [formats] has all), or export "
        "the recording as text",
    )


def requirements(extra: str) -> tuple[str, ...]:
    """What an extra of this package installs, as the package's own metadata say, without markers.

    >>> [text.partition(">")[0] for text in requirements("parquet")]
    ['pyarrow']
    """
    import importlib.metadata  # late: it costs a process apart more than its own work

    found: list[str] = []
    for text in importlib.metadata.requires("diffbench") or []:
        need, _, marker = text.partition(";")
        if marker.replace('"', "'").strip() == f"extra == '{extra}'":
            found.append(need.strip())
    return tuple(found)


def guarded(path: Path, what: str, read: Callable[[], T], *errors: type[Exception]) -> T:
    """What a library reads; whatever it raises over a damaged file becomes one clear `ReadingError`.

    ``what`` names the format, ``errors`` are the library's own beside those of Python. ``FileNotFoundError``,
    ``PermissionError`` and ``IsADirectoryError`` stay as they are; the registry tells them.
    """
    caught: tuple[type[Exception], ...] = (*_DAMAGE, *errors)
    logs = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            # What a library finds odd it tells whoever runs Python; here nobody has a use for it.
            warnings.simplefilter("ignore")
            return read()
    except (DiffbenchError, FileNotFoundError, PermissionError, IsADirectoryError):
        raise
    except caught as error:
        raise damaged(path, what, " ".join(str(error).split())[:200] or type(error).__name__) from None
    finally:
        logging.disable(logs)


def damaged(path: Path, what: str, said: str) -> ReadingError:
    """The error of a file that begins like its format and cannot be read.

    >>> damaged(Path("sweep.tdms"), "TDMS", "it ends early").faults[0].what
    'the file is damaged, or no TDMS that can be read: it ends early'
    """
    return ReadingError.single(
        f"the file is damaged, or no {what} that can be read: {said}",
        file=str(path),
        mend="copy it from the bench again, or export it anew, perhaps as text",
    )


def guarded_each(path: Path, what: str, made: Iterator[T], *errors: type[Exception]) -> Iterator[T]:
    """One by one what a library reads, as `guarded` does, with its error when it comes to that."""
    while (one := guarded(path, what, lambda: next(made, None), *errors)) is not None:
        yield one


def most_in_parts(path: Path) -> int:
    """How many values a file may hold that is read in parts: `MOST_IN_PARTS`, but no more than `PACKED` for
    each of its bytes, since what says more is no recording, and would fill memory or disk. `MOST_VALUES` in
    any case.
    """
    return max(MOST_VALUES, min(MOST_IN_PARTS, PACKED * path.stat().st_size))


def refuse_too_many(values: int, path: Path, mend: str, *, most: int | None = None) -> None:
    """Refuse a table of more than `most` values, which `most_in_parts` gives for a file that is read in
    parts, else of more than `MOST_VALUES`; ``mend`` is what the format offers to make it smaller.
    """
    limit = MOST_VALUES if most is None else most
    if values > limit:
        raise ReadingError.single(
            f"the table has {values:,} values, and at most {limit:,} are read",
            file=str(path),
            mend=mend,
        )


def as_column(
    name: str,
    unit: object,
    values: NDArray[Any],
    *,
    own: bool = False,
    since: np.datetime64 | None = None,
) -> RawColumn | None:
    """One column from an array of a library; None for anything but one number or text a sample.

    ``values`` are numbers, truth values (1 and 0), texts, bytes in UTF-8, or moments: those become seconds
    from ``since`` or else the first, in unit s. Anything masked or None is missing. Of the ``unit`` a dash
    and blanks say nothing. ``own``: the array is nobody else's, and floats may be kept without a copy.

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
