"""A fit that stands is not made again; whatever speaks against it, and it is."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from diffbench.cli import main
from diffbench.errors import FitError
from diffbench.report import refresh_line
from diffbench.results import stands, stands_near
from diffbench.results.manifest import NAME, with_manifest
from diffbench.whole_files import write_whole

BEGUN = "a fit was begun"


def _begin(*_: object, **__: object) -> None:
    raise FitError.single(BEGUN, mend="none")


def call(*words: object) -> Result:
    """A command, in this process."""
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture
def sheet(demo: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo with its result beside it, called from there, where a fit would be noticed."""
    shutil.copytree(demo.run_sheet.parents[1], tmp_path / "demo")
    shutil.copytree(demo.folder, tmp_path / "demo" / "rebuilt" / "result")
    monkeypatch.setattr("diffbench.fitting.fit", _begin)
    monkeypatch.chdir(tmp_path)
    return Path("demo", "rebuilt", "run.toml")


def test_a_result_that_stands_is_used_and_said_so(sheet: Path) -> None:
    """By a fit into its folder, and by a question to the run sheet; also when all was moved, also as JSON."""
    out = sheet.parent / "result"
    before = {path: path.read_bytes() for path in out.iterdir()}
    again = call("fit", sheet, "--out", out, "--json")
    assert again.stderr.count("\n") == 1
    assert f"stands in {out}" in again.stderr
    assert json.loads(again.stdout) == json.loads(before[out / "characterisation.json"])
    assert {path: path.read_bytes() for path in out.iterdir()} == before
    asked = call("conformity", sheet, "--json")
    assert f"{sheet} stands in {out}" in asked.stderr
    assert asked.stdout == call("conformity", out, "--json").stdout
    shutil.move(out, "elsewhere")  # the present folder is looked into, too
    assert stands_near(sheet) == Path("elsewhere")


def _append(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"\n")


def _rewrite(result: Path, change: Callable[[dict[str, bytes]], None]) -> None:
    """As another one would have written it, whole."""
    files = {path.name: path.read_bytes() for path in result.iterdir() if path.name != NAME}
    change(files)
    write_whole(result, with_manifest(files, result="0" * 64))


def _other_version(files: dict[str, bytes]) -> None:
    said: dict[str, Any] = json.loads(files["characterisation.json"])
    said["provenance"]["version"] += ".1"
    files["characterisation.json"] = json.dumps(said).encode()


def _goes_on(files: dict[str, bytes]) -> None:
    """As a watch leaves its page that was killed."""
    files["report.html"] += refresh_line(5).encode()


DOUBTS: dict[str, Callable[[Path], object]] = {
    "run sheet": lambda home: _append(home / "run.toml"),
    "rig": lambda home: _append(home.parent / "twin-flange-cell.toml"),
    "recording": lambda home: _append(home / "tare.csv"),
    "recording gone": lambda home: (home / "tare.csv").unlink(),
    "result edited": lambda home: _append(home / "result" / "map.csv"),
    "result damaged": lambda home: (home / "result" / "characterisation.json").write_bytes(b"{"),
    "page gone": lambda home: (home / "result" / "report.html").unlink(),
    "manifest gone": lambda home: (home / "result" / NAME).unlink(),
    "other version": lambda home: _rewrite(home / "result", _other_version),
    "other visit": lambda home: shutil.copy(home / "run.toml", home / "other.toml"),
}


@pytest.mark.parametrize("doubt", DOUBTS)
def test_any_doubt_and_it_is_fitted(sheet: Path, doubt: str) -> None:
    """One byte of a paper, a recording or the result; another version; another run sheet."""
    out = sheet.parent / "result"
    assert stands(out, [sheet]) is not None
    DOUBTS[doubt](sheet.parent)
    asked = sheet.with_name("other.toml") if doubt == "other visit" else sheet
    assert stands_near(asked) is None
    assert BEGUN in call("fit", asked, "--out", out, "--quiet").stderr


def test_what_would_be_written_otherwise_is_made(sheet: Path) -> None:
    """Asked for afresh, with another map, or where a page goes on loading itself."""
    fit = ("fit", sheet, "--out", sheet.parent / "result", "--quiet")
    assert call(*fit).exit_code == 0
    for option in (("--afresh",), ("--map-temperature", "20 degC:190 degC")):
        assert BEGUN in call(*fit, *option).stderr
    _rewrite(sheet.parent / "result", _goes_on)
    assert BEGUN in call(*fit).stderr


def test_afresh_is_for_questions_too(sheet: Path) -> None:
    """Of one run sheet, and of several."""
    for words in (
        ("conformity", sheet),
        ("repeatability", sheet),
        ("compare", sheet, sheet),
        ("advise", sheet, "--target", "80 N.m"),
    ):
        assert BEGUN in call(*words, "--afresh").stderr
