"""One visit to the bench: run sheet, rig, build sheet and recordings, brought together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from diffbench.documents.build import Build
from diffbench.documents.loading import Document, nearest_file, read_document
from diffbench.documents.rig import HAND_ARRANGEMENTS, Rig
from diffbench.documents.run_sheet import Run, RunSheet
from diffbench.errors import DocumentError, Fault, Place


@dataclass(frozen=True)
class Visit:
    """The papers of one visit.

    Parameters
    ----------
    run_sheet : RunSheet
        What was done.
    rig : Rig
        The visit's own rig.
    build : Build
        What was assembled.
    run_sheet_path, rig_path, build_path : Path
        Where they stand.
    digests : mapping
        SHA-256 of every document by its path; those of the recordings come with the recordings.
    other_rigs : mapping
        Rigs that single runs name, by the path as the run sheet has it.
    """

    run_sheet: RunSheet
    rig: Rig
    build: Build
    run_sheet_path: Path
    rig_path: Path
    build_path: Path
    digests: Mapping[str, str]
    other_rigs: Mapping[str, Rig]

    def rig_of(self, run: Run) -> Rig:
        """Return the rig that a run was taken on.

        Parameters
        ----------
        run : Run
            One of the run sheet's.

        Returns
        -------
        The run's own rig, else the visit's.
        """
        return self.rig if run.rig is None else self.other_rigs[run.rig]

    def rig_path_of(self, run: Run) -> Path:
        """Return where the rig of a run stands.

        Parameters
        ----------
        run : Run
            One of the run sheet's.

        Returns
        -------
        The path.
        """
        return self.rig_path if run.rig is None else self.run_sheet_path.parent / run.rig

    def recording_path(self, run: Run) -> Path:
        """Return where the recording of a run stands.

        Parameters
        ----------
        run : Run
            One of the run sheet's.

        Returns
        -------
        The path.
        """
        return self.run_sheet_path.parent / run.file


def load_visit(run_sheet_path: str | Path) -> Visit:
    """Return one visit with its rig, build sheet and run sheet; the recordings are only looked for.

    Parameters
    ----------
    run_sheet_path : str or Path
        The run sheet; what it names is relative to its folder.

    Returns
    -------
    The visit.

    Raises
    ------
    DocumentError : with every fault of all these files at once.
    """
    path = Path(run_sheet_path)
    run_sheet, digest = read_document(path, RunSheet)
    folder = path.parent
    faults: list[Fault] = []
    digests = {str(path): digest}

    def read(name: str, model: type[Document], key: str) -> Document | None:
        try:
            document, found = read_document(folder / name, model)
        except DocumentError as error:
            missing = not (folder / name).is_file()
            for fault in error.faults:
                # A file that is not there is a fault of the run sheet that names it.
                faults.append(
                    Fault(f"'{name}': {fault.what}", Place(str(path), key=key), fault.mend)
                    if missing
                    else fault
                )
            return None
        digests[str(folder / name)] = found
        return document

    rig = read(run_sheet.rig, Rig, "rig")
    build = read(run_sheet.build, Build, "build")
    others: dict[str, Rig | None] = {}
    for number, run in enumerate(run_sheet.run, start=1):
        if run.rig is not None and run.rig not in others:
            others[run.rig] = read(run.rig, Rig, f"run[{number}].rig")
    for number, run in enumerate(run_sheet.run, start=1):
        place = Place(str(path), key=f"run[{number}]")
        faults += _recording_faults(folder / run.file, run, place)
        of_run = rig if run.rig is None else others[run.rig]
        if of_run is not None:
            faults += _kind_faults(run, of_run, place)
    if faults or rig is None or build is None:
        raise DocumentError(faults)
    return Visit(
        run_sheet=run_sheet,
        rig=rig,
        build=build,
        run_sheet_path=path,
        rig_path=folder / run_sheet.rig,
        build_path=folder / run_sheet.build,
        digests=digests,
        other_rigs={name: other for name, other in others.items() if other is not None},
    )


def _recording_faults(path: Path, run: Run, place: Place) -> list[Fault]:
    """Return a fault where the recording is not there."""
    at = Place(place.file, key=f"{place.key}.file")
    if path.is_file():
        return []
    if path.exists():
        return [Fault(f"'{run.file}' is a folder, a recording is wanted", at, "name the file in it")]
    if "\\" in run.file:
        return [Fault(f"'{run.file}' does not exist", at, "write paths with forward slashes")]
    near = nearest_file(path)
    mend = f"'{near}' is there: is it meant?" if near else f"check the path, it is relative to {path.parent}"
    return [Fault(f"'{run.file}' does not exist", at, mend)]


def _kind_faults(run: Run, rig: Rig, place: Place) -> list[Fault]:
    """Return a fault where the rig can't have taken this kind of run: the arrangement is never guessed."""
    by_hand = rig.arrangement in HAND_ARRANGEMENTS
    at = Place(place.file, key=f"{place.key}.kind")
    if run.kind == "turning-torque":
        if "turning_torque" not in rig.channel:
            return [
                Fault(
                    f"a turning-torque run needs the channel turning_torque, which the rig '{rig.name}' has not",
                    at,
                    'name the rig that it was taken on: rig = "..." under [[run]]',
                )
            ]
        if not by_hand and "arrangement" not in rig.channel:
            return [
                Fault(
                    f"the rig '{rig.name}' does not say whether the case was free or held",
                    at,
                    "describe a channel 'arrangement', or a rig of its own for the run",
                )
            ]
    elif by_hand and run.kind != "tare":
        return [
            Fault(
                f"a {run.kind} needs torques on both sides of the unit, the rig '{rig.name}' turns one output",
                at,
                'write kind = "turning-torque", or name the rig that it was taken on',
            )
        ]
    return []
