"""Which shim gives a target preload: of those in stock, with interval and chance to land within limits.

Builds with different shims are rungs of a ladder; the course through them is that of the rungs alone, of the
disc-spring curve, or of both. By a grid, not by a tangent: how far a stack is squeezed without a shim is
often known from the bend of its curve alone, and a grid over it with Bayes' weights needs no starting value
and no linearisation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diffbench.answers.differences import one_sided
from diffbench.answers.joint import FEWEST_PAPERS, Joint, Member, combined, member, one_pack, paired
from diffbench.answers.observation import alike, cautions_of
from diffbench.answers.wear import at_limits
from diffbench.definitions import parts_of
from diffbench.doubts import Source
from diffbench.errors import FitError
from diffbench.physics.disc_spring import DiscStack, stack_load
from diffbench.plain_text import per_cent
from diffbench.results.characterisation import Characterisation, SpringFacts
from diffbench.results.conformity import SURE
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.document import Document, Frozen, Named

Array = NDArray[np.float64]

# A ladder says little of its curvature; disc springs as they are used change their stiffness by no more
# than half over half a millimetre (common practice, no source): one standard deviation of the slope's change.
SLOPE_CHANGE, OVER = 0.5, 0.5e-3
GRID = 2001
PLACES = 201  # of a search for a shim, coarse and fine


class Course(Protocol):
    """Preload torque over shim thickness."""

    @property
    def misfit(self) -> float:
        """Chi-squared of the rungs over its degrees of freedom, 0 where none are left."""
        ...

    def at(self, shim: ArrayLike) -> tuple[Array, Array]:
        """Preload torque [N·m] and its standard uncertainty at shims [m], any shape."""
        ...


@dataclass(frozen=True)
class MeasuredCourse:
    """A curve through measured rungs: constant, slope and curvature about ``middle`` [m], with covariance."""

    middle: float
    coefficients: Array
    covariance: Array
    misfit: float

    def at(self, shim: ArrayLike) -> tuple[Array, Array]:
        """Preload torque [N·m] and its standard uncertainty at shims [m]."""
        x = np.asarray(shim, dtype=np.float64) - self.middle
        basis = np.stack([np.ones_like(x), x, x**2], axis=-1)
        u = np.sqrt(np.maximum(np.einsum("...i,ij,...j->...", basis, self.covariance, basis), 0.0))
        return np.asarray(basis @ self.coefficients), u


def _measured_course(shims: ArrayLike, preloads: ArrayLike, covariance: ArrayLike) -> MeasuredCourse:
    """Curve through rungs of a shim ladder: shims [m] and preload torques [N·m] (n,), two different shims or
    more, and the covariance of these (n, n).

    P(x) = a + b (x − x̄) + c (x − x̄)², by generalised least squares with c expected within ± |b|/2 for each
    half millimetre of slope change (ISO/TS 28037:2010 for the line). A misfit above 1, the chi-squared over
    its degrees of freedom, has widened the covariance.
    """
    x, y = np.asarray(shims, dtype=np.float64), np.asarray(preloads, dtype=np.float64)
    if np.unique(x).size < 2:
        raise ValueError("a ladder has two different shims or more")
    middle = float(x.mean())
    weight = np.linalg.inv(np.asarray(covariance, dtype=np.float64))
    line = np.stack([np.ones_like(x), x - middle], axis=1)
    slope = float(np.linalg.solve(line.T @ weight @ line, line.T @ weight @ y)[1])
    basis = np.stack([np.ones_like(x), x - middle, (x - middle) ** 2], axis=1)
    expected = max(abs(slope), 1e-9) * SLOPE_CHANGE / (2.0 * OVER)
    precision = basis.T @ weight @ basis + np.diag([0.0, 0.0, expected**-2])
    spread = np.linalg.inv(precision)
    coefficients = np.asarray(spread @ (basis.T @ weight @ y))
    rest = y - basis @ coefficients
    freedom = x.size - 2
    misfit = float(rest @ weight @ rest + (coefficients[2] / expected) ** 2) / freedom if freedom else 0.0
    return MeasuredCourse(middle, coefficients, np.asarray(spread * max(misfit, 1.0)), misfit)


@dataclass(frozen=True)
class SpringCourse:
    """The disc-spring curve put through rungs: torque per force and squeeze without shim, weighed on a grid.

    ``squeezes`` (g,) [m] deflections of the stack without a shim, ``weights`` (g,), ``torque_per_force`` (g,)
    [m] with its standard uncertainty ``torque_per_force_u`` (g,) at each; ``misfit`` as in `MeasuredCourse`.
    """

    stack: DiscStack
    squeezes: Array
    weights: Array
    torque_per_force: Array
    torque_per_force_u: Array
    misfit: float

    @property
    def longest(self) -> float:
        """Thickest shim [m] before the stack is flat at the likely squeezes."""
        likely = self.squeezes[self.weights > 1e-3 * self.weights.max()]
        return self.stack.travel - float(likely.max())

    def at(self, shim: ArrayLike) -> tuple[Array, Array]:
        """Preload torque [N·m] and its standard uncertainty at shims [m]."""
        x = np.asarray(shim, dtype=np.float64)[..., None]
        force = stack_load(self.stack, np.clip(self.squeezes + x, 0.0, self.stack.travel))
        each = self.torque_per_force * force
        value = np.asarray((self.weights * each).sum(axis=-1))
        variance = self.weights * ((self.torque_per_force_u * force) ** 2 + (each - value[..., None]) ** 2)
        return value, np.sqrt(variance.sum(axis=-1))


def _spring_course(
    stack: DiscStack,
    shims: ArrayLike,
    preloads: ArrayLike,
    covariance: ArrayLike,
    *,
    forces: ArrayLike | None = None,
    forces_u: ArrayLike | None = None,
) -> SpringCourse:
    """Put the curve of the disc springs through rungs, as `_measured_course` has them, and stated spring
    forces (n,) [N], NaN where none is; one rung is enough where a force is stated.

    P(x) = A F(s_0 + x), with F the load of the stack (EN 16984), A = 2 μ n R_e and s_0 unknown; s_0 weighed
    over its whole range by how well rungs and forces are met (Bayes' theorem on a grid, a uniform prior), A
    by generalised least squares at each. The shape of the curve is the formula's; its scale is measured, so
    that the tolerance on load of EN 16983 does not matter. Statements of one press are taken as independent.
    """
    x, y = np.asarray(shims, dtype=np.float64), np.asarray(preloads, dtype=np.float64)
    stated = np.full(x.size, np.nan) if forces is None else np.asarray(forces, dtype=np.float64)
    stated_u = np.zeros(x.size) if forces_u is None else np.asarray(forces_u, dtype=np.float64)
    told = np.isfinite(stated)
    if np.unique(x).size < 2 and not told.any():
        raise ValueError("one rung does not say how far the stack is pressed: state the spring force")
    room = stack.travel - float(x.max())
    if room <= 0.0:
        raise ValueError("the thickest shim alone is more than the stack's travel")
    squeeze = np.linspace(0.0, room, GRID)[1:]
    load = np.asarray(stack_load(stack, np.clip(squeeze[:, None] + x, 0.0, stack.travel)))
    weight = np.linalg.inv(np.asarray(covariance, dtype=np.float64))
    weighted = load @ weight
    size = np.einsum("gi,gi->g", weighted, load)
    scale = weighted @ y / size
    rest = y - scale[:, None] * load
    chi = np.einsum("gi,ij,gj->g", rest, weight, rest)
    if told.any():
        doubt = np.maximum(stated_u[told], 1e-4 * stated[told])
        chi = chi + (((load[:, told] - stated[told]) / doubt) ** 2).sum(axis=1)
    best = float(chi.min())
    freedom = int(x.size + told.sum()) - 2
    misfit = best / freedom if freedom > 0 else 0.0
    if best > 1e4 * (x.size + 1):
        raise ValueError("no squeeze of this stack meets the rungs: check the springs and the shims")
    wide = max(misfit, 1.0)
    # the scale is integrated over, hence its root: 1/√size
    chance = np.exp(-0.5 * (chi - best) / wide) / np.sqrt(size)
    return SpringCourse(stack, squeeze, chance / chance.sum(), scale, np.sqrt(wide / size), misfit)


Way = Literal["ladder", "curve", "both"]

# A measured ladder is followed beyond its ends by its own length at most, the curve of a spring to flat.
REACH = 1.0
# Misses of twice what doubt explains are no chance; a ladder can do without springs from three rungs on.
DISAGREEMENT = 4.0
# Refits that scatter so by chance once in twenty times, and shims nearer than this [m], which are one.
UNEXPLAINED, SAME_SHIM = 0.05, 1e-6
FEWEST_WITHOUT_SPRINGS = 3
NOT_READ_ALIKE = (
    "the limits are judged as read, and the builds were not all read alike: preload torques are those at the "
    "reference condition"
)
TRUE_SPRINGS = (
    "check dimensions, parallel and series of disc_spring, and spring_force, and fit again; builds with two "
    "shims or more need no springs: advise from the ladder alone"
)
LEFT_OUT = (
    "the disc springs of the sheet are left out: their curve misses the measured builds by {:.1f} times what "
    "doubt explains; check their dimensions and number"
)


@dataclass(frozen=True)
class Scatter:
    """What one assembly more scatters by: ``relative`` standard deviation of the preload torque, and its
    ``degrees`` of freedom, infinite where the rig states it."""

    relative: float
    degrees: float = math.inf

    @property
    def reach(self) -> float:
        """Standard deviations to either end of a 95 % interval (Student's t)."""
        from scipy.special import stdtrit

        return NORMAL_95 if math.isinf(self.degrees) else float(stdtrit(self.degrees, 0.975))

    def below(self, deviations: float) -> float:
        """Chance of a value below so many standard deviations."""
        from scipy.special import stdtr

        return (
            1.0 - one_sided(deviations)
            if math.isinf(self.degrees)
            else float(stdtr(self.degrees, deviations))
        )


@dataclass(frozen=True)
class Ladder:
    """Rungs in order of their shims [m], their joint preload torques, and the course through ``used`` of
    them; ``scatter`` is what one assembly more scatters by, ``beside`` the course that rungs enough have
    without the springs."""

    members: list[Member]
    shims: Array
    joint: Joint
    course: Course
    used: Array
    way: Way
    scatter: Scatter
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


def _with_force(who: Member) -> Member:
    """A result whose spring force, as worked out from the bench, is taken as stated: worn springs press less
    than their sheet says."""
    force = who.determined("spring_force")
    if force is None or force.status == "stated":
        return who
    stated = Named({**who.characterisation.parameters})
    stated["spring_force"] = force.model_copy(update={"status": "stated"})
    whole = who.characterisation.model_copy(update={"parameters": stated})
    return Member(whole, who.bench, who.unit_key, who.visit, who.sheet)


def _ladder_of(results: Sequence[Characterisation | Member], way: Way | None, *, near: float) -> Ladder:
    """The course by the chosen way; the curve alone goes through the rung ``near`` in preload [N·m]."""
    rungs = _rungs_of(results)
    one_pack(rungs)
    members, notes = _as_they_stand(rungs)
    if len(members) == 1:
        members = [_with_force(members[0])]
    shims = np.array([_shim(m) for m in members])
    order = np.argsort(shims, kind="stable")
    members, shims = [members[i] for i in order], shims[order]
    pair = paired(members)
    factors: list[float | Array] = list(np.eye(len(members)))
    joint = combined(pair, factors, lambda unit: np.array([unit.preload_torque]), together=False)
    joint, told = _where_judged(members, joint)
    notes += told
    springs = next((m.springs for m in members if m.springs is not None), None)
    stack = None if springs is None else springs.stack
    chosen = way or ("both" if stack is not None else "ladder")
    apart = np.abs(joint.value - near)
    at = [int(np.argmin(apart))] if chosen == "curve" else list(range(len(members)))
    preloads, covariance = joint.value[at], joint.covariance[np.ix_(at, at)]
    if chosen != "ladder" and stack is None:
        raise FitError.single(
            "no build sheet states the disc springs",
            key="preload.disc_spring",
            mend="add them to the sheet and fit again, or advise from the ladder alone",
        )
    against = "" if springs is None or chosen == "ladder" else _overloaded(members, springs)
    if against and way is None and np.unique(shims).size >= FEWEST_WITHOUT_SPRINGS:
        chosen = "ladder"
        notes.append(f"the disc springs of the sheet are left out: {against}")
    elif against:
        raise FitError.single(against, file=_sheet_of(members), key="preload", mend=TRUE_SPRINGS)
    try:
        course: Course | None = None
        if stack is not None and chosen != "ladder":
            forces, doubts = _forces([members[i] for i in at])
            course, told = _by_springs(
                stack, shims[at], preloads, covariance, forces, doubts, may_refuse=way is None
            )
            notes += told
        if course is None:
            chosen = "ladder"
            course = _measured_course(shims, preloads, covariance)
    except np.linalg.LinAlgError as error:
        raise FitError.single(
            "the preload torques of the builds have their whole doubt in common, as if of one visit",
            mend="name results of a visit each",
        ) from error
    except ValueError as error:
        raise FitError.single(
            str(error), mend="test a build with another shim, or state the spring force in the sheet"
        ) from error
    if not pair.alike:
        notes.append("the builds were fitted by different laws: state the law in the build sheets")
    enough = chosen == "both" and np.unique(shims).size >= FEWEST_WITHOUT_SPRINGS
    beside = _measured_course(shims, preloads, covariance) if enough else None
    scatter, told = _scatter_of(shims, joint.value, _repeatability(members), course.misfit)
    return Ladder(members, shims, joint, course, shims[at], chosen, scatter, (*notes, *told), beside)


def _overloaded(members: Sequence[Member], springs: SpringFacts) -> str:
    """That the springs cannot carry the spring force of a build; else an empty text."""
    forces = zip(*_forces(members), strict=True)
    return next((told for force, u in forces if (told := springs.overloaded_by(force, u))), "")


def _sheet_of(members: Sequence[Member]) -> str | None:
    """The build sheet's file, of one visit: a fit names the rig's before it."""
    provenance = members[0].characterisation.provenance
    papers = [path for path in provenance.inputs if path.endswith(".toml") and path not in provenance.visits]
    return papers[1] if len(members) == 1 and len(papers) == FEWEST_PAPERS else None


def _scatter_of(shims: Array, preloads: Array, stated: float, misfit: float) -> tuple[Scatter, list[str]]:
    """What one assembly more scatters by, no less than these show, and a note where that is not what the rig
    states. Assemblies with one shim are refits: a standard deviation of theirs that the rig's explains goes
    before it where it is the larger; one that it does not explain is all that is known (a prediction interval
    by Student's t, ISO 16269-8:2004). Rungs that miss their course by more than chance scatter as widely.
    """
    from scipy.special import chdtrc

    groups = [np.log(preloads[np.abs(shims - shim) < SAME_SHIM]) for shim in np.unique(np.round(shims, 6))]
    degrees = sum(group.size - 1 for group in groups)
    squares = float(sum(((group - group.mean()) ** 2).sum() for group in groups))
    seen = math.sqrt(squares / degrees) if degrees else 0.0
    course = stated * math.sqrt(misfit) if misfit > DISAGREEMENT else stated
    explained = (
        stated > 0.0 and float(chdtrc(degrees, squares / stated**2)) >= UNEXPLAINED if degrees else True
    )
    if explained:
        return Scatter(max(seen, course)), []
    against = f"the rig states {per_cent(stated)} %" if stated else "the rig states none"
    of_freedom = f"{degrees} degree{'' if degrees == 1 else 's'} of freedom"
    note = (
        f"assemblies with one shim scatter by {per_cent(seen)} % here, and {against}: intervals and "
        f"chances are by what these show, with {of_freedom} (Student's t)"
    )
    return Scatter(max(seen, course), float(degrees)), [note]


def _where_judged(members: Sequence[Member], joint: Joint) -> tuple[Joint, list[str]]:
    """The preload torques of the rungs as their limits judge them, where all of them have that at conditions
    that are alike; what is shared is taken as one error, as that of the bench and of the sheet is."""
    found = [at_limits([who], "preload_torque") for who in members]
    read = [one for one in found if one is not None]
    if not read:
        return joint, []
    if len(read) < len(members) or not alike(read):
        return joint, [NOT_READ_ALIKE]
    value = np.array([one.value for one in read])
    shared = np.array([one.u_shared for one in read])
    own = np.diag(np.square([one.u_visit for one in read]))
    return Joint(value, np.outer(shared, shared) + own, {}), []


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
        course = _spring_course(stack, shims, preloads, covariance, forces=forces, forces_u=doubts)
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
        if m.determined("preload_torque") is None:
            raise FitError.single(
                f"the preload torque of {m.facts.build} is not determined",
                mend="leave that build out, or test it with slip near zero input torque",
            )
    return found


def _as_they_stand(members: Sequence[Member]) -> tuple[list[Member], list[str]]:
    """Each assembly as it was seen last, and notes on what was left out: a spring that has worn since is no
    second rung of a ladder, but another spring."""
    newest: dict[tuple[str, float | None], tuple[str, float]] = {}

    def when(m: Member) -> tuple[str, float]:
        return m.facts.date or m.characterisation.date, m.facts.distance_m or 0.0

    for m in members:
        key = m.facts.build, m.shim
        newest[key] = max(newest.get(key, when(m)), when(m))

    def stands(m: Member) -> bool:
        date, distance = newest[m.facts.build, m.shim]
        at = m.facts.distance_m
        return when(m)[0] == date if at is None else at == distance  # refits in between stand side by side

    kept = [m for m in members if stands(m)]
    left = sorted({f"{m.facts.build} of {when(m)[0]}" for m in members if not stands(m)})
    note = f"left out, since the same build was tested later, after more distance: {', '.join(left)}"
    return kept, [note] if left else []


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
        share = form.shares.get(Source.REPEATABILITY)
        if share is None:
            continue
        if "preload_torque" in form.names:
            i = form.names.index("preload_torque")
            largest = max(largest, float(np.linalg.norm(share[i])) / abs(form.values[i]))
    return largest


def _span_of(course: Course, shims: Array) -> tuple[float, float]:
    """Shims [m] for which there is an answer at all."""
    low, high = float(shims.min()), float(shims.max())
    if isinstance(course, SpringCourse):
        return 0.0, high + max(course.longest - high, 0.0)
    reach = REACH * (high - low)
    return max(low - reach, 0.0), high + reach


STEP = 0.05e-3  # m, where the workshop does not say in which steps it stocks shims
SHOWN = 3  # candidates to either side of the advised one


class Rung(Frozen):
    """A measured preload: shim [m], preload torque and standard uncertainty [N·m], and whose."""

    build: str
    shim_m: float
    preload_torque_Nm: float
    u_Nm: float


class Candidate(Frozen):
    """A shim in stock [m] with the preload torque that it will give [N·m] and its 95 % interval for one new
    assembly, no narrower than what the builds themselves scatter by; ``chance`` that this lies within
    limits, None without limits; ``extrapolated`` beyond the ladder."""

    shim_m: float
    preload_torque_Nm: float
    u_Nm: float
    low_Nm: float
    high_Nm: float
    chance: float | None
    extrapolated: bool


class ShimAdvice(Document):
    """The advised shim and its neighbours in stock."""

    file_name: ClassVar[str] = "shim-advice.json"
    made_by: ClassVar[str] = "diffbench advise"

    format: Literal["diffbench-shim-advice/1"] = "diffbench-shim-advice/1"
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
    step: float | None = None,
    stock: Sequence[float] = (),
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
    step : float or None
        Steps in which shims are in stock [m].
    stock : sequence of float
        The shims in stock one by one [m], where they are not those of a step. Where neither is given, those
        of the newest build sheet that states any, else steps of 0.05 mm.
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
    if not (target > 0.0 and (step is None or step > 0.0)):
        raise FitError.single("target and step must be positive", mend="name a preload torque and a step")
    ladder = _ladder_of(results, way, near=target)
    members, shims, course, used = ladder.members, ladder.shims, ladder.course, ladder.used
    notes: list[str] = []
    if ladder.scatter.relative == 0.0:
        notes.append(
            "the rig states no repeatability: what a fresh assembly scatters by is not in the intervals"
        )
    span = _span_of(course, used)
    exact = _solve(course, target, span)
    limits = limits or _limits(members)
    stock = stock or (_stated(members) if step is None else ())
    step = STEP if step is None else step
    grid = _of_stock(stock, span) if stock else _stock(exact, step, span)
    candidates = [_candidate(ladder, s, limits) for s in grid]
    if limits is not None and not limits[0] <= target <= limits[1]:
        notes.append(
            f"the target lies outside the limits ({limits[0]:g} to {limits[1]:g} N·m): the shim is the "
            "nearest to the target, and the chance that of landing within them all the same"
        )
    advised = _choice(candidates, target, limits)
    notes += [*_notes(ladder, advised), *cautions_of([m.characterisation for m in members])]
    nearest = int(np.argmin(np.abs(ladder.joint.value - target)))
    now, fitted = float(ladder.joint.value[nearest]), 1e3 * float(shims[nearest])
    if abs(now - target) < abs(advised.preload_torque_Nm - target) and not np.isclose(
        advised.shim_m, shims[nearest]
    ):
        notes.append(f"no shim in stock comes nearer to the target than the {fitted:g} mm that was tested")
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


def better_than_fitted(found: ShimAdvice, now: float | None, target: float) -> Candidate | None:
    """The advised shim, or of its neighbours the next best; None where all would do no better than the one
    that is fitted: that is no step, nor is one that leads away from what is wanted."""
    rungs = [one for one in found.rungs if now is not None and abs(one.shim_m - now) <= SAME_SHIM]
    if now is None or not rungs:
        return found.advised
    fitted = abs(rungs[-1].preload_torque_Nm - target)
    other = [one for one in (found.advised, *found.candidates) if abs(one.shim_m - now) > SAME_SHIM]
    nearer = [one for one in other if abs(one.preload_torque_Nm - target) < fitted]
    if found.limits_Nm is not None:
        nearer = [one for one in nearer if found.limits_Nm[0] <= one.preload_torque_Nm <= found.limits_Nm[1]]
    if not nearer or found.advised in nearer:
        return found.advised if found.advised in nearer else None
    return max(nearer, key=lambda one: (round(one.chance or 0.0, 3), -abs(one.preload_torque_Nm - target)))


def within_reach(
    results: Sequence[Characterisation | Member], *, step: float | None = None, way: Way | None = None
) -> tuple[float, float]:
    """Least and most preload torque [N·m] that shims in stock, in steps [m] or as `advise` has them, give a
    unit within its springs' travel, or within what its ladder of builds says. Raises ``FitError`` where
    neither is known."""
    ladder = _ladder_of(results, way, near=0.0)
    low, high = span = _span_of(ladder.course, ladder.used)
    stated = _stated(ladder.members) if step is None else ()
    step = STEP if step is None else step
    steps = np.arange(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1) * step
    stock = np.array(_of_stock(stated, span)) if stated else steps
    if stock.size == 0:
        raise FitError.single(
            f"no shim in steps of {1e3 * step:g} mm lies within reach", mend="name a finer step"
        )
    torques, _ = ladder.course.at(stock)
    return float(torques.min()), float(torques.max())


def _solve(course: Course, target: float, span: tuple[float, float]) -> float:
    """Shim [m] at which the course first reaches the target: between places of a grid, and there on a finer
    one."""
    low, high = span
    for refined in (False, True):
        x = np.linspace(low, high, PLACES)
        y, _ = course.at(x)
        crossings = np.flatnonzero((y[:-1] - target) * (y[1:] - target) <= 0.0)
        if crossings.size == 0 and not refined:
            near = int(np.argmin(np.abs(y - target)))
            raise FitError.single(
                f"{target:.4g} N·m is not within reach: shims from {1e3 * low:.3g} to {1e3 * high:.3g} mm "
                f"give {y.min():.4g} to {y.max():.4g} N·m; the nearest in reach is {y[near]:.4g} N·m, by "
                f"{1e3 * x[near]:.3g} mm",
                mend="test a build with a shim nearer to it, or change springs or plates",
            )
        i = int(crossings[0]) if crossings.size else 0
        low, high = float(x[i]), float(x[i + 1])
    step = y[i + 1] - y[i]
    return low + (high - low) * float((target - y[i]) / step if step else 0.0)


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


def _stated(members: Sequence[Member]) -> Sequence[float]:
    """Shims in stock by the newest build sheet that states them [m]; none where none does."""
    stating = [one for one in members if one.facts.shims_in_stock_m]
    newest = max(stating, key=lambda one: one.facts.date or one.characterisation.date, default=None)
    return () if newest is None else newest.facts.shims_in_stock_m or ()


def _of_stock(stock: Sequence[float], span: tuple[float, float]) -> list[float]:
    """Shims in stock within reach [m]."""
    found = sorted({shim for shim in stock if span[0] - 1e-9 <= shim <= span[1] + 1e-9})
    if not found:
        raise FitError.single("no shim in stock lies within reach", mend="have one made")
    return found


def _candidate(ladder: Ladder, shim: float, limits: tuple[float, float] | None) -> Candidate:
    value, model_u = ladder.at(shim)
    scatter = ladder.scatter
    u = float(np.hypot(model_u, scatter.relative * value))
    chance = None
    if limits is not None:
        chance = (
            scatter.below((limits[1] - value) / u) - scatter.below((limits[0] - value) / u)
            if u > 0.0
            else float(limits[0] <= value <= limits[1])
        )
    return Candidate(
        shim_m=shim,
        preload_torque_Nm=value,
        u_Nm=u,
        low_Nm=value - scatter.reach * u,
        high_Nm=value + scatter.reach * u,
        chance=chance,
        extrapolated=ladder.beyond(shim),
    )


def _limits(members: Sequence[Member]) -> tuple[float, float] | None:
    for m in members:
        for limit in m.characterisation.limits:
            if parts_of(limit.quantity)[0] == "preload_torque":
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
