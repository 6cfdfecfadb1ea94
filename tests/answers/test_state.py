"""One judgement of a unit: the same records give the same state, whatever the order and the command."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import linregress, norm, t

sys.path.insert(0, str(Path(__file__).parents[1] / "history"))
sys.path.insert(0, str(Path(__file__).parents[1] / "recovery"))

from invented_results import parameter, result, write
from lives import Bench, Place, drawer_of

from diffbench.answers import AGAINST_THE_BENCH, Limit, Stock, advise, compare, gravest, judge, judge_builds
from diffbench.answers.line import find_jump
from diffbench.cli import main
from diffbench.errors import FitError
from diffbench.history import open_history
from diffbench.report import card_files
from diffbench.report.judgement import judged
from diffbench.results import Characterisation, State
from diffbench.trend import state_by, trend_of, visits_of

LIMITS = {"preload_torque": (70.0, 90.0)}


def visit(
    preload: float,
    *,
    kilometres: float | None = 0.0,
    day: int = 1,
    refit: float | None = 1.2,
    build: str = "Q17-a",
    limits: dict[str, tuple[float, float]] | None = None,
    recording: str = "",
) -> dict[str, Any]:
    """One invented record."""
    budget = {"noise": 0.2, **({} if refit is None else {"bench repeatability": refit})}
    return result(
        "Q17",
        build,
        date=f"2026-{1 + day // 28:02d}-{1 + day % 28:02d}",
        distance_km=kilometres,
        parameters={"preload_torque": parameter(preload, budget, "N·m")},
        limits=LIMITS if limits is None else limits,
        recording=recording or f"{preload} {kilometres} {day} {build}",
    )


def kinds(state: State) -> list[str]:
    return [reason.kind for reason in state.reasons]


@pytest.mark.parametrize(
    ("records", "state", "reason", "step"),
    [
        ([visit(81.7)], "good", "within-limits", "nothing"),
        ([visit(81.7, refit=None)], "good-with-doubt", "refits-unknown", "measure-repeatability"),
        ([visit(87.9)], "good-with-doubt", "limit-close", "measure-again"),
        ([visit(72.0, refit=1.2)], "cannot-be-told", "limit-not-proven", "measure-again"),
        ([visit(65.9)], "out-of-limits", "beyond-limit", "state-shim-and-springs"),
        ([visit(94.0)], "out-of-limits", "beyond-limit", "state-shim-and-springs"),
        ([visit(81.7, limits={})], "cannot-be-told", "no-limits", "state-limits"),
        ([visit(81.7), visit(72.5, day=2)], "records-contradict", "visits-disagree", "check-records"),
        (
            [visit(81.7), visit(72.5, day=2), visit(80.9, kilometres=500.0, day=9)],
            "good-with-doubt",
            "earlier-visits-disagree",
            "check-records",
        ),
        (
            [visit(y, kilometres=500.0 * i, day=9 * i) for i, y in enumerate((88.0, 88.2, 87.8, 76.0, 76.2))],
            "watch",
            "jump",
            "inspect",
        ),
        (
            [visit(y, kilometres=500.0 * i, day=9 * i) for i, y in enumerate((88.0, 84.1, 79.8, 75.9))],
            "watch",
            "limit-ahead",
            "measure-again",
        ),
    ],
)
def test_each_state(records: list[dict[str, Any]], state: str, reason: str, step: str) -> None:
    """Cases by hand: limits 70 to 90 N·m, intervals of 2.4 N·m to either side."""
    found = judge(records)
    assert (found.state, found.reason.kind, found.next_step.kind) == (state, reason, step)
    assert found.failed == (state == "out-of-limits")
    assert State.model_validate_json(found.to_json()) == found


@pytest.mark.parametrize(
    ("values", "side", "limit"),
    [((88.0, 84.1, 79.8, 75.9), "lower", 70.0), ((72.1, 75.9, 80.2, 84.3), "upper", 90.0)],
)
def test_a_limit_ahead_by_hand(values: tuple[float, ...], side: str, limit: float) -> None:
    """The line through four records and one stretch of 500 km on, its scatter pooled with √(1.2² + 0.2²) N·m
    as stated by their 2 and 8 degrees of freedom: value, 95 % interval and the chance to hold the limit."""
    x = np.array([0.0, 400e3, 1100e3, 1500e3])
    found = judge([visit(y, kilometres=x[i] / 1e3, day=9 * i) for i, y in enumerate(values)])
    (ahead,) = [one for one in found.reasons if one.kind == "limit-ahead"]
    line = linregress(x, values)
    rest = np.array(values) - line.intercept - line.slope * x
    sigma = math.sqrt((float(rest @ rest) + 8.0 * (1.2**2 + 0.2**2)) / 10.0)
    value = line.intercept + line.slope * 2000e3
    u = sigma * math.sqrt(0.25 + (2000e3 - x.mean()) ** 2 / float(np.sum((x - x.mean()) ** 2)))
    reach = t.ppf(0.975, 10.0) * u
    over = (value - limit) / u if side == "lower" else (limit - value) / u
    assert (ahead.at, ahead.limit, ahead.side, ahead.over) == (2000e3, limit, side, "distance")
    assert (ahead.value, ahead.low, ahead.high) == pytest.approx((value, value - reach, value + reach))
    assert ahead.chance == pytest.approx(t.cdf(over, 10.0))


def test_every_number_of_a_state() -> None:
    """One record at 72 N·m of 70 to 90, known to √(1.2² + 0.2²): its interval, the chance to stand above the
    limit by the normal distribution, guard bands of 1.96 times that, and the visits that would settle it."""
    found = judge([visit(72.0, kilometres=3.0)]).content()
    u = math.hypot(1.2, 0.2)
    low, high = 72.0 - 1.96 * u, 72.0 + 1.96 * u
    (record,) = {one["record"] for one in found["visits"]}
    # known to 2/(1.96 + 1.645) the limit would be: that takes so many visits in all, one less from here
    every = math.ceil((u * (1.959964 + 1.644854) / 2.0) ** 2)
    (reason,) = found.pop("reasons")
    assert reason == {
        "kind": "limit-not-proven", "quantity": "preload_torque", "unit": "N·m", "value": 72.0,
        "low": pytest.approx(low), "high": pytest.approx(high), "limit": 70.0, "side": "lower",
        "chance": pytest.approx(norm.cdf(2.0 / (1.96 * u / 1.959964)), rel=1e-9), "part": None,
        "dates": ["2026-01-02"], "records": [record], "at": None, "over": None, "name": None,
    }  # fmt: skip
    assert found.pop("next_step") == {
        "kind": "measure-again", "quantity": "preload_torque", "part": None, "shim": None,
        "visits": every - 1, "missing": [], "cautions": ["torque", "speed", "heat"],
        "tested_torque_Nm": [0.0, 0.0],
        "tested_speed_rad_s": 1.0,
    }  # fmt: skip
    half = pytest.approx(1.96 * u)
    (limit,) = found.pop("limits")
    assert limit == {
        "quantity": "preload_torque", "unit": "N·m", "low": 70.0, "high": 90.0, "value": 72.0,
        "guard_low": half, "guard_high": half, "accept_low": pytest.approx(70.0 + 1.96 * u),
        "accept_high": pytest.approx(90.0 - 1.96 * u), "reject_below": pytest.approx(70.0 - 1.96 * u),
        "reject_above": pytest.approx(90.0 + 1.96 * u), "provable": True, "outcome": "not proven",
    }  # fmt: skip
    assert found.pop("rule").startswith("ISO 14253-1: conforming where the whole 95 % interval lies within")
    assert found == {
        "format": "diffbench-state/1", "unit": "Q17", "build": "Q17-a", "date": "2026-01-02",
        "state": "cannot-be-told", "failed": False,
        "visits": [
            {"record": record, "build": "Q17-a", "date": "2026-01-02", "distance_m": 3000.0, "events": None,
             "outcome": "not proven"}
        ],
    }  # fmt: skip


@pytest.mark.parametrize(("beyond", "kind"), [(-1e-3, "limit-not-proven"), (1e-3, "limit-close")])
@pytest.mark.parametrize("side", ["lower", "upper"])
def test_a_limit_is_close_from_a_chance_of_95_per_cent_on(beyond: float, kind: str, side: str) -> None:
    """To hold it; by a thousandth of a newton metre."""
    reach = 1.644854 * 1.96 * math.hypot(1.2, 0.2) / 1.959964 + beyond
    (reason,) = judge([visit(70.0 + reach if side == "lower" else 90.0 - reach)]).reasons
    assert (reason.kind, reason.side, reason.limit) == (kind, side, 70.0 if side == "lower" else 90.0)
    assert reason.chance == pytest.approx(0.95, abs=2e-3)


def test_what_disagrees_and_what_jumps_in_numbers() -> None:
    """How far visits of one place lie apart, lowest and highest, with both days and records; a jump by the
    step, its interval, and the records beside it."""
    records = [visit(81.7), visit(72.5, day=2)]
    found = judge(records)
    apart = found.reasons[0]
    assert (apart.kind, apart.quantity, apart.unit) == ("visits-disagree", "preload_torque", "N·m")
    assert (apart.value, apart.low, apart.high) == pytest.approx((9.2, 72.5, 81.7))
    assert (apart.dates, apart.records) == (
        ["2026-01-02", "2026-01-03"],
        [one.record for one in found.visits],
    )
    assert found.next_step.quantity == "preload_torque"
    # farther apart than once in a thousand times, shared by three quantities: by the normal's tables
    limit = math.sqrt(2.0) * math.hypot(1.2, 0.2) * norm.isf(0.001 / 3.0 / 2.0)
    for share, told in ((0.999, False), (1.001, True)):
        seen = kinds(judge([visit(80.0), visit(80.0 + share * limit, day=2)]))
        assert ("visits-disagree" in seen) is told
    values = (88.0, 88.2, 87.8, 76.0, 76.2)
    found = judge([visit(y, kilometres=500.0 * i, day=9 * i) for i, y in enumerate(values)])
    jump = found.reasons[0]
    step = find_jump([5e5 * i for i in range(5)], values, stated=math.hypot(1.2, 0.2))
    assert step is not None
    assert (jump.value, jump.low, jump.high) == pytest.approx((step.size, step.low, step.high))
    assert jump.dates == [found.visits[2].date, found.visits[3].date]
    assert jump.records == [found.visits[2].record, found.visits[3].record]


def test_a_test_that_is_flawed_tells_nothing() -> None:
    """A finding that stops speaks against every number of the visit; a limit proven broken stays a fail."""
    flawed = {"name": "sign of speed", "severity": "stop", "where": "", "evidence": "", "effect": ""}
    for preload, state in ((81.7, "cannot-be-told"), (60.0, "out-of-limits")):
        record = visit(preload)
        record["findings"] = [{**flawed, "mend": ""}]
        assert judge([record]).state == state
        assert "test-flawed" in kinds(judge([record]))


def test_a_record_that_doubts_its_own_bench_is_not_done_with() -> None:
    """A caveat by which the recordings contradict the papers: good is said with doubt, and the step is to
    mend the test; what was merely not tested goes with the record, and changes neither."""
    rest = {"severity": "caveat", "where": "", "evidence": "", "effect": "", "mend": ""}
    against, scope = visit(81.7), visit(81.7)
    against["findings"] = [
        {**rest, "name": name} for name in ("gain mismatch", "zero drift", "no drive samples")
    ]
    scope["findings"] = [{**rest, "name": "no drive samples"}]
    found = judge([against])
    assert (found.state, found.next_step.kind) == ("good-with-doubt", "mend-test")
    assert found.reason.name == "gain mismatch; zero drift"
    said = " ".join(judged(found).reasons)
    assert "81.7 N·m" in said
    assert "speaks against these numbers" in said
    assert judge([scope]).next_step.kind == "nothing"
    worse = visit(65.9)
    worse["findings"] = against["findings"]
    assert judge([worse]).state == "out-of-limits"
    assert any("speaks against" in text for text in judged(judge([worse])).reasons)


@pytest.mark.parametrize(
    ("distances", "contradicts"),
    [
        # once in a thousand times by chance: 3.291 of one, and of three 0.05/150 two-sided, 3.588
        ((3.2,), False),
        ((-3.4,), True),
        ((3.5, 1.0, 0.5), False),
        ((4.4, 4.7, 2.5), True),
        ((float("nan"),), True),
    ],
)
def test_a_good_unit_whose_build_sheet_is_contradicted_is_good_with_doubt(
    distances: tuple[float, ...], contradicts: bool
) -> None:
    """Another ramp than the sheet says is what a check after a rebuild is for: the preload holds its limits,
    and all the same there is something to do. What two standard uncertainties part is chance, in clean units
    with three checks once in seven."""
    names = ("effective ramp angle, drive", "effective ramp angle, coast", "friction_coefficient by force")
    record = visit(81.7)
    record["sheet_checks"] = [
        {
            "quantity": name, "from_bench": 44.0, "from_sheet": 40.0, "unit": "deg",
            "standard_uncertainties": distance, "readings": "",
        }
        for name, distance in zip(names, distances, strict=False)
    ]  # fmt: skip
    found = judge([record])
    if not contradicts:
        assert (found.state, found.next_step.kind) == ("good", "nothing")
        return
    assert (found.state, found.reason.kind) == ("good-with-doubt", "sheet-contradicted")
    assert (found.next_step.kind, found.next_step.cautions) == ("check-sheet", ["stored-force", "heat"])
    said = " ".join(judged(found).reasons)
    assert said.startswith("Preload torque: 81.7 N·m. That is inside its limits.")
    assert "The build sheet is contradicted: ramp angle in drive" in said
    assert ("ramp angle in coast" in said) == (len(distances) > 1)
    assert "friction" not in said
    # of another build of the same fit it is no doubt
    record["sheet_checks"] = [{**one, "quantity": f"{one['quantity']}[b]"} for one in record["sheet_checks"]]
    assert judge([record]).state == "good"
    # what is worse decides, and the doubt is told beside it
    worse = judge(
        [{**record, **visit(65.9), "sheet_checks": [{**record["sheet_checks"][0], "quantity": names[0]}]}]
    )
    assert worse.state == "out-of-limits"
    assert any("contradicted" in text for text in judged(worse).reasons)


@pytest.mark.parametrize(
    ("preload", "state", "reason", "step"),
    [
        # within its limits a doubt; open, what it comes from; beyond a limit, no excuse
        (81.7, "good-with-doubt", "sheet-contradicted", "check-sheet"),
        (72.0, "cannot-be-told", "law-contradicted", "check-sheet"),
        (None, "cannot-be-told", "law-contradicted", "check-sheet"),
        (65.9, "out-of-limits", "beyond-limit", "state-shim-and-springs"),
    ],
)
def test_a_stated_law_that_the_bench_decides_against(
    preload: float | None, state: str, reason: str, step: str
) -> None:
    """Greater-of is stated, and additive leads by 10.5 in BIC: head and step name the law, and nobody is sent
    to test more. A lead of 9.5 decides nothing (Kass and Raftery), and a law that was measured is no
    statement."""
    record = visit(preload or 80.0)
    if preload is None:
        record["parameters"]["preload_torque"].update(value=None, u=None, low=None, high=None)

    def by(lead: float, status: str = "stated") -> State:
        law = {"chosen": "greater-of", "status": status, "reason": ""}
        return judge([{**record, "law": {**law, "information": {"additive": 0.0, "greater-of": lead}}}])

    found = by(10.5)
    assert (found.state, found.reason.kind, found.next_step.kind) == (state, reason, step)
    words = judged(found)
    assert any("law" in text for text in words.reasons)
    if step == "check-sheet":
        assert found.next_step.missing == ["preload.law"]
        assert words.step == ("Check the preload law in the build sheet, and fit again.",)
        assert words.caution == ()
    for silent in (by(9.5), by(10.5, "measured")):
        assert not any("law" in text for text in judged(silent).reasons)
        assert silent.next_step.kind != "check-sheet"


def test_springs_that_contradict_their_force_are_a_doubt_of_the_sheet() -> None:
    record = visit(81.7)
    rest = {"severity": "caveat", "where": "", "evidence": "", "effect": "", "mend": ""}
    record["findings"] = [{**rest, "name": "springs cannot carry the force"}]
    found = judge([record])
    assert (found.state, found.next_step.kind) == ("good-with-doubt", "check-sheet")
    assert "contradicted: springs against spring force." in " ".join(judged(found).reasons)


def test_what_speaks_against_a_bench_stands_on_the_page_of_checks() -> None:
    page = (Path(__file__).parents[2] / "diffbench" / "guide" / "checks.md").read_text(encoding="utf-8")
    assert all(f"`{name}`" in page for name in AGAINST_THE_BENCH)


def test_what_is_limited_and_not_determined_is_asked_for() -> None:
    """A limit on a quantity that no test showed: it is named, with how far the unit was tested."""
    record = visit(81.7, limits={**LIMITS, "ramp_bias_drive": (0.4, 0.6)})
    found = judge([record])
    assert (found.state, found.reason.quantity) == ("cannot-be-told", "ramp_bias_drive_loading")
    step = found.next_step
    assert step.kind == "measure-more"
    assert set(step.cautions) == {"torque", "speed", "heat"}
    assert step.tested_torque_Nm == (0.0, 0.0)
    assert step.tested_speed_rad_s == 1.0


def test_visits_at_one_place_prove_more_than_one() -> None:
    """Four refits at 71.6 N·m of 70: one by itself, known to 1.2, is open; their mean, to 0.6, is not."""
    four = [visit(y, day=i) for i, y in enumerate((71.5, 71.2, 72.1, 71.6))]
    assert judge(four[:1]).state == "cannot-be-told"
    found = judge(four)
    assert found.state == "good"
    assert found.reason.value == pytest.approx(71.6)
    assert found.reason.low == pytest.approx(71.6 - 1.959964 * np.hypot(1.2, 0.2) / 2.0, rel=1e-6)


@pytest.mark.parametrize("values", [(81.7, 62.0), (62.0, 81.7)])
def test_a_record_beyond_its_limit_fails_whatever_others_say(values: tuple[float, float]) -> None:
    """Visits of one place that contradict each other: which is right is open, but a broken limit fails."""
    found = judge([visit(value, day=i) for i, value in enumerate(values)])
    assert (found.state, found.failed, found.exit_status) == ("records-contradict", True, 1)


def test_visits_that_are_needed() -> None:
    """At 71.2 N·m of 70 the mean must be known to 1.2/(1.96 + 1.645) = 0.333; one visit is known to 1.217:
    13.4 times its variance, so 14 in all, 13 more."""
    assert judge([visit(71.2)]).next_step.visits == 13


def test_limits_of_the_caller_and_another_build() -> None:
    """A limit by the caller goes before the sheet's; a build that is named before the newest."""
    records = [visit(81.7), visit(60.0, build="Q17-b", day=20)]
    assert judge(records).state == "out-of-limits"
    assert judge(records, build="Q17-a").state == "good"
    assert judge(records, build="Q17-a", limits={"preload_torque": Limit(85.0, None, "N·m")}).failed
    assert [state.build for state in judge_builds(records)] == ["Q17-a", "Q17-b"]
    assert gravest(judge_builds(records)).build == "Q17-b"
    with pytest.raises(FitError, match="no record is of build 'Q17-c'"):
        judge(records, build="Q17-c")


