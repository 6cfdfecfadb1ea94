"""Faults of a bench, planted by the simulator at the size that matters, and what a fit makes of each.

Run by hand: ``python tests/recovery/faults.py`` plants each fault on the demo's cell and on the pinion
stand, ``--hour`` a zero that drifts by 3 N·m within a sweep of an hour, ``--benches 20`` each fault on so
many random benches that slip both ways round. Printed is whether the fault is found and named, and where the
fitted preload lies: `off` is its distance from the truth, `u` its standard uncertainty. No bench states a
repeatability here, since that would hide in its width what a fault does.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count, islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "fixtures"))
# linear algebra on one thread, as the command line has it: read when numpy's libraries load
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from benchsim.bench import Bench, simulate_many, write_bench  # the path above comes first
from benchsim.protocol import alternating, bias_sweep, tare
from benchsim.random_benches import random_bench
from benchsim.scenario import demo_rebuilt, pinion_visit
from benchsim.sensors import TorqueFlange

import diffbench  # same
from diffbench.errors import DiffbenchError  # same

Recordings = dict[str, dict[str, NDArray[np.float64]]]
Change = Callable[[TorqueFlange, float], TorqueFlange]


def _gain(flange: TorqueFlange, largest: float) -> TorqueFlange:
    del largest
    return replace(flange, gain=replace(flange.gain, true=1.01 * flange.gain.true))


def _lag(flange: TorqueFlange, largest: float) -> TorqueFlange:
    del largest
    return replace(flange, lag=replace(flange.lag, true=flange.lag.true + 0.02))


def _drift(flange: TorqueFlange, largest: float) -> TorqueFlange:
    del largest
    return replace(flange, drift=flange.drift + 3.0)


def _zero(flange: TorqueFlange, largest: float) -> TorqueFlange:
    del largest
    return replace(flange, zero=replace(flange.zero, true=flange.zero.true + 3.0))


def _hysteresis(flange: TorqueFlange, largest: float) -> TorqueFlange:
    return replace(flange, hysteresis=0.005 * largest)


@dataclass(frozen=True)
class Plant:
    """A fault: what it is called here, the finding that should name it, and the flange that has it."""

    words: str
    finding: str
    change: Change
    after_tare: bool = False  # the tare run was taken before it happened


PLANTS = (
    Plant("gain off by 1 %", "gain mismatch", _gain),
    Plant("lag of 20 ms more", "lag mismatch", _lag),
    Plant("zero drifts by 3 N·m", "zero drift", _drift),
    Plant("zero moves by 3 N·m after the tare", "zero mismatch", _zero, after_tare=True),
    Plant("loop of ±0.5 % of the largest torque", "transducer hysteresis", _hysteresis),
)


@dataclass(frozen=True)
class Result:
    """What the fit of one bench gave: findings with their severity, and the preload torque [N·m]."""

    findings: Mapping[str, str]
    value: float | None
    u: float | None
    low: float
    high: float
    truth: float
    pulls: Mapping[str, float]
    at_bound: tuple[str, ...]
    error: str = ""

    @property
    def holds(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return self.low <= self.truth <= self.high


def planted(bench: Bench, plant: Plant, channel: str) -> Bench:
    """The bench with a fault in one flange; its papers do not know."""
    largest = max(max(map(abs, protocol.input_torque.extremes)) for _, protocol in bench.runs)
    torques = {**bench.stand.torques, channel: plant.change(bench.stand.torques[channel], largest)}
    return replace(bench, stand=replace(bench.stand, torques=torques))


def with_faults(clean: Bench, faults: Sequence[tuple[Plant, str]]) -> list[Bench]:
    """The clean bench, and the same with each fault in a flange."""
    clean = replace(clean, repeatability=None)
    return [clean, *(planted(clean, plant, channel) for plant, channel in faults)]


def as_it_happened(
    benches: Sequence[Bench], recorded: Sequence[Recordings], faults: Sequence[tuple[Plant, str]]
) -> Iterator[tuple[Bench, Recordings]]:
    """Benches of `with_faults` with what they recorded: the tare run of the clean one where a fault came
    after it."""
    yield benches[0], recorded[0]
    for bench, recordings, (plant, _) in zip(benches[1:], recorded[1:], faults, strict=True):
        before = {stem: recorded[0][stem] for stem, run in bench.runs if run.kind == "tare"}
        yield bench, {**recordings, **before} if plant.after_tare else recordings


def fitted(bench: Bench, recordings: Recordings) -> Result:
    """Write a bench to files, fit them as a user would, and keep what matters here."""
    truth = bench.unit.derived(bench.sheet.reference_speed_difference)["preload_torque_Nm"]
    with tempfile.TemporaryDirectory() as folder:
        sheet = write_bench(bench, recordings, Path(folder))
        try:
            found = diffbench.fit(sheet)
        except DiffbenchError as error:
            return Result({}, None, None, np.nan, np.nan, truth, {}, (), str(error))
    item = found.parameters["preload_torque"]
    errors = found.diagnostics.bench_errors
    return Result(
        findings={f.name: f.severity for f in found.findings},
        value=item.value,
        u=item.u,
        low=np.nan if item.low is None else item.low,
        high=np.nan if item.high is None else item.high,
        truth=truth,
        pulls={name: error["standard_uncertainties"] for name, error in errors.items()},
        at_bound=tuple(found.diagnostics.at_bound),
    )


def told(words: str, plant: Plant | None, result: Result) -> str:
    """One line on a fit."""
    if result.error or result.value is None or result.u is None:
        return f"{words:40} {result.error or 'preload not determined'}"
    severity = result.findings.get(plant.finding, "NOT FOUND") if plant else "-"
    beside = sorted(set(result.findings) - {plant.finding if plant else "", "short of SAE J3011"})
    off = result.value - result.truth
    held = "holds the truth" if result.holds else "MISSES THE TRUTH"
    pull = max(result.pulls, key=lambda name: abs(result.pulls[name]), default="")
    return (
        f"{words:40} {severity:9} off {off:+7.3f}  u {result.u:6.3f}  {held:16} "
        f"most pulled {pull} by {result.pulls.get(pull, 0.0):+.1f}"
        + (f"; on a bound: {', '.join(result.at_bound)}" if result.at_bound else "")
        + (f"; also {', '.join(beside)}" if beside else "")
    )


def hour() -> Bench:
    """The demo's unit and cell, swept for an hour: a tare run, 120 cycles, a tare run."""
    sweep = bias_sweep(
        alternating([1.5, 4.0, 10.0], rounds=20),
        coast_torque=-300.0,
        drive_torque=700.0,
        cycle_time=30.0,
        oil=(48.0, 76.0),
    )
    runs = (
        ("tare-before", tare(duration=20.0, oil=48.0)),
        ("bias-sweep", sweep),
        ("tare-after", tare(duration=20.0, oil=76.0)),
    )
    return replace(demo_rebuilt(), runs=runs)


