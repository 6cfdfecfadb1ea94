"""A log held against a bench, part by part: verdicts, preloads asked for, and doubts, by a few numbers."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.answers import Interval
from diffbench.answers import lap as room
from diffbench.documents.fields import Doubtful

NORMAL = 1.959964
NOTHING = Interval(None, None, None)


@pytest.mark.parametrize(
    ("value", "u", "z", "moved"),
    [
        (300.0, 30.0, 1.0, 330.0),
        (300.0, 30.0, -2.0, 240.0),
        (300.0, 30.0, -9.0, 100.0),  # a third
        (300.0, 80.0, -9.0, 1.05 * NORMAL * 80.0),  # 95 % of what is left lies above nothing
        (100.0, 60.0, -1.0, 100.0),  # which is more than there is
        (100.0, 60.0, 0.5, 130.0),
    ],
)
def test_tyres_are_moved_no_further_than_they_may_be(value: float, u: float, z: float, moved: float) -> None:
    """By so many of their standard uncertainties, and by how many it was."""
    found, by = room._moved(Doubtful(value, u), z)
    assert (float(found), found.u) == pytest.approx((moved, u))
    assert by == pytest.approx((moved - value) / u)


def test_what_is_exact_is_not_moved() -> None:
    found, by = room._moved(70.0, -3.0)
    assert (float(found), by) == (70.0, -3.0)


def joint(gap: list[float], covariance: Any) -> Any:
    """Two runs of two senses each, of which the second one is asked about."""
    return SimpleNamespace(
        parts=[slice(0, 2), slice(2, 4)], gap=np.array([9.0, 9.0, *gap]),
        covariance=lambda: np.pad(np.array(covariance), (2, 0)),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("gap", "verdict"),
    [
        (0.0, "the car shows what the bench says"),
        (0.0195, "the car shows what the bench says"),
        (0.0197, "less locking"),
        (-0.0195, "the car shows what the bench says"),
        (-0.0197, "more locking"),
    ],
)
def test_the_verdict_of_a_run(gap: float, verdict: str) -> None:
    """Weights of 0.75 and 0.25, variances of 1.2e-4 and 3e-4, and the covariance that makes a standard
    uncertainty of one point of both: two points at 95 %."""
    weights = np.array([0.75, 0.25])
    rest = (1e-4 - 0.5625 * 1.2e-4 - 0.0625 * 3e-4) / (2.0 * 0.75 * 0.25)
    covariance = [[1.2e-4, rest], [rest, 3e-4]]
    told = joint([gap, gap], covariance)
    agreement, reason = room._verdict(told, 1, weights, 0.2)
    assert agreement == verdict
    assert reason == f"log less bench {100.0 * gap:+.1f} points, 95 % of their doubt ± 2.0"
    for room_left in (0.0195, -0.0195):
        agreement, reason = room._verdict(told, 1, weights, room_left)
        assert agreement == "cannot be told"
        assert reason.endswith(f": as much as an open unit would be off ({100.0 * room_left:.1f})")
    assert room._verdict(told, 1, weights, -0.0197)[0] == verdict


@pytest.mark.parametrize(
    ("asked", "u", "says"),
    [
        (Interval(70.0, 60.0, 79.9), 0.0, "less"), (Interval(70.0, 60.0, 80.0), 0.0, "same"),
        (Interval(90.0, 80.1, 99.0), 0.0, "more"), (Interval(90.0, 80.0, 99.0), 0.0, "same"),
        (Interval(None, None, 79.9), 0.0, "less"), (Interval(None, None, 80.1), 0.0, "same"),
        (Interval(None, 80.1, None), 0.0, "more"), (Interval(None, 79.9, None), 0.0, "same"),
        # 1.96 times 5 N·m: apart from 89.8 on
        (Interval(95.0, 89.9, 99.0), 5.0, "more"), (Interval(95.0, 89.7, 99.0), 5.0, "near"),
        (NOTHING, 0.0, ""),
    ],
)  # fmt: skip
def test_a_verdict_beside_the_preload_that_a_log_asks_for(asked: Interval, u: float, says: str) -> None:
    """Of 80 N·m by the bench: it cannot be told where the preload that the log asks for may be that, and the
    other direction, or none, is contradicted where both are apart by their doubts."""
    run: Any = SimpleNamespace(bench=SimpleNamespace(preload=SimpleNamespace(value=80.0, u=u)))
    for agreement, own in (("more locking", "more"), ("less locking", "less"), (room.SHOWN, "neither")):
        found, reason = room._with_preload(agreement, "as said", asked, run)  # type: ignore[arg-type]
        if says in ("more", "less") and own != says:
            assert found == "stated preload and log contradict"
            assert reason.startswith("as said; yet with the tyres as all runs put them the log asks for")
        elif says == "same" and own != "neither":
            assert found == "cannot be told"
            assert reason == "as said; yet the preload that the log asks for may be that of the bench"
        else:
            assert (found, reason) == (agreement, "as said")


def test_why_a_preload_is_told_no_closer() -> None:
    """Than ± 10 N·m: by the largest doubt, and whether another preload that day would tell more."""

    def why(asked: Interval, *preloads: float | None) -> str:
        runs = [
            SimpleNamespace(
                holds={"value": 1} if each is not None else {},
                bench=SimpleNamespace(preload=SimpleNamespace(value=each or 1.0)),
            )
            for each in preloads
        ]
        told: Any = SimpleNamespace(
            runs=runs, preload_doubts=lambda i: {"track": 3.0, "tyres": 7.0, "map": i}
        )
        return room._why_no_closer(asked, told, 2)

    largest = "told to ± 10.1 N·m, no closer: the largest doubt is tyres"
    more = "; a run with another preload on the same day would tell more"
    wide = Interval(80.0, 70.0, 90.2)
    assert why(wide, 80.0, 80.0, None) == largest + more
    assert why(wide, 80.0, 40.0) == largest
    assert why(Interval(80.0, 70.0, 90.0), 80.0) == why(NOTHING, 80.0) == ""
    assert why(Interval(None, None, 90.0), 80.0) == (
        "no limit below: there the car would do as the log says within its doubt"
    )
    assert why(Interval(None, 70.0, None), 80.0).startswith("no limit above: there")


def test_where_chi_squared_comes_to_its_limit() -> None:
    """By a straight line between two places; at the end of what was looked at, there."""
    grid, chi = np.array([10.0, 20.0, 30.0, 40.0]), np.array([9.0, 2.0, 1.0, 6.0])
    limit = 1.0 + 3.8415
    assert room._crossing(grid, chi, 1, -1, 1.0) == pytest.approx(20.0 - 10.0 * (limit - 2.0) / 7.0)
    assert room._crossing(grid, chi, 2, 1, 1.0) == pytest.approx(30.0 + 10.0 * (limit - 1.0) / 5.0)
    assert room._crossing(grid, chi, 0, -1, 1.0) == 10.0
    assert room._crossing(grid, chi, 3, 1, 1.0) == 40.0


class Run:
    """A run whose gap falls by 0.2 % a newton metre, in both senses alike but for what is off."""

    holds: dict[str, int] = {"value": 1}  # noqa: RUF012

    def __init__(self, off: float, *, preload: float = 80.0, u: float = 4.0, rungs: bool = True) -> None:
        self.off, self.groups, self.car = off, [(), ()], "car"
        self.bench = SimpleNamespace(preload=SimpleNamespace(value=preload, u=u), rungs=(1,) if rungs else ())
        self.preload = preload

    def gap(self, _: Any) -> np.ndarray:
        return self.gap_at(np.array([self.preload]))[0]

    def gap_at(self, torques: np.ndarray) -> np.ndarray:
        gaps = self.off - 0.002 * (torques - self.preload)
        return np.stack([gaps, gaps], axis=1)

    @property
    def ladder(self) -> tuple[np.ndarray, np.ndarray]:
        torques = np.array([0.0, 80.0, 160.0])
        return torques, self.gap_at(torques)

    def slope(self) -> np.ndarray:
        return np.array([-0.002, -0.002])

    def sources(self) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        return (
            {"tyre.slip_stiffness": np.array([0.01, 0.01]), "track": np.array([0.003, 0.002])},
            {"noise of left turns": np.array([0.02, 0.0]), "noise of right turns": np.array([0.0, 0.01])},
        )


def test_the_doubts_of_all_runs_are_one_covariance() -> None:
    """What runs have in common moves both, their own and what the bench says of their preload each alone;
    asked for a preload, the bench's word on it does not count."""
    told = room._Joint([Run(0.01), Run(-0.02, u=0.0)])  # type: ignore[list-item]
    assert told.gap == pytest.approx([0.01, 0.01, -0.02, -0.02])
    stiff, track = np.full(4, 0.01), np.array([0.003, 0.002, 0.003, 0.002])
    own = np.diag([4e-4, 1e-4, 4e-4, 1e-4])
    preload = np.array([-0.008, -0.008, 0.0, 0.0])
    whole = np.outer(stiff, stiff) + np.outer(track, track) + own + 1e-12 * np.eye(4)
    assert told.covariance() == pytest.approx(whole + np.outer(preload, preload))
    assert told.covariance(without=0) == pytest.approx(whole)
    assert told.covariance(without=1) == pytest.approx(whole + np.outer(preload, preload))
    score = -stiff @ np.linalg.solve(told.covariance(), told.gap)
    assert told.stiffness_score() == pytest.approx(score)
    left = 1.0 - stiff @ np.linalg.solve(told.covariance(), stiff)
    car: Any = SimpleNamespace(tyre=SimpleNamespace(slip_stiffness=Doubtful(60e3, 12e3)))
    found = told.stiffness(car)
    value, reach = 1.0 + 0.2 * score, NORMAL * 0.2 * math.sqrt(left)
    assert dataclasses.astuple(found) == pytest.approx((value, value - reach, value + reach), rel=1e-6)
    exact: Any = SimpleNamespace(tyre=SimpleNamespace(slip_stiffness=60e3))
    assert told.stiffness(exact) == NOTHING
    # a lower limit of less than a tenth of the stated stiffness tells nothing
    for share, is_told in ((1.5, True), (1.6, False)):
        low = 1.0 + share * (score - NORMAL * math.sqrt(left))
        assert bool(low > 0.1) is is_told
        soft: Any = SimpleNamespace(tyre=SimpleNamespace(slip_stiffness=Doubtful(60e3, share * 60e3)))
        assert (told.stiffness(soft) != NOTHING) is is_told
    slope = np.array([-0.002, -0.002, 0.0, 0.0])
    weight = np.linalg.solve(whole, slope)
    doubts = told.preload_doubts(0)
    assert doubts["track"] == pytest.approx(abs(weight @ track))
    assert doubts["noise of left turns"] == pytest.approx(abs(0.02 * weight[0]))
    assert set(doubts) == {
        "tyre.slip_stiffness", "track", "noise of left turns", "noise of right turns",
    }  # fmt: skip
    # the tyres put where the logs had them: their part of the gap is gone
    moved = room._Joint([Run(0.01)], score=0.5)  # type: ignore[list-item]
    assert moved.gap == pytest.approx([0.005, 0.005])
    bare = room._Joint([])
    assert (bare.size, bare.stiffness_score(), bare.stiffness(car)) == (0, None, NOTHING)


