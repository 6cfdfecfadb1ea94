"""What the numbers and names of papers stand for, by hand."""

from __future__ import annotations

import datetime as dt
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from edited import edited
from pydantic import ValidationError

from diffbench.documents import Build, Rig, load_rig, load_visit
from diffbench.documents.arrangements import ARRANGEMENTS
from diffbench.documents.car import Car
from diffbench.documents.faults import dotted
from diffbench.documents.fields import NOT_NEGATIVE, AmountWithDoubt, Measured
from diffbench.documents.log import LogChannel, LogSheet
from diffbench.documents.rig import Allowance, Channel
from diffbench.documents.visit import one_sheet
from diffbench.quantities import Quantity

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def test_a_shaft_away_from_the_unit_turns_and_is_loaded_by_its_ratio() -> None:
    """The pinion turns 3.42 times for one of the unit; a shaft behind a reduction of 4 a quarter."""
    pinion = Channel(name="input_torque", column="P", at="pinion", ratio={"value": 3.42, "u": 0.02})
    wheel = Channel(name="left_torque", column="L", at="wheel", ratio={"value": 4.0, "u": 0.08})
    unit = Channel(name="right_torque", column="R")
    assert (pinion.turns.value, pinion.turns.u) == (3.42, 0.02)
    assert (wheel.turns.value, wheel.turns.u) == (0.25, pytest.approx(0.08 / 16.0))
    assert (unit.turns.value, unit.turns.u) == (1.0, None)
    speed = np.array([6.84, -3.42])
    assert pinion.at_unit(speed).tolist() == pytest.approx([2.0, -1.0])
    assert wheel.at_unit(speed).tolist() == pytest.approx([27.36, -13.68])
    assert unit.at_unit(speed) is speed


@pytest.mark.parametrize(
    ("sign", "reaction", "sense"), [(1, False, 1), (-1, False, -1), (1, True, -1), (-1, True, 1)]
)
def test_readings_are_corrected_by_gain_zero_and_sign(sign: int, reaction: bool, sense: int) -> None:
    """A reaction torque is the shaft's, turned round; what needs no correction is not copied."""
    reading = np.array([12.0, -7.0])
    plain = Channel(name="left_torque", column="L", sign=sign, reaction=reaction)
    both = Channel(name="left_torque", column="L", sign=sign, reaction=reaction, gain=1.25, zero="3 N.m")
    assert plain.corrected(reading).tolist() == [12.0 * sense, -7.0 * sense]
    assert (plain.corrected(reading) is reading) == (sense == 1)
    assert both.corrected(reading).tolist() == [18.0 * sense, -5.75 * sense]
    assert Channel(name="left_torque", column="L", zero="3 N.m").corrected(reading).tolist() == [15.0, -4.0]
    assert Channel(name="left_torque", column="L", gain=1.25).corrected(reading).tolist() == [15.0, -8.75]


@pytest.mark.parametrize(
    ("channels", "names"),
    [
        ({"left_torque", "right_torque"}, {"both-outputs"}),
        ({"left_torque", "right_torque", "input_torque"}, {"both-outputs", "input-and-one-output"}),
        ({"input_torque", "left_torque"}, {"input-and-one-output"}),
        ({"input_torque", "right_torque"}, {"input-and-one-output"}),
        ({"input_torque"}, set()),
        ({"left_torque"}, {"one-output-braked"}),
        ({"right_torque", "left_speed"}, {"one-output-braked"}),
        ({"turning_torque"}, {"output-turned-case-free"}),  # which of both, only the column of a file can say
        ({"left_speed"}, set()),
    ],
)
def test_which_arrangements_a_file_may_be_of(channels: set[str], names: set[str]) -> None:
    assert {name for name, kind in ARRANGEMENTS.items() if kind.seen(channels)} == names


