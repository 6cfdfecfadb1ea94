"""From a characterisation to a map: steady locking torque at every node, with limits from the fit's joint
distribution.

The map is the law at its nodes, so that anybody can read it without this program. A node is tested inside the
convex outline of what slipped, over torque and speed, within the temperatures of oil and plates; the
unloading branch only below the peak torque over the unloading ratio; nothing on a greater-of flank whose
ramps never overcame the preload.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from diffbench.beyond_axes import KELVIN, LEAST_SHARE, beyond_of
from diffbench.characterisation import BuildFacts, Characterisation, FormState, Tested
from diffbench.errors import FitError
from diffbench.locking_map import (
    AXES,
    BRANCHES,
    FORMAT,
    Branch,
    LockingMap,
    MapAxes,
    MapBranch,
    MapDocument,
    MapInterpolation,
    either_of,
)
from diffbench.map_grid import ALLOWED, AxisPlan, Limited, choose_grid, interpolation_error
from diffbench.physics.steady import UnitQuantities, steady_locking_torque

Array = NDArray[np.float64]

# How far outside the outline still counts as tested: speeds and torques as set wobble by that much, and an
# oil that swept 50 to 75 °C reads a little less at both ends.
TORQUE_TOLERANCE = 0.012
SPEED_TOLERANCE = 0.03
TEMPERATURE_TOLERANCE = 1.0  # K
NORMAL_95 = 1.959964
# How far a map reaches of itself. A bench pulls a fraction of what first gear and an engine put through the
# case, or of what the wheels do to it under braking: five times the largest torque tested, on both flanks.
# Outputs start from stand-still, and an unloaded wheel may spin up: twice the fastest. Oil starts cold and
# ends hot: 20 K either way. What is further goes on as `diffbench.beyond_axes` says.
TORQUE_REACH = 5.0
SPEED_REACH = 2.0
TEMPERATURE_REACH = 20.0  # K
# Thrust over what opens the preload contact, up to which a greater-of flank counts as closed; and the least
# weight of a form whose closed flanks still count.
OPENED = 1.05
LEAST_WEIGHT = 0.05
SIDES = ("loading", "unloading")


def make_map(
    characterisation: Characterisation,
    *,
    axes: Mapping[str, tuple[float, float] | None] | None = None,
    build: str | None = None,
) -> LockingMap:
    """The map of one build.

    ``axes`` asks for limits by name (``input_torque_Nm``, ``speed_difference_rad_s``, ``temperature_degC``);
    the map covers the tested region and reaches what the build sheet or the caller asks for, else
    `TORQUE_REACH` times the tested torque both ways, from stand-still to `SPEED_REACH` times the tested speed
    difference, and `TEMPERATURE_REACH` beyond the tested temperatures. Limits are 95 % of the joint
    distribution of the fit (noise, bench errors, repeatability, and the spread of the forms), and wider by
    the distance from what was tested.
    Raises ``FitError`` for an unknown build.
    """
    characterisation = of_one(characterisation, build)
    facts, label = facts_of(characterisation, build)
    asked = {**characterisation.map_axes, **{k: v for k, v in (axes or {}).items() if v is not None}}
    tested = characterisation.tested

    def law(branches: Iterable[str], torque: Array, speed: Array, heat: Array) -> list[Limited]:
        radius = facts.effective_radius_m
        return [_limited(characterisation, torque, speed, heat, b, radius, label) for b in branches]

    def values(
        branches: Iterable[str], torque: Array, speed: Array, heat: Array
    ) -> list[tuple[Array, Array]]:
        unit = best_unit(characterisation, radius=facts.effective_radius_m, label=label)
        closed = _closed_flanks(characterisation, characterisation.forms[0], unit)
        found = []
        for b in branches:
            value = steady_locking_torque(unit, torque, speed, heat, b)
            parted = _parted(unit, tested, value, (torque, speed, heat), b)
            low, high = _bracket(unit, closed, (torque, speed, heat), b, value)
            found.append((value, parted + (high - low)))
        return found

    one, two, three = (_plan(name, characterisation, asked.get(name)) for name in AXES)
    grid = choose_grid(
        (one, two, three),
        # the mean of two errors is not larger than both: it need not be looked at before the end
        lambda *place: law(SIDES, *place),
        lambda *place: values(SIDES, *place),
        lambda *place: [is_inside(tested, place[0], place[1], place[2], b) for b in SIDES],
        (_torque_tested(tested, "loading"), _speed_tested(tested), _temperature_tested(tested)),
    )
    value_error, limit_error = interpolation_error(
        grid.axes, lambda *place: law(SIDES, *place), lambda *place: values(SIDES, *place)
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
    held: dict[str, dict[Branch, NDArray[Any]]] = {name: {} for name in ("values", "low", "high", "tested")}
    for branch in (*SIDES, "mean"):
        limited = _limited(characterisation, torque, speed, heat, branch, facts.effective_radius_m, label)
        inside = is_inside(characterisation.tested, torque, speed, heat, branch)
        for name, table in zip(held, (*limited, inside), strict=True):
            held[name][cast(Branch, branch)] = table
    for name, table in either_of(held).items():
        held[name]["either"] = table
    tables = [held[name] for name in ("values", "low", "high")]
    return LockingMap(
        MapDocument(
            format=FORMAT,
            unit=characterisation.unit,
            build=facts.build,
            law=characterisation.law.chosen,
            confidence=0.95,
            axes=MapAxes(**{name: tuple(axis.tolist()) for name, axis in zip(AXES, axes, strict=True)}),
            branches={
                branch: MapBranch(
                    locking_torque_Nm=held["values"][branch].tolist(),
                    low_Nm=held["low"][branch].tolist(),
                    high_Nm=held["high"][branch].tolist(),
                    tested=held["tested"][branch].tolist(),
                )
                for branch in BRANCHES
            },
            notes=_notes(characterisation),
            provenance=characterisation.provenance.model_dump(mode="json"),
            interpolation=interpolation,
            # the limits of a flank that was not seen at work hold its corner already
            beyond=beyond_of(axes, tables[0], tables[1], tables[2], corner_unseen=False),
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


@dataclass(frozen=True)
class _Closed:
    """A flank of a greater-of unit whose contact never opened: sign of its input torque, and the largest
    torque [N·m] at which each branch was seen closed."""

    sign: float
    loading: float
    unloading: float

    def on(self, torque: Array) -> NDArray[np.bool_]:
        """Where a torque loads this flank."""
        return self.sign * torque > 0.0

    def ramps_of(self, unit: UnitQuantities) -> tuple[float, float]:
        """Bias and unloading ratio of this flank."""
        return (unit.drive_bias, unit.drive_ratio) if self.sign > 0.0 else (unit.coast_bias, unit.coast_ratio)

    def with_ramps(self, unit: UnitQuantities, bias: float, ratio: float) -> UnitQuantities:
        """The unit with these on this flank."""
        if self.sign > 0.0:
            return replace(unit, drive_bias=bias, drive_ratio=ratio)
        return replace(unit, coast_bias=bias, coast_ratio=ratio)


def _closed_flanks(
    characterisation: Characterisation, form: FormState, unit: UnitQuantities
) -> list[_Closed]:
    """The flanks that a form never saw at work; none without a greater-of law or without a test.

    The bench has measured what the unit locks up to its largest torque there, and nothing of the ramp but
    that it did not open the contact.
    """
    tested = characterisation.tested
    if form.law != "greater-of" or not tested.outline:
        return []
    torque = np.array(tested.outline)[:, 0]
    found = []
    for sign, bias, at_work, unloading in (
        (1.0, unit.drive_bias, tested.drive_ramp_seen, tested.drive_unloading_Nm),
        (-1.0, unit.coast_bias, tested.coast_ramp_seen, tested.coast_unloading_Nm),
    ):
        peak = max(float((sign * torque).max()), 0.0)
        # what the document says is of the best form; a rival is asked itself
        best = form is characterisation.forms[0]
        if not (at_work if best else bias * peak > OPENED * opening_thrust(unit)):
            found.append(_Closed(sign, peak, min(unloading, peak)))
    return found


def opening_thrust(unit: UnitQuantities) -> float:
    """Thrust, as locking torque, at which the contact of a greater-of unit opens [N·m]."""
    return unit.preload_torque / (1.0 - min(max(unit.joint_fraction, 0.0), 0.999))


def best_unit(characterisation: Characterisation, *, radius: float, label: str) -> UnitQuantities:
    """The unit of one build by the best form; ramps that were not seen at work open no contact within what
    was tested."""
    form = characterisation.forms[0]
    unit = unit_of(
        form, np.array(form.values), radius=radius, label=label, reference=characterisation.reference
    )
    return _with_ramps(unit, _closed_flanks(characterisation, form, unit))


def _with_ramps(unit: UnitQuantities, closed: list[_Closed]) -> UnitQuantities:
    """The unit with ramps on its closed flanks that open no contact within what was seen."""
    opening = opening_thrust(unit)
    for flank in closed:
        bias, ratio = flank.ramps_of(unit)
        if flank.loading > 0.0:
            bias = min(bias, opening / flank.loading)
        if flank.unloading > 0.0 and bias > 0.0:
            ratio = min(ratio, opening / (bias * flank.unloading))
        unit = flank.with_ramps(unit, bias, ratio)
    return unit


def _opened_at_once(unit: UnitQuantities, flank: _Closed, branch: str) -> UnitQuantities:
    """The unit, for one closed flank and branch, whose contact opens right behind what was seen, where it was
    seen to lock P + Phi K |T_in|; a flank that was not loaded at all may lock by its whole input torque,
    hardly more."""
    bias, ratio = flank.ramps_of(unit)
    if branch == "unloading":
        bias *= ratio
    seen = flank.loading if branch == "loading" else flank.unloading
    let_through = min(max(unit.joint_fraction, 0.0), 0.999) * bias
    most = let_through + (min(unit.preload_torque / seen, 1.0) if seen > 0.0 else 1.0)
    opened = replace(unit, joint_fraction=let_through / most)
    return flank.with_ramps(opened, most, 1.0)


def _while_closed(unit: UnitQuantities) -> UnitQuantities:
    """A greater-of unit whose contact stays closed whatever the torque: P + Phi K |T_in|."""
    fraction = min(max(unit.joint_fraction, 0.0), 0.999)
    return replace(
        unit,
        greater_of=False,
        drive_bias=fraction * unit.drive_bias,
        coast_bias=fraction * unit.coast_bias,
    )


def _limited(
    characterisation: Characterisation,
    torque: Array,
    speed: Array,
    heat: Array,
    branch: str,
    radius: float,
    label: str,
) -> Limited:
    """Value of the best form, and limits: 95 % over all forms, parting by the distance from what was tested,
    and on a flank that was never seen at work wide enough for any ramp."""
    tested = characterisation.tested
    best: Array | None = None
    variance = np.zeros(torque.shape)
    brackets: list[Array] = []
    parted = np.zeros(torque.shape)
    for form in characterisation.forms:
        x = np.array(form.values)

        def unit_at(x: Array, form: FormState = form) -> UnitQuantities:
            return unit_of(form, x, radius=radius, label=label, reference=characterisation.reference)

        closed = _closed_flanks(characterisation, form, unit_at(x))
        unit = _with_ramps(unit_at(x), closed)
        value = np.asarray(steady_locking_torque(unit, torque, speed, heat, branch), dtype=np.float64)
        if best is None:
            best = value
            parted = _parted(unit, tested, value, (torque, speed, heat), branch)
        own = _own_variance(form, unit_at, closed, (torque, speed, heat), branch)
        variance += form.weight * (own + (value - best) ** 2)
        if closed and form.weight >= LEAST_WEIGHT:
            brackets += _bracket(unit_at(x), closed, (torque, speed, heat), branch, value)
    assert best is not None
    half = NORMAL_95 * np.sqrt(variance) + parted
    low, high = np.min([best, *brackets], axis=0), np.max([best, *brackets], axis=0)
    return best, np.maximum(low - half, 0.0), high + half


def _own_variance(
    form: FormState,
    unit_at: Callable[[Array], UnitQuantities],
    closed: list[_Closed],
    place: tuple[Array, Array, Array],
    branch: str,
) -> Array:
    """Variance of the locking torque by a form's own covariance; on a closed flank that of the closed law, in
    which its preload and what its joint lets through count as they were measured, and its ramp does not."""
    torque, speed, heat = place
    on_closed = np.zeros(torque.shape, dtype=bool)
    for flank in closed:
        on_closed |= flank.on(torque)

    def locking(unit: UnitQuantities) -> Array:
        found = np.asarray(steady_locking_torque(unit, torque, speed, heat, branch), dtype=np.float64)
        if on_closed.any():
            inside = (torque[on_closed], speed[on_closed], heat[on_closed])
            found[on_closed] = steady_locking_torque(_while_closed(unit), *inside, branch)
        return found

    x, covariance = np.array(form.values), np.array(form.covariance)
    unit = unit_at(x)
    value = locking(unit)
    deviation = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    gradient = np.zeros((*torque.shape, x.size))
    for i in np.flatnonzero(deviation).tolist():
        ahead, behind = x.copy(), x.copy()
        ahead[i] += deviation[i]
        behind[i] -= deviation[i]
        sides = unit_at(ahead), unit_at(behind)
        if sides == (unit, unit):
            continue  # of the bench, or of another build
        more, less = (locking(side) for side in sides)
        more, less = more - value, value - less
        # the larger of both sides: at a corner of the greater-of law one of them is flat
        gradient[..., i] = np.where(np.abs(more) >= np.abs(less), more, less) / deviation[i]
    own: Array = np.maximum(np.sum((gradient @ covariance) * gradient, axis=-1), 0.0)
    return own


def _bracket(
    unit: UnitQuantities,
    closed: list[_Closed],
    place: tuple[Array, Array, Array],
    branch: str,
    value: Array,
) -> list[Array]:
    """Least and most that the ramps of closed flanks leave possible; elsewhere the value."""
    low, high = value.copy(), value.copy()
    sides = SIDES if branch == "mean" else (branch,)
    for flank in closed:
        here = flank.on(place[0])
        on = (place[0][here], place[1][here], place[2][here])
        if here.any():
            low[here] = steady_locking_torque(_while_closed(unit), *on, branch)
            most = [steady_locking_torque(_opened_at_once(unit, flank, side), *on, side) for side in sides]
            high[here] = np.mean(most, axis=0)
    return [low, high]


def _torque_tested(tested: Tested, branch: str) -> tuple[float, float]:
    """Between which input torques a branch was tested, to the nodes at which the map shows it [N·m]."""
    outline = np.array(tested.outline) if tested.outline else np.zeros((1, 2))
    low, high = float(outline[:, 0].min()), float(outline[:, 0].max())
    # the ends stand a little outside what was read, by less than counts as tested: a sweep set to 300 N·m
    # reads 299.8
    slack = 0.4 * TORQUE_TOLERANCE * (high - low)
    low, high = min(np.floor(low - slack), 0.0), max(np.ceil(high + slack), 0.0)
    if branch == "loading":
        return low, high
    # where the unloading branch stops to count as tested
    drive, coast = np.floor(tested.drive_unloading_Nm + slack), np.ceil(-tested.coast_unloading_Nm - slack)
    return min(max(float(coast), low), 0.0), max(min(float(drive), high), 0.0)


def _speed_tested(tested: Tested) -> tuple[float, float]:
    """Between which speed differences the unit was tested, a little outside [rad/s]."""
    speeds = [speed for _, speed in tested.outline] or [0.0]
    low, high = min(speeds), max(speeds)
    if high > low:
        low, high = low * (1.0 - 0.7 * SPEED_TOLERANCE), high * (1.0 + 0.7 * SPEED_TOLERANCE)
    return low, high


def _temperature_tested(tested: Tested) -> tuple[float, float]:
    """Between which temperatures the unit was tested, a little outside, at round numbers [°C]."""
    low, high = tested.temperature_degC
    return float(np.floor(2.0 * low) / 2.0 - 0.5), float(np.ceil(2.0 * high) / 2.0 + 0.5)


def _parted(
    unit: UnitQuantities,
    tested: Tested,
    value: Array,
    place: tuple[Array, Array, Array],
    branch: str,
) -> Array:
    """What limits part by at least because nothing was tested there [N·m]: `LEAST_SHARE` of what the value
    changes by from the tested torques on, and of the value for every distance from the tested speed
    differences (over the nearest of them) and temperatures (over `KELVIN`)."""
    if not tested.outline:
        return np.zeros(value.shape)
    torque, speed, heat = place
    edge = np.clip(torque, *_torque_tested(tested, branch))
    moved = np.zeros(value.shape)
    outside = edge != torque
    if outside.any():
        there = steady_locking_torque(unit, edge[outside], speed[outside], heat[outside], branch)
        moved[outside] = np.abs(value[outside] - there)
    slow, fast = _speed_tested(tested)
    cold, hot = _temperature_tested(tested)
    shares = (np.maximum(cold - heat, 0.0) + np.maximum(heat - hot, 0.0)) / KELVIN
    shares += np.maximum(slow - speed, 0.0) / (slow or 1.0) + np.maximum(speed - fast, 0.0) / (fast or 1.0)
    return LEAST_SHARE * (moved + value * shares)


def _plan(name: str, characterisation: Characterisation, asked: tuple[float, float] | None) -> AxisPlan:
    """Round places for the nodes of an axis, over the tested region and what was asked for, or as far as
    maps reach of themselves."""
    tested = characterisation.tested
    outline = np.array(tested.outline) if tested.outline else np.zeros((1, 2))
    if name == "input_torque_Nm":
        low, high = _torque_tested(tested, "loading")
        reach = _rounded_up(TORQUE_REACH * max(-low, high))
        far = (-reach, reach)
        # where the unloading branch stops to count as tested, and where the law has a corner: between nodes
        # the map is straight, as the law is
        marks = {0.0, *_torque_tested(tested, "unloading"), *law_corners(characterisation)}
    elif name == "speed_difference_rad_s":
        low, high = _speed_tested(tested)
        far, marks = (0.0, _rounded_up(SPEED_REACH * high)), _corner_speeds(outline)
    else:
        low, high = _temperature_tested(tested)
        far, marks = (low - TEMPERATURE_REACH, high + TEMPERATURE_REACH), set()
    if not tested.outline:
        far = (low, high)
    if asked is not None:
        far = asked
    ends = {low, high, min(low, far[0]), max(high, far[1])}
    ends |= {place for place in marks if min(ends) < place < max(ends)}
    if name in characterisation.reference and low <= characterisation.reference[name] <= high:
        # where the numbers of the result are quoted, the map is the law itself
        ends |= {characterisation.reference[name]}
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
        unit = best_unit(characterisation, radius=1.0, label=label)
        for sign, bias, ratio in (
            (1.0, unit.drive_bias, unit.drive_ratio),
            (-1.0, unit.coast_bias, unit.coast_ratio),
        ):
            found |= {sign * opening_thrust(unit) / (bias * r) for r in (1.0, ratio) if bias * r > 1e-6}
    return found


def _rounded_up(reach: float) -> float:
    """To two digits."""
    if reach <= 0.0:
        return 0.0
    power = 10.0 ** (np.floor(np.log10(reach)) - 1.0)
    return float(np.ceil(reach / power * (1.0 - 1e-12)) * power)


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
        "a node that is not tested is an extrapolation by the fitted law, its limits wider by the distance",
    ]
    for flank, seen in (
        ("drive", characterisation.tested.drive_ramp_seen),
        ("coast", characterisation.tested.coast_ramp_seen),
    ):
        if not seen:
            notes.append(
                f"the {flank} ramps were not seen at work: beyond the tested torque the map is a guess "
                "of that flank, with limits for any ramp"
            )
    return notes
