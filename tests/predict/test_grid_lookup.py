"""The numbers under a lookup: nodes are found without a search, and still exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diffbench.results.grid_lookup import Grid

axes = st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=30, unique=True).map(lambda x: np.array(sorted(x)))


def around(axis: np.ndarray) -> np.ndarray:
    """Every node, the floats beside it, middles, and beyond both ends."""
    middles = 0.5 * (axis[1:] + axis[:-1])
    beside = [np.nextafter(axis, -np.inf), np.nextafter(axis, np.inf)]
    return np.concatenate([axis, *beside, middles, [axis[0] - 1.0, axis[-1] + 1.0, -np.inf, np.inf]])


@given(axes)
def test_an_axis_is_bracketed_exactly(axis: np.ndarray) -> None:
    """A table that counts its nodes gives each place between two nodes a number between theirs: even axes by
    buckets, uneven ones by search, single places by bisection, all three alike."""
    grid = Grid([axis, np.array([0.0]), np.array([0.0])])
    table = grid.table(np.arange(axis.size, dtype=np.float64).reshape(-1, 1, 1))
    places = around(axis)
    zeros = np.zeros(places.shape)
    (found,) = grid.many([table], places, zeros, zeros)
    np.testing.assert_array_equal(found, [grid.one(table, float(place), 0.0, 0.0) for place in places])
    assert np.isnan(found[-2:]).all()  # infinite is no place
    found, held = found[:-2], np.clip(places[:-2], axis[0], axis[-1])
    lower = np.searchsorted(axis, held, side="right") - 1
    assert (found >= lower).all()
    assert (found <= np.minimum(lower + 1, axis.size - 1)).all()
    np.testing.assert_array_equal(found[: axis.size], np.arange(axis.size))


def test_how_an_even_axis_is_cut() -> None:
    """By hand: two buckets and a bit for the nearest two nodes, 21 over 10; in each the node, or none, and
    the last one before it. How it is done shows nowhere else."""
    buckets = Grid([np.array([3.0, 4.0, 5.5, 13.0]), np.array([0.0]), np.array([0.0])])._buckets
    assert buckets[1:] == (None, None)
    assert buckets[0] is not None
    assert buckets[0].scale == 2.1
    node = np.full(22, np.inf)
    node[[0, 2, 5, 21]] = 3.0, 4.0, 5.5, 13.0
    np.testing.assert_array_equal(buckets[0].node, node)
    assert buckets[0].before.tolist() == [-1, 0, 0, 1, 1, 1, *[2] * 16]


@pytest.mark.parametrize(("far", "searched"), [(2047.0, False), (2048.0, True), (1e7, True)])
def test_too_long_a_table_is_not_made(far: float, searched: bool) -> None:
    """Nodes that stand too close for their axis, from 4096 buckets on: those are searched, and found
    alike."""
    axis = np.array([0.0, 1.0, 2.0, far])
    grid = Grid([axis, np.array([0.0]), np.array([0.0])])
    assert (grid._buckets[0] is None) is searched
    table = grid.table(np.array([3.0, 1.0, 4.0, 1.0]).reshape(-1, 1, 1))
    (found,) = grid.many([table], axis, np.zeros(4), np.zeros(4))
    assert found.tolist() == [3.0, 1.0, 4.0, 1.0]


def test_places_are_looked_up_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 16384, which a core's cache holds."""
    sizes = []
    real = Grid._bracket

    def seen(self: Grid, place: list[np.ndarray]) -> object:
        sizes.append([part.size for part in place])
        return real(self, place)

    monkeypatch.setattr(Grid, "_bracket", seen)
    grid = Grid([np.array([0.0, 1.0]), np.array([0.0]), np.array([0.0])])
    table = grid.table(np.array([3.0, 5.0]).reshape(-1, 1, 1))
    many = np.linspace(0.0, 1.0, 16384 + 5)
    (found,) = grid.many([table], many, np.zeros(many.size), np.zeros(many.size))
    np.testing.assert_allclose(found, 3.0 + 2.0 * many, rtol=1e-14)
    assert sizes == [[16384] * 3, [5] * 3]


def test_what_is_no_number_does_not_touch_its_neighbours() -> None:
    grid = Grid([np.array([0.0, 1.0, 2.0]), np.array([0.0]), np.array([0.0])])
    table = grid.table(np.array([3.0, 1.0, 4.0]).reshape(-1, 1, 1))
    (found,) = grid.many([table], np.array([1.0, np.nan, 2.0]), np.zeros(3), np.zeros(3))
    assert found[[0, 2]].tolist() == [1.0, 4.0]
    assert np.isnan(found[1])
