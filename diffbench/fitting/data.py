"""All cells of all runs side by side, as the model wants them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import ErrorSource, refit_spread
from diffbench.conditioning.run import ConditionedVisit

Array = NDArray[np.float64]
Index = NDArray[np.int64]


# A cell that holds the corner of the hysteresis would be off by an eighth of its width times the change of
# slope there: with its input torque at three places, a ninth of that.
PLACES = np.array([[-1.0, 0.0, 1.0]]) / 3.0


@dataclass(frozen=True)
class FitData:
    """Cells (c,) of all runs in one row, and the histories that drive hysteresis and plate heat.

    ``difference`` [N·m] = T_L − T_R; ``direction`` ±1; ``speed_difference`` [rad/s] magnitude; ``oil`` [°C]
    (NaN where not recorded); ``plate`` [°C] measured, NaN where not; ``count`` samples; ``width`` [s];
    ``run``, ``visit``, ``stretch`` numbers; ``time`` [s] within the run. ``effect_input``,
    ``effect_difference``, ``noise_share`` (sources, c): what one standard uncertainty of each source does to
    input torque, torque difference and its noise. ``locking_slope`` (c,) [N·m/s] of the measured locking
    torque. ``places`` (c, 3) [N·m] offsets of the input torque within each cell. Starts and turns of the
    torque histories (h,): ``turn_torque`` [N·m], ``turn_begins``, ``turn_near`` the nearest cell;
    ``turn_before`` (c,) the last one before each cell. Heat grid (g,): ``heat_time`` [s], ``heat_power`` [W],
    ``oil_rate`` [K/s], ``heat_run``; ``cell_heat`` (c,) fractional position of each cell on the grid.
    ``friction_state`` (c,) 0 = by sliding speed, 1 = kinetic, 2 = static. ``segment_torque``: input torque at
    the start of each history [N·m], 0 where the state of the ramps there is known. ``refit_spread`` (visits,
    2): relative standard deviations of preload and ramp bias from one refit to the next.
    """

    difference: Array
    input_torque: Array
    direction: Array
    speed_difference: Array
    oil: Array
    plate: Array
    count: Array
    width: Array
    time: Array
    run: Index
    visit: Index
    stretch: Index
    noise: Array
    sources: tuple[ErrorSource, ...]
    effect_input: Array
    effect_difference: Array
    noise_share: Array
    locking_slope: Array
    places: Array
    turn_torque: Array
    turn_begins: NDArray[np.bool_]
    turn_near: Index
    turn_before: Index
    heat_time: Array
    heat_power: Array
    oil_rate: Array
    heat_run: Index
    cell_heat: Array
    friction_state: Index
    segment_torque: Array
    run_names: tuple[str, ...]
    run_kinds: tuple[str, ...]
    refit_spread: Array

    @property
    def locking(self) -> Array:
        """Measured locking torque (c,) [N·m]."""
        return -self.direction * self.difference

    @property
    def segments(self) -> int:
        """Number of torque histories."""
        return self.segment_torque.size


def gather(visits: Sequence[ConditionedVisit]) -> FitData:
    """Put the runs of all visits side by side. Sources of one key are one error, whatever run they show
    in."""
    runs = [(v, run) for v, visit in enumerate(visits) for run in visit.runs]
    sources: dict[str, ErrorSource] = {}
    for visit in visits:
        sources.update(visit.sources)
    keys = list(sources)
    sizes = [run.input_torque.size for _, run in runs]
    total = sum(sizes)
    effect_input = np.zeros((len(keys), total))
    effect_difference = np.zeros((len(keys), total))
    noise_share = np.zeros((len(keys), total))
    turn_torque, turn_begins, turn_near, turn_before = [], [], [], []
    heat_time, heat_power, oil_rate, heat_run, cell_heat = [], [], [], [], []
    segment_torque: list[float] = []
    first_cell = first_heat = first_turn = 0
    for number, (_, run) in enumerate(runs):
        here = slice(first_cell, first_cell + run.input_torque.size)
        for row, key in enumerate(keys):
            if key in run.effects:
                effect_input[row, here] = run.effects[key].input_torque
                effect_difference[row, here] = run.effects[key].difference
                noise_share[row, here] = run.effects[key].noise_share
        history = run.history
        turn_torque.append(history.torque)
        turn_begins.append(history.begins)
        turn_near.append(history.near + first_cell)
        turn_before.append(history.before + first_turn)
        first_turn += history.torque.size
        segment_torque += [0.0 if run.history_known else float(t) for t in history.torque[history.begins]]
        grid = run.heat.time
        heat_power.append(run.heat.power)
        oil_rate.append(run.heat.oil_rate)
        heat_time.append(grid)
        heat_run.append(np.full(grid.size, number))
        cell_heat.append(first_heat + np.interp(run.cells.time, grid, np.arange(grid.size)))
        first_cell += run.input_torque.size
        first_heat += grid.size

    def join(parts: list[Array]) -> Array:
        return np.concatenate(parts).astype(np.float64)

    def numbers(parts: list[NDArray[np.int64]]) -> Index:
        return np.concatenate(parts).astype(np.int64)

    def optional(values: Array | None, size: int) -> Array:
        return np.full(size, np.nan) if values is None else values

    return FitData(
        difference=join([run.difference for _, run in runs]),
        input_torque=join([run.input_torque for _, run in runs]),
        direction=join([run.cells.direction for _, run in runs]),
        speed_difference=np.abs(join([run.cells.speed_difference for _, run in runs])),
        oil=join([optional(run.cells.oil, run.input_torque.size) for _, run in runs]),
        plate=join([optional(run.cells.plate, run.input_torque.size) for _, run in runs]),
        count=join([run.cells.count for _, run in runs]),
        width=join([run.cells.width for _, run in runs]),
        time=join([run.cells.time for _, run in runs]),
        run=numbers([np.full(n, i) for i, n in enumerate(sizes)]),
        visit=numbers([np.full(n, v) for (v, _), n in zip(runs, sizes, strict=True)]),
        stretch=numbers([run.cells.stretch for _, run in runs]),
        noise=join([np.full(n, run.noise) for (_, run), n in zip(runs, sizes, strict=True)]),
        sources=tuple(sources[key] for key in keys),
        effect_input=effect_input,
        effect_difference=effect_difference,
        noise_share=noise_share,
        locking_slope=join([run.locking_slope for _, run in runs]),
        places=np.concatenate([PLACES * (run.cells.width * run.input_slope)[:, None] for _, run in runs]),
        turn_torque=join(turn_torque),
        turn_begins=np.concatenate(turn_begins),
        turn_near=numbers(turn_near),
        turn_before=numbers(turn_before),
        heat_time=join(heat_time),
        heat_power=join(heat_power),
        oil_rate=join(oil_rate),
        heat_run=numbers(heat_run),
        cell_heat=join(cell_heat),
        friction_state=numbers([run.friction_state for _, run in runs]),
        segment_torque=np.array(segment_torque),
        run_names=tuple(run.name for _, run in runs),
        run_kinds=tuple(run.kind for _, run in runs),
        refit_spread=np.array([refit_spread(visit.rig) for visit in visits]),
    )
