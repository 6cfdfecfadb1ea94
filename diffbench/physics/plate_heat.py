"""How much hotter the plates run than the oil: one heat capacity, one conductance.

Friction heats the plates, C d theta/dt = q − h theta, with theta the excess of the plate over the oil
temperature.

The heat, half of locking torque times speed difference, is taken from the measured torque, not from the
model, so that the temperature does not feed back into the search. The excess also falls by the oil's own
rise, without which a warming oil biases the temperature coefficient.

Its recurrences run without a Python loop over samples: a straight line after a straight line is a straight
line, so n samples are cut into some sqrt(n) blocks, composed side by side, and joined from start to start.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, positive, within

# Steel at 60 °C: 466 J/(kg·K) by EN 1993-1-2; 5 % for alloy, lining and the oil carried along (common
# practice, no source)
SPECIFIC_HEAT = 475.0
SPECIFIC_HEAT_U = 0.05
EVEN_STEPS = 1e-9
"""Relative spread of time steps below which they count as even; it is far below any clock's error."""


def friction_heat(locking_torque: ArrayLike, speed_difference: ArrayLike) -> Floats:
    """Heat that both packs together make.

    q = ½ T_lock |Delta omega|: in each pack half the locking torque slides at half the speed difference

    Parameters
    ----------
    locking_torque : array_like
        Locking torque T_lock, the whole left-right difference [N·m]; NaN passes through.
    speed_difference : array_like
        Left minus right output speed [rad/s]; broadcast.

    Returns
    -------
    Heat [W].

    Examples
    --------
    >>> print(f"{friction_heat(300.0, -4.0):.0f}")
    600

    References
    ----------
    Power balance of the differential, T_in omega_case − T_L omega_L − T_R omega_R.
    """
    return 0.5 * floats(locking_torque) * np.abs(floats(speed_difference))


def excess_temperature(
    time: ArrayLike, heat: ArrayLike, conductance: float, heat_capacity: float, start: float = 0.0
) -> Floats:
    """Excess of plate over oil temperature, exactly, for heat that is constant within each interval.

    theta[i+1] = theta[i] e^(−x) + (q dt/C) (1 − e^(−x))/x, with x = h dt/C

    The intervals may differ (even ones are faster). There is no step-size limit and no time-stepping error.

    Parameters
    ----------
    time : array_like
        Times [s], shape (n,), rising, n at least 1.
    heat : array_like
        Heat [W], without NaN: shape (n − 1,), one value an interval; or shape (n,), one a sample, and the
        mean of both ends then acts over the interval.
    conductance : float
        Conductance h from plates to oil [W/K], not negative (zero: no cooling).
    heat_capacity : float
        Heat capacity C of the plates [J/K], positive.
    start : float
        Excess temperature at the first time [K].

    Returns
    -------
    Excess temperature [K], shape (n,).

    Raises
    ------
    ValueError
        An argument is not as above.

    Notes
    -----
    Validity: plates of one temperature; heat flows to the oil only.

    Examples
    --------
    >>> excess_temperature([0.0, 50.0, 5000.0], [600.0, 600.0, 600.0], 15.0, 500.0).round(2).tolist()
    [0.0, 31.07, 40.0]

    References
    ----------
    Exact response of a first-order system, elementary.
    """
    return Times(time).excess(heat, conductance, heat_capacity, start)


class Times:
    """The times of `excess_temperature`, looked at once for all that is asked of them.

    Parameters
    ----------
    time : array_like
        As there.

    Raises
    ------
    ValueError
        The times are not as there.
    """

    def __init__(self, time: ArrayLike) -> None:
        t = floats(time)
        if t.ndim != 1 or t.size == 0:
            raise ValueError(f"times are one row of samples, at least one, not of shape {t.shape}")
        self._count, steps = t.size, np.diff(t)
        if not np.all(steps > 0.0):
            raise ValueError("times must rise from sample to sample")
        if steps.size and np.ptp(steps) <= EVEN_STEPS * steps[0]:
            steps = np.full(1, (t[-1] - t[0]) / steps.size)
        self._steps = steps

    def excess(self, heat: ArrayLike, conductance: float, heat_capacity: float, start: float) -> Floats:
        """Excess temperature [K], shape (n,), as of `excess_temperature`."""
        q = floats(heat)
        h = float(not_negative("conductance", conductance))
        capacity = float(positive("heat capacity", heat_capacity))
        theta = float(within("start", start, -np.inf, np.inf, unit=" K"))
        if q.ndim != 1 or q.size not in {self._count, self._count - 1}:
            raise ValueError(
                f"heat is one value a sample or an interval of {self._count} times, not {q.shape}"
            )
        if not np.all(np.isfinite(q)):
            bad = int(np.flatnonzero(~np.isfinite(q))[0])
            raise ValueError(f"heat is not a number at sample {bad}: what follows it cannot be known")
        if q.size == self._count:
            q = 0.5 * (q[1:] + q[:-1])
        x = h * self._steps / capacity
        # (1 - e^-x)/x goes to one as x goes to zero, which is also the case without cooling.
        mean_decay = np.ones_like(x)
        np.divide(-np.expm1(-x), x, out=mean_decay, where=x > 0.0)
        rises = q * (self._steps / capacity * mean_decay)
        decay = np.exp(-x)
        if decay.size == 1:
            return np.append(theta, decay_recurrence(float(decay[0]), rises, theta))
        return np.append(theta, affine_recurrence(decay, rises, theta))


