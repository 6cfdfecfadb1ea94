"""Where the texts of a drawing's scales stand, worked out by hand; widths by the type face's own table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from fontTools.ttLib import TTFont
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import to_hex
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator

from diffbench.report import draw
from diffbench.report.style import GRID, INK, MUTED, dress, in_ratios, legend_above

WIDE, HIGH = 216.0, 144.0  # points: three inches by two
DIGIT = 6.3623  # points: 1303 of 2048 units of DejaVu Sans, at ten points


@dataclass(frozen=True)
class Placed:
    """A text of a drawing, from its upper left corner [points]."""

    x: float
    y: float
    anchor: str
    turned: bool
    size: str


def placed(text: str) -> dict[str, Placed]:
    """The texts of the scales by what they say."""
    root = ET.fromstring(text)
    group = next(e for e in root.iter() if (e.get("id") or "").endswith("-scales"))
    made = {}
    for one in group:
        style = dict(part.split(": ", 1) for part in (one.get("style") or "").split("; "))
        turned = (one.get("transform") or "").startswith("rotate(-90 ")
        x, y = float(one.get("x") or "nan"), float(one.get("y") or "nan")
        made[one.text or ""] = Placed(x, y, style["text-anchor"], turned, style["font-size"])
    return made


def kept(paint: Callable[[Axes], object], size: tuple[float, float] = (3.0, 2.0)) -> tuple[Axes, str]:
    """The axes as they were laid out, and the drawing."""
    found: list[Axes] = []

    def painted(axes: Axes) -> None:
        found.append(axes)
        paint(axes)

    text = draw(painted, size=size, prefix="by-hand", title="By hand")
    return found[0], text


def inner(axes: Axes) -> tuple[float, ...]:
    """Where axes stand: left, below, right, above [points]."""
    wide, high = axes.figure.get_size_inches() * 72.0
    box = axes.get_position()
    return (box.x0 * wide, box.y0 * high, box.x1 * wide, box.y1 * high)


def plain(axes: Axes) -> None:
    axes.set_xticks([0.0, 3.0, 9.0], ["0", "33", "beyond the end"])
    axes.set_yticks([0.5, 2.0], ["7", "88"])
    axes.set_xlim(0.0, 4.0)
    axes.set_ylim(0.0, 2.0)
    dress(axes, across="a b", upward="up")


def test_the_type_s_digits_are_as_wide_as_its_table_says() -> None:
    """The width on which the places below rest is the face's own, not ours."""
    face = TTFont(findfont(FontProperties(family="DejaVu Sans")))
    units = face["hmtx"][face.getBestCmap()[ord("7")]][0] / face["head"].unitsPerEm
    assert pytest.approx(10.0 * units, abs=1e-4) == DIGIT


def test_axes_take_what_their_texts_leave() -> None:
    """Edge 2.9; ticks 3.5 long with 3.5 to their text; a label 4 from that, as high as 0.996 of 10.5.

    Left: 2.9 + (12.7246 + 7) + (4 + 10.458) = 37.0826, of the wider number. Below: 2.9 + (10 + 7) + 14.458 =
    34.358. Right: 2.9, as the last number ends before the axes do. Above: 2.9 and half a number, 7.9.
    """
    axes, text = kept(plain)
    assert inner(axes) == pytest.approx((37.0826, 34.358, WIDE - 2.9, HIGH - 7.9), abs=2e-3)
    found = placed(text)
    assert sorted(found) == ["0", "33", "7", "88", "a b", "up"]  # none beyond the end
    # numbers across: their base is 7 + 0.76 * 10 below the axes, at their place along 176.0174 points
    across = HIGH - (34.358 - 7.0 - 7.6)
    for name, x in (("0", 37.08), ("33", 37.0826 + 0.75 * 176.0174)):
        one = found[name]
        assert (one.x, one.y) == pytest.approx((x, across), abs=0.01)
        assert (one.anchor, one.turned, one.size) == ("middle", False, "10px")
    # numbers upward: they end 7 before the axes, their middle, 0.38 of their size, at their place
    for name, y in (("7", 34.358 + 0.25 * 101.742 - 3.8), ("88", 136.1 - 3.8)):
        one = found[name]
        assert (one.x, one.y) == pytest.approx((30.0826, HIGH - y), abs=0.01)
        assert (one.anchor, one.turned, one.size) == ("end", False, "10px")
    # labels: in the middle of the axes; the foot of their letters, 0.236 of 10.5, on the edge
    along, upward = found["a b"], found["up"]
    assert (along.x, along.y) == pytest.approx((0.5 * (37.0826 + 213.1), HIGH - 2.9 - 2.478), abs=0.01)
    assert (upward.x, upward.y) == pytest.approx((2.9 + 0.76 * 10.5, HIGH - 0.5 * (34.358 + 136.1)), abs=0.01)
    assert (along.anchor, along.turned, along.size) == ("middle", False, "10.5px")
    assert (upward.anchor, upward.turned, upward.size) == ("middle", True, "10.5px")


