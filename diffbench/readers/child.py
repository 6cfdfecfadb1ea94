"""Reading in a process apart, for libraries that crash or run on over a damaged file.

Libraries that are not written in Python end the whole process, find no end or take gigabytes over some
damaged files; no check beforehand finds them all. So they work in a child of this program that has limits of
time and memory, and what it has read comes back as arrays, or as a text, in a folder."""

from __future__ import annotations

import errno
import importlib
import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from diffbench.children import run
from diffbench.errors import Fault, Place, ReadingError
from diffbench.readers.asked import Asked, Chosen
from diffbench.readers.libraries import damaged
from diffbench.readers.on_demand import (
    LateColumn,
    LateGroup,
    OnDemand,
    Stored,
    StoredTexts,
    in_pieces,
    store,
    store_texts,
)
from diffbench.readers.protocol import RawColumn

MEMORY = 1 << 30  # bytes that the child may take
_SECONDS, _BYTES_A_SECOND = 8, 4_000_000  # of processor time: to load the library, and to read
_PATIENCE = 10  # real time over processor time, on a machine that is busy with other things
_REFUSED, _NO_ROOM = 2, 4
_FULL_DISK = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))
_TEXT = "text"  # name of the text that a child makes of a file
# More threads than one only take memory here, and so does memory that is laid in beforehand. Large blocks are
# kept for the next use rather than asked of the system anew, which fills them with zeros each time.
_FRUGAL = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "ARROW_DEFAULT_MEMORY_POOL": "system",
    "MALLOC_MMAP_THRESHOLD_": str(1 << 26),  # of the GNU library; others know nothing of it
    "MALLOC_TRIM_THRESHOLD_": str(1 << 27),
}


@contextmanager
def groups_by_child(
    path: Path, what: str, module: str, asked: Asked | None = None
) -> Iterator[tuple[list[LateGroup], list[str], tuple[str, ...]]]:
    """Give the groups of a file, notes on what was left out, and the columns that nobody ``asked`` for, for
    as long as they are needed.

    ``what`` names the format in messages; ``module`` is the full name of the one whose ``read_groups(path,
    folder)`` reads the file and hands each column, as it is read, to the `Folder`. Raises `ReadingError` when
    the child has refused the file, broken down, or come to its limits. See `text_by_child` for a file that is
    a text.
    """
    told = None if asked is None else asked.content()
    with _read_by_child(path, what, module, None, asked=told) as (said, folder):
        yield [_loaded(group, folder) for group in said["groups"]], said["notes"], tuple(said["left_out"])


@contextmanager
def text_by_child(
    path: Path, what: str, module: str, stated: Mapping[str, str | None]
) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Give a file as the text that a child process made of it, and what it said, for as long as it is needed.

    As `groups_by_child`; the module has ``write_text(path, copy, stated)``, which writes to ``copy`` and
    returns plain values; ``stated`` is what else it needs to know.
    """
    with _read_by_child(path, what, module, stated) as (said, folder):
        yield folder / _TEXT, said["says"]


@contextmanager
def _read_by_child(
    path: Path,
    what: str,
    module: str,
    stated: Mapping[str, str | None] | None,
    *,
    asked: Mapping[str, Any] | None = None,
) -> Iterator[tuple[dict[str, Any], Path]]:
    """Give what a child said, and the folder that it wrote to."""
    seconds = _SECONDS + path.stat().st_size // _BYTES_A_SECOND
    # Windows removes no file that a child which was ended still holds, for moments
    lenient = sys.platform == "win32"
    with tempfile.TemporaryDirectory(prefix="diffbench-", ignore_cleanup_errors=lenient) as folder:
        command = [sys.executable, "-P", "-m", __name__, module, str(path.absolute()), folder, str(seconds)]
        command += [json.dumps(stated), json.dumps(asked)]
        environment = {**os.environ, **_FRUGAL}
        try:
            done = run(command, env=environment, timeout=_PATIENCE * seconds)
        except subprocess.TimeoutExpired:
            raise damaged(path, what, "its library finds no end") from None
        told = Path(folder) / "told.json"
        if done.returncode == _NO_ROOM:
            raise ReadingError.single(
                f"what is read of it finds no room in the folder for passing files, {tempfile.gettempdir()}",
                file=str(path),
                mend="make room there, or name another folder by the environment's TMPDIR",
            )
        if done.returncode not in (0, _REFUSED) or not told.exists():
            raise damaged(path, what, _breakdown(done.returncode, seconds))
        said = json.loads(told.read_text(encoding="utf-8"))
        if done.returncode == _REFUSED:
            raise ReadingError([_fault(fault, path) for fault in said["faults"]])
        yield said, Path(folder)


def _breakdown(status: int, seconds: int) -> str:
    if status == -getattr(signal, "SIGXCPU", 0):
        return f"its library finds no end within {seconds} s"
    return f"its library breaks down over it (status {status})"


def _fault(said: dict[str, Any], path: Path) -> Fault:
    return Fault(said["what"], Place(str(path), said["line"], said["column"], said["key"]), said["mend"])


def _loaded(said: dict[str, Any], folder: Path) -> LateGroup:
    """Return a group from the child's folder."""
    columns = tuple(
        LateColumn(
            column["name"],
            column["unit"],
            (StoredTexts if column["text"] else Stored)(folder / column["file"]),
        )
        for column in said["columns"]
    )
    time = None if said["time"] is None else Stored(folder / said["time"])
    clock = columns[said["clock"]] if isinstance(said["clock"], int) else said["clock"]
    return LateGroup(said["name"], columns, time, clock)


