"""The rig: a bench described once, its arrangement, its files and its transducers.

Nothing that is not stated is filled in: a default that changes a result is exact zero or one, and is listed
aloud as counting as exact. Arrangement, unit, sign, left and right are never guessed.
"""

from __future__ import annotations

import codecs
import contextlib
import difflib
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import (
    Field,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    WithJsonSchema,
    field_validator,
    model_validator,
)
from pydantic.functional_validators import ModelWrapValidatorHandler

from diffbench.documents.arrangements import (
    ARRANGEMENTS,
    CHANNEL_DIMENSIONS,
    CHANNEL_NAMES,
    LABEL_WORDS,
    OUTPUTS,
    Arrangement,
    ArrangementName,
    Equilibrium,
)
from diffbench.documents.faults import Refusal, gathered, refusal
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
    read_uncertainty,
)
from diffbench.documents.loading import read_document
from diffbench.errors import QuantityError
from diffbench.quantities import Quantity, conversion, knows

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_SHARE = Bounds(
    low=0.0, high=1.0, open_high=True, mend="write a relative standard deviation: 0.015 or '1.5 %'"
)
_THOUSANDS = ".,'\u2019_ \u00a0\u2009\u202f"  # the last four are blanks of several widths
_NAMED_DELIMITERS = {"tab": "\t", "comma": ",", "semicolon": ";", "space": " "}


class FileSettings(Table):
    """How the bench writes its files, as far as it can't be found out from them.

    What is not stated is None.
    `units_row` says whether the row below the headings holds units, `skip_rows` how many lines stand above
    the headings, `sample_rate` [Hz] the clock of a file without a time column, `sheet` which sheet of a
    workbook, `group` which group of channels gives the clock where a file has several.
    """

    delimiter: str | None = Field(
        default=None,
        description="between columns: a character, or tab, comma, semicolon, space",
        examples=[";"],
    )
    decimal: Literal[".", ","] | None = Field(default=None, description="decimal mark", examples=[","])
    thousands: str | None = Field(default=None, description="mark between thousands", examples=["."])
    encoding: Text | None = Field(
        default=None,
        description="of the characters; else byte-order mark, UTF-8, cp1252",
        examples=["cp1252"],
    )
    skip_rows: Annotated[int | None, Field(strict=True, ge=0)] = Field(
        default=None, description="lines above the headings", examples=[4]
    )
    units_row: Annotated[bool | None, Field(strict=True)] = Field(
        default=None, description="whether the line below the headings holds units", examples=[True]
    )
    sheet: Text | None = Field(
        default=None,
        description="of a workbook, by name; else the only one that holds numbers",
        examples=["Sweep"],
    )
    group: Text | None = Field(
        default=None,
        description="of channels, by name: its clock is the one that all channels are put onto; else the one "
        "with most samples",
        examples=["Sweep"],
    )
    sample_rate: Annotated[float | None, Amount("frequency", "Hz", POSITIVE)] = Field(
        default=None, description="clock of a file without a time column", examples=["100 Hz"]
    )

    @field_validator("delimiter")
    @classmethod
    def _one_character(cls, delimiter: str | None) -> str | None:
        if delimiter is None:
            return None
        delimiter = _NAMED_DELIMITERS.get(delimiter, delimiter)
        if len(delimiter) != 1 or delimiter.isalnum() or delimiter in "\"'+-\r\n":
            raise refusal(
                f"'{delimiter}' can't part columns", "write one character, for example ';' or 'tab'"
            )
        return delimiter

    @field_validator("decimal")
    @classmethod
    def _not_delimiter(cls, decimal: str | None, info: ValidationInfo) -> str | None:
        if decimal is not None and decimal == info.data.get("delimiter"):
            raise refusal(f"'{decimal}' parts columns already", "check delimiter and decimal")
        return decimal

    @field_validator("thousands")
    @classmethod
    def _not_taken(cls, thousands: str | None, info: ValidationInfo) -> str | None:
        if thousands is None:
            return None
        if len(thousands) != 1 or thousands not in _THOUSANDS:
            raise refusal(f"'{thousands}' is no thousands mark", "write one of . , ' or a blank")
        for key in ("delimiter", "decimal"):
            if thousands == info.data.get(key):
                raise refusal(f"'{thousands}' is the {key} already", f"check thousands and {key}")
        return thousands

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, encoding: str | None) -> str | None:
        if encoding is None:
            return None
        try:
            "x".encode(encoding)  # refuses the codecs that are not of texts, too
            return codecs.lookup(encoding).name
        except LookupError as error:
            raise refusal(
                f"'{encoding}' is no known encoding",
                "write for example 'utf-8', 'utf-16', 'cp1252' or 'latin-1'",
            ) from error


