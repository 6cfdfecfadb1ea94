"""What the README and the guide's pages say: their blocks and their commands."""

from __future__ import annotations

import re
from pathlib import Path

from diffbench.guide import FOLDER, TOPICS

README = Path(__file__).parents[2] / "README.md"
#: Every document that a user reads, by name.
DOCUMENTS = {"README": README, **{topic: FOLDER / f"{topic}.md" for topic in TOPICS}}


def text(name: str) -> str:
    """One document."""
    return DOCUMENTS[name].read_text(encoding="utf-8")


def block(name: str, mark: str) -> str:
    """The fenced block of a document below a comment, which must be there once."""
    found = re.findall(rf"<!-- {re.escape(mark)} -->\n```\w+\n(.*?)```", text(name), re.DOTALL)
    assert len(found) == 1, f"{name} has {len(found)} blocks marked '{mark}'"
    return str(found[0])


def commands(name: str) -> list[str]:
    """Every command in the shell blocks of a document, in order; those with a mark of their own apart."""
    blocks = re.findall(r"(<!-- [\w ]+ -->\n)?```sh\n(.*?)```", text(name), re.DOTALL)
    return [line for mark, lines in blocks if not mark for line in lines.splitlines() if line.strip()]


def inline_commands(name: str) -> list[list[str]]:
    """Words of every ``diffbench NAME ...`` that stands as code within a line."""
    prose = re.sub(r"```.*?```", "", text(name), flags=re.DOTALL)
    return [found.split() for found in re.findall(r"`diffbench ([a-z][^`]*)`", prose)]
