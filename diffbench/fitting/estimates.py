"""Quantities of one fitted form as functions of its unknowns: value, gradient, and the build sheet's part of
the doubt."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.candidate import Candidate
from diffbench.fitting.joint_draws import JointDraws
from diffbench.fitting.model import LockingModel
from diffbench.fitting.unknowns import Names
from diffbench.physics.bias import ratio_from_locking_effect
from diffbench.physics.laws import LawUnknown
from diffbench.physics.steady import UnitQuantities, steady_locking_torque

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Estimate:
    """Value of a quantity, its gradient with respect to the unknowns (p,), and standard uncertainties that
    come from the build sheet, by source. ``scale`` is the size against which an uncertainty counts as
    large; ``profile``, where one was made: the standard uncertainty that it accounts for, and the half-widths
    of its interval below and above over the symmetric one. ``quantity`` is the quantity as a function of the
    unknowns, ``of_draws`` of draws of them and of the sheet's errors;
    ``at_input_torque`` [N·m] where it is a quantity of one."""

    value: float
    gradient: Array
    unit: str
    meaning: str
    needs: str
    scale: float
    sheet: Mapping[str, float] = field(default_factory=dict)
    positive: bool = True
    profile: tuple[float, float, float] | None = None
    quantity: Callable[[Array], float] | None = None
    of_draws: Callable[[JointDraws], Array] | None = None
    at_input_torque: float | None = None


def unit_quantities(model: LockingModel, x: Array, build: int = 0) -> UnitQuantities:
    """The unit of one visit for unknowns ``x``."""
    names, sharing, place, reference = model.names, model.sharing, model.place(build), model.reference
    return UnitQuantities(
        preload_law=model.form.preload,
        preload_values=names.values(x, model.form.preload.unknowns),
        preload_torque=names.value(x, sharing.preloads[place.preload]),
        drive_bias=names.value(x, sharing.drive_biases[place.drive]),
        coast_bias=names.value(x, sharing.coast_biases[place.coast]),
        drive_ratio=names.value(x, sharing.drive_ratios[place.drive]),
        coast_ratio=names.value(x, sharing.coast_ratios[place.coast]),
        gear_friction=names.value(x, "gear_friction"),
        viscous=names.value(x, "viscous"),
        viscous_exponent=names.value(x, "viscous_exponent"),
        friction_law=model.form.friction,
        friction_values=names.values(x, model.form.friction.unknowns),
        temperature_coefficient=names.value(x, "temperature_coefficient"),
        effective_radius=reference.effective_radius,
        reference_temperature=reference.temperature,
        reference_speed_difference=reference.speed_difference,
    )


def gradient(function: Callable[[Array], Array], candidate: Candidate, deviation: Array) -> Array:
    """Central differences of a vector function (m,) of the unknowns over half a standard uncertainty: (m, p).

    ``deviation`` (p,) are the unknowns' standard uncertainties. Steps of that size see the slope over the
    interval that matters, corners of the greater-of law included; they stay within the bounds.
    """
    names, x = candidate.names, candidate.x
    columns = []
    base = function(x)
    for i, unknown in enumerate(names.unknowns):
        step = 0.5 * deviation[i]
        up, down = min(x[i] + step, unknown.high), max(x[i] - step, unknown.low)
        if step == 0.0 or up <= down:
            columns.append(np.zeros_like(base))
            continue
        ahead, behind = x.copy(), x.copy()
        ahead[i], behind[i] = up, down
        columns.append((function(ahead) - function(behind)) / (up - down))
    return np.stack(columns, axis=-1)


def direct_estimates(
    candidate: Candidate, deviation: Array, *, build: int, suffix: str, torque_range: tuple[float, float]
) -> dict[str, Estimate]:
    """What the fit gives without the build sheet's geometry: torques, biases, ratios, friction shape, plate
    heat.

    ``suffix`` marks the build where there are several; ``torque_range`` [N·m] lowest and highest tested input
    torque, at which torque bias ratio and locking effect (SAE J2817) are quoted.
    """
    names, model = candidate.names, candidate.model
    place, sharing = model.place(build), model.sharing
    found: dict[str, Estimate] = {}

    def add(
        name: str,
        function: Callable[[Array], float],
        unit: str,
        meaning: str,
        needs: str,
        scale: float,
        *,
        positive: bool = True,
        at_input_torque: float | None = None,
    ) -> None:
        grad = gradient(lambda x: np.array([function(x)]), candidate, deviation)[0]
        found[name] = Estimate(
            float(function(candidate.x)),
            grad,
            unit,
            meaning,
            needs,
            scale,
            positive=positive,
            quantity=function,
            at_input_torque=at_input_torque,
        )

    def add_own(own: LawUnknown) -> None:
        value = partial(names.value, name=own.name)
        add(own.reported, value, own.unit, own.meaning, own.needs, own.scale, positive=own.logarithm)

    preload = sharing.preloads[place.preload]
    reference = model.reference
    at = f"at the reference condition, {reference.temperature:g} °C and {reference.speed_difference:g} rad/s"
    add(
        f"preload_torque{suffix}",
        lambda x: names.value(x, preload),
        "N·m",
        f"locking torque of the preload alone, {at}",
        "slipping samples near zero input torque",
        1.0,
    )
    for flank, bias, ratio in (
        ("drive", sharing.drive_biases[place.drive], sharing.drive_ratios[place.drive]),
        ("coast", sharing.coast_biases[place.coast], sharing.coast_ratios[place.coast]),
    ):
        add(
            f"ramp_bias_{flank}_loading{suffix}",
            partial(names.value, name=bias),
            "1",
            f"locking torque per input torque from the {flank} ramps while the torque rises, {at}",
            f"slip under {flank} torque, rising until the ramps clearly overcome the preload",
            0.02,
        )
        add(
            f"ramp_bias_{flank}_unloading{suffix}",
            partial(_product, names, bias, ratio),
            "1",
            f"the same while the torque falls from a much higher one, {at}",
            f"slip under {flank} torque while it falls to well below two thirds of its peak",
            0.02,
        )
    for own in model.form.preload.unknowns:
        add_own(own)
    add(
        "gear_friction",
        lambda x: names.value(x, "gear_friction"),
        "1",
        "share of the input torque that gear-mesh friction adds",
        "a build with other ramps, or a value in the build sheet",
        0.02,
        positive=False,
    )
    add(
        "viscous_coefficient",
        lambda x: names.value(x, "viscous"),
        "N·m·s/rad",
        f"locking torque per speed difference from the oil film, oil at {model.reference.temperature:g} °C",
        "a speed sweep at low input torque, up to a high speed difference",
        0.05,
        positive=False,
    )
    add(
        "viscous_temperature_coefficient",
        lambda x: names.value(x, "viscous_exponent"),
        "1/K",
        "relative fall of the viscous coefficient per kelvin of oil",
        "speed sweeps at two oil temperatures",
        0.02,
        positive=False,
    )
    for own in model.form.friction.unknowns:
        add_own(own)
    add(
        "friction_temperature_coefficient",
        lambda x: names.value(x, "temperature_coefficient"),
        "1/K",
        "relative change of friction per kelvin of plate temperature",
        "sweeps over a range of oil temperatures of 20 K or more",
        0.001,
        positive=False,
    )

    def relative_slope(x: Array) -> float:
        law = model.form.friction
        return law.relative_slope(model.reference_sliding, names.values(x, law.unknowns))

    add(
        "friction_slope",
        relative_slope,
        "s/m",
        "relative change of friction per sliding speed at the reference condition; negative invites "
        "chatter (SAE J3210)",
        "a speed sweep around the reference speed difference",
        0.05,  # s/m: half a percent of friction over 0.1 m/s
        positive=False,
    )
    add(
        "heat_capacity",
        lambda x: names.value(x, "heat_capacity"),
        "J/K",
        "of the plates",
        "the plates' mass, or sweeps hot enough to see the plates warm",
        50.0,
    )
    add(
        "heat_conductance",
        lambda x: names.value(x, "heat_conductance"),
        "W/K",
        "from plates to oil",
        "sweeps at a high speed difference under load",
        5.0,
    )
    for flank, torque in (("coast", torque_range[0]), ("drive", torque_range[1])):
        if abs(torque) < 1.0:
            continue

        def effect(x: Array, torque: float = torque) -> float:
            unit = unit_quantities(model, x, build)
            locking = steady_locking_torque(
                unit, torque, model.reference.speed_difference, model.reference.temperature, "loading"
            )
            return float(locking) / abs(torque)

        label = f"at {torque:.4g} N·m input torque, loading, {at}"
        add(
            f"locking_effect_{flank}{suffix}",
            effect,
            "1",
            f"locking torque over input torque (SAE J2817) {label}",
            "slip at that input torque",
            0.05,
            at_input_torque=torque,
        )
        if effect(candidate.x) < 0.999:
            add(
                f"torque_bias_ratio_{flank}{suffix}",
                partial(_ratio_of, effect),
                "1",
                f"higher over lower output torque (SAE J2817) {label}",
                "slip at that input torque",
                0.2,
                at_input_torque=torque,
            )
            name = f"torque_bias_ratio_{flank}{suffix}"
            linear = found[f"locking_effect_{flank}{suffix}"]
            found[name] = replace(found[name], of_draws=partial(_drawn_ratio, linear, candidate.x))
    return found


def _product(names: Names, one: str, other: str, x: Array) -> float:
    return names.value(x, one) * names.value(x, other)


def _drawn_ratio(locking_effect: Estimate, centre: Array, draws: JointDraws) -> Array:
    """Torque bias ratios by draws of the locking effect, which is as good as linear in the unknowns; the
    ratio is not where the locking effect comes near one."""
    effect = locking_effect.value + (draws.x - centre) @ locking_effect.gradient
    return ratio_from_locking_effect(np.clip(effect, 0.0, 0.9999))


def _ratio_of(effect: Callable[[Array], float], x: Array) -> float:
    return float(ratio_from_locking_effect(min(effect(x), 0.9999)))
