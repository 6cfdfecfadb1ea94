"""One visit: paths relative to the run sheet, faults of all its papers at once."""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import replace
from pathlib import Path

import pytest
from edited import edited

from diffbench.documents import Build, Rig, Visit, load_build, load_rig, load_visit, run_sheets_in
from diffbench.documents.visit import one_sheet, readable_runs
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


def squeezed(text: str) -> str:
    """A text whose breaks and indents are blanks."""
    return " ".join(text.split())


def held(visit_folder: Path) -> tuple[Rig, Build, Rig]:
    """Rig and build sheet of the folder, and a rig of hand readings."""
    (visit_folder / "fixture.toml").write_text(FIXTURE, encoding="utf-8")
    return (
        load_rig(visit_folder / "rig.toml"),
        load_build(visit_folder / "build.toml"),
        load_rig(visit_folder / "fixture.toml"),
    )


def test_a_visit_of_objects_is_as_one_of_files(visit_folder: Path) -> None:
    """Recordings in memory bear the visit's name and their number; those in files their whole path; a rig its
    name and what it says, so that two of one name are two."""
    rig, build, fixture = held(visit_folder)
    table = {"W": [1.0, 2.0]}
    file = visit_folder / "tare.csv"
    runs = [("tare", file), ("bias-sweep", {"TL": [3.0]}), ("turning-torque", table, fixture)]
    visit = Visit.of(rig, build, runs, date="2026-03-15")
    assert (visit.run_sheet_path, visit.build_path) == (
        Path("U1-first, 2026-03-15"),
        Path("build sheet U1-first"),
    )
    own, other = str(visit.rig_path), str(visit.run_sheet.run[2].rig)
    assert re.fullmatch("rig Cell [0-9a-f]{8}", own)
    assert re.fullmatch("rig Fixture [0-9a-f]{8}", other)
    assert set(visit.digests) == {own, other, "build sheet U1-first"}
    assert all(re.fullmatch("[0-9a-f]{64}", digest) for digest in visit.digests.values())
    assert [(run.file, run.kind, run.rig) for run in visit.run_sheet.run] == [
        (str(file), "tare", None),
        ("U1-first, 2026-03-15, run 2", "bias-sweep", None),
        ("U1-first, 2026-03-15, run 3", "turning-torque", other),
    ]
    assert visit.recordings == {
        "U1-first, 2026-03-15, run 2": {"TL": [3.0]},
        "U1-first, 2026-03-15, run 3": table,
    }
    tare, sweep, hand = visit.run_sheet.run
    assert (visit.recording_path(tare), visit.recording_path(sweep)) == (file, Path(sweep.file))
    assert (visit.rig_of(sweep), visit.rig_of(hand)) == (rig, fixture)
    assert (visit.rig_path_of(sweep), visit.rig_path_of(hand)) == (Path(own), Path(other))
    named = Visit.of(
        visit_folder / "rig.toml",
        str(visit_folder / "build.toml"),
        runs[:2],
        date=visit.run_sheet.date,
        name="a/b",
    )
    assert (named.rig, named.build, named.run_sheet.date) == (rig, build, visit.run_sheet.date)
    assert (named.run_sheet_path, named.run_sheet.run[1].file) == (Path("a-b"), "a-b, run 2")
    assert len(Visit.of(rig, build, runs[:1], date="2026-03-15").run_sheet.run) == 1
    louder = rig.model_copy(update={"note": "moved"})
    assert Visit.of(louder, build, runs[:2], date="2026-03-15").rig_path != visit.rig_path


