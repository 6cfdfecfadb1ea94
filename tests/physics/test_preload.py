"""The laws by which preload spring and ramps meet."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench import Build
from diffbench.physics.preload import PRELOAD_LAWS, Additive, GreaterOf, softened

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

loads = st.floats(0.0, 5000.0)
fractions = st.floats(0.0, 0.95)
ADDITIVE, GREATER_OF = Additive(), GreaterOf()


def test_every_law_has_the_name_that_a_sheet_writes() -> None:
    law = Build.model_json_schema()["$defs"]["Preload"]["properties"]["law"]
    assert [*PRELOAD_LAWS, "undecided"] == law["enum"]
    assert all(law.name == name for name, law in PRELOAD_LAWS.items())


@given(preload=loads, ramp=loads, phi=fractions)
@reproducible
def test_greater_of_lies_between_the_larger_one_and_the_sum(preload: float, ramp: float, phi: float) -> None:
    force = GREATER_OF.load(preload, ramp, [phi])
    assert max(preload, ramp) <= force <= ADDITIVE.load(preload, ramp)


@given(preload=loads, ramp=loads)
@reproducible
def test_a_stiff_cover_gives_the_plain_larger_one(preload: float, ramp: float) -> None:
    assert GREATER_OF.load(preload, ramp, [0.0]) == max(preload, ramp)


@given(preload=st.floats(1.0, 5000.0), phi=fractions)
@reproducible
def test_both_pieces_meet_where_the_contact_opens(preload: float, phi: float) -> None:
    """Continuous: F_0 + Phi F and F are equal at the opening, up to the rounding of 1/(1 − Phi)."""
    opening = GREATER_OF.opening(preload, [phi])
    assert opening is not None
    assert preload + phi * opening == pytest.approx(opening, rel=1e-14)
    assert GREATER_OF.load(preload, opening, [phi]) == pytest.approx(opening, rel=1e-14)
    below = GREATER_OF.load(preload, 0.99 * opening, [phi])
    assert below == pytest.approx(preload + phi * 0.99 * opening, rel=1e-14)
    assert GREATER_OF.load(preload, 1.01 * opening, [phi]) == pytest.approx(1.01 * opening, rel=1e-14)


@pytest.mark.parametrize("name", list(PRELOAD_LAWS))
@given(preload=loads, ramp=loads, more=loads, share=st.floats(0.0, 1.0))
@reproducible
def test_more_of_either_never_presses_less_and_ramps_alone_press_in_full(
    name: str, preload: float, ramp: float, more: float, share: float
) -> None:
    """Every law in the list, anywhere within the bounds of its own unknowns."""
    law = PRELOAD_LAWS[name]
    own = [unknown.low + share * (unknown.high - unknown.low) for unknown in law.unknowns]
    here = law.load(preload, ramp, own)
    assert law.load(preload + more, ramp, own) >= here
    assert law.load(preload, ramp + more, own) >= here
    assert law.load(0.0, ramp, own) == ramp
    assert law.load(preload, 0.0, own) == preload


def test_a_law_without_a_corner_has_no_opening() -> None:
    assert ADDITIVE.opening(80.0) is None


def test_a_joint_fraction_off_its_ends_counts_as_the_nearer_one() -> None:
    """A step of a gradient may leave them: at 1 the contact would never open."""
    assert GREATER_OF.load(80.0, 50.0, [-0.1]) == 80.0
    assert GREATER_OF.load(80.0, 50.0, [1.2]) == pytest.approx(80.0 + 0.999 * 50.0, rel=1e-14)


@given(preload=st.floats(0.1, 500.0), ramp=st.floats(0.0, 500.0))
@reproducible
def test_a_joint_that_opens_bit_by_bit_locks_more_in_proportion(preload: float, ramp: float) -> None:
    """(P⁴ + R⁴)^(1/4) − max(P, R), written out; the unit of torque does not matter, however small."""
    expected = (preload**4 + ramp**4) ** 0.25 - max(preload, ramp)
    close = 1e-14 * max(preload, ramp)
    assert softened(preload, ramp) == pytest.approx(expected, abs=10.0 * close)
    assert softened(1e-6 * preload, 1e-6 * ramp) == pytest.approx(1e-6 * expected, abs=1e-5 * close)


def test_missing_samples_stay_missing() -> None:
    assert np.isnan(GREATER_OF.load(80.0, np.nan, [0.0]))
    assert np.isnan(ADDITIVE.load(80.0, np.nan))
