"""Answers made by hand, told in words and tables and drawn: shims, refits, logs, the wanted preload."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from diffbench.answers import (
    Candidate,
    CornerKept,
    Day,
    Interval,
    LapKept,
    LapResult,
    ShimAdvice,
    Wanted,
)
from diffbench.report import Document, repeatability_document, shim_document, text_of
from diffbench.report import Figure as PageFigure
from diffbench.report.lap import lap_document, lap_picture, log_and_bench
from diffbench.report.style import INK, PAPER, SCALE_STOPS, STATE_COLOURS
from diffbench.report.wanted import trade_off, trade_off_picture, wanted_document

NOTHING = Interval(None, None, None)


def told(document: Document, width: int = 400) -> list[str]:
    """Lines of a document, blanks made one."""
    lines = (" ".join(line.split()) for line in text_of(document, width).split("\n"))
    return [line for line in lines if line]


def figure_of(document: Document) -> PageFigure:
    """The one figure of a document."""
    (found,) = (block for part in document.sections for block in part.blocks if isinstance(block, PageFigure))
    return found


@pytest.fixture
def axes() -> Axes:
    """Axes of their own figure."""
    return Figure(figsize=(5, 4)).add_subplot()


def legend_of(axes: Axes) -> list[str]:
    return [text.get_text() for text in axes.get_legend().get_texts()]


def candidate(shim: float, preload: float, **fields: Any) -> Candidate:
    """Known within 95 % of two standard uncertainties of 1.4 N·m, or three below."""
    told: dict[str, Any] = {
        "shim_m": shim, "preload_torque_Nm": preload, "u_Nm": 1.4, "low_Nm": preload - 4.2,
        "high_Nm": preload + 2.8, "chance": 0.874, "extrapolated": False,
    }  # fmt: skip
    return Candidate(**{**told, **fields})


def advice(**fields: Any) -> ShimAdvice:
    """0.25 mm of three in stock; two were measured."""
    best = candidate(0.25e-3, 81.72)
    stock = [
        candidate(0.2e-3, 78.13, chance=0.3),
        best,
        candidate(0.7e-3, 112.9, chance=None, extrapolated=True),
    ]
    rung = {"build": "Q17-a", "shim_m": 0.0, "preload_torque_Nm": 63.81, "u_Nm": 0.93}
    made: dict[str, Any] = {
        "unit": "Q17", "target_Nm": 82.0, "limits_Nm": (75.0, 90.0), "step_m": 0.05e-3, "way": "ladder",
        "rungs": [rung, {**rung, "build": "Q17-b", "shim_m": 0.4e-3, "preload_torque_Nm": 92.47}],
        "exact_shim_m": 0.2539e-3, "advised": best, "candidates": stock, "misfit": 0.4,
        "notes": ["two rungs leave no check of the line"],
    }  # fmt: skip
    return ShimAdvice.model_validate({**made, **fields})


def test_a_shim_is_advised_with_all_that_are_in_stock() -> None:
    """Value, interval and chance; each to its own doubt of 1.4 N·m; what was measured; and the caution."""
    lines = told(shim_document(advice()))
    assert lines[0] == (
        "Unit Q17, preload torque of 82 N·m, by the measured ladder: take a shim of 0.25 mm. It will give "
        "81.7 N·m, "
        "in a new assembly 77.5 to 84.5 N·m (95 %), and lands within 75 to 90 N·m with a chance of 87 %."
    )
    assert lines[1:5] == [
        "shim, mm preload torque, N·m 95 % of assemblies chance within limits",
        "0.2 78.1 73.9 to 80.9 30 %",
        "0.25 81.7 77.5 to 84.5 87 % advised",
        "0.7 112.9 108.7 to 115.7 extrapolated",
    ]
    assert lines[5] == (
        "Measured: 0 mm 63.81 ± 0.93 N·m; 0.4 mm 92.47 ± 0.93 N·m. The target itself lies at 0.254 mm."
    )
    assert lines[6] == "- two rungs leave no check of the line"
    assert lines[7].startswith("Caution: ")
    bare = told(shim_document(advice(limits_Nm=None)))
    assert bare[0].endswith("in a new assembly 77.5 to 84.5 N·m (95 %).")


def test_shims_in_stock_are_drawn_and_told_for_those_who_do_not_see() -> None:
    """The advised one filled, those measured as squares, target and limits as lines."""
    figure = figure_of(shim_document(advice()))
    assert (figure.name, figure.size) == ("shims-in-stock", (4.5, 3.3))
    assert figure.shows == "Preload torque over shims; advised is 0.25 mm with 81.7 N·m."
    assert figure.table is not None
    assert figure.table.rows == (
        ("0.2", "78.1", "73.9 to 80.9"),
        ("0.25", "81.7", "77.5 to 84.5"),
        ("0.7", "112.9", "108.7 to 115.7"),
    )
    axes = Figure().add_subplot()
    figure.paint(axes)
    (stock,) = axes.containers
    assert stock.lines[0].get_xdata() == pytest.approx([0.2, 0.25, 0.7])
    assert stock.lines[0].get_markerfacecolor() == PAPER
    bars = [segment[:, 1].tolist() for segment in stock.lines[2][0].get_segments()]
    assert bars == [pytest.approx([y - 4.2, y + 2.8]) for y in (78.13, 81.72, 112.9)]
    lines = {str(line.get_label()): line for line in axes.get_lines()}
    assert lines["advised"].get_xydata().tolist() == [[pytest.approx(0.25), 81.72]]
    assert lines["measured"].get_xydata().tolist() == [[0.0, 63.81], [pytest.approx(0.4), 92.47]]
    assert list(lines["target"].get_ydata()) == [82.0, 82.0]
    level = [line.get_ydata()[0] for line in axes.get_lines() if line.get_color() == STATE_COLOURS["after"]]
    assert level == [75.0, 90.0]
    assert legend_of(axes) == ["advised", "measured", "target", "limits", "in stock, 95 % of assemblies"]
    # the advised one over those measured over the stock
    order = [stock.lines[0], lines["measured"], lines["advised"]]
    assert sorted(order, key=lambda line: line.get_zorder()) == order
    assert len({line.get_zorder() for line in order}) == 3


def precision(**fields: Any) -> SimpleNamespace:
    """Three visits of 79, 80 and 82.5 N·m about 80.5: known within half as much again."""
    made: dict[str, Any] = {
        "unit": "N·m", "values": [79.0, 80.0, 82.5], "mean": 80.5, "repeatability": 1.8028,
        "repeatability_low": 0.9387, "repeatability_high": 11.33, "limit": 5.048, "relative": 0.022395,
        "reproducibility": None, "degrees": 2,
        "tests": [
            SimpleNamespace(
                statistic=None, critical_5=None, finding="", which=None, reason="one group alone"
            ),
            SimpleNamespace(statistic=1.109, critical_5=1.155, finding="none", which=None, reason=""),
        ],
    }  # fmt: skip
    return SimpleNamespace(**{**made, **fields})


def refits(**quantities: SimpleNamespace) -> Any:
    return SimpleNamespace(
        groups=["Q17, Q17-a", "Q21"], repeats=["a", "b", "c"], quantities=quantities,
        not_determined={"ramp_bias_coast_loading": "one visit has none"},
        paste="[repeatability]\npreload = 2.2",
        findings=["few repeats"],
    )  # fmt: skip


def test_what_a_refit_moves_is_told_with_its_doubt() -> None:
    """s_r = 1.80 N·m is 2.2 % of 80.5 N·m, within 1.2 to 14.1 %; r = 2.8 s_r; tests; then the table to
    paste."""
    odd = precision(
        unit="1", mean=0.45, repeatability=0.0, repeatability_low=0.0, repeatability_high=0.0, limit=0.0,
        relative=0.0, values=[0.45, 0.45, 0.45],
        tests=[
            precision().tests[0],
            SimpleNamespace(
                statistic=1.154, critical_5=1.153, finding="straggler", which="visit b", reason=""
            ),
        ],
    )  # fmt: skip
    lines = told(repeatability_document(refits(preload_torque=precision(), ramp_bias_drive_loading=odd)))
    assert lines == [
        "Repeatability from 3 visits of Q17, Q17-a, Q21",
        "mean s_r s_r, relative (95 %) limit r = 2.8 s_r",
        "preload torque 80.5 N·m 1.8 2.2 % (1.2 to 14.1) 5.0",
        "ramp bias, drive, loading 0.45 0 0 % (0 to 0) 0",
        "Outlying repeats",
        "Cochran Grubbs",
        "preload torque not tested: one group alone none, 1.11 (5 % at 1.16)",
        "ramp bias, drive, loading not tested: one group alone straggler, 1.15 (5 % at 1.15): visit b",
        "- few repeats",
        "- ramp bias, coast, loading: one visit has none",
        "For the rig file:",
        "[repeatability]",
        "preload = 2.2",
    ]


def test_visits_are_drawn_about_their_mean() -> None:
    """−1.86, −0.62 and +2.48 % off, over a bar of twice 2.24 %; the widest is named."""
    calm = precision(values=[0.45, 0.45, 0.45], mean=0.45, relative=0.001)
    figure = figure_of(
        repeatability_document(refits(ramp_bias_drive_loading=calm, preload_torque=precision()))
    )
    assert figure.shows == "3 visits; most scatter has preload torque with 2.2 %."
    assert figure.table is not None
    assert figure.table.head == (
        "Quantity", "Visit 1 [% of the mean]", "Visit 2 [% of the mean]", "Visit 3 [% of the mean]",
    )  # fmt: skip
    assert figure.table.rows == (
        ("ramp bias, drive, loading", "+0.00", "+0.00", "+0.00"),
        ("preload torque", "−1.86", "−0.62", "+2.48"),
    )
    axes = Figure().add_subplot()
    figure.paint(axes)
    bars = [line for line in axes.get_lines() if to_hex(line.get_color()) == STATE_COLOURS["before"]]
    assert [list(line.get_xdata()) for line in bars] == [
        pytest.approx([-0.2, 0.2]),
        pytest.approx([-4.479, 4.479]),
    ]
    assert [list(line.get_ydata()) for line in bars] == [[0, 0], [1, 1]]
    visits = [line for line in axes.get_lines() if line.get_marker() == "o"]
    assert visits[1].get_xdata() == pytest.approx([-1.8634, -0.6211, 2.4845], abs=1e-4)
    assert list(visits[1].get_ydata()) == [1, 1, 1]
    assert legend_of(axes) == ["2 s_r to either side", "a visit"]
    assert axes.get_ylim() == (1.6, -0.6)
    assert [text.get_text() for text in axes.get_yticklabels()] == [
        "ramp bias, drive, loading",
        "preload torque",
    ]
    # visits lie over their bar, this over the line of the mean
    assert visits[0].get_zorder() > bars[0].get_zorder()
    (mean,) = (line for line in axes.get_lines() if list(line.get_xdata()) == [0.0, 0.0])
    assert bars[0].get_zorder() > mean.get_zorder()
    assert "Each visit" not in text_of(repeatability_document(refits()), 100)


def around(value: float, by: float) -> Interval:
    return Interval(value, value - by, value + by)


def run(name: str = "long run", **fields: Any) -> LapResult:
    """A log that keeps 64 % where the bench says 61 %."""
    made: dict[str, Any] = {
        "name": name, "share_kept": around(0.642, 0.0147), "mean_speed_difference": around(1.31, 0.03),
        "predicted": around(0.61, 0.02), "open_share": 0.987, "agreement": "less locking",
        "reason": "log less bench +3.2 points, 95 % of their doubt ± 2.5", "bench_preload": around(82.0, 2.4),
        "equivalent_preload": around(70.3, 9.0), "why_no_closer": "told to ± 9.0 N·m",
        "corners": (
            CornerKept(
                12.3456, 14.0, 1, "left", "throttle",
                around(0.6, 0.0294), around(0.58, 0.01), around(1.2, 0.05),
            ),
            CornerKept(40.0, 41.5, None, "right", "brake", around(0.7, 0.0294), NOTHING, around(1.4, 0.05)),
        ),
        "by_lap": (), "unit": "Q17", "build": "Q17-a", "radius_ratio": around(0.004, 0.001),
        "sources": {
            "track": 0.012, "still": 0.0, "tyres": 0.021, "a": 0.004, "b": 0.003, "c": 0.002, "d": 0.001,
        },
        "findings": ("both brakes of the axle count as alike",), "course": {},
    }  # fmt: skip
    return LapResult(**{**made, **fields})


def lap(number: int, share: float) -> LapKept:
    return LapKept(number, 60.5 * number, 7, around(share, 0.0147), around(0.6, 0.02), around(1.3, 0.05))


def day(*runs: LapResult, ratio: Interval = NOTHING) -> Day:
    return Day("Car", runs or (run(),), ratio)


def test_a_log_is_answered_beside_the_bench() -> None:
    """The answer with both preloads, then the run, its entries and its doubts, the five largest in points."""
    lines = told(lap_document(replace(day(ratio=around(0.93, 0.05)), findings=("tyres contradict",))))
    assert lines == [
        "Log and bench, Car",
        (
            "long run: LESS LOCKING (log less bench +3.2 points, 95 % of their doubt ± 2.5); preload "
            "torque 82.0 "
            "(79.6 to 84.4) N·m by the bench, 70.3 (61.3 to 79.3) N·m asked for by the log (told to ± 9.0 "
            "N·m)."
        ),
        (
            "The logs put the tyres' slip stiffness at 93 (88 to 98) % of the stated one, taking the bench's "
            "units, at the preloads stated, as those in the car."
        ),
        "- tyres contradict",
        "Over all entries of a log",
        "kept, log [%] bench [%] open unit [%] difference [rad/s] preload asked for [N·m]",
        "long run 64.2 (62.7 to 65.7) 61.0 (59.0 to 63.0) 98.7 1.310 (1.280 to 1.340) 70.3 (61.3 to 79.3)",
        "Entries of long run",
        "lap from [s] turn ends by kept, log [%] bench [%] difference [rad/s]",
        "1 12.35 left throttle 60.0 (57.1 to 62.9) 58.00 (57.00 to 59.00) 1.20 (1.15 to 1.25)",
        "- 40.00 right brake 70.0 (67.1 to 72.9) - 1.40 (1.35 to 1.45)",
        "Doubts of long run",
        "One standard uncertainty moves the share by, in points: tyres 2.1, track 1.2, a 0.4, b 0.3, c 0.2.",
        "On straights the right wheel reads 0.40 (0.30 to 0.50) % faster than the left one; zeroed.",
        "- both brakes of the axle count as alike",
        (
            "kept: wheel-speed difference over the entries, share of free rolling; radii zeroed on "
            "straights, "
            "difference signed against the turn. 95 % in brackets. Indicative: quasi-steady, linear "
            "tyres, no "
            "camber, "
            "both brakes alike."
        ),
    ]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (
            {"equivalent_preload": NOTHING},
            "; the preload that the log asks for is not determined: beyond those looked at.",
        ),
        ({"equivalent_preload": NOTHING, "agreement": "no bench", "reason": "x"}, "NO BENCH (x)."),
        ({"equivalent_preload": NOTHING, "agreement": "no log", "reason": "x"}, "NO LOG (x)."),
        (
            {"equivalent_preload": NOTHING, "agreement": "cannot be told", "reason": "x"},
            "CANNOT BE TOLD (x).",
        ),
        (
            {"equivalent_preload": Interval(None, None, 57.1), "why_no_closer": ""},
            "; preload torque 82.0 (79.6 to 84.4) N·m by the bench, 57.1 or less N·m asked for by the log.",
        ),
    ],
)
def test_a_preload_that_a_log_does_not_tell_is_said(fields: dict[str, Any], said: str) -> None:
    """Why, or what bounds it."""
    (answer,) = (line for line in told(lap_document(day(run(**fields)))) if line.startswith("long run: "))
    assert answer.endswith(said)


@pytest.mark.parametrize(
    ("ratio", "said"),
    [
        (around(0.004, 0.001), "0.40 (0.30 to 0.50) % faster than"),
        (around(-0.004, 0.001), "0.40 (0.30 to 0.50) % slower than"),
        (Interval(0.0003, -0.0005, 0.0011), "as fast to 0.11 % as"),
        (Interval(-0.0003, -0.0012, 0.0006), "as fast to 0.12 % as"),
        (Interval(0.0004, 0.0, 0.0008), "as fast to 0.08 % as"),
        (Interval(-0.0004, -0.0008, 0.0), "as fast to 0.08 % as"),
        (Interval(0.004, None, 0.005), "-"),
    ],
)
def test_wheels_that_read_apart_are_told(ratio: Interval, said: str) -> None:
    """Faster, slower, or alike where zero is in the interval."""
    lines = told(lap_document(day(run(radius_ratio=ratio))))
    assert f"On straights the right wheel reads {said} the left one; zeroed." in lines


def test_laps_have_a_table_of_their_own() -> None:
    """And entries of a log without laps name none; nothing kept, nothing doubted."""
    lines = told(lap_document(day(run(by_lap=(lap(1, 0.64), lap(2, 0.66))))))
    assert lines[lines.index("Laps of long run") + 1 :][:3] == [
        "lap from [s] entries kept, log [%] bench [%] difference [rad/s]",
        "1 60.50 7 64.0 (62.5 to 65.5) 60.0 (58.0 to 62.0) 1.30 (1.25 to 1.35)",
        "2 121.00 7 66.0 (64.5 to 67.5) 60.0 (58.0 to 62.0) 1.30 (1.25 to 1.35)",
    ]
    first = run().corners[0]
    one = CornerKept(
        first.start, first.end, None, first.turn, first.ends_by, first.share_kept, first.predicted,
        first.mean_speed_difference,
    )  # fmt: skip
    lines = told(lap_document(day(run(corners=(one,), share_kept=NOTHING, open_share=None))))
    assert "from [s] turn ends by kept, log [%] bench [%] difference [rad/s]" in lines
    assert not any("Laps of" in line or "Doubts of" in line for line in lines)
    assert "long run - 61.0 (59.0 to 63.0) - 1.310 (1.280 to 1.340) 70.3 (61.3 to 79.3)" in lines
    assert "- both brakes of the axle count as alike" in lines


def test_a_page_has_a_picture_run_by_run_or_lap_by_lap() -> None:
    """Laps where a run has several, with the run's name where there are more of them."""
    single = lap_document(day(run(by_lap=(lap(1, 0.64),))), figures=True)
    assert single.sections[2].heading == "Bench and car, run by run"
    assert told(single)[0] == "Car"
    figure = figure_of(single)
    assert (figure.name, figure.size) == ("log-and-bench", (4.5, 3.3))
    assert figure.shows.startswith("For each run the share")
    assert figure.table is not None
    assert figure.table.head == (
        "run", "log [%]", "log, lower 95 % limit [%]", "log, upper 95 % limit [%]", "bench [%]",
        "bench, lower 95 % limit [%]", "bench, upper 95 % limit [%]",
    )  # fmt: skip
    assert figure.table.rows == (("long run", "64.2", "62.7", "65.7", "61.0", "59.0", "63.0"),)
    laps = run(by_lap=(lap(1, 0.64), lap(2, 0.66)))
    figure = figure_of(lap_document(day(laps), figures=True))
    assert figure.table is not None
    assert [row[0] for row in figure.table.rows] == ["1", "2"]
    both = lap_document(day(laps, run("short run", predicted=NOTHING)), figures=True)
    assert both.sections[2].heading == "Bench and car, lap by lap"
    figure = figure_of(both)
    assert figure.table is not None
    assert [row[0] for row in figure.table.rows] == ["long run, 1", "long run, 2", "short run"]
    assert figure.table.rows[2][4:] == ("-", "-", "-")


