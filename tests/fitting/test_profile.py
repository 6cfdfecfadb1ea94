"""Profile intervals where the answer is known in closed form, or by a minimiser of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares

from diffbench.fitting import Estimate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.parameters import Combined, interval
from diffbench.fitting.profile import (
    NEAR,
    _constrained,
    _extrapolated,
    _near,
    _Point,
    _response,
    _Surface,
    profile,
    profiled,
)
from diffbench.fitting.solver import Problem, Solution, polish
from diffbench.fitting.unknowns import Names, Unknown

Array = NDArray[np.float64]
Residual = Callable[[Array], Array]


def solved(residual: Residual, *unknowns: Unknown) -> tuple[Problem, Solution]:
    problem = Problem(Names(unknowns), residual)
    return problem, polish(problem, problem.names.start, steps=np.full(len(unknowns), 1e-5))


def reading(value: float, u: float) -> Residual:
    """One reading of exp(x)."""
    return lambda x: np.array([(np.exp(x[0]) - value) / u])


STEP = np.full(2, 1e-5)


def test_a_linear_model_is_symmetric_at_the_cost_of_two_evaluations() -> None:
    rng = np.random.default_rng(0)
    design, y = rng.normal(size=(30, 2)), rng.normal(size=30)
    problem, solution = solved(lambda b: y - design @ b, Unknown("a", 0.0), Unknown("b", 0.0))
    found = profile(problem, solution, lambda b: float(b[0]), np.eye(2)[0], step=STEP)
    assert (found.below, found.above, found.evaluations) == (1.0, 1.0, 2)
    assert found.u == pytest.approx(np.sqrt(np.linalg.inv(design.T @ design)[0, 0]))


def test_the_interval_does_not_depend_on_how_a_quantity_is_written() -> None:
    """A reading of 10 ± 2, searched by its logarithm: the ends are ln(10 ± 2 · 1.96), exactly."""
    problem, solution = solved(reading(10.0, 2.0), Unknown("x", 2.0))
    found = profile(problem, solution, lambda x: float(x[0]), np.ones(1), step=STEP[:1])
    wide = 1.96 * found.u
    assert found.u == pytest.approx(0.2, rel=1e-4)
    assert -found.below * wide == pytest.approx(np.log(1.0 - 0.392), rel=NEAR / 2)
    assert found.above * wide == pytest.approx(np.log(1.0 + 0.392), rel=NEAR / 2)


def test_knowledge_beforehand_counts() -> None:
    """Two readings of one thing, one of them as a prior: 1.0 ± 0.1 and 1.3 ± 0.1 make 1.15 ± 0.071."""
    known = Unknown("x", 1.0, knowledge="stated", prior=1.3, prior_u=0.1)
    problem, solution = solved(lambda x: np.array([(x[0] - 1.0) / 0.1]), known)
    found = profile(problem, solution, lambda x: float(x[0]), np.ones(1), step=STEP[:1])
    assert solution.x[0] == pytest.approx(1.15)
    assert found.u == pytest.approx(0.1 / np.sqrt(2.0))


def test_an_end_that_a_bound_cuts_short_lies_at_the_bound() -> None:
    """A share of 0.1 ± 0.1 cannot be below 0."""
    problem, solution = solved(lambda x: np.array([(x[0] - 0.1) / 0.1]), Unknown("x", 0.5, low=0.0, high=1.0))
    found = profile(problem, solution, lambda x: float(x[0]), np.ones(1), step=STEP[:1])
    assert solution.x[0] - found.below * 1.96 * found.u == pytest.approx(0.0, abs=1e-9)
    assert found.above == pytest.approx(1.0, rel=NEAR)


def test_at_a_bound_there_is_one_side_only() -> None:
    """A share read as −0.1 ± 0.1, best 0: the sum of squares has risen by 1.96² from there where (x + 0.1)² −
    0.1² = (0.196)²."""
    problem, solution = solved(lambda x: np.array([(x[0] + 0.1) / 0.1]), Unknown("x", 0.5, low=0.0, high=1.0))
    found = profile(problem, solution, lambda x: float(x[0]), np.ones(1), step=STEP[:1])
    assert solution.x[0] == 0.0
    assert found.below == 0.0
    assert found.above * 1.96 * found.u == pytest.approx(np.sqrt(0.196**2 + 0.01) - 0.1, rel=NEAR / 2)


def test_all_unknowns_follow() -> None:
    """Two decays in one curve: the ends against a minimiser that is not ours, over all other unknowns."""
    t = np.linspace(0.0, 3.0, 40)
    y = 2.0 * np.exp(-t) + np.exp(-3.0 * t) + np.random.default_rng(3).normal(0.0, 0.02, t.size)

    def residual(b: Array) -> Array:
        return (y - b[0] * np.exp(-b[1] * t) - b[2] * np.exp(-b[3] * t)) / 0.02

    starts = (("a", 2.0), ("p", 1.0), ("b", 1.0), ("q", 3.0))
    problem, solution = solved(residual, *(Unknown(n, v, low=0.0, high=20.0) for n, v in starts))
    found = profile(problem, solution, lambda b: float(b[1]), np.eye(4)[1], step=np.full(4, 1e-5))
    assert found.above / found.below < 0.8  # it bends
    for end in (-found.below, found.above):
        rate = solution.x[1] + end * 1.96 * found.u
        others = least_squares(
            lambda z, rate=rate: residual(np.array([z[0], rate, z[1], z[2]])), solution.x[[0, 2, 3]]
        )
        assert 2.0 * (others.cost - solution.cost) == pytest.approx(1.96**2, rel=2 * NEAR)


def test_a_larger_uncertainty_reaches_further_out() -> None:
    """With u twice that of the sum of squares (noise from cycles), the ends are those of a factor twice as
    large, over twice the half-width."""
    problem, solution = solved(reading(10.0, 1.0), Unknown("x", 2.0))

    def quantity(x: Array) -> float:
        return float(x[0])

    plain = profile(problem, solution, quantity, np.ones(1), step=STEP[:1], factor=3.92)
    twice = profile(problem, solution, quantity, np.ones(1), step=STEP[:1], u=2.0 * plain.u)
    assert twice.below == pytest.approx(plain.below)
    assert twice.above == pytest.approx(plain.above)


@pytest.mark.parametrize("positive", [True, False])
def test_the_reported_interval_is_that_of_the_profile(positive: bool) -> None:
    """exp(x) read as 10 ± 2 is symmetric, by its logarithm or by itself: 6.08 to 13.92."""
    problem, solution = solved(reading(10.0, 2.0), Unknown("x", 2.0))
    noise = np.array([[0.04]])
    covariance = Covariance(noise, noise, {}, "")
    plain = Estimate(10.0, np.array([10.0]), "1", "", "", 1.0, positive=positive)
    found = profiled(
        plain, problem, solution, covariance, lambda x: float(np.exp(x[0])), step=STEP[:1], factor=1.96
    )
    low, high = interval(Combined(10.0, 2.0, {"noise": 2.0}, np.inf, found))
    assert low == pytest.approx(10.0 - 3.92, abs=NEAR * 3.92)
    assert high == pytest.approx(10.0 + 3.92, abs=NEAR * 3.92)


def test_a_quantity_that_is_nothing_has_no_shape() -> None:
    """A slope far beyond where friction still falls: 1e-196 ± 1e-136 of 0.05, with squares that are none."""
    problem, solution = solved(reading(10.0, 2.0), Unknown("x", 2.0))
    covariance = Covariance(np.array([[0.04]]), np.array([[0.04]]), {}, "")
    nothing = Estimate(-1e-196, np.array([1e-136]), "s/m", "", "", 0.05, positive=False)
    found = profiled(
        nothing,
        problem,
        solution,
        covariance,
        lambda x: -1e-196 * float(x[0]) ** 9,
        step=STEP[:1],
        factor=1.96,
    )
    assert found.profile == (pytest.approx(0.2e-136, rel=1e-9), 1.0, 1.0)


@pytest.mark.parametrize("risen", [3.0, 40.0])
def test_where_no_way_out_is_found_the_linear_model_says_how_far(risen: float) -> None:
    """A quantity that goes down, whichever way the unknown goes."""
    problem, solution = solved(lambda x: np.array([x[0] - 2.0, risen * (x[0] - 2.0) ** 2]), Unknown("x", 2.0))
    found = profile(problem, solution, lambda x: -((x[0] - 2.0) ** 2), np.ones(1), step=STEP[:1], u=0.7)
    assert found.above == 1.0


def test_what_a_profile_does_not_see_adds_as_root_of_squares() -> None:
    """Half-widths 1.2 and 0.9 of the profile's 1.96 · 3, and 4 of considered errors to both sides."""
    estimate = Estimate(100.0, np.ones(1), "1", "", "", 1.0, positive=False, profile=(3.0, 1.2, 0.9))
    low, high = interval(Combined(100.0, 5.0, {"noise": 3.0, "gears": 4.0}, np.inf, estimate))
    assert 100.0 - low == pytest.approx(1.96 * np.hypot(3.6, 4.0), rel=1e-4)
    assert high - 100.0 == pytest.approx(1.96 * np.hypot(2.7, 4.0), rel=1e-4)


