"""Every finding speaks from some size of its fault on: silent below, and never milder above."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning.bench import ErrorSource
from diffbench.conditioning.checks.flanges import (
    KINDS,
    Comparison,
    Mismatch,
    _ungeared,
    judge,
    torque_balance,
    zero_drift,
)
from diffbench.conditioning.checks.held import (
    coarse,
    dead,
    frozen_tare,
    held,
    loaded_tare,
    movement,
    resolution,
    span,
)
from diffbench.conditioning.checks.hum import hum
from diffbench.conditioning.checks.protocol import (
    Quality,
    against_standard,
    flanks,
    quality,
    reach,
    slip_and_cycles,
    stick_slip,
)
from diffbench.conditioning.checks.recording import clock, lost_readings, strays
from diffbench.conditioning.checks.speeds import dropouts, frozen_speeds, noisy, speed_difference, speeds
from diffbench.conditioning.checks.temperature import hot_plates, temperature
from diffbench.conditioning.checks.twice import marks, repeats, same_samples
from diffbench.conditioning.checks.unread import impossible, joined, seen_in, unread
from diffbench.documents import Rig
from diffbench.recording import Recording

Array = NDArray[np.float64]
Told = Callable[[Any], Sequence[Any]]
RigOf = Callable[..., Rig]
RecordingOf = Callable[..., Recording]
RANK = {"note": 1, "caveat": 2, "stop": 3}
TIME = np.arange(4000) / 100.0
NOISE = np.random.default_rng(21).normal(size=4000)
OTHER = np.random.default_rng(22).normal(size=4000)
JITTER = np.random.default_rng(5).uniform(-0.5, 0.5, 4000)
COURSE = 350.0 * np.sin(TIME / 3.0)


def about(middle: float, width: float = 0.35, count: int = 17) -> list[float]:
    """Sizes from below a middle to above it, a twentieth apart, and the middle itself."""
    beside = middle * np.geomspace(1.0 / (1.0 + width), 1.0 + width, count) * 1.0003
    return sorted([middle, *beside.tolist()])


def mildest_first(told: Told, sizes: Iterable[Any]) -> None:
    """Silent at the first, loud at the last, and never milder on the way."""
    ranks = [max((RANK[one.severity] for one in told(size)), default=0) for size in sizes]
    assert ranks[0] < ranks[-1], ranks
    assert ranks == sorted(ranks)


def put(values: Array, first: int, count: int, other: float | Array) -> Array:
    """Values with some put in."""
    out = values.copy()
    out[first : first + count] = other
    return out


def stuck(count: int) -> Any:
    values = np.round(COURSE + NOISE, 1)
    return held(put(values, 1500, count, values[1500]), name="left_torque", file="a.csv").findings


def one_digit(digits: float) -> Any:
    values = np.round((COURSE + NOISE) / digits) * digits
    return dead({"left_torque": values, "right_torque": COURSE}, file="a.csv")


def gap(seconds: float) -> Any:
    return clock(np.delete(TIME, np.arange(2000, 2000 + round(100 * seconds))), file="a.csv")


def drop(share: float) -> Any:
    speed = 61.0 + 0.1 * NOISE
    return dropouts(put(speed, 2000, 7, (1.0 - share) * 61.0), 0.01, name="left_speed", file="a.csv")[1]


def dropped_for(seconds: float) -> Any:
    """What lasts longer than half a second may have happened: the other way round."""
    speed = put(61.0 + 0.1 * NOISE, 2000, round(100 * seconds), 3.0)
    return dropouts(speed, 0.01, name="left_speed", file="a.csv")[1]


def line(amplitude: float, frequency: float = 50.0, averaged: float = 0.2, shaft: float = 7.0) -> Any:
    time = np.arange(4000) / 130.0
    values = 5.0 * np.sin(time) + NOISE + amplitude * np.sin(2.0 * np.pi * (frequency + 0.01) * time)
    return hum(values, 130.0, [np.full(4000, shaft)], name="left_torque", file="a.csv", averaged=averaged)


def swinging(share: float) -> Any:
    slip = 4.0 * (1.0 + share * np.sin(2.0 * np.pi * 3.0 * TIME) * (TIME % 20.0 < 10.0))
    return stick_slip(SimpleNamespace(step=0.01), slip, file="a.csv")  # type: ignore[arg-type]


def oil(reading: float, name: str = "oil_temperature") -> Any:
    return temperature(TIME, reading + 0.2 * NOISE, name=name, file="a.csv")


def jump(kelvins: float) -> Any:
    return temperature(
        TIME, 61.0 + 0.05 * NOISE + kelvins * (TIME > 20.0), name="oil_temperature", file="a.csv"
    )


def copied(count: int) -> Any:
    first, other = put(NOISE, 3000, count, NOISE[1000 : 1000 + count]), OTHER.copy()
    return repeats(TIME, {"a": first, "b": put(other, 3000, count, other[1000 : 1000 + count])}, file="a.csv")


def shared(share: float) -> Any:
    numbers = np.arange(1000, dtype=np.uint64)
    other = numbers + np.uint64(round(1000 * (1.0 - share)))
    return same_samples([("a.csv", [numbers]), ("b.csv", [other])])


def broken(count: int) -> Any:
    values = put(60.0 + NOISE, 0, count, 1372.0)
    return impossible(seen_in(TIME, values), name="oil_temperature", file="a.csv")


def empty(seconds: float, first: int = 1000) -> Any:
    one = seen_in(TIME, put(60.0 + NOISE, first, round(100 * seconds), np.nan))
    return unread(one, name="oil_temperature", file="a.csv", instead="as guessed", doubt=11.3)


def moved(change: float, seconds: float = 700.0) -> Any:
    rig = SimpleNamespace(channel={"left_torque": SimpleNamespace(u_zero=0.37)})
    runs = [{"left_torque": level + 0.11 * NOISE[:10]} for level in (0.3, 0.3 + change)]
    return zero_drift(rig, runs, ["left_torque"], between=seconds, largest=500.0)  # type: ignore[arg-type]


def standard(rate: float = 1000.0, step: float = 0.1, speed: float = 0.01) -> Any:
    channel = SimpleNamespace(range=None)
    rig = SimpleNamespace(name="A", channel={"left_torque": channel, "plate_temperature": channel})
    seen = [Quality(rate, {"left_torque": (step, 470.0), "left_speed": (speed, 31.0)})]
    return against_standard(rig, seen, ["left_torque"])  # type: ignore[arg-type]


def slips(turned: float = 3.0, holding: float = 0.1, turns: int = 5, step: float = 0.02) -> Any:
    cells = SimpleNamespace(
        stretch=np.repeat(np.arange(4), 5), speed_difference=np.full(20, 2.0), width=np.full(20, 0.1 * turned)
    )
    course = SimpleNamespace(turns=[None] * turns, stretch_duration=3.1)
    return slip_and_cycles(cells, course, holding=holding, step=step, kind="bias-sweep", file="a")  # type: ignore[arg-type]


LADDERS: dict[str, tuple[Told, Sequence[Any]]] = {
    "readings that stand": (stuck, range(1, 30)),
    "a level that clips": (
        lambda by: held(np.minimum(COURSE + NOISE, 354.0 - by), name="a", file="b").findings,
        [0.0, 0.5, 1.0, 2.0, 3.0, 3.5, 4.0, 5.0, 10.0, 30.0, 100.0],
    ),
    "a level that clips below": (
        lambda by: held(np.maximum(COURSE + NOISE, by - 354.0), name="a", file="b").findings,
        [0.0, 0.5, 1.0, 2.0, 3.0, 3.5, 4.0, 5.0, 10.0, 30.0, 100.0],
    ),
    "levels that clip at both ends": (
        lambda by: held(np.clip(COURSE + NOISE, by - 354.0, 349.0 - by), name="a", file="b").findings,
        [-9.0, 4.0, 5.0, 10.0, 30.0, 100.0],
    ),
    "readings that stand in a short recording": (
        lambda n: held(put(OTHER[:n], 5, 25, 0.1), name="a", file="b").findings, [48, 49, 50, 51, 60],
    ),
    "readings that stand in a channel that is less coarse": (
        lambda fine: held(put(np.round(NOISE * fine), 500, 60, 0.0), name="a", file="b").findings,
        np.geomspace(0.2, 3.0, 40).tolist(),
    ),
    "readings that stand among long runs": (
        lambda n: held(put(np.round(1.7 * NOISE), 500, n, 0.0), name="a", file="b").findings,
        range(3, 45),
    ),
    "a torque that moves less than the other": (
        lambda share: dead({"a": (1.0 - share) * COURSE, "b": COURSE}, file="a.csv"),
        [1.0 - x for x in about(0.005)][::-1],
    ),
    "a torque that is all noise": (
        lambda sigma: dead({"a": COURSE / 90.0 + sigma * NOISE, "b": COURSE}, file="a.csv"),
        [0.0, *about(1.2, 2.0, 40)],
    ),
    "a sweep of next to nothing": (
        lambda share: dead({"a": COURSE / 350.0 * (1.0 - share)}, file="a.csv"),
        [1.0 - x for x in about(0.5)][::-1],
    ),
    "a sweep within the doubt of its zero": (
        lambda u: dead({"a": COURSE / 100.0}, file="a.csv", u_zero={"a": u}), about(3.5),
    ),
    "an output that is not loaded": (
        lambda share: dead({"a": (1.0 - share) + 0.0 * NOISE}, file="a.csv", kind="speed-sweep"),
        [1.0 - x for x in about(0.1)][::-1],
    ),
    "a held load": (
        lambda share: dead({"a": 10.0 * (1.0 - share) + 0.1 * NOISE}, file="a.csv"),
        [1.0 - x for x in about(0.1)][::-1],
    ),
    "a tare without noise": (
        lambda n: frozen_tare({"a": np.full(n, 0.7)}, file="tare.csv"), [48, 49, 50, 51],
    ),
    "a tare that moves": (
        lambda move: loaded_tare([{"a": (-0.3 * move, 0.7 * move)}], largest=400.0, file="t"), about(40.0),
    ),
    "a tare that stands": (
        lambda level: loaded_tare([{"a": (-level, 1.0 - level)}], largest=400.0, file="t"), about(40.0),
    ),
    "steps of a torque": (
        lambda step: coarse(np.round(COURSE / step) * step, name="a", file="b"), about(6.9, 0.8, 31),
    ),
    "steps under less and less noise": (
        lambda quiet: coarse(np.round((COURSE + 14.0 / quiet * NOISE) / 14.0) * 14.0, name="a", file="b"),
        [0.7, 1.0, *about(2.7, 1.0, 25)],
    ),
    "steps of a short recording": (
        lambda n: coarse(np.round(COURSE[:n] / 20.0) * 20.0, name="a", file="b"), [998, 999, 1000, 1001],
    ),
    "steps of the clock that scatter": (
        lambda share: clock(TIME + 0.01 * share * JITTER, file="a"),
        about(0.43, 4.0, 60),
    ),
    "a gap": (gap, [0.0, 0.01, 0.02, 0.03, *about(2.0)]),
    "empty cells": (
        lambda n: lost_readings({"a": put(NOISE, 10, n, np.nan)}, file="a.csv"), [0, 1, 199, 200, 201, 230],
    ),
    "spikes": (lambda n: strays(n, 4000, file="a.csv"), [0, 1, 39, 40, 41, 44]),
    "coast beyond drive": (
        lambda low: flanks(*(reach(np.array([-low, 310.0])) or (0.0, 0.0)), file="a"), about(372.0),
    ),
    "outputs that hold": (lambda share: slips(holding=share), about(0.5)),
    "outputs that hardly turn": (lambda share: slips(turned=1.0 / share), about(1.0)),
    "few cycles": (lambda n: slips(turns=5 - n), [0, 1, 2, 3, 4]),
    "few samples": (lambda step: slips(step=step), about(0.0775, 0.06, 25)),
    "slip that swings": (swinging, about(0.5, 0.8, 30)),
    "a rate below the standard's": (lambda by: standard(rate=1000.0 - by), [0, 5, 9, 10, 11, 15, 100]),
    "steps of a torque beyond the standard's": (lambda step: standard(step=step), about(2.35)),
    "steps of a speed beyond the standard's": (lambda step: standard(speed=step), about(0.155, 0.9, 33)),
    "a speed that drops": (drop, [*about(0.5)]),
    "a speed that drops for less": (lambda less: dropped_for(0.6 - less), [0.01 * i for i in range(16)]),
    "samples that drop": (
        lambda n: dropouts(np.where(np.arange(4000) % 400 < n, 1.0, 61.0), 0.01, name="a", file="b")[1],
        [0, 1, 2, 3, 4, 5, 6],
    ),
    "a shaft that turns fast enough": (
        lambda speed: dropouts(put(np.full(4000, speed), 2000, 7, -1.0), 0.01, name="a", file="b")[1],
        about(5.0),
    ),
    "noise of slow slip": (
        lambda sigma: noisy(1.3 + sigma * NOISE + 0.3 * (TIME > 20.0), 0.01, file="a"), about(1.0, 3.0, 50),
    ),
    "a line of mains": (line, about(0.35, 4.0, 50)),
    "a line over shorter averages": (lambda less: line(1.5, averaged=0.2 / less), about(6.0, 5.0, 40)),
    "oil too hot": (oil, about(130.0, 0.3, 25)),
    "oil too cold": (lambda low: oil(-low), about(40.0)),
    "plates too hot": (lambda high: oil(high, "plate_temperature"), about(150.0)),
    "oil that jumps": (jump, about(11.0, 0.8, 33)),
    "heat that does not show": (
        lambda heat: temperature(TIME, np.full(4000, 61.0), name="a", file="b", heat=heat), about(50e3),
    ),
    "plates above the oil": (
        lambda by: hot_plates(np.full(50, 61.0), np.linspace(61.0, 61.0 + by, 50)), about(42.0),
    ),
    "samples twice": (copied, [0, *range(40, 60)]),
    "samples shared": (shared, [0.0, 0.003, 0.004, 0.005, 0.006, *about(0.5)]),
    "readings beyond": (broken, [0, 1, 1999, 2000, 2001]),
    "a stretch without reading": (empty, about(10.0)),
    "an end without reading": (lambda s: empty(s, 0), [0.0, 0.01, 11.0]),
    "a zero that moves": (moved, about(0.3, 1.5, 40)),
}  # fmt: skip


@pytest.mark.parametrize("name", LADDERS)
def test_speaks_from_its_size_on(name: str) -> None:
    mildest_first(*LADDERS[name])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("u", [0.0, 0.3, 1.0, 3.0])
def test_a_mismatch_of_flanges_counts_from_its_size_on(
    kind: str, u: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By what matters, by what is seen and by what is stated, each in turn the largest."""
    unit = {"gain": 0.001, "lag": 0.001, "zero": 0.1, "drift": 0.1, "hysteresis": 0.1}[kind]
    channel = SimpleNamespace(u_zero=0.23)
    chain = SimpleNamespace(ratio=1.0)
    names = ("left_torque", "right_torque")
    equilibrium = {
        name: SimpleNamespace(difference=side) for name, side in zip(names, (1.0, -1.0), strict=True)
    }
    rig = SimpleNamespace(channel=dict.fromkeys(names, channel), equilibrium=equilibrium)
    doubtful = {
        (name, constant): ErrorSource(f"R:{name}.{constant}", "", "", share * unit)
        for name, share in zip(names, (0.9, 1.3), strict=True)
        for constant in ("gain", "zero", "lag")
        if u != 1.0
    }
    runs = [SimpleNamespace(input_torque=np.array([-120.0, 470.0]))]

    def told(size: float) -> Any:
        nothing = dict.fromkeys(KINDS, Mismatch(0.0, u * unit))
        found = Comparison(names, {**nothing, kind: Mismatch(-size * unit, u * unit)}, 430.0)
        monkeypatch.setattr("diffbench.conditioning.checks.flanges.compare", lambda *_: found)
        judged = judge(rig, dict.fromkeys(names, chain), doubtful, runs, [0.0], visit_key="V")  # type: ignore[arg-type]
        return judged.findings

    mildest_first(told, np.geomspace(0.5, 40.0, 90).tolist())