def test_what_is_wrong_with_a_visit_of_objects_is_told_at_once(visit_folder: Path) -> None:
    rig, build, fixture = held(visit_folder)
    runs = [
        ("tare", {"TL": [1.0]}),
        ("speed-sweep", str(visit_folder / "bias_sweep.csv")),
        ("speed-sweep", {"W": [1.0]}, fixture),
    ]
    with pytest.raises(DocumentError) as caught:
        Visit.of(rig, build, runs, date="2026-03-15", name="Tuesday")
    assert squeezed("\n".join(map(str, caught.value.faults))) == squeezed(f"""
        Tuesday: run[2].file: '{visit_folder / "bias_sweep.csv"}' does not exist. Mend: 'bias-sweep.csv' is
        there:
        is it meant?
        Tuesday: run[3].kind: the rig 'Fixture' turns one output, a speed-sweep needs the torques of both.
        Mend:
        write kind = "turning-torque", or name the rig that it was taken on, rig = "..." under [[run]].""")
    with pytest.raises(DocumentError, match="rig: channel: nothing says the speed difference"):
        Visit.of(
            {
                "format": "diffbench-rig/1",
                "name": "x",
                "arrangement": "both-outputs",
                "channel": {name: {"column": name} for name in ("left_torque", "right_torque")},
            },
            build,
            runs[:1],
            date="2026-03-15",
        )


def test_runs_that_can_be_read_are_read_however_faulty_the_rest_is(visit_folder: Path) -> None:
    """So that the faults of their recordings are told with those of the papers."""
    held(visit_folder)
    (visit_folder / "run.toml").write_text(
        """\
rig = "rig.toml"
x = 1
run = [
  { file = "tare.csv", kind = "tare" },
  { file = "bias-sweep.csv", kind = "turning-torque" },
  { file = "bias-sweep.csv", kind = "turning-torque", rig = "fixture.toml" },
  { file = "bias-sweep.csv", kind = "speed-sweep", rig = "fixture.toml" },
  { file = "bias-sweep.csv", kind = "sweep" },
  { file = "bias-sweep.csv", kind = "tare", rig = "none.toml" },
  { file = "bias-sweep.csv", kind = "tare", rig = 3 },
  { file = "none.csv", kind = "tare" },
  { file = 3, kind = "tare" },
  { kind = "tare" },
  "tare.csv",
]
""",
        encoding="utf-8",
    )
    found = readable_runs(visit_folder / "run.toml")
    assert [(path.name, rig.name, kind) for path, rig, kind in found] == [
        ("tare.csv", "Cell", "tare"),
        ("bias-sweep.csv", "Fixture", "turning-torque"),
    ]
    for content in ("run = 3", "rig = [", '\ufeffrig = "rig.toml"\nrun = "x"'):
        (visit_folder / "run.toml").write_text(content, encoding="utf-8")
        assert readable_runs(visit_folder / "run.toml") == []
    assert readable_runs(visit_folder / "absent.toml") == []


def test_papers_beside_a_faulty_run_sheet_are_looked_at(visit_folder: Path) -> None:
    edit(visit_folder / "run.toml", "date = 2026-03-15", "day = 1")
    edit(visit_folder / "rig.toml", "sign = -1", "sign = 0")
    edit(visit_folder / "build.toml", "faces = 5", "faces = 0")
    assert [(file, line, key) for file, line, key, _, _ in faults_of(visit_folder / "run.toml")] == [
        ("run.toml", None, "date"),
        ("run.toml", 4, "day"),
        ("rig.toml", 22, "channel.right_torque.sign"),
        ("build.toml", 7, "packs.faces"),
    ]
    edit(visit_folder / "run.toml", 'rig = "rig.toml"', "rig = 3")
    edit(visit_folder / "run.toml", 'build = "build.toml"', 'build = ""')
    told = faults_of(visit_folder / "run.toml")
    assert [(file, line, key) for file, line, key, _, _ in told] == [
        ("run.toml", None, "date"),
        ("run.toml", 2, "rig"),
        ("run.toml", 3, "build"),
        ("run.toml", 4, "day"),
    ]
    (visit_folder / "run.toml").write_text('build = "none.toml"\n', encoding="utf-8")
    assert ("run.toml", None, "build", "'none.toml': the file does not exist") in [
        fault[:4] for fault in faults_of(visit_folder / "run.toml")
    ]