def test_the_preload_that_a_run_asks_for() -> None:
    """Generalised least squares: alone, where the gap is nothing, 80 + 0.01/0.002 = 85; limits where
    chi-squared has risen by 3.84. None beyond what was looked at, and without other preloads."""
    run = Run(0.01)
    told = room._Joint([run])  # type: ignore[list-item]
    inverse = np.linalg.inv(told.covariance(without=0))
    reach = math.sqrt(3.8415 / float(inverse.sum())) / 0.002
    found = told.equivalent(0)
    step = 160.0 / 240.0
    assert found.value == pytest.approx(85.0, abs=1e-6)
    assert found.low == pytest.approx(85.0 - reach, abs=0.1 * step)
    assert found.high == pytest.approx(85.0 + reach, abs=0.1 * step)
    # 75 N·m more than the bench has: no higher limit within 160
    high = room._Joint([Run(0.148)]).equivalent(0)  # type: ignore[list-item]
    assert (high.value, high.high) == (pytest.approx(154.0), None)
    beyond = room._Joint([Run(0.2)]).equivalent(0)  # type: ignore[list-item]
    assert (beyond.value, beyond.high) == (None, None)
    assert beyond.low == pytest.approx(180.0 - math.sqrt(reach**2 + 20.0**2), abs=0.1)
    # nothing is less than no preload at all: that end is a limit
    low = room._Joint([Run(-0.15)]).equivalent(0)  # type: ignore[list-item]
    assert (low.value, low.low) == (pytest.approx(5.0), 0.0)
    assert room._Joint([Run(0.01, rungs=False)]).equivalent(0) == NOTHING  # type: ignore[list-item]
    # another run on one day, whose gap the tyres explain, moves what is asked for
    both = room._Joint([run, Run(0.01, preload=40.0)])  # type: ignore[list-item]
    weight = np.linalg.inv(both.covariance(without=0))
    first = np.array([1.0, 1.0, 0.0, 0.0])
    wanted = 0.01 * (first @ weight @ np.ones(4)) / (first @ weight @ first)
    assert both.equivalent(0).value == pytest.approx(80.0 + wanted / 0.002, abs=1e-6)


