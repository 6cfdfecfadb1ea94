"""Profile intervals against lmfit's `conf_interval` on certified problems that bend.

lmfit searches the end by a root finder with the variance taken from the residuals: F with 1 and n − p degrees
of freedom, which is t². The data are NIST's (retrieved; `data/nist-strd/README.md`), MGH09 and BoxBOD among
the least linear ones.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import lmfit
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import t

from diffbench.fitting.profile import NEAR, Profile, profile
from diffbench.fitting.solver import Problem, Solution, polish
from diffbench.fitting.unknowns import Names, Unknown

Array = NDArray[np.float64]
DATA = Path(__file__).parent / "data" / "nist-strd"


def growth(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * (1.0 - np.exp(-b[1] * x)))


def richards(b: Array, x: Array) -> Array:
    return np.asarray(b[0] / (1.0 + np.exp(b[1] - b[2] * x)) ** (1.0 / b[3]))


def rational(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]))


# certified values, from the files
PROBLEMS: dict[str, tuple[Any, tuple[float, ...]]] = {
    "Misra1a": (growth, (238.94212918, 5.5015643181e-4)),
    "BoxBOD": (growth, (213.80940889, 0.54723748542)),
    "Rat43": (richards, (699.64151270, 5.2771253025, 0.75962938329, 1.2792483859)),
    "MGH09": (rational, (0.19280693458, 0.19128232873, 0.12305650693, 0.13606233068)),
}


def solved(name: str) -> tuple[Problem, Solution, Array, Array]:
    """The problem with residuals in units of their standard deviation, and its solution from the certified
    values."""
    model, certified = PROBLEMS[name]
    lines = (DATA / f"{name}.dat").read_text(encoding="ascii").splitlines()
    y, x = np.array([line.split() for line in lines[60:] if line.strip()], dtype=np.float64).T
    at = np.array(certified)
    sigma = float(np.sqrt(np.sum((y - model(at, x)) ** 2) / (x.size - at.size)))
    names = Names(tuple(Unknown(f"b{i}", value) for i, value in enumerate(certified)))
    problem = Problem(names, lambda b: (y - model(b, x)) / sigma)
    return problem, polish(problem, at, steps=1e-6 * np.abs(at)), x, y


def by_profile(name: str, i: int) -> tuple[float, float, Profile]:
    problem, solution, x, _ = solved(name)
    factor = float(t.ppf(0.975, x.size - solution.x.size))
    found = profile(
        problem,
        solution,
        lambda b: float(b[i]),
        np.eye(solution.x.size)[i],
        step=1e-5 * np.abs(solution.x),
        factor=factor,
    )
    wide = factor * found.u
    return float(solution.x[i] - found.below * wide), float(solution.x[i] + found.above * wide), found


def by_lmfit(name: str) -> dict[str, tuple[float, float]]:
    model, certified = PROBLEMS[name]
    _, _, x, y = solved(name)
    parameters = lmfit.Parameters()
    for i, value in enumerate(certified):
        parameters.add(f"b{i}", value=value)

    def residual(p: lmfit.Parameters) -> Array:
        return np.asarray(y - model(np.array([p[f"b{i}"].value for i in range(len(certified))]), x))

    minimiser = lmfit.Minimizer(residual, parameters)
    with warnings.catch_warnings():
        # on its way out to a root it tries powers of negative numbers
        warnings.simplefilter("ignore", RuntimeWarning)
        result = minimiser.minimize(method="leastsq", xtol=1e-12, ftol=1e-12)
        ends = lmfit.conf_interval(minimiser, result, sigmas=[0.95])
    return {name: (found[0][1], found[2][1]) for name, found in ends.items()}


@pytest.mark.parametrize("name", PROBLEMS)
def test_ends_of_the_profile(name: str) -> None:
    """Every end within what a chord or parabola may leave open, most far closer; half-widths differ by up to
    six times on these problems."""
    theirs = by_lmfit(name)
    apart = []
    for i, value in enumerate(PROBLEMS[name][1]):
        low, high, _ = by_profile(name, i)
        for mine, other in zip((low, high), theirs[f"b{i}"], strict=True):
            apart.append(abs(mine - other) / abs(other - value))
    assert max(apart) < NEAR
    assert float(np.median(apart)) < 0.4 * NEAR


def test_the_bend_is_seen() -> None:
    """BoxBOD's rate: the interval reaches twice as far above as below, the symmetric one lies a half off."""
    _, _, found = by_profile("BoxBOD", 1)
    assert found.above > 2.0 * found.below
    assert found.above > 1.5


def test_what_is_as_good_as_a_parabola_costs_two_evaluations() -> None:
    """Misra1a by its first half-width in ten: there its parameters are linear to a part in a hundred."""
    problem, solution, _, _ = solved("Misra1a")
    found = profile(
        problem, solution, lambda b: float(b[0]), np.eye(2)[0], step=1e-5 * np.abs(solution.x), factor=0.2
    )
    assert found.evaluations == 2
    assert (found.below, found.above) == (1.0, 1.0)
