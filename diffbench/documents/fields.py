"""Field types that the documents share: quantities read to SI, counts, texts, tables without unknown keys."""

from __future__ import annotations

import datetime as dt
import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, GetJsonSchemaHandler, StringConstraints
from pydantic_core import PydanticCustomError, core_schema

from diffbench.documents.faults import Refusal, refusal, refusals
from diffbench.errors import QuantityError
from diffbench.quantities import Quantity, conversion, parse_quantity

Pair = tuple[float, float]

LIMITS_95 = 1.959964  # standard uncertainties, normal distribution

NUMBER_AND_UNIT: dict[str, Any] = {
    "type": "string",
    "pattern": r"^\s*[+\-−]?(\d+\.?\d*|\.\d+)([eE][+\-]?\d+)?\s*\S*",
    "description": "a number and its unit",
}
"""JSON Schema of a text such as ``"12 lbf.ft"``."""


def amount_schema(bare_unit: str) -> dict[str, Any]:
    """JSON Schema of a number, which is in the bare unit, or a text with a unit."""
    number = {"type": "number"} if bare_unit == "1" else {"type": "number", "description": f"in {bare_unit}"}
    return {"anyOf": [number, NUMBER_AND_UNIT]}


def pair_schema(bare_unit: str) -> dict[str, Any]:
    """JSON Schema of two of them."""
    return {"type": "array", "items": amount_schema(bare_unit), "minItems": 2, "maxItems": 2}


def quantity_schema(bare_unit: str) -> dict[str, Any]:
    """JSON Schema of one of them, or of a table of value and u."""
    amount = amount_schema(bare_unit)
    table = {
        "type": "object",
        "properties": {"value": amount, "u": amount | {"description": "standard uncertainty"}},
        "required": ["value"],
        "additionalProperties": False,
    }
    return {"anyOf": [*amount["anyOf"], table]}


@dataclass(frozen=True)
class Bounds:
    """Between which values, in the bare unit of the key, a quantity must lie; ``open_low`` and ``open_high``
    refuse the bound itself, ``mend`` says what to do about a value outside."""

    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False
    open_high: bool = False
    mend: str = "check the value and its unit"

    def fails(self, value: float) -> str | None:
        """What is wrong with a value in the bare unit, such as ``not above 0``; None where nothing is."""
        if value < self.low or (self.open_low and value == self.low):
            return f"not above {self.low:g}" if self.open_low else f"below {self.low:g}"
        if value > self.high or (self.open_high and value == self.high):
            return f"not below {self.high:g}" if self.open_high else f"above {self.high:g}"
        return None


ANY = Bounds()
POSITIVE = Bounds(low=0.0, open_low=True, mend="write a value above zero")
NOT_NEGATIVE = Bounds(low=0.0, mend="write zero or a value above it")


@dataclass(frozen=True)
class _InUnits(ABC):
    """Marks a field as read from numbers in the bare unit, or texts with a unit, within bounds.

    ``dimension`` and ``bare_unit`` as in `parse_quantity`, ``bounds`` in the bare unit.
    """

    dimension: str
    bare_unit: str
    bounds: Bounds = ANY

    @abstractmethod
    def read(self, raw: object) -> object:
        """The field in SI, from what stands in the document; raises pydantic's errors with their mend."""

    @abstractmethod
    def schema(self) -> dict[str, Any]:
        """The JSON Schema of the field."""

    def __get_pydantic_core_schema__(self, _source: object, _handler: object) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return self.schema()


@dataclass(frozen=True)
class Amount(_InUnits):
    """A number with a unit, kept as a float in SI.

    >>> round(Amount("length", "mm").read("36.9 mm"), 6)
    0.0369
    """

    def schema(self) -> dict[str, Any]:
        return amount_schema(self.bare_unit)

    def read(self, raw: object) -> float:
        if not isinstance(raw, str | int | float) or isinstance(raw, bool):
            example = "0.5" if self.dimension == "dimensionless" else f'"12 {self.bare_unit}"'
            what = f"a number or a text with a unit is wanted, here is {_kind(raw)}"
            raise refusal(what, f"write for example {example}")
        try:
            value = parse_quantity(raw, self.dimension, self.bare_unit)
        except QuantityError as error:
            raise refusal(error.faults[0].what, error.faults[0].mend) from error
        if self.bounds is ANY:
            return value
        wrong = self.bounds.fails(conversion(self.bare_unit, self.dimension).from_si(value))
        if wrong is not None:
            unit = "" if self.dimension == "dimensionless" else f" {self.bare_unit}"
            raise refusal(f"'{raw}' is {wrong}{unit}", self.bounds.mend)
        return value


def read_uncertainty(raw: object, dimension: str, bare_unit: str, *, beside: object) -> float:
    """A standard uncertainty in SI, a temperature's as a difference; one of a value with a unit, ``beside``
    it as written, wants a unit too."""
    if dimension == "temperature":
        dimension = "temperature_difference"
    if isinstance(beside, str) and dimension != "dimensionless" and isinstance(raw, int | float) and raw:
        raise refusal(
            f"the uncertainty {raw} has no unit, its value '{beside}' has one",
            f'write u = "{raw} {beside.lstrip("+-.0123456789eE ")}"',
        )
    bounds = Bounds(low=0.0, mend="write the standard uncertainty, without a sign")
    return Amount(dimension, bare_unit, bounds).read(raw)


