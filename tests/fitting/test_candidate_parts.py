"""What a candidate tells of itself, where searches start, and which minima are rivals, by a few numbers."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.fitting import Candidate, FitData, thinned
from diffbench.fitting import candidate as room
from diffbench.fitting.noise import CellNoise
from diffbench.fitting.solver import Solution
from diffbench.fitting.unknowns import Names, Unknown

UNKNOWNS = (
    Unknown("free", 1.0),
    Unknown("stated", 3.0, knowledge="stated", prior=2.0, prior_u=0.5),
    Unknown("gears", 0.5, knowledge="stated", prior=0.5, prior_u=0.25, considered=True),
)
X = np.array([-3.0, 3.0, 0.5])
SIGMA = np.array([1.0, 2.0, 0.5])
USED = np.array([True, True, False])


def solution(x: Any, cost: float, jacobian: Any = ((0.0, 0.0),)) -> Solution:
    return Solution(np.array(x), cost, np.zeros(2), np.array(jacobian), True, (), 1, "")


def made(**parts: Any) -> Candidate:
    """Three cells, the last of them rejected, whose residual is the square of an unknown each."""
    names = Names(UNKNOWNS)
    data = SimpleNamespace(run=np.array([0, 1, 2]), cycle=np.array([4, 5, 6]))
    model: Any = SimpleNamespace(
        names=names, data=data, residual=lambda x: np.array([x[0] ** 2, x[2] ** 2, 5.0]),
        columns=lambda x: (np.array([1.0, 3.0, 9.0]), np.array([[2.0], [4.0], [8.0]])),
    )  # fmt: skip
    given: dict[str, Any] = {
        "model": model, "residual": np.array([2.0, -3.0, 4.0]), "used": USED, "starts": (1.0,),
        "solution": solution(X, 7.0, [[1.0, 2.0, 0.0], [3.0, 4.0, 0.0]]),
        "noise": CellNoise(SIGMA, 2.5, 1.2),
    }  # fmt: skip
    return Candidate(**{**given, **parts})


def test_chi_squared_counts_used_cells_at_their_effective_number() -> None:
    """2² and 1.5² over 2.5, and two standard uncertainties from what is stated."""
    assert made().chi2(CellNoise(SIGMA, 2.5, 1.2)) == pytest.approx(6.25 / 2.5 + 4.0)
    assert made().chi2(CellNoise(2.0 * SIGMA, 1.0, 1.2)) == pytest.approx(6.25 / 4.0 + 4.0)


def test_sensitivities_are_per_cell_those_to_what_is_only_considered_included() -> None:
    """The search's own at the weight of an independent cell; of a square, twice the unknown."""
    found = made().sensitivities()
    assert found[:, :2] == pytest.approx(math.sqrt(2.5) * np.array([[1.0, 2.0], [3.0, 4.0]]))
    assert found[:, 2] == pytest.approx([0.0, 2.0 * 0.5 / 2.0])


def test_what_is_minimised_has_its_effective_weight() -> None:
    problem = made().problem
    weight = 1.0 / math.sqrt(2.5)
    assert problem.residual(X) == pytest.approx([9.0 * weight, 0.25 / 2.0 * weight])
    assert problem.columns is not None
    observed, design = problem.columns(X)
    assert observed == pytest.approx([weight, 1.5 * weight])
    assert design == pytest.approx(np.array([[2.0 * weight], [2.0 * weight]]))


def test_steps_of_difference_quotients() -> None:
    """A hundredth of what is known, a ten-thousandth of the value, a thousandth of a logarithm; never
    nothing."""
    names = Names(
        (
            *UNKNOWNS,
            Unknown("none", 0.0),
            Unknown("sure", 0.0, knowledge="stated", prior_u=1e-6),
            Unknown("log", 0.0, logarithm=True, knowledge="weak", prior_u=7.0),
        )
    )
    steps = room._steps(names, np.array([-3.0, 3.0, 0.5, 0.0, 5.0, 6.0]))
    assert steps == pytest.approx([3e-4, 5e-3, 2.5e-3, 1e-6, 1e-7, 1e-3], rel=1e-12)


