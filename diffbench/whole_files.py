"""Files of a result, whole or not at all: written beside their place, and moved into it in one step each."""

from __future__ import annotations

import contextlib
import errno
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from diffbench.errors import OutputError

__all__ = ["write_whole"]

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


def write_whole(directory: Path, contents: Mapping[str, bytes]) -> list[Path]:
    """Write files into a folder, and nowhere else.

    Parameters
    ----------
    directory : Path
        The folder, made if it is not there.
    contents : mapping
        Name and bytes of each file, in the order in which they are put into place.

    Returns
    -------
    Their paths.

    Raises
    ------
    OutputError
        Something cannot be written. Then nothing of these files is left, and earlier ones stand as they
        stood.

    Notes
    -----
    All is written into a folder of its own within ``directory`` first, and put into place file by file at
    the end, each in one step; what stood there before is put back should one of these steps fail.
    """
    with _told(directory), _made(directory), _workshop(directory) as workshop:
        for name, content in contents.items():
            (workshop / name).write_bytes(content)
        _put_into_place(workshop, directory, list(contents))
    return [directory / name for name in contents]


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


def _put_into_place(workshop: Path, directory: Path, names: list[str]) -> None:
    """Move each file to its place; on failure put back what stood there."""
    for name in names:
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
        for name in names:
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
