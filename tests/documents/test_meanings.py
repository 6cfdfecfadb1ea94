"""What the numbers and names of papers stand for, by hand."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from edited import edited
from pydantic import ValidationError

from diffbench.documents import Rig, load_rig, load_visit
from diffbench.documents.arrangements import ARRANGEMENTS
from diffbench.documents.car import Car
from diffbench.documents.log import LogChannel, LogSheet
from diffbench.documents.rig import Allowance, Channel
from diffbench.documents.visit import one_sheet

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