def test_what_the_bench_did_not_cover_is_told_axis_by_axis() -> None:
    """More than a fiftieth of the entries' bins beyond the axes: clause and finding; a fiftieth is none."""
    n = 100
    torque = np.where(np.arange(n) < 3, -350.0, 100.0)
    left = np.where(np.arange(n) < 2, -9.0, 1.0)
    heat = np.full(n, 70.0)
    heat[40:50] = 120.0
    axes = (np.array([-300.0, 600.0]), np.array([0.5, 8.0]), np.array([40.0, 100.0]))
    corners = [SimpleNamespace(bins=slice(0, 60)), SimpleNamespace(bins=slice(60, 100))]
    run: Any = SimpleNamespace(
        entries=SimpleNamespace(samples=SimpleNamespace(input_torque=torque), corners=corners),
        bench=SimpleNamespace(unit=SimpleNamespace(axes=axes)), temperature=heat,
    )  # fmt: skip
    clause, findings = room._outside(run, left)
    assert clause == "; beyond the map in torque at the case, temperature of the plates"
    rest = "time is beyond it, where the map is carried on with wider limits and nothing was measured"
    first = "torque at the case goes from -350 to 100 N·m in the entries, the map from -300 to 600"
    second = "temperature of the plates goes from 70 to 120 °C in the entries, the map from 40 to 100"
    assert findings == (f"{first}: 3 % of their {rest}", f"{second}: 10 % of their {rest}")
    corners[:] = [SimpleNamespace(bins=slice(60, 100))]
    assert room._outside(run, left) == ("", ())


