"""From products to parts: friction coefficient, ramp angles, ramp friction and spring force.

A bench gives products only: ``P = 2 μ n R_e F_0`` and ``K = μ n R_e cot(β ± φ)/r_p``. Which parts follow
depends on what else is known. Here the logarithms of the measured products and the build sheet's statements
are equations for the parts; what they determine is read off the rank of these equations, not off a list, and
the doubt goes through them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Both flanks are cut in one ring and run in one oil: their friction angles are close, not equal (common
# practice, no source).
FLANK_FRICTION_U = np.radians(0.5)
EXACT = 1e-6  # relative; a statement without uncertainty counts as exact
NULL = 1e-5  # a part whose share in the null space exceeds this is not determined


@dataclass(frozen=True)
class Product:
    """One measured product: ``kind`` preload, or bias of a ``flank``, ``unloading`` or not; ``build`` number,
    ``group`` of the ramps; value and gradient with respect to the fit's unknowns (p,)."""

    kind: str
    build: int
    group: str
    flank: str
    unloading: bool
    value: float
    gradient: Array


@dataclass(frozen=True)
class Statement:
    """One statement of a build sheet about a part, with its standard uncertainty (0 = exact)."""

    part: str
    value: float
    u: float
    source: str


@dataclass(frozen=True)
class Geometry:
    """Faces of one pack, effective radius and pin radius [m] of a build, with relative standard
    uncertainties."""

    faces: int
    effective_radius: float
    pin_radius: float | None
    effective_radius_u: float
    pin_radius_u: float


@dataclass(frozen=True)
class Part:
    """A part as solved: value, how it depends on the products' logarithms (k,) and on the statements (s,),
    and what the assumption of like ramp friction on both flanks adds to its standard uncertainty."""

    value: float
    by_product: Array
    by_statement: Array
    assumed_u: float
    determined: bool


@dataclass(frozen=True)
class Solved:
    """Parts by name. Angles are in radians, friction and force in SI."""

    parts: dict[str, Part]
    converged: bool


