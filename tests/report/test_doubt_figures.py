"""Intervals with their budget, correlation, before and after, shims."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
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
from diffbench.report.doubt import (
    correlated,
    correlation_figure,
    doubts,
    interval_figures,
    interval_names,
)
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


def with_quantities(result: Characterisation, **reach: float) -> Characterisation:
    """The result with the preload torque alone, and quantities like it of which u is so many hundredths of
    the value, by noise alone."""
    one = result.parameters["preload_torque"]
    known = {
        name: one.model_copy(
            update={
                "value": 50.0, "u": 0.5 * share, "low": 50.0 - share, "high": 50.0 + share,
                "budget": {"noise": 0.5 * share},
            }
        )
        for name, share in reach.items()
    }  # fmt: skip
    made = result.model_copy(update={"parameters": known})
    return made.with_evidence(result.evidence)


def test_rows_of_intervals_stand_below_each_other(complete: Characterisation, axes: Axes) -> None:
    """A row a quantity from the top: a line over the interval with an end on either side, as high as the bar;
    name and value above it, at the left and the right; the value itself a line through all rows."""
    names = ["preload_torque", "spring_force", "ramp_bias_coast_loading"]
    figures.intervals(complete, axes, names=names)
    found = doubts(complete, names)
    lines = [one for one in axes.collections if isinstance(one, LineCollection)]
    across, lower, upper, middle = ([s.tolist() for s in one.get_segments()] for one in lines)
    for row, doubt in enumerate(found):
        assert across[row] == [[doubt.low, row], [doubt.high, row]]
        assert lower[row] == [[doubt.low, row - 0.18], [doubt.low, row + 0.18]]
        assert upper[row] == [[doubt.high, row - 0.18], [doubt.high, row + 0.18]]
    assert middle == [[[0.0, -0.35], [0.0, 2.45]]]
    bars = [bar for bar in axes.patches if bar.get_width()]
    assert {bar.get_height() for bar in bars} == {0.36}
    assert {bar.get_y() + 0.18 for bar in bars} == {0.0, 1.0, 2.0}
    texts = [(text.get_text(), (text.xy[0], round(text.xy[1], 9)), text.get_ha()) for text in axes.texts]
    assert texts == [
        ("preload torque", (0.0, -0.43), "left"), ("83.2 ± 1.3 N·m", (1.0, -0.43), "right"),
        ("spring force", (0.0, 0.57), "left"), ("1850 ± 60 N", (1.0, 0.57), "right"),
        ("ramp bias, coast, loading", (0.0, 1.57), "left"), ("0.3002 ± 0.0042", (1.0, 1.57), "right"),
    ]  # fmt: skip
    assert axes.get_ylim() == (2.45, -0.95)
    assert axes.get_yticks().size == 0
    assert not axes.spines["left"].get_visible()
    # the interval over its parts, both over the value's line, and texts over all
    order = [middle_of(lines[3]), bars[0].get_zorder(), middle_of(lines[0]), axes.texts[0].get_zorder()]
    assert sorted(order) == order
    assert len(set(order)) == 4
    told = [text.get_text() for text in axes.get_legend().get_texts()]
    assert told == ["noise", "refitting to the bench", "transducers", "build sheet"]


def middle_of(collection: LineCollection) -> float:
    return float(collection.get_zorder())


def test_the_parts_of_an_interval_follow_each_other(complete: Characterisation, axes: Axes) -> None:
    """Of three hundredths and a bit 0.16 by noise 9 %, by refitting 87 %, by transducers 4 %: each begins
    where the one before ends."""
    figures.intervals(complete, axes, names=["preload_torque"])
    total = 1.44 + 0.16 + 0.0784
    ends = 3.0535 * np.cumsum([0.0, 0.16, 1.44, 0.0784]) / total
    bars = [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in axes.patches if bar.get_width()]
    assert [start for start, _ in bars] == pytest.approx(ends[:3], abs=1e-3)
    assert [end for _, end in bars] == pytest.approx(ends[1:], abs=1e-3)


def test_intervals_are_cut_at_four_times_the_middle_one(complete: Characterisation, axes: Axes) -> None:
    """2, 4, 6, 8 and 60 %: the middle one is 6, cut at 24 and 8 % of room; the long one says where it ends.
    With 20 % none is cut, and the room is that of the longest."""
    shares = {"preload_torque": 1.0, "spring_force": 2.0, "friction_coefficient": 3.0}
    others = {"ramp_bias_drive_loading": 4.0, "ramp_bias_coast_loading": 30.0}
    long = with_quantities(complete, **shares, **others)
    names = [*shares, *others]
    figures.intervals(long, axes, names=names)
    assert axes.get_xlim() == pytest.approx((-25.92, 25.92))
    (arrow,) = (text for text in axes.texts if "▸" in text.get_text())
    assert (arrow.get_text(), arrow.xy, arrow.get_ha()) == ("to 60 % ▸", (1.0, 4), "right")
    short = with_quantities(complete, **shares, **{**others, "ramp_bias_coast_loading": 10.0})
    figures.intervals(short, fresh := Figure().add_subplot(), names=names)
    assert fresh.get_xlim() == pytest.approx((-21.6, 21.6))
    assert not any("▸" in text.get_text() for text in fresh.texts)


def test_a_lower_limit_that_is_farther_counts(complete: Characterisation, axes: Axes) -> None:
    """−12 % and +4 %: the room is that of the larger side."""
    result = with_quantities(complete, preload_torque=2.0)
    item = result.parameters["preload_torque"].model_copy(update={"low": 44.0})
    (found,) = doubts(result.model_copy(update={"parameters": {"preload_torque": item}}), ["preload_torque"])
    assert (found.low, found.high) == pytest.approx((-12.0, 4.0))
    figures.intervals(result.model_copy(update={"parameters": {"preload_torque": item}}), axes)
    assert axes.get_xlim() == pytest.approx((-12.96, 12.96))


@pytest.mark.parametrize(
    ("update", "shown"),
    [
        ({}, True),
        ({"value": 0.0}, False),
        ({"u": 0.0}, False),
        ({"low": None}, False),
        ({"high": None}, False),
        ({"budget": {}}, False),
        ({"value": -50.0, "low": -52.0, "high": -48.0}, True),
    ],
)
def test_only_what_has_all_of_it_is_an_interval(
    complete: Characterisation, update: dict[str, object], shown: bool
) -> None:
    """Value, uncertainty, both limits and a budget; a value of zero has no hundredths."""
    result = with_quantities(complete, preload_torque=2.0, viscous_coefficient=2.0)
    known = {name: item.model_copy(update=update) for name, item in result.parameters.items()}
    keys, others = interval_names(result.model_copy(update={"parameters": known}))
    assert keys == ["preload_torque"] * shown
    assert others == ["viscous_coefficient"] * shown
    if shown:
        for one in doubts(result.model_copy(update={"parameters": known}), keys):
            assert (one.low, one.high) == pytest.approx((-4.0, 4.0))
    elif "budget" not in update:
        with pytest.raises(ValueError, match="preload_torque has no interval"):
            doubts(result.model_copy(update={"parameters": known}), ["preload_torque"])


def test_intervals_are_told_in_figures_of_fifteen(complete: Characterisation) -> None:
    """A key number, and of 31 others ten, ten and eleven: more than fifteen rows fit no sheet."""
    others = {f"quantity_{i}": 2.0 + 0.1 * i for i in range(31)}
    made = list(interval_figures(with_quantities(complete, preload_torque=2.0, **others)))
    assert [(figure.name, figure.title, len(figure.table.rows)) for figure in made] == [
        ("intervals-key", "Intervals of the key numbers", 1),
        ("intervals-other", "Intervals of all others, 1 of 3", 10),
        ("intervals-other-2", "Intervals of all others, 2 of 3", 10),
        ("intervals-other-3", "Intervals of all others, 3 of 3", 11),
    ]
    told = [row[0] for figure in made[1:] for row in figure.table.rows]
    assert told == [f"quantity {i}" for i in range(31)]
    # 0.44 inch a row below 1.25 inch of legend and axis
    assert [figure.size for figure in made[:2]] == [(4.5, pytest.approx(1.69)), (4.5, pytest.approx(5.65))]
    # 5 N·m of 50 N·m to either side
    assert made[3].shows == (
        "95 % intervals of 11 quantities about their values, parted by source of doubt; the widest is "
        "quantity 30, -10.00 to 10.00 %."
    )
    just = list(interval_figures(with_quantities(complete, **{f"quantity_{i}": 2.0 for i in range(15)})))
    assert [figure.title for figure in just] == ["Intervals of all others"]


def test_an_interval_in_a_table_has_its_parts_in_hundredths(complete: Characterisation) -> None:
    """1.44, 0.16 and 0.0784 of 1.6784 are 86, 10 and 5 %; limits to a hundredth of a per cent."""
    made = next(iter(interval_figures(complete)))
    assert made.table is not None
    assert made.table.head == (
        "Quantity", "Value ± standard uncertainty [unit beside it]", "95 % interval about it [%]",
        "Noise [% of variance]", "Refitting to the bench [% of variance]", "Transducers [% of variance]",
        "Build sheet [% of variance]", "Plausible range or form [% of variance]",
    )  # fmt: skip
    assert made.table.rows[0] == (
        "preload torque", "83.2 ± 1.3 N·m", "−3.05 to 3.05", "10", "86", "5", "0", "0",
    )  # fmt: skip
    assert made.table.numbers == (1, 2, 3, 4, 5, 6, 7)


def correlated_result(
    result: Characterisation, count: int, sizes: dict[tuple[int, int], float]
) -> Characterisation:
    matrix = np.eye(count)
    for (i, j), size in sizes.items():
        matrix[i, j] = matrix[j, i] = size
    names = [f"quantity_{i}" for i in range(count)]
    return result.model_copy(update={"correlation": Correlation(names=names, matrix=matrix.tolist())})


def test_of_many_quantities_those_are_shown_that_go_closest(complete: Characterisation) -> None:
    """24 of 26: the two that go with none are left out; the others stay in their order."""
    sizes = {(i, i + 1): 0.3 for i in range(0, 24, 2)}
    result = correlated_result(complete, 26, sizes)
    names, matrix = correlated(result)
    assert names == [f"quantity {i}" for i in range(24)]
    assert matrix.shape == (24, 24)
    # one that goes with the last but one against it, closely, takes the place of the first pair
    closer = correlated_result(complete, 26, {**sizes, (0, 1): 0.1, (24, 25): -0.9})
    assert correlated(closer)[0] == [f"quantity {i}" for i in range(2, 26)]
    whole = correlated_result(complete, 24, {})
    assert len(correlated(whole)[0]) == 24


def test_a_matrix_of_squares_bears_its_numbers_and_lines(complete: Characterisation, axes: Axes) -> None:
    """Each quantity's number on the diagonal, a line to it from both axes; a square of less than a tenth of
    its place is none: 0.86 √0.0136 is 0.1003."""
    result = correlated_result(complete, 3, {(1, 0): 0.0136, (2, 0): -0.0134, (2, 1): 1.7})
    figures.correlation(result, axes)
    assert [(text.get_text(), text.xy) for text in axes.texts] == [
        ("1", (0, 0)),
        ("2", (1, 1)),
        ("3", (2, 2)),
    ]
    (lines,) = (one for one in axes.collections if isinstance(one, LineCollection))
    assert [s.tolist() for s in lines.get_segments()] == [
        [[-0.5, 0], [-0.5, 0]], [[0, 0.5], [0, 2.5]],
        [[-0.5, 1], [0.5, 1]], [[1, 1.5], [1, 2.5]],
        [[-0.5, 2], [1.5, 2]], [[2, 2.5], [2, 2.5]],
    ]  # fmt: skip
    filled, opened = (one for one in axes.collections if isinstance(one, PolyCollection))
    boxes = [path.get_extents().extents.tolist() for path in filled.get_paths()]
    # more than all is drawn as all: 0.43 to either side of column 1, row 2
    assert boxes == [
        pytest.approx([-0.05015, 0.94985, 0.05015, 1.05015], abs=1e-5),
        pytest.approx([0.57, 1.57, 1.43, 2.43]),
    ]
    assert opened.get_paths() == []
    assert (axes.get_xlim(), axes.get_ylim()) == ((-0.6, 2.6), (2.6, -0.6))
    assert [label.get_text() for label in axes.get_xticklabels()] == ["1", "2", "3"]
    assert [label.get_text() for label in axes.get_yticklabels()] == [
        "quantity 0  1",
        "quantity 1  2",
        "quantity 2  3",
    ]
    told = [text.get_text() for text in axes.get_legend().get_texts()]
    assert told == ["rise together", "one rises, one falls"]
    assert not any(spine.get_visible() for spine in axes.spines.values())


def test_which_go_together_is_told_in_a_triangle(complete: Characterisation) -> None:
    """Each against those before it; the closest pair in words. One quantity goes with none."""
    result = correlated_result(complete, 4, {(1, 0): 0.25, (2, 0): -0.84, (2, 1): 0.5, (3, 1): 0.031})
    made = correlation_figure(result)
    assert made is not None
    assert made.shows == (
        "Correlation of 4 quantities; the closest are quantity 2 and quantity 0, 0.840 in size."
    )
    assert made.table is not None
    assert made.table.head == ("Quantity", "With 1 [1]", "With 2 [1]", "With 3 [1]")
    assert made.table.rows == (
        ("1 quantity 0", "", "", ""),
        ("2 quantity 1", "0.250", "", ""),
        ("3 quantity 2", "−0.840", "0.500", ""),
        ("4 quantity 3", "0.000", "0.031", "0.000"),
    )
    # 0.19 inch a place; no smaller than a figure of the page, 4.5, and 2.4 high
    assert made.size == (4.5, 2.4)
    large = correlation_figure(correlated_result(complete, 20, {(1, 0): 0.25}))
    assert large is not None
    assert large.size == (pytest.approx(6.3), pytest.approx(4.7))
    assert correlation_figure(correlated_result(complete, 1, {})) is None
    assert correlation_figure(correlated_result(complete, 2, {})) is not None
