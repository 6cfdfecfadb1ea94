"""Draws from a fit and a sheet, and parts by draws, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench import Characterisation
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.friction_split import (
    Geometry,
    Given,
    Product,
    Statement,
    equations,
    solve,
    solve_draws,
)
from diffbench.fitting.monte_carlo import JointDraws, seed_of
from diffbench.fitting.unknowns import Names, Unknown

Array = NDArray[np.float64]
COUNT = 40_000
FRICTION, FORCE, ANGLE, RAMP = 0.11, 1950.0, np.radians(42.0), np.radians(4.0)
GEOMETRY = Geometry(4, 0.04625, 0.039, 0.0, 0.0)


def draws_of(*, freedom: float = np.inf, mirrored: bool = False, low: float = -np.inf) -> JointDraws:
    """Two unknowns with noise (1, 0.5, r = 0.6) and one stated error that moves both."""
    names = Names((Unknown("a", 0.0, low=low), Unknown("b", 0.0)))
    noise = np.array([[1.0, 0.3], [0.3, 0.25]])
    shares = {"gain": np.array([[2.0], [-1.0]])}
    covariance = Covariance(noise + shares["gain"] @ shares["gain"].T, noise, shares, "")
    rng = np.random.default_rng(5)
    return JointDraws(names, np.array([10.0, -3.0]), covariance, freedom, rng, COUNT, mirrored=mirrored)


def test_draws_have_the_joint_covariance() -> None:
    """Three standard errors of a variance: 3 √(2/n) of it."""
    x = draws_of().x
    expected = np.array([[5.0, -1.7], [-1.7, 1.25]])
    assert x.mean(axis=0) == pytest.approx([10.0, -3.0], abs=3 * np.sqrt(5.0 / COUNT))
    np.testing.assert_allclose(np.cov(x.T), expected, atol=3 * np.sqrt(2.0 / COUNT) * 5.0, rtol=0)


def test_few_degrees_of_freedom_widen_the_noise_alone() -> None:
    """Student's t with 6 degrees of freedom has a variance of 6/4 of the scale's; what is stated has none of
    it: 1.5 · 1 + 4."""
    x = draws_of(freedom=6.0).x
    assert float(x[:, 0].var()) == pytest.approx(5.5, rel=0.04)


def test_mirrored_draws_mirror() -> None:
    draws = draws_of(mirrored=True, freedom=8.0)
    one, other = np.split(draws.x, 2)
    np.testing.assert_allclose(0.5 * (one + other), np.tile([10.0, -3.0], (COUNT // 2, 1)), atol=1e-9)
    one, other = np.split(draws.standard("radius"), 2)
    np.testing.assert_array_equal(one, -other)


def test_draws_stay_within_bounds_and_errors_are_drawn_once() -> None:
    draws = draws_of(low=9.0)
    assert draws.x[:, 0].min() == 9.0
    assert draws.standard("radius") is draws.standard("radius")
    assert abs(np.corrcoef(draws.standard("radius"), draws.standard("force"))[0, 1]) < 3 / np.sqrt(COUNT)


def products() -> list[Product]:
    lever = FRICTION * GEOMETRY.faces * GEOMETRY.effective_radius
    none = np.zeros(0)
    return [
        Product("preload", 0, "", "", False, 2.0 * lever * FORCE, none),
        Product("bias", 0, "d", "drive", False, float(lever / np.tan(ANGLE + RAMP) / 0.039), none),
        Product("bias", 0, "d", "drive", True, float(lever / np.tan(ANGLE - RAMP) / 0.039), none),
    ]


def given(count: int, force: Array, radius: Array, pin: Array) -> Given:
    logs = np.log([product.value for product in products()])
    return Given(np.tile(logs, (count, 1)), force[:, None], np.zeros((count, 0)), radius, pin)


def test_parts_by_draws_are_the_closed_forms() -> None:
    """By force: μ = P/(2 n R_e F_0), and cot(β + φ) = 2 F_0 r_p K/P, whatever the radius of the faces."""
    rng = np.random.default_rng(2)
    force, radius, pin = rng.normal(FORCE, 300.0, 500), rng.normal(0, 0.02, 500), rng.normal(0, 0.02, 500)
    stated = [Statement("force[0]", FORCE, 300.0, "")]
    system = equations(products(), np.eye(3) * 1e-4, stated, [GEOMETRY])
    found = solve_draws(system, given(500, force, radius, pin))
    preload, loading, _ = (product.value for product in products())
    friction = preload / (2.0 * 4 * 0.04625 * np.exp(radius) * force)
    np.testing.assert_allclose(found["friction"], friction, rtol=1e-6)
    total = np.arctan2(preload, 2.0 * force * 0.039 * np.exp(pin) * loading)
    np.testing.assert_allclose(found["angle[d]"] + found["ramp_friction[d]"], total, rtol=1e-6)


def test_radii_act_on_what_they_are_in() -> None:
    """First order: ln μ falls with ln R_e one to one and knows no r_p; the ramp angle turns by −sin·cos of
    the total angle with ln r_p and knows no R_e."""
    parts = solve(products(), np.eye(3) * 1e-4, [Statement("force[0]", FORCE, 60.0, "")], [GEOMETRY]).parts
    assert parts["friction"].by_effective_radius == pytest.approx(-FRICTION, rel=1e-6)
    assert parts["friction"].by_pin_radius == pytest.approx(0.0, abs=1e-9)
    loading = parts["angle[d]"].by_pin_radius + parts["ramp_friction[d]"].by_pin_radius
    assert loading == pytest.approx(-np.sin(ANGLE + RAMP) * np.cos(ANGLE + RAMP), rel=1e-6)
    assert parts["angle[d]"].by_effective_radius == pytest.approx(0.0, abs=1e-9)


def test_the_friction_coefficient_of_the_demo_is_not_symmetric(rebuilt: Characterisation) -> None:
    """μ = P/(2 n R_e F_0) with F_0 known to 3 %: its interval is that of the quotient, drawn here from the
    reported preload and force, and from what else its budget says."""
    item, preload = rebuilt.parameters["friction_coefficient"], rebuilt.parameters["preload_torque"]
    force = rebuilt.parameters["spring_force"]
    assert item.value is not None
    assert item.u is not None
    assert preload.value is not None
    assert force.value is not None
    assert force.u is not None
    rest = np.sqrt(max(item.u**2 - item.budget["spring force (build sheet)"] ** 2, 0.0)) / item.value
    rng = np.random.default_rng(11)
    drawn = item.value * rng.normal(1.0, rest, 400_000) / rng.normal(1.0, force.u / force.value, 400_000)
    low, high = np.quantile(drawn, [0.025, 0.975])
    # draws settle to one digit of u by two of their standard deviations (JCGM 101, 7.9.4): half a unit of it
    # is at most an eighth of u; three of them here
    assert item.low == pytest.approx(low, abs=1.5 * item.u / 8)
    assert item.high == pytest.approx(high, abs=1.5 * item.u / 8)
    assert item.high - item.value > item.value - item.low


def test_the_seed_is_of_the_numbers_that_were_measured() -> None:
    """Not of the files: a recording in another format has other digests and the same interval."""
    one, other, third = np.array([1.0, 2.0]), np.array([3.0]), np.array([3.0 + 1e-12])
    assert seed_of([one, other]) == seed_of([other, one]) != seed_of([one, third])
