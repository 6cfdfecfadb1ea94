"""What the history and many run sheets at once are told as, word for word."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

from diffbench.answers import judge
from diffbench.history import Added, BuildFact, Correction, Facts, Record
from diffbench.report import Document, Table, text_of
from diffbench.report.fleet import fleet_document
from diffbench.report.history import added_text, listing, measured_of, record_document
from diffbench.report.judgement import WORDS
from diffbench.results import Characterisation
from diffbench.results.state import STATE_OF

GRAVITY = tuple(dict.fromkeys(STATE_OF.values()))
A = BuildFact("A", "Q17-a", 620e3, 2)
MADE = "2026-04-15T08:30:12.123456"


def record(
    number: int = 3, builds: Sequence[BuildFact] = (A,), trace: Sequence[Correction] = (), **facts: Any
) -> Record:
    """A record as it was filed, and what its trace made of it."""
    stated = Facts(**{"unit": "Q17", "date": "2026-04-14", "builds": tuple(builds), **facts})
    now = stated
    for correction in trace:
        now = correction.after(now)
    return Record(number, "0a1b2c", now, stated, "lena", MADE, tuple(trace))


def corrected(reason: str, **changes: Any) -> Correction:
    return Correction(changes, reason, "omar", "2026-05-01T10:00:00.5")


def lines(document: Document) -> list[str]:
    return text_of(document, 160).splitlines()


def tables(document: Document) -> list[Table]:
    return [block for part in document.sections for block in part.blocks if isinstance(block, Table)]


def test_what_was_filed_is_told_in_a_line() -> None:
    """With its unit, date and builds; what was there already, and what was withdrawn."""
    two = record(builds=(A, BuildFact("B", "Q17-b")))
    assert added_text(Added(two, new=True)) == "Filed as record 3: unit Q17, 2026-04-14, build Q17-a, Q17-b"
    gone = record(withdrawn=True)
    assert added_text(Added(gone, new=False)) == (
        "Already there as record 3: unit Q17, 2026-04-14, build Q17-a, withdrawn"
    )


def test_a_record_is_told_with_its_trace() -> None:
    """Each correction from what to what, in the order in which they were made."""
    found = record(
        builds=(A, BuildFact("B", "B")), note="after the race",
        trace=(
            corrected("odometer", unit="Q18", builds={"A": {"distance_m": 640e3, "events": None}}),
            corrected("twice in", withdrawn=True, note=None, builds={"A": {"distance_m": None}}),
            corrected(
                "was right", withdrawn=False, note="as filed", builds={"B": {"events": 0, "build": "Q18-b"}}
            ),
        ),
    )  # fmt: skip
    document = record_document(found)
    assert document.title == "Record 3"
    by = "  corrected 2026-05-01T10:00:00Z by omar: "
    assert lines(document) == [
        "Record 3: unit Q18, 2026-04-14, build Q17-a, Q18-b",
        "  build Q17-a, (in its document: A), distance unknown, events unknown",
        "  build Q18-b, (in its document: B), distance unknown, 0 events",
        "  note: as filed",
        "  characterisation 0a1b2c",
        "  filed 2026-04-15T08:30:12Z by lena",
        f"{by}unit Q17 → Q18; distance 620 km → 640 km; events 2 → none (odometer)",
        f"{by}withdrawn no → yes; note after the race → none; distance 640 km → none (twice in)",
        f"{by}withdrawn yes → no; note none → as filed; events none → 0; build B → Q18-b (was right)",
    ]
    plain = Record(4, "ff", *(record().facts,) * 2, "lena", MADE, kind="lap")
    assert lines(record_document(plain)) == [
        "Record 4: unit Q17, 2026-04-14, build Q17-a",
        "  build Q17-a, (in its document: A), 620 km, 2 events",
        "  log and bench ff",
        "  filed 2026-04-15T08:30:12Z by lena",
    ]


def test_records_are_listed_by_unit_and_build() -> None:
    """In the order of their dates, each with what was measured; a column that says nothing is left out."""
    assert lines(listing([])) == ["No records."]
    records = [
        record(3, note="after the race", trace=(corrected("odometer", builds={"A": {"distance_m": 640e3}}),)),
        record(1, date="2026-01-10", builds=(BuildFact("A", "Q17-a", 0.0),)),
        record(7, date="2026-01-10", builds=(BuildFact("A", "Q17-a", 0.0),), withdrawn=True),
        record(2, unit="B2", builds=(BuildFact("X", "B2-x"),)),
        record(5, date="2026-07-01", builds=(BuildFact("B", "Q17-b", 700e3), BuildFact("C", "Q17-a"))),
    ]
    measured = {
        (3, "A"): {
            "preload_torque": (81.6716, 79.2, 84.09),
            "friction_coefficient": (0.1132, 0.10961, 0.1168),
        },
        (1, "A"): {"preload_torque": (83.0, None, None)},
        (5, "B"): {"preload_torque": (90.0, 85.0, 95.0)},
        (5, "A"): {"preload_torque": (1.0, None, None)},
    }
    found = listing(records, (), measured, notes=["one file is damaged"])
    said = [
        block.first + block.text
        for part in found.sections
        for block in part.blocks
        if not isinstance(block, Table)
    ]
    assert said == [
        "Unit B2", "  Build B2-x", "Unit Q17", "  Build Q17-a", "  Build Q17-b", "Note: one file is damaged",
    ]  # fmt: skip
    other, first, second = tables(found)
    assert (other.head, other.rows) == (("record", "date"), (("2", "2026-04-14"),))
    assert first.head == (
        "record", "date", "distance", "events", "preload, N·m (95 %)", "friction (95 %)", "note",
    )  # fmt: skip
    assert first.rows == (
        ("1", "2026-01-10", "0 km", "", "83.0", "", ""),
        ("7", "2026-01-10", "0 km", "", "", "", "withdrawn"),
        (
            "3", "2026-04-14", "640 km", "2", "81.7 (79.2 to 84.1)", "0.113 (0.110 to 0.117)",
            "corrected 1×, after the race",
        ),
        ("5", "2026-07-01", "", "", "", "", ""),
    )  # fmt: skip
    assert first.flush == (0, 2, 3)
    assert second.head == ("record", "date", "distance", "preload, N·m (95 %)")
    assert second.rows == (("5", "2026-07-01", "700 km", "90.0 (85.0 to 95.0)"),)
    assert second.flush == (0, 2)
    assert (other.caption, found.title) == ("", "History")


def test_a_unit_is_listed_with_its_state_and_its_days_on_the_track(complete: Characterisation) -> None:
    """The state's word beside its name, why and what next below; a row for each run of a day."""
    state = judge([complete]).model_copy(update={"unit": "Q17"})
    known = {"value": 0.64, "low": 0.6, "high": 0.68}
    preload = {"value": 83.2, "low": 57.1, "high": 109.4}
    run = {"name": "run 1", "share_kept": known, "predicted": {"value": None, "low": None, "high": None},
           "equivalent_preload_Nm": preload, "agreement": "agrees"}  # fmt: skip
    day = Record(9, "ff", *(record(note="wet").facts,) * 2, "lena", MADE, kind="lap")
    elsewhere = Record(11, "ff", *(record(unit="Z9").facts,) * 2, "lena", MADE, kind="lap")
    documents: Any = [(day, {"laps": [run, {**run, "name": "run 2"}]}), (elsewhere, {"laps": [run]})]
    found = listing([record()], [state], laps=documents)
    blocks = found.sections[0].blocks
    word = state.state.replace("-", " ")
    texts = [block for block in blocks if not isinstance(block, Table)]
    assert texts[0].text == f"Unit Q17: {word}"
    assert (texts[1].first, texts[1].tone, texts[2].first) == ("  ", "", "  NEXT  ")
    assert [text.text for text in texts[3:]] == ["  Build Q17-a", "  On the track"]
    track = blocks[-1]
    assert isinstance(track, Table)
    assert track.head == (
        "record", "date", "run", "kept, log [%]", "bench [%]", "preload asked for [N·m]", "on the track",
    )  # fmt: skip
    assert track.rows == (
        ("9", "2026-04-14", "run 1", "64 (60 to 68)", "-", "83 (57 to 109)", "agrees; wet"),
        ("9", "2026-04-14", "run 2", "64 (60 to 68)", "-", "83 (57 to 109)", "agrees; wet"),
    )
    assert track.flush == (0,)
    # a unit that only ever was on the track
    second = found.sections[1].blocks
    assert [block.text for block in second if not isinstance(block, Table)] == ["Unit Z9", "  On the track"]
    assert lines(listing([], laps=documents[1:]))[0] == "Unit Z9"