def test_what_has_no_doubt_has_no_profile() -> None:
    """A quantity that no unknown moves, or of which nothing is in doubt: nothing is evaluated."""
    problem, solution = solved(reading(10.0, 2.0), Unknown("x", 2.0))
    for slope, u in ((np.zeros(1), None), (np.zeros(1), 0.3), (np.ones(1), 0.0)):
        found = profile(problem, solution, lambda x: float(x[0]), slope, step=STEP[:1], u=u)
        assert (found.u, found.below, found.above, found.evaluations) == (u or 0.0, 1.0, 1.0, 0)


def point(reached: float, deviance: float) -> Any:
    return _Point(np.zeros(1), np.zeros(1), reached, deviance)


@pytest.mark.parametrize(
    ("reached", "deviance", "near"),
    [
        # a parabola of unit 0.5 rises to (reached/0.5)²; within a twentieth of its root
        (2.0, 16.0, True), (2.0, (4.0 * 1.049) ** 2, True), (2.0, (4.0 * 1.051) ** 2, False),
        (2.0, (4.0 * 0.951) ** 2, True), (2.0, (4.0 * 0.949) ** 2, False), (2.0, -1.0, False),
        # and a bound must not have held it: as far as wanted, less a twentieth
        (1.901, (2.0 * 1.901) ** 2, True), (1.899, (2.0 * 1.899) ** 2, False),
    ],
)  # fmt: skip
def test_an_end_that_is_as_good_as_symmetric(reached: float, deviance: float, near: bool) -> None:
    assert _near(point(reached, deviance), 0.5, 2.0) is near


