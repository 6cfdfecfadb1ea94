"""Results of the trackside folder as plain data for JSON: every key that has a unit ends in it."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

from diffbench.trackside.operating_point import Interval

#: Unit at the end of a key; a name that stands here with an empty one has none, and is a share or a text.
UNITS = {
    "as_built": "Nm",
    "faster_output": "Nm",
    "free_difference": "rad_s",
    "inner_force": "N",
    "input_torque": "Nm",
    "left_force": "N",
    "left_torque": "Nm",
    "locking_effect": "",
    "locking_torque": "Nm",
    "mean_difference_kept": "rad_s",
    "mean_share_kept": "",
    "outer_force": "N",
    "rebuilt": "Nm",
    "right_force": "N",
    "right_torque": "Nm",
    "share_kept": "",
    "share_of_locking_torque": "",
    "slower_output": "Nm",
    "speed_difference": "rad_s",
    "temperature": "degC",
    "torque_bias_ratio": "",
    "torque_difference": "Nm",
    "yaw_moment": "Nm",
    "yaw_moment_to_the_left": "Nm",
}


def plain(result: Any) -> Any:
    """A result as dicts, lists and numbers, keys with units.

    Parameters
    ----------
    result : object
        A dataclass of this folder, or what one holds.

    Returns
    -------
    Plain data for `json.dumps`; an interval is ``{"value": ..., "low": ..., "high": ...}`` in the unit of its
    key.

    Examples
    --------
    >>> plain(Interval(80.0, 78.0, 82.0))
    {'value': 80.0, 'low': 78.0, 'high': 82.0}
    """
    if isinstance(result, Interval):
        return {"value": result.value, "low": result.low, "high": result.high}
    if is_dataclass(result) and not isinstance(result, type):
        return {_key(field.name): plain(getattr(result, field.name)) for field in fields(result)}
    if isinstance(result, tuple | list):
        return [plain(part) for part in result]
    return result


def _key(name: str) -> str:
    unit = UNITS.get(name, "")
    return f"{name}_{unit}" if unit else name
