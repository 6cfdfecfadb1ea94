"""Files that belong together, all of them or none: made ready beside their places, put in force in one step.

What is written becomes a *set*: its files are written into a hidden folder beside their places and flushed to
the disk; then that folder is renamed, which one step puts the set in force; then its files are moved to their
places. Whatever ends the program leaves a set that is not in force, which the next one to write there sweeps
away, or one that is, which the next one to write or read there brings to its end. On the way, what stands at
the places is always of one set alone: the others of the earlier files go first, then the last file of the set
takes the place of the earlier one in one step, then the others come.

Nothing here is of one system: renaming in a folder, and a lock on an open file by ``flock`` or ``msvcrt``.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import secrets
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from diffbench.errors import OutputError

__all__ = ["in_force", "made_and_held", "recover", "write_file", "write_whole"]

LOCK = ".diffbench-lock"
PATIENCE = 60.0  # s that one writer waits for another, which takes parts of a second
_READY, _FORCE = ".diffbench-ready-", ".diffbench-set-"
_NEW, _OLD, _PLAN = "new", "old", "plan.json"

_MENDS: dict[int | None, str] = {
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
# what a file system says that cannot flush this, or cannot lock
_CANNOT = {errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.ENOLCK}


def write_whole(
    directory: Path,
    contents: Mapping[str, bytes],
    *,
    gone: Callable[[Path], Iterable[str]] = lambda _: (),
    replace: bool = True,
) -> list[Path]:
    """Write files into a folder, and nowhere else: all of them or none, whatever ends the program.

    Parameters
    ----------
    directory : Path
        The folder, made if it is not there.
    contents : mapping
        Name and bytes of each file; a name may lead into folders below by ``/``. The last one is the one that
        is never missing while an earlier set gives way to this one.
    gone : callable
        Gives the names in the folder that go when these files come, where these do not have them.
    replace : bool
        Whether files that stand there already may be replaced.

    Returns
    -------
    Their paths.

    Raises
    ------
    OutputError
        Something cannot be written, is there already and may not be replaced, or another program goes on
        writing there. Then nothing of these files is left, and earlier ones stand as they stood.
    """
    names = list(contents)
    with _told(directory), made_and_held(directory, patience=PATIENCE):
        _clean(directory)
        for name in names:
            _refuse_what_is_in_the_way(directory, name, replace=replace)
        plan = {"files": names, "gone": [name for name in gone(directory) if name not in contents]}
        _put_in_force(directory, _ready(directory, contents, {**plan, "replace": replace}))
    return [directory / name for name in names]


def write_file(path: Path, content: bytes, *, replace: bool) -> None:
    """Write a file into a folder that is there: whole, or not at all.

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


def recover(directory: Path) -> None:
    """Bring to its end what an earlier run was ended in: a set in force is put into its places, one that is
    not is swept away. Does nothing where there is nothing to do, or where somebody is at work.

    Raises ``OutputError`` where the folder cannot be written.
    """
    if not _hidden(directory, _READY, _FORCE):
        return
    with _told(directory), contextlib.suppress(BlockingIOError), _locked(directory / LOCK, 0.0):
        _clean(directory)


def in_force(directory: Path) -> list[Path]:
    """Folders that hold the files of a set that is in force but not all in its places yet, by their names
    there: none, or one."""
    return [path / _NEW for path in _hidden(directory, _FORCE)]


@contextlib.contextmanager
def made_and_held(directory: Path, *, name: str = LOCK, patience: float = 0.0) -> Iterator[None]:
    """Make a folder, and hold it for one program; the system lets go of it however that ends.

    Raises ``OutputError`` where it cannot be made, or another one still holds it after ``patience`` [s]; a
    folder made here goes again with what raises within. A file system that knows no locks does without:
    readers tell what two writers at once would mix.
    """
    with contextlib.ExitStack() as held:
        with _told(directory):
            held.enter_context(_made(directory))
            try:
                held.enter_context(_locked(directory / name, patience))
            except BlockingIOError:
                raise OutputError.single(
                    "another run is writing its results here",
                    file=str(directory),
                    mend="wait until it has ended, or name another folder",
                ) from None
        yield


