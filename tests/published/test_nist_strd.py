"""Certified nonlinear problems through the solver of the fits: values and standard deviations, both.

Source: NIST Statistical Reference Datasets, nonlinear regression (retrieved; `data/nist-strd/README.md` says
from where). The linear unknowns of each model are eliminated from the search, all are polished together, as
in a fit of a bench.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.fitting.solver import Problem, Solution, polish, search
from diffbench.fitting.unknowns import Names, Unknown

Array = NDArray[np.float64]
DATA = Path(__file__).parent / "data" / "nist-strd"


@dataclass(frozen=True)
class Certified:
    """One file: data, two starts, certified values and standard deviations (p,), residual sum of squares."""

    x: Array
    y: Array
    starts: tuple[Array, Array]
    values: Array
    deviations: Array
    sum_of_squares: float


@dataclass(frozen=True)
class Model:
    """``y = Σ b_i column_i(b, x)`` over the ``linear`` unknowns: their columns (n, k), given the others."""

    linear: tuple[int, ...]
    columns: Callable[[Array, Array], Array]


MODELS: dict[str, Model] = {
    # the model of each file, lines 31 to 39
    "Misra1a": Model((0,), lambda b, x: np.stack([1 - np.exp(-b[1] * x)], axis=1)),
    "BoxBOD": Model((0,), lambda b, x: np.stack([1 - np.exp(-b[1] * x)], axis=1)),
    "DanWood": Model((0,), lambda b, x: np.stack([x ** b[1]], axis=1)),
    "MGH09": Model((0,), lambda b, x: np.stack([(x**2 + x * b[1]) / (x**2 + x * b[2] + b[3])], axis=1)),
    "Thurber": Model(
        (0, 1, 2, 3),
        lambda b, x: (
            np.stack([np.ones_like(x), x, x**2, x**3], axis=1)
            / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)[:, None]
        ),
    ),
    "Eckerle4": Model((0,), lambda b, x: np.stack([np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2) / b[1]], axis=1)),
    "Rat43": Model((0,), lambda b, x: np.stack([(1 + np.exp(b[1] - b[2] * x)) ** (-1 / b[3])], axis=1)),
    "Bennett5": Model((0,), lambda b, x: np.stack([(b[1] + x) ** (-1 / b[2])], axis=1)),
}


def read(name: str) -> Certified:
    """Read a file by its own line numbers."""
    lines = (DATA / f"{name}.dat").read_text(encoding="ascii").splitlines()
    rows = [line.split("=")[1].split() for line in lines[40:58] if re.match(r"\s*b\d+ =", line)]
    table = np.array(rows, dtype=np.float64)
    total = next(line for line in lines if line.startswith("Residual Sum of Squares"))
    data = np.array([[float(word) for word in line.split()] for line in lines[60:] if line.strip()])
    starts = (table[:, 0], table[:, 1])
    return Certified(data[:, 1], data[:, 0], starts, table[:, 2], table[:, 3], float(total.split(":")[1]))


def problem_of(name: str, certified: Certified, *, sigma: float = 1.0, eliminate: bool = True) -> Problem:
    """The problem as the solver takes it, residuals in units of ``sigma``."""
    model = MODELS[name]
    linear = [eliminate and i in model.linear for i in range(certified.values.size)]
    names = Names(tuple(Unknown(f"b{i + 1}", 1.0, linear=flag) for i, flag in enumerate(linear)))

    def residual(b: Array) -> Array:
        return (certified.y - model.columns(b, certified.x) @ b[list(model.linear)]) / sigma

    def columns(b: Array) -> tuple[Array, Array]:
        return certified.y / sigma, model.columns(b, certified.x) / sigma

    return Problem(names, residual, columns if eliminate else None)


def solve(name: str, certified: Certified, start: Array) -> tuple[Solution, Array]:
    """Search, polish, polish again in units of the residual's own standard deviation, as a fit does: the
    solution, and the standard deviations ``s √diag((JᵀJ)⁻¹)`` by the solver's own Jacobian."""
    found, _, _ = search(problem_of(name, certified), start)
    first = polish(problem_of(name, certified), found, steps=1e-4 * np.abs(found))
    freedom = certified.y.size - certified.values.size
    sigma = float(np.sqrt(2.0 * first.cost / freedom))
    last = polish(problem_of(name, certified, sigma=sigma), first.x, steps=1e-5 * np.abs(first.x))
    s2 = 2.0 * last.cost / freedom
    return last, np.sqrt(np.diag(np.linalg.inv(last.jacobian.T @ last.jacobian)) * s2)


