"""How a unit stands: one judgement over all its records, by one rule, for every command.

Each reason is found by itself: the newest visit against its limits, visits that contradict each other, wear,
a jump, the way to a limit. The gravest decides, and says the one thing to do next.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from diffbench.answers.differences import Change, Differences, differences_between
from diffbench.answers.joint import Member, has_repeatability, paired
from diffbench.answers.line import Axis, Line, axis_over, events_between, find_jump, fit_line, place_ahead
from diffbench.answers.observation import (
    AGAINST_THE_BENCH,
    PRELOAD_LAW,
    Estimate,
    Followed,
    Limit,
    Observation,
    followed,
    mean_of,
    observations,
)
from diffbench.answers.shims import Candidate, advise, better_than_fitted
from diffbench.answers.wear import LARGEST_LOSS, POWER_95, Judged, judged_limits, visits_for, wear_between
from diffbench.errors import DiffbenchError, FitError
from diffbench.fitting.pooling import LEVEL, apart
from diffbench.results.characterisation import Characterisation
from diffbench.results.conformity import RULE, SURE, LimitCheck, chance_within, check_limit, decided
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.state import (
    FAILS,
    STATE_OF,
    Caution,
    NextKind,
    NextStep,
    Part,
    Reason,
    ReasonKind,
    ShimStep,
    State,
    Visit,
)

Given = Characterisation | Member | Observation | Mapping[str, Any]

#: Followed from visit to visit.
FOLLOWED = ("preload_torque", "ramp_bias_drive_loading", "ramp_bias_coast_loading")
GRAVITY = list(STATE_OF)
#: Which part a change points at, the surest first.
PARTS: dict[str, Part] = {
    "spring_force": "spring",
    "friction": "friction",
    "unloading_ratio_drive": "ramps",
    "unloading_ratio_coast": "ramps",
    "viscous_coefficient": "oil",
}
RUNNING: tuple[Caution, ...] = ("torque", "speed", "heat")
OPENING: tuple[Caution, ...] = ("stored-force", "heat")


@dataclass(frozen=True)
class Stock:
    """Shims of the workshop: those of ``shims`` [m], or in steps of ``step`` [m]; where neither is given, as
    `diffbench.answers.shims.advise` has them."""

    step: float | None = None
    shims: tuple[float, ...] = ()


def judge(
    records: Sequence[Given],
    *,
    build: str | None = None,
    limits: Mapping[str, Limit] | None = None,
    largest_loss: float = LARGEST_LOSS,
    stock: Stock | None = None,
    events: int | None = None,
) -> State:
    """Judge a unit by all its records: one is enough.

    Parameters
    ----------
    records : sequence of Characterisation, Member, Observation or mapping
        Results of one unit in any order, several builds among them; the build of the latest date is judged.
        Of several fits of the same recordings the one made last counts.
    build : str or None
        The build to judge instead.
    limits : mapping of str to Limit, or None
        Limits by the name of a parameter that replace those of the newest build sheet.
    largest_loss : float
        Share of the preload torque that may be lost where the sheet holds it to no limit.
    stock : Stock or None
        Shims of the workshop; those of the build sheet by default, else steps of 0.05 mm.
    events : int or None
        Events from the first visit after the rebuild to the newest, instead of those that the records count;
        one from place to place where nobody counts.

    Returns
    -------
    The state: the gravest of the reasons found decides.

    Raises
    ------
    FitError
        There is no record, they are of different units, or none is of that build.

    References
    ----------
    Limits by ISO 14253-1; the chance to hold them by JCGM 106:2012; visits that contradict each other by χ²
    once in a thousand; jumps as `diffbench.answers.line.find_jump`.
    """
    case = _case(records, build, limits, largest_loss, stock or Stock(), events)
    reasons = sorted(_reasons(case), key=_gravity)
    newest = case.newest
    return State(
        unit=newest.unit,
        build=newest.build,
        date=newest.date,
        state=STATE_OF[reasons[0].kind],
        failed=STATE_OF[reasons[0].kind] in FAILS
        or any(case.visit(one).outcome == "not conforming" for one in case.here),
        reasons=reasons,
        next_step=_next(case, reasons[0]),
        limits=list(case.checks),
        visits=[case.visit(one) for one in case.every],
        rule=RULE,
    )


def _gravity(reason: Reason) -> tuple[int, float]:
    """By kind; of several limits ahead the one that is least likely to be held goes first."""
    ahead = reason.kind == "limit-ahead" and reason.chance is not None
    return GRAVITY.index(reason.kind), (reason.chance or 0.0) if ahead else 0.0


def gravest(states: Sequence[State]) -> State:
    """Of several builds, the one that stands worst."""
    return min(states, key=lambda state: (not state.failed, GRAVITY.index(state.reason.kind)))


def judge_builds(records: Sequence[Given], **options: Any) -> list[State]:
    """The state of each build among records of one unit, in the order of their last visits; arguments as
    `judge` has them."""
    seen = _in_order(records)
    builds = list(dict.fromkeys(one.build for one in reversed(seen)))
    return [judge(seen, build=build, **options) for build in reversed(builds)]


def _in_order(records: Sequence[Given]) -> list[Observation]:
    """All builds of all records by date and distance, whatever the order they come in."""
    seen = [one for record in records for one in observations(record)]
    if not seen:
        raise FitError.single("no record is given", mend="name a result")
    units = sorted({one.unit for one in seen})
    if len(units) > 1:
        raise FitError.single(
            f"the records are of different units ({', '.join(units)})", mend="judge one unit at a time"
        )
    latest: dict[tuple[object, ...], Observation] = {}
    for one in sorted(seen, key=lambda one: one.made):
        latest[(*(one.recordings or (one.record,)), one.measured_as)] = one
    return sorted(latest.values(), key=lambda one: one.order)


def newest_build(records: Sequence[Given]) -> str:
    """The build, as its result calls it, of the latest of records of one unit: the one that is judged."""
    return _in_order(records)[-1].measured_as


@dataclass(frozen=True, eq=False)
class _Case:
    """What is judged: every observation of the unit, those since the last rebuild (``own``), and those at the
    newest place (``here``)."""

    every: tuple[Observation, ...]
    own: tuple[Observation, ...]
    here: tuple[Observation, ...]
    limits: Mapping[str, Limit]
    largest_loss: float
    stock: Stock
    events: int | None

    @property
    def newest(self) -> Observation:
        return self.here[-1]

    @cached_property
    def places(self) -> list[tuple[Observation, ...]]:
        """Visits since the rebuild, place by place."""
        found: dict[tuple[object, ...], list[Observation]] = {}
        for one in self.own:
            found.setdefault(one.place, []).append(one)
        return [tuple(here) for here in found.values()]

    @property
    def stretches(self) -> int | None:
        """Events between the first visit that can be relied on and the newest: as the caller says, else as
        the records count them; None where nobody does."""
        first = self.sound[0].events if self.sound else None
        return self.events or events_between(first, self.newest.events)

    @cached_property
    def earlier_disagreeing(self) -> list[Reason]:
        """The same at earlier places."""
        earlier = (here for here in self.places if here[-1].place != self.newest.place)
        return [found for here in earlier if (found := _disagreement(here, "earlier-visits-disagree"))]

    @cached_property
    def sound(self) -> tuple[Observation, ...]:
        """Visits since the rebuild without those that contradict others: nobody knows which of them is
        right, so that no course goes through them."""
        both = [*self.earlier_disagreeing, *([self.disagreeing] if self.disagreeing else [])]
        doubtful = {record for reason in both for record in reason.records}
        return tuple(one for one in self.own if one.record not in doubtful)

    @property
    def first(self) -> tuple[Observation, ...]:
        """Visits at the first place since the rebuild that can be relied on."""
        return tuple(one for one in self.sound if one.place == self.sound[0].place)

    def estimate(self, quantity: str) -> Estimate | None:
        """The newest visit's own, or the mean at its place where that alone decides."""
        limit, elsewhere = self.limits.get(quantity), quantity in self.newest.at_limits
        seen = [one.at_limits if elsewhere else one.estimates for one in self.here]
        own, there = seen[-1].get(quantity), [one[quantity] for one in seen if quantity in one]
        if own is None or len(there) < 2 or limit is None or self.disagreeing:
            return own
        if decided(own.interval, limit.low, limit.high) == "not conforming":
            return own
        mean = mean_of(there)
        broken = decided(mean.interval, limit.low, limit.high) == "not conforming"
        return mean if broken or decided(own.interval, limit.low, limit.high) == "not proven" else own

    @cached_property
    def disagreeing(self) -> Reason | None:
        """Visits at the newest place that cannot be of one unit as it stands."""
        return _disagreement(self.here, "visits-disagree")

    @cached_property
    def checks(self) -> tuple[LimitCheck, ...]:
        """Every limit of the newest sheet, and wear since the rebuild."""
        sheet = (self._check(name, limit) for name, limit in self.limits.items())
        return (*sheet, *(one.check for one in self.wear.values()))

    def _check(self, name: str, limit: Limit) -> LimitCheck:
        found = self.estimate(name)
        return check_limit(
            name,
            value=None if found is None else found.value,
            interval=None if found is None else found.interval,
            low=limit.low,
            high=limit.high,
            unit=limit.unit,
        )

    @cached_property
    def changed(self) -> Differences | None:
        """What changed since the first visit after the rebuild; None where that cannot be told."""
        if self.disagreeing or self.first[0].place == self.newest.place:
            return None
        return _differences(self.first, self.here)

    @cached_property
    def wear(self) -> dict[str, Judged]:
        """Wear of a face, and loss of preload where nothing limits that, as `compare` has them."""
        if self.changed is None:
            return {}
        pair = paired(_members((*self.first, *self.here)), before=len(self.first))
        found, _ = wear_between(self.changed, pair)
        judged = {
            one.check.quantity: one
            for one in judged_limits(pair, self.changed, found, self.largest_loss)
            if one.check.value is not None
        }
        wanted = ("face_wear",) if "preload_torque" in self.limits else ("face_wear", "preload_loss")
        return {name: judged[name] for name in wanted if name in judged}

    def visit(self, one: Observation) -> Visit:
        """A record as the document lists it."""
        judged = [
            decided(found.interval, limit.low, limit.high)
            for name, limit in self.limits.items()
            if (found := one.at_limits.get(name, one.estimates.get(name))) is not None
        ]
        order = ("not conforming", "not proven", "conforming")
        mine = one.assembly == self.newest.assembly
        return Visit(
            record=one.record,
            build=one.build,
            date=one.date,
            distance_m=one.distance_m,
            events=one.events,
            outcome=next((o for o in order if o in judged), None) if mine else None,
        )


