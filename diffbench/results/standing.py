"""Results that stand: whole, unedited, and made by this version of these very bytes of papers and recordings,
so that the fit need not be made again. Any doubt is a no. Nothing is kept for this: results lie where they
were written."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from pathlib import Path

from diffbench._version import __version__
from diffbench.errors import DiffbenchError, DocumentError
from diffbench.input_files import refuse_irregular
from diffbench.results.manifest import NAME, Manifest, check_whole, holds, missing, read_whole

__all__ = ["digest", "stands", "stands_near"]

RESULT = "characterisation.json"


def digest(path: Path) -> str | None:
    """SHA-256 of a file; None where it cannot be read."""
    try:
        refuse_irregular(path)
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (DocumentError, OSError):
        return None


def stands(folder: Path, sheets: Sequence[Path]) -> Manifest | None:
    """The manifest of a folder that holds the result of these run sheets, where it stands.

    Parameters
    ----------
    folder : Path
        The folder of a result.
    sheets : sequence of Path
        Run sheets, in the order in which they are given to the fit.

    Returns
    -------
    The manifest; None where there is no result, a file of it is missing or was edited, it was made by another
    version or of other run sheets, or a paper or recording is not what it was.
    """
    try:
        manifest = check_whole(folder)
        if manifest is None or missing(folder, manifest):
            return None
        provenance = json.loads(read_whole(folder / RESULT))["provenance"]
        if provenance["version"] != __version__:
            return None
        same = _same(dict(provenance["inputs"]), list(provenance["visits"]), sheets)
    except (DiffbenchError, OSError, ValueError, KeyError, TypeError):
        return None
    return manifest if same else None


def _same(inputs: dict[str, str], visits: list[str], sheets: Sequence[Path]) -> bool:
    """Whether papers and recordings are where the run sheets name them, with the same bytes.

    Paths of the result are as the run sheets were named then, from a folder that may be another one now: they
    are taken from the first run sheet on.
    """
    if len(visits) != len(sheets) or not set(visits) <= set(inputs):
        return False
    home, now = os.path.dirname(visits[0]), sheets[0].parent  # noqa: PTH120  as it was written

    def here(name: str) -> Path:
        kept = os.path.isabs(name) and not os.path.isabs(visits[0])  # noqa: PTH117
        return Path(name) if kept else now / os.path.relpath(name, home or os.curdir)

    named = zip(visits, sheets, strict=True)
    return all(here(visit).resolve() == sheet.resolve() for visit, sheet in named) and all(
        digest(here(name)) == expected for name, expected in inputs.items()
    )


def stands_near(sheet: Path) -> Path | None:
    """The folder of a result of one run sheet that stands in a folder beside it, or in the present folder;
    None where there is none."""
    for place in dict.fromkeys((sheet.parent, Path())):
        try:
            folders = sorted(path for path in place.iterdir() if path.is_dir())
        except OSError:
            continue
        for folder in folders:
            if holds(folder, NAME) and holds(folder, RESULT) and stands(folder, [sheet]) is not None:
                return folder
    return None
