"""The card's numbers, curve and sheet of paper, by hand."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.collections import LineCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from diffbench.answers import judge
from diffbench.report import Card, card_glossary, card_of, card_pdf, curve_map, limit_marks, say_in
from diffbench.report.locking_torque import BranchCurve, branch_curve
from diffbench.report.style import INK, STATE_COLOURS
from diffbench.results import Characterisation, LimitVerdict, LockingMap

BUILD = "K04-spring"


@pytest.fixture(scope="module")
def curve(complete: Characterisation) -> LockingMap:
    """The map of a card."""
    return curve_map(complete, BUILD)


def card(result: Characterisation, locking_map: LockingMap, **asked: Any) -> Card:
    return card_of(result, locking_map, judge([result]), **asked)


def numbers(result: Characterisation, locking_map: LockingMap, **asked: Any) -> list[tuple[str, ...]]:
    return [
        (one.name, one.value, one.interval, one.allowed, one.before)
        for one in card(result, locking_map, **asked).numbers
    ]


def with_parameter(result: Characterisation, name: str, **update: Any) -> Characterisation:
    changed = result.parameters[name].model_copy(update=update)
    made = result.model_copy(update={"parameters": {**result.parameters, name: changed}})
    return made.with_evidence(result.evidence)


def limit(quantity: str, low: float, high: float, **fields: Any) -> LimitVerdict:
    return LimitVerdict(quantity=quantity, low=low, high=high, unit="1", verdict="within", **fields)


def test_four_numbers_stand_on_a_card_with_what_is_allowed(
    complete: Characterisation, curve: LockingMap
) -> None:
    """83.2137 ± 1.96 · 1.2964 N·m and so on, at three digits or what the doubt leaves; the locking effect in
    per cent; limits of the preload alone are stated."""
    assert numbers(complete, curve) == [
        ("Preload torque", "83.2 N·m", "80.7 to 85.8", "allowed 75.0 to 95.0", ""),
        ("Ramp bias, drive", "0.450", "0.438 to 0.462", "", ""),
        ("Ramp bias, coast", "0.300", "0.292 to 0.308", "", ""),
        ("Locking effect, drive", "61.2 %", "59.8 to 62.6", "", ""),
    ]
    both = complete.model_copy(
        update={
            "limits": [
                limit("ramp_bias_drive[K04-other]", 0.1, 0.2),
                limit("ramp_bias_coast", 0.25, 0.35),
                limit(f"ramp_bias_coast[{BUILD}]", 0.28, 0.33),
            ]
        }
    )
    told = numbers(both, curve)
    assert [row[3] for row in told] == ["", "", "allowed 0.280 to 0.330", ""]


def test_a_number_that_is_not_there_is_said_or_left_out(
    complete: Characterisation, curve: LockingMap
) -> None:
    """What is not determined stands on no card, but where a limit asks for it; half an interval is none."""
    open_one = with_parameter(complete, "ramp_bias_drive_loading", value=None, u=None, low=None, high=None)
    assert [row[0] for row in numbers(open_one, curve)] == [
        "Preload torque", "Ramp bias, coast", "Locking effect, drive",
    ]  # fmt: skip
    asked = open_one.parameters["ramp_bias_drive_loading"]
    limited = complete.model_copy(
        update={
            "parameters": {**complete.parameters, "preload_torque_at_limit": asked},
            "limits": [limit("preload_torque", 75.0, 95.0, judged="preload_torque_at_limit")],
        }
    )
    assert numbers(limited, curve)[0] == ("Preload torque", "not determined", "", "allowed 75.0 to 95.0", "")
    half = with_parameter(complete, "ramp_bias_drive_loading", high=None)
    assert numbers(half, curve)[1][2] == ""
    half = with_parameter(complete, "ramp_bias_drive_loading", low=None)
    assert numbers(half, curve)[1][2] == ""
    known = {k: v for k, v in complete.parameters.items() if k != "ramp_bias_coast_loading"}
    bare = complete.model_copy(update={"parameters": known}).with_evidence(complete.evidence)
    assert [row[0] for row in numbers(bare, curve)] == [
        "Preload torque", "Ramp bias, drive", "Locking effect, drive",
    ]  # fmt: skip


def test_an_earlier_number_stands_beside_one_of_the_same_place(
    complete: Characterisation, curve: LockingMap
) -> None:
    """Each by its own; where both are quoted at other torques they are not one number."""
    earlier = with_parameter(complete, "preload_torque", value=91.26, u=1.31)
    earlier = with_parameter(earlier, "locking_effect_drive", at_input_torque_Nm=650.0)
    told = numbers(complete, curve, before=(earlier, curve))
    assert [row[4] for row in told] == ["91.3 N·m", "0.450", "0.300", ""]
    place = with_parameter(complete, "locking_effect_drive", at_input_torque_Nm=650.4)
    told = numbers(place, curve, before=(earlier, curve))
    assert (told[3][0], told[3][4]) == ("Locking effect, drive · 650 N·m", "61.2 %")
    assert card(complete, curve, before=(earlier, curve)).before_date == "2026-03-14"
    assert card(complete, curve).before_date == ""


@pytest.mark.parametrize(
    ("place", "name"),
    [
        ({"at_temperature_degC": 24.64}, "Preload torque · 24.6 °C"),
        ({"at_temperature_degC": 24.64, "at_input_torque_Nm": 9.96}, "Preload torque · 24.6 °C · 10 N·m"),
        ({"at_input_torque_Nm": -3.14}, "Preload torque · −3.1 N·m"),
        ({"at_input_torque_Nm": 10.0}, "Preload torque · 10 N·m"),
        ({"at_input_torque_Nm": -703.6}, "Preload torque · −704 N·m"),
    ],
)
def test_a_number_says_where_it_is_quoted(
    complete: Characterisation, curve: LockingMap, place: dict[str, float], name: str
) -> None:
    """Three digits of a temperature, two of a small torque, whole newton metres."""
    told = numbers(with_parameter(complete, "preload_torque", **place), curve)[0][0]
    assert told.replace("-", "−") == name


def straight(low: float, high: float) -> BranchCurve:
    """80 N·m and 0.4 of the input torque, from one torque to another."""
    torque = np.array([low, 0.0, high]) if low < 0.0 < high else np.array([low, high])
    value = 80.0 + 0.4 * np.abs(torque)
    return BranchCurve(torque, value, value, value, np.ones(torque.size, dtype=bool))


def test_limits_lie_where_the_curve_would(complete: Characterisation) -> None:
    """P = 83.2137 N·m: 75 to 95 N·m are −8.2137 and 11.7863 N·m off, at no torque. K = 0.45012 and 0.30022:
    each by the torque at its end. Limits of other quantities and of other builds have no place."""
    limits = [
        limit("preload_torque", 75.0, 95.0), limit("ramp_bias_drive", 0.4, 0.5),
        limit(f"ramp_bias_coast[{BUILD}]", 0.28, 0.35), limit("ramp_bias_drive[other]", 0.1, 0.2),
        limit("spring_force", 1.0, 2.0),
    ]  # fmt: skip
    result = complete.model_copy(update={"limits": limits})
    preload, drive, coast = limit_marks(result, BUILD, straight(-300.0, 700.0))
    assert (preload.at, preload.low, preload.high) == pytest.approx((0.0, 80.0 - 8.2137, 80.0 + 11.7863))
    assert (drive.at, drive.low, drive.high) == pytest.approx(
        (700.0, 360.0 - 0.05012 * 700.0, 360.0 + 0.04988 * 700.0)
    )
    assert (coast.at, coast.low, coast.high) == pytest.approx(
        (-300.0, 200.0 - 0.02022 * 300.0, 200.0 + 0.04978 * 300.0)
    )
    # a curve that ends at no torque has no place for the bias of that flank
    assert [mark.at for mark in limit_marks(result, BUILD, straight(0.0, 700.0))] == [0.0, 700.0]
    open_one = with_parameter(result, "ramp_bias_drive_loading", value=None)
    assert [mark.at for mark in limit_marks(open_one, BUILD, straight(-300.0, 700.0))] == [0.0, -300.0]


def test_the_curve_of_a_card_reaches_over_the_test(complete: Characterisation, curve: LockingMap) -> None:
    """31 nodes from −300 to 700 N·m, zero among them, at the reference condition alone."""
    torque, speed, heat = curve.axes
    assert (torque[0], torque[-1], torque.size) == (-300.0, 700.0, 31)
    assert 0.0 in torque
    assert torque[1] == pytest.approx(-300.0 + 1000.0 / 30.0)
    assert (speed.tolist(), heat.tolist()) == ([4.0], [60.0])
    figure = card(complete, curve).figure
    assert figure is not None
    loading = branch_curve(curve, "loading", speed_difference=4.0, temperature=60.0).value
    zero = int(np.flatnonzero(torque == 0.0)[0])
    assert figure.shows == (
        f"Locking torque in N·m at 60 °C, 4 rad/s: {loading[0]:.0f} at −300 N·m, {loading[zero]:.0f} at 0 "
        f"N·m, "
        f"{loading[-1]:.0f} at 700 N·m"
    )
    assert figure.title == "Locking torque at 60 °C, 4 rad/s"
    assert figure.size == (4.5, 2.5)


def test_the_curve_is_drawn_with_its_limits_and_what_it_was(
    complete: Characterisation, curve: LockingMap
) -> None:
    """Solid while the torque rises and dashed while it falls; before in colour between them and the band; a
    bracket for each limit, a fortieth of the axis to either side."""
    limits = [*complete.limits, limit("ramp_bias_drive", 0.4, 0.5)]
    result = complete.model_copy(update={"limits": limits}).with_evidence(complete.evidence)
    figure = card(result, curve, before=(complete, curve)).figure
    assert figure is not None
    axes: Axes = Figure().add_subplot()
    figure.paint(axes)
    lines = {str(line.get_label()): line for line in axes.get_lines()}
    rises, falls, before = lines["torque rises"], lines["torque falls"], lines["before"]
    assert (rises.get_linestyle(), falls.get_linestyle(), before.get_linestyle()) == ("-", "--", "-.")
    assert rises.get_linewidth() > before.get_linewidth() > falls.get_linewidth()
    assert before.get_color() == STATE_COLOURS["before"]
    assert (falls.get_ydata() >= rises.get_ydata() - 1e-9).all()
    bars = [one for one in axes.collections if isinstance(one, LineCollection)]
    preload, at_preload, drive, at_drive = ([s.tolist() for s in one.get_segments()] for one in bars)
    marks = limit_marks(result, BUILD, branch_curve(curve, "loading", speed_difference=4.0, temperature=60.0))
    for mark, (upright,), ends in zip(marks, (preload, drive), (at_preload, at_drive), strict=True):
        assert upright == [[mark.at, mark.low], [mark.at, mark.high]]
        assert ends == [[[mark.at - 25.0, end], [mark.at + 25.0, end]] for end in (mark.low, mark.high)]
    assert {to_hex(one.get_colors()[0]) for one in bars} == {STATE_COLOURS["after"]}
    assert bars[1].get_linewidth()[0] > bars[0].get_linewidth()[0]
    assert bars[0].get_zorder() > rises.get_zorder() > before.get_zorder()
    assert [text.get_text() for text in axes.get_legend().get_texts()] == [
        "torque rises", "torque falls", "95 % band", "before", "limits",
    ]  # fmt: skip
    assert axes.get_ylim()[0] == 0.0
    assert axes.get_xlabel() == "input torque [N·m]: coast | drive"
    plain = card(complete, curve).figure
    assert plain is not None
    plain.paint(alone := Figure().add_subplot())
    assert "before" not in [text.get_text() for text in alone.get_legend().get_texts()]


def sheet_of(one: Card, monkeypatch: pytest.MonkeyPatch) -> Figure:
    """The sheet as it goes to paper."""
    kept: list[Figure] = []
    printed = FigureCanvasPdf.print_pdf

    def print_pdf(canvas: FigureCanvasPdf, *words: Any, **asked: Any) -> None:
        kept.append(canvas.figure)
        printed(canvas, *words, **asked)

    monkeypatch.setattr(FigureCanvasPdf, "print_pdf", print_pdf)
    assert card_pdf(one).startswith(b"%PDF")
    return kept[0]


def places(sheet: Figure) -> list[tuple[str, float, float, float]]:
    """Texts with their size, and how far they are from the left and from the top [inch]."""
    return [
        (t.get_text(), t.get_size(), t.get_position()[0] * 8.27, (1.0 - t.get_position()[1]) * 11.69)
        for t in sheet.texts
    ]


def test_a_sheet_is_set_from_the_top_down(
    complete: Characterisation, curve: LockingMap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On A4 with 0.7 inch of margin: a line is 1.3 of its size high and 0.3 more below its text; rules stand
    0.03 inch below, and 0.2 inch on; numbers by two, 1.25 inch a row; the hash at the foot."""
    earlier = with_parameter(complete, "preload_torque", value=91.26, u=1.31)
    sheet = sheet_of(card(complete, curve, before=(earlier, curve)), monkeypatch)
    assert sheet.get_size_inches().tolist() == [8.27, 11.69]
    told = places(sheet)
    down, expected = 0.7, []

    def line(text: str, size: float) -> None:
        nonlocal down
        expected.append((text, size, 0.7, pytest.approx(down)))
        down += 1.6 * size / 72.0

    line("Unit K04", 26)
    line("Build K04-spring, tested 2026-03-14", 13)
    rules = [down + 0.03]
    down += 0.2
    line("Good", 30)
    line("Preload torque: 83.2 N·m. That is inside its limits.", 14)
    line("Next: Nothing to do.", 16)
    rules.append(down + 0.03)
    down += 0.2
    half = 0.5 * (8.27 - 1.4)
    rows = [
        (("Preload torque", "83.2 N·m"), ("allowed 75.0 to 95.0", "before 91.3 N·m", "95 %: 80.7 to 85.8")),
        (("Ramp bias, drive", "0.450"), ("before 0.450", "95 %: 0.438 to 0.462")),
        (("Ramp bias, coast", "0.300"), ("before 0.300", "95 %: 0.292 to 0.308")),
        (("Locking effect, drive", "61.2 %"), ("before 61.2 %", "95 %: 59.8 to 62.6")),
    ]
    for i, ((name, value), beside) in enumerate(rows):
        left = pytest.approx(0.7 + half * (i % 2))
        expected.append((name, 11, left, pytest.approx(down)))
        expected.append((value, 20, left, pytest.approx(down + 0.2)))
        expected += [(text, 10, left, pytest.approx(down + 0.56 + 0.18 * j)) for j, text in enumerate(beside)]
        down += 1.25 * (i % 2)
    # the curve: 0.45 inch for its legend, at most 3.6 high, 1.1 above the margin at the foot; 0.5 to its
    # title
    top = down + 0.45
    high = min(11.69 - 0.7 - 1.1 - top, 3.6)
    (axes,) = sheet.axes
    box = axes.get_position()
    assert (box.x0 * 8.27, box.width * 8.27) == pytest.approx((1.35, 8.27 - 1.4 - 0.75))
    assert ((1.0 - box.y1) * 11.69, box.height * 11.69) == pytest.approx((top, high))
    down = top + high + 0.5
    line("Locking torque at 60 °C, 4 rad/s; before: 2026-03-14", 10)
    down = 11.69 - 0.7 - 0.1
    expected.append((f"Full result, SHA-256: {complete.digest}", 8, 0.7, pytest.approx(down)))
    assert told == expected
    first, second = (one for one in sheet.get_children() if isinstance(one, Line2D))
    assert [line.get_linewidth() for line in (first, second)] == [4.0, 1.0]
    for line_of, level in zip((first, second), rules, strict=True):
        assert line_of.get_xdata() == pytest.approx([0.7 / 8.27, 1.0 - 0.7 / 8.27])
        assert line_of.get_ydata() == pytest.approx([1.0 - level / 11.69] * 2)
        assert line_of.get_color() == INK
    weights = {text.get_text(): text.get_weight() for text in sheet.texts}
    assert [weights[text] for text in ("Unit K04", "Good", "83.2 N·m", "Preload torque")] == [
        "bold", "bold", "bold", "normal",
    ]  # fmt: skip


