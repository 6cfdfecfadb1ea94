"""A pack of friction plates: torque from axial force, and the questions turned round.

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


def pack_torque(friction: ArrayLike, faces: ArrayLike, radius: ArrayLike, force: ArrayLike) -> Floats:
    """Torque that one pack carries while it slips.

    M = mu n R_e F

    Parameters
    ----------
    friction : array_like
        Friction coefficient mu [-], not negative.
    faces : array_like
        Friction faces n in the pack [-], not negative.
    radius : array_like
        Effective radius R_e [m], positive.
    force : array_like
        Axial force F [N]; NaN passes through. All four broadcast.

    Returns
    -------
    Torque of one pack [N·m].

    Raises
    ------
    ValueError
        A friction coefficient, number of faces or radius is out of its range.

    Notes
    -----
    Validity: the same axial force on every face; the friction of splines lowers it from plate to plate.

    Examples
    --------
    >>> print(f"{pack_torque(0.3, 4, 0.100, 2990.0):.1f}")
    358.8

    References
    ----------
    Khurmi & Gupta, Theory of Machines, chapter 10, multiple-disc clutch, example 10.28 for the numbers.
    """
    return _capacity(friction, faces, radius) * floats(force)


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
        As for `pack_torque`.

    Notes
    -----
    Validity: both packs alike, each side gear braked against the case.

    Examples
    --------
    >>> print(f"{locking_torque_of_packs(0.11, 5, 0.0447, 1850.0):.2f}")
    90.96

    References
    ----------
    Equilibrium of the two side gears; common practice, no source.
    """
    return 2.0 * pack_torque(friction, faces, radius, force)


def axial_force_for_torque(
    torque: ArrayLike, friction: ArrayLike, faces: ArrayLike, radius: ArrayLike
) -> Floats:
    """Axial force that one pack needs to carry a torque: `pack_torque` turned round.

    F = M / (mu n R_e)

    Parameters
    ----------
    torque : array_like
        Torque M of one pack [N·m]; half the locking torque of the differential. NaN passes through.
    friction : array_like
        Friction coefficient mu [-], positive.
    faces : array_like
        Friction faces n in the pack [-], positive.
    radius : array_like
        Effective radius R_e [m], positive. All four broadcast.

    Returns
    -------
    Axial force [N].

    Raises
    ------
    ValueError
        A friction coefficient, number of faces or radius is not positive.

    Examples
    --------
    >>> print(f"{axial_force_for_torque(358.8, 0.3, 4, 0.100):.1f}")
    2990.0

    References
    ----------
    As `pack_torque`.
    """
    mu, n, r = positive("friction", friction), positive("faces", faces), positive("radius", radius)
    return floats(torque) / (mu * n * r)


def friction_from_preload_torque(
    preload_torque: ArrayLike, faces: ArrayLike, radius: ArrayLike, spring_force: ArrayLike
) -> Floats:
    """Friction coefficient from the preload torque and the force of the preload spring.

    mu = P / (2 n R_e F_0)

    Parameters
    ----------
    preload_torque : array_like
        Preload torque P, the locking torque at no input torque [N·m].
    faces : array_like
        Friction faces n in one pack [-], positive.
    radius : array_like
        Effective radius R_e [m], positive.
    spring_force : array_like
        Force F_0 of the preload spring at installed height [N], positive. All four broadcast.

    Returns
    -------
    Friction coefficient [-].

    Raises
    ------
    ValueError
        Faces, radius or spring force is not positive.

    Examples
    --------
    >>> print(f"{friction_from_preload_torque(90.96, 5, 0.0447, 1850.0):.4f}")
    0.1100

    References
    ----------
    `locking_torque_of_packs` turned round.
    """
    n, r = positive("faces", faces), positive("radius", radius)
    return floats(preload_torque) / (2.0 * n * r * positive("spring force", spring_force))


def spring_force_from_preload_torque(
    preload_torque: ArrayLike, friction: ArrayLike, faces: ArrayLike, radius: ArrayLike
) -> Floats:
    """Force of the preload spring from the preload torque and the friction coefficient.

    F_0 = P / (2 mu n R_e)

    Parameters
    ----------
    preload_torque : array_like
        Preload torque P, the locking torque at no input torque [N·m].
    friction : array_like
        Friction coefficient mu [-], positive.
    faces : array_like
        Friction faces n in one pack [-], positive.
    radius : array_like
        Effective radius R_e [m], positive. All four broadcast.

    Returns
    -------
    Spring force [N].

    Raises
    ------
    ValueError
        A friction coefficient, number of faces or radius is not positive.

    Examples
    --------
    >>> print(f"{spring_force_from_preload_torque(90.96, 0.11, 5, 0.0447):.0f}")
    1850

    References
    ----------
    `locking_torque_of_packs` turned round.
    """
    return axial_force_for_torque(floats(preload_torque) / 2.0, friction, faces, radius)


def _capacity(friction: ArrayLike, faces: ArrayLike, radius: ArrayLike) -> Floats:
    """Torque per axial force of one pack [m]."""
    return not_negative("friction", friction) * not_negative("faces", faces) * positive("radius", radius)


def _ring(inner: ArrayLike, outer: ArrayLike) -> tuple[Floats, Floats]:
    r_i, r_o = not_negative("inner radius", inner), not_negative("outer radius", outer)
    if not np.all(r_o > r_i):
        raise ValueError("the outer radius must be above the inner radius")
    return r_i, r_o
