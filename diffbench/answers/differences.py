"""What differs between two states: preload, friction, spring force, ramps, shape of friction, locking torque.

Friction is the geometric mean of loading and unloading bias, on which the ramps' friction has no effect to
first order. What a refit moves is stated as two numbers without a correlation; both extremes (each number by
itself; friction, which moves all) are computed, and each quantity keeps the wider.

Which of several changes count is decided so that the chance of any false alarm is held at one level for all
of them: preload, friction and spring force are tested together by weighted Holm (1979), 93 % of the weight on
the loss of preload, the question that wear asks. With repeatability of 1.5 % no test of the preload of one
visit against another can show a loss of 5 % in 95 of 100 cases (the ratio of loss to doubt is 2.4, and 3.3
would be needed).
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.answers.joint import Joint, Member, Paired, combined, valued, widest
from diffbench.physics.friction import FRICTION_LAWS
from diffbench.physics.steady import UnitQuantities, steady_locking_torque
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.document import Frozen


class Change(Frozen):
    """One quantity before and after.

    ``change`` with its 95 % interval ``low`` to ``high`` is relative where ``relative`` is True (−0.19: down
    by 19 per cent), else in ``unit``. ``chance`` is that of a change as large by doubt alone; ``significant``
    is decided over all questions of its kind together, and ``tested_low`` to ``tested_high`` is the interval
    at the level that this leaves each question: without zero where, and only where, a change is significant;
    None in documents of older versions. ``against`` says what doubt it was held against:
    ``repeatability``, what a refit to the bench moves, or ``fit``, where the rig does not say that.
    ``before`` and ``after`` are the results' own numbers. ``carried`` is there where each of these rests on
    what its own sheet states: the number before, and what the change alone makes of it after; ``after`` is
    then left to the result after.
    """

    before: float | None
    after: float | None
    unit: str
    relative: bool
    change: float
    u: float
    low: float
    high: float
    chance: float
    significant: bool
    against: Literal["repeatability", "fit"]
    meaning: str
    budget: dict[str, float]
    carried: float | None = None
    tested_low: float | None = None
    tested_high: float | None = None


# The chance of a false alarm among all questions of one comparison: promised as at most 5 per cent.
LEVEL = 0.048


def one_sided(z: float) -> float:
    """Chance that a standard normal deviate exceeds ``z``.

    Examples
    --------
    >>> print(f"{one_sided(1.644854):.4f}")
    0.0500
    """
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def two_sided(z: float) -> float:
    """Chance that a standard normal deviate lies further from zero than ``z``.

    Examples
    --------
    >>> print(f"{two_sided(-1.959964):.4f}")
    0.0500
    """
    return math.erfc(abs(z) / math.sqrt(2.0))


def weighted_holm(
    chances: Mapping[str, float], weights: Mapping[str, float], *, level: float = LEVEL
) -> dict[str, bool]:
    """Which of several hypotheses fall, the chance that any true one does being at most ``level``.

    In the order of p/w: reject while p ≤ level · w/Σw, the sum over what is not rejected yet.

    Parameters
    ----------
    chances : mapping of str to float
        p of each hypothesis of no change.
    weights : mapping of str to float
        w, positive: how much of the level each is worth. Questions asked first get most.
    level : float
        The level.

    Returns
    -------
    Whether each is rejected.

    Raises
    ------
    ValueError
        A weight is not positive.

    Examples
    --------
    >>> weighted_holm({"a": 0.01, "b": 0.04, "c": 0.03, "d": 0.005}, dict.fromkeys("abcd", 1.0), level=0.05)
    {'a': True, 'b': False, 'c': False, 'd': True}

    References
    ----------
    Holm, Scandinavian Journal of Statistics 6, 1979, sections 3 (equal weights) and 4 (weights).
    """
    levels = _holm_levels(chances, weights, level)
    return {name: chances[name] <= levels[name] for name in chances}


def _holm_levels(
    chances: Mapping[str, float], weights: Mapping[str, float], level: float = LEVEL
) -> dict[str, float]:
    """The level at which `weighted_holm` asks each question at last: what falls, falls at that level, and
    what stays would have fallen below it."""
    if any(not weights[name] > 0.0 for name in chances):
        raise ValueError("weights must be positive")
    left = sorted(chances, key=lambda name: chances[name] / weights[name])
    levels: dict[str, float] = {}
    while left:
        share = level / sum(weights[name] for name in left)
        if chances[left[0]] > share * weights[left[0]]:
            return levels | {name: share * weights[name] for name in left}
        fallen = left.pop(0)
        levels[fallen] = share * weights[fallen]
    return levels


Array = NDArray[np.float64]

# Of the chance of a false alarm, most goes to the question that a wear check asks first, whether the
# preload has come down; the rest is shared by all others, and what a proven question has used passes on.
PRELOAD_LOSS_WEIGHT = 0.93
OTHER_WEIGHT = 0.07 / 3.0
SMALLEST = 1e-9  # below it, a difference of logarithms is rounding

# what friction laws bring, each once
FRICTION_SHAPE = tuple(dict.fromkeys(own for law in FRICTION_LAWS.values() for own in law.unknowns))
# name: the parameters that must be determined for it, whether it is a ratio, its unit, what it is
SHAPE: dict[str, tuple[tuple[str, ...], bool, str, str]] = {
    "unloading_ratio_drive": (
        ("ramp_bias_drive_loading", "ramp_bias_drive_unloading"),
        True,
        "1",
        "unloading over loading bias, drive: a change points at the ramps",
    ),
    "unloading_ratio_coast": (
        ("ramp_bias_coast_loading", "ramp_bias_coast_unloading"),
        True,
        "1",
        "unloading over loading bias, coast: a change points at the ramps",
    ),
    **{own.reported: ((own.reported,), own.logarithm, own.unit, own.meaning) for own in FRICTION_SHAPE},
    "viscous_coefficient": (("viscous_coefficient",), False, "N·m·s/rad", "drag of the oil film"),
    "friction_temperature_coefficient": (
        ("friction_temperature_coefficient",),
        False,
        "1/K",
        "relative change of friction per kelvin",
    ),
    "friction_slope": (
        ("friction_slope",),
        False,
        "s/m",
        "relative change of friction per sliding speed, at reference; negative invites chatter (SAE J3210)",
    ),
}


# name: whose number a result has of it, the questions asked, its unit, what it is
MAIN: dict[str, tuple[str, tuple[str, ...], str, str]] = {
    "preload_torque": (
        "preload_torque",
        ("preload_loss", "preload_gain"),
        "N·m",
        "locking torque of the preload alone: friction times spring force",
    ),
    "friction": (
        "friction_coefficient",
        ("friction",),
        "1",
        "friction of the plates, by the ramp bias in {flanks}",
    ),
    "spring_force": (
        "spring_force",
        ("spring_force",),
        "N",
        "force of the preload spring: preload torque over ramp bias, whatever happened to friction",
    ),
}


@dataclass(frozen=True)
class Differences:
    """Changes by name, what is not determined with what it needs, and the joint result of the logarithms of
    preload, friction and spring force (as far as they are determined) behind them."""

    changes: dict[str, Change]
    missing: dict[str, str]
    preload: Joint
    spring: tuple[float, float] | None
    flanks_apart: float | None


def differences_between(pair: Paired, *, judged: bool) -> Differences:
    """All changes from the earlier members to the later.

    Friction is what all ramp biases have in common, the mean of both flanks' logarithms, each the mean of
    loading and unloading, which the friction of the ramps moves in opposite ways; spring force is what the
    preload torque changes by beyond that. ``judged`` says whether the bench's repeatability is known.
    """
    missing: dict[str, str] = {}
    flanks = [flank for flank in ("drive", "coast") if pair.known(f"ramp_bias_{flank}_loading")]
    both = {f: pair.known(f"ramp_bias_{f}_unloading") for f in flanks}
    preload_known = pair.known("preload_torque")
    weights = _flank_weights(pair, flanks, both)

    def main(unit: UnitQuantities) -> Array:
        preload = np.log(max(unit.preload_torque, SMALLEST))
        levels = [_level(unit, flank, mean=both[flank]) for flank in flanks]
        friction = float(np.dot(weights, levels)) if flanks else 0.0
        apart = levels[0] - levels[1] if len(levels) == 2 else 0.0
        return np.array([preload, friction, preload - friction, apart])

    joint = widest(pair, pair.means(-1.0, 1.0), main)
    z = [_z(joint.value[i], joint.u[i]) for i in range(4)]
    chances = {
        "preload_loss": one_sided(-z[0]),
        "preload_gain": one_sided(z[0]),
        "friction": two_sided(z[1]),
        "spring_force": two_sided(z[2]),
    }
    if not preload_known:
        missing["preload_torque"] = "a preload torque that both results determine"
        del chances["preload_loss"], chances["preload_gain"]
    if not flanks:
        missing["friction"] = "a ramp bias that both results determine: it tells friction from spring force"
        del chances["friction"]
    if not (flanks and preload_known):
        missing["spring_force"] = "preload torque and a ramp bias that both results determine"
        del chances["spring_force"]
    weight = {"preload_loss": PRELOAD_LOSS_WEIGHT}
    weights_of = {name: weight.get(name, OTHER_WEIGHT) for name in chances}
    counts, levels = weighted_holm(chances, weights_of), _holm_levels(chances, weights_of)
    changes: dict[str, Change] = {}
    for i, (name, (own, asked, unit, meaning)) in enumerate(MAIN.items()):
        if asked[0] in chances:
            start, end = (_own_mean(side, own) for side in (pair.earlier, pair.later))
            changes[name] = _change(
                joint,
                i,
                (start, end if name == "preload_torque" else None),
                unit,
                meaning.format(flanks=" and ".join(flanks)),
                relative=True,
                chance=min(chances[one] for one in asked),
                significant=any(counts[one] for one in asked),
                # a gain is asked of the lower end, a loss of the upper one; one question of both ends halves
                tails=(levels[asked[-1]], levels[asked[0]])
                if len(asked) == 2
                else (0.5 * levels[asked[0]],) * 2,
                judged=judged,
            )
    shape, open_shape = _shape_changes(pair)
    spring = (float(joint.value[2]), float(joint.u[2])) if "spring_force" in changes else None
    apart = z[3] if len(flanks) == 2 else None
    return Differences(changes | shape, missing | open_shape, joint, spring, apart)


def _level(unit: UnitQuantities, flank: str, *, mean: bool) -> float:
    """Logarithm of a flank's bias; of the geometric mean of loading and unloading, where both are known.

    cot(β + φ) cot(β − φ) is cot² β but for terms of the second order in the ramps' friction angle φ, so that
    the mean follows the plates' friction and not the ramps'.
    """
    drive = flank == "drive"
    bias, ratio = (unit.drive_bias, unit.drive_ratio) if drive else (unit.coast_bias, unit.coast_ratio)
    return float(np.log(max(bias, SMALLEST)) + (0.5 * np.log(max(ratio, SMALLEST)) if mean else 0.0))


def _flank_weights(pair: Paired, flanks: Sequence[str], both: dict[str, bool]) -> Array:
    """Weights of the flanks (f,): by their doubts, each for itself."""
    if len(flanks) < 2:
        return np.ones(len(flanks))
    joint = combined(
        pair,
        pair.means(-1.0, 1.0),
        lambda unit: np.array([_level(unit, flank, mean=both[flank]) for flank in flanks]),
        together=False,
    )
    precision = 1.0 / (joint.u**2 + 1e-6)
    return np.asarray(precision / precision.sum())


def _shape_of(unit: UnitQuantities) -> Array:
    """The quantities of `SHAPE` in its order, ratios as logarithms."""
    sliding = 0.5 * unit.reference_speed_difference * unit.effective_radius
    law = unit.friction_law
    has = dict(zip(law.unknowns, unit.friction_values, strict=True))
    # what another law would bring stands still
    shape = [
        (np.log(has[own]) if own.logarithm else has[own]) if own in has else 0.0 for own in FRICTION_SHAPE
    ]
    return np.array(
        [
            np.log(max(unit.drive_ratio, SMALLEST)),
            np.log(max(unit.coast_ratio, SMALLEST)),
            *shape,
            unit.viscous,
            unit.temperature_coefficient,
            law.relative_slope(sliding, unit.friction_values),
        ]
    )


def _shape_changes(pair: Paired) -> tuple[dict[str, Change], dict[str, str]]:
    """Changes of ramps, friction shape and oil: held against the fit's doubt, as no rig states more."""
    joint = widest(pair, pair.means(-1.0, 1.0), _shape_of)
    first = valued(pair, pair.means(1.0, 0.0), _shape_of)
    known = {name: i for i, (name, row) in enumerate(SHAPE.items()) if all(map(pair.known, row[0]))}
    chances = {name: two_sided(_z(joint.value[i], joint.u[i])) for name, i in known.items()}
    alike = dict.fromkeys(chances, 1.0)
    counts, levels = weighted_holm(chances, alike), _holm_levels(chances, alike)
    changes: dict[str, Change] = {}
    for name, i in known.items():
        _, relative, unit, meaning = SHAPE[name]
        step = float(joint.value[i])
        start = float(np.exp(first[i])) if relative else float(first[i])
        end = start * float(np.exp(step)) if relative else start + step
        changes[name] = _change(
            joint,
            i,
            (start, end),
            unit,
            meaning,
            relative=relative,
            chance=chances[name],
            significant=counts[name],
            tails=(0.5 * levels[name],) * 2,
            judged=False,
        )
    missing = {
        name: f"{' and '.join(needed)} that both results determine"
        for name, (needed, *_) in SHAPE.items()
        if name not in known
    }
    return changes, missing


