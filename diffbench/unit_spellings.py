"""The closed table of unit spellings: what benches and workshops write, and what it is in SI.

Factors are exact by definition: lb = 0.453 592 37 kg, standard gravity = 9.806 65 m/s², in = 25.4 mm,
ft = 304.8 mm, mile = 1609.344 m (NIST SP 811 (2008), appendix B; BIPM, The International System of
Units, 9th edition, table 8 for minute, hour and degree).

A row is ``(scale, shift, spellings)`` with ``SI = (x + shift) * scale``. In a spelling ``.`` joins the parts
of a product and also stands for ``-``, a blank or nothing; ``!`` at its end means that upper and lower case
matter. The first spelling of a row is the one that messages use; the commonest unit stands first.

The table is closed because common unit libraries read ``Nm``, ``1/min``, ``U/min`` or ``C`` as something else
in silence, and which spellings they know changes with their version. ``pint`` is an oracle in tests, for the
spellings that it reads right.
"""

from __future__ import annotations

import math

_G = 9.80665  # standard gravity [m/s²]
_LB = 0.45359237  # pound [kg]
_FT, _IN, _MI = 0.3048, 0.0254, 1609.344  # [m]
_TURN = 2.0 * math.pi
_LBF = 4.4482216152605  # pound-force, lb times standard gravity [N]
_LBF_FT, _LBF_IN = 1.3558179483314004, 0.1129848290276167  # [N·m]
_SLUG = _LBF / _FT  # [kg]
_PSI = _LBF / _IN**2  # [Pa]

