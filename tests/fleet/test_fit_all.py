"""The command on real recordings: the same results as one by one, a broken one aside, and a second call."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from diffbench.cli import main
from diffbench.fleet.job import fitted

RUN_SHEET = """format = "diffbench-run/1"
rig = "torque-wrench.toml"
build = "unit-q17.toml"
date = 2026-05-04
[[run]]
file = "{name}.csv"
kind = "turning-torque"
"""


@pytest.fixture(scope="module")
def visits(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten wrench readings, the quickest of all fits, and the same without the column of the oil."""
    folder, source = tmp_path_factory.mktemp("visits"), repository / "fixtures" / "hand-readings"
    for paper in ("torque-wrench.toml", "unit-q17.toml"):
        shutil.copy(source / paper, folder / paper)
    header, *lines = (source / "readings.csv").read_text(encoding="utf-8").splitlines()
    kept = [header, *(line for line in lines if "case free" in line and "running" in line)]
    assert len(kept) == 11
    (folder / "u0.csv").write_text("\n".join(kept), encoding="utf-8")
    (folder / "u1.csv").write_text("\n".join(line.rpartition(",")[0] for line in kept), encoding="utf-8")
    for name in ("u0", "u1"):
        (folder / f"{name}.toml").write_text(RUN_SHEET.format(name=name), encoding="utf-8")
    return folder


def without_date(document: bytes) -> dict[str, Any]:
    """A result less the moment at which it was made."""
    found: dict[str, Any] = json.loads(document)
    del found["provenance"]["made"]
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
    assert sorted(path.name for path in (out / "u1").iterdir()) == ["faults.txt"]
    expected = fitted(str(visits / "u0.toml"), page=False).files
    assert sorted(path.name for path in (out / "u0").iterdir()) == sorted(expected)
    made = (out / "u0" / "characterisation.json").read_bytes()
    assert without_date(made) == without_date(expected["characterisation.json"])
    assert (out / "u0" / "map.csv").read_bytes() == expected["map.csv"]
    # the simulator's truth, as fixtures/hand-readings/truth.toml has it
    assert rows[0]["preload_torque"] == pytest.approx(81.85, abs=4.0 * rows[0]["preload_torque_u"])
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
