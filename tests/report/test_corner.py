"""Corner entry and map arithmetic as text and as figures, on results made by hand."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

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
