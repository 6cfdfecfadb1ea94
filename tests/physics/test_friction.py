"""Friction over sliding speed and temperature."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from diffbench.physics.friction import FRICTION_LAWS, shape, sliding_speed, slope, temperature_factor
from diffbench.physics.preload import PRELOAD_LAWS

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

speeds = st.floats(0.0, 3.0)
coefficients = st.floats(0.02, 0.3)
stribeck_speeds = st.floats(0.005, 0.5)
exponents = st.floats(0.5, 2.5)


def stribeck(speed: ArrayLike, kinetic: float, static: float, v_s: float, delta: float) -> Any:
    """Friction coefficient by the law behind `shape`, relative to high speed."""
    return kinetic * shape(speed, (static - kinetic) / kinetic, v_s, delta, 1e9)


@given(kinetic=coefficients, static=coefficients, v_s=stribeck_speeds, delta=exponents, speed=speeds)
@reproducible
def test_friction_lies_between_static_and_kinetic(
    kinetic: float, static: float, v_s: float, delta: float, speed: float
) -> None:
    friction = stribeck(speed, kinetic, static, v_s, delta)
    low, high = sorted([kinetic, static])
    assert low * (1.0 - 1e-14) <= friction <= high * (1.0 + 1e-14)


def test_limits_at_no_speed_and_at_high_speed() -> None:
    assert stribeck(0.0, 0.10, 0.14, 0.05, 1.0) == pytest.approx(0.14, rel=1e-15)
    assert stribeck(100.0, 0.10, 0.14, 0.05, 1.0) == 0.10


@given(speed=speeds, v_s=stribeck_speeds, delta=exponents)
@reproducible
def test_both_directions_of_slip_have_one_friction(speed: float, v_s: float, delta: float) -> None:
    assert stribeck(-speed, 0.10, 0.14, v_s, delta) == stribeck(speed, 0.10, 0.14, v_s, delta)
    assert shape(-speed, 0.4, v_s, delta, 0.1) == shape(speed, 0.4, v_s, delta, 0.1)
    assert sliding_speed(-speed, 0.0447) == sliding_speed(speed, 0.0447)


@given(kinetic=coefficients, static=coefficients, v_s=stribeck_speeds, speed=speeds, reference=speeds)
@reproducible
def test_shape_is_friction_over_friction_at_the_reference(
    kinetic: float, static: float, v_s: float, speed: float, reference: float
) -> None:
    excess = (static - kinetic) / kinetic
    for delta in (0.7, 1.0, 2.0):
        here, there = stribeck([speed, reference], kinetic, static, v_s, delta)
        assert shape(speed, excess, v_s, delta, reference) == pytest.approx(here / there, rel=1e-13)
        assert shape(reference, excess, v_s, delta, reference) == 1.0


@given(speed=st.floats(0.01, 1.0), v_s=st.floats(0.05, 0.5), delta=st.floats(1.0, 2.5))
@reproducible
def test_slope_is_the_derivative(speed: float, v_s: float, delta: float) -> None:
    """Against a central difference with a step of 1e-4: its error is of the order of its square."""
    step = 1e-4 * min(speed, v_s)
    rise = stribeck(speed + step, 0.10, 0.14, v_s, delta) - stribeck(speed - step, 0.10, 0.14, v_s, delta)
    assert slope(speed, 0.10, 0.14, v_s, delta) == pytest.approx(rise / (2.0 * step), abs=1e-6 * 0.1 / v_s)


@pytest.mark.parametrize(("exponent", "expected"), [(1.0, -0.04 / 0.1), (2.0, 0.0)])
def test_slope_at_no_speed(exponent: float, expected: float) -> None:
    """Analytic: −(mu_s − mu_c)/v_s for an exponent of 1, flat above."""
    assert slope(0.0, 0.10, 0.14, 0.1, exponent) == pytest.approx(expected, rel=1e-14)


def test_sliding_speed_is_half_the_speed_difference_at_the_effective_radius() -> None:
    assert sliding_speed(4.0, 0.05) == pytest.approx(0.1, rel=1e-15)


@given(temperature=st.floats(-20.0, 200.0), coefficient=st.floats(-0.003, 0.003))
@reproducible
def test_temperature_factor_is_one_at_the_reference_and_linear(
    temperature: float, coefficient: float
) -> None:
    assert temperature_factor(60.0, coefficient, 60.0) == 1.0
    rise = temperature_factor(temperature, coefficient, 60.0) - 1.0
    assert rise == pytest.approx(coefficient * (temperature - 60.0), abs=1e-15)


@pytest.mark.parametrize("name", list(FRICTION_LAWS))
@given(speed=st.floats(0.02, 1.0), reference=st.floats(0.02, 1.0))
@reproducible
def test_every_law_is_one_at_the_reference_and_its_slope_the_derivative(
    name: str, speed: float, reference: float
) -> None:
    """At the start of a search, against a central difference."""
    law = FRICTION_LAWS[name]
    assert law.name == name
    own = tuple(math.exp(u.start) if u.logarithm else u.start for u in law.unknowns)
    assert law.relative(reference, own, reference) == 1.0
    step = 1e-5 * speed
    up, down = (float(law.relative(speed + side, own, speed)) for side in (step, -step))
    assert law.relative_slope(speed, own) == pytest.approx((up - down) / (2.0 * step), abs=1e-4)


def test_what_every_law_brings_into_a_fit() -> None:
    """Start, bounds, what physics makes plausible, what counts as large and other starts, in own units:
    a Stribeck speed by its logarithm. The preload law's joint passes on nothing at the one end, and almost
    all at the other. Judgement, as the guide tells it; regression alone."""
    found = {}
    for law in (*FRICTION_LAWS.values(), *PRELOAD_LAWS.values()):
        for one in law.unknowns:
            own = math.exp if one.logarithm else float
            told = (own(one.start), own(one.low), own(one.high), own(one.prior), one.prior_u, one.scale)
            found[law.name, one.name] = (*(round(each, 12) for each in told), one.starts, one.ends)
    excess = (0.15, -0.6, 3.0, 0.15, 0.3, 0.1, (), False)
    speed = (0.03, 0.001, 2.0, 0.03, 0.8, 0.005, (0.015, 0.06), False)
    assert found == {
        ("stribeck-1", "static_excess"): excess,
        ("stribeck-1", "stribeck_speed"): speed,
        ("stribeck-2", "static_excess"): excess,
        ("stribeck-2", "stribeck_speed"): speed,
        ("greater-of", "joint_fraction"): (0.03, 0.0, 0.6, 0.1, 0.3, 0.1, (), True),
    }
    assert [law.exponent for law in FRICTION_LAWS.values()] == [1.0, 2.0]
    # the most by which a value moves the locking torque, as a logarithm
    joint, excess_reach = (
        PRELOAD_LAWS["greater-of"].unknowns[0].reach,
        FRICTION_LAWS["stribeck-1"].unknowns[0],
    )
    assert joint is not None
    assert excess_reach.reach is not None
    assert excess_reach.reach(0.4) == pytest.approx(math.log(1.4))
    assert [joint(0.5), joint(0.99), joint(1.0)] == pytest.approx([math.log(2.0), *[math.log(100.0)] * 2])


def test_missing_samples_stay_missing() -> None:
    assert np.isnan(shape([np.nan, 0.1], 0.4, 0.1, 1.0, 0.1)).tolist() == [True, False]
    assert np.isnan(temperature_factor(np.nan, -0.001, 60.0))


def test_parameters_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="Stribeck speed must be positive"):
        shape(0.1, 0.4, 0.0, 1.0, 0.1)
    with pytest.raises(ValueError, match="exponent must be positive"):
        shape(0.1, 0.4, 0.1, 0.0, 0.1)
    with pytest.raises(ValueError, match="kinetic friction must not be negative"):
        slope(0.1, -0.10, 0.14, 0.1, 1.0)
    with pytest.raises(ValueError, match="static excess must be above -1"):
        shape(0.1, -1.0, 0.1, 1.0, 0.1)
    with pytest.raises(ValueError, match="exponent must be at least 1"):
        slope(0.1, 0.10, 0.14, 0.1, 0.5)
