"""What a sweep was run like: slip, cycles, pace, stick-slip; and rig and recordings against SAE J3011."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.bench import TorqueChain
from diffbench.conditioning.cells import Cells
from diffbench.conditioning.checks.held import resolution
from diffbench.conditioning.course import Sweep
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.samples import Samples
from diffbench.conditioning.smoothing import local_mean
from diffbench.documents import Rig
from diffbench.plain_text import per_cent
from diffbench.recording import Recording

Array = NDArray[np.float64]

# While more than half of a sweep holds still, half of the bench's time says next to nothing.
HOLDING_SHARE = 0.5
# Plates follow a change of load over some hundredths of a radian; a stretch should turn many times that.
LEAST_TURN = 1.0  # rad
# Whole cycles of torque, up and down: with fewer than two nothing is repeated.
LEAST_CYCLES = 2.0
# Samples of a stretch from turn to turn: fewer do not show a branch.
LEAST_SAMPLES = 40
# Lag and inertia may take off this share of the torque difference before their own error shows: a tenth of
# 5 % is half a per cent, SAE J3011's torque accuracy.
CORRECTION_SHARE = 0.05
# An amplifier that nobody states a lag of has some ten milliseconds (common practice, no source).
USUAL_LAG = 0.01  # s
# Engines drive harder than they brake: hardly a bench goes this much further in coast than in drive.
COAST_BEYOND = 1.2
# Stick-slip: speed difference that swings by half its mean and more, from window to window.
SWING, SWING_SHARE = 0.35, 0.05
WINDOW = 1.0  # s


def slip_and_cycles(
    cells: Cells, course: Sweep, *, holding: float, step: float, kind: str, file: str
) -> list[Finding]:
    """Too little slip, too few cycles, too few samples in a stretch.

    ``holding`` is the share of the samples of known speed whose outputs hold still, ``step`` [s] the usual
    step from sample to sample.
    """
    found: list[Finding] = []
    lengths = np.bincount(cells.stretch, np.abs(cells.speed_difference) * cells.width)
    turned = float(np.median(lengths[lengths > 0.0])) if (lengths > 0.0).any() else 0.0
    little = kind == "bias-sweep" and turned < LEAST_TURN
    if holding > HOLDING_SHARE or little:
        found.append(
            Finding(
                "too little slip",
                "caveat",
                file,
                (
                    f"The outputs hold still in {100 * holding:.0f} % of the samples. "
                    if holding >= 0.01
                    else ""
                )
                + f"From one turn of the torque to the next they turn by {turned:.2g} rad against "
                "each other.",
                "While they hold, the reading only bounds the locking torque; within hundredths of a radian "
                "it still follows the load.",
                "Let the outputs slip by some rad/s all through the sweep.",
            )
        )
    if kind != "bias-sweep":
        return found
    cycles = (len(course.turns) + 1) / 2.0
    if cycles < LEAST_CYCLES:
        found.append(
            Finding(
                "too few cycles",
                "caveat",
                file,
                f"The input torque goes up and down {cycles:g} times.",
                "Nothing is repeated, so chance and misfit cannot be told apart, and the ramps' state at the "
                "start weighs much.",
                "Sweep up and down three times or more, each way round.",
            )
        )
    count = course.stretch_duration / step
    if count < LEAST_SAMPLES:
        found.append(
            Finding(
                "sampled too slowly",
                "caveat",
                file,
                f"From one turn of the torque to the next there are {count:.0f} samples, {step:.3g} s apart.",
                "Turns are cut, and loading and unloading are blurred.",
                "Sample faster (20 a second at least) or sweep slower.",
            )
        )
    return found


def reach(input_torque: Array) -> tuple[float, float] | None:
    """How far an input torque (n,) [N·m] at the samples goes in coast and in drive, but for strays (NaN =
    missing); None where there is none."""
    known = input_torque[np.isfinite(input_torque)]
    if known.size == 0:
        return None
    low, high = (float(v) for v in np.percentile(known, [0.5, 99.5]))
    return low, high


def flanks(low: float, high: float, *, file: str) -> list[Finding]:
    """A sweep that goes further in coast than in drive: as if both were exchanged.

    Parameters: ``low`` and ``high`` [N·m], see `reach`.

    >>> [f.name for f in flanks(-700.0, 300.0, file="a.csv")]
    ['coast further than drive']
    """
    if -low < COAST_BEYOND * max(high, 0.0) or low >= 0.0:
        return []
    return [
        Finding(
            "coast further than drive",
            "caveat",
            file,
            f"The input torque goes from {low:.4g} to {high:.4g} N·m: further in coast than in drive.",
            "If drive and coast are exchanged, each flank has the other's ramp bias.",
            "Nothing, if it was meant. Else: outputs that are exchanged and both counted backwards do this, "
            "and so does an input torque that counts backwards.",
        )
    ]


def pace(rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, *, file: str) -> list[Finding]:
    """Sweeps so fast that lag or inertia make up a good part of the torque difference."""
    speeds, accelerations = cells.speeds, cells.accelerations

    def difference(**constant: float) -> Array:
        changed = {name: _with(chain, constant) for name, chain in chains.items()}
        return bench.torques(rig, changed, cells.readings, cells.rates, speeds, accelerations)[1]

    usual = float(np.median(np.abs(difference())))
    if usual == 0.0:
        return []
    lag = max(USUAL_LAG, *(chain.lag for chain in chains.values()))
    shares = {
        "lag": float(np.median(np.abs(difference(lag=lag) - difference(lag=0.0)))) / usual,
        "inertia": float(np.median(np.abs(difference() - difference(inertia=0.0)))) / usual,
    }
    worst = max(shares, key=lambda name: shares[name])
    if shares[worst] < CORRECTION_SHARE:
        return []
    source = f"a lag of {1e3 * lag:.3g} ms" if worst == "lag" else "the stated inertia"
    return [
        Finding(
            "sweep too fast",
            "caveat",
            file,
            f"What {source} does is {per_cent(shares[worst])} % of the torque difference.",
            f"An error of a tenth in the {worst} is {per_cent(0.1 * shares[worst], 1)} % of the locking "
            "torque.",
            "Sweep slower, or state lag and inertia with their uncertainty.",
        )
    ]


def _with(chain: TorqueChain, constant: Mapping[str, float]) -> TorqueChain:
    for name, value in constant.items():
        chain = chain.with_error(name, value - getattr(chain, name))
    return chain


def stick_slip(samples: Samples, raw_difference: Array, *, file: str) -> list[Finding]:
    """Speed difference that swings instead of holding its level.

    Windows of a second in which the level neither reverses nor changes by half are taken; one swings where
    its standard deviation about a straight line exceeds ``SWING`` of its mean and neighbouring samples go
    together, which those of noise do not.

    Parameters: ``raw_difference`` (n,) [rad/s], speed difference as sampled, not smoothed.
    """
    size = max(40, round(WINDOW / samples.step))
    count = raw_difference.size // size
    if count < 4:
        return []
    pieces = raw_difference[: count * size].reshape(count, size)
    smooth = local_mean(raw_difference, size)[: count * size].reshape(count, size)
    ramp = np.linspace(-1.0, 1.0, size)
    mean = pieces.mean(axis=1)
    rest = pieces - mean[:, None]
    rest -= ramp * (rest @ ramp / float(ramp @ ramp))[:, None]
    power = (rest**2).mean(axis=1)
    together = (rest[:, 1:] * rest[:, :-1]).mean(axis=1)
    change = np.abs(smooth[:, -1] - smooth[:, 0])
    # the level just before and just after counts as well: a reversal may begin in the next window
    neighbours = np.stack([np.roll(mean, 1), np.roll(mean, -1)])
    steady = (change < 0.5 * np.abs(mean)) & (np.abs(neighbours - mean) < 0.5 * np.abs(mean)).all(axis=0)
    steady[[0, -1]] = False
    slipping = steady & (np.abs(mean) > 0.1)
    if slipping.sum() < 4:
        return []
    with np.errstate(invalid="ignore", divide="ignore"):
        swings = slipping & (np.sqrt(power) > SWING * np.abs(mean)) & (together > 0.3 * power)
    share = float(swings.sum()) / float(slipping.sum())
    if share <= SWING_SHARE:
        return []
    level = float(np.median(np.abs(mean[swings])))
    swing = float(np.median(np.sqrt(2.0 * power[swings])))
    return [
        Finding(
            "stick-slip",
            "caveat",
            file,
            f"In {100 * share:.0f} % of the seconds with steady slip the speed difference swings by "
            f"±{swing:.2g} rad/s about {level:.2g} rad/s.",
            "Averages mix static and sliding friction: friction over speed, and the preload with it, are not "
            "those of steady sliding.",
            "Slip faster, stiffen the drive, warm the oil; a unit that chatters everywhere has friction that "
            "falls with speed.",
        )
    ]


# What SAE J3011 asks of a rig for driveline clutches, for information: a workshop's bench may well fall short
# of it and still serve. The temperature is wanted at the plates, not on the housing.
TORQUE_SHARE = 0.005
SPEED = 0.5 * np.pi / 30.0  # rad/s
SPEED_SHARE = 0.005
RATE = 1000.0  # Hz
SPEEDS = ("left_speed", "right_speed", "case_speed", "speed_difference")


@dataclass(frozen=True)
class Quality:
    """What one recording, or a part of one, shows of its bench: ``rate`` [Hz] of sampling, and by channel the
    smallest step and the largest magnitude of its readings."""

    rate: float
    channels: Mapping[str, tuple[float, float]]


def quality(recording: Recording, torques: Sequence[str]) -> Quality:
    """What is held against the standard, from one recording."""
    step = float(np.median(np.diff(recording.time))) if recording.time.size > 1 else 1.0 / RATE
    looked_at = {
        name: (resolution(values), float(np.nanmax(np.abs(values), initial=0.0)))
        for name, values in recording.channels.items()
        if name in torques or name in SPEEDS
    }
    return Quality(1.0 / step, looked_at)


def against_standard(rig: Rig, seen: Sequence[Quality], torques: Sequence[str]) -> list[Finding]:
    """One note that lists where rig or recordings fall short; none where they do not."""
    short: list[str] = []
    rate = min((one.rate for one in seen), default=RATE)
    if rate < 0.99 * RATE:
        short.append(f"sampling at {rate:.4g} Hz, not {RATE:g} Hz")
    for name in torques:
        read = [one.channels[name] for one in seen if name in one.channels]
        step = max((step for step, _ in read), default=0.0)
        stated = rig.channel[name].range
        # the channel's stated range, or what it read at most in any of the recordings [N·m]
        scale = max(map(abs, stated)) if stated is not None else max((most for _, most in read), default=0.0)
        if step > TORQUE_SHARE * scale > 0.0:
            short.append(
                f"steps of {step:.3g} N·m in {name}, {per_cent(step / scale)} % of full scale and not 0.5 %"
            )
    for name in SPEEDS:
        for step, most in (one.channels[name] for one in seen if name in one.channels):
            if step > max(1.01 * SPEED, SPEED_SHARE * most):
                short.append(f"steps of {step * 30.0 / np.pi:.2g} rpm in {name}, not 0.5 rpm")
                break
    if "plate_temperature" not in rig.channel:
        short.append("no temperature at the plates")
    if not short:
        return []
    return [
        Finding(
            "short of SAE J3011",
            "note",
            f"rig {rig.name}",
            f"The standard for clutch rigs asks for more: {'; '.join(short)}.",
            "For information: what this costs is in the intervals.",
            "Nothing need be done.",
        )
    ]
