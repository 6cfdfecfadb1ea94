"""The folder of many results: what is to be done, what is done already, and one run at a time.

Done means: the result stands and its SHA-256 of papers and recordings still hold. There is no journal that
could tear or lie.
"""

from __future__ import annotations

import json
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from diffbench.documents import run_sheets_in
from diffbench.errors import DiffbenchError, FitError
from diffbench.fleet.job import Outcome, digest
from diffbench.manifest import check_whole, holds, missing, read_whole
from diffbench.report.files import FAULTS, put_results
from diffbench.whole_files import made_and_held, recover, write_whole

LOCK = ".fit-all.lock"
EARLIER = "The result beside this file is an earlier one, of other papers, recordings or another version."
RESULT = "characterisation.json"


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
        """Whether the result stands whole, unedited and of one fit, made by this version of these very bytes
        of papers and recordings; what an earlier run was ended in is brought to its end first. Raises
        ``OutputError`` where it cannot be."""
        from diffbench._version import __version__

        folder = self.folder(sheet)
        recover(folder)
        try:
            manifest = check_whole(folder)
            if manifest is None or missing(folder, manifest) or page > ("report.html" in manifest.files):
                return False
            provenance = json.loads(read_whole(folder / RESULT))["provenance"]
            inputs, version = dict(provenance["inputs"]), provenance["version"]
        except (DiffbenchError, OSError, ValueError, KeyError, TypeError):
            return False
        return (
            version == __version__
            and str(sheet) in inputs
            and all(digest(Path(path)) == expected for path, expected in inputs.items())
        )

    def keep(self, outcome: Outcome) -> None:
        """Write a result in the place of an earlier one, or its faults, beside an earlier one, whole. Raises
        ``OutputError`` where it cannot be."""
        folder = self.folder(Path(outcome.sheet))
        if outcome.files:
            put_results(folder, outcome.files)
        else:
            lines = [*outcome.faults, *([EARLIER] if holds(folder, RESULT) else [])]
            write_whole(folder, {FAULTS: ("\n".join(lines) + "\n").encode()})

    def alone(self) -> AbstractContextManager[None]:
        """Hold the folder of results for one run; a second one is refused. The system lets go of the lock
        however a run ends."""
        return made_and_held(self.out, name=LOCK)


def run_sheets(source: Path) -> tuple[Path, ...]:
    """All run sheets in a folder and below it, in the order of their paths (`run_sheets_in`). Raises
    ``FitError`` where there is none."""
    found = tuple(run_sheets_in(source, below=True))
    if not found:
        raise FitError.single(
            "there is no run sheet in this folder or below it",
            file=str(source),
            mend='name a folder that holds run sheets: .toml files with format = "diffbench-run/1"',
        )
    return found