def _case(
    records: Sequence[Given],
    build: str | None,
    limits: Mapping[str, Limit] | None,
    largest_loss: float,
    stock: Stock,
    events: int | None,
) -> _Case:
    every = _in_order(records)
    asked = [one for one in every if build is None or one.build == build]
    if not asked:
        names = ", ".join(dict.fromkeys(one.build for one in every))
        raise FitError.single(f"no record is of build '{build}'", mend=f"name one of {names}")
    newest = asked[-1]
    own = tuple(one for one in asked if one.assembly == newest.assembly)
    here = tuple(one for one in own if one.place == newest.place)
    held = {**newest.limits, **(limits or {})}
    return _Case(tuple(every), own, here, held, largest_loss, stock, events)


def _members(seen: Sequence[Observation]) -> list[Member]:
    return [one.member for one in seen if one.member is not None]


def _differences(earlier: Sequence[Observation], later: Sequence[Observation]) -> Differences | None:
    """Changes between two states; None where the results cannot be held against each other."""
    sides = _members(earlier), _members(later)
    both = [*sides[0], *sides[1]]
    if not all(has_repeatability(one) for one in both):
        return None
    alike = {
        (*sorted(one.characterisation.reference.items()), one.facts.faces, one.facts.effective_radius_m)
        for one in both
    }
    whole = len(both) == len(earlier) + len(later)
    return (
        differences_between(paired(both, before=len(sides[0])), judged=True)
        if whole and len(alike) == 1
        else None
    )


