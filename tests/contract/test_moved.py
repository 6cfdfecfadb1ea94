"""Flawless recordings told in another way, or of the same unit on another stand: the same truth.

Each changes what a file or a stand looks like and nothing of the unit, so that every parameter stays where
it is, to the contract's tolerance; or moves as it must. How the law scales is dimensional analysis
(Buckingham 1914): a torque, a speed and a time may each be counted in units of another size.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchsim.bench import Bench, write_bench
from benchsim.exact_benches import REFERENCE_SPEED, exact_bench, recordings_of
from benchsim.files import Column, Dialect
from benchsim.protocol import Trace, speed_sweep, tare
from benchsim.stated import Stated
from numpy.typing import NDArray

from diffbench import Characterisation, fit, load_map
from diffbench.errors import FitError

Array = NDArray[np.float64]
Run = dict[str, Array]
Recordings = dict[str, Run]
Missed = Callable[..., dict[str, Any]]

BASE = exact_bench("additive")


@pytest.fixture(scope="module")
def recordings() -> Recordings:
    """Of the additive bench, as they are."""
    return recordings_of([BASE])[0]


def sheet_of(bench: Bench, recordings: Recordings, folder: Path) -> Path:
    return write_bench(bench, recordings, folder)


def parameters_of(result: Characterisation) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = json.loads(result.to_json())["parameters"]
    return found


def by_command(run: Callable[..., int], sheet: Path) -> dict[str, dict[str, Any]]:
    """Parameters as the whole command leaves them, beside a map that says the same at zero torque."""
    out = sheet.parent / "result"
    assert run("fit", sheet, "--out", out, "--quiet") == 0
    assert {path.name for path in out.iterdir()} >= {
        "characterisation.json",
        "map.json",
        "map.csv",
        "report.html",
    }
    found: dict[str, dict[str, Any]] = json.loads((out / "characterisation.json").read_text("utf-8"))[
        "parameters"
    ]
    heat = BASE.unit.reference_temperature
    told = float(load_map(out / "map.json").locking_torque(0.0, REFERENCE_SPEED, heat, branch="loading"))
    assert told == pytest.approx(
        float(BASE.unit.locking_torque(0.0, REFERENCE_SPEED, heat, "loading")), rel=1e-3
    )
    return found


def truth_of(parameters: dict[str, dict[str, Any]], **exchanged: str) -> dict[str, float]:
    """Of the base unit, each flank under the name that it has now."""
    torques = {}
    for flank in ("drive", "coast"):
        mine = exchanged.get(flank, flank)
        sign = 1.0 if mine == flank else -1.0
        torques[mine] = sign * parameters[f"locking_effect_{flank}"]["at_input_torque_Nm"]
    truth = BASE.unit.quantities(REFERENCE_SPEED, **torques)
    if not exchanged:
        return truth
    return {_exchanged(name): value for name, value in truth.items()}


def _exchanged(name: str) -> str:
    return name.replace("drive", "?").replace("coast", "drive").replace("?", "coast")


def test_other_units_and_another_logger(
    recordings: Recordings, missed: Missed, run: Callable[..., int], tmp_path: Path
) -> None:
    """Feet and pounds, revolutions a minute, Fahrenheit, milliseconds, decimal commas; columns in another
    order."""
    units = {"N.m": ("lbf.ft", 7), "rad/s": ("1/min", 6), "degC": ("degF", 6), "s": ("ms", 4)}
    columns = tuple(Column(c.channel, c.title, *units[c.unit]) for c in reversed(BASE.columns))
    dialect = Dialect(delimiter=";", decimal=",", header="parentheses", newline="\r\n", described=True)
    bench = replace(BASE, columns=columns, dialect=dialect)
    found = by_command(run, sheet_of(bench, recordings, tmp_path))
    assert missed(found, truth_of(found)) == {}


def test_drive_and_coast_exchanged(
    recordings: Recordings, missed: Missed, run: Callable[..., int], tmp_path: Path
) -> None:
    """Everything turns and pulls the other way: each flank has the other's ramps, and nothing else moves."""
    turned = {
        stem: {
            name: -values if name.endswith(("torque", "speed")) else values for name, values in run.items()
        }
        for stem, run in recordings.items()
    }
    unit = BASE.unit
    other = replace(unit, drive_angle_deg=unit.coast_angle_deg, coast_angle_deg=unit.drive_angle_deg)
    sheet = replace(BASE.sheet, drive_angle=BASE.sheet.coast_angle, coast_angle=BASE.sheet.drive_angle)
    bench = replace(BASE, unit=other, sheet=sheet)
    found = by_command(run, sheet_of(bench, turned, tmp_path))
    assert missed(found, truth_of(found, drive="coast", coast="drive")) == {}


