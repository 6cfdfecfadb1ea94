"""Right documents come out in SI, with what they do not state left unstated."""

from __future__ import annotations

import datetime as dt
import math
import tomllib
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
from edited import edited
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from diffbench.documents import Build, Rig, load_build, load_car, load_rig, load_run_sheet
from diffbench.quantities import Quantity
from diffbench.schemas import schema

Writer = Callable[[str], Path]

FOOT_POUND = 1.3558179483314004  # N·m, NIST SP 811 (2008) B.8, exact; status: memory
ROUNDING = 1e-12  # a few products of doubles
BARE_BUILD = {
    "format": "diffbench-build/1",
    "unit": "U1",
    "build": "first",
    "packs": {"faces": 4, "inner_radius": "30 mm", "outer_radius": "50 mm"},
}


def test_shims_in_stock_in_si() -> None:
    """In any unit of length, bare numbers in millimetres; not less than nothing, and not none."""
    sheet = Build.model_validate(BARE_BUILD | {"preload": {"shims_in_stock": ["0.1 mm", "250 um", 0.4]}})
    assert sheet.preload.shims_in_stock == pytest.approx([0.1e-3, 0.25e-3, 0.4e-3])
    for wrong in (["-0.1 mm"], ["0.1 kg"], [], "0.1 mm"):
        with pytest.raises(ValidationError, match="shims_in_stock"):
            Build.model_validate(BARE_BUILD | {"preload": {"shims_in_stock": wrong}})


def test_rings_in_stock_from_the_plane() -> None:
    """As ramp angles are, in radians from the plane of rotation; a pair is two, each of them a ramp."""
    pairs = [["30 deg", "57 deg"], [0.6, "90 deg"]]
    stock = {"angle_from": "axis", "rings_in_stock": [["60 deg", "33 deg"]]}
    by_axis = Build.model_validate(BARE_BUILD | {"ramps": stock}).ramps.rings_in_stock
    sheet = Build.model_validate(BARE_BUILD | {"ramps": {"rings_in_stock": pairs}})
    assert by_axis is not None
    assert sheet.ramps.rings_in_stock is not None
    told = [math.degrees(angle) for ring in sheet.ramps.rings_in_stock for angle in ring]
    assert told == pytest.approx([30.0, 57.0, 0.6, 90.0])
    assert by_axis[0] == pytest.approx(sheet.ramps.rings_in_stock[0])
    for wrong, said in (
        ([["30 deg"]], "a pair of rings with 1 of 2 angles"),
        ([["30 deg", "95 deg"]], "a ramp angle of 95 deg from the plane is impossible"),
        ([["30 mm", "57 deg"]], "rings_in_stock"),
        ([], "rings_in_stock"),
    ):
        with pytest.raises(ValidationError, match=said):
            Build.model_validate(BARE_BUILD | {"ramps": {"rings_in_stock": wrong}})


def test_a_rig_in_si(write: Writer, texts: dict[str, str]) -> None:
    rig = load_rig(write(texts["rig"]))
    assert (rig.name, rig.arrangement) == ("Cell", "both-outputs")
    assert (rig.file.delimiter, rig.file.decimal, rig.file.encoding) == (";", ",", None)
    left = rig.channel["left_torque"]
    assert (left.name, left.dimension, left.unit, left.sign) == ("left_torque", "torque", "lbf.ft", 1)
    assert left.zero == pytest.approx(FOOT_POUND, rel=ROUNDING)
    assert left.u_gain == pytest.approx(0.0015, rel=ROUNDING)
    assert (left.lag.value, left.lag.u) == (pytest.approx(0.010), pytest.approx(0.001))
    assert left.inertia == Quantity(pytest.approx(0.05, rel=ROUNDING))
    assert left.drag == Quantity(1.4, 0.2)
    pinion = rig.channel["input_torque"]
    assert (pinion.at, pinion.ratio, pinion.efficiency) == ("pinion", Quantity(3.42), Quantity(0.965, 0.01))
    assert rig.repeatability.preload_torque == 0.015
    assert rig.repeatability.ramp_bias is None