@pytest.mark.parametrize("off", [-3.0, -2.1, -2.0, -1.9, 0.0, 1.9, 2.0, 2.1, 3.0])
def test_an_hour_is_one_to_two_steps(off: float) -> None:
    found = [one.name for one in clock(TIME + (3600.0 + 0.01 * off) * (TIME > 20.0), file="a.csv")]
    assert found == ["possible clock change" if abs(off) <= 2.0 else "missing stretches"]


@pytest.mark.parametrize("frequency", [10.0, 30.0, 50.0, 60.0])
@pytest.mark.parametrize("shaft", [2.0, 3.0, 5.0, 6.0])
def test_a_line_that_a_shaft_makes_is_none(frequency: float, shaft: float) -> None:
    """At 130 Hz the mains show at 50 and 60, at 30 and 10 Hz; ripple up to thrice a turn is the bench's."""
    found = line(9.0, frequency, shaft=2.0 * np.pi * frequency / shaft)
    assert bool(found) == (shaft > 3.0)


SPEEDS = ("left_speed", "right_speed", "case_speed", "input_speed", "speed_difference")


@pytest.fixture
def of_speeds(rig_of: RigOf, recording_of: RecordingOf) -> Callable[..., Recording]:
    """Findings of speeds [rad/s] that are recorded together."""

    def find(slow: float | None = None, **channels: Array) -> Any:
        torques: dict[str, Any] = {"left_torque": {}, "right_torque": {}}
        rig = rig_of(**torques, **{name: {} for name in channels})
        count = len(next(iter(channels.values())))
        recording = recording_of(TIME[:count], **channels)
        return [*speeds(recording, rig, slow_slip=slow), *frozen_speeds(recording, rig)]

    return find  # type: ignore[return-value]


