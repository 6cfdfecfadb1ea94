"""The command lap on the invented track log and the demo's result, and what it refuses."""

from __future__ import annotations

import json
import math
import re
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
from click.testing import Result

Run = Callable[..., Result]
Refused = Callable[..., list[str]]


@pytest.fixture
def day(repository: Path, demo, tmp_path: Path) -> Path:
    """The track log, with the demo's result for the unit."""
    folder = tmp_path / "day"
    shutil.copytree(repository / "fixtures" / "track-log", folder)
    sheet = folder / "log.toml"
    result = f'result = "{demo.folder.as_posix()}"'
    text = sheet.read_text(encoding="utf-8")
    text = text.replace('file = "lap-1.csv"', f'file = "lap-1.csv"\n{result}')
    text = text.replace('file = "lap-2.csv"', f'file = "lap-2.csv"\n{result}')
    sheet.write_text(text, encoding="utf-8")
    return sheet


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
    day.write_text(text.replace("[channel.yaw_rate]\n", "[channel.yaw_rate]\nsign = -1\n"), encoding="utf-8")
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
    turned = text.replace("[channel.input_torque]\n", "[channel.input_torque]\nsign = -1\n")
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
    day.write_text(text.replace(old, new), encoding="utf-8")
    (said,) = [" ".join(refused("lap", day)).replace(str(day.parent), "")]
    assert not re.search(rf"\b{word}\b", said)
    assert "log sheet" in said


def test_where_the_bench_did_not_measure_is_told(run: Run, day: Path) -> None:
    """The demo's map ends at 113.5 °C and the oil has 150: in the answer, and in the findings with both."""
    text = day.read_text(encoding="utf-8").replace('"60 degC"', '"150 degC"')
    day.write_text(text, encoding="utf-8")
    result = run("lap", day)
    assert "beyond the map in temperature of the plates" in " ".join(result.stdout.split())
    for lap in json.loads(run("lap", day, "--json").stdout)["laps"]:
        (found,) = [text for text in lap["findings"] if "temperature of the plates" in text]
        assert "the map from 27 to 113.5: 100 % of their time is beyond it" in found


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
def test_laps_are_told_apart(run: Run, day: Path, demo, tmp_path: Path, by: str, first: int) -> None:
    """Both laps in one log, by every way to tell them: each lap's share is that of the lap alone, with its
    doubt, and the page draws both beside the bench."""
    alone = json.loads(run("lap", day, "--json").stdout)["laps"]
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
    for lap, single in zip(found["by_lap"], alone, strict=True):
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
    assert re.search(r"2 2026-05-02 lap-1 55 \(52 to 57\) 47 \(35 to 59\)", text)
    assert run("history", "verify", "--store", store).exit_code == 0
    assert run("history", "export", exported, "--store", store).exit_code == 0
    assert run("history", "import", exported, "--store", other).exit_code == 0
    assert json.loads(run("history", "list", "--store", other, "--json").stdout) == listed
    withdrawn = run("history", "correct", "2", "--withdraw", "--reason", "wet", "--store", store)
    assert withdrawn.exit_code == 0
    assert "withdrawn" in run("history", "list", "--store", store).stdout
    day.write_text(day.read_text(encoding="utf-8").replace("date = 2026-05-02\n", ""), encoding="utf-8")
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
        text.replace("temperature =", 'engine_braking = "90 N.m"\ntemperature ='), encoding="utf-8"
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
            "with the car's rolling_radius is 0.0999 times",
        ),
        ("[channel.yaw_rate]", "[channel.yaw_rate]\ngain = 57.3", "yaw_rate goes from -18.92 to 17.21 rad/s"),
        ("[channel.yaw_rate]", "[channel.yaw_rate]\ngain = 0.02", "the largest is 0.1"),
    ],
)
def test_what_is_refused(refused: Refused, day: Path, old: str, new: str, said: str) -> None:
    text = day.read_text(encoding="utf-8")
    assert old in text
    day.write_text(text.replace(old, new), encoding="utf-8")
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
        ("steering", "Steering [deg]", "steering_ratio = 15\nundersteer_gradient = 0.01\n"),
    ):
        changed = text.replace("[channel.yaw_rate]", f"[channel.{channel}]").replace("Yaw rate [deg/s]", head)
        day.write_text(changed.replace('car = "car.toml"\n', f'car = "car.toml"\n{extra}'), encoding="utf-8")
        result = run("lap", day, "--json")
        assert result.exit_code == 0, result.stderr
        shares.append(json.loads(result.stdout)["laps"][0]["share_kept"]["value"])
    assert shares[1:] == pytest.approx([shares[0]] * 2, abs=0.02)


def test_the_wanted_preload(run: Run, demo, repository: Path, tmp_path: Path) -> None:
    """Target, shim, chance, page and picture; what is out of reach, and options that do not go."""
    car = repository / "fixtures" / "corner-entry" / "car.toml"
    out, picture = tmp_path / "wanted", tmp_path / "wanted.png"
    base = ("corner", demo.folder, "--car", car, "--target")
    result = run(*base, "kept 58 %", "--out", out, "--picture", picture)
    assert (result.exit_code, result.stderr) == (0, "")
    said = " ".join(result.stdout.split())
    assert "Preload torque: " in said
    assert "chance to land within the workshop's limits" in said
    assert (out / "wanted-preload.html").read_text(encoding="utf-8").lower().startswith("<!doctype html>")
    assert picture.read_bytes().startswith(b"\x89PNG")
    found = json.loads(run(*base, "kept 58 %", "--json").stdout)
    # somebody shims by it: to a newton metre, though its doubt is of tens
    shown = re.search(r"Preload torque: ([\d.]+) \(([\d.]+) to ([\d.]+)\) N·m", said)
    assert shown is not None
    for text, name in zip(shown.groups(), ("value", "low", "high"), strict=True):
        assert float(text) == pytest.approx(found["preload"][name], abs=0.51)
    assert found["targets"][0]["at_wanted"]["value"] == pytest.approx(0.58, rel=1e-3)
    assert found["shim"]["advised"]["shim_m"] >= 0.0
    refused = run(*base, "kept 99 %")
    assert refused.exit_code == 2
    assert "the nearest is" in refused.stderr
    assert run(*base, "kept 58 %", "--preload", "40").exit_code == 2


def test_a_course_without_wheel_speeds_is_predicted(run: Run, refused: Refused, day: Path) -> None:
    """The same laps as a time course of speed, path, torque and brake: the prediction alone, as beside the
    log but for what zeroing the gyroscope moves; without a result there is nothing to say."""
    told = json.loads(run("lap", day, "--json").stdout)["laps"][0]
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
    text = car.read_text(encoding="utf-8")
    assert old in text
    car.write_text(text.replace(old, new), encoding="utf-8")
    said = " ".join(refused("lap", day))
    assert "is so large that its 95 % limit is" in said
    assert old.partition(" ")[0] + ".u" in said
