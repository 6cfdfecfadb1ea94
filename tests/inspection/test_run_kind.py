"""What was done while a recording ran, by its torques and speeds: on both sides of every threshold."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.documents import load_rig
from diffbench.inspection import inspect_file

Array = NDArray[np.float64]
N = np.arange(200)  # as many as there are means: each sample is one
LEFT, RIGHT, INPUT = "Torque LH [Nm]", "Torque RH [Nm]", "Torque case [Nm]"
N_LEFT, N_RIGHT = "n_L [rad/s]", "n_R [rad/s]"


@pytest.fixture
def kind_of(tmp_path: Path):
    """The kind that is read of columns; NaN is an empty cell."""

    def of(columns: dict[str, Array | list[str]]) -> str:
        cells = [["" if value != value else str(value) for value in values] for values in columns.values()]  # noqa: PLR0124
        lines = [f"{n / 100}," + ",".join(row) for n, row in enumerate(zip(*cells, strict=True))]
        path = tmp_path / "log.csv"
        path.write_text("\n".join([",".join(["t [s]", *columns]), *lines]) + "\n", encoding="utf-8")
        return inspect_file(path).kind

    return of


def outputs(whole: Array, apart: Array | float) -> dict[str, Array]:
    """Columns of both outputs by their sum and their difference."""
    return {LEFT: 0.5 * (whole + apart), RIGHT: 0.5 * (whole - apart)}


def levels(low: float, count_low: int, high: float, top: float = 0.0, count_top: int = 0) -> Array:
    """A torque that stands at ``low``, at ``high``, and at last at ``top``."""
    values = np.full(200, high)
    values[:count_low] = low
    values[200 - count_top :] = top if count_top else high
    return values


SWEEP = levels(20.0, 100, 300.0)


@pytest.mark.parametrize(("most", "kind"), [(9.99, "tare"), (10.0, "speed-sweep")])
def test_a_tare_stays_below_ten_newton_metres(most: float, kind: str, kind_of) -> None:
    assert kind_of({LEFT: np.full(200, 2.0), RIGHT: np.full(200, -most)}) == kind
    assert kind_of({LEFT: np.full(200, -most), INPUT: np.full(200, 80.0)}) == kind


def test_ripple_and_marks_of_overload_do_not_count(kind_of) -> None:
    """Two samples make one of 200 means."""
    ripple = np.where(np.arange(400) % 2 == 0, 50.0, -50.0)
    assert kind_of({LEFT: ripple, RIGHT: ripple}) == "tare"
    marked = np.where(N == 7, 1e30, 5.0)
    assert kind_of({LEFT: marked, RIGHT: marked}) == "tare"
    odd = np.append(ripple, 9000.0)  # which fills no mean
    assert kind_of({LEFT: odd, RIGHT: odd}) == "tare"


@pytest.mark.parametrize(("count", "kind"), [(19, ""), (20, "bias-sweep")])
def test_twenty_means_tell_a_kind(count: int, kind: str, kind_of) -> None:
    """Of a short file, and of one whose other cells are empty."""
    both = outputs(np.where(N % 2 == 0, 20.0, 300.0), 40.0)
    assert kind_of({name: values[:count] for name, values in both.items()}) == kind
    assert kind_of({name: np.where(count > N, values, np.nan) for name, values in both.items()}) == kind


def test_torques_that_lack_something_tell_no_kind(kind_of) -> None:
    both = outputs(SWEEP, 40.0)
    assert kind_of(both) == "bias-sweep"
    assert kind_of({LEFT: both[LEFT]}) == ""
    assert kind_of({INPUT: SWEEP}) == ""
    assert kind_of({LEFT: both[LEFT], RIGHT: np.where(N < 5, np.nan, both[RIGHT])}) == ""
    assert kind_of({"Torque LH": both[LEFT], "Torque RH": both[RIGHT]}) == ""  # of no unit


@pytest.mark.parametrize(("most", "kind"), [(84.0, "bias-sweep"), (87.0, "speed-sweep")])
@pytest.mark.parametrize("times", [1.0, 3.7])
@pytest.mark.parametrize("output", [LEFT, RIGHT])
def test_input_and_one_output_are_held_as_both_outputs_are(
    most: float, kind: str, times: float, output: str, kind_of
) -> None:
    """A torque that moves by 30 N·m, more or less than 0.35 of the difference: read at the case, or before a
    drive whose ratio the speeds tell."""
    whole = levels(285.0, 100, 315.0)
    side = 1.0 if output == LEFT else -1.0
    columns = {INPUT: whole / times, output: 0.5 * (whole + side * most)}
    if times != 1.0:
        speeds = {N_LEFT: np.full(200, 60.0), N_RIGHT: np.full(200, 50.0)}
        columns |= {**speeds, "Prop speed [rad/s]": np.full(200, 55.0 * times)}
    assert kind_of(columns) == kind


@pytest.mark.parametrize(("low", "kind"), [(0.0, ""), (-5.0, "bias-sweep")])
def test_a_torque_at_the_pinion_without_its_ratio_tells_a_sweep_that_changes_flank(
    low: float, kind: str, kind_of
) -> None:
    columns = {"Pinion torque [Nm]": levels(low, 100, 100.0), LEFT: np.full(200, 80.0)}
    assert kind_of(columns) == kind


def test_a_twentieth_of_the_samples_at_either_end_is_no_movement(kind_of) -> None:
    """Eleven of 200 at either end are just more, by quantiles between the tenth and the eleventh."""
    wide = levels(285.0, 11, 300.0, 315.0, 11)
    narrow = levels(285.0, 10, 300.0, 315.0, 9)
    assert kind_of(outputs(wide, 84.0)) == "bias-sweep"
    assert kind_of(outputs(narrow, 84.0)) == "speed-sweep"


def test_outputs_that_read_alike_and_stand_still_are_held(kind_of) -> None:
    assert kind_of(outputs(np.full(200, 90.0), 0.0)) == "speed-sweep"


#: Over four fifths of the samples from 75 to 100 N·m, a quarter of their size
WANDERS = levels(75.0, 21, 100.0, 150.0, 10)


@pytest.mark.parametrize(
    ("whole", "slow", "kind"),
    [
        (WANDERS, 1.0, "bias-sweep"),  # of 2 rad/s, half: just twice as far
        (WANDERS, 0.98, "speed-sweep"),
        (levels(80.0, 21, 100.0, 150.0, 10), 1.0, "speed-sweep"),
        (levels(75.0, 19, 100.0, 150.0, 10), 1.0, "speed-sweep"),
        (levels(80.0, 21, 100.0), 1.22, "bias-sweep"),  # 0.2 and 0.39
        (levels(80.0, 21, 100.0), 1.18, "speed-sweep"),  # 0.2 and 0.41
    ],
)
@pytest.mark.parametrize("unit", [1.0, 1e-3])
def test_a_torque_is_held_where_speeds_go_twice_as_far(
    whole: Array, slow: float, kind: str, unit: float, kind_of
) -> None:
    """Over four fifths of the samples, at any speed."""
    slip = unit * np.where(N % 2 == 0, slow, 2.0)
    assert kind_of({**outputs(whole, 10.0), "Speed difference [rad/s]": slip}) == kind
    base = 0.0 if unit < 1.0 else 30.0
    assert kind_of({**outputs(whole, 10.0), N_LEFT: base + slip, N_RIGHT: np.full(200, base)}) == kind
    assert kind_of({**outputs(whole, 10.0), N_RIGHT: base + slip, N_LEFT: np.full(200, base)}) == kind


def test_speeds_that_lack_something_hold_nothing(kind_of) -> None:
    slip = np.where(N % 2 == 0, 1.0, 9.0)
    torques, still = outputs(levels(80.0, 21, 100.0), 10.0), np.full(200, 30.0)
    assert kind_of({**torques, N_LEFT: still + slip, N_RIGHT: still}) == "speed-sweep"
    assert kind_of({**torques, N_LEFT: still + slip}) == "bias-sweep"
    assert kind_of({**torques, N_LEFT: still + slip, N_RIGHT: np.where(N < 5, np.nan, still)}) == "bias-sweep"


def test_a_rig_may_name_a_column_of_words(tmp_path: Path) -> None:
    """Which tells no kind; that it is no torque, the reading of it tells."""
    sheet = tmp_path / "rig.toml"
    sheet.write_text(
        'format = "diffbench-rig/1"\nname = "Cell"\narrangement = "both-outputs"\n'
        'channel.time = { column = "t [s]" }\n'
        'channel.left_torque = { column = "L [Nm]" }\nchannel.right_torque = { column = "R [Nm]" }\n'
        'channel.speed_difference = { column = "dn [rpm]" }\n',
        encoding="utf-8",
    )
    path = tmp_path / "log.csv"
    lines = [f"{n},{10 * n},off,3" for n in range(30)]
    path.write_text("\n".join(["t [s],L [Nm],R [Nm],dn [rpm]", *lines]) + "\n", encoding="utf-8")
    assert inspect_file(path, rig=load_rig(sheet)).kind == ""
