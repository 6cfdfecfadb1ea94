"""The map as comma-separated text, one node a line.

Format: RFC 4180, with a line feed at the end of a line; numbers by the shortest text that reads back the
same.
"""

from __future__ import annotations

import csv
import io

from diffbench.results.beyond_axes import inner_nodes
from diffbench.results.fitted_law import FittedLaw
from diffbench.results.locking_map import AXES, BRANCHES, LockingMap

__all__ = ["export_csv", "law_csv", "map_csv"]

_COLUMNS = ("locking_torque_Nm", "low_Nm", "high_Nm", "tested")
# the rule beyond the axes, at their ends alone (see `map_csv`)
_BEYOND = ("beyond_per_Nm", "beyond_half_width_per_Nm")
_SHARES = ("beyond_half_width_share_per_rad_s", "beyond_half_width_share_per_K")


def export_csv(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as ``name``.csv (`map_csv`), and its law, where it carries one, as ``name``-law.csv
    (`law_csv`)."""
    law = locking_map.document.fitted_law
    beside = {} if law is None else {f"{name}-law.csv": law_csv(law).encode("utf-8")}
    return {f"{name}.csv": map_csv(locking_map).encode("utf-8"), **beside}


def law_csv(law: FittedLaw) -> str:
    """A law as comma-separated text, one parameter a line.

    Returns
    -------
    Text with the columns ``parameter``, ``unit``, ``value``, ``u`` (standard uncertainty), and for each
    parameter ``covariance_PARAMETER``. After the fitted ones come those that they refer to, without
    uncertainty, and the names of both laws.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(["parameter", "unit", "value", "u", *(f"covariance_{name}" for name in law.names)])
    for name, unit, value, row in zip(law.names, law.units, law.values, law.covariance, strict=True):
        writer.writerow([name, unit, value, law.u(name), *row])
    for name, unit, stated in (
        ("effective_radius", "m", law.effective_radius_m),
        ("reference_temperature", "degC", law.reference_temperature_degC),
        ("reference_speed_difference", "rad/s", law.reference_speed_difference_rad_s),
        ("preload_law", "", law.preload_law),
        ("friction_law", "", law.friction_law),
    ):
        writer.writerow([name, unit, stated])
    return buffer.getvalue()


def map_csv(locking_map: LockingMap) -> str:
    """The map as comma-separated text, one node a line, numbers in full.

    Parameters
    ----------
    locking_map : LockingMap
        The map.

    Returns
    -------
    Text with the columns ``input_torque_Nm``, ``speed_difference_rad_s``, ``temperature_degC``, then for
    each branch (loading, unloading, mean, either) ``BRANCH_locking_torque_Nm``, ``BRANCH_low_Nm``,
    ``BRANCH_high_Nm`` and ``BRANCH_tested`` (``true`` or ``false``). Temperature varies quickest, input
    torque slowest.

    Then the rule beyond the axes (`results.beyond_axes`), at the nodes at an end of that axis and empty at
    all others: for each branch ``BRANCH_beyond_per_Nm``, what the value changes by for each N·m further out,
    and ``BRANCH_beyond_half_width_per_Nm``, what both limits part by; last
    ``beyond_half_width_share_per_rad_s`` and ``beyond_half_width_share_per_K``, the same as shares of the
    value. Where the map shows what was measured, ``BRANCH_by_the_law_Nm`` at the end is the law alone.
    """
    held = locking_map.document.branches
    laws = {b: table for b in BRANCHES if b in held and (table := held[b].by_the_law_Nm) is not None}
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(
        [
            *AXES,
            *(f"{branch}_{column}" for branch in BRANCHES for column in _COLUMNS),
            *(f"{branch}_{column}" for branch in BRANCHES for column in _BEYOND),
            *_SHARES,
            *(f"{branch}_by_the_law_Nm" for branch in laws),
        ]
    )
    torque, speed, heat = (axis.tolist() for axis in locking_map.axes)
    tables = [
        (
            locking_map.values[b].tolist(),
            locking_map.low[b].tolist(),
            locking_map.high[b].tolist(),
            locking_map.tested[b].tolist(),
        )
        for b in BRANCHES
    ]
    rule = locking_map.beyond
    for i, at_torque in enumerate(torque):
        for j, at_speed in enumerate(speed):
            for k, at_heat in enumerate(heat):
                row: list[object] = [at_torque, at_speed, at_heat]
                for value, low, high, tested in tables:
                    row += [
                        value[i][j][k],
                        low[i][j][k],
                        high[i][j][k],
                        "true" if tested[i][j][k] else "false",
                    ]
                row += _beyond_torque(locking_map, i, j, k)
                row += [
                    _at_end(j, len(speed), rule.half_width_share_per_rad_s),
                    _at_end(k, len(heat), rule.half_width_share_per_K),
                    *(law[i][j][k] for law in laws.values()),
                ]
                writer.writerow(row)
    return buffer.getvalue()


def _beyond_torque(locking_map: LockingMap, i: int, j: int, k: int) -> list[object]:
    """For each branch slope outwards and growth of the half-width; empty but at the ends of the torques."""
    torque = locking_map.axes[0]
    if 0 < i < torque.size - 1:
        return [""] * (2 * len(BRANCHES))
    rule, side = locking_map.beyond, 0 if i == 0 else 1
    inner = inner_nodes(torque)[side]
    cells: list[object] = []
    for branch in BRANCHES:
        value = locking_map.values[branch]
        slope = 0.0
        if inner != i:
            slope = float((value[i, j, k] - value[inner, j, k]) / abs(torque[i] - torque[inner]))
        least = rule.half_width_share_of_change * abs(slope)
        cells += [slope, max(rule.half_width_per_Nm[branch][side], least)]
    return cells


def _at_end(index: int, size: int, ends: tuple[float, float]) -> object:
    if size == 1:  # both ends in one node: the larger
        return max(ends)
    return ends[0] if index == 0 else ends[1] if index == size - 1 else ""
