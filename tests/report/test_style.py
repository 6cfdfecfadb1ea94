"""Colours that everybody tells apart."""

from __future__ import annotations

import importlib.util
import itertools
import re
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from types import ModuleType

import pytest
from matplotlib.colors import LinearSegmentedColormap, to_hex
from matplotlib.figure import Figure

from diffbench.report.map_contours import line_colours
from diffbench.report.style import (
    ABOVE,
    AREA,
    BESIDE,
    CELLS,
    CURVE,
    DARK_FILLS,
    DARK_LABEL,
    DIRECTION_COLOURS,
    DIRECTION_MARKS,
    GRID,
    GROUND,
    INK,
    LIGHT_LABEL,
    MIDDLE,
    MUTED,
    PAPER,
    PART_COLOURS,
    RULE,
    SCALE_STOPS,
    SOURCE_COLOURS,
    STATE_COLOURS,
    STRONG,
    TEXT_SIZE,
    THIN,
    TICK_SIZE,
    TOP,
    draw_band,
    draw_marks,
    dress,
    gain_scale,
    legend_above,
    level_line,
    scale,
)

# ten times the difference that is just noticed: told apart at a glance and in small marks
CLEARLY = 23.0
SIGHTS = [None, "protanopia", "deuteranopia", "tritanopia"]


