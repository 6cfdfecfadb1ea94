"""Intervals, budgets over several forms, and what counts as determined."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from diffbench.fitting import Estimate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.parameters import (
    Combined,
    combine_forms,
    correlation,
    determined,
    interval,
    not_determined,
    parameter,
)
from diffbench.fitting.solver import Problem, polish
from diffbench.fitting.unknowns import Names, Unknown

Array = NDArray[np.float64]


def estimate(value: float, **changes: Any) -> Estimate:
    """A quantity that is one unknown, positive unless said otherwise."""
    plain: dict[str, Any] = {
        "gradient": np.ones(1),
        "unit": "N·m",
        "meaning": "a torque",
        "needs": "more",
        "scale": 1e-9,
    }
    return Estimate(value, **{**plain, **changes})


def covariance(noise: float, **shares: float) -> Covariance:
    """One unknown: standard uncertainties from noise and by source."""
    columns = {name.replace("_", " "): np.array([[size]]) for name, size in shares.items()}
    total = noise**2 + sum(size**2 for size in shares.values())
    return Covariance(np.array([[total]]), np.array([[noise**2]]), columns, "")


def combined(value: float, u: float, budget: dict[str, float] | None = None, **changes: Any) -> Combined:
    return Combined(value, u, budget or {"noise": u}, np.inf, estimate(value, **changes))


class TestForms:
    """One quantity over the forms of the model that count."""

    def test_forms_that_agree_give_their_common_doubt(self) -> None:
        one = combine_forms([estimate(80.0)] * 2, [0.7, 0.3], [covariance(1.0, gain=2.0)] * 2, 50.0)
        assert one is not None
        assert one.value == 80.0
        assert one.u == pytest.approx(np.sqrt(5.0))
        assert one.budget == pytest.approx({"gain": 2.0, "noise": 1.0})

    def test_forms_that_differ_show_in_the_budget(self) -> None:
        """u² = Σ w (u_k² + (q_k − q)²), q of the best: 0.2 · 10² between two forms that lie 10 apart."""
        found = combine_forms(
            [estimate(80.0), estimate(90.0)], [0.8, 0.2], [covariance(1.0), covariance(3.0)], 50.0
        )
        assert found is not None
        assert found.value == 80.0
        assert found.u == pytest.approx(np.sqrt(0.8 * 1.0 + 0.2 * 9.0 + 0.2 * 100.0))
        assert found.budget["form of the model"] == pytest.approx(np.sqrt(20.0))

    def test_a_form_that_lacks_the_quantity_is_left_out(self) -> None:
        """Weights are of those that have it; a quantity that the best form lacks is none."""
        found = combine_forms([estimate(80.0), None], [0.5, 0.5], [covariance(1.0), covariance(9.0)], 50.0)
        assert found is not None
        assert found.u == pytest.approx(1.0)
        assert combine_forms([None, estimate(80.0)], [0.5, 0.5], [covariance(1.0)] * 2, 50.0) is None

    def test_the_sheet_adds_to_what_the_fit_says_of_the_same_source(self) -> None:
        """Spring force by the sheet, gain by both: in squares, the largest first."""
        item = estimate(0.11, sheet={"spring force": 4.0, "gain": 2.0})
        found = combine_forms([item], [1.0], [covariance(1.0, gain=2.0)], 50.0)
        assert found is not None
        assert list(found.budget) == ["spring force", "gain", "noise"]
        assert found.budget["gain"] == pytest.approx(np.sqrt(8.0))
        assert found.u == pytest.approx(5.0)

    @given(st.floats(0.01, 10.0), st.floats(0.0, 10.0), st.floats(2.0, 200.0))
    def test_degrees_of_freedom_follow_welch_and_satterthwaite(
        self, noise: float, gain: float, dof: float
    ) -> None:
        """ν_eff = u⁴/(u_noise⁴/ν) with all but the noise known for certain (GUM G.4.1)."""
        found = combine_forms([estimate(1.0)], [1.0], [covariance(noise, gain=gain)], dof)
        assert found is not None
        assert found.effective == pytest.approx(dof * (1 + (gain / noise) ** 2) ** 2)

    def test_a_quantity_without_noise_has_a_normal_interval(self) -> None:
        found = combine_forms([estimate(1.0, positive=False)], [1.0], [covariance(0.0, gain=1.0)], 5.0)
        assert found is not None
        low, high = interval(found)
        assert (low, high) == pytest.approx((1 - 1.959964, 1 + 1.959964), abs=1e-4)


class TestIntervals:
    def test_a_small_doubt_is_symmetric(self) -> None:
        low, high = interval(combined(80.0, 1.0))
        assert 80.0 - low == pytest.approx(high - 80.0)

    def test_a_large_doubt_of_a_positive_quantity_never_reaches_zero(self) -> None:
        """Multiplicative: value/f to value·f, with f² the ratio of its ends."""
        low, high = interval(combined(80.0, 40.0))
        assert low > 0.0
        assert low * high == pytest.approx(80.0**2)

    def test_where_both_meet_there_is_no_jump(self) -> None:
        """At 5 % the two differ by half of their curvature: 1.96² · 0.05²/2 = 0.5 % of the value."""
        one, two = interval(combined(100.0, 4.999)), interval(combined(100.0, 5.001))
        np.testing.assert_allclose(one, two, atol=0.55)

    def test_a_quantity_of_either_sign_stays_symmetric(self) -> None:
        low, high = interval(combined(0.1, 0.2, positive=False))
        assert low == pytest.approx(0.1 - 1.959964 * 0.2, abs=1e-5)
        assert high == pytest.approx(0.1 + 1.959964 * 0.2, abs=1e-5)

    @given(st.floats(0.1, 1e3), st.floats(1e-3, 2.0), st.floats(0.5, 0.99), st.floats(3.0, 1e4))
    def test_holds_the_value_and_grows_with_probability(
        self, value: float, relative: float, probability: float, dof: float
    ) -> None:
        item = Combined(value, relative * value, {}, dof, estimate(value))
        low, high = interval(item, probability)
        wide_low, wide_high = interval(item, probability + 0.005)
        assert wide_low < low < value < high < wide_high


# Box, Hunter and Hunter 1978, and Daniel and Wood 1980: data of BoxBOD and DanWood in tests/published/data
BOX = (np.array([1.0, 2, 3, 5, 7, 10]), np.array([109.0, 149, 149, 191, 213, 224]))
WOOD = (
    np.array([1.309, 1.471, 1.490, 1.565, 1.611, 1.680]),
    np.array([2.138, 3.421, 3.597, 4.340, 4.882, 5.660]),
)


def box(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * (1 - np.exp(-b[1] * x)))


def wood(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * x ** b[1])


def intervals(
    model: Callable[[Array, Array], Array], data: tuple[Array, Array], start: list[float], which: int
) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
    """95 % of one parameter: by us, by lmfit's profile, and plain symmetric."""
    import lmfit
    from scipy.stats import t

    x, y = data
    names = Names(tuple(Unknown(f"b{i}", value) for i, value in enumerate(start)))
    solution = polish(Problem(names, lambda b: y - model(b, x)), names.start)
    freedom = y.size - len(start)
    variance = 2 * solution.cost / freedom
    u = float(np.sqrt(np.linalg.inv(solution.jacobian.T @ solution.jacobian)[which, which] * variance))
    value = float(solution.x[which])
    ours = interval(Combined(value, u, {"noise": u}, freedom, estimate(value)))
    parameters = lmfit.Parameters()
    for name, at in zip(("b0", "b1"), solution.x, strict=True):
        parameters.add(name, value=at)
    fitter = lmfit.Minimizer(lambda p: y - model(np.array([p["b0"].value, p["b1"].value]), x), parameters)
    profile = lmfit.conf_interval(fitter, fitter.minimize(), p_names=[f"b{which}"], sigmas=[0.95])[
        f"b{which}"
    ]
    factor = float(t.ppf(0.975, freedom))
    return ours, (profile[0][1], profile[-1][1]), (value - factor * u, value + factor * u)


