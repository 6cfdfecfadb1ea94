"""The one way in for files that are read whole: a regular file, of a bounded size, and nothing else.

A named pipe would wait for ever and a device never end. Papers, results and whatever else is read at once
come through here; recordings, which are read in parts, are looked at by `refuse_irregular` first.
"""

from __future__ import annotations

import math
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from diffbench.errors import DocumentError

PAPER = 1 << 22  # bytes of a rig, build sheet, run sheet or car: ours have thousands
RESULT = 1 << 28  # bytes of a characterisation or map: a map of a million nodes
EXPORT = 1 << 32  # bytes of an exported history: ten thousand characterisations
_PIECE = 1 << 20
_IRREGULAR = "this is no regular file, but a pipe, a device or the like"
_MEND = "name the file itself"


def content_of(path: Path, *, most: int) -> bytes:
    """Return the bytes of a file.

    Parameters
    ----------
    path : Path
        The file.
    most : int
        Bytes that it may have.

    Returns
    -------
    All of its bytes.

    Raises
    ------
    DocumentError : for anything but a regular file, one of more than ``most`` bytes, and a path that can be
        none.
    OSError : as the system has it; the caller tells it.
    """
    refuse_irregular(path)
    # Without waiting, and looked at again once it is open: another may have been put in its place.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0))
    pieces: list[bytes] = []
    size = 0
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise DocumentError.single(_IRREGULAR, file=str(path), mend=_MEND)
        while piece := file.read(_PIECE):
            pieces.append(piece)
            size += len(piece)
            if size > most:
                raise DocumentError.single(
                    f"the file has more than {most >> 20} MiB, and none of its kind is so large",
                    file=str(path),
                    mend=_MEND,
                )
    return b"".join(pieces)


def refuse_irregular(path: Path) -> None:
    """Refuse what is no regular file, without opening it.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    DocumentError, OSError : as `content_of`.
    """
    try:
        mode = path.stat().st_mode
    except ValueError as error:  # a zero byte, or half a surrogate pair
        raise DocumentError.single(
            f"the file can't be read: no file can have this name ({error})", file=str(path), mend=_MEND
        ) from None
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(21, "Is a directory", str(path))
    if not stat.S_ISREG(mode):
        raise DocumentError.single(_IRREGULAR, file=str(path), mend=_MEND)


def unfit_values(content: object, key: str = "") -> Iterator[tuple[str, str]]:
    """Yield key and fault of everything in a document that no result holds, whatever its schema allows.

    Parameters
    ----------
    content : object
        Plain values, as JSON has them.
    key : str
        Dotted key of the content itself.

    Returns
    -------
    Infinite numbers and those that are none, and texts that no encoding has (half a surrogate pair).

    Examples
    --------
    >>> list(unfit_values({"a": [1.0, float("inf")], "b": "Q17"}))
    [('a.1', 'a number is infinite, or none')]
    """
    if isinstance(content, float) and not math.isfinite(content):
        yield key, "a number is infinite, or none"
    elif (
        isinstance(content, str) and not content.isascii() and any("\ud800" <= c <= "\udfff" for c in content)
    ):
        yield key, "a text holds half a character, which no encoding has"
    elif isinstance(content, dict):
        for name, part in content.items():
            yield from unfit_values(str(name), key)
            yield from unfit_values(part, f"{key}.{name}".lstrip("."))
    elif isinstance(content, list | tuple):
        for i, part in enumerate(content):
            yield from unfit_values(part, f"{key}.{i}".lstrip("."))
