"""Builds with different shims as rungs of one ladder: their joint preloads and the course through them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import FitError
from diffbench.physics.disc_stack import DiscStack
from diffbench.results.characterisation import Characterisation
from diffbench.wear.face_wear import stack_of
from diffbench.wear.joint import Joint, combined, paired
from diffbench.wear.ladder import Course, SpringCourse, measured_course, spring_course
from diffbench.wear.sharing import REPEATABILITY, Member, member

Array = NDArray[np.float64]
Way = Literal["ladder", "curve", "both"]

# A measured ladder is followed beyond its ends by its own length at most, the curve of a spring to flat.
REACH = 1.0
# Misses of twice what doubt explains are no chance; a ladder can do without springs from three rungs on.
DISAGREEMENT = 4.0
FEWEST_WITHOUT_SPRINGS = 3
LEFT_OUT = (
    "the disc springs of the sheet are left out: their curve misses the measured builds by {:.1f} times what "
    "doubt explains; check their dimensions and number"
)


@dataclass(frozen=True)
class Ladder:
    """Rungs in order of their shims [m], their joint preload torques, and the course through ``used`` of
    them; ``scatter`` is the relative repeatability of one refit, ``beside`` the course that rungs enough have
    without the springs."""

    members: list[Member]
    shims: Array
    joint: Joint
    course: Course
    used: Array
    way: Way
    scatter: float
    notes: tuple[str, ...]
    beside: Course | None = None

    def at(self, shim: float) -> tuple[float, float]:
        """Preload torque [N·m] at a shim [m] and its standard uncertainty; beyond the rungs with half of what
        the course beside this one says otherwise, since nothing there shows which of them is right."""
        value, u = (float(v) for v in self.course.at(shim))
        if self.beside is not None and self.beyond(shim):
            u = float(np.hypot(u, 0.5 * (float(self.beside.at(shim)[0]) - value)))
        return value, u

    def beyond(self, shim: float) -> bool:
        """Whether a shim [m] lies beyond the rungs."""
        slack = 1e-3 * max(float(np.ptp(self.used)), 1e-6)
        return bool(shim < self.used.min() - slack or shim > self.used.max() + slack)


def ladder_of(
    results: Sequence[Characterisation | Member],
    way: Way | None,
    *,
    near: float | None,
    shim: float = 0.0,
) -> Ladder:
    """The course by the chosen way; the curve alone goes through the rung nearest in preload or in shim."""
    members = _rungs_of(results)
    shims = np.array([_shim(m) for m in members])
    order = np.argsort(shims, kind="stable")
    members, shims = [members[i] for i in order], shims[order]
    pair = paired(members)
    factors: list[float | Array] = list(np.eye(len(members)))
    joint = combined(pair, factors, lambda unit: np.array([unit.preload_torque]), together=False)
    springs = next((m.springs for m in members if m.springs is not None), None)
    stack = None if springs is None else stack_of(springs)
    chosen = way or ("both" if stack is not None else "ladder")
    apart = np.abs(shims - shim) if near is None else np.abs(joint.value - near)
    at = [int(np.argmin(apart))] if chosen == "curve" else list(range(len(members)))
    preloads, covariance = joint.value[at], joint.covariance[np.ix_(at, at)]
    if chosen != "ladder" and stack is None:
        raise FitError.single(
            "no build sheet states the disc springs",
            key="preload.disc_spring",
            mend="add them to the sheet and fit again, or advise from the ladder alone",
        )
    notes: list[str] = []
    try:
        course: Course | None = None
        if stack is not None and chosen != "ladder":
            forces, doubts = _forces([members[i] for i in at])
            course, against = _by_springs(
                stack, shims[at], preloads, covariance, forces, doubts, may_refuse=way is None
            )
            notes += against
        if course is None:
            chosen = "ladder"
            course = measured_course(shims, preloads, covariance)
    except ValueError as error:
        raise FitError.single(
            str(error), mend="test a build with another shim, or state the spring force in the sheet"
        ) from error
    if not pair.alike:
        notes.append("the builds were fitted by different laws: state the law in the build sheets")
    enough = chosen == "both" and np.unique(shims).size >= FEWEST_WITHOUT_SPRINGS
    beside = measured_course(shims, preloads, covariance) if enough else None
    return Ladder(
        members, shims, joint, course, shims[at], chosen, _repeatability(members), tuple(notes), beside
    )


def _by_springs(
    stack: DiscStack,
    shims: Array,
    preloads: Array,
    covariance: Array,
    forces: Sequence[float],
    doubts: Sequence[float],
    *,
    may_refuse: bool,
) -> tuple[SpringCourse | None, list[str]]:
    """The curve of the springs through rungs; None, and why, where it may be refused and rungs that could do
    without it speak against it."""
    enough = may_refuse and np.unique(shims).size >= FEWEST_WITHOUT_SPRINGS
    try:
        course = spring_course(stack, shims, preloads, covariance, forces=forces, forces_u=doubts)
    except ValueError as error:
        if not enough:
            raise
        return None, [f"the disc springs of the sheet are left out: {error}"]
    if enough and course.misfit > DISAGREEMENT:
        times = float(np.sqrt(course.misfit))
        return None, [LEFT_OUT.format(times)]
    return course, []


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
        item = m.characterisation.parameters.get("preload_torque")
        if item is None or item.value is None:
            raise FitError.single(
                f"the preload torque of {m.facts.build} is not determined",
                mend="leave that build out, or test it with slip near zero input torque",
            )
    return found


def _shim(who: Member) -> float:
    """Shim of a build [m]."""
    if who.shim is None:
        raise FitError.single(
            f"the shim of {who.facts.build} is not known",
            key="preload.shim",
            mend="state it in the build sheet and fit again",
        )
    return who.shim


def _forces(members: Sequence[Member]) -> tuple[list[float], list[float]]:
    """Stated spring force of each rung [N] and its standard uncertainty; NaN where none is stated."""
    values, doubts = [], []
    for m in members:
        item = m.characterisation.parameters.get("spring_force")
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
        if "preload_torque" in form.names:
            i = form.names.index("preload_torque")
            largest = max(largest, float(np.linalg.norm(share[i])) / abs(form.values[i]))
    return largest


def span_of(course: Course, shims: Array) -> tuple[float, float]:
    """Shims [m] for which there is an answer at all."""
    low, high = float(shims.min()), float(shims.max())
    if isinstance(course, SpringCourse):
        return 0.0, high + max(course.longest - high, 0.0)
    reach = REACH * (high - low)
    return max(low - reach, 0.0), high + reach
