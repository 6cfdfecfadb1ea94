"""All checks of one recording, in the order in which they can be made; those of its clock and of lost
readings themselves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import SIDES, TorqueChain
from diffbench.conditioning.checks.flanges import torque_balance
from diffbench.conditioning.checks.held import coarse, dead, frozen_tare, held
from diffbench.conditioning.checks.hum import hum
from diffbench.conditioning.checks.protocol import stick_slip
from diffbench.conditioning.checks.speeds import dropouts, frozen_speeds, noisy, speed_difference, speeds
from diffbench.conditioning.checks.temperature import temperature
from diffbench.conditioning.checks.twice import repeats
from diffbench.conditioning.findings import Finding, breaks_off, clocks_apart
from diffbench.conditioning.pieces import LOST, Pace, local_steps, paces
from diffbench.conditioning.run import ConditionedRun
from diffbench.conditioning.samples import TEMPERATURES, Reason, Samples, readable, take
from diffbench.conditioning.smoothing import usual_step
from diffbench.documents import Rig
from diffbench.plain_text import per_cent
from diffbench.recording import Recording

Array = NDArray[np.float64]


# Steps that scatter by a tenth blur rates and what is worked out from them by as much.
JITTER = 0.1
GRAVE_JITTER = 0.3
HOUR = 3600.0  # s
GRAVE_LOSS = 0.05


def clock(time: Array, *, file: str) -> list[Finding]:
    """A rate that changes, unsteady sampling, an hour that a clock was set on, and lost rows.

    Parameters: ``time`` (n,) [s] rising. A clock that is merely written with few digits is no jitter: its
    steps take two neighbouring values only.

    >>> clock(np.round(np.arange(2000) / 60.0, 3), file="a.csv")
    []
    """
    steps = np.diff(time)
    if steps.size < 50:
        return []
    rates = paces(time)
    local: Array | float = local_steps(time, rates)[:-1] if len(rates) > 1 else rates[0].step
    lost = steps > LOST * local
    found = _rates(time, rates, file)
    relative = (steps / local)[~lost]
    scatter = float(np.std(relative))
    if scatter > JITTER and not all(_even(time[pace.first : pace.last], pace.step) for pace in rates):
        found.append(
            Finding(
                "sampling jitter",
                "caveat" if scatter > GRAVE_JITTER else "note",
                file,
                f"The steps between samples scatter by {100 * scatter:.0f} % of "
                f"{1e3 * rates[0].step:.4g} ms.",
                "What is worked out from rates of change (lag, inertia) is blurred; averages hold.",
                "Let the logger sample by its own clock rather than by a program's loop.",
            )
        )
    hour = lost & (np.abs(steps - HOUR - local) <= (2.0 + 1e-6) * local)
    lost &= ~hour
    found += _set_on(time[:-1][hour], file)
    if lost.any():
        missing = float(np.sum((steps - local)[lost]))
        share = missing / float(time[-1] - time[0])
        found.append(
            Finding(
                "missing stretches",
                "caveat" if share > GRAVE_LOSS else "note",
                file,
                f"Samples are missing in {int(lost.sum())} place{'s' if lost.sum() > 1 else ''}, "
                f"{missing:.3g} s in all ({per_cent(share)} %), the longest of "
                f"{float(steps[lost].max()):.3g} s.",
                "Nothing is filled in; where a turn of the sweep could have been missed, the ramps' state is "
                "unknown afterwards.",
                "Look for a logger that cannot keep up, or stops for its disk.",
            )
        )
    return found


def _rates(time: Array, rates: Sequence[Pace], file: str) -> list[Finding]:
    """That a logger changed its rate, when, and from what to what."""
    if len(rates) < 2:
        return []
    told = [
        f"at {time[then.first]:.4g} s from {1.0 / now.step:.3g} to {1.0 / then.step:.3g} Hz"
        for now, then in pairwise(rates)
    ]
    more = f", and {len(told) - 3} times more" if len(told) > 3 else ""
    return [
        Finding(
            "sampling rate changes",
            "note",
            file,
            f"The logger changes its rate {', '.join(told[:3])}{more}.",
            "Stretches of 20 s and more are averaged by their own rate, shorter ones with their neighbours.",
            "Nothing, if it was meant; else keep one rate, fast enough for all of the sweep.",
        )
    ]


def _set_on(at: Array, file: str) -> list[Finding]:
    """That a clock steps on by an hour: it was set, or the bench stood still for just that."""
    if not at.size:
        return []
    return [
        Finding(
            "possible clock change",
            "caveat",
            file,
            f"At {at[0]:.4g} s the clock steps on by exactly an hour"
            + (f", and so {at.size - 1} times more." if at.size > 1 else "."),
            "Where it was set, as when summer time begins, no sample is missing. It counts as a pause of an "
            "hour: the ramps' state is unknown afterwards.",
            "Set the hour back in the times that follow, if the clock was changed; log in UTC.",
        )
    ]


def _even(time: Array, step: float) -> bool:
    """Whether a clock's steps, but for lost rows, are even ones, rounded."""
    steps = np.diff(time)
    return _rounded(steps[steps < LOST * step])


def _rounded(steps: Array) -> bool:
    """Whether the steps are those of an even clock, rounded: all within one digit of each other."""
    distinct = np.unique(np.round(steps / np.median(steps), 6))
    gaps = np.diff(distinct)
    return bool(gaps.size == 0 or distinct[-1] - distinct[0] <= 1.01 * float(gaps.min()))


