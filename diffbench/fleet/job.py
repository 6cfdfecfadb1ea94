"""One run sheet of many: fitted where a worker is, handed back as bytes, and never as an exception."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from diffbench.errors import DocumentError
from diffbench.input_files import refuse_irregular


@dataclass(frozen=True)
class Outcome:
    """What became of a run sheet: ``files`` of the result by name, manifest included, or ``faults`` one line
    each.

    ``verdict`` is "outside" where a limit of the build sheet is proven to be broken, else "".
    """

    sheet: str
    files: Mapping[str, bytes]
    faults: tuple[str, ...] = ()
    verdict: str = ""


def digest(path: Path) -> str | None:
    """SHA-256 of a file; None where it cannot be read."""
    try:
        refuse_irregular(path)
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (DocumentError, OSError):
        return None


def fitted(sheet: str, page: bool) -> Outcome:
    """Fit one run sheet and make its map, and with ``page`` its report.

    This runs in a worker, perhaps on another machine that sees the recordings under the same path. Faults of
    the papers and recordings come back as texts, so that they cost this run sheet only.
    """
    from diffbench.errors import DiffbenchError
    from diffbench.fitting import fit
    from diffbench.last_resort import last_words
    from diffbench.manifest import with_manifest
    from diffbench.predict import make_map
    from diffbench.report.files import documents

    try:
        result = fit(sheet)
        files = with_manifest(documents(result, make_map(result), page=page), result=result.digest)
    except DiffbenchError as error:
        return Outcome(sheet, {}, tuple(str(fault) for fault in error.faults))
    except Exception as error:  # noqa: BLE001  thousands of others shall not fall with it
        return Outcome(sheet, {}, (f"{sheet}: {last_words(error)[0]}",))
    outside = any(limit.verdict == "outside" for limit in result.limits)
    return Outcome(sheet, files, verdict="outside" if outside else "")
