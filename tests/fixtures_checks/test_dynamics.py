"""The simulator against analytic limits of its own equations: no number here comes from diffbench."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchsim.dynamics import BLOCK, FEW, TIME_STEP, Response, simulate, unloaded
from benchsim.protocol import (
    Protocol,
    Trace,
    alternating,
    bias_sweep,
    locked_torque_cycles,
    speed_sweep,
    tare,
)
from benchsim.scenario import Q17, V09
from benchsim.unit import Unit

# No sense of plate heat: for the limits in which plates and oil have one temperature.
COOL_Q17 = replace(Q17, friction_temperature_coefficient=0.0)
COOL_V09 = replace(V09, friction_temperature_coefficient=0.0)


def steady(torque: Trace, speed: float, duration: float, oil: float = 60.0) -> Protocol:
    """Return a run at one speed difference and one oil temperature."""
    return Protocol(
        "bias-sweep", duration, torque, Trace.constant(speed), Trace.constant(60.0), Trace.constant(oil)
    )


def run(unit: Unit, protocol: Protocol) -> Response:
    """Return the response of one job."""
    return next(simulate([(unit, protocol)]))


def couple(response: Response) -> np.ndarray:
    """Return ``T_R - T_L``, which is ``sgn(dw) T_lock`` while the outputs slip."""
    return response.right_torque - response.left_torque


@pytest.mark.parametrize("unit", [COOL_Q17, COOL_V09], ids=["additive", "greater-of"])
@pytest.mark.parametrize("speed", [-9.0, -2.0, 1.0, 6.0])
@pytest.mark.parametrize(
    ("start", "end", "branch"),
    [
        (0.0, 500.0, "loading"),
        (500.0, 200.0, "unloading"),
        (0.0, -300.0, "loading"),
        (-300.0, -90.0, "unloading"),
    ],
)
def test_slides_at_the_closed_form(unit: Unit, speed: float, start: float, end: float, branch: str) -> None:
    """Torque led from `start` to `end` and held there: the sliding torque is the steady closed form.

    Held for 2 s, at least 160 presliding angles: the bristle's rest is below 1e-60, so only rounding is left.
    """
    torque = Trace((0.0, 1.0, 3.0), (0.0, start, end))
    response = run(unit, steady(torque, speed, 5.0))
    expected = np.sign(speed) * float(unit.locking_torque(end, speed, 60.0, branch))
    assert couple(response)[-1] == pytest.approx(expected, rel=1e-9)


def test_outputs_sum_to_the_input_torque() -> None:
    """Equilibrium of the case holds in every sample, to rounding."""
    response = run(
        Q17, bias_sweep(alternating([2.0]), coast_torque=-200, drive_torque=500, cycle_time=4, oil=(50, 55))
    )
    assert np.allclose(response.left_torque + response.right_torque, response.input_torque, rtol=0, atol=1e-9)


def test_slower_output_gets_more() -> None:
    """With the left output faster the right one carries more, and the other way round."""
    for speed in (3.0, -3.0):
        response = run(Q17, steady(Trace.constant(100.0), speed, 2.0))
        assert np.sign(couple(response)[-1]) == np.sign(speed)


def test_holds_without_speed_difference() -> None:
    """A pack that never turns has no reason to carry a couple, whatever the input torque does."""
    response = run(
        Q17, locked_torque_cycles(coast_torque=-200, drive_torque=600, cycle_time=5, cycles=2, oil=60)
    )
    assert np.all(couple(response) == 0.0)


def test_keeps_its_couple_when_rotation_stops() -> None:
    """Stopped after sliding at constant torque, the pack holds what it carried, to rounding."""
    speed = Trace((0.0, 2.0, 2.002), (4.0, 4.0, 0.0))
    protocol = replace(steady(Trace.constant(300.0), 0.0, 6.0), speed_difference=speed)
    # Without an oil film, whose drag goes with the speed, and without the Stribeck rise on the way to rest.
    unit = replace(COOL_Q17, viscous=0.0, friction_static=COOL_Q17.friction_kinetic)
    response = run(unit, protocol)
    held = couple(response)[response.time > 2.01]
    assert np.ptp(held) == 0.0
    assert held[0] == pytest.approx(float(couple(response)[999]), rel=1e-12)


def test_never_holds_more_than_static_friction() -> None:
    """A holding pack whose ramp thrust is taken away drops to what the preload carries by static friction."""
    speed = Trace((0.0, 2.0, 2.002), (4.0, 4.0, 0.0))
    torque = Trace((0.0, 1.0, 3.0, 4.0), (0.0, 600.0, 600.0, 0.0))
    protocol = replace(steady(torque, 0.0, 5.0), speed_difference=speed)
    response = run(replace(COOL_Q17, viscous=0.0, gear_friction=0.0), protocol)
    static = COOL_Q17.torque_per_force * COOL_Q17.friction_static * COOL_Q17.spring_force
    assert couple(response)[-1] == pytest.approx(static, rel=1e-12)


def test_builds_up_within_a_tenth_of_a_radian() -> None:
    """After a reversal of rotation the couple has turned round to 0.1 per cent within 0.1 rad."""
    response = run(COOL_Q17, steady(Trace.constant(0.0), 1.0, 1.0))
    final = couple(response)[-1]
    after = couple(response)[round(0.1 / TIME_STEP)]
    assert after == pytest.approx(final, rel=1e-3)
    # And it is not there at once: after half the presliding angle it has e^(-1/2) of the way to go.
    early = round(0.5 * Q17.presliding_angle / TIME_STEP)
    film = COOL_Q17.viscous
    assert couple(response)[early] - film == pytest.approx((final - film) * (1.0 - np.exp(-0.5)), rel=1e-9)


@pytest.mark.parametrize("unit", [COOL_Q17, COOL_V09], ids=["additive", "greater-of"])
def test_ramp_thrust_is_a_play_operator(unit: Unit) -> None:
    """Coming down from a peak, the locking torque stands until torque has fallen by the ratio of the
    cotangents.

    Below that it follows the unloading line, on the way up the loading line. Speed difference 8 rad/s,
    where the bristle lags by 1.5 ms: 0.1 per cent of the torque's span covers it.
    """
    unit = replace(unit, gear_friction=0.0)
    peak = 600.0
    torque = Trace((0.0, 10.0, 20.0), (0.0, peak, 0.0))
    response = run(unit, steady(torque, 8.0, 20.0))
    lock = couple(response)
    ratio = unit.thrust_per_torque("drive", "loading") / unit.thrust_per_torque("drive", "unloading")
    rising, falling = response.time < 10.0, response.time > 10.0
    standing = falling & (response.input_torque > ratio * peak)
    following = falling & (response.input_torque < ratio * peak)
    top = float(unit.locking_torque(peak, 8.0, 60.0, "loading"))
    tolerance = 1e-3 * top
    settled = response.time > 0.1
    for where, expected in (
        (rising & settled, unit.locking_torque(response.input_torque, 8.0, 60.0, "loading")),
        (standing, np.full(len(lock), top)),
        (following, unit.locking_torque(response.input_torque, 8.0, 60.0, "unloading")),
    ):
        assert np.count_nonzero(where) > 500
        assert np.abs(lock - expected)[where].max() < tolerance


def test_inner_loop_leaves_the_thrust_alone() -> None:
    """A small torque wave inside the play changes nothing: what a backlash does."""
    unit = replace(COOL_Q17, gear_friction=0.0)
    torque = Trace((0.0, 2.0, 3.0, 4.0, 5.0, 6.0), (0.0, 500.0, 450.0, 490.0, 450.0, 490.0))
    lock = couple(run(unit, steady(torque, 8.0, 6.0)))
    assert np.ptp(lock[round(2.1 / TIME_STEP) :]) < 1e-9 * lock[-1]


def test_plates_settle_at_the_heat_balance() -> None:
    """After twelve time constants plates are hotter than oil by ``T_lock |dw| / (2 h)``, to 1e-5 (e^-12)."""
    unit = replace(COOL_Q17, heat_capacity=300.0)
    time_constant = unit.heat_capacity / unit.heat_conductance
    response = run(unit, steady(Trace.constant(0.0), 5.0, 12.0 * time_constant))
    expected = float(unit.locking_torque(0.0, 5.0, 60.0, "loading")) * 5.0 / 2.0 / unit.heat_conductance
    assert response.plate_temperature[-1] - 60.0 == pytest.approx(expected, rel=1e-5)


def test_warm_plates_slide_at_their_own_temperature() -> None:
    """In the heat balance with temperature-dependent friction, couple and plate temperature agree with each
    other."""
    unit = replace(Q17, heat_capacity=300.0, friction_temperature_coefficient=-0.002)
    response = run(unit, steady(Trace.constant(200.0), 6.0, 60.0))
    warm = float(response.plate_temperature[-1])
    assert warm > 65.0
    oil_drag = 6.0 * float(unit.viscous_coefficient(60.0) - unit.viscous_coefficient(warm))
    expected = float(unit.locking_torque(200.0, 6.0, warm, "loading")) + oil_drag
    assert couple(response)[-1] == pytest.approx(expected, rel=1e-9)


def test_energy_balance_over_a_sweep() -> None:
    """Friction work = heat stored in the plates + heat passed to the oil, over 40 s of a sweep.

    Work and loss are integrated by the trapezium rule on the 2 ms step, whose own error is the tolerance:
    0.1 per cent.
    """
    protocol = bias_sweep(
        alternating([3.0, 8.0]), coast_torque=-250, drive_torque=550, cycle_time=10, oil=(50, 60)
    )
    response = run(Q17, protocol)
    speed = response.left_speed - response.right_speed
    work = np.trapezoid(0.5 * couple(response) * speed, response.time)
    excess = response.plate_temperature - response.oil_temperature
    stored = Q17.heat_capacity * (response.plate_temperature[-1] - response.plate_temperature[0])
    passed = Q17.heat_conductance * np.trapezoid(excess, response.time)
    assert stored + passed == pytest.approx(work, rel=1e-3)


def test_halving_the_step_changes_nothing_that_matters() -> None:
    """The couple at 2 ms agrees with that at 1 ms to 0.1 N.m rms over a sweep with reversals."""
    protocol = bias_sweep(
        alternating([2.0, 9.0]), coast_torque=-200, drive_torque=500, cycle_time=6, oil=(50, 60)
    )
    coarse = couple(next(simulate([(Q17, protocol)], time_step=0.002)))
    fine = couple(next(simulate([(Q17, protocol)], time_step=0.001)))[::2]
    assert np.sqrt(np.mean((coarse - fine) ** 2)) < 0.1


def test_neighbours_do_not_matter() -> None:
    """A bench simulated alone and among others gives the same bits, whatever the others' length."""
    jobs = [
        (Q17, speed_sweep(amplitude=6.0, period=6.0, cycles=1, oil=(60.0, 60.0))),
        (V09, bias_sweep([2.0, -2.0], coast_torque=-150, drive_torque=300, cycle_time=5, oil=(50, 55))),
    ]
    together = list(simulate(jobs))
    for job, beside in zip(jobs, together, strict=True):
        alone = run(*job)
        assert np.array_equal(alone.left_torque, beside.left_torque)
        assert np.array_equal(alone.plate_temperature, beside.plate_temperature)


