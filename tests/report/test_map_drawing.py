"""What a map's contours show, on maps made by hand: which part, which levels, what stands on the lines."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import to_hex
from matplotlib.contour import ContourSet
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from diffbench import figures
from diffbench.report.map_contours import (
    contour_levels,
    line_colours,
    map_page_figures,
    round_levels,
    speeds_to_draw,
    temperatures_to_show,
    torques_to_draw,
)
from diffbench.report.style import DARK_LABEL, LIGHT_LABEL, scale

TORQUE = np.array([-200.0, -100.0, 0.0, 100.0, 200.0, 300.0])
SPEED = np.array([0.0, 1.0, 2.0, 4.0])
HEAT = np.array([40.0, 60.0, 90.0])


def made(
    value: Callable[..., Any], tested: Callable[..., Any] | None = None, *, speed: np.ndarray = SPEED
) -> Any:
    """A map by hand: both branches a function of torque, speed difference and temperature."""
    places = np.meshgrid(TORQUE, speed, HEAT, indexing="ij")
    values = np.asarray(value(*places), dtype=np.float64) + np.zeros(places[0].shape)
    seen = np.ones(values.shape, dtype=bool) if tested is None else tested(*places)
    branches = ("loading", "unloading")
    return SimpleNamespace(
        axes=(TORQUE, speed, HEAT),
        values={"loading": values, "unloading": values + 30.0},
        tested={branch: np.asarray(seen, dtype=bool) for branch in branches},
    )


def drawn(locking_map: Any, **asked: Any) -> Axes:
    """One branch in square axes of 300 points."""
    figure = Figure(figsize=(5.0, 5.0), dpi=72)
    axes = figure.add_axes((0.1, 0.1, 300 / 360, 300 / 360))
    asked = {"branch": "loading", "temperature": 1, **asked}
    return figures.contours(locking_map, axes, **asked)


def filled(axes: Axes) -> ContourSet:
    return next(one for one in axes.collections if isinstance(one, ContourSet) and one.filled)


def bearing(axes: Axes) -> dict[str, tuple[float, float]]:
    """Where the numbers on the lines stand."""
    return {text.get_text(): text.get_position() for text in axes.texts}


def test_levels_stand_at_ones_twos_and_fives() -> None:
    """The least step of 1, 2, 5 or 10 that makes no more than so many; by hand."""
    assert round_levels(3.0, 11.9, 9).tolist() == [3, 4, 5, 6, 7, 8, 9, 10, 11, 12]  # 0.99: ones
    assert round_levels(3.0, 12.1, 9).tolist() == [2, 4, 6, 8, 10, 12, 14]  # 1.01: twos
    assert round_levels(100.0, 290.0, 9).tolist() == [100, 150, 200, 250, 300]  # 21.1: fifties
    assert round_levels(0.0, 46.0, 9).tolist() == [0, 10, 20, 30, 40, 50]  # 5.1: tens
    assert round_levels(-0.031, 0.012, 9) == pytest.approx(np.arange(-7, 4) * 0.005)  # 0.0048: fives
    assert round_levels(-27.3, -11.0, 9).tolist() == list(range(-28, -9, 2))


def test_levels_of_what_is_one_value_stand_around_it() -> None:
    """A thousandth of the value, or of one, has to be wide enough: 0.08 in 9 parts, 0.01."""
    assert round_levels(80.0, 80.0, 9) == pytest.approx([80.0, 80.01])
    assert round_levels(-80.0, -80.0, 9) == pytest.approx([-80.0, -79.99])
    # 0.001 in 9 parts: 0.0002
    assert round_levels(0.0, 0.0, 9) == pytest.approx([0.0, 0.0002])


def test_levels_serve_all_that_is_drawn_and_nothing_else() -> None:
    """Both branches and all temperatures, at the torques and speeds that are drawn: 0 to 330 N·m by 50."""

    def nearby(torque: np.ndarray, speed: np.ndarray, heat: np.ndarray) -> np.ndarray:
        return (torque <= 100.0) & (torque >= 0.0) & (speed <= 2.0)

    whole = made(lambda torque, speed, heat: np.abs(torque))
    assert contour_levels(whole).tolist() == [0, 50, 100, 150, 200, 250, 300, 350]
    # tested from 0 to 100 N·m, half of that beyond either end: 0 to 100 of loading, 130 of unloading
    part = made(lambda torque, speed, heat: np.abs(torque) + 1000.0 * (speed > 2.0), nearby)
    assert contour_levels(part).tolist() == [0, 20, 40, 60, 80, 100, 120, 140]
    hot = made(lambda torque, speed, heat: heat + 0.0 * torque)
    assert contour_levels(hot).tolist() == [40, 50, 60, 70, 80, 90, 100, 110, 120]


def test_what_is_drawn_is_what_was_tested_and_what_lies_near() -> None:
    """Torques half the tested span beyond it, speeds that were tested, all of a map of which nothing was."""

    def tested(torque: np.ndarray, speed: np.ndarray, heat: np.ndarray) -> np.ndarray:
        # from −100 to 100 N·m at one temperature, slow at one torque only
        return (np.abs(torque) <= 100.0) & ((speed == 2.0) | ((speed == 1.0) & (torque == 0.0))) & (heat > 80)

    some = made(lambda torque, speed, heat: torque, tested)
    assert torques_to_draw(some).tolist() == [0, 1, 2, 3, 4]  # −200 to 200 N·m
    assert speeds_to_draw(some).tolist() == [1, 2]
    nothing = made(lambda torque, speed, heat: torque, lambda torque, *_: torque > 1e9)
    assert torques_to_draw(nothing).tolist() == [0, 1, 2, 3, 4, 5]
    assert speeds_to_draw(nothing).tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize(
    ("speeds", "kept"),
    [
        ([2.0, 2.1, 2.19], [0]),
        ([2.0, 2.1, 2.21], [0, 1, 2]),
        ([2.0, 2.2], [0, 1]),
        ([0.0], [0]),
        ([0.0, 0.05], [0, 1]),
    ],
)
def test_a_speed_that_wobbles_is_one(speeds: list[float], kept: list[int]) -> None:
    """Levels within a tenth of the lowest were one level of the bench; a stand that began at rest has no
    tenth."""
    one = made(lambda torque, speed, heat: torque, speed=np.array(speeds))
    assert speeds_to_draw(one).tolist() == kept


def test_temperatures_shown_are_the_ends_of_the_test_and_the_reference() -> None:
    """Each once; the one nearest the reference alone where nothing was tested."""

    def at(*seen: float) -> Any:
        return made(
            lambda torque, speed, heat: torque,
            lambda torque, speed, heat: np.isin(heat, seen) & (speed == 1.0) & (torque == 100.0),
        )

    assert temperatures_to_show(at(40.0, 90.0), 60.0) == [0, 1, 2]
    assert temperatures_to_show(at(40.0, 90.0), 76.0) == [0, 2]
    assert temperatures_to_show(at(40.0, 60.0, 90.0), 44.0) == [0, 2]
    assert temperatures_to_show(at(60.0), 49.0) == [0, 1]
    assert temperatures_to_show(at(60.0), 51.0) == [1]
    assert temperatures_to_show(at(), 80.0) == [2]


def luminance(colour: tuple[float, ...] | str) -> float:
    """Relative luminance of WCAG 2.2, written anew from its definition."""
    from matplotlib.colors import to_rgb

    def linear(share: float) -> float:
        return share / 12.92 if share <= 0.04045 else math.pow((share + 0.055) / 1.055, 2.4)

    red, green, blue = map(linear, to_rgb(colour))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("others", [(0.0, 0.0), (0.6, 0.1), (0.035, 0.3), (0.04, 0.04)])
def test_lines_turn_light_where_light_has_more_contrast(others: tuple[float, float]) -> None:
    """Dark and light stand out alike where (L + 0.05)² is the product of theirs; just above it a line is
    dark, just below light, whatever makes up the colour: the green is searched for that luminance."""
    red, blue = others
    dark, light = luminance(DARK_LABEL), luminance(LIGHT_LABEL)
    even = math.sqrt((dark + 0.05) * (light + 0.05)) - 0.05
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if luminance((red, middle, blue)) < even else (low, middle)
    assert line_colours([(red, low - 1e-6, blue, 1.0)]) == [LIGHT_LABEL, LIGHT_LABEL]
    assert line_colours([(red, high + 1e-6, blue, 1.0)]) == [DARK_LABEL, DARK_LABEL]


def test_a_line_between_two_areas_stands_out_from_both() -> None:
    """What counts is the area it stands out from least: light has none to white, dark none to black, and
    between a light grey and black light has 2.3, dark 1.1."""
    white, grey, black = (1.0, 1.0, 1.0, 1.0), (0.67, 0.67, 0.67, 1.0), (0.02, 0.02, 0.02, 1.0)
    assert line_colours([white, grey, black, white]) == [
        DARK_LABEL, DARK_LABEL, LIGHT_LABEL, DARK_LABEL, DARK_LABEL,
    ]  # fmt: skip


def test_areas_go_through_the_scale_from_end_to_end() -> None:
    """From 4 to 96 hundredths of it in even steps; a single area has the light end."""
    axes = drawn(
        made(lambda torque, speed, heat: torque + 200.0), levels=np.array([0.0, 100.0, 300.0, 500.0])
    )
    shades = [to_hex(colour) for colour in filled(axes).get_facecolor()]
    assert shades == [to_hex(scale()(share)) for share in (0.04, 0.5, 0.96)]
    axes = drawn(made(lambda torque, speed, heat: torque + 200.0), levels=np.array([0.0, 500.0]))
    assert [to_hex(colour) for colour in filled(axes).get_facecolor()] == [to_hex(scale()(0.04))]
    axes = drawn(made(lambda torque, speed, heat: torque + 200.0), levels=np.array([0.0, 200.0, 500.0]))
    shades = [to_hex(colour) for colour in filled(axes).get_facecolor()]
    assert shades == [to_hex(scale()(share)) for share in (0.04, 0.96)]


def test_contours_are_of_the_branch_and_temperature_asked_for() -> None:
    """Lines at T = level − heat, 30 N·m lower while unloading; by default at the levels of the whole map."""
    one = made(lambda torque, speed, heat: torque + heat)
    axes = drawn(one, branch="unloading", temperature=2, levels=np.array([0.0, 150.0, 390.0]))
    lines = next(c for c in axes.collections if isinstance(c, ContourSet) and not c.filled)
    across = np.concatenate([path.vertices[:, 0] for path in lines.get_paths() if len(path.vertices)])
    assert sorted(set(np.round(across, 9))) == pytest.approx([-120.0, 30.0, 270.0])
    assert lines.get_linewidth() == pytest.approx(0.6)
    assert (axes.get_xlim(), axes.get_ylim()) == ((-200.0, 300.0), (0.0, 4.0))
    assert filled(drawn(one)).levels.tolist() == contour_levels(one).tolist()


def test_speeds_are_in_ratios_where_none_is_zero() -> None:
    """Logarithms have no zero."""
    flat = made(lambda torque, speed, heat: torque)
    assert drawn(flat).get_yscale() == "linear"
    assert drawn(made(lambda torque, speed, heat: torque, speed=SPEED[1:])).get_yscale() == "log"


def test_numbers_stand_in_a_row_at_two_thirds_of_the_speeds() -> None:
    """The third of four: 2 rad/s. At T = level, 15 N·m from the ends and 30 N·m from the next, or not at all:
    of 500 N·m, three and six hundredths."""
    one = made(lambda torque, speed, heat: torque)
    found = bearing(drawn(one, levels=np.array([-186.0, -184.0, -150.0, 40.0, 69.0, 101.0, 284.0, 286.0])))
    assert sorted(found, key=float) == ["-184", "-150", "40", "101", "284"]
    for level, (x, y) in found.items():
        assert x == pytest.approx(float(level), abs=0.5)
        assert y == pytest.approx(2.0, abs=0.02)
    # between two nodes by the straight line between them: 100 to 200 N·m is 100 to 500 here
    bent = made(lambda torque, speed, heat: np.where(torque > 100.0, 4.0 * torque - 300.0, torque))
    (x, _) = bearing(drawn(bent, levels=np.array([0.0, 400.0, 900.0])))["400"]
    assert x == pytest.approx(175.0, abs=0.5)


def test_no_number_stands_on_the_border_of_what_was_tested() -> None:
    """In the row of the numbers tested up to 0 N·m: a line between 0 and 100 N·m bears none."""
    one = made(
        lambda torque, speed, heat: torque, lambda torque, speed, heat: (torque <= 0.0) | (speed < 2.0)
    )
    levels = np.array([-120.0, 50.0, 150.0, 230.0])
    assert sorted(bearing(drawn(one, levels=levels))) == ["-120", "150", "230"]


@pytest.mark.parametrize(
    ("value", "level", "degrees"),
    [
        # in axes of 300 points 500 N·m and 4 rad/s: lines of T = s · 125 rise by 45 degrees
        (lambda torque, speed, heat: torque - 125.0 * speed, 20, 45.0),
        # those of T = −s · 150 and −s · 110 lean to the left: by 140.2 and 131.3 degrees
        (lambda torque, speed, heat: torque + 150.0 * speed, 320, -39.8),
        (lambda torque, speed, heat: torque + 110.0 * speed, 240, 131.3),
        (lambda torque, speed, heat: torque, 20, 90.0),
    ],
)
def test_numbers_on_lines_read_from_below(value: Callable[..., Any], level: int, degrees: float) -> None:
    """As the line runs: tan⁻¹ of its slope; beyond 135 degrees the other way round."""
    axes = drawn(made(value), levels=np.array([-830.0, float(level), 830.0]))
    (number,) = axes.texts
    assert number.get_text() == str(level)
    assert number.get_rotation() % 360.0 == pytest.approx(degrees % 360.0, abs=1.0)
    assert not number.get_in_layout()


def test_numbers_are_dark_on_light_and_light_on_dark() -> None:
    """Of three areas the first is sand and the last night; where white lies over it, night is grey enough for
    dark numbers: 0.5 of 0.02 and of one."""
    levels = np.array([-150.0, -50.0, 150.0, 250.0])

    def colours(tested: Callable[..., Any] | None = None) -> dict[str, str]:
        axes = drawn(made(lambda torque, speed, heat: torque, tested), levels=levels)
        return {text.get_text(): to_hex(text.get_color()) for text in axes.texts}

    sand, middle, night = (scale()(share)[:3] for share in (0.04, 0.5, 0.96))
    mean = [float(np.dot(one, (0.2126, 0.7152, 0.0722))) for one in (sand, middle, night)]
    assert mean[0] > 0.8
    assert 0.4 < mean[1] < 0.55
    assert mean[2] < 0.2
    assert colours() == {"-150": DARK_LABEL, "-50": DARK_LABEL, "150": LIGHT_LABEL, "250": LIGHT_LABEL}
    washed = colours(lambda torque, *_: torque > 1e9)
    # half white: 0.73 and 0.58, both above 0.55
    assert washed == dict.fromkeys(("-150", "-50", "150", "250"), DARK_LABEL)


def patch_of(axes: Axes) -> list[PathPatch]:
    return [one for one in axes.patches if isinstance(one, PathPatch)]


def border_of(axes: Axes) -> list[list[list[float]]]:
    """Segments of the border, each from its lower left end."""
    return sorted(
        sorted(segment.tolist())
        for one in axes.collections
        if isinstance(one, LineCollection)
        for segment in one.get_segments()
    )


def test_what_was_not_tested_is_hatched_mesh_by_mesh() -> None:
    """Nodes up to 0 N·m and 1 rad/s were tested: two meshes of fifteen are whole. Their border is two edges
    above and one at their right."""
    one = made(
        lambda torque, speed, heat: torque,
        lambda torque, speed, heat: (torque <= 0.0) & (speed <= 1.0) | (torque == 300.0) & (speed == 4.0),
    )
    axes = drawn(one)
    (patch,) = patch_of(axes)
    assert (patch.get_hatch(), patch.get_linewidth()) == ("//", 0)
    assert patch.get_facecolor() == (1.0, 1.0, 1.0, 0.5)
    boxes = list(patch.get_path()._iter_connected_components())
    corners = sorted(
        (
            path.vertices[:, 0].min(),
            path.vertices[:, 1].min(),
            path.vertices[:, 0].max(),
            path.vertices[:, 1].max(),
        )
        for path in boxes
    )
    ends = [-200.0, -100.0, 0.0, 100.0, 200.0, 300.0]
    levels = [0.0, 1.0, 2.0, 4.0]
    meshes = [
        (ends[j], levels[i], ends[j + 1], levels[i + 1])
        for j in range(5)
        for i in range(3)
        if not (i == 0 and j < 2)
    ]
    assert corners == sorted(meshes)
    assert border_of(axes) == [
        [[-200.0, 1.0], [-100.0, 1.0]],
        [[-100.0, 1.0], [0.0, 1.0]],
        [[0.0, 0.0], [0.0, 1.0]],
    ]
    (border,) = (one for one in axes.collections if isinstance(one, LineCollection))
    assert border.get_linewidth() == pytest.approx(2.0)


def test_nothing_tested_is_one_hatched_area_without_a_border() -> None:
    """And all tested none at all."""
    axes = drawn(made(lambda torque, speed, heat: torque, lambda torque, *_: torque > 1e9))
    (patch,) = patch_of(axes)
    assert patch.get_path().get_extents().extents.tolist() == [-200.0, 0.0, 300.0, 4.0]
    assert len(patch.get_path().vertices) <= 6
    assert border_of(axes) == []
    whole = drawn(made(lambda torque, speed, heat: torque))
    assert patch_of(whole) == []
    assert border_of(whole) == []


def test_a_map_needs_an_area_to_be_drawn() -> None:
    """Two torques and two speeds are enough; one of either is refused."""
    level = made(lambda torque, speed, heat: torque, speed=np.array([2.0]))
    with pytest.raises(ValueError, match="at least two input torques and two speed differences"):
        drawn(level)
    assert list(map_page_figures(SimpleNamespace(reference={"temperature_degC": 60.0}), level)) == []
    small = made(
        lambda torque, speed, heat: torque, lambda torque, speed, heat: (torque > 200.0) & (speed > 1.0)
    )
    with pytest.raises(ValueError, match="at least two input torques"):
        drawn(small)
    assert list(map_page_figures(SimpleNamespace(reference={"temperature_degC": 60.0}), small)) == []
    two = made(
        lambda torque, speed, heat: torque, lambda torque, speed, heat: (torque >= 200.0) & (speed > 1.0)
    )
    assert drawn(two).get_xlim() == (200.0, 300.0)


def test_the_page_tells_the_map_in_words_and_numbers() -> None:
    """A figure a branch and temperature; what was not tested in brackets. By hand."""
    one = made(
        lambda torque, speed, heat: 80.0 + np.abs(torque) + 10.0 * speed,
        lambda torque, speed, heat: (torque >= 0.0) & (torque <= 200.0) & (speed >= 0.0) & (heat < 80.0),
    )
    made_figures = list(map_page_figures(SimpleNamespace(reference={"temperature_degC": 58.0}), one))
    assert [figure.name for figure in made_figures] == [
        "map-loading-0", "map-unloading-0", "map-loading-1", "map-unloading-1",
    ]  # fmt: skip
    assert [figure.title for figure in made_figures] == [
        "Loading, 40 °C", "Unloading, 40 °C", "Loading, 60 °C", "Unloading, 60 °C",
    ]  # fmt: skip
    unloading = made_figures[3]
    # −100 to 300 N·m, half of 200 beyond the ends: 110 N·m to 110 + 300 + 40 N·m
    assert unloading.shows == (
        "Locking torque over input torque and speed difference, unloading, at 60 °C: 110 to 450 N·m; "
        "60 % of the nodes are tested."
    )
    assert unloading.size == (4.5, 3.5)
    assert unloading.table is not None
    assert unloading.table.caption == "Locking torque [N·m], unloading, at 60 °C; extrapolations in brackets"
    assert unloading.table.head == (
        "Input torque [N·m]",
        *(f"At {speed} rad/s [N·m]" for speed in ("0.00", "1.00", "2.00", "4.00")),
    )
    assert unloading.table.rows[:2] == (
        ("−100", "(210.0)", "(220.0)", "(230.0)", "(250.0)"),
        ("0", "110.0", "120.0", "130.0", "150.0"),
    )
    assert len(unloading.table.rows) == 5
    axes = Figure(figsize=(5, 4)).add_subplot()
    unloading.paint(axes)
    assert filled(axes).levels.tolist() == contour_levels(one).tolist()
