"""Rows of a store: read, held against their hashes and the chain over all, and a new one after the last."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from diffbench.history.entries import (
    BUILD_KEYS,
    RECORD_KEYS,
    START,
    Entry,
    Record,
    assembled,
    canonical,
    facts_of,
    link,
    sha256,
)

if TYPE_CHECKING:
    from sqlalchemy import Connection

__all__ = [
    "Damage",
    "append",
    "checked_rows",
    "damage_of",
    "digests",
    "document_bytes",
    "documents_named",
    "put_document",
    "records",
    "sound",
    "verified",
]


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
        if entry.kind == "record":
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
        if row.kind == "record":
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
    query = sa.select(entries.c.document).where(entries.c.kind == "record", wanted)
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