def test_gain_zero_sign_and_a_tare_taken_off(missed: Missed, run: Callable[..., int], tmp_path: Path) -> None:
    """Flanges that read 3 % too little, 4.7 N·m off and the wrong way round, as their papers say; bearings
    that drag, as a tare run says."""
    torques = dict(BASE.stand.torques)
    torques["left_torque"] = replace(
        torques["left_torque"],
        gain=Stated.exact(1.03),
        zero=Stated.exact(4.7),
        sign=-1,
        drag=Stated.exact(1.9),
        drag_stated=False,
    )
    torques["right_torque"] = replace(torques["right_torque"], drag=Stated.exact(0.7), drag_stated=False)
    runs = (("tare", tare(duration=20.0, oil=44.0)), *BASE.runs)
    bench = replace(BASE, stand=replace(BASE.stand, torques=torques), runs=runs)
    found = by_command(run, sheet_of(bench, recordings_of([bench])[0], tmp_path))
    assert missed(found, truth_of(found)) == {}


def test_a_recording_cut_in_two(recordings: Recordings, missed: Missed, tmp_path: Path) -> None:
    """After half of the cycles, plates hot, and runs in another order: hysteresis and heat begin anew. How
    warm the plates are then is told by the recording alone, and beforehand as warm as the oil: what hangs on
    plate heat moves by up to 1.4 %, within its interval."""
    (stem, protocol), *others = BASE.runs
    half = recordings[stem]["time"] < protocol.duration / 2.0
    parts = {
        f"{stem}-{i}": {name: values[kept] for name, values in recordings[stem].items()}
        for i, kept in enumerate((half, ~half))
    }
    runs = (others[1], *((name, protocol) for name in parts), others[0])
    bench = replace(BASE, runs=tuple(runs))
    found = parameters_of(fit(sheet_of(bench, {**recordings, **parts}, tmp_path)))
    moved = missed(found, truth_of(found))
    assert moved.keys() <= {"friction_temperature_coefficient", "heat_capacity", "heat_conductance"}
    for name, (value, true) in moved.items():
        assert value == pytest.approx(true, rel=0.02), name
        assert found[name]["low"] <= true <= found[name]["high"], name


@pytest.mark.parametrize("way", ["decimated", "resampled"])
def test_logged_otherwise(way: str, recordings: Recordings, missed: Missed, tmp_path: Path) -> None:
    """Every second row; or straight between rows, at times that jitter by a third of a step."""

    def again(run: Run) -> Run:
        if way == "decimated":
            return {name: values[::2] for name, values in run.items()}
        time = run["time"][1:-1]
        step = float(np.median(np.diff(time)))
        moved = time + step * np.random.default_rng(5).uniform(-0.33, 0.33, time.size)
        return {name: np.interp(moved, run["time"], values) for name, values in run.items()} | {"time": moved}

    changed = {stem: again(run) for stem, run in recordings.items()}
    found = parameters_of(fit(sheet_of(BASE, changed, tmp_path)))
    assert missed(found, truth_of(found)) == {}


def test_the_same_visit_twice(recordings: Recordings, missed: Missed, tmp_path: Path) -> None:
    """A copy is refused: it would feign twice the evidence. A visit that did the same again, to a thousandth
    of a newton metre, gives the same numbers, and little more doubt than one: what the law leaves out is not
    known better by it."""
    rng = np.random.default_rng(6)
    short = {stem: recordings[stem] for stem, _ in BASE.runs[:2]}
    again = {
        stem: {**run, "left_torque": run["left_torque"] + 1e-3 * rng.standard_normal(run["time"].size)}
        for stem, run in short.items()
    }
    bench = replace(BASE, runs=BASE.runs[:2])
    one = sheet_of(bench, short, tmp_path / "one")
    copy = sheet_of(bench, short, tmp_path / "copy")
    with pytest.raises(FitError, match="holds the same recording as"):
        fit([one, copy])
    two = sheet_of(replace(bench, date=bench.date.replace(day=15)), again, tmp_path / "two")
    found, alone = (parameters_of(fit(sheets)) for sheets in ([one, two], [one]))
    assert missed(found, truth_of(found)) == {}
    for name in ("preload_torque", "ramp_bias_drive_loading", "ramp_bias_coast_loading"):
        assert found[name]["u"] <= 1.25 * alone[name]["u"], name


SHORT = replace(BASE, runs=BASE.runs[:2])
STRONGER, SLOWER = 1.7, 1.3


