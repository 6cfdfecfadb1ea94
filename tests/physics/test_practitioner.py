"""What anyone who has rebuilt a few differentials would check first.

The unit here is put together from the physics modules as a bench sees it: packs, ramps with play, preload.
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from diffbench.physics.pack import effective_radius_uniform_wear, locking_torque_of_packs
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.physics.ramps import at_turns, ramp_bias, unloading_ratio
from diffbench.physics.steady import locking_effect_from_locking_torque

Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Unit:
    """A differential as it is assembled; angles in degrees from the plane of rotation."""

    law: str = "additive"
    joint_fraction: float = 0.0
    friction: float = 0.11
    faces: int = 5
    spring_force: float = 1850.0
    drive_angle: float = 45.0
    coast_angle: float = 60.0
    ramp_friction_angle: float = 4.5
    inner: float = 0.0369
    outer: float = 0.0525
    pin_radius: float = 0.0385

    @property
    def radius(self) -> float:
        return float(effective_radius_uniform_wear(self.inner, self.outer))

    @property
    def preload_torque(self) -> float:
        return float(locking_torque_of_packs(self.friction, self.faces, self.radius, self.spring_force))

    def bias(self, angle: float, *, unloading: bool = False) -> float:
        beta, phi = np.radians([angle, self.ramp_friction_angle])
        return float(
            ramp_bias(self.friction, self.faces, self.radius, self.pin_radius, beta, phi, unloading=unloading)
        )

    def ratio(self, angle: float) -> float:
        return float(unloading_ratio(*np.radians([angle, self.ramp_friction_angle])))

    def locking_torque(self, input_torque: ArrayLike) -> Samples:
        """Locking torque over a history of input torque."""
        history = np.atleast_1d(np.asarray(input_torque, dtype=float))
        ramp = np.zeros_like(history)
        for flank, angle in ((history, self.drive_angle), (-history, self.coast_angle)):
            loading = np.maximum(flank, 0.0)
            ramp += self.bias(angle) * at_turns(loading, self.ratio(angle) * loading, loading[0])
        own = (self.joint_fraction,) if self.law == "greater-of" else ()
        return PRELOAD_LAWS[self.law].load(self.preload_torque, ramp, own)


reproducible = settings(derandomize=True, deadline=None, max_examples=50)

units = st.builds(
    Unit,
    law=st.sampled_from(["additive", "greater-of"]),
    friction=st.floats(0.05, 0.16),
    faces=st.integers(2, 10),
    spring_force=st.floats(0.0, 6000.0),
    drive_angle=st.floats(30.0, 75.0),
    coast_angle=st.floats(30.0, 75.0),
    ramp_friction_angle=st.floats(0.0, 8.0),
)
histories = st.lists(st.floats(-800.0, 800.0), min_size=1, max_size=30).map(np.array)


@given(unit=units, history=histories)
@reproducible
def test_an_open_unit_has_no_locking_torque(unit: Unit, history: Samples) -> None:
    """Without plates, or with ramps along the axis and no spring, nothing locks."""
    assert np.all(replace(unit, faces=0).locking_torque(history) == 0.0)
    open_ramps = replace(unit, drive_angle=90.0, coast_angle=90.0, ramp_friction_angle=0.0, spring_force=0.0)
    assert np.all(open_ramps.locking_torque(history) == 0.0)


@given(unit=units, history=histories)
@reproducible
def test_locking_torque_is_never_negative(unit: Unit, history: Samples) -> None:
    assert np.all(unit.locking_torque(history) >= 0.0)


@given(unit=units, history=histories, more=st.floats(0.0, 2000.0))
@reproducible
def test_more_preload_never_locks_less(unit: Unit, history: Samples, more: float) -> None:
    tighter = replace(unit, spring_force=unit.spring_force + more)
    assert np.all(tighter.locking_torque(history) >= unit.locking_torque(history))


@given(unit=units, history=histories, more=st.integers(0, 6))
@reproducible
def test_more_faces_never_lock_less(unit: Unit, history: Samples, more: int) -> None:
    tighter = replace(unit, faces=unit.faces + more)
    assert np.all(tighter.locking_torque(history) >= unit.locking_torque(history))


@given(unit=units, history=histories, more=st.floats(0.0, 0.1))
@reproducible
def test_more_friction_never_locks_less(unit: Unit, history: Samples, more: float) -> None:
    tighter = replace(unit, friction=unit.friction + more)
    assert np.all(tighter.locking_torque(history) >= unit.locking_torque(history))


@given(unit=units, input_torque=st.floats(-800.0, 800.0), less=st.floats(0.0, 15.0))
@reproducible
def test_a_smaller_ramp_angle_never_locks_less(unit: Unit, input_torque: float, less: float) -> None:
    tighter = replace(unit, drive_angle=unit.drive_angle - less, coast_angle=unit.coast_angle - less)
    assert tighter.locking_torque(input_torque) >= unit.locking_torque(input_torque)
    for angle in (unit.drive_angle, unit.coast_angle):
        assert unit.bias(angle - less, unloading=True) >= unit.bias(angle, unloading=True)


@given(unit=units, preload_only=st.floats(0.0, 1.0))
@reproducible
def test_greater_of_never_locks_more_than_additive(unit: Unit, preload_only: float) -> None:
    history = 600.0 * np.sin(np.linspace(0.0, 10.0, 50)) * preload_only
    softer = replace(unit, law="greater-of", joint_fraction=0.3)
    assert np.all(softer.locking_torque(history) <= replace(unit, law="additive").locking_torque(history))


@given(unit=units, history=histories)
@reproducible
def test_coming_down_never_locks_less_than_going_up(unit: Unit, history: Samples) -> None:
    """Every sample of a history against the same torque reached by loading alone."""
    loading_only = np.array([unit.locking_torque(torque)[0] for torque in history])
    assert np.all(unit.locking_torque(history) >= loading_only)


@given(unit=units, top=st.floats(50.0, 800.0), sign=st.sampled_from([-1.0, 1.0]))
@reproducible
def test_after_the_turn_thrust_stands_until_the_unloading_branch_is_met(
    unit: Unit, top: float, sign: float
) -> None:
    """Down from the top the ramp part keeps its value to top/ratio, then falls with the unloading bias."""
    angle = unit.drive_angle if sign > 0.0 else unit.coast_angle
    bare = replace(unit, law="additive", spring_force=0.0)
    met = top / unit.ratio(angle)
    ramp = bare.locking_torque(sign * np.array([0.0, top, 0.5 * (top + met), met, 0.5 * met]))
    np.testing.assert_allclose(ramp[2:4], ramp[1], rtol=1e-13)
    expected = bare.bias(angle, unloading=True) * 0.5 * met
    assert ramp[4] == pytest.approx(expected, rel=1e-12)


@given(unit=units.filter(lambda unit: unit.spring_force > 100.0))
@reproducible
def test_preload_dominates_near_zero_input_torque_and_ramps_far_from_it(unit: Unit) -> None:
    """Under either law: the preload alone at no torque, the ramps' share beyond any bound far out."""
    assert unit.locking_torque(0.0)[0] == unit.preload_torque
    bias = unit.bias(unit.drive_angle)
    near, far = 0.01 * unit.preload_torque / bias, 100.0 * unit.preload_torque / bias
    assert unit.locking_torque(near)[0] == pytest.approx(unit.preload_torque, rel=0.01 + 1e-12)
    assert unit.locking_torque(far)[0] == pytest.approx(bias * far, rel=0.01 + 1e-12)
    # The locking effect falls from without bound towards the ramp bias.
    effects = locking_effect_from_locking_torque(
        [unit.locking_torque(t)[0] for t in (near, far, 10.0 * far)], [near, far, 10.0 * far]
    )
    assert np.all(np.diff(effects) <= 1e-15)
    assert effects[-1] == pytest.approx(bias, rel=0.0011)


@given(unit=units, history=histories)
@reproducible
def test_drive_and_coast_are_mirror_images_of_each_other(unit: Unit, history: Samples) -> None:
    mirrored = replace(unit, drive_angle=unit.coast_angle, coast_angle=unit.drive_angle)
    np.testing.assert_array_equal(mirrored.locking_torque(-history), unit.locking_torque(history))
