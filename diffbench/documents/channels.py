"""The channels that a bench can log, their dimensions, and what a rig may say of each."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, WithJsonSchema, field_validator

from diffbench.documents.arrangements import TURNED
from diffbench.documents.faults import Refusal, refusal
from diffbench.documents.fields import (
    NOT_NEGATIVE,
    POSITIVE,
    Amount,
    Bounds,
    Measured,
    Pair,
    PairOf,
    Table,
    Text,
    amount_schema,
    pair_schema,
    quantity_schema,
    read_amount,
    read_quantity,
    read_uncertainty,
)
from diffbench.errors import QuantityError
from diffbench.quantities import Quantity, conversion

CHANNEL_DIMENSIONS: dict[str, str] = {
    "time": "time",
    "input_torque": "torque",
    "left_torque": "torque",
    "right_torque": "torque",
    "turning_torque": "torque",
    "left_speed": "angular_speed",
    "right_speed": "angular_speed",
    "case_speed": "angular_speed",
    "input_speed": "angular_speed",
    "speed_difference": "angular_speed",
    "oil_temperature": "temperature",
    "plate_temperature": "temperature",
}
"""Dimension of each channel of numbers."""

LABEL_WORDS: dict[str, tuple[str, ...]] = {
    "arrangement": TURNED,
    "direction": ("forward", "backward"),
    "reading": ("breakaway", "running"),
}
"""Words that each channel of texts may hold, after the rig's `values` have translated the file's own."""

CHANNEL_NAMES = (*CHANNEL_DIMENSIONS, *LABEL_WORDS)

CHANNEL_MEANINGS: dict[str, str] = {
    "time": "clock of the samples; left out with a sample_rate, or for hand readings",
    "input_torque": "torque at the case or at the pinion (at); needed by input-and-one-output",
    "left_torque": "torque that the unit delivers to the left output; for sweeps",
    "right_torque": "torque that the unit delivers to the right output; for sweeps",
    "turning_torque": "reading of the wrench, without sign; for hand readings",
    "left_speed": "speed of the left output; for sweeps",
    "right_speed": "speed of the right output; for sweeps",
    "case_speed": "beside speed_difference, which way the shafts turn, for drag and inertia; beside one "
    "output, the other one; beside both, a check",
    "input_speed": "speed at the case or at the pinion (at); a check of the outputs' speeds",
    "speed_difference": "left less right, where the outputs' speeds are not logged; for sweeps",
    "oil_temperature": "oil that the plates run in; wanted always",
    "plate_temperature": "plates, where somebody measures there: then it need not be modelled",
    "arrangement": "how the unit was held, line by line; without it the rig's own arrangement holds for all "
    "hand readings",
    "direction": "which way the output was turned; hand readings with the case held need it",
    "reading": "static (breakaway) or sliding (running) friction; hand readings need it",
}
"""What each channel holds, for schema and guide."""

# A bare number of a channel is in the unit that the rig states for it, else in these. Speeds have none:
# a bench that writes 500 means rpm, the program would mean rad/s.
_BARE_UNITS = {"torque": "N.m", "temperature": "degC", "temperature_difference": "K", "time": "s"}

_RELATIVE = Bounds(
    low=0.0, high=1.0, open_high=True, mend="write a relative standard uncertainty: 0.0015 or '0.15 %'"
)
_EFFICIENCY = Bounds(
    low=0.0, high=1.0, open_low=True, mend="write the efficiency as a share: above 0, up to 1"
)
_GAIN = Bounds(low=0.0, open_low=True, mend="write a gain above zero; a reversed channel has sign = -1")

_TORQUE_KEYS = ("inertia", "drag")
_FINAL_DRIVE_KEYS = ("at", "ratio", "u_ratio", "efficiency")
_NUMBER_KEYS = (
    *("unit", "gain", "zero", "sign", "u_gain", "u_zero", "lag", "u_lag", "range"),
    *_TORQUE_KEYS,
    *_FINAL_DRIVE_KEYS,
)

_AMOUNT = WithJsonSchema(amount_schema("the channel's unit"))


class Channel(Table):
    """One column of a recording and the transducer behind it: ``value = sign * (reading * gain + zero)``.

    Quantities are in SI; zero, u_zero and range in the channel's dimension, where a temperature's zero and
    u_zero are differences [K]. `lag` [s], `inertia` [kg.m²] between transducer and unit, `drag` [N.m] of
    bearings and seals where no tare run says it; `ratio` and `efficiency` of the final drive where torque or
    speed is taken at the pinion. Lag, inertia and drag that are not stated are zero, ratio and efficiency
    one, all with u None; u_gain and u_zero that are not stated are None.
    """

    name: str
    column: Text = Field(
        description="heading in the file, unit and all; case and blanks are forgiven",
        examples=["Torque LH [Nm]"],
    )
    unit: Text | None = Field(
        default=None, description="of the column, where its heading does not say it", examples=["lbf.ft"]
    )
    values: dict[Text, Text] | None = Field(
        default=None,
        description="channels of words only: what each word in the file means",
        examples=[{"ahead": "forward"}],
    )
    at: Literal["case", "pinion"] = Field(
        default="case",
        description="input_torque and input_speed only: where it is taken",
        examples=["pinion"],
    )
    u_ratio: Annotated[float | None, Amount("dimensionless", "1", NOT_NEGATIVE)] = Field(
        default=None, description="standard uncertainty of the ratio, if not within it"
    )
    ratio: Annotated[Quantity, Measured("dimensionless", "1", POSITIVE)] = Field(
        default=Quantity(1.0),
        validate_default=True,
        description="final drive, turns of the pinion per turn of the case; must be there with at = pinion",
        examples=[3.42],
    )
    efficiency: Annotated[Quantity, Measured("dimensionless", "1", _EFFICIENCY)] = Field(
        default=Quantity(1.0),
        description="of the final drive, torque at the pinion only: the case gets ratio · efficiency of the "
        "pinion's torque in drive, ratio / efficiency in coast",
        examples=[{"value": 0.965, "u": 0.01}],
    )
    gain: Annotated[float, Amount("dimensionless", "1", _GAIN)] = Field(
        default=1.0, description="value = sign · (reading · gain + zero)", examples=[1.002]
    )
    u_gain: Annotated[float | None, Amount("dimensionless", "1", _RELATIVE)] = Field(
        default=None,
        description="standard uncertainty of the gain, relative; used for torques",
        examples=[0.0015, "0.15 %"],
    )
    zero: Annotated[float, _AMOUNT] = Field(
        default=0.0, description="added to the reading after its gain", examples=["-0.35 N.m"]
    )
    u_zero: Annotated[float | None, _AMOUNT] = Field(
        default=None,
        description="standard uncertainty of the zero, for torques and temperatures; a temperature's is a "
        "difference, in K or degF",
        examples=["0.8 N.m"],
    )
    sign: Literal[1, -1] = Field(
        default=1, description="-1 for a channel that counts the other way", examples=[-1]
    )
    u_lag: Annotated[float | None, Amount("time", "s", NOT_NEGATIVE)] = Field(
        default=None, description="standard uncertainty of the lag, if not within it", examples=["1 ms"]
    )
    lag: Annotated[Quantity, Measured("time", "s", NOT_NEGATIVE)] = Field(
        default=Quantity(0.0),
        validate_default=True,
        description="time constant of a first-order lag; used for torques",
        examples=["10 ms", {"value": "10 ms", "u": "1 ms"}],
    )
    range: Annotated[Pair | None, WithJsonSchema(pair_schema("the channel's unit"))] = Field(
        default=None,
        description="lowest and highest value that can be true; a sample beyond is left out and counted",
        examples=[["-1500 N.m", "1500 N.m"]],
    )
    inertia: Annotated[Quantity, Measured("inertia", "kg.m^2", NOT_NEGATIVE)] = Field(
        default=Quantity(0.0),
        description="torques of shafts only: what turns between transducer and unit, with its shaft's "
        "acceleration",
        examples=[{"value": "0.05 kg.m^2", "u": "0.004 kg.m^2"}],
    )
    drag: Annotated[Quantity, WithJsonSchema(quantity_schema("the channel's unit"))] = Field(
        default=Quantity(0.0),
        description="torques of shafts only: bearings and seals between transducer and unit, where no tare "
        "run says it",
        examples=[{"value": "1.4 N.m", "u": "0.2 N.m"}],
    )

    @property
    def dimension(self) -> str | None:
        """Dimension of the channel's numbers, one of `diffbench.quantities.DIMENSIONS`; None for texts."""
        return CHANNEL_DIMENSIONS.get(self.name)

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, unit: str | None, info: ValidationInfo) -> str | None:
        dimension = CHANNEL_DIMENSIONS.get(info.data["name"])
        if unit is not None and dimension is not None:
            try:
                conversion(unit, dimension)
            except QuantityError as error:
                mend = error.faults[0].mend
                if dimension == "time":
                    mend += "; clock times and ISO 8601 are found out, leave the unit out for them"
                raise refusal(error.faults[0].what, mend) from error
        return unit

    @field_validator("values")
    @classmethod
    def _known_words(cls, values: dict[str, str] | None, info: ValidationInfo) -> dict[str, str] | None:
        words = LABEL_WORDS.get(info.data["name"])
        if values is not None and words is not None:
            for text, word in values.items():
                if word not in words:
                    known = " or ".join(f"'{known}'" for known in words)
                    raise refusal(f"'{word}' (for '{text}') is no word of this channel", f"write {known}")
        return values

    @field_validator("lag", "ratio")
    @classmethod
    def _with_own_uncertainty(cls, quantity: Quantity, info: ValidationInfo) -> Quantity:
        u = info.data.get(f"u_{info.field_name}")
        if u is None:
            return quantity
        if quantity.u is not None:
            raise refusal(
                f"its uncertainty is stated twice, here and as u_{info.field_name}", "leave one of them out"
            )
        return Quantity(quantity.value, u)

    @field_validator("zero", mode="before")
    @classmethod
    def _read_zero(cls, raw: Any, info: ValidationInfo) -> float:
        dimension, bare_unit = _reading_of(info, raw, difference=True)
        return read_amount(raw, dimension, bare_unit)

    @field_validator("u_zero", mode="before")
    @classmethod
    def _read_u_zero(cls, raw: Any, info: ValidationInfo) -> float:
        dimension, bare_unit = _reading_of(info, raw, difference=True)
        return read_uncertainty(raw, dimension, bare_unit, beside=None)

    @field_validator("range", mode="before")
    @classmethod
    def _read_range(cls, raw: Any, info: ValidationInfo) -> Pair:
        first = raw[0] if isinstance(raw, list | tuple) and raw else raw
        dimension, bare_unit = _reading_of(info, first, difference=False)
        return PairOf(dimension, bare_unit).read(raw)

    @field_validator("drag", mode="before")
    @classmethod
    def _read_drag(cls, raw: Any, info: ValidationInfo) -> Quantity:
        bare_unit = _reading_of(info, raw, difference=False)[1] if _is_torque(info.data["name"]) else "N.m"
        return read_quantity(raw, "torque", bare_unit, NOT_NEGATIVE)