def _change(
    joint: Joint,
    i: int,
    states: tuple[float | None, float | None],
    unit: str,
    meaning: str,
    *,
    relative: bool,
    chance: float,
    significant: bool,
    tails: tuple[float, float],
    judged: bool,
) -> Change:
    """A change as it is, or of a logarithm as a ratio less one; ``tails`` are the levels of both ends of the
    interval of its test."""
    from scipy.special import ndtri

    step, u = float(joint.value[i]), float(joint.u[i])
    down, up = (-float(ndtri(tail)) for tail in tails)
    ends = [step - NORMAL_95 * u, step + NORMAL_95 * u, step - down * u, step + up * u]
    scale, budget = 1.0, joint.budget(i)
    if relative:
        scale = float(np.exp(step))
        step, ends = scale - 1.0, [float(np.exp(end)) - 1.0 for end in ends]
        budget = {source: scale * part for source, part in budget.items()}
    return Change(
        before=states[0],
        after=states[1],
        unit=unit,
        relative=relative,
        change=step,
        u=scale * u,
        low=ends[0],
        high=ends[1],
        tested_low=ends[2],
        tested_high=ends[3],
        chance=chance,
        significant=significant,
        against="repeatability" if judged else "fit",
        meaning=meaning,
        budget=budget,
        carried=None if states[0] is None or states[1] is not None else states[0] * scale,
    )


