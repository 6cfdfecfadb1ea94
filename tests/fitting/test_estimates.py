"""Quantities of one form by its unknowns: each by its formula, and how it follows them."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.documents import Build
from diffbench.fitting import Candidate, Estimate, FitData, Form, Setup
from diffbench.fitting.estimates import (
    Condition,
    direct_estimates,
    gradient,
    moved_estimates,
    shim_rates,
)
from diffbench.fitting.unknowns import Names, Unknown
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive
from diffbench.quantities import Quantity

OWN = {
    "preload_torque": 80.0, "ramp_bias_drive_loading": 0.5, "ramp_bias_coast_loading": 0.3,
    "unloading_ratio_drive": 1.3, "unloading_ratio_coast": 1.2, "gear_friction": 0.02, "viscous": 0.25,
    "viscous_exponent": 0.031, "static_excess": 0.2, "stribeck_speed": math.log(0.02),
    "temperature_coefficient": -0.001, "heat_capacity": math.log(950.0), "heat_conductance": math.log(40.0),
}  # fmt: skip
RADIUS = 0.04625
SLIDING = 0.5 * 4.0 * RADIUS  # m/s, at the reference


@pytest.fixture
def known(
    data_of: Callable[..., FitData], candidate_of: Callable[..., Candidate], demo_build: Build
) -> Candidate:
    """A form with those unknowns."""
    data = data_of(cells=8, input_torque=np.linspace(-200.0, 400.0, 8))
    model = Setup.of([demo_build], data).model(Form(Additive(), Stribeck(1.0)))
    x = model.names.start.copy()
    for name, value in OWN.items():
        x[model.names.position[name]] = value
    return candidate_of(model, np.zeros(8), x=x)


def slope(candidate: Candidate, found: Estimate) -> dict[str, float]:
    """By which unknowns it moves."""
    names = [unknown.name for unknown in candidate.names.unknowns]
    return {name: value for name, value in zip(names, found.gradient.tolist(), strict=True) if value}


def deviations(candidate: Candidate) -> Any:
    """A thousandth of each of those unknowns; nothing of the rest."""
    u = np.zeros(len(candidate.names))
    for name, value in OWN.items():
        u[candidate.names.position[name]] = 1e-3 * abs(value)
    return u


def test_slopes_over_half_a_standard_uncertainty_to_either_side() -> None:
    """Central differences that stay within the bounds; none of what is exact or cannot move."""
    names = Names((
        Unknown("a", 0.0), Unknown("b", 0.0, low=1.9, high=5.0), Unknown("c", 0.0, low=0.0, high=3.02),
        Unknown("exact", 0.0), Unknown("fixed", 0.0, low=4.0, high=4.0),
    ))  # fmt: skip
    candidate: Any = SimpleNamespace(names=names, x=np.array([1.0, 2.0, 3.0, 7.0, 4.0]))
    found = gradient(
        lambda x: np.array([x[0] ** 3 + x[1] ** 2 + x[2] ** 2 + x[3], x[4] * x[0]]), candidate,
        np.array([0.2, 0.4, 0.1, 0.0, 0.5]),
    )  # fmt: skip
    assert found[0] == pytest.approx([(1.1**3 - 0.9**3) / 0.2, 2.2 + 1.9, 2.95 + 3.02, 0.0, 0.0])
    assert found[1] == pytest.approx([4.0, 0.0, 0.0, 0.0, 0.0])


def test_quantities_at_the_reference_condition(known: Candidate) -> None:
    """Each as its unknown, an unloading bias as a product; the slope of friction over sliding speed by
    differences of 1 + e exp(-v/v_s)."""
    found = direct_estimates(known, deviations(known), build=0, suffix="", torque_range=(-200.0, 400.0))
    plain = {
        "preload_torque": ("preload_torque", 80.0),
        "ramp_bias_drive_loading": ("ramp_bias_drive_loading", 0.5),
        "ramp_bias_coast_loading": ("ramp_bias_coast_loading", 0.3), "gear_friction": ("gear_friction", 0.02),
        "viscous_coefficient": ("viscous", 0.25),
        "viscous_temperature_coefficient": ("viscous_exponent", 0.031),
        "static_friction_excess": ("static_excess", 0.2),
        "friction_temperature_coefficient": ("temperature_coefficient", -0.001),
    }  # fmt: skip
    for name, (unknown, value) in plain.items():
        assert found[name].value == pytest.approx(value)
        moved = slope(known, found[name])
        assert {key: pytest.approx(1.0) for key in moved} == moved
        if unknown != "gear_friction":  # which the sheet states: considered, and not moved
            assert list(moved) == [unknown]
    for name, value in (("stribeck_speed", 0.02), ("heat_capacity", 950.0), ("heat_conductance", 40.0)):
        assert found[name].value == pytest.approx(value)
        assert slope(known, found[name]) == {name: pytest.approx(value, rel=1e-5)}  # of a logarithm
    assert found["ramp_bias_drive_unloading"].value == pytest.approx(0.65)
    assert slope(known, found["ramp_bias_drive_unloading"]) == pytest.approx(
        {"ramp_bias_drive_loading": 1.3, "unloading_ratio_drive": 0.5}
    )
    assert found["ramp_bias_coast_unloading"].value == pytest.approx(0.36)

    def factor(v: float) -> float:
        return 1.0 + 0.2 * math.exp(-v / 0.02)

    steep = (factor(SLIDING + 1e-6) - factor(SLIDING - 1e-6)) / 2e-6 / factor(SLIDING)
    assert found["friction_slope"].value == pytest.approx(steep, rel=1e-6)
    assert found["preload_torque"].meaning.endswith("at the reference condition, 60 °C and 4 rad/s")
    assert "packs_apart_preload" not in found


def test_locking_effect_and_torque_bias_ratio_where_a_unit_was_run(known: Candidate) -> None:
    """Locking over input torque at the largest of either flank: preload, ramps, gears and film; ratio
    (1 + e)/(1 - e)."""
    found = direct_estimates(known, deviations(known), build=0, suffix="[a]", torque_range=(-150.0, 400.0))
    for flank, torque, bias in (("drive", 400.0, 0.5), ("coast", -150.0, 0.3)):
        size = abs(torque)
        effect = (80.0 + bias * size + 0.02 * size + 0.25 * 4.0) / size
        one, ratio = found[f"locking_effect_{flank}[a]"], found.get(f"torque_bias_ratio_{flank}[a]")
        assert (one.value, one.at_input_torque) == (pytest.approx(effect), torque)
        moved = slope(known, one)
        assert moved["preload_torque"] == pytest.approx(1.0 / size)
        assert moved[f"ramp_bias_{flank}_loading"] == pytest.approx(1.0)
        assert moved["viscous"] == pytest.approx(4.0 / size)
        assert ratio is not None
        assert (ratio.value, ratio.at_input_torque) == (
            pytest.approx((1.0 + effect) / (1.0 - effect)),
            torque,
        )
        assert slope(known, ratio)["preload_torque"] == pytest.approx(
            2.0 / size / (1.0 - effect) ** 2, rel=1e-3
        )
        # by draws: of the effect, which is as good as linear, and never of locked or less than nothing
        shifts = np.zeros((3, known.x.size))
        shifts[:, known.names.position["preload_torque"]] = (5.0, 1e4, -1e4)
        assert ratio.of_draws is not None
        drawn = ratio.of_draws(SimpleNamespace(x=known.x + shifts))  # type: ignore[arg-type]
        there = effect + 5.0 / size
        assert drawn == pytest.approx([(1.0 + there) / (1.0 - there), 1.9999 / 0.0001, 1.0], rel=1e-4)
    assert set(found) >= {"preload_torque[a]", "ramp_bias_drive_loading[a]", "gear_friction"}
    # a flank that was not run says nothing, and a unit that stays locked there has no ratio
    short = direct_estimates(known, deviations(known), build=0, suffix="", torque_range=(-0.9, 150.0))
    assert not any(name.endswith("_coast") and "locking" in name for name in short)
    assert "locking_effect_drive" in short
    assert "torque_bias_ratio_drive" not in short
    for ends, count in (((-1.1, 0.9), 1), ((5.0, 400.0), 1), ((-150.0, -5.0), 1)):
        told = direct_estimates(known, deviations(known), build=0, suffix="", torque_range=ends)
        assert sum(name.startswith("locking_effect") for name in told) == count


def test_quantities_at_another_condition(known: Candidate) -> None:
    """All of the plates go with m(v, Θ): here at 25 °C and 0.3 rad/s, 1 + 0.001 · 35 times what
    1 + e exp(-v/v_s) makes of the speed."""
    condition = Condition("as_read", 25.0, 0.3, False, "at 25 °C and 0.3 rad/s, as read")
    found = moved_estimates(known, deviations(known), condition, build=0, suffix="[a]")
    assert set(found) == {
        f"{name}_as_read[a]" for name in ("preload_torque", "ramp_bias_drive", "ramp_bias_coast")
    }

    def by_speed(difference: float, excess: float = 0.2) -> float:
        v = 0.5 * difference * RADIUS
        return (1.0 + excess * math.exp(-v / 0.02)) / (1.0 + excess * math.exp(-SLIDING / 0.02))

    times = 1.035 * by_speed(0.3)
    preload = found["preload_torque_as_read[a]"]
    assert preload.value == pytest.approx(80.0 * times)
    assert found["ramp_bias_drive_as_read[a]"].value == pytest.approx(0.5 * times)
    assert found["ramp_bias_coast_as_read[a]"].value == pytest.approx(0.3 * times)
    moved = slope(known, preload)
    assert moved["preload_torque"] == pytest.approx(times)
    assert moved["temperature_coefficient"] == pytest.approx(-35.0 * 80.0 * by_speed(0.3))
    steps = [by_speed(0.3, 0.2 + sign * 1e-4) for sign in (1.0, -1.0)]
    assert moved["static_excess"] == pytest.approx(80.0 * 1.035 * (steps[0] - steps[1]) / 2e-4, rel=1e-4)
    assert preload.condition == (25.0, 0.3)
    assert "at 25 °C and 0.3 rad/s, as read" in preload.meaning


def test_preload_by_the_thickness_of_a_shim(demo_build: Build) -> None:
    """Between neighbours of a ladder: 12 N·m over a tenth of a millimetre and 20 over a fifth, with the doubt
    of both thicknesses; a second build of one thickness and one without give none."""

    def shimmed(shim: float | None, u: float | None = None) -> Build:
        told = None if shim is None else Quantity(shim, u)
        return demo_build.model_copy(update={"preload": demo_build.preload.model_copy(update={"shim": told})})

    def estimate(value: float, slopes: tuple[float, float]) -> Estimate:
        return Estimate(value, np.array(slopes), "N·m", "", "", 1.0)

    labels = ["[a]", "[b]", "[c]", "[d]", "[e]", "[f]"]
    builds = [
        shimmed(0.3e-3, 4e-6), shimmed(0.2e-3, 3e-6), shimmed(None), shimmed(0.5e-3), shimmed(0.2e-3),
        shimmed(0.9e-3),
    ]  # fmt: skip
    found = {
        "preload_torque[a]": estimate(82.0, (1.0, 0.5)), "preload_torque[b]": estimate(70.0, (0.9, -0.5)),
        "preload_torque[c]": estimate(75.0, (1.0, 0.0)), "preload_torque[d]": estimate(102.0, (1.1, 0.7)),
        "preload_torque[e]": estimate(69.0, (1.0, 0.0)),
    }  # fmt: skip
    rates = shim_rates(found, builds, labels)
    assert list(rates) == ["preload_per_shim[0.2 to 0.3 mm]", "preload_per_shim[0.3 to 0.5 mm]"]
    first, last = rates.values()
    assert (first.value, last.value) == pytest.approx((120.0, 100.0))
    assert first.gradient == pytest.approx([1.0, 10.0])
    assert last.gradient == pytest.approx([0.5, 1.0])
    # 120 N·m/mm over a tenth of a millimetre known to 5 µm; 100 over a fifth known to 4 µm
    assert first.sheet == {"shim thickness (build sheet)": pytest.approx(120.0 / 0.1 * 0.005)}
    assert last.sheet == {"shim thickness (build sheet)": pytest.approx(100.0 / 0.2 * 0.004)}
    exact = shim_rates(found, [shimmed(0.3e-3), shimmed(0.2e-3)], labels[:2])
    assert next(iter(exact.values())).sheet == {}
    assert shim_rates(found, builds[2:3], labels[2:3]) == {}
