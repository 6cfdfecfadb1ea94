"""The command lap on the invented track log and the demo's result, and what it refuses."""

from __future__ import annotations

import hashlib
import importlib
import json
import math
import re
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner, Result
from edited import edited

from diffbench.cli import main

Run = Callable[..., Result]
Refused = Callable[..., list[str]]


def day_of(repository: Path, demo, folder: Path) -> Path:
    """The track log in a new folder, with the demo's result for the unit."""
    shutil.copytree(repository / "fixtures" / "track-log", folder)
    sheet = folder / "log.toml"
    result = f'result = "{demo.folder.as_posix()}"'
    text = sheet.read_text(encoding="utf-8")
    text = edited(text, 'file = "lap-1.csv"', f'file = "lap-1.csv"\n{result}')
    text = edited(text, 'file = "lap-2.csv"', f'file = "lap-2.csv"\n{result}')
    sheet.write_text(text, encoding="utf-8")
    return sheet


@pytest.fixture
def day(repository: Path, demo, tmp_path: Path) -> Path:
    """That day, open to change."""
    return day_of(repository, demo, tmp_path / "day")


@pytest.fixture(scope="module")
def read_once() -> dict[tuple[Path, str], object]:
    """What the bench says, by folder and stated preload."""
    return {}


@pytest.fixture(autouse=True)
def bench(demo, read_once: dict[tuple[Path, str], object], monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo's result, which nobody changes, is read once for all: its maps at other preloads take longer
    than all else that the command does."""
    log_files = importlib.import_module("diffbench.answers.log_files")
    read = log_files.bench_of

    def of(folder: Path, run: Any) -> object:
        if folder != demo.folder:
            return read(folder, run)
        named = folder, repr(run.preload)
        if named not in read_once:
            read_once[named] = read(folder, run)
        return read_once[named]

    monkeypatch.setattr(log_files, "bench_of", of)


@pytest.fixture(scope="module")
def told_of_the_day(once: Callable[..., Path], repository: Path, demo) -> str:
    """What the command says in JSON of the day as it is."""

    def make(folder: Path) -> None:
        sheet = day_of(repository, demo, folder / "day")
        result = CliRunner().invoke(main, ["lap", str(sheet), "--json"])
        assert (result.exit_code, result.stderr) == (0, "")
        (folder / "told.json").write_text(result.stdout, encoding="utf-8")

    return (once("lap", make) / "told.json").read_text(encoding="utf-8")


@pytest.fixture
def as_it_is(told_of_the_day: str) -> list[dict[str, Any]]:
    """Laps of the day as it is."""
    laps: list[dict[str, Any]] = json.loads(told_of_the_day)["laps"]
    return laps


def test_both_runs_ask_for_the_preloads_that_ran(run: Run, day: Path, repository: Path) -> None:
    """The simulator's units of 78 and 39 N·m, its tyres of 66 kN where the car says 62."""
    result = run("lap", day, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    found = json.loads(result.stdout)
    assert found["format"] == "diffbench-lap/1"
    truth = tomllib.loads((repository / "fixtures" / "track-log" / "truth.toml").read_text(encoding="utf-8"))
    for lap in found["laps"]:
        asked = lap["equivalent_preload_Nm"]
        assert asked["low"] < truth[lap["name"]]["preload"] < asked["high"]
        assert lap["agreement"] == "the car shows what the bench says"
        half = 0.5 * (asked["high"] - asked["low"])
        assert ("told to ±" in lap["why_no_closer"]) == (half > 10.0)
        assert len(lap["corners"]) == 8
        assert lap["open_share"] > 1.0  # engine braking on an unloaded inner tyre
        assert set(lap["course"]) >= {"time_s", "free_rad_s", "predicted_rad_s", "plate_temperature_degC"}
    first, second = found["laps"]
    assert first["share_kept"]["value"] < second["share_kept"]["value"]
    assert len(found["inputs"]) == 2


def test_faces_and_files(run: Run, day: Path, tmp_path: Path) -> None:
    """The first lines answer; page, picture and file are written once."""
    out, picture = tmp_path / "lap", tmp_path / "lap.png"
    options = ("--out", out, "--to", "html", "--to", "json", "--picture", picture)
    result = run("lap", day, *options)
    assert (result.exit_code, result.stderr) == (0, "")
    head = " ".join(result.stdout.split("Over all entries")[0].split())
    assert "lap-1: THE CAR SHOWS WHAT THE BENCH SAYS" in head
    assert re.search(r"N·m by the bench, [\d.]+ \([\d.]+ to [\d.]+\) N·m asked for by the log", head)
    assert "slip stiffness" in head
    assert "both brakes of the axle count as alike" in " ".join(result.stdout.split())
    assert picture.read_bytes().startswith(b"\x89PNG")
    text = (out / "lap.html").read_text(encoding="utf-8")
    assert text.lower().startswith("<!doctype html>")
    assert text.index("THE CAR SHOWS") < text.index("Over all entries")
    assert json.loads((out / "lap.json").read_text(encoding="utf-8"))["format"] == "diffbench-lap/1"
    assert run("lap", day, "--to", "json").exit_code == 2  # into which folder?


def test_without_a_bench_the_number_alone(run: Run, repository: Path) -> None:
    sheet = repository / "fixtures" / "track-log" / "log.toml"
    found = json.loads(run("lap", sheet, "--json").stdout)
    for lap in found["laps"]:
        assert lap["agreement"] == "no bench"
        assert lap["predicted"]["value"] is None
        assert 0.2 < lap["share_kept"]["value"] < 1.0


def test_a_sign_that_is_wrong_gives_no_verdict(run: Run, day: Path) -> None:
    """Wheels that differ against the turn are no locking: neither more nor less of it is read from them."""
    text = day.read_text(encoding="utf-8")
    day.write_text(edited(text, "[channel.yaw_rate]\n", "[channel.yaw_rate]\nsign = -1\n"), encoding="utf-8")
    for lap in json.loads(run("lap", day, "--json").stdout)["laps"]:
        assert lap["share_kept"]["value"] < 0.0
        assert lap["agreement"] == "cannot be told"
        assert "check the signs of yaw rate" in lap["reason"]
        assert lap["equivalent_preload_Nm"]["value"] is None


def test_one_preload_says_what_would_tell_more(run: Run, day: Path) -> None:
    """One run alone leaves the tyres' stiffness open: the preload is told to some 15 N·m, and why."""
    text = re.sub(r"\n\[\[run\]\]\nfile = \"lap-2(.|\n)*", "\n", day.read_text(encoding="utf-8"))
    day.write_text(text, encoding="utf-8")
    said = " ".join(run("lap", day).stdout.split())
    assert re.search(r"told to ± \d\d\.\d N·m, no closer: the largest doubt is tyre.slip_stiffness", said)
    assert "a run with another preload on the same day would tell more" in said


def test_torque_with_the_other_sign_is_named(refused: Refused, day: Path) -> None:
    """What drives the car slows it down: the torque is blamed, and not the yaw rate."""
    text = day.read_text(encoding="utf-8")
    turned = edited(text, "[channel.input_torque]\n", "[channel.input_torque]\nsign = -1\n")
    day.write_text(turned, encoding="utf-8")
    said = " ".join(refused("lap", day))
    assert "input_torque says drive where the car slows down" in said
    assert "sign = -1 under [channel.input_torque]" in said
    assert "yaw" not in said


@pytest.mark.parametrize("word", ["rig", "bench"])
@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('column = "Yaw rate [deg/s]"', 'column = "Yaw"'),
        ('column = "Yaw rate [deg/s]"', 'column = "Ground speed [km/h]"'),
        ('column = "Yaw rate [deg/s]"', 'column = "Yaw rate [deg/s]"\nunit = "rpm"'),
        ('rolling_radius = "305 mm"', ""),
        ('column = "Time [s]"', 'column = "Lap time"'),
    ],
)
def test_messages_speak_of_the_log_sheet(refused: Refused, day: Path, old: str, new: str, word: str) -> None:
    """The readers are those of a bench: of a log, nothing is said of a rig or a bench."""
    text = day.read_text(encoding="utf-8")
    assert old in text
    day.write_text(edited(text, old, new), encoding="utf-8")
    (said,) = [" ".join(refused("lap", day)).replace(str(day.parent), "")]
    assert not re.search(rf"\b{word}\b", said)
    assert "log sheet" in said


