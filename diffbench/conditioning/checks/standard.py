"""A bench and its recordings against what SAE J3011 asks of a rig for driveline clutches.

For information: a workshop's bench may well fall short of it and still serve. Torque 0.5 % of full scale,
speed 0.5 rpm, 1000 samples a second, temperature at the plates and not on the housing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.checks.held import resolution
from diffbench.conditioning.findings import Finding
from diffbench.documents import Rig
from diffbench.recording import Recording

TORQUE_SHARE = 0.005
SPEED = 0.5 * np.pi / 30.0  # rad/s
SPEED_SHARE = 0.005
RATE = 1000.0  # Hz


def _full_scale(rig: Rig, name: str, read: Sequence[NDArray[np.float64]]) -> float:
    """The channel's stated range, or what it read at most in any of the recordings [N·m]."""
    stated = rig.channel[name].range
    if stated is not None:
        return max(abs(stated[0]), abs(stated[1]))
    return max((float(np.nanmax(np.abs(values), initial=0.0)) for values in read), default=0.0)


def against_standard(rig: Rig, recordings: Sequence[Recording], torques: Sequence[str]) -> list[Finding]:
    """One note that lists where rig or recordings fall short; none where they do not."""
    short: list[str] = []
    rate = min((1.0 / float(np.median(np.diff(r.time))) for r in recordings if r.time.size > 1), default=RATE)
    if rate < 0.99 * RATE:
        short.append(f"sampling at {rate:.4g} Hz, not {RATE:g} Hz")
    for name in torques:
        read = [r.channels[name] for r in recordings if name in r.channels]
        step = max((resolution(values) for values in read), default=0.0)
        scale = _full_scale(rig, name, read)
        if step > TORQUE_SHARE * scale > 0.0:
            short.append(
                f"steps of {step:.3g} N·m in {name}, {100 * step / scale:.2g} % of full scale and not 0.5 %"
            )
    for name in ("left_speed", "right_speed", "case_speed", "speed_difference"):
        steps_of_speed = [
            (resolution(r.channels[name]), float(np.nanmax(np.abs(r.channels[name]), initial=0.0)))
            for r in recordings
            if name in r.channels
        ]
        for step, most in steps_of_speed:
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
