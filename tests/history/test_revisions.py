"""The steps between forms of the tables lead to what the program works with, on both kinds of database."""

from __future__ import annotations

import hashlib
import io
import sqlite3
from contextlib import closing
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.operations import Operations
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from edited import edited
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from diffbench.errors import HistoryError
from diffbench.history import locate, open_history, revisions, tables


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


DOCUMENT = (
    "CREATE TABLE diffbench_document ( sha256 VARCHAR(64) NOT NULL, content {} NOT NULL, "
    "PRIMARY KEY (sha256) )"
)
ENTRY = (
    "CREATE TABLE diffbench_entry ( number INTEGER NOT NULL, kind VARCHAR(16) NOT NULL, document VARCHAR(64) "
    "NOT NULL, content TEXT NOT NULL, digest VARCHAR(64) NOT NULL, {}PRIMARY KEY (number), FOREIGN "
    "KEY(document) "
    "REFERENCES diffbench_document (sha256), UNIQUE (digest) )"
)
ONE_RECORD = "CREATE UNIQUE INDEX diffbench_one_record ON diffbench_entry (document) WHERE kind = 'record'"
CHAIN = f"chain VARCHAR(64) DEFAULT '{'0' * 64}' NOT NULL, "


def test_a_new_store_has_these_tables(tmp_path: Path) -> None:
    """By SQLite's own word, letter by letter: what a store is made of is never changed behind its back."""
    path = tmp_path / "history.sqlite"
    open_history(str(path)).add([])
    with closing(sqlite3.connect(path)) as connection:
        found = [sql for (sql,) in connection.execute("SELECT sql FROM sqlite_master") if sql]
    assert [" ".join(sql.split()) for sql in found][1:] == [
        DOCUMENT.format("BLOB"),
        ENTRY.format(CHAIN),
        ONE_RECORD,
    ]


@pytest.mark.parametrize(("dialect", "binary"), [(sqlite, "BLOB"), (postgresql, "BYTEA")])
def test_the_tables_of_the_program_are_these(dialect: ModuleType, binary: str) -> None:
    made = [
        " ".join(str(part.compile(dialect=dialect.dialect())).split())
        for table in tables.metadata.sorted_tables
        for part in (CreateTable(table), *map(CreateIndex, table.indexes))
    ]
    assert made == [DOCUMENT.format(binary), ENTRY.format("chain VARCHAR(64) NOT NULL, "), ONE_RECORD]


def test_the_first_step_makes_these_on_a_server() -> None:
    """Numbers are given, none is drawn from a sequence of the server's own."""
    steps = ScriptDirectory(str(Path(revisions.__file__).parent))
    written = io.StringIO()
    options = {"as_sql": True, "output_buffer": written}
    with Operations.context(MigrationContext.configure(dialect_name="postgresql", opts=options)):
        steps.get_revision("0001").module.upgrade()
    made = [" ".join(sql.split()) for sql in written.getvalue().split(";") if sql.strip()]
    assert made == [DOCUMENT.format("BYTEA"), ENTRY.format(""), ONE_RECORD]


@pytest.mark.parametrize(
    ("there", "number", "found"), [(None, "0002", None), ("diffbench_revision", "0001", "0001")]
)
def test_a_servers_database_may_hold_other_things(there: str | None, number: str, found: str | None) -> None:
    """No table of ours: no store yet. With one, what stands in it."""
    asked: list[str] = []

    def execute(query: object) -> SimpleNamespace:
        asked.append(str(query))
        return SimpleNamespace(scalar=lambda: there, scalar_one_or_none=lambda: number)

    connection = SimpleNamespace(dialect=SimpleNamespace(name="postgresql"), execute=execute)
    assert revisions.revision(connection, locate("shelf")) == found  # type: ignore[arg-type]
    assert asked[0].startswith("SELECT to_regclass(")


def test_a_store_without_a_number_is_none_yet(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    open_history(str(path)).add([])
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM diffbench_revision")
        connection.commit()
    with pytest.raises(HistoryError, match=r"no history yet\. Mend: add a characterisation first"):
        open_history(str(path)).contents()
