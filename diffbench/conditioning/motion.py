"""Which samples slip, which hold still, and which have only just begun to slip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.smoothing import local_mean, usual_step, white_noise

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# The friction surfaces give way elastically before they slide. Plates in oil are through that after a few
# hundredths of a radian; three tenths of relative rotation is well past it (common practice, no source).
SETTLING_ANGLE = 0.3  # rad
# A first-order lag is down to 1 % of a step after five time constants (exp(-5) = 0.7 %).
SETTLING_LAGS = 5.0
# Slower than this, a bench's drives do not turn steadily (common practice, no source).
LEAST_SLIP = 0.05  # rad/s


@dataclass(frozen=True)
class Motion:
    """The speed difference smoothed [rad/s], its sign where the outputs slip (0 where they hold), and what
    has settled."""

    speed_difference: Array
    direction: NDArray[np.int8]
    settled: Flags

    @property
    def slips(self) -> Flags:
        """Where the outputs slip."""
        return np.asarray(self.direction != 0)


def slip(time: Array, speed_difference: Array, *, lag: float = 0.0, ahead: float = 0.0) -> Motion:
    """Tell slipping from holding.

    Parameters: ``time`` (n,) [s]; ``speed_difference`` (n,) [rad/s], NaN = missing; ``lag`` the slowest
    transducer's first-order time constant [s]; ``ahead`` how far rates of change look ahead [s]. Slip counts
    as such where the smoothed speed difference stands clear of its own noise (4 standard deviations) and of
    ``LEAST_SLIP``; it has settled once the plates have turned ``SETTLING_ANGLE`` against each other in this
    direction and the lag has died away, and until the next change of direction comes in sight. While they
    hold, the torque difference is a bound on the locking torque, not a sample of it.
    """
    step = usual_step(time) if time.size > 1 else 1.0
    width = max(1, round(0.1 / step))
    smooth = local_mean(speed_difference, width)
    noise = white_noise(speed_difference) / np.sqrt(max(width, 1))
    threshold = max(LEAST_SLIP, 4.0 * noise)
    known = np.isfinite(smooth)
    size = np.abs(smooth)
    size[~known] = 0.0
    slips = size > threshold
    direction = np.zeros(time.size, dtype=np.int8)
    direction[slips] = 1
    direction[slips & (smooth < 0.0)] = -1

    # what passed since the direction last changed, by sums that restart at each change
    change = np.flatnonzero(direction[1:] != direction[:-1]) + 1
    starts = np.concatenate([[0], change])
    lengths = np.diff(np.append(starts, time.size))
    turned = np.cumsum(size * np.diff(time, prepend=time[:1]))
    angle = turned - np.repeat(turned[starts], lengths)
    since = time - np.repeat(time[starts], lengths)
    settled = (direction != 0) & (angle >= SETTLING_ANGLE) & (since >= SETTLING_LAGS * lag)
    if ahead > 0.0:
        ends = np.append(time[change], np.inf)
        settled &= np.repeat(ends, lengths) - time > ahead
    return Motion(smooth, direction, settled)
