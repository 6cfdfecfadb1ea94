"""Two states of one unit against each other: what changed, what wore, and whether that is within limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from diffbench.answers.differences import (
    FRICTION_SHAPE,
    LEVEL,
    PRELOAD_LOSS_WEIGHT,
    Change,
    Condition,
    DifferenceMap,
    Differences,
    conditions_at_corner_entry,
    difference_map,
    differences_between,
)
from diffbench.answers.joint import (
    Member,
    Paired,
    has_repeatability,
    member,
    one_pack,
    paired,
    shared_text,
    widest,
)
from diffbench.answers.observation import cautions_of, judged_elsewhere
from diffbench.answers.state import Stock, judge
from diffbench.answers.wear import (
    LARGEST_LOSS,
    POWER_95,
    Judged,
    NextEvent,
    Wear,
    judged_limits,
    next_event,
    visits_for,
    wear_between,
)
from diffbench.errors import Fault, FitError, Place
from diffbench.fitting.pooling import LEVEL as MAY_SHARE
from diffbench.fitting.pooling import UNSTATED, apart
from diffbench.physics.steady import UnitQuantities
from diffbench.results.characterisation import Characterisation
from diffbench.results.conformity import LIMITED, LimitCheck
from diffbench.results.document import ByName, Document, Frozen
from diffbench.results.state import State

__all__ = ["Comparison", "Side", "check_state", "compare"]

Verdict = Literal["unchanged", "changed within limits", "changed beyond limits", "worn", "not proven"]

NEEDS_REPEATABILITY = (
    "the rig does not say what a refit to the bench changes: measure it with 'diffbench repeatability', put "
    "it into [repeatability] of the rig, and fit again"
)
FLANKS_APART = 2.575829  # once in a hundred times by chance


class Side(Frozen):
    """One state: unit, build, dates and distances of the visits behind it."""

    unit: str
    build: str
    dates: list[str]
    distance_m: float | None
    inputs: dict[str, str]


class Comparison(Document):
    """Two states of a unit against each other.

    ``detectable_loss`` is the loss of preload torque that a comparison with these doubts shows with a chance
    of 95 %; ``visits_for_5_percent`` how many visits each state needs for a loss of 5 % to be shown with that
    chance, None where no number does. ``visits_to_settle`` has the same for each limit that is not proven
    either way, if its value stays where it is now. ``next_event`` is None where there is nothing to say:
    after a rebuild, without a repeatability, or without a limit. ``verdict`` is about the change alone;
    ``state`` is that of the unit by all these records, the newest by its date; None in documents of older
    versions, and without details. ``swapped``: the later state was named first, and stands after all the
    same. Changes are at the ``reference`` condition; limits are judged there but for those of ``read_at``,
    which hold where the number was read [°C, None where nobody read it].
    """

    file_name: ClassVar[str] = "comparison.json"
    made_by: ClassVar[str] = "diffbench compare"

    format: Literal["diffbench-comparison/1"] = "diffbench-comparison/1"
    before: Side
    after: Side
    verdict: Verdict
    reasons: list[str]
    changes: ByName[Change]
    not_determined: dict[str, str]
    wear: Wear | None
    limits: list[LimitCheck]
    conditions: list[Condition]
    difference_map: DifferenceMap | None
    readings: list[str]
    common: list[str]
    caveats: list[str]
    detectable_loss: float | None
    visits_for_5_percent: int | None
    visits_to_settle: dict[str, int | None] = Field(default_factory=dict)
    next_event: NextEvent | None = None
    state: State | None = None
    swapped: bool = False
    reference: dict[str, float] = Field(default_factory=dict)
    read_at: dict[str, float | None] = Field(default_factory=dict)

    @property
    def failed(self) -> bool:
        """Whether the unit, as it was seen last, is proven to be worn or beyond a limit."""
        if self.state is not None:
            return self.state.failed
        return self.verdict in {"worn", "changed beyond limits"} or any(
            limit.outcome == "not conforming" for limit in self.limits
        )


def compare(
    before: Characterisation | Member | Sequence[Characterisation | Member],
    after: Characterisation | Member | Sequence[Characterisation | Member],
    *,
    largest_loss: float = LARGEST_LOSS,
    events: int = 1,
    details: bool = True,
    stock: Stock | None = None,
) -> Comparison:
    """Compare two states of one unit.

    Parameters
    ----------
    before, after : Characterisation, Member, or sequence of them
        Results of one or several visits in each state; their dates, not their places, say which is which.
        Several, each fitted by itself, are averaged, which is how refits sharpen a comparison. A `Member`
        (see `diffbench.answers.joint.member`) says more of a result: which build of a joint fit it is, and
        where its papers are.
    largest_loss : float
        Share of the preload torque that may be lost where the sheet after states no limits on it.
    events : int
        Events between both states, for what one more does.
    details : bool
        Whether state, locking torque at corner entry and the map of the difference are worked out.
    stock : Stock or None
        Shims of the workshop, for the next step.

    Returns
    -------
    The comparison. Its verdict: *unchanged*, nothing exceeds what a refit to the bench explains; *changed
    within limits*, and every limit is proven to be held; *worn*, preload, friction or spring force came
    down and a limit is proven to be broken; *changed beyond limits*, the same after a rise; *not proven*,
    else, and where no repeatability is stated.

    Raises
    ------
    FitError
        The results are of different units, or quoted at different conditions; visits of one state contradict
        each other; or there is no event.

    References
    ----------
    A change counts against the repeatability of the bench (ISO 5725-6:1994, 4.1); limits by ISO 14253-1.
    """
    if events < 1:
        raise FitError.single("no event lies between the states", key="events", mend="name one or more")
    earlier, later = _members(before), _members(after)
    swapped = turned_round(earlier, later)
    if swapped:
        earlier, later = later, earlier
    members = [*earlier, *later]
    _check(members)
    for side in (earlier, later):
        check_state(side)
    pair = paired(members, before=len(earlier))
    same = len({m.visit for m in members}) == 1
    judged = same or all(has_repeatability(m) for m in members)
    found = differences_between(pair, judged=judged)
    wear, needs = wear_between(found, pair)
    missing = {**found.missing, **({"face_wear": needs} if needs else {})}
    limits = judged_limits(pair, found, wear, largest_loss)
    loss, visits = _power(found, len(earlier), len(later)) if judged and not same else (None, None)
    verdict, reasons = _verdict(found, limits, judged=judged, shown=loss)
    ahead = _next(pair, found, wear, limits, events) if judged and not same else None
    return Comparison(
        before=_side(earlier),
        after=_side(later),
        verdict=verdict,
        reasons=reasons,
        changes=found.changes,
        not_determined=missing,
        wear=wear,
        limits=[limit.check for limit in limits],
        conditions=conditions_at_corner_entry(pair) if details else [],
        difference_map=difference_map(pair) if details else None,
        readings=_meanings(found.changes, wear),
        common=shared_text(pair),
        caveats=[*_order_caveats(earlier, later, swapped=swapped), *_caveats(pair, found, judged=judged)],
        detectable_loss=loss,
        visits_for_5_percent=visits,
        visits_to_settle={
            limit.check.quantity: limit.visits
            for limit in limits
            if judged and not same and limit.check.outcome == "not proven"
        },
        next_event=ahead,
        state=judge(members, largest_loss=largest_loss, stock=stock, events=events if events > 1 else None)
        if details
        else None,
        swapped=swapped,
        reference=dict(later[-1].characterisation.reference),
        read_at={name: found.heat for name, found in judged_elsewhere(later[-1]).items()},
    )


def _members(given: Characterisation | Member | Sequence[Characterisation | Member]) -> list[Member]:
    listed = [given] if isinstance(given, Characterisation | Member) else list(given)
    if not listed:
        raise FitError.single("no result is given for one of the states", mend="name one on each side")
    return [m if isinstance(m, Member) else member(m) for m in listed]


def _times(side: Sequence[Member]) -> list[tuple[str, float]]:
    """When visits were, earliest first: by date, and by distance on one day of one build."""
    return sorted((m.facts.date or m.characterisation.date, m.facts.distance_m or 0.0) for m in side)


def turned_round(earlier: Sequence[Member], later: Sequence[Member]) -> bool:
    """Whether every visit of what was named first was after every visit of the other."""
    first, other = _times(earlier)[0], _times(later)[-1]
    if first[0] == other[0] and earlier[0].facts.build != later[0].facts.build:
        return False  # a rebuild within a day: distances begin anew, so that only the caller knows
    return first > other


def _order_caveats(earlier: Sequence[Member], later: Sequence[Member], *, swapped: bool) -> Iterator[str]:
    """What the dates say of the order in which both states were named."""
    if swapped:
        yield "the later state was named first: before and after stand by their dates here"
    (last, _), (first, _) = _times(earlier)[-1], _times(later)[0]
    if last > first:
        yield f"visits of both states overlap in time ({first} is before {last}): check their dates"
    ways = earlier[-1].facts.distance_m, later[0].facts.distance_m
    if (
        earlier[0].facts.build == later[0].facts.build
        and None not in ways
        and (ways[0] or 0.0) > (ways[1] or 0.0)
    ):
        yield "the later state has run less than the earlier one: check dates and distances of the sheets"


def _check(members: Sequence[Member]) -> None:
    """One unit, one reference condition, one radius of the friction faces: else the numbers are of different
    things."""
    units = sorted({m.characterisation.unit for m in members})
    if len(units) > 1:
        raise FitError.single(
            f"the results are of different units ({', '.join(units)})", mend="compare states of one unit"
        )
    conditions = {tuple(sorted(m.characterisation.reference.items())) for m in members}
    if len(conditions) > 1:
        raise FitError.single(
            "the results are quoted at different reference conditions",
            key="reference",
            mend="state one [reference] in both build sheets, and fit again",
        )
    one_pack(members)


def _verdict(
    found: Differences, limits: Sequence[Judged], *, judged: bool, shown: float | None
) -> tuple[Verdict, list[str]]:
    """The verdict and its reasons; ``shown`` is the loss of preload that would be shown with 95 %."""
    outcomes = {limit.check.quantity: limit.check.outcome for limit in limits}
    broken = [name for name, outcome in outcomes.items() if outcome == "not conforming"]
    open_limits = [limit for limit in limits if limit.check.outcome == "not proven"]
    if not judged:
        return "not proven", [NEEDS_REPEATABILITY]
    main = {name: change for name, change in found.changes.items() if change.against == "repeatability"}
    moved = {name: change for name, change in main.items() if change.significant}
    if not main:
        return "not proven", ["neither preload torque nor a ramp bias is determined in both states"]
    if not moved:
        reasons = ["no change of preload torque, friction or spring force exceeds what refits explain"]
        if shown is not None:
            reasons.append(f"a loss of preload below {100.0 * shown:.1f} % may stay unseen by so few visits")
        if broken:
            reasons.append(f"broken as before: the limit on {', '.join(broken)}")
        return "unchanged", reasons
    reasons = [f"{name} changed" for name in moved]
    if broken:
        reasons.append(f"the limit on {', '.join(broken)} is proven to be broken")
        fell = any(change.change < 0.0 for change in moved.values()) or "face_wear" in broken
        return ("worn" if fell else "changed beyond limits"), reasons
    if open_limits or not limits:
        what = [_open(limit) for limit in open_limits] or ["any quantity: the sheet states none"]
        reasons += [f"not proven either way: the limit on {text}" for text in what]
        return "not proven", reasons
    return "changed within limits", [*reasons, "every limit is proven to be held"]


def _open(limit: Judged) -> str:
    """A limit that is not proven either way, and what would settle it."""
    name = limit.check.quantity
    if limit.check.value is None:
        return f"{name}, which is not determined"
    if limit.visits is None:
        return f"{name}; no number of visits would settle it if the value stays where it is"
    whose = "the later state" if name in LIMITED else "each state"
    count = f"{limit.visits} visit{'' if limit.visits == 1 else 's'} of {whose} in all, refitted in between"
    return f"{name}; {count}, would settle it if the value stays where it is"


def _power(found: Differences, before: int, after: int) -> tuple[float | None, int | None]:
    """The loss of preload that is shown with a chance of 95 %, and the visits that each state needs for 5 %.

    Repeatability shrinks with the number of refits, everything else is left as it is.
    """
    if "preload_torque" not in found.changes:
        return None, None
    from scipy.special import ndtri

    reach = float(ndtri(1.0 - LEVEL * PRELOAD_LOSS_WEIGHT)) + POWER_95
    variance = float(found.preload.covariance[0, 0])
    of_refits = found.preload.refits(0)
    loss = 1.0 - float(np.exp(-reach * np.sqrt(variance)))
    once = 2.0 * of_refits / (1.0 / before + 1.0 / after)
    return loss, visits_for(-np.log(0.95) / reach, of_a_refit=once, other=variance - of_refits)


def _next(
    pair: Paired, found: Differences, wear: Wear | None, limits: Sequence[Judged], events: int
) -> NextEvent | None:
    """The next event, where both states are of one build: a rebuild in between is no wear."""
    builds = [m.facts for m in (pair.earlier[0], pair.later[0])]
    if builds[0].build != builds[1].build:
        return None
    ways = [facts.distance_m for facts in builds]
    distance = None if ways[0] is None or ways[1] is None else ways[1] - ways[0]
    if distance == 0.0:
        return None  # nothing was driven in between: what a stretch wears is not known
    return next_event(pair, found, wear, limits, events=events, distance=distance)


def _side(members: Sequence[Member]) -> Side:
    one = members[0].characterisation
    facts = members[0].facts
    return Side(
        unit=one.unit,
        build=facts.build,
        dates=sorted({m.characterisation.date for m in members}),
        distance_m=facts.distance_m,
        inputs={p: d for m in members for p, d in m.characterisation.provenance.inputs.items()},
    )


def _caveats(pair: Paired, found: Differences, *, judged: bool) -> list[str]:
    lines = [
        line
        for side, when in ((pair.earlier, "before"), (pair.later, "after"))
        for line in cautions_of([m.characterisation for m in side], f"the record {when},")
    ]
    if not pair.alike:
        lines.append(
            "the two states were fitted by different laws: part of the difference is the law's, not the "
            "unit's; state the law in the build sheet"
        )
    best = {(f.law, f.stribeck_exponent) for m in pair.members for f in (m.characterisation.forms[0],)}
    if pair.alike and len(best) > 1:
        lines.append(
            "the two states are fitted best by different forms of the model; the changes are by one form for "
            "both, so that they are not to the last digit what lies between the numbers before and after"
        )
    builds = {m.facts.build for m in pair.members}
    if len(builds) > 1:
        lines.append(
            f"two builds ({', '.join(sorted(builds))}): a change may be what was assembled, not wear"
        )
    if found.flanks_apart is not None and abs(found.flanks_apart) > FLANKS_APART:
        lines.append(
            "drive and coast bias changed by different amounts: that is ramps, not friction, and 'friction' "
            "is the mean of both"
        )
    if judged:
        lines.append(
            "ramps, friction shape and oil are held against the fit alone: no rig states their refits"
        )
    for who in pair.members:
        diagnostics = who.characterisation.diagnostics
        if not diagnostics.converged:
            lines.append(f"the fit of {who.characterisation.date} did not converge")
    return lines


_WORDS = {
    "preload_torque": "preload torque",
    "ramp_bias_drive_loading": "ramp bias, drive, loading",
    "ramp_bias_coast_loading": "ramp bias, coast, loading",
}


def check_state(members: Sequence[Member]) -> None:
    """Ask whether visits may be averaged: one build, one distance, and numbers that agree.

    Parameters
    ----------
    members : sequence of Member
        The visits of one state, each fitted by itself.

    Raises
    ------
    FitError
        Their builds or distances differ, one is there twice, or they contradict each other by what a refit
        to the bench moves: in one of a thousand cases by chance.

    References
    ----------
    As `diffbench.fitting.pooling.may_share`.
    """
    if len(members) < 2:
        return
    where = [_where(m) for m in members]
    said = [f"{m.facts.build}{_distance(m.facts.distance_m)}" for m in members]
    if len({(m.facts.build, m.facts.distance_m) for m in members}) > 1:
        told = ", ".join(f"{one} in {place}" for one, place in zip(said, where, strict=True))
        raise FitError.single(
            f"visits of one state are of one build at one distance, and these are not: {told}",
            file=where[-1],
            mend="compare them with each other; or state one distance, if nothing was driven in between",
        )
    if len({m.visit for m in members}) < len(members):
        raise FitError.single(
            "a visit is named twice: it says nothing that it had not said before",
            file=where[-1],
            mend="name each visit once",
        )
    names = [name for name in _WORDS if all(m.determined(name) is not None for m in members)]
    if not names:
        return
    one_by_one = list(np.eye(len(members)))
    at = [list(_WORDS).index(name) for name in names]
    joint = widest(paired(members), one_by_one, lambda unit: _logarithms(unit)[at])
    faults = []
    for q, name in enumerate(names):
        rows = np.arange(len(members)) * len(names) + q
        covariance = joint.covariance[np.ix_(rows, rows)]
        unstated = [0.0 if has_repeatability(m) else UNSTATED**2 for m in members]
        _, chance = apart(joint.value[rows], covariance + np.diag(unstated))
        if chance < MAY_SHARE / len(names):
            of_each = (m.characterisation.parameters[name].value for m in members)
            told = ", ".join(
                f"{value:.4g}{' N·m' if name == 'preload_torque' else ''} in {place}"
                for value, place in zip(of_each, where, strict=True)
            )
            faults.append(
                Fault(
                    f"the visits of one state contradict each other, and their mean would be neither's: "
                    f"{_WORDS[name]} is {told}",
                    Place(where[-1]),
                    "compare them with each other, and leave out what is of another state",
                )
            )
    if faults:
        raise FitError(faults)


def _logarithms(unit: UnitQuantities) -> NDArray[np.float64]:
    return np.log(np.maximum([unit.preload_torque, unit.drive_bias, unit.coast_bias], 1e-9))


def _where(who: Member) -> str:
    return ", ".join(who.characterisation.provenance.visits) or f"the result of {who.characterisation.date}"


def _distance(metres: float | None) -> str:
    return " at an unknown distance" if metres is None else f" at {metres / 1000.0:g} km"


def _meanings(changes: Mapping[str, Change], wear: Wear | None) -> list[str]:
    """Sentences on what changed; a friction coefficient that falls with sliding speed invites chatter (SAE
    J3210)."""
    lines = []
    friction, spring = changes.get("friction"), changes.get("spring_force")
    if spring is not None and spring.significant:
        way = "let out: plates have worn, or springs have set" if spring.change < 0 else "pressed further"
        lines.append(f"the preload spring is {way}")
        if wear is not None and spring.change < 0:
            lines.append(
                f"through the disc-spring curve that is {1e6 * wear.height_loss_m:.0f} µm of height, or "
                f"{1e6 * wear.face_wear_m:.0f} µm for each of {wear.faces} faces of a pack on the mean, if "
                "the springs themselves have not set"
            )
    if friction is not None and friction.significant:
        lines.append(
            "friction came down: all terms with it, preload and both ramps"
            if friction.change < 0
            else "friction went up: run in, or an oil that has aged, which raises boundary friction"
        )
    lines += _oil(changes)
    ramps = [name for name in ("unloading_ratio_drive", "unloading_ratio_coast") if _moved(changes, name)]
    if ramps:
        flanks = " and ".join(name.rpartition("_")[2] for name in ramps)
        lines.append(
            f"unloading against loading changed in {flanks}: look at the ramps and their lubrication"
        )
    lines += _chatter(changes)
    return lines


def _moved(changes: Mapping[str, Change], name: str) -> bool:
    return name in changes and changes[name].significant


def _oil(changes: Mapping[str, Change]) -> list[str]:
    lines = []
    surface = [
        name
        for name in (*(own.reported for own in FRICTION_SHAPE), "friction_temperature_coefficient")
        if _moved(changes, name)
    ]
    if surface:
        lines.append("the shape of friction over speed or temperature changed: friction surface or oil")
    if _moved(changes, "viscous_coefficient"):
        way = "more" if changes["viscous_coefficient"].change > 0 else "less"
        lines.append(f"the oil film drags {way}: oil of another viscosity, or other clearances")
    friction = changes.get("friction")
    if friction is not None and not (friction.significant and friction.change < 0):
        lines.append(
            "an ageing oil raises boundary friction and can mask wear of the plates: a friction that has not "
            "come down proves no unworn surface; fresh oil before the test would tell"
        )
    return lines


def _chatter(changes: Mapping[str, Change]) -> list[str]:
    found = changes.get("friction_slope")
    if found is None or found.after is None or found.before is None:
        return []
    if found.significant:
        more = abs(found.after) > abs(found.before) if found.after < 0 else False
        way = "steeper: chatter is more likely than before" if more else "changed"
    else:
        way = "as before"
    if found.after < 0:
        return [f"friction falls with sliding speed, which invites chatter (SAE J3210); the slope is {way}"]
    return [f"friction does not fall with sliding speed: no chatter is invited (SAE J3210); slope {way}"]
