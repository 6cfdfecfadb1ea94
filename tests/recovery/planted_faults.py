"""Random benches with one fault each that their papers do not know: how often is a fit silent, and wrong?

Run by hand: ``python tests/recovery/planted_faults.py --benches 300 --jobs 2 --details FILE``. Every seed
draws a bench (`benchsim.random_benches`), a fault and its size. A fit is *silent* where it was not stopped
and no finding beyond those of a protocol (what was not run, what a logger lost) is a caveat. It is *out*
where the 95 % interval of the preload torque, or of a ramp bias while loading, does not hold the truth; by
chance each does so once in twenty on a clean bench, too, which ``--clean`` counts, with the false alarms.
Faults that no recording can show are counted apart.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from faults import slips_both_ways  # beside this file; it sets the path of the simulator
from numpy.typing import NDArray
from study import truth_of

from benchsim.bench import Bench, simulate_many, write_bench  # isort: skip  that path
from benchsim.random_benches import random_bench  # isort: skip
from benchsim.sensors import TorqueFlange, first_order_lag  # isort: skip

import diffbench
from diffbench.errors import DiffbenchError

Array = NDArray[np.float64]
Recordings = dict[str, dict[str, Array]]
#: Intervals that are held against the truth.
JUDGED = ("preload_torque", "ramp_bias_drive_loading", "ramp_bias_coast_loading")
#: Findings of a clean bench: what was not run, and what a logger loses.
OF_THE_PROTOCOL = {
    "short of SAE J3011", "one slip direction only", "one speed level only", "no drive samples",
    "no coast samples", "no temperature", "drive ramps never overcame the preload",
    "coast ramps never overcame the preload", "cells apart from the fit", "spikes",
    "missing readings", "missing stretches",
}  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One fault: what it does to the stand before a simulation, or to what was logged after it.

    ``size`` lowest and highest; its sign is drawn, too. ``hidden``: no recording can show it.
    """

    words: str
    size: tuple[float, float] = (0.0, 0.0)
    unit: str = ""
    flange: Callable[[TorqueFlange, float, float], TorqueFlange] | None = None
    logged: Callable[[Bench, Recordings, str, float], Recordings] | None = None
    hidden: bool = False

    @property
    def of_one_flange(self) -> bool:
        """Off by little: slip one way round cannot tell it from locking torque."""
        return self.flange is not None or self.logged is _zero


def _each(
    recordings: Recordings,
    change: Callable[[dict[str, Array]], Mapping[str, Array]],
    kinds: Sequence[str] = (),
) -> Recordings:
    return {
        stem: {**channels, **(change(channels) if not kinds or stem in kinds else {})}
        for stem, channels in recordings.items()
    }


def _gain(flange: TorqueFlange, size: float, largest: float) -> TorqueFlange:
    del largest
    return replace(flange, gain=replace(flange.gain, true=flange.gain.true * (1.0 + size / 100.0)))


def _lag(flange: TorqueFlange, size: float, largest: float) -> TorqueFlange:
    del largest
    return replace(flange, lag=replace(flange.lag, true=flange.lag.true + abs(size) / 1e3))


def _drift(flange: TorqueFlange, size: float, largest: float) -> TorqueFlange:
    return replace(flange, drift=flange.drift + size / 100.0 * largest)


def _hysteresis(flange: TorqueFlange, size: float, largest: float) -> TorqueFlange:
    return replace(flange, hysteresis=abs(size) / 100.0 * largest)


def _largest(bench: Bench, channel: str) -> float:
    """Largest torque that a flange reads, roughly [N·m]."""
    whole = max(max(map(abs, protocol.input_torque.extremes)) for _, protocol in bench.runs)
    flange = bench.stand.torques[channel]
    return whole / flange.ratio if flange.at == "pinion" else whole


def _zero(bench: Bench, recordings: Recordings, channel: str, size: float) -> Recordings:
    by = size / 100.0 * _largest(bench, channel)
    after = [stem for stem, protocol in bench.runs if protocol.kind != "tare"]
    return _each(recordings, lambda c: {channel: c[channel] + by}, after)


def _reversed(*which: int) -> Callable[[Bench, Recordings, str, float], Recordings]:
    def change(bench: Bench, recordings: Recordings, channel: str, size: float) -> Recordings:
        names = list(bench.stand.torques)
        chosen = [names[i] for i in which] if which else [channel]
        return _each(recordings, lambda c: {name: -c[name] for name in chosen})

    return change


def _speeds_exchanged(bench: Bench, recordings: Recordings, channel: str, size: float) -> Recordings:
    def change(c: dict[str, Array]) -> Mapping[str, Array]:
        if "left_speed" in c:
            return {"left_speed": c["right_speed"], "right_speed": c["left_speed"]}
        return {"speed_difference": -c["speed_difference"]}

    return _each(recordings, change)


