"""The law at any place with its limits: from a fit's joint distribution, parting by the distance from what
was tested, and on a flank that never opened its preload contact wide enough for any ramp."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from diffbench.doubts import Source
from diffbench.physics.preload import PRELOAD_LAWS, Additive, GreaterOf, softened
from diffbench.physics.steady import UnitQuantities, parts, steady_locking_torque
from diffbench.results.beyond_axes import KELVIN, LEAST_SHARE
from diffbench.results.characterisation import BuildFacts, Characterisation, FormState, Tested
from diffbench.results.discrepancy import NORMAL_95, expected_apart, left_out
from diffbench.results.fitted_law import LAW_PARAMETERS, PACKS_APART, PLATE_HEAT, FittedLaw
from diffbench.results.map_grid import Limited

__all__ = [
    "SIDES",
    "ClosedFlank",
    "FormAt",
    "best_unit",
    "bracket",
    "closed_flanks",
    "law_of",
    "limited_locking_torque",
    "opening_thrust",
    "parted_untested",
    "unit_of",
]

Array = NDArray[np.float64]

# Thrust over what opens the preload contact, up to which a greater-of flank counts as closed; and the least
# weight of a form whose closed flanks still count.
OPENED = 1.05
LEAST_WEIGHT = 0.05
# Share of the ramp thrust that a clamped stack may pass on before its contact opens (common practice, no
# source: discs and cover are several times as stiff as the springs).
PASSED_ON = 0.3
SIDES = ("loading", "unloading")


def unit_of(
    form: FormState, x: Array, facts: BuildFacts, *, reference: Mapping[str, float]
) -> UnitQuantities:
    """The unit of one build by one form, for unknowns ``x`` (as ``form.values``)."""

    def get(name: str) -> float:
        i = form.place(name, facts.build)
        return float(np.exp(x[i])) if form.logarithms[i] else float(x[i])

    (one, _, _), (other, _, _) = PACKS_APART
    preload, friction = PRELOAD_LAWS[form.law], form.friction
    return UnitQuantities(
        preload_law=preload,
        preload_values=tuple(get(own.name) for own in preload.unknowns),
        preload_torque=get("preload_torque"),
        drive_bias=get("ramp_bias_drive_loading"),
        coast_bias=get("ramp_bias_coast_loading"),
        drive_ratio=get("unloading_ratio_drive"),
        coast_ratio=get("unloading_ratio_coast"),
        gear_friction=get("gear_friction"),
        viscous=get("viscous"),
        viscous_exponent=get("viscous_exponent"),
        friction_law=friction,
        friction_values=tuple(get(own.name) for own in friction.unknowns),
        temperature_coefficient=get("temperature_coefficient"),
        effective_radius=facts.effective_radius_m,
        reference_temperature=reference["temperature_degC"],
        reference_speed_difference=reference["speed_difference_rad_s"],
        packs_apart=(get(one), get(other)) if one in form.names else (0.0, 0.0),
    )


@dataclass(frozen=True)
class ClosedFlank:
    """A flank of a greater-of unit whose contact never opened, ``drive`` or coast, and the largest torque
    [N·m] at which each branch was seen closed."""

    drive: bool
    loading: float
    unloading: float

    def on(self, torque: Array) -> NDArray[np.bool_]:
        """Where a torque loads this flank."""
        return torque > 0.0 if self.drive else torque < 0.0

    def ramps_of(self, unit: UnitQuantities) -> tuple[float, float]:
        """Bias and unloading ratio of this flank."""
        return (unit.drive_bias, unit.drive_ratio) if self.drive else (unit.coast_bias, unit.coast_ratio)

    def with_ramps(self, unit: UnitQuantities, bias: float, ratio: float) -> UnitQuantities:
        """The unit with these on this flank."""
        if self.drive:
            return replace(unit, drive_bias=bias, drive_ratio=ratio)
        return replace(unit, coast_bias=bias, coast_ratio=ratio)


def closed_flanks(
    characterisation: Characterisation, form: FormState, unit: UnitQuantities
) -> list[ClosedFlank]:
    """The flanks that a form never saw at work; none without a test.

    The bench has measured what the unit locks up to its largest torque there, and nothing of the ramp but
    that it did not open the contact. An additive law that no sheet states is the same as far as it goes,
    where its ramps are so slight on both flanks that a clamped stack may have passed that on (P + Phi K
    |T_in|, until the contact opens at a thrust of P/(1 - Phi)).
    """
    tested = characterisation.tested
    if not tested.outline:
        return []
    linear = PRELOAD_LAWS[form.law].linear
    if linear and (characterisation.law.status == "stated" or not _is_slight(unit, tested)):
        return []
    torque = np.array(tested.outline)[:, 0]
    found = []
    for drive, loaded, bias, seen, unloading in (
        (True, torque, unit.drive_bias, tested.drive_ramp_seen, tested.drive_unloading_Nm),
        (False, -torque, unit.coast_bias, tested.coast_ramp_seen, tested.coast_unloading_Nm),
    ):
        peak, at_work = max(float(loaded.max()), 0.0), seen
        # what the document says is of the best form; a rival is asked itself
        best = form is characterisation.forms[0]
        if linear:
            at_work = peak == 0.0  # a flank that was not loaded is as doubtful as its bias
        elif not best:
            at_work = bias * peak > OPENED * opening_thrust(unit)
        if not at_work:
            found.append(ClosedFlank(drive, peak, min(unloading, peak)))
    return found


def _is_slight(unit: UnitQuantities, tested: Tested) -> bool:
    """Whether the thrust of an additive unit's ramps, at the largest torques tested, is no more than what a
    joint passes on before it opens."""
    torque = np.array(tested.outline)[:, 0]
    thrusts = unit.drive_bias * float(torque.max()), unit.coast_bias * -float(torque.min())
    return max(thrusts) <= PASSED_ON / (1.0 - PASSED_ON) * unit.preload_torque


def opening_thrust(unit: UnitQuantities) -> float:
    """Thrust, as locking torque, at which the preload contact opens [N·m]; endless for a law without one."""
    opening = unit.preload_law.opening(unit.preload_torque, unit.preload_values)
    return np.inf if opening is None else opening


def best_unit(characterisation: Characterisation, facts: BuildFacts) -> UnitQuantities:
    """The unit of one build by the best form; ramps that were not seen at work open no contact within what
    was tested."""
    form = characterisation.forms[0]
    unit = unit_of(form, np.array(form.values), facts, reference=characterisation.reference)
    return _with_ramps(unit, closed_flanks(characterisation, form, unit))


def law_of(characterisation: Characterisation, facts: BuildFacts) -> FittedLaw:
    """The law of one build: the best form, with ramps as the map has them (`best_unit`)."""
    form = characterisation.forms[0]
    unit = best_unit(characterisation, facts)
    own = [
        (law.name, law.name, law.unit) for law in (*unit.preload_law.unknowns, *unit.friction_law.unknowns)
    ]
    some = [part for part in (*PLATE_HEAT, *PACKS_APART) if part[1] in form.names]
    names, fitted, units = zip(*LAW_PARAMETERS, *own, *some, strict=True)
    rows = [form.place(name, facts.build) for name in fitted]
    values = [float(np.exp(form.values[i])) if form.logarithms[i] else form.values[i] for i in rows]
    slopes = np.array([value if form.logarithms[i] else 1.0 for i, value in zip(rows, values, strict=True)])
    covariance = np.array(form.covariance)[np.ix_(rows, rows)] * np.outer(slopes, slopes)
    ramps = {
        "ramp_bias_drive_loading": unit.drive_bias,
        "ramp_bias_coast_loading": unit.coast_bias,
        "unloading_ratio_drive": unit.drive_ratio,
        "unloading_ratio_coast": unit.coast_ratio,
    }
    return FittedLaw(
        preload_law=form.law,
        friction_law=unit.friction_law.name,
        names=names,
        units=units,
        values=tuple(ramps.get(name, value) for name, value in zip(names, values, strict=True)),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
        effective_radius_m=facts.effective_radius_m,
        reference_temperature_degC=characterisation.reference["temperature_degC"],
        reference_speed_difference_rad_s=characterisation.reference["speed_difference_rad_s"],
        weight=form.weight,
    )


def _with_ramps(unit: UnitQuantities, closed: list[ClosedFlank]) -> UnitQuantities:
    """The unit with ramps on its closed flanks that open no contact within what was seen."""
    if unit.preload_law.linear:
        return unit
    opening = opening_thrust(unit)
    for flank in closed:
        bias, ratio = flank.ramps_of(unit)
        if flank.loading > 0.0:
            bias = min(bias, opening / flank.loading)
        if flank.unloading > 0.0 and bias > 0.0:
            ratio = min(ratio, opening / (bias * flank.unloading))
        unit = flank.with_ramps(unit, bias, ratio)
    return unit


def _opened_at_once(unit: UnitQuantities, flank: ClosedFlank, branch: str) -> UnitQuantities:
    """The unit, for one closed flank and branch, whose contact opens right behind what was seen, where it was
    seen to lock P + Phi K |T_in|; a flank that was not loaded at all may lock by its whole input torque,
    hardly more."""
    bias, ratio = flank.ramps_of(unit)
    if branch == "unloading":
        bias *= ratio
    seen = flank.loading if branch == "loading" else flank.unloading
    let_through = unit.preload_law.closed_share(unit.preload_values) * bias
    most = let_through + (min(unit.preload_torque / seen, 1.0) if seen > 0.0 else 1.0)
    opened = replace(unit, preload_law=GreaterOf(), preload_values=(let_through / most,))
    return flank.with_ramps(opened, most, 1.0)


def _while_closed(unit: UnitQuantities) -> UnitQuantities:
    """A greater-of unit whose contact stays closed whatever the torque: P + Phi K |T_in|; an additive one is
    that already."""
    if unit.preload_law.linear:
        return unit
    share = unit.preload_law.closed_share(unit.preload_values)
    return replace(
        unit,
        preload_law=Additive(),
        preload_values=(),
        drive_bias=share * unit.drive_bias,
        coast_bias=share * unit.coast_bias,
    )


def limited_locking_torque(
    forms: Sequence[FormAt], torque: Array, speed: Array, heat: Array, branch: str
) -> Limited:
    """Value of the best form of one build's result as measured, and limits: 95 % over all ``forms``, parting
    by the distance from what was tested, and on a flank that was never seen at work wide enough for any
    ramp. The three are broadcast: over the nodes of three axes, friction by speed and temperature is asked
    for at each pair of these once, and not again for every torque."""
    place = (torque, speed, heat)
    best: Array | None = None
    shape = np.broadcast_shapes(torque.shape, speed.shape, heat.shape)
    variance, parted = np.zeros(shape), np.zeros(shape)
    brackets: list[Array] = []
    for at in forms:
        law = at.by_the_law(place, branch)
        value = at.as_measured(place, branch, law)
        if best is None:
            best = value
            parted = parted_untested(at.unit, at.tested, law, place, branch)
        variance += at.form.weight * (_own_variance(at, place, branch) + (value - best) ** 2)
        if at.closed and at.form.weight >= LEAST_WEIGHT:
            brackets += bracket(at.unit_at(at.x), at.closed, place, branch, value)
    assert best is not None
    half = NORMAL_95 * np.sqrt(variance) + parted
    low, high = np.min([best, *brackets], axis=0), np.max([best, *brackets], axis=0)
    return best, np.maximum(low - half, 0.0), high + half


class FormAt:
    """A form of one build: its unit, its law at any place, and the law as the cells corrected it."""

    def __init__(self, characterisation: Characterisation, form: FormState) -> None:
        self.form, self._facts = form, characterisation.facts_of(None)
        self.tested = characterisation.tested
        self._reference = characterisation.reference
        self.x = np.array(form.values)
        self.closed = closed_flanks(characterisation, form, self.unit_at(self.x))
        self.unit = _with_ramps(self.unit_at(self.x), self.closed)

    def unit_at(self, x: Array) -> UnitQuantities:
        """The unit for other values of the form's unknowns."""
        return unit_of(self.form, x, self._facts, reference=self._reference)

    def by_the_law(self, place: tuple[Array, Array, Array], branch: str) -> Array:
        """Locking torque by the law [N·m]."""
        return np.asarray(steady_locking_torque(self.unit, *place, branch), dtype=np.float64)

    def as_measured(self, place: tuple[Array, Array, Array], branch: str, law: Array) -> Array:
        """Locking torque as measured [N·m]: the ``law`` and what it is expected to leave out there."""
        state = self.form.discrepancy
        if state is None:
            return law

        def moved(step: Array) -> Array:
            ahead, behind = (self.unit_at(self.x + share * step) for share in (0.5, -0.5))
            return self.while_closed(ahead, place, branch) - self.while_closed(behind, place, branch)

        return np.maximum(law + expected_apart(state, law, moved, place, branch), 0.0)

    @cached_property
    def own_covariance(self) -> Array:
        """Covariance (p, p) of the unknowns without what the law leaves out: that comes in by its place."""
        covariance = np.array(self.form.covariance)
        if self.form.discrepancy is not None and Source.LEFT_OUT in self.form.shares:
            block = np.array(self.form.shares[Source.LEFT_OUT])
            covariance = covariance - block @ block.T
        return covariance

    @cached_property
    def moving(self) -> list[tuple[int, float, UnitQuantities, UnitQuantities]]:
        """The unknowns that move the unit, and none of the bench or of another build: row, standard
        deviation, and the unit with this one as much ahead and behind."""
        found = []
        deviations = np.sqrt(np.maximum(np.diag(self.own_covariance), 0.0))
        for i in np.flatnonzero(deviations).tolist():
            step = np.zeros_like(self.x)
            step[i] = deviations[i]
            ahead, behind = self.unit_at(self.x + step), self.unit_at(self.x - step)
            if ahead != behind:
                found.append((i, float(deviations[i]), ahead, behind))
        return found

    def while_closed(self, unit: UnitQuantities, place: tuple[Array, Array, Array], branch: str) -> Array:
        """The law for a unit of other unknowns; on a closed flank the closed law, in which its preload and
        what its joint lets through count as they were measured, and its ramp does not."""
        found = np.asarray(steady_locking_torque(unit, *place, branch), dtype=np.float64)
        on_closed = np.zeros(place[0].shape, dtype=bool)
        for flank in self.closed:
            on_closed |= flank.on(place[0])
        if on_closed.any():
            return np.where(on_closed, steady_locking_torque(_while_closed(unit), *place, branch), found)
        return found