def test_records_that_cannot_be_judged_together() -> None:
    other = {**visit(80.0), "unit": "Q18"}
    with pytest.raises(FitError, match="different units"):
        judge([visit(80.0), other])
    with pytest.raises(FitError, match="no record"):
        judge([])


def told(state: State) -> dict[str, Any]:
    """What a state says of the unit."""
    return state.content()


preloads = st.floats(min_value=62.0, max_value=98.0).map(lambda y: round(y, 2))
placed = st.tuples(preloads, st.integers(0, 3), st.sampled_from([0.8, 1.2, 2.0]))


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(placed, min_size=1, max_size=6), st.randoms(use_true_random=False))
def test_every_command_says_the_same(
    tmp_path_factory: pytest.TempPathFactory, values: list[tuple[float, int, float]], chance: Any
) -> None:
    """Records in any order, from Python, a history, its listing and its trend: one state, one exit status."""
    folder = tmp_path_factory.mktemp("same")
    values = sorted(values, key=lambda one: one[1])
    records = [
        visit(y, kilometres=500.0 * place, day=30 * place + i, refit=u)
        for i, (y, place, u) in enumerate(values)
    ]
    wanted = told(judge(records))
    mixed = list(records)
    chance.shuffle(mixed)
    assert told(judge(mixed)) == wanted
    assert told(judge([Characterisation.model_validate(record) for record in mixed])) == wanted
    history = open_history(str(folder / "history.sqlite"))
    for i, record in enumerate(mixed):
        history.add([write(folder / f"{i}.json", record)])
    by_history, by_trend = state_by(visits_of(history, "Q17")[0]), trend_of(history, "Q17").state
    assert told(by_history) == told(by_trend) == wanted
    listed, followed = (
        CliRunner().invoke(main, [*words, "--json", "--store", history.label])
        for words in (["history", "list"], ["trend", "Q17"])
    )
    assert json.loads(listed.stdout)["states"]["Q17"] == json.loads(followed.stdout)["state"] == wanted
    assert listed.exit_code == followed.exit_code == int(wanted["failed"])
    if len(records) == 1:
        alone = CliRunner().invoke(main, ["conformity", str(folder / "0.json"), "--json"])
        assert json.loads(alone.stdout)["state"] == wanted
        assert alone.exit_code == int(wanted["failed"])


