"""What departs from the law, each against theory worked out by hand; no number here comes from diffbench."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from benchsim.bench import simulate_many
from benchsim.departures import (
    BY_NAME,
    DEPARTURES,
    DepartedBench,
    Departure,
    one_departure,
    random_departures,
    seeds_that_suit,
    simulate_departed,
    true_numbers,
)
from benchsim.dynamics import Response, simulate
from benchsim.protocol import Protocol, Trace, bias_sweep, tare
from benchsim.random_benches import random_bench
from benchsim.scenario import Q17, V09
from benchsim.sensors import Stand, TorqueFlange, log
from benchsim.stated import Stated
from benchsim.two_packs import TWIN_STEP, Terms, TwinUnit, simulate_twins
from benchsim.unit import Unit

#: Plates and ramps alone: no gears, no oil film, no temperature.
BARE = {"gear_friction": 0.0, "viscous": 0.0, "friction_temperature_coefficient": 0.0}
DRY = replace(Q17, **BARE)
CLAMPED = replace(V09, **BARE, joint_fraction=0.0)
SPEED = 5.0


def held(
    torque: Trace, speed: float | Trace = SPEED, *, duration: float, oil: Trace | None = None
) -> Protocol:
    """Return a run of one torque course, at a speed difference and an oil temperature."""
    slip = speed if isinstance(speed, Trace) else Trace.constant(speed)
    return Protocol("bias-sweep", duration, torque, slip, Trace.constant(60.0), oil or Trace.constant(60.0))


def run(twin: TwinUnit, protocol: Protocol) -> tuple[Response, TwinUnit]:
    """Return the response of one job, and the unit after it."""
    return simulate_twins([(twin, protocol)])[0]


def locking(response: Response) -> np.ndarray:
    """Return the couple, which is the locking torque while slip is positive."""
    return response.right_torque - response.left_torque


def steady(terms: Terms, torque: float, branch: str = "loading", unit: Unit = DRY) -> float:
    """Return the steady locking torque at reference temperature."""
    return float(TwinUnit(unit, terms).locking_torque(torque, SPEED, 60.0, branch))


@pytest.mark.parametrize("unit", [Q17, V09], ids=["additive", "greater-of"])
def test_without_terms_both_simulators_agree(unit: Unit) -> None:
    """Two equal packs are one of twice the size: rounding is all that is left."""
    protocol = bias_sweep(
        [2.0, -7.0, 0.0], coast_torque=-300.0, drive_torque=600.0, cycle_time=4.0, oil=(50.0, 60.0)
    )
    one = next(simulate([(unit, protocol)], TWIN_STEP))
    two, after = run(TwinUnit(unit), protocol)
    assert np.abs(one.left_torque - two.left_torque).max() < 1e-9
    assert np.abs(one.plate_temperature - two.plate_temperature).max() < 1e-9
    assert after.work[0] == pytest.approx(after.work[1], rel=1e-12)
    for branch in ("loading", "unloading"):
        torque = np.array([[-170.0], [0.0], [330.0]])
        expected = unit.locking_torque(torque, [1.5, 7.0], 50.0, branch)
        assert TwinUnit(unit).locking_torque(torque, [1.5, 7.0], 50.0, branch) == pytest.approx(expected)


@pytest.mark.parametrize("unit", [DRY, CLAMPED], ids=["additive", "greater-of"])
def test_slides_at_its_own_steady_torque_with_every_term(unit: Unit) -> None:
    """Led up and held, and led up and down and held: the truth of a map is where the simulation rests."""
    terms = Terms(
        curvature=3e-5, least_temperature=52.0, log_rise=0.02, log_speed=0.05, pressure=0.06,
        full_torque=600.0, ramp_curve=2.0, ramp_wear=-1.5, ramp_friction_rise=0.8, dead_zone=9.0, opening=0.3,
        friction_apart=0.05, spring_apart=-0.07,
    )  # fmt: skip
    cold = replace(unit, heat_conductance=1e7)
    courses = {
        "loading": Trace((0.0, 1.0, 3.0), (0.0, 410.0, 410.0)),
        "unloading": Trace((0.0, 1.0, 2.0, 4.0), (0.0, 900.0, 260.0, 260.0)),
    }
    for branch, course in courses.items():
        ends = [
            locking(run(TwinUnit(cold, terms), held(course, v, duration=4.0))[0])[-1] for v in (5.0, -5.0)
        ]
        assert ends[0] > 0.0 > ends[1]
        assert ends[0] != pytest.approx(-ends[1], rel=1e-3)  # packs apart: odd in slip direction only in part
        expected = TwinUnit(cold, terms).locking_torque(course.values[-1], 5.0, 60.0, branch)
        assert 0.5 * (ends[0] - ends[1]) == pytest.approx(float(expected), rel=2e-4)


def test_running_in_follows_friction_work() -> None:
    """Torque at the end over the start is ``1 - r (1 - exp(-W/W0))``, W from what the outputs lost."""
    terms = Terms(running_in=0.05, running_in_work=2500.0)
    response, after = run(TwinUnit(DRY, terms), held(Trace.constant(200.0), duration=20.0))
    course = locking(response)
    work = 0.5 * np.sum(course) * SPEED * TWIN_STEP / 2.0  # of one pack
    assert after.work[0] == pytest.approx(work, rel=2e-3)
    ratio = 1.0 - 0.05 * (1.0 - math.exp(-work / 2500.0))
    start = steady(Terms(), 200.0)
    assert course[-1] / start == pytest.approx(ratio, rel=1e-4)
    assert after.locking_torque(200.0, SPEED, 60.0, "loading") == pytest.approx(course[-1], rel=1e-5)
    again, _ = run(after, held(Trace.constant(200.0), duration=1.0))
    assert locking(again)[100] == pytest.approx(course[-1], rel=1e-3)  # it stays in the next run


def test_glaze_stays_when_plates_are_cool_again() -> None:
    """Oil from 60 to 90 and back to 60 °C past 75 °C: 4 % less for good; up to 70 °C nothing."""
    cool = replace(DRY, heat_conductance=1e7)
    terms = Terms(glazing=0.04, glazing_temperature=75.0)
    for top, lost in ((90.0, 0.04), (70.0, 0.0)):
        oil = Trace((0.0, 5.0, 10.0), (60.0, top, 60.0))
        response, after = run(TwinUnit(cool, terms), held(Trace.constant(150.0), duration=12.0, oil=oil))
        course = locking(response)
        assert course[-1] / course[200] == pytest.approx(1.0 - lost, rel=1e-9)
        assert after.glazed[0] == pytest.approx(lost / 0.04)


def test_friction_is_least_at_its_temperature() -> None:
    """15 K to either side of 50 °C it is higher by 225 of the curvature, over one less 100 of it there."""
    twin = TwinUnit(DRY, Terms(curvature=2e-4, least_temperature=50.0))
    low, least, high = (float(twin.locking_torque(100.0, SPEED, t, "loading")) for t in (35.0, 50.0, 65.0))
    assert low == pytest.approx(high, rel=1e-12)
    assert low / least == pytest.approx(1.0 + 225.0 * 2e-4 / (1.0 - 100.0 * 2e-4), rel=1e-12)


def test_friction_rises_by_log_speed_on_either_side() -> None:
    """Four e-folds from the turn, an e-fold more is ``b`` more, both ways."""
    even = replace(DRY, friction_static=DRY.friction_kinetic)
    twin = TwinUnit(even, Terms(log_rise=0.02, log_speed=0.5 * even.effective_radius))
    at = [float(twin.locking_torque(0.0, v, 60.0, "loading")) for v in np.exp([-3.8, -2.8, 0.0, 2.8, 3.8])]
    assert (at[4] - at[3]) / at[2] == pytest.approx(0.02, rel=0.01)
    assert at[0] == pytest.approx(at[4], rel=1e-9)


def test_pressure_takes_its_power() -> None:
    """Torque is as the force to ``1 - n``, and the preload stays."""
    plain, bent = ([steady(Terms(pressure=n), torque) for torque in (0.0, 600.0)] for n in (0.0, 0.07))
    assert bent[0] == pytest.approx(plain[0], rel=1e-12)
    assert bent[1] / bent[0] == pytest.approx((plain[1] / plain[0]) ** 0.93, rel=1e-9)


@pytest.mark.parametrize("flank", ["drive", "coast"])
def test_ramps_curve_wear_and_rub_more(flank: str) -> None:
    """At full torque a curve is its whole angle; wear of one side is half of both, gone at full torque."""
    full = 600.0 if flank == "drive" else -600.0
    preload = steady(Terms(), 0.0)

    def bias(terms: Terms, share: float, branch: str = "loading") -> float:
        return (steady(replace(terms, full_torque=600.0), share * full, branch) - preload) / abs(share * full)

    def by_hand(angle: float, friction: float = 4.0) -> float:
        # mu n R_e / r_p = 0.5312821 of Q17 without its Stribeck rest: see test_unit
        own = {"drive": 42.0, "coast": 57.0}[flank]
        scale = preload / DRY.spring_force / 2.0 / DRY.pin_radius
        return scale / math.tan(math.radians(own + angle + friction))

    assert bias(Terms(ramp_curve=3.0), 1.0) == pytest.approx(by_hand(3.0), rel=1e-9)
    assert bias(Terms(ramp_curve=3.0), 0.5) == pytest.approx(by_hand(1.5), rel=1e-9)
    assert bias(Terms(ramp_wear=4.0), 1.0) == pytest.approx(by_hand(0.0), rel=1e-9)
    # and what the packs differ by loads the ramps, one way more, the other less: see packs apart, below
    both, apart = 0.5 * (by_hand(4.0) + by_hand(0.0)), 0.5 * (by_hand(4.0) - by_hand(0.0))
    assert bias(Terms(ramp_wear=4.0), 1e-6) == pytest.approx(both / (1.0 - apart**2), rel=1e-5)
    assert bias(Terms(ramp_friction_rise=1.2), 1.0) == pytest.approx(by_hand(0.0, 5.2), rel=1e-9)
    assert bias(Terms(ramp_friction_rise=1.2), 1.0, "unloading") == pytest.approx(
        by_hand(0.0, -5.2), rel=1e-9
    )


def test_dead_zone_shifts_the_sweep() -> None:
    """No thrust below 12 N·m, and above it what 12 N·m less gives."""
    assert steady(Terms(dead_zone=12.0), 11.0) == pytest.approx(steady(Terms(), 0.0), rel=1e-12)
    assert steady(Terms(dead_zone=12.0), -212.0) == pytest.approx(steady(Terms(), -200.0), rel=1e-12)


def test_joint_is_smooth_or_opens_bit_by_bit() -> None:
    """Where thrust equals the spring: ``2^(1/k)`` of it, or half of the opening's width more."""
    torque = CLAMPED.spring_force / CLAMPED.thrust_per_torque("drive", "loading")
    preload = steady(Terms(), 0.0, unit=CLAMPED)
    assert steady(Terms(), torque, unit=CLAMPED) == pytest.approx(preload, rel=1e-9)
    soft = steady(Terms(joint_softness=0.25), torque, unit=CLAMPED)
    assert soft / preload == pytest.approx(2.0**0.25, rel=1e-9)
    opening = steady(Terms(opening=0.3), torque, unit=CLAMPED)
    assert opening / preload == pytest.approx(1.15, rel=1e-9)