def _hidden(directory: Path, *prefixes: str) -> list[Path]:
    try:
        return sorted(path for path in directory.iterdir() if path.name.startswith(prefixes))
    except OSError:  # not there, or not to be listed: then nobody has written there either
        return []


# --- making ready -------------------------------------------------------------------------------------------


def _ready(directory: Path, contents: Mapping[str, bytes], plan: Mapping[str, Any]) -> Path:
    """The files of a set in a folder of their own, flushed to the disk; nothing of it stays on failure."""
    ready = directory / f"{_READY}{secrets.token_hex(8)}"
    written = {f"{_NEW}/{name}": content for name, content in contents.items()}
    written[_PLAN] = json.dumps(plan).encode("ascii")
    try:
        folders = {ready} | {(ready / name).parent for name in written}
        for folder in sorted(folders):
            folder.mkdir(parents=True, exist_ok=True)
        for name, content in written.items():
            (ready / name).write_bytes(content)
        # flushed after all are written: the first one carries most of the others with it
        for path in (*(ready / name for name in written), *sorted(folders)):
            _flush(path)
    except BaseException:
        shutil.rmtree(ready, ignore_errors=True)
        raise
    return ready


def _refuse_what_is_in_the_way(directory: Path, name: str, *, replace: bool) -> None:
    place = directory / name
    if place.is_dir():
        raise OutputError.single(
            "a folder stands where a file of the result goes",
            file=str(place),
            mend="move it away, or name another folder for the result",
        )
    if not replace and os.path.lexists(place):
        raise _taken(place)


def _taken(place: Path) -> OutputError:
    return OutputError.single(
        "is there already, and is left as it is", file=str(place), mend="name a new file"
    )


def _flush(path: Path) -> None:
    """Have the system put a file, or the entries of a folder, on the disk."""
    if sys.platform == "win32" and path.is_dir():
        return  # entries of folders cannot be flushed there; NTFS keeps them in order by its journal
    # Windows flushes only what is open for writing
    handle = os.open(path, os.O_RDWR if sys.platform == "win32" else os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _CANNOT:
            raise
    finally:
        os.close(handle)


# --- putting into force, and into place ---------------------------------------------------------------------


def _put_in_force(directory: Path, ready: Path) -> None:
    """Put a set into force and its files into their places, or leave everything as it was."""
    force = directory / ready.name.replace(_READY, _FORCE)
    last = _plan(ready)["files"][-1]
    try:
        _move(ready, force)
        _flush(directory)
        _into_place(directory, force)
    except BaseException as error:
        if force.exists() and not (force / _NEW / last).exists():
            # the last file is in its place, and the earlier ones are gone: from here on only forward
            _finish(directory, force)
            if isinstance(error, OSError):
                return  # it got over it
            raise
        if force.exists():
            _take_back(directory, force, ready)
        shutil.rmtree(ready, ignore_errors=True)
        if isinstance(error, FileExistsError):
            raise _taken(Path(error.filename2 or error.filename)) from error
        raise


def _finish(directory: Path, force: Path) -> None:
    try:
        _into_place(directory, force)
    except OSError as error:
        mend = _MENDS.get(error.errno, "see to it")
        raise OutputError.single(
            f"the result is written, but not all of it is in its place ({error.strerror or error})",
            file=str(directory),
            mend=f"{mend}; then diffbench show on this folder brings the rest",
        ) from error


def _plan(folder: Path) -> dict[str, Any]:
    plan: dict[str, Any] = json.loads((folder / _PLAN).read_bytes())
    return plan


def _into_place(directory: Path, force: Path) -> None:
    """Move the files of a set in force to their places; done again after a break, it goes on from there."""
    plan = _plan(force)
    new, old = force / _NEW, force / _OLD
    *others, last = plan["files"]
    leaving = [*plan["gone"], *(name for name in others if (new / name).exists())] if plan["replace"] else []
    for name in leaving:
        if os.path.lexists(directory / name):
            (old / name).parent.mkdir(parents=True, exist_ok=True)
            _move(directory / name, old / name)
    put = _move if plan["replace"] else _link
    for name in (last, *others):
        if (new / name).exists():
            (directory / name).parent.mkdir(parents=True, exist_ok=True)
            put(new / name, directory / name)
    _flush(directory)
    for folder in {(directory / name).parent for name in plan["files"]} - {directory}:
        _flush(folder)
    for folder in {(directory / name).parent for name in plan["gone"]} - {directory}:
        with contextlib.suppress(OSError):  # something of somebody else's is in it
            folder.rmdir()
    _discard(force)


def _link(source: Path, target: Path) -> None:
    """Give a file its place by a link, which unlike a move never takes the place of another file."""
    try:
        os.link(source, target)
    except FileExistsError:
        if not target.samefile(source):
            raise
    except OSError:  # a file system without links
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target)) from None
        _move(source, target)


