"""JSON Schemas of the papers that users write, made from the models themselves."""

from __future__ import annotations

from typing import Any

from diffbench.documents.arrangements import CHANNELS

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def paper_schema(model: Any, name: str, described: str) -> dict[str, Any]:
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
        del channel["properties"]["name"], channel["properties"]["reaction"]
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
        "description": described,
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