def _z(step: float, u: float) -> float:
    """Change in standard uncertainties; nothing is a change of nothing."""
    if abs(step) < SMALLEST:
        return 0.0
    return step / u if u > SMALLEST else float(np.copysign(np.inf, step))


def _own_mean(members: Sequence[Member], name: str) -> float | None:
    """A positive quantity as the results themselves have it, the geometric mean over them; None where one
    does not state or measure it."""
    values = [item.value for m in members if (item := m.determined(name)) is not None and item.value]
    return float(np.exp(np.mean(np.log(values)))) if len(values) == len(members) else None


class Condition(Frozen):
    """Locking torque at one condition, before and after [N·m], while the input torque rises."""

    input_torque_Nm: float
    speed_difference_rad_s: float
    temperature_degC: float
    before_Nm: float
    after_Nm: float
    change_Nm: float
    low_Nm: float
    high_Nm: float
    tested: bool


class DifferenceBranch(Frozen):
    """After less before, nested lists [torque][speed][temperature]."""

    change_Nm: list[list[list[float]]]
    low_Nm: list[list[list[float]]]
    high_Nm: list[list[list[float]]]
    tested: list[list[list[bool]]]


class DifferenceMap(Frozen):
    """Difference of locking torque over what both visits tested."""

    input_torque_Nm: list[float]
    speed_difference_rad_s: list[float]
    temperature_degC: list[float]
    branches: dict[str, DifferenceBranch]


