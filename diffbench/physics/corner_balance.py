"""The driven axle in a corner with a real unit: where its locking torque meets what the tyres can hold.

The locking torque of a unit depends on the speed difference that it leaves, so that the difference is a root.
Tyres are linear, each of its own slip stiffness and radius, with an optional limit of their force; brakes act
outside the differential and load both tyres alike. Indicative: steady state, no lateral dynamics of the car,
no camber.

Of several balances the smallest difference is taken: a car comes off the straight, where the axle is locked.
It is the only choice by which more preload never keeps more difference.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, not_negative, positive

Turn = Literal["left", "right"]
SlipOf = Literal["car", "wheel"]


@dataclass(frozen=True)
class AxleBalance:
    """Steady state of a driven axle in a corner.

    Attributes
    ----------
    free_difference : float
        Speed difference of wheels that roll freely, outer minus inner [rad/s].
    open_difference : float
        The one that an open unit would leave [rad/s]: other than free where both tyres slip unequally.
    speed_difference : float
        Speed difference that the unit leaves [rad/s], outer minus inner, zero where it locks.
    share_kept : float
        It over the free one [-], 0 locked to 1 open with equal tyres; at standstill the limit of a creeping
        car.
    locked : bool
        Whether both wheels turn alike.
    locking_torque : float
        What the unit could carry at that speed difference [N·m].
    carried_torque : float
        Torque difference that it does carry [N·m]: all of it while it slips, no more than the tyres hold
        where it locks.
    yaw_moment : float
        Yaw moment that the unit adds [N·m], against the turn; negative, into it, where the inner wheel is
        the faster one, as in drive on an unloaded tyre.
    outer_force, inner_force : float
        Longitudinal force of the tyres on the car [N], positive forward.
    sliding : {"outer", "inner"} or None
        The tyre that is at its limit, where one is.
    """

    free_difference: float
    open_difference: float
    speed_difference: float
    share_kept: float
    locked: bool
    locking_torque: float
    carried_torque: float
    yaw_moment: float
    outer_force: float
    inner_force: float
    sliding: Literal["outer", "inner"] | None


def axle_balance(
    locking_torque: Callable[[float], float],
    *,
    speed: float,
    corner_radius: float,
    track: float,
    rolling_radius: float | tuple[float, float],
    slip_stiffness: float | tuple[float, float],
    input_torque: float = 0.0,
    brake_torque: float = 0.0,
    outer_limit: float = math.inf,
    inner_limit: float = math.inf,
    corners: Sequence[float] = (),
    slip_of: SlipOf = "car",
) -> AxleBalance:
    """Balance of unit and tyres in a steady corner, reached from straight running.

    T_lock(s Delta omega_0) = min{(1 − s) t r C/R, 2 r (F_max,outer + F_b), 2 r (F_max,inner − F_b)}

    with s the share kept and F_b = (T_in/2 − T_brake)/r the force that each tyre bears without the unit. The
    right side is what the tyres hold: the linear slip that the corner asks of them, and what is left of
    their limit. With tyres apart, both wheels differ by Delta omega = V d − V g T_lock,

    d = t/(2 R) (1/r_o + 1/r_i) + 1/r_o − 1/r_i + F_o/(r_o C_o) − F_i/(r_i C_i)
    g = 1/(2 r_o² C_o) + 1/(2 r_i² C_i), F_o and F_i those without the unit,

    and the slip terms times 1 ± t/(2 R) where slip is of each wheel's own ground speed. Where d is negative
    the inner wheel is the faster one, and the unit turns the car into the corner. The axle is locked where
    the unit's torque at no difference reaches what the tyres hold; else the smallest share that balances is
    taken, the one at which a car arrives that comes off the straight.

    Parameters
    ----------
    locking_torque : callable
        Locking torque [N·m], not negative, of a speed difference [rad/s], not negative; continuous.
    speed : float
        Vehicle speed V [m/s], not negative.
    corner_radius : float
        Corner radius R to the middle of the axle [m], positive.
    track : float
        Track t [m], positive.
    rolling_radius : float or pair of float
        Rolling radius r [m], positive; of the outer and the inner wheel where they differ.
    slip_stiffness : float or pair of float
        Slip stiffness C of one tyre [N per unit slip], positive; of the outer and the inner one likewise.
    input_torque : float
        Torque at the case T_in [N·m], positive in drive, negative under engine braking.
    brake_torque : float
        Torque T_brake of the brake of each wheel of the axle [N·m], not negative.
    outer_limit, inner_limit : float
        Largest longitudinal force F_max of a tyre beside its cornering [N], positive.
    corners : sequence of float
        Speed differences [rad/s] between which `locking_torque` is straight, or at least monotone: the first
        root is searched piece by piece.
    slip_of : {"car", "wheel"}
        Whether slip counts by the car's speed or by each wheel's own ground speed V (1 ± t/(2 R)).

    Returns
    -------
    The balance.

    Raises
    ------
    ValueError
        An argument is out of its range, or a tyre is beyond its limit before the unit shifts any force.

    Notes
    -----
    Validity: steady corner, tyres in their linear range up to a limit at which they slide; turn slips of
    cornering and camber left out. A tyre that slides holds no more torque, so that the unit turns both wheels
    alike.

    Examples
    --------
    >>> car = dict(speed=20.0, corner_radius=50.0, track=1.5, rolling_radius=0.31, slip_stiffness=60e3)
    >>> found = axle_balance(lambda difference: 90.0, input_torque=-120.0, **car)
    >>> print(f"{found.speed_difference:.3f} rad/s, {found.yaw_moment:.1f} N·m")
    1.623 rad/s, 217.7 N·m
    >>> print(f"{found.outer_force:.0f} N, {found.inner_force:.0f} N")
    -339 N, -48 N
    >>> axle_balance(lambda difference: 600.0, **car).locked
    True

    References
    ----------
    Equilibrium of both wheels on linear tyres; common practice, no source.
    """
    axle = _axle(
        speed, corner_radius, track, rolling_radius, slip_stiffness, slip_of, input_torque, brake_torque
    )
    free = float(free_speed_difference(speed, corner_radius, track, axle.mean_radius))
    sense = -1.0 if axle.demand < 0.0 else 1.0
    linear = abs(axle.demand) / axle.give
    opened = float(speed) * abs(axle.demand)
    tight, room = _room(axle, sense, outer_limit, inner_limit)

    def held(share: float) -> float:
        return min((1.0 - share) * linear, room)

    def excess(share: float) -> float:
        capacity = float(locking_torque(share * opened))
        if not capacity >= 0.0:  # asked thousands of times: the check in words is for what fails it
            not_negative("locking torque", capacity)
        return capacity - held(share)

    locked = excess(0.0) >= 0.0
    share = 0.0 if locked else _first_root(excess, _pieces(corners, opened, 1.0 - room / linear))
    capacity = float(locking_torque(share * opened))
    carried = capacity
    if locked or share * linear <= linear - room:  # held by the tyres, not by the unit
        carried = held(share)
    shifted = sense * carried
    return AxleBalance(
        free_difference=free,
        open_difference=sense * opened,
        speed_difference=sense * share * opened,
        share_kept=share * axle.demand / axle.geometric if axle.geometric else 0.0,
        locked=locked,
        locking_torque=capacity,
        carried_torque=carried,
        yaw_moment=shifted * track / (2.0 * axle.mean_radius),
        outer_force=axle.outer_base - shifted / (2.0 * axle.outer_radius),
        inner_force=axle.inner_base + shifted / (2.0 * axle.inner_radius),
        sliding=tight if room < linear and carried >= room else None,
    )


@dataclass(frozen=True)
class _Axle:
    """What a corner asks of an axle per metre of way: ``demand`` d and ``give`` g of `axle_balance`, the part
    of d that is ``geometric``, radii [m], and forces without the unit [N]."""

    demand: float
    give: float
    geometric: float
    mean_radius: float
    outer_radius: float
    inner_radius: float
    outer_base: float
    inner_base: float


def _axle(
    speed: float,
    corner_radius: float,
    track: float,
    rolling_radius: float | tuple[float, float],
    slip_stiffness: float | tuple[float, float],
    slip_of: SlipOf,
    input_torque: float,
    brake_torque: float,
) -> _Axle:
    outer, inner = (float(positive("rolling radius", r)) for r in _both(rolling_radius))
    outer_c, inner_c = (float(positive("slip stiffness", c)) for c in _both(slip_stiffness))
    if not math.isfinite(input_torque):
        raise ValueError(f"input torque must be a finite number, got {input_torque:.6g}")
    torque = input_torque / 2.0 - float(not_negative("brake torque", brake_torque))
    mean = outer if outer == inner else 0.5 * (outer + inner)
    geometric = float(positive("track", track)) / (float(positive("corner radius", corner_radius)) * mean)
    lead = 0.5 * track / corner_radius if slip_of == "wheel" else 0.0
    outer_base, inner_base = torque / outer, torque / inner
    slips = (1.0 + lead) * outer_base / (outer * outer_c) - (1.0 - lead) * inner_base / (inner * inner_c)
    radii = 0.5 * track / corner_radius * (1.0 / outer + 1.0 / inner - 2.0 / mean) + 1.0 / outer - 1.0 / inner
    not_negative("speed", speed)
    return _Axle(
        demand=geometric + radii + slips,
        give=0.5 * (1.0 + lead) / (outer**2 * outer_c) + 0.5 * (1.0 - lead) / (inner**2 * inner_c),
        geometric=geometric,
        mean_radius=mean,
        outer_radius=outer,
        inner_radius=inner,
        outer_base=outer_base,
        inner_base=inner_base,
    )


def _room(
    axle: _Axle, sense: float, outer_limit: float, inner_limit: float
) -> tuple[Literal["outer", "inner"], float]:
    """Which tyre comes to its limit first as the unit shifts torque in a sense, and at what torque [N·m]."""
    limits = {
        "outer": float(positive("outer limit", outer_limit)),
        "inner": float(positive("inner limit", inner_limit)),
    }
    for name, base in (("outer", axle.outer_base), ("inner", axle.inner_base)):
        if abs(base) > limits[name]:
            raise ValueError(
                f"the {name} tyre is beyond its limit of {limits[name]:.6g} N with {abs(base):.6g} N from "
                "engine and brakes alone: it slides whatever the unit does"
            )
    outer = 2.0 * axle.outer_radius * (limits["outer"] + sense * axle.outer_base)
    inner = 2.0 * axle.inner_radius * (limits["inner"] - sense * axle.inner_base)
    return ("outer", outer) if outer <= inner else ("inner", inner)


def _both(value: float | tuple[float, float]) -> tuple[float, float]:
    return value if isinstance(value, tuple) else (value, value)


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


def yaw_moment_to_the_left(against_the_turn: float, turn: Turn) -> float:
    """Yaw moment in the sense of a vehicle's axes, positive to the left, from one against the turn.

    Parameters
    ----------
    against_the_turn : float
        Yaw moment against the turn [N·m].
    turn : {"left", "right"}
        Which way the car turns.

    Returns
    -------
    Yaw moment [N·m], positive anticlockwise from above.

    Raises
    ------
    ValueError
        The turn has another name.

    Examples
    --------
    >>> yaw_moment_to_the_left(200.0, "left"), yaw_moment_to_the_left(200.0, "right")
    (-200.0, 200.0)

    References
    ----------
    ISO 8855, vehicle axis system: z upward, so that a left turn has a positive yaw rate.
    """
    if turn not in {"left", "right"}:
        raise ValueError(f"a turn is 'left' or 'right', not {turn!r}")
    return -against_the_turn if turn == "left" else against_the_turn


def mean_share_kept(speed_difference: Sequence[float], free: Sequence[float], time: Sequence[float]) -> float:
    """Mean share of the free speed difference that is kept over an entry: bench and track by one number.

    S = Σ |Delta omega| Δt / Σ Delta omega_0 Δt

    On the track both sums come from wheel speeds alone: |Delta omega| from the driven wheels, and with the
    other, undriven axle (its speed difference Delta omega_u, rolling radius r_u and track t_u)
    Delta omega_0 = |Delta omega_u| (r_u/t_u) (t/r).

    Parameters
    ----------
    speed_difference : sequence of float
        Speed differences of the driven wheels [rad/s]; the magnitude counts.
    free : sequence of float
        Those of free rolling at the same time [rad/s], not negative.
    time : sequence of float
        How long each lasts [s], positive.

    Returns
    -------
    Share [-]; NaN where no difference is asked for.

    Raises
    ------
    ValueError
        Lengths differ, or a time is not positive.

    Examples
    --------
    >>> mean_share_kept([1.0, 0.0, 0.5], [2.0, 1.0, 1.0], [1.0, 0.5, 0.5])
    0.4166666666666667

    References
    ----------
    Ratio of the angles by which the wheels turned against each other, and would have; common practice, no
    source.
    """
    positive("time", list(time))
    kept = sum(abs(w) * t for w, t in zip(speed_difference, time, strict=True))
    asked = sum(w * t for w, t in zip(free, time, strict=True))
    return kept / asked if asked > 0.0 else math.nan


def _pieces(corners: Sequence[float], free: float, saturated: float) -> list[float]:
    """Shares from 0 to 1 between which unit and tyres are both straight."""
    inside = {corner / free for corner in corners if 0.0 < corner < free} if free > 0.0 else set()
    return sorted({0.0, 1.0, *inside, *({saturated} if 0.0 < saturated < 1.0 else set())})


def _first_root(excess: Callable[[float], float], pieces: Sequence[float]) -> float:
    """Smallest share at which an excess that is negative at 0 and not negative at 1 comes to zero."""
    low = pieces[0]
    high = next(share for share in pieces[1:] if excess(share) >= 0.0)
    low = max(share for share in pieces if share < high)
    below, above = excess(low), excess(high)
    # The straight line is exact where both are straight; halving settles whatever is left.
    for _ in range(200):
        middle = low - below * (high - low) / (above - below)
        if not low < middle < high:
            middle = 0.5 * (low + high)
        if not low < middle < high:
            return high
        value = excess(middle)
        if value == 0.0:
            return middle
        if value > 0.0:
            high, above = middle, value
        else:
            low, below = middle, value
        halfway = 0.5 * (low + high)
        if not low < halfway < high:
            return high
        value = excess(halfway)
        if value >= 0.0:
            high, above = halfway, value
        else:
            low, below = halfway, value
    return high
