"""The result as files: numbers, map and page, whole or not at all."""

from __future__ import annotations

from pathlib import Path

from diffbench.characterisation import Characterisation
from diffbench.exports.csv_table import map_csv
from diffbench.locking_map import LockingMap
from diffbench.whole_files import write_whole

__all__ = ["NAMES", "map_csv", "write_results"]

#: The files of a result, in the order in which they are put into place: the page, which speaks of
#: the others, last.
NAMES = ("characterisation.json", "map.json", "map.csv", "report.html")


def write_results(directory: Path, characterisation: Characterisation, locking_map: LockingMap) -> list[Path]:
    """Write a result into a folder, and nowhere else.

    Parameters
    ----------
    directory : Path
        The folder, made if it is not there.
    characterisation : Characterisation
        The result.
    locking_map : LockingMap
        Its map.

    Returns
    -------
    Paths of ``characterisation.json``, ``map.json``, ``map.csv`` and ``report.html``.

    Raises
    ------
    OutputError
        Something cannot be written. Then nothing of this result is left, and an earlier one stands as it
        stood.
    """
    from diffbench.report.page import page

    texts = {
        "characterisation.json": characterisation.to_json(),
        "map.json": locking_map.to_json(),
        "map.csv": map_csv(locking_map),
        "report.html": page(characterisation, locking_map),
    }
    # a path that is no Unicode is written with escapes: valid in JSON and readable in HTML
    return write_whole(
        directory, {name: text.encode("utf-8", "backslashreplace") for name, text in texts.items()}
    )
