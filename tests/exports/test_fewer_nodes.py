"""A map on fewer nodes: its own ones, those that tell most, and what that costs is said."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diffbench.errors import OutputError
from diffbench.exports import export_map
from diffbench.results import AXES, LockingMap, MapDocument, load_map


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
    assert {0.0, -400.0, 220.0, 500.0} <= set(fewer.axes[0].tolist())


def test_keeps_what_tells_most(additive: LockingMap, tmp_path: Path) -> None:
    """The law is straight in torque on each flank: of torques only zero is needed, and 220 N·m where the
    tested ones end. What it says it is off by, it is."""
    fewer = on_fewer_nodes(additive, (4, 4, 3), tmp_path)
    assert fewer.axes[0].tolist() == [-400.0, 0.0, 220.0, 500.0]
    place = np.meshgrid(*additive.axes, indexing="ij")
    off = max(
        np.max(np.abs(fewer.locking_torque(*place, branch=b) / additive.values[b] - 1.0))
        for b in ("loading", "unloading", "mean")
    )
    told = re.search(r"off by (\S+) % at most", fewer.document.notes[-1])
    assert told
    assert float(told[1]) == pytest.approx(100.0 * off, rel=0.06)


def test_goes_on_beyond_as_the_whole_map(additive: LockingMap, tmp_path: Path) -> None:
    assert on_fewer_nodes(additive, (4, 2, 2), tmp_path).beyond == additive.beyond


def hexagon() -> LockingMap:
    """Tested in a slanted region: to 300 N·m fast, to 600 N·m slowly; 50 to 75 °C."""
    axes = (
        np.array([-1500.0, -300.0, -150.0, 0.0, 150.0, 300.0, 450.0, 600.0, 3000.0]),
        np.array([0.0, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0]),
        np.array([30.0, 50.0, 60.0, 75.0, 95.0]),
    )
    torque, speed, heat = np.meshgrid(*axes, indexing="ij")
    inside = (torque >= -300.0) & (torque <= np.where(speed > 2.0, 300.0, 600.0)) & (speed >= 0.2)
    inside &= (speed <= 10.0) & (heat >= 50.0) & (heat <= 75.0)
    value = 80.0 + 0.5 * np.abs(torque) + 9.0 * np.exp(-speed) - 0.1 * heat
    tables = {"locking_torque_Nm": value.tolist(), "low_Nm": value.tolist(), "high_Nm": value.tolist()}
    held = {
        "loading": {**tables, "tested": inside.tolist()},
        **{b: {**tables, "tested": (inside & (torque <= 450.0)).tolist()} for b in ("unloading", "mean")},
    }
    return LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1", "unit": "Q17", "build": "a", "law": "additive",
                "confidence": 0.95,
                "axes": {name: axis.tolist() for name, axis in zip(AXES, axes, strict=True)},
                "branches": held, "notes": [], "provenance": {},
            }
        )
    )  # fmt: skip


def test_shows_what_was_tested(tmp_path: Path) -> None:
    """With as few nodes as there may be most of the tested region still counts, nothing else does, and the
    share is told."""
    whole = hexagon()
    rng = np.random.default_rng(4)
    place = [rng.uniform(*ends, 20_000) for ends in ((-310.0, 610.0), (0.1, 11.0), (48.0, 77.0))]
    for counts, least in (((5, 4, 4), 0.5), ((7, 6, 4), 0.75)):
        fewer = on_fewer_nodes(whole, counts, tmp_path)
        shown, truly = fewer.is_tested(*place), whole.is_tested(*place)
        assert not (shown & ~truly).any()
        share = np.count_nonzero(shown) / np.count_nonzero(truly)
        assert share > least
        told = re.search(r"shows (\d+) % of what counts as tested", fewer.document.notes[-1])
        assert told
        assert float(told[1]) == pytest.approx(100.0 * share, abs=2.0)


def test_too_few_to_show_what_was_tested(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"9x7x3 are too few nodes to show what was tested.*5x4x4 at least"):
        on_fewer_nodes(hexagon(), (9, 7, 3), tmp_path)


@pytest.mark.parametrize("counts", [(3, 3, 3), (5, 1, 2), (5, 3, 0), (5, 3)])
def test_too_few(additive: LockingMap, counts: tuple[int, ...], tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="too few nodes"):
        on_fewer_nodes(additive, counts, tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("nodes", ["9x7x4", [9.5, 7, 4], 9, [None, 2, 2]])
def test_counts_that_are_none(nodes: Any, additive: LockingMap, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"nodes is .*no three whole numbers.*Mend: .*nodes=\(9, 7, 4\)"):
        on_fewer_nodes(additive, nodes, tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("to", ["c-law", "modelica-law"])
def test_the_law_has_no_nodes(to: str, lawful: LockingMap, tmp_path: Path) -> None:
    """It is exact, and says nothing of being off."""
    with pytest.raises(OutputError, match=f"'{to}' is the law alone"):
        export_map(lawful, to, tmp_path / "q17", nodes=(4, 4, 3))
    assert list(tmp_path.iterdir()) == []


def of_torque(torques: list[float], values: list[float], **more: Any) -> LockingMap:
    """A map whose locking torque follows the input torque alone; nothing of it was tested."""
    table = [[[value]] for value in values]
    held = {"locking_torque_Nm": table, "low_Nm": table, "high_Nm": table,
            "tested": [[[False]] for _ in values]}  # fmt: skip
    return LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1", "unit": "Q17", "build": "a", "law": "additive",
                "confidence": 0.95,
                "axes": dict(zip(AXES, (torques, [2.0], [60.0]), strict=True)),
                "branches": dict.fromkeys(("loading", "unloading", "mean"), held),
                "notes": ["first"], "provenance": {},
            }
            | more
        )
    )  # fmt: skip


def test_the_worst_node_is_added_first_and_what_is_left_is_told(tmp_path: Path) -> None:
    """Both ends and zero stay. On a straight line from 50 to 110 N·m the node at 200 N·m is off by 80 to 100,
    a fifth, that at 100 by 65 to 60. With 200 kept, the line at 100 is 75: off by a quarter."""
    whole = of_torque([-100.0, 0.0, 100.0, 200.0, 400.0], [70.0, 50.0, 60.0, 100.0, 110.0])
    fewer = on_fewer_nodes(whole, (4, 1, 1), tmp_path)
    assert fewer.axes[0].tolist() == [-100.0, 0.0, 200.0, 400.0]
    first, note = fewer.document.notes
    assert first == "first"
    assert note == (
        f"the table is on 4x1x1 nodes of the map {whole.digest[:12]}: off by 25 % at most between them; "
        "shows 100 % of what counts as tested there"
    )
    assert on_fewer_nodes(whole, (9, 3, 2), tmp_path).axes[0].tolist() == whole.axes[0].tolist()
    assert on_fewer_nodes(whole, (3, 1, 1), tmp_path).axes[0].tolist() == [-100.0, 0.0, 400.0]


@pytest.mark.parametrize(
    ("second", "third", "first_kept"),
    [
        (14.0, 38.65, 100.0),  # 87.5 / 20 before 162.35 / 38.65
        (14.0, 36.0, 200.0),  # 87.5 / 20 behind 165 / 36, though more than it as a share of its own
    ],
)
def test_a_node_near_nothing_counts_as_a_twentieth_of_the_largest(
    second: float, third: float, first_kept: float, tmp_path: Path
) -> None:
    """Between 2 and 400 N·m the line is 101.5 and 201 at two nodes of small torque."""
    whole = of_torque([0.0, 100.0, 200.0, 400.0], [2.0, second, third, 400.0])
    fewer = on_fewer_nodes(whole, (3, 1, 1), tmp_path)
    assert fewer.axes[0].tolist() == [0.0, first_kept, 400.0]


TESTED = ("0110", "1111", "0111", "0100")  # torques down, speed differences across


def test_the_box_of_most_tested_corners_stays(tmp_path: Path) -> None:
    """Of the boxes with tested corners that of the first three torques and the middle two speeds has most
    nodes, six, and comes first; while loading more was tested, and there is room for it."""
    axes = ([10.0, 50.0, 90.0, 400.0], [1.0, 2.0, 5.0, 9.0], [60.0])
    value = [[[100.0 + t + s * s] for s in axes[1]] for t in axes[0]]
    tested = [[[cell == "1"] for cell in row] for row in TESTED]
    more = [[[cell == "1"] for cell in row] for row in (*TESTED[:3], "0111")]
    tables = {"locking_torque_Nm": value, "low_Nm": value, "high_Nm": value}
    both = {**tables, "tested": tested}
    whole = LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1", "unit": "Q17", "build": "a", "law": "additive",
                "confidence": 0.95, "axes": dict(zip(AXES, axes, strict=True)),
                "branches": {"loading": {**tables, "tested": more}, "unloading": both, "mean": both},
                "notes": [], "provenance": {},
            }
        )
    )  # fmt: skip
    with pytest.raises(OutputError, match=r"2x4x1 are too few nodes.*3x4x1 at least"):
        on_fewer_nodes(whole, (2, 4, 1), tmp_path)
    assert on_fewer_nodes(whole, (3, 4, 1), tmp_path).axes[0].tolist() == [10.0, 90.0, 400.0]
    # while loading the box of the lower three torques and the right three speeds has nine nodes
    assert on_fewer_nodes(whole, (4, 4, 1), tmp_path).axes[0].tolist() == axes[0]
