"""A chain of hashes over all entries: a row that was taken out or moved shows."""

from __future__ import annotations

import hashlib

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column, and reckon the chain of what is there.

    The rule is written out here rather than imported: what this step did to a store must not change with the
    program.
    """
    op.add_column(
        "diffbench_entry", sa.Column("chain", sa.String(64), nullable=False, server_default="0" * 64)
    )
    entry = sa.table("diffbench_entry", sa.column("number"), sa.column("digest"), sa.column("chain"))
    connection = op.get_bind()
    chain = "0" * 64
    rows = connection.execute(sa.select(entry.c.number, entry.c.digest).order_by(entry.c.number)).all()
    for number, digest in rows:
        chain = hashlib.sha256((chain + digest).encode("ascii")).hexdigest()
        connection.execute(sa.update(entry).where(entry.c.number == number).values(chain=chain))
