"""What the law leaves out is found at its size and place, and does not pass for noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import chi2

from diffbench.documents.rig import Allowance
from diffbench.doubts import Source
from diffbench.fitting import Candidate, FitData
from diffbench.fitting.departures import departure_findings, in_limits
from diffbench.fitting.discrepancy import (
    DECISIVE,
    LEAST,
    LENGTHS,
    binned,
    covariance_with,
    discrepancy,
)
from diffbench.results.discrepancy import expected_apart, kernel, left_out

Array = NDArray[np.float64]
ONCE = Allowance().fitted_once


def bulge(size: float) -> Callable[[FitData], Array]:
    """So many N·m at 250 N·m of input torque, the same in every cycle."""
    return lambda d: size * np.exp(-0.5 * ((d.input_torque - 250.0) / 120.0) ** 2)


def test_noise_alone_leaves_next_to_nothing(cycles_of: Callable[..., Candidate]) -> None:
    """Eight cycles of cells with 1 N·m each: what is left is far below a cell's noise, and no misfit."""
    left = discrepancy(cycles_of())
    assert left is not None
    assert float(np.sqrt(np.mean(left.cells**2))) < 0.15
    assert left.misfit == 1.0


def test_a_bench_without_noise_is_not_corrected_by_what_is_nothing(
    cycles_of: Callable[..., Candidate],
) -> None:
    """A kink of 0.1 % at no torque, as cells have it at the corners of a flawless bench: it comes back in
    every cycle, and no smooth term is as sharp. However sure, that is no size beyond what any law may be off
    by, and no correction."""
    left = discrepancy(cycles_of(lambda d: 0.1 * np.exp(-np.abs(d.input_torque) / 15.0), noise=1e-3))
    assert left is not None
    assert not left.state.corrects
    assert left.sizes.law <= LEAST


def test_noise_by_neighbouring_cells(cycles_of: Callable[..., Candidate]) -> None:
    """Cells that are half a newton metre above and below in turn: each of the steps is one, as the median of
    normal steps whose variance is twice the cells', 0.5/0.4549 of chi-squared's median; over their number."""
    bins = binned(cycles_of(lambda d: np.arange(d.time.size) % 2 - 0.5, noise=1e-9))
    assert bins is not None
    np.testing.assert_allclose(bins.white * bins.count, 0.5 / chi2.median(1), rtol=1e-3)
    assert (bins.count >= 3).all()
    assert bins.locking.tolist() == pytest.approx([100.0] * bins.count.size)


@pytest.mark.parametrize("size", [1.0, 4.0, 30.0])
def test_a_misfit_does_not_raise_its_own_yardstick(size: float, cycles_of: Callable[..., Candidate]) -> None:
    """However large, it comes back in every cycle: the noise between them stays what it was, 1 N·m a cell,
    and what is left out is found to a tenth and the noise of some hundred cells a place."""
    left = discrepancy(cycles_of(bulge(size)))
    quiet = discrepancy(cycles_of())
    assert left is not None
    assert quiet is not None
    assert float(np.hypot(left.sizes.bin, left.sizes.cycle)) < 0.5
    assert left.misfit > 1.0
    torque = left.bins.place[:, 0] * left.state.largest_Nm
    planted = size * np.exp(-0.5 * ((torque - 250.0) / 120.0) ** 2)
    found = left.relative * left.bins.locking
    assert float(np.sqrt(np.mean((found - planted) ** 2))) < 0.1 * size + 0.15


