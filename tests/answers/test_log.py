"""A log's numbers by hand: corners whose torque, speed and share kept are known bin by bin.

The car drives 20 m/s through a left and a right corner, in which lateral acceleration steps to 0.8 m/s² and
goes on in steps of 0.21 to 5 m/s² and back. Smoothed over five bins of 0.05 s it is above 1 m/s² from the
third bin on, so that an entry has 19 bins to its apex. Each straight has a zero of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from diffbench.answers import Bench, Day, Interval, LapResult, Samples, entries_of, laps_of
from diffbench.documents import Car
from diffbench.errors import DocumentError
from diffbench.quantities import Quantity
from diffbench.results import LockingMap

FlatMap = Callable[..., LockingMap]
NORMAL = 1.959964
V, TRACK, RADIUS, STIFF = 20.0, 1.5, 0.3, 60e3
TRACK_U, RADIUS_U = 0.023, 0.003
PER = TRACK / RADIUS
STRAIGHTS = (30, 40, 50)  # bins
YAW_ZEROS, RATIOS = (0.003, -0.001, 0.002), (0.010, 0.012, 0.009)
ZERO, RATIO = 0.15 / 120, 1.23 / 120  # means over all bins of straights
UP = 0.8 + 0.21 * np.arange(21)  # m/s²
CORNER = np.concatenate([UP, UP[-2::-1]])
BINS = 19
FREE = float(UP[2:].sum() / V * PER)  # rad/s, summed over an entry
KEPT = (0.70, 0.74)  # in left and in right turns
N_WHEEL, N_YAW = 0.0008, 0.0012  # of blocks of five bins, in turn up and down


def car_of(**tyre: Any) -> Car:
    """One whose track and radius are in doubt, by 23 and 3 mm."""
    axle = {
        "track": {"value": TRACK, "u": TRACK_U},
        "rolling_radius": {"value": 1e3 * RADIUS, "u": 1e3 * RADIUS_U},
    }
    return Car.model_validate(
        {
            "format": "diffbench-car/1",
            "name": "Invented",
            "axle": axle,
            "tyre": {"slip_stiffness": STIFF, **tyre},
        }
    )


def straight(i: int) -> tuple[np.ndarray, np.ndarray]:
    """Yaw rate and ratio of the wheels on one of the straights; the second one shakes the wheels, the third
    the gyroscope."""
    blocks = np.repeat([1.0, -1.0] * (STRAIGHTS[i] // 10), 5)
    return (
        YAW_ZEROS[i] + (N_YAW * blocks if i == 2 else np.zeros(STRAIGHTS[i])),
        RATIOS[i] + (N_WHEEL * blocks if i == 1 else np.zeros(STRAIGHTS[i])),
    )


def log_of(
    kept: tuple[float, float] = KEPT, *, senses: tuple[float, float] = (1.0, -1.0), **changes: Any
) -> Samples:
    """The log, a sample for each bin."""
    yaw, ratio, apart = [], [], []
    for i in range(3):
        rate, radii = straight(i)
        yaw.append(rate)
        ratio.append(radii)
        apart.append(np.zeros(rate.size))
        if i < 2:
            turn = senses[i] * CORNER / V
            yaw.append(turn + ZERO)
            ratio.append(np.full(CORNER.size, RATIO))
            apart.append(kept[i] * turn * PER)
    rate, radii, difference = (np.concatenate(parts) for parts in (yaw, ratio, apart))
    n = rate.size
    return replace(
        Samples(
            time=0.05 * np.arange(n),
            left=V / RADIUS * (1.0 - 0.5 * radii) - 0.5 * difference,
            right=V / RADIUS * (1.0 + 0.5 * radii) + 0.5 * difference,
            speed=np.full(n, V),
            yaw_rate=rate,
            input_torque=np.full(n, -100.0),
            brake_torque=np.zeros(n),
            temperature=np.full(n, 60.0),
            coasts=None,
            u_yaw=0.004,
            u_wheel=0.003,
            u_speed=0.005,
            brakes_told=True,
        ),
        **changes,
    )


# What one straight differs from the mean of all, weighted by its length; and blocks of five that shake.
RATIO_U = math.sqrt(sum((n * (r - RATIO)) ** 2 for n, r in zip(STRAIGHTS, RATIOS, strict=True)) * 1.5) / 120
ZERO_U = math.sqrt(sum((n * (y - ZERO)) ** 2 for n, y in zip(STRAIGHTS, YAW_ZEROS, strict=True)) * 1.5) / 120
FREEDOM = (29 + 39 + 49) / 5
WHEEL_NOISE = math.sqrt(8 * 25 / 5 / FREEDOM) * N_WHEEL * V / RADIUS
YAW_NOISE = math.sqrt(10 * 25 / 5 / FREEDOM) * N_YAW
SENSES = np.array([1.0, -1.0])


def of_log(kept: tuple[float, float] = KEPT) -> dict[str, np.ndarray]:
    """By hand, what each source moves the shares of left and right turns by."""
    share = np.array(kept)
    wide = NORMAL * TRACK_U / TRACK
    noise = np.sqrt(BINS) / FREE * np.hypot(WHEEL_NOISE, share * YAW_NOISE * PER)
    return {
        "axle.track": share * (1.0 / (1.0 + wide) - 1.0 / (1.0 - wide)) / (2.0 * NORMAL),
        "axle.rolling_radius": share * RADIUS_U / RADIUS,
        "gain of the path channel": share * 0.004,
        "gain of the wheel speeds": share * 0.003,
        "zero of the radii": SENSES * RATIO_U * V / RADIUS * BINS / FREE,
        "zero of the yaw rate": share * FREE / (FREE - SENSES * ZERO_U * PER * BINS) - share,
        "noise of left turns": np.array([noise[0], 0.0]),
        "noise of right turns": np.array([0.0, noise[1]]),
    }


def alone(samples: Samples, car: Car | None = None, bench: Bench | None = None) -> LapResult:
    (found,) = laps_of(car or car_of(), [("run", samples, bench)]).laps
    return found


def interval(value: float, u: float) -> Any:
    return pytest.approx((value, value - NORMAL * u, value + NORMAL * u), rel=1e-6)


def plain(one: Interval) -> tuple[float | None, float | None, float | None]:
    return one.value, one.low, one.high


def test_the_share_of_a_log_by_hand() -> None:
    """Both turns ask for as much, so that the mean of both shares is that of the log; every source of doubt
    by its formula, and noise by how blocks of five scatter on straights."""
    found = alone(log_of())
    sources = of_log()
    assert found.sources == pytest.approx({name: abs(one.mean()) for name, one in sources.items()}, rel=1e-5)
    u = math.sqrt(sum(one.mean() ** 2 for one in sources.values()))
    share = sum(KEPT) / 2
    assert plain(found.share_kept) == interval(share, u)
    mean = share * FREE / BINS
    assert plain(found.mean_speed_difference) == interval(mean, mean * u / share)
    assert plain(found.radius_ratio) == interval(RATIO, RATIO_U)
    assert (found.agreement, found.predicted, found.open_share) == ("no bench", Interval(*[None] * 3), None)
    assert set(found.course) == {"time_s", "speed_difference_rad_s", "free_rad_s"}
    apex = 30 + 20
    assert found.course["free_rad_s"][apex] == round(5.0 / V * PER, 5)
    assert found.course["speed_difference_rad_s"][apex] == round(KEPT[0] * 5.0 / V * PER, 5)
    assert found.findings == ()


def test_entries_and_laps_by_hand() -> None:
    """Where each begins and ends, and its own share with its own doubt; a lap is as the entries in it."""
    found = alone(log_of(laps=((3, 1.0), (4, 3.0), (5, 9.0))))
    places = (((30 + 2) * 0.05, (30 + 21) * 0.05), ((111 + 2) * 0.05, (111 + 21) * 0.05))
    wheels = V / RADIUS * BINS
    for i, corner in enumerate(found.corners):
        assert (corner.start, corner.end) == pytest.approx(places[i])
        assert (corner.lap, corner.turn, corner.ends_by) == ((3, 4)[i], ("left", "right")[i], "apex")
        per, share = 1.0 / FREE, KEPT[i]
        turned = share * per * PER
        by_wheels = math.hypot(per * math.sqrt(BINS) * WHEEL_NOISE, per * wheels * RATIO_U, share * 0.003)
        by_path = math.hypot(
            turned * math.sqrt(BINS) * YAW_NOISE, turned * BINS * ZERO_U,
            share * 0.004, share * TRACK_U / TRACK, share * RADIUS_U / RADIUS,
        )  # fmt: skip
        u = math.hypot(by_wheels, by_path)
        assert plain(corner.share_kept) == interval(share, u)
        assert plain(corner.mean_speed_difference) == interval(share * FREE / BINS, FREE / BINS * by_wheels)
        lap = found.by_lap[i]
        assert (lap.lap, lap.start, lap.entries) == ((3, 4)[i], (1.0, 3.0)[i], 1)
        assert (lap.share_kept, lap.mean_speed_difference) == (
            corner.share_kept,
            corner.mean_speed_difference,
        )
    assert (len(found.corners), len(found.by_lap)) == (2, 2)
    # of a car that is known exactly its path is told by the gyroscope alone
    exact = car_of()
    exact = exact.model_copy(
        update={"axle": exact.axle.model_copy(update={"track": TRACK, "rolling_radius": RADIUS})}
    )
    for at, corner in enumerate(alone(log_of(), exact).corners):
        per, share = 1.0 / FREE, KEPT[at]
        noise = per * math.sqrt(BINS) * math.hypot(WHEEL_NOISE, share * PER * YAW_NOISE)
        zeros = per * BINS * math.hypot(V / RADIUS * RATIO_U, share * PER * ZERO_U)
        u = math.hypot(noise, zeros, share * 0.003, share * 0.004)
        assert plain(corner.share_kept) == interval(KEPT[at], u)
    # both in one lap: turned against each other, zeros of the radii and the yaw rate fall out
    (lap,) = alone(log_of(laps=((1, 0.0),))).by_lap
    per, share = 0.5 / FREE, sum(KEPT) / 2
    noise = per * math.sqrt(2 * BINS) * math.hypot(WHEEL_NOISE, share * PER * YAW_NOISE)
    scales = math.hypot(0.003, 0.004, TRACK_U / TRACK, RADIUS_U / RADIUS)
    # the wheel speeds are not quite alike in left and right turns: the mean is, by half of what is kept
    assert plain(lap.share_kept) == pytest.approx(
        (
            share,
            share - NORMAL * math.hypot(noise, share * scales),
            share + NORMAL * math.hypot(noise, share * scales),
        ),
        rel=1e-4,
    )


GIVE = V / (RADIUS**2 * STIFF)  # rad/s per N·m
HELD = 60.0
PER_NEWTON_METRE = GIVE * BINS / FREE  # of the share


def predicted(
    *,
    held: float = HELD,
    track: float = TRACK,
    radius: float = RADIUS,
    stiff: float = STIFF,
    yaw: float = 1.0,
    speed: float = 1.0,
) -> float:
    """What two tyres that give leave of either turn, of a unit that holds as much everywhere."""
    free = UP[2:] / V * yaw * track / radius
    return float(np.maximum(free - speed * V / (radius**2 * stiff) * held, 0.0).sum() / free.sum())


def bench_of(flat_map: FlatMap, *, u: float = 1.2, rungs: bool = True) -> Bench:
    """A unit of `HELD`, told to ± 4 N·m at 95 %, of which its preload has some, and others beside it."""
    beside = tuple((torque, flat_map(torque)) for torque in (0.0, 30.0, 45.0, 75.0)) if rungs else ()
    return Bench(flat_map(HELD, HELD - 4.0, HELD + 4.0), Quantity(HELD, u), beside)


def of_both(
    kept: tuple[float, float],
    *,
    stiff: float = STIFF,
    stiff_u: float = 0.0,
    held: float = HELD,
    doubt: tuple[float, float] = (4.0, 1.2),
) -> dict[str, np.ndarray]:
    """By hand, what each source moves measured less predicted shares by: by twice 1.96 of its standard
    uncertainty, gains by twice one."""
    share, moved = np.array(kept), of_log(kept)

    def apart(scale: Callable[[float], float], count: float, **places: tuple[float, float]) -> np.ndarray:
        ((key, (value, u)),) = places.items()
        ends = [value + sign * count * u for sign in (1.0, -1.0)]
        up, down = (
            share * scale(end) - predicted(**{"held": held, "stiff": stiff, key: end}) for end in ends
        )
        return np.asarray((up - down) / (2.0 * count))

    moved["axle.track"] = apart(lambda track: TRACK / track, NORMAL, track=(TRACK, TRACK_U))
    moved["axle.rolling_radius"] = apart(lambda radius: radius / RADIUS, NORMAL, radius=(RADIUS, RADIUS_U))
    moved["gain of the path channel"] = apart(lambda yaw: 1.0 / yaw, 1.0, yaw=(1.0, 0.004))
    moved["gain of the speed"] = apart(lambda _: 1.0, 1.0, speed=(1.0, 0.005))
    if stiff_u:
        moved["tyre.slip_stiffness"] = apart(lambda _: 1.0, NORMAL, stiff=(stiff, stiff_u))
    of_map = math.sqrt((doubt[0] / NORMAL) ** 2 - doubt[1] ** 2)  # without that of its preload
    moved["map"] = np.full(2, PER_NEWTON_METRE * STIFF / stiff * of_map)
    return moved


def covariance(moved: dict[str, np.ndarray]) -> np.ndarray:
    return np.asarray(sum(np.outer(one, one) for one in moved.values()))


ALIKE = "both brakes of the axle count as alike: the log cannot tell brakes from locking"


@pytest.mark.parametrize(
    ("kept", "agreement"),
    [
        ((0.70, 0.74), "the car shows what the bench says"),
        ((0.64, 0.67), "more locking"),
        ((0.79, 0.80), "less locking"),
    ],
)
def test_log_and_bench_by_hand(flat_map: FlatMap, kept: tuple[float, float], agreement: str) -> None:
    """The prediction, the gap and its doubt in words, and the preload at which there would be none, by least
    squares over both turns: a gap is straight over the preload here."""
    found = alone(log_of(kept), bench=bench_of(flat_map))
    share, told = sum(kept) / 2, predicted()
    assert told == pytest.approx(1.0 - HELD * PER_NEWTON_METRE)
    moved = of_both(kept)
    shown = {name: abs(one.mean()) for name, one in moved.items()}
    assert found.sources == pytest.approx(shown, rel=1e-4, abs=1e-12)
    apart = [
        predicted(track=TRACK + NORMAL * TRACK_U) - predicted(track=TRACK - NORMAL * TRACK_U),
        predicted(radius=RADIUS + NORMAL * RADIUS_U) - predicted(radius=RADIUS - NORMAL * RADIUS_U),
        8.0 * PER_NEWTON_METRE,
    ]
    assert plain(found.predicted) == interval(told, math.hypot(*apart) / (2.0 * NORMAL))
    assert found.open_share == pytest.approx(1.0)
    u = math.sqrt(covariance({**moved, "preload": np.full(2, PER_NEWTON_METRE * 1.2)}).mean())
    gap = share - told
    assert (
        found.reason
        == f"log less bench {100 * gap:+.1f} points, 95 % of their doubt ± {100 * NORMAL * u:.1f}"
    )
    assert found.agreement == agreement
    assert (abs(gap) > NORMAL * u) is (agreement in {"more locking", "less locking"})
    weight, slope, gaps = (
        np.linalg.inv(covariance(moved)),
        np.full(2, PER_NEWTON_METRE),
        np.array(kept) - told,
    )
    best = HELD - float(slope @ weight @ gaps) / float(slope @ weight @ slope)
    half = math.sqrt(3.8415 / float(slope @ weight @ slope))
    limits = [best - half, best + half if best + half < 75.0 else None]
    asked = found.equivalent_preload
    assert asked.value == (None if best > 75.0 else pytest.approx(best, abs=0.01))
    assert [asked.low, asked.high] == [
        None if one is None else pytest.approx(one, abs=0.05) for one in limits
    ]
    assert plain(found.bench_preload) == interval(HELD, 1.2)
    assert (found.unit, found.build, found.findings) == ("Q17", "Q17-a", (ALIKE,))
    if asked.high is None:
        assert (
            found.why_no_closer == "no limit above: there the car would do as the log says within its doubt"
        )
        return
    doubts = {name: abs(float(slope @ weight @ one)) for name, one in moved.items()}
    why = f"told to ± {half:.1f} N·m, no closer: the largest doubt is {max(doubts, key=doubts.__getitem__)}; "
    why += "a run with another preload on the same day would tell more"
    assert found.why_no_closer == (why if half > 10.0 else "")
    assert found.course["predicted_rad_s"][50] == round(5.0 / V * PER - GIVE * HELD, 5)
    assert set(found.course["plate_temperature_degC"]) == {60.0}
    assert found.corners[0].predicted == found.corners[1].predicted


def test_what_cannot_be_told(flat_map: FlatMap) -> None:
    """Without torque, with a map in doubt by as much as the unit does, and what it is held to without rungs
    or without wheel speeds."""
    found = alone(log_of(input_torque=None), bench=bench_of(flat_map))
    assert (found.agreement, found.reason) == ("cannot be told", "nothing says the torque at the case")
    assert (found.predicted.value, found.open_share) == (None, None)
    assert set(found.sources) == set(of_log())
    for held, told in ((14.0, True), (8.0, False)):
        bench = Bench(flat_map(held), Quantity(held), ((0.0, flat_map(0.0)), (20.0, flat_map(20.0))))
        found = alone(log_of((0.93, 0.96)), bench=bench)
        assert (found.agreement == "cannot be told") is (not told), found.reason
        if not told:
            room = 100.0 * (1.0 - predicted(held=held))
            assert found.reason.endswith(f": as much as an open unit would be off ({room:.1f})")
    # an exponent of the load says nothing where no body moves any
    found = alone(log_of(), car_of(load_exponent=0.8), bench_of(flat_map))
    assert found.predicted.value == pytest.approx(predicted())
    found = alone(log_of(), bench=bench_of(flat_map, rungs=False))
    assert (found.equivalent_preload, found.why_no_closer) == (Interval(None, None, None), "")
    found = alone(log_of(wheels=False), bench=bench_of(flat_map))
    assert (found.agreement, found.reason) == (
        "no log",
        "no wheel speeds: what map and car say of this course",
    )
    assert (found.share_kept.value, found.mean_speed_difference.value) == (None, None)
    assert found.predicted.value == pytest.approx(predicted(), rel=1e-3)
    assert found.corners[0].share_kept == Interval(None, None, None)
    assert found.corners[0].predicted.value == pytest.approx(predicted(), rel=0.05)


def test_turns_that_disagree_or_are_all_to_one_side(flat_map: FlatMap) -> None:
    """Of a log with two turns to the left nothing is known of radii; turns that keep unlike shares are
    another thing than a unit, beyond the doubt of their difference."""
    found = alone(log_of(senses=(1.0, 1.0)), bench=bench_of(flat_map))
    assert [corner.turn for corner in found.corners] == ["left", "left"]
    assert found.findings == (
        "all turns are to one side: radii that differ cannot be told from locking",
        ALIKE,
    )
    told = predicted()
    for kept in ((0.5, 0.9), (0.9, 0.5), (0.69, 0.74)):
        moved = of_both(kept)
        # of one car and one map: what moves both alike falls out, also of the preload
        u = math.sqrt(sum((one[0] - one[1]) ** 2 for one in moved.values()))
        found = alone(log_of(kept), bench=bench_of(flat_map))
        gap = abs((kept[0] - told) - (kept[1] - told))
        assert (gap > NORMAL * u) is (len(found.findings) == 2)
        if gap > NORMAL * u:
            assert found.findings[0] == (
                f"left and right turns disagree by {100.0 * gap:.1f} points more than is in doubt: brakes "
                "that differ, pressures or radii"
            )


@pytest.mark.parametrize(
    ("u", "runs"),
    [
        (9e3, ((0.91, 0.92), (0.96, 0.97))),
        (18e3, ((0.80, 0.81), (0.91, 0.92))),  # down to where a tyre in such doubt might be none
        (7e3, ((0.62, 0.64), (0.83, 0.84))),  # down to a third
    ],
)
def test_tyres_told_by_two_preloads_on_one_day(flat_map: FlatMap, u: float, runs: Any) -> None:
    """Units of 24 and 10 N·m on one car, whose tyres are stated at 60 kN: what both runs have in common is
    estimated by both, by least squares at the stiffness that they put it to, two times over, and no further
    than makes sense."""
    doubt, units = (2.0, 0.6), (24.0, 10.0)
    one, other = (
        Bench(
            flat_map(held, held - 2.0, held + 2.0),
            Quantity(held, 0.6),
            ((0.0, flat_map(0.0)), (27.0, flat_map(27.0))),
        )
        for held in units
    )
    car = car_of(slip_stiffness={"value": STIFF, "u": u})
    day = laps_of(
        car, [("one", log_of(runs[0]), one), ("other", log_of(runs[1]), other), ("none", log_of(), None)]
    )

    def system(stiff: float, score: float) -> tuple[np.ndarray, ...]:
        columns: list[np.ndarray] = []
        gap = np.concatenate(
            [
                np.array(kept) - predicted(stiff=stiff, held=held)
                for kept, held in zip(runs, units, strict=True)
            ]
        )
        both = [
            of_both(kept, stiff=stiff, stiff_u=u, held=held, doubt=doubt)
            for kept, held in zip(runs, units, strict=True)
        ]
        per = PER_NEWTON_METRE * STIFF / stiff
        for name in both[0]:
            pair = [one[name] for one in both]
            if name.startswith(("noise", "zero")):
                columns += [np.concatenate([pair[0], [0.0, 0.0]]), np.concatenate([[0.0, 0.0], pair[1]])]
            else:
                columns.append(np.concatenate(pair))
        columns += [np.array([per, per, 0.0, 0.0]) * 0.6, np.array([0.0, 0.0, per, per]) * 0.6]
        tyre = np.concatenate([one["tyre.slip_stiffness"] for one in both])
        every, blind = (
            np.linalg.inv(sum(np.outer(one, one) for one in some) + 1e-12 * np.eye(4))
            for some in (columns, columns[:-2] + columns[-1:])
        )
        return gap - score * tyre, tyre, every, blind

    score = 0.0
    for _ in range(3):
        stiff = max(STIFF + score * u, STIFF / 3.0, 1.05 * NORMAL * u)
        gap, tyre, inverse, blind = system(stiff, (stiff - STIFF) / u)
        score = -float(tyre @ inverse @ gap)
    # the first unit's preload, without the bench's word for it, at the tyres as they were last looked at
    slope = np.array([1.0, 1.0, 0.0, 0.0]) * PER_NEWTON_METRE * STIFF / stiff
    best = units[0] - float(slope @ blind @ gap) / float(slope @ blind @ slope)
    half = math.sqrt(3.8415 / float(slope @ blind @ slope))
    asked = plain(day.laps[0].equivalent_preload)
    within = [place if place < 27.0 else None for place in (best, best - half, best + half)]
    assert asked == tuple(None if place is None else pytest.approx(place, abs=0.02) for place in within)
    left = math.sqrt(1.0 - float(tyre @ inverse @ tyre))
    share = u / STIFF
    assert plain(day.stiffness_ratio) == pytest.approx(
        (1.0 + share * score, 1.0 + share * (score - NORMAL * left), 1.0 + share * (score + NORMAL * left)),
        rel=2e-5,
    )
    # the verdict is of the tyres as stated; a preload that may be that of the bench takes it back
    within = [asked[1] or 0.0, asked[2] or math.inf]
    if u == 7e3:
        assert within[0] < units[0] < within[1]
        assert day.laps[0].agreement == "cannot be told"
        assert day.laps[0].reason.endswith("; yet the preload that the log asks for may be that of the bench")
        assert day.laps[0].reason.startswith("log less bench -")
    assert [lap.name for lap in day.laps] == ["one", "other", "none"]
    assert day.car == "Invented"
    assert "the same day" not in day.laps[0].why_no_closer


def exactly_known(**tyre: Any) -> Car:
    """The car, its track and radius known: the tyres alone are in doubt."""
    car = car_of(**tyre)
    axle = car.axle.model_copy(update={"track": TRACK, "rolling_radius": RADIUS})
    return car.model_copy(update={"axle": axle})


def day_of(flat_map: FlatMap, car: Car, *runs: tuple[float, float]) -> Day:
    """A run for each pair: what the unit held, and what is stated of it [N·m], its preload to 0.6 N·m; the
    logs' gains are known."""
    made = []
    for held, stated in runs:
        rungs = tuple((torque, flat_map(torque)) for torque in (0.0, 20.0, 45.0, 79.0))
        bench = Bench(flat_map(stated, stated - 1.2, stated + 1.2), Quantity(stated, 0.6), rungs)
        kept = 1.0 - held * PER_NEWTON_METRE
        made.append((f"of {held:g}", log_of((kept, kept), u_yaw=0.0, u_wheel=0.0, u_speed=0.0), bench))
    return laps_of(car, made)