def test_bare_numbers_of_a_channel_are_in_its_own_unit(write: Writer, texts: dict[str, str]) -> None:
    left = load_rig(write(texts["rig"])).channel["left_torque"]
    assert left.u_zero == pytest.approx(0.5 * FOOT_POUND, rel=ROUNDING)
    assert left.range == pytest.approx((-1000 * FOOT_POUND, 1000 * FOOT_POUND), rel=ROUNDING)


def test_bare_torques_without_a_stated_unit_are_in_newton_metres(
    write: Writer, texts: dict[str, str]
) -> None:
    rig = load_rig(write(edited(texts["rig"], "sign = -1", "zero = 0.5\nu_zero = 0.8")))
    assert (rig.channel["right_torque"].zero, rig.channel["right_torque"].u_zero) == (0.5, 0.8)


@pytest.mark.parametrize(("zero", "expected"), [('"5 rpm"', 5.0 * 2.0 * math.pi / 60.0), ("0", 0.0)])
def test_a_speed_of_no_stated_unit_takes_a_zero_that_says_its_own(
    zero: str, expected: float, write: Writer, texts: dict[str, str]
) -> None:
    """Nought is nought in any unit."""
    text = edited(texts["rig"], 'column = "nL [1/min]"', f'column = "nL"\nzero = {zero}')
    assert load_rig(write(text)).channel["left_speed"].zero == pytest.approx(expected, rel=ROUNDING)


def test_zero_and_uncertainty_of_a_temperature_are_differences(write: Writer, texts: dict[str, str]) -> None:
    oil = load_rig(write(texts["rig"])).channel["oil_temperature"]
    assert oil.zero == pytest.approx(1.0, rel=ROUNDING)  # 1.8 degF of difference are 1 K
    assert oil.u_zero == pytest.approx(2.0, rel=ROUNDING)


def test_what_a_rig_does_not_state_is_not_stated(write: Writer, texts: dict[str, str]) -> None:
    right = load_rig(write(texts["rig"])).channel["right_torque"]
    assert (right.sign, right.gain, right.zero) == (-1, 1.0, 0.0)
    assert right.u_gain is None
    assert right.u_zero is None
    assert right.range is None
    assert right.lag == right.inertia == right.drag == Quantity(0.0, None)
    assert right.ratio == right.efficiency == Quantity(1.0, None)


def test_named_delimiters_and_encodings(write: Writer, texts: dict[str, str]) -> None:
    text = edited(
        texts["rig"], 'delimiter = ";"', 'delimiter = "tab"\nencoding = "Windows-1252"\nsheet = "log"'
    )
    settings = load_rig(write(text)).file
    assert (settings.delimiter, settings.encoding, settings.sheet) == ("\t", "cp1252", "log")
    settings = load_rig(write(edited(texts["rig"], 'decimal = ","', 'decimal = ","\nthousands = "."'))).file
    assert (settings.decimal, settings.thousands) == (",", ".")


def test_a_fixture_for_hand_readings_translates_its_words() -> None:
    rig = Rig.model_validate(
        {
            "format": "diffbench-rig/1",
            "name": "Fixture",
            "arrangement": "output-turned-case-held",
            "channel": {
                "turning_torque": {"column": "W", "unit": "N.m"},
                "arrangement": {"column": "how", "values": {"wheel held": "output-turned-case-free"}},
                "direction": {"column": "way"},
            },
        }
    )
    assert rig.channel["arrangement"].values == {"wheel held": "output-turned-case-free"}
    assert rig.channel["direction"].dimension is None


