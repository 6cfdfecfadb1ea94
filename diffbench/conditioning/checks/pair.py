"""Two torque channels against each other: what their gains, zeros, lags and drifts do differently.

With slip both ways round, locking torque changes its sign with the direction of slip, and an error of a
transducer does not. So the torque difference, over input torque, branch, speed and temperature, is split into
a part that turns with the direction (any shape: no law of the unit is assumed) and the patterns that an error
of either channel makes. What is common to both channels does not show, and stays with what the rig states.

Uncertainty comes from leaving out one stretch after the other, since the basis misses, too. Over 227 clean
simulated benches the mismatch of gains over its uncertainty scattered by 0.95 to 1.03, that of lags by 0.7. A
lag and a loop of hysteresis look alike over straight ramps; a loop is told only where it shows beside a lag.
It has a memory: a channel jumps where the slip reverses, so its loop is walked through the readings in order
(Prandtl's elements). A lens for each stretch by itself missed loops of half a per cent, and called them a
lag.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import TorqueChain, torques
from diffbench.conditioning.cells import Cells
from diffbench.conditioning.run import ConditionedRun
from diffbench.documents import Rig

Array = NDArray[np.float64]


KNOTS = 13
HEAT_TIME = 20.0  # s: plates settle within some ten seconds (common practice, no source)


def odd_basis(run: ConditionedRun, look: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Columns for the locking torque (c, b), and their slope over the input torque.

    Any continuous piecewise straight course over torque, one for rising and one for falling, and a share of
    constant and torque magnitude each with speed, oil temperature and plate heat.
    """
    cells = run.cells
    torque = run.input_torque[look]
    rising = _rising(cells, run.input_torque)[look]
    nodes = np.unique(np.concatenate([np.quantile(torque, np.linspace(0.0, 1.0, KNOTS)), [0.0]]))
    nodes = nodes[np.concatenate([[True], np.diff(nodes) > 0.01 * np.ptp(torque)])]
    hats, slopes = _hats(torque, nodes)
    columns = [hats * rising[:, None], hats * ~rising[:, None]]
    column_slopes = [slopes * rising[:, None], slopes * ~rising[:, None]]
    speed = np.log(np.abs(cells.speed_difference[look]))
    extra = [speed - speed.mean(), (speed - speed.mean()) ** 2, np.abs(cells.speed_difference[look])]
    if cells.oil is not None:
        extra.append(cells.oil[look] - float(np.mean(cells.oil)))
    else:
        extra.append(cells.time[look] - float(np.mean(cells.time)))
    extra.append(_plate_heat(run)[look])
    # friction surfaces follow a change of load over an angle, so over a time that goes with 1/speed
    climb = np.gradient(np.abs(run.input_torque), cells.time)
    climb[np.abs(climb) > 3.0 * np.median(np.abs(climb))] = 0.0
    columns.append((climb[look] / np.abs(cells.speed_difference[look]))[:, None])
    column_slopes.append(np.zeros((torque.size, 1)))
    magnitude, sign = np.abs(torque), np.sign(torque)
    for values in extra:
        if float(np.ptp(values)) > 1e-9 * max(1.0, float(np.abs(values).max())):
            up, down = values * rising, values * ~rising
            columns.append(np.stack([values, up * magnitude, down * magnitude], axis=1))
            column_slopes.append(np.stack([np.zeros_like(values), up * sign, down * sign], axis=1))
    return np.concatenate(columns, axis=1), np.concatenate(column_slopes, axis=1)


def _rising(cells: Cells, torque: Array) -> NDArray[np.bool_]:
    """Whether the input torque rises over the stretch that a cell is of."""
    out = np.zeros(torque.size, dtype=bool)
    for number in np.unique(cells.stretch):
        at = cells.stretch == number
        time = cells.time[at] - cells.time[at].mean()
        out[at] = float(time @ (torque[at] - torque[at].mean())) >= 0.0
    return out


def _hats(values: Array, nodes: Array) -> tuple[Array, Array]:
    """Hat functions over ``nodes`` at ``values``, and their slopes."""
    place = np.clip(np.searchsorted(nodes, values, side="right") - 1, 0, nodes.size - 2)
    width = np.diff(nodes)[place]
    share = (values - nodes[place]) / width
    hats, slopes = np.zeros((values.size, nodes.size)), np.zeros((values.size, nodes.size))
    rows = np.arange(values.size)
    hats[rows, place], hats[rows, place + 1] = 1.0 - share, share
    slopes[rows, place], slopes[rows, place + 1] = -1.0 / width, 1.0 / width
    return hats, slopes


