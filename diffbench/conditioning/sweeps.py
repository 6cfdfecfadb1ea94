"""Sweeps from samples to cells, part by part, and what is kept of each recording until all are read.

Parts have a million samples. Recordings of a visit up to 1.25 million samples are one part each and wait for
each other, since the largest input torque of the visit tells what is a turn; beyond, it is the largest one
seen by then, and sweeps of torque are read first. A part carries the row before it to the next, so that
clocks go on and a step back at an edge is found. What a cut costs is the samples in which slip settles, and a
cell that may straddle a turn; overlapping the parts would save those and need every check twice.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.cells import (
    Sweep,
    along_stretch,
    along_the_sweep,
    cells_of,
    heat,
    locking_slope,
    sweep,
)
from diffbench.conditioning.checks.protocol import flanks, pace, reach, slip_and_cycles
from diffbench.conditioning.checks.recording import sweep_findings
from diffbench.conditioning.checks.standard import Quality
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.histories import history_of
from diffbench.conditioning.joining import joined_run, joined_sweep
from diffbench.conditioning.plausibility import check_signs
from diffbench.conditioning.run import ConditionedRun, Friction
from diffbench.conditioning.samples import HOLDING, KEPT, REASONS, Samples
from diffbench.conditioning.smoothing import white_noise
from diffbench.conditioning.transducers import TorqueChain
from diffbench.documents import Rig
from diffbench.documents.run_sheet import RunKind
from diffbench.errors import Fault, Place
from diffbench.recording import Recording

Array = NDArray[np.float64]

#: Samples that wait for the other recordings of a visit, at most; beyond, they are conditioned and let go.
HELD = 1_250_000


@dataclass
class Taken:
    """What is kept of one recording: by part, findings of its channels (``noticed``) and of the conditioned
    samples (``shown``), its cells and course; samples by reason, and what is wrong where a part is of no
    use."""

    kind: RunKind
    file: str = ""
    begin: float = 0.0
    end: float = 0.0
    step: float = 0.0
    noticed: list[list[Finding]] = field(default_factory=list)
    shown: list[list[Finding]] = field(default_factory=list)
    seen: list[Quality] = field(default_factory=list)
    runs: list[ConditionedRun] = field(default_factory=list)
    courses: list[Sweep] = field(default_factory=list)
    reaches: list[tuple[float, float]] = field(default_factory=list)
    reasons: Counter[str] = field(default_factory=Counter)
    samples: int = 0
    of_known_speed: int = 0
    useless: Fault | None = None
    course_findings: list[Finding] = field(default_factory=list)

    def add(self, part: Recording, found: list[Finding], seen: Quality) -> None:
        """Note a part as it was read."""
        self.file = str(part.source.path)
        self.begin = self.begin if self.seen else float(part.time[0])
        self.end = float(part.time[-1])
        self.noticed.append(found)
        self.seen.append(seen)

    @property
    def duration(self) -> float:
        """Time from the first sample to the last [s]."""
        return self.end - self.begin

    def run(self, sweeps: Sweeps) -> ConditionedRun:
        """The whole run, with what its course shows."""
        course = joined_sweep(self.courses)
        run = replace(
            joined_run(self.runs, course),
            dropped={name: n for name in REASONS[1:] if (n := self.reasons[name])},
            samples=self.samples,
        )
        holding = self.reasons[REASONS[HOLDING]] / max(self.of_known_speed, 1)
        self.course_findings = slip_and_cycles(
            run.cells, course, holding=holding, step=self.step, kind=run.kind, file=run.name
        )
        if run.kind == "bias-sweep" and self.reaches:
            lows, highs = zip(*self.reaches, strict=True)
            self.course_findings += flanks(min(lows), max(highs), file=run.name)
        self.course_findings += pace(sweeps.rig, sweeps.made, run.cells, file=run.name)
        return run


class Sweeps:
    """Samples that wait until all of a visit are there, which tells the ``scale``: its largest input torque
    [N·m]. Of more than ``HELD`` samples the scale is what has been seen by then."""

    def __init__(
        self,
        rig: Rig,
        made: dict[str, TorqueChain],
        doubtful: dict[tuple[str, str], bench.ErrorSource],
    ) -> None:
        self.rig = rig
        self.made = made
        self.doubtful = doubtful
        self.scale = 0.0
        self._waiting: list[tuple[Taken, Recording, Samples, Array, Array]] = []

    def add(self, own: Taken, part: Recording, samples: Samples) -> None:
        """Take a part of a sweep."""
        if sum(waiting[2].time.size for waiting in self._waiting) + samples.time.size > HELD:
            self.release()
        input_torque, difference = bench.at_samples(self.rig, self.made, samples)
        if np.isfinite(input_torque).any():
            self.scale = max(self.scale, float(np.nanmax(np.abs(input_torque))))
        self._waiting.append((own, part, samples, input_torque, difference))

    def release(self) -> None:
        """Condition what waits, and let its samples go."""
        for waiting in self._waiting:
            _condition_part(self, *waiting)
        self._waiting = []


def _condition_part(
    sweeps: Sweeps,
    own: Taken,
    recording: Recording,
    samples: Samples,
    input_torque: Array,
    difference: Array,
) -> None:
    """Condition a part of a sweep, or all of it, and note what is kept."""
    kept = samples.reason == KEPT
    file = str(recording.source.path)
    own.samples += samples.time.size
    own.of_known_speed += int(np.isfinite(samples.motion.speed_difference).sum())
    own.step = samples.step
    for code in range(1, len(REASONS)):
        own.reasons[REASONS[code]] += int((samples.reason == code).sum())
    if int(kept.sum()) < 20:
        holding = int((samples.reason == HOLDING).sum())
        what = (
            f"the outputs hold still in {holding} of {samples.time.size} samples: that only bounds the "
            "locking torque"
            if holding > samples.time.size // 2
            else f"only {int(kept.sum())} of {samples.time.size} samples can be used ({_counts(samples)})"
        )
        own.useless = Fault(
            what,
            Place(file),
            "record with the outputs slipping against each other, both ways round, at two speeds or more",
        )
        return
    rig, made = sweeps.rig, sweeps.made
    course = sweep(samples, input_torque, scale=sweeps.scale)
    locking = np.where(samples.motion.slips, -samples.motion.direction * difference, np.nan)
    cells = cells_of(samples, course)
    noise = white_noise(difference)
    check_signs(rig, made, cells, noise=noise / np.sqrt(float(np.median(cells.count))), file=file)
    cell_input, cell_difference = bench.at_cells(rig, made, cells)
    cell_input = along_the_sweep(cells, cell_input)
    run = ConditionedRun(
        name=file,
        kind=own.kind,
        cells=cells,
        input_torque=cell_input,
        difference=cell_difference,
        effects=bench.effects(rig, made, cells, sweeps.doubtful),
        input_slope=along_stretch(cells, cell_input),
        locking_slope=locking_slope(cells, -cells.direction * cell_difference, course),
        history=history_of(cells, course),
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
    own.shown.append(sweep_findings(rig, made, recording, samples, run, input_torque))


def _counts(samples: Samples) -> str:
    parts = [f"{int((samples.reason == code).sum())} {text}" for code, text in enumerate(REASONS) if code]
    return ", ".join(part for part in parts if not part.startswith("0 "))
