"""A test that edits a document to break it does so by `edited`, which asserts that the part was there.

What counts: ``text.replace(old, …)`` where ``old`` is a piece of a document (six signs and more, with a key,
a quote or a bracket in it); is six signs and more with a letter, or an f-string, that become something else;
or comes as ``old`` or ``*edit`` from a table, or as a constant by its name.
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
    taken_out = [getattr(one, "value", None) for one in node.args[1:2]] == [""]
    match node.args[0]:
        case ast.Constant(value=str() as old):
            piece = any(sign in old for sign in PIECES)
            return len(old) >= 6 and (piece or (not taken_out and any(map(str.isalpha, old))))
        case ast.Constant(value=bytes() as old):
            return len(old) >= 6
        case ast.Name(id=name):
            return name == "old" or name.isupper()
        case other:
            return isinstance(other, ast.Starred) or (isinstance(other, ast.JoinedStr) and not taken_out)


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
    for call in ("('unit-1.toml', name)", "(f'<{name}>', name)", "(BRAKE, '')"):
        assert is_edit(ast.parse(f"text.replace{call}", mode="eval").body), call
    for call in ("(',', '.')", "('np.float64', '')", "(one, '')"):
        assert not is_edit(ast.parse(f"text.replace{call}", mode="eval").body), call
