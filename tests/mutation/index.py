"""Which tests run a line? ``python tests/mutation/index.py --line trend/courses.py:190 --tests tests/trend``.

Runs the tests once, each as a context of coverage, and names those that came by the line, quickest first;
without ``--line``, the lines of ``--tests`` that none came by. What a shared fixture runs counts for every
test that asks for the fixture; what is read on import or kept by a cache, for those that come by its uses.
What runs in a process of its own is not seen. Exit status 1 where nothing came by.
"""

from __future__ import annotations

import argparse
import ast
import json
import resource
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Generator, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import coverage
import pytest

ROOT = Path(__file__).resolve().parents[2]
KEPT = ("cache", "cached_property")  # what these decorate runs for the test that asks first
Place = tuple[str, int]  # file below the source, line


class Contexts:
    """A plugin: what runs within a test is the test's, what sets up a shared fixture is the fixture's."""

    def __init__(self, measured: coverage.Coverage) -> None:
        self._measured = measured
        self._inner = [""]
        self._charged = ""
        self._began = _processor_seconds()
        self.seconds: Counter[str] = Counter()
        self.starting: set[str] = set()
        self.fixtures: dict[
            str, tuple[str, str]
        ] = {}  # context: its name, and below what it can be asked for
        self.items: list[pytest.Item] = []
        sys.addaudithook(self._heard)

    def _heard(self, event: str, _: object) -> None:
        if event in ("subprocess.Popen", "os.fork", "os.posix_spawn"):
            self.starting.add(self._inner[-1])

    def _switch(self) -> None:
        """Charge what has run to the context that ends; the innermost begins."""
        self._began, before = _processor_seconds(), self._began
        context = self._inner[-1]
        self._measured.switch_context(context)
        self.seconds[self._charged] += self._began - before
        self._charged = context

    def _within(self, context: str) -> Generator[None, object, object]:
        self._inner.append(context)
        self._switch()
        try:
            return (yield)
        finally:
            self._inner.pop()
            self._switch()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        """Around each test."""
        self.items.append(item)
        return (yield from self._within(item.nodeid))

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[object]) -> Generator[None, object, object]:
        """Around the set-up of a fixture."""
        if fixturedef.scope == "function":
            return (yield)
        context = f"fixture {fixturedef.argname} of {fixturedef.baseid}"
        self.fixtures[context] = (fixturedef.argname, fixturedef.baseid)
        return (yield from self._within(context))


def _processor_seconds() -> float:
    # in finer steps than the clock ticks of `os.times`
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + ended.ru_utime + ended.ru_stime


@dataclass(frozen=True)
class Index:
    """Which tests come by which lines of a folder."""

    source: Path
    lines: dict[str, dict[int, list[str]]]  #: contexts by file and line
    asking: dict[str, list[str]]  #: tests by fixture's context
    seconds: dict[str, float]  #: processor time of each test, with the fixtures it asks for
    starting: frozenset[str]  #: tests that start processes

    def save(self, path: Path) -> None:
        """Write it into a file, for `load`."""
        path.write_text(json.dumps({**vars(self), "source": str(self.source), "starting": [*self.starting]}))

    @classmethod
    def load(cls, path: Path) -> Index:
        """The index that was saved."""
        held = json.loads(path.read_text())
        lines = {file: {int(line): of for line, of in by.items()} for file, by in held["lines"].items()}
        return cls(Path(held["source"]), lines, held["asking"], held["seconds"], frozenset(held["starting"]))

    def tests_of(self, file: str, line: int) -> list[str]:
        """Those that come by the statement at a line, quickest first."""
        module = self._modules.get(file)
        if module is None or line not in module.bound:
            return []
        if line in module.inside:
            places = {(file, one) for one in module.statement(line)}
            return self._by(places | self._uses_of(module.kept.get(line, ())))
        alike = {(file, one) for one in module.inside if module.bound[one] == module.bound[line]}
        everything = {(file, one) for one in module.inside}
        return self._by(alike | self._uses_of(module.bound[line])) or self._by(everything)

    def _by(self, places: set[Place]) -> list[str]:
        contexts = {one for file, line in places for one in self.lines.get(file, {}).get(line, ())}
        tests = {test for one in contexts for test in self.asking.get(one, [one])}
        return sorted(tests & self.seconds.keys(), key=lambda test: (self.seconds[test], test))

    def _uses_of(self, names: Iterable[str]) -> set[Place]:
        """Lines within functions that use a name, directly or by others that are bound by it on import."""
        found: set[Place] = set()
        waiting, seen = set(names), set[str]()
        while waiting:
            name = waiting.pop()
            seen.add(name)
            for there, at in self._uses.get(name, ()):
                module = self._modules[there]
                if at in module.inside:
                    found.add((there, at))
                further = module.kept if at in module.inside else module.bound
                waiting |= set(further.get(at, ())) - seen
        return found

    @cached_property
    def _modules(self) -> dict[str, Module]:
        paths = sorted(self.source.rglob("*.py"))
        return {str(path.relative_to(self.source)): Module(ast.parse(path.read_bytes())) for path in paths}

    @cached_property
    def _uses(self) -> dict[str, set[Place]]:
        found = defaultdict(set)
        for file, module in self._modules.items():
            for name, line in module.names():
                found[name].add((file, line))
        return found