@pytest.fixture(scope="module")
def vision() -> ModuleType:
    """The module that simulates sights."""
    spec = importlib.util.spec_from_file_location(
        "colour_vision", Path(__file__).with_name("colour_vision.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def themes() -> dict[str, dict[str, str]]:
    """The page's colours by scheme, read from its style sheet."""
    css = files("diffbench.report").joinpath("templates", "report.css").read_text(encoding="utf-8")
    blocks = re.findall(r":root \{([^}]*)\}", css)
    return {
        name: dict(re.findall(r"--(\w+): (#\w+)", block))
        for name, block in zip(("light", "dark", "print"), blocks, strict=True)
    }


@pytest.mark.parametrize("sight", SIGHTS)
def test_simulation_keeps_white_and_black(vision: ModuleType, sight: str | None) -> None:
    """The simulation itself: white stays white and black black, within the sixth digit of its
    coefficients."""
    assert vision.seen("#ffffff", sight) == pytest.approx([1.0, 1.0, 1.0], abs=3e-6)
    assert vision.seen("#000000", sight) == pytest.approx([0.0, 0.0, 0.0], abs=1e-12)


def test_simulation_confuses_what_is_confused(vision: ModuleType) -> None:
    """Red and green of one lightness come close for deuteranopes, blue-green and blue for tritanopes less
    so."""
    normal = vision.distance("#c04a2a", "#6f8a1f", None)
    assert vision.distance("#c04a2a", "#6f8a1f", "deuteranopia") < 0.45 * normal


@pytest.mark.parametrize("sight", SIGHTS)
def test_slip_directions_differ_to_every_eye(vision: ModuleType, sight: str | None) -> None:
    """By colour; and by mark, for print in grey."""
    assert vision.distance(DIRECTION_COLOURS[1], DIRECTION_COLOURS[-1], sight) > CLEARLY
    assert vision.distance(DIRECTION_COLOURS[1], INK, sight) > CLEARLY
    assert vision.distance(DIRECTION_COLOURS[-1], INK, sight) > CLEARLY
    assert DIRECTION_MARKS[1] != DIRECTION_MARKS[-1]


@pytest.mark.parametrize("sight", SIGHTS)
@pytest.mark.parametrize(
    "colours", [PART_COLOURS, SOURCE_COLOURS, STATE_COLOURS], ids=["parts", "doubt", "states"]
)
def test_areas_differ_to_every_eye(vision: ModuleType, colours: dict[str, str], sight: str | None) -> None:
    """Every one from every other."""
    for one, other in itertools.combinations(colours.values(), 2):
        assert vision.distance(one, other, sight) > CLEARLY


def test_grey_print_tells_all_apart(vision: ModuleType) -> None:
    """Lightness alone: ten units of L* are a clear step between neighbouring areas."""
    for colours in (PART_COLOURS, SOURCE_COLOURS, STATE_COLOURS):
        parts = [vision.lightness(colour) for colour in colours.values()]
        assert all(later - earlier > 10.0 for earlier, later in itertools.pairwise(parts))
    assert abs(vision.lightness(DIRECTION_COLOURS[1]) - vision.lightness(DIRECTION_COLOURS[-1])) > 10.0


@pytest.mark.parametrize("of", [scale, gain_scale], ids=["night", "bark"])
@pytest.mark.parametrize("sight", SIGHTS)
def test_scales_only_get_darker(
    vision: ModuleType, sight: str | None, of: Callable[[], LinearSegmentedColormap]
) -> None:
    """From light to dark without a turn, to every eye and in grey, in steps that are even within a factor of
    two."""
    tones = [to_hex(of()(i / 20)) for i in range(21)]
    steps = [vision.lightness(a, sight) - vision.lightness(b, sight) for a, b in itertools.pairwise(tones)]
    assert min(steps) > 0.0
    assert max(steps) < 2.2 * sum(steps) / len(steps)
    assert len(SCALE_STOPS) >= 5


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
def test_marks_and_lines_stand_out_from_the_page(vision: ModuleType, theme: str) -> None:
    """WCAG 2.2: 3 to 1 for graphics (1.4.11), 4.5 to 1 for text (1.4.3)."""
    colours = themes()[theme]
    for colour in DIRECTION_COLOURS.values():
        assert vision.contrast(colour, colours["paper"]) >= 3.0
    for role in ("ink", "muted", "link"):
        assert vision.contrast(colours[role], colours["paper"]) >= 4.5
        if role != "link":
            assert vision.contrast(colours[role], colours["tint"]) >= 4.5


def test_figures_have_the_page_s_own_light_colours() -> None:
    """The defaults in a drawing are those of the light page, so that a drawing taken out of it looks the
    same."""
    light = themes()["light"]
    assert {k: light[k] for k in ("ink", "muted", "rule")} == {"ink": INK, "muted": MUTED, "rule": GRID}
    assert len({INK, MUTED, GRID, PAPER, DARK_LABEL, LIGHT_LABEL}) == 6


def test_dressed_axes_carry_labels_and_a_legend_outside() -> None:
    """Labels as given, dollar signs included, no box, and the legend above the axes."""
    axes = Figure().add_subplot()
    axes.plot([0, 1], [0, 1], label="line")
    assert dress(axes, across="speed [rad/s]", upward="cost $x$ [N·m]") is axes
    assert legend_above(axes) is axes
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("speed [rad/s]", "cost $x$ [N·m]")
    assert not axes.spines["top"].get_visible()
    axes.figure.draw_without_rendering()
    box = axes.get_legend().get_window_extent()
    assert box.y0 >= axes.get_window_extent().y1 - 1.0


def test_areas_stand_out_in_the_dark(vision: ModuleType) -> None:
    """3 to 1 against the dark page (WCAG 2.2, 1.4.11), told apart by every eye and in grey; the style sheet
    has these colours, and gives them up on paper."""
    css = files("diffbench.report").joinpath("templates", "report.css").read_text(encoding="utf-8")
    fills = dict(re.findall(r"--(fill\d): (#\w+)", css))
    assert list(fills.values()) == list(DARK_FILLS.values())
    assert css.count("initial;") == len(fills)
    for colours in (PART_COLOURS, SOURCE_COLOURS):
        dark = [DARK_FILLS[colour] for colour in colours.values()]
        assert min(vision.contrast(colour, themes()["dark"]["paper"]) for colour in dark) >= 3.0
        for sight in SIGHTS:
            for one, other in itertools.combinations(dark, 2):
                assert vision.distance(one, other, sight) > CLEARLY
        steps = [vision.lightness(colour) for colour in dark]
        assert all(later - earlier > 10.0 for earlier, later in itertools.pairwise(steps))


@pytest.mark.parametrize("steps", [3, 6, 9, 14])
@pytest.mark.parametrize("colours", [scale, gain_scale])
def test_lines_of_a_map_stand_out_from_the_areas_beside_them(
    vision: ModuleType, colours: Callable[[], LinearSegmentedColormap], steps: int
) -> None:
    """3 to 1 to both areas beside every contour, which have their colours in the light and in the dark, by
    code of another hand."""
    shades = [colours()(0.04 + 0.92 * i / (steps - 1)) for i in range(steps)]
    lines = line_colours(shades)
    assert len(lines) == steps + 1
    for i, line in enumerate(lines):
        for shade in shades[max(i - 1, 0) : i + 1]:
            assert vision.contrast(line, to_hex(shade)) >= 3.0, (i, line)


def test_what_is_measured_and_fitted_lies_over_the_ground() -> None:
    """Shades lie no lower than the grid, half a layer up; a curve over its band and the cells, and apart
    from the rules that it crosses, by more than half a layer."""
    layers = [GROUND, RULE, CELLS, AREA, BESIDE, CURVE, ABOVE, TOP]
    assert layers == sorted(set(layers))
    assert (GROUND, CELLS - RULE, CURVE - BESIDE, TOP - CURVE) == (0.5, 1.5, 0.5, 2.0)
    axes = dress(Figure().add_subplot(), across="x", upward="y")
    draw_band(axes, [0.0, 1.0], [0.0, 0.0], [1.0, 1.0], label=None)
    level_line(axes, 0.0, along="x")
    draw_marks(axes, [0.5], [0.5], low=[0.1], high=[0.1], colour=INK)
    band, (rule, mark, *_) = axes.collections[0], axes.get_lines()
    assert rule.get_zorder() < band.get_zorder() < mark.get_zorder()


def test_marks_and_lines_are_of_one_size_in_all_figures() -> None:
    """As agreed, in points: marks of 7 with an edge of 1.6, bars of 1.6 with caps of 4 to either side, thin
    lines of 0.8 behind everything, limits of a band of 0.6 over it; text of 10.5, of ticks and legends 10."""
    axes = Figure().add_subplot()
    draw_marks(
        axes, [1.0, 2.0], [5.0, 7.0], low=[0.5, 1.0], high=[2.0, 3.0], colour=INK, face=PAPER, label="seen"
    )
    draw_marks(
        axes, [5.0], [1.0], low=[0.5], high=[2.0], along="x", marker="s", colour=INK, edge=GRID, zorder=6.0
    )
    (marks, caps, (bars,)), (other, others, (across,)) = (container.lines for container in axes.containers)
    assert (marks.get_markersize(), marks.get_markeredgewidth(), marks.get_linestyle()) == (7.0, 1.6, "None")
    assert (marks.get_marker(), marks.get_markerfacecolor(), marks.get_markeredgecolor()) == ("o", PAPER, INK)
    assert [cap.get_markersize() for cap in caps] == [8.0, 8.0]
    assert bars.get_linewidth().tolist() == [1.6]
    assert [segment.tolist() for segment in bars.get_segments()] == [
        [[1.0, 4.5], [1.0, 7.0]], [[2.0, 6.0], [2.0, 10.0]],
    ]  # fmt: skip
    assert [segment.tolist() for segment in across.get_segments()] == [[[4.5, 1.0], [7.0, 1.0]]]
    assert (other.get_marker(), other.get_markerfacecolor(), other.get_markeredgecolor()) == ("s", INK, GRID)
    assert (bars.get_zorder(), across.get_zorder(), len(others)) == (4.0, 6.0, 2)
    assert marks.get_zorder() > 4.0  # over the bars
    assert (STRONG, MIDDLE, THIN) == (2.2, 1.2, 0.9)
    assert axes.containers[0].get_label() == "seen"
    level_line(axes, 3.0, along="x")
    level_line(axes, 5.0, along="y")
    level, upright = axes.get_lines()[-2:]
    assert (list(level.get_ydata()), list(upright.get_xdata())) == ([3.0, 3.0], [5.0, 5.0])
    for line in (level, upright):
        assert (line.get_linewidth(), line.get_zorder(), line.get_color()) == (0.8, 1, MUTED)
    draw_band(axes, [0.0, 1.0], [2.0, 2.0], [3.0, 4.0], label="band")
    band = axes.collections[-1]
    assert band.get_linewidth().tolist() == [0.6]
    assert band.get_facecolor()[0][3] == pytest.approx(0.2)
    assert to_hex(band.get_edgecolor()[0]) == INK
    assert band.get_zorder() == 3
    dress(axes, across="a", upward="b")
    assert (
        (axes.xaxis.label.get_size(), axes.yaxis.label.get_size()) == (10.5, 10.5) == (TEXT_SIZE, TEXT_SIZE)
    )
    style = axes.xaxis.get_tick_params()
    assert (style["labelsize"], style["grid_linewidth"]) == (10.0, 0.8) == (TICK_SIZE, 0.8)
    assert [axes.spines[side].get_linewidth() for side in ("left", "bottom")] == [0.8, 0.8]
    legend_above(axes)
    assert {text.get_size() for text in axes.get_legend().get_texts()} == {10.0}
