"""What is damaged is named, and the rest stays readable."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from test_revisions import engine_of

from diffbench.errors import HistoryError
from diffbench.history import Changes, History, open_history

Paper = Callable[..., Path]


@pytest.fixture
def filled(history: History, paper: Paper) -> History:
    """Three records and a correction of the second."""
    history.add([paper(f"U{i}") for i in (1, 2, 3)])
    history.correct(2, Changes(events=7), reason="log book")
    return history


def change(store: str, statement: str) -> None:
    """A change behind the program's back."""
    engine = engine_of(store)
    with engine.begin() as connection:
        connection.execute(sa.text(statement))
    engine.dispose()


def test_changed_document(filled: History, store: str) -> None:
    """The record whose characterisation was changed is named; the others can be read and exported."""
    victim = filled.record(2)
    change(store, f"UPDATE diffbench_document SET content = 'x' WHERE sha256 = '{victim.document}'")
    (damage,) = filled.verify().damage
    assert str(damage).startswith(f"record 2 (document {victim.document[:12]})")
    assert "another hash" in damage.what
    with pytest.raises(HistoryError, match="record 2: document"):
        filled.document(victim)
    for number in (1, 3):
        assert filled.document(filled.record(number)).startswith(b"{")


def test_export_leaves_damage_out(filled: History, store: str, tmp_path: Path) -> None:
    """What is whole can be saved, and makes a sound store."""
    victim = filled.record(2)
    change(store, f"UPDATE diffbench_document SET content = 'x' WHERE sha256 = '{victim.document}'")
    count, damage = filled.export(tmp_path / "whole.jsonl")
    assert (count, [item.where.split(" (")[0] for item in damage]) == (2, ["record 2"])
    rescued = open_history(str(tmp_path / "rescued.sqlite"))
    rescued.merge(tmp_path / "whole.jsonl")
    assert rescued.verify().damage == ()
    assert [record.facts.unit for record in rescued.contents().records] == ["U1", "U3"]


@pytest.mark.parametrize(
    ("statement", "named", "left"),
    [
        ("UPDATE diffbench_entry SET content = '{}' WHERE number = 2", ["entry 2 (record"], ["U1", "U3"]),
        (
            "UPDATE diffbench_entry SET content = replace(content, 'U3', 'U9') WHERE number = 3",
            ["entry 3 (record"],
            ["U1", "U2"],
        ),
        (
            "UPDATE diffbench_entry SET digest = chain WHERE number = 3",
            ["entry 3: the chain", "entry 3 (record"],
            ["U1", "U2"],
        ),
        ("DELETE FROM diffbench_entry WHERE number = 3", ["entry 3: missing", "document"], ["U1", "U2"]),
        (
            "UPDATE diffbench_entry SET kind = 'correction' WHERE number = 1",
            ["entry 1 (correction", "document"],
            ["U2", "U3"],
        ),
        (
            "UPDATE diffbench_entry SET content = 'x' WHERE number = 4",
            ["entry 4 (correction"],
            ["U1", "U2", "U3"],
        ),
    ],
)
def test_changed_rows(filled: History, store: str, statement: str, named: list[str], left: list[str]) -> None:
    """An entry changed, swapped or taken out."""
    change(store, statement)
    damage = [str(item) for item in filled.verify().damage]
    assert len(damage) == len(named)
    for text, beginning in zip(damage, named, strict=True):
        assert text.startswith(beginning)
    contents = filled.contents()
    assert [record.facts.unit for record in contents.records] == left
    # an entry that is gone leaves nothing that a list could name; the chain tells verify
    assert bool(contents.damage) == ("DELETE" not in statement)


