"""What departures and covariances are made of, on five bins by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal, norm, t

from diffbench.fitting.departures import DEPARTURES, Asked, Score, Sight
from diffbench.fitting.discrepancy import (
    Bins,
    Posterior,
    Sizes,
    drift_of,
    expected,
    law_of,
    least_of,
    noise_of,
    odd_of,
)

Array = NDArray[np.float64]
SPEED = np.array([1.5, 4.0, 10.0, 2.0, 3.0])
LOCKING = np.array([20.0, 60.0, 110.0, 50.0, 35.0])
BINS = Bins(
    apart=np.array([0.3, -0.2, 0.7, 0.1, -0.4]),
    locking=LOCKING,
    place=np.stack(
        [
            np.array([0.003, 0.3, 0.9, -0.5, -0.15]),
            np.array([0.0, 1.0, 0.0, 1.0, 0.0]),
            np.log(SPEED),
            # 40 + 110 t - 100 t² over the time below: hottest in the middle, cool again at the end
            np.array([40.0, 61.25, 50.0, 70.0, 64.0]),
        ],
        axis=1,
    ),
    jacobian=np.array([[1.0, 0.2], [1.1, 9.0], [0.9, 31.0], [1.2, 14.0], [1.05, 4.0]]),
    white=np.array([0.02, 0.03, 0.05, 0.04, 0.025]),
    count=np.array([9.0, 7.0, 8.0, 5.0, 6.0]),
    visit=np.array([0, 0, 0, 0, 1]),
    cycle=np.array([3, 3, 4, 4, 3]),
    setting=np.array([0, 1, 2, 3, 4]),
    direction=np.array([1.0, -1.0, 1.0, 1.0, -1.0]),
    time=np.array([0.0, 0.25, 1.0, 0.6, 0.8]),
    of_cell=np.zeros(0, dtype=np.int64),
)
PRELOAD, RAMP = np.array([20.0, 25.0, 30.0, 24.0, 22.0]), np.array([2.0, 36.0, 82.0, 27.0, 12.0])
FOLLOWS, SIZE = np.array([0.995, 1.0, 1.0, 0.98, 1.0]), np.array([0.004, 0.3, 0.9, 0.5, 0.15])
SEEN = Sight(BINS, PRELOAD, RAMP, FOLLOWS, SIZE, 400.0)
# direction times sign of the input torque, times what the torque follows the ramps by, over its size [N·m],
# 4 at least
TURNS = np.array([1.0, -1.0, 1.0, -1.0, 1.0]) * FOLLOWS * RAMP / np.array([4.0, 120.0, 360.0, 200.0, 60.0])
LATE = np.array([106.0, 56.0, -94.0, -14.0, -54.0]) / 106.0  # 110 - 200 t, less its mean, at most one

#: Each term for a size of one [N·m], as its words say.
TERMS: dict[str, Array] = {
    "running in": LOCKING * (1 - np.exp(-BINS.time / 0.3)) / (1 - np.exp(-1 / 0.3)),
    "running in over friction work": LOCKING * (1 - np.exp(-BINS.time / 2)) / (1 - np.exp(-0.5)),
    # 55 °C is passed at a quarter of the visit, and nothing comes back
    "glazing": np.array([0.0, 60.0, 110.0, 50.0, 35.0]),
    "curved temperature": LOCKING * np.array([1.0, 0.41666667, 0.33333333, 1.0, 0.6]) ** 2,
    "rise with log speed": LOCKING * np.log([1.0, 4 / 3, 10 / 3, 1.0, 1.0]) / np.log(10 / 1.5),
    "friction by pressure": LOCKING * np.log(LOCKING / 20) / np.log(5.5),
    "dead zone": 110.0 * np.array([-0.0995, -1.0, -1.0, -0.98, -1.0]),
    "smooth joint": (PRELOAD**4 + RAMP**4) ** 0.25 - np.array([20.0, 36.0, 82.0, 27.0, 22.0]),
    "between both preload laws": np.array([-2.0, -25.0, -30.0, -24.0, -12.0]),
    # on the way up 1 - 4 * 0.1 of it where a tenth has been added; only where all follows
    "spring hysteresis": np.array([12.0, 25.0, -30.0, 0.0, -22.0]),
    "ramp friction by load": np.array([-0.00796, 10.8, -73.8, 13.23, -1.8]),
    "curved drive ramp": 110.0 * np.array([0.015936, 0.84, 0.36, 0.0, 0.0]),
    "curved coast ramp": 110.0 * np.array([0.0, 0.0, 0.0, 1.0, 0.51]),
    "packs apart in friction": TURNS * LOCKING,
    "packs apart in spring": TURNS * PRELOAD,
    "worn left ramps": 0.5 * (1 - SIZE) * RAMP * (FOLLOWS + TURNS),
    "worn right ramps": 0.5 * (1 - SIZE) * RAMP * (FOLLOWS - TURNS),
    "friction by slip direction": np.array([20.0, -60.0, 110.0, 50.0, -35.0]),
    "cross-talk of one flange": 110.0 * np.array([0.003, -0.3, 0.9, -0.5, 0.15]),
    "drift of a flange": 110.0 * np.array([-0.5, 0.25, 0.5, 0.1, -0.3]),
    "temperature read late": LOCKING * LATE,
    # heat is torque times speed: 30, 240, 1100, 100, 105 of 1100
    "conductance by speed": LOCKING * np.array([30.0, 240.0, 1100.0, 100.0, 105.0]) / 1100,
}


def test_every_term_does_what_its_words_say() -> None:
    assert {one.name for one in DEPARTURES} == set(TERMS)
    for one in DEPARTURES:
        np.testing.assert_allclose(one.column(SEEN), TERMS[one.name], rtol=1e-7, atol=1e-9, err_msg=one.name)


def test_what_of_a_term_leaves_the_bench() -> None:
    """Its course as a share; of what lasts, its end; of what turns with slip or is the bench's, nothing."""
    left = {one.name: one.left_over(SEEN) for one in DEPARTURES}
    np.testing.assert_allclose(left["curved drive ramp"], TERMS["curved drive ramp"] / LOCKING)
    np.testing.assert_allclose(left["running in"], np.full(5, 1.0))
    np.testing.assert_allclose(left["temperature read late"], np.zeros(5))


