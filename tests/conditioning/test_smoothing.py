"""Noise, spikes and local means."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from diffbench.conditioning.smoothing import local_mean, rate_of_change, running_median, spikes, white_noise

NUMBERS = arrays(np.float64, st.integers(12, 60), elements=st.floats(-1e3, 1e3, width=32))
GAPPY = arrays(
    np.float64, st.integers(1, 40), elements=st.one_of(st.floats(-1e3, 1e3, width=32), st.just(float("nan")))
)


class TestWhiteNoise:
    def test_a_trend_is_no_noise(self) -> None:
        """A steep ramp changes nothing; tolerance: 3 standard deviations of a median of 20 000 magnitudes,
        2 %."""
        rng = np.random.default_rng(1)
        noise = rng.normal(0.0, 1.5, 20_000)
        ramp = np.linspace(0.0, 5e4, 20_000)
        assert white_noise(noise + ramp) == pytest.approx(1.5, rel=0.03)

    def test_steps_and_spikes_are_no_noise(self) -> None:
        """A step or a spike in a hundred samples: both touch up to three second differences in a hundred."""
        rng = np.random.default_rng(2)
        values = rng.normal(0.0, 1.0, 20_000)
        values += 200.0 * (np.arange(20_000) // 100 % 2)
        values[::137] += 500.0
        assert white_noise(values) == pytest.approx(1.0, rel=0.1)

    def test_missing_samples_are_left_out(self) -> None:
        values = np.random.default_rng(3).normal(0.0, 1.0, 20_000)
        values[::10] = np.nan
        assert white_noise(values) == pytest.approx(1.0, rel=0.04)

    @pytest.mark.parametrize("values", [[], [1.0, 2.0], [1.0, np.nan, 2.0], [3.0] * 9])
    def test_nothing_to_tell_noise_from_is_zero(self, values: list[float]) -> None:
        assert white_noise(np.array(values)) == 0.0

    @given(NUMBERS, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
    def test_scales_with_the_values_and_ignores_their_zero(
        self, values: np.ndarray, zero: float, by: float
    ) -> None:
        assert white_noise(by * (values + zero)) == pytest.approx(
            by * white_noise(values), rel=1e-6, abs=1e-9
        )


class TestRunningMedian:
    @given(GAPPY, st.sampled_from([3, 5, 9]))
    def test_is_the_median_of_the_window(self, values: np.ndarray, width: int) -> None:
        """Sample by sample, by definition."""
        found = running_median(values, width)
        half = width // 2
        for i in range(values.size):
            window = values[max(0, i - half) : i + half + 1]
            window = window[np.isfinite(window)]
            if window.size:
                assert found[i] == np.median(window)
            else:
                assert np.isnan(found[i])


class TestSpikes:
    def test_planted_spikes_are_found_and_nothing_else(self) -> None:
        """Twenty standard deviations and more, both signs, on a sweep; threshold is eight."""
        rng = np.random.default_rng(4)
        time = np.arange(20_000) / 100.0
        values = 400.0 * np.sin(0.6 * time) + rng.normal(0.0, 1.5, time.size)
        at = rng.choice(np.arange(20, time.size - 20, 25), 60, replace=False)
        values[at] += rng.choice([-1.0, 1.0], at.size) * rng.uniform(30.0, 500.0, at.size)
        assert np.flatnonzero(spikes(values)).tolist() == sorted(at.tolist())

    def test_two_samples_side_by_side_are_spikes_too(self) -> None:
        values = np.random.default_rng(5).normal(0.0, 1.0, 400)
        values[[200, 201]] += 100.0
        assert np.flatnonzero(spikes(values)).tolist() == [200, 201]

    @pytest.mark.parametrize("step", [15.0, 60.0, 1000.0])
    def test_a_step_is_no_spike(self, step: float) -> None:
        """Sharp, and slow over three samples."""
        values = np.random.default_rng(6).normal(0.0, 1.0, 600)
        values[200:] += step
        values[400:402] -= step * np.array([1 / 3, 2 / 3])
        values[402:] -= step
        assert not spikes(values).any()

    def test_a_steep_ramp_is_no_spike(self) -> None:
        """A corner of a sweep whose slope is twenty standard deviations of the noise a sample."""
        values = 20.0 * np.abs(np.arange(600) - 300.0) + np.random.default_rng(7).normal(0.0, 1.0, 600)
        assert not spikes(values).any()

    def test_a_missing_sample_is_no_spike_and_hides_none(self) -> None:
        values = np.random.default_rng(8).normal(0.0, 1.0, 400)
        values[195:199] = np.nan
        values[200] += 50.0
        values[390:] = np.nan
        assert np.flatnonzero(spikes(values)).tolist() == [200]

    def test_a_coarse_logger_hides_no_spike(self) -> None:
        """Steps of 1 N·m in most of which nothing moves: the step stands in for the noise."""
        time = np.arange(2000) / 100.0
        values = np.round(3.0 * time)
        values[900] += 200.0
        assert np.flatnonzero(spikes(values)).tolist() == [900]

    def test_a_logger_that_flickers_by_one_step_has_no_spikes(self) -> None:
        values = np.zeros(1000)
        values[::60] = 1.0
        assert not spikes(values).any()

    def test_a_constant_has_none(self) -> None:
        assert not spikes(np.full(200, 7.0)).any()

    def test_too_short_to_tell(self) -> None:
        assert not spikes(np.array([0.0, 0.0, 99.0, 0.0, 0.0])).any()


class TestLocalMean:
    @given(GAPPY, st.integers(0, 15))
    def test_is_the_mean_of_a_window_that_stays_centred(self, values: np.ndarray, width: int) -> None:
        """Shorter towards the ends, so that nothing lags; sums of magnitudes up to 1e3 round at 1e-9."""
        found = local_mean(values, width)
        for i in range(values.size):
            reach = min(width // 2, i, values.size - 1 - i)
            window = values[i - reach : i + reach + 1]
            window = window[np.isfinite(window)]
            if window.size:
                assert found[i] == pytest.approx(window.mean(), abs=1e-8)
            else:
                assert np.isnan(found[i])

    def test_a_ramp_stays_as_it_is(self) -> None:
        ramp = np.linspace(-5.0, 20.0, 101)
        np.testing.assert_allclose(local_mean(ramp, 21), ramp, atol=1e-12)

    def test_noise_falls_with_the_root_of_the_width(self) -> None:
        """1/√25; tolerance for 800 independent windows, three standard deviations."""
        values = np.random.default_rng(9).normal(0.0, 1.0, 20_000)
        assert local_mean(values, 25)[100:-100].std() == pytest.approx(0.2, rel=0.08)


class TestRateOfChange:
    @pytest.mark.parametrize("lag", [0.005, 0.03])
    def test_takes_a_lag_off_whatever_the_course_does(self, lag: float) -> None:
        """A corner behind a first-order lag, in closed form: x = s|t|, and after it the lag's own exponential
        (any text on linear systems). The mean of lagged signal plus lag times rate over a cell beside the
        corner is that of x; from averages of neighbouring cells it would be lag·2s/16 = 0.3 N·m off."""
        slope, step, width = 80.0, 0.01, 0.3
        time = np.arange(-3.0, 3.0, step)
        before = -slope * (time - lag)
        after = slope * (time - lag) + 2.0 * slope * lag * np.exp(-np.maximum(time, 0.0) / lag)
        lagged = np.where(time < 0.0, before, after)
        taken_off = lagged + lag * rate_of_change(time, lagged, round(2.0 * lag / step))
        for first in (0.1, 0.1 + width, -0.1 - width, -0.1 - 2 * width):
            cell = (time > first) & (time < first + width)
            assert taken_off[cell].mean() == pytest.approx(slope * np.abs(time[cell]).mean(), abs=0.02)
        around = np.abs(time) < 0.5 * width
        assert taken_off[around].mean() == pytest.approx(slope * np.abs(time[around]).mean(), abs=0.05)

    def test_bridges_what_is_missing(self) -> None:
        """Spikes taken out, empty cells and lost rows leave a ramp's rate as it is."""
        time = np.delete(np.arange(200) / 50.0, np.arange(120, 137))
        values = 7.0 * time
        values[[20, 21, 60]] = np.nan
        np.testing.assert_allclose(rate_of_change(time, values, 5), 7.0, atol=1e-9)

    def test_nothing_known_has_no_rate(self) -> None:
        assert not rate_of_change(np.arange(5.0), np.full(5, np.nan), 3).any()
