"""Several questions at once: the chance of any false alarm stays where it is set."""

from __future__ import annotations

import numpy as np
import pytest

from diffbench.answers.differences import LEVEL, one_sided, two_sided, weighted_holm


def test_normal_chances() -> None:
    """Tabulated quantiles of the normal distribution; six digits given, so 1e-6 of the chance."""
    assert one_sided(1.959964) == pytest.approx(0.025, abs=1e-6)
    assert two_sided(1.959964) == pytest.approx(0.05, abs=1e-6)
    assert one_sided(-1.0) + one_sided(1.0) == pytest.approx(1.0)


def test_a_question_of_great_weight_keeps_its_level() -> None:
    """Weight 0.9 of a level of 5 %: rejected just below 4.5 %, kept just above."""
    assert LEVEL <= 0.05
    weights = {"first": 0.9, "second": 0.1}
    assert weighted_holm({"first": 0.0449, "second": 0.9}, weights, level=0.05)["first"]
    assert not weighted_holm({"first": 0.0451, "second": 0.9}, weights, level=0.05)["first"]


def test_the_level_unless_another_is_named() -> None:
    """4.8 per cent of false alarms over all questions, for one that stands alone."""
    for chance, falls in ((0.048, True), (0.0481, False)):
        assert weighted_holm({"alone": chance}, {"alone": 2.0}) == {"alone": falls}


def test_what_a_proven_question_used_passes_on() -> None:
    """Once the first falls, the second is held against the whole level."""
    weights = {"first": 0.9, "second": 0.1}
    assert weighted_holm({"first": 0.001, "second": 0.047}, weights) == {"first": True, "second": True}
    assert weighted_holm({"first": 0.9, "second": 0.047}, weights) == {"first": False, "second": False}


def test_false_alarms_over_all_questions() -> None:
    """20,000 draws of four questions that share an error, none true: at most 5 %, within four standard
    errors."""
    rng = np.random.default_rng(1979)
    weights = {"a": 0.9, "b": 0.04, "c": 0.03, "d": 0.03}
    alarms = 0
    for _ in range(20_000):
        z = rng.standard_normal(4) * 0.8 + rng.standard_normal() * 0.6
        alarms += any(
            weighted_holm({n: two_sided(v) for n, v in zip(weights, z, strict=True)}, weights).values()
        )
    assert alarms / 20_000 <= 0.05 + 4.0 * 0.00154


def test_weights_must_be_positive() -> None:
    with pytest.raises(ValueError, match="positive"):
        weighted_holm({"a": 0.5}, {"a": 0.0})