def test_spring_lags_by_twice_its_share() -> None:
    """Ramps without friction: one torque, going up and coming down, differs by 2 x 4 % of the preload."""
    slick = replace(DRY, ramp_friction_angle_deg=0.0)
    course = Trace((0.0, 10.0, 20.0), (0.0, 700.0, 0.0))
    response, _ = run(TwinUnit(slick, Terms(spring_hysteresis=0.04)), held(course, duration=20.0))
    torque, middle = locking(response), round(5.0 / TWIN_STEP)
    plain = steady(Terms(), 0.0)
    # late by the bristle alone, a few thousandths of a second
    assert (torque[-middle - 1] - torque[middle]) / plain == pytest.approx(0.08, abs=0.01)
    assert torque[-1] / plain == pytest.approx(1.04, abs=0.003)


def test_packs_apart_load_the_ramps() -> None:
    """With ``m_L - m_R = e T_lock`` the ramps carry ``T + d e T_lock``: ``T_lock = (P + K T)/(1 - d e K)``;
    with springs apart, ``T_lock = P + K (T + d s P)``."""
    preload = steady(Terms(), 0.0)
    bias = DRY.derived(SPEED)["ramp_bias_drive_loading"]
    course = Trace((0.0, 1.0, 3.0), (0.0, 400.0, 400.0))
    for direction in (1.0, -1.0):
        ends = {
            name: direction
            * locking(run(TwinUnit(DRY, terms), held(course, direction * SPEED, duration=3.0))[0])[-1]
            for name, terms in (
                ("friction", Terms(friction_apart=0.06)),
                ("spring", Terms(spring_apart=0.08)),
            )
        }
        plain = preload + 400.0 * bias
        # the plates follow late, and the ramps hold the little more that they had until then
        assert ends["friction"] == pytest.approx(plain / (1.0 - direction * 0.06 * bias), rel=2e-4)
        assert ends["spring"] == pytest.approx(plain + direction * bias * 0.08 * preload, rel=2e-4)


