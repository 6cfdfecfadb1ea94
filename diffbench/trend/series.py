"""Series of records: one unit, one build, one quantity, in the order of distance."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from diffbench.definitions import name_of, parts_of
from diffbench.doubts import OF_A_VISIT, Source, statement_of
from diffbench.errors import HistoryError
from diffbench.history import BuildFact, Damage, History, Record
from diffbench.history.journal import recordings
from diffbench.results.conformity import LIMITED

__all__ = ["Axis", "Point", "Series", "Visit", "series_of", "visits_of"]

Axis = Literal["distance", "events", "visits"]

_CARRIES = 0.1


@dataclass(frozen=True, eq=False)
class Visit:
    """One build in one record, with its characterisation."""

    record: Record
    fact: BuildFact
    document: Mapping[str, Any]

    def parameter(self, name: str) -> Mapping[str, Any] | None:
        """A quantity of this build, None where it is not determined."""
        parameters = self.document.get("parameters", {})
        found = parameters.get(name_of(name, self.fact.measured_as), parameters.get(name))
        return found if found is not None and found.get("value") is not None else None

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
        """The record of the latest date, filed last: how the unit stood when it was last seen."""
        return max(self.points, key=lambda point: (point.date, point.record), default=None)


def visits_of(history: History, unit: str) -> tuple[list[Visit], list[str]]:
    """Every build in every record of a unit, in the order of dates, and notes on what was left out.

    Of several fits of the same recordings the one that was filed last counts.

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
    for record in records:
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
    for record in sorted(records, key=lambda one: (one.facts.date, one.number)):
        document = documents[record.number]
        if not isinstance(document, Damage):
            visits += [
                Visit(record, fact, document)
                for fact in record.facts.builds
                if (record.number, fact.measured_as) in kept
            ]
    return visits, notes


def axis_for(visits: Sequence[Visit]) -> Axis:
    """What a build's records can be counted over: distance where all have it and it differs, else events,
    else the number of the visit."""
    for axis, known in (
        ("distance", [visit.fact.distance_m for visit in visits]),
        ("events", [visit.fact.events for visit in visits]),
    ):
        if None not in known and (len(visits) == 1 or len(set(known)) > 1):
            return "distance" if axis == "distance" else "events"
    return "visits"


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
    points, notes, unit = [], [], "1"
    for number, visit in enumerate(visits, start=1):
        found = visit.parameter(quantity)
        if found is None:
            notes.append(f"record {visit.record.number} left out: it does not determine {quantity}")
            continue
        x = {"distance": visit.fact.distance_m, "events": visit.fact.events, "visits": number}[axis]
        if x is None:
            notes.append(f"record {visit.record.number} left out: it states no {axis}")
            continue
        unit = str(found["unit"])
        points.append(_point(visit, found, float(x)))
    notes += _other_statements(visits, quantity)
    points.sort(key=lambda point: (point.x, point.date, point.record))
    low, high = visits[-1].limits(quantity) or (None, None)
    return Series(visits[-1].fact.build, quantity, unit, axis, tuple(points), low, high), notes


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


def _point(visit: Visit, found: Mapping[str, Any], x: float) -> Point:
    budget: Mapping[str, float] = found.get("budget") or {}
    of_visit = math.sqrt(sum(float(budget.get(name, 0.0)) ** 2 for name in OF_A_VISIT))
    u = found.get("u")
    return Point(
        record=visit.record.number,
        date=visit.record.facts.date,
        x=x,
        value=float(found["value"]),
        u=None if u is None else float(u),
        u_visit=of_visit if budget.get(Source.REPEATABILITY) else None,
        u_shared=math.sqrt(max((float(u) if u is not None else 0.0) ** 2 - of_visit**2, 0.0)),
        low=None if found.get("low") is None else float(found["low"]),
        high=None if found.get("high") is None else float(found["high"]),
    )
