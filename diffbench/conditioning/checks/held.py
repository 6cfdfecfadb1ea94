"""Torque readings that stand still while the bench moves: clipped, stuck, or dead."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.smoothing import ENOUGH, white_noise
from diffbench.plain_text import per_cent

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# A run of equal readings counts when noise would make one as long in fewer than one recording of a million.
BY_CHANCE = 1e-6
# Shorter than this, equal readings are the logger's rounding whatever the statistics say.
SHORTEST_RUN = 5
# Of all readings, those beyond a clipping level: spikes and the like.
BEYOND = 1e-3
# Equal neighbours in more than this share of a channel: too coarse, or too free of noise, to tell.
TOO_COARSE = 0.7
# A torque channel that moves less than this share of the other one's movement is not connected.
DEAD_SHARE = 0.005
# No differential is swept by less than a newton metre, nor slipped by a tenth; nor does a sweep say anything
# that stays within two standard uncertainties of a zero (common practice, no source).
LEAST_MOVE, LEAST_LEVEL = 1.0, 0.1  # N·m
ZEROS = 2.0


@dataclass(frozen=True)
class Held:
    """What is held in one channel: ``unusable`` (n,) True where its readings stand still, and the
    findings."""

    unusable: Flags
    findings: tuple[Finding, ...]


def resolution(values: Array) -> float:
    """Smallest step of a channel: the usual distance between distinct readings that lie next to each other.

    Parameters: ``values`` (n,), any unit, NaN = missing. Returns the step in the same unit, 0 for a constant.
    For a channel finer than its samples are many, the distance is small against everything, and means only
    that. Source: common practice, no source.

    >>> resolution(np.round(np.random.default_rng(0).normal(0.0, 9.0, 4000) / 0.25) * 0.25)
    0.25
    """
    good = np.isfinite(values)
    finite = values if good.all() else values[good]
    distinct = np.unique(finite[:: max(1, finite.size // 50_000)])
    if distinct.size < 2:
        return 0.0
    gaps = np.diff(distinct)
    gaps = gaps[gaps > 1e-9 * (distinct[-1] - distinct[0])]
    return float(np.percentile(gaps, 10.0))


def movement(values: Array) -> float:
    """From the first to the last percentile of the readings, so that spikes move nothing; same unit. Of a
    long recording, ``ENOUGH`` readings spread evenly tell."""
    some = values[:: max(1, values.size // ENOUGH)]
    finite = some[np.isfinite(some)]
    return float(np.subtract(*np.percentile(finite, [99.0, 1.0]))) if finite.size else 0.0


def held(values: Array, *, name: str, file: str, unit: str = "N·m") -> Held:
    """Find where a noisy channel repeats one reading for longer than its noise allows.

    Where nothing but strays lie beyond the repeated value, the channel is clipped there; elsewhere it is
    stuck. A channel without noise of its own is not judged: what it repeats may be what happened.

    Parameters: ``values`` (n,) as read, in SI, NaN = missing.

    >>> course = 300.0 * np.sin(np.linspace(0, 20, 4000)) + np.random.default_rng(1).normal(0, 1, 4000)
    >>> [f.name for f in held(np.minimum(course, 250.0), name="left_torque", file="a.csv").findings]
    ['clipped readings']
    """
    nothing = Held(np.zeros(values.size, dtype=bool), ())
    step = resolution(values)
    if values.size < 50 or step == 0.0 or white_noise(values) < 0.2 * step:
        return nothing
    equal = np.abs(np.diff(values)) < 0.5 * step  # False beside a missing reading
    share = float(np.mean(equal))
    if share == 0.0:
        return nothing
    starts, lengths = _runs(equal)
    # what chance does is read off the channel with its long runs taken out
    longest = lengths > max(SHORTEST_RUN, 20)
    usual = max((float(equal.sum()) - float(lengths[longest].sum())) / values.size, 0.02)
    if usual > TOO_COARSE:
        return nothing
    needed = max(SHORTEST_RUN, int(np.ceil(np.log(values.size / BY_CHANCE) / -np.log(usual))))
    long = lengths + 1 >= needed
    if not long.any():
        return nothing
    starts, lengths = starts[long], lengths[long] + 1
    finite = values[np.isfinite(values)]
    unusable = nothing.unusable.copy()
    clipped = np.zeros(starts.size, dtype=bool)
    for i, (start, length) in enumerate(zip(starts.tolist(), lengths.tolist(), strict=True)):
        unusable[start : start + length] = True
        level = values[start]
        above, below = np.mean(finite > level + 0.5 * step), np.mean(finite < level - 0.5 * step)
        clipped[i] = min(float(above), float(below)) < BEYOND
    found = _clipped(values[starts[clipped]], lengths[clipped], where=f"{name}, {file}", unit=unit)
    found += _stuck(starts[~clipped], lengths[~clipped], where=f"{name}, {file}")
    return Held(unusable, tuple(found))


def _clipped(levels: Array, lengths: NDArray[np.int64], *, where: str, unit: str) -> list[Finding]:
    if lengths.size == 0:
        return []
    distinct = sorted({round(float(v), 6) for v in levels})
    ends = distinct[:1] + distinct[-1:] if distinct[1:] else distinct
    shown = " and ".join(f"{level:.5g}" for level in ends)
    return [
        Finding(
            "clipped readings",
            "caveat",
            where,
            f"{int(lengths.sum())} samples stand at {shown} {unit}, up to {int(lengths.max())} in a row, "
            "and next to none lies beyond.",
            "They are left out; beyond that torque nothing is tested, and the turns of the sweep in them "
            "are not seen.",
            "Raise the range of amplifier and logger, or sweep less far.",
        )
    ]


def _stuck(starts: NDArray[np.int64], lengths: NDArray[np.int64], *, where: str) -> list[Finding]:
    if lengths.size == 0:
        return []
    return [
        Finding(
            "stuck channel",
            "caveat",
            where,
            f"{int(lengths.sum())} samples repeat the one before, up to {int(lengths.max())} in a row, from "
            f"sample {int(starts[0]) + 1} on.",
            "They are left out.",
            "Look for a loose plug, a logger that drops packets and repeats the last one, or a hold "
            "function.",
        )
    ]


def _runs(equal: Flags) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and lengths of unbroken stretches of True."""
    edges = np.diff(np.concatenate([[False], equal, [False]]).astype(np.int8))
    starts = np.flatnonzero(edges == 1)
    return starts, np.flatnonzero(edges == -1) - starts


