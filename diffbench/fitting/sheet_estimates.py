"""Friction coefficient, ramp angles and spring force of one fitted form, and whether build sheet and bench
agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from diffbench.definitions import name_of, parts_of
from diffbench.documents import Build
from diffbench.doubts import Source
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.estimates import Estimate
from diffbench.fitting.friction_split import Part, Solved, solve, solve_draws
from diffbench.fitting.joint_draws import JointDraws
from diffbench.fitting.split_equations import (
    FLANK_FRICTION_U,
    Equations,
    Geometry,
    Given,
    Product,
    Statement,
    equations,
)
from diffbench.physics.ramps import effective_angle, log_slope
from diffbench.results.characterisation import SheetCheck

Array = NDArray[np.float64]

NEXT_TO_NOTHING = 1e-6  # relative: so small a dependence is rounding
FRICTION_NEEDS = (
    "the spring force at installed height (from a press, or the disc-spring formula), or the nominal "
    "ramp angles together "
    "with a sweep that shows loading and unloading"
)


@dataclass(frozen=True)
class Split:
    """Estimates by name, and checks where the sheet says more than is needed."""

    estimates: dict[str, Estimate]
    undetermined: dict[str, tuple[str, str, str]]
    checks: tuple[SheetCheck, ...]


@dataclass(frozen=True)
class _Way:
    """One way to the parts: by which statements, what came out, and the equations behind it. ``radii_u`` are
    relative standard uncertainties of effective radius and pin radius."""

    text: str
    statements: list[Statement]
    solved: Solved
    system: Equations | None
    radii_u: tuple[float, float]

    def of_draws(self, draws: JointDraws) -> dict[str, Array]:
        """The parts for draws of the fit's unknowns and of the sheet's errors."""
        system = self.system
        assert system is not None

        def make() -> dict[str, Array]:
            return solve_draws(
                system,
                Given(
                    np.log(np.stack([_drawn_product(draws, p) for p in system.products], axis=-1)),
                    _side_by_side(
                        [_drawn_statement(draws, system.statements[j]) for j in system.used], draws.count
                    ),
                    _side_by_side(
                        [
                            draws.standard(f"friction of {one} and {other}") * FLANK_FRICTION_U
                            for one, other in system.shared
                        ],
                        draws.count,
                    ),
                    draws.standard("effective radius") * self.radii_u[0],
                    draws.standard("pin radius") * self.radii_u[1],
                ),
            )

        return draws.once(self.text, make)

    def drawn_part(self, part: str, factor: float, draws: JointDraws) -> Array:
        """One part, times a factor (n,)."""
        return self.of_draws(draws)[part] * factor


def _side_by_side(columns: list[Array], count: int) -> Array:
    return np.stack(columns, axis=-1) if columns else np.zeros((count, 0))


def _drawn_product(draws: JointDraws, product: Product) -> Array:
    """A product that is a torque or a bias is positive: draws that are not stand at next to nothing."""
    made = np.prod([draws.value(name) for name in product.factors], axis=0)
    return np.asarray(np.maximum(made, 1e-3 * product.value))


def _drawn_statement(draws: JointDraws, statement: Statement) -> Array:
    made = statement.value + statement.u * draws.standard(statement.part)
    return np.asarray(np.maximum(made, 1e-3 * statement.value))


def split(
    candidate: Candidate,
    covariance: Covariance,
    builds: Sequence[Build],
    labels: Sequence[str],
    reliable: dict[str, bool],
    visits: Sequence[int],
) -> Split:
    """Part the products of one form.

    ``labels`` are the builds' suffixes, ``visits`` the first visit of each; ``reliable`` says of each
    product's name whether the fit determines it. Two ways are tried: with the spring forces stated and the
    ramp angles free, and with the ramp angles stated and the forces free. The first is preferred, since it
    measures the ramps; where both work, they are checked against each other.
    """
    products = _products(candidate, builds, labels, reliable, visits)
    geometries = [_geometry(build) for build in builds]
    forces = [
        Statement(
            f"force[{i}]",
            b.preload.spring_force.value,
            b.preload.spring_force.u or 0.0,
            Source.SPRING_FORCE,
        )
        for i, b in enumerate(builds)
        if b.preload.spring_force is not None
    ]
    angles = _angle_statements(candidate, builds, visits)
    relative = (
        np.stack([p.gradient / p.value for p in products])
        if products
        else np.zeros((0, len(candidate.names)))
    )
    spread = relative @ covariance.total @ relative.T

    radii_u = (max(g.effective_radius_u for g in geometries), max(g.pin_radius_u for g in geometries))

    def way(text: str, statements: list[Statement]) -> _Way:
        system = equations(products, spread, statements, geometries) if products else None
        return _Way(text, statements, solve(products, spread, statements, geometries), system, radii_u)

    # without a force the first way stands on the likeness of both flanks alone: it comes last
    by_force = way("from the spring force" if forces else "from loading and unloading of both flanks", forces)
    by_angle = way("from the nominal ramp angles", angles)
    ways = [by_force] if forces else []
    ways += [by_angle] if angles else []
    ways += [] if forces else [by_force]
    estimates: dict[str, Estimate] = {}
    undetermined: dict[str, tuple[str, str, str]] = {}

    def take(name: str, part: str, unit: str, meaning: str, needs: str, scale: float) -> None:
        factor = float(np.degrees(1.0)) if unit == "deg" else 1.0
        for way in ways:
            found = way.solved.parts.get(part)
            if found is None or not found.determined or not way.solved.converged:
                continue
            if any(statement.part == part for statement in way.statements):
                continue  # stated, not measured
            sheet: dict[str, float] = {}
            for j, statement in enumerate(way.statements):
                size = abs(found.by_statement[j]) * statement.u * factor
                sheet[statement.source] = float(np.hypot(sheet.get(statement.source, 0.0), size))
            by_radii = (found.by_effective_radius * radii_u[0], found.by_pin_radius * radii_u[1])
            sheet[Source.RADII] = float(np.hypot(*by_radii)) * factor
            # what the part does not rest on is not in its budget at all
            rests = {
                statement.source
                for j, statement in enumerate(way.statements)
                if abs(found.by_statement[j]) * abs(statement.value) > NEXT_TO_NOTHING * abs(found.value)
            }
            if np.hypot(found.by_effective_radius, found.by_pin_radius) > NEXT_TO_NOTHING * abs(found.value):
                rests.add(Source.RADII)
            sheet = {source: size for source, size in sheet.items() if source in rests}
            sheet["weak: like friction on both flanks"] = found.assumed_u * factor
            estimates[name] = Estimate(
                found.value * factor,
                found.by_product @ relative * factor,
                unit,
                f"{meaning}, {way.text}",
                needs,
                scale,
                sheet,
                of_draws=partial(way.drawn_part, part, factor),
            )
            return
        undetermined[name] = (unit, meaning, needs)

    take(
        "friction_coefficient",
        "friction",
        "1",
        "mean friction coefficient of the plates at the reference condition",
        FRICTION_NEEDS,
        0.01,
    )
    model = candidate.model
    groups = {"drive": (model.sharing.drive_biases, "drive"), "coast": (model.sharing.coast_biases, "coast")}
    for flank, (names, _) in groups.items():
        for name in names:
            suffix = name_of("", parts_of(name)[1])
            angle_needs = (
                FRICTION_NEEDS.split(", or the nominal", maxsplit=1)[0]
                + f", with loading and unloading under {flank} torque"
            )
            take(
                f"effective_ramp_angle_{flank}{suffix}",
                f"angle[{name}]",
                "deg",
                f"angle of the {flank} ramps from the plane of rotation, as it acts",
                angle_needs,
                2.0,
            )
            take(
                f"ramp_friction_angle_{flank}{suffix}",
                f"ramp_friction[{name}]",
                "deg",
                f"friction angle of the {flank} ramps",
                f"loading and unloading under {flank} torque, and the spring force or the nominal angle",
                1.0,
            )
            _loading_angle(
                estimates,
                undetermined,
                by_force,
                products,
                relative,
                name,
                flank,
                suffix,
                geometries,
                angle_needs,
            )
    for i, (build, label) in enumerate(zip(builds, labels, strict=True)):
        if build.preload.spring_force is None:
            take(
                f"spring_force{label}",
                f"force[{i}]",
                "N",
                "force of the preload spring as installed",
                "the force from a press, or the nominal ramp angles together with loading and unloading",
                50.0,
            )
    return Split(estimates, undetermined, _checks(by_force, by_angle, spread))


def _products(
    candidate: Candidate,
    builds: Sequence[Build],
    labels: Sequence[str],
    reliable: dict[str, bool],
    visits: Sequence[int],
) -> list[Product]:
    names, model = candidate.names, candidate.model
    found: list[Product] = []

    def unit(name: str) -> Array:
        grad = np.zeros(len(names))
        grad[names.position[name]] = 1.0
        return grad

    seen: set[tuple[str, str]] = set()
    for i, label in enumerate(labels):
        place = model.place(visits[i])
        preload = model.sharing.preloads[place.preload]
        value = names.value(candidate.x, preload)
        if reliable.get(f"preload_torque{label}", False) and value > 0 and ("preload", preload) not in seen:
            seen.add(("preload", preload))
            found.append(Product("preload", i, "", "", False, value, unit(preload), (preload,)))
        if builds[i].ramps.pin_radius is None:
            continue
        for flank, bias, ratio in (
            ("drive", model.sharing.drive_biases[place.drive], model.sharing.drive_ratios[place.drive]),
            ("coast", model.sharing.coast_biases[place.coast], model.sharing.coast_ratios[place.coast]),
        ):
            k, r = names.value(candidate.x, bias), names.value(candidate.x, ratio)
            if (
                reliable.get(f"ramp_bias_{flank}_loading{label}", False)
                and ("load", bias) not in seen
                and k > 0
            ):
                seen.add(("load", bias))
                found.append(Product("bias", i, bias, flank, False, k, unit(bias), (bias,)))
            if (
                reliable.get(f"ramp_bias_{flank}_unloading{label}", False)
                and ("unload", bias) not in seen
                and k > 0
            ):
                seen.add(("unload", bias))
                grad = r * unit(bias) + k * unit(ratio)
                found.append(Product("bias", i, bias, flank, True, k * r, grad, (bias, ratio)))
    return found


def _geometry(build: Build) -> Geometry:
    radius, pin = build.effective_radius, build.ramps.pin_radius
    return Geometry(
        build.packs.faces,
        radius.value,
        None if pin is None else pin.value,
        (radius.u or 0.0) / radius.value,
        0.0 if pin is None else (pin.u or 0.0) / pin.value,
    )


def _angle_statements(
    candidate: Candidate, builds: Sequence[Build], visits: Sequence[int]
) -> list[Statement]:
    found: dict[str, Statement] = {}
    for i, build in enumerate(builds):
        place, sharing = candidate.model.place(visits[i]), candidate.model.sharing
        for flank, name in (
            ("drive", sharing.drive_biases[place.drive]),
            ("coast", sharing.coast_biases[place.coast]),
        ):
            angle = build.ramps.drive_angle if flank == "drive" else build.ramps.coast_angle
            if angle is not None:
                found[name] = Statement(f"angle[{name}]", angle.value, angle.u or 0.0, Source.RAMP_ANGLE)
    return list(found.values())


def _loading_angle(
    estimates: dict[str, Estimate],
    undetermined: dict[str, tuple[str, str, str]],
    by_force: _Way,
    products: list[Product],
    relative: Array,
    name: str,
    flank: str,
    suffix: str,
    geometries: list[Geometry],
    needs: str,
) -> None:
    """Ramp angle plus friction angle: what the loading bias shows by itself once the friction coefficient is
    known."""
    key = f"effective_ramp_angle_{flank}_loading{suffix}"
    meaning = f"angle of the {flank} ramps plus their friction angle, as it acts while the torque rises"
    friction = by_force.solved.parts.get("friction")
    forces = by_force.statements
    k = next((j for j, p in enumerate(products) if p.group == name and not p.unloading), None)
    usable = friction is not None and friction.determined and by_force.solved.converged
    if friction is None or not usable or k is None or not forces:
        undetermined[key] = ("deg", meaning, needs.split(", with loading", maxsplit=1)[0])
        return
    product = products[k]
    geometry = geometries[product.build]
    assert geometry.pin_radius is not None
    pack = (geometry.faces, geometry.effective_radius, geometry.pin_radius)
    angle = float(effective_angle(product.value, friction.value, *pack))
    slope = float(np.degrees(1.0 / log_slope(angle)))  # of the angle over the logarithm of its cotangent
    by_product = -friction.by_product / friction.value
    by_product = by_product.copy()
    by_product[k] += 1.0
    sheet: dict[str, float] = {}
    for j, statement in enumerate(forces):
        size = abs(slope * friction.by_statement[j] / friction.value) * statement.u
        sheet[statement.source] = float(np.hypot(sheet.get(statement.source, 0.0), size))
    # the effective radius is in the friction coefficient as well, and drops out
    sheet[Source.RADII] = abs(slope) * geometry.pin_radius_u
    sheet["weak: like friction on both flanks"] = abs(slope) * friction.assumed_u / friction.value

    def of_draws(draws: JointDraws) -> Array:
        radii = (draws.standard("effective radius"), draws.standard("pin radius"))
        drawn = [
            radius * np.exp(z * u) for radius, z, u in zip(pack[1:], radii, by_force.radii_u, strict=True)
        ]
        bias, plates = _drawn_product(draws, product), by_force.of_draws(draws)["friction"]
        return np.degrees(effective_angle(bias, plates, geometry.faces, *drawn))

    estimates[key] = Estimate(
        float(np.degrees(angle)),
        slope * by_product @ relative,
        "deg",
        f"{meaning}, from the spring force",
        needs,
        2.0,
        sheet,
        of_draws=of_draws,
    )


def _checks(by_force: _Way, by_angle: _Way, spread: Array) -> tuple[SheetCheck, ...]:
    """Where force and angles are both stated, two ways lead to one friction coefficient: how far apart are
    they?"""
    checks: list[SheetCheck] = []
    forces, angles = by_force.statements, by_angle.statements

    def compare(one: Part, other: Part, quantity: str, unit: str, readings: str) -> None:
        factor = float(np.degrees(1.0)) if unit == "deg" else 1.0
        by_product = one.by_product - other.by_product
        variance = float(by_product @ spread @ by_product) + one.assumed_u**2 + other.assumed_u**2
        variance += sum((one.by_statement[j] * s.u) ** 2 for j, s in enumerate(forces))
        variance += sum((other.by_statement[j] * s.u) ** 2 for j, s in enumerate(angles))
        # both ways take the same radii
        variance += ((one.by_effective_radius - other.by_effective_radius) * by_force.radii_u[0]) ** 2
        variance += ((one.by_pin_radius - other.by_pin_radius) * by_force.radii_u[1]) ** 2
        u = float(np.sqrt(variance))
        distance = (one.value - other.value) / u if u > 0 else float("inf")
        checks.append(
            SheetCheck(
                quantity=quantity,
                from_bench=one.value * factor,
                from_sheet=other.value * factor,
                unit=unit,
                standard_uncertainties=float(distance),
                readings=readings,
            )
        )

    one, other = by_force.solved.parts.get("friction"), by_angle.solved.parts.get("friction")
    if forces and angles and one and other and one.determined and other.determined:
        compare(
            one,
            other,
            "friction_coefficient by spring force, and by nominal ramp angles",
            "1",
            "if they disagree: the spring force, a ramp angle, the pin radius or the number of faces is "
            "not as the sheet says, "
            "or the spring pushes against more than the packs",
        )
    for statement in angles:
        measured = by_force.solved.parts.get(statement.part)
        if forces and measured is not None and measured.determined:
            nominal = Part(
                statement.value,
                np.zeros_like(measured.by_product),
                np.eye(len(angles))[angles.index(statement)],
                0.0,
                determined=True,
            )
            flank = "drive" if "drive" in statement.part else "coast"
            compare(
                measured,
                nominal,
                f"effective ramp angle, {flank}",
                "deg",
                "if they disagree: other ramps are fitted, the angle was measured from the other side "
                "(axis or plane), "
                "or the spring force is not as stated",
            )
    return tuple(checks)
