"""Each finding at its size, to the number, and word for word: signals without chance, worked out by hand."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import Finding
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
from diffbench.conditioning.checks.protocol import (
    Quality,
    against_standard,
    flanks,
    pace,
    reach,
    slip_and_cycles,
    stick_slip,
)
from diffbench.conditioning.checks.recording import clock, lost_readings, strays
from diffbench.conditioning.checks.speeds import dropouts, frozen_speeds, noisy, speeds
from diffbench.conditioning.checks.temperature import hot_plates, temperature
from diffbench.conditioning.checks.twice import repeats, same_samples
from diffbench.conditioning.checks.unread import impossible, joined, seen_in, unread
from diffbench.documents import Rig
from diffbench.recording import Recording

Array = NDArray[np.float64]
RigOf = Callable[..., Rig]
RecordingOf = Callable[..., Recording]
NOISE = np.random.default_rng(21).normal(size=20_000)


def severities(found: Sequence[Finding]) -> list[str]:
    return [one.severity for one in found]


def test_movement_is_from_the_first_to_the_last_percentile() -> None:
    """Of 0, 1, … 100: from 1 to 99. What is missing moves nothing."""
    values = np.arange(101.0)
    assert movement(values) == pytest.approx(98.0)
    assert movement(np.append(values, np.nan)) == pytest.approx(98.0)


def test_resolution_is_the_tenth_percentile_of_the_gaps() -> None:
    """Gaps of 1, 2, … 10: 1.9. Gaps of next to nothing, as conversions leave, are none."""
    values = np.concatenate([[0.0], np.cumsum(np.arange(1.0, 11.0))])
    assert resolution(values) == pytest.approx(1.9)
    assert resolution(np.append(values, 3.0 + 1e-9)) == pytest.approx(1.9)
    assert resolution(np.array([2.0, np.nan, 2.5])) == 0.5
    assert resolution(np.array([2.0, np.nan])) == 0.0


def stairs(levels: int, each: int) -> Array:
    """Up and down in steps of one, so many readings on each, until there are more than a thousand."""
    once = np.repeat(np.concatenate([np.arange(levels), np.arange(levels)[::-1]]), each).astype(float)
    return np.tile(once, max(1, math.ceil(1010 / once.size)))


def test_steps_of_a_hundredth_are_coarse_unless_noise_smooths_them() -> None:
    """102 levels move by 99 from percentile to percentile, 103 by 100: a step is a hundredth of that. Where
    more than three neighbours of ten differ it is smoothed."""
    assert coarse(stairs(103, 10), name="left_torque", file="a.csv") == []
    assert coarse(stairs(102, 10), name="left_torque", file="a.csv") == [
        Finding(
            "coarse resolution",
            "caveat",
            "left_torque, a.csv",
            "Readings come in steps of 1 N·m, 1 % of their movement of 99 N·m.",
            "With too little noise to smooth them, averages may be off by up to 0.5 N·m.",
            "Log more digits, or set the range of the channel closer to the torque.",
        )
    ]
    (smooth,) = coarse(stairs(60, 3), name="a", file="b")
    assert (smooth.severity, smooth.effect) == ("note", "Noise smooths the steps, so averages hold.")
    assert severities(coarse(stairs(60, 4), name="a", file="b")) == ["caveat"]
    assert coarse(np.full(2000, 3.0), name="a", file="b") == []


RAMP = np.linspace(-1.0, 1.0, 2001)  # moves by 1.96


def test_a_torque_that_moves_by_half_a_hundredth_of_another_is_live() -> None:
    """500 N·m to either side beside 2.5: 980 and 4.9 N·m from percentile to percentile."""
    whole = 500.0 * RAMP
    assert dead({"left_torque": whole, "right_torque": 2.501 * RAMP}, file="a.csv") == []
    (told,) = dead({"left_torque": whole, "right_torque": 3.0 + 2.499 * RAMP}, file="a.csv")
    assert told == Finding(
        "dead channel",
        "stop",
        "right_torque, a.csv",
        "right_torque reads 3 N·m and moves by 4.9 N·m in all; another torque moves by 980 N·m.",
        "Locking torque cannot be worked out from a channel that is not live.",
        "Check cable, supply and amplifier of right_torque, its column, unit and gain in the rig; if the "
        'bench measures the input and one output only, write arrangement = "input-and-one-output".',
    )


def test_a_sweep_moves_by_a_newton_metre_and_beyond_its_zero_and_its_noise() -> None:
    """0.98 · 1.02 and 1.03 N·m; twice the zero's 0.6 N·m; seven times the noise, of ±0.1 N·m 0.242 N·m."""
    small, large = 0.509 * RAMP, 0.512 * RAMP
    assert dead({"a": large}, file="a.csv") == []
    (told,) = dead({"a": small}, file="a.csv")
    assert told.evidence.endswith("; a sweep of torque moves it by 1 N·m or more.")
    assert dead({"a": 0.613 * RAMP}, file="a.csv", u_zero={"a": 0.6}) == []
    (told,) = dead({"a": 0.611 * RAMP}, file="a.csv", u_zero={"a": 0.6})
    assert told.evidence.endswith("moves it by 1.2 N·m or more.")
    # 1.4826 · 0.4 / √6 N·m of noise, 1.695 N·m seven times
    waver = 0.1 * (-1.0) ** np.arange(RAMP.size)
    (told,) = dead({"a": 0.7 * RAMP + waver}, file="a.csv")
    assert told.evidence.endswith("moves it by 1.7 N·m or more.")
    assert dead({"a": 0.9 * RAMP + waver}, file="a.csv") == []


def test_a_load_that_is_held_is_live_while_the_slip_goes_one_way() -> None:
    """It reads more than a sweep would have to move, and not one value alone."""
    load = 1.05 + 0.01 * RAMP
    assert dead({"a": load}, file="a.csv") == []
    assert severities(dead({"a": load}, file="a.csv", reverses=True)) == ["stop"]
    assert severities(dead({"a": load - 0.08}, file="a.csv")) == ["stop"]
    assert severities(dead({"a": np.full(2001, 1.05)}, file="a.csv")) == ["stop"]


def test_an_output_that_is_slipped_carries_a_tenth_of_a_newton_metre() -> None:
    """By 95 of a hundred readings; a value that never changes is none while the slip reverses; the input
    torque may well be nothing."""
    level = np.where(np.arange(1000) % 2 == 0, 0.101, -0.101)
    assert dead({"left_torque": level}, file="a.csv", kind="speed-sweep") == []
    (told,) = dead({"left_torque": 0.98 * level}, file="a.csv", kind="speed-sweep")
    assert told.evidence.endswith("; no unit that is slipped holds so still.")
    steady = {"left_torque": np.full(1000, 40.0)}
    assert dead(steady, file="a.csv", kind="speed-sweep") == []
    assert severities(dead(steady, file="a.csv", kind="speed-sweep", reverses=True)) == ["stop"]
    beside = {"input_torque": np.zeros(1000), "left_torque": level}
    assert dead(beside, file="a.csv", kind="speed-sweep") == []
    # one output that is live is enough: the other one may be held
    both = {"right_torque": np.zeros(1000), "left_torque": level}
    assert dead(both, file="a.csv", kind="speed-sweep") == []