def test_log_and_bench_stand_beside_each_other(axes: Axes) -> None:
    """Filled ink an eighth left of the run's place, open colour right of it; what has no limits is left
    out."""
    log_and_bench(day(run(), run("second", predicted=Interval(0.5, None, 0.6)), run("third")), axes)
    log, bench = axes.containers
    assert log.lines[0].get_xdata() == pytest.approx([-0.12, 0.88, 1.88])
    assert log.lines[0].get_ydata() == pytest.approx([64.2] * 3)
    assert bench.lines[0].get_xdata() == pytest.approx([0.12, 2.12])
    assert bench.lines[2][0].get_segments()[0][:, 1] == pytest.approx([59.0, 63.0])
    assert log.lines[2][0].get_segments()[0][:, 1] == pytest.approx([62.73, 65.67])
    assert (log.lines[0].get_color(), log.lines[0].get_markerfacecolor()) == (INK, INK)
    assert (bench.lines[0].get_color(), bench.lines[0].get_markerfacecolor()) == (SCALE_STOPS[3], "white")
    (whole,) = (line for line in axes.get_lines() if list(line.get_ydata()) == [100.0, 100.0])
    assert whole.get_zorder() < log.lines[0].get_zorder()
    assert axes.get_xlim() == (-0.6, 2.6)
    assert [text.get_text() for text in axes.get_xticklabels()] == ["long run", "second", "third"]
    assert axes.get_xlabel() == "run"
    assert legend_of(axes) == ["log", "bench and car"]