def test_the_share_predicted_over_entries_with_its_doubts() -> None:
    """Sums with the sense of each turn; half of what either limit of each doubt moves, in squares."""
    free = np.array([2.0, 2.0, -1.0, -1.0, 5.0])
    corners: Any = [SimpleNamespace(sense=1, bins=slice(0, 2)), SimpleNamespace(sense=-1, bins=slice(2, 4))]

    def at(share: float, free: Any = free) -> Any:
        return share * np.array([2.0, 2.0, -1.0, -1.0, 77.0]), SimpleNamespace(free=free)

    moved = ((at(0.5), at(0.7)), (at(0.66), at(0.54)))
    found = room._Predictions(*at(0.6), moved).over(corners)
    u = math.hypot(0.2, 0.12) / (2.0 * NORMAL)
    assert dataclasses.astuple(found) == pytest.approx((0.6, 0.6 - NORMAL * u, 0.6 + NORMAL * u))


def test_the_course_as_it_was_driven() -> None:
    """In five digits; what was predicted only where it was."""
    samples = SimpleNamespace(time=np.array([0.0, 0.05]), yaw_rate=np.array([0.4, -0.2]))
    run: Any = SimpleNamespace(
        entries=SimpleNamespace(samples=samples), zeroed=lambda: np.array([1.2345678, 0.0]),
        car=SimpleNamespace(axle=SimpleNamespace(track=1.5, rolling_radius=0.3)),
        temperature=np.array([60.0, 61.0]),
    )  # fmt: skip
    plain = {"time_s": [0.0, 0.05], "speed_difference_rad_s": [1.23457, 0.0], "free_rad_s": [2.0, -1.0]}
    assert room._course(run, None) == plain
    assert room._course(run, np.array([0.5, 0.25])) == {
        **plain, "predicted_rad_s": [0.5, 0.25], "plate_temperature_degC": [60.0, 61.0],
    }  # fmt: skip


