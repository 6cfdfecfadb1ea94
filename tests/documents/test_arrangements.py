"""The equilibrium of each arrangement, against the torques of a unit by its own balance."""

from __future__ import annotations

from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.documents.arrangements import ARRANGEMENTS, TURNED, ArrangementName, Equilibrium, noise_share

reproducible = settings(derandomize=True, deadline=None, max_examples=50)


def sums(equilibrium: Equilibrium, readings: dict[str, float]) -> tuple[float, float]:
    whole = sum(shares.input_torque * readings[name] for name, shares in equilibrium.items())
    return whole, sum(shares.difference * readings[name] for name, shares in equilibrium.items())


def test_every_name_has_its_class() -> None:
    assert tuple(ARRANGEMENTS) == get_args(ArrangementName)


@given(whole=st.floats(-1000.0, 1000.0), lock=st.floats(0.0, 500.0), left_faster=st.booleans())
@pytest.mark.parametrize(
    ("name", "channels"),
    [
        ("both-outputs", ("left_torque", "right_torque")),
        ("both-outputs", ("left_torque", "right_torque", "input_torque")),
        ("input-and-one-output", ("input_torque", "left_torque")),
        ("input-and-one-output", ("input_torque", "right_torque")),
    ],
)
@reproducible
def test_a_driven_unit_shows_its_input_torque_and_difference(
    name: str, channels: tuple[str, ...], whole: float, lock: float, left_faster: bool
) -> None:
    """T_L + T_R = T_in and the slower output gets more by the locking torque (equilibrium; rounding)."""
    apart = -lock if left_faster else lock
    readings = {
        "input_torque": whole,
        "left_torque": (whole + apart) / 2.0,
        "right_torque": (whole - apart) / 2.0,
    }
    equilibrium = ARRANGEMENTS[name].equilibrium(channels)
    assert set(equilibrium) <= set(channels)
    assert sums(equilibrium, readings) == pytest.approx((whole, apart), abs=1e-12)
    assert sum(noise_share(equilibrium, channel) for channel in equilibrium) == 1.0


def test_one_unit_reads_differently_when_it_is_turned() -> None:
    """With P = 80 N·m and a coast bias K of 0.3 it turns forward at P/2 = 40 N·m with the case free, and at
    P/(1 − K) with it held, since W = P + K W: analytic (additive law)."""
    preload, bias = 80.0, 0.3
    whole, apart = sums(ARRANGEMENTS["output-turned-case-free"].equilibrium(()), {"turning_torque": 40.0})
    assert (whole, -apart) == (0.0, preload)
    held = preload / (1.0 - bias)
    whole, apart = sums(ARRANGEMENTS["output-turned-case-held"].equilibrium(()), {"turning_torque": held})
    assert whole < 0.0  # forward on the coast flank
    assert -apart == pytest.approx(preload + bias * -whole, rel=1e-14)


def test_only_turned_arrangements_read_a_wrench() -> None:
    for name, arrangement in ARRANGEMENTS.items():
        assert (arrangement.needs == ("turning_torque",)) == (name in TURNED)
        assert arrangement.refusals(()) != []
        assert not arrangement.seen(())


def test_a_braked_output_beside_a_free_one_carries_all() -> None:
    """T_in = T_L + T_R with one of them nothing, so that |T_L - T_R| = |T_in|: equilibrium of the case."""
    braked = ARRANGEMENTS["one-output-braked"]
    assert sums(braked.equilibrium(("left_torque",)), {"left_torque": 150.0}) == (150.0, 150.0)
    assert sums(braked.equilibrium(("right_torque",)), {"right_torque": 150.0}) == (150.0, -150.0)
    assert braked.refusals(("left_torque",)) == []
    assert "free output" in braked.refusals(("left_torque", "right_torque"))[0][1]
    assert [name for name, kind in ARRANGEMENTS.items() if kind.one_runs_free] == ["one-output-braked"]
