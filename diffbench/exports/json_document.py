"""The map as JSON: the contract itself, checked, with the hash of its content.

Format: RFC 8259; the schema (draft 2020-12) is what ``diffbench schema map`` prints.
"""

from __future__ import annotations

from diffbench.results.locking_map import LockingMap

__all__ = ["export_json"]


def export_json(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.json."""
    return {f"{name}.json": locking_map.to_json().encode("utf-8")}
