"""The numbers behind the figures: what a figure draws and the table behind it says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.definitions import name_of
from diffbench.physics.steady import UnitQuantities, friction_factor, viscous_coefficient
from diffbench.report.map_window import torques_to_draw
from diffbench.results.characterisation import Characterisation, Evidence, FormState
from diffbench.results.locking_map import Branch, LockingMap
from diffbench.results.map_limits import best_unit

__all__ = [
    "BranchCurve",
    "CarriedCells",
    "Parts",
    "ResidualBins",
    "branch_curve",
    "carried_cells",
    "parts_over_torque",
    "residual_bins",
    "sweep_cells",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

RESIDUAL_AXES = {
    "input_torque": "input torque [N·m]",
    "speed_difference": "speed difference [rad/s]",
    "plate": "plate temperature [°C]",
    "time": "time in the run [s]",
}


@dataclass(frozen=True, eq=False)
class BranchCurve:
    """One branch of a map over input torque [N·m] at one place: value and 95 % limits [N·m], tested or not;
    all (n,)."""

    input_torque: Array
    value: Array
    low: Array
    high: Array
    tested: Mask


@dataclass(frozen=True, eq=False)
class CarriedCells:
    """Measured cells at one speed difference and temperature: locking torque [N·m] over input torque [N·m],
    all (c,)."""

    input_torque: Array
    locking: Array
    direction: Array
    loading: Mask


@dataclass(frozen=True, eq=False)
class Parts:
    """What the locking torque is made of, over input torque: each part and the total [N·m], all (n,)."""

    input_torque: Array
    preload: Array
    ramps: Array
    gears: Array
    oil_film: Array

    @property
    def total(self) -> Array:
        """Sum of the parts [N·m], never negative."""
        total: Array = np.maximum(self.preload + self.ramps + self.gears + self.oil_film, 0.0)
        return total


@dataclass(frozen=True, eq=False)
class ResidualBins:
    """Residual in bins along one axis: centre, number of cells, mean and root mean square [N·m], all (b,)."""

    centre: Array
    count: NDArray[np.int64]
    mean: Array
    rms: Array


def branch_curve(
    locking_map: LockingMap, branch: Branch, *, speed_difference: float, temperature: float
) -> BranchCurve:
    """One branch over the input torques of the map.

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    branch : str
        "loading", "unloading", "mean" or "either".
    speed_difference : float
        Speed difference [rad/s].
    temperature : float
        Temperature of plates and oil [°C].

    Returns
    -------
    The curve at the map's nodes of input torque, as far as they are drawn.
    """
    torque = locking_map.axes[0][torques_to_draw(locking_map)]
    speed, heat = np.full(torque.shape, speed_difference), np.full(torque.shape, temperature)
    low, high = locking_map.interval(torque, speed, heat, branch)
    return BranchCurve(
        input_torque=torque,
        value=locking_map.locking_torque(torque, speed, heat, branch),
        low=low,
        high=high,
        tested=np.atleast_1d(locking_map.is_tested(torque, speed, heat, branch)),
    )


def sweep_cells(evidence: Evidence) -> Mask:
    """Which cells (c,) are of sweeps: readings at standstill by hand belong to no sliding speed."""
    turning = np.array([kind == "turning-torque" for kind in evidence.run_kinds], dtype=bool)
    return ~turning[evidence.run] if turning.size else np.ones(evidence.run.shape, dtype=bool)


def carried_cells(
    characterisation: Characterisation,
    locking_map: LockingMap,
    *,
    speed_difference: float,
    temperature: float,
) -> CarriedCells | None:
    """Measured cells, carried to one speed difference and one temperature by the fitted friction shape.

    T' = m(v', Theta') [T − k |T_in| − c(Theta_oil) |Delta omega|] / m(v, Theta) + k |T_in| + c(Theta')
    |Delta omega'|

    Parameters
    ----------
    characterisation : Characterisation
        With the cells behind it.
    locking_map : LockingMap
        The map of the build in question.
    speed_difference, temperature : float
        Where to carry them [rad/s, °C].

    Returns
    -------
    The cells of the sweeps that the fit used; None where the cells are not at hand, or are of several builds.

    Notes
    -----
    Only friction over speed and temperature, gear friction and the oil film are taken from the model.
    Preload, ramps and hysteresis stay as measured, whatever the preload law: each cell keeps its own
    residual.
    """
    evidence = characterisation.evidence
    if evidence is None or len(characterisation.builds) != 1:
        return None
    unit = _unit(characterisation, locking_map)
    kept = evidence.used & sweep_cells(evidence)
    torque, speed = np.abs(evidence.input_torque[kept]), evidence.speed_difference[kept]
    oil = np.where(np.isfinite(evidence.oil[kept]), evidence.oil[kept], unit.reference_temperature)
    apart = unit.gear_friction * torque + viscous_coefficient(unit, oil) * speed
    load = (evidence.locking[kept] - apart) / friction_factor(unit, speed, evidence.plate[kept])
    there = (np.full(speed.shape, speed_difference), np.full(speed.shape, temperature))
    apart_there = unit.gear_friction * torque + viscous_coefficient(unit, there[1]) * there[0]
    locking = load * friction_factor(unit, *there) + apart_there
    return CarriedCells(
        evidence.input_torque[kept], locking, evidence.direction[kept], evidence.loading[kept]
    )


def parts_over_torque(
    characterisation: Characterisation,
    locking_map: LockingMap,
    branch: Branch,
    *,
    speed_difference: float,
    temperature: float,
) -> Parts:
    """What the locking torque of one branch is made of, over the input torques of the map that are drawn.

    Parameters
    ----------
    characterisation : Characterisation
        The result; its best form is split.
    locking_map : LockingMap
        Gives the build and the input torques.
    branch : str
        "loading", "unloading", "mean" or "either".
    speed_difference, temperature : float
        Where [rad/s, °C].

    Returns
    -------
    The parts, which add up to the map's value.

    Notes
    -----
    Under the greater-of law the ramps' part is the whole thrust of the ramps, and the preload's part is what
    is left of the clamping, P − (1 − Phi) K |T_in|, until the contact has opened: as the load on a preloaded
    joint is shared.
    """
    if branch in ("mean", "either"):
        both = [
            parts_over_torque(
                characterisation,
                locking_map,
                side,
                speed_difference=speed_difference,
                temperature=temperature,
            )
            for side in ("loading", "unloading")
        ]
        names = ("preload", "ramps", "gears", "oil_film")
        return Parts(
            both[0].input_torque, *(0.5 * (getattr(both[0], n) + getattr(both[1], n)) for n in names)
        )
    unit = _unit(characterisation, locking_map)
    torque = locking_map.axes[0][torques_to_draw(locking_map)]
    drive, coast = unit.drive_bias, unit.coast_bias
    if branch == "unloading":
        drive, coast = drive * unit.drive_ratio, coast * unit.coast_ratio
    thrust = np.maximum(np.where(torque >= 0, drive, coast) * np.abs(torque), 0.0)
    preload = unit.preload_law.load(unit.preload_torque, thrust, unit.preload_values) - thrust
    factor = friction_factor(unit, np.array(speed_difference), np.array(temperature))
    ones = np.ones(torque.shape)
    return Parts(
        input_torque=torque,
        preload=factor * preload,
        ramps=factor * thrust,
        gears=unit.gear_friction * np.abs(torque),
        oil_film=ones * viscous_coefficient(unit, np.array(temperature)) * abs(speed_difference),
    )


def residual_bins(evidence: Evidence, axis: str, *, bins: int = 12) -> ResidualBins:
    """Residual, measured less model, in bins of like many cells along one axis.

    Parameters
    ----------
    evidence : Evidence
        The cells behind a fit.
    axis : str
        "input_torque", "speed_difference", "plate" or "time".
    bins : int
        Most bins.

    Returns
    -------
    The bins of the cells that the fit used, along the axis; cells without a number there are left out.
    """
    at = np.asarray(getattr(evidence, axis), dtype=np.float64)
    kept = evidence.used & np.isfinite(at)
    at, residual = at[kept], (evidence.locking - evidence.model)[kept]
    if at.size == 0:
        none = np.zeros(0)
        return ResidualBins(none, np.zeros(0, dtype=np.int64), none, none)
    edges = np.unique(np.quantile(at, np.linspace(0.0, 1.0, bins + 1)[1:-1]))
    place = np.searchsorted(edges, at)
    _, place = np.unique(place, return_inverse=True)
    count = np.bincount(place)
    return ResidualBins(
        centre=np.bincount(place, at) / count,
        count=count.astype(np.int64),
        mean=np.bincount(place, residual) / count,
        rms=np.sqrt(np.bincount(place, residual**2) / count),
    )


def best_form(characterisation: Characterisation) -> FormState:
    """The form of the model that fits best."""
    return characterisation.forms[0]


def _unit(characterisation: Characterisation, locking_map: LockingMap) -> UnitQuantities:
    """The unit of the map's build by the best form."""
    builds = [facts.build for facts in characterisation.builds]
    name = locking_map.document.build
    facts = characterisation.builds[builds.index(name) if name in builds else 0]
    return best_unit(
        characterisation,
        radius=facts.effective_radius_m,
        label="" if len(builds) == 1 else name_of("", facts.build),
    )
