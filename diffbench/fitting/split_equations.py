"""The equations that tie friction coefficient, ramp angles, ramp friction and spring force to what a bench
and a build sheet say.

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
