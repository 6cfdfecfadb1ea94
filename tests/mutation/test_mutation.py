"""The commands of this folder find what they say they find, and do not rot unseen."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from index import Index  # the path above comes first
from mutate import ROOT, code_at, mutants_of, reasons  # same
from planted import PLANTED, plant  # same
from trial import Chosen  # same

SOURCE = '''"""Text with 3 and a < b."""
LIMIT: float = 0.5


def larger(a: int, b: int = 2) -> bool:
    """Whether 1 < 2."""
    if not a or f"{a + 1}":
        return a * 3 >= b - LIMIT
    return max(1e-9, None)
'''


def test_what_decides_is_changed_and_what_is_told_is_not(tmp_path: Path) -> None:
    """Comparisons, operators, constants, returned values; no docstring, no annotation, no text."""
    path = tmp_path / "module.py"
    path.write_text(SOURCE, encoding="utf-8")
    found = list(mutants_of(path, tmp_path))
    assert {(one.line, one.old, one.new) for one in found} == {
        (2, "0.5", "0.55"),
        (5, "2", "3"),
        (7, 'not a or f"{a + 1}"', "((not a) and (f'{a + 1}'))"),
        (7, "not a", "(a)"),
        (8, "a * 3 >= b - LIMIT", "(a * 3) > (b - LIMIT)"),
        (8, "a * 3 >= b - LIMIT", "None"),
        (8, "a * 3", "((a) / (3))"),
        (8, "b - LIMIT", "((b) + (LIMIT))"),
        (8, "3", "4"),
        (9, "max(1e-9, None)", "None"),
        (9, "1e-9", "0.01"),
    }
    source = path.read_bytes()
    for one in found:
        assert source[one.start : one.end].decode() == one.old
        changed = source[: one.start] + one.new.encode() + source[one.end :]
        compile(changed, one.file, "exec")


@pytest.mark.parametrize("fault", PLANTED, ids=lambda fault: fault.name)
def test_every_planted_fault_still_has_its_place(fault, tmp_path: Path) -> None:
    place = tmp_path / "diffbench" / fault.file
    place.parent.mkdir(parents=True)
    text = (ROOT / "diffbench" / fault.file).read_text(encoding="utf-8")
    place.write_text(text, encoding="utf-8")
    plant(tmp_path, fault)
    changed = place.read_text(encoding="utf-8")
    assert changed != text
    compile(changed, fault.file, "exec")


def test_every_known_survivor_still_stands_where_it_stood() -> None:
    for (file, code, old, new), why in reasons().items():
        package = ROOT / "diffbench"
        stands = [one for one in mutants_of(package / file, package) if (one.old, one.new) == (old, new)]
        assert any(code in ("", code_at(one)) for one in stands), file
        assert len(why) > 20


HALVES = """from functools import cache

HALF = 2


def half(x):
    if x < 0:
        return -half(-x)
    return x / HALF


@cache
def whole():
    return ONE + 1


ONE, TWO = 1, 2
"""
TESTS_OF_HALVES = """import subprocess
import sys

import pytest
from halves import half, whole

subprocess.run([sys.executable, "-c", "pass"], check=True)  # between tests, no test's


@pytest.fixture(scope="module")
def third():
    return half(-1)


def test_up():
    assert half(3) == 1.5


def test_whole():
    assert whole() == 2


def test_first(third):
    assert third == -0.5 and whole() == 2


def test_second(third):
    assert third < 0


def test_half_elsewhere():
    assert subprocess.run([sys.executable, "-c", "import halves; halves.half(4)"], check=True)
