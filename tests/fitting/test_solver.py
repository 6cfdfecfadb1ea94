"""Search, polish, bounds and verdicts of the least-squares solver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from diffbench.fitting.solver import Problem, eliminate, forward_jacobian, jacobian, polish, search
from diffbench.fitting.unknowns import Names, Unknown

Array = NDArray[np.float64]

X = np.linspace(0.0, 4.0, 60)
TRUE = np.array([5.0, 2.0, 1.3])  # offset, height, rate of y = offset + height exp(−rate x)


def decay_problem(*, noise: float = 0.05, seed: int = 1, sigma: float = 0.05, **changes: Unknown) -> Problem:
    """``y = offset + height·exp(−rate·x)``: two linear unknowns and one that is not, in units of
    ``sigma``."""
    y = TRUE[0] + TRUE[1] * np.exp(-TRUE[2] * X) + np.random.default_rng(seed).normal(0.0, noise, X.size)
    unknowns = {
        "offset": Unknown("offset", 0.0, linear=True),
        "height": Unknown("height", 0.0, linear=True),
        "rate": Unknown("rate", 0.3, low=0.01, high=20.0),
    }
    names = Names(tuple({**unknowns, **changes}.values()))

    def design(b: Array) -> Array:
        return np.stack([np.ones_like(X), np.exp(-b[2] * X)], axis=1) / sigma

    linear = [i for i, u in enumerate(names.unknowns) if u.linear]

    def columns(b: Array) -> tuple[Array, Array]:
        every = design(b)
        rest = [i for i in (0, 1) if i not in linear]
        return y / sigma - every[:, rest] @ b[rest], every[:, linear]

    return Problem(names, lambda b: y / sigma - design(b) @ b[:2], columns)


class TestJacobian:
    def test_one_sided_at_a_bound(self) -> None:
        """Neither side may leave the bounds; a straight line has the same slope from one side."""

        def inside(x: Array) -> Array:
            assert 0.0 <= x[0] <= 1.0
            return np.array([3.0 * x[0]])

        for at in (0.0, 1.0):
            found = jacobian(inside, np.array([at]), np.array([0.1]), np.zeros(1), np.ones(1))
            assert found[0, 0] == pytest.approx(3.0)

    def test_a_fixed_unknown_has_a_column_of_zeros(self) -> None:
        bound = np.array([2.0])
        assert jacobian(lambda x: x**2, bound, np.array([0.1]), bound, bound).tolist() == [[0.0]]

    def test_a_step_is_cut_to_the_bound_on_its_side(self) -> None:
        """x² at 3: a difference over a to b has the slope a + b."""
        x, step = np.full(3, 3.0), np.full(3, 0.1)
        low, high = np.array([-9.0, 2.98, -9.0]), np.array([9.0, 9.0, 3.05])
        found = jacobian(lambda x: x**2, x, step, low, high)
        assert np.diag(found) == pytest.approx([6.0, 6.08, 5.95])
        assert found[0, 1] == 0.0

    def test_one_sided_differences_stay_within_bounds(self) -> None:
        """Ahead where there is room, and up to the bound itself; else behind; else as far ahead as may be."""
        x, step = np.full(5, 3.0), np.full(5, 0.25)
        low, high = np.array([-9.0, -9.0, -9.0, 2.9, 3.0]), np.array([9.0, 3.25, 3.2, 3.125, 3.0])
        found = forward_jacobian(lambda x: x**2, x, x**2, step, low, high)
        assert np.diag(found) == pytest.approx([6.25, 6.25, 5.75, 6.125, 0.0])
        assert (found[~np.eye(5, dtype=bool)] == 0.0).all()

    @given(st.floats(-3.0, 3.0), st.floats(-2.0, 2.0))
    def test_of_a_known_function(self, a: float, b: float) -> None:
        """sin(a) e^b; central differences of 1e-4 are off by 1e-4²/6 of the third derivative."""
        found = jacobian(
            lambda x: np.array([np.sin(x[0]) * np.exp(x[1])]), np.array([a, b]), np.full(2, 1e-4)
        )
        expected = [np.cos(a) * np.exp(b), np.sin(a) * np.exp(b)]
        np.testing.assert_allclose(found[0], expected, atol=2e-8 * np.exp(b), rtol=0)


def test_what_is_known_beforehand_stands_behind_the_residual() -> None:
    """In its own standard uncertainties, and only where something is known."""
    names = Names(
        (
            Unknown("a", 0.0),
            Unknown("b", 0.0, knowledge="stated", prior=2.0, prior_u=0.5),
            Unknown("c", 0.0, knowledge="weak", prior=-1.0, prior_u=4.0),
        )
    )
    found = Problem(names, lambda x: np.array([7.0, 8.0 * x[0]])).with_priors(np.array([1.5, 3.0, 1.0]))
    assert found.tolist() == [7.0, 12.0, 2.0, 0.5]


class TestElimination:
    def test_linear_unknowns_are_those_of_least_squares(self) -> None:
        problem = decay_problem()
        x = eliminate(problem, np.array([0.0, 0.0, 1.1]))
        assert problem.columns is not None
        observed, design = problem.columns(x)
        np.testing.assert_allclose(x[:2], np.linalg.lstsq(design, observed, rcond=None)[0], rtol=1e-7)
        assert x[2] == 1.1

    def test_what_is_known_beforehand_counts_as_one_more_observation(self) -> None:
        """By hand for one unknown: (Σ y/σ² + p/u²)/(n/σ² + 1/u²)."""
        y = np.array([2.0, 2.4, 1.9, 2.1])
        names = Names((Unknown("mean", 0.0, linear=True, knowledge="stated", prior=3.0, prior_u=0.2),))
        problem = Problem(names, lambda x: (y - x[0]) / 0.5, lambda _: (y / 0.5, np.full((4, 1), 2.0)))
        expected = (y.sum() / 0.25 + 3.0 / 0.04) / (4 / 0.25 + 1 / 0.04)
        assert eliminate(problem, np.zeros(1))[0] == pytest.approx(expected, rel=1e-9)
        assert polish(problem, np.zeros(1)).x[0] == pytest.approx(expected, rel=1e-6)

    def test_columns_that_say_the_same_are_shared_not_an_error(self) -> None:
        """Two unknowns with one column: their sum is what the data give, the split is nobody's."""
        y = np.full(5, 3.0)
        names = Names((Unknown("a", 0.0, linear=True), Unknown("b", 0.0, linear=True)))
        problem = Problem(names, lambda x: y - x[0] - x[1], lambda _: (y, np.ones((5, 2))))
        found = eliminate(problem, np.zeros(2))
        assert found.sum() == pytest.approx(3.0, rel=1e-6)
        # a ridge of 1e-14 decides, against rounding of 1e-16
        assert found[0] == pytest.approx(found[1], rel=0.05)

    def test_a_considered_unknown_takes_nothing_from_the_others(self) -> None:
        """Its column may explain the data as well as another one's: it stays at what is known beforehand, and
        the other one is solved as if it were exact there."""
        considered = Unknown(
            "offset", 0.0, linear=True, knowledge="stated", prior=4.0, prior_u=100.0, considered=True
        )
        problem = decay_problem(offset=considered)
        found = eliminate(problem, np.array([0.0, 0.0, TRUE[2]]))
        assert found[0] == 4.0
        observed, design = problem.columns(np.array([0.0, 0.0, TRUE[2]])) if problem.columns else (X, X)
        alone = np.linalg.lstsq(design[:, 1:], observed - 4.0 * design[:, 0], rcond=None)[0]
        assert found[1] == pytest.approx(alone[0], rel=1e-9)

    def test_units_of_a_column_change_nothing(self) -> None:
        """Newtons or kilonewtons: the fitted curve is the same."""
        y = 2.0 + 3e-6 * X + np.random.default_rng(2).normal(0, 0.1, X.size)
        fits = []
        for unit in (1.0, 1e9):
            design = np.stack([np.ones_like(X), X / unit], axis=1)
            names = Names((Unknown("a", 0.0, linear=True), Unknown("b", 0.0, linear=True)))
            problem = Problem(names, lambda x, d=design: y - d @ x, lambda _, d=design: (y, d))
            fits.append(design @ eliminate(problem, np.zeros(2)))
        np.testing.assert_allclose(fits[0], fits[1], rtol=1e-9)


