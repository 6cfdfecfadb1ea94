"""The commands of this folder find what they say they find, and do not rot unseen."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from mutate import ROOT, mutants_of, reasons  # the path above comes first
from planted import PLANTED, plant  # same

SOURCE = '''"""Text with 3 and a < b."""
LIMIT: float = 0.5


def larger(a: int, b: int = 2) -> bool:
    """Whether 1 < 2."""
    if not a or f"{a + 1}":
        return a * 3 >= b - LIMIT
    return None
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
    for (file, old, new), why in reasons().items():
        package = ROOT / "diffbench"
        stands = {(one.old, one.new) for one in mutants_of(package / file, package)}
        assert (old, new) in stands, file
        assert len(why) > 20


def test_the_index_names_the_tests_of_a_line(tmp_path: Path) -> None:
    (tmp_path / "halves.py").write_text(
        "def half(x):\n    if x < 0:\n        return -half(-x)\n    return x / 2\n", encoding="utf-8"
    )
    (tmp_path / "test_halves.py").write_text(
        "from halves import half\n\n\ndef test_up():\n    assert half(3) == 1.5\n\n\n"
        "def test_down():\n    assert half(-3) == -1.5\n",
        encoding="utf-8",
    )

    def asked(line: int) -> tuple[int, list[str]]:
        index = Path(__file__).parent / "index.py"
        words = [index, "--source", tmp_path, "--tests", "test_halves.py", "--line", f"halves.py:{line}"]
        ran = subprocess.run(
            [sys.executable, *map(str, words)],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(tmp_path)},
            capture_output=True,
            encoding="utf-8",
            check=False,
        )
        return ran.returncode, [line.partition("::")[2] for line in ran.stdout.splitlines() if "::" in line]

    assert asked(3) == (0, ["test_down"])
    assert asked(4) == (0, ["test_down", "test_up"])
    assert asked(9) == (1, [])