def test_where_the_bench_did_not_measure_is_told(run: Run, day: Path, demo) -> None:
    """The demo's map ends below 120 °C and the oil has 150: in the answer, and in the findings with both."""
    axis = json.loads((demo.folder / "map.json").read_text(encoding="utf-8"))["axes"]["temperature_degC"]
    assert axis[-1] < 120.0
    text = edited(day.read_text(encoding="utf-8"), '"60 degC"', '"150 degC"')
    day.write_text(text, encoding="utf-8")
    result = run("lap", day)
    assert "beyond the map in temperature of the plates" in " ".join(result.stdout.split())
    for lap in json.loads(run("lap", day, "--json").stdout)["laps"]:
        (found,) = [text for text in lap["findings"] if "temperature of the plates" in text]
        assert f"the map from {axis[0]:.4g} to {axis[-1]:.4g}: 100 % of their time is beyond it" in found


def test_a_radius_is_slower_not_faster_by_a_negative_number(run: Run, day: Path) -> None:
    said = " ".join(run("lap", day).stdout.split())
    assert re.search(r"the right wheel reads 0\.29\d \(0\.\d+ to 0\.\d+\) % slower than the left one", said)
    assert not re.search(r"reads -", said)


def test_the_bench_of_every_run(run: Run, day: Path, demo, repository: Path) -> None:
    """``--bench`` is as a result in the sheet."""
    sheet = repository / "fixtures" / "track-log" / "log.toml"
    laps = [
        json.loads(run("lap", *words, "--json").stdout)["laps"]
        for words in ((day,), (sheet, "--bench", demo.folder))
    ]
    assert laps[0] == laps[1]


