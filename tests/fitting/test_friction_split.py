"""What follows from a bench's products, row by row of the table of knowledge, on exact synthetic products.

``P = 2 μ n R_e F_0`` and ``K = μ n R_e cot(β ± φ)/r_p``: the truth below, put through these by hand.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from diffbench.fitting.friction_split import Geometry, Product, Solved, Statement, solve

Array = NDArray[np.float64]

FRICTION, FORCE = 0.11, 1950.0
DRIVE, COAST, RAMP = np.radians(42.0), np.radians(57.0), np.radians(4.0)
GEOMETRY = Geometry(4, 0.04625, 0.039, 0.0, 0.0)
NO_PIN = Geometry(4, 0.04625, None, 0.0, 0.0)


def preload(
    build: int = 0, *, force: float = FORCE, friction: float = FRICTION, geometry: Geometry = GEOMETRY
) -> Product:
    value = 2.0 * friction * geometry.faces * geometry.effective_radius * force
    return Product("preload", build, "", "", False, value, np.zeros(0))


def bias(
    group: str,
    angle: float,
    *,
    unloading: bool,
    build: int = 0,
    friction: float = FRICTION,
    ramp: float = RAMP,
    geometry: Geometry = GEOMETRY,
) -> Product:
    assert geometry.pin_radius is not None
    total = angle - ramp if unloading else angle + ramp
    value = friction * geometry.faces * geometry.effective_radius / (np.tan(total) * geometry.pin_radius)
    return Product("bias", build, group, group, unloading, float(value), np.zeros(0))


BOTH_FLANKS = [
    bias(group, angle, unloading=unloading)
    for group, angle in (("drive", DRIVE), ("coast", COAST))
    for unloading in (False, True)
]
LOADING = [product for product in BOTH_FLANKS if not product.unloading]
FORCE_STATED = Statement("force[0]", FORCE, 60.0, "spring force")
ANGLES_STATED = [
    Statement("angle[drive]", DRIVE, np.radians(0.3), "ramp angle"),
    Statement("angle[coast]", COAST, np.radians(0.3), "ramp angle"),
]
EXACT_TO = 1e-6  # of statements and products, whose weights stop at 1e-6 and 1e-5 relative


def solved(
    products: Sequence[Product],
    statements: Sequence[Statement] = (),
    geometries: Sequence[Geometry] = (GEOMETRY,),
    *,
    relative_u: float = 0.01,
) -> Solved:
    spread = np.eye(len(products)) * relative_u**2
    return solve(products, spread, statements, geometries)


def determined(found: Solved) -> set[str]:
    return {name for name, part in found.parts.items() if part.determined}


class TestRankStatements:
    """Which parts follow from what, by the table of knowledge."""

    def test_geometry_alone_gives_products_only(self) -> None:
        """One flank, loading: neither friction nor angle nor force."""
        found = solved([preload(), bias("drive", DRIVE, unloading=False)])
        assert found.converged
        assert determined(found) == set()
        assert set(found.parts) == {"friction", "force[0]", "angle[drive]", "ramp_friction[drive]"}

    def test_loading_and_unloading_of_one_flank_are_still_products(self) -> None:
        """Two biases, three unknowns."""
        found = solved([preload(), *BOTH_FLANKS[:2]])
        assert determined(found) == set()

    def test_both_flanks_loading_only_are_still_products(self) -> None:
        found = solved([preload(), *LOADING])
        assert determined(found) == set()

    def test_the_spring_force_gives_friction(self) -> None:
        """μ = P/(2 n R_e F_0); of the ramps, loading alone gives β + φ together, not each."""
        found = solved([preload(), *LOADING], [FORCE_STATED])
        assert found.converged
        assert determined(found) == {"friction", "force[0]"}
        assert found.parts["friction"].value == pytest.approx(FRICTION, rel=EXACT_TO)

    def test_the_spring_force_with_loading_and_unloading_gives_all(self) -> None:
        found = solved([preload(), *BOTH_FLANKS], [FORCE_STATED])
        assert found.converged
        assert determined(found) == set(found.parts)
        assert found.parts["friction"].value == pytest.approx(FRICTION, rel=EXACT_TO)
        assert found.parts["angle[drive]"].value == pytest.approx(DRIVE, rel=EXACT_TO)
        assert found.parts["angle[coast]"].value == pytest.approx(COAST, rel=EXACT_TO)
        for flank in ("drive", "coast"):
            assert found.parts[f"ramp_friction[{flank}]"].value == pytest.approx(RAMP, rel=EXACT_TO)

    def test_one_flank_needs_no_other(self) -> None:
        found = solved([preload(), *BOTH_FLANKS[:2]], [FORCE_STATED])
        assert determined(found) == {"friction", "force[0]", "angle[drive]", "ramp_friction[drive]"}
        assert found.parts["angle[drive]"].assumed_u < 1e-12  # nothing leans on a like coast flank

    def test_nominal_angle_with_loading_and_unloading_gives_friction_and_force(self) -> None:
        """φ from the ratio of both biases, then μ, then F_0."""
        found = solved([preload(), *BOTH_FLANKS[:2]], ANGLES_STATED[:1])
        assert found.converged
        assert determined(found) == set(found.parts)
        assert found.parts["ramp_friction[drive]"].value == pytest.approx(RAMP, rel=EXACT_TO)
        assert found.parts["friction"].value == pytest.approx(FRICTION, rel=EXACT_TO)
        assert found.parts["force[0]"].value == pytest.approx(FORCE, rel=EXACT_TO)

    def test_nominal_angle_with_loading_alone_gives_nothing(self) -> None:
        found = solved([preload(), LOADING[0]], ANGLES_STATED[:1])
        assert determined(found) == {"angle[drive]"}

    def test_nominal_angles_of_both_flanks_with_loading_alone_lean_on_like_friction(self) -> None:
        """Two biases give μ and one φ, if both flanks rub alike: what that assumption costs is told."""
        found = solved([preload(), *LOADING], ANGLES_STATED)
        assert "friction" in determined(found)
        assert found.parts["friction"].assumed_u > 0.01 * FRICTION

    def test_no_preload_seen_leaves_the_force_out(self) -> None:
        """A unit without preload, or one whose preload is not determined: friction from the angles all the
        same."""
        found = solved(BOTH_FLANKS, ANGLES_STATED)
        assert "force[0]" not in found.parts
        assert found.parts["friction"].value == pytest.approx(FRICTION, rel=EXACT_TO)

    def test_no_pin_radius_leaves_the_ramps_out(self) -> None:
        found = solved([preload()], [FORCE_STATED], [NO_PIN])
        assert determined(found) == {"friction", "force[0]"}

    def test_nothing_measured_determines_nothing(self) -> None:
        found = solve([], np.zeros((0, 0)), [], [GEOMETRY])
        assert found.parts == {}


class TestSeveralBuilds:
    """Builds of one unit share friction and, nearly, ramp friction."""

    def test_other_ramps_give_friction_and_angles_without_a_force(self) -> None:
        """Loading and unloading of two pairs of ramps: five unknowns, four biases and the like friction of
        the rings."""
        products = [
            preload(0),
            *(bias("a", DRIVE, unloading=u, build=0) for u in (False, True)),
            *(bias("b", COAST, unloading=u, build=1) for u in (False, True)),
        ]
        found = solved(products, geometries=[GEOMETRY, GEOMETRY])
        assert found.converged
        assert determined(found) == set(found.parts)
        assert found.parts["friction"].value == pytest.approx(FRICTION, rel=1e-5)
        assert found.parts["angle[a]"].value == pytest.approx(DRIVE, rel=1e-5)
        assert found.parts["angle[b]"].value == pytest.approx(COAST, rel=1e-5)
        assert found.parts["force[0]"].value == pytest.approx(FORCE, rel=1e-5)

    def test_a_force_stated_for_one_shim_gives_those_of_the_others(self) -> None:
        """The shim-to-preload curve: one spring on a press, four on the bench."""
        forces = [1500.0, 1700.0, 1950.0, 2150.0]
        products = [preload(i, force=force) for i, force in enumerate(forces)]
        stated = Statement("force[2]", 1950.0, 60.0, "spring force")
        found = solved(products, [stated], [GEOMETRY] * 4)
        assert determined(found) == set(found.parts)
        for i, force in enumerate(forces):
            assert found.parts[f"force[{i}]"].value == pytest.approx(force, rel=EXACT_TO)

    def test_shims_alone_give_no_force(self) -> None:
        products = [preload(i, force=force) for i, force in enumerate([1500.0, 1950.0])]
        assert determined(solved(products, geometries=[GEOMETRY] * 2)) == set()

    def test_two_forces_stated_share_one_friction(self) -> None:
        """Two sheets that agree: the friction coefficient leans on both, its doubt falls by √2."""
        products = [preload(0, force=1500.0), preload(1, force=1950.0)]
        one = Statement("force[0]", 1500.0, 45.0, "spring force")
        two = Statement("force[1]", 1950.0, 58.5, "spring force")
        found = solved(products, [one, two], [GEOMETRY] * 2).parts["friction"]
        assert found.value == pytest.approx(FRICTION, rel=EXACT_TO)
        np.testing.assert_allclose(
            found.by_statement, [-0.5 * FRICTION / 1500.0, -0.5 * FRICTION / 1950.0], rtol=1e-4
        )

    def test_builds_of_other_plate_counts_share_friction(self) -> None:
        more = Geometry(6, 0.04625, 0.039, 0.0, 0.0)
        products = [preload(0), preload(1, force=1700.0, geometry=more)]
        found = solved(products, [FORCE_STATED], [GEOMETRY, more])
        assert found.parts["force[1]"].value == pytest.approx(1700.0, rel=EXACT_TO)


class TestSheetAgainstBench:
    """Force and angles both stated: too much is known, and each way gives its own friction."""

    def test_both_ways_agree_where_sheet_and_bench_do(self) -> None:
        products = [preload(), *BOTH_FLANKS]
        by_force, by_angle = solved(products, [FORCE_STATED]), solved(products, ANGLES_STATED)
        assert by_force.parts["friction"].value == pytest.approx(by_angle.parts["friction"].value, rel=1e-5)

    def test_a_spring_force_off_by_a_tenth_shows_in_one_way_only(self) -> None:
        """Stated 10 % high: friction 1/1.1 by the force, right by the angles. With one flank; two would
        pull a little on it, since ramps of other angles then ask for unlike friction."""
        products = [preload(), *BOTH_FLANKS[:2]]
        high = Statement("force[0]", 1.1 * FORCE, 60.0, "spring force")
        assert solved(products, [high]).parts["friction"].value == pytest.approx(FRICTION / 1.1, rel=EXACT_TO)
        assert solved(products, ANGLES_STATED[:1]).parts["friction"].value == pytest.approx(
            FRICTION, rel=1e-5
        )

    def test_all_at_once_is_the_weighted_mean(self) -> None:
        """A sure force and doubtful angles: the answer stays with the force."""
        products = [preload(), *BOTH_FLANKS]
        sure = Statement("force[0]", 1.1 * FORCE, 0.1, "spring force")
        loose = [Statement(s.part, s.value, np.radians(5.0), s.source) for s in ANGLES_STATED]
        found = solved(products, [sure, *loose], relative_u=0.001)
        assert found.parts["friction"].value == pytest.approx(FRICTION / 1.1, rel=0.01)


class TestDoubt:
    """How the doubt of products and statements goes through."""

    def test_friction_by_the_force_moves_against_it_and_with_the_preload(self) -> None:
        """μ = P/(2 n R_e F_0): dμ/dF_0 = −μ/F_0, dμ/d ln P = μ, and the biases do nothing."""
        part = solved([preload(), *BOTH_FLANKS[:2]], [FORCE_STATED]).parts["friction"]
        assert part.by_statement[0] == pytest.approx(-FRICTION / FORCE, rel=1e-4)
        np.testing.assert_allclose(part.by_product, [FRICTION, 0, 0], atol=1e-6)

    @pytest.mark.parametrize("statements", [[FORCE_STATED], ANGLES_STATED, [FORCE_STATED, *ANGLES_STATED]])
    def test_derivatives_are_those_of_the_solution(self, statements: list[Statement]) -> None:
        """Against solving again with one product a thousandth higher."""
        products = [preload(), *BOTH_FLANKS]
        found = solved(products, statements)
        for k, product in enumerate(products):
            up, down = (
                [*products[:k], Product(**{**vars(product), "value": product.value * by}), *products[k + 1 :]]
                for by in (1.001, 0.999)
            )
            above, below = solved(up, statements), solved(down, statements)
            for name, part in found.parts.items():
                slope = (above.parts[name].value - below.parts[name].value) / np.log(1.001 / 0.999)
                assert part.by_product[k] == pytest.approx(slope, rel=1e-3, abs=1e-4 * abs(part.value))

    def test_derivatives_by_statements_are_those_of_the_solution(self) -> None:
        """Against solving again with one statement a hundredth of its uncertainty higher."""
        products = [preload(), *BOTH_FLANKS]
        statements = [FORCE_STATED, *ANGLES_STATED]
        found = solved(products, statements)
        for j, statement in enumerate(statements):
            step = 0.01 * statement.u
            above, below = (
                solved(products, [*statements[:j], moved, *statements[j + 1 :]])
                for moved in (
                    Statement(statement.part, statement.value + side * step, statement.u, statement.source)
                    for side in (1, -1)
                )
            )
            for name, part in found.parts.items():
                slope = (above.parts[name].value - below.parts[name].value) / (2 * step)
                size = abs(part.value) / statement.u
                assert part.by_statement[j] == pytest.approx(slope, rel=1e-3, abs=1e-4 * size)

    def test_a_statement_about_another_build_has_no_part_in_it(self) -> None:
        part = solved([preload()], [FORCE_STATED, Statement("force[7]", 1.0, 0.1, "")]).parts["friction"]
        assert part.by_statement.size == 2
        assert part.by_statement[1] == 0.0


@given(
    st.floats(0.05, 0.2),
    st.floats(25.0, 70.0),
    st.floats(25.0, 70.0),
    st.floats(1.0, 7.0),
    st.floats(300.0, 6000.0),
)
def test_any_unit_is_taken_apart(
    friction: float, drive: float, coast: float, ramp: float, force: float
) -> None:
    """Over the whole range of units, from starts of 45° and 4°: all parts come back."""
    angles = {"drive": np.radians(drive), "coast": np.radians(coast)}
    products = [
        preload(force=force, friction=friction),
        *(
            bias(name, angle, unloading=u, friction=friction, ramp=np.radians(ramp))
            for name, angle in angles.items()
            for u in (False, True)
        ),
    ]
    found = solved(products, [Statement("force[0]", force, 0.03 * force, "spring force")])
    assert found.converged
    assert found.parts["friction"].value == pytest.approx(friction, rel=1e-5)
    for name, angle in angles.items():
        assert found.parts[f"angle[{name}]"].value == pytest.approx(angle, rel=1e-5)
        assert found.parts[f"ramp_friction[{name}]"].value == pytest.approx(np.radians(ramp), abs=1e-5)