class TestSearch:
    def test_finds_the_rate_from_far_away(self) -> None:
        """Within the noise: the rate's standard uncertainty at these data is 0.06."""
        x, cost, count = search(decay_problem(), np.array([0.0, 0.0, 0.02]))
        assert (np.abs(x - TRUE) < [0.1, 0.2, 0.3]).all()
        assert 2 * cost == pytest.approx(57, abs=5 * np.sqrt(2 * 57))
        assert count > 3

    def test_nothing_but_linear_unknowns_needs_no_search(self) -> None:
        fixed = Unknown("rate", 1.3, low=1.3, high=1.3)
        x, _, count = search(decay_problem(rate=fixed), np.array([0.0, 0.0, 1.3]))
        assert count == 1
        np.testing.assert_allclose(x, TRUE, atol=0.1)

    def test_a_considered_unknown_stays_where_it_is(self) -> None:
        """It has an uncertainty, but no misfit may pull it."""
        stays = Unknown("rate", 1.0, knowledge="stated", prior=1.0, prior_u=0.5, considered=True)
        x, _, _ = search(decay_problem(rate=stays), np.array([0.0, 0.0, 1.0]))
        assert x[2] == 1.0
        assert polish(decay_problem(rate=stays), x).x[2] == 1.0

    def test_differences_cost_no_elimination(self) -> None:
        """The linear unknowns are solved for once at each place, not for each derivative there; at the end,
        the cost is flat along the rate."""
        asked: list[float] = []
        plain = decay_problem()

        def columns(b: Array) -> tuple[Array, Array]:
            asked.append(b[2])
            assert plain.columns is not None
            return plain.columns(b)

        x, cost, count = search(replace(plain, columns=columns), np.array([0.0, 0.0, 0.02]))
        assert len(asked) < count  # a final one included
        for rate in (x[2] - 0.01, x[2] + 0.01):
            other = plain.residual(eliminate(plain, np.array([0.0, 0.0, rate])))
            assert 0.5 * float(other @ other) > cost

    @pytest.mark.parametrize("limit", [1, 5, 9])
    def test_a_search_that_takes_too_long_gives_the_best_it_saw(self, limit: int) -> None:
        """No crash, no lost work, and numpy's error settings as they were."""
        before = np.geterr()
        problem, begin = decay_problem(), np.array([0.0, 0.0, 0.02])
        x, cost, count = search(problem, begin, limit=limit)
        assert count == limit
        assert cost == pytest.approx(0.5 * float(np.sum(problem.residual(x) ** 2)))
        at_begin = 0.5 * float(np.sum(problem.residual(eliminate(problem, begin)) ** 2))
        assert cost <= at_begin * (1 + 1e-9)  # bounds are kept by a transformation, which rounds
        assert np.geterr() == before


