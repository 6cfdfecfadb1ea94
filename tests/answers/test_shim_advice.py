"""Which shim of those in stock: chosen, told and refused, by courses that are straight lines."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm, t

sys.path.insert(0, str(Path(__file__).parents[1] / "history"))

from invented_results import parameter, result

from diffbench.answers import Candidate, Member
from diffbench.answers.joint import Joint
from diffbench.answers.shims import (
    Ladder,
    MeasuredCourse,
    Scatter,
    _candidate,
    _choice,
    _forces,
    _limits,
    _notes,
    _of_stock,
    _repeatability,
    _rungs_of,
    _shim,
    _solve,
    _span_of,
    _spring_course,
    _stated,
    _stock,
    better_than_fitted,
)
from diffbench.errors import FitError
from diffbench.physics.disc_spring import DiscSpring, DiscStack
from diffbench.results import Characterisation, FormState

#: 80 N·m at 0.2 mm and 60 N·m more a millimetre, known to 0.9 N·m and to 4 N·m a millimetre.
COURSE = MeasuredCourse(0.2e-3, np.array([80.0, 6e4, 0.0]), np.diag([0.9, 4e3, 0.0]) ** 2, 0.7)
USED = np.array([0.1e-3, 0.3e-3])


def ladder_of(course: MeasuredCourse = COURSE, *, used: np.ndarray = USED, **parts: Any) -> Ladder:
    """A ladder with that course through its rungs."""
    none = Joint(np.zeros(0), np.zeros((0, 0)), {})
    told = {"way": "ladder", "scatter": Scatter(0.015), "notes": (), **parts}
    return Ladder(members=[], shims=used, joint=none, course=course, used=used, **told)


def test_what_a_shim_will_give_by_hand() -> None:
    """At 0.35 mm 89 N·m; the course leaves 0.9 and 0.15 mm times 4 N·m a millimetre, an assembly 1.5 %."""
    u = math.hypot(0.9, 0.6, 0.015 * 89.0)
    found = _candidate(ladder_of(), 0.35e-3, (86.0, 91.0))
    assert (found.shim_m, found.extrapolated) == (0.35e-3, True)
    numbers = (found.preload_torque_Nm, found.u_Nm, found.low_Nm, found.high_Nm, found.chance)
    chance = norm.cdf(2.0 / u) - norm.cdf(-3.0 / u)
    assert numbers == pytest.approx((89.0, u, 89.0 - 1.959964 * u, 89.0 + 1.959964 * u, chance))
    assert _candidate(ladder_of(), 0.35e-3, None).chance is None
    # seen alone three times: Student's
    found = _candidate(ladder_of(scatter=Scatter(0.015, 3.0)), 0.35e-3, (86.0, 91.0))
    reach = t.ppf(0.975, 3.0) * u
    assert (found.low_Nm, found.high_Nm) == pytest.approx((89.0 - reach, 89.0 + reach))
    assert found.chance == pytest.approx(t.cdf(2.0 / u, 3.0) - t.cdf(-3.0 / u, 3.0))
    # another course says 90.5 N·m there: half of what they differ by is in doubt, and nothing between rungs
    beside = replace(COURSE, coefficients=np.array([80.0, 7e4, 0.0]))
    assert _candidate(ladder_of(beside=beside), 0.35e-3, None).u_Nm == pytest.approx(math.hypot(u, 0.75))
    within = _candidate(ladder_of(beside=beside), 0.25e-3, None)
    assert (within.preload_torque_Nm, within.extrapolated) == (pytest.approx(83.0), False)
    assert within.u_Nm == pytest.approx(math.hypot(0.9, 0.2, 0.015 * 83.0))


@pytest.mark.parametrize(
    ("limits", "chance"), [((80.0, 91.0), 1.0), ((71.0, 80.0), 1.0), ((80.1, 91.0), 0.0), ((71.0, 79.9), 0.0)]
)
def test_what_is_known_exactly_holds_a_limit_or_does_not(limits: tuple[float, float], chance: float) -> None:
    """On the limit itself it is held."""
    exact = MeasuredCourse(0.2e-3, np.array([80.0, 0.0, 0.0]), np.zeros((3, 3)), 0.0)
    assert _candidate(ladder_of(exact, scatter=Scatter(0.0)), 0.25e-3, limits).chance == chance


def test_a_shim_is_beyond_the_rungs_from_a_thousandth_of_their_length_on() -> None:
    """0.2 µm of 0.2 mm, on either side; of one rung a nanometre."""
    one = ladder_of(used=np.array([0.2e-3]))
    for share, told in ((0.9, False), (1.1, True)):
        assert ladder_of().beyond(0.3e-3 + share * 0.2e-6) is told
        assert ladder_of().beyond(0.1e-3 - share * 0.2e-6) is told
        assert one.beyond(0.2e-3 + share * 1e-9) is told
        assert one.beyond(0.2e-3 - share * 1e-9) is told


def in_stock(torque: float, chance: float | None) -> Candidate:
    """A shim that gives so much."""
    return Candidate(
        shim_m=torque * 1e-5, preload_torque_Nm=torque, u_Nm=1.3, low_Nm=torque - 2.5, high_Nm=torque + 2.5,
        chance=chance, extrapolated=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("given", "target", "limits", "chosen"),
    [
        # sure from 95 % on; of those the nearest to the target
        ([(75.0, 0.97), (79.0, 0.95), (80.2, 0.949)], 80.0, (70.0, 90.0), 79.0),
        ([(75.0, 0.97), (79.0, 0.9499), (80.2, 0.949)], 80.0, (70.0, 90.0), 75.0),
        # none is sure: the likeliest; by a thousandth alike, the nearest
        ([(75.0, 0.4), (79.0, 0.6), (83.0, 0.6004)], 80.0, (78.0, 84.0), 79.0),
        ([(75.0, 0.4), (79.0, 0.6), (83.0, 0.602)], 80.0, (78.0, 84.0), 83.0),
        # a target on a limit is within them, one beyond is met as near as may be
        ([(70.4, 0.6), (75.0, 0.96)], 70.0, (70.0, 90.0), 75.0),
        ([(70.4, 0.6), (75.0, 0.96)], 69.9, (70.0, 90.0), 70.4),
        ([(89.6, 0.6), (85.0, 0.96)], 90.0, (70.0, 90.0), 85.0),
        ([(89.6, 0.6), (85.0, 0.96)], 90.1, (70.0, 90.0), 89.6),
        ([(75.0, None), (83.0, None), (78.0, None)], 80.0, None, 78.0),
    ],
)
def test_which_shim_is_advised(
    given: list[tuple[float, float | None]],
    target: float,
    limits: tuple[float, float] | None,
    chosen: float,
) -> None:
    """Of those as good as sure to hold the limits the nearest to the target."""
    found = _choice([in_stock(*one) for one in given], target, limits)
    assert found.preload_torque_Nm == chosen


def test_where_a_course_first_reaches_a_target() -> None:
    """Straight lines by hand, up and down, to their ends; a humped one at the first of two; a flat one at
    once."""
    falling = replace(COURSE, coefficients=np.array([80.0, -6e4, 0.0]))
    for target, shim in ((86.0, 0.3e-3), (80.3, 0.205e-3), (74.0, 0.1e-3), (98.0, 0.5e-3)):
        assert _solve(COURSE, target, (0.1e-3, 0.5e-3)) == pytest.approx(shim, abs=1e-12)
    assert _solve(falling, 77.0, (0.1e-3, 0.5e-3)) == pytest.approx(0.25e-3, abs=1e-12)
    # 1 N·m below a top of 80 at 0.2 mm: (1/4e8)^½ m to either side
    humped = replace(COURSE, coefficients=np.array([80.0, 0.0, -4e8]))
    assert _solve(humped, 79.0, (0.0, 0.5e-3)) == pytest.approx(0.15e-3, abs=1e-9)
    flat = replace(COURSE, coefficients=np.array([80.0, 0.0, 0.0]))
    assert _solve(flat, 80.0, (0.1e-3, 0.5e-3)) == 0.1e-3
    for target, nearest, shim in ((99.0, 86, 0.3), (70.0, 74, 0.1)):
        with pytest.raises(FitError) as refused:
            _solve(COURSE, target, (0.1e-3, 0.3e-3))
        assert (
            f"{target:g} N·m is not within reach: shims from 0.1 to 0.3 mm give 74 to 86 N·m; the nearest in "
            f"reach is {nearest} N·m, by {shim:g} mm. Mend: test a build with a shim nearer to it, or change "
            "springs or plates"
        ) in str(refused.value)


def in_millimetres(shims: Sequence[float]) -> list[float]:
    return [round(1e3 * shim, 9) for shim in shims]


def test_shims_in_stock_are_those_within_reach() -> None:
    """In steps, three to either side of the nearest; one by one, each once, in order; ends are within."""
    assert in_millimetres(_stock(0.52e-3, 0.1e-3, (0.0, 1e-3))) == [0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8]
    assert in_millimetres(_stock(0.12e-3, 0.1e-3, (0.0, 0.3e-3))) == [0.0, 0.1, 0.2, 0.3]
    assert in_millimetres(_stock(0.23e-3, 0.1e-3, (0.1e-3, 0.4e-3))) == [0.1, 0.2, 0.3, 0.4]
    with pytest.raises(FitError, match=r"no shim in steps of 5 mm lies within reach\. Mend: name a finer"):
        _stock(2e-3, 5e-3, (1e-3, 4e-3))
    have = (0.4e-3, 0.05e-3, 0.1e-3, 0.4e-3, 0.43e-3)
    assert in_millimetres(_of_stock(have, (0.1e-3, 0.4e-3))) == [0.1, 0.4]
    with pytest.raises(FitError, match=r"no shim in stock lies within reach\. Mend: have one made"):
        _of_stock(have, (0.15e-3, 0.35e-3))


def test_how_far_a_course_is_followed() -> None:
    """A ladder by its own length, to no less than no shim; springs from no shim to where they are flat."""
    assert _span_of(COURSE, np.array([0.1e-3, 0.3e-3])) == pytest.approx((0.0, 0.5e-3))
    assert _span_of(COURSE, np.array([0.5e-3, 0.3e-3])) == pytest.approx((0.1e-3, 0.7e-3))
    stack = DiscStack(DiscSpring(0.095, 0.072, 0.0016, 0.0014), parallel=3, series=2)
    springs = _spring_course(stack, [0.2e-3], [70.0], [[1.0]], forces=[2000.0], forces_u=[1.0])
    assert _span_of(springs, np.array([0.2e-3])) == pytest.approx((0.0, springs.longest))
    assert _span_of(springs, np.array([0.2e-3, 5e-3])) == pytest.approx((0.0, 5e-3))


@pytest.mark.parametrize("way", ["ladder", "curve", "both"])
def test_what_is_said_beside_the_advice(way: str) -> None:
    """Beyond the rungs by which course; misses from twice their doubt on; whose shape a curve has."""
    new = "the disc-spring curve is that of EN 16984 for new discs, its scale the measured one"
    by = "of a curve through the rungs" if way == "ladder" else "along the disc-spring curve"
    rest = [] if way == "ladder" else [new]
    within = in_stock(80.0, None)
    beyond = within.model_copy(update={"extrapolated": True})
    told = ladder_of(replace(COURSE, misfit=4.0), way=way, notes=("invented",))
    assert _notes(told, within) == ["invented", *rest]
    told = ladder_of(replace(COURSE, misfit=4.41), way=way)
    extrapolated, missed, *other = _notes(told, beyond)
    assert extrapolated == (
        f"the advised shim lies beyond what was tested (0.1, 0.3 mm): an extrapolation {by}; test it before "
        "you rely on it"
    )
    assert missed == (
        "the rungs scatter 2.1 times more about the curve than they should: intervals are widened by that; a "
        "rung, a shim or the springs are not as stated"
    )
    assert other == rest


def candidate(shim: float, torque: float, chance: float | None) -> Candidate:
    return Candidate(
        shim_m=1e-3 * shim, preload_torque_Nm=torque, u_Nm=1.2, low_Nm=torque - 2.4, high_Nm=torque + 2.4,
        chance=chance, extrapolated=False,
    )  # fmt: skip


def advice(advised: Candidate, *others: Candidate, limits: Any = (70.0, 90.0), torque: float = 60.0) -> Any:
    """An advice for 80 N·m beside a unit with 0.2 mm."""
    rungs = [
        SimpleNamespace(shim_m=0.3e-3, preload_torque_Nm=99.0),
        SimpleNamespace(shim_m=0.2e-3, preload_torque_Nm=torque),
    ]
    return SimpleNamespace(rungs=rungs, advised=advised, candidates=[*others, advised], limits_Nm=limits)


def test_a_step_is_a_shim_that_does_better_than_the_fitted_one() -> None:
    """The advised one where it does; else the likeliest of those nearer to the target and within limits; of
    two alike the nearer; none where all do no better."""
    good, near, far = candidate(0.3, 79.0, 0.97), candidate(0.25, 71.0, 0.60), candidate(0.28, 76.0, 0.6004)
    same, worse = candidate(0.2, 60.0, 0.0), candidate(0.15, 55.0, 0.0)
    assert better_than_fitted(advice(good, near), 0.2e-3, 80.0) is good
    assert better_than_fitted(advice(same, near, far), 0.2e-3, 80.0) is far
    assert better_than_fitted(advice(same, candidate(0.25, 71.0, 0.8), far), 0.2e-3, 80.0) == candidate(
        0.25, 71.0, 0.8
    )
    assert better_than_fitted(advice(same, worse), 0.2e-3, 80.0) is None
    assert better_than_fitted(advice(worse, same), 0.2e-3, 80.0) is None
    # nearer, and beyond the limits all the same; without limits it is a step
    beyond = candidate(0.21, 65.0, 0.1)
    assert better_than_fitted(advice(same, beyond), 0.2e-3, 80.0) is None
    assert better_than_fitted(advice(same, beyond, limits=None), 0.2e-3, 80.0) is beyond
    # on either limit is within
    for torque, now in ((70.0, 60.0), (90.0, 100.0)):
        edge = candidate(0.21, torque, 0.5)
        assert better_than_fitted(advice(same, edge, torque=now), 0.2e-3, 80.0) is edge
    # as near as the fitted one is no nearer
    assert better_than_fitted(advice(same, candidate(0.4, 82.0, 0.9), torque=78.0), 0.2e-3, 80.0) is None
    # what is in is not known, or no rung: as advised
    assert better_than_fitted(advice(worse, good), None, 80.0) is worse
    assert better_than_fitted(advice(worse, good), 0.25e-3, 80.0) is worse
    # a micrometre apart is the same shim
    assert better_than_fitted(advice(candidate(0.2009, 79.0, 0.9)), 0.2e-3, 80.0) is None
    assert better_than_fitted(advice(candidate(0.2011, 79.0, 0.9)), 0.2e-3, 80.0) is not None


def rung(**parts: Any) -> Member:
    """One invented result; ``facts`` are of its build."""
    facts, forms = parts.pop("facts", {}), parts.pop("forms", [])
    record = result(parts.pop("unit", "Q17"), parts.pop("build", "Q17-a"), **parts)
    record["builds"][0].update(facts)
    one = Characterisation.model_validate(record)
    return Member(one.model_copy(update={"forms": forms}), "bench", "unit", "visit", None)


def test_what_the_sheets_state() -> None:
    """Spring forces that are stated, not those that were worked out; the shims of the newest sheet that has
    any; the limits of the preload, by whatever name; a shim that nobody states is asked for."""
    stated = {"spring_force": {**parameter(1970.0, {"press": 60.0}, "N"), "status": "stated"}}
    exact = {"spring_force": {**stated["spring_force"], "u": None}}
    worked_out = {"spring_force": parameter(1850.0, {"noise": 40.0}, "N")}
    without = {"spring_force": {**stated["spring_force"], "value": None}}
    members = [rung(parameters=one) for one in (stated, worked_out, exact, without, {})]
    values, doubts = _forces(members)
    assert values == pytest.approx([1970.0, math.nan, 1970.0, math.nan, math.nan], nan_ok=True)
    assert doubts[:3] == pytest.approx([60.0, 0.0, 0.0])
    old = rung(facts={"shims_in_stock_m": [0.1e-3]}, date="2026-03-01")
    new = rung(facts={"shims_in_stock_m": [0.2e-3, 0.3e-3]}, date="2026-03-05")
    dated = rung(facts={"shims_in_stock_m": [0.4e-3], "date": "2026-03-09"}, date="2026-02-01")
    bare = rung(date="2026-04-01")
    assert list(_stated([new, old, bare])) == [0.2e-3, 0.3e-3]
    assert list(_stated([new, dated, bare])) == [0.4e-3]
    assert tuple(_stated([bare])) == ()
    limits = {"ramp_bias_drive": (0.4, 0.6), "preload_torque[Q17-a]": (70.0, 90.0)}
    assert _limits([bare, rung(limits=limits)]) == (70.0, 90.0)
    assert _limits([bare]) is None
    assert _shim(rung(facts={"shim_m": 0.0})) == 0.0
    with pytest.raises(FitError, match=r"the shim of Q17-a is not known.*state it in the build sheet"):
        _shim(bare)


def test_repeatability_is_the_largest_that_a_rig_states() -> None:
    """Of the preload alone: columns of 1.2 and 0.5 N·m together are 1.3 of 80 N·m."""

    def form(names: list[str], columns: list[list[float]], preload: float = 80.0) -> FormState:
        values = [preload if name == "preload_torque" else 0.5 for name in names]
        return FormState(
            law="additive", stribeck_exponent=1.0, weight=1.0, names=names,
            logarithms=[False] * len(names), values=values, covariance=np.eye(len(names)).tolist(),
            shares={"bench repeatability": columns} if columns else {},
        )  # fmt: skip

    both = ["ramp_bias_drive_loading", "preload_torque"]
    small = rung(forms=[form(both, [[0.2, 0.1], [0.3, 0.4]], preload=100.0)])
    large = rung(forms=[form(both, [[0.2, 0.1], [1.2, 0.5]])])
    other = rung(forms=[form(["ramp_bias_drive_loading"], [[9.0, 9.0]])])
    silent = rung(forms=[form(both, [])])
    assert _repeatability([small, large, other, silent]) == pytest.approx(1.3 / 80.0)
    assert _repeatability([silent, small]) == pytest.approx(0.005)
    assert _repeatability([other, silent]) == 0.0


def test_results_that_are_no_rungs_of_one_ladder() -> None:
    """None; of two units; without a preload: each in words, with what to do."""
    lost = {"preload_torque": {**parameter(80.0, {"noise": 1.0}, "N·m"), "value": None}}
    for members, told in (
        ([], "no result is given. Mend: name characterisations or run sheets"),
        (
            [rung(unit="Q18"), rung()],
            "the results are of different units (Q17, Q18). Mend: name builds of one unit",
        ),
        (
            [rung(), rung(build="Q17-b", parameters=lost)],
            "the preload torque of Q17-b is not determined. Mend: leave that build out, or test it with slip",
        ),
    ):
        with pytest.raises(FitError, match=re.escape(told)):
            _rungs_of(members)
    assert [one.facts.build for one in _rungs_of([rung(), rung(build="Q17-b")])] == ["Q17-a", "Q17-b"]
