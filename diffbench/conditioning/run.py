"""One run, conditioned: what the fit sees of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import Effect, ErrorSource
from diffbench.conditioning.cells import Cells, Heat
from diffbench.conditioning.findings import Finding
from diffbench.documents import Rig
from diffbench.documents.run_sheet import RunKind

Array = NDArray[np.float64]


class Friction(IntEnum):
    """Which friction a cell reads: by its sliding speed, of a slow steady turn, or at breakaway."""

    SLIDING = 0
    KINETIC = 1
    STATIC = 2


@dataclass(frozen=True)
class History:
    """What drives the ramps' hysteresis: the input torque where a history starts and where it turns, in time
    order.

    ``torque`` (h,) [N·m]; ``begins`` (h,) True at a start; ``near`` (h,) the nearest cell; ``before`` (c,)
    for each cell the last start or turn before it. Between two of them the torque only rises or only falls,
    whatever its noise.
    """

    torque: Array
    begins: NDArray[np.bool_]
    near: NDArray[np.int64]
    before: NDArray[np.int64]


@dataclass(frozen=True)
class ConditionedRun:
    """Cells of one run at the unit.

    ``input_torque`` and ``difference`` (c,) [N·m] (difference = T_L − T_R); ``effects`` what one standard
    uncertainty of each source does to them; ``input_slope`` and ``locking_slope`` (c,) [N·m/s] of input and
    locking torque within the cell; ``history`` of the input torque; ``heat`` for the plate temperature;
    ``dropped`` samples by reason, ``samples`` in all; ``noise`` standard deviation of a single
    torque-difference sample [N·m]; ``friction_state`` (c,) members of ``Friction``;
    ``history_known``: the ramps start on their loading branch.
    """

    name: str
    kind: RunKind
    cells: Cells
    input_torque: Array
    difference: Array
    effects: Mapping[str, Effect]
    input_slope: Array
    locking_slope: Array
    history: History
    heat: Heat
    dropped: Mapping[str, int]
    samples: int
    noise: float
    friction_state: NDArray[np.int64]
    history_known: bool = False

    @property
    def locking(self) -> Array:
        """Measured locking torque −sgn(Δω)(T_L − T_R) of every cell [N·m]."""
        return -self.cells.direction * self.difference


@dataclass(frozen=True)
class ConditionedVisit:
    """All runs of one visit to one bench, with the doubtful constants that they share, and what the checks
    noticed."""

    runs: tuple[ConditionedRun, ...]
    sources: Mapping[str, ErrorSource]
    temperature_u: float | None
    notes: tuple[str, ...]
    rig: Rig
    findings: tuple[Finding, ...] = ()
