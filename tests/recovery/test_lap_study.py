"""Logs of simulated cars: intervals of the share kept and of the preload asked for hold the truth."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest
from carsim.car import random_cars
from carsim.lap import drive, random_course
from carsim.logger import Sensors, logged

sys.path.insert(0, str(Path(__file__).parent))

from lap_study import described, samples_of, study, true_share, unit_map

from diffbench.answers import Bench, entries_of, laps_of
from diffbench.quantities import Quantity

EXACT = Sensors(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
COUNT, SEED = 6, 5


@pytest.fixture(scope="module")
def driven():
    """A few cars on short laps."""
    cars = random_cars(COUNT, SEED)
    return cars, drive(cars, random_course(COUNT, SEED + 1, corners=6))


def exactly(cars, i):
    """The car as it is, without a doubt."""
    made = described(cars, i, np.random.default_rng(1)).model_dump(exclude_none=True)
    tables = {
        "axle": ("track", "rolling_radius", "radius_difference", "wheel_inertia"),
        "tyre": ("slip_stiffness", "load_exponent"),
        "body": ("mass", "height", "wheelbase", "weight_share", "roll_share"),
    }
    names = {"rolling_radius": "radius", "slip_stiffness": "stiffness"}
    for table, keys in tables.items():
        for key in keys:
            value = float(getattr(cars, names.get(key, key))[i])
            made[table][key] = value * 1e3 if key == "rolling_radius" else value
    return type(described(cars, i, np.random.default_rng(1))).model_validate(made)


def test_prediction_and_simulation_agree(driven) -> None:
    """Two-track car with relaxing tyres, stick and slip, against the quasi-steady axle: the share kept to
    half a point, that of the log to rounding (sensors without error)."""
    cars, laps = driven
    for i in range(COUNT):
        bench = Bench(unit_map(cars, i, float(cars.preload[i])), Quantity(float(cars.preload[i]), 0.1))
        (lap,) = laps_of(exactly(cars, i), [("r", samples_of(logged(laps, i, 1, EXACT), EXACT), bench)]).laps
        true = true_share(laps, i, cars, lap)
        assert lap.share_kept.value == pytest.approx(true, abs=2e-3)
        assert lap.predicted.value == pytest.approx(true, abs=5e-3)


def test_intervals_hold_the_truth() -> None:
    """20 cars in two runs: 95 % of 40, but for chance (0.5 % of studies would fail); the whole study is
    ``python tests/recovery/lap_study.py --cars 200``."""
    runs = [run for car in study(20, 3, preloads=(0.7, 1.3), corners=8) for run in car]
    assert sum(run.share_held for run in runs) >= 34
    assert sum(run.preload_held for run in runs) >= 34
    # and they are no wider than they need be: the share's is of two points or so
    assert np.median([run.lap.share_kept.high - run.lap.share_kept.low for run in runs]) < 0.05


def test_each_entry_holds_its_truth(driven) -> None:
    """Entry by entry, 36 of them: the log's share, and the bench's at the same samples with car and map as
    the team has them; fewer than 32 in 95 % would be chance once in 200."""
    cars, laps = driven
    of_log = of_bench = count = 0
    time = np.arange(len(laps.speed)) * laps.step
    for i in range(COUNT):
        preload = float(cars.preload[i])
        bench = Bench(unit_map(cars, i, preload), Quantity(preload, 0.015 * preload))
        samples = samples_of(logged(laps, i, 60 + i), Sensors())
        (lap,) = laps_of(described(cars, i, np.random.default_rng([8, i])), [("r", samples, bench)]).laps
        for corner in lap.corners:
            inside = (time >= corner.start - 0.025) & (time < corner.end - 0.025)
            free = laps.yaw_rate[inside, i] * cars.track[i] / cars.radius[i]
            true = float((laps.right[inside, i] - laps.left[inside, i]).sum() / free.sum())
            of_log += corner.share_kept.low <= true <= corner.share_kept.high
            of_bench += corner.predicted.low <= true <= corner.predicted.high
            count += 1
    assert count == 36
    assert of_log >= 31
    assert of_bench >= 31


def test_three_preloads_tell_the_tyres(driven) -> None:
    """Three preloads in a weekend: each is told far better than alone, and the tyres' stiffness, stated to
    15 %, to a third of that."""
    together = study(4, 9, preloads=(0.6, 1.0, 1.5), corners=8)
    alone = study(4, 9, preloads=(1.0,), corners=8)

    def width(interval) -> float:
        return (interval.high or 500.0) - (interval.low or 0.0)

    for joint, single in zip(together, alone, strict=True):
        assert width(joint[1].lap.equivalent_preload) < 0.75 * width(single[0].lap.equivalent_preload)
        for run in joint:  # to 10 N·m, or it says why not
            assert (run.half_width <= 10.0) == (run.lap.why_no_closer == "")
        ratio = joint[0].day.stiffness_ratio
        assert 0.5 * (ratio.high - ratio.low) < 0.15


@pytest.mark.parametrize("error", [0.005, -0.005])
def test_a_radius_error_moves_the_number_by_less_than_its_doubt(driven, error: float) -> None:
    """One wheel's radius wrong by 0.5 %: zeroed on straights."""
    cars, laps = driven
    for i in range(COUNT):
        log = logged(laps, i, 3, Sensors(radius=0.0))
        car = described(cars, i, np.random.default_rng(2))
        shares = []
        for left in (1.0, 1.0 + error):
            wrong = {**log, "left_speed": log["left_speed"] * left}
            shares.append(laps_of(car, [("r", samples_of(wrong, Sensors()), None)]).laps[0].share_kept)
        u = (shares[0].high - shares[0].low) / (2.0 * 1.96)
        assert abs(shares[1].value - shares[0].value) < u