def _torques_exchanged(factor: float) -> Callable[[Bench, Recordings, str, float], Recordings]:
    def change(bench: Bench, recordings: Recordings, channel: str, size: float) -> Recordings:
        first, second = bench.stand.torques
        return _each(recordings, lambda c: {first: factor * c[second], second: factor * c[first]})

    return change


def _dead(one: bool) -> Callable[[Bench, Recordings, str, float], Recordings]:
    def change(bench: Bench, recordings: Recordings, channel: str, size: float) -> Recordings:
        names = [channel] if one else list(bench.stand.torques)
        return _each(
            recordings, lambda c: {name: np.full_like(c[name], 0.35 * (size > 0.0)) for name in names}
        )

    return change


def _both_gains(bench: Bench, recordings: Recordings, channel: str, size: float) -> Recordings:
    return _each(recordings, lambda c: {name: c[name] * (1.0 + size / 100.0) for name in bench.stand.torques})


def _oil(
    change: Callable[[Array, Array, float], Array],
) -> Callable[[Bench, Recordings, str, float], Recordings]:
    def made(bench: Bench, recordings: Recordings, channel: str, size: float) -> Recordings:
        return _each(recordings, lambda c: {"oil_temperature": change(c["time"], c["oil_temperature"], size)})

    return made


def _late(time: Array, oil: Array, size: float) -> Array:
    # an even grid, since loggers lose rows; noise of the sensor's electronics is not late, hardly matters
    grid = np.arange(time[0], time[-1] + 0.1, 0.1)
    return np.interp(time, grid, first_order_lag(np.interp(grid, time, oil), 0.1, abs(size)))


FAULTS = (
    Fault("one gain off", (0.6, 1.2), "%", flange=_gain),
    Fault("zero moves after the tare", (0.4, 1.0), "% of the largest torque", logged=_zero),
    Fault("lag of one flange", (10.0, 40.0), "ms", flange=_lag),
    Fault("zero of one flange drifts", (0.4, 1.0), "% of the largest torque", flange=_drift),
    Fault("flange stays behind its load", (0.3, 0.6), "% of the largest torque", flange=_hysteresis),
    Fault("one torque reversed", logged=_reversed()),
    Fault("all torques reversed", logged=_reversed(0, 1)),
    Fault("sides of the speeds exchanged", logged=_speeds_exchanged),
    Fault("torques exchanged", logged=_torques_exchanged(1.0)),
    Fault("torques exchanged and reversed", logged=_torques_exchanged(-1.0)),
    Fault("one torque dead", logged=_dead(one=True)),
    Fault("all torques dead", (1.0, 1.0), logged=_dead(one=False)),
    # of a warming that goes on, late is an offset
    Fault("oil sensor late", (20.0, 60.0), "s", logged=_oil(_late), hidden=True),
    Fault(
        "oil sensor away from the unit",
        (0.4, 0.8),
        "of the warming",
        logged=_oil(lambda time, oil, size: oil[:50].mean() + abs(size) * (oil - oil[:50].mean())),
        hidden=True,
    ),
    Fault("oil sensor off", (3.0, 8.0), "K", logged=_oil(lambda time, oil, size: oil + size), hidden=True),
    Fault("both gains off alike", (0.6, 1.2), "%", logged=_both_gains, hidden=True),
)  # fmt: skip


@dataclass
class Outcome:
    """What one bench gave: deviations in standard uncertainties, and whether the 95 % interval holds."""

    seed: int
    fault: str
    size: float = 0.0
    channel: str = ""
    hidden: bool = False
    stop: str = ""
    findings: dict[str, str] = field(default_factory=dict)
    z: dict[str, float] = field(default_factory=dict)
    held: dict[str, bool] = field(default_factory=dict)
    relative_u: dict[str, float] = field(default_factory=dict)

    @property
    def told(self) -> bool:
        """Whether a stop or a caveat speaks against the numbers."""
        caveats = {name for name, severity in self.findings.items() if severity != "note"}
        return bool(self.stop or caveats - OF_THE_PROTOCOL)

    @property
    def missed(self) -> list[str]:
        return [name for name in JUDGED if not self.held.get(name, True)]


def drawn(seed: int, faults: Sequence[Fault] = FAULTS) -> tuple[Bench, Fault, str, float]:
    """Bench, fault, flange and size of a seed; faults take turns."""
    bench = random_bench(seed)
    rng = np.random.default_rng([20260202, seed])
    fault = faults[seed % len(faults)]
    channel = list(bench.stand.torques)[int(rng.integers(2))]
    size = float(rng.uniform(*fault.size)) * float(rng.choice((-1.0, 1.0)))
    if fault.flange is not None:
        flange = fault.flange(bench.stand.torques[channel], size, _largest(bench, channel))
        bench = replace(bench, stand=replace(bench.stand, torques={**bench.stand.torques, channel: flange}))
    return bench, fault, channel, size


