"""Covariances under correlation: published outputs, and statsmodels on the same data.

`hac_meat` and `cluster_meat` are the middle of the sandwich ``(XᵀX)⁻¹ S (XᵀX)⁻¹``.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.fitting.covariance import cluster_meat, hac_meat
from diffbench.fitting.noise import correlation_inflation

Array = NDArray[np.float64]

# Real investment, real GNP, real interest rate, 1964 to 1982: W. H. Greene, Econometric Analysis (5th ed.),
# table 15.1, as printed by A. Zeileis, J. Stat. Softw. 11(10), 2004 (retrieved, from tests of R's sandwich)
GREENE = np.array(
    [
        [133.84636526041, 876.322660436993, 2.01518766568997],
        [152.635825712749, 929.397525551372, 1.85503366772021],
        [163.757165190203, 984.887962480459, 1.27245831091986],
        [155.325069567417, 1011.38375917025, 1.19364773319437],
        [161.497455779016, 1058.15362248607, 0.758279787503155],
        [172.024426777279, 1087.68291277797, 0.720981342379455],
        [157.681793329688, 1085.51120831055, 0.580717824634178],
        [173.315279658369, 1122.3830850953, -0.106331328594858],
        [195.0, 1185.9, 0.344182897614827],
        [217.304964539007, 1254.27895981087, 0.68999999999999],
        [198.731317344456, 1246.26346889121, -0.992695035460986],
        [163.844502742666, 1231.57643691867, -3.05656934306569],
        [194.87683240139, 1298.17137675684, 0.292908816281112],
        [231.417350946091, 1369.72509817922, -0.365902977180004],
        [257.013694987369, 1438.57199840447, 0.0555016065690905],
        [258.842246970995, 1479.50067311223, 1.63753224305278],
        [225.255016253783, 1475.00280237642, 2.59119691592217],
        [243.363738854156, 1513.83622014964, 4.0488532675709],
        [200.357695282289, 1485.40216550657, 5.00380649789895],
    ]
)


def least_squares(design: Array, observed: Array) -> tuple[Array, Array, Array]:
    """Coefficients, scores (n, p) and ``(XᵀX)⁻¹``."""
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ (design.T @ observed)
    return coefficients, design * (observed - design @ coefficients)[:, None], inverse


def sandwich(inverse: Array, meat: Array) -> Array:
    return np.asarray(inverse @ meat @ inverse)


def autoregressive(rng: np.random.Generator, n: int, r: float) -> Array:
    """``x_i = r x_{i-1} + e_i`` from its steady state."""
    shocks = rng.normal(size=n) * np.sqrt(1 - r**2)
    x = np.empty(n)
    x[0] = rng.normal()
    for i in range(1, n):
        x[i] = r * x[i - 1] + shocks[i]
    return x


def test_newey_west_of_greenes_investment_equation() -> None:
    """Bartlett weights, four lags, no prewhitening, no small-sample factor."""
    design = np.column_stack([np.ones(19), GREENE[:, 1], GREENE[:, 2]])
    coefficients, scores, inverse = least_squares(design, GREENE[:, 0])
    # half a unit of the last printed digit; the normal equations cost two digits of sixteen
    np.testing.assert_allclose(coefficients, [-12.53360059, 0.16913645, -1.00143801], atol=6e-9, rtol=0)
    found = sandwich(inverse, hac_meat(scores, 4))
    np.testing.assert_allclose(
        found[np.triu_indices(3)],
        [359.4170681, -0.3115505035, -4.089319305, 0.0002805888, -0.005355931, 11.171472998],
        rtol=2e-7,  # seven to ten digits are printed
    )


def test_newey_west_of_the_macro_data_by_stata() -> None:
    """Growth of investment over that of output, four lags: large-sample and small-sample standard errors."""
    from statsmodels.datasets import macrodata

    data = macrodata.load_pandas().data
    growth = 400 * np.diff(np.log(data["realgdp"].to_numpy()))
    investment = 400 * np.diff(np.log(data["realinv"].to_numpy()))
    design = np.column_stack([growth, data["realint"].to_numpy()[:-1], np.ones(growth.size)])
    coefficients, scores, inverse = least_squares(design, investment)
    errors = np.sqrt(np.diag(sandwich(inverse, hac_meat(scores, 4))))
    # Stata's ivreg2 and newey, as in statsmodels' own tests, results_macro_ols_robust.py (retrieved); Stata
    # holds its data in single precision, 6e-8
    np.testing.assert_allclose(
        coefficients, [4.3742216647032, -0.61399696947899, -9.4816727746549], rtol=1e-6
    )
    np.testing.assert_allclose(errors, [0.32878742225811, 0.29361854972141, 1.1770944273439], rtol=1e-6)
    # newey's small-sample factor n/(n - k), which hac_meat leaves out
    n, k = design.shape
    np.testing.assert_allclose(
        errors * np.sqrt(n / (n - k)), [0.33125644884286, 0.29582347593197, 1.1859338087713], rtol=1e-6
    )


def test_cluster_robust_of_grunfelds_firms_by_stata() -> None:
    """Ten firms over twenty years: Stata's factor is ours, G/(G − 1), times (n − 1)/(n − k)."""
    from statsmodels.datasets import grunfeld

    data = grunfeld.load_pandas().data.iloc[:200]
    design = np.column_stack([data["value"], data["capital"], np.ones(200)]).astype(np.float64)
    coefficients, scores, inverse = least_squares(design, data["invest"].to_numpy(np.float64))
    firm = np.unique(data["firm"], return_inverse=True)[1]
    errors = np.sqrt(np.diag(sandwich(inverse, cluster_meat(scores, firm))))
    # Stata's reg, cluster, as in statsmodels' own tests, results_grunfeld_ols_robust_cluster.py (retrieved):
    # single precision of the data
    np.testing.assert_allclose(
        coefficients, [0.11556215606596, 0.23067848754982, -42.714369016733], rtol=1e-6
    )
    np.testing.assert_allclose(
        errors * np.sqrt(199 / 197), [0.01589433647768, 0.08496711097464, 20.425202580078], rtol=1e-6
    )
    np.testing.assert_allclose(
        errors * np.sqrt(9 / 10), [0.01500272788516, 0.08020079648691, 19.27943055305], rtol=1e-6
    )