def test_a_build_sheet_in_si(write: Writer, texts: dict[str, str]) -> None:
    build = load_build(write(texts["build"]))
    assert (build.unit, build.build) == ("U1", "U1-first")
    assert build.distance == pytest.approx(120 * 1609.344, rel=ROUNDING)  # mile, NIST SP 811 B.8; memory
    assert build.packs.faces == 5
    assert build.packs.inner_radius == Quantity(pytest.approx(0.0369, rel=ROUNDING))
    assert build.packs.outer_radius.u == pytest.approx(1e-4, rel=ROUNDING)
    assert build.packs.plate_mass == Quantity(1.1)
    assert build.packs.specific_heat is None
    assert build.ramps.pin_radius == Quantity(pytest.approx(0.0385, rel=ROUNDING))
    assert build.ramps.drive_angle == Quantity(pytest.approx(math.pi / 4, rel=ROUNDING))
    assert build.preload.law == "undecided"
    assert build.preload.spring_force == Quantity(1850.0, 60.0)
    assert build.preload.disc_spring is not None
    assert build.preload.disc_spring.series == 2
    assert build.oil.viscosity_100 == Quantity(pytest.approx(17.5e-6, rel=ROUNDING))
    assert build.reference.temperature == pytest.approx(60.0, abs=1e-12)
    assert build.reference.speed_difference == 4.0
    assert build.limits.preload_torque == (75.0, 95.0)
    assert build.limits.face_wear == pytest.approx(60e-6, rel=ROUNDING)
    assert build.map.input_torque == (-300.0, 600.0)


def test_a_bare_build_sheet_fills_nothing_in() -> None:
    build = Build.model_validate(BARE_BUILD)
    assert build.gear_friction is None
    assert build.distance is None
    assert build.ramps.drive_angle is None
    assert build.preload.spring_force is None
    assert build.preload.law == "undecided"
    assert build.reference.temperature == 60.0  # the one condition that the contract itself fixes
    assert build.effective_radius.u is None


@pytest.mark.parametrize("home", [None, "ramps", "limits"])
def test_gear_friction_is_read_wherever_sheets_have_it(home: str | None) -> None:
    friction = {"gear_friction": {"value": 0.02, "u": "1 %"}}
    build = Build.model_validate(BARE_BUILD | (friction if home is None else {home: friction}))
    assert build.gear_friction == Quantity(0.02, 0.01)


@given(st.floats(0.001, 89.999), st.sampled_from(["drive_angle", "coast_angle"]))
def test_angles_from_the_axis_become_angles_from_the_plane(angle: float, key: str) -> None:
    # The words may stand after the angles in the file: the order of keys has no meaning in TOML.
    ramps = {key: {"value": f"{angle!r} deg", "u": "0.5 deg"}, "angle_from": "axis"}
    build = Build.model_validate(BARE_BUILD | {"ramps": ramps})
    kept = getattr(build.ramps, key)
    assert math.degrees(kept.value) == pytest.approx(90.0 - angle, abs=1e-9)
    assert math.degrees(kept.u) == pytest.approx(0.5, abs=1e-12)


@pytest.mark.parametrize(("angle", "side"), [("90 deg", "plane"), ("0 deg", "axis")])
def test_a_ramp_along_the_axis_has_no_thrust_and_is_allowed(angle: str, side: str) -> None:
    build = Build.model_validate(BARE_BUILD | {"ramps": {"coast_angle": angle, "angle_from": side}})
    assert build.ramps.coast_angle == Quantity(math.pi / 2)


@pytest.mark.parametrize("first", [True, False])
def test_limits_in_the_torque_of_one_pack_are_doubled(first: bool) -> None:
    sense = {"locking_torque_sense": "one-pack"}
    pairs = {"preload_torque": ["40 N.m", "45 N.m"], "ramp_bias_drive": [0.2, 0.25]}
    limits = sense | pairs if first else pairs | sense
    build = Build.model_validate(BARE_BUILD | {"limits": limits})
    assert build.limits.preload_torque == (80.0, 90.0)
    assert build.limits.ramp_bias_drive == pytest.approx((0.4, 0.5), rel=ROUNDING)


def _with_radii(inner: object, outer: object, contact: str) -> Build:
    packs = {"faces": 4, "inner_radius": inner, "outer_radius": outer, "contact": contact}
    return Build.model_validate(BARE_BUILD | {"packs": packs})