class _NoRoomError(Exception):
    """The disk is full: no fault of the file, and so nothing that a reader may take for one."""


@contextmanager
def _writing() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in _FULL_DISK:  # nobody who reads has that
            raise _NoRoomError from error
        raise


class Folder:
    """Where the child puts numbers aside; ``chosen`` says of which columns."""

    def __init__(self, folder: Path, asked: Asked | None = None) -> None:
        self._folder = folder
        self._count = 0
        self.chosen = Chosen(asked)

    def keep(self, values: NDArray[np.float64] | OnDemand) -> Stored:
        """Write numbers to a file of their own."""
        return values if isinstance(values, Stored) else self.keep_pieces(in_pieces(values))

    def keep_pieces(self, pieces: Iterable[NDArray[np.float64]]) -> Stored:
        """Write numbers that come piece by piece."""
        self._count += 1
        with _writing():
            return store(pieces, self._folder / f"{self._count}.f8")

    def keep_texts(self, pieces: Iterable[NDArray[np.object_]]) -> StoredTexts:
        """Write texts to a file of their own, and where each ends to another."""
        self._count += 1
        with _writing():
            return store_texts(pieces, self._folder / f"{self._count}")


def _told(groups: Sequence[LateGroup], folder: Folder) -> list[dict[str, Any]]:
    """Return what tells groups whose numbers are in the folder."""

    def column(one: RawColumn | LateColumn) -> dict[str, Any]:
        stored = one.values
        if not isinstance(stored, StoredTexts):
            stored = folder.keep_texts([cast(Any, stored)]) if one.is_text else folder.keep(cast(Any, stored))
        return {"name": one.name, "unit": one.unit, "text": one.is_text, "file": stored.path.name}

    return [
        {
            "name": group.name,
            "time": None if group.time is None else folder.keep(group.time).path.name,
            "clock": group.clock
            if isinstance(group.clock, str)
            else next((i for i, one in enumerate(group.columns) if one is group.clock), None),
            "columns": [column(one) for one in group.columns],
        }
        for group in groups
    ]


def _limit(seconds: int) -> None:
    """Keep this process within its limits, where the system can."""
    try:
        import resource
    except ImportError:  # Windows: the parent's patience is the only limit
        return
    wanted = {
        resource.RLIMIT_CPU: (seconds, seconds + 1),
        resource.RLIMIT_DATA: (MEMORY, MEMORY),
        resource.RLIMIT_CORE: (0, 0),
    }
    for what, (soft, hard) in wanted.items():
        _, most = resource.getrlimit(what)  # a queue of jobs may have set a lower one, which stays
        if most != resource.RLIM_INFINITY:
            soft, hard = min(soft, most), min(hard, most)  # noqa: PLW2901
        resource.setrlimit(what, (soft, hard))


def main(module: str, path: str, folder: str, seconds: str, stated: str = "null", asked: str = "null") -> int:
    """Read in this process, and write what was read to the folder; the arguments are texts of a command line.

    ``seconds`` of processor time may be taken; ``stated`` is JSON, as in `text_by_child`, null to read
    groups, of which ``asked``, as JSON too, says what is wanted. Returns 0 when the file was read, 2 when it
    was refused, 4 when the folder's disk is full.
    """
    _limit(int(seconds))
    told = Path(folder) / "told.json"
    try:
        reads: Any = importlib.import_module(module)
        for name in getattr(reads, "BARRED", ()):
            cast("dict[str, Any]", sys.modules).setdefault(name, None)
        if (wanted := json.loads(stated)) is None:
            columns = json.loads(asked)
            aside = Folder(Path(folder), None if columns is None else Asked.from_content(columns))
            groups, notes = reads.read_groups(Path(path), aside)
            says = {"groups": _told(groups, aside), "notes": notes, "left_out": aside.chosen.left_out}
        else:
            says = {"says": reads.write_text(Path(path), Path(folder) / _TEXT, wanted)}
        told.write_text(json.dumps(says), encoding="utf-8")
    except ReadingError as error:
        faults = [
            {
                "what": fault.what,
                "mend": fault.mend,
                "line": fault.place.line,
                "column": fault.place.column,
                "key": fault.place.key,
            }
            for fault in error.faults
        ]
        told.write_text(json.dumps({"faults": faults}), encoding="utf-8")
        return _REFUSED
    except _NoRoomError:
        return _NO_ROOM
    return 0


if __name__ == "__main__":
    # Not by a plain exit: what a library left half-built is not to be torn down any more.
    status = main(*sys.argv[1:])
    os._exit(status)
