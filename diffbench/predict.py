"""From a characterisation to a map: steady locking torque at every node, with limits from the fit's joint
distribution."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from diffbench.characterisation import BuildFacts, Characterisation, FormState, Tested
from diffbench.errors import FitError
from diffbench.locking_map import (
    AXES,
    BRANCHES,
    FORMAT,
    LockingMap,
    MapAxes,
    MapBranch,
    MapDocument,
    MapInterpolation,
)
from diffbench.map_grid import ALLOWED, AxisPlan, choose_grid, interpolation_error
from diffbench.physics.steady import UnitQuantities, steady_locking_torque

Array = NDArray[np.float64]

# How far outside the outline still counts as tested: speeds and torques as set wobble by that much, and an
# oil that swept 50 to 75 °C reads a little less at both ends.
TORQUE_TOLERANCE = 0.012
SPEED_TOLERANCE = 0.03
TEMPERATURE_TOLERANCE = 1.0  # K
NORMAL_95 = 1.959964


def make_map(
    characterisation: Characterisation,
    *,
    axes: Mapping[str, tuple[float, float] | None] | None = None,
    build: str | None = None,
) -> LockingMap:
    """The map of one build.

    ``axes`` asks for limits by name (``input_torque_Nm``, ``speed_difference_rad_s``, ``temperature_degC``);
    the map covers the tested region and reaches what the build sheet or the caller asks for. Limits are 95 %
    of the joint distribution of the fit: noise, bench errors, repeatability, and the spread of the forms.
    Raises ``FitError`` for an unknown build.
    """
    characterisation = of_one(characterisation, build)
    facts, label = facts_of(characterisation, build)
    asked = {**characterisation.map_axes, **{k: v for k, v in (axes or {}).items() if v is not None}}
    tested = characterisation.tested

    def law(branches: Iterable[str], torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array]]:
        radius = facts.effective_radius_m
        found = (_mixture(characterisation, torque, speed, heat, b, radius, label) for b in branches)
        return [(value, NORMAL_95 * u) for value, u in found]

    def values(branches: Iterable[str], torque: Array, speed: Array, heat: Array) -> list[Array]:
        form = characterisation.forms[0]
        unit = unit_of(
            form,
            np.array(form.values),
            radius=facts.effective_radius_m,
            label=label,
            reference=characterisation.reference,
        )
        return [steady_locking_torque(unit, torque, speed, heat, b) for b in branches]

    one, two, three = (_plan(name, characterisation, asked.get(name)) for name in AXES)
    grid = choose_grid(
        (one, two, three),
        # the mean of two errors is not larger than both: it need not be looked at before the end
        lambda *place: law(("loading", "unloading"), *place),
        lambda *place: values(("loading", "unloading"), *place),
        lambda *place: [is_inside(tested, place[0], place[1], place[2], b) for b in ("loading", "unloading")],
    )
    value_error, limit_error = interpolation_error(
        grid.axes, lambda *place: law(BRANCHES, *place), lambda *place: values(BRANCHES, *place)
    )
    interpolation = MapInterpolation(
        allowed=ALLOWED, locking_torque=value_error, limits=limit_error, tested_not_shown=grid.lost
    )
    return map_on(characterisation, grid.axes, build=build, interpolation=interpolation)


def map_on(
    characterisation: Characterisation,
    axes: tuple[Array, Array, Array],
    *,
    build: str | None = None,
    interpolation: MapInterpolation | None = None,
) -> LockingMap:
    """The map of one build on nodes that are given: rising axes of input torque [N·m], speed difference
    [rad/s] and temperature [°C].

    ``interpolation`` is written down as it is. Raises ``FitError`` for an unknown build.
    """
    characterisation = of_one(characterisation, build)
    facts, label = facts_of(characterisation, build)
    torque, speed, heat = np.meshgrid(*axes, indexing="ij")
    made: dict[str, MapBranch] = {}
    for branch in BRANCHES:
        value, u = _mixture(characterisation, torque, speed, heat, branch, facts.effective_radius_m, label)
        inside = is_inside(characterisation.tested, torque, speed, heat, branch)
        made[branch] = MapBranch(
            locking_torque_Nm=value.tolist(),
            low_Nm=np.maximum(value - NORMAL_95 * u, 0.0).tolist(),
            high_Nm=(value + NORMAL_95 * u).tolist(),
            tested=inside.tolist(),
        )
    return LockingMap(
        MapDocument(
            format=FORMAT,
            unit=characterisation.unit,
            build=facts.build,
            law=characterisation.law.chosen,
            confidence=0.95,
            axes=MapAxes(**{name: tuple(axis.tolist()) for name, axis in zip(AXES, axes, strict=True)}),
            branches={branch: made[branch] for branch in BRANCHES},
            notes=_notes(characterisation),
            provenance=characterisation.provenance.model_dump(mode="json"),
            interpolation=interpolation,
        )
    )


def of_one(characterisation: Characterisation, build: str | None) -> Characterisation:
    """What a joint fit says of one build, the first if none is named; a fit of one build as it is."""
    if len(characterisation.builds) == 1:
        return characterisation
    from diffbench.fitting.one_build import one_build

    return one_build(characterisation, build or characterisation.builds[0].build)


def facts_of(characterisation: Characterisation, build: str | None) -> tuple[BuildFacts, str]:
    """One build, and what its quantities have behind their names."""
    builds = [facts.build for facts in characterisation.builds]
    if build is not None and build not in builds:
        raise FitError.single(f"there is no build '{build}'", mend=f"name one of {', '.join(builds)}")
    facts = characterisation.builds[builds.index(build) if build else 0]
    return facts, "" if len(builds) == 1 else f"[{facts.build}]"


def unit_of(
    form: FormState, x: Array, *, radius: float, label: str, reference: Mapping[str, float]
) -> UnitQuantities:
    """The unit of one build by one form, for unknowns ``x`` (as ``form.values``)."""

    def get(name: str) -> float:
        i = form.names.index(name)
        return float(np.exp(x[i])) if form.logarithms[i] else float(x[i])

    def of_build(stem: str) -> float:
        for name in (f"{stem}{label}", stem):
            if name in form.names:
                return get(name)
        # several builds share this one: in older files it bears the name of the first that has it
        shared = [name for name in form.names if name.startswith(f"{stem}[")]
        if len(shared) > 1:
            raise FitError.single(
                f"the file does not say which {stem} the build has",
                mend="it was written by an older version: make it again with diffbench fit",
            )
        return get(shared[0])

    return UnitQuantities(
        greater_of=form.law == "greater-of",
        joint_fraction=get("joint_fraction") if form.law == "greater-of" else 0.0,
        preload_torque=of_build("preload_torque"),
        drive_bias=of_build("ramp_bias_drive_loading"),
        coast_bias=of_build("ramp_bias_coast_loading"),
        drive_ratio=of_build("unloading_ratio_drive"),
        coast_ratio=of_build("unloading_ratio_coast"),
        gear_friction=get("gear_friction"),
        viscous=get("viscous"),
        viscous_exponent=get("viscous_exponent"),
        static_excess=get("static_excess"),
        stribeck_speed=get("stribeck_speed"),
        stribeck_exponent=form.stribeck_exponent,
        temperature_coefficient=get("temperature_coefficient"),
        effective_radius=radius,
        reference_temperature=reference["temperature_degC"],
        reference_speed_difference=reference["speed_difference_rad_s"],
    )


def _mixture(
    characterisation: Characterisation,
    torque: Array,
    speed: Array,
    heat: Array,
    branch: str,
    radius: float,
    label: str,
) -> tuple[Array, Array]:
    """Value of the best form and standard uncertainty over all forms."""
    best: Array | None = None
    variance = np.zeros(torque.shape)
    for form in characterisation.forms:
        x = np.array(form.values)
        covariance = np.array(form.covariance)

        def unit_at(x: Array, form: FormState = form) -> UnitQuantities:
            return unit_of(form, x, radius=radius, label=label, reference=characterisation.reference)

        unit = unit_at(x)
        value = steady_locking_torque(unit, torque, speed, heat, branch)
        best = value if best is None else best
        deviation = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        gradient = np.zeros((*torque.shape, x.size))
        for i in np.flatnonzero(deviation).tolist():
            ahead, behind = x.copy(), x.copy()
            ahead[i] += deviation[i]
            behind[i] -= deviation[i]
            sides = unit_at(ahead), unit_at(behind)
            if sides == (unit, unit):
                continue  # of the bench, or of another build
            more, less = (steady_locking_torque(side, torque, speed, heat, branch) for side in sides)
            more, less = more - value, value - less
            # the larger of both sides: at a corner of the greater-of law one of them is flat
            gradient[..., i] = np.where(np.abs(more) >= np.abs(less), more, less) / deviation[i]
        own = np.sum((gradient @ covariance) * gradient, axis=-1)
        variance += form.weight * (np.maximum(own, 0.0) + (value - best) ** 2)
    assert best is not None
    return best, np.sqrt(variance)


def _plan(name: str, characterisation: Characterisation, asked: tuple[float, float] | None) -> AxisPlan:
    """Round places for the nodes of an axis, over the tested region and what was asked for."""
    tested = characterisation.tested
    outline = np.array(tested.outline) if tested.outline else np.zeros((1, 2))
    # the ends stand a little outside what was read, by less than counts as tested: a sweep set to 300 N·m
    # reads 299.8
    if name == "input_torque_Nm":
        low, high = float(outline[:, 0].min()), float(outline[:, 0].max())
        slack = 0.4 * TORQUE_TOLERANCE * (high - low)
        low, high = min(np.floor(low - slack), 0.0), max(np.ceil(high + slack), 0.0)
    elif name == "speed_difference_rad_s":
        low, high = float(outline[:, 1].min()), float(outline[:, 1].max())
        if high > low:
            low, high = low * (1.0 - 0.7 * SPEED_TOLERANCE), high * (1.0 + 0.7 * SPEED_TOLERANCE)
    else:
        low, high = tested.temperature_degC
        low, high = np.floor(2.0 * low) / 2.0 - 0.5, np.ceil(2.0 * high) / 2.0 + 0.5
    ends = {float(low), float(high)}
    if name == "input_torque_Nm":
        # where the unloading branch stops to count as tested, and where the law has a corner: between nodes
        # the map is straight, as the law is
        drive, coast = tested.drive_unloading_Nm, -tested.coast_unloading_Nm
        marks = {
            float(np.floor(drive + slack)),
            float(np.ceil(coast - slack)),
            *law_corners(characterisation),
        }
        ends |= {0.0} | {place for place in marks if low < place < high}
    elif name == "speed_difference_rad_s":
        ends |= {speed for speed in _corner_speeds(outline) if low < speed < high}
    if name in characterisation.reference and low <= characterisation.reference[name] <= high:
        # where the numbers of the result are quoted, the map is the law itself
        ends |= {characterisation.reference[name]}
    if asked is not None:
        ends |= {min(float(low), asked[0]), max(float(high), asked[1])}
    low, high = min(ends), max(ends)
    if name == "speed_difference_rad_s":
        # in steps that widen with speed: friction changes most where sliding is slow
        decades = np.outer(10.0 ** np.arange(-4, 4), np.arange(1.0, 10.0, 0.05)).ravel()
        places = decades[decades > 1e-4 * high]
    else:
        step = _round_step((high - low) / 400.0) if high > low else 1.0
        places = np.arange(np.ceil(low / step), np.floor(high / step) + 1.0) * step
    inner = places[(places > low) & (places < high)].tolist()
    return AxisPlan(np.array([round(x, 9) for x in inner]), np.array(sorted(round(x, 9) for x in ends)))


def _corner_speeds(outline: Array) -> set[float]:
    """Speed differences at which the tested region reaches its lowest and its highest input torque, a little
    outside, by less than counts as tested."""
    torque, speed = outline[:, 0], outline[:, 1]
    slack = 0.4 * TORQUE_TOLERANCE * float(np.ptp(torque))
    found: set[float] = set()
    for at_end in (torque <= torque.min() + slack, torque >= torque.max() - slack):
        found |= {
            float(speed[at_end].min()) * (1.0 - 0.7 * SPEED_TOLERANCE),
            float(speed[at_end].max()) * (1.0 + 0.7 * SPEED_TOLERANCE),
        }
    return found


def law_corners(characterisation: Characterisation) -> set[float]:
    """Input torques at which the greater-of law of any build opens its contact, loading and unloading
    [N·m]."""
    found: set[float] = set()
    form = characterisation.forms[0]
    if form.law != "greater-of":
        return found
    builds = [facts.build for facts in characterisation.builds]
    for name in builds:
        label = "" if len(builds) == 1 else f"[{name}]"
        unit = unit_of(
            form, np.array(form.values), radius=1.0, label=label, reference=characterisation.reference
        )
        opening = unit.preload_torque / (1.0 - min(max(unit.joint_fraction, 0.0), 0.999))
        for sign, bias, ratio in (
            (1.0, unit.drive_bias, unit.drive_ratio),
            (-1.0, unit.coast_bias, unit.coast_ratio),
        ):
            found |= {sign * opening / (bias * r) for r in (1.0, ratio) if bias > 1e-6}
    return found


def _round_step(step: float) -> float:
    power = 10.0 ** np.floor(np.log10(step))
    return float(
        power * min((a for a in (1.0, 2.0, 2.5, 5.0, 10.0) if a * power >= step * 0.999), default=10.0)
    )


def is_inside(tested: Tested, torque: Array, speed: Array, heat: Array, branch: str) -> NDArray[np.bool_]:
    """Whether nodes lie in the tested region of a branch."""
    if len(tested.outline) < 1:
        return np.zeros(torque.shape, dtype=bool)
    outline = np.array(tested.outline)
    span = max(float(np.ptp(outline[:, 0])), 1.0)
    allowed = np.stack(
        [np.full(torque.shape, TORQUE_TOLERANCE * span), np.maximum(SPEED_TOLERANCE * np.abs(speed), 0.02)]
    )
    inside = _in_outline(outline, torque, np.abs(speed), allowed)
    low, high = tested.temperature_degC
    inside &= (heat >= low - TEMPERATURE_TOLERANCE) & (heat <= high + TEMPERATURE_TOLERANCE)
    if branch == "loading":
        return inside
    slack = TORQUE_TOLERANCE * span
    return (
        inside
        & (torque <= tested.drive_unloading_Nm + slack)
        & (torque >= -tested.coast_unloading_Nm - slack)
    )


def _in_outline(outline: Array, torque: Array, speed: Array, allowed: Array) -> NDArray[np.bool_]:
    """Whether points lie in a convex outline, or within ``allowed`` (torque, speed) of it: each is moved by
    its own allowance towards the outline's middle first."""
    middle = outline.mean(axis=0)
    t = torque + np.clip(middle[0] - torque, -allowed[0], allowed[0])
    s = speed + np.clip(middle[1] - speed, -allowed[1], allowed[1])
    inside = np.ones(torque.shape, dtype=bool)
    if len(outline) < 3:
        lows, highs = outline.min(axis=0), outline.max(axis=0)
        return np.asarray(
            (torque >= lows[0] - allowed[0])
            & (torque <= highs[0] + allowed[0])
            & (speed >= lows[1] - allowed[1])
            & (speed <= highs[1] + allowed[1])
        )
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        inside &= (b[0] - a[0]) * (s - a[1]) - (b[1] - a[1]) * (t - a[0]) >= -1e-9
    return inside


def _notes(characterisation: Characterisation) -> list[str]:
    notes = [
        "steady state; plates and oil at the same temperature; the speed difference is its magnitude",
        "the unloading branch is where the ramps stand after coming down from a much higher input torque",
        "a node that is not tested is an extrapolation by the fitted law",
    ]
    for flank, seen in (
        ("drive", characterisation.tested.drive_ramp_seen),
        ("coast", characterisation.tested.coast_ramp_seen),
    ):
        if not seen:
            notes.append(
                f"the {flank} ramps were not seen at work: beyond the tested torque the map is a guess "
                "of that flank"
            )
    return notes
