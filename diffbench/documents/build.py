"""The build sheet: what was assembled, and what the workshop holds it to."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ModelWrapValidatorHandler, ValidationInfo, field_validator, model_validator

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
from diffbench.documents.refusals import Location, Refusal, gathered, refusal, refusals
from diffbench.quantities import Quantity

# No differential of a road or race car is outside: a radius outside is a slip of the unit.
_RADIUS = Bounds(low=1.0, high=1000.0, mend="check the unit: radii are written in mm")
_SHARE = Bounds(low=0.0, high=1.0, open_high=True, mend="write a share from 0 to below 1")
_TEMPERATURE = Bounds(low=-60.0, high=600.0, mend="check the unit: a bare number is in degC")

Radius = Annotated[Quantity, Measured("length", "mm", _RADIUS)]
SpringLength = Annotated[Quantity, Measured("length", "mm", POSITIVE)]


class Packs(Table):
    """The two plate packs, alike: faces, friction radii [m], how the plates bear, plate mass [kg].

    `plate_mass` is that of the steel plates of both packs together; `specific_heat` theirs [J/(kg.K)].
    """

    faces: Count = Field(description="friction faces in one pack", examples=[5])
    inner_radius: Radius = Field(description="inner radius of a friction face", examples=["36.9 mm"])
    outer_radius: Radius = Field(description="outer radius of a friction face", examples=["52.5 mm"])
    contact: Literal["uniform-wear", "uniform-pressure"] = "uniform-wear"
    plate_mass: Annotated[Quantity | None, Measured("mass", "kg", POSITIVE)] = None
    specific_heat: Annotated[Quantity | None, Measured("specific_heat_capacity", "J/(kg.K)", POSITIVE)] = None

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
    """The ramps: radius of the cross pin [m] and the angles of the drive and the coast flank [rad].

    The angles are kept from the plane of rotation, whichever way the sheet gives them.
    """

    pin_radius: Annotated[Quantity | None, Measured("length", "mm", _RADIUS)] = None
    angle_from: Literal["plane", "axis"] = "plane"  # before the angles: they are converted by it
    drive_angle: Annotated[Quantity | None, Measured("angle", "deg")] = None
    coast_angle: Annotated[Quantity | None, Measured("angle", "deg")] = None
    gear_friction: Annotated[Quantity | None, Measured("dimensionless", "1", _SHARE)] = None

    @field_validator("drive_angle", "coast_angle")
    @classmethod
    def _from_plane(cls, angle: Quantity | None, info: ValidationInfo) -> Quantity | None:
        if angle is None or "angle_from" not in info.data:  # a wrong angle_from is reported by itself
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
    """One disc spring by EN 16983 [m], and how the stack is made of it.

    `parallel` springs lie the same way in a packet, `series` packets stand on each other.
    """

    outer_diameter: SpringLength = Field(examples=["100 mm"])
    inner_diameter: SpringLength = Field(examples=["80 mm"])
    thickness: SpringLength = Field(examples=["1.5 mm"])
    cone_height: SpringLength = Field(description="free height less thickness", examples=["1.6 mm"])
    parallel: Count = 1
    series: Count = 1

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
    """How the packs are pressed without torque: law, spring force [N], shim [m], disc spring.

    `joint_fraction` is the share of the ramp thrust that a clamped stack feels before its contact opens
    (greater-of only).
    """

    law: Literal["additive", "greater-of", "undecided"] = "undecided"
    spring_force: Annotated[Quantity | None, Measured("force", "N", POSITIVE)] = None
    shim: Annotated[Quantity | None, Measured("length", "mm", NOT_NEGATIVE)] = None
    joint_fraction: Annotated[Quantity | None, Measured("dimensionless", "1", _SHARE)] = None
    disc_spring: DiscSpring | None = None

    @field_validator("joint_fraction")
    @classmethod
    def _needs_joint(cls, fraction: Quantity | None, info: ValidationInfo) -> Quantity | None:
        if fraction is not None and info.data.get("law") == "additive":
            raise refusal(
                "an additive preload has no joint that could open",
                'leave joint_fraction out, or write law = "greater-of"',
            )
        return fraction


class Oil(Table):
    """The oil: kinematic viscosities at 40 and 100 degC [m²/s], for its viscosity at any temperature."""

    name: Text | None = None
    viscosity_40: Annotated[Quantity | None, Measured("kinematic_viscosity", "mm^2/s", POSITIVE)] = None
    viscosity_100: Annotated[Quantity | None, Measured("kinematic_viscosity", "mm^2/s", POSITIVE)] = None

    @field_validator("viscosity_100")
    @classmethod
    def _thinner_when_hot(cls, hot: Quantity | None, info: ValidationInfo) -> Quantity | None:
        cold = info.data.get("viscosity_40")
        if hot is not None and cold is not None and hot.value >= cold.value:
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
                    "Oil",
                    [((other,), f"'{other}' is missing", f"state it beside {here}, or leave both out")],
                )
        return self


class Reference(Table):
    """The condition at which one number is quoted: plate temperature [degC] and speed difference [rad/s]."""

    temperature: Annotated[float, Amount("temperature", "degC", _TEMPERATURE)] = 60.0
    speed_difference: Annotated[float | None, Amount("angular_speed", "rad/s", POSITIVE)] = None


class Limits(Table):
    """What the workshop holds the build to: pairs [low, high] in SI; the wear of a face [m] has one.

    Torques and biases are kept as the whole left-right difference: a sheet that gives the torque of one pack
    says so by ``locking_torque_sense = "one-pack"``, and is doubled here.
    """

    locking_torque_sense: Literal["difference", "one-pack"] = "difference"  # first: the pairs are read by it
    preload_torque: Annotated[Pair | None, PairOf("torque", "N.m", NOT_NEGATIVE)] = None
    ramp_bias_drive: Annotated[Pair | None, PairOf("dimensionless", "1", NOT_NEGATIVE)] = None
    ramp_bias_coast: Annotated[Pair | None, PairOf("dimensionless", "1", NOT_NEGATIVE)] = None
    face_wear: Annotated[float | None, Amount("length", "um", POSITIVE)] = None
    gear_friction: Annotated[Quantity | None, Measured("dimensionless", "1", _SHARE)] = None

    @field_validator("preload_torque", "ramp_bias_drive", "ramp_bias_coast")
    @classmethod
    def _as_difference(cls, pair: Pair | None, info: ValidationInfo) -> Pair | None:
        if pair is None or info.data.get("locking_torque_sense") != "one-pack":
            return pair
        return 2.0 * pair[0], 2.0 * pair[1]


class MapAxes(Table):
    """How far the map shall reach: input torque [N.m], speed difference [rad/s], temperature [degC]."""

    input_torque: Annotated[Pair | None, PairOf("torque", "N.m")] = None
    speed_difference: Annotated[Pair | None, PairOf("angular_speed", "rad/s", NOT_NEGATIVE)] = None
    temperature: Annotated[Pair | None, PairOf("temperature", "degC", _TEMPERATURE)] = None


class Build(Table):
    """What was assembled: unit and build by name, distance run since [m], packs, ramps, preload, oil, limits.

    A quantity that the sheet does not state is None; nothing is filled in.
    """

    format: Literal["diffbench-build/1"]
    unit: Text = Field(description="serial of the differential", examples=["D07"])
    build: Text = Field(description="name of this build", examples=["D07-2026-03-14"])
    note: Text | None = None
    distance: Annotated[float | None, Amount("distance", "km", NOT_NEGATIVE)] = None
    packs: Packs
    ramps: Ramps = Field(default_factory=Ramps)
    preload: Preload = Field(default_factory=Preload)
    oil: Oil = Field(default_factory=Oil)
    reference: Reference = Field(default_factory=Reference)
    limits: Limits = Field(default_factory=Limits)
    map: MapAxes = Field(default_factory=MapAxes)
    gear_friction_stated: Annotated[Quantity | None, Measured("dimensionless", "1", _SHARE)] = Field(
        default=None, alias="gear_friction", description="mesh friction as a share of the input torque"
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
        inner, outer = self.packs.inner_radius, self.packs.outer_radius
        r, R = inner.value, outer.value  # noqa: N806  # the formula's own symbols
        if self.packs.contact == "uniform-wear":
            radius, by_inner, by_outer = (R + r) / 2, 0.5, 0.5
        else:
            radius = 2 / 3 * (R * R + R * r + r * r) / (R + r)
            by_inner = 2 / 3 * (1 - (R / (R + r)) ** 2)
            by_outer = 2 / 3 * (1 - (r / (R + r)) ** 2)
        if inner.u is None and outer.u is None:
            return Quantity(radius)
        return Quantity(radius, math.hypot(by_inner * (inner.u or 0.0), by_outer * (outer.u or 0.0)))