@pytest.mark.parametrize(
    ("count", "named", "turned"),
    [
        (8, range(8), 0.0), (9, range(9), 90.0), (30, range(30), 90.0),
        (31, range(0, 31, 2), 90.0), (61, range(0, 61, 3), 90.0),
    ],
)  # fmt: skip
def test_of_many_laps_as_many_are_named_as_can_be_read(
    axes: Axes, count: int, named: range, turned: float
) -> None:
    """Eight lie, thirty stand; of more every second or third is named."""
    log_and_bench(day(run(by_lap=tuple(lap(i, 0.6) for i in range(count)))), axes)
    assert axes.get_xticks().tolist() == list(named)
    assert [text.get_text() for text in axes.get_xticklabels()] == [str(i) for i in named]
    assert {text.get_rotation() for text in axes.get_xticklabels()} == {turned}


@pytest.mark.parametrize("draw", [lambda: lap_picture(day()), lambda: trade_off_picture(wanted())])
def test_a_picture_by_itself_is_seven_by_five_inches_on_white(draw: Any) -> None:
    """With the axes in it."""
    figure = draw()
    assert figure.get_size_inches().tolist() == [7.0, 5.0]
    assert to_hex(figure.get_facecolor()) == "#ffffff"
    (axes,) = figure.axes
    assert axes.get_xlabel() in {"run", "kept over the entry [%]"}


