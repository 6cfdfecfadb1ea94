"""The history at the command line: what it prints, its statuses, and what it refuses."""

from __future__ import annotations

import json
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import Result

sys.path.insert(0, str(Path(__file__).parents[1] / "history"))

from invented_results import result, write

Run = Callable[..., Result]


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A history by the environment variable."""
    path = tmp_path / "data" / "history.sqlite"
    monkeypatch.setenv("DIFFBENCH_HISTORY", str(path))
    return path


@pytest.fixture
def paper(tmp_path: Path) -> Path:
    """A folder as fit leaves it."""
    folder = tmp_path / "result"
    folder.mkdir()
    write(folder / "characterisation.json", result("U1", "U1-a"))
    return folder


def test_a_life_of_a_record(run: Run, store: Path, paper: Path, tmp_path: Path) -> None:
    """Filed, listed, corrected, shown with its trace, moved and verified."""
    assert "Filed as record 1: unit U1" in run("history", "add", paper, "--events", "0").stdout
    assert "Already there as record 1" in run("history", "add", paper / "characterisation.json").stdout
    corrected = run("history", "correct", "1", "--distance", "100 mi", "--reason", "odometer", "--by", "lena")
    # 1 mi = 1.609344 km exactly (NIST SP 811, appendix B.8)
    assert "by lena: distance 0 km → 160.9 km (odometer)" in corrected.stdout
    listed = run("history", "list")
    build, head, row = (line.split() for line in listed.stdout.splitlines()[-3:])
    assert (build, head[:4], head[-1]) == (
        ["Build", "U1-a"],
        ["record", "date", "distance", "events"],
        "note",
    )
    assert row[:5] == ["1", "2026-03-01", "160.9", "km", "0"]
    document = json.loads((paper / "characterisation.json").read_text(encoding="utf-8"))
    assert row[5] == f"{document['parameters']['preload_torque']['value']:.1f}"
    assert row[-2:] == ["corrected", "1×"]
    shown = json.loads(run("history", "show", "1", "--json").stdout)
    assert shown["facts"]["builds"][0]["distance_m"] == pytest.approx(160934.4)
    assert shown["stated"]["builds"][0]["distance_m"] == 0.0
    kept = run("history", "show", "1", "--document").stdout_bytes
    assert kept == (paper / "characterisation.json").read_bytes()
    export = tmp_path / "all.jsonl"
    assert "2 entries" in run("history", "export", export).stdout
    other = tmp_path / "other.sqlite"
    taken = run("history", "import", export, "--store", other)
    assert "1 records and 1 corrections are new, 0 entries were there" in taken.stdout
    both = [json.loads(run("history", "verify", "--json", "--store", path).stdout) for path in (store, other)]
    assert both[0] == both[1]
    assert both[0]["damage"] == []
    gone = run("history", "correct", "1", "--withdraw", "--reason", "oil level")
    assert "withdrawn no → yes" in gone.stdout


def test_damage_is_status_one(run: Run, store: Path, paper: Path, tmp_path: Path) -> None:
    """verify and export name what is damaged; list goes on."""
    run("history", "add", paper)
    with closing(sqlite3.connect(store)) as connection, connection:
        connection.execute("UPDATE diffbench_document SET content = 'x'")
    verified = run("history", "verify")
    assert verified.exit_code == 1
    assert "Damaged: record 1 (document" in verified.stdout
    exported = run("history", "export", tmp_path / "rest.jsonl", "--json")
    assert exported.exit_code == 1
    assert json.loads(exported.stdout)["entries"] == 0
    assert run("history", "list").exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("history", "show", "1"), "there is no history yet"),
        (("history", "add", "none.json"), "none.json: cannot be read"),
        (("history", "import", "none.jsonl"), "none.jsonl: cannot be read"),
        (("history", "list", "--store", "mysql://a/b"), "is no kind of database"),
    ],
)
def test_refused(
    refused: Callable[..., list[str]], store: Path, arguments: tuple[str, ...], told: str
) -> None:
    """One line with a mend, and nothing made."""
    (line,) = refused(*arguments)
    assert told in line
    assert not store.exists()


def test_typos_are_answered(run: Run, store: Path) -> None:
    """The nearest command, and the nearest option."""
    assert "Did you mean 'correct'?" in run("history", "corect").stderr
    assert "--reason" in run("history", "correct", "1", "--reasn", "x").stderr
    assert "Did you mean 'history'?" in run("histroy").stderr


def test_missing_libraries_are_named(
    run: Run, store: Path, monkeypatch: pytest.MonkeyPatch, paper: Path
) -> None:
    """Without the extra: what to install."""
    monkeypatch.setitem(sys.modules, "sqlalchemy", None)
    told = run("history", "add", paper)
    assert told.exit_code == 2
    assert "Mend: pip install 'diffbench[history]'" in told.stderr
    team = run("history", "list", "--store", "postgresql://a@b/c")
    assert "Mend: pip install 'diffbench[postgresql]'" in team.stderr


@pytest.mark.parametrize("name", ["add", "list", "show", "correct", "export", "import", "verify"])
def test_every_help_has_an_example(run: Run, name: str) -> None:
    """And says what the command does."""
    shown = run("history", name, "--help").stdout
    assert f"Example: diffbench history {name}" in " ".join(shown.split())
    assert "--json" in shown
    assert "--store" in shown
