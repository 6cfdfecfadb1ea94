"""Results of visits drawn from the fitted demo, as the power study draws them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "recovery"))

from wear_study import DEMO, Drawer

from diffbench.documents import load_build


@pytest.fixture(scope="session")
def drawer_of(demo) -> Callable[[int], Drawer]:
    """A drawer by its seed, over the demo as the command fitted it."""
    template = demo.characterisation
    sheet = load_build(DEMO / "unit-q17-rebuilt.toml")
    return lambda seed: Drawer(template, sheet, np.random.default_rng(seed))
