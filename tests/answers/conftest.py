"""Invented units whose truth the simulator knows, as if a bench had measured them; maps by hand; visits drawn
from the fitted demo, as the power study draws them."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchsim.scenario import Q17
from benchsim.unit import Unit

sys.path.insert(0, str(Path(__file__).parents[1] / "recovery"))

from wanted_study import measured, three_phases
from wear_study import DEMO, Drawer

from diffbench.documents import Car, load_build
from diffbench.results import AXES, BRANCHES, Characterisation, LockingMap, MapDocument


@pytest.fixture(scope="session")
def true_unit() -> Unit:
    """The unit as it really is."""
    return Q17


@pytest.fixture(scope="session")
def greater_of_unit() -> Unit:
    """The same with its stack clamped against the cover."""
    return dataclasses.replace(Q17, law="greater-of", joint_fraction=0.0, gear_friction=0.0)


@pytest.fixture(scope="session")
def measure() -> Callable[..., Characterisation]:
    """As if a bench had measured a unit."""
    return measured


def flat(torque: float, low: float | None = None, high: float | None = None) -> LockingMap:
    """A map of one locking torque everywhere, tested between 0.5 and 8 rad/s."""
    axes = ([-300.0, 0.0, 600.0], [0.0, 0.5, 8.0], [40.0, 100.0])

    def table(value: float) -> list[Any]:
        return np.full([len(axis) for axis in axes], value).tolist()

    tested = np.ones([len(axis) for axis in axes], dtype=bool)
    tested[:, 0] = False
    branch = {
        "locking_torque_Nm": table(torque),
        "low_Nm": table(torque if low is None else low),
        "high_Nm": table(torque if high is None else high),
        "tested": tested.tolist(),
    }
    return LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1",
                "unit": "Q17",
                "build": "Q17-a",
                "law": "additive",
                "confidence": 0.95,
                "axes": dict(zip(AXES, axes, strict=True)),
                "branches": dict.fromkeys(BRANCHES, branch),
                "notes": [],
                "provenance": {},
            }
        )
    )


@pytest.fixture(scope="session")
def flat_map() -> Callable[..., LockingMap]:
    """A map of one locking torque, with limits."""
    return flat


@pytest.fixture(scope="session")
def car() -> Car:
    """A car with two phases of entry and one of drive."""
    return three_phases()


@pytest.fixture(scope="session")
def drawer_of(demo) -> Callable[[int], Drawer]:
    """A drawer by its seed, over the demo as the command fitted it."""
    template = demo.characterisation
    sheet = load_build(DEMO / "unit-q17-rebuilt.toml")
    return lambda seed: Drawer(template, sheet, np.random.default_rng(seed))
