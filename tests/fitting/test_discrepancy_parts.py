"""What the search for a discrepancy is made of: numbers of places, clocks, roots and sizes, each by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm, t

from diffbench.fitting import departures
from diffbench.fitting import discrepancy as room
from diffbench.fitting.discrepancy import (
    AMPLITUDES,
    LENGTHS,
    Bins,
    Sizes,
    _at_the_end,
    _clock,
    _misfit,
    _numbered,
    _root,
    _usual_lengths,
    by_other_cycles,
    covariance_with,
    drift_of,
    expected,
    law_of,
    noise_of,
    odd_of,
    sized,
)

Array = NDArray[np.float64]


def test_rows_of_whole_numbers_are_one_number_each() -> None:
    """Alike where all columns are, in the order of the columns: 2 and 3, -1 to 1, no and yes."""
    first, second = np.array([2.0, 3.0, 2.0, 3.0, 2.0]), np.array([-1, 1, 0, -1, -1])
    third = np.array([False, True, True, False, True])
    assert _numbered(first, second, third).tolist() == [0, 11, 3, 6, 1]
    assert _numbered(second).tolist() == [0, 2, 1, 0, 0]


def test_the_clock_of_a_visit_runs_on_from_run_to_run() -> None:
    """Three seconds of the first run and one of the second, as shares of four; another visit has its own. A
    visit of one moment stands still."""
    visit = np.array([0, 0, 0, 0, 1, 1, 1, 2])
    run = np.array([0, 0, 1, 1, 2, 2, 2, 3])
    time = np.array([5.0, 8.0, 100.0, 101.0, 7.0, 9.0, 15.0, 3.0])
    assert _clock(visit, run, time) == pytest.approx([0.0, 0.75, 0.75, 1.0, 0.0, 0.25, 1.0, 0.0])


def test_a_root_has_no_column_for_what_is_nothing() -> None:
    """Columns whose outer product is the covariance; of rank two, two."""
    columns = np.array([[1.0, 0.2], [-0.5, 3.0], [0.3, 0.7]])
    covariance = columns @ columns.T
    root = _root(covariance)
    assert root.shape == (3, 2)
    assert root @ root.T == pytest.approx(covariance)
    assert _root(np.zeros((3, 3))).shape == (3, 0)
    assert _root(np.diag([4.0, 1e-11])).shape == (2, 2)
    assert _root(np.diag([4.0, 1e-12])).shape == (2, 1)


def test_a_misfit_is_that_of_repeats_or_of_what_is_smooth() -> None:
    """Three settings of two cycles each: 4.84 over 2 unknown means and 0.06 over 3 degrees of freedom, as the
    e-handbook has it; one and the mean of what is smooth where that is more, and where nothing repeats; never
    less than what is suspicious."""
    apart = np.array([1.0, 1.2, -1.0, -1.2, 0.1, -0.1])
    bins: Any = SimpleNamespace(apart=apart, setting=np.array([0, 0, 1, 1, 2, 2]))

    def candidate(*fixed: bool) -> Any:
        return SimpleNamespace(names=SimpleNamespace(unknowns=[SimpleNamespace(fixed=one) for one in fixed]))

    none = np.zeros(6)
    assert _misfit(bins, candidate(False, True), none) == pytest.approx(4.84 / 2.0 / (0.06 / 3.0))
    # more unknowns than settings tell apart: one setting less than there are
    assert _misfit(bins, candidate(*[False] * 7), none) == pytest.approx(4.84 / (0.06 / 3.0))
    missed = np.array([800.0, 0.0, 400.0, 0.0, 0.0, 0.0])
    assert _misfit(bins, candidate(False), missed) == pytest.approx(201.0)
    once: Any = SimpleNamespace(apart=apart, setting=np.arange(6))
    assert _misfit(once, candidate(False), missed) == pytest.approx(201.0)
    assert _misfit(once, candidate(False), none) == 2.1
    level: Any = SimpleNamespace(apart=np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0]), setting=bins.setting)
    assert _misfit(level, candidate(False), none) == 2.1


def test_how_far_a_unit_stands_from_its_mean_at_the_end() -> None:
    """A drift of 2 % that is alike over 0.35 of a visit, seen by two bins of the last visit and one of the
    first, whose inverse covariance is diagonal: by kriging, value and the doubt that is left."""
    bins: Any = SimpleNamespace(
        time=np.array([0.3, 0.65, 1.0]), locking=np.array([50.0, 60.0, 80.0]), visit=np.array([0, 1, 1])
    )
    inverse = np.array([0.9, 0.11, 0.12])
    posterior: Any = SimpleNamespace(
        without=lambda columns: inverse * columns, explained=np.array([7.0, 0.3, 0.5])
    )
    sizes = Sizes(law=0.004, lengths=(0.6, 1.6, 18.0), drift=0.02, bin=0.1, cycle=0.1)
    towards = 4e-4 * np.array([0.0, 60.0 * math.exp(-0.5), 80.0])
    ended, doubt = _at_the_end(bins, posterior, sizes)
    assert ended == pytest.approx(towards[1] * 0.3 + towards[2] * 0.5)
    assert doubt == pytest.approx(math.sqrt(4e-4 - 0.11 * towards[1] ** 2 - 0.12 * towards[2] ** 2))
    other, _ = _at_the_end(bins, posterior, sizes, np.array([1.0, -2.0, 1.0]))
    assert other == pytest.approx(towards[2] - 2.0 * towards[1])
    assert _at_the_end(bins, posterior, replace(sizes, drift=0.0)) == (0.0, 0.0)
    # more than all that is unknown cannot be told
    sure: Any = SimpleNamespace(without=lambda columns: 1e6 * columns, explained=np.zeros(3))
    assert _at_the_end(bins, sure, sizes) == (0.0, 0.0)


def test_a_law_that_misses_is_as_doubtful_as_if_that_were_noise() -> None:
    """Columns of what it leaves out; beyond a misfit of one as many times the noise more, without what is
    none."""
    made: list[dict[str, Any]] = []

    def covariance(**given: Any) -> Any:
        made.append(given)
        return SimpleNamespace(noise=np.array([[4.0, 2.0], [2.0, 1.0]]))  # of rank one: 5 along (2, 1)/√5

    candidate: Any = SimpleNamespace(covariance=covariance)
    columns, cells = np.array([[0.3], [0.1]]), np.array([1.0, 2.0])
    left: Any = SimpleNamespace(columns=columns, misfit=1.0, cells=cells)
    covariance_with(candidate, left)
    (given,) = made
    source, told = given["left_out"]
    assert (source, given["explained"] is cells) == ("what the law leaves out", True)
    assert told == pytest.approx(columns)
    left.misfit = 3.5
    covariance_with(candidate, left)
    told = made[-1]["left_out"][1]
    assert told.shape[1] >= 2
    assert told @ told.T == pytest.approx(columns @ columns.T + 2.5 * np.array([[4.0, 2.0], [2.0, 1.0]]))
    covariance_with(candidate, None)
    assert made[-1] == {}


def narrow(value: float, at: float, width: float = 0.05) -> float:
    """Logarithm of a chance that falls quickly away from one value."""
    return -0.5 * (math.log(max(value, 1e-12) / at) / width) ** 2


def bins_of(apart: Array, **parts: Any) -> Bins:
    """Bins whose apart and locking torques alone count."""
    n = apart.size
    plain = {
        "locking": np.full(n, 80.0), "place": np.zeros((n, 4)), "jacobian": np.zeros((n, 1)),
        "white": np.full(n, 0.01), "count": np.full(n, 5.0), "visit": np.zeros(n, dtype=np.int64),
        "cycle": np.arange(n), "setting": np.arange(n), "direction": np.tile([1.0, -1.0], n)[:n],
        "time": np.linspace(0.0, 1.0, n), "of_cell": np.zeros(0, dtype=np.int64),
    }  # fmt: skip
    return Bins(apart=apart, **{**plain, **parts})


def searched(monkeypatch: pytest.MonkeyPatch, bins: Bins, likely: Any) -> Sizes:
    """What is found where a bench says so much of sizes, whatever was expected of them."""

    class Told:
        def __init__(self, _: Bins, __: Any, sizes: Sizes) -> None:
            self.likelihood = likely(sizes) - expected(sizes)

    monkeypatch.setattr(room, "Posterior", Told)
    return sized(bins, SimpleNamespace())  # type: ignore[arg-type]


def test_sizes_are_where_a_bench_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each noise by steps of 1.6 about the residual's median; law and drift as root mean square and lengths
    as geometric mean of what is left likely."""
    apart = np.array([0.4, -0.5, 0.6, 0.5, -0.3, 0.5])
    noises = 0.5 * 1.6 ** np.arange(-6, 3)
    drifts = AMPLITUDES[2:12]

    def likely(sizes: Sizes) -> float:
        return (
            narrow(sizes.bin, noises[2]) + narrow(sizes.cycle, noises[7]) + narrow(sizes.odd, noises[1])
            + narrow(sizes.law, math.sqrt(AMPLITUDES[8] * AMPLITUDES[9]), 0.3)
            + narrow(sizes.drift, math.sqrt(drifts[4] * drifts[5]), 0.3)
            + narrow(sizes.lengths[0], 0.3) + narrow(sizes.lengths[1], math.sqrt(1.6 * 4.0), 0.5)
            + narrow(sizes.lengths[2], 7.0)
        )  # fmt: skip

    found = searched(monkeypatch, bins_of(apart), likely)
    assert (found.bin, found.cycle, found.odd) == pytest.approx((noises[2], noises[7], noises[1]))

    def weighed(values: Array, at: float, width: float) -> Array:
        weights = np.exp([narrow(value, at, width) for value in values])
        return np.asarray(weights / weights.sum())

    of_law = weighed(AMPLITUDES, math.sqrt(AMPLITUDES[8] * AMPLITUDES[9]), 0.3)
    assert found.law == pytest.approx(math.sqrt(of_law @ AMPLITUDES**2))
    of_drift = weighed(drifts, math.sqrt(drifts[4] * drifts[5]), 0.3)
    assert found.drift == pytest.approx(math.sqrt(of_drift @ drifts**2))
    of_speed = weighed(LENGTHS[1], math.sqrt(1.6 * 4.0), 0.5)
    assert found.lengths == pytest.approx((0.3, math.exp(of_speed @ np.log(LENGTHS[1])), 7.0))
    # neither a drift nor what differs from cycle to cycle, if a bench says so
    steady = searched(
        monkeypatch, bins_of(apart), lambda sizes: -1e6 * (sizes.drift + sizes.cycle + sizes.odd)
    )
    assert (steady.cycle, steady.odd) == (0.0, 0.0)
    assert steady.drift == pytest.approx(0.0, abs=1e-9)
    # slip one way round turns nothing
    one_way = bins_of(apart, direction=np.ones(6))
    assert searched(monkeypatch, one_way, likely).odd == 0.0