def test_the_covariance_is_of_used_cells_without_what_is_explained(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the law misses is taken off the residual, and off the yardstick of its noise."""
    told: dict[str, Any] = {}

    def combined(names: Names, sensitivities: Any, rest: Any, **given: Any) -> str:
        told.update(given, rest=rest, rows=sensitivities.shape)
        return "covariance"

    asked: list[Any] = []

    def quieter(data: Any, residual: Any, *, unknowns: int) -> CellNoise:
        asked.append((residual.tolist(), unknowns))
        return CellNoise(np.full(3, 0.5), 2.0, 1.5)

    monkeypatch.setattr(room, "combine", combined)
    monkeypatch.setattr(room, "from_residual", quieter)
    assert made().covariance(left_out=("law", np.ones((3, 1)))) == "covariance"
    assert told["rest"].tolist() == [2.0, -1.5]
    assert (told["rows"], told["inflation"], told["quieter"]) == ((2, 3), 2.5, 1.0)
    assert (told["run"].tolist(), told["cycle"].tolist(), told["left_out"][0]) == ([0, 1], [4, 5], "law")
    made().covariance(explained=np.array([0.5, -1.0]))
    assert told["rest"].tolist() == [1.5, -1.0]
    assert asked == [([1.5, -2.0, 4.0], 3)]
    # 0.5² · 2 over 1² · 2.5
    assert told["quieter"] == pytest.approx(0.2)
    made(noise=CellNoise(np.full(3, 0.1), 1.0, 3.0)).covariance(explained=np.array([0.5, -1.0]))
    assert told["quieter"] == 1.0


def test_a_form_starts_where_another_one_ended() -> None:
    """In what both have, within its own bounds; else where it always starts."""
    other: Any = SimpleNamespace(names=Names(UNKNOWNS), x=X)
    names = Names((Unknown("new", 0.3), Unknown("stated", 9.0, low=0.0, high=2.5), Unknown("free", 1.0)))
    assert room._carried(names, other).tolist() == [0.3, 2.5, -3.0]


def test_searches_start_where_the_surface_is_not_convex() -> None:
    """Plates that answer in 8 s or in 50 s, ramps with hardly any play once, and the friction law's own
    starts; all else is where it was, but for temperature and heat, which begin anew."""
    names = Names(
        (
            Unknown("heat_capacity", math.log(900.0), logarithm=True),
            Unknown("heat_conductance", math.log(20.0), logarithm=True, high=math.log(100.0)),
            Unknown("temperature_coefficient", 0.002),
            Unknown("unloading_ratio_drive", 1.2, low=1.0),
            Unknown("unloading_ratio_coast[b]", 1.2, low=1.0),
            Unknown("speed", 0.0, logarithm=True),
            Unknown("excess", 0.1),
            Unknown("preload", 80.0),
        )
    )
    friction: Any = SimpleNamespace(
        unknowns=(
            SimpleNamespace(name="speed", starts=(0.2, 3.0), logarithm=True),
            SimpleNamespace(name="excess", starts=(-0.1, 0.3), logarithm=False),
            SimpleNamespace(name="preload", starts=(), logarithm=False),
        )
    )
    begin = np.array([1.0, 2.0, 0.009, 1.4, 1.02, 0.7, 0.8, 76.0])
    quick, slow = room._starts(names, friction, begin)
    capacity = math.log(900.0)
    assert quick == pytest.approx(
        [capacity, math.log(100.0), 0.002, 1.05, 1.02, math.log(0.2), -0.1, 76.0]
    )  # 900/8 is more than the bound
    assert slow == pytest.approx(
        [capacity, math.log(900.0 / 50.0), 0.002, 1.4, 1.02, math.log(3.0), 0.3, 76.0]
    )
    assert begin[0] == 1.0


NAMES = Names((Unknown("a", 0.0), Unknown("b", 0.0, knowledge="stated", prior_u=0.25)))
#: a told to 1/5 by two cells, b to 1/5, too: 3² and what is known, 4².
BEST = solution([1.0, 2.0], 40.0, [[3.0, 0.0], [4.0, 3.0]])


def test_minima_that_the_data_cannot_rule_out() -> None:
    """Within five of half χ², and more than five standard errors away from the best and from each other."""
    far, alike, near = solution([2.1, 2.0], 42.0), solution([2.1, 2.9], 43.0), solution([1.99, 2.99], 41.0)
    other, bad, bound = solution([1.0, 0.9], 44.9), solution([9.0, 2.0], 45.1), solution([-9.0, 2.0], 45.0)
    found = room._rivals(NAMES, BEST, [bad, other, alike, far, BEST, near, bound])
    assert [one.cost for one in found] == [42.0, 44.9]


@pytest.mark.parametrize(
    ("cost", "gain", "far"), [(85.1, 0.0, True), (84.9, 0.0, False), (95.0, 0.98, True), (95.0, 1.02, False)]
)
def test_a_polish_that_stays_far_off(cost: float, gain: float, far: bool) -> None:
    """Above twice the best cost and five more, though it gained ten times what its slopes promise."""
    assert room._stays_far(BEST, cost, gain) is far
    assert room._no_news(NAMES, BEST)(np.array([50.0, 50.0]), cost, gain) is far


def test_a_polish_that_comes_to_a_minimum_that_is_known() -> None:
    """Within five standard errors in each unknown, with less than a twentieth of a half left to gain."""
    told = room._no_news(NAMES, BEST)
    assert told(np.array([1.99, 1.01]), 41.0, 0.049)
    assert not told(np.array([1.99, 1.01]), 41.0, 0.051)
    assert not told(np.array([2.01, 2.0]), 41.0, 0.0)
    assert not told(np.array([1.0, 0.99]), 41.0, 0.0)


@pytest.mark.parametrize(
    ("enough", "every"), [(100, 1), (61, 1), (60, 2), (40, 3), (30, 3), (25, 3), (24, 5), (20, 5)]
)
def test_some_of_the_cells_are_every_so_many_of_each_run(data_of: Any, enough: int, every: int) -> None:
    """Of 120 in two runs, the second of which begins with its own first; an even number, but for two, is made
    odd."""
    run = np.repeat([0, 1], [50, 70])
    data: FitData = data_of(cells=120, run=run, time=np.arange(120.0))
    model: Any = SimpleNamespace(data=data, on=lambda some: some)
    some: Any
    some, kept = thinned(model, enough)
    if every == 1:
        assert some is model
        assert kept.tolist() == list(range(120))
        return
    assert kept.tolist() == [*range(0, 50, every), *range(50, 120, every)]
    assert some.time.tolist() == kept.tolist()


def test_each_of_some_cells_stands_for_several(monkeypatch: pytest.MonkeyPatch, data_of: Any) -> None:
    """So that what is known beforehand keeps its weight: a third of the cells at a third of the inflation."""
    monkeypatch.setattr(room, "ENOUGH_CELLS", 20)
    data: FitData = data_of(cells=60, difference=np.arange(60.0))
    names = Names((Unknown("a", 0.0),))

    def on(some: FitData) -> Any:
        return SimpleNamespace(names=names, data=some, residual=lambda x: some.difference - x[0], on=on)

    noise = CellNoise(np.full(60, 2.0), 4.5, 13.0)
    used = np.arange(60) != 3
    problem = room._of_some_cells(on(data), noise, used)
    assert problem is not None
    cells = np.array([0.0, *range(6, 60, 3)])
    assert problem.residual(np.array([1.0])) == pytest.approx((cells - 1.0) / (2.0 * math.sqrt(1.5)))
    few = data_of(cells=39)
    assert (
        room._of_some_cells(on(few), CellNoise(np.full(39, 2.0), 1.0, 39.0), np.ones(39, dtype=bool)) is None
    )
