"""The floors of the house: a module imports lower floors, its own folder, and neighbours named here."""

from __future__ import annotations

import ast
import functools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeGuard

import pytest

import diffbench

PACKAGE = Path(diffbench.__file__).parent

FLOORS = {
    "_version": 0,
    "children": 0,
    "doubts": 0,
    "errors": 0,
    "first_use": 0,
    "input_files": 0,
    "last_resort": 0,
    "notebook": 0,
    "one_thread": 0,
    "plain_text": 0,
    "quantities": 0,
    "unit_spellings": 0,
    "whole_files": 0,
    "physics": 1,
    "definitions": 2,
    "documents": 1,
    "recording": 1,
    "readers": 2,
    "conditioning": 3,
    "inspection": 3,
    "results": 4,
    "fitting": 4,
    "answers": 5,
    "exports": 5,
    "history": 5,
    "trend": 5,
    "report": 5,
    "figures": 5,
    "run": 5,
    "schemas": 5,
    "guide": 5,
    "cli": 6,
    "__main__": 6,
}
# On one floor, who may lean on whom.
BESIDE = {
    "documents": {"physics", "recording"},
    "errors": {"plain_text"},
    "input_files": {"errors"},
    "last_resort": {"errors", "plain_text"},
    "quantities": {"errors", "unit_spellings"},
    "whole_files": {"errors"},
    "fitting": {"results"},
    "report": {"answers", "exports", "history", "trend"},
    "figures": {"report"},
    "run": {"exports", "report"},
    "schemas": {"answers"},
    "trend": {"answers", "history"},
    "__main__": {"cli"},
}
# Readers and physics never meet.
APART = {"readers": {"physics"}}
# Who may import which library at all; everybody may have numpy, and click is the command line's alone.
LIBRARIES = {
    "asammdf": {"readers"},
    "alembic": {"history"},
    "click": {"cli"},
    "distributed": {"run"},
    "h5py": {"readers"},
    "jinja2": {"guide", "report"},
    "lmfit": {
        "fitting/solver.py",
        "results/characterisation.py",
    },  # a search; a result for its users
    "markdown_it": {"guide"},
    "matplotlib": {"report"},
    "netCDF4": {"exports"},
    "nptdms": {"readers"},
    "openpyxl": {"report"},
    "pandas": {"readers"},
    "pyarrow": {"readers"},
    "pydantic": {"answers", "documents", "results"},
    "python_calamine": {"readers"},
    "psycopg": set(),  # SQLAlchemy's own affair
    "sqlalchemy": {"history"},
    "scipy": {"answers", "exports", "fitting", "one_thread.py", "physics", "trend"},
    "threadpoolctl": {"one_thread.py"},
    "zstandard": {"readers"},
}
NEVER = {"pint"}  # reads several units of the trade as something else: an oracle in tests, no more

MODULES = sorted(PACKAGE.rglob("*.py"))
ON_FLOORS = [path for path in MODULES if path != PACKAGE / "__init__.py"]


def names(path: Path) -> str:
    """Name of a module in the failures of these tests."""
    return path.relative_to(PACKAGE).as_posix()


@dataclass(frozen=True)
class Module:
    """What the tests ask of a module: every module that it imports, wherever in its text, by full name; every
    text in it that is the name of a module of ours or of something in one; whether it says what it is for."""

    imported: tuple[str, ...]
    named: tuple[str, ...]
    described: bool


