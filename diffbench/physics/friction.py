"""Friction of the plates over sliding speed and temperature; over speed, each law is a class in one list.

To add a law: write its class here and list it in `FRICTION_LAWS`.
"""

import functools
import math
from abc import ABC, abstractmethod
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, positive
from diffbench.physics.laws import LawUnknown, Values


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
    mu(v) = mu_c + (mu_s − mu_c) exp(−(v/v_s)^delta) divided by itself at the reference speed: steady state of
    Canudas de Wit, Olsson, Astrom & Lischinsky, IEEE Transactions on Automatic Control 40(3), 1995, with
    their exponent 2 left free. Validity: boundary and mixed friction; the rise with full oil films is left to
    the viscous part.
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
    Derivative of the law behind `shape`; a negative slope as the criterion of shudder: SAE J3210.
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


class FrictionLaw(ABC):
    """Friction of the plates over sliding speed, one at the reference speed.

    Attributes
    ----------
    name : str
        In a result.
    words : str
        In a report.
    exponent : float or None
        Of the Stribeck term, where the law has one.
    unknowns : tuple of LawUnknown
        What it brings into a fit.
    """

    name: str
    words: str
    exponent: float | None = None
    unknowns: ClassVar[tuple[LawUnknown, ...]]

    @abstractmethod
    def relative(self, speed: ArrayLike, values: Values, reference_speed: ArrayLike) -> Floats:
        """Friction at a sliding speed [m/s] over friction at the reference speed [m/s]; broadcast."""

    @abstractmethod
    def relative_slope(self, speed: float, values: Values) -> float:
        """Relative change of friction per sliding speed [s/m], at a sliding speed [m/s]."""


class Stribeck(FrictionLaw):
    """Friction that falls from static to kinetic over the Stribeck speed, see `shape`."""

    unknowns = (
        LawUnknown(
            "static_excess",
            start=0.15,
            low=-0.6,
            high=3.0,
            prior=0.15,
            prior_u=0.3,
            source="weak: friction over speed",
            reported="static_friction_excess",
            label="static friction excess",
            unit="1",
            meaning="static over kinetic friction, less one",
            needs="a speed sweep through low speed differences, or breakaway and running readings",
            scale=0.1,
            reach=math.log1p,
        ),
        LawUnknown(
            "stribeck_speed",
            start=math.log(0.03),
            low=math.log(1e-3),
            high=math.log(2.0),
            prior=math.log(0.03),
            prior_u=0.8,
            source="weak: friction over speed",
            reported="stribeck_speed",
            label="Stribeck speed",
            unit="m/s",
            meaning="sliding speed over which friction falls from static to kinetic",
            needs="a speed sweep through low speed differences",
            scale=0.005,
            logarithm=True,
            starts=(0.015, 0.06),
        ),
    )

    def __init__(self, exponent: float) -> None:
        self.exponent: float = exponent
        self.name = f"stribeck-{exponent:g}"
        self.words = f"Stribeck exponent {exponent:g}"

    def relative(self, speed: ArrayLike, values: Values, reference_speed: ArrayLike) -> Floats:
        """As `FrictionLaw.relative`."""
        excess, stribeck_speed = values
        return shape(speed, excess, stribeck_speed, self.exponent, reference_speed)

    def relative_slope(self, speed: float, values: Values) -> float:
        """As `FrictionLaw.relative_slope`."""
        excess, stribeck_speed = values
        rise = float(slope(speed, 1.0, 1.0 + excess, stribeck_speed, self.exponent))
        return rise / (1.0 + excess * float(np.exp(-((speed / stribeck_speed) ** self.exponent))))


@functools.cache
def stribeck(exponent: float) -> Stribeck:
    """The Stribeck law of an exponent: the same one for every asker, so that units compare as equal."""
    return Stribeck(exponent)


FRICTION_LAWS: dict[str, FrictionLaw] = {law.name: law for law in (stribeck(1.0), stribeck(2.0))}
"""The laws by name. A fit begins with the first one and goes on to the others from there."""