def test_a_bench_that_is_met_misses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Root mean square of the bins over their locking torque: up to 0.07 % the least size stands, and neither
    drift nor what turns with slip."""

    def likely(sizes: Sizes) -> float:
        drift, odd = narrow(sizes.drift, AMPLITUDES[5]), narrow(sizes.odd, 0.1, 0.5)
        return narrow(sizes.law, AMPLITUDES[9]) + drift + odd

    for share, missed in ((0.99, False), (1.01, True)):
        apart = 80.0 * 7e-4 * share * np.array([math.sqrt(1.5), -math.sqrt(0.5), 1.0, -1.0])
        found = searched(monkeypatch, bins_of(apart), likely)
        if missed:
            assert found.law == pytest.approx(AMPLITUDES[9], rel=0.01)
            assert found.drift == pytest.approx(AMPLITUDES[5], rel=0.01)
        else:
            assert (found.law, found.drift, found.odd) == (7e-4, 0.0, 0.0)


def test_usual_lengths_are_geometric_means() -> None:
    """Of what each length leaves likely beside the other two."""
    now = Sizes(law=0.004, lengths=(0.6, 1.6, 18.0), drift=0.0, bin=0.1, cycle=0.1)
    said = {0: [0.0, 1.0, 2.0, 0.5], 1: [3.0, 3.0, 1.0], 2: [-5.0, 0.0, 0.5]}

    def likely(sizes: Sizes) -> float:
        moved = [i for i in range(3) if sizes.lengths[i] != now.lengths[i]]
        assert len(moved) <= 1
        table = {
            (i, value): chance
            for i, chances in said.items()
            for value, chance in zip(LENGTHS[i].tolist(), chances, strict=True)
        }
        return sum(table[i, value] for i, value in enumerate(sizes.lengths))

    for i, found in enumerate(_usual_lengths(now, likely)):
        weights = np.exp(said[i])
        assert found == pytest.approx(float(np.prod(LENGTHS[i] ** (weights / weights.sum()))))


def ten_cycles(shape: Array, *, noise: float = 0.05) -> Bins:
    """Ten cycles of four places, each of which has ``shape`` (4,) and a noise of its own."""
    rng = np.random.default_rng(4)
    cycles = 10
    place = np.tile(
        np.stack([np.array([-0.5, 0.1, 0.4, 0.9]), np.array([0.0, 1.0, 0.0, 1.0]), np.full(4, 1.2),
                  np.array([50.0, 55.0, 60.0, 70.0])], axis=1), (cycles, 1),
    )  # fmt: skip
    n = 4 * cycles
    return bins_of(
        np.tile(shape, cycles) + rng.normal(0.0, noise, n),
        place=place,
        jacobian=np.stack([np.ones(n), np.abs(place[:, 0])], axis=1),
        white=np.full(n, noise**2),
        cycle=np.repeat(np.arange(cycles), 4),
        setting=np.tile(np.arange(4), cycles),
        direction=np.repeat(np.tile([1.0, -1.0], 5), 4),
    )


@pytest.mark.parametrize("drift", [0.0, 0.004])
def test_other_cycles_by_dense_algebra(drift: float) -> None:
    """Every fifth cycle is told by the others: mean and variance of a normal with the unknowns' own part in
    its covariance; how much larger the squares are than they say, and whether they beat the law alone."""
    unknowns = [SimpleNamespace(fixed=False, considered=False, prior_u=0.0)] * 2
    known = np.array([0.9, 0.4])
    candidate: Any = SimpleNamespace(
        names=SimpleNamespace(unknowns=unknowns, precision=1.0 / known**2, prior=np.zeros(2)), x=np.zeros(2)
    )
    sizes = Sizes(law=0.006, lengths=(0.6, 1.6, 18.0), drift=drift, bin=0.02, cycle=0.03, odd=0.02)
    shape = np.array([0.6, -0.5, 0.7, -0.4])
    for planted, larger in ((shape, None), (np.zeros(4), 1.0)):
        bins = ten_cycles(planted)
        lasting = law_of(bins, sizes) + drift_of(bins, sizes) + odd_of(bins, sizes)
        prior = bins.jacobian @ np.diag(known**2) @ bins.jacobian.T
        noise = noise_of(bins, sizes)
        alone = odd_of(bins, sizes)
        part = bins.cycle % 5
        squares, plain = np.zeros(40), np.zeros(40)
        for fold in range(5):
            seen, new = np.flatnonzero(part != fold), np.flatnonzero(part == fold)
            both = np.ix_(seen, seen)
            inverse = np.linalg.inv((noise + lasting + prior)[both])
            told = (lasting + prior)[np.ix_(new, seen)] @ inverse @ bins.apart[seen]
            unknown = (
                lasting[np.ix_(new, new)] - lasting[np.ix_(new, seen)] @ inverse @ lasting[np.ix_(seen, new)]
            )
            weight = np.diag(noise)[new] + np.maximum(np.diag(unknown), 0.0)
            by_law = prior[np.ix_(new, seen)] @ np.linalg.solve(
                (noise + alone + prior)[both], bins.apart[seen]
            )
            squares[new] = (bins.apart[new] - told) ** 2 / weight
            plain[new] = (bins.apart[new] - by_law) ** 2 / weight
        won = np.minimum(plain, 9.0) - np.minimum(squares, 9.0)
        by_cycle = won.reshape(10, 4).sum(axis=1)
        better = (
            won.sum() > math.sqrt(10) * np.std(by_cycle, ddof=1)
            and np.median(won.reshape(10, 4).sum(axis=0)) > 0
        )
        told_better, told_larger = by_other_cycles(bins, candidate, sizes)
        assert told_better is bool(better) is (larger is None)
        assert told_larger == pytest.approx(max(squares.mean(), 1.0), rel=1e-4)
    four = ten_cycles(shape).some(np.arange(16))
    assert by_other_cycles(four, candidate, sizes) == (False, 1.0)


def test_some_bins_are_those_rows_alone() -> None:
    """Of every column, without their cells."""
    bins = ten_cycles(np.ones(4))
    kept = np.array([7, 2, 30])
    some = bins.some(kept)
    for name in ("apart", "place", "jacobian", "cycle", "direction", "time"):
        assert np.array_equal(getattr(some, name), getattr(bins, name)[kept])
    assert some.of_cell.size == 0


TORQUES = (-200.0, 0.0, 100.0, 400.0)


def of_cells(
    monkeypatch: pytest.MonkeyPatch, data_of: Any, *, cycles: int = 4, each: int = 4, **given: Any
) -> Any:
    """A form as if fitted, with so many cells at each of four torques, in cycles of which the second half
    unloads; the residual's steps between neighbours are 0.4 N·m."""
    n = cycles * 4 * each
    torque = np.tile(np.repeat(TORQUES, each), cycles)
    rng = np.random.default_rng(3)
    cells = {
        "input_torque": torque, "stretch": 2 * np.repeat(np.arange(cycles), 4 * each),
        "speed_difference": np.full(n, 4.0), "direction": np.ones(n), "visit": np.zeros(n, dtype=np.int64),
    }  # fmt: skip
    data = data_of(cells=n, **{**cells, **given})
    residual = rng.normal(0.0, 1.0, n).round(3)
    sensitivities = rng.normal(size=(n, 2))
    used = np.ones(n, dtype=bool)
    unloading = np.repeat(np.arange(cycles) % 2 == 1, 4 * each)
    monkeypatch.setattr(room, "loading_of", lambda _: ~unloading)
    made = SimpleNamespace(
        model=SimpleNamespace(
            data=data,
            locking=lambda _: 60.0 + 0.1 * np.abs(torque) + 0.01 * np.arange(n),
            plate_temperature=lambda _: 50.0 + 0.1 * np.arange(n),
        ),
        x=np.zeros(2), used=used, residual=residual, noise=SimpleNamespace(sigma=np.full(n, 0.7)),
    )  # fmt: skip
    made.sensitivities = lambda: sensitivities[made.used]
    made.columns = sensitivities
    return made


