"""Which shim gives a target preload: of those in stock, with interval and chance to land within limits."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from diffbench.characterisation import Characterisation
from diffbench.errors import FitError
from diffbench.wear.face_wear import stack_of
from diffbench.wear.joint import NORMAL_95, Joint, combined, paired
from diffbench.wear.ladder import Course, SpringCourse, measured_course, spring_course
from diffbench.wear.sharing import REPEATABILITY, Member, member
from diffbench.wear.significance import one_sided

Array = NDArray[np.float64]

FORMAT: Literal["diffbench-shim-advice/1"] = "diffbench-shim-advice/1"
Way = Literal["ladder", "curve", "both"]

STEP = 0.05e-3  # m, where the workshop does not say in which steps it stocks shims
SHOWN = 3  # candidates to either side of the advised one
# A measured ladder is followed beyond its ends by its own length at most, the curve of a spring to flat.
REACH = 1.0


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Rung(_Frozen):
    """A measured preload: shim [m], preload torque and standard uncertainty [N·m], and whose."""

    build: str
    shim_m: float
    preload_torque_Nm: float
    u_Nm: float


class Candidate(_Frozen):
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


class ShimAdvice(_Frozen):
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

    def to_json(self) -> str:
        """The document as JSON text, numbers in full."""
        return json.dumps(self.model_dump(mode="json"), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


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
    The advised shim: of those in stock the likeliest to land within limits, or without limits the nearest.
    The interval is that of one new assembly, with the rig's repeatability.

    Raises
    ------
    FitError
        What is known does not reach: too few rungs, no springs, a target beyond what can be answered.
    """
    if not (target > 0.0 and step > 0.0):
        raise FitError.single("target and step must be positive", mend="name a preload torque and a step")
    ladder = _ladder(results, way, near=target)
    members, shims, course, used = ladder.members, ladder.shims, ladder.course, ladder.used
    notes: list[str] = []
    if ladder.scatter == 0.0:
        notes.append(
            "the rig states no repeatability: what a fresh assembly scatters by is not in the intervals"
        )
    span = _span(course, used)
    exact = _solve(course, target, span)
    limits = limits or _limits(members)
    grid = _stock(exact, step, span)
    candidates = [_candidate(ladder, s, limits) for s in grid]
    advised = min(
        candidates,
        key=lambda c: (
            0.0 if c.chance is None else -round(c.chance, 3),
            abs(c.preload_torque_Nm - target),
        ),
    )
    notes += _notes(ladder, advised)
    return ShimAdvice(
        unit=members[0].characterisation.unit,
        target_Nm=target,
        limits_Nm=limits,
        step_m=step,
        way=ladder.way,
        rungs=[
            Rung(
                build=m.characterisation.builds[m.build].build,
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


def preload_at(
    results: Sequence[Characterisation | Member], shim: float, *, way: Way | None = None
) -> Candidate:
    """Preload torque that a shim will give, as `advise` would predict it.

    Parameters
    ----------
    results : sequence of Characterisation or Member
        As for `advise`.
    shim : float
        Shim [m].
    way : "ladder", "curve", "both" or None
        As for `advise`; the curve goes through the rung nearest to the shim.

    Returns
    -------
    The prediction.

    Raises
    ------
    FitError
        As for `advise`, or the shim lies beyond what can be answered.
    """
    ladder = _ladder(results, way, near=None, shim=shim)
    low, high = _span(ladder.course, ladder.used)
    if not low - 1e-9 <= shim <= high + 1e-9:
        raise FitError.single(
            f"a shim of {1e3 * shim:.4g} mm is out of reach, which is {1e3 * low:.3g} to {1e3 * high:.3g} mm",
            mend="test a build with a shim nearer to it",
        )
    return _candidate(ladder, shim, None)


@dataclass(frozen=True)
class _Ladder:
    """Rungs in order of their shims [m], their joint preload torques, and the course through ``used`` of
    them; ``scatter`` is the relative repeatability of one refit."""

    members: list[Member]
    shims: Array
    joint: Joint
    course: Course
    used: Array
    way: Way
    scatter: float
    alike: bool


def _ladder(
    results: Sequence[Characterisation | Member],
    way: Way | None,
    *,
    near: float | None,
    shim: float = 0.0,
) -> _Ladder:
    """The course by the chosen way; the curve alone goes through the rung nearest in preload or in shim."""
    members = _rungs_of(results)
    shims = np.array([_shim(m) for m in members])
    order = np.argsort(shims, kind="stable")
    members, shims = [members[i] for i in order], shims[order]
    pair = paired(members)
    factors: list[float | Array] = list(np.eye(len(members)))
    joint = combined(pair, factors, lambda unit: np.array([unit.preload_torque]), together=False)
    stack = next((s for m in members if m.sheet is not None and (s := stack_of(m.sheet)) is not None), None)
    chosen = way or ("both" if stack is not None else "ladder")
    apart = np.abs(shims - shim) if near is None else np.abs(joint.value - near)
    at = [int(np.argmin(apart))] if chosen == "curve" else list(range(len(members)))
    preloads, covariance = joint.value[at], joint.covariance[np.ix_(at, at)]
    if chosen != "ladder" and stack is None:
        raise FitError.single(
            "no build sheet that can still be read states the disc springs",
            key="preload.disc_spring",
            mend="add them to the sheet and fit again, or advise from the ladder alone",
        )
    course: Course
    try:
        if stack is None or chosen == "ladder":
            course = measured_course(shims, preloads, covariance)
        else:
            forces, doubts = _forces([members[i] for i in at])
            course = spring_course(stack, shims[at], preloads, covariance, forces=forces, forces_u=doubts)
    except ValueError as error:
        raise FitError.single(
            str(error), mend="test a build with another shim, or state the spring force in the sheet"
        ) from error
    return _Ladder(members, shims, joint, course, shims[at], chosen, _repeatability(members), pair.alike)


def _rungs_of(results: Sequence[Characterisation | Member]) -> list[Member]:
    """Every build of every result."""
    found: list[Member] = []
    for result in results:
        if isinstance(result, Member):
            found.append(result)
            continue
        found += [member(result, build=facts.build) for facts in result.builds]
    if not found:
        raise FitError.single("no result is given", mend="name characterisations or run sheets")
    units = sorted({m.characterisation.unit for m in found})
    if len(units) > 1:
        raise FitError.single(
            f"the results are of different units ({', '.join(units)})", mend="name builds of one unit"
        )
    for m in found:
        item = m.characterisation.parameters.get(f"preload_torque{m.label}")
        if item is None or item.value is None:
            raise FitError.single(
                f"the preload torque of {m.characterisation.builds[m.build].build} is not determined",
                mend="leave that build out, or test it with slip near zero input torque",
            )
    return found


def _shim(who: Member) -> float:
    """Shim of a build [m]."""
    facts = who.characterisation.builds[who.build]
    told: float | None = getattr(facts, "shim_m", None)
    if told is None and who.sheet is not None and who.sheet.preload.shim is not None:
        told = who.sheet.preload.shim.value
    if told is None:
        raise FitError.single(
            f"the shim of {facts.build} is not known",
            key="preload.shim",
            mend="state it in the build sheet and fit again",
        )
    return told


def _forces(members: Sequence[Member]) -> tuple[list[float], list[float]]:
    """Stated spring force of each rung [N] and its standard uncertainty; NaN where none is stated."""
    values, doubts = [], []
    for m in members:
        item = m.characterisation.parameters.get(f"spring_force{m.label}")
        stated = item is not None and item.status == "stated" and item.value is not None
        values.append(float(item.value) if item is not None and stated and item.value else float("nan"))
        doubts.append(float(item.u or 0.0) if item is not None and stated else 0.0)
    return values, doubts


def _repeatability(members: Sequence[Member]) -> float:
    """Relative standard deviation of the preload torque of one refit, the largest of the members'."""
    largest = 0.0
    for m in members:
        form = m.characterisation.forms[0]
        share = form.shares.get(REPEATABILITY)
        if share is None:
            continue
        names = [n for n in (f"preload_torque{m.label}", "preload_torque") if n in form.names]
        if names:
            i = form.names.index(names[0])
            largest = max(largest, float(np.linalg.norm(share[i])) / abs(form.values[i]))
    return largest


def _span(course: Course, shims: Array) -> tuple[float, float]:
    """Shims [m] for which there is an answer at all."""
    low, high = float(shims.min()), float(shims.max())
    if isinstance(course, SpringCourse):
        return 0.0, high + max(course.longest - high, 0.0)
    reach = REACH * (high - low)
    return max(low - reach, 0.0), high + reach


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


def _candidate(ladder: _Ladder, shim: float, limits: tuple[float, float] | None) -> Candidate:
    value, model_u = (float(v) for v in ladder.course.at(shim))
    u = float(np.hypot(model_u, ladder.scatter * value))
    shims = ladder.used
    chance = None
    if limits is not None:
        chance = (
            one_sided((limits[0] - value) / u) - one_sided((limits[1] - value) / u)
            if u > 0.0
            else float(limits[0] <= value <= limits[1])
        )
    slack = 1e-3 * max(float(np.ptp(shims)), 1e-6)
    return Candidate(
        shim_m=shim,
        preload_torque_Nm=value,
        u_Nm=u,
        low_Nm=value - NORMAL_95 * u,
        high_Nm=value + NORMAL_95 * u,
        chance=chance,
        extrapolated=bool(shim < shims.min() - slack or shim > shims.max() + slack),
    )


def _limits(members: Sequence[Member]) -> tuple[float, float] | None:
    for m in members:
        for limit in m.characterisation.limits:
            if limit.quantity.partition("[")[0] == "preload_torque":
                return limit.low, limit.high
    return None


def _notes(ladder: _Ladder, advised: Candidate) -> list[str]:
    notes = []
    way, misfit, shims = ladder.way, ladder.course.misfit, ladder.used
    if advised.extrapolated:
        by = "along the disc-spring curve" if way != "ladder" else "of a curve through the rungs"
        notes.append(
            f"the advised shim lies beyond what was tested ({', '.join(f'{1e3 * s:g}' for s in shims)} mm)"
            f": an extrapolation {by}; test it before you rely on it"
        )
    if misfit > 4.0:
        notes.append(
            f"the rungs scatter {np.sqrt(misfit):.1f} times more about the curve than they should: intervals "
            "are widened by that; a rung, a shim or the springs are not as stated"
        )
    if way != "ladder":
        notes.append("the disc-spring curve is that of EN 16984 for new discs, its scale the measured one")
    if not ladder.alike:
        notes.append("the builds were fitted by different laws: state the law in the build sheets")
    return notes


def document_schema() -> dict[str, Any]:
    """JSON Schema of the result of ``diffbench advise --json``."""
    schema = ShimAdvice.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["$id"] = FORMAT
    schema["title"] = FORMAT
    return schema
