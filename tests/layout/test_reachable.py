"""Nothing in the package that no command and no public name leads to.

A name at the top of a module counts as reached where code that is itself
reached mentions it: from the public names of the package and the command line on, through imports, through
``module.name``, and through texts like ``diffbench.exports.fmu:export_fmi2``. A class is reached with all of
its methods. What tests alone would call is not part of the product, and published values would guard code
that nobody runs.
"""

from __future__ import annotations

import ast
import functools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import diffbench
from diffbench.cli import COMMANDS

PACKAGE = Path(diffbench.__file__).parent
FOUND_BY_OTHERS = ("diffbench.history.versions",)  # alembic walks through this folder by itself
READ_AS_TEXT = ("diffbench.exports.standalone_reader",)  # python_reader.py copies it into what it exports

Name = tuple[str, str]
"""Of a module, and of something at its top; empty for the code that runs when the module is imported."""


@dataclass(frozen=True)
class Module:
    """What stands at the top of a module by name, what its imports bind, and the code that runs at once."""

    defined: dict[str, list[ast.stmt]]
    bound: dict[str, Name]
    at_once: list[ast.stmt]


def _full_name(path: Path) -> str:
    parts = ("diffbench", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


PATHS = {_full_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}


@functools.cache
def _module(name: str) -> Module:
    tree = ast.parse(PATHS[name].read_text(encoding="utf-8"))
    defined: dict[str, list[ast.stmt]] = {}
    at_once: list[ast.stmt] = []
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.AsyncFunctionDef):
            defined.setdefault(node.name, []).append(node)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = [item.id for target in targets for item in ast.walk(target) if isinstance(item, ast.Name)]
            for item in names:
                defined.setdefault(item, []).append(node)
        elif not (isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"):
            at_once.append(node)
    return Module(defined, dict(_bound(tree)), at_once)


def _bound(tree: ast.Module) -> Iterator[tuple[str, Name]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            for alias in node.names:
                submodule = f"{node.module}.{alias.name}"
                is_module = submodule in PATHS and alias.name not in _shown(str(node.module))
                found = (submodule, "") if is_module else (str(node.module), alias.name)
                yield alias.asname or alias.name, found
        elif isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.asname or alias.name.partition(".")[0], (alias.name, "")


@functools.cache
def _shown(package: str) -> frozenset[str]:
    """Names that a package imports for its users, one of which may be called as its module is."""
    return frozenset(
        alias.asname or alias.name
        for node in ast.walk(ast.parse(PATHS[package].read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module != package
        for alias in node.names
    )


def _mentioned(module: str, code: list[ast.stmt]) -> Iterator[Name]:
    """What a piece of a module's code leads to."""
    here = _module(module)
    nodes = [node for statement in code for node in ast.walk(statement)]
    modules = {
        target.id
        for node in nodes
        if isinstance(node, ast.Assign | ast.AnnAssign) and "import_module" in ast.unparse(node)
        for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
        if isinstance(target, ast.Name)
    }
    for node in nodes:
        if isinstance(node, ast.Name):
            yield (module, node.id) if node.id in here.defined else here.bound.get(node.id, ("", ""))
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            owner, inside = here.bound.get(node.value.id, ("", ""))
            if owner in PATHS and not inside:
                yield owner, node.attr
            elif node.value.id in modules:
                yield from ((each, node.attr) for each in PATHS if node.attr in _module(each).defined)
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Call):
            # import_module(...).name: of whichever module is imported there
            if "import_module" in ast.unparse(node.value.func):
                yield from ((module, node.attr) for module in PATHS if node.attr in _module(module).defined)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = re.fullmatch(r"(diffbench[\w.]*)(?::(\w+))?", node.value)
            if text:
                yield text[1], text[2] or ""
        elif isinstance(node, ast.ImportFrom):
            yield str(node.module), ""
            yield from ((f"{node.module}.{alias.name}", "") for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)


def _leads_to(name: Name) -> Iterator[Name]:
    module, inside = name
    if module not in PATHS:
        return
    if not inside:
        yield from _mentioned(module, _module(module).at_once)
        if "." in module:
            yield module.rpartition(".")[0], ""
        return
    yield module, ""
    here = _module(module)
    if inside in here.defined:
        yield from _mentioned(module, here.defined[inside])
        yield from ((module, name) for name, code in here.defined.items() if _registered(code, inside))
    elif inside in here.bound:
        yield here.bound[inside]


def _registered(code: list[ast.stmt], owner: str) -> bool:
    """Whether a function is given to another of its module by a decorator, as commands to their group."""
    return any(
        isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == owner
        for statement in code
        if isinstance(statement, ast.FunctionDef)
        for decorator in statement.decorator_list
        for node in ast.walk(decorator)
    )


@functools.cache
def reached() -> frozenset[Name]:
    """All that the public names and the commands lead to."""
    todo: list[Name] = [("diffbench", ""), ("diffbench", "__getattr__"), ("diffbench.__main__", "")]
    todo += [("diffbench", name) for name in diffbench.__all__]
    todo += [("diffbench.cli", "main")]
    todo += [(module, name.replace("-", "_")) for name, (module, _) in COMMANDS.items()]
    found: set[Name] = set()
    while todo:
        name = todo.pop()
        if name not in found:
            found.add(name)
            todo += _leads_to(name)
    return frozenset(found)


def _elsewhere(module: str) -> bool:
    return module in READ_AS_TEXT or module.startswith(FOUND_BY_OTHERS)


def test_every_module_is_reached() -> None:
    """No module is imported by tests alone."""
    assert [name for name in PATHS if (name, "") not in reached() and not _elsewhere(name)] == []


def test_every_function_and_class_is_reached() -> None:
    """No function or class is called by tests alone."""
    missed = [
        f"{module}.{name}"
        for module in PATHS
        if not _elsewhere(module)
        for name, code in _module(module).defined.items()
        if (module, name) not in reached()
        and any(isinstance(part, ast.FunctionDef | ast.ClassDef) for part in code)
        and not re.fullmatch(r"__\w+__", name)
    ]
    assert missed == []


def test_the_search_finds_what_is_not_reached() -> None:
    """The test above would pass on a search that calls everything reached."""
    assert ("diffbench.fitting.characterise", "fit") in reached()
    assert ("diffbench.fitting.characterise", "no_such_function") not in reached()
    assert ("diffbench.exports.standalone_reader", "") not in reached()
    assert len(reached()) > 1000
