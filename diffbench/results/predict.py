"""From a characterisation to a map: steady locking torque at every node, with limits from the fit's joint
distribution.

The map is the law at its nodes, as the cells correct it where they do so better than the law alone
(`diffbench.results.discrepancy`), so that anybody can read it without this program. A node is tested inside
the convex outline of what slipped, over torque and speed, within the temperatures of oil and plates; the
unloading branch only below the peak torque over the unloading ratio; nothing on a greater-of flank whose
ramps never overcame the preload.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from diffbench.one_thread import one_thread
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.plain_text import per_cent
from diffbench.results.beyond_axes import beyond_of
from diffbench.results.characterisation import (
    SPEED_TOLERANCE,
    TORQUE_TOLERANCE,
    Characterisation,
    FormState,
)
from diffbench.results.document import unknown
from diffbench.results.locking_map import (
    AXES,
    BRANCHES,
    FORMAT,
    Branch,
    LockingMap,
    MapAxes,
    MapBranch,
    MapDocument,
    MapInterpolation,
    Shows,
    either_of,
)
from diffbench.results.map_grid import (
    ALLOWED,
    ALLOWED_UNTESTED,
    AxisPlan,
    Limited,
    choose_grid,
    interpolation_error,
)
from diffbench.results.map_limits import (
    SIDES,
    FormAt,
    best_unit,
    bracket,
    closed_flanks,
    law_of,
    limited_locking_torque,
    opening_thrust,
    parted_untested,
)

Array = NDArray[np.float64]

# How far a map reaches of itself. A bench pulls a fraction of what first gear and an engine put through the
# case, or of what the wheels do to it under braking: five times the largest torque tested, on both flanks.
# Outputs start from stand-still, and an unloaded wheel may spin up: twice the fastest. Oil starts cold and
# ends hot: 20 K either way. What is further goes on as `diffbench.results.beyond_axes` says.
TORQUE_REACH = 5.0
SPEED_REACH = 2.0
TEMPERATURE_REACH = 20.0  # K


@one_thread()
def make_map(
    characterisation: Characterisation,
    *,
    axes: Mapping[str, tuple[float, float] | None] | None = None,
    build: str | None = None,
    predicted: str | None = None,
) -> LockingMap:
    """The map of one build.

    ``axes`` asks for limits by name (``input_torque_Nm``, ``speed_difference_rad_s``, ``temperature_degC``);
    the map covers the tested region and reaches what the build sheet or the caller asks for, else
    `TORQUE_REACH` times the tested torque both ways, from stand-still to `SPEED_REACH` times the tested speed
    difference, and `TEMPERATURE_REACH` beyond the tested temperatures. Limits are 95 % of the joint
    distribution of the fit (noise, bench errors, repeatability, and the spread of the forms), and wider by
    the distance from what was tested. ``predicted`` says what was changed where the characterisation is of a
    unit as it would be: no node counts as tested then. Raises ``FitError`` for an unknown build.
    """
    characterisation = characterisation.of_build(build)
    plans = _plans(characterisation, axes)
    tested = characterisation.tested

    # nodes stand where the law and the limits ask for them: a correction is smooth, and small beside these
    forms = _forms_at(characterisation)
    by_the_law = _forms_at(
        characterisation.model_copy(update={"forms": [_alone(f) for f in characterisation.forms]})
    )

    def law(of: list[FormAt], torque: Array, speed: Array, heat: Array) -> list[Limited]:
        return [limited_locking_torque(of, torque, speed, heat, b) for b in SIDES]

    def values(of: list[FormAt], torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array]]:
        at, place = of[0], (torque, speed, heat)
        found = []
        for b in SIDES:
            law = at.by_the_law(place, b)
            parted = parted_untested(at.unit, tested, law, place, b)
            low, high = bracket(at.unit, at.closed, place, b, law)
            found.append((at.as_measured(place, b, law), parted + (high - low)))
        return found

    # as carried from readings by hand: no node is spent on digits that nobody knows
    allowed = ALLOWED if tested.outline else ALLOWED_UNTESTED
    grid = choose_grid(
        plans,
        # the mean of two errors is not larger than both: it need not be looked at before the end
        partial(law, by_the_law),
        partial(values, by_the_law),
        lambda *place: [tested.covers(place[0], place[1], place[2], b) for b in SIDES],
        (tested.torque_ends("loading"), tested.speed_ends, tested.temperature_ends),
        allowed,
    )
    value_error, limit_error = interpolation_error(grid.axes, partial(law, forms), partial(values, forms))
    interpolation = MapInterpolation(
        allowed=allowed, locking_torque=value_error, limits=limit_error, tested_not_shown=grid.lost
    )
    return map_on(characterisation, grid.axes, build=build, interpolation=interpolation, predicted=predicted)


def _forms_at(characterisation: Characterisation) -> list[FormAt]:
    return [FormAt(characterisation, form) for form in characterisation.forms]


def _alone(form: FormState) -> FormState:
    """A form that the cells do not correct: what it leaves out is doubt."""
    state = form.discrepancy
    if state is None or not state.corrects:
        return form
    return form.model_copy(update={"discrepancy": state.model_copy(update={"corrects": False})})


def map_on(
    characterisation: Characterisation,
    axes: tuple[Array, Array, Array],
    *,
    build: str | None = None,
    interpolation: MapInterpolation | None = None,
    predicted: str | None = None,
) -> LockingMap:
    """The map of one build on nodes that are given: rising axes of input torque [N·m], speed difference
    [rad/s] and temperature [°C].

    ``interpolation`` is written down as it is, ``predicted`` as `make_map` has it. Raises
    ``FitError`` for an unknown build.
    """
    characterisation = characterisation.of_build(build)
    torque, speed, heat = np.meshgrid(*axes, indexing="ij", sparse=True)
    one, two, three = np.broadcast_arrays(torque, speed, heat)
    held: dict[str, dict[Branch, NDArray[Any]]] = {name: {} for name in ("values", "low", "high", "tested")}
    forms = _forms_at(characterisation)
    best = forms[0]
    corrected = best.form.discrepancy is not None and best.form.discrepancy.corrects
    by_the_law: dict[str, Any] = {}
    for branch in (*SIDES, "mean"):
        limited = limited_locking_torque(forms, torque, speed, heat, branch)
        inside = characterisation.tested.covers(one, two, three, branch) & (predicted is None)
        for name, table in zip(held, (*limited, inside), strict=True):
            held[name][cast(Branch, branch)] = table
        if corrected:
            by_the_law[branch] = best.by_the_law((torque, speed, heat), branch).tolist()
    if corrected:
        by_the_law["either"] = by_the_law["mean"]
    for name, table in either_of(held).items():
        held[name]["either"] = table
    tables = [held[name] for name in ("values", "low", "high")]
    return LockingMap(
        MapDocument(
            format=FORMAT,
            unit=characterisation.unit,
            build=characterisation.builds[0].build,
            law=characterisation.law.chosen,
            confidence=0.95,
            axes=MapAxes(**{name: tuple(axis.tolist()) for name, axis in zip(AXES, axes, strict=True)}),
            branches={
                branch: MapBranch(
                    locking_torque_Nm=held["values"][branch].tolist(),
                    low_Nm=held["low"][branch].tolist(),
                    high_Nm=held["high"][branch].tolist(),
                    tested=held["tested"][branch].tolist(),
                    by_the_law_Nm=by_the_law.get(branch),
                )
                for branch in BRANCHES
            },
            notes=_notes(characterisation, predicted) + _coarse(interpolation),
            predicted=predicted,
            provenance=characterisation.provenance.model_dump(mode="json"),
            interpolation=interpolation,
            # one that was changed is in no file
            characterisation_sha256=characterisation.digest if predicted is None else None,
            shows=_shows(corrected=corrected, predicted=predicted is not None),
            # the limits of a flank that was not seen at work hold its corner already
            beyond=beyond_of(axes, tables[0], tables[1], tables[2], corner_unseen=False),
            fitted_law=law_of(characterisation, characterisation.builds[0]),
        )
    )


def map_ends(
    characterisation: Characterisation,
    *,
    axes: Mapping[str, tuple[float, float] | None] | None = None,
    build: str | None = None,
) -> list[tuple[float, float]]:
    """How far the map reaches that `make_map` makes of the same, axis by axis: all that ``axes`` change of
    it. Raises ``FitError`` for an unknown build."""
    plans = _plans(characterisation.of_build(build), axes)
    return [(float(plan.required[0]), float(plan.required[-1])) for plan in plans]


def _plans(
    characterisation: Characterisation, axes: Mapping[str, tuple[float, float] | None] | None
) -> tuple[AxisPlan, AxisPlan, AxisPlan]:
    """Of all three axes, for what the build sheet or ``axes`` ask for."""
    for name in axes or {}:
        if name not in AXES:
            raise unknown(name, AXES)
    asked = {**characterisation.map_axes, **{k: v for k, v in (axes or {}).items() if v is not None}}
    one, two, three = (_plan(name, characterisation, asked.get(name)) for name in AXES)
    return one, two, three


def _plan(name: str, characterisation: Characterisation, asked: tuple[float, float] | None) -> AxisPlan:
    """Round places for the nodes of an axis, over the tested region and what was asked for, or as far as
    maps reach of themselves."""
    tested = characterisation.tested
    if name == "input_torque_Nm":
        low, high = tested.torque_ends("loading")
        reach = _rounded_up(TORQUE_REACH * max(-low, high))
        far = (-reach, reach)
        # where the unloading branch stops to count as tested, and where the law has a corner: between nodes
        # the map is straight, as the law is
        marks = {0.0, *tested.torque_ends("unloading"), *law_corners(characterisation)}
    elif name == "speed_difference_rad_s":
        low, high = tested.speed_ends
        far, marks = (0.0, _rounded_up(SPEED_REACH * high)), set()
        if tested.outline:
            marks |= set(np.clip(_corner_speeds(np.array(tested.outline)), low, high))
    else:
        low, high = tested.temperature_ends
        coldest, hottest = np.floor(low - TEMPERATURE_REACH), np.ceil(high + TEMPERATURE_REACH)
        far, marks = (float(coldest), float(hottest)), set()
    if not tested.outline:
        far = (low, high)
    if asked is not None:
        far = asked
    ends = {low, high, min(low, far[0]), max(high, far[1])}
    ends |= {place for place in marks if min(ends) < place < max(ends)}
    if name in characterisation.reference and low <= characterisation.reference[name] <= high:
        # where the numbers of the result are quoted, the map is the law itself
        ends |= {characterisation.reference[name]}
    first, last = min(ends), max(ends)
    finer = 10 if tested.outline else 1
    if name == "speed_difference_rad_s":
        # in steps that widen with speed: friction changes most where sliding is slow
        decades = np.outer(10.0 ** np.arange(-4, 4), np.arange(1.0, 10.0, 0.5 / finer)).ravel()
        places = decades[decades > 1e-4 * last]
    else:
        # finer where it was tested
        places = np.union1d(
            _round_places(low, high, 40 * finer), _round_places(first, last, 10 * max(finer, 4))
        )
    inner = places[(places > first) & (places < last)].tolist()
    return AxisPlan(np.array([round(x, 9) for x in inner]), np.array(sorted(round(x, 9) for x in ends)))


def _corner_speeds(outline: Array) -> list[float]:
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
    return sorted(found)


def law_corners(characterisation: Characterisation) -> set[float]:
    """Input torques at which the preload law of any build has its corner, loading and unloading [N·m]."""
    found: set[float] = set()
    for facts in characterisation.builds:
        unit = best_unit(characterisation, facts)
        opening = unit.preload_law.opening(unit.preload_torque, unit.preload_values)
        if opening is None:
            return found
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


def _round_places(low: float, high: float, most: int) -> Array:
    """Places at a round step from one end to the other, some ``most`` of them."""
    step = _round_step((high - low) / most) if high > low else 1.0
    places: Array = np.arange(np.ceil(low / step), np.floor(high / step) + 1.0) * step
    return places


def _round_step(step: float) -> float:
    power = 10.0 ** np.floor(np.log10(step))
    return float(power * min(a for a in (1.0, 2.0, 2.5, 5.0, 10.0) if a * power >= step * 0.999))


def _shows(*, corrected: bool, predicted: bool) -> Shows:
    if not corrected:
        return "by the law"
    return "as measured, carried over" if predicted else "as measured"


def _coarse(interpolation: MapInterpolation | None) -> list[str]:
    if interpolation is None or interpolation.locking_torque <= 2.0 * interpolation.allowed:
        return []
    off = per_cent(interpolation.locking_torque)
    return [f"a lookup between nodes is up to {off} % off, which the limits do not hold: nodes are too few"]


def _notes(characterisation: Characterisation, predicted: str | None) -> list[str]:
    notes = [] if predicted is None else [f"PREDICTED by the fitted law, not measured: {predicted}"]
    notes += [
        "steady state; plates and oil at the same temperature; the speed difference is its magnitude",
        "the unloading branch is where the ramps stand after coming down from a much higher input torque",
        "a node that is not tested is an extrapolation by the fitted law, its limits wider by the distance",
    ]
    left_out = characterisation.forms[0].discrepancy
    if left_out is not None and left_out.corrects:
        notes.append(
            "locking torques are as measured: the law and what it was seen to leave out, which tells cycles "
            "not used for it better than the law alone; by_the_law_Nm is the law alone"
        )
    for flank, seen in (
        ("drive", characterisation.tested.drive_ramp_seen),
        ("coast", characterisation.tested.coast_ramp_seen),
    ):
        if not seen:
            notes.append(
                f"the {flank} ramps were not seen at work: beyond the tested torque the map is a guess "
                "of that flank, with limits for any ramp"
            )
    form = characterisation.forms[0]
    slight = PRELOAD_LAWS[form.law].linear and any(
        closed_flanks(characterisation, form, best_unit(characterisation, facts))
        for facts in characterisation.builds
    )
    if slight:
        notes.append(
            "the ramps passed on so little that a preload contact of the greater-of law may never have "
            "opened: beyond the tested torque the limits hold that, too; sweep to a higher input torque, or "
            "state the law in the build sheet"
        )
    return notes
