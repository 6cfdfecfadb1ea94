"""What the history is made of: entries that are never changed, the records that they add up to, and their
rows in a store, held against their hashes and the chain over all.

A record is one ``characterisation.json``, kept byte for byte, with the facts that a trend needs. A correction
says which facts of which record are otherwise, why, by whom and when; before it is one, what shall change is
held against what stands. Neither refers to a place in one store: both name the document by its hash, so that
entries can move to another store and mean the same there.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import TYPE_CHECKING, Any

from diffbench.errors import Fault, HistoryError, Place

if TYPE_CHECKING:
    from sqlalchemy import Connection

#: What the chain of a store begins with.
START = "0" * 64

#: Kinds of entries that bring a document: a characterisation, or log and bench of a day on the track.
OPENING = ("record", "lap")

#: Facts of a record as a whole that a correction may change; those of a build are in `BUILD_KEYS`.
RECORD_KEYS = ("unit", "date", "note", "withdrawn")
BUILD_KEYS = ("build", "distance_m", "events")


@dataclass(frozen=True)
class BuildFact:
    """One build within a record: ``measured_as`` is its name in the document, ``build`` what it is called
    now; ``distance_m`` [m] and ``events`` count from its assembly."""

    measured_as: str
    build: str
    distance_m: float | None = None
    events: int | None = None


@dataclass(frozen=True)
class Facts:
    """What a record is filed under."""

    unit: str
    date: str
    builds: tuple[BuildFact, ...]
    note: str | None = None
    withdrawn: bool = False

    def build(self, name: str) -> BuildFact:
        """The build of that name, as measured or as called now. Raises ``KeyError``."""
        for fact in self.builds:
            if name in {fact.measured_as, fact.build}:
                return fact
        raise KeyError(name)


@dataclass(frozen=True)
class Correction:
    """One line of a record's trace: ``changes`` by key, those of builds under ``builds`` by the name that
    the document has."""

    changes: Mapping[str, Any]
    reason: str
    by: str
    made: str

    def after(self, facts: Facts) -> Facts:
        """Facts after this correction.

        Examples
        --------
        >>> facts = Facts("Q17", "2026-04-14", (BuildFact("A", "A", 0.0),))
        >>> changes = {"unit": "Q18", "builds": {"A": {"distance_m": 5000.0}}}
        >>> after = Correction(changes, "odometer", "lena", "").after(facts)
        >>> after.unit, after.date, after.build("A").distance_m
        ('Q18', '2026-04-14', 5000.0)
        """
        of_builds: Mapping[str, Mapping[str, Any]] = self.changes.get("builds", {})
        builds = tuple(replace(fact, **of_builds.get(fact.measured_as, {})) for fact in facts.builds)
        of_record = {key: self.changes[key] for key in RECORD_KEYS if key in self.changes}
        return replace(facts, builds=builds, **of_record)


@dataclass(frozen=True)
class Record:
    """One document in the history: ``facts`` as they hold now, ``stated`` as first filed, and the corrections
    between the two; ``kind`` is "record" for a characterisation, "lap" for log and bench."""

    number: int
    document: str
    facts: Facts
    stated: Facts
    by: str
    made: str
    trace: tuple[Correction, ...] = ()
    kind: str = "record"


@dataclass(frozen=True)
class Entry:
    """One row of a store: ``content`` is canonical JSON, ``digest`` its hash, ``chain`` the hash over all
    digests up to here."""

    number: int
    kind: str
    document: str
    content: str
    digest: str
    chain: str


def sha256(data: bytes | str) -> str:
    """SHA-256 of bytes, or of a text in UTF-8, in hexadecimal digits.

    Examples
    --------
    >>> sha256("abc")[:16]
    'ba7816bf8f01cfea'

    References
    ----------
    FIPS 180-4; the value is its example for "abc" (NIST, SHA256 example values).
    """
    return hashlib.sha256(data.encode("utf-8") if isinstance(data, str) else data).hexdigest()


def canonical(content: Mapping[str, Any]) -> str:
    """One text for one content: keys sorted, no blanks, numbers in full.

    Examples
    --------
    >>> canonical({"unit": "Q17", "events": 3})
    '{"events":3,"unit":"Q17"}'
    """
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def link(previous: str, digest: str) -> str:
    """The chain after an entry: the hash of the chain before it and of its digest."""
    return sha256(previous + digest)


def facts_of(content: Mapping[str, Any]) -> Facts:
    """Facts from their JSON; raises ``KeyError`` or ``TypeError`` for what is none."""
    return Facts(
        unit=str(content["unit"]),
        date=str(content["date"]),
        builds=tuple(BuildFact(**build) for build in content["builds"]),
        note=content["note"],
        withdrawn=bool(content["withdrawn"]),
    )


def assembled(entries: Iterable[Entry]) -> list[Record]:
    """Records as they stand, by their number, from sound entries in any order.

    Corrections of one record act in the order in which they were made, not in which they came into this
    store: two stores that hold the same entries say the same. Those of a record that is not among the entries
    are left out.
    """
    opened: dict[str, tuple[Entry, Mapping[str, Any]]] = {}
    corrections: dict[str, list[tuple[str, str, Correction]]] = {}
    for entry in entries:
        content = json.loads(entry.content)
        if entry.kind in OPENING:
            opened[entry.document] = (entry, content)
            continue
        correction = Correction(content["changes"], content["reason"], content["by"], content["made"])
        corrections.setdefault(entry.document, []).append((correction.made, entry.digest, correction))
    records = []
    for document, (entry, content) in opened.items():
        facts = stated = facts_of(content["facts"])
        trace = tuple(item for _, _, item in sorted(corrections.get(document, []), key=lambda one: one[:2]))
        for correction in trace:
            facts = correction.after(facts)
        by, made = content["by"], content["made"]
        records.append(Record(entry.number, document, facts, stated, by, made, trace, entry.kind))
    return sorted(records, key=lambda record: record.number)


@dataclass(frozen=True)
class Changes:
    """What shall be otherwise; None leaves a fact as it is.

    ``build`` names the build that ``distance_m`` [m], ``events`` and ``new_build`` are about; it need not be
    said of a record of a single build.
    """

    unit: str | None = None
    date: str | None = None
    note: str | None = None
    withdrawn: bool | None = None
    build: str | None = None
    new_build: str | None = None
    distance_m: float | None = None
    events: int | None = None


def changes_of(wanted: Changes, facts: Facts) -> dict[str, Any]:
    """What a correction has to say for facts to become as wanted: changed facts alone, by key. Raises
    `HistoryError` with every fault: nothing changes, no such build, a value that cannot be.

    >>> facts = Facts("Q17", "2026-04-14", (BuildFact("A", "A", 0.0),))
    >>> changes_of(Changes(date="2026-04-15", distance_m=5000.0), facts)
    {'date': '2026-04-15', 'builds': {'A': {'distance_m': 5000.0}}}
    """
    faults = list(_faults(wanted))
    changes: dict[str, Any] = {
        key: getattr(wanted, key)
        for key in ("unit", "date", "note", "withdrawn")
        if getattr(wanted, key) not in {None, getattr(facts, key)}
    }
    of_build = {
        "build": wanted.new_build,
        "distance_m": wanted.distance_m,
        "events": wanted.events,
    }
    if wanted.build is not None or any(value is not None for value in of_build.values()):
        fact = _build(wanted.build, facts, faults)
        if fact is not None:
            changed = {
                key: value for key, value in of_build.items() if value not in {None, getattr(fact, key)}
            }
            if "build" in changed and changed["build"] in {other.build for other in facts.builds}:
                faults.append(_fault(f"the record has a build {changed['build']} already", "build"))
            if changed:
                changes["builds"] = {fact.measured_as: changed}
    if not faults and not changes:
        what = "nothing would change" if wanted != Changes() else "nothing is said to change"
        faults.append(
            Fault(what, Place(None), "say what is otherwise than it stands, see diffbench history show")
        )
    if faults:
        raise HistoryError(faults)
    return changes


def _build(name: str | None, facts: Facts, faults: list[Fault]) -> BuildFact | None:
    names = ", ".join(fact.build for fact in facts.builds)
    if name is None:
        if len(facts.builds) == 1:
            return facts.builds[0]
        faults.append(_fault(f"the record holds several builds ({names})", "build", "say which one"))
        return None
    try:
        return facts.build(name)
    except KeyError:
        faults.append(_fault(f"the record holds no build '{name}'", "build", f"name one of {names}"))
        return None


def _faults(wanted: Changes) -> list[Fault]:
    faults = []
    for field in fields(wanted):
        value = getattr(wanted, field.name)
        if isinstance(value, str) and field.name != "note" and not value.strip():
            faults.append(_fault("is empty", field.name, "say what it is"))
    if wanted.date is not None and wanted.date.strip():
        try:
            dt.date.fromisoformat(wanted.date)
        except ValueError:
            faults.append(_fault(f"'{wanted.date}' is no date", "date", "write it as 2026-04-14"))
    for name in ("distance_m", "events"):
        value = getattr(wanted, name)
        if value is not None and not 0 <= value < float("inf"):
            said = f"{value / 1000.0:g} km" if name == "distance_m" else f"{value:g} events"
            faults.append(_fault(f"{said} cannot be", name.removesuffix("_m"), "write zero or more"))
    return faults


def _fault(what: str, key: str, mend: str = "name another") -> Fault:
    return Fault(what, Place(None, key=key), mend)


@dataclass(frozen=True)
class Damage:
    """Something that is not as it was written: ``where`` names the entry, ``what`` what is wrong."""

    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"


def checked_rows(connection: Connection, document: str | None = None) -> Iterator[Entry | Damage]:
    """Every row of the entries in order, those about one document alone where it is named, whether sound or
    not (see `damage_of`); a row that cannot even be read comes as a damage.
    """
    import sqlalchemy as sa
    from sqlalchemy.exc import DatabaseError

    from diffbench.history.tables import entries

    every = sa.select(entries).order_by(entries.c.number)
    if document is not None:
        every = every.where(entries.c.document == document)
    try:
        rows = connection.execute(every).all()
    except DatabaseError:
        # A damaged page stops a scan; one by one, the rows on other pages can still be had. A server's
        # transaction is over after an error, and its pages are its own affair.
        if connection.dialect.name != "sqlite" or document is not None:
            raise
    else:
        yield from (Entry(*row) for row in rows)
        return
    last = connection.execute(sa.select(sa.func.max(entries.c.number))).scalar_one()
    for number in range(1, (last or 0) + 1):
        try:
            row = connection.execute(sa.select(entries).where(entries.c.number == number)).one_or_none()
        except DatabaseError:
            yield Damage(f"entry {number}", "cannot be read: the file is damaged there")
        else:
            if row is not None:
                yield Entry(*row)


def damage_of(entry: Entry) -> Damage | None:
    """What is wrong with an entry taken by itself; None for a sound one.

    Examples
    --------
    >>> print(damage_of(Entry(3, "record", "ab", "{}", "cd", "ef")))
    entry 3 (record ab): its content is not what was written
    """
    where = f"entry {entry.number} ({entry.kind} {_short(entry.document)})"
    if not isinstance(entry.content, str) or sha256(entry.content) != entry.digest:
        return Damage(where, "its content is not what was written")
    try:
        content = json.loads(entry.content)
        if (content["kind"], content["document"]) != (entry.kind, entry.document):
            return Damage(where, "its row does not fit its content")
        if entry.kind in OPENING:
            facts_of(content["facts"])
        elif not _is_correction(content["changes"]):
            return Damage(where, "corrects what no record has")
    except (ValueError, KeyError, TypeError):
        return Damage(where, "its content is no entry of a history")
    return None


def document_bytes(connection: Connection, digest: str) -> bytes | Damage:
    """A document as it was filed, or what is wrong with it."""
    import sqlalchemy as sa
    from sqlalchemy.exc import DatabaseError

    from diffbench.history.tables import documents

    where = f"document {_short(digest)}"
    try:
        found = connection.execute(
            sa.select(documents.c.content).where(documents.c.sha256 == digest)
        ).scalar_one_or_none()
    except DatabaseError:
        if connection.dialect.name != "sqlite":
            raise
        return Damage(where, "cannot be read: the file is damaged there")
    if found is None:
        return Damage(where, "is missing")
    content = found if isinstance(found, bytes) else str(found).encode("utf-8")
    if sha256(content) != digest:
        return Damage(where, "is not what was filed: its bytes have another hash")
    return content


def verified(connection: Connection) -> tuple[int, str, list[Damage]]:
    """Check everything that a store holds: number of entries, the chain after the last one (two stores with
    one chain hold the same entries in the same order), and all damage.
    """
    damage = _file_damage(connection)
    count, chain, expected = 0, START, 1
    numbers: dict[str, int] = {}
    for row in checked_rows(connection):
        if isinstance(row, Damage):
            damage.append(row)
            expected += 1
            continue
        if row.number != expected:
            gap = (
                f"entry {expected}"
                if row.number == expected + 1
                else f"entries {expected} to {row.number - 1}"
            )
            damage.append(Damage(gap, "missing"))
        elif row.chain != link(chain, row.digest):
            damage.append(Damage(f"entry {row.number}", "the chain of hashes breaks here: a row was changed"))
        found = damage_of(row)
        if found is not None:
            damage.append(found)
        if row.kind in OPENING:
            numbers[row.document] = row.number
        count, chain, expected = count + 1, row.chain, row.number + 1
    for digest in _documents(connection, damage):
        content = document_bytes(connection, digest)
        filed = numbers.pop(digest, None)
        if isinstance(content, Damage):
            where = content.where if filed is None else f"record {filed} ({content.where})"
            damage.append(Damage(where, content.what))
        elif filed is None:
            damage.append(Damage(f"document {_short(digest)}", "belongs to no record"))
    damage += [
        Damage(f"record {filed} (document {_short(digest)})", "is missing")
        for digest, filed in numbers.items()
    ]
    return count, chain, damage


def _documents(connection: Connection, damage: list[Damage]) -> list[str]:
    import sqlalchemy as sa
    from sqlalchemy.exc import DatabaseError

    from diffbench.history.tables import documents

    try:
        return list(connection.execute(sa.select(documents.c.sha256)).scalars())
    except DatabaseError:
        if connection.dialect.name != "sqlite":
            raise
        damage.append(Damage("the list of documents", "cannot be read: the file is damaged there"))
        return []


def _file_damage(connection: Connection) -> list[Damage]:
    """What SQLite's own look at the file finds; a server looks after its own."""
    if connection.dialect.name != "sqlite":
        return []
    from sqlalchemy.exc import DatabaseError

    try:
        lines = connection.exec_driver_sql("PRAGMA integrity_check").scalars().all()
    except DatabaseError as error:
        lines = [str(error.orig)]
    return [Damage("the file", line) for text in lines for line in str(text).splitlines() if line != "ok"]


