"""The steady locking torque by hand: no quantity is one, no two are alike, both flanks, all branches."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive, GreaterOf
from diffbench.physics.steady import UnitQuantities, parts, steady_locking_torque

UNIT = UnitQuantities(
    preload_law=Additive(),
    preload_values=(),
    preload_torque=83.0,
    drive_bias=0.47,
    coast_bias=0.29,
    drive_ratio=1.43,
    coast_ratio=1.31,
    gear_friction=0.023,
    viscous=0.37,
    viscous_exponent=0.031,
    friction_law=Stribeck(1.0),
    friction_values=(0.17, 0.034),
    temperature_coefficient=-0.0013,
    effective_radius=0.0447,
    reference_temperature=60.0,
    reference_speed_difference=4.0,
)
SPEED, HEAT = 7.0, 82.0


def stribeck(speed_difference: float) -> float:
    """A face slides at half the difference of the outputs, times the effective radius."""
    return 1.0 + 0.17 * math.exp(-0.5 * speed_difference * 0.0447 / 0.034)


FRICTION = stribeck(SPEED) / stribeck(4.0) * (1.0 - 0.0013 * (HEAT - 60.0))
FILM = 0.37 * math.exp(-0.031 * (HEAT - 60.0)) * SPEED
BIAS = {
    ("loading", 310.0): 0.47,
    ("unloading", 310.0): 0.47 * 1.43,
    ("mean", 310.0): 0.47 * (1.0 + 1.43) / 2.0,
    ("loading", -170.0): 0.29,
    ("unloading", -170.0): 0.29 * 1.31,
    ("mean", -170.0): 0.29 * (1.0 + 1.31) / 2.0,
}


@pytest.mark.parametrize(("branch", "torque"), BIAS)
def test_every_branch_of_either_flank(branch: str, torque: float) -> None:
    """Plates at their friction, gears by the torque, oil by the speed; slip either way round the same."""
    ramps = BIAS[branch, torque] * abs(torque)
    expected = FRICTION * (83.0 + ramps) + 0.023 * abs(torque) + FILM
    for sense in (1.0, -1.0):
        found = steady_locking_torque(UNIT, torque, sense * SPEED, HEAT, branch)
        assert found == pytest.approx(expected, rel=1e-12)
    place = (np.array(torque), np.array(SPEED), np.array(HEAT))
    assert parts(UNIT, *place, branch) == pytest.approx((FRICTION * 83.0, FRICTION * ramps), rel=1e-12)


@pytest.mark.parametrize("torque", [310.0, -170.0])
def test_packs_that_differ_load_the_ramps_by_their_difference(torque: float) -> None:
    """On the ramps x = T ± m (p P + r b |x|) for slip either way, in closed form; the mean of both."""
    of_preload, of_ramps = 0.07, 0.05
    unit = replace(UNIT, packs_apart=(of_preload, of_ramps))
    bias = FRICTION * BIAS["loading", torque]
    side = math.copysign(1.0, torque)
    plates = []
    for way in (1.0, -1.0):
        on_ramps = (torque + way * of_preload * FRICTION * 83.0) / (1.0 - way * of_ramps * side * bias)
        plates.append(FRICTION * 83.0 + bias * abs(on_ramps))
    expected = sum(plates) / 2.0 + 0.023 * abs(torque) + FILM
    assert steady_locking_torque(unit, torque, SPEED, HEAT) == pytest.approx(expected, rel=1e-9)


def test_packs_that_differ_where_the_ramps_have_opened_the_contact() -> None:
    """Greater-of with no joint fraction: the preload is not felt any more, neither is what it is apart by."""
    unit = replace(UNIT, preload_law=GreaterOf(), preload_values=(0.0,), packs_apart=(0.07, 0.05))
    bias = FRICTION * 0.47
    on_ramps = [310.0 / (1.0 - way * 0.05 * bias) for way in (1.0, -1.0)]
    expected = bias * sum(on_ramps) / 2.0 + 0.023 * 310.0 + FILM
    assert steady_locking_torque(unit, 310.0, SPEED, HEAT) == pytest.approx(expected, rel=1e-9)


def test_packs_that_differ_where_the_ramps_press_hardly_at_all() -> None:
    """By a newton metre, to the last bit: the slope is that of a step upward, which is never none."""
    unit = replace(UNIT, drive_bias=0.5, packs_apart=(0.0, 0.05))
    bias = FRICTION * 0.5
    on_ramps = [2.0 / (1.0 - way * 0.05 * bias) for way in (1.0, -1.0)]
    expected = FRICTION * 83.0 + bias * sum(on_ramps) / 2.0 + 0.023 * 2.0 + FILM
    assert steady_locking_torque(unit, 2.0, SPEED, HEAT) == pytest.approx(expected, rel=1e-9)
