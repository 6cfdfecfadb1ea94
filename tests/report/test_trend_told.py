"""A trend made by hand: each quantity in words, in tables and in its picture."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from diffbench import figures
from diffbench.answers import judge
from diffbench.report import Document, text_of, trend_document
from diffbench.report import Figure as PageFigure
from diffbench.report.style import DIRECTION_COLOURS, INK, MUTED
from diffbench.report.trend import trend_figure
from diffbench.results import Characterisation
from diffbench.trend import Course, Point, Series

VALUES = (83.2, 81.9, 80.1, 78.8)


def point(i: int, **fields: Any) -> Point:
    """Record 4, 5, 6 and 8 of one build, 620 km from one to the next; 95 % within twice 1.3 N·m."""
    value = VALUES[i]
    made: dict[str, Any] = {
        "record": (4, 5, 6, 8)[i], "date": f"2026-0{i + 3}-14", "x": 620e3 * i, "value": value, "u": 1.3,
        "u_visit": 0.8, "u_shared": 1.0, "low": value - 2.6, "high": value + 2.6,
    }  # fmt: skip
    return Point(**{**made, **fields})


def series(*points: Point, **fields: Any) -> Series:
    made: dict[str, Any] = {
        "build": "Q17-b", "quantity": "preload_torque", "unit": "N·m", "axis": "distance",
        "points": points or tuple(map(point, range(4))), "lower_limit": 70.0, "upper_limit": 95.0,
    }  # fmt: skip
    return Series(**{**made, **fields})


def line(**fields: Any) -> Any:
    """83.3 N·m less 2.4 N·m every 1000 km; a record lies within 2 N·m of it."""

    def at(x: Any) -> Any:
        return 83.3 - 2.4e-6 * np.asarray(x)

    made = {"stated": 0.8, "observed": 0.213, "sigma": 0.82, **fields}
    return SimpleNamespace(at=at, next_record=lambda x: (at(x) - 2.0, at(x) + 2.0), **made)


def course(**fields: Any) -> Course:
    """Falling, by a line through four records."""
    made: dict[str, Any] = {
        "series": series(), "earlier": (), "state": "falling",
        "reason": "the interval of the slope is below zero",
        "line": line(), "change": (-0.0536, -0.0801, -0.0271),
        "charts": None, "crossing": None, "reached": False,
        "needed": None, "shared": 1.0, "ahead": 2480e3,
    }  # fmt: skip
    return Course(**{**made, **fields})


def crossing(**fields: Any) -> Any:
    made = {
        "limit": 70.0, "open_at_start": False, "not_before": 3212e3, "expected": 5541e3,
        "reached_by": 14_449e3,
    }  # fmt: skip
    return SimpleNamespace(**{**made, **fields})


def newest(**fields: Any) -> Any:
    made = {
        "point": point(3), "lower_limit": 70.0, "upper_limit": 95.0, "outcome": "conforming", "below": False,
    }  # fmt: skip
    return SimpleNamespace(**{**made, **fields})


def trend(complete: Characterisation, *courses: Course, **fields: Any) -> Any:
    made: dict[str, Any] = {
        "unit": "Q17", "build": "Q17-b", "builds": ("Q17-a", "Q17-b"), "axis": "distance",
        "courses": courses or (course(),), "notes": (), "state": judge([complete]), "own": {},
    }  # fmt: skip
    made.update(fields)
    own = {number: {} for number in range(20)}
    return SimpleNamespace(**{**made, "own": {**own, **made["own"]}})


def told(document: Document, width: int = 400) -> list[str]:
    lines = (" ".join(line.split()) for line in text_of(document, width).split("\n"))
    return [line for line in lines if line]


def of_quantity(complete: Characterisation, **fields: Any) -> list[str]:
    """What a trend says of its one quantity."""
    lines = told(trend_document(trend(complete, course(**fields))))
    start = next(i for i, line in enumerate(lines) if line.startswith("preload torque: "))
    return lines[start:]


def test_a_trend_begins_with_the_build_and_what_was_measured(complete: Characterisation) -> None:
    """Each record with its own interval, at three digits; two quantities at most."""
    friction = course(series=series(*(point(i, value=0.11 - 0.001 * i, low=None, high=None) for i in
    range(3)), quantity="friction_coefficient", unit="1"))  # fmt: skip
    third = course(series=series(quantity="spring_force", unit="N"))
    lines = told(
        trend_document(trend(complete, course(), friction, third, notes=("spring_force is stated",)))
    )
    assert lines[0] == (
        "Unit Q17, build Q17-b (after 1 build before it), over distance since it was assembled"
    )
    start = lines.index("What was measured")
    assert lines[start + 1 : start + 6] == [
        "record date distance preload torque, N·m (95 %) friction coefficient (95 %)",
        "4 2026-03-14 0 km 83.2 (80.6 to 85.8) 0.110",
        "5 2026-04-14 620 km 81.9 (79.3 to 84.5) 0.109",
        "6 2026-05-14 1240 km 80.1 (77.5 to 82.7) 0.108",
        "8 2026-06-14 1860 km 78.8 (76.2 to 81.4)",
    ]
    assert lines[-1] == "Note: spring force is stated"
    one = told(trend_document(trend(complete, builds=("Q17-b", "Q17-c"))))
    assert one[0].startswith("Unit Q17, build Q17-b (first build known), over")
    two = told(trend_document(trend(complete, builds=("Q17", "Q17-a", "Q17-b"))))
    assert "(after 2 builds before it)" in two[0]


def test_a_friction_in_the_table_is_the_record_s_own(complete: Characterisation) -> None:
    """Whatever it is followed by; the line of the others stays as it is."""
    friction = course(series=series(*(point(i, value=0.11, low=0.1, high=0.12) for i in range(2)),
                                    quantity="friction_coefficient", unit="1"))  # fmt: skip
    own = {4: {"friction_coefficient": SimpleNamespace(value=0.1234, low=0.1201, high=0.1267)}}
    lines = told(trend_document(trend(complete, friction, own=own)))
    start = lines.index("What was measured")
    assert lines[start + 2] == "4 2026-03-14 0 km 0.123 (0.120 to 0.127)"
    assert lines[start + 3] == "5 2026-04-14 620 km 0.110 (0.100 to 0.120)"


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "falling, -5.4 % (95 %: -8.0 to -2.7 %) to 1860 km by 4 records"),
        (
            {"state": "open", "needed": 2},
            "cannot be told yet, -5.4 % (95 %: -8.0 to -2.7 %) to 1860 km by 4 records",
        ),
        ({"state": "jumped"}, "fell at once, -5.4 % (95 %: -8.0 to -2.7 %) to 1860 km by 4 records"),
        (
            {"state": "jumped", "change": (0.05, 0.02, 0.08)},
            "rose at once, +5.0 % (95 %: +2.0 to +8.0 %) to 1860 km by 4 records",
        ),
        (
            {"state": "jumped", "change": (0.0, -0.02, 0.02)},
            "rose at once, +0.0 % (95 %: -2.0 to +2.0 %) to 1860 km by 4 records",
        ),
        ({"change": None, "series": series(point(0))}, "cannot be told from 1 record"),
        ({"change": None, "series": series(point(0), point(1))}, "cannot be told from 2 records"),
    ],
)  # fmt: skip
def test_the_verdict_on_a_quantity_is_one_sentence(
    complete: Characterisation, fields: dict[str, Any], said: str
) -> None:
    """With its change and interval, and how far the records reach."""
    assert of_quantity(complete, **fields)[0] == (
        f"preload torque: {said}: the interval of the slope is below zero"
    )


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "78.8 N·m (95 %: 76.2 to 81.4): within 70 to 95 N·m"),
        ({"upper_limit": None}, "78.8 N·m (95 %: 76.2 to 81.4): within at least 70 N·m"),
        ({"lower_limit": None}, "78.8 N·m (95 %: 76.2 to 81.4): within at most 95 N·m"),
        (
            {"outcome": "not conforming", "below": True},
            "78.8 N·m (95 %: 76.2 to 81.4): OUT OF LIMITS, proven to be below 70 to 95 N·m",
        ),
        (
            {"outcome": "not conforming"},
            "78.8 N·m (95 %: 76.2 to 81.4): OUT OF LIMITS, proven to be above 70 to 95 N·m",
        ),
        (
            {"outcome": "not proven"},
            "78.8 N·m (95 %: 76.2 to 81.4): not proven either way against 70 to 95 N·m",
        ),
        ({"point": point(3, low=None)}, "78.8 N·m: within 70 to 95 N·m"),
        ({"point": point(3, high=None)}, "78.8 N·m: within 70 to 95 N·m"),
    ],
)
def test_the_newest_record_stands_for_itself(
    complete: Characterisation, fields: dict[str, Any], said: str
) -> None:
    """By its own interval against the limits."""
    lines = of_quantity(complete, newest=newest(**fields))
    assert lines[1] == f"- newest record by itself, 8 (1860 km, 2026-06-14): {said}"


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"needed": 1}, "- needs 1 more record, spaced as those so far"),
        ({"needed": 3}, "- needs 3 more records, spaced as those so far"),
        ({"needed": 2, "line": None}, "- needs 2 more records, each farther on"),
        (
            {"needed": None},
            "- more than 200 further records like these would be needed: refit more alike, or average refits",
        ),
    ],
)
def test_what_would_tell_is_said_where_the_records_do_not(
    complete: Characterisation, fields: dict[str, Any], said: str
) -> None:
    """And nowhere else."""
    assert of_quantity(complete, state="open", **fields)[1] == said
    assert not any("more record" in text for text in of_quantity(complete, needed=3)[1:])


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "(0.80 stated, 0.21 observed)"),
        ({"observed": None}, "(0.80 stated)"),
        ({"stated": None}, "(0.21 observed)"),
    ],
)
def test_the_next_record_has_its_place_and_its_interval(
    complete: Characterisation, fields: dict[str, Any], said: str
) -> None:
    """At 2480 km 83.3 − 5.952 N·m, within 2 N·m; scatter to two digits."""
    assert of_quantity(complete, line=line(**fields))[1] == (
        f"- next record, at 2480 km: 95 % within 75.35 to 79.35 N·m; scatter of records 0.82 N·m {said}"
    )
    assert len(of_quantity(complete, line=None)) == 1
    assert len(of_quantity(complete, ahead=None)) == 1


@pytest.mark.parametrize(
    ("fields", "others", "said"),
    [
        (
            {},
            {},
            (
                "not reached before 3210 km with 95 % confidence; the line meets it at 5540 km; reached by "
                "14400 km "
                "with 95 % confidence"
            ),
        ),
        (
            {"open_at_start": True, "reached_by": None},
            {},
            (
                "may have been reached already (it cannot be excluded with 95 % confidence); the line meets "
                "it at 5540 "
                "km; by when at the latest cannot be told"
            ),
        ),
        ({"not_before": None, "expected": None, "reached_by": None}, {}, "no way to it shows"),
        (
            {"expected": None},
            {},
            "not reached before 3210 km with 95 % confidence; reached by 14400 km with 95 % confidence",
        ),
        ({}, {"reached": True}, "REACHED, with 95 % confidence"),
        ({}, {"reached": True, "newest": newest(below=True)}, "REACHED, by the newest record itself"),
        ({}, {"reached": True, "newest": newest()}, "REACHED, with 95 % confidence"),
    ],
)
def test_the_way_to_the_lower_limit_is_told(
    complete: Characterisation, fields: dict[str, Any], others: dict[str, Any], said: str
) -> None:
    """Not before, where the line meets it, and by when, each with its confidence."""
    lines = of_quantity(complete, crossing=crossing(**fields), **others)
    assert lines[-1] == f"- lower limit 70 N·m: {said}"


def test_one_more_event_is_answered_with_its_chance(complete: Characterisation) -> None:
    """Along kilometres a stretch like those so far."""
    lasting = SimpleNamespace(until=2480e3, answer="yes", chance=0.9734)
    assert of_quantity(complete, lasting=lasting)[-1] == (
        "- will it last the next event, of a stretch like those so far, to 2480 km? YES: the limit is "
        "held with "
        "a chance of 97 %, if it goes on in a straight line"
    )
    events = series(*(point(i, x=float(i)) for i in range(4)), axis="events")
    counted = SimpleNamespace(until=4.0, answer="not proven", chance=0.6)
    found = of_quantity(complete, lasting=counted, series=events, ahead=None)
    assert found[-1].startswith("- will it last the next event, to 4 events? NOT PROVEN: ")


def charts(**fields: Any) -> Any:
    made = {
        "baseline": 1, "average": np.array([82.0, 81.0, 79.5]), "low": np.array([80.5, 80.0, 79.8]),
        "high": np.array([86.0, 86.5, 86.7]), "up": np.array([0.0, 0.1, 0.0]),
        "down": np.array([0.9, 2.2, 4.6]),
        "decision": 4.1, "average_signal": None, "sum_signal": None,
    }  # fmt: skip
    return SimpleNamespace(**{**made, **fields})


def test_control_charts_say_from_which_record_on(complete: Characterisation) -> None:
    """Counted from the end of the baseline."""
    assert of_quantity(complete, charts=charts())[-1] == (
        "- control charts against the first 1 record: moving average within limits; sums within limits"
    )
    beyond = charts(average_signal=2, sum_signal=0, baseline=1)
    assert of_quantity(complete, charts=beyond)[-1] == (
        "- control charts against the first 1 record: moving average beyond from record 8 on (1860 km, "
        "2026-06-14); sums beyond from record 5 on (620 km, 2026-04-14)"
    )


def page_figures(document: Document) -> list[PageFigure]:
    return [block for part in document.sections for block in part.blocks if isinstance(block, PageFigure)]


def test_a_page_has_a_figure_a_quantity_with_its_records(complete: Characterisation) -> None:
    """Kilometres, value and interval; a quantity without records has none."""
    empty = course(series=Series("Q17-b", "friction", "1", "distance", (), None), change=None, line=None)
    visits = course(
        series=series(point(0, x=1.0), point(1, x=2.0), axis="visits", quantity="spring_force", unit="N")
    )
    first, second = page_figures(trend_document(trend(complete, course(), empty, visits)))
    assert (first.name, first.title) == ("trend-preload-torque", "Preload torque since it was assembled")
    assert first.size == (4.5, 3.3)
    assert first.shows == (
        "preload torque of 4 records: falling, -5.4 % (95 %: -8.0 to -2.7 %) to 1860 km by 4 records: the "
        "interval of the slope is below zero."
    )
    assert first.table is not None
    assert first.table.head == ("Distance since assembly [km]", "Value [N·m]", "95 % interval [N·m]")
    assert first.table.rows == (
        ("0", "83.2", "80.6 to 85.8"),
        ("620", "81.9", "79.3 to 84.5"),
        ("1240", "80.1", "77.5 to 82.7"),
        ("1860", "78.8", "76.2 to 81.4"),
    )
    assert second.table is not None
    assert second.table.head[0] == "Visit since assembly [1]"
    assert [row[0] for row in second.table.rows] == ["1", "2"]
    axes = Figure().add_subplot()
    first.paint(axes)
    assert axes.get_ylabel() == "preload torque [N·m]"


@pytest.fixture
def axes() -> Axes:
    """Axes of their own figure."""
    return Figure(figsize=(5, 4)).add_subplot()


def by_label(axes: Axes) -> dict[str, Any]:
    return {str(one.get_label()): one for one in axes.get_lines() if not str(one.get_label()).startswith("_")}


def test_records_stand_in_kilometres_with_what_is_new_at_each(axes: Axes) -> None:
    """1.96 of 0.8 N·m to either side; nothing where a refit is not stated; earlier builds grey, named
    once."""
    one = series(*(point(i, u_visit=None if i == 3 else 0.8) for i in range(4)))
    before = series(point(0, x=100e3, value=90.0), point(1, x=300e3, value=88.0))
    figures.course(course(series=one, earlier=(before, before)), axes)
    (records,) = axes.containers
    assert records.lines[0].get_xdata().tolist() == pytest.approx([0.0, 620.0, 1240.0, 1860.0])
    assert list(records.lines[0].get_ydata()) == list(VALUES)
    ends = [segment[:, 1].tolist() for segment in records.lines[2][0].get_segments()]
    assert ends[1] == pytest.approx([81.9 - 1.568, 81.9 + 1.568])
    assert ends[3] == [78.8, 78.8]
    grey = [one for one in axes.get_lines() if one.get_color() == MUTED]
    assert [list(one.get_xdata()) for one in grey] == [pytest.approx([100.0, 300.0])] * 2
    assert list(grey[0].get_ydata()) == [90.0, 88.0]
    told = [text.get_text() for text in axes.get_legend().get_texts()]
    assert told == ["earlier builds", "next record, 95 %", "line", "record"]
    assert axes.get_xlabel() == "distance since assembly [km]"
    counted = series(*(point(i, x=float(i)) for i in range(4)), axis="events", unit="1")
    figures.course(course(series=counted), fresh := Figure().add_subplot())
    assert fresh.containers[0].lines[0].get_xdata().tolist() == [0.0, 1.0, 2.0, 3.0]
    assert fresh.get_ylabel() == "preload torque"


def reach(axes: Axes) -> tuple[float, float]:
    """From where to where the band of the next record goes."""
    (band,) = (one for one in axes.collections if one.get_label() == "next record, 95 %")
    across = band.get_paths()[0].vertices[:, 0]
    return float(across.min()), float(across.max())


def test_the_line_goes_on_beyond_the_last_record(axes: Axes) -> None:
    """By 0.35 of the way so far, 651 km, dashed; where the limit is met nearer than twice the way, a tenth of
    the way farther than that; after a jump it begins there."""
    figures.course(course(), axes)
    assert reach(axes) == pytest.approx((0.0, 2511.0))
    whole = by_label(axes)["line"]
    assert whole.get_xdata().max() <= 1860.0 + 1e-9
    assert whole.get_xdata().max() > 1830.0
    assert whole.get_ydata()[0] == pytest.approx(83.3)
    (ahead,) = (one for one in axes.get_lines() if one.is_dashed() and one.get_color() == INK)
    assert ahead.get_xdata().min() > 1860.0
    assert ahead.get_ydata()[-1] == pytest.approx(83.3 - 2.4 * 2.511)
    (band,) = (one for one in axes.collections if one.get_label() == "next record, 95 %")
    first = band.get_paths()[0].vertices
    assert sorted({round(y, 6) for x, y in first if x == 0.0}) == [81.3, 85.3]
    for expected, end in ((5500e3, 5686.0), (5600e3, 2511.0), (2000e3, 2511.0), (2400e3, 2586.0)):
        met = crossing(expected=expected, not_before=None)
        figures.course(course(crossing=met), fresh := Figure().add_subplot())
        assert reach(fresh)[1] == pytest.approx(end), expected
    figures.course(course(jump=SimpleNamespace(at=2)), fresh := Figure().add_subplot())
    assert reach(fresh) == pytest.approx((1240.0, 2511.0))
    figures.course(course(line=None), bare := Figure().add_subplot())
    assert "line" not in by_label(bare)


def test_the_limit_and_the_way_to_it_are_drawn_on_the_limit(axes: Axes) -> None:
    """From 2100 km to 2400 km; to the edge where there is no end, or where that lies beyond; not at all where
    it begins beyond."""
    met = crossing(not_before=2100e3, expected=None, reached_by=2400e3)
    figures.course(course(crossing=met), axes)
    limit, way = by_label(axes)["lower limit"], by_label(axes)["limit met within"]
    assert list(limit.get_ydata()) == [70.0, 70.0]
    assert way.get_xydata().tolist() == [[pytest.approx(2100.0), 70.0], [pytest.approx(2400.0), 70.0]]
    right = axes.get_xlim()[1]
    for later in (None, 9e9):
        met = crossing(not_before=2100e3, expected=None, reached_by=later)
        figures.course(course(crossing=met), fresh := Figure().add_subplot())
        assert by_label(fresh)["limit met within"].get_xdata()[1] == pytest.approx(right)
        assert fresh.get_xlim()[1] == pytest.approx(right)
    for early in (None, 9e9):
        met = crossing(not_before=early, expected=None, reached_by=None)
        figures.course(course(crossing=met), fresh := Figure().add_subplot())
        assert "limit met within" not in by_label(fresh)
    assert "lower limit" not in by_label(plain_course())


def plain_course() -> Axes:
    figures.course(course(), made := Figure().add_subplot())
    return made


def test_averages_and_sums_begin_after_the_baseline(axes: Axes) -> None:
    """The moving average with its limits among the records; sums upward above zero and downward below."""
    figures.course(course(charts=charts()), axes)
    average = by_label(axes)["moving average"]
    assert average.get_xdata().tolist() == pytest.approx([620.0, 1240.0, 1860.0])
    assert average.get_ydata().tolist() == [82.0, 81.0, 79.5]
    limits = [one for one in axes.get_lines() if one.get_linestyle() == ":"]
    assert [one.get_ydata().tolist() for one in limits] == [[80.5, 80.0, 79.8], [86.0, 86.5, 86.7]]
    assert {one.get_color() for one in (*limits, average)} == {DIRECTION_COLOURS[-1]}
    figures.sums(course(charts=charts()), fresh := Figure().add_subplot())
    up, down = by_label(fresh)["upward sum"], by_label(fresh)["downward sum"]
    assert list(up.get_xdata()) == pytest.approx([620.0, 1240.0, 1860.0])
    assert (list(up.get_ydata()), list(down.get_ydata())) == ([0.0, 0.1, 0.0], [-0.9, -2.2, -4.6])
    level = sorted(one.get_ydata()[0] for one in fresh.get_lines() if list(one.get_xdata()) == [0, 1])
    assert level == [-4.1, 0.0, 4.1]
    assert [text.get_text() for text in fresh.get_legend().get_texts()] == [
        "upward sum", "downward sum", "decision limit",
    ]  # fmt: skip


def test_the_whole_picture_has_a_row_a_quantity(complete: Characterisation) -> None:
    """Records at the left, sums over the same kilometres at the right, or why there are none."""
    figure = trend_figure(trend(complete, course(charts=charts()), course()))
    assert figure.get_size_inches().tolist() == pytest.approx([11.0, 7.4])
    (title,) = [text for text in figure.texts if text.get_text()]
    assert title.get_text() == "unit Q17, build Q17-b"
    left, right, _, other = figure.axes
    assert right.get_xlim() == left.get_xlim()
    assert [text.get_text() for text in other.texts] == ["too few records for control charts"]
    assert other.texts[0].get_position() == (0.5, 0.5)
    assert not other.axison
    wide, narrow = left.get_position().width, right.get_position().width
    assert wide > 1.4 * narrow


@pytest.mark.parametrize(
    ("x", "axis", "text"),
    [
        (1_862_345.0, "distance", "1860 km"),
        (999_400_000.0, "distance", "999000 km"),
        (1.234e9, "distance", "1.23e+06 km"),
        (12_345.0, "distance", "12.3 km"),
        (1.0, "events", "1 event"),
        (0.2, "events", "1 event"),
        (2.0000001, "events", "2 events"),
        (2.01, "events", "3 events"),
        (2.4, "visits", "visit 3"),
        (1.0, "visits", "visit 1"),
    ],
)
def test_places_are_told_as_far_as_they_are_known(
    complete: Characterisation, x: float, axis: Any, text: str
) -> None:
    """Three digits of kilometres, the next whole event or visit."""
    one = series(point(0, x=0.0), point(1, x=x), axis=axis)
    found = of_quantity(complete, series=one, change=(0.0, 0.0, 0.0), line=None)
    assert f" to {text} by 2 records" in found[0]
