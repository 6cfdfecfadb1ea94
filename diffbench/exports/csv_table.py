"""The map as comma-separated text, one node a line.

Format: RFC 4180, with a line feed at the end of a line; numbers by the shortest text that reads back the
same.
"""

from __future__ import annotations

import csv
import io

from diffbench.locking_map import AXES, BRANCHES, LockingMap

__all__ = ["export_csv", "map_csv"]

_COLUMNS = ("locking_torque_Nm", "low_Nm", "high_Nm", "tested")


def export_csv(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.csv (`map_csv`)."""
    return {f"{name}.csv": map_csv(locking_map).encode("utf-8")}


def map_csv(locking_map: LockingMap) -> str:
    """The map as comma-separated text, one node a line, numbers in full.

    Parameters
    ----------
    locking_map : LockingMap
        The map.

    Returns
    -------
    Text with the columns ``input_torque_Nm``, ``speed_difference_rad_s``, ``temperature_degC``, then for
    each branch (loading, unloading, mean) ``BRANCH_locking_torque_Nm``, ``BRANCH_low_Nm``,
    ``BRANCH_high_Nm`` and ``BRANCH_tested`` (``true`` or ``false``). Temperature varies quickest, input
    torque slowest.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([*AXES, *(f"{branch}_{column}" for branch in BRANCHES for column in _COLUMNS)])
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
                writer.writerow(row)
    return buffer.getvalue()
