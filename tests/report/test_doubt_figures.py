"""Intervals with their budget, correlation, before and after, shims."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.contour import ContourSet
from matplotlib.figure import Figure

from diffbench import figures
from diffbench.answers import (
    Change,
    Comparison,
    Condition,
    DifferenceBranch,
    DifferenceMap,
    Side,
)
from diffbench.errors import OutputError
from diffbench.report import comparison_figure, ladder_figure, put_picture
from diffbench.report.doubt import doubts, interval_names
from diffbench.report.style import SOURCE_COLOURS
from diffbench.results import Characterisation, Correlation, LockingMap


@pytest.fixture
def axes() -> Axes:
    """Axes of their own figure."""
    return Figure(figsize=(5, 6)).add_subplot()


def test_bars_are_intervals_parted_by_variance(complete: Characterisation, axes: Axes) -> None:
    """Preload torque 83.2137 ± 1.2964: limits ± 1.96 u are ± 3.0535 %; shares 1.2², 0.4² and 0.28² of their
    sum (analytic)."""
    (found,) = doubts(complete, ["preload_torque"])
    assert (found.low, found.high) == pytest.approx((-3.0535, 3.0535), abs=5e-4)
    total = 1.2**2 + 0.4**2 + 0.28**2
    shares = dict(zip(SOURCE_COLOURS, found.shares, strict=True))
    assert shares["refitting to the bench"] == pytest.approx(1.2**2 / total)
    assert shares["noise"] == pytest.approx(0.4**2 / total)
    assert shares["transducers"] == pytest.approx(0.28**2 / total)
    assert sum(found.shares) == pytest.approx(1.0)
    figures.intervals(complete, axes, names=["preload_torque"])
    # nothing straddles the value: the parts begin there and end at the upper limit
    bars = [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in axes.patches if bar.get_width()]
    assert min(start for start, _ in bars) == 0.0
    assert max(end for _, end in bars) == pytest.approx(3.0535, abs=1e-3)
    assert sum(end - start for start, end in bars) == pytest.approx(3.0535, abs=1e-3)


def test_a_wide_interval_does_not_flatten_the_others(complete: Characterisation, axes: Axes) -> None:
    """It is cut off, and its size written beside it."""
    keys, others = interval_names(complete)
    figures.intervals(complete, axes, names=[*keys, *others])
    texts = [text.get_text() for text in axes.texts]
    # gear friction: 0.02 ± 0.004, 39 % to either side; most are below 5 %
    assert any("to 39 %" in text for text in texts)
    assert axes.get_xlim()[1] < 39.0


def test_a_quantity_without_interval_is_refused(complete: Characterisation) -> None:
    """Said, not drawn as exact."""
    with pytest.raises(ValueError, match="has no interval"):
        doubts(
            complete.model_copy(
                update={
                    "parameters": {
                        "preload_torque": complete.parameters["preload_torque"].model_copy(
                            update={"value": None}
                        )
                    }
                }
            ),
            ["preload_torque"],
        )


def test_squares_say_sign_and_size(complete: Characterisation, axes: Axes) -> None:
    """One filled square of side 0.86 √0.25 for +0.25, one open of 0.86 √0.81 for -0.81; none for nothing."""
    names = ["preload_torque", "friction_slope", "gear_friction"]
    matrix = [[1.0, 0.25, 0.0], [0.25, 1.0, -0.81], [0.0, -0.81, 1.0]]
    result = complete.model_copy(update={"correlation": Correlation(names=names, matrix=matrix)})
    assert figures.correlation(result, axes) is axes
    filled, opened = (c for c in axes.collections if isinstance(c, PolyCollection))
    sides = [
        [float(np.ptp(path.vertices[:, 0])) for path in collection.get_paths()]
        for collection in (filled, opened)
    ]
    assert sides == [[pytest.approx(0.43)], [pytest.approx(0.774)]]


def compared() -> Comparison:
    """A comparison by hand: preload down by a fifth, ramps as before."""
    base = {
        "before": 80.0, "after": 64.0, "unit": "N·m", "chance": 0.0, "against": "repeatability",
        "meaning": "", "budget": {"noise": 0.01},
    }  # fmt: skip
    fell = Change(**base, relative=True, change=-0.2, u=0.015, low=-0.23, high=-0.17, significant=True)
    same = Change(**base, relative=True, change=0.002, u=0.01, low=-0.018, high=0.022, significant=False)
    slope = Change(**base, relative=False, change=0.1, u=0.1, low=-0.1, high=0.3, significant=False)
    side = Side(unit="Q", build="b", dates=["2026-01-01"], distance_m=None, inputs={})
    conditions = [
        Condition(
            input_torque_Nm=torque, speed_difference_rad_s=0.3, temperature_degC=60.0, before_Nm=90.0,
            after_Nm=72.0, change_Nm=-18.0, low_Nm=-21.0, high_Nm=-15.0, tested=True,
        )
        for torque in (0.0, -150.0)
    ]  # fmt: skip
    return Comparison(
        before=side, after=side, verdict="worn", reasons=[],
        changes={"preload_torque": fell, "ramp_bias_drive": same, "friction_slope": slope},
        not_determined={}, wear=None, limits=[], conditions=conditions, difference_map=None, readings=[],
        common=[], caveats=[], detectable_loss=None, visits_for_5_percent=None,
    )  # fmt: skip


def apart() -> DifferenceMap:
    """A difference by hand: a loss of 6 to 2 N·m while the torque rises, known within 3 N·m to either side;
    unloading, from a loss to a gain of 4 N·m, and not tested beyond 200 N·m."""
    torque, speed = [-200.0, 0.0, 200.0, 400.0], [0.5, 1.0, 2.0]
    shape = (4, 3, 1)
    across = np.broadcast_to(np.array(torque)[:, None, None], shape)
    branches = {}
    for branch, change in (("loading", -4.67 + across / 150.0), ("unloading", across / 75.0 - 4.0 / 3.0)):
        branches[branch] = DifferenceBranch(
            change_Nm=change.tolist(),
            low_Nm=(change - 3.0).tolist(),
            high_Nm=(change + 3.0).tolist(),
            tested=(np.ones(shape, dtype=bool) if branch == "loading" else across <= 200.0).tolist(),
        )
    return DifferenceMap(
        input_torque_Nm=torque, speed_difference_rad_s=speed, temperature_degC=[60.0], branches=branches
    )


def test_difference_bears_its_signs(axes: Axes) -> None:
    """Every line its change with sign, losses and gains; what is hatched and dotted is told."""
    assert figures.difference(apart(), axes, branch="unloading") is axes
    assert sorted(text.get_text() for text in axes.texts) == ["+2", "-2", "-4", "0"]
    told = [text.get_text() for text in axes.get_legend().get_texts()]
    assert told == ["no change proven (95 %)", "not tested in both"]


def test_difference_is_dotted_where_its_interval_holds_none(axes: Axes) -> None:
    """Analytic: loss 4.67 − T/150 N·m, known within 3: proven below 250.5 N·m, in doubt above."""
    figures.difference(apart(), axes, branch="loading")
    dotted = next(c for c in axes.collections if isinstance(c, ContourSet) and any(c.hatches or []))
    reach = np.concatenate([path.vertices for path in dotted.get_paths()])
    assert reach[:, 0].min() == pytest.approx(250.5, abs=0.1)
    assert reach[:, 0].max() == 400.0
    assert [t.get_text() for t in axes.get_legend().get_texts()] == ["no change proven (95 %)"]
    line = apart().model_copy(update={"speed_difference_rad_s": [0.5]})
    with pytest.raises(ValueError, match="two speed differences"):
        figures.difference(line, axes)


def test_changes_say_what_is_proven(axes: Axes) -> None:
    """Relative changes in per cent; filled where significant, open where not, and said in words."""
    assert figures.changes(compared(), axes) is axes
    marks = list(axes.containers)
    assert [float(c.lines[0].get_xdata()[0]) for c in marks] == pytest.approx([-20.0, 0.2])
    assert [text.get_text() for text in axes.texts] == ["changed", "as before"]
    assert [t.get_text() for t in axes.get_yticklabels()] == ["preload torque", "ramp bias, drive"]


def test_corner_entry_before_and_after(axes: Axes) -> None:
    """Both states over engine braking."""
    figures.corner_change(compared(), axes)
    drawn = {str(line.get_label()): np.asarray(line.get_ydata()).tolist() for line in axes.get_lines()}
    assert drawn == {"before": [90.0, 90.0], "after": [72.0, 72.0]}


def test_a_comparison_in_one_picture(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path
) -> None:
    """Maps, changes, corner entry; without conditions no third panel; a file of a known kind, or none."""
    result = compared()
    figure = comparison_figure(result, complete_map, complete_map, reference=complete.reference)
    assert len(figure.axes) == 3
    put_picture(figure, tmp_path / "worn.svg")
    assert (tmp_path / "worn.svg").read_bytes().startswith(b"<?xml")
    whole = result.model_copy(update={"difference_map": apart()})
    figure = comparison_figure(whole, complete_map, complete_map, reference=complete.reference)
    assert [a.get_title(loc="left") for a in figure.axes][3:] == [
        f"change of locking torque [N·m], {branch}, 60 °C" for branch in ("loading", "unloading")
    ]
    bare = result.model_copy(update={"conditions": []})
    figure = comparison_figure(bare, complete_map, complete_map, reference=complete.reference)
    assert len(figure.axes) == 2
    with pytest.raises(OutputError, match="is no picture"):
        put_picture(figure, tmp_path / "worn.doc")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["worn.svg"]


def test_two_maps_over_each_other(complete_map: LockingMap, axes: Axes) -> None:
    """Loading branches of both, each with its band."""
    figures.before_after(complete_map, complete_map, axes, speed_difference=4.0, temperature=60.0)
    legend = [text.get_text() for text in axes.get_legend().get_texts()]
    assert legend == ["before", "95 % band, before", "after", "95 % band, after"]


def test_ladder_stands_in_order_of_shims(synthetic: ModuleType, axes: Axes) -> None:
    """83.2 N·m without a shim, 97.4 N·m with 0.2 mm: 71 N·m/mm; no ladder without shims."""
    both = synthetic.two_builds()
    assert ladder_figure(both) is None
    shims = [b.model_copy(update={"shim_m": s}) for b, s in zip(both.builds, (0.0, 2e-4), strict=True)]
    result = both.model_copy(update={"builds": shims})
    figures.shim_ladder(result, axes, limits=(75.0, 95.0))
    assert [text.get_text() for text in axes.texts] == ["71 N·m/mm"]
    made = ladder_figure(result)
    assert made is not None
    assert [row[0] for row in made.table.rows] == ["0", "0.2"]
    assert made.table.rows[1][2] == "97.4 ± 1.4"
