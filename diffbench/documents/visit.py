"""One visit to the bench: the run sheet with its recordings in order, rig, build sheet and recordings brought
together; and whether the build sheets of several say one thing of what a joint fit takes as one.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import tomllib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeAlias, get_args

from pydantic import BaseModel, Field, field_validator

from diffbench.documents.build import Build
from diffbench.documents.faults import dotted, each_file_once, key_lines, line_of
from diffbench.documents.fields import Day, Table, Text
from diffbench.documents.loading import Document, Read, document_of, nearest_file, read_document
from diffbench.documents.rig import Rig
from diffbench.errors import DocumentError, Fault, Place
from diffbench.input_files import PAPER, content_of
from diffbench.recording import Columns, Recording

RunKind = Literal["tare", "bias-sweep", "speed-sweep", "turning-torque"]


class Run(Table):
    """One recording: its file, what was done, and another rig where it was not taken on the visit's own."""

    file: Text = Field(description="path of the recording", examples=["bias-sweep.csv"])
    kind: RunKind = Field(description="what was done")
    rig: Text | None = Field(
        default=None,
        description="where the run was not taken on the visit's own rig",
        examples=["wrench.toml"],
    )
    note: Text | None = Field(default=None, description="anything")


class RunSheet(Table):
    """One visit: rig, build sheet and recordings by path relative to the run sheet, and the day."""

    format: Literal["diffbench-run/1"] = Field(description="kind and version of the document")
    rig: Text = Field(description="path of the rig", examples=["my-cell.toml"])
    build: Text = Field(description="path of the build sheet", examples=["q17.toml"])
    date: Day = Field(description="of the visit", examples=["2026-03-15"])
    operator: Text | None = Field(default=None, description="who ran the bench")
    note: Text | None = Field(default=None, description="anything")
    run: tuple[Run, ...] = Field(
        min_length=1, description="one for each recording", examples=[[{"file": "tare.csv", "kind": "tare"}]]
    )

    @field_validator("run")
    @classmethod
    def _each_once(cls, runs: tuple[Run, ...]) -> tuple[Run, ...]:
        each_file_once([run.file for run in runs])
        return runs


def load_run_sheet(path: str | Path) -> RunSheet:
    """The run sheet of a TOML file; the files that it names are not looked at.

    Raises ``DocumentError`` with every fault of the file.
    """
    return read_document(path, RunSheet).document


