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
PDF = "report.pdf"
NAMES = ("characterisation.json", "map.json", "map.csv", "report.html")


def write_results(
    directory: Path,
    characterisation: Characterisation,
    locking_map: LockingMap,
    *,
    refresh: int | None = None,
    paper: str | None = None,
) -> list[Path]:
    """Write a result into a folder, and nowhere else.

    Parameters
    ----------
    directory : Path
        The folder, made if it is not there.
    characterisation : Characterisation
        The result.
    locking_map : LockingMap
        Its map.
    refresh : int or None
        After how many seconds a browser loads the page again, while more is to come.
    paper : str or None
        "A4" or "letter": the page is printed on that as ``report.pdf``, too.

    Returns
    -------
    Paths of ``characterisation.json``, ``map.json``, ``map.csv``, ``report.html``, and ``report.pdf`` where
    it was asked for.

    Raises
    ------
    OutputError
        Something cannot be written, or the page not printed. Then nothing of this result is left, and an
        earlier one stands as it stood.
    """
    from diffbench.report.page import page

    texts = {
        "characterisation.json": characterisation.to_json(),
        "map.json": locking_map.to_json(),
        "map.csv": map_csv(locking_map),
        "report.html": page(characterisation, locking_map, refresh=refresh),
    }
    # a path that is no Unicode is written with escapes: valid in JSON and readable in HTML
    contents = {name: text.encode("utf-8", "backslashreplace") for name, text in texts.items()}
    if paper is not None:
        from diffbench.report.printing import printed

        contents = {PDF: printed(contents["report.html"], paper=paper), **contents}
    return write_whole(directory, contents)