def _take_back(directory: Path, force: Path, ready: Path) -> None:
    """Put back what had gone from its place, and the set out of force."""
    old = force / _OLD
    for path in [path for path in old.rglob("*") if not path.is_dir() or path.is_symlink()]:
        _move(path, directory / path.relative_to(old))
    for path in [path for path in (force / _NEW).rglob("*") if path.is_file()]:
        place = directory / path.relative_to(force / _NEW)
        if place.exists() and place.samefile(path):  # a link to it
            place.unlink()
    _move(force, ready)
    _flush(directory)


def _clean(directory: Path) -> None:
    """End what earlier runs did not, for who holds the lock."""
    for force in _hidden(directory, _FORCE):
        try:
            _into_place(directory, force)
        except FileExistsError:
            _discard(force)  # new files, whose place somebody else has taken meanwhile
        except ValueError as error:
            raise OutputError.single(
                "a set of files that an earlier run was writing is damaged",
                file=str(force),
                mend="move this hidden folder away, and give the command again",
            ) from error
    for ready in _hidden(directory, _READY):
        shutil.rmtree(ready, ignore_errors=True)


def _discard(force: Path) -> None:
    """Remove a set whose files are in their places: out of force in one step, then for good."""
    rest = force.with_name(force.name.replace(_FORCE, _READY))
    _move(force, rest)
    shutil.rmtree(rest, ignore_errors=True)


def _move(source: Path, target: Path) -> None:
    """Move within a disk, in one step. Windows refuses while a virus scanner looks in, for moments."""
    for pause in (0.05, 0.2, 0.5):
        try:
            source.replace(target)
        except PermissionError:
            if sys.platform != "win32":
                raise
            time.sleep(pause)
        else:
            return
    source.replace(target)


# --- one at a time, and what the system refuses -------------------------------------------------------------


@contextlib.contextmanager
def _locked(path: Path, patience: float) -> Iterator[None]:
    """Hold a file that is there only while it is held. ``BlockingIOError``: somebody else holds it."""
    until = time.monotonic() + patience
    while True:
        handle = _opened(path)
        if handle is not None:
            if _lock(handle) and _is(path, handle):
                break
            os.close(handle)
        if time.monotonic() >= until:
            raise BlockingIOError(errno.EAGAIN, "held by another program", str(path))
        time.sleep(0.01)
    try:
        yield
    finally:
        # POSIX: gone while it is held, so that nobody holds a file that goes. Windows cannot: whoever
        # opens it in between keeps it there.
        if sys.platform != "win32":
            with contextlib.suppress(OSError):
                path.unlink()
        os.close(handle)
        if sys.platform == "win32":
            with contextlib.suppress(OSError):
                path.unlink()


def _opened(path: Path) -> int | None:
    """The file of a lock, made if it is not there; None where it is just going, on Windows."""
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except PermissionError:
        if sys.platform != "win32":
            raise
        return None


def _lock(handle: int) -> bool:
    """Take the lock of an open file, or tell that somebody has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno in _CANNOT
    return True


def _is(path: Path, handle: int) -> bool:
    """Whether an open file still is the one of that name: its last holder has removed it, perhaps."""
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except FileNotFoundError:
        return False


@contextlib.contextmanager
def _told(directory: Path) -> Iterator[None]:
    """What the operating system refuses becomes one error with place and mend."""
    try:
        yield
    except OSError as error:
        place = error.filename2 or error.filename or directory
        raise OutputError.single(
            f"the result cannot be written ({error.strerror or error})",
            file=str(directory if str(place).startswith(str(directory / ".diffbench-")) else place),
            mend=_MENDS.get(error.errno, "name another folder for the result"),
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
