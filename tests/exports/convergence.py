"""How a host's steps and its order tell on stick and slip: a table against a solution by events.

    .venv/bin/python tests/exports/convergence.py [--quick]

Four manoeuvres of an axle, wheels rigid at the differential or behind half shafts; steps fixed, alternating
1 : 0.1 and random; hosts one after the other and side by side; the unit's inertia right, five times too large
and too small; half shafts outside the unit, and inside. Root mean square of the speed difference off
[rad/s], and the share of right `locked`. Some minutes; --quick a few seconds.
"""

from __future__ import annotations

import itertools
import math
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "fixtures"))

from benchsim.axle import Axle, Course, Locking, OpenAxle, Step, by_events, hosted, manoeuvres
from benchsim.c_law import Law

KINDS = (("fixed", 1.0), ("fixed", 5.0), ("fixed", 0.2), ("alternating", 1.0), ("random", 1.0))
SHAFTS = {"rigid": None, "stiff": (0.02, 15000.0, 8.0), "soft": (0.02, 4000.0, 3.0)}


def locking_by(law: dict[str, float], radius: float) -> Locking:
    """The additive law with Stribeck's first exponent, ramps loading, all at the reference temperature, by
    hand."""
    speed, excess = law["stribeck_speed"], law["static_excess"]
    at_reference = 1.0 + excess * math.exp(-0.5 * 4.0 * radius / speed)

    def locking(torque: float, slip: float) -> float:
        bias = law["ramp_bias_drive_loading"] if torque > 0.0 else law["ramp_bias_coast_loading"]
        friction = (1.0 + excess * math.exp(-0.5 * slip * radius / speed)) / at_reference
        load = law["preload_torque"] + bias * abs(torque)
        return friction * load + law["gear_friction"] * abs(torque) + law["viscous_coefficient"] * slip

    return locking


def steps_of(kind: str, longest: float) -> Iterator[float]:
    """Steps without end."""
    if kind == "fixed":
        return itertools.repeat(longest)
    if kind == "alternating":
        return itertools.cycle([longest, 0.1 * longest])
    drawn = np.random.default_rng(11)
    return (longest * float(10.0 ** drawn.uniform(-1.0, 0.0)) for _ in itertools.count())


def stepped(library: Path, axle: Axle, share: float = 1.0, *, side_by_side: bool = False) -> Step:
    """The exported law in C, with that share of the true inertia, ramps loading, plates as the oil, and told
    of the host's order."""
    unit = Law(
        library, "q17", branch=1, heat_capacity=0.0, output_inertia=share * axle.inertia,
        friction_delay=float(side_by_side),
    )  # fmt: skip

    def step(h: float, torque: float, difference: float) -> tuple[float, bool]:
        return unit.step(h, torque, difference), unit.given.locked == 1

    return step


def inside(
    library: Path, axle: Axle, duration: float, steps: Iterator[float], *, side_by_side: bool
) -> Course:
    """A run with the half shafts inside the unit; its speed difference is that at the plates."""
    assert axle.shafts is not None
    inertia, stiffness, damping = axle.shafts
    unit = Law(
        library, "q17", branch=1, heat_capacity=0.0, output_inertia=axle.wheel_inertia,
        half_shaft_stiffness=stiffness, half_shaft_damping=damping, inner_inertia=inertia,
        friction_delay=float(side_by_side),
    )  # fmt: skip
    slips: list[float] = []

    def step(h: float, torque: float, difference: float) -> tuple[float, bool]:
        slips.append(unit.state.inner_speed if slips else difference)
        return unit.step(h, torque, difference), unit.given.locked == 1

    host = OpenAxle(**{part.name: getattr(axle, part.name) for part in fields(axle)})
    run = hosted(host, step, duration, steps, side_by_side=side_by_side, finest=2.5e-4)
    return Course(run.time, np.array(slips), run.stuck)


def main() -> None:
    """Print the table."""
    sys.path.insert(0, str(Path(__file__).parent))
    from conftest import LAWS, make_lawful

    from diffbench.exports import export_map

    quick = "--quick" in sys.argv
    locking = locking_by(LAWS["additive"], 0.0463)
    with tempfile.TemporaryDirectory() as folder:
        export_map(make_lawful("additive"), "c-law", Path(folder) / "q17")
        library = Path(folder) / "law.so"
        subprocess.run(
            ["gcc", "-std=c99", "-O2", "-ffp-contract=off", "-shared", "-fPIC", "-o", library, "q17_law.c"],
            cwd=folder, check=True,
        )  # fmt: skip
        lengths = (4e-3, 1e-3) if quick else (5e-3, 2e-3, 1e-3, 5e-4, 2e-4)
        print("| manoeuvre | shafts | steps | host | inertia |", *(f"{1e3 * h:g} ms |" for h in lengths))
        print("|" + "---|" * (5 + len(lengths)))
        for shafts in ("rigid",) if quick else SHAFTS:
            for name, (axle, duration) in manoeuvres(SHAFTS[shafts]).items():
                wanted = by_events(axle, locking, duration)
                for (kind, share), side in itertools.product(KINDS[:3] if quick else KINDS, (False, True)):
                    cells = []
                    for h in lengths:
                        step = stepped(library, axle, share, side_by_side=side)
                        run = hosted(
                            axle, step, duration, steps_of(kind, h), side_by_side=side,
                            finest=1e-3 if SHAFTS[shafts] is None else 2.5e-4,
                        )  # fmt: skip
                        off, right = wanted.missed_by(run)
                        cells.append(f"{off:.2g} ({right:.3f})")
                    host = "side by side" if side else "in turn"
                    print(
                        f"| {name} | {shafts} | {kind} | {host} | {share:g} |",
                        " | ".join(cells),
                        "|",
                        flush=True,
                    )
                for kind, side in itertools.product(("fixed", "alternating", "random"), (False, True)):
                    if axle.shafts is None:
                        break
                    cells = []
                    for h in lengths:
                        run = inside(library, axle, duration, steps_of(kind, h), side_by_side=side)
                        cells.append("{:.2g} ({:.3f})".format(*wanted.missed_by(run)))
                    host = "side by side" if side else "in turn"
                    print(f"| {name} | {shafts}, inside | {kind} | {host} | 1 |", " | ".join(cells), "|")


if __name__ == "__main__":
    main()