@pytest.mark.parametrize(("second", "asked"), [(40.0, (60.0, 40.0)), (60.0, (40.0, 60.0))])
def test_a_preload_that_logs_contradict_leaves_no_firm_verdict(
    flat_map: FlatMap, second: float, asked: tuple[float, float]
) -> None:
    """Units of 60 and 40 N·m are stated and either log lies within the tyres' doubt of 30 %. Yet where the
    second held 60 too, tyres of 40/60 the stiffness have the first ask for 60 · 40/60 = 40 N·m; and if the
    first is right, tyres are as stated and the second asks for 60."""
    car = exactly_known(slip_stiffness={"value": STIFF, "u": 18e3})
    for lap, expected, stated in zip(
        day_of(flat_map, car, (60.0, 60.0), (second, 40.0)).laps, asked, (60.0, 40.0), strict=True
    ):
        _, low, high = plain(lap.equivalent_preload)
        assert low is not None
        assert high is not None
        assert low < expected < high
        contradict = expected != stated
        assert (lap.agreement == "stated preload and log contradict") is contradict
        assert (lap.agreement == "the car shows what the bench says") is not contradict
        assert ("check preload, result and file of every run" in lap.reason) is contradict


@pytest.mark.parametrize(("held", "told"), [(24.0, True), (33.0, True), (54.0, False)])
def test_tyres_far_from_what_is_stated_speak_of_another_unit(
    flat_map: FlatMap, held: float, told: bool
) -> None:
    """A unit of 60 N·m is stated. One that holds less moves the wheels as stiffer tyres would: by 60/24,
    60/33 or 60/54, which is 15, 8.2 or 1.1 of their stated 10 %; that statement pulls back by some tenths."""
    car = exactly_known(slip_stiffness={"value": STIFF, "u": 6e3})
    day = day_of(flat_map, car, (held, 60.0))
    assert day.stiffness_ratio.value is not None
    assert (day.stiffness_ratio.value > 1.3) is told
    assert len(day.findings) == told
    for text in day.findings:
        off = (day.stiffness_ratio.value - 1.0) / 0.1
        assert text.startswith(
            "stated tyres and logs contradict: slip_stiffness of the car would be off by "
            f"{off:.1f} of its u, so that rather another unit or preload ran than is stated"
        )


