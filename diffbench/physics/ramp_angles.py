"""The ramps turned round: angles and plate friction from the ramp biases that a bench measures.

One bias alone fixes only the product of plate friction and cotangent. With the plate friction known (from
preload torque and spring force) it gives the effective ramp angle; loading and unloading together give ramp
angle and ramp friction angle. With the ramp angle known instead, their ratio gives the ramp friction angle,
and either of them the plate friction.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, positive, within
from diffbench.physics.ramps import QUARTER_TURN, ramp_bias


@dataclass(frozen=True)
class RampAngles:
    """The two angles of one flank, as the bench sees them.

    Attributes
    ----------
    angle : ndarray
        Ramp angle beta from the plane of rotation [rad].
    friction_angle : ndarray
        Ramp friction angle phi [rad].
    """

    angle: Floats
    friction_angle: Floats


def effective_angle(
    bias: ArrayLike,
    friction: ArrayLike,
    faces: ArrayLike,
    effective_radius: ArrayLike,
    pin_radius: ArrayLike,
) -> Floats:
    """Effective ramp angle: the angle that a ramp without friction would have to have for this bias.

    cot beta_eff = K r_p/(mu n R_e): beta + phi from the loading bias, beta − phi from the unloading bias

    Parameters
    ----------
    bias : array_like
        Ramp bias K [-], not negative.
    friction : array_like
        Friction coefficient mu of the plates [-], positive.
    faces : array_like
        Friction faces n in one pack [-], positive.
    effective_radius : array_like
        Effective radius R_e of the plates [m], positive.
    pin_radius : array_like
        Radius r_p at which the cross pin bears [m], positive. All five broadcast.

    Returns
    -------
    Effective ramp angle from the plane of rotation [rad], above 0 to pi/2 (no bias).

    Raises
    ------
    ValueError
        An argument is out of its range.

    Examples
    --------
    >>> print(f"{np.degrees(effective_angle(0.5172, 0.11, 5, 0.0447, 0.0385)):.1f}")
    51.0

    References
    ----------
    `ramp_bias` turned round.
    """
    lever = positive("friction", friction) * positive("faces", faces)
    lever = lever * positive("effective radius", effective_radius)
    return np.arctan2(lever, not_negative("ramp bias", bias) * positive("pin radius", pin_radius))


def angles_from_biases(
    loading_bias: ArrayLike,
    unloading_bias: ArrayLike,
    *,
    friction: ArrayLike,
    faces: ArrayLike,
    effective_radius: ArrayLike,
    pin_radius: ArrayLike,
) -> RampAngles:
    """Ramp angle and ramp friction angle of one flank from its two biases, at a known plate friction.

    beta = (beta_eff,loading + beta_eff,unloading)/2, phi = (beta_eff,loading − beta_eff,unloading)/2

    Parameters
    ----------
    loading_bias : array_like
        Ramp bias while the torque rises [-], not negative.
    unloading_bias : array_like
        Ramp bias while the torque falls [-], at least `loading_bias`.
    friction : array_like
        Friction coefficient mu of the plates [-], positive.
    faces : array_like
        Friction faces n in one pack [-], positive.
    effective_radius : array_like
        Effective radius R_e of the plates [m], positive.
    pin_radius : array_like
        Radius r_p at which the cross pin bears [m], positive. All broadcast.

    Returns
    -------
    Both angles [rad].

    Raises
    ------
    ValueError
        An argument is out of its range, or unloading locks less than loading.

    Notes
    -----
    Validity: with the plate friction unknown and the ramp angle known instead, see
    `friction_angle_from_ratio` and `friction_from_bias`.

    Examples
    --------
    >>> packs = dict(faces=5, effective_radius=0.0447, pin_radius=0.0385)
    >>> found = angles_from_biases(0.5172, 0.7887, friction=0.11, **packs)
    >>> print(f"{np.degrees(found.angle):.1f} {np.degrees(found.friction_angle):.1f}")
    45.0 6.0

    References
    ----------
    `ramp_bias` turned round.
    """
    low, high = floats(loading_bias), floats(unloading_bias)
    if np.any(high < low):
        raise ValueError("unloading bias must not be below loading bias: ramp friction cannot be negative")
    wide = effective_angle(low, friction, faces, effective_radius, pin_radius)
    narrow = effective_angle(high, friction, faces, effective_radius, pin_radius)
    return RampAngles(angle=(wide + narrow) / 2.0, friction_angle=(wide - narrow) / 2.0)


def friction_angle_from_ratio(ratio: ArrayLike, angle: ArrayLike) -> Floats:
    """Ramp friction angle from the ratio of unloading to loading bias, at a known ramp angle.

    sin 2 phi = sin 2 beta · (rho − 1)/(rho + 1): `unloading_ratio` turned round

    Parameters
    ----------
    ratio : array_like
        Ratio rho = K_unloading/K_loading [-], at least 1.
    angle : array_like
        Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2; broadcast.

    Returns
    -------
    Ramp friction angle phi [rad], below both beta and pi/2 − beta.

    Raises
    ------
    ValueError
        The ratio is below 1 or not finite, or the angle is out of its range.

    Examples
    --------
    >>> print(f"{np.degrees(friction_angle_from_ratio(1.525, np.radians(45.0))):.2f}")
    6.00

    References
    ----------
    As `unloading_ratio`.
    """
    rho = within("ratio", ratio, 1.0, np.finfo(np.float64).max)
    beta = within("ramp angle", positive("ramp angle", angle), 0.0, QUARTER_TURN, unit=" rad")
    return np.arcsin(np.sin(2.0 * beta) * (rho - 1.0) / (rho + 1.0)) / 2.0


def friction_from_bias(
    bias: ArrayLike,
    angle: ArrayLike,
    friction_angle: ArrayLike,
    *,
    faces: ArrayLike,
    effective_radius: ArrayLike,
    pin_radius: ArrayLike,
    unloading: bool = False,
) -> Floats:
    """Friction coefficient of the plates from a ramp bias, at known ramp angles.

    mu = K r_p / (n R_e cot(beta ± phi))

    Parameters
    ----------
    bias : array_like
        Ramp bias K [-], not negative.
    angle : array_like
        Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2.
    friction_angle : array_like
        Ramp friction angle phi [rad], 0 to below pi/2.
    faces : array_like
        Friction faces n in one pack [-], positive.
    effective_radius : array_like
        Effective radius R_e of the plates [m], positive.
    pin_radius : array_like
        Radius r_p at which the cross pin bears [m], positive. All broadcast.
    unloading : bool
        The bias is the one while the torque falls.

    Returns
    -------
    Friction coefficient [-].

    Raises
    ------
    ValueError
        An argument is out of its range, or a ramp with these angles gives no thrust, or an infinite one, so
        that its bias says nothing about the plates.

    Examples
    --------
    >>> packs = dict(faces=5, effective_radius=0.0447, pin_radius=0.0385)
    >>> print(f"{friction_from_bias(0.5172, np.radians(45.0), np.radians(6.0), **packs):.3f}")
    0.110

    References
    ----------
    `ramp_bias` turned round.
    """
    n = positive("faces", faces)
    per_friction = ramp_bias(1.0, n, effective_radius, pin_radius, angle, friction_angle, unloading=unloading)
    if not np.all((per_friction > 0.0) & np.isfinite(per_friction)):
        raise ValueError("ramp angles must give a finite thrust: otherwise the bias tells no friction")
    return not_negative("ramp bias", bias) / per_friction
