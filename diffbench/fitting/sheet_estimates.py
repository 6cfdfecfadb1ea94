"""Friction coefficient, ramp angles and spring force of one fitted form, and whether build sheet and bench
agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.characterisation import SheetCheck
from diffbench.documents import Build
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.estimates import Estimate
from diffbench.fitting.friction_split import Geometry, Part, Product, Solved, Statement, solve

Array = NDArray[np.float64]

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
            "spring force (build sheet)",
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

    by_force = solve(products, spread, forces, geometries)
    by_angle = solve(products, spread, angles, geometries)
    estimates: dict[str, Estimate] = {}
    undetermined: dict[str, tuple[str, str, str]] = {}
    radius_u = max(g.effective_radius_u for g in geometries)
    pin_u = max(g.pin_radius_u for g in geometries)

    def take(name: str, part: str, unit: str, meaning: str, needs: str, scale: float) -> None:
        degrees = unit == "deg"
        ways = [(by_force, forces, "from the spring force")] if forces else []
        if angles:
            ways.append((by_angle, angles, "from the nominal ramp angles"))
        if not forces:
            # without a force the first way stands on the likeness of both flanks alone: it comes last
            ways.append((by_force, forces, "from loading and unloading of both flanks"))
        for solved, statements, way in ways:
            found = solved.parts.get(part)
            if found is None or not found.determined or not solved.converged:
                continue
            if way == "from the nominal ramp angles" and part.startswith("angle"):
                continue  # stated, not measured
            if (
                way == "from the spring force"
                and part.startswith("force")
                and any(s.part == part for s in forces)
            ):
                continue
            factor = float(np.degrees(1.0)) if degrees else 1.0
            sheet: dict[str, float] = {}
            for j, statement in enumerate(statements):
                size = abs(found.by_statement[j]) * statement.u * factor
                sheet[statement.source] = float(np.hypot(sheet.get(statement.source, 0.0), size))
            if not degrees:
                sheet["radii (build sheet)"] = abs(found.value) * float(np.hypot(radius_u, pin_u))
            sheet["weak: like friction on both flanks"] = found.assumed_u * factor
            estimates[name] = Estimate(
                found.value * factor,
                found.by_product @ relative * factor,
                unit,
                f"{meaning}, {way}",
                needs,
                scale,
                sheet,
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
            suffix = name[name.index("[") :] if "[" in name else ""
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
                forces,
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
    return Split(estimates, undetermined, _checks(by_force, by_angle, forces, angles, spread, builds, labels))


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
            found.append(Product("preload", i, "", "", False, value, unit(preload)))
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
                found.append(Product("bias", i, bias, flank, False, k, unit(bias)))
            if (
                reliable.get(f"ramp_bias_{flank}_unloading{label}", False)
                and ("unload", bias) not in seen
                and k > 0
            ):
                seen.add(("unload", bias))
                found.append(Product("bias", i, bias, flank, True, k * r, r * unit(bias) + k * unit(ratio)))
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
                found[name] = Statement(
                    f"angle[{name}]", angle.value, angle.u or 0.0, "ramp angle (build sheet)"
                )
    return list(found.values())


def _loading_angle(
    estimates: dict[str, Estimate],
    undetermined: dict[str, tuple[str, str, str]],
    by_force: Solved,
    forces: list[Statement],
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
    friction = by_force.parts.get("friction")
    k = next((j for j, p in enumerate(products) if p.group == name and not p.unloading), None)
    if friction is None or not friction.determined or k is None or not by_force.converged or not forces:
        undetermined[key] = ("deg", meaning, needs.split(", with loading", maxsplit=1)[0])
        return
    product = products[k]
    geometry = geometries[product.build]
    assert geometry.pin_radius is not None
    cotangent = (
        product.value * geometry.pin_radius / (friction.value * geometry.faces * geometry.effective_radius)
    )
    angle = float(np.degrees(np.arctan2(1.0, cotangent)))
    # d(angle)/d ln(cot) = -cot/(1 + cot²)
    slope = -float(np.degrees(cotangent / (1.0 + cotangent**2)))
    by_product = -friction.by_product / friction.value
    by_product = by_product.copy()
    by_product[k] += 1.0
    sheet: dict[str, float] = {}
    for j, statement in enumerate(forces):
        size = abs(slope * friction.by_statement[j] / friction.value) * statement.u
        sheet[statement.source] = float(np.hypot(sheet.get(statement.source, 0.0), size))
    sheet["radii (build sheet)"] = abs(slope) * geometry.pin_radius_u
    sheet["weak: like friction on both flanks"] = abs(slope) * friction.assumed_u / friction.value
    estimates[key] = Estimate(
        angle, slope * by_product @ relative, "deg", f"{meaning}, from the spring force", needs, 2.0, sheet
    )


def _checks(
    by_force: Solved,
    by_angle: Solved,
    forces: list[Statement],
    angles: list[Statement],
    spread: Array,
    builds: Sequence[Build],
    labels: Sequence[str],
) -> tuple[SheetCheck, ...]:
    """Where force and angles are both stated, two ways lead to one friction coefficient: how far apart are
    they?"""
    checks: list[SheetCheck] = []

    def compare(one: Part, other: Part, quantity: str, unit: str, readings: str) -> None:
        factor = float(np.degrees(1.0)) if unit == "deg" else 1.0
        by_product = one.by_product - other.by_product
        variance = float(by_product @ spread @ by_product) + one.assumed_u**2 + other.assumed_u**2
        variance += sum((one.by_statement[j] * s.u) ** 2 for j, s in enumerate(forces))
        variance += sum((other.by_statement[j] * s.u) ** 2 for j, s in enumerate(angles))
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

    one, other = by_force.parts.get("friction"), by_angle.parts.get("friction")
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
        measured = by_force.parts.get(statement.part)
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
    del builds, labels
    return tuple(checks)
