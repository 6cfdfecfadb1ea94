"""From the recordings of one visit to cells at the unit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from diffbench.conditioning import bench
from diffbench.conditioning.checks.flanges import judge, with_extras
from diffbench.conditioning.checks.recording import checked_samples, refusals
from diffbench.conditioning.checks.standard import against_standard, quality
from diffbench.conditioning.checks.tares import zero_drift
from diffbench.conditioning.joining import told_once
from diffbench.conditioning.run import ConditionedVisit
from diffbench.conditioning.sweeps import Sweeps, Taken
from diffbench.conditioning.tare import Tare, TareRun, joined_tare, tare, tare_run
from diffbench.conditioning.wiring import WiringError
from diffbench.documents import Rig
from diffbench.documents.run_sheet import RunKind
from diffbench.errors import DiffbenchError, Fault, RecordingError
from diffbench.recording import Recording

Parts = Recording | Iterable[Recording]

# Tare runs first, what they say goes into every sweep; then sweeps of torque, which tell how large it gets.
ORDER = {"tare": 0, "bias-sweep": 1}


def condition(
    rig: Rig, recordings: Sequence[tuple[RunKind, Parts]], *, rig_key: str, visit_key: str
) -> ConditionedVisit:
    """Condition the runs of one visit that were recorded sample by sample: ``recordings`` are pairs of kind
    and recording, tare runs included; a long recording may come as its parts, which are let go one by one.

    Returns cells of every sweep with the effects of the bench's doubtful constants, and what the checks
    noticed. Raises ``RecordingError`` where a recording cannot be read, has nothing that slips, signs that
    cannot be, or a finding that stops; faults of all recordings are told at once.
    """
    needed = bench.needed_torques(rig)
    read = _read(rig, recordings, needed, rig_key=rig_key, visit_key=visit_key)
    taken, sweeps = read.taken, read.sweeps
    swept = [one for one in taken if one.kind != "tare"]
    runs = [one.run(sweeps) for one in swept]
    starts = [0.0, *np.cumsum([one.duration for one in taken]).tolist()]
    begun = [start for start, one in zip(starts, taken, strict=False) if one.kind != "tare"]
    noticed = [finding for one in taken for finding in told_once(one.noticed)]
    faults: list[Fault] = []
    for one in swept:
        found = [*told_once(one.shown), *one.course_findings]
        noticed += found
        faults += refusals(found, file=one.file)
    noticed += zero_drift(rig, read.tares, needed, between=starts[-1], largest=sweeps.scale)
    judged = judge(rig, sweeps.made, sweeps.doubtful, runs, begun, visit_key=visit_key)
    noticed += judged.findings
    faults += refusals(judged.findings, file=runs[0].name if runs else None)
    if faults:
        raise RecordingError(faults)
    noticed += against_standard(rig, [seen for one in taken for seen in one.seen], needed)
    channel = rig.channel.get("plate_temperature") or rig.channel.get("oil_temperature")
    sources = [*sweeps.doubtful.values(), *(extra.source for extra in judged.extras)]
    return ConditionedVisit(
        runs=with_extras(rig, sweeps.made, runs, begun, judged.extras),
        sources={source.key: source for source in sources},
        temperature_u=None if channel is None else channel.u_zero,
        notes=_notes(rig, read.tared, sweeps.doubtful),
        rig=rig,
        findings=tuple(noticed),
    )


@dataclass(frozen=True)
class _Read:
    """What is left of the recordings of a visit, in the order of the sheet, once their samples are gone."""

    taken: list[Taken]
    tares: list[TareRun]
    tared: Tare | None
    sweeps: Sweeps


def _read(
    rig: Rig,
    recordings: Sequence[tuple[RunKind, Parts]],
    needed: tuple[str, ...],
    *,
    rig_key: str,
    visit_key: str,
) -> _Read:
    """Take all samples; raises ``RecordingError`` with the faults of all recordings."""
    taken = [Taken(kind) for kind, _ in recordings]
    order = sorted(range(len(taken)), key=lambda i: ORDER.get(taken[i].kind, 2))
    faults: list[Fault] = []
    tares: dict[int, TareRun] = {}
    tared: Tare | None = None
    sweeps: Sweeps | None = None
    for number in order:
        own, (kind, parts) = taken[number], recordings[number]
        if kind != "tare" and sweeps is None:
            tared = tare([tares[i] for i in sorted(tares)], needed)
            doubtful = bench.sources(rig, tared, rig_key=rig_key, visit_key=visit_key)
            sweeps = Sweeps(rig, bench.chains(rig, tared), doubtful)
        means: list[TareRun] = []
        try:
            for part in [parts] if isinstance(parts, Recording) else parts:
                samples, found = checked_samples(rig, kind, part, needed)
                own.add(part, found, quality(part, needed))
                faults += refusals(found, file=own.file)
                if kind == "tare":
                    means.append(tare_run(samples, needed))
                elif sweeps is not None and not faults:
                    sweeps.add(own, part, samples)
                del part, samples
        except WiringError:
            raise  # who knows the build sheet ranks what explains it
        except DiffbenchError as error:
            faults += error.faults
        if kind == "tare":
            tares[number] = joined_tare(means)
    assert sweeps is not None  # whoever calls has named a sweep
    if not faults:
        sweeps.release()
        faults += [one.useless for one in taken if one.useless is not None and not one.runs]
    if faults:
        raise RecordingError(faults)
    return _Read(taken, [tares[i] for i in sorted(tares)], tared, sweeps)


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