def met(target: str, value: float, *intervals: Interval) -> SimpleNamespace:
    at_wanted, today, with_shim = intervals
    return SimpleNamespace(target=target, wanted=value, at_wanted=at_wanted, today=today, with_shim=with_shim)


def wanted(**fields: Any) -> Wanted:
    """104 N·m for 60 % kept over the entry; 82 N·m today; three rungs from 57 to 120 N·m."""
    rungs = [
        SimpleNamespace(
            mean_share_kept=around(share, 0.01),
            phases=[SimpleNamespace(phase="throttle", yaw_moment=around(moment, 5.0))],
        )
        for share, moment in ((0.8, 300.0), (0.62, 400.0), (0.5, 520.0))
    ]  # fmt: skip
    kept = met("kept 60 %", 0.6, around(0.6, 0.0147), around(0.7, 0.0147), around(0.61, 0.0294))
    made: dict[str, Any] = {
        "car": "Car", "unit": "Q17", "build": "Q17-a", "preload": around(104.2, 9.0), "as_built": 82.04,
        "targets": (kept,), "reach": (57.0, 120.0), "shim": None, "why_no_shim": "no ladder",
        "course": SimpleNamespace(rungs=rungs), "ladder": (57.0, 100.0, 120.0),
    }  # fmt: skip
    return Wanted(**{**made, **fields})


