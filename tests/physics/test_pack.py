"""Pack torque and effective radius: properties that hold for every pack."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.pack import (
    effective_radius_uniform_pressure,
    effective_radius_uniform_wear,
    locking_torque_of_packs,
)

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

outer_radii = st.floats(0.03, 0.2)
shares = st.floats(0.0, 0.999)


@given(outer=outer_radii, share=shares)
@reproducible
def test_both_radii_lie_in_the_ring_and_pressure_never_below_wear(outer: float, share: float) -> None:
    inner = share * outer
    wear = effective_radius_uniform_wear(inner, outer)
    pressure = effective_radius_uniform_pressure(inner, outer)
    assert inner < wear < outer
    # Equal in the limit of a thin ring, so rounding is allowed for.
    assert wear * (1.0 - 1e-15) <= pressure <= outer


def test_radii_of_a_full_disc() -> None:
    """Analytic: half the radius by wear, two thirds by pressure."""
    assert effective_radius_uniform_wear(0.0, 0.3) == pytest.approx(0.15, rel=1e-15)
    assert effective_radius_uniform_pressure(0.0, 0.3) == pytest.approx(0.2, rel=1e-15)


@given(outer=outer_radii, share=shares)
@reproducible
def test_uniform_pressure_is_the_quotient_of_the_two_integrals(outer: float, share: float) -> None:
    """(2/3)(r_o³ − r_i³)/(r_o² − r_i²), which loses digits for a thin ring, by a factor r_o/(r_o − r_i)."""
    inner = share * outer
    direct = 2.0 / 3.0 * (outer**3 - inner**3) / (outer**2 - inner**2)
    assert effective_radius_uniform_pressure(inner, outer) == pytest.approx(direct, rel=1e-14 / (1.0 - share))


def test_samples_broadcast_and_missing_ones_stay_missing() -> None:
    force = np.array([[0.0, np.nan, 1000.0]])
    torque = locking_torque_of_packs(0.1, [[4], [5]], 0.05, force)
    assert torque.shape == (2, 3)
    assert np.isnan(torque[:, 1]).all()
    np.testing.assert_allclose(torque[:, 2], [40.0, 50.0], rtol=1e-15)


@pytest.mark.parametrize(
    ("inner", "outer", "message"),
    [
        (0.05, 0.05, "outer radius must be above"),
        (0.06, 0.05, "outer radius must be above"),
        (-0.01, 0.05, "inner radius must not be negative, got -0.01"),
        (np.nan, 0.05, "inner radius must not be negative, got nan"),
    ],
)
def test_a_ring_inside_out_is_refused(inner: float, outer: float, message: str) -> None:
    for radius in (effective_radius_uniform_wear, effective_radius_uniform_pressure):
        with pytest.raises(ValueError, match=message):
            radius(inner, outer)


@pytest.mark.parametrize(
    ("friction", "n", "radius", "message"),
    [
        (-0.1, 5, 0.05, "friction must not be negative, got -0.1"),
        (0.1, -1, 0.05, "faces must not be negative"),
        (0.1, 5, 0.0, "radius must be positive, got 0"),
        ([0.1, np.nan], 5, 0.05, "friction must not be negative, got nan"),
    ],
)
def test_what_a_pack_refuses(friction: float, n: int, radius: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        locking_torque_of_packs(friction, n, radius, 1000.0)
