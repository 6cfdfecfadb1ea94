"""Run sheets that cannot be read do not vanish: every command that takes a folder tells them."""

from __future__ import annotations

from pathlib import Path

import pytest
from edited import edited

from diffbench.documents import run_sheets_in
from diffbench.errors import DocumentError
from diffbench.run import Watch

# What becomes of the text of a run sheet, and what is said of it.
BROKEN = {
    "no TOML": (lambda text: edited(text, "[[run]]", "[[run]", 1).encode(), "this is no TOML"),
    "another encoding": (lambda text: edited(text, "format", "# Grüße\nformat", 1).encode("cp1252"), "UTF-8"),
    "two bytes a character": (lambda text: text.encode("utf-16"), "UTF-16"),
    "no format": (lambda text: edited(text, "format", "fromat", 1).encode(), "'fromat' is no known key"),
    "a format that nobody knows": (
        lambda text: edited(text, "diffbench-run/1", "diffbench-rum/1").encode(),
        "is no known format",
    ),
    "cut off": (lambda text: text[: text.index("[[run]]") + 4].encode(), "this is no TOML"),
    "nothing at all": (lambda _: b"", "run-refit-3.toml"),
    "empty of runs": (lambda text: text[: text.index("[[run]]")].encode(), "run"),
}


@pytest.fixture(params=BROKEN)
def broken(request, visits: Path) -> tuple[Path, str]:
    """One of four run sheets broken, and what is to be said of it."""
    sheet = visits / "run-refit-3.toml"
    change, said = BROKEN[request.param]
    sheet.write_bytes(change(sheet.read_text(encoding="utf-8")))
    return sheet, said


@pytest.mark.parametrize("command", [("repeatability",), ("advise", "--target", "80 N.m")])
def test_a_broken_run_sheet_ends_the_command(run, broken, command) -> None:
    """With status 2 and the file's name, not with a result from the other three."""
    sheet, said = broken
    result = run(*command, sheet.parent)
    assert result.exit_code == 2
    assert f"{sheet}" in result.stderr
    assert said in result.stderr
    assert result.stdout == ""


def test_every_fault_is_told_at_once(run, visits: Path) -> None:
    """Not the first alone, and before anything is fitted."""
    for name in ("run-refit-1.toml", "run-refit-4.toml"):
        (visits / name).write_text('format = "diffbench-run/1"\nrun = 3\n', encoding="utf-8")
    result = run("repeatability", visits)
    assert result.exit_code == 2
    assert "run-refit-1.toml" in result.stderr
    assert "run-refit-4.toml" in result.stderr


def test_a_watch_tells_a_broken_run_sheet(broken, tmp_path: Path) -> None:
    """As an event, and goes on."""
    sheet, said = broken
    watch = Watch(
        sheet.parent, tmp_path / "out", sheets=run_sheets_in, settle=1e9, refresh=5, progress=lambda _: None
    )
    told = [event.text for event in watch.look(0.0) if event.file == str(sheet) and event.kind == "fault"]
    assert any(said in text for text in told)


def test_a_watch_outlives_its_folder(tmp_path: Path) -> None:
    """A network drive that comes and goes is told once, and waited for."""
    watch = Watch(
        tmp_path / "gone", tmp_path / "out", sheets=run_sheets_in, settle=1.0, refresh=5, progress=print
    )
    assert ["cannot be looked into" in event.text for event in watch.look(0.0)] == [True]
    assert list(watch.look(1.0)) == []
    (tmp_path / "gone").mkdir()
    assert [event.kind for event in watch.look(2.0)] == ["paper"]


def test_what_is_another_paper_is_left_out(visits: Path) -> None:
    """Rigs and build sheets, broken ones too; TOML of other programs; files that other programs hide."""
    before = run_sheets_in(visits)
    assert len(before) == 4
    (visits / "rig-broken.toml").write_text('format = "diffbench-rig/1"\n[[', encoding="utf-8")
    (visits / "pyproject.toml").write_text('[project]\nname = "x"\n', encoding="utf-8")
    (visits / "._run-refit-1.toml").write_bytes(b"\0\5\x16\7\0\2\0\0")
    (visits / "folder.toml").mkdir()
    assert run_sheets_in(visits) == before


def test_a_folder_that_is_none_is_told(tmp_path: Path) -> None:
    """Nobody knows what it holds."""
    with pytest.raises(DocumentError, match="cannot be looked into"):
        run_sheets_in(tmp_path / "absent")
