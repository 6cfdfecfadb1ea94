"""Drawings that can stand side by side in one page."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.axes import Axes

from diffbench.report import draw
from diffbench.report.style import INK, dress


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


def test_dense_points_are_one_small_picture(drawing: str) -> None:
    """Five hundred marks: one picture of few tones within the drawing, not five hundred paths."""
    pictures = re.findall(r"data:image/png;base64,([^\"]*)", drawing)
    assert len(pictures) == 1
    assert len(pictures[0]) < 60_000
    assert drawing.count("<use") < 60