def test_how_far_the_end_is_seen_to_lie() -> None:
    """Along the chord of two points, where they lie apart by more than a quarter; else along the parabola
    with the slope at the minimum: b d² + d/u = wanted."""
    # roots 1 at 1 and 1.5 at 2: a half more for each further one
    assert _extrapolated(point(1.0, 1.0), point(2.0, 2.25), 2.0, 0.7) == pytest.approx(3.0)
    # roots that fall lead nowhere: twice as far
    assert _extrapolated(point(1.0, 4.0), point(2.0, 2.25), 2.0, 0.7) == 4.0
    assert _extrapolated(point(1.0, 2.25), point(2.0, 2.25), 2.0, 0.7) == 4.0
    for near, chord in ((1.49, True), (1.51, False)):
        root, before, wanted, plain = 1.6, 1.0, 2.0, 1.1
        found = _extrapolated(point(near, before**2), point(2.0, root**2), wanted, plain)
        if chord:
            assert found == pytest.approx(2.0 + (wanted - root) * (2.0 - near) / (root - before))
            continue
        bend = (root - 2.0 / plain) / 4.0
        assert bend * found**2 + found / plain == pytest.approx(wanted)
    # from the minimum itself, and where the parabola turns back before it gets there
    found = _extrapolated(point(0.0, 0.0), point(2.0, 9.0), 1.96, 1.0)
    assert 0.25 * found**2 + found == pytest.approx(1.96)
    assert _extrapolated(point(0.0, 0.0), point(2.0, 0.25), 1.96, 1.0) == 4.0
    straight = _extrapolated(point(0.0, 0.0), point(2.0, 4.0), 1.96, 1.0)
    assert straight == pytest.approx(1.96)
    assert _extrapolated(point(0.0, 0.0), point(2.0, -1.0), 0.1, 1.0) == pytest.approx(
        (1.0 - np.sqrt(1.0 - 4.0 * 0.5 * 0.1)) / (2.0 * 0.5)
    )


