"""Two flanges against each other: a fault that matters is found by name, and the fit doubts it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from diffbench.errors import RecordingError


def lagged(values: Any, recording: Any, lag: float) -> Any:
    """A further first-order lag."""
    step = float(np.median(np.diff(recording.time)))
    decay = float(np.exp(-step / lag))
    out = values.copy()
    for i in range(1, out.size):
        out[i] = decay * out[i - 1] + (1.0 - decay) * values[i]
    return out


def test_a_gain_of_one_per_cent_is_found_and_widens_what_is_common(both: Any) -> None:
    """1 % on a flange of 0.15 %; the committed bench's own gains differ by 0.2 %."""
    visit = both.changed(("tare", "bias-sweep", "speed-sweep"), left_torque=lambda x, r: 1.01 * x).condition()
    (found,) = [f for f in visit.findings if f.name == "gain mismatch"]
    assert found.severity == "caveat"
    assert "+1." in found.evidence
    source = visit.sources["V:gain.common"]
    assert source.considered
    assert source.u == pytest.approx(0.005, abs=0.001)
    for run in visit.runs:
        # a common gain scales input torque and torque difference alike: no bias moves, the preload does
        effect = run.effects["V:gain.common"]
        assert effect.noise_share == pytest.approx(source.u)
        np.testing.assert_allclose(effect.difference, source.u * run.difference, rtol=0.05, atol=0.2)


def test_a_lag_of_20_ms_is_found(both: Any) -> None:
    found = both.changed(left_torque=lambda x, r: lagged(x, r, 0.02)).findings()
    assert found["lag mismatch"].severity == "caveat"


def test_a_lag_of_20_ms_before_the_unit_is_found(pinion: Any) -> None:
    found = pinion.changed(right_torque=lambda x, r: np.interp(r.time - 0.02, r.time, x)).findings()
    assert found["lag mismatch"].severity == "caveat"
    assert "-19" in found["lag mismatch"].evidence


@pytest.mark.parametrize("arrangement", ["both", "pinion"])
def test_a_drift_of_3_newton_metres_is_found(arrangement: str, visits: dict[str, Any]) -> None:
    """3 N·m within the sweep, as much as an hour's recording gathers at 3 N·m an hour."""

    def drifting(values: Any, recording: Any) -> Any:
        return values + 3.0 * recording.time / recording.time[-1]

    found = visits[arrangement].changed(right_torque=drifting).findings()
    assert found["zero drift"].severity == "caveat"


@pytest.mark.parametrize("factor", [1.3558179483, 1.0 / 1.3558179483, 9.80665])
def test_one_flange_in_another_unit_stops_the_fit_and_is_named(factor: float, both: Any) -> None:
    kinds = ("tare", "bias-sweep", "speed-sweep")
    with pytest.raises(RecordingError) as caught:
        both.changed(kinds, left_torque=lambda x, r: factor * x).condition()
    said = str(caught.value)
    assert "unit" in said
    words = {
        1: "N.m taken as lbf.ft in left",
        0: "lbf.ft taken as N.m in left",
        9: "drives instead of holding",
    }
    assert words[int(factor)] in said or "N.m taken as kgf.m in left_torque" in said


def test_one_direction_of_slip_tells_nothing(both: Any) -> None:
    """Errors of the flanges look like locking torque then, and none is made up."""
    (_, sweep) = next(pair for pair in both.recordings if pair[0] == "bias-sweep")
    ahead = sweep.channels["left_speed"] - sweep.channels["right_speed"] > 0.5
    lost = {name: np.where(ahead, values, np.nan) for name, values in sweep.channels.items()}
    names = ("left_torque", "right_torque")
    changes = {name: (lambda x, r, values=lost[name]: 1.01 * values) for name in names}
    found = both.changed(**changes).findings()
    assert not {"gain mismatch", "lag mismatch", "zero drift", "transducer hysteresis"} & set(found)
