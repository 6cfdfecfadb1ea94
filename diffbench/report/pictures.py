"""A figure as a file, whole or not at all."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from diffbench.errors import OutputError
from diffbench.whole_files import write_whole

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["SUFFIXES", "check_suffix", "put_picture"]

SUFFIXES = (".svg", ".png", ".pdf")
DPI = 150


def check_suffix(path: Path) -> str:
    """Format of a picture by the end of its name.

    Raises ``OutputError`` where it is none of `SUFFIXES`.

    Examples
    --------
    >>> check_suffix(Path("worn.PNG"))
    'png'
    """
    if path.suffix.lower() not in SUFFIXES:
        raise OutputError.single(
            "is no picture", file=str(path), mend=f"name a file that ends in {', '.join(SUFFIXES)}"
        )
    return path.suffix.lower()[1:]


def put_picture(figure: Figure, path: Path) -> None:
    """Write a figure into a file.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        What was drawn.
    path : Path
        The file; its suffix, ``.svg``, ``.png`` or ``.pdf``, says the format.

    Raises
    ------
    OutputError
        Another suffix, or the file cannot be written; then nothing is left.
    """
    buffer = io.BytesIO()
    figure.savefig(buffer, format=check_suffix(path), dpi=DPI)
    write_whole(path.parent, {path.name: buffer.getvalue()})
