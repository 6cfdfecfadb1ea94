"""Recordings of any length for the benchmark: an invented unit in closed form, as a bench's logger writes it.

The unit is the demo's in kind (additive preload, ramps with hysteresis, Stribeck, an oil film, plates that
warm), but nothing of the package computes it. Runs are made piece by piece, in little memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

RIG = """# Invented, for measuring speed.
format = "diffbench-rig/1"
name = "Bench of the benchmark (invented)"
arrangement = "both-outputs"
[channel.time]
column = "Time [s]"
[channel.left_torque]
column = "Torque LH [Nm]"
u_gain = 0.0015
u_zero = "0.8 N.m"
[channel.right_torque]
column = "Torque RH [Nm]"
u_gain = 0.0015
u_zero = "0.8 N.m"
[channel.left_speed]
column = "Speed LH [1/min]"
[channel.right_speed]
column = "Speed RH [1/min]"
[channel.case_speed]
column = "Speed case [1/min]"
[channel.oil_temperature]
column = "Oil [°C]"
u_zero = "0.5 K"
[repeatability]
preload_torque = 0.015
ramp_bias = 0.01
"""
BUILD = """# Invented, for measuring speed.
format = "diffbench-build/1"
unit = "{unit}"
build = "{unit}-1"
[packs]
faces = 4
inner_radius = "38 mm"
outer_radius = "54.5 mm"
plate_mass = "1.95 kg"
[ramps]
pin_radius = "39 mm"
drive_angle = "42 deg"
coast_angle = "57 deg"
[preload]
law = "{law}"
spring_force = {{ value = "1950 N", u = "60 N" }}
[oil]
viscosity_40 = "110 mm^2/s"
viscosity_100 = "15 mm^2/s"
[limits]
gear_friction = {{ value = 0.02, u = 0.008 }}
"""
RUN = """# Invented, for measuring speed.
format = "diffbench-run/1"
rig = "rig.toml"
build = "{build}"
date = 2026-05-04
[[run]]
file = "{file}"
kind = "bias-sweep"
"""
HEADER = (
    "Time [s],Torque LH [Nm],Torque RH [Nm],Speed LH [1/min],Speed RH [1/min],Speed case [1/min],Oil [°C],"
    "Room [°C]"
)
PIECE = 500_000  # rows that are made at once
TO_RPM = 30.0 / np.pi


@dataclass(frozen=True)
class Unit:
    """The invented unit [SI, °C], and the sweep it is put through."""

    preload: float = 81.0
    drive: float = 0.513
    coast: float = 0.295
    drive_ratio: float = 1.33
    coast_ratio: float = 1.36
    gear_friction: float = 0.017
    static_excess: float = 0.16
    stribeck_speed: float = 0.022
    temperature_coefficient: float = -0.0012
    viscous: float = 0.2
    viscous_exponent: float = 0.036
    heat_capacity: float = 936.0
    heat_conductance: float = 68.0
    radius: float = 0.04625
    reference: float = 60.0
    cycle: float = 40.0
    low: float = -300.0
    high: float = 700.0
    levels: tuple[float, ...] = (1.5, -1.5, 4.0, -4.0, 8.0, -8.0, 14.0, -14.0)
    noise: float = 3.0

    def input_torque(self, time: Array) -> tuple[Array, NDArray[np.bool_]]:
        """Triangle from ``low`` to ``high`` and back [N·m], and where it rises."""
        phase = (time / self.cycle) % 1.0
        rising = phase < 0.5
        return self.low + (self.high - self.low) * np.where(rising, 2.0 * phase, 2.0 - 2.0 * phase), rising

    def speed_difference(self, time: Array) -> Array:
        """One level a cycle, reached within half a second [rad/s]."""
        levels = np.array(self.levels)
        number = np.floor(time / self.cycle).astype(np.int64)
        now, before = levels[number % levels.size], levels[(number - 1) % levels.size]
        share = np.minimum((time - number * self.cycle) / 0.5, 1.0)
        return np.asarray(before + share * (now - before))

    def oil(self, time: Array) -> Array:
        """Oil between 50 and 80 °C, up and down within ten minutes."""
        return np.asarray(65.0 - 15.0 * np.cos(2.0 * np.pi * time / 600.0))

    def locking(self, time: Array, plate: Array) -> Array:
        """Locking torque [N·m]: ramps hold what they had at a turn until the torque has come down by their
        ratio."""
        torque, rising = self.input_torque(time)
        drive, coast = np.maximum(torque, 0.0), np.maximum(-torque, 0.0)
        drive = np.where(rising, drive, np.minimum(self.high, drive * self.drive_ratio))
        coast = np.where(~rising, coast, np.minimum(-self.low, coast * self.coast_ratio))
        slip = np.abs(self.speed_difference(time))
        sliding, at = 0.5 * self.radius * slip, 0.5 * self.radius * 4.0
        shape = (1.0 + self.static_excess * np.exp(-sliding / self.stribeck_speed)) / (
            1.0 + self.static_excess * np.exp(-at / self.stribeck_speed)
        )
        shape = shape * (1.0 + self.temperature_coefficient * (plate - self.reference))
        film = self.viscous * slip * np.exp(-self.viscous_exponent * (self.oil(time) - self.reference))
        load = self.preload + self.drive * drive + self.coast * coast
        return np.asarray(shape * load + self.gear_friction * np.abs(torque) + film)

    def plate_course(self, duration: float, step: float = 0.1) -> tuple[Array, Array]:
        """Plate temperature over the run on a coarse grid [°C], heated by friction, cooled by the oil."""
        time = np.arange(0.0, duration + step, step)
        oil = self.oil(time)
        heat = 0.5 * self.locking(time, oil) * np.abs(self.speed_difference(time))
        rate = heat / self.heat_capacity - np.gradient(oil, time)
        keep = float(np.exp(-step * self.heat_conductance / self.heat_capacity))
        gain = (1.0 - keep) * self.heat_capacity / self.heat_conductance
        excess, value = np.empty_like(time), 0.0
        for i, r in enumerate(rate.tolist()):
            excess[i] = value
            value = keep * value + gain * r
        return time, oil + excess


def write_recording(
    path: Path, *, rows: int, rate: float, seed: int = 1, unit: Unit | None = None, plain: bool = False
) -> None:
    """Write one bias sweep of ``rows`` samples at ``rate`` [Hz] as text of 8 columns, some 60 bytes a row.

    With ``plain`` numbers are written by Python's own means, a little slower.
    """
    unit = unit or Unit()
    rng = np.random.default_rng(seed)
    grid, plates = unit.plate_course(rows / rate)
    with path.open("wb") as file:
        file.write((HEADER + "\n").encode())
        for first in range(0, rows, PIECE):
            time = np.arange(first, min(first + PIECE, rows)) / rate
            torque, _ = unit.input_torque(time)
            slip = unit.speed_difference(time)
            locking = np.sign(slip) * unit.locking(time, np.interp(time, grid, plates))
            left = 0.5 * (torque - locking) + rng.normal(0.0, unit.noise, time.size)
            right = 0.5 * (torque + locking) + rng.normal(0.0, unit.noise, time.size)
            columns = [
                np.round(time, 4),
                np.round(left, 2),
                np.round(right, 2),
                np.round((60.0 + 0.5 * slip + rng.normal(0.0, 0.02, time.size)) * TO_RPM, 2),
                np.round((60.0 - 0.5 * slip + rng.normal(0.0, 0.02, time.size)) * TO_RPM, 2),
                np.round((60.0 + rng.normal(0.0, 0.02, time.size)) * TO_RPM, 2),
                np.round(unit.oil(time) + rng.normal(0.0, 0.1, time.size), 2),
                np.round(21.5 + rng.normal(0.0, 0.05, time.size), 2),
            ]
            if plain:
                np.savetxt(file, np.stack(columns, axis=1), fmt=["%.4f"] + 7 * ["%.2f"], delimiter=",")
                continue
            import pyarrow as pa
            from pyarrow import csv

            names = [str(i) for i in range(len(columns))]
            csv.write_csv(
                pa.table(columns, names=names), file, csv.WriteOptions(include_header=False, delimiter=",")
            )


def write_visit(
    folder: Path,
    *,
    rows: int,
    rate: float,
    seed: int = 1,
    name: str = "X1",
    law: str = "undecided",
    unit: Unit | None = None,
    plain: bool = False,
) -> Path:
    """Write rig, build sheet, run sheet and recording of one unit into a folder; returns the run sheet."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "rig.toml").write_text(RIG, encoding="utf-8")
    (folder / f"{name}-build.toml").write_text(BUILD.format(unit=name, law=law), encoding="utf-8")
    sheet = folder / f"{name}.toml"
    sheet.write_text(RUN.format(build=f"{name}-build.toml", file=f"{name}.csv"), encoding="utf-8")
    write_recording(folder / f"{name}.csv", rows=rows, rate=rate, seed=seed, unit=unit, plain=plain)
    return sheet