Given: TypeAlias = Columns | Recording | str | Path


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
    recordings : mapping
        What stands in no file, by the name that the run has for it.

    See `Visit.of` for a visit from objects.
    """

    run_sheet: RunSheet
    rig: Rig
    build: Build
    run_sheet_path: Path
    rig_path: Path
    build_path: Path
    digests: Mapping[str, str]
    other_rigs: Mapping[str, Rig] = field(default_factory=dict)
    recordings: Mapping[str, Columns | Recording] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        rig: Rig | Mapping[str, object] | str | Path,
        build: Build | Mapping[str, object] | str | Path,
        runs: Sequence[tuple[str, Given] | tuple[str, Given, Rig]],
        *,
        date: dt.date | str,
        name: str = "",
    ) -> Visit:
        """A visit from objects, without a run sheet.

        Parameters
        ----------
        rig, build : Rig, Build, mapping, or path
            The bench and what was assembled; a mapping has the keys and values of the TOML document, which a
            path names.
        runs : sequence of (kind, recording) or (kind, recording, rig)
            In order. Kind is ``"tare"``, ``"bias-sweep"``, ``"speed-sweep"`` or ``"turning-torque"``. A
            recording is a mapping of arrays of shape (n,) or a data frame, by the column names of the rig
            and in its units; a `diffbench.Recording`, in SI; or the path of a file. A rig only where the run
            was not taken on the visit's own.
        date : date or str
            Of the visit, ``"2026-03-15"``.
        name : str
            What messages and provenance call the visit; build and date where left out. Visits that are fitted
            together need names of their own.

        Returns
        -------
        The visit, for `diffbench.fit`.

        Raises
        ------
        DocumentError : with every fault of papers and runs. Those of recordings are told by the fit.

        Notes
        -----
        Two visits are on one bench where their rigs say the same; a rig from a file and the same one as an
        object count as two.

        Examples
        --------
        >>> def characterised(rig, build, tare, sweep):  # two data frames, for example
        ...     runs = [("tare", tare), ("bias-sweep", sweep)]
        ...     return diffbench.fit(Visit.of(rig, build, runs, date="2026-03-15"))
        """
        if isinstance(rig, str | Path):
            rig = read_document(rig, Rig).document
        if isinstance(build, str | Path):
            build = read_document(build, Build).document
        rig = rig if isinstance(rig, Rig) else document_of(rig, Rig, source="rig")
        build = build if isinstance(build, Build) else document_of(build, Build, source="build sheet")
        name = (name or f"{build.build}, {date}").replace("/", "-")
        stated, rigs, recordings = _runs(runs, name)
        own, built = _label(rig), f"build sheet {build.build}"
        sheet = {"format": "diffbench-run/1", "rig": own, "build": built, "date": date, "run": stated}
        made = cls(
            run_sheet=document_of(sheet, RunSheet, source=name),
            rig=rig,
            build=build,
            run_sheet_path=Path(name),
            rig_path=Path(own),
            build_path=Path(built),
            digests={built: _digest(build), own: _digest(rig)}
            | {key: _digest(one) for key, one in rigs.items()},
            other_rigs=rigs,
            recordings=recordings,
        )
        faults: list[Fault] = []
        for number, run in enumerate(made.run_sheet.run):
            if run.file not in recordings:
                faults += _recording_faults(
                    Path(run.file), run, Place(name, key=dotted(("run", number, "file")))
                )
            faults += _kind_faults(run, made.rig_of(run), Place(name, key=dotted(("run", number, "kind"))))
        if faults:
            raise DocumentError(faults)
        return made

    def rig_of(self, run: Run) -> Rig:
        """The rig that a run was taken on: its own, else the visit's."""
        return self.rig if run.rig is None else self.other_rigs[run.rig]

    def rig_path_of(self, run: Run) -> Path:
        """Where the rig of a run stands."""
        return self.rig_path if run.rig is None else self.run_sheet_path.parent / run.rig

    def recording_path(self, run: Run) -> Path:
        """Where the recording of a run stands."""
        return Path(run.file) if run.file in self.recordings else self.run_sheet_path.parent / run.file


def _runs(
    runs: Sequence[tuple[str, Given] | tuple[str, Given, Rig]], name: str
) -> tuple[list[dict[str, object]], dict[str, Rig], dict[str, Columns | Recording]]:
    """Runs as a run sheet has them; rigs of their own, and recordings in memory, by the names in it."""
    stated: list[dict[str, object]] = []
    rigs: dict[str, Rig] = {}
    recordings: dict[str, Columns | Recording] = {}
    for number, (kind, given, *other) in enumerate(runs, start=1):
        file = f"{name}, run {number}"
        if isinstance(given, str | Path):
            file = str(Path(given).absolute())
        else:
            recordings[file] = given
        stated.append({"file": file, "kind": kind})
        for rig in other:
            rigs[label := _label(rig)] = rig
            stated[-1]["rig"] = label
    return stated, rigs, recordings


def _digest(paper: BaseModel) -> str:
    return hashlib.sha256(repr(paper.model_dump()).encode()).hexdigest()


def _label(rig: Rig) -> str:
    """A rig that stands in no file, by a name that no other one has."""
    return f"rig {rig.name.replace('/', '-')} {_digest(rig)[:8]}"


