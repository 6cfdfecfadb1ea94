"""The map as table text of the Modelica Standard Library, for CombiTable2Ds and CombiTable1Ds.

Format: text files of Modelica.Blocks.Tables: first line ``#1``, then for each table ``double
name(rows,columns)`` and its rows; lines with ``#`` are comments. That library has no table over three axes:
there is one two-dimensional table for each temperature.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.exports.facts import facts_json
from diffbench.locking_map import AXES, BRANCHES, LockingMap

__all__ = ["export_modelica"]


def export_modelica(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.txt.

    Tables ``BRANCH_locking_torque_K``, ``BRANCH_low_K``, ``BRANCH_high_K`` (all in N·m) and
    ``BRANCH_tested_K`` (1 or 0), BRANCH one of loading, unloading and mean, K the temperature, counted from
    1: first column the input torque [N·m], first row the speed difference [rad/s]. The table ``axes_K_degC``
    has K in its first column and the temperature [°C] in its second. Numbers are written so that they read
    back the same.
    """
    torque, speed, heat = locking_map.axes
    lines = ["#1"]
    lines += [
        "# Locking torque of a limited-slip differential. u1 = input torque in N.m, u2 = magnitude of the",
        "# speed difference in rad/s; one table for each temperature, to be blended linearly between two.",
        "# Set smoothness = LinearSegments and extrapolation = HoldLastPoint: that is what the map means.",
        f"# {facts_json(locking_map)}",
    ]
    counted = np.arange(1.0, heat.size + 1.0)
    lines += _table("axes_K_degC", np.stack([counted, heat], axis=-1))
    lines += [f"# {axis}: {values.size} nodes" for axis, values in zip(AXES, locking_map.axes, strict=True)]
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


def _table(name: str, values: NDArray[np.float64]) -> list[str]:
    rows = [" ".join(repr(number) for number in row) for row in values.tolist()]
    return [f"double {name}({values.shape[0]},{values.shape[1]})", *rows]
