"""From estimates of several forms to one reported number: by hand, at the borders of what is determined."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import t as student

from diffbench.documents.rig import Allowance
from diffbench.doubts import NOT_STATED, Source
from diffbench.fitting import Estimate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.parameters import (
    Combined,
    combine_forms,
    correlation,
    determined,
    factor_of,
    interval,
    not_determined,
    parameter,
    switched_off,
)

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