def test_cooling_grows_with_speed() -> None:
    """At rest plates are ``half the power over h (1 + c |dw|)`` above the oil."""
    quick = replace(DRY, heat_capacity=40.0)
    response, _ = run(TwinUnit(quick, Terms(cooling_rise=0.08)), held(Trace.constant(250.0), duration=10.0))
    power = 0.5 * float(locking(response)[-1]) * SPEED
    rise = response.plate_temperature[-1] - 60.0
    assert rise == pytest.approx(power / (quick.heat_conductance * 1.4), rel=1e-6)


def test_chatter_swings_about_the_speed() -> None:
    """An amplitude of 30 % at 8 Hz: its root mean square, and its place in the spectrum."""
    response, _ = run(
        TwinUnit(DRY, Terms(chatter=0.3, chatter_frequency=8.0)), held(Trace.constant(0.0), duration=4.0)
    )
    slip = (response.left_speed - response.right_speed)[:-1]
    assert slip.mean() == pytest.approx(SPEED, rel=1e-6)
    assert slip.std() == pytest.approx(0.3 * SPEED / math.sqrt(2.0), rel=1e-6)
    spectrum = np.abs(np.fft.rfft(slip - slip.mean()))
    assert np.fft.rfftfreq(slip.size, TWIN_STEP)[spectrum.argmax()] == pytest.approx(8.0)


