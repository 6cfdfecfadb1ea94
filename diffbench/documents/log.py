"""The log sheet: what a logger in the car writes, described once, and the runs that were driven."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, field_validator, model_validator
from pydantic.functional_validators import ModelWrapValidatorHandler

from diffbench.documents.faults import Refusal, each_file_once, gathered, refusal
from diffbench.documents.fields import (
    NOT_NEGATIVE,
    POSITIVE,
    Amount,
    AmountWithDoubt,
    Bounds,
    Day,
    Table,
    Text,
)
from diffbench.documents.loading import read_document
from diffbench.documents.rig import FileSettings
from diffbench.errors import QuantityError
from diffbench.quantities import conversion

#: Dimension of each channel of a logger, and what it is.
LOG_CHANNELS = {
    "time": ("time", "clock of the samples"),
    "left_speed": ("angular_speed", "of the left driven wheel; a road speed where rolling_radius is stated"),
    "right_speed": (
        "angular_speed",
        "of the right driven wheel; a road speed where rolling_radius is stated",
    ),
    "speed": ("speed", "of the car"),
    "yaw_rate": ("angular_speed", "of the car, positive to the left (ISO 8855)"),
    "lateral_acceleration": ("acceleration", "of the car, positive to the left"),
    "steering": ("angle", "at the road wheels times steering_ratio, positive to the left"),
    "input_torque": ("torque", "at the case, positive in drive"),
    "brake_torque": ("torque", "of the brake of each driven wheel"),
    "brake_pressure": ("pressure", "of the driven axle's brakes; a torque with brake_torque_per_pressure"),
    "left_brake_pressure": ("pressure", "of the left driven wheel's brake, beside the right one's"),
    "right_brake_pressure": ("pressure", "of the right driven wheel's brake"),
    "throttle": ("dimensionless", "share of the pedal, 0 to 1"),
    "oil_temperature": ("temperature", "of the differential's oil"),
    "lap": ("dimensionless", "number of the lap"),
    "beacon": ("dimensionless", "rises where the line is passed"),
    "distance": ("length", "driven: from the line on, or all along with lap_length"),
    "latitude": ("angle", "position, north"),
    "longitude": ("angle", "position, east"),
}
WHEELS = ("left_speed", "right_speed")
COUNTED = ("lap", "beacon")  # numbers without a unit, which no heading states
BRAKES = ("left_brake_pressure", "right_brake_pressure")
PATHS = ("yaw_rate", "lateral_acceleration", "steering")
_OIL = Bounds(low=-40.0, high=220.0, mend="check the unit: a bare number is in degC")
_RELATIVE = Bounds(low=0.0, high=1.0, open_high=True, mend="write a relative standard uncertainty: 0.005")


class LogChannel(Table):
    """One column of the log: ``value = sign * reading * gain``; `u_gain` [-], `rolling_radius` [m]."""

    name: str
    column: Text = Field(description="heading in the file, unit and all", examples=["Wheel RL [km/h]"])
    unit: Text | None = Field(
        default=None, description="of the column, where its heading does not say it", examples=["km/h"]
    )
    gain: Annotated[float, Amount("dimensionless", "1", POSITIVE)] = Field(
        default=1.0, description="value = sign · reading · gain", examples=[1.01]
    )
    u_gain: Annotated[float, Amount("dimensionless", "1", _RELATIVE)] = Field(
        default=0.0, description="standard uncertainty of the gain, relative", examples=[0.005]
    )
    sign: Literal[1, -1] = Field(default=1, description="-1 for a channel that counts the other way")
    rolling_radius: Annotated[float | None, Amount("length", "mm", POSITIVE)] = Field(
        default=None,
        description="wheel speeds only: that by which the logger makes road speeds of them",
        examples=["305 mm"],
    )

    # What a channel of a bench may be besides: words, several columns, a force at an arm, a counter.
    values: ClassVar[None] = None
    also: ClassVar[tuple[str, ...]] = ()
    arm: ClassVar[None] = None
    arm_length: ClassVar[float] = 1.0
    tick: ClassVar[None] = None
    rolls_over: ClassVar[None] = None

    @property
    def dimension(self) -> str:
        """Of the column's numbers."""
        return "speed" if self.rolling_radius is not None else LOG_CHANNELS[self.name][0]

    @property
    def logged(self) -> str:
        """The same, of its column."""
        return self.dimension

    @property
    def columns(self) -> tuple[str, ...]:
        """All headings that it names."""
        return (self.column,)

    @model_validator(mode="after")
    def _unit_suits(self) -> Self:
        if self.rolling_radius is not None and self.name not in WHEELS:
            raise refusal("rolling_radius belongs to wheel speeds", "leave it out")
        if self.name == "time" and (self.gain, self.sign) != (1.0, 1):
            raise refusal("the clock has neither gain nor sign", "leave them out, and state its unit")
        if self.unit is not None:
            try:
                conversion(self.unit, self.dimension)
            except QuantityError as error:
                mend = error.faults[0].mend
                if self.name in WHEELS:
                    mend += "; a wheel speed as a road speed needs rolling_radius"
                raise refusal(error.faults[0].what, mend) from error
        return self