def test_bins_are_means_over_the_cells_of_one_cycle_and_setting(
    monkeypatch: pytest.MonkeyPatch, data_of: Any
) -> None:
    """Four cycles of four torques, four cells each: every column by its mean over them; noise by the median
    of squared steps between neighbours of one bin, over the cells of a bin."""
    made = of_cells(monkeypatch, data_of)
    bins = room.binned(made)
    assert bins is not None
    assert bins.count.tolist() == [4.0] * 16
    order = np.lexsort((bins.place[:, 0], bins.cycle))  # by cycle and torque, as the cells are

    def mean(values: Array) -> Array:
        return np.asarray(values.reshape(16, 4).mean(axis=1))

    cell = np.arange(64)
    torque = np.tile(TORQUES, 4)
    assert bins.apart[order] == pytest.approx(mean(-made.residual))
    assert bins.locking[order] == pytest.approx(60.0 + 0.1 * np.abs(torque) + 0.01 * mean(cell))
    assert bins.place[order] == pytest.approx(
        np.stack(
            [
                torque / 400.0,
                np.repeat([0.0, 1.0, 0.0, 1.0], 4),
                np.full(16, math.log(4.0)),
                50.0 + 0.1 * mean(cell),
            ],
            axis=1,
        )
    )
    for column in range(2):  # of the locking torque: the residual's, turned round, times its noise
        assert bins.jacobian[order, column] == pytest.approx(0.7 * mean(made.columns[:, column]))
    steps = np.concatenate([np.diff(part) for part in made.residual.reshape(16, 4)])
    assert bins.white == pytest.approx(np.full(16, 0.5 * np.median(steps**2) / 0.4549 / 4.0))
    assert np.unique(bins.cycle).size == 4
    assert np.unique(bins.setting).size == 8  # four torques, loading and unloading
    assert bins.time[order] == pytest.approx(mean(cell / 63.0))
    assert bins.of_cell.reshape(16, 4).tolist() == [[place] * 4 for place in np.argsort(order)]
    # slip the other way round turns the sign of what is apart, and is a setting of its own
    other = of_cells(monkeypatch, data_of, direction=np.where(np.arange(64) < 16, -1.0, 1.0))
    turned = room.binned(other)
    assert turned is not None
    order = np.lexsort((turned.place[:, 0], turned.cycle))
    assert turned.apart[order][:4] == pytest.approx(mean(other.residual)[:4])
    assert turned.direction[order].tolist() == [-1.0] * 4 + [1.0] * 12
    assert turned.jacobian[order, 0][:4] == pytest.approx(-0.7 * mean(other.columns[:, 0])[:4])
    assert np.unique(turned.setting).size == 12


