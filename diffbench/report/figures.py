"""Figures of a result. Every function takes data and an Axes and returns the Axes: for the page, and for a
notebook."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diffbench.report.curves import (
    RESIDUAL_AXES,
    BranchCurve,
    Parts,
    branch_curve,
    carried_cells,
    parts_over_torque,
    residual_bins,
    sweep_cells,
)
from diffbench.report.style import (
    DIRECTION_COLOURS,
    DIRECTION_LABELS,
    DIRECTION_MARKS,
    INK,
    MUTED,
    PAPER,
    PART_COLOURS,
    dress,
    legend_above,
)
from diffbench.results.characterisation import Characterisation, Evidence
from diffbench.results.locking_map import Branch, LockingMap

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["parts", "recorded", "residuals", "sweep"]

Array = NDArray[np.float64]

INPUT_TORQUE = "input torque [N·m], coast negative, drive positive"
LOCKING_TORQUE = "locking torque [N·m]"
#: More points than that are drawn as a picture within the drawing: smaller, and quicker to show.
DENSE = 300
BRANCHES: tuple[Branch, Branch] = ("loading", "unloading")
BRANCH_LINES = {"loading": "-", "unloading": "--"}


def sweep(
    characterisation: Characterisation,
    locking_map: LockingMap,
    axes: Axes,
    *,
    speed_difference: float | None = None,
    temperature: float | None = None,
) -> Axes:
    """Locking torque over input torque: both branches of the map with their 95 % band, and the measured
    cells.

    Parameters
    ----------
    characterisation : Characterisation
        The result; without the cells behind it only the map is drawn.
    locking_map : LockingMap
        Its map.
    axes : matplotlib.axes.Axes
        Where to draw.
    speed_difference, temperature : float or None
        At which speed difference [rad/s] and temperature [°C], the reference condition by default. The cells
        are carried there by the fitted friction shape, see `diffbench.report.curves.carried_cells`.

    Returns
    -------
    The axes.
    """
    speed, heat = place_of_reference(characterisation, speed_difference, temperature)
    cells = carried_cells(characterisation, locking_map, speed_difference=speed, temperature=heat)
    if cells is not None:
        draw_cells(axes, cells.input_torque, cells.locking, cells.direction)
    _branches(axes, locking_map, speed, heat)
    axes.axvline(0.0, color=MUTED, linewidth=0.8, zorder=1)
    axes.set_ylim(bottom=0.0)
    dress(axes, across=INPUT_TORQUE, upward=LOCKING_TORQUE)
    return legend_above(axes, columns=2)


def recorded(evidence: Evidence, axes: Axes) -> Axes:
    """Locking torque over input torque as recorded, at each cell's own speed difference and temperature, and
    the model there.

    Parameters
    ----------
    evidence : Evidence
        The cells behind a fit.
    axes : matplotlib.axes.Axes
        Where to draw.

    Returns
    -------
    The axes. Readings by hand are drawn as diamonds, cells that the fit left out as small grey dots.
    """
    sweeps = sweep_cells(evidence)
    kept = evidence.used & sweeps
    draw_cells(axes, evidence.input_torque[kept], evidence.locking[kept], evidence.direction[kept])
    used = evidence.used
    axes.plot(
        evidence.input_torque[used],
        evidence.model[used],
        ".",
        color=INK,
        markersize=1.4 if used.sum() > DENSE else 3.5,
        markeredgewidth=0,
        rasterized=bool(used.sum() > DENSE),
        zorder=6,
    )
    axes.plot([], [], ".", color=INK, markersize=5, label="model, same cells")
    hand = evidence.used & ~sweeps
    if hand.any():
        axes.plot(
            evidence.input_torque[hand],
            evidence.locking[hand],
            "D",
            color=INK,
            markerfacecolor="none",
            markersize=7,
            label="readings by hand",
            zorder=5,
        )
    apart = ~evidence.used
    if apart.any():
        axes.plot(
            evidence.input_torque[apart],
            evidence.locking[apart],
            ".",
            color=MUTED,
            markersize=3,
            label="left out of the fit",
            zorder=2,
        )
    axes.axvline(0.0, color=MUTED, linewidth=0.8, zorder=1)
    dress(axes, across=INPUT_TORQUE, upward=LOCKING_TORQUE)
    return legend_above(axes)


def residuals(evidence: Evidence, axes: Axes, *, over: str) -> Axes:
    """Residual, measured less model, over one axis: cells by slip direction, twice their noise, and means of
    bins.

    Parameters
    ----------
    evidence : Evidence
        The cells behind a fit.
    axes : matplotlib.axes.Axes
        Where to draw.
    over : str
        "input_torque", "speed_difference", "plate" or "time".

    Returns
    -------
    The axes. What a good model leaves has no course: the means of the bins stay near zero.
    """
    at = np.asarray(getattr(evidence, over), dtype=np.float64)
    kept = evidence.used & np.isfinite(at)
    residual = evidence.locking - evidence.model
    draw_cells(axes, at[kept], residual[kept], evidence.direction[kept])
    if kept.any():
        noise = 2.0 * float(np.median(evidence.sigma[kept]))
        axes.axhspan(-noise, noise, color=INK, alpha=0.10, linewidth=0, zorder=0, label="± 2 σ of noise")
        bins = residual_bins(evidence, over)
        axes.plot(
            bins.centre,
            bins.mean,
            "-s",
            color=INK,
            markersize=4.5,
            linewidth=1.4,
            markeredgecolor=PAPER,
            markeredgewidth=0.7,
            label="means of bins",
            zorder=5,
        )
        reach = max(float(np.max(np.abs(residual[kept]))) * 1.08, noise * 1.3)
        axes.set_ylim(-reach, reach)
    axes.axhline(0.0, color=MUTED, linewidth=0.8, zorder=1)
    dress(axes, across=RESIDUAL_AXES[over], upward="measured less model [N·m]")
    return legend_above(axes)


def parts(
    characterisation: Characterisation,
    locking_map: LockingMap,
    axes: Axes,
    *,
    speed_difference: float | None = None,
    temperature: float | None = None,
) -> Axes:
    """What the locking torque is made of, over input torque: preload, ramps, gears, oil film while loading.

    Parameters
    ----------
    characterisation : Characterisation
        The result.
    locking_map : LockingMap
        Its map.
    axes : matplotlib.axes.Axes
        Where to draw.
    speed_difference, temperature : float or None
        Where [rad/s, °C], the reference condition by default.

    Returns
    -------
    The axes: parts stacked, the total with its 95 % band, and the total while unloading, dashed.
    """
    speed, heat = place_of_reference(characterisation, speed_difference, temperature)
    made = parts_over_torque(
        characterisation, locking_map, "loading", speed_difference=speed, temperature=heat
    )
    floor = np.zeros(made.input_torque.shape)
    for name, part in _named_parts(made):
        top = floor + part
        axes.fill_between(
            made.input_torque,
            floor,
            top,
            facecolor=PART_COLOURS[name],
            edgecolor=PAPER,
            linewidth=0.8,
            label=name,
        )
        floor = top
    _branches(axes, locking_map, speed, heat)
    axes.axvline(0.0, color=MUTED, linewidth=0.8, zorder=1)
    axes.set_ylim(bottom=0.0)
    dress(axes, across=INPUT_TORQUE, upward=LOCKING_TORQUE)
    return legend_above(axes, columns=3)


def place_of_reference(
    characterisation: Characterisation, speed_difference: float | None, temperature: float | None
) -> tuple[float, float]:
    """Speed difference [rad/s] and temperature [°C] that are asked for, else those of the reference
    condition."""
    reference = characterisation.reference
    return (
        reference["speed_difference_rad_s"] if speed_difference is None else speed_difference,
        reference["temperature_degC"] if temperature is None else temperature,
    )


def _named_parts(made: Parts) -> list[tuple[str, Array]]:
    return [
        ("preload", made.preload),
        ("ramps", made.ramps),
        ("gears", made.gears),
        ("oil film", made.oil_film),
    ]


def draw_cells(
    axes: Axes,
    across: Array,
    upward: Array,
    direction: Array,
    *,
    named: bool = True,
    dense: bool | None = None,
) -> None:
    """Measured cells by slip direction, ``named`` in the legend; ``dense`` ones as a picture within the
    drawing."""
    many = across.size > DENSE if dense is None else dense
    for sign in (1, -1):
        here = direction == sign
        if not here.any():
            continue
        mark = DIRECTION_MARKS[sign]
        axes.plot(
            across[here],
            upward[here],
            linestyle="none",
            marker=mark,
            markersize=4.0 if mark == "o" else 3.6,
            color=DIRECTION_COLOURS[sign],
            markerfacecolor="none",
            markeredgewidth=0.9,
            alpha=0.75 if many else 1.0,
            rasterized=many,
            label=DIRECTION_LABELS[sign] if named else None,
            zorder=2.5,
        )


def _branches(axes: Axes, locking_map: LockingMap, speed_difference: float, temperature: float) -> None:
    """Both branches of the map at one place."""
    draw_branches(
        axes,
        {
            branch: branch_curve(
                locking_map, branch, speed_difference=speed_difference, temperature=temperature
            )
            for branch in BRANCHES
        },
    )


def draw_branches(axes: Axes, curves: Mapping[Branch, BranchCurve]) -> None:
    """Both branches with their 95 % band; thin where they are an extrapolation, nothing where a value has no
    meaning."""
    for branch, curve in curves.items():
        tested = np.where(curve.tested, curve.value, np.nan)
        axes.plot(
            curve.input_torque,
            tested,
            BRANCH_LINES[branch],
            color=INK,
            linewidth=2.2,
            label=f"map, {branch}",
            zorder=4,
        )
    for branch, curve in curves.items():
        first = branch == "loading"
        axes.plot(
            curve.input_torque,
            curve.value,
            BRANCH_LINES[branch],
            color=INK,
            linewidth=0.9,
            zorder=3.5,
            label="map, not tested" if first else None,
        )
        axes.fill_between(
            curve.input_torque,
            curve.low,
            curve.high,
            color=INK,
            alpha=0.18,
            linewidth=0,
            zorder=3,
            label="95 % band" if first else None,
        )
