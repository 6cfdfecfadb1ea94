"""Steady locking torque of a whole unit: packs, ramps, preload, gears and oil film put together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, unwrapped
from diffbench.physics.friction import FRICTION_LAWS, FrictionLaw, sliding_speed, temperature_factor
from diffbench.physics.oil import viscous_factor
from diffbench.physics.preload import PRELOAD_LAWS, PreloadLaw

BRANCH_SHARE = {"loading": 0.0, "unloading": 1.0}
ROUNDS = 12  # a contraction by some per cent a round
LAW_UNKNOWNS = (
    *dict.fromkeys(own for law in PRELOAD_LAWS.values() for own in law.unknowns),
    *dict.fromkeys(own for law in FRICTION_LAWS.values() for own in law.unknowns),
)
"""What the laws bring into a fit, each once."""


@dataclass(frozen=True)
class UnitQuantities:
    """What the steady locking torque of a unit follows from, at its reference condition.

    Attributes
    ----------
    preload_law : PreloadLaw
        How preload and ramps meet.
    preload_values : tuple of float
        Values of that law's own unknowns.
    preload_torque : float
        Preload torque P [N·m].
    drive_bias : float
        Drive ramp bias while loading [-].
    coast_bias : float
        Coast ramp bias while loading [-].
    drive_ratio : float
        Unloading over loading bias, drive [-].
    coast_ratio : float
        Unloading over loading bias, coast [-].
    gear_friction : float
        Share of the input torque that the gear mesh adds [-].
    viscous : float
        Viscous coefficient c at the reference temperature [N·m·s/rad].
    viscous_exponent : float
        Relative fall of c per kelvin of oil [1/K].
    friction_law : FrictionLaw
        Friction over sliding speed.
    friction_values : tuple of float
        Values of that law's unknowns.
    temperature_coefficient : float
        Relative change of friction per kelvin of plate temperature [1/K].
    effective_radius : float
        Effective radius of a friction face [m].
    reference_temperature : float
        Plate temperature of the reference condition [°C].
    reference_speed_difference : float
        Speed difference of the reference condition [rad/s].
    packs_apart : tuple of float
        How far each pack is from the mean of both in what the preload locks, and in what the ramps do [-].
    """

    preload_law: PreloadLaw
    preload_values: tuple[float, ...]
    preload_torque: float
    drive_bias: float
    coast_bias: float
    drive_ratio: float
    coast_ratio: float
    gear_friction: float
    viscous: float
    viscous_exponent: float
    friction_law: FrictionLaw
    friction_values: tuple[float, ...]
    temperature_coefficient: float
    effective_radius: float
    reference_temperature: float
    reference_speed_difference: float
    packs_apart: tuple[float, float] = (0.0, 0.0)


def friction_factor(unit: UnitQuantities, speed_difference: ArrayLike, temperature: ArrayLike) -> Floats:
    """Friction of the plates relative to the reference condition.

    Parameters
    ----------
    unit : UnitQuantities
        The unit.
    speed_difference : array_like
        Speed difference of the outputs [rad/s]; its magnitude counts.
    temperature : array_like
        Temperature of the plates [°C]; broadcast.

    Returns
    -------
    Factor [-].
    """
    radius = unit.effective_radius
    reference = sliding_speed(unit.reference_speed_difference, radius)
    sliding = sliding_speed(speed_difference, radius)
    by_speed = unit.friction_law.relative(sliding, unit.friction_values, reference)
    return by_speed * temperature_factor(
        temperature, unit.temperature_coefficient, unit.reference_temperature
    )


def viscous_coefficient(unit: UnitQuantities, temperature: ArrayLike) -> Floats:
    """Locking torque per speed difference from the oil film [N·m·s/rad], at a temperature of the oil [°C]."""
    return unit.viscous * viscous_factor(temperature, unit.viscous_exponent, unit.reference_temperature)


def steady_locking_torque(
    unit: UnitQuantities,
    input_torque: ArrayLike,
    speed_difference: ArrayLike,
    temperature: ArrayLike,
    branch: str = "loading",
) -> Floats:
    """Locking torque in steady state, plates and oil at one temperature; never negative.

    T_lock = m(v, Theta) [P ⊕ K |T_in|] + k_gear |T_in| + c(Theta) |Delta omega|

    Parameters
    ----------
    unit : UnitQuantities
        The unit.
    input_torque : array_like
        Torque at the case [N·m], positive in drive, negative in coast.
    speed_difference : array_like
        Speed difference of the outputs [rad/s]; its magnitude counts. Broadcast.
    temperature : array_like
        Temperature of plates and oil [°C]; broadcast.
    branch : str
        "loading", "unloading" (coming down from a much higher torque), or "mean", the mean of both.

    Returns
    -------
    Locking torque, the whole left-right difference [N·m].

    Raises
    ------
    KeyError
        The branch has another name.

    Notes
    -----
    Validity: the outputs slip; the torque changes slowly. Packs that differ load the ramps by their
    difference, more with slip one way and less the other: the mean of both ways.

    Examples
    --------
    >>> from diffbench.physics.friction import Stribeck
    >>> from diffbench.physics.preload import Additive
    >>> unit = UnitQuantities(Additive(), (), 80.0, 0.5, 0.3, 1.4, 1.4, 0.0, 0.0, 0.0, Stribeck(1.0),
    ...     (0.0, 0.02), 0.0, 0.045, 60.0, 4.0)
    >>> steady_locking_torque(unit, [-100.0, 0.0, 100.0], 4.0, 60.0).tolist()
    [110.0, 80.0, 130.0]
    >>> steady_locking_torque(unit, 100.0, 4.0, 60.0, "unloading").item()
    150.0

    References
    ----------
    The relations of this folder's modules, put together.
    """
    if branch == "mean":
        both = [
            steady_locking_torque(unit, input_torque, speed_difference, temperature, name)
            for name in BRANCH_SHARE
        ]
        mean: Floats = 0.5 * (both[0] + both[1])
        return mean
    share = BRANCH_SHARE[branch]
    torque, speed, heat = floats(input_torque), np.abs(floats(speed_difference)), floats(temperature)
    drive = unit.drive_bias * (1.0 + share * (unit.drive_ratio - 1.0))
    coast = unit.coast_bias * (1.0 + share * (unit.coast_ratio - 1.0))
    factor, viscous = friction_factor(unit, speed, heat), viscous_coefficient(unit, heat)

    def plates(on_ramps: Floats) -> tuple[Floats, Floats]:
        ramp: Floats = drive * np.maximum(on_ramps, 0.0) + coast * np.maximum(-on_ramps, 0.0)
        return ramp, factor * unit.preload_law.load(unit.preload_torque, ramp, unit.preload_values)

    if unit.packs_apart == (0.0, 0.0):
        load = plates(torque)[1]
    else:
        load = 0.5 * (
            _of_one_way(unit, plates, factor, torque, 1.0) + _of_one_way(unit, plates, factor, torque, -1.0)
        )
    total: Floats = np.maximum(load + unit.gear_friction * np.abs(torque) + viscous * speed, 0.0)
    return total


def parts(
    unit: UnitQuantities, torque: Floats, speed: Floats, heat: Floats, branch: str
) -> tuple[Floats, Floats]:
    """What the preload and what the ramps would each lock alone [N·m], by a branch of
    `steady_locking_torque`."""
    share = BRANCH_SHARE.get(branch, 0.5)
    drive = unit.drive_bias * (1.0 + share * (unit.drive_ratio - 1.0))
    coast = unit.coast_bias * (1.0 + share * (unit.coast_ratio - 1.0))
    factor = friction_factor(unit, speed, heat)
    ramp: Floats = drive * np.maximum(torque, 0.0) + coast * np.maximum(-torque, 0.0)
    return factor * unit.preload_torque, factor * ramp


def _of_one_way(
    unit: UnitQuantities,
    plates: Callable[[Floats], tuple[Floats, Floats]],
    factor: Floats,
    torque: Floats,
    direction: float,
) -> Floats:
    """What packs that differ lock with slip one way round [N·m]: their difference is on the ramps, too, so
    round after round, each smaller by that difference times the bias."""
    of_preload, of_ramps = (direction * apart for apart in unit.packs_apart)
    on_ramps = torque
    for _ in range(ROUNDS):
        ramp, load = plates(on_ramps)
        step = 1e-3 * (ramp + 1.0)
        more = unit.preload_law.load(unit.preload_torque, ramp + step, unit.preload_values)
        follows = factor * (more - load / factor) / step * ramp
        on_ramps = torque + of_preload * (load - follows) + of_ramps * follows
    return plates(on_ramps)[1]


def locking_effect_from_locking_torque(locking_torque: ArrayLike, input_torque: ArrayLike) -> Floats:
    """Locking effect at an input torque.

    LE = T_lock/|T_in|

    Parameters
    ----------
    locking_torque : array_like
        Locking torque, the whole left-right difference [N·m], not negative.
    input_torque : array_like
        Torque at the case [N·m]; broadcast. NaN in either passes through.

    Returns
    -------
    Locking effect [-]; infinite without input torque, NaN when there is no locking torque either.

    Examples
    --------
    >>> locking_effect_from_locking_torque([200.0, 80.0], [400.0, 0.0]).tolist()
    [0.5, inf]

    References
    ----------
    SAE J2817, equation 1, with T_in = T_L + T_R.
    """
    t_lock, t_in = np.broadcast_arrays(floats(locking_torque), np.abs(floats(input_torque)))
    effect = np.where(t_lock > 0.0, np.inf, np.nan)
    np.divide(t_lock, t_in, out=effect, where=t_in != 0.0)
    return unwrapped(effect)


def ratio_from_locking_effect(effect: ArrayLike) -> Floats:
    """Torque bias ratio of a locking effect.

    TBR = (1 + LE)/(1 − LE)

    Parameters
    ----------
    effect : array_like
        Locking effect [-], not negative; NaN passes through.

    Returns
    -------
    Torque bias ratio [-], at least 1; NaN where the locking effect is 1 or more and the ratio has no meaning.

    Raises
    ------
    ValueError
        A locking effect is negative.

    Examples
    --------
    >>> ratio_from_locking_effect([0.0, 0.5, 0.75, 1.0]).tolist()
    [1.0, 3.0, 7.0, nan]

    References
    ----------
    SAE J2817, equation 1, turned round.
    """
    le = floats(effect)
    if np.any(le < 0.0):
        raise ValueError("a locking effect is not negative")
    ratio = np.full(le.shape, np.nan)
    np.divide(1.0 + le, 1.0 - le, out=ratio, where=le < 1.0)
    return unwrapped(ratio)
