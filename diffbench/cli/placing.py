"""A file that a command writes, into a folder that is there: whole, or not at all."""

from __future__ import annotations

from pathlib import Path

from diffbench.errors import OutputError
from diffbench.whole_files import write_whole


def put(path: Path, content: bytes, *, replace: bool) -> None:
    """Write a file.

    Parameters
    ----------
    path : Path
        Where the file goes.
    content : bytes
        What it holds.
    replace : bool
        Whether a file that stands there may be replaced.

    Raises
    ------
    OutputError
        The file is there already and may not be replaced, or cannot be written; then nothing is left.
    """
    if not path.parent.is_dir():
        raise OutputError.single(
            "cannot be written (there is no such folder)",
            file=str(path),
            mend="name a file in a folder that you may write to",
        )
    write_whole(path.parent, {path.name: content}, replace=replace)


def put_text(path: Path, text: str) -> None:
    """Write a text to a new file, in UTF-8; parameters and errors as of `put`."""
    put(path, text.encode("utf-8"), replace=False)