def test_a_damaged_page_of_the_file(tmp_path: Path, paper: Paper) -> None:
    """A page of the file overwritten: no traceback, damage is told, and the other records are still had."""
    path = tmp_path / "history.sqlite"
    history = open_history(str(path))
    history.add([paper(f"U{i}", recording=str(i)) for i in range(40)])
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    whole = path.read_bytes()
    # a leaf of a table begins with 0x0D (sqlite.org/fileformat2.html, section 1.6)
    leaves = [
        at
        for at in range(0, len(whole), size)
        if whole[at] == 0x0D and b'"kind":"record"' in whole[at : at + size]
    ]
    assert len(leaves) > 2
    path.write_bytes(whole[: leaves[1]] + b"\xff" * size + whole[leaves[1] + size :])
    verified = history.verify()
    assert any(item.where == "the file" for item in verified.damage)
    assert not any(item.what == "missing" for item in verified.damage)  # they are there, if unreadable
    contents = history.contents()
    assert 0 < len(contents.records) < 40
    unread = [item.where for item in contents.damage if "cannot be read" in item.what]
    read = [f"entry {record.number}" for record in contents.records]
    assert sorted(read + unread) == sorted(f"entry {number}" for number in range(1, 41))
    for record in contents.records[:1]:
        with pytest.raises(HistoryError, match="is damaged"):
            history.record(record.number)
    for record in contents.records:
        assert history.document(record).startswith(b"{")


def test_a_damaged_list_of_documents(tmp_path: Path, paper: Paper) -> None:
    """The index by which documents are found overwritten: told as such, and the records are still had."""
    path = tmp_path / "history.sqlite"
    history = open_history(str(path))
    history.add([paper()])
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        # the name of an index that SQLite makes for a key (sqlite.org/fileformat2.html, section 2.6.1)
        named = "SELECT rootpage FROM sqlite_master WHERE name = 'sqlite_autoindex_diffbench_document_1'"
        (page,) = connection.execute(named).fetchone()
    whole = path.read_bytes()
    path.write_bytes(whole[: (page - 1) * size] + b"\xff" * size + whole[page * size :])
    told = [str(item) for item in history.verify().damage]
    assert "the list of documents: cannot be read: the file is damaged there" in told
    assert [record.facts.unit for record in history.contents().records] == ["U1"]


@pytest.mark.parametrize("changes", ["x", {"colour": "red"}, {"builds": {"U2-a": {"colour": "red"}}}])
def test_a_correction_of_what_no_record_has(filled: History, store: str, changes: object) -> None:
    """Whole by every hash, and still none: it is named, and changes nothing."""
    engine = engine_of(store)
    with engine.begin() as connection:
        rows = connection.execute(sa.text("SELECT content, chain FROM diffbench_entry ORDER BY number")).all()
        content = json.dumps({**json.loads(rows[3].content), "changes": changes})
        digest = hashlib.sha256(content.encode()).hexdigest()
        chain = hashlib.sha256((rows[2].chain + digest).encode()).hexdigest()
        connection.execute(
            sa.text("UPDATE diffbench_entry SET content = :c, digest = :d, chain = :h WHERE number = 4"),
            {"c": content, "d": digest, "h": chain},
        )
    engine.dispose()
    (damage,) = filled.verify().damage
    assert damage.where.startswith("entry 4 (correction")
    assert damage.what == "corrects what no record has"
    assert filled.record(2).facts == filled.record(2).stated


def test_a_truncated_file_is_told(tmp_path: Path, paper: Paper) -> None:
    """Half a file: one clear error, or damage by name."""
    path = tmp_path / "history.sqlite"
    history = open_history(str(path))
    history.add([paper(f"U{i}") for i in range(10)])
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(HistoryError, match="is damaged"):
        history.contents()
    with pytest.raises(HistoryError, match="is damaged"):
        history.verify()