def test_how_fast_a_turned_output_is_beside_the_difference() -> None:
    """With the other held it makes all of the difference, with the case held half: the other turns back."""
    turned = {name: kind.turned for name, kind in ARRANGEMENTS.items() if kind.turned is not None}
    assert turned == {"output-turned-case-free": 1.0, "output-turned-case-held": 0.5}


def test_every_allowance_is_what_its_line_says(texts: dict[str, str], tmp_path: Path) -> None:
    """Its example is what counts where a rig states none, and so do the numbers in its words."""
    fields = Allowance.model_fields
    path = tmp_path / "rig.toml"
    path.write_text(texts["rig"], encoding="utf-8")
    unstated = load_rig(path).allowance
    for name, field in fields.items():
        assert [getattr(unstated, name)] == [field.default] == field.examples, name
    assert fields["fitted_once"].default == pytest.approx(0.1e-2)
    assert "0.1 %" in str(fields["fitted_once"].description)
    assert fields["oil_sensor"].default * (70.0 - 20.0) == pytest.approx(1.0)
    assert "1 K at 70 °C" in str(fields["oil_sensor"].description)
    assert fields["hysteresis"].default == pytest.approx(0.05e-2)
    assert "0.05 %" in str(fields["hysteresis"].description)
    assert 0.01 < fields["running_in"].default < 0.06


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('u_zero = "3.6 degF"', "", True),
        ('u_zero = "3.6 degF"', "\n[allowance]\noil_sensor = 0\n", False),
        ('u_zero = "3.6 degF"', '\n[channel.plate_temperature]\ncolumn = "Plate [degC]"\n', False),
        ("", "", False),  # as it stands, with its u_zero
    ],
)
def test_where_an_oil_sensors_place_is_allowed_for(
    old: str, new: str, expected: bool, texts: dict[str, str], tmp_path: Path
) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(edited(texts["rig"], old, new) if old else texts["rig"], encoding="utf-8")
    rig: Rig = load_rig(path)
    assert rig.places_oil_sensor is expected


def test_what_a_column_holds_and_by_what_it_becomes_the_channels() -> None:
    """Torque at an arm of 0.4 m is a force, speed at a roller of 0.3 m a road speed, and so are their zeros:
    5 N are 2 N·m, 3.6 km/h are 1/0.3 rad/s."""
    arm = Channel(name="left_torque", column="F [N]", arm="400 mm", zero="5 N")
    roller = Channel(name="left_speed", column="v [km/h]", rolling_radius="300 mm", zero="3.6 km/h")
    torque, speed = (
        Channel(name="left_torque", column="T [N.m]"),
        Channel(name="left_speed", column="n [rpm]"),
    )
    for channel, held, times in (
        (arm, "force", 0.4),
        (roller, "speed", 1.0 / 0.3),
        (torque, "torque", 1.0),
        (speed, "angular_speed", 1.0),
    ):
        assert (channel.logged, channel.arm_length) == (held, pytest.approx(times))
    assert (arm.zero, roller.zero) == pytest.approx((2.0, 1.0 / 0.3))
    in_torque = Channel(name="left_torque", column="F", unit="kN", arm="400 mm", zero=0.005)
    in_speed = Channel(name="left_speed", column="v", unit="km/h", rolling_radius="300 mm", zero=7.2)
    assert (in_torque.zero, in_speed.zero) == pytest.approx((2.0, 2.0 / 0.3))


