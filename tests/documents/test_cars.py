"""The car: read into SI, one bad file per rule, and its schema."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest

from diffbench.documents import load_car
from diffbench.documents.schemas import schema
from diffbench.errors import DocumentError

Writer = Callable[[str | bytes], Path]

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


def test_a_car_is_read_into_si(write: Writer) -> None:
    """By hand: 90 km/h is 25 m/s, 176 degF is 80 degC; the key says the sign of the torque."""
    car = load_car(write(CAR))
    assert (car.axle.track, car.axle.rolling_radius, car.tyre.slip_stiffness) == (1.48, 0.305, 60e3)
    entry, throttle = car.phase
    assert (entry.speed, entry.radius, entry.brake_torque, entry.duration) == (25.0, 60.0, 80.0, 0.5)
    assert entry.temperature == pytest.approx(80.0, abs=1e-12)
    assert (entry.input_torque, entry.is_entry, entry.turn) == (-120.0, True, "left")
    assert (throttle.input_torque, throttle.is_entry, throttle.turn) == (200.0, False, None)
    assert (throttle.outer_tyre_limit, throttle.inner_tyre_limit) == (2500.0, 1800.0)
    assert load_car(write(CAR.split("[[phase]]", maxsplit=1)[0])).phase == ()


def test_the_invented_car_comes_with_the_project(repository: Path) -> None:
    """It loads, is valid by the schema, and says that it is invented."""
    path = repository / "fixtures" / "corner-entry" / "car.toml"
    text = path.read_text(encoding="utf-8")
    assert [phase.name for phase in load_car(path).phase] == ["braking", "turn-in", "apex", "first throttle"]
    jsonschema.Draft202012Validator(schema("car")).validate(tomllib.loads(text))
    assert text.startswith("# Invented")


# passage of the right document, what stands there instead, dotted key, words of the fault, words of the mend
RULES = [
    ('track = "1480 mm"', 'track = "0 m"', "axle.track", "'0 m' is below 0.1 m", "above zero"),
    ('track = "1480 mm"', "track = -1.48", "axle.track", "is below 0.1 m", "above zero"),
    ('track = "1480 mm"', "track = 1480", "axle.track", "is above 10 m", "in m"),
    ('track = "1480 mm"', 'trak = "1480 mm"', "axle.trak", "no known key", "'track'"),
    ("rolling_radius = 305", "rolling_radius = 0", "axle.rolling_radius", "below 20 mm", "in mm"),
    ("rolling_radius = 305", "rolling_radius = 0.305", "axle.rolling_radius", "below 20 mm", "in mm"),
    ('"60 kN"', '"0 N"', "tyre.slip_stiffness", "below 10 N", "per unit slip"),
    ('"60 kN"', '"60 N/mm"', "tyre.slip_stiffness", "a force is wanted", "'kN'"),
    ('speed = "90 km/h"', 'speed = "0 km/h"', "phase[1].speed", "not above 0 m/s", "standstill and reverse"),
    ('speed = "90 km/h"', 'speed = "-5 km/h"', "phase[1].speed", "not above 0 m/s", "standstill and reverse"),
    ('speed = "90 km/h"', 'speed = "90 rpm"', "phase[1].speed", "a speed is wanted", "'m/s'"),
    ('radius = "60 m"', 'radius = "-60 m"', "phase[1].radius", "below 1 m", "whichever way"),
    ('radius = "60 m"', "radius = nan", "phase[1].radius", "no usable number", "finite"),
    (
        'engine_braking = "120 N.m"',
        'engine_braking = "-120 N.m"',
        "phase[1].engine_braking",
        "below 0 N.m",
        "the magnitude",
    ),
    (
        'engine_braking = "120 N.m"',
        "engine_braking = 1\ndrive_torque = 2",
        "phase[1].drive_torque",
        "engine_braking is stated too",
        "leave one",
    ),
    (
        'engine_braking = "120 N.m"\n',
        "",
        "phase[1].engine_braking",
        "neither engine_braking nor drive_torque",
        "0 where the car rolls",
    ),
    ("brake_torque = 80", "brake_torque = -80", "phase[1].brake_torque", "below 0 N.m", "zero or"),
    ('"500 ms"', '"0 s"', "phase[1].duration", "not above 0 s", "above zero"),
    ('turn = "left"', 'turn = "lft"', "phase[1].turn", "no known value", "'left'"),
    (
        "outer_tyre_limit =",
        "outer_tyre_limits =",
        "phase[2].outer_tyre_limits",
        "no known key",
        "'outer_tyre_",
    ),
    ('name = "throttle"', 'name = "turn-in"', "phase", "turn-in stands here more than once", "of its own"),
    ("drive_torque = 200", "engine_braking = 200", "phase", "others none", "of all of them, or of none"),
    ("diffbench-car/1", "diffbench-car/2", "format", "newer than this program", "update diffbench"),
    ("diffbench-car/1", "diffbench-rig/1", "format", "this is a rig, a car is wanted", "name the car"),
    ('name = "Car"\n', "", "name", "'name' is missing", 'name = "'),
]


@pytest.mark.parametrize(("right", "wrong", "key", "what", "mend"), RULES)
def test_one_bad_car_per_rule(write: Writer, right: str, wrong: str, key: str, what: str, mend: str) -> None:
    assert right in CAR
    with pytest.raises(DocumentError) as caught:
        load_car(write(CAR.replace(right, wrong, 1)))
    (fault,) = caught.value.faults
    assert fault.place.key == key
    assert what in fault.what
    assert mend in fault.mend


def test_all_faults_at_once(write: Writer) -> None:
    text = (
        CAR.replace('"1480 mm"', '"0 m"').replace('"90 km/h"', '"0 km/h"').replace("drive_torque = 200\n", "")
    )
    with pytest.raises(DocumentError) as caught:
        load_car(write(text))
    assert [fault.place.key for fault in caught.value.faults] == [
        "axle.track",
        "phase[1].speed",
        "phase[2].engine_braking",
    ]
    assert [fault.place.line for fault in caught.value.faults][:2] == [4, 10]


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('turn = "left"', 'turn = "up"'),
        ("brake_torque = 80", "brake_torqe = 80"),
        ('name = "throttle"\n', ""),
        ('"60 kN"', '"sixty kN"'),
        ("diffbench-car/1", "diffbench-car/2"),
    ],
)
def test_the_schema_refuses_what_it_can(right: str, wrong: str) -> None:
    rules = schema("car")
    checker = jsonschema.Draft202012Validator(rules)
    checker.validate(tomllib.loads(CAR))
    assert CAR.count(right) == 1
    assert not checker.is_valid(tomllib.loads(CAR.replace(right, wrong)))
    assert "null" not in json.dumps(rules)
