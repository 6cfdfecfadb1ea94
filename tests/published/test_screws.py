"""Power screws: the ramp's wedge with friction, driven up and driving back.

A screw of lead angle alpha raises a load W by the torque M = W r tan(alpha + phi), so that its axial force
per torque is cot(alpha + phi)/r: twice the loading thrust of a ramp, whose two rings take half each. Let
down, the load holds M = W r tan(alpha − phi): the unloading thrust. The collar is a pack of one face.

'retrieved': read in a published companion that runs the book's example; 'derived': the book's inputs, its
answers computed anew because the companion's are wrong (tangents taken for angles); 'memory': from memory.
Tolerances are half a unit of the last printed digit.
"""

import math
from dataclasses import dataclass

import pytest

from diffbench.physics.pack import (
    effective_radius_uniform_pressure,
    effective_radius_uniform_wear,
    locking_torque_of_packs,
)
from diffbench.physics.ramps import effective_angle, thrust_per_torque, unloading_ratio

BHANDARI = "Bhandari, Design of Machine Elements, example "
KHURMI = "Khurmi & Gupta, Theory of Machines, example "


@dataclass(frozen=True)
class Screw:
    """A screw with its collar, in N and mm as the books have it."""

    lead: float
    mean_diameter: float
    friction: float
    flank_angle: float = 0.0
    collar_friction: float = 0.0
    collar_radius: float = 1.0

    @property
    def lead_angle(self) -> float:
        return math.atan(self.lead / (math.pi * self.mean_diameter))

    @property
    def friction_angle(self) -> float:
        return math.atan(self.friction / math.cos(math.radians(self.flank_angle)))

    def thread_torque_per_force(self, *, unloading: bool = False) -> float:
        """Torque per axial force [mm]: of one ring at the mean radius, hence the factor."""
        thrust = thrust_per_torque(
            self.lead_angle, self.friction_angle, self.mean_diameter / 2.0, unloading=unloading
        )
        return 1.0 / (2.0 * float(thrust))

    def collar_torque_per_force(self) -> float:
        return float(locking_torque_of_packs(self.collar_friction, 1, self.collar_radius, 1.0)) / 2.0

    def raising(self, load: float) -> float:
        return load * (self.thread_torque_per_force() + self.collar_torque_per_force())

    def lowering(self, load: float) -> float:
        return load * (self.collar_torque_per_force() - self.thread_torque_per_force(unloading=True))


def collar(outer: float, inner: float) -> float:
    return float(effective_radius_uniform_wear(inner / 2.0, outer / 2.0))


B01 = Screw(24.0, 46.0, 0.15, collar_friction=0.15, collar_radius=collar(100.0, 65.0))
B03 = Screw(5.0, 19.5, 0.15, collar_friction=0.17, collar_radius=collar(55.0, 45.0))
B15 = Screw(8.0, 30.0, 0.08, collar_friction=0.08, collar_radius=20.0)

# Id and source, screw, load [N], printed quantity per torque [N·mm], printed, half a unit of its last digit.
# fmt: off
RAISING = [
    ("B01: " + BHANDARI + "6.1 (retrieved)", B01, 15e3, 1.0, 204644.140833, 5e-7),
    ("B02: " + BHANDARI + "6.2 (retrieved)", Screw(24.0, 94.0, 0.15, 15.0), 300e3, 1e-3, 3378.159205, 5e-7),
    ("B04: " + BHANDARI + "6.4 (retrieved)", Screw(7.0, 36.5, 0.15, 0.0, 0.12, collar(80.0, 40.0)), 7e3,
     1.0 / 1000.0, 52.410253, 5e-7),
    ("B05: " + BHANDARI + "6.5 (retrieved)", Screw(10.0, 75.0, 0.12, 0.0, 0.12, 30.0), 10e3, 1.0 / 250.0,
     388.90929, 5e-6),
    ("B06 in kW: " + BHANDARI + "6.6 (retrieved)", Screw(8.0, 48.0, 0.15, 15.0, 0.12, collar(100.0, 60.0)),
     2e3, 2.0 * math.pi * 30.0 / 60.0 * 1e-6, 0.061838, 5e-7),
    ("B07: " + BHANDARI + "6.9 (retrieved)", Screw(5.0, 19.5, 0.15, 0.0, 0.15, 15.0), 750.0, 1.0, 3402.198556,
     5e-7),
    ("B09: " + KHURMI + "10.4 (derived)", Screw(12.0, 40.0, 0.16), 2.5e3, 1e-3, 12.97286, 5e-6),
    ("B10: " + KHURMI + "10.5 (derived), 2 N/mm² on 150 mm", Screw(6.0, 47.0, 0.12),
     2.0 * math.pi / 4.0 * 150.0**2, 1e-3, 134.071, 5e-4),
    ("B11: " + KHURMI + "10.6 (derived)", Screw(5.0, 25.0, 0.1, 0.0, 0.16, 25.0), 10e3, 1.0 / 500.0, 121.178,
     5e-4),
    ("B12 wheel in m: " + KHURMI + "10.7 (derived), 100 N at each of two hands", Screw(12.5, 50.0, 0.15, 0.0,
     0.18, 30.0), 10e3, 1e-3 / 100.0, 1.12088, 5e-6),
    ("B13: " + KHURMI + "10.12 (derived)", Screw(12.0, 50.0, 0.15), 10e3, 1.0, 57254.68, 5e-3),
    ("B14: " + KHURMI + "10.13 (derived), two screws in one turnbuckle", Screw(3.0, 22.0, 0.15, 30.0), 40e3,
     2e-3, 192.06, 5e-3),
    ("B15: Shigley's Mechanical Engineering Design, example 8-1 (memory)", B15, 6.4e3, 1e-3, 26.18, 5e-3),
]
# fmt: on


