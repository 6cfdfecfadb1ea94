"""Precision of repeated measurements: standard deviations of an interlaboratory study, critical values of the
tests for outlying results.

Glucose in serum, 8 laboratories with 3 results each: the example of ASTM E691, whose s_r and s_R are those of
ISO 5725-2. Status: data retrieved in a copy of the example, results from memory; printed to four decimals, so
that half a unit of the last is the tolerance.
"""

from __future__ import annotations

import numpy as np
import pytest

from diffbench.wear.outliers import cochran_critical, grubbs_critical
from diffbench.wear.precision import precision

# fmt: off
GLUCOSE = {
    "A": (
        [[41.03, 41.45, 41.37], [41.17, 42.0, 41.15], [41.01, 40.68, 42.66], [39.37, 42.37, 42.63],
         [41.88, 41.19, 41.32], [43.28, 40.5, 42.28], [41.08, 41.27, 39.02], [43.36, 42.65, 41.72]],
        41.5183, 1.0632, 1.0632,
    ),
    "D": (
        [[193.71, 193.59, 193.65], [190.88, 200.14, 194.3], [192.71, 193.28, 190.28],
         [195.85, 196.36, 199.43], [192.59, 191.44, 195.12], [195.34, 198.26, 198.13],
         [194.66, 191.99, 187.13], [197.56, 195.99, 200.82]],
        194.7171, 2.6251, 3.3657,
    ),
    "E": (
        [[292.78, 294.09, 292.89], [292.27, 309.4, 295.08], [295.53, 290.14, 292.34],
         [295.19, 295.44, 296.83], [293.93, 292.48, 294.28], [297.74, 296.8, 290.33],
         [287.29, 293.76, 289.36], [298.46, 295.28, 296.12]],
        294.4921, 3.935, 4.1923,
    ),
}
# fmt: on


@pytest.mark.parametrize("material", GLUCOSE)
def test_glucose_in_serum(material: str) -> None:
    """ASTM E691, materials A, D and E."""
    groups, mean, repeatability, reproducibility = GLUCOSE[material]
    found = precision(groups)
    assert found.mean == pytest.approx(mean, abs=5e-5)
    assert found.repeatability == pytest.approx(repeatability, abs=5e-5)
    assert found.reproducibility == pytest.approx(reproducibility, abs=5e-5)
    assert found.limit == pytest.approx(2.8 * repeatability, abs=2e-4)
    assert found.degrees == 16


@pytest.mark.parametrize(
    ("count", "level", "value"), [(5, 0.01, 1.764), (10, 0.01, 2.482), (10, 0.05, 2.290)]
)
def test_grubbs_critical_values(count: int, level: float, value: float) -> None:
    """ISO 5725-2, table of critical values for Grubbs' test, one outlying observation; retrieved. Three
    decimals: half a unit of the last."""
    assert grubbs_critical(count, level) == pytest.approx(value, abs=5e-4)


@pytest.mark.parametrize(
    ("groups", "repeats", "level", "value"),
    [(4, 2, 0.01, 0.968), (10, 2, 0.01, 0.718), (10, 2, 0.05, 0.602), (5, 3, 0.01, 0.788)],
)
def test_cochran_critical_values(groups: int, repeats: int, level: float, value: float) -> None:
    """ISO 5725-2, table of critical values for Cochran's test; retrieved. Three decimals, of which the
    table's last is rounded down twice (exactly 0.7885 and 0.7175): six tenths of a unit."""
    assert cochran_critical(groups, repeats, level) == pytest.approx(value, abs=6e-4)


def test_grubbs_and_cochran_are_exceeded_as_rarely_as_they_say() -> None:
    """Analytic check of the closed forms: 20,000 clean samples of each kind, 5 %, within four standard
    errors (0.0062)."""
    rng = np.random.default_rng(5725)
    x = rng.standard_normal((20_000, 6))
    g = np.abs(x - x.mean(axis=1, keepdims=True)).max(axis=1) / x.std(axis=1, ddof=1)
    assert (g > grubbs_critical(6, 0.05)).mean() == pytest.approx(0.05, abs=0.0062)
    variances = rng.chisquare(3, (20_000, 4))
    c = variances.max(axis=1) / variances.sum(axis=1)
    assert (c > cochran_critical(4, 4, 0.05)).mean() == pytest.approx(0.05, abs=0.0062)
