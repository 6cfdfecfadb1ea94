"""Whole units out of print, through the main job: what a source says of a unit becomes a recording, and the
fit must give the source's numbers back.

No equation of this project and none of its simulator makes these recordings: torques are shared between the
outputs as each source has it. Friction is one number in all of them but the last, so that nothing depends on
speed or temperature.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchsim.bench import Bench, write_bench
from benchsim.exact_benches import exact_bench
from benchsim.protocol import alternating, bias_sweep, speed_sweep
from benchsim.stated import Stated
from benchsim.unit import Unit
from numpy.typing import NDArray

from diffbench import Characterisation, fit
from diffbench.physics.disc_spring import DiscSpring, deflection
from diffbench.results import make_map

Array = NDArray[np.float64]
Share = Callable[[Array], Array]
"""Input torques [N·m] -> torque of the slower output less that of the faster."""


def fitted(
    unit: Unit, share: Share, span: tuple[float, float], folder: Path, **sheet: object
) -> Characterisation:
    """The fit of a sweep over the ``span`` of torques, slip both ways round at two levels; the unit gives
    the build sheet its geometry, and nothing else."""
    plain = exact_bench("additive")
    run = bias_sweep(
        alternating([1.5, 4.0], rounds=2),
        coast_torque=span[0],
        drive_torque=span[1],
        cycle_time=16.0,
        oil=(50.0, 70.0),
    )
    time = np.arange(0.0, run.duration, 0.02)
    torque, slip, case = (
        trace.at(time) for trace in (run.input_torque, run.speed_difference, run.case_speed)
    )
    # while the outputs slip, the slower one gets more torque
    difference = -np.sign(slip) * share(torque)
    recording = {
        "time": time,
        "left_torque": (torque + difference) / 2.0,
        "right_torque": (torque - difference) / 2.0,
        "left_speed": case + slip / 2.0,
        "right_speed": case - slip / 2.0,
        "oil_temperature": run.oil_temperature.at(time),
    }
    known = {
        "gear_friction": Stated.exact(0.0),
        "drive_angle": Stated.exact(unit.drive_angle_deg),
        "coast_angle": Stated.exact(unit.coast_angle_deg),
    }
    bench: Bench = replace(
        plain, unit=unit, sheet=replace(plain.sheet, **known, **sheet), runs=(("sweep", run),)
    )
    return fit(write_bench(bench, {"sweep": recording}, folder))


PLAIN = replace(exact_bench("additive").unit, ramp_friction_angle_deg=0.0)


def test_a_student_teams_unit(tmp_path: Path) -> None:
    """Ramp to thrust to pack, and the larger of preload and ramp part: an open script of a formula student
    team ('derived': its inputs and its law are read, T = max(preload, mu r_mean contacts T_in tan(theta)/2r)
    with theta from the axis; 18.7541 N·m at 45 deg and 32.4831 at 60 for 131.608 N·m are that law by hand).
    Drive ramps of 45 deg and coast ramps of 60, four contacts, mu 0.09, ramps at 60 mm, preload 10 N·m."""
    unit = replace(
        PLAIN,
        faces=2,
        inner_radius=0.040,
        outer_radius=0.055,
        pin_radius=0.060,
        drive_angle_deg=45.0,
        coast_angle_deg=30.0,
    )

    def locking(torque: Array) -> Array:
        slope = np.tan(np.radians(np.where(torque >= 0.0, 45.0, 60.0)))
        return np.maximum(10.0, 0.09 * 0.0475 * 4 * np.abs(torque) * slope / (2.0 * 0.060))

    found = fitted(unit, locking, (-150.0, 150.0), tmp_path, angle_from="axis")
    assert (found.law.chosen, found.law.status) == ("greater-of", "measured")
    assert found.value("preload_torque") == pytest.approx(10.0, rel=2e-3)
    for branch in ("loading", "unloading"):
        assert found.value(f"ramp_bias_drive_{branch}") == pytest.approx(18.7541 / 131.608, rel=2e-3)
        assert found.value(f"ramp_bias_coast_{branch}") == pytest.approx(32.4831 / 131.608, rel=2e-3)
    assert found.value("friction_coefficient") == pytest.approx(0.09, rel=5e-3)
    held = make_map(found)
    for torque, printed in ((131.608, 18.7541), (-131.608, 32.4831), (20.0, 10.0)):
        assert held.locking_torque(torque, 2.0, 60.0, "loading") == pytest.approx(printed, rel=2e-3)
        assert held.is_tested(torque, 2.0, 60.0, branch="loading")


def test_a_textbooks_pack_under_its_printed_force(tmp_path: Path) -> None:
    """Jindal, Machine Design, example 22-5 (retrieved): six pairs of faces, 80 and 50 mm, uniform pressure,
    mu 0.25, W = 1031.1 N carry 102.314 N·m. Two of these and ramps on top: the preload torque is of both, and
    with the printed force on the sheet the fit must find the printed friction coefficient."""
    unit = replace(PLAIN, faces=6, inner_radius=0.050, outer_radius=0.080, contact="uniform-pressure")
    unit = replace(unit, spring_force=1031.1)
    packs = 2.0 * 102.314

    def locking(torque: Array) -> Array:
        return packs + np.where(torque >= 0.0, 0.37, 0.23) * np.abs(torque)

    force = Stated.exact(unit.spring_force)
    found = fitted(unit, locking, (-300.0, 600.0), tmp_path, spring_force=force)
    assert found.law.chosen == "additive"
    assert found.value("preload_torque") == pytest.approx(packs, rel=1e-3)
    assert found.value("friction_coefficient") == pytest.approx(0.25, rel=2e-3)  # W is printed to 5e-5


def test_a_tables_spring_under_a_textbooks_pack_on_wedges(tmp_path: Path) -> None:
    """Spring to pack to ramp to the differential's statics, and all the way back. DIN 2093 B 31.5
    (retrieved): 1910 N at 0.675 mm, three digits. It presses the pack of Jindal's example 22-5 (retrieved):
    102.314 N·m for 1031.1 N. Ramps are wedges (statics of any text: `cot(b ± phi)` rising and falling).
    Nothing is stated of the force: with the angles alone the fit must find friction, force and so the
    printed deflection."""
    spring = DiscSpring(0.0315, 0.0163, 0.00125, 0.0009)
    per_force = 2.0 * 102.314 / 1031.1  # both packs [m]
    unit = replace(PLAIN, faces=6, inner_radius=0.050, outer_radius=0.080, contact="uniform-pressure")
    unit = replace(unit, pin_radius=0.060, drive_angle_deg=47.0, coast_angle_deg=58.0)

    def thrust(torque: float, sense: float) -> float:
        angle = (47.0 if torque >= 0.0 else 58.0) + sense * 5.0
        return abs(torque) / (2.0 * 0.060 * math.tan(math.radians(angle)))

    def locking(torques: Array) -> Array:
        stands, found = 0.0, []
        for torque in torques.tolist():
            # a wedge that sticks keeps its thrust between both
            stands = min(max(stands, thrust(torque, 1.0)), thrust(torque, -1.0))
            found.append(per_force * (1910.0 + stands))
        return np.array(found)

    found = fitted(unit, locking, (-300.0, 600.0), tmp_path)
    assert found.law.chosen == "additive"
    assert found.value("preload_torque") == pytest.approx(379.05, rel=1e-3)  # 2 · 0.099228 m · 1910 N
    for flank, sign in (("drive", 1.0), ("coast", -1.0)):
        for branch, sense in (("loading", 1.0), ("unloading", -1.0)):
            by_hand = per_force * thrust(sign, sense)
            assert found.value(f"ramp_bias_{flank}_{branch}") == pytest.approx(by_hand, rel=2e-3)
        assert found.value(f"ramp_friction_angle_{flank}") == pytest.approx(5.0, rel=5e-3)
    assert found.value("friction_coefficient") == pytest.approx(0.25, rel=5e-3)
    assert found.value("spring_force") == pytest.approx(1910.0, rel=5e-3)
    assert deflection(spring, found.value("spring_force")) == pytest.approx(0.675e-3, rel=0.02)


@pytest.mark.parametrize(("ratios", "per_cent"), [((3.0, 2.0), (50.0, 33.3)), ((5.0, 4.0), (66.7, 60.0))])
def test_the_standards_table(
    ratios: tuple[float, float], per_cent: tuple[float, float], tmp_path: Path
) -> None:
    """SAE J2817, table and equation 1 (retrieved): torque bias ratios of 2, 3, 4, 5 are locking effects of
    33.3, 50.0, 60.0 and 66.7 per cent. Torque is shared by the ratio itself, one for drive and one for coast,
    whatever the torque is."""

    def locking(torque: Array) -> Array:
        ratio = np.where(torque >= 0.0, ratios[0], ratios[1])
        low = np.abs(torque) / (1.0 + ratio)
        return np.asarray(ratio * low - low)

    found = fitted(PLAIN, locking, (-300.0, 500.0), tmp_path)
    for flank, ratio, share in zip(("drive", "coast"), ratios, per_cent, strict=True):
        assert found.value(f"torque_bias_ratio_{flank}") == pytest.approx(ratio, rel=3e-3)
        assert 100.0 * found.value(f"locking_effect_{flank}") == pytest.approx(share, abs=0.1)


def test_a_published_friction_curve(tmp_path: Path) -> None:
    """Modelica Standard Library, Mechanics.Translational.Examples.Friction (parameters retrieved, values
    derived): F_Coulomb 5 N, F_Stribeck 10 N, fexp 2 s/m, F_prop 1 N·s/m. A newton stands for 10 N·m here, a
    metre a second for one rad/s, and nothing warms. Where the curve is lowest is printed, too."""
    run = speed_sweep(amplitude=6.0, period=60.0, cycles=2.0, oil=(57.0, 57.0))
    time = np.arange(0.0, run.duration, 0.02)
    slip, case = run.speed_difference.at(time), run.case_speed.at(time)
    speed = np.abs(slip)
    difference = -np.sign(slip) * 10.0 * (5.0 + speed + 10.0 * np.exp(-2.0 * speed))
    recording = {
        "time": time,
        "left_torque": difference / 2.0,
        "right_torque": -difference / 2.0,
        "left_speed": case + slip / 2.0,
        "right_speed": case - slip / 2.0,
        "oil_temperature": run.oil_temperature.at(time),
    }
    plain = exact_bench("additive")
    sheet = replace(plain.sheet, gear_friction=Stated.exact(0.0))
    found = fit(
        write_bench(replace(plain, sheet=sheet, runs=(("slow", run),)), {"slow": recording}, tmp_path)
    )
    printed = {
        0.5: 9.178794411714424,
        1.0: 7.353352832366127,
        2.0: 7.183156388887342,
        5.0: 10.000453999297624,
    }
    held = make_map(found)
    for at, force in printed.items():
        assert held.is_tested(0.0, at, 57.0, branch="loading")
        told = held.locking_torque(0.0, at, 57.0, "loading")
        assert told == pytest.approx(10.0 * force, rel=2e-3), at
    assert found.value("viscous_coefficient") == pytest.approx(10.0, rel=2e-3)
    assert found.value("static_friction_excess") == pytest.approx(10.0 / 5.0, rel=5e-3)
    assert found.value("stribeck_speed") == pytest.approx(0.25 * plain.unit.effective_radius, rel=0.01)
    speeds = np.linspace(1.0, 2.0, 201)
    lowest = speeds[np.argmin(held.locking_torque(0.0 * speeds, speeds, 0.0 * speeds + 57.0, "loading"))]
    assert lowest == pytest.approx(1.4978661367769954, abs=0.01)
