"""Log and bench as a document, ``diffbench-lap/1``: what is printed, written and filed, and its schema."""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Mapping
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from diffbench._version import __version__
from diffbench.answers.lap import Day
from diffbench.answers.log_files import DayRead
from diffbench.answers.operating_point import Interval, key_of, with_units

FORMAT = "diffbench-lap/1"
_NUMBER = {"type": ["number", "null"]}
_PLAIN: dict[Any, dict[str, str]] = {
    Interval: {"$ref": "#/$defs/Interval"},
    float: {"type": "number"},
    int: {"type": "integer"},
    str: {"type": "string"},
}


def lap_content(day: Day, read: DayRead, *, unit: str | None = None) -> dict[str, Any]:
    """A day as plain data; of one ``unit`` alone, where it is named.

    Parameters
    ----------
    day : Day
        The answer.
    read : DayRead
        What it was made of.
    unit : str or None
        Whose runs.

    Returns
    -------
    Plain data for `json.dumps`, keys with units; `document_schema` says which.
    """
    chosen = [i for i, run in enumerate(day.laps) if unit is None or run.unit == unit]
    told = [read.results[i] for i in chosen]
    units = {run.unit for run in day.laps} if unit is None else {unit}
    return {
        "format": FORMAT,
        "unit": units.pop() if len(units) == 1 else None,
        "date": None if read.sheet.date is None else read.sheet.date.isoformat(),
        **with_units(dataclasses.replace(day, laps=tuple(day.laps[i] for i in chosen))),
        "inputs": {read.files[i]: read.digests[i] for i in chosen},
        "characterisations": sorted({result.digest for result in told if result is not None}),
        "version": __version__,
    }


def document_schema() -> dict[str, Any]:
    """The JSON Schema of ``diffbench-lap/1``, made from the answer's own fields."""
    text: dict[str, Any] = {"type": "string"}
    day = _of(Day)
    own = {
        "format": {"const": FORMAT},
        "unit": {"type": ["string", "null"], "description": "serial; null where runs are of several or none"},
        "date": {"type": ["string", "null"], "format": "date"},
        "inputs": {
            "type": "object",
            "description": "SHA-256 of each log",
            "additionalProperties": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
        },
        "characterisations": {
            "type": "array",
            "description": "hashes of the bench's results",
            "items": text,
        },
        "version": text,
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:diffbench:schema:lap:1",
        "title": "diffbench lap",
        "description": "Log and bench by one number, run by run",
        "$defs": {
            "Interval": {
                "type": "object",
                "description": "value and 95 % limits, null where there is none",
                "properties": dict.fromkeys(("value", "low", "high"), _NUMBER),
                "required": ["value", "low", "high"],
                "additionalProperties": False,
            }
        },
        **day,
        "properties": {**own, **day["properties"]},
        "required": [*own, *day["required"]],
    }


def _of(kind: Any) -> dict[str, Any]:
    """The schema of a type that an answer's field has."""
    if kind in _PLAIN:
        return dict(_PLAIN[kind])
    if dataclasses.is_dataclass(kind):
        hints = get_type_hints(kind)
        keys = {key_of(field.name): _of(hints[field.name]) for field in dataclasses.fields(kind)}
        needed = [
            key_of(each.name) for each in dataclasses.fields(kind) if each.default is dataclasses.MISSING
        ]
        return {"type": "object", "properties": keys, "required": needed, "additionalProperties": False}
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Literal:
        return {"enum": list(parts)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [{"type": "null"} if part is types.NoneType else _of(part) for part in parts]}
    if origin is Mapping:
        return {"type": "object", "additionalProperties": _of(parts[1])}
    if origin in (tuple, list):
        return {"type": "array", "items": _of(parts[0])}
    raise TypeError(kind)
