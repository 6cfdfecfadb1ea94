"""Fit data by hand, and the fits of the committed fixtures, made once for all tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from diffbench.documents import Build, load_build
from diffbench.fitting.data import FitData

Array = NDArray[np.float64]
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def make_data(
    *,
    cells: int,
    noise: float = 1.0,
    count: ArrayLike = 10.0,
    difference: ArrayLike = 100.0,
    run: NDArray[np.int64] | None = None,
    **given: Any,
) -> FitData:
    """Cells of one run (or as ``run`` says), at 4 rad/s, 60 °C and no input torque, unless ``given``
    otherwise."""
    numbers = np.zeros(cells, dtype=np.int64) if run is None else run
    runs = int(numbers.max()) + 1
    fields: dict[str, Any] = {
        "difference": np.broadcast_to(np.asarray(difference, dtype=np.float64), cells).copy(),
        "input_torque": np.zeros(cells),
        "direction": -np.ones(cells),
        "speed_difference": np.full(cells, 4.0),
        "oil": np.full(cells, 60.0),
        "plate": np.full(cells, np.nan),
        "count": np.broadcast_to(np.asarray(count, dtype=np.float64), cells).copy(),
        "width": np.full(cells, 0.1),
        "time": np.arange(cells) * 0.1,
        "run": numbers,
        "visit": np.zeros(cells, dtype=np.int64),
        "stretch": np.zeros(cells, dtype=np.int64),
        "noise": np.full(cells, noise),
        "sources": (),
        "effect_input": np.zeros((0, cells)),
        "effect_difference": np.zeros((0, cells)),
        "noise_share": np.zeros((0, cells)),
        "locking_slope": np.zeros(cells),
        "places": np.zeros((cells, 3)),
        "turn_torque": np.zeros(runs),
        "turn_begins": np.ones(runs, dtype=bool),
        "turn_near": np.searchsorted(numbers, np.arange(runs)),
        "turn_before": numbers.copy(),
        "heat_time": np.tile(np.array([0.0, 0.5]), runs),
        "heat_power": np.zeros(2 * runs),
        "oil_rate": np.zeros(2 * runs),
        "heat_run": np.repeat(np.arange(runs), 2),
        "cell_heat": 2.0 * numbers,
        "friction_state": np.zeros(cells, dtype=np.int64),
        "segment_torque": np.zeros(runs),
        "run_names": tuple(f"run {i}" for i in range(runs)),
        "run_kinds": ("bias-sweep",) * runs,
    }
    return FitData(**{**fields, **given})


@pytest.fixture(scope="session")
def data_of() -> Callable[..., FitData]:
    return make_data


@pytest.fixture(scope="session")
def demo_build() -> Build:
    return load_build(FIXTURES / "demo" / "unit-q17-rebuilt.toml")