def lost_readings(channels: Mapping[str, Array], *, file: str) -> list[Finding]:
    """Empty cells in channels that are computed with."""
    found: list[Finding] = []
    for name, values in channels.items():
        missing = ~np.isfinite(values)
        share = float(np.mean(missing))
        if share == 0.0:
            continue
        places = int(np.count_nonzero(np.diff(np.concatenate([[0], missing.astype(np.int8)])) == 1))
        found.append(
            Finding(
                "missing readings",
                "caveat" if share > GRAVE_LOSS else "note",
                f"{name}, {file}",
                f"{int(missing.sum())} readings ({per_cent(share)} %) are missing, in {places} places.",
                "They are left out, nothing is filled in.",
                "Look for a loose plug, or a channel that is logged at a lower rate than the others.",
            )
        )
    return found


def strays(count: int, samples: int, *, file: str) -> list[Finding]:
    """Spikes, as counted when the samples were taken, those apart that stand where the slip reverses: there a
    single sample may well stand between two levels."""
    if count == 0:
        return []
    return [
        Finding(
            "spikes",
            "caveat" if count > 0.01 * samples else "note",
            file,
            f"{count} samples stand apart from their neighbours on both sides.",
            "They are left out.",
            "Look for a loose plug, missing shielding, or a drive switching beside the cable.",
        )
    ]


SHAFTS = ("left_speed", "right_speed", "case_speed")


def of_the_whole(recording: Recording, kind: str) -> list[Finding]:
    """What a recording, or a part of one as it was read, shows before it is cut in pieces."""
    file = str(recording.source.path)
    found = [*breaks_off(recording), *clocks_apart(recording), *clock(recording.time, file=file)]
    return found if kind == "tare" else [*found, *repeats(recording.time, recording.channels, file=file)]


def checked_samples(
    rig: Rig, kind: str, recording: Recording, needed: tuple[str, ...]
) -> tuple[Samples, list[Finding]]:
    """Samples of a recording, without readings that stand still, and what its channels show by
    themselves."""
    file = str(recording.source.path)
    found: list[Finding] = []
    unusable: dict[str, NDArray[np.bool_]] = {}
    torques = {name: recording.channels[name] for name in needed if name in recording.channels}
    for name, values in torques.items():
        stands = held(values, name=name, file=file)
        found += stands.findings
        unusable[name] = stands.unusable
    for name in SHAFTS:
        if name in recording.channels:
            apart, told = dropouts(
                recording.channels[name] * rig.channel[name].gain,
                usual_step(recording.time),
                name=name,
                file=file,
            )
            found += told
            unusable[name] = apart
    samples = take(recording, rig, torque_channels=needed, unusable=unusable)
    found += lost_readings(torques, file=file)
    steady = samples.motion.settled if kind != "tare" else np.ones(len(recording), dtype=bool)
    found += strays(int(((samples.reason == Reason.SPIKE) & steady).sum()), len(recording), file=file)
    slow = None
    if kind == "tare":
        found += frozen_tare(torques, file=file)
    else:
        moving = samples.motion.direction[samples.motion.slips]
        found += dead(
            # gain may stand for a scale: a dead channel is judged by the newton metres that it reads
            {name: rig.channel[name].gain * values for name, values in torques.items()},
            file=file,
            kind=kind,
            u_zero={name: rig.channel[name].u_zero or 0.0 for name in torques},
            reverses=bool(moving.size) and bool(np.any(moving != moving[0])),
        )
        found += frozen_speeds(recording, rig)
    if kind == "bias-sweep":
        for name, values in torques.items():
            found += coarse(values, name=name, file=file)
    if kind == "bias-sweep" and samples.kept.any():
        slow = float(np.percentile(np.abs(samples.motion.speed_difference[samples.kept]), 10.0))
    found += speeds(recording, rig, slow_slip=slow)
    return samples, found


def sweep_findings(
    rig: Rig,
    chains: Mapping[str, TorqueChain],
    recording: Recording,
    samples: Samples,
    run: ConditionedRun,
    input_torque: Array,
) -> list[Finding]:
    """What the samples of a sweep, or of a part of it, show once they are conditioned; ``input_torque`` (n,)
    [N·m]."""
    file = run.name
    averaged = float(np.median(run.cells.width))
    shafts = list(samples.speeds.values())
    shafts += [
        samples.speeds[SIDES[name]] * chain.ratio
        for name, chain in chains.items()
        if chain.ratio != 1.0 and SIDES[name] in samples.speeds
    ]
    found: list[Finding] = []
    for name in chains:
        found += hum(
            samples.torques[name], 1.0 / samples.step, shafts, name=name, file=file, averaged=averaged
        )
    found += torque_balance(rig, samples, input_torque, file=file)
    difference = speed_difference(recording, rig)
    if difference is not None and run.kind == "bias-sweep":
        # a speed difference that swings is no noise
        found += stick_slip(samples, difference, file=file) or noisy(difference, samples.step, file=file)
    heat = float(np.sum(run.heat.power[1:] * np.diff(run.heat.time)))
    for name in TEMPERATURES:
        if name in recording.channels:
            values = readable(rig.channel[name].corrected(recording.channels[name]))
            found += temperature(recording.time, values, name=name, file=file, heat=heat)
    return found