# Where a torque or speed may be taken other than at the unit, and what that is called.
_GEARED = {
    "input_torque": "pinion",
    "input_speed": "pinion",
    "left_torque": "wheel",
    "right_torque": "wheel",
    "left_speed": "wheel",
    "right_speed": "wheel",
}

# A bare number of a channel is in the unit that the rig states for it, else in these. Speeds have none:
# a bench that writes 500 means rpm, the program would mean rad/s.
_BARE_UNITS = {
    "torque": "N.m",
    "temperature": "degC",
    "temperature_difference": "K",
    "time": "s",
    "dimensionless": "1",
}

_RELATIVE = Bounds(
    low=0.0, high=1.0, open_high=True, mend="write a relative standard uncertainty: 0.0015 or '0.15 %'"
)
_EFFICIENCY = Bounds(
    low=0.0, high=1.0, open_low=True, mend="write the efficiency as a share: above 0, up to 1"
)
_ARM = Bounds(
    low=0.0, high=10.0, open_low=True, mend="a bare number is in metres: write the unit, as in '400 mm'"
)
_ROLLING = Bounds(
    low=10.0, high=2000.0, mend="a bare number is in millimetres: write the unit, as in '305 mm'"
)
_GAIN = Bounds(low=0.0, open_low=True, mend="write a gain above zero; a reversed channel has sign = -1")