def test_mirrored_stronger_and_slower(recordings: Recordings, missed: Missed, tmp_path: Path) -> None:
    """Left is right; every torque 1.7 times as large; all takes 1.3 times as long at as much less speed.

    Biases, gears, angles and the shape of friction stay. Spring, oil film and plates grow with torque, which
    heats them; by speed and time go the Stribeck speed, the film and the way out of the heat.
    """
    mirror = {"left": "right", "right": "left"}
    factor = {"torque": STRONGER, "speed": 1.0 / SLOWER, "temperature": 1.0}

    def changed(run: Run) -> Run:
        made = {"time": SLOWER * run["time"]}
        for name in run.keys() - made.keys():
            side, what = name.split("_")
            made[f"{mirror.get(side, side)}_{what}"] = factor[what] * run[name]
        return made

    plain, reference = BASE.unit, REFERENCE_SPEED / SLOWER
    unit = replace(
        plain,
        spring_force=STRONGER * plain.spring_force,
        viscous=STRONGER * SLOWER * plain.viscous,
        heat_capacity=STRONGER * plain.heat_capacity,
        heat_conductance=STRONGER / SLOWER * plain.heat_conductance,
        stribeck_speed=plain.stribeck_speed / SLOWER,
    )
    mass = Stated.exact(STRONGER * BASE.sheet.plate_mass.value)
    sheet = replace(BASE.sheet, plate_mass=mass, reference_speed_difference=reference)
    other = {stem: changed(recordings[stem]) for stem, _ in SHORT.runs}
    found = parameters_of(fit(sheet_of(replace(SHORT, unit=unit, sheet=sheet), other, tmp_path)))
    torques = {flank: found[f"locking_effect_{flank}"]["at_input_torque_Nm"] for flank in ("drive", "coast")}
    assert missed(found, unit.quantities(reference, **torques)) == {}


def test_a_stretch_without_torque_at_the_end(missed: Missed, tmp_path: Path) -> None:
    """From coast to nothing in four seconds, then twenty seconds at the last slip."""
    (stem, sweep), slow = SHORT.runs
    torque, slip, end = sweep.input_torque, sweep.speed_difference, sweep.duration
    warm = sweep.oil_temperature.values[-1]
    longer = replace(
        sweep,
        duration=end + 24.0,
        input_torque=Trace((*torque.times, end + 4.0, end + 24.0), (*torque.values, 0.0, 0.0)),
        speed_difference=Trace((*slip.times, end + 24.0), (*slip.values, slip.values[-1])),
        oil_temperature=Trace(
            (*sweep.oil_temperature.times, end + 24.0), (*sweep.oil_temperature.values, warm)
        ),
    )
    bench = replace(BASE, runs=((stem, longer), slow))
    found = parameters_of(fit(sheet_of(bench, recordings_of([bench])[0], tmp_path)))
    assert missed(found, truth_of(found)) == {}


def test_slip_alone_runs_backwards(tmp_path: Path) -> None:
    """Without torque the ramps stand, and of plates whose heat is measured nothing hangs on what was before:
    a film shown backwards is as good. Every number to 5e-4 (measured: 2e-4), its doubt to a tenth."""
    runs = tuple(
        (f"slow-{i}", speed_sweep(amplitude=5.2, period=40.0, cycles=1.0, oil=oil))
        for i, oil in enumerate(((44.0, 53.0), (62.0, 71.0)))
    )
    columns = (*BASE.columns, Column("plate_temperature", "plate temperature", "degC", 7))
    bench = replace(BASE, unit=replace(BASE.unit, heat_conductance=1e5), runs=runs, columns=columns)
    forward = {
        stem: {**run, "plate_temperature": run["oil_temperature"]}
        for stem, run in recordings_of([bench])[0].items()
    }
    backward = {
        stem: {name: values[::-1] for name, values in run.items()} | {"time": run["time"]}
        for stem, run in forward.items()
    }
    first, second = (
        fit(sheet_of(bench, each, tmp_path / name))
        for name, each in (("forward", forward), ("backward", backward))
    )
    truth = bench.unit.quantities(REFERENCE_SPEED)
    known = {name for name, item in first.parameters.items() if item.u}
    assert known >= {"preload_torque", "viscous_coefficient", "stribeck_speed", "friction_slope"}
    for name in known:
        there, back = first.parameters[name], second.parameters[name]
        assert back.value == pytest.approx(there.value, rel=5e-4), name
        assert back.u == pytest.approx(there.u, rel=0.1), name
        for item in (there, back):
            assert item.low is not None
            assert item.high is not None
            assert item.low <= truth[name] <= item.high, name


def test_readings_in_another_order(tmp_path: Path) -> None:
    """What a wrench read is a heap of numbers: the order in which they were written down moves nothing;
    ends that are drawn by chance to a tenth of the standard uncertainty (measured: 0.06)."""
    place = Path(__file__).resolve().parents[2] / "fixtures" / "hand-readings"
    heading, *rows = (place / "readings.csv").read_text("utf-8").splitlines()
    results = []
    for name in ("written", "shuffled"):
        shutil.copytree(place, tmp_path / name)
        (tmp_path / name / "readings.csv").write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
        results.append(parameters_of(fit(tmp_path / name / "run.toml")))
        np.random.default_rng(8).shuffle(rows)
    one, other = results
    assert one.keys() == other.keys()
    assert sum(item["value"] is not None for item in one.values()) >= 12
    for name, item in one.items():
        again, u = other[name], item["u"]
        if item["value"] is None:
            assert again["value"] is None, name
            continue
        assert again["value"] == pytest.approx(item["value"], rel=1e-6), name
        assert again["u"] == pytest.approx(u, rel=1e-6), name
        for key in ("low", "high"):  # some by draws
            assert again[key] == pytest.approx(item[key], abs=0.1 * u), name
