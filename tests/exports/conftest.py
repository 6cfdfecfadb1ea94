"""A map without any symmetry, whose axes differ in length, and means to compile what is exported from it."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diffbench.physics.steady import steady_locking_torque
from diffbench.results import AXES, BRANCHES, FittedLaw, LockingMap, MapDocument

STRICT = [
    *("-std=c99", "-O2", "-Werror", "-pedantic", "-ffp-contract=off"),
    *("-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Wcast-qual", "-Wdouble-promotion"),
    *("-Wstrict-prototypes", "-Wmissing-prototypes"),
]
SANITIZED = ["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]


#: Two laws that differ in all: how preload and ramps meet, the Stribeck exponent, and every number.
LAWS: dict[str, dict[str, float]] = {
    "additive": {
        "preload_torque": 81.7,
        "ramp_bias_drive_loading": 0.512,
        "ramp_bias_coast_loading": 0.293,
        "unloading_ratio_drive": 1.326,
        "unloading_ratio_coast": 1.366,
        "gear_friction": 0.021,
        "viscous_coefficient": 0.203,
        "viscous_temperature_coefficient": 0.0396,
        "friction_temperature_coefficient": -0.00123,
        "static_excess": 0.157,
        "stribeck_speed": 0.0219,
        "heat_capacity": 890.0,
        "heat_conductance": 72.0,
    },
    "greater-of": {
        "preload_torque": 143.0,
        "ramp_bias_drive_loading": 0.61,
        "ramp_bias_coast_loading": 0.41,
        "unloading_ratio_drive": 1.21,
        "unloading_ratio_coast": 1.47,
        "gear_friction": 0.013,
        "viscous_coefficient": 0.11,
        "viscous_temperature_coefficient": 0.031,
        "friction_temperature_coefficient": 0.0009,
        "joint_fraction": 0.17,
        "static_excess": 0.23,
        "stribeck_speed": 0.034,
        "heat_capacity": 1210.0,
        "heat_conductance": 55.0,
    },
}


def law_document(law: str) -> dict[str, Any]:
    """A law as a map's document has it, with a covariance of uncertainties of one to fourteen per cent."""
    values = list(LAWS[law].values())
    u = 0.01 * (1.0 + np.arange(len(values))) * np.abs(values)
    mixed = np.random.default_rng(8).normal(size=(len(values), 2 * len(values)))
    correlation = np.corrcoef(mixed)
    return {
        "preload_law": law,
        "friction_law": "stribeck-1" if law == "additive" else "stribeck-2",
        "names": list(LAWS[law]),
        "units": ["1"] * len(values),
        "values": values,
        "covariance": (correlation * np.outer(u, u)).tolist(),
        "effective_radius_m": 0.0463 if law == "additive" else 0.0521,
        "reference_temperature_degC": 60.0,
        "reference_speed_difference_rad_s": 4.0,
        "weight": 1.0,
    }


def make_lawful(law: str) -> LockingMap:
    """A map of a law at its nodes, limits parting by four per cent below and six above."""
    axes = (
        np.array([-400.0, -150.0, 0.0, 100.0, 220.0, 500.0]),
        np.array([0.0, 0.5, 1.5, 4.0, 20.0]),
        np.array([20.0, 60.0, 130.0]),
    )
    document = law_document(law)
    unit = FittedLaw.model_validate(document).unit_quantities()
    place = np.meshgrid(*axes, indexing="ij")
    tables = {b: steady_locking_torque(unit, *place, b) for b in ("loading", "unloading", "mean")}
    branches = {
        name: {
            "locking_torque_Nm": value.tolist(),
            "low_Nm": (0.96 * value).tolist(),
            "high_Nm": (1.06 * value).tolist(),
            "tested": (place[0] < 300.0).tolist(),
        }
        for name, value in tables.items()
    }
    return LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1",
                "unit": "Q17 µ",
                "build": "Q17-a */ \"b\" \\ <c> & 'd'",
                "law": law,
                "confidence": 0.95,
                "axes": {name: axis.tolist() for name, axis in zip(AXES, axes, strict=True)},
                "branches": branches,
                "notes": ["steady state, N·m at °C"],
                "provenance": {},
                "fitted_law": document,
            }
        )
    )


@pytest.fixture(scope="session", params=sorted(LAWS))
def lawful(request: pytest.FixtureRequest) -> LockingMap:
    return make_lawful(request.param)


@pytest.fixture(scope="session")
def additive() -> LockingMap:
    return make_lawful("additive")


