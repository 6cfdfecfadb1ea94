"""Friction of the plates over sliding speed and temperature."""

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, positive


def sliding_speed(speed_difference: ArrayLike, effective_radius: ArrayLike) -> Floats:
    """Sliding speed of the plates at the effective radius.

    v = ½ |Delta omega| R_e: each side gear turns against the case by half the speed difference

    Parameters
    ----------
    speed_difference : array_like
        Left minus right output speed [rad/s]; NaN passes through.
    effective_radius : array_like
        Effective radius R_e of the plates [m], positive; broadcast.

    Returns
    -------
    Sliding speed [m/s], not negative.

    Raises
    ------
    ValueError
        The radius is not positive.

    Examples
    --------
    >>> print(f"{sliding_speed(-4.0, 0.0447):.4f}")
    0.0894

    References
    ----------
    Kinematics of the bevel differential.
    """
    return 0.5 * np.abs(floats(speed_difference)) * positive("effective radius", effective_radius)


def stribeck(
    speed: ArrayLike, kinetic: ArrayLike, static: ArrayLike, stribeck_speed: ArrayLike, exponent: ArrayLike
) -> Floats:
    """Friction coefficient over sliding speed.

    mu(v) = mu_c + (mu_s − mu_c) exp(−(v/v_s)^delta)

    Parameters
    ----------
    speed : array_like
        Sliding speed v [m/s], of either sign; NaN passes through.
    kinetic : array_like
        Friction coefficient mu_c at high speed [-], not negative.
    static : array_like
        Friction coefficient mu_s at no speed [-], not negative; it may be below `kinetic`.
    stribeck_speed : array_like
        Speed v_s that scales the transition [m/s], positive.
    exponent : array_like
        Exponent delta of the transition [-], positive, usually 1 or 2. All broadcast.

    Returns
    -------
    Friction coefficient [-].

    Raises
    ------
    ValueError
        A parameter is out of its range.

    Notes
    -----
    Validity: boundary and mixed friction; the rise with full oil films is left to the viscous part.

    Examples
    --------
    >>> print(f"{stribeck(0.0, 0.10, 0.14, 0.1, 1.0):.3f} {stribeck(0.1, 0.10, 0.14, 0.1, 1.0):.4f}")
    0.140 0.1147

    References
    ----------
    Steady state of Canudas de Wit, Olsson, Astrom & Lischinsky, IEEE Transactions on Automatic Control 40(3),
    1995, with their exponent 2 left free.
    """
    mu_c, mu_s = not_negative("kinetic friction", kinetic), not_negative("static friction", static)
    return mu_c + (mu_s - mu_c) * _decay(speed, stribeck_speed, exponent)


def shape(
    speed: ArrayLike,
    static_excess: ArrayLike,
    stribeck_speed: ArrayLike,
    exponent: ArrayLike,
    reference_speed: ArrayLike,
) -> Floats:
    """Friction over sliding speed relative to its value at the reference speed.

    m(v) = [1 + e exp(−(v/v_s)^delta)] / [1 + e exp(−(v_ref/v_s)^delta)], with e = (mu_s − mu_c)/mu_c

    Parameters
    ----------
    speed : array_like
        Sliding speed v [m/s], of either sign; NaN passes through.
    static_excess : array_like
        Relative excess e of static over kinetic friction [-], above −1.
    stribeck_speed : array_like
        Speed v_s that scales the transition [m/s], positive.
    exponent : array_like
        Exponent delta of the transition [-], positive.
    reference_speed : array_like
        Sliding speed v_ref at which the result is one [m/s]. All broadcast.

    Returns
    -------
    Relative friction [-], positive.

    Raises
    ------
    ValueError
        A parameter is out of its range.

    Examples
    --------
    >>> print(f"{shape(0.0, 0.4, 0.1, 1.0, 0.1):.4f} {shape(0.1, 0.4, 0.1, 1.0, 0.1):.4f}")
    1.2204 1.0000

    References
    ----------
    `stribeck`, divided by itself at the reference speed.
    """
    excess = floats(static_excess)
    if not np.all(excess > -1.0):
        raise ValueError("static excess must be above -1: friction cannot be negative")
    here = 1.0 + excess * _decay(speed, stribeck_speed, exponent)
    return here / (1.0 + excess * _decay(reference_speed, stribeck_speed, exponent))


def slope(
    speed: ArrayLike, kinetic: ArrayLike, static: ArrayLike, stribeck_speed: ArrayLike, exponent: ArrayLike
) -> Floats:
    """Slope of the friction coefficient over sliding speed; a negative one invites chatter.

    d mu/d v = −(mu_s − mu_c) (delta/v_s) (v/v_s)^(delta−1) exp(−(v/v_s)^delta)

    Parameters
    ----------
    speed : array_like
        Sliding speed v [m/s], its magnitude counts; NaN passes through.
    kinetic : array_like
        Friction coefficient mu_c at high speed [-], not negative.
    static : array_like
        Friction coefficient mu_s at no speed [-], not negative.
    stribeck_speed : array_like
        Speed v_s that scales the transition [m/s], positive.
    exponent : array_like
        Exponent delta of the transition [-], at least 1 (below it the slope at no speed is infinite). All
        broadcast.

    Returns
    -------
    Slope [s/m].

    Raises
    ------
    ValueError
        A parameter is out of its range.

    Examples
    --------
    >>> print(f"{slope(0.1, 0.10, 0.14, 0.1, 1.0):.3f}")
    -0.147

    References
    ----------
    Derivative of `stribeck`; a negative slope as the criterion of shudder: SAE J3210.
    """
    mu_c, mu_s = not_negative("kinetic friction", kinetic), not_negative("static friction", static)
    v_s, delta = positive("Stribeck speed", stribeck_speed), positive("exponent", exponent)
    if not np.all(delta >= 1.0):
        raise ValueError("exponent must be at least 1: below it the slope at no speed is infinite")
    x = np.abs(floats(speed)) / v_s
    return -(mu_s - mu_c) * delta / v_s * x ** (delta - 1.0) * np.exp(-(x**delta))


def temperature_factor(temperature: ArrayLike, coefficient: ArrayLike, reference: ArrayLike) -> Floats:
    """Friction at plate temperature relative to friction at the reference temperature.

    mu(Theta)/mu_ref = 1 + a (Theta − Theta_ref)

    Parameters
    ----------
    temperature : array_like
        Plate temperature Theta [°C]; NaN passes through.
    coefficient : array_like
        Relative change a of friction with temperature [1/K], either sign.
    reference : array_like
        Reference temperature Theta_ref [°C]. All broadcast.

    Returns
    -------
    Factor [-]; it is left as it is where the straight line falls below zero, far outside of any test.

    Notes
    -----
    Validity: the tested range of temperatures and little beyond.

    Examples
    --------
    >>> print(f"{temperature_factor(110.0, -0.0012, 60.0):.3f}")
    0.940

    References
    ----------
    First-order expansion; common practice, no source.
    """
    return 1.0 + floats(coefficient) * (floats(temperature) - floats(reference))


def _decay(speed: ArrayLike, stribeck_speed: ArrayLike, exponent: ArrayLike) -> Floats:
    relative = np.abs(floats(speed)) / positive("Stribeck speed", stribeck_speed)
    return np.exp(-(relative ** positive("exponent", exponent)))
