"""Quantities of one fitted form as functions of its unknowns: value, gradient, and the build sheet's part of
the doubt."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from diffbench.definitions import DEFINITIONS
from diffbench.documents import Build
from diffbench.doubts import Source
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.model import PACKS_APART, TURNING_SPEED, LockingModel
from diffbench.fitting.monte_carlo import JointDraws
from diffbench.fitting.unknowns import Names
from diffbench.physics.friction import sliding_speed, temperature_factor
from diffbench.physics.laws import LawUnknown
from diffbench.physics.steady import UnitQuantities, ratio_from_locking_effect, steady_locking_torque

Array = NDArray[np.float64]
Quantity = Callable[[Array], float]


@dataclass(frozen=True)
class Estimate:
    """Value of a quantity, its gradient with respect to the unknowns (p,), and standard uncertainties that
    come from the build sheet, by source. ``scale`` is the size against which an uncertainty counts as
    large; ``profile``, where one was made: the standard uncertainty that it accounts for, and the half-widths
    of its interval below and above over the symmetric one. ``quantity`` is the quantity as a function of the
    unknowns, ``of_draws`` of draws of them and of the sheet's errors; ``at_input_torque`` [N·m] where it is a
    quantity of one; ``condition`` temperature [°C] and speed difference [rad/s], where not the
    reference's."""

    value: float
    gradient: Array
    unit: str
    meaning: str
    needs: str
    scale: float
    sheet: Mapping[str, float] = field(default_factory=dict)
    positive: bool = True
    profile: tuple[float, float, float] | None = None
    quantity: Quantity | None = None
    of_draws: Callable[[JointDraws], Array] | None = None
    at_input_torque: float | None = None
    condition: tuple[float, float] | None = None

    @classmethod
    def of(
        cls,
        name: str,
        value: float,
        gradient: Array,
        *,
        words: Mapping[str, object] | None = None,
        note: str = "",
        sheet: Mapping[str, float] | None = None,
        quantity: Quantity | None = None,
        of_draws: Callable[[JointDraws], Array] | None = None,
    ) -> Estimate:
        """An estimate of a quantity by its row in the table, ``words`` filling in what that leaves open
        and ``note`` going on."""
        row = DEFINITIONS[name]
        return cls(
            value,
            gradient,
            row.unit,
            row.told.format(**(words or {})) + note,
            row.needs,
            row.scale,
            sheet or {},
            row.positive,
            quantity=quantity,
            of_draws=of_draws,
        )


def unit_quantities(model: LockingModel, x: Array, build: int = 0) -> UnitQuantities:
    """The unit of one visit for unknowns ``x``."""
    names, sharing, reference = model.names, model.sharing, model.reference
    place, (one, other) = sharing.places[build], PACKS_APART
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
        packs_apart=(names.value(x, one), names.value(x, other)) if one in names else (0.0, 0.0),
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
    model, reference = candidate.model, candidate.model.reference
    at = f"at the reference condition, {reference.temperature:g} °C and {reference.speed_difference:g} rad/s"
    words: dict[str, object] = {"at": at, "temperature": reference.temperature}

    def estimate(name: str, quantity: Quantity, torque: float | None = None) -> Estimate:
        value = float(quantity(candidate.x))
        slope = gradient(lambda x: np.array([quantity(x)]), candidate, deviation)[0]
        made = Estimate.of(name, value, slope, words=words | {"torque": torque}, quantity=quantity)
        return replace(made, at_input_torque=torque)

    found = {
        name: estimate(name.removesuffix(suffix), quantity)
        for name, quantity in _quantities(model, build, suffix).items()
    }
    for flank, torque in (("coast", min(torque_range[0], 0.0)), ("drive", max(torque_range[1], 0.0))):
        if abs(torque) < 1.0:
            continue  # that flank was not run
        effect = partial(_locking_effect, model, build, torque)
        linear = estimate(f"locking_effect_{flank}", effect, torque)
        found[f"locking_effect_{flank}{suffix}"] = linear
        if linear.value < 0.999:
            ratio = estimate(f"torque_bias_ratio_{flank}", partial(_ratio_of, effect), torque)
            drawn = partial(_drawn_ratio, linear, candidate.x)
            found[f"torque_bias_ratio_{flank}{suffix}"] = replace(ratio, of_draws=drawn)
    return found


def _quantities(model: LockingModel, build: int, suffix: str) -> dict[str, Quantity]:
    """Read off the unknowns (p,) without more; what each build has of its own bears the suffix."""
    names, form, sharing = model.names, model.form, model.sharing

    def value(name: str) -> Quantity:
        return partial(names.value, name=name)

    def of_law(unknowns: Sequence[LawUnknown]) -> dict[str, Quantity]:
        return {own.reported: value(own.name) for own in unknowns}

    def friction_slope(x: Array) -> float:
        law = form.friction
        return law.relative_slope(model.reference_sliding, names.values(x, law.unknowns))

    found = {f"preload_torque{suffix}": _preload_torque(model, build)}
    for flank, bias, ratio in sharing.flanks(build):
        found[f"ramp_bias_{flank}_loading{suffix}"] = value(bias)
        found[f"ramp_bias_{flank}_unloading{suffix}"] = partial(_product, names, bias, ratio)
    return {
        **found,
        **of_law(form.preload.unknowns),
        "gear_friction": value("gear_friction"),
        "viscous_coefficient": value("viscous"),
        "viscous_temperature_coefficient": value("viscous_exponent"),
        **of_law(form.friction.unknowns),
        "friction_temperature_coefficient": value("temperature_coefficient"),
        "friction_slope": friction_slope,
        "heat_capacity": value("heat_capacity"),
        "heat_conductance": value("heat_conductance"),
        **{name: value(name) for name in PACKS_APART if name in names},
    }


