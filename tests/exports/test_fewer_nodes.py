"""A map on fewer nodes: its own ones, those that tell most, and what that costs is said."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from diffbench.errors import OutputError
from diffbench.exports import export_map
from diffbench.results import LockingMap, load_map


def on_fewer_nodes(whole: LockingMap, counts: tuple[int, ...], folder: Path) -> LockingMap:
    """As it is exported and read."""
    (path,) = export_map(whole, "json", folder / "small.json", nodes=counts)
    return load_map(path)


def test_is_exact_at_what_is_left(additive: LockingMap, tmp_path: Path) -> None:
    fewer = on_fewer_nodes(additive, (5, 3, 2), tmp_path)
    assert [axis.size for axis in fewer.axes] == [5, 3, 2]
    place = np.meshgrid(*fewer.axes, indexing="ij")
    for branch in ("loading", "unloading", "mean", "either"):
        np.testing.assert_array_equal(
            fewer.locking_torque(*place, branch=branch), additive.locking_torque(*place, branch=branch)
        )
    assert {0.0, -400.0, 500.0} <= set(fewer.axes[0].tolist())


def test_keeps_what_tells_most(additive: LockingMap, tmp_path: Path) -> None:
    """The law is straight in torque on each flank: of torques only zero is needed. What it says it is off by,
    it is."""
    fewer = on_fewer_nodes(additive, (3, 4, 3), tmp_path)
    assert fewer.axes[0].tolist() == [-400.0, 0.0, 500.0]
    place = np.meshgrid(*additive.axes, indexing="ij")
    off = max(
        np.max(np.abs(fewer.locking_torque(*place, branch=b) / additive.values[b] - 1.0))
        for b in ("loading", "unloading", "mean")
    )
    told = re.search(r"off by (\S+) % at most", fewer.document.notes[-1])
    assert told
    assert float(told[1]) == pytest.approx(100.0 * off, rel=0.06)


def test_goes_on_beyond_as_the_whole_map(additive: LockingMap, tmp_path: Path) -> None:
    assert on_fewer_nodes(additive, (3, 2, 2), tmp_path).beyond == additive.beyond


@pytest.mark.parametrize("counts", [(2, 3, 3), (5, 1, 2), (5, 3, 0), (5, 3)])
def test_too_few(additive: LockingMap, counts: tuple[int, ...], tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="too few nodes"):
        on_fewer_nodes(additive, counts, tmp_path)
    assert list(tmp_path.iterdir()) == []
