"""The rule beyond the axes of a map, worked out by hand on tables that are products of three small rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from diffbench.results.beyond_axes import Beyond, beyond_of

SPEEDS, BY_SPEED = (2.0, 5.0), (1.2, 1.0)
HEATS, BY_HEAT = (40.0, 70.0), (1.1, 0.9)
MOST = 1.2 * 1.1  # of what speed and heat make of a torque


def rule(torques: Any, values: Any, halves: Any, *, unseen: bool = False, **axes: Any) -> Beyond:
    """Of a table values x speed x heat in every branch, with half-widths by torque, below or above."""
    speeds, by_speed = axes.get("speeds", (SPEEDS, BY_SPEED))
    heats, by_heat = axes.get("heats", (HEATS, BY_HEAT))
    value = np.einsum("i,j,k->ijk", np.array(values), by_speed, by_heat)
    half = np.array(halves)[:, None, None]
    above = np.arange(len(halves))[:, None, None] % 2 == 0
    tables = [
        dict.fromkeys(("loading", "unloading"), table)
        for table in (
            value,
            value - np.where(above, 0.3, 1.0) * half,
            value + np.where(above, 1.0, 0.6) * half,
        )
    ]
    places = tuple(np.array(axis) for axis in (torques, speeds, heats))
    return beyond_of(places, *tables, corner_unseen=unseen)  # type: ignore[arg-type]


def test_each_end_of_each_axis() -> None:
    """Along torque (half at the end + half at zero) over the distance; along the others a tenth for each
    lowest or highest speed and 30 K, and the relative change of the last cell going on."""
    found = rule((-200.0, 0.0, 300.0), (110.0, 50.0, 200.0), (6.0, 2.0, 9.0))
    assert found.half_width_share_of_change == 0.1
    for ends in found.half_width_per_Nm.values():
        assert ends == pytest.approx((8.0 / 200.0, 11.0 / 300.0))
    low, high = found.half_width_share_per_rad_s
    assert low == pytest.approx(0.1 / 2.0 + 0.2 / 1.2 / 3.0)
    assert high == pytest.approx(0.1 / 5.0 + 0.2 / 1.0 / 3.0)
    low, high = found.half_width_share_per_K
    assert low == pytest.approx(0.1 / 30.0 + 0.2 / 1.1 / 30.0)
    assert high == pytest.approx(0.1 / 30.0 + 0.2 / 0.9 / 30.0)


def test_a_corner_beyond_the_last_node_may_turn_the_slope_into_the_other_flanks() -> None:
    found = rule((-200.0, 0.0, 300.0), (110.0, 50.0, 200.0), (6.0, 2.0, 9.0), unseen=True)
    gentle, steep = MOST * 60.0 / 200.0, MOST * 150.0 / 300.0
    assert found.half_width_per_Nm["loading"] == pytest.approx((0.04 + steep - gentle, 11.0 / 300.0))


@pytest.mark.parametrize(("way", "unseen"), [(1.0, False), (1.0, True), (-1.0, False)])
def test_a_flank_that_is_not_in_the_map_may_be_as_steep_as_the_other(way: float, unseen: bool) -> None:
    """Axes of one flank alone: at the end by zero what the far cell does may come, on top of the doubt."""
    torques, values, halves = (50.0, 100.0, 300.0), (70.0, 90.0, 130.0), (4.0, 3.0, 7.0)
    turned = slice(None, None, int(way))
    found = rule([way * torque for torque in torques[turned]], values[turned], halves[turned], unseen=unseen)
    slope = MOST * 40.0 / 200.0
    near, far = 11.0 / 250.0 + slope + (slope if unseen else 0.0), 11.0 / 250.0
    assert found.half_width_per_Nm["unloading"] == pytest.approx((near, far)[turned])


def test_of_axes_of_one_node_nothing_is_known() -> None:
    """A newton metre for each; no trend; and at no speed difference a tenth for each rad/s."""
    found = rule((150.0,), (90.0,), (4.0,), speeds=((0.0,), (1.2,)), heats=((55.0,), (0.9,)))
    assert found.half_width_per_Nm["loading"] == (1.0, 1.0)
    assert found.half_width_share_per_rad_s == (0.1, 0.1)
    assert found.half_width_share_per_K == pytest.approx((0.1 / 30.0, 0.1 / 30.0))
