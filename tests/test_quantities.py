"""Units come out right or are refused, never silently wrong.

Expected factors: exact definitions of NIST SP 811 (2008), appendix B.8 (lbf.ft = 1.355 817 948 331 400 4 N·m,
lbf = 4.448 221 615 260 5 N, kgf = 9.806 65 N, in = 25.4 mm, ft = 304.8 mm, mi = 1609.344 m,
lb = 0.453 592 37 kg, degF by (x - 32)/1.8), and of the BIPM SI Brochure, 9th edition, table 8 (min, h,
degree); status: memory, and derived again here from the definitions of pound, inch and gravity alone.
Tolerance: 4 units in the last place of a double, the rounding of a few products.
"""

from __future__ import annotations

import math

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diffbench.errors import QuantityError
from diffbench.quantities import (
    DIMENSIONS,
    Conversion,
    Quantity,
    conversion,
    knows,
    parse_quantity,
    spellings,
)
from diffbench.unit_spellings import REFUSED, TABLE

ROUNDING = 4 * np.finfo(float).eps

# The three definitions from which every customary factor follows.
POUND, GRAVITY, INCH = 0.45359237, 9.80665, 0.0254
POUND_FORCE, FOOT = POUND * GRAVITY, 12 * INCH
POUND_FOOT = POUND_FORCE * FOOT
RPM = 2 * math.pi / 60