def test_oil_sensor_is_late_or_elsewhere_and_flanges_talk() -> None:
    """A ramp of 3 K/s is 3 K behind after a lag of 1 s; a wall takes a tenth of what is above 25 °C; a
    flange reads 0.4 % of the other."""
    oil = Trace((0.0, 10.0), (50.0, 80.0))
    response, _ = run(TwinUnit(DRY), held(Trace.constant(300.0), duration=10.0, oil=oil))
    flange = TorqueFlange(Stated.exact(1.0), Stated.exact(0.0), Stated.exact(0.0), noise=0.0, quantum=0.0)
    quiet = Stand(
        "quiet", "both-outputs", dict.fromkeys(("left_torque", "right_torque"), flange), Stated.exact(0.0),
        oil_noise=0.0,
    )  # fmt: skip
    talking = {name: replace(flange, cross_talk=0.004) for name, flange in quiet.torques.items()}

    def logged(**changes: object) -> dict[str, np.ndarray]:
        stand = replace(quiet, **changes)  # type: ignore[arg-type]
        return log(stand, response, np.random.default_rng(1), (0.0, 1.0))

    plain = logged()
    late = plain["oil_temperature"] - logged(oil_lag=1.0)["oil_temperature"]
    assert late[-1] == pytest.approx(3.0, rel=1e-4)
    assert logged(oil_cooled=0.1)["oil_temperature"][-1] == pytest.approx(80.0 - 5.5)
    left, right = (plain[name][500] for name in ("left_torque", "right_torque"))
    assert logged(torques=talking)["left_torque"][500] == pytest.approx(left + 0.004 * right, rel=1e-12)


