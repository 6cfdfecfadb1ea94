"""The README keeps its promises: the job, two commands and what the first of them prints. Its examples,
links and other commands are tried in ``tests/guide``, with those of the guide."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def readme(repository: Path) -> str:
    """Its text."""
    return (repository / "README.md").read_text(encoding="utf-8")


def block(readme: str, mark: str) -> str:
    """The fenced block below a comment, which must be there once."""
    found = re.findall(rf"<!-- {re.escape(mark)} -->\n```\w+\n(.*?)```", readme, re.DOTALL)
    assert len(found) == 1, f"README.md has {len(found)} blocks marked '{mark}'"
    return str(found[0])


def test_two_commands(readme: str) -> None:
    """The first installs the package as a wheel and fits the demo; the second sets up and runs the tests."""
    demo, test = block(readme, "demo command"), block(readme, "test command")
    assert "python3 -m venv .venv && .venv/bin/pip install . &&" in demo
    assert demo.endswith(".venv/bin/diffbench fit fixtures/demo/rebuilt/run.toml --out demo-result\n")
    assert test == ".venv/bin/pip install '.[test]' && .venv/bin/pytest\n"
    for command in (demo, test):
        assert " -e " not in command
        assert subprocess.run(["bash", "-n", "-c", command], check=False).returncode == 0


def test_ci_runs_the_readme_s_test_command(readme: str, repository: Path) -> None:
    """Not a copy of it: the command is read from the README."""
    shown = subprocess.run(
        [repository / ".ci" / "run", "--show"], capture_output=True, encoding="utf-8", check=True
    )
    assert shown.stdout == block(readme, "test command")


def test_job_in_one_paragraph(readme: str) -> None:
    """The title, then one paragraph that says what it is for."""
    title, paragraph, *_ = readme.split("\n\n", 2)
    assert title == "# diffbench"
    assert paragraph.startswith("diffbench ")
    assert "uncertainty" in paragraph


def test_output_shown_is_what_the_demo_prints(readme: str, demo) -> None:
    """Line by line and in order, numbers aside: they are rounded by their uncertainty and may move in it."""

    def plain(line: str) -> str:
        return " ".join(re.sub(r"-?\d+(\.\d+)?", "#", line).split())

    printed = iter([plain(line) for line in demo.printed.splitlines()])
    for line in block(readme, "demo output").splitlines():
        assert plain(line) in printed, f"the demo does not print, or not here: {line}"


def test_top_level_is_as_agreed(repository: Path) -> None:
    """What is committed at the top: no entry that a visitor would have to ask about."""
    top = {path.name for path in repository.iterdir()} - {"demo-result"}
    if (repository / ".git").exists():
        listed = subprocess.run(
            ["git", "-C", repository, "ls-files"], capture_output=True, encoding="utf-8", check=True
        )
        top = {line.split("/", 1)[0] for line in listed.stdout.splitlines()}
    assert {entry for entry in top if not entry.startswith(".")} == {
        "DEVELOPERS.md",
        "README.md",
        "diffbench",
        "fixtures",
        "pyproject.toml",
        "rigs",
        "tests",
    }
