"""How a store is opened, and what disk and server say in their own codes."""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import psycopg
import pytest
from pressure import older_store

from diffbench.errors import HistoryError
from diffbench.history import open_history

Paper = Callable[..., Path]
# PostgreSQL's codes (https://www.postgresql.org/docs/current/errcodes-appendix.html), and what is said of it.
SERVER = (
    ("53100", "the server's disk is full, and nothing was written. Mend: make room there"),
    ("25006", "the server takes no changes, and nothing was written. Mend: ask who runs it"),
    ("42501", "you have no right to do that there. Mend: ask who runs the server"),
    ("28P01", "the server refuses user or password. Mend: check the address"),
    ("28000", "the server refuses this user. Mend: check the address"),
    ("3D000", "there is no such database. Mend: check the address, or have it made"),
    (
        "08006",
        "the database cannot be reached (as the server says it). Mend: check the address, and that the",
    ),
    (None, "the database cannot be reached (as the server says it). Mend: check the address, and that the"),
    ("22012", "the database refuses (as the server says it). Mend: check the address and what is kept there"),
)


@pytest.mark.parametrize(("code", "said"), SERVER)
def test_what_a_server_refuses_is_said(code: str | None, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the code that it sends; ten seconds are long enough to answer."""
    waits: list[object] = []

    def refusing(*_: object, **settings: object) -> None:
        waits.append(settings["connect_timeout"])
        error = psycopg.OperationalError("as the server says it\nand more")
        error.sqlstate = code
        raise error

    monkeypatch.setattr(psycopg, "connect", refusing)
    with pytest.raises(HistoryError, match=re.escape(f"postgresql://bench/diffs: {said}")):
        open_history("postgresql://bench/diffs").contents()
    assert set(waits) == {10}


def test_a_server_that_says_nothing_is_not_reached(monkeypatch: pytest.MonkeyPatch) -> None:
    def silent(*_: object, **__: object) -> None:
        raise psycopg.OperationalError

    monkeypatch.setattr(psycopg, "connect", silent)
    with pytest.raises(HistoryError, match=r"cannot be reached \(it gives no reason\)"):
        open_history("postgresql://bench/diffs").contents()


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, dict[str, Any]]]:
    """How files were opened: what follows the path, and with which settings."""
    connected, found = sqlite3.connect, []

    def watched(address: str, **settings: Any) -> sqlite3.Connection:
        found.append((address.partition("?")[2], settings))
        return connected(address, **settings)

    monkeypatch.setattr(sqlite3, "connect", watched)
    return found


def test_a_file_is_opened_as_far_as_it_may_be(
    opened: list[tuple[str, dict[str, Any]]], tmp_path: Path, paper: Paper, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader waits for a minute, too, and writes the index of the log; where nothing may be written, what a
    log holds is read, and a file without one cannot change."""
    path = tmp_path / "history.sqlite"
    log = tmp_path / "history.sqlite-wal"
    history = open_history(str(path))
    history.add([paper()])
    assert [mode for mode, _ in opened] == ["mode=rwc"]
    opened.clear()
    history.contents()
    assert opened == [("mode=rw", {"uri": True, "timeout": 60.0, "isolation_level": None})]
    monkeypatch.setattr(os, "access", lambda *_: False)
    for content, mode in ((None, "immutable=1"), (b"", "immutable=1"), (b"x", "mode=ro")):
        opened.clear()
        if content is not None:
            log.write_bytes(content)
        try:
            history.contents()
        except HistoryError:
            assert content  # no log is like that; and none is made of it
        assert opened[0][0] == mode


@pytest.mark.parametrize(
    ("code", "log", "modes"),
    [
        ("SQLITE_IOERR_SHMSIZE", None, ["mode=rw", "immutable=1"]),
        ("SQLITE_IOERR_SHMOPEN", b"x", ["mode=rw"]),
        ("SQLITE_IOERR_READ", None, ["mode=rw"]),
    ],
)
def test_without_room_for_an_index_a_settled_file_is_read(
    code: str,
    log: bytes | None,
    modes: list[str],
    tmp_path: Path,
    paper: Paper,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / "history.sqlite"
    history = open_history(str(path))
    history.add([paper()])
    if log is not None:
        (tmp_path / "history.sqlite-wal").write_bytes(log)
    connected, found = sqlite3.connect, []

    class Full(sqlite3.Connection):
        """Has no room where it may write."""

        def execute(self, sql: str, *parameters: Any) -> sqlite3.Cursor:
            if "sqlite_master" in sql and found[-1] == "mode=rw" and len(found) == 1:
                error = sqlite3.OperationalError("disk I/O error")
                error.sqlite_errorname = code
                raise error
            return super().execute(sql, *parameters)

    def full(address: str, **settings: Any) -> sqlite3.Connection:
        found.append(address.partition("?")[2])
        return connected(address, **settings, factory=Full)

    monkeypatch.setattr(sqlite3, "connect", full)
    try:
        assert [record.facts.unit for record in history.contents().records] == ["U1"]
    except HistoryError:
        assert len(modes) == 1  # is told where the store is read
    assert found == modes


@pytest.mark.parametrize(
    ("code", "times", "waited"),
    [
        ("SQLITE_BUSY", [0.0, 1.0, 60.0], 2),
        ("SQLITE_LOCKED_SHAREDCACHE", [0.0, 1.0], 1),
        ("SQLITE_BUSY", [0.0, 60.1], None),
        ("SQLITE_IOERR", [0.0, 1.0], None),
    ],
)
def test_those_who_make_one_store_at_once_wait_a_minute(
    code: str,
    times: list[float],
    waited: int | None,
    tmp_path: Path,
    paper: Paper,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """For each other alone: what else fails is told at once. They look fifty times a second."""
    connected, sleeps, clock = sqlite3.connect, [], iter(times)

    class Busy(sqlite3.Connection):
        """Refuses to change its mode, but for the last time that it is asked."""

        asked = 0

        def execute(self, sql: str, *parameters: Any) -> sqlite3.Cursor:
            if "journal_mode" in sql:
                self.asked += 1
                if self.asked < len(times):
                    error = sqlite3.OperationalError("database is locked")
                    error.sqlite_errorname = code
                    raise error
            return super().execute(sql, *parameters)

    monkeypatch.setattr(sqlite3, "connect", lambda *a, **kw: connected(*a, **kw, factory=Busy))
    own = SimpleNamespace(monotonic=lambda: next(clock), sleep=sleeps.append)
    monkeypatch.setattr("diffbench.history.connection.time", own)
    history = open_history(str(tmp_path / "history.sqlite"))
    if waited is None:
        with pytest.raises(HistoryError, match=r"the disk fails|somebody else has been writing"):
            history.add([paper()])
        return
    history.add([paper()])
    assert sleeps == [0.02] * waited


def test_what_is_no_file_and_what_may_not_be_brought_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(HistoryError) as caught:
        open_history(str(tmp_path)).contents()
    mend = "Mend: add a characterisation with diffbench history add, or name another with --store."
    assert str(caught.value) == f"{tmp_path}: is no file. {mend}"
    older = tmp_path / "older.sqlite"
    older_store(older)
    for mine in (older, tmp_path):  # a file that may be written in a folder that may not, and the other way
        with monkeypatch.context() as patch:
            patch.setattr(os, "access", lambda path, _, mine=mine: Path(path) == mine)
            with pytest.raises(HistoryError) as caught:
                open_history(str(older)).contents()
        mend = "Mend: copy it to where it can be written, and name that with --store."
        assert (
            str(caught.value) == f"{older}: has tables of an older form (0001) and can only be read. {mend}"
        )
    assert len(open_history(str(older)).contents().records) == 3