def make_awkward(seed: int = 5) -> LockingMap:
    """Torque of 5, speed of 3, temperature of 4 nodes; numbers with all their digits, flags at random."""
    rng = np.random.default_rng(seed)
    axes = (
        np.array([-310.25, -100.1, 0.0, 47.3, 402.7]),
        np.array([0.31, 1.0 / 3.0 + 4.0, 12.7]),
        np.array([40.1, 59.9, 77.7, 93.3]),
    )
    shape = tuple(axis.size for axis in axes)
    branches = {}
    for branch in BRANCHES:
        value = rng.uniform(60.0, 400.0, shape)
        branches[branch] = {
            "locking_torque_Nm": value.tolist(),
            "low_Nm": (value * rng.uniform(0.9, 0.99, shape)).tolist(),
            "high_Nm": (value * rng.uniform(1.01, 1.1, shape)).tolist(),
            "tested": (rng.uniform(size=shape) < 0.85).tolist(),
        }
    return LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1",
                "unit": "Q17 µ",
                "build": "Q17-a */ \"b\" \\ <c> & 'd'",
                "law": "additive",
                "confidence": 0.95,
                "axes": {name: axis.tolist() for name, axis in zip(AXES, axes, strict=True)},
                "branches": branches,
                "notes": ["steady state, N·m at °C", "a second note"],
                "provenance": {"version": "0", "inputs": {"süß.csv": "ab12"}, "made": None},
            }
        )
    )


@pytest.fixture(scope="session")
def awkward() -> LockingMap:
    return make_awkward()


@pytest.fixture(scope="session")
def perturbed(additive: LockingMap) -> LockingMap:
    """One node of one table a little higher."""
    content = additive.document.model_dump(mode="json")
    content["branches"]["loading"]["locking_torque_Nm"][1][2][2] += 1e-9
    return LockingMap(MapDocument.model_validate(content))


@pytest.fixture(scope="session")
def measured(additive: LockingMap) -> LockingMap:
    """Values and limits moved up by 3 %; the law beside them is 2.9 % below."""
    content = additive.document.model_dump(mode="json")
    for branch in content["branches"].values():
        branch["by_the_law_Nm"] = branch["locking_torque_Nm"]
        for table in ("locking_torque_Nm", "low_Nm", "high_Nm"):
            branch[table] = (1.03 * np.array(branch[table])).tolist()
    content["shows"] = "as measured"
    return LockingMap(MapDocument.model_validate(content))


@pytest.fixture(scope="session")
def ruled(awkward: LockingMap) -> LockingMap:
    """With a rule beyond the axes of its own, not the one that its tables would give."""
    content = awkward.document.model_dump(mode="json")
    content["beyond"] = {
        "half_width_share_of_change": 0.12,
        "half_width_per_Nm": {branch: [0.03 + 0.01 * i, 0.2 - 0.04 * i] for i, branch in enumerate(BRANCHES)},
        "half_width_share_per_rad_s": [0.31, 0.017],
        "half_width_share_per_K": [0.004, 0.0055],
    }
    return LockingMap(MapDocument.model_validate(content))


@pytest.fixture(scope="session")
def places() -> np.ndarray:
    """Places within the axes, on nodes, on edges and beyond, signed speeds included: (n, 3)."""
    held = make_awkward()
    rng = np.random.default_rng(6)
    inside = np.stack([rng.uniform(axis[0], axis[-1], 300) for axis in held.axes], axis=-1)
    wide = np.stack([rng.uniform(-900, 900, 100), rng.uniform(-20, 20, 100), rng.uniform(0, 150, 100)], -1)
    nodes = np.stack([part.ravel() for part in np.meshgrid(*held.axes, indexing="ij")], axis=-1)
    edges = nodes.copy()
    edges[:, 1] = rng.uniform(0.31, 12.7, len(edges))
    return np.concatenate([inside, wide, nodes, edges])


@pytest.fixture(scope="session")
def compiled() -> Callable[..., Path]:
    """Compile C strictly: ``compiled(folder, output, files, *options)``; any warning fails."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        if os.environ.get("CI") == "true":
            pytest.fail("no C compiler: .ci/run installs Debian's packages gcc and libc6-dev")
        pytest.skip("needs a C compiler: Debian's packages gcc and libc6-dev")

    def compile_it(folder: Path, output: str, files: list[str], *options: str) -> Path:
        ran = subprocess.run(
            [compiler, *STRICT, *options, "-o", output, *files],
            cwd=folder,
            capture_output=True,
            encoding="utf-8",
            check=False,
        )
        assert ran.returncode == 0, ran.stderr
        return folder / output

    return compile_it
