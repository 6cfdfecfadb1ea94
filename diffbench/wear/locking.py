"""What a change does to the locking torque: at corner entry, and as a map of the difference."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from diffbench.physics.steady import UnitQuantities, steady_locking_torque
from diffbench.results.characterisation import Tested
from diffbench.results.tested_region import is_inside
from diffbench.wear.comparison import Condition, DifferenceBranch, DifferenceMap
from diffbench.wear.joint import NORMAL_95, Paired, valued, widest

Array = NDArray[np.float64]

BRANCHES = ("loading", "unloading", "mean")
# Corner entry: from coasting freely to the full engine braking that was tested, at a low speed difference.
ENGINE_BRAKING = (0.0, 0.25, 0.5, 1.0)
BRAKING = "loading"
SPEEDS_TRIED = 60
TORQUE_NODES, SPEED_NODES = 21, 11


def corner_entry(pair: Paired, before: int) -> list[Condition]:
    """Locking torque before and after at corner entry: engine braking, low speed difference.

    Input torques are shares of the coast torque that all visits tested, the speed difference is the lowest
    at which all of them are, while engine braking comes on; plates and oil at the reference temperature.
    """
    lows, highs = _common(pair)
    if lows is None or highs is None:
        return []
    coast = min(float(lows[0]), 0.0)
    heat = pair.members[0].characterisation.reference["temperature_degC"]
    torques = np.unique([0.0, *(share * coast for share in ENGINE_BRAKING if share > 0.0)])[::-1]
    heats = np.full(torques.shape, heat)
    steps = np.geomspace(max(float(lows[1]), 1e-3), max(float(highs[1]), 1e-3), SPEEDS_TRIED).tolist()
    speed = next(
        (s for s in steps if _tested(pair, torques, np.full(torques.shape, s), heats, BRAKING).all()),
        steps[0],
    )
    speeds = np.full(torques.shape, speed)
    quantities = partial(_locking, torques, speeds, heats, BRAKING)
    joint = widest(pair, _factors(pair, before), quantities)
    first = valued(pair, _only(pair, before), quantities)
    inside = _tested(pair, torques, speeds, heats, BRAKING)
    return [
        Condition(
            input_torque_Nm=float(torques[i]),
            speed_difference_rad_s=speed,
            temperature_degC=heat,
            before_Nm=float(first[i]),
            after_Nm=float(first[i] + joint.value[i]),
            change_Nm=float(joint.value[i]),
            low_Nm=float(joint.value[i] - NORMAL_95 * joint.u[i]),
            high_Nm=float(joint.value[i] + NORMAL_95 * joint.u[i]),
            tested=bool(inside[i]),
        )
        for i in range(torques.size)
    ]


def difference_map(pair: Paired, before: int) -> DifferenceMap | None:
    """After less before over what all visits tested; None where they have nothing in common."""
    lows, highs = _common(pair)
    if lows is None or highs is None:
        return None
    nothing = [0.0] if lows[0] < 0.0 < highs[0] else []
    torque = np.unique([*np.linspace(lows[0], highs[0], TORQUE_NODES), *nothing])
    start = max(float(lows[1]), 1e-3)
    speed = np.unique(np.geomspace(start, max(float(highs[1]), start), SPEED_NODES))
    reference = pair.members[0].characterisation.reference["temperature_degC"]
    heat = np.unique([lows[2], min(max(reference, lows[2]), highs[2]), highs[2]])
    grid = np.meshgrid(torque, speed, heat, indexing="ij")
    branches = {}
    for branch in BRANCHES:
        value, u = np.empty(grid[0].shape), np.empty(grid[0].shape)
        for layer in range(heat.size):  # one by one: the covariance of all nodes at once would be large
            across, upward, warm = (axis[:, :, layer].ravel() for axis in grid)
            joint = widest(pair, _factors(pair, before), partial(_locking, across, upward, warm, branch))
            value[:, :, layer], u[:, :, layer] = (
                part.reshape(grid[0].shape[:2]) for part in (joint.value, joint.u)
            )
        half = NORMAL_95 * u
        branches[branch] = DifferenceBranch(
            change_Nm=value.tolist(),
            low_Nm=(value - half).tolist(),
            high_Nm=(value + half).tolist(),
            tested=_tested(pair, grid[0], grid[1], grid[2], branch).tolist(),
        )
    return DifferenceMap(
        input_torque_Nm=torque.tolist(),
        speed_difference_rad_s=speed.tolist(),
        temperature_degC=heat.tolist(),
        branches=branches,
    )


def _locking(torque: Array, speed: Array, heat: Array, branch: str, unit: UnitQuantities) -> Array:
    return np.asarray(steady_locking_torque(unit, torque, speed, heat, branch), dtype=np.float64)


def _factors(pair: Paired, before: int) -> list[float]:
    after = len(pair.members) - before
    return [-1.0 / before] * before + [1.0 / after] * after


def _only(pair: Paired, before: int) -> list[float]:
    return [1.0 / before] * before + [0.0] * (len(pair.members) - before)


def _regions(pair: Paired) -> Sequence[Tested]:
    return [m.characterisation.tested for m in pair.members]


def _common(pair: Paired) -> tuple[Array | None, Array | None]:
    """Lowest and highest input torque, speed difference and temperature that all visits tested."""
    regions = _regions(pair)
    if any(not region.outline for region in regions):
        return None, None
    ends = []
    for region in regions:
        outline = np.array(region.outline)
        low, high = region.temperature_degC
        ends.append(
            (
                [outline[:, 0].min(), outline[:, 1].min(), low],
                [outline[:, 0].max(), outline[:, 1].max(), high],
            )
        )
    lows = np.max([low for low, _ in ends], axis=0)
    highs = np.min([high for _, high in ends], axis=0)
    return (lows, highs) if (lows <= highs).all() else (None, None)


def _tested(pair: Paired, torque: Array, speed: Array, heat: Array, branch: str) -> NDArray[np.bool_]:
    inside = np.ones(np.shape(torque), dtype=bool)
    for region in _regions(pair):
        inside &= is_inside(region, torque, speed, heat, branch)
    return inside
