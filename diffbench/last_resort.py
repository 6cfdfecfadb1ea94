"""What is no fault of a file, in one line: what the machine refuses, and what nobody foresaw, which leaves a
file to send with a report."""

from __future__ import annotations

import contextlib
import os
import platform
import sys
import tempfile
import traceback
from importlib.metadata import PackageNotFoundError, version

from diffbench.errors import DiffbenchError
from diffbench.plain_text import escaped

UNFORESEEN = 3  # 1 is taken by the verdict, 2 by files and commands that are wrong
_LIBRARIES = ("numpy", "scipy", "pandas", "pydantic", "lmfit", "matplotlib", "click", "pyarrow", "h5py")
_FRAMES = 40  # calls told: one that goes on without end would fill the disk
_LONGEST = 200  # characters of an error's own words: a library may quote what it read


def last_words(error: Exception) -> tuple[str, int]:
    """Tell an error that is no `diffbench.errors.DiffbenchError`; write the file to send where nobody foresaw
    it.

    Parameters
    ----------
    error : Exception
        What was raised.

    Returns
    -------
    One line, which names the file, and the exit status. The file has traceback, versions and command; no
    readings of a recording, but names of files, and the first words of the error, which may quote a cell.
    """
    if isinstance(error, MemoryError):
        what = "the memory of this machine does not suffice"
        return f"{what}. Mend: close other programs, or cut the recording.", DiffbenchError.exit_status
    if isinstance(error, OSError):
        where = "" if error.filename is None else f"{os.fsdecode(error.filename)}: "
        return escaped(
            f"{where}the system refuses it ({error.strerror or error}). Mend: check the path, what you may "
            "do there, and the room on the disk."
        ), DiffbenchError.exit_status
    what = f"{type(error).__name__}: {str(error)[:_LONGEST]}"
    line = f"an error that nobody foresaw ({what}); this is a mistake in diffbench, not in your file"
    try:
        handle, path = tempfile.mkstemp(prefix="diffbench-error-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(_report(error, what))
    except OSError:
        return escaped(f"{line}. Mend: report it, with the command that you gave."), UNFORESEEN
    mend = f"report it with the file {path}; look through it before you send it"
    return escaped(f"{line}. Mend: {mend}."), UNFORESEEN


def _report(error: Exception, what: str) -> str:
    lines = [
        "diffbench: an error that nobody foresaw. No recording is in this file; names of files are.",
        "",
        f"error    {what}",
        f"command  {sys.argv!r}",
        f"system   {platform.platform()}, Python {platform.python_version()}",
        "versions " + ", ".join(_versions()),
        "",
    ]
    seen: BaseException | None = error
    while seen is not None:
        lines.append(f"{type(seen).__name__}, raised by:")
        lines += [
            f"  {frame.filename}, line {frame.lineno}, in {frame.name}: {frame.line}"
            for frame in traceback.extract_tb(seen.__traceback__)[-_FRAMES:]
        ]
        seen = seen.__cause__ or seen.__context__
    return "\n".join(lines) + "\n"


def _versions() -> list[str]:
    found = []
    for name in ("diffbench", *_LIBRARIES):
        with contextlib.suppress(PackageNotFoundError):
            found.append(f"{name} {version(name)}")
    return found
