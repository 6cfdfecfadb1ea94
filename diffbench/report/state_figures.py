"""Figures of several states of a unit: before and after, what changed, and preload over shims."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from diffbench.answers.comparison import Change, Comparison
from diffbench.definitions import name_of
from diffbench.report.curves import branch_curve
from diffbench.report.difference_figures import difference, drawable, reference_layer
from diffbench.report.figures import INPUT_TORQUE, LOCKING_TORQUE
from diffbench.report.style import (
    INK,
    MUTED,
    PAPER,
    STATE_COLOURS,
    TEXT_SIZE,
    TICK_SIZE,
    dress,
    legend_above,
)
from diffbench.report.wording import label
from diffbench.results.characterisation import BuildFacts, Characterisation, Parameter
from diffbench.results.locking_map import Branch, LockingMap

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "before_after",
    "change_rows",
    "changes",
    "comparison_figure",
    "corner_change",
    "shim_ladder",
    "shim_rungs",
]

PER_CENT = 100.0
MILLIMETRES = 1e3
STATE_LINES = {"before": "-", "after": (0, (5, 2))}
STATE_MARKS = {"before": "o", "after": "s"}
BOTH_BRANCHES: tuple[Branch, ...] = ("loading", "unloading")


def before_after(
    before: LockingMap,
    after: LockingMap,
    axes: Axes,
    *,
    speed_difference: float,
    temperature: float,
    names: tuple[str, str] = ("before", "after"),
) -> Axes:
    """Locking torque over input torque of two states, while the torque rises, with 95 % bands.

    Parameters
    ----------
    before, after : LockingMap
        Maps of both states.
    axes : matplotlib.axes.Axes
        Where to draw.
    speed_difference, temperature : float
        Where [rad/s, °C].
    names : pair of str
        What the states are called.

    Returns
    -------
    The axes; thin where a map is an extrapolation.
    """
    for which, locking_map, name in zip(STATE_COLOURS, (before, after), names, strict=True):
        curve = branch_curve(
            locking_map, "loading", speed_difference=speed_difference, temperature=temperature
        )
        colour, line = STATE_COLOURS[which], STATE_LINES[which]
        strong = np.where(curve.tested, curve.value, np.nan)
        axes.plot(
            curve.input_torque, strong, linestyle=line, color=colour, linewidth=2.4, zorder=4, label=name
        )
        axes.plot(curve.input_torque, curve.value, linestyle=line, color=colour, linewidth=0.9, zorder=3.5)
        axes.fill_between(
            curve.input_torque, curve.low, curve.high, color=colour, alpha=0.25, linewidth=0, zorder=3,
            label=f"95 % band, {name}",
        )  # fmt: skip
    axes.axvline(0.0, color=MUTED, linewidth=0.8, zorder=1)
    axes.set_ylim(bottom=0.0)
    dress(axes, across=INPUT_TORQUE, upward=LOCKING_TORQUE)
    return legend_above(axes)


def change_rows(comparison: Comparison) -> list[tuple[str, Change]]:
    """The changes that are relative, in the order of the comparison."""
    return [(name, change) for name, change in comparison.changes.items() if change.relative]


def changes(comparison: Comparison, axes: Axes) -> Axes:
    """What changed between two states: relative change of each quantity with its 95 % interval.

    Parameters
    ----------
    comparison : Comparison
        The result.
    axes : matplotlib.axes.Axes
        Where to draw.

    Returns
    -------
    The axes. Filled marks have changed, open ones are as before within their doubt.
    """
    rows = change_rows(comparison)
    for row, (_, change) in enumerate(rows):
        value, low, high = (PER_CENT * number for number in (change.change, change.low, change.high))
        axes.errorbar(
            [value], [row], xerr=[[value - low], [high - value]], fmt=STATE_MARKS["after"], color=INK,
            markerfacecolor=INK if change.significant else PAPER, markeredgewidth=1.6, markersize=8.0,
            elinewidth=1.8, capsize=4.0, zorder=4,
        )  # fmt: skip
        axes.annotate(
            "changed" if change.significant else "as before",
            (1.0, row),
            xycoords=("axes fraction", "data"),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            color=INK if change.significant else MUTED,
            size=TICK_SIZE,
        )
    axes.axvline(0.0, color=MUTED, linewidth=1.0, zorder=1)
    axes.set_yticks(range(len(rows)), [label(name) for name, _ in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    dress(axes, across="change and its 95 % interval [% of before]", upward="")
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.grid(visible=False, axis="y")
    return axes


def corner_change(comparison: Comparison, axes: Axes) -> Axes:
    """Locking torque at corner entry, before and after, over engine braking.

    Parameters
    ----------
    comparison : Comparison
        The result.
    axes : matplotlib.axes.Axes
        Where to draw.

    Returns
    -------
    The axes; the bars on the later state are the 95 % interval of the change.
    """
    torque = np.array([c.input_torque_Nm for c in comparison.conditions])
    for which, values in (
        ("before", [c.before_Nm for c in comparison.conditions]),
        ("after", [c.after_Nm for c in comparison.conditions]),
    ):
        axes.plot(
            torque, values, linestyle=STATE_LINES[which], marker=STATE_MARKS[which], markersize=7.0,
            color=STATE_COLOURS[which], linewidth=2.0, markeredgecolor=PAPER, zorder=4, label=which,
        )  # fmt: skip
    before = np.array([c.before_Nm for c in comparison.conditions])
    axes.vlines(
        torque,
        before + np.array([c.low_Nm for c in comparison.conditions]),
        before + np.array([c.high_Nm for c in comparison.conditions]),
        color=STATE_COLOURS["after"], linewidth=1.8, zorder=3.5, label="95 % interval of the change",
    )  # fmt: skip
    axes.set_ylim(bottom=0.0)
    dress(axes, across="input torque, engine braking [N·m]", upward=LOCKING_TORQUE)
    return legend_above(axes)


def comparison_figure(
    comparison: Comparison, before: LockingMap, after: LockingMap, *, reference: Mapping[str, float]
) -> Figure:
    """The whole picture of a comparison: both maps, what changed, corner entry and the map of the difference,
    loading and unloading, where they were worked out.

    Parameters
    ----------
    comparison : Comparison
        The result.
    before, after : LockingMap
        Maps of both states.
    reference : mapping
        Reference condition of the earlier state: where the maps are drawn.

    Returns
    -------
    A figure that belongs to no window.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    temperature = reference["temperature_degC"]
    apart = comparison.difference_map if drawable(comparison.difference_map) else None
    count = 3 if comparison.conditions else 2
    with mpl.rc_context():
        mpl.rcdefaults()  # settings of the surroundings do not reach the picture
        rows = 1 if apart is None else 2
        figure = Figure(figsize=(5.4 * count, 4.8 * rows), layout="constrained", facecolor="white")
        parts = figure.subfigures(rows, 1, squeeze=False)[:, 0]
        panels = parts[0].subplots(1, count)
        before_after(
            before,
            after,
            panels[0],
            speed_difference=reference["speed_difference_rad_s"],
            temperature=temperature,
        )
        changes(comparison, panels[1])
        if comparison.conditions:
            corner_change(comparison, panels[2])
        if apart is not None:
            layer = reference_layer(apart, temperature)
            heat = apart.temperature_degC[layer]
            for panel, branch in zip(parts[1].subplots(1, 2), BOTH_BRANCHES, strict=True):
                difference(apart, panel, branch=branch, temperature=layer)
                title = f"change of locking torque [N·m], {branch}, {heat:.3g} °C"
                panel.set_title(title, loc="left", color=INK, size=TEXT_SIZE, pad=26.0)
    return figure