def test_numbers_at_the_ends_stay_in_the_drawing() -> None:
    """Half of the last number, two digits, is right of the axes; half of the first left of them and half of
    the lowest below, where nothing else stands."""

    def bare(axes: Axes) -> None:
        axes.set_xticks([0.0, 4.0], ["00000", "44"])
        axes.set_yticks([0.0], [""])
        axes.set_xlim(0.0, 4.0)
        axes.set_ylim(0.0, 2.0)
        dress(axes, across="", upward="")

    axes, _ = kept(bare)
    # left: half of five digits, more than the 7 of a tick; below: a number and its tick; above: the edge
    left, below = 2.9 + 2.5 * DIGIT, 2.9 + 17.0
    assert inner(axes) == pytest.approx((left, below, WIDE - 2.9 - DIGIT, HIGH - 2.9), abs=2e-3)

    def unticked(axes: Axes) -> None:
        axes.set_xticks([])
        axes.set_yticks([0.0, 2.0], ["1", "2"])
        axes.set_ylim(0.0, 2.0)
        dress(axes, across="", upward="")

    axes, _ = kept(unticked)
    # half a number below and above the axes, none to the right
    assert inner(axes) == pytest.approx((2.9 + 7.0 + DIGIT, 7.9, WIDE - 2.9, HIGH - 7.9), abs=2e-3)


def test_texts_of_several_lines_and_turned_ones_stand_by_their_middle() -> None:
    """Lines are 1.2 of their size apart; turned texts end at their tick, their lines beside each other."""

    def several(axes: Axes) -> None:
        axes.set_xticks([1.0], ["111\n2"])
        axes.set_yticks([1.0], ["3\n44"])
        axes.set_xlim(0.0, 4.0)
        axes.set_ylim(0.0, 4.0)
        dress(axes, across="", upward="")
        axes.tick_params(axis="x", labelrotation=90.0)

    axes, text = kept(several)
    # left: two digits and the tick; below: three digits, turned, and the tick
    left, below = 2.9 + 2.0 * DIGIT + 7.0, 2.9 + 3.0 * DIGIT + 7.0
    assert inner(axes) == pytest.approx((left, below, WIDE - 2.9, HIGH - 2.9), abs=2e-3)
    found = placed(text)
    middle = left + 0.25 * (WIDE - 2.9 - left)
    # a turned line reads from below: half of its letters' height right of the place, half a step to each side
    for name, x in (("111", middle + 0.262 * 10.0 - 6.0), ("2", middle + 0.262 * 10.0 + 6.0)):
        one = found[name]
        assert (one.x, one.y) == pytest.approx((x, HIGH - (below - 7.0)), abs=0.01)
        assert (one.anchor, one.turned) == ("end", True)
    height = below + 0.25 * (HIGH - 2.9 - below)
    for name, y in (("3", height + 6.0 - 3.8), ("44", height - 6.0 - 3.8)):
        one = found[name]
        assert (one.x, one.y) == pytest.approx((left - 7.0, HIGH - y), abs=0.01)

    def lying(axes: Axes) -> None:
        several(axes)
        axes.tick_params(axis="x", labelrotation=0.0)

    axes, text = kept(lying)
    # two lines: 10 of the first and 12 to the second
    below = 2.9 + 22.0 + 7.0
    assert inner(axes)[1] == pytest.approx(below, abs=2e-3)
    first, second = placed(text)["111"], placed(text)["2"]
    assert (first.y, second.y) == pytest.approx((HIGH - below + 14.6, HIGH - below + 26.6), abs=0.01)


