"""From estimates of several forms to one reported number: by hand, at the borders of what is determined."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm
from scipy.stats import t as student

from diffbench.documents import Build
from diffbench.documents.rig import Allowance
from diffbench.doubts import NOT_STATED, Source
from diffbench.fitting import Estimate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.parameters import (
    Combined,
    assumed_exact,
    combine_forms,
    correlation,
    determined,
    factor_of,
    interval,
    not_determined,
    parameter,
    refined,
    switched_off,
    with_exact,
)
from diffbench.fitting.unknowns import Names, Unknown
from diffbench.quantities import Quantity

GRADIENT = np.array([2.0, -1.0])
NOISE = np.array([[0.09, 0.01], [0.01, 0.16]])
GAIN = np.array([[0.1], [0.3]])


def covariance(share: float = 1.0) -> Covariance:
    blocks = {Source.TRANSDUCER_GAIN: GAIN * share}
    return Covariance(NOISE + share**2 * GAIN @ GAIN.T, NOISE, blocks, "by hand")


def estimate(value: float, **changes: Any) -> Estimate:
    return replace(Estimate(value, GRADIENT, "N·m", "what it is", "what it needs", 1.0), **changes)


def combined(value: float, u: float, budget: dict[str, float] | None = None, **changes: Any) -> Combined:
    known = {"scale": 0.2, "positive": True, **changes}
    return Combined(value, u, budget or {"noise": u}, np.inf, estimate(value, **known))


def test_one_form() -> None:
    """4 · 0.09 - 4 · 0.01 + 0.16 of noise, (2 · 0.1 - 0.3)² of gain, and the sheet's."""
    sheet = {Source.SPRING_FORCE: 0.5, Source.TRANSDUCER_GAIN: 0.2, Source.SHIM: 0.0, "weak: a": 0.0}
    found = combine_forms([estimate(7.0, sheet=sheet)], [0.3], [covariance()], 20.0)
    assert found is not None
    noise, gain, force = 0.48, 0.1**2 + 0.2**2, 0.25
    assert found.value == 7.0
    assert found.u == pytest.approx(np.sqrt(noise + gain + force))
    assert found.budget == pytest.approx(
        {
            "noise": np.sqrt(noise), Source.SPRING_FORCE: 0.5, Source.TRANSDUCER_GAIN: np.sqrt(gain),
            f"{Source.SHIM}: {NOT_STATED}": 0.0,
        }
    )  # fmt: skip
    assert list(found.budget.values()) == sorted(found.budget.values(), reverse=True)
    assert found.effective == pytest.approx(20.0 * ((noise + gain + force) / noise) ** 2)


def test_several_forms() -> None:
    """Weighted, about the best one's value; a form that has it not is passed over, the best one's lack is
    all's."""
    found = combine_forms(
        [estimate(7.0), None, estimate(8.0)],
        [0.5, 0.3, 0.2],
        [covariance(), covariance(), covariance(2.0)],
        20.0,
    )
    assert found is not None
    gain, form = (0.5 * 0.01 + 0.2 * 0.04) / 0.7, 0.2 / 0.7
    assert found.value == 7.0
    assert found.u == pytest.approx(np.sqrt(0.48 + gain + form))
    assert found.budget == pytest.approx(
        {"noise": np.sqrt(0.48), Source.FORM: np.sqrt(form), Source.TRANSDUCER_GAIN: np.sqrt(gain)}
    )
    assert combine_forms([None, estimate(8.0)], [0.5, 0.5], [covariance()] * 2, 20.0) is None
    exact = Covariance(GAIN @ GAIN.T, 0.0 * NOISE, {Source.TRANSDUCER_GAIN: GAIN}, "")
    alone = combine_forms([estimate(7.0)], [1.0], [exact], 20.0)
    assert alone is not None
    assert alone.effective == np.inf
    # a millionth of a variance is no line of a budget
    for size, there in ((0.0009, False), (0.0011, True)):
        tiny = combine_forms([estimate(7.0, sheet={"weak: a": size * 0.7})], [1.0], [exact], 20.0)
        assert tiny is not None
        assert ("weak: a" in tiny.budget) is (size * 0.7 / tiny.u > 1e-3)
        del there