Row = tuple[float, float, str]
_LENGTH: tuple[Row, ...] = (
    (1.0, 0.0, "m! meter meters metre metres"),
    (1e-3, 0.0, "mm! MM! millimeter millimeters millimetre millimetres"),
    (1e-2, 0.0, "cm"),
    (1e3, 0.0, "km kilometer kilometers kilometre kilometres"),
    (1e-6, 0.0, "um micron microns micrometer micrometers micrometre micrometres"),
    (_IN, 0.0, 'in inch inches "'),
    (_IN * 1e-3, 0.0, "thou"),
    (_FT, 0.0, "ft foot feet"),
    (_MI, 0.0, "mi mile miles"),
)
TABLE: dict[str, tuple[Row, ...]] = {
    "torque": (
        (1.0, 0.0, "N.m newton.meter newton.meters newton.metre newton.metres"),
        (1e3, 0.0, "kN.m"),
        (10.0, 0.0, "daN.m"),
        (0.1, 0.0, "dN.m"),
        (1e-2, 0.0, "cN.m N.cm"),
        (1e-3, 0.0, "mN.m! N.mm! NMM! N.MM!"),
        (
            _LBF_FT,
            0.0,
            "lbf.ft ft.lbf lb.ft ft.lb lbs.ft ft.lbs lb.f.ft pound.foot pound.feet foot.pound foot.pounds",
        ),
        (_LBF_IN, 0.0, "lbf.in in.lbf lb.in in.lb lbs.in in.lbs pound.inch inch.pound inch.pounds"),
        (_LBF_IN / 16, 0.0, "ozf.in in.ozf oz.in in.oz"),
        (_G, 0.0, "kgf.m m.kgf kg.m m.kg kp.m m.kp"),
        (_G * 1e-2, 0.0, "kgf.cm cm.kgf kg.cm cm.kg kp.cm cm.kp"),
    ),
    "angular_speed": (
        (1.0, 0.0, "rad/s rad/sec rad.s-1"),
        (
            _TURN / 60.0,
            0.0,
            (
                "rpm r.p.m r/min rev/min revs/min rev.min-1 r.min-1 1/min /min min-1 U/min Upm Umdr/min"
                " U.min-1 tr/min tr.min-1 giri/min rot/min"
            ),
        ),
        (_TURN, 0.0, "rps r.p.s rev/s revs/s rev/sec r/s U/s tr/s"),
        (math.pi / 180.0, 0.0, "deg/s deg/sec deg.s-1 °/s °/sec"),
    ),
    "temperature": (
        (
            1.0,
            0.0,
            (
                "degC °.C C! deg.C degs.C degree.C degrees.C Cel celsius deg.celsius °celsius"
                " degree.celsius degrees.celsius"
            ),
        ),
        (1.0, -273.15, "K! kelvin kelvins"),
        (
            5.0 / 9.0,
            -32.0,
            (
                "degF °.F F! deg.F degs.F degree.F degrees.F fahrenheit deg.fahrenheit °fahrenheit"
                " degree.fahrenheit degrees.fahrenheit"
            ),
        ),
    ),
    "temperature_difference": (
        (1.0, 0.0, "K! kelvin kelvins degC °C C! deg.C celsius"),
        (5.0 / 9.0, 0.0, "degF °.F F! deg.F fahrenheit"),
    ),
    "time": (
        (1.0, 0.0, "s sec secs second seconds"),
        (1e-3, 0.0, "ms! MS! msec msecs millisecond milliseconds"),
        (1e-6, 0.0, "us! usec microsecond microseconds"),
        (60.0, 0.0, "min mins minute minutes"),
        (3600.0, 0.0, "h hr hrs hour hours"),
    ),
    "frequency": (
        (1.0, 0.0, "Hz hertz 1/s /s s-1 1/sec S/s Sa/s samples/s"),
        (1e3, 0.0, "kHz kS/s"),
        (1.0 / 60.0, 0.0, "1/min /min min-1"),
    ),
    "length": _LENGTH,
    "distance": _LENGTH,
    "force": (
        (1.0, 0.0, "N newton newtons"),
        (1e3, 0.0, "kN"),
        (10.0, 0.0, "daN"),
        (_LBF, 0.0, "lbf lb.f pound.force pounds.force"),
        (_G, 0.0, "kgf kg.f kp"),
    ),
    "mass": (
        (1.0, 0.0, "kg kilogram kilograms"),
        (1e-3, 0.0, "g! gram grams"),
        (_LB, 0.0, "lb lbs lbm pound pounds"),
        (_LB / 16, 0.0, "oz"),
    ),
    "inertia": (
        (1.0, 0.0, "kg.m2 N.m.s2"),
        (1e-4, 0.0, "kg.cm2"),
        (1e-6, 0.0, "kg.mm2!"),
        (1e-3, 0.0, "g.m2!"),
        (1e-7, 0.0, "g.cm2!"),
        (_LB * _FT**2, 0.0, "lb.ft2 lbm.ft2"),
        (_LB * _IN**2, 0.0, "lb.in2 lbm.in2"),
        (_SLUG * _FT**2, 0.0, "slug.ft2 lbf.ft.s2 ft.lbf.s2 lb.ft.s2"),
        (_LBF_IN, 0.0, "lbf.in.s2 in.lbf.s2 lb.in.s2"),
    ),
    "kinematic_viscosity": (
        (1e-6, 0.0, "mm2/s! MM2/S! mm2.s-1! cSt centistokes centistoke"),
        (1.0, 0.0, "m2/s! m2.s-1!"),
        (1e-4, 0.0, "cm2/s St stokes"),
    ),
    "angle": (
        (math.pi / 180.0, 0.0, "deg ° degs degree degrees"),
        (1.0, 0.0, "rad radian radians"),
        (1e-3, 0.0, "mrad!"),
        (_TURN, 0.0, "rev turn turns"),
    ),
    "stiffness": (
        (1e3, 0.0, "N/mm! kN/m!"),
        (1.0, 0.0, "N/m!"),
        (1e4, 0.0, "daN/mm!"),
        (1e6, 0.0, "kN/mm! N/um!"),
        (_G * 1e3, 0.0, "kgf/mm! kg/mm!"),
        (_LBF / _IN, 0.0, "lbf/in lb/in lbs/in"),
    ),
    "acceleration": (
        (1.0, 0.0, "m/s^2 m/s2 m/s² m.s-2"),
        (_G, 0.0, "g gee"),
    ),
    "pressure": (
        (1e5, 0.0, "bar bars"),
        (1e3, 0.0, "kPa kilopascal kilopascals"),
        (1e6, 0.0, "MPa! MPA! N/mm2! megapascal megapascals"),
        (1.0, 0.0, "Pa pascal pascals"),
        (1e2, 0.0, "mbar hPa"),
        (_PSI, 0.0, "psi psig lbf/in2"),
        (_G * 1e4, 0.0, "kgf/cm2 kp/cm2 kg/cm2"),
    ),
    "torque_per_pressure": (
        (1e-5, 0.0, "N.m/bar"),
        (1e-3, 0.0, "N.m/kPa"),
        (1e-6, 0.0, "N.m/MPa! N.m/MPA!"),
        (_LBF_FT / _PSI, 0.0, "lbf.ft/psi ft.lbf/psi lb.ft/psi ft.lb/psi"),
    ),
    "speed": (
        (1.0, 0.0, "m/s m/sec m.s-1"),
        (1.0 / 3.6, 0.0, "km/h km/hr km.h-1 kph kmh kmph"),
        (_MI / 3600.0, 0.0, "mph mi/h"),
        (1e-3, 0.0, "mm/s! mm.s-1!"),
        (_FT, 0.0, "ft/s ft/sec"),
    ),
    "heat_capacity": ((1.0, 0.0, "J/K! J/degC J/°C"), (1e3, 0.0, "kJ/K! kJ/degC kJ/°C")),
    "specific_heat_capacity": (
        (1.0, 0.0, "J/(kg.K) J/kg/K J/kg.K J.kg-1.K-1 J/(kg.°C) J/(kg.degC)"),
        (1e3, 0.0, "kJ/(kg.K) kJ/kg/K kJ/kg.K kJ/(kg.°C) kJ/(kg.degC) J/(g.K) J/g/K"),
    ),
    "heat_conductance": ((1.0, 0.0, "W/K! W/degC W/°C"), (1e3, 0.0, "kW/K! kW/degC kW/°C")),
    "dimensionless": ((1.0, 0.0, "1 -"), (1e-2, 0.0, "% percent per.cent pct"), (1e-3, 0.0, "‰")),
}

