"""What the arguments of the physics functions must be, said in one way.

Quantities that come sample by sample (torque, speed, temperature) may hold NaN, which passes through; a
parameter (a friction coefficient, a radius, a stiffness) may not, and is checked here.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
"""An array of double-precision numbers; numbers without shape come back as numpy scalars."""


def floats(value: ArrayLike) -> Floats:
    """Return `value` as an array of doubles, without a copy where it is one already."""
    return np.asarray(value, dtype=np.float64)


def unwrapped(array: Floats) -> Floats:
    """Return `array`, and one without shape as the number it holds, as numpy's own arithmetic does."""
    number: Floats = array[()]
    return number


def positive(name: str, value: ArrayLike) -> Floats:
    """Return `value` as doubles.

    Raises
    ------
    ValueError
        An element is zero, negative or not a number.
    """
    array = floats(value)
    # not by np.all, whose wrapper costs more than the comparison: this is called tens of thousands of times
    good = array > 0.0
    if not (good.all() if array.ndim else good):
        raise ValueError(f"{name} must be positive, got {_first(array, good)}")
    return array


def not_negative(name: str, value: ArrayLike) -> Floats:
    """Return `value` as doubles.

    Raises
    ------
    ValueError
        An element is negative or not a number.
    """
    array = floats(value)
    good = array >= 0.0
    if not (good.all() if array.ndim else good):
        raise ValueError(f"{name} must not be negative, got {_first(array, good)}")
    return array


def within(name: str, value: ArrayLike, low: float, high: float, *, unit: str = "") -> Floats:
    """Return `value` as doubles.

    Raises
    ------
    ValueError
        An element lies outside `low` to `high` (both allowed) or is not a number.
    """
    array = floats(value)
    good = (array >= low) & (array <= high)
    if not good.all():
        raise ValueError(f"{name} must lie from {low:.6g} to {high:.6g}{unit}, got {_first(array, good)}")
    return array


def _first(array: Floats, good: NDArray[np.bool_]) -> str:
    return f"{float(np.atleast_1d(array)[~np.atleast_1d(good)][0]):.6g}"
