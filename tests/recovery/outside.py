"""Random benches whose units and stands depart from the law that is fitted: are maps still true, and where
they are not, is it said?

``python tests/recovery/outside.py --benches 100 --jobs 2 --details FILE`` draws units, stands and protocols
at random, four in five with one to four departures at sizes from none to strong (`benchsim.departures`), one
in five with none. ``--draw each`` plants every departure alone, ``--only NAME`` that one, on ``--benches``
each; ``--strength`` says how strong. Outcomes are kept in ``FILE`` as they come, and what is there is not run
again; ``--kept`` prints the table of what is there.

A bench is *told* where it was stopped, or where the verdict has a caution beyond what its protocol leaves
open. It is *silently wrong* where it is not told and the 95 % limits hold the truth in less than 80 % of its
tested nodes. The simulator has no code in common with the fit; what truth is says `benchsim.departures`.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, field
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "fixtures"))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from benchsim.bench import write_bench  # the paths above come first
from benchsim.departures import (
    BY_NAME,
    DEPARTURES,
    DepartedBench,
    Recordings,
    one_departure,
    random_departures,
    seeds_that_suit,
    simulate_departed,
    true_numbers,
)
from benchsim.two_packs import TwinUnit
from planted_faults import OF_THE_PROTOCOL  # beside this file

import diffbench
from diffbench.errors import DiffbenchError
from diffbench.report import verdict
from diffbench.results import make_map

STRENGTHS = ("slight", "realistic", "strong")
NOTHING, MIXED = "nothing", "mixed"
BATCH = 6
WRONG = 0.8  # of tested nodes inside the limits
APART = 1000  # seeds from one departure to the next


@dataclass(frozen=True)
class Job:
    """One bench to be run: what is planted (a departure, ``nothing`` or ``mixed``), how strong, its seed."""

    kind: str
    strength: str
    seed: int

    @property
    def key(self) -> tuple[str, str, int]:
        """By which an outcome is known again."""
        return self.kind, self.strength, self.seed

    def bench(self) -> DepartedBench:
        """The bench, drawn."""
        if self.kind == MIXED:
            return random_departures(self.seed)
        drawn = one_departure(self.seed, self.kind, self.strength)
        assert drawn is not None, "seeds are chosen by what suits"
        return drawn


@dataclass
class Outcome:
    """What one bench gave. ``errors``, ``held`` and ``half_widths`` are of the tested nodes, in parts of the
    true locking torque; ``inside`` says whether a quantity's 95 % interval holds the truth, ``z`` by how many
    standard uncertainties it is off."""

    kind: str
    strength: str
    seed: int
    planted: dict[str, float] = field(default_factory=dict)
    stop: str = ""
    law: str = ""
    cautions: list[str] = field(default_factory=list)
    misfit: float = 1.0
    errors: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    half_widths: list[float] = field(default_factory=list)
    inside: dict[str, bool] = field(default_factory=dict)
    z: dict[str, float] = field(default_factory=dict)

    @property
    def told(self) -> bool:
        """Whether a stop or a caution speaks against the numbers, beyond what was not run; that slip went one
        way only, where that was planted."""
        words = [caution for caution in self.cautions if not _of_the_protocol(caution)]
        one_way = "one-way" in self.planted and "one slip direction only" in self.cautions
        return bool(self.stop or words or one_way)

    @property
    def silently_wrong(self) -> bool:
        """Whether limits miss the truth in many tested nodes, and nothing says so."""
        return not self.told and bool(self.held) and float(np.mean(self.held)) < WRONG


def _of_the_protocol(caution: str) -> bool:
    return (
        caution in OF_THE_PROTOCOL
        or caution == "the preload law is undecided"
        or caution.endswith("not determined")
    )


def looked_at(job: Job, departed: DepartedBench, recordings: Recordings, unit: TwinUnit) -> Outcome:
    """Write a bench to files, fit them as a user would, and compare with the truth."""
    outcome = Outcome(job.kind, job.strength, job.seed, dict(departed.planted))
    with tempfile.TemporaryDirectory() as folder:
        sheet = write_bench(departed.bench, recordings, Path(folder))
        try:
            result = diffbench.fit(sheet)
            locking_map = make_map(result)
        except DiffbenchError as error:
            outcome.stop = str(error).replace(folder, "")
            return outcome
    outcome.law = f"{result.law.chosen}, {result.law.status}"
    outcome.cautions = list(verdict(result).cautions)
    outcome.misfit = result.diagnostics.misfit_factor
    for name, true in true_numbers(departed, unit).items():
        item = result.parameters.get(name)
        if item is None or item.value is None or item.low is None or item.high is None or not item.u:
            continue
        outcome.inside[name] = item.low <= true <= item.high
        outcome.z[name] = (item.value - true) / item.u
    _compare_maps(outcome, departed, locking_map, unit)
    return outcome


def _compare_maps(outcome: Outcome, departed: DepartedBench, locking_map: Any, unit: TwinUnit) -> None:
    bench = departed.bench
    nodes = np.meshgrid(bench.truth_torques, bench.truth_speeds, bench.truth_temperatures, indexing="ij")
    torque, speed, heat = (axis.ravel() for axis in nodes)
    for branch in ("loading", "unloading"):
        true = unit.locking_torque(torque, speed, heat, branch)
        for at in range(torque.size):
            node = (float(torque[at]), float(speed[at]), float(heat[at]))
            if not locking_map.is_tested(*node, branch=branch):
                continue
            low, high = locking_map.interval(*node, branch=branch)
            found = locking_map.locking_torque(*node, branch=branch)
            outcome.errors.append(float(found / true[at] - 1.0))
            outcome.held.append(bool(low <= true[at] <= high))
            outcome.half_widths.append(float((high - low) / 2.0 / true[at]))


def run_batch(jobs: Sequence[Job]) -> list[Outcome]:
    """Simulate some benches together and fit them one by one."""
    benches = [job.bench() for job in jobs]
    return [
        looked_at(job, departed, recordings, unit)
        for job, departed, (recordings, unit) in zip(jobs, benches, simulate_departed(benches), strict=True)
    ]


def planned(draw: str, benches: int, first: int, only: Sequence[str], strengths: Sequence[str]) -> list[Job]:
    """Every bench of a study, in turn over what is planted, so that a study broken off has some of each.

    Every departure has seeds of its own, the same at all strengths, so that few benches do not all hang on
    one draw of unit and stand.
    """
    if draw == MIXED and not only:
        return [
            Job(NOTHING if number % 5 == 4 else MIXED, "random", first + number) for number in range(benches)
        ]
    names = [NOTHING, *BY_NAME]
    lanes = [
        [
            Job(name, strength, seed)
            for seed in islice(seeds_that_suit(name, first + APART * names.index(name)), benches)
        ]
        for name in (only or names)
        for strength in (["none"] if name == NOTHING else strengths)
    ]
    return [lane[number] for number in range(benches) for lane in lanes]


def study(jobs: Sequence[Job], *, processes: int = 1, details: Path | None = None) -> list[Outcome]:
    """Outcomes of all ``jobs``, in their order; progress on standard error, and what is known so far in
    ``details``, from where it goes on."""
    kept = _read(details)
    found = {key: kept[key] for job in jobs if (key := job.key) in kept}
    missing = [job for job in jobs if job.key not in found]
    batches = [missing[i : i + BATCH] for i in range(0, len(missing), BATCH)]
    # one thread of linear algebra each: on as many cores as processes, more only wait for each other
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # fresh processes, which read that, and since forking one that has threads may hang
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        for done in as_completed([pool.submit(run_batch, batch) for batch in batches]):
            for outcome in done.result():
                found[outcome.kind, outcome.strength, outcome.seed] = outcome
            if details:
                _write(details, {**kept, **found}.values())
            print(f"\r{len(found)} of {len(jobs)} benches", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return [found[job.key] for job in jobs]


def _read(details: Path | None) -> dict[tuple[str, str, int], Outcome]:
    if details is None or not details.exists():
        return {}
    kept = [Outcome(**entry) for entry in json.loads(details.read_text(encoding="utf-8"))]
    return {(o.kind, o.strength, o.seed): o for o in kept}


def _write(details: Path, outcomes: Iterable[Outcome]) -> None:
    """Whole or not at all: a study may be broken off while it writes."""
    fresh = details.with_suffix(".part")
    fresh.write_text(json.dumps([asdict(o) for o in outcomes], indent=1), encoding="utf-8")
    fresh.replace(details)


HEAD = (
    f"{'departure':17} {'strength':>9} {'benches':>7} {'stopped':>7} {'map error':>9} {'inside':>6} "
    f"{'told':>5} {'silently wrong':>14} {'width/error':>11} {'preload':>7} {'ramps':>6}"
)


def line(name: str, strength: str, group: Sequence[Outcome]) -> str:
    """A line of the table: medians over benches, shares of tested nodes, of benches, of quantities."""

    def percent(flags: Iterable[bool]) -> str:
        every = list(flags)
        return f"{100.0 * float(np.mean(every)):.0f} %" if every else "-"

    mapped = [o for o in group if o.errors]
    error = float(np.median([np.median(np.abs(o.errors)) for o in mapped])) if mapped else float("nan")
    width = float(np.median([np.median(o.half_widths) for o in mapped])) if mapped else float("nan")
    return (
        f"{name:17} {strength:>9} {len(group):7} {sum(bool(o.stop) for o in group):7} "
        f"{100.0 * error:7.2f} % {percent(h for o in mapped for h in o.held):>6} "
        f"{percent(o.told for o in group):>5} {percent(o.silently_wrong for o in group):>14} "
        f"{width / error:11.1f} "
        f"{percent(o.inside['preload_torque'] for o in group if 'preload_torque' in o.inside):>7} "
        f"{percent(held for o in group for key, held in o.inside.items() if key.startswith('ramp')):>6}"
    )


def table(outcomes: Sequence[Outcome]) -> str:
    """A line for each departure and strength; of mixed benches, for all that have a departure."""
    lines = [HEAD]
    groups = dict.fromkeys((o.kind, o.strength) for o in outcomes)
    for kind, strength in sorted(groups, key=lambda g: (g[0] == MIXED, g[0] != NOTHING)):
        group = [o for o in outcomes if (o.kind, o.strength) == (kind, strength)]
        lines.append(line(kind, strength, group))
        if kind == MIXED:
            having = {name: [o for o in group if name in o.planted] for name in BY_NAME}
            lines += [line(f"  {name}", strength, some) for name, some in having.items() if some]
    planted = [o for o in outcomes if o.kind != NOTHING]
    if planted:
        lines.append(line("all departures", "", planted))
    wrong = [f"{o.kind} {o.strength} {o.seed}" for o in outcomes if o.silently_wrong]
    return "\n".join([*lines, *(["", "silently wrong: " + "; ".join(wrong)] if wrong else [])])


def main() -> None:
    """Run the study by command line."""
    sizes = {d.name: f", {d.size[0]:.3g} to {d.size[1]:.3g} {d.unit}" if d.unit else "" for d in DEPARTURES}
    names = "\n".join(f"  {d.name:18} {d.words}{sizes[d.name]}" for d in DEPARTURES)
    parser = argparse.ArgumentParser(
        description=__doc__,
        epilog=f"departures:\n{names}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--benches", type=int, default=100, help="how many; of each with --draw each")
    parser.add_argument("--first", type=int, default=30_000, help="first seed")
    parser.add_argument("--draw", choices=(MIXED, "each"), default=MIXED)
    parser.add_argument("--only", action="append", default=[], choices=(NOTHING, *BY_NAME), metavar="NAME")
    parser.add_argument("--strength", action="append", choices=STRENGTHS, help="default realistic")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--details", type=Path, help="file of all outcomes, as JSON; gone on with if there")
    parser.add_argument("--kept", action="store_true", help="run nothing: the table of --details")
    chosen = parser.parse_args()
    if chosen.kept:
        if chosen.details is None or not chosen.details.exists():
            parser.error("--kept needs --details and a file of an earlier run")
        print(table(list(_read(chosen.details).values())))
        return
    jobs = planned(chosen.draw, chosen.benches, chosen.first, chosen.only, chosen.strength or ["realistic"])
    print(table(study(jobs, processes=chosen.jobs, details=chosen.details)))


if __name__ == "__main__":
    main()
