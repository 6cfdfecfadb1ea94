"""The rig: a bench described once, its arrangement, its files and its transducers.

Nothing that is not stated is filled in: a default that changes a result is exact zero or one, and is listed
aloud as counting as exact. Arrangement, unit, sign, left and right are never guessed.
"""

from __future__ import annotations

import codecs
import difflib
from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator
from pydantic.functional_validators import ModelWrapValidatorHandler

from diffbench.documents.arrangements import ARRANGEMENTS, Arrangement, ArrangementName, Equilibrium
from diffbench.documents.channels import CHANNEL_NAMES, Channel, channel_refusals
from diffbench.documents.faults import Refusal, gathered, refusal
from diffbench.documents.fields import POSITIVE, Amount, Bounds, Table, Text

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
    """What counts of any bench where nothing states or shows it, as relative standard uncertainties of the
    locking torque; 0 switches one off, aloud."""

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


class Rig(Table):
    """A bench: its name, how the unit sits in it, its files and its channels by name."""

    format: Literal["diffbench-rig/1"] = Field(description="kind and version of the document")
    name: Text = Field(description="of the bench", examples=["Our cell"])
    note: Text | None = Field(default=None, description="anything", examples=["moved in May"])
    arrangement: ArrangementName = Field(description="how the unit sits in the bench, and what is measured")
    file: FileSettings = Field(
        default_factory=FileSettings, description="how its files are written; found out where not stated"
    )
    channel: dict[str, Channel] = Field(description="one for each column that is used")
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
                near = difflib.get_close_matches(str(name), CHANNEL_NAMES, n=1)
                mend = f"write '{near[0]}'" if near else "write one of " + ", ".join(CHANNEL_NAMES)
                found.append((("channel", name), f"'{name}' is no known channel", mend))
            elif isinstance(table, Mapping):
                found += [
                    (("channel", name, *at), what, mend) for at, what, mend in channel_refusals(name, table)
                ]
                described[name] = {**table, "name": name}
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
    """Return a refusal for each channel that names the column of an earlier one."""
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
    """Return a refusal for each channel without which the arrangement has no equilibrium to compute with."""
    known = ARRANGEMENTS.get(arrangement) if isinstance(arrangement, str) else None
    if known is None:
        return []  # an unknown arrangement is reported by itself
    found = known.refusals(names)
    if known.turned is not None:
        return found
    one_with_case = "case_speed" in names and names & {"left_speed", "right_speed"}
    if not {"left_speed", "right_speed"} <= names and "speed_difference" not in names and not one_with_case:
        found.append(
            (
                ("channel",),
                "nothing says the speed difference",
                "describe left_speed and right_speed, or one of them and case_speed, or speed_difference",
            )
        )
    return found
