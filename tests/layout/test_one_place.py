"""A law, an arrangement and a source of doubt are known in one place: nobody else writes their names.

Whoever adds one writes its class and lists it; what else would have to be touched shows here.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import diffbench
from diffbench.documents.arrangements import ARRANGEMENTS
from diffbench.doubts import Source
from diffbench.physics.friction import FRICTION_LAWS
from diffbench.physics.preload import PRELOAD_LAWS

PACKAGE = Path(diffbench.__file__).parent
HOMES = {
    **dict.fromkeys(ARRANGEMENTS, "documents/arrangements.py"),
    **dict.fromkeys(PRELOAD_LAWS, "physics/preload.py"),
    **{own.name: "physics/preload.py" for law in PRELOAD_LAWS.values() for own in law.unknowns},
    **{own.name: "physics/friction.py" for law in FRICTION_LAWS.values() for own in law.unknowns},
    **{own.reported: "physics/friction.py" for law in FRICTION_LAWS.values() for own in law.unknowns},
    # a single word is also that of a channel, a kind of run or a constant of the bench
    **{str(source): "doubts.py" for source in Source if " " in source and "(" not in source},
}
BESIDES = {
    # the names that a build sheet may write, without the sums; and what is copied to stand alone elsewhere
    **dict.fromkeys(PRELOAD_LAWS, ("documents/build.py", "exports/standalone_reader.py")),
    # a build sheet may state it: it is then not searched
    "joint_fraction": ("documents/build.py", "fitting/setup.py", "fitting/characterise.py"),
    # which of the two a rig was mistaken for
    "both-outputs": ("conditioning/wiring.py",),
    "input-and-one-output": ("conditioning/wiring.py",),
    # what a finding is called
    "transducer gain": ("conditioning/checks/flanges.py",),
    "transducer zero": ("conditioning/checks/flanges.py",),
}


@pytest.mark.parametrize("name", list(HOMES))
def test_a_name_is_written_in_one_place(name: str) -> None:
    """As a text that stands by itself, as a comparison or a key would have it."""
    found = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if name in path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and node.value == name
    }
    assert HOMES[name] in found
    assert found - {HOMES[name]} <= set(BESIDES.get(name, ()))


def test_a_statement_of_the_sheet_is_a_source() -> None:
    """No module writes down by itself that a source of doubt is the build sheet's."""
    found = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and str(node.value).endswith(" (build sheet)")
    }
    assert found == set()


def test_names_of_quantities_are_cut_apart_in_one_place() -> None:
    """Where a name has a build, it stands in brackets: `definitions` puts it there and takes it out."""
    found = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in {"partition", "split", "index", "find"}
        and [ast.unparse(argument) for argument in node.args] == ["'['"]
    }
    # the unknowns of a fit that are a visit's bear its number
    assert found == {"definitions.py", "fitting/next_test.py"}


def test_a_share_is_written_by_one_function() -> None:
    """`:.1g` makes 10 % of it ``1e+01 %``: only `diffbench.plain_text.per_cent` writes a share by digits."""
    by_digits = re.compile(r"\{[^{}]*:\+?\.\d?g\} %")
    hundred = re.compile(r"\{10*(?:\.0)? \* ")
    for path in PACKAGE.rglob("*.py"):
        for line in path.read_text(encoding="utf-8").splitlines():
            assert not [part for part in by_digits.findall(line) if hundred.match(part)], f"{path}: {line}"