def test_torque_that_stays_keeps_to_the_loading_branch(flat_map: FlatMap) -> None:
    """The ramps are followed from loading on: a torque that never comes back knows nothing of unloading, and
    one that has come down by half is held by as much as before, where unloading would hold more."""
    content = flat_map(HELD).document.model_dump(mode="json", exclude={"sha256"})
    content["branches"]["unloading"] = flat_map(75.0).document.model_dump(mode="json")["branches"]["loading"]
    both = LockingMap(type(flat_map(HELD).document).model_validate(content))
    torque = np.where(np.arange(202) < 20, -200.0, -100.0)
    found = alone(log_of(input_torque=torque), bench=replace(bench_of(flat_map), unit=both))
    assert found.predicted.value == pytest.approx(predicted())


def test_a_run_without_torque_tells_of_no_other_preload(flat_map: FlatMap) -> None:
    """It is on the same day and of another unit: still one more that says what it holds would tell more."""
    other = Bench(flat_map(20.0), Quantity(20.0), ((0.0, flat_map(0.0)), (50.0, flat_map(50.0))))
    runs = [("one", log_of((0.79, 0.80)), bench_of(flat_map)), ("other", log_of(input_torque=None), other)]
    first, second = laps_of(car_of(), runs).laps
    assert first.why_no_closer.endswith("; a run with another preload on the same day would tell more")
    assert second.agreement == "cannot be told"
    runs[1] = ("other", log_of((0.79, 0.80)), other)
    for lap in laps_of(car_of(), runs).laps:
        assert "the same day" not in lap.why_no_closer


