"""The picture of a trend: records, line and intervals over the distance, and the sums below them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from diffbench.report.pictures import check_suffix, put_picture
from diffbench.report.style import DIRECTION_COLOURS, GRID, INK, MUTED, PAPER, dress, legend_above
from diffbench.report.wording import label, printable
from diffbench.trend import Axis, Course, Trend

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["course", "sums", "trend_figure", "write_picture"]

RECORD, AVERAGE = DIRECTION_COLOURS[1], DIRECTION_COLOURS[-1]
ACROSS: dict[Axis, str] = {
    "distance": "distance since assembly [km]",
    "events": "events since assembly [1]",
    "visits": "visit since assembly [1]",
}


def course(course: Course, axes: Axes) -> Axes:
    """One quantity: records with 95 % of what is new at every visit, the line with where the next record
    lies, the moving average with its limits, the lower limit and the way to it; earlier builds in grey.

    Parameters
    ----------
    course : Course
        What was found.
    axes : matplotlib.axes.Axes
        Where to draw.

    Returns
    -------
    The axes.
    """
    scale = _scale(course.series.axis)
    x = np.array([point.x for point in course.series.points]) * scale
    y = np.array([point.value for point in course.series.points])
    for i, series in enumerate(course.earlier):
        axes.plot(
            [point.x * scale for point in series.points],
            [point.value for point in series.points],
            "-s",
            color=MUTED,
            alpha=0.55,
            linewidth=0.8,
            markersize=3.5,
            label="earlier builds" if i == 0 else None,
        )
    _line(course, axes, scale)
    _average(course, axes, x)
    half = np.array([1.96 * (point.u_visit or 0.0) for point in course.series.points])
    axes.errorbar(
        x,
        y,
        yerr=half,
        fmt="o",
        color=RECORD,
        markersize=5.5,
        capsize=2.5,
        linewidth=1.0,
        zorder=6,
        label="record",
    )
    if course.crossing is not None:
        axes.axhline(
            course.crossing.limit, color=INK, linewidth=1.0, linestyle=(0, (1, 1.5)), label="lower limit"
        )
        _way(course, axes, scale)
    upward = f"{label(course.series.quantity)} [{course.series.unit}]"
    dress(axes, across=ACROSS[course.series.axis], upward=upward)
    return legend_above(axes, columns=3)


def sums(course: Course, axes: Axes) -> Axes:
    """The cumulative sums of a quantity, upward above zero and downward below, with their decision limits."""
    charts = course.charts
    assert charts is not None
    points = course.series.points[charts.baseline :]
    x = [point.x * _scale(course.series.axis) for point in points]
    axes.plot(x, charts.up, "-^", color=RECORD, linewidth=1.2, markersize=4.5, label="upward sum")
    axes.plot(x, -charts.down, "-v", color=AVERAGE, linewidth=1.2, markersize=4.5, label="downward sum")
    for side in (-1.0, 1.0):
        axes.axhline(
            side * charts.decision,
            color=INK,
            linewidth=1.0,
            linestyle="--",
            label="decision limit" if side > 0 else None,
        )
    axes.axhline(0.0, color=GRID, linewidth=0.8, zorder=1)
    dress(axes, across=ACROSS[course.series.axis], upward="sums [standard deviations]")
    return legend_above(axes, columns=2)


def trend_figure(trend: Trend) -> Figure:
    """The whole picture: a row for each quantity, the sums beside it.

    Parameters
    ----------
    trend : Trend
        What was found.

    Returns
    -------
    A figure that belongs to no window.
    """
    from matplotlib.figure import Figure

    rows = len(trend.courses)
    figure = Figure(figsize=(11.0, 0.6 + 3.4 * rows), layout="constrained", facecolor=PAPER)
    figure.suptitle(
        f"unit {printable(trend.unit, limit=40)}, build {printable(trend.build, limit=40)}",
        x=0.01,
        ha="left",
        color=INK,
        size=12,
        parse_math=False,
    )
    grid = figure.subplots(rows, 2, squeeze=False, width_ratios=[1.7, 1.0])
    for found, (left, right) in zip(trend.courses, grid, strict=True):
        course(found, left)
        if found.charts is not None:
            sums(found, right)
            right.set_xlim(left.get_xlim())
        else:
            right.set_axis_off()
            right.text(0.5, 0.5, "too few records for control charts", ha="center", color=MUTED)
    return figure


def write_picture(trend: Trend, path: Path) -> None:
    """Write the picture, whole or not at all.

    Parameters
    ----------
    trend : Trend
        What was found.
    path : Path
        The file; its suffix, ``.svg``, ``.png`` or ``.pdf``, says the format.

    Raises
    ------
    OutputError : for another suffix, and where it cannot be written.
    """
    check_suffix(path)
    put_picture(trend_figure(trend), path)


def _scale(axis: Axis) -> float:
    return 1e-3 if axis == "distance" else 1.0


def _line(course: Course, axes: Axes, scale: float) -> None:
    line = course.line
    if line is None:
        return
    places = [point.x for point in course.series.points]
    ahead = places[-1] + 0.35 * (places[-1] - places[0])
    far = course.crossing.expected if course.crossing is not None else None
    if far is not None and far < places[-1] + 2.0 * (places[-1] - places[0]):
        ahead = max(ahead, far + 0.1 * (places[-1] - places[0]))
    # after a jump a new line begins
    x = np.linspace(places[0 if course.jump is None else course.jump.at], ahead, 120)
    low, high = line.next_record(x)
    axes.fill_between(x * scale, low, high, color=RECORD, alpha=0.14, linewidth=0, label="next record, 95 %")
    known = x <= places[-1]
    axes.plot(x[known] * scale, line.at(x[known]), color=INK, linewidth=1.5, label="line")
    axes.plot(x[~known] * scale, line.at(x[~known]), color=INK, linewidth=1.2, linestyle="--")


def _average(course: Course, axes: Axes, x: np.ndarray) -> None:
    charts = course.charts
    if charts is None:
        return
    watched = x[charts.baseline :]
    axes.plot(
        watched, charts.average, "-D", color=AVERAGE, linewidth=1.2, markersize=3.5, label="moving average"
    )
    axes.plot(
        watched,
        charts.low,
        color=AVERAGE,
        marker="_",
        markersize=7,
        linewidth=0.9,
        linestyle=":",
        label="its control limits",
    )
    axes.plot(watched, charts.high, color=AVERAGE, marker="_", markersize=7, linewidth=0.9, linestyle=":")


def _way(course: Course, axes: Axes, scale: float) -> None:
    """The interval within which the limit is met, on the limit itself."""
    found = course.crossing
    assert found is not None
    right = axes.get_xlim()[1]
    if found.not_before is None or found.not_before * scale > right:
        return
    end = right if found.reached_by is None else min(found.reached_by * scale, right)
    axes.plot(
        [found.not_before * scale, end],
        [found.limit, found.limit],
        color=INK,
        linewidth=4.5,
        solid_capstyle="butt",
        alpha=0.75,
        label="limit met within",
    )
    axes.set_xlim(right=right)
