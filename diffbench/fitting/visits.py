"""Read and condition the recordings of one visit."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from diffbench.conditioning.flanks import check_flanks
from diffbench.conditioning.hand import hand_readings, is_slow_drive
from diffbench.conditioning.pipeline import condition
from diffbench.conditioning.run import ConditionedVisit
from diffbench.documents import Rig, Visit
from diffbench.errors import DiffbenchError, Fault, FitError
from diffbench.readers import read_recording
from diffbench.recording import Recording


def condition_visit(
    visit: Visit, say: Callable[[str], None]
) -> tuple[list[ConditionedVisit], dict[str, str]]:
    """All runs of a visit, conditioned, rig by rig; and the digests of the recordings.

    Faults of all recordings are told at once. Raises ``FitError`` where nothing but tare runs is named.
    """
    by_rig: dict[Path, tuple[Rig, list[tuple[str, Recording]]]] = {}
    digests: dict[str, str] = {}
    faults: list[Fault] = []
    for run in visit.run_sheet.run:
        path = visit.recording_path(run)
        say(f"reading {path.name}")
        try:
            recording = read_recording(path, visit.rig_of(run), kind=run.kind)
        except DiffbenchError as error:
            faults += error.faults
            continue
        digests[str(path)] = recording.source.sha256
        by_rig.setdefault(visit.rig_path_of(run), (visit.rig_of(run), []))[1].append((run.kind, recording))
    if faults:
        raise FitError(faults)
    visit_key = str(visit.run_sheet_path)
    made: list[ConditionedVisit] = []
    for path, (rig, recordings) in by_rig.items():
        say(f"conditioning {len(recordings)} recordings")
        rig_key = visit.digests.get(str(path), str(path))
        by_hand = [r for kind, r in recordings if kind == "turning-torque" and not is_slow_drive(rig, r)]
        sampled = [(kind, r) for kind, r in recordings if not any(r is other for other in by_hand)]
        if any(kind != "tare" for kind, _ in sampled):
            made.append(condition(rig, sampled, rig_key=rig_key, visit_key=visit_key))
            check_flanks(visit.build, made[-1].runs)
        made += [hand_readings(rig, r, rig_key=rig_key, visit_key=visit_key) for r in by_hand]
    if not made:
        raise FitError.single(
            "only tare runs are named",
            file=str(visit.run_sheet_path),
            key="run",
            mend="add a bias-sweep, a speed-sweep or a turning-torque run",
        )
    return made, digests