def change_between(earlier: Observation, later: Observation, name: str) -> Change | None:
    """The change of a quantity from one record to another, as a comparison has it; None where these cannot be
    compared."""
    try:
        found = _differences([earlier], [later])
    except DiffbenchError:
        return None  # they are of things that no comparison holds against each other
    return None if found is None else found.changes.get(name)


def _part_of(found: Differences | None) -> Part | None:
    """Of the parts whose change is proven, the one whose change stands out most; spring and friction before
    those that are held against the fit alone."""
    if found is None:
        return None
    moved = [(name, found.changes[name]) for name in PARTS if name in found.changes]
    moved = [(name, change) for name, change in moved if change.significant]
    main = [one for one in moved if one[1].against == "repeatability"] or moved
    return PARTS[max(main, key=lambda one: _z(one[1]))[0]] if main else None


def _z(change: Change) -> float:
    return abs(change.change) / change.u if change.u > 0.0 else math.inf


def _reasons(case: _Case) -> Iterator[Reason]:
    """Everything that can be said, in no order."""
    if case.disagreeing:
        yield case.disagreeing
    if case.newest.flaws:
        yield _reason(case, "test-flawed", name=case.newest.flaws[0])
    if not case.checks:
        yield _reason(case, "no-limits")
    of_limits = [reason for check in case.checks for reason in _of_limit(case, check)]
    yield from of_limits
    yield from _of_courses(case)
    yield from _of_wear(case)
    yield from case.earlier_disagreeing
    wrong = dict.fromkeys(name for one in case.here for name in one.contradicted)
    # numbers by a wrong law are not near or far from a limit: they are of another unit
    if PRELOAD_LAW in wrong and any(one.kind in ("not-determined", "limit-not-proven") for one in of_limits):
        del wrong[PRELOAD_LAW]
        yield _reason(case, "law-contradicted", name=PRELOAD_LAW)
    if wrong:
        yield _reason(case, "sheet-contradicted", name="; ".join(wrong))
    known = [found for name in case.limits if (found := case.estimate(name)) is not None]
    if known and not all(one.refits for one in known):
        yield _reason(case, "refits-unknown")
    care = dict.fromkeys(name for one in case.here for name in one.cautions if name in AGAINST_THE_BENCH)
    if care:
        yield _reason(case, "read-with-care", name="; ".join(care))
    for name in ("spring_force", "friction"):
        change = None if case.changed is None else case.changed.changes.get(name)
        if change is not None and change.significant:
            yield _reason(
                case,
                "changed",
                quantity=name,
                unit="1",
                value=change.change,
                low=change.low if change.tested_low is None else change.tested_low,
                high=change.high if change.tested_high is None else change.tested_high,
                part=PARTS[name],
            )