def _own_variance(at: FormAt, place: tuple[Array, Array, Array], branch: str) -> Array:
    """Variance of the locking torque as measured by a form's own covariance and what its law leaves out."""
    value = at.while_closed(at.unit_at(at.x), place, branch)
    gradient = np.zeros((*value.shape, len(at.moving)))
    for column, (_, deviation, ahead, behind) in enumerate(at.moving):
        more = at.while_closed(ahead, place, branch) - value
        less = value - at.while_closed(behind, place, branch)
        # the larger of both sides: at a corner of the greater-of law one of them is flat
        gradient[..., column] = np.where(np.abs(more) >= np.abs(less), more, less) / deviation
    rows = [i for i, *_ in at.moving]
    covariance = at.own_covariance[np.ix_(rows, rows)]
    own: Array = np.maximum(np.sum((gradient @ covariance) * gradient, axis=-1), 0.0)
    state = at.form.discrepancy
    if state is None:
        return own
    if state.joint > 0.0:
        own = own + (state.joint * softened(*parts(at.unit, *place, branch))) ** 2
    return own + left_out(state.of_unknowns(rows), value, gradient, place, branch)


def bracket(
    unit: UnitQuantities,
    closed: list[ClosedFlank],
    place: tuple[Array, Array, Array],
    branch: str,
    value: Array,
) -> list[Array]:
    """Least and most that the ramps of closed flanks leave possible; elsewhere the value."""
    low, high = value.copy(), value.copy()
    sides = SIDES if branch == "mean" else (branch,)
    torque, speed, heat = np.broadcast_arrays(*place)
    for flank in closed:
        here = flank.on(torque)
        on = (torque[here], speed[here], heat[here])
        if here.any():
            low[here] = steady_locking_torque(_while_closed(unit), *on, branch)
            most = [steady_locking_torque(_opened_at_once(unit, flank, side), *on, side) for side in sides]
            high[here] = np.mean(most, axis=0)
    return [low, high]


def parted_untested(
    unit: UnitQuantities, tested: Tested, value: Array, place: tuple[Array, Array, Array], branch: str
) -> Array:
    """What limits part by at least because nothing was tested there [N·m]: `LEAST_SHARE` of what the value
    changes by from the tested torques on, and of the value for every distance from the tested speed
    differences (over the nearest of them) and temperatures (over `KELVIN`)."""
    if not tested.outline:
        return np.zeros(value.shape)
    torque, speed, heat = place
    edge = np.clip(torque, *tested.torque_ends(branch))
    moved = np.zeros(value.shape)
    if np.any(edge != torque):
        moved = np.abs(value - steady_locking_torque(unit, edge, speed, heat, branch))
    slow, fast = tested.speed_ends
    cold, hot = tested.temperature_ends
    by_heat = (np.maximum(cold - heat, 0.0) + np.maximum(heat - hot, 0.0)) / KELVIN
    by_speed = np.maximum(slow - speed, 0.0) / (slow or 1.0) + np.maximum(speed - fast, 0.0) / (fast or 1.0)
    return LEAST_SHARE * (moved + value * (by_heat + by_speed))
