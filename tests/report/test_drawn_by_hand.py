"""Figures of a page, of a result and a map of a few nodes: what they draw, say and put in their tables."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from diffbench import figures
from diffbench.report.friction import (
    bias_curve,
    friction_cells,
    friction_curve,
    friction_page_figures,
    reference_place,
    run_starts,
)
from diffbench.report.locking_torque import (
    branch_cells,
    branch_curve,
    carried_cells,
    draw_cells,
    evidence_figures,
    residual_bins,
    residual_figures,
    sweep_figure,
)
from diffbench.report.style import DIRECTION_COLOURS, PART_COLOURS
from diffbench.results import Characterisation, Evidence, LockingMap, MapDocument

TORQUE = np.array([-200.0, 0.0, 100.0, 400.0])
SLOPES = {"loading": 0.4, "unloading": 0.6}


def small_map(**changes: Any) -> LockingMap:
    """80 N·m and 0.4 of the input torque, 0.6 while that falls, at two speeds and temperatures; known within
    3.919928 N·m, two standard uncertainties of 2 N·m; 400 N·m not tested while it falls."""
    shape = (TORQUE.size, 2, 2)
    branches = {}
    for branch in ("loading", "unloading", "mean", "either"):
        across = 80.0 + SLOPES.get(branch, 0.5) * np.abs(TORQUE)
        value = np.broadcast_to(across[:, None, None], shape)
        tested = np.broadcast_to((TORQUE < 400.0)[:, None, None] | (branch == "loading"), shape)
        branches[branch] = {
            "locking_torque_Nm": value.tolist(),
            "low_Nm": (value - 3.919928).tolist(),
            "high_Nm": (value + 3.919928).tolist(),
            "tested": tested.tolist(),
        }
    axes = {
        "input_torque_Nm": TORQUE.tolist(),
        "speed_difference_rad_s": [2.0, 8.0],
        "temperature_degC": [50.0, 70.0],
    }
    document = {
        "format": "diffbench-map/1", "unit": "K04", "build": "K04-spring", "law": "additive",
        "confidence": 0.95, "axes": axes, "branches": branches, "notes": [], "provenance": {},
    }  # fmt: skip
    return LockingMap(MapDocument.model_validate({**document, **changes}))


def small_evidence(**changes: Any) -> Evidence:
    """A sweep of 17 cells, of which one is left out, three cells at one torque, and two readings by hand.

    Along the sweep the torque rises by 40 N·m a cell, recorded backwards, a cell every 5 s; every other cell
    reads 1.2 N·m more than the model, the others 0.4 N·m less.
    """
    k = np.arange(17)
    torque = np.concatenate([-300.0 + 40.0 * k, [250.0, 251.0, 251.8], [0.0, 0.0]])
    model = 80.0 + 0.4 * np.abs(torque)
    apart = np.concatenate([np.where(k % 2, -0.4, 1.2), [0.3, -2.0, 0.5], [1.5, -1.5]])
    fields: dict[str, Any] = {
        "run": np.array([0] * 17 + [1] * 3 + [2] * 2),
        "run_names": ("a.csv", "b.csv", "hand.csv"),
        "run_kinds": ("bias-sweep", "speed-sweep", "turning-torque"),
        "time": np.concatenate([100.0 - 5.0 * k, [7.0, 3.0, 53.0], [0.0, 1.0]]),
        "input_torque": torque,
        "speed_difference": np.concatenate([np.full(17, 6.0), [2.0, 4.0, 8.0], [0.5, 0.5]]),
        "direction": np.concatenate([np.where(k % 3, 1.0, -1.0), [1.0, 1.0, 1.0], [1.0, -1.0]]),
        "oil": np.concatenate([np.full(17, 55.0), [np.nan] * 3, [np.nan] * 2]),
        "plate": np.concatenate([55.0 + 0.5 * k, [70.0, 72.0, 79.5], [22.0, 22.0]]),
        "loading": np.ones(22, dtype=bool),
        "locking": model + apart,
        "model": model,
        "sigma": np.full(22, 0.7),
        "used": np.arange(22) != 16,
    }
    return Evidence(**{**fields, **changes})


@pytest.fixture
def small(synthetic: ModuleType) -> Characterisation:
    """The synthetic result with those cells."""
    made: Characterisation = synthetic.complete().with_evidence(small_evidence())
    return made


@pytest.fixture
def axes() -> Axes:
    """Axes of their own figure."""
    return Figure(figsize=(5, 4)).add_subplot()


def with_values(result: Characterisation, **values: float) -> Characterisation:
    """The result by another form: some of its unknowns changed."""
    (form,) = result.forms
    changed = [values.get(name, value) for name, value in zip(form.names, form.values, strict=True)]
    made = result.model_copy(update={"forms": [form.model_copy(update={"values": changed})]})
    return made.with_evidence(result.evidence)


def by_label(axes: Axes) -> dict[str, Any]:
    return {str(line.get_label()): line for line in axes.get_lines() if line.get_label()[:1] != "_"}


def legend_of(axes: Axes) -> list[str]:
    return [text.get_text() for text in axes.get_legend().get_texts()]


def test_cells_without_oil_are_carried_as_at_the_reference(small: Characterisation) -> None:
    """Friction alike at every speed and temperature: only the oil film moves, 0.3 N·m·s/rad at 60 °C, 3 %
    less a kelvin. At 4 rad/s and 70 °C it is 0.3 · 4 · e^-0.3 = 0.8890 N·m."""
    plain = with_values(small, static_excess=0.0, temperature_coefficient=0.0)
    cells = carried_cells(plain, small_map(), speed_difference=4.0, temperature=70.0)
    assert cells is not None
    assert cells.input_torque.size == 19
    # the first: 200 + 1.2 N·m at 6 rad/s and oil of 55 °C, 0.3 · 6 · e^0.15 = 2.0913 N·m of film
    assert cells.locking[0] == pytest.approx(201.2 - 2.0913 + 0.8890, abs=1e-3)
    # the last: 180.72 + 0.5 N·m at 8 rad/s, no oil measured: 0.3 · 8 N·m of film
    assert cells.locking[-1] == pytest.approx(181.22 - 2.4 + 0.8890, abs=1e-3)
    assert cells.direction.tolist() == small.evidence.direction[[*range(16), 17, 18, 19]].tolist()


def test_parts_are_the_law_s_of_the_fit(small: Characterisation) -> None:
    """P = 83.2 N·m, ramps 0.45 in drive and 0.3 in coast, gears 0.02 of the input torque, oil film 0.3
    N·m·s/rad of 4 rad/s, all at the reference condition; drawn one upon the other."""
    (figure, _) = evidence_figures(small, small_map())
    assert (figure.name, figure.title) == ("parts", "What the locking torque is made of, while loading")
    assert figure.size == (4.5, 3.4)
    assert figure.shows == (
        "Locking torque split into its parts over input torque; at 400 N·m: preload 83 N·m, ramps 180 N·m, "
        "gears 8 N·m, oil film 1 N·m."
    )
    assert figure.caption == "At 60 °C and 4 rad/s. Preload holds near zero input torque, ramps far from it."
    assert figure.table is not None
    assert figure.table.head == (
        "Input torque [N·m]", "Preload [N·m]", "Ramps [N·m]", "Gears [N·m]", "Oil film [N·m]", "Total [N·m]",
    )  # fmt: skip
    assert figure.table.rows == (
        ("−200", "83.2", "60.0", "4.0", "1.2", "148.4"),
        ("0", "83.2", "0.0", "0.0", "1.2", "84.4"),
        ("100", "83.2", "45.0", "2.0", "1.2", "131.4"),
        ("400", "83.2", "180.0", "8.0", "1.2", "272.4"),
    )
    axes = Figure().add_subplot()
    figure.paint(axes)
    assert legend_of(axes)[:4] == ["preload", "ramps", "gears", "oil film"]
    filled = [one for one in axes.collections if one.get_label() in PART_COLOURS]
    assert [to_hex(one.get_facecolor()[0]) for one in filled] == list(PART_COLOURS.values())
    tops = [max(path.vertices[:, 1].max() for path in one.get_paths()) for one in filled]
    assert tops == pytest.approx([83.2, 263.2, 271.2, 272.4])
    assert axes.get_ylim()[0] == 0.0


def test_parts_never_add_up_to_less_than_nothing(small: Characterisation) -> None:
    """As the law has it: an oil film that pulls the other way takes at most what is there."""
    pulled = with_values(small, viscous=-30.0)
    (figure, _) = evidence_figures(pulled, small_map())
    assert figure.table is not None
    # 83.2 − 30 · 4 N·m at no input torque
    assert [row[-1] for row in figure.table.rows] == ["27.2", "0.0", "10.2", "151.2"]


def test_a_sweep_says_its_ends_and_its_middle(small: Characterisation) -> None:
    """Value at both ends and at no input torque; 19 cells of two sweeps; limits by their doubt, 2 N·m."""
    figure = sweep_figure(small, small_map())
    assert figure is not None
    assert figure.title == "Locking torque over input torque, at 60 °C and 4 rad/s"
    assert (figure.name, figure.size) == ("sweep", (4.5, 3.3))
    assert figure.shows == (
        "Locking torque over input torque at 60 °C and 4 rad/s, loading: 160 N·m at −200 N·m, 80 N·m at 0 "
        "N·m, 240 N·m at 400 N·m. 19 measured cells."
    )
    assert figure.caption.startswith(
        "Each mark is a short average of the recordings, carried to 60 °C and 4 rad/s"
    )
    assert figure.table is not None
    assert figure.table.numbers == (0, 1, 2, 4, 5)
    assert figure.table.head == (
        "Input torque [N·m]", "Loading [N·m]", "Loading, 95 % limits [N·m]", "Loading, tested or not",
        "Unloading [N·m]", "Unloading, 95 % limits [N·m]", "Unloading, tested or not",
    )  # fmt: skip
    assert figure.table.rows == (
        ("−200", "160.0", "156.1 to 163.9", "tested", "200.0", "196.1 to 203.9", "tested"),
        ("0", "80.0", "76.1 to 83.9", "tested", "80.0", "76.1 to 83.9", "tested"),
        ("100", "120.0", "116.1 to 123.9", "tested", "140.0", "136.1 to 143.9", "tested"),
        ("400", "240.0", "236.1 to 243.9", "tested", "320.0", "316.1 to 323.9", "extrapolated"),
    )
    axes = Figure().add_subplot()
    figure.paint(axes)
    drawn = by_label(axes)
    strong, thin = drawn["map, unloading"], drawn["map, not tested"]
    np.testing.assert_array_equal(strong.get_ydata(), [200.0, 80.0, 140.0, np.nan])
    assert thin.get_ydata().tolist() == [160.0, 80.0, 120.0, 240.0]
    assert (strong.get_linestyle(), drawn["map, loading"].get_linestyle()) == ("--", "-")
    assert strong.get_linewidth() > 2.0 * thin.get_linewidth()
    # what is fitted lies over what was measured, what was tested over what was not
    assert strong.get_zorder() > thin.get_zorder() > drawn["measured, left faster"].get_zorder()
    assert axes.get_ylim()[0] == 0.0
    assert axes.get_xlabel() == "input torque [N·m], coast negative, drive positive"


def test_a_sweep_without_cells_says_why(synthetic: ModuleType, small: Characterisation) -> None:
    """Not stored, of several builds, or none recorded."""
    bare = small.model_copy()
    bare._evidence = None
    figure = sweep_figure(bare, small_map())
    assert figure is not None
    start = "The map at 60 °C and 4 rad/s. Thin lines are an extrapolation. "
    assert figure.caption == start + (
        "The measured cells are not stored in the document that this page was made from."
    )
    assert figure.shows.endswith(" 0 measured cells.")
    assert [one.name for one in evidence_figures(bare, small_map())] == ["parts"]
    assert list(residual_figures(None)) == []
    both = synthetic.two_builds().with_evidence(small_evidence())
    figure = sweep_figure(both, small_map())
    assert figure is not None
    assert figure.caption == start + "The cells of several builds are shown as recorded, below."
    unused = small.with_evidence(small_evidence(used=np.arange(22) >= 20))
    figure = sweep_figure(unused, small_map())
    assert figure is not None
    assert figure.caption == start + "No sweep under slip was recorded."


def test_cells_of_a_row_round_by_their_own_doubt() -> None:
    """The nearest node; without limits four digits; where a value has no meaning, that is said."""
    curve = branch_curve(small_map(), "unloading", speed_difference=2.0, temperature=50.0)
    assert branch_cells(curve, 395.0) == ("320.0", "316.1 to 323.9", "extrapolated")
    wide = type(curve)(curve.input_torque, curve.value, curve.low, curve.high * np.inf, curve.tested)
    assert branch_cells(wide, 40.0) == ("80", "none", "tested")
    none = type(curve)(curve.input_torque, curve.value * np.nan, curve.low, curve.high, curve.tested)
    assert branch_cells(none, 0.0) == ("none", "none", "no meaning")


def test_what_was_recorded_is_told_run_by_run_in_eighths(small: Characterisation) -> None:
    """16 used cells of the sweep make eight pairs, three cells at a held torque one row, readings another."""
    (_, figure) = evidence_figures(small, small_map())
    assert (figure.name, figure.title) == ("recorded", "Locking torque as recorded")
    assert figure.shows == (
        "Locking torque over input torque as recorded, 21 cells, with the model at the same cells."
    )
    assert figure.caption.endswith("the model at the same place. 2 readings by hand.")
    assert figure.table is not None
    assert figure.table.head == (
        "Run", "Input torque [N·m]", "Cells [1]", "Measured, mean [N·m]", "Model, mean [N·m]",
    )  # fmt: skip
    # of a pair 1.2 and −0.4 N·m off the model: 0.4 N·m on the mean
    pairs = [(-300 + 80 * i, -260 + 80 * i) for i in range(8)]
    means = [80.0 + 0.2 * (abs(low) + abs(high)) for low, high in pairs]
    told = [
        (f"{low} to {high}".replace("-", "−"), "2", f"{mean + 0.4:.1f}", f"{mean:.1f}")
        for (low, high), mean in zip(pairs, means, strict=True)
    ]
    assert figure.table.rows == (
        *(("1, bias-sweep", *row) for row in told),
        # 180, 180.4 and 180.72 N·m; off by 0.3, −2 and 0.5 N·m
        ("2, speed-sweep", "250 to 252", "3", "180.0", "180.4"),
        ("3, turning-torque", "0 to 0", "2", "80.0", "80.0"),
    )
    axes = Figure().add_subplot()
    figure.paint(axes)
    drawn = by_label(axes)
    assert drawn["readings by hand"].get_ydata().tolist() == [81.5, 78.5]
    assert drawn["left out of the fit"].get_xdata().tolist() == [340.0]
    assert drawn["measured, left faster"].get_xdata().size == 13
    assert drawn["measured, right faster"].get_xdata().size == 6
    model = next(line for line in axes.get_lines() if len(line.get_xdata()) == 21)
    assert (model.get_marker(), model.get_markeredgewidth()) == (".", 0)
    assert model.get_markersize() > 3.0  # few cells: dots that are seen
    assert not model.get_rasterized()
    # the model lies over the readings, these over the cells, and what was left out below all
    order = [
        drawn[name].get_zorder()
        for name in ("left out of the fit", "measured, left faster", "readings by hand")
    ]
    assert sorted({*order, model.get_zorder()}) == [*order, model.get_zorder()]


def test_nothing_by_hand_and_nothing_left_out_is_not_named(small: Characterisation) -> None:
    """Nor has a figure an entry for it."""
    evidence = small_evidence(used=np.arange(22) < 20)
    (_, figure) = evidence_figures(small.with_evidence(evidence), small_map())
    assert "by hand" not in figure.caption
    assert figure.table is not None
    assert {row[0] for row in figure.table.rows} == {"1, bias-sweep", "2, speed-sweep"}
    whole = small_evidence(used=np.ones(22, dtype=bool))
    axes = Figure().add_subplot()
    figures.recorded(whole, axes)
    assert "left out of the fit" not in by_label(axes)


def test_residuals_come_in_twelfths_of_the_cells() -> None:
    """24 cells at 0, 1, … 23 N·m: pairs; in four bins six each. Mean and root mean square by hand."""
    k = np.arange(24.0)
    evidence = small_evidence(
        run=np.zeros(24, dtype=np.int64), input_torque=k, used=np.ones(24, dtype=bool),
        locking=100.0 + np.where(k % 2, 3.0, -1.0), model=np.full(24, 100.0),
    )  # fmt: skip
    bins = residual_bins(evidence, "input_torque")
    assert bins.centre.tolist() == [2.0 * i + 0.5 for i in range(12)]
    assert bins.count.tolist() == [2] * 12
    assert bins.mean.tolist() == [1.0] * 12
    assert bins.rms == pytest.approx([np.sqrt(5.0)] * 12)  # (9 + 1)/2
    assert residual_bins(evidence, "input_torque", bins=4).centre.tolist() == [2.5, 8.5, 14.5, 20.5]


def test_residuals_are_drawn_with_their_noise_and_told_in_a_table(small: Characterisation) -> None:
    """Of 21 cells a twelfth is 0.5 rad/s twice, the next 2 and 4 rad/s; then 16 cells at 6 rad/s, half
    1.2 and half −0.4 N·m off: 0.40 N·m on the mean, √0.8 = 0.89 N·m rms; and one at 8 rad/s."""
    found = {figure.name: figure for figure in residual_figures(small.evidence)}
    assert list(found) == [
        "residual-input-torque", "residual-speed-difference", "residual-plate", "residual-time",
    ]  # fmt: skip
    figure = found["residual-speed-difference"]
    assert figure.title == "Residual over speed difference"
    assert figure.shows == (
        "Measured less modelled locking torque over speed difference; the means of the bins stay within 0.85 "
        "N·m of zero."
    )
    assert figure.caption == "Means of bins stay within 0.85 N·m of zero."
    assert figure.table is not None
    assert figure.table.caption == "Residual in bins of speed difference"
    assert figure.table.head == (
        "Centre, speed difference [rad/s]", "Cells [1]", "Mean of the residual [N·m]",
        "Root mean square [N·m]",
    )  # fmt: skip
    assert figure.table.rows == (
        ("0.5", "2", "+0.00", "1.50"),
        # 0.3 and −2 N·m off
        ("3", "2", "−0.85", "1.43"),
        ("6", "16", "+0.40", "0.89"),
        ("8", "1", "+0.50", "0.50"),
    )
    axes = Figure().add_subplot()
    figure.paint(axes)
    # the largest is 2 N·m: a twelfth and more of room; the noise, 2 · 0.7 N·m, is tinted
    assert axes.get_ylim() == pytest.approx((-2.16, 2.16))
    (tint,) = axes.patches
    assert (tint.get_y(), tint.get_height()) == pytest.approx((-1.4, 2.8))
    assert "± 2 σ of noise" in legend_of(axes)
    means = by_label(axes)["means of bins"]
    assert means.get_xdata().tolist() == [0.5, 3.0, 6.0, 8.0]
    assert means.get_zorder() > by_label(axes)["measured, left faster"].get_zorder()
    # large noise makes the room: 1.3 times 2 · 0.9 N·m
    figures.residuals(small_evidence(sigma=np.full(22, 0.9)), fresh := Figure().add_subplot(), over="plate")
    assert fresh.get_ylim() == pytest.approx((-2.34, 2.34))


def test_an_axis_that_stands_still_has_no_figure() -> None:
    """One temperature: one bin, nothing to see."""
    still = small_evidence(plate=np.full(22, 60.0))
    assert "residual-plate" not in {figure.name for figure in residual_figures(still)}


@pytest.mark.parametrize(("count", "many"), [(300, False), (301, True)])
def test_cells_become_a_picture_where_they_are_many(axes: Axes, count: int, many: bool) -> None:
    """More than three hundred, or where the caller says so; thinner then. By direction in colour and mark."""
    place = np.arange(float(count))
    draw_cells(axes, place, place, np.where(place == 5.0, -1.0, 1.0))
    left, right = axes.get_lines()
    for line, colour, mark in ((left, DIRECTION_COLOURS[1], "o"), (right, DIRECTION_COLOURS[-1], "x")):
        assert (line.get_color(), line.get_marker(), line.get_linestyle()) == (colour, mark, "None")
        assert line.get_rasterized() is many
        assert (line.get_alpha() < 1.0) is many
        assert line.get_markerfacecolor() == "none"
    assert right.get_xdata().tolist() == [5.0]
    draw_cells(fresh := Figure().add_subplot(), place, place, np.ones(count), named=False, dense=not many)
    (line,) = fresh.get_lines()
    assert line.get_rasterized() is not many
    assert line.get_label().startswith("_")


def ratio(torque: float, slope: float, off: float = 0.0) -> float:
    """SAE J2817: of T_high + T_low = |T_in| and T_high − T_low = T_lock the ratio of both."""
    locking = 80.0 + slope * abs(torque) + off
    return (abs(torque) + locking) / (abs(torque) - locking)


def test_torque_bias_stands_where_less_is_locked_than_comes_in(small: Characterisation) -> None:
    """80 + 0.4 |T| N·m is less than |T| beyond 133.3 N·m: at 400 N·m 240 N·m, a ratio of 640 to 160."""
    curve = bias_curve(small_map(), "loading", speed_difference=4.0, temperature=60.0)
    # every 3 N·m from −200 to 400, and the node that lies between, at zero
    assert curve.input_torque.size == 202
    assert curve.input_torque[:3].tolist() == [-200.0, -197.0, -194.0]
    meaning = np.isfinite(curve.value)
    assert curve.input_torque[~meaning].min() == -131.0
    assert curve.input_torque[~meaning].max() == 133.0
    assert curve.value[-1] == pytest.approx(4.0)
    assert curve.low[-1] == pytest.approx(ratio(400.0, 0.4, -3.919928))
    assert curve.high[0] == pytest.approx(ratio(200.0, 0.4, 3.919928))
    figure = next(iter(friction_page_figures(small, small_map())))
    assert (figure.name, figure.title) == ("torque-bias", "Torque bias ratio, at 60 °C and 4 rad/s")
    # 0.0625: a quarter of the way between 3.8804 and 4.1256 is its doubt
    assert figure.shows == (
        "Torque bias ratio over input torque at 60 °C and 4 rad/s, loading: 4.000 at 400 N·m."
    )
    assert figure.table is not None
    assert figure.table.head[1:3] == ("Loading [1]", "Loading, 95 % limits [1]")
    assert figure.table.rows[1][1:4] == ("none", "none", "no meaning")
    # at −200 N·m 160 ± 3.92 N·m: 356.08/43.92 to 363.92/36.08
    assert figure.table.rows[0][1:3] == ("9.00", "8.11 to 10.09")
    # unloading, at 400 N·m: 320 ± 3.92 N·m
    assert figure.table.rows[3][4:] == ("9.00", "8.53 to 9.52", "extrapolated")


def test_the_scale_of_torque_bias_is_that_of_its_middle(small: Characterisation, axes: Axes) -> None:
    """From four fifths of the least ratio, at 400 N·m, to three times the middle one; where nothing has a
    ratio that is said in the middle of the stretch, −131 to 133 N·m."""
    figures.torque_bias(small, small_map(), axes)
    places = [t for t in np.union1d(np.linspace(-200.0, 400.0, 201), TORQUE) if abs(t) > 400.0 / 3.0]
    middle = float(np.median([ratio(t, 0.4) for t in places]))
    assert axes.get_ylim() == pytest.approx((3.2, 3.0 * middle))
    assert axes.get_yscale() == "log"
    (tint,) = axes.patches
    assert (tint.get_x(), tint.get_width()) == pytest.approx((-131.0, 264.0))
    (text,) = axes.texts
    assert text.get_text() == "locks more\nthan comes in:\nno ratio"
    assert text.xy == (1.0, 0.5)
    assert text.get_zorder() > tint.get_zorder()
    # cells: 16 used ones of the sweep beyond the stretch, and three at 250 N·m
    cells = by_label(axes)["measured, left faster"]
    assert cells.get_zorder() > tint.get_zorder()
    assert np.isfinite(cells.get_ydata()).all()
    held = carried_cells(small, small_map(), speed_difference=4.0, temperature=60.0)
    assert held is not None
    effect = held.locking / np.abs(held.input_torque)
    here = (held.direction == 1.0) & (effect < 1.0)
    torque, locking = np.abs(held.input_torque[here]), held.locking[here]
    np.testing.assert_allclose(cells.get_ydata(), (torque + locking) / (torque - locking))


def over_fifty(result: Characterisation) -> Characterisation:
    """Tested from 50 to 110 °C: a node a kelvin, the reference at 60 °C among them."""
    tested = result.tested.model_copy(update={"temperature_degC": (50.0, 110.0)})
    return result.model_copy(update={"tested": tested}).with_evidence(result.evidence)


def page_figure(result: Characterisation, name: str) -> Any:
    return next(one for one in friction_page_figures(result, small_map()) if one.name == name)


def test_friction_over_temperature_is_told_in_thirteen_rows(small: Characterisation) -> None:
    """0.1104 (1 − 0.0015 (Θ − 60)), known within 1.96 · 0.1104 · 0.00008 |Θ − 60|: 0.112056 at 50 °C within
    0.000173, 0.10212 at 110 °C within 0.00087, and to the sixth place at the reference, where it is exact."""
    result = over_fifty(small)
    figure = page_figure(result, "friction-plate")
    assert figure.title == "Friction over plate temperature"
    assert figure.table.head == (
        "Plate temperature [°C]", "Friction coefficient [1]", "95 % of the course [1]",
    )  # fmt: skip
    assert [row[0] for row in figure.table.rows] == [str(50 + 5 * i) for i in range(13)]
    rows = figure.table.rows
    assert rows[0][1:] == ("0.112056", "0.111883 to 0.112229")
    assert rows[2][1:] == ("0.110400", "0.110400 to 0.110400")
    assert rows[-1][1:] == ("0.10212", "0.10125 to 0.10299")
    assert figure.shows == (
        "Friction over plate temperature: from 0.112056 at 50 °C to 0.10212 at 110 °C. "
        f"{friction_cells(result, 'plate').at.size} measured cells."
    )
    assert figure.caption == (
        "Each cell carried to the reference sliding speed by the fitted law. The band is that of the course; "
        "what scales all friction alike is the bar at the reference condition, 60 °C."
    )


def test_friction_without_a_size_is_told_as_relative(small: Characterisation) -> None:
    """1 at the reference sliding speed, ½ · 4 · 0.045 = 0.09 m/s; down to the slowest tested, 0.4 rad/s."""
    known = {k: v for k, v in small.parameters.items() if k != "friction_coefficient"}
    bare = small.model_copy(update={"parameters": known}).with_evidence(small.evidence)
    figure = page_figure(bare, "friction-sliding-speed")
    assert figure.table.head[:2] == ("Sliding speed [m/s]", "Friction, reference = 1 [1]")
    assert figure.table.rows[0][0] == "0.009"
    assert figure.table.rows[-1][0] == "0.225"
    assert figure.caption == (
        "Each cell carried to the reference plate temperature by the fitted law. 1 is the friction at the "
        "reference condition, 0.09 m/s: its size is not determined."
    )
    assert " at 0.009 m/s to " in figure.shows


def test_friction_is_drawn_with_room_and_its_size_at_the_reference(
    small: Characterisation, axes: Axes
) -> None:
    """No cells: the course from 0.112056 to 0.10212 and the bar of 0.1104 ± 1.959964 · 0.0038, with a
    fiftieth of the value as room on either side, or twelve hundredths of what is drawn, the larger."""
    bare = over_fifty(small)
    bare._evidence = None
    figures.friction(bare, axes, over="plate")
    assert axes.get_ylim() == pytest.approx((0.10212 - 0.002208, 0.1104 + 0.00744786 + 0.002208))
    (mark,) = axes.containers
    assert mark.lines[0].get_xydata().tolist() == [[60.0, 0.1104]]
    (segment,) = mark.lines[2][0].get_segments()
    assert segment[:, 1] == pytest.approx([0.1104 - 0.00744786, 0.1104 + 0.00744786])
    assert legend_of(axes) == ["95 % band", "fitted law", "reference, 95 %"]
    law = by_label(axes)["fitted law"]
    assert mark.lines[0].get_zorder() > law.get_zorder()
    assert axes.get_xscale() == "linear"
    assert axes.get_ylabel() == "friction coefficient [1]"
    # without a size: 0.925 to 1.015
    known = {k: v for k, v in bare.parameters.items() if k != "friction_coefficient"}
    figures.friction(
        bare.model_copy(update={"parameters": known}), fresh := Figure().add_subplot(), over="plate"
    )
    assert fresh.get_ylim() == pytest.approx((0.925 - 0.02, 1.015 + 0.02))
    assert legend_of(fresh) == ["95 % band", "fitted law", "reference"]
    # four times as steep: 0.7 to 1.06, 0.0432 of room; and never below zero
    steep = with_values(bare.model_copy(update={"parameters": known}), temperature_coefficient=-0.006)
    figures.friction(steep, fresh := Figure().add_subplot(), over="plate")
    assert fresh.get_ylim() == pytest.approx((0.7 - 0.0432, 1.06 + 0.0432))
    none = with_values(bare.model_copy(update={"parameters": known}), temperature_coefficient=-0.0198)
    figures.friction(none, fresh := Figure().add_subplot(), over="plate")
    assert fresh.get_ylim()[0] == 0.0
    figures.friction(bare, speed := Figure().add_subplot())
    assert speed.get_xscale() == "log"


def test_a_few_cells_far_off_do_not_press_the_course_flat(small: Characterisation, axes: Axes) -> None:
    """Of a thousand cells on the law five lie ten times as high: the scale takes no notice. One in a hundred
    and more it does, on either side."""
    count = 1000
    place = np.arange(count)
    bare = over_fifty(small)
    evidence = small_evidence(
        run=np.zeros(count, dtype=np.int64), time=place * 1.0, input_torque=np.full(count, 200.0),
        speed_difference=np.full(count, 4.0), direction=np.ones(count), oil=np.full(count, 60.0),
        plate=np.full(count, 60.0), loading=np.ones(count, dtype=bool), model=np.full(count, 160.0),
        locking=np.where(place < 5, 1600.0, 160.0), sigma=np.ones(count), used=np.ones(count, dtype=bool),
    )  # fmt: skip
    figures.friction(bare.with_evidence(evidence), axes, over="plate")
    assert axes.get_ylim()[1] < 0.13

    def scale(count: int, locking: float) -> tuple[float, float]:
        many = small_evidence(**{**vars(evidence), "locking": np.where(place < count, locking, 160.0)})
        figures.friction(bare.with_evidence(many), fresh := Figure().add_subplot(), over="plate")
        low, high = fresh.get_ylim()
        return low, high

    assert scale(11, 1600.0)[1] > 1.0
    assert scale(11, 5.2)[0] == 0.0
    assert scale(9, 5.2)[0] > 0.09


def test_cells_tell_friction_where_they_bear_a_load(small: Characterisation) -> None:
    """With friction alike everywhere m is measured over modelled clamping, less gears (0.02) and film. A cell
    with less than a tenth of the largest clamping says nothing."""
    plain = with_values(small, static_excess=0.0, temperature_coefficient=0.0, viscous=0.0)
    model = small.evidence.model.copy()
    torque = small.evidence.input_torque
    clamping = model - 0.02 * np.abs(torque)
    kept = np.flatnonzero(small.evidence.used & (small.evidence.run < 2))
    most = clamping[kept].max()
    model[8] = 0.1 * most - 1e-6 + 0.02 * abs(torque[8])
    model[9] = 0.1 * most + 1e-6 + 0.02 * abs(torque[9])
    few = plain.with_evidence(small_evidence(model=model))
    cells = friction_cells(few, "plate")
    assert cells is not None
    loaded = [i for i in kept if i != 8]
    assert cells.at.tolist() == small.evidence.plate[loaded].tolist()
    expected = (small.evidence.locking - 0.02 * np.abs(torque)) / (model - 0.02 * np.abs(torque))
    np.testing.assert_allclose(cells.value, expected[loaded])
    assert cells.direction.tolist() == small.evidence.direction[loaded].tolist()
    over = friction_cells(few, "sliding_speed")
    assert over is not None
    assert over.at == pytest.approx(0.0225 * small.evidence.speed_difference[loaded])
    nothing = plain.with_evidence(small_evidence(used=np.arange(22) >= 20))
    assert friction_cells(nothing, "plate") is None


def test_each_cell_is_carried_along_the_other_axis(small: Characterisation) -> None:
    """A cell on the law at 70 °C and 8 rad/s: over speed it stands where the law at 60 °C is, over
    temperature where that at 4 rad/s is; no oil measured counts as at the reference."""
    cells = {over: friction_cells(small, over) for over in ("plate", "sliding_speed")}
    evidence = small.evidence
    i = int(np.flatnonzero(evidence.used & (evidence.run < 2)).size - 1)  # the last of the sweeps
    curves = {over: friction_curve(small, over) for over in cells}
    for over in ("plate", "sliding_speed"):
        found, curve = cells[over], curves[over]
        assert found is not None
        law = np.interp(found.at[i], curve.at, curve.value)
        # 0.5 N·m of 181.22 N·m above the law, over what the plates alone make of it
        film, gears = 0.3 * 8.0, 0.02 * 251.8
        assert found.value[i] / law == pytest.approx(
            (181.22 - film - gears) / (180.72 - film - gears), rel=2e-4
        )


def test_curves_of_friction_reach_over_what_was_tested_and_the_reference(small: Characterisation) -> None:
    """61 nodes and the reference: 48 to 82 °C with 60; slower than the reference, or faster; at rest nothing
    slides."""
    heat = friction_curve(small, "plate").at
    assert (heat[0], heat[-1], heat.size) == (48.0, 82.0, 62)
    cold = small.model_copy(
        update={"tested": small.tested.model_copy(update={"temperature_degC": (70.0, 82.0)})}
    )
    assert friction_curve(cold, "plate").at[[0, -1]].tolist() == [60.0, 82.0]
    speed = friction_curve(small, "sliding_speed").at
    # ½ · 0.4 · 0.045 to ½ · 10 · 0.045, in ratios of 25 over sixty steps, and the reference, 0.09
    assert (speed[0], speed[-1], speed.size) == (pytest.approx(0.009), pytest.approx(0.225), 62)
    assert speed[1] / speed[0] == pytest.approx(25.0 ** (1.0 / 60.0))
    fast = small.tested.model_copy(update={"outline": [(-300.0, 0.0), (700.0, 8.0)]})
    rest = friction_curve(small.model_copy(update={"tested": fast}), "sliding_speed").at
    assert rest[[0, -1]] == pytest.approx([0.09, 0.18])
    assert reference_place(small, "plate") == 60.0


def test_forms_that_disagree_widen_the_band_of_friction(small: Characterisation) -> None:
    """Two forms that are exact and weigh alike, −0.001 and −0.003 of friction a kelvin: at 110 °C 0.1 apart,
    a variance of half of its square; the first is drawn. No friction is below zero."""
    (form,) = small.forms
    place = form.names.index("temperature_coefficient")
    exact = np.zeros((len(form.names), len(form.names))).tolist()

    def one(coefficient: float) -> Any:
        values = [coefficient if i == place else value for i, value in enumerate(form.values)]
        return form.model_copy(update={"values": values, "weight": 0.5, "covariance": exact})

    two = over_fifty(small).model_copy(update={"forms": [one(-0.001), one(-0.003)]})
    curve = friction_curve(two, "plate")
    assert curve.value[-1] == pytest.approx(0.95)
    assert curve.high[-1] - curve.value[-1] == pytest.approx(1.959964 * 0.1 * np.sqrt(0.5))
    steep = over_fifty(small).model_copy(update={"forms": [one(-0.001), one(-0.018)]})
    assert friction_curve(steep, "plate").low[-1] == 0.0


def test_runs_follow_one_another_in_time(small: Characterisation, axes: Axes) -> None:
    """80 s and 50 s, 3.9 s between them, three hundredths of all. Cells in order of time, whatever their
    order in the recording: the first sweep was recorded backwards."""
    assert run_starts(small.evidence) == [(0, 0.0, 80.0), (1, pytest.approx(83.9), 50.0)]
    figures.temperatures(small.evidence, axes)
    oil, plates = by_label(axes)["oil, measured"], by_label(axes)["plates, fitted"]
    assert plates.get_xdata().tolist() == [5.0 * i for i in range(17)]
    assert plates.get_ydata().tolist() == [63.0 - 0.5 * i for i in range(17)]
    assert oil.get_ydata().tolist() == [55.0] * 17
    assert plates.get_zorder() > oil.get_zorder()
    second = [line for line in axes.get_lines() if len(line.get_xdata()) == 3 and line.get_linestyle() == "-"]
    assert second[0].get_xdata().tolist() == pytest.approx([83.9, 87.9, 133.9])
    assert second[0].get_ydata().tolist() == [72.0, 70.0, 79.5]
    assert [text.get_text() for text in axes.texts] == ["run 1", "run 2"]
    assert [text.xy for text in axes.texts] == [(0.0, 1.0), (pytest.approx(83.9), 1.0)]
    assert legend_of(axes) == ["oil, measured", "plates, fitted"]
    assert axes.get_xlabel() == "time, runs one after another [s]"


def test_temperatures_and_heat_are_told_run_by_run(small: Characterisation) -> None:
    """Heat is half the locking torque times the speed difference: at −300 N·m 201.2 N·m · 6 rad/s / 2, 604 W;
    of the second run 180.3, 178.4 and 181.22 N·m at 2, 4 and 8 rad/s: 180, 357 and 725 W."""
    found = {figure.name: figure for figure in friction_page_figures(small, small_map())}
    heat, temperature = found["plate-heat"], found["temperatures"]
    assert temperature.table.head == (
        "Run", "Duration [s]", "Oil [°C]", "Plates [°C]", "Plates over oil, most [K]",
    )  # fmt: skip
    assert temperature.table.rows == (
        ("1, bias-sweep", "80", "55.0 to 55.0", "55.0 to 63.0", "8.0"),
        ("2, speed-sweep", "50", "not measured", "70.0 to 79.5", "not known"),
    )
    assert temperature.shows == "Temperatures of oil and plates over time; the plates reach 80 °C."
    locking = small.evidence.locking[:17]
    mean, most = 3.0 * locking.mean() / 1e3, 3.0 * locking.max() / 1e3
    assert heat.table.head == ("Run", "Duration [s]", "Mean over its cells [kW]", "Most [kW]")
    assert heat.table.rows == (
        ("1, bias-sweep", "80", f"{mean:.2f}", f"{most:.2f}"),
        ("2, speed-sweep", "50", "0.42", "0.72"),
    )
    # 340 N·m, the cell that the fit left out: 217.2 N·m · 3 rad/s
    assert heat.shows == "Heat made by the plates of both packs over time, up to 0.7 kW."
    axes = Figure().add_subplot()
    heat.paint(axes)
    assert legend_of(axes) == ["measured, left faster", "measured, right faster"]
    assert axes.get_ylim()[0] == 0.0
    (last,) = (line for line in axes.get_lines() if len(line.get_xdata()) == 3)
    assert last.get_ydata() == pytest.approx([0.3568, 0.1803, 0.72488])


def test_figures_of_measurement_are_left_out_without_sweeps(small: Characterisation) -> None:
    """No cells, or readings by hand alone: friction is the law's, time has no axis; a single torque has no
    bias, a single temperature no course."""
    bare = small.model_copy()
    bare._evidence = None
    names = [figure.name for figure in friction_page_figures(bare, small_map())]
    assert names == ["torque-bias", "friction-sliding-speed", "friction-plate"]
    hand = small.with_evidence(small_evidence(run=np.full(22, 2)))
    assert [f.name for f in friction_page_figures(hand, small_map())] == names
    still = bare.model_copy(
        update={"tested": bare.tested.model_copy(update={"temperature_degC": (60.0, 60.0)})}
    )
    assert [f.name for f in friction_page_figures(still, small_map())] == names[:2]
    turned = bare.model_copy(update={"tested": bare.tested.model_copy(update={"outline": []})})
    assert [f.name for f in friction_page_figures(turned, small_map())] == names[:1]


@pytest.mark.parametrize("draw", [figures.temperatures, figures.plate_heat])
def test_long_recordings_are_drawn_as_pictures(draw: Callable[..., Axes], axes: Axes) -> None:
    """Two runs of 151 cells are 302 marks; a run of oil is by itself."""
    count = 302
    place = np.arange(count)
    evidence = small_evidence(
        run=(place >= 151).astype(np.int64), run_kinds=("bias-sweep", "speed-sweep"), run_names=("a", "b"),
        time=place * 1.0, input_torque=place * 1.0, speed_difference=np.full(count, 4.0),
        direction=np.ones(count), oil=np.full(count, 60.0), plate=np.full(count, 61.0),
        loading=np.ones(count, dtype=bool), model=np.full(count, 160.0), locking=np.full(count, 160.0),
        sigma=np.ones(count), used=np.ones(count, dtype=bool),
    )  # fmt: skip
    draw(evidence, axes)
    marks = [line for line in axes.get_lines() if line.get_marker() == "o"]
    assert [bool(line.get_rasterized()) for line in marks] == [draw is figures.plate_heat] * 2
    one = small_evidence(**{**vars(evidence), "run": np.zeros(count, dtype=np.int64)})
    draw(one, fresh := Figure().add_subplot())
    (mark,) = (line for line in fresh.get_lines() if line.get_marker() == "o")
    assert mark.get_rasterized()