class TestAgainstProfiles:
    """lmfit.conf_interval walks along the sum of squares; ours is one formula on value and u."""

    @pytest.mark.parametrize("which", [0, 1])
    def test_a_nearly_linear_problem_has_nearly_the_profile(self, which: int) -> None:
        """DanWood, u of 1 and 2 %: each end within 4 % of the half-width, which is the curvature of the
        power law."""
        ours, profile, _ = intervals(wood, WOOD, [0.77, 3.86], which)
        half = 0.5 * (profile[1] - profile[0])
        np.testing.assert_allclose(ours, profile, atol=0.04 * half)

    @pytest.mark.parametrize("which", [0, 1])
    def test_a_curved_problem_is_met_better_than_by_a_symmetric_one(self, which: int) -> None:
        """BoxBOD, u of 6 and 19 % on four degrees of freedom: both ends nearer to the profile."""
        ours, profile, symmetric = intervals(box, BOX, [214.0, 0.55], which)
        for mine, true, plain in zip(ours, profile, symmetric, strict=True):
            assert abs(mine - true) < abs(plain - true)
        assert ours[0] > 0.0


class TestDetermined:
    @pytest.mark.parametrize(("u", "answer"), [(0.1, True), (0.49, True), (0.51, False), (3.0, False)])
    def test_more_than_half_of_the_value_is_no_answer(self, u: float, answer: bool) -> None:
        assert determined(combined(1.0, u)) is answer

    @pytest.mark.parametrize(("share", "answer"), [(0.0, True), (0.4, True), (0.6, False)])
    def test_what_leans_on_the_plausible_is_no_answer(self, share: float, answer: bool) -> None:
        """A fifth of the value, and most of the variance from what was only plausible."""
        budget = {"noise": 0.2 * np.sqrt(1 - share), "weak: friction over speed": 0.2 * np.sqrt(share)}
        assert determined(combined(1.0, 0.2, budget)) is answer

    def test_a_small_lean_on_the_plausible_may_stay(self) -> None:
        assert determined(combined(1.0, 0.05, {"weak: plate heat": 0.05}))

    def test_a_value_near_zero_is_judged_by_its_scale(self) -> None:
        """A viscous coefficient of nearly nothing, known to a tenth of what would matter."""
        assert determined(combined(0.001, 0.02, scale=0.2))
        assert not determined(combined(0.001, 0.2, scale=0.2))

    def test_an_angle_is_judged_in_degrees(self) -> None:
        """No angle is large: leaning by less than two degrees is an answer, by more it isn't."""
        assert determined(combined(5.0, 1.5, {"weak: like friction": 1.5}, unit="deg"))
        assert not determined(combined(45.0, 2.5, {"weak: like friction": 2.5}, unit="deg"))