@pytest.mark.parametrize(
    ("place", "least", "most"),
    [
        (("axle", "track"), 0.1, 10.0),
        (("axle", "rolling_radius"), 20.0, 2000.0),
        (("axle", "radius_difference"), -0.05, 0.05),
        (("tyre", "slip_stiffness"), 10.0, 1e7),
        (("tyre", "load_exponent"), 0.0, 1.5),
        (("phase", "speed"), None, 200.0),
        (("phase", "radius"), 1.0, 1e5),
        (("phase", "temperature"), -60.0, 600.0),
    ],
)
def test_what_no_car_is_beyond(place: tuple[str, str], least: float | None, most: float) -> None:
    """At each bound it is taken, a hundredth beyond it is a slip of the unit."""

    def car(value: float) -> Car:
        phase = {"name": "entry", "speed": 31.0, "radius": 45.0, "turn": "left", "drive_torque": 0}
        phase["temperature"] = 72.0
        content: dict[str, Any] = {
            "format": "diffbench-car/1",
            "name": "Invented",
            "axle": {"track": 1.48, "rolling_radius": 305.0},
            "tyre": {"slip_stiffness": 62e3, "load_exponent": 0.85},
            "body": {
                "mass": 1120.0,
                "height": 0.44,
                "wheelbase": 2.38,
                "weight_share": 0.56,
                "roll_share": 0.48,
            },
            "phase": phase,
        }
        content[place[0]] = {**content[place[0]], place[1]: value}
        return Car.model_validate({**content, "phase": [content["phase"]]})

    for bound, beyond in ((least, -0.01), (most, 0.01)):
        if bound is None:
            continue
        assert car(bound)
        with pytest.raises(ValidationError, match=place[1]):
            car(bound + beyond * (abs(bound) or 1.0))


def test_a_channel_that_no_log_has_is_named_with_the_nearest() -> None:
    """All at once; what a log has beside it is no fault."""
    text = (FIXTURES / "track-log" / "log.toml").read_text(encoding="utf-8")
    content = tomllib.loads(text)
    channels = content["channel"]
    content["channel"] = {**channels, "yaw_rte": channels["yaw_rate"], "zzz": {"column": "Z"}}
    with pytest.raises(ValidationError) as caught:
        LogSheet.model_validate(content)
    told = {error["loc"]: error["ctx"] for error in caught.value.errors()}
    assert set(told) == {("channel", "yaw_rte"), ("channel", "zzz")}
    assert told["channel", "yaw_rte"]["mend"] == "write 'yaw_rate'"
    assert told["channel", "zzz"]["mend"].startswith("write one of ")


def test_a_wheel_speed_in_a_speed_of_the_road_is_told_what_it_needs() -> None:
    with pytest.raises(ValidationError, match="an angular speed is wanted") as caught:
        LogChannel.model_validate({"name": "left_speed", "column": "v", "unit": "km/h"})
    mend = caught.value.errors()[0]["ctx"]["mend"]
    assert mend.startswith("write 'rad/s' or ")
    assert mend.endswith("; a wheel speed as a road speed needs rolling_radius")


def test_sheets_of_one_joint_fit_agree_in_what_all_builds_share(
    visit_folder: Path, texts: dict[str, str]
) -> None:
    """A note may differ; one name for two sheets may not, nor two oils for one unit."""

    def faults(new: dict[str, str]) -> list[str]:
        text = texts["build"]
        for old, instead in new.items():
            text = edited(text, old, instead)
        (visit_folder / "other.toml").write_text(text, encoding="utf-8")
        (visit_folder / "again.toml").write_text(
            edited(texts["run"], "build.toml", "other.toml"), encoding="utf-8"
        )
        visits = [load_visit(visit_folder / name) for name in ("run.toml", "again.toml")]
        return [fault.what for fault in one_sheet(visits)]

    assert faults({}) == []
    assert faults({'build = "U1-first"': 'build = "U1-first"\nnote = "warm"'}) == []
    (told,) = faults({'distance = "120 mi"': 'distance = "100 km"'})
    assert "bear the name U1-first" in told
    assert "distance is 193.121 km in" in told
    assert "100 km in" in told
    renamed = {'build = "U1-first"': 'build = "U1-second"'}
    assert faults(renamed | {'distance = "120 mi"': 'distance = "100 km"'}) == []
    (told,) = faults(renamed | {"190 mm^2/s": "170 mm^2/s"})
    assert "share one oil.viscosity_40" in told
    (told,) = faults(renamed | {"value = 0.02, u = 0.01": "value = 0.03, u = 0.01"})
    assert "share one gear_friction" in told
    assert "0.02 in" in told
    visits = [load_visit(visit_folder / name) for name in ("run.toml", "again.toml", "again.toml")]
    assert len(one_sheet(visits)) == 1  # each sheet is asked once, however many visits were on it