def _reason(case: _Case, kind: ReasonKind, **fields: Any) -> Reason:
    newest = {"dates": [case.newest.date], "records": [case.newest.record]}
    return Reason(**{**newest, "kind": kind, **fields})


def _of_limit(case: _Case, check: LimitCheck) -> Iterator[Reason]:
    """What one limit says."""
    if check.value is None:
        yield _reason(case, "not-determined", quantity=check.quantity, unit=check.unit)
        return
    below, above = check.guard_low or 0.0, check.guard_high or 0.0
    interval = (check.value - below, check.value + above)
    ends = [(end, side) for end, side in ((check.low, "lower"), (check.high, "upper")) if end is not None]
    value = check.value
    limit, side = min(ends, key=lambda one: one[0] - value if one[1] == "upper" else value - one[0])
    chance = chance_within(check.value, interval, check.low, check.high)
    kind: ReasonKind
    if check.outcome == "not conforming":
        if case.disagreeing and case.disagreeing.quantity == check.quantity and not _all_beyond(case, check):
            return
        wear = check.quantity in {"face_wear", "preload_loss"}
        kind = "worn-beyond-limit" if wear else "beyond-limit"
    elif check.outcome == "conforming":
        kind = "within-limits"
    else:
        kind = "limit-close" if chance >= SURE else "limit-not-proven"
        if check.quantity == "face_wear" and kind == "limit-not-proven":
            # wear of a face is worked out, not measured: what is not proven there is no doubt of the torque
            kind = "limit-close"
    yield _reason(
        case,
        kind,
        quantity=check.quantity,
        unit=check.unit,
        value=check.value,
        low=interval[0],
        high=interval[1],
        limit=limit,
        side=side,
        chance=chance,
        part=_part_of(case.changed) if check.outcome == "not conforming" else None,
    )