def lap(**samples: Any) -> Any:
    """Two bins to the left and one to the right, of 2, 2 and 1 rad/s of free rolling, of which 1.2, 1.2 and
    0.4 are kept; wheels at 80, 80 and 60 rad/s."""
    wheel = np.array([80.0, 80.0, 60.0, 50.0])
    told = {
        "left": wheel - 0.5, "right": wheel + 0.5, "yaw_rate": np.array([0.4, 0.4, -0.2, 0.0]),
        "wheels": True, "u_wheel": 0.01, "u_yaw": 0.03, "laps": (), **samples,
    }  # fmt: skip
    corners = tuple(
        room.Corner(start, start + 1.0, bins, sense, "apex")
        for start, bins, sense in ((3.0, slice(0, 2), 1), (65.0, slice(2, 3), -1))
    )
    return SimpleNamespace(
        entries=SimpleNamespace(
            samples=SimpleNamespace(**told), corners=corners, wheel_noise=0.03, yaw_noise=0.02, ratio_u=0.001,
            yaw_zero_u=0.005,
        ),
        car=SimpleNamespace(
            axle=SimpleNamespace(track=Doubtful(1.5, 0.015), rolling_radius=Doubtful(0.3, 0.006))
        ),
        zeroed=lambda: np.array([1.2, 1.2, -0.4, 9.0]),
    )  # fmt: skip


def test_the_share_that_some_entries_kept_with_its_doubts() -> None:
    """2.8 of 5. Wheels by noise, by radii that differ by a thousandth of 80 + 80 − 60 rad/s, and by their
    gain; the path by noise of 5 rad/s for each rad/s of yaw rate, by a zero that is in one bin more to the
    left, by its gain, the track and the radius. Of the mean difference the wheels alone."""
    run = lap()
    share, predicted, mean = room._kept(run, run.entries.corners, None)
    wheels = math.hypot(math.sqrt(3.0) * 0.03 / 5.0, 100.0 * 0.001 / 5.0, 0.56 * 0.01)
    path = math.hypot(math.sqrt(3.0) * 0.02, 0.005, 0.03, 0.01, 0.02)
    u = math.hypot(wheels, 0.56 * path)
    assert dataclasses.astuple(share) == pytest.approx((0.56, 0.56 - NORMAL * u, 0.56 + NORMAL * u))
    reach = NORMAL * wheels * 5.0 / 3.0
    assert dataclasses.astuple(mean) == pytest.approx((2.8 / 3.0, 2.8 / 3.0 - reach, 2.8 / 3.0 + reach))
    assert predicted == NOTHING
    # of a course that is to be driven there is the prediction alone
    foretold: Any = SimpleNamespace(over=lambda corners: Interval(0.6, 0.5, float(len(corners))))
    driven = lap(wheels=False)
    assert room._kept(driven, driven.entries.corners, foretold) == (NOTHING, Interval(0.6, 0.5, 2.0), NOTHING)
    assert room._kept(run, run.entries.corners[:1], foretold)[1].high == 1.0


