"""The commands as a user meets them: help with a worked example, JSON alone, exit statuses, nearest names."""

from __future__ import annotations

import csv
import json
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from benchsim.scenario import Q17
from click.testing import Result
from edited import edited

import diffbench
from diffbench.cli import COMMANDS, main

Run = Callable[..., Result]


def command(name: str) -> click.Command:
    """One command of the group."""
    found = main.get_command(click.Context(main), name)
    assert found is not None
    return found


def test_help_lists_every_command(run: Run) -> None:
    """Help, asked for by either name, shows what there is, and the safety note."""
    result = run("--help")
    assert result.exit_code == 0
    assert result.stdout == run("-h").stdout
    for name, (_, line) in COMMANDS.items():
        assert f"  {name} " in result.stdout
        assert line in " ".join(result.stdout.split())
    assert "Example: diffbench " in result.stdout
    assert "qualified people" in " ".join(result.stdout.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_a_command_has_a_worked_example(run: Run, name: str) -> None:
    """The example is a call of that command, and its options are ones that the command has."""
    result = run(name, "--help")
    assert result.exit_code == 0
    one = command(name)
    epilog = one.epilog
    assert epilog is not None
    words = shlex.split(epilog.removeprefix("Example: "))
    assert words[:2] == ["diffbench", name]
    if isinstance(one, click.Group):
        called = one.get_command(click.Context(one), words[2])
        assert called is not None
        one = called
    known = {option for parameter in one.params for option in parameter.opts}
    assert {word for word in words if word.startswith("--")} <= known
    shown = " ".join(result.stdout.split())
    assert " ".join(epilog.split()) in shown
    assert "--json" in known


def test_version(run: Run) -> None:
    """One line, with the version of the package."""
    assert run("--version").stdout == f"diffbench {diffbench.__version__}\n"


def test_the_package_runs_as_the_command_does() -> None:
    """``python -m diffbench``, where no script is on the path; a typo is told by the same name."""
    ran = subprocess.run(
        [sys.executable, "-m", "diffbench", "fti"], capture_output=True, encoding="utf-8", check=False
    )
    assert ran.returncode == 2
    assert "Did you mean 'fit'?" in ran.stderr
    assert "__main__" not in ran.stderr


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("fti", "There is no command 'fti'. Did you mean 'fit'?"),
        ("schemas", "Did you mean 'schema'?"),
        ("zzz", f"The commands are {', '.join(sorted(COMMANDS))}."),
    ],
)
def test_a_typo_is_answered_with_the_nearest_command(run: Run, typed: str, said: str) -> None:
    """A command that there is not: the nearest one, else all of them."""
    result = run(typed)
    assert result.exit_code == 2
    assert said in result.stderr
    assert result.stdout == ""


def test_a_misspelt_option(run: Run) -> None:
    """Options are helped in the same way."""
    result = run("fit", "run.toml", "--otu", "result")
    assert result.exit_code == 2
    assert "--out" in result.stderr


def test_demo(demo) -> None:
    """The main job: done, nothing on standard error, four files that can be read again, and their
    manifest."""
    assert demo.status == 0, demo.told
    assert demo.told == ""
    assert "preload torque" in demo.printed
    assert max(len(line) for line in demo.printed.splitlines() if not line.startswith("Written")) <= 100
    assert sorted(path.name for path in demo.folder.iterdir()) == [
        "characterisation.json",
        "map.csv",
        "map.json",
        "report.html",
        "result-manifest.json",
    ]
    assert demo.characterisation.unit == "Q17"
    assert demo.locking_map.document.build == "Q17-2026-04-13"


