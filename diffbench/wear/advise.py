"""Which shim gives a target preload: of those in stock, with interval and chance to land within limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np

from diffbench.errors import FitError
from diffbench.results.characterisation import Characterisation
from diffbench.results.document import Document, Frozen
from diffbench.wear.joint import NORMAL_95
from diffbench.wear.ladder import Course
from diffbench.wear.rungs import DISAGREEMENT, Ladder, Way, ladder_of, span_of
from diffbench.wear.sharing import Member
from diffbench.wear.significance import one_sided

FORMAT: Literal["diffbench-shim-advice/1"] = "diffbench-shim-advice/1"

STEP = 0.05e-3  # m, where the workshop does not say in which steps it stocks shims
SURE = 0.95  # a chance that needs no better one
SHOWN = 3  # candidates to either side of the advised one


class Rung(Frozen):
    """A measured preload: shim [m], preload torque and standard uncertainty [N·m], and whose."""

    build: str
    shim_m: float
    preload_torque_Nm: float
    u_Nm: float


class Candidate(Frozen):
    """A shim in stock [m] with the preload torque that it will give [N·m] and its 95 % interval for one new
    assembly; ``chance`` that this lies within limits, None without limits; ``extrapolated`` beyond the
    ladder."""

    shim_m: float
    preload_torque_Nm: float
    u_Nm: float
    low_Nm: float
    high_Nm: float
    chance: float | None
    extrapolated: bool


class ShimAdvice(Document):
    """The advised shim and its neighbours in stock."""

    format: Literal["diffbench-shim-advice/1"] = FORMAT
    unit: str
    target_Nm: float
    limits_Nm: tuple[float, float] | None
    step_m: float
    way: Way
    rungs: list[Rung]
    exact_shim_m: float
    advised: Candidate
    candidates: list[Candidate]
    misfit: float
    notes: list[str]


def advise(
    results: Sequence[Characterisation | Member],
    *,
    target: float,
    limits: tuple[float, float] | None = None,
    step: float = STEP,
    way: Way | None = None,
) -> ShimAdvice:
    """Advise a shim for a preload torque.

    Parameters
    ----------
    results : sequence of Characterisation or Member
        Builds of one unit with different shims, each by itself or fitted together; one is enough where its
        sheet states disc springs and spring force.
    target : float
        Preload torque wanted [N·m].
    limits : pair of float or None
        Limits that it shall land within [N·m]; those of the build sheet by default.
    step : float
        Steps in which shims are in stock [m].
    way : "ladder", "curve", "both" or None
        Measured rungs alone; the disc-spring curve through one rung and its stated force; the curve through
        all of them. By default both where springs are stated, else the ladder.

    Returns
    -------
    The advised shim: of those in stock the nearest to the target that lands within limits with a chance of
    95 %; where there is none, the likeliest; without limits the nearest. The interval is that of one new
    assembly, with the rig's repeatability.

    Raises
    ------
    FitError
        What is known does not reach: too few rungs, no springs, a target beyond what can be answered.
    """
    if not (target > 0.0 and step > 0.0):
        raise FitError.single("target and step must be positive", mend="name a preload torque and a step")
    ladder = ladder_of(results, way, near=target)
    members, shims, course, used = ladder.members, ladder.shims, ladder.course, ladder.used
    notes: list[str] = []
    if ladder.scatter == 0.0:
        notes.append(
            "the rig states no repeatability: what a fresh assembly scatters by is not in the intervals"
        )
    span = span_of(course, used)
    exact = _solve(course, target, span)
    limits = limits or _limits(members)
    grid = _stock(exact, step, span)
    candidates = [_candidate(ladder, s, limits) for s in grid]
    if limits is not None and not limits[0] <= target <= limits[1]:
        notes.append(
            f"the target lies outside the limits ({limits[0]:g} to {limits[1]:g} N·m): the shim is the "
            "nearest to the target, and the chance that of landing within them all the same"
        )
    advised = _choice(candidates, target, limits)
    notes += _notes(ladder, advised)
    return ShimAdvice(
        unit=members[0].characterisation.unit,
        target_Nm=target,
        limits_Nm=limits,
        step_m=step,
        way=ladder.way,
        rungs=[
            Rung(
                build=m.facts.build,
                shim_m=float(shims[i]),
                preload_torque_Nm=float(ladder.joint.value[i]),
                u_Nm=float(ladder.joint.u[i]),
            )
            for i, m in enumerate(members)
        ],
        exact_shim_m=exact,
        advised=advised,
        candidates=candidates,
        misfit=course.misfit,
        notes=notes,
    )


def _solve(course: Course, target: float, span: tuple[float, float]) -> float:
    """Shim [m] at which the course reaches the target."""
    x = np.linspace(span[0], span[1], 4001)
    y, _ = course.at(x)
    crossings = np.flatnonzero((y[:-1] - target) * (y[1:] - target) <= 0.0)
    if crossings.size == 0:
        raise FitError.single(
            f"{target:.4g} N·m is not within reach: shims from {1e3 * span[0]:.3g} to {1e3 * span[1]:.3g} mm "
            f"give {y.min():.4g} to {y.max():.4g} N·m",
            mend="test a build with a shim nearer to it, or change springs or plates",
        )
    i = int(crossings[0])
    step = y[i + 1] - y[i]
    return float(x[i] + (x[i + 1] - x[i]) * ((target - y[i]) / step if step else 0.0))


def _stock(exact: float, step: float, span: tuple[float, float]) -> list[float]:
    """Shims in stock around the exact one [m]."""
    nearest = round(exact / step)
    numbers = range(nearest - SHOWN, nearest + SHOWN + 1)
    found = [n * step for n in numbers if n >= 0 and span[0] - 1e-9 <= n * step <= span[1] + 1e-9]
    if not found:
        raise FitError.single(
            f"no shim in steps of {1e3 * step:g} mm lies within reach", mend="name a finer step"
        )
    return found


def _candidate(ladder: Ladder, shim: float, limits: tuple[float, float] | None) -> Candidate:
    value, model_u = ladder.at(shim)
    u = float(np.hypot(model_u, ladder.scatter * value))
    chance = None
    if limits is not None:
        chance = (
            one_sided((limits[0] - value) / u) - one_sided((limits[1] - value) / u)
            if u > 0.0
            else float(limits[0] <= value <= limits[1])
        )
    return Candidate(
        shim_m=shim,
        preload_torque_Nm=value,
        u_Nm=u,
        low_Nm=value - NORMAL_95 * u,
        high_Nm=value + NORMAL_95 * u,
        chance=chance,
        extrapolated=ladder.beyond(shim),
    )


def _limits(members: Sequence[Member]) -> tuple[float, float] | None:
    for m in members:
        for limit in m.characterisation.limits:
            if limit.quantity.partition("[")[0] == "preload_torque":
                return limit.low, limit.high
    return None


def _choice(candidates: Sequence[Candidate], target: float, limits: tuple[float, float] | None) -> Candidate:
    """The nearest to the target of those that are as good as sure to land within limits; where none is, the
    likeliest. Without limits, or for a target outside them, the nearest."""
    if limits is not None and limits[0] <= target <= limits[1]:
        sure = [c for c in candidates if c.chance is not None and c.chance >= SURE]
        if not sure:
            return max(
                candidates, key=lambda c: (round(c.chance or 0.0, 3), -abs(c.preload_torque_Nm - target))
            )
        candidates = sure
    return min(candidates, key=lambda c: abs(c.preload_torque_Nm - target))


def _notes(ladder: Ladder, advised: Candidate) -> list[str]:
    notes = list(ladder.notes)
    way, misfit, shims = ladder.way, ladder.course.misfit, ladder.used
    if advised.extrapolated:
        by = "along the disc-spring curve" if way != "ladder" else "of a curve through the rungs"
        notes.append(
            f"the advised shim lies beyond what was tested ({', '.join(f'{1e3 * s:g}' for s in shims)} mm)"
            f": an extrapolation {by}; test it before you rely on it"
        )
    if misfit > DISAGREEMENT:
        notes.append(
            f"the rungs scatter {np.sqrt(misfit):.1f} times more about the curve than they should: intervals "
            "are widened by that; a rung, a shim or the springs are not as stated"
        )
    if way != "ladder":
        notes.append("the disc-spring curve is that of EN 16984 for new discs, its scale the measured one")
    return notes


def document_schema() -> dict[str, Any]:
    """JSON Schema of the result of ``diffbench advise --json``."""
    return ShimAdvice.published_schema()