def test_a_log_sheet_in_si(texts: dict[str, str]) -> None:
    """176 °F are 80 °C, 14 N·m/bar are 14e-5 N·m/Pa, by hand; what it does not state is one, nothing or
    exact."""
    sheet = LogSheet.model_validate(tomllib.loads(texts["log"]))
    assert (sheet.steering_ratio, sheet.lap_length, sheet.date) == (14.5, 3200.0, dt.date(2026, 5, 2))
    gradient, pressure = sheet.understeer_gradient, sheet.brake_torque_per_pressure
    assert (gradient, gradient.u) == (0.02, 0.005)
    assert (pressure, pressure.u) == (pytest.approx(14e-5), pytest.approx(2e-5))
    left, right = sheet.channel["left_speed"], sheet.channel["right_speed"]
    assert (left.name, left.column, left.unit, left.sign) == ("left_speed", "RL [km/h]", None, 1)
    assert (left.gain, left.u_gain, left.rolling_radius) == (1.25, 0.002, 0.305)
    assert (left.dimension, left.logged, left.columns, left.arm_length) == (
        "speed",
        "speed",
        ("RL [km/h]",),
        1.0,
    )
    assert (right.gain, right.u_gain, right.sign, right.rolling_radius) == (1.0, 0.0, -1, None)
    assert (right.dimension, right.logged) == ("angular_speed", "angular_speed")
    assert (sheet.channel["lap"].unit, sheet.channel["time"].unit) == ("1", None)
    first, second = sheet.run
    assert (first.temperature, first.laps) == (pytest.approx(80.0), (2.5, 104.1))
    assert (first.result, first.preload, first.engine_braking) == (None, None, None)
    assert (second.preload, second.preload.u, second.engine_braking.u) == (90.0, 3.0, 20.0)
    assert (second.temperature, second.laps, second.result) == (None, (), "../result")
    assert sheet.turns_one_output is True
    again = LogSheet.model_validate(tomllib.loads(edited(texts["log"], "2026-05-02", "2026-05-02T08:30:00")))
    assert again.date == sheet.date
    bare = edited(texts["log"], "date = 2026-05-02\n", "")
    assert LogSheet.model_validate(tomllib.loads(bare)).date is None


@pytest.mark.parametrize(
    "path", [("yaw_rate",), ("lateral_acceleration",), ("lateral_acceleration", "steering")]
)
def test_a_log_that_measures_its_path_needs_no_steering_ratio(
    path: tuple[str, ...], texts: dict[str, str]
) -> None:
    """Nor a doubt of the understeer gradient; the first of yaw rate, acceleration, steering counts."""
    content = tomllib.loads(texts["log"])
    del (
        content["steering_ratio"],
        content["understeer_gradient"],
        content["channel"]["steering"],
        content["run"][1],
    )
    content["channel"] |= {name: {"column": name} for name in path}
    sheet = LogSheet.model_validate(content)
    assert sheet.path_channel == path[0]
    assert (sheet.understeer_gradient, len(sheet.run)) == (0.0, 1)


def refused(content: dict[str, Any]) -> list[tuple[str, str]]:
    """Places and words of what is wrong with a log sheet."""
    with pytest.raises(ValidationError) as caught:
        LogSheet.model_validate(content)
    return [(dotted(error["loc"]), error["ctx"]["what"]) for error in caught.value.errors()]