def _plate_heat(run: ConditionedRun) -> Array:
    """Friction heat after a first-order decay of ``HEAT_TIME``, at the cells, scaled to about one."""
    time, power = run.heat.time, run.heat.power
    if time.size < 2 or float(power.max()) == 0.0:
        return np.zeros(run.cells.time.size)
    decay = float(np.exp(-(time[1] - time[0]) / HEAT_TIME))
    level, levels = 0.0, []
    for watts in power.tolist():
        level = decay * level + (1.0 - decay) * watts
        levels.append(level)
    return np.interp(run.cells.time, time, np.array(levels) / float(power.mean()))


#: Errors of one channel, each a pattern added to its reading.
KINDS = ("gain", "zero", "lag", "drift", "hysteresis")
# Fewer stretches each way round than this leave the patterns to chance.
LEAST_STRETCHES = 4
# The smaller direction's share of all cells, at least.
LEAST_SHARE = 0.2
LEAST_CELLS = 100
# Over 227 clean simulated benches a loop came out at 2.1 of its standard uncertainties at most, and
# scattered by 0.7 of them.
LOOP_SHOWS = 3.2
ELEMENTS = 20
# A final drive's efficiency that nobody states is within some per cent of what is assumed (common practice).
EFFICIENCY_U = 0.03


@dataclass(frozen=True)
class Mismatch:
    """Error of the first channel less that of the second, one kind: ``value`` and its standard uncertainty
    ``u`` by the scatter from stretch to stretch. Gain relative, lag [s]; zero, drift over the visit and
    hysteresis as what they do to the torque difference [N·m]."""

    value: float
    u: float


@dataclass(frozen=True)
class Comparison:
    """Mismatches of a pair of channels by kind, and the visit's length in test time [s]."""

    channels: tuple[str, str]
    mismatch: Mapping[str, Mismatch]
    duration: float


def pattern(kind: str, cells: Cells, channel: str, start: float, duration: float) -> Array:
    """What a unit error of one kind adds to a channel's reading (c,) [N·m per unit].

    ``start`` [s] is when this run began within the visit of ``duration`` [s].
    """
    reading = cells.readings[channel]
    if kind == "gain":
        return reading
    if kind == "zero":
        return np.ones_like(reading)
    if kind == "lag":
        return -cells.rates[channel]
    if kind == "drift":
        return (start + cells.time) / max(duration, 1e-9) - 0.5
    return loop(reading)


def loop(reading: Array) -> Array:
    """What a transducer that stays behind its load adds to its readings (c,), in the order of time, where the
    widest cycle leaves a loop of ±1 in its middle.

    Elements that slip at loads spread evenly up to half of the span, side by side (Prandtl 1928, Rayleigh's
    law): a lens over every cycle, nothing at its turns, and the smaller the cycle the flatter. The straight
    part is a gain's.

    >>> up_and_down = np.concatenate([np.linspace(-100.0, 100.0, 201), np.linspace(99.0, -100.0, 200)])
    >>> np.round(loop(np.tile(up_and_down, 2))[401:].reshape(-1)[[100, 200, 300]], 2)
    array([-1.,  0.,  1.])
    """
    half = 0.5 * float(np.ptp(reading))
    if half == 0.0:
        return np.zeros_like(reading)
    limits = (np.arange(ELEMENTS) + 0.5) / ELEMENTS * half
    before, strained = np.zeros(ELEMENTS), np.empty((reading.size, ELEMENTS))
    lowest = -limits
    for now, step in zip(strained, np.diff(reading, prepend=reading[0]).tolist(), strict=True):
        np.add(before, step, out=now)
        np.maximum(now, lowest, out=now)
        np.minimum(now, limits, out=now)
        before = now
    held = strained.mean(axis=1)
    middle = 0.5 * float(reading.max() + reading.min())
    return np.asarray((0.5 * (reading - middle) - held) / (0.25 * half))


def leverage(rig: Rig, chains: Mapping[str, TorqueChain], channel: str, kind: str) -> float:
    """What one unit of an error of a channel does to the torque difference: for torques, how many newton
    metres one of the reading is; for gains and lags 1, since both channels then count by their own torque."""
    if kind in ("gain", "lag"):
        return 1.0
    return abs(rig.equilibrium[channel].difference) * chains[channel].ratio


