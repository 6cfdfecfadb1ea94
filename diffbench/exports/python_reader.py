"""A reader of the map for tools without this package: one Python file without dependencies, map inside."""

from __future__ import annotations

import json
from pathlib import Path

from diffbench.results.locking_map import LockingMap

__all__ = ["export_python"]

READER = Path(__file__).with_name("standalone_reader.py")


def export_python(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The reader as one file, ``name``.py, with the map in it; it reads any other ``map.json`` as well."""
    content = json.loads(locking_map.to_json())
    text = READER.read_text(encoding="utf-8").replace("THIS_FILE", name)
    held = json.dumps(content, ensure_ascii=True, separators=(",", ":"))
    return {f"{name}.py": text.replace('EMBEDDED = ""', f"EMBEDDED = {held!r}").encode("utf-8")}