class Module:
    """Of one module, by line: what runs within functions, those that keep what they return by name, and which
    names a statement outside binds."""

    def __init__(self, tree: ast.Module) -> None:
        self._tree = tree
        self.inside: set[int] = set()
        self.bound: dict[int, tuple[str, ...]] = {}
        self.kept: dict[int, tuple[str, ...]] = {}
        for top in tree.body:
            targets = getattr(top, "targets", [getattr(top, "target", None)])
            names = [one.id for of in targets if of for one in ast.walk(of) if isinstance(one, ast.Name)]
            names += [top.name] if isinstance(top, ast.FunctionDef | ast.ClassDef) else []
            self.bound.update(dict.fromkeys(_span(top), tuple(names)))
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                lines = {line for part in node.body for line in _span(part)}
                self.inside |= lines
                if any(word in ast.unparse(one) for one in node.decorator_list for word in KEPT):
                    self.kept.update(dict.fromkeys(lines, (node.name,)))

    def statement(self, line: int) -> range:
        """Lines of the innermost statement around one; of one with a body, its head."""
        around = [node for node in ast.walk(self._tree) if isinstance(node, ast.stmt) and line in _span(node)]
        inner = min(around, key=lambda node: len(_span(node)))
        body = getattr(inner, "body", None)
        return range(inner.lineno, max(body[0].lineno, line + 1)) if body else _span(inner)

    def names(self) -> Iterator[tuple[str, int]]:
        """Every name that is used for what it holds, not for its type."""
        waiting: list[ast.AST] = [self._tree]
        while waiting:
            node = waiting.pop()
            if isinstance(node, ast.Name):
                yield node.id, node.lineno
            elif isinstance(node, ast.Attribute):
                yield node.attr, node.end_lineno or node.lineno
            for field, value in ast.iter_fields(node):
                if field not in ("annotation", "returns"):
                    waiting += [
                        one
                        for one in (value if isinstance(value, list) else [value])
                        if isinstance(one, ast.AST)
                    ]


def _span(node: ast.stmt) -> range:
    first = min([node.lineno, *(one.lineno for one in getattr(node, "decorator_list", ()))])
    return range(first, (node.end_lineno or node.lineno) + 1)


def index_of(tests: list[str], source: Path) -> tuple[coverage.Coverage, Index]:
    """The tests run, with every line of ``source`` by test."""
    measured = coverage.Coverage(data_file=None, source=[str(source)], config_file=False)
    plugin = Contexts(measured)
    words = ["-n", "0", "-q", "-p", "no:cacheprovider", *tests]
    measured.start()
    try:
        status = pytest.main(words, plugins=[plugin])
    finally:
        measured.stop()
    if status:
        raise SystemExit(f"the tests fail as they are: {status!r}")
    asking = {
        context: [
            one.nodeid for one in plugin.items if name in one.fixturenames and one.nodeid.startswith(base)
        ]
        for context, (name, base) in plugin.fixtures.items()
    }
    seconds = {item.nodeid: plugin.seconds[item.nodeid] for item in plugin.items}
    for context, askers in asking.items():
        for test in askers:
            seconds[test] += plugin.seconds[context]
    data = measured.get_data()
    lines = {
        str(Path(file).relative_to(source.resolve())): data.contexts_by_lineno(file)
        for file in data.measured_files()
    }
    # what starts one between tests, as while they are collected, is no test's
    starting = {test for one in plugin.starting for test in asking.get(one, [one])} & seconds.keys()
    return measured, Index(source.resolve(), lines, asking, seconds, frozenset(starting))


def main() -> int:
    """Run by command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--line", metavar="FILE:LINE", help="of the package: trend/courses.py:190")
    parser.add_argument("--tests", nargs="+", required=True, help="files or folders of tests")
    parser.add_argument("--source", type=Path, default=ROOT / "diffbench", help="where the lines are")
    parser.add_argument("--out", type=Path, help="write the index into a file, for mutate.py")
    arguments = parser.parse_args()
    measured, index = index_of(arguments.tests, arguments.source)
    if arguments.out:
        index.save(arguments.out)
        return 0
    if arguments.line is None:
        for file in sorted(measured.get_data().measured_files()):
            print(f"{Path(file).relative_to(index.source)}: {measured.analysis2(file)[4]}")
        return 0
    file, _, line = arguments.line.rpartition(":")
    found = index.tests_of(file, int(line))
    print("\n".join(found) or f"no test of these comes by {arguments.line}")
    return int(not found)


if __name__ == "__main__":
    sys.exit(main())