def response(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, added: Mapping[str, Array]
) -> tuple[Array, Array]:
    """Change of input torque and torque difference at the unit (c,) [N·m] by additions to readings."""
    sides: list[tuple[Array, Array]] = []
    for half in (0.5, -0.5):
        readings = {
            name: value + half * added[name] if name in added else value
            for name, value in cells.readings.items()
        }
        sides.append(torques(rig, chains, readings, cells.rates, cells.speeds, cells.accelerations))
    return sides[0][0] - sides[1][0], sides[0][1] - sides[1][1]


def compare(
    rig: Rig, chains: Mapping[str, TorqueChain], runs: Sequence[ConditionedRun], starts: Sequence[float]
) -> Comparison | None:
    """Compare the two torque channels of an arrangement over all bias sweeps of a visit.

    Parameters: ``runs`` conditioned; ``starts`` [s] of each run within the visit. Returns None where the
    sweeps cannot tell: one direction of slip, or too few stretches.
    """
    if len(chains) != 2:
        return None
    first, second = tuple(chains)
    duration = max(
        (start + float(run.cells.time[-1]) for run, start in zip(runs, starts, strict=True)), default=0.0
    )
    blocks = [
        _Block.of(rig, chains, run, start, duration)
        for run, start in zip(runs, starts, strict=True)
        if run.kind == "bias-sweep" and np.count_nonzero(_looked(run.cells)) > LEAST_CELLS
    ]
    blocks = [block for block in blocks if _tells(block)]
    if not blocks:
        return None
    # over straight ramps a lag and a loop of hysteresis look much alike: a loop counts where it shows beside
    # a lag, and else there is none
    found = _solve(blocks, KINDS)
    loop = found["hysteresis"]
    if abs(loop.value) < LOOP_SHOWS * loop.u:
        found = {**_solve(blocks, KINDS[:-1]), "hysteresis": loop}
    return Comparison((first, second), found, duration)


@dataclass(frozen=True)
class _Block:
    """One bias sweep: cells that are looked at, the odd part's basis (c, b) and its slope over torque, and
    the patterns' responses (input torque and difference, (k, c) each)."""

    difference: Array
    direction: Array
    weight: Array
    cluster: NDArray[np.int64]
    basis: Array
    basis_slope: Array
    on_input: Array
    on_difference: Array
    efficiency: Array | None

    @classmethod
    def of(
        cls,
        rig: Rig,
        chains: Mapping[str, TorqueChain],
        run: ConditionedRun,
        start: float,
        duration: float,
    ) -> _Block:
        cells = run.cells
        look = _looked(cells)
        first, second = tuple(chains)
        on_input, on_difference = [], []
        for kind in KINDS:
            parts = [
                {name: half / leverage(rig, chains, name, kind) * pattern(kind, cells, name, start, duration)}
                for name, half in ((first, 0.5), (second, -0.5))
            ]
            both = [response(rig, chains, cells, part) for part in parts]
            on_input.append((both[0][0] + both[1][0])[look])
            on_difference.append((both[0][1] + both[1][1])[look])
        efficiency = None
        if "input_torque" in chains and chains["input_torque"].ratio != 1.0:
            higher = {**chains, "input_torque": chains["input_torque"].with_error("efficiency", 0.01)}
            speeds, rates = cells.speeds, cells.accelerations
            one = torques(rig, chains, cells.readings, cells.rates, speeds, rates)
            other = torques(rig, higher, cells.readings, cells.rates, speeds, rates)
            efficiency = np.stack([(other[i] - one[i])[look] / 0.01 for i in (0, 1)])
        basis, slope = odd_basis(run, look)
        return cls(
            difference=run.difference[look],
            direction=cells.direction[look],
            weight=np.sqrt(cells.count[look]),
            cluster=_clusters(cells, look),
            basis=basis,
            basis_slope=slope,
            on_input=np.stack(on_input),
            on_difference=np.stack(on_difference),
            efficiency=efficiency,
        )


def _looked(cells: Cells) -> NDArray[np.bool_]:
    """Cells that are looked at: where a history begins the ramps stand anywhere, so not its first stretch."""
    begins = np.unique(cells.segment, return_index=True)[1]
    return ~np.isin(cells.stretch, cells.stretch[begins])


