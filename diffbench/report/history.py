"""The history: what is filed, and the trace of what was corrected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from diffbench.answers.operating_point import Interval
from diffbench.history import Added, BuildFact, Correction, Facts, Record
from diffbench.report.document import Block, Document, Section, Sentence, Table, bare
from diffbench.report.judgement import measured_text, state_sentences
from diffbench.report.rounding import number_text
from diffbench.report.trackside import interval_cell
from diffbench.report.wording import printable
from diffbench.results.state import State
from diffbench.trend.courses import Visit

#: What of each record is listed, with its heading.
LISTED = {"preload_torque": "preload, N·m (95 %)", "friction_coefficient": "friction (95 %)"}
#: Each by the number of the record and the name that the build has in it, then by quantity: value and ends.
Measured = Mapping[tuple[int, str], Mapping[str, tuple[float, float | None, float | None]]]
_TRACK = ("record", "date", "run", "kept, log [%]", "bench [%]", "preload asked for [N·m]", "on the track")


def distance_text(metres: float | None) -> str:
    """A distance in kilometres; nothing where it is not known.

    >>> distance_text(1860e3), distance_text(0.0), distance_text(None)
    ('1860 km', '0 km', '')
    """
    return "" if metres is None else f"{number_text(metres / 1000.0)} km"


def added_text(added: Added) -> str:
    """One line on a characterisation that was filed, or was there."""
    record = added.record
    where = f"record {record.number}: {_place(record.facts)}"
    if added.new:
        return f"Filed as {where}"
    return f"Already there as {where}"


def measured_of(visits: Sequence[Visit]) -> Measured:
    """The numbers of visits that a listing shows."""
    return {
        (visit.record.number, visit.fact.measured_as): {
            name: (found.value, found.low, found.high)
            for name in LISTED
            if (found := one.at_limits.get(name, one.estimates.get(name))) is not None
        }
        for visit in visits
        for one in visit.observations()
    }


def listing(
    records: Sequence[Record],
    states: Sequence[State] = (),
    measured: Measured | None = None,
    laps: Sequence[tuple[Record, Mapping[str, Any]]] = (),
    notes: Sequence[str] = (),
) -> Document:
    """Records by unit, in the order of builds and dates, with what was measured; each unit with its state
    first, and under them its days on the track, with their documents; ``notes`` come last."""
    if not records and not laps:
        return Document("History", (Section("", (Sentence("No records."),)),))
    sections: list[Section] = []
    standing = {state.unit: state for state in states}
    for unit in sorted({record.facts.unit for record in [*records, *(day for day, _ in laps)]}):
        own = sorted((r for r in records if r.facts.unit == unit), key=lambda r: (r.facts.date, r.number))
        state = standing.get(unit)
        word = "" if state is None else f": {state.state.replace('-', ' ')}"
        blocks: list[Block] = [Sentence(f"Unit {printable(unit, limit=60)}{word}")]
        if state is not None:
            reasons, step = state_sentences(state)
            blocks += [replace(reasons, first="  ", tone=""), replace(step, first="  NEXT  ")]
        pairs = [(record, fact) for record in own for fact in record.facts.builds]
        for build in dict.fromkeys(fact.build for _, fact in pairs):
            here = [(record, fact) for record, fact in pairs if fact.build == build]
            blocks += [Sentence(f"  Build {printable(build, limit=60)}"), _records(here, measured or {})]
        track = [row for day, document in laps if day.facts.unit == unit for row in _on_track(day, document)]
        if track:
            blocks += [Sentence("  On the track"), bare(track, head=_TRACK, flush=(0,))]
        sections.append(Section("", tuple(blocks)))
    told = tuple(Sentence(printable(note, limit=400), first="Note: ") for note in notes)
    return Document("History", (*sections, *([Section("", told)] if told else [])))


def _records(pairs: Sequence[tuple[Record, BuildFact]], measured: Measured) -> Table:
    """One row a record; columns that say nothing of any are left out."""
    head = ("record", "date", "distance", "events", *LISTED.values(), "note")
    rows = []
    for record, fact in pairs:
        found = measured.get((record.number, fact.measured_as), {})
        rows.append(
            (
                str(record.number),
                record.facts.date,
                distance_text(fact.distance_m),
                "" if fact.events is None else str(fact.events),
                *(measured_text(*found[name]) if name in found else "" for name in LISTED),
                _remarks(record),
            )
        )
    kept = [i for i in range(len(head)) if i < 2 or any(row[i] for row in rows)]
    flush = tuple(place for place, i in enumerate(kept) if i in {0, 2, 3})
    return bare([[row[i] for i in kept] for row in rows], head=[head[i] for i in kept], flush=flush)


def _on_track(day: Record, document: Mapping[str, Any]) -> list[list[str]]:
    """A row for each run of a day."""
    rows = []
    for run in document["laps"]:
        shares = [interval_cell(Interval(**run[name]), times=100.0) for name in ("share_kept", "predicted")]
        asked = interval_cell(Interval(**run["equivalent_preload_Nm"]), whole=True)
        remarks = [run["agreement"], *([text] if (text := _remarks(day)) else [])]
        rows.append(
            [str(day.number), day.facts.date, printable(run["name"]), *shares, asked, "; ".join(remarks)]
        )
    return rows


def record_document(record: Record) -> Document:
    """A record with its trace."""
    told = [
        *(f"build {_build(fact)}" for fact in record.facts.builds),
        *([f"note: {printable(record.facts.note)}"] if record.facts.note else []),
        f"{'log and bench' if record.kind == 'lap' else 'characterisation'} {record.document}",
        f"filed {record.made[:19]}Z by {printable(record.by, limit=60)}",
    ]
    facts = record.stated
    for correction in record.trace:
        changes = "; ".join(_changes(correction, facts))
        by = printable(correction.by, limit=60)
        told.append(f"corrected {correction.made[:19]}Z by {by}: {changes} ({printable(correction.reason)})")
        facts = correction.after(facts)
    head = Sentence(f"Record {record.number}: {_place(record.facts)}")
    blocks = (head, *(Sentence(text, first="  ", rest="    ") for text in told))
    return Document(f"Record {record.number}", (Section("", blocks),))


def _place(facts: Facts) -> str:
    builds = ", ".join(printable(fact.build, limit=40) for fact in facts.builds)
    gone = ", withdrawn" if facts.withdrawn else ""
    return f"unit {printable(facts.unit, limit=60)}, {facts.date}, build {builds}{gone}"


def _build(fact: BuildFact) -> str:
    parts = [printable(fact.build, limit=60)]
    if fact.build != fact.measured_as:
        parts.append(f"(in its document: {printable(fact.measured_as, limit=60)})")
    parts.append(distance_text(fact.distance_m) or "distance unknown")
    parts.append("events unknown" if fact.events is None else f"{fact.events} events")
    return ", ".join(parts)


def _remarks(record: Record) -> str:
    remarks = ["withdrawn"] if record.facts.withdrawn else []
    if record.trace:
        remarks.append(f"corrected {len(record.trace)}×")
    if record.facts.note:
        remarks.append(printable(record.facts.note, limit=80))
    return ", ".join(remarks)


def _changes(correction: Correction, before: Facts) -> list[str]:
    """What a correction changed, each from what to what."""
    told = [
        f"{key} {_value(key, getattr(before, key))} → {_value(key, new)}"
        for key, new in correction.changes.items()
        if key != "builds"
    ]
    of_builds: Mapping[str, Mapping[str, Any]] = correction.changes.get("builds", {})
    for name, changes in of_builds.items():
        fact = before.build(name)
        told += [
            f"{key.removesuffix('_m')} {_value(key, getattr(fact, key))} → {_value(key, new)}"
            for key, new in changes.items()
        ]
    return told


def _value(key: str, value: object) -> str:
    if value is None:
        return "none"
    if key == "distance_m" and isinstance(value, int | float):
        return distance_text(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return printable(str(value))
