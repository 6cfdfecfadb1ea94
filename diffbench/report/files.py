"""The result as files: numbers, map and page, whole or not at all."""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from diffbench.characterisation import Characterisation
from diffbench.errors import OutputError
from diffbench.locking_map import AXES, BRANCHES, LockingMap

__all__ = ["NAMES", "map_csv", "write_results"]

#: The files of a result, in the order in which they are put into place: the page, which speaks of
#: the others, last.
NAMES = ("characterisation.json", "map.json", "map.csv", "report.html")

_COLUMNS = ("locking_torque_Nm", "low_Nm", "high_Nm", "tested")
_MENDS = {
    errno.EACCES: "give yourself the right to write there, or name another folder",
    errno.EPERM: "give yourself the right to write there, or name another folder",
    errno.EROFS: "name a folder on a disk that can be written",
    errno.ENOSPC: "make room on that disk, or name a folder on another one",
    errno.EFBIG: "raise the limit on the size of a file, or name a folder elsewhere",
    errno.EDQUOT: "make room in your quota, or name a folder elsewhere",
    errno.ENOTDIR: "a part of the path is a file: name another folder",
    errno.EEXIST: "a file of that name is in the way: name another folder",
    errno.ENAMETOOLONG: "name a shorter path",
}


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

    Notes
    -----
    All is written into a folder of its own within ``directory`` first, and put into place file by file at
    the end, each in one step; what stood there before is put back should one of these steps fail.
    """
    from diffbench.report.page import page

    texts = {
        "characterisation.json": characterisation.to_json(),
        "map.json": locking_map.to_json(),
        "map.csv": map_csv(locking_map),
        "report.html": page(characterisation, locking_map),
    }
    with _told(directory), _made(directory), _workshop(directory) as workshop:
        for name, text in texts.items():
            # a path that is no Unicode is written with escapes: valid in JSON and readable in HTML
            (workshop / name).write_bytes(text.encode("utf-8", "backslashreplace"))
        _put_into_place(workshop, directory)
    return [directory / name for name in NAMES]


def map_csv(locking_map: LockingMap) -> str:
    """The map as comma-separated text, one node a line, numbers in full.

    Parameters
    ----------
    locking_map : LockingMap
        The map.

    Returns
    -------
    Text with the columns ``input_torque_Nm``, ``speed_difference_rad_s``, ``temperature_degC``, then for
    each branch (loading, unloading, mean) ``BRANCH_locking_torque_Nm``, ``BRANCH_low_Nm``,
    ``BRANCH_high_Nm`` and ``BRANCH_tested`` (``true`` or ``false``). Temperature varies quickest, input
    torque slowest.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([*AXES, *(f"{branch}_{column}" for branch in BRANCHES for column in _COLUMNS)])
    torque, speed, heat = (axis.tolist() for axis in locking_map.axes)
    tables = [
        (
            locking_map.values[b].tolist(),
            locking_map.low[b].tolist(),
            locking_map.high[b].tolist(),
            locking_map.tested[b].tolist(),
        )
        for b in BRANCHES
    ]
    for i, at_torque in enumerate(torque):
        for j, at_speed in enumerate(speed):
            for k, at_heat in enumerate(heat):
                row: list[object] = [at_torque, at_speed, at_heat]
                for value, low, high, tested in tables:
                    row += [
                        value[i][j][k],
                        low[i][j][k],
                        high[i][j][k],
                        "true" if tested[i][j][k] else "false",
                    ]
                writer.writerow(row)
    return buffer.getvalue()


@contextlib.contextmanager
def _told(directory: Path) -> Iterator[None]:
    """What the operating system refuses becomes one error with place and mend."""
    try:
        yield
    except OSError as error:
        place = error.filename2 or error.filename or directory
        raise OutputError.single(
            f"the result cannot be written ({error.strerror or error})",
            file=str(directory if _within_workshop(place, directory) else place),
            mend=_MENDS.get(error.errno or 0, "name another folder for the result"),
        ) from error


@contextlib.contextmanager
def _made(directory: Path) -> Iterator[None]:
    """The folder and those above it; the ones made here go again when the result does not come to stand."""
    if directory.exists() and not directory.is_dir():
        raise OutputError.single(
            "is a file, a folder is wanted", file=str(directory), mend="name another folder"
        )
    missing = [folder for folder in (directory, *directory.parents) if not folder.exists()]
    done: list[Path] = []
    try:
        for folder in reversed(missing):
            folder.mkdir(exist_ok=True)
            done.append(folder)
        yield
    except BaseException:
        for folder in reversed(done):
            # another process may have put something there meanwhile: that is not ours to remove
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


@contextlib.contextmanager
def _workshop(directory: Path) -> Iterator[Path]:
    """A folder to write in before anything is put into place; it goes in the end, come what may."""
    workshop = Path(tempfile.mkdtemp(prefix=".diffbench-", dir=directory))
    try:
        yield workshop
    finally:
        shutil.rmtree(workshop, ignore_errors=True)


def _put_into_place(workshop: Path, directory: Path) -> None:
    """Move each file to its place; on failure put back what stood there."""
    for name in NAMES:
        if (directory / name).is_dir():
            raise OutputError.single(
                "a folder stands where a file of the result goes",
                file=str(directory / name),
                mend="move it away, or name another folder for the result",
            )
    before = workshop / "before"
    before.mkdir()
    replaced: list[str] = []
    try:
        for name in NAMES:
            if (directory / name).exists():
                (directory / name).replace(before / name)
            replaced.append(name)
            (workshop / name).replace(directory / name)
    except BaseException:
        for name in replaced:
            with contextlib.suppress(FileNotFoundError):
                (directory / name).unlink()
            if (before / name).exists():
                (before / name).replace(directory / name)
        raise


def _within_workshop(place: object, directory: Path) -> bool:
    """Whether a place is of no use to the reader: within a folder that is gone when they read of it."""
    text = str(place)
    return text.startswith(str(directory / ".diffbench-"))
