"""Friction, torque bias, heat: what the curves behind the figures say, held against closed forms."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from diffbench import figures
from diffbench.report import drawing
from diffbench.report.friction import (
    bias_curve,
    friction_cells,
    friction_curve,
    friction_scale,
    reference_place,
    run_starts,
)
from diffbench.results import Characterisation, LockingMap


@pytest.fixture
def axes() -> Axes:
    """Axes of their own figure."""
    return Figure(figsize=(5, 4)).add_subplot()


def test_friction_over_speed_is_the_law(complete: Characterisation, synthetic: ModuleType) -> None:
    """Written anew from its formula, m = [1 + e exp(-v/v_s)]/[1 + e exp(-v_ref/v_s)]; 1 at the reference."""
    curve = friction_curve(complete, "sliding_speed")
    thing = synthetic.unit()
    home = 0.5 * 4.0 * synthetic.RADIUS

    def law(speed: np.ndarray | float) -> np.ndarray:
        excess, stribeck_speed = thing.friction_values
        return 1.0 + excess * np.exp(-np.asarray(speed) / stribeck_speed)

    np.testing.assert_allclose(curve.value, law(curve.at) / law(home), rtol=1e-12)  # algebra
    assert reference_place(complete, "sliding_speed") == pytest.approx(home)
    at_home = int(np.argmin(np.abs(curve.at - home)))
    assert curve.value[at_home] == pytest.approx(1.0)
    # nothing that moves the course is left where it is 1 by definition
    assert curve.high[at_home] - curve.low[at_home] == pytest.approx(0.0, abs=1e-9)


def test_band_over_temperature_is_the_coefficient_s(
    complete: Characterisation, synthetic: ModuleType
) -> None:
    """m = 1 + a (Theta - 60): half the band is 1.96 u(a) |Theta - 60|."""
    curve = friction_curve(complete, "plate")
    spread = dict(zip(synthetic.NAMES, synthetic.SPREAD, strict=True))["temperature_coefficient"]
    np.testing.assert_allclose(curve.value, 1.0 - 0.0015 * (curve.at - 60.0), rtol=1e-12)
    half = 0.5 * (curve.high - curve.low)
    np.testing.assert_allclose(half, 1.959964 * spread * np.abs(curve.at - 60.0), rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("over", ["sliding_speed", "plate"])
def test_cells_lie_about_the_curve(complete: Characterisation, over: str) -> None:
    """The cells were made by the law with noise of 0.6 N·m: their mean distance to it is noise over the root
    of their number, four standard deviations allowed."""
    cells, curve = friction_cells(complete, over), friction_curve(complete, over)
    assert cells is not None
    apart = cells.value - np.interp(cells.at, curve.at, curve.value)
    # the least load that counts is a tenth of the largest: 0.6 N·m of noise in that
    evidence = complete.evidence
    least = 0.1 * float(evidence.model.max())
    assert abs(float(apart.mean())) < 4.0 * (0.6 / least) / np.sqrt(apart.size)
    assert apart.size > 300


def test_no_cells_where_they_would_mean_nothing(complete: Characterisation) -> None:
    """Without evidence, or with builds whose plates have other radii."""
    bare = complete.model_copy()
    bare._evidence = None
    assert friction_cells(bare, "plate") is None
    wider = complete.builds[0].model_copy(update={"build": "other", "effective_radius_m": 0.05})
    two = complete.model_copy(update={"builds": [*complete.builds, wider]}).with_evidence(complete.evidence)
    assert friction_cells(two, "plate") is None


def test_bias_is_that_of_the_standard(complete_map: LockingMap) -> None:
    """SAE J2817: TBR = T_high/T_low with T_high + T_low = T_in and T_high - T_low = T_lock; none where the
    unit locks more than comes in."""
    curve = bias_curve(complete_map, "loading", speed_difference=4.0, temperature=60.0)
    locking = complete_map.locking_torque(curve.input_torque, 4.0, 60.0, "loading")
    size = np.abs(curve.input_torque)
    some = locking < size
    high, low = 0.5 * (size + locking), 0.5 * (size - locking)
    np.testing.assert_allclose(curve.value[some], high[some] / low[some], rtol=1e-9)
    assert np.isnan(curve.value[~some]).all()
    assert not some[np.argmin(size)]


def test_figures_return_their_axes_with_units(
    complete: Characterisation, complete_map: LockingMap, axes: Axes
) -> None:
    """Every axis names its unit in brackets."""
    evidence = complete.evidence
    for draw in (
        lambda a: figures.friction(complete, a),
        lambda a: figures.friction(complete, a, over="plate"),
        lambda a: figures.torque_bias(complete, complete_map, a),
        lambda a: figures.temperatures(evidence, a),
        lambda a: figures.plate_heat(evidence, a),
    ):
        fresh = Figure().add_subplot()
        assert draw(fresh) is fresh
        assert "[" in fresh.get_xlabel()
        assert "[" in fresh.get_ylabel()


def test_a_band_reaches_where_friction_cannot(complete: Characterisation, synthetic: ModuleType) -> None:
    """A static excess of −0.5 ± 0.6: one such step down friction would be negative. By the derivative,
    dm/de = (d − d_ref)/(1 + e d_ref)², with d the decay exp(−v/v_s)."""
    (form,) = complete.forms
    at = form.names.index("static_excess")
    values, covariance = list(form.values), np.zeros((len(form.values), len(form.values)))
    values[at], covariance[at, at] = -0.5, 0.6**2
    odd = form.model_copy(update={"values": values, "covariance": covariance.tolist()})
    curve = friction_curve(complete.model_copy(update={"forms": (odd,)}), "sliding_speed")
    stribeck_speed = synthetic.unit().friction_values[1]
    decay, home = (np.exp(-v / stribeck_speed) for v in (curve.at, 0.5 * 4.0 * synthetic.RADIUS))
    half = 1.959964 * 0.6 * np.abs(decay - home) / (1.0 - 0.5 * home) ** 2
    np.testing.assert_allclose(curve.high - curve.value, half, rtol=1e-5, atol=1e-12)


def test_a_unit_that_locks_more_than_comes_in_has_a_figure_without_a_ratio(
    complete: Characterisation, complete_map: LockingMap
) -> None:
    """Swept by a hundredth of the torques: the scale of ratios stands, and words say why it is empty."""
    axes = complete_map.document.axes
    torques = [0.01 * torque for torque in axes.input_torque_Nm]
    small = complete_map.document.model_copy(
        update={"axes": axes.model_copy(update={"input_torque_Nm": torques})}
    )
    text = drawing.draw(
        lambda axes: figures.torque_bias(complete.with_evidence(None), LockingMap(small), axes),
        size=(4.0, 3.0), prefix="bias", title="Bias",
    )  # fmt: skip
    assert "no ratio" in text
    assert "torque bias ratio [1]" in text


def test_friction_without_a_coefficient_is_relative(complete: Characterisation, axes: Axes) -> None:
    """Where nothing says how large friction is, its course still shows."""
    known = {k: v for k, v in complete.parameters.items() if k != "friction_coefficient"}
    bare = complete.model_copy(update={"parameters": known}).with_evidence(complete.evidence)
    assert friction_scale(bare) is None
    assert "reference = 1" in figures.friction(bare, axes).get_ylabel()
    assert friction_scale(complete) == (0.1104, 0.0038)


def test_runs_follow_one_another(complete: Characterisation) -> None:
    """Two sweeps of the same length, a pause of 3 % of all between them; readings by hand have no time."""
    (first, start, length), (second, later, _) = run_starts(complete.evidence)
    assert (first, second, start) == (0, 1, 0.0)
    assert later == pytest.approx(length * 1.06)


def test_heat_is_half_the_torque_times_the_speed(complete: Characterisation, axes: Axes) -> None:
    """q = T |dw|/2, in kW: the largest of the first run by hand."""
    figures.plate_heat(complete.evidence, axes)
    evidence = complete.evidence
    here = evidence.run < 2
    most = float((0.5 * evidence.locking[here] * evidence.speed_difference[here]).max()) / 1e3
    drawn = max(float(np.max(line.get_ydata())) for line in axes.get_lines() if len(line.get_ydata()) > 2)
    assert drawn == pytest.approx(most)