def test_what_is_no_bin(monkeypatch: pytest.MonkeyPatch, data_of: Any) -> None:
    """Cells that are not used; of fewer than three; of too few bins; finely, single cells count."""
    made = of_cells(monkeypatch, data_of)
    made.used[[5, 17, 18]] = False  # one of the second bin, two of the fifth
    bins = room.binned(made)
    assert bins is not None
    assert sorted(bins.count.tolist()) == [3.0] + [4.0] * 14
    assert bins.of_cell.size == 61
    assert (bins.of_cell == -1).sum() == 2  # what is left of the fifth
    fine = room.binned(made, finely=True)
    assert fine is not None
    assert sorted(fine.count.tolist()) == [2.0, 3.0] + [4.0] * 14
    for cycles, told in ((3, True), (2, False)):
        assert (room.binned(of_cells(monkeypatch, data_of, cycles=cycles)) is not None) is told
    few = of_cells(monkeypatch, data_of, each=3)
    few.used[23:] = False
    assert room.binned(few) is None
    still = of_cells(monkeypatch, data_of, friction_state=np.ones(64, dtype=np.int64))
    assert room.binned(still) is None


def test_bins_part_by_speed_run_and_nearness_to_zero(monkeypatch: pytest.MonkeyPatch, data_of: Any) -> None:
    """Speeds that lie apart by more than a factor of two; runs; torques by their roots, so that 20 and 60 of
    400 N·m part finely and not coarsely."""
    n = 64
    speed = np.where(np.arange(n) % 2 == 0, 1.1, 2.9)
    bins = room.binned(of_cells(monkeypatch, data_of, each=8, cycles=2, speed_difference=speed))
    assert bins is not None
    assert bins.count.tolist() == [4.0] * 16
    assert sorted(np.unique(bins.place[:, 2].round(9))) == pytest.approx([math.log(1.1), math.log(2.9)])
    slow = np.where(
        np.arange(n) % 2 == 0, 1e-6, 0.02
    )  # nothing is slower than a fiftieth of a radian a second
    bins = room.binned(of_cells(monkeypatch, data_of, speed_difference=slow))
    assert bins is not None
    assert bins.count.tolist() == [4.0] * 16
    assert bins.place[:, 2] == pytest.approx(np.full(16, math.log(0.02)))
    run = np.repeat([0, 1], 32)
    bins = room.binned(of_cells(monkeypatch, data_of, run=run, stretch=np.tile(2 * np.repeat([0, 1], 16), 2)))
    assert bins is not None
    assert np.unique(bins.cycle).size == 4
    near = np.tile(np.repeat([20.0, 60.0, -400.0, 400.0], 4), 4)
    made = of_cells(monkeypatch, data_of, input_torque=near)
    coarse, fine = (room.binned(made, finely=finely) for finely in (False, True))
    assert coarse is not None
    assert fine is not None
    # roots of 0.22 and 0.39 are one of three levels, and two of eight
    assert sorted(coarse.count.tolist()) == [4.0] * 8 + [8.0] * 4
    assert sorted(fine.count.tolist()) == [4.0] * 16


