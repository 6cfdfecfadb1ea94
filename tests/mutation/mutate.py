"""Which changes of a folder would no test notice? Mutates sampled places, one at a time, and runs its tests.

Run by hand: ``python tests/mutation/mutate.py --folder fitting --mutants 20 --seed 1``, or ``--changed-since
main`` for the lines that a branch changed; ``--folder .`` is the modules beside the folders. In a copy of the
repository the tests of the folder (`COVERED_BY`, or ``--tests``) run once under an index of lines. Then a
comparison, an operator, a constant or a returned value is changed, and those that come by its line run, the
quickest first, until one fails; with them cheap ones near by name that start processes, which no index sees.
Survivors are listed with their reasons where ``survivors.txt`` has one. Exit status 1 where one survives
without a reason.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import itertools
import json
import os
import random
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from index import Index  # the path above comes first
from planted import ROOT, copy_of  # same
from trial import Trials  # same

#: Tests of a folder of the package, quick ones first; else the folder of tests of the same name.
COVERED_BY = {
    "fitting": (
        "tests/contract/test_numbers.py",
        "tests/fitting",
        "tests/published/test_covariances.py",
        "tests/published/test_monte_carlo.py",
        "tests/published/test_nist_strd.py",
        "tests/published/test_profile_intervals.py",
    ),
    "results": (
        "tests/predict",
        "tests/published/test_conformance.py",
        "tests/published/test_decision_rule.py",
        "tests/contract/test_maps.py",
        "tests/silence/test_sets.py::test_a_reader_waits_while_a_file_is_on_its_way",
    ),
    "physics": ("tests/physics", "tests/published"),
    "trend": ("tests/trend", "tests/published/test_control_charts.py", "tests/answers/test_state.py"),
    "answers": (
        "tests/answers",
        "tests/trend",
        "tests/published/test_control_charts.py",
        "tests/published/test_precision.py",
        "tests/cli/test_lap.py",
        "tests/cli/test_trackside.py",
    ),
    "run": ("tests/watching", "tests/fleet"),
    "cli": (
        "tests/cli",
        "tests/inspection/test_drafts.py",
        "tests/inspection/test_interview.py",
        "tests/inspection/test_newcomers.py",
        "tests/trend/test_trend.py",
        "tests/exports/test_export_command.py",
        "tests/report/test_card.py",
        "tests/fleet/test_fit_all.py",
        "tests/watching/test_watch.py",
        "tests/silence/test_last_resort.py",
    ),
    ".": (
        "tests/test_quantities.py",
        "tests/test_errors.py",
        "tests/test_recording.py",
        "tests/silence",
        "tests/documents",
    ),
}
CHEAP = 5.0  # seconds of the processor; a test of processes is asked for each change that it is near to
GUARD = 1e-5
UNSEEN = "not run by any test"
TIMES = itertools.count(
    1_000_000_000
)  # no change is taken for another, compiled before: theirs to the second
LOADED = ("pytest", "numpy", "scipy.stats", "scipy.optimize", "pandas", "lmfit", "click", "jsonschema")
COMPARISONS = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==",
    ast.Is: "is not", ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
}  # fmt: skip
OPERATORS = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.Pow: "*", ast.FloorDiv: "/"}


@dataclass(frozen=True)
class Mutant:
    """One change: bytes ``start`` to ``end`` of ``file`` (below the package) become ``new``."""

    file: str
    line: int
    start: int
    end: int
    old: str
    new: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}  {self.old}  ->  {self.new}"


def mutants_of(path: Path, package: Path) -> Iterator[Mutant]:
    """Every change that can be made to a module."""
    source = path.read_bytes()
    starts = [0]
    for line in source.split(b"\n"):
        starts.append(starts[-1] + len(line) + 1)

    def at(line: int, column: int) -> int:
        return starts[line - 1] + column

    for node in _code(ast.parse(source)):
        for part, new in _changes(node):
            assert part.end_lineno is not None
            assert part.end_col_offset is not None
            start, end = at(part.lineno, part.col_offset), at(part.end_lineno, part.end_col_offset)
            old = source[start:end].decode()
            yield Mutant(str(path.relative_to(package)), part.lineno, start, end, old, new)


def _code(tree: ast.AST) -> Iterator[ast.AST]:
    """What runs and decides: no annotations, no docstrings, nothing within a text, no guard of `zip`."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for node in value if isinstance(value, list) else [value]:
            if (
                isinstance(node, ast.AST)
                and not isinstance(node, ast.JoinedStr | ast.Import | ast.ImportFrom)
                and not (isinstance(node, ast.keyword) and node.arg == "strict")
            ):
                yield node
                yield from _code(node)


