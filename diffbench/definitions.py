"""The table of quantities: what a result calls its numbers, their units, and what they mean.

A name ends in its flank and, for a ramp bias, in its branch. Formulas use the symbols of the guide's page on
numbers. Labels on pages, the schema of a characterisation and the guide's table are all made from it.
"""

from __future__ import annotations

from dataclasses import dataclass

from diffbench.physics.steady import LAW_UNKNOWNS

__all__ = ["DEFINITIONS", "Definition", "name_of", "parts_of"]


def name_of(quantity: str, build: str = "") -> str:
    """Name of a quantity of one build among several; of the only one, or of all, without a build.

    Examples
    --------
    >>> name_of("preload_torque", "D07-2"), name_of("gear_friction")
    ('preload_torque[D07-2]', 'gear_friction')
    """
    return f"{quantity}[{build}]" if build else quantity


def parts_of(name: str) -> tuple[str, str]:
    """Quantity and build of a name.

    Examples
    --------
    >>> parts_of("preload_torque[D07-2]"), parts_of("gear_friction")
    (('preload_torque', 'D07-2'), ('gear_friction', ''))
    """
    quantity, bracket, rest = name.partition("[")
    return (quantity, rest.removesuffix("]")) if bracket else (name, "")


@dataclass(frozen=True)
class Definition:
    """What people read, the unit of the number in a file, the meaning as one phrase, and whether a
    characterisation has a parameter of that name."""

    label: str
    unit: str
    meaning: str
    in_result: bool = True


_BIAS = "locking torque from the ramps per input torque, gear friction apart, at the reference condition: "
_LE = "`LE = T_lock / |T_in|` at the highest tested input torque, loading (SAE J2817); read in per cent"
_TBR = (
    "`TBR = T_high / T_low = (1 + LE)/(1 − LE)` at the same place (SAE J2817); no meaning for LE of 1 or more"
)
_ANGLE = (
    "`β`: ramp angle from the plane of rotation as it acts, worked out from bias and friction, to be held "
    "against the drawing"
)
_LOADING = "`β + φ`: what the loading bias alone shows"
_FRICTION_ANGLE = "`φ`: friction angle of the ramps, from loading against unloading"
_LIMIT = "name of a limit: of the loading bias"

DEFINITIONS: dict[str, Definition] = {
    "preload_torque": Definition(
        "preload torque",
        "N·m",
        "`P`: locking torque without input torque, sliding at the reference condition: `P = 2 μ n R_e F_0`",
    ),
    "ramp_bias_drive": Definition("ramp bias, drive", "1", _LIMIT, in_result=False),
    "ramp_bias_coast": Definition("ramp bias, coast", "1", _LIMIT, in_result=False),
    "ramp_bias_drive_loading": Definition(
        "ramp bias, drive, loading", "1", f"{_BIAS}`K = μ n R_e cot(β + φ) / r_p`"
    ),
    "ramp_bias_drive_unloading": Definition(
        "ramp bias, drive, unloading",
        "1",
        "the same after a much higher torque: `K = μ n R_e cot(β − φ) / r_p`",
    ),
    "ramp_bias_coast_loading": Definition("ramp bias, coast, loading", "1", "the same of the coast flank"),
    "ramp_bias_coast_unloading": Definition(
        "ramp bias, coast, unloading", "1", "the same of the coast flank"
    ),
    "preload_per_shim": Definition(
        "preload per shim",
        "N·m/mm",
        "preload torque that a millimetre of shim adds, between two builds whose shims are neighbours",
    ),
    "gear_friction": Definition(
        "gear-mesh friction",
        "1",
        "`k_gear`: share of the input torque that the bevel gears' mesh friction adds; as the build sheet "
        "states it, sharpened where a greater-of contact is closed and the gears alone follow the torque",
    ),
    "viscous_coefficient": Definition(
        "viscous drag coefficient",
        "N·m·s/rad",
        "`c`: locking torque per speed difference from the oil film, at the reference temperature",
    ),
    "viscous_temperature_coefficient": Definition(
        "viscous fall with temperature", "1/K", "relative fall of `c` per kelvin of oil"
    ),
    **{own.reported: Definition(own.label, own.unit, own.meaning) for own in LAW_UNKNOWNS},
    "friction_temperature_coefficient": Definition(
        "friction slope, temperature", "1/K", "relative change of friction per kelvin of plate temperature"
    ),
    "friction_slope": Definition(
        "friction slope, sliding speed",
        "s/m",
        "relative change of friction per sliding speed at the reference condition; a negative one invites "
        "chatter (SAE J3210)",
    ),
    "heat_capacity": Definition("plate heat capacity", "J/K", "of the plates of both packs"),
    "heat_conductance": Definition(
        "plate-to-oil conductance",
        "W/K",
        "from the plates to the oil: plates run hotter than the oil, and friction follows the plates",
    ),
    "locking_effect_drive": Definition("locking effect, drive", "1", _LE),
    "locking_effect_coast": Definition("locking effect, coast", "1", "the same of the coast flank"),
    "torque_bias_ratio_drive": Definition("torque bias ratio, drive", "1", _TBR),
    "torque_bias_ratio_coast": Definition("torque bias ratio, coast", "1", "the same of the coast flank"),
    "friction_coefficient": Definition(
        "friction coefficient", "1", "`μ`: mean friction coefficient of the plates at the reference condition"
    ),
    "effective_ramp_angle_drive": Definition("effective ramp angle, drive", "deg", _ANGLE),
    "effective_ramp_angle_coast": Definition(
        "effective ramp angle, coast", "deg", "the same of the coast flank"
    ),
    "effective_ramp_angle_drive_loading": Definition("ramp plus friction angle, drive", "deg", _LOADING),
    "effective_ramp_angle_coast_loading": Definition(
        "ramp plus friction angle, coast", "deg", "the same of the coast flank"
    ),
    "ramp_friction_angle_drive": Definition("ramp friction angle, drive", "deg", _FRICTION_ANGLE),
    "ramp_friction_angle_coast": Definition(
        "ramp friction angle, coast", "deg", "the same of the coast flank"
    ),
    "spring_force": Definition(
        "spring force", "N", "`F_0`: axial force of the preload spring as installed, stated or worked out"
    ),
    "face_wear": Definition(
        "wear of a face", "m", "mean loss of one friction face, by `compare`", in_result=False
    ),
}