def test_noise_does_not_add_up(driven) -> None:
    """Noise of 0.1 and 0.3 rad/s on both wheels: no bias beyond its own doubt, which grows with it."""
    cars, laps = driven
    gaps, widths = [], []
    for noise in (0.1, 0.3):
        sensors = dataclasses.replace(EXACT, wheel_noise=noise)
        found = [
            laps_of(
                exactly(cars, i), [("r", samples_of(logged(laps, i, 50 + i, sensors), sensors), None)]
            ).laps[0]
            for i in range(COUNT)
        ]
        gaps.append([lap.share_kept.value - true_share(laps, i, cars, lap) for i, lap in enumerate(found)])
        widths.append(np.mean([lap.share_kept.high - lap.share_kept.low for lap in found]))
    assert abs(np.mean(gaps[1])) < widths[1] / 2.0 / np.sqrt(COUNT) * 2.0
    assert widths[1] > 2.0 * widths[0]


def test_left_and_right_mirror(driven) -> None:
    """The same log with left and right exchanged: the same share, by turns of the other side."""
    cars, laps = driven
    log = logged(laps, 0, 4)
    mirrored = {
        **log,
        "left_speed": log["right_speed"],
        "right_speed": log["left_speed"],
        "yaw_rate": -log["yaw_rate"],
    }
    car = exactly(cars, 0)
    plain, other = (laps_of(car, [("r", samples_of(each, EXACT), None)]).laps[0] for each in (log, mirrored))
    assert other.share_kept.value == pytest.approx(plain.share_kept.value, rel=1e-12)
    assert [c.turn for c in other.corners] == [
        "left" if c.turn == "right" else "right" for c in plain.corners
    ]


def test_entries_end_at_the_apex_or_the_first_throttle(driven) -> None:
    """The simulated driver turns in at 1.5 s of each 5 s, reaches the apex at 2.75 s and is on the throttle
    from 3 s; lifted 0.5 s earlier, the throttle comes first."""
    _, laps = driven
    log = logged(laps, 0, 1, EXACT)
    entries = entries_of(samples_of(log, EXACT))
    assert len(entries.corners) == 6
    for number, corner in enumerate(entries.corners):
        assert corner.start - 5.0 * number == pytest.approx(1.75, abs=0.3)
        assert corner.end - 5.0 * number == pytest.approx(2.75, abs=0.2)
        assert corner.ends_by == "apex"
    early = {**log, "input_torque": np.roll(log["input_torque"], -60)}
    for corner in entries_of(samples_of(early, EXACT)).corners:
        assert corner.ends_by == "first throttle"
