"""The life of a unit, made by hand: its time line, its visits, and what was changed."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import ScalarFormatter

from diffbench.answers import judge
from diffbench.report import say_in
from diffbench.report.style import INK, STATE_COLOURS
from diffbench.report.unit import Life, Seen, change_table, life_figures, time_line, visit_table
from diffbench.results import Characterisation, Parameter, State

FACTS: dict[str, Any] = {
    "shim_m": 0.25e-3, "faces": 8, "drive_angle_deg": 45.0, "coast_angle_deg": 60.0,
    "effective_radius_m": 45.5e-3, "disc_spring": None,
}  # fmt: skip


def number(value: float | None, u: float = 1.3, unit: str = "N·m", **fields: Any) -> Parameter:
    made: dict[str, Any] = {
        "value": value, "u": u, "low": None if value is None else value - 2.0 * u,
        "high": None if value is None else value + 2.0 * u, "unit": unit, "status": "measured", "meaning": "",
    }  # fmt: skip
    return Parameter(**{**made, **fields})


def seen(
    state: State, date: str, preload: Parameter | None, *, build: str = "Q17-a", distance: float | None = 0.0,
    limits: tuple[float, float] | None = (70.0, 95.0), events: int | None = None,
    others: dict[str, Parameter] | None = None, **facts: Any,
) -> Seen:  # fmt: skip
    """One visit with its numbers; limits are those of the preload torque."""
    known = {"preload_torque": preload, **(others or {})}
    visit = SimpleNamespace(
        date=date,
        fact=SimpleNamespace(build=build, measured_as="as filed", distance_m=distance, events=events),
        limits=lambda quantity: limits if quantity == "preload_torque" else None,
    )

    def where_judged(quantity: str, of: str) -> Parameter | None:
        assert of == "as filed"
        return known.get(quantity)

    result = SimpleNamespace(
        where_judged=where_judged, facts_of=lambda of: SimpleNamespace(**{**FACTS, **facts})
    )
    return Seen(visit, result, state, f"{date}.html")  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def good(complete: Characterisation) -> State:
    """A state."""
    return judge([complete])


def life(*visits: Seen) -> Life:
    return Life("Q17", "unit-Q17.html", visits)


@pytest.fixture
def three(good: State) -> Life:
    """A month and five months apart: worn, then rebuilt with another shim."""
    ramp = {"ramp_bias_drive_loading": number(0.45, 0.006, "1")}
    return life(
        seen(good, "2026-01-10", number(83.2), others=ramp),
        seen(good, "2026-02-09T10:30", number(78.1), distance=620e3, others=ramp, events=2),
        seen(
            good, "2026-07-09", number(90.4, low=None), build="Q17-b", distance=620e3, limits=(75.0, 100.0),
            shim_m=0.4e-3, effective_radius_m=45.6e-3,
        ),
    )  # fmt: skip


def days(*dates: str) -> list[float]:
    return [float((dt.date.fromisoformat(date) - dt.date(1970, 1, 1)).days) for date in dates]


@pytest.fixture
def axes() -> Axes:
    """Axes of their own figure."""
    return Figure(figsize=(5, 4)).add_subplot()


def drawn(one: Life, axes: Axes, **asked: Any) -> Axes:
    return time_line(one, axes, **{"quantity": "preload_torque", "unit": "N·m", **asked})


def test_a_time_line_has_each_visit_with_its_interval(three: Life, axes: Axes) -> None:
    """On its day; without a lower limit the bar goes up alone. 180 days lie between the first and the
    last."""
    drawn(three, axes)
    (visits,) = axes.containers
    at = days("2026-01-10", "2026-02-09", "2026-07-09")
    assert visits.lines[0].get_xdata().tolist() == at
    assert visits.lines[0].get_ydata().tolist() == [83.2, 78.1, 90.4]
    ends = [segment[:, 1].tolist() for segment in visits.lines[2][0].get_segments()]
    assert ends == [pytest.approx(pair) for pair in ([80.6, 85.8], [75.5, 80.7], [90.4, 93.0])]
    assert [text.get_text() for text in axes.get_legend().get_texts()] == [
        "limits", "rebuilt", "measured, 95 % interval",
    ]  # fmt: skip
    # limits reach a twentieth beyond, 9 days; six tenths of what is drawn to either side of its middle
    low, high = axes.get_xlim()
    assert 0.5 * (low + high) == pytest.approx(0.5 * (at[0] + at[2]))
    assert high - low == pytest.approx(1.2 * 198.0)
    assert axes.get_xlabel() == "date, 2026"
    assert axes.get_ylabel() == "Preload torque [N·m]"
    assert axes.xaxis.get_major_formatter()(at[1]) == "2026-02"


def test_a_short_life_counts_in_days(good: State, axes: Axes) -> None:
    """Up to ninety days of the drawing; one visit has thirty around it. Years are told once each."""
    one = life(
        seen(good, "2025-12-20", number(83.2), limits=None),
        seen(good, "2026-02-18", number(78.1), limits=None),
    )
    drawn(one, axes)
    assert axes.xaxis.get_major_formatter()(days("2026-02-09")[0]) == "02-09"
    assert axes.get_xlabel() == "date, 2025 – 2026"
    assert axes.get_xlim() == pytest.approx((days("2026-01-19")[0] - 36.0, days("2026-01-19")[0] + 36.0))
    drawn(life(seen(good, "2026-05-14", number(83.2), limits=None)), alone := Figure().add_subplot())
    (middle,) = days("2026-05-14")
    assert alone.get_xlim() == pytest.approx((middle - 18.0, middle + 18.0))
    assert [text.get_text() for text in alone.get_legend().get_texts()] == ["measured, 95 % interval"]
    drawn(
        life(
            seen(good, "2026-01-01", number(83.2), limits=None),
            seen(good, "2026-04-01", number(83.0), limits=None),
        ),
        edge := Figure().add_subplot(),
    )
    assert edge.xaxis.get_major_formatter()(middle) == "05-14"


def test_limits_are_steps_from_visit_to_visit(three: Life, good: State, axes: Axes) -> None:
    """Each holds from its visit to the next, and a twentieth of all beyond the ends, three days at least."""
    drawn(three, axes)
    low, high = (one for one in axes.get_lines() if one.get_color() == STATE_COLOURS["after"])
    at = days("2026-01-10", "2026-02-09", "2026-07-09")
    assert low.get_xdata().tolist() == pytest.approx([at[0] - 8.999999999, *at, at[2] + 9.0], abs=0.01)
    assert list(low.get_ydata()) == [70.0, 70.0, 70.0, 75.0, 75.0]
    assert list(high.get_ydata()) == [95.0, 95.0, 95.0, 100.0, 100.0]
    assert (low.get_drawstyle(), high.get_drawstyle()) == ("steps-post", "steps-post")
    assert low.get_zorder() < axes.containers[0].lines[0].get_zorder()
    drawn(life(seen(good, "2026-01-10", number(83.2))), alone := Figure().add_subplot())
    (first, _) = (one for one in alone.get_lines() if one.get_color() == STATE_COLOURS["after"])
    assert first.get_xdata().tolist() == [at[0] - 3.0, at[0], at[0] + 3.0]
    # a visit without limits has none
    some = life(*three.seen[:2], seen(good, "2026-07-09", number(80.0), limits=None))
    drawn(some, fresh := Figure().add_subplot())
    (first, _) = (one for one in fresh.get_lines() if one.get_color() == STATE_COLOURS["after"])
    assert list(first.get_ydata()) == [70.0] * 4


def test_a_line_stands_where_a_unit_was_rebuilt(three: Life, good: State, axes: Axes) -> None:
    """At the first visit of another build, named once."""
    again = seen(good, "2026-08-01", number(85.0), build="Q17-c")
    drawn(life(*three.seen, again), axes)
    lines = [one for one in axes.get_lines() if one.get_color() == INK and list(one.get_ydata()) == [0, 1]]
    assert [one.get_xdata()[0] for one in lines] == days("2026-07-09", "2026-08-01")
    assert [str(one.get_label()) for one in lines] == ["rebuilt", "_"]


def notes(axes: Axes) -> list[tuple[str, float, float, str, str, float]]:
    """Kilometres: text, where, how they are set, and how far above."""
    return [(text.get_text(), *text.xy, text.get_ha(), text.get_va(), text.xyann[1]) for text in axes.texts]


def test_kilometres_stand_once_where_visits_in_a_row_have_one_distance(three: Life, axes: Axes) -> None:
    """0 km at the first; 620 km in the middle of both others, over the higher interval, of which the limit of
    95 N·m lies so near above that the text goes below the lower: within a fifth of what is drawn, 30 N·m."""
    drawn(three, axes)
    first, both = notes(axes)
    at = days("2026-01-10", "2026-02-09", "2026-07-09")
    assert first == ("0 km", at[0], pytest.approx(85.8), "center", "bottom", 4)
    assert both == ("620 km", 0.5 * (at[1] + at[2]), pytest.approx(75.5), "center", "top", -4)


@pytest.mark.parametrize(
    ("limits", "below"),
    [
        (None, False),
        # a fifth of 20 N·m is less than the 4.2 N·m up to the limit, a fifth of 20.9 N·m nearly 4.2
        ((70.0, 90.0), False),
        ((69.0, 89.9), True),
        ((80.0, 85.8), True),
        ((80.0, 85.7), False),
    ],
)
def test_kilometres_go_below_where_a_limit_runs_above(
    good: State, axes: Axes, limits: tuple[float, float] | None, below: bool
) -> None:
    """A limit from the interval's end up to a fifth of the drawing above it."""
    drawn(life(seen(good, "2026-01-10", number(83.2), limits=limits)), axes)
    ((_, _, height, _, side, off),) = notes(axes)
    assert (height, side, off) == (
        (pytest.approx(80.6), "top", -4) if below else (pytest.approx(85.8), "bottom", 4)
    )


