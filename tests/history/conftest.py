"""Histories to work on: a file, and a database of its own on the server that CI starts."""

from __future__ import annotations

import os
import sys
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from edited import edited

sys.path.insert(0, str(Path(__file__).parent))

from invented_results import result, write

from diffbench.history import History, open_history

#: Address of a PostgreSQL server to make databases on; `.ci/postgresql start DIR` prints one.
SERVER = "DIFFBENCH_TEST_POSTGRESQL"


def administer(server: str, statement: str) -> None:
    """One statement on the server, outside any transaction."""
    engine = sa.create_engine(edited(server, "postgresql:", "postgresql+psycopg:", 1), poolclass=sa.NullPool)
    with engine.connect() as connection:
        connection.execution_options(isolation_level="AUTOCOMMIT").exec_driver_sql(statement)


@pytest.fixture
def postgresql() -> Iterator[str]:
    """Address of an empty database."""
    server = os.environ.get(SERVER)
    if not server:
        if os.environ.get("CI") == "true":
            pytest.fail(f"no PostgreSQL server: .ci/run starts one and sets {SERVER}")
        pytest.skip(f"no PostgreSQL server: set {SERVER} to what `.ci/postgresql start DIR` prints")
    name = f"history_{uuid.uuid4().hex}"
    administer(server, f"CREATE DATABASE {name}")
    yield str(sa.make_url(server).set(database=name).render_as_string(hide_password=False))
    administer(server, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an empty history is to be, on either kind of database."""
    if request.param == "sqlite":
        return str(tmp_path / "history.sqlite")
    return str(request.getfixturevalue("postgresql"))


@pytest.fixture
def history(store: str) -> History:
    """A history that is not there yet."""
    return open_history(store)


@pytest.fixture
def paper(tmp_path: Path) -> Callable[..., Path]:
    """Make a characterisation's file; arguments as `invented_results.result` has them."""

    def made(unit: str = "U1", build: str = "U1-a", **changes: Any) -> Path:
        folder = tmp_path / f"result-{uuid.uuid4().hex[:8]}"
        folder.mkdir()
        return write(folder / "characterisation.json", result(unit, build, **changes))

    return made
