"""Every command that is given a result tells one that was edited, or is mixed from two fits."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from diffbench import Characterisation, load_map
from diffbench.cli import main
from diffbench.report import write_results
from diffbench.results import make_map

PLACE = ("--torque", "100 Nm", "--speed", "4 rad/s", "--temperature", "60 degC")

# Each command by the file that it reads, and what else it needs.
COMMANDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "show": ("characterisation.json", ()),
    "advise": ("characterisation.json", ("--target", "80 Nm")),
    "conformity": ("characterisation.json", ()),
    "rebuild": ("characterisation.json", ("--preload", "60 Nm")),
    "repeatability": ("characterisation.json", ()),
    "history add": ("characterisation.json", ("--store", "{store}")),
    "compare": ("characterisation.json", ("{other}",)),
    "lookup": ("map.json", PLACE),
    "split": ("map.json", PLACE),
    "export": ("map.json", ("--to", "csv", "--out", "{store}.csv")),
    "corner": ("map.json", ("--car", "{car}")),
}


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory, made_by_hand: Characterisation) -> Path:
    """A result as it is written, its page left short."""
    folder = tmp_path_factory.mktemp("result") / "out"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("diffbench.report.page.result_page", lambda *both, **options: "<!DOCTYPE html>\n")
        write_results(folder, made_by_hand, make_map(made_by_hand))
    return folder


@pytest.fixture
def call(tmp_path: Path, repository: Path, result: Path) -> Callable[[str, Path], str]:
    """Call a command with a result; what it refuses, or nothing."""

    def called(command: str, given: Path) -> str:
        words = {
            "store": str(tmp_path / "store"),
            "other": str(result),
            "car": str(next((repository / "fixtures" / "corner-entry").glob("*.toml"))),
        }
        options = [word.format_map(words) for word in COMMANDS[command][1]]
        ran = CliRunner().invoke(main, [*command.split(), str(given), *options])
        return ran.stderr if ran.exit_code == 2 else ""

    return called


def edited(folder: Path, name: str) -> None:
    """A number becomes another, as an editor would do it."""
    path = folder / name
    text = path.read_text(encoding="utf-8")
    number = next(
        word for word in json.dumps(json.loads(text)).split() if word.count(".") == 1 and len(word) > 6
    )
    number = number.strip("[],")
    changed = number[:-1] + ("1" if number[-1] != "1" else "2")
    path.write_text(text.replace(number, changed, 1), encoding="utf-8")
    assert path.read_text(encoding="utf-8") != text


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("kept", ["folder", "file of a folder", "mailed file"])
def test_an_edited_result_is_told(
    command: str, kept: str, call: Callable[[str, Path], str], result: Path, tmp_path: Path
) -> None:
    """With its file and its mend, whichever way it comes; the same one unedited is no such fault."""
    name = COMMANDS[command][0]
    folder = shutil.copytree(result, tmp_path / "copy")
    if kept == "mailed file":
        (folder / "result-manifest.json").unlink()
    given = folder if kept == "folder" else folder / name
    assert "edited" not in call(command, given)
    edited(folder, name)
    said = call(command, given)
    assert str(folder / name) in said
    assert "edited or damaged" in said
    assert "diffbench fit" in said


@pytest.mark.parametrize("command", COMMANDS)
def test_a_mixed_result_is_told(
    command: str,
    call: Callable[[str, Path], str],
    result: Path,
    made_by_hand: Characterisation,
    tmp_path: Path,
) -> None:
    """The map of another fit, sound by itself, beside the characterisation of this one: by any command that
    is given the folder, though it read the other file only."""
    folder = shutil.copytree(result, tmp_path / "copy")
    other = made_by_hand.model_copy(update={"date": "2026-01-01"})
    (folder / "map.json").write_text(make_map(other).to_json(), encoding="utf-8")
    shutil.copy(folder / "map.json", tmp_path / "alone.json")
    assert load_map(tmp_path / "alone.json").document.characterisation_sha256 == other.digest
    assert "of another fit" in call(command, folder)
    (folder / "result-manifest.json").unlink()
    assert "they are of two fits" in call(command, folder)


def test_results_of_older_versions_are_read(
    call: Callable[[str, Path], str], result: Path, tmp_path: Path
) -> None:
    """No manifest, no hash in the characterisation, no characterisation named in the map."""
    folder = tmp_path / "older"
    folder.mkdir()
    for name, keys in {
        "characterisation.json": ("sha256",),
        "map.json": ("sha256", "characterisation_sha256"),
    }.items():
        content = json.loads((result / name).read_bytes())
        for key in keys:
            del content[key]
        (folder / name).write_text(json.dumps(content), encoding="utf-8")
    assert call("show", folder) == ""
    assert call("lookup", folder) == ""
    assert call("lookup", folder / "map.json") == ""
