"""The law as C99: its step for hosts of fixed steps and its rates for solvers, in one header and one source.

Language: ISO/IEC 9899:1999; written with MISRA C:2012 in mind. The code stands in ``c/law.h`` and
``c/law.c``; the unit for co-simulation and model exchange is made of the same.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from diffbench._version import __version__
from diffbench.errors import OutputError
from diffbench.exports.c_source import about_lines, c_identifier, fill_template
from diffbench.physics.arguments import Floats
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive, GreaterOf
from diffbench.physics.steady import steady_locking_torque
from diffbench.plain_text import per_cent
from diffbench.results.fitted_law import FittedLaw
from diffbench.results.locking_map import BRANCHES, Branch, LockingMap

__all__ = ["as_measured", "constants", "export_c_law", "law_alone", "law_in", "law_sources"]


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


def as_measured(locking_map: LockingMap) -> bool:
    """Whether a map shows what was measured, and not the law."""
    return (locking_map.document.shows or "").startswith("as measured")


def law_alone(locking_map: LockingMap) -> tuple[str, ...]:
    """What a copy of the law says where it is not what its map shows: the map shows what was measured, or is
    of packs that differ; else nothing."""
    said: list[str] = []
    if as_measured(locking_map):
        beside = locking_map.document.branches
        by_the_law: dict[Branch, Floats] = {
            branch: np.array(held.by_the_law_Nm)
            for branch in BRANCHES
            if (held := beside.get(branch)) is not None and held.by_the_law_Nm is not None
        }
        said.append(
            "This is the law alone. The map shows the locking torque as measured, which is up to "
            f"{per_cent(_furthest(locking_map, by_the_law))} % apart where it was tested."
        )
    law = locking_map.document.fitted_law
    if law is not None and (unit := law.unit_quantities()).packs_apart != (0.0, 0.0):
        alike, place = replace(unit, packs_apart=(0.0, 0.0)), np.meshgrid(*locking_map.axes, indexing="ij")
        both: tuple[Branch, ...] = ("loading", "unloading")
        by_alike: dict[Branch, Floats] = {
            branch: steady_locking_torque(alike, *place, branch) for branch in both
        }
        said.append(
            "The packs differ, so that slip one way round locks more than the other. This law is of the mean "
            "of both packs and knows no way round; the map, the mean of both ways, is up to "
            f"{per_cent(_furthest(locking_map, by_alike))} % apart where it was tested."
        )
    return tuple(said)


def _furthest(locking_map: LockingMap, other: Mapping[Branch, Floats]) -> float:
    """The largest share by which locking torques at the nodes, by branch, are apart from the map where it was
    tested."""
    found = [0.0]
    for branch, torque in other.items():
        tested = locking_map.tested[branch]
        share = np.abs(torque / np.maximum(locking_map.values[branch], 1e-9) - 1.0)
        found.append(float(share[tested].max(initial=0.0)))
    return max(found)


def law_sources(locking_map: LockingMap, name: str) -> dict[str, str]:
    """Header and source by suffix, ``.h`` and ``.c`` (see `export_c_law`)."""
    law = law_in(locking_map)
    filled = {
        "ABOUT": about_lines(locking_map, *law_alone(locking_map)),
        "FITTED": _fitted(law),
        "GUARD": c_identifier(name).upper(),
        "NAME": name,
        "PREFIX": c_identifier(name),
        "PRELOAD": f"{law.value('preload_torque'):.6g}",
        "VERSION": __version__,
    }
    return {suffix: fill_template(f"law{suffix}", filled) for suffix in (".h", ".c")}


def constants(law: FittedLaw) -> dict[str, float]:
    """What the law's code is filled with, by the names that it has there. Raises ``OutputError`` for a law
    that the code does not know."""
    unit = law.unit_quantities()
    if not isinstance(unit.preload_law, Additive | GreaterOf) or not isinstance(unit.friction_law, Stribeck):
        raise OutputError.single(
            f"the law '{law.preload_law}, {law.friction_law}' has no code in this format",
            mend="export its nodes: --to c or json",
        )
    excess, stribeck_speed = unit.friction_values
    exponent = float(unit.friction_law.exponent or 1.0)
    reference = 0.5 * unit.effective_radius * unit.reference_speed_difference / stribeck_speed
    return {
        "PRELOAD": unit.preload_torque,
        "DRIVE_BIAS": unit.drive_bias,
        "COAST_BIAS": unit.coast_bias,
        "DRIVE_RATIO": unit.drive_ratio,
        "COAST_RATIO": unit.coast_ratio,
        # max(P + share K w, K w): where all of the ramps' part reaches the plates, both add
        "CLOSED_SHARE": unit.preload_law.closed_share(unit.preload_values),
        "GEAR_FRICTION": unit.gear_friction,
        "VISCOUS": unit.viscous,
        "VISCOUS_EXPONENT": unit.viscous_exponent,
        "STATIC_EXCESS": excess,
        "STRIBECK_SPEED": stribeck_speed,
        "STRIBECK_EXPONENT": exponent,
        "AT_REFERENCE": 1.0 + excess * math.exp(-(reference**exponent)),
        "TEMPERATURE_COEFFICIENT": unit.temperature_coefficient,
        "REFERENCE_TEMPERATURE": unit.reference_temperature,
        "EFFECTIVE_RADIUS": unit.effective_radius,
        **{name.upper(): law.value(name) for name in ("heat_capacity", "heat_conductance")},
    }


def _fitted(law: FittedLaw) -> str:
    return "\n".join(f"#define {name} ({value!r})" for name, value in constants(law).items())
