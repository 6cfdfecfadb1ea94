"""One form, fitted: told apart from its rivals, from several starts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from diffbench.documents import load_visit
from diffbench.fitting import (
    Candidate,
    Form,
    Setup,
    condition_visit,
    first_look,
    fit_form,
    gather,
    in_the_light_of,
    thinned,
)
from diffbench.fitting.solver import Problem, Solution, polish, search
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive, GreaterOf

Array = NDArray[np.float64]
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.fixture(scope="module")
def setup() -> Setup:
    """A short sweep."""
    visit = load_visit(FIXTURES / "shims" / "run-shim-0.1mm.toml")
    conditioned, _ = condition_visit(visit, lambda _: None)
    return Setup.of([visit.build], gather(conditioned))


@pytest.fixture(scope="module")
def fitted(setup: Setup) -> Candidate:
    form = Form(Additive(), Stribeck(1.0))
    start = first_look(setup.model(form))
    return fit_form(setup.model(form), start=start, starts=True)


def test_a_fit_starts_from_several_places(fitted: Candidate) -> None:
    """Each start's cost is kept, the answer's first among the best."""
    assert len(fitted.starts) == 3
    assert fitted.solution.converged
    assert fitted.solution.cost <= min(fitted.starts) + 0.5


def test_searches_that_end_early_are_polished_before_they_are_compared(
    setup: Setup, fitted: Candidate, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Broken off after a few steps, far above the best cost: polished, each ends at the same answer, so that
    no disagreement is reported where there is none."""
    ended = []

    def short(
        problem: Problem, start: Array, *, tolerance: float, limit: int = 400
    ) -> tuple[Array, float, int]:
        found = search(problem, start, tolerance=tolerance, limit=min(limit, 14))
        ended.append(found[1])
        return found

    monkeypatch.setattr("diffbench.fitting.candidate.search", short)
    form = Form(Additive(), Stribeck(1.0))
    early = fit_form(setup.model(form), start=fitted, starts=True)
    assert max(ended) > fitted.solution.cost + 20.0  # they did end early
    np.testing.assert_allclose(early.starts, early.solution.cost, atol=0.5)  # of half χ²
    # the noise of each is settled to some per cent: by one noise, the answer is the same
    assert early.chi2(fitted.noise) == pytest.approx(fitted.chi2(fitted.noise), abs=0.1)


def test_another_start_gives_the_same_answer(setup: Setup, fitted: Candidate) -> None:
    """From friction that rises with speed, plates that answer slowly: the preload to a hundredth of its
    doubt."""
    form = Form(Additive(), Stribeck(1.0))
    quick = first_look(setup.model(form))
    x = quick.x.copy()
    x[quick.names.position["static_excess"]] = -0.1
    x[quick.names.position["heat_conductance"]] -= 1.0
    x[quick.names.position["unloading_ratio_drive"]] = 2.0
    far = replace(quick, solution=replace(quick.solution, x=x))
    other = fit_form(setup.model(form), start=far, starts=True)
    u = np.sqrt(np.diag(fitted.covariance().total))
    for name in ("preload_torque", "ramp_bias_drive_loading", "unloading_ratio_drive"):
        at = fitted.names.position[name]
        assert abs(other.x[at] - fitted.x[at]) < 0.05 * u[at], name


def test_rivals_of_one_form_are_told_apart(fitted: Candidate) -> None:
    """Each is itself: they share form, names and model, and comparing their arrays would have no answer."""
    rival = replace(fitted, solution=replace(fitted.solution, x=fitted.x + 0.01))
    assert rival not in [fitted]
    assert fitted in [rival, fitted]


def test_the_fit_explains_the_noise_it_finds(fitted: Candidate) -> None:
    """χ² per effective cell is about one: its relative standard deviation is √(2/n)."""
    cells = fitted.noise.effective
    assert fitted.chi2(fitted.noise) / cells == pytest.approx(1.0, abs=0.5)
    assert fitted.used.mean() > 0.99


