"""All cells of all runs side by side, as the model wants them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import ErrorSource, refit_spread
from diffbench.conditioning.cells import STRETCHES_A_CYCLE
from diffbench.conditioning.run import ByHand, ConditionedRun, ConditionedVisit, Friction
from diffbench.documents.visit import RunKind

Array = NDArray[np.float64]
Index = NDArray[np.int64]


# A cell that holds the corner of the hysteresis would be off by an eighth of its width times the change of
# slope there: with its input torque at three places, a ninth of that.
PLACES = np.array([[-1.0], [0.0], [1.0]]) / 3.0
# columns of the histories, and what is of a run or a visit; all others are of the cells
OF_NO_CELL = frozenset(
    {"sources", "turn_torque", "turn_begins", "turn_near", "heat_time", "heat_power", "oil_rate", "heat_run"}
    | {"segment_torque", "run_names", "run_kinds", "refit_spread", "temperature_u", "temperature_allowed"}
    | {"by_hand"}
)


@dataclass(frozen=True)
class FitData:
    """Cells (c,) of all runs in one row, and the histories that drive hysteresis and plate heat.

    ``difference`` [N·m] = T_L − T_R; ``direction`` ±1; ``speed_difference`` [rad/s] magnitude; ``oil`` [°C]
    (NaN where not recorded); ``plate`` [°C] measured, NaN where not; ``count`` samples; ``width`` [s];
    ``run``, ``visit``, ``stretch`` numbers; ``time`` [s] within the run. ``effect_input``,
    ``effect_difference``, ``noise_share`` (sources, c): what one standard uncertainty of each source does to
    input torque, torque difference and its noise. ``locking_slope`` (c,) [N·m/s] of the measured locking
    torque. ``places`` (3, c) [N·m] offsets of the input torque within each cell. Starts and turns of the
    torque histories (h,): ``turn_torque`` [N·m], ``turn_begins``, ``turn_near`` the nearest cell;
    ``turn_before`` (c,) the last one before each cell. Heat grid (g,): ``heat_time`` [s], ``heat_power`` [W],
    ``oil_rate`` [K/s], ``heat_run``; ``cell_heat`` (c,) fractional position of each cell on the grid.
    ``friction_state`` (c,) members of ``Friction``. ``segment_torque``: input torque at
    the start of each history [N·m], 0 where the state of the ramps there is known. ``refit_spread`` (visits,
    2): relative standard deviations of preload and ramp bias from one refit to the next. ``temperature_u``
    [K]: largest standard uncertainty of a temperature, ``temperature_allowed`` where no rig states it.
    ``by_hand``: of readings by hand, where there
    are any. ``apart`` (2, c) [N·m]: what packs that differ load the ramps by for a share of one, of what the
    preload locks and of what the ramps do; None where both count as alike. ``oil_unread`` (c,): where the oil
    is what stands in place of a reading; None for nowhere.
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
    run_kinds: tuple[RunKind, ...]
    refit_spread: Array
    temperature_u: float = 0.0
    temperature_allowed: bool = False
    by_hand: ByHand | None = None
    apart: Array | None = None
    oil_unread: NDArray[np.bool_] | None = None

    @property
    def locking(self) -> Array:
        """Measured locking torque (c,) [N·m]."""
        return -self.direction * self.difference

    @property
    def read_oil(self) -> Array:
        """Temperature of the oil as it was read (c,) [°C], NaN where not; throughout where a good part was
        not: what the heat balance makes of the plates rests on what stands in its place."""
        if self.oil_unread is None:
            return self.oil
        return np.where(self.oil_unread | (float(self.oil_unread.mean()) > 0.1), np.nan, self.oil)

    @property
    def sliding(self) -> NDArray[np.bool_]:
        """Cells whose friction goes by their sliding speed (c,)."""
        return np.asarray(self.friction_state == Friction.SLIDING)

    @property
    def read_by_hand(self) -> NDArray[np.bool_]:
        """Cells that are readings by hand (c,)."""
        return ~self.sliding

    @property
    def cycle_of_run(self) -> Index:
        """Number of each cell's cycle of its torque within its run (c,)."""
        return self.stretch // STRETCHES_A_CYCLE

    @property
    def cycle(self) -> Index:
        """Number of each cell's cycle of its torque, over all runs (c,)."""
        own = self.cycle_of_run
        return self.run * (int(own.max(initial=0)) + 1) + own

    def of_kind(self, kind: RunKind) -> NDArray[np.bool_]:
        """Cells of the runs of a kind (c,)."""
        return np.array([own == kind for own in self.run_kinds])[self.run]

    def without_sources(self, ends: tuple[str, ...]) -> FitData:
        """Without the errors of the bench whose keys end so."""
        kept = [row for row, source in enumerate(self.sources) if not source.key.endswith(ends)]
        effects = ("effect_input", "effect_difference", "noise_share")
        rows: dict[str, Any] = {name: getattr(self, name)[kept] for name in effects}
        return replace(self, sources=tuple(self.sources[row] for row in kept), **rows)

    def only(self, kept: Index) -> FitData:
        """Some of the cells, in order, with the histories whole: each computes what it does among all."""
        cells: dict[str, Any] = {
            f.name: None if (column := getattr(self, f.name)) is None else column[..., kept]
            for f in fields(self)
            if f.name not in OF_NO_CELL
        }
        near = np.clip(np.searchsorted(kept, self.turn_near), 0, kept.size - 1).astype(np.int64)
        return replace(self, **cells, turn_near=near)


