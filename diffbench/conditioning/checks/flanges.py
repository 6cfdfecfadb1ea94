"""Torque channels held against each other: what gains, zeros, lags and drifts of two do differently, the
findings and the doubts that this adds to the fit; the input torque against the sum of both outputs; tare runs
against each other.

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

Nothing is corrected here. Where the sweeps contradict what the rig states, the fit gets a further unknown of
the size that was seen: it takes off what the sweeps tell, and what they cannot tell (which of the two
channels is off, and so what both have in common) goes into every interval.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.bench import Effect, ErrorSource, TareRun, TorqueChain, torques
from diffbench.conditioning.cells import Cells
from diffbench.conditioning.checks.speeds import factor_name
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.run import ConditionedRun
from diffbench.conditioning.samples import Samples
from diffbench.documents import Rig
from diffbench.documents.arrangements import noise_share
from diffbench.plain_text import leading, per_cent

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
    return bench.loop(reading)


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
        cls, rig: Rig, chains: Mapping[str, TorqueChain], run: ConditionedRun, start: float, duration: float
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
        # one loss; of gears behind both outputs it is that of each, as they are alike
        geared = {
            name: chain.with_error("efficiency", 0.01) for name, chain in chains.items() if chain.ratio != 1.0
        }
        if geared:
            higher = {**chains, **geared}
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


Doubts = Mapping[tuple[str, str], ErrorSource]

# A mismatch counts beyond so many standard uncertainties of what was seen and what is stated together: 4 is
# one bench in ten thousand by chance, and some more as the stretches are few. The sweeps show gains several
# times more sharply than certificates state them, and clean benches scatter by 0.9 of both together (103
# simulated): one in two hundred by chance. A zero's stated uncertainty holds less well. The scatter of a lag
# and of a loop comes out half too large (seen over 227 simulated benches).
SIGNIFICANT = {"gain": 2.5, "zero": 4.5, "lag": 3.2, "drift": 4.0, "hysteresis": LOOP_SHOWS}
# A gain of one flange that is off by less than counts puts the common gain off by half of it, and that does
# not show at all: from here on the common part is doubted by what was seen. Silently, for one clean bench in
# ten is there; it costs that one some width, and misses nothing.
DOUBTFUL = 1.5
# ... and when it matters: shares of the largest input torque for torques, which SAE J3011 wants to 0.5 % of
# full scale; an amplifier's lag to some milliseconds.
LEAST = {"gain": 0.003, "zero": 0.0015, "lag": 0.005, "drift": 0.001, "hysteresis": 0.002}
# Flanges of class 0.5 each are 0.7 % apart; what is clearly more is told even where the rig allows for it,
# and so is as much where the rig hardly does: beyond two of its standard uncertainties, one clean bench in
# fifty by chance.
NOTEWORTHY = {"gain": 0.009, "lag": 0.015}
HARDLY_ALLOWED, CLASS_APART = 2.0, 0.007
SHARP = 3.5  # standard uncertainties of what was seen alone, for these
# A stated constant may be pulled by four of its uncertainties; a mismatch that asks for more gets an unknown
# of its own.
BEARABLE_PULL = 4.0
# No calibrated flange is off by this much: a unit, a ratio or a column is wrong.
BEYOND_CALIBRATION = 0.05
# Packs whose friction is 8 % either side of their mean turn the torque difference with slip and torque as
# gains 6 to 10 % apart do (two packs on ramps of 0.6 to 0.8, by mechanics): below that, and where no unit
# explains it, the fit goes on with the doubt.
BEYOND_PACKS = 0.12
#: What a torque is off by when its unit is taken for another one.
TORQUE_FACTORS: Mapping[str, float] = {
    "lbf.ft taken as N.m": 1.3558179483,
    "N.m taken as lbf.ft": 1.0 / 1.3558179483,
    "lbf.in taken as N.m": 0.1129848290,
    "N.m taken as lbf.in": 1.0 / 0.1129848290,
    "kgf.m taken as N.m": 9.80665,
    "N.m taken as kgf.m": 1.0 / 9.80665,
    "daN.m taken as N.m": 10.0,
    "N.m taken as daN.m": 0.1,
    "lbf.in taken as lbf.ft": 1.0 / 12.0,
    "lbf.ft taken as lbf.in": 12.0,
}

WORDS = {
    "gain": ("gain mismatch", "transducer gain", "the gains differ by {value}", "%"),
    "zero": ("zero mismatch", "transducer zero", "the zeros put the torque difference off by {value}", "N·m"),
    "lag": ("lag mismatch", "lag", "the lags differ by {value} more than stated", "ms"),
    "drift": (
        "zero drift",
        "zero drift",
        "the zeros drift, and the torque difference with them by {value}",
        "N·m",
    ),
    "hysteresis": (
        "transducer hysteresis",
        "transducer hysteresis",
        "the torque difference stays behind the load by {value}",
        "N·m",
    ),
}
MENDS = {
    "gain": "Calibrate both flanges against one reference; state u_gain as the certificates say. Packs that "
    "differ look alike: exchange left and right of the unit, and what turns with it is the packs.",
    "zero": "Take the zero with the bench warm and unloaded, or record a tare run.",
    "lag": "Set both amplifiers to one filter, or state each lag in the rig.",
    "drift": "Let the amplifiers warm up, and record a tare run before and after.",
    "hysteresis": "Load each flange alone up and down against a reference; look for friction between flange "
    "and unit.",
}


@dataclass(frozen=True)
class Extra:
    """A doubt beyond the rig: its source and how much of the mismatch each channel gets."""

    source: ErrorSource
    kind: str
    share: tuple[float, float]


@dataclass(frozen=True)
class Judged:
    """What the comparison came to."""

    findings: tuple[Finding, ...]
    extras: tuple[Extra, ...]


def judge(
    rig: Rig,
    chains: Mapping[str, TorqueChain],
    doubtful: Doubts,
    runs: Sequence[ConditionedRun],
    starts: Sequence[float],
    *,
    visit_key: str,
) -> Judged:
    """Compare both torque channels over a visit, and say what contradicts the rig."""
    compared = compare(rig, chains, runs, starts)
    if compared is None:
        return Judged((), ())
    gain = compared.mismatch["gain"]
    if abs(gain.value) > BEYOND_CALIBRATION and abs(gain.value) > 8.0 * gain.u:
        found = _unit(rig, chains, runs, starts, compared)
        if found.name != "gain mismatch" or abs(gain.value) > BEYOND_PACKS:
            return Judged((found,), ())
    largest = max(float(np.max(np.abs(run.input_torque))) for run in runs)
    findings: list[Finding] = []
    extras: list[Extra] = []
    for kind in KINDS:
        item = compared.mismatch[kind]
        weights = [leverage(rig, chains, name, kind) for name in compared.channels]
        stated = _stated(doubtful, compared.channels, kind, weights)
        least = _least(rig, compared.channels, kind, largest, weights)
        grave = abs(item.value) > max(SIGNIFICANT[kind] * np.hypot(item.u, stated), least)
        hardly = kind == "gain" and abs(item.value) > HARDLY_ALLOWED * np.hypot(item.u, stated)
        size = CLASS_APART if hardly else NOTEWORTHY.get(kind, np.inf)
        told = abs(item.value) > max(SHARP * item.u, size)
        # of a gain that is doubtful the common part is, too: a rig that is wrong of one may be of both
        doubted = kind == "gain" and abs(item.value) > DOUBTFUL * np.hypot(item.u, stated)
        widened = grave or doubted or (told and kind == "gain")
        if grave or told:
            findings.append(_finding(compared, kind, item, stated, grave=grave, widened=widened))
        if widened:
            extras += _extras(compared.channels, kind, item, stated, visit_key)
    return Judged(tuple(findings), tuple(extras))


def _stated(doubtful: Doubts, channels: tuple[str, str], kind: str, weights: Sequence[float]) -> float:
    """Standard uncertainty of a mismatch by the rig or the tare; what nobody states counts as exact."""
    constants = {"gain": ("gain",), "zero": ("zero", "tare", "drag"), "lag": ("lag",)}.get(kind, ())
    parts = [
        weight * doubtful[name, c].u
        for name, weight in zip(channels, weights, strict=True)
        for c in constants
        if (name, c) in doubtful
    ]
    return float(np.sqrt(sum(u**2 for u in parts)))


def _least(rig: Rig, channels: tuple[str, str], kind: str, largest: float, weights: Sequence[float]) -> float:
    """Size below which a mismatch does not matter. What the rig states of a zero covers its drift, too, also
    where a tare run has replaced it."""
    if kind in ("gain", "lag"):
        return LEAST[kind]
    if kind == "hysteresis":
        return LEAST[kind] * largest
    stated = [
        weight * (rig.channel[name].u_zero or 0.0) for name, weight in zip(channels, weights, strict=True)
    ]
    zeros = float(np.sqrt(sum(u**2 for u in stated)))
    return max(LEAST[kind] * largest, zeros)


def _finding(
    compared: Comparison, kind: str, item: Mismatch, stated: float, *, grave: bool, widened: bool
) -> Finding:
    name, _, says, unit = WORDS[kind]
    factor = {"%": 100.0, "ms": 1e3}.get(unit, 1.0)
    first, second = compared.channels
    value = f"{leading(factor * item.value, sign=True)} ± {leading(factor * item.u, 1)} {unit}"
    if kind == "hysteresis":
        value += " in the middle of the widest cycle"
    if kind == "drift":
        rate = 3600.0 * item.value / compared.duration
        value += f" over {compared.duration / 60.0:.3g} min, {rate:+.2g} N·m an hour"
    allowed = f"; the rig allows for {leading(factor * stated)} {unit}" if stated else ""
    return Finding(
        name,
        "caveat" if grave else "note",
        f"{first} against {second}",
        f"With slip both ways round, {says.format(value=value)} ({first} less {second}){allowed}.",
        "The fit takes the difference off; which of the two is off the sweeps cannot tell, so every interval "
        "is widened by what both would have in common."
        if widened
        else "The fit takes the difference off, and the stated uncertainty covers what both have in common.",
        MENDS[kind],
    )


def _extras(
    channels: tuple[str, str], kind: str, item: Mismatch, stated: float, visit_key: str
) -> list[Extra]:
    """Unknowns for the fit. What both channels have in common is doubtful by half of the mismatch, since
    either may be the wrong one; the mismatch itself is an unknown of its own where the rig states none, or
    far too little."""
    group = WORDS[kind][1]
    size = abs(item.value)

    def extra(part: str, words: str, u: float, share: tuple[float, float]) -> Extra:
        label = f"{kind} {words} {channels[0]} and {channels[1]}, as seen"
        # gains in common scale all torques alike: to search one would only reward small residuals
        considered = kind == "gain" and part == "common"
        return Extra(ErrorSource(f"{visit_key}:{kind}.{part}", label, group, u, considered), kind, share)

    extras = [extra("common", "common to", 0.5 * size, (1.0, 1.0))]
    # shared between the channels' own stated unknowns, the mismatch would pull each of them by this much
    pull = size / (np.sqrt(2.0) * stated) if stated > 0.0 else np.inf
    if pull > BEARABLE_PULL:
        extras.append(extra("mismatch", "between", size, (0.5, -0.5)))
    return extras


def with_extras(
    rig: Rig,
    chains: Mapping[str, TorqueChain],
    runs: Sequence[ConditionedRun],
    starts: Sequence[float],
    extras: Sequence[Extra],
) -> tuple[ConditionedRun, ...]:
    """The runs with what the further unknowns do to their cells."""
    if not extras:
        return tuple(runs)
    duration = max(start + float(run.cells.time[-1]) for run, start in zip(runs, starts, strict=True))
    out: list[ConditionedRun] = []
    for run, start in zip(runs, starts, strict=True):
        effects = dict(run.effects)
        for extra in extras:
            added = {
                channel: share
                * extra.source.u
                / leverage(rig, chains, channel, extra.kind)
                * pattern(extra.kind, run.cells, channel, start, duration)
                for channel, share in zip(chains, extra.share, strict=True)
            }
            on_input, on_difference = response(rig, chains, run.cells, added)
            effects[extra.source.key] = Effect(on_input, on_difference, _noise_share(rig, chains, extra))
        out.append(replace(run, effects=effects))
    return tuple(out)


def _noise_share(rig: Rig, chains: Mapping[str, TorqueChain], extra: Extra) -> float:
    """By how much a gain scales the noise of the torque difference (as in `bench.effects`): without it the
    fit would prefer small gains for their small residuals."""
    if extra.kind != "gain":
        return 0.0
    shares = dict(zip(chains, extra.share, strict=True))
    return extra.source.u * sum(noise_share(rig.equilibrium, name) * share for name, share in shares.items())


def _unit(
    rig: Rig,
    chains: Mapping[str, TorqueChain],
    runs: Sequence[ConditionedRun],
    starts: Sequence[float],
    compared: Comparison,
) -> Finding:
    """Gains further apart than any calibration: which unit would bring them together."""
    gain = compared.mismatch["gain"]
    cures: list[str] = []
    for channel in chains:
        factors = dict(TORQUE_FACTORS)
        if chains[channel].ratio != 1.0:
            factors |= {_ungeared(channel): 1.0 / chains[channel].ratio}
        for words, factor in factors.items():
            scaled = [_scaled(rig, chains, run, channel, factor) for run in runs]
            again = compare(rig, chains, scaled, starts)
            if (
                again is not None
                and abs(again.mismatch["gain"].value) < 0.02 + 4.0 * again.mismatch["gain"].u
            ):
                cures.append(f"{words} in {channel}")
    first, second = compared.channels
    return Finding(
        "unit off by a known factor" if cures else "gain mismatch",
        "stop",
        f"{first} against {second}",
        f"With slip both ways round, the gains differ by {100 * gain.value:+.3g} ± {per_cent(gain.u)} % "
        f"({first} less {second}), more than any calibration is off.",
        "A locking torque worked out from them would be wrong by about as much.",
        (f"This would explain it: {'; or '.join(cures)}. State the unit in the rig." if cures else "")
        or "Check unit, gain and column of both channels.",
    )


def _ungeared(channel: str) -> str:
    """What a torque was taken for that has no gear before it, and the rig states one."""
    unit, beyond = ("case", "pinion") if channel == "input_torque" else ("unit", "wheel")
    return f"torque at the {unit} taken as at the {beyond}"


def _scaled(
    rig: Rig, chains: Mapping[str, TorqueChain], run: ConditionedRun, channel: str, factor: float
) -> ConditionedRun:
    cells = run.cells
    readings = {**cells.readings, channel: factor * cells.readings[channel]}
    rates = {**cells.rates, channel: factor * cells.rates[channel]}
    cells = replace(cells, readings=readings, rates=rates)
    input_torque, difference = bench.at_cells(rig, chains, cells)
    return replace(run, cells=cells, input_torque=input_torque, difference=difference)


# Where nobody states a gain's uncertainty, a flange of class 0.5.
CLASS = 0.005
UNBALANCED = 4.0  # standard uncertainties
# A hundredth matters at all; a tenth is no calibration.
LEAST_UNBALANCE, GRAVE_UNBALANCE = 0.01, 0.1


def torque_balance(rig: Rig, samples: Samples, outputs: Array, *, file: str) -> list[Finding]:
    """Hold the input torque, brought to the case, against the sum of both outputs.

    ``T_in = g (T_L + T_R) + z`` by least squares over averages of half a second, with a g for drive and
    one for coast. The input torque takes no part in the fit of this arrangement, so a small error is told
    only.

    Parameters: ``outputs`` (n,) [N·m], sum of both outputs at the unit, NaN = missing.
    """
    if rig.turns_one_output or "input_torque" in rig.equilibrium or "input_torque" not in samples.torques:
        return []
    channel = rig.channel["input_torque"]
    chain = bench.chain_of(rig, "input_torque", None)
    reading = samples.torques["input_torque"]
    speed = samples.speeds.get("case", np.ones_like(reading)) * chain.ratio
    still = np.zeros_like(reading)
    size = max(1, round(0.5 / samples.step))
    measured = _means(chain.at_unit(reading, still, speed, still), size)
    total = _means(outputs, size)
    good = np.isfinite(measured) & np.isfinite(total)
    x, y = total[good], measured[good]
    flanks = [side for side in (np.maximum(x, 0.0), np.minimum(x, 0.0)) if np.count_nonzero(side) >= 20]
    if not flanks or float(np.ptp(x)) == 0.0:
        return []
    columns = np.stack([*flanks, np.ones_like(x)], axis=1)
    slopes = np.linalg.lstsq(columns, y, rcond=None)[0][:-1]
    output = next(iter(rig.equilibrium))
    variance = sum((rig.channel[name].u_gain or CLASS) ** 2 for name in (output, "input_torque"))
    if chain.ratio != 1.0:
        variance += (channel.efficiency.u or EFFICIENCY_U) ** 2
        variance += ((channel.turns.u or 0.0) / chain.ratio) ** 2
    worst = float(slopes[np.argmax(np.abs(slopes - 1.0))])
    if abs(worst - 1.0) < max(UNBALANCED * float(np.sqrt(variance)), LEAST_UNBALANCE):
        return []
    grave = abs(worst - 1.0) > GRAVE_UNBALANCE
    factors = dict(TORQUE_FACTORS)
    if chain.ratio != 1.0:
        factors[_ungeared("input_torque")] = 1.0 / chain.ratio
    middle = float(np.mean(slopes))
    input_unit = factor_name(1.0 / middle, factors) if middle > 0.0 else None
    output_unit = factor_name(middle, factors) if middle > 0.0 else None
    guesses = [f"{input_unit} in input_torque"] if input_unit else []
    guesses += [f"{output_unit} in both outputs"] if output_unit and "pinion" not in output_unit else []
    return [
        Finding(
            "torque balance",
            "stop" if grave else "caveat",
            f"input_torque, {file}",
            f"The input torque is {worst:.4g} times the sum of the outputs"
            + (f": {', or '.join(guesses)}." if guesses else "."),
            "Either the input torque is wrong, which the fit does not use, or the outputs are, and all "
            "of the result with them."
            if grave
            else "The fit uses the outputs only; their common gain may be off by as much.",
            "Check unit, sign, ratio, efficiency and gain of input_torque and of both outputs; leave "
            "[channel.input_torque] out of the rig where it is known to be the wrong one.",
        )
    ]


def _means(values: Array, size: int) -> Array:
    """Means of ``size`` samples, NaN where one is missing."""
    return np.asarray(values[: values.size // size * size].reshape(-1, size).mean(axis=1))


# Ten parts of each run tell its noise, roughly: five of their standard uncertainties, not three.
MOVES = 5.0
# A change within what the rig states of the zero is allowed for; where it states nothing, a thousandth of the
# largest torque does not matter.
LEAST_MOVE = 0.001


def zero_drift(
    rig: Rig, runs: Sequence[TareRun], channels: Sequence[str], *, between: float, largest: float
) -> list[Finding]:
    """The zero of each channel from the first tare run to the last.

    Parameters: ``between`` [s] of recording from the start of the first to the end of the last;
    ``largest`` [N·m] input torque of the visit.
    """
    found: list[Finding] = []
    for name in channels:
        kept = [run[name] for run in runs if name in run]
        if len(kept) < 2:
            continue
        means = [float(part.mean()) for part in kept]
        u = float(np.sqrt(sum(part.var(ddof=1) / part.size for part in (kept[0], kept[-1]))))
        change = means[-1] - means[0]
        if abs(change) <= MOVES * u:
            continue
        grave = abs(change) > max(rig.channel[name].u_zero or 0.0, LEAST_MOVE * largest)
        rate = f", {3600.0 * change / between:+.2g} N·m an hour" if between > 0.0 else ""
        found.append(
            Finding(
                "zero drift",
                "caveat" if grave else "note",
                name,
                f"From the first tare run to the last the zero moves by {change:+.2g} ± {u:.1g} N·m{rate}.",
                "The tare is their mean, and half of the change counts as an uncertainty.",
                "Let the amplifiers warm up, and keep tare runs before and after.",
            )
        )
    return found