def score(name: str, t_of: float, *, chance: float, reach: float = 0.9, column: Any = (1.0, 0.0)) -> Score:
    departure = next(one for one in DEPARTURES if one.name == name)
    return Score(departure, 0.002 * t_of, 0.0025, t_of, chance, reach, np.array(column))


def test_weights_of_readings_by_hand() -> None:
    """exp(-(8² - t²)/2/doubt), the doubt 1.7 of the rest and a tenth of 8 squared: 0.3 % of it away from the
    weight of a term is told no more; on a visit that warms, one of time is, above half of the first."""
    scores = (
        score("dead zone", -7.0, chance=1e-5),
        score("glazing", 8.0, chance=1e-6),
        score("running in", 4.2, chance=3e-4),
        score("curved coast ramp", 6.0, chance=1e-4),
        score("curved temperature", 3.9, chance=0.2),
    )
    doubt = 1.7 + 0.64
    weights = np.exp(-0.5 * (64.0 - np.array([49.0, 64.0, 17.64, 36.0, 15.21])) / doubt)
    shares = weights / weights.sum()
    found = Asked(scores, limit=1e-3, freedom=6, rest=1.7).readings()
    assert [one.departure.name for one, _ in found] == ["glazing"]
    assert found[0][1] == pytest.approx(shares[1])
    found = Asked(scores, limit=1e-3, freedom=6, rest=1.7, warms=True).readings()
    assert [one.departure.name for one, _ in found] == ["glazing", "running in"]
    assert found[1][1] == pytest.approx(shares[2])
    # one beyond it that chance explains has its weight and no more; what is below 5 % is worth no word
    near = (
        score("glazing", 8.0, chance=1e-6),
        score("smooth joint", 9.0, chance=0.01),
        score("dead zone", -7.6, chance=1e-5),
        score("curved coast ramp", 7.27, chance=1e-4),
    )
    for rest, doubt in ((1.7, 1.7 + 0.64), (0.6, 1.0 + 0.64)):
        weights = np.exp(-0.5 * np.array([0.0, 0.0, 64.0 - 57.76, 64.0 - 52.8529]) / doubt)
        found = Asked(near, limit=1e-3, freedom=6, rest=rest).readings()
        assert [weight for _, weight in found] == pytest.approx((weights[:3] / weights.sum()).tolist())


