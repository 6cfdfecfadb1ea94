"""JSON Schemas of what users write and what the program hands on, made from the models themselves."""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Callable
from typing import Any

from diffbench.errors import DocumentError

DIALECT = "https://json-schema.org/draft/2020-12/schema"

SCHEMAS: dict[str, str] = {
    "rig": "diffbench.documents.schemas:rig_schema",
    "build": "diffbench.documents.schemas:build_schema",
    "run": "diffbench.documents.schemas:run_schema",
    "car": "diffbench.documents.schemas:car_schema",
    "characterisation": "diffbench.results.characterisation:Characterisation",
    "map": "diffbench.results.locking_map:MapDocument",
    "manifest": "diffbench.results.manifest:document_schema",
    "conformity": "diffbench.results.conformity:Conformity",
    "comparison": "diffbench.answers.comparison:Comparison",
    "repeatability": "diffbench.answers.repeatability:Repeatability",
    "shim-advice": "diffbench.answers.shims:ShimAdvice",
}
"""Where the schema of each kind is made, imported when asked for: module, and in it a document that knows its
own or a function without arguments."""


def schema(name: str) -> dict[str, Any]:
    """Return the JSON Schema of one kind of document.

    Parameters
    ----------
    name : str
        One of `SCHEMAS`.

    Returns
    -------
    A schema of draft 2020-12, ready for `json.dumps`.

    Raises
    ------
    DocumentError : for a name that is not known.

    Examples
    --------
    >>> schema("build")["properties"]["packs"]
    {'$ref': '#/$defs/Packs', 'description': 'the two plate packs'}
    """
    if name not in SCHEMAS:
        near = difflib.get_close_matches(name, SCHEMAS, n=1)
        mend = f"write {near[0]}" if near else "write one of " + ", ".join(SCHEMAS)
        raise DocumentError.single(f"'{name}' is no kind of document", mend=mend)
    module, _, function = SCHEMAS[name].partition(":")
    found = getattr(importlib.import_module(module), function)
    make: Callable[[], dict[str, Any]] = getattr(found, "published_schema", found)
    return make()


def rig_schema() -> dict[str, Any]:
    """Return the JSON Schema of a rig.

    Returns
    -------
    A schema of draft 2020-12.
    """
    from diffbench.documents.channels import CHANNEL_MEANINGS, CHANNEL_NAMES
    from diffbench.documents.rig import Rig

    made = _of(Rig, "rig", "a bench, described once")
    channel = made["$defs"]["Channel"]
    # The name of a channel is its heading; the loader puts it in.
    del channel["properties"]["name"]
    channel["required"].remove("name")
    named = {"$ref": "#/$defs/Channel"}
    made["properties"]["channel"]["properties"] = {
        name: {**named, "description": words} for name, words in CHANNEL_MEANINGS.items()
    }
    made["properties"]["channel"]["propertyNames"] = {"enum": list(CHANNEL_NAMES)}
    return made


def build_schema() -> dict[str, Any]:
    """Return the JSON Schema of a build sheet.

    Returns
    -------
    A schema of draft 2020-12.
    """
    from diffbench.documents.build import Build

    return _of(Build, "build", "what was assembled, and what the workshop holds it to")


def run_schema() -> dict[str, Any]:
    """Return the JSON Schema of a run sheet.

    Returns
    -------
    A schema of draft 2020-12.
    """
    from diffbench.documents.run_sheet import RunSheet

    return _of(RunSheet, "run", "one visit to the bench")


def car_schema() -> dict[str, Any]:
    """Return the JSON Schema of a car.

    Returns
    -------
    A schema of draft 2020-12.
    """
    from diffbench.documents.car import Car

    return _of(Car, "car", "a car's driven axle, and one corner entry in phases")


def _of(model: Any, name: str, description: str) -> dict[str, Any]:
    """Return the schema of a model, without what only the program itself needs."""
    from diffbench.documents.fields import NUMBER_AND_UNIT

    made: dict[str, Any] = _plain(model.model_json_schema(by_alias=True, mode="validation"), NUMBER_AND_UNIT)
    made["$defs"] = {"NumberAndUnit": NUMBER_AND_UNIT, **made.pop("$defs")}
    return {
        "$schema": DIALECT,
        "$id": f"urn:diffbench:schema:{name}:1",
        "title": f"diffbench {name}",
        **made,
        "description": description,
    }


def _plain(node: Any, number_and_unit: dict[str, Any]) -> Any:
    """Return a schema without generated titles and without null, which TOML has not: a key is left out.

    Texts with a unit become references; of a docstring only the first line stays, the rest speaks of SI.
    """
    if isinstance(node, list):
        return [_plain(part, number_and_unit) for part in node]
    if not isinstance(node, dict):
        return node
    if node == number_and_unit:
        return {"$ref": "#/$defs/NumberAndUnit"}
    plain: dict[str, Any] = {}
    for key, part in node.items():
        if key in {"properties", "$defs"}:
            plain[key] = {name: _plain(inner, number_and_unit) for name, inner in part.items()}
        elif key == "anyOf":
            kept = [_plain(choice, number_and_unit) for choice in part if choice != {"type": "null"}]
            plain |= kept[0] if len(kept) == 1 else {key: kept}
        elif key == "description":
            plain[key] = part.partition("\n")[0]
        elif key not in {"title", "default"} or (key == "default" and isinstance(part, str)):
            # A default in SI would read as one in the key's own unit: only texts are shown.
            plain[key] = _plain(part, number_and_unit)
    return plain
