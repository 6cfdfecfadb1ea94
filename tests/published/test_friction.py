"""Friction over sliding speed: a published parameter set, and the standard's criterion of shudder."""

import math

import pytest

from diffbench.physics.friction import Stribeck, shape, slope

# I01: Canudas de Wit, Olsson, Astrom & Lischinsky, IEEE Transactions on Automatic Control 40(3), 1995,
# table I (retrieved): F_c 1 N, F_s 1.5 N, v_s 0.001 m/s, sigma_2 0.4 N·s/m; the exponent is 2 there.
KINETIC, STATIC, SPEED, VISCOUS = 1.0, 1.5, 0.001, 0.4

# Steady force at three speeds, F_c + (F_s − F_c) exp(−(v/v_s)²) + sigma_2 v, derived; rounding only.
STEADY = [(1e-4, 1.4950649168745842), (1e-3, 1.1843397205857211), (5e-3, 1.002000000006944)]


@pytest.mark.parametrize(
    ("speed", "force"), [pytest.param(*row, id=f"I01 at {row[0]:g} m/s") for row in STEADY]
)
def test_steady_friction_force(speed: float, force: float) -> None:
    excess = (STATIC - KINETIC) / KINETIC
    sliding = KINETIC * Stribeck(2.0).relative(speed, (excess, SPEED), 1e3 * SPEED)
    assert sliding + VISCOUS * speed == pytest.approx(force, rel=1e-15)


@pytest.mark.parametrize(
    ("speed", "force"), [pytest.param(*row, id=f"I01 at {row[0]:g} m/s") for row in STEADY]
)
def test_shape_relative_to_the_highest_speed(speed: float, force: float) -> None:
    """I01 again as a ratio to the force at 0.005 m/s, both without the viscous part; rounding only."""
    relative = (force - VISCOUS * speed) / (STEADY[-1][1] - VISCOUS * STEADY[-1][0])
    excess = (STATIC - KINETIC) / KINETIC
    assert shape(speed, excess, SPEED, 2.0, STEADY[-1][0]) == pytest.approx(relative, rel=1e-14)


@pytest.mark.parametrize(
    ("kinetic", "static", "shudders"),
    [
        pytest.param(0.10, 0.14, True, id="falling friction"),
        pytest.param(0.14, 0.10, False, id="rising friction"),
    ],
)
def test_falling_friction_has_the_slope_that_invites_shudder(
    kinetic: float, static: float, shudders: bool
) -> None:
    """J09: SAE J3210, retrieved: a negative slope over sliding speed indicates a potential for shudder."""
    assert bool(slope(0.05, kinetic, static, 0.1, 1.0) < 0.0) is shudders


def test_slope_of_the_published_set_at_the_stribeck_speed() -> None:
    """I01, derived: −(F_s − F_c) 2/v_s exp(−1) at v = v_s; rounding only."""
    expected = -0.5 * 2.0 / 0.001 * math.exp(-1.0)
    assert slope(SPEED, KINETIC, STATIC, SPEED, 2.0) == pytest.approx(expected, rel=1e-14)
    relative = Stribeck(2.0).relative_slope(SPEED, ((STATIC - KINETIC) / KINETIC, SPEED))
    assert relative == pytest.approx(expected / (STEADY[1][1] - VISCOUS * SPEED), rel=1e-14)
