"""Which preload gives the corner entry that is wanted, whether the workshop can shim it, and by which shim.

The car's phases are solved over a ladder of preloads once; a target is a crossing of that course, several are
met as nearly as their weights let them. What no preload within reach gives is refused with the nearest.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.answers.corner import CornerEntry, Rung, corner_entry
from diffbench.answers.joint import Member
from diffbench.answers.operating_point import Interval
from diffbench.answers.rebuild import preload_ladder, preload_of
from diffbench.answers.shims import ShimAdvice, advise, within_reach
from diffbench.documents.car import Car
from diffbench.errors import DiffbenchError, FitError, QuantityError
from diffbench.quantities import parse_quantity
from diffbench.results.characterisation import Characterisation
from diffbench.results.locking_map import Branch, LockingMap

Array = NDArray[np.float64]

RUNGS = 25
#: Looked at where nothing says what the shims reach, as shares of the preload as built.
UNKNOWN_REACH = (0.1, 2.5)
FINE = 2001
#: What counts as a miss of one, to weigh several targets: share of wheel-speed difference, and of a moment.
SHARE_SCALE, MOMENT_SCALE = 0.05, 0.05
_FORM = re.compile(
    r"(?:(?P<phase>[^:]+):)?\s*(?P<what>kept|yaw moment|balance)\s+(?P<value>.+?)"
    r"(?:\s*\*\s*(?P<weight>[\d.]+))?\s*"
)


@dataclass(frozen=True)
class Target:
    """What is wanted: a share kept [-] or a yaw moment [N·m], of a phase or (share alone) of the mean over
    the entry; or the same yaw moment in two phases. ``text`` is as it was asked for."""

    text: str
    what: Literal["kept", "yaw moment", "balance"]
    phase: str | None
    other: str | None
    value: float
    weight: float = 1.0

    def of(self, rung: Rung) -> Interval:
        """What a rung gives of it."""
        if self.what == "kept" and self.phase is None:
            return rung.mean_share_kept
        first = next(phase for phase in rung.phases if phase.phase == self.phase)
        if self.what == "kept":
            return first.share_kept
        if self.what == "yaw moment":
            return first.yaw_moment
        second = next(phase for phase in rung.phases if phase.phase == self.other)
        gap = (first.yaw_moment.value or 0.0) - (second.yaw_moment.value or 0.0)
        halves = [
            0.5 * ((phase.yaw_moment.high or 0.0) - (phase.yaw_moment.low or 0.0))
            for phase in (first, second)
        ]
        return Interval(gap, gap - math.hypot(*halves), gap + math.hypot(*halves))

    @property
    def scale(self) -> float:
        """What counts as a miss of one."""
        if self.what == "kept":
            return SHARE_SCALE
        return max(MOMENT_SCALE * abs(self.value), 1.0)


@dataclass(frozen=True)
class Met:
    """One target at the wanted preload, with today's unit, and with the shim as it may land; in its unit."""

    target: str
    wanted: float
    at_wanted: Interval
    today: Interval
    with_shim: Interval


@dataclass(frozen=True)
class RingChoice:
    """Other rings that the workshop has: nominal drive and coast angle [deg], the preload torque that meets
    the targets with them [N·m], what it gives, the yaw moment of the last phase [N·m], and the shim for it;
    or why they do not give it."""

    drive_angle_deg: float
    coast_angle_deg: float
    feasible: bool
    preload: Interval
    targets: tuple[Met, ...]
    yaw_moment: Interval
    shim: ShimAdvice | None
    why_not: str


@dataclass(frozen=True)
class Wanted:
    """The wanted preload.

    Attributes
    ----------
    car, unit, build : str
        Whose.
    preload : Interval
        Preload torque that meets the targets [N·m]; the limits hold the doubt of map and car.
    as_built : float
        That of the unit as measured [N·m].
    targets : tuple of Met
        What it gives, and what the unit gives today.
    reach : tuple of float
        Preload torques that were looked at [N·m]: those that the shims reach where they are known.
    shim : ShimAdvice or None
        The shim to take, with the chance to land within the workshop's limits.
    why_no_shim : str
        Why there is none.
    course : CornerEntry
        The whole ladder.
    ladder : tuple of float
        Its preload torques [N·m].
    rings : tuple of RingChoice
        The same asked of the rings in stock.
    """

    car: str
    unit: str
    build: str
    preload: Interval
    as_built: float
    targets: tuple[Met, ...]
    reach: tuple[float, float]
    shim: ShimAdvice | None
    why_no_shim: str
    course: CornerEntry
    ladder: tuple[float, ...]
    rings: tuple[RingChoice, ...] = ()

    @property
    def yaw_moment(self) -> Interval:
        """Of the last phase at the wanted preload [N·m]: what drive pays for the entry."""
        moments = [_triple(rung.phases[-1].yaw_moment) for rung in self.course.rungs]
        told = np.column_stack([self.ladder, moments])
        return _at(float(self.preload.value or 0.0), told)


