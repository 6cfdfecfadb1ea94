"""The law as C99: its step for hosts of fixed steps and its rates for solvers, in one header and one source.

Language: ISO/IEC 9899:1999; written with MISRA C:2012 in mind. The code stands in ``c/law.h`` and
``c/law.c``; the unit for co-simulation and model exchange is made of the same.
"""

from __future__ import annotations

import math

from diffbench._version import __version__
from diffbench.errors import OutputError
from diffbench.exports.c_source import about_lines, c_identifier, fill_template
from diffbench.results.fitted_law import FittedLaw
from diffbench.results.locking_map import LockingMap

__all__ = ["export_c_law", "law_in", "law_sources"]


def export_c_law(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The law as ``name``_law.h and ``name``_law.c; its functions begin with that name.

    Raises
    ------
    OutputError
        The map carries no law (`law_in`).
    """
    sources = law_sources(locking_map, name)
    return {f"{name}_law{suffix}": text.encode("utf-8") for suffix, text in sources.items()}


def law_in(locking_map: LockingMap) -> FittedLaw:
    """The law that a map carries. Raises ``OutputError`` where it was made by hand or by an older version."""
    law = locking_map.document.fitted_law
    if law is None:
        raise OutputError.single(
            "the map holds its nodes and not the law that they are of, which this format needs",
            mend="make the map again with diffbench fit; c, python, modelica and others need the nodes alone",
        )
    return law


def law_sources(locking_map: LockingMap, name: str) -> dict[str, str]:
    """Header and source by suffix, ``.h`` and ``.c`` (see `export_c_law`)."""
    law = law_in(locking_map)
    filled = {
        "ABOUT": about_lines(locking_map),
        "FITTED": _fitted(law),
        "GUARD": c_identifier(name).upper(),
        "NAME": name,
        "PREFIX": c_identifier(name),
        "PRELOAD": f"{law.value('preload_torque'):.6g}",
        "VERSION": __version__,
    }
    return {suffix: fill_template(f"law{suffix}", filled) for suffix in (".h", ".c")}


def constants(law: FittedLaw) -> dict[str, float]:
    """What the law's code is filled with, by the names that it has there."""
    friction, preload = law.friction_law, law.preload_law
    exponent = law.unit_quantities().friction_law.exponent
    if exponent not in {1.0, 2.0} or preload not in {"additive", "greater-of"}:
        raise OutputError.single(
            f"the law '{preload}, {friction}' has no code in this format",
            mend="export its nodes: --to c or json",
        )
    relative = (
        0.5 * law.effective_radius_m * law.reference_speed_difference_rad_s / law.value("stribeck_speed")
    )
    heat = {name: law.value(name) for name in ("heat_capacity", "heat_conductance")}
    return {
        "PRELOAD": law.value("preload_torque"),
        "DRIVE_BIAS": law.value("ramp_bias_drive_loading"),
        "COAST_BIAS": law.value("ramp_bias_coast_loading"),
        "DRIVE_RATIO": law.value("unloading_ratio_drive"),
        "COAST_RATIO": law.value("unloading_ratio_coast"),
        # both always add where the ramps' whole part reaches the plates
        "JOINT_FRACTION": 1.0 if preload == "additive" else min(max(law.value("joint_fraction"), 0.0), 0.999),
        "GEAR_FRICTION": law.value("gear_friction"),
        "VISCOUS": law.value("viscous_coefficient"),
        "VISCOUS_EXPONENT": law.value("viscous_temperature_coefficient"),
        "STATIC_EXCESS": law.value("static_excess"),
        "STRIBECK_SPEED": law.value("stribeck_speed"),
        "STRIBECK_EXPONENT": exponent,
        "AT_REFERENCE": 1.0 + law.value("static_excess") * math.exp(-(relative**exponent)),
        "TEMPERATURE_COEFFICIENT": law.value("friction_temperature_coefficient"),
        "REFERENCE_TEMPERATURE": law.reference_temperature_degC,
        "EFFECTIVE_RADIUS": law.effective_radius_m,
        **{name.upper(): value for name, value in heat.items()},
    }


def _fitted(law: FittedLaw) -> str:
    return "\n".join(f"#define {name} ({value!r})" for name, value in constants(law).items())