READ = {
    "torque": {
        1.0: "Nm|N·m|N.m|N m|N-m|N⋅m|N*m|NM|nm|N\u00a0m|Newton metre|newton-meters",
        1e3: "kNm|kN.m|kN·m|KNM",
        10.0: "daN.m|daNm|DANM",
        0.1: "dNm",
        1e-2: "cNm|N.cm|Ncm",
        1e-3: "Nmm|N.mm|N·mm|mN.m|mNm|NMM",
        POUND_FOOT: "lbf.ft|lbf·ft|lb-ft|lb.ft|lb ft|lbft|ft-lb|ft lb|ftlb|ft.lbf|FT-LBS|lbf.Ft|foot-pounds",
        POUND_FORCE * INCH: "lbf.in|lb-in|in-lb|in.lbf|inlb|IN-LBS|lbs in",
        POUND_FORCE * INCH / 16: "ozf.in|oz-in",
        GRAVITY: "kgf.m|kgf·m|kgfm|kgm|kg·m|kg.m|mkg|kp.m|kpm",
        GRAVITY * 1e-2: "kgf.cm|kg.cm|kgcm|kgf·cm",
    },
    "angular_speed": {
        1.0: "rad/s|rad s⁻¹|rad·s^-1|RAD/S|rad / s",
        RPM: "rpm|RPM|Rpm|r.p.m.|1/min|1 / min|min-1|min^-1|min⁻¹|min**-1|U/min|u/min|U/min.|Upm"
        "|r/min|rev/min|tr/min|/min",
        2 * math.pi: "rps|rev/s|U/s",
        math.pi / 180: "deg/s|°/s",
    },
    "time": {1.0: "s|sec|S|seconds", 1e-3: "ms|MS|msec", 1e-6: "us|µs|μs", 60.0: "min|MIN", 3600.0: "h|hr"},
    "frequency": {1.0: "Hz|hz|1/s|s⁻¹", 1e3: "kHz|KHZ", 1 / 60: "1/min"},
    "length": {
        1.0: "m",
        1e-3: "mm|MM",
        1e-2: "cm",
        1e-6: "µm|μm|um|microns",
        INCH: 'in|inch|"',
        INCH / 1000: "thou",
        FOOT: "ft",
        1e3: "km",
        1609.344: "mi|miles",
    },
    "force": {1.0: "N|n", 1e3: "kN|KN", 10.0: "daN", POUND_FORCE: "lbf|LBF", GRAVITY: "kgf|kp"},
    "mass": {1.0: "kg|KG|Kg", 1e-3: "g", POUND: "lb|lbs|lbm", POUND / 16: "oz"},
    "inertia": {
        1.0: "kg.m^2|kg·m²|kgm²|kg m2|kg-m^2|kg*m**2|N.m.s²",
        1e-4: "kg.cm^2|kg·cm²",
        1e-6: "kg·mm²",
        1e-3: "g·m²",
        1e-7: "g.cm^2",
        POUND * FOOT**2: "lb.ft^2|lbm·ft²",
        POUND * INCH**2: "lb.in^2",
        POUND_FORCE * FOOT: "lbf.ft.s²|slug.ft^2",
        POUND_FORCE * INCH: "lbf.in.s²",
    },
    "kinematic_viscosity": {1e-6: "mm²/s|mm2/s|mm^2/s|mm**2/s|cSt|CST", 1.0: "m²/s|m^2/s", 1e-4: "St"},
    "angle": {math.pi / 180: "deg|°|º|degrees", 1.0: "rad", 1e-3: "mrad", 2 * math.pi: "turns"},
    "stiffness": {
        1e3: "N/mm|kN/m",
        1.0: "N/m",
        1e4: "daN/mm",
        1e6: "kN/mm|N/µm",
        GRAVITY * 1e3: "kgf/mm",
        POUND_FORCE / INCH: "lbf/in",
    },
    "acceleration": {1.0: "m/s²|m.s-2", GRAVITY: "g"},
    "pressure": {
        1e5: "bar|Bar|BAR",
        1e3: "kPa|KPA",
        1e6: "MPa|MPA|N/mm²",
        1.0: "Pa",
        100.0: "mbar|hPa",
        POUND_FORCE / INCH**2: "psi|PSI|lbf/in²",
        GRAVITY * 1e4: "kgf/cm²",
    },
    "torque_per_pressure": {
        1e-5: "N.m/bar|Nm/bar",
        1e-3: "Nm/kPa",
        1e-6: "N·m/MPa",
        POUND_FOOT * INCH**2 / POUND_FORCE: "lbf.ft/psi",
    },
    "speed": {
        1.0: "m/s|m·s⁻¹",
        1 / 3.6: "km/h|kph|km·h⁻¹",
        1609.344 / 3600: "mph",
        1e-3: "mm/s",
        FOOT: "ft/s",
    },
    "heat_capacity": {1.0: "J/K|J/°C", 1e3: "kJ/K"},
    "specific_heat_capacity": {1.0: "J/(kg.K)|J/(kg K)|J/(kg·K)|J/kg/K|J/kgK", 1e3: "kJ/(kg K)|J/(g K)"},
    "heat_conductance": {1.0: "W/K|W/°C", 1e3: "kW/K"},
    "temperature_difference": {1.0: "K|°C|degC", 5 / 9: "degF|°F"},
    "dimensionless": {1.0: "1|-", 1e-2: "%|percent", 1e-3: "‰"},
}
READ["distance"] = READ["length"]
CASES = [
    (dimension, text, factor)
    for dimension, factors in READ.items()
    for factor, texts in factors.items()
    for text in texts.split("|")
]


@pytest.mark.parametrize(("dimension", "text", "factor"), CASES)
def test_spellings_of_benches_come_out_right(dimension: str, text: str, factor: float) -> None:
    unit = conversion(text, dimension)
    assert unit.scale == pytest.approx(factor, rel=ROUNDING)
    assert unit.to_si(3.0) == pytest.approx(3.0 * factor, rel=ROUNDING)


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_what_is_known_is_what_converts(dimension: str) -> None:
    """Of every spelling of every dimension, of refused ones, and of none."""
    texts = {text for _, text, _ in CASES} | {"1/s", "J", "lb", "Mm", "PS", "", " ", "rpm!", "[Nm]"}
    for text in texts:
        try:
            converts = conversion(text, dimension).dimension == dimension
        except QuantityError:
            converts = False
        assert knows(text, dimension) is converts, text