def test_what_a_log_without_wheel_speeds_needs(texts: dict[str, str]) -> None:
    """A result for each run, and nothing of them; and a pressure where a torque is made of it."""
    content = tomllib.loads(texts["log"])
    for name in ("left_speed", "right_speed", "speed"):
        del content["channel"][name]
    nothing = "'speed' is missing, without which there is no number"
    without = "without wheel speeds and without a result of the bench there is no number"
    assert refused(content) == [("channel", nothing), ("run[1]", without)]
    content["channel"]["speed"] = {"column": "v [m/s]"}
    assert refused(content) == [("run[1]", without)]
    content["run"][0]["result"] = "here"
    assert LogSheet.model_validate(content).run[0].result == "here"
    for name in ("left_brake_pressure", "right_brake_pressure"):
        del content["channel"][name]
    lost = "brake_torque_per_pressure has no pressure to go by"
    assert refused(content) == [("brake_torque_per_pressure", lost)]
    content["channel"]["brake_pressure"] = {"column": "p [bar]"}
    assert LogSheet.model_validate(content).channel["brake_pressure"].dimension == "pressure"
    del content["channel"]["brake_pressure"], content["brake_torque_per_pressure"]
    assert LogSheet.model_validate(content).brake_torque_per_pressure is None


def test_how_an_uncertainty_is_read_beside_its_value() -> None:
    """With a unit where the value has one, but for nothing and shares; a temperature's is a difference."""
    for mark, raw, found in (
        (Measured("time", "s"), {"value": "10 ms", "u": 0}, (0.01, 0.0)),
        (Measured("time", "s"), {"value": 3, "u": 0.5}, (3.0, 0.5)),
        (Measured("time", "s"), {"value": 3, "u": "5 ms"}, (3.0, 0.005)),
        (Measured("dimensionless", "1"), {"value": "50 %", "u": 0.01}, (0.5, 0.01)),
        (Measured("temperature", "degC"), {"value": "212 degF", "u": "1.8 degF"}, (100.0, 1.0)),
        (Measured("force", "N"), "2 kN", (2000.0, None)),
        (Measured("force", "N"), Quantity(2.0, 3.0), (2.0, 3.0)),
        (AmountWithDoubt("force", "N", NOT_NEGATIVE), Quantity(2.0, 3.0), (2.0, 3.0)),
    ):
        read = mark.read(raw)
        assert (getattr(read, "value", read), read.u) == pytest.approx(found)
    with pytest.raises(ValidationError) as caught:
        Measured("time", "s", NOT_NEGATIVE).read({"u": -1.0, "w": 2})
    assert [(error["loc"], error["ctx"]["what"]) for error in caught.value.errors()] == [
        (("w",), "'w' is not part of a value with its uncertainty"),
        ((), "'value' is missing"),
        (("u",), "'-1.0' is below 0 s"),
    ]