def _tells(block: _Block) -> bool:
    if block.difference.size < 4 * block.basis.shape[1]:
        return False
    ahead = block.direction > 0
    share = float(np.mean(ahead))
    stretches = min(np.unique(block.cluster[side]).size for side in (ahead, ~ahead) if side.any())
    return min(share, 1.0 - share) >= LEAST_SHARE and stretches >= LEAST_STRETCHES


def _clusters(cells: Cells, look: NDArray[np.bool_]) -> NDArray[np.int64]:
    """A number for each stretch and direction of slip."""
    change = (np.diff(cells.stretch) != 0) | (np.diff(cells.direction) != 0)
    return np.concatenate([[0], np.cumsum(change)]).astype(np.int64)[look]


def _solve(blocks: Sequence[_Block], kinds: Sequence[str]) -> dict[str, Mismatch]:
    """Mismatches of some kinds, the first ones of ``KINDS``.

    An error that moves the input torque moves the locking torque along its own slope, so the slope is taken
    from a first pass and used in the second.
    """
    count = len(kinds)
    slopes: list[Array] = []
    for block in blocks:
        columns = np.concatenate(
            [-block.direction[:, None] * block.basis, block.on_difference[:count].T], axis=1
        )
        solution = _least_squares(columns * block.weight[:, None], block.difference * block.weight)
        slopes.append(block.basis_slope @ solution[: block.basis.shape[1]])
    width = count + 1
    total = sum(block.basis.shape[1] for block in blocks) + width
    rows, targets, clusters = [], [], []
    at = width
    for number, (block, slope) in enumerate(zip(blocks, slopes, strict=True)):
        columns = np.zeros((block.difference.size, total))
        # an error δ of the input torque is read as −dir·f(T) = −dir·(f(T + δ) − f′ δ)
        moved = block.on_difference + block.direction * slope * block.on_input
        columns[:, :count] = moved[:count].T
        if block.efficiency is not None:
            columns[:, width - 1] = block.efficiency[1] + block.direction * slope * block.efficiency[0]
        columns[:, at : at + block.basis.shape[1]] = -block.direction[:, None] * block.basis
        at += block.basis.shape[1]
        rows.append(columns * block.weight[:, None])
        targets.append(block.difference * block.weight)
        clusters.append(block.cluster + 1_000_000 * number)
    design, target, cluster = np.concatenate(rows), np.concatenate(targets), np.concatenate(clusters)
    # efficiency is known to some per cent; the weight of that is the noise of one row
    noise = float(np.std(target - design @ _least_squares(design, target)))
    prior = np.zeros((1, total))
    prior[0, width - 1] = noise / EFFICIENCY_U
    solution, covariance = _jackknife(design, target, prior, cluster)
    return {
        kind: Mismatch(float(solution[i]), float(np.sqrt(covariance[i, i]))) for i, kind in enumerate(kinds)
    }


def _jackknife(design: Array, target: Array, prior: Array, cluster: NDArray[np.int64]) -> tuple[Array, Array]:
    """Least squares, and its covariance from leaving out one cluster after the other (MacKinnon and White
    1985, for clusters): where the basis misses the unit's course, that shows in it, too."""
    scale = _norms(np.concatenate([design, prior]))
    scaled = design / scale
    normal = scaled.T @ scaled + (prior / scale).T @ (prior / scale)
    right = scaled.T @ target
    # columns that hardly differ are held by next to nothing
    normal[np.diag_indices_from(normal)] += 1e-9
    solution = np.linalg.solve(normal, right)
    numbers = np.unique(cluster)
    left_out = np.empty((numbers.size, solution.size))
    for i, number in enumerate(numbers):
        rows = scaled[cluster == number]
        left_out[i] = np.linalg.solve(normal - rows.T @ rows, right - rows.T @ target[cluster == number])
    apart = left_out - solution
    covariance = (numbers.size - 1) / numbers.size * apart.T @ apart
    # never below what independent noise of cells alone gives
    noise = float(np.var(target - scaled @ solution))
    plain = noise * np.diag(np.linalg.inv(normal))
    covariance[np.diag_indices_from(covariance)] = np.maximum(np.diag(covariance), plain)
    return solution / scale, covariance / np.outer(scale, scale)


def _norms(columns: Array) -> Array:
    """Length of each column, 1 for an empty one."""
    norms = np.linalg.norm(columns, axis=0)
    return np.where(norms > 0.0, norms, 1.0)


def _least_squares(columns: Array, target: Array) -> Array:
    scale = _norms(columns)
    return np.asarray(np.linalg.lstsq(columns / scale, target, rcond=1e-10)[0] / scale)
