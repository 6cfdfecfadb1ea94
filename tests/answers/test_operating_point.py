"""Map arithmetic at one point: by hand, in its limits, and what it refuses."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diffbench.answers import Interval, slip_state, torque_split
from diffbench.errors import QuantityError
from diffbench.results import LockingMap, MapDocument

reproducible = settings(derandomize=True, deadline=None, max_examples=50)
FlatMap = Callable[..., LockingMap]


def test_a_split_by_hand(flat_map: FlatMap) -> None:
    """200 N·m locking torque of 400 N·m: LE 0.5, TBR 3, 300 and 100 N·m (SAE J2817, equation 1)."""
    split = torque_split(flat_map(200.0, 160.0, 240.0), 400.0, -4.0, 60.0)
    assert split.locking_torque == Interval(200.0, 160.0, 240.0)
    assert split.locking_effect == Interval(0.5, 0.4, 0.6)
    assert split.torque_bias_ratio.value == pytest.approx(3.0, rel=1e-15)
    assert split.torque_bias_ratio.low == pytest.approx(1.4 / 0.6, rel=1e-15)
    assert split.torque_bias_ratio.high == pytest.approx(4.0, rel=1e-15)
    assert (split.slower_output, split.faster_output) == (300.0, 100.0)
    assert (split.speed_difference, split.tested, split.predicted) == (4.0, True, None)


def test_under_engine_braking_the_slower_output_is_braked_less(flat_map: FlatMap) -> None:
    split = torque_split(flat_map(80.0), -200.0, 4.0, 60.0)
    assert (split.slower_output, split.faster_output) == (-60.0, -140.0)
    assert split.torque_bias_ratio.value == pytest.approx(140.0 / 60.0, rel=1e-15)


def test_numbers_without_meaning_are_none(flat_map: FlatMap) -> None:
    """No input torque, no locking effect; a locking effect of 1 or more, no ratio; a limit may be beyond."""
    still = torque_split(flat_map(80.0), 0.0, 4.0, 60.0)
    assert still.locking_effect == still.torque_bias_ratio == Interval(None, None, None)
    assert torque_split(flat_map(80.0), 50.0, 4.0, 60.0).torque_bias_ratio == Interval(None, None, None)
    near = torque_split(flat_map(80.0, 70.0, 110.0), 100.0, 4.0, 60.0).torque_bias_ratio
    assert near.value == pytest.approx(9.0, rel=1e-14)
    assert near.high is None


@given(left=st.floats(-290.0, 290.0), right=st.floats(-290.0, 290.0))
@reproducible
def test_left_and_right_are_alike(flat_map: FlatMap, left: float, right: float) -> None:
    """What counts is the difference, whichever side has more."""
    one, other = (
        slip_state(flat_map(80.0, 75.0, 85.0), *pair, 60.0) for pair in ((left, right), (right, left))
    )
    assert one.state == other.state
    assert one.input_torque == other.input_torque
    expected = (
        "locked" if abs(left - right) <= 75.0 else "slipping" if abs(left - right) > 85.0 else "not proven"
    )
    assert one.state == expected


def test_slip_is_judged_where_the_bench_was(flat_map: FlatMap) -> None:
    """The map begins at stand-still, the lowest speed difference that was tested is 0.5 rad/s; so it is asked
    where the torque was not tested, too."""
    found = slip_state(flat_map(80.0), 60.0, 20.0, 60.0)
    assert (found.speed_difference, found.tested, found.state) == (0.5, True, "locked")
    assert found.share_of_locking_torque == 0.5
    beyond = slip_state(flat_map(80.0), 600.0, 590.0, 60.0)
    assert (beyond.speed_difference, beyond.tested, beyond.beyond) == (0.5, False, True)
    assert slip_state(flat_map(80.0), 60.0, 20.0, 60.0, speed_difference=-0.3).tested is False


def test_slip_is_judged_at_the_slowest_place_where_nothing_was_tested(flat_map: FlatMap) -> None:
    """Where that torque was tested at some speed, there; else where any was; else at the map's first node.
    A map that locks more the slower it slips."""
    content = flat_map(80.0).document.model_dump(mode="json")
    branch = dict(content["branches"]["mean"])
    table = np.zeros((3, 3, 2)) + np.array([90.0, 80.0, 60.0])[None, :, None]
    for name in ("locking_torque_Nm", "low_Nm", "high_Nm"):
        branch[name] = table.tolist()

    def judged(tested: np.ndarray, left: float, right: float) -> tuple[float, str]:
        told = {**branch, "tested": tested.tolist()}
        made = LockingMap(
            MapDocument.model_validate({**content, "branches": dict.fromkeys(content["branches"], told)})
        )
        found = slip_state(made, left, right, 60.0)
        return found.speed_difference, found.state

    nowhere = np.zeros((3, 3, 2), dtype=bool)
    assert judged(nowhere, 100.0, 15.0) == (0.0, "locked")
    fast = nowhere.copy()
    fast[:, 2] = True
    assert judged(fast, 100.0, 15.0) == (8.0, "slipping")
    # at 115 N·m of coast nothing was tested: where any of it was
    drive = nowhere.copy()
    drive[1:, 1:] = True
    assert judged(drive, -100.0, -15.0) == (0.5, "slipping")
    assert judged(drive, 100.0, 25.0) == (0.5, "locked")


def test_an_open_differential_holds_nothing(flat_map: FlatMap) -> None:
    assert slip_state(flat_map(0.0), 60.0, 59.0, 60.0).state == "slipping"
    even = slip_state(flat_map(0.0), 60.0, 60.0, 60.0)
    assert even.state == "locked"
    assert even.share_of_locking_torque is None


@pytest.mark.parametrize("place", [(math.nan, 4.0, 60.0), (100.0, math.inf, 60.0), (100.0, 4.0, math.nan)])
def test_what_is_no_number_is_refused(flat_map: FlatMap, place: tuple[float, float, float]) -> None:
    with pytest.raises(QuantityError, match="give a finite number"):
        torque_split(flat_map(80.0), *place)
    with pytest.raises(QuantityError, match="give a finite number"):
        slip_state(flat_map(80.0), place[0], 20.0, place[2], speed_difference=place[1])
