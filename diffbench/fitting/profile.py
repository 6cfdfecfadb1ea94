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
CLOSE = 0.08  # of the distance: from there, chord and parabola lead to the end within some hundredths
NOTHING = 1e-12  # of a quantity's scale: such a doubt has no shape, and its square may be no number
BLUNT = 0.05  # of the value: a positive quantity that is no sharper is seen by its logarithm
ROUNDS = 6  # distances that are tried for one end
STEPS = 8  # Gauss-Newton steps at each
HALVINGS = 6


@dataclass(frozen=True)
class Profile:
    """``u`` standard uncertainty that the profile accounts for; ``below``, ``above`` half-widths of its
    interval over the symmetric ones; ``evaluations`` of the model that it took."""

    u: float
    below: float
    above: float
    evaluations: int = 0


@dataclass(frozen=True)
class _Point:
    """Unknowns (p,), how far the quantity got on its side, and the rise of the sum of squares there."""

    x: Array
    residual: Array
    reached: float
    deviance: float


@dataclass
class _Surface:
    """The sum of squares around its minimum, seen from one side of a quantity; ``gradient`` (p,) there."""

    problem: Problem
    solution: Solution
    step: Array
    quantity: Quantity
    gradient: Array
    sign: float
    evaluations: int = 0

    @property
    def centre(self) -> _Point:
        return _Point(self.solution.x, self.solution.residual, 0.0, 0.0)

    @property
    def free(self) -> NDArray[np.bool_]:
        return np.array([not unknown.fixed for unknown in self.problem.names.unknowns])

    def at(self, x: Array) -> _Point:
        names = self.problem.names
        residual = self.problem.residual(x)
        self.evaluations += 1
        known = np.sum((x - names.prior) ** 2 * names.precision)
        risen = float(residual @ residual + known) - 2.0 * self.solution.cost
        reached = self.sign * (self.quantity(x) - self.quantity(self.solution.x))
        return _Point(x, residual, reached, risen if np.isfinite(risen) else np.inf)

    def slopes(self, point: _Point) -> Array:
        names = self.problem.names
        self.evaluations += point.x.size
        residual = self.problem.residual
        return forward_jacobian(residual, point.x, point.residual, self.step, names.low, names.high)

    def on_bound(self, x: Array) -> bool:
        """Whether an unknown that moves the quantity has come to its bound."""
        names = self.problem.names
        at = (x <= names.low) | (x >= names.high)
        return bool(np.any(at & self.free & (self.gradient != 0)))


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
    that the linear model would go; else some ``p`` more for each of the one to three distances that are tried
    on a side. An end that a bound cuts short lies at the bound. Source: Bates & Watts, Nonlinear Regression
    Analysis (1988), section 6.1; the scaling by the covariance after Pace, Salvan & Sartori, Statistica
    Sinica 21 (2011).
    """
    names = problem.names
    both = [_Surface(problem, solution, step, quantity, gradient, sign) for sign in (-1.0, 1.0)]
    variance = float(gradient @ _response(solution.jacobian, names, gradient, both[0].free))
    plain = float(np.sqrt(max(variance, 0.0)))
    used = plain if u is None else u
    if plain == 0.0 or used == 0.0:
        return Profile(used, 1.0, 1.0)
    half_width = factor * used
    wanted = half_width / plain  # root of the rise
    ends = [
        surface.at(_constrained(surface, solution.jacobian, surface.centre, half_width)) for surface in both
    ]
    if all(_near(end, plain, half_width) for end in ends):
        return Profile(used, 1.0, 1.0, 2)
    # where one side bends, the other one's way may not be the best either
    below, above = (
        _side(surface, end, half_width, wanted, plain) / half_width
        for surface, end in zip(both, ends, strict=True)
    )
    return Profile(used, below, above, sum(surface.evaluations for surface in both))


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
    if u < NOTHING * estimate.scale:
        return replace(estimate, profile=(u, 1.0, 1.0))
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


def _near(end: _Point, plain: float, half_width: float) -> bool:
    """Whether the sum of squares has risen there as a parabola does, and no bound was in the way."""
    if end.reached < (1.0 - NEAR) * half_width:
        return False
    return bool(abs(np.sqrt(max(end.deviance, 0.0)) * plain / end.reached - 1.0) < NEAR)


def _side(surface: _Surface, end: _Point, half_width: float, wanted: float, plain: float) -> float:
    """Distance to the end on one side: where the root of the rise is as ``wanted``."""
    aim, jacobian = half_width, surface.solution.jacobian
    for _ in range(HALVINGS):
        if end.reached <= 1e-9 * half_width and surface.on_bound(end.x):
            return 0.0  # there is nothing on this side
        if end.deviance < 4.0 * wanted**2 and end.reached > 0.0:
            break
        # the linear model leads astray so far out
        aim *= 0.5
        end = surface.at(_constrained(surface, jacobian, surface.centre, aim))
    inner, limit, partner = surface.centre, np.inf, surface.centre
    for _ in range(ROUNDS):
        jacobian = surface.slopes(end)
        end = _settled(surface, end, jacobian, aim)
        if not end.reached > 0.0:
            return half_width  # no way out is found: as far as the linear model has it
        following = _extrapolated(partner, end, wanted, plain)
        if end.reached < 0.99 * aim and following > end.reached and surface.on_bound(end.x):
            return end.reached  # a bound is in the way
        if abs(following - end.reached) < CLOSE * end.reached:
            return following
        if end.deviance < wanted**2:
            inner = end if end.reached > inner.reached else inner
        elif end.deviance > 4.0 * wanted**2:
            limit = min(limit, end.reached)  # so far out that it says little about the way there
        partner = end if end.deviance <= 4.0 * wanted**2 else inner
        # not too far at once: the bend was seen up to here only
        aim = min(max(following, 0.4 * end.reached), 2.0 * end.reached)
        if aim > 0.9 * limit:
            aim = 0.5 * (inner.reached + limit)
        end = surface.at(_constrained(surface, jacobian, inner if inner.reached > 0.0 else end, aim))
    return aim


def _settled(surface: _Surface, point: _Point, jacobian: Array, aim: float) -> _Point:
    """The smallest sum of squares with the quantity at ``aim``, by Gauss-Newton steps of which each serves
    the slopes of the next (Broyden 1965)."""
    scale = np.sqrt(np.sum(jacobian**2, axis=0) + surface.problem.names.precision)
    for _ in range(STEPS):
        trial = surface.at(_constrained(surface, jacobian, point, aim))
        for _ in range(HALVINGS):
            if trial.deviance <= point.deviance or trial.reached > point.reached * (1.0 + NEAR):
                break
            trial = surface.at(0.5 * (trial.x + point.x))
        move = (trial.x - point.x) * scale
        surprise = trial.residual - point.residual - jacobian @ (trial.x - point.x)
        if np.isfinite(trial.deviance):
            jacobian = jacobian + np.outer(surprise, move * scale) / max(float(move @ move), 1e-300)
        gain = point.deviance - trial.deviance
        if gain < 0.0 and trial.reached <= point.reached * (1.0 + NEAR):
            return point
        point = trial
        if abs(gain) < NEAR * point.deviance and abs(point.reached - aim) < NEAR * aim:
            break
    return point


def _extrapolated(one: _Point, other: _Point, wanted: float, plain: float) -> float:
    """Distance at which the root of the rise is as wanted, from two points: along their chord where they lie
    well apart, else along the parabola through the other one with the slope at the minimum."""
    root = float(np.sqrt(max(other.deviance, 0.0)))
    if one.reached > 0.0 and abs(other.reached - one.reached) > 0.25 * other.reached:
        before = float(np.sqrt(max(one.deviance, 0.0)))
        slope = (root - before) / (other.reached - one.reached)
        return other.reached + (wanted - root) / slope if slope > 0.0 else 2.0 * other.reached
    bend = (root - other.reached / plain) / other.reached**2
    inside = 1.0 / plain**2 + 4.0 * bend * wanted
    if inside <= 0.0:
        return 2.0 * other.reached  # the parabola never gets there: look further out
    # the root of bend·d² + d/plain = wanted that tends to plain·wanted as the bend vanishes
    return float(2.0 * wanted / (1.0 / plain + np.sqrt(inside)))


def _constrained(surface: _Surface, jacobian: Array, point: _Point, aim: float) -> Array:
    """One Gauss-Newton step towards the smallest sum of squares at which the quantity is ``aim`` from its
    best value; an unknown that would leave its bounds stays on them."""
    names, gradient, x = surface.problem.names, surface.gradient, point.x
    downhill = -(jacobian.T @ point.residual + names.precision * (x - names.prior))
    normal = jacobian.T @ jacobian + np.diag(names.precision)
    free = surface.free
    move = np.zeros_like(x)
    for _ in range(len(names)):
        held = ~free
        push = downhill[free] - normal[np.ix_(free, held)] @ move[held]
        scale = np.sqrt(np.maximum(np.diag(normal)[free], 1e-300))
        inner = normal[np.ix_(free, free)] / np.outer(scale, scale)
        sides = np.stack([push, gradient[free]], axis=1) / scale[:, None]
        by_push, by_pull = (np.linalg.pinv(inner, rcond=1e-12, hermitian=True) @ sides / scale[:, None]).T
        pull = float(gradient[free] @ by_pull)
        missing = surface.sign * (aim - point.reached)
        missing -= float(gradient[free] @ by_push) + float(gradient[held] @ move[held])
        move[free] = by_push + (by_pull * missing / pull if pull > 0.0 else 0.0)
        inside = np.clip(x + move, names.low, names.high)
        leaving = free & (np.abs(inside - x - move) > 1e-12 * (1.0 + np.abs(inside)))
        if not leaving.any():
            break
        move[leaving] = (inside - x)[leaving]
        free &= ~leaving
    return np.clip(x + move, names.low, names.high)


def _response(jacobian: Array, names: Names, gradient: Array, free: NDArray[np.bool_]) -> Array:
    """``H⁻¹ g`` over the free unknowns: how all of them go along with the quantity (p,)."""
    normal = (jacobian.T @ jacobian + np.diag(names.precision))[np.ix_(free, free)]
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    found = np.zeros_like(gradient)
    found[free] = inverse @ (gradient[free] / scale) / scale
    return found