def load_visit(run_sheet_path: str | Path, *, only: Collection[str] | None = None) -> Visit:
    """One visit with its rig, build sheet and run sheet; the recordings are only looked for.

    Parameters
    ----------
    run_sheet_path : str or Path
        The run sheet; what it names is relative to its folder.
    only : collection of str, optional
        Recordings, as the run sheet names them, that alone are looked for; the visit is without the others.

    Returns
    -------
    The visit.

    Raises
    ------
    DocumentError : with every fault of all these files at once.
    """
    path = Path(run_sheet_path)
    try:
        sheet = read_document(path, RunSheet)
    except DocumentError as error:
        raise DocumentError([*error.faults, *_faults_beside(path)]) from error
    lines = key_lines(sheet.text)

    def place(*location: str | int) -> Place:
        return Place(str(path), line_of(location, lines), key=dotted(location))

    own, folder = sheet.document, path.parent
    runs = [(i, run) for i, run in enumerate(own.run) if only is None or run.file in only]
    rig, faults = _named(own.rig, folder, Rig, place("rig"))
    build, of_build = _named(own.build, folder, Build, place("build"))
    faults += of_build
    others: dict[str, Read[Rig] | None] = {}
    for number, run in runs:
        if run.rig is not None and run.rig not in others:
            others[run.rig], of_rig = _named(run.rig, folder, Rig, place("run", number, "rig"))
            faults += of_rig
    for number, run in runs:
        faults += _recording_faults(folder / run.file, run, place("run", number, "file"))
        of_run = rig if run.rig is None else others[run.rig]
        if of_run is not None:
            faults += _kind_faults(run, of_run.document, place("run", number, "kind"))
    if faults or rig is None or build is None:
        raise DocumentError(faults)
    other_rigs = {name: other for name, other in others.items() if other is not None}
    return Visit(
        run_sheet=own.model_copy(update={"run": tuple(run for _, run in runs)}),
        rig=rig.document,
        build=build.document,
        run_sheet_path=path,
        rig_path=folder / own.rig,
        build_path=folder / own.build,
        digests={
            str(path): sheet.sha256,
            str(folder / own.rig): rig.sha256,
            str(folder / own.build): build.sha256,
            **{str(folder / name): other.sha256 for name, other in other_rigs.items()},
        },
        other_rigs={name: other.document for name, other in other_rigs.items()},
    )


def _raw(path: Path) -> dict[str, Any]:
    """What a run sheet says, as far as it is TOML at all."""
    try:
        return tomllib.loads(content_of(path, most=PAPER).decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError, DocumentError):
        return {}


def _faults_beside(path: Path) -> list[Fault]:
    """Faults of the papers that a faulty run sheet names, as far as it can be read: all are told at once."""
    raw, folder = _raw(path), path.parent
    faults: list[Fault] = []
    for key, model in (("rig", Rig), ("build", Build)):
        name = raw.get(key)
        if isinstance(name, str) and name:
            faults += _named(name, folder, model, Place(str(path), key=key))[1]
    return faults


def readable_runs(run_sheet_path: str | Path) -> list[tuple[Path, Rig, RunKind]]:
    """The runs of a run sheet whose recording and rig are there and whole, however faulty the rest is."""
    path = Path(run_sheet_path)
    raw = _raw(path)
    runs = raw.get("run")
    found: list[tuple[Path, Rig, RunKind]] = []
    for run in runs if isinstance(runs, list) else []:
        name = run.get("rig", raw.get("rig")) if isinstance(run, dict) else None
        if not isinstance(name, str) or not isinstance(run.get("file"), str):
            continue
        recording, kind = path.parent / run["file"], run.get("kind")
        if kind not in get_args(RunKind) or not os.path.isfile(recording):  # noqa: PTH113  see below
            continue
        rig = _named(name, path.parent, Rig, Place(str(path)))[0]
        by_hand = rig is not None and rig.document.turns_one_output
        if rig is not None and by_hand == (kind == "turning-torque"):
            found.append((recording, rig.document, kind))
    return found


def _named(
    name: str, folder: Path, model: type[Document], place: Place
) -> tuple[Read[Document] | None, list[Fault]]:
    """A document that a run sheet names at a place, or its faults."""
    path = folder / name
    try:
        return read_document(path, model), []
    except DocumentError as error:
        if os.path.isfile(path):  # noqa: PTH113  # see _recording_faults
            return None, list(error.faults)
        # a file that is not there is a fault of the run sheet that names it
        return None, [Fault(f"'{name}': {error.faults[0].what}", place, error.faults[0].mend)]


def _recording_faults(path: Path, run: Run, place: Place) -> list[Fault]:
    """A fault where the recording is not there."""
    # Not the methods of Path: they raise on names that are too long to exist.
    if os.path.isfile(path):  # noqa: PTH113
        return []
    if os.path.exists(path):  # noqa: PTH110
        return [Fault(f"'{run.file}' is a folder, a recording is wanted", place, "name the file in it")]
    if "\\" in run.file:
        return [Fault(f"'{run.file}' does not exist", place, "write paths with forward slashes")]
    near = nearest_file(path)
    mend = f"'{near}' is there: is it meant?" if near else f"check the path, it is relative to {path.parent}"
    return [Fault(f"'{run.file}' does not exist", place, mend)]