def test_cycles_are_merged_until_there_are_few_enough_bins(
    monkeypatch: pytest.MonkeyPatch, data_of: Any
) -> None:
    """Of 70 cycles with four torques, every other one unloading, 280 bins are too many, and 280 of two cycles
    each are as many: three in one leave 23 times 8 and the last one's 4."""
    bins = room.binned(of_cells(monkeypatch, data_of, cycles=70, each=3))
    assert bins is not None
    assert (bins.count.size, np.unique(bins.cycle).size) == (188, 24)
    assert sorted(set(bins.count.tolist())) == [3.0, 6.0]
    fine = room.binned(of_cells(monkeypatch, data_of, cycles=70, each=3), finely=True)
    assert fine is not None
    assert (fine.count.size, np.unique(fine.cycle).size) == (280, 70)
    assert np.unique(fine.setting).size == 8


def one_form(known: Array, x: Array | None = None) -> Any:
    """A form of two unknowns that are known so well beforehand."""
    unknowns = [SimpleNamespace(fixed=False, considered=False, prior_u=0.0)] * known.size

    class Listed(SimpleNamespace):
        def __len__(self) -> int:
            return known.size

    names = Listed(unknowns=unknowns, precision=1.0 / known**2, prior=np.zeros(known.size), position={})
    return SimpleNamespace(names=names, x=np.zeros(known.size) if x is None else x)


def test_terms_by_dense_algebra(monkeypatch: pytest.MonkeyPatch) -> None:
    """The size of each by generalised least squares with the unknowns in the covariance; its doubt by that
    and by how the noise of single cycles scatters; the chance by whichever says more, and what it reaches of
    the locking torque beside the law. Terms that the law holds already are hidden."""
    bins = ten_cycles(np.array([0.6, -0.5, 0.7, -0.4]))
    n = bins.apart.size
    share = np.abs(bins.place[:, 0])
    ramp, follows = 90.0 * share, np.where(share > 0.2, 1.0, 0.98)
    seen = departures.Sight(bins, np.full(n, 50.0), ramp, follows, share, 400.0)
    monkeypatch.setattr(departures, "binned", lambda *_, finely: bins if finely else None)
    monkeypatch.setattr(departures, "sight", lambda *_: seen)
    known = np.array([0.9, 0.4])
    candidate = one_form(known)
    sizes = Sizes(law=0.006, lengths=(0.3, 4.0, 7.0), drift=0.004, bin=0.02, cycle=0.03, odd=0.02)
    left: Any = SimpleNamespace(sizes=sizes, state=SimpleNamespace(largest_Nm=400.0))
    found = departures.asked(candidate, left)
    quiet = replace(sizes, law=7e-4, lengths=(0.6, 1.6, 18.0), drift=0.0, odd=0.0)
    noise = noise_of(bins, quiet)
    plain = noise + law_of(bins, quiet)
    inverse = np.linalg.inv(plain + bins.jacobian @ np.diag(known**2) @ bins.jacobian.T)
    explained = inverse @ bins.apart
    cycles, hidden = np.repeat(np.arange(10), 4), []
    by_name = {score.departure.name: score for score in found.scores}
    for one in departures.DEPARTURES:
        column = one.column(seen)
        inside = float(column @ inverse @ column)
        if inside <= 1e-4 * float(column @ np.linalg.solve(plain, column)):
            hidden += [one.name] if column.any() else []
            assert one.name not in by_name
            continue
        score = by_name[one.name]
        size = float(column @ explained) / inside
        assert score.size == pytest.approx(size, rel=1e-4)
        by_noise = 1.0 / math.sqrt(inside)
        assert score.t == pytest.approx(size / by_noise, rel=1e-4)
        weight = inverse @ column / inside
        rest = noise @ (explained - size * (inverse @ column))
        parts = np.bincount(cycles, weight * rest)
        common = max(1.0 / inside - float(weight @ noise @ weight), 0.0)
        by_cycles = math.sqrt(float(parts @ parts) * 10.0 / 9.0 + common)
        assert score.u == pytest.approx(max(by_noise, by_cycles), rel=1e-4)
        chance = max(2.0 * norm.sf(abs(size) / by_noise), 2.0 * t.sf(abs(size) / by_cycles, 9))
        assert score.chance == pytest.approx(chance, rel=1e-2)
        # with priors the law takes up a part of a term: what is left of it, where it is none of time
        gain = np.diag(known**2) @ bins.jacobian.T @ inverse
        own = column if one.warms else column - bins.jacobian @ (gain @ column)
        assert score.reach == pytest.approx(np.max(np.abs(own) / bins.locking), rel=1e-4)
    assert list(found.hidden) == hidden
    assert found.freedom == 9
    chances = [(score.chance, -abs(score.t)) for score in found.scores]
    assert chances == sorted(chances)
    missed = float(bins.apart @ explained) - max(score.t**2 for score in found.scores)
    assert found.rest == pytest.approx(missed / (n - 2 - 1), rel=1e-4)
    assert found.limit == departures.threshold(np.stack([score.column for score in found.scores], axis=1))