def of_two_days() -> dict[str, Any]:
    """Two builds fitted together, each tested on its own day, the later one named first."""
    names = ("Q17-b", "Q17-a")
    record = result("Q17", names[0], date="2026-03-20", limits={}, other_builds=names[1:])
    for facts, day, preload in zip(record["builds"], ("2026-03-20", "2026-03-02"), (60.0, 81.7), strict=True):
        facts["date"] = day
        name = f"preload_torque[{facts['build']}]"
        record["parameters"][name] = parameter(preload, {"noise": 0.2, "bench repeatability": 1.2}, "N·m")
        limit = {"quantity": name, "low": 70.0, "high": 90.0, "unit": "N·m", "verdict": "within"}
        record["limits"].append(limit)
    del record["parameters"]["preload_torque"]
    return record


def made(record: dict[str, Any], at: str) -> dict[str, Any]:
    """The record as a fit of another time made it."""
    return {**record, "provenance": {**record["provenance"], "made": at}}


@pytest.mark.parametrize(
    ("records", "build", "state"),
    [
        # of builds that were fitted together the one of the latest day
        ([of_two_days()], "Q17-b", "out-of-limits"),
        # an earlier build that was put back
        ([visit(81.7, day=1), visit(60.0, build="Q17-b", day=10), visit(81.9, kilometres=9.0, day=20)],
         "Q17-a", "good"),
        # a second fit that was filed before the first
        ([made(visit(60.0, recording="one"), "2026-05-02"), made(visit(81.7, recording="one"), "2026-05-01")],
         "Q17-a", "out-of-limits"),
    ],
)  # fmt: skip
def test_which_record_is_the_newest_is_one_question(
    tmp_path: Path, records: list[dict[str, Any]], build: str, state: str
) -> None:
    """Files, a history, its listing and its trend judge the same build of the same day."""
    found = judge(records)
    assert (found.build, found.state) == (build, state)
    history = open_history(str(tmp_path / "history.sqlite"))
    for i, record in enumerate(records):
        history.add([write(tmp_path / f"{i}.json", record)])
    visits, _ = visits_of(history, "Q17")
    assert told(state_by(visits)) == told(trend_of(history, "Q17").state) == told(found)
    assert (visits[-1].fact.build, visits[-1].date) == (build, found.date)


