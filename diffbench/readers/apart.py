"""Reading in a process apart, for libraries that crash or run on over a damaged file.

The libraries of HDF5 and MDF end the whole process, find no end or take gigabytes over some damaged files; no
check beforehand finds them all. So they work in a child of this program that has limits of time and memory,
and what it has read comes back as arrays in a folder.
"""

from __future__ import annotations

import importlib
import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import Fault, Place, ReadingError
from diffbench.readers.foreign import damaged
from diffbench.readers.on_demand import LateColumn, OnDemand, Stored, store
from diffbench.readers.protocol import RawColumn
from diffbench.readers.time_bases import LateGroup

MEMORY = 1 << 30  # bytes that the child may take
_SECONDS, _BYTES_A_SECOND = 8, 4_000_000  # of processor time: to load the library, and to read
_PATIENCE = 10  # real time over processor time, on a machine that is busy with other things
_REFUSED = 2


@contextmanager
def groups_apart(path: Path, what: str, module: str) -> Iterator[tuple[list[LateGroup], list[str]]]:
    """Give the groups of a file, read in a child process, for as long as they are needed.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        Name of the format, for messages.
    module : str
        Full name of the module whose ``read_groups(path, keep)`` reads the file. It hands each column of
        numbers, as it is read, to ``keep``, which puts it aside.

    Returns
    -------
    The groups, and notes on what was left out.

    Raises
    ------
    ReadingError : when the child has refused the file, broken down, or come to its limits.
    """
    seconds = _SECONDS + path.stat().st_size // _BYTES_A_SECOND
    with tempfile.TemporaryDirectory(prefix="diffbench-") as folder:
        command = [sys.executable, "-P", "-m", __name__, module, str(path.absolute()), folder, str(seconds)]
        # More threads than one only take memory here.
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        try:
            done = subprocess.run(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env=environment,
                timeout=_PATIENCE * seconds,
                check=False,
            )
        except subprocess.TimeoutExpired:
            raise damaged(path, what, "its library finds no end") from None
        told = Path(folder) / "told.json"
        if done.returncode not in (0, _REFUSED) or not told.exists():
            raise damaged(path, what, _breakdown(done.returncode, seconds))
        said = json.loads(told.read_text(encoding="utf-8"))
        if done.returncode == _REFUSED:
            raise ReadingError([_fault(fault, path) for fault in said["faults"]])
        yield [_loaded(group, Path(folder)) for group in said["groups"]], said["notes"]


def _breakdown(status: int, seconds: int) -> str:
    if status == -getattr(signal, "SIGXCPU", 0):
        return f"its library finds no end within {seconds} s"
    return f"its library breaks down over it (status {status})"


def _fault(said: dict[str, Any], path: Path) -> Fault:
    return Fault(said["what"], Place(str(path), said["line"], said["column"], said["key"]), said["mend"])


def _loaded(said: dict[str, Any], folder: Path) -> LateGroup:
    """Return a group from the child's folder."""
    columns = tuple(
        LateColumn(column["name"], column["unit"], Stored(folder / column["file"]))
        if column["texts"] is None
        else RawColumn(
            column["name"], column["unit"], np.array([*column["texts"], ""], dtype=np.object_)[:-1]
        )
        for column in said["columns"]
    )
    time = None if said["time"] is None else Stored(folder / said["time"])
    clock = columns[said["clock"]] if isinstance(said["clock"], int) else said["clock"]
    return LateGroup(said["name"], columns, time, clock)


class _Folder:
    """Where the child puts numbers aside."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._count = 0

    def keep(self, values: NDArray[np.float64] | OnDemand) -> Stored:
        """Write numbers to a file of their own."""
        if isinstance(values, Stored):
            return values
        self._count += 1
        return store(values, self._folder / f"{self._count}.npy")


def _told(groups: Sequence[LateGroup], folder: _Folder) -> list[dict[str, Any]]:
    """Return what tells groups whose numbers are in the folder."""

    def column(one: RawColumn | LateColumn) -> dict[str, Any]:
        if isinstance(one, RawColumn) and one.is_text:
            return {"name": one.name, "unit": one.unit, "texts": one.values.tolist(), "file": None}
        numbers = folder.keep(cast("NDArray[np.float64] | OnDemand", one.values))
        return {"name": one.name, "unit": one.unit, "texts": None, "file": numbers.path.name}

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
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 1))
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main(module: str, path: str, folder: str, seconds: str) -> int:
    """Read in this process, and write what was read to the folder.

    Parameters
    ----------
    module, path : str
        As in `groups_apart`.
    folder : str
        Where the parent looks for it.
    seconds : str
        Processor time that may be taken.

    Returns
    -------
    0 when the file was read, 2 when it was refused.
    """
    _limit(int(seconds))
    told = Path(folder) / "told.json"
    try:
        aside = _Folder(Path(folder))
        groups, notes = importlib.import_module(module).read_groups(Path(path), aside.keep)
        told.write_text(json.dumps({"groups": _told(groups, aside), "notes": notes}), encoding="utf-8")
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
    return 0


if __name__ == "__main__":
    # Not by a plain exit: what a library left half-built is not to be torn down any more.
    status = main(*sys.argv[1:])
    os._exit(status)
