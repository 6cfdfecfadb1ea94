"""The commands corner, split and rebuild on the demo's result, and what they refuse."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from edited import edited

from diffbench import Characterisation, load_map

Run = Callable[..., Result]
Refused = Callable[..., list[str]]

POINT = ("--speed", "90 km/h", "--radius", "60 m", "--engine-braking", "120 Nm", "--temperature", "80 degC")


@pytest.fixture
def car(repository: Path) -> Path:
    """The invented car."""
    return repository / "fixtures" / "corner-entry" / "car.toml"


def test_corner_with_a_ladder(run: Run, demo, car: Path, tmp_path: Path) -> None:
    """As built between its rungs, from low to high; more preload keeps less; JSON alone; a picture."""
    picture = tmp_path / "corner.png"
    ladder = ("--preload", "40 Nm:120 Nm:40 Nm", "--preload", "10")
    result = run("corner", demo.folder / "map.json", "--car", car, *ladder, "--picture", picture, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    assert picture.read_bytes().startswith(b"\x89PNG")
    rungs = json.loads(result.stdout)["rungs"]
    built = demo.characterisation.value("preload_torque")
    assert [rung["name"] for rung in rungs] == [
        "predicted, 10 N·m",
        "predicted, 40 N·m",
        "predicted, 80 N·m",
        f"as built, {built:.4g} N·m",
        "predicted, 120 N·m",
    ]
    assert [rung["predicted"] is None for rung in rungs] == [False, False, False, True, False]
    for number in range(4):
        kept = [rung["phases"][number]["share_kept"]["value"] for rung in rungs]
        assert kept == sorted(kept, reverse=True)
    means = [rung["mean_share_kept"]["value"] for rung in rungs]
    assert means == sorted(means, reverse=True)
    assert rungs[3]["phases"][1]["tested"] is True


def test_corner_at_one_point_with_several_maps(run: Run, demo, car: Path, tmp_path: Path) -> None:
    """Two files of one build are told apart by their paths."""
    other = tmp_path / "other.json"
    other.write_bytes((demo.folder / "map.json").read_bytes())
    result = run("corner", demo.folder / "map.json", other, "--car", car, *POINT)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.startswith("Corner entry, Invented hill-climb car; unit Q17, build Q17-2026-04-13")
    assert str(other) in " ".join(result.stdout.split())
    assert "this point: 120 N·m engine braking at the case" in result.stdout
    assert "Mean over" not in result.stdout


def test_corner_refuses(run: Run, refused: Refused, demo, car: Path, tmp_path: Path) -> None:
    """A car with zero track, a cut map, a characterisation of something else, no phase, no place to draw."""
    made = demo.folder / "map.json"
    bad = tmp_path / "car.toml"
    text = car.read_text(encoding="utf-8")
    bad.write_text(edited(edited(text, '"1.48 m"', '"0 m"'), '"120 km/h"', '"-120 km/h"'), encoding="utf-8")
    faults = refused("corner", made, "--car", bad)
    assert [f"{bad}, line 6: axle.track: " in faults[0], "phase[1].speed: " in faults[1]] == [True, True]
    bad.write_text(text.partition("[[phase]]")[0], encoding="utf-8")
    (fault,) = refused("corner", made, "--car", bad)
    assert "no phase is described" in fault
    cut = tmp_path / "map.json"
    cut.write_text(made.read_text(encoding="utf-8")[:5000], encoding="utf-8")
    (fault,) = refused("corner", cut, "--car", car)
    assert str(cut) in fault
    (fault,) = refused("corner", made, "--car", car, "--preload", "40 Nm", "--characterisation", made)[:1]
    assert f"{made}: " in fault
    foreign = tmp_path / "characterisation.json"
    words = (demo.folder / "characterisation.json").read_text(encoding="utf-8")
    other = Characterisation.model_validate_json(edited(words, '"made": "', '"made": "1'))
    foreign.write_text(other.to_json(), encoding="utf-8")
    (fault,) = refused("corner", made, "--car", car, "--preload", "40 Nm", "--characterisation", foreign)
    assert "not the characterisation that map Q17-2026-04-13 was made of" in fault
    (fault,) = refused("corner", made, "--car", car, "--preload=-40 Nm")
    assert "a preload torque of -40 N·m" in fault
    (fault,) = refused("corner", made, "--car", car, "--picture", tmp_path / "none" / "a.png")
    assert "cannot be written" in fault


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--speed", "0 km/h", *POINT[2:]), "standstill and reverse are no corner entry"),
        (("--speed", "-5 km/h", *POINT[2:]), "standstill and reverse are no corner entry"),
        (("--radius", "60 rpm", *POINT[4:], *POINT[:2]), "a length is wanted"),
        (POINT[2:], "One point needs --speed, too"),
        ((*POINT[:4], *POINT[6:]), "either --engine-braking or --drive-torque"),
        ((*POINT, "--drive-torque", "5 Nm"), "either --engine-braking or --drive-torque"),
        (("--preload", "40 Nm:20 Nm:5 Nm"), "is no ladder: write LOW:HIGH:STEP"),
        (("--preload", "40 Nm:80 Nm"), "is no ladder: write LOW:HIGH:STEP"),
        (("--preload", "0:1000:1"), "has 1001 rungs"),
        (("--characterisation", "x.json"), "name a preload"),
        (("--target", "kept 60 %", "--branch", "followed"), "leave out --branch followed"),
        (("--target", "kept 60 %", "--preload", "40 Nm"), "asked of one map"),
        (("--picture", "corner.bmp"), "name a file that ends in .svg, .png, .pdf"),
    ],
)
def test_corner_options_that_do_not_go(
    run: Run, demo, car: Path, options: tuple[str, ...], said: str
) -> None:
    result = run("corner", demo.folder / "map.json", "--car", car, *options)
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())
    assert result.stdout == ""


@pytest.mark.parametrize("option", [("--preload", "40 Nm"), ("--target", "kept 60 %")])
def test_a_prediction_is_no_beginning(
    option: tuple[str, str], run: Run, refused: Refused, demo, car: Path, tmp_path: Path
) -> None:
    """Of the very fit or not: what is said is what fits, and that works."""
    source, softer = demo.folder / "characterisation.json", tmp_path / "softer.json"
    assert run("rebuild", source, "--preload", "60 Nm", "--to", softer).exit_code == 0
    for beside in ((), ("--characterisation", demo.folder), ("--characterisation", source)):
        (fault,) = refused("corner", softer, "--car", car, *option, *beside)
        assert f"{softer}: this map is a prediction itself" in fault
        assert "diffbench corner MAP PREDICTED" in fault
    assert run("corner", demo.folder / "map.json", softer, "--car", car).exit_code == 0


def test_a_ladder_belongs_to_one_map(run: Run, demo, car: Path) -> None:
    made = demo.folder / "map.json"
    result = run("corner", made, made, "--car", car, "--preload", "40 Nm")
    assert result.exit_code == 2
    assert "belongs to one map" in result.stderr


def test_split(run: Run, demo) -> None:
    """Both ways of asking; JSON has the units in its keys."""
    made = demo.folder / "map.json"
    result = run("split", made, "--torque", "400 Nm", "--speed", "4", "--temperature", "60 degC", "--json")
    found = json.loads(result.stdout)
    locking = demo.locking_map.locking_torque(400.0, 4.0, 60.0)
    assert found["locking_torque_Nm"]["value"] == locking
    assert found["locking_effect"]["value"] == pytest.approx(locking / 400.0, rel=1e-15)
    assert found["tested"] is True
    state = run("split", made, "--left", "40 Nm", "--right", "160 Nm", "--temperature", "70 degC")
    assert state.stdout.startswith("LOCKED: 120 N·m across")
    text = run("split", made, "--torque", "400 Nm", "--speed", "4", "--temperature", "60 degC").stdout
    assert "torque bias ratio" in text
    for options in (("--left", "1"), ("--torque", "1"), ("--torque", "1", "--speed", "1", "--left", "1")):
        refused = run("split", made, *options, "--temperature", "60")
        assert refused.exit_code == 2
        assert "either --torque and --speed, or --left and --right" in " ".join(refused.stderr.split())


def test_rebuild(run: Run, refused: Refused, demo, car: Path, tmp_path: Path) -> None:
    """The map is written once, says that it is predicted, and goes into corner as such."""
    source, target = demo.folder / "characterisation.json", tmp_path / "softer.json"
    result = run("rebuild", source, "--preload", "60 Nm", "--faces", "5", "--to", target)
    assert (result.exit_code, result.stderr) == (0, "")
    assert "PREDICTED by the fitted law, not measured: 5 faces in a pack instead of 4" in " ".join(
        result.stdout.split()
    )
    assert f"Written: {target}" in result.stdout
    assert load_map(target).document.predicted is not None
    before = target.read_bytes()
    place = ("--torque", "100", "--speed", "4", "--temperature", "60")
    assert "PREDICTED, not measured" in run("lookup", target, *place).stdout
    assert json.loads(run("lookup", target, *place, "--json").stdout)["predicted"]
    (fault,) = refused("rebuild", source, "--preload", "60 Nm", "--to", target)
    assert f"{target}: is there already, and is left as it is" in fault
    assert target.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["softer.json"]
    assert "Q17-2026-04-13, predicted" in run("corner", target, "--car", car, *POINT).stdout
    (fault,) = refused("rebuild", source)
    assert "nothing is changed" in fault


def test_rebuild_as_json(run: Run, demo) -> None:
    """Both units beside each other; the ramp of one flank leaves the other flank alone."""
    result = run("rebuild", demo.folder / "characterisation.json", "--drive-ramp", "50 deg", "--json")
    found = json.loads(result.stdout)
    assert found["written"] is None
    assert found["predicted"] == "drive ramp 50 deg instead of 42 deg"
    for point in found["points"]:
        built, changed = point["as_built_Nm"]["value"], point["rebuilt_Nm"]["value"]
        if point["input_torque_Nm"] > 0.0:
            assert changed < built
        else:
            assert changed == pytest.approx(built, rel=1e-9)
