"""Oil viscosity over temperature."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.oil import kinematic_viscosity, walther

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

thin = st.floats(2.0, 40.0)
thicker = st.floats(2.5, 20.0)


@given(at_100=thin, times=thicker)
@reproducible
def test_the_line_passes_through_both_points(at_100: float, times: float) -> None:
    """A double logarithm there and back: rounding grows by Z log Z, some hundreds of last digits."""
    oil = walther(at_100 * times * 1e-6, at_100 * 1e-6)
    assert kinematic_viscosity(40.0, oil) == pytest.approx(at_100 * times * 1e-6, rel=1e-11)
    # The standard's way back from Z is a fit of its own, good to 1e-5 or so near 2 mm²/s.
    assert kinematic_viscosity(100.0, oil) == pytest.approx(at_100 * 1e-6, rel=1e-4)


@given(at_100=thin, times=thicker)
@reproducible
def test_oil_thins_as_it_warms(at_100: float, times: float) -> None:
    viscosity = kinematic_viscosity(
        np.linspace(-20.0, 160.0, 50), walther(at_100 * times * 1e-6, at_100 * 1e-6)
    )
    assert np.all(np.diff(viscosity) < 0.0)
    assert np.all(viscosity > 0.0)


def test_missing_temperatures_stay_missing() -> None:
    assert np.isnan(kinematic_viscosity([np.nan, 60.0], walther(190e-6, 17.5e-6))).tolist() == [True, False]


def test_oils_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match="thinner as it warms"):
        walther(17.5e-6, 190e-6)
    with pytest.raises(ValueError, match=r"viscosity must lie from 0\.21 to 2e\+07 mm\^2/s"):
        walther(190.0, 17.5)  # mm²/s where m²/s are meant
    with pytest.raises(ValueError, match="must rise"):
        walther(190e-6, 17.5e-6, temperatures=(100.0, 40.0))
    with pytest.raises(ValueError, match="absolute zero"):
        kinematic_viscosity(-300.0, walther(190e-6, 17.5e-6))
