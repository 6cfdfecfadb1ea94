"""Several writers lose nothing; a kill at any moment leaves a store that verifies.

`pressure.py` beside this test is the command: all writers are tried here, of the two hundred kills two dozen.
Files stand in memory where the machine has such a folder: neither locks nor a killed process know the
difference (a machine that loses its power would), and waiting for the disk is most of the time else.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = Path(__file__).with_name("pressure.py")
MEMORY = Path("/dev/shm")
ROOM = 64 << 20  # bytes; 1600 records take a quarter of that


def in_memory() -> dict[str, str]:
    """Where temporary files go: into memory, where there is room for them."""
    good = MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ROOM
    return {"TMPDIR": str(MEMORY)} if good else {}


def pressure(*arguments: str) -> str:
    """What the command prints, in a process of its own, since it forks."""
    ran = subprocess.run(
        [sys.executable, COMMAND, *arguments],
        capture_output=True,
        encoding="utf-8",
        # one thread of linear algebra: a process that forks should have one thread
        env={**os.environ, **in_memory(), "OPENBLAS_NUM_THREADS": "1"},
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_eight_writers_lose_nothing(kind: str, request: pytest.FixtureRequest) -> None:
    """Eight processes file two hundred records each, at once, beginning with a store that is not there."""
    where = [] if kind == "sqlite" else ["--store", request.getfixturevalue("postgresql")]
    printed = pressure("writers", "--processes", "8", "--records", "200", *where)
    assert re.match(r"1600 records after \d+ s, 0 faults\n", printed)


def test_kills_leave_a_sound_store() -> None:
    """Two dozen kills: in the making of a store, on its way to the newest form, and in its growth."""
    assert re.match(
        r"24 kills, \d+ before anything was filed, 0 faults\n", pressure("kills", "--count", "24")
    )
