"""The map of a flawless recording, and what is exported from it, against the unit that was simulated."""

from __future__ import annotations

import csv
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchsim.unit import Unit
from numpy.typing import NDArray

from diffbench import load_map

Fitted = Any
Array = NDArray[np.float64]

CLOSE = 1e-3
AXES = ("input_torque_Nm", "speed_difference_rad_s", "temperature_degC")
LEAST_SPEED = 0.25  # rad/s: below, cells are wider than the bend of the friction curve


def true_tables(unit: Unit, axes: list[Array]) -> dict[str, Array]:
    """Locking torque [N·m] over the axes: both branches, and their mean."""
    places = np.meshgrid(*axes, indexing="ij")
    both = {branch: unit.locking_torque(*places, branch) for branch in ("loading", "unloading")}
    return {**both, "mean": (both["loading"] + both["unloading"]) / 2.0}


def axes_of(document: dict[str, Any]) -> list[Array]:
    return [np.array(document["axes"][name]) for name in AXES]


def test_every_tested_node_is_the_truth(fitted: Fitted) -> None:
    """Value, limits and rank, on every branch."""
    document = fitted.map_document
    axes = axes_of(document)
    for axis in axes:
        assert (np.diff(axis) > 0.0).all()
    truth = true_tables(fitted.bench.unit, axes)
    fast = axes[1] >= LEAST_SPEED
    for branch, true in truth.items():
        table = {key: np.array(values) for key, values in document["branches"][branch].items()}
        here = table["tested"] & fast[None, :, None]
        assert here.sum() > 100, branch
        np.testing.assert_allclose(table["locking_torque_Nm"][here], true[here], rtol=CLOSE, err_msg=branch)
        assert (table["low_Nm"][here] <= true[here]).all()
        assert (table["high_Nm"][here] >= true[here]).all()
    assert (document["law"], document["confidence"]) == (fitted.bench.unit.law, 0.95)


def test_the_branch_that_does_not_know_spans_both(fitted: Fitted) -> None:
    branches = {
        name: {key: np.array(values) for key, values in table.items()}
        for name, table in fitted.map_document["branches"].items()
    }
    either, loading, unloading = branches["either"], branches["loading"], branches["unloading"]
    np.testing.assert_allclose(either["locking_torque_Nm"], branches["mean"]["locking_torque_Nm"], rtol=1e-12)
    np.testing.assert_array_equal(either["low_Nm"], np.minimum(loading["low_Nm"], unloading["low_Nm"]))
    np.testing.assert_array_equal(either["high_Nm"], np.maximum(loading["high_Nm"], unloading["high_Nm"]))


def test_only_what_was_run_counts_as_tested(fitted: Fitted) -> None:
    """No node outside the torques and speeds that the stand drove, but for what settings wobble by (1.2 % of
    the torque's span, 3 % of the speed); and none on a flank that was not run."""
    document, bench = fitted.map_document, fitted.bench
    low, high = (end(bench.truth_torques) / 0.9 for end in (min, max))
    torque, speed, _ = axes_of(document)
    for branch, table in document["branches"].items():
        tested = np.array(table["tested"])
        slack = 0.012 * (high - low)
        # nothing is written to seven places: nodes that close about zero torque were there
        below, above = low - slack * (low < 0.0) - 1e-6, high + slack * (high > 0.0) + 1e-6
        outside = (torque < below) | (torque > above)
        assert not tested[outside].any(), branch
        assert not tested[:, speed > 9.0 * 1.03].any(), branch
    # coming down from the peak, thrust stands still until cot(b - phi) T = cot(b + phi) T_max: no node above
    for flank, end in (("drive", high), ("coast", low)):
        if end:
            unit = bench.unit
            turn = end * unit.thrust_per_torque(flank, "loading") / unit.thrust_per_torque(flank, "unloading")
            beyond = (np.abs(torque) > abs(turn) + 0.012 * (high - low)) & (np.sign(torque) == np.sign(end))
            assert not np.array(document["branches"]["unloading"]["tested"])[beyond].any(), flank


def test_a_lookup_between_nodes_is_the_truth(fitted: Fitted) -> None:
    """To the nodes' 0.1 % and the 0.05 % that the map allows itself between them; by sign of the speed no
    difference."""
    found, unit = load_map(fitted.folder / "map.json"), fitted.bench.unit
    document = fitted.map_document
    assert document["interpolation"]["locking_torque"] <= document["interpolation"]["allowed"] == 5e-4
    low, high = (end(fitted.bench.truth_torques) for end in (min, max))
    asked = 0
    for torque in np.linspace(0.9 * low, 0.9 * high, 11):
        for speed, heat in ((0.83, 51.3), (-2.77, 58.9), (6.1, 69.7)):
            for branch in ("loading", "unloading"):
                if found.is_tested(torque, speed, heat, branch=branch):
                    true = float(unit.locking_torque(torque, speed, heat, branch))
                    told = found.locking_torque(torque, speed, heat, branch=branch)
                    assert told == pytest.approx(true, rel=1.6e-3), (torque, speed, heat, branch)
                    asked += 1
    assert asked >= 15


