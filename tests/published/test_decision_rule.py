"""The decision rule of ISO 14253-1 case by case: a specification of 70 to 90, an expanded uncertainty of 2.

The standard proves conformity where the whole interval y ± U lies within the specification (in its figure,
the specification zone less U at each limit), and nonconformity where the whole interval lies outside (beyond
the zone enlarged by U); in between neither is proven. Status: rule from memory of the standard, cases derived
from it by hand.
"""

from __future__ import annotations

import pytest

from diffbench.results.conformity import check_limit, decided, worst

CASES = [
    # y, outcome, why
    (80.0, "conforming", "in the middle"),
    (72.0, "conforming", "at the lower end of the conformance zone, 70 + 2"),
    (88.0, "conforming", "at its upper end, 90 - 2"),
    (71.9, "not proven", "in the uncertainty range within the lower limit"),
    (68.1, "not proven", "in the uncertainty range below the lower limit"),
    (90.0, "not proven", "on the upper limit"),
    (92.0, "not proven", "at the end of the uncertainty range above the upper limit"),
    (92.1, "not conforming", "beyond the upper limit by more than 2"),
    (67.9, "not conforming", "below the lower limit by more than 2"),
]


@pytest.mark.parametrize(("y", "outcome", "why"), CASES, ids=[why for *_, why in CASES])
def test_two_limits(y: float, outcome: str, why: str) -> None:
    found = check_limit("size", value=y, interval=(y - 2.0, y + 2.0), low=70.0, high=90.0)
    assert found.outcome == outcome
    assert (found.accept_low, found.accept_high) == pytest.approx((72.0, 88.0))
    assert (found.reject_below, found.reject_above) == pytest.approx((68.0, 92.0))


@pytest.mark.parametrize(
    ("y", "outcome"),
    [(57.9, "conforming"), (60.0, "not proven"), (62.1, "not conforming"), (-5.0, "conforming")],
)
def test_one_limit(y: float, outcome: str) -> None:
    """A maximum alone has one guard band."""
    found = check_limit("wear", value=y, interval=(y - 2.0, y + 2.0), low=None, high=60.0)
    assert found.outcome == outcome
    assert found.accept_low is None
    assert found.accept_high == pytest.approx(58.0)


def test_uncertainty_wider_than_the_specification() -> None:
    """No value could prove conformity, and the check says so; nonconformity can still be proven."""
    found = check_limit("size", value=80.0, interval=(68.0, 92.0), low=70.0, high=90.0)
    assert found.outcome == "not proven"
    assert not found.provable
    far = check_limit("size", value=110.0, interval=(98.0, 122.0), low=70.0, high=90.0)
    assert far.outcome == "not conforming"


def test_lopsided_interval_has_two_guard_bands() -> None:
    """An interval that reaches further up than down leaves more room at the lower limit."""
    found = check_limit("size", value=72.0, interval=(71.0, 75.0), low=70.0, high=90.0)
    assert (found.guard_low, found.guard_high) == pytest.approx((1.0, 3.0))
    assert (found.accept_low, found.accept_high) == pytest.approx((71.0, 87.0))
    assert (found.reject_below, found.reject_above) == pytest.approx((67.0, 91.0))
    assert found.outcome == "conforming"


@pytest.mark.parametrize(
    ("interval", "outcome"),
    [
        ((70.0, 90.0), "conforming"),
        ((65.0, 70.0), "not proven"),
        ((90.0, 95.0), "not proven"),
        ((65.0, 69.9), "not conforming"),
    ],
)
def test_ends_that_lie_on_a_limit(interval: tuple[float, float], outcome: str) -> None:
    """The limit itself belongs to the specification; by the interval alone, as fit and trend decide."""
    assert decided(interval, 70.0, 90.0) == outcome


def test_not_determined_is_not_proven() -> None:
    assert check_limit("size", value=None, interval=None, low=70.0, high=90.0).outcome == "not proven"


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="must hold the value"):
        check_limit("size", value=80.0, interval=(81.0, 82.0), low=70.0, high=90.0)
    with pytest.raises(ValueError, match="a lower end, an upper end or both"):
        check_limit("size", value=80.0, interval=(79.0, 82.0), low=None, high=None)


def test_worst_of_several() -> None:
    assert worst(["conforming", "not conforming", "not proven"]) == "not conforming"
    assert worst(["conforming", "not proven"]) == "not proven"
    assert worst(["conforming", "conforming"]) == "conforming"
    assert worst([]) is None
