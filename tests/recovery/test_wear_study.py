"""A short version of the power study: are false alarms as rare, and losses seen as often, as promised?

The whole study is `wear_study.py`, run by hand over thousands of pairs. The bounds are exact binomial ones at
1e-3, so that a right program fails once in a thousand choices of seeds, and with this seed never or always.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from wear_study import DEMO, Drawer, kept, study

from diffbench.documents import load_build

PAIRS, REFITS = 50, 2


def test_promises_are_kept(demo) -> None:
    """Two visits of each state on the bench of the demo."""
    sheet = load_build(DEMO / "unit-q17-rebuilt.toml")
    drawer = Drawer(demo.characterisation, sheet, np.random.default_rng([20_261_125, 1]))
    unworn, loss, worn = (study(drawer, k, pairs=PAIRS, refits=REFITS) for k in ("unworn", "loss", "worn"))
    assert kept(unworn.alarms, PAIRS, most=0.05)
    assert unworn.worn == 0
    assert kept(loss.loss_seen, PAIRS, least=0.95)
    for inside in (worn.friction_inside, worn.spring_inside, worn.wear_inside, worn.next_inside):
        assert kept(inside, PAIRS, least=0.95)