def _triple(each: Interval) -> tuple[float, float, float]:
    return each.value or 0.0, each.low or 0.0, each.high or 0.0


def target_of(text: str, car: Car) -> Target:
    """A target as it is written: ``kept 60 %``, ``turn-in: kept 60 %``, ``turn-in: yaw moment 300 N.m``,
    ``balance turn-in, first throttle``; a weight behind a star, ``kept 60 % * 2``.

    Raises ``QuantityError`` where it is none, or names a phase that the car has not.
    """
    form = "write 'kept 60 %', 'turn-in: yaw moment 300 N.m' or 'balance turn-in, apex'"
    found = _FORM.fullmatch(text.strip())
    if found is None:
        raise QuantityError.single(f"'{text}' is no target", mend=form)
    names = [phase.name for phase in car.phase]
    what, value = found["what"], found["value"]
    asked = [part.strip() for part in value.split(",")] if what == "balance" else []
    if found["phase"]:
        asked.append(found["phase"].strip())
    for name in asked:
        if name not in names:
            raise QuantityError.single(
                f"the car has no phase '{name}'", mend=f"name one of {', '.join(names)}"
            )
    weight = float(found["weight"] or 1.0)
    if weight == 0.0:
        raise QuantityError.single(f"'{text}' weighs nothing", mend="leave the target out, or weigh it")
    if what == "balance":
        if len(set(asked)) != 2:
            raise QuantityError.single(f"'{text}' balances two phases", mend=form)
        return Target(text, "balance", asked[0], asked[1], 0.0, weight)
    if what == "yaw moment":
        if not asked:
            raise QuantityError.single(f"'{text}' names no phase", mend=form)
        return Target(text, "yaw moment", asked[0], None, parse_quantity(value, "torque", "N.m"), weight)
    if not asked and not any(phase.is_entry for phase in car.phase):
        raise QuantityError.single("no phase is under engine braking, so that there is no mean", mend=form)
    share = parse_quantity(value, "dimensionless", "1")
    if not 0.0 <= share <= 1.0:
        raise QuantityError.single(f"'{text}' is no share: {100.0 * share:g} %", mend=form)
    return Target(text, "kept", asked[0] if asked else None, None, share, weight)


def wanted_preload(
    car: Car,
    unit: LockingMap,
    result: Characterisation,
    targets: Sequence[Target],
    *,
    branch: Branch = "either",
    step: float | None = None,
    rings: Sequence[tuple[float, float]] = (),
    builds: Sequence[Characterisation | Member] = (),
    file: str | None = None,
) -> Wanted:
    """The preload torque that gives what is wanted, with the rings as built and with those in stock.

    Parameters
    ----------
    car : Car
        With its phases.
    unit : LockingMap
        The unit as measured.
    result : Characterisation
        Of the same fit.
    targets : sequence of Target
        One, which is met exactly, or several, of which the weighted squares of their misses are least.
    branch : str
        Of the maps.
    step : float or None
        In which shims are in stock [m]; as `diffbench.answers.shims.advise` has them by default.
    rings : sequence of (float, float)
        Nominal drive and coast angles [rad] to choose from, beside those that the build sheet has in stock.
    builds : sequence of Characterisation or Member
        Other builds of the unit with other shims: what they measured, and the stock that the newest sheet of
        all states, say what is within reach and which shim gives it.
    file : str or None
        The car's file, for messages.

    Returns
    -------
    The wanted preload, and the shim that gives it.

    Raises
    ------
    FitError
        No preload within reach gives a single target, or any of several: the nearest is named, and the rings
        in stock that do. Others are met as nearly as can be.

    Notes
    -----
    Validity: as `diffbench.answers.corner.corner_entry` and `diffbench.answers.rebuild.preload_ladder`. Other
    rings are taken to press the springs as those as built do.

    References
    ----------
    Common practice, no source.
    """

    known: list[Characterisation | Member] = [result, *builds]

    def asked(ramps: tuple[float, float] | None) -> Wanted:
        return _with_ramps(car, unit, known, targets, ramps, branch=branch, step=step, file=file)

    listed = result.facts_of(unit.document.build).rings_in_stock_deg or []
    pairs = [*((math.radians(drive), math.radians(coast)) for drive, coast in listed), *rings]
    choices = tuple(_choice(pair, asked) for pair in dict.fromkeys(pairs))
    try:
        return replace(asked(None), rings=choices)
    except FitError as error:
        given = [
            f"{_named(each)} with {each.preload.value:.4g} N·m" for each in choices if each.preload.value
        ]
        if not given:
            raise
        raise FitError(
            [
                replace(fault, mend=f"{fault.mend}; rings in stock: {', '.join(given)}")
                for fault in error.faults
            ]
        ) from error


