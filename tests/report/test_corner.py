"""Corner entry and map arithmetic as text and as figures, on results made by hand."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from diffbench.answers import CornerEntry, Interval, PhaseResult, Rung, SlipVerdict, TorqueSplit
from diffbench.figures import kept, yaw_moments
from diffbench.report import (
    corner_document,
    corner_figure,
    put_picture,
    slip_document,
    split_document,
    text_of,
)
from diffbench.report.style import INK, SCALE_STOPS
from diffbench.report.trackside import (
    corner_figures,
    interval_cell,
    reading_document,
    rebuild_document,
    standing,
)


def phase(name: str, share: float, **changes: Any) -> PhaseResult:
    """A phase at 2 rad/s free rolling that keeps a share, give or take a hundredth."""

    def around(value: float, by: float) -> Interval:
        return Interval(value, value - by, value + by)

    made = PhaseResult(
        phase=name,
        entry=True,
        branch="mean",
        input_torque=-120.0,
        temperature=80.0,
        free_difference=2.0,
        speed_difference=around(2.0 * share, 0.02),
        share_kept=around(share, 0.01),
        locking_torque=around(130.0, 3.0),
        yaw_moment=around(315.0, 6.0),
        outer_force=around(-800.4, 8.0),
        inner_force=around(-379.6, 8.0),
        left_force=None,
        right_force=None,
        yaw_moment_to_the_left=None,
        state="slipping",
        sliding=None,
        tested=True,
        beyond=False,
    )
    return dataclasses.replace(made, **changes)


def entry(**changes: Any) -> CornerEntry:
    """A unit as built and a rung that is predicted."""
    locked = {"state": "not proven", "sliding": "outer", "tested": False}
    drive = {"entry": False, "input_torque": 260.0}
    mean = Interval(0.6, 0.59, 0.61)
    rungs = (
        Rung(
            "as built, 82 N·m",
            "Q17",
            "Q17-a",
            None,
            (phase("turn-in", 0.6), phase("apex", 0.3, **locked), phase("throttle", 0.5, **drive)),
            mean,
            Interval(1.2, 1.18, 1.22),
        ),
        Rung(
            "120 N·m",
            "Q17",
            "Q17-a",
            "preload torque 120 N·m instead of 82 N·m",
            (phase("turn-in", 0.5), phase("apex", 0.1, **locked), phase("throttle", 0.4, **drive)),
            mean,
            Interval(1.0, 0.98, 1.02),
        ),
    )
    return dataclasses.replace(CornerEntry("Car", True, rungs), **changes)


SUMMARY = """\
Corner entry, Car; unit Q17, build Q17-a

turn-in: 120 N·m engine braking at the case, 80 °C, mean branch; free rolling 2 rad/s
                      kept [%]             yaw moment [N·m]  outer, inner [N]  wheels
  as built, 82 N·m    60.0 (59.0 to 61.0)  315 (309 to 321)  -800, -380        slipping
  120 N·m, predicted  50.0 (49.0 to 51.0)  315 (309 to 321)  -800, -380        slipping

apex: 120 N·m engine braking at the case, 80 °C, mean branch; free rolling 2 rad/s
                      kept [%]             yaw moment [N·m]  outer, inner [N]  wheels
  as built, 82 N·m    30.0 (29.0 to 31.0)  315 (309 to 321)  -800, -380        locked or not: not
                                                                               proven, outer tyre
                                                                               slides, NOT tested
  120 N·m, predicted  10.0 (9.0 to 11.0)   315 (309 to 321)  -800, -380        locked or not: not
                                                                               proven, outer tyre
                                                                               slides

throttle: 260 N·m drive at the case, 80 °C, mean branch; free rolling 2 rad/s
                      kept [%]             yaw moment [N·m]  outer, inner [N]  wheels
  as built, 82 N·m    50.0 (49.0 to 51.0)  315 (309 to 321)  -800, -380        slipping
  120 N·m, predicted  40.0 (39.0 to 41.0)  315 (309 to 321)  -800, -380        slipping