def test_the_card_and_the_history_say_the_same(
    life: Callable[..., list[Characterisation]], tmp_path: Path
) -> None:
    """Faces that one more event like this would wear through, and one of six would not: who counts the
    events, the caller of a card or the history, changes nothing. An order that cannot be is refused."""
    worn = Place(0, 1860e3, SHIM, 1.0, 45e-6)
    both = life([FRESH[0], dataclasses.replace(worn, friction=0.97 / worn.spring(4))])
    for i, record in enumerate(both):
        (tmp_path / f"{i}.json").write_text(record.to_json(), encoding="utf-8")
    words = {"watch": "Watch", "good": "Good", "good-with-doubt": "Good, with doubt"}
    said = []
    for events in (None, 6):
        store = ["--store", str(tmp_path / f"{events}.sqlite")]
        for i in range(2):
            counted = [] if events is None else ["--events", str(i * events)]
            ran = CliRunner().invoke(main, ["history", "add", str(tmp_path / f"{i}.json"), *counted, *store])
            assert ran.exit_code == 0, ran.output
        listed, followed = (
            json.loads(CliRunner().invoke(main, [*command, "--json", *store]).stdout)
            for command in (["history", "list"], ["trend", both[0].unit])
        )
        state = listed["states"][both[0].unit]["state"]
        assert followed["state"]["state"] == state
        page = card_files(both[1], ("html",), before=both[0], events=events)["card.html"].decode()
        assert f'<p class="word">{words[state]}</p>' in page
        said.append(state)
    assert said[0] == "watch" != said[1]
    with pytest.raises(FitError, match="is later than"):
        card_files(both[0], ("html",), before=both[1])


