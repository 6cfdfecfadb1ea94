"""The table of quantities: what a result calls its numbers, their units, what they mean, and what determines
them.

A name ends in its flank and, for a ramp bias, in its branch. Formulas use the symbols of the guide's page on
numbers. Labels on pages, the schema of a characterisation, the guide's table and the estimates of a fit are
all made from it; the laws of the model bring rows of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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
    """One quantity.

    ``label`` is what people read, ``unit`` that of the number in a file, ``meaning`` one phrase. ``told`` is
    the phrase beside a number of one result, which fills in ``{at}`` and what else is in braces. ``needs``
    says what determines it; ``scale`` is the size against which an uncertainty counts as large; a
    ``positive`` one has an interval above zero. ``in_result``: whether a characterisation has a parameter of
    that name.
    """

    label: str
    unit: str
    meaning: str
    symbol: str = ""
    told: str = ""
    needs: str = ""
    scale: float = 0.0
    positive: bool = True
    in_result: bool = True

    @property
    def described(self) -> str:
        """Symbol and meaning."""
        return f"`{self.symbol}`: {self.meaning}" if self.symbol else self.meaning


def _by_flank(rows: dict[str, Definition]) -> dict[str, Definition]:
    """The rows of the drive flank, and after them the same of the coast flank."""

    def of(flank: str, name: str, row: Definition) -> tuple[str, Definition]:
        coast = {"symbol": "", "meaning": "the same of the coast flank"} if flank == "coast" else {}
        texts = {key: getattr(row, key).replace("{flank}", flank) for key in ("label", "told", "needs")}
        return name.replace("{flank}", flank), replace(row, **(texts | (coast if row.in_result else {})))

    return dict(of(flank, *item) for flank in ("drive", "coast") for item in rows.items())


OR_ANGLE = ", and the spring force or the nominal angle"
BY_FORCE = "the spring force at installed height (from a press, or the disc-spring formula)"
_PLACE = "at {torque:.4g} N·m input torque, loading, {at}"

DEFINITIONS: dict[str, Definition] = {
    "preload_torque": Definition(
        "preload torque",
        "N·m",
        "locking torque without input torque, sliding at the reference condition: `P = 2 μ n R_e F_0`",
        symbol="P",
        told="locking torque of the preload alone, {at}",
        needs="slipping samples near zero input torque",
        scale=1.0,
    ),
    "preload_torque_as_read": Definition(
        "preload torque, as read",
        "N·m",
        "readings by hand: locking torque without input torque as warm and as slow as the running readings "
        "were taken; without such, at breakaway",
        told="locking torque of the preload alone, {at}",
        needs="readings with the case free; with the case held, a second arrangement beside them",
        scale=1.0,
    ),
    "preload_torque_at_limit": Definition(
        "preload torque, where its limit is meant",
        "N·m",
        "locking torque without input torque at the temperature and speed of the sheet's limits, where it "
        "states them",
        told="locking torque of the preload alone, {at}",
        needs="slip as warm and as slow as the limits are meant",
        scale=1.0,
    ),
    **_by_flank(
        {
            "ramp_bias_{flank}": Definition(
                "ramp bias, {flank}", "1", "name of a limit: of the loading bias", in_result=False
            )
        }
    ),
    **_by_flank(
        {
            "ramp_bias_{flank}_loading": Definition(
                "ramp bias, {flank}, loading",
                "1",
                "locking torque from the ramps per input torque, gear friction apart, at the reference "
                "condition: `K = μ n R_e cot(β + φ) / r_p`",
                told="locking torque per input torque from the {flank} ramps while the torque rises, {at}",
                needs="slip under {flank} torque, rising until the ramps clearly overcome the preload",
                scale=0.02,
            ),
            "ramp_bias_{flank}_as_read": Definition(
                "ramp bias, {flank}, as read",
                "1",
                "readings by hand: the loading bias as warm and as slow as the running readings were taken",
                told="locking torque per input torque from the {flank} ramps while the torque rises, {at}",
                needs="readings with the case held, and with the case free beside them",
                scale=0.02,
            ),
            "ramp_bias_{flank}_at_limit": Definition(
                "ramp bias, {flank}, where its limit is meant",
                "1",
                "the loading bias at the temperature and speed of the sheet's limits, where it states them",
                told="locking torque per input torque from the {flank} ramps while the torque rises, {at}",
                needs="slip as warm and as slow as the limits are meant",
                scale=0.02,
            ),
            "ramp_bias_{flank}_unloading": Definition(
                "ramp bias, {flank}, unloading",
                "1",
                "the same after a much higher torque: `K = μ n R_e cot(β − φ) / r_p`",
                told="the same while the torque falls from a much higher one, {at}",
                needs="slip under {flank} torque while it falls to well below two thirds of its peak",
                scale=0.02,
            ),
        }
    ),
    "preload_per_shim": Definition(
        "preload per shim",
        "N·m/mm",
        "preload torque that a millimetre of shim adds, between two builds whose shims are neighbours",
        told="preload torque per shim thickness from {thin:g} to {thick:g} mm, at the reference condition",
        needs="builds of which the shims differ by more, or several refits of each",
        scale=10.0,
        positive=False,
    ),
    "gear_friction": Definition(
        "gear-mesh friction",
        "1",
        "share of the input torque that the bevel gears' mesh friction adds; as the build sheet "
        "states it, sharpened where a greater-of contact is closed and the gears alone follow the torque",
        symbol="k_gear",
        told="share of the input torque that gear-mesh friction adds",
        needs="a build with other ramps, or a value in the build sheet",
        scale=0.02,
        positive=False,
    ),
    "viscous_coefficient": Definition(
        "viscous drag coefficient",
        "N·m·s/rad",
        "locking torque per speed difference from the oil film, at the reference temperature",
        symbol="c",
        told="locking torque per speed difference from the oil film, oil at {temperature:g} °C",
        needs="a speed sweep at low input torque, up to a high speed difference",
        scale=0.05,
        positive=False,
    ),
    "viscous_temperature_coefficient": Definition(
        "viscous fall with temperature",
        "1/K",
        "relative fall of `c` per kelvin of oil",
        told="relative fall of the viscous coefficient per kelvin of oil",
        needs="speed sweeps at two oil temperatures",
        scale=0.02,
        positive=False,
    ),
    **{
        own.reported: Definition(
            own.label,
            own.unit,
            own.meaning,
            told=own.meaning,
            needs=own.needs,
            scale=own.scale,
            positive=own.logarithm,
        )
        for own in LAW_UNKNOWNS
    },
    "friction_temperature_coefficient": Definition(
        "friction slope, temperature",
        "1/K",
        "relative change of friction per kelvin of plate temperature",
        told="relative change of friction per kelvin of plate temperature",
        needs="sweeps over 20 K of oil temperature or more, and the first of them again at the end",
        scale=0.001,
        positive=False,
    ),
    "friction_slope": Definition(
        "friction slope, sliding speed",
        "s/m",
        "relative change of friction per sliding speed at the reference condition; a negative one invites "
        "chatter (SAE J3210)",
        told="relative change of friction per sliding speed at the reference condition; negative invites "
        "chatter (SAE J3210)",
        needs="a speed sweep around the reference speed difference",
        scale=0.05,  # half a percent of friction over 0.1 m/s
        positive=False,
    ),
    "heat_capacity": Definition(
        "plate heat capacity",
        "J/K",
        "of the plates of both packs",
        told="of the plates",
        needs="the plates' mass, or sweeps hot enough to see the plates warm",
        scale=50.0,
    ),
    "heat_conductance": Definition(
        "plate-to-oil conductance",
        "W/K",
        "from the plates to the oil: plates run hotter than the oil, and friction follows the plates",
        told="from plates to oil",
        needs="sweeps at a high speed difference under load",
        scale=5.0,
    ),
    "packs_apart_preload": Definition(
        "packs apart, preload",
        "1",
        "how far what the preload locks in each pack is from the mean of both, left above; in the result "
        "where slip both ways round shows that the packs differ",
        told="how far what the preload locks in the left pack is above the mean of both",
        needs="slip both ways round, over drive and coast",
        scale=0.05,
        positive=False,
    ),
    "packs_apart_ramps": Definition(
        "packs apart, ramps",
        "1",
        "the same of what the ramps lock; where only the preload's share differs it is the springs, where "
        "both alike the friction",
        told="how far what the ramps lock in the left pack is above the mean of both",
        needs="slip both ways round, over drive and coast",
        scale=0.05,
        positive=False,
    ),
    **_by_flank(
        {
            "locking_effect_{flank}": Definition(
                "locking effect, {flank}",
                "1",
                "`LE = T_lock / |T_in|` at the highest tested input torque, loading (SAE J2817); read in per "
                "cent",
                told=f"locking torque over input torque (SAE J2817) {_PLACE}",
                needs="slip at that input torque",
                scale=0.05,
            )
        }
    ),
    **_by_flank(
        {
            "torque_bias_ratio_{flank}": Definition(
                "torque bias ratio, {flank}",
                "1",
                "`TBR = T_high / T_low = (1 + LE)/(1 − LE)` at the same place (SAE J2817); no meaning for LE "
                "of 1 or more",
                told=f"higher over lower output torque (SAE J2817) {_PLACE}",
                needs="slip at that input torque, and a locking effect clearly below 1 or better known",
                scale=0.2,
            )
        }
    ),
    "friction_coefficient": Definition(
        "friction coefficient",
        "1",
        "mean friction coefficient of the plates at the reference condition",
        symbol="μ",
        told="mean friction coefficient of the plates at the reference condition",
        needs=f"{BY_FORCE}, or the nominal ramp angles together with a sweep that shows loading and "
        "unloading",
        scale=0.01,
    ),
    **_by_flank(
        {
            "effective_ramp_angle_{flank}": Definition(
                "effective ramp angle, {flank}",
                "deg",
                "ramp angle from the plane of rotation as it acts, worked out from bias and friction, to be "
                "held against the drawing",
                symbol="β",
                told="angle of the {flank} ramps from the plane of rotation, as it acts",
                needs=f"{BY_FORCE}, with loading and unloading under {{flank}} torque",
                scale=2.0,
            )
        }
    ),
    **_by_flank(
        {
            "effective_ramp_angle_{flank}_loading": Definition(
                "ramp plus friction angle, {flank}",
                "deg",
                "what the loading bias alone shows",
                symbol="β + φ",
                told="angle of the {flank} ramps plus their friction angle, as it acts while the torque "
                "rises",
                needs=BY_FORCE,
                scale=2.0,
            )
        }
    ),
    **_by_flank(
        {
            "ramp_friction_angle_{flank}": Definition(
                "ramp friction angle, {flank}",
                "deg",
                "friction angle of the ramps, from loading against unloading",
                symbol="φ",
                told="friction angle of the {flank} ramps",
                needs="loading and unloading under {flank} torque" + OR_ANGLE,
                scale=1.0,
            )
        }
    ),
    "spring_force": Definition(
        "spring force",
        "N",
        "axial force of the preload spring as installed, stated or worked out",
        symbol="F_0",
        told="force of the preload spring as installed",
        needs="the force from a press, or the nominal ramp angles together with loading and unloading",
        scale=50.0,
    ),
    "face_wear": Definition(
        "wear of a face", "m", "mean loss of one friction face, by `compare`", in_result=False
    ),
}
