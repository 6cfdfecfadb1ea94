"""Quick to start: help, version and a typo load no heavy library; a command at work, those that it uses."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from diffbench.cli import COMMANDS

HEAVY = {
    "numpy",
    "pandas",
    "scipy",
    "matplotlib",
    "pydantic",
    "lmfit",
    "jinja2",
    "markdown_it",
    "pint",
    "sqlalchemy",
    "alembic",
}

LOADED = "import json, sys; print(json.dumps(sorted({name.partition('.')[0] for name in sys.modules})))"
CALLS = """
import contextlib, io, json, sys
from diffbench.cli import main
for arguments in json.loads(sys.argv[1]):
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        with contextlib.suppress(SystemExit):
            main(arguments)
    print(json.dumps(sorted({name.partition('.')[0] for name in sys.modules})))
"""


def loaded_after(code: str) -> set[str]:
    """Top names of all modules that an interpreter of its own has loaded after some code."""
    ran = subprocess.run(
        [sys.executable, "-c", f"{code}\n{LOADED}"], capture_output=True, encoding="utf-8", check=True
    )
    return set(json.loads(ran.stdout.splitlines()[-1]))


def test_importing_the_package_is_quick() -> None:
    """``import diffbench`` costs nothing until a name of it is used."""
    loaded = loaded_after("import diffbench")
    assert "diffbench" in loaded
    assert not loaded & HEAVY


def test_using_a_name_loads_what_it_needs() -> None:
    """The names are there when they are asked for: the test above would pass on an empty package too."""
    assert {"numpy", "pydantic"} <= loaded_after("import diffbench; diffbench.load_map")


QUICK = [["--help"], ["--version"], ["fti"], ["fit"], *([name, "--help"] for name in COMMANDS)]


@pytest.fixture(scope="module")
def loaded_by() -> list[set[str]]:
    """What is loaded after each of them, one after the other in one interpreter: nothing is unloaded, so that
    whichever needs a heavy library shows it."""
    ran = subprocess.run(
        [sys.executable, "-c", CALLS, json.dumps(QUICK)], capture_output=True, encoding="utf-8", check=True
    )
    return [set(json.loads(line)) for line in ran.stdout.splitlines()]


@pytest.mark.parametrize("number", range(len(QUICK)), ids=lambda number: " ".join(QUICK[number]))
def test_help_is_quick(number: int, loaded_by: list[set[str]]) -> None:
    """Every help text needs click alone."""
    assert len(loaded_by) == len(QUICK)
    assert "click" in loaded_by[number]
    assert not loaded_by[number] & HEAVY


# Of the libraries that take long, those that a command loads by itself. Statistics come with lmfit, whose
# search a fit needs; nothing draws before the page.
LIBRARIES = {"pandas", "scipy.optimize", "scipy.stats", "lmfit", "matplotlib.figure", "jinja2", "sqlalchemy"}
AT_WORK = {
    "fit": ({"pandas", "scipy.optimize", "scipy.stats", "lmfit"}, ["fit", "{sheet}", "--quiet"]),
    "show": (set(), ["show", "{result}"]),
    "lookup": (set(), ["lookup", "{result}", "--torque=9", "--speed=3", "--temperature=70"]),
    "conformity": (set(), ["conformity", "{result}"]),
    "compare": (set(), ["compare", "{result}", "{result}"]),
    "advise": (set(), ["advise", "{result}", "--target=80 N.m"]),
    "history list": ({"sqlalchemy"}, ["history", "list", "--store", "{store}"]),
}


@pytest.mark.parametrize("name", AT_WORK)
def test_a_command_loads_what_it_uses(name: str, demo: Any, repository: Path, tmp_path: Path) -> None:
    """At work, too: each of them to its end, in an interpreter of its own."""
    expected, words = AT_WORK[name]
    if name == "history list":
        store = [str(tmp_path / "history.sqlite")]
        assert main_of(["history", "add", str(demo.folder), "--store", *store]).returncode == 0
    places = {
        "sheet": repository / "fixtures" / "shims" / "run-shim-0.1mm.toml",
        "result": demo.folder,
        "store": tmp_path / "history.sqlite",
    }
    ran = main_of([word.format(**places) for word in words])
    assert ran.returncode in {0, 1}, ran.stderr
    loaded = set(json.loads(ran.stderr.splitlines()[-1]))
    assert "diffbench.cli" in loaded
    assert loaded & LIBRARIES == expected


def main_of(arguments: list[str]) -> subprocess.CompletedProcess[str]:
    """The command line, which tells at its end on standard error what was loaded."""
    code = (
        "import atexit, json, sys; from diffbench.cli import main;"
        "atexit.register(lambda: print(json.dumps(list(sys.modules)), file=sys.stderr)); main(sys.argv[1:])"
    )
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, encoding="utf-8", check=False
    )