def test_the_table_beside_it_says_the_same(fitted_of: Callable[[str], Fitted]) -> None:
    """``map.csv``, node by node: value, limits and whether it was tested."""
    fitted = fitted_of("additive")
    document = fitted.map_document
    axes = axes_of(document)
    with (fitted.folder / "map.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == np.prod([axis.size for axis in axes])
    for branch, table in document["branches"].items():
        arrays = {key: np.array(values) for key, values in table.items()}
        for row in rows[::7]:
            at = tuple(
                int(np.flatnonzero(axis == float(row[name]))[0])
                for axis, name in zip(axes, AXES, strict=True)
            )
            for key in ("locking_torque_Nm", "low_Nm", "high_Nm"):
                assert float(row[f"{branch}_{key}"]) == pytest.approx(arrays[key][at], rel=1e-12)
            assert row[f"{branch}_tested"] == ("true" if arrays["tested"][at] else "false")


# --- exported ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def export(
    fitted_of: Callable[[str], Fitted], run: Callable[..., int], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], Path]:
    """The map of the additive unit in another format, by the command: the file."""
    source, folder = fitted_of("additive").folder / "map.json", tmp_path_factory.mktemp("exported")

    def exported(to: str) -> Path:
        assert run("export", source, "--to", to, "--out", folder / "unit") == 0
        (found,) = (path for path in folder.glob("unit*") if path.suffix == ENDS[to])
        return found

    return exported


ENDS = {"mat": ".mat", "netcdf": ".nc", "python": ".py", "c-law": ".c"}


def held_against_truth(tables: Any, unit: Unit, axes: list[Array]) -> None:
    """Tested nodes of both branches: ``tables[branch][name]`` over the axes."""
    fast = axes[1] >= LEAST_SPEED
    for branch, true in true_tables(unit, axes).items():
        here = np.asarray(tables[branch]["tested"]).astype(bool) & fast[None, :, None]
        assert here.sum() > 100
        np.testing.assert_allclose(
            np.asarray(tables[branch]["locking_torque_Nm"])[here], true[here], rtol=CLOSE
        )
        assert (np.asarray(tables[branch]["low_Nm"])[here] <= true[here]).all()
        assert (np.asarray(tables[branch]["high_Nm"])[here] >= true[here]).all()


def test_the_mat_file_is_the_truth(export: Callable[[str], Path], fitted_of: Callable[[str], Fitted]) -> None:
    """As scipy reads it."""
    from scipy.io import loadmat

    held = loadmat(export("mat"), simplify_cells=True)["locking_map"]
    held_against_truth(held, fitted_of("additive").bench.unit, [held[name] for name in AXES])


def test_the_netcdf_file_is_the_truth(
    export: Callable[[str], Path], fitted_of: Callable[[str], Fitted]
) -> None:
    """As the library of its makers reads it."""
    from netCDF4 import Dataset

    with Dataset(export("netcdf")) as file:
        variables = {name: np.asarray(variable[:]) for name, variable in file.variables.items()}
        dimensions = {name: file.variables[name].dimensions for name in file.variables}
    table = next(name for name in variables if name.startswith("loading") and variables[name].ndim == 3)
    axes = [variables[name] for name in dimensions[table]]
    tables = {
        branch: {
            wanted: next(v for k, v in variables.items() if k.startswith(branch) and k.endswith(ending))
            for wanted, ending in (
                ("tested", "tested"), ("locking_torque_Nm", "locking_torque"),
                ("low_Nm", "low"), ("high_Nm", "high"),
            )
        }
        for branch in ("loading", "unloading", "mean")
    }  # fmt: skip
    held_against_truth(tables, fitted_of("additive").bench.unit, axes)


PLACES = (
    (317.0, 1.7, 55.0),
    (-211.0, -3.3, 63.0),
    (41.0, 0.9, 47.5),
    (-90.0, 7.1, 58.0),
    (403.0, -4.6, 66.0),
)


def test_the_reader_in_python_tells_the_truth(
    export: Callable[[str], Path], fitted_of: Callable[[str], Fitted]
) -> None:
    """In a process that knows nothing but that file."""
    unit, reader = fitted_of("additive").bench.unit, export("python")
    for torque, speed, heat in PLACES:
        words = [sys.executable, "-I", reader, str(torque), str(speed), str(heat), "loading"]
        printed = subprocess.run(words, capture_output=True, encoding="utf-8", check=True).stdout
        true = float(unit.locking_torque(torque, speed, heat, "loading"))
        told = float(printed.split()[0])
        assert told == pytest.approx(true, rel=1.6e-3), printed


def test_the_law_in_c_is_the_truth(
    export: Callable[[str], Path], fitted_of: Callable[[str], Fitted], tmp_path: Path
) -> None:
    """Both branches, both flanks, plates and oil apart: friction by the plates, film by the oil."""
    from benchsim.c_law import Law

    if shutil.which("gcc") is None:
        pytest.skip("needs a C compiler: Debian's packages gcc and libc6-dev")
    unit, source = fitted_of("additive").bench.unit, export("c-law")
    words = ["gcc", "-std=c99", "-O2", "-shared", "-fPIC", "-o", tmp_path / "law.so", source]
    subprocess.run(words, check=True, cwd=source.parent)
    for number, branch in ((1, "loading"), (2, "unloading")):
        law = Law(tmp_path / "law.so", "unit", branch=number)
        for torque, speed, heat in PLACES:
            oil = heat - 13.0
            plates = float(unit.locking_torque(torque, speed, heat, branch))
            film = float(unit.viscous_coefficient(oil) - unit.viscous_coefficient(heat)) * abs(speed)
            told = law.locking(0.0, heat, torque, speed, oil).torque
            assert told == pytest.approx(plates + film, rel=1.6e-3), (branch, torque)
