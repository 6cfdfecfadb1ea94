"""Figures of a corner entry: what each rung of a ladder keeps and what it turns against, phase by phase."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING

import numpy as np

from diffbench.answers.corner import CornerEntry, PhaseResult
from diffbench.answers.operating_point import Interval
from diffbench.report.style import INK, MUTED, SCALE_STOPS, dress, legend_above
from diffbench.report.wording import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["corner_figure", "kept", "yaw_moments"]

#: Half of the room of a phase that its marks take.
REACH = 0.32
MARKS = ("o", "s", "^", "D", "v", "P", "X", "h")


def kept(result: CornerEntry, axes: Axes) -> Axes:
    """Share of the free wheel-speed difference that each unit keeps, phase by phase, with 95 % limits.

    Parameters
    ----------
    result : CornerEntry
        The result.
    axes : matplotlib.axes.Axes
        Where to draw.

    Returns
    -------
    The axes. Measured units are ink and filled, predicted ones coloured and open, darker with each rung; the
    line at 0 % is a locked axle, the one at 100 % an open differential.
    """
    _marks(result, axes, lambda phase: phase.share_kept, 100.0)
    for level, text in ((0.0, "locked"), (100.0, "open")):
        axes.axhline(level, color=MUTED, linewidth=0.8, zorder=1)
        axes.annotate(
            text,
            (1.0, level),
            xycoords=("axes fraction", "data"),
            xytext=(-2, 3),
            textcoords="offset points",
            ha="right",
            color=MUTED,
            size=9,
        )
    axes.set_ylim(-5.0, 109.0)
    dress(axes, across="phase", upward="wheel-speed difference kept [% of free rolling]")
    return legend_above(axes, columns=2)


def yaw_moments(result: CornerEntry, axes: Axes) -> Axes:
    """Yaw moment against the turn with each unit, phase by phase, with 95 % limits.

    Parameters
    ----------
    result : CornerEntry
        The result.
    axes : matplotlib.axes.Axes
        Where to draw.

    Returns
    -------
    The axes, marked as `kept`.
    """
    _marks(result, axes, lambda phase: phase.yaw_moment, 1.0)
    axes.set_ylim(bottom=0.0)
    dress(axes, across="phase", upward="yaw moment against the turn [N·m]")
    return legend_above(axes, columns=2)


def corner_figure(result: CornerEntry) -> Figure:
    """Both figures of a corner entry side by side.

    Parameters
    ----------
    result : CornerEntry
        The result.

    Returns
    -------
    The figure, to be saved.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    # settings of the surroundings do not reach the picture
    with mpl.rc_context():
        mpl.rcdefaults()
        figure = Figure(figsize=(12.0, 5.4), layout="constrained", facecolor="white")
        left, right = figure.subplots(1, 2)
        kept(result, left)
        yaw_moments(result, right)
        right.get_legend().remove()
    return figure


def save_corner_figure(result: CornerEntry, path: Path | IO[bytes], *, kind: str) -> None:
    """Write both figures into a file.

    Parameters
    ----------
    result : CornerEntry
        The result.
    path : Path or file
        Where to write.
    kind : {"png", "svg", "pdf"}
        Of the file.
    """
    corner_figure(result).savefig(path, format=kind, dpi=150, metadata={})


def _marks(result: CornerEntry, axes: Axes, of: Callable[[PhaseResult], Interval], times: float) -> None:
    names = [printable(phase.phase) for phase in result.rungs[0].phases]
    middle = np.arange(len(names), dtype=np.float64)
    count = len(result.rungs)
    shifts = np.linspace(-REACH, REACH, count) if count > 1 else np.zeros(1)
    predicted = [i for i, rung in enumerate(result.rungs) if rung.predicted is not None]
    for i, (rung, shift) in enumerate(zip(result.rungs, shifts, strict=True)):
        value, low, high = (
            np.array([times * (getattr(of(phase), limit) or 0.0) for phase in rung.phases])
            for limit in ("value", "low", "high")
        )
        measured = rung.predicted is None
        colour = INK if measured else _colour(predicted.index(i), len(predicted))
        axes.errorbar(
            middle + shift,
            value,
            yerr=np.stack([np.maximum(value - low, 0.0), np.maximum(high - value, 0.0)]),
            linestyle="none",
            marker=MARKS[i % len(MARKS)],
            markersize=7.0 if measured else 6.5,
            color=colour,
            markerfacecolor=colour if measured else "white",
            markeredgewidth=1.5,
            elinewidth=1.4,
            capsize=3.0,
            zorder=5 if measured else 4,
        )
        axes.plot(
            [],
            [],
            linestyle="none",
            marker=MARKS[i % len(MARKS)],
            markersize=7.0,
            color=colour,
            markerfacecolor=colour if measured else "white",
            markeredgewidth=1.5,
            label=printable(rung.label),
        )
    axes.set_xticks(middle, names)
    axes.set_xlim(-0.5, len(names) - 0.5)


def _colour(rung: int, count: int) -> str:
    """Darker with each rung; the two lightest stops would be lost on white."""
    stops = SCALE_STOPS[2:]
    return stops[round(rung * (len(stops) - 1) / max(count - 1, 1))]
