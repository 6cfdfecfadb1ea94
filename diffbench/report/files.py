"""The result as files: numbers, map and page, whole or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from diffbench.characterisation import Characterisation
from diffbench.exports.csv_table import map_csv
from diffbench.locking_map import LockingMap
from diffbench.whole_files import write_whole

__all__ = ["NAMES", "map_csv", "write_builds", "write_results"]

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
    return write_whole(directory, _contents(characterisation, locking_map, refresh=refresh, paper=paper))


def write_builds(
    directory: Path,
    joint: Characterisation,
    maps: Mapping[str, LockingMap],
    *,
    paper: str | None = None,
) -> dict[str, list[Path]]:
    """Write the result of several builds that were fitted together: a set for each, beside what they share.

    Parameters
    ----------
    directory : Path
        The folder, made if it is not there.
    joint : Characterisation
        The result; its builds name the folder of each.
    maps : mapping
        The map of each build, by its name.
    paper : str or None
        "A4" or "letter": every page is printed on that, too.

    Returns
    -------
    Paths of each set by the build's name, and of what they share by "": characterisation.json and a page that
    holds the builds side by side. A map is of one build, so that none stands there; one of an earlier result
    goes.

    Raises
    ------
    OutputError
        Something cannot be written. All is drawn before anything is written; each folder is written whole,
        what they share last.
    """
    from diffbench.fitting.one_build import one_build

    sets: dict[str, tuple[Path, dict[str, bytes]]] = {}
    for facts in joint.builds:
        mine = _contents(one_build(joint, facts.build), maps[facts.build], paper=paper)
        sets[facts.build] = directory / (facts.folder or facts.build), mine
    shared = _contents(joint, maps[joint.builds[0].build], paper=paper)
    sets[""] = directory, {name: shared[name] for name in shared if not name.startswith("map.")}
    written = {}
    for build, (folder, contents) in sets.items():
        if not build:
            for name in (*NAMES, PDF):
                if name not in contents:
                    (directory / name).unlink(missing_ok=True)
        written[build] = write_whole(folder, contents)
    return written


def _contents(
    characterisation: Characterisation,
    locking_map: LockingMap,
    *,
    refresh: int | None = None,
    paper: str | None = None,
) -> dict[str, bytes]:
    """The files of one result by their names, in the order in which they are put into place."""
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
    return contents