def _all_beyond(case: _Case, check: LimitCheck) -> bool:
    """Whether every visit at the newest place is beyond a limit by itself."""
    there = [
        found
        for one in case.here
        if (found := one.at_limits.get(check.quantity, one.estimates.get(check.quantity))) is not None
    ]
    return all(decided(one.interval, check.low, check.high) == "not conforming" for one in there)


def _disagreement(here: Sequence[Observation], kind: ReasonKind) -> Reason | None:
    """Visits between which nothing was driven, farther apart than refits explain once in a thousand times."""
    if len(here) < 2:
        return None
    several = len({one.bench for one in here}) > 1
    for name in FOLLOWED:
        course = followed(here, name)
        seen = list(zip(course.seen, course.found, strict=True))
        if len(seen) < 2:
            continue
        values = np.array([estimate.value for _, estimate in seen])
        own = [math.hypot(one.scatter, one.u_bench if several else 0.0) for _, one in seen]
        if min(own) <= 0.0:
            continue
        if apart(values, np.diag(np.square(own)))[1] < LEVEL / len(FOLLOWED):
            return Reason(
                kind=kind,
                quantity=name,
                unit=seen[0][1].unit,
                value=float(np.ptp(values)),
                low=float(values.min()),
                high=float(values.max()),
                dates=[one.date for one, _ in seen],
                records=[one.record for one, _ in seen],
            )
    return None


def _of_courses(case: _Case) -> Iterator[Reason]:
    """Jumps, and limits that the next event may break."""
    if not case.sound:
        return
    over = axis_over([(one.distance_m, one.events) for one in case.sound])
    for name in dict.fromkeys((*FOLLOWED, *case.limits)):
        course = followed(case.sound, name)
        x, points, found = _along(case.sound, course, over)
        if not points:
            continue
        stated = _scatter(points, found)
        y = [one.value for one in found]
        jump = find_jump(x, y, stated=stated) if len(x) > 2 else None
        since = 0
        if jump is not None:
            since = jump.at
            sides = points[jump.at - 1], points[jump.at]
            yield Reason(
                kind="jump",
                quantity=name,
                unit=found[0].unit,
                value=jump.size,
                low=jump.low,
                high=jump.high,
                part=_part_of(_differences(points[: jump.at], points[jump.at :])),
                dates=[one.date for one in sides],
                records=[one.record for one in sides],
            )
        line = fit_line(x[since:], y[since:], stated=stated)
        ahead = place_ahead(x, one_by_one=over == "events", stretches=case.stretches)
        limit = case.limits.get(name) if course.held_to(name) else None
        outcome = next((check.outcome for check in case.checks if check.quantity == name), None)
        if line is None or ahead is None or limit is None or outcome == "not conforming":
            continue
        shared = max(one.u_shared for one in found)
        now = decided(line.interval(x[-1], shared=shared), limit.low, limit.high)
        if outcome == "not proven" and now == "not conforming":
            yield _on_the_line(case, name, line, limit, "beyond-limit", x[-1], shared, over)
            continue
        toward = limit.low if line.slope < 0.0 else limit.high
        if toward is not None and abs(line.slope) > line.one_sided * line.u_slope:
            coming = _on_the_line(case, name, line, limit, "limit-ahead", ahead, shared, over)
            if coming.chance is not None and coming.chance < SURE:
                yield coming