"""


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory) -> Index:
    folder = tmp_path_factory.mktemp("halves")
    (folder / "halves.py").write_text(HALVES, encoding="utf-8")
    (folder / "test_halves.py").write_text(TESTS_OF_HALVES, encoding="utf-8")
    words = [Path(__file__).parent / "index.py", "--source", folder, "--tests", "test_halves.py"]
    subprocess.run(
        [sys.executable, *map(str, [*words, "--out", folder / "index.json"])],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder)},
        capture_output=True,
        check=True,
    )
    return Index.load(folder / "index.json")


@pytest.mark.parametrize(
    ("line", "tests"),
    [
        (3, {"up", "first", "second"}),  # read on import: those that come by what uses it
        (6, {"up", "first", "second"}),
        (8, {"first", "second"}),  # what sets up a fixture is run for each that asks for it
        (9, {"up", "first", "second"}),
        (14, {"whole", "first"}),  # kept by a cache
        (17, {"whole", "first"}),  # read on import, and used by what is kept
        (20, set()),
    ],
)
def test_the_index_names_the_tests_of_a_line(index: Index, line: int, tests: set[str]) -> None:
    assert {test.partition("::test_")[2] for test in index.tests_of("halves.py", line)} == tests


def test_the_index_knows_what_starts_processes(index: Index) -> None:
    """No line of another process is seen: a change there is held against such tests near by name."""
    (test,) = index.starting
    assert test.endswith("::test_half_elsewhere")
    assert index.seconds[test] == max(index.seconds.values()) > 0.005
    assert test not in index.tests_of("halves.py", 8)


def test_only_the_chosen_run_and_the_quickest_first() -> None:
    """Of a file together while they take about as long: what its fixtures set up is kept."""
    names = ["a::one", "b::two", "a::slow", "b::other", "a::three"]
    items = [SimpleNamespace(nodeid=name) for name in names]
    Chosen({"a::slow": 9.0, "b::two": 0.02, "a::three": 0.01, "a::one": 0.03}).pytest_collection_modifyitems(
        items
    )
    assert [item.nodeid for item in items] == ["a::three", "a::one", "b::two", "a::slow"]


def test_a_change_is_tried_where_the_tests_are_held_and_once_more_from_the_start(tmp_path: Path) -> None:
    """A function's code is exchanged, though tests freeze what they collect, or read as it is, where no test
    has asked for it before; a constant, read on import, is not: that is tried anew."""
    (tmp_path / "copy").mkdir()
    halves, thirds, tests = tmp_path / "copy/halves.py", tmp_path / "copy/thirds.py", "test_halves.py"
    halves.write_text(HALVES, encoding="utf-8")
    thirds.write_text("def third(x):\n    return x / 3\n", encoding="utf-8")
    (tmp_path / "copy/conftest.py").write_text(
        "import gc\n\n\ndef pytest_collection_finish():\n    gc.freeze()\n"
    )
    late = "\n\ndef test_late():\n    from thirds import third\n    assert third(3) == 1\n"
    (tmp_path / "copy" / tests).write_text(TESTS_OF_HALVES + late, encoding="utf-8")
    script = f"""
import sys, pathlib
sys.path.insert(0, {str(Path(__file__).parent)!r})
from trial import Trials
halves, thirds = pathlib.Path({str(halves)!r}), pathlib.Path({str(thirds)!r})
trials, anew = Trials(halves.parent, ["{tests}"]), Trials._anew
for path, old, new in (
    (halves, "x / HALF", "x * HALF"), (halves, "HALF = 2", "HALF = 3"), (halves, "x < 0", "x < 1e-9"),
    (halves, "", ""), (thirds, "x / 3", "x * 3"),
):
    source = path.read_text()
    path.write_text(source.replace(old, new, 1))
    names = ("up", "first", "late")
    told = []
    for again in (anew, lambda *_: 0):
        Trials._anew = again
        told.append(trials.pass_all(path, {{f"{tests}::test_{{name}}": 0.1 for name in names}}))
    print(*told)
    path.write_text(source)
trials.close()
"""
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, encoding="utf-8", check=True)
    # with and without the start anew
    found = [line.split() for line in ran.stdout.splitlines()]
    assert found == [["False"] * 2, ["False", "True"], ["True"] * 2, ["True"] * 2, ["False"] * 2]