class TestPolish:
    def test_gives_what_the_search_gave_with_all_unknowns_together(self) -> None:
        problem = decay_problem()
        found, cost, _ = search(problem, np.array([0.0, 0.0, 0.3]))
        solution = polish(problem, found)
        assert solution.converged
        assert solution.at_bound == ()
        np.testing.assert_allclose(solution.x, found, rtol=1e-4)
        assert solution.cost <= cost * (1 + 1e-9)
        np.testing.assert_allclose(solution.residual, problem.residual(solution.x))
        assert solution.jacobian.shape == (60, 3)

    def test_an_unknown_on_its_bound_is_named(self) -> None:
        """A rate kept above 2 where the data say 1.3."""
        high = Unknown("rate", 3.0, low=2.0, high=20.0)
        problem = decay_problem(rate=high)
        solution = polish(problem, search(problem, np.array([0.0, 0.0, 3.0]))[0])
        assert solution.x[2] == pytest.approx(2.0)
        assert solution.at_bound == ("rate",)
        assert solution.converged

    @pytest.mark.parametrize(("slope", "low", "high"), [(-0.02, 0.0, 9.0), (0.02, -9.0, 0.0)])
    def test_on_a_bound_the_others_are_those_of_least_squares_there(
        self, slope: float, low: float, high: float
    ) -> None:
        """A line whose slope may not fall, or not rise, through points that do, by a pull of less than one:
        level, at their mean; the bound is named."""
        x = np.array([1.0, 2.0, 3.5, 4.0, 6.0])
        y = 7.0 + slope * x
        names = Names((Unknown("level", 0.0), Unknown("slope", 0.0, low=low, high=high)))
        solution = polish(Problem(names, lambda at: at[0] + at[1] * x - y), np.array([6.9, 0.0]))
        assert solution.converged
        assert solution.x.tolist() == pytest.approx([y.mean(), 0.0], rel=1e-9, abs=0.0)
        assert solution.at_bound == ("slope",)
        assert solution.evaluations < 25

    def test_a_stiff_prior_wins_over_few_data(self) -> None:
        """Precision 1/u² against the data's: the weighted mean of both, to first order in the distance."""
        stated = Unknown("rate", 1.0, low=0.01, high=20.0, knowledge="stated", prior=1.0, prior_u=0.001)
        solution = polish(decay_problem(rate=stated), np.array([5.0, 2.0, 1.0]))
        assert solution.x[2] == pytest.approx(1.0, abs=0.003)

    def test_too_few_steps_are_no_convergence(self) -> None:
        solution = polish(decay_problem(), np.array([0.0, 0.1, 15.0]), limit=1)
        assert not solution.converged
        assert solution.reason == "the step limit was reached"

    def test_a_polish_ends_when_it_has_said_enough(self) -> None:
        """Of a straight line the slopes promise just what a polish gains: the cost at the start less that of
        the least squares, here 0.5·((2 − a)² + (4.5 − 2a)²) at a = 2.2."""
        problem = Problem(Names((Unknown("a", 1.0),)), lambda x: np.array([x[0] - 2.0, 2.0 * x[0] - 4.5]))
        asked: list[tuple[float, float]] = []

        def enough(_: Array, cost: float, gain: float) -> bool:
            asked.append((cost, gain))
            return len(asked) == 1

        solution = polish(problem, np.array([1.0]), enough=enough, on_the_way=True)
        ((cost, gain),) = asked
        assert (cost, gain) == pytest.approx((3.625, 3.6))
        assert solution.x[0] == 1.0
        assert not solution.converged

    @pytest.mark.parametrize(("on_the_way", "count"), [(True, 5), (False, 7)])
    def test_what_a_polish_costs(self, on_the_way: bool, count: int) -> None:
        """Of a straight line: the start and its slope, the step to the bottom and the slope there, one more
        step that changes nothing; and at the end, unless that is for others, a look to either side."""
        line = Problem(Names((Unknown("a", 1.0),)), lambda x: np.array([x[0] - 2.0, 2.0 * x[0] - 4.5]))
        solution = polish(line, np.array([1.0]), on_the_way=on_the_way)
        assert solution.converged
        assert solution.reason == "the last step changed nothing that matters"
        assert solution.x[0] == pytest.approx(2.2, rel=1e-9)
        # 0.2² and 0.1²
        assert solution.cost == pytest.approx(0.025)
        assert solution.residual == pytest.approx([0.2, -0.1])
        assert solution.jacobian == pytest.approx(np.array([[1.0], [2.0]]))
        assert solution.evaluations == count

    def test_what_was_not_searched_is_not_on_a_bound(self) -> None:
        """A constant that stays, and one whose bounds meet; a bound that is reached exactly counts."""
        unknowns = (
            Unknown("a", 1.0, low=-5.0, high=2.0),
            Unknown("stays", 1.0, knowledge="stated", prior=1.0, prior_u=0.5, considered=True),
            Unknown("met", 1.0, low=1.0, high=1.0),
        )
        solution = polish(
            Problem(Names(unknowns), lambda x: np.array([x[0] - 2.5, x[1] - 1.5, x[2]])), np.ones(3)
        )
        assert solution.x.tolist() == [2.0, 1.0, 1.0]
        assert solution.at_bound == ("a",)
        assert solution.converged

    def test_an_unknown_without_effect_is_a_plateau(self) -> None:
        names = Names((Unknown("a", 1.0), Unknown("idle", 1.0)))
        solution = polish(Problem(names, lambda x: np.array([x[0] - 2.0, 2.0 * x[0] - 4.5])), names.start)
        assert solution.x[0] == pytest.approx(2.2, rel=1e-4)
        assert not solution.converged
        assert "plateau: idle" in solution.reason

    def test_what_is_known_beforehand_is_no_plateau(self) -> None:
        """An unknown that the data don't see stays at what is known of it, and that is an answer."""
        idle = Unknown("idle", 1.0, knowledge="weak", prior=0.5, prior_u=0.1)
        names = Names((Unknown("a", 1.0), idle))
        solution = polish(Problem(names, lambda x: np.array([x[0] - 2.0, 2.0 * x[0] - 4.5])), names.start)
        assert solution.converged
        assert solution.x[1] == pytest.approx(0.5, abs=1e-4)


class TestNames:
    def test_logarithms_are_told_in_their_own_unit(self) -> None:
        names = Names((Unknown("capacity", np.log(800.0), logarithm=True), Unknown("bias", 0.4)))
        x = names.start
        assert names.value(x, "capacity") == pytest.approx(800.0)
        assert names.value(x, "bias") == 0.4
        assert "bias" in names
        assert "angle" not in names

    def test_two_of_one_name_are_a_mistake(self) -> None:
        with pytest.raises(ValueError, match="two unknowns of one name"):
            Names((Unknown("a", 0.0), Unknown("a", 1.0)))