@pytest.mark.parametrize(
    ("item", "known"),
    [
        (combined(80.0, 40.0), True), (combined(80.0, 40.1), False), (combined(-80.0, 39.9), True),
        # against its scale where the value is smaller than that
        (combined(0.01, 0.1), True), (combined(0.01, 0.101), False), (combined(0.0, 0.0), True),
        # from plausible ranges alone: no more than fifteen hundredths, or half of the variance
        (combined(80.0, 12.0, {"weak: a": 12.0}), True), (combined(80.0, 12.1, {"weak: a": 12.1}), False),
        (combined(80.0, 20.0, {"noise": 14.15, "weak: a": 14.13}), True),
        (combined(80.0, 20.0, {"noise": 14.13, "weak: a": 10.0, "weak: b": 10.01}), False),
        # two degrees of an angle
        (combined(40.0, 2.0, {"weak: a": 2.0}, unit="deg"), True),
        (combined(40.0, 2.01, {"weak: a": 2.01}, unit="deg"), False),
        (combined(9.0, 1.9, {"weak: a": 1.9}, unit="deg"), True),
    ],
)  # fmt: skip
def test_what_counts_as_determined(item: Combined, known: bool) -> None:
    assert determined(item) is known


def test_a_reported_number() -> None:
    """With where it is quoted; what is not determined has no number."""
    own = combined(80.0, 2.0, at_input_torque=410.0, condition=(85.0, 2.5), meaning="m", needs="n")
    found = parameter(own)
    assert (found.status, found.value, found.u, found.unit, found.meaning) == (
        "measured",
        80.0,
        2.0,
        "N·m",
        "m",
    )
    assert (found.low, found.high) == pytest.approx((80.0 - 3.92, 80.0 + 3.92), abs=2e-3)
    assert (found.at_input_torque_Nm, found.at_temperature_degC, found.at_speed_difference_rad_s) == (
        410.0,
        85.0,
        2.5,
    )
    assert (found.needs, found.budget) == (None, {"noise": 2.0})
    assert parameter(own, stated=True).status == "stated"
    assert parameter(own, stated=True, status="carried").status == "carried"
    assert parameter(replace(own, estimate=replace(own.estimate, condition=None))).at_temperature_degC is None
    for hopeless in (parameter(replace(own, u=41.0)), parameter(own, status="not-determined")):
        assert hopeless == not_determined("N·m", "m", "n", at_input_torque=410.0)
        assert (hopeless.value, hopeless.low, hopeless.status, hopeless.needs) == (
            None,
            None,
            "not-determined",
            "n",
        )


@pytest.mark.parametrize(("effective", "probability"), [(4.0, 0.95), (1e6, 0.95), (np.inf, 0.9), (1e9, 0.99)])
def test_student_s_factor(effective: float, probability: float) -> None:
    expected = student.ppf(0.5 + probability / 2.0, min(effective, 1e6))
    assert factor_of(effective, probability) == pytest.approx(expected, rel=1e-9)
    assert factor_of(8.0) == pytest.approx(2.306004)


class TestInterval:
    def test_a_positive_one_from_a_twentieth_on_is_one_of_ratios(self) -> None:
        """Log-normal of the same mean ratio: e to the factor times √ln(1 + (u/y)²)."""
        plain = 1.959964
        assert interval(combined(80.0, 4.0)) == pytest.approx(
            (80.0 - 4.0 * plain, 80.0 + 4.0 * plain), abs=1e-3
        )
        spread = float(np.exp(plain * np.sqrt(np.log1p((4.01 / 80.0) ** 2))))
        assert interval(combined(80.0, 4.01)) == pytest.approx((80.0 / spread, 80.0 * spread), abs=1e-3)
        for item in (combined(80.0, 40.0, positive=False), combined(-80.0, 40.0), combined(0.0, 40.0)):
            low, high = interval(item)
            assert (low, high) == pytest.approx(
                (item.value - 40.0 * plain, item.value + 40.0 * plain), abs=2e-3
            )

    def test_limits_that_were_drawn_are_those_of_95_per_cent(self) -> None:
        item = replace(combined(80.0, 2.0), limits=(77.0, 85.0))
        assert interval(item) == (77.0, 85.0)
        assert interval(item, 0.9) == pytest.approx((80.0 - 3.29, 80.0 + 3.29), abs=1e-3)

    def test_a_profile_s_half_widths_beside_the_rest(self) -> None:
        """Of u = 5: 3 with the profile's shape, 4 beside; where the profile has more than all, nothing is."""
        own = combined(100.0, 5.0, positive=False, profile=(3.0, 0.9, 1.2))
        low, high = interval(own)
        assert 100.0 - low == pytest.approx(1.959964 * np.hypot(2.7, 4.0), rel=1e-5)
        assert high - 100.0 == pytest.approx(1.959964 * np.hypot(3.6, 4.0), rel=1e-5)
        low, high = interval(replace(own, u=2.9))
        assert (100.0 - low, high - 100.0) == pytest.approx((1.959964 * 2.7, 1.959964 * 3.6), rel=1e-5)