@pytest.mark.parametrize(
    ("apart", "sides"),
    [
        # a fifth of 100 days, or of thirty where it is less
        ((19, 81), ["right", "left", "center"]),
        ((21, 79), ["center", "center", "center"]),
        ((81, 19), ["center", "right", "left"]),
        ((5, 4), ["right", "right", "left"]),
        ((6, 6), ["center", "center", "center"]),
    ],
)
def test_kilometres_of_neighbours_give_way(
    good: State, axes: Axes, apart: tuple[int, int], sides: list[str]
) -> None:
    """Away from one that is near, to the left of a later one first."""
    first = dt.date(2026, 1, 10)
    places = [first, first + dt.timedelta(days=apart[0]), first + dt.timedelta(days=sum(apart))]
    visits = [
        seen(good, day.isoformat(), number(83.2), distance=1000.0 * i, limits=None)
        for i, day in enumerate(places)
    ]
    drawn(life(*visits), axes)
    assert [side for *_, side, _, _ in notes(axes)] == sides


def test_numbers_on_the_axis_have_the_sign_of_the_language(three: Life, axes: Axes) -> None:
    """A comma in German, a point in English."""
    drawn(three, axes, say=say_in("de"))
    formatter = axes.yaxis.get_major_formatter()
    assert isinstance(formatter, ScalarFormatter)
    formatter.set_locs(np.array([80.0, 82.5]))
    assert formatter(82.5) == "82,5"
    drawn(three, english := Figure().add_subplot())
    plain = english.yaxis.get_major_formatter()
    assert isinstance(plain, ScalarFormatter)
    plain.set_locs(np.array([80.0, 82.5]))
    assert plain(82.5) == "82.5"


