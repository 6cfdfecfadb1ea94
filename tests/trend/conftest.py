"""A unit with two builds in a history, invented."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "history"))

from invented_results import BIAS, parameter, result, write

from diffbench.history import History, open_history

#: Kilometres and preload torque [N·m] of each build's records.
FIRST = ((0.0, 84.0), (610.0, 82.1), (1190.0, 79.4), (1800.0, 78.3), (2420.0, 75.2))
SECOND = ((0.0, 82.0), (0.0, 81.6), (590.0, 80.9), (1220.0, 79.0), (1840.0, 76.9), (2390.0, 75.4))


@pytest.fixture
def visit(tmp_path: Path) -> Callable[..., Path]:
    """Make the characterisation of one visit."""

    def made(
        build: str, date: str, kilometres: float | None, preload: float, u: float | None = 1.2, **more: Any
    ) -> Path:
        budget = {"transducer gain": 0.2, "noise": 0.1, **({} if u is None else {"bench repeatability": u})}
        parameters = {
            "preload_torque": parameter(preload, budget, "N·m"),
            "ramp_bias_drive_loading": parameter(
                BIAS["ramp_bias_drive_loading"], {"bench repeatability": 0.005}
            ),
        }
        document = result(
            "Q17",
            build,
            date=date,
            distance_km=kilometres,
            parameters=parameters,
            **{"limits": {"preload_torque": (70.0, 90.0)}, **more},
        )
        return write(tmp_path / f"{build}-{date}-{kilometres}-{preload}.json", document)

    return made


@pytest.fixture
def history(tmp_path: Path) -> History:
    """An empty history."""
    return open_history(str(tmp_path / "history.sqlite"))


@pytest.fixture
def filled(history: History, visit: Callable[..., Path]) -> History:
    """Both builds of the unit."""

    def series(build: str, year: int, values: Sequence[tuple[float, float]]) -> list[Path]:
        return [visit(build, f"{year}-{month:02d}-01", *pair) for month, pair in enumerate(values, start=1)]

    history.add([*series("Q17-a", 2025, FIRST), *series("Q17-b", 2026, SECOND)])
    return history