def test_terms_that_are_not_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of unknowns that are in the fit already; of too few bins, or of fewer than six cycles."""
    bins = ten_cycles(np.array([0.6, -0.5, 0.7, -0.4]))
    given: dict[str, Any] = {"bins": bins}

    def sight(_: Any, some: Bins, largest: float) -> Any:
        share = np.abs(some.place[:, 0])
        ones = np.ones(some.apart.size)
        return departures.Sight(some, 50.0 * ones, 90.0 * share, ones, share, largest)

    monkeypatch.setattr(departures, "binned", lambda *_, finely: given["bins"])
    monkeypatch.setattr(departures, "sight", sight)
    candidate = one_form(np.array([0.9, 0.4]))
    sizes = Sizes(law=0.006, lengths=(0.3, 4.0, 7.0), drift=0.0, bin=0.02, cycle=0.03)
    left: Any = SimpleNamespace(sizes=sizes, state=SimpleNamespace(largest_Nm=400.0))
    every = {score.departure.name for score in departures.asked(candidate, left).scores}
    packs = {"packs apart in friction", "packs apart in spring"}
    assert packs <= every
    candidate.names.position = dict.fromkeys(("packs_apart_preload", "packs_apart_ramps"), 0)
    found = departures.asked(candidate, left)
    assert not packs & {*(score.departure.name for score in found.scores), *found.hidden}
    for count, asked in ((6, True), (5, False)):
        given["bins"] = bins.some(np.arange(4 * count))
        assert bool(departures.asked(candidate, left).scores) is asked
    given["bins"] = None
    assert departures.asked(candidate, left) == departures.Asked()


def test_how_unknowns_follow_what_bins_are_off_by() -> None:
    """By least squares over the cells, priors as rows more: the response to one bin that reads more."""
    rng = np.random.default_rng(8)
    cells, known = 12, np.array([0.5, np.inf, 0.3])
    columns = rng.normal(size=(cells, 3))  # of the residual, in a cell's noise
    sigma, inflation, direction = rng.uniform(0.5, 1.5, cells), 2.5, np.tile([1.0, -1.0, -1.0], 4)
    of_cell = np.array([0, 0, 1, 1, -1, 2, 2, 0, 1, 2, -1, 0])
    used = np.ones(cells, dtype=bool)
    unknowns = [SimpleNamespace(fixed=i == 3) for i in range(4)]

    class Listed(SimpleNamespace):
        def __len__(self) -> int:
            return 4

    candidate: Any = SimpleNamespace(
        names=Listed(unknowns=unknowns, precision=np.append(1.0 / known**2, 0.0)),
        noise=SimpleNamespace(sigma=sigma, inflation=inflation), used=used,
        sensitivities=lambda: np.column_stack([columns, np.ones(cells)]),
        model=SimpleNamespace(data=SimpleNamespace(direction=direction)),
    )  # fmt: skip
    bins: Any = SimpleNamespace(of_cell=of_cell, apart=np.zeros(3))
    found = room._response(candidate, bins)
    rows = np.vstack([columns / math.sqrt(inflation), np.diag(1.0 / known)])
    for one in range(3):
        # a locking torque that is one newton metre more lowers direction times the difference by as much
        off = np.where(of_cell == one, direction / sigma, 0.0) / math.sqrt(inflation)
        moved = np.linalg.lstsq(rows, np.append(off, np.zeros(3)), rcond=None)[0]
        assert found[:, one] == pytest.approx([*moved, 0.0])


def test_a_state_says_of_the_bins_what_the_bench_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of ten cycles at four places these are the centres. What the smooth term is at the bins, and how sure,
    is by one normal distribution with the unknowns' own part in it; the unknowns follow by their response.
    What turned with slip is doubt of theirs alone, what wandered is kept beside it, and where the unit ended
    is doubt of all places, together with what one fit leaves."""
    monkeypatch.setattr(room, "_at_the_end", lambda *_: (0.01, 0.02))
    monkeypatch.setattr(room, "_largest", lambda _: 400.0)
    bins = ten_cycles(np.array([0.6, -0.5, 0.7, -0.4]))
    known = np.array([0.9, 0.4])
    candidate = one_form(known)
    sizes = Sizes(law=0.006, lengths=(0.3, 4.0, 7.0), drift=0.004, bin=0.02, cycle=0.03, odd=0.02)
    respond = np.random.default_rng(3).normal(size=(2, 40))
    state = room._state(bins, candidate, sizes, room.Posterior(bins, candidate, sizes), respond, 0.03)
    law, odd, drift = (of(bins, sizes) for of in (law_of, odd_of, drift_of))
    inverse = np.linalg.inv(
        noise_of(bins, sizes) + law + odd + drift + bins.jacobian @ np.diag(known**2) @ bins.jacobian.T
    )
    explained = inverse @ bins.apart
    at = np.array(state.centres)
    assert sorted(map(tuple, at.tolist())) == sorted({tuple(one) for one in bins.place.tolist()})
    near = room.kernel(bins.place, at, sizes.law, sizes.lengths)
    mean, covariance = np.array(state.mean), np.array(state.covariance)
    assert bins.locking * (near @ mean[:4]) == pytest.approx(law @ explained, rel=1e-4)
    whole = law / np.outer(bins.locking, bins.locking)
    left = whole - (law @ inverse @ law) / np.outer(bins.locking, bins.locking)
    assert near @ covariance[:4, :4] @ near.T == pytest.approx(left, rel=1e-3, abs=1e-9)
    response = np.array(state.response)
    assert response[:, :4] @ mean[:4] == pytest.approx(respond @ law @ explained, rel=1e-4)
    turned = respond @ (odd - odd @ inverse @ odd) @ respond.T
    assert response[:, 4:] @ response[:, 4:].T == pytest.approx(turned, rel=1e-6)
    assert not mean[4:].any()
    assert np.array_equal(covariance[4:, 4:], np.eye(len(mean) - 4))
    assert not covariance[:4, 4:].any()
    assert state.since_response == pytest.approx((respond @ (drift + odd) @ explained).tolist(), rel=1e-6)
    assert (state.once, state.since) == pytest.approx((math.sqrt(0.03**2 + 0.02**2 + 0.01**2), 0.01))
    assert (state.largest_Nm, state.size, state.lengths) == (400.0, 0.006, (0.3, 4.0, 7.0))


