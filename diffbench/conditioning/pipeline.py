"""From the recordings of one visit to cells at the unit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.cells import (
    Cells,
    Sweep,
    along_stretch,
    along_the_sweep,
    cells,
    heat,
    locking_slope,
    sweep,
)
from diffbench.conditioning.checks.flanges import judge, with_extras
from diffbench.conditioning.checks.recording import checked_samples, refusals, sweep_findings
from diffbench.conditioning.checks.standard import against_standard
from diffbench.conditioning.checks.tares import zero_drift
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.plausibility import check_signs
from diffbench.conditioning.run import ConditionedRun, ConditionedVisit, History
from diffbench.conditioning.samples import HOLDING, KEPT, REASONS, Samples
from diffbench.conditioning.smoothing import white_noise
from diffbench.conditioning.tare import Tare, tare
from diffbench.conditioning.transducers import TorqueChain
from diffbench.documents import Rig
from diffbench.errors import Fault, RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]


def condition(
    rig: Rig, recordings: Sequence[tuple[str, Recording]], *, rig_key: str, visit_key: str
) -> ConditionedVisit:
    """Condition the runs of one visit that were recorded sample by sample: ``recordings`` are pairs of kind
    and recording, tare runs included.

    Returns cells of every sweep with the effects of the bench's doubtful constants, and what the checks
    noticed. Raises ``RecordingError`` where a run has nothing that slips, signs that cannot be, or a finding
    that stops.
    """
    needed = bench.needed_torques(rig)
    taken: list[tuple[str, Recording, Samples]] = []
    noticed: list[Finding] = []
    faults: list[Fault] = []
    starts: list[float] = []
    begin = 0.0
    for kind, recording in recordings:
        samples, found = checked_samples(rig, kind, recording, needed)
        taken.append((kind, recording, samples))
        noticed += found
        faults += refusals(found, file=str(recording.source.path))
        if kind != "tare":
            starts.append(begin)
        begin += recording.duration
    if faults:
        raise RecordingError(faults)
    tares = [samples for kind, _, samples in taken if kind == "tare"]
    tared = tare(tares, needed)
    made = bench.chains(rig, tared)
    doubtful = bench.sources(rig, tared, rig_key=rig_key, visit_key=visit_key)

    nominal: list[tuple[str, Recording, Samples, Array, Array]] = []
    for kind, recording, samples in taken:
        if kind == "tare":
            continue
        input_torque, difference = bench.at_samples(rig, made, samples)
        nominal.append((kind, recording, samples, input_torque, difference))
    scale = max(
        (float(np.nanmax(np.abs(t))) for _, _, _, t, _ in nominal if np.isfinite(t).any()), default=0.0
    )
    runs: list[ConditionedRun] = []
    for kind, recording, samples, input_torque, difference in nominal:
        run, found = _run(rig, made, doubtful, kind, recording, samples, input_torque, difference, scale)
        faults += refusals(found, file=run.name)
        noticed += found
        runs.append(run)
    noticed += zero_drift(rig, tares, needed, between=begin, largest=scale)
    judged = judge(rig, made, doubtful, runs, starts, visit_key=visit_key)
    noticed += judged.findings
    faults += refusals(judged.findings, file=runs[0].name if runs else None)
    if faults:
        raise RecordingError(faults)
    noticed += against_standard(rig, [recording for _, recording, _ in taken], needed)
    channel = rig.channel.get("plate_temperature") or rig.channel.get("oil_temperature")
    sources = [*doubtful.values(), *(extra.source for extra in judged.extras)]
    return ConditionedVisit(
        runs=with_extras(rig, made, runs, starts, judged.extras),
        sources={source.key: source for source in sources},
        temperature_u=None if channel is None else channel.u_zero,
        notes=_notes(rig, tared, doubtful),
        rig=rig,
        findings=tuple(noticed),
    )


def _run(
    rig: Rig,
    made: dict[str, TorqueChain],
    doubtful: dict[tuple[str, str], bench.ErrorSource],
    kind: str,
    recording: Recording,
    samples: Samples,
    input_torque: Array,
    difference: Array,
    scale: float,
) -> tuple[ConditionedRun, list[Finding]]:
    kept = samples.reason == KEPT
    file = str(recording.source.path)
    if int(kept.sum()) < 20:
        holding = int((samples.reason == HOLDING).sum())
        what = (
            f"the outputs hold still in {holding} of {samples.time.size} samples: that only bounds the "
            "locking torque"
            if holding > samples.time.size // 2
            else f"only {int(kept.sum())} of {samples.time.size} samples can be used ({_counts(samples)})"
        )
        raise RecordingError.single(
            what,
            file=file,
            mend="record with the outputs slipping against each other, both ways round, at two speeds "
            "or more",
        )
    course = sweep(samples, input_torque, scale=scale)
    locking = np.where(samples.motion.direction != 0, -samples.motion.direction * difference, np.nan)
    made_cells = cells(samples, course)
    noise = white_noise(difference)
    check_signs(rig, made, made_cells, noise=noise / np.sqrt(float(np.median(made_cells.count))), file=file)
    cell_input, cell_difference = bench.at_cells(rig, made, made_cells)
    cell_input = along_the_sweep(made_cells, cell_input)
    run = ConditionedRun(
        name=file,
        kind=kind,
        cells=made_cells,
        input_torque=cell_input,
        difference=cell_difference,
        effects=bench.effects(rig, made, made_cells, doubtful),
        input_slope=along_stretch(made_cells.time, cell_input, made_cells.stretch, made_cells.segment),
        locking_slope=locking_slope(made_cells, -made_cells.direction * cell_difference),
        history=_history(made_cells, course),
        heat=heat(samples, locking),
        dropped={
            REASONS[code]: int(n) for code in range(1, len(REASONS)) if (n := (samples.reason == code).sum())
        },
        samples=int(samples.time.size),
        noise=noise,
        friction_state=np.zeros(cell_input.size, dtype=np.int64),
    )
    return run, sweep_findings(rig, made, recording, samples, course, run, input_torque)


def _counts(samples: Samples) -> str:
    parts = [f"{int((samples.reason == code).sum())} {text}" for code, text in enumerate(REASONS) if code]
    return ", ".join(part for part in parts if not part.startswith("0 "))


def _history(made: Cells, course: Sweep) -> History:
    """Starts and turns of the input torque, and the one that each cell comes after."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(course.segment)) + 1])
    time = np.array([course.time[i] for i in starts] + [p.time for p in course.turns])
    torque = np.array([_start_value(course, int(i)) for i in starts] + [p.value for p in course.turns])
    begins = np.concatenate([np.ones(starts.size, dtype=bool), np.zeros(len(course.turns), dtype=bool)])
    order = np.argsort(time, kind="stable")
    time, torque, begins = time[order], torque[order], begins[order]
    near = np.clip(np.searchsorted(made.time, time), 0, made.time.size - 1)
    before = np.clip(np.searchsorted(time, made.time, side="right") - 1, 0, time.size - 1)
    return History(torque, begins, near.astype(np.int64), before.astype(np.int64))


