"""From the reading to the torque at the unit: gain, zero, lag, tare or drag, inertia, final drive; input
torque and torque difference of samples and cells, and what each doubtful constant does to them.

Every step of the chain is written for one time series and its rate of change, so that the same lines serve
single samples, averages over cells, and the same averages with one of the bench's constants off by its
standard uncertainty. What that does to every cell is half the difference of the whole chain with the constant
too high and too low; the fit shifts along it. A tare run reads the transducers with the unit out or open,
which is zero error and drag together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.cells import Cells
from diffbench.conditioning.samples import Samples
from diffbench.documents import Rig
from diffbench.documents.arrangements import noise_share
from diffbench.doubts import CountsAsExact, Source

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TorqueChain:
    """What stands between one torque transducer and the unit, beyond the stated gain, zero and sign of the
    reading.

    ``gain`` relative and ``zero`` [N·m] are corrections to the reading in N·m (0 = as stated); ``lag`` [s];
    ``tare`` [N·m] is the reading with the unit out, which holds zero and drag together; ``drag`` [N·m] where
    no tare run says it; ``inertia`` [kg·m²] between transducer and unit; ``ratio`` turns of the transducer's
    shaft per turn of the unit's, and ``efficiency``, of a gear between them (1 = none). ``side``: +1 for an
    output, whose transducer reads *less* than the unit delivers, -1 for the input, which reads more than the
    case gets.
    """

    side: Literal[1, -1]
    gain: float = 0.0
    zero: float = 0.0
    lag: float = 0.0
    tare: float = 0.0
    drag: float = 0.0
    inertia: float = 0.0
    ratio: float = 1.0
    efficiency: float = 1.0

    def at_unit(self, reading: Array, rate: Array, speed: Array, acceleration: Array) -> Array:
        """Torque at the unit (at the case, for an input) [N·m].

        Parameters: ``reading`` (n,) [N·m] after stated gain, zero and sign; ``rate`` (n,) its change [N·m/s];
        ``speed`` and ``acceleration`` (n,) of the transducer's own shaft [rad/s, rad/s²].

        ``T = reading·(1 + gain) + zero − tare + lag·rate``, then ``± (drag·sgn ω + J dω/dt)``, then the final
        drive: the case gets ``ratio·efficiency`` times the pinion's torque while power flows to it,
        ``ratio/efficiency`` while power flows back; a reduction behind an output the other way round (common
        practice for gear pairs, no source).

        >>> pinion = TorqueChain(side=-1, ratio=3.0, efficiency=0.96)
        >>> one = np.ones(2)
        >>> pinion.at_unit(np.array([100.0, -100.0]), 0 * one, 60 * one, 0 * one).round(1).tolist()
        [288.0, -312.5]
        >>> hub = TorqueChain(side=1, ratio=0.25, efficiency=0.96)
        >>> hub.at_unit(np.array([384.0, -400.0]), 0 * one, 60 * one, 0 * one).round(1).tolist()
        [100.0, -96.0]
        """
        # what is not there is not computed: readings may be millions, and adding nothing takes as long
        torque = reading * (1.0 + self.gain) if self.gain else reading
        if self.zero or self.tare or self.lag:
            torque = torque + self.zero - self.tare + self.lag * rate
        if self.drag or self.inertia:
            torque = torque + self.side * (self.drag * np.sign(speed) + self.inertia * acceleration)
        if self.ratio == 1.0 and self.efficiency == 1.0:
            return torque
        to_wheels = torque * np.where(speed == 0, 1.0, np.sign(speed)) >= 0
        # before the unit it gets less than what goes in; behind it, it gives more than what comes out
        lossy = to_wheels == (self.side == -1)
        return torque * self.ratio * np.where(lossy, self.efficiency, 1.0 / self.efficiency)

    def with_error(self, constant: str, by: float) -> TorqueChain:
        """The same chain with one constant off by ``by``."""
        return replace(self, **{constant: getattr(self, constant) + by})


@dataclass(frozen=True)
class Tare:
    """Mean reading by torque channel [N·m] and its standard uncertainty: noise and what changed between tare
    runs."""

    mean: Mapping[str, float]
    u: Mapping[str, float]
    runs: int


TareRun = Mapping[str, NDArray[np.float64]]  # means of parts of one tare run by channel [N·m]


def tare_of(runs: Sequence[TareRun], channels: Sequence[str]) -> Tare | None:
    """Tare from all tare runs of a visit (see `tare_run`), or None without one.

    Noise: standard deviation of the means of ten equal parts, over √10, so that slow ripple counts. Several
    runs (before and after): their half-range over √3 is added, a drift of which only the ends are known (GUM
    4.3.7, rectangular).
    """
    if not runs:
        return None
    mean: dict[str, float] = {}
    u: dict[str, float] = {}
    for name in channels:
        parts = [run[name] for run in runs if name in run]
        if not parts:
            continue
        means = [float(part.mean()) for part in parts]
        noises = [float(part.std(ddof=1) / np.sqrt(part.size)) for part in parts]
        half_range = 0.5 * (max(means) - min(means)) if len(means) > 1 else 0.0
        mean[name] = float(np.mean(means))
        u[name] = float(
            np.hypot(np.sqrt(np.mean(np.square(noises)) / len(noises)), half_range / np.sqrt(3.0))
        )
    return Tare(mean, u, len(runs))


def tare_run(samples: Samples, channels: Sequence[str]) -> TareRun:
    """What is kept of a tare run: the means of ten equal parts by channel; one that holds next to nothing is
    left out."""
    found = {name: part_means(samples, name) for name in channels}
    return {name: means for name, means in found.items() if means is not None}


def joined_tare(parts: Sequence[TareRun]) -> TareRun:
    """One tare run of the parts of a long recording."""
    names = dict.fromkeys(name for part in parts for name in part)
    return {name: np.concatenate([part[name] for part in parts if name in part]) for name in names}


def part_means(samples: Samples, channel: str) -> NDArray[np.float64] | None:
    """Means of ten equal parts of a tare run [N·m], or None where it holds next to nothing.

    Taken from the middle 90 %: a bench may still be starting or stopping at the ends.
    """
    values = samples.torques[channel]
    values = values[np.isfinite(values)]
    if values.size < 20:
        return None
    cut = values.size // 20
    return np.array([part.mean() for part in np.array_split(values[cut : values.size - cut], 10)])


ELEMENTS = 20
CROSS_TALK = ("both torque channels", "cross-talk")  # among what is doubtful
SIDES = {"left_torque": "left", "right_torque": "right", "input_torque": "case", "turning_torque": "turned"}


@dataclass(frozen=True)
class ErrorSource:
    """A constant of the bench that is known with a standard uncertainty ``u`` only (in its own SI unit).

    ``key`` is the same for all runs that share the error; ``group`` names it in the uncertainty budget. A
    ``considered`` one is not searched, as the sweeps cannot tell it: only its uncertainty is passed on.
    ``allowed`` is what the rig states of it where a measurement at one time has replaced that: a zero may
    move by as much after its tare run.
    """

    key: str
    label: str
    group: str
    u: float
    considered: bool = False
    allowed: float = 0.0


@dataclass(frozen=True)
class Effect:
    """What one standard uncertainty of a source does: change of input torque and of torque difference (c,)
    [N·m].

    ``noise_share``: by how much it scales the noise of the torque difference. A gain that shrinks the
    readings shrinks their noise as well; unless that is taken out, the fit prefers small gains for their
    small residuals.
    """

    input_torque: Array
    difference: Array
    noise_share: float = 0.0


def needed_torques(rig: Rig) -> tuple[str, ...]:
    """The torque channels that the arrangement computes with."""
    return tuple(rig.equilibrium)


def refit_spread(rig: Rig) -> tuple[float, float]:
    """Relative standard deviations of preload and ramp bias over refits to this bench, 0 where not stated."""
    return rig.repeatability.preload_torque or 0.0, rig.repeatability.ramp_bias or 0.0


def exact_gain(channel: str) -> CountsAsExact:
    """What is said of a torque channel whose gain has no stated uncertainty."""
    text = f"u_gain of {channel} is not stated: its gain counts as exact"
    return CountsAsExact(text, Source.TRANSDUCER_GAIN, channel)


def chains_of(rig: Rig, tare: Tare | None) -> dict[str, TorqueChain]:
    """The chain of each torque channel as stated; a tare run replaces stated drag (its reading holds zero and
    drag)."""
    return {name: chain_of(rig, name, tare) for name in needed_torques(rig)}


def chain_of(rig: Rig, name: str, tare: Tare | None) -> TorqueChain:
    """The chain of one torque channel, see `chains_of`."""
    channel = rig.channel[name]
    tared = tare is not None and name in tare.mean
    return TorqueChain(
        # what drives reads more than the unit gets, what is driven less
        side=1 if name in ("left_torque", "right_torque") else -1,
        lag=channel.lag.value,
        tare=tare.mean[name] if tare is not None and tared else 0.0,
        drag=0.0 if tared else channel.drag.value,
        inertia=channel.inertia.value,
        ratio=channel.turns.value,
        efficiency=channel.efficiency.value,
    )


def sources(
    rig: Rig, tare: Tare | None, *, rig_key: str, visit_key: str
) -> dict[tuple[str, str], ErrorSource]:
    """What is doubtful about each torque channel, by (channel, constant of the chain).

    A flange keeps its gain error from visit to visit, so that one is keyed by the rig; zero and tare belong
    to the visit. A tare run replaces the stated uncertainty of the zero by its own.
    """
    found: dict[tuple[str, str], ErrorSource] = {}

    def add(channel: str, constant: str, group: str, u: float | None, key: str, allowed: float = 0.0) -> None:
        if u:
            label = f"{constant} of {channel}"
            # a loop looks like the ramps' own: only its doubt is passed on
            considered = constant == "hysteresis"
            found[channel, constant] = ErrorSource(
                f"{key}:{channel}.{constant}", label, group, u, considered, allowed
            )

    for name in needed_torques(rig):
        channel = rig.channel[name]
        add(name, "gain", Source.TRANSDUCER_GAIN, channel.u_gain, rig_key)
        if tare is not None and name in tare.mean:
            add(name, "tare", Source.TARE, tare.u[name], visit_key, channel.u_zero or 0.0)
        else:
            add(name, "zero", Source.TRANSDUCER_ZERO, channel.u_zero, visit_key)
            add(name, "drag", Source.DRAG, channel.drag.u, rig_key)
        add(name, "lag", Source.LAG, channel.lag.u, rig_key)
        add(name, "hysteresis", Source.HYSTERESIS, channel.hysteresis, rig_key)
        if channel.hysteresis is None and len(rig.equilibrium) > 1:
            add(name, "hysteresis", Source.HYSTERESIS_ALLOWED, rig.allowance.hysteresis, rig_key)
        add(name, "inertia", Source.INERTIA, channel.inertia.u, rig_key)
        add(name, "ratio", Source.FINAL_DRIVE, channel.turns.u, rig_key)
        add(name, "efficiency", Source.FINAL_DRIVE, channel.efficiency.u, rig_key)
    cross_talk = rig.allowance.cross_talk if rig.cross_talk is None else rig.cross_talk
    group = Source.CROSS_TALK if rig.cross_talk is not None else Source.CROSS_TALK_ALLOWED
    if cross_talk and len(rig.equilibrium) > 1:
        # as much of the sum in the difference on either flank: nothing in a sweep turns with it
        found[CROSS_TALK] = ErrorSource(
            f"{rig_key}:cross-talk", Source.CROSS_TALK, group, cross_talk, considered=True
        )
    return found


def torques(
    rig: Rig,
    chains: Mapping[str, TorqueChain],
    readings: Mapping[str, Array],
    rates: Mapping[str, Array],
    speeds: Mapping[str, Array],
    accelerations: Mapping[str, Array],
) -> tuple[Array, Array]:
    """Input torque at the case and torque difference ``T_L − T_R`` at the unit (n,) [N·m], by the
    arrangement's equilibrium."""
    at_unit: dict[str, Array] = {}
    for name, chain in chains.items():
        reading = readings[name]
        # with no shaft speed on record the shafts are taken to turn forward, steadily
        speed = speeds[SIDES[name]] * chain.ratio if SIDES[name] in speeds else np.ones_like(reading)
        acceleration = (
            accelerations[SIDES[name]] * chain.ratio
            if SIDES[name] in accelerations
            else np.zeros_like(reading)
        )
        at_unit[name] = chain.at_unit(reading, rates[name], speed, acceleration)
    shares = rig.equilibrium
    whole = _sum([(shares[name].input_torque, torque) for name, torque in at_unit.items()])
    return whole, _sum([(shares[name].difference, torque) for name, torque in at_unit.items()])


