"""Chances and risks of a decision on a limit, by the examples of JCGM 106:2012 and of Deaver.

Numbers of JCGM 106 that are marked 'memory' were recomputed here by hand; the inputs of 7.4 and all of Deaver
and of the ball bearings were retrieved (public repository sandialabs/suncal, and a calibration laboratory's
page that quotes 7.4).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import gamma, norm

from diffbench.results.conformity import answered, chance_within, check_limit

EXPANDED = 1.959964  # of a 95 % interval


def around(value: float, u: float) -> tuple[float, float]:
    return value - EXPANDED * u, value + EXPANDED * u


def test_two_limits() -> None:
    """JCGM 106:2012, 7.4, viscosity of a motor oil: 13.6 mm²/s, u 1.8, 12.5 to 16.3: 0.66 (memory)."""
    assert chance_within(13.6, around(13.6, 1.8), 12.5, 16.3) == pytest.approx(0.66263, abs=1e-5)


def test_one_limit() -> None:
    """JCGM 106:2012, 7.3.3, a breakdown voltage: −5.47 V, u 0.05, at most −5.4: 0.92 (memory)."""
    assert chance_within(-5.47, around(-5.47, 0.05), None, -5.4) == pytest.approx(0.91924, abs=1e-5)


@pytest.mark.parametrize(
    ("z", "chance"), [(0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99), (3.09, 0.999)]
)
def test_table_of_chances(z: float, chance: float) -> None:
    """JCGM 106:2012, table 1 (memory): z to two decimals, so half of the last one of either side."""
    low, high = (chance_within(7.0 + y, around(7.0 + y, 1.0), 7.0, None) for y in (z - 0.005, z + 0.005))
    assert low <= chance <= high


def accepted_to(limit: float, guard: float) -> float:
    """Up to where a measured value is accepted, with a guard band, by the rule of every verdict."""
    found = check_limit("size", value=1.1, interval=(1.1 - guard, 1.1 + guard), low=None, high=limit)
    assert found.accept_high is not None
    return found.accept_high


@pytest.mark.parametrize(("guard", "risk"), [(0.0, 0.0080191), (0.3281712, 0.001)])
def test_consumers_risk_of_ball_bearings(guard: float, risk: float) -> None:
    """JCGM 106:2012, 9.5.4: runout of gamma shape 4 and rate 4 per µm, at most 2 µm, u 0.25 µm."""
    true = np.linspace(2.0, 8.0, 20_001)
    passed = norm.cdf((accepted_to(2.0, guard) - true) / 0.25)
    found = float(np.trapezoid(gamma.pdf(true, 4.0, scale=0.25) * passed, true))
    assert found == pytest.approx(risk, rel=1e-3)
    assert float(gamma.sf(2.0, 4.0, scale=0.25)) == pytest.approx(0.0423801, rel=1e-5)


def test_the_projects_own_guard_band_is_stricter() -> None:
    """Its 95 % interval as guard band leaves less than the one in a thousand that the example asks for."""
    true = np.linspace(2.0, 8.0, 20_001)
    passed = norm.cdf((accepted_to(2.0, EXPANDED * 0.25) - true) / 0.25)
    assert float(np.trapezoid(gamma.pdf(true, 4.0, scale=0.25) * passed, true)) < 0.0005


@pytest.mark.parametrize(
    ("limit", "ratio", "share", "accepted", "rejected"),
    [
        (2.0, 4.0, 1.0, 0.008, 0.015),
        (2.5, 4.0, 1.0, 0.0025, None),
        (2.5, 1.0, 1.0, 0.005, None),
        (2.0, 2.0, 0.91, 0.008, 0.066),
    ],
)
def test_false_accept_and_reject_of_deaver(
    limit: float, ratio: float, share: float, accepted: float, rejected: float | None
) -> None:
    """D. Deaver, Guardbanding with confidence (NCSL 1994), p. 7 and 10: a process of standard deviation 1, a
    measurement of 1/ratio; printed to one or two digits, so 6 %."""
    guard = (1.0 - share) * limit
    found = check_limit("size", value=0.3, interval=(0.3 - guard, 0.3 + guard), low=-limit, high=limit)
    assert found.accept_low is not None
    assert found.accept_high is not None
    true = np.linspace(-9.0, 9.0, 36_001)
    inside = norm.cdf(ratio * (found.accept_high - true)) - norm.cdf(ratio * (found.accept_low - true))
    beyond = np.abs(true) > limit
    assert float(np.trapezoid(norm.pdf(true) * inside * beyond, true)) == pytest.approx(accepted, rel=0.06)
    if rejected is not None:
        missed = float(np.trapezoid(norm.pdf(true) * (1.0 - inside) * ~beyond, true))
        assert missed == pytest.approx(rejected, rel=0.06)


@pytest.mark.parametrize(
    ("value", "chance"), [(80.0, 1.0), (70.0, 1.0), (90.0, 1.0), (69.9, 0.0), (90.1, 0.0)]
)
def test_what_is_exact_is_within_or_not(value: float, chance: float) -> None:
    assert chance_within(value, (value, value), 70.0, 90.0) == chance


@pytest.mark.parametrize(
    ("interval", "limits", "chance"),
    [
        # 1.959964 u above the value, nothing below: what lies below is sure, above as in the table
        ((80.0, 82.0), (79.0, 82.0), 0.975), ((80.0, 82.0), (81.0, 90.0), 0.0),
        ((78.0, 80.0), (78.0, 81.0), 0.975), ((78.0, 80.0), (None, 79.0), 0.0),
        ((78.0, 81.0), (80.0, None), 0.5), ((78.0, 81.0), (None, 80.0), 0.5),
    ],
)  # fmt: skip
def test_a_half_that_is_nothing_is_sure(
    interval: tuple[float, float], limits: tuple[float | None, float | None], chance: float
) -> None:
    assert chance_within(80.0, interval, *limits) == pytest.approx(chance, abs=1e-6)


@pytest.mark.parametrize(
    ("chance", "answer"),
    [(0.95, "yes"), (0.9499, "not proven"), (0.0501, "not proven"), (0.05, "no"), (0.0, "no")],
)
def test_a_chance_of_one_in_twenty_decides(chance: float, answer: str) -> None:
    assert answered(chance) == answer


def test_bands_that_just_leave_one_value() -> None:
    """An interval as wide as the specification: its middle could be accepted, and no other."""
    found = check_limit("size", value=80.0, interval=(70.0, 90.0), low=70.0, high=90.0, unit="mm")
    assert (found.accept_low, found.accept_high, found.provable) == (80.0, 80.0, True)
    assert (found.outcome, found.unit, found.quantity) == ("conforming", "mm", "size")
    assert not check_limit("size", value=80.0, interval=(69.9, 90.0), low=70.0, high=90.0).provable
    unknown = check_limit("size", value=None, interval=(70.0, 90.0), low=70.0, high=90.0)
    assert (unknown.provable, unknown.value, unknown.guard_low) == (False, None, None)
    assert (unknown.accept_low, unknown.reject_above, unknown.outcome) == (None, None, "not proven")
    exact = check_limit("size", value=80.0, interval=(80.0, 80.0), low=70.0, high=None)
    assert (exact.guard_low, exact.guard_high, exact.unit) == (0.0, 0.0, "1")
    assert exact.provable
    for interval in ((80.1, 81.0), (79.0, 79.9)):
        with pytest.raises(ValueError, match="must hold the value"):
            check_limit("size", value=80.0, interval=interval, low=70.0, high=90.0)
