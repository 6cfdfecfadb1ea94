"""One run, conditioned: what the fit sees of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import Effect, ErrorSource
from diffbench.conditioning.cells import Cells, Heat, joined_cells, joined_heat
from diffbench.conditioning.course import History, Sweep, history_of
from diffbench.conditioning.findings import Finding
from diffbench.documents import Rig
from diffbench.documents.visit import RunKind
from diffbench.doubts import CountsAsExact

Array = NDArray[np.float64]


class Friction(IntEnum):
    """Which friction a cell reads: by its sliding speed, of a slow turn by hand, or at breakaway. All lie on
    one curve over sliding speed; of a turn by hand the speed is as doubtful as ``ByHand`` says."""

    SLIDING = 0
    KINETIC = 1
    STATIC = 2


@dataclass(frozen=True)
class ByHand:
    """What is known of readings by hand beyond their numbers.

    ``scatter`` relative standard deviation of one reading, with its degrees of ``freedom`` and how it is
    known (``told``); ``turning_u`` standard uncertainty of the logarithm of the turning speed, which is
    ``stated`` or only plausible; ``temperature_read``: whether their temperature was read.
    """

    scatter: float
    freedom: float
    told: str
    turning_u: float
    stated: bool
    temperature_read: bool = True


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
    notes: tuple[CountsAsExact, ...]
    rig: Rig
    findings: tuple[Finding, ...] = ()
    by_hand: ByHand | None = None


def joined_run(parts: Sequence[ConditionedRun], course: Sweep) -> ConditionedRun:
    """One run of its parts (at least one), in the order of time, and of their joined course; a single part is
    returned as it is."""
    if len(parts) == 1:
        return parts[0]
    cells = joined_cells([part.cells for part in parts], course)
    weight = np.array([part.samples for part in parts], dtype=np.float64)
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("input_torque", "difference", "input_slope", "locking_slope", "friction_state")
    }
    return replace(
        parts[0],
        cells=cells,
        effects={
            key: Effect(
                np.concatenate([part.effects[key].input_torque for part in parts]),
                np.concatenate([part.effects[key].difference for part in parts]),
                effect.noise_share,
            )
            for key, effect in parts[0].effects.items()
        },
        history=history_of(cells.time, course),
        heat=joined_heat([part.heat for part in parts]),
        dropped=sum((Counter(part.dropped) for part in parts), Counter()),
        samples=int(weight.sum()),
        noise=float(np.sqrt(np.average([part.noise**2 for part in parts], weights=weight))),
        **columns,
    )