def _of_wear(case: _Case) -> Iterator[Reason]:
    """Limits on wear that the next event is as good as sure to break, if wear goes on in a straight line: it
    is worked out from two states, so that less than that is no more than doubt."""
    stretches = case.stretches or len({one.place for one in case.sound}) - 1
    for name, judged in case.wear.items():
        check = judged.check
        if check.value is None or check.high is None or check.outcome == "not conforming":
            continue
        on = 1.0 + 1.0 / max(stretches, 1)
        value, reach = on * check.value, (on * (check.guard_low or 0.0), on * (check.guard_high or 0.0))
        interval = value - reach[0], value + reach[1]
        chance = chance_within(value, interval, None, check.high)
        if chance <= 1.0 - SURE:
            yield _reason(
                case,
                "limit-ahead",
                quantity=name,
                unit=check.unit,
                value=value,
                low=interval[0],
                high=interval[1],
                limit=check.high,
                side="upper",
                chance=chance,
                part=_part_of(case.changed),
            )


def _along(
    own: Sequence[Observation], course: Followed, over: Axis
) -> tuple[list[float], list[Observation], list[Estimate]]:
    """Where each record of a quantity stands, the records, and what they say, in that order."""
    numbers = {id(one): number for number, one in enumerate(own, start=1)}
    placed: list[tuple[float, int, Observation, Estimate]] = []
    for one, found in zip(course.seen, course.found, strict=True):
        number = numbers[id(one)]
        at = {"distance": one.distance_m, "events": one.events, "visits": number}[over]
        if at is not None:
            placed.append((float(at), number, one, found))
    placed.sort(key=lambda each: each[:2])
    return [at for at, *_ in placed], [one for _, _, one, _ in placed], [found for *_, found in placed]


def _scatter(points: Sequence[Observation], found: Sequence[Estimate]) -> float | None:
    """Standard deviation from visit to visit as the records state it; with the bench's own part where there
    are several benches."""
    if not found or not all(one.refits for one in found):
        return None
    several = len({one.bench for one in points}) > 1
    parts = [one.u_visit**2 + (one.u_bench**2 if several else 0.0) for one in found]
    return math.sqrt(sum(parts) / len(parts))


def _on_the_line(
    case: _Case,
    name: str,
    line: Line,
    limit: Limit,
    kind: ReasonKind,
    at: float,
    shared: float,
    over: Axis,
) -> Reason:
    """A quantity on the line through its records at a place, against the limit that it goes towards."""
    falls = line.slope < 0.0
    toward = limit.low if falls and limit.low is not None else limit.high
    low, high = line.interval(at, shared=shared)
    above = 1.0 if toward is None else line.chance_above(toward, at, shared=shared)
    return _reason(
        case,
        kind,
        quantity=name,
        unit=limit.unit,
        value=float(line.at(at)),
        low=low,
        high=high,
        limit=toward,
        side="lower" if falls else "upper",
        chance=above if falls else 1.0 - above,
        part=_part_of(case.changed),
        at=at,
        over=over,
    )


def _next(case: _Case, reason: Reason) -> NextStep:
    """The one thing to do."""
    return _STEPS[reason.kind](case, reason)


def _back(case: _Case, reason: Reason) -> NextStep:
    """Of a limit that is broken: a shim for the preload, else the part."""
    return _shim(case, reason) if reason.quantity in _OF_PRELOAD else _open(case, reason)