def test_a_listing_shows_limits_values_before_estimates() -> None:
    """Each by the number of its record and the name in its document."""
    limited = SimpleNamespace(value=83.0, low=80.0, high=86.0)
    known = SimpleNamespace(value=80.0, low=77.0, high=None)
    friction = SimpleNamespace(value=0.11, low=0.1, high=0.12)
    one = SimpleNamespace(
        at_limits={"preload_torque": limited},
        estimates={"preload_torque": known, "friction_coefficient": friction, "spring_force": known},
    )
    visit: Any = SimpleNamespace(record=record(4), fact=A, observations=lambda: [one])
    assert measured_of([visit]) == {
        (4, "A"): {"preload_torque": (83.0, 80.0, 86.0), "friction_coefficient": (0.11, 0.1, 0.12)}
    }


def test_run_sheets_are_told_with_their_faults_and_by_their_gravity() -> None:
    """The gravest state first, then by name; what failed has a table of its own."""
    good: dict[str, Any] = {
        "faults": [], "unit": "Q17", "build": "Q17-a", "date": "2026-04-14", "preload_torque": 83.2137,
        "preload_torque_u": 1.27,
    }  # fmt: skip
    names = GRAVITY
    rows = [
        {**good, "run_sheet": "b.toml", "state": names[-1]},
        {**good, "run_sheet": "a.toml", "state": names[-1]},
        {**good, "run_sheet": "z.toml", "state": names[0]},
        {"run_sheet": "broken.toml", "faults": ["no clock", "no torque"]},
    ]  # fmt: skip
    found = fleet_document(rows)
    assert found.title == "Run sheets"
    assert lines(found)[0] == "4 run sheets, 1 with faults."
    faults, units = tables(found)
    assert faults.rows == (("broken.toml", "no clock"), ("broken.toml", "no torque"))
    assert [row[0] for row in units.rows] == ["z.toml", "a.toml", "b.toml"]
    assert units.rows[1][1:4] == ("Q17", "Q17-a", "2026-04-14")
    assert units.rows[1][4] == WORDS[names[-1]]
    assert units.rows[1][5] == "83.2 ± 1.3 N·m"
    assert (units.numbers, units.caption) == ((5,), "Units by state")
    assert tables(fleet_document(rows[3:])) == [faults]
    (only,) = tables(fleet_document(rows[:1]))
    assert only.caption == "Units by state"
