"""The benchmark: diffbench beside what a user would write instead, as ratios on one machine.

    .venv/bin/python tests/bench/compare.py            # some minutes, a gigabyte of disk; --long: three
    .venv/bin/python tests/bench/compare.py --rows 360000 --only reading fitting --json ratios.json

Both sides of a ratio run in turn, several times, in one process (start-up and end to end: in processes of
their own); a ratio is that of the medians of the processor time, which other work on the machine disturbs
least. It never fails: a ratio that misses what was aimed at stands in the table beside its aim.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed program is compiled

import numpy as np  # noqa: E402  reads the above as it loads
import same_model  # noqa: E402
from recordings import Unit, write_visit  # noqa: E402

PROGRAM = Path(sys.executable).with_name("diffbench")
LIBRARIES = ("numpy", "scipy", "pandas", "pyarrow", "lmfit", "matplotlib", "click")


@dataclass(frozen=True)
class Ratio:
    """One line of the table: seconds of processor time of both sides (medians), or megabytes, and the aim."""

    what: str
    beside: str
    ours: float
    theirs: float
    aim: str
    note: str = ""
    unit: str = "s"

    @property
    def ratio(self) -> float:
        """Ours over theirs."""
        return self.ours / self.theirs


def medians(repeats: int, *sides: Callable[[], object]) -> list[float]:
    """Median processor time of each side [s], that of its processes apart with it; the sides in turn."""

    def so_far() -> float:
        used = os.times()
        return used.user + used.system + used.children_user + used.children_system

    spent: list[list[float]] = [[] for _ in sides]
    for _ in range(repeats):
        for side, times in zip(sides, spent, strict=True):
            begun = so_far()
            side()
            times.append(so_far() - begun)
    return [statistics.median(times) for times in spent]


LAUNCHER = """
import resource, subprocess, sys
ended = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(ended, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024.0)
"""


def process(arguments: list[Any]) -> tuple[float, float]:
    """Processor time [s] and largest memory [MB] of a process of its own.

    Started by a small one: a process inherits the largest memory of the one that starts it.
    """
    call = [sys.executable, "-c", LAUNCHER, *arguments]
    ended, spent, memory = subprocess.run(call, stdout=subprocess.PIPE, check=True).stdout.split()
    if int(ended) not in {0, 1}:
        raise SystemExit(f"{arguments} ended with {int(ended)}")
    return float(spent), float(memory)


def processes(repeats: int, *sides: list[Any]) -> list[tuple[float, float]]:
    """Medians of processor time and memory of processes, in turn."""
    spent: list[list[tuple[float, float]]] = [[] for _ in sides]
    for _ in range(repeats):
        for side, times in zip(sides, spent, strict=True):
            times.append(process(side))
    return [(statistics.median(t for t, _ in s), statistics.median(m for _, m in s)) for s in spent]


def start_up(setting: Setting) -> Iterator[Ratio]:
    """Help and version beside the bare library of commands."""
    bare = [sys.executable, "-c", "import click"]
    (help_time, _), (click_time, _) = processes(4 * setting.repeats, [PROGRAM, "--help"], bare)
    yield Ratio("diffbench --help", "python -c 'import click'", help_time, click_time, "no heavy library")


def reading(setting: Setting) -> Iterator[Ratio]:
    """Text and Parquet into a recording in SI with its digest, beside bare arrays."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    from diffbench.documents import load_visit
    from diffbench.readers import read_recording

    visit = load_visit(setting.sheet)
    text = visit.recording_path(visit.run_sheet.run[0])
    ours, bare = medians(
        setting.repeats,
        lambda: read_recording(text, visit.rig, kind="bias-sweep"),
        lambda: pd.read_csv(text),
    )
    yield Ratio(f"read text, {setting.rows:,} x 8", "pandas.read_csv", ours, bare, "at most 1.2")
    packed = setting.folder / "X1.parquet"
    pq.write_table(pa.Table.from_pandas(pd.read_csv(text)), packed)
    ours, bare = medians(
        setting.repeats,
        lambda: read_recording(packed, visit.rig, kind="bias-sweep"),
        lambda: [column.to_numpy() for column in pq.read_table(packed).columns],
    )
    yield Ratio("read Parquet of the same", "pyarrow, columns to numpy", ours, bare, "at most 1.5")