def test_the_pound_foot_has_all_its_printed_digits() -> None:
    # NIST SP 811 (2008), B.8: lbf.ft 1.355 818, exact 1.355 817 948 331 400 4; lbf.in 1.129 848 E-01.
    assert conversion("lbf.ft", "torque").scale == pytest.approx(1.3558179483314004, abs=5e-17)
    assert conversion("lbf.in", "torque").scale == pytest.approx(0.1129848, abs=0.5e-7)  # its printed digits


@pytest.mark.parametrize(
    ("text", "reading", "celsius"),
    [
        ("degC", 60.0, 60.0),
        ("C", 60.0, 60.0),
        ("℃", 60.0, 60.0),
        ("ºC", 60.0, 60.0),
        ("deg C", 60.0, 60.0),
        ("° C", 60.0, 60.0),
        ("DEG C", 60.0, 60.0),
        ("Celsius", 60.0, 60.0),
        ("K", 273.15, 0.0),  # SI Brochure 2.3.1: t/degC = T/K - 273.15
        ("°F", 212.0, 100.0),
        ("degF", 32.0, 0.0),
        ("F", -40.0, -40.0),
        ("fahrenheit", 140.0, 60.0),
    ],
)
def test_temperatures_have_their_zero(text: str, reading: float, celsius: float) -> None:
    # 1e-12: rounding of 273.15 in a double is 3e-14, of the products less.
    assert conversion(text, "temperature").to_si(reading) == pytest.approx(celsius, abs=1e-12)


@pytest.mark.parametrize(
    ("dimension", "text", "what", "mend"),
    [
        ("angular_speed", "1/s", "turns or radians", "rps"),
        ("angular_speed", "Hz", "turns or radians", "rad/s"),
        ("angular_speed", "s⁻¹", "turns or radians", "rps"),
        ("angular_speed", "PS", "no known unit", "rpm"),
        ("torque", "rpm", "an angular speed, a torque is wanted", "N.m"),
        ("torque", "N/m", "a stiffness, a torque is wanted", "N.m"),
        ("torque", "PS", "no known unit", "N.m"),
        ("torque", "MNm", "no known unit", "N.m"),
        ("torque", "lb/ft", "over a length", "lbf.ft"),
        ("torque", "J", "an energy", "N.m"),
        ("torque", "N m²", "no known unit", "N.m"),
        ("torque", "lbf.tf", "no known unit", "lbf.ft"),
        ("torque", "", "empty", "N.m"),
        ("torque", "[Nm]", "no known unit", "N.m"),
        ("length", "Mm", "upper and lower case matter", "mm"),
        ("length", "M", "upper and lower case matter", "'m'"),
        ("length", "mil", "thousandth of an inch", "thou"),
        ("time", "Ms", "upper and lower case matter", "ms"),
        ("temperature", "k", "upper and lower case matter", "K"),
        ("temperature", "R", "no known unit", "degC"),
        ("temperature", "Â°C", "no known unit", "degC"),
        ("temperature", "Nm", "a torque, a temperature is wanted", "degC"),
        ("force", "lb", "a mass, a force is wanted", "lbf"),
        ("force", "kg", "a mass, a force is wanted", "kgf"),
        ("angle", "grad", "German", "deg"),
        ("inertia", "kgf·m²", "GD²", "kg.m2"),
        ("kinematic_viscosity", "cP", "dynamic viscosity", "density"),
        ("kinematic_viscosity", "SUS", "flow time", "D2161"),
        ("kinematic_viscosity", "Mm2/s", "upper and lower case matter", "mm2/s"),
        ("stiffness", "N/Mm", "upper and lower case matter", "N/mm"),
    ],
)
def test_what_could_mean_something_else_is_refused_by_name(
    dimension: str, text: str, what: str, mend: str
) -> None:
    with pytest.raises(QuantityError) as caught:
        conversion(text, dimension)
    (fault,) = caught.value.faults
    assert what in fault.what
    assert mend in fault.mend


