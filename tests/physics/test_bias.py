"""Torque bias ratio, locking effect and the two senses of locking torque."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.bias import (
    locking_effect,
    locking_effect_from_locking_torque,
    locking_effect_from_ratio,
    one_pack_from_whole,
    output_torques,
    ratio_from_locking_effect,
    share_of_slower_output,
    torque_bias_ratio,
    whole_from_one_pack,
)

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

effects = st.floats(0.0, 0.999)
torques = st.floats(1.0, 2000.0)


@given(effect=effects)
@reproducible
def test_effect_and_ratio_turn_into_each_other(effect: float) -> None:
    """1 − LE of the ratio loses digits as the effect nears one: rounding over 1 − LE."""
    ratio = ratio_from_locking_effect(effect)
    assert ratio >= 1.0
    assert locking_effect_from_ratio(ratio) == pytest.approx(effect, abs=1e-15)


@given(effect=effects, torque=torques, sign=st.sampled_from([-1.0, 1.0]), slip=st.sampled_from([-3.0, 3.0]))
@reproducible
def test_outputs_show_the_effect_they_were_made_with(
    effect: float, torque: float, sign: float, slip: float
) -> None:
    """In drive and coast, either side faster; the ratio amplifies rounding by itself."""
    left, right = output_torques(sign * torque, effect * torque, slip)
    assert locking_effect(left, right) == pytest.approx(effect, abs=1e-14)
    assert locking_effect(right, left) == locking_effect(left, right)
    assert locking_effect_from_locking_torque(effect * torque, sign * torque) == pytest.approx(
        effect, rel=1e-15
    )
    # The slower output has more of the torque: right where the left is faster; in coast, the other way.
    slower, faster = (right, left) if sign * slip > 0.0 else (left, right)
    ratio = ratio_from_locking_effect(effect)
    assert torque_bias_ratio(slower, faster) == pytest.approx(ratio, rel=1e-13 * float(ratio))
    assert share_of_slower_output(effect) == pytest.approx(slower / (sign * torque), rel=1e-14)


@given(torque=torques, lock=st.floats(0.0, 2000.0))
@reproducible
def test_one_pack_carries_half_of_the_difference(torque: float, lock: float) -> None:
    assert whole_from_one_pack(one_pack_from_whole(lock)) == lock
    left, right = output_torques(torque, lock, 1.0)
    assert right - torque / 2.0 == pytest.approx(one_pack_from_whole(lock), abs=1e-12)
    assert torque / 2.0 - left == pytest.approx(one_pack_from_whole(lock), abs=1e-12)


def test_an_open_differential_shares_equally() -> None:
    left, right = output_torques(400.0, 0.0, 3.0)
    assert left == right == 200.0
    assert locking_effect(left, right) == 0.0
    assert torque_bias_ratio(left, right) == 1.0
    assert share_of_slower_output(0.0) == 0.5


def test_from_full_locking_on_the_ratio_has_no_meaning() -> None:
    assert np.isnan(ratio_from_locking_effect([1.0, 1.5])).all()
    assert np.isnan(torque_bias_ratio([400.0, 500.0], [0.0, -100.0])).all()
    assert locking_effect(500.0, -100.0) == 1.5


def test_without_input_torque_the_effect_is_infinite_or_nothing_at_all() -> None:
    assert np.isinf(locking_effect_from_locking_torque(80.0, 0.0))
    assert np.isnan(locking_effect_from_locking_torque(0.0, 0.0))
    assert np.isnan(locking_effect(np.nan, 100.0))


def test_sixty_per_cent_is_not_sixty_per_cent_more_torque() -> None:
    """60 % splits 80 to 20; 60 % more torque at one output would be a locking effect of 23 %."""
    assert share_of_slower_output(0.6) == pytest.approx(0.8, rel=1e-15)
    assert locking_effect_from_ratio(1.6) == pytest.approx(0.6 / 2.6, rel=1e-14)


def test_an_endless_ratio_is_full_locking() -> None:
    assert locking_effect_from_ratio(np.inf) == 1.0


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="they are swapped"):
        torque_bias_ratio(100.0, 300.0)
    with pytest.raises(ValueError, match="at least 1"):
        locking_effect_from_ratio(0.9)
    with pytest.raises(ValueError, match="not negative"):
        ratio_from_locking_effect(-0.1)
    with pytest.raises(ValueError, match="must not be negative"):
        share_of_slower_output(-0.1)
    with pytest.raises(ValueError, match="without slip"):
        output_torques(400.0, 100.0, [1.0, 0.0])
    with pytest.raises(ValueError, match="locking torque is not negative"):
        output_torques(400.0, -100.0, 1.0)
