"""Precision of repeated measurements: standard deviations of an interlaboratory study, critical values of the
tests for outlying results.

Glucose in serum, 8 laboratories with 3 results each: the example of ASTM E691, whose s_r and s_R are those of
ISO 5725-2. Status: data retrieved in a copy of the example, results from memory; printed to four decimals, so
that half a unit of the last is the tolerance.

Sulfur in coal, 8 laboratories at 4 levels with 3 to 5 results each: ISO 5725-2:1994, annex B.1. Status: from
memory, data and results; they agree with each other to every printed digit.
"""

from __future__ import annotations

import numpy as np
import pytest

from diffbench import Characterisation
from diffbench.answers.repeatability import (
    cochran_critical,
    cochran_statistic,
    grubbs_critical,
    grubbs_statistic,
    precision,
    repeatability,
)

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
# By level: results of laboratories 1 to 8 [% by mass]; general mean, s_r, s_R; larger of Grubbs' statistics
# of the cell means for one outlying value, and whose it is.
SULFUR = (
    (
        [[.71, .71, .70, .71], [.69, .67, .68], [.66, .65, .69], [.67, .65, .66], [.70, .69, .66, .71, .69],
         [.73, .74, .73], [.71, .71, .69], [.70, .65, .68]],
        0.690, 0.015, 0.026, 1.80, 6,
    ),
    (
        [[1.20, 1.18, 1.23, 1.21], [1.22, 1.21, 1.22], [1.28, 1.31, 1.30], [1.23, 1.18, 1.20],
         [1.31, 1.22, 1.22, 1.24], [1.39, 1.36, 1.37], [1.20, 1.26, 1.26], [1.24, 1.22, 1.30]],
        1.252, 0.029, 0.061, 2.09, 6,
    ),
    (
        [[1.68, 1.70, 1.68, 1.69], [1.64, 1.64, 1.65], [1.61, 1.61, 1.62], [1.68, 1.66, 1.66],
         [1.64, 1.67, 1.60, 1.66, 1.68], [1.70, 1.73, 1.73], [1.69, 1.70, 1.68], [1.67, 1.68, 1.67]],
        1.667, 0.017, 0.035, 1.67, 3,
    ),
    (
        [[3.26, 3.26, 3.20, 3.24], [3.20, 3.20, 3.20], [3.37, 3.36, 3.38], [3.16, 3.22, 3.23],
         [3.20, 3.19, 3.18, 3.27, 3.24], [3.27, 3.31, 3.29], [3.27, 3.24, 3.23], [3.25, 3.26, 3.26]],
        3.250, 0.026, 0.058, 2.09, 3,
    ),
)
# fmt: on


@pytest.mark.parametrize("level", range(4))
def test_sulfur_in_coal(level: int) -> None:
    """Unequal numbers of repeats: mean, s_r and s_R within half a unit of the last printed digit."""
    groups, mean, within, over, _, _ = SULFUR[level]
    found = precision(groups)
    assert found.mean == pytest.approx(mean, abs=5e-4)
    assert found.repeatability == pytest.approx(within, abs=5e-4)
    assert found.reproducibility == pytest.approx(over, abs=5e-4)
    assert found.degrees == sum(map(len, groups)) - 8


def test_outliers_of_sulfur_in_coal() -> None:
    """One cell, laboratory 5 at level 3, is a straggler by Cochran's test (0.516 at 5 %, 0.615 at 1 % for 8
    cells of 3, the commonest number); Grubbs' on the cell means finds none (2.126 at 5 %, 2.274 at 1 %).

    The standard works with means rounded to 0.001, which moves its statistics by up to 0.003: with half a
    unit of the last printed digit, 0.008."""
    at_5, at_1 = (cochran_critical(8, 3, share) for share in (0.05, 0.01))
    assert (at_5, at_1) == pytest.approx((0.516, 0.615), abs=5e-4)
    assert [grubbs_critical(8, share) for share in (0.05, 0.01)] == pytest.approx([2.126, 2.274], abs=1e-3)
    stragglers = []
    for level, (groups, *_, statistic, whose) in enumerate(SULFUR, start=1):
        variances = [float(np.var(cell, ddof=1)) for cell in groups]
        found = cochran_statistic(variances)
        assert found < at_1
        if found > at_5:
            stragglers.append((level, 1 + int(np.argmax(variances))))
        grubbs, which = grubbs_statistic([float(np.mean(cell)) for cell in groups])
        assert (grubbs, 1 + which) == (pytest.approx(statistic, abs=8e-3), whose)
        assert grubbs < 2.126
    assert stragglers == [(3, 5)]


def test_sulfur_as_visits_to_a_bench(made_by_hand: Characterisation) -> None:
    """The command's own way: each laboratory's cell of level 3 as the preload torques of one build."""
    groups, mean, within, over, _, _ = SULFUR[2]
    visits = []
    for laboratory, cell in enumerate(groups, start=1):
        for number, value in enumerate(cell):
            item = made_by_hand.parameters["preload_torque"].model_copy(update={"value": value})
            provenance = made_by_hand.provenance.model_copy(
                update={"inputs": {"sweep.csv": f"{laboratory} {number}"}}
            )
            update = {
                "build": f"{laboratory}",
                "parameters": {"preload_torque": item},
                "provenance": provenance,
            }
            visits.append(made_by_hand.model_copy(update=update))
    preload = repeatability(visits).quantities["preload_torque"]
    assert (preload.mean, preload.repeatability, preload.reproducibility) == pytest.approx(
        (mean, within, over), abs=5e-4
    )
    cochran = next(test for test in preload.tests if test.test == "Cochran")
    assert (cochran.finding, cochran.which) == ("straggler", f"{made_by_hand.unit} 5")


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
