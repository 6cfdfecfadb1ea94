"""Does a test fail on a changed copy? Tests are collected once, each change is tried in a fork of theirs.

There the code of the changed function takes the old one's place, where its module is loaded. What that
cannot change (what is read on import, what tests asked for while they were collected) and what survives is
tried once more from the start.
"""

from __future__ import annotations

import gc
import json
import math
import os
import signal
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import CodeType, FunctionType
from typing import TextIO

import pytest

OPTIMIZED = 0x1  # CO_OPTIMIZED: a function's code, not that of a module or of a class


class Chosen:
    """A plugin: only these tests, those of a file together where they take about as long."""

    def __init__(self, seconds: dict[str, float]) -> None:
        self._rank = {
            test: (round(math.log(max(of, 0.05), 4)), test.partition("::")[0], of)
            for test, of in seconds.items()
        }

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """After all others have ordered them."""
        chosen = [item for item in items if item.nodeid in self._rank]
        items[:] = sorted(chosen, key=lambda item: self._rank[item.nodeid])


class Held:
    """A plugin: the tests are kept, and run in a fork for each change that is read from ``asked``."""

    def __init__(self, asked: TextIO, told: TextIO) -> None:
        self._asked, self._told = asked, told

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Instead of a run of all."""
        gc.unfreeze()  # what tests froze is not among the objects
        print("collected", file=self._told, flush=True)
        for line in self._asked:
            path, seconds = json.loads(line)

            def trial(path: str = path, seconds: dict[str, float] = seconds) -> int:
                # what no test has asked for yet is read as it stands now
                if _is_loaded(path) and not _exchanged(path):
                    return 0
                items = list(session.items)
                Chosen(seconds).pytest_collection_modifyitems(items)
                for item, following in zip(items, [*items[1:], None], strict=True):
                    item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                    if session.testsfailed:
                        return 1
                return 0

            print(int(passes(trial, seconds)), file=self._told, flush=True)
        return True


def _key(code: CodeType) -> tuple[str, int]:
    return code.co_qualname, code.co_firstlineno


def _is_loaded(path: str) -> bool:
    return any(getattr(module, "__file__", None) == path for module in list(sys.modules.values()))


def _exchanged(path: str) -> bool:
    """Whether a function of a file was found whose code is another now, and got it."""
    functions = defaultdict(list)
    for one in gc.get_objects():
        if isinstance(one, FunctionType) and one.__code__.co_filename == path:
            functions[_key(one.__code__)].append(one)

    def of(code: CodeType) -> Iterator[CodeType]:
        for part in code.co_consts:
            if isinstance(part, CodeType):
                if part.co_flags & OPTIMIZED:
                    yield part
                else:
                    yield from of(part)

    found = False
    for code in of(compile(Path(path).read_bytes(), path, "exec", dont_inherit=True)):
        for function in functions.get(_key(code), ()):
            if function.__code__ != code and function.__code__.co_freevars == code.co_freevars:
                function.__code__ = code
                found = True
    return found


def passes(trial: Callable[[], int], seconds: dict[str, float]) -> bool:
    """Whether tests pass in a fork that leaves nothing behind; what hangs is ended after several times their
    ``seconds`` and passes nothing."""
    child = os.fork()
    if child == 0:
        os.setsid()
        try:
            os._exit(int(trial()))
        finally:
            os._exit(3)
    end = time.monotonic() + 30.0 + 10.0 * sum(seconds.values())
    pause = 0.005
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status) in (0, pytest.ExitCode.NO_TESTS_COLLECTED)
        if time.monotonic() > end:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return False
        time.sleep(pause)
        pause = min(2.0 * pause, 0.1)


def _at(folder: Path) -> list[str]:
    """Go to a copy, silently; what pytest is to be told."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    os.chdir(folder)
    os.environ["PYTHONPATH"] = str(folder)
    sys.path.insert(0, str(folder))
    sys.dont_write_bytecode = True
    words = ["-n", "0", "-q", "-x", "-p", "no:cacheprovider", "--hypothesis-seed=0"]
    return [*words, "--basetemp", f"{folder.parent}/tmp"]


class Trials:
    """Tests of a copy of the repository, against one change of it after another."""

    def __init__(self, folder: Path, tests: Sequence[str]) -> None:
        self._folder = folder
        (asked, ask), (tell, told) = os.pipe(), os.pipe()
        self._child = os.fork()
        if self._child == 0:
            os.close(ask)
            os.close(tell)
            try:
                with open(asked) as asked_of, open(told, "w") as told_to:  # noqa: PTH123  by handle
                    pytest.main([*_at(folder), *tests], plugins=[Held(asked_of, told_to)])
            finally:
                os._exit(0)
        os.close(asked)
        os.close(told)
        self._ask, self._tell = open(ask, "w"), open(tell)  # noqa: PTH123, SIM115  closed by `close`
        self._tell.readline()  # what is imported meanwhile is the copy as it was

    def pass_all(self, path: Path, seconds: dict[str, float]) -> bool:
        """Whether these tests, by their usual ``seconds``, pass with a file as it now stands."""
        print(json.dumps([str(path), seconds]), file=self._ask, flush=True)
        return self._tell.readline() != "0\n" and passes(lambda: self._anew(seconds), seconds)

    def _anew(self, seconds: dict[str, float]) -> int:
        files = sorted({test.partition("::")[0] for test in seconds})
        return int(pytest.main([*_at(self._folder), *files], plugins=[Chosen(seconds)]))

    def close(self) -> None:
        """Let the process that holds the tests go."""
        self._ask.close()
        self._tell.close()
        os.waitpid(self._child, 0)