@pytest.mark.parametrize("bristle", ["angle", "deflection", "stiffness"])
def test_a_few_are_stepped_as_many_are(bristle: str) -> None:
    """In plain numbers and in arrays the same bits, over more than one block of time."""
    sweep = bias_sweep([2.0, -2.0], coast_torque=-150, drive_torque=300, cycle_time=5, oil=(50, 55))
    assert sweep.duration > BLOCK * TIME_STEP
    alone = run(replace(V09, bristle=bristle), sweep)
    *_, beside = simulate([(replace(V09, bristle=bristle), sweep)] * (FEW + 1))
    for name in ("left_torque", "right_torque", "plate_temperature"):
        assert np.array_equal(getattr(alone, name), getattr(beside, name)), name


def test_tare_carries_nothing() -> None:
    """With the unit out the shafts carry no torque, and the simulation of a unit refuses such a run."""
    protocol = tare(duration=1.0, oil=50.0)
    response = unloaded(protocol)
    assert not np.any(response.left_torque)
    assert not np.any(response.right_torque)
    with pytest.raises(ValueError, match="no unit"):
        list(simulate([(Q17, protocol)]))


def test_low_static_friction_holds_what_it_slid_at() -> None:
    """With static below kinetic friction the sliding torque is still the closed form."""
    unit = replace(COOL_Q17, friction_static=0.105)
    response = run(unit, steady(Trace.constant(100.0), 4.0, 3.0))
    assert couple(response)[-1] == pytest.approx(
        float(unit.locking_torque(100.0, 4.0, 60.0, "loading")), rel=1e-9
    )


