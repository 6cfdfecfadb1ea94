"""The scales of axes in a page's drawing: grid, ticks, numbers and labels, laid out and written here.

Matplotlib makes three lines and two texts of every tick, and measures each text again and again: a third of
a page's time. Here a text is measured by its characters, once, and written as it is. Where the ticks are and
what they say comes from the axes as they were painted. All in points, 1/72 inch, from the lower left corner.
"""

from __future__ import annotations

import functools
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from diffbench.report.style import GRID, INK, MUTED, TICK_SIZE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.ft2font import FT2Font
    from numpy.typing import NDArray


POINTS = 72.0  # of an inch
#: What is left free at the edge of a drawing; left, below, right and above of axes before texts are measured.
EDGE = 2.9
GUESSED = (47.0, 36.0, 7.0, 7.0)
#: Above and below the base of a line of text, and from base to base; of its size.
ASCENT, DESCENT, LINE = 0.76, 0.236, 1.2
_MEASURED = 64  # size of the type that is measured: any, for all scale alike


@dataclass(frozen=True)
class Words:
    """A line of text in a drawing: where its base begins, ends or has its middle (``anchor``), from the upper
    left corner, and by how much it is turned [deg], clockwise."""

    text: str
    at: tuple[float, float]
    size: float
    colour: str
    anchor: str
    turned: float = 0.0


def width(text: str, size: float) -> float:
    """How wide a line of text is, set in matplotlib's own type at a size: the browser's is of like width."""
    return size * sum(map(_advance, text))


