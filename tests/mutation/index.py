"""Which tests run a line? ``python tests/mutation/index.py --line trend/courses.py:190 --tests tests/trend``.

Runs the tests once, each as a context of coverage, and names those that came by the line; without ``--line``,
the lines of ``--tests`` that none came by. What a shared fixture runs counts for the test that asked first.
Exit status 1 where nothing came by.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Generator
from pathlib import Path

import coverage
import pytest

ROOT = Path(__file__).resolve().parents[2]


class Contexts:
    """A plugin: whatever runs from the set-up of a test to its end is that test's."""

    def __init__(self, measured: coverage.Coverage) -> None:
        self._measured = measured

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        """Around each test."""
        self._measured.switch_context(item.nodeid)
        return (yield)


def index_of(tests: list[str], source: Path) -> coverage.Coverage:
    """The tests run, with every line of ``source`` by test."""
    measured = coverage.Coverage(data_file=None, source=[str(source)], config_file=False)
    measured.start()
    try:
        status = pytest.main(
            ["-n", "0", "-q", "-p", "no:cacheprovider", *tests], plugins=[Contexts(measured)]
        )
    finally:
        measured.stop()
    if status:
        raise SystemExit(f"the tests fail as they are: {status!r}")
    return measured


def main() -> int:
    """Run by command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--line", metavar="FILE:LINE", help="of the package: trend/courses.py:190")
    parser.add_argument("--tests", nargs="+", required=True, help="files or folders of tests")
    parser.add_argument("--source", type=Path, default=ROOT / "diffbench", help="where the lines are")
    arguments = parser.parse_args()
    measured = index_of(arguments.tests, arguments.source)
    if arguments.line is None:
        for file in sorted(measured.get_data().measured_files()):
            print(f"{Path(file).relative_to(arguments.source.resolve())}: {measured.analysis2(file)[4]}")
        return 0
    file, _, line = arguments.line.rpartition(":")
    by_line = measured.get_data().contexts_by_lineno(str((arguments.source / file).resolve()))
    found = sorted(filter(None, by_line.get(int(line), [])))
    print("\n".join(found) or f"no test of these comes by {arguments.line}")
    return int(not found)


if __name__ == "__main__":
    sys.exit(main())