@pytest.mark.parametrize("bristle", ["angle", "stiffness", "deflection"])
def test_bristles_differ_in_how_late_they_follow_a_load(bristle: str) -> None:
    """Sliding at 2 rad/s under a torque rising by 100 N.m/s: the couple is late by theta/dw with a constant
    angle, by cap/sigma/dw with a constant stiffness, not at all with a constant deflection. First order, to
    the internal step."""
    unit = replace(COOL_Q17, bristle=bristle, presliding_angle=0.04)
    response = run(unit, steady(Trace((0.0, 5.0), (0.0, 500.0)), 2.0, 5.0))
    now = int(np.searchsorted(response.time, 4.5))
    sliding = unit.locking_torque(response.input_torque, 2.0, 60.0, "loading")
    slope = (sliding[now + 1] - sliding[now - 1]) / (2.0 * TIME_STEP)
    preload = unit.torque_per_force * unit.friction_kinetic * unit.spring_force
    late = {"angle": 0.02, "stiffness": 0.02 * sliding[now] / preload, "deflection": 0.0}[bristle]
    # with a stiffness the time constant itself grows while it is waited for
    assert couple(response)[now] == pytest.approx(
        sliding[now] - late * slope, abs=slope * (TIME_STEP + 0.2 * late * (bristle == "stiffness"))
    )


def test_an_unknown_bristle_is_refused() -> None:
    with pytest.raises(ValueError, match="bristle 'brush' is not known"):
        replace(Q17, bristle="brush")