def _settle(case: _Case, reason: Reason) -> NextStep:
    """Of a limit that is not proven: as many visits as settle it; where none do, a shim for a preload that
    lies on its limit, else what narrows its doubt most."""
    visits = _visits(case, reason)
    if visits is not None:
        return _measure(case, reason, "measure-again", visits=visits)
    # within one standard uncertainty of it
    on_limit = reason.chance is not None and 0.16 < reason.chance < 0.84
    found = case.estimate(reason.quantity or "")
    # where the law misses, what it says of another shim is in as much doubt
    if on_limit and reason.quantity in _OF_PRELOAD and not (found is not None and found.law_misses):
        step = _shim(case, reason)
        if step.kind != "no-shim-reaches":
            return step
    wear = case.wear.get(reason.quantity or "")
    if wear is None and found is not None and not found.refits:
        return _measure(case, reason, "measure-repeatability")
    own, other = (0.0, 0.0) if found is None else (found.u_visit**2, found.u_shared**2)
    own, other = (own, other) if wear is None else (wear.of_a_refit, wear.other)
    return _measure(case, reason, "average-visits" if own > other else "narrow-doubt")


def _before_the_event(case: _Case, reason: Reason) -> NextStep:
    """Of a limit ahead: what brings it back where it is sure to be broken, else one more visit."""
    sure = reason.chance is not None and reason.chance <= 1.0 - SURE
    return _back(case, reason) if sure else _measure(case, reason, "measure-again", visits=1)


def _measure(case: _Case, reason: Reason, kind: NextKind, *, visits: int | None = None) -> NextStep:
    """A visit to the bench, with how far the unit was tested."""
    return NextStep(
        kind=kind,
        quantity=reason.quantity,
        visits=visits,
        missing=["repeatability"] if kind == "measure-repeatability" else [],
        cautions=list(RUNNING),
        tested_torque_Nm=case.newest.tested_torque_Nm,
        tested_speed_rad_s=case.newest.tested_speed_rad_s,
    )


def _open(_: _Case, reason: Reason) -> NextStep:
    """New plates where faces or friction are gone, else a look at the part."""
    friction = reason.part == "friction" and reason.side == "lower"
    plates = reason.kind != "jump" and (reason.quantity == "face_wear" or friction)
    return NextStep(
        kind="renew-plates" if plates else "inspect",
        quantity=reason.quantity,
        part=reason.part,
        cautions=list(OPENING),
    )


def _visits(case: _Case, reason: Reason) -> int | None:
    """Further visits that settle a limit with a chance of 95 % if the value stays where it is."""
    if reason.quantity in case.wear:
        return case.wear[reason.quantity].visits
    name = reason.quantity or ""
    found = case.newest.at_limits.get(name, case.newest.estimates.get(name))
    if found is None or reason.value is None or reason.limit is None or not found.refits:
        return None
    wanted = abs(reason.value - reason.limit) / (NORMAL_95 + POWER_95)
    if wanted <= found.u_shared:
        return None
    every = visits_for(wanted, of_a_refit=found.u_visit**2, other=found.u_shared**2)
    return None if every is None else max(every - len(case.here), 1)


def _shim(case: _Case, reason: Reason) -> NextStep:
    """The shim in stock that brings the preload torque back to the middle of its limits."""
    who = case.newest.member
    limit = case.limits.get("preload_torque")
    target = _target(case, limit)
    missing: list[str] = []
    if who is not None and target is not None:
        force = who.determined("spring_force")
        if who.shim is None:
            missing.append("preload.shim")
        if who.springs is None:
            missing.append("preload.disc_spring")
        if force is None:
            missing.append("preload.spring_force")
        both = None if limit is None or limit.low is None or limit.high is None else (limit.low, limit.high)
        for rungs in ([who], _ladder(case)):
            try:
                found = advise(
                    rungs, target=target, limits=both, step=case.stock.step, stock=case.stock.shims
                )
            except DiffbenchError:
                continue  # what is known does not reach: the next way, else say what is missing
            better = better_than_fitted(found, who.shim, target)
            if better is None:
                return _no_shim(reason)
            return NextStep(
                kind="fit-shim",
                quantity="preload_torque",
                part=reason.part,
                shim=_as_step(better, who.shim),
                cautions=["stored-force", "heat"],
            )
        stated = None if force is None else force.value
        if who.springs and force and stated and who.springs.overloaded_by(stated, force.u or 0.0):
            return _check_sheet(case, reason)
        if not missing:
            return _no_shim(reason)  # all is known that a shim is worked out from
    return NextStep(
        kind="state-shim-and-springs",
        quantity="preload_torque",
        part=reason.part,
        # all of it where nobody can look; nothing where all is there, and no shim reaches
        missing=missing
        if who is not None and target is not None
        else ["preload.shim", "preload.disc_spring", "preload.spring_force"],
        cautions=["stored-force", "heat"],
    )