Mean over the entry (turn-in, apex; weighted by duration)
                      kept [%]             speed difference [rad/s]
  as built, 82 N·m    60.0 (59.0 to 61.0)  1.200 (1.180 to 1.220)
  120 N·m, predicted  60.0 (59.0 to 61.0)  1.000 (0.980 to 1.020)

kept: wheel-speed difference, share of free rolling. yaw moment: against the turn. outer, inner:
longitudinal force of each tyre, forward positive. In brackets 95 % of map and car. Indicative:
steady state, linear tyres, no camber. The car states no u: it counts as exact. Predicted: by the
fitted law, not measured."""


def test_the_whole_text() -> None:
    """Regression, beside the tests of the numbers themselves: what a person reads."""
    assert text_of(corner_document(entry()), 100) == SUMMARY


def test_one_point_has_no_mean_and_names_are_printable() -> None:
    """A steering character of a file reaches no terminal; nothing predicted, nothing said of it."""
    first = entry().rungs[0]
    one = dataclasses.replace(first, phases=(phase("a\x1b[31m", 0.6),))
    text = text_of(corner_document(entry(rungs=(one,), timed=False, car="Car\x1b[2J")), 100)
    assert "\x1b" not in text
    assert "Mean over" not in text
    assert "redicted" not in text


def test_figures_draw_every_unit_in_every_phase() -> None:
    """Axes in, the same axes out; marks where the numbers are, and 95 % as bars."""
    for draw, values in ((kept, [60.0, 30.0, 50.0]), (yaw_moments, [315.0] * 3)):
        axes: Axes = Figure().add_subplot()
        assert draw(entry(), axes) is axes
        assert [label.get_text() for label in axes.get_xticklabels()] == ["turn-in", "apex", "throttle"]
        assert "[" in axes.get_ylabel()
        legend = axes.get_legend()
        assert legend is not None
        assert [t.get_text() for t in legend.get_texts()] == ["as built, 82 N·m", "120 N·m, predicted"]
        built, predicted = (container.lines[0] for container in axes.containers)
        assert built.get_ydata() == pytest.approx(values, abs=1e-12)
        # told apart without colour: predicted marks are open, and of another shape
        assert built.get_markerfacecolor() == built.get_color()
        assert predicted.get_markerfacecolor() == "white"
        assert built.get_marker() != predicted.get_marker()
        assert (built.get_xdata() < predicted.get_xdata()).all()
        bars = axes.containers[0].lines[2][0].get_segments()
        assert bars[0][1][1] - bars[0][0][1] == pytest.approx(2.0 if draw is kept else 12.0, rel=1e-12)


@pytest.mark.parametrize(("kind", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_a_picture_is_of_its_kind(tmp_path: Path, kind: str, start: bytes) -> None:
    path = tmp_path / f"picture.{kind}"
    put_picture(corner_figure(entry()), path)
    assert path.read_bytes().startswith(start)


def test_a_slip_verdict_in_words() -> None:
    found = SlipVerdict(
        40.0, 160.0, 200.0, 120.0, Interval(226.0, 222.0, 230.0), 0.5, "locked", 0.531, True, None, False
    )
    assert text_of(slip_document(found), 200) == (
        "LOCKED: 120 N·m across, of 226 (222 to 230) N·m locking torque (53 % of it) at 200 N·m input torque "
        "and 0.5 rad/s; inside what was tested"
    )
    other = dataclasses.replace(
        found, state="not proven", tested=False, predicted="5 faces", share_of_locking_torque=None
    )
    assert text_of(slip_document(other), 200).startswith("NOT PROVEN, locked or slipping: 120 N·m")
    assert text_of(slip_document(other), 200).endswith("PREDICTED, not measured: 5 faces")


def test_a_split_in_words() -> None:
    """Where a number has no meaning the text says why."""
    nothing = Interval(None, None, None)
    torque = Interval(200.0, 195.0, 205.0)
    effect = Interval(0.5, 0.4875, 0.5125)
    split = TorqueSplit(
        400.0, 4.0, 70.0, "mean", torque, effect, Interval(3.0, 2.9, 3.1), 300.0, 100.0, True, None, False
    )
    text = text_of(split_document(split), 100)
    assert "locking effect         50.0 (48.8 to 51.2) %" in text
    assert "torque bias ratio      3.00 (2.90 to 3.10)" in text
    assert "slower, faster output  300.0, 100.0 N·m" in text
    still = text_of(
        split_document(dataclasses.replace(split, locking_effect=nothing, torque_bias_ratio=nothing)), 100
    )
    assert still.count("has no meaning here: no input torque") == 2
    high = dataclasses.replace(split, torque_bias_ratio=nothing, tested=False)
    assert "has no meaning here: locking effect of 100 % or more" in text_of(split_document(high), 100)
    assert "NOT tested: an extrapolation" in text_of(split_document(high), 100)


def test_whose_doubt_of_the_share_it_is_is_told_phase_by_phase() -> None:
    """In points to either side: of 1.2 and 3.4 the halves; the largest source by name. A phase without
    its parts is left out, and with none of them the sentence."""
    doubts: Any = tuple(
        SimpleNamespace(source=name, share_kept=size) for name, size in (("track", 0.004), ("tyres", 0.011))
    )
    known = phase(
        "turn-in", 0.6, doubts=doubts, share_kept_by_map=Interval(0.6, 0.594, 0.606),
        share_kept_by_car=Interval(0.6, 0.583, 0.617),
    )  # fmt: skip
    locked = dataclasses.replace(
        known,
        phase="apex",
        share_kept_by_map=Interval(0.0, 0.0, 0.02),
        share_kept_by_car=Interval(0.0, 0.0, 0.0),
    )
    first = dataclasses.replace(entry().rungs[0], phases=(known, locked, phase("throttle", 0.5)))
    text = " ".join(text_of(corner_document(entry(rungs=(first,))), 100).split())
    assert (
        "Doubt of what as built, 82 N·m keeps, in points: turn-in: ± 0.6 of the map, ± 1.7 of the car, "
        "most by "
        "tyres; apex: ± 1.0 of the map, ± 0.0 of the car, most by tyres."
    ) in text
    assert "it counts as exact" not in text
    for lacking in ({"doubts": ()}, {"share_kept_by_map": None}, {"share_kept_by_car": None}):
        bare = dataclasses.replace(first, phases=(dataclasses.replace(known, **lacking),))
        assert "Doubt of what" not in text_of(corner_document(entry(rungs=(bare,))), 100)


def test_means_need_two_phases_of_entry() -> None:
    """Weighted by duration, or alike where none is stated."""
    first = entry().rungs[0]
    two = dataclasses.replace(first, phases=first.phases[:2])
    text = text_of(corner_document(entry(rungs=(two,), timed=False)), 100)
    assert "Mean over the entry (turn-in, apex; each phase counting alike)" in text
    one = dataclasses.replace(first, phases=(first.phases[0], first.phases[2]))
    assert "Mean over" not in text_of(corner_document(entry(rungs=(one,))), 100)


@pytest.mark.parametrize(
    ("interval", "asked", "text"),
    [
        # half of 1.46 points over 1.96: 0.37, to its first digit; of 0.102, of the narrower side, to two
        (Interval(0.6423, 0.635, 0.6496), {"times": 100.0}, "64.2 (63.5 to 65.0)"),
        (Interval(64.23, 63.5, 64.96), {"whole": True}, "64.23 (63.50 to 64.96)"),
        (Interval(365.07, 365.07, 365.07), {}, "365.1"),
        (Interval(1.0, 1.0, 1.0 + 2e-9), {}, "1.00000000000 (1.00000000000 to 1.00000000200)"),
        (Interval(1.0, 1.0, 1.0 + 0.5e-9), {}, "1"),
        (Interval(9.0, 8.0, None), {}, "9 (8 or more)"),
        (Interval(9.0, None, 12.0), {}, "9 (12 or less)"),
        (Interval(9.0, None, None), {}, "9"),
        (Interval(None, 8.0, None), {"times": 2.0}, "16 or more"),
        (Interval(None, 8.0, 9.0), {}, "-"),
    ],
)
def test_a_cell_has_value_and_limits_as_far_as_they_are_known(
    interval: Interval, asked: dict[str, Any], text: str
) -> None:
    """Rounded by what the limits leave."""
    assert interval_cell(interval, **asked) == text


def test_each_figure_of_a_corner_has_its_numbers() -> None:
    """A row a unit, a column a phase."""
    share, moment = corner_figures(entry())
    assert (share.name, share.title) == ("kept", "Car: wheel-speed difference kept")
    assert share.shows == "wheel-speed difference kept of 2 units over 3 phases of Car."
    assert share.table is not None
    assert share.table.caption == "Wheel-speed difference kept"
    assert share.table.head == ("Unit", "turn-in, 95 % [%]", "apex, 95 % [%]", "throttle, 95 % [%]")
    assert share.table.rows == (
        ("as built, 82 N·m", "60.0 (59.0 to 61.0)", "30.0 (29.0 to 31.0)", "50.0 (49.0 to 51.0)"),
        ("120 N·m, predicted", "50.0 (49.0 to 51.0)", "10.0 (9.0 to 11.0)", "40.0 (39.0 to 41.0)"),
    )
    assert share.table.numbers == (1, 2, 3)
    assert (moment.name, moment.size) == ("yaw-moments", (4.5, 3.3))
    assert moment.table is not None
    assert moment.table.head[1] == "turn-in, 95 % [N·m]"
    assert moment.table.rows[0][1] == "315 (309 to 321)"
    axes = Figure().add_subplot()
    moment.paint(axes)
    assert axes.get_ylabel() == "yaw moment [N·m]"
    assert axes.get_ylim()[0] == 0.0


def many(count: int) -> CornerEntry:
    """A unit as built and others that are predicted."""
    first, other = entry().rungs
    return entry(rungs=(first, *(dataclasses.replace(other, name=f"{i} N·m") for i in range(count))))


def test_units_of_a_phase_stand_beside_each_other() -> None:
    """Over two thirds of its room, darker with each rung from the third stop of the scale to the last; one
    alone stands in the middle."""
    axes: Axes = Figure().add_subplot()
    kept(many(4), axes)
    marks = [container.lines[0] for container in axes.containers]
    assert [mark.get_xdata().tolist() for mark in marks] == [
        pytest.approx([shift, 1.0 + shift, 2.0 + shift]) for shift in (-0.32, -0.16, 0.0, 0.16, 0.32)
    ]
    assert [mark.get_color() for mark in marks] == [INK, *SCALE_STOPS[2:]]
    assert len({mark.get_marker() for mark in marks}) == 5
    assert marks[0].get_zorder() > marks[1].get_zorder()
    assert axes.get_xlim() == (-0.5, 2.5)
    assert axes.get_ylim() == (-5.0, 109.0)
    assert [(text.get_text(), text.xy) for text in axes.texts] == [
        ("locked", (1.0, 0.0)), ("open", (1.0, 100.0)),
    ]  # fmt: skip
    rungs = (entry().rungs[0],)
    kept(entry(rungs=rungs), alone := Figure().add_subplot())
    assert alone.containers[0].lines[0].get_xdata().tolist() == [0.0, 1.0, 2.0]
    # one that is predicted has the lightest of those that are seen on white, of two the other the darkest
    for count, colours in ((1, SCALE_STOPS[2:3]), (2, (SCALE_STOPS[2], SCALE_STOPS[5]))):
        kept(many(count), few := Figure().add_subplot())
        assert [one.lines[0].get_color() for one in few.containers[1:]] == list(colours)


def test_marks_come_again_after_eight_units() -> None:
    """There are eight shapes; the ninth has the first again, in another colour."""
    axes: Axes = Figure().add_subplot()
    yaw_moments(many(8), axes)
    marks = [container.lines[0] for container in axes.containers]
    assert marks[8].get_marker() == marks[0].get_marker()
    assert len({mark.get_marker() for mark in marks}) == 8
    assert {mark.get_markerfacecolor() for mark in marks[1:]} == {"white"}


def test_both_figures_of_a_corner_stand_side_by_side() -> None:
    """Twelve inches wide, with one legend."""
    figure = corner_figure(entry())
    assert figure.get_size_inches().tolist() == [12.0, 5.4]
    left, right = figure.axes
    assert left.get_legend() is not None
    assert right.get_legend() is None


def test_what_bounds_a_value_is_drawn_as_a_bar_that_never_turns_round() -> None:
    """Without a limit, or with one on the wrong side by rounding, the bar ends at the value."""
    odd = phase("turn-in", 0.6, share_kept=Interval(0.6, 0.6001, None))
    rung = dataclasses.replace(entry().rungs[0], phases=(odd,))
    kept(entry(rungs=(rung,)), axes := Figure().add_subplot())
    (bar,) = axes.containers[0].lines[2][0].get_segments()
    assert bar[:, 1] == pytest.approx([60.0, 60.0])


class Small:
    """A map of 100 to 200 N·m, 0 to 12 rad/s, 40 to 90 °C, of a rebuilt unit."""

    axes = (np.array([-100.0, 200.0]), np.array([0.0, 12.0]), np.array([40.0, 90.0]))

    def __init__(self, law: float | None = None, **document: Any) -> None:
        told = {"unit": "Q17", "build": "Q17-a", "predicted": None, "shows": "as measured", **document}
        self.document = SimpleNamespace(**told)
        self._law = law

    def by_the_law(self, *place: float, branch: str) -> float | None:
        assert place == (150.0, -3.0, 60.0)
        assert branch == "loading"
        return self._law


def test_a_map_at_one_place_says_what_it_rests_on() -> None:
    """Value and limits at four digits, the law beside what was measured, and how far the map reaches."""
    read = SimpleNamespace(locking_torque=123.456, low=119.0, high=128.04, tested=True, beyond=False)
    place = (150.0, -3.0, 60.0)

    def told(locking_map: Any, **changes: Any) -> str:
        made = SimpleNamespace(**{**vars(read), **changes})
        return " ".join(text_of(reading_document(locking_map, place, made, branch="loading"), 100).split())

    start = "123.5 N·m locking torque (loading), 95 % within 119 to 128 N·m, "
    assert told(Small()) == start + "inside what was tested"
    assert told(Small(law=121.31)) == (
        start + "inside what was tested as measured; 121.3 N·m by the law alone"
    )
    assert told(Small(), tested=False) == start + "NOT tested: an extrapolation"
    assert told(Small(predicted="5 faces")) == start + "PREDICTED, not measured: 5 faces"
    # beyond it the law is not asked: the place lies inside this map's axes, so nothing is asked of the sheet
    assert told(Small(law=1.0), beyond=True, tested=False).startswith(
        start + "NOT tested, BEYOND the axes of the map: an extrapolation"
    )
    assert standing(tested=False, beyond=True, predicted="5 faces") == (
        "PREDICTED, not measured: 5 faces; NOT tested, BEYOND the axes of the map: an extrapolation"
    )


@pytest.mark.parametrize(
    ("place", "does", "asked"),
    [
        # to two digits outwards; what reaches far enough stays as it is
        (
            (263.0, 5.0, 60.0),
            "along input torque (-100 to 200 N.m) the value goes on in a straight line",
            'input_torque = ["-100 N.m", "270 N.m"]',
        ),
        (
            (-1234.0, 5.0, 60.0),
            "along input torque (-100 to 200 N.m) the value goes on in a straight line",
            'input_torque = ["-1300 N.m", "200 N.m"]',
        ),
        (
            (150.0, 13.2, 60.0),
            "along speed difference (0 to 12 rad/s) the value is held",
            'speed_difference = ["0 rad/s", "14 rad/s"]',
        ),
        (
            (150.0, 5.0, 0.0),
            "along temperature (40 to 90 degC) the value is held",
            'temperature = ["0 degC", "90 degC"]',
        ),
        (
            (150.0, 5.0, 95.0),
            "along temperature (40 to 90 degC) the value is held",
            'temperature = ["40 degC", "95 degC"]',
        ),
        (
            (150.0, 5.0, -12.5),
            "along temperature (40 to 90 degC) the value is held",
            'temperature = ["-13 degC", "90 degC"]',
        ),
    ],
)
def test_beyond_its_axes_a_map_says_what_it_does_and_how_to_reach_there(
    place: tuple[float, float, float], does: str, asked: str
) -> None:
    """With the lines of the build sheet, to be copied."""
    nothing = Interval(1.0, 1.0, 1.0)
    split = TorqueSplit(
        place[0], place[1], place[2], "mean", nothing, nothing, nothing, 1.0, 1.0, False, None, True
    )
    text = text_of(split_document(split, Small()), 200)  # type: ignore[arg-type]
    assert f"Beyond the axes of this map {does}; the limits part by the distance." in text
    assert text.endswith(f"in the build sheet:\n  [map]\n  {asked}")
    inside = dataclasses.replace(split, beyond=False)
    assert "[map]" not in text_of(split_document(inside, Small()), 200)  # type: ignore[arg-type]
    assert "[map]" not in text_of(split_document(split), 200)


def test_a_corner_beyond_the_map_asks_for_all_its_phases_at_once() -> None:
    """The farthest of each axis, of the first unit's phases that are beyond."""
    far = phase("turn-in", 0.6, beyond=True, input_torque=-213.0, speed_difference=Interval(12.6, 12.0, 13.0))
    hot = phase("apex", 0.6, beyond=True, temperature=97.0)
    inside = phase("throttle", 0.6, input_torque=9000.0)
    rung = dataclasses.replace(entry().rungs[0], phases=(far, hot, inside))
    text = text_of(corner_document(entry(rungs=(rung,)), Small()), 200)  # type: ignore[arg-type]
    assert text.count("BEYOND the map") == 2
    assert text.endswith(
        '  [map]\n  input_torque = ["-220 N.m", "200 N.m"]\n  speed_difference = ["0 rad/s", "13 rad/s"]\n'
        '  temperature = ["40 degC", "97 degC"]'
    )