def test_effective_radius_of_both_contacts() -> None:
    # Analytic: (33.5 + 48.5)/2 = 41, and 2/3 (48.5³ - 33.5³)/(48.5² - 33.5²) is R_m + b²/(12 R_m) with the
    # mean radius R_m = 41 and the width b = 15 of the face.
    wear = _with_radii("33.5 mm", "48.5 mm", "uniform-wear").effective_radius
    pressure = _with_radii("33.5 mm", "48.5 mm", "uniform-pressure").effective_radius
    assert wear.value == pytest.approx(0.041, rel=ROUNDING)
    assert pressure.value == pytest.approx(0.041 + 0.015**2 / (12 * 0.041), rel=ROUNDING)


@pytest.mark.parametrize("contact", ["uniform-wear", "uniform-pressure"])
def test_uncertainty_of_the_effective_radius_is_its_change_with_the_radii(contact: str) -> None:
    def radius(inner: float, outer: float) -> float:
        return _with_radii(f"{inner!r} mm", f"{outer!r} mm", contact).effective_radius.value

    step = 1e-3  # mm; central differences of a smooth function: error of the order (step/radius)²
    by_inner = (radius(30 + step, 50) - radius(30 - step, 50)) / (2 * step)
    by_outer = (radius(30, 50 + step) - radius(30, 50 - step)) / (2 * step)
    inner, outer = {"value": "30 mm", "u": "0.2 mm"}, {"value": "50 mm", "u": "0.1 mm"}
    of_inner = _with_radii(inner, "50 mm", contact).effective_radius.u
    of_outer = _with_radii("30 mm", outer, contact).effective_radius.u
    assert (of_inner, of_outer) == (
        pytest.approx(0.2e-3 * by_inner * 1e3, rel=1e-6),
        pytest.approx(0.1e-3 * by_outer * 1e3, rel=1e-6),
    )
    stated = _with_radii(
        {"value": "30 mm", "u": "0.2 mm"}, {"value": "50 mm", "u": "0.1 mm"}, contact
    ).effective_radius
    assert stated.u == pytest.approx(math.hypot(0.2 * by_inner, 0.1 * by_outer), rel=1e-6)


@given(st.floats(20.0, 50.0), st.floats(0.5, 40.0))
def test_uniform_pressure_acts_outside_uniform_wear_and_inside_the_face(inner: float, width: float) -> None:
    radii = (f"{inner!r} mm", f"{inner + width!r} mm")
    wear = _with_radii(*radii, "uniform-wear").effective_radius.value
    pressure = _with_radii(*radii, "uniform-pressure").effective_radius.value
    assert inner * 1e-3 < wear < pressure < (inner + width) * 1e-3


def test_a_run_sheet(write: Writer, texts: dict[str, str]) -> None:
    sheet = load_run_sheet(write(texts["run"]))
    assert sheet.date == dt.date(2026, 3, 15)
    assert [(run.file, run.kind, run.rig) for run in sheet.run] == [
        ("tare.csv", "tare", None),
        ("bias-sweep.csv", "bias-sweep", None),
    ]


@pytest.mark.parametrize("date", ['"2026-03-15"', "2026-03-15T08:30:00", "2026-03-15T08:30:00+01:00"])
def test_a_day_may_be_written_as_text_or_with_its_time(
    date: str, write: Writer, texts: dict[str, str]
) -> None:
    sheet = load_run_sheet(write(edited(texts["run"], "2026-03-15", date)))
    assert sheet.date == dt.date(2026, 3, 15)


def test_documents_are_frozen(write: Writer, texts: dict[str, str]) -> None:
    build = load_build(write(texts["build"]))
    with pytest.raises(ValidationError, match="frozen"):
        build.unit = "U2"  # type: ignore[misc]


def test_a_byte_order_mark_is_no_fault(tmp_path: Path, texts: dict[str, str]) -> None:
    path = tmp_path / "build.toml"
    path.write_bytes(b"\xef\xbb\xbf" + texts["build"].replace("\n", "\r\n").encode())
    assert load_build(path).unit == "U1"