def test_a_search_over_some_cells_ends_at_the_same_answer(
    setup: Setup, fitted: Candidate, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Compression for the search alone: the optimum is that of all cells, to a fiftieth of each doubt, and
    so is its covariance."""
    monkeypatch.setattr("diffbench.fitting.candidate.ENOUGH_CELLS", 60)
    form = Form(Additive(), Stribeck(1.0))
    start = first_look(setup.model(form))
    thin = fit_form(setup.model(form), start=start, starts=True)
    u, v = (np.sqrt(np.diag(found.covariance().total)) for found in (fitted, thin))
    moved = np.abs(thin.x - fitted.x) / np.maximum(u, 1e-12)
    assert thin.residual.size == fitted.residual.size > 4 * 60
    assert float(moved.max()) < 0.02
    np.testing.assert_allclose(v, u, rtol=0.01)


@pytest.mark.parametrize("enough", [200, 2000])
def test_a_rough_answer_is_good_enough_to_give_a_law_up_by(
    enough: int, setup: Setup, fitted: Candidate, monkeypatch: pytest.MonkeyPatch
) -> None:
    """χ² of all cells within some of the full answer's, where a law is given up for sixty: even of a fifth of
    the cells, here a few for each unknown."""
    monkeypatch.setattr("diffbench.fitting.candidate.ENOUGH_CELLS", enough)
    form = Form(Additive(), Stribeck(1.0))
    start = first_look(setup.model(form))
    rough = in_the_light_of(start, fitted)
    assert rough.noise is fitted.noise
    np.testing.assert_array_equal(rough.used, fitted.used)
    assert rough.chi2(fitted.noise) == pytest.approx(fitted.chi2(fitted.noise), abs=15.0)
    assert rough.residual.size == fitted.residual.size


def test_a_law_that_stays_far_off_is_given_up_on_the_way(setup: Setup, fitted: Candidate) -> None:
    """By a few slopes; polished to the end, it is as hopeless: twice the cost, and more than sixty in χ²."""
    lost = in_the_light_of(first_look(setup.model(Form(GreaterOf(), Stribeck(1.0)))), fitted)
    end = polish(lost.problem, lost.x, on_the_way=True)
    assert lost.solution.evaluations < 0.5 * end.evaluations
    assert end.cost > 2.0 * fitted.solution.cost
    assert 2.0 * (end.cost - fitted.solution.cost) > 60.0


def test_a_start_that_brings_no_news_is_not_polished_to_the_end(
    setup: Setup, fitted: Candidate, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One stays far off, at over three times the cost. The other's cost tells that it comes to the answer, to
    a tenth of half χ²: what differs by a half counts as one."""
    spent = []

    def counted(*given: Any, **also: Any) -> Solution:
        found = polish(*given, **also)
        if also.get("enough") is not None:
            spent.append((found.evaluations, polish(*given, **{**also, "enough": None})))
        return found

    monkeypatch.setattr("diffbench.fitting.candidate.polish", counted)
    again = fit_form(fitted.model, start=fitted, starts=True)
    (_, off, same), (to_off, to_same) = again.starts, spent
    assert to_off[0] < to_off[1].evaluations
    assert off >= to_off[1].cost > 3.0 * again.solution.cost
    assert to_same[0] < to_same[1].evaluations
    assert same == pytest.approx(to_same[1].cost, abs=0.1)


@given(seed=st.integers(0, 2**32 - 1), enough=st.integers(20, 2000))
def test_a_cell_computes_the_same_among_few_as_among_all(fitted: Candidate, seed: int, enough: int) -> None:
    """Whatever the unknowns, to the last digits: histories of torque and heat are whole for every selection.

    Errors of the bench stay at zero: what they do to a turn is read at the nearest cell that is there."""
    model, names = fitted.model, fitted.names
    x = fitted.x + np.random.default_rng(seed).normal(0.0, 0.05, len(names)) * np.maximum(
        np.abs(fitted.x), 0.1
    )
    x[[name.startswith("error:") for name in names.position]] = 0.0
    x = np.clip(x, names.low, names.high)
    some, kept = thinned(model, enough)
    assert kept.size == fitted.residual.size or enough <= kept.size <= 3 * enough
    np.testing.assert_allclose(some.locking(x), model.locking(x)[kept], rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(some.columns(x)[1], model.columns(x)[1][kept], rtol=1e-12, atol=1e-12)