def test_entries_one_by_one_and_lap_by_lap() -> None:
    """Each by when it begins, and which way it turns; a lap without an entry is not listed."""
    run = lap(laps=((1, 0.0), (2, 60.0), (3, 120.0)))
    left, right = room._by_corner(run, None)
    assert (left.start, left.end, left.lap, left.turn, left.ends_by) == (3.0, 4.0, 1, "left", "apex")
    assert (right.lap, right.turn, right.share_kept.value) == (2, "right", pytest.approx(0.4))
    assert left.mean_speed_difference.value == pytest.approx(1.2)
    first, second = room._by_lap(run, None)
    assert (first.lap, first.start, first.entries) == (1, 0.0, 1)
    assert (second.lap, second.start, second.share_kept.value) == (2, 60.0, pytest.approx(0.4))
    assert room._by_lap(lap(), None) == ()
    assert room._by_corner(lap(), None)[0].lap is None
    one = lap(laps=((7, 0.0),))
    assert [(each.lap, each.entries) for each in room._by_lap(one, None)] == [(7, 2)]


def noticed(monkeypatch: pytest.MonkeyPatch, **changes: Any) -> tuple[str, ...]:
    """What is told of a run of seven entries of ten bins each, that keep half, on quiet wheels."""
    given: dict[str, Any] = {
        "sliding": (), "over": (), "rough": (), "lifted": 0, "groups": 2, "told": False, "apart": 0.0,
        "torque": None, "brakes": None, "brakes_told": True, "notes": (), **changes,
    }  # fmt: skip
    corners = tuple(room.Corner(10.0 * i, 0.0, slice(10 * i, 10 * i + 10), 1, "apex") for i in range(7))
    bins = np.arange(100)
    difference = 1e-3 * (-1.0) ** bins  # second differences of 4e-3 to either side
    # of 26 on straights two are none: four times the root of 24/26 is 3.843
    for i, factor in given["rough"]:
        difference[10 * i : 10 * i + 10] *= factor
    entries = SimpleNamespace(
        samples=SimpleNamespace(notes=given["notes"], brakes_told=given["brakes_told"]), corners=corners,
        sliding=given["sliding"], straights=(slice(70, 84), slice(86, 100)),
    )  # fmt: skip
    run: Any = SimpleNamespace(
        entries=entries, zeroed=lambda: difference, car="car", lifted=given["lifted"],
        groups=[()] * given["groups"], holds={"value": 1} if given["told"] else {},
    )  # fmt: skip
    over = {10.0 * i: 1.26 for i in given["over"]}
    monkeypatch.setattr(
        room, "kept_over",
        lambda _, __, of, ___: SimpleNamespace(share=over.get(of[0].start, 1.25)),
    )  # fmt: skip
    monkeypatch.setattr(room, "torque_elsewhere", lambda *_: given["torque"])
    monkeypatch.setattr(room, "brakes_apart", lambda *_: given["brakes"])
    monkeypatch.setattr(room, "_brakes_not_told", lambda _: "brakes would move it")
    both = joint([0.01 + given["apart"], 0.01], [[3e-5, 0.0], [0.0, 7e-5]])
    return room._findings(run, both, 1 if given["told"] else None, told=given["told"])


def test_a_quiet_run_has_nothing_to_be_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rough is more than four times as rough as straights."""
    assert noticed(monkeypatch) == ()
    assert noticed(monkeypatch, rough=((1, 3.84), (5, 3.84))) == ()
    assert noticed(monkeypatch, rough=((1, 3.85), (5, 3.84))) == (
        "wheel speeds are rough in 1 entries (at 10.0 s): kerbs, or a wheel that hops",
    )


def test_what_speaks_against_a_run_s_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each with its places, five at most, in this order."""
    every = noticed(
        monkeypatch, notes=("a note",), sliding=(1.04, 2.0, 3.0, 4.0, 5.0, 6.0), over=(0, 2, 3, 4, 5, 6),
        lifted=6, rough=((1, 9.0),), groups=1, torque="torque elsewhere", brakes="brakes apart",
        brakes_told=False, told=True,
    )  # fmt: skip
    slid = "(at 1.0 s, 2.0 s, 3.0 s, 4.0 s, 5.0 s): left out, the numbers are of the other 7"
    where = "(at 0.0 s, 20.0 s, 30.0 s, 40.0 s, 50.0 s)"
    more = f"{where}: a wheel that lifts or locks, or a wheel speed that is wrong"
    assert every == (
        "a note",
        f"a wheel locks or spins in 6 entries {slid}",
        f"more than free rolling is kept in 6 entries {more}",
        "by its loads the inner wheel lifts for 0.3 s of the entries",
        "wheel speeds are rough in 1 entries (at 10.0 s): kerbs, or a wheel that hops",
        "all turns are to one side: radii that differ cannot be told from locking",
        "torque elsewhere",
        "brakes apart",
        "brakes would move it",
        "both brakes of the axle count as alike: the log cannot tell brakes from locking",
    )