def _choice(pair: tuple[float, float], asked: Callable[[tuple[float, float]], Wanted]) -> RingChoice:
    """What a pair of rings gives; where it cannot, why."""
    drive, coast = (round(math.degrees(angle), 9) for angle in pair)
    try:
        found = asked(pair)
    except FitError as error:
        why = "; ".join(f"{fault.what} ({fault.mend.partition('; else')[0]})" for fault in error.faults)
        nothing = Interval(None, None, None)
        return RingChoice(drive, coast, False, nothing, (), nothing, None, why)
    return RingChoice(drive, coast, True, found.preload, found.targets, found.yaw_moment, found.shim, "")


def _named(rings: RingChoice) -> str:
    return f"{rings.drive_angle_deg:.4g}/{rings.coast_angle_deg:.4g} deg"


def _with_ramps(
    car: Car,
    unit: LockingMap,
    builds: Sequence[Characterisation | Member],
    targets: Sequence[Target],
    ramps: tuple[float, float] | None,
    *,
    branch: Branch,
    step: float | None,
    file: str | None,
) -> Wanted:
    """`wanted_preload` of one pair of rings; None those as built. The first of ``builds`` is the unit's."""
    build = unit.document.build
    result = builds[0]
    assert isinstance(result, Characterisation)  # the unit's own
    here = preload_of(result, build=build)
    known, why = _reach(builds, step)
    wide = (UNKNOWN_REACH[0] * here, UNKNOWN_REACH[1] * here)
    reach = known or wide
    # wider than the shims reach, so that the limits have their ends
    ends = (min(reach[0], wide[0]), max(reach[1], wide[1]))
    torques = np.unique([*np.linspace(*ends, RUNGS).tolist(), *reach, here])
    maps = preload_ladder(result, torques.tolist(), beside=unit, ramps=ramps)
    course = corner_entry(
        car,
        [(f"{torque:.4g} N·m", each) for torque, each in zip(torques, maps, strict=True)],
        branch=branch,
        file=file,
    )
    told = [[target.of(rung) for rung in course.rungs] for target in targets]
    values = np.array([[each.value or 0.0 for each in row] for row in told])
    low, high = (
        np.array([[getattr(each, end) or 0.0 for each in row] for row in told]) for end in ("low", "high")
    )
    preload = _met(targets, torques, (values, low, high), reach)
    shim, why = (None, why) if known is None else _shim(builds, preload, step)
    at = float(preload.value or 0.0)
    courses = [np.stack([torques, *rows], axis=1) for rows in zip(values, low, high, strict=True)]
    return Wanted(
        car=car.name,
        unit=unit.document.unit,
        build=build,
        preload=preload,
        as_built=here,
        targets=tuple(
            Met(
                target.text,
                target.value,
                at_wanted=_at(at, told),
                today=_at(here, told),
                with_shim=_landing(shim, told),
            )
            for target, told in zip(targets, courses, strict=True)
        ),
        reach=reach,
        shim=shim,
        why_no_shim=why,
        course=course,
        ladder=tuple(torques.tolist()),
    )


def _at(preload: float, told: Array) -> Interval:
    """What a course (rungs; torque, value, low, high) says at a preload torque."""
    return Interval(*(float(np.interp(preload, told[:, 0], column)) for column in told[:, 1:].T))


def _landing(shim: ShimAdvice | None, told: Array) -> Interval:
    """What a shim gives: the doubt of map and car, and that of where the preload lands, in squares."""
    if shim is None:
        return Interval(None, None, None)
    taken = shim.advised
    middle = _at(taken.preload_torque_Nm, told)
    ends = [_at(place, told).value or 0.0 for place in (taken.low_Nm, taken.high_Nm)]
    value, low, high = (float(each or 0.0) for each in (middle.value, middle.low, middle.high))
    below, above = value - min(*ends, value), max(*ends, value) - value
    return Interval(value, value - math.hypot(value - low, below), value + math.hypot(high - value, above))


