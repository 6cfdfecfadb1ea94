"""The steps between forms of the tables lead to what the program works with, on both kinds of database."""

from __future__ import annotations

import hashlib
from pathlib import Path

import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from edited import edited

from diffbench.history import open_history, revisions, tables


def engine_of(store: str) -> sa.Engine:
    address = (
        edited(store, "postgresql:", "postgresql+psycopg:", 1) if "://" in store else f"sqlite:///{store}"
    )
    return sa.create_engine(address, poolclass=sa.NullPool)


def test_newest_is_the_last_step() -> None:
    """One line of steps without a fork, and the program knows its end."""
    steps = ScriptDirectory(str(Path(revisions.__file__).parent))
    assert steps.get_heads() == [revisions.newest()]
    assert [step.revision for step in steps.walk_revisions()] == ["0002", "0001"]


def test_steps_lead_to_the_tables(store: str) -> None:
    """alembic itself finds no difference between a new store and the tables as the program has them, and a
    document is known by its hash, an entry by its number, and no two entries are one."""
    history = open_history(store)
    history.add([])
    assert history.verify().damage == ()
    engine = engine_of(store)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": revisions.VERSION_TABLE})
        assert compare_metadata(context, tables.metadata) == []
        assert context.get_current_revision() == revisions.newest()
        for table, key in (("diffbench_document", "sha256"), ("diffbench_entry", "number")):
            assert sa.inspect(connection).get_pk_constraint(table)["constrained_columns"] == [key]
            assert [column.name for column in tables.metadata.tables[table].primary_key] == [key]
        unique = sa.inspect(connection).get_unique_constraints("diffbench_entry")
        assert [one["column_names"] for one in unique] == [["digest"]]
        assert [column.name for column in tables.entries.c if column.unique] == ["digest"]
    engine.dispose()


def test_chain_is_reckoned_for_what_is_there(store: str) -> None:
    """The second step on rows of the first: the chain by the rule that the program checks it with."""
    engine = engine_of(store)
    digests = [str(i) * 64 for i in (1, 2, 3)]
    with engine.begin() as connection:
        revisions.upgrade(connection, "0001")
        connection.execute(sa.text("INSERT INTO diffbench_document VALUES ('d', '')"))
        for number, digest in enumerate(digests, start=1):
            row = {"n": number, "k": "record" if number == 1 else "correction", "g": digest}
            connection.execute(sa.text("INSERT INTO diffbench_entry VALUES (:n, :k, 'd', '{}', :g)"), row)
    with engine.begin() as connection:
        revisions.upgrade(connection)
        chains = (
            connection.execute(sa.text("SELECT chain FROM diffbench_entry ORDER BY number")).scalars().all()
        )
    engine.dispose()
    expected = ["0" * 64]
    for digest in digests:
        expected.append(hashlib.sha256((expected[-1] + digest).encode()).hexdigest())
    assert chains == expected[1:]