def _sum(terms: list[tuple[float, Array]]) -> Array:
    """Sum of torques by their shares; one that does not count in it may be missing."""
    counting = [share * torque for share, torque in terms if share]
    return sum(counting[1:], counting[0]) if counting else np.zeros_like(terms[0][1])


def at_samples(rig: Rig, chains: Mapping[str, TorqueChain], samples: Samples) -> tuple[Array, Array]:
    """Input torque and torque difference at every sample."""
    return torques(rig, chains, samples.torques, samples.rates, samples.speeds, samples.accelerations)


def at_cells(rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells) -> tuple[Array, Array]:
    """Input torque and torque difference of every cell."""
    return torques(rig, chains, cells.readings, cells.rates, cells.speeds, cells.accelerations)


def _mixed(
    chains: Mapping[str, TorqueChain], readings: Mapping[str, Array], share: float
) -> dict[str, Array]:
    """Readings with so much less of what the other channels read."""
    others = {name: _sum([(1.0, readings[other]) for other in chains if other != name]) for name in chains}
    return {**readings, **{name: readings[name] - share * others[name] for name in chains}}


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


def effects(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, doubtful: Mapping[tuple[str, str], ErrorSource]
) -> dict[str, Effect]:
    """What one standard uncertainty of each source does to the cells, through the whole chain: half the
    difference of the chain with the constant that much too high and that much too low, the other constants as
    stated."""
    found: dict[str, Effect] = {}
    for (channel, constant), source in doubtful.items():
        if (channel, constant) == CROSS_TALK:
            high, low = (
                at_cells(rig, chains, replace(cells, readings=_mixed(chains, cells.readings, share)))
                for share in (source.u, -source.u)
            )
            found[source.key] = Effect(0.5 * (high[0] - low[0]), 0.5 * (high[1] - low[1]))
            continue
        if constant == "hysteresis":
            reading = cells.readings[channel]
            full = np.abs(reading).max() if source.group == Source.HYSTERESIS_ALLOWED else 1.0
            behind = reading + source.u * full * loop(reading)
            readings = {**cells.readings, channel: behind}
            high, low = at_cells(rig, chains, replace(cells, readings=readings)), at_cells(rig, chains, cells)
            found[source.key] = Effect(high[0] - low[0], high[1] - low[1])
            continue
        upper = {**chains, channel: chains[channel].with_error(constant, source.u)}
        lower = {**chains, channel: chains[channel].with_error(constant, -source.u)}
        high, low = at_cells(rig, upper, cells), at_cells(rig, lower, cells)
        share = 0.0
        if constant == "gain" and channel != "input_torque":
            # T_L − T_R holds each output once; where one torque is measured, all of it is in it
            share = source.u * noise_share(rig.equilibrium, channel)
        found[source.key] = Effect(0.5 * (high[0] - low[0]), 0.5 * (high[1] - low[1]), share)
    return found
