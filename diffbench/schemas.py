"""The schemas of what users write and of what the program hands on, each asked of the model that it is of."""

from __future__ import annotations

import difflib
import importlib
from typing import Any

from diffbench.errors import DocumentError

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
    "conformity": "diffbench.answers.conformity:Conformity",
    "state": "diffbench.results.state:State",
    "comparison": "diffbench.answers.comparison:Comparison",
    "repeatability": "diffbench.answers.repeatability:Repeatability",
    "shim-advice": "diffbench.answers.shims:ShimAdvice",
    "lap": "diffbench.answers.lap_document:document_schema",
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
    if name in PAPERS:
        from diffbench.documents.schemas import paper_schema

        made = paper_schema(source, name, PAPERS[name])
    else:
        made = getattr(source, "published_schema", source)()
    return made