@pytest.mark.parametrize("lags", [0, 1, 7, 40])
def test_newey_west_is_that_of_statsmodels(lags: int) -> None:
    """On noise correlated from sample to sample, to rounding; statsmodels without its n/(n − k)."""
    import statsmodels.api as sm

    rng = np.random.default_rng(20)
    design = np.column_stack([np.ones(400), autoregressive(rng, 400, 0.7), rng.normal(size=400)])
    observed = design @ [1.0, 2.0, -1.0] + autoregressive(rng, 400, 0.8)
    _, scores, inverse = least_squares(design, observed)
    fitted = sm.OLS(observed, design).fit(
        cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": False, "kernel": "bartlett"}
    )
    np.testing.assert_allclose(
        sandwich(inverse, hac_meat(scores, lags)), fitted.cov_params(), rtol=1e-9, atol=1e-15
    )


def test_cluster_robust_is_that_of_statsmodels() -> None:
    """Clusters of uneven size, in no order; statsmodels' correction is ours times (n − 1)/(n − k)."""
    import statsmodels.api as sm

    rng = np.random.default_rng(21)
    cluster = rng.integers(0, 23, size=500)
    design = np.column_stack([np.ones(500), rng.normal(size=23)[cluster] + rng.normal(size=500)])
    observed = design @ [1.0, 2.0] + rng.normal(size=23)[cluster] + rng.normal(size=500)
    _, scores, inverse = least_squares(design, observed)
    found = sandwich(inverse, cluster_meat(scores, cluster))
    fitted = sm.OLS(observed, design).fit(cov_type="cluster", cov_kwds={"groups": cluster})
    np.testing.assert_allclose(found * (499 / 498), fitted.cov_params(), rtol=1e-9)


def test_newey_west_of_two_runs_is_the_sum_of_both() -> None:
    """No product reaches across the boundary of two runs: their scores are independent."""
    rng = np.random.default_rng(22)
    scores = rng.normal(size=(300, 3))
    run = np.repeat([0, 1], [130, 170])
    apart = hac_meat(scores[:130], 9) + hac_meat(scores[130:], 9)
    np.testing.assert_allclose(hac_meat(scores, 9, run), apart, rtol=1e-10, atol=1e-10)
    assert np.max(np.abs(hac_meat(scores, 9) - apart)) > 1.0  # across the boundary there would be something


@pytest.mark.parametrize("r", [0.0, 0.5, 0.8, 0.95])
def test_inflation_of_a_first_order_process_has_a_closed_form(r: float) -> None:
    """``1 + 2 Σ r^k = (1 + r)/(1 − r)``.

    Tolerance: a sum of correlations up to a lag m has a relative standard deviation of about √(2(2m + 1)/n)
    (Priestley 1981, section 6.2, truncated window; memory); m is some 4 (1 + r)/(1 − r) lags, three of these.
    """
    n = 200_000
    expected = (1 + r) / (1 - r)
    found = correlation_inflation(autoregressive(np.random.default_rng(23), n, r))
    assert found == pytest.approx(expected, rel=3 * np.sqrt(2 * (8 * expected + 1) / n))


def test_noise_that_alternates_counts_as_independent() -> None:
    """Negative correlation would make an estimate better than independent samples: that is never claimed."""
    assert correlation_inflation(autoregressive(np.random.default_rng(24), 5000, -0.5)) == 1.0


def test_too_few_or_constant_residuals_say_nothing_of_correlation() -> None:
    assert correlation_inflation(np.arange(7.0)) == 1.0
    assert correlation_inflation(np.full(100, 3.0)) == 1.0