@dataclass(frozen=True)
class Measured(_InUnits):
    """A value that may state its standard uncertainty, kept as a `Quantity` in SI; u None where not stated.

    >>> Measured("force", "N").read({"value": "1850 N", "u": "60 N"})
    Quantity(value=1850.0, u=60.0)
    """

    def schema(self) -> dict[str, Any]:
        return quantity_schema(self.bare_unit)

    def read(self, raw: object) -> Quantity:
        if isinstance(raw, Quantity):
            return raw
        value = Amount(self.dimension, self.bare_unit, self.bounds)
        if not isinstance(raw, Mapping):
            return Quantity(value.read(raw))
        found: list[Refusal] = [
            (
                (str(key),),
                f"'{key}' is not part of a value with its uncertainty",
                "write 'value' and 'u' only",
            )
            for key in raw
            if key not in {"value", "u"}
        ]
        if "value" not in raw:
            found.append(((), "'value' is missing", 'write { value = "1850 N", u = "60 N" }'))
        numbers: dict[str, float] = {}
        for key in ("value", "u"):
            if key not in raw:
                continue
            try:
                if key == "value":
                    numbers[key] = value.read(raw[key])
                else:
                    beside = raw.get("value")
                    numbers[key] = read_uncertainty(raw[key], self.dimension, self.bare_unit, beside=beside)
            except PydanticCustomError as error:
                context = error.context or {}
                found.append(((key,), context["what"], context["mend"]))
        if found:
            raise refusals("quantity", found)
        return Quantity(numbers["value"], numbers.get("u"))


class Doubtful(float):
    """A number in SI that knows its standard uncertainty ``u``, None where none is stated.

    >>> Doubtful(0.305, 0.001) * 2.0, Doubtful(0.305, 0.001).u
    (0.61, 0.001)
    """

    u: float | None

    def __new__(cls, value: float, u: float | None = None) -> Self:
        made = super().__new__(cls, value)
        made.u = u
        return made


@dataclass(frozen=True)
class AmountWithDoubt(_InUnits):
    """An amount that may state its standard uncertainty, kept as a `Doubtful` float in SI.

    >>> AmountWithDoubt("length", "mm").read({"value": "305 mm", "u": "1 mm"}).u
    0.001
    """

    def schema(self) -> dict[str, Any]:
        return quantity_schema(self.bare_unit)

    def read(self, raw: object) -> Doubtful:
        if isinstance(raw, Doubtful):
            return raw
        found = Measured(self.dimension, self.bare_unit, self.bounds).read(raw)
        self._limits_are_possible(found, raw)
        return Doubtful(found.value, found.u)

    def _limits_are_possible(self, found: Quantity, raw: object) -> None:
        """Refuse a doubt within which there is no such thing: both 95 % limits are computed with."""
        positive = self.bounds.low > 0.0 or (self.bounds.low == 0.0 and self.bounds.open_low)
        whole = self.bounds.high if self.bounds.open_high else math.inf
        if not found.u or not isinstance(raw, Mapping):
            return
        si = conversion(self.bare_unit, self.dimension).from_si
        low, high = (si(found.value + sign * LIMITS_95 * found.u) for sign in (-1.0, 1.0))
        if positive and low <= 0.0:
            wrong, end = "zero or less", low
        elif high >= whole:
            wrong, end = f"{whole:g} or more", high
        else:
            return
        unit = "" if self.dimension == "dimensionless" else f" {self.bare_unit}"
        what = (
            f"the uncertainty '{raw['u']}' of '{raw['value']}' is so large that its 95 % limit is "
            f"{end:.4g}{unit}: {wrong} is none"
        )
        mend = "check value, uncertainty and their units; u is the standard uncertainty, half of the 95 % one"
        raise refusals("quantity", [(("u",), what, mend)])


@dataclass(frozen=True)
class PairOf(_InUnits):
    """Two numbers with a unit, the lower one first, kept as two floats in SI; bounds of each."""

    def schema(self) -> dict[str, Any]:
        return pair_schema(self.bare_unit)

    def read(self, raw: object) -> Pair:
        if not isinstance(raw, list | tuple) or len(raw) != 2:
            unit = "" if self.dimension == "dimensionless" else f" {self.bare_unit}"
            raise refusal("two values are wanted, the lower and the upper", f'write ["10{unit}", "20{unit}"]')
        low, high = (Amount(self.dimension, self.bare_unit, self.bounds).read(part) for part in raw)
        if low >= high:
            raise refusal(f"'{raw[0]}' is not below '{raw[1]}'", "write the lower value first")
        return low, high


def _kind(raw: object) -> str:
    """What a TOML value is, in the words of a user."""
    if isinstance(raw, bool):
        return "true or false"
    if isinstance(raw, Mapping):
        return "a table"
    return "a list" if isinstance(raw, list | tuple) else f"'{raw}'"


def _day(raw: Any) -> Any:
    """A day, without its time where a paper has one."""
    if isinstance(raw, dt.datetime):
        return raw.date()
    if isinstance(raw, dt.date):
        return raw
    try:
        return dt.date.fromisoformat(raw)
    except (TypeError, ValueError) as error:
        what = f"'{raw}' is no day" if isinstance(raw, str) else "a day is wanted"
        raise refusal(what, "write year, month and day: date = 2026-03-15") from error


Day = Annotated[dt.date, BeforeValidator(_day)]
Text = Annotated[str, StringConstraints(strict=True, strip_whitespace=True, min_length=1)]
Count = Annotated[int, Field(strict=True, ge=1)]


class Table(BaseModel):
    """A table of a document: frozen, and without keys that nobody knows."""

    model_config = ConfigDict(extra="forbid", frozen=True)
