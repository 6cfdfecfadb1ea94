"""Right documents, to be spoilt one rule at a time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

RIG = """\
format = "diffbench-rig/1"
name = "Cell"
arrangement = "both-outputs"
[file]
delimiter = ";"
decimal = ","
[channel.time]
column = "t [s]"
[channel.left_torque]
column = "TL"
unit = "lbf.ft"
zero = "1 lbf.ft"
u_zero = 0.5
u_gain = "0.15 %"
lag = "10 ms"
u_lag = "1 ms"
range = [-1000, 1000]
inertia = "500 kg.cm^2"
drag = { value = "1.4 N.m", u = "0.2 N.m" }
[channel.right_torque]
column = "TR [Nm]"
sign = -1
[channel.left_speed]
column = "nL [1/min]"
[channel.right_speed]
column = "nR [1/min]"
[channel.input_torque]
column = "TP"
unit = "N.m"
at = "pinion"
ratio = 3.42
efficiency = { value = 0.965, u = 0.01 }
[channel.oil_temperature]
column = "Oil"
unit = "degF"
zero = "1.8 degF"
u_zero = "3.6 degF"
[repeatability]
preload_torque = 0.015
"""

BUILD = """\
format = "diffbench-build/1"
unit = "U1"
build = "U1-first"
distance = "120 mi"
gear_friction = { value = 0.02, u = 0.01 }
[packs]
faces = 5
inner_radius = "36.9 mm"
outer_radius = { value = "52.5 mm", u = "0.1 mm" }
plate_mass = "1.1 kg"
[ramps]
pin_radius = 38.5
drive_angle = "45 deg"
coast_angle = "60 deg"
[preload]
law = "undecided"
spring_force = { value = "1850 N", u = "60 N" }
shim = "0.2 mm"
[preload.disc_spring]
outer_diameter = "100 mm"
inner_diameter = "80 mm"
thickness = "1.5 mm"
cone_height = "1.6 mm"
parallel = 1
series = 2
[oil]
viscosity_40 = "190 mm^2/s"
viscosity_100 = "17.5 cSt"
[reference]
temperature = "140 degF"
speed_difference = "4 rad/s"
[limits]
preload_torque = ["75 N.m", "95 N.m"]
face_wear = "60 um"
[map]
input_torque = ["-300 N.m", "600 N.m"]
"""

RUN = """\
format = "diffbench-run/1"
rig = "rig.toml"
build = "build.toml"
date = 2026-03-15
[[run]]
file = "tare.csv"
kind = "tare"
[[run]]
file = "bias-sweep.csv"
kind = "bias-sweep"
"""

CAR = """\
format = "diffbench-car/1"
name = "Car"
[axle]
track = "1480 mm"
rolling_radius = 305
[tyre]
slip_stiffness = "60 kN"
[[phase]]
name = "turn-in"
speed = "90 km/h"
radius = "60 m"
engine_braking = "120 N.m"
brake_torque = 80
temperature = "176 degF"
duration = "500 ms"
turn = "left"
[[phase]]
name = "throttle"
speed = 25
radius = 60
drive_torque = 200
temperature = 80
branch = "loading"
outer_tyre_limit = "2.5 kN"
inner_tyre_limit = 1800
"""

LOG = """\
format = "diffbench-log/1"
name = "Day"
car = "car.toml"
date = 2026-05-02
steering_ratio = 14.5
understeer_gradient = { value = 0.02, u = 0.005 }
brake_torque_per_pressure = { value = "14 N.m/bar", u = "2 N.m/bar" }
lap_length = "3.2 km"
[channel.time]
column = "t [s]"
[channel.left_speed]
column = "RL [km/h]"
rolling_radius = "305 mm"
gain = 1.25
u_gain = "0.2 %"
[channel.right_speed]
column = "RR"
unit = "rpm"
sign = -1
[channel.speed]
column = "v [km/h]"
[channel.steering]
column = "Steer [deg]"
[channel.left_brake_pressure]
column = "pL [bar]"
[channel.right_brake_pressure]
column = "pR [bar]"
[channel.lap]
column = "Lap"
[[run]]
file = "1.csv"
temperature = "176 degF"
laps = ["2.5 s", "104.1 s"]
[[run]]
file = "2.csv"
result = "../result"
preload = { value = "90 N.m", u = "3 N.m" }
engine_braking = { value = "110 N.m", u = "20 N.m" }
"""


@pytest.fixture
def texts() -> dict[str, str]:
    """A right rig, build sheet, run sheet, car and log sheet, by kind."""
    return {"rig": RIG, "build": BUILD, "run": RUN, "car": CAR, "log": LOG}


@pytest.fixture
def visit_folder(tmp_path: Path, texts: dict[str, str]) -> Path:
    """A folder with rig, build sheet, run sheet and the recordings that the run sheet names."""
    for name in ("rig", "build", "run"):
        (tmp_path / f"{name}.toml").write_text(texts[name], encoding="utf-8")
    for name in ("tare.csv", "bias-sweep.csv"):
        (tmp_path / name).write_text("t [s];TL\n", encoding="utf-8")
    return tmp_path


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str | bytes], Path]:
    """Write a document into a folder of its own."""

    def writer(content: str | bytes) -> Path:
        path = tmp_path / "document.toml"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return writer
