"""Do the intervals of a log's share kept, and of the preload that it asks for, hold the truth?

Run by hand: ``python tests/recovery/lap_study.py --cars 200``. Random cars with random units are driven round
random laps by the simulator (`carsim`), logged with radii, gains, zeros and noise that are not right, and
described as a team would: every number off by a draw of its stated uncertainty. The bench's map is the truth,
off by draws of the bench's. ``--preloads 3`` drives each car with three preloads in one weekend and fits them
together. The exit status is 1 where a 95 % interval holds the truth less often than chance allows.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "fixtures"))

from carsim.car import Cars, random_cars  # the path above comes first
from carsim.lap import Driven, drive, random_course  # same
from carsim.logger import Sensors, logged  # same

from diffbench.answers import Bench, Day, LapResult, Samples, laps_of  # same
from diffbench.documents import Car  # same
from diffbench.quantities import Quantity  # same
from diffbench.results import AXES, LockingMap, MapDocument  # same

Array = NDArray[np.float64]
NODES = (
    [-250.0, -150.0, -80.0, 0.0, 200.0, 600.0],
    [0.0, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0, 8.0],
    [40.0, 100.0],
)
USUAL = Sensors()
U_PRELOAD, U_BIAS = 0.015, 0.01
RUNGS = np.linspace(0.3, 2.0, 8)


def unit_map(cars: Cars, i: int, preload: float, bias: float = 1.0, u: float = U_PRELOAD) -> LockingMap:
    """What a bench would hand on of a unit at a preload [N·m], its ramps off by a factor."""
    torque, speed = np.array(NODES[0]), np.array(NODES[1])
    branches: dict[str, Any] = {}
    for branch, times in (("loading", 1.0), ("unloading", float(cars.unloading[i]))):
        thrust = (
            np.where(torque < 0.0, cars.bias_coast[i], cars.bias_drive[i]) * times * bias * np.abs(torque)
        )
        friction = 1.0 + cars.excess[i] * np.exp(-speed / cars.stribeck[i])
        value = friction * (preload + thrust[:, None]) + cars.viscous[i] * speed
        half = 1.96 * np.hypot(friction * u * preload, friction * U_BIAS * thrust[:, None])
        tables = {
            "locking_torque_Nm": value,
            "low_Nm": np.maximum(value - half, 0.0),
            "high_Nm": value + half,
        }
        branches[branch] = {key: np.repeat(t[:, :, None], 2, axis=2).tolist() for key, t in tables.items()}
        branches[branch]["tested"] = np.ones([len(axis) for axis in NODES], dtype=bool).tolist()
    branches["mean"] = branches["loading"]
    return LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1",
                "unit": "U",
                "build": f"U-{i}",
                "law": "additive",
                "confidence": 0.95,
                "axes": dict(zip(AXES, NODES, strict=True)),
                "branches": branches,
                "notes": [],
                "provenance": {},
            }
        )
    )


def described(cars: Cars, i: int, rng: np.random.Generator) -> Car:
    """The car as its team would describe it."""

    def off(value: Array, relative: float, times: float = 1.0) -> dict[str, float]:
        true = float(value[i]) * times
        return {"value": true * (1.0 + relative * rng.normal()), "u": relative * true}

    def near(value: Array, u: float) -> dict[str, float]:
        return {"value": float(value[i]) + u * rng.normal(), "u": u}

    return Car.model_validate(
        {
            "format": "diffbench-car/1",
            "name": f"car {i}",
            "axle": {
                "track": off(cars.track, 0.003),
                "rolling_radius": off(cars.radius, 0.003, 1e3),
                "radius_difference": {"value": 0.0, "u": 0.001},
                "wheel_inertia": off(cars.wheel_inertia, 0.1),
            },
            "tyre": {
                "slip_stiffness": off(cars.stiffness, 0.15),
                "load_exponent": near(cars.load_exponent, 0.05),
            },
            "body": {
                "mass": off(cars.mass, 0.01),
                "height": off(cars.height, 0.04),
                "wheelbase": float(cars.wheelbase[i]),
                "weight_share": float(cars.weight_share[i]),
                "roll_share": near(cars.roll_share, 0.03),
            },
        }
    )


def samples_of(log: dict[str, Array], sensors: Sensors) -> Samples:
    """A log as the program would read it."""
    torque = log["input_torque"]
    return Samples(
        time=log["time"],
        left=log["left_speed"],
        right=log["right_speed"],
        speed=log["speed"],
        yaw_rate=log["yaw_rate"],
        input_torque=torque,
        brake_torque=log["brake_torque"],
        temperature=np.full(torque.size, 80.0),
        coasts=torque <= 0.0,
        u_yaw=sensors.yaw_gain,
        u_wheel=sensors.radius / np.sqrt(2.0),
        u_speed=sensors.speed_gain,
    )


def true_share(driven: Driven, i: int, cars: Cars, lap: LapResult) -> float:
    """What the wheels really did between the same times."""
    time = np.arange(len(driven.speed)) * driven.step
    kept = asked = 0.0
    for corner in lap.corners:
        inside = (time >= corner.start - 0.025) & (time < corner.end - 0.025)
        sense = 1.0 if corner.turn == "left" else -1.0
        kept += sense * float((driven.right[inside, i] - driven.left[inside, i]).sum())
        free = driven.yaw_rate[inside, i] * cars.track[i] / cars.radius[i]
        asked += sense * float(free.sum())
    return kept / asked


@dataclass(frozen=True)
class Found:
    """One run: what is true and what was found."""

    share: float
    preload: float
    lap: LapResult
    day: Day

    @property
    def share_held(self) -> bool:
        """Whether the interval of the share holds the truth."""
        kept = self.lap.share_kept
        return kept.low is not None and kept.high is not None and kept.low <= self.share <= kept.high

    @property
    def preload_held(self) -> bool:
        """Whether that of the preload does; an open end holds all beyond."""
        asked = self.lap.equivalent_preload
        above = asked.low is None or asked.low <= self.preload
        return above and (asked.high is None or self.preload <= asked.high)

    @property
    def half_width(self) -> float:
        """Of that interval [N·m]; infinite with an open end."""
        asked = self.lap.equivalent_preload
        return np.inf if asked.low is None or asked.high is None else 0.5 * (asked.high - asked.low)


def study(
    count: int,
    seed: int,
    *,
    preloads: Sequence[float] = (1.0,),
    corners: int = 20,
    sensors: Sensors = USUAL,
) -> list[list[Found]]:
    """Cars by runs: each car with its preload times each factor, all runs of a car told together."""
    cars = random_cars(count, seed)
    weekends = [
        (version, drive(version, random_course(count, seed + 1 + k, corners=corners)))
        for k, version in enumerate(cars.with_preload(cars.preload * factor) for factor in preloads)
    ]
    found = []
    for i in range(count):
        rng = np.random.default_rng([seed, i])
        car, bias = described(cars, i, rng), 1.0 + U_BIAS * rng.normal()
        runs = []
        for k, (version, driven) in enumerate(weekends):
            told = float(version.preload[i]) * (1.0 + U_PRELOAD * rng.normal())
            rungs = tuple((share * told, unit_map(cars, i, share * told, bias)) for share in RUNGS.tolist())
            bench = Bench(unit_map(cars, i, told, bias), Quantity(told, U_PRELOAD * told), rungs)
            log = logged(driven, i, 1000 * seed + 10 * i + k, sensors, logger=1000 * seed + i)
            runs.append((f"run {k}", samples_of(log, sensors), bench))
        day = laps_of(car, runs)
        found.append(
            [
                Found(true_share(driven, i, cars, lap), float(version.preload[i]), lap, day)
                for (version, driven), lap in zip(weekends, day.laps, strict=True)
            ]
        )
    return found


def main() -> int:
    """The study by hand."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cars", type=int, default=40)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--preloads", type=int, default=1, choices=(1, 3))
    options = parser.parse_args()
    factors = (1.0,) if options.preloads == 1 else (0.6, 1.0, 1.5)
    runs = [run for car in study(options.cars, options.seed, preloads=factors) for run in car]
    least = int(binom.ppf(0.005, len(runs), 0.95))
    held = {
        "share kept": sum(run.share_held for run in runs),
        "equivalent preload": sum(run.preload_held for run in runs),
    }
    for name, number in held.items():
        print(f"{name}: {number} of {len(runs)} within their 95 % intervals; {least} or more expected")
    widths = [run.half_width for run in runs if np.isfinite(run.half_width)]
    print(f"half-width of the equivalent preload, median {np.median(widths):.1f} N·m, {len(widths)} bounded")
    told = sum(half <= 10.0 for half in widths)
    unsaid = sum(not run.lap.why_no_closer for run in runs if run.half_width > 10.0)
    print(f"told to 10 N·m: {told} of {len(runs)}; of the others {unsaid} do not say why not")
    return int(unsaid > 0 or any(number < least for number in held.values()))


if __name__ == "__main__":
    sys.exit(main())
