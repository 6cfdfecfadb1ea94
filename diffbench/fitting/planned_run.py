"""Runs that nobody has made yet, as the fit would see them: what they would tell is computed before the oil
is warm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.cells import CELLS_PER_STRETCH, LONGEST_CELL, Cells, Heat
from diffbench.conditioning.course import History
from diffbench.conditioning.run import ConditionedRun, ConditionedVisit, Friction
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.data import FitData, gather

Array = NDArray[np.float64]

STRETCH = 10.0  # s from the lowest input torque to the highest: slow enough that lag and inertia stay small
CASE_SPEED = 60.0  # rad/s, for what drag and inertia of a running bench do


@dataclass(frozen=True)
class PlannedSweep:
    """A sweep as it would be run: input torque between ``torque`` [N·m], once up and down at each speed
    difference of ``levels`` [rad/s], signed, with the oil at ``oil`` [°C]."""

    torque: tuple[float, float]
    levels: tuple[float, ...]
    oil: float


def planned_data(plan: PlannedSweep, visit: ConditionedVisit, candidate: Candidate, place: int) -> FitData:
    """Cells (c,) of a planned sweep on the bench of ``visit``, in the same visit.

    ``candidate`` says how much the unit locks there, and ``place`` of which visit it is; the torques matter
    only to what the bench's doubtful constants do to them. The sweep starts at no input torque, where the
    state of the ramps is known.
    """
    torque, level, stretch, corners = _course(plan)
    n = torque.size
    width = min(STRETCH / CELLS_PER_STRETCH, LONGEST_CELL)
    time: Array = (np.arange(n, dtype=np.float64) + 0.5) * width
    direction = np.sign(level)
    difference = -direction * _rough_locking(candidate, torque, place)
    per_cell = max(float(np.median(candidate.model.data.count)), 1.0)
    rig = visit.rig
    chains = bench.chains_of(rig, None)
    half = {"left_torque": 0.5 * (torque + difference), "right_torque": 0.5 * (torque - difference)}
    readings = {
        name: half[name] if name in half else torque / (chain.ratio * chain.efficiency)
        for name, chain in chains.items()
    }
    cells = _cells(readings, time, level, stretch, oil=plan.oil, width=width, per_cell=per_cell)
    doubtful = {}
    for source in visit.sources.values():
        channel, _, constant = source.key.rpartition(":")[2].partition(".")
        if channel in chains:
            doubtful[channel, constant] = source
    slope = np.gradient(torque, time)
    heat_time = np.arange(0.0, n * width, 0.5)
    run = ConditionedRun(
        name="planned",
        kind="bias-sweep",
        cells=cells,
        input_torque=torque,
        difference=difference,
        effects=bench.effects(rig, chains, cells, doubtful),
        input_slope=slope,
        locking_slope=np.gradient(np.abs(difference), time),
        history=History(
            torque=corners,
            begins=np.arange(corners.size) == 0,
            near=np.searchsorted(stretch, np.arange(corners.size)).clip(max=n - 1).astype(np.int64),
            before=stretch,
        ),
        heat=Heat(
            heat_time,
            np.interp(heat_time, time, 0.5 * np.abs(difference * level)),
            np.zeros(heat_time.size),
        ),
        dropped={},
        samples=int(n * per_cell),
        noise=float(np.median(candidate.model.data.noise)),
        friction_state=np.full(n, Friction.SLIDING, dtype=np.int64),
    )
    return gather([ConditionedVisit((run,), visit.sources, visit.temperature_u, (), rig)])


def _cells(
    readings: Mapping[str, Array],
    time: Array,
    level: Array,
    stretch: NDArray[np.int64],
    *,
    oil: float,
    width: float,
    per_cell: float,
) -> Cells:
    """Cells (c,) of the planned readings, steady in speed; ``level`` is the signed speed difference."""
    ones = np.ones(time.size)
    speeds = {"left": CASE_SPEED + 0.5 * level, "right": CASE_SPEED - 0.5 * level, "case": CASE_SPEED * ones}
    return Cells(
        time=time,
        count=per_cell * ones,
        width=width * ones,
        direction=np.sign(level),
        speed_difference=level,
        oil=oil * ones,
        plate=None,
        readings=readings,
        rates={name: np.gradient(value, time) for name, value in readings.items()},
        speeds=speeds,
        accelerations=dict.fromkeys(speeds, 0.0 * ones),
        stretch=stretch,
        segment=np.zeros(time.size, dtype=np.int64),
    )


def _course(plan: PlannedSweep) -> tuple[Array, Array, NDArray[np.int64], Array]:
    """Input torque and signed speed difference of the cells (c,), the number of each one's stretch, and the
    corners (h,)."""
    low, high = plan.torque
    corners = [0.0, low]
    levels = [plan.levels[0]]
    for level in plan.levels:
        corners += [high, low]
        levels += [level, level]
    share = (np.arange(CELLS_PER_STRETCH) + 0.5) / CELLS_PER_STRETCH
    torque = np.concatenate([a + (b - a) * share for a, b in pairwise(corners)])
    stretch = np.repeat(np.arange(len(levels)), CELLS_PER_STRETCH).astype(np.int64)
    return torque, np.repeat(np.array(levels), CELLS_PER_STRETCH), stretch, np.array(corners[:-1])


def _rough_locking(candidate: Candidate, torque: Array, place: int) -> Array:
    names, sharing = candidate.names, candidate.model.sharing
    at = sharing.places[place]
    preload = names.value(candidate.x, sharing.preloads[at.preload])
    drive = names.value(candidate.x, sharing.drive_biases[at.drive])
    coast = names.value(candidate.x, sharing.coast_biases[at.coast])
    ramps = np.where(torque >= 0, drive, coast) * np.abs(torque)
    law = candidate.model.form.preload
    return law.load(preload, ramps, [0.0] * len(law.unknowns))