@pytest.mark.parametrize("dimension", [*TABLE])
def test_no_spelling_of_the_table_has_two_meanings(dimension: str) -> None:
    """Neither as written nor with its case forgiven, in any way to join its parts."""
    meanings: dict[str, set[tuple[float, float]]] = {}
    for scale, shift, row in TABLE[dimension]:
        for word in row.split():
            strict = word.endswith("!")
            for joint in (".", "-", " ", ""):
                text = word.rstrip("!").replace(".", joint)
                meanings.setdefault(text, set()).add((scale, shift))
                if not strict:
                    meanings.setdefault(text.casefold(), set()).add((scale, shift))
    assert {text: found for text, found in meanings.items() if len(found) > 1} == {}


@pytest.mark.parametrize("dimension", [name for name in TABLE if name != "temperature"])
def test_every_row_of_the_table_is_among_the_definitions(dimension: str) -> None:
    """No factor stands there that nothing above derives; temperatures have their zero as well, see there."""
    derived = [pytest.approx(factor, rel=ROUNDING) for factor in READ[dimension]]
    assert [row for row in TABLE[dimension] if row[0] not in derived or row[1] != 0.0] == []
    assert len(TABLE[dimension]) == len(derived)


@pytest.mark.parametrize("dimension", [*TABLE])
def test_every_spelling_of_the_table_is_read_as_its_own_row(dimension: str) -> None:
    for scale, shift, row in TABLE[dimension]:
        for word in row.split():
            text = word.rstrip("!")
            if text.casefold() not in REFUSED.get(dimension, {}):
                unit = conversion(text, dimension)
                assert (unit.scale, unit.shift) == (scale, shift), text
    assert tuple(TABLE) == DIMENSIONS


# What pint reads as the trade means it; the traps (Nm, 1/min, U/min, ...) are above, against definitions.
ORACLE = {
    "torque": [
        "newton * meter",
        "kilonewton * meter",
        "force_pound * foot",
        "force_pound * inch",
        "kilogram_force * meter",
    ],
    "angular_speed": ["rpm", "radian / second", "degree / second"],
    "temperature": ["degC", "kelvin", "degF"],
    "length": ["mm", "micrometer", "inch", "thou", "mile"],
    "force": ["newton", "kilonewton", "force_pound", "kilogram_force"],
    "kinematic_viscosity": ["centistokes", "mm ** 2 / s"],
    "inertia": ["kilogram * meter ** 2", "pound * foot ** 2", "slug * foot ** 2"],
    "speed": ["km / hour", "mile / hour"],
}
OURS = {
    "newton * meter": "N.m",
    "kilonewton * meter": "kN.m",
    "force_pound * foot": "lbf.ft",
    "force_pound * inch": "lbf.in",
    "kilogram_force * meter": "kgf.m",
    "radian / second": "rad/s",
    "degree / second": "deg/s",
    "kelvin": "K",
    "micrometer": "um",
    "newton": "N",
    "kilonewton": "kN",
    "force_pound": "lbf",
    "kilogram_force": "kgf",
    "centistokes": "cSt",
    "mm ** 2 / s": "mm2/s",
    "kilogram * meter ** 2": "kg.m2",
    "pound * foot ** 2": "lb.ft2",
    "slug * foot ** 2": "slug.ft2",
    "km / hour": "km/h",
    "mile / hour": "mph",
}
SI = {
    "torque": "newton * meter",
    "angular_speed": "radian / second",
    "temperature": "degC",
    "length": "meter",
    "force": "newton",
    "kinematic_viscosity": "m ** 2 / s",
    "inertia": "kilogram * meter ** 2",
    "speed": "m / s",
}


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry(cache_folder=None)