class TestParameters:
    def test_a_measured_one_has_value_interval_and_budget(self) -> None:
        found = parameter(combined(80.0, 1.0, {"noise": 0.6, "gain": 0.8}))
        assert (found.value, found.u, found.status, found.needs) == (80.0, 1.0, "measured", None)
        assert found.low is not None
        assert found.high is not None
        assert found.low < 80.0 < found.high
        assert found.budget == {"noise": 0.6, "gain": 0.8}

    def test_what_is_not_determined_has_no_number_but_a_need(self) -> None:
        found = parameter(combined(80.0, 60.0, needs="slip near zero input torque"))
        assert (found.value, found.u, found.low, found.high) == (None, None, None, None)
        assert found.status == "not-determined"
        assert found.needs == "slip near zero input torque"
        assert found == not_determined("N·m", "a torque", "slip near zero input torque")

    def test_what_the_sheet_states_is_stated_however_doubtful(self) -> None:
        found = parameter(combined(0.02, 0.015), stated=True)
        assert (found.value, found.status) == (0.02, "stated")


def test_correlations_are_of_the_fit_and_leave_out_the_exact() -> None:
    """Sum and difference of two unknowns of correlation r: (σ₁² − σ₂²) over their standard uncertainties."""
    joint = np.array([[4.0, 1.2], [1.2, 1.0]])
    sheet = Covariance(joint, joint, {}, "")
    gradients = {"sum": np.array([1.0, 1.0]), "difference": np.array([1.0, -1.0]), "exact": np.zeros(2)}
    items = {
        name: Combined(1.0, float(np.sqrt(g @ joint @ g)), {}, np.inf, estimate(1.0, gradient=g))
        for name, g in gradients.items()
    }
    found = correlation(items, sheet)
    assert found.names == ["sum", "difference"]
    expected = (4.0 - 1.0) / np.sqrt((5.0 + 2.4) * (5.0 - 2.4))
    np.testing.assert_allclose(found.matrix, [[1.0, expected], [expected, 1.0]], atol=5e-7)


def test_a_part_that_comes_from_the_sheet_lowers_the_correlation() -> None:
    """The sheet's doubt of one quantity is independent of the other's."""
    joint = np.eye(1)
    both = {
        "bench": Combined(1.0, 1.0, {}, np.inf, estimate(1.0)),
        "with sheet": Combined(1.0, 2.0, {}, np.inf, estimate(1.0)),
    }
    assert correlation(both, Covariance(joint, joint, {}, "")).matrix[0][1] == pytest.approx(0.5)