# What the dimensions are called in messages.
NAMED = {dimension: f"a {dimension.replace('_', ' ')}" for dimension in TABLE} | {
    "acceleration": "an acceleration",
    "angular_speed": "an angular speed",
    "angle": "an angle",
    "inertia": "a moment of inertia",
    "dimensionless": "a plain number",
}
_NO_TURNS = ("does not say whether it counts turns or radians", "write 'rps' for turns a second, or 'rad/s'")
_NOT_FORCE = ("is a mass, a force is wanted", "write 'lbf', 'kgf' or 'N'")
_QUOTIENT = ("is a force over a length, a torque is a product", "write 'lbf.ft'")
_DYNAMIC = ("is a dynamic viscosity, a kinematic one is wanted", "divide by the density and write 'mm2/s'")
_SAYBOLT = ("is a flow time on no linear scale", "convert it by ASTM D2161 and write 'mm2/s'")
# Spellings that look plausible and mean something else, or two things: reason and mend, by name.
REFUSED: dict[str, dict[str, tuple[str, str]]] = {
    "angular_speed": dict.fromkeys(("1/s", "/s", "s-1", "1/sec", "hz", "khz"), _NO_TURNS),
    "force": dict.fromkeys(("lb", "lbs", "kg", "pound", "pounds"), _NOT_FORCE),
    "torque": dict.fromkeys(
        ("lb/ft", "lbf/ft", "lbs/ft", "ft/lb", "ft/lbs", "ft/lbf", "lb/in", "in/lb"), _QUOTIENT
    )
    | {"j": ("is an energy, a torque is wanted", "write 'N.m'")},
    "kinematic_viscosity": dict.fromkeys(("cp", "mpa.s", "mpas", "pa.s", "pas"), _DYNAMIC)
    | dict.fromkeys(("sus", "ssu"), _SAYBOLT),
    "angle": {"grad": ("is a degree in German and a 400th of a turn elsewhere", "write 'deg'")},
    "inertia": dict.fromkeys(
        ("kgf.m2", "kgfm2", "kp.m2", "kpm2"),
        ("is how GD² is written, four times the moment of inertia times gravity", "write 'kg.m2'"),
    ),
} | dict.fromkeys(
    ("length", "distance"),
    dict.fromkeys(
        ("mil", "mils"),
        ("is a thousandth of an inch to some and a millimetre to others", "write 'thou' or 'mm'"),
    ),
)
