"""The driven axle through a corner sample by sample: quasi-steady, as `diffbench.physics.corner_balance`,
with the ramps' hysteresis and the plates' heat carried along."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats
from diffbench.physics.wheel_loads import GRAVITY


@dataclass(frozen=True)
class Asked:
    """What a corner asks of an axle, sample by sample, all (n,).

    Attributes
    ----------
    free : ndarray
        Speed difference of free rolling, outer minus inner [rad/s].
    opened : ndarray
        That of an open unit [rad/s].
    give : ndarray
        What a newton metre of locking torque takes off it [rad/s per N·m].
    """

    free: Floats
    opened: Floats
    give: Floats


def asked_of_axle(
    *,
    speed: ArrayLike,
    yaw_rate: ArrayLike,
    track: float,
    outer_radius: ArrayLike,
    inner_radius: ArrayLike,
    outer_stiffness: ArrayLike,
    inner_stiffness: ArrayLike,
    wheel_torque: ArrayLike,
) -> Asked:
    """Speed differences that a corner asks for, and how an axle gives way.

    Delta omega_0 = psi' t/r,
    open = (V + psi' t/2)/r_o − (V − psi' t/2)/r_i + V (F_o/(r_o C_o) − F_i/(r_i C_i)),
    give = V/2 (1/(r_o² C_o) + 1/(r_i² C_i)), F = T/r

    Parameters
    ----------
    speed, yaw_rate : array_like
        V [m/s] and psi' [rad/s], positive into the turn, (n,).
    track : float
        t [m].
    outer_radius, inner_radius : array_like
        Rolling radii [m].
    outer_stiffness, inner_stiffness : array_like
        Slip stiffness [N per unit slip].
    wheel_torque : array_like
        Torque of each wheel without the unit's share, T_in/2 − T_brake [N·m].

    Returns
    -------
    What is asked.

    Examples
    --------
    >>> asked = asked_of_axle(speed=20.0, yaw_rate=0.4, track=1.5, outer_radius=0.31, inner_radius=0.31,
    ...     outer_stiffness=60e3, inner_stiffness=60e3, wheel_torque=-60.0)
    >>> print(f"{asked.free:.3f}, {asked.opened:.3f}, {90.0 * asked.give:.3f}")
    1.935, 1.935, 0.312

    References
    ----------
    Equilibrium of both wheels on linear tyres; common practice, no source.
    """
    v, turn, torque = floats(speed), floats(yaw_rate), floats(wheel_torque)
    outer, inner = floats(outer_radius), floats(inner_radius)
    soft_outer = 1.0 / (outer**2 * floats(outer_stiffness))
    soft_inner = 1.0 / (inner**2 * floats(inner_stiffness))
    half = 0.5 * turn * track
    return Asked(
        free=turn * track / (0.5 * (outer + inner)),
        opened=(v + half) / outer - (v - half) / inner + v * torque * (soft_outer - soft_inner),
        give=0.5 * v * (soft_outer + soft_inner),
    )


def yaw_rate_of_steering(
    speed: ArrayLike, angle: ArrayLike, wheelbase: float, gradient: float = 0.0
) -> Floats:
    """Yaw rate by the steering, as of a single-track car.

    psi' = V tan(delta)/(L + K V²/g)

    Parameters
    ----------
    speed : array_like
        V [m/s], (n,).
    angle : array_like
        delta at the road wheels [rad], (n,).
    wheelbase : float
        L [m].
    gradient : float
        K, the understeer gradient [rad per g].

    Returns
    -------
    Yaw rate [rad/s], (n,).

    Examples
    --------
    >>> yaw_rate_of_steering([20.0, 20.0], 0.05, 2.5, 0.02).round(4)
    array([0.3018, 0.3018])

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, eq. 6-16 (from memory).
    """
    v = floats(speed)
    return np.asarray(v * np.tan(floats(angle)) / (wheelbase + gradient * v**2 / GRAVITY))


def difference_left(
    opened: ArrayLike, give: ArrayLike, nodes: ArrayLike, holds: ArrayLike
) -> tuple[Floats, Floats]:
    """Speed difference that a unit leaves, and the locking torque that it carries.

    Delta omega = open − give T_lock(|Delta omega|), the smallest that balances, 0 where the unit holds all

    Parameters
    ----------
    opened, give : array_like
        As `Asked`, (n,).
    nodes : array_like
        Speed differences [rad/s], rising, (m,): between them the unit is straight, beyond them held.
    holds : array_like
        Locking torque at the nodes [N·m], (n, m).

    Returns
    -------
    Difference [rad/s] with the sign of the open one, and torque carried [N·m], positive from the outer to the
    inner wheel.

    Examples
    --------
    >>> left, carried = difference_left([1.935, 0.2], [0.0035, 0.0035], [0.0, 8.0], [[90.0, 90.0]] * 2)
    >>> print(left.round(3), carried.round(1))
    [1.62 0.  ] [90.  57.1]

    References
    ----------
    As `asked_of_axle`.
    """
    wanted, soft, held = floats(opened), floats(give)[:, None], floats(holds)
    at = np.concatenate([[0.0], floats(nodes)])
    held = np.concatenate([held[:, :1], held], axis=1)
    size = np.abs(wanted)
    excess = at + soft * held - size[:, None]
    reached = excess >= 0.0
    last = np.where(reached.any(axis=1), reached.argmax(axis=1), at.size - 1)
    rows = np.arange(size.size)
    first = np.maximum(last - 1, 0)
    below, above = excess[rows, first], excess[rows, last]
    step = np.where(above > below, -below / np.where(above > below, above - below, 1.0), 1.0)
    found = at[first] + np.clip(step, 0.0, 1.0) * (at[last] - at[first])
    found = np.where(
        reached[:, 0], 0.0, np.where(reached.any(axis=1), found, size - soft[:, 0] * held[:, -1])
    )
    sense = np.where(wanted < 0.0, -1.0, 1.0)
    carried = (size - found) / np.where(soft[:, 0] > 0.0, soft[:, 0], 1.0)  # rigid tyres leave it open
    return sense * found, sense * carried


def played(loading: ArrayLike, unloading: ArrayLike, input_torque: ArrayLike) -> Floats:
    """What a unit holds while its ramps follow the torque: a play operator between both branches.

    Parameters
    ----------
    loading, unloading : array_like
        Locking torque on either branch [N·m], (n, m), in the order of time.
    input_torque : array_like
        Torque at the case [N·m], (n,): where its sign changes, the other flank begins with loading.

    Returns
    -------
    Locking torque [N·m], (n, m).

    Examples
    --------
    >>> played([[100.0], [60.0], [30.0], [35.0]], [[130.0], [80.0], [40.0], [45.0]], [-9.0, -6.0, -3.0, -3.5])
    array([[100.],
           [ 80.],
           [ 40.],
           [ 40.]])

    References
    ----------
    Backlash hysteresis of a ramp with friction; common practice, no source.
    """
    low, torque = floats(loading), floats(input_torque)
    high = np.maximum(floats(unloading), low)
    found = low.copy()
    same = np.concatenate([[False], (torque[1:] < 0.0) == (torque[:-1] < 0.0)])
    for i in np.flatnonzero(same).tolist():
        here = found[i]
        np.minimum(found[i - 1], high[i], out=here)
        np.maximum(here, low[i], out=here)
    return found
