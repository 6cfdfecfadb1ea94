"""Torque bias ratio and locking effect by SAE J2817."""

import numpy as np
import pytest

from diffbench.physics.steady import locking_effect_from_locking_torque, ratio_from_locking_effect

# J01: SAE J2817, table and equation 1, retrieved; per cent to one decimal, half a unit 0.05.
TABLE = [(2.0, 33.3), (3.0, 50.0), (4.0, 60.0), (5.0, 66.7)]

# J02: S = (T1 − T2)/(T1 + T2), TBR = (1 + S)/(1 − S), derived (algebra; agrees with J01); rounding only.
ALGEBRA = [(0.25, 5.0 / 3.0), (0.4, 7.0 / 3.0), (0.5, 3.0), (0.6, 4.0), (0.75, 7.0)]


@pytest.mark.parametrize(
    ("ratio", "per_cent"), [pytest.param(*row, id=f"J01 TBR {row[0]:g} (retrieved)") for row in TABLE]
)
def test_locking_effect_of_a_torque_bias_ratio(ratio: float, per_cent: float) -> None:
    """From torques: 100 N·m at the faster output, `ratio` times as much at the slower one."""
    effect = locking_effect_from_locking_torque(100.0 * ratio - 100.0, 100.0 * ratio + 100.0)
    assert 100.0 * effect == pytest.approx(per_cent, abs=0.05)
    assert ratio_from_locking_effect(effect) == pytest.approx(ratio, rel=1e-14)
    low, high = ratio_from_locking_effect(np.array([per_cent - 0.05, per_cent + 0.05]) / 100.0)
    assert low <= ratio <= high


@pytest.mark.parametrize(
    ("effect", "ratio"), [pytest.param(*row, id=f"J02 S {row[0]:g} (derived)") for row in ALGEBRA]
)
def test_ratio_of_an_effect(effect: float, ratio: float) -> None:
    assert ratio_from_locking_effect(effect) == pytest.approx(ratio, rel=1e-14)


def test_fifty_per_cent_splits_three_to_one() -> None:
    """J02: 50 % locking is a 75/25 split (retrieved as a statement)."""
    assert locking_effect_from_locking_torque(75.0 - 25.0, 75.0 + 25.0) == 0.5
    assert ratio_from_locking_effect(0.5) == 3.0