def test_each_quantity_that_was_seen_has_a_figure_with_its_numbers(three: Life) -> None:
    """Rounded by a quarter of the interval; limits have a column where there are any."""
    preload, ramp = life_figures(three)
    assert (preload.name, preload.title) == (
        "life-preload-torque", "Preload torque over the life of the unit",
    )  # fmt: skip
    assert preload.size == (4.5, 2.7)
    assert preload.shows == "Preload torque, visits: 3; first 83.2, last 90.40 N·m."
    assert preload.table is not None
    assert preload.table.head == ("Date", "Value [N·m]", "95 % interval [N·m]", "Limits [N·m]")
    assert preload.table.rows == (
        ("2026-01-10", "83.2", "80.6 to 85.8", "70 to 95"),
        ("2026-02-09", "78.1", "75.5 to 80.7", "70 to 95"),
        # no lower limit: 2.6 of 3.92, 0.66
        ("2026-07-09", "90.40", "90.40 to 93.00", "75 to 100"),
    )
    assert preload.table.numbers == (1, 2, 3)
    assert ramp.table is not None
    assert ramp.table.head == ("Date", "Value [1]", "95 % interval [1]")
    assert ramp.table.rows[0] == ("2026-01-10", "0.4500", "0.4380 to 0.4620")
    assert len(ramp.table.rows) == 2
    ramp.paint(axes := Figure().add_subplot())
    assert axes.get_ylabel() == "Ramp bias, drive"