def fitting(setting: Setting) -> Iterator[Ratio]:
    """One model, one million samples, one start: what each needs to the same optimum."""
    from scipy.optimize import least_squares

    samples = same_model.samples(1_000_000, seed=7)
    found: dict[str, same_model.Found] = {}

    def kept(name: str, way: Callable[[same_model.Samples], same_model.Found]) -> Callable[[], None]:
        def run() -> None:
            found[name] = way(samples)

        return run

    ways = {
        "lmfit.Model.fit": same_model.by_lmfit_model,
        "lmfit.minimize": same_model.by_lmfit_minimize,
        "scipy least_squares, analytic Jacobian": lambda s: same_model.by_least_squares(s, least_squares),
    }
    cells, whole, *others = medians(
        setting.repeats,
        kept("cells", same_model.by_cells),
        kept("whole", same_model.by_samples),
        *(kept(name, way) for name, way in ways.items()),
    )
    for name, spent in zip(ways, others, strict=True):
        other = found[name]
        apart = float(np.max(np.abs(found["cells"].x - other.x) / other.u))
        aim = "at most 0.05" if name == "lmfit.Model.fit" else ""
        yield Ratio("fit of 1,000,000 samples, by cells", name, cells, spent, aim, f"{apart:.1g} u apart")
        relative = float(np.max(np.abs(found["whole"].x / other.x - 1.0)))
        yield Ratio("the same, without cells", name, whole, spent, "", f"{relative:.1g} relative apart")


def resampling(setting: Setting) -> Iterator[Ratio]:
    """Replicates of noise and of all stated errors, beside plain fits of one form."""
    from resampling import replicates

    from diffbench.documents import load_visit
    from diffbench.fitting import Form, Setup, condition_visit, first_look, fit_form, gather
    from diffbench.physics.friction import Stribeck
    from diffbench.physics.preload import Additive

    visit = load_visit(setting.sheet)
    conditioned, _ = condition_visit(visit, lambda _: None)
    setup, form = Setup.of([visit.build], gather(conditioned)), Form(Additive(), Stribeck(1.0))
    start = first_look(setup.model(form))
    fitted = fit_form(setup.model(form), start=start)
    ours, plain = medians(
        setting.repeats,
        lambda: replicates(fitted, seed=1, count=1000),
        lambda: fit_form(setup.model(form), start=start),
    )
    yield Ratio("1,000 replicates", "10 plain fits of one form", ours, 10.0 * plain, "below 1")


def lookup(setting: Setting) -> Iterator[Ratio]:
    """A map of 41 x 21 x 9 nodes, a million places and one."""
    from scipy.interpolate import RegularGridInterpolator

    from diffbench.results.grid_lookup import Grid

    rng = np.random.default_rng(3)
    axes = [np.linspace(-400, 900, 41), np.linspace(0, 16, 21), np.linspace(20, 110, 9)]
    values = rng.normal(size=(41, 21, 9))
    places = [rng.uniform(axis[0], axis[-1], 1_000_000) for axis in axes]
    grid, other = Grid(axes), RegularGridInterpolator(axes, values)
    table = grid.table(values)
    ours, theirs = medians(
        setting.repeats, lambda: grid.many([table], *places), lambda: other(np.stack(places, axis=1))
    )
    yield Ratio("look up 1,000,000 places", "RegularGridInterpolator", ours, theirs, "at most 0.5")
    one = np.array([[31.0, 3.0, 55.0]])
    ours, theirs = medians(
        setting.repeats,
        lambda: [grid.one(table, 31.0, 3.0, 55.0) for _ in range(20_000)],
        lambda: [other(one) for _ in range(400)],
    )
    yield Ratio("look up one place", "RegularGridInterpolator", ours / 20_000, theirs / 400, "at most 0.02")


LOADED = "numpy, scipy.optimize, pandas, lmfit, matplotlib"
FLOOR = [sys.executable, "-c", f"import {LOADED}"]
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
DEMO = FIXTURES / "demo" / "rebuilt" / "run.toml"


def beside_floor(setting: Setting, rows: list[tuple[str, list[Any], float]]) -> Iterator[Ratio]:
    """Commands beside starting the libraries that such work is written with: what, arguments, aim."""
    calls = [[PROGRAM, *arguments] for _, arguments, _ in rows]
    (floor, _), *spent = processes(setting.repeats, FLOOR, *calls)
    for (what, _, aim), (ours, _) in zip(rows, spent, strict=True):
        note = f"the floor is {floor / ours:.0%} of it"
        yield Ratio(what, f"python -c 'import {LOADED}'", ours, floor, f"at most {aim:g}", note)