@pytest.fixture(scope="module")
def life(demo: Any) -> Callable[[Sequence[Place]], list[Characterisation]]:
    """Records of the demo's unit, drawn."""

    def lived(places: Sequence[Place]) -> list[Characterisation]:
        bench = Bench(drawer_of(demo.characterisation, 7))
        return [bench.visit(place) for place in places]

    return lived


SHIM = 0.2e-3  # m, of the demo's build
FRESH = [Place(0, 0.0, SHIM, 1.0, 0.0)] * 2
WORN = Place(0, 1860e3, SHIM, 0.95, 60e-6)


def test_out_of_limits_leads_to_the_shim(life: Callable[..., list[Characterisation]]) -> None:
    """The demo after a season, drawn: the spring is let out, and a shim of those in stock brings the torque
    back to the middle of its limits, with the caution of a loaded spring."""
    found = judge([*life([*FRESH, WORN])])
    assert (found.state, found.reason.part) == ("out-of-limits", "spring")
    step = found.next_step
    assert step.kind == "fit-shim"
    assert "stored-force" in step.cautions
    assert step.shim is not None
    assert step.shim.shim_now_m == SHIM
    assert step.shim.shim_m > SHIM
    assert 70.0 < step.shim.low_Nm < step.shim.preload_torque_Nm < step.shim.high_Nm < 90.0
    have = (0.33e-3, 0.43e-3)
    other = judge([*life([*FRESH, WORN])], stock=Stock(shims=have)).next_step.shim
    assert other is not None
    assert other.shim_m in have