def test_a_car_is_read_into_si(write: Writer, texts: dict[str, str]) -> None:
    """By hand: 90 km/h is 25 m/s, 176 degF is 80 degC; the key says the sign of the torque."""
    car = load_car(write(texts["car"]))
    assert (car.axle.track, car.axle.rolling_radius, car.tyre.slip_stiffness) == (1.48, 0.305, 60e3)
    entry, throttle = car.phase
    assert (entry.speed, entry.radius, entry.brake_torque, entry.duration) == (25.0, 60.0, 80.0, 0.5)
    assert entry.temperature == pytest.approx(80.0, abs=1e-12)
    assert (entry.input_torque, entry.is_entry, entry.turn) == (-120.0, True, "left")
    assert (throttle.input_torque, throttle.is_entry, throttle.turn) == (200.0, False, None)
    assert (throttle.outer_tyre_limit, throttle.inner_tyre_limit) == (2500.0, 1800.0)
    again = type(car.axle).model_validate(dict(car.axle))  # numbers that are read already stay
    assert again == car.axle
    assert load_car(write(texts["car"].split("[[phase]]", maxsplit=1)[0])).phase == ()


def test_the_invented_car_comes_with_the_project(repository: Path) -> None:
    """It loads, is valid by the schema, and says that it is invented."""
    path = repository / "fixtures" / "corner-entry" / "car.toml"
    text = path.read_text(encoding="utf-8")
    assert [phase.name for phase in load_car(path).phase] == ["braking", "turn-in", "apex", "first throttle"]
    jsonschema.Draft202012Validator(schema("car")).validate(tomllib.loads(text))
    assert text.startswith("# Invented")


def q(value: float, u: float | None = None) -> dict[str, object]:
    """A quantity as a dump has it, but for rounding."""
    return {"value": pytest.approx(value, rel=1e-9), "u": None if u is None else pytest.approx(u, rel=1e-9)}


def test_a_build_sheet_that_states_everything_is_kept_whole() -> None:
    """Every key once, no two numbers alike, each in another unit than it is kept in; by hand."""
    stated = {
        "format": "diffbench-build/1",
        "unit": "Q17",
        "build": "Q17-2",
        "note": "dry",
        "distance": "12 km",
        "packs": {
            "faces": 6,
            "inner_radius": {"value": "3.7 cm", "u": "0.2 mm"},
            "outer_radius": 54.5,
            "contact": "uniform-pressure",
            "plate_mass": {"value": "1900 g", "u": "20 g"},
            "specific_heat": 470,
        },
        "ramps": {
            "pin_radius": "3.9 cm",
            "angle_from": "axis",
            "drive_angle": {"value": 48, "u": "0.3 deg"},
            "coast_angle": "33 deg",
            "rings_in_stock": [[60, 33]],
        },
        "preload": {
            "law": "greater-of",
            "spring_force": {"value": "1.95 kN", "u": "60 N"},
            "shim": 0.2,
            "shims_in_stock": [0.1, "250 um"],
            "joint_fraction": {"value": "5 %", "u": 0.01},
            "disc_spring": {
                "outer_diameter": "9.5 cm",
                "inner_diameter": 72,
                "thickness": {"value": 1.6, "u": 0.02},
                "cone_height": "1400 um",
                "parallel": 3,
                "series": 4,
            },
        },
        "oil": {"name": "75W-140", "viscosity_40": "110 cSt", "viscosity_100": {"value": 15, "u": 0.5}},
        "reference": {"temperature": "131 degF", "speed_difference": "30 rpm"},
        "limits": {
            "preload_torque": ["7 daN.m", "90 N.m"],
            "ramp_bias_drive": [0.45, 0.55],
            "ramp_bias_coast": ["24 %", 0.36],
            "temperature": "68 degF",
            "speed_difference": "3 rpm",
            "face_wear": "0.06 mm",
        },
        "map": {
            "input_torque": ["-0.4 kN.m", 900],
            "speed_difference": ["15 rpm", "150 rpm"],
            "temperature": [20, "230 degF"],
        },
        "gear_friction": {"value": 0.02, "u": 0.008},
    }
    rpm = math.pi / 30.0

    def near(*numbers: float) -> object:
        return pytest.approx(numbers if len(numbers) > 1 else numbers[0], rel=1e-9)

    angle = math.radians
    assert Build.model_validate(stated).model_dump() == {
        "format": "diffbench-build/1",
        "unit": "Q17",
        "build": "Q17-2",
        "note": "dry",
        "distance": near(12e3),
        "packs": {
            "faces": 6,
            "inner_radius": q(0.037, 0.2e-3),
            "outer_radius": q(0.0545),
            "contact": "uniform-pressure",
            "plate_mass": q(1.9, 0.02),
            "specific_heat": q(470.0),
        },
        "ramps": {
            "pin_radius": q(0.039),
            "angle_from": "axis",
            "drive_angle": q(angle(42.0), angle(0.3)),
            "coast_angle": q(angle(57.0)),
            "rings_in_stock": [near(angle(30.0), angle(57.0))],
            "gear_friction": None,
        },
        "preload": {
            "law": "greater-of",
            "spring_force": q(1950.0, 60.0),
            "shim": q(0.2e-3),
            "shims_in_stock": near(0.1e-3, 0.25e-3),
            "joint_fraction": q(0.05, 0.01),
            "disc_spring": {
                "outer_diameter": q(0.095),
                "inner_diameter": q(0.072),
                "thickness": q(1.6e-3, 0.02e-3),
                "cone_height": q(1.4e-3),
                "parallel": 3,
                "series": 4,
            },
        },
        "oil": {"name": "75W-140", "viscosity_40": q(110e-6), "viscosity_100": q(15e-6, 0.5e-6)},
        "reference": {"temperature": near(55.0), "speed_difference": near(30.0 * rpm)},
        "limits": {
            "locking_torque_sense": "difference",
            "preload_torque": near(70.0, 90.0),
            "ramp_bias_drive": near(0.45, 0.55),
            "ramp_bias_coast": near(0.24, 0.36),
            "temperature": near(20.0),
            "speed_difference": near(3.0 * rpm),
            "face_wear": near(60e-6),
            "gear_friction": None,
        },
        "map": {
            "input_torque": near(-400.0, 900.0),
            "speed_difference": near(15.0 * rpm, 150.0 * rpm),
            "temperature": near(20.0, 110.0),
        },
        "gear_friction_stated": q(0.02, 0.008),
    }