def test_what_else_a_channel_may_say() -> None:
    """By hand: of a load cell at 0.4 m, 10 N are 4 N·m, unless its text speaks of torque; the doubt of the
    arm adds to the gain's, and is one of it alone; limits of a temperature are temperatures."""
    arm = {"value": "400 mm", "u": "4 mm"}
    cell: dict[str, Any] = {"name": "left_torque", "column": "F [N]", "arm": arm}
    found = Channel(
        **cell, u_gain=0.0024, u_zero="10 N", range=["-10 N", "20 N"], hysteresis=5, drag=1.5, u_lag="1 ms"
    )
    assert found.u_gain == pytest.approx(math.hypot(0.0024, 0.01))
    assert Channel(**cell).u_gain == pytest.approx(0.01)
    assert Channel(**{**cell, "arm": "400 mm"}, u_gain=0.0024).u_gain == 0.0024
    assert (found.u_zero, found.range, found.hysteresis) == (
        pytest.approx(4.0),
        (-4.0, 8.0),
        pytest.approx(2.0),
    )
    assert (found.drag, found.lag) == (Quantity(1.5), Quantity(0.0, 0.001))
    said = Channel(**cell, zero="-2 N.m", range=["-2 N.m", "3 N.m"], drag={"value": "2 N.m", "u": "1 N.m"})
    assert (said.zero, said.range, said.drag) == (-2.0, (-2.0, 3.0), Quantity(2.0, 1.0))
    for wrong, told in (("half", "does not begin with a number"), ("2 rpm", "a force is wanted")):
        with pytest.raises(ValidationError, match=told):
            Channel(**cell, zero=wrong)
    oil = Channel(name="oil_temperature", column="T", unit="degF", range=[32, "212 degF"], also=["U"])
    assert (oil.range, oil.columns) == (pytest.approx((0.0, 100.0)), ("T", "U"))
    bare = Channel(name="oil_temperature", column="T", range=[-10, 120], zero=0.5)
    assert (bare.range, bare.zero) == ((-10.0, 120.0), 0.5)
    clock = Channel(name="time", column="t", unit="ms", range=[0, 500])
    assert clock.range == pytest.approx((0.0, 0.5))
    wrench = Channel(name="turning_torque", column="W", unit="lbf.ft", resolution=0.5, u_reading=0.02, drag=2)
    assert (wrench.resolution, wrench.u_reading) == (pytest.approx(0.5 * 1.3558179483314004), 0.02)
    assert wrench.drag.value == pytest.approx(2 * 1.3558179483314004)
    roller = Channel(name="left_speed", column="v", rolling_radius="300 mm", range=[-3, "6 m/s"])
    assert roller.range == pytest.approx((-10.0, 20.0))
    pulses = Channel(name="left_speed", column="n", unit="rpm", range=[0, 60], gain=0.5)
    assert pulses.range == pytest.approx((0.0, 2.0 * math.pi))


def rig_of(outputs: str = "delivered", arrangement: str = "both-outputs", **channels: dict[str, Any]) -> Rig:
    """A rig of some channels, each in a column of its own name."""
    described = {name: {"column": name, **said} for name, said in channels.items()}
    content = {"format": "diffbench-rig/1", "name": "x", "arrangement": arrangement, "outputs": outputs}
    return Rig.model_validate({**content, "channel": described})


TORQUES: dict[str, dict[str, Any]] = {"left_torque": {}, "right_torque": {}}


def test_only_outputs_are_reactions() -> None:
    driven = rig_of("reaction", **TORQUES, speed_difference={}, input_torque={})
    assert {name: one.reaction for name, one in driven.channel.items()} == {
        "left_torque": True, "right_torque": True, "speed_difference": False, "input_torque": False,
    }  # fmt: skip
    assert not any(one.reaction for one in rig_of(**TORQUES, speed_difference={}).channel.values())


@pytest.mark.parametrize(
    ("speeds", "enough"),
    [
        ("left_speed right_speed", True),
        ("speed_difference", True),
        ("left_speed case_speed", True),
        ("right_speed input_speed", True),
        ("left_speed", False),
        ("case_speed", False),
        ("case_speed input_speed", False),
    ],
)
def test_which_speeds_tell_a_difference(speeds: str, enough: bool) -> None:
    channels = {**TORQUES, **{name: {} for name in speeds.split()}}
    if enough:
        assert set(rig_of(**channels).channel) == set(channels)
        return
    with pytest.raises(ValidationError) as caught:
        rig_of(**channels)
    assert [error["ctx"]["what"] for error in caught.value.errors()] == ["nothing says the speed difference"]


def test_speeds_alone_are_no_bench() -> None:
    """Each torque is asked for, and nothing else."""
    with pytest.raises(ValidationError) as caught:
        rig_of(left_speed={}, right_speed={})
    told = [error["ctx"]["what"].partition(" is")[0] for error in caught.value.errors()]
    assert told == ["'left_torque'", "'right_torque'"]


