"""Results that a command is given: characterisations, folders of results, or run sheets to fit first."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from diffbench.cli.progress import Progress

if TYPE_CHECKING:
    from diffbench.errors import Fault
    from diffbench.results.characterisation import Characterisation


def result_of(path: Path, *, quiet: bool = False) -> Characterisation:
    """A characterisation as it was kept, from its file or from the folder of a result; or a run sheet,
    fitted.

    Parameters
    ----------
    path : Path
        ``characterisation.json``, a folder that holds one, or a run sheet (``.toml``).
    quiet : bool
        Whether to say nothing of a fit that takes its time.

    Returns
    -------
    The characterisation.

    Raises
    ------
    DiffbenchError
        The file cannot serve.
    """
    from diffbench.results.characterisation import load_characterisation

    if path.suffix.lower() == ".toml":
        from diffbench.fitting import fit

        with Progress(enabled=not quiet and sys.stderr.isatty()) as say:
            return fit([path], progress=say)
    return load_characterisation(path)


def results_of(paths: Sequence[Path], *, quiet: bool = False) -> list[tuple[Path, Characterisation]]:
    """Results of several paths, each with the path that it is from; a folder without a characterisation
    gives its run sheets, in the order of their names.

    Raises
    ------
    DiffbenchError
        A file cannot serve. Every fault of every run sheet is told before any is fitted: a result from fewer
        visits than were named would be another one.
    """
    from diffbench.documents import load_visit, run_sheets_in
    from diffbench.errors import DiffbenchError, DocumentError
    from diffbench.results.manifest import holds

    listed: list[Path] = []
    for path in paths:
        if path.is_dir() and not holds(path, "characterisation.json"):
            found = run_sheets_in(path)
            if not found:
                raise DocumentError.single(
                    "holds neither a characterisation.json nor a run sheet",
                    file=str(path),
                    mend="name run sheets, or folders of results",
                )
            listed += found
        else:
            listed.append(path)
    faults: dict[Fault, None] = {}
    for path in listed:
        if path.suffix.lower() == ".toml":
            try:
                load_visit(path)
            except DiffbenchError as error:
                faults |= dict.fromkeys(error.faults)
    if faults:
        raise DocumentError(list(faults))
    return [(path, result_of(path, quiet=quiet)) for path in listed]
