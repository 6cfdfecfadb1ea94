"""All checks of one recording, in the order in which they can be made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.checks.balance import torque_balance
from diffbench.conditioning.checks.clock import clock, lost_readings, strays
from diffbench.conditioning.checks.dropouts import dropouts
from diffbench.conditioning.checks.held import coarse, dead, frozen_tare, held
from diffbench.conditioning.checks.hum import hum
from diffbench.conditioning.checks.protocol import stick_slip
from diffbench.conditioning.checks.speeds import frozen_speeds, speed_difference, speeds
from diffbench.conditioning.checks.temperature import temperature
from diffbench.conditioning.findings import Finding, breaks_off
from diffbench.conditioning.run import ConditionedRun
from diffbench.conditioning.samples import KEPT, SPIKE, TEMPERATURES, Samples, corrected, take
from diffbench.conditioning.smoothing import usual_step
from diffbench.conditioning.transducers import TorqueChain
from diffbench.documents import Rig
from diffbench.errors import Fault, Place
from diffbench.recording import Recording

Array = NDArray[np.float64]
SHAFTS = ("left_speed", "right_speed", "case_speed")


def checked_samples(
    rig: Rig, kind: str, recording: Recording, needed: tuple[str, ...]
) -> tuple[Samples, list[Finding]]:
    """Samples of a recording, without readings that stand still, and what its channels show by
    themselves."""
    file = str(recording.source.path)
    found: list[Finding] = breaks_off(recording)
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
    found += clock(recording.time, file=file)
    found += lost_readings(torques, file=file)
    steady = samples.motion.settled if kind != "tare" else np.ones(len(recording), dtype=bool)
    found += strays(int(((samples.reason == SPIKE) & steady).sum()), len(recording), file=file)
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
    if kind == "bias-sweep" and (samples.reason == KEPT).any():
        slow = float(np.percentile(np.abs(samples.motion.speed_difference[samples.reason == KEPT]), 10.0))
    found += speeds(recording, rig, slow_slip=slow)
    return samples, found


def sweep_findings(
    rig: Rig,
    made: Mapping[str, TorqueChain],
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
    if "input_torque" in made and "case" in samples.speeds:
        shafts.append(samples.speeds["case"] * made["input_torque"].ratio)
    found: list[Finding] = []
    for name in made:
        found += hum(
            samples.torques[name], 1.0 / samples.step, shafts, name=name, file=file, averaged=averaged
        )
    found += torque_balance(rig, samples, input_torque, file=file)
    difference = speed_difference(recording, rig)
    if difference is not None and run.kind == "bias-sweep":
        found += stick_slip(samples, difference, file=file)
    heat = float(np.sum(run.heat.power[1:] * np.diff(run.heat.time)))
    for name in TEMPERATURES:
        if name in recording.channels:
            channel = rig.channel[name]
            values = corrected(
                recording.channels[name], sign=channel.sign, gain=channel.gain, zero=channel.zero
            )
            found += temperature(recording.time, values, name=name, file=file, heat=heat)
    return found


def refusals(findings: Sequence[Finding], *, file: str | None) -> list[Fault]:
    """The findings that stop the fit, as faults of a file."""
    return [
        Fault(f"{finding.name}: {finding.evidence} {finding.effect}".rstrip("."), Place(file), finding.mend)
        for finding in findings
        if finding.severity == "stop"
    ]