FOOT = (
    "Looked at: 57 to 120 N·m, by the fitted law, not measured. In brackets 95 %: of map and car, and "
    "with the "
    "shim of where it lands, too. Indicative: steady state, linear tyres, no camber. Shims are changed "
    "with the "
    "springs unloaded, by qualified people, within the maker's limits."
)


def test_the_wanted_preload_is_told_beside_today_s() -> None:
    """What each gives of what was asked for; why there is no shim."""
    assert told(wanted_document(wanted())) == [
        "Wanted preload, Car; unit Q17, build Q17-a",
        "preload torque [N·m] kept 60 % [%]",
        "unit as built 82.04 70.0 (68.5 to 71.5)",
        "wanted 104.2 (95.2 to 113.2) 60.0 (58.5 to 61.5)",
        "Shim: none advised: no ladder",
        FOOT,
    ]


def test_a_shim_for_the_wanted_preload_has_its_chance_and_its_notes() -> None:
    """And what it gives where it lands; 0.25 mm gives 81.72 (77.5 to 84.5) N·m."""
    lines = told(wanted_document(wanted(shim=advice()), figures=True))
    assert lines[0] == "Car; unit Q17, build Q17-a"
    assert "shim 0.25 mm 81.7 (77.5 to 84.5) 61.0 (58.1 to 63.9)" in lines
    assert "Shim: 0.25 mm; chance to land within the workshop's limits 87 %." in lines
    assert "- two rungs leave no check of the line" in lines
    open_shim = advice(advised=candidate(0.25e-3, 81.72, chance=None))
    assert "Shim: 0.25 mm." in told(wanted_document(wanted(shim=open_shim)))