def test_what_may_be_a_run_sheet_is_found_in_a_folder(tmp_path: Path) -> None:
    """Only what is seen to be something else is left out."""
    run, rig = 'format = "diffbench-run/1"\n', 'format = "diffbench-rig/1"\n'
    kept = {
        "a.toml": run,
        "b.TOML": run + "x = [",
        "c.toml": "run = 3",
        "d.toml": "x = [",
        "e.toml": " \n",
        "f.toml": 'format = "diffbench-zzz/1"\nx = [',
        "g/h.toml": run,
    }
    left = {
        "p.toml": rig + "run = 1",
        "q.toml": " 'format' = 'diffbench-rig/1'\nx = [",
        "r.toml": "x = 1",
        "s.txt": run,
        ".t.toml": run,
        ".u/v.toml": run,
    }
    for name, text in (kept | left).items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "w.toml").write_bytes(run.encode("utf-16"))
    (tmp_path / "x.toml").write_bytes(rig.encode("utf-16"))
    (tmp_path / "y.toml").symlink_to("nowhere")  # which cannot be opened: whoever loads it tells so
    here = sorted(tmp_path / name for name in (*kept, "w.toml", "y.toml") if "/" not in name)
    assert run_sheets_in(tmp_path) == here
    assert run_sheets_in(tmp_path, below=True) == sorted([*here, tmp_path / "g" / "h.toml"])
    with pytest.raises(DocumentError, match="cannot be looked into"):
        run_sheets_in(tmp_path / "absent")


def test_sheets_that_differ_are_told_whole(visit_folder: Path) -> None:
    """What both say, and where; a distance in kilometres, what one leaves out, a number to six digits."""
    text = (visit_folder / "build.toml").read_text(encoding="utf-8")
    first = load_visit(visit_folder / "run.toml")

    def told(*edits: tuple[str, str]) -> str:
        other = text
        for old, new in edits:
            other = edited(other, old, new)
        (visit_folder / "build.toml").write_text(other, encoding="utf-8")
        second = replace(load_visit(visit_folder / "run.toml"), build_path=Path("second.toml"))
        found = one_sheet([replace(first, build_path=Path("first.toml")), second])
        return squeezed("\n".join(map(str, found)))

    assert told(('distance = "120 mi"', 'distance = "100 km"'), ("faces = 5", "faces = 6")) == squeezed("""
        second.toml: distance: two build sheets bear the name U1-first, and say different things: distance is
        193.121 km in first.toml, 100 km in second.toml; packs.faces is 5 in first.toml, 6 in second.toml.
        Mend:
        give the later state a build name of its own, and hold the two against each other with
        'diffbench compare'; or state one distance in both, if nothing was driven in between.""")
    assert told(('plate_mass = "1.1 kg"\n', ""), ('law = "undecided"', 'law = "additive"')) == squeezed("""
        second.toml: packs.plate_mass: two build sheets bear the name U1-first, and say different things:
        packs.plate_mass is 1.1 in first.toml, not stated in second.toml; preload.law is undecided in
        first.toml,
        additive in second.toml. Mend: name one build sheet in both run sheets, or give each build a name of
        its
        own.""")
    spring = text.partition("[preload.disc_spring]")[2].partition("[oil]")[0]
    assert told((f"[preload.disc_spring]{spring}", "")) == squeezed("""
        second.toml: preload.disc_spring: two build sheets bear the name U1-first, and say different things:
        preload.disc_spring is a table in first.toml, not stated in second.toml. Mend: name one build sheet in
        both run sheets, or give each build a name of its own.""")
    new = ('build = "U1-first"', 'build = "U1-second"')
    shared = (
        ("faces = 5", "faces = 6"),
        ('law = "undecided"', 'law = "additive"'),
        ('"4 rad/s"', "1.23456789"),
    )
    assert told(new, *shared) == squeezed("""
        second.toml: preload.law: builds that are fitted together share one preload.law, and their sheets
        state
        two: undecided in first.toml, additive in second.toml. Mend: state the same in both, or fit each
        build by
        itself.
        second.toml: reference.speed_difference: builds that are fitted together share one
        reference.speed_difference, and their sheets state two: 4 in first.toml, 1.23457 in second.toml. Mend:
        state the same in both, or fit each build by itself.""")
    assert told(new, ("gear_friction = { value = 0.02, u = 0.01 }\n", "")) == squeezed("""
        second.toml: gear_friction: builds that are fitted together share one gear_friction, and their sheets
        state two: 0.02 in first.toml, not stated in second.toml. Mend: state the same in both, or fit each
        build
        by itself.""")
