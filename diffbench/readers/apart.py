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
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from diffbench.errors import Fault, Place, ReadingError
from diffbench.readers.foreign import damaged
from diffbench.readers.protocol import RawColumn
from diffbench.readers.time_bases import Group

MEMORY = 1 << 30  # bytes that the child may take
_SECONDS, _BYTES_A_SECOND = 8, 4_000_000  # of processor time: to load the library, and to read
_PATIENCE = 10  # real time over processor time, on a machine that is busy with other things
_REFUSED = 2


def read_groups_apart(path: Path, what: str, module: str) -> tuple[list[Group], list[str]]:
    """Return the groups of a file, read in a child process.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        Name of the format, for messages.
    module : str
        Full name of the module whose ``read_groups(path)`` reads the file.

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
        return [_loaded(group, Path(folder)) for group in said["groups"]], said["notes"]


def _breakdown(status: int, seconds: int) -> str:
    if status == -getattr(signal, "SIGXCPU", 0):
        return f"its library finds no end within {seconds} s"
    return f"its library breaks down over it (status {status})"


def _fault(said: dict[str, Any], path: Path) -> Fault:
    return Fault(said["what"], Place(str(path), said["line"], said["column"], said["key"]), said["mend"])


def _loaded(said: dict[str, Any], folder: Path) -> Group:
    """Return a group from the child's folder."""
    columns = tuple(
        RawColumn(
            column["name"],
            column["unit"],
            np.load(folder / column["file"])
            if column["texts"] is None
            else np.array([*column["texts"], ""], dtype=np.object_)[:-1],
        )
        for column in said["columns"]
    )
    time = None if said["time"] is None else np.load(folder / said["time"])
    clock = columns[said["clock"]] if isinstance(said["clock"], int) else said["clock"]
    return Group(said["name"], columns, time, clock)


def _saved(groups: Sequence[Group], folder: Path) -> list[dict[str, Any]]:
    """Write the arrays of groups to a folder, and return what tells them."""
    count = 0

    def save(values: Any) -> str:
        nonlocal count
        count += 1
        np.save(folder / f"{count}.npy", values)
        return f"{count}.npy"

    return [
        {
            "name": group.name,
            "time": None if group.time is None else save(group.time),
            "clock": next((i for i, column in enumerate(group.columns) if column is group.clock), None)
            if isinstance(group.clock, RawColumn)
            else group.clock,
            "columns": [
                {
                    "name": column.name,
                    "unit": column.unit,
                    "texts": column.values.tolist() if column.is_text else None,
                    "file": None if column.is_text else save(column.values),
                }
                for column in group.columns
            ],
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
        As in `read_groups_apart`.
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
        groups, notes = importlib.import_module(module).read_groups(Path(path))
        told.write_text(
            json.dumps({"groups": _saved(groups, Path(folder)), "notes": notes}), encoding="utf-8"
        )
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