@pytest.mark.parametrize(("u", "told"), [(27.4e3, True), (27.7e3, False)])
def test_tyres_that_no_log_tells_are_as_stated_or_unknown(flat_map: FlatMap, u: float, told: bool) -> None:
    """An open unit says nothing of them: the stated doubt stays, and where that reaches below a tenth of what
    is stated, nothing is said. Nor is it where no run has a bench, or no doubt is stated."""
    car = car_of(slip_stiffness={"value": STIFF, "u": u})
    bench = Bench(flat_map(0.0), Quantity(0.0), ((0.0, flat_map(0.0)), (50.0, flat_map(0.0))))
    day = laps_of(car, [("open", log_of(), bench)])
    nothing = Interval(None, None, None)
    if told:
        assert plain(day.stiffness_ratio) == interval(1.0, u / STIFF)
    else:
        assert day.stiffness_ratio == nothing
    assert laps_of(car, [("none", log_of(), None)]).stiffness_ratio == nothing
    assert laps_of(car_of(), [("open", log_of(), bench)]).stiffness_ratio == nothing


def pieces(*parts: tuple[int, float], **changes: Any) -> Samples:
    """A log of stretches of so many bins with a lateral acceleration each [m/s²]; half of the difference is
    kept."""
    across = np.concatenate([np.full(count, value) for count, value in parts])
    half = 0.25 * across / V * PER
    n = across.size
    return replace(
        Samples(
            time=0.05 * np.arange(n),
            left=V / RADIUS - half,
            right=V / RADIUS + half,
            speed=np.full(n, V),
            yaw_rate=across / V,
            input_torque=None,
            brake_torque=np.zeros(n),
            temperature=np.full(n, 60.0),
            coasts=None,
        ),
        **changes,
    )


