"""Which part of a map is drawn: what was tested and what lies near, however far the map reaches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.results.locking_map import LockingMap

__all__ = ["speeds_to_draw", "torques_to_draw"]

#: How far beyond the tested torques a node is still drawn, over their span: a map reaches several times as
#: far, and drawn whole it would show what nobody measured.
NEAR = 0.5
ONE_LEVEL = 1.1


def torques_to_draw(locking_map: LockingMap) -> NDArray[np.intp]:
    """Nodes of input torque to draw: those tested at any speed difference, and those near.

    Parameters
    ----------
    locking_map : LockingMap
        The map.

    Returns
    -------
    Rising indices along its torque axis; all where no node is tested, as of a predicted map.
    """
    return _near(locking_map, 0, NEAR)


def speeds_to_draw(locking_map: LockingMap) -> NDArray[np.intp]:
    """Nodes of speed difference to draw: those tested at any input torque (see `torques_to_draw`); one where
    one level was swept, however that wobbled."""
    drawn = _near(locking_map, 1, 0.0)
    speeds = locking_map.axes[1][drawn]
    return drawn[:1] if 0.0 < speeds[-1] < ONE_LEVEL * speeds[0] else drawn


def _near(locking_map: LockingMap, which: int, share: float) -> NDArray[np.intp]:
    axis = locking_map.axes[which]
    others = tuple(other for other in range(3) if other != which)
    tested: NDArray[np.bool_] = np.any(locking_map.tested["loading"], axis=others)
    if not tested.any():
        return np.arange(axis.size)
    low, high = float(axis[tested][0]), float(axis[tested][-1])
    reach = share * (high - low)
    return np.flatnonzero((axis >= low - reach) & (axis <= high + reach))
