"""A greater-of unit on a bench that never opens its contact on one flank, or on both: from simulated
recordings to the map, against the simulator's own truth."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from benchsim.bench import simulate_many, write_bench
from benchsim.protocol import alternating, bias_sweep
from benchsim.scenario import V09, demo_rebuilt, pinion_visit, twin_flange_cell

from diffbench import LockingMap
from diffbench.fitting import fit
from diffbench.results import make_map

Made = Callable[[float, float], LockingMap]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The map of V09 swept between two input torques; its coast opens at some -190 N·m, its drive at 145."""

    def make(coast: float, drive: float) -> LockingMap:
        sweep = bias_sweep(
            alternating([1.5, 4.0, 10.0]),
            coast_torque=coast,
            drive_torque=drive,
            cycle_time=16.0,
            oil=(50.0, 70.0),
        )
        bench = dataclasses.replace(
            demo_rebuilt(),
            seed=77,
            unit=V09,
            sheet=pinion_visit().sheet,
            stand=twin_flange_cell(log_rate=50.0, drag_stated=True),
            runs=(("sweep", sweep),),
        )
        folder = tmp_path_factory.mktemp("closed")
        (recordings,) = simulate_many([bench])
        write_bench(bench, recordings, folder)
        result = fit(folder / "run.toml")
        for flank, opened in (("drive", drive > 145.0), ("coast", coast < -190.0)):
            item = result.parameters[f"ramp_bias_{flank}_loading"]
            # a contact that never opened tells nothing of the ramps behind it
            assert (item.status == "measured") is opened
            assert (item.value is None) is not opened
        return make_map(result)

    return make


def true(torque: float, branch: Any) -> float:
    return float(V09.locking_torque(torque, 4.0, 60.0, branch))


def holds_the_truth(found: LockingMap, torques: list[float]) -> None:
    """Either branch, by the simulator: inside its own interval and the default one."""
    for torque in torques:
        low, high = found.interval(torque, 4.0, 60.0)
        for branch in ("loading", "unloading"):
            read = found.read(torque, 4.0, 60.0, branch)  # type: ignore[arg-type]
            assert read.low <= true(torque, branch) <= read.high, (torque, branch)
            assert low <= true(torque, branch) <= high


def test_one_flank(made: Made) -> None:
    """Coast to -100 N·m: there as tight as drive, 3 % of the torque each way; beyond, not tested, and wide
    enough for the ramp that it has."""
    found = made(-100.0, 500.0)
    for torque in (-15.0, -40.0, -95.0):
        read = found.read(torque, 4.0, 60.0, "loading")
        assert read.tested
        assert read.high - read.low <= 0.07 * read.locking_torque
    holds_the_truth(found, [-15.0, -40.0, -95.0, 100.0, 300.0])
    holds_the_truth(found, [-110.0, -150.0, -200.0, -300.0, -450.0, 700.0, 2000.0, -4000.0])
    beyond = np.array([-110.0, -200.0, -450.0, -4000.0])
    for branch in ("loading", "unloading", "mean", "either"):
        assert not found.is_tested(beyond, 4.0, 60.0, branch).any()  # type: ignore[arg-type]
    assert any("the coast ramps were not seen at work" in note for note in found.document.notes)


def test_both_flanks(made: Made) -> None:
    """Between -60 and 100 N·m the law cannot be told from an additive one with slight ramps: what was
    measured is sure, and beyond either may come."""
    found = made(-60.0, 100.0)
    for torque in (-15.0, -25.0, 30.0, 60.0):
        read = found.read(torque, 4.0, 60.0, "loading")
        assert read.tested
        assert read.high - read.low <= 0.07 * read.locking_torque
    holds_the_truth(found, [-25.0, 60.0, -110.0, -200.0, -450.0, 150.0, 300.0, 500.0, 2000.0])
    assert any("may never have opened" in note for note in found.document.notes)