LEFT, RIGHT = ((10, 3.0), (10, 4.0)), ((10, -3.0), (10, -4.0))
ROAD = ((30, 0.0), *LEFT, (30, 0.0), *RIGHT, (30, 0.0))


@pytest.mark.parametrize(
    ("parts", "straights"),
    [
        (ROAD, [(0, 28), (52, 78), (102, 130)]),  # smoothed, a corner reaches two bins beyond itself
        (((30, 0.49), *ROAD[1:-1], (30, -0.49)), [(0, 28), (52, 78), (102, 130)]),
        (((30, 0.51), *ROAD[1:-1], (30, -0.51)), None),
        (((14, 0.0), *LEFT, (14, 0.0), *RIGHT, (12, 0.0)), [(0, 12), (36, 46), (70, 80)]),
        (((14, 0.0), *LEFT, (13, 0.0), *RIGHT, (12, 0.0)), None),
    ],
)
def test_what_counts_as_straight(parts: Any, straights: list[tuple[int, int]] | None) -> None:
    """Half a second below 0.5 m/s²; of three at least."""
    log = pieces(*parts)
    if straights is None:
        with pytest.raises(
            DocumentError, match=r"^log\.csv: the log has [12] straights of half a second, 3 are"
        ):
            entries_of(log, file="log.csv")
        return
    found = entries_of(log)
    assert [(part.start, part.stop) for part in found.straights] == straights


def test_a_straight_is_driven_at_speed_with_wheels_that_roll() -> None:
    """Faster than 5 m/s; where the wheels read 5 % more apart than is usual, one locks, and a gap in time of
    more than two bins ends it."""
    log = pieces(*ROAD)
    slow = np.where(np.arange(130) < 15, 5.0, V)
    roll = slow / V
    found = entries_of(
        replace(log, speed=slow, left=log.left * roll, right=log.right * roll, yaw_rate=log.yaw_rate * roll)
    )
    assert found.straights[0] == slice(15, 28)
    for off, first in ((0.049, slice(0, 28)), (0.051, slice(15, 28))):
        locks = np.where(np.arange(130) < 15, 1.0 - off, 1.0)
        share = 2.0 * (1.0 - locks) / (1.0 + locks)
        found = entries_of(replace(log, left=log.left * locks))
        assert found.straights[0] == (first if share[0] < 0.05 else slice(15, 28)), off
    for gap, first in ((0.05, slice(0, 28)), (0.06, slice(0, 15))):
        time = log.time + gap * (np.arange(130) >= 15)
        assert entries_of(replace(log, time=time)).straights[0] == first


@pytest.mark.parametrize(("peak", "found"), [(3.02, True), (2.98, False)])
def test_a_corner_is_one_from_three_metres_a_second_squared(peak: float, found: bool) -> None:
    """Smoothed, at its most; a smaller one is none, and a log without any says so."""
    log = pieces((30, 0.0), (15, 1.5), (15, peak), (30, 0.0), (15, 4.0), (15, 4.5), (30, 0.0))
    assert len(entries_of(log).corners) == (2 if found else 1)
    alone = pieces((30, 0.0), (15, 1.5), (15, peak), (30, 0.0), (15, 1.5), (30, 0.0))
    if found:
        (corner,) = entries_of(alone).corners
        # from the first bin above 1 m/s², of 1.2, to the first that is at its most
        assert (corner.bins, corner.sense, corner.ends_by) == (slice(31, 48), 1, "apex")
        assert (corner.start, corner.end) == pytest.approx((31 * 0.05, 48 * 0.05))
        return
    said = r"^none with 3 m/s² of lateral acceleration, the largest is 3$"
    with pytest.raises(DocumentError, match=said.strip("^$")):
        entries_of(alone)


def test_what_a_log_without_wheels_or_doubts_says_of_itself() -> None:
    """Nothing: no straights to zero on, and no doubt that nobody stated."""
    plain_log = pieces(*ROAD)
    doubts = ("u_yaw", "u_wheel", "u_speed", "u_brake", "u_torque", "u_temperature")
    assert [getattr(plain_log, name) for name in doubts] == [0.0] * 6
    assert (plain_log.wheels, plain_log.brakes_told) == (True, False)
    found = entries_of(replace(plain_log, wheels=False))
    assert found.straights == found.sliding == ()
    zeros = ("ratio", "ratio_u", "yaw_zero", "yaw_zero_u", "wheel_noise", "yaw_noise")
    assert [getattr(found, name) for name in zeros] == [0.0] * 6
    assert len(found.corners) == 2


def test_a_zero_of_the_gyroscope_takes_no_straight_away() -> None:
    """0.4 m/s² by its own zero: less than what a straight may have, and found on them."""
    log = pieces(*ROAD)
    found = entries_of(replace(log, yaw_rate=log.yaw_rate + 0.4 / V))
    assert len(found.straights) == 3
    assert found.yaw_zero == pytest.approx(0.4 / V)
    assert found.samples.yaw_rate == pytest.approx(log.yaw_rate)


@pytest.mark.parametrize(("slow", "begins"), [(1.03, 32), (0.97, 43)])
def test_a_corner_begins_above_one_metre_a_second_squared(slow: float, begins: int) -> None:
    """Smoothed: with the third bin of a little more, or where what follows a little less comes to it."""
    log = pieces((30, 0.0), (15, slow), (5, 2.0), (15, 4.0), (30, 0.0), *LEFT, (30, 0.0))
    assert entries_of(log).corners[0].bins.start == begins


def test_the_apex_is_where_the_path_bends_most() -> None:
    """At one yaw rate while the car slows down from 20 to 16 m/s: at the end of the turn, and not where its
    lateral acceleration is at its most."""
    log = pieces((30, 0.0), (30, 4.0), (30, 0.0), *LEFT, (30, 0.0))
    speed = np.concatenate([np.full(30, V), np.linspace(V, 16.0, 30), np.full(80, 16.0)])
    rolls = speed / V
    log = replace(log, speed=speed, left=log.left * rolls, right=log.right * rolls)
    first = entries_of(log).corners[0]
    assert (first.bins.stop, first.ends_by) == (58, "apex")  # smoothed, two bins before the turn ends
    # a log that ends in the turn: with its last sample
    log = pieces(*ROAD, *((1, 0.8 + 0.21 * i) for i in range(20)))
    last = entries_of(log).corners[-1]
    assert (last.bins.stop, last.end) == (log.time.size, log.time[-1])


def test_an_entry_ends_with_the_first_throttle_that_stays() -> None:
    """Four bins on end; three are a blip. An entry of six bins is one, of five none; all of them without is
    told."""
    parts = ((30, 0.0), (15, 1.5), (15, 4.0), (30, 0.0))
    road = (*parts, *parts[1:], *parts[1:])
    for on, ends in (((40, 44), 40), ((40, 43), 48), ((37, 60), 37), ((36, 60), None), ((48, 60), 48)):
        drives = np.zeros(210, dtype=bool)
        drives[slice(*on)] = True
        corners = entries_of(pieces(*road, coasts=~drives)).corners
        first = [corner for corner in corners if corner.start < 60 * 0.05]
        if ends is None:
            assert first == []
        else:
            assert [corner.bins for corner in first] == [slice(31, ends)]
            assert first[0].ends_by == ("apex" if ends == 48 else "first throttle")
    always = np.zeros(210, dtype=bool)
    with pytest.raises(
        DocumentError, match=r"where lateral acceleration comes to 3 m/s², drive is on from the"
    ):
        entries_of(pieces(*road, coasts=always))