def solve(  # noqa: PLR0912, PLR0915  # one Gauss-Newton solution: parts would share all of its state
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
    parts = ["friction"]
    for product in products:
        names = (
            [f"force[{product.build}]"]
            if product.kind == "preload"
            else [f"angle[{product.group}]", f"ramp_friction[{product.group}]"]
        )
        parts += [name for name in names if name not in parts]
    used = [s for s in statements if s.part in parts]
    place = {name: i for i, name in enumerate(parts)}
    z = np.zeros(len(parts))
    for name, i in place.items():
        stated = [s.value for s in used if s.part == name]
        if name.startswith("angle"):
            z[i] = stated[0] if stated else np.radians(45.0)
        elif name.startswith("ramp_friction"):
            z[i] = np.radians(4.0)
        elif name.startswith("force"):
            z[i] = np.log(stated[0] if stated else 1500.0)
        else:
            z[i] = np.log(0.1)
    frictions = [name for name in parts if name.startswith("ramp_friction")]
    shared = [(frictions[0], other) for other in frictions[1:]]
    rows = len(products) + len(used) + len(shared)
    weight = np.zeros((rows, rows))
    k = len(products)
    # products with negligible uncertainty would make the weights singular
    weight[:k, :k] = np.linalg.inv(product_covariance + np.eye(k) * 1e-10)
    for j, statement in enumerate(used):
        size = statement.value if statement.part.startswith("force") else 1.0
        weight[k + j, k + j] = 1.0 / max(statement.u / size, EXACT) ** 2
    for j in range(len(shared)):
        weight[k + len(used) + j, k + len(used) + j] = 1.0 / FLANK_FRICTION_U**2

    converged = False
    design, residual = _equations(z, products, used, shared, geometries, place)
    inverse = np.zeros((len(parts), rows))
    null = np.zeros((len(parts), 0))
    root = np.linalg.cholesky(weight)
    for _ in range(60):
        scaled = root.T @ design
        left, singular, right = np.linalg.svd(scaled, full_matrices=True)
        keep = singular > singular[0] * 1e-7 if singular.size else np.zeros(0, dtype=bool)
        rank = int(keep.sum())
        inverse = right[:rank].T @ np.diag(1.0 / singular[:rank]) @ left[:, :rank].T @ root.T
        null = right[rank:].T
        step = inverse @ residual
        # angles stay where a ramp makes thrust
        shrink = 1.0
        for name, i in place.items():
            if name.startswith(("angle", "ramp_friction")):
                shrink = min(shrink, np.radians(8.0) / max(abs(step[i]), 1e-12))
        z = z + min(shrink, 1.0) * step
        for name, i in place.items():
            if name.startswith("angle"):
                z[i] = np.clip(z[i], np.radians(5.0), np.radians(88.0))
            elif name.startswith("ramp_friction"):
                z[i] = np.clip(z[i], np.radians(-2.0), np.radians(20.0))
        design, residual = _equations(z, products, used, shared, geometries, place)
        if float(np.max(np.abs(step), initial=0.0)) < 1e-10:
            converged = True
            break
    solved: dict[str, Part] = {}
    by_statement = np.zeros((len(parts), len(statements)))
    for j, statement in enumerate(used):
        by_statement[:, list(statements).index(statement)] = inverse[:, k + j]
    for name, i in place.items():
        logarithm = not name.startswith(("angle", "ramp_friction"))
        value = float(np.exp(z[i])) if logarithm else float(z[i])
        factor = value if logarithm else 1.0
        free = float(np.linalg.norm(null[i])) if null.size else 0.0
        # a statement about a force is in newtons, its equation in logarithms
        sizes = np.array([s.value if s.part.startswith("force") else 1.0 for s in statements])
        assumed = float(np.linalg.norm(inverse[i, k + len(used) :])) * FLANK_FRICTION_U * factor
        solved[name] = Part(
            value, factor * inverse[i, :k], factor * by_statement[i] / sizes, assumed, free < NULL
        )
    return Solved(solved, converged)


def _equations(
    z: Array,
    products: Sequence[Product],
    statements: Sequence[Statement],
    shared: Sequence[tuple[str, str]],
    geometries: Sequence[Geometry],
    place: dict[str, int],
) -> tuple[Array, Array]:
    """Design matrix and residual (measured less modelled) of the equations in logarithms."""
    design, residual = [], []
    for product in products:
        row = np.zeros(z.size)
        row[place["friction"]] = 1.0
        geometry = geometries[product.build]
        if product.kind == "preload":
            force = place[f"force[{product.build}]"]
            row[force] = 1.0
            model = np.log(2.0 * geometry.faces * geometry.effective_radius) + z[place["friction"]] + z[force]
        else:
            assert geometry.pin_radius is not None
            angle, ramp = place[f"angle[{product.group}]"], place[f"ramp_friction[{product.group}]"]
            side = -1.0 if product.unloading else 1.0
            total = float(np.clip(z[angle] + side * z[ramp], np.radians(1.0), np.radians(89.0)))
            slope = -1.0 / (np.sin(total) * np.cos(total))
            row[angle], row[ramp] = slope, side * slope
            model = (
                np.log(geometry.faces * geometry.effective_radius / geometry.pin_radius)
                + z[place["friction"]]
                - np.log(np.tan(total))
            )
        design.append(row)
        residual.append(np.log(product.value) - model)
    for statement in statements:
        row = np.zeros(z.size)
        row[place[statement.part]] = 1.0
        target = np.log(statement.value) if statement.part.startswith("force") else statement.value
        design.append(row)
        residual.append(target - z[place[statement.part]])
    for one, other in shared:
        row = np.zeros(z.size)
        row[place[one]], row[place[other]] = 1.0, -1.0
        design.append(row)
        residual.append(z[place[other]] - z[place[one]])
    return np.array(design), np.array(residual)
