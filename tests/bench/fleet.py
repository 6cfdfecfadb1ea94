"""Thousands of small recordings: written, fitted, broken off in the middle, fitted to the end, counted.

    .venv/bin/python tests/bench/fleet.py --count 10000 --jobs 2

Prints the time for each tenth of the way, which tells growth from linear, and fails unless every run sheet
has its result exactly once and those that were made to be broken their faults. 10,000 take some hours on two
cores.
"""

from __future__ import annotations

import argparse
import csv
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from recordings import Unit, write_visit

PROGRAM = Path(sys.executable).with_name("diffbench")
BROKEN = 50  # every so many is cut off in the middle of its columns


def main() -> None:
    """Write, break off, go on, count."""
    form = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=form)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        visits, out = Path(folder) / "visits", Path(folder) / "out"
        for i in range(given.count):
            name, unit = f"u{i:05d}", Unit(cycle=15.0)
            write_visit(visits / f"{i // 100:03d}", rows=1200, rate=20.0, seed=i, name=name, law="additive",
                        unit=unit)  # fmt: skip
            if i % BROKEN == BROKEN - 1:
                text = visits / f"{i // 100:03d}" / f"{name}.csv"
                text.write_text(text.read_text(encoding="utf-8").replace(",", ";", 4), encoding="utf-8")
        call = [PROGRAM, "fit-all", visits, "--out", out, "--jobs", str(given.jobs), "--quiet"]
        running = subprocess.Popen(call, stderr=subprocess.DEVNULL)
        begun, tenth = time.monotonic(), 1
        while running.poll() is None:
            time.sleep(1.0)
            done = sum(1 for _ in out.glob("*/*/*.json")) // 2
            if done >= tenth * given.count / 10:
                print(f"{done:6d} after {time.monotonic() - begun:8.0f} s", flush=True)
                tenth += 1
                if tenth == 6:
                    # broken off as a user would, then given again
                    running.send_signal(signal.SIGINT)
                    running.wait()
                    running = subprocess.Popen(call, stderr=subprocess.DEVNULL)
        results, faults = list(out.glob("*/*/characterisation.json")), list(out.glob("*/*/faults.txt"))
        print(f"{len(results)} results, {len(faults)} with faults, {time.monotonic() - begun:.0f} s in all")
        with (out / "overview.csv").open(encoding="utf-8", newline="") as file:
            lines = list(csv.DictReader(file))
        broken = given.count // BROKEN
        if (len(results), len(faults), len(lines)) != (given.count - broken, broken, given.count):
            raise SystemExit("something was lost, or came twice")


if __name__ == "__main__":
    main()