def test_bins_are_means_of_what_is_there() -> None:
    """A hundred samples a second, five a bin; one with a reading that is missing counts for nothing, and a
    bin without any is left out. Half of the samples on drive is not yet coasting."""
    log = pieces(*ROAD, coasts=np.ones(130, dtype=bool), input_torque=np.zeros(130))
    fine = {
        name: np.repeat(value, 5) if isinstance(value, np.ndarray) else value
        for name, value in vars(log).items()
    }
    time = 7.02 + 0.01 * np.arange(650)
    torque = np.arange(650.0)
    torque[[0, 3]] = np.nan
    torque[5:10] = np.nan
    coasts = np.ones(650, dtype=bool)
    coasts[[1, 2]] = False
    coasts[[10, 11]] = False
    found = entries_of(Samples(**{**fine, "time": time, "input_torque": torque, "coasts": coasts})).samples
    assert found.time.size == 129
    assert found.time[:2] == pytest.approx([7.02 + (0.01 + 0.02 + 0.04) / 3, 7.14])
    assert found.input_torque is not None
    assert found.input_torque[:3] == pytest.approx([7.0 / 3.0, 12.0, 17.0])
    assert found.coasts is not None
    assert found.coasts[:2].tolist() == [False, True]
    assert found.yaw_rate[28:32] == pytest.approx([0.0, 0.15, 0.15, 0.15])


@pytest.mark.parametrize(("off", "bins", "slides"), [(0.21, 2, True), (0.21, 1, False), (0.19, 2, False)])
@pytest.mark.parametrize("by", ["car", "other"])
def test_an_entry_with_a_wheel_that_slides_is_left_out(off: float, bins: int, slides: bool, by: str) -> None:
    """A fifth slower than the car, or apart from the other wheel by a fifth, for a tenth of a second."""
    log = pieces((30, 0.0), (15, 1.5), (15, 4.0), (30, 0.0), (15, 1.5), (15, 4.0), (30, 0.0))
    at = slice(40, 40 + bins)
    left, right = log.left.copy(), log.right.copy()
    if by == "car":
        left[at] = right[at] = (1.0 - off) * V / RADIUS
    else:
        left[at], right[at] = (1.0 - 0.5 * off) * V / RADIUS, (1.0 + 0.5 * off) * V / RADIUS
    found = entries_of(replace(log, left=left, right=right))
    assert found.sliding == (pytest.approx((31 * 0.05,)) if slides else ())
    assert len(found.corners) == 2 - slides
    left[at.start + 60 : at.stop + 60] = left[at]
    right[at.start + 60 : at.stop + 60] = right[at]
    if slides:
        with pytest.raises(DocumentError, match="a wheel locks or spins in all 2 corner entries: nothing of"):
            entries_of(replace(log, left=left, right=right))
    told = alone(
        replace(log_of(), left=np.where(np.isin(np.arange(202), [40, 41]), 60.0 * 0.7, log_of().left))
    )
    assert told.findings[0] == (
        "a wheel locks or spins in 1 entries (at 1.6 s): left out, the numbers are of the other 1"
    )


def drive_out(torque: float, gain: float, *, bins: int = 41, body: bool = True) -> LapResult:
    """The log with drive on its last straight, on which the car gains speed; a car of 1100 kg, or of no
    stated mass."""
    log = log_of()
    on = np.arange(202) >= 202 - bins
    speed = V + gain * np.where(on, log.time - log.time[201 - bins], 0.0)
    parts = {"load_exponent": 0.0} if body else {}
    car = car_of(**parts)
    if body:
        mass = {"mass": 1100.0, "height": 0.0, "wheelbase": 2.5, "weight_share": 0.5, "roll_share": 0.5}
        car = car.model_validate({**car.model_dump(exclude_none=True), "body": mass})
    rolls = speed / V
    return alone(
        replace(
            log,
            speed=speed,
            left=log.left * rolls,
            right=log.right * rolls,
            yaw_rate=log.yaw_rate * rolls,
            input_torque=np.where(on, torque, -100.0),
            brake_torque=np.zeros(202),
        ),
        car,
    )


def test_torque_that_is_not_at_the_case() -> None:
    """1100 kg at 2 m/s² on 0.3 m take 660 N·m, at the edges of the smoothed drive a little less: less than
    half of it is torque elsewhere; more that does not grow with the gain of speed is drag. Two seconds of
    drive and half a metre a second squared are needed to tell."""
    for torque, word in ((300.0, "less by a factor of 2.1"), (345.0, ""), (1400.0, "")):
        (*told,) = drive_out(torque, 2.0).findings
        assert (len(told) == 1) is bool(word), (torque, told)
        if word:
            assert word in told[0]
            assert f"input_torque says {torque:.4g} N·m" in told[0]
    assert len(drive_out(300.0, 2.0, bins=39).findings) == 0
    assert len(drive_out(60.0, 0.5).findings) == 0
    assert len(drive_out(60.0, 0.54).findings) == 1
    assert len(drive_out(300.0, 2.0, body=False).findings) == 0


def test_brakes_that_bite_unlike() -> None:
    """The right one has 4 % more pressure than the left one, as the mean of both counts; within 3 %, or with
    two entries, it is not told."""
    road = pieces(*ROAD, *LEFT, (30, 0.0))

    def told(*apart: float) -> tuple[str, ...]:
        pressures = np.full((road.time.size, 2), 1e4)  # off the brakes, where gauges tell nothing
        pressures[:, 0] *= 3.0
        for i, start in enumerate((29, 79, 129)[: len(apart)]):
            pressures[start : start + 12] = [4e6 * (1.0 - 0.5 * apart[i]), 4e6 * (1.0 + 0.5 * apart[i])]
        findings = alone(replace(road, brake_pressures=pressures)).findings
        return tuple(one for one in findings if "brake" in one)

    said = (
        "the right brake has 4 % more pressure than the left one over the entries: right turns look like less"
    )
    assert told(0.04, 0.041, 0.039)[0].startswith(said)
    assert told(-0.05, -0.05, -0.05)[0].startswith("the left brake has 5 % more pressure than the right one")
    assert told(0.031, 0.031, 0.031) != ()
    assert told(0.029, 0.029, 0.029) == ()
    assert told(0.04, 0.04) == ()
    # mean 0.04, standard deviation of three 0.0346: twice that of the mean is 0.04
    assert told(0.0, 0.06, 0.059) == ()
    assert told(0.001, 0.06, 0.06) != ()
    assert (
        alone(replace(road, brake_pressures=np.zeros((road.time.size, 2)))).findings == alone(road).findings
    )