_TORQUE_KEYS = ("inertia", "drag", "arm", "hysteresis")
_READING_KEYS = ("u_reading", "resolution")
_FINAL_DRIVE_KEYS = ("at", "ratio", "u_ratio", "efficiency")
_NUMBER_KEYS = (
    *("rolling_radius", "unit", "gain", "zero", "sign", "u_gain", "u_zero", "lag", "u_lag", "range"),
    *_TORQUE_KEYS,
    *_READING_KEYS,
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
    also: tuple[Text, ...] = Field(
        default=(),
        description="temperatures that are measured at several places: headings of the further columns; the "
        "mean counts, of those that read",
        examples=[["Oil right [degC]"]],
    )
    arm: Annotated[Quantity | None, Measured("length", "m", _ARM)] = Field(
        default=None,
        description="torques that are read as a force: the lever arm of the load cell or spring balance. "
        "Unit, zero, u_zero and range may then be forces; its u adds to u_gain",
        examples=[{"value": "0.5 m", "u": "0.5 mm"}],
    )
    rolling_radius: Annotated[float | None, Amount("length", "mm", _ROLLING)] = Field(
        default=None,
        description="speeds read at a roller or a rim, as km/h: radius of the wheel that rolls there",
        examples=["305 mm"],
    )
    unit: Text | None = Field(
        default=None, description="of the column, where its heading does not say it", examples=["lbf.ft"]
    )
    values: dict[Text, Text] | None = Field(
        default=None,
        description="channels of words only: what each word in the file means",
        examples=[{"ahead": "forward"}],
    )
    at: Literal["case", "pinion", "wheel"] | None = Field(
        default=None,
        description="where it is taken, if not at the unit: input at the pinion, before a final drive; an "
        "output at the wheel, behind a reduction",
        examples=["pinion"],
    )
    u_ratio: Annotated[float | None, Amount("dimensionless", "1", NOT_NEGATIVE)] = Field(
        default=None, description="standard uncertainty of the ratio, if not within it"
    )
    ratio: Annotated[Quantity, Measured("dimensionless", "1", POSITIVE)] = Field(
        default=Quantity(1.0),
        description="of that gear: turns of its side towards the motor per turn of its side towards the "
        "wheel; must be there with at = pinion or wheel",
        examples=[3.42],
    )
    efficiency: Annotated[Quantity, Measured("dimensionless", "1", _EFFICIENCY)] = Field(
        default=Quantity(1.0),
        description="of that gear, torques only: what comes out is ratio · efficiency of what goes in while "
        "power flows to the wheels, ratio / efficiency in coast",
        examples=[{"value": 0.965, "u": 0.01}],
    )
    tick: Annotated[float | None, Amount("time", "s", POSITIVE)] = Field(
        default=None,
        description="time only, of a column that counts samples or pulses: how long one count is",
        examples=["0.1 ms"],
    )
    rolls_over: Annotated[float | None, Amount("dimensionless", "1", POSITIVE)] = Field(
        default=None,
        description="time only, of a counter that begins again at nothing: after how many counts, in the "
        "column's own numbers",
        examples=[65536],
    )
    gain: Annotated[float, Amount("dimensionless", "1", _GAIN)] = Field(
        default=1.0, description="value = sign · (reading · gain + zero)", examples=[1.002]
    )
    u_gain: Annotated[float | None, Amount("dimensionless", "1", _RELATIVE)] = Field(
        default=None,
        validate_default=True,
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
        description="time constant of a first-order lag; of torques and temperatures",
        examples=["10 ms", {"value": "10 ms", "u": "1 ms"}],
    )
    range: Annotated[Pair | None, WithJsonSchema(pair_schema("the channel's unit"))] = Field(
        default=None,
        description="lowest and highest value that can be true; a sample beyond is left out and counted",
        examples=[["-1500 N.m", "1500 N.m"]],
    )
    hysteresis: Annotated[float | None, _AMOUNT] = Field(
        default=None,
        description="standard uncertainty of what a torque reading stays behind its load, in the middle of "
        "its widest cycle",
        examples=["0.3 N.m"],
    )
    reaction: bool = False
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

    u_reading: Annotated[float | None, Amount("dimensionless", "1", _RELATIVE)] = Field(
        default=None,
        description="turning_torque only: standard uncertainty of one reading by the hand that takes it, "
        "relative; where not stated, the repeats say it",
        examples=[0.02],
    )
    resolution: Annotated[float | None, WithJsonSchema(amount_schema("the channel's unit"))] = Field(
        default=None,
        description="turning_torque only: smallest step of the scale, to which readings are rounded; where "
        "not stated, the step that the readings show",
        examples=["0.5 lbf.ft"],
    )

    @property
    def dimension(self) -> str | None:
        """Dimension of the channel's numbers, one of `diffbench.quantities.DIMENSIONS`; None for texts."""
        return CHANNEL_DIMENSIONS.get(self.name)

    @property
    def columns(self) -> tuple[str, ...]:
        """All headings that it names."""
        return (self.column, *self.also)

    @property
    def logged(self) -> str | None:
        """Dimension of what its column holds: a force where the torque is read at an arm, a road speed where
        an angular one is read at a roller."""
        return _at_a_lever(self.name, self.arm, self.rolling_radius)[0]

    @property
    def arm_length(self) -> float:
        """What the column's numbers in SI are multiplied by: arm [m], one over the rolling radius [1/m], or 1
        without either.

        >>> Channel(name="left_speed", column="v [km/h]", rolling_radius="300 mm").arm_length
        3.3333333333333335
        """
        return _at_a_lever(self.name, self.arm, self.rolling_radius)[1]

    @property
    def turns(self) -> Quantity:
        """Turns of the channel's own shaft per turn of the unit's: the ratio at the pinion, its inverse at
        the wheel, one at the unit. So is the torque at the unit per torque at the shaft, but for losses.

        >>> Channel(name="left_torque", column="M", at="wheel", ratio=4.0).turns.value
        0.25
        """
        if self.at == "pinion":
            return self.ratio
        if self.at != "wheel":
            return Quantity(1.0)
        u = self.ratio.u
        return Quantity(1.0 / self.ratio.value, None if u is None else u / self.ratio.value**2)

    def corrected(self, reading: NDArray[np.float64]) -> NDArray[np.float64]:
        """The values that readings (n,) in SI stand for; the readings themselves, no copy, where they do."""
        sign = -self.sign if self.reaction else self.sign
        if sign == 1 and self.gain == 1 and self.zero == 0:
            return reading
        return sign * (reading * self.gain + self.zero)

    def at_unit(self, speed: NDArray[np.float64]) -> NDArray[np.float64]:
        """Speed of the unit's shaft (n,) where that of this one is known."""
        turns = self.turns.value
        return speed if turns == 1.0 else speed / turns

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, unit: str | None, info: ValidationInfo) -> str | None:
        dimension, _ = _at_a_lever(*(info.data.get(key) for key in ("name", "arm", "rolling_radius")))
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

    @field_validator("u_gain", mode="wrap")
    @classmethod
    def _with_the_arm(
        cls, raw: Any, handler: ValidatorFunctionWrapHandler, info: ValidationInfo
    ) -> float | None:
        u: float | None = None if raw is None else handler(raw)
        arm = info.data.get("arm")
        return u if arm is None or arm.u is None else math.hypot(u or 0.0, arm.u / arm.value)

    @field_validator("zero", mode="before")
    @classmethod
    def _read_zero(cls, raw: Any, info: ValidationInfo) -> float:
        dimension, bare_unit, arm = _reading_of(info, raw, difference=True)
        return arm * Amount(dimension, bare_unit).read(raw)

    @field_validator("u_zero", "resolution", "hysteresis", mode="before")
    @classmethod
    def _read_u_zero(cls, raw: Any, info: ValidationInfo) -> float:
        dimension, bare_unit, arm = _reading_of(info, raw, difference=True)
        return arm * read_uncertainty(raw, dimension, bare_unit, beside=None)

    @field_validator("range", mode="before")
    @classmethod
    def _read_range(cls, raw: Any, info: ValidationInfo) -> Pair:
        said = next((end for end in raw if end), raw) if isinstance(raw, list | tuple) else raw
        dimension, bare_unit, arm = _reading_of(info, said, difference=False)
        low, high = PairOf(dimension, bare_unit).read(raw)
        return (arm * low, arm * high)

    @field_validator("drag", mode="before")
    @classmethod
    def _read_drag(cls, raw: Any, info: ValidationInfo) -> Quantity:
        bare_unit = "N.m"
        if _is_torque(info.data["name"]) and info.data.get("arm") is None:
            bare_unit = _reading_of(info, raw, difference=False)[1]
        return Measured("torque", bare_unit, NOT_NEGATIVE).read(raw)


