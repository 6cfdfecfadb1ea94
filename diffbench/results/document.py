"""What documents have in common: frozen, without unknown keys, written as JSON in full."""

from __future__ import annotations

import json
from typing import Any

from pydantic import BaseModel, ConfigDict


class Frozen(BaseModel):
    """A part of a document."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Document(Frozen):
    """A whole document, which names its format."""

    def to_json(self) -> str:
        """The document as JSON text, numbers in full."""
        return json.dumps(self.model_dump(mode="json"), ensure_ascii=False, indent=1, allow_nan=False) + "\n"

    @classmethod
    def published_schema(cls) -> dict[str, Any]:
        """JSON Schema of the document, under the name of its format."""
        schema = cls.model_json_schema()
        schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
        schema["$id"] = schema["title"] = cls.model_fields["format"].default
        return schema
