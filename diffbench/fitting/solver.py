"""Least squares with the linear unknowns eliminated; the only caller of lmfit.

A problem is a model ``y ≈ f(x)`` in which some of ``x`` are factors of known columns once the others are
given. The search runs over the others alone (variable projection: Golub & Pereyra 1973; Kaufman 1975), then
all unknowns are polished together, with what is known beforehand as further observations.

Starts are judged with the noise of the first one's settled residual, since before that a wrong minimum can
look as good as the right one, and each is polished before it is compared: a search sees some of the cells and
may end at twice the cost of the answer that polishing takes it to. The polish is a Levenberg-Marquardt of our
own. lmfit's errors are not used: its default rescaling by the residual hides a misfit, and it reports success
on a bound. A search that ended on a plateau has not converged (NIST's BoxBOD tells).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.unknowns import Names

if TYPE_CHECKING:
    import lmfit

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Enough = Callable[[Array, float, float], bool]  # see `polish`


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

    Where both bounds coincide the unknown is fixed and its column is zero, as where its step is.

    >>> at, step = np.array([3.0, 2.0]), np.array([1e-4, 1e-4])
    >>> jacobian(lambda x: np.array([x[0] ** 2, x[0] * x[1]]), at, step).round(6).tolist()
    [[6.0, 0.0], [2.0, 3.0]]
    """
    upper, lower = np.minimum(x + step, high), np.maximum(x - step, low)
    columns: list[Array | None] = []
    for i in range(x.size):
        width = upper[i] - lower[i]
        if width > 0:
            ahead, behind = x.copy(), x.copy()
            ahead[i], behind[i] = upper[i], lower[i]
            columns.append((function(ahead) - function(behind)) / width)
        else:
            columns.append(None)
    some = next((column for column in columns if column is not None), None)
    nothing = np.zeros_like(function(x) if some is None else some)
    return np.stack([nothing if column is None else column for column in columns], axis=1)


def forward_jacobian(
    function: Callable[[Array], Array], x: Array, base: Array, step: Array, low: Array, high: Array
) -> Array:
    """One-sided differences from ``base`` (n,), the function at ``x``: half the cost, good enough to search
    by."""
    towards = np.where(x + step <= high, step, np.where(x - step >= low, -step, high - x))
    found = np.zeros((base.size, x.size))
    for i in np.flatnonzero(towards).tolist():
        moved = x.copy()
        moved[i] += towards[i]
        found[:, i] = (function(moved) - base) / towards[i]
    return found


@dataclass(frozen=True)
class _Linear:
    """The linear unknowns of a problem at one place of the others: which are ``solved`` (k,), their columns
    ``scaled`` (n, k) to one ``length`` (k,) over the rows of `Problem.with_priors`, so that no decision on
    rank depends on the units, and what they are to meet, ``right`` (n,)."""

    solved: list[int]
    scaled: Array
    length: Array
    right: Array

    def nearest(self, values: Array, kept: Flags | slice = slice(None)) -> Array:
        """Least-squares factors (k,) or (k, m) of the ``kept`` columns for ``values`` (n,) or (n, m)."""
        scaled = self.scaled[:, kept]
        gram = scaled.T @ scaled
        gram[np.diag_indices_from(gram)] += 1e-14
        return np.asarray(np.linalg.solve(gram, scaled.T @ values))

    def beside(self, values: Array, kept: Flags) -> Array:
        """What of ``values`` (n, m) none of the ``kept`` columns reaches."""
        return np.asarray(values - self.scaled[:, kept] @ self.nearest(values, kept))


def eliminate(problem: Problem, x: Array) -> Array:
    """``x`` with its linear unknowns replaced by their least-squares values for the nonlinear ones in it."""
    return _eliminated(problem, x)[0]


