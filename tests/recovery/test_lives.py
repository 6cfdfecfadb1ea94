"""A short version of the study of simulated lives; the whole one, `lives.py`, is run by hand."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from lives import drawer_of, report, study

LIVES = 36  # six of each kind: some two hundred judgements


def test_promises_are_kept(demo) -> None:
    """States right, nothing good beyond its limit, nothing falsely worn, jumps named: each but for chance."""
    counts = study(drawer_of(demo.characterisation, 2), LIVES)
    assert counts.judged > 4 * LIVES
    assert counts.beyond > 5
    assert counts.jumps > 3
    text, good = report(counts)
    assert good, text


def test_a_seed_is_the_same_study_in_every_process(demo) -> None:
    """Draws come in a fixed order, whatever order a process has its sets in."""
    study_of = [sys.executable, str(Path(__file__).with_name("lives.py")), "--lives", "3", "--seed", "5"]
    told = [
        subprocess.run(
            [*study_of, "--template", str(demo.folder)], env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True, text=True, check=False,
        ).stdout
        for seed in ("1", "2")
    ]  # fmt: skip
    assert "states right" in told[0]
    assert told[0] == told[1]
