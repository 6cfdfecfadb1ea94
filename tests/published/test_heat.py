"""Specific heat of steel as EN 1993-1-2 has it."""

import pytest

from diffbench.physics.plate_heat import SPECIFIC_HEAT, SPECIFIC_HEAT_U


@pytest.mark.parametrize("temperature", [60.0, 80.0, 120.0])
def test_the_specific_heat_that_a_fit_assumes_is_that_of_steel(temperature: float) -> None:
    """EN 1993-1-2, 3.4.1.2, from memory: c = 425 + 0.773 T − 1.69e-3 T² + 2.22e-6 T³, T in °C.

    Lining and alloy are in the standard uncertainty: at the temperatures of a warm unit, within it.
    """
    steel = 425.0 + 0.773 * temperature - 1.69e-3 * temperature**2 + 2.22e-6 * temperature**3
    assert abs(SPECIFIC_HEAT / steel - 1.0) < SPECIFIC_HEAT_U