def _start_value(course: Sweep, at: int, reach: int = 12) -> float:
    """Input torque where a history begins, by a line through its first averages: noise is no history.

    It begins half an average before the middle of the first one."""
    later = [p.time for p in course.turns if p.time > course.time[at]]
    end = min(later) if later else np.inf
    first = slice(at, at + reach)
    inside = (course.segment[first] == course.segment[at]) & (course.time[first] < end)
    time, torque = course.time[first][inside], course.torque[first][inside]
    if time.size < 3:
        return float(course.torque[at])
    return float(np.polyval(np.polyfit(time - time[0], torque, 1), -0.5 * (time[1] - time[0])))


def _notes(
    rig: Rig, tared: Tare | None, doubtful: dict[tuple[str, str], bench.ErrorSource]
) -> tuple[str, ...]:
    """Uncertainties that matter and are not stated: taken as zero, and said."""
    notes: list[str] = []
    for name in bench.needed_torques(rig):
        channel = rig.channel[name]
        if (name, "gain") not in doubtful:
            notes.append(f"u_gain of {name} is not stated: its gain counts as exact")
        zero_known = (name, "zero") in doubtful or (tared is not None and name in tared.mean)
        if not zero_known:
            notes.append(f"u_zero of {name} is not stated and no tare run gives it: its zero counts as exact")
        if name == "input_torque" and channel.at == "pinion" and (name, "efficiency") not in doubtful:
            notes.append("the efficiency of the final drive has no stated uncertainty: it counts as exact")
    return tuple(notes)
