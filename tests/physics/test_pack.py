"""Pack torque and effective radius: properties that hold for every pack."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.pack import (
    axial_force_for_torque,
    effective_radius_uniform_pressure,
    effective_radius_uniform_wear,
    friction_from_preload_torque,
    locking_torque_of_packs,
    pack_torque,
    spring_force_from_preload_torque,
)

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

outer_radii = st.floats(0.03, 0.2)
shares = st.floats(0.0, 0.999)
frictions = st.floats(0.01, 0.6)
faces = st.integers(1, 20)
forces = st.floats(0.0, 50e3)


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


@given(friction=frictions, n=faces, outer=outer_radii, force=forces)
@reproducible
def test_two_packs_are_twice_one_pack(friction: float, n: int, outer: float, force: float) -> None:
    assert locking_torque_of_packs(friction, n, outer, force) == 2.0 * pack_torque(friction, n, outer, force)


@given(friction=frictions, n=faces, outer=outer_radii, force=st.floats(1.0, 50e3))
@reproducible
def test_every_question_turned_round_gives_back_what_went_in(
    friction: float, n: int, outer: float, force: float
) -> None:
    preload_torque = locking_torque_of_packs(friction, n, outer, force)
    assert axial_force_for_torque(preload_torque / 2.0, friction, n, outer) == pytest.approx(force, rel=1e-14)
    assert friction_from_preload_torque(preload_torque, n, outer, force) == pytest.approx(friction, rel=1e-14)
    assert spring_force_from_preload_torque(preload_torque, friction, n, outer) == pytest.approx(
        force, rel=1e-14
    )


def test_samples_broadcast_and_missing_ones_stay_missing() -> None:
    force = np.array([[0.0, np.nan, 1000.0]])
    torque = pack_torque(0.1, [[4], [5]], 0.05, force)
    assert torque.shape == (2, 3)
    assert np.isnan(torque[:, 1]).all()
    np.testing.assert_allclose(torque[:, 2], [20.0, 25.0], rtol=1e-15)


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
        pack_torque(friction, n, radius, 1000.0)


def test_no_force_can_be_found_for_a_pack_without_friction() -> None:
    with pytest.raises(ValueError, match="friction must be positive"):
        axial_force_for_torque(50.0, 0.0, 5, 0.05)
    with pytest.raises(ValueError, match="spring force must be positive"):
        friction_from_preload_torque(80.0, 5, 0.05, 0.0)