def test_shims_in_stock_may_stand_in_the_build_sheet(life: Callable[..., list[Characterisation]]) -> None:
    """The newest sheet that states them is chosen from by the state and by `advise`; what is asked goes
    before it; a result of a sheet that states none is written as before."""
    records, have = life([*FRESH, WORN]), [0.33e-3, 0.43e-3]
    assert "in_stock" not in records[0].to_json()

    def stating(record: Characterisation, shims: list[float]) -> Characterisation:
        facts = record.builds[0].model_copy(update={"shims_in_stock_m": shims})
        return record.model_copy(update={"builds": [facts]})

    papers = [stating(records[0], [0.1e-3]), records[1], stating(records[2], have)]
    again = Characterisation.model_validate_json(papers[2].to_json())
    assert again.builds[0].shims_in_stock_m == have
    for shims, stock in ((have, None), ([0.5e-3], Stock(shims=(0.5e-3,)))):
        step = judge(papers, stock=stock).next_step.shim
        assert step is not None
        assert step.shim_m in shims
    target = judge(records).limits[0]
    assert target.low is not None
    assert target.high is not None
    middle = 0.5 * (target.low + target.high)
    assert advise([papers[2]], target=middle).advised.shim_m in have
    assert {one.shim_m for one in advise([papers[2]], target=middle).candidates} == set(have)
    stepped = advise([papers[2]], target=middle, step=0.1e-3).advised.shim_m
    assert stepped == pytest.approx(1e-4 * round(1e4 * stepped))


