"""The numbers behind the figures of friction and torque bias: cell by cell and as fitted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.definitions import name_of
from diffbench.physics.friction import sliding_speed
from diffbench.physics.steady import UnitQuantities, friction_factor, viscous_coefficient
from diffbench.report.curves import BranchCurve, best_form, sweep_cells
from diffbench.report.map_window import torques_to_draw
from diffbench.results.characterisation import Characterisation, FormState
from diffbench.results.locking_map import Branch, LockingMap
from diffbench.results.map_limits import unit_of

__all__ = [
    "FrictionCells",
    "FrictionCurve",
    "Over",
    "bias_curve",
    "friction_cells",
    "friction_curve",
    "friction_scale",
    "reference_place",
]

Array = NDArray[np.float64]
Over = Literal["sliding_speed", "plate"]

NODES = 61
BIAS_NODES = 201
#: A cell with less clamping torque than this share of the largest tells little of friction.
LEAST_LOAD = 0.1
NORMAL_95 = 1.959964


@dataclass(frozen=True, eq=False)
class FrictionCurve:
    """Friction as fitted, 1 at the reference condition, with 95 % limits, over ``at`` (sliding speed [m/s] or
    plate temperature [°C]); all (n,)."""

    at: Array
    value: Array
    low: Array
    high: Array


@dataclass(frozen=True, eq=False)
class FrictionCells:
    """Friction of measured cells, 1 at the reference condition, each carried along the other axis to the
    reference by the fitted law; all (c,)."""

    at: Array
    value: Array
    direction: Array


def bias_curve(
    locking_map: LockingMap, branch: Branch, *, speed_difference: float, temperature: float
) -> BranchCurve:
    """Torque bias ratio of one branch at one place.

    TBR = (1 + LE)/(1 − LE), LE = T_lock/|T_in|

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    branch : str
        "loading", "unloading", "mean" or "either".
    speed_difference, temperature : float
        Where [rad/s, °C].

    Returns
    -------
    The curve, at more places than the map has nodes: the ratio bends where the map is straight. NaN where
    locking torque reaches the input torque.

    References
    ----------
    SAE J2817.
    """
    ends = locking_map.axes[0][torques_to_draw(locking_map)]
    torque = np.unique(np.append(np.linspace(float(ends[0]), float(ends[-1]), BIAS_NODES), ends))
    speed, heat = np.full(torque.shape, speed_difference), np.full(torque.shape, temperature)
    low, high = locking_map.interval(torque, speed, heat, branch)

    def ratio(locking: Array) -> Array:
        effect = np.full(torque.shape, np.inf)
        np.divide(locking, np.abs(torque), out=effect, where=torque != 0.0)
        made = np.full(torque.shape, np.nan)
        np.divide(1.0 + effect, 1.0 - effect, out=made, where=effect < 1.0)
        return made

    return BranchCurve(
        torque,
        ratio(locking_map.locking_torque(torque, speed, heat, branch)),
        ratio(low),
        ratio(high),
        np.atleast_1d(locking_map.is_tested(torque, speed, heat, branch)),
    )


def friction_scale(characterisation: Characterisation) -> tuple[float, float] | None:
    """Friction coefficient at the reference condition and its standard uncertainty; None where it is not
    determined."""
    known = characterisation.parameters.get("friction_coefficient")
    if known is None or known.value is None or known.u is None:
        return None
    return known.value, known.u


def reference_place(characterisation: Characterisation, over: Over) -> float:
    """Where the curve is 1: sliding speed [m/s] or temperature [°C] of the reference condition."""
    reference = characterisation.reference
    if over == "plate":
        return reference["temperature_degC"]
    return float(
        sliding_speed(reference["speed_difference_rad_s"], characterisation.builds[0].effective_radius_m)
    )


def friction_curve(characterisation: Characterisation, over: Over) -> FrictionCurve:
    """Friction over sliding speed or plate temperature as fitted.

    m = m_v(v) m_Theta(Theta), the other of both held at the reference condition

    Parameters
    ----------
    characterisation : Characterisation
        The result.
    over : {"sliding_speed", "plate"}
        Along which axis.

    Returns
    -------
    The curve over what was tested, with 95 % limits of the shape alone: what scales all friction alike is not
    in them.

    Notes
    -----
    Limits by the law of propagation of uncertainty over the covariance of each form, forms by their weights.
    """
    at = _places(characterisation, over)
    best: Array | None = None
    variance = np.zeros(at.shape)
    for form in characterisation.forms:
        x, covariance = np.array(form.values), np.array(form.covariance)
        value = _along(_unit(characterisation, form, x), over, at)
        best = value if best is None else best
        gradient = np.zeros((at.size, x.size))
        for i, u in enumerate(np.sqrt(np.maximum(np.diag(covariance), 0.0))):
            if u > 0.0:
                step = np.zeros(x.size)
                step[i] = u
                ahead, behind = (
                    _along(_unit(characterisation, form, x + side * step), over, at) for side in (1.0, -1.0)
                )
                gradient[:, i] = (ahead - behind) / (2.0 * u)
        own = np.sum((gradient @ covariance) * gradient, axis=1)
        variance += form.weight * (np.maximum(own, 0.0) + (value - best) ** 2)
    assert best is not None
    reach = NORMAL_95 * np.sqrt(variance)
    return FrictionCurve(at, best, np.maximum(best - reach, 0.0), best + reach)


def friction_cells(characterisation: Characterisation, over: Over) -> FrictionCells | None:
    """Friction of the measured cells, relative to the reference condition.

    m = (T − k |T_in| − c |Delta omega|) / w, with w the clamping torque of the fitted law at that cell:
    preload and ramps where they stand

    Parameters
    ----------
    characterisation : Characterisation
        With the cells behind it.
    over : {"sliding_speed", "plate"}
        Along which axis; along the other, each cell is carried to the reference condition by the fitted law.

    Returns
    -------
    The cells of the sweeps that the fit used and that bear a load; None where the cells are not at hand, or
    are of builds with different radii.
    """
    evidence = characterisation.evidence
    radii = {facts.effective_radius_m for facts in characterisation.builds}
    if evidence is None or len(radii) > 1:
        return None
    kept = evidence.used & sweep_cells(evidence)
    if not kept.any():
        return None
    form = best_form(characterisation)
    unit = _unit(characterisation, form, np.array(form.values))
    speed, plate = evidence.speed_difference[kept], evidence.plate[kept]
    oil = np.where(np.isfinite(evidence.oil[kept]), evidence.oil[kept], unit.reference_temperature)
    apart = unit.gear_friction * np.abs(evidence.input_torque[kept]) + viscous_coefficient(unit, oil) * speed
    clamping = (evidence.model[kept] - apart) / friction_factor(unit, speed, plate)
    loaded = clamping > LEAST_LOAD * float(np.max(clamping))
    factor = ((evidence.locking[kept] - apart)[loaded]) / clamping[loaded]
    sliding = np.asarray(sliding_speed(speed, unit.effective_radius))[loaded]
    if over == "plate":
        at, other = plate[loaded], _along(unit, "sliding_speed", sliding)
    else:
        at, other = sliding, _along(unit, "plate", plate[loaded])
    return FrictionCells(at, factor / other, evidence.direction[kept][loaded])


def _places(characterisation: Characterisation, over: Over) -> Array:
    """Where the curve is drawn: over what was tested, and the reference condition."""
    tested = characterisation.tested
    home = reference_place(characterisation, over)
    if over == "plate":
        low, high = tested.temperature_degC
        return np.unique(np.append(np.linspace(min(low, home), max(high, home), NODES), home))
    speeds = [speed for _, speed in tested.outline]
    ends = [home, *np.asarray(sliding_speed(speeds, characterisation.builds[0].effective_radius_m)).tolist()]
    above = [end for end in ends if end > 0.0]
    low, high = min(above), max(above)
    return np.unique(np.append(np.geomspace(low, high, NODES), home))


def _unit(characterisation: Characterisation, form: FormState, x: Array) -> UnitQuantities:
    """The first build's unit: friction over speed and temperature is one for all builds."""
    facts = characterisation.builds[0]
    return unit_of(
        form,
        x,
        radius=facts.effective_radius_m,
        label="" if len(characterisation.builds) == 1 else name_of("", facts.build),
        reference=characterisation.reference,
    )


def _along(unit: UnitQuantities, over: Over, at: Array) -> Array:
    """Friction along one axis, the other at the reference condition."""
    if over == "plate":
        return friction_factor(unit, np.array(unit.reference_speed_difference), at)
    return friction_factor(unit, 2.0 * at / unit.effective_radius, np.array(unit.reference_temperature))