def test_centres_stand_for_all_bins() -> None:
    """Each is the one least known by those before, by the conditional variance of a normal distribution;
    until nothing of all is less known than to a hundredth of the law's size, or there are 24."""
    rng = np.random.default_rng(6)
    place = np.column_stack(
        [
            rng.uniform(-0.5, 1.0, 60),
            rng.integers(0, 2, 60),
            rng.uniform(-1.0, 2.0, 60),
            rng.uniform(40.0, 80.0, 60),
        ]
    )
    for lengths, most in (((0.3, 1.0, 15.0), 24), ((3.0, 20.0, 300.0), 23)):
        sizes = Sizes(law=0.006, lengths=lengths, drift=0.0, bin=0.1, cycle=0.1)
        chosen = room._spread_out(place, sizes)
        whole = room.kernel(place, place, 0.006, lengths)

        def unknown(known: Array, whole: Array = whole) -> Array:
            if not known.size:
                return np.diag(whole)
            cross = whole[:, known]
            return np.asarray(np.diag(whole - cross @ np.linalg.solve(whole[np.ix_(known, known)], cross.T)))

        assert 2 < chosen.size <= most
        assert (chosen.size == 24) is (most == 24)
        for i in range(chosen.size):
            rest = unknown(chosen[:i])
            assert rest[chosen[i]] == pytest.approx(rest.max(), rel=1e-6)
            assert rest.max() > 1e-4 * 0.006**2
        if chosen.size < 24:
            assert unknown(chosen).max() <= 1.001e-4 * 0.006**2
    assert room._spread_out(place[:3], sizes).size <= 3


def test_the_largest_torque_is_of_sweeps_that_were_used() -> None:
    """Either way round; where all were without torque, one."""
    data = SimpleNamespace(
        input_torque=np.array([-50.0, 70.0, -90.0, 110.0]), sliding=np.array([True, True, False, True])
    )
    made: Any = SimpleNamespace(model=SimpleNamespace(data=data), used=np.array([True, True, True, False]))
    assert room._largest(made) == 70.0
    data.input_torque = np.array([-80.0, 70.0, -90.0, 110.0])
    assert room._largest(made) == 80.0
    data.input_torque = np.zeros(4)
    assert room._largest(made) == 1.0


def test_a_miss_is_told_by_its_size_and_where_it_is_largest() -> None:
    """Root mean square of what was found, as a share of the locking torque."""
    found = object.__new__(room.Discrepancy)
    object.__setattr__(found, "relative", np.array([0.003, -0.004, 0.0]))
    assert found.size == pytest.approx(math.sqrt(25e-6 / 3.0))
    assert found.worst == 1


def test_all_forms_have_the_sizes_of_the_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """And correct the map where that does; nothing of any where the first one's bins say nothing."""
    asked: list[Any] = []

    def found(candidate: str, allowance: str, *given: Any, **also: Any) -> Any:
        asked.append((candidate, allowance, given, also))
        return (
            None
            if candidate == "few"
            else SimpleNamespace(
                sizes=f"sizes of {candidate}", state=SimpleNamespace(corrects=f"as {candidate}")
            )
        )

    monkeypatch.setattr(room, "discrepancy", found)
    told: Any = ["first", "second", "third"]
    assert len(room.left_out_of(told, "allowed")) == 3  # type: ignore[arg-type]
    assert asked == [
        ("first", "allowed", (), {}),
        ("second", "allowed", ("sizes of first",), {"correcting": "as first"}),
        ("third", "allowed", ("sizes of first",), {"correcting": "as first"}),
    ]
    asked.clear()
    assert room.left_out_of(["few", "second"], "allowed") == [None, None]  # type: ignore[list-item, arg-type]
    assert len(asked) == 1


