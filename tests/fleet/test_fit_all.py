"""The command on real recordings: the same results as one by one, a broken one aside, and a second call."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from diffbench.cli import main
from diffbench.run import fitted


@pytest.fixture(scope="module")
def visits(ten_readings: Callable[[Path], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two visits of ten wrench readings, the second without the column of the oil."""
    folder = tmp_path_factory.mktemp("visits")
    for name in ("u0", "u1"):
        ten_readings(folder / name)
    readings = folder / "u1" / "readings.csv"
    lines = readings.read_text(encoding="utf-8").splitlines()
    readings.write_text("\n".join(line.rpartition(",")[0] for line in lines), encoding="utf-8")
    return folder


def without_date(document: bytes) -> dict[str, Any]:
    """A result less the moment at which it was made, and the hash that holds it too."""
    found: dict[str, Any] = json.loads(document)
    del found["provenance"]["made"], found["sha256"]
    return found


def test_a_folder_fitted_by_two_processes(visits: Path, program: Path, tmp_path: Path) -> None:
    """Results are those of one process, to the last digit; a fault is told; all is in the history, once."""
    out, store = tmp_path / "out", tmp_path / "history.sqlite"
    call = [program, "fit-all", visits, "--out", out, "--jobs", "2", "--file", "--store", store, "--json"]
    ran = subprocess.run(call, capture_output=True, encoding="utf-8", check=False)
    assert ran.returncode == 2, ran.stderr
    rows = json.loads(ran.stdout)
    assert [row["status"] for row in rows] == ["fitted", "faults"]
    assert "oil_degC" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert sorted(path.name for path in (out / "u1" / "run").iterdir()) == ["faults.txt"]
    expected = fitted(str(visits / "u0" / "run.toml"), page=False).files
    assert sorted(path.name for path in (out / "u0" / "run").iterdir()) == sorted(expected)
    made = (out / "u0" / "run" / "characterisation.json").read_bytes()
    assert without_date(made) == without_date(expected["characterisation.json"])
    assert (out / "u0" / "run" / "map.csv").read_bytes() == expected["map.csv"]
    # ten readings tell what they read, and nothing at the reference condition
    told = json.loads(expected["characterisation.json"])["parameters"]["preload_torque_as_read"]
    assert rows[0]["preload_torque_as_read"] == told["value"] == pytest.approx(85.4, abs=2.0)
    assert rows[0]["preload_torque"] is None
    before = {path: path.stat().st_mtime_ns for path in out.rglob("characterisation.json")}
    again = CliRunner().invoke(main, [str(word) for word in call[1:]])
    assert [row["status"] for row in json.loads(again.stdout)] == ["fitted", "faults"]
    assert {path: path.stat().st_mtime_ns for path in before} == before
    listed = CliRunner().invoke(main, ["history", "list", "--store", str(store), "--json"])
    assert len(json.loads(listed.stdout)["records"]) == 1
    table = (out / "overview.csv").read_text(encoding="utf-8").splitlines()
    assert len(table) == 3
    assert table[0].startswith(
        "run_sheet,folder,status,unit,build,date,limits,preload_torque,preload_torque_u"
    )


def test_a_folder_without_run_sheets_is_told(tmp_path: Path) -> None:
    """One line with what to name, exit status 2, nothing made."""
    (tmp_path / "empty").mkdir()
    out = tmp_path / "out"
    ran = CliRunner().invoke(main, ["fit-all", str(tmp_path / "empty"), "--out", str(out)])
    assert ran.exit_code == 2
    assert "no run sheet" in ran.stderr
    assert not out.exists()


def test_a_fault_comes_back_as_text(tmp_path: Path) -> None:
    """One line for each, of a run sheet that is not there."""
    sheet = str(tmp_path / "none.toml")
    found = fitted(sheet, page=False)
    assert (found.sheet, found.files) == (sheet, {})
    (fault,) = found.faults
    assert fault.startswith(f"{sheet}: ")
    assert "Mend: " in fault


@pytest.mark.parametrize("error", [RuntimeError("x"), AssertionError(), RecursionError()], ids=repr)
def test_what_nobody_foresaw_costs_one_run_sheet(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, error: Exception
) -> None:
    """It comes back as the fault of its run sheet, with the file to send."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def break_down(_: object) -> None:
        raise error

    monkeypatch.setattr("diffbench.fitting.fit", break_down)
    (fault,) = fitted("run.toml", page=False).faults
    (report,) = tmp_path.iterdir()
    assert fault.startswith("run.toml: an error that nobody foresaw")
    assert str(report) in fault
