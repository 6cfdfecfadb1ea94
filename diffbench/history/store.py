"""The store of results: records are added and corrected, nothing is changed or taken out.

A journal: two tables, documents by their hash, and entries (a record, a correction) that are added and never
changed; what stands now is worked out in reading. An entry names its document by hash, never by a number, so
that it means the same in another store; corrections act in the order in which they were made, so that stores
that exchange exports come to say the same. Writers queue (``BEGIN IMMEDIATE``, or one advisory lock in
PostgreSQL): numbers have no gaps, and tables are made or brought to a new form within a writer's transaction.
Write-ahead mode with full synchronisation loses nothing committed.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import getpass
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diffbench.errors import DiffbenchError, DocumentError, Fault, HistoryError
from diffbench.history.connection import Connections, locate
from diffbench.history.journal import (
    OPENING,
    BuildFact,
    Changes,
    Damage,
    Entry,
    Facts,
    Record,
    append,
    assembled,
    changes_of,
    digests,
    document_bytes,
    documents_named,
    put_document,
    records,
    sha256,
    sound,
    verified,
)
from diffbench.history.transfer import read_export, write_export
from diffbench.results.characterisation import load_characterisation
from diffbench.results.manifest import document, read_whole

if TYPE_CHECKING:
    from sqlalchemy import Connection

__all__ = ["Added", "Contents", "Filing", "History", "Merged", "Verified", "open_history"]

SHORTEST_PREFIX = 6
_RESULT = "characterisation.json"


@dataclass(frozen=True)
class Paper:
    """A characterisation to be filed: its bytes, their hash, and what it says of itself."""

    content: bytes
    sha256: str
    facts: Facts
    file: str


@dataclass(frozen=True)
class Filing:
    """What is said of a characterisation as it is filed, beyond what it says itself: ``events`` and
    ``distance_m`` [m] since the build was assembled, and a note."""

    events: int | None = None
    distance_m: float | None = None
    note: str | None = None


@dataclass(frozen=True)
class Added:
    """A record, and whether it is a new one."""

    record: Record
    new: bool


@dataclass(frozen=True)
class Contents:
    """Records of characterisations that are sound, what is damaged, and those of days on the track."""

    records: tuple[Record, ...]
    damage: tuple[Damage, ...]
    laps: tuple[Record, ...] = ()


@dataclass(frozen=True)
class Merged:
    """What an import brought: numbers of new records and corrections, of entries that were there, and
    records that both stores hold but that were filed with other facts here."""

    records: int
    corrections: int
    known: int
    differing: tuple[Record, ...]


@dataclass(frozen=True)
class Verified:
    """Number of entries, the chain after the last, and all damage."""

    entries: int
    chain: str
    damage: tuple[Damage, ...]


def open_history(location: str | None = None) -> History:
    """The history at a place; nothing is touched before it is used.

    Parameters
    ----------
    location : str or None
        Path of a SQLite file, or ``postgresql://user@host/database``; None for the environment variable
        ``DIFFBENCH_HISTORY``, else the file in the user's own data folder.

    Returns
    -------
    The history.

    Raises
    ------
    HistoryError : for an address of another kind of database.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     history = open_history(f"{folder}/history.sqlite")
    ...     history.add([])
    ...     history.verify()
    []
    Verified(entries=0, chain='0000000000000000000000000000000000000000000000000000000000000000', damage=())
    """
    return History(Connections(locate(location)))


class History:
    """Records of characterisations by unit and build. Made by `open_history`."""

    def __init__(self, connections: Connections) -> None:
        self._connections = connections

    @property
    def label(self) -> str:
        """Where the history is, as people are told."""
        return self._connections.location.label

    @property
    def migrated_from(self) -> str | None:
        """Revision of an older store that was brought to the newest form by this object."""
        return self._connections.migrated_from

    def add(
        self, paths: Sequence[str | Path], *, filing: Filing | None = None, by: str | None = None
    ) -> list[Added]:
        """File characterisations: all of them, or none.

        Parameters
        ----------
        paths : sequence of paths
            Files ``characterisation.json``, or folders that hold one.
        filing : Filing or None
            What is said of each of them.
        by : str or None
            Who files; None for the user of the operating system.

        Returns
        -------
        The records in the order of the paths. A characterisation that is there already, byte for byte, is not
        filed again.

        Raises
        ------
        DiffbenchError : with the faults of all files; for one that is there with other facts.
        """
        filing = filing or Filing()
        papers: list[Paper] = []
        faults: list[Fault] = []
        for path in paths:
            try:
                papers.append(_stated(take(Path(path)), filing))
            except DiffbenchError as error:
                faults += error.faults
        if faults:
            raise HistoryError(faults)
        added = []
        with self._connections.writing() as connection:
            for paper in papers:
                new = not documents_named(connection, prefix=paper.sha256)
                if new:
                    record = _file(connection, paper, by)
                else:
                    record = self._of_document(connection, paper.sha256)
                    _same(record, filing, paper)
                added.append(Added(record, new))
        return added

    def add_lap(self, content: bytes, *, by: str | None = None) -> Added:
        """File log and bench of a unit, ``diffbench-lap/1``, beside the bench's characterisations.

        Parameters
        ----------
        content : bytes
            The document, with unit and date.
        by : str or None
            As in `add`.

        Returns
        -------
        The record. What is there already, byte for byte, is not filed again.

        Raises
        ------
        HistoryError : for another document, or one without unit or date.
        """
        told = json.loads(content)
        for key, mend in (
            ("unit", "name the result of the bench for each run, or --bench"),
            ("date", "state date = 2026-05-02 in the log sheet"),
        ):
            if told.get("format") != "diffbench-lap/1" or not told.get(key):
                raise HistoryError.single(f"nothing says the {key} of this day", key=key, mend=mend)
        builds = dict.fromkeys(str(run["build"]) for run in told["laps"])
        facts = Facts(told["unit"], told["date"], tuple(BuildFact(name, name) for name in builds))
        paper = Paper(content, sha256(content), facts, "lap.json")
        with self._connections.writing() as connection:
            new = not documents_named(connection, prefix=paper.sha256)
            record = (
                _file(connection, paper, by, kind="lap")
                if new
                else self._of_document(connection, paper.sha256)
            )
        return Added(record, new)

    def contents(self, unit: str | None = None) -> Contents:
        """Records as they stand, by number.

        Parameters
        ----------
        unit : str or None
            Serial of a unit, for its records alone.

        Returns
        -------
        Records, those that were withdrawn among them, and whatever is damaged.
        """
        with self._connections.reading() as connection:
            found, damage = records(connection)
        chosen = tuple(record for record in found if unit is None or record.facts.unit == unit)
        by_kind = {kind: tuple(one for one in chosen if one.kind == kind) for kind in OPENING}
        return Contents(by_kind["record"], tuple(damage), by_kind["lap"])

    def record(self, reference: str | int) -> Record:
        """A record by its number, or by the beginning of its document's hash.

        Raises
        ------
        HistoryError : where there is none, or where it is damaged.
        """
        with self._connections.reading() as connection:
            return self._record(connection, reference)

    def document(self, record: Record) -> bytes:
        """The characterisation of a record, byte for byte as it was filed.

        Raises
        ------
        HistoryError : where it is damaged.
        """
        with self._connections.reading() as connection:
            found = document_bytes(connection, record.document)
        if isinstance(found, Damage):
            raise self._damaged(f"record {record.number}: {found}")
        return found

    def documents(self, records: Sequence[Record]) -> dict[int, dict[str, Any] | Damage]:
        """Characterisations of several records by number, as JSON; a damaged one comes as its damage."""
        found: dict[int, dict[str, Any] | Damage] = {}
        with self._connections.reading() as connection:
            for record in records:
                content = document_bytes(connection, record.document)
                found[record.number] = content if isinstance(content, Damage) else json.loads(content)
        return found

    def correct(
        self, reference: str | int, changes: Changes, *, reason: str, by: str | None = None
    ) -> Record:
        """Correct facts of a record: a new entry says so, and what stood before stays.

        Parameters
        ----------
        reference : str or int
            As in `record`.
        changes : Changes
            What shall be otherwise.
        reason : str
            Why; it must be said.
        by : str or None
            Who says so; None for the user of the operating system.

        Returns
        -------
        The record as it stands now.

        Raises
        ------
        HistoryError : where there is no such record, nothing would change, or a value cannot be.
        """
        if not reason.strip():
            raise HistoryError.single("the reason is empty", key="reason", mend="say why")
        with self._connections.writing() as connection:
            record = self._record(connection, reference)
            content = {
                "kind": "correction",
                "document": record.document,
                "changes": changes_of(changes, record.facts),
                "reason": reason.strip(),
                "by": by or _user(),
                "made": _now(after=record.trace[-1].made if record.trace else record.made),
            }
            append(connection, content)
            return self._of_document(connection, record.document)

    def export(self, path: Path) -> tuple[int, tuple[Damage, ...]]:
        """Write all sound entries into one file, see `diffbench.history.transfer`.

        Parameters
        ----------
        path : Path
            The file; it must not exist.

        Returns
        -------
        Number of entries written, and the damage that was left out.
        """
        rows: list[tuple[Entry, bytes | None]] = []
        with self._connections.reading() as connection:
            whole, damage = sound(connection)
            kept: set[str] = set()
            for entry in whole:
                content = document_bytes(connection, entry.document) if entry.kind in OPENING else None
                if isinstance(content, Damage):
                    damage.append(Damage(f"record {entry.number} ({content.where})", content.what))
                elif content is not None:
                    kept.add(entry.document)
                    rows.append((entry, content))
                elif entry.document in kept:
                    rows.append((entry, None))
        write_export(path, rows)
        return len(rows), tuple(damage)

    def merge(self, path: Path) -> Merged:
        """Take over what an export holds: all of it, or nothing; what is there already stays as it is.

        Parameters
        ----------
        path : Path
            A file that `export` wrote.

        Returns
        -------
        What it brought.

        Raises
        ------
        DocumentError : where the file is not what was written.
        """
        arrivals = read_export(path)
        news = {"record": 0, "lap": 0, "correction": 0}
        differing = []
        with self._connections.writing() as connection:
            there = digests(connection)
            for arrival in arrivals:
                entry = arrival.entry
                if entry.digest in there:
                    continue
                if arrival.document is not None:
                    if documents_named(connection, prefix=entry.document):
                        own = self._of_document(connection, entry.document)
                        if own.stated != assembled([entry])[0].stated:
                            differing.append(own)
                        continue
                    put_document(connection, entry.document, arrival.document)
                append(connection, json.loads(entry.content))
                news[entry.kind] += 1
        known = len(arrivals) - sum(news.values())
        return Merged(news["record"] + news["lap"], news["correction"], known, tuple(differing))

    def verify(self) -> Verified:
        """Check every hash, the chain, and (SQLite) the file itself.

        Returns
        -------
        Number of entries, the chain, and what is damaged.
        """
        with self._connections.reading() as connection:
            count, chain, damage = verified(connection)
        return Verified(count, chain, tuple(damage))

    def _record(self, connection: Connection, reference: str | int) -> Record:
        text = str(reference).strip().lower()
        if text.isdecimal() and len(text) < SHORTEST_PREFIX:
            found = documents_named(connection, number=int(text))
        else:
            found = documents_named(connection, prefix=text) if len(text) >= SHORTEST_PREFIX else []
        if len(found) == 1:
            return self._of_document(connection, found[0])
        raise HistoryError.single(
            f"{len(found)} records begin with '{reference}'"
            if found
            else f"there is no record '{reference}'",
            file=self.label,
            mend="diffbench history list shows the numbers of records",
        )

    def _of_document(self, connection: Connection, document: str) -> Record:
        found, damage = records(connection, document)
        if not found:
            raise self._damaged("; ".join(str(item) for item in damage))
        return found[0]

    def _damaged(self, what: str) -> HistoryError:
        return HistoryError.single(
            what, file=self.label, mend="import an export into a new history; the other records can be read"
        )


def _stated(paper: Paper, filing: Filing) -> Paper:
    """A paper with what is said of it."""
    facts = replace(paper.facts, note=filing.note)
    wanted = Changes(events=filing.events, distance_m=filing.distance_m)
    if wanted != Changes():
        try:
            changed = changes_of(wanted, facts)
        except HistoryError as error:
            # to say again what the document says itself is no fault
            if any("nothing" not in fault.what for fault in error.faults):
                raise error.located(file=paper.file) from error
            changed = {}
        for name, change in changed.get("builds", {}).items():
            builds = tuple(
                replace(fact, **change) if fact.measured_as == name else fact for fact in facts.builds
            )
            facts = replace(facts, builds=builds)
    return replace(paper, facts=facts)


def _same(record: Record, filing: Filing, paper: Paper) -> None:
    """Refuse to file again what is there, with other facts."""
    said = Changes(events=filing.events, distance_m=filing.distance_m, note=filing.note)
    try:
        changes_of(said, record.facts)
    except HistoryError:
        return
    raise HistoryError.single(
        f"is there already, as record {record.number}, with other facts",
        file=paper.file,
        mend=f"correct them with diffbench history correct {record.number}",
    )


def _file(connection: Connection, paper: Paper, by: str | None, *, kind: str = "record") -> Record:
    put_document(connection, paper.sha256, paper.content)
    content = {
        "kind": kind,
        "document": paper.sha256,
        "facts": asdict(paper.facts),
        "by": by or _user(),
        "made": _now(),
    }
    return assembled([append(connection, content)])[0]


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def _now(*, after: str = "") -> str:
    """This moment in UTC; later than another one, whatever the clock says."""
    now = dt.datetime.now(dt.UTC)
    if after:
        now = max(now, dt.datetime.fromisoformat(after) + dt.timedelta(microseconds=1))
    return now.isoformat(timespec="microseconds")


def take(path: Path) -> Paper:
    """Read a characterisation, or the one in a folder that ``fit`` wrote. Raises ``DocumentError`` where it
    is none.
    """
    file = document(path, _RESULT)
    characterisation = load_characterisation(file)
    content, unit = b"", None
    with contextlib.suppress(OSError, ValueError):
        content = read_whole(file)
        unit = json.loads(content).get("unit")
    if unit != characterisation.unit:
        raise DocumentError.single("changed while it was read", file=str(file), mend="repeat the command")
    builds = tuple(BuildFact(fact.build, fact.build, fact.distance_m) for fact in characterisation.builds)
    return Paper(
        content, sha256(content), Facts(characterisation.unit, characterisation.date, builds), str(file)
    )
