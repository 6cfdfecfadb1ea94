"""Does a change of the code leave the numbers as they were? Fit the same recordings with the code of a commit
and with the working tree, and compare every number of the characterisations and of the maps.

Run by hand: ``python tests/bench/same_numbers.py COMMIT --seeds 6``. It fits the fixtures and that many
random benches of the simulator, prints the largest differences, and ends with status 1 where one exceeds
``--tolerance`` (0 by default: to the last bit), where a text or an error is another one, or where a key is
gone. Keys may be added: they are counted.
"""

from __future__ import annotations

import argparse
import io
import json
import math
import os
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Iterator
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
FIXTURES = REPOSITORY / "fixtures"
JOBS = {
    "rebuilt": ["demo/rebuilt/run.toml"],
    "worn": ["demo/worn/run.toml"],
    "pinion": ["pinion-stand/run.toml"],
    "hand": ["hand-readings/run.toml"],
    "shims": [f"shims/run-shim-0.{i}mm.toml" for i in range(4)],
    "refit": ["repeats/run-refit-1.toml"],
}
# Of the run and not of the unit: when, by which version, from which folder; and the hashes over that.
OTHERWISE = ("provenance", "sha256", "characterisation_sha256")

FIT = """
import json, sys
import diffbench
from diffbench.errors import DiffbenchError
from diffbench.results.predict import make_map
assert diffbench.__file__.startswith(sys.argv[1]), diffbench.__file__
for job in sys.stdin:
    name, sheets, target = json.loads(job)
    text = {}
    try:
        result = diffbench.fit(sheets)
        text["characterisation"] = json.loads(result.to_json())
        text["map"] = json.loads(make_map(result).to_json())
    except DiffbenchError as error:
        text["error"] = str(error)  # several builds have no map of their own
    open(target, "w", encoding="utf-8").write(json.dumps(text))
    print(name, file=sys.stderr, flush=True)
"""


def write_benches(seeds: int, folder: Path) -> dict[str, list[str]]:
    """Files of random benches, and their run sheets by name."""
    sys.path.insert(0, str(FIXTURES))
    from benchsim.random_benches import random_bench, simulate_many, write_bench

    found = {}
    for first in range(0, seeds, 10):
        benches = [random_bench(seed) for seed in range(first, min(first + 10, seeds))]
        for bench, recordings in zip(benches, simulate_many(benches), strict=True):
            place = folder / f"bench-{bench.seed}"
            place.mkdir()
            found[place.name] = [str(write_bench(bench, recordings, place))]
    return found


def fit_all(code: Path, jobs: dict[str, list[str]], folder: Path) -> None:
    """Fit every job with the package under ``code``, each result into a file of ``folder``."""
    folder.mkdir()
    lines = [json.dumps([name, sheets, str(folder / f"{name}.json")]) for name, sheets in jobs.items()]
    environment = {**os.environ, "PYTHONPATH": str(code), "PYTHONUTF8": "1"}
    environment |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    subprocess.run(
        [sys.executable, "-c", FIT, str(code)],
        input="\n".join(lines),
        text=True,
        env=environment,
        cwd=folder,
        check=True,
    )


def code_of(commit: str, folder: Path) -> Path:
    """The package as it was at a commit."""
    packed = subprocess.run(
        ["git", "archive", commit, "diffbench"], cwd=REPOSITORY, capture_output=True, check=True
    ).stdout
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        archive.extractall(folder, filter="data")
    return folder


def leaves(value: object, at: str = "") -> Iterator[tuple[str, object]]:
    """Every number and text of a document with its place."""
    if isinstance(value, dict):
        for key, item in value.items():
            if key not in OTHERWISE:
                yield from leaves(item, f"{at}/{key}")
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from leaves(item, f"{at}/{number}")
    else:
        yield at, value


def distance(one: object, other: object) -> float:
    """Relative distance of two leaves; infinite where one is no number, or is not there."""
    if type(one) is type(other) and one == other:
        return 0.0
    if isinstance(one, bool) or isinstance(other, bool):
        return math.inf
    if not isinstance(one, int | float) or not isinstance(other, int | float):
        return math.inf
    size = max(abs(one), abs(other))
    apart = abs(one - other) / size if size else 0.0
    return math.inf if math.isnan(apart) else apart


def compare(before: Path, after: Path) -> tuple[int, int, list[tuple[float, str, object, object]]]:
    """How many leaves a result had and how many were added, and those that differ, the farthest first."""
    one, other = (dict(leaves(json.loads(path.read_text(encoding="utf-8")))) for path in (before, after))
    absent = object()
    found = [(distance(leaf, other.get(at, absent)), at, leaf, other.get(at)) for at, leaf in one.items()]
    differ = [item for item in found if item[0] > 0.0]
    return len(one), len(other.keys() - one.keys()), sorted(differ, key=lambda item: (-item[0], item[1]))


def main() -> int:
    """Compare by command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("commit", help="that the working tree is compared with")
    parser.add_argument("--seeds", type=int, default=6, help="random benches")
    parser.add_argument("--tolerance", type=float, default=0.0, help="relative difference that is let pass")
    parser.add_argument("--only", nargs="*", choices=list(JOBS), help="of the fixtures, these alone")
    parser.add_argument("--keep", type=Path, help="folder of the commit's results, made once and used again")
    parser.add_argument("--show", type=int, default=5, help="differences to print for each job")
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        base = (told.keep or Path(scratch) / "kept").resolve()
        base.mkdir(parents=True, exist_ok=True)
        benches = base / "benches"
        if not benches.exists():
            benches.mkdir()
            sheets = write_benches(told.seeds, benches)
            (base / "benches.json").write_text(json.dumps(sheets), encoding="utf-8")
        names = JOBS if told.only is None else told.only
        jobs = {name: [str(FIXTURES / sheet) for sheet in JOBS[name]] for name in names}
        written = json.loads((base / "benches.json").read_text(encoding="utf-8"))
        jobs |= {f"bench-{seed}": written[f"bench-{seed}"] for seed in range(told.seeds)}
        before, after = base / f"results-{told.commit}", Path(scratch) / "after"
        if not before.exists():
            made = Path(scratch) / "before"
            fit_all(code_of(told.commit, Path(scratch) / "code"), jobs, made)
            made.rename(before)
        fit_all(REPOSITORY, jobs, after)
        worst = 0.0
        for name in jobs:
            count, added, differ = compare(before / f"{name}.json", after / f"{name}.json")
            far = differ[0][0] if differ else 0.0
            worst = max(worst, far)
            print(f"{name}: {count} leaves, {added} added, {len(differ)} differ, by {far:.3g} at most")
            for apart, at, one, other in differ[: told.show]:
                print(f"    {apart:.3g} {at}: {one!r} -> {other!r}")
    print("the same" if worst <= told.tolerance else "NOT the same")
    return 0 if worst <= told.tolerance else 1


if __name__ == "__main__":
    sys.exit(main())
