"""The build sheet: what was assembled, and what the workshop holds it to."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator
from pydantic.functional_validators import ModelWrapValidatorHandler

from diffbench.documents.faults import Location, Refusal, gathered, refusal, refusals
from diffbench.documents.fields import (
    NOT_NEGATIVE,
    POSITIVE,
    Amount,
    Bounds,
    Count,
    Measured,
    Pair,
    PairOf,
    Table,
    Text,
)
from diffbench.documents.loading import read_document
from diffbench.quantities import Quantity

PreloadLawName = Literal["additive", "greater-of"]  # their classes: diffbench.physics.preload
# No differential of a road or race car is outside: a radius outside is a slip of the unit.
_RADIUS = Bounds(low=1.0, high=1000.0, mend="check the unit: radii are written in mm")
_SHARE = Bounds(low=0.0, high=1.0, open_high=True, mend="write a share from 0 to below 1")
_TEMPERATURE = Bounds(low=-60.0, high=600.0, mend="check the unit: a bare number is in degC")

Radius = Annotated[Quantity, Measured("length", "mm", _RADIUS)]
SpringLength = Annotated[Quantity, Measured("length", "mm", POSITIVE)]


class Packs(Table):
    """The two plate packs, which are alike.

    Radii [m]; `plate_mass` [kg] is that of the steel plates of both packs together, `specific_heat` theirs
    [J/(kg.K)].
    """

    faces: Count = Field(description="friction faces in one pack; both packs are alike", examples=[4])
    inner_radius: Radius = Field(description="inner radius of a friction face", examples=["38 mm"])
    outer_radius: Radius = Field(description="outer radius of a friction face", examples=["54.5 mm"])
    contact: Literal["uniform-wear", "uniform-pressure"] = Field(
        default="uniform-wear",
        description="how plates bear, for the effective radius: (r_o + r_i)/2 by wear, "
        "⅔ (r_o³ − r_i³)/(r_o² − r_i²) by pressure",
    )
    plate_mass: Annotated[Quantity | None, Measured("mass", "kg", POSITIVE)] = Field(
        default=None, description="steel plates of both packs, for their heat capacity", examples=["1.95 kg"]
    )
    specific_heat: Annotated[Quantity | None, Measured("specific_heat_capacity", "J/(kg.K)", POSITIVE)] = (
        Field(
            default=None,
            description="of the plates; 475 J/(kg·K) with u 5 % where not stated",
            examples=["475 J/(kg.K)"],
        )
    )

    @field_validator("outer_radius")
    @classmethod
    def _outside_inner(cls, outer: Quantity, info: ValidationInfo) -> Quantity:
        inner = info.data.get("inner_radius")
        if inner is not None and outer.value <= inner.value:
            raise refusal(
                f"the outer radius ({outer.value * 1e3:g} mm) is not above the inner radius "
                f"({inner.value * 1e3:g} mm)",
                "check whether the two are swapped",
            )
        return outer


class Ramps(Table):
    """The ramps: where the cross pin bears, and the angles of the drive and the coast flank.

    `pin_radius` [m]; the angles [rad], those of `rings_in_stock` too, are kept from the plane of rotation,
    whichever way the sheet gives them.
    """

    pin_radius: Annotated[Quantity | None, Measured("length", "mm", _RADIUS)] = Field(
        default=None, description="where the cross pin bears on the ramps", examples=["39 mm"]
    )
    # Before the angles, which are converted by it.
    angle_from: Literal["plane", "axis"] = Field(
        default="plane",
        description="what angles are measured from: the plane of rotation, where 90° gives no thrust and "
        "less locks more, or the axis",
    )
    drive_angle: Annotated[Quantity | None, Measured("angle", "deg")] = Field(
        default=None,
        description="nominal ramp angle of the drive flank",
        examples=["42 deg", {"value": "42 deg", "u": "0.3 deg"}],
    )
    coast_angle: Annotated[Quantity | None, Measured("angle", "deg")] = Field(
        default=None, description="nominal ramp angle of the coast flank", examples=["57 deg"]
    )
    rings_in_stock: list[list[Annotated[float, Amount("angle", "deg")]]] | None = Field(
        default=None,
        description="other pairs of rings that the workshop has, drive and coast angle of each, for a wanted "
        "corner entry to choose from",
        examples=[[["30 deg", "57 deg"], ["57 deg", "42 deg"]]],
        min_length=1,
    )
    gear_friction: Annotated[Quantity | None, Measured("dimensionless", "1", _SHARE)] = Field(
        default=None, description="as at the top: TOML puts a last line into the last table"
    )

    @field_validator("rings_in_stock")
    @classmethod
    def _rings_from_plane(
        cls, rings: list[list[float]] | None, info: ValidationInfo
    ) -> list[list[float]] | None:
        for ring in rings or []:
            if len(ring) != 2:
                raise refusal(
                    f"a pair of rings with {len(ring)} of 2 angles", "write drive and coast angle of each"
                )
        return rings and [[_from_plane(Quantity(angle), info).value for angle in ring] for ring in rings]

    @field_validator("drive_angle", "coast_angle")
    @classmethod
    def _angle_from_plane(cls, angle: Quantity, info: ValidationInfo) -> Quantity:
        return _from_plane(angle, info)


def _from_plane(angle: Quantity, info: ValidationInfo) -> Quantity:
    """A ramp angle [rad] from the plane of rotation."""
    if "angle_from" not in info.data:  # a wrong angle_from is reported by itself
        return angle
    from_plane = math.pi / 2 - angle.value if info.data["angle_from"] == "axis" else angle.value
    # A right angle is a ramp without thrust and allowed: within rounding of the conversion to radians.
    if not 1e-9 < from_plane <= math.pi / 2 + 1e-9:
        side = info.data["angle_from"]
        allowed = "from 0 to below 90 deg" if side == "axis" else "above 0 and up to 90 deg"
        raise refusal(
            f"a ramp angle of {math.degrees(angle.value):g} deg from the {side} is impossible",
            f"write an angle {allowed}, or check angle_from",
        )
    return Quantity(min(from_plane, math.pi / 2), angle.u)


class DiscSpring(Table):
    """One disc spring by EN 16983, and how the stack is made of it.

    Lengths [m]; `parallel` springs lie the same way in a packet, `series` packets stand on each other.
    """

    outer_diameter: SpringLength = Field(description="of one spring", examples=["95 mm"])
    inner_diameter: SpringLength = Field(description="of one spring", examples=["72 mm"])
    thickness: SpringLength = Field(description="of one spring", examples=["1.6 mm"])
    cone_height: SpringLength = Field(description="free height less thickness", examples=["1.4 mm"])
    parallel: Count = Field(
        default=1, description="springs that lie the same way, in one packet", examples=[3]
    )
    series: Count = Field(default=1, description="packets that stand on each other", examples=[2])

    @field_validator("inner_diameter")
    @classmethod
    def _inside_outer(cls, inner: Quantity, info: ValidationInfo) -> Quantity:
        outer = info.data.get("outer_diameter")
        if outer is not None and inner.value >= outer.value:
            raise refusal(
                f"the inner diameter ({inner.value * 1e3:g} mm) is not below the outer diameter "
                f"({outer.value * 1e3:g} mm)",
                "check whether the two are swapped",
            )
        return inner

    @field_validator("thickness", "cone_height")
    @classmethod
    def _flat_enough(cls, height: Quantity, info: ValidationInfo) -> Quantity:
        outer, inner = info.data.get("outer_diameter"), info.data.get("inner_diameter")
        # A disc spring is a shallow cone of thin sheet: one as high or thick as its ring is wide is none.
        if outer is not None and inner is not None and height.value >= 0.5 * (outer.value - inner.value):
            raise refusal(
                f"{height.value * 1e3:g} mm is not below the width of the ring, "
                f"{0.5e3 * (outer.value - inner.value):g} mm",
                "check the unit and the two diameters",
            )
        return height


class Preload(Table):
    """How the packs are pressed without torque.

    `spring_force` [N], `shim` and `shims_in_stock` [m]; `joint_fraction` is the share of the ramp thrust that
    a clamped stack feels before its contact opens (greater-of only).
    """

    law: Literal[PreloadLawName, "undecided"] = Field(
        default="undecided",
        description="additive: spring and ramps push together; greater-of: the ramps first unload a clamped "
        "stack; undecided: the bench decides",
    )
    spring_force: Annotated[Quantity | None, Measured("force", "N", POSITIVE)] = Field(
        default=None,
        description="axial force of the stack at its installed height",
        examples=[{"value": "1950 N", "u": "60 N"}],
    )
    shim: Annotated[Quantity | None, Measured("length", "mm", NOT_NEGATIVE)] = Field(
        default=None, description="preload shim, for advise and compare", examples=["0.2 mm"]
    )
    shims_in_stock: list[Annotated[float, Amount("length", "mm", NOT_NEGATIVE)]] | None = Field(
        default=None,
        min_length=1,
        description="shims that the workshop has, for the next step and advise to choose from; bare numbers "
        "are in mm; where not stated, shims in steps of 0.05 mm",
        examples=[["0.1 mm", "0.25 mm", "0.4 mm"]],
    )
    joint_fraction: Annotated[Quantity | None, Measured("dimensionless", "1", _SHARE)] = Field(
        default=None,
        description="greater-of only: share of the ramp thrust that the plates feel before the contact "
        "opens; fitted where not stated",
        examples=[0.05],
    )
    disc_spring: DiscSpring | None = Field(
        default=None, description="the spring by EN 16983, for advise and compare; the fit does not use it"
    )

    @field_validator("joint_fraction")
    @classmethod
    def _needs_joint(cls, fraction: Quantity, info: ValidationInfo) -> Quantity:
        if info.data.get("law") == "additive":
            raise refusal(
                "an additive preload has no joint that could open",
                'leave joint_fraction out, or write law = "greater-of"',
            )
        return fraction


class Oil(Table):
    """The oil: two kinematic viscosities, for its viscosity at any temperature.

    Both [m²/s], or neither.
    """

    name: Text | None = Field(default=None, description="of the oil", examples=["75W-140"])
    viscosity_40: Annotated[Quantity | None, Measured("kinematic_viscosity", "mm^2/s", POSITIVE)] = Field(
        default=None,
        description="kinematic, at 40 °C, with the other or neither: how drag falls with temperature",
        examples=["110 mm^2/s"],
    )
    viscosity_100: Annotated[Quantity | None, Measured("kinematic_viscosity", "mm^2/s", POSITIVE)] = Field(
        default=None, description="kinematic, at 100 °C", examples=["15 mm^2/s"]
    )

    @field_validator("viscosity_100")
    @classmethod
    def _thinner_when_hot(cls, hot: Quantity, info: ValidationInfo) -> Quantity:
        cold = info.data.get("viscosity_40")
        if cold is not None and hot.value >= cold.value:
            raise refusal(
                f"the oil is not thinner at 100 degC ({hot.value * 1e6:g} mm^2/s) than at 40 degC "
                f"({cold.value * 1e6:g} mm^2/s)",
                "check whether the two are swapped",
            )
        return hot

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        for here, other in (("viscosity_40", "viscosity_100"), ("viscosity_100", "viscosity_40")):
            if getattr(self, here) is not None and getattr(self, other) is None:
                raise refusals(
                    "Oil", [((other,), f"'{other}' is missing", f"state it beside {here}, or leave both out")]
                )
        return self


class Reference(Table):
    """The condition at which one number is quoted.

    `temperature` [degC], `speed_difference` [rad/s].
    """

    temperature: Annotated[float, Amount("temperature", "degC", _TEMPERATURE)] = Field(
        default=60.0, description="of the plates", examples=["60 degC"]
    )
    speed_difference: Annotated[float | None, Amount("angular_speed", "rad/s", POSITIVE)] = Field(
        default=None,
        description="of the outputs, its magnitude; 4 rad/s where not stated",
        examples=["4 rad/s"],
    )


class Limits(Table):
    """What the workshop holds the build to.

    Pairs [low, high] in SI; the wear of a face [m] has an upper limit only. Torques and biases are kept as
    the whole left-right difference: a sheet that gives the torque of one pack says so by
    ``locking_torque_sense = "one-pack"``, and is doubled here.
    """

    # First: the pairs are read by it.
    locking_torque_sense: Literal["difference", "one-pack"] = Field(
        default="difference",
        description="whether these limits mean the whole left-right difference, or half of it, the torque of "
        "one pack",
    )
    preload_torque: Annotated[Pair | None, PairOf("torque", "N.m", NOT_NEGATIVE)] = Field(
        default=None, description="lowest and highest", examples=[["70 N.m", "90 N.m"]]
    )
    ramp_bias_drive: Annotated[Pair | None, PairOf("dimensionless", "1", NOT_NEGATIVE)] = Field(
        default=None, description="lowest and highest of the loading bias", examples=[[0.45, 0.55]]
    )
    ramp_bias_coast: Annotated[Pair | None, PairOf("dimensionless", "1", NOT_NEGATIVE)] = Field(
        default=None, description="lowest and highest of the loading bias", examples=[[0.45, 0.55]]
    )
    temperature: Annotated[float | None, Amount("temperature", "degC", _TEMPERATURE)] = Field(
        default=None,
        description="of the plates, at which the limits are meant; where not stated, that of the readings "
        "for a check by hand (common practice, no source), else that of reference",
        examples=["21 degC"],
    )
    speed_difference: Annotated[float | None, Amount("angular_speed", "rad/s", POSITIVE)] = Field(
        default=None,
        description="of the outputs, at which the limits are meant; where not stated, as slowly as the "
        "readings for a check by hand (common practice, no source), else that of reference",
        examples=["0.2 rad/s"],
    )
    face_wear: Annotated[float | None, Amount("length", "um", POSITIVE)] = Field(
        default=None, description="highest wear of one friction face; judged by compare", examples=["60 um"]
    )
    gear_friction: Annotated[Quantity | None, Measured("dimensionless", "1", _SHARE)] = Field(
        default=None, description="as at the top: TOML puts a last line into the last table"
    )

    @field_validator("preload_torque", "ramp_bias_drive", "ramp_bias_coast")
    @classmethod
    def _as_difference(cls, pair: Pair, info: ValidationInfo) -> Pair:
        if info.data.get("locking_torque_sense") != "one-pack":
            return pair
        return 2.0 * pair[0], 2.0 * pair[1]


class MapAxes(Table):
    """How far the map shall reach.

    Pairs [low, high]: `input_torque` [N.m], `speed_difference` [rad/s], `temperature` [degC].
    """

    input_torque: Annotated[Pair | None, PairOf("torque", "N.m")] = Field(
        default=None,
        description="lowest (coast, negative) and highest (drive); not stated, ±5 times the largest tested",
        examples=[["-400 N.m", "900 N.m"]],
    )
    speed_difference: Annotated[Pair | None, PairOf("angular_speed", "rad/s", NOT_NEGATIVE)] = Field(
        default=None,
        description="lowest and highest magnitude; not stated, 0 to 2 times the fastest tested",
        examples=[["0 rpm", "150 rpm"]],
    )
    temperature: Annotated[Pair | None, PairOf("temperature", "degC", _TEMPERATURE)] = Field(
        default=None,
        description="lowest and highest; not stated, 20 K beyond what was tested",
        examples=[["20 degC", "110 degC"]],
    )


class Build(Table):
    """What was assembled: unit and build by name, distance run since [m], packs, ramps, preload, oil, limits.

    A quantity that the sheet does not state is None; nothing is filled in.
    """

    format: Literal["diffbench-build/1"] = Field(description="kind and version of the document")
    unit: Text = Field(
        description="serial of the differential; run sheets fitted together are of one unit", examples=["Q17"]
    )
    build: Text = Field(description="name of this build", examples=["Q17-2026-04-13"])
    note: Text | None = Field(default=None, description="anything")
    distance: Annotated[float | None, Amount("distance", "km", NOT_NEGATIVE)] = Field(
        default=None, description="run since this build", examples=["1860 km"]
    )
    packs: Packs = Field(description="the two plate packs")
    ramps: Ramps = Field(default_factory=Ramps, description="pin and ramp angles")
    preload: Preload = Field(default_factory=Preload, description="how the packs are pressed without torque")
    oil: Oil = Field(default_factory=Oil, description="of the unit on the bench")
    reference: Reference = Field(
        default_factory=Reference, description="the condition at which one number is quoted"
    )
    limits: Limits = Field(default_factory=Limits, description="what the workshop holds the build to")
    map: MapAxes = Field(
        default_factory=MapAxes, description="how far the map shall reach beyond what was tested"
    )
    gear_friction_stated: Annotated[Quantity | None, Measured("dimensionless", "1", _SHARE)] = Field(
        default=None,
        alias="gear_friction",
        description="mesh friction of the bevel gears as a share of the input torque, at the top or in ramps "
        "or limits; where not stated it is part of the ramp bias",
        examples=[{"value": 0.02, "u": 0.008}],
    )

    @model_validator(mode="wrap")
    @classmethod
    def _one_gear_friction(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        # TOML puts a key that follows a table into it: the key is welcome where sheets have it, but once.
        places: list[Location] = []
        if isinstance(data, dict):
            places += [("gear_friction",)] if "gear_friction" in data else []
            places += [
                (name, "gear_friction")
                for name in ("ramps", "limits")
                if isinstance(data.get(name), dict) and "gear_friction" in data[name]
            ]
        twice: list[Refusal] = [
            (place, "gear_friction is stated twice", "leave one of them out") for place in places[1:]
        ]
        return gathered(cls.__name__, handler, data, twice)

    @property
    def gear_friction(self) -> Quantity | None:
        """Gear-mesh friction as a share of the input torque, wherever the sheet states it; else None."""
        return self.gear_friction_stated or self.ramps.gear_friction or self.limits.gear_friction

    @property
    def effective_radius(self) -> Quantity:
        """Effective radius of a friction face by the way the plates bear [m].

        ``R_e = (r_o + r_i)/2`` for uniform wear, ``2/3 (r_o³ - r_i³)/(r_o² - r_i²)`` for uniform pressure;
        u to first order from the stated uncertainties of the radii, None where neither is stated.
        """
        from diffbench.physics.pack import effective_radius_uniform_pressure, effective_radius_uniform_wear

        inner, outer = self.packs.inner_radius, self.packs.outer_radius
        r, R = inner.value, outer.value  # noqa: N806  # the formula's own symbols
        if self.packs.contact == "uniform-wear":
            radius, by_inner, by_outer = float(effective_radius_uniform_wear(r, R)), 0.5, 0.5
        else:
            radius = float(effective_radius_uniform_pressure(r, R))
            by_inner = 2 / 3 * (1 - (R / (R + r)) ** 2)
            by_outer = 2 / 3 * (1 - (r / (R + r)) ** 2)
        if inner.u is None and outer.u is None:
            return Quantity(radius)
        return Quantity(radius, math.hypot(by_inner * (inner.u or 0.0), by_outer * (outer.u or 0.0)))


def load_build(path: str | Path) -> Build:
    """The build sheet of a TOML file, in SI. Raises ``DocumentError`` with every fault of the file."""
    return read_document(path, Build).document
