"""Stands that nobody named: what the draft says of them, by column alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from diffbench.documents import load_rig
from diffbench.inspection import draft_rig, inspect_file
from diffbench.inspection.channel_guesses import Guess


def test_cells_in_kilograms_pulses_and_a_chain(tmp_path: Path) -> None:
    """A load cell's mass is a force at an arm, pulses a second are turns once divided by the teeth, and an
    input that turns 42/17 times the case is read before the chain."""
    wave = np.sin(np.linspace(0.0, 20.0, 400))
    path = tmp_path / "odd.csv"
    columns = {
        "Time [s]": np.arange(400) * 0.02,
        "Motor torque [Nm]": 100.0 * wave,
        "Load cell left [kg]": 60.0 * wave + 9.0,
        "Pulses LH [1/s]": 575.0 + 5.0 * wave,
        "n left [rpm]": 575.0 + 5.0 * wave,
        "n right [rpm]": 565.0 - 5.0 * wave,
        "n motor [rpm]": 570.0 * 42 / 17 + 0.0 * wave,
    }
    rows = np.column_stack(list(columns.values()))
    np.savetxt(path, rows, delimiter=",", header=",".join(columns), comments="", fmt="%.4f")
    text = draft_rig(inspect_file(path))
    assert 'unit = "kgf"' in text
    assert 'arm = ""' in text
    assert "pulses of a toothed wheel" in text
    assert 'at = "pinion"\nratio = 2.471' in text


def test_a_counter_runs_as_the_rig_says(tmp_path: Path) -> None:
    """Counts of 10 ms that begin again after 4096: 100 Hz over 99.99 s, and both oil columns are named."""
    path = tmp_path / "counter.csv"
    count = np.arange(10_000)
    rows = np.column_stack([count % 4096, 50.0 + 0.0 * count, 51.0 + 0.0 * count, count % 3])
    np.savetxt(path, rows, delimiter=",", header="n,oil in,oil out,spare", comments="", fmt="%.4f")
    sheet = tmp_path / "rig.toml"
    sheet.write_text(
        'format = "diffbench-rig/1"\nname = "Cell"\narrangement = "both-outputs"\noutputs = "reaction"\n'
        'channel.time = { column = "n", tick = "10 ms", rolls_over = 4096 }\n'
        'channel.left_torque = { column = "TL", unit = "N.m" }\n'
        'channel.right_torque = { column = "TR", unit = "N.m" }\n'
        'channel.speed_difference = { column = "dn", unit = "rpm" }\n'
        'channel.oil_temperature = { column = "oil in", unit = "degC", also = ["oil out"] }\n'
    )
    rig = load_rig(sheet)
    seen = inspect_file(path, rig=rig)
    assert seen.clock is not None
    assert (round(seen.clock.rate, 6), round(seen.clock.duration, 6)) == (100.0, 99.99)
    oil = "the rig names it for oil_temperature"
    assert seen.guesses == (
        Guess("time", "time", True, ("the rig names it for time",)),
        Guess("oil_temperature", "temperature", True, (oil,)),
        Guess("oil_temperature", "temperature", True, (f"{oil}, in the mean with others",)),
        Guess(None, None, False, ("the rig names it for nothing",)),
    )
