"""What a constant locking torque does at corner entry: closed forms, indicative.

A car of track t rolls through a corner of radius R at speed V on wheels of rolling radius r, on linear tyres
of slip stiffness C (force per unit slip, one tyre). The unit slows the outer and speeds up the inner tyre by
equal forces. The locking torque of a real unit depends on speed difference and on engine braking, so that in
use it is a root to find: these are the two curves to intersect.
"""

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, positive


def free_speed_difference(
    speed: ArrayLike, corner_radius: ArrayLike, track: ArrayLike, rolling_radius: ArrayLike
) -> Floats:
    """Speed difference of the two wheels of an axle that roll freely, outer minus inner.

    Delta omega_0 = V t/(R r)

    Parameters
    ----------
    speed : array_like
        Vehicle speed V [m/s], not negative.
    corner_radius : array_like
        Corner radius R to the middle of the axle [m], positive.
    track : array_like
        Track t [m], positive.
    rolling_radius : array_like
        Rolling radius r [m], positive. All broadcast.

    Returns
    -------
    Speed difference [rad/s].

    Raises
    ------
    ValueError
        An argument is out of its range.

    Examples
    --------
    >>> print(f"{free_speed_difference(20.0, 50.0, 1.5, 0.31):.3f}")
    1.935

    References
    ----------
    Kinematics of rolling.
    """
    v, radius = not_negative("speed", speed), positive("corner radius", corner_radius)
    return v * positive("track", track) / (radius * positive("rolling radius", rolling_radius))


def locking_limit(
    corner_radius: ArrayLike, track: ArrayLike, rolling_radius: ArrayLike, slip_stiffness: ArrayLike
) -> Floats:
    """Locking torque from which on both wheels turn at one speed.

    T_lock = t r C/R

    Parameters
    ----------
    corner_radius : array_like
        Corner radius R [m], positive.
    track : array_like
        Track t [m], positive.
    rolling_radius : array_like
        Rolling radius r [m], positive.
    slip_stiffness : array_like
        Slip stiffness C of one tyre [N per unit slip], positive. All broadcast.

    Returns
    -------
    Locking torque [N·m].

    Raises
    ------
    ValueError
        An argument is not positive.

    Notes
    -----
    Validity: tyres in their linear range, well below the limit of adhesion.

    Examples
    --------
    >>> print(f"{locking_limit(50.0, 1.5, 0.31, 60e3):.0f}")
    558

    References
    ----------
    `speed_difference` set to zero.
    """
    t, r = positive("track", track), positive("rolling radius", rolling_radius)
    return t * r * positive("slip stiffness", slip_stiffness) / positive("corner radius", corner_radius)


def speed_difference(
    locking_torque: ArrayLike,
    *,
    speed: ArrayLike,
    corner_radius: ArrayLike,
    track: ArrayLike,
    rolling_radius: ArrayLike,
    slip_stiffness: ArrayLike,
) -> Floats:
    """Speed difference that the unit leaves, outer minus inner.

    Delta omega = max(0, V t/(R r) − V T_lock/(r² C))

    Parameters
    ----------
    locking_torque : array_like
        Locking torque, the whole left-right difference [N·m], not negative.
    speed : array_like
        Vehicle speed V [m/s], not negative.
    corner_radius : array_like
        Corner radius R [m], positive.
    track : array_like
        Track t [m], positive.
    rolling_radius : array_like
        Rolling radius r [m], positive.
    slip_stiffness : array_like
        Slip stiffness C of one tyre [N per unit slip], positive. All broadcast.

    Returns
    -------
    Speed difference [rad/s], zero from the locking limit on.

    Raises
    ------
    ValueError
        An argument is out of its range.

    Notes
    -----
    Validity: as `locking_limit`; no drive or brake torque other than what the unit shifts across.

    Examples
    --------
    >>> car = dict(speed=20.0, corner_radius=50.0, track=1.5, rolling_radius=0.31, slip_stiffness=60e3)
    >>> speed_difference([0.0, 90.0, 600.0], **car).round(3).tolist()
    [1.935, 1.623, 0.0]

    References
    ----------
    Force balance of both wheels on linear tyres.
    """
    free = free_speed_difference(speed, corner_radius, track, rolling_radius)
    limit = locking_limit(corner_radius, track, rolling_radius, slip_stiffness)
    kept = 1.0 - not_negative("locking torque", locking_torque) / limit
    return free * np.maximum(kept, 0.0)


def yaw_couple(
    locking_torque: ArrayLike,
    *,
    corner_radius: ArrayLike,
    track: ArrayLike,
    rolling_radius: ArrayLike,
    slip_stiffness: ArrayLike,
) -> Floats:
    """Yaw moment of the unit, against the turn: more understeer, more stability.

    M_z = T_lock t/(2 r), up to C t²/(2 R) when both wheels turn at one speed

    Parameters
    ----------
    locking_torque : array_like
        Locking torque, the whole left-right difference [N·m], not negative.
    corner_radius : array_like
        Corner radius R [m], positive.
    track : array_like
        Track t [m], positive.
    rolling_radius : array_like
        Rolling radius r [m], positive.
    slip_stiffness : array_like
        Slip stiffness C of one tyre [N per unit slip], positive. All broadcast.

    Returns
    -------
    Yaw moment [N·m], positive against the turn.

    Raises
    ------
    ValueError
        An argument is out of its range.

    Notes
    -----
    Validity: as `speed_difference`.

    Examples
    --------
    >>> car = dict(corner_radius=50.0, track=1.5, rolling_radius=0.31, slip_stiffness=60e3)
    >>> yaw_couple([0.0, 90.0, 600.0], **car).round(1).tolist()
    [0.0, 217.7, 1350.0]

    References
    ----------
    The two tyre forces T_lock/(2 r) at half the track each.
    """
    limit = locking_limit(corner_radius, track, rolling_radius, slip_stiffness)
    carried = np.minimum(not_negative("locking torque", locking_torque), limit)
    return carried * floats(track) / (2.0 * floats(rolling_radius))