def test_a_tare_that_no_noise_moves_is_told() -> None:
    values = np.full(60, 1.25)
    assert frozen_tare({"left_torque": values, "right_torque": values + 0.1 * NOISE[:60]}, file="t.csv") == [
        Finding(
            "stuck channel",
            "caveat",
            "left_torque, t.csv",
            "It reads 1.25 N·m all through the tare run: no noise moves it.",
            "Its zero counts as known exactly, and is not known at all if the channel was off.",
            "Record the tare run with the amplifier on and all digits, or leave it out and state u_zero.",
        )
    ]
    (turned,) = frozen_tare({"left_torque": -np.zeros(60)}, file="t.csv")  # sign = -1 of a plain zero
    assert turned.evidence.startswith("It reads 0 N·m all")
    (off,) = dead({"left_torque": -np.zeros(500)}, file="t.csv")
    assert off.evidence.startswith("left_torque reads 0 N·m and moves by 0 N·m")
    assert frozen_tare({"left_torque": np.append(np.full(49, 1.25), [np.nan] * 9)}, file="t.csv") == []


def test_the_span_of_a_tare_is_that_of_two_hundred_means() -> None:
    """Means of 0, 1, … 199: from 3.98 to 195.02, two hundredths apart from either end."""
    values = np.repeat(np.arange(200.0), 5) + np.tile([-0.2, -0.1, 0.0, 0.1, 0.2], 200)
    assert span(np.append(values, np.nan)) == pytest.approx((3.98, 195.02))
    assert span(np.array([3.0, 5.0])) == pytest.approx((3.04, 4.96))
    assert span(np.array([np.nan])) is None


def test_a_tare_is_loaded_from_a_tenth_of_the_visit_on() -> None:
    """Of 400 N·m, over all parts of the recording: what moves stops, what stands is doubtful."""
    parts = [{"left_torque": (-12.0, 8.0)}, {"left_torque": (-3.0, 28.1), "right_torque": (-1.0, 1.0)}]
    assert loaded_tare(parts, largest=400.0, file="t.csv") == [
        Finding(
            "loaded tare",
            "stop",
            "left_torque, t.csv",
            "left_torque reads -12 to 28.1 N·m in a tare run, and the visit's input torque reaches 400 N·m.",
            "It would be taken off every sweep as zero and drag.",
            "A tare run has the unit out, or open: name the right file, or the kind that it is "
            '("bias-sweep", "speed-sweep"), in the run sheet.',
        )
    ]
    assert loaded_tare([{"a": (-12.0, 27.9)}], largest=400.0, file="t") == []
    for low, high in ((30.0, 40.1), (-40.1, -30.0)):
        assert severities(loaded_tare([{"a": (low, high)}], largest=400.0, file="t")) == ["caveat"]
    assert loaded_tare([{"a": (30.0, 39.9)}, {"a": (5.0, 6.0)}], largest=400.0, file="t") == []


def alike(count: int, length: int, level: float | None = None) -> Array:
    """Noise of which so many readings in a row are one."""
    values = NOISE[:count].copy()
    values[700 : 700 + length] = values[700] if level is None else level
    return values


@pytest.mark.parametrize(("count", "needed"), [(4000, 6), (15_500, 6), (15_700, 7)])
def test_readings_stand_where_chance_would_not_have_them_alike(count: int, needed: int) -> None:
    """A fiftieth of neighbours alike makes a row of n in one of a million recordings where 0.02ⁿ is less than
    a millionth over their number: n = 6 up to 15 625 readings."""
    assert held(alike(count, needed - 1), name="a", file="b").findings == ()
    found = held(alike(count, needed), name="left_torque", file="a.csv")
    assert found.findings == (
        Finding(
            "stuck channel",
            "caveat",
            "left_torque, a.csv",
            f"{needed} samples repeat the one before, up to {needed} in a row, from sample 701 on.",
            "They are left out.",
            "Look for a loose plug, a logger that drops packets and repeats the last one, or a hold "
            "function.",
        ),
    )
    assert np.flatnonzero(found.unusable).tolist() == list(range(700, 700 + needed))


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_readings_beyond_which_next_to_none_lies_are_clipped(side: float) -> None:
    """Three of 4000 beyond, less than one of a thousand; four, and they are stuck. Levels at both ends are
    both named, the number in all and the longest row."""
    values = side * np.sort(NOISE[:4000])[np.random.default_rng(3).permutation(4000)]
    ends = np.sort(side * values)

    def standing(beyond: int) -> Sequence[Finding]:
        made = values.copy()
        inner = np.flatnonzero(np.abs(values) < 1.0)[200]
        level = 0.5 * (ends[-beyond] + ends[-beyond - 1])
        made[inner : inner + 8] = np.where(side * made[inner : inner + 8] > level, made[inner], side * level)
        made[inner : inner + 8] = side * level
        return held(made, name="a", file="b").findings

    assert [one.name for one in standing(3)] == ["clipped readings"]
    assert [one.name for one in standing(4)] == ["stuck channel"]


def test_levels_at_both_ends_are_named() -> None:
    """A course from −300 to 300 N·m within −250.5 and 240 N·m: each told once, with the longest row."""
    course = 300.0 * np.sin(np.linspace(0.0, 20.0, 4000)) + NOISE[:4000]
    made = np.clip(course, -250.5, 240.0)
    (told,) = held(made, name="left_torque", file="a.csv").findings
    stands = np.isin(made, (-250.5, 240.0))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], stands, [False]])))
    lengths = edges[1::2] - edges[::2]
    count, longest = int(lengths[lengths >= 7].sum()), int(lengths.max())
    assert told.evidence == (
        f"{count} samples stand at -250.5 and 240 N·m, up to {longest} in a row, and next to none lies "
        f"beyond."
    )
    assert told.mend == "Raise the range of amplifier and logger, or sweep less far."
    (told,) = held(np.minimum(course, 240.0), name="a", file="b", unit="°C").findings
    assert " samples stand at 240 °C, up to " in told.evidence


