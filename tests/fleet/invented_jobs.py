"""Jobs that take no time, in a module that worker processes can import."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

from diffbench import __version__
from diffbench.results import digest
from diffbench.results.manifest import with_manifest
from diffbench.run import Outcome


def quick(sheet: str, page: bool) -> Outcome:
    """A result that names the run sheet as its only input; faults where the sheet says so."""
    path = Path(sheet)
    if "broken" in path.read_text():
        return Outcome(sheet, {}, (f"{sheet}: what is wrong. How to mend it",))
    provenance = {"inputs": {sheet: digest(path)}, "visits": [sheet], "version": __version__}
    files = {
        "characterisation.json": json.dumps({"provenance": provenance, "unit": path.stem}).encode(),
        "map.json": b"0" * 200_000,
    }
    if page:
        files["report.html"] = f"<p>{digest(path)}".encode()
    return Outcome(sheet, with_manifest(files, result="invented"))


def deadly(sheet: str, page: bool) -> Outcome:
    """As above, but a sheet that says so ends its process; one that says once, the first time only."""
    text, mark = Path(sheet).read_text(), Path(f"{sheet}.died")
    if "deadly" in text or ("once" in text and not mark.exists()):
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return quick(sheet, page)