def at_the_bench(setting: Setting) -> Iterator[Ratio]:
    """What a person waits for beside the bench: the demo's numbers, its page, and forty hand readings."""
    out, hand = setting.folder / "demo", FIXTURES / "hand-readings" / "run.toml"
    yield from beside_floor(
        setting,
        [
            ("numbers and map of the demo", ["fit", DEMO, "--quiet"], 1.6),
            ("numbers, map and page of the demo", ["fit", DEMO, "--out", out, "--afresh", "--quiet"], 2.5),
            ("numbers and map of forty hand readings", ["fit", hand, "--quiet"], 1.5),
            (
                "look up one place of its map",
                ["lookup", out, *["--torque=9", "--speed=3", "--temperature=70"]],
                1,
            ),
        ],
    )
    from diffbench.fitting import fit
    from diffbench.results import make_map

    make_map(fit(DEMO))  # libraries loaded, as a watch has them
    (ours,) = medians(setting.repeats, lambda: make_map(fit(DEMO)))
    yield Ratio("the same in a process that runs, as a watch does", "1 s", ours, 1.0, "at most 1")


def questions(setting: Setting) -> Iterator[Ratio]:
    """Questions to results that stand: no fit is needed, so all of it is loading, reading and answering."""

    def fitted(*sheets: str) -> list[Path]:
        made = []
        for sheet in sheets:
            made.append(setting.folder / sheet.removesuffix(".toml").replace("/", "-"))
            process([PROGRAM, "fit", FIXTURES / sheet, "--out", made[-1], "--quiet"])
        return made

    states = fitted("demo/rebuilt/run.toml", "demo/worn/run.toml")
    visits = fitted(*(f"repeats/run-refit-{i}.toml" for i in range(1, 5)))
    shims = fitted(*(f"shims/run-shim-0.{i}mm.toml" for i in range(4)))
    yield from beside_floor(
        setting,
        [
            ("compare two results", ["compare", *states], 1.5),
            ("repeatability of four results", ["repeatability", *visits], 1.5),
            ("advise by four results", ["advise", *shims, "--target", "80 N.m"], 1.5),
        ],
    )


TEN_HOURS = 36_000_000  # rows at 1 kHz


def end_to_end(setting: Setting) -> Iterator[Ratio]:
    """From the file to characterisation, map and page, beside reading it; all in processes of their own."""
    yield from _from_the_file(setting, setting.sheet, setting.rows, setting.repeats, "at most 5")
    if setting.long:
        sheet = write_visit(setting.folder / "ten-hours", rows=TEN_HOURS, rate=1000.0)
        yield from _from_the_file(setting, sheet, TEN_HOURS, 1, "at most 2")
        sheet.with_suffix(".csv").unlink()


def _from_the_file(setting: Setting, sheet: Path, rows: int, repeats: int, aim: str) -> Iterator[Ratio]:
    bare = [sys.executable, "-c", f"import pandas; pandas.read_csv({str(sheet.with_suffix('.csv'))!r})"]
    ours = [PROGRAM, "fit", sheet, "--out", setting.folder / "out", "--afresh", "--quiet"]
    (spent, memory), (theirs, _) = processes(repeats, ours, bare)
    what = f"fit, map and page from {rows:,} rows"
    note = f"the floor is {theirs / spent:.0%} of it"
    yield Ratio(what, "pandas.read_csv in a process", spent, theirs, aim, note)
    yield Ratio("largest memory of that", "600 MB", memory, 600.0, "below 1", unit="MB")


SHEET = 0.72  # s: an hour of two cores for ten thousand run sheets


def fleet(setting: Setting) -> Iterator[Ratio]:
    """One run sheet of a fleet, in a worker that has its libraries, and what is not the fit of it."""
    from diffbench.fitting import fit
    from diffbench.results import make_map
    from diffbench.run import fitted

    sweep = write_visit(setting.folder / "sweep", rows=1200, rate=20.0, law="additive", unit=Unit(cycle=15.0))
    hand = setting.folder / "hand" / "run.toml"
    shutil.copytree(FIXTURES / "hand-readings", hand.parent)
    readings = hand.with_name("readings.csv")
    lines = readings.read_text(encoding="utf-8").splitlines(keepends=True)
    readings.write_text("".join([lines[0], *lines[1::4]]), encoding="utf-8")
    for what, sheet in (
        (f"fleet: a sheet of {len(lines[1::4])} readings by hand", hand),
        ("fleet: a sheet of a sweep of 1,200 rows", sweep),
        ("fleet: the demo", DEMO),
    ):
        if fitted(str(sheet), False).faults:  # the first loads libraries
            raise SystemExit(f"{sheet} has faults")
        ours, bare = medians(
            setting.repeats,
            lambda sheet=sheet: fitted(str(sheet), False),  # type: ignore[misc]
            lambda sheet=sheet: make_map(fit(sheet)),  # type: ignore[misc]
        )
        note = f"{bare / ours:.0%} of it are fit and map"
        yield Ratio(what, "an hour of two cores for 10,000", ours, SHEET, "at most 1", note)


