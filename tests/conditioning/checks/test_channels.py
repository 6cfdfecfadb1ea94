"""Single channels: each fault fires at the size that matters, and its clean neighbour stays silent."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning.checks.held import coarse, dead, held, resolution
from diffbench.conditioning.checks.hum import hum
from diffbench.conditioning.checks.recording import clock, lost_readings
from diffbench.conditioning.checks.speeds import dropouts, frozen_speeds
from diffbench.conditioning.checks.temperature import hot_plates, temperature

Array = NDArray[np.float64]
RATE = 100.0
TIME = np.arange(12_000) / RATE
#: Two amplitudes of a triangle with the noise and the digits of a usual logger.
TORQUE = np.round(
    350.0 * (2.0 * np.abs(2.0 * ((TIME / 20.0) % 1.0) - 1.0) - 1.0)
    + np.random.default_rng(3).normal(0.0, 1.4, TIME.size),
    2,
)


def names(found: Any) -> list[str]:
    return [finding.name for finding in found]


def of_held(values: Array) -> list[str]:
    return names(held(values, name="left_torque", file="a.csv").findings)


class TestHeld:
    def test_a_usual_channel_is_silent(self) -> None:
        assert of_held(TORQUE) == []

    @pytest.mark.parametrize("digits", [0.05, 0.2, 1.0, 5.0])
    def test_rounding_alone_holds_nothing(self, digits: float) -> None:
        assert of_held(np.round(TORQUE / digits) * digits) == []

    def test_a_channel_without_noise_is_not_judged(self) -> None:
        """What it repeats may be what happened: a hold is flat, too."""
        assert of_held(np.clip(350.0 * np.sin(TIME / 3.0), -200.0, 200.0)) == []

    def test_a_hold_with_noise_is_none(self) -> None:
        noise = np.random.default_rng(1).normal(0.0, 1.4, TIME.size)
        assert of_held(np.round(np.clip(350.0 * np.sin(TIME / 3.0), -200.0, 200.0) + noise, 2)) == []

    def test_the_top_three_per_cent_clipped(self) -> None:
        """The samples that stand are marked, and no other."""
        level = float(np.quantile(TORQUE, 0.97))
        found = held(np.minimum(TORQUE, level), name="left_torque", file="a.csv")
        assert names(found.findings) == ["clipped readings"]
        assert not found.unusable[level - 5.0 > TORQUE].any()
        assert np.mean(found.unusable[level + 3.0 < TORQUE]) > 0.9

    def test_a_fifth_of_a_second_stuck(self) -> None:
        values = TORQUE.copy()
        values[5000:5020] = values[5000]
        found = held(values, name="left_torque", file="a.csv")
        assert names(found.findings) == ["stuck channel"]
        np.testing.assert_array_equal(np.flatnonzero(found.unusable), np.arange(5000, 5020))

    def test_a_dead_output(self) -> None:
        noise = np.random.default_rng(1).normal(0.0, 1.4, TIME.size)
        assert names(dead({"left_torque": noise, "right_torque": TORQUE}, file="a.csv")) == ["dead channel"]
        assert names(dead({"left_torque": 0 * noise, "right_torque": TORQUE}, file="a.csv")) == [
            "dead channel"
        ]

    def test_an_output_with_a_twentieth_of_the_other_s_torque_is_alive(self) -> None:
        """A torque bias ratio of 20 is beyond any plate unit."""
        assert dead({"left_torque": TORQUE / 20.0, "right_torque": TORQUE}, file="a.csv") == []

    @pytest.mark.parametrize(
        "wrong",
        [
            lambda torque: 0.0 * torque,
            lambda torque: 0.0 * torque + 37.0,
            lambda torque: 1e-12 * torque,
            lambda torque: 0.0 * torque + np.random.default_rng(1).normal(0.0, 1.4, torque.size),
        ],
        ids=["nothing", "one value", "a millionth of a millionth", "noise"],
    )
    @pytest.mark.parametrize("kind", ["bias-sweep", "speed-sweep"])
    def test_no_live_torque_at_all(self, wrong: Callable[[Array], Array], kind: str) -> None:
        """Both channels are named; noise alone in a speed sweep may be a unit that hardly locks."""
        both = {"left_torque": wrong(TORQUE), "right_torque": wrong(-TORQUE)}
        found = dead(both, file="a.csv", kind=kind, reverses=True)
        if kind == "speed-sweep" and np.ptp(both["left_torque"]) > 2.0:
            assert found == []
            return
        assert [(f.name, f.severity) for f in found] == [("dead channel", "stop")] * 2
        assert ["left_torque" in found[0].where, "right_torque" in found[1].where] == [True, True]

    def test_a_sweep_within_the_doubt_of_its_zeros_is_none(self) -> None:
        small = {"left_torque": TORQUE / 100.0}
        assert dead(small, file="a.csv") == []
        assert names(dead(small, file="a.csv", u_zero={"left_torque": 5.0})) == ["dead channel"]

    def test_a_load_that_is_held_is_live(self) -> None:
        """Half a kilonewton metre with its noise, the slip one way; a speed sweep at no input torque, too."""
        noise = np.random.default_rng(1).normal(0.0, 1.0, TIME.size)
        assert dead({"left_torque": 85.0 + noise, "right_torque": 415.0 - noise}, file="a.csv") == []
        sweep = {"input_torque": 0.0 * noise, "left_torque": -40.0 + noise}
        assert dead(sweep, file="a.csv", kind="speed-sweep") == []


class TestFrozenSpeeds:
    """A speed that stands still, beside one that turns and changes."""

    @pytest.mark.parametrize("value", [0.0, 57.3])
    def test_one_output_s_speed_is_told_and_named(self, value: float, both: Any) -> None:
        changed = both.changed(right_speed=lambda x, r: 0.0 * x + value)
        (sweep,) = (recording for kind, recording in changed.recordings if kind == "bias-sweep")
        (found,) = frozen_speeds(sweep, changed.rig)
        assert (found.name, found.severity) == ("dead channel", "caveat")
        assert found.where.startswith("right_speed")


class TestCoarse:
    def test_steps_of_one_and_a_half_per_cent_without_noise_to_smooth_them(self) -> None:
        (found,) = coarse(np.round(TORQUE / 12.0) * 12.0, name="left_torque", file="a.csv")
        assert (found.name, found.severity) == ("coarse resolution", "caveat")

    def test_the_same_steps_under_noise_are_a_note(self) -> None:
        noisy = TORQUE + np.random.default_rng(2).normal(0.0, 12.0, TIME.size)
        (found,) = coarse(np.round(noisy / 12.0) * 12.0, name="left_torque", file="a.csv")
        assert found.severity == "note"

    def test_half_a_per_cent_is_silent(self) -> None:
        assert coarse(np.round(TORQUE / 3.5) * 3.5, name="left_torque", file="a.csv") == []

    def test_resolution_of_rounded_and_of_converted_digits(self) -> None:
        """In lbf.ft with three decimals: 0.001 lbf.ft is 0.00135582 N·m (exact factors)."""
        noise = np.random.default_rng(1).normal(0.0, 0.1, 40_000)
        assert resolution(np.round(noise, 3) * 1.3558179483) == pytest.approx(0.0013558, rel=1e-4)


class TestClock:
    @pytest.mark.parametrize(("rate", "digits"), [(100.0, 2), (60.0, 3), (128.0, 3), (1000.0, 4), (33.0, 2)])
    def test_an_even_clock_is_silent_however_it_is_rounded(self, rate: float, digits: int) -> None:
        assert clock(np.round(np.arange(5000) / rate, digits), file="a.csv") == []

    def test_jitter_of_a_fifth_and_of_half_a_step(self) -> None:
        rng = np.random.default_rng(4)
        even = np.arange(5000) / 100.0
        for share, severity in ((0.2, "note"), (0.45, "caveat")):
            time = even + share * 0.01 * rng.uniform(-1.0, 1.0, even.size)
            (found,) = (f for f in clock(time, file="a.csv") if f.name == "sampling jitter")
            assert found.severity == severity

    def test_missing_stretches_are_counted(self) -> None:
        time = np.delete(np.arange(5000) / 100.0, [*range(1000, 1100), 3000])
        (found,) = clock(time, file="a.csv")
        assert (found.name, found.severity) == ("missing stretches", "note")
        assert "in 2 places, 1.01 s in all" in found.evidence

    def test_a_tenth_missing_is_a_caveat(self) -> None:
        (found,) = clock(np.delete(np.arange(5000) / 100.0, range(1000, 1500)), file="a.csv")
        assert found.severity == "caveat"

    def test_empty_cells(self) -> None:
        values = TORQUE.copy()
        assert lost_readings({"left_torque": values}, file="a.csv") == []
        values[100:130] = np.nan
        (found,) = lost_readings({"left_torque": values}, file="a.csv")
        assert "30 readings" in found.evidence


class TestDropouts:
    SHAFT = (
        60.0
        + 0.5 * np.repeat([4.0, -4.0, 10.0, -10.0], 3000)
        + np.random.default_rng(8).normal(0, 0.1, 12_000)
    )

    def of(self, values: Array) -> tuple[list[int], list[str]]:
        apart, found = dropouts(values, 1.0 / RATE, name="left_speed", file="a.csv")
        return np.flatnonzero(apart).tolist(), [f"{f.severity}: {f.name}" for f in found]

    @pytest.mark.parametrize("reading", [0.0, 130.0, -60.0])
    def test_a_fifteenth_of_a_second_of_another_speed(self, reading: float) -> None:
        """An encoder without pulses, counting double, or counting backwards; at a reversal of slip, too."""
        for first in (5000, 2997):
            values = self.SHAFT.copy()
            values[first : first + 7] = reading
            assert self.of(values) == (list(range(first, first + 7)), ["note: speed drops out"])

    def test_two_per_cent_of_the_time_is_a_caveat(self) -> None:
        values = self.SHAFT.copy()
        values[np.arange(12_000) % 500 < 10] = 0.0
        assert self.of(values)[1] == ["caveat: speed drops out"]

    def test_slip_that_reverses_and_a_shaft_that_stops_are_silent(self) -> None:
        """A case that stops within a second, one that stands, and one that runs up and down slowly."""
        for values in (
            self.SHAFT,
            30.0 + 2.0 * (self.SHAFT - 60.0),
            60.0 * np.clip((60.0 - TIME) / 1.0, 0.0, 1.0),
            np.random.default_rng(9).normal(0.0, 0.5, 12_000),
            60.0 * np.sin(2.0 * np.pi * TIME / 20.0),
            np.full(12_000, np.nan),
        ):
            assert self.of(values) == ([], [])


class TestHum:
    @pytest.mark.parametrize(
        ("mains", "rate", "shown"), [(50.0, 1000.0, "50 Hz"), (60.0, 100.0, "40 Hz"), (50.0, 80.0, "30 Hz")]
    )
    def test_a_newton_metre_of_mains_is_found_where_it_folds_to(
        self, mains: float, rate: float, shown: str
    ) -> None:
        time = np.arange(int(60 * rate)) / rate
        values = np.interp(time, TIME, TORQUE) + np.random.default_rng(5).normal(0.0, 1.4, time.size)
        clean = hum(values, rate, [], name="left_torque", file="a.csv", averaged=0.2)
        values += np.sin(2.0 * np.pi * (mains + 0.01) * time)
        (found,) = hum(values, rate, [], name="left_torque", file="a.csv", averaged=0.2)
        assert clean == []
        assert found.name == "mains hum"
        assert f"at {shown}" in found.evidence

    def test_a_shaft_that_turns_at_that_frequency_is_no_hum(self) -> None:
        speed = np.full(TIME.size, 2.0 * np.pi * 40.0)
        values = TORQUE + np.sin(2.0 * np.pi * 40.0 * TIME)
        assert hum(values, RATE, [speed], name="left_torque", file="a.csv", averaged=0.2) == []


class TestTemperature:
    OIL = 48.0 + 0.2 * TIME + np.random.default_rng(6).normal(0.0, 0.3, TIME.size)

    def check(self, values: Array, heat: float = 1e5) -> list[str]:
        return names(temperature(TIME, values, name="oil_temperature", file="a.csv", heat=heat))

    def test_an_oil_that_warms_is_silent(self) -> None:
        assert self.check(self.OIL) == []

    @pytest.mark.parametrize(
        ("change", "guess"),
        [
            (lambda t: t + 273.15, "Were it K"),
            (lambda t: 1.8 * t + 32.0, "Were it °F"),
            (lambda t: t - 250.0, ""),
        ],
    )
    def test_other_units_and_a_broken_wire(self, change: Callable[[Array], Array], guess: str) -> None:
        (found,) = temperature(TIME, change(self.OIL + 20.0), name="oil_temperature", file="a.csv")
        assert found.name == "temperature implausible"
        assert found.severity == "caveat"
        assert guess in found.evidence

    def test_a_sensor_that_falls_off(self) -> None:
        fallen = np.where(TIME < 60.0, self.OIL, 25.0 + 30.0 * np.exp(-(TIME - 60.0).clip(0.0) / 3.0))
        assert self.check(fallen) == ["temperature implausible"]

    def test_single_spikes_are_no_jump(self) -> None:
        values = self.OIL.copy()
        values[::1500] += 80.0
        assert self.check(values) == []

    def test_a_constant_counts_only_where_heat_was_made(self) -> None:
        constant = np.full(TIME.size, 60.0)
        assert self.check(constant) == ["stuck channel"]
        assert self.check(constant, heat=100.0) == []

    def test_plates_fifty_kelvin_above_the_oil(self) -> None:
        oil = np.full(100, 60.0)
        assert names(hot_plates(oil, oil + 50.0)) == ["plates far hotter than the oil"]
        assert hot_plates(oil, oil + 30.0) == []
        assert hot_plates(np.full(100, np.nan), oil) == []
