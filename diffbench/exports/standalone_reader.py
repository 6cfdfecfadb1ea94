#!/usr/bin/env python3
"""Reader of a locking-torque map: one file, Python 3.8 or newer, nothing else needed.

    import THIS_FILE
    held = THIS_FILE.embedded()                        # the map that came with this file
    held = THIS_FILE.load("map.json")                  # or another one
    held.locking_torque(400.0, 4.0, 70.0)              # N.m at N.m, rad/s, degC
    held.interval(400.0, 4.0, 70.0, "loading")         # its limits
    held.is_tested(400.0, 4.0, 70.0)                   # inside what the bench covered?
    held.is_beyond(400.0, 4.0, 70.0)                   # outside the axes?

or from a shell: python3 THIS_FILE.py 400 4 70 [loading|unloading|mean|either]

Without a branch it is not known which one: the value is the mean, the limits hold both. Between nodes the map
is linear along each axis; beyond its axes held.rule says what it does, and is_tested is False. The magnitude
of the speed difference counts.
"""

from __future__ import annotations

import hashlib
import json
import math
import sys
from bisect import bisect_right
from typing import Any

FORMAT = "diffbench-map/1"
ABSOLUTE_ZERO = -273.15
AXES = ("input_torque_Nm", "speed_difference_rad_s", "temperature_degC")
BRANCHES = ("loading", "unloading", "mean", "either")
TABLES = ("locking_torque_Nm", "low_Nm", "high_Nm", "tested")
EMBEDDED = ""
RULE = (
    "Beyond the axes: along input torque the value goes on in the straight line of the last two nodes, never "
    "below zero (an axis without a node on a flank holds it there); along speed difference and temperature "
    "it is held. Both limits move with it and part: by the larger of half_width_per_Nm x distance and "
    "half_width_share_of_change x |change of the value|, plus the value x (half_width_share_per_rad_s x "
    "distance + half_width_share_per_K x distance); the lower one never falls below zero. Of two numbers the "
    "first is for the low end of an axis, the second for the high end."
)


class MapError(ValueError):
    """A map that cannot be used, and why."""


class LockingMap:
    """Locking torque over input torque [N.m], speed difference [rad/s] and temperature [degC]."""

    def __init__(self, content: dict[str, Any]) -> None:
        _check(content)
        self.unit: str = content["unit"]
        self.build: str = content["build"]
        self._axes: list[list[float]] = [[float(x) for x in content["axes"][name]] for name in AXES]
        self._branches: dict[str, Any] = dict(content["branches"])
        if "either" not in self._branches:
            self._branches["either"] = _either(self._branches)
        self.beyond: dict[str, Any] = content.get("beyond") or _rule(
            self._axes, self._branches, content["law"] != "additive"
        )
        self.rule: str = self.beyond["rule"]

    def locking_torque(
        self, input_torque: float, speed_difference: float, temperature: float, branch: str = "either"
    ) -> float:
        """Locking torque [N.m] at one place."""
        return self._read(branch, input_torque, speed_difference, temperature)[0]

    def interval(
        self, input_torque: float, speed_difference: float, temperature: float, branch: str = "either"
    ) -> tuple[float, float]:
        """Limits (low, high) of the locking torque [N.m]."""
        _, low, high = self._read(branch, input_torque, speed_difference, temperature)
        return low, high

    def is_tested(
        self, input_torque: float, speed_difference: float, temperature: float, branch: str = "either"
    ) -> bool:
        """Whether all nodes around a place were inside what the bench tested."""
        place = (input_torque, abs(speed_difference), _temperature(temperature))
        return not self.is_beyond(*place) and self._look_up(branch, "tested", *place) >= 1.0

    def is_beyond(self, input_torque: float, speed_difference: float, temperature: float) -> bool:
        """Whether a place is outside the axes."""
        place = (input_torque, abs(speed_difference), _temperature(temperature))
        return not all(axis[0] <= value <= axis[-1] for value, axis in zip(place, self._axes))  # noqa: B905

    def _read(self, branch: str, torque: float, speed: float, heat: float) -> tuple[float, float, float]:
        place = (torque, abs(speed), _temperature(heat))
        value, low, high = (self._look_up(branch, table, *place) for table in TABLES[:3])
        if math.isnan(value) or not self.is_beyond(*place):
            return value, low, high
        change, by_torque = 0.0, 0.0
        axis = self._axes[0]
        if not axis[0] <= torque <= axis[-1]:
            side = 0 if torque < axis[0] else 1
            end, inner = (0, _inner(axis)[0]) if side == 0 else (len(axis) - 1, _inner(axis)[1])
            distance = torque - axis[end]
            if inner != end:
                before = self._look_up(branch, TABLES[0], axis[inner], place[1], heat)
                change = distance * ((value - before) / (axis[end] - axis[inner]))
            by_torque = self.beyond["half_width_per_Nm"][branch][side] * abs(distance)
        share = 0.0
        for at, held, key in (
            (place[1], self._axes[1], "half_width_share_per_rad_s"),
            (heat, self._axes[2], "half_width_share_per_K"),
        ):
            below, above = self.beyond[key]
            share += below * max(held[0] - at, 0.0) + above * max(at - held[-1], 0.0)
        there = max(value + change, 0.0)
        moved = there - value
        wider = max(by_torque, self.beyond["half_width_share_of_change"] * abs(moved)) + share * there
        return there, max(low + moved - wider, 0.0), high + moved + wider

    def _look_up(self, branch: str, table: str, torque: float, speed: float, heat: float) -> float:
        if not (math.isfinite(torque) and math.isfinite(speed) and math.isfinite(heat)):
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


