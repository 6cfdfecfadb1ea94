"""JSON Schemas of what users write and what the program hands on, made from the models themselves."""

from __future__ import annotations

import difflib
import importlib
from typing import Any

from diffbench.documents.arrangements import CHANNELS
from diffbench.errors import DocumentError

DIALECT = "https://json-schema.org/draft/2020-12/schema"

PAPERS = {
    "rig": "a bench, described once",
    "build": "what was assembled, and what the workshop holds it to",
    "run": "one visit to the bench",
    "car": "a car's driven axle, and one corner entry in phases",
    "log": "a logger in the car, and the runs that were driven",
}
SCHEMAS: dict[str, str] = {
    "rig": "diffbench.documents.rig:Rig",
    "build": "diffbench.documents.build:Build",
    "run": "diffbench.documents.visit:RunSheet",
    "car": "diffbench.documents.car:Car",
    "log": "diffbench.documents.log:LogSheet",
    "characterisation": "diffbench.results.characterisation:Characterisation",
    "map": "diffbench.results.locking_map:MapDocument",
    "manifest": "diffbench.results.manifest:document_schema",
    "conformity": "diffbench.results.conformity:Conformity",
    "comparison": "diffbench.answers.comparison:Comparison",
    "repeatability": "diffbench.answers.repeatability:Repeatability",
    "shim-advice": "diffbench.answers.shims:ShimAdvice",
}
"""What makes the schema of each kind, imported when asked for: a paper's model, a document that knows its
own, or a function."""


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of one kind of document, one of `SCHEMAS`, ready for `json.dumps`.

    Raises ``DocumentError`` for a name that is not known.

    >>> schema("build")["properties"]["packs"]
    {'$ref': '#/$defs/Packs', 'description': 'the two plate packs'}
    """
    if name not in SCHEMAS:
        near = difflib.get_close_matches(name, SCHEMAS, n=1)
        mend = f"write {near[0]}" if near else "write one of " + ", ".join(SCHEMAS)
        raise DocumentError.single(f"'{name}' is no kind of document", mend=mend)
    module, _, made_by = SCHEMAS[name].partition(":")
    source = getattr(importlib.import_module(module), made_by)
    made: dict[str, Any]
    made = _of_paper(source, name) if name in PAPERS else getattr(source, "published_schema", source)()
    return made


def _of_paper(model: Any, name: str) -> dict[str, Any]:
    """Schema of a model, without what only the program itself needs."""
    from diffbench.documents.fields import NUMBER_AND_UNIT
    from diffbench.documents.log import LOG_CHANNELS

    made: dict[str, Any] = _plain(model.model_json_schema(by_alias=True, mode="validation"), NUMBER_AND_UNIT)
    made["$defs"] = {"NumberAndUnit": NUMBER_AND_UNIT, **made.pop("$defs")}
    if name == "log":
        channel = made["$defs"]["LogChannel"]
        del channel["properties"]["name"]
        channel["required"].remove("name")
        made["properties"]["channel"]["propertyNames"] = {"enum": list(LOG_CHANNELS)}
    if name == "rig":
        # The name of a channel is its heading; loading puts it in.
        channel = made["$defs"]["Channel"]
        del channel["properties"]["name"]
        channel["required"].remove("name")
        made["properties"]["channel"]["properties"] = {
            channel_name: {"$ref": "#/$defs/Channel", "description": kind.meaning}
            for channel_name, kind in CHANNELS.items()
        }
        made["properties"]["channel"]["propertyNames"] = {"enum": list(CHANNELS)}
    return {
        "$schema": DIALECT,
        "$id": f"urn:diffbench:schema:{name}:1",
        "title": f"diffbench {name}",
        **made,
        "description": PAPERS[name],
    }


def _plain(node: Any, number_and_unit: dict[str, Any]) -> Any:
    """A schema without generated titles and without null, which TOML has not: a key is left out.

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