def test_runs_of_one_unit_read_its_result_once(day: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A day of ten runs works out the maps of other preloads once, not ten times."""
    log_files = importlib.import_module("diffbench.answers.log_files")
    read, asked = log_files.bench_of, []

    def counted(folder: Path, run: Any) -> object:
        asked.append(folder)
        return read(folder, run)

    monkeypatch.setattr(log_files, "bench_of", counted)
    text = day.read_text(encoding="utf-8")
    assert len(log_files.read_day(day).runs) == len(asked) == 2, "with another shim it is read again"
    asked.clear()
    day.write_text(re.sub(r"preload = .*\n", "", text), encoding="utf-8")
    (_, _, one), (_, _, other) = log_files.read_day(day).runs
    assert one is other
    assert len(asked) == 1


CHANNELS = {
    "lap": '[channel.lap]\ncolumn = "Lap"\n',
    "beacon": '[channel.beacon]\ncolumn = "Beacon"\n',
    "distance": '[channel.distance]\ncolumn = "Distance [m]"\n',
    "position": '[channel.latitude]\ncolumn = "Lat [deg]"\n[channel.longitude]\ncolumn = "Lon [deg]"\n',
    "stated": "",
}


@pytest.mark.parametrize(
    ("by", "first"), [("lap", 7), ("beacon", 0), ("distance", 0), ("position", 1), ("stated", 1)]
)
def test_laps_are_told_apart(
    run: Run, day: Path, as_it_is: list[dict[str, Any]], demo, tmp_path: Path, by: str, first: int
) -> None:
    """Both laps in one log, by every way to tell them: each lap's share is that of the lap alone, with its
    doubt, and the page draws both beside the bench."""
    tables = [
        [line.split(",") for line in (day.parent / f"lap-{k}.csv").read_text(encoding="utf-8").splitlines()]
        for k in (1, 2)
    ]
    shift = float(tables[0][-1][0]) + 0.04
    rows = [[*tables[0][0], "Lap", "Beacon", "Distance [m]", "Lat [deg]", "Lon [deg]"]]
    for k, table in enumerate(tables):
        for j, row in enumerate(table[1:]):
            turn = 2.0 * math.pi * j / (len(table) - 1)
            place = (math.degrees(200.0 * part(turn) / 6.371e6) for part in (math.sin, math.cos))
            counted = (str(7 + k), str(int(k == 1 and j < 3)), f"{1.2 * j:.2f}")
            rows.append(
                [f"{float(row[0]) + k * shift:.3f}", *row[1:], *counted, *(f"{x:.8f}" for x in place)]
            )
    (day.parent / "both.csv").write_text("\n".join(map(",".join, rows)) + "\n", encoding="utf-8")
    head = day.read_text(encoding="utf-8").partition("[[run]]")[0] + CHANNELS[by]
    tail = f'laps = ["0 s", "{shift} s"]\n' if by == "stated" else ""
    tail = f'[[run]]\nfile = "both.csv"\ntemperature = "60 degC"\nresult = "{demo.folder.as_posix()}"\n{tail}'
    day.write_text(head + tail, encoding="utf-8")
    out = tmp_path / "pages"
    result = run("lap", day, "--out", out, "--to", "html", "--to", "json")
    assert (result.exit_code, result.stderr) == (0, "")
    assert "Laps of both" in result.stdout
    (found,) = json.loads((out / "lap.json").read_text(encoding="utf-8"))["laps"]
    assert [lap["lap"] for lap in found["by_lap"]] == [first, first + 1]
    assert [corner["lap"] for corner in found["corners"]] == [first] * 8 + [first + 1] * 8
    for lap, single in zip(found["by_lap"], as_it_is, strict=True):
        for name in ("share_kept", "mean_speed_difference_rad_s"):
            # zeros of both laps together are nearly those of each
            assert lap[name]["value"] == pytest.approx(single[name]["value"], abs=0.01)
            assert lap[name]["high"] - lap[name]["low"] == pytest.approx(
                single[name]["high"] - single[name]["low"], rel=0.25
            )
        assert lap["predicted"]["low"] < lap["predicted"]["value"] < lap["predicted"]["high"]
    page = (out / "lap.html").read_text(encoding="utf-8")
    assert "Bench and car, lap by lap" in page


def test_a_day_is_filed_beside_the_bench(run: Run, refused: Refused, day: Path, demo, tmp_path: Path) -> None:
    """In the unit's history: listed under the bench's, shown byte for byte, kept through export and import.
    It moves no state, and may be withdrawn with a reason."""
    store, other, exported = (tmp_path / name for name in ("h.sqlite", "other.sqlite", "h.jsonl"))
    assert run("history", "add", demo.folder, "--store", store).exit_code == 0
    before = json.loads(run("history", "list", "--store", store, "--json").stdout)
    out = tmp_path / "lap"
    filed = run("lap", day, "--file", "--store", store, "--out", out, "--to", "json")
    assert (filed.exit_code, filed.stderr) == (0, "")
    assert "Filed as record 2: unit Q17, 2026-05-02" in filed.stdout
    assert "Already there as record 2" in run("lap", day, "--file", "--store", store).stdout
    listed = json.loads(run("history", "list", "--store", store, "--json").stdout)
    assert (listed["records"], listed["states"]) == (before["records"], before["states"])
    assert [(lap["number"], lap["kind"], lap["facts"]["unit"]) for lap in listed["laps"]] == [
        (2, "lap", "Q17")
    ]
    shown = run("history", "show", "2", "--document", "--store", store).stdout
    assert shown == (out / "lap.json").read_text(encoding="utf-8")
    assert json.loads(shown)["unit"] == "Q17"
    text = " ".join(run("history", "list", "--store", store).stdout.split())
    assert "On the track" in text
    assert re.search(r"2 2026-05-02 lap-1 54\.\d \(52\.\d to 5[67]\.\d\) 47 \(36 to 59\)", text)
    assert run("history", "verify", "--store", store).exit_code == 0
    assert run("history", "export", exported, "--store", store).exit_code == 0
    assert run("history", "import", exported, "--store", other).exit_code == 0
    assert json.loads(run("history", "list", "--store", other, "--json").stdout) == listed
    withdrawn = run("history", "correct", "2", "--withdraw", "--reason", "wet", "--store", store)
    assert withdrawn.exit_code == 0
    assert "withdrawn" in run("history", "list", "--store", store).stdout
    day.write_text(edited(day.read_text(encoding="utf-8"), "date = 2026-05-02\n", ""), encoding="utf-8")
    assert "nothing says the date" in " ".join(refused("lap", day, "--file", "--store", store))
    day.write_text(re.sub(r"result = .*\n", "", day.read_text(encoding="utf-8")), encoding="utf-8")
    assert "nothing says the unit" in " ".join(refused("lap", day, "--file", "--store", store))


def test_the_published_schema_is_that_of_every_answer(run: Run, day: Path, repository: Path) -> None:
    """With a bench, without one, and without wheel speeds; a key more, less or of another kind is refused."""
    validator = jsonschema.Draft202012Validator(json.loads(run("schema", "lap").stdout))
    course = day.with_name("course.toml")
    text = re.sub(r"\[channel\.(left|right)_speed\]\n(.+\n)+", "", day.read_text(encoding="utf-8"))
    course.write_text(text, encoding="utf-8")
    for sheet in (day, course, repository / "fixtures" / "track-log" / "log.toml"):
        found = json.loads(run("lap", sheet, "--json").stdout)
        assert [error.message for error in validator.iter_errors(found)] == []
    assert not validator.is_valid({**found, "format": "diffbench-lap/2"})
    assert not validator.is_valid({key: value for key, value in found.items() if key != "laps"})
    first, *others = found["laps"]
    assert not validator.is_valid({**found, "laps": [{**first, "kept": 0.5}, *others]})
    assert not validator.is_valid({**found, "laps": [{**first, "share_kept": 0.5}, *others]})
    assert not validator.is_valid({**found, "laps": [{**first, "agreement": "perhaps"}, *others]})


def test_without_torque_it_cannot_be_told(run: Run, day: Path) -> None:
    text = day.read_text(encoding="utf-8")
    text = re.sub(r"\[channel.input_torque\]\ncolumn = .*\n", "", text)
    day.write_text(text, encoding="utf-8")
    (first, _) = json.loads(run("lap", day, "--json").stdout)["laps"]
    assert first["agreement"] == "cannot be told"
    assert first["reason"] == "nothing says the torque at the case"
    # stated for the run, it can
    day.write_text(
        edited(text, "temperature =", 'engine_braking = "90 N.m"\ntemperature ='), encoding="utf-8"
    )
    (first, _) = json.loads(run("lap", day, "--json").stdout)["laps"]
    assert first["agreement"] != "no bench"
    assert first["predicted"]["value"] is not None


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('rolling_radius = "305 mm"', "", "km/h"),
        ("[channel.yaw_rate]", "[channel.yaw_rat]", "'yaw_rat' is no known channel of a log"),
        ('column = "Yaw rate [deg/s]"', 'column = "Yaw"', "there is no column 'Yaw'"),
        ('car = "car.toml"', 'car = "cars.toml"', "the file does not exist"),
        ("diffbench-log/1", "diffbench-car/1", "this is a car, a log sheet is wanted"),
        ('file = "lap-1.csv"', 'file = "lap-9.csv"', "lap-9.csv"),
        ('temperature = "60 degC"', "", "nothing says the temperature"),
        ('"60 degC"', '"900 degC"', "check the unit"),
        (
            'rolling_radius = "305 mm"',
            "",
            'rolling_radius = "305 mm", or whatever it is, under [channel.left',
        ),
        ("[channel.speed]", "[channel.speed]\nsign = -1", "sign = -1 under [channel.speed]"),
        ("[channel.left_speed]", "[channel.left_speed]\nsign = -1", "under [channel.left_speed]"),
        (
            'radius = "305 mm"      #',
            'radius = "305 cm"      #',
            "with the car's rolling_radius is 0.1 times",
        ),
        ("[channel.yaw_rate]", "[channel.yaw_rate]\ngain = 57.3", "yaw_rate goes from -18.92 to 17.21 rad/s"),
        ("[channel.yaw_rate]", "[channel.yaw_rate]\ngain = 0.02", "the largest is 0.1"),
    ],
)
def test_what_is_refused(refused: Refused, day: Path, old: str, new: str, said: str) -> None:
    text = day.read_text(encoding="utf-8")
    assert old in text
    day.write_text(edited(text, old, new), encoding="utf-8")
    assert said in " ".join(refused("lap", day))


def test_other_ways_to_know_the_path(run: Run, day: Path) -> None:
    """Lateral acceleration, and steering, made of the same laps: the same share to two points."""
    lines = (day.parent / "lap-1.csv").read_text(encoding="utf-8").splitlines()
    rows = [[float(cell) for cell in line.split(",")] for line in lines[1:]]
    heads = f"{lines[0]},Ay [g],Steering [deg]"
    made = []
    for row in rows:
        yaw, speed = row[4] / 57.29577951308232, row[3] / 3.6
        wheel = 15.0 * yaw * (2.38 + 0.01 * speed**2 / 9.80665) / speed * 57.29577951308232
        made.append(",".join(f"{value:.5f}" for value in (*row, yaw * speed / 9.80665, wheel)))
    (day.parent / "lap-1.csv").write_text("\n".join([heads, *made]) + "\n", encoding="utf-8")
    text = re.sub(r"\n\[\[run\]\]\nfile = \"lap-2(.|\n)*", "\n", day.read_text(encoding="utf-8"))
    shares = []
    for channel, head, extra in (
        ("yaw_rate", "Yaw rate [deg/s]", ""),
        ("lateral_acceleration", "Ay [g]", ""),
        (
            "steering",
            "Steering [deg]",
            "steering_ratio = 15\nundersteer_gradient = { value = 0.01, u = 0.002 }\n",
        ),
    ):
        changed = edited(edited(text, "[channel.yaw_rate]", f"[channel.{channel}]"), "Yaw rate [deg/s]", head)
        day.write_text(edited(changed, 'car = "car.toml"\n', f'car = "car.toml"\n{extra}'), encoding="utf-8")
        result = run("lap", day, "--json")
        assert result.exit_code == 0, result.stderr
        shares.append(json.loads(result.stdout)["laps"][0]["share_kept"]["value"])
    assert shares[1:] == pytest.approx([shares[0]] * 2, abs=0.02)


def test_the_wanted_preload(run: Run, demo, repository: Path, tmp_path: Path) -> None:
    """Today's unit, the wanted one and that with the shim beside each other, chance, page and picture; what
    is out of reach, and options that do not go."""
    car = repository / "fixtures" / "corner-entry" / "car.toml"
    out, picture = tmp_path / "wanted", tmp_path / "wanted.png"
    base = ("corner", demo.folder, "--car", car, "--target")
    rings = ("--rings", "30/57 deg", "--rings", "1 deg/57 deg")
    result = run(*base, "kept 58 %", *rings, "--out", out, "--picture", picture)
    assert (result.exit_code, result.stderr) == (0, "")
    said = " ".join(result.stdout.split())
    assert said.index("rings as built") < said.index("rings 30/57 deg")
    assert "rings 1/57 deg: a drive ramp of 1 deg does not work" in said
    for wrong in ((*base, "kept 58 %", "--rings", "30 deg"), (*base[:-1], "--rings", "30/57 deg")):
        assert run(*wrong).exit_code == 2
    assert said.index("unit as built") < said.index(" wanted ") < said.index(" shim 0.")
    assert "chance to land within the workshop's limits" in said
    assert (out / "wanted-preload.html").read_text(encoding="utf-8").lower().startswith("<!doctype html>")
    assert picture.read_bytes().startswith(b"\x89PNG")
    found = json.loads(run(*base, "kept 58 %", *rings, "--json").stdout)
    assert [each["feasible"] for each in found["rings"]] == [True, False]
    assert found["rings"][0]["preload"]["value"] == pytest.approx(found["preload"]["value"])
    # somebody shims by it: to a newton metre, though its doubt is of tens
    shown = re.search(r" wanted +([\d.]+) \(([\d.]+) to ([\d.]+)\) ", said)
    assert shown is not None
    for text, name in zip(shown.groups(), ("value", "low", "high"), strict=True):
        assert float(text) == pytest.approx(found["preload"][name], abs=0.51)
    assert found["targets"][0]["at_wanted"]["value"] == pytest.approx(0.58, rel=1e-3)
    (met,), taken = found["targets"], found["shim"]["advised"]
    assert taken["shim_m"] >= 0.0
    # more preload keeps less; a shim in stock misses the wanted preload, and scatters besides
    more = taken["preload_torque_Nm"] > found["preload"]["value"]
    assert (met["with_shim"]["value"] < met["at_wanted"]["value"]) == more
    assert met["with_shim"]["low"] < met["with_shim"]["value"] < met["with_shim"]["high"]
    assert met["today"]["low"] < met["today"]["value"] < met["today"]["high"]
    refused = run(*base, "kept 99 %")
    assert refused.exit_code == 2
    assert "the nearest is" in refused.stderr
    assert run(*base, "kept 58 %", "--preload", "40").exit_code == 2


def hashed(content: dict[str, Any]) -> str:
    """The hash that a document bears."""
    kept = {key: part for key, part in content.items() if key != "sha256"}
    text = json.dumps(kept, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def test_a_day_with_two_units_files_a_document_for_each(run: Run, demo, day: Path, tmp_path: Path) -> None:
    """Each under its own serial, with its own run alone; what the runs told together stands in both."""
    other, store = tmp_path / "other", tmp_path / "two.sqlite"
    shutil.copytree(demo.folder, other)
    (other / "result-manifest.json").unlink()
    digest = None
    for name in ("characterisation.json", "map.json"):
        content = json.loads((other / name).read_text(encoding="utf-8"))
        content["unit"] = "Q18"
        for build in content.get("builds", ()):
            build["unit"] = "Q18"
        if digest is not None:
            content["characterisation_sha256"] = digest
        digest = content["sha256"] = hashed(content)
        (other / name).write_text(json.dumps(content), encoding="utf-8")
    before, _, after = day.read_text(encoding="utf-8").rpartition(demo.folder.as_posix())
    day.write_text(before + other.as_posix() + after, encoding="utf-8")
    filed = run("lap", day, "--file", "--store", store)
    assert (filed.exit_code, filed.stderr) == (0, "")
    for number, (unit, name) in enumerate((("Q17", "lap-1"), ("Q18", "lap-2")), start=1):
        assert f"Filed as record {number}: unit {unit}, 2026-05-02" in filed.stdout
        shown = json.loads(run("history", "show", number, "--document", "--store", store).stdout)
        assert (shown["unit"], [lap["name"] for lap in shown["laps"]]) == (unit, [name])
        assert shown["stiffness_ratio"]["value"] is not None
    assert run("history", "verify", "--store", store).exit_code == 0


def test_a_result_of_before_is_still_of_one_fit(run: Run, demo, repository: Path, tmp_path: Path) -> None:
    """A version that knew fewer keys wrote it: map and characterisation know each other by the hash that the
    file bears, not by that of what a newer version makes of it."""
    result, unit = (
        json.loads((demo.folder / name).read_text(encoding="utf-8"))
        for name in ("characterisation.json", "map.json")
    )
    del result["diagnostics"]["unseen"]
    result["sha256"] = unit["characterisation_sha256"] = hashed(result)
    unit["sha256"] = hashed(unit)
    for name, content in (("characterisation.json", result), ("map.json", unit)):
        (tmp_path / name).write_text(json.dumps(content), encoding="utf-8")
    car = repository / "fixtures" / "corner-entry" / "car.toml"
    asked = run("corner", tmp_path, "--car", car, "--preload", "60 N.m", "--json")
    assert (asked.exit_code, asked.stderr) == (0, "")


def slid(day: Path, starts: list[float]) -> None:
    """The left wheel of the first lap locks for 0.3 s in entries that begin at these times."""
    path = day.parent / "lap-1.csv"
    head, *rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    at = head.index("Wheel RL [km/h]")
    for row in rows:
        if any(start + 0.2 < float(row[0]) < start + 0.5 for start in starts):
            row[at] = f"{0.3 * float(row[at]):.3f}"
    path.write_text("\n".join(map(",".join, [head, *rows])) + "\n", encoding="utf-8")


def test_entries_with_a_wheel_that_locks_are_left_out(
    run: Run, refused: Refused, day: Path, as_it_is: list[dict[str, Any]]
) -> None:
    """The number is that of the others, and the finding says when; where all lock there is none."""
    told = as_it_is[0]
    starts = [corner["start_s"] for corner in told["corners"]]
    slid(day, starts[1:3])
    lap = json.loads(run("lap", day, "--json").stdout)["laps"][0]
    assert [corner["start_s"] for corner in lap["corners"]] == [starts[0], *starts[3:]]
    for left, before in zip(lap["corners"], [told["corners"][0], *told["corners"][3:]], strict=True):
        assert left["share_kept"]["value"] == pytest.approx(before["share_kept"]["value"], abs=0.01)
    (found,) = [text for text in lap["findings"] if "locks or spins" in text]
    assert found.startswith(f"a wheel locks or spins in 2 entries (at {starts[1]:.1f} s, {starts[2]:.1f} s)")
    slid(day, starts)
    assert "a wheel locks or spins in all 8 corner entries" in " ".join(refused("lap", day))


def test_steering_with_an_offset_and_without_its_doubt(run: Run, refused: Refused, day: Path) -> None:
    """A steering wheel 4 degrees off centre gives the path all the same, and says so; without the doubt of
    the understeer gradient, which decides the number, there is none."""
    for k in (1, 2):
        path = day.parent / f"lap-{k}.csv"
        head, *rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
        speed, yaw = head.index("Ground speed [km/h]"), head.index("Yaw rate [deg/s]")
        for row in rows:
            v = float(row[speed]) / 3.6
            angle = math.atan(math.radians(float(row[yaw])) * (2.38 + 0.01 * v**2 / 9.80665) / max(v, 1.0))
            row[yaw] = f"{15.0 * math.degrees(angle) + 4.0:.2f}"
        head[yaw] = "Steering [deg]"
        path.write_text("\n".join(map(",".join, [head, *rows])) + "\n", encoding="utf-8")
    text = re.sub(
        r"\[channel\.yaw_rate\]\n(.+\n)+",
        '[channel.steering]\ncolumn = "Steering [deg]"\n',
        edited(
            day.read_text(encoding="utf-8"), 'car = "car.toml"\n', 'car = "car.toml"\nsteering_ratio = 15\n'
        ),
    )
    day.write_text(text, encoding="utf-8")
    assert "whose doubt decides the number" in " ".join(refused("lap", day))
    stated = "steering_ratio = 15\nundersteer_gradient = { value = 0.01, u = 0.002 }\n"
    day.write_text(edited(text, "steering_ratio = 15\n", stated), encoding="utf-8")
    for lap in json.loads(run("lap", day, "--json").stdout)["laps"]:
        assert any(
            re.match(r"steering stands at [34]\.\d° most of the time", each) for each in lap["findings"]
        )
        assert 0.4 < lap["share_kept"]["value"] < 0.9
        assert len(lap["corners"]) == 8


def test_a_course_without_wheel_speeds_is_predicted(
    run: Run, refused: Refused, day: Path, as_it_is: list[dict[str, Any]]
) -> None:
    """The same laps as a time course of speed, path, torque and brake: the prediction alone, as beside the
    log but for what zeroing the gyroscope moves; without a result there is nothing to say."""
    told = as_it_is[0]
    text = day.read_text(encoding="utf-8")
    text = re.sub(r"\[channel\.(left|right)_speed\]\n(.+\n)+", "", text)
    day.write_text(text, encoding="utf-8")
    course = json.loads(run("lap", day, "--json").stdout)["laps"][0]
    assert course["agreement"] == "no log"
    assert course["share_kept"]["value"] is None
    assert course["predicted"]["value"] == pytest.approx(told["predicted"]["value"], abs=0.05)
    assert len(course["corners"]) == 8
    assert "NO LOG" in run("lap", day).stdout
    day.write_text(re.sub(r"result = .*\n", "", text), encoding="utf-8")
    assert "without wheel speeds and without a result" in " ".join(refused("lap", day))


BRAKE = '[channel.brake_torque]\ncolumn = "Brake torque rear [N.m]"\n'
PRESSURES = """[channel.left_brake_pressure]
column = "Brake RL [bar]"

[channel.right_brake_pressure]
column = "Brake RR [psi]"
"""


def by_pressures(day: Path, ratio: float) -> None:
    """The brakes' torque logged as pressures, 14 N·m a bar, gauges off by 0.3 bar, the left one's higher."""
    for k in (1, 2):
        path = day.parent / f"lap-{k}.csv"
        head, *rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
        at = head.index("Brake torque rear [N.m]")
        for row in rows:
            bar = float(row[at]) / 14.0
            row[at : at + 1] = [f"{bar * (1.0 + ratio) + 0.3:.4f}", f"{14.5037738 * bar * (1.0 - ratio):.3f}"]
        head[at : at + 1] = ["Brake RL [bar]", "Brake RR [psi]"]
        path.write_text("\n".join(map(",".join, [head, *rows])) + "\n", encoding="utf-8")
    text = day.read_text(encoding="utf-8")
    assert BRAKE in text
    stated = 'brake_torque_per_pressure = { value = "14 N.m/bar", u = "3 N.m/bar" }\n'
    day.write_text(edited(edited(text, BRAKE, PRESSURES), "date =", f"{stated}date ="), encoding="utf-8")


@pytest.mark.parametrize(("ratio", "found"), [(0.1, "the left brake has 20 % more pressure"), (0.0, None)])
def test_brake_pressures(
    run: Run, day: Path, as_it_is: list[dict[str, Any]], ratio: float, found: str | None
) -> None:
    """Torque by pressure is as torque, its doubt counts, and brakes that differ are told. 1 bar = 14.503 77
    psi (NIST SP 811, B.8; from memory)."""
    by_pressures(day, ratio)
    after = json.loads(run("lap", day, "--json").stdout)["laps"]
    for old, new in zip(as_it_is, after, strict=True):
        assert new["predicted"]["value"] == pytest.approx(old["predicted"]["value"], abs=2e-3)
        assert new["sources"]["torque of the brakes"] > 0.0
        assert "torque of the brakes" not in old["sources"]
        apart = [text for text in new["findings"] if "more pressure" in text]
        assert len(apart) == (found is not None)
        if found is not None:
            assert apart[0].startswith(found)
            assert "left turns look like less locking" in apart[0]


def test_brakes_that_nothing_tells(run: Run, refused: Refused, day: Path) -> None:
    """Without a torque they count as released, which is said with what it moves; a pressure that stands alone
    is refused."""
    text = day.read_text(encoding="utf-8")
    day.write_text(edited(text, BRAKE, ""), encoding="utf-8")
    for lap in json.loads(run("lap", day, "--json").stdout)["laps"]:
        (found,) = [each for each in lap["findings"] if "torque of the brakes" in each]
        assert "count as released" in found
        assert re.search(r"would move the bench's share by [+-]\d+\.\d points", found)
    day.write_text(edited(text, BRAKE, PRESSURES.partition("\n\n")[0]), encoding="utf-8")
    assert "'right_brake_pressure' is missing" in " ".join(refused("lap", day))
    stated = 'brake_torque_per_pressure = "14 N.m/bar"\ndate ='
    day.write_text(edited(text, "date =", stated), encoding="utf-8")
    assert "has no pressure to go by" in " ".join(refused("lap", day))


def test_doubts_of_what_loads_the_unit_count(run: Run, day: Path, as_it_is: list[dict[str, Any]]) -> None:
    """Torque at the case and oil temperature with a doubt: both are sources, and widen the prediction."""
    text = edited(day.read_text(encoding="utf-8"), '"60 degC"', '{ value = "60 degC", u = "8 K" }')
    torque = "[channel.input_torque]\n"
    day.write_text(edited(text, torque, f"{torque}u_gain = 0.2\n"), encoding="utf-8")
    for old, new in zip(as_it_is, json.loads(run("lap", day, "--json").stdout)["laps"], strict=True):
        for name in ("torque at the case", "temperature of the oil"):
            assert name not in old["sources"]
            assert new["sources"][name] > 1e-4
        widths = [lap["predicted"]["high"] - lap["predicted"]["low"] for lap in (old, new)]
        assert widths[1] > widths[0]
    # by the command itself, of oil that is as much cooler or hotter
    told, ends = json.loads(run("lap", day, "--json").stdout)["laps"], []
    for heat in (52, 68):
        other = day.with_name(f"log-{heat}.toml")
        stated = edited(
            day.read_text(encoding="utf-8"), 'value = "60 degC", u = "8 K"', f'value = "{heat} degC"'
        )
        other.write_text(stated, encoding="utf-8")
        ends.append(json.loads(run("lap", other, "--json").stdout)["laps"])
    for new, cold, hot in zip(told, *ends, strict=True):
        half = abs(hot["predicted"]["value"] - cold["predicted"]["value"]) / 2.0
        assert new["sources"]["temperature of the oil"] == pytest.approx(half, rel=1e-3)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('slip_stiffness = { value = "62 kN", u =', 'slip_stiffness = { value = "62 kN", u = "35 kN" } #'),
        ('mass = { value = "1120 kg", u =', 'mass = { value = "1120 kg", u = "900 kg" } #'),
        ("weight_share = 0.56", "weight_share = { value = 0.9, u = 0.1 } #"),
    ],
)
def test_a_doubt_within_which_there_is_no_such_car(refused: Refused, day: Path, old: str, new: str) -> None:
    """Both limits are computed with: the fault is that of u, with its place."""
    car = day.parent / "car.toml"
    car.write_text(edited(car.read_text(encoding="utf-8"), old, new), encoding="utf-8")
    said = " ".join(refused("lap", day))
    assert "is so large that its 95 % limit is" in said
    assert f"{old.partition(' ')[0]}.u" in said


def with_brake(day: Path, change: Callable[[float], float]) -> None:
    """The brakes' torque in the logs, changed sample by sample."""
    for path in day.parent.glob("lap-?.csv"):
        head, *rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
        at = head.index("Brake torque rear [N.m]")
        for row in rows:
            row[at] = f"{change(float(row[at])):.3f}"
        path.write_text("\n".join(map(",".join, [head, *rows])) + "\n", encoding="utf-8")


def as_pressure(day: Path, gain: str) -> None:
    """The brakes' torque in the logs, called a pressure."""
    for path in day.parent.glob("lap-?.csv"):
        text = edited(path.read_text(encoding="utf-8"), "Brake torque rear [N.m]", "Brake [bar]")
        path.write_text(text, encoding="utf-8")
    stated = f'brake_torque_per_pressure = "{gain}"\ndate ='
    text = edited(day.read_text(encoding="utf-8"), "date =", stated)
    day.write_text(
        edited(text, BRAKE, '[channel.brake_pressure]\ncolumn = "Brake [bar]"\n'), encoding="utf-8"
    )


@pytest.mark.parametrize("offset", [0.0, 3.0])
def test_a_brake_with_the_other_sign_is_refused(refused: Refused, day: Path, offset: float) -> None:
    with_brake(day, lambda torque: offset - torque)
    said = " ".join(refused("lap", day))
    assert "brake_torque goes down where the brakes are on" in said
    assert "sign = -1 under [channel.brake_torque]" in said
    as_pressure(day, "1 N.m/bar")
    assert "sign = -1 under [channel.brake_pressure]" in " ".join(refused("lap", day))


def test_a_brake_that_is_never_released_is_zeroed_on_the_throttle(
    run: Run, day: Path, as_it_is: list[dict[str, Any]]
) -> None:
    """A sensor's offset is no braking: the same share, and the offset is told."""
    with_brake(day, lambda torque: torque + 150.0)
    for old, new in zip(as_it_is, json.loads(run("lap", day, "--json").stdout)["laps"], strict=True):
        assert new["predicted"]["value"] == pytest.approx(old["predicted"]["value"], abs=1e-6)
        assert not [text for text in old["findings"] if "brake_torque stands" in text]
        (found,) = [text for text in new["findings"] if "brake_torque stands" in text]
        assert "150 N·m where the brakes are released" in found


def test_brakes_that_no_car_has_are_refused(refused: Refused, day: Path) -> None:
    """More from one axle than the whole car slows by: m dv/dt, with the mass that the car states."""
    with_brake(day, lambda torque: 25.0 * torque)
    assert "the driven axle's brakes, by brake_torque, slow the car by" in " ".join(refused("lap", day))
    with_brake(day, lambda torque: torque / 25.0)
    as_pressure(day, "14 N.m/bar")
    said = " ".join(refused("lap", day))
    assert "by brake_pressure" in said
    assert "brake_torque_per_pressure" in said


def test_one_wheel_logged_twice_is_refused(refused: Refused, day: Path) -> None:
    """Two columns of one reading are no locked axle."""
    for path in day.parent.glob("lap-?.csv"):
        head, *rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
        left, right = head.index("Wheel RL [km/h]"), head.index("Wheel RR [km/h]")
        for row in rows:
            row[right] = row[left]
        path.write_text("\n".join(map(",".join, [head, *rows])) + "\n", encoding="utf-8")
    assert "the same in every sample: one wheel is logged twice" in " ".join(refused("lap", day))


def halved(day: Path, times: float) -> None:
    """What both wheels have apart in the logs, times a number: more locking, or against the turn."""
    for path in day.parent.glob("lap-?.csv"):
        head, *rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
        left, right = head.index("Wheel RL [km/h]"), head.index("Wheel RR [km/h]")
        for row in rows:
            mean = 0.5 * (float(row[left]) + float(row[right]))
            apart = times * (float(row[right]) - mean)
            row[left], row[right] = f"{mean - apart:.4f}", f"{mean + apart:.4f}"
        path.write_text("\n".join(map(",".join, [head, *rows])) + "\n", encoding="utf-8")


@pytest.mark.parametrize("times", [0.02, 0.4, 0.7, 1.6, -1.0])
def test_verdict_preload_and_stiffness_say_the_same(run: Run, day: Path, times: float) -> None:
    """More locking is said where the preload of the bench is ruled out; a stiffness of nothing is none."""
    halved(day, times)
    found = json.loads(run("lap", day, "--json").stdout)
    low = found["stiffness_ratio"]["low"]
    assert low is None or low > 0.1
    assert times != -1.0 or low is None
    for lap in found["laps"]:
        asked, bench = lap["equivalent_preload_Nm"], lap["bench_preload_Nm"]["value"]
        if lap["agreement"] in {"more locking", "less locking"} and set(asked.values()) != {None}:
            above = asked["low"] is not None and asked["low"] > bench
            assert above or (asked["high"] is not None and asked["high"] < bench)


def test_several_wanted_that_cannot_be_met(run: Run, refused: Refused, demo, repository: Path) -> None:
    """None within reach: each refused as alone; two that no one preload gives: the compromise is told. An end
    of the range that is printed is itself within reach."""
    car = repository / "fixtures" / "corner-entry" / "car.toml"
    base = ("corner", demo.folder, "--car", car, "--target")
    said = " ".join(refused(*base, "kept 98 %", "--target", "kept 99 %"))
    assert said.count("is not within reach") == 2
    ends = re.findall(r"give ([\d.]+) to ([\d.]+) %", said)[0]
    for end in ends:
        assert run(*base, f"kept {end} %").exit_code == 0
    between = run(*base, "kept 57 %", "--target", "kept 58 %")
    assert between.exit_code == 0
    assert "Compromise: no preload within reach meets all targets" in " ".join(between.stdout.split())
    assert "Compromise" not in run(*base, "kept 58 %").stdout


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"60 degC"', '"60 degC"\nlaps = ["2.5 s", "900 s"]', "a lap begins at 900 s, and the log ends at"),
        ('"60 degC"', '"60 degC"\nlaps = ["20 s", "2.5 s"]', "laps do not begin one after the other"),
        ("Time [s]", "Time [min]", "the samples are 2.4 s apart"),
        ("Time [s]", "Time [ms]", "the samples are 4e-05 s apart"),
        ("[channel.time]", "[channel.time]\ngain = 1000", "the clock has neither gain nor sign"),
    ],
)
def test_a_clock_that_no_log_has_is_refused(
    refused: Refused, day: Path, old: str, new: str, said: str
) -> None:
    """Laps beyond the log or out of order, and a wrong unit of time: by their own names."""
    for path in (day, *(day.parent.glob("lap-?.csv") if old == "Time [s]" else ())):
        path.write_text(edited(path.read_text(encoding="utf-8"), old, new), encoding="utf-8")
    found = " ".join(refused("lap", day))
    assert said in found
    assert "yaw" not in found


