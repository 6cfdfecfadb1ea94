"""The words of a page and of a card, where they lie in the drawing, and a ladder of shims as it is drawn."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from diffbench import figures
from diffbench.report import ladder_figure
from diffbench.report.glossary import card_glossary, glossary_figure, glossary_table
from diffbench.report.messages import english


@pytest.fixture
def axes() -> Axes:
    """Axes of their own figure."""
    return Figure(figsize=(5, 4)).add_subplot()


def letters(axes: Axes) -> dict[str, tuple[float, float]]:
    return {text.get_text(): text.get_position() for text in axes.texts}


def test_every_letter_of_the_words_is_in_the_drawing(axes: Axes) -> None:
    """Of a page and of a card, which leaves out what no card shows."""
    glossary_figure().paint(axes)
    assert set(letters(axes)) == {row[3] for row in glossary_table().rows} - {""}
    table, figure = card_glossary(english)
    assert [row[0] for row in table.rows] == [
        "locking torque", "input torque", "preload torque", "ramp bias", "torque rises", "torque falls",
        "limits", "drive, coast", "locking effect", "95 % interval", "speed difference", "shim",
        "fingerprint",
    ]  # fmt: skip
    assert "".join(row[3] for row in table.rows) == "ABCDEFGB"
    assert table.head == ("Word", "Meaning", "Measured in", "In the drawing")
    assert (figure.name, figure.size) == ("words", (4.5, 2.9))
    assert figure.table is None
    assert figure.shows == "Locking torque over input torque: the preload at zero, more with torque."


def test_the_sketch_is_a_unit_by_hand(axes: Axes) -> None:
    """80 N·m of preload; while the torque rises 0.5 of it in drive, 0.3 in coast; its table says the same."""
    figure = glossary_figure()
    figure.paint(axes)
    rises, falls, slope, zero = axes.get_lines()
    assert list(rises.get_xdata()) == list(falls.get_xdata()) == [-200.0, 0.0, 400.0]
    assert list(rises.get_ydata()) == [80.0 + 0.3 * 200.0, 80.0, 80.0 + 0.5 * 400.0]
    assert list(falls.get_ydata()) == [160.0, 80.0, 350.0]
    assert (rises.get_linestyle(), falls.get_linestyle(), slope.get_linestyle()) == ("-", "--", ":")
    assert zero.get_xdata() == [0.0, 0.0]
    # the step whose height over its length is the ramp bias ends on the curve
    assert list(zip(slope.get_xdata(), slope.get_ydata(), strict=True)) == [
        (200.0, 180.0), (400.0, 180.0), (400.0, 280.0),
    ]  # fmt: skip
    # limits about the preload, with a bar across either end
    stem, bars = (collection.get_segments() for collection in axes.collections)
    assert np.array(stem).tolist() == [[[0.0, 55.0], [0.0, 105.0]]]
    assert np.array(bars).tolist() == [[[-16.0, end], [16.0, end]] for end in (55.0, 105.0)]
    assert figure.table is not None
    assert figure.table.rows == (("−200", "140", "160"), ("0", "80", "80"), ("400", "280", "350"))
    assert (axes.get_xlabel(), axes.get_ylabel()) == (
        "input torque [N·m]: coast | drive",
        "locking torque [N·m]",
    )
    assert (figure.name, figure.size, figure.title) == (
        "words", (4.5, 2.9), "Where the words lie on the curve of an invented unit",
    )  # fmt: skip


def test_each_letter_stands_by_what_it_names(axes: Axes) -> None:
    """Nearer than a letter is high, some 20 N·m, and not on it."""
    glossary_figure().paint(axes)
    at = letters(axes)
    (left, right), (foot, top) = axes.get_xlim(), axes.get_ylim()
    assert foot == 0.0
    assert 15.0 < at["A"][0] - left < 20.0  # locking torque: its axis
    assert 200.0 < at["A"][1] < 270.0
    assert 10.0 < at["B"][1] - foot < 15.0  # input torque: its axis
    assert 50.0 < at["B"][0] < 105.0
    # preload: beside the lower part of what stands at zero, left of the bars
    assert -16.0 - 20.0 < at["C"][0] < -16.0 - 10.0
    assert 55.0 < at["C"][1] < 65.0
    # ramp bias: right of the middle of its step
    assert 20.0 < at["D"][0] - 400.0 < right - 400.0 < 45.0
    assert at["D"][1] == pytest.approx(230.0, abs=10.0)
    # above either curve
    assert 10.0 < at["E"][1] - (80.0 + 0.5 * at["E"][0]) < 20.0
    assert 15.0 < at["F"][1] - (80.0 + 0.675 * at["F"][0]) < 25.0
    # limits: over the left end of the upper bar
    assert 20.0 < -16.0 - at["G"][0] < 27.0
    assert 15.0 < at["G"][1] - 105.0 < 20.0
    assert 25.0 < top - 350.0 < 40.0
    assert all(text.get_fontsize() == 13.5 for text in axes.texts)


def test_a_ladder_of_shims_is_drawn_with_its_rates(synthetic: ModuleType, axes: Axes) -> None:
    """83.2, 97.4 and again 97.4 N·m with 0, 0.2 and 0.2 mm: one rate at the middle of its step, below and
    to the right; an eighth of the span to either side, ticks at the shims."""
    both = synthetic.two_builds()
    first, second = both.builds
    builds = [
        second.model_copy(update={"shim_m": 2e-4}), first.model_copy(update={"shim_m": 0.0}),
        second.model_copy(update={"build": "K04-again", "shim_m": 2e-4}),
    ]  # fmt: skip
    known = dict(both.parameters)
    known["preload_torque[K04-again]"] = known["preload_torque[K04-shim]"]
    result = both.model_copy(update={"builds": builds, "parameters": known})
    figures.shim_ladder(result, axes, limits=(75.0, 95.0))
    (rate,) = axes.texts
    assert rate.get_text() == "71 N·m/mm"
    assert rate.xy == pytest.approx((0.1, 0.5 * (83.2137 + 97.41)), abs=0.1)
    assert rate.get_position() == (8, -12)
    line = axes.get_lines()[0]
    assert line.get_xdata() == pytest.approx([0.0, 0.2, 0.2])
    assert axes.get_xlim() == pytest.approx((-0.024, 0.224))
    assert [text.get_text() for text in axes.get_xticklabels()] == ["0", "0.2"]
    (band,) = axes.patches
    assert (band.get_y(), band.get_height()) == (75.0, 20.0)
    legend = [text.get_text() for text in axes.get_legend().get_texts()]
    assert legend == ["limits of the build sheet", "measured, 95 % interval"]
    made = ladder_figure(result)
    assert made is not None
    assert made.size == (4.5, 3.3)
    assert made.shows == "Preload torque over shims: 83.2 ± 1.3 N·m at 0 mm to 97.4 ± 1.4 N·m at 0.2 mm."
    assert [row[:3] for row in made.table.rows] == [
        ("0", "K04-spring", "83.2 ± 1.3"),
        *(("0.2", build, "97.4 ± 1.4") for build in ("K04-shim", "K04-again")),
    ]  # fmt: skip
    made.paint(other := Figure().add_subplot())
    limited = bool(other.patches)
    assert limited is bool({limit.quantity for limit in result.limits} & {"preload_torque"})
    # one shim twice over is none; a span of a hundredth of a millimetre keeps its room
    same = result.model_copy(update={"builds": [b.model_copy(update={"shim_m": 2e-4}) for b in builds]})
    assert ladder_figure(same) is None
    near = [b.model_copy(update={"shim_m": s}) for b, s in zip(builds, (1e-5, 0.0, 1e-5), strict=True)]
    figures.shim_ladder(result.model_copy(update={"builds": near}), narrow := Figure().add_subplot())
    assert narrow.get_xlim() == pytest.approx((-0.012, 0.022))
    assert not narrow.patches
