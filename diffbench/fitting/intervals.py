"""Intervals of quantities that first-order propagation does not do justice: by profile, or by draws.

The size comes from the covariance, the shape from the profile or from draws. The sum of squares knows of no
clusters and no misfit, so the profile must rise as many times more as the covariance is larger (Pace, Salvan
and Sartori 2011); considered errors add to each side as root of squares. Two evaluations tell whether a
quantity bends at all; one that does costs some sixty more. Draws are made where 500 of them, mirrored in the
centre, show a bend of a tenth of u. ``u`` grows where the bend adds to it, and never shrinks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.assemble import Combined, factor_of
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.estimates import Estimate
from diffbench.fitting.joint_draws import JointDraws
from diffbench.fitting.monte_carlo import propagate
from diffbench.fitting.profile import profiled
from diffbench.physics.steady import LAW_UNKNOWNS

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
    profile of the best form; those that follow by a curved relation, or from the build sheet as well, are
    drawn from the joint distribution of all forms where a small sample shows that the curvature matters.
    """
    best, found = candidates[0], dict[str, Combined]()
    problem, steps = best.problem, best.steps
    for name, item in combined.items():
        estimate = item.estimate
        if estimate.quantity is None or not name.startswith(PROFILED):
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
    """Quantities that are not as good as linear over the doubt: draws and their reflections in the centre
    should lie as far on either side of the value."""
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
    """Limits by Monte Carlo over all forms that have the quantities; ``u`` grows where the curvature adds to
    it."""
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
