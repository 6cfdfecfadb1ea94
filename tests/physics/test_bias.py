"""Torque bias ratio and locking effect."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.steady import locking_effect_from_locking_torque, ratio_from_locking_effect

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

effects = st.floats(0.0, 0.999)
torques = st.floats(1.0, 2000.0)


@given(effect=effects, torque=torques, sign=st.sampled_from([-1.0, 1.0]))
@reproducible
def test_outputs_show_the_effect_they_were_made_with(effect: float, torque: float, sign: float) -> None:
    """In drive and coast: T_slower − T_faster locks; the ratio amplifies rounding by itself."""
    slower, faster = (sign * torque * (1.0 + effect) / 2.0, sign * torque * (1.0 - effect) / 2.0)
    found = locking_effect_from_locking_torque(abs(slower - faster), slower + faster)
    assert found == pytest.approx(effect, abs=1e-14)
    ratio = ratio_from_locking_effect(effect)
    assert slower / faster == pytest.approx(ratio, rel=1e-13 * float(ratio))


def test_an_open_differential_shares_equally() -> None:
    assert locking_effect_from_locking_torque(0.0, 400.0) == 0.0
    assert ratio_from_locking_effect(0.0) == 1.0


def test_from_full_locking_on_the_ratio_has_no_meaning() -> None:
    assert np.isnan(ratio_from_locking_effect([1.0, 1.5])).all()
    assert locking_effect_from_locking_torque(600.0, 400.0) == 1.5


def test_without_input_torque_the_effect_is_infinite_or_nothing_at_all() -> None:
    assert np.isinf(locking_effect_from_locking_torque(80.0, 0.0))
    assert np.isnan(locking_effect_from_locking_torque(0.0, 0.0))


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="not negative"):
        ratio_from_locking_effect(-0.1)