LEFT, RIGHT = 63.0 + 0.01 * NOISE, 59.0 + 0.01 * OTHER


@pytest.mark.parametrize(
    ("told", "sizes"),
    [
        (
            lambda f, by: f(left_speed=LEFT, right_speed=RIGHT, case_speed=61.0 + by + 0.01 * NOISE),
            about(0.61),
        ),
        (lambda f, by: f(left_speed=LEFT, right_speed=RIGHT, case_speed=61.0 + by + 0.0 * LEFT), about(6.4)),
        (
            lambda f, by: f(left_speed=LEFT, right_speed=RIGHT, speed_difference=4.0 + by + 0.01 * NOISE),
            about(0.04, 1.0),
        ),
        (
            lambda f, by: f(case_speed=LEFT, left_speed=LEFT, input_speed=LEFT * (1.0 + by)),
            about(0.01),
        ),
        (lambda f, to: f(left_speed=to * LEFT / 63.0, right_speed=RIGHT), about(120.0)),
        (lambda f, to: f(case_speed=to * LEFT / 63.0, left_speed=to * LEFT / 63.0), about(300.0)),
        (lambda f, to: f(speed_difference=to * LEFT / 63.0), about(60.0)),
        (
            lambda f, near: f(left_speed=LEFT, right_speed=LEFT * np.exp(near) / 9.9),
            about(0.036, 0.8)[:1] * 2,
        ),
        (lambda f, to: f(left_speed=to * LEFT / 63.0, right_speed=-RIGHT), about(20.0)),
        (lambda f, to: f(left_speed=to * LEFT / 63.0, right_speed=0.3 + 0.01 * NOISE), about(20.0)),
        (
            lambda f, step: f(3.1, left_speed=np.round(LEFT * 9.0 / step) * step, right_speed=9.0 * RIGHT),
            about(0.775),
        ),
        (lambda f, n: f(left_speed=LEFT[:n], right_speed=0.0 * LEFT[:n] + 62.0), [48, 49, 50, 51]),
        (lambda f, n: f(left_speed=LEFT[:n], right_speed=-LEFT[:n]), [18, 19, 20, 21]),
    ],
)
def test_speeds_contradict_from_their_size_on(told: Any, sizes: Any, of_speeds: Any) -> None:
    ranks = [max((RANK[one.severity] for one in told(of_speeds, size)), default=0) for size in sizes]
    assert len(ranks) == len(sizes)


