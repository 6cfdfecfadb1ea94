"""The car: driven axle, tyres, the body that loads them, and a corner entry as a list of phases."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, field_validator, model_validator
from pydantic.functional_validators import ModelWrapValidatorHandler

from diffbench.documents.faults import Refusal, gathered, refusal
from diffbench.documents.fields import (
    ANY,
    NOT_NEGATIVE,
    POSITIVE,
    Amount,
    AmountWithDoubt,
    Bounds,
    Table,
    Text,
)
from diffbench.documents.loading import read_document

# No car is outside: a number outside is a slip of the unit.
_TRACK = Bounds(low=0.1, high=10.0, mend="write the track, wheel middle to wheel middle, above zero; in m")
_WHEEL = Bounds(low=20.0, high=2000.0, mend="write the rolling radius above zero; a bare number is in mm")
_STIFFNESS = Bounds(
    low=10.0, high=1e7, mend="write the force per unit slip, not per per cent; a bare number is in N"
)
_SPEED = Bounds(
    low=0.0,
    open_low=True,
    high=200.0,
    mend="write a speed above zero: standstill and reverse are no corner entry; a bare number is in m/s",
)
_CORNER = Bounds(
    low=1.0, high=1e5, mend="write the radius of the car's path in m, above zero whichever way it turns"
)
TEMPERATURE = Bounds(low=-60.0, high=600.0, mend="check the unit: a bare number is in degC")
_SMALL = Bounds(low=-0.05, high=0.05, mend="write a share such as 0.002: radii differ by less than 5 %")
_EXPONENT = Bounds(low=0.0, high=1.5, mend="write 0 (load does nothing) to 1 (in proportion)")
_OPEN_SHARE = Bounds(low=0.0, high=1.0, open_low=True, open_high=True, mend="write a share, above 0, below 1")
_CLOSED_SHARE = Bounds(low=0.0, high=1.0, mend="write a share from 0 to 1")
_MAGNITUDE = Bounds(low=0.0, mend="write the magnitude: engine_braking and drive_torque say the sign")

Branch = Literal["loading", "unloading", "mean", "either"]


class Axle(Table):
    """The driven axle: `track`, `rolling_radius` [m], `radius_difference` [-], `wheel_inertia` [kg.m^2]."""

    track: Annotated[float, AmountWithDoubt("length", "m", _TRACK)] = Field(
        description="wheel middle to wheel middle", examples=["1.48 m"]
    )
    rolling_radius: Annotated[float, AmountWithDoubt("length", "mm", _WHEEL)] = Field(
        description="of the driven wheels", examples=["305 mm"]
    )
    radius_difference: Annotated[float, AmountWithDoubt("dimensionless", "1", _SMALL)] = Field(
        default=0.0,
        description="left wheel's rolling radius less the right one's, as a share of it",
        examples=[{"value": 0.0, "u": 0.002}],
    )
    wheel_inertia: Annotated[float, AmountWithDoubt("inertia", "kg.m^2", NOT_NEGATIVE)] = Field(
        default=0.0,
        description="of one driven wheel with tyre and brake; for logs alone, as phases are steady",
        examples=["1.1 kg.m^2"],
    )


class Tyre(Table):
    """One tyre of the axle: `slip_stiffness` [N per unit slip], `load` [N], `load_exponent`, `friction` [-].

    Camber is ignored.
    """

    slip_stiffness: Annotated[float, AmountWithDoubt("force", "N", _STIFFNESS)] = Field(
        description="longitudinal force of one tyre per unit slip, at small slip", examples=["55 kN"]
    )
    load: Annotated[float | None, AmountWithDoubt("force", "N", POSITIVE)] = Field(
        default=None,
        description="vertical load at which it has that stiffness; the wheel's at rest if not stated",
        examples=["3200 N"],
    )
    load_exponent: Annotated[float | None, AmountWithDoubt("dimensionless", "1", _EXPONENT)] = Field(
        default=None,
        description="power of the load with which the stiffness grows: 0 not at all, 1 in proportion",
        examples=[{"value": 0.8, "u": 0.1}],
    )
    friction: Annotated[float | None, AmountWithDoubt("dimensionless", "1", POSITIVE)] = Field(
        default=None,
        description="largest force over load, cornering and driving together; needs [body]",
        examples=[1.1],
    )
    slip_of: Literal["car", "wheel"] = Field(
        default="car", description="slip by the car's speed, or by each wheel's own ground speed"
    )


class Body(Table):
    """What loads the driven axle: `mass` [kg], `height`, `wheelbase` [m], shares [-], forces of air [N] at
    its speed [m/s]."""

    mass: Annotated[float, AmountWithDoubt("mass", "kg", POSITIVE)] = Field(
        description="of the car as it runs", examples=["1150 kg"]
    )
    height: Annotated[float, AmountWithDoubt("length", "m", NOT_NEGATIVE)] = Field(
        description="of the centre of gravity; 0 moves no load", examples=["0.42 m"]
    )
    wheelbase: Annotated[float, AmountWithDoubt("length", "m", POSITIVE)] = Field(
        description="axle to axle", examples=["2.45 m"]
    )
    weight_share: Annotated[float, AmountWithDoubt("dimensionless", "1", _OPEN_SHARE)] = Field(
        description="of the car's weight, on the driven axle at rest", examples=[0.54]
    )
    roll_share: Annotated[float, AmountWithDoubt("dimensionless", "1", _CLOSED_SHARE)] = Field(
        description="of the lateral load transfer, taken by the driven axle", examples=[0.42]
    )
    driven: Literal["rear", "front"] = Field(default="rear", description="which axle is driven")
    drag: Annotated[float, AmountWithDoubt("force", "N", NOT_NEGATIVE)] = Field(
        default=0.0, description="of the air at air_speed", examples=["420 N"]
    )
    lift: Annotated[float, AmountWithDoubt("force", "N", ANY)] = Field(
        default=0.0,
        description="of the air on the driven axle at air_speed; negative presses down",
        examples=["-600 N"],
    )
    air_speed: Annotated[float | None, Amount("speed", "m/s", POSITIVE)] = Field(
        default=None, description="at which drag and lift are stated", examples=["40 m/s"]
    )


class Phase(Table):
    """One part of a corner entry, in steady state.

    `speed` [m/s], `radius` [m], torques [N.m], `temperature` [degC], `duration` [s], limits [N].
    """

    name: Text = Field(description="of the phase; each has its own", examples=["turn-in"])
    speed: Annotated[float, AmountWithDoubt("speed", "m/s", _SPEED)] = Field(
        description="of the car", examples=["95 km/h"]
    )
    radius: Annotated[float, AmountWithDoubt("length", "m", _CORNER)] = Field(
        description="of the car's path, whichever way it turns", examples=["60 m"]
    )
    engine_braking: Annotated[float | None, AmountWithDoubt("torque", "N.m", _MAGNITUDE)] = Field(
        default=None,
        description="torque at the case under engine braking, its magnitude; this or drive_torque",
        examples=["120 N.m"],
    )
    drive_torque: Annotated[float | None, AmountWithDoubt("torque", "N.m", _MAGNITUDE)] = Field(
        default=None, description="torque at the case in drive, its magnitude", examples=["200 N.m"]
    )
    temperature: Annotated[float, AmountWithDoubt("temperature", "degC", TEMPERATURE)] = Field(
        description="of plates and oil", examples=["85 degC"]
    )
    brake_torque: Annotated[float, AmountWithDoubt("torque", "N.m", NOT_NEGATIVE)] = Field(
        default=0.0, description="of the brake of each wheel of this axle", examples=["120 N.m"]
    )
    longitudinal_acceleration: Annotated[float, AmountWithDoubt("acceleration", "m/s^2")] = Field(
        default=0.0, description="of the car, negative in braking; used with [body]", examples=["-6 m/s^2"]
    )
    duration: Annotated[float | None, Amount("time", "s", POSITIVE)] = Field(
        default=None,
        description="for the mean over the entry: of all phases under engine braking, or of none; then each "
        "counts alike",
        examples=["0.5 s"],
    )
    branch: Branch | None = Field(
        default=None, description="of the map, where not that of the command's --branch"
    )
    turn: Literal["left", "right"] | None = Field(
        default=None,
        description="which way: JSON then has forces by side, and the yaw moment with its sign (ISO 8855)",
    )
    outer_tyre_limit: Annotated[float | None, AmountWithDoubt("force", "N", POSITIVE)] = Field(
        default=None, description="largest longitudinal force of the outer tyre beside its cornering"
    )
    inner_tyre_limit: Annotated[float | None, AmountWithDoubt("force", "N", POSITIVE)] = Field(
        default=None, description="the same of the inner tyre"
    )

    @model_validator(mode="wrap")
    @classmethod
    def _braking_or_drive(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        # The sign of a torque is never guessed: the key says it.
        found: list[Refusal] = []
        if isinstance(data, dict):
            stated = [key for key in ("engine_braking", "drive_torque") if key in data]
            if len(stated) == 2:
                found.append((("drive_torque",), "engine_braking is stated too", "leave one of them out"))
            elif not stated:
                found.append(
                    (
                        ("engine_braking",),
                        "neither engine_braking nor drive_torque is stated",
                        'add engine_braking = "90 N.m" at the case, or drive_torque; 0 where the car rolls',
                    )
                )
        return gathered(cls.__name__, handler, data, found)

    @property
    def input_torque(self) -> float:
        """Torque at the case [N·m], negative under engine braking."""
        return -self.engine_braking if self.engine_braking is not None else (self.drive_torque or 0.0)

    @property
    def is_entry(self) -> bool:
        """Whether the phase belongs to the entry: until drive is taken up."""
        return self.engine_braking is not None


class Car(Table):
    """A car as far as its driven axle: axle, tyres, and the phases of one corner entry in their order."""

    format: Literal["diffbench-car/1"] = Field(description="kind and version of the document")
    name: Text = Field(description="of the car", examples=["Hill-climb car 3"])
    note: Text | None = Field(default=None, description="anything")
    axle: Axle = Field(description="the driven axle")
    tyre: Tyre = Field(description="one tyre of it")
    body: Body | None = Field(
        default=None, description="what moves load from wheel to wheel; without it both tyres are alike"
    )
    phase: tuple[Phase, ...] = Field(
        default=(),
        description="one for each part of the entry, in order; without any, options describe one point",
    )

    @field_validator("phase")
    @classmethod
    def _told_apart(cls, phases: tuple[Phase, ...]) -> tuple[Phase, ...]:
        names = [phase.name for phase in phases]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise refusal(
                f"{' and '.join(twice)} stands here more than once", "give every phase a name of its own"
            )
        timed = [phase.duration is not None for phase in phases if phase.is_entry]
        if any(timed) and not all(timed):
            raise refusal(
                "some phases under engine braking have a duration, others none",
                "state the duration of all of them, or of none: then each counts alike in the mean",
            )
        return phases

    @model_validator(mode="after")
    def _loads_are_whole(self) -> Self:
        tyre = self.tyre
        if self.body is None:
            if tyre.friction is not None:
                raise refusal("friction needs the loads of the wheels", "describe [body], too")
            return self
        if tyre.load_exponent is None:
            raise refusal(
                "[body] moves load, and [tyre] does not say what load does",
                "state load_exponent in [tyre]: 0 where it does nothing",
            )
        if (self.body.drag or self.body.lift) and self.body.air_speed is None:
            raise refusal("drag and lift are of a speed, and none is stated", "state air_speed in [body]")
        return self


def load_car(path: str | Path) -> Car:
    """The car of a TOML file, in SI. Raises ``DocumentError`` with every fault of the file."""
    return read_document(path, Car).document
