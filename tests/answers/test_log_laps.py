"""Where laps begin, by channels made by hand: thresholds from both sides, and readings that are missing."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diffbench.answers.log_laps import by_beacon, by_counter, by_distance, by_position, lap_at

NAN = math.nan
EARTH = 6.371e6  # m


def test_a_counter_tells_its_own_numbers() -> None:
    """From the first reading that is there; to the nearest whole number; down as well as up."""
    time = np.arange(7.0) * 10.0
    assert by_counter(time, np.array([NAN, 6.6, 7.4, NAN, 8.0, 2.0, 2.0])) == (
        (7, 10.0),
        (8, 40.0),
        (2, 50.0),
    )
    assert by_counter(time, np.full(7, NAN)) == ()


def test_a_beacon_is_passed_where_it_rises_above_half_way() -> None:
    """Half way between its lowest and highest reading; passings within five seconds are one, and what comes
    before the first is lap 0 from five seconds on."""
    time = 100.0 + np.arange(0.0, 40.0, 0.5)

    def pulses(*places: float, height: float = 1.0, rest: float = 0.0) -> np.ndarray:
        found = np.full(time.size, rest)
        for place in places:
            found[np.abs(time - place) < 0.1] = height
        return found

    assert by_beacon(time, pulses(105.0, 109.0, 110.0, 130.0)) == (
        (0, 100.0),
        (1, 105.0),
        (2, 110.0),
        (3, 130.0),
    )
    assert by_beacon(time, pulses(104.5, 109.0)) == ((1, 104.5),)
    assert by_beacon(time, pulses(104.5, 109.5)) == ((1, 104.5), (2, 109.5))
    assert by_beacon(time, pulses(106.0, height=5.0, rest=3.0)) == ((0, 100.0), (1, 106.0))
    half = pulses(106.0, height=1.0)
    half[40:50] = 0.5
    assert by_beacon(time, half) == ((0, 100.0), (1, 106.0))
    half[40:50] = 0.51
    assert by_beacon(time, half) == ((0, 100.0), (1, 106.0), (2, 120.0))
    assert by_beacon(time, np.full(time.size, NAN)) == ()


def test_a_distance_begins_again_or_is_cut_by_a_length() -> None:
    """By more than half of its range; a smaller step back is none."""
    time = np.arange(8.0) * 10.0
    assert by_distance(time, np.array([0.0, 800.0, 50.0, 900.0, 460.0, 1000.0, 20.0, NAN])) == (
        (0, 0.0),
        (1, 20.0),
        (2, 60.0),
    )
    assert by_distance(time, np.array([0.0, 800.0, 300.0, 1000.0, 500.0, 600.0, 700.0, 800.0])) == ()
    assert by_distance(time, np.array([0.0, 800.0, 300.0, 1000.0, 499.0, 600.0, 700.0, 800.0])) == (
        (0, 0.0),
        (1, 40.0),
    )
    rising = np.array([0.0, 400.0, 800.0, 1200.0, NAN, 2000.0, 2399.0, 2400.0])
    assert by_distance(time, rising, 1200.0) == ((1, 0.0), (2, 30.0), (3, 70.0))
    assert by_distance(time, np.full(8, 3.0)) == by_distance(time, np.full(8, NAN)) == ()


@pytest.mark.parametrize(
    ("far", "near", "passed"), [(101.0, 24.0, True), (99.0, 24.0, False), (101.0, 26.0, False)]
)
def test_a_position_passes_where_the_log_began(far: float, near: float, passed: bool) -> None:
    """Within 25 m of it, having been 100 m away; where it comes nearest, and that at 60 degrees north, where
    a degree of longitude is half as long."""
    time = 3.0 + 10.0 * np.arange(8)
    away = np.array([0.0, far, far, far, near, near - 0.5, near, far])
    began = math.radians(60.0)
    expected = ((1, 3.0), (2, 53.0)) if passed else ((1, 3.0),)
    east = 2.0 * away / EARTH
    assert by_position(time, np.full(8, began), 0.1 + east) == expected
    assert by_position(time, began + away / EARTH, np.full(8, 0.1)) == expected
    lost = east.copy()
    lost[2] = NAN
    assert by_position(time, np.full(8, began), lost) == expected
    assert by_position(time, np.full(8, NAN), lost) == ()


def test_passings_one_after_the_other_need_the_way_between() -> None:
    """Near the line for a while is one passing; a second one only after having been away again."""
    time = 10.0 * np.arange(10)
    away = np.array([0.0, 150.0, 20.0, 10.0, 30.0, 12.0, 150.0, 8.0, 5.0, 9.0]) / EARTH
    assert by_position(time, away, np.zeros(10)) == ((1, 0.0), (2, 30.0), (3, 80.0))
    # 25 m off is not near, and 100 m off not away
    away = np.array([0.0, 150.0, 25.0, 150.0, 12.0, 100.0, 60.0, 12.0, 150.0, 25.0]) / EARTH
    assert by_position(time, away, np.zeros(10)) == ((1, 0.0), (2, 40.0))


def test_a_time_is_in_the_lap_that_has_begun() -> None:
    laps = ((4, 10.0), (5, 60.0))
    assert [lap_at(laps, time) for time in (9.9, 10.0, 59.9, 60.0, 900.0)] == [None, 4, 4, 5, 5]
