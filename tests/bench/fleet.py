"""Thousands of small recordings: written, fitted, broken off in the middle, gone on with, filed, counted.

    .venv/bin/python tests/bench/fleet.py --count 10000 --jobs 2 --readings --folder fleet
    .venv/bin/python tests/bench/fleet.py --count 100 1000 --dask
    .venv/bin/python tests/bench/fleet.py --count 1000 3000 10000 --stand-in

Prints the time for each tenth of the way, which tells growth from linear, processor time for each count with
the exponent between them, and fails unless every run sheet has its result exactly once, in the folder and in
the history, and those that were made to be broken their faults. Sheets are of sweeps, or with ``--readings``
of three readings by hand. With ``--folder`` all of it stays, and the same command goes on where a run was
killed. With ``--dask`` the workers are
those of a scheduler. With ``--stand-in`` the first is fitted and its result stands in for all others: the
time of everything but the fits, in minutes, and the exponent of its growth.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import math
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from recordings import Unit, write_visit

HAND = Path(__file__).resolve().parents[2] / "fixtures" / "hand-readings"
PROGRAM = Path(sys.executable).with_name("diffbench")
BROKEN = 50  # every so many is cut off in the middle of its columns


def written(folder: Path, count: int, *, readings: bool = False) -> None:
    """So many visits, a hundred in a folder, every `BROKEN`th with a recording that cannot be read."""
    for i in range(count):
        name, place = f"u{i:05d}", folder / f"{i // 100:03d}"
        if (place / f"{name}-written").exists():
            continue  # by a run that was killed
        if readings:
            write_readings(place, name, seed=i)
        else:
            write_visit(place, rows=1200, rate=20.0, seed=i, name=name, law="additive", unit=Unit(cycle=15.0))
        if i % BROKEN == BROKEN - 1:
            text = place / f"{name}.csv"
            text.write_text(text.read_text(encoding="utf-8").replace(",", ";", 4), encoding="utf-8")
        (place / f"{name}-written").touch()


def write_readings(place: Path, name: str, *, seed: int) -> None:
    """Three readings of a wrench on a unit of its own, law stated: papers of the fixture, torques drawn."""
    place.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    torques = 50.0 * np.exp(rng.normal(0.0, 0.15)) * (1.0 + rng.normal(0.0, 0.02, 3))
    head, first, *_ = (HAND / "readings.csv").read_text(encoding="utf-8").splitlines()
    line = first.rsplit(",", 2)[0]
    rows = [head, *(f"{line},{torque:.1f},21" for torque in torques)]
    papers = {
        f"{name}.csv": "\n".join(rows) + "\n",
        f"{name}.toml": _changed("run.toml", ("readings.csv", f"{name}.csv"), ("unit-q17", f"{name}-build")),
        f"{name}-build.toml": _changed("unit-q17.toml", ("Q17", name), ('"undecided"', '"additive"')),
        "torque-wrench.toml": _changed("torque-wrench.toml"),
    }
    for file, text in papers.items():
        (place / file).write_text(text, encoding="utf-8")


def _changed(file: str, *changes: tuple[str, str]) -> str:
    text = (HAND / file).read_text(encoding="utf-8")
    for old, new in changes:
        if old not in text:
            raise SystemExit(f"{file} does not say {old}")
        text = new.join(text.split(old))
    return text


def counted(visits: Path, out: Path, *, broken: int) -> None:
    """Fail unless every run sheet has its result, or its faults, exactly once."""
    sheets = sum(1 for _ in visits.glob("*/u?????.toml"))
    results, faults = list(out.glob("*/*/characterisation.json")), list(out.glob("*/*/faults.txt"))
    with (out / "overview.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    print(f"{len(results)} results, {len(faults)} with faults", flush=True)
    if (len(results), len(faults), len(lines)) != (sheets - broken, broken, sheets):
        raise SystemExit("something was lost, or came twice")


def used() -> float:
    """Processor time of this process and of those that it started and that have ended [s]."""
    return sum(os.times()[:4])


@contextlib.contextmanager
def workers(jobs: int, dask: bool) -> Iterator[list[str]]:
    """Options that name the workers: the command's own processes, or those of a scheduler started here."""
    if not dask:
        yield ["--jobs", str(jobs)]
        return
    import distributed

    with distributed.LocalCluster(n_workers=jobs, threads_per_worker=1, dashboard_address=None) as local:
        yield ["--scheduler", local.scheduler_address]