def shim_rungs(characterisation: Characterisation) -> list[tuple[BuildFacts, Parameter]]:
    """Builds with a stated shim and a preload torque that is determined, by their shims."""
    found = []
    for facts in characterisation.builds:
        item = characterisation.parameters.get(name_of("preload_torque", facts.build))
        if facts.shim_m is not None and item is not None and item.value is not None:
            found.append((facts, item))
    return sorted(found, key=lambda rung: rung[0].shim_m or 0.0)


def shim_ladder(
    characterisation: Characterisation, axes: Axes, *, limits: tuple[float, float] | None = None
) -> Axes:
    """Preload torque over shim thickness, each build with its 95 % interval.

    Parameters
    ----------
    characterisation : Characterisation
        Builds of one unit with different shims, fitted together.
    axes : matplotlib.axes.Axes
        Where to draw.
    limits : pair of float or None
        Limits of the preload torque [N·m], drawn as a band where given.

    Returns
    -------
    The axes.
    """
    rungs = shim_rungs(characterisation)
    shims = np.array([MILLIMETRES * (facts.shim_m or 0.0) for facts, _ in rungs])
    values, low, high = (
        np.array([getattr(item, key) for _, item in rungs], dtype=np.float64)
        for key in ("value", "low", "high")
    )
    if limits is not None:
        axes.axhspan(
            *limits, color=MUTED, alpha=0.18, linewidth=0, zorder=0.5, label="limits of the build sheet"
        )
    axes.plot(shims, values, "-", color=INK, linewidth=1.4, zorder=3)
    axes.errorbar(
        shims, values, yerr=np.stack([values - low, high - values]), fmt="o", color=STATE_COLOURS["before"],
        markersize=8.0, markeredgecolor=PAPER, elinewidth=2.0, capsize=5.0, capthick=1.6, zorder=4,
        label="measured, 95 % interval",
    )  # fmt: skip
    _name_rates(axes, shims, values)
    axes.set_xticks(np.unique(shims), [f"{shim:.4g}" for shim in np.unique(shims)])
    span = max(float(np.ptp(shims)), 0.1)
    axes.set_xlim(float(shims.min()) - 0.12 * span, float(shims.max()) + 0.12 * span)
    dress(axes, across="shim [mm]", upward="preload torque [N·m]")
    return legend_above(axes)


def _name_rates(axes: Axes, shims: Sequence[float] | np.ndarray, values: np.ndarray) -> None:
    """Each step bears its preload per shim, below the line."""
    for i in range(len(values) - 1):
        step = float(shims[i + 1] - shims[i])
        if step <= 0.0:
            continue
        axes.annotate(
            f"{(values[i + 1] - values[i]) / step:.0f} N·m/mm",
            (0.5 * float(shims[i] + shims[i + 1]), 0.5 * float(values[i] + values[i + 1])),
            xytext=(8, -12),
            textcoords="offset points",
            color=INK,
            size=TICK_SIZE,
            zorder=5,
        )
