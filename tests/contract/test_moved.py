"""Flawless recordings told in another way, or of the same unit on another stand: the same truth.

Each changes what a file or a stand looks like and nothing of the unit, so that every parameter stays where
it is, to the contract's tolerance; or moves as it must.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchsim.bench import Bench, write_bench
from benchsim.exact_benches import REFERENCE_SPEED, exact_bench, recordings_of
from benchsim.files import Column, Dialect
from benchsim.protocol import tare
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
