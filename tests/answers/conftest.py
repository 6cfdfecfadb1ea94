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

from wear_study import DEMO, Drawer

from diffbench import results
from diffbench.documents import Car, load_build
from diffbench.results import AXES, BRANCHES, Characterisation, LockingMap, MapDocument

REFERENCE = {"temperature_degC": 60.0, "speed_difference_rad_s": 4.0}


def measured(unit: Unit, *, u: dict[str, float] | None = None, known: bool = True) -> Characterisation:
    """A characterisation without error of a simulated unit: its own numbers, named as the fit does.

    ``u`` holds standard uncertainties of unknowns, independent of each other; without ``known`` neither
    spring force nor angles are determined.
    """
    derived = unit.derived(REFERENCE["speed_difference_rad_s"])
    # the simulator's temperature coefficient is of friction at the reference temperature, as the fit's
    unknowns = {
        "preload_torque": derived["preload_torque_Nm"],
        "ramp_bias_drive_loading": derived["ramp_bias_drive_loading"],
        "ramp_bias_coast_loading": derived["ramp_bias_coast_loading"],
        "unloading_ratio_drive": derived["ramp_bias_drive_unloading"] / derived["ramp_bias_drive_loading"],
        "unloading_ratio_coast": derived["ramp_bias_coast_unloading"] / derived["ramp_bias_coast_loading"],
        "gear_friction": unit.gear_friction,
        "viscous": unit.viscous,
        "viscous_exponent": -unit.viscous_temperature_coefficient,
        "static_excess": unit.friction_static / unit.friction_kinetic - 1.0,
        "stribeck_speed": unit.stribeck_speed,
        "temperature_coefficient": unit.friction_temperature_coefficient,
    }
    if unit.law == "greater-of":
        unknowns["joint_fraction"] = unit.joint_fraction
    logarithms = [name == "stribeck_speed" for name in unknowns]
    spread = {
        **dict.fromkeys(unknowns, 0.0),
        **{name: each for name, each in (u or {}).items() if name in unknowns},
    }
    form = results.FormState(
        law="greater-of" if unit.law == "greater-of" else "additive",
        stribeck_exponent=unit.stribeck_exponent,
        weight=1.0,
        names=list(unknowns),
        logarithms=logarithms,
        values=[
            float(np.log(value)) if logarithm else value
            for value, logarithm in zip(unknowns.values(), logarithms, strict=True)
        ],
        covariance=np.diag(np.square(list(spread.values()))).tolist(),
        shares={},
    )
    quantities = {"preload_torque": (unknowns["preload_torque"], "N·m")}
    if known:
        quantities |= {
            "spring_force": (unit.spring_force, "N"),
            "effective_ramp_angle_drive": (unit.drive_angle_deg, "deg"),
            "effective_ramp_angle_coast": (unit.coast_angle_deg, "deg"),
            "ramp_friction_angle_drive": (unit.ramp_friction_angle_deg, "deg"),
            "ramp_friction_angle_coast": (unit.ramp_friction_angle_deg, "deg"),
        }
    # only what a map is made of: the rest of a characterisation plays no part here
    return Characterisation.model_construct(
        findings=[],
        unit=unit.name,
        build=f"{unit.name}-a",
        date="2026-04-14",
        builds=[
            results.BuildFacts.model_construct(
                unit=unit.name,
                build=f"{unit.name}-a",
                faces=unit.faces,
                effective_radius_m=unit.effective_radius,
                pin_radius_m=unit.pin_radius,
                drive_angle_deg=unit.drive_angle_deg,
                coast_angle_deg=unit.coast_angle_deg,
                distance_m=None,
            )
        ],
        reference=REFERENCE,
        law=results.LawVerdict(chosen=form.law, status="measured", information={}, reason=""),
        parameters={
            name: results.Parameter(
                value=value,
                u=(u or {}).get(name, 0.0),
                low=value,
                high=value,
                unit=of,
                status="measured",
                meaning="",
            )
            for name, (value, of) in quantities.items()
        },
        tested=results.Tested(
            outline=[(-300.0, 0.5), (700.0, 0.5), (700.0, 10.0), (-300.0, 10.0)],
            temperature_degC=(50.0, 75.0),
            drive_unloading_Nm=520.0,
            coast_unloading_Nm=220.0,
            drive_ramp_seen=True,
            coast_ramp_seen=True,
        ),
        forms=[form],
        map_axes={},
        provenance=results.Provenance(version="", made="", inputs={}, visits=[]),
    )


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
    phase = {"speed": 20.0, "temperature": 60.0}
    return Car.model_validate(
        {
            "format": "diffbench-car/1",
            "name": "Car",
            "axle": {"track": 1.5, "rolling_radius": 310.0},
            "tyre": {"slip_stiffness": 60e3},
            "phase": (
                {"name": "turn-in", "radius": 100.0, "engine_braking": 120.0, "duration": 1.0, **phase},
                {"name": "apex", "radius": 50.0, "engine_braking": 40.0, "duration": 0.5, **phase},
                {"name": "throttle", "radius": 50.0, "drive_torque": 400.0, "turn": "left", **phase},
            ),
        }
    )


@pytest.fixture(scope="session")
def drawer_of(demo) -> Callable[[int], Drawer]:
    """A drawer by its seed, over the demo as the command fitted it."""
    template = demo.characterisation
    sheet = load_build(DEMO / "unit-q17-rebuilt.toml")
    return lambda seed: Drawer(template, sheet, np.random.default_rng(seed))
