"""The ramps: axial thrust from input torque, with the ramp's own friction and the play that it makes.

The cross pin sits between two rings at the pin radius r_p, and each ring takes half of the tangential force,
|T_in|/(2 r_p). The ramp angle beta is measured from the plane of rotation (the ring's face): a face along the
axis has 90 degrees and gives no thrust, a smaller angle locks more. With the ramp friction angle
phi = atan(mu_ramp) the thrust lies between |T_in|/(2 r_p) cot(beta + phi), its value while the torque rises
(loading), and |T_in|/(2 r_p) cot(beta − phi), its value while the torque falls (unloading). In between it
keeps its last value: the play operator, `at_turns` and `between_turns`.

Limits. From beta + phi = 90 degrees on the pin cannot drive the rings apart: loading thrust zero. From
beta = phi down the pin does not slide back when the torque falls (the ramp is self-locking): unloading thrust
infinite, which stands for "it keeps whatever it had".

Play. In units of torque, w is the torque that would give the present thrust while loading, so that the ramp
part of the locking torque is K_loading · w on the way up, down and in between. On a stretch on which the
torque only rises or only falls the value carried into it decides alone, so that the history is run over its
turns. Samples run through it would ratchet up on noise; turns do not. Where a history begins the ramps stand
anywhere between their limits: one unknown for each.
"""

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, positive, unwrapped, within

QUARTER_TURN = np.pi / 2.0


def thrust_per_torque(
    angle: ArrayLike, friction_angle: ArrayLike, pin_radius: ArrayLike, *, unloading: bool = False
) -> Floats:
    """Axial thrust of the ramps per input torque.

    F/|T_in| = cot(beta + phi)/(2 r_p) loading, cot(beta − phi)/(2 r_p) unloading

    Parameters
    ----------
    angle : array_like
        Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2.
    friction_angle : array_like
        Ramp friction angle phi [rad], 0 to below pi/2.
    pin_radius : array_like
        Radius r_p at which the cross pin bears [m], positive. All three broadcast.
    unloading : bool
        The limit that holds while the torque falls, instead of the one while it rises.

    Returns
    -------
    Thrust per torque [1/m], zero when the pin cannot drive the rings apart (loading, beta + phi >= pi/2),
    infinite when the ramp is self-locking (unloading, beta <= phi).

    Raises
    ------
    ValueError
        An angle or the radius is out of its range.

    Notes
    -----
    Validity: dry friction on the ramp; both rings alike; pin and rings rigid.

    Examples
    --------
    >>> print(f"{thrust_per_torque(np.radians(45.0), 0.0, 0.0385):.2f}")
    12.99
    >>> print(f"{thrust_per_torque(np.radians(45.0), np.radians(6.0), 0.0385):.2f}")
    10.52

    References
    ----------
    The wedge with friction, as in a power screw: Bhandari, Design of Machine Elements, section 6.4 (a screw's
    lead angle is measured from the same plane; the ramp is the screw driven by its torque).
    """
    beta, phi = _angles(angle, friction_angle)
    return _cotangent(beta - phi if unloading else beta + phi) / (2.0 * positive("pin radius", pin_radius))


