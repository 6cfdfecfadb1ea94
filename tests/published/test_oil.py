"""The viscosity-temperature line of an oil against a worked sheet of ASTM D341."""

import numpy as np
import pytest

from diffbench.physics.oil import kinematic_viscosity, viscosity_exponent, walther

# The sheet counts kelvins from 273, so its 40 and 100 °C are 39.85 and 99.85 °C here.
SHEET = 273.0 - 273.15


def test_line_through_two_viscosities_on_the_sheets_scale() -> None:
    """H03: ASTM D341 worked sheet, retrieved: 32 and 5.4 mm²/s give A 9.5259, B 3.7449, half a unit 5e-5."""
    oil = walther(32e-6, 5.4e-6, temperatures=(40.0 + SHEET, 100.0 + SHEET))
    assert oil.a == pytest.approx(9.5259, abs=5e-5)
    assert oil.b == pytest.approx(3.7449, abs=5e-5)


@pytest.mark.parametrize("shift", [pytest.param(SHEET, id="273"), pytest.param(0.0, id="273.15")])
def test_viscosity_between_the_two_points(shift: float) -> None:
    """H03: 8.5 mm²/s at 80 °C on either scale, half a unit 0.05."""
    oil = walther(32e-6, 5.4e-6, temperatures=(40.0 + shift, 100.0 + shift))
    assert kinematic_viscosity(80.0 + shift, oil) * 1e6 == pytest.approx(8.5, abs=0.05)


def test_line_with_the_thermodynamic_zero() -> None:
    """H03 recomputed with 273.15, derived: A 9.530815, B 3.746578, 8.533215 mm²/s at 80 °C; half a unit each.

    The derived numbers leave out the correction terms for thin oils, which vanish at these viscosities.
    """
    oil = walther(32e-6, 5.4e-6)
    assert oil.a == pytest.approx(9.530815, abs=5e-7)
    assert oil.b == pytest.approx(3.746578, abs=5e-7)
    assert kinematic_viscosity(80.0, oil) * 1e6 == pytest.approx(8.533215, abs=5e-7)


def test_drag_is_expected_to_fall_as_the_viscosity_does() -> None:
    """H03: 8.533215 to 5.4 mm²/s from 80 to 100 °C (derived): what a fit expects at 90 °C."""
    exponent = viscosity_exponent(90.0, walther(32e-6, 5.4e-6))
    assert exponent == pytest.approx(np.log(8.533215 / 5.4) / 20.0, rel=1e-6)


# H04: lowest viscosity of gear-oil grades at 100 °C [mm²/s], SAE J306:2019, retrieved.
GRADES = {"75": 6.5, "80": 8.5, "85": 11.0, "90": 13.5, "110": 18.5, "140": 24.0, "190": 32.5, "250": 41.0}


def test_gear_oil_grades_stay_in_order_from_cold_to_hot() -> None:
    """H04: every grade thins as it warms, and a heavier one is thicker at every temperature.

    The viscosity at 40 °C is set to 2.2 nu_100^1.5 (mm²/s), about that of a mineral oil: an assumption of
    this test.
    """
    at_100 = np.array(list(GRADES.values()))
    temperature = np.linspace(-10.0, 150.0, 33)
    viscosity = np.array(
        [kinematic_viscosity(temperature, walther(2.2e-6 * nu**1.5, 1e-6 * nu)) for nu in at_100]
    )
    assert np.all(np.diff(viscosity, axis=1) < 0.0)
    assert np.all(np.diff(viscosity, axis=0) > 0.0)
    # Back at the grade's own temperature to the rounding of two logarithms of logarithms.
    np.testing.assert_allclose(viscosity[:, temperature == 100.0][:, 0], at_100 * 1e-6, rtol=1e-12)
