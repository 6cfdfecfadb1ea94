"""A pack of friction plates: torque from axial force.

A pack of n friction faces (the number of rubbing pairs, not of plates) with mean friction coefficient mu,
effective radius R_e and axial force F carries M = mu n R_e F. A differential has two equal packs, one to each
side gear, so that its locking torque, the whole left-right torque difference, is T_lock = 2 M.
"""

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, positive


def effective_radius_uniform_wear(inner: ArrayLike, outer: ArrayLike) -> Floats:
    """Effective radius of a friction ring whose wear, pressure times radius, is the same everywhere.

    R_e = (r_o + r_i) / 2

    Parameters
    ----------
    inner : array_like
        Inner radius of the friction ring [m], any shape, not negative.
    outer : array_like
        Outer radius of the friction ring [m], broadcast against `inner`, above it.

    Returns
    -------
    Effective radius [m].

    Raises
    ------
    ValueError
        A radius is negative, or the outer one is not above the inner one.

    Notes
    -----
    Validity: plates that have run in. New flat plates start nearer to uniform pressure.

    Examples
    --------
    >>> print(f"{effective_radius_uniform_wear(0.060, 0.120):.3f}")
    0.090

    References
    ----------
    Khurmi & Gupta, Theory of Machines, chapter 10, friction of a plate clutch, uniform wear.
    """
    r_i, r_o = _ring(inner, outer)
    return (r_o + r_i) / 2.0


def effective_radius_uniform_pressure(inner: ArrayLike, outer: ArrayLike) -> Floats:
    """Effective radius of a friction ring under the same pressure everywhere.

    R_e = (2/3) (r_o³ − r_i³) / (r_o² − r_i²)

    Parameters
    ----------
    inner : array_like
        Inner radius of the friction ring [m], any shape, not negative.
    outer : array_like
        Outer radius of the friction ring [m], broadcast against `inner`, above it.

    Returns
    -------
    Effective radius [m]; never below the one of uniform wear.

    Raises
    ------
    ValueError
        A radius is negative, or the outer one is not above the inner one.

    Notes
    -----
    Validity: new, flat plates between stiff rings.

    Examples
    --------
    >>> print(f"{effective_radius_uniform_pressure(0.060, 0.120):.5f}")
    0.09333

    References
    ----------
    Khurmi & Gupta, Theory of Machines, chapter 10, friction of a plate clutch, uniform pressure; SAE J2490
    quotes its test pack by this radius.
    """
    r_i, r_o = _ring(inner, outer)
    # The factor r_o - r_i is divided out by hand: exact for a thin ring too.
    return (2.0 / 3.0) * (r_o**2 + r_o * r_i + r_i**2) / (r_o + r_i)


def locking_torque_of_packs(
    friction: ArrayLike, faces: ArrayLike, radius: ArrayLike, force: ArrayLike
) -> Floats:
    """Locking torque of two equal packs under one axial force: the whole left-right torque difference.

    T_lock = 2 mu n R_e F

    Parameters
    ----------
    friction : array_like
        Friction coefficient mu [-], not negative.
    faces : array_like
        Friction faces n in one pack [-], not negative.
    radius : array_like
        Effective radius R_e [m], positive.
    force : array_like
        Axial force F [N]; NaN passes through. All four broadcast.

    Returns
    -------
    Locking torque [N·m]; with the force of the preload spring alone it is the preload torque.

    Raises
    ------
    ValueError
        A friction coefficient, number of faces or radius is out of its range.

    Notes
    -----
    Validity: both packs alike, each side gear braked against the case; the same axial force on every face,
    where the friction of splines lowers it from plate to plate.

    Examples
    --------
    >>> print(f"{locking_torque_of_packs(0.11, 5, 0.0447, 1850.0):.2f}")
    90.96

    References
    ----------
    Twice the multiple-disc clutch of Khurmi & Gupta, Theory of Machines, chapter 10; equilibrium of the two
    side gears, common practice, no source.
    """
    capacity = not_negative("friction", friction) * not_negative("faces", faces) * positive("radius", radius)
    return 2.0 * capacity * floats(force)


def _ring(inner: ArrayLike, outer: ArrayLike) -> tuple[Floats, Floats]:
    r_i, r_o = not_negative("inner radius", inner), not_negative("outer radius", outer)
    if not np.all(r_o > r_i):
        raise ValueError("the outer radius must be above the inner radius")
    return r_i, r_o
