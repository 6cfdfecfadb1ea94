"""From products to parts: friction coefficient, ramp angles, ramp friction and spring force.

A bench gives products only: ``P = 2 μ n R_e F_0`` and ``K = μ n R_e cot(β ± φ)/r_p``. Which parts follow
depends on what else is known. Here the logarithms of the measured products and the build sheet's statements
are equations for the parts; what they determine is read off the rank of these equations, not off a list, and
the doubt goes through them.

By spring force and by nominal angles are two ways; where both work they are held against each other. Both
flanks are cut in one ring and run in one oil: their friction angles are taken as close, not equal (half a
degree), and the budget names that. Radii are the same parts in all builds, so one error of each acts on every
product at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.split_equations import (
    FLANK_FRICTION_U,
    Equations,
    Geometry,
    Given,
    Product,
    Statement,
    equations,
)

Array = NDArray[np.float64]

NULL = 1e-5  # a part whose share in the null space exceeds this is not determined


@dataclass(frozen=True)
class Part:
    """A part as solved: value, how it depends on the products' logarithms (k,), on the statements (s,) and on
    the logarithms of effective radius and pin radius, and what the assumption of like ramp friction on both
    flanks adds to its standard uncertainty."""

    value: float
    by_product: Array
    by_statement: Array
    assumed_u: float
    determined: bool
    by_effective_radius: float = 0.0
    by_pin_radius: float = 0.0


@dataclass(frozen=True)
class Solved:
    """Parts by name. Angles are in radians, friction and force in SI."""

    parts: dict[str, Part]
    converged: bool


def solve(
    products: Sequence[Product],
    product_covariance: Array,
    statements: Sequence[Statement],
    geometries: Sequence[Geometry],
) -> Solved:
    """Solve for the parts by weighted least squares on logarithms, Gauss-Newton with the rank seen from the
    singular values.

    ``product_covariance`` (k, k) of the products' relative errors. Parts: ``friction``, ``angle[group]`` and
    ``ramp_friction[group]`` for each group of ramps that shows, ``force[build]``.
    """
    if not products:
        return Solved({}, converged=True)
    system = equations(products, product_covariance, statements, geometries)
    z, inverse, null, converged = _central(system)
    k = len(products)
    # a statement about a force is in newtons, its equation in logarithms
    sizes = np.array([s.value if s.part.startswith("force") else 1.0 for s in statements])
    by_statement = np.zeros((len(system.parts), len(statements)))
    for row, j in enumerate(system.used, start=k):
        by_statement[:, j] = inverse[:, row]
    biases = np.array([product.kind == "bias" for product in products])
    by_pin = inverse[:, :k] @ biases.astype(np.float64)
    by_radius = -inverse[:, :k].sum(axis=1)
    solved: dict[str, Part] = {}
    for i, (name, logarithm) in enumerate(zip(system.parts, system.is_logarithm, strict=True)):
        value = float(np.exp(z[i])) if logarithm else float(z[i])
        factor = value if logarithm else 1.0
        free = float(np.linalg.norm(null[i])) if null.size else 0.0
        solved[name] = Part(
            value,
            factor * inverse[i, :k],
            factor * by_statement[i] / sizes,
            float(np.linalg.norm(inverse[i, k + len(system.used) :])) * FLANK_FRICTION_U * factor,
            free < NULL,
            factor * float(by_radius[i]),
            factor * float(by_pin[i]),
        )
    return Solved(solved, converged)


def _central(system: Equations) -> tuple[Array, Array, Array, bool]:
    """Parts as searched (parts,), their dependence on the equations (parts, rows), what is left free (parts,
    f), and whether the search ended."""
    z = _begin(system)
    given, root = system.given, system.root
    design, residual = system.at(z, given)
    inverse, null, converged = np.zeros((z.size, root.shape[0])), np.zeros((z.size, 0)), False
    for _ in range(60):
        left, singular, right = np.linalg.svd(design, full_matrices=True)
        rank = int((singular > singular[0] * 1e-7).sum())
        weighted = right[:rank].T @ np.diag(1.0 / singular[:rank]) @ left[:, :rank].T
        inverse, null = weighted @ root.T, right[rank:].T
        step = weighted @ residual
        z = system.bounded(z + _shortened(system, step))
        design, residual = system.at(z, given)
        if float(np.max(np.abs(step), initial=0.0)) < 1e-10:
            converged = True
            break
    return z, inverse, null, converged


def _begin(system: Equations) -> Array:
    z = np.zeros(len(system.parts))
    for i, name in enumerate(system.parts):
        stated = [system.statements[j].value for j in system.used if system.statements[j].part == name]
        if name.startswith("angle"):
            z[i] = stated[0] if stated else np.radians(45.0)
        elif name.startswith("ramp_friction"):
            z[i] = np.radians(4.0)
        elif name.startswith("force"):
            z[i] = np.log(stated[0] if stated else 1500.0)
        else:
            z[i] = np.log(0.1)
    return z


def _shortened(system: Equations, step: Array) -> Array:
    """Steps (..., parts) cut so that no angle moves by more than eight degrees at once."""
    angular = np.abs(step[..., ~system.is_logarithm]).max(axis=-1, initial=0.0, keepdims=True)
    return np.asarray(step * np.minimum(1.0, np.radians(8.0) / np.maximum(angular, 1e-12)))


def solve_draws(system: Equations, given: Given) -> dict[str, Array]:
    """The parts (n,) for n draws of what the bench and the sheet say, by the same least squares.

    Parts that nothing determines come out anyhow; of use are those that ``solve`` calls determined. A draw
    whose search has not ended after twenty steps stays where it is: out there an angle has met its bound.
    """
    z, _, null, _ = _central(system)
    # moved within the directions that the equations hold, so that every system has full rank
    basis = np.linalg.qr(null, mode="complete")[0][:, null.shape[1] :] if null.size else np.eye(z.size)
    many = np.broadcast_to(z, (given.products.shape[0], z.size)).copy()
    moving = np.arange(many.shape[0])
    for _ in range(20):
        part = Given(
            given.products[moving],
            given.statements[moving],
            given.likeness[moving],
            given.effective_radius[moving],
            given.pin_radius[moving],
        )
        design, residual = system.at(many[moving], part)
        reduced = design @ basis
        normal = np.swapaxes(reduced, -1, -2) @ reduced
        right = np.swapaxes(reduced, -1, -2) @ residual[..., None]
        step = _shortened(system, np.linalg.solve(normal, right)[..., 0] @ basis.T)
        many[moving] = system.bounded(many[moving] + step)
        moving = moving[np.abs(step).max(axis=-1) > 1e-6]
        if moving.size == 0:
            break
    logarithm = system.is_logarithm
    return {name: np.exp(many[:, i]) if logarithm[i] else many[:, i] for i, name in enumerate(system.parts)}
