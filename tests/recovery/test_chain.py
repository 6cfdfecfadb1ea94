"""The chain between flange and unit, taken off again: benches without any scatter, so that what is missed is
bias.

Expected values are those of the simulator, whose bristles, ramps, plates and lag are states stepped in time.
Rates taken from neighbouring cells smear the corners of the torque's course at zero torque and at its turns
(0.1 to 0.2 N·m of locking torque, always the same way), and so does a cell in which the speed runs through
the hollow of the friction curve: small coast biases were 0.4 to 1.8 % off.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from benchsim.bench import simulate_many, write_bench
from benchsim.clean_benches import clean_bench
from benchsim.dynamics import Response, simulate
from study import truth_of  # the path above comes first

from diffbench import fit
from diffbench.conditioning import ConditionedRun
from diffbench.documents import load_visit
from diffbench.fitting import condition_visit

# lags of 5 to 30 ms, unequal in a pair; a slow case, two forms of bristle, triangles and a sine
SEEDS = (3, 5, 7)
Array = np.ndarray


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Run sheets of the benches."""
    benches = [clean_bench(seed, scatter=False) for seed in SEEDS]
    return [
        write_bench(bench, recordings, tmp_path_factory.mktemp(bench.unit.name))
        for bench, recordings in zip(benches, simulate_many(benches), strict=True)
    ]


def mean_over(run: ConditionedRun, time: Array, values: Array) -> Array:
    """What a true course was over the samples of each cell."""
    total = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(time))])
    low, high = run.cells.time - run.cells.width / 2.0, run.cells.time + run.cells.width / 2.0
    return np.asarray((np.interp(high, time, total) - np.interp(low, time, total)) / (high - low))


def test_cells_hold_what_the_unit_carried(visits: list[Path]) -> None:
    """Locking torque of all four branches by fifths of the flank's torque: within 0.05 N·m on average, a
    tenth of the zero error of a good flange, wherever the corners of its course are."""
    benches = [clean_bench(seed, scatter=False) for seed in SEEDS]
    protocols = [dict(bench.runs)["bias-sweep"] for bench in benches]
    jobs = [(bench.unit, protocol) for bench, protocol in zip(benches, protocols, strict=True)]
    for sheet, protocol, truth in zip(visits, protocols, simulate(jobs), strict=True):
        (visit,), _ = condition_visit(load_visit(sheet), lambda text: None)
        (run,) = (run for run in visit.runs if run.kind == "bias-sweep")
        missed = _missed(run, truth)
        low, high = protocol.input_torque.extremes
        share = np.where(run.input_torque < 0.0, run.input_torque / low, run.input_torque / high)
        loads = run.input_torque * run.input_slope > 0.0
        for flank in (-1.0, 1.0):
            for branch in (True, False):
                for fifth in range(5):
                    here = (np.sign(run.input_torque) == flank) & (loads == branch)
                    here &= (share >= fifth / 5.0) & (share < (fifth + 1) / 5.0)
                    mean = np.average(missed[here], weights=run.cells.count[here])
                    assert abs(mean) < 0.05, (run.name, flank, branch, fifth)


def _missed(run: ConditionedRun, truth: Response) -> Array:
    true = mean_over(run, truth.time, truth.left_torque - truth.right_torque)
    missed = -run.cells.direction * (run.difference - true)
    # the last cell reaches over the simulation's end
    return np.where(run.cells.time + run.cells.width < truth.time[-1], missed, 0.0)


@pytest.mark.parametrize("number", range(len(SEEDS)), ids=[str(seed) for seed in SEEDS])
def test_the_small_coast_bias_is_not_off(number: int, visits: list[Path]) -> None:
    """Within 0.1 %, loading, of a coast bias below 0.2."""
    true = truth_of(clean_bench(SEEDS[number]))["ramp_bias_coast_loading"]
    found = fit(visits[number]).parameters["ramp_bias_coast_loading"].value
    assert true < 0.2
    assert found == pytest.approx(true, rel=1e-3)