def _is_torque(name: str) -> bool:
    return CHANNEL_DIMENSIONS.get(name) == "torque"


def _at_a_lever(name: Any, arm: Any, radius: Any) -> tuple[str | None, float]:
    """Dimension of a column, and what makes its numbers those of the channel."""
    dimension = CHANNEL_DIMENSIONS.get(name)
    if dimension == "torque" and arm is not None:
        return "force", arm.value
    if dimension == "angular_speed" and radius is not None:
        return "speed", 1.0 / radius
    return dimension, 1.0


def _reading_of(info: ValidationInfo, raw: object, *, difference: bool) -> tuple[str, str, float]:
    """Dimension and bare unit of a key that is in the channel's own dimension, and the arm [m] of a force or
    one over the radius [1/m] of a road speed."""
    dimension = CHANNEL_DIMENSIONS.get(info.data["name"], "dimensionless")
    arm = info.data.get("arm")
    if dimension == "torque" and arm is not None and not _says_torque(raw):
        unit = info.data.get("unit")
        return "force", "N" if unit is None else conversion(unit, "force").unit, arm.value
    radius = info.data.get("rolling_radius")
    if dimension == "angular_speed" and radius is not None:
        unit = info.data.get("unit")
        return "speed", "m/s" if unit is None else conversion(unit, "speed").unit, 1.0 / radius
    if difference and dimension == "temperature":
        dimension = "temperature_difference"
    unit = info.data.get("unit")
    if unit is not None:
        # As a difference, a unit that is known as a temperature is known too, or says so itself.
        with contextlib.suppress(QuantityError):
            return dimension, conversion(unit, dimension).unit, 1.0
    if dimension not in _BARE_UNITS:
        if isinstance(raw, int | float) and not isinstance(raw, bool) and raw and math.isfinite(raw):
            raise refusal(f"{raw} has no unit, and the rig states none for the channel", f"write '{raw} rpm'")
        return dimension, "rad/s", 1.0
    return dimension, _BARE_UNITS[dimension], 1.0