@pytest.mark.parametrize(
    ("screw", "load", "factor", "printed", "half"), [pytest.param(*row[1:], id=row[0]) for row in RAISING]
)
def test_torque_that_raises_a_load(
    screw: Screw, load: float, factor: float, printed: float, half: float
) -> None:
    assert screw.raising(load) * factor == pytest.approx(printed, abs=half)


@pytest.mark.parametrize(
    ("screw", "load", "printed", "half"),
    [
        pytest.param(B01, 15e3, 87401.514671, 5e-7, id="B01: " + BHANDARI + "6.1 (retrieved)"),
        pytest.param(B15, 6.4e3, 9.77e3, 5.0, id="B15: Shigley, example 8-1 (memory)"),
    ],
)
def test_torque_that_lowers_a_load(screw: Screw, load: float, printed: float, half: float) -> None:
    assert screw.lowering(load) == pytest.approx(printed, abs=half)


@pytest.mark.parametrize("screw", [pytest.param(B01, id="B01"), pytest.param(B15, id="B15")])
def test_a_thread_steeper_than_its_friction_angle_comes_down_by_itself(screw: Screw) -> None:
    """The sign of the wedge: without a collar the lowering torque of both screws is negative (derived)."""
    assert screw.lead_angle > screw.friction_angle
    assert 0.0 < screw.thread_torque_per_force(unloading=True) < screw.thread_torque_per_force()
    bare = Screw(screw.lead, screw.mean_diameter, screw.friction)
    assert bare.lowering(1.0) < 0.0


@pytest.mark.parametrize(
    "screw",
    [
        pytest.param(
            Screw(24.0, 94.0, 0.15, 15.0), id="B02: " + BHANDARI + "6.2, lowered by 1030.7 N·m (retrieved)"
        ),
        pytest.param(Screw(7.0, 36.5, 0.15), id="B04: " + BHANDARI + "6.4, lowered by a force (retrieved)"),
    ],
)
def test_a_thread_that_must_be_driven_down_is_self_locking(screw: Screw) -> None:
    assert math.isinf(
        thrust_per_torque(screw.lead_angle, screw.friction_angle, screw.mean_diameter / 2.0, unloading=True)
    )
    assert math.isinf(unloading_ratio(screw.lead_angle, screw.friction_angle))


def test_axial_force_from_the_torque_on_a_clamp() -> None:
    """B03: Bhandari, example 6.3, retrieved: the ramp's own question. 125 N at 150 mm; half a unit is 5e-7 N.

    A collar under uniform pressure instead would give 2862.407 N (derived).
    """
    assert 125.0 * 150.0 / B03.raising(1.0) == pytest.approx(2868.610857, abs=5e-7)
    other = Screw(5.0, 19.5, 0.15, 0.0, 0.17, float(effective_radius_uniform_pressure(22.5, 27.5)))
    assert 125.0 * 150.0 / other.raising(1.0) == pytest.approx(2862.407, abs=5e-4)


@pytest.mark.parametrize("screw", [pytest.param(B01, id="B01"), pytest.param(B15, id="B15")])
def test_lead_and_friction_come_back_from_both_printed_torques(screw: Screw) -> None:
    """B01 and B15 turned round, as a bench does: lead and friction angle from the two directions.

    Both are recovered from the wedge alone, so only rounding remains.
    """
    up, down = screw.thread_torque_per_force(), screw.thread_torque_per_force(unloading=True)
    wide, narrow = (
        effective_angle(screw.mean_diameter / 2.0 / each, 1.0, 1, 1.0, 1.0) for each in (up, down)
    )
    assert (wide + narrow) / 2.0 == pytest.approx(screw.lead_angle, rel=1e-12)
    assert (wide - narrow) / 2.0 == pytest.approx(screw.friction_angle, rel=1e-11)


def test_v_thread_friction() -> None:
    """B14: Khurmi & Gupta, example 10.13, derived: virtual coefficient 0.173205, half a unit 5e-7."""
    assert math.tan(Screw(3.0, 22.0, 0.15, 30.0).friction_angle) == pytest.approx(0.173205, abs=5e-7)
