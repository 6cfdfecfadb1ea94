"""Map and parameters of units that a general multibody library simulated: truth, this fit, and a second fit.

``python tests/contract/oracle.py`` prints the table of the guide. Truth is the closed form of pack, wedge and
spring (`benchsim.unit`); the trajectories are `multibody`'s, with a good flange's noise; the second fit is
`second_fit`'s, by ODRPACK.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "fixtures"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from benchsim.bench import Bench, write_bench  # the paths above come first
from benchsim.exact_benches import REFERENCE_SPEED, exact_bench
from benchsim.files import Column
from benchsim.protocol import Protocol, Trace, alternating, bias_sweep
from benchsim.stated import Stated
from multibody import recorded  # beside this file
from second_fit import Second, SecondFit

from diffbench import Characterisation, fit  # same
from diffbench.results import make_map

Array = NDArray[np.float64]

LAWS = ("additive", "greater-of")
LEAD, NOISE = 2.0, 1.0  # s to begin at rest; N·m of a sample, as a good flange has


@dataclass(frozen=True)
class Oracle:
    """One unit: ``truth`` by name, both fits, and of the map's tested places the errors, half widths of the
    limits and truths [N·m]."""

    truth: dict[str, float]
    first: Characterisation
    second: Second
    nodes: tuple[Array, Array, Array]


def bench_of(law: str) -> Bench:
    """A flawless stand that measures the plates; a film that heat does not move, gears without friction."""
    plain = exact_bench(law)
    unit = replace(plain.unit, viscous_temperature_coefficient=0.0, gear_friction=0.0)
    sheet = replace(plain.sheet, gear_friction=Stated.exact(0.0))
    levels = alternating([1.2, 3.5, 9.0])
    torques = {"coast_torque": -430.0, "drive_torque": 640.0}
    sweep = bias_sweep(levels, **torques, cycle_time=12.0, oil=(45.0, 70.0))
    slip = Trace((0.0, 10.0, 30.0, 40.0), (0.0, 2.2, -2.2, 0.0))
    nothing = Trace.constant(0.0)
    slow = Protocol("speed-sweep", 40.0, nothing, slip, sweep.case_speed, Trace((0.0, 40.0), (48.0, 62.0)))
    columns = (*plain.columns, Column("plate_temperature", "plate temperature", "degC", 7))
    return replace(
        plain, unit=unit, sheet=sheet, columns=columns, runs=(("sweep", from_rest(sweep)), ("slow", slow))
    )


def from_rest(run: Protocol) -> Protocol:
    """The same after a lead from nothing: a shaft that is loaded at once swings."""

    def led(trace: Trace, first: float) -> Trace:
        return Trace((0.0, *(time + LEAD for time in trace.times)), (first, *trace.values))

    return replace(
        run,
        duration=run.duration + LEAD,
        input_torque=led(run.input_torque, 0.0),
        speed_difference=led(run.speed_difference, 0.0),
        oil_temperature=led(run.oil_temperature, run.oil_temperature.values[0]),
    )


def measured(law: str, folder: Path) -> Oracle:
    """The unit simulated, and its recordings fitted twice."""
    bench, rng = bench_of(law), np.random.default_rng([20261130, len(law)])
    recordings = {stem: recorded(bench.unit, run) for stem, run in bench.runs}
    for run in recordings.values():
        for name in ("left_torque", "right_torque"):
            run[name] = run[name] + NOISE * rng.standard_normal(run[name].size)
    sheet = write_bench(bench, recordings, folder)
    first = fit(sheet)
    second = SecondFit.of(sheet, first, bench.unit, REFERENCE_SPEED).fitted()
    return Oracle(bench.unit.quantities(REFERENCE_SPEED), first, second, nodes_of(bench, first))


def nodes_of(bench: Bench, first: Characterisation) -> tuple[Array, Array, Array]:
    """Of the map's tested places from 0.4 to 8 rad/s, on both branches."""
    held = make_map(first)
    grid = np.linspace(-380.0, 600.0, 15), np.geomspace(0.4, 8.0, 7), np.array([52.0, 60.0, 66.0])
    torques, slips, heats = np.meshgrid(*grid, indexing="ij")
    found: list[tuple[Array, Array, Array]] = []
    for branch in ("loading", "unloading"):
        here = np.asarray(held.is_tested(torques, slips, heats, branch=branch))
        place = torques[here], slips[here], heats[here]
        true = bench.unit.locking_torque(*place, branch)
        low, high = held.interval(*place, branch=branch)
        error = np.asarray(held.locking_torque(*place, branch=branch)) - true
        found.append((error, 0.5 * (np.asarray(high) - np.asarray(low)), true))
    error, half, true = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return error, half, true


def table(law: str, oracle: Oracle) -> str:
    """Lines of one unit."""
    lines = []
    for name, second in oracle.second.values.items():
        item = oracle.first.parameters[name]
        if item.u and not name.startswith("heat_"):
            told = f"{oracle.first.value(name):.5g} ± {item.u:.1g}"
            lines.append(
                f"| {law} | {name.replace('_', ' ')} | {oracle.truth[name]:.5g} | {told} | {second:.5g} |"
            )
    error, half, true = oracle.nodes
    rms, inside = np.sqrt(np.mean((error / true) ** 2)), np.mean(np.abs(error) <= half)
    width = np.median(half / true)
    lines.append(f"| {law} | map, {error.size} tested places | | {rms:.2%} rms off | |")
    lines.append(f"| {law} | limits, ± {width:.2%} in the median | | hold {inside:.1%} | |")
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--law", choices=LAWS, nargs="*", default=LAWS, help="of which units")
    laws = parser.parse_args().law
    print("| law | quantity | truth | this fit | second fit |\n|---|---|---|---|---|")
    for law in laws:
        with tempfile.TemporaryDirectory() as folder:
            print(table(law, measured(law, Path(folder) / "visit")))


if __name__ == "__main__":
    main()
