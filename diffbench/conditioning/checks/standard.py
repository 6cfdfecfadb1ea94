"""A bench and its recordings against what SAE J3011 asks of a rig for driveline clutches.

For information: a workshop's bench may well fall short of it and still serve. Torque 0.5 % of full scale,
speed 0.5 rpm, 1000 samples a second, temperature at the plates and not on the housing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diffbench.conditioning.checks.held import resolution
from diffbench.conditioning.findings import Finding
from diffbench.documents import Rig
from diffbench.recording import Recording

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
                f"steps of {step:.3g} N·m in {name}, {100 * step / scale:.2g} % of full scale and not 0.5 %"
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