def _says_torque(raw: object) -> bool:
    """Whether a text is a number in a unit of torque."""
    found = re.fullmatch(r"\s*[-+\d.eE]+\s*(.*)", raw) if isinstance(raw, str) else None
    return found is not None and knows(found[1], "torque")


def _channel_refusals(name: str, raw: Mapping[str, Any]) -> list[Refusal]:
    """What is wrong with the keys of one channel, taken together, at places relative to it.

    >>> _channel_refusals("input_torque", {"column": "Pinion", "at": "pinion"})[0][1]
    "'ratio' is missing: the torque is taken at the pinion"
    """
    found: list[Refusal] = []

    def refuse(keys: tuple[str, ...], what: str, mend: str) -> None:
        found.extend(((key,), f"'{key}' {what}", mend) for key in keys if key in raw)

    refuse(("name",), "is no known key", "the channel is named by its heading, [channel.NAME]")
    refuse(("reaction",), "is no known key", 'write outputs = "reaction" at the top of the rig')
    if name in LABEL_WORDS:
        refuse(_NUMBER_KEYS, "has no meaning for a channel of words", "leave it out")
        return found
    if name != "time":
        refuse(("tick", "rolls_over"), "belongs to the time", "leave it out")
    elif "tick" in raw:
        refuse(("unit",), "is one of time, and tick says how long a count is", "leave one of them out")
    if CHANNEL_DIMENSIONS.get(name) != "temperature":
        refuse(("also",), "belongs to a temperature", "describe each column as a channel of its own")
    refuse(("values",), "translates words, and this channel holds numbers", "leave it out")
    if CHANNEL_DIMENSIONS.get(name) != "angular_speed":
        refuse(("rolling_radius",), "belongs to a speed", "state it at the speed that a roller reads")
    if not _is_torque(name):
        refuse(_TORQUE_KEYS, "belongs to a torque channel", "state it at the torque transducer")
    if name != "turning_torque":
        refuse(_READING_KEYS, "belongs to turning_torque", "leave it out")
    return [*found, *_reduction_refusals(name, raw)]


def _reduction_refusals(name: str, raw: Mapping[str, Any]) -> list[Refusal]:
    """What is wrong with where a channel is taken, and with the reduction that lies between."""
    found: list[Refusal] = []

    def refuse(keys: tuple[str, ...], what: str, mend: str) -> None:
        found.extend(((key,), f"'{key}' {what}", mend) for key in keys if key in raw)

    is_torque, geared = _is_torque(name), _GEARED.get(name)
    if geared is None:
        refuse(_FINAL_DRIVE_KEYS, "belongs to the input, or to torque or speed of one output", "leave it out")
        return found
    if not is_torque:
        refuse(("efficiency",), "belongs to torques", "leave it out: a ratio of speeds is exact")
    thing, at = "torque" if is_torque else "speed", raw.get("at")
    if at == geared:
        if raw.get("ratio", "") == "":  # as a draft leaves it
            gear = "the final drive" if geared == "pinion" else "the reduction"
            found.append(
                (
                    ("ratio",),
                    f"'ratio' is missing: the {thing} is taken at the {geared}",
                    f"state {gear}: ratio = 3.42",
                )
            )
    elif at in ("pinion", "wheel", "case") and (at, geared) != ("case", "pinion"):
        where = "the input is taken at the case or the pinion, an output at the unit or the wheel"
        found.append((("at",), f"'{at}' cannot be here: {where}", f'write at = "{geared}", or leave it out'))
    elif at in (None, "case"):
        refuse(
            ("ratio", "u_ratio", "efficiency") if is_torque else ("ratio", "u_ratio"),
            f"has no meaning at the {'case' if geared == 'pinion' else 'unit'}",
            f'write at = "{geared}", or leave it out',
        )
    return found