def test_wheels_that_hop_lift_or_turn_faster_than_free() -> None:
    """Each told with how many entries there are of it, and when they begin."""
    log = log_of((1.24, 1.3))
    (said,) = alone(log).findings
    assert said == (
        "more than free rolling is kept in 1 entries (at 5.7 s): a wheel that lifts or locks, or a wheel "
        "speed that is wrong"
    )
    shaken = np.where((np.arange(202) >= 113) & (np.arange(202) < 132), 0.5 * (-1.0) ** np.arange(202), 0.0)
    assert alone(replace(log_of(), left=log_of().left + shaken)).findings == (
        "wheel speeds are rough in 1 entries (at 5.7 s): kerbs, or a wheel that hops",
    )
    assert alone(replace(log_of(), left=log_of().left - shaken / 500.0)).findings == ()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"input_torque": np.full(202, -320.0)},
         "torque at the case goes from -320 to -320 N·m in the entries, the map from -300 to 600: 100 % of"),
        ({"temperature": np.full(202, 101.0)},
         "temperature of the plates goes from 101 to 101 °C in the entries, the map from 40 to 100: 100 %"),
        ({"temperature": np.where(np.arange(202) == 40, 39.0, 60.0)},
         "temperature of the plates goes from 39 to 60 °C in the entries, the map from 40 to 100: 3 %"),
        ({"temperature": np.where(np.arange(202) == 20, 39.0, 60.0)}, ""),
        ({"temperature": np.full(202, 100.0), "input_torque": np.full(202, -300.0)}, ""),
    ],
)  # fmt: skip
def test_what_the_map_does_not_cover_is_told(flat_map: FlatMap, changes: dict[str, Any], said: str) -> None:
    """Of the entries alone, from one bin in fifty on, at the axes' ends not yet."""
    found = alone(log_of(**changes), bench=bench_of(flat_map))
    told = [one for one in found.findings if one != ALIKE]
    if not said:
        assert (told, "beyond the map" in found.reason) == ([], False)
        return
    assert told[0].startswith(said)
    assert found.reason.endswith(f"; beyond the map in {said.partition(' goes')[0]}")
    assert told[0].endswith(
        "of their time is beyond it, where the map is carried on with wider limits and nothing was measured"
    )


def test_brakes_that_nothing_tells_and_doubts_of_what_loads_the_unit(flat_map: FlatMap) -> None:
    """Tyres alike do not mind the torque, whoever says it: what brakes would move is nothing here, and the
    doubts of torque and brakes are among the sources and move nothing."""
    found = alone(
        log_of(brakes_told=False, u_torque=0.05, u_brake=0.1, u_temperature=3.0), bench=bench_of(flat_map)
    )
    assert found.reason.endswith("; nothing says the brakes")
    said, alike = found.findings
    assert alike == ALIKE
    assert said == (
        "nothing says the torque of the brakes: they count as released in the entries; 100 N·m at each wheel "
        "would move the bench's share by +0.0 points"
    )
    for name in ("torque at the case", "torque of the brakes", "temperature of the oil"):
        assert found.sources[name] == pytest.approx(0.0, abs=1e-12)
    # with a left wheel that is 1 % larger they do: outer and inner tyre slip by unlike shares of the speed
    car = car_of()
    axle = car.axle.model_copy(update={"radius_difference": 0.01})
    car = car.model_copy(update={"axle": axle})
    brake = np.full(202, 50.0)
    found = alone(log_of(brake_torque=brake, u_torque=0.05, u_brake=0.1), car, bench_of(flat_map))
    soft = [1.0 / ((RADIUS * (1.0 + sign * 0.005)) ** 2 * STIFF) for sign in (-1.0, 1.0)]
    # right less left, over both turns: V · torque · (soft right − soft left), in left and right turns unlike
    per = V * (soft[0] - soft[1]) * BINS / FREE
    assert found.sources["torque at the case"] == pytest.approx(0.0, abs=0.05 * 0.5 * 100.0 * per)
    assert found.sources["torque of the brakes"] == pytest.approx(0.0, abs=0.1 * 50.0 * per)


def test_a_log_with_torque_or_throttle_reversed_is_refused() -> None:
    """By how drive and gain of speed go together: from a correlation of -0.3 on it is no chance."""
    log = log_of()
    sway = np.sin(2.0 * np.pi * np.arange(202) / 40.0)
    speed = V + 0.5 * np.cumsum(sway) * 0.05
    faster = np.gradient(
        np.convolve(speed, np.ones(5), "same") / np.convolve(np.ones(202), np.ones(5), "same"), log.time
    )
    across = np.linspace(-1.0, 1.0, 202) ** 2
    across -= across.mean() + (across - across.mean()) @ (faster - faster.mean()) / np.sum(
        (faster - faster.mean()) ** 2
    ) * (faster - faster.mean())
    for against, refused in ((0.31, True), (0.29, False)):
        one, other = (part / np.std(part) for part in (faster - faster.mean(), across - across.mean()))
        torque = -against * one + math.sqrt(1.0 - against**2) * other
        changed = replace(log, speed=speed, input_torque=torque)
        if refused:
            with pytest.raises(
                DocumentError, match=r"\(correlation -0\.31\): it is reversed\. Mend: write sign = -1"
            ):
                entries_of(changed)
        else:
            assert entries_of(changed).corners
    with pytest.raises(
        DocumentError, match=r"throttle says drive where .*: it is reversed\. Mend: export throttle"
    ):
        entries_of(replace(log, speed=speed, coasts=sway > 0.0))


TURNING = np.concatenate([np.zeros(30), CORNER, np.zeros(40), -CORNER, np.zeros(50)]) / V


def smoothed(values: np.ndarray) -> np.ndarray:
    """Means of five bins, of fewer at the ends."""
    return np.array([values[max(i - 2, 0) : i + 3].mean() for i in range(values.size)])


def share_of(left: np.ndarray) -> float:
    """The share of a difference, right less left, over both entries."""
    entries = (slice(32, 51), 1.0), (slice(113, 132), -1.0)
    kept, free = (sum(sense * part[at].sum() for at, sense in entries) for part in (left, TURNING * PER))
    return float(kept / free)


@pytest.mark.parametrize(("driven", "sign"), [("rear", 1.0), ("front", -1.0)])
def test_tyres_under_load_by_hand(flat_map: FlatMap, driven: str, sign: float) -> None:
    """Stiffness in proportion to load: the inner tyre gives more than the outer one, by what the body, the
    turn and the air move. Braked by 100 N·m in all, the inner one slips more: an open unit keeps more."""
    body = {
        "mass": 1100.0, "height": 0.5, "wheelbase": 2.5, "weight_share": 0.54, "roll_share": 0.45,
        "driven": driven, "drag": 480.0, "lift": -700.0, "air_speed": 40.0,
    }  # fmt: skip
    car = car_of(load=3000.0, load_exponent=1.0)
    car = car.model_validate({**car.model_dump(exclude_none=True), "body": body})
    flat_road = log_of(brake_torque=np.full(202, 20.0), u_torque=0.06, u_brake=0.1)
    rate = flat_road.yaw_rate - ZERO
    whole = 1100.0 * 9.80665 * 0.54 + 0.25 * (sign * 480.0 * 0.5 / 2.5 + 700.0)
    across = 1100.0 * smoothed(V * rate) * 0.5 * 0.45 / TRACK
    left, right = (STIFF * (0.5 * whole + side * across) / 3000.0 for side in (-1.0, 1.0))
    give = 0.5 * V * (1.0 / right + 1.0 / left) / RADIUS**2

    def asked(torque: float = -100.0, brake: float = 20.0) -> np.ndarray:
        return rate * PER + V * (0.5 * torque - brake) * (1.0 / right - 1.0 / left) / RADIUS**2

    def left_by(opened: np.ndarray, held: float = HELD) -> np.ndarray:
        return np.asarray(np.sign(opened) * np.maximum(np.abs(opened) - give * held, 0.0))

    opened, kept = asked(), left_by(asked())
    found = alone(flat_road, car, bench_of(flat_map))
    assert found.open_share == pytest.approx(share_of(opened), rel=1e-6)
    assert found.open_share is not None
    assert found.open_share > 1.0
    assert found.predicted.value == pytest.approx(share_of(kept), rel=1e-6)
    assert found.course["predicted_rad_s"] == pytest.approx(kept, abs=2e-5)
    assert found.findings == (ALIKE,)
    # what loads the unit is told to 6 %, its brakes to 10 %: once for the gap, 1.96 times for the limits
    both = [
        [share_of(left_by(one)) for one in (asked(torque=-100.0 * down), asked(torque=-100.0 * up))]
        for down, up in ((0.94, 1.06), (1.0 - 0.06 * NORMAL, 1.0 + 0.06 * NORMAL))
    ]
    brakes = [
        [share_of(left_by(one)) for one in (asked(brake=20.0 * down), asked(brake=20.0 * up))]
        for down, up in ((0.9, 1.1), (1.0 - 0.1 * NORMAL, 1.0 + 0.1 * NORMAL))
    ]
    assert found.sources["torque at the case"] == pytest.approx(abs(both[0][1] - both[0][0]) / 2.0, rel=1e-6)
    assert found.sources["torque of the brakes"] == pytest.approx(
        abs(brakes[0][1] - brakes[0][0]) / 2.0, rel=1e-6
    )
    exact = car.model_copy(
        update={"axle": car.axle.model_copy(update={"track": TRACK, "rolling_radius": RADIUS})}
    )
    found = alone(flat_road, exact, bench_of(flat_map))
    of_map = share_of(left_by(opened, HELD + 4.0)) - share_of(left_by(opened, HELD - 4.0))
    whole = math.hypot(both[1][1] - both[1][0], brakes[1][1] - brakes[1][0], of_map)
    assert plain(found.predicted) == interval(share_of(kept), whole / (2.0 * NORMAL))