def _reach(
    builds: Sequence[Characterisation | Member], step: float | None
) -> tuple[tuple[float, float] | None, str]:
    """Preload torques that shims in stock reach [N·m]; or why nothing says it."""
    try:
        return within_reach(builds, step=step), ""
    except DiffbenchError as error:
        return None, str(error)


def _shim(
    builds: Sequence[Characterisation | Member], preload: Interval, step: float | None
) -> tuple[ShimAdvice | None, str]:
    """The shim to take; or why there is none."""
    if preload.value is None:
        return None, ""
    try:
        return advise(builds, target=preload.value, step=step), ""
    except DiffbenchError as error:
        return None, str(error)


def _met(
    targets: Sequence[Target],
    torques: Array,
    told: tuple[Array, Array, Array],
    reach: tuple[float, float],
) -> Interval:
    """The preload torque [N·m] within reach that meets targets, and its limits."""
    values, low, high = told
    fine, wide = np.linspace(*reach, FINE), np.linspace(torques[0], torques[-1], FINE)
    at = np.array([np.interp(fine, torques, row) for row in values])
    if len(targets) == 1:
        place = _crossing(fine, at[0] - targets[0].value)
        if place is None:
            raise _refused(targets[0], fine, at[0])
        ends = [_crossing(wide, np.interp(wide, torques, row[0]) - targets[0].value) for row in (low, high)]
        bounds = [end for end in ends if end is not None]
        below = [end for end in bounds if end <= place]
        above = [end for end in bounds if end >= place]
        return Interval(place, min(below, default=None), max(above, default=None))
    if all(_crossing(fine, row - target.value) is None for target, row in zip(targets, at, strict=True)):
        refused = [_refused(target, fine, row) for target, row in zip(targets, at, strict=True)]
        raise FitError([fault for each in refused for fault in each.faults])
    wanted = np.array([target.value for target in targets])[:, None]
    scale = np.array([target.scale for target in targets])[:, None]
    weight = np.array([target.weight for target in targets])[:, None]
    cost = (weight * ((at - wanted) / scale) ** 2).sum(axis=0)
    i = int(cost.argmin())
    slope = np.gradient(at, fine, axis=1)[:, i]
    pull = weight[:, 0] * slope / scale[:, 0] ** 2
    half = [
        0.5 * (np.interp(fine[i], torques, h) - np.interp(fine[i], torques, g))
        for g, h in zip(low, high, strict=True)
    ]
    stiff = float((pull * slope).sum())
    # one car and one unit are behind all targets, so that their doubts go together
    by = float(np.abs(pull * half).sum()) / stiff if stiff > 0.0 else math.inf
    ends_of = (fine[i] - by, fine[i] + by)
    return Interval(
        float(fine[i]),
        float(ends_of[0]) if ends_of[0] > wide[0] else None,
        float(ends_of[1]) if ends_of[1] < wide[-1] else None,
    )


def _crossing(fine: Array, gap: Array) -> float | None:
    """The first place at which a course comes to its target."""
    if gap[0] == 0.0:
        return float(fine[0])
    turns = np.flatnonzero(gap[:-1] * gap[1:] <= 0.0)
    if turns.size == 0:
        return None
    i = int(turns[0])
    return float(fine[i] + (fine[i + 1] - fine[i]) * (gap[i] / (gap[i] - gap[i + 1])))


def _refused(target: Target, fine: Array, at: Array) -> FitError:
    nearest = int(np.abs(at - target.value).argmin())
    times, unit = (100.0, "%") if target.what == "kept" else (1.0, "N·m")
    lowest, highest = _inward(times * float(at.min()), up=True), _inward(times * float(at.max()), up=False)
    shown = min(max(times * float(at[nearest]), lowest), highest)
    return FitError.single(
        f"'{target.text}' is not within reach: preload torques from {fine[0]:.4g} to {fine[-1]:.4g} N·m give "
        f"{lowest:.10g} to {highest:.10g} {unit}",
        mend=f"the nearest is {fine[nearest]:.4g} N·m with {shown:.4g} {unit}; else change "
        "ramps, plates or springs",
    )


def _inward(value: float, *, up: bool) -> float:
    """An end of what is within reach, in four figures: what is printed is within reach itself.

    >>> _inward(60.2479, up=False), _inward(60.2479, up=True)
    (60.24, 60.25)
    """
    if value == 0.0:
        return 0.0
    places = 3 - math.floor(math.log10(abs(value)))
    step = (math.ceil if up else math.floor)(value * 10.0**places)
    return float(round(step / 10.0**places, max(places, 0)))
