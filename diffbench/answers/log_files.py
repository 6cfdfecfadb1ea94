"""A log sheet's car, recordings and results of the bench, read and brought together for
`diffbench.answers.lap.laps_of`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diffbench.answers.lap import Bench
from diffbench.answers.log_corners import Samples
from diffbench.answers.rebuild import preload_ladder, preload_of
from diffbench.documents.car import Car, load_car
from diffbench.documents.log import WHEELS, LogRun, LogSheet, load_log
from diffbench.errors import DocumentError
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


@dataclass(frozen=True)
class DayRead:
    """What a log sheet names: the sheet, its car, and for each run name, samples, bench, file and digest."""

    sheet: LogSheet
    car: Car
    runs: tuple[tuple[str, Samples, Bench | None], ...]
    files: tuple[str, ...]
    digests: tuple[str, ...]
    results: tuple[Characterisation | None, ...]


def read_day(path: Path) -> DayRead:
    """Everything that a log sheet names, paths relative to it. Raises ``DiffbenchError`` where a file cannot
    serve."""
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
        recording = read_recording(file, sheet, kind="log")
        samples = samples_of(sheet, run, recording, car)
        bench, result = (None, None) if run.result is None else bench_of(path.parent / run.result, run)
        runs.append((Path(run.file).stem, samples, bench))
        files.append(str(file))
        digests.append(recording.source.sha256)
        results.append(result)
    return DayRead(sheet, car, tuple(runs), tuple(files), tuple(digests), tuple(results))


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


def samples_of(sheet: LogSheet, run: LogRun, recording: Recording, car: Car) -> Samples:
    """A recording as samples in SI, gains and signs applied."""
    n = recording.time.size

    def channel(name: str) -> Array | None:
        if name not in recording.channels:
            return None
        described = sheet.channel[name]
        values = described.sign * described.gain * recording.channels[name]
        return values if described.rolling_radius is None else values / described.rolling_radius

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
        if run.temperature is None and run.result is not None:
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
    )


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
    return faster * np.tan(values / sheet.steering_ratio) / longer, math.hypot(described.u_gain, doubt)
