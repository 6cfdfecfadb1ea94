"""Signs and sides, judged by what no differential can do: friction never drives.

While the outputs slip, the slower one gets more torque, so −sgn(Δω)(T_L − T_R) is never negative. Swapped
outputs or a reversed sign break that, and each breaks it in its own way.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import torques
from diffbench.conditioning.cells import Cells
from diffbench.conditioning.other_arrangement import other_arrangements
from diffbench.conditioning.transducers import TorqueChain
from diffbench.documents import Rig
from diffbench.documents.arrangements import OUTPUTS
from diffbench.errors import RecordingError

Array = NDArray[np.float64]

# A clean run has next to no cell below zero; a swap or a reversed sign puts a third or more of them there.
PASSIVE_SHARE = 0.9
# An open unit shows noise and zero errors only: where so few cells stand clear of them, nothing can be said
# of signs.
LEAST_CLEAR = 0.05


def passive_share(direction: Array, difference: Array, noise: float) -> float:
    """Share of cells whose locking torque is not negative, noise allowed for (weight by size, so that
    near-zero cells decide nothing); 1 where hardly any cell stands clear of the noise."""
    locking = -direction * difference
    size = np.clip(np.abs(locking) - 3.0 * noise, 0.0, None)
    if float(np.mean(size > 0.0)) < LEAST_CLEAR:
        return 1.0
    return float(size[locking > 0].sum()) / float(size.sum())


def check_signs(rig: Rig, made: Mapping[str, TorqueChain], cells: Cells, *, noise: float, file: str) -> None:
    """Refuse a run whose torques and speeds cannot belong together, naming what would make them fit.

    Raises ``RecordingError`` when more than a tenth of the torque difference drives instead of holding back.
    Every single change of sign, and the swap of left and right, is tried; those that make the run passive are
    named. Never mended silently: a swap of the torques and a reversal of both cannot be told apart, and give
    other maps.
    """
    whole, difference = torques(rig, made, cells.readings, cells.rates, cells.speeds, cells.accelerations)
    even, others = other_arrangements(rig, cells, whole, difference)
    noise = float(
        np.hypot(noise, sum((rig.channel[name].u_zero or 0.0) * chain.ratio for name, chain in made.items()))
    )
    share = passive_share(cells.direction, difference, noise)
    if share >= PASSIVE_SHARE and others:
        raise RecordingError.single(
            f"{100 * even:.0f} % of the input torque is in the torque difference whatever way the outputs "
            f"slip: the arrangement {rig.arrangement!r} can't be true",
            file=file,
            key="arrangement",
            mend="; or ".join(others),
        )
    if share >= PASSIVE_SHARE:
        check_climb(rig, made, cells, file=file)
        return
    cures: list[str] = []
    for name in made:
        changed = {**cells.readings, name: -cells.readings[name]}
        _, other = torques(rig, made, changed, cells.rates, cells.speeds, cells.accelerations)
        if passive_share(cells.direction, other, noise) >= PASSIVE_SHARE:
            cures.append(
                f"the sign of {name} is reversed (set sign = {-rig.channel[name].sign:g} in [channel.{name}])"
            )
    if passive_share(-cells.direction, difference, noise) >= PASSIVE_SHARE:
        speeds = (
            "left_speed and right_speed" if "left_speed" in rig.channel else "the sign of speed_difference"
        )
        if set(rig.equilibrium) == set(OUTPUTS):
            cures.append(
                "left and right are swapped (exchange the columns of left_torque and right_torque, or "
                f"of {speeds}, "
                "whichever is wired wrong)"
            )
        else:
            cures.append(
                f"left and right are swapped (exchange {speeds}, or name the measured output the other side)"
            )
    cures = cures or others
    likely = (
        "; or ".join(cures)
        if cures
        else "no single swap or sign explains it: check which column is which, and that all torques are in "
        "the units that the rig says (lbf.ft taken as N.m on one side does this, too)"
    )
    raise RecordingError.single(
        f"{100 * (1 - share):.0f} % of the torque difference drives instead of holding back: while the "
        "outputs slip, the "
        f"slower one must get more torque",
        file=file,
        key="channel",
        mend=likely,
    )


def climb(input_torque: Array, locking: Array) -> tuple[float, float]:
    """Slope of the locking torque over the magnitude of the input torque in the upper half of the torques,
    and where that line starts at no input torque, as a share of the largest locking torque; (0, 0) where the
    torque hardly moves.

    >>> torque = np.linspace(0.0, 600.0, 200)
    >>> slope, start = climb(torque, 80.0 + 0.5 * torque)
    >>> (round(slope, 3), round(start, 3))
    (0.5, 0.211)
    """
    magnitude = np.abs(input_torque)
    upper = magnitude > 0.5 * float(magnitude.max(initial=0.0))
    if np.count_nonzero(upper) < 20 or float(np.ptp(magnitude[upper])) < 0.2 * float(magnitude.max()):
        return 0.0, 0.0
    slope, start = np.polyfit(magnitude[upper], locking[upper], 1)
    return float(slope), float(start) / max(float(np.abs(locking).max()), 1e-12)


def check_climb(rig: Rig, made: Mapping[str, TorqueChain], cells: Cells, *, file: str) -> None:
    """Refuse a one-sided run whose locking torque climbs faster than its input torque.

    Slip one way round only lets a reversed torque, or two that changed places, pass for passive: input torque
    and torque difference change places, and the slope is the true one's inverse, from a start below zero. No
    preload is negative, and a slope above 1.25 would be a unit that never slips. Each flank is looked at.
    Raises ``RecordingError``.
    """
    ahead = float(np.mean(cells.direction > 0))
    if 0.1 < ahead < 0.9:
        return
    input_torque, difference = torques(
        rig, made, cells.readings, cells.rates, cells.speeds, cells.accelerations
    )
    slope = _impossible_climb(input_torque, -cells.direction * difference)
    if slope is None:
        return
    cures: list[str] = []
    for name in made:
        changed = {**cells.readings, name: -cells.readings[name]}
        torque, other = torques(rig, made, changed, cells.rates, cells.speeds, cells.accelerations)
        passive = passive_share(cells.direction, other, 0.0) >= PASSIVE_SHARE
        if passive and _impossible_climb(torque, -cells.direction * other) is None:
            sign = -rig.channel[name].sign
            cures.append(f"the sign of {name} is reversed (set sign = {sign:g} in [channel.{name}])")
    raise RecordingError.single(
        f"the locking torque climbs by {slope:.3g} of the input torque, which no unit that slips can do",
        file=file,
        key="channel",
        mend="; or ".join(cures)
        or "no single sign explains it: check signs, units and which column is which",
    )


def _impossible_climb(input_torque: Array, locking: Array) -> float | None:
    """Slope of the first flank that climbs as no unit that slips can, or None."""
    most = float(np.abs(input_torque).max(initial=0.0))
    for side in (input_torque > 0.0, input_torque < 0.0):
        torque = input_torque[side]
        if np.abs(torque).max(initial=0.0) < 0.25 * most:
            continue
        slope, start = climb(torque, locking[side])
        if slope > 1.25 or (slope > 1.0 and start < -0.1):
            return slope
    return None
