"""The ramps: axial thrust from input torque, with the ramp's own friction and the play that it makes.

The cross pin sits between two rings at the pin radius r_p, and each ring takes half of the tangential force,
|T_in|/(2 r_p). The ramp angle beta is measured from the plane of rotation (the ring's face): a face along the
axis has 90 degrees and gives no thrust, a smaller angle locks more. With the ramp friction angle
phi = atan(mu_ramp) the thrust lies between |T_in|/(2 r_p) cot(beta + phi), its value while the torque rises
(loading), and |T_in|/(2 r_p) cot(beta − phi), its value while the torque falls (unloading). In between it
keeps its last value: see `diffbench.physics.play`.

Limits. From beta + phi = 90 degrees on the pin cannot drive the rings apart: loading thrust zero. From
beta = phi down the pin does not slide back when the torque falls (the ramp is self-locking): unloading thrust
infinite, which stands for "it keeps whatever it had".
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, positive, unwrapped, within
from diffbench.physics.play import Stretches, monotone_stretches, play

__all__ = [
    "RampAngles",
    "Stretches",
    "angles_from_biases",
    "effective_angle",
    "friction_angle_from_ratio",
    "friction_from_bias",
    "monotone_stretches",
    "play",
    "ramp_bias",
    "thrust_per_torque",
    "unloading_ratio",
]

QUARTER_TURN = np.pi / 2.0


@dataclass(frozen=True)
class RampAngles:
    """The two angles of one flank, as the bench sees them.

    Attributes:
        angle: Ramp angle beta from the plane of rotation [rad].
        friction_angle: Ramp friction angle phi [rad].
    """

    angle: Floats
    friction_angle: Floats


def thrust_per_torque(
    angle: ArrayLike, friction_angle: ArrayLike, pin_radius: ArrayLike, *, unloading: bool = False
) -> Floats:
    """Axial thrust of the ramps per input torque.

    F/|T_in| = cot(beta + phi)/(2 r_p) loading, cot(beta − phi)/(2 r_p) unloading

    Args:
        angle: Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2.
        friction_angle: Ramp friction angle phi [rad], 0 to below pi/2.
        pin_radius: Radius r_p at which the cross pin bears [m], positive. All three broadcast.
        unloading: The limit that holds while the torque falls, instead of the one while it rises.

    Returns:
        Thrust per torque [1/m], zero when the pin cannot drive the rings apart (loading, beta + phi >= pi/2),
        infinite when the ramp is self-locking (unloading, beta <= phi).

    Raises:
        ValueError: An angle or the radius is out of its range.

    Validity: dry friction on the ramp; both rings alike; pin and rings rigid.

    Example:
        >>> print(f"{thrust_per_torque(np.radians(45.0), 0.0, 0.0385):.2f}")
        12.99
        >>> print(f"{thrust_per_torque(np.radians(45.0), np.radians(6.0), 0.0385):.2f}")
        10.52

    Source: the wedge with friction, as in a power screw: Bhandari, Design of Machine Elements, section 6.4 (a
    screw's lead angle is measured from the same plane; the ramp is the screw driven by its torque).
    """
    beta, phi = _angles(angle, friction_angle)
    return _cotangent(beta - phi if unloading else beta + phi) / (2.0 * positive("pin radius", pin_radius))


def ramp_bias(  # noqa: PLR0917 (the six quantities of the formula, in its order)
    friction: ArrayLike,
    faces: ArrayLike,
    effective_radius: ArrayLike,
    pin_radius: ArrayLike,
    angle: ArrayLike,
    friction_angle: ArrayLike,
    *,
    unloading: bool = False,
) -> Floats:
    """Ramp bias: ramp part of the locking torque per input torque, of one flank.

    K = mu n R_e cot(beta ± phi) / r_p, plus while loading and minus while unloading

    Args:
        friction: Friction coefficient mu of the plates [-], not negative.
        faces: Friction faces n in one pack [-], not negative.
        effective_radius: Effective radius R_e of the plates [m], positive.
        pin_radius: Radius r_p at which the cross pin bears [m], positive.
        angle: Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2.
        friction_angle: Ramp friction angle phi [rad], 0 to below pi/2. All six broadcast.
        unloading: The value while the torque falls, instead of the one while it rises.

    Returns:
        Ramp bias [-]; zero or infinite in the limits of `thrust_per_torque` (zero plates friction gives
        zero).

    Raises:
        ValueError: An argument is out of its range.

    Validity: as `thrust_per_torque`; two equal packs.

    Example:
        >>> print(f"{ramp_bias(0.11, 5, 0.0447, 0.0385, np.radians(45.0), np.radians(6.0)):.3f}")
        0.517

    Source: `thrust_per_torque` in `pack.locking_torque_of_packs`.
    """
    lever = 2.0 * _lever(not_negative("friction", friction), not_negative("faces", faces), effective_radius)
    thrust = thrust_per_torque(angle, friction_angle, pin_radius, unloading=unloading)
    # Without plate friction there is no locking torque, not even from an infinite thrust.
    bias = np.zeros(np.broadcast_shapes(np.shape(lever), np.shape(thrust)))
    np.multiply(lever, thrust, out=bias, where=lever > 0.0)
    return unwrapped(bias)


def unloading_ratio(angle: ArrayLike, friction_angle: ArrayLike) -> Floats:
    """Ratio of the unloading to the loading thrust, or ramp bias, of one flank.

    rho = cot(beta − phi)/cot(beta + phi) = (sin 2 beta + sin 2 phi)/(sin 2 beta − sin 2 phi)

    Args:
        angle: Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2.
        friction_angle: Ramp friction angle phi [rad], 0 to below pi/2; broadcast.

    Returns:
        Ratio [-], 1 without ramp friction, never below 1; infinite where the ramp is self-locking (beta <=
        phi) or cannot be driven (beta + phi >= pi/2).

    Raises:
        ValueError: An angle is out of its range.

    Example:
        >>> print(f"{unloading_ratio(np.radians(45.0), np.radians(6.0)):.4f}")
        1.5250

    Source: `thrust_per_torque`, and the sums of angles.
    """
    beta, phi = _angles(angle, friction_angle)
    wide, narrow = np.broadcast_arrays(np.sin(2.0 * beta), np.sin(2.0 * phi))
    held = (beta - phi <= 0.0) | (beta + phi >= QUARTER_TURN) | (narrow >= wide)
    ratio = np.full(wide.shape, np.inf)
    np.divide(wide + narrow, wide - narrow, out=ratio, where=~held)
    # No ramp friction, no play: also in the limit of a face along the axis, where both thrusts are zero.
    return unwrapped(np.where(phi == 0.0, 1.0, ratio))


def friction_angle_from_ratio(ratio: ArrayLike, angle: ArrayLike) -> Floats:
    """Ramp friction angle from the ratio of unloading to loading bias, at a known ramp angle.

    sin 2 phi = sin 2 beta · (rho − 1)/(rho + 1): `unloading_ratio` turned round

    Args:
        ratio: Ratio rho = K_unloading/K_loading [-], at least 1.
        angle: Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2; broadcast.

    Returns:
        Ramp friction angle phi [rad], below both beta and pi/2 − beta.

    Raises:
        ValueError: The ratio is below 1 or not finite, or the angle is out of its range.

    Example:
        >>> print(f"{np.degrees(friction_angle_from_ratio(1.525, np.radians(45.0))):.2f}")
        6.00

    Source: as `unloading_ratio`.
    """
    rho = within("ratio", ratio, 1.0, np.finfo(np.float64).max)
    beta, _ = _angles(angle, 0.0)
    return np.arcsin(np.sin(2.0 * beta) * (rho - 1.0) / (rho + 1.0)) / 2.0


def effective_angle(
    bias: ArrayLike,
    friction: ArrayLike,
    faces: ArrayLike,
    effective_radius: ArrayLike,
    pin_radius: ArrayLike,
) -> Floats:
    """Effective ramp angle: the angle that a ramp without friction would have to have for this bias.

    cot beta_eff = K r_p/(mu n R_e): beta + phi from the loading bias, beta − phi from the unloading bias

    Args:
        bias: Ramp bias K [-], not negative.
        friction: Friction coefficient mu of the plates [-], positive.
        faces: Friction faces n in one pack [-], positive.
        effective_radius: Effective radius R_e of the plates [m], positive.
        pin_radius: Radius r_p at which the cross pin bears [m], positive. All five broadcast.

    Returns:
        Effective ramp angle from the plane of rotation [rad], above 0 to pi/2 (no bias).

    Raises:
        ValueError: An argument is out of its range.

    Example:
        >>> print(f"{np.degrees(effective_angle(0.5172, 0.11, 5, 0.0447, 0.0385)):.1f}")
        51.0

    Source: `ramp_bias` turned round.
    """
    lever = _lever(positive("friction", friction), positive("faces", faces), effective_radius)
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

    Args:
        loading_bias: Ramp bias while the torque rises [-], not negative.
        unloading_bias: Ramp bias while the torque falls [-], at least `loading_bias`.
        friction: Friction coefficient mu of the plates [-], positive.
        faces: Friction faces n in one pack [-], positive.
        effective_radius: Effective radius R_e of the plates [m], positive.
        pin_radius: Radius r_p at which the cross pin bears [m], positive. All broadcast.

    Returns:
        Both angles [rad].

    Raises:
        ValueError: An argument is out of its range, or unloading locks less than loading.

    Validity: with the plate friction unknown and the ramp angle known instead, see
    `friction_angle_from_ratio` and `friction_from_bias`.

    Example:
        >>> packs = dict(faces=5, effective_radius=0.0447, pin_radius=0.0385)
        >>> found = angles_from_biases(0.5172, 0.7887, friction=0.11, **packs)
        >>> print(f"{np.degrees(found.angle):.1f} {np.degrees(found.friction_angle):.1f}")
        45.0 6.0

    Source: `ramp_bias` turned round.
    """
    low, high = floats(loading_bias), floats(unloading_bias)
    if np.any(high < low):
        raise ValueError("unloading bias must not be below loading bias: ramp friction cannot be negative")
    wide = effective_angle(low, friction, faces, effective_radius, pin_radius)
    narrow = effective_angle(high, friction, faces, effective_radius, pin_radius)
    return RampAngles(angle=(wide + narrow) / 2.0, friction_angle=(wide - narrow) / 2.0)


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

    Args:
        bias: Ramp bias K [-], not negative.
        angle: Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2.
        friction_angle: Ramp friction angle phi [rad], 0 to below pi/2.
        faces: Friction faces n in one pack [-], positive.
        effective_radius: Effective radius R_e of the plates [m], positive.
        pin_radius: Radius r_p at which the cross pin bears [m], positive. All broadcast.
        unloading: The bias is the one while the torque falls.

    Returns:
        Friction coefficient [-].

    Raises:
        ValueError: An argument is out of its range, or a ramp with these angles gives no thrust, or an
        infinite one,
            so that its bias says nothing about the plates.

    Example:
        >>> packs = dict(faces=5, effective_radius=0.0447, pin_radius=0.0385)
        >>> print(f"{friction_from_bias(0.5172, np.radians(45.0), np.radians(6.0), **packs):.3f}")
        0.110

    Source: `ramp_bias` turned round.
    """
    n = positive("faces", faces)
    per_friction = ramp_bias(1.0, n, effective_radius, pin_radius, angle, friction_angle, unloading=unloading)
    if not np.all((per_friction > 0.0) & np.isfinite(per_friction)):
        raise ValueError("ramp angles must give a finite thrust: otherwise the bias tells no friction")
    return not_negative("ramp bias", bias) / per_friction


def _lever(friction: Floats, faces: Floats, effective_radius: ArrayLike) -> Floats:
    return friction * faces * positive("effective radius", effective_radius)


def _angles(angle: ArrayLike, friction_angle: ArrayLike) -> tuple[Floats, Floats]:
    beta = within("ramp angle", positive("ramp angle", angle), 0.0, QUARTER_TURN, unit=" rad")
    phi = not_negative("ramp friction angle", friction_angle)
    if not np.all(phi < QUARTER_TURN):
        raise ValueError("ramp friction angle must be below pi/2 rad")
    return beta, phi


def _cotangent(x: Floats) -> Floats:
    """Cotangent, zero from a right angle on and infinite from zero down: the two limits of a ramp."""
    tangent = np.tan(np.clip(x, 0.0, QUARTER_TURN))
    cotangent = np.full(tangent.shape, np.inf)
    np.divide(1.0, tangent, out=cotangent, where=tangent > 0.0)
    return unwrapped(np.where(x >= QUARTER_TURN, 0.0, cotangent))
