"""The repeated experiment: many random benches, simulated by code that shares nothing with the fit, fitted
and compared with their truth.

Run by hand: ``python tests/recovery/study.py --benches 300 --jobs 2``. It prints how often the intervals hold
the truth, how far the map is off over its tested nodes, and what the naive least-squares interval would have
claimed.

``--draw clean`` draws benches whose papers are so good that the intervals show what conditioning gets wrong
by a few hundredths of a newton metre; with ``--no-scatter`` nothing at all is random there and every paper is
right (what is missed is bias, and its z of little meaning), with ``--no-chain`` the flanges sit on the unit.

``--ranks`` adds the table of ranks of the truth in what is claimed, which tells claims too wide from right
ones (`calibration`). With ``--allowances`` the program's own count, which rigs here state as zero: no bench
errs by them, and all that they add is width.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from itertools import repeat
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "fixtures"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from benchsim.clean_benches import clean_bench  # the path above comes first
from benchsim.random_benches import Bench, random_bench, simulate_many, write_bench
from calibration import score, table  # beside this file

import diffbench  # same
from diffbench.errors import DiffbenchError  # same
from diffbench.results import make_map

ALLOWED = ("fitted_once", "one_way", "cross_talk", "oil_sensor", "hysteresis", "running_in")

QUANTITIES = (
    "preload_torque",
    "ramp_bias_drive_loading",
    "ramp_bias_drive_unloading",
    "ramp_bias_coast_loading",
    "ramp_bias_coast_unloading",
    "friction_coefficient",
    "effective_ramp_angle_drive",
    "effective_ramp_angle_coast",
)
DRAWS = ("random", "clean")
NORMAL_68 = 0.994458  # half-width of the central 68 % of a normal distribution


@dataclass(frozen=True)
class Draw:
    """Which benches are drawn: the kind, and for clean ones whether anything scatters and whether there is a
    chain between flange and unit; whether the program's own allowances count."""

    kind: str = "random"
    scatter: bool = True
    chain: bool = True
    allowances: bool = False

    def bench(self, seed: int) -> Bench:
        """The bench of a seed."""
        if self.kind == "random":
            return random_bench(seed)
        return clean_bench(seed, scatter=self.scatter, chain=self.chain)


RANDOM = Draw()


@dataclass
class Outcome:
    """What one bench gave."""

    seed: int
    error: str | None = None
    law: str = ""
    law_status: str = ""
    true_law: str = ""
    decidable: bool = False
    z: dict[str, float] = field(default_factory=dict)
    score: dict[str, float] = field(default_factory=dict)
    inside_95: dict[str, bool] = field(default_factory=dict)
    naive_inside_95: dict[str, bool] = field(default_factory=dict)
    relative_u: dict[str, float] = field(default_factory=dict)
    budgets: dict[str, dict[str, float]] = field(default_factory=dict)
    not_determined: list[str] = field(default_factory=list)
    node_errors: list[float] = field(default_factory=list)
    node_z: list[float] = field(default_factory=list)
    nodes: int = 0
    misfit: float = 1.0
    seconds: float = 0.0
    findings: list[str] = field(default_factory=list)
    starts_agree: bool = True


def truth_of(bench: Bench) -> dict[str, float]:
    """True values of the quantities at the sheet's reference condition."""
    every = bench.unit.quantities(bench.sheet.reference_speed_difference)
    return {name: every[name] for name in QUANTITIES}


