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


NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def same_but_for_rounding(shown: str, printed: str) -> bool:
    """Whether two lines have the same words, and numbers that differ by two units of their last place or by a
    hundredth: what platforms do."""
    words = [" ".join(NUMBER.sub("#", line).split()) for line in (shown, printed)]
    if words[0] != words[1]:
        return False
    return all(
        abs(float(one) - float(other))
        <= max(2.0 * 10.0 ** -len(one.partition(".")[2]), 0.01 * abs(float(one)))
        for one, other in zip(NUMBER.findall(shown), NUMBER.findall(printed), strict=True)
    )


def test_output_shown_is_what_the_demo_prints(readme: str, demo) -> None:
    """Line by line and in order, numbers and all."""
    printed = iter(demo.printed.splitlines())
    for line in block(readme, "demo output").splitlines():
        assert any(same_but_for_rounding(line, told) for told in printed), f"not printed, or not here: {line}"


def test_another_number_is_seen() -> None:
    assert same_but_for_rounding("preload 84.2 N·m, u 1.3", "preload  84.3 N·m,  u 1.5")
    assert not same_but_for_rounding("preload 84.2 N·m, u 1.3", "preload 85.2 N·m, u 1.3")
    assert not same_but_for_rounding("preload 84.2 N·m", "bias 84.2 N·m")


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
