"""The numbers behind the figures."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest

from diffbench.physics.steady import steady_locking_torque
from diffbench.report.locking_torque import (
    branch_curve,
    carried_cells,
    parts_over_torque,
    residual_bins,
    sweep_cells,
)
from diffbench.report.map_contours import torques_to_draw
from diffbench.results import Characterisation, LockingMap, make_map

Made = Callable[..., tuple[Characterisation, LockingMap]]

LAWS = [("additive", 0.0), ("greater-of", 0.12), ("greater-of", 0.0)]
NOISE = 0.6  # N·m, of the synthetic cells


@pytest.mark.parametrize(("law", "fraction"), LAWS)
def test_parts_add_up_to_the_map(synthetic: ModuleType, made_under: Made, law: str, fraction: float) -> None:
    """Preload, ramps, gears and oil film are all there is: their sum is the steady locking torque, to
    rounding."""
    made = parts_over_torque(*made_under(law, fraction), speed_difference=7.0, temperature=72.0)
    expected = steady_locking_torque(synthetic.unit(law, fraction), made.input_torque, 7.0, 72.0, "loading")
    np.testing.assert_allclose(made.total, expected, rtol=1e-12)


def test_preload_gives_way_to_the_ramps_once_the_contact_opens(made_under: Made) -> None:
    """Under greater-of the preload's part falls to nothing where K |T| = P/(1 − Phi); analytic."""
    result = made_under("greater-of", 0.12)
    made = parts_over_torque(*result, speed_difference=4.0, temperature=60.0)
    opening = 83.2 / (1.0 - 0.12) / 0.45
    drive = made.input_torque > 0
    assert np.all((made.preload[drive] > 0) == (made.input_torque[drive] < opening))
    zero = np.flatnonzero(made.input_torque == 0.0)[0]
    assert made.preload[zero] == pytest.approx(83.2)
    assert made.ramps[zero] == 0.0


@pytest.mark.parametrize(("law", "fraction"), LAWS)
def test_cells_are_carried_to_the_branch_they_stand_on(
    synthetic: ModuleType, made_under: Made, law: str, fraction: float
) -> None:
    """Carried to the reference condition, each cell keeps its own noise: 0.6 N·m over the friction factor.

    The friction factor of the synthetic cells lies between 0.94 and 1.1, so five sigma over 0.94 bounds
    every cell.
    """
    cells = carried_cells(*made_under(law, fraction), speed_difference=4.0, temperature=60.0)
    assert cells is not None
    unit = synthetic.unit(law, fraction)
    loading, unloading = (
        steady_locking_torque(unit, cells.input_torque, 4.0, 60.0, branch)
        for branch in ("loading", "unloading")
    )
    off = cells.locking - np.where(cells.loading, loading, unloading)
    assert np.max(np.abs(off)) < 5 * NOISE / 0.94
    assert abs(np.mean(off)) < 4 * NOISE / np.sqrt(off.size)


def test_readings_by_hand_and_rejected_cells_are_not_carried(
    complete: Characterisation, complete_map: LockingMap
) -> None:
    """A reading by hand has no sliding speed to be carried from; what the fit left out stays out."""
    evidence = complete.evidence
    cells = carried_cells(complete, complete_map, speed_difference=4.0, temperature=60.0)
    assert cells is not None
    assert cells.input_torque.size == evidence.run.size - 2 - 1
    assert sweep_cells(evidence).sum() == evidence.run.size - 2


def test_cells_of_several_builds_are_not_mixed(synthetic: ModuleType, complete_map: LockingMap) -> None:
    """A map is of one build: cells of two are not laid over it, nor cells that are not at hand."""
    both = synthetic.two_builds()
    assert (
        carried_cells(both, make_map(both, build="K04-shim"), speed_difference=4.0, temperature=60.0) is None
    )
    bare = synthetic.complete().model_copy()
    bare._evidence = None
    assert carried_cells(bare, complete_map, speed_difference=4.0, temperature=60.0) is None


def test_parts_are_of_the_map_s_own_build(synthetic: ModuleType) -> None:
    """The second build's preload is the second build's: 97.41 N·m as stated in the synthetic result."""
    both = synthetic.two_builds()
    made = parts_over_torque(both, make_map(both, build="K04-shim"), speed_difference=4.0, temperature=60.0)
    assert made.preload == pytest.approx(np.full(made.preload.size, 97.41))


def test_branch_curve_is_the_map_at_its_nodes(complete: Characterisation, complete_map: LockingMap) -> None:
    """At the map's own nodes, as far as it is drawn, the curve is the table itself."""
    i = torques_to_draw(complete_map)
    assert 4 < i.size < complete_map.axes[0].size
    j = int(np.flatnonzero(complete_map.axes[1] == 4.0)[0])
    k = int(np.flatnonzero(complete_map.axes[2] == 60.0)[0])
    curve = branch_curve(complete_map, "unloading", speed_difference=4.0, temperature=60.0)
    np.testing.assert_allclose(curve.value, complete_map.values["unloading"][i, j, k], rtol=1e-12)
    np.testing.assert_allclose(curve.low, complete_map.low["unloading"][i, j, k], rtol=1e-12)
    assert curve.tested.tolist() == complete_map.tested["unloading"][i, j, k].tolist()


@pytest.mark.parametrize("axis", ["input_torque", "speed_difference", "plate", "time"])
def test_residual_bins_hold_every_used_cell_once(complete: Characterisation, axis: str) -> None:
    """Counts add up, and so do the residuals."""
    evidence = complete.evidence
    assert evidence is not None
    bins = residual_bins(evidence, axis)
    residual = (evidence.locking - evidence.model)[evidence.used]
    assert bins.count.sum() == residual.size
    assert (bins.count * bins.mean).sum() == pytest.approx(residual.sum())
    assert (bins.count * bins.rms**2).sum() == pytest.approx((residual**2).sum())
    assert np.all(np.diff(bins.centre) > 0)


def test_no_cells_no_bins(synthetic: ModuleType) -> None:
    """An axis without a single number gives empty bins, not an error."""
    evidence = synthetic.evidence()
    evidence.plate[:] = np.nan
    assert residual_bins(evidence, "plate").count.size == 0