@functools.cache
def module(path: Path) -> Module:
    """Read a module, once for all tests."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = list(ast.walk(tree))
    texts = (n.value for n in nodes if isinstance(n, ast.Constant) and isinstance(n.value, str))
    named = tuple(text for text in texts if re.fullmatch(r"diffbench(\.\w+)+(:\w+)?", text))
    return Module(tuple(_imported(path, nodes)), named, bool(ast.get_docstring(tree)))


def _imported(path: Path, nodes: list[ast.AST]) -> Iterator[str]:
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{names(path)} imports relatively: write the full name"
            assert node.module is not None
            if node.module == "diffbench":
                yield from (f"diffbench.{alias.name}" for alias in node.names)
            else:
                yield node.module


def home(name: str) -> str:
    """Folder or module of the package that a full name lies in."""
    return name.split(".")[1]


def allowed(path: Path) -> set[str]:
    """What a module may import of the package."""
    own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    lower = {other for other, floor in FLOORS.items() if floor < FLOORS[own]}
    return (lower | BESIDE.get(own, set()) | {own}) - APART.get(own, set())


@pytest.mark.parametrize("path", ON_FLOORS, ids=names)
def test_imports_go_down(path: Path) -> None:
    """No module imports a floor above its own, or a neighbour that the table does not name."""
    homes = {home(name) for name in module(path).imported if name.startswith("diffbench.")}
    assert homes <= allowed(path)


@pytest.mark.parametrize("path", ON_FLOORS, ids=names)
def test_names_in_texts_go_down_too(path: Path) -> None:
    """Imports by a text, which the tree of imports does not show, keep to the same table."""
    homes = {home(text.partition(":")[0]) for text in module(path).named} & set(FLOORS)
    assert homes <= allowed(path)


def test_every_folder_has_a_floor() -> None:
    """A new folder or module at the top of the package finds its place in the table first."""
    found = {path.stem for path in PACKAGE.glob("*.py")} - {"__init__"}
    found |= {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert found == set(FLOORS)


@pytest.mark.parametrize("path", MODULES, ids=names)
def test_libraries_stay_where_they_belong(path: Path) -> None:
    """One place for each heavy library: what a later version of it breaks is found there."""
    for name in module(path).imported:
        library = name.partition(".")[0]
        assert library not in NEVER
        library = {"pydantic_core": "pydantic"}.get(library, library)
        if library in LIBRARIES:
            parts = {names(path), path.relative_to(PACKAGE).parts[0]}
            assert parts & LIBRARIES[library], f"{names(path)} imports {library}"


@pytest.mark.parametrize("path", sorted(PACKAGE.glob("*/__init__.py")), ids=names)
def test_packages_define_nothing(path: Path) -> None:
    """The ``__init__`` of a folder names what is public, at once or on first use, and holds no code."""
    public = (
        "__all__ =",
        "__getattr__, __dir__ = names_on_first_use(",
        "(__getattr__, __dir__) = names_on_first_use(",
    )
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        is_docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        is_public = isinstance(node, ast.Assign) and ast.unparse(node).startswith(public)
        for_types = isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        assert is_docstring or is_public or for_types or isinstance(node, ast.Import | ast.ImportFrom)


@pytest.mark.parametrize("path", MODULES, ids=names)
def test_modules_hold_one_idea(path: Path) -> None:
    """No module is called after nothing in particular, and each says what it is for. How long it is does not
    matter: an idea is told whole."""
    assert path.stem not in {"utils", "helpers", "core", "common", "misc"}
    assert module(path).described or path.stem == "__init__"


MOST_LINES = 60
# One list, or one course told in order: parted, its pieces would hand on all that it knows.
LONGER = {
    "cli/results.py": {"compare"},  # mostly the options' own declaration of what goes together
    "fitting/covariance.py": {"combine"},  # one sum over all parts of the doubt
    "fitting/discrepancy.py": {"binned"},  # every mean of a bin, once
    "fitting/characterise.py": {"_characterise", "_parameters"},  # the result, field by field
}


@pytest.mark.parametrize("path", MODULES, ids=names)
def test_functions_are_read_at_a_glance(path: Path) -> None:
    """No function is longer than a screen, its docstring aside, but those named here with their reason."""
    longer = {node.name for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if _is_long(node)}
    assert longer <= LONGER.get(names(path), set())


def _is_long(node: ast.AST) -> TypeGuard[ast.FunctionDef | ast.AsyncFunctionDef]:
    if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
        return False
    said = (ast.get_docstring(node, clean=False) or "").count("\n") + 1
    assert node.end_lineno is not None
    return node.end_lineno - node.lineno + 1 - said > MOST_LINES
