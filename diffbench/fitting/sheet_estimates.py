"""Friction coefficient, ramp angles and spring force of one fitted form, and whether build sheet and bench
agree."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.checks.flanges import TORQUE_FACTORS
from diffbench.conditioning.findings import Finding
from diffbench.definitions import BY_FORCE, DEFINITIONS, OR_ANGLE, name_of, parts_of
from diffbench.documents import Build
from diffbench.doubts import Source
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.estimates import Estimate
from diffbench.fitting.friction_split import (
    FLANK_FRICTION_U,
    Equations,
    Geometry,
    Given,
    Part,
    Product,
    Solved,
    Statement,
    equations,
    solve,
    solve_draws,
)
from diffbench.fitting.model import Sharing
from diffbench.fitting.monte_carlo import JointDraws
from diffbench.physics.ramps import effective_angle, log_slope
from diffbench.results.characterisation import Parameter, SheetCheck, SpringFacts

Array = NDArray[np.float64]

AGREEMENT = 2.0  # standard uncertainties
#: Mean friction coefficients of oiled plates, whatever they are lined with, and of most of them (common
#: practice, no source).
PLAUSIBLE_FRICTION = (0.03, 0.3)
USUAL_FRICTION = (0.08, 0.16)
NEXT_TO_NOTHING = 1e-6  # relative: so small a dependence is rounding


PIN_RADIUS = "the pin radius in the build sheet"
PRELOAD = "a preload torque that the runs determine"
PRODUCTS = "a preload torque and a ramp bias that the runs determine"


@dataclass(frozen=True)
class Split:
    """Estimates by name, and checks where the sheet says more than is needed."""

    estimates: dict[str, Estimate]
    undetermined: dict[str, tuple[str, str, str]]
    checks: tuple[SheetCheck, ...]


@dataclass(frozen=True)
class _Quantity:
    """What is asked for: its name in a result and in the table of quantities, and the part that it is (of a
    loading angle, the group of ramps)."""

    name: str
    defined: str
    part: str

    @property
    def factor(self) -> float:
        """From the part's unit to the quantity's."""
        return float(np.degrees(1.0)) if DEFINITIONS[self.defined].unit == "deg" else 1.0


@dataclass(frozen=True)
class _Bench:
    """What the bench says of the parts: products, their relative gradients (k, p) and covariance (k, k), and
    the geometry of each build, with the largest relative standard uncertainties of effective radius and pin
    radius."""

    products: list[Product]
    relative: Array
    spread: Array
    geometries: list[Geometry]
    radii_u: tuple[float, float]

    @classmethod
    def of(
        cls, candidate: Candidate, covariance: Covariance, products: list[Product], builds: Sequence[Build]
    ) -> _Bench:
        geometries = [_geometry(build) for build in builds]
        relative = (
            np.stack([p.gradient / p.value for p in products])
            if products
            else np.zeros((0, len(candidate.names)))
        )
        radii_u = max(g.effective_radius_u for g in geometries), max(g.pin_radius_u for g in geometries)
        return cls(products, relative, relative @ covariance.total @ relative.T, geometries, radii_u)


@dataclass(frozen=True)
class _Way:
    """One way to the parts: by which statements, what came out, and the equations behind it."""

    text: str
    bench: _Bench
    statements: list[Statement]
    solved: Solved
    system: Equations | None

    @classmethod
    def of(cls, text: str, bench: _Bench, statements: list[Statement]) -> _Way:
        told = (bench.products, bench.spread, statements, bench.geometries)
        return cls(text, bench, statements, solve(*told), equations(*told) if bench.products else None)

    def determined(self, part: str) -> Part | None:
        """A part that this way determines."""
        found = self.solved.parts.get(part)
        return found if found is not None and found.determined and self.solved.converged else None

    def estimate(self, asked: _Quantity) -> Estimate | None:
        """What this way measures of a part; what it takes as stated it does not measure."""
        found, factor, radii_u = self.determined(asked.part), asked.factor, self.bench.radii_u
        if found is None or any(statement.part == asked.part for statement in self.statements):
            return None
        sheet = self._by_source(found.by_statement, factor)
        by_radii = (found.by_effective_radius * radii_u[0], found.by_pin_radius * radii_u[1])
        sheet[Source.RADII] = float(np.hypot(*by_radii)) * factor
        # what the part does not rest on is not in its budget at all
        rests = {
            statement.source
            for j, statement in enumerate(self.statements)
            if abs(found.by_statement[j]) * abs(statement.value) > NEXT_TO_NOTHING * abs(found.value)
        }
        if np.hypot(found.by_effective_radius, found.by_pin_radius) > NEXT_TO_NOTHING * abs(found.value):
            rests.add(Source.RADII)
        sheet = {source: size for source, size in sheet.items() if source in rests}
        sheet["weak: like friction on both flanks"] = found.assumed_u * factor
        return Estimate.of(
            asked.defined,
            found.value * factor,
            found.by_product @ self.bench.relative * factor,
            note=f", {self.text}",
            sheet=sheet,
            of_draws=partial(self._drawn_part, asked.part, factor),
        )

    def loading_angle(self, asked: _Quantity) -> Estimate | None:
        """Ramp angle plus friction angle of a group of ramps: what the loading bias shows by itself once the
        friction coefficient is known from a force."""
        friction, products = self.determined("friction"), self.bench.products
        k = next((j for j, p in enumerate(products) if p.group == asked.part and not p.unloading), None)
        if friction is None or k is None or not self.statements:
            return None
        product = products[k]
        geometry = self.bench.geometries[product.build]
        assert geometry.pin_radius is not None
        pack = (geometry.faces, geometry.effective_radius, geometry.pin_radius)
        angle = float(effective_angle(product.value, friction.value, *pack))
        slope = float(np.degrees(1.0 / log_slope(angle)))  # of the angle over the logarithm of its cotangent
        by_product = -friction.by_product / friction.value
        by_product[k] += 1.0
        sheet = self._by_source(slope * friction.by_statement / friction.value)
        # the effective radius is in the friction coefficient as well, and drops out
        sheet[Source.RADII] = abs(slope) * geometry.pin_radius_u
        sheet["weak: like friction on both flanks"] = abs(slope) * friction.assumed_u / friction.value

        def of_draws(draws: JointDraws) -> Array:
            errors = (draws.standard("effective radius"), draws.standard("pin radius"))
            radii = [r * np.exp(z * u) for r, z, u in zip(pack[1:], errors, self.bench.radii_u, strict=True)]
            bias, plates = _drawn_product(draws, product), self._of_draws(draws)["friction"]
            return np.degrees(effective_angle(bias, plates, geometry.faces, *radii))

        return Estimate.of(
            asked.defined,
            float(np.degrees(angle)),
            slope * by_product @ self.bench.relative,
            note=f", {self.text}",
            sheet=sheet,
            of_draws=of_draws,
        )

    def _by_source(self, by_statement: Array, factor: float = 1.0) -> dict[str, float]:
        """What the statements' doubt does to a part that depends on them so (s,), by source."""
        sheet: dict[str, float] = {}
        for statement, slope in zip(self.statements, by_statement.tolist(), strict=True):
            size = abs(slope) * statement.u * factor
            sheet[statement.source] = float(np.hypot(sheet.get(statement.source, 0.0), size))
        return sheet

    def _of_draws(self, draws: JointDraws) -> dict[str, Array]:
        """The parts for draws of the fit's unknowns and of the sheet's errors."""
        system, radii_u = self.system, self.bench.radii_u
        assert system is not None

        def solved() -> dict[str, Array]:
            products = [_drawn_product(draws, p) for p in system.products]
            statements = [_drawn_statement(draws, system.statements[j]) for j in system.used]
            likeness = [
                draws.standard(f"friction of {one} and {other}") * FLANK_FRICTION_U
                for one, other in system.shared
            ]
            return solve_draws(
                system,
                Given(
                    np.log(np.stack(products, axis=-1)),
                    _side_by_side(statements, draws.count),
                    _side_by_side(likeness, draws.count),
                    draws.standard("effective radius") * radii_u[0],
                    draws.standard("pin radius") * radii_u[1],
                ),
            )

        return draws.once(self.text, solved)

    def _drawn_part(self, part: str, factor: float, draws: JointDraws) -> Array:
        """One part, times a factor (n,)."""
        return self._of_draws(draws)[part] * factor


