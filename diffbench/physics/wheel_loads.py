"""Vertical loads of both wheels of an axle in a corner, and how slip stiffness grows with them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, positive

GRAVITY = 9.80665
"""Standard gravity [m/s²]."""


def axle_load(
    mass: ArrayLike,
    weight_share: ArrayLike,
    *,
    height: ArrayLike = 0.0,
    wheelbase: ArrayLike = 1.0,
    longitudinal: ArrayLike = 0.0,
    drag: ArrayLike = 0.0,
    lift: ArrayLike = 0.0,
    rear: bool = True,
) -> Floats:
    """Load of one axle on level ground.

    F = m g w ± (m a_x + D) h/L − Z, plus for the rear axle

    Parameters
    ----------
    mass : array_like
        Of the car m [kg], positive.
    weight_share : array_like
        Share of the weight on this axle w [-].
    height, wheelbase : array_like
        Height of the centre of gravity h and wheelbase L [m].
    longitudinal : array_like
        Longitudinal acceleration a_x [m/s²], positive forward.
    drag, lift : array_like
        Air drag D, acting at the height h, and lift of this axle Z [N]; negative lift presses down.
    rear : bool
        Whether it is the rear axle.

    Returns
    -------
    Load [N]; negative where the axle lifts off.

    Examples
    --------
    >>> print(f"{axle_load(2000.0, 1.25 / 2.0, height=0.3, wheelbase=2.0, longitudinal=1.5925):.0f}")
    12736

    References
    ----------
    Equilibrium of moments; R. C. Hibbeler, Engineering Mechanics: Dynamics, section 17.3.
    """
    m, length = positive("mass", mass), positive("wheelbase", wheelbase)
    carried = (m * np.asarray(longitudinal) + np.asarray(drag)) * np.asarray(height) / length
    moved = carried if rear else -carried
    return np.asarray(m * GRAVITY * np.asarray(weight_share) + moved - np.asarray(lift))


def lateral_transfer(
    mass: ArrayLike, lateral: ArrayLike, height: ArrayLike, track: ArrayLike, roll_share: ArrayLike = 1.0
) -> Floats:
    """Load that an axle's inner wheel hands to its outer one.

    ΔF = q m a_y h/t

    Parameters
    ----------
    mass : array_like
        Of what the axle steadies m [kg], positive.
    lateral : array_like
        Lateral acceleration a_y [m/s²].
    height, track : array_like
        Height of its centre of gravity h and track t [m].
    roll_share : array_like
        Share of the whole car's transfer that this axle takes q [-].

    Returns
    -------
    Load [N]: the outer wheel has half of the axle's load and ΔF more, the inner one ΔF less.

    Examples
    --------
    >>> print(f"{lateral_transfer(750.0, 9.80665, 0.52, 1.58) / 9.80665:.1f} kg")
    246.8 kg

    References
    ----------
    Equilibrium of moments; common practice.
    """
    turned = positive("mass", mass) * np.asarray(lateral) * np.asarray(height)
    return np.asarray(np.asarray(roll_share) * turned / positive("track", track))


def stiffness_under_load(
    slip_stiffness: ArrayLike, load: ArrayLike, nominal_load: ArrayLike, exponent: ArrayLike
) -> Floats:
    """Slip stiffness of a tyre at another load.

    C = C_0 (F_z/F_z0)^p

    Parameters
    ----------
    slip_stiffness : array_like
        C_0 [N per unit slip] at the nominal load, positive.
    load, nominal_load : array_like
        F_z and F_z0 [N], positive.
    exponent : array_like
        p [-]: 0 for none, 1 in proportion; most tyres lie between (common practice, no source).

    Returns
    -------
    Slip stiffness [N per unit slip].

    Examples
    --------
    >>> print(f"{stiffness_under_load(89212.0, 2000.0, 4000.0, 1.0):.0f}")
    44606

    References
    ----------
    H. B. Pacejka, Tire and Vehicle Dynamics, ch. 4: in proportion to the load, but for its exponential term.
    """
    ratio = positive("load", load) / positive("nominal load", nominal_load)
    return np.asarray(positive("slip stiffness", slip_stiffness) * ratio ** np.asarray(exponent))