def test_a_quantity_that_was_never_determined_has_no_figure(good: State) -> None:
    """And a visit without it is left out of the line."""
    some = life(
        seen(good, "2026-01-10", number(83.2)), seen(good, "2026-02-10", None),
        seen(good, "2026-03-10", number(None)), seen(good, "2026-04-10", number(80.0, high=None)),
    )  # fmt: skip
    (figure,) = life_figures(some)
    assert figure.table is not None
    assert [row[0] for row in figure.table.rows] == ["2026-01-10", "2026-04-10"]
    assert figure.table.rows[1][2] == "77.40 to 80.00"
    assert list(life_figures(life(seen(good, "2026-01-10", None)))) == []


def test_visits_have_a_table_of_what_there_is(three: Life, good: State) -> None:
    """Columns that say nothing of any are left out; numbers are told from words."""
    table = visit_table(three)
    assert table.caption == "Visits"
    assert table.head == (
        "Date", "Build", "Distance", "Events", "Preload torque", "Ramp bias, drive", "State",
    )  # fmt: skip
    assert table.rows == (
        ("2026-01-10", "Q17-a", "0 km", "", "83.2 ± 1.3 N·m", "0.4500 ± 0.0060", "Good"),
        ("2026-02-09T10:30", "Q17-a", "620 km", "2", "78.1 ± 1.3 N·m", "0.4500 ± 0.0060", "Good"),
        ("2026-07-09", "Q17-b", "620 km", "", "90.4 ± 1.3 N·m", "", "Good"),
    )
    assert table.numbers == (0, 2, 3, 4, 5)
    bare = visit_table(life(seen(good, "2026-01-10", None, distance=None)))
    assert bare.head == ("Date", "Build", "State")
    assert bare.numbers == (0,)


def test_what_was_changed_is_told_from_build_to_build(three: Life, good: State) -> None:
    """Shims and radii in millimetres; what the sheet does not state; springs as a whole; or nothing."""
    table = change_table(three)
    assert table is not None
    assert table.head == ("Seen first", "Build before", "Build after", "Changed")
    assert table.rows == (
        (
            "2026-07-09", "Q17-a", "Q17-b",
            "shim: 0.25 mm, now 0.4 mm; effective radius: 45.5 mm, now 45.6 mm",
        ),
    )  # fmt: skip
    other = life(
        seen(good, "2026-01-10", number(83.2), shim_m=None),
        seen(
            good, "2026-02-10", number(83.2), build="Q17-b", faces=10, drive_angle_deg=40.0,
            coast_angle_deg=55.0, disc_spring=object(),
        ),
        seen(good, "2026-03-10", number(83.2), build="Q17-b", shim_m=9.0),
        seen(good, "2026-04-10", number(83.2), build="Q17-c", shim_m=9.0),
    )  # fmt: skip
    table = change_table(other)
    assert table is not None
    assert [row[3] for row in table.rows] == [
        (
            "shim: not stated, now 0.25 mm; friction faces of a pack: 8, now 10; ramp angle, drive: 45 "
            "deg, now "
            "40 deg; ramp angle, coast: 60 deg, now 55 deg; other disc springs"
        ),
        "nothing that the build sheets state",
    ]
    assert [row[2] for row in table.rows] == ["Q17-b", "Q17-c"]
    assert change_table(life(*three.seen[:2])) is None