class Repeatability(Table):
    """Relative standard deviations of one refit of the same unit to the bench."""

    preload_torque: Annotated[float | None, Amount("dimensionless", "1", _SHARE)] = Field(
        default=None,
        description="relative standard deviation of the preload torque from refit to refit",
        examples=[0.015],
    )
    ramp_bias: Annotated[float | None, Amount("dimensionless", "1", _SHARE)] = Field(
        default=None, description="the same of each ramp bias", examples=[0.01]
    )


class Allowance(Table):
    """What counts of any bench where nothing states or shows it, as relative standard uncertainties; 0
    switches one off, aloud."""

    fitted_once: Annotated[float, Amount("dimensionless", "1", _SHARE)] = Field(
        default=0.001,
        description="what a bench does to one unit fitted once, however well the cells agree: some 0.1 %, of "
        "the 0.5 % of full scale that SAE J3011 allows (common practice, no source for the share)",
        examples=[0.001],
    )
    one_way: Annotated[float, Amount("dimensionless", "1", _SHARE)] = Field(
        default=0.01,
        description="by how much one slip direction may stand apart from the mean of both, where only one "
        "was run: packs whose friction or springs differ by some 5 % (common practice, no source)",
        examples=[0.01],
    )
    cross_talk: Annotated[float, Amount("dimensionless", "1", _SHARE)] = Field(
        default=0.001,
        description="share of the other's torque that a torque channel reads, where the rig states no "
        "cross_talk (common practice, no source)",
        examples=[0.001],
    )
    oil_sensor: Annotated[float, Amount("dimensionless", "1", _SHARE)] = Field(
        default=0.02,
        description="what an oil sensor misses by its place, as a share of the oil's rise above 20 °C, where "
        "its channel states no u_zero: 1 K at 70 °C (common practice, no source)",
        examples=[0.02],
    )
    hysteresis: Annotated[float, Amount("dimensionless", "1", _SHARE)] = Field(
        default=0.0005,
        description="by how much a torque reading stays behind its load, as a share of its largest, where "
        "its channel states no hysteresis: 0.05 %, a usual class of torque flanges (common practice, no "
        "source)",
        examples=[0.0005],
    )
    running_in: Annotated[float, Amount("dimensionless", "1", _SHARE)] = Field(
        default=0.03,
        description="by how much friction may change for good over a visit that only warms up, which can't "
        "tell that from temperature: 1 to 6 % after a rebuild (common practice, no source)",
        examples=[0.03],
    )