@pytest.mark.parametrize(("dimension", "text"), [(d, text) for d, texts in ORACLE.items() for text in texts])
def test_an_independent_library_agrees(registry: pint.UnitRegistry[float], dimension: str, text: str) -> None:
    oracle = registry.Quantity(77.0, text).to(SI[dimension]).magnitude
    # 1e-12: pint multiplies a chain of factors, and takes 459.67 off for Fahrenheit.
    assert conversion(OURS.get(text, text), dimension).to_si(77.0) == pytest.approx(oracle, rel=1e-12)


@given(st.sampled_from([(d, unit) for d in DIMENSIONS for unit in spellings(d)]), st.floats(-1e6, 1e6))
def test_there_and_back_again(known: tuple[str, str], reading: float) -> None:
    unit = conversion(known[1], known[0])
    # The shift of a temperature costs digits below 1e-13 of it; a factor costs a rounding or two.
    assert unit.from_si(unit.to_si(reading)) == pytest.approx(reading, rel=1e-14, abs=1e-12)


@given(st.floats(-200.0, 500.0), st.floats(-200.0, 500.0), st.sampled_from(["degC", "K", "degF"]))
def test_a_difference_of_temperatures_has_no_zero(first: float, second: float, text: str) -> None:
    unit, difference = conversion(text, "temperature"), conversion(text, "temperature_difference")
    assert unit.to_si(first) - unit.to_si(second) == pytest.approx(difference.to_si(first - second), abs=1e-9)
    assert unit.scale == difference.scale


def test_arrays_keep_their_shape_and_their_gaps() -> None:
    converted = conversion("rpm", "angular_speed").to_si(np.array([[60.0, np.nan], [0.0, -60.0]]))
    assert converted.shape == (2, 2)
    assert np.isnan(converted[0, 1])
    assert converted[1, 1] == pytest.approx(-2 * math.pi, rel=ROUNDING)


@pytest.mark.parametrize(
    ("text", "dimension", "bare_unit", "value"),
    [
        ("110 mm", "length", "mm", 0.110),
        ("12 lbf.ft", "torque", "N.m", 12 * POUND_FORCE * FOOT),
        ("60 degC", "temperature", "degC", 60.0),
        ("60C", "temperature", "degC", 60.0),
        ("-40°F", "temperature", "degC", -40.0),
        ("1e3 N.m", "torque", "N.m", 1000.0),
        ("1.5E-3 kN.m", "torque", "N.m", 1.5),
        (" +.5 N.m ", "torque", "N.m", 0.5),
        ("−0.5 N.m", "torque", "N.m", -0.5),
        ("500 1/min", "angular_speed", "rad/s", 500 * RPM),
        ("45°", "angle", "deg", math.pi / 4),
        ("0.15 %", "dimensionless", "1", 0.0015),
        ("0.965", "dimensionless", "1", 0.965),
        (36.9, "length", "mm", 0.0369),
        (60, "temperature", "degC", 60.0),
        (0, "torque", "N.m", 0.0),
    ],
)
def test_numbers_with_units_become_si(
    text: str | float, dimension: str, bare_unit: str, value: float
) -> None:
    # abs: 40 degF in doubles misses -40 degC by 1e-14
    assert parse_quantity(text, dimension, bare_unit) == pytest.approx(value, rel=ROUNDING, abs=1e-13)


