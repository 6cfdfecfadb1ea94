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
BLUNT = 0.05  # of the value: a positive quantity that is no sharper is seen by its logarithm
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


@dataclass(frozen=True)
class _End:
    """A point (p,) on one side of the minimum: how far the quantity got, and what that costs."""

    sign: float
    x: Array
    reached: float
    deviance: float

    def near(self, plain: float, half_width: float) -> bool:
        """Whether the sum of squares has risen there as a parabola does, and no bound was in the way."""
        if self.reached < (1.0 - NEAR) * half_width:
            return False
        return bool(abs(np.sqrt(max(self.deviance, 0.0)) * plain / self.reached - 1.0) < NEAR)


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
    variance = float(gradient @ _response(jacobian, names, gradient, free))
    plain = float(np.sqrt(max(variance, 0.0)))
    used = plain if u is None else u
    if plain == 0.0 or used == 0.0:
        return Profile(used, 1.0, 1.0)
    target = (factor * used / plain) ** 2
    both = [_linear_end(surface, sign, factor * used) for sign in (-1.0, 1.0)]
    if all(end.near(plain, factor * used) for end in both):
        return Profile(used, 1.0, 1.0, 2)
    # where one side bends, the other one's way may not be the best either
    found = [_side(surface, end, factor * used, target, plain) for end in both]
    below, above = (distance / (factor * used) for distance, _ in found)
    return Profile(used, below, above, 2 + sum(evaluations for _, evaluations in found))


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
    errors) stays as it is.

    A positive quantity that is not sharp is profiled by its logarithm, in which it is closer to a parabola.
    """
    names = problem.names
    free = np.array([not unknown.fixed for unknown in names.unknowns])
    response = _response(solution.jacobian, names, estimate.gradient, free)
    variance = float(estimate.gradient @ covariance.noise @ estimate.gradient)
    variance += float(response @ (names.precision * response))
    u, value = float(np.sqrt(max(variance, 0.0))), estimate.value
    if not (estimate.positive and value > 0 and u > BLUNT * value):
        found = profile(problem, solution, quantity, estimate.gradient, step=step, factor=factor, u=u)
        return replace(estimate, profile=(u, found.below, found.above))

    def logarithm(x: Array) -> float:
        return float(np.log(max(quantity(x), 1e-9 * value)))

    found = profile(
        problem, solution, logarithm, estimate.gradient / value, step=step, factor=factor, u=u / value
    )
    wide = factor * u / value
    below, above = 1.0 - np.exp(-wide * found.below), np.exp(wide * found.above) - 1.0
    return replace(estimate, profile=(u, float(below / wide), float(above / wide)))


def _linear_end(surface: _Surface, sign: float, half_width: float) -> _End:
    """Where the linear model has the end on one side."""
    centre = surface.solution.x
    start = surface.quantity(centre)
    x = _constrained(surface, surface.solution.jacobian, centre, start + sign * half_width, start)
    return _End(sign, x, sign * (surface.quantity(x) - start), surface.deviance(x))


def _side(surface: _Surface, end: _End, half_width: float, target: float, plain: float) -> tuple[float, int]:
    """Distance to the end on one side, and the evaluations that it took."""
    start = surface.quantity(surface.solution.x)
    sign, x, reached, deviance = end.sign, end.x, end.reached, end.deviance
    if reached <= 1e-9 * half_width:
        return 0.0, 0  # on its bound: there is nothing on this side
    model = surface.problem.residual
    jacobian = forward_jacobian(model, x, surface.step, surface.low, surface.high)
    aim, evaluations = half_width, x.size + 1
    scale = np.sqrt(np.sum(jacobian**2, axis=0) + surface.problem.names.precision)
    for number in range(ROUNDS):
        if number == 2:  # still under way: the slopes of the start no longer serve
            jacobian = forward_jacobian(model, x, surface.step, surface.low, surface.high)
            evaluations += x.size + 1
        trial = _constrained(surface, jacobian, x, start + sign * aim, surface.quantity(x))
        # what the step has shown of the slopes serves the next one (Broyden 1965)
        move = (trial - x) * scale
        surprise = model(trial) - model(x) - jacobian @ (trial - x)
        jacobian = jacobian + np.outer(surprise, move * scale) / max(float(move @ move), 1e-300)
        evaluations += 4
        before = deviance
        moved, risen = sign * (surface.quantity(trial) - start), surface.deviance(trial)
        if moved > 0.999 * aim or risen <= deviance or moved > reached:
            x, reached, deviance = trial, moved, risen
        following = _parabola_end(reached, deviance, target, plain)
        if reached < 0.99 * aim and following > reached:
            return reached, evaluations  # a bound is in the way
        if abs(following - reached) < NEAR * reached and deviance > 0.9 * before:
            return following, evaluations
        # not too far at once: the bend was seen up to here only
        aim = float(np.clip(following, 0.4 * reached, 2.0 * reached))
    return _parabola_end(reached, deviance, target, plain), evaluations


def _parabola_end(reached: float, deviance: float, target: float, plain: float) -> float:
    """Distance at which the deviance reaches the target: its root is a parabola through the minimum, with the
    slope there, and through the point reached."""
    root = float(np.sqrt(max(deviance, 0.0)))
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