def _side_by_side(columns: list[Array], count: int) -> Array:
    return np.stack(columns, axis=-1) if columns else np.zeros((count, 0))


def _drawn_product(draws: JointDraws, product: Product) -> Array:
    """A product that is a torque or a bias is positive: draws that are not stand at next to nothing."""
    drawn = np.prod([draws.value(name) for name in product.factors], axis=0)
    return np.asarray(np.maximum(drawn, 1e-3 * product.value))


def _drawn_statement(draws: JointDraws, statement: Statement) -> Array:
    drawn = statement.value + statement.u * draws.standard(statement.part)
    return np.asarray(np.maximum(drawn, 1e-3 * statement.value))


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
    ramp angles free, and with the ramp angles stated and the forces free. Where both work, they are checked
    against each other; where they agree, and the angles' doubt is stated, all statements make one weighted
    set. Angles of both flanks that contradict each other count with the doubt that explains it. What is
    stated is measured by the way that leaves it free, the ramps by the first.
    """
    products = _products(candidate, builds, labels, reliable, visits)
    bench = _Bench.of(candidate, covariance, products, builds)
    forces, angles = _force_statements(builds), _angle_statements(candidate, builds, visits)
    # without a force the first way stands on the likeness of both flanks alone: it comes last
    text = "from the spring force" if forces else "from loading and unloading of both flanks"
    by_force, by_angle = _Way.of(text, bench, forces), _Way.of("from the nominal ramp angles", bench, angles)
    checks = _checks(by_force, by_angle)
    of_flanks, widened = _flanks_apart(bench, angles)
    if of_flanks is not None and (not forces or not _agree([of_flanks])):
        checks = (*checks, of_flanks)
        if not _agree([of_flanks]):  # nobody knows which of the angles is wrong: both are in the doubt
            by_angle = _Way.of("from the nominal ramp angles", bench, widened)
    ways = [by_force] if forces else []
    ways += [by_angle] if angles else []
    ways += [] if forces else [by_force]
    stated = [angle for angle in angles if angle.u > 0.0]
    if forces and stated and _agree(checks):
        # one weighted set of equations: each statement counts by its doubt, and what none of them states is
        # sharper than by either way alone
        ways.insert(
            0, _Way.of("from the spring force and the nominal ramp angles", bench, [*forces, *stated])
        )
    estimates: dict[str, Estimate] = {}
    undetermined: dict[str, tuple[str, str, str]] = {}
    for asked in _asked(candidate.model.sharing, builds, labels):
        if asked.defined.endswith("_loading"):
            estimate = by_force.loading_angle(asked)
        else:
            estimate = next((e for way in ways if (e := way.estimate(asked)) is not None), None)
        row, needs = DEFINITIONS[asked.defined], _beside(asked.defined, builds)
        if estimate is not None:
            estimates[asked.name] = replace(estimate, needs=needs)
        else:
            undetermined[asked.name] = (row.unit, row.told, needs)
    return Split(estimates, undetermined, checks)


def _beside(defined: str, builds: Sequence[Build]) -> str:
    """What a quantity still needs beside what the sheets state."""
    needs, ramps = DEFINITIONS[defined].needs, [build.ramps for build in builds]
    force = all(build.preload.spring_force is not None for build in builds)
    angles = all(one.drive_angle is not None and one.coast_angle is not None for one in ramps)
    if force and defined == "friction_coefficient":
        return f"{PRELOAD}, or a sweep that shows loading and unloading" if angles else PRELOAD
    if any(one.pin_radius is None for one in ramps):
        return f"{PIN_RADIUS}, and {needs}"
    if not force:
        return needs.removesuffix(OR_ANGLE) if angles else needs
    return needs.removeprefix(BY_FORCE).removeprefix(", with ").removesuffix(OR_ANGLE) or PRODUCTS


def _agree(checks: Sequence[SheetCheck]) -> bool:
    """Whether what the sheet states agrees with itself by the bench; statements that contradict each other
    are not averaged."""
    return bool(checks) and all(abs(check.standard_uncertainties) <= AGREEMENT for check in checks)


def _asked(sharing: Sharing, builds: Sequence[Build], labels: Sequence[str]) -> Iterator[_Quantity]:
    """The quantities that products can be parted into, in the order of a result."""
    yield _Quantity("friction_coefficient", "friction_coefficient", "friction")
    for flank, groups in (("drive", sharing.drive_biases), ("coast", sharing.coast_biases)):
        for group in groups:
            suffix = name_of("", parts_of(group)[1])
            for defined, part in (
                (f"effective_ramp_angle_{flank}", f"angle[{group}]"),
                (f"ramp_friction_angle_{flank}", f"ramp_friction[{group}]"),
                (f"effective_ramp_angle_{flank}_loading", group),
            ):
                yield _Quantity(f"{defined}{suffix}", defined, part)
    for i, (build, label) in enumerate(zip(builds, labels, strict=True)):
        if build.preload.spring_force is None:
            yield _Quantity(f"spring_force{label}", "spring_force", f"force[{i}]")


def _products(
    candidate: Candidate,
    builds: Sequence[Build],
    labels: Sequence[str],
    reliable: dict[str, bool],
    visits: Sequence[int],
) -> list[Product]:
    """What the fit determines, each once: the first build that has it gives it."""
    names, sharing = candidate.names, candidate.model.sharing
    found: dict[tuple[str, bool], Product] = {}  # by unknown, and whether it is its unloading

    def unit(name: str) -> Array:
        grad = np.zeros(len(names))
        grad[names.position[name]] = 1.0
        return grad

    for i, label in enumerate(labels):
        preload = sharing.preloads[sharing.places[visits[i]].preload]
        value = names.value(candidate.x, preload)
        if reliable.get(f"preload_torque{label}", False) and value > 0:
            own = Product("preload", i, "", "", False, value, unit(preload), (preload,))
            found.setdefault((preload, False), own)
        if builds[i].ramps.pin_radius is None:
            continue
        for flank, bias, ratio in sharing.flanks(visits[i]):
            k, r = names.value(candidate.x, bias), names.value(candidate.x, ratio)
            if k <= 0:
                continue
            if reliable.get(f"ramp_bias_{flank}_loading{label}", False):
                own = Product("bias", i, bias, flank, False, k, unit(bias), (bias,))
                found.setdefault((bias, False), own)
            if reliable.get(f"ramp_bias_{flank}_unloading{label}", False):
                grad = r * unit(bias) + k * unit(ratio)
                own = Product("bias", i, bias, flank, True, k * r, grad, (bias, ratio))
                found.setdefault((bias, True), own)
    return list(found.values())


def _geometry(build: Build) -> Geometry:
    radius, pin = build.effective_radius, build.ramps.pin_radius
    return Geometry(
        build.packs.faces,
        radius.value,
        None if pin is None else pin.value,
        (radius.u or 0.0) / radius.value,
        0.0 if pin is None else (pin.u or 0.0) / pin.value,
    )


def _force_statements(builds: Sequence[Build]) -> list[Statement]:
    return [
        Statement(f"force[{i}]", force.value, force.u or 0.0, Source.SPRING_FORCE)
        for i, force in enumerate(build.preload.spring_force for build in builds)
        if force is not None
    ]


def _angle_statements(
    candidate: Candidate, builds: Sequence[Build], visits: Sequence[int]
) -> list[Statement]:
    found: dict[str, Statement] = {}
    for visit, build in zip(visits, builds, strict=True):
        angles = (build.ramps.drive_angle, build.ramps.coast_angle)
        for (_, bias, _), angle in zip(candidate.model.sharing.flanks(visit), angles, strict=True):
            if angle is not None:
                u = angle.u or 0.0
                found[bias] = Statement(f"angle[{bias}]", angle.value, u, Source.RAMP_ANGLE)
    return list(found.values())


def _flanks_apart(bench: _Bench, angles: list[Statement]) -> tuple[SheetCheck | None, list[Statement]]:
    """Friction by the stated angle of either flank alone, held against each other, where each shows it; and
    the angles with the doubt that would explain how far they are apart, the same for each."""
    sides = [[one for one in angles if flank in one.part] for flank in ("drive", "coast")]
    if not all(sides):
        return None, angles
    ways = [_Way.of("from the nominal ramp angle of one flank", bench, side) for side in sides]
    found = [way.determined("friction") for way in ways]
    if found[0] is None or found[1] is None:
        return None, angles
    one, other = found[0], found[1]
    apart = one.value - other.value
    known = _variance_between(bench, (one, sides[0]), (other, sides[1]))
    slopes = float(np.sum(one.by_statement**2) + np.sum(other.by_statement**2))
    more = max(apart**2 - known, 0.0) / slopes if slopes > 0.0 else 0.0
    check = SheetCheck(
        quantity="friction_coefficient by the drive angle, and by the coast angle",
        from_bench=one.value,
        from_sheet=other.value,
        unit="1",
        standard_uncertainties=apart / float(np.sqrt(known)) if known > 0.0 else float("inf"),
        readings="if they disagree: one of both angles is not as the sheet says, or was measured from the "
        "other side (axis or plane), or the ramps are worn; friction and spring force hold both",
    )
    return check, [replace(one, u=float(np.hypot(one.u, np.sqrt(more)))) for one in angles]


def _variance_between(
    bench: _Bench, one: tuple[Part, Sequence[Statement]], other: tuple[Part, Sequence[Statement]]
) -> float:
    """Variance of the difference of a part by two ways, each with its own statements."""
    (a, of_a), (b, of_b) = one, other
    by_product = a.by_product - b.by_product
    variance = float(by_product @ bench.spread @ by_product) + a.assumed_u**2 + b.assumed_u**2
    variance += sum((a.by_statement[j] * s.u) ** 2 for j, s in enumerate(of_a))
    variance += sum((b.by_statement[j] * s.u) ** 2 for j, s in enumerate(of_b))
    # both ways take the same radii
    variance += ((a.by_effective_radius - b.by_effective_radius) * bench.radii_u[0]) ** 2
    variance += ((a.by_pin_radius - b.by_pin_radius) * bench.radii_u[1]) ** 2
    return float(variance)


def _checks(by_force: _Way, by_angle: _Way) -> tuple[SheetCheck, ...]:
    """Where force and angles are both stated: how far the two ways to one friction coefficient differ."""
    checks: list[SheetCheck] = []
    forces, angles, bench = by_force.statements, by_angle.statements, by_force.bench

    def compare(one: Part, other: Part, quantity: str, unit: str, readings: str) -> None:
        factor = float(np.degrees(1.0)) if unit == "deg" else 1.0
        u = float(np.sqrt(_variance_between(bench, (one, forces), (other, angles))))
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


def implausible_friction(
    parameters: Mapping[str, Parameter], builds: Sequence[Build], labels: Sequence[str], units: set[str]
) -> list[Finding]:
    """Builds whose numbers ask for a friction coefficient that no plates have, all through their interval.

    ``μ = P/(2 n R_e F_0)`` from the preload torque where it was read, and the stated force; without one, the
    coefficient that the ramp angles give. ``units`` are those that rigs state for torques.
    """
    found = []
    for build, label in zip(builds, labels, strict=True):
        force, radius = build.preload.spring_force, build.effective_radius
        names, torque, rest = ["friction_coefficient"], 1.0, 0.0
        if force is not None:
            names = [f"preload_torque_as_read{label}", f"preload_torque{label}"]
            torque = 2.0 * build.packs.faces * radius.value * force.value
            rest = 1.96 * float(np.hypot((force.u or 0.0) / force.value, (radius.u or 0.0) / radius.value))
        told = next(
            (item for name in names if (item := parameters.get(name)) and item.value is not None), None
        )
        if told is None or told.value is None or told.low is None or told.high is None:
            continue
        least, most = PLAUSIBLE_FRICTION
        if told.high / torque * (1.0 + rest) < least or told.low / torque / (1.0 + rest) > most:
            found.append(_implausible(build, told.value / torque, units, by_force=force is not None))
    return found


def overloaded_springs(sheets: Sequence[tuple[Build, str]]) -> list[Finding]:
    """Build sheets, each with its file, whose disc springs cannot carry the spring force that they state."""
    found: dict[Finding, None] = {}
    for build, file in sheets:
        springs, force = SpringFacts.of(build), build.preload.spring_force
        against = (
            "" if springs is None or force is None else springs.overloaded_by(force.value, force.u or 0.0)
        )
        if against:
            found[
                Finding(
                    "springs cannot carry the force",
                    "caveat",
                    file,
                    f"By [preload.disc_spring] {against} (preload.spring_force).",
                    "One of them is wrong. No fit uses the springs' curve; friction coefficient and ramp "
                    "angles rest on the force. No shim and no wear is worked out by these springs.",
                    "Check dimensions, parallel and series of preload.disc_spring, and preload.spring_force.",
                )
            ] = None
    return list(found)


def _implausible(build: Build, friction: float, units: set[str], *, by_force: bool) -> Finding:
    """The finding, with the units that would explain it."""
    cures = [
        f"{words} ({friction * factor:.2g})"
        for words, factor in TORQUE_FACTORS.items()
        if USUAL_FRICTION[0] <= friction * factor <= USUAL_FRICTION[1]
        and (not units or words.rpartition(" ")[2] in units)
    ]
    least, most = PLAUSIBLE_FRICTION
    if not by_force:
        beside = "the number of faces (of one pack), the ramp angles (from plane or axis), the pin radius"
    else:
        likely = f"a wrong unit of torque: {' or '.join(cures)}; or else " if cures else ""
        beside = f"{likely}the number of faces (of one pack), the spring force or its unit, the radii"
        beside += "" if cures else ", the unit of torque"
    return Finding(
        "friction implausible",
        "caveat",
        f"build {build.build}",
        f"{'Preload torque, spring force' if by_force else 'Ramp biases, ramp angles'}, faces and radii ask "
        f"for a friction coefficient of {friction:.2g}; plates in oil have {least:g} to {most:g} (common "
        "practice, no source).",
        "At least one of them is wrong, and if it is the torques, all numbers: nothing is held to be good.",
        f"Check {beside}, and the arrangement: the words for case free and case held may be exchanged.",
    )
