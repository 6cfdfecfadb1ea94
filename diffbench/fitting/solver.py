"""Least squares with the linear unknowns eliminated.

A problem is a model ``y ≈ f(x)`` in which some of ``x`` are factors of known columns once the others are
given. The search runs over the others alone (variable projection: Golub & Pereyra 1973; Kaufman 1975), then
all unknowns are polished together, with what is known beforehand as further observations.

Starts are judged with the noise of the first one's settled residual, since before that a wrong minimum can
look as good as the right one, and each is polished before it is compared: a search sees some of the cells and
may end at twice the cost of the answer that polishing takes it to. The polish is a Levenberg-Marquardt of our
own. A search that ended on a plateau has not converged (NIST's BoxBOD tells). lmfit has such a search, by the
same MINPACK: loading it takes as long as a fit, and its bookkeeping as long as the model.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.unknowns import Names

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Problem:
    """What is to be solved.

    ``residual(x)`` (n,) in units of its standard deviation, for the whole vector of unknowns. ``columns(x)``
    gives, for the nonlinear unknowns in ``x``, the weighted observations (n,) and the weighted columns (n, p)
    of the linear unknowns, in the order of ``names``.
    """

    names: Names
    residual: Callable[[Array], Array]
    columns: Callable[[Array], tuple[Array, Array]] | None = None

    def with_priors(self, x: Array) -> Array:
        """Residual with the standardised distance from what is known beforehand appended."""
        weight = np.sqrt(self.names.precision)
        known = weight > 0
        return np.concatenate([self.residual(x), ((x - self.names.prior) * weight)[known]])


@dataclass(frozen=True)
class Solution:
    """Where a search ended, each verdict on its own.

    ``x`` (p,); ``cost`` = half the sum of squares, priors included; ``jacobian`` (n, p) of the residual
    without priors; ``converged``: the last step was below 1e-6 standard errors, or changed the cost by less
    than 1e-9 of it, and no unknown lies on a plateau, where nothing holds it; ``at_bound``: unknowns that
    ended on a bound; ``evaluations`` of the model; ``reason`` in words.
    """

    x: Array
    cost: float
    residual: Array
    jacobian: Array
    converged: bool
    at_bound: tuple[str, ...]
    evaluations: int
    reason: str


def jacobian(
    function: Callable[[Array], Array],
    x: Array,
    step: Array,
    low: Array | float = -np.inf,
    high: Array | float = np.inf,
) -> Array:
    """Central differences of a vector function: (n, p) for ``x`` (p,) with steps ``step`` (p,), one-sided at
    a bound.

    Where both bounds coincide the unknown is fixed and its column is zero.

    >>> at, step = np.array([3.0, 2.0]), np.array([1e-4, 1e-4])
    >>> jacobian(lambda x: np.array([x[0] ** 2, x[0] * x[1]]), at, step).round(6).tolist()
    [[6.0, 0.0], [2.0, 3.0]]
    """
    upper, lower = np.minimum(x + step, high), np.maximum(x - step, low)
    columns = []
    for i in range(x.size):
        ahead, behind = x.copy(), x.copy()
        ahead[i], behind[i] = upper[i], lower[i]
        width = upper[i] - lower[i]
        columns.append((function(ahead) - function(behind)) / (width if width > 0 else 1.0))
    return np.stack(columns, axis=1)


def forward_jacobian(
    function: Callable[[Array], Array], x: Array, step: Array, low: Array, high: Array
) -> Array:
    """One-sided differences: half the cost, good enough to search by."""
    towards = np.where(x + step <= high, step, np.where(x - step >= low, -step, high - x))
    base = function(x)
    columns = []
    for i in range(x.size):
        moved = x.copy()
        moved[i] += towards[i]
        columns.append((function(moved) - base) / towards[i] if towards[i] != 0 else np.zeros_like(base))
    return np.stack(columns, axis=1)


def eliminate(problem: Problem, x: Array) -> Array:
    """``x`` with its linear unknowns replaced by their least-squares values for the nonlinear ones in it."""
    if problem.columns is None:
        return x
    every = [i for i, unknown in enumerate(problem.names.unknowns) if unknown.linear]
    observed, design = problem.columns(x)
    # those that are not searched stand where they stand: solved with the rest, they would take from it what
    # they must not have
    fixed = np.array([problem.names.unknowns[i].fixed for i in every], dtype=bool)
    held = [i for i, still in zip(every, fixed, strict=True) if still]
    linear = [i for i, still in zip(every, fixed, strict=True) if not still]
    observed = observed - design[:, fixed] @ problem.names.low[held]
    design = design[:, ~fixed]
    weight = np.sqrt(problem.names.precision[linear])
    rows = np.diag(weight)[weight > 0]
    target = (weight * problem.names.prior[linear])[weight > 0]
    full = np.vstack([design, rows])
    right = np.concatenate([observed, target])
    # columns brought to one length, so that the rank decision does not depend on the units
    length = np.linalg.norm(full, axis=0)
    length[length == 0] = 1.0
    scaled = full / length
    gram = scaled.T @ scaled
    gram[np.diag_indices_from(gram)] += 1e-14
    out = x.copy()
    out[held] = problem.names.low[held]
    out[linear] = np.clip(
        np.linalg.solve(gram, scaled.T @ right) / length,
        problem.names.low[linear],
        problem.names.high[linear],
    )
    return out


class _EnoughError(Exception):
    """The limit of evaluations is reached."""


def search(
    problem: Problem, start: Array, *, tolerance: float = 1e-8, limit: int = 400
) -> tuple[Array, float, int]:
    """Search over the nonlinear unknowns by MINPACK, the linear ones eliminated at every step.

    Returns the whole vector, the cost and the number of evaluations. Bounds are kept by a transformation. A
    search that has not ended after ``limit`` evaluations gives the best vector that it saw. Raises
    ``ValueError`` where a residual is no number.
    """
    names = problem.names
    free = [i for i, unknown in enumerate(names.unknowns) if not unknown.linear and not unknown.fixed]
    if not free:
        x = eliminate(problem, start)
        return x, 0.5 * float(np.sum(problem.with_priors(x) ** 2)), 1
    from scipy.optimize import leastsq

    inside = _Inside(names.low[free], names.high[free])
    count = 0
    best, best_x = np.inf, start

    def whole(inner: Array) -> Array:
        x = start.copy()
        x[free] = inside.values(inner)
        return eliminate(problem, x)

    def projected(inner: Array) -> Array:
        nonlocal count, best, best_x
        if count >= limit:
            raise _EnoughError
        count += 1
        x = whole(inner)
        residual = problem.with_priors(x)
        cost = 0.5 * float(residual @ residual)
        if not np.isfinite(cost):
            raise ValueError(f"the model gives no numbers at {x.tolist()}")
        if cost < best:
            best, best_x = cost, x
        return residual

    try:
        with np.errstate(all="ignore"):
            ended, _ = leastsq(
                projected,
                inside.inner(start[free]),
                xtol=tolerance,
                ftol=tolerance,
                epsfcn=1e-8,
                maxfev=2 * limit,  # never reached
            )
    except _EnoughError:
        return best_x, best, count
    x = whole(np.atleast_1d(ended))
    return x, 0.5 * float(np.sum(problem.with_priors(x) ** 2)), count


class _Inside:
    """Values kept within bounds (p,): each as a function of a number that has none.

    Source: James and Roos, MINUIT, Comput. Phys. Commun. 10 (1975) 343; for one bound its later manual.
    """

    def __init__(self, low: Array, high: Array) -> None:
        self._low, self._high = low, high
        self._both = np.isfinite(low) & np.isfinite(high)
        self._only_low = np.isfinite(low) & ~self._both
        self._only_high = np.isfinite(high) & ~self._both

    def values(self, inner: Array) -> Array:
        """Within the bounds, for any numbers."""
        made = inner.copy()
        for here, end, sign in ((self._only_low, self._low, 1.0), (self._only_high, self._high, -1.0)):
            made[here] = end[here] + sign * (np.sqrt(inner[here] ** 2 + 1.0) - 1.0)
        low, high = self._low[self._both], self._high[self._both]
        made[self._both] = low + (np.sin(inner[self._both]) + 1.0) * (high - low) / 2.0
        return made

    def inner(self, values: Array) -> Array:
        """The numbers that stand for values; one beyond a bound is brought to it."""
        kept = np.clip(values, self._low, self._high)
        made = kept.copy()
        for here, end in ((self._only_low, self._low), (self._only_high, self._high)):
            made[here] = np.sqrt((np.abs(kept[here] - end[here]) + 1.0) ** 2 - 1.0)
        low, high = self._low[self._both], self._high[self._both]
        made[self._both] = np.arcsin(np.clip(2.0 * (kept[self._both] - low) / (high - low) - 1.0, -1.0, 1.0))
        return made


def polish(
    problem: Problem, start: Array, *, steps: Array | None = None, limit: int = 60, on_the_way: bool = False
) -> Solution:
    """Levenberg-Marquardt over all unknowns together, priors included, from a start near the optimum.

    ``steps`` (p,) for the difference quotients (default: 1e-4 of the value). Steps outside the bounds are cut
    to them. ``on_the_way`` is for a place to go on from, or a cost to compare: it ends where a step changes
    the cost by less than 3e-7 of it, some hundredths of a standard error, and spares the central differences.
    Its Jacobian is the last one that was searched by, and plateaus are not looked for.
    """
    names = problem.names
    low, high = names.low, names.high
    x = np.clip(start, low, high)
    step = np.maximum(1e-4 * np.abs(x), 1e-6) if steps is None else steps
    weight = np.sqrt(names.precision)
    prior_rows = np.diag(weight)[weight > 0]
    residual = problem.with_priors(x)
    cost = 0.5 * float(residual @ residual)
    damping, evaluations, converged, reason = 1e-6, 1, False, "the step limit was reached"
    data_jacobian = forward_jacobian(problem.residual, x, step, low, high)
    evaluations += x.size
    for _ in range(limit):
        full = np.vstack([data_jacobian, prior_rows])
        gradient = full.T @ residual
        # an unknown on its bound with the descent pointing outwards stays there
        held = ((x <= low) & (gradient > 0)) | ((x >= high) & (gradient < 0))
        free = ~held
        normal = full[:, free].T @ full[:, free]
        scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        improved = False
        for _ in range(12):
            damped = normal / np.outer(scale, scale)
            damped[np.diag_indices_from(damped)] += damping
            move = np.zeros_like(x)
            move[free] = -np.linalg.solve(damped, gradient[free] / scale) / scale
            trial = np.clip(x + move, low, high)
            trial_residual = problem.with_priors(trial)
            evaluations += 1
            trial_cost = 0.5 * float(trial_residual @ trial_residual)
            if np.isfinite(trial_cost) and trial_cost <= cost:
                improved = True
                break
            damping = max(damping, 1e-7) * 10
        if not improved:
            # no step lowers the cost any more: at the optimum as far as difference quotients can tell
            converged = float(np.max(np.abs(move[free] * scale), initial=0.0)) < 1e-2
            reason = "no step lowers the cost any more"
            break
        size = float(np.max(np.abs((trial - x)[free] * scale), initial=0.0))
        gain = cost - trial_cost
        x, residual, cost, damping = trial, trial_residual, trial_cost, max(damping / 10, 1e-12)
        if size < 1e-6 or gain <= (3e-7 if on_the_way else 1e-9) * cost:
            converged, reason = True, "the last step changed nothing that matters"
            break
        data_jacobian = forward_jacobian(problem.residual, x, step, low, high)
        evaluations += x.size
    plain = problem.residual(x)
    found = Solution(x, cost, plain, data_jacobian, converged, _at_bound(names, x), evaluations, reason)
    return found if on_the_way else _looked_at(problem, found, step)


def _looked_at(problem: Problem, found: Solution, step: Array) -> Solution:
    """With central differences, on which the covariance rests; on a plateau it has not converged."""
    x, names = found.x, problem.names
    central = jacobian(problem.residual, x, step, names.low, names.high)
    found = replace(found, jacobian=central, evaluations=found.evaluations + 2 * x.size)
    flat = _flat(problem, x, step, found.residual, central)
    if not flat:
        return found
    reason = f"on a plateau: {', '.join(flat)} may change without any effect there"
    return replace(found, converged=False, reason=reason)


def _at_bound(names: Names, x: Array) -> tuple[str, ...]:
    """Unknowns that ended on a bound, of those that were searched."""
    return tuple(
        unknown.name
        for unknown, value in zip(names.unknowns, x, strict=True)
        if not unknown.fixed and (value <= unknown.low or value >= unknown.high)
    )


def _flat(problem: Problem, x: Array, step: Array, residual: Array, data_jacobian: Array) -> list[str]:
    """Unknowns that nothing holds: no knowledge beforehand, and a change by their own size is lost in
    rounding. A search ends there because the surface is flat, not because it has a bottom."""
    effect = np.linalg.norm(data_jacobian, axis=0) * np.maximum(np.abs(x), step)
    lost = effect <= 1e-12 * max(float(np.linalg.norm(residual)), 1e-300)
    return [
        unknown.name
        for unknown, nothing in zip(problem.names.unknowns, lost, strict=True)
        if nothing and not unknown.fixed and unknown.precision == 0.0
    ]
