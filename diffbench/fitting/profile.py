"""Intervals that need not be symmetric: the profile of a quantity through what the fit minimises.

Where a model bends, or an unknown lies near its bound, the sum of squares does not rise alike to both sides.
A quantity is moved away from its best value, all unknowns follow as far as they like, and the interval ends
where the sum of squares, what is known beforehand included, has risen by as much as the probability asks for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.covariance import Covariance
from diffbench.fitting.estimates import Estimate
from diffbench.fitting.solver import Problem, Solution, forward_jacobian
from diffbench.fitting.unknowns import Names

Array = NDArray[np.float64]
Quantity = Callable[[Array], float]

# A half-width that differs by less from the symmetric one is as good as that: no further solutions are spent.
NEAR = 0.05
ROUNDS = 4  # solutions at most for one end


@dataclass(frozen=True)
class Profile:
    """``u`` standard uncertainty that the profile accounts for; ``below``, ``above`` half-widths of its
    interval over the symmetric ones; ``evaluations`` of the model that it took."""

    u: float
    below: float
    above: float
    evaluations: int = 0


@dataclass(frozen=True)
class _Surface:
    """The sum of squares around its minimum, and the quantity with its gradient (p,)."""

    problem: Problem
    solution: Solution
    step: Array
    quantity: Quantity
    gradient: Array
    low: Array
    high: Array
    free: NDArray[np.bool_]

    def deviance(self, x: Array) -> float:
        """Rise of the sum of squares over its minimum."""
        return float(np.sum(self.problem.with_priors(x) ** 2)) - 2.0 * self.solution.cost


def profile(
    problem: Problem,
    solution: Solution,
    quantity: Quantity,
    gradient: Array,
    *,
    step: Array,
    factor: float = 1.96,
    u: float | None = None,
) -> Profile:
    """Profile of a quantity of the unknowns around a solution.

    The interval ends where the smallest sum of squares for that value of the quantity has risen by
    ``factor²``. With ``u`` above what the sum of squares alone gives (noise taken from cycles, a misfit), it
    must rise as many times more: the profile lends the shape, the covariance the size.

    Parameters: ``gradient`` (p,) of the quantity at the solution; ``step`` (p,) for difference quotients;
    ``factor`` half-width in standard uncertainties; ``u`` standard uncertainty (default: from the curvature
    of the sum of squares). Two evaluations of the model where the sum of squares is quadratic along the way
    that the linear model would go; else some ``p`` more for each of at most four solutions to a side. An end
    that a bound cuts short lies at the bound. Source: Bates & Watts, Nonlinear Regression Analysis (1988),
    section 6.1; the scaling by the covariance after Pace, Salvan & Sartori, Statistica Sinica 21 (2011).
    """
    names = problem.names
    free = np.array([not unknown.fixed for unknown in names.unknowns])
    surface = _Surface(problem, solution, step, quantity, gradient, names.low, names.high, free)
    jacobian = solution.jacobian
    plain = float(np.sqrt(max(gradient @ _response(jacobian, names, gradient, free), 0.0)))
    used = plain if u is None else u
    if plain == 0.0 or used == 0.0:
        return Profile(used, 1.0, 1.0)
    target = (factor * used / plain) ** 2
    sides = [_side(surface, sign, factor * used, target, plain) for sign in (-1.0, 1.0)]
    (below, first), (above, second) = sides
    return Profile(used, below / (factor * used), above / (factor * used), first + second)


def profiled(
    estimate: Estimate,
    problem: Problem,
    solution: Solution,
    covariance: Covariance,
    quantity: Quantity,
    *,
    step: Array,
    factor: float,
) -> Estimate:
    """The estimate with the profile of its quantity; its part of the doubt that no profile shows (considered
    errors) stays as it is."""
    names = problem.names
    free = np.array([not unknown.fixed for unknown in names.unknowns])
    response = _response(solution.jacobian, names, estimate.gradient, free)
    variance = float(estimate.gradient @ covariance.noise @ estimate.gradient)
    variance += float(response @ (names.precision * response))
    found = profile(
        problem,
        solution,
        quantity,
        estimate.gradient,
        step=step,
        factor=factor,
        u=float(np.sqrt(max(variance, 0.0))),
    )
    return replace(estimate, profile=(found.u, found.below, found.above))


def _side(
    surface: _Surface, sign: float, half_width: float, target: float, plain: float
) -> tuple[float, int]:
    """Distance to the end on one side, and the evaluations that it took."""
    centre = surface.solution.x
    start = surface.quantity(centre)
    x = _constrained(surface, surface.solution.jacobian, centre, start + sign * half_width, start)
    reached, deviance = sign * (surface.quantity(x) - start), surface.deviance(x)
    evaluations = 1
    if reached > 0.0 and abs(np.sqrt(max(deviance, 0.0)) * plain / reached - 1.0) < NEAR:
        short = reached < (1.0 - NEAR) * half_width  # a bound is in the way
        return (reached if short and deviance < target else half_width), evaluations
    aim = half_width
    for _ in range(ROUNDS):
        jacobian = forward_jacobian(surface.problem.residual, x, surface.step, surface.low, surface.high)
        evaluations += x.size + 1
        trial = _constrained(surface, jacobian, x, start + sign * aim, surface.quantity(x))
        moved, risen = sign * (surface.quantity(trial) - start), surface.deviance(trial)
        evaluations += 1
        if moved >= 0.999 * aim or risen <= deviance or moved > reached:
            x, reached, deviance = trial, moved, risen
        if reached <= 1e-9 * half_width:
            return 0.0, evaluations  # on its bound: there is nothing on this side
        cut = reached < 0.99 * aim
        following = _end(reached, deviance, target, plain)
        if cut and following > reached:
            return reached, evaluations
        if abs(following - reached) < NEAR * reached:
            return following, evaluations
        # not too far at once: the bend was seen up to here only
        aim = float(np.clip(following, 0.4 * reached, 2.0 * reached))
    return _end(reached, deviance, target, plain), evaluations


def _end(reached: float, deviance: float, target: float, plain: float) -> float:
    """Distance at which the deviance reaches the target: its root is a parabola through the minimum, with the
    slope there, and through the point reached."""
    root = np.sqrt(max(deviance, 0.0))
    bend = (root - reached / plain) / reached**2
    wanted = np.sqrt(target)
    inside = 1.0 / plain**2 + 4.0 * bend * wanted
    if inside <= 0.0:
        return 2.0 * reached  # the parabola never gets there: look further out
    # the root of bend·d² + d/plain = wanted that tends to plain·wanted as the bend vanishes
    return float(2.0 * wanted / (1.0 / plain + np.sqrt(inside)))


def _constrained(surface: _Surface, jacobian: Array, x: Array, target: float, here: float) -> Array:
    """One Gauss-Newton step towards the smallest sum of squares at which the quantity has its target; an
    unknown that would leave its bounds stays on them."""
    names, gradient = surface.problem.names, surface.gradient
    data = surface.problem.residual(x) if x is not surface.solution.x else surface.solution.residual
    downhill = -(jacobian.T @ data + names.precision * (x - names.prior))
    normal = jacobian.T @ jacobian + np.diag(names.precision)
    free = surface.free.copy()
    move = np.zeros_like(x)
    for _ in range(len(names)):
        held = ~free
        push = downhill[free] - normal[np.ix_(free, held)] @ move[held]
        scale = np.sqrt(np.maximum(np.diag(normal)[free], 1e-300))
        inner = normal[np.ix_(free, free)] / np.outer(scale, scale)
        sides = np.stack([push, gradient[free]], axis=1) / scale[:, None]
        by_push, by_pull = (np.linalg.pinv(inner, rcond=1e-12, hermitian=True) @ sides / scale[:, None]).T
        pull = float(gradient[free] @ by_pull)
        missing = target - here - float(gradient[free] @ by_push) - float(gradient[held] @ move[held])
        move[free] = by_push + (by_pull * missing / pull if pull > 0.0 else 0.0)
        inside = np.clip(x + move, surface.low, surface.high)
        leaving = free & (np.abs(inside - x - move) > 1e-12 * (1.0 + np.abs(inside)))
        if not leaving.any():
            break
        move[leaving] = (inside - x)[leaving]
        free &= ~leaving
    return np.clip(x + move, surface.low, surface.high)


def _response(jacobian: Array, names: Names, gradient: Array, free: NDArray[np.bool_]) -> Array:
    """``H⁻¹ g`` over the free unknowns: how all of them go along with the quantity (p,)."""
    normal = (jacobian.T @ jacobian + np.diag(names.precision))[np.ix_(free, free)]
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    found = np.zeros_like(gradient)
    found[free] = inverse @ (gradient[free] / scale) / scale
    return found