def dead(
    torques: Mapping[str, Array],
    *,
    file: str,
    kind: str = "bias-sweep",
    u_zero: Mapping[str, float] | None = None,
    reverses: bool = False,
) -> list[Finding]:
    """Torque channels that hold nothing but noise: one while another moves, or all of them.

    Parameters: ``torques`` channel to values (n,) [N·m]; ``u_zero`` [N·m] standard uncertainty of their zeros
    where the rig states it; ``reverses``: whether slip does. A unit gives its slower output the torque that
    the faster one lacks, so no output stays still while the other moves by hundreds of its noise; and a bias
    sweep moves all torques, or it is none. A speed sweep may run with no input torque, but its outputs turn
    with the slip.

    >>> [f.where for f in dead({"left_torque": np.zeros(500), "right_torque": np.zeros(500)}, file="a.csv")]
    ['left_torque, a.csv', 'right_torque, a.csv']
    """
    known = {name: values for name, values in torques.items() if np.isfinite(values).any()}
    if kind != "bias-sweep":
        outputs = {name: values for name, values in known.items() if name != "input_torque"}
        still = [
            _dead(name, values, file, "no unit that is slipped holds so still.")
            for name, values in outputs.items()
            if _level(values) < LEAST_LEVEL or (reverses and np.nanmax(values) == np.nanmin(values))
        ]
        return still if len(still) == len(outputs) else []
    moves = {name: movement(values) for name, values in known.items()}
    most = max(moves.values(), default=0.0)
    # 4.7 standard deviations lie between the outer percentiles of pure noise
    noise = {name: 7.0 * white_noise(values) for name, values in known.items()}
    floor = {name: max(LEAST_MOVE, noise[name], ZEROS * (u_zero or {}).get(name, 0.0)) for name in known}
    # a load that is held is live: it reads something, by its noise, while the slip goes one way
    held_so = {
        name: not reverses and _level(values) > floor[name] and np.nanmax(values) > np.nanmin(values)
        for name, values in known.items()
    }
    if known and all(moves[name] < floor[name] and not held_so[name] for name in known):
        return [
            _dead(name, known[name], file, f"a sweep of torque moves it by {floor[name]:.2g} N·m or more.")
            for name in known
        ]
    return [
        _dead(name, known[name], file, f"another torque moves by {most:.4g} N·m.")
        for name, move in moves.items()
        if move < min(max(DEAD_SHARE * most, noise[name]), 0.1 * most)
    ]


