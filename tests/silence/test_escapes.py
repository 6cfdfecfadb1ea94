"""Texts from files steer neither a terminal, nor a spreadsheet, nor a page; and no other file is quoted."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import pytest

from diffbench.cli.fit_all import _table
from diffbench.cli.terminal import print_text
from diffbench.errors import Fault, Place
from diffbench.plain_text import escaped, spreadsheet_text

STEERING = "\x1b]0;title\x07"


def test_a_fault_steers_nothing() -> None:
    """Every error of the program is printed as this."""
    text = str(Fault(f"{STEERING} is no unit", Place(f"{STEERING}.csv", column="\u202e\x9b1m"), "\x08mend"))
    assert text == escaped(text)
    assert "\\x1b]0;title\\x07" in text


def test_what_is_printed_steers_nothing(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """But our own styles, where there are some."""
    monkeypatch.setattr("click.echo", lambda text, err: print(text))  # which takes styles out of a file
    print_text(f"a{STEERING}\n\x1b[1mb\x1b[0m\x1b[2J")
    assert capsys.readouterr().out == "a\\x1b]0;title\\x07\n\\x1b[1mb\\x1b[0m\\x1b[2J\n"
    print_text(f"a{STEERING}\n\x1b[1mb\x1b[0m\x1b[2J", styled=True)
    assert capsys.readouterr().out == "a\\x1b]0;title\\x07\n\x1b[1mb\x1b[0m\\x1b[2J\n"


def test_nothing_is_printed_past_the_one_way_out(repository: Path) -> None:
    """Text for people goes through `print_text`; what is written beside it is JSON, help or progress."""
    for path in sorted((repository / "diffbench" / "cli").glob("*.py")):
        if path.name in ("terminal.py", "group.py", "progress.py"):
            continue
        source = path.read_text(encoding="utf-8")
        for match in re.finditer(r"click\.(?:echo|secho)\(\s*(\S+)", source):
            assert re.match(r"json\.dumps|\w+\.to_json|found\.document|found\[name\]", match.group(1)), (
                f"{path.name}: {match.group(0)}"
            )
        assert not re.search(r"(?<![\w.])print\(", source)


@pytest.mark.parametrize("command", ["show", "trend"])
def test_a_unit_that_steers_is_written_out(run, demo, tmp_path: Path, command: str) -> None:
    """Its name stands in results and histories."""
    text = (demo.folder / "characterisation.json").read_text(encoding="utf-8")
    path = tmp_path / "named.json"
    document = json.loads(text.replace('"Q17"', '"Q\\u001b]0;title\\u0007"'))
    path.write_text(json.dumps({**document, "sha256": None}), encoding="utf-8")
    store = tmp_path / "history.sqlite"
    words = ("show", path)
    if command == "trend":
        assert run("history", "add", path, "--store", store).exit_code == 0
        words = ("trend", STEERING, "--store", store)
    result = run(*words)
    assert "\x1b" not in result.output
    assert "title" in result.output


@pytest.mark.parametrize("head", ["=", "+", "-", "@", "\t", "\r"])
def test_a_text_in_a_table_is_no_formula(head: str) -> None:
    """Source: OWASP, "CSV Injection" (from memory). Numbers stay numbers."""
    row = {"run_sheet": f"{head}cmd", "unit": "Q17", "faults": [], "preload_torque": -81.5}
    ((*_,), (sheet, unit, number, _)) = csv.reader(io.StringIO(_table([row]).decode(), newline=""))
    assert sheet == f"'{head}cmd"
    assert (unit, number) == ("Q17", "-81.5")
    assert spreadsheet_text(sheet) == sheet


def test_a_page_runs_nothing_from_a_name(run, visits: Path, tmp_path: Path) -> None:
    """Names of units stand in the page as text."""
    build = visits / "unit-q17.toml"
    text = build.read_text(encoding="utf-8")
    build.write_text(re.sub(r"(?m)^unit = .*$", "unit = '<script>alert(1)</script>'", text), encoding="utf-8")
    assert run("fit", visits / "run-refit-1.toml", "--out", tmp_path / "out").exit_code in (0, 1)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "alert(1)" in page
    assert "<script>alert" not in page


def test_a_file_that_is_no_recording_is_not_quoted(run, tmp_path: Path) -> None:
    """It may be anybody's."""
    path = tmp_path / "accounts"
    path.write_text("root:x:0:0:secret:/root:/bin/sh\nuser:x:1000:1000:secret::/bin/sh\n", encoding="utf-8")
    result = run("inspect", path)
    assert result.exit_code == 2
    assert "no row of numbers was found in 2 lines" in result.stderr
    assert "secret" not in result.stderr
    assert "/bin/sh" not in result.stderr
