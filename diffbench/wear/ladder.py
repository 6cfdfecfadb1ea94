"""Preload torque over shim thickness: from a measured ladder, by the disc-spring curve, or by both.

By a grid, not by a tangent: how far a stack is squeezed without a shim is often known from the bend of its
curve alone, and a grid over it with Bayes' weights needs no starting value and no linearisation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diffbench.physics.disc_stack import DiscStack, stack_load

Array = NDArray[np.float64]

# A ladder says little of its curvature; disc springs as they are used change their stiffness by no more
# than half over half a millimetre (common practice, no source): one standard deviation of the slope's change.
SLOPE_CHANGE, OVER = 0.5, 0.5e-3
GRID = 2001


class Course(Protocol):
    """Preload torque over shim thickness."""

    @property
    def misfit(self) -> float:
        """Chi-squared of the rungs over its degrees of freedom, 0 where none are left."""
        ...

    def at(self, shim: ArrayLike) -> tuple[Array, Array]:
        """Preload torque [N·m] and its standard uncertainty at shims [m], any shape."""
        ...


@dataclass(frozen=True)
class MeasuredCourse:
    """A curve through measured rungs: constant, slope and curvature about ``middle`` [m], with covariance."""

    middle: float
    coefficients: Array
    covariance: Array
    misfit: float

    def at(self, shim: ArrayLike) -> tuple[Array, Array]:
        """Preload torque [N·m] and its standard uncertainty at shims [m]."""
        x = np.asarray(shim, dtype=np.float64) - self.middle
        basis = np.stack([np.ones_like(x), x, x**2], axis=-1)
        u = np.sqrt(np.maximum(np.einsum("...i,ij,...j->...", basis, self.covariance, basis), 0.0))
        return np.asarray(basis @ self.coefficients), u


def measured_course(shims: ArrayLike, preloads: ArrayLike, covariance: ArrayLike) -> MeasuredCourse:
    """Curve through the rungs of a shim ladder.

    P(x) = a + b (x − x̄) + c (x − x̄)², by generalised least squares with c expected within ± |b|/2 for each
    half millimetre of slope change

    Parameters
    ----------
    shims : array_like
        Shim of each rung (n,) [m], two different ones or more.
    preloads : array_like
        Preload torque of each (n,) [N·m].
    covariance : array_like
        Their covariance (n, n) [N²·m²], errors in common included.

    Returns
    -------
    The curve. Its ``misfit`` is the chi-squared of the rungs over its degrees of freedom, 0 where none are
    left; above 1 it has widened the covariance.

    Raises
    ------
    ValueError
        There are not two different shims.

    Examples
    --------
    >>> course = measured_course([0.0, 1e-4, 2e-4], [70.0, 76.0, 81.5], np.eye(3))
    >>> value, u = course.at(1.5e-4)
    >>> print(f"{value:.1f} {u:.1f}")
    78.7 0.7

    References
    ----------
    Generalised least squares with prior knowledge of a coefficient; ISO/TS 28037:2010 for the line.
    """
    x, y = np.asarray(shims, dtype=np.float64), np.asarray(preloads, dtype=np.float64)
    if np.unique(x).size < 2:
        raise ValueError("a ladder has two different shims or more")
    middle = float(x.mean())
    weight = np.linalg.inv(np.asarray(covariance, dtype=np.float64))
    line = np.stack([np.ones_like(x), x - middle], axis=1)
    slope = float(np.linalg.solve(line.T @ weight @ line, line.T @ weight @ y)[1])
    basis = np.stack([np.ones_like(x), x - middle, (x - middle) ** 2], axis=1)
    expected = max(abs(slope), 1e-9) * SLOPE_CHANGE / (2.0 * OVER)
    precision = basis.T @ weight @ basis + np.diag([0.0, 0.0, expected**-2])
    spread = np.linalg.inv(precision)
    coefficients = np.asarray(spread @ (basis.T @ weight @ y))
    rest = y - basis @ coefficients
    freedom = x.size - 2
    misfit = float(rest @ weight @ rest + (coefficients[2] / expected) ** 2) / freedom if freedom else 0.0
    return MeasuredCourse(middle, coefficients, np.asarray(spread * max(misfit, 1.0)), misfit)


@dataclass(frozen=True)
class SpringCourse:
    """The disc-spring curve put through rungs: torque per force and squeeze without shim, weighed on a grid.

    ``squeezes`` (g,) [m] deflections of the stack without a shim, ``weights`` (g,), ``torque_per_force`` (g,)
    [m] with its standard uncertainty ``torque_per_force_u`` (g,) at each; ``misfit`` as in `MeasuredCourse`.
    """

    stack: DiscStack
    squeezes: Array
    weights: Array
    torque_per_force: Array
    torque_per_force_u: Array
    misfit: float

    @property
    def longest(self) -> float:
        """Thickest shim [m] before the stack is flat at the likely squeezes."""
        likely = self.squeezes[self.weights > 1e-3 * self.weights.max()]
        return self.stack.travel - float(likely.max())

    def at(self, shim: ArrayLike) -> tuple[Array, Array]:
        """Preload torque [N·m] and its standard uncertainty at shims [m]."""
        x = np.asarray(shim, dtype=np.float64)[..., None]
        force = stack_load(self.stack, np.clip(self.squeezes + x, 0.0, self.stack.travel))
        each = self.torque_per_force * force
        value = np.asarray((self.weights * each).sum(axis=-1))
        variance = self.weights * ((self.torque_per_force_u * force) ** 2 + (each - value[..., None]) ** 2)
        return value, np.sqrt(variance.sum(axis=-1))


def spring_course(
    stack: DiscStack,
    shims: ArrayLike,
    preloads: ArrayLike,
    covariance: ArrayLike,
    *,
    forces: ArrayLike | None = None,
    forces_u: ArrayLike | None = None,
) -> SpringCourse:
    """Put the curve of the disc springs through rungs of a ladder, and stated spring forces.

    P(x) = A F(s_0 + x), with F the load of the stack (EN 16984), A = 2 μ n R_e and s_0 unknown; s_0 weighed
    over its whole range by how well rungs and forces are met, A by generalised least squares at each

    Parameters
    ----------
    stack : DiscStack
        The stack.
    shims : array_like
        Shim of each rung (n,) [m].
    preloads, covariance : array_like
        Preload torques (n,) [N·m] and their covariance (n, n).
    forces, forces_u : array_like or None
        Stated spring force at each rung (n,) [N], NaN where none is, and standard uncertainties.

    Returns
    -------
    The curve. One rung is enough where a force is stated.

    Raises
    ------
    ValueError
        One rung without a force, or rungs that no squeeze of this stack meets within a hundred standard
        uncertainties.

    Notes
    -----
    Validity: the shape of the curve is the formula's; its scale is measured, so that the tolerance on load
    of EN 16983 does not matter. Statements of one press are taken as independent.

    References
    ----------
    EN 16984 for the curve; Bayes' theorem on a grid with a uniform prior for s_0.
    """
    x, y = np.asarray(shims, dtype=np.float64), np.asarray(preloads, dtype=np.float64)
    stated = np.full(x.size, np.nan) if forces is None else np.asarray(forces, dtype=np.float64)
    stated_u = np.zeros(x.size) if forces_u is None else np.asarray(forces_u, dtype=np.float64)
    told = np.isfinite(stated)
    if np.unique(x).size < 2 and not told.any():
        raise ValueError("one rung does not say how far the stack is pressed: state the spring force")
    room = stack.travel - float(x.max())
    if room <= 0.0:
        raise ValueError("the thickest shim alone is more than the stack's travel")
    squeeze = np.linspace(0.0, room, GRID)[1:]
    load = np.asarray(stack_load(stack, np.clip(squeeze[:, None] + x, 0.0, stack.travel)))
    weight = np.linalg.inv(np.asarray(covariance, dtype=np.float64))
    weighted = load @ weight
    size = np.einsum("gi,gi->g", weighted, load)
    scale = weighted @ y / size
    rest = y - scale[:, None] * load
    chi = np.einsum("gi,ij,gj->g", rest, weight, rest)
    if told.any():
        doubt = np.maximum(stated_u[told], 1e-4 * stated[told])
        chi = chi + (((load[:, told] - stated[told]) / doubt) ** 2).sum(axis=1)
    best = float(chi.min())
    freedom = int(x.size + told.sum()) - 2
    misfit = best / freedom if freedom > 0 else 0.0
    if best > 1e4 * (x.size + 1):
        raise ValueError("no squeeze of this stack meets the rungs: check the springs and the shims")
    wide = max(misfit, 1.0)
    # the scale is integrated over, hence its root: 1/√size
    chance = np.exp(-0.5 * (chi - best) / wide) / np.sqrt(size)
    return SpringCourse(stack, squeeze, chance / chance.sum(), scale, np.sqrt(wide / size), misfit)
