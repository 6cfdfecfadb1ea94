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
from diffbench.documents.log import BRAKES, WHEELS, LogRun, LogSheet, load_log
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
RELEASED = 10.0  # per cent of a lap at least, in which the brakes are not touched
FEW_SAMPLES = 20
SHORTEST_STEP, LONGEST_STEP = 1e-4, 0.5  # s between samples
SLIPS = 0.04  # of the car's speed: what both driven wheels may slip by on the mean
DISTANCE_GOES_ON = "distance never begins again: laps are not told apart; state lap_length in the log sheet"
ONE_READING = 1e-9  # by which the ratio of two wheel speeds may go up and down, and be of one wheel
LARGE_REST = 0.05  # of the way of a brake's channel: what it may stand at with the brakes released
TURNED = 3.0  # times further down than up
BRAKED = 0.2  # of the largest torque: above, the brakes are on
MORE_THAN_IT_SLOWS = 2.0  # slopes, the car's mass and turning parts make no more of it
LEAST_SLOWED = 2.0  # m/s²
#: What each channel of a car on a track can be, in SI; common practice, no source.
PLAUSIBLE = {
    "left_speed": (-20.0, 500.0, "rad/s"),
    "right_speed": (-20.0, 500.0, "rad/s"),
    "speed": (-5.0, 130.0, "m/s"),
    "yaw_rate": (-4.0, 4.0, "rad/s"),
    "lateral_acceleration": (-60.0, 60.0, "m/s²"),
    "steering": (-20.0, 20.0, "rad"),
    "input_torque": (-2e4, 2e4, "N·m"),
    "brake_torque": (-1e4, 1e4, "N·m"),
    **dict.fromkeys(("brake_pressure", *BRAKES), (-2e6, 4e7, "Pa")),
    "throttle": (-0.2, 1.2, "of its way"),
    "oil_temperature": (-40.0, 220.0, "°C"),
}
SMALLEST_ZERO = math.radians(0.3)  # of steering: below it is what the logger resolves
ODD_SHARE = 0.01  # of the samples: fewer beyond are spikes
#: By how much a wheel may roll faster or slower than the car drives, as a share.
ROLLS_LIKE_THE_CAR = 0.2


@dataclass(frozen=True)
class _Brakes:
    """Torque of each brake [N·m] where anything says it, pressures of both (n, 2) [Pa] where both are logged,
    the relative standard uncertainty of the torque's gain, and what was done."""

    torque: Array | None
    pressures: Array | None
    u: float
    notes: tuple[str, ...]


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
    read: dict[tuple[Path, str], tuple[Bench, Characterisation]] = {}  # a day's runs are often of one unit
    for run in sheet.run:
        file = path.parent / run.file
        recording = _recording(file, sheet)
        folder = bench if run.result is None else path.parent / run.result
        samples = samples_of(sheet, run, recording, car, beside_bench=folder is not None)
        unit, result = None, None
        if folder is not None:
            named = folder, repr(run.preload)
            if named not in read:
                read[named] = bench_of(folder, run)
            unit, result = read[named]
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
    found = [result.parameter(name, unit.document.build) for name in ("heat_capacity", "heat_conductance")]
    values = [None if item is None else item.value for item in found]
    return None if values[0] is None or values[1] is None else (values[0], values[1])


