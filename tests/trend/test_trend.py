"""What a trend says of a unit since its rebuild, and how much more it needs where it cannot tell."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from invented_results import parameter
from scipy.stats import linregress, norm, t

from diffbench.cli import main
from diffbench.errors import HistoryError
from diffbench.history import Changes, Filing, History
from diffbench.report import Figure, text_of, trend_document
from diffbench.report.judgement import WORDS
from diffbench.trend import Course, Point, Series, Trend, course_of, document_of, trend_of

Visit = Callable[..., Path]


def preload(trend: Trend) -> Course:
    return next(course for course in trend.courses if course.series.quantity == "preload_torque")


def command(history: History, *arguments: str) -> Result:
    return CliRunner().invoke(main, ["trend", *arguments, "--store", history.label])


def test_a_rebuild_begins_a_new_series(filled: History) -> None:
    """The last build alone is followed; the one before it is shown beside, or followed when asked for."""
    course = preload(trend_of(filled, "Q17"))
    assert [point.value for point in course.series.points] == [82.0, 81.6, 80.9, 79.0, 76.9, 75.4]
    assert [series.build for series in course.earlier] == ["Q17-a"]
    assert course.charts is not None
    assert (course.charts.baseline, course.charts.target) == (2, pytest.approx(81.8))
    before = trend_of(filled, "Q17", build="Q17-a")
    assert len(preload(before).series.points) == 5
    assert "first build known" in text_of(trend_document(before), 100)


def test_a_falling_preload(filled: History) -> None:
    """Falling, with the limit ahead: earlier bound, line and later bound in their order; charts signal."""
    course = preload(trend_of(filled, "Q17"))
    assert course.state == "falling"
    assert course.needed is None
    assert course.change is not None
    # The invented values fall by 6.6 N·m of 82 between first and last record.
    assert course.change[0] == pytest.approx(-6.6 / 82.0, abs=0.01)
    found = course.crossing
    assert found is not None
    assert found.not_before is not None
    assert found.expected is not None
    assert found.reached_by is not None
    assert 2390e3 < found.not_before < found.expected < found.reached_by
    text = text_of(trend_document(trend_of(filled, "Q17")), 100)
    assert "preload torque: falling" in text
    assert "not reached before 3" in text
    assert course.charts is not None
    assert course.charts.average_signal is not None


def test_will_it_last_the_next_event(filled: History) -> None:
    """One stretch of the mean so far, 2390 km over four, farther: by the line (numpy's), so that 70 N·m is
    held and 3 N·m above the line are not; at the line it is not proven. Nothing is said without a limit."""
    course = preload(trend_of(filled, "Q17"))
    lasting = course.lasting
    assert lasting is not None
    assert lasting.until == pytest.approx(2390e3 * 5 / 4)
    assert (lasting.limit, lasting.answer) == (70.0, "yes")
    along, values = [p.x for p in course.series.points], [p.value for p in course.series.points]
    assert lasting.value == pytest.approx(np.polyval(np.polyfit(along, values, 1), 2390e3 * 5 / 4))
    for low, answer in ((lasting.value + 3.0, "no"), (lasting.value, "not proven")):
        found = preload(trend_of(filled, "Q17", limits={"preload_torque": low})).lasting
        assert found is not None
        assert found.answer == answer
    assert found.chance == pytest.approx(0.5)
    text = " ".join(text_of(trend_document(trend_of(filled, "Q17")), 100).split())
    assert "will it last the next event, of a stretch like those so far, to 2990 km? YES" in text
    trend = trend_of(filled, "Q17")
    assert document_of(trend)["quantities"]["preload_torque"]["next_event"]["answer"] == "yes"
    assert next(c for c in trend.courses if c.series.quantity != "preload_torque").lasting is None


def test_the_next_event_is_one_more(history: History, visit: Visit) -> None:
    """Counted over events, one event is one event, however many lay between the records."""
    for number, value in enumerate((82.0, 80.5, 79.0)):
        (added,) = history.add([visit("Q17-b", f"2026-0{number + 1}-01", None, value)])
        history.correct(added.record.number, Changes(events=3 * number), reason="log book")
    course = preload(trend_of(history, "Q17"))
    assert (course.series.axis, course.ahead) == ("events", 7.0)
    assert "will it last the next event, to 7 events? YES" in " ".join(
        text_of(trend_document(trend_of(history, "Q17")), 100).split()
    )


def test_a_limit_that_is_reached(filled: History) -> None:
    """Exit status 1 for a limit proven to be passed, and for nothing less."""
    passed = command(filled, "Q17", "--limit", "preload_torque=80 N.m")
    assert passed.exit_code == 1
    assert "lower limit 80 N·m: REACHED" in passed.stdout
    open_still = command(filled, "Q17", "--limit", "preload_torque=75 N.m")
    assert open_still.exit_code == 0
    assert "may have been reached already" in " ".join(open_still.stdout.split())


def test_limits_by_the_command(filled: History) -> None:
    """A preload in newton metres unless it is said, everything else without a unit; blanks are let be. A
    limit that is asked for leaves the upper one of the sheet."""
    limits = ("--limit", " preload_torque = 0.0741 kN.m", "--limit", "ramp_bias_drive_loading=0.45")
    found = json.loads(command(filled, "Q17", "--json", *limits).stdout)["quantities"]
    told = {name: (one["newest"]["lower_limit"], one["newest"]["upper_limit"]) for name, one in found.items()}
    assert told == {
        "preload_torque": (pytest.approx(74.1), 90.0),
        "ramp_bias_drive_loading": (0.45, None),
    }
    found = json.loads(command(filled, "Q17", "--json", "--limit", "preload_torque=71").stdout)["quantities"]
    assert found["preload_torque"]["next_event"]["limit"] == 71.0


def test_a_jump_in_the_document(history: History, visit: Visit) -> None:
    """Between the records beside it, with the size of the step by other code; a place a hair's breadth on is
    another place."""
    pairs = [*GOOD, (2000.0, 66.0)]
    history.add([visit("Q17-b", f"2026-0{i}-01", *pair) for i, pair in enumerate(pairs, start=1)])
    trend = trend_of(history, "Q17")
    jump = preload(trend).jump
    assert jump is not None
    assert document_of(trend)["quantities"]["preload_torque"]["jump"] == {
        "between_records": [5, 6], "size": jump.size, "low": jump.low, "high": jump.high,
        "sigma": jump.sigma, "degrees_of_freedom": jump.freedom,
    }  # fmt: skip
    near = [Point(i, "2026-01-01", 0.05 * i, 82.0 - i, 1.2, 1.2, 0.0) for i in range(2)]
    assert course_of(Series("Q17-a", "preload_torque", "N·m", "distance", tuple(near), None)).line is not None


@pytest.mark.parametrize(
    ("values", "u", "needed", "told"),
    [
        ([(0.0, 82.0)], 1.2, 1, "a slope takes two records"),
        ([(0.0, 82.0)], None, 2, "takes three records"),
        ([(0.0, 82.0), (600.0, 81.0)], None, 1, "takes three records"),
        ([(500.0, 82.0), (500.0, 81.0)], 1.2, 1, "needs 1 more record"),
    ],
)
def test_too_few_records(
    history: History,
    visit: Visit,
    values: list[tuple[float, float]],
    u: float | None,
    needed: int,
    told: str,
) -> None:
    """It says how many more are needed, and draws no line."""
    history.add([visit("Q17-b", f"2026-0{i}-01", *pair, u=u) for i, pair in enumerate(values, start=1)])
    trend = trend_of(history, "Q17", axis="distance")
    course = preload(trend)
    assert (course.state, course.needed, course.line) == ("open", needed, None)
    assert told in " ".join(text_of(trend_document(trend), 100).split())
    assert json.dumps(document_of(trend), allow_nan=False)


def test_scatter_that_hides_a_loss(history: History, visit: Visit) -> None:
    """Two records a little apart tell nothing; the number that would is said, and grows with the scatter."""
    pairs = [(0.0, 82.0), (600.0, 81.5)]
    needed = []
    for number, u in enumerate((1.6, 3.2)):
        history.add(
            [visit(f"B{number}", f"202{number}-0{i + 1}-01", *pair, u=u) for i, pair in enumerate(pairs)]
        )
        course = preload(trend_of(history, "Q17", build=f"B{number}"))
        assert course.state == "open"
        needed.append(course.needed)
    assert needed[0] is not None
    assert needed[1] is not None
    assert 1 <= needed[0] < needed[1]


@given(
    st.lists(st.floats(76.0, 86.0), min_size=2, max_size=7),
    st.floats(0.3, 3.0),
    st.sampled_from([300.0, 900.0]),
)
def test_the_word_is_that_of_the_interval_beside_it(values: list[float], u: float, step: float) -> None:
    """Falling, rising or steady, never beside an interval that says otherwise."""
    points = [Point(i, f"2026-01-{1 + i:02d}", 1e3 * step * i, y, u, u, 0.0) for i, y in enumerate(values)]
    found = course_of(Series("Q17-a", "preload_torque", "N·m", "distance", tuple(points), 70.0))
    if found.change is None or found.state == "jumped":
        return
    _, low, high = found.change
    assert (found.state == "falling") == (high < 0.0)
    assert (found.state == "rising") == (low > 0.0)
    if found.state == "steady":
        assert low > -0.05


def test_the_state_comes_first(filled: History) -> None:
    """The unit's state by every command's words, above what each quantity says."""
    trend = trend_of(filled, "Q17")
    lines = text_of(trend_document(trend), 100).splitlines()
    assert lines[1].startswith(WORDS[trend.state.state].upper() + "  ")
    assert any(line.startswith("NEXT  ") for line in lines[:6])


@pytest.mark.parametrize("words", [("history", "list"), ("trend", "Q17")])
def test_what_was_measured_is_listed(filled: History, words: tuple[str, ...]) -> None:
    """Every record of the build with preload torque and its 95 % interval at three digits, under headings;
    ±1.96 times √(1.2² + 0.2² + 0.1²) N·m, by hand."""
    shown = CliRunner().invoke(main, [*words, "--store", filled.label])
    assert "N·m (95 %)" in shown.stdout
    for value, low, high in ((82.0, 79.6, 84.4), (79.0, 76.6, 81.4), (75.4, 73.0, 77.8)):
        assert f"{value:.1f} ({low:.1f} to {high:.1f})" in shown.stdout


def test_figures_have_their_numbers(filled: History) -> None:
    """A row each record, under headings of their own with units."""
    blocks = [one for part in trend_document(trend_of(filled, "Q17")).sections for one in part.blocks]
    tables = [one.table for one in blocks if isinstance(one, Figure)]
    assert tables
    for table in tables:
        assert table is not None
        assert len(set(table.head)) == len(table.head) == 3
        assert all(re.search(r"\[.+\]$", cell) for cell in table.head)
    assert tables[0].rows[0] == ("0", "82.0", "79.6 to 84.4")


def test_a_steady_unit(history: History, visit: Visit) -> None:
    """Enough records without a fall: a loss is excluded, and nothing more is needed."""
    values = [82.0, 82.3, 81.8, 82.1, 81.9, 82.2, 82.0, 82.1]
    history.add(
        [visit("Q17-b", f"2026-0{i}-01", 400.0 * i, value) for i, value in enumerate(values, start=1)]
    )
    course = preload(trend_of(history, "Q17"))
    assert (course.state, course.needed, course.reached) == ("steady", None, False)
    assert course.charts is not None
    assert (course.charts.average_signal, course.charts.sum_signal) == (None, None)


def test_axes(history: History, visit: Visit) -> None:
    """Distance where it is known and differs, else events, else the number of the visit."""
    for i, value in enumerate((82.0, 81.0, 80.0)):
        history.add([visit("Q17-b", f"2026-0{i + 1}-01", 0.0, value)])
    by_visits = trend_of(history, "Q17")
    assert by_visits.axis == "visits"
    assert [point.x for point in preload(by_visits).series.points] == [1.0, 2.0, 3.0]
    for number in (1, 2, 3):
        history.correct(number, Changes(events=2 * number), reason="log book")
    by_events = trend_of(history, "Q17")
    assert by_events.axis == "events"
    assert [point.x for point in preload(by_events).series.points] == [2.0, 4.0, 6.0]
    for number in (1, 2):
        history.correct(number, Changes(distance_m=6e5 * number), reason="odometer")
    trend = trend_of(history, "Q17")
    assert trend.axis == "distance"
    assert [point.x for point in preload(trend).series.points] == [0.0, 6e5, 12e5]


def test_what_is_left_out_is_told(filled: History, visit: Visit) -> None:
    """Withdrawn records, and the earlier of two fits of the same recordings."""
    history = filled
    same = {"recording": "one sweep"}
    history.add([visit("Q17-b", "2026-08-01", 3000.0, 70.0, **same)])
    history.add([visit("Q17-b", "2026-08-01", 3000.0, 74.0, **same)], filing=Filing(note="fitted again"))
    trend = trend_of(history, "Q17")
    assert preload(trend).series.points[-1].value == 74.0
    assert "record 12 left out: record 13 is a later fit of the same recordings" in trend.notes
    history.correct(13, Changes(withdrawn=True), reason="oil level")
    assert preload(trend_of(history, "Q17")).series.points[-1].value == 70.0


def test_another_pack_under_one_name_is_no_course(history: History, visit: Visit) -> None:
    """A face count edited between visits: as a comparison refuses them, neither trend nor state goes through
    both, and trend and list say which record stands apart and what to do."""
    paths = [visit("Q17-b", f"2026-0{i}-01", *pair) for i, pair in enumerate(GOOD[:3], start=1)]
    first = json.loads(paths[0].read_text(encoding="utf-8"))
    first["builds"][0]["faces"] = 3
    first["sha256"] = None
    paths[0].write_text(json.dumps(first), encoding="utf-8")
    history.add(paths)
    found = trend_of(history, "Q17")
    said = "record 1 is apart from the newest of build Q17-b: its sheet states 3 faces at 46 mm, not 4 faces"
    assert [point.record for point in preload(found).series.points] == [2, 3]
    assert any(said in note for note in found.notes)
    assert found.state.visits[0].outcome is None
    listed = CliRunner().invoke(main, ["history", "list", "--store", history.label])
    assert said in " ".join(listed.output.split())


def test_several_builds_in_one_record(history: History, visit: Visit) -> None:
    """Quantities with a build behind their name belong to that build."""
    path = visit("Q17-b", "2026-01-01", 0.0, 82.0, other_builds=("Q17-c",))
    document = json.loads(path.read_text(encoding="utf-8"))
    document["parameters"]["preload_torque[Q17-c]"] = {
        **document["parameters"].pop("preload_torque"),
        "value": 60.0,
        "low": 58.0,
        "high": 62.0,
    }
    document["limits"] = [{**document["limits"][0], "quantity": "preload_torque[Q17-c]", "low": 55.0}]
    path.write_text(json.dumps(document), encoding="utf-8")
    history.add([path])
    course = preload(trend_of(history, "Q17", build="Q17-c"))
    assert [point.value for point in course.series.points] == [60.0]
    assert course.series.lower_limit == 55.0
    assert "preload_torque" not in {
        c.series.quantity for c in trend_of(history, "Q17", build="Q17-b").courses
    }


def test_each_build_of_one_record_has_its_own_day(history: History, visit: Visit) -> None:
    """As its sheet states it, else that of the record; a correction of the record is for all of it."""
    path = visit("Q17-b", "2026-01-01", 0.0, 82.0, other_builds=("Q17-c", "Q17-d"))
    document = json.loads(path.read_text(encoding="utf-8"))
    document["builds"][0]["date"], document["builds"][1]["date"] = "2026-01-05", "2026-01-09"
    path.write_text(json.dumps(document), encoding="utf-8")
    history.add([path])

    def days() -> list[str]:
        trends = (trend_of(history, "Q17", build=build) for build in ("Q17-b", "Q17-c", "Q17-d"))
        return [preload(trend).series.points[0].date for trend in trends]

    assert days() == ["2026-01-05", "2026-01-09", "2026-01-01"]
    history.correct(1, Changes(date="2026-02-20"), reason="log book")
    assert days() == ["2026-02-20"] * 3


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("Q18",), "there is no record of unit 'Q18'. Mend: name one of Q17"),
        (("Q17", "--build", "Z"), "has no build 'Z'. Mend: name one of Q17-a, Q17-b"),
        (("Q17", "--quantity", "preload"), "has a quantity 'preload'"),
        (("Q17", "--limit", "preload_torque"), "write NAME=LOWEST"),
        (("Q17", "--limit", "preload_torque=75 N"), "--limit"),
        (("Q17", "--picture", "trend.gif"), "is no picture"),
    ],
)
def test_refusals(filled: History, arguments: tuple[str, ...], told: str) -> None:
    """One clear error, exit status 2."""
    refused = command(filled, *arguments)
    assert refused.exit_code == 2
    assert told in " ".join(refused.stderr.split())
    assert refused.stdout == ""


def test_every_record_withdrawn(history: History, visit: Visit) -> None:
    """Nothing to follow is said."""
    history.add([visit("Q17-b", "2026-01-01", 0.0, 82.0)])
    history.correct(1, Changes(withdrawn=True), reason="a test")
    with pytest.raises(HistoryError, match="withdrawn or damaged"):
        trend_of(history, "Q17")


def test_json_and_picture(filled: History, tmp_path: Path) -> None:
    """The document holds what the text says; the picture is one, and names what it shows."""
    picture = tmp_path / "trend.svg"
    ran = command(filled, "Q17", "--json", "--picture", str(picture))
    assert ran.exit_code == 0
    document = json.loads(ran.stdout)
    found = document["quantities"]["preload_torque"]
    assert (document["format"], document["over"], found["state"]) == (
        "diffbench-trend/1",
        "distance",
        "falling",
    )
    assert len(found["records"]) == 6
    assert len(found["control"]["moving_average"]) == 4
    root = ET.parse(picture).getroot()
    assert root.tag.endswith("svg")
    again = command(filled, "Q17", "--picture", str(tmp_path / "trend.png"))
    assert "Written:" in again.stdout
    assert (tmp_path / "trend.png").read_bytes().startswith(b"\x89PNG")


def by_hand(x: np.ndarray, y: np.ndarray, stated: float) -> tuple[float, float, float, float, float]:
    """Value at zero, slope, scatter as observed, as pooled with eight degrees of freedom of the stated one
    (JCGM 100, H.3.6), and its degrees of freedom."""
    found = linregress(x, y)
    freedom = len(x) - 2
    observed = math.sqrt(float(np.sum((y - found.intercept - found.slope * x) ** 2)) / freedom)
    sigma = math.sqrt((freedom * observed**2 + 8 * stated**2) / (freedom + 8))
    return found.intercept, found.slope, observed, sigma, freedom + 8


def test_every_number_of_the_document(filled: History) -> None:
    """Of what stands in it against other code and by hand, field by field: none is left out."""
    document = document_of(trend_of(filled, "Q17"))
    state, quantities = document.pop("state"), document.pop("quantities")
    assert state["format"] == "diffbench-state/1"
    assert list(quantities) == ["preload_torque", "ramp_bias_drive_loading"]
    assert document == {
        "format": "diffbench-trend/1",
        "unit": "Q17",
        "build": "Q17-b",
        "builds": ["Q17-a", "Q17-b"],
        "over": "distance",
        "limit_reached": False,
        "failed": False,
        "notes": [],
    }
    found = quantities["preload_torque"]
    x = np.array([0.0, 0.0, 590e3, 1220e3, 1840e3, 2390e3])
    y = np.array([82.0, 81.6, 80.9, 79.0, 76.9, 75.4])
    visit, shared = math.hypot(1.2, 0.1), 0.2  # repeatability and noise are new at every visit, a gain is not
    u = math.hypot(visit, shared)
    records = [
        {
            "record": 6 + i, "date": f"2026-0{i + 1}-01", "x": x[i], "value": y[i], "u": u, "u_visit": visit,
            "u_shared": shared, "low": y[i] - 1.959964 * u, "high": y[i] + 1.959964 * u,
        }
        for i in range(6)
    ]  # fmt: skip
    for told, one in zip(found.pop("records"), records, strict=True):
        assert told == pytest.approx(one)
    zero, slope, observed, sigma, freedom = by_hand(x, y, visit)
    spread, centre = float(np.sum((x - x.mean()) ** 2)), x.mean()
    u_slope = sigma / math.sqrt(spread)
    assert found.pop("line") == pytest.approx(
        {
            "at_zero": zero, "u_at_zero": sigma * math.sqrt(1 / 6 + centre**2 / spread), "slope": slope,
            "u_slope": u_slope, "sigma": sigma, "degrees_of_freedom": freedom, "sigma_observed": observed,
            "sigma_stated": visit,
        }
    )  # fmt: skip
    change, reach = 2390e3 * slope / zero, t.ppf(0.975, freedom) * 2390e3 * u_slope / zero
    assert found.pop("change") == pytest.approx(
        {"value": change, "low": change - reach, "high": change + reach}
    )
    limit = found.pop("lower_limit")
    assert (limit["limit"], limit["open_at_start"], limit["reached"]) == (70.0, False, False)
    for side, key in ((-1.0, "not_before"), (0.0, "expected"), (1.0, "reached_by")):
        away = limit[key] - centre
        bound = math.sqrt(sigma**2 * (1 / 6 + away**2 / spread) + shared**2)
        at = zero + slope * limit[key] + side * t.ppf(0.95, freedom) * bound
        assert at == pytest.approx(70.0, abs=1e-6), key
    ahead = 2390e3 * 5 / 4  # one stretch like the four so far
    bound = math.sqrt(sigma**2 * (1 / 6 + (ahead - centre) ** 2 / spread) + shared**2)
    there = zero + slope * ahead
    assert found.pop("next_event") == pytest.approx(
        {
            "limit": 70.0, "until": ahead, "value": there,
            "chance": t.cdf((there - 70.0) / bound, freedom), "answer": "yes",
        }
    )  # fmt: skip
    charts = found.pop("control")
    watched = by_hand(x[:-1], y[:-1], visit)  # without the newest, which it is to find
    assert (charts["target"], charts["baseline_records"]) == (pytest.approx(81.8), 2)
    assert charts["sigma"] == pytest.approx(watched[3])
    average, down, signals = 81.8, 0.0, []
    for i, value in enumerate(y[2:]):
        average = 0.3 * value + 0.7 * average
        down = max(0.0, down + (81.8 - value) / watched[3] - 0.5)
        assert charts["moving_average"][i] == pytest.approx(average)
        assert charts["downward_sum"][i] == pytest.approx(down)
        signals.append((average < charts["low"][i], down > charts["decision_limit"]))
    assert charts["upward_sum"] == [0.0, 0.0, 0.0, 0.0]
    assert np.add(charts["low"], charts["high"]) == pytest.approx(np.full(4, 2 * 81.8))
    for key, each in zip(("moving_average_signal", "sum_signal"), zip(*signals, strict=True), strict=True):
        assert charts[key] == each.index(True), key
    newest = found.pop("newest")
    assert newest.pop("point")["record"] == 11
    assert newest == {"lower_limit": 70.0, "upper_limit": 90.0, "outcome": "conforming", "below": False}
    earlier = found.pop("earlier_builds")
    assert [point["value"] for point in earlier["Q17-a"]] == [84.0, 82.1, 79.4, 78.3, 75.2]
    assert found == {
        "unit": "N·m",
        "state": "falling",
        "reason": "the whole interval lies below zero",
        "more_records_needed": None,
        "jump": None,
        "u_shared": pytest.approx(shared),
    }


def test_a_line_that_has_passed_a_limit() -> None:
    """By the two-sided interval of the line at the last record, where no record has an interval of its own:
    a hair's breadth decides, on both sides of it."""
    x, y = np.array([0.0, 500e3, 1100e3, 1600e3, 2400e3]), np.array([83.1, 81.0, 80.4, 78.2, 77.1])
    points = [Point(i, "2026-01-01", *pair, None, 0.9, 0.3) for i, pair in enumerate(zip(x, y, strict=True))]
    series = Series("Q17-a", "preload_torque", "N·m", "distance", tuple(points), None)
    zero, slope, _, sigma, freedom = by_hand(x, y, 0.9)
    away = (2400e3 - x.mean()) ** 2 / np.sum((x - x.mean()) ** 2)
    upper = zero + slope * 2400e3 + t.ppf(0.975, freedom) * math.sqrt(sigma**2 * (0.2 + away) + 0.3**2)
    for above, reached in ((1e-6, True), (-1e-6, False)):
        assert course_of(series, limit=upper + above).reached is reached
    assert course_of(series).lasting is None


def test_a_loss_that_is_excluded_by_hand() -> None:
    """80 and 79 N·m with 0.584 N·m stated: the interval of the change reaches 1 + 2.306 √2 0.584 = 2.904 N·m
    down, 3.6 % of the 80 N·m that it began with."""
    points = [Point(i, "2026-01-01", 1e6 * i, 80.0 - i, 0.584, 0.584, 0.0) for i in range(2)]
    found = course_of(Series("Q17-a", "preload_torque", "N·m", "distance", tuple(points), None))
    assert (found.state, found.needed) == ("steady", None)
    assert found.reason == "no loss of more than 3.6 % so far lies in the interval"
    assert found.change is not None
    assert found.change == pytest.approx((-1.0 / 80.0, -2.9044 / 80.0, 0.9044 / 80.0), abs=1e-5)


@pytest.mark.parametrize(
    ("u", "fall"), [(1.2, 0.3), (1.4, 0.3), (1.6, 0.3), (2.0, 0.3), (2.0, 5.0), (3.2, 7.0)]
)
def test_how_many_more_records_a_loss_takes(u: float, fall: float) -> None:
    """82.0 N·m and less 600 km on: that they hide 5 % of 82 N·m over this way, or the greater fall that they
    show, would show once it is Student's and the normal's factor (95 %, nine times in ten) times the slope's
    doubt, records 600 km apart."""
    points = [Point(i, "2026-01-01", 600e3 * i, 82.0 - fall * i, u, u, 0.0) for i in range(2)]
    found = course_of(Series("Q17-a", "preload_torque", "N·m", "distance", tuple(points), None))
    needed = 0
    shown = False
    while not shown:
        needed += 1
        x = 600e3 * np.arange(2 + needed)
        u_slope = u / math.sqrt(float(np.sum((x - x.mean()) ** 2)))
        shown = (t.ppf(0.975, 8 + needed) + norm.ppf(0.9)) * u_slope <= max(0.05 * 82.0, fall) / 600e3
    assert (found.state, found.needed) == ("open", needed)
    what = "a loss of 5 % over the way so far" if fall < 0.05 * 82.0 else "the fall that shows"
    assert found.reason.startswith(f"{what} would not stand out")


def test_a_series_without_records_says_nothing() -> None:
    """No line, nothing that records share, and three are needed."""
    found = course_of(Series("Q17-a", "preload_torque", "N·m", "distance", (), None))
    assert (found.state, found.needed, found.line, found.charts, found.shared) == ("open", 3, None, None, 0.0)


def test_a_small_jump_upward_is_told_as_such() -> None:
    """A bias of 0.51 that is 0.71 from one record to the next: it rose, in a unit of one."""
    values = (0.51, 0.512, 0.509, 0.511, 0.71)
    points = [Point(i, f"2026-0{i + 1}-01", 4e5 * i, y, 0.005, 0.005, 0.0) for i, y in enumerate(values)]
    found = course_of(Series("Q17-a", "ramp_bias_drive_loading", "1", "distance", tuple(points), None))
    assert found.state == "jumped"
    assert "it rose at once between record 3 (2026-04-01) and record 4 (2026-05-01)" in found.reason
    assert "from record to record 0.511 to 0.71, +38.9 %" in found.reason


def test_the_next_event_by_events_and_distance(history: History, visit: Visit) -> None:
    """1500 km between the first event and the sixth: the next one ends 300 km on, however few records there
    are."""
    places = ((0.0, 82.0, 1), (600.0, 81.0, 2), (1500.0, 80.2, 6))
    for number, (kilometres, value, events) in enumerate(places):
        (added,) = history.add([visit("Q17-b", f"2026-0{number + 1}-01", kilometres, value)])
        history.correct(added.record.number, Changes(events=events), reason="log book")
    assert preload(trend_of(history, "Q17", axis="distance")).ahead == pytest.approx(1800e3)


GOOD = ((0.0, 82.0), (400.0, 81.6), (800.0, 82.3), (1200.0, 81.7), (1600.0, 82.1))


@pytest.mark.parametrize("good", range(len(GOOD) + 1))
@pytest.mark.parametrize("u", [1.2, None])
def test_good_records_do_not_hide_a_worn_unit(
    history: History, visit: Visit, good: int, u: float | None
) -> None:
    """The newest record, proven below its limit by itself, counts however many good ones stand before
    it, with and without a stated repeatability."""
    pairs = [*GOOD[:good], (400.0 * good, 66.0)]
    history.add([visit("Q17-b", f"2026-0{i}-01", *pair, u=u) for i, pair in enumerate(pairs, start=1)])
    ran = command(history, "Q17")
    assert ran.exit_code == 1
    told = " ".join(ran.stdout.split())
    assert "OUT OF LIMITS, proven to be below 70 to 90 N·m" in told
    assert "lower limit 70 N·m: REACHED" in told
    assert "the limit is held" not in told
    document = document_of(trend_of(history, "Q17"))
    found = document["quantities"]["preload_torque"]
    assert (document["failed"], document["limit_reached"]) == (True, True)
    assert (found["newest"]["outcome"], found["newest"]["below"]) == ("not conforming", True)
    assert json.dumps(document, allow_nan=False)


def test_a_jump_is_no_slope(history: History, visit: Visit) -> None:
    """It is told as what it is, between which records, and the charts' limits are those of the records before
    it: the invented scatter of some 0.3 N·m with 1.2 N·m stated, not the 16 N·m of the step."""
    pairs = [*GOOD, (2000.0, 66.0)]
    history.add([visit("Q17-b", f"2026-0{i}-01", *pair) for i, pair in enumerate(pairs, start=1)])
    course = preload(trend_of(history, "Q17"))
    assert course.state == "jumped"
    assert course.jump is not None
    assert course.jump.at == 5
    assert course.jump.size == pytest.approx(66.0 - 82.0, abs=1.0)
    assert course.change is not None
    size, low, high = course.change
    assert size == pytest.approx(-16.0 / 82.0, abs=0.01)
    assert -0.3 < low < size < high < 0.0  # by so much that nobody takes it for none
    assert course.charts is not None
    assert course.charts.sigma < 1.2
    assert course.charts.average_signal == 4
    text = " ".join(text_of(trend_document(trend_of(history, "Q17")), 100).split())
    assert "fell at once" in text
    assert "between record 5 (2026-05-01) and record 6 (2026-06-01)" in text


def test_a_jump_against_a_sloping_course_says_what_it_is_from(history: History, visit: Visit) -> None:
    """81.6, 75.7, 86.1 N·m at equal steps: the line through the first two stands at 69.8 N·m at the third, so
    that the jump is 16.3 N·m, 23 % of that, where the records themselves are 13.7 % apart. Both are told."""
    rungs = zip((0.0, 400.0, 800.0), (81.6, 75.7, 86.1), strict=True)
    history.add([visit("Q17-b", f"2026-0{i}-01", *pair) for i, pair in enumerate(rungs, start=1)])
    course = preload(trend_of(history, "Q17"))
    assert course.change is not None
    assert course.change[0] == pytest.approx(16.3 / 69.8, abs=0.001)
    assert "from that line, 69.8 N·m there" in course.reason
    assert "from record to record 75.7 to 86.1 N·m, +13.7 %" in course.reason


def test_after_a_jump_a_new_line_begins(history: History, visit: Visit) -> None:
    """Records after it are followed by themselves: here they stay where they are."""
    pairs = [*GOOD, (2000.0, 76.0), (2400.0, 76.2), (2800.0, 75.9), (3200.0, 76.1)]
    history.add([visit("Q17-b", f"2026-0{i}-01", *pair) for i, pair in enumerate(pairs, start=1)])
    course = preload(trend_of(history, "Q17"))
    assert course.state == "jumped"
    assert course.line is not None
    assert course.line.count == 4
    assert float(course.line.at(2.6e6)) == pytest.approx(np.mean([76.0, 76.2, 75.9, 76.1]), abs=0.1)
    assert not course.reached


def test_above_the_upper_limit(history: History, visit: Visit) -> None:
    """A newest record proven to be above is out of limits as well, though no lower limit is reached."""
    history.add([visit("Q17-b", "2026-01-01", 0.0, 82.0), visit("Q17-b", "2026-02-01", 400.0, 96.0)])
    ran = command(history, "Q17")
    assert ran.exit_code == 1
    assert "OUT OF LIMITS, proven to be above 70 to 90 N·m" in " ".join(ran.stdout.split())
    assert not trend_of(history, "Q17").reached


def test_numbers_that_rest_on_other_statements(history: History, visit: Visit) -> None:
    """A friction by the spring's force in one record, by ramp angles in the next: told, with the records;
    what is in every record, or a part of one below a tenth of the variance, is not. Of the friction radius it
    is 10.5 %, of the heat capacity 9.5 %."""
    force = {
        "spring force (build sheet)": 0.0034,
        "friction radius (build sheet)": 0.0034 * math.sqrt(0.105 / 0.895),
        "gear friction (build sheet)": 1e-5,
        "noise": 1e-5,
    }
    angle = {
        "gear friction (build sheet)": 0.0014,
        "bench repeatability": 0.0012,
        "plate heat capacity (build sheet)": math.sqrt(0.095 / 0.905) * math.hypot(0.0014, 0.0012),
        "ramp angle (build sheet): no uncertainty stated, counts as exact": 0.0,
    }
    paths = []
    for number, (value, budget) in enumerate(((0.1132, force), (0.1063, angle), (0.1061, angle))):
        path = visit("Q17-b", f"2026-0{number + 1}-01", 500.0 * number, 82.0 - number)
        document = json.loads(path.read_text(encoding="utf-8"))
        document["parameters"]["friction_coefficient"] = parameter(value, budget)
        path.write_text(json.dumps(document), encoding="utf-8")
        paths.append(path)
    history.add(paths)
    (told,) = trend_of(history, "Q17").notes
    assert told.startswith("friction_coefficient does not rest on the same statements")
    assert "on friction radius and spring force in record 1; on ramp angle in record 2, 3" in told


def test_friction_is_listed_with_its_own_interval(history: History, visit: Visit) -> None:
    """Records whose friction rests on the sheet's spring force are followed by their change; what each says
    by itself is listed all the same, ±1.96 times √(0.0034² + 0.0017²) by hand, by both commands."""
    budget = {"spring force (build sheet)": 0.0034, "bench repeatability": 0.0017}
    for number, value in enumerate((0.1132, 0.1061)):
        path = visit("Q17-b", f"2026-0{number + 1}-01", 500.0 * number, 82.0)
        document = json.loads(path.read_text(encoding="utf-8"))
        document["parameters"]["friction_coefficient"] = parameter(value, budget)
        path.write_text(json.dumps(document), encoding="utf-8")
        history.add([path])
    for words in (("history", "list"), ("trend", "Q17")):
        shown = CliRunner().invoke(main, [*words, "--store", history.label]).stdout
        assert "friction" in shown
        assert "0.113 (0.106 to 0.121)" in shown, shown
        assert "0.106 (0.099 to 0.114)" in shown, shown
