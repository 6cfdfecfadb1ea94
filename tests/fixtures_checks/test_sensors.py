"""The sensor chain against what each of its links should do alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchsim.dynamics import Response, simulate, unloaded
from benchsim.protocol import Protocol, Trace, bias_sweep, tare
from benchsim.scenario import Q17
from benchsim.sensors import Faults, Stand, TorqueFlange, first_order_lag, log, staying_behind
from benchsim.stated import Stated

IDEAL = TorqueFlange(
    gain=Stated.exact(1.0), zero=Stated.exact(0.0), lag=Stated.exact(0.0), noise=0.0, quantum=0.0
)


def stand(left: TorqueFlange = IDEAL, right: TorqueFlange = IDEAL, faults: Faults | None = None) -> Stand:
    """Return a both-outputs stand without noise."""
    return Stand(
        name="ideal",
        arrangement="both-outputs",
        torques={"left_torque": left, "right_torque": right},
        oil_zero=Stated.exact(0.0),
        speed_noise=0.0,
        oil_noise=0.0,
        faults=faults or Faults(),
    )


def sweep() -> Response:
    """Return a short sweep."""
    protocol = bias_sweep([3.0, -3.0], coast_torque=-200, drive_torque=400, cycle_time=4, oil=(50, 52))
    return next(simulate([(Q17, protocol)]))


def logged(which: Stand, response: Response, seed: int = 1) -> dict[str, np.ndarray]:
    """Return a log with one seed."""
    return log(which, response, np.random.default_rng(seed), (0.0, 1.0))


def test_ideal_stand_logs_the_truth() -> None:
    """Without errors the log is the response at every fifth internal step (100 Hz of 500 Hz)."""
    response = sweep()
    log_of = logged(stand(), response)
    assert np.array_equal(log_of["left_torque"], response.left_torque[::5])
    assert np.array_equal(log_of["right_speed"], response.right_speed[::5])
    assert np.array_equal(log_of["oil_temperature"], response.oil_temperature[::5])


def test_readings_obey_the_convention_of_the_rig_file() -> None:
    """``value = sign (reading gain + zero)`` gives the truth back, to rounding."""
    flange = replace(IDEAL, gain=Stated(1.0, 0.002, 1.004), zero=Stated(0.0, 1.0, -2.5), sign=-1)
    response = sweep()
    reading = logged(stand(right=flange), response)["right_torque"]
    assert np.allclose(-(reading * 1.004 - 2.5), response.right_torque[::5], rtol=0, atol=1e-9)


def test_drag_and_inertia_come_off_an_output() -> None:
    """A flange reads ``T - drag sgn(w) - J dw/dt``: here 1.3 N.m and 0.05 kg m^2 times 2 rad/s^2."""
    flange = replace(IDEAL, drag=Stated.exact(1.3), inertia=Stated.exact(0.05))
    protocol = replace(tare(duration=5.0, oil=50.0), case_speed=Trace((0.0, 5.0), (50.0, 60.0)))
    reading = logged(stand(left=flange), unloaded(protocol))["left_torque"]
    assert np.allclose(reading, -1.3 - 0.05 * 2.0, rtol=0, atol=1e-9)
    backwards = replace(protocol, case_speed=Trace.constant(-50.0))
    assert np.allclose(logged(stand(left=flange), unloaded(backwards))["left_torque"], 1.3)


@pytest.mark.parametrize(
    ("torque", "expected"), [(300.0, 300.0 / (4.0 * 0.95)), (-200.0, -200.0 * 0.95 / 4.0)]
)
def test_pinion_losses_follow_the_power(torque: float, expected: float) -> None:
    """Drive: ``T_case = T_pinion ratio eta``; coast: ``T_case = T_pinion ratio / eta``."""
    pinion = replace(IDEAL, at="pinion", ratio=4.0, efficiency=Stated(0.96, 0.01, 0.95))
    which = replace(stand(), torques={"input_torque": pinion, "right_torque": IDEAL})
    protocol = Protocol(
        "bias-sweep",
        1.0,
        Trace.constant(torque),
        Trace.constant(2.0),
        Trace.constant(60.0),
        Trace.constant(60.0),
    )
    reading = logged(which, next(simulate([(Q17, protocol)])))["input_torque"]
    assert np.allclose(reading, expected, rtol=1e-12)


def test_lag_of_a_step_is_an_exponential() -> None:
    """The answer to a step, taken linear between samples, against the closed form of the first-order
    system."""
    step, lag = 0.002, 0.02
    time = np.arange(0.0, 0.5, step)
    signal = np.where(time < 0.1, 0.0, 1.0)
    start = 0.1 - step  # the step is a ramp over one sample
    answer = first_order_lag(signal, step, lag)

    def ramp(t: np.ndarray) -> np.ndarray:
        """Integral answer to a unit slope from t = 0."""
        held = np.maximum(t, 0.0)
        return held - lag * (1.0 - np.exp(-held / lag))

    expected = (ramp(time - start) - ramp(time - start - step)) / step
    assert np.allclose(answer, expected, rtol=0, atol=1e-12)


def test_lag_starts_settled_and_zero_lag_passes() -> None:
    """A constant stays; without lag the signal passes unchanged."""
    constant = np.full(50, 7.0)
    assert np.allclose(first_order_lag(constant, 0.002, 0.03), 7.0, rtol=1e-14)
    wave = np.sin(np.arange(100.0))
    assert np.array_equal(first_order_lag(wave, 0.002, 0.0), wave)


def test_ripple_turns_once_a_revolution() -> None:
    """At 20 pi rad/s (10 revolutions a second) the ripple has a period of 0.1 s: ten samples at 100 Hz."""
    flange = replace(IDEAL, ripple=2.0)
    reading = logged(stand(left=flange), unloaded(tare(duration=2.0, oil=50.0, case_speed=20.0 * np.pi)))[
        "left_torque"
    ]
    assert np.allclose(reading[10:], reading[:-10], rtol=0, atol=1e-6)
    assert np.ptp(reading) == pytest.approx(
        4.0, rel=0.06
    )  # ten samples a turn miss the peak by up to 5 per cent


def test_a_spring_body_that_stays_behind_leaves_rayleigh_s_loops() -> None:
    """Lenses: the widest cycle has the stated half-width in its middle and none at its ends, and a cycle of
    half its span, by the law's square, a quarter of it there."""
    load = np.interp(np.arange(1200.0), [0, 200, 600, 999, 1199], [0.0, 200.0, -200.0, 199.0, -1.0])
    inner = np.interp(np.arange(800.0), [0, 200, 600, 799], [0.0, -100.0, 100.0, 0.0])
    error = staying_behind(np.concatenate([load, inner, inner]), 3.0)[:1200] - load
    # 24 elements in place of a continuum: a fiftieth of the loop
    assert error[[200, 600]] == pytest.approx([0.0, 0.0], abs=0.06)
    assert error[[400, 800]] == pytest.approx([3.0, -3.0], abs=0.06)
    assert error[500] == pytest.approx(3.0 * 0.75, abs=0.06)  # a parabola, half way to its end
    both = staying_behind(np.concatenate([load, inner, inner]), 3.0) - np.concatenate([load, inner, inner])
    # past its first turns the small cycle repeats: rising and falling through zero, at 400 and 800 of it
    assert both[2000 - 1] - both[2000 - 1 - 400] == pytest.approx(2 * 3.0 / 4.0, abs=0.06)