def test_where_a_channel_may_be_taken() -> None:
    taken = {
        "input_torque": {"at": "case"},
        "input_speed": {"at": "pinion", "ratio": 3.7, "u_ratio": 0.1},
        "left_speed": {"at": "wheel", "ratio": 2.0},
        "left_torque": {"at": "wheel", "ratio": 2.0, "efficiency": 0.97},
        "right_torque": {},
        "right_speed": {},
        "time": {"unit": "ms"},
        "oil_temperature": {"also": ["T2"]},
    }
    rig = rig_of(**taken)
    assert {name: one.at for name, one in rig.channel.items() if one.at} == {
        "input_torque": "case", "input_speed": "pinion", "left_speed": "wheel", "left_torque": "wheel",
    }  # fmt: skip
    assert (rig.channel["input_speed"].ratio, rig.channel["left_torque"].efficiency) == (
        Quantity(3.7, 0.1),
        Quantity(0.97),
    )
    del taken["time"]
    stated = Rig.model_validate({**rig.model_dump(exclude_none=True, exclude={"channel"}), "channel": {
        name: {"column": name, **said} for name, said in taken.items()
    }, "file": {"sample_rate": 50}})  # fmt: skip
    assert stated.file.sample_rate == 50.0


def test_the_least_that_a_paper_may_hold(texts: dict[str, str]) -> None:
    """Names of one letter, one face, one shim and one ring in stock; a rolling car; a ramp of 0.01
    degree, and one along the axis but for rounding."""
    content = tomllib.loads(texts["build"])
    content |= {"unit": "U", "packs": {"faces": 1, "inner_radius": 1, "outer_radius": 1000}}
    content["preload"] |= {"shims_in_stock": [0.1], "law": "greater-of", "joint_fraction": 0.05}
    content["ramps"] = {"drive_angle": 0.01, "coast_angle": 90.00000001, "rings_in_stock": [[40, 50]]}
    build = Build.model_validate(content)
    assert (build.unit, build.packs.faces, len(build.preload.shims_in_stock or ())) == ("U", 1, 1)
    assert build.ramps.coast_angle == Quantity(math.pi / 2)
    assert build.ramps.drive_angle is not None
    assert math.degrees(build.ramps.drive_angle.value) == pytest.approx(0.01)
    with pytest.raises(ValidationError, match="unit"):
        Build.model_validate({**content, "unit": b"U"})
    sizes = {"outer_diameter": 1000, "inner_diameter": 500, "thickness": 1, "cone_height": 250}
    with pytest.raises(ValidationError, match="250 mm is not below the width of the ring, 250 mm"):
        Build.model_validate({**content, "preload": {"disc_spring": sizes}})
    car = tomllib.loads(texts["car"])
    car["phase"][1]["drive_torque"] = 0
    del car["phase"][0]["duration"]
    rolling = Car.model_validate(car)
    assert (rolling.phase[1].input_torque, rolling.phase[0].duration) == (0.0, None)
    body = {"mass": 1150, "height": 0, "wheelbase": 2.45, "weight_share": 0.54, "roll_share": 0.42}
    loaded = Car.model_validate(
        {**car, "body": body, "tyre": {**car["tyre"], "load_exponent": 0.8, "friction": 1.1}}
    )
    assert loaded.body is not None
    assert (loaded.body.driven, loaded.body.drag, loaded.tyre.friction) == ("rear", 0.0, 1.1)
    windy = {**body, "drag": 400, "air_speed": 40}
    assert (
        Car.model_validate({**car, "body": windy, "tyre": {**car["tyre"], "load_exponent": 0.8}}).body
        is not None
    )


@pytest.mark.parametrize("model", [Rig, LogSheet])
@pytest.mark.parametrize("channel", [None, 3, []])
def test_channels_that_are_no_table_are_told_alone(
    model: type[Rig | LogSheet], channel: object, texts: dict[str, str]
) -> None:
    """Not what each of them lacks."""
    content = tomllib.loads(texts["rig" if model is Rig else "log"])
    content["channel"] = channel
    if channel is None:
        del content["channel"]
    with pytest.raises(ValidationError) as caught:
        model.model_validate(content)
    assert [error["loc"] for error in caught.value.errors()] == [("channel",)]
    with pytest.raises(ValidationError):
        model.model_validate("no table")