def run_bench(
    bench: Bench, recordings: dict[str, dict[str, np.ndarray]], *, allowances: bool = False
) -> Outcome:
    """Write one bench to files, fit them as a user would, and compare with the truth."""
    begun = time.process_time()
    outcome = Outcome(bench.seed, true_law=bench.unit.law)
    with tempfile.TemporaryDirectory() as folder:
        sheet = write_bench(bench, recordings, Path(folder))
        # these packs are alike, and these benches err by what their rigs state and no more
        if not allowances:
            with (Path(folder) / "rig.toml").open("a", encoding="utf-8") as rig:
                rig.write("\n[allowance]\n" + "".join(f"{name} = 0\n" for name in ALLOWED))
        try:
            result = diffbench.fit(sheet)
            locking_map = make_map(result)
        except DiffbenchError as error:
            outcome.error = str(error)
            outcome.seconds = time.process_time() - begun
            return outcome
    outcome.law, outcome.law_status = result.law.chosen, result.law.status
    outcome.misfit = result.diagnostics.misfit_factor
    outcome.starts_agree = result.diagnostics.starts_agree
    outcome.findings = [finding.name for finding in result.findings]
    for name, true in truth_of(bench).items():
        item = result.parameters.get(name)
        if item is None or item.value is None or item.u is None or item.low is None or item.high is None:
            outcome.not_determined.append(name)
            continue
        outcome.z[name] = (item.value - true) / item.u
        outcome.score[name] = score(true, item.value, item.u, item.low, item.high)
        outcome.inside_95[name] = item.low <= true <= item.high
        outcome.relative_u[name] = item.u / abs(true)
        outcome.budgets[name] = dict(item.budget)
        naive = item.budget.get("noise", 0.0) / np.sqrt(
            max(result.diagnostics.samples_used / result.diagnostics.effective_samples, 1.0)
        )
        outcome.naive_inside_95[name] = abs(item.value - true) <= 1.96 * naive
    torques, speeds, heats = (
        axis.ravel()
        for axis in np.meshgrid(
            bench.truth_torques, bench.truth_speeds, bench.truth_temperatures, indexing="ij"
        )
    )
    for branch in ("loading", "unloading"):
        tested = locking_map.is_tested(torques, speeds, heats, branch=branch)
        place = torques[tested], speeds[tested], heats[tested]
        true = bench.unit.locking_torque(*place, branch)
        found = locking_map.locking_torque(*place, branch=branch)
        low, high = locking_map.interval(*place, branch=branch)
        outcome.node_errors += (found / true - 1.0).tolist()
        outcome.node_z += ((found - true) / ((high - low) / 2 / 1.959964)).tolist()
    outcome.nodes = len(outcome.node_errors)
    if outcome.nodes:  # nodes of one map err together: one of them
        outcome.score["a_node_of_the_map"] = -outcome.node_z[bench.seed % outcome.nodes]
    outcome.seconds = time.process_time() - begun
    return outcome


def run_batch(seeds: list[int], draw: Draw = RANDOM) -> list[Outcome]:
    """Simulate some benches together and fit them one by one."""
    benches = [draw.bench(seed) for seed in seeds]
    return [
        run_bench(bench, recordings, allowances=draw.allowances)
        for bench, recordings in zip(benches, simulate_many(benches), strict=True)
    ]


def study(seeds: Iterable[int], *, jobs: int = 1, batch: int = 10, draw: Draw = RANDOM) -> list[Outcome]:
    """Outcomes of the benches of some seeds, in the order of the seeds."""
    every = list(seeds)
    batches = [every[i : i + batch] for i in range(0, len(every), batch)]
    if jobs == 1:
        return [outcome for one in batches for outcome in run_batch(one, draw)]
    found: list[Outcome] = []
    # one thread of linear algebra each: on as many cores as jobs, more only wait for each other
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # fresh processes, which read that, and since forking one that has threads may hang
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for number, outcomes in enumerate(pool.map(run_batch, batches, repeat(draw)), 1):
            found += outcomes
            print(
                f"\r{min(number * batch, len(every))} of {len(every)} benches",
                end="",
                file=sys.stderr,
                flush=True,
            )
    print(file=sys.stderr)
    return found


