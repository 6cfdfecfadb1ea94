"""Figures: what they draw, and that they leave everything else alone."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from diffbench import figures
from diffbench.report.map_contours import (
    contour_levels,
    speeds_to_draw,
    temperatures_to_show,
    torques_to_draw,
)
from diffbench.results import Characterisation, LockingMap, make_map

Draw = Callable[[Axes], Axes]


@pytest.fixture
def axes() -> Axes:
    """Axes of their own figure, without any global state."""
    return Figure(figsize=(5, 4)).add_subplot()


def every(result: Characterisation, locking_map: LockingMap) -> dict[str, Draw]:
    """All figures of a result by name."""
    evidence = result.evidence
    assert evidence is not None
    return {
        "sweep": lambda a: figures.sweep(result, locking_map, a),
        "recorded": lambda a: figures.recorded(evidence, a),
        **{
            f"residual {over}": lambda a, over=over: figures.residuals(evidence, a, over=over)
            for over in ("input_torque", "time", "speed_difference", "plate")
        },
        "parts": lambda a: figures.parts(result, locking_map, a),
        "contours": lambda a: figures.contours(locking_map, a, branch="loading", temperature=0),
    }


@pytest.mark.parametrize(
    "name",
    [
        "sweep",
        "recorded",
        "residual input_torque",
        "residual time",
        "residual speed_difference",
        "residual plate",
        "parts",
        "contours",
    ],
)
def test_every_figure_returns_its_axes_with_units(
    complete: Characterisation, complete_map: LockingMap, axes: Axes, name: str
) -> None:
    """The axes come back, and every axis names its unit in brackets."""
    assert every(complete, complete_map)[name](axes) is axes
    for text in (axes.get_xlabel(), axes.get_ylabel()):
        assert "[" in text
        assert "]" in text
    axes.figure.draw_without_rendering()


def lines(axes: Axes) -> dict[str, np.ndarray]:
    return {str(line.get_label()): np.asarray(line.get_ydata(), dtype=float) for line in axes.get_lines()}


def test_sweep_draws_both_branches_and_the_cells(
    complete: Characterisation, complete_map: LockingMap, axes: Axes
) -> None:
    """Loading below unloading, both at the preload where the input torque is zero, cells by slip
    direction."""
    drawn = lines(figures.sweep(complete, complete_map, axes))
    loading, unloading = drawn["map, loading"], drawn["map, unloading"]
    # untested stretches of the strong line are gaps
    assert np.isnan(unloading).any()
    assert not np.isnan(loading).any()
    seen = np.isfinite(unloading)
    assert np.all(unloading[seen] >= loading[seen] - 1e-9)
    kept = int((complete.evidence.used & (complete.evidence.run < 2)).sum())
    assert drawn["measured, left faster"].size + drawn["measured, right faster"].size == kept


def test_sweep_without_cells_draws_the_map(
    synthetic: ModuleType, complete_map: LockingMap, axes: Axes
) -> None:
    """A result read from a file has no cells behind it."""
    bare = synthetic.complete().model_copy()
    bare._evidence = None
    drawn = lines(figures.sweep(bare, complete_map, axes, speed_difference=2.0, temperature=80.0))
    assert "map, loading" in drawn
    assert not any(name.startswith("measured") for name in drawn)


def test_recorded_marks_hand_readings_and_what_was_left_out(complete: Characterisation, axes: Axes) -> None:
    """Two readings by hand and one rejected cell are in the synthetic result."""
    drawn = lines(figures.recorded(complete.evidence, axes))
    assert drawn["readings by hand"].size == 2
    assert drawn["left out of the fit"].size == 1


def test_residuals_show_every_used_cell(complete: Characterisation, axes: Axes) -> None:
    """No used cell lies outside the figure, and zero is in its middle."""
    figures.residuals(complete.evidence, axes, over="input_torque")
    low, high = axes.get_ylim()
    residual = (complete.evidence.locking - complete.evidence.model)[complete.evidence.used]
    assert low < residual.min()
    assert residual.max() < high
    assert low == -high


def test_extrapolation_is_hatched_and_the_tested_region_is_not(complete_map: LockingMap, axes: Axes) -> None:
    """A mesh of the map is hatched exactly where one of its corners was not tested."""
    figures.contours(complete_map, axes, branch="unloading", temperature=1)
    hatched = next(patch for patch in axes.patches if isinstance(patch, PathPatch) and patch.get_hatch())
    across, upward = torques_to_draw(complete_map), speeds_to_draw(complete_map)
    tested = complete_map.tested["unloading"][:, :, 1][np.ix_(across, upward)]
    torque, speed = complete_map.axes[0][across], complete_map.axes[1][upward]
    assert axes.get_xlim() == (torque[0], torque[-1])
    for i in range(torque.size - 1):
        for j in range(speed.size - 1):
            middle = (0.5 * (torque[i] + torque[i + 1]), 0.5 * (speed[j] + speed[j + 1]))
            whole = bool(tested[i : i + 2, j : j + 2].all())
            assert hatched.get_path().contains_point(middle) is not whole


def test_a_map_of_one_speed_has_no_contours(synthetic: ModuleType, axes: Axes) -> None:
    """Said, not drawn wrong."""
    result = synthetic.complete()
    narrow = result.model_copy(
        update={
            "tested": result.tested.model_copy(update={"outline": [(-300.0, 4.0), (700.0, 4.0)]}),
            "map_axes": dict.fromkeys(result.map_axes),
        }
    )
    with pytest.raises(ValueError, match="two speed differences"):
        figures.contours(make_map(narrow), axes, branch="loading", temperature=0)


def test_levels_are_round_and_cover_the_map(complete_map: LockingMap) -> None:
    """The first and the last level enclose every value of both branches that is drawn."""
    drawn = np.ix_(torques_to_draw(complete_map), speeds_to_draw(complete_map))
    levels = contour_levels(complete_map)
    every_value = np.concatenate([complete_map.values[b][drawn].ravel() for b in ("loading", "unloading")])
    assert levels[0] <= every_value.min()
    assert levels[-1] >= every_value.max()
    assert 4 <= levels.size <= 16
    step = levels[1] - levels[0]
    assert step / 10 ** np.floor(np.log10(step)) == pytest.approx(
        round(step / 10 ** np.floor(np.log10(step)))
    )


def test_temperatures_shown_are_the_tested_ends_and_the_reference(complete_map: LockingMap) -> None:
    """The map reaches from 40 to 100 °C, the bench from 48 to 82 °C, 60 °C between."""
    heat = complete_map.axes[2]
    assert heat[temperatures_to_show(complete_map, 60.0)].tolist() == [48.0, 60.0, 82.0]


def test_figures_leave_pyplot_alone() -> None:
    """No global state: pyplot is never imported, so a notebook's own figures stay as they are."""
    code = (
        "import sys\n"
        "from matplotlib.figure import Figure\n"
        "import diffbench.figures\n"
        "import diffbench.report.drawing, diffbench.report.page\n"
        "from diffbench.report.style import dress, legend_above\n"
        "axes = Figure().add_subplot(); axes.plot([1], [1], label='x')\n"
        "legend_above(dress(axes, across='x', upward='y'))\n"
        "print('matplotlib.pyplot' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
