"""The run sheets of a folder, for every command that takes one."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

from diffbench.documents.loading import VERSIONS
from diffbench.errors import DocumentError
from diffbench.input_files import PAPER, content_of

_RUN_SHEET = "diffbench-run"
_STATED = re.compile(r"""^\s*["']?format["']?\s*=\s*["'](diffbench-[a-z]+)""", re.MULTILINE)


def run_sheets_in(folder: Path, *, below: bool = False) -> list[Path]:
    """Return the run sheets of a folder, and all that may be one.

    A ``.toml`` file is left out only where it is seen to be something else: another paper, or whole TOML
    that has no runs. One that cannot be opened, decoded or parsed is given back, so that whoever loads it
    tells its faults. Hidden files (``._run.toml``, ``.~lock.run.toml``) are other programs'.

    Parameters
    ----------
    folder : Path
        The folder.
    below : bool
        Whether to look into the folders in it, too.

    Returns
    -------
    Their paths, sorted.

    Raises
    ------
    DocumentError : when the folder, or one in it, cannot be looked into: nobody knows what it holds.
    """
    found: list[Path] = []
    for place, inside, names in os.walk(folder, onerror=_refuse):
        inside[:] = sorted(name for name in inside if not name.startswith(".")) if below else []
        found += [
            Path(place, name)
            for name in names
            if name.lower().endswith(".toml") and not name.startswith(".") and _may_be_one(Path(place, name))
        ]
    return sorted(found)


def _refuse(error: OSError) -> None:
    raise DocumentError.single(
        f"the folder cannot be looked into ({error.strerror or error})",
        file=str(error.filename),
        mend="check its permissions, or move it away",
    ) from error


def _may_be_one(path: Path) -> bool:
    try:
        content = content_of(path, most=PAPER)
    except (DocumentError, OSError):
        return True
    wide = content[:2] in (b"\xff\xfe", b"\xfe\xff")
    text = content.decode("utf-16" if wide else "utf-8", "replace").removeprefix("\ufeff")
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError):
        stated = _STATED.search(text)
        return stated is None or stated.group(1) not in VERSIONS or stated.group(1) == _RUN_SHEET
    kind = str(raw.get("format", "")).partition("/")[0]
    return kind == _RUN_SHEET or (kind not in VERSIONS and "run" in raw)
