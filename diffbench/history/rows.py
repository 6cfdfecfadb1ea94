"""Rows of a store: the sound ones, one document's, and a new one after the last."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from diffbench.history.entries import START, Entry, Record, assembled, canonical, link, sha256
from diffbench.history.verification import Damage, checked_rows, damage_of

if TYPE_CHECKING:
    from sqlalchemy import Connection

__all__ = ["append", "digests", "documents_named", "put_document", "records", "sound"]


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