def _eliminated(problem: Problem, x: Array) -> tuple[Array, _Linear | None]:
    """The same, and the linear unknowns there; None where there are none."""
    if problem.columns is None:
        return x, None
    names = problem.names
    every = [i for i, unknown in enumerate(names.unknowns) if unknown.linear]
    observed, design = problem.columns(x)
    # those that are not searched stand where they stand: solved with the rest, they would take from it what
    # they must not have
    fixed = np.array([names.unknowns[i].fixed for i in every], dtype=bool)
    held = [i for i, still in zip(every, fixed, strict=True) if still]
    solved = [i for i, still in zip(every, fixed, strict=True) if not still]
    weight = np.sqrt(names.precision)
    known = weight > 0
    full = np.vstack([design[:, ~fixed], np.diag(weight)[known][:, solved]])
    length = np.linalg.norm(full, axis=0)
    length[length == 0] = 1.0
    right = np.concatenate([observed - design[:, fixed] @ names.low[held], (weight * names.prior)[known]])
    linear = _Linear(solved, full / length, length, right)
    out = x.copy()
    out[held] = names.low[held]
    out[solved] = np.clip(linear.nearest(right) / length, names.low[solved], names.high[solved])
    return out, linear


class _EnoughError(Exception):
    """The limit of evaluations is reached."""


class _Projected:
    """The residual and its slope over the ``free`` unknowns, the linear ones eliminated; the best so far."""

    def __init__(self, problem: Problem, start: Array, free: list[int], limit: int) -> None:
        self._problem, self._start, self._free, self._limit = problem, start, free, limit
        self.count, self.best, self.best_x = 0, np.inf, start
        self._best_linear: _Linear | None = None

    def at(self, parameters: lmfit.Parameters) -> Array:
        """The whole vector, linear unknowns as at the start."""
        x = self._start.copy()
        x[self._free] = [parameters[f"p{i}"].value for i in self._free]
        return x

    def residual(self, parameters: lmfit.Parameters) -> Array:
        self._evaluated(1)
        x, linear = _eliminated(self._problem, self.at(parameters))
        residual = self._problem.with_priors(x)
        cost = 0.5 * float(residual @ residual)
        if cost < self.best:
            self.best, self.best_x, self._best_linear = cost, x, linear
        return residual

    def slope(self, parameters: lmfit.Parameters) -> Array:
        names, free = self._problem.names, self._free
        self._evaluated(len(free))
        x, linear = self.best_x, self._best_linear  # nearly always: steps that raise the cost are not taken
        if not np.array_equal(x[free], self.at(parameters)[free]):
            x, linear = _eliminated(self._problem, self.at(parameters))
        step = np.zeros_like(x)
        step[free] = np.maximum(1e-4 * np.abs(x[free]), 1e-6)
        base = self._problem.with_priors(x)
        rows = forward_jacobian(self._problem.with_priors, x, base, step, names.low, names.high)[:, free]
        if linear is None:
            return rows
        place = x[linear.solved]
        return linear.beside(rows, (place > names.low[linear.solved]) & (place < names.high[linear.solved]))

    def _evaluated(self, times: int) -> None:
        if self.count + times > self._limit:
            self.count = self._limit
            raise _EnoughError
        self.count += times


def search(
    problem: Problem, start: Array, *, tolerance: float = 1e-8, limit: int = 400
) -> tuple[Array, float, int]:
    """Search over the nonlinear unknowns with lmfit, the linear ones eliminated at every step.

    Returns the whole vector, the cost and the number of evaluations. Bounds are kept by lmfit. A search that
    has not ended after ``limit`` evaluations gives the best vector that it saw. Derivatives are those of the
    residual with the linear unknowns held, less what these reach (Kaufman 1975): an elimination at each
    place, and none for each difference.
    """
    import lmfit

    names = problem.names
    free = [i for i, unknown in enumerate(names.unknowns) if not unknown.linear and not unknown.fixed]
    if not free:
        x = eliminate(problem, start)
        return x, 0.5 * float(np.sum(problem.with_priors(x) ** 2)), 1
    parameters = lmfit.Parameters()
    for i in free:
        unknown = names.unknowns[i]
        low, high = unknown.low, unknown.high
        parameters.add(f"p{i}", value=float(np.clip(start[i], low, high)), min=low, max=high)
    sought = _Projected(problem, start, free, limit)
    # lmfit's own limit is never reached: its way out of it reads memory that is freed by then, and crashes
    # (1.3.4)
    try:
        with np.errstate():  # lmfit leaves numpy's settings changed where it is broken off
            result = lmfit.minimize(
                sought.residual,
                parameters,
                method="leastsq",
                max_nfev=2 * limit + 100,
                xtol=tolerance,
                ftol=tolerance,
                Dfun=sought.slope,
                calc_covar=False,
            )
    except _EnoughError:
        return sought.best_x, sought.best, sought.count
    x = eliminate(problem, sought.at(result.params))
    return x, 0.5 * float(np.sum(problem.with_priors(x) ** 2)), sought.count


