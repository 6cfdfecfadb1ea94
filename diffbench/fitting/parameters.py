"""From weighted forms and their estimates to reported parameters: value, interval, status, needs, budget.

Where first-order propagation does not do justice, an interval's shape comes from the profile or from draws,
its size from the covariance. The sum of squares knows of no clusters and no misfit, so the profile must rise
as many times more as the covariance is larger (Pace, Salvan and Sartori 2011); considered errors add to each
side as root of squares. Two evaluations tell whether a quantity bends at all. Draws are made where 500 of
them, mirrored in the centre, show a bend; ``u`` grows where the bend adds to it, and never shrinks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.documents.rig import Allowance
from diffbench.doubts import CountsAsExact, Source, is_weak, without_size
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.estimates import Estimate
from diffbench.fitting.monte_carlo import JointDraws, propagate
from diffbench.fitting.profile import profiled
from diffbench.fitting.setup import Setup
from diffbench.physics.steady import LAW_UNKNOWNS
from diffbench.results.characterisation import Correlation, Parameter, Status

# A quantity is not determined when its standard uncertainty exceeds half of its size, or when most of its
# variance comes from what is merely plausible and it is not small either.
HOPELESS_U = 0.5
LEANING_U = 0.15
LEANING_ANGLE = 2.0  # deg: an angle has no size of its own to be compared with
LEANING_SHARE = 0.5


@dataclass(frozen=True)
class Combined:
    """A quantity over all forms: value of the best, standard uncertainty with the forms' spread, budget by
    source; ``limits`` of the 95 % interval where distributions were propagated."""

    value: float
    u: float
    budget: dict[str, float]
    effective: float
    estimate: Estimate
    limits: tuple[float, float] | None = None


def combine_forms(
    estimates: Sequence[Estimate | None],
    weights: Sequence[float],
    covariances: Sequence[Covariance],
    dof: float,
) -> Combined | None:
    """Combine one quantity over the forms that have it, the best first.

    ``u² = Σ w (u_k² + (q_k − q)²)``: what the forms say themselves, and how far they are apart. ``dof`` are
    the degrees of freedom of the noise; the effective ones follow Welch and Satterthwaite (GUM G.4.1).
    """
    first = estimates[0]
    if first is None:
        return None
    squares: dict[str, float] = {}
    total = 0.0
    between = 0.0
    for estimate, weight, covariance in zip(estimates, weights, covariances, strict=True):
        if estimate is None:
            continue
        parts = {**covariance.budget(estimate.gradient)}
        for source, size in estimate.sheet.items():
            parts[source] = float(np.hypot(parts.get(source, 0.0), size))
        for source, size in parts.items():
            squares[source] = squares.get(source, 0.0) + weight * size**2
        between += weight * (estimate.value - first.value) ** 2
        total += weight
    squares = {source: value / total for source, value in squares.items()}
    if between > 0:
        squares[Source.FORM] = between / total
    variance = sum(squares.values())
    u = float(np.sqrt(variance))
    noise = squares.get(Source.NOISE, 0.0)
    effective = dof * (variance / noise) ** 2 if noise > 0 else np.inf
    budget = {source: float(np.sqrt(value)) for source, value in squares.items() if value > 1e-6 * variance}
    # a statement that the quantity rests on, without an uncertainty, is in the budget aloud: as zero
    for source, size in first.sheet.items():
        if size == 0.0 and not is_weak(source):
            budget[without_size(source)] = 0.0
    return Combined(
        first.value, u, dict(sorted(budget.items(), key=lambda item: -item[1])), float(effective), first
    )


def determined(combined: Combined) -> bool:
    """Whether data and sheet determine the quantity, by its budget."""
    relative = combined.u / max(abs(combined.value), combined.estimate.scale)
    weak = sum(size**2 for source, size in combined.budget.items() if is_weak(source))
    share = weak / combined.u**2 if combined.u > 0 else 0.0
    leaning = combined.u > LEANING_ANGLE if combined.estimate.unit == "deg" else relative > LEANING_U
    return relative <= HOPELESS_U and not (share > LEANING_SHARE and leaning)


def parameter(combined: Combined, *, stated: bool = False, status: Status | None = None) -> Parameter:
    """The reported parameter, with a 95 % interval that follows the quantity's own scale; its ``status``
    where that is known better than the budget says."""
    estimate = combined.estimate
    if status is None:
        status = "stated" if stated else "measured" if determined(combined) else "not-determined"
    if status == "not-determined":
        return not_determined(
            estimate.unit, estimate.meaning, estimate.needs, at_input_torque=estimate.at_input_torque
        )
    low, high = interval(combined)
    heat, speed = (None, None) if estimate.condition is None else estimate.condition
    return Parameter(
        value=combined.value,
        u=combined.u,
        low=low,
        high=high,
        unit=estimate.unit,
        status=status,
        meaning=estimate.meaning,
        budget=combined.budget,
        at_input_torque_Nm=estimate.at_input_torque,
        at_temperature_degC=heat,
        at_speed_difference_rad_s=speed,
    )


def factor_of(effective: float, probability: float = 0.95) -> float:
    """Student's t at the effective degrees of freedom: half-width of an interval in standard
    uncertainties."""
    from scipy.special import stdtrit

    return float(stdtrit(min(effective, 1e6), 0.5 + probability / 2))


def interval(combined: Combined, probability: float = 0.95) -> tuple[float, float]:
    """Interval by Student's t at the effective degrees of freedom, no more symmetric than the quantity.

    By the draws' quantiles where distributions were propagated (they are of 95 %). Else by the profile where
    one was made: to each side its half-width and the rest of the doubt, which the profile does not see, as
    root of the sum of squares. Else multiplicative where a positive quantity is so uncertain that a symmetric
    one would be off its scale.
    """
    if combined.limits is not None and probability == 0.95:
        return combined.limits
    factor = factor_of(combined.effective, probability)
    value, estimate = combined.value, combined.estimate
    below, above = _half_widths(value, combined.u, factor, positive=estimate.positive)
    if estimate.profile is not None:
        u, ratio_below, ratio_above = estimate.profile
        rest = float(np.sqrt(max(combined.u**2 - u**2, 0.0)))
        below, above = _half_widths(value, rest, factor, positive=estimate.positive)
        below = float(np.hypot(below, factor * u * ratio_below))
        above = float(np.hypot(above, factor * u * ratio_above))
    return value - below, value + above


def _half_widths(value: float, u: float, factor: float, *, positive: bool) -> tuple[float, float]:
    if positive and value > 0 and u / value > 0.05:
        spread = float(np.exp(factor * np.sqrt(np.log1p((u / value) ** 2))))
        return value * (1.0 - 1.0 / spread), value * (spread - 1.0)
    return factor * u, factor * u


def not_determined(unit: str, meaning: str, needs: str, *, at_input_torque: float | None = None) -> Parameter:
    """A quantity that data and sheet do not determine."""
    return Parameter(
        value=None,
        u=None,
        low=None,
        high=None,
        unit=unit,
        status="not-determined",
        meaning=meaning,
        needs=needs,
        at_input_torque_Nm=at_input_torque,
    )


def correlation(combined: Mapping[str, Combined], covariance: Covariance) -> Correlation:
    """Correlation of the quantities through the fit's unknowns (best form); the sheet's parts count as
    independent."""
    names = [name for name, item in combined.items() if item.u > 0]
    gradients = np.stack([combined[name].estimate.gradient for name in names]) if names else np.zeros((0, 0))
    joint = gradients @ covariance.total @ gradients.T if names else np.zeros((0, 0))
    size = np.array([combined[name].u for name in names])
    matrix = joint / np.outer(size, size) if names else joint
    matrix[np.diag_indices_from(matrix)] = 1.0
    return Correlation(names=names, matrix=np.clip(matrix, -1.0, 1.0).round(6).tolist())


Array = NDArray[np.float64]

# what a user reads; plate heat and oil film are means to that
PROFILED = (
    "preload_torque",
    "ramp_bias",
    *(own.reported for own in LAW_UNKNOWNS),
    "friction_",
    "locking_effect",
)
PILOT = 500
CURVED = 0.05  # of u: by so much, an end of the interval would be off; less is lost in the draws themselves
MOST = 100_000  # draws: an end of the interval then stands to a hundredth of u
DIGITS = 1  # of u, to which the draws settle: some two hundredths of u in most cases
CURVATURE = "curvature of the relation"


def refined(
    combined: Mapping[str, Combined],
    estimates: Sequence[Mapping[str, Estimate]],
    candidates: Sequence[Candidate],
    weights: Sequence[float],
    covariances: Sequence[Covariance],
    *,
    freedom: float,
    seed: int,
) -> dict[str, Combined]:
    """Those of the ``combined`` quantities whose interval asks for more than first-order propagation.

    ``estimates`` of each form, the best first, with the forms' ``candidates``, ``weights`` and
    ``covariances``; ``freedom`` of the noise. Quantities that are functions of the unknowns alone get the
    profile of the best form, readings by hand apart (their covariance is the Fisher information); those that
    follow by a curved relation, or from the build sheet as well, are drawn from the joint distribution of all
    forms where a small sample shows that the curvature matters.
    """
    best, found = candidates[0], dict[str, Combined]()
    problem, steps = best.problem, best.steps
    for name, item in combined.items():
        estimate = item.estimate
        if estimate.quantity is None or not name.startswith(PROFILED) or best.noise.freedom is not None:
            continue
        shaped = profiled(
            estimate,
            problem,
            best.solution,
            covariances[0],
            estimate.quantity,
            step=steps,
            factor=factor_of(item.effective),
        )
        found[name] = replace(item, estimate=shaped)
    drawn = [name for name, item in combined.items() if item.estimate.of_draws is not None]
    curved = _curved(drawn, combined, best, covariances[0], freedom, seed)
    if curved:
        found |= _drawn(
            curved,
            {**combined, **found},
            estimates,
            candidates,
            weights,
            covariances,
            freedom=freedom,
            seed=seed,
        )
    return found


def _curved(
    drawn: Sequence[str],
    combined: Mapping[str, Combined],
    best: Candidate,
    covariance: Covariance,
    freedom: float,
    seed: int,
) -> list[str]:
    """Those that bend over the doubt: draws and their reflections are not alike far from the value."""
    if not drawn:
        return []
    rng = np.random.default_rng(seed)
    draws = JointDraws(best.names, best.x, covariance, freedom, rng, PILOT, mirrored=True)
    curved: list[str] = []
    for name in drawn:
        item = combined[name]
        assert item.estimate.of_draws is not None
        one, other = np.split(item.estimate.of_draws(draws), 2)
        bend = np.abs(0.5 * (one + other) - item.estimate.value)
        if item.u > 0 and float(np.quantile(bend, 0.95)) > CURVED * item.u:
            curved.append(name)
    return curved


def _drawn(
    names: Sequence[str],
    combined: Mapping[str, Combined],
    estimates: Sequence[Mapping[str, Estimate]],
    candidates: Sequence[Candidate],
    weights: Sequence[float],
    covariances: Sequence[Covariance],
    *,
    freedom: float,
    seed: int,
) -> dict[str, Combined]:
    """Limits over all forms that have the quantities; ``u`` grows where the curvature adds to it."""
    forms = [
        (candidate, covariance, [mine[name].of_draws for name in names], weight)
        for candidate, covariance, mine, weight in zip(
            candidates, covariances, estimates, weights, strict=True
        )
        if all(name in mine for name in names)
    ]
    ends = np.cumsum([weight for *_, weight in forms])
    ends /= ends[-1]

    def draw(rng: np.random.Generator, count: int) -> Array:
        made, before = [], 0
        for (candidate, covariance, functions, _), end in zip(forms, ends, strict=True):
            share, before = round(end * count) - before, round(end * count)
            draws = JointDraws(candidate.names, candidate.x, covariance, freedom, rng, share)
            made.append(np.stack([f(draws) for f in functions if f is not None], axis=-1))
        return np.concatenate(made)

    result = propagate(draw, seed=seed, digits=DIGITS, most=MOST)
    found: dict[str, Combined] = {}
    for i, name in enumerate(names):
        item, u = combined[name], float(result.u[i])
        limits = (float(result.low[i]), float(result.high[i]))
        if not result.settled:
            # a ratio whose denominator comes near zero has an interval, but no standard deviation
            u = min(u, (limits[1] - limits[0]) / (2.0 * factor_of(np.inf)))
        if u > 1.02 * item.u:
            budget = {**item.budget, CURVATURE: float(np.sqrt(u**2 - item.u**2))}
            ranked = dict(sorted(budget.items(), key=lambda pair: -pair[1]))
            item = replace(item, u=u, budget=ranked)
        found[name] = replace(item, limits=limits)
    return found


def assumed_exact(setup: Setup) -> list[CountsAsExact]:
    """Notes on the build sheets' values, and on the temperature, that have no uncertainty; each once."""
    texts: list[str] = []
    for build in setup.builds:
        if build.gear_friction is None:
            texts.append(
                "gear_friction is not stated: gear-mesh friction counts as none, and is part of the ramp bias"
            )
        elif not build.gear_friction.u:
            texts.append("gear_friction has no stated uncertainty: it counts as exact")
        if build.preload.spring_force is not None and not build.preload.spring_force.u:
            texts.append("the spring force has no stated uncertainty: it counts as exact")
        for name in ("drive_angle", "coast_angle"):
            angle = getattr(build.ramps, name)
            if angle is not None and not angle.u:
                texts.append(f"{name} has no stated uncertainty: it counts as exact where it is used")
        if not build.packs.inner_radius.u and not build.packs.outer_radius.u:
            texts.append("the plate radii have no stated uncertainty: they count as exact")
        if build.ramps.pin_radius is not None and not build.ramps.pin_radius.u:
            texts.append("the pin radius has no stated uncertainty: it counts as exact")
    notes = [CountsAsExact(text) for text in dict.fromkeys(texts)]
    if setup.data.temperature_u == 0.0:
        text = "u_zero of the temperature channel is not stated: temperatures count as exact"
        notes.append(CountsAsExact(text, Source.TEMPERATURE, "the temperature channel"))
    return notes