def _is_correction(changes: object) -> bool:
    if not isinstance(changes, dict) or not set(changes) <= {*RECORD_KEYS, "builds"}:
        return False
    return all(set(change) <= set(BUILD_KEYS) for change in changes.get("builds", {}).values())


def _short(digest: str) -> str:
    return str(digest)[:12]


def sound(connection: Connection, document: str | None = None) -> tuple[list[Entry], list[Damage]]:
    """Entries that are as they were written, and the damage of the others.

    Parameters
    ----------
    connection : sqlalchemy.Connection
        To the store.
    document : str or None
        Hash of a document, for the entries about it alone.
    """
    kept: list[Entry] = []
    damage: list[Damage] = []
    for row in checked_rows(connection, document):
        found = row if isinstance(row, Damage) else damage_of(row)
        if isinstance(row, Entry) and found is None:
            kept.append(row)
        elif found is not None:
            damage.append(found)
    return kept, damage


def records(connection: Connection, document: str | None = None) -> tuple[list[Record], list[Damage]]:
    """Records as they stand, and what is damaged; arguments as in `sound`."""
    entries, damage = sound(connection, document)
    return assembled(entries), damage


def documents_named(connection: Connection, *, number: int | None = None, prefix: str = "") -> list[str]:
    """Hashes of the documents of records: of the one with a number, or of those whose hash begins so."""
    import sqlalchemy as sa

    from diffbench.history.tables import entries

    wanted = entries.c.document == prefix
    if len(prefix) < len(START):
        wanted = entries.c.document.startswith(prefix, autoescape=True)
    if number is not None:
        wanted = entries.c.number == number
    query = sa.select(entries.c.document).where(entries.c.kind.in_(OPENING), wanted)
    return list(connection.execute(query).scalars())