@pytest.mark.parametrize("factor", [30.0 / np.pi, 180.0 / np.pi, 6.0, 2.0 * np.pi])
@pytest.mark.parametrize("off", [-0.035, -0.028, 0.0, 0.028, 0.035])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_side_in_another_unit_is_named(factor: float, off: float, side: float, of_speeds: Any) -> None:
    """Within three per cent of the factor, not beyond."""
    one, other = 63.0 + 0.001 * NOISE, (63.0 + 0.001 * OTHER) * factor * np.exp(off)
    left, right = (one, other) if side > 0.0 else (other, one)
    told = [f for f in of_speeds(left_speed=left, right_speed=right) if "known factor" in f.name]
    known = (30.0 / np.pi, 180.0 / np.pi, 6.0, 2.0 * np.pi)
    assert bool(told) == any(abs(np.log(factor / one) + off) < 0.03 for one in known)


@pytest.mark.parametrize(
    "factor", [1.0 + x for x in (-0.13, -0.11, -0.09, -0.03, 0.0, 0.03, 0.09, 0.11, 0.13)]
)
@pytest.mark.parametrize("ratio", [1.0, 3.42])
def test_a_balance_is_told_from_its_size_on(factor: float, ratio: float, rig_of: RigOf) -> None:
    """Of the case's torque and of a pinion's, whose efficiency is doubtful by three per cent."""
    geared = {"at": "pinion", "ratio": ratio, "efficiency": 0.97} if ratio != 1.0 else {}
    rig = rig_of(left_torque={}, right_torque={}, input_torque=geared, left_speed={}, right_speed={})
    case = np.full(4000, 60.0)
    loss = np.where(COURSE >= 0.0, 0.97, 1.0 / 0.97) if geared else 1.0
    samples = SimpleNamespace(
        torques={"input_torque": factor * COURSE / ratio / loss}, speeds={"case": case}, step=0.01
    )
    told = torque_balance(rig, samples, COURSE, file="a.csv")  # type: ignore[arg-type]
    limit = 4.0 * np.hypot(np.sqrt(2.0) * 0.005, 0.03 if geared else 0.0)
    assert bool(told) == (abs(factor - 1.0) > max(limit, 0.01))
    assert [f.severity for f in told] == ["stop" if abs(factor - 1.0) > 0.1 else "caveat"] * len(told)