def as_read(
    value: float, carried: float, doubt: float, *, heat: float = 21.0, **where: Any
) -> dict[str, Any]:
    """One invented visit by hand, whose limit is meant where it was read."""
    found = visit(carried, **where)
    weak = parameter(carried, {"weak: friction over speed": doubt, "bench repeatability": 1.2}, "N·m")
    found["parameters"]["preload_torque"] = {**weak, "status": "carried"}
    read = parameter(value, {"bench repeatability": 1.2, "transducer gain": 0.8}, "N·m")
    at = {"at_temperature_degC": heat, "at_speed_difference_rad_s": 0.17}
    found["parameters"]["preload_torque_as_read"] = {**read, **at}
    found["limits"][0]["judged"] = "preload_torque_as_read"
    return found


def test_what_is_judged_as_read_is_followed_as_read() -> None:
    """A carried number that rests on another range fell by a quarter; as read it fell by a twentieth."""
    places = ((84.0, 83.0, 4.9), (82.5, 80.6, 4.9), (81.0, 59.0, 10.5))
    seen = [
        as_read(value, carried, doubt, kilometres=300.0 * n, day=30 * n)
        for n, (value, carried, doubt) in enumerate(places)
    ]
    found = judge(seen)
    assert "jump" not in kinds(found)
    assert found.limits[0].value == pytest.approx(81.0)
    assert all(one.value is None or one.value > 75.0 for one in found.reasons if one.kind == "limit-ahead")


def test_doubt_of_carrying_counts_between_visits() -> None:
    """Readings at unlike heats are followed at the reference, and what one of them is carried by alone is no
    jump; three that were measured there are one."""
    places = ((83.0, 4.9, 21.0), (80.6, 4.9, 21.0), (59.0, 10.5, 60.0))
    seen = [
        as_read(80.0, carried, doubt, heat=heat, kilometres=300.0 * n, day=30 * n)
        for n, (carried, doubt, heat) in enumerate(places)
    ]
    assert "jump" not in kinds(judge(seen))
    plain = [visit(value, kilometres=300.0 * n, day=30 * n) for n, (value, *_) in enumerate(places)]
    assert "jump" in kinds(judge(plain))


def test_the_fitted_shim_is_no_step_nor_is_one_that_makes_it_worse(
    life: Callable[..., list[Characterisation]],
) -> None:
    """Worn to below its limits, with thinner shims in stock alone, or the one that is in."""
    records = life([*FRESH, WORN])
    for shims in ((SHIM,), (0.5 * SHIM, SHIM), (0.25 * SHIM, 0.5 * SHIM)):
        step = judge(records, stock=Stock(shims=shims)).next_step
        assert (step.kind, step.shim) == ("no-shim-reaches", None)
        assert "stored-force" in step.cautions


