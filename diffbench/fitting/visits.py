"""Read and condition the recordings of visits."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from diffbench.conditioning.hand import hand_readings, is_slow_drive
from diffbench.conditioning.pipeline import condition
from diffbench.conditioning.run import ConditionedVisit
from diffbench.conditioning.wiring import WiringError, check_flanks
from diffbench.documents import Rig, Visit
from diffbench.documents.visit import RunKind
from diffbench.errors import DiffbenchError, Fault, FitError, RecordingError
from diffbench.readers import read_parts, read_recording, recording_from
from diffbench.recording import Columns, Recording


def condition_visit(
    visit: Visit, say: Callable[[str], None]
) -> tuple[list[ConditionedVisit], dict[str, str]]:
    """All runs of a visit, conditioned, rig by rig; and the digests of the recordings.

    Faults of all recordings are told at once. Raises ``RecordingError`` with them, and ``FitError`` where
    nothing but tare runs is named.
    """
    by_rig: dict[Path, tuple[Rig, list[tuple[RunKind, Recording | Iterable[Recording]]]]] = {}
    by_hand: list[tuple[Path, Rig, Recording]] = []
    digests: dict[str, str] = {}
    faults: list[Fault] = []
    for run in visit.run_sheet.run:
        path, rig_path, rig = visit.recording_path(run), visit.rig_path_of(run), visit.rig_of(run)
        by_rig.setdefault(rig_path, (rig, []))
        given = visit.recordings.get(run.file)
        parts: Recording | Iterable[Recording] = _parts(path, rig, run.kind, digests, say, given)
        if run.kind == "turning-torque":
            # only its columns tell whether a wrench or a slow drive wrote it
            try:
                (parts,) = _parts(path, rig, run.kind, digests, say, given, whole=True)
            except DiffbenchError as error:
                faults += error.faults
                continue
            if not is_slow_drive(rig, parts):
                by_hand.append((rig_path, rig, parts))
                continue
        by_rig[rig_path][1].append((run.kind, parts))
    visit_key = str(visit.run_sheet_path)
    made: list[ConditionedVisit] = []
    for path, (rig, recordings) in by_rig.items():
        rig_key = visit.digests.get(str(path), str(path))
        if any(kind != "tare" for kind, _ in recordings):
            try:
                made.append(condition(rig, recordings, rig_key=rig_key, visit_key=visit_key))
            except RecordingError as error:
                told = error.with_sheet(visit.build) if isinstance(error, WiringError) else error
                faults += told.faults
                continue
            if not rig.turns_one_output:
                check_flanks(visit.build, rig, made[-1].runs)
        made += [
            hand_readings(rig, readings, rig_key=rig_key, visit_key=visit_key)
            for own, _, readings in by_hand
            if own == path
        ]
    if faults:
        raise RecordingError(faults)
    if not made:
        raise FitError.single(
            "only tare runs are named",
            file=str(visit.run_sheet_path),
            key="run",
            mend="add a bias-sweep, a speed-sweep or a turning-torque run",
        )
    return made, digests


def recording_faults(runs: Sequence[tuple[Path, Rig, RunKind]]) -> list[Fault]:
    """What is wrong with recordings whose papers are not whole, read and conditioned as their rigs say."""
    faults: dict[Fault, None] = {}
    by_rig: dict[str, tuple[Rig, list[tuple[RunKind, Iterable[Recording]]]]] = {}
    for path, rig, kind in runs:
        parts = read_parts(path, rig, kind=kind)
        by_rig.setdefault(repr(rig), (rig, []))[1].append((kind, parts))
    for rig, recordings in by_rig.values():
        try:
            if rig.turns_one_output or all(kind == "tare" for kind, _ in recordings):
                for _, read in recordings:
                    for part in read:
                        del part
            else:
                condition(rig, recordings, rig_key="", visit_key="")
        except DiffbenchError as error:
            faults |= dict.fromkeys(error.faults)
    return list(faults)


def _parts(
    path: Path,
    rig: Rig,
    kind: str,
    digests: dict[str, str],
    say: Callable[[str], None],
    given: Columns | Recording | None = None,
    *,
    whole: bool = False,
) -> Iterator[Recording]:
    """Parts of a recording, each read when it is asked for; what is ``given`` stands in no file."""
    say(f"reading {path.name}")
    rows = 0
    parts: Iterable[Recording]
    if isinstance(given, Recording):
        parts = [given]
    elif given is not None:
        parts = [recording_from(given, rig, kind=kind, name=str(path))]
    else:
        parts = [read_recording(path, rig, kind=kind)] if whole else read_parts(path, rig, kind=kind)
    for part in parts:
        digests[str(path)] = part.source.sha256
        if rows:
            say(f"reading {path.name}, from sample {rows + 1}")
        rows += len(part)
        yield part
        del part


def preload_apart(visits: Sequence[Visit], parts: Sequence[Sequence[ConditionedVisit]]) -> None:
    """Refuse sweeps in all of which input torque and locking torque are one and the same reading.

    Each of them is ``P/(1 - K)`` of a flank, and a torque held against itself lies on the line ``P = 0, K =
    1`` whatever the unit is. Readings by hand have a likelihood of their own. Raises ``FitError``.
    """
    every = [visit for mine in parts for visit in mine]
    if all(visit.by_hand is not None for visit in every) or not all(_in_one(visit) for visit in every):
        return
    raise FitError.single(
        "the recorded torque is input torque and locking torque in one, in all runs (one output braked or "
        "turned, the other free): preload and ramps cannot be told apart, whatever moves",
        file=str(visits[0].run_sheet_path),
        key="run",
        mend='add a run without input torque (kind "speed-sweep", both outputs measured), or readings of '
        "a wrench with the case free and the other output held",
    )


def _in_one(visit: ConditionedVisit) -> bool:
    """Whether each reading is input torque and locking torque in one."""
    if visit.by_hand is not None:
        return all(np.array_equal(np.abs(run.input_torque), np.abs(run.difference)) for run in visit.runs)
    shares = list(visit.rig.sits.equilibrium(visit.rig.channel).values())
    return len(shares) == 1 and abs(shares[0].input_torque) == abs(shares[0].difference)


def once_each(visits: Sequence[Visit], digests: Mapping[str, str]) -> None:
    """Refuse a recording that is in two places, under whatever name: it would be counted twice.

    ``digests``: SHA-256 of each recording by its path. Raises ``FitError``. A tare run may serve two visits.
    """
    seen: dict[str, tuple[Path, Path]] = {}
    for visit in visits:
        for run in visit.run_sheet.run:
            path = visit.recording_path(run)
            digest = digests.get(str(path))
            if digest is None or run.kind == "tare":
                continue
            if digest in seen:
                first, sheet = seen[digest]
                raise FitError.single(
                    f"{path} holds the same recording as {first} of {sheet}, and would be counted twice",
                    file=str(visit.run_sheet_path),
                    key="run",
                    mend="name every recording once",
                )
            seen[digest] = path, visit.run_sheet_path
