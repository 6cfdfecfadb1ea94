"""Disc springs and stacks: the curve, its inverse and its derivative."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.disc_spring import (
    DiscSpring,
    DiscStack,
    deflection,
    load,
    stack_deflection,
    stack_load,
)

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

DISC = DiscSpring(0.100, 0.080, 0.002, 0.0012)

steepness = st.floats(0.1, 3.0)
ratios = st.floats(1.1, 4.0)
shares = st.floats(0.0, 1.0)


def disc(ratio: float, eta: float) -> DiscSpring:
    return DiscSpring(0.04 * ratio, 0.04, 0.002, 0.002 * eta)


def peak(spring: DiscSpring) -> float:
    """Deflection at the highest load on the way to flat: where the derivative is zero, or flat."""
    eta = spring.steepness
    if eta**2 <= 2.0:
        return spring.cone_height
    return spring.thickness * (eta - math.sqrt((eta**2 - 2.0) / 3.0))


@given(ratio=ratios, eta=steepness, share=shares)
@reproducible
def test_deflection_is_the_load_turned_round_up_to_the_peak(ratio: float, eta: float, share: float) -> None:
    """Within what the flat top of the curve leaves.

    A load good to 1e-15 fixes a deflection near a peak, where the slope is zero, to its square root, and near
    a flat disc of h0/t = √2, a cubic, to its cube root.
    """
    spring = disc(ratio, eta)
    s = share * peak(spring)
    force = load(spring, s)
    found = deflection(spring, force)
    assert found == pytest.approx(s, abs=3e-5 * spring.cone_height)
    assert load(spring, found) == pytest.approx(
        force, rel=1e-12, abs=1e-12 * float(load(spring, peak(spring)))
    )


@pytest.mark.parametrize("eta", [0.5, 1.3, 1.6, 2.5])
def test_the_most_that_a_disc_carries(eta: float) -> None:
    """The highest point of its curve; a stack of 3 nested discs with friction of 0.02: 3/0.98 of it."""
    spring = disc(1.5, eta)
    highest = float(np.max(load(spring, np.linspace(0.0, spring.cone_height, 20001))))
    assert spring.most_load == pytest.approx(highest, rel=1e-7)
    stack = DiscStack(spring, parallel=3, series=2, edge_friction=0.02)
    assert stack.most_load == pytest.approx(3.0 / 0.98 * highest, rel=1e-7)


@pytest.mark.parametrize("eta", [0.5, 1.0, np.sqrt(2.0), 1.6, 2.5])
def test_deflection_is_exact_on_the_rising_flank(eta: float) -> None:
    """Away from the top of the curve only rounding remains."""
    spring = disc(1.5, float(eta))
    s = np.linspace(0.0, 0.7 * peak(spring), 50)
    np.testing.assert_allclose(
        deflection(spring, load(spring, s)), s, rtol=0.0, atol=1e-13 * spring.cone_height
    )


def test_flat_disc_and_free_disc() -> None:
    """Analytic: no load at no deflection; flat, the bracket of the formula is 1."""
    assert load(DISC, 0.0) == 0.0
    assert deflection(DISC, 0.0) == pytest.approx(0.0, abs=1e-18)
    k1 = DISC.k1
    flat = 4.0 * 206e9 / (1.0 - 0.3**2) * 0.002**3 * 0.0012 / (k1 * 0.100**2)
    assert load(DISC, 0.0012) == pytest.approx(flat, rel=1e-14)
    assert deflection(DISC, load(DISC, 0.0012)) == pytest.approx(0.0012, rel=1e-12)


@given(ratio=ratios, eta=steepness, share=shares)
@reproducible
def test_the_curve_is_symmetric_about_the_flat_disc(ratio: float, eta: float, share: float) -> None:
    """F(s) and F(2 h0 − s) add to twice the flat load, by the formula carried on past flat."""
    spring = disc(ratio, eta)
    x, t = share * spring.steepness, spring.thickness
    scale = spring.unit_stress * t**2
    mirrored = (2.0 * eta - x) * ((x - eta) * (x / 2.0) + 1.0) * scale
    assert load(spring, share * spring.cone_height) + mirrored == pytest.approx(
        2.0 * load(spring, spring.cone_height), rel=1e-12
    )


@given(ratio=ratios, eta=st.floats(0.1, 1.4142))
@reproducible
def test_load_rises_all_the_way_up_to_a_steepness_of_root_two(ratio: float, eta: float) -> None:
    spring = disc(ratio, eta)
    assert np.all(np.diff(load(spring, np.linspace(0.0, spring.cone_height, 40))) > 0.0)


def test_a_steeper_disc_has_a_peak_and_falls_before_it_is_flat() -> None:
    spring = disc(1.5, 2.0)
    top = load(spring, peak(spring))
    assert np.all(load(spring, np.linspace(0.0, spring.cone_height, 1001)) <= top * (1.0 + 1e-12))
    assert top > load(spring, 0.9 * spring.cone_height) > load(spring, spring.cone_height)
    assert deflection(spring, 0.999 * top) < peak(spring)
    with pytest.raises(ValueError, match="load must not exceed"):
        deflection(spring, 1.001 * top)


@given(parallel=st.integers(1, 4), series=st.integers(1, 6), share=shares)
@reproducible
def test_a_stack_adds_loads_in_parallel_and_travel_in_series(
    parallel: int, series: int, share: float
) -> None:
    stack = DiscStack(DISC, parallel, series)
    s = share * stack.travel
    assert stack_load(stack, s) == pytest.approx(parallel * load(DISC, s / series), rel=1e-14)
    assert stack_deflection(stack, stack_load(stack, s)) == pytest.approx(s, abs=1e-12 * stack.travel)


@given(
    parallel=st.integers(1, 4), w_m=st.floats(0.0, 0.03), w_r=st.floats(0.0, 0.04), share=st.floats(0.01, 1.0)
)
@reproducible
def test_stack_friction_takes_load_to_press_and_keeps_it_from_coming_back(
    parallel: int, w_m: float, w_r: float, share: float
) -> None:
    stack = DiscStack(DISC, parallel, 2, w_m, w_r)
    s = share * stack.travel
    free = stack_load(DiscStack(DISC, parallel, 2), s)
    pressed, let_out = stack_load(stack, s), stack_load(stack, s, unloading=True)
    assert let_out <= free <= pressed
    assert stack.gain() == pytest.approx(pressed / load(DISC, s / 2))
    # F/F_pressed + F/F_let_out = 2 by the two formulas.
    assert free / pressed + free / let_out == pytest.approx(2.0, rel=1e-14)
    for force, unloading in ((pressed, False), (let_out, True)):
        assert stack_deflection(stack, force, unloading=unloading) == pytest.approx(
            s, abs=1e-12 * stack.travel
        )


@pytest.mark.parametrize(
    ("dimensions", "message"),
    [
        ((0.08, 0.10, 0.002, 0.0012), "inner diameter must be below outer diameter"),
        ((0.10, 0.08, 0.0, 0.0012), "thickness must be positive"),
        ((0.10, 0.08, 0.002, -0.001), "cone height must be positive"),
        ((0.10, 0.08, 0.002, 0.0012, 206e9, 0.6), "poisson ratio must lie from 0 to 0.5"),
    ],
)
def test_a_disc_that_cannot_be_is_refused(dimensions: tuple[float, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        DiscSpring(*dimensions)


def test_loads_and_deflections_out_of_reach_are_refused() -> None:
    with pytest.raises(ValueError, match=r"deflection must lie from 0 to 0\.0012 m"):
        load(DISC, 0.0013)
    with pytest.raises(ValueError, match="deflection must lie from 0"):
        load(DISC, -0.0001)
    flat = float(load(DISC, 0.0012))
    with pytest.raises(ValueError, match=f"load must not exceed {flat:.6g} N, the most that"):
        deflection(DISC, 1.001 * flat)
    with pytest.raises(ValueError, match="load must not be negative"):
        deflection(DISC, -1.0)
    with pytest.raises(ValueError, match="at least one disc"):
        DiscStack(DISC, parallel=0)
    with pytest.raises(ValueError, match="leave some of the load"):
        DiscStack(DISC, parallel=3, surface_friction=0.5)
