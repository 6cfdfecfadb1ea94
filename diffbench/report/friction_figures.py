"""Figures of what friction does and what heat does to it: friction over sliding speed and temperature, torque
bias over input torque, temperatures and plate heat over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diffbench.physics.plate_heat import friction_heat
from diffbench.report.curves import BranchCurve, carried_cells, sweep_cells
from diffbench.report.figures import (
    BRANCHES,
    DENSE,
    INPUT_TORQUE,
    draw_branches,
    draw_cells,
    place_of_reference,
)
from diffbench.report.friction_curves import (
    Over,
    bias_curve,
    friction_cells,
    friction_curve,
    friction_scale,
    reference_place,
)
from diffbench.report.style import (
    DIRECTION_COLOURS,
    GRID,
    INK,
    MUTED,
    PAPER,
    TICK_SIZE,
    dress,
    in_ratios,
    legend_above,
)
from diffbench.results.characterisation import Characterisation, Evidence
from diffbench.results.locking_map import LockingMap

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["friction", "plate_heat", "run_starts", "temperatures", "torque_bias"]

Array = NDArray[np.float64]

ACROSS: dict[Over, str] = {
    "sliding_speed": "sliding speed of the plates [m/s]",
    "plate": "plate temperature [°C]",
}
IN_TIME = "time, runs one after another [s]"
#: Room between two runs, as a share of all their time.
PAUSE = 0.03
#: The axis of the torque bias ends at that many times its middle: towards no input torque it has no bound.
MOST_BIAS = 3.0


def friction(characterisation: Characterisation, axes: Axes, *, over: Over = "sliding_speed") -> Axes:
    """Friction over sliding speed, or over plate temperature: measured cells and the fitted law with its 95 %
    band.

    Parameters
    ----------
    characterisation : Characterisation
        The result; without the cells behind it only the law is drawn.
    axes : matplotlib.axes.Axes
        Where to draw.
    over : {"sliding_speed", "plate"}
        Along which axis; along the other all is carried to the reference condition.

    Returns
    -------
    The axes. Friction coefficient where it is determined, else friction relative to the reference condition.
    The band is that of the course; what scales all friction alike (a stated spring force) is the bar at the
    reference condition.
    """
    scale = friction_scale(characterisation)
    times = 1.0 if scale is None else scale[0]
    cells = friction_cells(characterisation, over)
    if cells is not None:
        draw_cells(axes, cells.at, times * cells.value, cells.direction)
    curve = friction_curve(characterisation, over)
    axes.fill_between(
        curve.at,
        times * curve.low,
        times * curve.high,
        color=INK,
        alpha=0.22,
        linewidth=0,
        zorder=3,
        label="95 % band",
    )
    axes.plot(curve.at, times * curve.value, "-", color=INK, linewidth=2.2, zorder=4, label="fitted law")
    reach = None if scale is None else 1.959964 * scale[1]
    axes.errorbar(
        [reference_place(characterisation, over)],
        [times],
        yerr=None if reach is None else [reach],
        fmt="D",
        color=INK,
        markerfacecolor=PAPER,
        markeredgewidth=1.6,
        markersize=7.0,
        elinewidth=1.6,
        capsize=4.0,
        zorder=6,
        label="reference" + ("" if reach is None else ", 95 %"),
    )
    if over == "sliding_speed":
        in_ratios(axes, "x")
    values = times * np.concatenate([curve.value, [] if cells is None else _middle(cells.value)])
    low, high = float(values.min()), float(values.max())
    low, high = min(low, times - (reach or 0.0)), max(high, times + (reach or 0.0))
    room = max(0.12 * (high - low), 0.02 * times)
    axes.set_ylim(max(low - room, 0.0), high + room)
    dress(
        axes,
        across=ACROSS[over],
        upward="friction, reference = 1 [1]" if scale is None else "friction coefficient [1]",
    )
    return legend_above(axes)


def torque_bias(
    characterisation: Characterisation,
    locking_map: LockingMap,
    axes: Axes,
    *,
    speed_difference: float | None = None,
    temperature: float | None = None,
) -> Axes:
    """Torque bias ratio over input torque: measured cells, both branches of the map with their 95 % band.

    Parameters
    ----------
    characterisation : Characterisation
        The result; without the cells behind it only the map is drawn.
    locking_map : LockingMap
        Its map.
    axes : matplotlib.axes.Axes
        Where to draw.
    speed_difference, temperature : float or None
        Where [rad/s, °C], the reference condition by default.

    Returns
    -------
    The axes. Around no input torque one output alone takes more than comes in, and the ratio has no meaning:
    that stretch is tinted.

    References
    ----------
    SAE J2817: TBR = (1 + LE)/(1 − LE), LE = T_lock/|T_in|.
    """
    speed, heat = place_of_reference(characterisation, speed_difference, temperature)
    cells = carried_cells(characterisation, locking_map, speed_difference=speed, temperature=heat)
    if cells is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            effect = cells.locking / np.abs(cells.input_torque)
            ratio = np.where(effect < 1.0, (1.0 + effect) / (1.0 - effect), np.nan)
        seen = np.isfinite(ratio)
        draw_cells(axes, cells.input_torque[seen], ratio[seen], cells.direction[seen])
    curves = {
        branch: bias_curve(locking_map, branch, speed_difference=speed, temperature=heat)
        for branch in BRANCHES
    }
    draw_branches(axes, curves)
    _bias_limits(axes, curves["loading"])
    axes.axvline(0.0, color=MUTED, linewidth=0.8, zorder=1)
    dress(axes, across=INPUT_TORQUE, upward="torque bias ratio [1]")
    return legend_above(axes, columns=2)


def _bias_limits(axes: Axes, loading: BranchCurve) -> None:
    """A scale in ratios from the least of the loading branch to a few times its middle, and the stretch where
    the ratio has no meaning, named."""
    seen = loading.value[np.isfinite(loading.value)]
    in_ratios(axes, "y")
    if seen.size:
        axes.set_ylim(0.8 * float(seen.min()), MOST_BIAS * float(np.median(seen)))
    nowhere = loading.input_torque[~np.isfinite(loading.value)]
    if nowhere.size > 1:
        axes.axvspan(float(nowhere[0]), float(nowhere[-1]), color=GRID, linewidth=0, zorder=0.5)
        axes.annotate(
            "locks more\nthan comes in:\nno ratio",
            (0.5 * float(nowhere[0] + nowhere[-1]), 0.5),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="center",
            color=INK,
            size=TICK_SIZE - 0.5,
            zorder=2,
        )


def temperatures(evidence: Evidence, axes: Axes) -> Axes:
    """Temperatures of oil and plates over time, runs one after another.

    Parameters
    ----------
    evidence : Evidence
        The cells behind a fit.
    axes : matplotlib.axes.Axes
        Where to draw.

    Returns
    -------
    The axes: the oil as measured, the plates as the fitted heat balance has them.
    """
    for number, (at, here) in enumerate(_in_time(evidence)):
        first = number == 0
        axes.plot(
            at, evidence.oil[here], linestyle="none", marker="o", markersize=2.6, markerfacecolor="none",
            markeredgewidth=0.8, color=DIRECTION_COLOURS[1], rasterized=at.size > DENSE, zorder=3,
            label="oil, measured" if first else None,
        )  # fmt: skip
        axes.plot(
            at, evidence.plate[here], "-", color=INK, linewidth=1.8, zorder=4,
            label="plates, fitted" if first else None,
        )  # fmt: skip
    _name_runs(evidence, axes)
    dress(axes, across=IN_TIME, upward="temperature [°C]")
    return legend_above(axes)


def plate_heat(evidence: Evidence, axes: Axes) -> Axes:
    """Heat that the plates of both packs make, over time, runs one after another.

    q = ½ T_lock |Delta omega|

    Parameters
    ----------
    evidence : Evidence
        The cells behind a fit.
    axes : matplotlib.axes.Axes
        Where to draw.

    Returns
    -------
    The axes: heat from the measured locking torque, by slip direction.
    """
    pieces = _in_time(evidence)
    dense = sum(at.size for at, _ in pieces) > DENSE
    for number, (at, here) in enumerate(pieces):
        heat = friction_heat(evidence.locking[here], evidence.speed_difference[here])
        draw_cells(axes, at, np.asarray(heat) / 1e3, evidence.direction[here], named=number == 0, dense=dense)
    axes.set_ylim(bottom=0.0)
    _name_runs(evidence, axes)
    dress(axes, across=IN_TIME, upward="plate heat [kW]")
    return legend_above(axes)


def run_starts(evidence: Evidence) -> list[tuple[int, float, float]]:
    """Number, start and duration [s] of each sweep on a common time axis, one after another."""
    sweeps = sweep_cells(evidence)
    spans = [
        (int(number), float(np.ptp(evidence.time[sweeps & (evidence.run == number)])))
        for number in np.unique(evidence.run[sweeps])
    ]
    pause = PAUSE * sum(length for _, length in spans)
    found, start = [], 0.0
    for number, length in spans:
        found.append((number, start, length))
        start += length + pause
    return found


def _in_time(evidence: Evidence) -> list[tuple[Array, NDArray[np.int64]]]:
    """Time on the common axis and indices of the cells of each sweep, in order of time."""
    made = []
    for number, start, _ in run_starts(evidence):
        here = np.flatnonzero(evidence.run == number)
        here = here[np.argsort(evidence.time[here], kind="stable")]
        made.append((evidence.time[here] - evidence.time[here].min() + start, here))
    return made


def _name_runs(evidence: Evidence, axes: Axes) -> None:
    """Each run's number and kind at its start, and a line where the next begins."""
    for number, start, _ in run_starts(evidence):
        axes.axvline(start, color=MUTED, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
        axes.annotate(
            f"run {number + 1}",
            (start, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3, -2),
            textcoords="offset points",
            va="top",
            color=MUTED,
            size=TICK_SIZE - 1.0,
        )


def _middle(values: Array) -> Array:
    """Where most values lie: a few outliers do not press a course flat."""
    low, high = np.quantile(values, [0.01, 0.99])
    return np.array([low, high])
