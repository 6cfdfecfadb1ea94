"""The difference between two states as a map: how much locking torque was lost or won, where that is
significant, and where both were tested."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeGuard

import numpy as np
from numpy.typing import NDArray

from diffbench.answers.comparison import DifferenceMap
from diffbench.report.map_figures import WASH, hatch_untested, round_levels
from diffbench.report.style import (
    DARK_LABEL,
    INK,
    PAPER,
    dress,
    gain_scale,
    in_ratios,
    legend_above,
    scale,
)
from diffbench.results.locking_map import Branch

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["difference", "difference_levels", "drawable", "reference_layer"]

Array = NDArray[np.float64]

MOST_LEVELS = 9
#: Dots over what is not significant, as dense as to be seen on every shade.
NOT_SIGNIFICANT = "..."


def drawable(found: DifferenceMap | None) -> TypeGuard[DifferenceMap]:
    """Whether a difference reaches over an area, so that it can be drawn as one."""
    return found is not None and min(len(found.input_torque_Nm), len(found.speed_difference_rad_s)) >= 2


def reference_layer(found: DifferenceMap, temperature: float) -> int:
    """Index of the temperature of a difference that lies nearest to one [°C]."""
    return int(np.argmin(np.abs(np.array(found.temperature_degC) - temperature)))


def difference_levels(found: DifferenceMap) -> Array:
    """Round levels [N·m] that serve both branches and all temperatures of a difference.

    Parameters
    ----------
    found : DifferenceMap
        The difference.

    Returns
    -------
    Rising levels, at least two.
    """
    every = np.concatenate([np.ravel(found.branches[b].change_Nm) for b in ("loading", "unloading")])
    return round_levels(float(every.min()), float(every.max()), MOST_LEVELS)


def difference(
    found: DifferenceMap,
    axes: Axes,
    *,
    branch: Branch = "loading",
    temperature: int = 0,
    levels: Array | None = None,
) -> Axes:
    """Filled contours of what changed in locking torque, later less earlier state, of one branch.

    Parameters
    ----------
    found : DifferenceMap
        The difference, with at least two input torques and two speed differences.
    axes : matplotlib.axes.Axes
        Where to draw.
    branch : str
        "loading", "unloading" or "mean".
    temperature : int
        Index along the temperatures of the difference.
    levels : numpy.ndarray or None
        Rising levels [N·m]; those of `difference_levels` by default, for several figures to share.

    Returns
    -------
    The axes. Lines bear the change with its sign, darker is a larger change, blue a loss and brown a gain;
    dots lie where the 95 % interval holds no change, too, hatching where one of the states was not tested.

    Raises
    ------
    ValueError
        The difference has a single input torque or speed difference.
    """
    if not drawable(found):
        msg = "a map of a difference needs at least two input torques and two speed differences"
        raise ValueError(msg)
    torque, speed = np.array(found.input_torque_Nm), np.array(found.speed_difference_rad_s)
    table = found.branches[branch]
    values, low, high = (
        np.array(listed)[:, :, temperature].T for listed in (table.change_Nm, table.low_Nm, table.high_Nm)
    )
    levels = difference_levels(found) if levels is None else levels
    axes.contourf(torque, speed, values, levels=levels, colors=_shades(levels))
    lines = axes.contour(
        torque, speed, values, levels=levels, colors=[DARK_LABEL],
        linewidths=[1.8 if abs(level) < 1e-9 else 0.6 for level in levels],
    )  # fmt: skip
    if speed[0] > 0.0:
        in_ratios(axes, "y")
    axes.set_xlim(float(torque[0]), float(torque[-1]))
    axes.set_ylim(float(speed[0]), float(speed[-1]))
    beyond = np.maximum(low, -high)  # positive where zero is not in the interval
    doubtful = bool((beyond <= 0.0).any())
    if doubtful:
        lowest = min(float(beyond.min()), -1.0)
        axes.contourf(
            torque,
            speed,
            beyond,
            levels=[lowest, 0.0],
            colors=[(1.0, 1.0, 1.0, WASH)],
            hatches=[NOT_SIGNIFICANT],
        )
    tested = np.array(table.tested)[:, :, temperature].T
    hatch_untested(axes, tested, torque, speed)
    numbers = axes.clabel(
        lines, fmt=lambda level: f"{level:+g}" if level else "0", fontsize=9.5, colors=[INK], inline=False
    )
    for number in numbers:
        number.set_bbox({"facecolor": PAPER, "edgecolor": "none", "pad": 1.2, "alpha": 0.85})
        number.set_rotation(0.0)
    axes.axvline(0.0, color=DARK_LABEL, linewidth=0.7, linestyle=(0, (1, 2)))
    dress(axes, across="input torque [N·m]", upward="speed difference [rad/s]")
    axes.grid(visible=False)
    return _key(axes, doubtful=doubtful, untested=not tested.all())


def _shades(levels: Array) -> list[tuple[float, float, float, float]]:
    """Colours between levels: the larger the change, the darker, losses and gains in two tones."""
    losses, gains = scale(), gain_scale()
    middles = 0.5 * (levels[:-1] + levels[1:])
    depth = 0.04 + 0.92 * np.abs(middles) / float(np.abs(middles).max())
    return [(losses if middle < 0.0 else gains)(share) for middle, share in zip(middles, depth, strict=True)]


def _key(axes: Axes, *, doubtful: bool, untested: bool) -> Axes:
    """What dots and hatching mean, where there are any."""
    from matplotlib.patches import Patch

    meant = [(doubtful, NOT_SIGNIFICANT, "no change proven (95 %)"), (untested, "//", "not tested in both")]
    handles = [
        Patch(facecolor=PAPER, edgecolor=DARK_LABEL, linewidth=0.6, hatch=hatch, label=words)
        for there, hatch, words in meant
        if there
    ]
    return legend_above(axes, handles=handles) if handles else axes
