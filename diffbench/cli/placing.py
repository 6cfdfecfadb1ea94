"""A new file that a command writes: whole, or not at all."""

from __future__ import annotations

from pathlib import Path

from diffbench.whole_files import write_whole


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
    write_whole(path.parent, {path.name: text.encode("utf-8")}, replace=False)