@pytest.mark.parametrize(
    ("text", "dimension", "what"),
    [
        ("-0,5 N.m", "torque", "decimal comma"),
        ("1,500 N.m", "torque", "decimal comma or a thousands mark"),
        ("1'500 N.m", "torque", "thousands mark"),
        ("1_500 N.m", "torque", "thousands mark"),
        ("1 500 N.m", "torque", "no known unit"),
        ("1.2.3 N.m", "torque", "no known unit"),
        ("12", "torque", "has no unit"),
        ("N.m", "torque", "does not begin with a number"),
        ("", "torque", "does not begin with a number"),
        ("nan N.m", "torque", "does not begin with a number"),
        ("inf N.m", "torque", "does not begin with a number"),
        ("0x10 N.m", "torque", "no known unit"),
        ("1e400 N.m", "torque", "no usable number"),
        ("1e13 N.m", "torque", "no usable number"),
        ("1850 ± 60 N", "force", "has its uncertainty in the text"),
        ("1850 +/- 60 N", "force", "has its uncertainty in the text"),
        ("-300 degC", "temperature", "below absolute zero"),
        ("-1 K", "temperature", "below absolute zero"),
        (math.nan, "torque", "no usable number"),
        (math.inf, "torque", "no usable number"),
        (-1e13, "torque", "no usable number"),
        (True, "torque", "no numbers"),
        ("12 mm", "torque", "a length, a torque is wanted"),
    ],
)
def test_what_is_no_number_with_a_unit_is_refused(text: str | float, dimension: str, what: str) -> None:
    with pytest.raises(QuantityError, match=what):
        parse_quantity(text, dimension, "N.m" if dimension == "torque" else spellings(dimension)[0])


@given(st.floats(-1e6, 1e6), st.sampled_from([d for d in DIMENSIONS if d != "temperature"]))
def test_what_is_written_is_read(value: float, dimension: str) -> None:
    unit = spellings(dimension)[0]
    assert parse_quantity(f"{value!r} {unit}", dimension, unit) == parse_quantity(value, dimension, unit)


@given(st.text(max_size=12), st.sampled_from(DIMENSIONS))
def test_any_text_is_read_or_refused_with_a_mend(text: str, dimension: str) -> None:
    try:
        value, faults = parse_quantity(text, dimension, spellings(dimension)[0]), ()
    except QuantityError as error:
        value, faults = 0.0, error.faults
    assert math.isfinite(value)
    assert all(fault.mend for fault in faults)


def test_a_quantity_without_an_uncertainty_says_so() -> None:
    assert Quantity(1850.0).u is None
    assert Quantity(1850.0, 60.0) == Quantity(value=1850.0, u=60.0)


def test_a_conversion_without_a_zero_has_none() -> None:
    assert Conversion("dozen", "dimensionless", 12.0).to_si(2.5) == 30.0


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("1e12 N.m", "torque", 1e12),
        ("-1e12 N.m", "torque", -1e12),
        ("-273.15 degC", "temperature", -273.15),
        ("3 m.", "length", 3.0),  # a full stop behind a unit, however short, is none of it
    ],
)
def test_ends_of_what_is_usable(text: str, dimension: str, value: float) -> None:
    """The largest and the coldest are read, a little more is not."""
    assert parse_quantity(text, dimension, spellings(dimension)[0]) == value
    if abs(value) > 10.0:
        number, unit = text.split()
        with pytest.raises(QuantityError, match=r"no usable number|below absolute zero"):
            parse_quantity(f"{float(number) * 1.001!r} {unit}", dimension, unit)


@pytest.mark.parametrize(
    ("text", "dimension", "bare", "mend"),
    [
        ("1 PS", "torque", "N.m", "write 'N.m' or 'kN.m' or 'daN.m' or 'dN.m'"),  # four, and no more
        ("1 Mm", "length", "mm", "write 'mm'"),
        ("1 .", "length", "mm", "write 'm' or 'mm' or 'cm' or 'km'"),
        ("twelve", "torque", "N.m", "write for example '12 N.m'"),
        ("half", "dimensionless", "1", "write for example 0.5"),
        ("12", "torque", "lbf.ft", "write '12 lbf.ft'"),
        ("1e13 N.m", "torque", "N.m", "write a finite number, below 1e12 in SI"),
    ],
)
def test_mends_word_by_word(text: str, dimension: str, bare: str, mend: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, dimension, bare)
    (fault,) = caught.value.faults
    assert fault.mend == mend