def _temperature(heat: float) -> float:
    """Itself [degC]; what is infinite is no place, and gives no number."""
    if math.isfinite(heat) and heat < ABSOLUTE_ZERO:
        raise MapError(
            f"temperature: {heat:g} degC is below absolute zero. "
            "Mend: give degrees Celsius; check the unit and the sign."
        )
    return heat


def _bracket(axis: list[float], value: float) -> tuple[int, int, float]:
    at = bisect_right(axis, value) - 1
    if at < 0:
        return 0, 0, 0.0
    if at >= len(axis) - 1:
        return len(axis) - 1, len(axis) - 1, 0.0
    return at, at + 1, (value - axis[at]) / (axis[at + 1] - axis[at])


def _inner(torque: list[float]) -> tuple[int, int]:
    """The nodes that give the straight lines at both ends; an end that is not on its own flank is held."""
    last = len(torque) - 1
    return (1 if last > 0 and torque[0] < 0.0 else 0, last - 1 if last > 0 and torque[-1] > 0.0 else last)


def _flat(sheet: list[list[float]]) -> list[float]:
    return [x for row in sheet for x in row]


def _either(branches: dict[str, Any]) -> dict[str, Any]:
    """A file of before has no such branch: it follows from the others."""
    one, other = branches["loading"], branches["unloading"]

    def joined(table: str, join: Any) -> list[list[list[Any]]]:
        return [
            [[join(x, y) for x, y in zip(*rows)] for rows in zip(*sheets)]  # noqa: B905
            for sheets in zip(one[table], other[table])  # noqa: B905
        ]

    return {
        TABLES[0]: branches["mean"][TABLES[0]],
        TABLES[1]: joined(TABLES[1], min),
        TABLES[2]: joined(TABLES[2], max),
        TABLES[3]: joined(TABLES[3], lambda x, y: bool(x and y)),
    }


def _rule(axes: list[list[float]], branches: dict[str, Any], corner_unseen: bool) -> dict[str, Any]:
    """A file of before says no rule: the one that diffbench makes of its tables."""
    per_torque = {}
    for name in BRANCHES:
        pair = [_per_torque(axes[0], branches[name], side) for side in (0, 1)]
        if corner_unseen:
            steepest = max(slope for _, slope in pair)
            pair = [(grows + (steepest - slope), slope) for grows, slope in pair]
        per_torque[name] = [grows for grows, _ in pair]
    speed, heat = ([_trend(axes[which], branches, which, side) for side in (0, 1)] for which in (1, 2))
    return {
        "rule": RULE,
        "half_width_share_of_change": 0.1,
        "half_width_per_Nm": per_torque,
        "half_width_share_per_rad_s": [0.1 / (axes[1][-side] or 1.0) + speed[side] for side in (0, 1)],
        "half_width_share_per_K": [0.1 / 30.0 + heat[side] for side in (0, 1)],
    }


def _per_torque(torque: list[float], branch: dict[str, Any], side: int) -> tuple[float, float]:
    if len(torque) < 2:
        return 1.0, 0.0
    inner, last = _inner(torque)[side], len(torque) - 1
    end, other = (0, last) if side == 0 else (last, 0)
    zero = min(range(len(torque)), key=lambda i: abs(torque[i]))
    zero = other if zero == end else zero
    values = [_flat(sheet) for sheet in branch[TABLES[0]]]
    halves = [
        [max(high - x, x - low) for x, low, high in zip(*rows)]  # noqa: B905
        for rows in zip(values, map(_flat, branch[TABLES[1]]), map(_flat, branch[TABLES[2]]))  # noqa: B905
    ]
    span = abs(torque[end] - torque[zero])
    grows = max((x + y) / span for x, y in zip(halves[end], halves[zero]))  # noqa: B905
    if inner == end:
        far = other - 1 if side == 0 else other + 1
        span = abs(torque[other] - torque[far])
        return grows + max(abs(x - y) / span for x, y in zip(values[other], values[far])), 0.0  # noqa: B905
    span = abs(torque[end] - torque[inner])
    return grows, max((x - y) / span for x, y in zip(values[end], values[inner]))  # noqa: B905


def _trend(axis: list[float], branches: dict[str, Any], which: int, side: int) -> float:
    if len(axis) < 2:
        return 0.0
    end, inner = (0, 1) if side == 0 else (len(axis) - 1, len(axis) - 2)
    found = 0.0
    for name in BRANCHES[:2]:
        for sheet in branches[name][TABLES[0]]:
            pairs = (
                zip(sheet[end], sheet[inner])  # noqa: B905
                if which == 1
                else [(row[end], row[inner]) for row in sheet]
            )
            found = max([found, *(abs(x - y) / x for x, y in pairs if x > 0.0)])
    return found / abs(axis[end] - axis[inner])


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
            if branch == "either" and branch not in content["branches"]:
                continue  # a file of before
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
    for key in ("axes", "branches", "interpolation", "beyond", "confidence"):
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
        branch = arguments[3] if len(arguments) > 3 else "either"
        held = embedded()
        low, high = held.interval(torque, speed, heat, branch)
        value = held.locking_torque(torque, speed, heat, branch)
        tested = held.is_tested(torque, speed, heat, branch)
        beyond = held.is_beyond(torque, speed, heat)
    except MapError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    except (ValueError, KeyError) as error:
        text = f"usage: TORQUE_Nm SPEED_rad_s TEMPERATURE_degC [loading|unloading|mean|either] ({error})\n"
        sys.stderr.write(text)
        return 2
    flag = "tested" if tested else "NOT tested, beyond the axes" if beyond else "NOT tested"
    sys.stdout.write(f"{value:.6g} N.m, {low:.6g} to {high:.6g}, {flag}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