class Rig(Table):
    """A bench: its name, how the unit sits in it, its files and its channels by name."""

    format: Literal["diffbench-rig/1"] = Field(description="kind and version of the document")
    name: Text = Field(description="of the bench", examples=["Our cell"])
    note: Text | None = Field(default=None, description="anything", examples=["moved in May"])
    arrangement: ArrangementName = Field(description="how the unit sits in the bench, and what is measured")
    outputs: Literal["delivered", "reaction"] = Field(
        default="delivered",
        description="what left_torque and right_torque read: what the unit delivers, positive in drive; or "
        "its reaction, both negative in drive",
        examples=["reaction"],
    )
    file: FileSettings = Field(
        default_factory=FileSettings, description="how its files are written; found out where not stated"
    )
    channel: dict[str, Channel] = Field(description="one for each column that is used")
    turning_speed: Annotated[Pair | None, PairOf("angular_speed", "rad/s", POSITIVE)] = Field(
        default=None,
        description="hand readings: lowest and highest speed at which the output is turned while it runs; "
        "0.05 to 1 rad/s where neither this nor a column says it",
        examples=[["0.1 rad/s", "0.3 rad/s"]],
    )
    cross_talk: Annotated[float | None, Amount("dimensionless", "1", _SHARE)] = Field(
        default=None,
        description="standard uncertainty of the share of the other's torque that a torque channel reads",
        examples=[0.001],
    )
    repeatability: Repeatability = Field(
        default_factory=Repeatability, description="of one refit of the same unit to the bench"
    )
    allowance: Allowance = Field(
        default_factory=Allowance, description="what counts where nothing states or shows it"
    )

    @property
    def sits(self) -> Arrangement:
        """The arrangement itself."""
        return ARRANGEMENTS[self.arrangement]

    @property
    def places_oil_sensor(self) -> bool:
        """Whether what an oil sensor misses by its place is allowed for: nothing states it, and no plates are
        measured."""
        oil = self.channel.get("oil_temperature")
        stated = "plate_temperature" in self.channel or oil is None or oil.u_zero is not None
        return not stated and self.allowance.oil_sensor > 0.0

    @property
    def turns_one_output(self) -> bool:
        """Whether one output is turned, by hand or by a slow drive."""
        return self.sits.turned is not None

    @property
    def equilibrium(self) -> Equilibrium:
        """What each torque channel counts in input torque and torque difference."""
        return self.sits.equilibrium(self.channel)

    @model_validator(mode="wrap")
    @classmethod
    def _as_a_whole(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        if not isinstance(data, Mapping) or not isinstance(data.get("channel"), Mapping):
            return handler(data)
        channels = data["channel"]
        found: list[Refusal] = []
        described: dict[str, Any] = {}
        for name, table in channels.items():
            if name not in CHANNEL_NAMES:
                near = difflib.get_close_matches(str(name), CHANNEL_NAMES)
                mend = f"write '{near[0]}'" if near else "write one of " + ", ".join(CHANNEL_NAMES)
                found.append((("channel", name), f"'{name}' is no known channel", mend))
            elif isinstance(table, Mapping):
                found += [
                    (("channel", name, *at), what, mend) for at, what, mend in _channel_refusals(name, table)
                ]
                reaction = name in OUTPUTS and data.get("outputs") == "reaction"
                described[name] = {**table, "name": name, "reaction": reaction}
                if table.get("ratio") == "" and table.get("at") == _GEARED.get(name, ""):  # told as missing
                    del described[name]["ratio"]
            else:
                described[name] = table
        found += _same_columns(channels)
        found += _missing_channels(data.get("arrangement"), set(channels))
        settings = data.get("file")
        if isinstance(settings, Mapping) and "sample_rate" in settings and "time" in channels:
            found.append(
                (
                    ("file", "sample_rate"),
                    "the rig has a time column and a sample rate",
                    "leave one of them out",
                )
            )
        return gathered(cls.__name__, handler, {**data, "channel": described}, found)


def _same_columns(channels: Mapping[str, Any]) -> list[Refusal]:
    """A refusal for each channel that names the column of an earlier one."""
    found: list[Refusal] = []
    taken: dict[str, str] = {}
    for name, table in channels.items():
        column = table.get("column") if isinstance(table, Mapping) else None
        if not isinstance(column, str):
            continue
        other = taken.setdefault(column.strip(), name)
        if other != name:
            found.append(
                (
                    ("channel", name, "column"),
                    f"the column '{column}' is {other} already",
                    "name the column of this channel",
                )
            )
    return found


def _missing_channels(arrangement: object, names: set[str]) -> list[Refusal]:
    """A refusal for each channel without which the arrangement has no equilibrium to compute with."""
    known = ARRANGEMENTS.get(arrangement) if isinstance(arrangement, str) else None
    if known is None:
        return []  # an unknown arrangement is reported by itself
    found = known.refusals(names)
    if known.turned is not None:
        return found
    one_with_case = names & {"case_speed", "input_speed"} and names & {"left_speed", "right_speed"}
    if not {"left_speed", "right_speed"} <= names and "speed_difference" not in names and not one_with_case:
        found.append(
            (
                ("channel",),
                "nothing says the speed difference",
                "describe both outputs' speeds, or one and case_speed or input_speed, or speed_difference",
            )
        )
    return found


def load_rig(path: str | Path) -> Rig:
    """The rig of a TOML file, in SI. Raises ``DocumentError`` with every fault of the file."""
    return read_document(path, Rig).document
