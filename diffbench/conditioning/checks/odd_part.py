"""Columns for the part of the torque difference that turns with the direction of slip: the locking torque.

Wide enough for any unit, so that no law is assumed where two transducers are held against each other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.cells import Cells
from diffbench.conditioning.run import ConditionedRun

Array = NDArray[np.float64]

KNOTS = 13
HEAT_TIME = 20.0  # s: plates settle within some ten seconds (common practice, no source)


def odd_basis(run: ConditionedRun, look: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Columns for the locking torque (c, b), and their slope over the input torque.

    Any continuous piecewise straight course over torque, one for rising and one for falling, and a share of
    constant and torque magnitude each with speed, oil temperature and plate heat.
    """
    cells = run.cells
    torque = run.input_torque[look]
    rising = _rising(cells, run.input_torque)[look]
    nodes = np.unique(np.concatenate([np.quantile(torque, np.linspace(0.0, 1.0, KNOTS)), [0.0]]))
    nodes = nodes[np.concatenate([[True], np.diff(nodes) > 0.01 * np.ptp(torque)])]
    hats, slopes = _hats(torque, nodes)
    columns = [hats * rising[:, None], hats * ~rising[:, None]]
    column_slopes = [slopes * rising[:, None], slopes * ~rising[:, None]]
    speed = np.log(np.abs(cells.speed_difference[look]))
    extra = [speed - speed.mean(), (speed - speed.mean()) ** 2, np.abs(cells.speed_difference[look])]
    if cells.oil is not None:
        extra.append(cells.oil[look] - float(np.mean(cells.oil)))
    else:
        extra.append(cells.time[look] - float(np.mean(cells.time)))
    extra.append(_plate_heat(run)[look])
    # friction surfaces follow a change of load over an angle, so over a time that goes with 1/speed
    climb = np.gradient(np.abs(run.input_torque), cells.time)
    climb[np.abs(climb) > 3.0 * np.median(np.abs(climb))] = 0.0
    columns.append((climb[look] / np.abs(cells.speed_difference[look]))[:, None])
    column_slopes.append(np.zeros((torque.size, 1)))
    magnitude, sign = np.abs(torque), np.sign(torque)
    for values in extra:
        if float(np.ptp(values)) > 1e-9 * max(1.0, float(np.abs(values).max())):
            up, down = values * rising, values * ~rising
            columns.append(np.stack([values, up * magnitude, down * magnitude], axis=1))
            column_slopes.append(np.stack([np.zeros_like(values), up * sign, down * sign], axis=1))
    return np.concatenate(columns, axis=1), np.concatenate(column_slopes, axis=1)


def _rising(cells: Cells, torque: Array) -> NDArray[np.bool_]:
    """Whether the input torque rises over the stretch that a cell is of."""
    out = np.zeros(torque.size, dtype=bool)
    for number in np.unique(cells.stretch):
        at = cells.stretch == number
        time = cells.time[at] - cells.time[at].mean()
        out[at] = float(time @ (torque[at] - torque[at].mean())) >= 0.0
    return out


def _hats(values: Array, nodes: Array) -> tuple[Array, Array]:
    """Hat functions over ``nodes`` at ``values``, and their slopes."""
    place = np.clip(np.searchsorted(nodes, values, side="right") - 1, 0, nodes.size - 2)
    width = np.diff(nodes)[place]
    share = (values - nodes[place]) / width
    hats, slopes = np.zeros((values.size, nodes.size)), np.zeros((values.size, nodes.size))
    rows = np.arange(values.size)
    hats[rows, place], hats[rows, place + 1] = 1.0 - share, share
    slopes[rows, place], slopes[rows, place + 1] = -1.0 / width, 1.0 / width
    return hats, slopes


def _plate_heat(run: ConditionedRun) -> Array:
    """Friction heat after a first-order decay of ``HEAT_TIME``, at the cells, scaled to about one."""
    time, power = run.heat.time, run.heat.power
    if time.size < 2 or float(power.max()) == 0.0:
        return np.zeros(run.cells.time.size)
    decay = float(np.exp(-(time[1] - time[0]) / HEAT_TIME))
    level, levels = 0.0, []
    for watts in power.tolist():
        level = decay * level + (1.0 - decay) * watts
        levels.append(level)
    return np.interp(run.cells.time, time, np.array(levels) / float(power.mean()))
