"""The true unit's closed form against hand calculation and limits."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from benchsim.disc_spring import DiscSpring
from benchsim.scenario import Q17, V09


def test_preload_and_bias_by_hand() -> None:
    """Numbers of Q17 worked out by hand from ``2 mu n R_e F`` and ``mu n R_e cot(beta +- phi) / r_p``."""
    derived = Q17.derived()
    # 2 * 0.112 * 4 * 0.04625 m = 0.04144 m per newton; half of it over the pin radius is 0.5312821.
    assert derived["preload_torque_Nm"] == pytest.approx(0.04144 * Q17.spring_force, rel=1e-12)
    for key, angle in (
        ("ramp_bias_drive_loading", 46.0),
        ("ramp_bias_drive_unloading", 38.0),
        ("ramp_bias_coast_loading", 61.0),
        ("ramp_bias_coast_unloading", 53.0),
    ):
        assert derived[key] == pytest.approx(0.02072 / 0.039 / math.tan(math.radians(angle)), rel=1e-12)


def test_effective_radii() -> None:
    """Uniform wear is the mean radius; uniform pressure lies above it, by hand for 38 and 54.5 mm."""
    assert Q17.effective_radius == pytest.approx(0.04625, rel=1e-12)
    # 2/3 * (54.5^3 - 38^3) / (54.5^2 - 38^2) = 2/3 * 107006.625 / 1526.25 mm
    pressed = replace(Q17, contact="uniform-pressure")
    assert pressed.effective_radius == pytest.approx(2.0 / 3.0 * 107006.625 / 1526.25 * 1e-3, rel=1e-12)


def test_reference_condition_includes_the_stribeck_rest() -> None:
    """At 4 rad/s the sliding speed is 92.5 mm/s: friction is above kinetic by ``0.018 exp(-92.5/22)``."""
    ratio = Q17.derived(4.0)["preload_torque_Nm"] / Q17.derived()["preload_torque_Nm"]
    assert ratio == pytest.approx(1.0 + 0.018 / 0.112 * math.exp(-92.5 / 22.0), rel=1e-12)


def test_greater_of_opens_its_contact_once() -> None:
    """Under greater-of the force is ``F0 + Phi S`` up to ``S = F0 / (1 - Phi)`` and ``S`` beyond, without a
    step."""
    opening = V09.spring_force / (1.0 - V09.joint_fraction)
    below, at, above = V09.pack_force(np.array([0.5 * opening, opening, 2.0 * opening]))
    assert below == pytest.approx(V09.spring_force + 0.5 * V09.joint_fraction * opening)
    assert at == pytest.approx(opening)
    assert above == pytest.approx(2.0 * opening)


def test_temperature_and_sign_symmetry() -> None:
    """Friction falls by the coefficient per kelvin, and the sign of the speed difference does not matter."""
    dry = replace(Q17, viscous=0.0, gear_friction=0.0)
    warm = dry.locking_torque(300.0, 5.0, 70.0, "loading") / dry.locking_torque(300.0, 5.0, 60.0, "loading")
    assert float(warm) == pytest.approx(1.0 - 0.012, rel=1e-12)
    assert dry.locking_torque(300.0, -5.0, 70.0, "loading") == dry.locking_torque(300.0, 5.0, 70.0, "loading")


def test_branches_meet_without_torque() -> None:
    """Loading and unloading differ only where there is input torque."""
    assert Q17.locking_torque(0.0, 3.0, 60.0, "loading") == Q17.locking_torque(0.0, 3.0, 60.0, "unloading")
    assert np.all(
        Q17.locking_torque([-200.0, 200.0], 3.0, 60.0, "loading")
        < Q17.locking_torque([-200.0, 200.0], 3.0, 60.0, "unloading")
    )


@pytest.mark.parametrize(
    "change",
    [
        {"law": "sum"},
        {"contact": "line"},
        {"joint_fraction": 0.1},
        {"coast_angle_deg": 3.0},
        {"drive_angle_deg": 88.0, "coast_angle_deg": 88.0},
    ],
)
def test_impossible_units_are_refused(change: dict[str, object]) -> None:
    """A slip in a scenario is an error, not a recording."""
    with pytest.raises(ValueError, match="unit Q17"):
        replace(Q17, **change)  # type: ignore[arg-type]


def test_stack_multiplies_parallel_and_shares_series() -> None:
    """Three parallel discs carry three times the load; two in series carry it at twice the travel."""
    one = DiscSpring(0.095, 0.072, 0.0016, 0.0014, 1, 1)
    stack = replace(one, parallel=3, series=2)
    assert stack.force(0.0008) == pytest.approx(3.0 * one.force(0.0004), rel=1e-12)