def test_noise_has_the_stated_spread() -> None:
    """White and slow noise add up to their variances: 20 000 samples, slow noise of 0.2 s counts as 1 000
    of them.

    The tolerance is 3 standard errors of a standard deviation from 1 000 independent samples, 3/sqrt(2000).
    """
    flange = replace(IDEAL, noise=1.2, wander=0.9, wander_time=0.2)
    reading = logged(stand(left=flange), unloaded(tare(duration=200.0, oil=50.0)))["left_torque"]
    assert reading.std() == pytest.approx(1.5, rel=0.067)


def test_quantum_drift_and_oil_offset() -> None:
    """Readings are multiples of the step; the zero drifts by the stated amount; the oil sensor reads low by
    its zero."""
    flange = replace(IDEAL, quantum=0.05, drift=4.0)
    which = replace(stand(left=flange), oil_zero=Stated(0.0, 0.5, 0.7))
    log_of = logged(which, unloaded(tare(duration=10.0, oil=50.0)))
    steps = log_of["left_torque"] / 0.05
    assert np.allclose(steps, np.round(steps), rtol=0, atol=1e-9)
    assert log_of["left_torque"][-1] - log_of["left_torque"][0] == pytest.approx(4.0)
    assert np.allclose(log_of["oil_temperature"], 49.3)


def test_faults_lose_cells_and_rows_and_add_spikes() -> None:
    """A faulty logger empties cells, loses rows (time jumps) and catches spikes, all of them in the
    torques."""
    faults = Faults(spikes_per_minute=30.0, spike_size=500.0, gaps_per_minute=10.0, row_gaps_per_minute=10.0)
    clean = unloaded(tare(duration=60.0, oil=50.0))
    log_of = logged(stand(faults=faults), clean)
    assert (
        np.count_nonzero(np.abs(log_of["left_torque"]) > 100.0)
        + np.count_nonzero(np.abs(log_of["right_torque"]) > 100.0)
        > 10
    )
    assert np.isnan(log_of["left_torque"]).any() or np.isnan(log_of["right_torque"]).any()
    assert not np.isnan(log_of["time"]).any()
    assert np.diff(log_of["time"]).max() > 0.05
    assert len({len(values) for values in log_of.values()}) == 1


def test_case_and_difference_in_place_of_left_and_right() -> None:
    """A stand may log the case speed and the speed difference."""
    response = sweep()
    log_of = logged(replace(stand(), speed_channels="case-difference"), response)
    assert np.allclose(log_of["case_speed"] + log_of["speed_difference"] / 2.0, response.left_speed[::5])
    assert "left_speed" not in log_of