def test_a_change_that_passes_for_temperature_by_hand() -> None:
    """Normal of 3 % against none, one visit in ten: the evidence (1 - s)^1/2 exp(s z²/2) with s = 9/(9 +
    0.25²) of 0.25 % of doubt; size² = s (s size² + u²)."""
    scores = (score("glazing", 1.5, chance=0.2), score("running in", -2.0, chance=0.1))
    found = Asked(scores, limit=1e-3, freedom=6, warms=True, usual=0.03).lasting
    share = 9.0 / (9.0 + 0.0625)
    evidence = np.sqrt(1.0 - share) * np.exp(0.5 * share * (0.4 / 0.25) ** 2)
    size = np.sqrt(share * (share * 0.004**2 + 0.0025**2))
    assert found is not None
    assert found[0].departure.name == "running in"
    assert found[1:] == pytest.approx((0.1 * evidence / (0.9 + 0.1 * evidence), size))
    assert Asked(scores, limit=1e-3, freedom=6, warms=False, usual=0.03).lasting is None
    assert Asked(scores, limit=0.15, freedom=6, warms=True, usual=0.03).lasting is None
    assert {one.name for one in DEPARTURES if one.warms} == {
        "running in",
        "running in over friction work",
        "glazing",
        "curved temperature",
    }


def test_what_is_alarmed_and_what_would_have_shown() -> None:
    """By chance and by size together; a test of 6 degrees of freedom shows nine times in ten what is its
    limit and 1.2816 standard uncertainties more."""
    scores = (
        score("dead zone", -7.0, chance=1e-5),
        score("glazing", 8.0, chance=2e-3),
        score("curved coast ramp", 6.0, chance=1e-4, reach=0.05),
        score("drift of a flange", 5.0, chance=1e-4),
    )
    found = Asked(scores, ["running in"], limit=1e-3, freedom=6)
    assert [one.departure.name for one in found.alarmed] == ["dead zone", "drift of a flange"]
    size = (t.ppf(1.0 - 0.0005, 6) + norm.ppf(0.9)) * 0.0025
    assert found.unseen == {
        "dead zone": pytest.approx(0.9 * size),
        "glazing": pytest.approx(0.9 * size),
        "curved coast ramp": pytest.approx(0.05 * size),
        "running in": None,
    }


SIZES = Sizes(law=0.004, lengths=(0.6, 1.6, 18.0), drift=0.006, bin=0.15, cycle=0.25, odd=0.35)


def by_pairs(of: Any) -> Array:
    return np.array([[of(i, j) for j in range(5)] for i in range(5)])


def gauss(apart: float, length: float) -> float:
    return float(np.exp(-0.5 * (apart / length) ** 2))


def covariances() -> dict[str, Array]:
    share, branch, time, cycle = BINS.place[:, 0], BINS.place[:, 1], BINS.time, BINS.cycle
    same = BINS.visit[:, None] == BINS.visit[None, :]

    def along(i: int, j: int) -> float:
        return gauss(share[i] - share[j], 0.7)

    late = same * by_pairs(lambda i, j: gauss(time[i] - time[j], 0.35))

    def within(i: int, j: int) -> float:
        return (cycle[i] == cycle[j]) * along(i, j) * np.exp(-0.7 * (branch[i] != branch[j]))

    return {
        "noise": np.diag(BINS.white + 0.15**2 + (2e-4 * LOCKING) ** 2) + 0.25**2 * by_pairs(within),
        "drift": 0.006**2 * late * np.outer(LOCKING, LOCKING),
        "odd": 0.35**2 * 0.5 * (late + by_pairs(along)) * np.outer(BINS.direction, BINS.direction),
    }


