"""Height that a stack has lost, visits that settle a limit, and chances to hold one: closed forms by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from diffbench.answers.wear import (
    MOST_VISITS,
    Judged,
    Wear,
    _held,
    _of_face_wear,
    height_loss,
    visits_for,
)
from diffbench.physics.disc_spring import DiscSpring, DiscStack, stack_deflection
from diffbench.results import SpringFacts
from diffbench.results.conformity import check_limit

STACK = DiscStack(DiscSpring(0.095, 0.072, 0.0016, 0.0014), parallel=3, series=2)
FORCE = 1970.3


def lost(force: float, ratio: float, **disc: float) -> float:
    """The formula, turned round by the module for disc springs, which is tested where it lives."""
    sizes = {"outer_diameter": 0.095, "inner_diameter": 0.072, "thickness": 0.0016, "cone_height": 0.0014}
    stack = DiscStack(DiscSpring(**{**sizes, **disc}), parallel=3, series=2)
    return float(stack_deflection(stack, force) - stack_deflection(stack, ratio * force))


def test_a_stack_is_that_of_its_sheet() -> None:
    facts = SpringFacts(
        outer_diameter_m=0.095, inner_diameter_m=0.072, thickness_m=0.0016, cone_height_m=0.0014,
        parallel=3, series=2,
    )  # fmt: skip
    assert facts.stack == STACK


def test_every_doubt_of_a_lost_height() -> None:
    """Half of what lies between one standard uncertainty to either side, source by source, the largest
    first; what moves nothing is not listed. A stack that is pressed further has lost less than nothing."""
    sizes = {"thickness": 8e-6, "cone_height": 20e-6}
    found = height_loss(STACK, force=FORCE, force_u=60.0, ratio=0.85, ratio_u=0.02, dimensions_u=sizes)
    parts = {
        "spring force": lost(FORCE + 60.0, 0.85) - lost(FORCE - 60.0, 0.85),
        "change of spring force": lost(FORCE, 0.87) - lost(FORCE, 0.83),
        **{
            f"{name.replace('_', ' ')} of the disc": lost(FORCE, 0.85, **{name: size + sizes[name]})
            - lost(FORCE, 0.85, **{name: size - sizes[name]})
            for name, size in (("thickness", 0.0016), ("cone_height", 0.0014))
        },
    }
    halves = {name: 0.5 * abs(part) for name, part in parts.items()}
    assert found.value == pytest.approx(lost(FORCE, 0.85))
    assert found.budget == pytest.approx(halves)
    assert list(found.budget) == sorted(halves, key=lambda name: -halves[name])
    assert found.u == pytest.approx(math.sqrt(sum(part**2 for part in halves.values())))
    further = height_loss(STACK, force=FORCE, force_u=0.0, ratio=1.05, ratio_u=0.0)
    assert (further.value, further.u, further.budget) == (pytest.approx(lost(FORCE, 1.05)), 0.0, {})
    assert further.value < 0.0


@pytest.mark.parametrize(
    ("u", "refit", "other", "visits"),
    [
        (1.0, 3.6, 0.1, 4),  # exactly
        (1.0, 3.61, 0.1, 5),
        (2.0, 0.5, 0.1, 1),
        (0.5, 3.0, 0.25, None),
        (1.0, 50.0, 0.0, 50),
        (1.0, 50.1, 0.0, None),
    ],
)
def test_visits_that_bring_a_doubt_down(u: float, refit: float, other: float, visits: int | None) -> None:
    """n ≥ v_r/(u² − v_o), fifty at most."""
    assert MOST_VISITS == 50
    assert visits_for(u, of_a_refit=refit, other=other) == visits


def check(value: float | None, low: float | None = None, high: float | None = None) -> Any:
    interval = None if value is None else (value - 1.0, value + 1.0)
    return check_limit("preload_torque", value=value, interval=interval, low=low, high=high, unit="N·m")


def test_visits_that_settle_a_limit() -> None:
    """By the nearer end: proven with a chance of 95 % from 1.960 + 1.645 standard uncertainties on."""
    far = 3.0 / (norm.ppf(0.975) + norm.ppf(0.95))
    for given in (
        check(73.0, 70.0, 90.0),
        check(87.0, 70.0, 90.0),
        check(73.0, low=70.0),
        check(67.0, low=70.0),
    ):
        assert Judged(given, of_a_refit=7.0 * far**2 * 0.999, other=0.0).visits == 7
        assert Judged(given, of_a_refit=7.0 * far**2 * 1.001, other=0.0).visits == 8
        assert Judged(given, of_a_refit=1.0, other=far**2 * 1.001).visits is None
    assert Judged(check(None, 70.0, 90.0)).visits is None
    assert Judged(check(80.0, 70.0, 90.0)).visits == 1


def test_a_limit_that_is_held_with_a_chance() -> None:
    """By the normal distribution, at either end; for certain where nothing is in doubt."""
    below = _held("preload_torque", "N·m", 72.0, 1.6, low=70.0)
    assert (below.value, below.u, below.low, below.high) == (72.0, 1.6, 70.0, None)
    assert below.chance == pytest.approx(norm.cdf(2.0 / 1.6))
    above = _held("face_wear", "m", 50e-6, 8e-6, high=60e-6)
    assert above.chance == pytest.approx(norm.cdf(10.0 / 8.0))
    assert [_held("x", "1", value, 0.0, low=1.0).chance for value in (0.9, 1.0)] == [0.0, 1.0]
    assert [_held("x", "1", value, 0.0, high=1.0).chance for value in (1.1, 1.0)] == [0.0, 1.0]


def test_the_part_of_wear_that_refits_make() -> None:
    """Of the change of spring force alone, as much of it as refits have in that; the rest is other."""
    budget = {"change of spring force": 3e-6, "spring force": 2e-6}
    wear = Wear(
        height_loss_m=0.2e-3, height_loss_u_m=15e-6, face_wear_m=50e-6, face_wear_u_m=4e-6,
        face_wear_low_m=42e-6, face_wear_high_m=58e-6, faces=4, shim_change_m=0.0, budget=budget,
    )  # fmt: skip
    joint = SimpleNamespace(covariance=np.diag([1.0, 2.0, 8.0]), refits=lambda i: {2: 6.0}[i])
    refits, other = _of_face_wear(wear, SimpleNamespace(preload=joint))  # type: ignore[arg-type]
    assert refits == pytest.approx(9e-12 * 6.0 / 8.0)
    assert other == pytest.approx(16e-12 - 9e-12 * 6.0 / 8.0)
    exact = SimpleNamespace(covariance=np.zeros((3, 3)), refits=lambda _: 0.0)
    assert _of_face_wear(wear, SimpleNamespace(preload=exact)) == (0.0, pytest.approx(16e-12))  # type: ignore[arg-type]
    assert _of_face_wear(None, SimpleNamespace(preload=joint)) == (0.0, 0.0)  # type: ignore[arg-type]
