"""The study of planted faults plants what it says, and counts as it says; its fits are run by hand."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from planted_faults import FAULTS, Fault, Outcome, drawn, table

CALM = Outcome(1, "one gain off", z={"preload_torque": 3.0}, held={"preload_torque": False})


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault.logged], ids=lambda f: f.words)
def test_what_is_planted_after_the_run_changes_the_recordings(fault: Fault) -> None:
    bench, _, channel, _ = drawn(8001)
    assert fault.logged is not None
    time = np.arange(0.0, 200.0, 0.1)
    names = [*bench.stand.torques, "left_speed", "right_speed", "oil_temperature"]
    rng = np.random.default_rng(2)
    logged = {name: 60.0 + 9.0 * k + 0.1 * time + rng.normal(size=time.size) for k, name in enumerate(names)}
    recordings = {stem: {"time": time, **logged} for stem, _ in bench.runs}
    changed = fault.logged(bench, recordings, channel, max(fault.size[0], 0.5))
    (sweep,) = (stem for stem, protocol in bench.runs if protocol.kind == "bias-sweep")
    moved = {name for name in names if not np.array_equal(changed[sweep][name], logged[name])}
    if "oil" in fault.words:
        assert moved == {"oil_temperature"}
    elif "speeds" in fault.words:
        assert moved == {"left_speed", "right_speed"}
    elif "one" in fault.words or "tare" in fault.words:
        assert moved == {channel}
    else:
        assert moved == set(bench.stand.torques)


def test_faults_take_turns_and_their_flange_is_changed() -> None:
    """The papers of the bench stay as they were."""
    for seed, fault in enumerate(FAULTS):
        bench, planted, channel, size = drawn(seed)
        assert planted is fault
        assert fault.size[0] <= abs(size) <= fault.size[1]
        clean = drawn(seed, (Fault("nothing"),))[0]
        one, other = bench.stand.torques[channel], clean.stand.torques[channel]
        assert (one != other) is (fault.flange is not None)
        assert (one.gain.value, one.gain.u, one.zero.value) == (
            other.gain.value,
            other.gain.u,
            other.zero.value,
        )


@pytest.mark.parametrize(
    ("outcome", "silent"),
    [
        (CALM, 1),
        (replace(CALM, findings={"one slip direction only": "caveat", "gain mismatch": "note"}), 1),
        (replace(CALM, findings={"gain mismatch": "caveat"}), 0),
        (replace(CALM, stop="drives instead of holding back"), 0),
    ],
)
def test_silent_is_no_stop_and_no_caveat_but_those_of_a_protocol(outcome: Outcome, silent: int) -> None:
    line = table([outcome]).splitlines()[1].removeprefix(outcome.fault).split()
    assert line[:4] == [
        "1",
        str(int(bool(outcome.stop))),
        str(int(not outcome.stop and not silent)),
        str(silent),
    ]
    assert (line[-1] == "1") is bool(silent)  # its seed is named, as it is out