def slips_both_ways(bench: Bench) -> bool:
    """Whether its bias sweep does: one direction of slip cannot tell a flange's error from locking torque."""
    (sweep,) = (protocol for _, protocol in bench.runs if protocol.kind == "bias-sweep")
    low, high = sweep.speed_difference.extremes
    return low < 0.0 < high


def look_at(title: str, bench: Bench, plants: Sequence[Plant] = PLANTS) -> list[tuple[Plant | None, Result]]:
    """Fit a bench clean and with each fault on the flange that it measures an output with, and print."""
    print(title, flush=True)
    has_tare = any(protocol.kind == "tare" for _, protocol in bench.runs)
    channel = next(name for name in ("left_torque", "right_torque") if name in bench.stand.torques)
    chosen = [plant for plant in plants if has_tare or not plant.after_tare]
    done: list[tuple[Plant | None, Result]] = []
    faults = [(plant, channel) for plant in chosen]
    benches = with_faults(bench, faults)
    made = as_it_happened(benches, simulate_many(benches), faults)
    for plant, (faulty, recordings) in zip([None, *chosen], made, strict=True):
        result = fitted(faulty, recordings)
        print("  " + told("clean" if plant is None else plant.words, plant, result), flush=True)
        done.append((plant, result))
    return done


def main() -> None:
    """Look at the benches that are asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--hour", action="store_true", help="only the sweep of an hour")
    parser.add_argument("--benches", type=int, default=0, help="only so many random benches")
    parser.add_argument("--first", type=int, default=7000, help="seed of the first of them")
    chosen = parser.parse_args()
    done: list[tuple[Plant | None, Result]] = []
    if chosen.hour:
        done += look_at(
            "an hour on the demo's cell", hour(), [p for p in PLANTS if p.finding == "zero drift"]
        )
    both_ways = (seed for seed in count(chosen.first) if slips_both_ways(random_bench(seed)))
    for seed in islice(both_ways, chosen.benches):
        done += look_at(f"random bench {seed}", random_bench(seed))
    if not chosen.hour and not chosen.benches:
        done += look_at("the demo's cell", demo_rebuilt())
        done += look_at("the pinion stand", pinion_visit())
    for plant in (None, *PLANTS):
        results = [result for one, result in done if one is plant and result.value is not None]
        if results:
            named = sum(plant is not None and plant.finding in result.findings for result in results)
            held = sum(result.holds for result in results)
            words = "clean" if plant is None else plant.words
            print(f"{words}: {len(results)} fits, {named} named, {held} intervals hold the truth")


if __name__ == "__main__":
    main()
