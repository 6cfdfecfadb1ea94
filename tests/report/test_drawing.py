"""Drawings that can stand side by side in one page."""

from __future__ import annotations

import re
from collections.abc import Callable
from xml.etree import ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from diffbench import figures
from diffbench.report import draw
from diffbench.report.style import INK, dress, in_ratios, legend_above
from diffbench.results import Characterisation, LockingMap


def points(axes: Axes) -> None:
    """A line, a cloud drawn as a picture, a clipped hatch: everything that has an id."""
    rng = np.random.default_rng(1)
    axes.plot([0, 1], [0, 1], color=INK, marker="o")
    axes.plot(rng.random(500), rng.random(500), "x", rasterized=True)
    axes.fill_between([0, 1], [0, 0], [1, 0.5], hatch="//")
    dress(axes, across="<across> [s]", upward='up & "up" [N·m]')


@pytest.fixture(scope="module")
def drawing() -> str:
    """One drawing."""
    return draw(points, size=(4.0, 3.0), prefix="first", title='A "title" & <more>')


def test_ids_bear_the_prefix_and_every_reference_finds_its_own(drawing: str) -> None:
    """No id without the prefix, and no reference to anything outside of the drawing."""
    root = ET.fromstring(drawing)
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert ids
    assert len(set(ids)) == len(ids)
    assert all(name.startswith("first-") for name in ids)
    references = re.findall(r"url\(#([^)]+)\)", drawing) + re.findall(r'href="#([^"]+)"', drawing)
    assert references
    assert set(references) <= set(ids)


def test_same_figure_same_text(drawing: str) -> None:
    """To the letter, so that a page can be compared with an earlier one."""
    assert draw(points, size=(4.0, 3.0), prefix="first", title='A "title" & <more>') == drawing


def test_a_notebook_s_settings_do_not_reach_the_page(drawing: str) -> None:
    """Neither do its settings change the drawing, nor the drawing its settings."""
    with mpl.rc_context({"lines.linewidth": 9.0, "svg.fonttype": "path", "axes.facecolor": "black"}):
        again = draw(points, size=(4.0, 3.0), prefix="first", title='A "title" & <more>')
        assert mpl.rcParams["lines.linewidth"] == 9.0
    assert again == drawing


def test_title_is_there_for_those_who_do_not_see_it(drawing: str) -> None:
    """As a label of an image, escaped; text stays text."""
    root = ET.fromstring(drawing)
    assert root.get("role") == "img"
    assert root.get("aria-label") == 'A "title" & <more>'
    texts = [e.text for e in root.iter() if e.tag.endswith("}text")]
    assert "<across> [s]" in texts
    assert 'up & "up" [N·m]' in texts


def test_nothing_reaches_beyond_the_drawing(drawing: str) -> None:
    """No style sheet, no metadata, no fixed size, no font of its own."""
    for tag in ("<style", "<metadata", "<?xml", "<!DOCTYPE", "font-family", "http://purl", "creativecommons"):
        assert tag not in drawing
    root = ET.fromstring(drawing)
    assert root.get("width") is None
    assert root.get("viewBox")


def test_surroundings_follow_the_page(drawing: str) -> None:
    """Ink is a property of the page, with the light ink as default, and occurs nowhere bare."""
    assert f"var(--ink, {INK})" in drawing
    assert INK not in drawing.replace(f"var(--ink, {INK})", "")


def test_small_ticks_of_ratios_are_seen_in_the_dark() -> None:
    """They too follow the page: in matplotlib's own black they went under on the dark one."""

    def ratios(axes: Axes) -> None:
        axes.plot([0.01, 1.0], [0.1, 0.2], color=INK)
        in_ratios(axes, "x")
        dress(axes, across="speed [m/s]", upward="[1]")

    text = draw(ratios, size=(4.0, 3.0), prefix="ratios", title="Ratios")
    assert "#000000" not in text
    assert text.count("<use") > 20


def test_dense_points_are_one_small_picture(drawing: str) -> None:
    """Five hundred marks: one picture of few tones within the drawing, not five hundred paths."""
    pictures = re.findall(r"data:image/png;base64,([^\"]*)", drawing)
    assert len(pictures) == 1
    assert len(pictures[0]) < 60_000
    assert drawing.count("<use") < 60