def fits(count: int, jobs: int, folder: Path, *, dask: bool, readings: bool) -> float:
    """Write, break off, go on, file, count; returns the processor time of it [s], without the writing."""
    from diffbench.history import open_history

    visits, out, history = (folder / f"{name}{count}" for name in ("visits", "out", "history"))
    written(visits, count, readings=readings)
    before, begun = used(), time.monotonic()
    with workers(jobs, dask) as engine:
        call = [PROGRAM, "fit-all", visits, "--out", out, *engine, "--quiet"]
        call += ["--file", "--store", history]
        fresh = not out.exists()
        running = subprocess.Popen(call, stderr=subprocess.DEVNULL)
        tenth = 1
        while running.poll() is None:
            time.sleep(1.0 + count / 1000)  # to look for results is work, too
            done = sum(1 for _ in out.glob("*/*/characterisation.json"))
            while done >= tenth * count / 10:
                print(f"{done:6d} after {time.monotonic() - begun:8.0f} s", flush=True)
                tenth += 1
                if tenth == 6 and fresh:
                    # broken off as a user would, then given again
                    running.send_signal(signal.SIGINT)
                    running.wait(timeout=120)
                    running = subprocess.Popen(call, stderr=subprocess.DEVNULL)
    spent = used() - before
    print(f"{time.monotonic() - begun:.0f} s in all, {spent:.0f} s of processor, {spent / count:.2f} s each")
    counted(visits, out, broken=count // BROKEN)
    filed = len(open_history(str(history)).contents().records)
    if filed != count - count // BROKEN:
        raise SystemExit(f"the history has {filed} results")
    return spent


def all_else(counts: list[int], jobs: int) -> None:
    """Processor time of everything but the fits, and of finding all of it done, for each count."""
    import stand_in
    from click.testing import CliRunner

    from diffbench.cli.fit_all import fit_all
    from diffbench.run import fleet as work

    with tempfile.TemporaryDirectory() as folder:
        one = Path(folder) / "one"
        written(one, 1)
        subprocess.run(
            [PROGRAM, "fit", one / "000" / "u00000.toml", "--out", one / "out", "--quiet"], check=False
        )
        os.environ[stand_in.FOLDER] = str(one / "out")
        work.fitted = stand_in.fitted  # type: ignore[assignment]
        spent: list[tuple[float, float]] = []
        for count in counts:
            visits, out = Path(folder) / f"visits{count}", Path(folder) / f"out{count}"
            written(visits, count)
            times = []
            for _ in range(2):
                before, begun = os.times(), time.monotonic()
                ended = CliRunner().invoke(
                    fit_all, [str(visits), "--out", str(out), "--jobs", str(jobs), "--quiet"]
                )
                after = os.times()
                if ended.exit_code != 0:
                    raise SystemExit(f"fit-all ended with {ended.exit_code}: {ended.output}")
                used = sum(after[:4]) - sum(before[:4])
                times.append(used)
                print(
                    f"{count:6d}: {used:8.1f} s of processor, {time.monotonic() - begun:8.1f} s", flush=True
                )
            counted(visits, out, broken=0)
            spent.append((times[0], times[1]))
        for what, at in (("work", 0), ("finding it done", 1)):
            for (n, now), (m, was) in zip(
                zip(counts[1:], spent[1:], strict=True), zip(counts, spent, strict=False), strict=False
            ):
                exponent = math.log(now[at] / was[at]) / math.log(n / m)
                print(f"{what}, {m} to {n}: exponent {exponent:.2f}")


def main() -> None:
    """Fits, or everything else."""
    form = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=form)
    parser.add_argument("--count", type=int, nargs="+", default=[10_000])
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--stand-in", action="store_true")
    parser.add_argument("--dask", action="store_true", help="on the workers of a scheduler")
    parser.add_argument("--readings", action="store_true", help="three readings by hand each, no sweeps")
    parser.add_argument("--folder", type=Path, help="where all of it stays, to be gone on with")
    given = parser.parse_args()
    if given.stand_in:
        all_else(given.count, given.jobs)
        return
    # a shell makes what it starts in the background deaf to an interrupt, and so what that starts
    signal.signal(signal.SIGINT, signal.default_int_handler)
    with tempfile.TemporaryDirectory() as passing:
        folder = given.folder or Path(passing)
        spent = [
            fits(count, given.jobs, folder, dask=given.dask, readings=given.readings) for count in given.count
        ]
    for (n, now), (m, was) in pairwise(zip(given.count, spent, strict=True)):
        print(f"{n} to {m}: exponent {math.log(was / now) / math.log(m / n):.2f}")


if __name__ == "__main__":
    main()
