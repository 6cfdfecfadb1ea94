"""The rig of a slow drive as it is shipped, from a simulated recording to the preload torque."""

from __future__ import annotations

from pathlib import Path
from shutil import copy

import numpy as np
from benchsim.dynamics import simulate
from benchsim.protocol import Protocol, Trace
from benchsim.scenario import Q17

from diffbench.fitting import fit
from diffbench.results import make_map

ROOT = Path(__file__).resolve().parents[2]
DRAG, GAIN, ZERO, SIGN = 0.4, 1.002, -0.35, -1  # as the rig states them


def test_a_slow_drive_finds_the_preload(tmp_path: Path) -> None:
    """Two minutes at 1 rad/s, half of them backward: no input torque, so the two outputs bear equal and
    opposite torques. At the drive's own speed the map holds the truth of friction within 1 %; at 4 rad/s the
    doubt of friction over speed is in the interval."""
    speed = Trace((0.0, 2.0, 2.5, 57.0, 58.0, 60.0, 61.0, 120.0), (0.0, 0.0, 1.0, 1.0, 0.0, 0.0, -1.0, -1.0))
    protocol = Protocol(
        "turning-torque", 120.0, Trace.constant(0.0), speed, Trace.constant(0.0), Trace.constant(60.0)
    )
    response = next(iter(simulate([(Q17, protocol)])))
    time = np.arange(0.0, 120.0, 0.02)
    turning = np.interp(time, response.time, response.left_speed - response.right_speed)
    carried = np.interp(time, response.time, response.left_torque - response.right_torque)
    rng = np.random.default_rng(5)
    torque = -0.5 * carried + DRAG * np.sign(turning) + rng.normal(0.0, 0.2, time.size)
    rows = np.stack(
        [(torque / SIGN - ZERO) / GAIN, turning * 60.0 / (2.0 * np.pi), np.full(time.size, 60.0)], axis=1
    )
    np.savetxt(tmp_path / "slow.csv", rows, "%.3f", delimiter=",", header="Torque,Speed,Oil", comments="")
    copy(ROOT / "rigs" / "single-flange-slow-drive.toml", tmp_path / "rig.toml")
    copy(ROOT / "fixtures" / "hand-readings" / "unit-q17.toml", tmp_path / "build.toml")
    (tmp_path / "run.toml").write_text(
        'format = "diffbench-run/1"\nrig = "rig.toml"\nbuild = "build.toml"\ndate = 2026-04-20\n'
        '[[run]]\nfile = "slow.csv"\nkind = "turning-torque"\n',
        encoding="utf-8",
    )
    result = fit(tmp_path / "run.toml")

    def true(speed_difference: float) -> float:
        """``2 μ n R_e F_0`` and the oil film, plates and oil at the reference temperature."""
        friction = float(Q17.friction_over_speed(speed_difference))
        pack = friction * Q17.faces * Q17.effective_radius * Q17.spring_force
        return 2.0 * pack + Q17.viscous * speed_difference

    assert abs(make_map(result).locking_torque(0.0, 1.0, 60.0, branch="loading") / true(1.0) - 1.0) < 0.01
    preload = result.parameters["preload_torque"]
    assert preload.status == "measured"
    assert preload.low is not None
    assert preload.high is not None
    assert preload.low < true(4.0) - 4.0 * Q17.viscous < preload.high
    assert result.parameters["ramp_bias_drive_loading"].status == "not-determined"