def test_a_power_that_all_numbers_share_has_a_line_of_its_own() -> None:
    """Across it ends below the right end, upward it begins above the axes; both have room."""

    def large(axes: Axes) -> None:
        axes.set_xlim(0.0, 4e9)
        axes.set_ylim(0.0, 4e8)
        axes.xaxis.set_major_locator(FixedLocator([0.0, 2e9]))
        axes.yaxis.set_major_locator(FixedLocator([1e8, 3e8]))
        dress(axes, across="m", upward="")

    axes, text = kept(large)
    left, below, right, above = inner(axes)
    # below: the number, its tick, the power's line of 12, the label; above: a line of 12
    assert (below, above) == pytest.approx((2.9 + 17.0 + 12.0 + 14.458, HIGH - 14.9), abs=2e-3)
    found = placed(text)
    one = found["1e9"]
    assert (one.x, one.y) == pytest.approx((right, HIGH - (below - 17.0 - 7.6)), abs=0.01)
    assert one.anchor == "end"
    other = found["1e8"]
    assert (other.x, other.y) == pytest.approx((left, HIGH - (above + 0.472 * 10.0)), abs=0.01)
    assert other.anchor == "start"
    assert found["m"].y == pytest.approx(HIGH - 2.9 - 2.478, abs=0.01)


def test_a_label_longer_than_its_axes_stays_in_the_drawing() -> None:
    """Wide names at the left push the axes to the right: the label moves left, as far as it must."""
    words = "9" * 18  # 120 points at 10.5

    def pushed(axes: Axes) -> None:
        axes.set_yticks([1.0], ["0" * 22])
        axes.set_xticks([])
        axes.set_ylim(0.0, 2.0)
        dress(axes, across=words, upward="9" * 30)

    axes, text = kept(pushed)
    found = placed(text)
    left = inner(axes)[0]
    assert left == pytest.approx(2.9 + 22.0 * DIGIT + 7.0 + 14.458, abs=2e-3)
    half = 0.5 * 18.0 * 1.05 * DIGIT
    assert 0.5 * (left + WIDE - 2.9) + half > WIDE  # it would end beyond
    assert found[words].x == pytest.approx(WIDE - half, abs=0.01)
    # one that is longer than the drawing begins at its edge
    assert found["9" * 30].y == pytest.approx(HIGH - 0.5 * 30.0 * 1.05 * DIGIT, abs=0.01)


def test_signs_that_the_type_lacks_take_a_square() -> None:
    """Japanese, which the reader's own type sets in squares: 30 points of three signs."""

    def named(axes: Axes) -> None:
        axes.set_yticks([1.0], ["予圧力"])
        axes.set_ylim(0.0, 2.0)
        dress(axes, across="", upward="")

    assert inner(kept(named)[0])[0] == pytest.approx(2.9 + 30.0 + 7.0, abs=2e-3)


def lines_of(axes: Axes) -> list[LineCollection]:
    return [one for one in axes.get_children() if isinstance(one, LineCollection)]


def marks_of(axes: Axes) -> list[Line2D]:
    return [one for one in axes.get_children() if isinstance(one, Line2D) and one.get_linestyle() == "None"]


