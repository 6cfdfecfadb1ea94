"""What no differential can do: friction never drives, and locking torque never climbs faster than the input
torque."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A clean run has next to no cell below zero; a swap or a reversed sign puts a third or more of them there.
PASSIVE_SHARE = 0.9
# An open unit shows noise and zero errors only: where so few cells stand clear of them, nothing can be said
# of signs.
LEAST_CLEAR = 0.05
# An input torque that stays below this share of the locking torque, or within so many of its noise, is held
# at nothing: what locking torque does beside it (with speed, or heat) is no climb.
SWEPT, CLEAR = 0.15, 6.0


def passive_share(direction: Array, difference: Array, noise: float) -> float:
    """Share of cells whose locking torque is not negative, noise allowed for (weight by size, so that
    near-zero cells decide nothing); 1 where hardly any cell stands clear of the noise."""
    locking = -direction * difference
    size = np.clip(np.abs(locking) - 3.0 * noise, 0.0, None)
    if float(np.mean(size > 0.0)) < LEAST_CLEAR:
        return 1.0
    return float(size[locking > 0].sum()) / float(size.sum())


def holds_back(direction: Array, difference: Array, noise: float) -> bool:
    """Whether friction holds back, but for noise."""
    return passive_share(direction, difference, noise) >= PASSIVE_SHARE


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


def impossible_climb(direction: Array, input_torque: Array, locking: Array, noise: float) -> float | None:
    """Slope of the first flank that climbs as no unit that slips can, or None.

    Slip one way round only lets a reversed torque, or two that changed places, pass for passive: input torque
    and torque difference change places, and the slope is the true one's inverse, from a start below zero. No
    preload is negative, and a slope above 1.25 would be a unit that never slips. Each flank is looked at,
    where the input torque was swept at all.
    """
    ahead = float(np.mean(direction > 0))
    most = float(np.abs(input_torque).max(initial=0.0))
    if 0.1 < ahead < 0.9 or most < max(SWEPT * float(np.abs(locking).max(initial=0.0)), CLEAR * noise):
        return None
    for side in (input_torque > 0.0, input_torque < 0.0):
        torque = input_torque[side]
        if np.abs(torque).max(initial=0.0) < 0.25 * most:
            continue
        slope, start = climb(torque, locking[side])
        if slope > 1.25 or (slope > 1.0 and start < -0.1):
            return slope
    return None
