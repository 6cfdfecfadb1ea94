"""A test that edits a document to break it does so by `edited`, which asserts that the part was there.

What counts: ``text.replace(old, …)`` where ``old`` is a piece of a document (six signs and more, with a key,
a quote or a bracket in it), or comes as ``old`` or ``*edit`` from a table.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from edited import edited

PIECES = ('"', "'", "=", "[", "]")


def is_edit(node: ast.AST) -> bool:
    """Whether a node is such a call."""
    if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
        return False
    if node.func.attr != "replace" or not node.args or node.keywords:
        return False
    match node.args[0]:
        case ast.Constant(value=str() as old):
            return len(old) >= 6 and any(sign in old for sign in PIECES)
        case ast.Constant(value=bytes() as old):
            return len(old) >= 6
        case ast.Name(id="old") | ast.Starred():
            return True
    return False


def test_no_edit_goes_unasked(repository: Path) -> None:
    places = [
        f"{path.relative_to(repository)}:{node.lineno}"
        for path in sorted((repository / "tests").rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_bytes()))
        if is_edit(node)
    ]
    assert not places, "write edited(text, old, new)"


def test_an_edit_that_finds_nothing_fails() -> None:
    assert edited("a = 1\na = 2\n", "a =", "b =", 1) == "b = 1\na = 2\n"
    with pytest.raises(AssertionError, match="'c =' does not stand"):
        edited("a = 1", "c =", "b =")
    assert is_edit(ast.parse("text.replace('law = 1', '')", mode="eval").body)
    assert not is_edit(ast.parse("text.replace(',', '.')", mode="eval").body)