def polish(
    problem: Problem,
    start: Array,
    *,
    steps: Array | None = None,
    limit: int = 60,
    on_the_way: bool = False,
    enough: Enough | None = None,
) -> Solution:
    """Levenberg-Marquardt over all unknowns together, priors included, from a start near the optimum.

    ``steps`` (p,) for the difference quotients (default: 1e-4 of the value). Steps outside the bounds are cut
    to them. ``on_the_way`` spares the central differences at the end, for a solution of which only the place
    counts: its Jacobian is the last one that was searched by, and plateaus are not looked for. ``enough(x,
    cost, gain)`` tells, with the gain in cost that the slopes there promise, whether that says enough.
    """
    names = problem.names
    low, high = names.low, names.high
    x = np.clip(start, low, high)
    step = np.maximum(1e-4 * np.abs(x), 1e-6) if steps is None else steps
    prior_rows = np.diag(np.sqrt(names.precision))[names.precision > 0]
    residual = problem.with_priors(x)
    cost = 0.5 * float(residual @ residual)
    damping, evaluations, converged, reason = 1e-6, 1, False, "the step limit was reached"
    count = residual.size - len(prior_rows)
    data_jacobian = forward_jacobian(problem.residual, x, residual[:count], step, low, high)
    evaluations += x.size
    for _ in range(limit):
        full = np.vstack([data_jacobian, prior_rows])
        gradient = full.T @ residual
        # an unknown on its bound with the descent pointing outwards stays there
        free = ~(((x <= low) & (gradient > 0)) | ((x >= high) & (gradient < 0)))
        normal = full[:, free].T @ full[:, free]
        scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
        promised = -0.5 * float(gradient[free] @ _step(normal, gradient[free], scale, 1e-12))
        if enough is not None and enough(x, cost, promised):
            reason = "it says enough"
            break
        for _ in range(12):
            move = np.zeros_like(x)
            move[free] = _step(normal, gradient[free], scale, damping)
            trial = np.clip(x + move, low, high)
            trial_residual = problem.with_priors(trial)
            evaluations += 1
            trial_cost = 0.5 * float(trial_residual @ trial_residual)
            if np.isfinite(trial_cost) and trial_cost <= cost:
                break
            damping = max(damping, 1e-7) * 10
        else:
            # no step lowers the cost any more: at the optimum as far as difference quotients can tell
            converged = float(np.max(np.abs(move[free] * scale), initial=0.0)) < 1e-2
            reason = "no step lowers the cost any more"
            break
        size = float(np.max(np.abs((trial - x)[free] * scale), initial=0.0))
        gain = cost - trial_cost
        x, residual, cost, damping = trial, trial_residual, trial_cost, max(damping / 10, 1e-12)
        if size < 1e-6 or gain <= 1e-9 * cost:
            converged, reason = True, "the last step changed nothing that matters"
            break
        data_jacobian = forward_jacobian(problem.residual, x, residual[:count], step, low, high)
        evaluations += x.size
    found = Solution(
        x, cost, residual[:count], data_jacobian, converged, _at_bound(names, x), evaluations, reason
    )
    return found if on_the_way else _looked_at(problem, found, step)


def _step(normal: Array, gradient: Array, scale: Array, damping: float) -> Array:
    """The Gauss-Newton step (p,), damped; unknowns are brought to one ``scale``."""
    damped = normal / np.outer(scale, scale)
    damped[np.diag_indices_from(damped)] += damping
    return np.asarray(-np.linalg.solve(damped, gradient / scale) / scale)


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
