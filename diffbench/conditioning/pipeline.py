"""From the recordings of one visit to cells at the unit, part by part, and what is kept of each recording
until all are read.

Parts have a million samples. Recordings of a visit up to 1.25 million samples are one part each and wait for
each other, since the largest input torque of the visit tells what is a turn; beyond, it is the largest one
seen by then, and sweeps of torque are read first. A part carries the row before it to the next, so that
clocks go on and a step back at an edge is found. What a cut costs is the samples in which slip settles, and a
cell that may straddle a turn; overlapping the parts would save those and need every check twice. Turns are
looked for anew along the whole course, so that the ramps' history goes on where two parts meet.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.bench import Tare, TareRun, TorqueChain, joined_tare, tare_of, tare_run
from diffbench.conditioning.cells import along_stretch, along_the_sweep, cells_of, heat, locking_slope
from diffbench.conditioning.checks.flanges import judge, with_extras, zero_drift
from diffbench.conditioning.checks.held import loaded_tare, span
from diffbench.conditioning.checks.protocol import (
    Quality,
    against_standard,
    flanks,
    pace,
    quality,
    reach,
    slip_and_cycles,
)
from diffbench.conditioning.checks.recording import checked_samples, of_the_whole, sweep_findings
from diffbench.conditioning.checks.twice import Marks, marks, same_samples
from diffbench.conditioning.checks.unread import Seen, impossible, joined, seen, stood_in
from diffbench.conditioning.course import Sweep, history_of, joined_sweep, sweep_of
from diffbench.conditioning.findings import Finding, refusals, told_once
from diffbench.conditioning.pieces import pieces
from diffbench.conditioning.run import ConditionedRun, ConditionedVisit, Friction, joined_run
from diffbench.conditioning.samples import LEFT_OUT, Reason, Samples
from diffbench.conditioning.smoothing import white_noise
from diffbench.conditioning.wiring import WiringError, check_signs, clocks_seconds_apart
from diffbench.documents import Rig
from diffbench.documents.visit import RunKind
from diffbench.doubts import CountsAsExact, Source
from diffbench.errors import DiffbenchError, Fault, Place, RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]


# Samples that wait for the other recordings of a visit, at most; beyond, they are conditioned and let go.
HELD = 1_250_000


@dataclass
class Taken:
    """What is kept of one recording: by part as it was read, findings of its clock and the like (``told``);
    by piece of one rate, findings of its channels (``noticed``) and of the conditioned samples (``shown``),
    its cells and course; samples by reason, and what is wrong where a piece is of no use."""

    kind: RunKind
    file: str = ""
    begin: float = 0.0
    end: float = 0.0
    step: float = 0.0
    told: list[list[Finding]] = field(default_factory=list)
    noticed: list[list[Finding]] = field(default_factory=list)
    shown: list[list[Finding]] = field(default_factory=list)
    seen: list[Quality] = field(default_factory=list)
    runs: list[ConditionedRun] = field(default_factory=list)
    courses: list[Sweep] = field(default_factory=list)
    reaches: list[tuple[float, float]] = field(default_factory=list)
    reasons: Counter[Reason] = field(default_factory=Counter)
    samples: int = 0
    of_known_speed: int = 0
    spans: list[dict[str, tuple[float, float]]] = field(default_factory=list)  # of a tare run [N·m]
    temperatures: dict[str, list[Seen]] = field(default_factory=dict)
    marks: list[Marks] = field(default_factory=list)  # by part: by which its samples are known again
    useless: Fault | None = None

    def add(self, part: Recording, found: list[Finding], shown: Quality, warm: Mapping[str, Seen]) -> None:
        """Note a part as it was read; ``warm``: what its temperatures hold."""
        self.file = str(part.source.path)
        self.begin = self.begin if self.seen else float(part.time[0])
        self.end = float(part.time[-1])
        self.noticed.append(found)
        self.seen.append(shown)
        for name, one in warm.items():
            self.temperatures.setdefault(name, []).append(one)
        if self.kind != "tare":
            self.marks.append(marks(part.channels))

    @property
    def duration(self) -> float:
        """Time from the first sample to the last [s]."""
        return self.end - self.begin

    @property
    def findings(self) -> list[Finding]:
        """What the recording shows before it is conditioned."""
        return [*told_once(self.told), *told_once(self.noticed)]

    @property
    def warm(self) -> dict[str, Seen]:
        """What the temperatures of the whole run hold, by channel."""
        return {name: joined(parts) for name, parts in self.temperatures.items()}

    @cached_property
    def course(self) -> Sweep:
        """The course of the input torque over all parts, once they are there."""
        return joined_sweep(self.courses)

    @property
    def run(self) -> ConditionedRun:
        """The whole run."""
        return replace(
            joined_run(self.runs, self.course),
            dropped={reason.words: n for reason in LEFT_OUT if (n := self.reasons[reason])},
            samples=self.samples,
        )

    def shown_by_course(self, run: ConditionedRun, sweeps: Sweeps) -> list[Finding]:
        """What the course of the whole run shows."""
        holding = self.reasons[Reason.HOLDING] / max(self.of_known_speed, 1)
        found = slip_and_cycles(
            run.cells, self.course, holding=holding, step=self.step, kind=run.kind, file=run.name
        )
        if run.kind == "bias-sweep" and self.reaches:
            lows, highs = zip(*self.reaches, strict=True)
            found += flanks(min(lows), max(highs), file=run.name)
        return found + pace(sweeps.rig, sweeps.chains, run.cells, file=run.name)


@dataclass
class Sweeps:
    """Samples that wait until all of a visit are there, which tells the ``scale``: its largest input torque
    [N·m]. Of more than ``held`` samples the scale is what has been seen by then."""

    rig: Rig
    chains: dict[str, TorqueChain]
    doubtful: dict[tuple[str, str], bench.ErrorSource]
    held: int
    scale: float = 0.0
    _waiting: list[tuple[Taken, Recording, Samples, Array, Array]] = field(default_factory=list)

    def make_room(self, count: int) -> None:
        """Condition what waits where so many samples more would be too many."""
        if sum(waiting[2].time.size for waiting in self._waiting) + count > self.held:
            self.release()

    def add(self, own: Taken, part: Recording, samples: Samples) -> None:
        """Take a part of a sweep."""
        input_torque, difference = bench.at_samples(self.rig, self.chains, samples)
        if np.isfinite(input_torque).any():
            self.scale = max(self.scale, float(np.nanmax(np.abs(input_torque))))
        self._waiting.append((own, part, samples, input_torque, difference))

    def release(self) -> None:
        """Condition what waits, and let its samples go."""
        for waiting in self._waiting:
            _condition_part(self, *waiting)
        self._waiting = []


def _condition_part(
    sweeps: Sweeps, own: Taken, recording: Recording, samples: Samples, input_torque: Array, difference: Array
) -> None:
    """Condition a part of a sweep, or all of it, and note what is kept."""
    kept = int(samples.kept.sum())
    file = str(recording.source.path)
    own.samples += samples.time.size
    own.of_known_speed += int(np.isfinite(samples.motion.speed_difference).sum())
    own.step = max(own.step, samples.step)
    own.reasons.update({reason: samples.count(reason) for reason in LEFT_OUT})
    if kept < 20:
        holding = samples.count(Reason.HOLDING)
        what = (
            f"the outputs hold still in {holding} of {samples.time.size} samples: that only bounds the "
            "locking torque"
            if holding > samples.time.size // 2
            else f"only {kept} of {samples.time.size} samples can be used ({_counts(samples)})"
        )
        own.useless = Fault(
            what,
            Place(file),
            "record with the outputs slipping against each other, both ways round, at two speeds or more",
        )
        return
    rig, chains = sweeps.rig, sweeps.chains
    course = sweep_of(samples, input_torque, scale=sweeps.scale)
    locking = np.where(samples.motion.slips, -samples.motion.direction * difference, np.nan)
    cells = cells_of(samples, course)
    noise = white_noise(difference)
    of_a_cell = noise / np.sqrt(float(np.median(cells.count)))
    check_signs(rig, chains, cells, noise=of_a_cell, file=file)
    cell_input, cell_difference = bench.at_cells(rig, chains, cells)
    clocks = clocks_seconds_apart(cells, cell_difference, noise=of_a_cell, file=file)
    cell_input = along_the_sweep(cells, cell_input)
    run = ConditionedRun(
        name=file,
        kind=own.kind,
        cells=cells,
        input_torque=cell_input,
        difference=cell_difference,
        effects=bench.effects(rig, chains, cells, sweeps.doubtful),
        input_slope=along_stretch(cells, cell_input),
        locking_slope=locking_slope(cells, -cells.direction * cell_difference, course),
        history=history_of(cells.time, course),
        heat=heat(samples, locking),
        dropped={},
        samples=int(samples.time.size),
        noise=noise,
        friction_state=np.full(cell_input.size, Friction.SLIDING, dtype=np.int64),
    )
    own.runs.append(run)
    own.courses.append(course)
    gone = reach(input_torque)
    own.reaches += [] if gone is None else [gone]
    own.shown.append([*clocks, *sweep_findings(rig, chains, recording, samples, run, input_torque)])


def _counts(samples: Samples) -> str:
    counts = {reason.words: samples.count(reason) for reason in LEFT_OUT}
    return ", ".join(f"{count} {words}" for words, count in counts.items() if count)


Parts = Recording | Iterable[Recording]

AMBIENT = 20.0  # °C of the hall, to which heat is lost on the way from the plates to a sensor

# Tare runs first, what they say goes into every sweep; then sweeps of torque, which tell how large it gets.
ORDER = {"tare": 0, "bias-sweep": 1}


def condition(
    rig: Rig,
    recordings: Sequence[tuple[RunKind, Parts]],
    *,
    rig_key: str,
    visit_key: str,
    held: int | None = None,
) -> ConditionedVisit:
    """Condition the runs of one visit that were recorded sample by sample: ``recordings`` are pairs of kind
    and recording, tare runs included; a long recording may come as its parts, which are let go one by one;
    ``held`` samples at most wait for the largest input torque (``HELD``).

    Returns cells of every sweep with the effects of the bench's doubtful constants, and what the checks
    noticed. Raises ``RecordingError`` where a recording cannot be read, has nothing that slips, signs that
    cannot be, or a finding that stops; faults of all recordings are told at once.
    """
    needed = bench.needed_torques(rig)
    held = HELD if held is None else held
    read = _read(rig, recordings, needed, rig_key=rig_key, visit_key=visit_key, held=held)
    taken, sweeps = read.taken, read.sweeps
    swept = [one for one in taken if one.kind != "tare"]
    runs = [one.run for one in swept]
    starts = [0.0, *np.cumsum([one.duration for one in taken]).tolist()]
    runs, unread_u, unread = stood_in(runs, [one.warm for one in swept])
    begun = [start for start, one in zip(starts, taken, strict=False) if one.kind != "tare"]
    noticed = [finding for one in taken for finding in one.findings] + unread
    faults: list[Fault] = []
    for one, run in zip(swept, runs, strict=True):
        found = [*told_once(one.shown), *one.shown_by_course(run, sweeps)]
        for name, warm in one.warm.items():
            found += impossible(warm, name=name, file=one.file)
        noticed += found
        faults += refusals(found, file=one.file)
    for one in taken:
        loaded = loaded_tare(one.spans, largest=sweeps.scale, file=one.file)
        noticed += loaded
        faults += refusals(loaded, file=one.file)
    twice = same_samples([(one.file, one.marks) for one in taken])
    noticed += twice
    faults += [fault for one in twice for fault in refusals([one], file=one.where)]
    noticed += zero_drift(rig, read.tares, needed, between=starts[-1], largest=sweeps.scale)
    judged = judge(rig, sweeps.chains, sweeps.doubtful, runs, begun, visit_key=visit_key)
    noticed += judged.findings
    faults += refusals(judged.findings, file=runs[0].name if runs else None)
    if faults:
        raise RecordingError(faults)
    noticed += against_standard(rig, [seen for one in taken for seen in one.seen], needed)
    sources = [*sweeps.doubtful.values(), *(extra.source for extra in judged.extras)]
    return ConditionedVisit(
        runs=with_extras(rig, sweeps.chains, runs, begun, judged.extras),
        sources={source.key: source for source in sources},
        temperature_u=_with_unread(_temperature_u(rig, runs), unread_u),
        notes=_notes(rig, read.tared, sweeps.doubtful),
        rig=rig,
        findings=tuple(noticed),
    )


def _temperature_u(rig: Rig, runs: Sequence[ConditionedRun]) -> float | None:
    """Standard uncertainty of the temperature [K]: its zero as stated, else for oil what its place allows;
    and what a lag that is stated with an uncertainty leaves where it changes."""
    plate, oil = (rig.channel.get(f"{name}_temperature") for name in ("plate", "oil"))
    channel = plate or oil
    if channel is None:
        return None
    rates = np.concatenate([run.heat.oil_rate for run in runs] or [np.zeros(1)])
    late = (channel.lag.u or 0.0) * float(np.sqrt(np.mean(rates**2)))
    if not rig.places_oil_sensor:
        return float(np.hypot(channel.u_zero or 0.0, late)) if channel.u_zero or late else channel.u_zero
    warm = np.concatenate([run.cells.oil for run in runs if run.cells.oil is not None] or [np.zeros(0)])
    rise = abs(float(np.nanmean(warm)) - AMBIENT) if np.isfinite(warm).any() else 0.0
    return float(np.hypot(rig.allowance.oil_sensor * rise, late)) or None


def _with_unread(stated: float | None, unread: float) -> float | None:
    """Standard uncertainty of the temperature [K] with that of what nobody read."""
    return float(np.hypot(stated or 0.0, unread)) if unread else stated


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
    held: int,
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
            tared = tare_of([tares[i] for i in sorted(tares)], needed)
            doubtful = bench.sources(rig, tared, rig_key=rig_key, visit_key=visit_key)
            sweeps = Sweeps(rig, bench.chains_of(rig, tared), doubtful, held)
        means: list[TareRun] = []
        try:
            for part in [parts] if isinstance(parts, Recording) else parts:
                if sweeps is not None and not faults:
                    sweeps.make_room(len(part))  # before more is made of the part: both would be in memory
                own.told.append(of_the_whole(part, kind))
                checked = [(one, *checked_samples(rig, kind, one, needed)) for one in pieces(part)]
                for piece, samples, found in _alive(checked):
                    own.add(piece, found, quality(piece, needed), seen(piece, rig))
                    faults += refusals(found, file=own.file)
                    if kind == "tare":
                        means.append(tare_run(samples, needed))
                        spans = {name: span(samples.torques[name]) for name in needed}
                        own.spans.append({name: one for name, one in spans.items() if one is not None})
                    elif sweeps is not None and not faults:
                        sweeps.add(own, piece, samples)
                    del piece, samples
                del part, checked
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


Checked = tuple[Recording, Samples, list[Finding]]


def _alive(checked: Sequence[Checked]) -> list[Checked]:
    """Pieces of a recording, of which none calls a channel dead that moves in another."""
    dead = [{f.where for f in found if f.name == "dead channel"} for _, _, found in checked]
    all_through = set.intersection(*dead)
    return [
        (piece, samples, [f for f in found if f.name != "dead channel" or f.where in all_through])
        for piece, samples, found in checked
    ]


def _notes(
    rig: Rig, tared: Tare | None, doubtful: dict[tuple[str, str], bench.ErrorSource]
) -> tuple[CountsAsExact, ...]:
    """Uncertainties that matter and are not stated: taken as zero, and said."""
    notes: list[CountsAsExact] = []
    for name in bench.needed_torques(rig):
        channel = rig.channel[name]
        if (name, "gain") not in doubtful:
            notes.append(bench.exact_gain(name))
        zero_known = (name, "zero") in doubtful or (tared is not None and name in tared.mean)
        if not zero_known:
            text = f"u_zero of {name} is not stated and no tare run gives it: its zero counts as exact"
            notes.append(CountsAsExact(text, Source.TRANSDUCER_ZERO, name))
        if channel.turns.value != 1.0 and (name, "efficiency") not in doubtful:
            gear = "the final drive" if name == "input_torque" else f"the reduction of {name}"
            text = f"the efficiency of {gear} has no stated uncertainty: it counts as exact"
            notes.append(CountsAsExact(text, Source.FINAL_DRIVE, gear))
    return tuple(notes)
