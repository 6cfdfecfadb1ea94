"""Does the contract notice a number that is a little wrong? Plants each fault alone, and runs the contract.

Run by hand: ``python tests/mutation/planted.py`` (``--only static``, ``--json``). Each fault falsifies what
the fit reports of one quantity, in a copy of the package; the repository is not touched. Exit status 1 where
a fault goes unnoticed, or the contract fails without any.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CONTRACT = "tests/contract/test_numbers.py::test_every_parameter_is_the_truth[{}]"


@dataclass(frozen=True)
class Planted:
    """One fault: ``old`` stands once in ``file`` of the package and becomes ``new``."""

    name: str
    file: str
    old: str
    new: str
    bench: str = "additive-squared"


def _wrapped(name: str, beginning: str, factor: float, bench: str = "additive-squared") -> Planted:
    """Whatever is reported under a name that begins so, times a factor."""
    old = "        value = float(quantity(candidate.x))\n"
    new = (
        "        plain = quantity\n"
        f"        changed = {factor} if name.startswith({beginning!r}) else 1.0\n"
        "        def quantity(x): return changed * plain(x)\n" + old
    )
    return Planted(name, "fitting/estimates.py", old, new, bench)


PLANTED = (
    _wrapped("friction slope, its sign turned", "friction_slope", -1.0),
    _wrapped("locking effect + 3 %", "locking_effect", 1.03),
    _wrapped("torque bias ratio + 1 %", "torque_bias_ratio", 1.01),
    _wrapped("viscous coefficient + 10 %", "viscous_coefficient", 1.10),
    _wrapped("heat capacity + 10 %", "heat_capacity", 1.10),
    _wrapped("heat conductance + 10 %", "heat_conductance", 1.10),
    _wrapped("static excess + 5 %", "static_friction_excess", 1.05),
    _wrapped("Stribeck speed + 5 %", "stribeck_speed", 1.05),
    _wrapped("temperature coefficient + 5 %", "friction_temperature_coefficient", 1.05),
    _wrapped("viscous temperature coefficient + 5 %", "viscous_temperature_coefficient", 1.05),
    _wrapped("preload + 1 %", "preload_torque", 1.01),
    _wrapped("loading bias, drive + 1 %", "ramp_bias_drive_loading", 1.01),
    _wrapped("unloading bias, drive + 1 %", "ramp_bias_drive_unloading", 1.01),
    _wrapped("loading bias, coast + 1 %", "ramp_bias_coast_loading", 1.01),
    _wrapped("unloading bias, coast + 1 %", "ramp_bias_coast_unloading", 1.01),
    _wrapped("joint fraction + 5 %", "joint_fraction", 1.05, "greater-of"),
    _wrapped("gear friction + 1 %", "gear_friction", 1.01),
)


@dataclass(frozen=True)
class Found:
    """What the contract said of one fault."""

    name: str
    noticed: bool
    tests: tuple[str, ...]
    seconds: float


def copy_of(root: Path, folder: Path) -> Path:
    """What tests need of the repository, in ``folder``."""
    folder.mkdir(exist_ok=True)
    for name in ("diffbench", "tests", "fixtures", "rigs"):
        shutil.copytree(root / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(root / name, folder / name)
    return folder


def run_tests(folder: Path, tests: list[str], *options: str) -> tuple[int, str]:
    """Run tests of a copy against the copy's package; exit status and what was printed."""
    place = {"PYTHONPATH": str(folder), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-n", "0", "-q", "-p", "no:cacheprovider", *options, *tests],
        cwd=folder,
        env={**os.environ, **place, "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    return ran.returncode, ran.stdout + ran.stderr


def plant(folder: Path, fault: Planted) -> None:
    """Write one fault into a copy."""
    path = folder / "diffbench" / fault.file
    text = path.read_text(encoding="utf-8")
    if text.count(fault.old) != 1:
        raise SystemExit(f"{fault.name}: its line stands {text.count(fault.old)} times in {fault.file}")
    path.write_text(text.replace(fault.old, fault.new), encoding="utf-8")


def try_one(fault: Planted | None) -> Found:
    """The contract with one fault planted, or none, on the bench that shows it."""
    bench = "greater-of" if fault is None else fault.bench
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as made:
        folder = copy_of(ROOT, Path(made))
        if fault is not None:
            plant(folder, fault)
        status, printed = run_tests(folder, [CONTRACT.format(bench)], "-x", "--basetemp", f"{made}/tmp")
    if status not in (0, 1):
        raise SystemExit(f"the tests did not run:\n{printed}")
    failed = tuple(line.split()[1] for line in printed.splitlines() if line.startswith("FAILED"))
    name = fault.name if fault is not None else "nothing planted"
    return Found(name, status == 1, failed, round(time.monotonic() - begun, 1))


def main() -> int:
    """Run by command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="faults whose name holds this")
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    chosen = [fault for fault in PLANTED if arguments.only in fault.name]
    found = [try_one(None)]
    if found[0].noticed:
        print(f"the contract fails as it is: {', '.join(found[0].tests)}", file=sys.stderr)
        return 1
    for fault in chosen:
        found.append(try_one(fault))
        if not arguments.json:
            print(
                f"{'noticed  ' if found[-1].noticed else 'UNNOTICED'}  {fault.name}  {found[-1].tests}",
                flush=True,
            )
    if arguments.json:
        print(json.dumps([vars(one) for one in found], indent=1))
    return 0 if all(one.noticed for one in found[1:]) else 1


if __name__ == "__main__":
    raise SystemExit(main())