def _changes(node: ast.AST) -> Iterator[tuple[ast.expr, str]]:
    """The parts of a node that can be changed, and into what."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in COMPARISONS:
        left, right = ast.unparse(node.left), ast.unparse(node.comparators[0])
        yield node, f"({left}) {COMPARISONS[type(node.ops[0])]} ({right})"
    elif isinstance(node, ast.BinOp) and type(node.op) in OPERATORS and not _of_text(node):
        yield node, f"(({ast.unparse(node.left)}) {OPERATORS[type(node.op)]} ({ast.unparse(node.right)}))"
    elif isinstance(node, ast.BoolOp):
        word = " or " if isinstance(node.op, ast.And) else " and "
        yield node, f"({word.join(f'({ast.unparse(value)})' for value in node.values)})"
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield node, f"({ast.unparse(node.operand)})"
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield node, repr(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        yield node, repr(_another(node.value))
    elif isinstance(node, ast.Return) and node.value is not None and ast.unparse(node.value) != "None":
        yield node.value, "None"


def _another(number: float) -> float:
    """A whole number one further, another by a tenth; what keeps from dividing by zero, so large that it
    shows: by a tenth more it would do the same."""
    if isinstance(number, int):
        return number + 1
    return 0.01 if 0.0 < abs(number) < GUARD else number * 1.1 or 0.1


def _of_text(node: ast.BinOp) -> bool:
    """Whether texts are joined, not numbers added."""
    parts = (node.left, node.right)
    return any(
        isinstance(p, ast.JoinedStr) or (isinstance(p, ast.Constant) and isinstance(p.value, str))
        for p in parts
    )


def changed_lines(revision: str) -> dict[str, set[int]]:
    """Lines of the package that differ from a revision, by file below the package."""
    words = ["git", "diff", "--unified=0", revision, "--", "diffbench"]
    text = subprocess.run(words, cwd=ROOT, capture_output=True, encoding="utf-8", check=True).stdout
    found: dict[str, set[int]] = {}
    file = ""
    for line in text.splitlines():
        if line.startswith("+++ b/"):
            file = line.removeprefix("+++ b/diffbench/")
        elif hunk := re.match(r"@@ -\S+ \+(\d+)(?:,(\d+))? @@", line):
            first, count = int(hunk[1]), int(hunk[2] or 1)
            found.setdefault(file, set()).update(range(first, first + count))
    return found


def chosen(folder: str, count: int, seed: int, changed: dict[str, set[int]] | None) -> list[Mutant]:
    """A sample of the changes that can be made below a folder of the package, by file and line."""
    package = ROOT / "diffbench"
    place = package / folder
    beside = "*.py" if folder == "." else "**/*.py"
    paths = sorted(place.glob(beside)) if place.is_dir() else [place]
    every = [mutant for path in paths for mutant in mutants_of(path, package)]
    if changed is not None:
        every = [mutant for mutant in every if mutant.line in changed.get(mutant.file, ())]
    picked = random.Random(seed).sample(every, min(count, len(every)))
    return sorted(picked, key=lambda mutant: (mutant.file, mutant.line, mutant.start))


def tests_of(folder: str) -> list[str]:
    """What a part of the package is held against: tests, and the examples in its docstrings."""
    package, first = ROOT / "diffbench", Path(folder).parts[:1]
    room = "." if not first or first[0].endswith(".py") else first[0]
    examples = sorted(package.glob("*.py")) if room == "." else [package / room]
    return [*COVERED_BY.get(room, (f"tests/{room}",)), *(str(one.relative_to(ROOT)) for one in examples)]


def code_at(mutant: Mutant) -> str:
    """The line of a change, as it stands."""
    lines = (ROOT / "diffbench" / mutant.file).read_text(encoding="utf-8").splitlines()
    return lines[mutant.line - 1].strip()


def reasons() -> dict[tuple[str, str, str, str], str]:
    """Of known survivors: (file, line as it stands or nothing, old, new) -> why no test is wanted."""
    found = {}
    for line in (Path(__file__).parent / "survivors.txt").read_text(encoding="utf-8").splitlines():
        if line.strip() and not line.startswith("#"):
            rest, old, new, why = (part.strip() for part in line.rsplit(" | ", 3))
            file, _, code = (part.strip() for part in rest.partition(" | "))
            found[file, code, old, new] = why
    return found


def reason_of(mutant: Mutant, known: dict[tuple[str, str, str, str], str]) -> str:
    """Why none is wanted for a change, or nothing."""
    keys = ((mutant.file, code, mutant.old, mutant.new) for code in (code_at(mutant), ""))
    return next((known[key] for key in keys if key in known), "")


def near(mutant: Mutant, tests: Sequence[str]) -> list[str]:
    """Those of ``tests`` whose file is named for the module, or names the function or class around."""
    path = ROOT / "diffbench" / mutant.file
    around = [
        node.name.lstrip("_")
        for node in ast.walk(ast.parse(path.read_bytes()))
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and node.lineno <= mutant.line <= (node.end_lineno or 0)
    ]
    words = re.compile(rf"\b_?({'|'.join(map(re.escape, around)) or '(?!)'})\b")

    @cache
    def named(file: Path) -> bool:
        return path.stem in file.stem or bool(words.search(file.read_text(encoding="utf-8")))

    return [test for test in tests if named(ROOT / test.partition("::")[0])]


def noticing(mutant: Mutant, index: Index) -> list[str]:
    """The tests that might notice a change, quickest first."""
    coming_by = index.tests_of(mutant.file, mutant.line)
    unseen = [test for test in index.starting if index.seconds[test] < CHEAP]
    found = {*coming_by, *near(mutant, unseen)}
    return sorted(found, key=lambda test: (index.seconds[test], test))


def within(seconds: float, tests: Sequence[str], index: Index) -> list[str]:
    """As many of the tests, from the first on, as take so long together, and the first in any case."""
    sums = itertools.accumulate(index.seconds[test] for test in tests)
    return [test for i, (test, of) in enumerate(zip(tests, sums, strict=True)) if of <= seconds or i == 0]


def fate_of(mutant: Mutant, folder: Path, trials: Trials, seconds: dict[str, float]) -> str:
    """``killed`` or ``survived`` by tests in a copy, which is left as it was."""
    path = folder / "diffbench" / mutant.file
    source, then = path.read_bytes(), path.stat().st_mtime
    path.write_bytes(source[: mutant.start] + mutant.new.encode() + source[mutant.end :])
    os.utime(path, (0, next(TIMES)))
    try:
        return "survived" if trials.pass_all(path, seconds) else "killed"
    finally:
        path.write_bytes(source)
        os.utime(path, (then, then))


def indexed(folder: Path, tests: Sequence[str]) -> Index:
    """Which tests come by which lines of a copy; they must pass."""
    made = folder.parent / "index.json"
    words = [folder / "tests/mutation/index.py", "--tests", *tests, "--out", made]
    ran = subprocess.run(
        [sys.executable, *map(str, words)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder)},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    if ran.returncode:
        raise SystemExit(f"{ran.stdout}{ran.stderr}")
    return Index.load(made)


def main() -> int:
    """Run by command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", required=True, help="of the package, or one module: results/map_grid.py")
    parser.add_argument("--mutants", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--changed-since", metavar="REVISION", help="only lines that differ from it")
    parser.add_argument("--tests", nargs="+", help="files or folders of tests, where not the folder's own")
    parser.add_argument(
        "--seconds", type=float, default=300.0, help="of the processor for the tests of a change"
    )
    parser.add_argument("--line", help="only changes of this line of a module, or of some: 170-184")
    parser.add_argument("--list", action="store_true", help="name the changes, and run nothing")
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    changed = changed_lines(arguments.changed_since) if arguments.changed_since else None
    if arguments.line:
        first, _, last = arguments.line.partition("-")
        changed = {arguments.folder: set(range(int(first), int(last or first) + 1))}
    mutants = chosen(arguments.folder, arguments.mutants, arguments.seed, changed)
    if arguments.list:
        print("\n".join(map(str, mutants)))
        return 0
    tests = arguments.tests or tests_of(arguments.folder)
    for name in LOADED:
        importlib.import_module(name)
    known, fates = reasons(), []
    with tempfile.TemporaryDirectory() as made:
        folder = copy_of(ROOT, Path(made) / "copy")
        index = indexed(folder, tests)
        trials = Trials(folder, tests)
        for mutant in mutants:
            asked = within(arguments.seconds, noticing(mutant, index), index)
            fate = (
                fate_of(mutant, folder, trials, {test: index.seconds[test] for test in asked})
                if asked
                else "survived"
            )
            why = "" if fate == "killed" else reason_of(mutant, known)
            why = why or ("" if asked else UNSEEN)
            fates.append({**asdict(mutant), "fate": fate, "tests": len(asked), "reason": why})
            if not arguments.json:
                print(f"{fate:9} {len(asked):4} {mutant}{'  : ' + why if why else ''}", flush=True)
        trials.close()
    # one that changes nothing can be killed by nothing: it is not decided
    decided = [one for one in fates if not str(one["reason"]).startswith("equivalent")]
    killed = sum(one["fate"] == "killed" for one in decided)
    told = {"folder": arguments.folder, "seed": arguments.seed, "killed": killed, "decided": len(decided)}
    print(json.dumps({**told, "mutants": fates}, indent=1) if arguments.json else told)
    return int(any(one["fate"] == "survived" and one["reason"] in ("", UNSEEN) for one in fates))


if __name__ == "__main__":
    raise SystemExit(main())