def samples_of(
    sheet: LogSheet, run: LogRun, recording: Recording, car: Car, *, beside_bench: bool = False
) -> Samples:
    """A recording as samples in SI, gains and signs applied; ``beside_bench``, where the oil's temperature
    has to be known."""
    n = recording.time.size
    _time_of_a_logger(sheet, run, recording)

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
    yaw, u_yaw, said = _yaw_rate(sheet, channel(sheet.path_channel), speed, car)
    torque, throttle = channel("input_torque"), channel("throttle")
    coasts = _coasts(torque, throttle)
    brakes = _brakes(sheet, channel, coasts, str(recording.source.path))
    _brakes_as_the_car(brakes, sheet, speed, recording, car)
    torque, u_torque = _case_torque(sheet, run, torque, n)
    heat = channel("oil_temperature")
    u_heat = 0.0 if heat is not None else _u_of(run.temperature)
    if heat is None:
        heat = _stated_heat(run, recording, n, needed=beside_bench)
    laps = _laps(sheet, run, recording.time, channel)
    untold = (DISTANCE_GOES_ON,) if not laps and "distance" in sheet.channel else ()
    gains = [sheet.channel[name].u_gain for name in WHEELS if name in sheet.channel]
    return Samples(
        time=recording.time,
        left=left,
        right=right,
        speed=speed,
        yaw_rate=yaw,
        input_torque=torque,
        brake_torque=np.zeros(n) if brakes.torque is None else brakes.torque,
        brake_pressures=brakes.pressures,
        brakes_told=brakes.torque is not None,
        u_brake=brakes.u,
        u_torque=u_torque,
        u_temperature=u_heat,
        temperature=heat,
        coasts=coasts,
        u_yaw=u_yaw,
        u_speed=sheet.channel["speed"].u_gain,
        u_wheel=0.5 * math.hypot(*gains),  # what both have apart is zeroed on straights
        wheels=wheels,
        notes=(*recording.notes, *said, *brakes.notes, *_rolls(channel, speed, coasts, car), *untold),
        laps=laps,
    )


def _case_torque(sheet: LogSheet, run: LogRun, torque: Array | None, n: int) -> tuple[Array | None, float]:
    """Torque at the case [N·m] (n,), logged or else stated, and its relative standard uncertainty."""
    if torque is not None:
        return torque, sheet.channel["input_torque"].u_gain
    if run.engine_braking is None:
        return None, 0.0
    stated = float(run.engine_braking)
    return np.full(n, -stated), _u_of(run.engine_braking) / max(stated, 1e-9)


def _coasts(torque: Array | None, throttle: Array | None) -> NDArray[np.bool_] | None:
    """Where the throttle is released (n,), by the pedal or else the torque; None where nothing says it."""
    if throttle is not None:
        return np.asarray(throttle < PEDAL_AT_REST)
    return None if torque is None else np.asarray(torque <= 0.0)


def _time_of_a_logger(sheet: LogSheet, run: LogRun, recording: Recording) -> None:
    """Refuse a clock that no logger has, and laps that begin beyond the log."""
    file, time = str(recording.source.path), recording.time
    step = float(np.median(np.diff(time))) if time.size > 1 else 0.0
    if time.size > 1 and not SHORTEST_STEP <= step <= LONGEST_STEP:
        what = f"the samples are {step:.3g} s apart, by the unit of time: no logger of a car has that"
        mend = "correct unit under [channel.time]"
        mend += ", or export more samples a second" if step > LONGEST_STEP else ""
        raise DocumentError([Fault(what, _column(file, sheet, "time"), mend)])
    late = [start for start in run.laps if start > time[-1]]
    if late:
        raise DocumentError.single(
            f"a lap begins at {late[0]:g} s, and the log ends at {time[-1]:.1f} s",
            file=file,
            key="laps",
            mend="state when each lap begins in seconds of this log, from its first sample",
        )


def _rolls(
    channel: Callable[[str], Array | None], speed: Array, coasts: NDArray[np.bool_] | None, car: Car
) -> tuple[str, ...]:
    """A note where both wheels roll faster or slower than the car by more than slip and the stated radius:
    the radius of the log or of the car is another one."""
    left, right = (channel(name) for name in WHEELS)
    if left is None or right is None:
        return ()
    moving = (speed > SLOWEST) & (True if coasts is None else coasts)
    if moving.sum() < FEW_SAMPLES:
        return ()
    radius = car.axle.rolling_radius
    over = float(np.nanmedian(0.5 * (left + right)[moving] * radius / speed[moving]))
    if abs(over - 1.0) <= SLIPS + 2.0 * _u_of(radius) / radius:
        return ()
    text = (
        f"both wheels with the car's rolling_radius of {1e3 * radius:.0f} mm go {over:.3f} times the car's "
        f"speed, as with one of {1e3 * radius / over:.0f} mm: car's and log's rolling_radius, or the gain of "
        "speed, do not go together, and the share kept is off by as much"
    )
    return (text,)