def frozen_tare(torques: Mapping[str, Array], *, file: str) -> list[Finding]:
    """Torque channels of which a tare run shows one value and not even noise.

    >>> [f.severity for f in frozen_tare({"left_torque": np.zeros(500)}, file="tare.csv")]
    ['caveat']
    """
    return [
        Finding(
            "stuck channel",
            "caveat",
            f"{name}, {file}",
            f"It reads {float(np.nanmax(values)) + 0.0:.4g} N·m all through the tare run: no noise moves it.",
            "Its zero counts as known exactly, and is not known at all if the channel was off.",
            "Record the tare run with the amplifier on and all digits, or leave it out and state u_zero.",
        )
        for name, values in torques.items()
        if np.isfinite(values).sum() >= 50 and float(np.nanmax(values)) == float(np.nanmin(values))
    ]


# Bearings, seals and zeros are some per cent of what a bench sweeps; a unit that is loaded is all of it
# (common practice, no source).
LOADED = 0.1
PIECES = 200


def span(values: Array) -> tuple[float, float] | None:
    """Between which torques the means of short pieces of a recording lie, strays apart; None of nothing.

    >>> low, high = span(np.sin(np.linspace(0.0, 60.0, 5000)))
    >>> round(low, 1), round(high, 1)
    (-1.0, 1.0)
    """
    finite = values[np.isfinite(values)]
    if not finite.size:
        return None
    means = [float(piece.mean()) for piece in np.array_split(finite, min(PIECES, finite.size))]
    return float(np.percentile(means, 2.0)), float(np.percentile(means, 98.0))


def loaded_tare(
    spans: Sequence[Mapping[str, tuple[float, float]]], *, largest: float, file: str
) -> list[Finding]:
    """Torque channels that a tare run moves, or that stand far off zero all through it: the unit was loaded.

    ``spans`` of each part of the recording by channel; ``largest`` [N·m] input torque of the visit.

    >>> [f.severity for f in loaded_tare([{"left_torque": (-90.0, 210.0)}], largest=400.0, file="tare.csv")]
    ['stop']
    """
    found: list[Finding] = []
    for name in dict.fromkeys(name for part in spans for name in part):
        lows, highs = zip(*(part[name] for part in spans if name in part), strict=True)
        low, high = min(lows), max(highs)
        moves, stands = high - low > LOADED * largest, max(-low, high) > LOADED * largest
        if moves or stands:
            found.append(
                Finding(
                    "loaded tare",
                    "stop" if moves else "caveat",
                    f"{name}, {file}",
                    f"{name} reads {low:.4g} to {high:.4g} N·m in a tare run, and the visit's input torque "
                    f"reaches {largest:.4g} N·m.",
                    "It would be taken off every sweep as zero and drag.",
                    "A tare run has the unit out, or open: name the right file, or the kind that it is "
                    '("bias-sweep", "speed-sweep"), in the run sheet.',
                )
            )
    return found


def _level(values: Array) -> float:
    """Size of the readings but for strays; same unit."""
    finite = np.abs(values[np.isfinite(values)])
    return float(np.percentile(finite, 95.0)) if finite.size else 0.0


def _dead(name: str, values: Array, file: str, instead: str) -> Finding:
    level, move = float(np.nanmedian(values)) + 0.0, movement(values)  # no "-0"
    return Finding(
        "dead channel",
        "stop",
        f"{name}, {file}",
        f"{name} reads {level:.3g} N·m and moves by {move:.3g} N·m in all; {instead}",
        "Locking torque cannot be worked out from a channel that is not live.",
        f"Check cable, supply and amplifier of {name}, its column, unit and gain in the rig; if the bench "
        'measures the input and one output only, write arrangement = "input-and-one-output".',
    )


def coarse(values: Array, *, name: str, file: str) -> list[Finding]:
    """A torque channel whose steps are a hundredth of what it measures, and which has no noise to smooth
    them.

    Rounding of more than 1 % of the movement is twice the error that SAE J3011 allows a torque (0.5 % of full
    scale); noise of half a step and more turns rounding into noise, which averages out (dither; common
    practice, no source).
    """
    step, move = resolution(values), movement(values)
    if np.count_nonzero(np.isfinite(values)) < 1000 or step <= 0.01 * move or move == 0.0:
        return []
    # a coarse channel's noise shows only as the share of neighbours that differ; steps of a slow sweep differ
    # once a step
    differ = np.abs(np.diff(values[np.isfinite(values)])) > 0.5 * step
    dithered = float(np.mean(differ)) > 0.3
    return [
        Finding(
            "coarse resolution",
            "note" if dithered else "caveat",
            f"{name}, {file}",
            f"Readings come in steps of {step:.3g} N·m, {per_cent(step / move)} % of their movement of "
            f"{move:.4g} N·m.",
            "Noise smooths the steps, so averages hold."
            if dithered
            else f"With too little noise to smooth them, averages may be off by up to {step / 2:.2g} N·m.",
            "Log more digits, or set the range of the channel closer to the torque.",
        )
    ]
