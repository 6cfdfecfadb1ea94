"""A short version of the study of random benches: does an interval hold the truth as often as it says?

The whole study is `study.py`, run by hand over hundreds of benches. A bench costs some four seconds of
processor time, so that a test run affords thirty, from seeds that no development looked at. Thirty
benches tell a coverage of 95 % from one of 70 %, not from 90 %: the bounds are exact binomial ones at 1e-3,
so that a right program fails one of these tests once in a thousand choices of seeds, and with these fixed
seeds never or always.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).parent))

from calibration import RIGHT, TOO_NARROW, TOO_WIDE, calibration, score
from study import NORMAL_68, QUANTITIES, Outcome, ranks, report, study

FIRST_SEED, BENCHES = 50_000, 30
RARE = 1e-3


def fewest(n: int, share: float) -> int:
    """Fewest of ``n`` that a right share leaves in all but one of a thousand cases."""
    return int(binom.ppf(RARE, n, share))


def most(n: int, share: float) -> int:
    """Most of ``n`` that a right share leaves in all but one of a thousand cases."""
    return int(binom.ppf(1.0 - RARE, n, share))


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    # in this process, which has loaded its libraries: the other cores have other tests
    return study(range(FIRST_SEED, FIRST_SEED + BENCHES), batch=BENCHES)


def test_every_bench_is_fitted(outcomes: list[Outcome]) -> None:
    """Seven dialects, two arrangements, faults of loggers: none is refused."""
    assert [(o.seed, o.error) for o in outcomes if o.error is not None] == []
    assert len(outcomes) == BENCHES


def test_no_law_is_decided_wrongly(outcomes: list[Outcome]) -> None:
    """A verdict `measured` is right; where the data cannot tell, it is `undecided`. One wrong in 30
    would be three times what the study allows; where the sheet leaves the law open, most benches can tell
    it."""
    wrong = [o.seed for o in outcomes if o.law_status == "measured" and o.law != o.true_law]
    assert wrong == []
    open_ones = [o for o in outcomes if o.law_status != "stated"]
    assert len(open_ones) > BENCHES // 3
    assert sum(o.law_status == "measured" for o in open_ones) >= len(open_ones) // 2


@pytest.mark.parametrize("name", QUANTITIES)
def test_intervals_hold_the_truth(name: str, outcomes: list[Outcome]) -> None:
    """68 and 95 %, each quantity for itself: those of one bench are correlated. As often as they say, not
    more: intervals three times as wide as they need be hold all of thirty within their 68 %, and fail."""
    z = np.array([o.z[name] for o in outcomes if name in o.z])
    inside = sum(o.inside_95[name] for o in outcomes if name in o.z)
    assert z.size >= (BENCHES // 4 if name.startswith("effective") else BENCHES // 2)
    assert inside >= fewest(z.size, 0.95), z.round(2).tolist()
    near = int(np.sum(np.abs(z) <= NORMAL_68))
    assert fewest(z.size, 0.68) <= near <= most(z.size, 0.68), z.round(2).tolist()


def test_intervals_are_not_too_wide_to_say_anything(outcomes: list[Outcome]) -> None:
    """Median standard uncertainty: 2 % of the preload, 3 % of the drive bias, 5 % of the friction
    coefficient."""
    for name, share in (
        ("preload_torque", 0.02),
        ("ramp_bias_drive_loading", 0.03),
        ("friction_coefficient", 0.05),
    ):
        assert np.median([o.relative_u[name] for o in outcomes if name in o.relative_u]) < share, name


def test_naive_intervals_do_not_hold_it(outcomes: list[Outcome]) -> None:
    """Least squares over independent samples claims far too much: what honest intervals buy."""
    for name in ("preload_torque", "ramp_bias_drive_loading", "friction_coefficient"):
        naive = [o.naive_inside_95[name] for o in outcomes if name in o.naive_inside_95]
        assert sum(naive) < fewest(len(naive), 0.95), name


def test_maps_are_right_where_they_were_tested(outcomes: list[Outcome]) -> None:
    """The study's bounds, 0.4 % rms in half of the benches and 1.2 % in 95 of 100, as counts."""
    rms = np.array([np.sqrt(np.mean(np.square(o.node_errors))) for o in outcomes if o.nodes])
    assert rms.size >= BENCHES - 2
    assert np.sum(rms > 0.004) <= most(rms.size, 0.5), rms.round(4).tolist()
    assert np.sum(rms > 0.012) <= most(rms.size, 0.05), rms.round(4).tolist()
    assert rms.max() < 0.04


def test_limits_of_the_map_hold_it(outcomes: list[Outcome]) -> None:
    """Nodes of one map err together: a bench counts as one, missed where most of its nodes lie outside the
    limits."""
    missed = [o.seed for o in outcomes if o.nodes and np.mean(np.abs(o.node_z) > 1.959964) > 0.5]
    assert len(missed) <= most(BENCHES, 0.05), missed


def test_the_report_counts_what_the_outcomes_hold(outcomes: list[Outcome]) -> None:
    summary = report(outcomes)
    assert summary["benches"] == BENCHES
    assert summary["errors"] == []
    assert set(summary["quantities"]) == set(QUANTITIES)  # type: ignore[call-overload]


@pytest.mark.parametrize("name", [*QUANTITIES, "a_node_of_the_map"])
def test_truths_are_draws_from_what_is_claimed(name: str, outcomes: list[Outcome]) -> None:
    """Ranks of the truth, both sides (`calibration`): as wide as they should be, to what thirty benches tell.
    The same truths in claims three times as wide, or as narrow, fail: this check can."""
    scores = ranks(outcomes)[name]
    assert (one := calibration(scores, RARE)).verdict == RIGHT, one
    assert one.chance > RARE, one
    assert abs(one.shift) < 3.3, one  # standard deviations: once in a thousand
    assert calibration([each / 3.0 for each in scores], RARE).verdict == TOO_WIDE
    assert calibration([each * 3.0 for each in scores], RARE).verdict == TOO_NARROW


def test_ranks_of_draws_from_a_claim_are_even() -> None:
    """Of Student's t that leans, drawn by numpy's generator: right as it is, and caught at a fifth more or
    less of width with a thousand draws."""
    rng = np.random.default_rng(31)
    drawn = rng.standard_t(8.0, 1000)
    half = {1: 1.4 * 2.306, -1: 0.8 * 2.306}  # 95 % of eight degrees of freedom (any table)
    truths = [3.0 + half[1 if x > 0 else -1] / 2.306 * x for x in drawn]
    for width, verdict in ((1.0, RIGHT), (1.2, TOO_WIDE), (1 / 1.2, TOO_NARROW)):
        low, high = 3.0 - width * half[-1], 3.0 + width * half[1]
        one = calibration([score(true, 3.0, 1.1 * width, low, high) for true in truths], RARE)
        assert one.verdict == verdict, one
        assert one.chance > 0.01 or width != 1.0, one
