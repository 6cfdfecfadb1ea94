"""Recurrences x[i] = f_i(x[i-1]) without a Python loop over samples.

A straight line after a straight line is a straight line. So n samples are cut into about sqrt(n) blocks of
sqrt(n) samples. All blocks are composed side by side, their start values follow one from the other, and all
blocks are then run side by side: about 3 sqrt(n) numpy calls, O(n) work, no growth of intermediate numbers
and nothing to compile.
"""

import math

import numpy as np

from diffbench.physics.arguments import Floats

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
    blocks = -(-n // _LENGTH)
    padded = np.zeros(blocks * _LENGTH)
    padded[:n] = offset
    powers = float(decay) ** np.arange(_LENGTH + 1)
    within = padded.reshape(blocks, _LENGTH) @ np.where(_APART >= 0, powers[_APART], 0.0)
    value, whole = float(start), float(powers[-1])
    starts = np.empty(blocks)
    for block, last in enumerate(within[:, -1].tolist()):
        starts[block] = value
        value = whole * value + last
    return np.asarray((within + starts[:, None] * powers[1:]).reshape(-1)[:n])


def _in_blocks(values: Floats, neutral: float) -> Floats:
    """Lay `values` out with one block a column, the last one filled up with what changes nothing."""
    length = max(1, math.isqrt(values.size))
    blocks = -(-values.size // length)
    padded = np.full(blocks * length, neutral)
    padded[: values.size] = values
    # Rows are walked one after the other, so they are made contiguous once.
    return np.ascontiguousarray(padded.reshape(blocks, length).T)