def test_covariances_by_hand() -> None:
    """Of white noise, of what is smooth along a cycle of 0.7 of the largest torque or over 0.35 of a visit,
    of what turns with slip; of the law, that of its kernel times the locking torques."""
    own = covariances()
    np.testing.assert_allclose(noise_of(BINS, SIZES), own["noise"], rtol=1e-12)
    np.testing.assert_allclose(drift_of(BINS, SIZES), own["drift"], rtol=1e-12)
    np.testing.assert_allclose(odd_of(BINS, SIZES), own["odd"], rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(np.diag(law_of(BINS, SIZES)), (0.004 * LOCKING) ** 2, rtol=1e-12)
    quiet = least_of(SIZES)
    assert (quiet.law, quiet.drift, quiet.odd, quiet.bin, quiet.cycle) == (7e-4, 0.0, 0.0, 0.15, 0.25)
    for of in (drift_of, odd_of):
        np.testing.assert_array_equal(of(BINS, quiet), np.zeros((5, 5)))


def test_how_likely_sizes_are_beforehand() -> None:
    """Normal logarithms: twice the law's median 7e-4 at 1.2, lengths 0.3, 1.6, 45 of medians 0.6, 1.6, 18 at
    0.9, half the drift's median 5e-3 at 1.5 and odds of exp(4.5) against any, exp(2) against what turns."""
    two = np.log(2.0)
    plain = (two / 1.2) ** 2 + (two / 0.9) ** 2 + (np.log(2.5) / 0.9) ** 2
    sizes = Sizes(law=1.4e-3, lengths=(0.3, 1.6, 45.0), drift=0.0, bin=0.15, cycle=0.25)
    assert expected(sizes) == pytest.approx(-0.5 * plain)
    drifting = Sizes(law=1.4e-3, lengths=(0.3, 1.6, 45.0), drift=2.5e-3, bin=0.1, cycle=0.2, odd=0.3)
    assert expected(drifting) == pytest.approx(-0.5 * (plain + (two / 1.5) ** 2) - 4.5 - 2.0)


def test_the_posterior_is_that_of_one_normal_distribution() -> None:
    """Unknowns with a prior are a part of the covariance: likelihood by scipy's multivariate normal, apart
    from the constant that the sizes do not move; what is explained, by its inverse."""
    unknowns = [
        SimpleNamespace(fixed=False, considered=False, prior_u=0.0),
        SimpleNamespace(fixed=True, considered=True, prior_u=0.02),
    ]
    names = SimpleNamespace(
        unknowns=unknowns, precision=np.array([1.0 / 0.4**2, 0.0]), prior=np.array([0.25, 0.11])
    )
    candidate: Any = SimpleNamespace(names=names, x=np.array([0.0, 0.1]))
    own, j = covariances(), BINS.jacobian
    known = np.array([0.4**2, 0.02**2])
    y = BINS.apart - j @ np.array([0.25, 0.01])
    size = np.sqrt((j**2).sum(axis=0))
    constant = 2.5 * np.log(2.0 * np.pi) - 0.5 * np.log(1.0 / (known * size**2)).sum()
    for smooth in (True, False):
        found = Posterior(BINS, candidate, SIZES, smooth=smooth)
        whole = own["noise"] + own["drift"] + own["odd"] + (law_of(BINS, SIZES) if smooth else 0.0)
        together = whole + j @ np.diag(known) @ j.T
        likelihood = multivariate_normal(np.zeros(5), together).logpdf(y) + constant
        assert found.likelihood == pytest.approx(likelihood, rel=1e-6)
        np.testing.assert_allclose(found.explained, np.linalg.solve(together, y), rtol=1e-5)
        some = np.array([1.0, -2.0, 0.5, 3.0, 0.7])
        np.testing.assert_allclose(found.without(some), np.linalg.solve(together, some), rtol=1e-5)
        moved = np.diag(known) @ j.T @ np.linalg.solve(together, y)  # Kalman's gain
        told = j @ (moved + np.array([0.25, 0.01]))
        np.testing.assert_allclose(found.of_unknowns(BINS), told, rtol=1e-5)
