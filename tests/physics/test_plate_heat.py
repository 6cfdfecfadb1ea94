"""Plate temperature: the exact response, its energy balance and its limits."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.physics.plate_heat import decay_recurrence, excess_temperature, friction_heat

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

conductances = st.floats(0.0, 200.0)
capacities = st.floats(50.0, 5000.0)
starts = st.floats(-20.0, 100.0)
histories = st.lists(st.tuples(st.floats(0.001, 100.0), st.floats(-200.0, 5000.0)), min_size=1, max_size=40)


def unzip(history: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    steps, heat = np.array(history).T
    return np.append(0.0, np.cumsum(steps)), heat


@given(history=histories, h=st.floats(0.01, 200.0), capacity=capacities, start=starts)
@reproducible
def test_equal_to_the_textbook_response_step_by_step(
    history: list[tuple[float, float]], h: float, capacity: float, start: float
) -> None:
    """theta_end = q/h + (theta − q/h) exp(−h dt/C) on each interval, in its other form.

    The two forms differ by the rounding of q/h, up to 5000 W over 0.01 W/K.
    """
    time, heat = unzip(history)
    theta = start
    expected = [theta]
    for dt, q in zip(np.diff(time).tolist(), heat.tolist(), strict=True):
        theta = q / h + (theta - q / h) * np.exp(-h * dt / capacity)
        expected.append(theta)
    result = excess_temperature(time, heat, h, capacity, start)
    np.testing.assert_allclose(result, expected, rtol=0.0, atol=1e-14 * (5000.0 / h + 100.0) * len(history))


@given(history=histories, h=conductances, capacity=capacities, start=starts)
@reproducible
def test_energy_balance(history: list[tuple[float, float]], h: float, capacity: float, start: float) -> None:
    """Heat in = heat stored + heat out, the latter by integrating each interval's exponential exactly."""
    time, heat = unzip(history)
    theta = excess_temperature(time, heat, h, capacity, start)
    steps = np.diff(time)
    x = h * steps / capacity
    stored = capacity * np.diff(theta)
    # Out = h ∫theta dt = h dt [q/h + (theta_0 − q/h)(1 − e^−x)/x], rewritten without the division by h.
    faded = np.where(x > 1e-6, -np.expm1(-x) / np.where(x > 0.0, x, 1.0), 1.0 - x / 2.0)
    out = heat * steps * (1.0 - faded) + h * steps * theta[:-1] * faded
    scale = np.abs(heat * steps) + capacity * (np.abs(theta[1:]) + np.abs(theta[:-1])) + 1.0
    # The series above is good to 1e-12; temperatures carry the rounding of the steps before.
    np.testing.assert_allclose((heat * steps - stored - out) / scale, 0.0, atol=2e-12)


@given(
    heat=st.lists(st.floats(0.0, 5000.0), min_size=2, max_size=200),
    h=conductances,
    capacity=capacities,
    start=starts,
    dt=st.sampled_from([0.001, 0.01, 0.1, 1.0]),
)
@reproducible
def test_even_and_uneven_clocks_agree(
    heat: list[float], h: float, capacity: float, start: float, dt: float
) -> None:
    """The compiled filter for even steps against the general way: an extra sample that changes no heat."""
    time = dt * np.arange(len(heat) + 1)
    even = excess_temperature(time, heat, h, capacity, start)
    extra = np.insert(time, 1, 0.3 * dt)
    uneven = excess_temperature(extra, [heat[0], *heat], h, capacity, start)
    np.testing.assert_allclose(np.delete(uneven, 1), even, rtol=1e-11, atol=1e-11)


def test_long_recording_agrees_with_the_loop_over_samples() -> None:
    """Many blocks of the recurrence and an uneven clock; the loop rounds 20 011 times at up to 100 K."""
    rng = np.random.default_rng(3)
    time = np.cumsum(rng.uniform(0.005, 0.015, 20_012))
    heat = rng.uniform(0.0, 2000.0, time.size - 1)
    theta, expected = 5.0, [5.0]
    for dt, q in zip(np.diff(time).tolist(), heat.tolist(), strict=True):
        theta = q / 15.0 + (theta - q / 15.0) * np.exp(-15.0 * dt / 500.0)
        expected.append(theta)
    result = excess_temperature(time, heat, 15.0, 500.0, 5.0)
    np.testing.assert_allclose(result, expected, rtol=0.0, atol=20_012 * 100.0 * 2.3e-16)


@pytest.mark.parametrize("apart", [1e-3, 1e-8])
def test_a_clock_that_is_hardly_uneven_is_followed_as_it_is(apart: float) -> None:
    """Steps of 1 s and a little more: by the textbook response on each, which tells a ten-millionth of it."""
    time = np.cumsum([0.0, 1.0, 1.0 + apart, 1.0])
    theta = 0.0
    for dt, q in zip(np.diff(time).tolist(), (0.0, 900.0, 0.0), strict=True):
        theta = q / 15.0 + (theta - q / 15.0) * np.exp(-15.0 * dt / 50.0)
    found = excess_temperature(time, [0.0, 900.0, 0.0], 15.0, 50.0)
    assert found[-1] == pytest.approx(theta, rel=1e-3 * apart)


