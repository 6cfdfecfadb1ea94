#!/usr/bin/env python3
"""Reader of a locking-torque map: one file, Python 3.8 or newer, nothing else needed.

    import THIS_FILE
    held = THIS_FILE.embedded()                        # the map that came with this file
    held = THIS_FILE.load("map.json")                  # or another one
    held.locking_torque(400.0, 4.0, 70.0)              # N.m at N.m, rad/s, degC
    held.interval(400.0, 4.0, 70.0, "loading")         # its limits
    held.is_tested(400.0, 4.0, 70.0)                   # inside what the bench covered?

or from a shell: python3 THIS_FILE.py 400 4 70 [loading|unloading|mean]

Between nodes the map is linear along each axis, at its ends the value is held, and is_tested is False
beyond. The magnitude of the speed difference counts.
"""

from __future__ import annotations

import hashlib
import json
import math
import sys
from bisect import bisect_right
from typing import Any

FORMAT = "diffbench-map/1"
AXES = ("input_torque_Nm", "speed_difference_rad_s", "temperature_degC")
BRANCHES = ("loading", "unloading", "mean")
TABLES = ("locking_torque_Nm", "low_Nm", "high_Nm", "tested")
EMBEDDED = ""


class MapError(ValueError):
    """A map that cannot be used, and why."""


class LockingMap:
    """Locking torque over input torque [N.m], speed difference [rad/s] and temperature [degC]."""

    def __init__(self, content: dict[str, Any]) -> None:
        _check(content)
        self.unit: str = content["unit"]
        self.build: str = content["build"]
        self._axes: list[list[float]] = [[float(x) for x in content["axes"][name]] for name in AXES]
        self._branches: dict[str, Any] = content["branches"]

    def locking_torque(
        self, input_torque: float, speed_difference: float, temperature: float, branch: str = "mean"
    ) -> float:
        """Locking torque [N.m] at one place."""
        return self._look_up(branch, "locking_torque_Nm", input_torque, speed_difference, temperature)

    def interval(
        self, input_torque: float, speed_difference: float, temperature: float, branch: str = "mean"
    ) -> tuple[float, float]:
        """Limits (low, high) of the locking torque [N.m]."""
        place = (input_torque, speed_difference, temperature)
        return self._look_up(branch, "low_Nm", *place), self._look_up(branch, "high_Nm", *place)

    def is_tested(
        self, input_torque: float, speed_difference: float, temperature: float, branch: str = "mean"
    ) -> bool:
        """Whether all nodes around a place were inside what the bench tested."""
        place = (input_torque, abs(speed_difference), temperature)
        inside = all(axis[0] <= value <= axis[-1] for value, axis in zip(place, self._axes))  # noqa: B905
        return inside and self._look_up(branch, "tested", *place) >= 1.0

    def _look_up(self, branch: str, table: str, torque: float, speed: float, heat: float) -> float:
        if math.isnan(torque) or math.isnan(speed) or math.isnan(heat):
            return math.nan
        nodes = self._branches[branch][table]
        (i, i_up, x), (j, j_up, y), (k, k_up, z) = (
            _bracket(axis, value)
            for axis, value in zip(self._axes, (torque, abs(speed), heat))  # noqa: B905
        )

        def along(row: list[float]) -> float:
            return row[k] + z * (row[k_up] - row[k])

        low = along(nodes[i][j])
        low += y * (along(nodes[i][j_up]) - low)
        high = along(nodes[i_up][j])
        high += y * (along(nodes[i_up][j_up]) - high)
        return low + x * (high - low)


def load(path: str) -> LockingMap:
    """Read map.json."""
    with open(path, encoding="utf-8") as file:  # noqa: PTH123  # one import fewer
        return loads(file.read())


def loads(text: str) -> LockingMap:
    """Read the text of map.json."""
    try:
        content = json.loads(text)
    except ValueError as error:
        raise MapError(f"the map is cut off or no JSON ({error})") from error
    return LockingMap(content)


def embedded() -> LockingMap:
    """The map that came with this file."""
    if not EMBEDDED:
        raise MapError("no map came with this file: load one")
    return loads(EMBEDDED)


def _bracket(axis: list[float], value: float) -> tuple[int, int, float]:
    at = bisect_right(axis, value) - 1
    if at < 0:
        return 0, 0, 0.0
    if at >= len(axis) - 1:
        return len(axis) - 1, len(axis) - 1, 0.0
    return at, at + 1, (value - axis[at]) / (axis[at + 1] - axis[at])


def _check(content: Any) -> None:
    """Refuse what is not a whole map of this version."""
    told = content.get("format") if isinstance(content, dict) else None
    if told != FORMAT:
        raise MapError(f"the format is {told!r}: this reader knows {FORMAT}")
    try:
        sizes = [len(content["axes"][name]) for name in AXES]
        numbers = [x for name in AXES for x in content["axes"][name]]
        rising = all(
            a < b
            for name in AXES
            for a, b in zip(content["axes"][name], content["axes"][name][1:])  # noqa: B905
        )
        for branch in BRANCHES:
            for table in TABLES:
                sheets = content["branches"][branch][table]
                rows = [row for sheet in sheets for row in sheet]
                shape_holds = len(sheets) == sizes[0] and all(len(sheet) == sizes[1] for sheet in sheets)
                if not shape_holds or any(len(row) != sizes[2] for row in rows):
                    raise MapError(f"{table} of {branch} has another shape than the axes")
                numbers += [x for row in rows for x in row]
        if not all(sizes) or not rising or not all(math.isfinite(x) for x in numbers):
            raise MapError("an axis does not rise, or a node holds no number")
    except (KeyError, TypeError) as error:
        raise MapError(f"the map is not whole: {error}") from error
    if "sha256" in content and content["sha256"] != _digest(content):
        raise MapError("the content does not match its hash: the map was edited or damaged")


def _digest(content: dict[str, Any]) -> str:
    """SHA-256 over sorted JSON without spaces; numbers of the map are floats, whatever wrote them."""
    kept = {key: part for key, part in content.items() if key != "sha256"}
    for key in ("axes", "branches", "interpolation", "confidence"):
        if key in kept:
            kept[key] = _floats(kept[key])
    text = json.dumps(kept, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _floats(part: Any) -> Any:
    if isinstance(part, dict):
        return {key: _floats(inner) for key, inner in part.items()}
    if isinstance(part, list):
        return [_floats(inner) for inner in part]
    return float(part) if isinstance(part, int) and not isinstance(part, bool) else part


def main(arguments: list[str]) -> int:
    """Print the map that came with this file at one place."""
    try:
        torque, speed, heat = (float(text) for text in arguments[:3])
        branch = arguments[3] if len(arguments) > 3 else "mean"
        held = embedded()
        low, high = held.interval(torque, speed, heat, branch)
        value = held.locking_torque(torque, speed, heat, branch)
        tested = held.is_tested(torque, speed, heat, branch)
    except (ValueError, KeyError) as error:
        text = f"usage: TORQUE_Nm SPEED_rad_s TEMPERATURE_degC [loading|unloading|mean] ({error})\n"
        sys.stderr.write(text)
        return 2
    flag = "tested" if tested else "NOT tested"
    sys.stdout.write(f"{value:.6g} N.m, {low:.6g} to {high:.6g}, {flag}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
