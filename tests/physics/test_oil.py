"""Oil viscosity over temperature and the drag that follows it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.oil import kinematic_viscosity, viscous_coefficient, walther

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


@given(temperature=st.floats(-10.0, 150.0), reference=st.floats(20.0, 120.0), coefficient=st.floats(0.0, 5.0))
@reproducible
def test_drag_is_what_was_stated_at_the_reference_and_scales_with_it(
    temperature: float, reference: float, coefficient: float
) -> None:
    oil = {"viscosity_40": 190e-6, "viscosity_100": 17.5e-6}
    assert viscous_coefficient(reference, coefficient, reference, **oil) == pytest.approx(
        coefficient, rel=1e-15
    )
    assert viscous_coefficient(reference, coefficient, reference, exponent=0.03) == coefficient
    unit = viscous_coefficient(temperature, 1.0, reference, **oil)
    assert viscous_coefficient(temperature, coefficient, reference, **oil) == pytest.approx(
        coefficient * unit, rel=1e-14
    )


def test_exponential_law() -> None:
    """Analytic: the drag falls to 1/e over the inverse of the exponent."""
    assert viscous_coefficient(60.0 + 1.0 / 0.03, 0.2, 60.0, exponent=0.03) == pytest.approx(
        0.2 / np.e, rel=1e-14
    )


def test_missing_temperatures_stay_missing() -> None:
    drag = viscous_coefficient([np.nan, 60.0], 0.2, 60.0, viscosity_40=190e-6, viscosity_100=17.5e-6)
    assert np.isnan(drag).tolist() == [True, False]


def test_oils_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match="thinner as it warms"):
        walther(17.5e-6, 190e-6)
    with pytest.raises(ValueError, match="viscosity must lie from"):
        walther(190.0, 17.5)  # mm²/s where m²/s are meant
    with pytest.raises(ValueError, match="must rise"):
        walther(190e-6, 17.5e-6, temperatures=(100.0, 40.0))
    with pytest.raises(ValueError, match="absolute zero"):
        kinematic_viscosity(-300.0, walther(190e-6, 17.5e-6))


def test_drag_needs_the_oil_in_one_way() -> None:
    with pytest.raises(ValueError, match="not by both ways"):
        viscous_coefficient(60.0, 0.2, 60.0)
    with pytest.raises(ValueError, match="not by both ways"):
        viscous_coefficient(60.0, 0.2, 60.0, viscosity_40=190e-6)
    with pytest.raises(ValueError, match="not by both ways"):
        viscous_coefficient(60.0, 0.2, 60.0, viscosity_40=190e-6, viscosity_100=17.5e-6, exponent=0.03)