def test_it_ends_at_the_steady_state() -> None:
    """After fifty time constants nothing is left of the start: e^−50."""
    theta = excess_temperature([0.0, 50.0 * 500.0 / 15.0], [600.0], 15.0, 500.0, start=90.0)
    assert theta[-1] == pytest.approx(600.0 / 15.0, rel=1e-14)


def test_without_heat_it_cools_by_half_in_the_half_life() -> None:
    half_life = 500.0 / 15.0 * np.log(2.0)
    theta = excess_temperature(half_life * np.arange(4), np.zeros(4), 15.0, 500.0, start=80.0)
    np.testing.assert_allclose(theta, [80.0, 40.0, 20.0, 10.0], rtol=1e-14)


def test_without_cooling_all_heat_is_stored() -> None:
    theta = excess_temperature([0.0, 1.0, 3.0], [100.0, 200.0], 0.0, 50.0)
    np.testing.assert_allclose(theta, [0.0, 2.0, 10.0], rtol=1e-15)


def test_heat_of_samples_acts_as_the_mean_of_both_ends() -> None:
    by_samples = excess_temperature([0.0, 1.0, 3.0], [100.0, 300.0, 500.0], 15.0, 500.0)
    by_intervals = excess_temperature([0.0, 1.0, 3.0], [200.0, 400.0], 15.0, 500.0)
    assert by_samples.tolist() == by_intervals.tolist()


@given(history=histories, h=conductances, more=st.floats(0.0, 50.0), capacity=capacities)
@reproducible
def test_more_heat_never_cools_and_more_conductance_never_heats(
    history: list[tuple[float, float]], h: float, more: float, capacity: float
) -> None:
    time, heat = unzip(history)
    warm = np.abs(heat)
    base = excess_temperature(time, warm, h, capacity)
    slack = 1e-12 * (1.0 + base.max())
    assert np.all(excess_temperature(time, warm + more, h, capacity) >= base - slack)
    assert np.all(excess_temperature(time, warm, h + more, capacity) <= base + slack)


def test_friction_heat_is_the_power_lost_between_case_and_outputs() -> None:
    """T_in omega_c − T_L omega_L − T_R omega_R for 400 N·m in, 200 N·m locking, 40 and 36 rad/s out."""
    lost = 400.0 * 38.0 - 100.0 * 40.0 - 300.0 * 36.0
    assert friction_heat(200.0, 4.0) == lost
    assert friction_heat(200.0, -4.0) == lost


def test_a_single_sample_is_the_start() -> None:
    assert excess_temperature([7.0], [100.0], 15.0, 500.0, 3.0).tolist() == [3.0]
    assert excess_temperature([7.0], [], 15.0, 500.0, 3.0).tolist() == [3.0]


@pytest.mark.parametrize(
    ("time", "heat", "h", "capacity", "message"),
    [
        ([0.0, 0.0], [1.0], 15.0, 500.0, "times must rise"),
        ([0.0, 1.0, 0.5], [1.0, 1.0], 15.0, 500.0, "times must rise"),
        ([0.0, np.nan], [1.0], 15.0, 500.0, "times must rise"),
        ([0.0, 1.0], [1.0, 1.0, 1.0], 15.0, 500.0, "one value a sample or an interval"),
        ([], [], 15.0, 500.0, "at least one"),
        ([0.0, 1.0, 2.0], [1.0, np.nan, 1.0], 15.0, 500.0, "not a number at sample 1"),
        ([0.0, 1.0], [1.0], -1.0, 500.0, "conductance must not be negative"),
        ([0.0, 1.0], [1.0], 15.0, 0.0, "heat capacity must be positive"),
    ],
)
def test_what_it_refuses(
    time: list[float], heat: list[float], h: float, capacity: float, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        excess_temperature(time, heat, h, capacity)


@pytest.mark.parametrize("n", [0, 1, 63, 64, 65, 7200])
@pytest.mark.parametrize("decay", [0.0, 0.5, 0.97, 0.9999, 1.0])
def test_a_constant_decay_is_the_filter_that_others_have(n: int, decay: float) -> None:
    """Independent code: scipy's compiled filter. Rounding of sums of up to 7200 numbers of size one."""
    from scipy.signal import lfilter

    offset = np.random.default_rng(n).normal(size=n)
    expected = lfilter([1.0], [1.0, -decay], offset, zi=[decay * 2.5])[0] if n else offset
    np.testing.assert_allclose(decay_recurrence(decay, offset, 2.5), expected, rtol=1e-11, atol=1e-11)


@pytest.mark.parametrize("steps", [[2.0, 2.0, 2.0], [2.0, 3.0, 0.5]])
def test_a_clock_that_begins_elsewhere_tells_the_same(steps: list[float]) -> None:
    """Where time is nought is nothing to the plates; even and uneven steps, exact in binary."""
    time, heat = np.append(0.0, np.cumsum(steps)), np.array([700.0, 150.0, 90.0])
    found = excess_temperature(time + 512.0, heat, 65.0, 920.0, 3.0)
    np.testing.assert_array_equal(found, excess_temperature(time, heat, 65.0, 920.0, 3.0))
