"""A small map by hand, and a characterisation by hand to make maps of."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from diffbench import results
from diffbench.physics.friction import stribeck
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.physics.steady import UnitQuantities
from diffbench.results import AXES, BRANCHES, MapDocument

TORQUE = (-300.0, -100.0, 0.0, 50.0, 400.0)
SPEED = (1.0, 4.0, 12.0)
HEAT = (45.0, 60.0, 80.0, 90.0)

UNKNOWNS: dict[str, float] = {
    "preload_torque": 80.0,
    "ramp_bias_drive_loading": 0.5,
    "ramp_bias_coast_loading": 0.3,
    "unloading_ratio_drive": 1.4,
    "unloading_ratio_coast": 1.3,
    "gear_friction": 0.02,
    "viscous": 0.25,
    "viscous_exponent": 0.03,
    "static_excess": 0.15,
    "stribeck_speed": 0.03,
    "temperature_coefficient": -0.0012,
}


def surface(branch: str) -> np.ndarray:
    """Some torque at every node, each node its own."""
    torque, speed, heat = np.meshgrid(TORQUE, SPEED, HEAT, indexing="ij")
    high = {"loading": 1.0, "unloading": 1.3, "mean": 1.15, "either": 1.15}[branch]
    return np.asarray(high * (80.0 + 0.4 * np.abs(torque)) + 3.0 / speed - 0.1 * heat + 0.001 * torque * heat)


def make_document(**changes: Any) -> dict[str, Any]:
    """A map's document as plain lists."""
    tested = np.ones((len(TORQUE), len(SPEED), len(HEAT)), dtype=bool)
    tested[-1] = False
    branches = {
        branch: {
            "locking_torque_Nm": surface(branch).tolist(),
            "low_Nm": (surface("loading" if branch == "either" else branch) - 4.0).tolist(),
            "high_Nm": (surface("unloading" if branch == "either" else branch) + 5.0).tolist(),
            "tested": tested.tolist(),
        }
        for branch in BRANCHES
    }
    document = {
        "format": "diffbench-map/1",
        "unit": "Q17",
        "build": "Q17-a",
        "law": "additive",
        "confidence": 0.95,
        "axes": dict(zip(AXES, (list(TORQUE), list(SPEED), list(HEAT)), strict=True)),
        "branches": branches,
        "notes": [],
        "provenance": {},
    }
    return {**document, **changes}


@pytest.fixture(scope="session")
def document_of() -> Callable[..., dict[str, Any]]:
    return make_document


@pytest.fixture(scope="session")
def small_document() -> MapDocument:
    return MapDocument.model_validate(make_document())


def make_form(
    law: str = "additive", *, weight: float = 1.0, u: dict[str, float] | None = None, **values: float
) -> results.FormState:
    """A form as fitted, unknowns independent with the standard uncertainties given (others exact)."""
    named = {**UNKNOWNS, **({"joint_fraction": 0.1} if law == "greater-of" else {}), **values}
    logarithms = [name == "stribeck_speed" for name in named]
    spread = {**dict.fromkeys(named, 0.0), **(u or {})}
    return results.FormState(
        law="greater-of" if law == "greater-of" else "additive",
        stribeck_exponent=1.0,
        weight=weight,
        names=list(named),
        logarithms=logarithms,
        values=[
            float(np.log(value)) if logarithm else value
            for value, logarithm in zip(named.values(), logarithms, strict=True)
        ],
        covariance=np.diag(np.square(list(spread.values()))).tolist(),
        shares={},
    )


def make_region(**changes: Any) -> results.Tested:
    """Swept from −300 to 600 N·m at 1.5 to 10 rad/s, oil and plates from 48 to 76 °C."""
    region = {
        "outline": [(-300.0, 1.5), (600.0, 1.5), (600.0, 10.0), (-300.0, 10.0)],
        "temperature_degC": (48.0, 76.0),
        "drive_unloading_Nm": 430.0,
        "coast_unloading_Nm": 230.0,
        "drive_ramp_seen": True,
        "coast_ramp_seen": True,
    }
    return results.Tested(**{**region, **changes})


def make_characterisation(*forms: results.FormState, **changes: Any) -> results.Characterisation:
    """A characterisation that holds what a map is made of."""
    fields: dict[str, Any] = {
        "unit": "Q17",
        "build": "Q17-a",
        "builds": [
            results.BuildFacts(
                unit="Q17",
                build="Q17-a",
                distance_m=None,
                faces=4,
                effective_radius_m=0.046,
                pin_radius_m=0.039,
                drive_angle_deg=42.0,
                coast_angle_deg=57.0,
            )
        ],
        "date": "2026-04-14",
        "reference": {"temperature_degC": 60.0, "speed_difference_rad_s": 4.0},
        "law": results.LawVerdict(
            chosen=(forms or (make_form(),))[0].law, status="measured", information={}, reason=""
        ),
        "parameters": {},
        "correlation": results.Correlation(names=[], matrix=[]),
        "sheet_checks": [],
        "limits": [],
        "tested": make_region(),
        "diagnostics": results.Diagnostics(
            converged=True,
            starts_agree=True,
            at_bound=[],
            residuals_clean=True,
            residual_rms_Nm=0.5,
            cells=100,
            samples=1000,
            samples_used=1000,
            effective_samples=100.0,
            dropped={},
            noise_method="",
            misfit_factor=1.0,
            adequacy=[],
            bench_errors={},
        ),
        "findings": [],
        "assumed_exact": [],
        "next_steps": [],
        "forms": list(forms or (make_form(),)),
        "map_axes": dict.fromkeys(AXES),
        "provenance": results.Provenance(version="0", made="2026-04-14", inputs={}, visits=[]),
    }
    return results.Characterisation(**{**fields, **changes})


@pytest.fixture(scope="session")
def form_of() -> Callable[..., results.FormState]:
    return make_form


@pytest.fixture(scope="session")
def region_of() -> Callable[..., results.Tested]:
    return make_region


@pytest.fixture(scope="session")
def characterised() -> Callable[..., results.Characterisation]:
    return make_characterisation


def by_hand(law: str) -> UnitQuantities:
    """The unit that `make_form` describes, without the result's own way to it."""
    preload = PRELOAD_LAWS[law]
    return UnitQuantities(
        preload_law=preload,
        preload_values=(0.1,) if law == "greater-of" else (),
        preload_torque=UNKNOWNS["preload_torque"],
        drive_bias=UNKNOWNS["ramp_bias_drive_loading"],
        coast_bias=UNKNOWNS["ramp_bias_coast_loading"],
        drive_ratio=UNKNOWNS["unloading_ratio_drive"],
        coast_ratio=UNKNOWNS["unloading_ratio_coast"],
        gear_friction=UNKNOWNS["gear_friction"],
        viscous=UNKNOWNS["viscous"],
        viscous_exponent=UNKNOWNS["viscous_exponent"],
        friction_law=stribeck(1.0),
        friction_values=(UNKNOWNS["static_excess"], UNKNOWNS["stribeck_speed"]),
        temperature_coefficient=UNKNOWNS["temperature_coefficient"],
        effective_radius=0.046,
        reference_temperature=60.0,
        reference_speed_difference=4.0,
    )


@pytest.fixture(scope="session")
def law_by_hand() -> Callable[[str], UnitQuantities]:
    return by_hand