BRANCHES = ("loading", "unloading", "mean")
# Corner entry: from coasting freely to the full engine braking that was tested, at a low speed difference.
ENGINE_BRAKING = (0.0, 0.25, 0.5, 1.0)
BRAKING = "loading"
SPEEDS_TRIED = 60
TORQUE_NODES, SPEED_NODES = 21, 11


def conditions_at_corner_entry(pair: Paired) -> list[Condition]:
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
    joint = widest(pair, pair.means(-1.0, 1.0), quantities)
    first = valued(pair, pair.means(1.0, 0.0), quantities)
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


def difference_map(pair: Paired) -> DifferenceMap | None:
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
            joint = widest(pair, pair.means(-1.0, 1.0), partial(_locking, across, upward, warm, branch))
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


def _common(pair: Paired) -> tuple[Array | None, Array | None]:
    """Lowest and highest input torque, speed difference and temperature that all visits tested."""
    regions = [m.characterisation.tested for m in pair.members]
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
    for member in pair.members:
        inside &= member.characterisation.tested.covers(torque, speed, heat, branch)
    return inside


def difference_csv(difference: DifferenceMap) -> str:
    """The map of the difference as comma-separated text, one node a line, numbers in full.

    Columns: the three axes, then for each branch ``BRANCH_change_Nm``, ``BRANCH_low_Nm``, ``BRANCH_high_Nm``
    and ``BRANCH_tested``.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    columns = ("change_Nm", "low_Nm", "high_Nm", "tested")
    writer.writerow(
        [
            "input_torque_Nm",
            "speed_difference_rad_s",
            "temperature_degC",
            *(f"{branch}_{column}" for branch in difference.branches for column in columns),
        ]
    )
    for i, torque in enumerate(difference.input_torque_Nm):
        for j, speed in enumerate(difference.speed_difference_rad_s):
            for k, heat in enumerate(difference.temperature_degC):
                row: list[object] = [torque, speed, heat]
                for table in difference.branches.values():
                    row += [table.change_Nm[i][j][k], table.low_Nm[i][j][k], table.high_Nm[i][j][k]]
                    row.append("true" if table.tested[i][j][k] else "false")
                writer.writerow(row)
    return buffer.getvalue()