class LogRun(Table):
    """One recording of the car: `preload` [N.m] where the result is of another one, `temperature` [degC]."""

    file: Text = Field(description="path of the log", examples=["saturday-1.csv"])
    result: Text | None = Field(
        default=None,
        description="result of the bench for the unit as it ran: its folder; without, the number alone",
        examples=["../q17-result"],
    )
    preload: Annotated[float | None, AmountWithDoubt("torque", "N.m", POSITIVE)] = Field(
        default=None,
        description="preload torque as it ran, where it was shimmed otherwise than on the bench",
        examples=["90 N.m"],
    )
    engine_braking: Annotated[float | None, AmountWithDoubt("torque", "N.m", NOT_NEGATIVE)] = Field(
        default=None,
        description="torque at the case off the throttle, where no channel has it",
        examples=[{"value": "110 N.m", "u": "20 N.m"}],
    )
    temperature: Annotated[float | None, AmountWithDoubt("temperature", "degC", _OIL)] = Field(
        default=None, description="of the oil, where no channel has it", examples=["80 degC"]
    )
    laps: tuple[Annotated[float, Amount("time", "s", NOT_NEGATIVE)], ...] = Field(
        default=(),
        description="when each lap begins, by the log's time from its first sample, where no channel says it",
        examples=[["2.5 s", "104.1 s"]],
    )
    note: Text | None = Field(default=None, description="anything")

    @field_validator("laps")
    @classmethod
    def _in_their_order(cls, laps: tuple[float, ...]) -> tuple[float, ...]:
        if any(after <= before for before, after in pairwise(laps)):
            raise refusal("laps do not begin one after the other", "write them in their order, each once")
        return laps


