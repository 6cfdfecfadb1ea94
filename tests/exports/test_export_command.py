"""``diffbench export``: every format by the command, and what it refuses."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from diffbench.cli import main
from diffbench.errors import OutputError
from diffbench.exports import FORMATS, export_map
from diffbench.results import LockingMap
from diffbench.results.manifest import with_manifest
from diffbench.whole_files import write_whole

FILES = {
    "csv": ["map.csv", "map-law.csv"],
    "json": ["map.json"],
    "mat": ["map.mat"],
    "modelica-law": ["map.mo"],
    "modelica": ["map.txt"],
    "netcdf": ["map.nc"],
    "c": ["map.h", "map.c"],
    "c-law": ["map_law.h", "map_law.c"],
    "python": ["map.py"],
    "fmi2": ["map.fmu"],
    "fmi3": ["map.fmu"],
}


@pytest.fixture
def map_file(additive: LockingMap, tmp_path: Path) -> Path:
    path = tmp_path / "map.json"
    path.write_text(additive.to_json(), encoding="utf-8")
    return path


def run(*words: object) -> Result:
    """The command, as typed."""
    return CliRunner().invoke(main, ["export", *(str(word) for word in words)])


def test_the_command_knows_every_format() -> None:
    """Its names stand there once more, so that help loads nothing."""
    (option,) = (part for part in main.get_command(None, "export").params if part.name == "to")
    assert tuple(option.type.choices) == tuple(FORMATS)
    assert set(FILES) == set(FORMATS)


@pytest.mark.parametrize("to", list(FORMATS))
def test_writes_beside_the_map_or_where_it_is_told(to: str, map_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "new" / "folder" / "map"
    ran = run(map_file, "--to", to, "--out", out)
    assert ran.exit_code == 0, ran.output
    written = [out.parent / name for name in FILES[to]]
    assert "Written: " + ", ".join(map(str, written)) in ran.stdout
    assert sorted(path.name for path in out.parent.iterdir()) == sorted(FILES[to])
    if to in {"c", "csv", "fmi3"}:  # one file, several, one that is built
        beside = run(map_file, "--to", to)
        assert beside.exit_code == 0, beside.output
        assert [(tmp_path / name).read_bytes() for name in FILES[to]] == [p.read_bytes() for p in written]


def test_never_over_the_map_itself(map_file: Path) -> None:
    before = map_file.read_bytes()
    ran = run(map_file, "--to", "json")
    assert ran.exit_code == 2
    assert "written over itself" in ran.stderr
    assert map_file.read_bytes() == before


def test_json_is_alone_and_has_the_hashes(map_file: Path, additive: LockingMap, tmp_path: Path) -> None:
    ran = run(map_file, "--to", "c", "--out", tmp_path / "q17.c", "--json")
    told = json.loads(ran.stdout)
    assert told["format"] == "c"
    assert told["map_sha256"] == additive.digest
    for file in told["files"]:
        assert file["sha256"] == hashlib.sha256(Path(file["file"]).read_bytes()).hexdigest()
    assert [Path(file["file"]).name for file in told["files"]] == ["q17.h", "q17.c"]


def test_a_unit_without_binary_says_so(
    map_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CC", "none")
    assert "source alone" in run(map_file, "--to", "fmi2").stdout
    assert json.loads(run(map_file, "--to", "fmi3", "--json").stdout)["binary"] is False


def _newer(content: dict[str, Any]) -> None:
    content["format"] = "diffbench-map/2"


def _edited(content: dict[str, Any]) -> None:
    content["branches"]["mean"]["high_Nm"][0][1][2] += 1.0


def _holed(content: dict[str, Any]) -> None:
    content["branches"]["mean"]["high_Nm"][0][1][2] = float("nan")


@pytest.mark.parametrize(
    ("change", "said"),
    [(_newer, "another version"), (_edited, "does not match its hash"), (_holed, "holds no number")],
)
@pytest.mark.parametrize("to", ["csv", "fmi2"])
def test_refuses_a_map_that_cannot_be_trusted(
    to: str, change: Callable[[dict[str, Any]], None], said: str, map_file: Path, tmp_path: Path
) -> None:
    """One line each, with file and mend, exit status 2, and nothing written."""
    content = json.loads(map_file.read_text(encoding="utf-8"))
    change(content)
    map_file.write_text(json.dumps(content), encoding="utf-8")
    ran = run(map_file, "--to", to)
    assert ran.exit_code == 2
    assert said in ran.stderr
    assert str(map_file) in ran.stderr
    assert "Mend:" in ran.stderr
    assert list(tmp_path.iterdir()) == [map_file]


def test_refuses_a_map_that_is_cut_off(map_file: Path) -> None:
    map_file.write_bytes(map_file.read_bytes()[:-500])
    ran = run(map_file, "--to", "mat")
    assert ran.exit_code == 2
    assert "cut off or damaged" in ran.stderr


def test_a_format_that_there_is_not(map_file: Path, awkward: LockingMap, tmp_path: Path) -> None:
    ran = run(map_file, "--to", "excel")
    assert ran.exit_code == 2
    assert "'excel'" in ran.stderr
    with pytest.raises(OutputError, match="'matt' is no format") as caught:
        export_map(awkward, "matt", tmp_path / "x")
    assert caught.value.faults[0].mend == "write 'mat'"


def test_a_place_that_cannot_be_written(map_file: Path) -> None:
    ran = run(map_file, "--to", "csv", "--out", map_file / "below" / "x.csv")
    assert ran.exit_code == 2
    assert "folder is wanted" in ran.stderr or "cannot be written" in ran.stderr


def test_a_name_with_a_dot_keeps_it(map_file: Path, tmp_path: Path) -> None:
    """Only the format's own ending is taken off."""
    ran = run(map_file, "--to", "mat", "--out", tmp_path / "q17.v2")
    assert ran.exit_code == 0
    assert (tmp_path / "q17.v2.mat").is_file()