def gather(visits: Sequence[ConditionedVisit]) -> FitData:
    """Put the runs of all visits side by side. Sources of one key are one error, whatever run they show
    in."""
    of_visit = [v for v, visit in enumerate(visits) for _ in visit.runs]
    runs = [run for visit in visits for run in visit.runs]
    sources = {key: source for visit in visits for key, source in visit.sources.items()}
    sizes = [run.input_torque.size for run in runs]

    def joined(column: Callable[[ConditionedRun], Array]) -> Array:
        return np.concatenate([column(run) for run in runs]).astype(np.float64)

    def optional(values: Array | None, size: int) -> Array:
        return np.full(size, np.nan) if values is None else values

    return FitData(
        difference=joined(lambda run: run.difference),
        input_torque=joined(lambda run: run.input_torque),
        direction=joined(lambda run: run.cells.direction),
        speed_difference=np.abs(joined(lambda run: run.cells.speed_difference)),
        oil=joined(lambda run: optional(run.cells.oil, run.input_torque.size)),
        plate=joined(lambda run: optional(run.cells.plate, run.input_torque.size)),
        count=joined(lambda run: run.cells.count),
        width=joined(lambda run: run.cells.width),
        time=joined(lambda run: run.cells.time),
        run=np.repeat(np.arange(len(runs)), sizes),
        visit=np.repeat(np.array(of_visit), sizes),
        stretch=_numbers([run.cells.stretch for run in runs]),
        noise=joined(lambda run: np.full(run.input_torque.size, run.noise)),
        sources=tuple(sources.values()),
        **_effects(runs, list(sources)),
        locking_slope=joined(lambda run: run.locking_slope),
        places=np.concatenate([PLACES * (run.cells.width * run.input_slope) for run in runs], axis=1),
        **_histories(runs),
        **_heat(runs),
        friction_state=_numbers([run.friction_state for run in runs]),
        run_names=tuple(run.name for run in runs),
        run_kinds=tuple(run.kind for run in runs),
        refit_spread=np.array([refit_spread(visit.rig) for visit in visits]),
        temperature_u=max((visit.temperature_u or 0.0 for visit in visits), default=0.0),
        temperature_allowed=any(visit.rig.places_oil_sensor for visit in visits),
        oil_unread=_oil_unread(runs),
        by_hand=_by_hand([visit.by_hand for visit in visits if visit.by_hand is not None]),
    )


