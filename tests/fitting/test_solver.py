"""Search, polish, bounds and verdicts of the least-squares solver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from diffbench.fitting.solver import Problem, eliminate, jacobian, polish, search
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

    @given(st.floats(-3.0, 3.0), st.floats(-2.0, 2.0))
    def test_of_a_known_function(self, a: float, b: float) -> None:
        """sin(a) e^b; central differences of 1e-4 are off by 1e-4²/6 of the third derivative."""
        found = jacobian(
            lambda x: np.array([np.sin(x[0]) * np.exp(x[1])]), np.array([a, b]), np.full(2, 1e-4)
        )
        expected = [np.cos(a) * np.exp(b), np.sin(a) * np.exp(b)]
        np.testing.assert_allclose(found[0], expected, atol=2e-8 * np.exp(b), rtol=0)


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


RATE = {"low": 0.01, "high": 20.0}
SEARCHED: dict[str, tuple[Problem, float]] = {
    "plain": (decay_problem(), 0.3),
    "far off": (decay_problem(), 15.0),
    "known beforehand": (
        decay_problem(rate=Unknown("rate", 0.3, knowledge="weak", prior=1.0, prior_u=0.05, **RATE)), 0.3,
    ),
    "all searched": (
        decay_problem(
            offset=Unknown("offset", 4.0, low=-50.0, high=50.0),
            height=Unknown("height", 1.0, low=-50.0, high=50.0),
        ), 0.3,
    ),
    "at a bound": (decay_problem(rate=Unknown("rate", 0.5, low=0.01, high=0.9)), 0.5),
    "a bound for what is linear": (
        decay_problem(height=Unknown("height", 0.5, low=0.0, high=1.7, linear=True)), 0.3,
    ),
    "fixed": (decay_problem(rate=Unknown("rate", 1.1, low=1.1, high=1.1)), 1.1),
    "noisy": (decay_problem(noise=2.0, sigma=2.0, seed=4), 3.0),
}  # fmt: skip


def way_of(problem: Problem, rate: float) -> list[float]:
    """A search to its end, one that is broken off, the linear unknowns alone, and a polish of the first and
    of the last: places, costs, and how often the model was asked."""
    start = problem.names.start.copy()
    start[2] = rate
    whole, short = search(problem, start, tolerance=1e-6), search(problem, start, tolerance=1e-2, limit=9)
    linear = eliminate(problem, start)
    fine = polish(problem, whole[0], steps=np.full(3, 1e-4))
    rough = polish(problem, linear, steps=np.full(3, 1e-3))
    found = [*whole[0], whole[1], *short[0], short[1], *linear, *fine.x, fine.cost, *rough.x, rough.cost]
    return [*map(float, found), whole[2], short[2], fine.evaluations, rough.evaluations]


CAME_OUT = {
    "plain": [
        4.996303,
        2.02491,
        1.312913,
        21.94761,
        4.993102,
        2.021083,
        1.298907,
        22.01466,
        4.042724,
        2.310135,
        0.3,
        4.996303,
        2.02491,
        1.312913,
        21.94761,
        4.996302,
        2.02491,
        1.312912,
        21.94761,
        13,
        9,
        11,
        57,
    ],
    "far off": [
        4.996303,
        2.02491,
        1.312913,
        21.94761,
        4.122681,
        2.246112,
        0.3208742,
        520.5186,
        5.333957,
        2.172294,
        15,
        4.996303,
        2.02491,
        1.312913,
        21.94761,
        4.996302,
        2.02491,
        1.312912,
        21.94761,
        17,
        9,
        11,
        37,
    ],
    "known beforehand": [
        4.9693,
        1.99489,
        1.202836,
        34.52264,
        4.965814,
        1.991385,
        1.189868,
        34.62371,
        4.042724,
        2.310135,
        0.3,
        4.9693,
        1.99489,
        1.202836,
        34.52264,
        4.969301,
        1.99488,
        1.20283,
        34.52264,
        15,
        9,
        19,
        73,
    ],
    "all searched": [
        4.996303,
        2.02491,
        1.312913,
        21.94761,
        4,
        1,
        0.3,
        9211.592,
        4,
        1,
        0.3,
        4.996303,
        2.02491,
        1.312913,
        21.94761,
        4.996302,
        2.02491,
        1.312912,
        21.94761,
        38,
        9,
        17,
        31,
    ],
    "at a bound": [
        4.863364,
        1.922199,
        0.9,
        92.62042,
        4.862935,
        1.922031,
        0.8990722,
        92.96798,
        4.534254,
        1.970471,
        0.5,
        4.863367,
        1.922203,
        0.9,
        92.62042,
        4.863364,
        1.922199,
        0.9,
        92.62042,
        15,
        9,
        23,
        48,
    ],
    "a bound for what is linear": [
        4.956786,
        1.7,
        1.157464,
        140.8396,
        5.023391,
        1.7,
        1.443445,
        173.35,
        4.042724,
        1.7,
        0.3,
        5.022523,
        1.7,
        1.170718,
        94.83333,
        5.022533,
        1.7,
        1.170725,
        94.83333,
        29,
        9,
        51,
        83,
    ],
    "fixed": [
        4.939551,
        1.967587,
        1.1,
        39.0537,
        4.939551,
        1.967587,
        1.1,
        39.0537,
        4.939551,
        1.967587,
        1.1,
        4.939551,
        1.967587,
        1.1,
        39.0537,
        4.939551,
        1.967587,
        1.1,
        39.0537,
        1,
        1,
        15,
        11,
    ],
    "noisy": [
        4.840045,
        2.179783,
        1.471103,
        28.85837,
        4.893331,
        2.272515,
        1.805834,
        28.88656,
        5.000116,
        2.448012,
        3,
        4.839394,
        2.178712,
        1.467658,
        28.85837,
        4.83932,
        2.178589,
        1.467264,
        28.85837,
        21,
        9,
        27,
        53,
    ],
}


@pytest.mark.parametrize("name", SEARCHED)
def test_ways_as_they_came_out(name: str) -> None:
    """Of searches and polishes from near and far, to bounds, and with knowledge beforehand: to the number of
    evaluations."""
    found, then = way_of(*SEARCHED[name]), CAME_OUT[name]
    assert found[:-4] == pytest.approx(then[:-4], rel=1e-6)
    assert found[-4:-2] == then[-4:-2]
    # how often the last step is halved before none lowers the cost is for the last bit to say
    assert found[-2:] == pytest.approx(then[-2:], abs=4)