@pytest.mark.parametrize(("apart", "is_told"), [(0.0195, False), (0.0197, True), (-0.0197, True)])
def test_turns_that_disagree_by_more_than_is_in_doubt(
    monkeypatch: pytest.MonkeyPatch, apart: float, is_told: bool
) -> None:
    """Variances of 3e-5 and 7e-5: one point together, two at 95 %."""
    found = noticed(monkeypatch, told=True, apart=apart)
    said = "left and right turns disagree by 2.0 points more than is in doubt"
    expected = f"{said}: brakes that differ, pressures or radii"
    assert (expected in found) is is_told
    assert expected not in noticed(monkeypatch, apart=apart)


def test_what_loads_the_unit_may_be_in_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """Brakes that nothing tells, and a torque that is hardly that at the case; of what is not predicted
    neither."""

    def clause(*, holds: bool = True, brakes: bool = True, elsewhere: str | None = None) -> str:
        monkeypatch.setattr(room, "torque_elsewhere", lambda *_: elsewhere)
        samples = SimpleNamespace(brakes_told=brakes)
        run: Any = SimpleNamespace(
            holds={"value": 1} if holds else {}, entries=SimpleNamespace(samples=samples), car="car"
        )
        return room._loads_in_doubt(run)

    assert clause() == clause(holds=False, brakes=False, elsewhere="far") == ""
    assert clause(brakes=False) == "; nothing says the brakes"
    assert clause(elsewhere="far") == "; the torque is hardly that at the case"
    both = clause(brakes=False, elsewhere="far")
    assert both == "; nothing says the brakes; the torque is hardly that at the case"


def test_the_share_by_the_log_with_what_straights_show_put_back() -> None:
    """Weights of 0.75 and 0.25 on 0.6 and 0.5; sources in squares. What a predicted difference shows on
    straights is put back, and in doubt as a whole."""
    weights = np.array([0.75, 0.25])
    measured = {0.0: np.array([0.6, 0.5]), 0.02: np.array([0.64, 0.46])}
    run: Any = SimpleNamespace(
        car="car", shown=lambda left: float(left[0]), zeroed=lambda extra: extra,
        measured=lambda car, extra=0.0: measured[extra],
    )  # fmt: skip
    sources = {"track": np.array([0.03, 0.01]), "zero": np.array([0.02, -0.04])}
    u = math.hypot(0.025, 0.005)
    for left in (None, np.array([0.0])):
        found, doubt = room._by_log(run, weights, sources, left)
        assert (found.value, doubt) == pytest.approx((0.575, u))
        assert found.low == pytest.approx(0.575 - NORMAL * u)
    found, doubt = room._by_log(run, weights, sources, np.array([0.02]))
    assert (found.value, doubt) == pytest.approx((0.595, math.hypot(u, 0.02)))


def test_what_brakes_that_nothing_tells_would_move() -> None:
    """100 N·m more at each wheel than the log has, through the prediction."""

    @dataclasses.dataclass
    class Samples:
        brake_torque: np.ndarray

    def braked(samples: Samples) -> Any:
        share = np.array([0.5, 0.4]) + 1e-3 * samples.brake_torque[:2] * np.array([-1.0, 0.2])
        return SimpleNamespace(
            holds={"value": "own"}, entries=SimpleNamespace(samples=samples), car="car",
            free=np.array([6.0, 2.0]),
            predicted=lambda car, holds: (share, None, None) if (car, holds) == ("car", "own") else None,
            of_samples=braked,
        )  # fmt: skip

    assert room._brakes_not_told(braked(Samples(np.array([7.0, 9.0])))) == (
        "nothing says the torque of the brakes: they count as released in the entries; 100 N·m at each wheel "
        "would move the bench's share by -7.0 points"
    )