def _stated_heat(run: LogRun, recording: Recording, n: int, *, needed: bool) -> Array:
    """Temperature of the oil as the run states it [°C] (n,)."""
    if run.temperature is None and needed:
        raise DocumentError.single(
            "nothing says the temperature of the differential's oil",
            file=str(recording.source.path),
            key="temperature",
            mend='state temperature = "80 degC" of the run, or describe [channel.oil_temperature]',
        )
    return np.full(n, 60.0 if run.temperature is None else float(run.temperature))


def _brakes(
    sheet: LogSheet, channel: Callable[[str], Array | None], coasts: NDArray[np.bool_] | None, file: str
) -> _Brakes:
    """What the log says of the brakes, zeroed: released brakes are most of a lap."""
    found: dict[str, Array] = {}
    notes = []
    for name in ("brake_torque", "brake_pressure", *BRAKES):
        values = channel(name)
        if values is None or not np.isfinite(values).any():  # the reader tells of a column without a number
            continue
        _brake_not_reversed(values, sheet, name, file)
        rest = _released(values, coasts)
        if abs(rest) > LARGE_REST * float(np.nanmax(values) - rest):
            unit, scale = ("N·m", 1.0) if name == "brake_torque" else ("bar", 1e-5)
            notes.append(
                f"{name} stands at {scale * rest:.3g} {unit} where the brakes are released: taken as its "
                "zero; a brake that drags that much would look like locking"
            )
        found[name] = np.maximum(values - rest, 0.0)
    each = [found[name] for name in BRAKES if name in found]
    pressures = np.stack(each, axis=1) if each else None
    said, gain = tuple(notes), sheet.brake_torque_per_pressure
    if "brake_torque" in found:
        return _Brakes(found["brake_torque"], pressures, sheet.channel["brake_torque"].u_gain, said)
    axle = found.get("brake_pressure", None if pressures is None else pressures.mean(axis=1))
    if axle is None or gain is None:
        return _Brakes(None, pressures, 0.0, said)
    return _Brakes(axle * float(gain), pressures, _u_of(gain) / float(gain), said)


def _released(values: Array, coasts: NDArray[np.bool_] | None) -> float:
    """Where a brake's channel stands with the brakes released: on the throttle, where that is told."""
    on_throttle = values[~coasts & np.isfinite(values)] if coasts is not None else values[:0]
    if on_throttle.size > ODD_SHARE * values.size:
        return float(np.median(on_throttle))
    return float(np.nanpercentile(values, RELEASED))


def _brake_not_reversed(values: Array, sheet: LogSheet, name: str, file: str) -> None:
    """Refuse a brake that goes down from where it stands most of the time."""
    there = values[np.isfinite(values)]
    low, high = np.percentile(there, [100.0 * ODD_SHARE, 100.0 * (1.0 - ODD_SHARE)])
    rest = _stands_most(there)
    if rest - low > TURNED * max(high - rest, 0.0):
        what = f"{name} goes down where the brakes are on, from {rest:.4g} to {low:.4g} in SI: it is reversed"
        raise DocumentError([Fault(what, _column(file, sheet, name), f"sign = -1 under [channel.{name}]")])


def _brakes_as_the_car(
    brakes: _Brakes, sheet: LogSheet, speed: Array, recording: Recording, car: Car
) -> None:
    """Refuse brakes of one axle that would slow the car down far more than it slows."""
    torque, time, file = brakes.torque, recording.time, str(recording.source.path)
    if torque is None or car.body is None:
        return
    there = np.isfinite(torque) & np.isfinite(speed)
    torque, speed, time = torque[there], speed[there], time[there]
    if torque.size < 2 or torque.max() <= 0.0:
        return
    on = torque > BRAKED * torque.max()
    force = 2.0 * torque[on] / car.axle.rolling_radius
    steps = np.diff(time, prepend=time[0])
    # impulse over all braking, so that noise of the speed does not count
    slowed = -np.diff(speed, prepend=speed[0])[on].sum() / max(float(steps[on].sum()), 1e-9)
    brakes_say = float(force.mean()) / car.body.mass
    if brakes_say > MORE_THAN_IT_SLOWS * max(slowed, LEAST_SLOWED):
        name = next(n for n in ("brake_torque", "brake_pressure", *BRAKES) if n in sheet.channel)
        by = "unit and gain" if name == "brake_torque" else "its unit and brake_torque_per_pressure"
        what = (
            f"the driven axle's brakes, by {name}, slow the car by {brakes_say:.3g} m/s² on the mean, and "
            f"its speed falls by {max(slowed, 0.0):.2g} m/s²: no car has that"
        )
        mend = f"check {by} under [channel.{name}]: the torque is that of one wheel"
        raise DocumentError([Fault(what, _column(file, sheet, name), mend)])