def rows_of(path: str, query: str) -> list[tuple[str, ...]]:
    """Rows of a file."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchall()


UNFIT = "its row does not fit its content"
OF = "(SELECT document FROM diffbench_entry WHERE number = {})"


@pytest.mark.parametrize(
    ("statements", "told"),
    [
        (
            ["UPDATE diffbench_entry SET digest = chain WHERE number = 3"],
            ["entry 3: the chain of hashes breaks here: a row was changed",
             "entry 3 (record H3): its content is not what was written"],
        ),
        (
            ["DELETE FROM diffbench_entry WHERE number = 2"],
            ["entry 2: missing", "document H2: belongs to no record"],
        ),
        (
            ["DELETE FROM diffbench_entry WHERE number IN (1, 2)"],
            ["entries 1 to 2: missing", *(f"document H{n}: belongs to no record" for n in (1, 2))],
        ),
        (
            ["UPDATE diffbench_entry SET kind = 'correction' WHERE number = 1"],
            [f"entry 1 (correction H1): {UNFIT}", "document H1: belongs to no record"],
        ),
        (
            [f"DELETE FROM diffbench_document WHERE sha256 = {OF.format(3)}"],
            ["record 3 (document H3): is missing"],
        ),
        (
            [f"UPDATE diffbench_document SET content = 'x' WHERE sha256 = {OF.format(1)}"],
            ["record 1 (document H1): is not what was filed: its bytes have another hash"],
        ),
    ],
)  # fmt: skip
def test_damage_is_told_whole(statements: list[str], told: list[str], tmp_path: Path, paper: Paper) -> None:
    """What was written and where, and what became of it; the others stand."""
    path = str(tmp_path / "history.sqlite")
    history = open_history(path)
    history.add([paper(f"U{i}") for i in (1, 2, 3)])
    history.correct(2, Changes(events=7), reason="log book")
    hashes = {record.document[:12]: f"H{record.number}" for record in history.contents().records}
    for statement in statements:
        change(path, statement)
    found = [
        re.sub("[0-9a-f]{12}", lambda one: hashes[one[0]], str(item)) for item in history.verify().damage
    ]
    assert sorted(found) == sorted(told)


@pytest.mark.parametrize("content", ["[]", "{}", '{"kind": "record", "document": "x"}', "no JSON"])
def test_what_is_no_entry_is_told_though_its_hash_is_right(
    content: str, tmp_path: Path, paper: Paper
) -> None:
    path = str(tmp_path / "history.sqlite")
    history = open_history(path)
    history.add([paper()])
    digest = hashlib.sha256(content.encode()).hexdigest()
    chain = hashlib.sha256((64 * "0" + digest).encode()).hexdigest()
    change(path, f"UPDATE diffbench_entry SET content = '{content}', digest = '{digest}', chain = '{chain}'")
    (document,) = (name for (name,) in rows_of(path, "SELECT sha256 FROM diffbench_document"))
    assert [str(one) for one in history.contents().damage] == [
        f"entry 1 (record {document[:12]}): its content is no entry of a history"
        if "document" not in content
        else f"entry 1 (record {document[:12]}): its row does not fit its content"
    ]
    mend = "Mend: import an export into a new history; the other records can be read."
    with pytest.raises(HistoryError) as caught:
        history.record(1)
    assert str(caught.value) == f"{path}: {history.contents().damage[0]}. {mend}"


def test_a_document_that_is_gone_is_told(tmp_path: Path, paper: Paper) -> None:
    """By whoever asks for it; the export is without its record."""
    path = str(tmp_path / "history.sqlite")
    history = open_history(path)
    (gone, kept) = (one.record for one in history.add([paper(), paper("U2")]))
    history.correct(1, Changes(events=3), reason="counted")
    change(path, f"DELETE FROM diffbench_document WHERE sha256 = '{gone.document}'")
    said = f"document {gone.document[:12]}: is missing"
    with pytest.raises(HistoryError, match=f"record 1: {said}"):
        history.document(gone)
    found = history.documents([gone, kept])
    assert (str(found[1]), isinstance(found[2], dict)) == (said, True)
    count, damage = history.export(tmp_path / "rest.jsonl")
    assert (count, [str(one) for one in damage]) == (
        1,
        [f"record 1 (document {gone.document[:12]}): is missing"],
    )