def report(outcomes: list[Outcome]) -> dict[str, object]:
    """Coverage by quantity, map error, verdicts on the law."""
    good = [o for o in outcomes if o.error is None]
    quantities: dict[str, object] = {}
    for name in QUANTITIES:
        z = np.array([o.z[name] for o in good if name in o.z])
        if z.size == 0:
            continue
        quantities[name] = {
            "benches": int(z.size),
            "inside_68": round(float(np.mean(np.abs(z) <= NORMAL_68)), 4),
            "inside_95": round(float(np.mean([o.inside_95[name] for o in good if name in o.z])), 4),
            "naive_inside_95": round(
                float(np.mean([o.naive_inside_95[name] for o in good if name in o.z])), 4
            ),
            "mean_z": round(float(z.mean()), 3),
            "mean_error": round(
                float(np.mean([o.z[name] * o.relative_u[name] for o in good if name in o.z])), 6
            ),
            "median_relative_u": round(
                float(np.median([o.relative_u[name] for o in good if name in o.z])), 5
            ),
        }
    node_z = np.concatenate([np.array(o.node_z) for o in good]) if good else np.array([])
    rms = np.array([np.sqrt(np.mean(np.square(o.node_errors))) for o in good if o.nodes])
    verdicts = [(o.law == o.true_law, o.law_status) for o in good]
    return {
        "benches": len(outcomes),
        "errors": [(o.seed, o.error) for o in outcomes if o.error],
        "quantities": quantities,
        "map": {
            "nodes": int(node_z.size),
            "inside_68": round(float(np.mean(np.abs(node_z) <= NORMAL_68)), 4),
            "inside_95": round(float(np.mean(np.abs(node_z) <= 1.959964)), 4),
            "median_rms": round(float(np.median(rms)), 5),
            "p95_rms": round(float(np.percentile(rms, 95)), 5),
            "benches_without_tested_nodes": sum(1 for o in good if not o.nodes),
        },
        "law": {
            "decided_right": sum(1 for right, status in verdicts if right and status == "measured"),
            "decided_wrong": [o.seed for o in good if o.law != o.true_law and o.law_status == "measured"],
            "undecided": sum(1 for _, status in verdicts if status == "undecided"),
            "stated": sum(1 for _, status in verdicts if status == "stated"),
        },
        "starts_disagree": [o.seed for o in good if not o.starts_agree],
        "seconds_per_bench": round(float(np.mean([o.seconds for o in outcomes])), 2),
    }


def ranks(outcomes: list[Outcome]) -> dict[str, list[float]]:
    """Normal scores of the truth in what is claimed, by quantity: one of each bench."""
    names = (*QUANTITIES, "a_node_of_the_map")
    return {name: [o.score[name] for o in outcomes if name in o.score] for name in names}


def main() -> None:
    """Run the study by command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=300)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--details", type=Path, help="file for the outcome of every bench, as JSON")
    parser.add_argument("--draw", choices=DRAWS, default="random", help="which benches")
    parser.add_argument("--scatter", action=argparse.BooleanOptionalAction, default=True)
    parser.add_argument("--chain", action=argparse.BooleanOptionalAction, default=True)
    parser.add_argument("--allowances", action="store_true", help="the program's own count")
    parser.add_argument("--ranks", action="store_true", help="of the truth in what is claimed, as a table")
    arguments = parser.parse_args()
    if arguments.draw == "random" and not (arguments.scatter and arguments.chain):
        parser.error("--no-scatter and --no-chain are for --draw clean")
    outcomes = study(
        range(arguments.first, arguments.first + arguments.benches),
        jobs=arguments.jobs,
        draw=Draw(arguments.draw, arguments.scatter, arguments.chain, arguments.allowances),
    )
    if arguments.details:
        arguments.details.write_text(
            json.dumps([asdict(o) for o in outcomes], default=float), encoding="utf-8"
        )
    print(json.dumps(report(outcomes), indent=1, default=float))
    if arguments.ranks:
        print(table(ranks(outcomes)))


if __name__ == "__main__":
    main()