def _u_of(value: float | None) -> float:
    """The standard uncertainty that a paper states of a value, in its unit; nil where it states none."""
    return getattr(value, "u", None) or 0.0


def _laps(sheet: LogSheet, run: LogRun, time: Array, channel: Callable[[str], Array | None]) -> Laps:
    """Where laps begin, by the first that says it: run, channel that counts, beacon, distance, position."""
    if run.laps:
        return by_counter(time, np.searchsorted(run.laps, time, side="right").astype(np.float64))
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
    faults += _same_wheel(sheet, told, moving, file)
    if faults:
        raise DocumentError(faults)


def _same_wheel(
    sheet: LogSheet, told: Mapping[str, Array], moving: NDArray[np.bool_], file: str
) -> list[Fault]:
    """A fault where both wheel speeds are one reading: even wheels on one shaft have their own noise."""
    if not set(WHEELS) <= set(told) or moving.sum() < FEW_SAMPLES:
        return []
    left, right = (told[name][moving] for name in WHEELS)
    there = np.isfinite(left) & np.isfinite(right) & (right != 0.0)
    over = left[there] / right[there]
    if over.size < FEW_SAMPLES or float(np.ptp(over)) > ONE_READING:
        return []
    what = "left_speed and right_speed are the same in every sample: one wheel is logged twice"
    return [Fault(what, _column(file, sheet, "right_speed"), "name the column of each wheel")]


def _channel_mend(name: str) -> str:
    return f"correct unit, gain or sign = -1 under [channel.{name}]"


def _column(file: str, sheet: LogSheet, name: str) -> Place:
    return Place(file, column=sheet.channel[name].column)


def _yaw_rate(
    sheet: LogSheet, values: Array | None, speed: Array, car: Car
) -> tuple[Array, float, tuple[str, ...]]:
    """Yaw rate [rad/s] by the sheet's channel, the relative standard uncertainty of its gain, and notes.

    psi' = a_y/V; or V delta/(L + K V²/g) with delta at the road wheels, as of a single-track car
    """
    assert values is not None  # a channel that the file has
    described = sheet.channel[sheet.path_channel]
    if sheet.path_channel == "yaw_rate":
        return values, described.u_gain, ()
    faster = np.maximum(speed, 1.0)
    if sheet.path_channel == "lateral_acceleration":
        return values / faster, described.u_gain, ()
    assert car.body is not None  # asked for before
    assert sheet.steering_ratio is not None
    gradient, base = sheet.understeer_gradient, float(car.body.wheelbase)
    longer = base + float(gradient) * faster**2 / GRAVITY
    doubt = _u_of(gradient) * float(np.mean(faster**2 / GRAVITY / longer))
    notes = []
    zero = _stands_most(values[np.isfinite(values) & (speed > SLOWEST)])
    if abs(zero) > SMALLEST_ZERO:
        notes.append(
            f"steering stands at {math.degrees(zero):.1f}° most of the time: taken as straight ahead"
        )
    turned = yaw_rate_of_steering(faster, (values - zero) / sheet.steering_ratio, base, float(gradient))
    return turned, math.hypot(described.u_gain, doubt), tuple(notes)


def _stands_most(values: Array) -> float:
    """Where most of the values lie closest together: the half-sample mode."""
    held = np.sort(values)
    while held.size > 3:
        half = (held.size + 1) // 2
        first = int(np.argmin(held[half - 1 :] - held[: held.size - half + 1]))
        held = held[first : first + half]
    return float(held.mean()) if held.size else 0.0
