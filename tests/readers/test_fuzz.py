"""A short run of the fuzzing command, over every format and way of damage; the long run is ``fuzz.py``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from fuzz import APART, WEIGHTS, fuzz, good, make, rig, silent

from diffbench.readers import read_recording

COUNT, SEED = 100, 20_260_414


def test_damaged_and_hostile_files_are_read_or_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """No other exception, no dead process, no input beyond 10 s or 1 GB, no result without its findings."""
    outcome = fuzz(COUNT, SEED, processes=25)
    with capsys.disabled():
        print(f"\n{outcome.count} inputs of seed {SEED}: {len(outcome.failures)} failures")
    assert outcome.failures == []
    assert outcome.count == COUNT
    came = {result.split()[1] for result in outcome.results}
    assert came == {"read", "refused"}


def test_an_input_can_be_made_again_from_its_number() -> None:
    """Bytes and all."""
    assert make(1, 7) == make(1, 7)
    kinds = {make(1, number)[0] for number in range(300)}
    assert kinds >= set(WEIGHTS) - set(APART)  # those are rare


def test_a_result_without_its_findings_would_be_noticed(tmp_path: Path) -> None:
    """Both gains off by 4 % alike is what no recording shows by itself: told of nothing, and caught here; the
    same in one of them is told."""
    path = tmp_path / "sweep.npy"
    path.write_bytes(good("npy")[1])
    recording = read_recording(path, rig(), kind="bias-sweep")
    torques = ("left_torque", "right_torque")

    def off(*names: str) -> str | None:
        changed = {name: (1.04 if name in names else 1.0) * x for name, x in recording.channels.items()}
        return silent([replace(recording, channels=changed)])

    assert off() is None
    assert (off(*torques) or "").startswith("SILENT")
    assert off(torques[0]) is None
