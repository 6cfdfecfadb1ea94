"""One visit: paths relative to the run sheet, faults of all its papers at once."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from edited import edited

from diffbench.documents import load_visit
from diffbench.errors import DocumentError

FIXTURE = """\
format = "diffbench-rig/1"
name = "Fixture"
arrangement = "output-turned-case-free"
[channel.turning_torque]
column = "W"
"""


def faults_of(path: Path) -> list[tuple[str | None, int | None, str | None, str, str]]:
    with pytest.raises(DocumentError) as caught:
        load_visit(path)
    return [
        (Path(f.place.file or "").name, f.place.line, f.place.key, f.what, f.mend)
        for f in caught.value.faults
    ]


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(edited(text, old, new), encoding="utf-8")


def test_a_visit_brings_its_papers_together(visit_folder: Path) -> None:
    visit = load_visit(visit_folder / "run.toml")
    assert visit.rig.name == "Cell"
    assert visit.build.unit == "U1"
    assert visit.run_sheet.run[1].kind == "bias-sweep"
    assert (visit.rig_path, visit.build_path) == (visit_folder / "rig.toml", visit_folder / "build.toml")
    run = visit.run_sheet.run[1]
    assert visit.recording_path(run) == visit_folder / "bias-sweep.csv"
    assert visit.rig_of(run) is visit.rig
    assert visit.rig_path_of(run) == visit.rig_path


def test_of_some_recordings_the_others_are_not_looked_for(visit_folder: Path) -> None:
    (visit_folder / "tare.csv").unlink()
    visit = load_visit(visit_folder / "run.toml", only={"bias-sweep.csv"})
    assert [run.file for run in visit.run_sheet.run] == ["bias-sweep.csv"]
    with pytest.raises(DocumentError, match=r"tare\.csv"):
        load_visit(visit_folder / "run.toml", only={"tare.csv"})


def test_digests_are_those_of_the_bytes(visit_folder: Path) -> None:
    visit = load_visit(visit_folder / "run.toml")
    assert visit.digests == {
        str(visit_folder / name): hashlib.sha256((visit_folder / name).read_bytes()).hexdigest()
        for name in ("run.toml", "rig.toml", "build.toml")
    }


def test_paths_are_relative_to_the_run_sheet(visit_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (visit_folder / "rigs").mkdir()
    os.rename(visit_folder / "rig.toml", visit_folder / "rigs" / "cell.toml")  # noqa: PTH104
    (visit_folder / "visit").mkdir()
    for name in ("run.toml", "tare.csv", "bias-sweep.csv"):
        (visit_folder / name).rename(visit_folder / "visit" / name)
    edit(visit_folder / "visit" / "run.toml", '"rig.toml"', '"../rigs/cell.toml"')
    edit(visit_folder / "visit" / "run.toml", '"build.toml"', '"../build.toml"')
    monkeypatch.chdir(visit_folder)
    visit = load_visit("visit/run.toml")
    assert visit.rig.name == "Cell"
    assert visit.recording_path(visit.run_sheet.run[0]) == Path("visit/tare.csv")


def test_faults_of_all_papers_come_at_once(visit_folder: Path) -> None:
    edit(visit_folder / "rig.toml", "sign = -1", "sign = 0")
    edit(visit_folder / "build.toml", "faces = 5", "faces = 0")
    (visit_folder / "tare.csv").unlink()
    faults = faults_of(visit_folder / "run.toml")
    assert [(file, key) for file, _, key, _, _ in faults] == [
        ("rig.toml", "channel.right_torque.sign"),
        ("build.toml", "packs.faces"),
        ("run.toml", "run[1].file"),
    ]


def test_a_missing_recording_names_the_nearest_file(visit_folder: Path) -> None:
    (visit_folder / "bias-sweep.csv").rename(visit_folder / "Bias_Sweep.csv")
    ((file, line, key, what, mend),) = faults_of(visit_folder / "run.toml")
    assert (file, line, key) == ("run.toml", 9, "run[2].file")
    assert "'bias-sweep.csv' does not exist" in what
    assert "'Bias_Sweep.csv' is there" in mend


def test_a_missing_recording_with_nothing_like_it(visit_folder: Path) -> None:
    edit(visit_folder / "run.toml", '"tare.csv"', '"logs/0001.dat"')
    ((_, line, key, _, mend),) = faults_of(visit_folder / "run.toml")
    assert (line, key) == (6, "run[1].file")
    assert "relative to" in mend


@pytest.mark.parametrize(
    ("new", "what", "mend"),
    [
        ('"."', "is a folder", "name the file in it"),
        ("'logs\\tare.csv'", "does not exist", "forward slashes"),
        (f'"{"x" * 5000}"', "does not exist", "check the path"),
        ('"a\\u0000b"', "does not exist", "check the path"),
    ],
)
def test_what_is_no_recording(new: str, what: str, mend: str, visit_folder: Path) -> None:
    edit(visit_folder / "run.toml", '"tare.csv"', new)
    (fault,) = faults_of(visit_folder / "run.toml")
    assert what in fault[3]
    assert mend in fault[4]


@pytest.mark.parametrize("name", ["rig", "build"])
def test_a_missing_paper_is_a_fault_of_the_run_sheet(name: str, visit_folder: Path) -> None:
    (visit_folder / f"{name}.toml").rename(visit_folder / f"{name}-1.toml")
    ((file, line, key, what, mend),) = faults_of(visit_folder / "run.toml")
    assert (file, line, key) == ("run.toml", 2 if name == "rig" else 3, name)
    assert f"'{name}.toml'" in what
    assert f"'{name}-1.toml'" in mend


@pytest.mark.parametrize("name", ["x" * 5000, "a\\u0000b", "rig.toml/x"])
def test_a_paper_that_can_not_be_one(name: str, visit_folder: Path) -> None:
    edit(visit_folder / "run.toml", 'rig = "rig.toml"', f'rig = "{name}"')
    ((file, line, key, what, _),) = faults_of(visit_folder / "run.toml")
    assert (file, line, key) == ("run.toml", 2, "rig")
    assert "can't be read" in what


def test_a_build_sheet_given_as_rig(visit_folder: Path) -> None:
    edit(visit_folder / "run.toml", 'rig = "rig.toml"', 'rig = "build.toml"')
    ((file, _, key, what, _),) = faults_of(visit_folder / "run.toml")
    assert (file, key, what) == ("build.toml", "format", "this is a build sheet, a rig is wanted")


def test_a_run_may_be_taken_on_another_rig(visit_folder: Path) -> None:
    (visit_folder / "fixture.toml").write_text(FIXTURE, encoding="utf-8")
    edit(visit_folder / "run.toml", 'kind = "tare"', 'kind = "turning-torque"\nrig = "fixture.toml"')
    visit = load_visit(visit_folder / "run.toml")
    by_hand, sweep = visit.run_sheet.run
    assert visit.rig_of(by_hand).name == "Fixture"
    assert visit.rig_path_of(by_hand) == visit_folder / "fixture.toml"
    assert visit.rig_of(sweep).name == "Cell"
    assert str(visit_folder / "fixture.toml") in visit.digests


def test_another_rig_that_is_missing_is_one_fault(visit_folder: Path) -> None:
    with (visit_folder / "run.toml").open("a", encoding="utf-8") as sheet:
        sheet.write('rig = "fixture.toml"\n')
    edit(visit_folder / "run.toml", 'kind = "tare"', 'kind = "tare"\nrig = "fixture.toml"')
    ((_, line, key, _, _),) = faults_of(visit_folder / "run.toml")
    assert (line, key) == (8, "run[1].rig")


@pytest.mark.parametrize(
    ("rig", "kind", "what", "mend"),
    [
        ("rig.toml", "turning-torque", "no channel turning_torque", "name the rig"),
        ("fixture.toml", "bias-sweep", "turns one output", "turning-torque"),
        ("fixture.toml", "speed-sweep", "turns one output", "turning-torque"),
    ],
)
def test_an_arrangement_is_never_guessed(
    rig: str, kind: str, what: str, mend: str, visit_folder: Path
) -> None:
    (visit_folder / "fixture.toml").write_text(FIXTURE, encoding="utf-8")
    edit(visit_folder / "run.toml", 'kind = "bias-sweep"', f'kind = "{kind}"\nrig = "{rig}"')
    ((_, line, key, said, mended),) = faults_of(visit_folder / "run.toml")
    assert (line, key) == (10, "run[2].kind")
    assert what in said
    assert mend in mended


def test_a_wrench_on_a_cell_must_say_how_the_case_was_held(visit_folder: Path) -> None:
    with (visit_folder / "rig.toml").open("a", encoding="utf-8") as rig:
        rig.write('[channel.turning_torque]\ncolumn = "W"\n')
    edit(visit_folder / "run.toml", 'kind = "bias-sweep"', 'kind = "turning-torque"')
    ((_, _, key, what, mend),) = faults_of(visit_folder / "run.toml")
    assert key == "run[2].kind"
    assert "free or held" in what
    assert "'arrangement'" in mend
    with (visit_folder / "rig.toml").open("a", encoding="utf-8") as rig:
        rig.write('[channel.arrangement]\ncolumn = "how"\n')
    assert load_visit(visit_folder / "run.toml").rig.channel["arrangement"].column == "how"