def _kind_faults(run: Run, rig: Rig, place: Place) -> list[Fault]:
    """A fault where the rig can't have taken this kind of run: the arrangement is never guessed."""
    by_hand = rig.turns_one_output
    own_rig = 'name the rig that it was taken on, rig = "..." under [[run]]'
    if run.kind == "turning-torque":
        if "turning_torque" not in rig.channel:
            what = f"the rig '{rig.name}' has no channel turning_torque, which this kind of run needs"
            return [Fault(what, place, own_rig)]
        if not by_hand and "arrangement" not in rig.channel:
            what = f"the rig '{rig.name}' does not say whether the case was free or held"
            return [Fault(what, place, f"describe a channel 'arrangement' there, or {own_rig}")]
    elif by_hand and run.kind != "tare":
        what = f"the rig '{rig.name}' turns one output, a {run.kind} needs the torques of both"
        return [Fault(what, place, f'write kind = "turning-torque", or {own_rig}')]
    return []


# What a joint fit takes from the first sheet alone, as all builds share it.
OF_ALL_BUILDS = ("oil", "reference", "preload.law", "preload.joint_fraction")


def one_sheet(visits: Sequence[Visit]) -> list[Fault]:
    """Ask the sheets of visits of one unit that are to be fitted together.

    Returns a fault for each build name that stands for two sheets (a note apart), and for each statement that
    all builds share and of which two are made.
    """
    first = visits[0]
    by_name: dict[str, Visit] = {}
    faults = []
    for visit in visits:
        known = by_name.setdefault(visit.build.build, visit)
        differ = [d for d in _differences(known.build, visit.build) if d[0] != "note"]
        if differ and known is not visit:
            faults.append(_two_sheets(known, visit, differ))
        elif known is visit and visit is not first:
            differ = [d for d in _differences(first.build, visit.build) if d[0].startswith(OF_ALL_BUILDS)]
            gears = [v.build.gear_friction for v in (first, visit)]  # wherever the sheet has it
            if gears[0] != gears[1]:
                here, there = (_said("gear_friction", gear) for gear in gears)
                differ.append(("gear_friction", here, there))
            faults += [_two_statements(first, visit, *d) for d in differ]
    return faults


def _two_sheets(known: Visit, visit: Visit, differ: Sequence[tuple[str, str, str]]) -> Fault:
    said = "; ".join(
        f"{key} is {here} in {known.build_path}, {there} in {visit.build_path}" for key, here, there in differ
    )
    driven = any(key == "distance" for key, *_ in differ)
    return Fault(
        f"two build sheets bear the name {visit.build.build}, and say different things: {said}",
        Place(str(visit.build_path), key=differ[0][0]),
        "give the later state a build name of its own, and hold the two against each other with "
        "'diffbench compare'; or state one distance in both, if nothing was driven in between"
        if driven
        else "name one build sheet in both run sheets, or give each build a name of its own",
    )


def _two_statements(first: Visit, visit: Visit, key: str, here: str, there: str) -> Fault:
    return Fault(
        f"builds that are fitted together share one {key}, and their sheets state two: {here} in "
        f"{first.build_path}, {there} in {visit.build_path}",
        Place(str(visit.build_path), key=key),
        "state the same in both, or fit each build by itself",
    )


def _differences(one: BaseModel, other: BaseModel, within: str = "") -> Iterator[tuple[str, str, str]]:
    """Keys in which two sheets differ, and what each says."""
    for name, stated in type(one).model_fields.items():
        here, there = getattr(one, name), getattr(other, name)
        key = f"{within}{stated.alias or name}"
        if isinstance(here, BaseModel) and isinstance(there, BaseModel):
            yield from _differences(here, there, f"{key}.")
        elif here != there:
            yield key, _said(key, here), _said(key, there)


def _said(key: str, value: object) -> str:
    if value is None or isinstance(value, BaseModel):
        return "not stated" if value is None else "a table"
    if key == "distance" and isinstance(value, float):
        return f"{value / 1000.0:g} km"
    number = getattr(value, "value", value)
    return f"{number:.6g}" if isinstance(number, float) else str(number)
