"""From products to parts: friction coefficient, ramp angles, ramp friction and spring force.

A bench gives products only: ``P = 2 μ n R_e F_0`` and ``K = μ n R_e cot(β ± φ)/r_p``. Which parts follow
depends on what else is known. Here the logarithms of the measured products and the build sheet's statements
are equations for the parts; what they determine is read off the rank of these equations, not off a list, and
the doubt goes through them.

By spring force and by nominal angles are two ways; where both work they are held against each other. Both
flanks are cut in one ring and run in one oil: their friction angles are taken as close, not equal (half a
degree), and the budget names that. Radii are the same parts in all builds, so one error of each acts on every
product at once.

In logarithms the products are ``ln P = ln(2 n R_e) + ln μ + ln F_0`` and ``ln K = ln(n R_e/r_p) + ln μ − ln
tan(β ± φ)``; a statement is an equation for one part; both flanks of one ring have like friction angles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.physics.pack import locking_torque_of_packs
from diffbench.physics.ramps import log_slope, ramp_bias

Array = NDArray[np.float64]

# Both flanks are cut in one ring and run in one oil: their friction angles are close, not equal (common
# practice, no source).
FLANK_FRICTION_U = np.radians(0.5)
EXACT = 1e-6  # relative; a statement without uncertainty counts as exact


@dataclass(frozen=True)
class Product:
    """One measured product: ``kind`` preload, or bias of a ``flank``, ``unloading`` or not; ``build`` number,
    ``group`` of the ramps; value and gradient with respect to the fit's unknowns (p,); ``factors`` the names
    of the unknowns whose product it is."""

    kind: str
    build: int
    group: str
    flank: str
    unloading: bool
    value: float
    gradient: Array
    factors: tuple[str, ...] = ()


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
class Given:
    """What the equations hold, for one case or for many: logarithms of the products (..., k), the statements
    as they are (..., s), the difference of both flanks' friction angles (..., d) [rad], and the relative
    errors of effective radius and pin radius (...,), which are the same in all builds: the parts are."""

    products: Array
    statements: Array
    likeness: Array
    effective_radius: Array
    pin_radius: Array


@dataclass(frozen=True)
class Equations:
    """The equations of one way to the parts: unknown ``parts``, statements that are ``used``, pairs of
    ``shared`` friction angles, and the square root of the weights (rows, rows)."""

    products: tuple[Product, ...]
    statements: tuple[Statement, ...]
    geometries: tuple[Geometry, ...]
    parts: tuple[str, ...]
    used: tuple[int, ...]
    shared: tuple[tuple[str, str], ...]
    root: Array

    @property
    def given(self) -> Given:
        """What the bench and the sheet say."""
        return Given(
            np.log([product.value for product in self.products]),
            np.array([self.statements[j].value for j in self.used]),
            np.zeros(len(self.shared)),
            np.array(0.0),
            np.array(0.0),
        )

    @property
    def is_logarithm(self) -> NDArray[np.bool_]:
        """Which parts are searched as logarithms (parts,)."""
        return np.array([not name.startswith(("angle", "ramp_friction")) for name in self.parts])

    def bounded(self, z: Array) -> Array:
        """Angles stay where a ramp makes thrust."""
        low, high = np.full(len(self.parts), -np.inf), np.full(len(self.parts), np.inf)
        for i, name in enumerate(self.parts):
            if name.startswith("angle"):
                low[i], high[i] = np.radians(5.0), np.radians(88.0)
            elif name.startswith("ramp_friction"):
                low[i], high[i] = np.radians(-2.0), np.radians(20.0)
        return np.clip(z, low, high)

    def at(self, z: Array, given: Given) -> tuple[Array, Array]:
        """Weighted design matrix (..., rows, parts) and residual (..., rows), measured less modelled, at
        parts ``z`` (..., parts)."""
        place = {name: i for i, name in enumerate(self.parts)}
        rows = self.root.shape[0]
        design = np.zeros((*z.shape[:-1], rows, z.shape[-1]))
        residual = np.zeros((*z.shape[:-1], rows))
        friction = z[..., place["friction"]]
        for k, product in enumerate(self.products):
            geometry = self.geometries[product.build]
            design[..., k, place["friction"]] = 1.0
            if product.kind == "preload":
                force = place[f"force[{product.build}]"]
                design[..., k, force] = 1.0
                # of friction one under a force of one
                torque = locking_torque_of_packs(1.0, geometry.faces, geometry.effective_radius, 1.0)
                model = np.log(torque) + friction + z[..., force]
            else:
                assert geometry.pin_radius is not None
                angle, ramp = place[f"angle[{product.group}]"], place[f"ramp_friction[{product.group}]"]
                side = -1.0 if product.unloading else 1.0
                total = np.clip(z[..., angle] + side * z[..., ramp], np.radians(1.0), np.radians(89.0))
                slope = log_slope(total)
                design[..., k, angle], design[..., k, ramp] = slope, side * slope
                bias = ramp_bias(
                    1.0, geometry.faces, geometry.effective_radius, geometry.pin_radius, total, 0.0
                )
                model = np.log(bias) + friction - given.pin_radius
            residual[..., k] = given.products[..., k] - model - given.effective_radius
        first = len(self.products)
        for j, number in enumerate(self.used):
            statement = self.statements[number]
            i = place[statement.part]
            design[..., first + j, i] = 1.0
            value = given.statements[..., j]
            target = np.log(value) if statement.part.startswith("force") else value
            residual[..., first + j] = target - z[..., i]
        first += len(self.used)
        for j, (one, other) in enumerate(self.shared):
            design[..., first + j, place[one]], design[..., first + j, place[other]] = 1.0, -1.0
            residual[..., first + j] = z[..., place[other]] - z[..., place[one]] + given.likeness[..., j]
        return self.root.T @ design, residual @ self.root


def equations(
    products: Sequence[Product],
    product_covariance: Array,
    statements: Sequence[Statement],
    geometries: Sequence[Geometry],
) -> Equations:
    """The equations for the parts that the products show, each weighted by its doubt.

    ``product_covariance`` (k, k) of the products' relative errors.
    """
    parts = ["friction"]
    for product in products:
        names = (
            [f"force[{product.build}]"]
            if product.kind == "preload"
            else [f"angle[{product.group}]", f"ramp_friction[{product.group}]"]
        )
        parts += [name for name in names if name not in parts]
    used = [j for j, s in enumerate(statements) if s.part in parts]
    frictions = [name for name in parts if name.startswith("ramp_friction")]
    shared = [(frictions[0], other) for other in frictions[1:]]
    k = len(products)
    rows = k + len(used) + len(shared)
    weight = np.zeros((rows, rows))
    # products with negligible uncertainty would make the weights singular
    weight[:k, :k] = np.linalg.inv(product_covariance + np.eye(k) * 1e-10)
    for row, j in enumerate(used, start=k):
        statement = statements[j]
        size = statement.value if statement.part.startswith("force") else 1.0
        weight[row, row] = 1.0 / max(statement.u / size, EXACT) ** 2
    for row in range(k + len(used), rows):
        weight[row, row] = 1.0 / FLANK_FRICTION_U**2
    return Equations(
        tuple(products),
        tuple(statements),
        tuple(geometries),
        tuple(parts),
        tuple(used),
        tuple(shared),
        np.asarray(np.linalg.cholesky(weight), dtype=np.float64),
    )


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
