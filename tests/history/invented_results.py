"""Characterisations made by hand, as small as they may be. Invented: they exist only here."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

PRELOAD = 82.0  # N·m
BIAS = {"ramp_bias_drive_loading": 0.51, "ramp_bias_coast_loading": 0.29}
FRICTION = 0.113


def parameter(value: float, budget: Mapping[str, float], unit: str = "1") -> dict[str, Any]:
    """A measured quantity whose standard uncertainty is what its budget adds up to."""
    u = sum(part**2 for part in budget.values()) ** 0.5
    return {
        "value": value,
        "u": u,
        "low": value - 1.96 * u,
        "high": value + 1.96 * u,
        "unit": unit,
        "status": "measured",
        "meaning": "invented",
        "needs": None,
        "budget": dict(budget),
    }


def result(
    unit: str = "U1",
    build: str = "U1-a",
    *,
    date: str = "2026-03-01",
    distance_km: float | None = 0.0,
    parameters: Mapping[str, Any] | None = None,
    limits: Mapping[str, tuple[float, float]] | None = None,
    recording: str = "",
    other_builds: tuple[str, ...] = (),
) -> dict[str, Any]:
    """The document of one visit."""
    if parameters is None:
        parameters = {
            "preload_torque": parameter(PRELOAD, {"bench repeatability": 1.2, "noise": 0.1}, "N·m"),
            **{name: parameter(value, {"bench repeatability": 0.005}) for name, value in BIAS.items()},
            "friction_coefficient": parameter(FRICTION, {"bench repeatability": 0.0017}),
        }
    builds = [
        {
            "unit": unit,
            "build": name,
            "distance_m": None if distance_km is None else 1000.0 * distance_km,
            "faces": 4,
            "effective_radius_m": 0.046,
            "pin_radius_m": 0.039,
            "drive_angle_deg": 42.0,
            "coast_angle_deg": 57.0,
        }
        for name in (build, *other_builds)
    ]
    seed = recording or f"{unit} {build} {date} {distance_km}"
    return {
        "format": "diffbench-characterisation/1",
        "unit": unit,
        "build": build,
        "builds": builds,
        "date": date,
        "reference": {"temperature_degC": 60.0, "speed_difference_rad_s": 4.0},
        "law": {"chosen": "additive", "status": "stated", "information": {}, "reason": "invented"},
        "parameters": dict(parameters),
        "correlation": {"names": [], "matrix": []},
        "sheet_checks": [],
        "limits": [
            {"quantity": name, "low": low, "high": high, "unit": "N·m", "verdict": "within"}
            for name, (low, high) in (limits or {}).items()
        ],
        "tested": {
            "outline": [[0.0, 1.0]],
            "temperature_degC": [50.0, 90.0],
            "drive_unloading_Nm": 400.0,
            "coast_unloading_Nm": -200.0,
            "drive_ramp_seen": True,
            "coast_ramp_seen": True,
        },
        "diagnostics": {
            "converged": True,
            "starts_agree": True,
            "at_bound": [],
            "residuals_clean": True,
            "residual_rms_Nm": 0.6,
            "cells": 100,
            "samples": 1000,
            "samples_used": 1000,
            "effective_samples": 50.0,
            "dropped": {},
            "noise_method": "invented",
            "misfit_factor": 1.0,
            "adequacy": [],
            "bench_errors": {},
        },
        "findings": [],
        "assumed_exact": [],
        "next_steps": [],
        "forms": [],
        "map_axes": {},
        "provenance": {
            "version": "0.1.0",
            "made": "2026-03-02T10:00:00+00:00",
            "inputs": {
                "run.toml": hashlib.sha256(f"paper of {seed}".encode()).hexdigest(),
                "sweep.csv": hashlib.sha256(seed.encode()).hexdigest(),
            },
            "visits": ["run.toml"],
        },
    }


def write(path: Path, document: Mapping[str, Any]) -> Path:
    """The document as a file, as ``fit`` lays it out."""
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    return path