@functools.lru_cache(maxsize=4096)
def _advance(character: str) -> float:
    """Width of a character, of its size."""
    if unicodedata.east_asian_width(character) in {"F", "W"}:
        return 1.0  # that type has no such sign; all that have it set it in a square
    from matplotlib.ft2font import LoadFlags

    glyph = _type().load_char(ord(character), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / 65536.0 / _MEASURED


@functools.cache
def _type() -> FT2Font:
    from matplotlib.font_manager import FontProperties, findfont
    from matplotlib.ft2font import FT2Font

    # of our own: those that matplotlib hands out change their size whenever it draws
    found = FT2Font(findfont(FontProperties(family="DejaVu Sans")))
    found.set_size(_MEASURED, POINTS)
    return found


@dataclass(frozen=True)
class Scale:
    """The ticks of one axis of a length: where they lie along it (n,), 0 to 1, and what each says in lines;
    size, colour and turn [deg] of that; how far it is from the axis; what all its numbers are to be taken
    times or from, as matplotlib says it."""

    along: NDArray[np.float64]
    said: list[list[str]]
    size: float
    colour: str
    turn: float
    gap: float
    shared: str

    @classmethod
    def of(cls, axis: Axis) -> Scale:
        """As it was painted, at the present length of its axes."""
        style = axis.get_tick_params()
        at, formatter = np.asarray(axis.get_majorticklocs(), dtype=np.float64), axis.get_major_formatter()
        ends = axis.get_transform().transform(np.array(axis.get_view_interval(), dtype=np.float64))
        along = (axis.get_transform().transform(at) - ends[0]) / (ends[1] - ends[0])
        seen = (along > -1e-6) & (along < 1.0 + 1e-6)
        said = [text.split("\n") for text in formatter.format_ticks(at.tolist())]
        return cls(
            along=along[seen],
            said=[lines for lines, there in zip(said, seen, strict=True) if there],
            size=float(style.get("labelsize", TICK_SIZE)),
            colour=str(style.get("labelcolor", INK)),
            turn=float(style.get("labelrotation", style.get("rotation", 0.0))),
            gap=float(style.get("length", 3.5)) + float(style.get("pad", 3.5)),
            shared=formatter.get_offset(),
        )

    def boxes(self) -> list[tuple[float, float]]:
        """Width and height of each text as it stands: lying, or turned upright."""
        found = [
            (max(width(line, self.size) for line in lines), self.size * (LINE * len(lines) - LINE + 1.0))
            for lines in self.said
        ]
        return [(high, wide) for wide, high in found] if self.turn else found


Box = tuple[float, float, float, float]  # left, below, right, above


def lay_out(axes: Axes, room: tuple[float, float], notes: Callable[[Box], list[list[float]]]) -> list[Words]:
    """Put axes into what their texts leave of a room at the lower left, and their grid and ticks into them.

    Parameters
    ----------
    axes : Axes
        As painted; their scales are not drawn by matplotlib any more.
    room : pair
        How wide and how high.
    notes : callable
        How far each note reaches beyond axes that stand so: left, below, right, above.

    Returns
    -------
    All that stands beside the axes: numbers and labels.
    """
    around: list[float] = list(GUESSED)
    for _ in range(2):  # ticks change with the length of the axes, and notes with their place
        inner = _put(axes, room, around)
        scales = Scale.of(axes.xaxis), Scale.of(axes.yaxis)
        beside = _hung(axes, scales, inner)
        around = [EDGE + max(0.0, *each) for each in zip(*beside, *notes(inner), strict=True)]
    inner = _put(axes, room, around)
    scales = Scale.of(axes.xaxis), Scale.of(axes.yaxis)
    _rule(axes, axes.xaxis, "x")
    _rule(axes, axes.yaxis, "y")
    return [*_numbers(scales, inner), *_labels(axes, scales, room, inner)]


def _put(axes: Axes, room: tuple[float, float], around: Sequence[float]) -> Box:
    """Where the axes are, with so much around them."""
    from matplotlib.transforms import Bbox

    figure = axes.get_figure(root=True)
    assert figure is not None
    box = (around[0], around[1], room[0] - around[2], room[1] - around[3])
    wide, high = (POINTS * inches for inches in figure.get_size_inches())
    axes.set_position(Bbox.from_extents(box[0] / wide, box[1] / high, box[2] / wide, box[3] / high))
    return box


def _depth(axis: Axis, scale: Scale, which: int) -> tuple[float, float]:
    """How far ticks reach beside an axis, and its label from there on."""
    shared = LINE * scale.size if scale.shared and which == 1 else 0.0
    ticks = max((box[which] for box in scale.boxes()), default=-scale.gap) + scale.gap + shared
    label = axis.label
    return ticks, axis.labelpad + (ASCENT + DESCENT) * float(
        label.get_fontsize()
    ) if label.get_text() else 0.0


def _hung(axes: Axes, scales: tuple[Scale, Scale], inner: Box) -> list[list[float]]:
    """How far the texts of both scales reach beyond the axes: left, below, right, above."""
    across, upward = scales
    wide, high = inner[2] - inner[0], inner[3] - inner[1]
    along = list(zip(across.along, (0.5 * box[0] for box in across.boxes()), strict=True))
    up = list(zip(upward.along, (0.5 * box[1] for box in upward.boxes()), strict=True))
    return [
        [
            max((half - at * wide for at, half in along), default=0.0),
            sum(_depth(axes.xaxis, across, 1)),
            max((half - (1.0 - at) * wide for at, half in along), default=0.0),
            0.0,
        ],
        [
            sum(_depth(axes.yaxis, upward, 0)),
            max((half - at * high for at, half in up), default=0.0),
            0.0,
            max(
                *(half - (1.0 - at) * high for at, half in up), LINE * upward.size * bool(upward.shared), 0.0
            ),
        ],
    ]


def _numbers(scales: tuple[Scale, Scale], inner: Box) -> Iterator[Words]:
    """What stands at the ticks, and what all of them share: beyond the right end, or above."""
    across, upward = scales
    left, below, right, above = inner
    size = across.size
    for at, lines in zip(across.along, across.said, strict=True):
        for i, line in enumerate(lines):
            x, down = left + at * (right - left), below - across.gap
            if across.turn:
                x += (0.5 * (ASCENT - DESCENT) + LINE * (i - 0.5 * (len(lines) - 1))) * size
                yield Words(line, (x, down), size, across.colour, "end", -90.0)
            else:
                yield Words(line, (x, down - (ASCENT + i * LINE) * size), size, across.colour, "middle")
    if across.shared:
        lowest = below - _lowest(across) - ASCENT * size
        yield Words(across.shared, (right, lowest), size, across.colour, "end")
    size = upward.size
    for at, lines in zip(upward.along, upward.said, strict=True):
        for i, line in enumerate(lines):
            base = LINE * (0.5 * (len(lines) - 1) - i) - 0.5 * ASCENT
            y = below + at * (above - below) + base * size
            yield Words(line, (left - upward.gap, y), size, upward.colour, "end")
    if upward.shared:
        yield Words(upward.shared, (left, above + 2.0 * DESCENT * size), size, upward.colour, "start")


def _lowest(scale: Scale) -> float:
    return scale.gap + max((box[1] for box in scale.boxes()), default=0.0)


def _labels(
    axes: Axes, scales: tuple[Scale, Scale], room: tuple[float, float], inner: Box
) -> Iterator[Words]:
    """Both labels, in the middle beside the ticks; the axes are told where they stand."""
    places = []
    for which, (axis, scale) in enumerate(zip((axes.xaxis, axes.yaxis), scales, strict=True)):
        label = axis.label
        text, size = label.get_text(), float(label.get_fontsize())
        ends = inner[which] + inner[which + 2]
        middle = _within(ends, width(text, size), room[which])
        away = inner[1 - which] - _depth(axis, scale, 1 - which)[0] - axis.labelpad
        places.append((middle, away) if which == 0 else (away, middle))
        figure = axes.get_figure(root=True)
        assert figure is not None
        x, y = places[-1]
        axis.set_label_coords(x / POINTS, y / POINTS, transform=figure.dpi_scale_trans)
        at = (x, y - ASCENT * size) if which == 0 else (x - DESCENT * size, y)
        if text:
            yield Words(text, at, size, str(label.get_color()), "middle", -90.0 * which)


def _within(both: float, size: float, room: float) -> float:
    """The middle of two ends, moved so that a text of that size stays in the room."""
    return float(min(max(0.5 * both, 0.5 * size), max(room - 0.5 * size, 0.5 * size)))


def _rule(axes: Axes, axis: Axis, which: Literal["x", "y"]) -> None:
    """Grid and ticks of one axis as one line collection and one line of marks each, in the axis' stead."""
    from matplotlib.collections import LineCollection
    from matplotlib.lines import Line2D

    axis.set_visible(False)
    side = "bottom" if which == "x" else "left"
    mark: Literal[0, 3] = 3 if which == "x" else 0  # down or left
    beside = axes.get_xaxis_transform() if which == "x" else axes.get_yaxis_transform()
    order = {True: 0.5, "line": 1.5}.get(axes.get_axisbelow(), 2.5)
    low, high = sorted(axis.get_view_interval())
    rim = 1e-9 * (high - low)
    kinds: tuple[tuple[Literal["major", "minor"], Iterable[float], float, float], ...] = (
        ("major", axis.get_majorticklocs(), 3.5, 0.8),
        ("minor", axis.get_minorticklocs(), 2.0, 0.6),
    )
    for kind, places, long, thick in kinds:
        style = axis.get_tick_params(which=kind)
        at = [place for place in places if low - rim <= place <= high + rim]
        if at and style.get("gridOn"):
            lines = [[(place, 0), (place, 1)] if which == "x" else [(0, place), (1, place)] for place in at]
            colour, wide = style.get("grid_color", GRID), style.get("grid_linewidth", 0.8)
            axes.add_artist(
                LineCollection(lines, colors=[colour], linewidths=wide, transform=beside, zorder=order)
            )
        length = style.get("length", long)
        if at and length and style.get(side):
            ends = [0.0] * len(at)
            axes.add_artist(
                Line2D(
                    *((at, ends) if which == "x" else (ends, at)), transform=beside, linestyle="none",
                    marker=mark, markersize=length, markeredgewidth=style.get("width", thick),
                    color=style.get("color", MUTED), clip_on=False, zorder=order,
                )
            )  # fmt: skip
