"""A log sheet and its files, invented and small: what each channel becomes, and where one is refused."""

from __future__ import annotations

import math
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.answers import DayRead, Samples, read_day
from diffbench.errors import DiffbenchError, DocumentError

N = 400
TIME = 0.05 * np.arange(N)
SPEED = 20.0 + 0.5 * np.sin(0.2 * TIME)
UNITS = {
    "time": "s", "left_speed": "rad/s", "right_speed": "rad/s", "speed": "m/s", "yaw_rate": "rad/s",
    "lateral_acceleration": "m/s^2", "steering": "rad", "input_torque": "N.m", "brake_torque": "N.m",
    "brake_pressure": "bar", "left_brake_pressure": "bar", "right_brake_pressure": "bar", "throttle": "%",
    "oil_temperature": "degC", "lap": "", "beacon": "", "distance": "m",
    "latitude": "deg", "longitude": "deg",
}  # fmt: skip
CAR = """format = "diffbench-car/1"
name = "Invented"
[axle]
track = "1.5 m"
rolling_radius = { value = "300 mm", u = "3 mm" }
[tyre]
slip_stiffness = "60 kN"
load_exponent = 0.8
[body]
mass = "1000 kg"
height = "0 m"
wheelbase = "2.5 m"
weight_share = 0.5
roll_share = 0.5
"""
PLAIN: dict[str, Any] = {
    "time": TIME,
    "left_speed": (SPEED - 0.2 + 0.01 * np.cos(3.0 * TIME)) / 0.3,
    "right_speed": (SPEED + 0.2) / 0.3,
    "speed": SPEED,
    "yaw_rate": 0.3 * np.sin(0.5 * TIME),
}