@pytest.mark.parametrize(
    ("to", "name", "other", "own"),
    [
        ("modelica", "x.mo", "modelica-law", ".txt"),
        ("csv", "x.JSON", "json", ".csv"),
        ("fmi3", "x.c", "c", ".fmu"),
    ],
)
def test_the_ending_of_another_format_is_refused(
    to: str, name: str, other: str, own: str, map_file: Path, tmp_path: Path
) -> None:
    """Nobody looks for x.mo.txt: which format has that ending, and which this one."""
    ran = run(map_file, "--to", to, "--out", tmp_path / "out" / name)
    assert ran.exit_code == 2
    said = " ".join(ran.stderr.split())
    assert f"{name[1:]} is the ending of '{other}', and '{to}' writes {own}" in said
    assert said.endswith(f"leave the ending out, or write --to {other}.")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("to", "options", "taken"),
    [
        ("csv", (), "map.csv"),
        ("csv", ("--nodes", "4x2x2"), "map.csv"),
        ("json", ("--nodes", "4x2x2", "--out", "map.json"), "map.json"),
        ("mat", ("--out", "page.mat"), "page.mat"),
    ],
)
def test_never_over_a_file_of_a_result(
    to: str, options: tuple[str, ...], taken: str, additive: LockingMap, tmp_path: Path
) -> None:
    """The folder stays the result that it was, and reads as one; beside it there is room."""
    map_csv = export_map(additive, "csv", tmp_path / "elsewhere" / "map.csv")[0].read_bytes()
    files = {"map.json": additive.to_json().encode(), "map.csv": map_csv, "page.mat": b"of the result"}
    folder = tmp_path / "result"
    write_whole(folder, with_manifest(files, result="0" * 64))
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    words = [str(folder / word) if "." in word else word for word in options]
    ran = run(folder / "map.json", "--to", to, *words)
    assert ran.exit_code == 2
    assert str(folder / taken) in ran.stderr
    assert "written over" in ran.stderr
    assert "--out" in ran.stderr
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    if to != "mat":
        with pytest.raises(
            OutputError, match="of the result in this folder"
        ):  # as the library, without source
            export_map(additive, to, folder / taken)
    assert run(folder / "map.json", "--to", to, "--out", folder / "mine").exit_code == 0
    assert run(folder, "--to", "c").exit_code == 0


@pytest.mark.parametrize("link", [False, True])
def test_never_over_its_source_by_another_name(link: bool, map_file: Path, tmp_path: Path) -> None:
    before, out = map_file.read_bytes(), tmp_path / "map"
    if link:
        out = tmp_path / "q17.json"
        out.symlink_to(map_file)
    ran = run(map_file, "--to", "json", "--nodes", "4x2x2", "--out", out)
    assert ran.exit_code == 2
    assert "written over itself" in ran.stderr
    assert map_file.read_bytes() == before


@pytest.mark.parametrize("name", ["q17", "q17.c", "q17.H", "q17_law.h", "q17_law.c"])
def test_every_ending_of_the_law_in_c_is_taken_off(name: str, map_file: Path, tmp_path: Path) -> None:
    ran = run(map_file, "--to", "c-law", "--out", tmp_path / "out" / name)
    assert ran.exit_code == 0, ran.output
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["q17_law.c", "q17_law.h"]


def test_more_nodes_than_there_are(map_file: Path, additive: LockingMap, tmp_path: Path) -> None:
    """All are kept, and that is said."""
    sizes = [axis.size for axis in additive.axes]
    words = (map_file, "--to", "json", "--nodes", "900x70x40", "--out", tmp_path / "q17.json")
    assert f"More nodes than the map's {'x'.join(map(str, sizes))}" in run(*words).stdout
    assert json.loads(run(*words, "--json").stdout)["nodes"] == sizes
    fewer = run(map_file, "--to", "json", "--nodes", "4x2x2", "--out", tmp_path / "q17.json")
    assert "More nodes" not in fewer.stdout


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"precision": "half"}, "precision is 'half'"),
        ({"precision": None}, "precision is None"),
        ({"locking_map": "map.json"}, "locking_map is 'map.json', and no map"),
        ({"path": None}, "path is None"),
        ({"to": 3}, "'3' is no format"),
    ],
)
def test_an_argument_that_cannot_be(
    given: dict[str, Any], said: str, additive: LockingMap, tmp_path: Path
) -> None:
    arguments: dict[str, Any] = {"locking_map": additive, "to": "c", "path": tmp_path / "x", **given}
    with pytest.raises(OutputError, match=said) as caught:
        export_map(**arguments)
    assert caught.value.faults[0].mend
    assert list(tmp_path.iterdir()) == []