@pytest.mark.parametrize("share", [0.85, 0.89, 0.91, 0.95, 0.985, 0.995])
def test_outputs_that_turn_against_each_other_do_so_nearly_always(share: float, of_speeds: Any) -> None:
    against = np.where(np.arange(4000) < share * 4000, -1.0, 1.0)
    found = [f.name for f in of_speeds(left_speed=LEFT, right_speed=against * RIGHT)]
    assert ("outputs turn against each other" in found) is (share > 0.9)


@pytest.mark.parametrize(
    "names",
    [
        ("left_speed", "right_speed"), ("left_speed", "case_speed"), ("right_speed", "case_speed"),
        ("left_speed", "input_speed"), ("right_speed", "input_speed"), ("speed_difference",),
        ("speed_difference", "case_speed"),
    ],
)  # fmt: skip
def test_the_speed_difference_is_left_less_right_by_whatever_is_there(
    names: tuple[str, ...], rig_of: RigOf, recording_of: RecordingOf
) -> None:
    speed = {"left_speed": 63.0, "right_speed": 59.0, "case_speed": 61.0, "input_speed": 61.0}
    channels = {name: np.full(60, speed.get(name, 4.0)) for name in names}
    rig = rig_of(left_torque={}, right_torque={}, **{name: {} for name in names})
    found = speed_difference(recording_of(TIME[:60], **channels), rig)
    assert found is not None
    assert found.tolist() == [4.0] * 60


