"""A short version of the study of simulated lives; the whole one, `lives.py`, is run by hand."""

from __future__ import annotations

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