def test_grid_and_ticks_stand_where_the_numbers_do() -> None:
    """A line of the grid over the whole height or width at each tick in view, a mark beside it; both behind
    the curves."""
    axes, _ = kept(plain)
    across, upward = lines_of(axes)
    assert [s.tolist() for s in across.get_segments()] == [[[0, 0], [0, 1]], [[3, 0], [3, 1]]]
    assert [s.tolist() for s in upward.get_segments()] == [[[0, 0.5], [1, 0.5]], [[0, 2], [1, 2]]]
    # in view the ends of a line stand at the ends of the axes
    left, below, right, above = inner(axes)
    ends = across.get_transform().transform([(3.0, 0.0), (3.0, 1.0)])
    middle = left + 0.75 * (right - left)
    np.testing.assert_allclose(ends, [(middle, below), (middle, above)], atol=2e-3)
    down, leftward = marks_of(axes)
    assert (list(down.get_xdata()), list(down.get_ydata())) == ([0.0, 3.0], [0.0, 0.0])
    assert (list(leftward.get_xdata()), list(leftward.get_ydata())) == ([0.0, 0.0], [0.5, 2.0])
    assert (down.get_marker(), leftward.get_marker()) == (3, 0)  # matplotlib's own: down, left
    for one in (down, leftward):
        assert (one.get_markersize(), one.get_markeredgewidth(), one.get_color()) == (3.5, 0.8, MUTED)
        assert one.get_zorder() == 0.5
        assert not one.get_clip_on()  # they stand outside the axes
    for grid in (across, upward):
        assert grid.get_linewidth().tolist() == [0.8]
        assert grid.get_zorder() == 0.5
        assert to_hex(grid.get_colors()[0]) == GRID
    assert not axes.xaxis.get_visible()
    assert not axes.yaxis.get_visible()


@pytest.mark.parametrize(("below", "order"), [(True, 0.5), ("line", 1.5), (False, 2.5)])
def test_what_is_not_dressed_is_laid_out_as_matplotlib_would(below: bool | str, order: float) -> None:
    """Ticks of 3.5, no grid unless asked for, over or below what is drawn as the axes say."""

    def bare(axes: Axes) -> None:
        axes.set_xticks([0.0, 1.0], ["0", "1"])
        axes.set_yticks([0.0, 1.0], ["0", "1"])
        axes.set_xlim(0.0, 1.0)
        axes.set_ylim(0.0, 1.0)
        axes.set_axisbelow(below)

    axes, text = kept(bare)
    assert lines_of(axes) == []
    first, second = marks_of(axes)
    for one in (first, second):
        assert (one.get_markersize(), one.get_markeredgewidth()) == (3.5, 0.8)
        assert one.get_zorder() == order
    # numbers in ink, of ten points, 3.5 beyond the tick
    assert inner(axes)[:2] == pytest.approx((2.9 + 7.0 + DIGIT, 19.9), abs=2e-3)
    assert text.count(f"text-anchor: middle; fill: var(--ink, {INK})") == 2


def test_small_ticks_of_ratios_are_shorter_and_thinner() -> None:
    """Numbers at 1, 2 and 5, small ticks without numbers between them, all in view."""

    def ratios(axes: Axes) -> None:
        axes.plot([0.5, 30.0], [0.0, 1.0])
        axes.set_xlim(0.5, 30.0)
        axes.set_yticks([])
        in_ratios(axes, "x")
        dress(axes, across="", upward="")

    axes, text = kept(ratios)
    large, small = marks_of(axes)
    assert large.get_xdata() == pytest.approx([0.5, 1.0, 2.0, 5.0, 10.0, 20.0])
    assert (large.get_markersize(), large.get_markeredgewidth()) == (3.5, 0.8)
    assert (small.get_markersize(), small.get_markeredgewidth()) == (2.0, 0.6)
    assert list(small.get_ydata()) == [0.0] * len(small.get_xdata())
    assert {3.0, 4.0, 30.0} <= set(np.round(small.get_xdata(), 9).tolist())
    assert min(small.get_xdata()) >= 0.5 - 1e-9
    found = placed(text)
    left, _, right, _ = inner(axes)
    # log(5/0.5) of log(30/0.5)
    assert found["5"].x == pytest.approx(left + (right - left) * np.log(10.0) / np.log(60.0), abs=0.01)