def test_one_speed_alone_says_no_difference(rig_of: RigOf, recording_of: RecordingOf) -> None:
    rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={})
    assert speed_difference(recording_of(TIME[:60], left_speed=LEFT[:60]), rig) is None


def test_steps_and_movement_of_any_level_and_length() -> None:
    """Thousandths about a million, and more readings than are looked at."""
    assert resolution(1e6 + np.round(NOISE, 3)) == pytest.approx(1e-3, rel=1e-3)
    assert resolution(np.array([7.5, 7.5])) == 0.0
    assert resolution(np.array([7.5, 7.25])) == 0.25
    long = np.sin(np.arange(900_000) / 7.0)
    assert movement(long) == pytest.approx(2.0, abs=2e-3)
    assert movement(np.full(9, np.nan)) == 0.0


def balance(outputs: Array, measured: Array, rig: Rig) -> list[Any]:
    """What is told of an input torque beside the outputs' sum, at 60 rad/s of the case."""
    samples = SimpleNamespace(
        torques={"input_torque": measured}, speeds={"case": np.full(outputs.size, 60.0)}, step=0.01
    )
    return torque_balance(rig, samples, outputs, file="a.csv")  # type: ignore[arg-type]


def test_a_balance_needs_a_torque_that_moves_for_a_while(rig_of: RigOf) -> None:
    """Twenty averages of half a second on a flank; a torque that stands still tells no slope."""
    channels: dict[str, Any] = {
        "left_torque": {},
        "right_torque": {},
        "input_torque": {},
        "speed_difference": {},
    }
    rig = rig_of(**channels)
    assert balance(np.full(4000, 300.0), np.full(4000, 390.0), rig) == []
    rising = np.linspace(50.0, 300.0, 4000)
    assert balance(rising[:950], 1.3 * rising[:950], rig) == []
    assert [one.severity for one in balance(rising, 1.3 * rising, rig)] == ["stop"]


