"""Invented units whose truth the simulator knows, as if a bench had measured them; maps by hand; visits drawn
from the fitted demo, as the power study draws them."""

from __future__ import annotations

import dataclasses
import math
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchsim.scenario import Q17
from benchsim.unit import Unit

sys.path.insert(0, str(Path(__file__).parents[1] / "history"))
sys.path.insert(0, str(Path(__file__).parents[1] / "recovery"))

from invented_results import parameter, result
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


def recorded_as(
    preload: float = 80.0,
    drive: float = 0.50,
    coast: float = 0.30,
    *,
    noise: float = 0.002,
    refits: tuple[float, float] | None = (0.015, 0.010),
    force: float | None = 1970.0,
    unknown: tuple[str, ...] = (),
    form: Mapping[str, float] | None = None,
    also: Mapping[str, float] | None = None,
    facts: Mapping[str, Any] | None = None,
    **parts: Any,
) -> Characterisation:
    """An invented result with the one form of the model behind it: preload and loading biases with the same
    relative noise and, where the rig states it, what a refit moves preload and biases by; a stated spring
    force; ``unknown`` quantities are not determined, ``form`` has other unknowns, ``also`` is determined."""
    ratios = {"unloading_ratio_drive": 1.30, "unloading_ratio_coast": 1.20}
    own = {"preload_torque": preload, "ramp_bias_drive_loading": drive, "ramp_bias_coast_loading": coast}
    shares = dict(zip(own, (0.0,) * 3 if refits is None else (refits[0], refits[1], refits[1]), strict=True))
    unknowns = {
        **own, **ratios, "gear_friction": 0.0, "viscous": 0.04, "viscous_exponent": 0.02,
        "static_excess": 0.0, "stribeck_speed": 0.02, "temperature_coefficient": -0.001, **(form or {}),
    }  # fmt: skip
    u = [math.hypot(noise, shares.get(name, 0.0)) * abs(value) for name, value in unknowns.items()]
    columns = np.diag([shares.get(name, 0.0) * value for name, value in unknowns.items()])[:, :3]
    told = {
        name: parameter(
            value,
            {"noise": noise * value, **({"bench repeatability": shares[name] * value} if refits else {})},
            "N·m" if name == "preload_torque" else "1",
        )
        for name, value in own.items()
    }
    for flank, bias in (("drive", drive), ("coast", coast)):
        value = bias * unknowns[f"unloading_ratio_{flank}"]
        told[f"ramp_bias_{flank}_unloading"] = parameter(value, {"noise": noise * value})
    for name, value in {"friction_coefficient": 0.113, **(also or {})}.items():
        told[name] = parameter(value, {"noise": noise * abs(value)})
    if force is not None:
        told["spring_force"] = {**parameter(force, {"press": 30.0}, "N"), "status": "stated"}
    blank = {"value": None, "u": None, "low": None, "high": None}
    record = result("Q17", parts.pop("build", "Q17-a"), parameters={
        name: {**item, **(blank if name in unknown else {})} for name, item in told.items()
    }, **parts)  # fmt: skip
    record["builds"][0].update(facts or {})
    record["forms"] = [
        {
            "law": "additive", "stribeck_exponent": 1.0, "weight": 1.0, "names": list(unknowns),
            "logarithms": [name == "stribeck_speed" for name in unknowns],
            "values": [math.log(v) if name == "stribeck_speed" else v for name, v in unknowns.items()],
            "covariance": np.diag(np.square(u)).tolist(),
            "shares": {} if refits is None else {"bench repeatability": columns.tolist()},
        }
    ]  # fmt: skip
    return Characterisation.model_validate(record)


@pytest.fixture(scope="session")
def recorded() -> Callable[..., Characterisation]:
    """A result by hand that every answer can be asked of."""
    return recorded_as
