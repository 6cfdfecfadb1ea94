"""What a step of a differential costs: the law in C, and the class in Python for many cars.

    .venv/bin/python tests/bench/stepping.py [--cars 1000] [--json stepping.json]

On one core, medians of several runs: nanoseconds a step in C, through slip and stick, and car-steps a second
in Python. Beside them, where it is installed (`pip install mujoco`), one step of dry friction between two
turning bodies in that library: it moves the bodies as well, so that it is a measure and no match. Never
fails: what misses an aim stands beside it.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402  reads the above as it loads

sys.path.insert(0, str(Path(__file__).parents[1] / "exports"))

AIM_C, AIM_PYTHON = 200.0, 1e6
RUNS = 7
HOST = r"""
#include <stdio.h>
#include <time.h>
#include "q17_law.h"
int main(void)
{
    enum { STEPS = 1000000 };
    q17_setup setup; q17_state state; q17_given given;
    double sum = 0.0, apart = 3.0;
    long n, stuck = 0;
    clock_t begin;
    q17_as_fitted(&setup);
    q17_begin(&state, 60.0);
    begin = clock();
    for (n = 0; n < STEPS; n++)
    {
        const q17_drive drive = {200.0 + (n % 1000), apart, 60.0};
        (void)q17_step(&setup, &state, 0.001, &drive, &given);
        apart += 0.001 * (((n % 1000 < 200) ? 900.0 : 0.0) - given.friction_torque);
        sum += given.friction_torque;
        stuck += given.locked;
    }
    printf("%.6g %.6g %.17g\n", 1e9 * (double)(clock() - begin) / CLOCKS_PER_SEC / STEPS,
           (double)stuck / STEPS, sum);
    return 0;
}
"""
TWO_BODIES = """
<mujoco><option timestep="0.001" gravity="0 0 0"/>
<worldbody>
  <body><joint name="left" type="hinge" axis="1 0 0"/>
    <geom type="sphere" size="0.1" contype="0" conaffinity="0"/></body>
  <body><joint name="right" type="hinge" axis="1 0 0"/>
    <geom type="sphere" size="0.1" contype="0" conaffinity="0"/></body>
</worldbody>
<tendon><fixed frictionloss="100">
  <joint joint="left" coef="1"/><joint joint="right" coef="-1"/></fixed></tendon>
</mujoco>
"""


def in_c(folder: Path) -> tuple[float, float]:
    """Nanoseconds a step, and the share of steps that stick."""
    from conftest import make_lawful

    from diffbench.exports import export_map

    export_map(make_lawful("additive"), "c-law", folder / "q17")
    (folder / "host.c").write_text(HOST, encoding="utf-8")
    compiler = os.environ.get("CC", "cc")
    host = folder / "host"
    subprocess.run([compiler, "-std=c99", "-O2", "-o", host, "host.c", "q17_law.c"], cwd=folder, check=True)
    rows = [
        [float(word) for word in subprocess.run([host], capture_output=True, check=True).stdout.split()]
        for _ in range(RUNS)
    ]
    return statistics.median(row[0] for row in rows), rows[0][1]


def timed(work: Callable[[], None]) -> float:
    """Median processor time of some runs [s]."""
    seen = []
    for _ in range(RUNS):
        begin = time.process_time()
        work()
        seen.append(time.process_time() - begin)
    return statistics.median(seen)


def in_python(cars: int) -> float:
    """Car-steps a second."""
    from conftest import make_lawful

    from diffbench.exports import Differential

    rng = np.random.default_rng(3)
    fleet = Differential(make_lawful("additive"), cars=cars, preload_torque=rng.uniform(60.0, 120.0, cars))
    torque, apart = rng.uniform(-300.0, 500.0, cars), rng.uniform(-3.0, 3.0, cars)
    count = min(max(200_000 // cars, 20), 500)

    def steps() -> None:
        nonlocal apart
        for _ in range(count):
            given = fleet.step(0.001, torque, apart, 60.0)
            apart = apart + 0.001 * (torque - given.friction_torque)

    return cars * count / timed(steps)


def beside() -> float | None:
    """Nanoseconds a step of two bodies with friction between them in a general library, if there is one."""
    if importlib.util.find_spec("mujoco") is None:
        return None
    mujoco: Any = importlib.import_module("mujoco")
    model = mujoco.MjModel.from_xml_string(TWO_BODIES)
    data = mujoco.MjData(model)
    data.qvel[:] = 3.0, -3.0
    count = 20_000
    return 1e9 * timed(lambda: mujoco.mj_step(model, data, count)) / count


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cars", type=int, nargs="+", default=[100, 1000, 10_000])
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        c, stuck = in_c(Path(folder))
    print(
        f"in C: {c:.0f} ns a step, {100.0 * stuck:.0f} % of them stuck (aim {AIM_C:.0f} ns: {AIM_C / c:.2f}x)"
    )
    rates = {cars: in_python(cars) for cars in asked.cars}
    for cars, rate in rates.items():
        print(
            f"in Python: {rate:.3g} car-steps a second, {cars} cars; aim {AIM_PYTHON:.0e}: "
            f"{rate / AIM_PYTHON:.2f}x"
        )
    other = beside()
    if other is None:
        print("beside: mujoco is not installed")
    else:
        print(f"beside: {other:.0f} ns a step of two bodies with friction, {other / c:.1f}x that in C")
    if asked.json:
        asked.json.write_text(json.dumps({"c_ns": c, "stuck": stuck, "python": rates, "beside_ns": other}))


if __name__ == "__main__":
    main()
