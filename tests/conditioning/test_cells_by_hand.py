"""Cells, their slopes and the heat between them: by hand, and by NumPy's own polynomials."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning.cells import (
    Cells,
    Heat,
    _cut_by_speed,
    along_stretch,
    along_the_sweep,
    heat,
    joined_cells,
    joined_heat,
    locking_slope,
)
from diffbench.conditioning.course import Sweep
from diffbench.conditioning.smoothing import white_noise

Array = NDArray[np.float64]


def made(time: Array, **columns: Any) -> Cells:
    """Cells at some times, alike but for what is said."""
    n = time.size
    usual: dict[str, Any] = {
        "count": np.full(n, 4.0), "width": np.full(n, 0.1), "direction": np.ones(n),
        "speed_difference": np.full(n, 4.0), "oil": None, "plate": None, "readings": {}, "rates": {},
        "speeds": {}, "accelerations": {}, "stretch": np.zeros(n, dtype=np.int64),
        "segment": np.zeros(n, dtype=np.int64),
    }  # fmt: skip
    return Cells(time=time, **{**usual, **columns})


@pytest.mark.parametrize(
    ("size", "degree"), [(11, None), (12, 2), (17, 2), (18, 3), (29, 4), (30, 5), (42, 5)]
)
def test_a_smooth_stretch_is_a_polynomial_of_a_sixth_of_its_cells(size: int, degree: int | None) -> None:
    """Of the fifth degree at most, by least squares that weigh a cell by its samples; fewer than a dozen
    cells stay as they are."""
    rng = np.random.default_rng(size)
    time = np.sort(rng.uniform(0.0, 10.0, size))
    count = rng.integers(1, 30, size).astype(np.float64)
    values = 100.0 - 30.0 * time + 2.0 * time**2 + rng.normal(size=size)
    found = along_the_sweep(made(time, count=count), values)
    if degree is None:
        assert found.tolist() == values.tolist()
        return
    expected = np.polyval(np.polyfit(time, values, degree, w=np.sqrt(count)), time)
    assert found == pytest.approx(expected)
    # each stretch by itself, and each history
    twice = np.concatenate([time, 10.0 + time])
    for name in ("stretch", "segment"):
        number = np.repeat([0, 1], size)
        cells = made(twice, count=np.tile(count, 2), **{name: number})
        both = along_the_sweep(cells, np.concatenate([values, -values]))
        assert both == pytest.approx(np.concatenate([expected, -expected]))


def test_a_course_that_leaves_more_than_its_noise_stays() -> None:
    """Half as much again as the noise of the second differences, by the median of what is left over
    0.6745."""
    time = np.arange(60) / 10.0
    wave = np.sin(2.0 * np.pi * time / 1.1)
    zigzag = (-1.0) ** np.arange(60)

    def left(size: float) -> float:
        values = 3.0 * time + size * wave + zigzag
        off = values - np.polyval(np.polyfit(time, values, 5), time)
        return float(np.median(np.abs(off)) / 0.6745 / white_noise(values))

    sizes = np.linspace(0.0, 12.0, 1201)
    shares = np.array([left(size) for size in sizes])
    under, over = sizes[np.flatnonzero(shares < 1.48)[-1]], sizes[np.flatnonzero(shares > 1.52)[0]]
    for size, smooth in ((under, True), (over, False)):
        values = 3.0 * time + size * wave + zigzag
        found = along_the_sweep(made(time), values)
        assert bool(abs(found - values).max() > 0.1) is smooth
    # nothing to take out where there is no noise
    straight = 3.0 * time
    assert along_the_sweep(made(time), straight).tolist() == straight.tolist()


def test_slopes_are_means_of_both_sides_and_stop_at_breaks() -> None:
    """A cell between two others by the mean of both slopes, at an end or a break by that of one side,
    alone by none."""
    time = np.array([0.0, 1.0, 3.0, 4.0, 5.0, 6.0])
    values = np.array([0.0, 2.0, 8.0, 100.0, 101.0, 7.0])
    cells = made(time, stretch=np.array([0, 0, 0, 1, 1, 1]), segment=np.array([0, 0, 0, 0, 0, 1]))
    assert along_stretch(cells, values).tolist() == [2.0, 2.5, 3.0, 1.0, 1.0, 0.0]
    assert along_stretch(made(time[:1]), values[:1]).tolist() == [0.0]
    assert along_stretch(made(time[:0]), values[:0]).tolist() == []
    # of the locking torque neither across a change of direction, nor of the flank
    at = np.linspace(0.0, 6.0, 61)
    course = Sweep(
        at, 50.0 * (at - 3.6), np.zeros(61, dtype=np.int64), (), 6.0, threshold=5.0, step=0.1
    )  # passes zero at 3.6 s
    found = made(time, direction=np.array([1.0, 1.0, 1.0, 1.0, -1.0, -1.0]))
    assert locking_slope(found, values, course).tolist() == [2.0, 2.5, 3.0, 0.0, -94.0, -94.0]


def test_a_cell_is_cut_where_the_speed_runs_up_within_it() -> None:
    """By a quarter of its mean speed and 0.05 rad/s at most: from 1 to 1.3374 rad/s one piece, beyond two of
    equal samples; never more pieces than samples; to and fro is none."""
    # 0.25 · (1 + x)/2 + 0.05 = x − 1: x = 1.175/0.875
    border = 1.175 / 0.875
    starts = np.array([0, 10])

    def cut(first: Array) -> list[int]:
        return list(_cut_by_speed(starts, np.concatenate([first, np.full(5, 2.0)])).tolist())

    assert cut(np.linspace(1.0, border - 1e-6, 10)) == [0, 10]
    assert cut(np.linspace(1.0, border + 1e-6, 10)) == [0, 5, 10]
    assert cut(np.linspace(border + 1e-6, 1.0, 10)) == [0, 5, 10]
    # (4 − 1)/(0.25 · 2.5 + 0.05) = 4.4: five pieces; 0.1 to 9.9 rad/s: 9.8/1.3, eight
    assert cut(np.linspace(1.0, 4.0, 10)) == [0, 2, 4, 6, 8, 10]
    assert cut(np.linspace(0.1, 9.9, 10)) == [0, 1, 2, 3, 5, 6, 7, 8, 10]
    assert cut(1.0 + np.sin(np.pi * np.arange(10) / 9.0)) == [0, 10]
    assert _cut_by_speed(np.array([0]), np.array([0.1, 9.9])).tolist() == [0, 1]


def samples(time: Array, **fields: Any) -> Any:
    motion = SimpleNamespace(speed_difference=np.full(time.size, -6.0), slips=np.ones(time.size, dtype=bool))
    usual = {"time": time, "step": float(time[1] - time[0]), "motion": motion, "oil": None}
    return SimpleNamespace(**{**usual, **fields})


def test_heat_is_half_of_torque_by_speed_over_half_seconds() -> None:
    """330 N·m at 6 rad/s are 990 W; a torque that is not known is that between its neighbours, a negative
    one or a holding unit makes none."""
    time = np.arange(200) / 50.0
    locking = np.full(200, 330.0)
    found = heat(samples(time), locking)
    assert found.time == pytest.approx(0.24 + 0.5 * np.arange(8))
    assert found.power == pytest.approx(np.full(8, 990.0))
    assert found.oil_rate.tolist() == [0.0] * 8
    # a last bin that is not full is left out
    assert heat(samples(time[:190]), locking[:190]).time.size == 7
    # 110 N·m up to 1.48 s, 330 N·m from 2 s on: 220 N·m between them
    bridged = np.where(time < 1.5, 110.0, 330.0)
    bridged[75:100] = np.nan
    assert heat(samples(time), bridged).power == pytest.approx([330.0] * 3 + [660.0] + [990.0] * 4)
    assert heat(samples(time), np.full(200, np.nan)).power.tolist() == [0.0] * 8
    assert heat(samples(time), -locking).power.tolist() == [0.0] * 8
    holds = SimpleNamespace(
        speed_difference=np.where(time < 1.0, np.nan, 6.0), slips=(time < 1.0) | (time >= 2.0)
    )
    assert heat(samples(time, motion=holds), locking).power == pytest.approx([0.0] * 4 + [990.0] * 4)


def test_the_rate_of_the_oil_is_its_slope_over_ten_seconds() -> None:
    """0.2 K/s; what swings once in 21 half-seconds is gone."""
    time = np.arange(5250) / 50.0
    sways = 40.0 + 0.2 * time + 0.5 * np.sin(2.0 * np.pi * time / 10.5)
    inner = heat(samples(time, oil=sways), np.zeros(time.size)).oil_rate[12:-12]
    assert inner == pytest.approx(np.full(inner.size, 0.2), abs=1e-3)
    # two half-seconds have no slope that is worth a number
    short = heat(samples(time[:50], oil=sways[:50]), np.zeros(50))
    assert (short.time.size, short.oil_rate.tolist()) == (2, [0.0, 0.0])


def test_heat_of_parts_goes_on_one_even_clock() -> None:
    """The second part begins 0.5 s and 0.02 s after the first."""
    first = Heat(np.array([0.0, 0.5, 1.0]), np.array([100.0, 200.0, 300.0]), np.array([0.1, 0.2, 0.3]))
    second = Heat(np.array([1.52, 2.02]), np.array([404.0, 504.0]), np.array([0.404, 0.504]))
    both = joined_heat([first, second])
    assert both.time == pytest.approx([0.0, 0.5, 1.0, 1.5, 2.0])
    assert both.power == pytest.approx([100.0, 200.0, 300.0, 400.0, 500.0])
    assert both.oil_rate == pytest.approx([0.1, 0.2, 0.3, 0.4, 0.5])
    one = joined_heat([Heat(np.array([0.2]), np.array([7.0]), np.array([0.0]))])
    assert (one.time.tolist(), one.power.tolist()) == ([0.2], [7.0])


def test_cells_of_parts_keep_what_all_of_them_have() -> None:
    """A temperature that a part lacks is missing there; stretches are those of the whole course."""
    first = made(
        np.array([0.5, 1.5]), readings={"a": np.ones(2), "b": np.ones(2)}, oil=np.array([60.0, 61.0])
    )
    second = made(np.array([2.5]), readings={"a": np.array([3.0])}, plate=np.array([90.0]))
    at = np.linspace(0.0, 3.0, 31)
    turn: Any = SimpleNamespace(time=1.0, value=0.0)
    course = Sweep(at, at, np.zeros(31, dtype=np.int64), (turn,), 1.0, threshold=0.1, step=0.1)
    both = joined_cells([first, second], course)
    assert both.time.tolist() == [0.5, 1.5, 2.5]
    assert {name: values.tolist() for name, values in both.readings.items()} == {"a": [1.0, 1.0, 3.0]}
    assert both.oil is not None
    assert both.plate is not None
    assert np.nan_to_num(both.oil).tolist() == [60.0, 61.0, 0.0]
    assert np.nan_to_num(both.plate).tolist() == [0.0, 0.0, 90.0]
    assert both.stretch.tolist() == [0, 1, 1]
    assert both.unbroken.tolist() == [False, True]
    assert both.oil_unread is None
