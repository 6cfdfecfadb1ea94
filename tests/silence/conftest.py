"""Time that a test may hang, and a short way to run the program."""

from __future__ import annotations

import shutil
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType

import pytest
from click.testing import CliRunner, Result

from diffbench.cli import main

PATIENCE = 300  # [s] of a busy machine: nothing here takes twenty

Run = Callable[..., Result]


def _hangs(number: int, frame: FrameType | None) -> None:
    del number, frame
    msg = "it hangs"
    raise AssertionError(msg)


@pytest.fixture(autouse=True)
def ends() -> Iterator[None]:
    """What waits for a pipe that nobody writes to would wait for ever."""
    before = signal.signal(signal.SIGALRM, _hangs)
    signal.alarm(PATIENCE)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.fixture
def run() -> Run:
    """Run a command in this process."""
    return lambda *words: CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture
def visits(repository: Path, tmp_path: Path) -> Path:
    """Four visits of one unit, as the fixtures have them, to be broken."""
    folder = tmp_path / "visits"
    shutil.copytree(repository / "fixtures" / "repeats", folder)
    return folder