CLEAN = (Fault("nothing"),)


def looked_at(bench: Bench, recordings: Recordings, outcome: Outcome) -> Outcome:
    """Write a bench to files, fit them as a user would, and compare with the truth."""
    with tempfile.TemporaryDirectory() as folder:
        sheet = write_bench(bench, recordings, Path(folder))
        try:
            result = diffbench.fit(sheet)
        except DiffbenchError as error:
            return replace(outcome, stop=str(error).replace(folder, ""))
    rank = {"note": 0, "caveat": 1, "stop": 2}
    for finding in result.findings:
        if rank[finding.severity] >= rank[outcome.findings.get(finding.name, "note")]:
            outcome.findings[finding.name] = finding.severity
    for name, true in truth_of(bench).items():
        item = result.parameters.get(name)
        if (
            name in JUDGED
            and item is not None
            and item.value is not None
            and item.u
            and item.status == "measured"
        ):
            assert item.low is not None
            assert item.high is not None
            outcome.z[name] = (item.value - true) / item.u
            outcome.held[name] = item.low <= true <= item.high
            outcome.relative_u[name] = item.u / abs(true)
    return outcome


def run_batch(job: tuple[Sequence[int], bool]) -> list[Outcome]:
    """Simulate some benches together and fit them one by one."""
    seeds, clean = job
    made = [drawn(seed, CLEAN if clean else FAULTS) for seed in seeds]
    outcomes = []
    for seed, (bench, fault, channel, size), recordings in zip(
        seeds, made, simulate_many([one[0] for one in made]), strict=True
    ):
        logged = fault.logged(bench, recordings, channel, size) if fault.logged else recordings
        hidden = fault.hidden or (fault.of_one_flange and not slips_both_ways(bench))
        outcome = Outcome(seed, fault.words, size if fault.unit else 0.0, channel, hidden)
        outcomes.append(looked_at(bench, logged, outcome))
    return outcomes


def study(
    seeds: Sequence[int], *, clean: bool = False, jobs: int = 1, batch: int = 6, details: Path | None = None
) -> list[Outcome]:
    """Outcomes of some seeds, in their order; progress on standard error, and what is known so far in
    ``details``."""
    batches = [(seeds[i : i + batch], clean) for i in range(0, len(seeds), batch)]
    found: list[Outcome] = []
    # fresh processes, since forking one that has threads may hang
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for outcomes in pool.map(run_batch, batches):
            found += outcomes
            if details:
                details.write_text(json.dumps([asdict(o) for o in found], indent=1), encoding="utf-8")
            print(f"\r{len(found)} of {len(seeds)} benches", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return found


def table(outcomes: Sequence[Outcome]) -> str:
    """A line a fault: benches, stopped, told by a caveat, silent, silent and out."""
    head = f"{'fault':34} {'benches':>7} {'stopped':>7} {'caveat':>6} {'silent':>6}"
    lines = [f"{head}  silent and out: any, preload"]

    def line(words: str, group: Sequence[Outcome]) -> str:
        stopped = sum(bool(o.stop) for o in group)
        silent = [o for o in group if not o.told]
        out = [o for o in silent if o.missed]
        preload = sum("preload_torque" in o.missed for o in silent)
        return (
            f"{words:34} {len(group):7} {stopped:7} {len(group) - stopped - len(silent):6} {len(silent):6}  "
            f"{len(out)}, {preload}" + (f"  seeds {', '.join(str(o.seed) for o in out)}" if out else "")
        )

    for hidden in (False, True):
        some = [o for o in outcomes if o.hidden is hidden]
        if some:
            lines += [
                line(words, [o for o in some if o.fault == words])
                for words in dict.fromkeys(o.fault for o in some)
            ]
            lines.append(
                line("all that no recording can show" if hidden else "all that a recording can show", some)
            )
    return "\n".join(lines)


def main() -> None:
    """Run the study by command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=300)
    parser.add_argument("--first", type=int, default=8000, help="first seed")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--clean", action="store_true", help="plant nothing, and count false alarms")
    parser.add_argument("--details", type=Path, help="file for the outcome of every bench, as JSON")
    chosen = parser.parse_args()
    seeds = range(chosen.first, chosen.first + chosen.benches)
    print(table(study(seeds, clean=chosen.clean, jobs=chosen.jobs, details=chosen.details)))


if __name__ == "__main__":
    main()