def day(
    folder: Path, *, run: str = "", head: str = "", keys: dict[str, str] | None = None, **columns: Any
) -> DayRead:
    """A day of one run; columns beside the plain ones, or None in the place of one."""
    every = {name: values for name, values in {**PLAIN, **columns}.items() if values is not None}
    lines = ['format = "diffbench-log/1"', 'name = "Invented"', 'car = "car.toml"', head]
    for name in every:
        heading = f"{name} [{UNITS[name]}]" if UNITS[name] else name
        lines += [f"[channel.{name}]", f'column = "{heading}"', (keys or {}).get(name, "")]
    lines += ["[[run]]", 'file = "log.csv"', run]
    (folder / "log.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "car.toml").write_text(CAR, encoding="utf-8")
    rows = [",".join(f"{name} [{UNITS[name]}]" if UNITS[name] else name for name in every)]
    rows += [",".join(repr(float(value)) for value in row) for row in zip(*every.values(), strict=True)]
    (folder / "log.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return read_day(folder / "log.toml")


def samples(folder: Path, **given: Any) -> Samples:
    ((_, found, bench),) = day(folder, **given).runs
    assert bench is None
    return found


def refused(folder: Path, **given: Any) -> str:
    with pytest.raises(DiffbenchError) as caught:
        day(folder, **given)
    return str(caught.value).replace(str(folder), "")


def test_channels_as_they_are_described(tmp_path: Path) -> None:
    """Gain, sign and radius; uncertainties of gains by root of squares, half of both wheels' in common; what
    no channel says is nothing, 60 °C or not known."""
    keys = {
        "left_speed": "gain = 1.02\nu_gain = 0.003",
        "right_speed": "sign = -1\nu_gain = 0.004",
        "speed": "u_gain = 0.006",
        "yaw_rate": "u_gain = 0.007",
    }
    found = samples(tmp_path, keys=keys, right_speed=-PLAIN["right_speed"])
    assert found.left == pytest.approx(1.02 * PLAIN["left_speed"])
    assert found.right == pytest.approx(PLAIN["right_speed"])
    assert found.speed == pytest.approx(SPEED)
    assert found.yaw_rate == pytest.approx(PLAIN["yaw_rate"])
    assert (found.u_wheel, found.u_speed, found.u_yaw) == pytest.approx((0.0025, 0.006, 0.007))
    assert (found.input_torque, found.coasts, found.brake_pressures) == (None, None, None)
    assert (found.brakes_told, found.u_brake, found.u_torque, found.u_temperature) == (False, 0.0, 0.0, 0.0)
    assert set(found.temperature) == {60.0}
    assert set(found.brake_torque) == {0.0}
    assert (found.wheels, found.laps, found.notes) == (True, (), ())
    read = day(tmp_path, run='temperature = { value = "85 degC", u = "4 K" }')
    assert (read.files, len(read.digests[0]), read.results) == ((str(tmp_path / "log.csv"),), 64, (None,))
    ((name, found, _),) = read.runs
    assert (name, found.temperature[0], found.u_temperature) == ("log", 85.0, 4.0)
    heat = 80.0 + TIME
    run = 'temperature = { value = "85 degC", u = "4 K" }'
    found = samples(tmp_path, run=run, oil_temperature=heat)
    assert found.u_temperature == 0.0
    assert found.temperature == pytest.approx(heat)


def test_torque_and_throttle(tmp_path: Path) -> None:
    """A torque that is logged, else the one stated; coasting by the pedal within a twentieth of its way, else
    by a torque that does not drive."""
    torque = np.where(TIME < 10.0, -100.0, 0.0)
    torque[-1] = 50.0
    found = samples(tmp_path, input_torque=torque, keys={"input_torque": "u_gain = 0.05"})
    assert found.input_torque == pytest.approx(torque)
    assert found.u_torque == 0.05
    assert found.coasts is not None
    assert found.coasts.sum() == N - 1
    pedal = np.where(TIME < 10.0, 4.9, 5.1)
    found = samples(tmp_path, throttle=pedal, run='engine_braking = { value = "80 N.m", u = "20 N.m" }')
    assert found.input_torque is not None
    assert set(found.input_torque) == {-80.0}
    assert found.u_torque == 0.25
    assert found.coasts is not None
    assert found.coasts.sum() == 200
    found = samples(tmp_path, run='engine_braking = "0 N.m"')
    assert found.u_torque == 0.0


@pytest.mark.parametrize(("over", "told"), [(1.058, False), (1.062, True), (0.942, False), (0.938, True)])
def test_wheels_that_roll_unlike_the_car(tmp_path: Path, over: float, told: bool) -> None:
    """By more than 4 % of slip and twice the 1 % of the stated radius; while coasting alone, where that is
    told, and of twenty samples at least."""
    wheels = {name: over * PLAIN[name] for name in ("left_speed", "right_speed")}
    middle = over * float(np.median(1.0 + 0.005 * np.cos(3.0 * TIME) / SPEED))
    notes = samples(tmp_path, **wheels).notes
    assert len(notes) == told
    if told:
        assert notes[0].startswith(
            f"both wheels with the car's rolling_radius of 300 mm go {middle:.3f} times the car's speed, as "
            f"with one of {300.0 / middle:.0f} mm: car's and log's rolling_radius, or the gain of"
        )
    pedal = np.full(N, 50.0)
    pedal[:19] = 0.0
    assert samples(tmp_path, **wheels, throttle=pedal).notes == ()
    pedal[19] = 0.0
    assert len(samples(tmp_path, **wheels, throttle=pedal).notes) == told


def braking(height: float = 100.0, rest: float = 0.0) -> np.ndarray:
    """Brakes on for a tenth of the log, while the car slows by 5 m/s² (`slowed`)."""
    return np.where((TIME >= 10.0) & (TIME < 12.0), height, rest)


SLOWED = SPEED - np.clip(5.0 * (TIME - 10.0), 0.0, 10.0)
SLOWS = {
    "speed": SLOWED,
    "left_speed": PLAIN["left_speed"] * SLOWED / SPEED,
    "right_speed": PLAIN["right_speed"] * SLOWED / SPEED,
}


def test_brakes_as_torque_or_pressure(tmp_path: Path) -> None:
    """Zeroed where they stand released; a rest of more than a twentieth of the way is told. Pressures become
    a torque by the sheet's factor alone, both of them by their mean."""
    found = samples(
        tmp_path, brake_torque=braking(600.0, 20.0), **SLOWS, keys={"brake_torque": "u_gain = 0.1"}
    )
    assert found.brake_torque == pytest.approx(braking(580.0))
    assert (found.brakes_told, found.u_brake, found.notes) == (True, 0.1, ())
    found = samples(tmp_path, brake_torque=braking(600.0, 31.0), **SLOWS)
    (note,) = found.notes
    assert note == (
        "brake_torque stands at 31 N·m where the brakes are released: taken as its zero; a brake that drags "
        "that much would look like locking"
    )
    assert samples(tmp_path, brake_torque=braking(600.0, 28.0), **SLOWS).notes == ()
    head = 'brake_torque_per_pressure = { value = "15 N.m/bar", u = "3 N.m/bar" }'
    found = samples(tmp_path, brake_pressure=braking(40.0, 3.0), head=head, **SLOWS)
    assert found.brake_torque == pytest.approx(braking(37.0 * 15.0))
    assert (found.brakes_told, found.u_brake) == (True, pytest.approx(0.2))
    assert found.notes[0].startswith("brake_pressure stands at 3 bar where the brakes are released")
    assert found.brake_pressures is None
    both = {"left_brake_pressure": braking(30.0), "right_brake_pressure": braking(34.0)}
    found = samples(tmp_path, head=head, **both, **SLOWS)
    assert found.brake_torque == pytest.approx(braking(32.0 * 15.0))
    assert found.brake_pressures is not None
    assert found.brake_pressures[210] == pytest.approx([30e5, 34e5])
    found = samples(tmp_path, **both, **SLOWS)
    assert (found.brakes_told, found.u_brake, set(found.brake_torque)) == (False, 0.0, {0.0})
    # on the throttle it is released, whatever it does else
    drags = np.where(TIME < 16.0, braking(600.0, 40.0), 10.0)
    pedal = np.where(TIME < 16.0, 0.0, 50.0)
    assert samples(tmp_path, brake_torque=drags, throttle=pedal, **SLOWS).brake_torque[0] == pytest.approx(
        30.0
    )
    pedal = np.where(np.arange(N) < N - 4, 0.0, 50.0)  # a hundredth of the samples tells nothing
    assert samples(tmp_path, brake_torque=drags, throttle=pedal, **SLOWS).brake_torque[0] == pytest.approx(
        30.0
    )


@pytest.mark.parametrize(
    ("height", "sign", "word"), [(1440.0, 1, ""), (1560.0, 1, "slow"), (600.0, -1, "down")]
)
def test_brakes_that_no_car_has(tmp_path: Path, height: float, sign: int, word: str) -> None:
    """Of 1000 kg on 0.3 m, 750 N·m at each of two wheels slow by 5 m/s²: more than twice of what it slows is
    refused. So is a brake that goes down where it is on."""
    given = {"brake_torque": sign * braking(height), **SLOWS}
    if not word:
        assert samples(tmp_path, **given).brakes_told
        return
    said = refused(tmp_path, **given)
    if word == "down":
        assert said == (
            "/log.csv: column 'brake_torque [N.m]': brake_torque goes down where the brakes are on, from 0 "
            "to -600 in SI: it is reversed. Mend: sign = -1 under [channel.brake_torque]."
        )
        return
    assert re.search(
        r"the driven axle's brakes, by brake_torque, slow the car by 10\.4 m/s² on the mean, and its", said
    )
    assert "its speed falls by " in said
    assert said.endswith(
        "Mend: check unit and gain under [channel.brake_torque]: the torque is that of one wheel."
    )


def test_brakes_that_hardly_slow_the_car_may_say_so_much(tmp_path: Path) -> None:
    """Speed that does not fall counts as by 2 m/s²: twice that is 600 N·m at each wheel, exactly."""
    assert samples(tmp_path, brake_torque=braking(600.0)).brakes_told
    said = refused(tmp_path, brake_torque=braking(601.0))
    assert "slow the car by 4.01 m/s² on the mean" in said


def test_laps_by_the_first_that_says_it(tmp_path: Path) -> None:
    """The run, a counter, a beacon, the distance, the position; one that goes on needs a length."""
    number = np.where(TIME < 8.0, 3.0, 4.0)
    beacon = np.where(np.abs(TIME - 9.0) < 0.1, 1.0, 0.0)
    way = 20.0 * TIME
    again = way % 220.0
    turn = 2.0 * math.pi * TIME / 12.0
    north, east = (
        40.0 + np.degrees(300.0 * np.cos(turn) / 6.371e6),
        np.degrees(300.0 * np.sin(turn) / 6.371e6),
    )
    given: dict[str, Any] = {
        "lap": number,
        "beacon": beacon,
        "distance": again,
        "latitude": north,
        "longitude": east,
    }
    begins = {"run": ((1, 2.0), (2, 11.0)), "lap": ((3, 0.0), (4, 8.0)), "beacon": ((0, 0.0), (1, 8.95)),
              "distance": ((0, 0.0), (1, 11.0)), "position": ((1, 0.0), (2, 12.0))}  # fmt: skip
    found = samples(tmp_path, run='laps = ["2 s", "11 s"]', **given).laps
    assert found[-2:] == begins["run"]
    order = ("lap", "beacon", "distance", "position")
    for i, name in enumerate(order):
        drop = order[:i]
        some = {key: values for key, values in given.items() if key not in drop}
        assert samples(tmp_path, **some).laps == tuple(
            (i, pytest.approx(at, abs=0.051)) for i, at in begins[name]
        )
    found = samples(tmp_path, distance=way)
    assert found.laps == ()
    assert found.notes == (
        "distance never begins again: laps are not told apart; state lap_length in the log sheet",
    )
    assert samples(tmp_path, distance=way, head='lap_length = "150 m"').laps[1] == (2, pytest.approx(7.5))
    said = refused(tmp_path, run='laps = ["2 s", "19.96 s"]')
    assert said.startswith("/log.csv: laps: a lap begins at 19.96 s, and the log ends at 20.0 s")
    assert samples(tmp_path, run='laps = ["2 s", "19.95 s"]').laps[-1][0] == 2


@pytest.mark.parametrize(
    ("step", "mend"), [(0.49, None), (0.51, "more samples a second"), (1.1e-4, None), (0.9e-4, "")]
)
def test_clocks_of_loggers(tmp_path: Path, step: float, mend: str | None) -> None:
    """From a tenth of a millisecond to half a second."""
    if mend is None:
        assert samples(tmp_path, time=step * np.arange(N)).time[1] == pytest.approx(step)
        return
    said = refused(tmp_path, time=step * np.arange(N))
    assert f"the samples are {step:.3g} s apart, by the unit of time: no logger of a car has that" in said
    assert ("export more samples a second" in said) is bool(mend)


def test_a_path_by_acceleration_or_steering(tmp_path: Path) -> None:
    """a/V; V delta over the wheelbase and what the car understeers, about where the wheel stands most; below
    a metre a second as at one."""
    speed = SPEED.copy()
    speed[:20] = 0.4
    wheels = {name: PLAIN[name] * speed / SPEED for name in ("left_speed", "right_speed")}
    across = 4.0 * np.sin(0.5 * TIME)
    keys = {"lateral_acceleration": "u_gain = 0.02"}
    found = samples(tmp_path, yaw_rate=None, lateral_acceleration=across, speed=speed, keys=keys, **wheels)
    assert found.yaw_rate == pytest.approx(across / np.maximum(speed, 1.0))
    assert (found.u_yaw, found.notes) == (0.02, ())
    wheel = np.where(TIME < 12.0, 0.02, 0.02 + 0.8 * np.sin(TIME - 12.0))
    head = "steering_ratio = 15.0\nundersteer_gradient = { value = 0.02, u = 0.004 }"
    keys = {"steering": "u_gain = 0.03"}
    found = samples(tmp_path, yaw_rate=None, steering=wheel, speed=speed, head=head, keys=keys, **wheels)
    fast = np.maximum(speed, 1.0)
    longer = 2.5 + 0.02 * fast**2 / 9.80665
    assert found.yaw_rate == pytest.approx(fast * np.tan((wheel - 0.02) / 15.0) / longer)
    assert found.u_yaw == pytest.approx(math.hypot(0.03, 0.004 * np.mean(fast**2 / 9.80665 / longer)))
    assert found.notes == ("steering stands at 1.1° most of the time: taken as straight ahead",)
    small = math.radians(0.29)
    assert samples(tmp_path, yaw_rate=None, steering=wheel - 0.02 + small, head=head).notes == ()


@pytest.mark.parametrize(
    ("name", "inside", "beyond"),
    [
        ("yaw_rate", 3.9, 4.1), ("yaw_rate", -3.9, -4.1), ("input_torque", 1.99e4, 2.01e4),
        ("oil_temperature", 219.0, 221.0), ("oil_temperature", -39.0, -41.0), ("throttle", 119.0, 121.0),
        ("brake_pressure", 399.0, 401.0), ("left_brake_pressure", -19.0, -21.0),
        ("brake_pressure", -19.0, -21.0), ("right_brake_pressure", 399.0, 401.0),
        ("left_speed", -19.0, -21.0), ("left_speed", 499.0, 501.0), ("right_speed", -19.0, -21.0),
        ("right_speed", 499.0, 501.0), ("speed", -4.9, -5.1), ("speed", 129.0, 131.0),
        ("input_torque", -1.99e4, -2.01e4), ("brake_torque", 0.99e4, 1.01e4),
        ("throttle", -19.0, -21.0),
    ],
)  # fmt: skip
def test_channels_that_no_car_has(tmp_path: Path, name: str, inside: float, beyond: float) -> None:
    """Beyond for more than a hundredth of the samples; fewer are spikes. With its ends and its column."""
    base = PLAIN.get(name, np.zeros(N))

    def with_some(value: float, count: int) -> dict[str, Any]:
        changed = base.copy()
        changed[50 : 50 + count] = value
        given = {name: changed}
        if name.endswith("_brake_pressure"):
            given = {"left_brake_pressure": np.zeros(N), "right_brake_pressure": np.zeros(N)} | given
        if "torque" in name:
            changed[100] = -1.0
        return given

    for value, count, odd in ((inside, 5, False), (beyond, 4, False), (beyond, 5, True)):
        try:
            day(tmp_path, **with_some(value, count))
            told = ""
        except DocumentError as error:
            told = str(error)
        assert ("by its unit and the log sheet: no car has that" in told) is odd
        if odd:
            assert f"column '{name} [{UNITS[name]}]': {name} goes from " in told
            assert told.endswith(f"Mend: correct unit, gain or sign = -1 under [channel.{name}].")


@pytest.mark.parametrize(("over", "odd"), [(1.19, False), (1.21, True), (0.81, False), (0.79, True)])
def test_a_wheel_that_rolls_at_another_speed(tmp_path: Path, over: float, odd: bool) -> None:
    """A fifth faster or slower than the car is another unit; two readings that are one are one wheel."""
    given = {"right_speed": over * SPEED / 0.3}
    if odd:
        said = refused(tmp_path, **given)
        assert f"right_speed with the car's rolling_radius is {over:.3g} times the car's speed" in said
        assert "check unit, gain, sign and rolling_radius of it and of speed" in said
    else:
        assert samples(tmp_path, **given).wheels
    same = {"left_speed": SPEED / 0.3, "right_speed": over / over * SPEED / 0.3}
    assert "left_speed and right_speed are the same in every sample: one wheel is logged twice" in refused(
        tmp_path, **same
    )
    apart = same["right_speed"] * (1.0 + 2e-9 * (np.arange(N) % 2))
    assert samples(tmp_path, left_speed=same["left_speed"], right_speed=apart).wheels


@pytest.mark.parametrize(
    ("stated", "preload", "share"),
    [
        ("", 1.0, 1.0),
        ('preload = "50 N.m"', 50.0, None),
        ('preload = { value = "50 N.m", u = "3 N.m" }', 50.0, 3.0),
    ],
)
def test_what_the_bench_says_of_the_unit_as_it_ran(
    tmp_path: Path,
    demo: Any,
    monkeypatch: pytest.MonkeyPatch,
    stated: str,
    preload: float,
    share: float | None,
) -> None:
    """Its own preload with its doubt, or the one that was fitted with as much of it, unless that is stated,
    too; beside it, from a fifth to 2.6 times as much."""
    asked: list[list[float]] = []

    def ladder(result: Any, torques: Any, *, beside: Any) -> list[Any]:
        asked.append(list(torques))
        return [SimpleNamespace(torque=torque, document=beside.document) for torque in torques]

    monkeypatch.setattr("diffbench.answers.log_files.preload_ladder", ladder)
    day(tmp_path, run=stated, oil_temperature=60.0 + 0.0 * TIME)
    ((_, _, bench),) = read_day(tmp_path / "log.toml", bench=demo.folder).runs
    assert bench is not None
    own = demo.characterisation.parameters["preload_torque"]
    here, u = (own.value, own.u) if not stated else (preload, own.u / own.value * preload)
    assert bench.preload.value == pytest.approx(here)
    assert bench.preload.u == pytest.approx(u if share is None or not stated else share)
    shares = (0.2, 0.4, 0.6, 0.8, 1.2, 1.5, 2.0, 2.6)
    assert [torque for torque, _ in bench.rungs] == pytest.approx([here * one for one in shares])
    assert [made.torque for _, made in bench.rungs] == [torque for torque, _ in bench.rungs]  # type: ignore[attr-defined]
    assert asked == [[*([preload] if stated else []), *(torque for torque, _ in bench.rungs)]]


def test_a_brake_that_was_never_read_is_not_told(tmp_path: Path) -> None:
    """Without a single number it neither goes down nor stands anywhere, and is said to be none."""
    head = 'brake_torque_per_pressure = "15 N.m/bar"'
    for values, told in ((np.nan, False), (0.0, True)):
        pressure = np.full(N, np.nan)
        pressure[7] = values
        found = samples(tmp_path, brake_pressure=pressure, head=head)
        assert found.brakes_told is told
        assert (found.notes == ()) is told
    assert samples(tmp_path, brake_pressure=np.full(N, np.nan), head=head).notes == (
        "Column 'brake_pressure [bar]' (brake_pressure) has no number in any line.",
    )
    # one that was released all along slows no car
    found = samples(tmp_path, brake_torque=np.zeros(N))
    assert (found.brakes_told, set(found.brake_torque), found.notes) == (True, {0.0}, ())


@pytest.mark.parametrize(("low", "refusal"), [(290.0, False), (310.0, True)])
def test_a_brake_goes_down_where_it_goes_three_times_as_far_down_as_up(
    tmp_path: Path, low: float, refusal: bool
) -> None:
    """From where it stands most of the time, but for a hundredth of the samples at either end."""
    torque = np.zeros(N)
    torque[50:60], torque[100:110] = -low, 100.0
    torque[200:203], torque[300] = 5e3, -5e3  # spikes
    if refusal:
        assert f"brake_torque goes down where the brakes are on, from 0 to -{low:.4g} in SI" in refused(
            tmp_path, brake_torque=torque
        )
    else:
        torque[200:203] = 100.0
        assert samples(tmp_path, brake_torque=torque).brake_torque.max() == 100.0


def test_where_brakes_are_released_on_the_throttle(tmp_path: Path) -> None:
    """Told by more than a hundredth of the samples: four of 400 tell nothing, five do."""
    drags = np.where(TIME < 16.0, braking(600.0, 40.0), 10.0)
    drags[-5:] = 25.0
    for count, rest in ((4, 10.0), (5, 25.0)):
        pedal = np.where(np.arange(N) < N - count, 0.0, 50.0)
        found = samples(tmp_path, brake_torque=drags, throttle=pedal, **SLOWS)
        assert found.brake_torque[0] == pytest.approx(40.0 - rest)


@pytest.mark.parametrize(("second", "mean"), [(210.0, 605.0), (199.0, 1000.0)])
def test_brakes_are_on_above_a_fifth_of_the_largest_torque(
    tmp_path: Path, second: float, mean: float
) -> None:
    """What they would slow the car by on the mean counts there alone."""
    torque = braking(1000.0)
    torque[300:340] = second
    said = refused(tmp_path, brake_torque=torque)
    assert (
        f"slow the car by {2.0 * mean / 0.3 / 1000.0:.3g} m/s² on the mean, and its speed falls by " in said
    )


def test_pressures_that_no_car_brakes_with_name_their_factor(tmp_path: Path) -> None:
    head = 'brake_torque_per_pressure = { value = "150 N.m/bar", u = "3 N.m/bar" }'
    said = refused(tmp_path, head=head, brake_pressure=braking(40.0), **SLOWS)
    assert "the driven axle's brakes, by brake_pressure, slow the car by 40 m/s² on the mean, and its" in said
    assert "column 'brake_pressure [bar]'" in said
    assert said.endswith(
        "Mend: check its unit and brake_torque_per_pressure under [channel.brake_pressure]: the torque is "
        "that of one wheel."
    )


@pytest.mark.parametrize(
    ("values", "zero"),
    [
        # half of five are three: 0.20 to 0.23 lie closest, and their mean is told
        ((0.10, 0.20, 0.21, 0.23, 0.50), 0.64 / 3.0),
        # half of seven are four, 0.20 to 0.24; half of these two, of which the first lie as close as any
        ((0.10, 0.20, 0.21, 0.23, 0.24, 0.50, 0.90), 0.205),
        ((0.0, math.radians(0.31), math.radians(0.31)), math.radians(0.62 / 3.0)),
        ((math.radians(0.31),) * 4, math.radians(0.31)),
        ((math.radians(0.29),) * 4, math.radians(0.29)),
    ],
)
def test_where_a_steering_wheel_stands_most(tmp_path: Path, values: tuple[float, ...], zero: float) -> None:
    """The half-sample mode of what was read while driving: told from three tenths of a degree on."""
    speed, wheel = np.zeros(N), np.full(N, 3.0)
    at = slice(100, 100 + len(values))
    speed[at], wheel[at] = 20.0 + 0.01 * np.arange(len(values)), values[::-1]
    wheels = {"left_speed": speed / 0.3, "right_speed": (1.0 + 1e-3 * np.cos(TIME)) * speed / 0.3}
    head = "steering_ratio = 15.0\nundersteer_gradient = { value = 0.02, u = 0.004 }"
    found = samples(tmp_path, yaw_rate=None, steering=wheel, speed=speed, head=head, **wheels)
    told = f"steering stands at {math.degrees(zero):.1f}° most of the time: taken as straight ahead"
    assert found.notes == ((told,) if math.degrees(zero) > 0.3 else ())
    longer = 2.5 + 0.02 * speed[100] ** 2 / 9.80665
    assert found.yaw_rate[100] == pytest.approx(20.0 * math.tan((values[-1] - zero) / 15.0) / longer)


def test_half_a_position_is_none(tmp_path: Path) -> None:
    for name in ("latitude", "longitude"):
        assert samples(tmp_path, **{name: 40.0 + 1e-4 * np.sin(TIME)}).laps == ()