def test_correlations_go_through_the_unknowns() -> None:
    """What has no doubt has none; to six digits, and never beyond one."""
    total = covariance().total
    items = {
        "a": Combined(1.0, 0.8, {}, np.inf, estimate(1.0)),
        "none": Combined(1.0, 0.0, {}, np.inf, estimate(1.0)),
        "b": Combined(1.0, 0.9, {}, np.inf, estimate(1.0, gradient=np.array([0.5, 1.0]))),
        "c": Combined(1.0, 1e-3, {}, np.inf, estimate(1.0, gradient=np.array([1.0, 1.0]))),
    }  # fmt: skip
    found = correlation(items, covariance())
    assert found.names == ["a", "b", "c"]
    joint = GRADIENT @ total @ np.array([0.5, 1.0]) / (0.8 * 0.9)
    assert found.matrix[0][1] == found.matrix[1][0] == round(joint, 6)
    assert [found.matrix[i][i] for i in range(3)] == [1.0, 1.0, 1.0]
    assert found.matrix[1][2] == 1.0
    nothing = correlation({"none": items["none"]}, covariance())
    assert (nothing.names, nothing.matrix) == ([], [])


def test_allowances_of_nothing_are_said() -> None:
    """One note for each that is stated as nothing."""
    assert switched_off(Allowance()) == []
    names = ("fitted_once", "one_way", "cross_talk", "oil_sensor", "hysteresis", "running_in")
    for name in names:
        (note,) = switched_off(Allowance(**{name: 0.0}))
        assert note.text.startswith(f"the rig's allowance {name} = 0: ")
    assert len(switched_off(Allowance(**dict.fromkeys(names, 0.0)))) == 6


ONE = Names((Unknown("a", 2.0),))


def told(unknown_u: float, value: float, of_draws: Any, **changes: Any) -> tuple[Any, Covariance, Combined]:
    """A form of one unknown of 2 that is known so well, and a quantity of it to first order."""
    candidate: Any = SimpleNamespace(names=ONE, x=np.array([2.0]), noise=SimpleNamespace(freedom=1.0))
    candidate.problem = candidate.steps = candidate.solution = None
    own = Covariance(np.array([[unknown_u**2]]), np.array([[unknown_u**2]]), {}, "")
    slope = changes.pop("slope", 1.0)
    item = Estimate(value, np.array([slope]), "N·m", "", "", 1.0, of_draws=of_draws, **changes)
    u = abs(slope) * unknown_u
    return candidate, own, Combined(value, u, {"noise": u}, np.inf, item)


def refine(
    *forms: tuple[Any, Covariance, Combined], weights: tuple[float, ...] = (1.0,)
) -> dict[str, Combined]:
    candidates, covariances, items = zip(*forms, strict=True)
    estimates = [{"effective_angle": item.estimate} for item in items]
    return refined(
        {"effective_angle": items[0]}, estimates, candidates, weights, covariances, freedom=np.inf, seed=7
    )


@pytest.mark.parametrize(("bend", "drawn"), [(0.75, False), (1.3, True)])
def test_a_relation_that_bends_over_its_doubt_is_drawn(bend: float, drawn: bool) -> None:
    """x + c (x - 2)²: the 95 % quantile of c u² z² over u is a twentieth at c = 0.05/(1.96² u), which 250
    pairs of draws find to some seven per cent."""
    c = bend * 0.05 / (1.959964**2 * 0.1)

    def of_draws(draws: Any) -> Any:
        x = draws.value("a")
        return x + c * (x - 2.0) ** 2

    assert bool(refine(told(0.1, 2.0, of_draws))) is drawn


def test_limits_of_what_is_drawn_and_what_its_curvature_adds() -> None:
    """e to a normal of 0.5: quantiles of a log-normal; its standard deviation is more than first order says,
    and the rest is in the budget by name."""
    sigma = 0.5

    def of_draws(draws: Any) -> Any:
        return np.exp(draws.value("a") - 2.0)

    found = refine(told(sigma, 1.0, of_draws))["effective_angle"]
    assert found.limits is not None
    low, high = np.exp(-1.959964 * sigma), np.exp(1.959964 * sigma)
    # the shortest or the symmetric interval: of 95 % of the draws in any case
    inside = norm.cdf(np.log(found.limits[1]) / sigma) - norm.cdf(np.log(found.limits[0]) / sigma)
    assert inside == pytest.approx(0.95, abs=0.01)
    assert found.limits == pytest.approx((low, high), rel=0.1)
    u = np.sqrt(np.expm1(sigma**2) * np.exp(sigma**2))
    assert found.u == pytest.approx(u, rel=0.05)
    assert list(found.budget) == ["noise", "curvature of the relation"]
    assert found.budget["curvature of the relation"] == pytest.approx(np.sqrt(found.u**2 - sigma**2))
    # of two forms, each by its weight: one in four is three times as large
    one = told(0.02, 1.0, lambda draws: 1.0 + 40.0 * (draws.value("a") - 2.0) ** 2, slope=0.5)
    other = told(0.02, 3.0, lambda draws: 3.0 + 40.0 * (draws.value("a") - 2.0) ** 2, slope=0.5)
    mixed = refine(one, other, weights=(0.75, 0.25))["effective_angle"]
    assert mixed.limits is not None
    assert mixed.limits[0] == pytest.approx(1.0, abs=0.01)
    assert mixed.limits[1] == pytest.approx(3.0, abs=0.15)
    assert mixed.u == pytest.approx(np.sqrt(0.75 * 0.25) * 2.0, rel=0.05)