def test_map_csv_is_map_json_again(demo) -> None:
    """One node a line; every number of the JSON document stands in the table, digit for digit."""
    with (demo.folder / "map.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    document = json.loads((demo.folder / "map.json").read_text(encoding="utf-8"))
    axes = document["axes"]
    torque, speed, heat = axes["input_torque_Nm"], axes["speed_difference_rad_s"], axes["temperature_degC"]
    assert len(rows) == len(torque) * len(speed) * len(heat)
    nodes = [(i, j, k) for i in range(len(torque)) for j in range(len(speed)) for k in range(len(heat))]
    for row, (i, j, k) in zip(rows, nodes, strict=True):
        assert float(row["input_torque_Nm"]) == torque[i]
        assert float(row["speed_difference_rad_s"]) == speed[j]
        assert float(row["temperature_degC"]) == heat[k]
        for branch, tables in document["branches"].items():
            for name in ("locking_torque_Nm", "low_Nm", "high_Nm"):
                assert float(row[f"{branch}_{name}"]) == tables[name][i][j][k]
            assert row[f"{branch}_tested"] == ("true" if tables["tested"][i][j][k] else "false")


def test_json_is_alone_on_standard_output(run: Run, hand_visit: Path, tmp_path: Path) -> None:
    """What fit prints with --json is the document that it writes, byte for byte, and nothing else."""
    out = tmp_path / "result"
    result = run("fit", hand_visit, "--out", out, "--json")
    assert result.exit_code == 0
    assert result.stderr == ""
    assert result.stdout == (out / "characterisation.json").read_text(encoding="utf-8")
    assert json.loads(result.stdout)["format"] == "diffbench-characterisation/1"


def test_quiet_without_out_says_and_writes_nothing(
    run: Run, hand_visit: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Results go where --out says, and nowhere else."""
    before = sorted(hand_visit.parent.iterdir())
    monkeypatch.chdir(hand_visit.parent)
    result = run("fit", hand_visit.name, "--quiet")
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "")
    assert sorted(hand_visit.parent.iterdir()) == before


def test_outside_a_limit_is_exit_status_1(run: Run, hand_visit: Path, tmp_path: Path) -> None:
    """A limit that is proven to be broken: the job is done, results are written, and the status says fail."""
    sheet = hand_visit.with_name("unit-q17.toml")
    text = sheet.read_text(encoding="utf-8")
    assert 'preload_torque = ["70 N.m", "90 N.m"]' in text
    sheet.write_text(
        edited(text, 'preload_torque = ["70 N.m", "90 N.m"]', 'preload_torque = ["20 N.m", "40 N.m"]'),
        encoding="utf-8",
    )
    out = tmp_path / "result"
    result = run("fit", hand_visit, "--out", out)
    assert result.exit_code == 1
    assert result.stderr == ""
    assert "OUT OF LIMITS" in result.stdout
    (verdict,) = json.loads((out / "characterisation.json").read_text(encoding="utf-8"))["limits"]
    assert verdict["verdict"] == "outside"


def test_show_prints_what_fit_printed(run: Run, demo) -> None:
    """A characterisation read from its file looks as it did when it was made."""
    result = run("show", demo.folder / "characterisation.json")
    assert result.exit_code == 0
    assert result.stdout == demo.printed[: demo.printed.index("Written: ")]
    as_json = run("show", demo.folder / "characterisation.json", "--json")
    assert as_json.stdout == (demo.folder / "characterisation.json").read_text(encoding="utf-8")


def test_lookup(run: Run, demo) -> None:
    """One place of the map, in the units of the bench, in words and as JSON, as Python gives it."""
    place = ("--torque", "300 lbf.ft", "--speed", "40 rpm", "--temperature", "150 degF")
    # lbf.ft and degF by NIST SP 811, appendix B.8; 40 rpm = 40 x 2 pi / 60
    si = (300 * 1.3558179483314004, 40 * 3.141592653589793 / 30, (150 - 32) / 1.8)
    result = run("lookup", demo.folder / "map.json", *place, "--branch", "loading", "--json")
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["input_torque_Nm"] == pytest.approx(si[0], rel=1e-12)
    assert found["speed_difference_rad_s"] == pytest.approx(si[1], rel=1e-12)
    assert found["temperature_degC"] == pytest.approx(si[2], rel=1e-12)
    assert found["locking_torque_Nm"] == pytest.approx(
        demo.locking_map.locking_torque(*si, branch="loading"), rel=1e-12
    )
    assert found["low_Nm"] < found["locking_torque_Nm"] < found["high_Nm"]
    assert found["tested"] is True
    words = run("lookup", demo.folder / "map.json", *place).stdout
    assert "inside what was tested" in words


def test_lookup_beyond_the_test_says_so(run: Run, demo) -> None:
    """Outside what was tested the number is an extrapolation, and is called one."""
    place = ("--torque", "2000", "--speed", "4", "--temperature", "60")
    assert "NOT tested" in run("lookup", demo.folder / "map.json", *place).stdout


@pytest.mark.parametrize("torque", ["3000 Nm", "-600 Nm", "-5000 Nm"])
def test_lookup_and_split_where_no_bench_goes(torque: str, run: Run, demo) -> None:
    """A launch and engine braking, far beyond what was swept: within the limits lies the simulator's unit,
    whichever branch, and the value is its mean within 2 %."""
    made, newtons = demo.folder / "map.json", float(torque.removesuffix(" Nm"))
    place = ("--torque", torque, "--speed", "4 rad/s", "--temperature", "60 degC", "--json")
    truth = [float(Q17.locking_torque(newtons, 4.0, 60.0, branch)) for branch in ("loading", "unloading")]
    found = json.loads(run("lookup", made, *place).stdout)
    assert (found["branch"], found["tested"], found["beyond"]) == ("either", False, newtons == -5000.0)
    assert found["low_Nm"] <= min(truth) < max(truth) <= found["high_Nm"]
    assert found["locking_torque_Nm"] == pytest.approx(0.5 * sum(truth), rel=0.02)
    split = json.loads(run("split", made, *place).stdout)
    assert split["locking_torque_Nm"]["value"] == found["locking_torque_Nm"]
    assert split["beyond"] is found["beyond"]


def test_beyond_the_map_the_way_there_is_told(run: Run, demo, repository: Path, tmp_path: Path) -> None:
    """The lines to put into the build sheet, which its reader takes, and which reach the place."""
    place = ("--torque", "-5000", "--speed", "-4", "--temperature", "131")
    words = run("lookup", demo.folder / "map.json", *place).stdout
    assert "BEYOND the axes of the map" in " ".join(words.split())
    sheet = tomllib.loads("\n".join(words.partition("[map]")[2].splitlines()))
    assert list(sheet) == ["input_torque", "temperature"]
    build = repository / "fixtures" / "demo" / "unit-q17-rebuilt.toml"
    text = build.read_text(encoding="utf-8").partition("\n[map]")[0]
    extended = tmp_path / "unit.toml"
    extended.write_text(text + "\n[map]" + words.partition("[map]")[2], encoding="utf-8")
    axes = diffbench.load_build(extended).map
    assert axes.input_torque is not None
    assert axes.temperature is not None
    assert axes.speed_difference is None
    assert axes.input_torque[0] == -5000.0
    assert axes.input_torque[1] == pytest.approx(demo.locking_map.axes[0][-1], rel=1e-5)
    assert 131.0 <= axes.temperature[1] < 145.0
    cold = run(
        "lookup", demo.folder / "map.json", "--torque", "0", "--speed", "-3", "--temperature", "14.6"
    ).stdout
    assert 'temperature = ["14 degC"' in cold, "outwards"
    assert "along speed difference" not in cold, "its magnitude counts"


KINDS = [
    "rig",
    "build",
    "run",
    "car",
    "characterisation",
    "map",
    "manifest",
    "conformity",
    "comparison",
    "repeatability",
    "shim-advice",
]


@pytest.mark.parametrize("kind", KINDS)
def test_schema_is_json_with_or_without_the_option(run: Run, kind: str) -> None:
    """Every kind of document has a schema, named after its format."""
    plain = run("schema", kind)
    assert plain.exit_code == 0
    assert json.loads(plain.stdout)["$schema"].endswith("draft/2020-12/schema")
    assert run("schema", kind, "--json").stdout == plain.stdout


def test_rigs_are_listed_and_copied(run: Run, tmp_path: Path) -> None:
    """The described rigs come with the package; a copy is never written over a file."""
    listed = run("rigs").stdout.splitlines()
    assert listed[0].split() == ["rig", *["what", "it", "is", "for"]]
    names = [line.split()[0] for line in listed[1:] if line[:3].strip()]
    purposes = " ".join(" ".join(listed).split())
    assert "single-flange-slow-drive A geared motor turns one output slowly" in purposes
    assert len(names) >= 3
    assert json.loads(run("rigs", "--json").stdout) == names
    for name in names:
        target = tmp_path / f"{name}.toml"
        assert run("rigs", "--copy", name, "--to", target).exit_code == 0
        assert target.read_text(encoding="utf-8") == run("rigs", "--copy", name).stdout
        again = run("rigs", "--copy", name, "--to", target)
        assert again.exit_code == 2
        assert "is there already" in again.stderr
    told = json.loads(run("rigs", "--copy", names[0], "--json").stdout)
    assert told == {"rig": names[0], "written": None, "toml": run("rigs", "--copy", names[0]).stdout}


def test_rigs_that_there_are_not(run: Run, refused: Callable[..., list[str]], tmp_path: Path) -> None:
    """An unknown rig is answered with the known ones; a target alone copies nothing."""
    (said,) = refused("rigs", "--copy", "no-such-rig")
    assert "twin-output-cell" in said
    (said,) = refused("rigs", "--copy", "twin-output-cell", "--to", tmp_path / "no" / "rig.toml")
    assert str(tmp_path / "no" / "rig.toml") in said
    result = run("rigs", "--to", tmp_path / "rig.toml")
    assert result.exit_code == 2
    assert not (tmp_path / "rig.toml").exists()


def test_interrupted_is_no_verdict(run: Run, demo, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C ends with the status that shells use for it: 1 would read as a unit that fails."""

    def interrupt(path: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("diffbench.results.characterisation.load_characterisation", interrupt)
    result = run("show", demo.folder / "characterisation.json")
    assert result.exit_code == 130
    assert "stopped" in result.stderr


def test_a_reader_that_has_seen_enough_is_no_error(program: Path) -> None:
    """As in ``diffbench schema rig | head -1``: no traceback, no failure."""
    process = subprocess.Popen(
        [program, "schema", "characterisation"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    with process.stderr as stream:
        assert stream.read() == ""
    assert process.wait() == 0
