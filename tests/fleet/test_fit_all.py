"""The command on real recordings: the same results as one by one, a broken one aside, and a second call."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from diffbench.fleet.job import fitted

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from recordings import Unit, write_visit


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short sweep, and one of which the logger lost a column."""
    folder = tmp_path_factory.mktemp("visits")
    for i in range(2):
        unit = Unit(cycle=15.0)
        write_visit(folder, rows=1600, rate=20.0, seed=i, name=f"u{i}", law="additive", unit=unit, plain=True)
    lines = (folder / "u1.csv").read_text(encoding="utf-8").splitlines()
    (folder / "u1.csv").write_text("\n".join(line.rpartition(",")[0] for line in lines).replace("Oil", "?"))
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
    assert "Oil [°C]" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert sorted(path.name for path in (out / "u1").iterdir()) == ["faults.txt"]
    expected = fitted(str(visits / "u0.toml"), page=False).files
    assert sorted(path.name for path in (out / "u0").iterdir()) == sorted(expected)
    made = (out / "u0" / "characterisation.json").read_bytes()
    assert without_date(made) == without_date(expected["characterisation.json"])
    assert (out / "u0" / "map.csv").read_bytes() == expected["map.csv"]
    assert rows[0]["preload_torque"] == pytest.approx(81.0, abs=4.0 * rows[0]["preload_torque_u"])
    before = {path: path.stat().st_mtime_ns for path in out.rglob("characterisation.json")}
    again = subprocess.run(call, capture_output=True, encoding="utf-8", check=False)
    assert [row["status"] for row in json.loads(again.stdout)] == ["fitted", "faults"]
    assert {path: path.stat().st_mtime_ns for path in before} == before
    listed = subprocess.run(
        [program, "history", "list", "--store", store, "--json"],
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    assert len(json.loads(listed.stdout)["records"]) == 1
    table = (out / "overview.csv").read_text(encoding="utf-8").splitlines()
    assert len(table) == 3
    assert table[0].startswith(
        "run_sheet,folder,status,unit,build,date,limits,preload_torque,preload_torque_u"
    )


def test_a_folder_without_run_sheets_is_told(program: Path, tmp_path: Path) -> None:
    """One line with what to name, exit status 2, nothing made."""
    (tmp_path / "empty").mkdir()
    ran = subprocess.run(
        [program, "fit-all", tmp_path / "empty", "--out", tmp_path / "out"],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert ran.returncode == 2
    assert "no run sheet" in ran.stderr
    assert not (tmp_path / "out").exists()