CASES = [(name, start) for name in MODELS for start in (1, 2)]


@pytest.mark.parametrize(("name", "start"), CASES)
def test_certified_values_are_found(name: str, start: int) -> None:
    """Within a thousandth of the certified standard deviation, from both published starts."""
    certified = read(name)
    solution, _ = solve(name, certified, certified.starts[start - 1])
    assert solution.converged, solution.reason
    # The polish stops when the sum of squares falls by less than 1e-9 of it, which is a distance of
    # sqrt(1e-9 (n - p)) < 4e-4 standard deviations for the 151 degrees of freedom of the largest problem;
    # one-sided difference quotients shift the optimum by about as much.
    assert np.max(np.abs(solution.x - certified.values) / certified.deviations) < 1e-3
    # eleven digits are printed; the optimum is flat: 1e-3 standard deviations raise the sum by 1e-6/(n - p)
    residual = problem_of(name, certified, eliminate=False).residual(solution.x)
    assert residual @ residual == pytest.approx(certified.sum_of_squares, rel=1e-6)


@pytest.mark.parametrize(("name", "start"), CASES)
def test_certified_standard_deviations_are_found(name: str, start: int) -> None:
    """To three digits and a half: what central differences at an optimum good to a thousandth allow."""
    certified = read(name)
    _, deviations = solve(name, certified, certified.starts[start - 1])
    # Thurber loses most: its Jacobian changes by some 1e-4 over a thousandth of a standard deviation
    np.testing.assert_allclose(deviations, certified.deviations, rtol=3e-4)


@pytest.mark.parametrize(("name", "start"), CASES)
def test_a_search_without_elimination_never_claims_a_wrong_optimum(name: str, start: int) -> None:
    """The published starts are hard without elimination: only the certified optimum is called converged."""
    certified = read(name)
    problem = problem_of(name, certified, eliminate=False)
    begin = certified.starts[start - 1]
    # Rat43 and BoxBOD overflow on their way from the far start: an infinite residual is a step that fails
    with np.errstate(over="ignore", invalid="ignore"):
        solution = polish(problem, begin, steps=1e-4 * np.abs(begin))
    at_optimum = 2.0 * solution.cost == pytest.approx(certified.sum_of_squares, rel=1e-6)
    assert at_optimum or not solution.converged


def test_boxbod_from_its_far_start_is_no_convergence() -> None:
    """Start 1 leads a search in both unknowns onto a plateau, where b2 has no effect left: that is said."""
    certified = read("BoxBOD")
    problem = problem_of("BoxBOD", certified, eliminate=False)
    found, cost, _ = search(problem, certified.starts[0])
    assert 2.0 * cost > 2.0 * certified.sum_of_squares  # else the start is not as hard as published
    solution = polish(problem, found)
    assert not solution.converged
    assert "plateau: b2" in solution.reason


def test_rat43_has_eleven_degrees_of_freedom() -> None:
    """The file prints 9; its residual standard deviation is that of 15 observations less 4 parameters."""
    certified = read("Rat43")
    # half a unit of the last printed digit of 2.8262414662E+01
    assert np.sqrt(certified.sum_of_squares / 11) == pytest.approx(28.262414662, abs=5e-9)