def test_friction_by_a_stated_spring_force_is_followed_as_it_is_compared(
    life: Callable[..., list[Characterisation]], tmp_path: Path
) -> None:
    """The worn record repeats the spring force of the first: its own friction lost what the spring did."""
    before, after = life([FRESH[0], WORN])
    paths = [tmp_path / f"{n}.json" for n in range(2)]
    for path, one in zip(paths, (before, after), strict=True):
        path.write_text(one.to_json(), encoding="utf-8")
    history = open_history(str(tmp_path / "h.sqlite"))
    history.add(paths)
    found = trend_of(history, before.unit, quantities=["friction_coefficient"])
    (course,) = found.courses
    assert course.change is not None
    moved = compare(before, after).changes["friction"]
    assert course.change[0] == pytest.approx(moved.change, abs=2e-3)
    assert any("rests on the spring force" in note for note in found.notes)
    # by hand: the first value times the change; the doubt of the change beside what both have in common, and
    # of the change each visit has its part
    first, last = course.series.points
    u = first.value * moved.u
    whole = math.hypot(u, first.u_shared)
    value = first.value * (1.0 + moved.change)
    assert (last.value, last.u, last.u_shared) == pytest.approx((value, whole, first.u_shared))
    assert (last.low, last.high) == pytest.approx((value - 1.959964 * whole, value + 1.959964 * whole))
    assert last.u_visit == pytest.approx(math.sqrt(u**2 - (first.u_visit or 0.0) ** 2))


def test_a_limit_judged_as_read_is_one_number_for_every_command(
    life: Callable[..., list[Characterisation]],
) -> None:
    """State, comparison and shim advice of a unit whose limit is meant where it was read."""

    def read(record: Characterisation, value: float) -> Characterisation:
        item = record.parameters["preload_torque"]
        one = item.model_copy(update={"value": value, "low": value - 3.0, "high": value + 3.0})
        limits = [
            limit.model_copy(update={"judged": "preload_torque_as_read"})
            for limit in record.limits
            if limit.quantity == "preload_torque"
        ]
        parameters = type(record.parameters)({**record.parameters, "preload_torque_as_read": one})
        return record.model_copy(update={"parameters": parameters, "limits": limits})

    before, after = life([FRESH[0], WORN])
    before, after = read(before, 84.0), read(after, 80.0)
    found = compare(before, after)
    assert found.state is not None
    assert found.limits[0].value == found.state.limits[0].value == 80.0
    assert advise([after], target=80.0).rungs[0].preload_torque_Nm == pytest.approx(80.0)
    assert found.next_event is not None
    assert found.next_event.limits[0].value == pytest.approx(76.0)
    same = [replaced_distance(one) for one in (before, after)]
    assert compare(*same).next_event is None


def replaced_distance(record: Characterisation) -> Characterisation:
    """The record with no distance driven."""
    return record.model_copy(update={"builds": [record.builds[0].model_copy(update={"distance_m": 0.0})]})


def test_comparing_says_the_same(life: Callable[..., list[Characterisation]]) -> None:
    """A comparison holds the state by all its records, and fails by it."""
    records = life([*FRESH, WORN])
    found = compare(records[:2], records[2:])
    assert found.state is not None
    assert told(found.state) == told(judge(records))
    assert found.failed == found.state.failed


def test_worn_faces_are_worn(life: Callable[..., list[Characterisation]]) -> None:
    """Faces beyond their limit, on a unit whose shim keeps the torque within: worn, and new plates."""
    worn = Place(0, 4000e3, SHIM, 1.0, 85e-6)
    worn = dataclasses.replace(worn, friction=0.97 / worn.spring(4))
    found = judge(life([*FRESH, worn, worn]))
    assert (found.state, found.next_step.kind) == ("worn", "renew-plates")
    assert found.failed


def test_what_will_not_last_is_no_good(life: Callable[..., list[Characterisation]]) -> None:
    """Faces that the next event wears beyond their 60 µm, by a comparison's own answer, on a unit whose
    limits are held now: watch, and new plates; had six events gone by, neither says so."""
    worn = Place(0, 1860e3, SHIM, 1.0, 45e-6)
    before, after = life([FRESH[0], dataclasses.replace(worn, friction=0.97 / worn.spring(4))])
    for events in (1, 6):
        found = compare(before, after, events=events)
        assert found.state is not None
        assert found.next_event is not None
        assert (found.next_event.answer == "no") == (found.state.state == "watch") == (events == 1)
    ahead = judge([before, after])
    coming = [reason for reason in ahead.reasons if reason.kind == "limit-ahead"]
    assert "face_wear" in {reason.quantity for reason in coming}
    # of several, the one that is least likely to be held decides
    assert [reason.chance for reason in coming] == sorted(reason.chance or 0.0 for reason in coming)
    assert not ahead.failed


def test_any_order_of_entry(life: Callable[..., list[Characterisation]]) -> None:
    """Five visits of the fresh unit and the worn one, in every order of six: out of limits."""
    records = life([*FRESH, *FRESH, FRESH[0], WORN])
    wanted = told(judge(records))
    assert wanted["state"] == "out-of-limits"
    for order in itertools.islice(itertools.permutations(records), 0, 720, 103):
        assert told(judge(order)) == wanted