def crowded(axes: Axes) -> None:
    """Long names beside the axes, a long label, notes beyond both ends, several entries of a legend."""
    axes.barh([0, 1, 2], [1.0, 2.0, 3.0], label="a bar")
    axes.set_yticks([0, 1, 2], ["short", "a name of some length", "a longer name that takes half the width"])
    axes.plot([0, 3], [0, 2], color=INK, label="a line with a long name of its own")
    axes.annotate("beyond the end", (3.0, 2.0), xytext=(6, 0), textcoords="offset points")
    axes.set_xlim(0.0, 3.0)
    dress(axes, across="locking torque [N·m]", upward="what it is made of")
    legend_above(axes)


def loose(axes: Axes) -> None:
    """Ticks at the very ends, and large numbers."""
    axes.plot([0, 1e6], [1e5, 2e5], color=INK)
    axes.set_xticks([0.0, 1e6], ["nothing at all", "a whole million"])
    axes.set_xlim(0.0, 1e6)
    dress(axes, across="", upward="up [N·m]")


@pytest.mark.parametrize("paint", [points, crowded, loose])
@pytest.mark.parametrize("size", [(4.5, 2.5), (6.0, 4.2)])
def test_no_text_is_cut_and_none_covers_another(
    paint: Callable[[Axes], None], size: tuple[float, float]
) -> None:
    """Every text lies within the drawing; a label beside its ticks, a note beside the axes, all below the
    legend; and the axes take what is left, up to a tenth of an inch."""
    kept: list[Axes] = []

    def painted(axes: Axes) -> None:
        paint(axes)
        kept.append(axes)

    draw(painted, size=size, prefix="room", title="Room")
    (axes,) = kept
    renderer = FigureCanvasAgg(axes.figure).get_renderer()
    whole, legend = axes.figure.bbox, axes.get_legend()
    inner, dot = axes.get_window_extent(), axes.figure.dpi / 72.0
    ticks = [
        [
            tick.label1.get_window_extent(renderer)
            for tick in axis.get_major_ticks()
            if min(axis.get_view_interval()) <= tick.get_loc() <= max(axis.get_view_interval())
        ]
        for axis in (axes.xaxis, axes.yaxis)
    ]
    labels = [axis.label.get_window_extent(renderer) for axis in (axes.xaxis, axes.yaxis)]
    notes = [text.get_window_extent(renderer) for text in axes.texts]
    for box in (*(b for b in labels if b.width > 1.0), *notes, *ticks[1]):
        assert whole.x0 - dot <= box.x0
        assert box.x1 <= whole.x1 + dot
        assert whole.y0 - dot <= box.y0
        assert box.y1 <= whole.y1 + dot
    assert all(labels[1].x1 <= box.x0 + dot for box in ticks[1])
    assert all(labels[0].y1 <= box.y0 + dot for box in ticks[0])
    if legend is not None:
        assert inner.y1 <= legend.get_window_extent(renderer).y0 + dot
    everything = Bbox.union([inner, *ticks[0], *ticks[1], *labels, *notes])
    assert everything.x0 < 0.12 * axes.figure.dpi
    assert whole.x1 - everything.x1 < 0.12 * axes.figure.dpi


def test_a_drawing_has_no_ground_of_its_own() -> None:
    """It lies on the page, be it light or dark."""
    text = draw(lambda axes: dress(axes, across="x", upward="y"), size=(3.0, 2.0), prefix="bare", title="B")
    assert "#fff" not in text.lower()


def test_legends_of_locking_torque_have_two_columns_and_of_its_parts_three(
    complete: Characterisation, complete_map: LockingMap
) -> None:
    """Where nobody lays them out anew."""
    swept, parted = Figure().add_subplot(), Figure().add_subplot()
    figures.sweep(complete, complete_map, swept)
    figures.parts(complete, complete_map, parted)
    assert (swept.get_legend()._ncols, parted.get_legend()._ncols) == (2, 3)
    for one in (swept, parted):
        assert [0.0, 0.0] in [list(line.get_xdata()) for line in one.get_lines()]  # coast from drive
