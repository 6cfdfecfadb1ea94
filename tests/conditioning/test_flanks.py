"""Drive and coast exchanged: what the build sheet's ramps tell, and what the sweep's range hints."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import ConditionedVisit, check_flanks, condition
from diffbench.conditioning.checks.protocol import flanks, reach
from diffbench.documents import Build, Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]

RIG = Rig.model_validate(
    {
        "format": "diffbench-rig/1",
        "name": "Ideal cell",
        "arrangement": "both-outputs",
        "channel": {
            name: {"column": f"{name} logged", "unit": unit}
            for name, unit in (
                ("left_torque", "N.m"),
                ("right_torque", "N.m"),
                ("left_speed", "rad/s"),
                ("right_speed", "rad/s"),
            )
        },
    }
)


def build(drive: float | None, coast: float | None, side: str = "plane") -> Build:
    """A sheet with these ramp angles [deg]."""
    angles = {"drive_angle": drive, "coast_angle": coast}
    return Build.model_validate(
        {
            "format": "diffbench-build/1",
            "unit": "A",
            "build": "A-1",
            "packs": {"faces": 4, "inner_radius": "38 mm", "outer_radius": "54 mm"},
            "ramps": {
                "angle_from": side,
                **{name: f"{angle} deg" for name, angle in angles.items() if angle is not None},
            },
        }
    )


@pytest.fixture(scope="module")
def visit(
    ideal: Callable[..., tuple[Array, dict[str, Array]]],
    both_outputs: Rig,
    recording_of: Callable[..., Recording],
) -> Callable[[bool], ConditionedVisit]:
    """The ideal bench, which locks by 0.5 in drive and 0.3 in coast, as it is or with its output torques
    exchanged and both reversed."""

    def make(exchanged: bool) -> ConditionedVisit:
        time, channels = ideal(noise=1.0)
        left, right = channels["left_torque"], channels["right_torque"]
        if exchanged:
            channels |= {"left_torque": -right, "right_torque": -left}
        run = [("bias-sweep", recording_of(time, **channels))]
        return condition(both_outputs, run, rig_key="R", visit_key="V")

    return make


def test_exchanged_and_reversed_outputs_are_refused_by_the_ramps_of_the_sheet(
    visit: Callable[[bool], ConditionedVisit],
) -> None:
    """cot 42° / cot 57° = 1.71, measured 0.5 / 0.3 = 1.67: the sheet's own way round, or the other."""
    check_flanks(build(42.0, 57.0), RIG, visit(False).runs)
    with pytest.raises(RecordingError) as caught:
        check_flanks(build(42.0, 57.0), RIG, visit(True).runs)
    (fault,) = caught.value.faults
    assert fault.place.file == "sweep.csv"
    assert "drive and coast are exchanged" in fault.what
    assert "reverse both signs" in fault.mend


def test_angles_from_the_wrong_side_are_told_by_the_same(visit: Callable[[bool], ConditionedVisit]) -> None:
    """48° and 33° from the axis are 42° and 57° from the plane."""
    check_flanks(build(48.0, 33.0, "axis"), RIG, visit(False).runs)
    with pytest.raises(RecordingError, match='angle_from = "axis"'):
        check_flanks(build(48.0, 33.0), RIG, visit(False).runs)


@pytest.mark.parametrize(("drive", "coast"), [(None, 57.0), (42.0, None), (45.0, 46.0), (90.0, 57.0)])
def test_a_sheet_that_cannot_tell_refuses_nothing(
    drive: float | None, coast: float | None, visit: Callable[[bool], ConditionedVisit]
) -> None:
    for exchanged in (False, True):
        seen = visit(exchanged)
        check_flanks(build(drive, coast), RIG, seen.runs)
        assert ("coast further than drive" in {f.name for f in seen.findings}) is exchanged


def test_ramps_that_never_overcame_the_preload_tell_nothing(
    visit: Callable[[bool], ConditionedVisit],
) -> None:
    """A coast flank that stays closed climbs by gears alone, whatever its angle: of 300 N·m of preload the
    drive flank's ramps overcome the last at 333 N·m, and coast was swept to 300."""
    (run,) = visit(False).runs
    torque = run.input_torque
    closed = np.where(torque > 0.0, np.maximum(300.0, 0.9 * torque), 300.0 + 0.03 * np.abs(torque))
    check_flanks(build(57.0, 42.0), RIG, [replace(run, difference=-run.cells.direction * closed)])
    with pytest.raises(RecordingError, match="exchanged"):
        check_flanks(build(57.0, 42.0), RIG, [run])


def test_ramps_that_should_have_overcome_the_preload_tell(visit: Callable[[bool], ConditionedVisit]) -> None:
    """A drive flank that climbs by gears alone up to 600 N·m, while coast overcomes 60 N·m of preload at 120:
    by the sheet drive locks more, so the flanks are exchanged, however far the climbs are apart."""
    (run,) = visit(False).runs
    torque = run.input_torque
    locking = np.where(torque < 0.0, np.maximum(60.0, 0.5 * np.abs(torque)), 60.0 + 0.02 * torque)
    wrong = [replace(run, difference=-run.cells.direction * locking)]
    with pytest.raises(RecordingError, match="exchanged"):
        check_flanks(build(42.0, 57.0), RIG, wrong)
    check_flanks(build(57.0, 42.0), RIG, wrong)


def test_a_speed_sweep_alone_tells_nothing(visit: Callable[[bool], ConditionedVisit]) -> None:
    (run,) = visit(True).runs
    check_flanks(build(42.0, 57.0), RIG, [replace(run, kind="speed-sweep")])


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [(-300.0, 700.0, False), (-500.0, 500.0, False), (-700.0, 300.0, True), (-300.0, -5.0, True)],
)
def test_a_sweep_that_goes_further_in_coast_says_so(low: float, high: float, told: bool) -> None:
    found: list[Any] = flanks(*(reach(np.linspace(low, high, 500)) or (0.0, 0.0)), file="a.csv")
    assert [f.name for f in found] == (["coast further than drive"] if told else [])
