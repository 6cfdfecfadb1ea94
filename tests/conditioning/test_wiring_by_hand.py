"""Shares, slopes and shifts that tell how torques and speeds are wired, on readings of a few closed forms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning import WiringError, check_flanks
from diffbench.conditioning.wiring import (
    Flanks,
    Wiring,
    climb,
    climb_while_loading,
    clock_offset,
    clocks_seconds_apart,
    even_part,
    exchanged_share,
    flanks_of,
    holds_back,
    impossible_climb,
    passive_share,
    wirings,
)
from diffbench.documents import Rig
from diffbench.errors import RecordingError


def driving(share: float, *, size: float = 80.0, count: int = 200) -> tuple[np.ndarray, np.ndarray]:
    """Directions and torque differences of which a share drives instead of holding back."""
    direction = np.where(np.arange(count) % 2 == 0, 1.0, -1.0)
    wrong = np.arange(count) < share * count
    return direction, -direction * np.where(wrong, -size, size)


def test_what_drives_counts_by_its_size_beyond_the_noise() -> None:
    """50 of 200 cells drive: a quarter. Those that drive by 20 N·m beside 80 count for less, and three of the
    noise are taken off: (20 − 6)·50 to (80 − 6)·150."""
    assert passive_share(*driving(0.25), 0.0) == pytest.approx(0.75)
    direction, difference = driving(0.25)
    smaller = np.where(np.arange(200) < 50, 0.25 * difference, difference)
    assert passive_share(direction, smaller, 2.0) == pytest.approx(
        74.0 * 150.0 / (74.0 * 150.0 + 14.0 * 50.0)
    )
    # where fewer than one cell in twenty stands clear of the noise nothing is said
    few = np.where(np.arange(200) < 9, difference, 5.9 * np.sign(difference))
    assert passive_share(direction, few, 2.0) == 1.0
    few = np.where(np.arange(200) < 10, difference, 5.9 * np.sign(difference))
    assert passive_share(direction, few, 2.0) == 0.0
    assert passive_share(direction, 0.0 * difference, 0.0) == 1.0


@pytest.mark.parametrize(("share", "holds"), [(0.095, True), (0.1, True), (0.105, False)])
def test_friction_holds_back_where_a_tenth_drives_at_most(share: float, holds: bool) -> None:
    assert holds_back(*driving(share), 0.0) is holds


def test_the_climb_is_that_of_the_upper_half() -> None:
    """0.5 beyond 300 N·m, whatever lies below; from −40 N·m, a share of −40 to 260 N·m. At least twenty cells
    beyond half of the torque that span a fifth of it."""
    torque = np.linspace(0.0, 600.0, 121)
    bent = np.where(torque > 300.0, 0.5 * torque - 40.0, 3.0 * torque)
    slope, start = climb(-torque, bent)
    assert (slope, start) == (pytest.approx(0.5), pytest.approx(-40.0 / 900.0))
    short = np.concatenate([np.zeros(60), np.linspace(310.0, 600.0, 19)])
    assert climb(short, 0.5 * short) == (0.0, 0.0)
    enough = np.concatenate([np.zeros(60), np.linspace(310.0, 600.0, 20)])
    assert climb(enough, 0.5 * enough + 7.0)[0] == pytest.approx(0.5)
    for least, slope in ((479.0, 0.5), (481.0, 0.0)):
        narrow = np.concatenate([np.zeros(60), np.linspace(least, 600.0, 40)])
        assert climb(narrow, 0.5 * narrow + 7.0)[0] == pytest.approx(slope)
    assert climb(np.zeros(0), np.zeros(0)) == (0.0, 0.0)


def climbing(slope: float, start: float = 80.0, *, ahead: float = 1.0, most: float = 600.0) -> float | None:
    """One flank, in drive, that climbs so from there on, slip one way round but for a share."""
    torque = np.linspace(0.0, most, 300)
    direction = np.where(np.arange(300) < ahead * 300, 1.0, -1.0)
    return impossible_climb(direction, torque, start + slope * torque, 1.0)


def test_no_unit_that_slips_climbs_by_more_than_a_quarter_above_one() -> None:
    """Or by more than one from far below nothing; slip both ways round tells signs by itself."""
    assert climbing(1.24) is None
    assert climbing(1.26) == pytest.approx(1.26)
    # from −70 and −50 N·m of 560 and 580: below a tenth, or not
    assert climbing(1.05, -70.0) == pytest.approx(1.05)
    assert climbing(1.05, -50.0) is None
    assert climbing(0.99, -200.0) is None
    for ahead, told in ((0.05, True), (0.11, False), (0.89, False), (0.95, True)):
        assert (climbing(1.5, ahead=ahead) is not None) is told
    # an input torque within six of the noise, or a sixth of the locking torque, is held at nothing
    assert climbing(1.5, 0.0, most=6.1) == pytest.approx(1.5)
    assert climbing(1.5, 0.0, most=5.9) is None
    assert climbing(1.5, 700.0, most=150.0) is not None  # 150 of 925
    assert climbing(1.5, 800.0, most=140.0) is None  # 140 of 1010


def test_each_flank_is_looked_at_where_it_was_swept() -> None:
    """Coast to −600 N·m climbs by 1.5, drive to 600 by 0.5; one that reaches a quarter at most is none."""
    torque = np.concatenate([np.linspace(0.0, 600.0, 300), np.linspace(0.0, -600.0, 300)])
    ones = np.ones(600)
    assert impossible_climb(
        ones, torque, 80.0 + np.where(torque > 0, 0.5, -1.5) * torque, 1.0
    ) == pytest.approx(1.5)
    for reach, told in ((155.0, True), (145.0, False)):
        short = np.where(torque < 0.0, torque / 600.0 * reach, torque)
        found = impossible_climb(ones, short, 80.0 + np.where(torque > 0, 0.5, -1.5) * short, 1.0)
        assert (found is not None) is told


def sweep(share: float = 0.5) -> dict[str, np.ndarray]:
    """Torques from −300 to 600 N·m at 2 to 6 rad/s, slip ahead in a share of the cells."""
    k = np.arange(400)
    return {
        "direction": np.where(k % 100 < round(100 * share), 1.0, -1.0),
        "speed": 4.0 + 2.0 * np.sin(k / 7.0),
        "input_torque": 150.0 + 450.0 * np.sin(k / 31.0),
    }


def difference_of(even: float, of: dict[str, np.ndarray]) -> np.ndarray:
    """So much of the input torque, an offset, and a locking torque of every part that turns with the slip."""
    torque, speed = of["input_torque"], of["speed"]
    locking = 80.0 + 0.5 * np.abs(torque) + 0.7 * speed + 3.0 * np.log(speed)
    return np.asarray(even * torque + 7.0 - of["direction"] * locking)


@pytest.mark.parametrize("even", [0.0, 0.35, -1.0])
def test_the_even_part_is_what_does_not_turn_with_the_slip(even: float) -> None:
    """Exactly, of a difference that is made of the parts."""
    of = sweep()
    found = even_part(
        of["direction"], of["direction"] * of["speed"], of["input_torque"], difference_of(even, of)
    )
    assert found == pytest.approx(even, abs=1e-9)


def test_slip_that_is_nearly_all_one_way_tells_no_even_part() -> None:
    """A seventh of the cells the other way, or none."""
    for share, told in ((0.14, False), (0.16, True), (0.84, True), (0.86, False)):
        of = sweep(share)
        found = even_part(of["direction"], of["speed"], of["input_torque"], difference_of(0.4, of))
        assert (found is not None) is told


def test_noise_hides_an_even_part_that_is_no_larger_than_its_doubt_allows() -> None:
    """A standard uncertainty of 0.02, or a twentieth of the part. By independent noise of the cells'
    spread of torque: σ/(s √n)."""
    of = sweep()
    noise = np.random.default_rng(5).normal(size=400)
    spread = float(np.std(of["input_torque"])) * np.sqrt(400.0)
    for size, even, told in (
        (0.017, 0.0, True),
        (0.024, 0.0, False),
        (0.045, 1.0, True),
        (0.056, 1.0, False),
    ):
        moved = difference_of(even, of) + size * spread * noise
        found = even_part(of["direction"], of["speed"], of["input_torque"], moved)
        assert (found is not None) is told, size


def test_a_flank_climbs_by_its_cells_that_load() -> None:
    """In the upper half of its torques; thirty of them at least, and not at one torque."""
    torque = np.linspace(0.0, 600.0, 200)
    loading = np.arange(200) % 2 == 0
    locking = np.where(loading, 80.0 + 0.5 * torque, 80.0 + 0.7 * torque)
    locking = np.where(torque < 300.0, 0.0, locking)
    assert climb_while_loading(torque, locking, loading) == pytest.approx(0.5)
    assert climb_while_loading(-torque, locking, loading) == pytest.approx(0.5)
    upper = np.flatnonzero(torque > 300.0)
    for count, told in ((29, False), (30, True)):
        some = np.isin(np.arange(200), upper[:count])
        assert (climb_while_loading(torque, 0.5 * torque, some) is not None) is told
    assert climb_while_loading(np.zeros(0), np.zeros(0), np.zeros(0, dtype=bool)) is None
    assert climb_while_loading(np.full(60, 300.0), np.full(60, 80.0), np.ones(60, dtype=bool)) is None


def test_both_flanks_are_told_with_their_reach_and_level() -> None:
    """0.5 to 600 N·m in drive, 0.3 to 450 in coast; the level is the middle one of the lowest 15 of a hundred
    torques: of 0 to 89 N·m, 80 + 0.5 · 45 N·m and less."""
    torque = np.concatenate([np.linspace(0.0, 600.0, 201), np.linspace(0.0, -450.0, 151)[1:]])
    locking = 80.0 + np.where(torque > 0.0, 0.5, -0.3) * torque
    found = Flanks.of(torque, locking, np.ones(torque.size, dtype=bool))
    assert (found.drive, found.coast) == (pytest.approx(0.5), pytest.approx(0.3))
    assert found.reach == (600.0, 450.0)
    lowest = np.sort(np.abs(torque))[: int(0.15 * torque.size) + 1]
    inside = np.abs(torque) <= lowest[-1]
    assert found.level == pytest.approx(float(np.median(locking[inside])), abs=0.6)
    runs: Any = [
        SimpleNamespace(
            kind=kind,
            input_torque=torque[::step],
            locking=locking[::step],
            input_slope=np.sign(torque[::step]),
        )
        for kind, step in (("bias-sweep", 1), ("speed-sweep", 7))
    ]  # fmt: skip
    of_runs = flanks_of(runs)
    assert of_runs is not None
    assert (of_runs.drive, of_runs.reach) == (pytest.approx(0.5), (600.0, 450.0))
    turned: Any = [SimpleNamespace(**{**vars(runs[0]), "input_slope": -np.sign(torque)})]
    falling = flanks_of(turned)
    assert falling is not None
    assert falling.drive is None
    assert flanks_of(runs[1:]) is None


def ramps(drive: float | None, coast: float | None) -> Any:
    """A build sheet with ramps at so many degrees."""
    angles = [None if one is None else SimpleNamespace(value=np.radians(one)) for one in (drive, coast)]
    return SimpleNamespace(ramps=SimpleNamespace(drive_angle=angles[0], coast_angle=angles[1]))


def flanks(drive: float | None, coast: float | None, reach: tuple[float, float] = (600.0, 400.0)) -> Flanks:
    return Flanks(drive, coast, reach, 80.0)


def test_flanks_are_held_against_the_ramps_of_the_sheet() -> None:
    """cot 45° to cot 60° is √3: climbs of √3 agree, their inverse is the other way round, none is half
    way."""
    sheet = ramps(45.0, 60.0)
    root = 3.0**0.5
    assert exchanged_share(sheet, flanks(0.3 * root, 0.3)) == pytest.approx(1.0)
    assert exchanged_share(sheet, flanks(0.3, 0.3 * root)) == pytest.approx(-1.0)
    assert exchanged_share(sheet, flanks(0.4, 0.4)) == pytest.approx(0.0)
    assert exchanged_share(sheet, flanks(0.3 * 3.0**0.25, 0.3)) == pytest.approx(0.5)
    assert exchanged_share(sheet, None) is None
    for seen in (flanks(None, 0.3), flanks(0.3, None)):
        assert exchanged_share(sheet, seen) is None
    for angles in ((None, 60.0), (45.0, None), (45.0, 90.5)):
        assert exchanged_share(ramps(*angles), flanks(0.5, 0.3)) is None


def test_what_hardly_climbs_or_hardly_differs_tells_nothing() -> None:
    """A climb of 0.16 at least, thrusts a fifth of a logarithm apart."""
    sheet = ramps(45.0, 60.0)
    assert exchanged_share(sheet, flanks(0.159, 0.1)) is None
    assert exchanged_share(sheet, flanks(0.161, 0.1)) is not None
    # ln cot 45° − ln cot β = 0.199 at 50.65°, 0.201 at 50.71°
    for apart, told in ((0.199, False), (0.201, True)):
        angle = float(np.degrees(np.arctan(np.exp(apart))))
        assert (exchanged_share(ramps(45.0, angle), flanks(0.5, 0.3)) is not None) is told
    # a flank that climbs by less than 0.08 tells where it was swept beyond one and a half of 80/0.5 N·m
    for reach, told in ((241.0, True), (239.0, False)):
        assert (exchanged_share(sheet, flanks(0.5, 0.07, (600.0, reach))) is not None) is told
    assert exchanged_share(sheet, flanks(0.07, 0.5, (241.0, 200.0))) is not None
    assert exchanged_share(sheet, flanks(0.5, 0.081, (600.0, 100.0))) is None  # over twice what is stated
    assert exchanged_share(sheet, flanks(0.5, 0.2, (600.0, 100.0))) is not None
    # next to nothing counts as gears alone: ln(0.5/0.02)/ln √3
    found = exchanged_share(sheet, flanks(0.5, 0.001))
    assert found == pytest.approx(np.log(25.0) / np.log(3.0**0.5))


def test_wirings_are_all_of_up_to_three_mistakes() -> None:
    """Of two outputs: none, one or both reversed, exchanged or not, turned or not, but for what only names
    the sides anew, and for nothing at all. Beside an input torque both may be."""
    both = list(wirings(("left_torque", "right_torque")))
    assert len(both) == 4 * 3 - 1
    assert all(not (one.exchanged and one.turned) for one in both)
    beside = list(wirings(("input_torque", "left_torque")))
    assert len(beside) == 4 * 4 - 1
    assert len(list(wirings(("turning_torque",)))) == 2 * 2 - 1
    assert max(one.mistakes for one in beside) == 3
    assert {
        one.mistakes for one in both if len(one.reversed) == 2 and not one.exchanged and not one.turned
    } == {1}


def test_wirings_rank_by_what_else_is_known() -> None:
    """What speaks against a wiring, then how far it is driven, then its mistakes; shafts that both count
    backwards are one mistake less."""
    plain = Wiring(("left_torque",))
    assert plain.rank == (0, 0, 1)
    ranked = [
        Wiring(("left_torque",), turned=True, supports=("a",)),
        Wiring(drives=1, exchanged=True, reversed=("left_torque",)),
        Wiring(turned=True, backwards=True),
        plain,
        Wiring(("left_torque",), turned=True),
        Wiring(drives=-1, exchanged=True),
        Wiring(turned=True, refutes=("a",)),
    ]
    assert all(one.rank < other.rank for one, other in pairwise(ranked))


TIME = np.arange(0.0, 120.0, 0.5)


def slip(at: np.ndarray) -> np.ndarray:
    return np.where(np.sin(at / 7.0) > 0.0, 1.0, -1.0)


@pytest.mark.parametrize("ahead", [4.0, -4.0, 2.5, 0.5])
def test_a_clock_s_offset_is_the_shift_that_makes_all_hold_back(ahead: float) -> None:
    """Whatever the order of the cells; slip turns every 22 s."""
    direction, difference = slip(TIME - ahead), -80.0 * slip(TIME)
    found = clock_offset(TIME, direction, difference, 1.0)
    assert found == pytest.approx(ahead, abs=0.26)
    mixed = np.random.default_rng(2).permutation(TIME.size)
    assert clock_offset(TIME[mixed], direction[mixed], difference[mixed], 1.0) == found


def test_no_shift_explains_what_drives_too_much_or_for_ever() -> None:
    """Six tenths hold back as it is, and 97 hundredths at the best shift of up to a quarter of the run."""
    assert clock_offset(TIME, slip(TIME - 9.0), -80.0 * slip(TIME), 1.0) is None
    never = np.where(
        np.arange(TIME.size) % 20 == 0, -1.0, 1.0
    )  # a twentieth drives, wherever it is shifted to
    ones = np.ones(TIME.size)
    assert clock_offset(TIME, ones, -80.0 * never, 1.0) is None
    seldom = np.where(np.arange(TIME.size) % 40 == 0, -1.0, 1.0)
    assert clock_offset(TIME, ones, -80.0 * seldom, 1.0) is not None
    assert clock_offset(TIME[:3], ones[:3], -80.0 * ones[:3], 1.0) is None
    # of a hundred cells that a shift of one step leaves three drive: 97 are just enough, 96 of 99 are not
    for many, told in ((3, True), (4, False)):
        middle = np.where(np.isin(np.arange(101), np.arange(48, 48 + many)), 80.0, -80.0)
        assert (clock_offset(TIME[:101], ones[:101], middle, 1.0) is not None) is told


def apart(ahead: float) -> list[Any]:
    time = np.arange(0.0, 120.0, 0.1)
    cells: Any = SimpleNamespace(time=time, direction=slip(time - ahead))
    return clocks_seconds_apart(cells, -80.0 * slip(time), noise=1.0, file="a.csv")


def test_clocks_are_told_apart_from_three_tenths_of_a_second_on() -> None:
    """Where more than 1.5 % drives: at the begin, and wherever the slip turns, five times in 120 s."""
    assert apart(0.3) == []
    (told,) = apart(0.7)
    assert (told.name, told.severity, told.where) == ("clocks apart", "caveat", "a.csv")
    assert told.evidence == (
        # seven cells at the begin less one at its end, and seven each of five times, of 1200
        "3.4 % of the torque difference drives instead of holding back, and next to none if the clock of the "
        "speeds is 0.7 s ahead of that of the torques."
    )
    (behind,) = apart(-0.7)
    assert "0.7 s behind that" in behind.evidence


OUTPUT_NAMES = ("left_torque", "right_torque")


def mend_of(rig: Any, *found: Wiring, others: tuple[str, ...] = (), offset: float | None = None) -> str:
    """What to do, of readings that these wirings would explain."""
    error = WiringError(
        rig, "readings that cannot be", found, file="a.csv", key="channel", others=others, offset=offset
    )
    (fault,) = error.faults
    assert (fault.what, fault.place.file, fault.place.key) == ("readings that cannot be", "a.csv", "channel")
    return str(fault.mend)


@pytest.fixture
def both(rig_of: Callable[..., Rig]) -> Rig:
    """Both outputs, whose columns have names of their own; the right torque counts the other way."""
    return rig_of(
        left_torque={"column": "M1"}, right_torque={"column": "M2", "sign": -1}, left_speed={"column": "n1"},
        right_speed={"column": "n2"},
    )  # fmt: skip


def test_each_wiring_is_told_with_its_lines(both: Rig) -> None:
    """The columns to exchange, with the sign that goes with them; the sign to set, which is the other one."""
    assert mend_of(both, Wiring(exchanged=True)) == (
        'left and right are swapped (exchange the columns of left_torque and right_torque: column = "M2", '
        'sign = -1 in [channel.left_torque], column = "M1", sign = 1 in [channel.right_torque])'
    )
    assert mend_of(both, Wiring(("right_torque",))) == (
        "the sign of right_torque is reversed (set sign = 1 in [channel.right_torque])"
    )
    assert mend_of(both, Wiring(OUTPUT_NAMES)) == (
        "all torques count the other way, as reactions do (set sign = -1 in [channel.left_torque] and "
        "sign = 1 in "
        '[channel.right_torque], or outputs = "reaction" at the top of the rig)'
    )
    assert mend_of(both, Wiring(turned=True)) == (
        'left and right are swapped (exchange the columns of left_speed and right_speed: column = "n2" in '
        '[channel.left_speed], column = "n1" in [channel.right_speed])'
    )
    assert mend_of(both, Wiring(turned=True, backwards=True)) == (
        "both speeds count backwards, as their sum does (set sign = -1 in [channel.left_speed] and sign = "
        "-1 in "
        "[channel.right_speed])"
    )
    assert mend_of(both, Wiring(("left_torque",), exchanged=True)).count(", and the sign of left_torque") == 1


def test_a_wiring_of_other_channels_is_told_by_those(rig_of: Callable[..., Rig]) -> None:
    """A speed difference by its sign, one speed by its name, a measured output by its side."""
    slip = rig_of(left_torque={}, right_torque={}, speed_difference={"sign": -1})
    assert mend_of(slip, Wiring(turned=True)) == (
        "left and right are swapped (the sign of speed_difference: set sign = 1 in "
        "[channel.speed_difference])"
    )
    for own, other in (("left", "right"), ("right", "left")):
        one = rig_of(left_torque={}, right_torque={}, case_speed={}, **{f"{own}_speed": {}})
        assert mend_of(one, Wiring(turned=True)) == (
            f"left and right are swapped (name [channel.{own}_speed] {other}_speed)"
        )
        single = rig_of("input-and-one-output", input_torque={}, speed_difference={}, **{f"{own}_torque": {}})
        assert mend_of(single, Wiring(turned=True)).endswith(
            f"; or name the measured output the other side: [channel.{other}_torque] for "
            f"[channel.{own}_torque])"
        )
        assert mend_of(single, Wiring(exchanged=True)).startswith(
            "both torques are swapped (exchange the columns"
        )
        both_of_it = mend_of(single, Wiring(("input_torque", f"{own}_torque")))
        assert both_of_it.startswith("all torques count the other way, as reactions do (set sign = -1 in ")
        assert "outputs =" not in both_of_it


def test_several_wirings_are_numbered_with_what_speaks_for_them(both: Rig) -> None:
    """And what would settle it: drive and coast where all torques may be reversed, and which pair is
    swapped."""
    first = Wiring(OUTPUT_NAMES, drives=1, supports=("the ramps agree",))
    second = Wiring(exchanged=True, drives=-1, refutes=("the sum speaks against it",))
    third = Wiring(turned=True)
    told = mend_of(both, first, second, third)
    assert told.startswith("likeliest first: (1) all torques count the other way")
    assert "[the ramps agree, the sweep would go further in drive]; or (2) left and right" in told
    assert "[the sum speaks against it, the sweep would go further in coast]; or (3) left" in told
    assert told.endswith(
        "Drive and coast hang on which it is: load the unit in drive and see whether the torques then read "
        "positive, or record input_torque, or state both ramp angles in the build sheet"
    )
    # where both pairs may be swapped, and no torque is reversed
    told = mend_of(both, Wiring(exchanged=True), third)
    assert told.endswith(
        "Which pair is swapped: turn one output by hand, and see whose torque and speed read (either "
        "gives the "
        "same numbers)"
    )
    assert "[" not in told.partition("column")[0]
    # what is refuted does not remain, unless all are
    told = mend_of(both, replace(first, refutes=("no",)), Wiring(exchanged=True), third)
    assert "Drive and coast hang" not in told
    assert "Which pair is swapped" in told
    told = mend_of(both, replace(first, refutes=("no",)), replace(third, refutes=("no",)))
    assert "Drive and coast hang" in told
    # as far in drive in both: that tells nothing
    told = mend_of(both, replace(first, supports=()), Wiring(exchanged=True, drives=1))
    assert "further in" not in told


def test_a_clock_and_other_arrangements_are_named_beside(both: Rig) -> None:
    """The clock first, arrangements last; without anything, what else to look at."""
    told = mend_of(both, Wiring(exchanged=True), others=("the column holds the input torque",), offset=-2.54)
    assert told.startswith(
        "likeliest first: (1) the clock of the speeds is some 2.5 s behind that of the torques (two "
        "loggers: shift "
        "one column of times by that, and join both again); or (2) left and right are swapped"
    )
    assert "; or (3) the column holds the input torque." in told
    assert mend_of(both, offset=2.54).startswith("the clock of the speeds is some 2.5 s ahead of that")
    assert mend_of(both).startswith("no swap or sign explains it: check which column is which")


def test_a_sheet_s_ramps_rank_the_wirings(both: Rig) -> None:
    """More than half way to what it states they agree, as far the other way they speak against it."""
    sheet = ramps(45.0, 60.0)
    agrees, against = flanks(0.3 * 3.0**0.26, 0.3), flanks(0.3, 0.3 * 3.0**0.26)
    neither = flanks(0.3 * 3.0**0.24, 0.3)
    found = (
        Wiring(OUTPUT_NAMES, flanks=against),
        Wiring(turned=True, flanks=neither),
        Wiring(exchanged=True, flanks=agrees),
    )
    error = WiringError(
        both, "so", found, file="a.csv", key="channel", others=("and",), offset=1.0
    ).with_sheet(sheet)
    assert [(one.exchanged, one.turned, one.supports, one.refutes) for one in error.found] == [
        (True, False, ("the ramps of the build sheet agree",), ()),
        (False, True, (), ()),
        (False, False, (), ("the ramps of the build sheet speak against it",)),
    ]
    assert (error.others, error.offset, error.file, error.key) == (("and",), 1.0, "a.csv", "channel")


def exchanged(rig: Rig, drive: float = 0.3, coast: float = 0.55) -> str:
    """What is said of a sweep that climbs so, beside ramps of 45 deg in drive and 60 in coast."""
    torque = np.concatenate([np.linspace(0.0, 600.0, 300), np.linspace(0.0, -600.0, 300)])
    locking = 80.0 + np.where(torque > 0.0, drive, -coast) * torque
    run: Any = SimpleNamespace(
        kind="bias-sweep", name="a.csv", input_torque=torque, locking=locking, input_slope=np.sign(torque)
    )
    with pytest.raises(RecordingError) as caught:
        check_flanks(ramps(45.0, 60.0), rig, [run])
    (fault,) = caught.value.faults
    assert fault.what == (
        f"drive and coast are exchanged: locking torque climbs by {drive:.3g} of the input torque in "
        f"drive and by "
        f"{coast:.3g} in coast, and the build sheet's ramps (45 deg drive, 60 deg coast, from the plane "
        f"of rotation) "
        "would do it the other way round"
    )
    return str(fault.mend)


def test_exchanged_flanks_name_the_wiring_and_the_ring(both: Rig, rig_of: Callable[..., Rig]) -> None:
    """The wiring first, unless a recorded input torque settles it."""
    wired = (
        "the torques are wired so (exchange the columns of both torques and reverse both signs: column = "
        '"M2", sign = 1 in [channel.left_torque], column = "M1", sign = -1 in [channel.right_torque])'
    )
    sheet = (
        "the ring sits the other way round (exchange drive_angle and coast_angle in the build sheet), or "
        "the angles "
        'are from the axis (write angle_from = "axis" there, or take it out if they are not)'
    )
    assert exchanged(both) == (
        f"either {wired}; or {sheet}. Load the unit in drive: where the input torque then comes out "
        f"negative, it is "
        "the wiring"
    )
    beside = rig_of(
        left_torque={"column": "M1"}, right_torque={"column": "M2", "sign": -1}, left_speed={},
        right_speed={}, input_torque={},
    )  # fmt: skip
    assert exchanged(beside) == (
        f"either {sheet}; or {wired}. The recorded input torque agrees with the outputs, so look at the "
        f"ring first"
    )
    single = rig_of(
        "input-and-one-output", input_torque={}, left_torque={"sign": -1}, left_speed={}, right_speed={}
    )
    told = exchanged(single)
    assert "(reverse both signs and exchange the speeds: sign = " in told
    assert "sign = -1 in [channel.input_torque]" in told
    assert "sign = 1 in [channel.left_torque]" in told


@pytest.mark.parametrize(("angle", "refused"), [(0.49, False), (0.51, True)])
def test_flanks_are_exchanged_from_half_way_on(angle: float, refused: bool, both: Rig) -> None:
    """Of ln √3 between both thrusts so much the other way."""
    coast = 0.3 * 3.0 ** (0.5 * angle)
    if refused:
        exchanged(both, 0.3, coast)
        return
    torque = np.concatenate([np.linspace(0.0, 600.0, 300), np.linspace(0.0, -600.0, 300)])
    locking = 80.0 + np.where(torque > 0.0, 0.3, -coast) * torque
    run: Any = SimpleNamespace(
        kind="bias-sweep", name="a", input_torque=torque, locking=locking, input_slope=np.sign(torque)
    )
    check_flanks(ramps(45.0, 60.0), both, [run])
