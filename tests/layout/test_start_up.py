"""Quick to start: help, version and a typo load no heavy library."""

from __future__ import annotations

import json
import subprocess
import sys

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
import contextlib, io
from diffbench.cli import main
for arguments in {arguments}:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        with contextlib.suppress(SystemExit):
            main(arguments)
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


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["--version"], ["fti"], ["fit"], *([name, "--help"] for name in COMMANDS)],
    ids=" ".join,
)
def test_help_is_quick(arguments: list[str]) -> None:
    """Every help text needs click alone."""
    loaded = loaded_after(CALLS.format(arguments=[arguments]))
    assert "click" in loaded
    assert not loaded & HEAVY
