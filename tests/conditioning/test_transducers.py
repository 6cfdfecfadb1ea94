"""From the reading to the torque at the unit: each term by hand, and what a wrong constant does."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diffbench.conditioning.bench import TorqueChain
from diffbench.documents import Rig

ZERO = np.zeros(1)


def at_unit(
    chain: TorqueChain, reading: float, *, rate: float = 0.0, speed: float = 60.0, acceleration: float = 0.0
) -> float:
    """One sample through the chain."""
    one = np.ones(1)
    return float(chain.at_unit(reading * one, rate * one, speed * one, acceleration * one)[0])


@pytest.mark.parametrize(
    ("sign", "gain", "zero", "value"),
    [
        (1, 1.0, 0.0, 50.0),
        (1, 1.02, 0.0, 51.0),
        (1, 1.0, -3.0, 47.0),
        (-1, 1.0, 0.0, -50.0),
        (-1, 1.02, -3.0, -48.0),
    ],
)
def test_stated_sign_gain_and_zero(
    sign: int, gain: float, zero: float, value: float, rig_of: Callable[..., Rig]
) -> None:
    """value = sign · (reading · gain + zero), as the rig's file contract has it."""
    stated = {"sign": sign, "gain": gain, "zero": zero}
    rig = rig_of(left_torque=stated, right_torque={}, speed_difference={})
    assert rig.channel["left_torque"].corrected(np.array([50.0]))[0] == pytest.approx(value)


def test_gain_error_is_relative() -> None:
    assert at_unit(TorqueChain(side=1, gain=0.01), 200.0) == pytest.approx(202.0)


def test_zero_error_adds() -> None:
    assert at_unit(TorqueChain(side=1, zero=0.7), 200.0) == pytest.approx(200.7)


def test_tare_is_what_the_transducer_reads_without_a_unit() -> None:
    assert at_unit(TorqueChain(side=1, tare=-1.5), 200.0) == pytest.approx(201.5)


def test_lag_is_made_good_by_the_rate() -> None:
    """A reading that rises by 100 N·m/s behind a lag of 20 ms stands 2 N·m behind."""
    assert at_unit(TorqueChain(side=1, lag=0.02), 200.0, rate=100.0) == pytest.approx(202.0)
    assert at_unit(TorqueChain(side=1, lag=0.02), 200.0, rate=-100.0) == pytest.approx(198.0)


@pytest.mark.parametrize(
    ("side", "speed", "torque"),
    [
        # an output's bearing takes 1.5 N·m between unit and transducer, against its rotation: the unit
        # delivers more
        (1, 60.0, 101.5),
        (1, -60.0, 98.5),
        (1, 0.0, 100.0),
        # between transducer and case the bearing takes it before the unit gets it
        (-1, 60.0, 98.5),
        (-1, -60.0, 101.5),
    ],
)
def test_drag_acts_against_the_rotation(side: int, speed: float, torque: float) -> None:
    assert at_unit(TorqueChain(side=side, drag=1.5), 100.0, speed=speed) == pytest.approx(torque)


@pytest.mark.parametrize(("side", "torque"), [(1, 105.0), (-1, 95.0)])
def test_inertia_takes_torque_while_the_shaft_speeds_up(side: int, torque: float) -> None:
    """0.05 kg·m² at 100 rad/s²: 5 N·m that an output's transducer doesn't see, and that an input's sees for
    nothing."""
    assert at_unit(TorqueChain(side=side, inertia=0.05), 100.0, acceleration=100.0) == pytest.approx(torque)


@pytest.mark.parametrize(
    ("reading", "speed", "torque"),
    [
        (100.0, 60.0, 300.0 * 0.96),  # the engine drives: losses before the case
        (-100.0, 60.0, -300.0 / 0.96),  # the wheels drive: the pinion gets less than the case gives
        (-100.0, -60.0, -300.0 * 0.96),  # the engine drives backwards
        (100.0, -60.0, 300.0 / 0.96),  # the wheels drive backwards
        (100.0, 0.0, 300.0 * 0.96),  # at rest, a positive torque counts as driving
    ],
)
def test_final_drive_loses_in_the_direction_of_power_flow(
    reading: float, speed: float, torque: float
) -> None:
    chain = TorqueChain(side=-1, ratio=3.0, efficiency=0.96)
    assert at_unit(chain, reading, speed=speed) == pytest.approx(torque)


def test_drag_and_inertia_at_the_pinion_come_before_the_final_drive() -> None:
    """(100 − 2 − 0.01·50) · 3.5 · 0.95, as the shafts follow each other."""
    chain = TorqueChain(side=-1, drag=2.0, inertia=0.01, ratio=3.5, efficiency=0.95)
    assert at_unit(chain, 100.0, acceleration=50.0) == pytest.approx(97.5 * 3.5 * 0.95)


@given(
    st.sampled_from(["gain", "zero", "lag", "tare", "drag", "inertia"]),
    st.sampled_from([-1, 1]),
    st.floats(-500.0, 500.0),
    st.floats(-0.01, 0.01),
)
def test_one_constant_off_moves_the_torque_in_proportion(
    constant: str, side: int, reading: float, by: float
) -> None:
    """All constants but those of the final drive enter linearly: twice the error, twice the shift, other
    way back."""
    chain = TorqueChain(side=side, gain=0.002, zero=0.5, lag=0.01, tare=1.0, drag=1.5, inertia=0.04)
    base = at_unit(chain, reading, rate=80.0, speed=-30.0, acceleration=20.0)

    def shift(error: float) -> float:
        return (
            at_unit(chain.with_error(constant, error), reading, rate=80.0, speed=-30.0, acceleration=20.0)
            - base
        )

    assert shift(2 * by) == pytest.approx(2 * shift(by), abs=1e-9)
    assert shift(-by) == pytest.approx(-shift(by), abs=1e-9)


def test_an_error_leaves_the_other_constants_alone() -> None:
    chain = TorqueChain(side=-1, drag=1.5, ratio=3.0, efficiency=0.96)
    off = chain.with_error("efficiency", 0.01)
    assert off.efficiency == pytest.approx(0.97)
    assert (off.side, off.drag, off.ratio) == (-1, 1.5, 3.0)
    assert chain.efficiency == 0.96