KNOWN = np.array([0.9, 0.4])


def planted(monkeypatch: pytest.MonkeyPatch, shape: list[float], *, one_way: bool) -> Any:
    """A form with so much in every cycle, the bins of its cells, their sizes, and how its unknowns follow;
    other cycles say that it is better by far."""
    bins = ten_cycles(np.array(shape), noise=0.05 if shape[0] > 0.1 else 1e-3)
    of_cell = np.append(np.repeat(np.arange(40), 2), -1)
    way = np.ones(40) if one_way else bins.direction
    bins = replace(bins, of_cell=of_cell, direction=way)
    sizes = Sizes(law=0.006, lengths=(0.3, 4.0, 7.0), drift=0.004, bin=0.02, cycle=0.03, odd=0.02)
    respond = np.random.default_rng(3).normal(size=(2, 40))
    direction, used = np.tile([1.0, -1.0], 42)[:82], np.arange(82) != 7
    candidate = one_form(KNOWN)
    candidate.used, candidate.model = used, SimpleNamespace(data=SimpleNamespace(direction=direction))

    class State(SimpleNamespace):
        def model_copy(self, *, update: dict[str, Any]) -> Any:
            return SimpleNamespace(**{**vars(self), **update})

    monkeypatch.setattr(room, "binned", lambda _: bins)
    monkeypatch.setattr(room, "sized", lambda *_: sizes)
    monkeypatch.setattr(room, "_response", lambda *_: respond)
    monkeypatch.setattr(
        room, "_state", lambda *given: State(covariance=[[2.0, 1.0], [1.0, 3.0]], once=given[-1])
    )
    monkeypatch.setattr(room, "_misfit", lambda _, __, missed: float(np.mean(missed)) + 7.0)
    monkeypatch.setattr(room, "by_other_cycles", lambda *_: (True, 1.7))
    return candidate, bins, sizes, respond


@pytest.mark.parametrize("shape", [[0.6, -0.5, 0.7, -0.4], [0.01, 0.0, -0.01, 0.0]])
@pytest.mark.parametrize("one_way", [False, True])
def test_what_is_left_out_by_dense_algebra(
    monkeypatch: pytest.MonkeyPatch, shape: list[float], one_way: bool
) -> None:
    """What follows the law's own and a drift is missed; with what turns with slip it is in the residual. The
    unknowns are as doubtful as both, beside what any bench leaves that was fitted once, and what one way
    round cannot tell. It corrects the map where other cycles say so, and where it is more than any law."""
    candidate, bins, sizes, respond = planted(monkeypatch, shape, one_way=one_way)
    direction = candidate.model.data.direction[candidate.used]
    allowance: Any = SimpleNamespace(fitted_once=0.012, one_way=0.01)
    found = room.discrepancy(candidate, allowance)
    assert found is not None
    law, odd, drift, noise = (of(bins, sizes) for of in (law_of, odd_of, drift_of, noise_of))
    inverse = np.linalg.inv(noise + law + odd + drift + bins.jacobian @ np.diag(KNOWN**2) @ bins.jacobian.T)
    follows = (law + drift) @ inverse @ bins.apart
    level = np.outer(bins.locking, bins.locking)
    once = 1e-4 if one_way else 0.0
    rest = 0.012**2 - float(np.mean((law + drift) / level))
    assert rest > 0.0
    whole = respond @ (law + drift + odd + (once + rest) * level) @ respond.T
    assert found.columns @ found.columns.T == pytest.approx(whole, rel=1e-6)
    told = follows + odd @ inverse @ bins.apart
    cells = np.append(np.repeat(told, 2), 0.0)
    assert found.cells == pytest.approx(-direction * cells, rel=1e-4, abs=1e-9)
    assert found.relative == pytest.approx(follows / bins.locking, rel=1e-4, abs=1e-9)
    least = replace(sizes, law=7e-4, drift=0.0)
    gain = 2.0 * (
        room.Posterior(bins, candidate, sizes).likelihood - room.Posterior(bins, candidate, least).likelihood
    )
    assert found.gain == pytest.approx(gain)
    clear = shape[0] > 0.1
    assert (gain > room.DECISIVE) is clear
    share = 1.7 if clear else 1.0
    assert np.array(found.state.covariance) == pytest.approx(share * np.array([[2.0, 1.0], [1.0, 3.0]]))
    assert (found.state.floor, found.state.corrects) == (0.012, clear)
    assert found.state.once == (0.01 if one_way else 0.0)
    missed = float(np.mean(follows**2 / np.diag(noise)))
    assert found.misfit == (pytest.approx(missed + 7.0, rel=1e-4) if clear else 1.0)
    assert (found.bins, found.sizes) == (bins, sizes)
    other = replace(sizes, law=0.009)
    given = room.discrepancy(candidate, allowance, other, correcting=not clear)
    assert given is not None
    assert (given.sizes, given.state.corrects) == (other, not clear)
    monkeypatch.setattr(room, "by_other_cycles", lambda *_: (False, 1.7))
    again = room.discrepancy(candidate, allowance)
    assert again is not None
    assert not again.state.corrects
    monkeypatch.setattr(room, "binned", lambda _: None)
    assert room.discrepancy(candidate, allowance) is None
