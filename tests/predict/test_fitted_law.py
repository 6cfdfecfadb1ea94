"""The law that a map bears: its numbers by name, and what cannot be one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.physics.steady import UnitQuantities
from diffbench.results import Characterisation, FittedLaw, FormState, map_on

Results = Callable[..., Characterisation]
Forms = Callable[..., FormState]
AXES = (np.array([0.0, 100.0]), np.array([4.0]), np.array([60.0]))
VALUES = {
    "preload_torque": 80.0, "ramp_bias_drive_loading": 0.5, "ramp_bias_coast_loading": 0.3,
    "unloading_ratio_drive": 1.4, "unloading_ratio_coast": 1.3, "gear_friction": 0.02,
    "viscous_coefficient": 0.25, "viscous_temperature_coefficient": 0.03,
    "friction_temperature_coefficient": -0.0012, "joint_fraction": 0.1, "static_excess": 0.15,
    "stribeck_speed": 0.03,
}  # fmt: skip


def law_of(result: Characterisation) -> FittedLaw:
    found = map_on(result, AXES).document.fitted_law
    assert found is not None
    return found


def test_numbers_by_name(
    characterised: Results, form_of: Forms, law_by_hand: Callable[[str], UnitQuantities]
) -> None:
    """Each in its own unit, a logarithm by its slope: the doubt of a speed is that share of it."""
    u = {"preload_torque": 1.5, "stribeck_speed": 0.2, "joint_fraction": 0.04}
    form = form_of("greater-of", u=u, weight=0.7)
    covariance = np.array(form.covariance)
    at = [form.names.index(name) for name in ("preload_torque", "stribeck_speed")]
    covariance[at[0], at[1]] = covariance[at[1], at[0]] = 0.12
    found = law_of(characterised(form.model_copy(update={"covariance": covariance.tolist()})))
    assert dict(zip(found.names, found.values, strict=True)) == pytest.approx(VALUES)
    assert (found.preload_law, found.friction_law, found.weight) == ("greater-of", "stribeck-1", 0.7)
    assert (found.u("preload_torque"), found.u("joint_fraction")) == pytest.approx((1.5, 0.04))
    assert found.u("stribeck_speed") == pytest.approx(0.2 * 0.03)
    i, j = found.names.index("preload_torque"), found.names.index("stribeck_speed")
    assert found.covariance[i][j] == found.covariance[j][i] == pytest.approx(0.12 * 0.03)
    units = dict(zip(found.names, found.units, strict=True))
    assert (units["preload_torque"], units["viscous_coefficient"]) == ("N·m", "N·m·s/rad")
    made, expected = found.unit_quantities(), law_by_hand("greater-of")
    assert made.friction_values == pytest.approx(expected.friction_values)
    assert replace(made, friction_values=expected.friction_values) == expected
    assert (found.value("heat_capacity"), found.value("heat_capacity", 7.0)) == (0.0, 7.0)
    assert found.effective_radius_m == 0.046
    assert (found.reference_temperature_degC, found.reference_speed_difference_rad_s) == (60.0, 4.0)
    below_zero = found.model_copy(update={"covariance": ((-1e-9,),)})
    assert below_zero.u(found.names[0]) == 0.0


def test_plates_and_packs_where_the_fit_has_them(characterised: Results, form_of: Forms) -> None:
    """Heat of the plates, and packs that differ: both numbers, in their order."""
    packs = {"packs_apart_preload": 0.06, "packs_apart_ramps": -0.09}
    form = form_of(heat_capacity=900.0, heat_conductance=14.0, **packs)
    found = law_of(characterised(form))
    assert found.names[-4:] == ("heat_capacity", "heat_conductance", *packs)
    assert found.values[-4:] == (900.0, 14.0, 0.06, -0.09)
    assert found.units[-4:] == ("J/K", "W/K", "1", "1")
    assert found.unit_quantities().packs_apart == (0.06, -0.09)


def said(characterised: Results) -> dict[str, Any]:
    return law_of(characterised()).model_dump()


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"preload_law": "cubic"}, "the law 'cubic, stribeck-1' is not known"),
        ({"friction_law": "cubic"}, "the law 'additive, cubic' is not known"),
        ({"units": ("1",)}, "differ in size"),
        ({"values": (1.0,)}, "differ in size"),
        ({"covariance": ((1.0,),)}, "differ in size"),
        ({"preload_law": "greater-of"}, "the law has no joint_fraction"),
    ],
)
def test_what_is_no_law_is_refused(change: dict[str, Any], what: str, characterised: Results) -> None:
    with pytest.raises(ValidationError, match=what):
        FittedLaw.model_validate(said(characterised) | change)


def test_a_row_too_short_and_a_name_too_few(characterised: Results) -> None:
    known = said(characterised)
    rows = [*known["covariance"][:-1], known["covariance"][-1][:-1]]
    with pytest.raises(ValidationError, match="differ in size"):
        FittedLaw.model_validate(known | {"covariance": rows})
    fewer = {
        **{key: known[key][1:] for key in ("names", "units", "values")},
        "covariance": [row[1:] for row in known["covariance"][1:]],
    }
    with pytest.raises(ValidationError, match="the law has no preload_torque"):
        FittedLaw.model_validate(known | fewer)
    assert FittedLaw.model_validate(known).preload_law in PRELOAD_LAWS
