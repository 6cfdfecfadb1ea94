"""The map as table text of the Modelica Standard Library, for CombiTable2Ds and CombiTable1Ds.

Format: text files of Modelica.Blocks.Tables: first line ``#1``, then for each table ``double
name(rows,columns)`` and its rows; lines with ``#`` are comments. That library has no table over three axes:
there is one two-dimensional table for each temperature.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.exports.facts import facts_json
from diffbench.results.locking_map import AXES, BRANCHES, LockingMap

__all__ = ["export_modelica"]


def export_modelica(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.txt.

    Tables ``BRANCH_locking_torque_K``, ``BRANCH_low_K``, ``BRANCH_high_K`` (all in N·m) and
    ``BRANCH_tested_K`` (1 or 0), BRANCH one of loading, unloading, mean and either, K the temperature,
    counted from 1: first column the input torque [N·m], first row the speed difference [rad/s]. The table
    ``axes_K_degC`` has K in its first column and the temperature [°C] in its second. The tables ``beyond_*``
    hold the numbers of the rule beyond the axes, first row and column counting from 1:
    ``beyond_half_width_per_Nm`` a row for each branch in that order, low and high end in the columns. Numbers
    are written so that they read back the same.
    """
    torque, speed, heat = locking_map.axes
    lines = ["#1"]
    lines += [
        "# Locking torque of a limited-slip differential. u1 = input torque in N.m, u2 = magnitude of the",
        "# speed difference in rad/s; one table for each temperature, to be blended linearly between two.",
        "# Set smoothness = LinearSegments and extrapolation = LastTwoPoints, and limit u2 and the",
        "# temperature to the ends of their axes: the map goes on straight along torque and is held along",
        "# the others. There the tables low and high do not hold: limits part from the value as follows.",
        *(f"# {line}" for line in textwrap.wrap(locking_map.beyond.rule, 108)),
        f"# {facts_json(locking_map)}",
    ]
    counted = np.arange(1.0, heat.size + 1.0)
    lines += _table("axes_K_degC", np.stack([counted, heat], axis=-1))
    lines += [f"# {axis}: {values.size} nodes" for axis, values in zip(AXES, locking_map.axes, strict=True)]
    rule = locking_map.beyond
    lines += _framed("beyond_half_width_per_Nm", [rule.half_width_per_Nm[branch] for branch in BRANCHES])
    lines += _framed("beyond_half_width_share_per_rad_s", [rule.half_width_share_per_rad_s])
    lines += _framed("beyond_half_width_share_per_K", [rule.half_width_share_per_K])
    lines += _framed("beyond_half_width_share_of_change", [[rule.half_width_share_of_change]])
    for branch in BRANCHES:
        for quantity, table in (
            ("locking_torque", locking_map.values[branch]),
            ("low", locking_map.low[branch]),
            ("high", locking_map.high[branch]),
            ("tested", locking_map.tested[branch].astype(np.float64)),
        ):
            for k in range(heat.size):
                framed = np.zeros((torque.size + 1, speed.size + 1))
                framed[1:, 0], framed[0, 1:] = torque, speed
                framed[1:, 1:] = table[:, :, k]
                lines += _table(f"{branch}_{quantity}_{k + 1}", framed)
    return {f"{name}.txt": ("\n".join(lines) + "\n").encode("ascii")}


def _framed(name: str, rows: Sequence[Sequence[float]]) -> list[str]:
    """A table with numbers from 1 in its first row and column."""
    values = np.array(rows)
    framed = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
    framed[1:, 0], framed[0, 1:] = np.arange(1, framed.shape[0]), np.arange(1, framed.shape[1])
    framed[1:, 1:] = values
    return _table(name, framed)


def _table(name: str, values: NDArray[np.float64]) -> list[str]:
    rows = [" ".join(repr(number) for number in row) for row in values.tolist()]
    return [f"double {name}({values.shape[0]},{values.shape[1]})", *rows]
