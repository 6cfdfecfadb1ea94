"""A log sheet's car, recordings and results of the bench, read and brought together for
`diffbench.answers.lap.laps_of`."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diffbench.answers.lap import Bench
from diffbench.answers.log_corners import SLOWEST, Samples
from diffbench.answers.log_laps import Laps, by_beacon, by_counter, by_distance, by_position
from diffbench.answers.rebuild import preload_ladder, preload_of
from diffbench.documents.car import Car, load_car
from diffbench.documents.log import WHEELS, LogRun, LogSheet, load_log
from diffbench.errors import DocumentError, Fault, Place, ReadingError
from diffbench.physics.corner_course import yaw_rate_of_steering
from diffbench.physics.wheel_loads import GRAVITY
from diffbench.quantities import Quantity
from diffbench.readers.registry import read_recording
from diffbench.recording import Recording
from diffbench.results.characterisation import Characterisation, load_characterisation
from diffbench.results.locking_map import LockingMap, load_map

Array = NDArray[np.float64]

#: Preload torques looked at, as shares of that of the bench.
RUNGS = (0.2, 0.4, 0.6, 0.8, 1.2, 1.5, 2.0, 2.6)
PEDAL_AT_REST = 0.05  # share of the throttle's way
#: What each channel of a car on a track can be, in SI; common practice, no source.
PLAUSIBLE = {
    "left_speed": (-20.0, 500.0, "rad/s"),
    "right_speed": (-20.0, 500.0, "rad/s"),
    "speed": (-5.0, 130.0, "m/s"),
    "yaw_rate": (-4.0, 4.0, "rad/s"),
    "lateral_acceleration": (-60.0, 60.0, "m/s²"),
    "steering": (-20.0, 20.0, "rad"),
    "input_torque": (-2e4, 2e4, "N·m"),
    "brake_torque": (-2e4, 2e4, "N·m"),
    "throttle": (-0.2, 1.2, "of its way"),
    "oil_temperature": (-40.0, 220.0, "°C"),
}
ODD_SHARE = 0.01  # of the samples: fewer beyond are spikes
#: By how much a wheel may roll faster or slower than the car drives, as a share.
ROLLS_LIKE_THE_CAR = 0.2


@dataclass(frozen=True)
class DayRead:
    """What a log sheet names: the sheet, its car, and for each run name, samples, bench, file and digest."""

    sheet: LogSheet
    car: Car
    runs: tuple[tuple[str, Samples, Bench | None], ...]
    files: tuple[str, ...]
    digests: tuple[str, ...]
    results: tuple[Characterisation | None, ...]


def read_day(path: Path, *, bench: Path | None = None) -> DayRead:
    """Everything that a log sheet names, paths relative to it; ``bench``: the result for every run that names
    none. Raises ``DiffbenchError`` where a file cannot serve."""
    sheet = load_log(path)
    car = load_car(path.parent / sheet.car)
    if sheet.path_channel == "steering" and car.body is None:
        raise DocumentError.single(
            "steering says a path with the wheelbase alone, and the car has no [body]",
            file=str(path),
            mend="describe [body] in the car, or a channel yaw_rate",
        )
    runs, files, digests, results = [], [], [], []
    for run in sheet.run:
        file = path.parent / run.file
        recording = _recording(file, sheet)
        folder = bench if run.result is None else path.parent / run.result
        samples = samples_of(sheet, run, recording, car, beside_bench=folder is not None)
        unit, result = (None, None) if folder is None else bench_of(folder, run)
        runs.append((Path(run.file).stem, samples, unit))
        files.append(str(file))
        digests.append(recording.source.sha256)
        results.append(result)
    return DayRead(sheet, car, tuple(runs), tuple(files), tuple(digests), tuple(results))


def _recording(file: Path, sheet: LogSheet) -> Recording:
    """A log. The readers speak of a bench and its rig: here it is the logger and its log sheet."""
    try:
        recording = read_recording(file, sheet, kind="log")
    except ReadingError as error:
        said = [
            replace(fault, what=_of_logger(fault.what), mend=_of_logger(fault.mend)) for fault in error.faults
        ]
        raise ReadingError(said) from error
    return replace(recording, notes=tuple(map(_of_logger, recording.notes)))


def _of_logger(text: str) -> str:
    # not within quotes, where a column may be called so
    words = {"rig": "log sheet", "bench": "logger"}
    return re.sub(r"(?<!['\w])(rig|bench)\b", lambda found: words[found[1]], text)


def bench_of(folder: Path, run: LogRun) -> tuple[Bench, Characterisation]:
    """What the bench says of the unit as it ran, from a folder of results."""
    unit = load_map(folder)
    result = load_characterisation(folder)
    build = unit.document.build
    here = preload_of(result, build=build)
    known = result.parameter("preload_torque", build)
    u = 0.0 if known is None or known.u is None else known.u
    torques = [share * here for share in RUNGS]
    if run.preload is None:
        rungs = preload_ladder(result, torques, beside=unit)
        preload = Quantity(here, u)
    else:
        stated = float(run.preload)
        torques = [share * stated for share in RUNGS]
        unit, *rungs = preload_ladder(result, [stated, *torques], beside=unit)
        doubt = getattr(run.preload, "u", None)
        preload = Quantity(stated, u / here * stated if doubt is None else doubt)
    return Bench(unit, preload, tuple(zip(torques, rungs, strict=True)), _plates(result, unit)), result


def _plates(result: Characterisation, unit: LockingMap) -> tuple[float, float] | None:
    found = [
        result.parameter(name, unit.document.build)
        for name in ("plate_heat_capacity", "plate_to_oil_conductance")
    ]
    values = [None if item is None else item.value for item in found]
    return None if values[0] is None or values[1] is None else (values[0], values[1])


def samples_of(
    sheet: LogSheet, run: LogRun, recording: Recording, car: Car, *, beside_bench: bool = False
) -> Samples:
    """A recording as samples in SI, gains and signs applied; ``beside_bench``, where the oil's temperature
    has to be known."""
    n = recording.time.size

    def channel(name: str) -> Array | None:
        if name not in recording.channels:
            return None
        described = sheet.channel[name]
        values = described.sign * described.gain * recording.channels[name]
        return values if described.rolling_radius is None else values / described.rolling_radius

    _plausible(sheet, {name: channel(name) for name in recording.channels}, recording, car)
    left, right, speed = (channel(name) for name in (*WHEELS, "speed"))
    assert speed is not None  # the sheet's own rule
    wheels = left is not None and right is not None
    if left is None or right is None:
        left = right = speed / car.axle.rolling_radius
    yaw, u_yaw = _yaw_rate(sheet, channel(sheet.path_channel), speed, car)
    torque, throttle, brake = (channel(name) for name in ("input_torque", "throttle", "brake_torque"))
    coasts = None
    if throttle is not None:
        coasts = throttle < PEDAL_AT_REST
    elif torque is not None:
        coasts = torque <= 0.0
    if torque is None and run.engine_braking is not None:
        torque = np.full(n, -float(run.engine_braking))
    heat = channel("oil_temperature")
    if heat is None:
        if run.temperature is None and beside_bench:
            raise DocumentError.single(
                "nothing says the temperature of the differential's oil",
                file=str(recording.source.path),
                key="temperature",
                mend='state temperature = "80 degC" of the run, or describe [channel.oil_temperature]',
            )
        heat = np.full(n, 60.0 if run.temperature is None else float(run.temperature))
    gains = [sheet.channel[name].u_gain for name in WHEELS if name in sheet.channel]
    return Samples(
        time=recording.time,
        left=left,
        right=right,
        speed=speed,
        yaw_rate=yaw,
        input_torque=torque,
        brake_torque=np.zeros(n) if brake is None else np.abs(brake),
        temperature=heat,
        coasts=coasts,
        u_yaw=u_yaw,
        u_speed=sheet.channel["speed"].u_gain,
        u_wheel=0.5 * math.hypot(*gains),  # what both have apart is zeroed on straights
        wheels=wheels,
        notes=recording.notes,
        laps=_laps(sheet, run, recording.time, channel),
    )


def _laps(sheet: LogSheet, run: LogRun, time: Array, channel: Callable[[str], Array | None]) -> Laps:
    """Where laps begin, by the first that says it: run, channel that counts, beacon, distance, position."""
    if run.laps:
        return by_counter(time, np.searchsorted(np.sort(run.laps), time, side="right").astype(np.float64))
    counted, beacon, distance = (channel(name) for name in ("lap", "beacon", "distance"))
    if counted is not None:
        return by_counter(time, counted)
    if beacon is not None:
        return by_beacon(time, beacon)
    if distance is not None:
        return by_distance(time, distance, sheet.lap_length)
    north, east = channel("latitude"), channel("longitude")
    return () if north is None or east is None else by_position(time, north, east)


def _plausible(sheet: LogSheet, values: Mapping[str, Array | None], recording: Recording, car: Car) -> None:
    """Refuse channels that no car can have: a wrong unit, gain or sign gives a number like any other."""
    file = str(recording.source.path)
    told = {name: each for name, each in values.items() if each is not None and name in PLAUSIBLE}
    faults = []
    for name, each in told.items():
        low, high, unit = PLAUSIBLE[name]
        odd = (each < low) | (each > high)
        if odd.sum() > ODD_SHARE * each.size:
            ends = f"{float(np.nanmin(each)):.4g} to {float(np.nanmax(each)):.4g} {unit}"
            what = f"{name} goes from {ends}, by its unit and the log sheet: no car has that"
            faults.append(Fault(what, _column(file, sheet, name), _channel_mend(name)))
    speed = told["speed"]
    moving = speed > SLOWEST
    for name in WHEELS:
        if faults or name not in told or not moving.any():
            continue
        over = float(np.nanmedian(told[name][moving] * car.axle.rolling_radius / speed[moving]))
        if abs(over - 1.0) > ROLLS_LIKE_THE_CAR:
            what = f"{name} with the car's rolling_radius is {over:.3g} times the car's speed"
            mend = (
                "check unit, gain, sign and rolling_radius of it and of speed, and the car's rolling_radius"
            )
            faults.append(Fault(what, _column(file, sheet, name), mend))
    if faults:
        raise DocumentError(faults)


def _channel_mend(name: str) -> str:
    return f"correct unit, gain or sign = -1 under [channel.{name}]"


def _column(file: str, sheet: LogSheet, name: str) -> Place:
    return Place(file, column=sheet.channel[name].column)


def _yaw_rate(sheet: LogSheet, values: Array | None, speed: Array, car: Car) -> tuple[Array, float]:
    """Yaw rate [rad/s] by the sheet's channel, and the relative standard uncertainty of its gain.

    psi' = a_y/V; or V delta/(L + K V²/g) with delta at the road wheels, as of a single-track car
    """
    assert values is not None  # a channel that the file has
    described = sheet.channel[sheet.path_channel]
    if sheet.path_channel == "yaw_rate":
        return values, described.u_gain
    faster = np.maximum(speed, 1.0)
    if sheet.path_channel == "lateral_acceleration":
        return values / faster, described.u_gain
    assert car.body is not None  # asked for before
    assert sheet.steering_ratio is not None
    gradient, base = sheet.understeer_gradient, float(car.body.wheelbase)
    longer = base + float(gradient) * faster**2 / GRAVITY
    doubt = (getattr(gradient, "u", None) or 0.0) * float(np.mean(faster**2 / GRAVITY / longer))
    turned = yaw_rate_of_steering(faster, values / sheet.steering_ratio, base, float(gradient))
    return turned, math.hypot(described.u_gain, doubt)
