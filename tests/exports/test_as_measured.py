"""A map that shows what was measured, 3 % above its law: copies of the law say that they are the law."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from diffbench.exports import export_map
from diffbench.results import LockingMap, load_map

SAID = "This is the law alone. The map shows the locking torque as measured, which is up to 2.9 % apart"


@pytest.mark.parametrize("to", ["c-law", "modelica-law"])
def test_the_law_says_that_it_is_alone(
    to: str, measured: LockingMap, additive: LockingMap, tmp_path: Path
) -> None:
    """And nothing of that where the map is the law."""
    for held, said in ((measured, True), (additive, False)):
        text = "".join(p.read_text(encoding="utf-8") for p in export_map(held, to, tmp_path / "q17"))
        assert (SAID in text) == said


def test_fewer_nodes_keep_the_law_beside(measured: LockingMap, tmp_path: Path) -> None:
    """At its own nodes it is what the whole map has."""
    (path,) = export_map(measured, "json", tmp_path / "small.json", nodes=(5, 3, 2))
    fewer = load_map(path)
    place = np.meshgrid(*fewer.axes, indexing="ij")
    np.testing.assert_array_equal(
        fewer.by_the_law(*place, branch="loading"), measured.by_the_law(*place, branch="loading")
    )