def test_a_short_card_has_a_curve_of_at_most_so_high(
    complete: Characterisation, curve: LockingMap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two numbers leave room: 3.6 inches, and no more. Three take two rows all the same."""
    kept = {k: complete.parameters[k] for k in ("preload_torque", "ramp_bias_drive_loading")}
    bare = complete.model_copy(update={"parameters": kept}).with_evidence(complete.evidence)
    (axes,) = sheet_of(card(bare, curve), monkeypatch).axes
    assert axes.get_position().height * 11.69 == pytest.approx(3.6)
    first = (1.0 - axes.get_position().y1) * 11.69
    kept = {**kept, "ramp_bias_coast_loading": complete.parameters["ramp_bias_coast_loading"]}
    three = complete.model_copy(update={"parameters": kept}).with_evidence(complete.evidence)
    (axes,) = sheet_of(card(three, curve), monkeypatch).axes
    assert (1.0 - axes.get_position().y1) * 11.69 == pytest.approx(first + 1.25)


def test_a_long_text_is_wrapped_within_the_margins(
    complete: Characterisation, curve: LockingMap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between words, or after any sign where there are none; each line as long as it can be."""
    words = "seventeen washers and a spring of unknown origin from a box of parts"
    named = complete.model_copy(update={"unit": words}).with_evidence(complete.evidence)
    sheet = sheet_of(card(named, curve), monkeypatch)
    (size,) = {t.get_size() for t in sheet.texts if t.get_text().startswith("Unit ")}
    lines = [text for text in sheet.texts if text.get_size() == size]
    shown = " ".join(text.get_text() for text in lines)
    assert shown == f"Unit {words[:57]}..."
    agg = FigureCanvasAgg(sheet).get_renderer()
    wide = [text.get_window_extent(agg).width / sheet.dpi for text in lines]
    assert max(wide) <= 8.27 - 1.4 + 0.05
    assert len(lines) > 1
    # what begins the next line would not have fitted
    for one, following in itertools.pairwise(lines):
        here = one.get_text()
        one.set_text(f"{here} {following.get_text().split(' ')[0]}")
        assert one.get_window_extent(agg).width / sheet.dpi > 8.27 - 1.4 - 0.05
        one.set_text(here)
    signs = complete.model_copy(update={"unit": "W" * 60}).with_evidence(complete.evidence)
    sheet = sheet_of(card(signs, curve), monkeypatch)
    told = [text.get_text() for text in sheet.texts if text.get_size() == size]
    assert told == ["Unit", "W" * 60]


def test_cautions_stand_on_the_sheet(
    doubtful: Characterisation, curve: LockingMap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Below the one thing to do, in the size of the reasons."""
    one = card(doubtful, curve)
    assert one.judged.caution
    sheet = sheet_of(one, monkeypatch)
    (caution,) = (text for text in sheet.texts if text.get_text().startswith("Caution: "))
    (step,) = (text for text in sheet.texts if text.get_text().startswith("Next: "))
    assert caution.get_size() == 14
    assert caution.get_position()[1] < step.get_position()[1]


def test_words_lie_beside_what_they_name() -> None:
    """The sketch of an invented unit: its letters by the curves, a bar for the preload's limits, a dotted
    corner for the bias: 180 to 280 N·m over 200 N·m, 0.5."""
    table, sketch = card_glossary(say_in("en"))
    assert sketch.size == (4.5, 2.9)
    assert table.head == ("Word", "Meaning", "Measured in", "In the drawing")
    axes: Axes = Figure().add_subplot()
    sketch.paint(axes)
    rising, falling, corner = axes.get_lines()[:3]
    assert rising.get_xydata().tolist() == [[-200.0, 140.0], [0.0, 80.0], [400.0, 280.0]]
    assert falling.get_xydata().tolist() == [[-200.0, 160.0], [0.0, 80.0], [400.0, 350.0]]
    assert rising.get_linewidth() > falling.get_linewidth()
    across, up = corner.get_xdata(), corner.get_ydata()
    # along the rising line, across and up
    assert np.interp(across, *rising.get_xydata().T)[[0, 2]].tolist() == [up[0], up[2]]
    assert (across[1], up[1]) == (across[2], up[0])
    at = {text.get_text(): text.get_position() for text in axes.texts}
    assert sorted(at) == list("ABCDEFG")

    def above(letter: str, line: Any) -> float:
        x, y = at[letter]
        return float(y - np.interp(x, *line.get_xydata().T))

    upright, ends = (one for one in axes.collections if isinstance(one, LineCollection))
    (bar,) = (s.tolist() for s in upright.get_segments())
    assert bar == [[0.0, 55.0], [0.0, 105.0]]
    assert [s.tolist() for s in ends.get_segments()] == [[[-16.0, y], [16.0, y]] for y in (55.0, 105.0)]
    # E over the rising line, F over the falling one, by no more than a letter's height
    assert 10.0 < above("E", rising) < 25.0
    assert 10.0 < above("F", falling) < 30.0
    assert above("F", rising) > 0.0
    # C beside the bar, between its ends; G above and left of it; D right of the corner, half way up
    assert -40.0 < at["C"][0] < -20.0
    assert 55.0 < at["C"][1] < 65.0
    assert -45.0 < at["G"][0] < -20.0
    assert 110.0 < at["G"][1] < 130.0
    assert 420.0 < at["D"][0] < 440.0
    assert at["D"][1] == pytest.approx(230.0, abs=10.0)
    # A beside the axis upward, B above the axis across, both within the drawing
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    assert left < at["A"][0] < left + 20.0
    assert 200.0 < at["A"][1] < 260.0
    assert 90.0 < at["B"][0] < 105.0
    assert low < at["B"][1] < 15.0
    assert max(x for x, _ in at.values()) < right
    assert high == pytest.approx(380.0)
    assert (left, right) == (-250.0, 440.0)
