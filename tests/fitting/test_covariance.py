"""From scores and knowledge to a covariance with its shares."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.fitting.covariance import cluster_meat, combine, hac_meat
from diffbench.fitting.unknowns import Names, Unknown

Array = NDArray[np.float64]


def simple(n: int = 4000, *, prior: Unknown | None = None, seed: int = 1) -> tuple[Names, Array, Array]:
    """A mean and a slope: names, weighted Jacobian of the residual, white residual of unit variance."""
    rng = np.random.default_rng(seed)
    design = -np.stack([np.ones(n), rng.normal(size=n)], axis=1)
    names = Names((prior or Unknown("mean", 0.0), Unknown("slope", 0.0)))
    return names, design, rng.normal(size=n)


def runs_of(n: int, cycles: int) -> dict[str, NDArray[np.int64]]:
    return {"run": np.zeros(n, dtype=np.int64), "cycle": np.arange(n) * cycles // n}


def test_independent_noise_gives_the_textbook_covariance() -> None:
    """(JᵀJ)⁻¹, by sixty clusters and by HAC; each estimate scatters by some √(2/60) of itself, and is never
    taken below three quarters of independent noise."""
    names, design, residual = simple()
    plain = np.linalg.inv(design.T @ design)
    for cycles in (60, 10):
        found = combine(names, design, residual, inflation=1.0, **runs_of(4000, cycles))
        np.testing.assert_allclose(np.diag(found.total), np.diag(plain), rtol=4 * np.sqrt(2 / 60))
        assert (np.linalg.eigvalsh(found.total - 0.75 * plain) > -1e-12).all()


def test_the_method_is_named() -> None:
    names, design, residual = simple()
    many = combine(names, design, residual, inflation=1.0, **runs_of(4000, 60))
    few = combine(names, design, residual, inflation=5.0, **runs_of(4000, 8))
    assert many.method == "60 whole cycles as clusters"
    assert few.method == "HAC (Newey-West, 15 cells), as there are only 8 cycles"


def test_cycles_that_differ_from_each_other_widen_the_mean_not_the_slope() -> None:
    """A common error a cycle, as large as a sample's noise: the mean is good to 1/√60, not to 1/√4000."""
    names, design, residual = simple()
    at = runs_of(4000, 60)
    common = np.random.default_rng(5).normal(size=60)[at["cycle"]]
    found = combine(names, design, residual + common, inflation=1.0, **at)
    # a variance from sixty cycles is good to 18 %: three times that
    assert found.total[0, 0] == pytest.approx(1 / 60 + 1 / 4000, rel=0.55)
    assert found.total[1, 1] == pytest.approx(2 / 4000, rel=0.55)


def test_inflated_noise_counts_less_against_what_is_known() -> None:
    """By hand for one unknown with prior: H = n/f + 1/u², noise of variance at least ¾ (n/f)/H²."""
    n, inflation, u = 400, 4.0, 0.05
    names = Names((Unknown("mean", 0.0, knowledge="stated", prior=0.0, prior_u=u, source="certificate"),))
    design = -np.ones((n, 1))
    residual = np.random.default_rng(6).normal(size=n)
    found = combine(names, design, residual, inflation=inflation, **runs_of(n, 100))
    whole = n / inflation + 1 / u**2
    # observed scores of independent noise lie far below their inflated size: three quarters of it are taken
    noise = 0.75 * (n / inflation) / whole**2
    assert found.noise[0, 0] == pytest.approx(noise, rel=1e-9)
    assert found.shares["certificate"][0, 0] ** 2 == pytest.approx((1 / u**2) / whole**2, rel=1e-9)
    assert found.total[0, 0] == pytest.approx(noise + (1 / u**2) / whole**2, rel=1e-9)