DESIGN = np.array([[1.0, 0.3, 0.0], [0.2, 2.0, -0.5], [0.0, 0.4, 1.5], [0.7, -0.6, 0.8]])
SEEN = np.array([1.0, 2.0, 0.5, -0.4])
SLOPE = np.array([1.0, 0.5, -2.0])


def surface(sign: float, *unknowns: Unknown) -> Any:
    """The sum of squares of a linear model, and a quantity that is linear, too."""
    problem = Problem(Names(unknowns), lambda b: SEEN - DESIGN @ b)
    solution = polish(problem, problem.names.start, steps=np.full(3, 1e-5))
    return _Surface(problem, solution, np.full(3, 1e-5), lambda b: float(SLOPE @ b), SLOPE, sign)


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_step_leads_to_the_smallest_sum_of_squares_with_the_quantity_there(sign: float) -> None:
    """By Lagrange's equations, priors included, from wherever it begins; the rise is the parabola's."""
    known = (
        Unknown("a", 0.1, knowledge="stated", prior=0.4, prior_u=0.5), Unknown("b", 0.0), Unknown("c", 0.0)
    )  # fmt: skip
    seen = surface(sign, *known)
    normal = DESIGN.T @ DESIGN + np.diag([4.0, 0.0, 0.0])
    right = DESIGN.T @ SEEN + np.array([1.6, 0.0, 0.0])
    best = np.linalg.solve(normal, right)
    assert seen.solution.x == pytest.approx(best, abs=1e-8)
    aim = 0.7
    whole = np.block([[normal, SLOPE[:, None]], [SLOPE[None, :], np.zeros((1, 1))]])
    wanted = np.linalg.solve(whole, np.append(right, SLOPE @ best + sign * aim))[:3]
    for begin in (seen.centre, seen.at(best + np.array([0.3, -0.2, 0.5]))):
        found = _constrained(seen, -DESIGN, begin, aim)
        assert found == pytest.approx(wanted, abs=1e-7)
    there = seen.at(wanted)
    assert there.reached == pytest.approx(aim)
    variance = float(SLOPE @ np.linalg.solve(normal, SLOPE))
    assert there.deviance == pytest.approx(aim**2 / variance, rel=1e-5)
    assert _response(-DESIGN, seen.problem.names, SLOPE, seen.free) @ SLOPE == pytest.approx(variance)
    assert seen.slopes(there) == pytest.approx(-DESIGN, abs=1e-6)
    assert seen.evaluations == 2 + 3
    assert not seen.on_bound(wanted)


def test_an_unknown_that_would_leave_its_bounds_stays_on_them() -> None:
    """The others go on without it: Lagrange's equations of those that are left, never of what is fixed."""
    known = (Unknown("a", 0.1), Unknown("b", 0.0), Unknown("c", 0.0))
    best = surface(1.0, *known).solution.x
    bounded = (Unknown("a", 0.1), Unknown("b", 0.0), Unknown("c", 0.0, low=float(best[2]) - 0.05))
    seen = surface(1.0, *bounded)
    aim = 0.7  # c would have to fall by far more
    found = _constrained(seen, -DESIGN, seen.centre, aim)
    assert found[2] == pytest.approx(best[2] - 0.05)
    normal = DESIGN.T @ DESIGN
    right = (DESIGN.T @ SEEN)[:2] - normal[:2, 2] * found[2]
    whole = np.block([[normal[:2, :2], SLOPE[:2, None]], [SLOPE[None, :2], np.zeros((1, 1))]])
    wanted = np.linalg.solve(whole, np.append(right, SLOPE @ best + aim - SLOPE[2] * found[2]))[:2]
    assert found[:2] == pytest.approx(wanted, abs=1e-6)
    assert seen.on_bound(found)
    assert not seen.on_bound(best)
    fixed = (Unknown("a", 0.1), Unknown("b", 0.25, low=0.25, high=0.25), Unknown("c", 0.0))
    still = surface(-1.0, *fixed)
    found = _constrained(still, -DESIGN, still.centre, aim)
    assert found[1] == 0.25
    assert SLOPE @ (found - still.solution.x) == pytest.approx(-aim)
    # one that is fixed is on no bound, nor one that does not move the quantity
    assert not still.on_bound(found)
    assert _response(-DESIGN, still.problem.names, SLOPE, still.free)[1] == 0.0