@pytest.mark.parametrize("departure", DEPARTURES, ids=lambda d: d.name)
def test_every_departure_plants_something_and_none_of_it_nothing(departure: Departure) -> None:
    """At size nought a bench is as it was drawn (but for a temperature coefficient that gave way)."""
    name = departure.name
    seed = next(seeds_that_suit(name, 1))
    plain = one_departure(seed, "nothing")
    strong, none = (one_departure(seed, name, strength) for strength in ("strong", "none"))
    assert plain is not None
    assert strong is not None
    assert none is not None
    assert strong.planted == {name: BY_NAME[name].size[1]}
    assert (strong.bench, strong.terms) != (plain.bench, plain.terms)
    sheets = [d.bench.sheet for d in (plain, strong)]
    assert sheets[0] == sheets[1]  # papers do not know
    if name not in {"temperature", "both-gains"}:
        assert none.bench == plain.bench
    assert none.terms.full_torque > 0.0
    neutral = {"full_torque", "running_in_work", "glazing_temperature", "least_temperature", "log_speed",
               "chatter_frequency"}  # fmt: skip
    assert not any(v for k, v in vars(none.terms).items() if k not in neutral)


def test_stand_departures_are_of_their_size() -> None:
    """The largest torque read, times 1.5 of full scale, times 0.2 %; 30 N·m/h over the visit; 3 u."""
    bench = random_bench(4)
    largest = max(max(map(abs, p.input_torque.extremes)) for _, p in bench.runs)
    hours = sum(p.duration for _, p in bench.runs) / 3600.0
    hysteresis, drift, gains, way = (
        one_departure(4, name, "strong") for name in ("hysteresis", "drift", "both-gains", "one-way")
    )
    assert hysteresis is not None
    assert drift is not None
    assert gains is not None
    assert way is not None
    moved = []
    for name, flange in bench.stand.torques.items():
        assert hysteresis.bench.stand.torques[name].hysteresis == pytest.approx(
            0.003 * largest / flange.ratio
        )
        moved.append(abs(drift.bench.stand.torques[name].drift - flange.drift) * flange.ratio)
        gain = gains.bench.stand.torques[name].gain
        assert abs(gain.true - gain.value) == pytest.approx(3.0 * gain.u)
    assert sorted(moved) == pytest.approx([0.0, 30.0 * hours])
    for _, protocol in way.bench.runs:
        low, high = protocol.speed_difference.extremes
        assert low >= 0.0 or high <= 0.0


def test_a_visit_goes_on_with_its_unit_and_nothing_is_the_plain_bench() -> None:
    """Recordings of a bench with nothing planted are those of the plain simulator, but for its longer step;
    its true numbers are its unit's own, and what it went through adds up over its runs."""
    drawn = random_bench(6)
    sweep = bias_sweep([2.0, -5.0], coast_torque=-300.0, drive_torque=600.0, cycle_time=4.0, oil=(50.0, 60.0))
    runs = (("tare", tare(duration=3.0, oil=50.0)), ("one", sweep), ("two", sweep))
    bench = replace(drawn, runs=runs)
    ((recordings, unit),) = simulate_departed([DepartedBench(bench)])
    (expected,) = simulate_many([bench])
    assert set(recordings) == set(expected) == {"tare", "one", "two"}
    for stem, channels in expected.items():
        for name in bench.stand.torques:
            apart = np.abs(recordings[stem][name] - channels[name])
            assert np.nanmedian(apart) <= 0.1, (stem, name)  # where the longer step turns a corner later
    ((_, once),) = simulate_departed([DepartedBench(replace(bench, runs=runs[:2]))])
    assert unit.work[0] == pytest.approx(2.0 * once.work[0], rel=1e-2)
    own = bench.unit.derived(bench.sheet.reference_speed_difference)
    found = true_numbers(DepartedBench(bench), unit)
    assert found.pop("preload_torque") == pytest.approx(own["preload_torque_Nm"])
    assert found == pytest.approx({name: own[name] for name in found})
    assert "ramp_bias_drive_loading" in found


def test_mixtures_have_one_to_four_and_all_come_up() -> None:
    """Of 200 seeds: every departure, every number of them, sizes from none to strong."""
    drawn = [random_departures(seed).planted for seed in range(200)]
    assert {len(planted) for planted in drawn} == {1, 2, 3, 4}
    assert {name for planted in drawn for name in planted} == set(BY_NAME)
    shares = [size / BY_NAME[name].size[1] for planted in drawn for name, size in planted.items()]
    assert 0.0 <= min(shares) < 0.05
    assert 0.95 < max(shares) <= 1.0