def test_what_the_law_leaves_out_adds_to_the_noise() -> None:
    """As a source of its own, and nothing else changes."""
    prior = Unknown("mean", 0.0, knowledge="stated", prior=0.0, prior_u=0.01, source="certificate")
    names, design, residual = simple(prior=prior)
    at = runs_of(4000, 60)
    plain = combine(names, design, residual, inflation=1.0, **at)
    missed = np.array([[0.03, 0.0], [0.01, 0.02]])
    wide = combine(names, design, residual, inflation=1.0, left_out=("the law", missed), **at)
    np.testing.assert_allclose(wide.total, plain.total + missed @ missed.T)
    np.testing.assert_allclose(wide.noise, plain.noise)
    np.testing.assert_allclose(wide.shares["the law"], missed)


def test_a_yardstick_that_held_the_misfit_is_no_floor() -> None:
    """Cells weighed by four times their noise: scores of the noise alone may be as small as that."""
    names, design, residual = simple()
    at = runs_of(4000, 60)
    weighed = combine(names, design / 2.0, residual / 2.0, inflation=1.0, quieter=0.25, **at)
    right = combine(names, design, residual, inflation=1.0, **at)
    np.testing.assert_allclose(weighed.noise, right.noise)


def test_a_considered_constant_shifts_all_others_and_is_not_learnt() -> None:
    """Schmidt's consider: an error of u in a constant that adds to every sample shifts the mean by −u, in
    full."""
    n, u = 1000, 0.7
    names = Names(
        (
            Unknown("mean", 0.0),
            Unknown("zero", 0.0, knowledge="stated", prior=0.0, prior_u=u, source="zero", considered=True),
        )
    )
    design = -np.ones((n, 2))
    found = combine(names, design, np.random.default_rng(7).normal(size=n), inflation=1.0, **runs_of(n, 50))
    assert found.shares["zero"][:, 0] == pytest.approx([-u, u])
    assert found.noise[1, 1] == 0.0  # data say nothing about it
    assert np.sqrt(found.total[0, 0]) == pytest.approx(np.hypot(u, np.sqrt(found.noise[0, 0])))
    assert found.total[0, 1] == pytest.approx(-(u**2))


def test_a_fixed_unknown_has_no_variance() -> None:
    names = Names((Unknown("mean", 0.0), Unknown("fixed", 2.0, low=2.0, high=2.0)))
    design = -np.ones((500, 2))
    residual = np.random.default_rng(8).normal(size=500)
    found = combine(names, design, residual, inflation=1.0, **runs_of(500, 50))
    assert found.total[1].tolist() == [0.0, 0.0]


def test_the_budget_adds_up_in_squares() -> None:
    """By source, over any quantity."""
    names = Names(
        (
            Unknown("mean", 0.0, knowledge="weak", prior=0.0, prior_u=0.3, source="weak"),
            Unknown("slope", 0.0),
            Unknown("gain", 0.0, knowledge="stated", prior=0.0, prior_u=1.0, source="transducer gain"),
            Unknown("heat", 0.0, knowledge="stated", prior=0.0, prior_u=1.0, source="heat", considered=True),
        )
    )
    rng = np.random.default_rng(9)
    design = rng.normal(size=(800, 4))
    found = combine(names, design, rng.normal(size=800), inflation=2.0, **runs_of(800, 12))
    for gradient in rng.normal(size=(5, 4)):
        budget = found.budget(gradient)
        assert set(budget) == {"noise", "weak", "transducer gain", "heat"}
        assert sum(part**2 for part in budget.values()) == pytest.approx(gradient @ found.total @ gradient)


def test_meats_are_positive_and_ignore_the_order_of_clusters() -> None:
    rng = np.random.default_rng(11)
    scores, cluster = rng.normal(size=(300, 3)), rng.integers(0, 30, 300)
    order = rng.permutation(300)
    np.testing.assert_allclose(
        cluster_meat(scores, cluster), cluster_meat(scores[order], cluster[order] * 7 + 3)
    )
    for lags in (0, 3, 20):
        # Bartlett weights keep it positive (Newey & West 1987)
        assert np.linalg.eigvalsh(hac_meat(scores, lags)).min() >= 0.0
