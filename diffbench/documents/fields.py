"""Field types that the documents share: quantities read to SI, counts, texts, tables without unknown keys."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, GetJsonSchemaHandler, StringConstraints
from pydantic_core import PydanticCustomError, core_schema

from diffbench.documents.faults import Refusal, refusal, refusals
from diffbench.errors import QuantityError
from diffbench.quantities import Quantity, conversion, parse_quantity

Pair = tuple[float, float]

NUMBER_AND_UNIT: dict[str, Any] = {
    "type": "string",
    "pattern": r"^\s*[+\-−]?(\d+\.?\d*|\.\d+)([eE][+\-]?\d+)?\s*\S*",
    "description": "a number and its unit",
}
"""JSON Schema of a text such as ``"12 lbf.ft"``."""


@dataclass(frozen=True)
class Bounds:
    """Between which values, in the bare unit of the key, a quantity must lie.

    Parameters
    ----------
    low, high : float
        The bounds; infinite where there is none.
    open_low, open_high : bool
        Whether the bound itself is refused.
    mend : str
        What to do about a value outside.
    """

    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False
    open_high: bool = False
    mend: str = "check the value and its unit"

    def fails(self, value: float) -> str | None:
        """Return what is wrong with a value in the bare unit, or None.

        Parameters
        ----------
        value : float
            In the bare unit.

        Returns
        -------
        A phrase such as ``not above 0``.
        """
        if value < self.low or (self.open_low and value == self.low):
            return f"not above {self.low:g}" if self.open_low else f"below {self.low:g}"
        if value > self.high or (self.open_high and value == self.high):
            return f"not below {self.high:g}" if self.open_high else f"above {self.high:g}"
        return None


ANY = Bounds()
POSITIVE = Bounds(low=0.0, open_low=True, mend="write a value above zero")
NOT_NEGATIVE = Bounds(low=0.0, mend="write zero or a value above it")


def read_amount(raw: object, dimension: str, bare_unit: str, bounds: Bounds = ANY) -> float:
    """Return a number or a text with unit in SI, within bounds.

    Parameters
    ----------
    raw : object
        As it stands in the document.
    dimension, bare_unit : str
        As in `parse_quantity`.
    bounds : Bounds
        In the bare unit.

    Returns
    -------
    The value in SI.

    Raises
    ------
    PydanticCustomError : with its mend.

    Examples
    --------
    >>> round(read_amount("36.9 mm", "length", "mm"), 6)
    0.0369
    """
    if not isinstance(raw, str | int | float) or isinstance(raw, bool):
        example = "0.5" if dimension == "dimensionless" else f'"12 {bare_unit}"'
        raise refusal(
            f"a number or a text with a unit is wanted, here is {_kind(raw)}", f"write for example {example}"
        )
    try:
        value = parse_quantity(raw, dimension, bare_unit)
    except QuantityError as error:
        fault = error.faults[0]
        raise refusal(fault.what, fault.mend) from error
    wrong = bounds.fails(conversion(bare_unit, dimension).from_si(value)) if bounds is not ANY else None
    if wrong is not None:
        unit = "" if dimension == "dimensionless" else f" {bare_unit}"
        raise refusal(f"'{raw}' is {wrong}{unit}", bounds.mend)
    return value


def read_uncertainty(raw: object, dimension: str, bare_unit: str, *, beside: object) -> float:
    """Return a standard uncertainty in SI; a temperature's is a difference.

    Parameters
    ----------
    raw : object
        As it stands in the document.
    dimension, bare_unit : str
        Of the value that it belongs to.
    beside : object
        That value as written: one with a unit wants its uncertainty with a unit.

    Returns
    -------
    The standard uncertainty in SI.

    Raises
    ------
    PydanticCustomError : with its mend.
    """
    if dimension == "temperature":
        dimension = "temperature_difference"
    if isinstance(beside, str) and dimension != "dimensionless" and isinstance(raw, int | float) and raw:
        raise refusal(
            f"the uncertainty {raw} has no unit, its value '{beside}' has one",
            f'write u = "{raw} {beside.lstrip("+-.0123456789eE ")}"',
        )
    bounds = Bounds(low=0.0, mend="write the standard uncertainty, without a sign")
    return read_amount(raw, dimension, bare_unit, bounds)


def read_quantity(raw: object, dimension: str, bare_unit: str, bounds: Bounds = ANY) -> Quantity:
    """Return a number, a text with unit or a table of value and u as a quantity in SI.

    Parameters
    ----------
    raw : object
        As it stands in the document.
    dimension, bare_unit : str
        As in `parse_quantity`.
    bounds : Bounds
        In the bare unit.

    Returns
    -------
    The quantity; its u is None where none is stated.

    Raises
    ------
    PydanticCustomError, ValidationError : with mend, at the key of the part that is wrong.

    Examples
    --------
    >>> read_quantity({"value": "1850 N", "u": "60 N"}, "force", "N")
    Quantity(value=1850.0, u=60.0)
    """
    if isinstance(raw, Quantity):
        return raw
    if not isinstance(raw, Mapping):
        return Quantity(read_amount(raw, dimension, bare_unit, bounds))
    found: list[Refusal] = [
        ((str(key),), f"'{key}' is not part of a value with its uncertainty", "write 'value' and 'u' only")
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
                numbers[key] = read_amount(raw[key], dimension, bare_unit, bounds)
            else:
                numbers[key] = read_uncertainty(raw[key], dimension, bare_unit, beside=raw.get("value"))
        except PydanticCustomError as error:
            context = error.context or {}
            found.append(((key,), context["what"], context["mend"]))
    if found:
        raise refusals("quantity", found)
    return Quantity(numbers["value"], numbers.get("u"))


@dataclass(frozen=True)
class Amount:
    """Marks a field as a number with a unit, kept as a float in SI.

    Parameters
    ----------
    dimension, bare_unit : str
        As in `parse_quantity`.
    bounds : Bounds
        In the bare unit.
    """

    dimension: str
    bare_unit: str
    bounds: Bounds = ANY

    def read(self, raw: object) -> float:
        """Return the field in SI.

        Parameters
        ----------
        raw : object
            As it stands in the document.

        Returns
        -------
        The value in SI.
        """
        return read_amount(raw, self.dimension, self.bare_unit, self.bounds)

    def __get_pydantic_core_schema__(self, _source: object, _handler: object) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return amount_schema(self.bare_unit)


@dataclass(frozen=True)
class Measured:
    """Marks a field as a value that may state its standard uncertainty, kept as a `Quantity` in SI.

    Parameters
    ----------
    dimension, bare_unit : str
        As in `parse_quantity`.
    bounds : Bounds
        In the bare unit.
    """

    dimension: str
    bare_unit: str
    bounds: Bounds = ANY

    def read(self, raw: object) -> Quantity:
        """Return the field as a quantity in SI.

        Parameters
        ----------
        raw : object
            As it stands in the document.

        Returns
        -------
        The quantity.
        """
        return read_quantity(raw, self.dimension, self.bare_unit, self.bounds)

    def __get_pydantic_core_schema__(self, _source: object, _handler: object) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return quantity_schema(self.bare_unit)


@dataclass(frozen=True)
class PairOf:
    """Marks a field as two numbers with a unit, the lower one first, kept as two floats in SI.

    Parameters
    ----------
    dimension, bare_unit : str
        As in `parse_quantity`.
    bounds : Bounds
        Of each, in the bare unit.
    """

    dimension: str
    bare_unit: str
    bounds: Bounds = ANY

    def read(self, raw: object) -> Pair:
        """Return the field in SI.

        Parameters
        ----------
        raw : object
            As it stands in the document.

        Returns
        -------
        The lower and the upper value.
        """
        if not isinstance(raw, list | tuple) or len(raw) != 2:
            unit = "" if self.dimension == "dimensionless" else f" {self.bare_unit}"
            raise refusal("two values are wanted, the lower and the upper", f'write ["10{unit}", "20{unit}"]')
        low, high = (read_amount(part, self.dimension, self.bare_unit, self.bounds) for part in raw)
        if low >= high:
            raise refusal(f"'{raw[0]}' is not below '{raw[1]}'", "write the lower value first")
        return low, high

    def __get_pydantic_core_schema__(self, _source: object, _handler: object) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return pair_schema(self.bare_unit)


def pair_schema(bare_unit: str) -> dict[str, Any]:
    """Return the JSON Schema of two numbers or texts with a unit.

    Parameters
    ----------
    bare_unit : str
        The unit that a bare number has.

    Returns
    -------
    A schema of draft 2020-12.
    """
    return {"type": "array", "items": amount_schema(bare_unit), "minItems": 2, "maxItems": 2}


def amount_schema(bare_unit: str) -> dict[str, Any]:
    """Return the JSON Schema of a number or a text with a unit.

    Parameters
    ----------
    bare_unit : str
        The unit that a bare number has.

    Returns
    -------
    A schema of draft 2020-12.
    """
    number = {"type": "number"} if bare_unit == "1" else {"type": "number", "description": f"in {bare_unit}"}
    return {"anyOf": [number, NUMBER_AND_UNIT]}


def quantity_schema(bare_unit: str) -> dict[str, Any]:
    """Return the JSON Schema of a number, a text with a unit, or a table of value and u.

    Parameters
    ----------
    bare_unit : str
        The unit that a bare number has.

    Returns
    -------
    A schema of draft 2020-12.
    """
    amount = amount_schema(bare_unit)
    table = {
        "type": "object",
        "properties": {"value": amount, "u": amount | {"description": "standard uncertainty"}},
        "required": ["value"],
        "additionalProperties": False,
    }
    return {"anyOf": [*amount["anyOf"], table]}


def _kind(raw: object) -> str:
    """Return what a TOML value is, in the words of a user."""
    if isinstance(raw, bool):
        return "true or false"
    if isinstance(raw, Mapping):
        return "a table"
    return "a list" if isinstance(raw, list | tuple) else f"'{raw}'"


Text = Annotated[str, StringConstraints(strict=True, strip_whitespace=True, min_length=1)]
Count = Annotated[int, Field(strict=True, ge=1)]


class Table(BaseModel):
    """A table of a document: frozen, and without keys that nobody knows."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