class LogSheet(Table):
    """A logger, its car, and the runs of one day."""

    format: Literal["diffbench-log/1"] = Field(description="kind and version of the document")
    name: Text = Field(description="of the logger or the day", examples=["Test day, invented"])
    car: Text = Field(description="path of the car", examples=["car.toml"])
    date: Day | None = Field(default=None, description="of the runs", examples=["2026-05-02"])
    note: Text | None = Field(default=None, description="anything")
    steering_ratio: Annotated[float | None, Amount("dimensionless", "1", POSITIVE)] = Field(
        default=None, description="steering wheel over road wheels", examples=[14.5]
    )
    understeer_gradient: Annotated[float, AmountWithDoubt("dimensionless", "1")] = Field(
        default=0.0,
        description="road-wheel angle less that of rolling over lateral acceleration, rad per g",
        examples=[{"value": 0.02, "u": 0.005}],
    )
    brake_torque_per_pressure: Annotated[
        float | None, AmountWithDoubt("torque_per_pressure", "N.m/bar", POSITIVE)
    ] = Field(
        default=None,
        description="of the brake of each driven wheel, where its pressure is logged and not its torque",
        examples=[{"value": "14 N.m/bar", "u": "2 N.m/bar"}],
    )
    lap_length: Annotated[float | None, Amount("length", "m", POSITIVE)] = Field(
        default=None, description="where distance goes on from lap to lap", examples=["3.2 km"]
    )
    file: FileSettings = Field(
        default_factory=FileSettings, description="how its files are written; found out where not stated"
    )
    channel: dict[str, LogChannel] = Field(description="one for each column that is used")
    run: tuple[LogRun, ...] = Field(min_length=1, description="one for each log")

    @property
    def turns_one_output(self) -> bool:
        """A logger's every channel is wanted in its file."""
        return True

    @property
    def path_channel(self) -> str:
        """Which channel says how the car turns: the first of yaw rate, lateral acceleration, steering."""
        return next(name for name in PATHS if name in self.channel)

    @field_validator("run")
    @classmethod
    def _each_once(cls, runs: tuple[LogRun, ...]) -> tuple[LogRun, ...]:
        each_file_once([run.file for run in runs])
        return runs

    @model_validator(mode="wrap")
    @classmethod
    def _as_a_whole(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        if not isinstance(data, Mapping) or not isinstance(data.get("channel"), Mapping):
            return handler(data)
        found: list[Refusal] = []
        described: dict[str, Any] = {}
        for name, table in data["channel"].items():
            if name not in LOG_CHANNELS:
                near = difflib.get_close_matches(str(name), LOG_CHANNELS)
                mend = f"write '{near[0]}'" if near else "write one of " + ", ".join(LOG_CHANNELS)
                found.append((("channel", name), f"'{name}' is no known channel of a log", mend))
            else:
                plain = {"unit": "1"} if name in COUNTED else {}
                described[name] = {**plain, **table, "name": name} if isinstance(table, Mapping) else table
        found += _missing(data, set(described))
        return gathered(cls.__name__, handler, {**data, "channel": described}, found)


def _missing(data: Mapping[str, Any], names: set[str]) -> list[Refusal]:
    found: list[Refusal] = [
        (
            ("channel",),
            f"'{name}' is missing, without which there is no number",
            f"describe [channel.{name}]"
            + ("; one wheel speed alone serves as speed" if names & {"left_speed", "right_speed"} else ""),
        )
        for name in (*WHEELS, "speed")
        if name not in names and (name == "speed" or names & set(WHEELS))
    ]
    found += [
        (
            ("channel",),
            f"'{name}' is missing beside '{other}'",
            f"describe [channel.{name}], or leave both out",
        )
        for name, other in (BRAKES, BRAKES[::-1])
        if other in names and name not in names
    ]
    if "brake_torque_per_pressure" in data and not names & {"brake_pressure", *BRAKES}:
        what = "brake_torque_per_pressure has no pressure to go by"
        found.append((("brake_torque_per_pressure",), what, "describe [channel.brake_pressure]"))
    runs = data.get("run")
    if not names & set(WHEELS) and isinstance(runs, list):
        found += [
            (
                ("run", i),
                "without wheel speeds and without a result of the bench there is no number",
                "describe left_speed and right_speed, or name the run's result",
            )
            for i, run in enumerate(runs)
            if isinstance(run, Mapping) and "result" not in run
        ]
    if not names & set(PATHS):
        found.append((("channel",), "nothing says how the car turns", "describe one of " + ", ".join(PATHS)))
    if not names & {"yaw_rate", "lateral_acceleration"} and "steering_ratio" not in data:
        found.append((("steering_ratio",), "steering alone says no path", "state steering_ratio"))
    gradient = data.get("understeer_gradient")
    if not names & {"yaw_rate", "lateral_acceleration"} and not (
        isinstance(gradient, Mapping) and "u" in gradient
    ):
        found.append(
            (
                ("understeer_gradient",),
                "steering says the path by the understeer gradient, whose doubt decides the number",
                "state { value = ..., u = ... } as driven on a steady circle, or describe [channel.yaw_rate]",
            )
        )
    return found


def load_log(path: str | Path) -> LogSheet:
    """The log sheet of a TOML file, in SI. Raises ``DocumentError`` with every fault of the file."""
    return read_document(path, LogSheet).document