def test_a_slip_beyond_the_map_asks_at_its_temperature() -> None:
    """Which the verdict itself does not hold."""
    found = SlipVerdict(
        40.0, 160.0, 200.0, 120.0, Interval(226.0, 222.0, 230.0), 0.5, "slipping", 0.531, False, None, True
    )
    text = text_of(slip_document(found, Small(), 104.0), 300)  # type: ignore[arg-type]
    assert text.startswith("SLIPPING: 120 N·m across, of 226 (222 to 230) N·m locking torque (53 % of it)")
    assert text.endswith('  [map]\n  temperature = ["40 degC", "110 degC"]')


def test_a_rebuilt_unit_is_told_beside_the_one_as_built() -> None:
    """Torque by torque, at the reference condition."""
    built = (Interval(110.0, 106.0, 114.0), Interval(610.0, 606.0, 614.0))
    other = (Interval(130.0, 124.0, 136.0), Interval(None, None, None))
    rows = [
        SimpleNamespace(input_torque=torque, as_built=before, rebuilt=after)
        for torque, before, after in zip((-100.0, 1050.0), built, other, strict=True)
    ]
    made = Small(predicted="5 faces instead of 4")
    document = rebuild_document(made, rows, {"temperature_degC": 60.0, "speed_difference_rad_s": 4.5})  # type: ignore[arg-type]
    assert [" ".join(line.split()) for line in text_of(document, 200).split("\n")] == [
        "Unit Q17, build Q17-a, PREDICTED by the fitted law, not measured: 5 faces instead of 4",
        "Locking torque [N·m], loading, at 60 °C and 4.5 rad/s; 95 % in brackets",
        "input torque [N·m] as built rebuilt, predicted",
        "-100 110 (106 to 114) 130 (124 to 136)",
        "1050 610 (606 to 614) -",
    ]