def test_what_differs_from_cycle_to_cycle_is_noise(cycles_of: Callable[..., Candidate]) -> None:
    """As large and smooth as a misfit, but with a sign of its own in every cycle."""
    signs = np.random.default_rng(5).choice([-1.0, 1.0], 40)
    left = discrepancy(cycles_of(lambda d: bulge(6.0)(d) * signs[d.stretch // 2]))
    assert left is not None
    assert float(np.hypot(left.sizes.bin, left.sizes.cycle)) > 1.0
    assert left.misfit == 1.0


def test_what_is_decisive_comes_by_chance_once_in_two_hundred_benches() -> None:
    """Two variances at the bound of what they may be, the largest of as many lengths as are tried (Self &
    Liang 1987; Bonferroni)."""
    tried = np.prod([lengths.size for lengths in LENGTHS])
    chance = tried * (0.5 * chi2.sf(DECISIVE, 1) + 0.25 * chi2.sf(DECISIVE, 2))
    assert chance == pytest.approx(0.005, rel=0.1)


def test_limits_widen_where_the_law_misses_and_with_distance(cycles_of: Callable[..., Candidate]) -> None:
    """By the distance itself at the bulge, by little where the law holds, by more where nothing was swept."""
    made = cycles_of(bulge(12.0))
    left = discrepancy(made)
    assert left is not None
    torque = np.array([250.0, -150.0, 250.0, 250.0])
    speed, heat = np.array([4.0, 4.0, 4.0, 400.0]), np.array([60.0, 60.0, 140.0, 60.0])
    value = np.full(4, 100.0)
    where = (torque, speed, heat)
    variance = left_out(left.state, value, np.zeros((4, len(made.names))), where, "loading")
    apart = expected_apart(left.state, value, lambda _: np.zeros(4), where, "loading")
    assert left.state.corrects
    assert apart[0] == pytest.approx(12.0, rel=0.2)
    assert abs(apart[1]) < 2.0
    assert max(variance[0], variance[1]) < 0.3 * min(variance[2], variance[3])
    assert variance.min() >= (ONCE * 100.0) ** 2
    # what is not shown is doubt
    alone = left_out(
        left.state.model_copy(update={"corrects": False}),
        value,
        np.zeros((4, len(made.names))),
        where,
        "loading",
    )
    np.testing.assert_allclose(alone, variance + apart**2)


def test_the_places_kept_stand_for_all(cycles_of: Callable[..., Candidate]) -> None:
    """Each is the bin that those before tell least of, by the textbook formula of a conditional variance."""
    left = discrepancy(cycles_of(bulge(12.0)))
    assert left is not None
    whole = kernel(left.bins.place, left.bins.place, 1.0, left.sizes.lengths)
    chosen: list[int] = []
    rest = np.diag(whole).copy()
    while len(chosen) < 24 and rest.max() > 1e-4:
        chosen.append(int(np.argmax(rest)))
        inner, cross = whole[np.ix_(chosen, chosen)], whole[chosen]
        rest = np.diag(whole) - np.sum(cross * np.linalg.lstsq(inner, cross, rcond=None)[0], axis=0)
    kept = np.array(left.state.centres)
    assert len(kept) == len(chosen)
    np.testing.assert_allclose(kept[:8], left.bins.place[chosen[:8]])
    inner = kernel(kept, kept, 1.0, left.sizes.lengths)
    cross = kernel(kept, left.bins.place, 1.0, left.sizes.lengths)
    rest_of_kept = np.diag(whole) - np.sum(cross * np.linalg.lstsq(inner, cross, rcond=None)[0], axis=0)
    assert rest_of_kept.max() < 2.0 * rest.max() + 1e-4


def test_all_of_a_drift_is_doubt_too(cycles_of: Callable[..., Candidate]) -> None:
    """Friction that fell by 6 % over the visit may be temperature that was read wrongly: the unit is taken
    for what it came to at the end, and is as doubtful as that."""
    left = discrepancy(cycles_of(lambda d: -0.06 * 60.0 * (d.time - d.time.mean()) / np.ptp(d.time)))
    assert left is not None
    assert left.state.since < -0.005
    assert left.state.once > abs(left.state.since)


def test_what_cycles_do_not_share_corrects_nothing(cycles_of: Callable[..., Candidate]) -> None:
    """A bump with a sign of its own in each cycle tells nothing of the cycles that were left out: the map
    goes by the law. One that comes back does."""
    signs = np.random.default_rng(5).choice([-1.0, 1.0], 40)
    apart = discrepancy(cycles_of(lambda d: bulge(6.0)(d) * signs[d.stretch // 2]))
    again = discrepancy(cycles_of(bulge(6.0)))
    assert apart is not None
    assert again is not None
    assert not apart.state.corrects
    assert again.state.corrects


def test_small_torques_are_further_apart_than_large_ones() -> None:
    """Play and joints bend the law where the torque is small: 5 and 15 % of the largest torque are told
    apart, 85 and 95 % hardly."""
    place = np.array(
        [[0.05, 0.0, 1.0, 60.0], [0.15, 0.0, 1.0, 60.0], [0.85, 0.0, 1.0, 60.0], [0.95, 0, 1, 60]]
    )
    found = kernel(place, place, 1.0, (0.15, 1.6, 18.0))
    # by hand, distances of the roots of 0.004 more, over 0.15: 0.1600 and 0.0526
    assert found[0, 1] == pytest.approx(np.exp(-0.5 * (0.16005 / 0.15) ** 2), rel=1e-3)
    assert found[2, 3] == pytest.approx(np.exp(-0.5 * (0.05261 / 0.15) ** 2), rel=1e-3)


def test_about_zero_torque_it_is_straight() -> None:
    """A root would be upright at zero, and a map, which is straight between its nodes, would miss it."""
    torque = np.array([0.0, 0.001, 0.002])
    place = np.stack([torque, np.zeros(3), np.ones(3), np.full(3, 60.0)], axis=1)
    zero, middle, end = kernel(place, np.array([[0.3, 0.0, 1.0, 60.0]]), 1.0, (0.25, 1.6, 18.0))[:, 0]
    assert middle == pytest.approx(0.5 * (zero + end), rel=0.01)
    assert end > 1.05 * zero  # and by what lies on the slope the chord is no matter of course


def test_it_is_a_source_of_doubt_of_its_own(cycles_of: Callable[..., Candidate]) -> None:
    """The unknowns' covariance holds it beside the noise; by hand for a mean alone, whose response to a shift
    in common is the shift."""
    made = cycles_of(bulge(12.0))
    at = made.names.position[made.model.sharing.preloads[0]]
    columns = np.zeros_like(made.solution.jacobian)
    columns[:, at] = made.model.data.direction
    made = replace(made, solution=replace(made.solution, jacobian=columns))
    left = discrepancy(made)
    assert left is not None
    found = covariance_with(made, left)
    share = found.shares[Source.LEFT_OUT]
    np.testing.assert_array_equal(share[:, : left.columns.shape[1]], left.columns)
    assert np.sum(share[at] ** 2) > (ONCE * 50.0) ** 2
    assert found.total[at, at] >= found.noise[at, at] + np.sum(share[at] ** 2) - 1e-12


def test_a_rig_may_switch_off_what_counts_of_any_bench(cycles_of: Callable[..., Candidate]) -> None:
    """One slip direction has its own allowance in common to all places; a bench fitted once a floor; none of
    them where stated as 0."""
    made = cycles_of()
    data = made.model.data

    def counts(allowance: Allowance, directions: Array) -> tuple[float, float]:
        object.__setattr__(data, "direction", directions)
        left = discrepancy(made, allowance)
        assert left is not None
        return left.state.once, left.state.floor

    was = data.direction.copy()
    both = np.unique(was).size > 1
    one_way = np.ones(was.size)
    stated = Allowance(fitted_once=0.004, one_way=0.03)
    assert counts(stated, one_way) == pytest.approx((0.03, 0.004), abs=3e-4)
    once, floor = counts(Allowance(fitted_once=0.0, one_way=0.0), one_way)
    assert once < 0.003
    assert floor == 0.0
    assert both
    once, floor = counts(stated, was)
    assert once < 0.003
    assert floor == 0.004


def test_a_correction_must_win_at_unseen_cycles_and_most_settings(
    cycles_of: Callable[..., Candidate],
) -> None:
    """A bulge over the drive flank corrects the map; noise alone, or noise with a miss in one corner of one
    branch, leaves the law: the rest would follow what is not there."""
    wide = discrepancy(cycles_of(bulge(12.0)))
    quiet = discrepancy(cycles_of())
    assert wide is not None
    assert quiet is not None
    assert wide.state.corrects
    assert not quiet.state.corrects
    for seed in range(2, 6):
        left = discrepancy(cycles_of(seed=seed))
        assert left is not None
        assert not left.state.corrects


def test_a_bench_fitted_once_counts_once(cycles_of: Callable[..., Candidate]) -> None:
    """Its allowance is the least that counts, not added to what the cells show: at a place without cells'
    doubt it is the allowance, far from all cells it is not seen."""
    left = discrepancy(cycles_of(), Allowance(fitted_once=0.004))
    without = discrepancy(cycles_of(), Allowance(fitted_once=0.0))
    assert left is not None
    assert without is not None
    value, far = np.full(2, 100.0), (np.array([250.0, 250.0]), np.array([4.0, 4e6]), np.array([60.0, 900.0]))
    none = np.zeros((2, len(left.columns)))
    one, other = (left_out(found.state, value, none, far, "loading") for found in (left, without))
    assert one[0] == pytest.approx(0.4**2)
    assert other[0] < one[0]
    assert one[1] == pytest.approx(max(other[1], 0.4**2))


def test_what_is_alarmed_and_not_resolved_is_in_the_limits(cycles_of: Callable[..., Candidate]) -> None:
    """A joint that bends within a few N·m, smoother than which the term is: the limits take its own size
    there, and no more where it does nothing."""
    made = cycles_of(lambda d: -8.0 * np.minimum(np.abs(d.input_torque) / 20.0, 1.0))
    left = discrepancy(made)
    terms = departure_findings(made, left)[1]
    held = in_limits(made, left, terms)
    assert left is not None
    assert held is not None
    place = (np.array([0.0, 400.0]), np.array([4.0, 4.0]), np.array([60.0, 60.0]))
    before, after = (
        left_out(found.state, np.full(2, 100.0), np.zeros((2, len(made.names))), place, "loading")
        for found in (left, held)
    )
    assert (after >= before - 1e-9).all()
    assert after[0] > before[0]
    healthy, run_in = cycles_of(), Allowance(running_in=0.0)
    none = discrepancy(healthy)
    assert in_limits(healthy, none, departure_findings(healthy, none, run_in)[1]) is none
