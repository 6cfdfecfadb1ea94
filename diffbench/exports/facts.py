"""What a copy of a map says beside its numbers, for formats that have a place for it."""

from __future__ import annotations

import json
from typing import Any

from diffbench._version import __version__
from diffbench.results.locking_map import LockingMap

__all__ = ["UNITS", "facts", "facts_json"]

#: Units by the end of a name, in words that every format can write.
UNITS = {
    "input_torque_Nm": "N.m",
    "speed_difference_rad_s": "rad/s",
    "temperature_degC": "degC",
    "locking_torque_Nm": "N.m",
    "low_Nm": "N.m",
    "high_Nm": "N.m",
    "tested": "1",
}


def facts(locking_map: LockingMap) -> dict[str, Any]:
    """Everything of the document but axes and tables, the hash of the whole, and who wrote the copy.

    Parameters
    ----------
    locking_map : LockingMap
        The map.

    Returns
    -------
    Plain values by the document's keys; what it does not say is left out.
    """
    document = locking_map.document.model_dump(mode="json", exclude={"axes", "branches"})
    document["beyond"] = locking_map.beyond.model_dump(mode="json")
    document["sha256"] = locking_map.digest
    document["exported_by"] = f"diffbench {__version__}"
    return {key: part for key, part in document.items() if part is not None}


def facts_json(locking_map: LockingMap) -> str:
    """`facts` as JSON in ASCII, for formats that keep no other text."""
    return json.dumps(facts(locking_map), ensure_ascii=True, allow_nan=False)