def _preload_torque(model: LockingModel, build: int) -> Quantity:
    """What the plates lock at no input torque, as a wrench reads it: that of alike packs, and what packs that
    differ load their ramps by."""
    names, sharing = model.names, model.sharing
    alike = partial(names.value, name=sharing.preloads[sharing.places[build].preload])
    if PACKS_APART[0] not in names:
        return alike
    at = (0.0, model.reference.speed_difference, model.reference.temperature)

    def both(x: Array) -> float:
        unit = unit_quantities(model, x, build)
        apart = steady_locking_torque(unit, *at) - steady_locking_torque(
            replace(unit, packs_apart=(0.0, 0.0)), *at
        )
        return alike(x) + float(apart)

    return both


def _locking_effect(model: LockingModel, build: int, torque: float, x: Array) -> float:
    reference = model.reference
    unit = unit_quantities(model, x, build)
    return _locking_of(unit, torque, reference.speed_difference, reference.temperature) / abs(torque)


@lru_cache(maxsize=128)  # most unknowns are of the bench and move no unit; two quantities ask for the same
def _locking_of(unit: UnitQuantities, torque: float, speed: float, heat: float) -> float:
    return float(steady_locking_torque(unit, torque, speed, heat, "loading"))


def _product(names: Names, one: str, other: str, x: Array) -> float:
    return names.value(x, one) * names.value(x, other)


def _drawn_ratio(locking_effect: Estimate, centre: Array, draws: JointDraws) -> Array:
    """By draws of the locking effect, which is as good as linear where the ratio is not."""
    effect = locking_effect.value + (draws.x - centre) @ locking_effect.gradient
    return ratio_from_locking_effect(np.clip(effect, 0.0, 0.9999))


def _ratio_of(effect: Callable[[Array], float], x: Array) -> float:
    return float(ratio_from_locking_effect(min(effect(x), 0.9999)))


@dataclass(frozen=True)
class Condition:
    """Where a quantity is quoted beside the reference condition: ``suffix`` of its name, temperature [°C] and
    speed difference [rad/s]; ``by_hand`` goes as slowly as hands turned, ``words`` for people."""

    suffix: str
    temperature: float
    speed_difference: float
    by_hand: bool
    words: str


def moved_estimates(
    candidate: Candidate, deviation: Array, condition: Condition, *, build: int, suffix: str
) -> dict[str, Estimate]:
    """Preload torque and loading biases at another condition than the reference's.

    All go with the friction of the plates: times ``m(v, Θ)``.
    """
    model = candidate.model
    names, sharing, law = model.names, model.sharing, model.form.friction

    def moved(quantity: Quantity, x: Array) -> float:
        turned = names.value(x, TURNING_SPEED) if condition.by_hand and TURNING_SPEED in names else 1.0
        speed = sliding_speed(condition.speed_difference * turned, model.reference.effective_radius)
        by_speed = law.relative(speed, names.values(x, law.unknowns), model.reference_sliding)
        coefficient = names.value(x, "temperature_coefficient")
        by_heat = temperature_factor(condition.temperature, coefficient, model.reference.temperature)
        return quantity(x) * float(by_speed) * float(by_heat)

    plain = {"preload_torque": _preload_torque(model, build)}
    for flank, bias, _ in sharing.flanks(build):
        plain[f"ramp_bias_{flank}"] = partial(names.value, name=bias)
    found = {}
    for stem, quantity in plain.items():
        at = partial(moved, quantity)
        slope = gradient(lambda x, at=at: np.array([at(x)]), candidate, deviation)[0]  # type: ignore[misc]
        name = f"{stem}_{condition.suffix}"
        made = Estimate.of(name, at(candidate.x), slope, words={"at": condition.words}, quantity=at)
        where = (condition.temperature, condition.speed_difference)
        found[f"{name}{suffix}"] = replace(made, condition=where)
    return found


def shim_rates(
    found: Mapping[str, Estimate], builds: Sequence[Build], labels: Sequence[str]
) -> dict[str, Estimate]:
    """Preload torque per shim thickness between neighbours of the shim ladder, by name.

    ``found`` holds the estimates of one fitted form, ``builds`` and ``labels`` each distinct build and the
    suffix of its quantities. Builds without a stated shim, and a second one of the same thickness, give no
    rate. What both preloads have in common, such as the gain of the flange, is in their gradients and cancels
    as far as it does; the doubt of both thicknesses is the sheets'.
    """
    ladder: dict[float, tuple[Build, str]] = {}
    for build, label in zip(builds, labels, strict=True):
        shim = build.preload.shim
        if shim is not None and f"preload_torque{label}" in found:
            ladder.setdefault(shim.value, (build, label))
    steps = sorted(ladder)
    rates: dict[str, Estimate] = {}
    for thin, thick in pairwise(steps):
        (below, below_label), (above, above_label) = ladder[thin], ladder[thick]
        low, high = found[f"preload_torque{below_label}"], found[f"preload_torque{above_label}"]
        width = 1e3 * (thick - thin)
        rate = (high.value - low.value) / width
        doubts = [1e3 * (b.preload.shim.u or 0.0) for b in (below, above) if b.preload.shim is not None]
        doubt = abs(rate) / width * sum(u**2 for u in doubts) ** 0.5
        rates[f"preload_per_shim[{1e3 * thin:g} to {1e3 * thick:g} mm]"] = Estimate.of(
            "preload_per_shim",
            rate,
            (high.gradient - low.gradient) / width,
            words={"thin": 1e3 * thin, "thick": 1e3 * thick},
            sheet={Source.SHIM: doubt} if doubt else {},
        )
    return rates