def _oil_unread(runs: Sequence[ConditionedRun]) -> NDArray[np.bool_] | None:
    """The cells (c,) whose oil was not read; None where all was."""
    if all(run.cells.oil_unread is None for run in runs):
        return None
    read = (run.cells.oil_unread for run in runs)
    sizes = [run.input_torque.size for run in runs]
    return np.concatenate(
        [np.zeros(n, bool) if one is None else one for n, one in zip(sizes, read, strict=True)]
    )


def _by_hand(told: Sequence[ByHand]) -> ByHand | None:
    """What is known of the readings of all visits: the least certain turning speed counts for all."""
    if not told:
        return None
    worst = max(told, key=lambda one: one.turning_u)
    words = "; ".join(dict.fromkeys(one.told for one in told))
    read = all(one.temperature_read for one in told)
    freedom = float(sum(one.freedom for one in told))
    return replace(worst, freedom=freedom, told=words, temperature_read=read)


def _numbers(parts: Sequence[Index]) -> Index:
    return np.concatenate(parts).astype(np.int64)


def _effects(runs: Sequence[ConditionedRun], keys: Sequence[str]) -> dict[str, Any]:
    """What each source does to every cell; nothing in the runs that it does not show in."""
    sizes = [run.input_torque.size for run in runs]
    columns = {
        name: np.zeros((len(keys), sum(sizes)))
        for name in ("effect_input", "effect_difference", "noise_share")
    }
    for run, last in zip(runs, np.cumsum(sizes).tolist(), strict=True):
        here = slice(last - run.input_torque.size, last)
        for row, key in enumerate(keys):
            if key in run.effects:
                columns["effect_input"][row, here] = run.effects[key].input_torque
                columns["effect_difference"][row, here] = run.effects[key].difference
                columns["noise_share"][row, here] = run.effects[key].noise_share
    return columns


def _histories(runs: Sequence[ConditionedRun]) -> dict[str, Any]:
    """Starts and turns of all runs in one row."""
    histories = [run.history for run in runs]
    first_cell = _firsts([run.input_torque.size for run in runs])
    first_turn = _firsts([history.torque.size for history in histories])
    starts = [
        np.zeros(int(run.history.begins.sum()))
        if run.history_known
        else run.history.torque[run.history.begins]
        for run in runs
    ]
    return {
        "turn_torque": np.concatenate([history.torque for history in histories]).astype(np.float64),
        "turn_begins": np.concatenate([history.begins for history in histories]),
        "turn_near": _numbers([h.near + first for h, first in zip(histories, first_cell, strict=True)]),
        "turn_before": _numbers([h.before + first for h, first in zip(histories, first_turn, strict=True)]),
        "segment_torque": np.concatenate(starts).astype(np.float64),
    }


def _heat(runs: Sequence[ConditionedRun]) -> dict[str, Any]:
    """The heat grids of all runs in one row, and the cells' places on it."""
    grids = [run.heat.time for run in runs]
    sizes = [grid.size for grid in grids]
    places = [
        first + np.interp(run.cells.time, grid, np.arange(grid.size))
        for run, grid, first in zip(runs, grids, _firsts(sizes), strict=True)
    ]
    return {
        "heat_time": np.concatenate(grids).astype(np.float64),
        "heat_power": np.concatenate([run.heat.power for run in runs]).astype(np.float64),
        "oil_rate": np.concatenate([run.heat.oil_rate for run in runs]).astype(np.float64),
        "heat_run": np.repeat(np.arange(len(runs)), sizes),
        "cell_heat": np.concatenate(places).astype(np.float64),
    }


def _firsts(sizes: Sequence[int]) -> list[int]:
    """Where each part begins in the row of all."""
    return [0, *np.cumsum(sizes).tolist()[:-1]]
