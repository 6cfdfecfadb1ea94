"""The numbers under a lookup: nodes are found without a search, and still exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diffbench.results.grid_lookup import MOST_BUCKETS, Grid

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


@pytest.mark.parametrize("gap", [1.0, 1e-4])
def test_even_axes_need_no_search(gap: float) -> None:
    """Nodes too close for their axis would need too long a table: those are searched, and found alike."""
    axis = np.array([0.0, 1.0, 1.0 + gap, 10.0])
    grid = Grid([axis, np.array([0.0]), np.array([0.0])])
    buckets = grid._buckets[0]  # how it is done shows nowhere else
    assert (buckets is None) == (20.0 / gap > MOST_BUCKETS)
    table = grid.table(np.array([3.0, 1.0, 4.0, 1.0]).reshape(-1, 1, 1))
    (found,) = grid.many([table], axis, np.zeros(4), np.zeros(4))
    assert found.tolist() == [3.0, 1.0, 4.0, 1.0]


def test_what_is_no_number_does_not_touch_its_neighbours() -> None:
    grid = Grid([np.array([0.0, 1.0, 2.0]), np.array([0.0]), np.array([0.0])])
    table = grid.table(np.array([3.0, 1.0, 4.0]).reshape(-1, 1, 1))
    (found,) = grid.many([table], np.array([1.0, np.nan, 2.0]), np.zeros(3), np.zeros(3))
    assert found[[0, 2]].tolist() == [1.0, 4.0]
    assert np.isnan(found[1])