def test_where_the_preloads_that_are_looked_at_end(flat_map: FlatMap) -> None:
    """One rung beside the unit tells by how much a newton metre counts, on either side; a limit that lies
    beyond them all is none, unless it is no preload at all."""
    told = PER_NEWTON_METRE * math.sqrt((4.0 / NORMAL) ** 2 - 1.2**2)
    for other in (40.0, 75.0):
        bench = replace(bench_of(flat_map), rungs=((other, flat_map(other)),))
        found = alone(log_of(), bench=bench)
        assert found.sources["map"] == pytest.approx(told, rel=1e-6)
    beside = tuple((torque, flat_map(torque)) for torque in (45.0, 75.0))
    found = alone(log_of((0.78, 0.80)), bench=replace(bench_of(flat_map), rungs=beside))
    assert found.equivalent_preload.low is None
    assert found.equivalent_preload.high is not None
    assert found.why_no_closer == "no limit below: there the car would do as the log says within its doubt"
    found = alone(log_of((0.97, 0.98)), bench=bench_of(flat_map))
    assert (found.equivalent_preload.low, found.agreement) == (0.0, "less locking")


def test_a_wheel_lifts_below_a_twentieth_of_its_load(flat_map: FlatMap) -> None:
    """Of that at rest, 1100 · 9.80665 · 0.27 N: by a height of the body at which 4 m/s² take a little more or
    less than the rest of it; told with how long, of both entries."""
    rest = 1100.0 * 9.80665 * 0.27
    road = pieces(*ROAD, input_torque=np.full(130, -100.0), brakes_told=True)
    for left, lifts in ((0.049, True), (0.051, False)):
        height = (1.0 - left) * rest * TRACK / (1100.0 * 4.0 * 0.45)
        body = {"mass": 1100.0, "height": height, "wheelbase": 2.5, "weight_share": 0.54, "roll_share": 0.45}
        car = car_of(load=3000.0, load_exponent=1.0)
        car = car.model_validate({**car.model_dump(exclude_none=True), "body": body})
        findings = [one for one in alone(road, car, bench_of(flat_map)).findings if "lifts" in one]
        # one bin of each entry is of 4 m/s² over five: its apex
        assert findings == (["by its loads the inner wheel lifts for 0.1 s of the entries"] if lifts else [])


def test_wheels_that_spin_up_and_plates_that_heat(flat_map: FlatMap) -> None:
    """What spins both wheels against each other is taken off what asks for a difference; the power of the
    plates, half of torque times difference, warms them by the textbook's exponential."""
    car = car_of()
    car = car.model_copy(update={"axle": car.axle.model_copy(update={"wheel_inertia": 1.3})})
    rate = log_of().yaw_rate - ZERO
    bench = replace(bench_of(flat_map), plates=(900.0, 15.0))

    def left_by(opened: np.ndarray) -> np.ndarray:
        return np.asarray(np.sign(opened) * np.maximum(np.abs(opened) - GIVE * HELD, 0.0))

    plain_left = left_by(rate * PER)
    spun = left_by(rate * PER - GIVE * 1.3 * np.gradient(smoothed(plain_left), 0.05))
    found = alone(log_of(), car, bench)
    assert found.course["predicted_rad_s"] == pytest.approx(spun, abs=2e-5)
    carried = np.minimum(np.abs(rate * PER) / GIVE, HELD)
    power = 0.5 * carried * np.abs(plain_left)
    warm = [0.0]
    for mean in 0.5 * (power[1:] + power[:-1]):
        warm.append(mean / 15.0 + (warm[-1] - mean / 15.0) * math.exp(-0.05 * 15.0 / 900.0))
    assert found.course["plate_temperature_degC"] == pytest.approx(60.0 + np.array(warm), abs=2e-5)
    assert max(warm) > 0.01


def test_wheels_of_unlike_size_show_on_straights_and_are_put_back(flat_map: FlatMap) -> None:
    """The left wheel is 1 % larger: what the unit leaves of that on straights is no zero of the sensors, and
    is added to the log's share, in doubt as a whole; of two turns to the left nothing cancels."""
    car = car_of()
    car = car.model_copy(update={"axle": car.axle.model_copy(update={"radius_difference": 0.01})})
    held, log = 12.0, log_of(senses=(1.0, 1.0))
    bench = Bench(flat_map(held), Quantity(held), ((0.0, flat_map(0.0)), (20.0, flat_map(20.0))))
    found = alone(log, car, bench)
    rate = log.yaw_rate - ZERO
    right, left = RADIUS * (1.0 - 0.005), RADIUS * (1.0 + 0.005)
    opened = (V + 0.5 * rate * TRACK) / right - (V - 0.5 * rate * TRACK) / left
    opened += V * -50.0 * (1.0 / right**2 - 1.0 / left**2) / STIFF
    give = 0.5 * V * (1.0 / right**2 + 1.0 / left**2) / STIFF
    leaves = np.sign(opened) * np.maximum(np.abs(opened) - give * held, 0.0)
    on = np.concatenate([np.arange(30), np.arange(71, 111), np.arange(152, 202)])
    shown = float(np.mean(leaves[on] / log.left[on]))
    entries = np.concatenate([np.arange(32, 51), np.arange(113, 132)])
    more = shown * float(np.sum(0.5 * (log.left + log.right)[entries])) / (2.0 * FREE)
    assert found.share_kept.value == pytest.approx(sum(KEPT) / 2 + more, rel=1e-6)
    assert found.predicted.value == pytest.approx(float(leaves[entries].sum()) / (2.0 * FREE), rel=1e-6)
    without = alone(log, car)
    assert found.share_kept.high is not None
    assert without.share_kept.high is not None
    half, plainly = (one.high - one.value for one in (found.share_kept, without.share_kept))  # type: ignore[operator]
    assert half == pytest.approx(math.hypot(plainly, NORMAL * more), rel=1e-6)
    assert found.reason.startswith(
        f"log less bench {100 * (found.share_kept.value - found.predicted.value):+.1f}"
    )  # type: ignore[operator]
