"""Findings from two torque channels held against each other, and the doubts that they add to the fit.

Nothing is corrected here. Where the sweeps contradict what the rig states, the fit gets a further unknown of
the size that was seen: it takes off what the sweeps tell, and what they cannot tell (which of the two
channels is off, and so what both have in common) goes into every interval.

Where the input torque is measured besides both outputs, it is held against their sum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.bench import Effect, ErrorSource, TorqueChain
from diffbench.conditioning.checks.pair import (
    KINDS,
    LOOP_SHOWS,
    Comparison,
    Mismatch,
    compare,
    leverage,
    pattern,
    response,
)
from diffbench.conditioning.checks.speeds import factor_name
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.run import ConditionedRun
from diffbench.conditioning.samples import Samples
from diffbench.documents import Rig
from diffbench.documents.arrangements import OUTPUTS, noise_share

Array = NDArray[np.float64]


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
    value = f"{factor * item.value:+.2g} ± {factor * item.u:.1g} {unit}"
    if kind == "hysteresis":
        value += " in the middle of the widest cycle"
    if kind == "drift":
        rate = 3600.0 * item.value / compared.duration
        value += f" over {compared.duration / 60.0:.3g} min, {rate:+.2g} N·m an hour"
    allowed = f"; the rig allows for {factor * stated:.2g} {unit}" if stated else ""
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
        ratio = rig.channel[channel].ratio.value
        if channel == "input_torque" and ratio != 1.0:
            factors |= {"torque at the case taken as at the pinion": 1.0 / ratio}
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
        f"With slip both ways round, the gains differ by {100 * gain.value:+.3g} ± {100 * gain.u:.2g} % "
        f"({first} less {second}), more than any calibration is off.",
        "A locking torque worked out from them would be wrong by about as much.",
        (f"This would explain it: {'; or '.join(cures)}. State the unit in the rig." if cures else "")
        or "Check unit, gain and column of both channels.",
    )


def _scaled(
    rig: Rig, chains: Mapping[str, TorqueChain], run: ConditionedRun, channel: str, factor: float
) -> ConditionedRun:
    cells = run.cells
    readings = {**cells.readings, channel: factor * cells.readings[channel]}
    rates = {**cells.rates, channel: factor * cells.rates[channel]}
    cells = replace(cells, readings=readings, rates=rates)
    input_torque, difference = bench.at_cells(rig, chains, cells)
    return replace(run, cells=cells, input_torque=input_torque, difference=difference)


# Where nobody states a gain's uncertainty, a flange of class 0.5; a final drive within some per cent.
CLASS = 0.005
EFFICIENCY_U = 0.03
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
    if set(rig.equilibrium) != set(OUTPUTS) or "input_torque" not in samples.torques:
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
    variance = sum((rig.channel[name].u_gain or CLASS) ** 2 for name in ("left_torque", "input_torque"))
    if chain.ratio != 1.0:
        variance += (channel.efficiency.u or EFFICIENCY_U) ** 2
        variance += ((channel.ratio.u or 0.0) / channel.ratio.value) ** 2
    worst = float(slopes[np.argmax(np.abs(slopes - 1.0))])
    if abs(worst - 1.0) < max(UNBALANCED * float(np.sqrt(variance)), LEAST_UNBALANCE):
        return []
    grave = abs(worst - 1.0) > GRAVE_UNBALANCE
    factors = dict(TORQUE_FACTORS)
    if chain.ratio != 1.0:
        factors["torque at the case taken as at the pinion"] = 1.0 / chain.ratio
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