def digests(connection: Connection) -> set[str]:
    """Digests of all entries."""
    import sqlalchemy as sa

    from diffbench.history.tables import entries

    return set(connection.execute(sa.select(entries.c.digest)).scalars())


def put_document(connection: Connection, digest: str, content: bytes) -> None:
    """Keep a document; the caller has seen that it is not there."""
    from diffbench.history.tables import documents

    connection.execute(documents.insert().values(sha256=digest, content=content))


def append(connection: Connection, content: Mapping[str, Any]) -> Entry:
    """A new entry after the last; the caller's transaction is alone among writers."""
    import sqlalchemy as sa

    from diffbench.history.tables import entries

    last = connection.execute(
        sa.select(entries.c.number, entries.c.chain).order_by(entries.c.number.desc()).limit(1)
    ).one_or_none()
    number, chain = (0, START) if last is None else (int(last[0]), str(last[1]))
    text = canonical(content)
    digest = sha256(text)
    entry = Entry(number + 1, content["kind"], content["document"], text, digest, link(chain, digest))
    connection.execute(entries.insert().values(**asdict(entry)))
    return entry


def recordings(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Hashes of the recordings behind a characterisation, sorted: two fits of the same ones share them.

    Papers (rig, build sheet, run sheet) are left out: a second fit is made because one of them was mended.

    Examples
    --------
    >>> recordings({"provenance": {"inputs": {"run.toml": "aa", "sweep.csv": "cc", "tare.csv": "bb"}}})
    ('bb', 'cc')
    """
    inputs: Mapping[str, str] = document.get("provenance", {}).get("inputs", {})
    return tuple(sorted(digest for name, digest in inputs.items() if not name.lower().endswith(".toml")))