def test_a_torque_before_a_gear_that_is_not_there_is_named(rig_of: RigOf) -> None:
    """The case's torque through a rig that has it at the pinion, 3.42 times less; an output's likewise."""
    names = ("left_torque", "right_torque", "speed_difference")
    rig = rig_of(input_torque={"at": "pinion", "ratio": 3.42}, **{name: {} for name in names})
    (told,) = balance(COURSE, COURSE, rig)
    assert "3.42 times" in told.evidence
    assert "torque at the case taken as at the pinion in input_torque" in told.evidence
    assert _ungeared("left_torque") == "torque at the unit taken as at the wheel"


def test_what_a_recording_is_known_by_again() -> None:
    """Marks, pieces of a temperature's course and of a tare, and what a standard asks: as they were."""
    for count in (11, 12, 13, 14, 200):
        assert len(marks({"a": NOISE[:count], "b": OTHER[:count]})) <= max(count - 11, 0)
    for first in (0, 900, 2400):
        parts = [
            seen_in(TIME[a:b], put(60.0 + NOISE, first, 1600, np.nan)[a:b])
            for a, b in ((0, 1000), (1000, 2500), (2500, 4000))
        ]
        whole = seen_in(TIME, put(60.0 + NOISE, first, 1600, np.nan))
        assert joined(parts).readings == whole.readings
        assert joined(parts).whole == whole.whole
    low, high = span(COURSE) or (0.0, 0.0)
    assert -351.0 < low < -340.0
    assert 340.0 < high < 351.0


def test_quality_of_what_was_sampled(recording_of: RecordingOf) -> None:
    """Rate, step and largest reading, by hand; of a single sample the standard's own rate."""
    torque = np.round(np.linspace(-31.0, 47.0, 400) / 0.25) * 0.25
    found = quality(recording_of(TIME[:400], left_torque=torque, oil_temperature=torque), ["left_torque"])
    assert found.rate == pytest.approx(100.0)
    assert found.channels == {"left_torque": (0.25, 47.0)}
    one = quality(recording_of(TIME[:1], left_torque=torque[:1]), ["left_torque"])
    assert one.rate == 1000.0
