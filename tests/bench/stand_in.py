"""A fit that takes no time: one result that was fitted before, under the papers and recordings of whatever
run sheet is given. In a module of its own, since worker processes import it."""

from __future__ import annotations

import json
import os
from pathlib import Path

from diffbench.documents import load_visit
from diffbench.errors import DiffbenchError
from diffbench.results import digest
from diffbench.results.manifest import with_manifest
from diffbench.run import Outcome

FOLDER = "DIFFBENCH_STAND_IN"  # names the folder of the result, for the workers too


def fitted(sheet: str, page: bool) -> Outcome:
    """As `diffbench.run.fitted`, but for the fit: papers are read, every file is digested."""
    try:
        visit = load_visit(Path(sheet))
    except DiffbenchError as error:
        return Outcome(sheet, {}, tuple(str(fault) for fault in error.faults))
    folder = Path(os.environ[FOLDER])
    files = {name: (folder / name).read_bytes() for name in ("map.json", "map.csv")}
    result = json.loads((folder / "characterisation.json").read_bytes())
    paths = [*map(Path, visit.digests), *(visit.recording_path(run) for run in visit.run_sheet.run)]
    result["provenance"]["inputs"] = {str(path): digest(path) for path in paths}
    result["provenance"]["visits"] = [sheet]
    files["characterisation.json"] = json.dumps(result, indent=1).encode()
    return Outcome(sheet, with_manifest(files, result=result["sha256"]))