def columns_of(names: list[str], wide: float) -> int:
    """How many entries stand side by side in the legend of a drawing so wide [points]."""

    def many(axes: Axes) -> None:
        for name in names:
            axes.plot([0, 1], [0, 1], label=name)
        axes.set_xticks([])
        axes.set_yticks([])
        dress(axes, across="", upward="")
        legend_above(axes)

    axes, _ = kept(many, (wide / 72.0, 3.0))
    legend = axes.get_legend()
    legend.get_window_extent()
    left = {round(text.get_window_extent().x0) for text in legend.get_texts()}
    assert [text.get_text() for text in legend.get_texts()] == names
    return len(left)


TENS = [f"{i}" * 10 for i in range(1, 7)]  # each 63.623 points wide


@pytest.mark.parametrize(
    ("names", "needed", "columns"),
    [
        # an entry is its key, 1.9 + 0.6, and its text, of ten points; 1.4 between columns, 0.4 at each end
        (TENS[:4], 4 * 88.623 + 3 * 14.0 + 8.0, 4),
        (TENS[:4], 3 * 88.623 + 2 * 14.0 + 8.0, 3),
        (TENS[:4], 2 * 88.623 + 14.0 + 8.0, 2),
        # five in three columns are 2, 2 and 1, in two 3 and 2: the wide ones in one of their own
        (["1", "2", TENS[0], TENS[1], "3"], 2 * 31.3623 + 88.623 + 28.0 + 8.0, 3),
        (["1", "2", "3", TENS[0], TENS[1]], 88.623 + 31.3623 + 14.0 + 8.0, 2),
    ],
)
def test_a_legend_has_as_many_columns_as_fit(names: list[str], needed: float, columns: int) -> None:
    """To the point: one point less of room, and there is a column less."""
    assert columns_of(names, needed + 0.5) == columns
    assert columns_of(names, needed - 0.5) < columns


def test_a_legend_has_four_columns_at_most() -> None:
    """Whatever the room: more are not read in a line."""
    assert columns_of(TENS, 3000.0) == 4
    assert columns_of(TENS[:3], 3000.0) == 3
    assert columns_of(TENS[:2], 60.0) == 1


def test_notes_beyond_the_axes_have_room_on_every_side() -> None:
    """A note that reaches beyond the axes by so much leaves them so much less: the edge of 2.9 is free beyond
    its end. Digits are 63.623 points wide."""

    def noted(axes: Axes) -> None:
        axes.set_xlim(0.0, 1.0)
        axes.set_ylim(0.0, 1.0)
        axes.set_xticks([])
        axes.set_yticks([])
        dress(axes, across="", upward="")
        note = {"textcoords": "offset points", "size": 10.0}
        axes.annotate("1" * 10, (0.0, 0.5), xytext=(-4, 0), ha="right", **note)
        axes.annotate("2" * 10, (1.0, 0.5), xytext=(9, 0), ha="left", **note)
        axes.annotate("3", (0.5, 0.0), xytext=(0, -30), va="baseline", **note)
        axes.annotate("4", (0.5, 1.0), xytext=(0, 20), va="baseline", **note)

    axes, _ = kept(noted, (6.0, 3.0))
    wide, high = 432.0, 216.0
    # below its base a text has 0.236 of its size, above it 0.76
    expected = (2.9 + 4.0 + 63.623, 2.9 + 30.0 + 2.36, wide - 2.9 - 9.0 - 63.623, high - 2.9 - 20.0 - 7.6)
    assert inner(axes) == pytest.approx(expected, abs=0.6)  # a text's box is set to whole dots


def test_a_note_of_nothing_takes_no_room() -> None:
    """Nor does one that the drawing's layout is told to leave alone."""

    def noted(axes: Axes) -> None:
        plain(axes)
        axes.annotate("", (3.9, 1.0), annotation_clip=False)
        axes.annotate("9" * 40, (3.9, 1.0), annotation_clip=False).set_in_layout(False)
        axes.annotate("9" * 40, (3.9, 1.0)).set_visible(False)

    assert inner(kept(noted)[0]) == pytest.approx(inner(kept(plain)[0]))
