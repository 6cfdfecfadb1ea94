"""Several writers lose nothing; a kill at any moment leaves a store that verifies.

`pressure.py` beside this test is the command: all writers are tried here, of the two hundred kills two dozen.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

COMMAND = Path(__file__).with_name("pressure.py")


def pressure(*arguments: str) -> str:
    """What the command prints, in a process of its own, since it forks."""
    ran = subprocess.run(
        [sys.executable, COMMAND, *arguments],
        capture_output=True,
        encoding="utf-8",
        # one thread of linear algebra: a process that forks should have one thread
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout


def test_eight_writers_lose_nothing(store: str) -> None:
    """Eight processes file two hundred records each, at once, beginning with a store that is not there."""
    printed = pressure("writers", "--processes", "8", "--records", "200", "--store", store)
    assert re.match(r"1600 records after \d+ s, 0 faults\n", printed)


def test_kills_leave_a_sound_store() -> None:
    """Two dozen kills: in the making of a store, on its way to the newest form, and in its growth."""
    assert re.match(
        r"24 kills, \d+ before anything was filed, 0 faults\n", pressure("kills", "--count", "24")
    )