def _check_sheet(_: _Case, reason: Reason) -> NextStep:
    """Of a build sheet that is contradicted; of its law alone, on paper."""
    if reason.name == PRELOAD_LAW:
        return NextStep(kind="check-sheet", missing=["preload.law"])
    return NextStep(kind="check-sheet", quantity=reason.quantity, part=reason.part, cautions=list(OPENING))


def _no_shim(reason: Reason) -> NextStep:
    """What a shim cannot mend."""
    return NextStep(
        kind="no-shim-reaches", quantity="preload_torque", part=reason.part, cautions=list(OPENING)
    )


def _target(case: _Case, limit: Limit | None) -> float | None:
    """Preload torque wanted: the middle of the limits; with one end, clear of it by what doubt asks for;
    without, that of the first visit."""
    if limit is not None and limit.low is not None and limit.high is not None:
        return 0.5 * (limit.low + limit.high)
    found = case.newest.at_limits.get("preload_torque", case.newest.estimates.get("preload_torque"))
    if limit is not None and found is not None and found.u is not None:
        clear = (NORMAL_95 + POWER_95) * found.u
        return limit.low + clear if limit.low is not None else (limit.high or 0.0) - clear
    first = case.first[-1].estimates.get("preload_torque") if case.first else None
    return None if first is None else first.value


def _ladder(case: _Case) -> list[Member]:
    """The newest result of every shim that the unit was measured with."""
    pack = case.newest.pack
    by_shim = {one.shim_m: one for one in case.every if one.shim_m is not None and one.pack == pack}
    return _members([*by_shim.values()])


def _as_step(advised: Candidate, now: float | None) -> ShimStep:
    return ShimStep(
        shim_m=advised.shim_m,
        shim_now_m=now,
        preload_torque_Nm=advised.preload_torque_Nm,
        low_Nm=advised.low_Nm,
        high_Nm=advised.high_Nm,
        chance=advised.chance,
        extrapolated=advised.extrapolated,
    )


_OF_PRELOAD = {"preload_torque", "preload_loss"}
_STEPS: dict[ReasonKind, Callable[[_Case, Reason], NextStep]] = {
    "beyond-limit": _back,
    "visits-disagree": lambda _, reason: NextStep(kind="check-records", quantity=reason.quantity),
    "worn-beyond-limit": _back,
    "test-flawed": lambda case, reason: _measure(case, reason, "mend-test"),
    "jump": _open,
    "law-contradicted": _check_sheet,
    "not-determined": lambda case, reason: _measure(case, reason, "measure-more"),
    "limit-not-proven": _settle,
    "no-limits": lambda *_: NextStep(kind="state-limits", missing=["limits.preload_torque"]),
    "limit-ahead": _before_the_event,
    "limit-close": _settle,
    "earlier-visits-disagree": lambda _, reason: NextStep(kind="check-records", quantity=reason.quantity),
    "sheet-contradicted": _check_sheet,
    "refits-unknown": lambda case, reason: _measure(case, reason, "measure-repeatability"),
    "read-with-care": lambda case, reason: _measure(case, reason, "mend-test"),
    "within-limits": lambda *_: NextStep(kind="nothing"),
    "changed": lambda *_: NextStep(kind="nothing"),
}