_LENGTH = 64  # of a block of constant decay: its triangle of powers stays in the processor's cache
_APART = np.arange(_LENGTH)[None, :] - np.arange(_LENGTH)[:, None]  # how many samples later


def affine_recurrence(gain: Floats, offset: Floats, start: float) -> Floats:
    """Run x[i] = gain[i] x[i-1] + offset[i].

    Parameters
    ----------
    gain : ndarray
        Gains, shape (n,); of magnitude 1 or less where the result is to stay accurate.
    offset : ndarray
        Offsets, shape (n,).
    start : float
        x before the first sample.

    Returns
    -------
    x, shape (n,), equal to the loop over samples within a few units in the last place.

    Examples
    --------
    >>> affine_recurrence(np.array([0.5, 0.5]), np.array([1.0, 1.0]), 4.0).tolist()
    [3.0, 2.5]

    References
    ----------
    Composition of straight lines, elementary.
    """
    n = gain.size
    gains, offsets = _in_blocks(gain, 1.0), _in_blocks(offset, 0.0)
    length, blocks = gains.shape
    # A whole block is the line slope * x + shift.
    slope, shift = np.ones(blocks), np.zeros(blocks)
    for row in range(length):
        slope = gains[row] * slope
        shift = gains[row] * shift + offsets[row]
    x = np.empty(blocks)
    value = float(start)
    for block, (a, b) in enumerate(zip(slope.tolist(), shift.tolist(), strict=True)):
        x[block] = value
        value = a * value + b
    out = np.empty_like(gains)
    for row in range(length):
        x = gains[row] * x + offsets[row]
        out[row] = x
    return np.ascontiguousarray(out.T).reshape(-1)[:n]


def decay_recurrence(decay: float, offset: Floats, start: float) -> Floats:
    """Run x[i] = decay x[i-1] + offset[i] with one decay throughout.

    Blocks are filled by one product with the triangle of the decay's powers, and joined from end to end. A
    compiled filter would be no faster, and the library that has one takes half a second to load.

    Parameters
    ----------
    decay : float
        From 0 to 1.
    offset : ndarray
        Offsets, shape (n,).
    start : float
        x before the first sample.

    Returns
    -------
    x, shape (n,), equal to the loop over samples within a few units in the last place.

    Examples
    --------
    >>> decay_recurrence(0.5, np.array([1.0, 1.0]), 4.0).tolist()
    [3.0, 2.5]

    References
    ----------
    Superposition, elementary.
    """
    n = offset.size
    length = min(_LENGTH, max(n, 1))
    blocks = -(-n // length)
    padded = np.zeros(blocks * length)
    padded[:n] = offset
    powers, triangle = _powers(float(decay), length)
    within = padded.reshape(blocks, length) @ triangle
    value, whole = float(start), float(powers[-1])
    starts = np.empty(blocks)
    for block, last in enumerate(within[:, -1].tolist()):
        starts[block] = value
        value = whole * value + last
    return np.asarray((within + starts[:, None] * powers[1:]).reshape(-1)[:n])


@lru_cache(maxsize=8)  # runs of one fit share them
def _powers(decay: float, length: int) -> tuple[Floats, Floats]:
    """Powers of a decay from 0 to `length`, shape (length + 1,), and their triangle, (length, length)."""
    powers = floats(decay ** np.arange(length + 1))
    apart = _APART[:length, :length]
    return powers, floats(np.where(apart >= 0, powers[apart], 0.0))


def _in_blocks(values: Floats, neutral: float) -> Floats:
    """Lay `values` out with one block a column, the last one filled up with what changes nothing."""
    length = max(1, math.isqrt(values.size))
    blocks = -(-values.size // length)
    padded = np.full(blocks * length, neutral)
    padded[: values.size] = values
    # Rows are walked one after the other, so they are made contiguous once.
    return np.ascontiguousarray(padded.reshape(blocks, length).T)
