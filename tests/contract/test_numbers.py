"""Every number that a user reads of a flawless recording: the truth, to 0.1 %.

Without noise and with papers that are right there is nothing to hide behind: no standard uncertainty and no
repeatability widens what is asked. Truth is the simulator's unit in closed form (`benchsim.unit`), which
shares no code with the fit. A cell is a mean over up to a second, and within it the curves of friction, oil
film and plate heat bend: those shapes are held to 0.4 %, measured at 0.35 % and less; plate heat on the stand
that drives one flank alone to 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from scipy.stats import t

Fitted = Any

ALWAYS = {
    "preload_torque",
    "gear_friction",
    "friction_coefficient",
    "spring_force",
    "static_friction_excess",
    "stribeck_speed",
    "friction_slope",
    "friction_temperature_coefficient",
    "viscous_coefficient",
    "viscous_temperature_coefficient",
}
BY_FLANK = (
    "ramp_bias_{}_loading",
    "ramp_bias_{}_unloading",
    "locking_effect_{}",
    "torque_bias_ratio_{}",
    "ramp_friction_angle_{}",
)
BY_FORCE = ("effective_ramp_angle_{}", "effective_ramp_angle_{}_loading")


def expected_names(fitted: Fitted) -> set[str]:
    """What such a visit determines: nothing passes by not being determined."""
    flanks = [flank for flank, end in (("coast", min), ("drive", max)) if end(fitted.bench.truth_torques)]
    forms = (*BY_FLANK, *(BY_FORCE if fitted.bench.sheet.spring_force else ()))
    names = ALWAYS | {form.format(flank) for form in forms for flank in flanks}
    return names | ({"joint_fraction"} if fitted.bench.unit.law == "greater-of" else set())


def test_every_parameter_is_the_truth(fitted: Fitted, missed: Callable[..., dict[str, Any]]) -> None:
    known = {name for name, item in fitted.parameters.items() if item["value"] is not None}
    assert known >= expected_names(fitted)
    assert missed(fitted.parameters, fitted.truth()) == {}


def test_the_law_is_the_units(fitted: Fitted) -> None:
    """Both halves of the form: how preload and ramps meet, and the exponent of the friction curve."""
    document = fitted.document
    assert (document["law"]["chosen"], document["law"]["status"]) == (fitted.bench.unit.law, "measured")
    best = document["forms"][0]
    assert (best["law"], best["stribeck_exponent"]) == (
        fitted.bench.unit.law,
        fitted.bench.unit.stribeck_exponent,
    )


def test_every_interval_holds_the_truth_and_is_as_wide_as_it_says(fitted: Fitted) -> None:
    """Between Student's t of ten and of no end of degrees of freedom, on either side; a shape by profile or
    draws may lean by a quarter."""
    truth = fitted.truth()
    for name, item in fitted.parameters.items():
        if item["value"] is None or item["u"] == 0.0:
            continue
        assert item["low"] <= item["value"] <= item["high"], name
        if item["u"] < 0.05 * abs(item["value"]):
            half = 0.5 * (item["high"] - item["low"]) / item["u"]
            assert 0.97 * t.ppf(0.975, math.inf) < half < 1.03 * t.ppf(0.975, 10.0), name
            assert item["low"] <= truth[name] <= item["high"], name


def test_every_budget_adds_up_to_its_uncertainty(fitted: Fitted) -> None:
    """Shares are squares: root of the sum of squares is ``u``, and the shares add up to one."""
    for name, item in fitted.parameters.items():
        if item["value"] is None or not item["u"]:
            continue
        assert all(size >= 0.0 for size in item["budget"].values()), name
        shares = [(size / item["u"]) ** 2 for size in item["budget"].values()]
        assert math.isclose(sum(shares), 1.0, rel_tol=1e-3), name
        assert not any(
            size
            for source, size in item["budget"].items()
            if source.startswith(("transducer", "temperature reading", "lag", "tare", "final drive"))
        ), f"{name}: no doubt was stated of the bench"


def test_correlations_are_correlations(fitted: Fitted) -> None:
    correlation = fitted.document["correlation"]
    names, matrix = correlation["names"], correlation["matrix"]
    assert set(names) <= fitted.parameters.keys()
    for i, row in enumerate(matrix):
        assert row[i] == 1.0
        for j, value in enumerate(row):
            assert value == matrix[j][i]
            assert -1.0 <= value <= 1.0


def test_where_and_in_which_unit_each_is_quoted(fitted: Fitted) -> None:
    """Units and conditions stand beside the numbers: SI, angles in degrees."""
    units = {
        "preload_torque": "N·m",
        "viscous_coefficient": "N·m·s/rad",
        "viscous_temperature_coefficient": "1/K",
        "stribeck_speed": "m/s",
        "friction_slope": "s/m",
        "friction_temperature_coefficient": "1/K",
        "heat_capacity": "J/K",
        "heat_conductance": "W/K",
        "spring_force": "N",
    }
    for name, item in fitted.parameters.items():
        assert item["unit"] == units.get(name, "deg" if "angle" in name else "1"), name
    document = fitted.document
    assert document["reference"] == {
        "temperature_degC": fitted.bench.unit.reference_temperature,
        "speed_difference_rad_s": fitted.bench.sheet.reference_speed_difference,
    }
    for flank, end in (("coast", min), ("drive", max)):
        torque = end(fitted.bench.truth_torques) / 0.9
        if torque:
            for name in (f"locking_effect_{flank}", f"torque_bias_ratio_{flank}"):
                assert math.isclose(fitted.parameters[name]["at_input_torque_Nm"], torque, rel_tol=0.02)


def test_what_was_assembled_is_told_again(fitted: Fitted) -> None:
    unit, (build,) = fitted.bench.unit, fitted.document["builds"]
    assert build["unit"] == unit.name
    assert build["faces"] == unit.faces
    for name, value in (
        ("effective_radius_m", unit.effective_radius),
        ("pin_radius_m", unit.pin_radius),
        ("drive_angle_deg", unit.drive_angle_deg),
        ("coast_angle_deg", unit.coast_angle_deg),
    ):
        assert math.isclose(build[name], value, rel_tol=1e-9), name


def test_no_misfit_is_found_where_there_is_none(fitted: Fitted) -> None:
    """A smooth correction and the unknowns that take it up would cancel, and add up to 1.4 % where they do
    not quite."""
    assert "model misses" not in {finding["name"] for finding in fitted.document["findings"]}


@pytest.mark.parametrize("name", ["drive-only", "coast-only"])
def test_a_flank_that_was_not_run_is_not_determined(name: str, fitted_of: Any) -> None:
    found = fitted_of(name).parameters
    missing = "coast" if name == "drive-only" else "drive"
    for form in ("ramp_bias_{}_loading", "ramp_bias_{}_unloading", "effective_ramp_angle_{}"):
        item = found[form.format(missing)]
        assert (item["status"], item["value"], item["u"]) == ("not-determined", None, None)
        assert item["needs"]
    assert not any(key.startswith(("locking_effect", "torque_bias")) and missing in key for key in found)
