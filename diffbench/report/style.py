"""The look of the figures: colour is measurement, ink is model.

One visual language throughout: measured cells carry one of two colours, and one of two marks, by which
output was faster; lines and bands in ink are the fitted model, solid while loading and dashed while
unloading; filled areas take the tones of one scale from sand to night. All is told apart by colour-blind
readers and in grey print (tested by simulation), and the colours of measurement stand out from white as well
as from near black, so that one picture serves both.

Two figures never bear the same quantity in different units.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.colors import LinearSegmentedColormap
    from numpy.typing import ArrayLike


#: Roles of the surroundings: a page may turn them round in the dark.
INK = "#1b2631"
MUTED = "#56636f"
GRID = "#dfe4e8"
PAPER = "#fffffe"

#: Slip direction, by the sign of left minus right output speed.
DIRECTION_COLOURS = {1: "#157299", -1: "#d17a26"}
DIRECTION_MARKS = {1: "o", -1: "x"}
DIRECTION_LABELS = {1: "measured, left faster", -1: "measured, right faster"}

#: Parts of the locking torque, from the bottom up, dark to light.
PART_COLOURS = {"preload": "#2a5079", "ramps": "#4f93a8", "gears": "#cfa14a", "oil film": "#f0e2c0"}

#: Two states of a unit, the earlier and the later one.
STATE_COLOURS = {"before": "#157299", "after": "#d17a26"}

#: Kinds of sources of doubt, in the order in which a bar is filled, dark to light.
SOURCE_COLOURS = {
    "noise": "#1f2d50",
    "refitting to the bench": "#2f6f95",
    "transducers": "#b4762e",
    "build sheet": "#7db8ad",
    "plausible range or form": "#f0e2bf",
}
#: What both become on near black, where the colours of white paper go under: 3 to 1 and told apart again.
DARK_FILLS = dict(
    zip(
        (*PART_COLOURS.values(), *SOURCE_COLOURS.values()),
        ("#5e6c9e", "#459a90", "#c9a277", "#cceeda", "#656390", "#479077", "#e19454", "#7fd4a4", "#fad4fe"),
        strict=True,
    )
)

#: Stops of the scale for filled contours, light (little) to dark (much).
SCALE_STOPS = ("#f6efdc", "#bcd3c0", "#6fa9b0", "#3c7797", "#284a78", "#1d2450")
#: The same for what was gained, where a loss has the scale above.
GAIN_STOPS = ("#f6efdc", "#e6c48f", "#cf9350", "#a5652a", "#70401a", "#3f220d")
#: Labels on filled areas, whatever the surroundings.
DARK_LABEL = "#101820"
LIGHT_LABEL = "#f8f8f4"

#: Of text [points]; on a telephone of 390 px the smallest is 11 px in a figure of the narrow sizes.
TEXT_SIZE = 10.5
TICK_SIZE = 10.0
#: Widths of curves [points]: what is tested and while loading, what stands beside it, and what is beyond.
STRONG, MIDDLE, THIN = 2.2, 1.2, 0.9
#: What lies over what: shades of the ground, rules, measured cells, areas, thin curves, curves, and marks.
GROUND, RULE, CELLS, AREA, BESIDE, CURVE, ABOVE, TOP = 0.5, 1.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0
#: How much of its colour a band between limits has.
TINT = 0.2
#: Room in a legend, of its text's size.
LEGEND = {"handlelength": 1.9, "columnspacing": 1.4, "handletextpad": 0.6, "borderpad": 0.4}


def scale() -> LinearSegmentedColormap:
    """The scale from sand to night for filled contours: its lightness falls steadily."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("sand to night", SCALE_STOPS)


def gain_scale() -> LinearSegmentedColormap:
    """The scale from sand to bark, for gains beside losses: its lightness falls steadily."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("sand to bark", GAIN_STOPS)


def dress(axes: Axes, *, across: str, upward: str) -> Axes:
    """Dress axes: labels with units, a quiet grid, no box."""
    axes.set_xlabel(across, color=INK, size=TEXT_SIZE, parse_math=False)
    axes.set_ylabel(upward, color=INK, size=TEXT_SIZE, parse_math=False)
    axes.tick_params(colors=MUTED, labelcolor=INK, labelsize=TICK_SIZE, length=3.5, width=0.8)
    axes.set_axisbelow(True)
    axes.grid(visible=True, color=GRID, linewidth=0.8)
    axes.set_facecolor("none")
    for side, spine in axes.spines.items():
        spine.set_visible(side in {"left", "bottom"})
        spine.set_color(MUTED)
        spine.set_linewidth(0.8)
    return axes


def draw_band(
    axes: Axes, at: ArrayLike, low: ArrayLike, high: ArrayLike, *,
    colour: str = INK, label: str | None,
) -> None:  # fmt: skip
    """Tint what lies between two limits, which are lines of their own: the tint alone goes under."""
    axes.fill_between(
        at, low, high, facecolor=(colour, TINT), edgecolor=colour, linewidth=0.6, zorder=AREA, label=label
    )


def draw_marks(
    axes: Axes, x: ArrayLike, y: ArrayLike, *, low: ArrayLike, high: ArrayLike,
    along: Literal["x", "y"] = "y", marker: str = "o", colour: str, face: str | None = None,
    edge: str | None = None, label: str | None = None, zorder: float = CURVE,
) -> None:  # fmt: skip
    """Marks with the interval of each, from so far below to so far above it along an axis: of one size in all
    figures, filled unless ``face`` says otherwise."""
    import numpy as np

    reach = np.stack([np.asarray(low, dtype=float), np.asarray(high, dtype=float)])
    axes.errorbar(
        x, y, xerr=reach if along == "x" else None, yerr=reach if along == "y" else None, linestyle="none",
        marker=marker, color=colour, markerfacecolor=face or colour, markeredgecolor=edge or colour,
        markersize=7.0, markeredgewidth=1.6, elinewidth=1.6, capsize=4.0, zorder=zorder, label=label,
    )  # fmt: skip


def level_line(axes: Axes, at: float, *, along: Literal["x", "y"]) -> None:
    """A thin line at a value that parts what is drawn, as zero does, behind everything: along an axis."""
    draw = axes.axhline if along == "x" else axes.axvline
    draw(at, color=MUTED, linewidth=0.8, zorder=RULE)


def legend_above(axes: Axes, *, columns: int = 2, handles: Sequence[Artist] | None = None) -> Axes:
    """Legend in the room above the axes, where it covers nothing: the labelled artists, or ``handles``."""
    legend = axes.legend(
        handles=handles,
        loc="lower left",
        bbox_to_anchor=(-0.02, 1.0),
        ncols=columns,
        frameon=False,
        fontsize=TICK_SIZE,
        borderaxespad=0.2,
        labelspacing=0.3,
        **LEGEND,
    )
    for text in legend.get_texts():
        text.set_color(INK)
    return axes


def in_ratios(axes: Axes, which: Literal["x", "y"]) -> None:
    """A logarithmic axis with plain numbers at 1, 2 and 5: friction changes most where sliding is slow."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    (axes.set_xscale if which == "x" else axes.set_yscale)("log")
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())