def test_the_rig_of_a_file_of_its_own_kind_is_kept_whole() -> None:
    """Every key of file and bench; a unit, words and a delimiter by its name."""
    stated = {
        "format": "diffbench-rig/1",
        "name": "Shed",
        "note": "moved",
        "arrangement": "output-turned-case-free",
        "outputs": "reaction",
        "file": {
            "delimiter": "semicolon",
            "decimal": ",",
            "thousands": ".",
            "encoding": "latin-1",
            "skip_rows": 3,
            "units_row": False,
            "sheet": "A",
            "group": "B",
            "sample_rate": "0.2 kHz",
        },
        "channel": {
            "turning_torque": {"column": "W", "unit": "lbf.ft"},
            "direction": {"column": "D", "values": {"vor": "forward"}},
        },
        "turning_speed": ["1 rpm", "0.3 rad/s"],
        "cross_talk": "0.2 %",
        "repeatability": {"preload_torque": "1.5 %", "ramp_bias": 0.01},
        "allowance": {"fitted_once": 0.002, "one_way": 0.011, "cross_talk": 0.003, "oil_sensor": 0.021,
                      "hysteresis": 0.0006, "running_in": 0.04},
    }  # fmt: skip
    kept = Rig.model_validate(stated).model_dump()
    channels = kept.pop("channel")
    del stated["channel"]
    assert kept == stated | {
        "file": {**stated["file"], "delimiter": ";", "encoding": "iso8859-1", "sample_rate": 200.0},  # type: ignore[dict-item]
        "turning_speed": pytest.approx((math.pi / 30.0, 0.3)),
        "cross_talk": pytest.approx(0.002),
        "repeatability": {"preload_torque": pytest.approx(0.015), "ramp_bias": 0.01},
    }
    wrench, way = channels["turning_torque"], channels["direction"]
    assert (wrench["name"], wrench["unit"], wrench["values"]) == ("turning_torque", "lbf.ft", None)
    assert (way["name"], way["column"], way["values"]) == ("direction", "D", {"vor": "forward"})
