"""A file that a command writes: whole, or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from diffbench.errors import OutputError


def put_whole(path: Path, write: Callable[[Path], None], *, replace: bool) -> None:
    """Write a file beside its place and move it there in one step.

    Parameters
    ----------
    path : Path
        Where the file goes.
    write : callable
        Writes into the path that it is given.
    replace : bool
        Whether a file that stands there may be replaced.

    Raises
    ------
    OutputError
        The file is there already and may not be replaced, or cannot be written; then nothing is left.
    """
    taken = OutputError.single(
        "is there already, and is left as it is", file=str(path), mend="name a new file"
    )
    if os.path.lexists(path) and not replace:
        raise taken
    try:
        handle, beside = tempfile.mkstemp(prefix=".diffbench-", dir=path.parent)
        os.close(handle)
        try:
            write(Path(beside))
            # mkstemp leaves the file to its owner alone; this one is as any other that the user makes
            Path(beside).chmod(0o666 & ~_mask())
            if replace:
                Path(beside).replace(path)
            else:
                os.link(beside, path)  # unlike a move, it never takes the place of another file
        finally:
            with contextlib.suppress(FileNotFoundError):
                Path(beside).unlink()
    except FileExistsError as error:
        raise taken from error
    except OSError as error:
        raise OutputError.single(
            f"cannot be written ({error.strerror})",
            file=str(path),
            mend="name a file in a folder that you may write to",
        ) from error


def put_text(path: Path, text: str) -> None:
    """Write a text to a new file.

    Parameters
    ----------
    path : Path
        Where the file goes; nothing may stand there.
    text : str
        Its content, written in UTF-8.

    Raises
    ------
    OutputError
        The file is there already, or cannot be written; then nothing is left.
    """

    def write(beside: Path) -> None:
        beside.write_text(text, encoding="utf-8", newline="\n")

    put_whole(path, write, replace=False)


def _mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