def ramp_bias(
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

    Parameters
    ----------
    friction : array_like
        Friction coefficient mu of the plates [-], not negative.
    faces : array_like
        Friction faces n in one pack [-], not negative.
    effective_radius : array_like
        Effective radius R_e of the plates [m], positive.
    pin_radius : array_like
        Radius r_p at which the cross pin bears [m], positive.
    angle : array_like
        Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2.
    friction_angle : array_like
        Ramp friction angle phi [rad], 0 to below pi/2. All six broadcast.
    unloading : bool
        The value while the torque falls, instead of the one while it rises.

    Returns
    -------
    Ramp bias [-]; zero or infinite in the limits of `thrust_per_torque` (zero plates friction gives zero).

    Raises
    ------
    ValueError
        An argument is out of its range.

    Notes
    -----
    Validity: as `thrust_per_torque`; two equal packs.

    Examples
    --------
    >>> print(f"{ramp_bias(0.11, 5, 0.0447, 0.0385, np.radians(45.0), np.radians(6.0)):.3f}")
    0.517

    References
    ----------
    `thrust_per_torque` in `pack.locking_torque_of_packs`.
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

    Parameters
    ----------
    angle : array_like
        Ramp angle beta of the flank, from the plane of rotation [rad], above 0 to pi/2.
    friction_angle : array_like
        Ramp friction angle phi [rad], 0 to below pi/2; broadcast.

    Returns
    -------
    Ratio [-], 1 without ramp friction, never below 1; infinite where the ramp is self-locking (beta <= phi)
    or cannot be driven (beta + phi >= pi/2).

    Raises
    ------
    ValueError
        An angle is out of its range.

    Examples
    --------
    >>> print(f"{unloading_ratio(np.radians(45.0), np.radians(6.0)):.4f}")
    1.5250

    References
    ----------
    `thrust_per_torque`, and the sums of angles.
    """
    beta, phi = _angles(angle, friction_angle)
    wide, narrow = np.broadcast_arrays(np.sin(2.0 * beta), np.sin(2.0 * phi))
    held = (beta - phi <= 0.0) | (beta + phi >= QUARTER_TURN) | (narrow >= wide)
    ratio = np.full(wide.shape, np.inf)
    np.divide(wide + narrow, wide - narrow, out=ratio, where=~held)
    # No ramp friction, no play: also in the limit of a face along the axis, where both thrusts are zero.
    return unwrapped(np.where(phi == 0.0, 1.0, ratio))


def effective_angle(
    bias: ArrayLike, friction: ArrayLike, faces: ArrayLike, effective_radius: ArrayLike, pin_radius: ArrayLike
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
    lever = _lever(positive("friction", friction), positive("faces", faces), effective_radius)
    return np.arctan2(lever, not_negative("ramp bias", bias) * positive("pin radius", pin_radius))


def log_slope(effective_angle: ArrayLike) -> Floats:
    """Slope of the logarithm of thrust, or ramp bias, over the effective ramp angle.

    d ln cot(x)/dx = −2/sin 2x

    Parameters
    ----------
    effective_angle : array_like
        Effective ramp angle x = beta ± phi [rad], above 0 and below pi/2.

    Returns
    -------
    Slope [1/rad].

    Examples
    --------
    >>> print(f"{log_slope(np.radians(45.0)):.1f}")
    -2.0

    References
    ----------
    Derivative of `thrust_per_torque`.
    """
    return -2.0 / np.sin(2.0 * floats(effective_angle))


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


def at_turns(lower: Floats, upper: Floats, start: float = 0.0) -> Floats:
    """Thrust torque at the turning points of a history, each from the one before: generalised play, or
    backlash hysteresis.

    w[i] = max(lower[i], min(w[i−1], upper[i]))

    Parameters
    ----------
    lower, upper : ndarray
        Limits of the thrust torque at each turning point [N·m], T and rho T with T the flank's share of the
        input torque, max(torque, 0), and rho = cot(beta − phi)/cot(beta + phi) [-], at least 1; shape (n,).
        Where both are alike, a history begins.
    start : float
        Thrust torque before the first one [N·m].

    Returns
    -------
    Thrust torque w [N·m], shape (n,).

    Notes
    -----
    Validity: rate-independent; the ramp slides as soon as a limit is reached. A self-locking ramp (infinite
    ratio) is outside the operator. Give every sample as a turning point, and it is the operator itself.

    Examples
    --------
    >>> torque = np.array([0.0, 100.0, 80.0, 50.0, 60.0, 90.0])
    >>> at_turns(torque, 1.5 * torque).tolist()
    [0.0, 100.0, 100.0, 75.0, 75.0, 90.0]

    References
    ----------
    Generalised play with the two lines T and rho T: Krasnosel'skii & Pokrovskii, Systems with Hysteresis
    (1989), section 2; Visintin, Differential Models of Hysteresis (1994), chapter III.
    """
    # a few dozen turns: a plain loop is quicker than anything vectorised
    value, walked = start, []
    for low, high in zip(lower.tolist(), upper.tolist(), strict=True):
        # comparisons take a third of the time of min and max, which is most of this loop
        if value > high:  # noqa: PLR1730
            value = high
        if value < low:  # noqa: PLR1730
            value = low
        walked.append(value)
    return np.array(walked, dtype=np.float64)


def between_turns(torque: Floats, ratio: Floats, carried: Floats) -> Floats:
    """Thrust torque on stretches on which the torque only rises or only falls.

    w = max(T, min(w_0, rho T)), with T = max(torque, 0)

    Parameters
    ----------
    torque : ndarray
        Torque of the flank [N·m], positive where this flank is loaded: the input torque for the drive flank,
        its negative for the coast flank.
    ratio : ndarray
        Unloading ratio rho [-], at least 1 and finite.
    carried : ndarray
        Thrust torque w_0 at the turning point before [N·m]. All broadcast.

    Returns
    -------
    Thrust torque w [N·m], from T to rho T.

    Examples
    --------
    >>> between_turns(np.array([80.0, 50.0]), np.array(1.5), np.array(100.0)).tolist()
    [100.0, 75.0]

    References
    ----------
    As `at_turns`.
    """
    loading = np.maximum(torque, 0.0)
    thrust = loading * ratio
    np.minimum(carried, thrust, out=thrust)
    np.maximum(loading, thrust, out=thrust)
    return thrust
