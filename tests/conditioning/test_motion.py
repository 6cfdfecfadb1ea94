"""What slips, what holds, and what has only just begun to slip."""

from __future__ import annotations

import numpy as np
import pytest

from diffbench.conditioning.samples import SETTLING_ANGLE, slip

STEP = 0.01


def signal(*parts: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Time and speed difference of constant parts: (duration [s], speed difference [rad/s])."""
    values = np.concatenate([np.full(round(duration / STEP), speed) for duration, speed in parts])
    return np.arange(values.size) * STEP, values


def test_holding_has_no_direction() -> None:
    """Noise of a speed reading alone is no slip."""
    time, values = signal((10.0, 0.0))
    motion = slip(time, values + np.random.default_rng(1).normal(0.0, 0.06, time.size))
    assert not motion.direction.any()
    assert not motion.settled.any()


@pytest.mark.parametrize("speed", [0.3, 4.0, -4.0])
def test_slip_counts_once_the_plates_have_turned(speed: float) -> None:
    """From the start the direction is known; it settles after 0.3 rad of relative rotation."""
    time, values = signal((5.0, speed))
    motion = slip(time, values)
    assert (motion.direction == np.sign(speed)).all()
    first = int(np.argmax(motion.settled))
    assert motion.settled[first:].all()
    assert time[first] == pytest.approx(SETTLING_ANGLE / abs(speed), abs=1.5 * STEP)


def test_a_reversal_settles_anew() -> None:
    time, values = signal((4.0, 4.0), (4.0, -4.0))
    motion = slip(time, values)
    turned = int(np.argmax(motion.direction < 0))
    assert time[turned] == pytest.approx(4.0, abs=0.1)
    after = motion.settled[turned:]
    assert not after[: round(0.9 * SETTLING_ANGLE / 4.0 / STEP)].any()
    # the local mean of 0.1 s takes speed off both sides of the reversal
    assert after[round(0.2 / STEP) :].all()


def test_a_hold_between_is_left_out() -> None:
    time, values = signal((4.0, 4.0), (3.0, 0.0), (4.0, 4.0))
    motion = slip(time, values)
    held = (time > 4.1) & (time < 6.9)
    assert not motion.direction[held].any()
    assert not motion.settled[(time > 4.1) & (time < 7.0)].any()
    assert motion.settled[time > 7.2].all()


def test_a_slow_transducer_is_given_time() -> None:
    """Five time constants after a reversal, where that is longer than the plates need."""
    time, values = signal((4.0, 10.0), (4.0, -10.0))
    motion = slip(time, values, lag=0.1)
    turned = int(np.argmax(motion.direction < 0))
    after = time[turned:][motion.settled[turned:]]
    assert after[0] - time[turned] == pytest.approx(0.5, abs=1.5 * STEP)


def test_noise_raises_the_threshold() -> None:
    """0.2 rad/s of slip is told at a quiet bench, not at one whose reading scatters by 1 rad/s."""
    time, values = signal((10.0, 0.2))
    noise = np.random.default_rng(2).normal(0.0, 1.0, time.size)
    assert slip(time, values).settled[200:].all()
    assert not slip(time, values + noise).direction.all()


def test_a_missing_speed_is_no_slip() -> None:
    """Where nothing is known of the speed for longer than the local mean reaches."""
    time, values = signal((6.0, 4.0))
    values[200:300] = np.nan
    motion = slip(time, values)
    gap = slice(205, 295)
    assert np.isnan(motion.speed_difference[gap]).all()
    assert not motion.direction[gap].any()
    assert motion.settled[400:].all()


def test_left_and_right_exchanged_reverse_the_direction_only() -> None:
    time, values = signal((3.0, 4.0), (2.0, 0.0), (3.0, -1.5))
    values = values + np.random.default_rng(3).normal(0.0, 0.05, time.size)
    one, other = slip(time, values), slip(time, -values)
    np.testing.assert_array_equal(one.direction, -other.direction)
    np.testing.assert_array_equal(one.settled, other.settled)


def test_a_reversal_ahead_is_not_looked_into() -> None:
    """Rates of change look 40 ms ahead: the last samples before a reversal hold what comes after it."""
    time, values = signal((4.0, 4.0), (4.0, -4.0))
    plain, wary = slip(time, values), slip(time, values, ahead=0.04)
    turn = float(time[np.argmax(plain.direction < 0)])
    lost = time[plain.settled & ~wary.settled]
    assert (lost >= turn - 0.04 - 1e-9).all()
    assert (lost < turn).all()
    assert lost.size >= 3
