"""What records of one unit, one build and one quantity say in the order of distance: falling or steady, in
control or not, how far to a limit, or how much more they need."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np

from diffbench.answers.joint import pack_text
from diffbench.answers.line import (
    Axis,
    Crossing,
    Jump,
    Line,
    axis_over,
    crossing,
    events_between,
    find_jump,
    fit_line,
    place_ahead,
    pooled,
    records_needed,
)
from diffbench.answers.observation import (
    AS_READ,
    Estimate,
    Followed,
    Limit,
    Observation,
    followed,
    observations,
)
from diffbench.answers.state import Stock, change_between, judge
from diffbench.definitions import name_of, parts_of
from diffbench.doubts import statement_of
from diffbench.errors import HistoryError
from diffbench.history import BuildFact, Damage, History, Record
from diffbench.history.journal import recordings
from diffbench.results.conformity import LIMITED, Answer, Outcome, answered, decided
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.state import State
from diffbench.trend.charts import Charts, charts_of

#: What is followed unless something else is asked for.
QUANTITIES = ("preload_torque", "friction_coefficient", "ramp_bias_drive_loading", "ramp_bias_coast_loading")
#: A loss over the distance so far that a series should be able to show, as a share of where it began.
MATERIAL = 0.05
FRICTION, SPRING = "friction_coefficient", "spring force"
#: Share of a number's variance from which on a statement of the sheet carries it.
_CARRIES = 0.1

Slope = Literal["falling", "rising", "steady", "open", "jumped"]


@dataclass(frozen=True, eq=False)
class Visit:
    """One build in one record, with its characterisation."""

    record: Record
    fact: BuildFact
    document: Mapping[str, Any]

    @property
    def date(self) -> str:
        """When it was tested: of builds that were fitted together each has its own day, unless the record was
        corrected."""
        facts, name = self.record.facts, self.fact.measured_as
        if facts.date != self.record.stated.date:
            return facts.date
        own = (one.get("date") for one in self.document.get("builds", []) if one["build"] == name)
        return next(own, None) or facts.date

    def parameter(self, name: str) -> Mapping[str, Any] | None:
        """A quantity of this build, None where it is not determined."""
        parameters = self.document.get("parameters", {})
        found = parameters.get(name_of(name, self.fact.measured_as), parameters.get(name))
        return found if found is not None and found.get("value") is not None else None

    def observations(self) -> Iterator[Observation]:
        """This build as the judgement of the unit takes it, with the facts that the history has of it."""
        facts, fact = self.record.facts, self.fact
        told = {fact.measured_as: (fact.build, fact.distance_m, fact.events)}
        return observations(self.document, unit=facts.unit, date=self.date, builds=told)

    def limits(self, name: str) -> tuple[float, float] | None:
        """Both limits of the build sheet for a quantity."""
        for limit in self.document.get("limits", []):
            quantity, build = parts_of(str(limit["quantity"]))
            if build not in ("", self.fact.measured_as):
                continue
            if LIMITED.get(quantity, quantity) == name:
                return float(limit["low"]), float(limit["high"])
        return None


@dataclass(frozen=True)
class Point:
    """One record in a series: ``x`` in metres, events or visits; ``u`` its full standard uncertainty,
    ``u_visit`` the part that is new at every visit (None where no repeatability was stated), ``u_shared`` the
    rest; ``low`` and ``high`` its own 95 % interval, None where the record has none."""

    record: int
    date: str
    x: float
    value: float
    u: float | None
    u_visit: float | None
    u_shared: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Series:
    """Records of one build by one quantity, in order."""

    build: str
    quantity: str
    unit: str
    axis: Axis
    points: tuple[Point, ...]
    lower_limit: float | None
    upper_limit: float | None = None

    @property
    def newest(self) -> Point | None:
        """The record of the latest date, farthest on: how the unit stood when it was last seen."""
        return max(self.points, key=lambda point: (point.date, point.x, point.record), default=None)


def visits_of(history: History, unit: str) -> tuple[list[Visit], list[str]]:
    """Every build in every record of a unit, in the order of dates, and notes on what was left out.

    Of several fits of the same recordings the one that was made last counts, whenever it was filed.

    Raises
    ------
    HistoryError : where the history holds no record of the unit.
    """
    contents = history.contents(unit)
    notes = [f"damaged and left out: {damage}" for damage in contents.damage]
    records = [record for record in contents.records if not record.facts.withdrawn]
    if not contents.records:
        units = sorted({record.facts.unit for record in history.contents().records})
        raise HistoryError.single(
            f"there is no record of unit '{unit}'",
            file=history.label,
            mend=f"name one of {', '.join(units)}" if units else "add characterisations first",
        )
    documents = history.documents(records)
    latest: dict[tuple[str, ...], int] = {}  # by the recordings and the build that they are of
    for record in sorted(records, key=lambda one: (_made(documents[one.number]), one.number)):
        document = documents[record.number]
        if isinstance(document, Damage):
            notes.append(f"damaged and left out: record {record.number}: {document}")
            continue
        behind = recordings(document)
        displaced = set()
        for fact in record.facts.builds:
            key = (*(behind or (record.document,)), fact.measured_as)
            displaced |= {latest[key]} if key in latest else set()
            latest[key] = record.number
        later = f"record {record.number} is a later fit of the same recordings"
        notes += [f"record {number} left out: {later}" for number in sorted(displaced)]
    kept = {(number, key[-1]) for key, number in latest.items()}
    visits = []
    for record in records:
        document = documents[record.number]
        if not isinstance(document, Damage):
            visits += [
                Visit(record, fact, document)
                for fact in record.facts.builds
                if (record.number, fact.measured_as) in kept
            ]
    # as the judgement has them, whose newest is then that of a trend and of a page, too
    return sorted(visits, key=lambda visit: next(visit.observations()).order), notes


def _made(document: Mapping[str, Any] | Damage) -> str:
    return "" if isinstance(document, Damage) else str(document.get("provenance", {}).get("made", ""))


def packs_apart(visits: Sequence[Visit]) -> list[str]:
    """A note for each record whose sheet states another pack than the newest of the same build: that is
    another build, whatever its name, and no course goes through both."""
    newest = {visit.fact.build: next(visit.observations()).pack for visit in visits}
    return [
        f"record {visit.record.number} is apart from the newest of build {visit.fact.build}: its sheet "
        f"states {pack_text(own)}, not {pack_text(newest[visit.fact.build])}; another pack is another build, "
        "not wear: give it a name of its own, or correct the sheet and fit again"
        for visit in visits
        if (own := next(visit.observations()).pack) != newest[visit.fact.build]
    ]


def _of_one_pack(visits: Sequence[Visit]) -> list[Visit]:
    """The visits with the pack of the newest."""
    pack = next(visits[-1].observations()).pack
    return [visit for visit in visits if next(visit.observations()).pack == pack]


def axis_for(visits: Sequence[Visit]) -> Axis:
    """What a build's records can be counted over: distance where all have it and it differs, else events,
    else the number of the visit."""
    return axis_over([(visit.fact.distance_m, visit.fact.events) for visit in visits])


def series_of(visits: Sequence[Visit], quantity: str, axis: Axis) -> tuple[Series, list[str]]:
    """One quantity of one build's visits, and notes on what was left out.

    Parameters
    ----------
    visits : sequence of Visit
        Of one build, in the order of dates.
    quantity : str
        Name of a parameter.
    axis : Axis
        What to count over.
    """
    points, notes = [], []
    numbered = [(n, visit, one) for n, visit in enumerate(visits, 1) for one in visit.observations()]
    course = followed([one for _, _, one in numbered], quantity)
    if quantity == FRICTION:
        course, told = _by_what_is_common(course)
        notes += told
    found = {id(one): each for one, each in zip(course.seen, course.found, strict=True)}
    for number, visit, one in numbered:
        each = found.get(id(one))
        if each is None:
            said = "it does not determine" if quantity not in one.estimates else "no comparison tells its"
            notes.append(f"record {visit.record.number} left out: {said} {quantity}")
            continue
        x = {"distance": visit.fact.distance_m, "events": visit.fact.events, "visits": number}[axis]
        if x is None:
            notes.append(f"record {visit.record.number} left out: it states no {axis}")
            continue
        points.append(_point(visit, each, float(x)))
    if course.read:
        notes.append(f"{quantity} is followed as read, or where its limits are meant: not carried elsewhere")
    else:
        notes += _other_statements(visits, quantity)
    points.sort(key=lambda point: (point.x, point.date, point.record))
    low, high = (visits[-1].limits(quantity) if course.held_to(quantity) else None) or (None, None)
    unit = course.found[-1].unit if course.found else "1"
    return Series(visits[-1].fact.build, quantity, unit, axis, tuple(points), low, high), notes


def _by_what_is_common(course: Followed) -> tuple[Followed, list[str]]:
    """A friction coefficient through records that rest on the sheet's spring force, each by its change from
    the first as a comparison has it: a force that a later sheet repeats was not measured then, so that the
    number of that record itself takes what the spring lost for friction. Records that cannot be compared are
    left out."""
    rests = [_of_the_sheet(one.budget).get(SPRING, 0.0) >= _CARRIES for one in course.found]
    if len(rests) < 2 or not all(rests):
        return course, []
    first, start = course.seen[0], course.found[0]
    seen, found = [first], [start]
    for one in course.seen[1:]:
        moved = change_between(first, one, "friction")
        if moved is not None:
            value, u = start.value * (1.0 + moved.change), abs(start.value) * moved.u
            shared = start.u_shared
            whole = math.hypot(u, shared)
            # of the change each of both visits has its part
            new = replace(
                start, value=value, u=whole, low=value - NORMAL_95 * whole, high=value + NORMAL_95 * whole,
                u_visit=math.sqrt(max(u**2 - start.u_visit**2, start.u_visit**2)),
            )  # fmt: skip
            seen.append(one)
            found.append(new)
    note = (
        f"{FRICTION} rests on the spring force of the build sheet: followed by its change since the first "
        "record, as a comparison has it, and without records that cannot be compared"
    )
    return Followed(tuple(seen), tuple(found), False), [note]


def _other_statements(visits: Sequence[Visit], quantity: str) -> list[str]:
    """A note where a quantity rests on other statements of the sheet in some records than in others: its
    numbers are then of two kinds, and a step between them is none of the unit."""
    shares = {
        visit.record.number: _of_the_sheet(found["budget"])
        for visit in visits
        if (found := visit.parameter(quantity)) is not None and found.get("budget")
    }
    # what carries a number in one record and is not even named in another
    deciding = sorted(
        stem
        for stem in {stem for share in shares.values() for stem in share}
        if any(share.get(stem, 0.0) >= _CARRIES for share in shares.values())
        and any(stem not in share for share in shares.values())
    )
    kinds: dict[str, list[str]] = {}
    for number, share in shares.items():
        stated = " and ".join(stem for stem in deciding if stem in share)
        kinds.setdefault(stated or "other statements", []).append(str(number))
    if len(kinds) < 2:
        return []
    told = "; ".join(f"on {stated} in record {', '.join(numbers)}" for stated, numbers in kinds.items())
    what = f"{quantity} does not rest on the same statements of the build sheet in all records"
    return [f"{what}, and steps with them: {told}"]


def _of_the_sheet(budget: Mapping[str, float]) -> dict[str, float]:
    """Statements of the sheet behind a number, and the share of its variance that each has; one that has no
    uncertainty carries it all the same."""
    total = sum(part**2 for part in budget.values()) or 1.0
    return {
        stem: 1.0 if part == 0.0 else part**2 / total
        for source, part in budget.items()
        if (stem := statement_of(source)) is not None
    }


def _point(visit: Visit, found: Estimate, x: float) -> Point:
    return Point(
        record=visit.record.number,
        date=visit.date,
        x=x,
        value=found.value,
        u=found.u,
        u_visit=found.u_visit if found.refits else None,
        u_shared=found.u_shared,
        low=found.low,
        high=found.high,
    )


@dataclass(frozen=True)
class Newest:
    """The newest record by itself, by its own 95 % interval against the limits (ISO 14253-1): whatever the
    records before it say, this is how the unit stands."""

    point: Point
    lower_limit: float | None
    upper_limit: float | None
    outcome: Outcome
    below: bool


@dataclass(frozen=True)
class Lasting:
    """Whether a lower limit is held to ``until`` [m, events or visits]: through one more event, or one more
    stretch like those so far on the mean, if the quantity goes on in a straight line. ``value`` is the line
    there, ``chance`` that of the unit to stand above the limit; yes and no with a chance of 95 % and more."""

    limit: float
    until: float
    value: float
    chance: float
    answer: Answer


@dataclass(frozen=True, eq=False)
class Course:
    """One quantity since the last rebuild.

    ``newest`` is the newest record by itself, None without a limit. ``change`` is the change over the
    distance so far as a share of the line's beginning, with its two-sided 95 % interval; of a series with a
    ``jump`` it is the jump, and the line begins after it. ``needed`` is the number of further records that
    would tell where ``state`` is ``open`` (None where no number of them helps, or none is needed);
    ``reached`` whether the lower limit is proven to be passed, by the newest record itself or by the line.
    """

    series: Series
    earlier: tuple[Series, ...]
    state: Slope
    reason: str
    line: Line | None
    change: tuple[float, float, float] | None
    charts: Charts | None
    crossing: Crossing | None
    reached: bool
    needed: int | None
    shared: float
    ahead: float | None = None
    lasting: Lasting | None = None
    newest: Newest | None = None
    jump: Jump | None = None

    def __repr__(self) -> str:
        return f"Course({self.series.quantity} of {self.series.build!r}: {self.state}, {self.reason})"


@dataclass(frozen=True, eq=False)
class Trend:
    """All that was followed of one unit's build, and the state of the unit with that build; ``own`` is what
    each record says by itself, by its number and the quantity."""

    unit: str
    build: str
    builds: tuple[str, ...]
    axis: Axis
    courses: tuple[Course, ...]
    notes: tuple[str, ...]
    state: State
    own: Mapping[int, Mapping[str, Estimate]]

    def __repr__(self) -> str:
        said = ", ".join(f"{course.series.quantity} {course.state}" for course in self.courses)
        return (
            f"Trend(unit={self.unit!r}, build={self.build!r}, over {self.axis}: {said or 'nothing followed'})"
        )

    @property
    def reached(self) -> bool:
        """Whether any lower limit is proven to be passed."""
        return any(course.reached for course in self.courses)

    @property
    def failed(self) -> bool:
        """Whether the unit is proven to be worn or beyond a limit."""
        return self.state.failed


def trend_of(
    history: History,
    unit: str,
    *,
    build: str | None = None,
    axis: Axis | None = None,
    quantities: Sequence[str] = (),
    limits: Mapping[str, float] | None = None,
    baseline: int | None = None,
    stock: Stock | None = None,
) -> Trend:
    """Follow quantities of a unit since its last rebuild, or since another one.

    Parameters
    ----------
    history : History
        Where the records are.
    unit : str
        Serial of the unit.
    build : str or None
        Name of a build; None for that of the latest record.
    axis : Axis or None
        What to count over; None for distance where it is known, else events, else visits.
    quantities : sequence of str
        Names of parameters; `QUANTITIES` unless it is said.
    limits : mapping of str to float, or None
        Lower limits by quantity [SI] that replace those of the build sheet.
    baseline : int or None
        How many of the first records make the target of the charts; None for those at the first distance.
    stock : Stock or None
        Shims of the workshop, for the next step.

    Returns
    -------
    The trend.

    Raises
    ------
    HistoryError : where there is no such unit, build or quantity.
    """
    visits, notes = visits_of(history, unit)
    by_build: dict[str, list[Visit]] = {}
    for visit in visits:
        by_build.setdefault(visit.fact.build, []).append(visit)
    if not by_build:
        raise HistoryError.single(
            f"every record of unit '{unit}' is withdrawn or damaged",
            file=history.label,
            mend="see diffbench history list",
        )
    chosen = build or visits[-1].fact.build
    if chosen not in by_build:
        raise HistoryError.single(
            f"unit '{unit}' has no build '{chosen}'",
            file=history.label,
            mend=f"name one of {', '.join(by_build)}",
        )
    notes += packs_apart(by_build[chosen])
    by_build[chosen] = _of_one_pack(by_build[chosen])
    over = axis or axis_for(by_build[chosen])
    names = list(quantities) or [
        name
        for name in QUANTITIES
        if any(visit.parameter(name) or visit.parameter(AS_READ.get(name, "")) for visit in by_build[chosen])
    ]
    _check_known((*names, *(limits or {})), by_build[chosen], history)
    courses = []
    stretches = events_between(by_build[chosen][0].fact.events, by_build[chosen][-1].fact.events)
    for name in names:
        series, left_out = series_of(by_build[chosen], name, over)
        notes += left_out
        earlier = tuple(
            series_of(others, name, over)[0] for other, others in by_build.items() if other != chosen
        )
        limit = (limits or {}).get(name, series.lower_limit)
        courses.append(
            course_of(series, earlier=earlier, limit=limit, baseline=baseline, stretches=stretches)
        )
    held = {name: Limit(low, *_upper(by_build[chosen][-1], name)) for name, low in (limits or {}).items()}
    state = judge(
        [one for visit in visits for one in visit.observations()], build=chosen, limits=held, stock=stock
    )
    courses = [replace(course, reached=_reached(course, state)) for course in courses]
    own = {visit.record.number: one.estimates for visit in by_build[chosen] for one in visit.observations()}
    for visit in by_build[chosen]:
        care = "; ".join(next(visit.observations()).cautions)
        notes += [f"record {visit.record.number} is itself to be read with care: {care}"] if care else []
    told = tuple(dict.fromkeys(notes))
    return Trend(unit, chosen, tuple(by_build), over, tuple(courses), told, state, own)


def _check_known(names: Sequence[str], visits: Sequence[Visit], history: History) -> None:
    """Each a quantity that some record of the build has."""
    known = {parts_of(name)[0] for visit in visits for name in visit.document["parameters"]}
    for name in names:
        if name not in known:
            raise HistoryError.single(
                f"no record of build '{visits[0].fact.build}' has a quantity '{name}'",
                file=history.label,
                mend=f"name one of {', '.join(sorted(known))}",
            )


def _reached(course: Course, state: State) -> bool:
    """Whether a lower limit is proven to be passed, as the state has it: what a trend says of a limit, and
    what the unit is judged by, are one."""
    return any(
        reason.kind == "beyond-limit" and reason.side == "lower" and reason.quantity == course.series.quantity
        for reason in state.reasons
    )


def _upper(visit: Visit, name: str) -> tuple[float | None, str]:
    """The upper limit of the build sheet, and the unit of a quantity."""
    both, found = visit.limits(name), visit.parameter(name)
    return None if both is None else both[1], "1" if found is None else str(found["unit"])


def state_by(visits: Sequence[Visit], *, stock: Stock | None = None) -> State:
    """The state of a unit by visits, one or more; ``stock`` is that of the workshop."""
    return judge([one for visit in visits for one in visit.observations()], stock=stock)


def course_of(
    series: Series,
    *,
    earlier: tuple[Series, ...] = (),
    limit: float | None = None,
    baseline: int | None = None,
    stretches: int | None = None,
) -> Course:
    """What one series says; arguments as in `trend_of`, ``stretches`` as `place_ahead` has them."""
    x = np.array([point.x for point in series.points])
    y = np.array([point.value for point in series.points])
    stated = _stated(series)
    shared = max((point.u_shared for point in series.points), default=0.0)
    newest = _newest(series, limit)
    jump = find_jump(x, y, stated=stated)
    since = 0 if jump is None else jump.at
    line = fit_line(x[since:], y[since:], stated=stated)
    charts = _charts(x, y, jump, stated, baseline)
    if jump is None:
        state, reason, needed = _state(series, x, line, stated)
        change = None if line is None else _change(line, x)
    else:
        state, reason, needed = "jumped", _jump_reason(series, jump), None
        start = abs(jump.before)
        change = jump.size / start, jump.low / start, jump.high / start
    meets = None
    if line is not None and limit is not None:
        meets = crossing(line, limit, start=float(x[-1]), shared=shared)
    held = newest is not None and newest.outcome == "conforming"
    reached = (
        line is not None
        and limit is not None
        and not held
        and decided(line.interval(float(x[-1]), shared=shared), limit, None) == "not conforming"
    )
    if newest is not None and newest.below:
        # as the unit was last seen it is below: no line through earlier records takes that back
        reached, meets = True, Crossing(newest.lower_limit or 0.0, True, None, None, newest.point.x)
    ahead = place_ahead(x, one_by_one=series.axis == "events", stretches=stretches)
    return Course(
        series=series,
        earlier=earlier,
        state=state,
        reason=reason,
        line=line,
        change=change,
        charts=charts,
        crossing=meets,
        reached=reached,
        needed=needed,
        shared=shared,
        ahead=ahead,
        lasting=None
        if line is None or limit is None or ahead is None or reached
        else _lasting(line, limit, ahead, shared),
        newest=newest,
        jump=jump,
    )


def _newest(series: Series, lower: float | None) -> Newest | None:
    """The newest record against the limits by its own interval; None where there is no limit."""
    point, upper = series.newest, series.upper_limit
    if point is None or (lower is None and upper is None):
        return None
    interval = None if point.low is None or point.high is None else (point.low, point.high)
    below = lower is not None and decided(interval, lower, None) == "not conforming"
    return Newest(point, lower, upper, decided(interval, lower, upper), below)


def _change(line: Line, x: np.ndarray) -> tuple[float, float, float]:
    start, span = float(line.at(x[0])), float(np.ptp(x))
    middle, reach = line.slope * span / start, line.factor * line.u_slope * span / abs(start)
    return middle, middle - reach, middle + reach


def _jump_reason(series: Series, jump: Jump) -> str:
    before, after = series.points[jump.at - 1], series.points[jump.at]
    places = " and ".join(f"record {point.record} ({point.date})" for point in (before, after))
    went = "fell" if jump.size < 0 else "rose"
    unit = "" if series.unit == "1" else f" {series.unit}"
    return (
        f"it {went} at once between {places}, by more than a straight line and the scatter of records "
        f"explain: look for what happened there; the change is from that line, {jump.before:.4g}{unit} "
        f"there, and from record to record {before.value:.4g} to {after.value:.4g}{unit}, "
        f"{100.0 * (after.value / before.value - 1.0):+.1f} %"
    )


def _lasting(line: Line, limit: float, until: float, shared: float) -> Lasting:
    chance = line.chance_above(limit, until, shared=shared)
    return Lasting(limit, until, float(line.at(until)), chance, answered(chance))


def _stated(series: Series) -> float | None:
    """Scatter from visit to visit as the records state it: all of them must."""
    parts = [point.u_visit for point in series.points]
    if not parts or any(part is None for part in parts):
        return None
    return math.sqrt(sum(part**2 for part in parts if part is not None) / len(parts))


def _charts(
    x: np.ndarray, y: np.ndarray, jump: Jump | None, stated: float | None, baseline: int | None
) -> Charts | None:
    """Charts with the scatter of the records before the newest, or about a jump: what is to be found must
    not widen the limits that are to find it."""
    first = int(np.sum(x == x[0])) if x.size else 0
    count = first if baseline is None else baseline
    if jump is not None:
        scatter: tuple[float, float] | None = (jump.sigma, jump.freedom)
    else:
        line = fit_line(x[:-1], y[:-1], stated=stated) or fit_line(x, y, stated=stated)
        scatter = pooled(None, 0, stated) if line is None else (line.sigma, line.freedom)
    if scatter is None or not 0 < count < y.size:
        return None
    return charts_of(y, baseline=count, sigma=scatter[0], freedom=scatter[1])


def _state(
    series: Series, x: np.ndarray, line: Line | None, stated: float | None
) -> tuple[Slope, str, int | None]:
    """Verdict on the slope, its reason, and how many more records it needs."""
    if line is None:
        return _without_line(series, x, stated)
    start, span = float(line.at(x[0])), float(np.ptp(x))
    reach = line.factor * line.u_slope  # by the interval that stands beside the verdict
    if line.slope + reach < 0.0:
        return "falling", "the whole interval lies below zero", None
    if line.slope - reach > 0.0:
        return "rising", "the whole interval lies above zero", None
    loss = -(line.slope - reach) * span / abs(start)
    if loss < MATERIAL:
        return (
            "steady",
            f"no loss of more than {100 * loss:.1f} % so far lies in the interval",
            None,
        )
    fall = max(-line.slope, MATERIAL * abs(start) / span)
    seen = -line.slope >= fall
    what = "the fall that shows" if seen else f"a loss of {100 * MATERIAL:.0f} % over the way so far"
    return "open", f"{what} would not stand out from the scatter yet", records_needed(line, x, fall)


def _without_line(series: Series, x: np.ndarray, stated: float | None) -> tuple[Slope, str, int | None]:
    count = len(series.points)
    if count >= 2 and np.ptp(x) <= 0.0:
        return "open", f"all records stand at one {_place(series.axis)}, and another is needed", 1
    if stated is not None:
        return "open", "a slope takes two records", max(2 - count, 1)
    return "open", "a slope without a stated repeatability takes three records that differ", max(3 - count, 1)


def _place(axis: Axis) -> str:
    return {"distance": "distance", "events": "number of events", "visits": "visit"}[axis]


FORMAT = "diffbench-trend/1"


def document_of(trend: Trend) -> dict[str, Any]:
    """The trend as plain lists and numbers, distances in metres, quantities in SI.

    Parameters
    ----------
    trend : Trend
        What was found.

    Returns
    -------
    A document for `json.dumps`.
    """
    return {
        "format": FORMAT,
        "unit": trend.unit,
        "build": trend.build,
        "builds": list(trend.builds),
        "over": trend.axis,
        "limit_reached": trend.reached,
        "failed": trend.failed,
        "quantities": {course.series.quantity: _plain_course(course) for course in trend.courses},
        "notes": list(trend.notes),
        "state": trend.state.content(),
    }


def _plain_course(course: Course) -> dict[str, Any]:
    return {
        "unit": course.series.unit,
        "newest": None if course.newest is None else asdict(course.newest),
        "state": course.state,
        "reason": course.reason,
        "more_records_needed": course.needed,
        "change": None
        if course.change is None
        else dict(zip(("value", "low", "high"), course.change, strict=True)),
        "jump": None if course.jump is None else _plain_jump(course, course.jump),
        "line": None if course.line is None else _plain_line(course.line),
        "lower_limit": None
        if course.crossing is None
        else {**asdict(course.crossing), "reached": course.reached},
        "next_event": None if course.lasting is None else asdict(course.lasting),
        "u_shared": course.shared,
        "control": None if course.charts is None else _plain_charts(course.charts),
        "records": [asdict(point) for point in course.series.points],
        "earlier_builds": {
            series.build: [asdict(point) for point in series.points] for series in course.earlier
        },
    }


def _plain_jump(course: Course, jump: Jump) -> dict[str, Any]:
    before, after = course.series.points[jump.at - 1], course.series.points[jump.at]
    return {
        "between_records": [before.record, after.record],
        "size": jump.size,
        "low": jump.low,
        "high": jump.high,
        "sigma": jump.sigma,
        "degrees_of_freedom": jump.freedom,
    }


def _plain_line(line: Line) -> dict[str, Any]:
    return {
        "at_zero": float(line.at(0.0)),
        "u_at_zero": line.u_intercept,
        "slope": line.slope,
        "u_slope": line.u_slope,
        "sigma": line.sigma,
        "degrees_of_freedom": line.freedom,
        "sigma_observed": line.observed,
        "sigma_stated": line.stated,
    }


def _plain_charts(charts: Charts) -> dict[str, Any]:
    return {
        "target": charts.target,
        "sigma": charts.sigma,
        "baseline_records": charts.baseline,
        "moving_average": charts.average.tolist(),
        "low": charts.low.tolist(),
        "high": charts.high.tolist(),
        "upward_sum": charts.up.tolist(),
        "downward_sum": charts.down.tolist(),
        "decision_limit": charts.decision,
        "moving_average_signal": charts.average_signal,
        "sum_signal": charts.sum_signal,
    }