def test_what_does_not_go_together_is_told(run: Run, day: Path) -> None:
    """Wheels that roll 8 % faster than the car, and a distance that goes on without the length of a lap."""
    text = day.read_text(encoding="utf-8")
    for path in day.parent.glob("lap-?.csv"):
        head, *rows = path.read_text(encoding="utf-8").splitlines()
        rows = [f"{row},{20.0 * float(row.split(',')[0]):.2f}" for row in rows]
        path.write_text("\n".join([f"{head},Way [m]", *rows]) + "\n", encoding="utf-8")
    distance = '[channel.distance]\ncolumn = "Way [m]"\n\n'
    before = json.loads(run("lap", day, "--json").stdout)["laps"]
    assert not [each for each in before[0]["findings"] if "go together" in each or "lap_length" in each]
    day.write_text(edited(text, "[channel.speed]", f"{distance}[channel.speed]"), encoding="utf-8")
    car = day.parent / "car.toml"
    stated = edited(car.read_text(encoding="utf-8"), '"305 mm", u', '"330 mm", u')
    car.write_text(stated, encoding="utf-8")
    for lap in json.loads(run("lap", day, "--json").stdout)["laps"]:
        assert [each for each in lap["findings"] if "lap_length" in each]
        (rolls,) = [each for each in lap["findings"] if "do not go together" in each]
        assert "of 330 mm" in rolls
        assert "as with one of 30" in rolls


@pytest.mark.parametrize(
    ("gain", "said"),
    [
        (1.0, None),
        (1 / 9.3, "less by a factor of 8.3"),
        (1 / 3.7, "less by a factor of 3.3"),
        (1 / 1.3, None),
        (5.0, "more by a factor of 5.6"),
    ],
)
def test_torque_that_is_not_at_the_case_is_found(run: Run, day: Path, gain: float, said: str | None) -> None:
    """The simulated driver's drive is what gains the car's speed, and more to hold it: less by gear and final
    drive at the crank, by the final drive at the gearbox output (ratios: common practice, no source)."""
    head = "[channel.input_torque]"
    text = day.read_text(encoding="utf-8")
    day.write_text(edited(text, head, f"{head}\ngain = {gain!r}"), encoding="utf-8")
    (first, _) = json.loads(run("lap", day, "--json").stdout)["laps"]
    found = [text for text in first["findings"] if "mass x acceleration x rolling radius" in text]
    assert len(found) == (said is not None)
    assert ("hardly that at the case" in first["reason"]) == (said is not None)
    if said is not None:
        assert said in found[0]
        assert ("crank or gearbox output?" in found[0]) == (gain < 1.0)