def _is_torque(name: str) -> bool:
    return CHANNEL_DIMENSIONS.get(name) == "torque"


def _reading_of(info: ValidationInfo, raw: object, *, difference: bool) -> tuple[str, str]:
    """Return dimension and bare unit of a key that is in the channel's own dimension."""
    dimension = CHANNEL_DIMENSIONS.get(info.data["name"], "dimensionless")
    if difference and dimension == "temperature":
        dimension = "temperature_difference"
    if dimension == "dimensionless":
        return dimension, "1"
    unit = info.data.get("unit")
    if unit is not None:
        # As a difference, a unit that is known as a temperature is known too, or says so itself.
        with contextlib.suppress(QuantityError):
            return dimension, conversion(unit, dimension).unit
    if dimension not in _BARE_UNITS:
        if isinstance(raw, int | float) and not isinstance(raw, bool) and raw and math.isfinite(raw):
            raise refusal(f"{raw} has no unit, and the rig states none for the channel", f"write '{raw} rpm'")
        return dimension, "rad/s"
    return dimension, _BARE_UNITS[dimension]


def channel_refusals(name: str, raw: Mapping[str, Any]) -> list[Refusal]:
    """Return what is wrong with the keys of one channel, taken together.

    Parameters
    ----------
    name : str
        Name of the channel, one of `CHANNEL_NAMES`.
    raw : mapping
        The channel's table as written.

    Returns
    -------
    Refusals, their places relative to the channel; empty where all is well.

    Examples
    --------
    >>> channel_refusals("input_torque", {"column": "Pinion", "at": "pinion"})[0][1]
    "'ratio' is missing: the torque is taken at the pinion"
    """
    found: list[Refusal] = []

    def refuse(keys: tuple[str, ...], what: str, mend: str) -> None:
        found.extend(((key,), f"'{key}' {what}", mend) for key in keys if key in raw)

    if "name" in raw:
        refuse(("name",), "is no known key", "the channel is named by its heading, [channel.NAME]")
    if name in LABEL_WORDS:
        refuse(_NUMBER_KEYS, "has no meaning for a channel of words", "leave it out")
        return found
    refuse(("values",), "translates words, and this channel holds numbers", "leave it out")
    is_torque, is_input = _is_torque(name), name in {"input_torque", "input_speed"}
    if not is_torque:
        refuse(_TORQUE_KEYS, "belongs to a torque channel", "state it at the torque transducer")
    if not is_input:
        refuse(_FINAL_DRIVE_KEYS, "belongs to input_torque or input_speed", "leave it out")
        return found
    if not is_torque:
        refuse(("efficiency",), "belongs to input_torque", "leave it out: a ratio of speeds is exact")
    thing = "torque" if is_torque else "speed"
    if raw.get("at", "case") == "pinion":
        if "ratio" not in raw:
            found.append(
                (
                    ("ratio",),
                    f"'ratio' is missing: the {thing} is taken at the pinion",
                    "state the final drive: ratio = 3.42",
                )
            )
    elif raw.get("at", "case") == "case":
        refuse(
            ("ratio", "u_ratio", "efficiency") if is_torque else ("ratio", "u_ratio"),
            "has no meaning at the case",
            'write at = "pinion", or leave it out',
        )
    return found
