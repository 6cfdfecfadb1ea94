"""The two laws by which preload spring and ramps meet."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.preload import (
    PreloadLaw,
    additive,
    closed_contact_share,
    combine,
    contact_opening,
    greater_of,
)

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

loads = st.floats(0.0, 5000.0)
fractions = st.floats(0.0, 0.95)


@given(preload=loads, ramp=loads, phi=fractions)
@reproducible
def test_greater_of_lies_between_the_larger_one_and_the_sum(preload: float, ramp: float, phi: float) -> None:
    force = greater_of(preload, ramp, phi)
    assert max(preload, ramp) <= force <= additive(preload, ramp)


@given(preload=loads, ramp=loads)
@reproducible
def test_a_stiff_cover_gives_the_plain_larger_one(preload: float, ramp: float) -> None:
    assert greater_of(preload, ramp) == max(preload, ramp)


@given(preload=st.floats(1.0, 5000.0), phi=fractions)
@reproducible
def test_both_pieces_meet_where_the_contact_opens(preload: float, phi: float) -> None:
    """Continuous: F_0 + Phi F and F are equal at the opening, up to the rounding of 1/(1 − Phi)."""
    opening = contact_opening(preload, phi)
    assert preload + phi * opening == pytest.approx(opening, rel=1e-14)
    assert greater_of(preload, opening, phi) == pytest.approx(opening, rel=1e-14)
    assert greater_of(preload, 0.99 * opening, phi) == pytest.approx(
        preload + phi * 0.99 * opening, rel=1e-14
    )
    assert greater_of(preload, 1.01 * opening, phi) == pytest.approx(1.01 * opening, rel=1e-14)


@given(preload=loads, ramp=loads, more=loads, phi=fractions, law=st.sampled_from(["additive", "greater-of"]))
@reproducible
def test_more_of_either_never_presses_less(
    preload: float, ramp: float, more: float, phi: float, law: PreloadLaw
) -> None:
    joint = phi if law == "greater-of" else 0.0
    assert combine(law, preload + more, ramp, joint) >= combine(law, preload, ramp, joint)
    assert combine(law, preload, ramp + more, joint) >= combine(law, preload, ramp, joint)


@given(preload=loads, ramp=loads, phi=fractions)
@reproducible
def test_a_law_by_name_is_the_law(preload: float, ramp: float, phi: float) -> None:
    assert combine("additive", preload, ramp) == additive(preload, ramp)
    assert combine("greater-of", preload, ramp, phi) == greater_of(preload, ramp, phi)


def test_share_that_adds_while_the_contact_is_closed() -> None:
    assert closed_contact_share("additive") == 1.0
    assert closed_contact_share("greater-of") == 0.0
    assert closed_contact_share("greater-of", [0.1, 0.2]).tolist() == [0.1, 0.2]


def test_missing_samples_stay_missing() -> None:
    assert np.isnan(greater_of(80.0, np.nan))
    assert np.isnan(additive(80.0, np.nan))


def test_laws_and_fractions_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="no preload law is called 'sum'"):
        combine("sum", 80.0, 50.0)  # type: ignore[arg-type]  # the name is what the test is about
    with pytest.raises(ValueError, match="has no joint fraction"):
        combine("additive", 80.0, 50.0, 0.1)
    with pytest.raises(ValueError, match="must be below 1"):
        greater_of(80.0, 50.0, 1.0)
    with pytest.raises(ValueError, match="must not be negative"):
        contact_opening(80.0, -0.1)
