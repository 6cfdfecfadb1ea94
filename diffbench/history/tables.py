"""The tables of a store as the newest revision leaves them. Import this module only where they are used."""

from __future__ import annotations

import sqlalchemy as sa

metadata = sa.MetaData()

#: Characterisations byte for byte, by their hash.
documents = sa.Table(
    "diffbench_document",
    metadata,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("content", sa.LargeBinary, nullable=False),
)

#: Records and corrections in the order in which they came: rows are added, never changed.
entries = sa.Table(
    "diffbench_entry",
    metadata,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("kind", sa.String(16), nullable=False),
    sa.Column("document", sa.String(64), sa.ForeignKey("diffbench_document.sha256"), nullable=False),
    sa.Column("content", sa.Text, nullable=False),
    sa.Column("digest", sa.String(64), nullable=False, unique=True),
    sa.Column("chain", sa.String(64), nullable=False),
)

# One record for one document, whoever adds it how often.
sa.Index(
    "diffbench_one_record",
    entries.c.document,
    unique=True,
    sqlite_where=entries.c.kind == "record",
    postgresql_where=entries.c.kind == "record",
)