def switched_off(allowance: Allowance) -> list[CountsAsExact]:
    """Notes on allowances of the rig that are stated as nothing."""
    texts = (
        (allowance.fitted_once, "fitted_once = 0: what a bench does to a unit fitted once counts as nothing"),
        (allowance.one_way, "one_way = 0: where slip goes one way only, both ways count as alike"),
        (allowance.cross_talk, "cross_talk = 0: flanges whose rig states none count as reading no other"),
        (allowance.oil_sensor, "oil_sensor = 0: an oil sensor of no stated u_zero counts as well placed"),
        (allowance.hysteresis, "hysteresis = 0: transducers whose channels state none count as free of it"),
        (allowance.running_in, "running_in = 0: on a visit that only warms up friction counts as run in"),
    )
    return [CountsAsExact(f"the rig's allowance {text}") for size, text in texts if size == 0.0]


def with_exact(parameters: Mapping[str, Parameter], notes: Sequence[CountsAsExact]) -> dict[str, Parameter]:
    """Parameters with what counts as exact on the bench in their budgets: zero, by name.

    What the build sheet's values do comes with each quantity's own budget.
    """
    entries = {without_size(note.source, note.subject): 0.0 for note in notes if note.source is not None}
    if not entries:
        return dict(parameters)
    return {
        name: item.model_copy(update={"budget": {**item.budget, **entries}})
        if item.status in ("measured", "carried")
        else item
        for name, item in parameters.items()
    }