def test_what_is_a_function_of_the_unknowns_alone_gets_a_profile(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a user reads of a bench; not of readings by hand, nor plate heat and oil film."""
    shaped: list[float] = []

    def profile(estimate: Estimate, *_: Any, factor: float, **__: Any) -> Estimate:
        shaped.append(factor)
        return replace(estimate, profile=(1.0, 0.9, 1.1))

    monkeypatch.setattr("diffbench.fitting.parameters.profiled", profile)
    candidate, own, item = told(0.1, 2.0, None, quantity=lambda x: float(x[0]))
    names = ("preload_torque[a]", "ramp_bias_drive_loading", "friction_slope", "locking_effect_drive")
    means = ("heat_capacity", "viscous_coefficient")

    def of(freedom: float | None) -> dict[str, Combined]:
        candidate.noise.freedom = freedom
        every = dict.fromkeys((*names, *means), replace(item, effective=8.0))
        return refined(every, [{}], [candidate], [1.0], [own], freedom=np.inf, seed=7)

    found = of(None)
    assert set(found) == set(names)
    assert {one.estimate.profile for one in found.values()} == {(1.0, 0.9, 1.1)}
    assert shaped == pytest.approx([2.306004] * 4)
    assert of(12.0) == {}


def test_what_counts_as_exact_is_told_once(demo_build: Build) -> None:
    """Statements of the sheet without a doubt, of several sheets once each; temperatures of which nobody says
    how well they are read, which are then in every budget as nothing."""

    def notes(temperature_u: float, *builds: Build) -> list[Any]:
        return assumed_exact(
            SimpleNamespace(builds=builds, data=SimpleNamespace(temperature_u=temperature_u))
        )  # type: ignore[arg-type]

    plain = [
        "drive_angle has no stated uncertainty: it counts as exact where it is used",
        "coast_angle has no stated uncertainty: it counts as exact where it is used",
        "the plate radii have no stated uncertainty: they count as exact",
        "the pin radius has no stated uncertainty: it counts as exact",
    ]
    assert [one.text for one in notes(1.5, demo_build)] == plain
    bare = demo_build.model_copy(
        update={
            "limits": demo_build.limits.model_copy(update={"gear_friction": None}),
            "preload": demo_build.preload.model_copy(update={"spring_force": Quantity(1950.0)}),
            "ramps": demo_build.ramps.model_copy(
                update={
                    "drive_angle": Quantity(0.7, 0.01),
                    "coast_angle": None,
                    "pin_radius": Quantity(0.039, 1e-4),
                }
            ),
            "packs": demo_build.packs.model_copy(update={"inner_radius": Quantity(0.038, 1e-4)}),
        }
    )
    gears = "gear_friction is not stated: gear-mesh friction counts as none, and is part of the ramp bias"
    force = "the spring force has no stated uncertainty: it counts as exact"
    assert [one.text for one in notes(1.5, bare)] == [gears, force]
    assert [one.text for one in notes(1.5, demo_build, bare, demo_build)] == [*plain, gears, force]
    outer = bare.model_copy(
        update={"packs": demo_build.packs.model_copy(update={"outer_radius": Quantity(0.0545, 1e-4)})}
    )
    assert [one.text for one in notes(1.5, outer)] == [gears, force]
    exact = demo_build.model_copy(
        update={"limits": demo_build.limits.model_copy(update={"gear_friction": Quantity(0.02)})}
    )
    assert notes(1.5, exact)[0].text == "gear_friction has no stated uncertainty: it counts as exact"
    (*_, heat) = notes(0.0, demo_build)
    assert heat.text == "u_zero of the temperature channel is not stated: temperatures count as exact"
    items = {
        "a": parameter(combined(80.0, 2.0)), "b": parameter(combined(80.0, 2.0), stated=True),
        "c": parameter(combined(80.0, 2.0), status="carried"), "d": parameter(combined(80.0, 60.0)),
    }  # fmt: skip
    told = with_exact(items, [heat])
    for name in ("a", "c"):
        assert set(told[name].budget) - set(items[name].budget) != set()
        assert [size for source, size in told[name].budget.items() if source not in items[name].budget] == [
            0.0
        ]
    assert (told["b"], told["d"]) == (items["b"], items["d"])
    assert with_exact(items, notes(1.5, demo_build)) == items