@pytest.mark.parametrize(
    ("target", "value", "got", "missed"),
    [
        # 0.1 point, or half a hundredth of what was wanted, is near enough
        ("kept 10 %", 0.1, 0.1009, ""),
        ("kept 10 %", 0.1, 0.1011, "kept 10 % comes to 10.11 %"),
        ("kept 60 %", 0.6, 0.6029, ""),
        ("kept 60 %", 0.6, 0.5969, "kept 60 % comes to 59.69 %"),
        ("yaw moment 300 N·m", 300.0, 301.4, ""),
        ("yaw moment 300 N·m", 300.0, 302.0, "yaw moment 300 N·m comes to 302 N·m"),
        ("yaw moment 300 N·m", -300.0, -301.4, ""),
    ],
)
def test_a_target_that_is_missed_is_said(target: str, value: float, got: float, missed: str) -> None:
    """Each in its own unit."""
    one = met(target, value, around(got, 0.01), around(got, 0.01), around(got, 0.01))
    lines = told(wanted_document(wanted(targets=(one,))))
    said = [line for line in lines if line.startswith("Compromise: ")]
    expected = [f"Compromise: no preload within reach meets all targets: {missed}."] if missed else []
    assert said == expected


def test_other_rings_are_told_beside_those_as_built() -> None:
    """Preload, what it gives, what drive pays and the shim; those that do not give it are named below."""
    kept = met("kept 60 %", 0.6, around(0.6, 0.0147), NOTHING, NOTHING)
    rings = SimpleNamespace(
        drive_angle_deg=40.0, coast_angle_deg=52.5, feasible=True, preload=around(95.0, 8.0), targets=(kept,),
        yaw_moment=around(450.0, 40.0), shim=SimpleNamespace(advised=candidate(0.3e-3, 95.0)), why_not="",
    )  # fmt: skip
    bare = SimpleNamespace(**{**vars(rings), "shim": None, "drive_angle_deg": 42.0})
    none = SimpleNamespace(**{**vars(rings), "feasible": False, "why_not": "it would take 30 N·m"})
    lines = told(wanted_document(wanted(shim=advice(), rings=(rings, bare, none))))
    start = lines.index("preload torque [N·m] kept 60 % [%] yaw moment, throttle [N·m] shim")
    # 400 + 0.21 · 120 N·m at 104.2 N·m
    assert lines[start + 1 : start + 5] == [
        "rings as built 104.2 (95.2 to 113.2) 60.0 (58.5 to 61.5) 425.2 (420.2 to 430.2) 0.25 mm",
        "rings 40/52.5 deg 95.0 (87.0 to 103.0) 60.0 (58.5 to 61.5) 450 (410 to 490) 0.30 mm",
        "rings 42/52.5 deg 95.0 (87.0 to 103.0) 60.0 (58.5 to 61.5) 450 (410 to 490) -",
        "- rings 40/52.5 deg: it would take 30 N·m",
    ]
    without = told(wanted_document(wanted(rings=(rings,))))
    assert any(line.startswith("rings as built ") and line.endswith(" -") for line in without)