def swinging_clock(share: float, count: int = 2001) -> Array:
    """Steps of 10 ms that are shorter and longer by a share in turn, and as they should be between."""
    steps = 0.01 * (1.0 + share * np.tile([-1.0, 0.0, 1.0, 0.0], count // 4 + 1)[: count - 1])
    return np.concatenate([[0.0], np.cumsum(steps)])


def test_a_clock_s_steps_scatter_by_their_standard_deviation() -> None:
    """±x, 0, ±x, 0 scatter by x/√2: a tenth is told, three tenths are grave."""
    assert clock(swinging_clock(0.1407), file="a.csv") == []
    assert clock(swinging_clock(0.1421), file="a.csv") == [
        Finding(
            "sampling jitter",
            "note",
            "a.csv",
            "The steps between samples scatter by 10 % of 10 ms.",
            "What is worked out from rates of change (lag, inertia) is blurred; averages hold.",
            "Let the logger sample by its own clock rather than by a program's loop.",
        )
    ]
    assert severities(clock(swinging_clock(0.4235), file="a.csv")) == ["note"]
    assert severities(clock(swinging_clock(0.4250), file="a.csv")) == ["caveat"]


def without(first: int, count: int, rows: int = 2001) -> Array:
    """A clock of 100 Hz without some rows."""
    return np.delete(np.arange(rows) / 100.0, np.arange(first, first + count))


def test_lost_rows_are_a_caveat_from_a_twentieth_of_the_time_on() -> None:
    """Of 20 s one, with its two neighbours 1.01 s apart."""
    (told,) = clock(without(500, 99), file="a.csv")
    assert told.severity == "note"
    assert clock(without(500, 101), file="a.csv") == [
        Finding(
            "missing stretches",
            "caveat",
            "a.csv",
            "Samples are missing in 1 place, 1.01 s in all (5 %), the longest of 1.02 s.",
            "Nothing is filled in; where a turn of the sweep could have been missed, the ramps' state is "
            "unknown afterwards.",
            "Look for a logger that cannot keep up, or stops for its disk.",
        )
    ]
    (told,) = clock(np.delete(np.arange(2001) / 100.0, [300, 900, 901]), file="a.csv")
    assert told.evidence == "Samples are missing in 2 places, 0.03 s in all (0.15 %), the longest of 0.03 s."
    assert clock(without(20, 9, 60), file="a.csv") != []
    assert clock(without(20, 10, 60), file="a.csv") == []  # 49 steps tell nothing


def test_an_hour_that_a_clock_is_set_on_is_told_with_its_time() -> None:
    time = np.arange(2001) / 100.0
    once = time + 3600.0 * (np.arange(2001) > 1234)
    assert clock(once, file="a.csv") == [
        Finding(
            "possible clock change",
            "caveat",
            "a.csv",
            "At 12.34 s the clock steps on by exactly an hour.",
            "Where it was set, as when summer time begins, no sample is missing. It counts as a pause of an "
            "hour: the ramps' state is unknown afterwards.",
            "Set the hour back in the times that follow, if the clock was changed; log in UTC.",
        )
    ]
    thrice = once + 3600.0 * (np.arange(2001) > 1500) + 3600.0 * (np.arange(2001) > 1800)
    (told,) = clock(thrice, file="a.csv")
    assert told.evidence == ("At 12.34 s the clock steps on by exactly an hour, and so 2 times more.")


def test_a_rate_that_changes_is_told_with_its_times() -> None:
    """100 Hz for 20 s, then 20 Hz for 40 s, and so on; of many changes three, and how many more."""
    steps = np.concatenate([np.full(2000, 0.01), np.full(800, 0.05)] * 3)
    time = np.concatenate([[0.0], np.cumsum(steps)])
    found = clock(time, file="a.csv")
    assert found == [
        Finding(
            "sampling rate changes",
            "note",
            "a.csv",
            "The logger changes its rate at 20 s from 100 to 20 Hz, at 60 s from 20 to 100 Hz, at 80 s "
            "from 100 "
            "to 20 Hz, and 2 times more.",
            "Stretches of 20 s and more are averaged by their own rate, shorter ones with their neighbours.",
            "Nothing, if it was meant; else keep one rate, fast enough for all of the sweep.",
        )
    ]
    (told,) = clock(time[:2801], file="a.csv")
    assert told.evidence == "The logger changes its rate at 20 s from 100 to 20 Hz."
    (told,) = clock(time[:7601], file="a.csv")
    assert told.evidence.endswith("from 100 to 20 Hz.") is False
    assert "more" in told.evidence


def test_empty_cells_and_spikes_are_grave_from_their_share_on() -> None:
    """A twentieth of the readings, a hundredth of the samples."""
    values = NOISE[:4000].copy()
    values[100:290] = np.nan
    values[400:410] = np.nan
    assert lost_readings({"left_torque": values, "right_torque": NOISE}, file="a.csv") == [
        Finding(
            "missing readings",
            "note",
            "left_torque, a.csv",
            "200 readings (5 %) are missing, in 2 places.",
            "They are left out, nothing is filled in.",
            "Look for a loose plug, or a channel that is logged at a lower rate than the others.",
        )
    ]
    values[410] = np.nan
    assert severities(lost_readings({"left_torque": values}, file="a.csv")) == ["caveat"]
    assert strays(0, 4000, file="a.csv") == []
    (few,) = strays(40, 4000, file="a.csv")
    (many,) = strays(41, 4000, file="a.csv")
    assert (few.severity, many.severity) == ("note", "caveat")
    assert few.evidence == "40 samples stand apart from their neighbours on both sides."


def slips(
    turned: float = 3.0, holding: float = 0.1, turns: int = 5, lasting: float = 3.0, kind: str = "bias-sweep"
) -> list[Finding]:
    """Four stretches of five cells of 0.3 s each, at a speed difference that turns them by so much."""
    cells = SimpleNamespace(
        stretch=np.repeat(np.arange(4), 5),
        speed_difference=np.full(20, -turned / 1.5),
        width=np.full(20, 0.3),
    )
    course = SimpleNamespace(turns=[None] * turns, stretch_duration=lasting)
    return slip_and_cycles(cells, course, holding=holding, step=0.05, kind=kind, file="a.csv")  # type: ignore[arg-type]


def test_slip_and_cycles_are_too_few_below_their_sizes() -> None:
    """Half of the samples, one radian, two cycles, forty samples from turn to turn."""
    assert slips() == []
    assert slips(holding=0.5) == []
    assert slips(holding=0.51) == [
        Finding(
            "too little slip",
            "caveat",
            "a.csv",
            "The outputs hold still in 51 % of the samples. From one turn of the torque to the next they "
            "turn by "
            "3 rad against each other.",
            "While they hold, the reading only bounds the locking torque; within hundredths of a radian "
            "it still "
            "follows the load.",
            "Let the outputs slip by some rad/s all through the sweep.",
        )
    ]
    assert slips(turned=1.01) == []
    (told,) = slips(turned=0.99, holding=0.009)
    assert (
        told.evidence == "From one turn of the torque to the next they turn by 0.99 rad against each other."
    )
    assert slips(turned=0.5, kind="speed-sweep") == []
    assert slips(turns=3) == []
    (told,) = slips(turns=2)
    assert (told.name, told.evidence) == ("too few cycles", "The input torque goes up and down 1.5 times.")
    assert slips(turns=0, kind="speed-sweep") == []
    assert slips(lasting=2.01) == []
    (told,) = slips(lasting=1.96)
    assert told.name == "sampled too slowly"
    assert told.evidence == ("From one turn of the torque to the next there are 39 samples, 0.05 s apart.")


def test_a_sweep_reaches_as_far_as_all_but_its_strays() -> None:
    """Half a hundredth at either end: of 0, 1, … 1000 from 5 to 995; one torque by itself is both."""
    assert reach(np.append(np.arange(1001.0), np.nan)) == pytest.approx((5.0, 995.0))
    assert reach(np.array([37.0, np.nan])) == (37.0, 37.0)
    assert reach(np.array([np.nan])) is None


def test_coast_is_further_than_drive_from_a_fifth_on() -> None:
    assert flanks(-371.0, 310.0, file="a.csv") == []
    assert flanks(-373.0, 310.0, file="a.csv") == [
        Finding(
            "coast further than drive",
            "caveat",
            "a.csv",
            "The input torque goes from -373 to 310 N·m: further in coast than in drive.",
            "If drive and coast are exchanged, each flank has the other's ramp bias.",
            "Nothing, if it was meant. Else: outputs that are exchanged and both counted backwards do "
            "this, and "
            "so does an input torque that counts backwards.",
        )
    ]
    assert severities(flanks(-5.0, -2.0, file="a")) == ["caveat"]
    assert flanks(0.0, 0.0, file="a") == []
    assert flanks(5.0, 0.0, file="a") == []


def paced(rate: float, rig_of: RigOf, **left: Any) -> list[Finding]:
    """Outputs 100 and 300 N·m that part by so much a second, each of half of it."""
    from diffbench.conditioning.bench import chain_of

    names = ("left_torque", "right_torque")
    rig = rig_of(left_torque=left, right_torque={}, left_speed={}, right_speed={})
    chains = {name: chain_of(rig, name, None) for name in names}
    flat = np.full(50, 1.0)
    cells = SimpleNamespace(
        readings={"left_torque": 100.0 * flat, "right_torque": 300.0 * flat},
        rates={"left_torque": -0.5 * rate * flat, "right_torque": 0.5 * rate * flat},
        speeds={"left": 62.0 * flat, "right": 58.0 * flat},
        accelerations={"left": 10.0 * flat, "right": 0.0 * flat},
    )
    return pace(rig, chains, cells, file="a.csv")  # type: ignore[arg-type]


def test_a_sweep_is_too_fast_where_lag_makes_a_twentieth_of_the_difference(rig_of: RigOf) -> None:
    """200 N·m of difference; ten milliseconds of lag, which nobody states: 1000 N·m/s make 10 N·m."""
    assert paced(990.0, rig_of) == []
    assert paced(1020.0, rig_of) == [
        Finding(
            "sweep too fast",
            "caveat",
            "a.csv",
            "What a lag of 10 ms does is 5.1 % of the torque difference.",
            "An error of a tenth in the lag is 0.5 % of the locking torque.",
            "Sweep slower, or state lag and inertia with their uncertainty.",
        )
    ]


def test_a_sweep_is_too_fast_where_inertia_makes_a_twentieth_of_the_difference(rig_of: RigOf) -> None:
    """10 rad/s² of the left shaft: 0.97 kg·m² make 9.7 N·m, and leave 190.3 N·m of 200; 0.94 make 4.93 %."""
    assert paced(0.0, rig_of, inertia={"value": "0.94 kg.m2", "u": "0.01 kg.m2"}) == []
    (told,) = paced(0.0, rig_of, inertia={"value": "0.97 kg.m2", "u": "0.01 kg.m2"})
    assert told.evidence == "What the stated inertia does is 5.1 % of the torque difference."
    assert told.effect == "An error of a tenth in the inertia is 0.5 % of the locking torque."


def swung(swing: float, share: float = 1.0) -> list[Finding]:
    """Slip of 4 rad/s that swings at 3 Hz in a share of forty seconds, at 100 Hz."""
    time = np.arange(4000) / 100.0
    some = (time % 1.0 < 2.0) & (time < 40.0 * share)
    slip = 4.0 * (1.0 + swing * some * np.sin(2.0 * np.pi * 3.0 * time))
    return stick_slip(SimpleNamespace(step=0.01), slip, file="a.csv")  # type: ignore[arg-type]


def test_slip_sticks_where_it_swings_by_a_third_of_its_level() -> None:
    """A sine's standard deviation is its height over √2, of which the line through a second takes 1.1 %: half
    of 0.3 and more. 0.35 of the level is a height of 0.5."""
    assert swung(0.48) == []
    (told,) = swung(0.52)
    assert told.name == "stick-slip"
    assert told.evidence == (
        "In 100 % of the seconds with steady slip the speed difference swings by ±2 rad/s about 4 rad/s."
    )
    # a second at either end is not looked at: of 38 one is less than a twentieth, two are more
    assert swung(0.8, share=0.05) == []
    (told,) = swung(0.8, share=0.075)
    assert told.evidence.startswith("In 5 % of the seconds")


def standard(rate: float = 1000.0, step: float = 0.1, speed: float = 0.01, **rig: Any) -> list[Finding]:
    channel = SimpleNamespace(range=rig.pop("range", None))
    names = {"left_torque": channel, "plate_temperature": channel}
    made = SimpleNamespace(name="Cell A", channel={**names, **rig})
    seen = [
        Quality(1200.0, {"left_torque": (0.05, 300.0)}),
        Quality(rate, {"left_torque": (step, 470.0), "left_speed": (speed, 31.0)}),
    ]
    return against_standard(made, seen, ["left_torque"])  # type: ignore[arg-type]


def test_a_rig_falls_short_of_the_standard_from_its_sizes_on() -> None:
    """990 Hz; 0.5 % of the largest reading, 2.35 of 470 N·m, or of the stated range; 0.5 rpm or 0.5 % of the
    speed, 0.155 of 31 rad/s."""
    assert standard(rate=991.0) == []
    (told,) = standard(rate=989.0)
    assert told == Finding(
        "short of SAE J3011",
        "note",
        "rig Cell A",
        "The standard for clutch rigs asks for more: sampling at 989 Hz, not 1000 Hz.",
        "For information: what this costs is in the intervals.",
        "Nothing need be done.",
    )
    assert standard(step=2.34) == []
    (told,) = standard(step=2.36)
    assert "steps of 2.36 N·m in left_torque, 0.5 % of full scale and not 0.5 %." in told.evidence
    assert standard(step=4.9, range=(-1000.0, 600.0)) == []
    assert standard(step=5.1, range=(-1000.0, 600.0)) != []
    assert standard(speed=0.154) == []
    (told,) = standard(speed=0.156)
    assert "steps of 1.5 rpm in left_speed, not 0.5 rpm." in told.evidence
    slow = SimpleNamespace(name="A", channel={"plate_temperature": None})
    # 0.5 rpm are 0.05236 rad/s, and a hundredth more for rounding
    for step, short in ((0.0528, False), (0.0530, True)):
        seen = [Quality(1000.0, {"left_speed": (step, 3.0)})]
        assert bool(against_standard(slow, seen, [])) is short  # type: ignore[arg-type]
    bare = SimpleNamespace(name="A", channel={})
    (told,) = against_standard(bare, [], [])  # type: ignore[arg-type]
    assert told.evidence == "The standard for clutch rigs asks for more: no temperature at the plates."


def dropped(
    reading: float, length: int = 30, *, speed: float = 60.0, places: int = 1
) -> tuple[Array, list[Finding]]:
    """A shaft at 100 Hz of which some samples read something else."""
    values = np.full(4000, speed)
    for place in range(places):
        first = 1000 + 500 * place
        values[first : first + length] = reading
    return dropouts(values, 0.01, name="left_speed", file="a.csv")


def test_a_shaft_leaves_its_course_by_half_of_its_speed() -> None:
    """For half a second at most; where it turns at 5 rad/s and more; a hundredth of the time is grave."""
    assert dropped(30.5)[1] == []
    apart, found = dropped(29.5)
    assert np.flatnonzero(apart).tolist() == list(range(1000, 1030))
    assert found == [
        Finding(
            "speed drops out",
            "note",
            "left_speed, a.csv",
            "30 samples in 1 places are apart from the shaft's speed by more than half of it, and it is back "
            "within half a second.",
            "They are left out: slip would have another size and direction there.",
            "Look at the encoder's plug and gap, and at the limits of its counter.",
        )
    ]
    assert dropped(89.5)[1] == []
    assert severities(dropped(90.5)[1]) == ["note"]
    assert severities(dropped(29.0, 40)[1]) == ["note"]
    (told,) = dropped(29.0, 21, places=2)[1]
    assert told.severity == "caveat"
    assert told.evidence.startswith("42 samples in 2 places")
    assert severities(dropped(29.0, 50)[1]) == ["caveat"]
    assert dropped(29.0, 80)[1] == []  # that may have happened
    assert dropped(0.0, speed=4.9)[1] == []
    assert severities(dropped(0.0, speed=5.1)[1]) == ["note"]


def test_a_dozen_blocks_tell_a_shaft_s_course() -> None:
    """Of a tenth of a second each: 1.1 s do not."""
    values = np.full(120, 60.0)
    values[58:61] = 0.0
    assert dropouts(values[:119], 0.01, name="a", file="b")[1] == []
    assert severities(dropouts(values, 0.01, name="a", file="b")[1]) == ["caveat"]
    # half a second at either end is not known
    ends = np.full(400, 60.0)
    ends[[10, 49, 350, 395]] = 0.0
    assert not dropouts(ends, 0.01, name="a", file="b")[0].any()
    ends[[50, 349]] = 0.0
    assert np.flatnonzero(dropouts(ends, 0.01, name="a", file="b")[0]).tolist() == [50, 349]


def wavering(slow: float, noise: float) -> list[Finding]:
    """Slip of which 30 % is slow, that goes up and down by so much from sample to sample, at 100 Hz."""
    level = np.where(np.arange(4000) < 1200, slow, 6.0)
    return noisy(level + noise * (-1.0) ** np.arange(4000), 0.01, file="a.csv")


def test_noise_hides_slip_that_is_less_than_twice_what_counts() -> None:
    """±1 rad/s is a noise of 1.4826 · 4/√6 = 2.4211 rad/s; four of it over √10 of averaging are 3.0624 rad/s.
    Slip of 1.2 rad/s counts from a noise of ±0.196 on, of which 0.6 rad/s are left."""
    assert wavering(1.2, 0.195) == []
    assert wavering(1.2, 0.197) == [
        Finding(
            "noisy speeds",
            "caveat",
            "speed difference, a.csv",
            "From sample to sample it scatters by 0.48 rad/s. Averaged over 0.1 s it counts as slip from 0.6 "
            "rad/s on; a quarter of the sweep slips at 1.2 rad/s or less.",
            "Slower slip is left out as holding: friction at low speed is told badly or not at all, and "
            "so is the "
            "preload's.",
            "Look at encoders, shielding and filters of the speed channels (0.1 s is enough), log faster, "
            "or slip "
            "faster.",
        )
    ]
    # what counts in any case, 0.05 rad/s, is no noise
    assert wavering(0.06, 0.01) == []


TIME = np.arange(4000) / 100.0
FLAT = np.full(4000, 1.0)


@pytest.fixture
def of_speeds(rig_of: RigOf, recording_of: RecordingOf) -> Callable[..., list[Finding]]:
    """Findings of speeds that are recorded together."""

    def find(slow: float | None = None, **channels: Array) -> list[Finding]:
        names: dict[str, Any] = {"left_torque": {}, "right_torque": {}, **{name: {} for name in channels}}
        recording = recording_of(TIME[: len(next(iter(channels.values())))], **channels)
        return speeds(recording, rig_of(**names), slow_slip=slow)

    return find


@pytest.mark.parametrize(
    ("ratio", "severity", "said"),
    [
        (1.0099, None, ""),
        (1.0101, "caveat", "1.01 times half the sum of the outputs' speeds."),
        (1.1, "caveat", "1.1 times half the sum of the outputs' speeds."),
        (1.11, "stop", "1.11 times half the sum of the outputs' speeds."),
        (0.9101, "caveat", "0.9101 times half the sum of the outputs' speeds."),
        (0.9, "stop", "0.9 times half the sum of the outputs' speeds."),
        (-1.0, "stop", "-1 times half the sum of the outputs' speeds, the sign reversed."),
        (9.5493 * 1.029, "stop", "9.826 times half the sum of the outputs' speeds: rpm taken as rad/s."),
        (9.5493 * 1.0308, "stop", "9.843 times half the sum of the outputs' speeds."),
        (1.0 / 6.0, "stop", "0.1667 times half the sum of the outputs' speeds: rpm taken as deg/s."),
    ],
)
def test_a_case_speed_contradicts_the_outputs_from_a_hundredth_on(
    ratio: float, severity: str | None, said: str, of_speeds: Callable[..., list[Finding]]
) -> None:
    """A tenth of its logarithm, a known factor within three hundredths, or a sign stop."""
    found = of_speeds(left_speed=12.0 * FLAT, right_speed=10.0 * FLAT, case_speed=11.0 * ratio * FLAT)
    found = [one for one in found if one.name == "speeds contradict each other"]
    assert severities(found) == ([severity] if severity else [])
    assert [one.evidence for one in found] == ([f"case_speed is {said}"] if severity else [])


def test_other_speeds_are_held_against_what_says_the_same(of_speeds: Callable[..., list[Finding]]) -> None:
    """A speed difference against left less right, a pinion against the case or what the outputs say of it."""
    (told,) = of_speeds(left_speed=12.0 * FLAT, right_speed=10.0 * FLAT, speed_difference=-2.0 * FLAT)
    assert told.evidence == "speed_difference is -1 times left less right speed, the sign reversed."
    (told,) = of_speeds(left_speed=12.0 * FLAT, right_speed=10.0 * FLAT, input_speed=11.5 * FLAT)
    assert told.evidence == "input_speed is 1.045 times what the other speeds say."
    (told,) = of_speeds(case_speed=11.0 * FLAT, left_speed=12.0 * FLAT, input_speed=12.0 * FLAT)
    assert told.evidence == "input_speed is 1.091 times what the other speeds say."
    # twenty readings, and half a radian a second
    few = np.full(19, 1.0)
    assert of_speeds(left_speed=12.0 * few, right_speed=10.0 * few, case_speed=13.0 * few) == []
    slow = {"left_speed": 0.5 * FLAT, "right_speed": 0.48 * FLAT, "case_speed": 0.6 * FLAT}
    assert of_speeds(**slow) == []
    assert of_speeds(**{**slow, "right_speed": 0.52 * FLAT}) != []


def test_outputs_turn_against_each_other_at_running_speed(of_speeds: Callable[..., list[Finding]]) -> None:
    """Both above 20 rad/s in more than nine of ten samples."""
    assert of_speeds(left_speed=30.0 * FLAT, right_speed=-20.0 * FLAT) == []
    (told,) = of_speeds(left_speed=25.0 * FLAT, right_speed=-20.5 * FLAT)
    assert told == Finding(
        "outputs turn against each other",
        "stop",
        "sweep.csv",
        "left_speed is +25 rad/s, right_speed -20.5 rad/s.",
        "The speed difference would be 45.5 rad/s.",
        "One of them counts the other way: set its sign = -1 in the rig.",
    )
    turned = np.where(np.arange(4000) < 3600, -1.0, 1.0)
    assert of_speeds(left_speed=25.0 * FLAT, right_speed=20.5 * turned) == []


def test_an_output_in_another_unit_stops_where_the_slip_would_be_no_bench_s(
    of_speeds: Callable[..., list[Finding]],
) -> None:
    """6.5 and 62.07 rad/s: rpm on one side; 55.6 rad/s of slip may be, 60 and more not. From 20 rad/s on."""
    factor = 30.0 / np.pi
    (told,) = of_speeds(left_speed=6.5 * factor * FLAT, right_speed=6.5 * FLAT)
    assert told == Finding(
        "unit off by a known factor",
        "caveat",
        "left_speed and right_speed, sweep.csv",
        "Left is 62.07 rad/s and right 6.5 rad/s: on one side rpm taken as rad/s, on the other not.",
        "The speed difference would be 55.57 rad/s.",
        "State the unit of both columns in the rig.",
    )
    found = of_speeds(left_speed=7.05 * FLAT, right_speed=7.05 * factor * FLAT)
    assert [(one.name, one.severity) for one in found] == [
        ("unit off by a known factor", "stop"), ("speed implausible", "caveat"),
    ]  # fmt: skip
    assert of_speeds(left_speed=2.09 * factor * FLAT, right_speed=2.09 * FLAT) == []
    assert of_speeds(left_speed=2.1 * factor * FLAT, right_speed=2.1 * FLAT) != []
    assert of_speeds(left_speed=30.0 * FLAT, right_speed=0.0 * FLAT) == []


def test_speeds_are_implausible_from_their_sizes_on(of_speeds: Callable[..., list[Finding]]) -> None:
    """A shaft at 300 rad/s, slip at 60, by 95 of a hundred samples; the worst one is told."""
    assert of_speeds(left_speed=299.0 * FLAT, right_speed=280.0 * FLAT) == []
    (told,) = of_speeds(left_speed=301.0 * FLAT, right_speed=280.0 * FLAT)
    assert told == Finding(
        "speed implausible",
        "caveat",
        "left_speed, sweep.csv",
        "It reaches 301 rad/s; a bench stays below 300 rad/s. Were it rpm, it would be 31.5 rad/s.",
        "Sliding speed, plate heat and viscous drag would be off by the same factor.",
        'State the unit of the speeds in the rig, for example unit = "rpm".',
    )
    (told,) = of_speeds(left_speed=130.0 * FLAT, right_speed=69.0 * FLAT)
    assert told.evidence.startswith("It reaches 61 rad/s; a bench stays below 60 rad/s.")
    assert told.where == "speed difference, sweep.csv"
    assert of_speeds(speed_difference=59.0 * FLAT) == []
    assert of_speeds(speed_difference=61.0 * FLAT) != []
    assert of_speeds(case_speed=100.0 * FLAT, left_speed=101.0 * FLAT, input_speed=100.5 * FLAT) == []
    rare = np.where(np.arange(4000) < 180, 3.1, 1.0)  # less than a twentieth
    assert of_speeds(left_speed=101.0 * rare, right_speed=100.0 * rare) == []


def test_steps_of_a_speed_are_coarse_from_a_quarter_of_the_slowest_slip_on(
    of_speeds: Callable[..., list[Finding]],
) -> None:
    steps = np.tile([0.0, 1.0], 2000)
    assert of_speeds(slow=3.2, left_speed=60.0 + 0.79 * steps, right_speed=60.0 * FLAT) == []
    assert of_speeds(slow=3.2, left_speed=60.0 + 0.81 * steps, right_speed=60.0 * FLAT) == [
        Finding(
            "coarse resolution",
            "caveat",
            "left_speed, sweep.csv",
            "Speeds come in steps of 0.81 rad/s, the slowest slip is 3.2 rad/s.",
            "Friction at that speed, and whether the outputs slip at all, is told badly.",
            "Log more digits, or slip faster.",
        )
    ]
    assert of_speeds(slow=None, left_speed=60.0 + 0.81 * steps, right_speed=60.0 * FLAT) == []


def test_a_speed_that_stands_beside_one_that_turns_is_told(rig_of: RigOf, recording_of: RecordingOf) -> None:
    """Of fifty readings and more; one that reads less than half a radian a second beside more than 20."""

    def found(count: int = 60, **channels: Array) -> list[str]:
        rig = rig_of(left_torque={}, right_torque={}, **{name: {} for name in channels})
        recording = recording_of(TIME[:count], **{name: v[:count] for name, v in channels.items()})
        return [one.where for one in frozen_speeds(recording, rig)]

    moving = 60.0 + 0.5 * np.sin(TIME)
    assert found(left_speed=moving, right_speed=57.3 * FLAT) == ["right_speed, sweep.csv"]
    assert found(49, left_speed=moving, right_speed=57.3 * FLAT) == []
    assert found(50, left_speed=moving, right_speed=57.3 * FLAT) == ["right_speed, sweep.csv"]
    slow = 0.01 * np.sin(9.0 * TIME)
    assert found(left_speed=moving, right_speed=0.49 + slow) == ["right_speed, sweep.csv"]
    assert found(left_speed=moving, right_speed=0.51 + slow) == []
    assert found(left_speed=moving / 3.0, right_speed=0.3 + slow) == ["right_speed, sweep.csv"]
    assert found(left_speed=moving / 3.1, right_speed=0.3 + slow) == []
    # a case that is held stands, and so does a speed difference of nothing that is noisy
    assert found(left_speed=moving, case_speed=57.3 * FLAT) == []
    assert found(left_speed=moving, case_speed=0.3 + slow) == ["case_speed, sweep.csv"]
    assert found(left_speed=moving, speed_difference=0.3 + slow) == []


def oil(reading: Array, name: str = "oil_temperature", heat: float = 0.0) -> list[Finding]:
    return temperature(TIME, reading, name=name, file="a.csv", heat=heat)


def test_temperatures_are_implausible_beyond_what_oil_has() -> None:
    """150 and −40 °C, by all but a hundredth; a start above 115 °C is asked for its unit alone."""
    assert oil(149.5 * FLAT, "plate_temperature") == []
    (told,) = oil(150.5 * FLAT, "plate_temperature")
    assert told == Finding(
        "temperature implausible",
        "caveat",
        "plate_temperature, a.csv",
        "It reads 150.5 to 150.5 °C. Were it °F, it would be 65.8 to 65.8 °C.",
        "Friction over temperature and the drag of the oil would be read at a wrong temperature.",
        'Check the sensor and state the unit of the column in the rig, unit = "degF".',
    )
    assert oil(-39.5 * FLAT) == []
    (told,) = oil(-40.5 * FLAT)
    assert (told.severity, told.evidence) == ("caveat", "It reads -40.5 to -40.5 °C.")
    assert told.mend == "Check the sensor and state the unit of the column in the rig."
    assert oil(114.5 * FLAT) == []
    assert severities(oil(115.5 * FLAT)) == ["note"]
    assert oil(115.5 * FLAT, "plate_temperature") == []
    # 110 °C would be 230 °F, 383 K
    (told,) = oil(229.0 * FLAT)
    assert "Were it °F" in told.evidence
    (told,) = oil(320.15 * FLAT)
    assert "Were it K, it would be 47 to 47 °C." in told.evidence
    assert told.mend.endswith('unit = "K".')
    (told,) = oil(384.0 * FLAT)
    assert "Were it" not in told.evidence
    (told,) = oil(272.0 * FLAT)
    assert "Were it" not in told.evidence
    # a few readings beyond are none: less than a hundredth of them
    assert oil(np.where(TIME < 0.3, 160.0, 60.0), "plate_temperature") == []
    assert temperature(TIME[:19], 200.0 * FLAT[:19], name="a", file="b") == []


@pytest.mark.parametrize(("kelvins", "told"), [(9.9, False), (10.1, True), (-10.1, True)])
def test_oil_changes_by_no_more_than_ten_kelvins_in_two_seconds(kelvins: float, told: bool) -> None:
    """5 K a second, of a channel without noise."""
    found = oil(60.0 + kelvins * (TIME > 20.0))
    assert [one.evidence for one in found] == (
        [f"It changes by {kelvins:+.3g} K within 2 s."] if told else []
    )


def test_a_ramp_of_oil_is_told_from_five_kelvins_a_second_on() -> None:
    """Over a stretch of lost rows more time passes."""
    assert oil(30.0 + np.clip(4.9 * (TIME - 10.0), 0.0, 49.0)) == []
    assert oil(30.0 + np.clip(5.1 * (TIME - 10.0), 0.0, 51.0)) != []
    gap = np.where(TIME > 20.0, TIME + 4.0, TIME)
    assert temperature(gap, 60.0 + 12.0 * (TIME > 20.0), name="oil_temperature", file="a") == []


def test_a_temperature_that_no_heat_moves_is_stuck() -> None:
    """Fifty kilojoules warm some kilograms by kelvins."""
    assert oil(61.0 * FLAT, heat=49e3) == []
    (told,) = oil(61.0 * FLAT, heat=51.2e3)
    assert told.evidence == "It reads 61 °C from start to end, while friction made 51.2 kJ."
    assert oil(61.0 + 0.001 * (TIME > 20.0), heat=51e3) == []


def test_plates_are_hot_from_forty_kelvins_on() -> None:
    """By 95 of a hundred cells of which both are known."""
    cells = np.full(100, 60.0)
    assert hot_plates(cells, cells + 39.9) == []
    (told,) = hot_plates(cells, cells + 41.2)
    assert told.evidence == ("By the heat balance, the plates run up to 41 K above the oil that is read.")
    few = np.where(np.arange(100) < 4, 50.0, 30.0)
    assert hot_plates(cells, cells + few) == []
    gone = np.where(np.arange(100) < 90, np.nan, 60.0)
    assert severities(hot_plates(gone, cells + np.where(np.arange(100) < 90, 0.0, 45.0))) == ["caveat"]


def doubled(count: int) -> Mapping[str, Array]:
    """Two channels of noise of which some rows come again 1000 rows later."""
    first, other = NOISE[:4000].copy(), NOISE[4000:8000].copy()
    first[2000 : 2000 + count], other[2000 : 2000 + count] = (
        first[1000 : 1000 + count],
        other[1000 : 1000 + count],
    )
    return {"a": first, "b": other}


def test_rows_that_come_again_are_told_from_48_on() -> None:
    """With their number, where they stand and where they stood before."""
    assert repeats(TIME, doubled(47), file="a.csv") == []
    assert repeats(TIME, doubled(48), file="a.csv") == [
        Finding(
            "samples repeated",
            "caveat",
            "a.csv",
            "The 48 samples from 20 s on are exactly those from 10 s on.",
            "They are counted twice: intervals are too narrow, and the sweep has a jump at either end.",
            "Cut the copy out of the file, or export it again from the logger.",
        )
    ]
    made = doubled(60)
    for values in made.values():
        values[3500:3590] = values[200:290]
    (told,) = repeats(TIME, made, file="a.csv")
    assert told.evidence == (
        "The 90 samples from 35 s on are exactly those from 2 s on. So in 1 places more, 150 samples in all."
    )


def shared(both: int, first: int = 100, second: int = 100) -> list[Finding]:
    """Recordings of so many marks, of which some are in both."""
    one = np.arange(first, dtype=np.uint64)
    other = np.arange(second, dtype=np.uint64) + np.uint64(first - both)
    return same_samples([("b/a.csv", [one]), ("b.csv", [other[:40], other[40:]])])


def test_recordings_share_samples_from_five_marks_on() -> None:
    """More than half of the shorter one stops."""
    assert shared(4) == []
    (told,) = shared(5)
    assert told == Finding(
        "same samples twice",
        "caveat",
        "b.csv",
        "5 % of the samples are those of a.csv, whatever the clocks say.",
        "They are counted twice, and intervals are too narrow.",
        "Leave one of both recordings out of the run sheet, or export them so that none overlaps.",
    )
    assert severities(shared(50)) == ["caveat"]
    assert severities(shared(51)) == ["stop"]
    (told,) = shared(30, second=60)
    assert (told.severity, told.evidence[:4]) == ("caveat", "50 %")
    # one whose own cycles are alike tells nothing: a twentieth of its marks and more come again
    own = np.arange(100, dtype=np.uint64)
    for again, kept in ((5, 1), (6, 0)):
        alike = np.concatenate([own[: 100 - again], own[:again]])
        assert len(same_samples([("a.csv", [own]), ("b.csv", [alike])])) == kept


def hole(first: float, last: float) -> Any:
    """A minute of oil at ten readings a second, none of them between two times."""
    time = np.arange(601) / 10.0
    return seen_in(time, np.where((time >= first) & (time <= last), np.nan, 60.0))


def test_a_stretch_without_a_reading_lasts_ten_seconds_or_stands_at_an_end() -> None:
    """What bridges it, and how far that may be off."""
    assert hole(20.0, 30.0).empty == ()
    assert hole(20.0, 30.1).empty == ((20.0, 30.1),)
    asked = {"name": "oil_temperature", "file": "a.csv", "instead": "it counts as 61 °C", "doubt": 11.34}
    assert unread(hole(20.0, 29.0), **asked) == []
    assert unread(hole(20.0, 31.0), **asked) == [
        Finding(
            "temperature not recorded",
            "note",
            "oil_temperature, a.csv",
            "oil_temperature has no reading from 20 to 31 s: a straight line from the reading before to "
            "the one "
            "after stands there.",
            "Friction over temperature and the tested temperatures rest on that.",
            "Look for a plug or a logger that stopped, and record the run again.",
        )
    ]
    (told,) = unread(hole(0.0, 0.0), **asked)
    assert told.severity == "caveat"
    assert told.evidence.endswith("from 0 to 0 s: the first reading stands there.")
    assert told.effect.endswith("rest on that, which there may be off by 11 K (standard uncertainty).")
    (told,) = unread(hole(58.0, 60.0), **asked)
    assert told.evidence.endswith("from 58 to 60 s: the last reading stands there.")
    (told,) = unread(hole(0.0, 60.0), **asked)
    assert told.evidence == (
        "oil_temperature has no reading all through, from 0 to 60 s: it counts as 61 °C."
    )
    (told,) = unread(hole(58.0, 60.0), **{**asked, "doubt": None, "instead": "the plates are read"})
    assert told.evidence.endswith("from 58 to 60 s: the plates are read.")
    assert told.effect == "Friction over temperature and the tested temperatures rest on that."


def test_of_many_stretches_four_are_told() -> None:
    time = np.arange(2001) / 10.0
    values = np.where((time % 25.0 > 5.0) & (time < 150.0), np.nan, 60.0)
    (told,) = unread(seen_in(time, values), name="a", file="b", instead="", doubt=1.0)
    assert told.evidence.count("has no reading") == 4
    assert told.evidence.endswith(" So in 2 places more.")


def test_readings_that_no_oil_has_are_counted_and_stop_where_they_are_most() -> None:
    """Below −60 and above 350 °C, of those that are there; in another unit they may be right."""
    inside = seen_in(np.arange(4.0), np.array([-60.0, 350.0, 20.0, np.nan]))
    assert (inside.beyond, inside.readings) == (0, 3)
    assert impossible(inside, name="a", file="b") == []
    half = seen_in(np.arange(5.0), np.array([-60.1, 350.1, 20.0, 30.0, np.nan]))
    assert half.span == (-60.1, 350.1)
    (told,) = impossible(half, name="oil_temperature", file="a.csv")
    assert told == Finding(
        "open or shorted sensor",
        "caveat",
        "oil_temperature, a.csv",
        "oil_temperature: 2 of 4 samples read -60.1 to 350.1 °C, which no oil or plate has (below -60 or "
        "above "
        "350 °C): open or shorted sensor?",
        "They are left out.",
        "Check the sensor, its plug, and the unit of the column in the rig; or leave the channel out of "
        "the rig.",
    )
    most = seen_in(np.arange(3.0), np.array([360.0, 380.0, 30.0]))
    (told,) = impossible(most, name="a", file="b")
    assert (told.severity, told.effect) == ("stop", "Most of the channel says nothing.")
    # 370 of them: as °F 188 °C, which is none, as K 97 °C
    assert told.evidence.endswith(" Were they K, they would be about 96.9 °C.")


def test_parts_of_a_recording_are_seen_as_one() -> None:
    """A hole over a border is one; what only touched the border of its part and does not last is none."""
    time = np.arange(601) / 10.0
    values = np.where(((time > 15.0) & (time < 28.0)) | (np.abs(time - 40.0) < 0.3), np.nan, 60.0)
    values[300] = 400.0
    bounds = (0, 200, 400, 601)
    parts = [seen_in(time[a:b], values[a:b]) for a, b in itertools.pairwise(bounds)]
    one = joined(parts)
    assert one.empty == ((15.1, 27.9),)
    assert (one.readings, one.beyond, one.span, one.whole) == (
        int(np.isfinite(values).sum()), 1, (400.0, 400.0), (0.0, 60.0),
    )  # fmt: skip


def line(
    amplitude: float, frequency: float = 50.0, *, rate: float = 1000.0, averaged: float = 0.2
) -> list[Finding]:
    """Twenty seconds, at 1 kHz, of noise of 1 N·m with a line in it."""
    from diffbench.conditioning.checks.hum import hum

    time = np.arange(20_000) / rate
    values = NOISE + amplitude * np.sin(2.0 * np.pi * frequency * time)
    return hum(values, rate, [], name="left_torque", file="a.csv", averaged=averaged)


@pytest.mark.parametrize(
    ("frequency", "rate", "said"),
    [
        (50.0, 1000.0, "at 50 Hz."),
        (60.0, 1000.0, "at 60 Hz."),
        (100.0, 1000.0, "at 100 Hz."),
        (120.0, 1000.0, "at 120 Hz."),
        (150.0, 1000.0, "at 150 Hz."),
        (180.0, 1000.0, "at 180 Hz."),
        # folded about half the rate: 60 − 50, 2 · 60 − 2 · 50, 50 − 40 and so on
        (60.0, 50.0, "at 10 Hz: 60 Hz, folded by sampling at 50 Hz."),
        (50.0, 80.0, "at 30 Hz: 50 Hz, folded by sampling at 80 Hz."),
        (150.0, 200.0, "at 50 Hz."),
        (180.0, 250.0, "at 70 Hz: 180 Hz, folded by sampling at 250 Hz."),
    ],
)
def test_a_line_of_mains_is_told_where_it_shows(frequency: float, rate: float, said: str) -> None:
    """With the source it comes from; its height of 3 N·m to two digits."""
    (told,) = line(3.0, frequency, rate=rate)
    assert told.name == "mains hum"
    assert told.evidence == f"A steady 3 N·m {said}"


def test_a_line_matters_from_a_third_of_the_noise_on() -> None:
    """0.3 N·m beside 1 N·m, within what twenty seconds leave open."""
    assert line(0.27) == []
    assert line(0.34) != []
    assert line(3.0, 70.0) == []


def test_what_averages_keep_of_a_line_is_told() -> None:
    """Over T the share 1/(π f T) of 3 N·m at 50 Hz: 0.5 N·m, half of the noise, over 38 ms; over less than
    1/(π f) all of it."""
    (told,) = line(3.0, averaged=0.0374)
    assert (told.severity, told.effect) == ("caveat", "Averages over 0.037 s keep 0.5 N·m of it.")
    (told,) = line(3.0, averaged=0.0391)
    assert told.severity == "note"
    (told,) = line(3.0, averaged=0.006)
    assert told.effect == "Averages over 0.006 s keep 3 N·m of it."
    (told,) = line(3.0, averaged=0.02)
    assert told.effect == "Averages over 0.02 s keep 1 N·m of it."


def test_a_slow_or_broken_channel_is_not_asked_for_lines() -> None:
    """20 Hz, and nine readings of ten."""
    from diffbench.conditioning.checks.hum import hum

    def asked(rate: float, missing: int = 0, count: int = 20_000) -> bool:
        time = np.arange(count) / rate
        values = 0.3 * NOISE[:count] + 3.0 * np.sin(2.0 * np.pi * 50.0 * time + 0.4)
        values[:missing] = np.nan
        return bool(hum(values, rate, [], name="a", file="b", averaged=0.2))

    assert asked(22.0)
    assert not asked(19.0)
    assert asked(1000.0, 1990)
    assert not asked(1000.0, 2010)
    # four pieces of two seconds at least
    assert asked(130.0, count=1050)
    assert not asked(130.0, count=1030)


@pytest.mark.parametrize(("order", "told"), [(1, False), (2, False), (3, False), (4, True)])
def test_ripple_of_a_shaft_is_none_up_to_thrice_a_turn(order: int, told: bool) -> None:
    """A shaft at 50 Hz over its order; one that runs from 30 to 70 Hz passes it, too; one that stands does
    not."""
    from diffbench.conditioning.checks.hum import hum

    time = np.arange(20_000) / 1000.0
    values = NOISE + 3.0 * np.sin(2.0 * np.pi * 50.0 * time)

    def found(*turns: Array) -> bool:
        shafts = [2.0 * np.pi * turn for turn in turns]
        return bool(hum(values, 1000.0, shafts, name="a", file="b", averaged=0.2))

    assert found(np.full(20_000, 50.0 / order)) is told
    assert found(np.linspace(-30.0, -70.0, 20_000) / order) is (order > 5)
    assert found(np.zeros(20_000), np.full(20_000, np.nan))
    # within three lines of the spectrum of pieces of five seconds
    assert not found(np.full(20_000, 50.55))
    assert found(np.full(20_000, 50.65))


def test_findings_are_told_in_one_line_and_stop_where_they_say_so() -> None:
    """Name, severity, place, evidence, effect and what to do; those that stop are faults of their file."""
    from diffbench.conditioning.findings import refusals, told_once

    note = Finding("spikes", "note", "a.csv", "3 samples.", "They are left out.", "")
    stop = Finding("dead channel", "stop", "left_torque, a.csv", "It reads nothing.", "No number.", "Look.")
    assert str(note) == "note: spikes (a.csv): 3 samples. They are left out."
    (fault,) = refusals([note, stop], file="a.csv")
    assert (fault.what, fault.place.file, fault.mend) == (
        "dead channel: It reads nothing. No number", "a.csv", "Look.",
    )  # fmt: skip
    graver = Finding("spikes", "caveat", "a.csv", "90 samples.", "They are left out.", "")
    elsewhere = Finding("spikes", "note", "b.csv", "1 sample.", "They are left out.", "")
    told = told_once([[note, elsewhere], [graver], [note]])
    assert [(one.where, one.severity, one.evidence) for one in told] == [
        (
            "a.csv", "caveat",
            "90 samples. (The recording was looked at in 3 parts; that is of one of the 3 that show it.)",
        ),
        (
            "b.csv", "note",
            "1 sample. (The recording was looked at in 3 parts; that is of one of the 1 that show it.)",
        ),
    ]  # fmt: skip
    assert told_once([[note]]) == [note]


@pytest.mark.parametrize(
    ("factor", "severity"), [(1.0199, None), (1.0401, "caveat"), (1.097, "caveat"), (1.103, "stop")]
)
def test_a_balance_is_told_word_for_word(factor: float, severity: str | None, rig_of: RigOf) -> None:
    """Flanges of 0.5 % both: four of 0.71 %, 2.83 %; a tenth is no calibration."""
    from diffbench.conditioning.checks.flanges import torque_balance

    names = ("left_torque", "right_torque", "input_torque", "left_speed", "right_speed")
    rig = rig_of(**{name: {} for name in names})
    outputs = 350.0 * np.sin(TIME / 3.0)
    samples = SimpleNamespace(
        torques={"input_torque": np.where(outputs > 0.0, factor, 1.0) * outputs + 3.0}, speeds={}, step=0.01
    )
    found = torque_balance(rig, samples, outputs, file="a.csv")  # type: ignore[arg-type]
    assert severities(found) == ([severity] if severity else [])
    for one in found:
        assert one.where == "input_torque, a.csv"
        assert one.evidence == f"The input torque is {factor:.4g} times the sum of the outputs."
        assert one.effect == (
            "The fit uses the outputs only; their common gain may be off by as much."
            if severity == "caveat"
            else "Either the input torque is wrong, which the fit does not use, or the outputs are, and all "
            "of the result with them."
        )


def test_a_balance_in_another_unit_names_whose_it_may_be(rig_of: RigOf) -> None:
    """1.3558 times: N·m in lbf.ft of the input torque, or lbf.ft in N·m of both outputs."""
    from diffbench.conditioning.checks.flanges import torque_balance

    names = ("left_torque", "right_torque", "input_torque", "left_speed", "right_speed")
    rig = rig_of(**{name: {} for name in names})
    outputs = 350.0 * np.sin(TIME / 3.0)
    samples = SimpleNamespace(torques={"input_torque": outputs * 1.3558179483}, speeds={}, step=0.01)
    (told,) = torque_balance(rig, samples, outputs, file="a.csv")  # type: ignore[arg-type]
    assert told.evidence == (
        "The input torque is 1.356 times the sum of the outputs: N.m taken as lbf.ft in input_torque, or "
        "lbf.ft "
        "taken as N.m in both outputs."
    )
    samples = SimpleNamespace(torques={"input_torque": -outputs}, speeds={}, step=0.01)
    (told,) = torque_balance(rig, samples, outputs, file="a.csv")  # type: ignore[arg-type]
    assert told.evidence == "The input torque is -1 times the sum of the outputs."
