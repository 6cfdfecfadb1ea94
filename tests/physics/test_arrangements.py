"""Readings of the bench's arrangements, and what they say of one and the same unit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.errors import FitError
from diffbench.physics.arrangements import (
    Direction,
    TurningArrangement,
    loaded_flank,
    locking_torque,
    locking_torque_of_turning,
    other_output,
    preload_from_turning_torque,
    turning_torque,
)
from diffbench.physics.bias import output_torques
from diffbench.physics.preload import PreloadLaw, combine

reproducible = settings(derandomize=True, deadline=None, max_examples=50)

FREE: TurningArrangement = "output-turned-case-free"
HELD: TurningArrangement = "output-turned-case-held"

preloads = st.floats(1.0, 300.0)
biases = st.floats(0.0, 0.9)
laws = st.sampled_from(["additive", "greater-of"])
arrangements = st.sampled_from([FREE, HELD])
directions = st.sampled_from(["forward", "backward"])
torques = st.floats(-1000.0, 1000.0)


@given(preload=preloads, drive=biases, coast=biases, direction=directions, law=laws)
@reproducible
def test_both_hand_arrangements_give_one_preload_torque(
    preload: float, drive: float, coast: float, direction: Direction, law: PreloadLaw
) -> None:
    joint = 0.2 if law == "greater-of" else 0.0
    flank = {"drive": drive, "coast": coast}[loaded_flank(direction)]
    for arrangement in (FREE, HELD):
        reading = turning_torque(
            arrangement, direction, preload, drive, coast, law, joint_fraction=joint, gear_friction=0.03
        )
        found = preload_from_turning_torque(
            arrangement, reading, flank, law, joint_fraction=joint, gear_friction=0.03
        )
        assert found == pytest.approx(preload, rel=1e-14)


@given(preload=preloads, bias=biases, law=laws, phi=st.floats(0.0, 0.9), gears=st.floats(0.0, 0.09))
@reproducible
def test_held_reading_is_the_locking_torque_that_it_makes_itself(
    preload: float, bias: float, law: PreloadLaw, phi: float, gears: float
) -> None:
    """The equation of the arrangement, W = [P ⊕ K W] + k W, put back: rounding grows by 1/(1 − K − k)."""
    joint = phi if law == "greater-of" else 0.0
    w = turning_torque(HELD, "backward", preload, bias, 0.0, law, joint_fraction=joint, gear_friction=gears)
    assert combine(law, preload, bias * w, joint) + gears * w == pytest.approx(w, rel=1e-13)


@given(preload=preloads, bias=biases, law=laws, share=st.floats(0.0, 0.999))
@reproducible
def test_below_the_turning_torque_nothing_slips_and_above_it_does(
    preload: float, bias: float, law: PreloadLaw, share: float
) -> None:
    """|T_L − T_R| against the locking torque at the input torque that the wrench itself makes."""
    for arrangement, difference, input_share in ((FREE, 2.0, 0.0), (HELD, 1.0, 1.0)):
        turning = float(turning_torque(arrangement, "forward", preload, 0.0, bias, law))
        held, slipping = share * turning, turning * (1.0 + 1e-3)
        assert difference * held < combine(law, preload, bias * input_share * held)
        assert difference * slipping > combine(law, preload, bias * input_share * slipping)


@given(preload=preloads, bias=st.floats(0.01, 0.9))
@reproducible
def test_the_two_arrangements_read_differently_under_either_law(preload: float, bias: float) -> None:
    """Free reads P/2; held reads P/(1 − K) or P: a factor of 2/(1 − K) or 2 for the same unit."""
    free = turning_torque(FREE, "backward", preload, bias, bias, "additive")
    held = turning_torque(HELD, "backward", preload, bias, bias, "additive")
    assert free == preload / 2.0
    assert held / free == pytest.approx(2.0 / (1.0 - bias), rel=1e-14)
    assert turning_torque(HELD, "backward", preload, bias, bias, "greater-of") == preload


def test_with_a_bias_of_045_the_two_differ_by_a_factor_of_36() -> None:
    """Analytic: 2/(1 − 0.45) = 3.636."""
    readings = [turning_torque(a, "backward", 80.0, 0.45, 0.3, "additive") for a in (FREE, HELD)]
    assert readings[1] / readings[0] == pytest.approx(2.0 / 0.55, rel=1e-14)


def test_forward_loads_the_coast_flank_and_backward_the_drive_flank() -> None:
    assert loaded_flank("forward") == "coast"
    assert loaded_flank("backward") == "drive"
    assert turning_torque(HELD, "forward", 80.0, 0.5, 0.0, "additive") == 80.0
    assert turning_torque(HELD, "backward", 80.0, 0.5, 0.0, "additive") == 160.0


def test_direction_does_not_matter_with_the_case_free() -> None:
    readings = [turning_torque(FREE, d, 80.0, 0.5, 0.3, "additive") for d in ("forward", "backward")]
    assert readings == [40.0, 40.0]


@pytest.mark.parametrize("law", ["additive", "greater-of"])
@pytest.mark.parametrize(("bias", "gears"), [(1.0, 0.0), (1.4, 0.0), (0.95, 0.06)])
def test_a_unit_that_locks_has_no_turning_torque_with_the_case_held(
    law: PreloadLaw, bias: float, gears: float
) -> None:
    with pytest.raises(FitError, match=r"case held, a unit with ramp bias .* locks") as refusal:
        turning_torque(HELD, "backward", 80.0, bias, 0.3, law, gear_friction=gears)
    assert "case free" in refusal.value.faults[0].mend
    with pytest.raises(FitError, match="locks"):
        preload_from_turning_torque(HELD, 80.0, bias, law, gear_friction=gears)
    assert turning_torque(FREE, "backward", 80.0, bias, 0.3, law, gear_friction=gears) == 40.0


@given(input_torque=torques, lock=st.floats(0.0, 500.0), slip=st.floats(0.01, 20.0), left=st.booleans())
@reproducible
def test_locking_torque_comes_back_from_the_outputs(
    input_torque: float, lock: float, slip: float, left: bool
) -> None:
    """Either side faster, in drive and in coast; the outputs carry the rounding of the input torque."""
    difference = slip if left else -slip
    t_l, t_r = output_torques(input_torque, lock, difference)
    assert locking_torque(t_l, t_r, difference) == pytest.approx(lock, abs=1e-12)
    assert other_output(input_torque, t_l) == pytest.approx(t_r, abs=1e-12)
    # The differential only takes power: what leaves never exceeds what enters.
    assert (t_l - t_r) * difference <= 0.0


@given(left=torques, right=torques, slip=st.floats(-20.0, 20.0))
@reproducible
def test_left_and_right_may_be_named_the_other_way_round(left: float, right: float, slip: float) -> None:
    here, mirrored = locking_torque(left, right, slip), locking_torque(right, left, -slip)
    assert here == mirrored or (np.isnan(here) and np.isnan(mirrored))


def test_without_slip_there_is_only_a_bound() -> None:
    assert np.isnan(locking_torque(180.0, 220.0, 0.0))


def test_swapped_sides_are_left_to_be_seen() -> None:
    assert locking_torque(300.0, 100.0, 2.0) == -200.0


def test_readings_keep_their_magnitude_only() -> None:
    assert locking_torque_of_turning(FREE, [-40.0, 40.0]).tolist() == [80.0, 80.0]
    assert locking_torque_of_turning(HELD, [-40.0, np.nan]).tolist()[0] == 40.0
    assert preload_from_turning_torque(HELD, -100.0, 0.2, "additive") == 80.0


def test_names_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match="no output is turned in arrangement 'both-outputs'"):
        locking_torque_of_turning("both-outputs", 40.0)  # type: ignore[arg-type]  # what the test is about
    with pytest.raises(ValueError, match="no direction is called 'left'"):
        turning_torque(FREE, "left", 80.0, 0.4, 0.3, "additive")  # type: ignore[arg-type]  # same
    with pytest.raises(ValueError, match="no preload law is called 'undecided'"):
        turning_torque(FREE, "forward", 80.0, 0.4, 0.3, "undecided")  # type: ignore[arg-type]  # same
    with pytest.raises(ValueError, match="ramp bias must not be negative"):
        preload_from_turning_torque(HELD, 80.0, -0.1, "additive")
    with pytest.raises(ValueError, match="preload torque must not be negative"):
        turning_torque(HELD, "forward", -1.0, 0.4, 0.3, "additive")