def test_entry_against_throttle_is_drawn_with_both_units_marked(axes: Axes) -> None:
    """At 82.04 N·m, 25.04 of 43 N·m along the first stretch; at 104.2 N·m, 4.2 of 20 along the second."""
    trade_off(wanted(), axes)
    course, built, asked = axes.get_lines()
    assert course.get_xdata() == pytest.approx([80.0, 62.0, 50.0])
    assert list(course.get_ydata()) == [300.0, 400.0, 520.0]
    share = 25.04 / 43.0
    assert built.get_xydata()[0] == pytest.approx([80.0 - 18.0 * share, 300.0 + 100.0 * share])
    assert asked.get_xydata()[0] == pytest.approx([62.0 - 12.0 * 0.21, 400.0 + 120.0 * 0.21])
    assert (built.get_marker(), built.get_markerfacecolor()) == ("s", "white")
    assert (asked.get_marker(), asked.get_markerfacecolor()) == ("o", INK)
    assert course.get_zorder() < built.get_zorder()
    told = [(text.get_text(), text.get_ha(), text.xyann[0] > 0.0, text.xyann[1] > 0.0) for text in axes.texts]
    # the one that pays more is named right above, the other left below: the course falls
    assert told == [
        ("wanted, 104 N·m", "left", True, True), ("as built, 82 N·m", "right", False, False),
        ("57 N·m", "left", True, True), ("120 N·m", "left", True, True),
    ]  # fmt: skip
    assert [text.xy for text in axes.texts[2:]] == [(80.0, 300.0), (50.0, 520.0)]
    assert axes.get_ylabel() == "yaw moment, throttle [N·m]"
    turned = Figure().add_subplot()
    trade_off(wanted(preload=around(60.0, 2.0)), turned)
    assert [text.get_text() for text in turned.texts[:2]] == ["as built, 82 N·m", "wanted, 60 N·m"]
    alone = Figure().add_subplot()
    trade_off(wanted(preload=NOTHING), alone)
    assert [text.get_text() for text in alone.texts] == ["as built, 82 N·m", "57 N·m", "120 N·m"]


def test_entry_against_throttle_has_its_numbers() -> None:
    """Rung by rung; one that keeps nothing that is known is left out."""
    whole = wanted()
    whole.course.rungs[1].mean_share_kept = NOTHING
    figure = figure_of(wanted_document(whole, figures=True))
    assert (figure.name, figure.size) == ("entry-against-throttle", (4.5, 3.3))
    assert figure.table is not None
    assert figure.table.head == ("preload [N·m]", "kept [%]", "yaw moment [N·m]")
    assert figure.table.rows == (("57.0", "80.0", "300"), ("120.0", "50.0", "520"))
    assert figure.table.numbers == (0, 1, 2)
    assert np.isfinite([float(cell) for row in figure.table.rows for cell in row]).all()