def growth(setting: Setting) -> Iterator[Ratio]:
    """Processor time of a fit from tens of thousands of rows to millions: the exponent, as a note."""
    from diffbench.fitting import fit

    counts = [36_000, 360_000, 3_600_000, *([TEN_HOURS] if setting.long else [])]
    spent = []
    for rows in counts:
        sheet = write_visit(setting.folder / f"g{rows}", rows=rows, rate=1000.0 if rows > 36_000 else 100.0)
        begun = time.process_time()
        fit(sheet)
        spent.append(time.process_time() - begun)
        sheet.with_suffix(".csv").unlink()
    slopes = np.diff(np.log(spent)) / np.diff(np.log(counts))
    for rows, before, now, was, slope in zip(counts[1:], counts, spent[1:], spent, slopes, strict=False):
        note = f"exponent {slope:.2f}"
        yield Ratio(f"fit of {rows:,} rows", f"fit of {before:,} rows", now, was, "exponent below 1.05", note)


@dataclass(frozen=True)
class Setting:
    """What all parts are given."""

    folder: Path
    sheet: Path
    rows: int
    repeats: int
    long: bool


PARTS: dict[str, Callable[[Setting], Iterator[Ratio]]] = {
    "start-up": start_up,
    "reading": reading,
    "fitting": fitting,
    "resampling": resampling,
    "lookup": lookup,
    "at-the-bench": at_the_bench,
    "questions": questions,
    "end-to-end": end_to_end,
    "fleet": fleet,
    "growth": growth,
}


def machine() -> str:
    """Processor, cores and versions, for below the table."""
    model = platform.processor() or platform.machine()
    information = Path("/proc/cpuinfo")
    if information.exists():
        names = [line.partition(":")[2].strip() for line in information.read_text().splitlines()
                 if line.startswith("model name")]  # fmt: skip
        model = names[0] if names else model
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    load = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
    return (
        f"{model}, {os.cpu_count()} cores (load {load} at the start); Python {platform.python_version()}, "
        f"{libraries}"
    )


def line_of(item: Ratio) -> str:
    """One row of the table."""
    digits = ".3g" if item.ratio < 100 else ".0f"
    ours, theirs = (f"{x:{'.3g' if x < 1000 else '.0f'}} {item.unit}" for x in (item.ours, item.theirs))
    sizes = f"{ours} | {theirs}"
    return f"| {item.what} | {item.beside} | {sizes} | {item.ratio:{digits}} | {item.aim} | {item.note} |"


def main() -> None:
    """Run the parts that are asked for and print the table as it comes."""
    form = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=form)
    parser.add_argument("--rows", type=int, default=3_600_000, help="rows of the recording, at 1 kHz")
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--only", nargs="+", choices=list(PARTS), default=list(PARTS))
    parser.add_argument("--long", action="store_true", help="ten hours at 1 kHz, too")
    parser.add_argument("--json", type=Path, help="write the numbers here, too")
    given = parser.parse_args()
    print(machine(), flush=True)
    print("\n| what | beside | ours | theirs | ratio | aim | |\n|---|---|---|---|---|---|---|", flush=True)
    found: list[Ratio] = []
    with tempfile.TemporaryDirectory() as folder:
        needs = set(given.only) & {"reading", "resampling", "end-to-end"}
        rows = given.rows if needs else 36_000
        sheet = write_visit(Path(folder), rows=rows, rate=1000.0)
        setting = Setting(Path(folder), sheet, rows, given.repeats, given.long)
        for name in given.only:
            for item in PARTS[name](setting):
                found.append(item)
                print(line_of(item), flush=True)
    if given.json:
        rows_found = [{**asdict(item), "ratio": item.ratio} for item in found]
        given.json.write_text(json.dumps({"machine": machine(), "ratios": rows_found}, indent=2) + "\n")


if __name__ == "__main__":
    main()
