"""Documents by their hash, and entries that are added and never changed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make both tables."""
    op.create_table(
        "diffbench_document",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "diffbench_entry",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("document", sa.String(64), sa.ForeignKey("diffbench_document.sha256"), nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False, unique=True),
    )
    op.create_index(
        "diffbench_one_record",
        "diffbench_entry",
        ["document"],
        unique=True,
        sqlite_where=sa.text("kind = 'record'"),
        postgresql_where=sa.text("kind = 'record'"),
    )
