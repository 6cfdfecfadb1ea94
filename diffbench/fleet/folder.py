"""The folder of many results: what is to be done, what is done already, and one run at a time.

Done means: the result stands and its SHA-256 of papers and recordings still hold. There is no journal that
could tear or lie.
"""

from __future__ import annotations

import json
import os
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from diffbench.errors import FitError, OutputError
from diffbench.fleet.job import Outcome, digest
from diffbench.whole_files import write_whole

LOCK = ".fit-all.lock"
FAULTS = "faults.txt"  # stands where a result would, until there is one
RESULT = "characterisation.json"
_RUN_SHEET = "diffbench-run/"


@dataclass(frozen=True)
class Fleet:
    """``sheets`` found below ``source``, results to come below ``out``, one folder for each."""

    source: Path
    out: Path
    sheets: tuple[Path, ...]

    def folder(self, sheet: Path) -> Path:
        """Where the result of a run sheet goes: its own path below the source, without ``.toml``."""
        return self.out / sheet.relative_to(self.source).with_suffix("")

    def is_done(self, sheet: Path, *, page: bool) -> bool:
        """Whether the result stands, made by this version of these very bytes of papers and recordings."""
        from diffbench import __version__

        folder = self.folder(sheet)
        if page and not (folder / "report.html").exists():
            return False
        try:
            provenance = json.loads((folder / RESULT).read_bytes())["provenance"]
            inputs, version = dict(provenance["inputs"]), provenance["version"]
        except (OSError, ValueError, KeyError, TypeError):
            return False
        return (
            version == __version__
            and str(sheet) in inputs
            and all(digest(Path(path)) == expected for path, expected in inputs.items())
        )

    def keep(self, outcome: Outcome) -> None:
        """Write a result, or its faults, whole. Raises ``OutputError`` where it cannot be."""
        folder = self.folder(Path(outcome.sheet))
        if outcome.files:
            write_whole(folder, outcome.files)
            with suppress(FileNotFoundError):
                (folder / FAULTS).unlink()
        else:
            write_whole(folder, {FAULTS: ("\n".join(outcome.faults) + "\n").encode()})

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Hold the folder of results for one run; a second one is refused. The system lets go of the lock
        however a run ends."""
        try:
            self.out.mkdir(parents=True, exist_ok=True)
            handle = os.open(self.out / LOCK, os.O_RDWR | os.O_CREAT, 0o666)
        except OSError as error:
            raise OutputError.single(
                f"the folder for the results cannot be used ({error.strerror or error})",
                file=str(self.out),
                mend="name another folder with --out",
            ) from None
        try:
            if not _locked(handle):
                raise OutputError.single(
                    "another run is writing its results here",
                    file=str(self.out),
                    mend="wait until it has ended, or name another folder with --out",
                )
            yield
        finally:
            os.close(handle)


def run_sheets(source: Path) -> tuple[Path, ...]:
    """All run sheets in a folder and below it, in the order of their paths.

    A file is taken for a run sheet by its ``format``; one that is no TOML is taken too if it says so in its
    text, so that its fault is told. Raises ``FitError`` where there is none.
    """
    found = tuple(path for path in sorted(source.rglob("*.toml")) if path.is_file() and _is_run_sheet(path))
    if not found:
        raise FitError.single(
            "there is no run sheet in this folder or below it",
            file=str(source),
            mend='name a folder that holds run sheets: .toml files with format = "diffbench-run/1"',
        )
    return found


def _is_run_sheet(path: Path) -> bool:
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    try:
        stated = tomllib.loads(text).get("format")
    except tomllib.TOMLDecodeError:
        return _RUN_SHEET in text
    return isinstance(stated, str) and stated.startswith(_RUN_SHEET)


def _locked(handle: int) -> bool:
    """Take the lock of an open file, or tell that somebody has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
